"""Tonight as it will run: solve, round, split into cycles, pack, check; solve again where the night is too full."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from models.night import (
    Cycles,
    NightJob,
    Timetable,
    check_timetable,
    pack_night,
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
from scheduler.night.finish import finish_times
from scheduler.night.records import RunnableNight
from scheduler.night.whole_steps import STILL, Terms, flushing_on, supply_mix, whole_minutes
from scheduler.plan.inputs import SMALLEST_RUN, NightInputs
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
        rounded = whole_minutes(inputs, result, run, np.minimum(longest, plan.max_run), Terms(share, worth))
        if not rounded.any():
            return _dry_night(inputs, result, run, attempt, ordinary, longest, measured)
        if attempt == 1:
            wished, first = rounded, run
        cycles, job = _job(site, inputs, rounded, run[:, 0].sum(axis=2), flushing_on(inputs, result, 0))
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
        asked = whole_minutes(inputs, result, run, plan.max_run, packer_settles, tonight=result.minutes(plan))
        cycles, job = _job(site, inputs, asked, run[:, 0].sum(axis=2), flushing_on(inputs, result, 0))
        timetable = _packed(job)
    broken = check_timetable(job, timetable)
    if broken:
        raise NoPlan("the timetable breaks a limit when played back: " + "; ".join(str(v) for v in broken[:3]))
    placed = np.bincount(timetable.zone, weights=timetable.end - timetable.start, minlength=plan.zones)
    minutes = np.round(placed, 9)
    volumes = _by_supply(plan, run, minutes)
    if not timetable.fitted:  # the later nights are planned anew with what tonight really gives
        given = np.where(flushing_on(inputs, result, 0), 1.0, minutes / np.maximum(run[:, 0].sum(axis=(1, 2)), STILL))
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
        pump_capacity=plan.pump_nightly[:, 0],
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


def _by_supply(plan: PlanInputs, run: Floats, minutes: Floats) -> Floats:
    """Tonight's water by supply, in the proportions the plan chose, shape (Z, K) [m3]."""
    return np.asarray(
        supply_mix(plan, run[:, 0].sum(axis=1)) * (minutes * plan.water_per_minute)[:, None], dtype=np.float64
    )


def _all_nights(inputs: NightInputs, result: PlanResult, run: Floats, tonight: Floats, terms: Terms) -> Floats:
    """Run times of all nights in controller steps: tonight as it runs, later nights as they would be rounded.

    The soil is carried along, so that what rounding keeps from a zone one night can be given on the next.
    """
    plan = inputs.plan
    minutes = np.zeros((plan.zones, plan.nights))
    depletion = plan.depletion
    for n in range(plan.nights):
        earlier = minutes[:, :n]
        minutes[:, n] = (
            tonight if n == 0 else whole_minutes(inputs, result, run, plan.max_run, terms, n, depletion, earlier)
        )
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
