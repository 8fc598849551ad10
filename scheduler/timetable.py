"""Tonight as it will run: solve, round, split into cycles, pack, check; solve again where the night is too full."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from models.night import (
    Cycles,
    NightJob,
    Timetable,
    check_timetable,
    pack_night,
    round_minutes,
    split_into_cycles,
    surface_storage,
    usable_share,
)
from models.night.packing import EFFORT
from models.plan.inputs import Floats, PlanInputs
from models.plan.results import PlanResult
from models.plan.solve import PlanSolver, SolverFailed
from models.soil import balance_day
from scheduler.errors import NoPlan
from scheduler.finish import finish_times
from scheduler.inputs import SMALLEST_RUN, NightInputs
from scheduler.site import Site

log = logging.getLogger(__name__)
Result = TypeVar("Result")
TRIES = 3  # solves of one evening before what found no place is left out, and said
QUICK = 5_000.0  # effort of packing while a better plan can still be asked for [cycles and grid steps]
LITTLE = 0.03  # [-] of the night's minutes that may find no place without shrinking the night; it is said; our choice
FEW_ZONES = 300  # [-] running zones up to which any rank in need left out asks for another plan
FEW_CYCLES = 600  # [-] up to which every night is packed with full effort
PACKED = 0.98  # share of pump and branch that start times can be found for on a full night [-]; measured
BEYOND = 1e6  # [-] of a capacity: the packer holds it, rounding need not
STILL = 1e-7  # [min] below which a run time of the linear program is a rounding of zero
HARD_SHARE = 1.0 - 1e-9  # of a limit that is used in rounding, so that adding up in another order cannot pass it [-]


@dataclass(frozen=True)
class Terms:
    """What run times are rounded by.

    Parameters
    ----------
    share : mapping          Share of each capacity that counts, by kind [-].
    worth : ndarray (Z,)     What a minute short costs, in any one unit.
    """

    share: Mapping[str, Floats]
    worth: Floats


@dataclass(frozen=True)
class RunnableNight:
    """Tonight's runs and the plan they belong to.

    Parameters
    ----------
    result : PlanResult             The plan that was solved last.
    minutes : ndarray (Z,)          Tonight's run times as they will run [min].
    volumes : ndarray (Z, K)        Tonight's water by supply [m3].
    later : ndarray (Z, N)          Run times of every night in controller steps, tonight's in column 0 [min].
    cycles : Cycles or None         None on a night without water.
    job, timetable : NightJob, Timetable or None
    solves : int                    How often the plan was solved.
    left_out : ndarray (Z,)         Minutes that found no place in the window [min].
    held : ndarray (Z,)             Most minutes the plan was made again with, for want of start times [min]; inf if
                                    it was not.
    measured : mapping              Share of each capacity it was made again with [-], 1 where all, by kind.
    """

    result: PlanResult
    minutes: Floats
    volumes: Floats
    later: Floats
    cycles: Cycles | None
    job: NightJob | None
    timetable: Timetable | None
    solves: int
    left_out: Floats
    held: Floats
    measured: Mapping[str, Floats]


def runnable_night(site: Site, inputs: NightInputs, solver: PlanSolver) -> RunnableNight:
    """Find run times that fit the night minute by minute.

    Parameters
    ----------
    site : Site
    inputs : NightInputs
    solver : PlanSolver   Loaded with `inputs.plan`; its capacities tonight may be edited.

    Returns
    -------
    RunnableNight

    Raises
    ------
    NoPlan   The solver failed, or the timetable breaks a limit when played back.
    """
    plan = inputs.plan
    share = _packable(plan)
    for name, factors in share.items():
        solver.scale_capacity(name, factors)
    worth = solver.prices.dry * plan.net_rate  # a minute short costs dryness, in the order of the ranks
    ordinary = Terms(dict(share), worth)
    longest = np.full(plan.zones, np.inf)
    measured = {name: np.ones_like(factors) for name, factors in share.items()}
    wished, first = np.zeros(plan.zones), np.zeros(0)
    for attempt in range(1, TRIES + 1):
        result = _solved(solver.solve)
        run = result.minutes(plan)
        rounded = _rounded(inputs, result, run, np.minimum(longest, plan.max_run), Terms(share, worth))
        if not rounded.any():
            return _dry_night(inputs, result, run, attempt, ordinary, longest, measured)
        if attempt == 1:
            wished, first = rounded, run
        cycles, job = _job(site, inputs, rounded, run[:, 0].sum(axis=2), _flushing(inputs, result, 0))
        timetable = _packed(job)
        if attempt == TRIES or not _must_shrink(site, inputs, timetable):
            break
        log.info("the night is too full for its timetable; solving again with the capacity that was reached")
        carried = timetable.measured_capacity
        for name, factor in (("pump", carried.pump), ("branch", carried.branch), ("station", carried.controller)):
            if (factor < 1.0).any():
                share[name], measured[name] = share[name] * factor, measured[name] * factor
                solver.scale_capacity(name, share[name], night=0)
        short = np.flatnonzero(carried.zone_minutes < longest)
        longest[short] = carried.zone_minutes[short]
        solver.limit_runs(short, longest[short], night=0)
    if attempt > 1:
        run = _with_first_wishes(run, first)
        packer_settles = Terms({name: np.full_like(factors, BEYOND) for name, factors in share.items()}, worth)
        asked = _rounded(inputs, result, run, plan.max_run, packer_settles, tonight=result.minutes(plan))
        cycles, job = _job(site, inputs, asked, run[:, 0].sum(axis=2), _flushing(inputs, result, 0))
        timetable = _packed(job)
    broken = check_timetable(job, timetable)
    if broken:
        raise NoPlan("the timetable breaks a limit when played back: " + "; ".join(str(v) for v in broken[:3]))
    placed = np.bincount(timetable.zone, weights=timetable.end - timetable.start, minlength=plan.zones)
    minutes = np.round(placed, 9)
    volumes = _by_supply(plan, run, minutes)
    if not timetable.fitted:  # the later nights are planned anew with what tonight really gives
        given = np.where(_flushing(inputs, result, 0), 1.0, minutes / np.maximum(run[:, 0].sum(axis=(1, 2)), STILL))
        replanned = _solved(lambda: solver.solve_later(run[:, 0] * given[:, None, None]))
        if replanned is not None:
            result, run = replanned, replanned.minutes(plan)
    later = _all_nights(inputs, result, run, minutes, ordinary)
    left_out: Floats = np.round(np.maximum(wished - minutes, 0.0), 9)
    return RunnableNight(result, minutes, volumes, later, cycles, job, timetable, attempt, left_out, longest, measured)


def _solved(solve: Callable[[], Result]) -> Result:
    """What the solver answers, or NoPlan if it failed."""
    try:
        return solve()
    except SolverFailed as failure:
        raise NoPlan(str(failure)) from failure


def _packed(job: NightJob) -> Timetable:
    """The night packed, with full effort where it is small."""
    return pack_night(job, EFFORT if job.cycle_zone.size <= FEW_CYCLES else QUICK)


def _with_first_wishes(run: Floats, first: Floats) -> Floats:
    """Run times of a plan made again, with tonight's of the first plan where these are longer, shape (Z, N, B, K).

    A plan made again with less gives up more than need be, and what one zone gives up another may get that stands in
    its way. So the last packing is asked for all that either plan would run tonight, and the ranks settle it.
    """
    longer = first[:, 0].sum(axis=(1, 2)) > run[:, 0].sum(axis=(1, 2))
    wishes = run.copy()
    wishes[longer, 0] = first[longer, 0]
    return wishes


def _packable(plan: PlanInputs) -> dict[str, Floats]:
    """Share of each capacity that start times can be found for, by kind.

    Where few zones share a pipe their flows seldom add up to all of it.
    """
    water = plan.area * plan.etc.mean(axis=1) / plan.net_share
    return {
        "pump": PACKED * usable_share(plan.flow, plan.pump_of_zone, plan.pump_capacity, water),
        "branch": PACKED * usable_share(plan.flow, plan.branch_of_zone, plan.branch_capacity, water),
        "station": np.ones(plan.stations_at_once.size),
    }


def _must_shrink(site: Site, inputs: NightInputs, timetable: Timetable) -> bool:
    """Whether what found no place asks for a plan with less capacity, not only for later nights planned anew.

    Zones in need that are served last are left out first, so a little left over costs less than shrinking the whole
    night by it; but none of the zones served first may be among them, and it must stay a little.
    """
    if timetable.fitted:
        return False
    whole = float((timetable.end - timetable.start).sum() + timetable.unplaced.sum())
    served_first = site.zones.priority == site.zones.priority.min()
    several = bool((site.zones.priority != site.zones.priority.min()).any())
    short = (timetable.unplaced > 0) & dry_tomorrow(inputs.plan)
    if bool((short & served_first).any()) and several:
        return True
    if np.unique(timetable.zone).size <= FEW_ZONES and short.any():  # on a small night every rank is looked at
        running = site.zones.priority[np.unique(timetable.zone)]
        return bool(site.zones.priority[short].min() < running.max()) or _too_much(timetable, whole)
    return _too_much(timetable, whole)


def _too_much(timetable: Timetable, whole: float) -> bool:
    """Whether more than a little of the night's minutes found no place."""
    return float(timetable.unplaced.sum()) > LITTLE * whole


def dry_tomorrow(plan: PlanInputs) -> NDArray[np.bool_]:
    """Zones that pass their dry limit by tomorrow evening without water, shape (Z,)."""
    return plan.depletion + plan.etc[:, 0] - plan.effective_rain[:, 0] > plan.dry_limit[:, 0]


def hard_rows(
    inputs: NightInputs, run: Floats, night: int, share: Mapping[str, Floats], earlier: Floats | None = None
) -> tuple[sparse.csr_matrix, Floats]:
    """Shared limits of one night as rows over zones: what a minute of each zone uses, and how much there is.

    Limits that run over several nights count with what the plan gives this night and what rounding kept of earlier
    ones, so it cannot spend what is a later night's. `earlier` are the run times of these, shape (Z, night) [min].
    """
    plan = inputs.plan
    z = plan.zones
    per_minute = plan.water_per_minute
    open_minutes = float(plan.block_length[night].sum())
    blocks: list[sparse.csr_matrix] = []
    limits: list[Floats] = []

    def add(use: sparse.csr_matrix, limit: Floats) -> None:
        finite = np.isfinite(limit)
        blocks.append(use[finite])
        limits.append(np.maximum(limit[finite], 0.0) * HARD_SHARE)

    for group, capacity, use in (
        (plan.pump_of_zone, plan.pump_capacity * share["pump"], plan.flow),
        (plan.branch_of_zone, plan.branch_capacity * share["branch"], plan.flow),
        (plan.controller_of_zone, plan.stations_at_once * share["station"], np.ones(z)),
    ):
        on = np.flatnonzero(group >= 0)
        members = sparse.csr_matrix((use[on], (group[on], on)), shape=(capacity.size, z))
        none = np.full(capacity.size, np.inf)
        add(members, np.multiply(capacity, open_minutes, where=np.isfinite(capacity), out=none))
    chosen = run[:, night].sum(axis=1)  # (Z, K)
    whole = chosen.sum(axis=1)
    source_use = (_mix(plan, chosen) @ plan.supply_share) * per_minute[:, None]  # (Z, W) m3 a minute
    add(sparse.csr_matrix(source_use.T), plan.source_daily)
    kept = np.zeros((plan.zones, 0)) if earlier is None else run[:, : earlier.shape[1]].sum(axis=(2, 3)) - earlier
    month = plan.source_monthly[:, plan.month_of_night[night]]
    in_month = source_use.T @ whole
    for n in range(kept.shape[1] if np.isfinite(month).any() else 0):
        if plan.month_of_night[n] == plan.month_of_night[night]:
            in_month += (_mix(plan, run[:, n].sum(axis=1)) @ plan.supply_share).T @ (per_minute * kept[:, n])
    add(sparse.csr_matrix(source_use.T), np.where(np.isfinite(month), in_month, np.inf))
    over_nights = [per_minute] if np.isfinite(plan.allocation) else []
    over_nights += [np.where(cut.zones, per_minute, 0.0) for cut in plan.cuts if np.isfinite(cut.volume[night:]).any()]
    if over_nights:
        use = np.array(over_nights)
        add(sparse.csr_matrix(use), use @ (whole + kept.sum(axis=1)))
    return sparse.vstack(blocks, format="csr"), np.concatenate(limits)


def _rounded(
    inputs: NightInputs,
    result: PlanResult,
    run: Floats,
    longest: Floats,
    terms: Terms,
    night: int = 0,
    before: Floats | None = None,
    earlier: Floats | None = None,
    tonight: Floats | None = None,
) -> Floats:
    """Run times of one night in controller steps, within every limit, shape (Z,) [min].

    Parameters
    ----------
    inputs, result, run : NightInputs, PlanResult, ndarray (Z, N, B, K)   The plan and its run times.
    longest : ndarray (Z,)            Longest run [min].
    terms : Terms
    night : int
    before : ndarray (Z,), optional   Depletion at opening time [mm]; tonight's if not given.
    earlier : ndarray (Z, night), optional   Run times of the nights before; what rounding kept is owed [min].
    tonight : ndarray (Z, N, B, K), optional   The plan whose water of limits over several nights may be used; `run` if
                                      not given.
    """
    plan = inputs.plan
    minutes = run[:, night].sum(axis=(1, 2))
    if earlier is not None:
        owed = np.maximum((run[:, :night].sum(axis=(2, 3)) - earlier).sum(axis=1), 0.0)
        minutes = np.where(minutes > STILL, minutes + np.minimum(owed, inputs.resolution), 0.0)
    minutes = np.where(minutes > STILL, minutes, 0.0)
    before = plan.depletion if before is None else before
    matrix, limits = hard_rows(inputs, run, night, terms.share, earlier)
    if tonight is not None:
        limits = hard_rows(inputs, tonight, night, terms.share)[1]
    open_minutes = (plan.allowed[:, night] * plan.block_length[night]).sum(axis=1)
    dry_without = before + plan.etc[:, night] - plan.effective_rain[:, night] > plan.dry_limit[:, night]
    flushing = _flushing(inputs, result, night)
    filled = np.where(flushing, np.inf, before / plan.net_rate)  # rounding up never drains
    return round_minutes(
        minutes=minutes,
        resolution_min=inputs.resolution,
        smallest_run_min=np.ceil(SMALLEST_RUN / inputs.resolution - STILL) * inputs.resolution,
        largest_run_min=np.minimum.reduce((longest, open_minutes, filled)),
        limit_matrix=matrix,
        limit_rhs=limits,
        value=np.where(flushing, 1e3 * (1.0 + terms.worth.max()), terms.worth),
        need=dry_without & (minutes > 0),
    ).minutes


def _flushing(inputs: NightInputs, result: PlanResult, night: int) -> NDArray[np.bool_]:
    """Zones whose water passes the roots on a night, by a salt flush or by upkeep, shape (Z,)."""
    on = np.zeros(inputs.plan.zones, dtype=np.bool_)
    on[[f.zone for f in (*result.flushes, *result.upkeep) if night in f.nights]] = True
    return on


def _job(
    site: Site, inputs: NightInputs, minutes: Floats, by_block: Floats, flushing: NDArray[np.bool_]
) -> tuple[Cycles, NightJob]:
    """Cycles of the run times and everything the packer must respect."""
    zones, plan = site.zones, inputs.plan
    smallest = np.minimum(np.full(plan.zones, SMALLEST_RUN), np.maximum(minutes, inputs.resolution))
    cycles = split_into_cycles(
        minutes,
        inputs.resolution,
        zones.application_rate,
        zones.infiltration,
        surface_storage(zones.slope),
        smallest,
        zones.longest_cycle,
        zones.soak,
    )
    window = inputs.windows[0]
    blocks = np.array([(b.start, b.end) for b in window.blocks], dtype=float).reshape(-1, 2)
    ranks, rank = np.unique(zones.priority, return_inverse=True)
    important = dry_tomorrow(plan) | (plan.wet_weight[:, 0] > 1) | flushing
    job = NightJob(
        cycle_zone=cycles.zone,
        cycle_minutes=cycles.length,
        soak=cycles.soak,
        smallest_cycle=smallest,
        resolution=inputs.resolution,
        flow=plan.flow,
        pump=plan.pump_of_zone,
        branch=plan.branch_of_zone,
        controller=plan.controller_of_zone,
        pump_capacity=plan.pump_capacity,
        pump_ramp=np.array([p.ramp for p in site.pumps], dtype=float),
        pump_smallest=np.array([p.smallest_flow for p in site.pumps], dtype=float),
        branch_capacity=plan.branch_capacity,
        stations_at_once=plan.stations_at_once,
        pieces=np.array(window.pieces, dtype=float).reshape(-1, 2),
        blocks=blocks,
        allowed=plan.allowed[:, 0, : len(blocks)],
        # those served first, and those in need, finish last: what finds no place is then of those that can wait
        finish_rank=np.where(important, rank, ranks.size + rank).astype(np.int64),
        minutes_by_block=by_block[:, : len(blocks)],
        block_price=plan.energy_price[0, : len(blocks)],
        finish_by=finish_times(site, inputs.dates[0], window),
    )
    return cycles, job


def _dry_night(
    inputs: NightInputs,
    result: PlanResult,
    run: Floats,
    solves: int,
    terms: Terms,
    held: Floats,
    measured: Mapping[str, Floats],
) -> RunnableNight:
    """A night on which nothing runs."""
    z = inputs.plan.zones
    none = np.zeros(z)
    by_supply = np.zeros((z, inputs.plan.supply_share.shape[0]))
    later = _all_nights(inputs, result, run, none, terms)
    return RunnableNight(result, none, by_supply, later, None, None, None, solves, np.zeros(z), held, measured)


def _mix(plan: PlanInputs, chosen: Floats) -> Floats:
    """Proportions of the supplies in what was chosen, the first named where nothing was; chosen and result (Z, K)."""
    whole = chosen.sum(axis=1, keepdims=True)
    first = np.zeros_like(chosen)
    first[np.arange(plan.zones), plan.zone_supply.argmax(axis=1)] = 1.0
    return np.asarray(np.where(whole > STILL, chosen / np.maximum(whole, STILL), first), dtype=np.float64)


def _by_supply(plan: PlanInputs, run: Floats, minutes: Floats) -> Floats:
    """Tonight's water by supply, in the proportions the plan chose, shape (Z, K) [m3]."""
    return np.asarray(_mix(plan, run[:, 0].sum(axis=1)) * (minutes * plan.water_per_minute)[:, None], dtype=np.float64)


def _all_nights(inputs: NightInputs, result: PlanResult, run: Floats, tonight: Floats, terms: Terms) -> Floats:
    """Run times of all nights in controller steps: tonight as it runs, later nights as they would be rounded.

    The soil is carried along, so that what rounding keeps from a zone one night can be given on the next.
    """
    plan = inputs.plan
    minutes = np.zeros((plan.zones, plan.nights))
    depletion = plan.depletion
    for n in range(plan.nights):
        earlier = minutes[:, :n]
        minutes[:, n] = tonight if n == 0 else _rounded(inputs, result, run, plan.max_run, terms, n, depletion, earlier)
        day = balance_day(
            depletion,
            minutes[:, n] * plan.net_rate,
            plan.etc[:, n],
            plan.effective_rain[:, n],
            plan.taw,
            inputs.depletion_fraction[:, n],
        )
        depletion = day.depletion
    return minutes
