"""Hard limits shared by the zones; each has the name it is reported by."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyomo.environ as pyo

from models.plan.inputs import Bools, Floats, Ints, PlanInputs
from models.plan.rows import entries, groups, linear, pick
from models.plan.zone_nights import ZoneNights

FILL_ROUNDOFF = 1e-6  # [-] share of the longest fill left to the solver's own tolerance


def add_pump_limit(m: pyo.ConcreteModel, inputs: PlanInputs) -> None:
    """Add `pump_limit[p, n, b]`: sum of flow[z] x over the pump's zones <= capacity[p] length[n, b]   [L/s min].

    `m.pump_capacity` [L/s] is mutable: a pump out of service is an edit, not a rebuild.
    """
    m.P = pyo.RangeSet(0, inputs.pump_capacity.size - 1)
    m.pump_capacity = pyo.Param(m.P, mutable=True, initialize=_numbered(inputs.pump_capacity))
    m.pump_limit = _capacity_rows(m, inputs, inputs.pump_of_zone, m.pump_capacity, inputs.flow, inputs.pump_share)


def add_branch_limit(m: pyo.ConcreteModel, inputs: PlanInputs) -> None:
    """Add `branch_limit[r, n, b]`: sum of flow[z] x over the branch's zones <= capacity[r] length[n, b]   [L/s min]."""
    m.R = pyo.RangeSet(0, inputs.branch_capacity.size - 1)
    m.branch_capacity = pyo.Param(m.R, mutable=True, initialize=_numbered(inputs.branch_capacity))
    m.branch_limit = _capacity_rows(m, inputs, inputs.branch_of_zone, m.branch_capacity, inputs.flow)


def add_station_limit(m: pyo.ConcreteModel, inputs: PlanInputs) -> None:
    """Add `station_limit[k, n, b]`: sum of x over the controller's zones <= stations at once * length[n, b]   [min]."""
    m.K = pyo.RangeSet(0, inputs.stations_at_once.size - 1)
    m.stations_at_once = pyo.Param(m.K, mutable=True, initialize=_numbered(inputs.stations_at_once))
    m.station_limit = _capacity_rows(m, inputs, inputs.controller_of_zone, m.stations_at_once, np.ones(inputs.zones))


def add_zone_limit(m: pyo.ConcreteModel, inputs: PlanInputs, words: ZoneNights) -> None:
    """Add `zone_limit[c]`: sum of x over blocks and supplies <= longest run and the window [min].

    Only where a zone-night has more than one run column; with one, the bound of the variable says it. And only where
    the driest zone would take longer to fill, as `firmness` keeps the night's water from passing field capacity; where
    a flush may pass it, `within_night` says the same.
    """
    several = np.flatnonzero((np.diff(inputs.runs.first) > 1) & longest_run_binds(inputs).ravel())
    m.C_several = pyo.Set(initialize=several.tolist())
    longest = longest_minutes(inputs).ravel()
    m.zone_limit = words.constraint(m.C_several, words.minutes <= longest, several, scaled=False)


def longest_run_binds(inputs: PlanInputs) -> Bools:
    """Zone-nights on which the longest run may be too short to fill the driest the zone can be, shape (Z, N)."""
    drying = np.cumsum(np.maximum(inputs.etc - inputs.effective_rain, 0.0), axis=1)
    driest = np.minimum(inputs.depletion[:, None] + np.pad(drying[:, :-1], ((0, 0), (1, 0))), inputs.taw[:, None])
    filled = longest_minutes(inputs) * inputs.net_rate[:, None]
    return np.asarray(filled < driest * (1.0 + FILL_ROUNDOFF), dtype=np.bool_)


def longest_minutes(inputs: PlanInputs) -> Floats:
    """Longest run of each zone-night, by its own limit and by the window, shape (Z, N) [min]."""
    window = (inputs.allowed * inputs.block_length[None]).sum(axis=2)
    return np.asarray(np.minimum(window, inputs.max_run[:, None]), dtype=np.float64)


def add_source_limits(m: pyo.ConcreteModel, inputs: PlanInputs) -> None:
    """Add `source_night[w, n]` and `source_month[w, i]`: water taken from the source <= its permit   [m3]."""
    runs = entries(m.run_time)
    columns = inputs.runs
    sources, months = inputs.source_monthly.shape
    volume = inputs.water_per_minute[columns.zone]
    taken = [inputs.supply_share[columns.supply, w] * volume for w in range(sources)]
    m.W = pyo.RangeSet(0, sources - 1)
    m.N = pyo.RangeSet(0, inputs.nights - 1)
    m.M = pyo.RangeSet(0, months - 1)

    def rows(index: Ints, size: int, limits: Floats) -> dict[tuple[int, int], Any]:
        found = {}
        for w in range(sources):
            for i, members in enumerate(groups(np.where(taken[w] > 0, index, -1), size)):
                if members and np.isfinite(limits[w, i]):
                    expression = linear(taken[w][members].tolist(), pick(runs, members))
                    found[w, i] = (None, expression, float(limits[w, i]))
        return found

    by_night = rows(columns.night, inputs.nights, inputs.source_nightly)
    by_month = rows(inputs.month_of_night[columns.night], months, inputs.source_monthly)
    m.source_night = _named_rows(by_night)
    m.source_month = _named_rows(by_month)


def add_allocation(m: pyo.ConcreteModel, inputs: PlanInputs) -> None:
    """Add `allocation_limit`: all water of the horizon <= allocation, and `allocation_tier[t]`   [m3].

    Water of the horizon - over_use[t] <= above[t]; what passes a step is priced, step by step, so the cost is convex.
    """
    runs = entries(m.run_time)
    volume = inputs.water_per_minute[inputs.runs.zone].tolist()
    m.allocation = pyo.Param(mutable=True, initialize=inputs.allocation)
    m.T = pyo.RangeSet(0, len(inputs.tiers) - 1)
    m.over_use = pyo.Var(m.T, bounds=(0, None))
    if not runs:
        return
    if np.isfinite(inputs.allocation):
        m.allocation_limit = pyo.Constraint(expr=(None, linear(volume, runs), m.allocation))

    @m.Constraint(m.T)  # type: ignore[untyped-decorator]
    def allocation_tier(m: pyo.ConcreteModel, t: int) -> Any:
        return (None, linear([*volume, -1.0], [*runs, m.over_use[t]]), inputs.tiers[t].above)


def add_cuts(m: pyo.ConcreteModel, inputs: PlanInputs) -> None:
    """Add `drought_cut[g, n]`: its zones' water from its first night up to night n <= its volume [m3]."""
    runs = entries(m.run_time)
    columns = inputs.runs
    volume = inputs.water_per_minute[columns.zone]
    m.G = pyo.RangeSet(0, len(inputs.cuts) - 1)
    m.N_cut = pyo.RangeSet(0, inputs.nights - 1)

    @m.Constraint(m.G, m.N_cut)  # type: ignore[untyped-decorator]
    def drought_cut(m: pyo.ConcreteModel, g: int, n: int) -> Any:
        cut = inputs.cuts[g]
        members = np.flatnonzero(cut.zones[columns.zone] & (columns.night >= cut.since) & (columns.night <= n)).tolist()
        if not members or not np.isfinite(cut.volume[n]):
            return pyo.Constraint.Skip
        return (None, linear(volume[members].tolist(), pick(runs, members)), float(cut.volume[n]))


def _capacity_rows(
    m: pyo.ConcreteModel,
    inputs: PlanInputs,
    group_of_zone: Ints,
    capacity: Any,
    use: Floats,
    share: Floats | None = None,
) -> pyo.Constraint:
    """Rows sum(use x) <= capacity[g] share[g, n] length[n, b] for each group, night and block that has run columns."""
    runs = entries(m.run_time)
    columns = inputs.runs
    size, nights, blocks = len(capacity), inputs.nights, inputs.blocks
    group = group_of_zone[columns.zone]
    place = np.where(group >= 0, (group * nights + columns.night) * blocks + columns.block, -1)
    use_of_run = use[columns.zone]
    rows = {}
    for i, members in enumerate(groups(place, size * nights * blocks)):
        g, rest = divmod(i, nights * blocks)
        n, b = divmod(rest, blocks)
        if members and np.isfinite(pyo.value(capacity[g])):
            limit = capacity[g] * float(inputs.block_length[n, b] * (1.0 if share is None else share[g, n]))
            rows[g, n, b] = (None, linear(use_of_run[members].tolist(), pick(runs, members)), limit)
    return _named_rows(rows)


def _named_rows(rows: dict[Any, Any]) -> pyo.Constraint:
    """Turn prepared rows into one constraint over their index."""
    return pyo.Constraint(list(rows), rule=lambda m, *index: rows[index])


def _numbered(values: Floats) -> dict[int, float]:
    return dict(enumerate(values.tolist()))
