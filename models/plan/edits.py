"""The numbers of a plan as it stands in a solver, from other inputs: what a case changes without a new build.

An allocation, a permit, a capacity, the length of a window, a ban, a price: each is a bound, a right-hand side or a
cost of rows and columns that are already there. Whatever else is changed (weather, soil, a limit the plan was built
without) takes a new build, which then goes on from the basis of the old.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np

from models.plan.copies import Copies
from models.plan.flush import flush_terms
from models.plan.inputs import Bools, Floats, Ints, PlanInputs
from models.plan.limits import longest_minutes, longest_run_binds
from models.plan.objective import cost_terms
from models.plan.pens import Model
from models.plan.prices import Prices
from models.plan.rows import Spans
from models.plan.weathers import tail_terms

# What a loaded plan takes on by new numbers alone; everything else is part of its rows.
NUMBERS = set(
    "max_run priority wet_weight block_length energy_price allowed pump_capacity pump_energy branch_capacity "
    "stations_at_once zone_supply source_price source_daily source_monthly allocation tiers cuts "
    "pump_share source_open price_of_a_run caution".split()
)
RUNS = ("allowed", "block_length", "max_run", "zone_supply")  # of them, what says how long a zone may run
LAST_DIGITS = 1e-9  # [-] of water: a sum at its limit may lie this far beyond
WATER = ("source_daily", "source_monthly", "allocation", "cuts")  # of them, what says how much there is
LIMITS = ("pump_capacity", "branch_capacity", "stations_at_once", "source_nightly", "source_monthly", "allocation")


def equal_inputs(one: PlanInputs, other: PlanInputs) -> bool:
    """Whether two plans have the same inputs."""
    if len(one.tiers) != len(other.tiers) or len(one.cuts) != len(other.cuts):
        return False
    plain = [f.name for f in fields(one) if f.name not in ("tiers", "cuts", "members")]
    arrays = [(getattr(one, name), getattr(other, name)) for name in plain]
    if one.members is not None and other.members is not None:
        arrays += [(getattr(one.members, f.name), getattr(other.members, f.name)) for f in fields(one.members)]
    elif one.members is not other.members:
        return False
    for a, b in zip(one.cuts, other.cuts, strict=True):
        arrays += [(a.zones, b.zones), (a.volume, b.volume)]
    return one.tiers == other.tiers and all(np.array_equal(a, b) for a, b in arrays)


def only_less_water(one: PlanInputs, other: PlanInputs) -> bool:
    """Whether the second plan is the first with less water allowed, or as much, and the same in all else."""
    if len(other.cuts) < len(one.cuts) or one.members is not None or other.members is not None:
        return False
    for had, has in zip(one.cuts, other.cuts, strict=False):
        if not np.array_equal(had.zones, has.zones) or had.since != has.since or (has.volume > had.volume).any():
            return False
    if any((getattr(other, name) > getattr(one, name)).any() for name in ("source_daily", "source_monthly")):
        return False
    if other.allocation > one.allocation or other.tiers != one.tiers:
        return False
    rest = [f.name for f in fields(one) if f.name not in {*WATER, "tiers", "members"}]
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in rest)


def keeps_to_water(inputs: PlanInputs, run_time: Floats) -> bool:
    """Whether run times keep every limit on water of some inputs, but for the last digits of a sum.

    Parameters
    ----------
    inputs : PlanInputs
    run_time : ndarray (Z, N, K)   Run times by the mix of sources that is drawn [min].
    """
    volume = run_time * inputs.water_per_minute[:, None, None] * (1.0 - LAST_DIGITS)
    by_night = volume.sum(axis=2)
    if by_night.sum() > inputs.allocation:
        return False
    for cut in inputs.cuts:
        if (np.cumsum(by_night[cut.zones, cut.since :].sum(axis=0)) > cut.volume[cut.since :]).any():
            return False
    taken = np.einsum("znk,kw->wn", volume, inputs.supply_share)
    months = inputs.source_monthly.shape[1]
    by_month = np.stack([taken[:, inputs.month_of_night == i].sum(axis=1) for i in range(months)], axis=1)
    return bool((taken <= inputs.source_nightly).all() and (by_month <= inputs.source_monthly).all())


def takes_on(built: PlanInputs, wanted: PlanInputs) -> bool:
    """Whether a plan built from some inputs has every row and column that other inputs need."""
    same = [f.name for f in fields(built) if f.name not in NUMBERS]
    pairs = ((getattr(built, name), getattr(wanted, name)) for name in same)
    if not all(a is b or np.array_equal(a, b) for a, b in pairs):
        return False
    if len(built.tiers) != len(wanted.tiers) or len(built.cuts) != len(wanted.cuts):
        return False
    for name in LIMITS:
        had, has = np.isfinite(getattr(built, name)), np.isfinite(getattr(wanted, name))
        if had.shape != has.shape or bool((has & ~had).any()):
            return False
    for one, other in zip(built.cuts, wanted.cuts, strict=True):
        if not np.array_equal(one.zones, other.zones) or one.since != other.since:
            return False
        if (np.isfinite(other.volume) & ~np.isfinite(one.volume)).any():
            return False
    if built.block_length.shape != wanted.block_length.shape:
        return False
    return not (_choice(wanted) & ~_choice(built)).any()


def longest_run_unsaid(built: PlanInputs, wanted: PlanInputs) -> Bools:
    """Zone-nights whose longest run binds by other inputs, and by those of the build neither row nor bound says so.

    Both are of one weather and soil, as `takes_on` has it.
    """
    if all(np.array_equal(getattr(built, name), getattr(wanted, name)) for name in RUNS):
        return np.zeros(built.zones * built.nights, dtype=np.bool_)
    said = longest_run_binds(built).ravel() & (np.diff(built.runs.first) > 1)
    several = np.bincount(wanted.runs.cell, minlength=said.size) > 1
    return np.asarray(several & longest_run_binds(wanted).ravel() & ~said, dtype=np.bool_)


def same_copies(one: Copies | None, other: Copies | None) -> bool:
    """Whether the copies of two plans are the same but for what they cost."""
    if one is None or other is None:
        return one is other
    names = [f.name for f in fields(one) if f.name not in ("harm", "softness")]
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in names)


def _choice(inputs: PlanInputs) -> Bools:
    """Run times that may be chosen, (Z, N, B, K)."""
    open_blocks = inputs.allowed & (inputs.block_length[None] > 0)
    return np.asarray(open_blocks[:, :, :, None] & inputs.zone_supply[:, None, None, :], dtype=np.bool_)


def on_columns(values: Floats, own: PlanInputs, other: PlanInputs) -> Floats:
    """Values of the run columns of some inputs on those of others, 0 where only these have the column."""
    every = np.zeros((own.zones, own.nights, max(own.blocks, other.blocks), own.supply_share.shape[0]))
    runs, wanted = own.runs, other.runs
    every[runs.zone, runs.night, runs.block, runs.supply] = values
    return np.asarray(every[wanted.zone, wanted.night, wanted.block, wanted.supply], dtype=np.float64)


def column_costs(m: Model, spans: Spans, wanted: PlanInputs, prices: Prices, copies: Copies | None) -> Floats:
    """Cost of every column.

    Parameters
    ----------
    m, spans : Model, Spans
    wanted : PlanInputs   As they are to be, of the copies where flushes are chosen.
    prices : Prices       Of these, its run times on the columns of the model.
    copies : Copies or None
    """
    cost = np.zeros(max((span.stop for span in spans.column.values()), default=0))
    chosen = () if copies is None else flush_terms(m, copies)
    for variable, price in cost_terms(m, wanted, prices, (*chosen, *tail_terms(m, wanted, prices))):
        cost[spans.column[variable.local_name]] = price
    return cost


def column_limits(spans: Spans, upper: Floats, built: PlanInputs, wanted: PlanInputs) -> Floats:
    """Upper bound of every column: run times by block, longest run and bans; all others as built."""
    runs = built.runs
    longest = np.minimum(wanted.block_length[runs.night, runs.block], wanted.max_run[runs.zone])
    out = upper.copy()
    out[spans.column["run_time"]] = np.where(
        _choice(wanted)[runs.zone, runs.night, runs.block, runs.supply], longest, 0.0
    )
    return out


def row_limits(m: Model, spans: Spans, upper: Floats, wanted: PlanInputs, prices: Prices) -> Floats:
    """Upper limit of every row: those of shared limits, longest runs and tonight's depths; all others as built."""
    out = upper.copy()
    for name, index in limited(m).items():
        out[spans.row[name]] = prices.refill[index] if name == "one_run" else _LIMIT_OF[name](wanted, index)
    return out


def limited(m: Model) -> dict[str, Ints]:
    """Index of the rows of each family whose limits are numbers of the inputs."""
    families = {name: m.component(name) for name in (*_LIMIT_OF, "one_run")}
    return {name: np.array(list(f._data)) for name, f in families.items() if f is not None and len(f._data)}


def _of_capacity(capacity: Floats, inputs: PlanInputs, index: Ints) -> Floats:
    each = capacity[index[:, 0]] if capacity.ndim == 1 else capacity[index[:, 0], index[:, 1]]
    return np.asarray(each * inputs.block_length[index[:, 1], index[:, 2]])


_LIMIT_OF: dict[str, Any] = {
    "zone_limit": lambda p, i: longest_minutes(p).ravel()[i],
    "block_limit": lambda p, i: p.block_length[i[:, 1], i[:, 2]],
    "pump_limit": lambda p, i: _of_capacity(p.pump_nightly, p, i),
    "branch_limit": lambda p, i: _of_capacity(p.branch_capacity, p, i),
    "station_limit": lambda p, i: _of_capacity(p.stations_at_once, p, i),
    "source_night": lambda p, i: p.source_nightly[i[:, 0], i[:, 1]],
    "source_month": lambda p, i: p.source_monthly[i[:, 0], i[:, 1]],
    "allocation_limit": lambda p, i: p.allocation,
    "allocation_tier": lambda p, i: np.array([t.above for t in p.tiers])[i.ravel()],
    "drought_cut": lambda p, i: np.array([c.volume for c in p.cuts])[i[:, 0], i[:, 1]],
}


def _of_weathers(limit: Any) -> Any:
    """The same limit in other weathers, whose number is last in the index; of the whole horizon it is the only one."""
    return lambda p, i: limit(p, i[:, :-1] if i.ndim == 2 else i)


_LIMIT_OF |= {f"{name}_weathers": _of_weathers(limit) for name, limit in _LIMIT_OF.items()}
