"""Tonight as it will run: solve, round, split into cycles, pack, check; solve again where the night is too full.

A night goes through these states: `Limits`, what the plan may count on; a `Draft`, a plan with its run times and their
timetable; drafts with less, until one fits well enough; the last one settled, asked for all that any draft wished for;
and the `RunnableNight`, with the later nights as they follow from it.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from models.choices import TONIGHT
from models.night import Cycles, NightJob, Timetable, check_timetable, pack_night, usable_share
from models.night.packing import EFFORT
from models.plan.inputs import Floats, PlanInputs
from models.plan.results import LimitPrice, PlanResult
from models.plan.solve import PlanSolver, SolverFailed
from models.soil import DayBalance, balance_day
from scheduler.errors import NoPlan
from scheduler.night.edits import Word, managers_word, with_smallest
from scheduler.night.job import dry_tomorrow, night_job
from scheduler.night.programmes import (
    HeldByControllers,
    broken_by_controllers,
    holds_no_times,
    lost_to_programmes,
    packed_with_programmes,
    stations_without_programmes,
    without_runs,
)
from scheduler.night.records import RunnableNight
from scheduler.night.smallest import better_skipped, short_runs
from scheduler.night.stands import Stands, kept_minutes, standing_programme
from scheduler.night.whole_steps import STILL, Terms, flushing_on, hard_rows, supply_mix, whole_minutes
from scheduler.plan.inputs import NightInputs
from scheduler.site import Site

log = logging.getLogger(__name__)
Result = TypeVar("Result")
TRIES = 3  # drafts of one evening before what found no place is left out, and said
QUICK = 15_000.0  # effort of packing while a better plan can still be asked for [cycles and grid steps]
FEW_CYCLES = 600  # [-] up to which what is left out of the last draft is looked at with full effort
NEXT_TO_NOTHING = 0.02  # [-] of the night's minutes, up to which what is left out is not looked at again
FEW_ZONE_NIGHTS = 6_000  # [-] up to which a plan is solved again without the runs that had better wait
PACKED = 0.98  # share of pump and branch that start times can be found for on a full night [-]; measured
OF_ONE_NIGHT = ("pump_limit", "branch_limit", "station_limit", "source_night")  # their index names the night second
BEYOND = 1e6  # [-] of a capacity: the packer holds it, rounding need not


@dataclass(frozen=True)
class Limits:
    """What a plan of tonight may count on.

    Parameters
    ----------
    share : mapping          Share of each capacity, by kind [-]; `usable` before anything was packed.
    measured : mapping       The part of it that packing measured [-], 1 where all.
    longest : ndarray (Z,)   Longest run tonight by the zone's own cycles, soaks and hours, or as measured [min].
    held : ndarray (Z,)      The same as far as packing measured it [min], inf where it did not.
    """

    share: Mapping[str, Floats]
    measured: Mapping[str, Floats]
    longest: Floats
    held: Floats

    def reached(self, timetable: Timetable) -> Limits:
        """The limits that a timetable without a place for everything could reach."""
        carried = timetable.measured_capacity
        factors = {"pump": carried.pump, "branch": carried.branch, "station": carried.controller}
        return Limits(
            {name: share * factors[name] for name, share in self.share.items()},
            {name: share * factors[name] for name, share in self.measured.items()},
            np.minimum(self.longest, carried.zone_minutes),
            np.where(carried.zone_minutes < self.longest, carried.zone_minutes, self.held),
        )


@dataclass(frozen=True)
class Draft:
    """A plan, tonight's run times in whole steps, and their timetable; without one where nothing runs.

    Parameters
    ----------
    result : PlanResult
    run_time : ndarray (Z, N, B, K)   The plan's run times [min].
    minutes : ndarray (Z,)            Tonight's in whole controller steps, as they go to the packer [min].
    waits : ndarray (Z,)              Zones that had better wait than run for less than is useful.
    lifted : ndarray (Z,)             Zones given their smallest useful run where the plan had less.
    word : Word                       What the manager said.
    stands : Stands                   What the controllers hold already.
    cycles, job, timetable : Cycles, NightJob, Timetable or None
    held : HeldByControllers   Programmes, and what is left to controllers of their own.
    free_job : NightJob or None   The night if every controller took a start time a station; None where all do.
    """

    result: PlanResult
    run_time: Floats
    minutes: Floats
    waits: NDArray[np.bool_]
    lifted: NDArray[np.bool_]
    word: Word
    stands: Stands
    cycles: Cycles | None = None
    job: NightJob | None = None
    timetable: Timetable | None = None
    held: HeldByControllers = HeldByControllers()
    free_job: NightJob | None = None


class LimitBinds(Exception):
    """A limit that zones share has a price in the plan of a night that was to be planned only without."""


def limits_bind(result: PlanResult) -> bool:
    """Whether a limit that zones share has a price."""
    return any(limit.price > 0.0 for limit in result.limits)


def runnable_night(site: Site, inputs: NightInputs, solver: PlanSolver, free_only: bool = False) -> RunnableNight:
    """Find run times that fit the night minute by minute.

    Parameters
    ----------
    site : Site
    inputs : NightInputs
    solver : PlanSolver   Loaded with `inputs.plan`; its capacities tonight may be edited.
    free_only : bool      Whether to stop, before anything is packed, where a limit that zones share binds.

    Returns
    -------
    RunnableNight

    Raises
    ------
    NoPlan       The solver failed, or the timetable breaks a limit when played back.
    LimitBinds   A limit that zones share binds, and `free_only` asks to stop then.
    """
    word = managers_word(site, inputs)
    inputs = with_smallest(inputs, word)
    stands = standing_programme(site, inputs.dates[0])
    limits = usual = _usual_limits(inputs, solver)
    free = np.zeros(inputs.plan.zones)
    if word.said.any():
        free = _solved(solver.solve).minutes(inputs.plan)[:, 0].sum(axis=(1, 2))
        said = np.flatnonzero(word.said)
        solver.limit_runs(said, word.minutes[said], night=0)
    first = _draft(inputs, solver, limits, None, word, stands)
    if free_only and limits_bind(first.result):
        raise LimitBinds
    first = draft = _packed(site, inputs, first, QUICK)
    drafts = 1
    while draft.timetable is not None and drafts < TRIES and _must_shrink(site, inputs, draft.timetable):
        log.info("the night is too full for its timetable; solving again with the capacity that was reached")
        limits = limits.reached(draft.timetable)
        _tell(solver, limits, usual)
        draft = _packed(site, inputs, _draft(inputs, solver, limits, first, word, stands), QUICK)
        drafts += 1
    if draft.timetable is not None:
        draft = _settled(site, inputs, solver, limits, first, draft)
    night = _finished(site, inputs, solver, Terms(usual.share, _worth(inputs, solver)), limits, first, draft, drafts)
    return replace(night, free=free) if word.said.any() else night


def _usual_limits(inputs: NightInputs, solver: PlanSolver) -> Limits:
    """What a plan may count on before anything is packed, told to the solver.

    Where few zones share a pipe their flows seldom add up to all of it; and no zone can run longer than its own cycles
    and soaks leave room for in its hours.
    """
    plan = inputs.plan
    water = plan.area * plan.etc.mean(axis=1) / plan.net_share
    share = {
        "pump": PACKED * usable_share(plan.flow, plan.pump_of_zone, plan.pump_capacity, water),
        "branch": PACKED * usable_share(plan.flow, plan.branch_of_zone, plan.branch_capacity, water),
        "station": np.ones(plan.stations_at_once.size),
    }
    for name, factors in share.items():
        solver.scale_capacity(name, factors)
    for night in range(plan.nights):
        longest = inputs.longest_run[:, night]
        tighter = np.flatnonzero(longest < plan.max_run - STILL)
        solver.limit_runs(tighter, longest[tighter], night)
    measured = {name: np.ones_like(factors) for name, factors in share.items()}
    return Limits(share, measured, inputs.longest_run[:, 0], np.full(plan.zones, np.inf))


def _tell(solver: PlanSolver, limits: Limits, usual: Limits) -> None:
    """Hold tonight's capacities and runs to what packing reached."""
    for name, factors in limits.share.items():
        if (factors < usual.share[name]).any():
            solver.scale_capacity(name, factors, night=0)
    short = np.flatnonzero(limits.longest < usual.longest)
    solver.limit_runs(short, limits.longest[short], night=0)


def _worth(inputs: NightInputs, solver: PlanSolver) -> Floats:
    """What a minute short costs, shape (Z,): dryness, in the order of the ranks."""
    return np.asarray(solver.prices.dry * inputs.plan.net_rate, dtype=np.float64)


def _draft(
    inputs: NightInputs, solver: PlanSolver, limits: Limits, first: Draft | None, word: Word, stands: Stands
) -> Draft:
    """Solve and round, with the first choice of runs that had better wait."""
    result = _solved(solver.solve)
    waits = np.zeros(inputs.plan.zones, dtype=np.bool_) if first is None else first.waits
    if first is None:
        short = short_runs(inputs, result.minutes(inputs.plan)[:, 0].sum(axis=(1, 2)))
        waits = better_skipped(inputs, solver.prices, short & ~flushing_on(inputs, result, 0) & ~word.said)
        if waits.any() and inputs.plan.zones * inputs.plan.nights <= FEW_ZONE_NIGHTS:
            solver.limit_runs(np.flatnonzero(waits), np.zeros(int(waits.sum())), night=0)
            result = _solved(solver.solve)
        again = short_runs(inputs, result.minutes(inputs.plan)[:, 0].sum(axis=(1, 2)))
        waits |= better_skipped(inputs, solver.prices, again & ~flushing_on(inputs, result, 0) & ~word.said)
    run_time = result.minutes(inputs.plan)
    run_time[waits, 0] = 0.0
    _keep_word(inputs.plan, run_time, word)
    terms = Terms(limits.share, _worth(inputs, solver), word.said)
    rounded = whole_minutes(inputs, result, run_time, limits.longest, terms)
    draft = Draft(result, run_time, rounded.minutes, waits, rounded.lifted & ~word.said, word, stands)
    return _kept(inputs, draft, limits.longest, terms)


def _kept(inputs: NightInputs, draft: Draft, longest: Floats, terms: Terms, tonight: Floats | None = None) -> Draft:
    """The draft with the minutes that stand already where tonight's would hardly differ."""
    stands = draft.stands
    if np.isnan(stands.minutes).all():
        return draft
    rows = hard_rows(inputs, draft.run_time, 0, terms.share)
    if tonight is not None:
        rows = rows[0], hard_rows(inputs, tonight, 0, terms.share)[1]
    others = flushing_on(inputs, draft.result, 0) | draft.word.said
    return replace(draft, minutes=kept_minutes(inputs, draft.minutes, stands, longest, rows, others))


def _keep_word(plan: PlanInputs, run_time: Floats, word: Word) -> None:
    """Put the manager's minutes into tonight's run times, in the plan's proportions or the first allowed hours."""
    for z in np.flatnonzero(word.said).tolist():
        planned = run_time[z, 0].sum()
        if planned > STILL:
            run_time[z, 0] *= word.minutes[z] / planned
        elif word.minutes[z] > 0:
            hours = plan.allowed[z, 0] * plan.block_length[0]
            run_time[z, 0, int(hours.argmax()), int(plan.zone_supply[z].argmax())] = word.minutes[z]


def _packed(site: Site, inputs: NightInputs, draft: Draft, effort: float) -> Draft:
    """The draft with its cycles and a timetable of them; without one where nothing runs."""
    if not draft.minutes.any():
        return draft
    by_block = draft.run_time[:, 0].sum(axis=2)
    cycles, job = night_job(
        site, inputs, draft.minutes, by_block, flushing_on(inputs, draft.result, 0), draft.word.said,
        draft.stands.starts,
    )  # fmt: skip
    if not holds_no_times(site)[draft.minutes > 0].any():
        return replace(draft, cycles=cycles, job=job, timetable=pack_night(job, effort))
    likes = _drawn_on(inputs, draft.run_time)
    packed, timetable, held, asked = packed_with_programmes(site, inputs, cycles, job, likes, effort)
    return replace(draft, minutes=asked, cycles=cycles, job=packed, timetable=timetable, held=held, free_job=job)


def _drawn_on(inputs: NightInputs, run_time: Floats) -> Floats:
    """What the water of each zone draws on: pump, branch, controller, rank, cuts, and its mix of supplies, (Z, n)."""
    plan = inputs.plan
    columns = [plan.pump_of_zone, plan.branch_of_zone, plan.controller_of_zone, plan.priority]
    columns += [cut.zones for cut in plan.cuts]
    mix = np.round(supply_mix(plan, run_time[:, 0].sum(axis=1)), 6)
    return np.column_stack([*(np.asarray(c, dtype=np.float64) for c in columns), mix])


def _settled(site: Site, inputs: NightInputs, solver: PlanSolver, limits: Limits, first: Draft, draft: Draft) -> Draft:
    """The last draft as it will run: asked for all that it or the first wished for, and packed with care.

    A plan made again with less gives up more than need be, and what one zone gives up another may get that stands in
    its way. So the last packing is asked for all that either plan would run tonight, and the ranks settle it.
    """
    if draft is not first:
        tonight, run_time, wished = draft.run_time, draft.run_time.copy(), first.run_time[:, 0]
        longer = wished.sum(axis=(1, 2)) > run_time[:, 0].sum(axis=(1, 2))
        run_time[longer, 0] = wished[longer]
        packer_settles = Terms(
            {name: np.full_like(factors, BEYOND) for name, factors in limits.share.items()},
            _worth(inputs, solver),
            draft.word.said,
        )
        longest = inputs.longest_run[:, 0]
        rounded = whole_minutes(inputs, draft.result, run_time, longest, packer_settles, tonight=tonight)
        draft = replace(draft, run_time=run_time, minutes=rounded.minutes, lifted=rounded.lifted)
        draft = _kept(inputs, draft, longest, packer_settles, tonight)
        draft = _packed(site, inputs, draft, QUICK)
    job, timetable = draft.job, draft.timetable
    assert job is not None and timetable is not None
    if _share_left_out(timetable) > NEXT_TO_NOTHING and 0 < job.cycle_zone.size <= FEW_CYCLES:
        draft = replace(draft, timetable=pack_night(job, EFFORT))
    return draft


def _finished(
    site: Site,
    inputs: NightInputs,
    solver: PlanSolver,
    usual: Terms,
    limits: Limits,
    first: Draft,
    draft: Draft,
    drafts: int,
) -> RunnableNight:
    """The night as it will run, checked, with the later nights as they follow from it."""
    plan, result, run_time, timetable = inputs.plan, draft.result, draft.run_time, draft.timetable
    held = draft.held if draft.free_job is not None else without_runs(site, inputs.dates[0])
    minutes = np.zeros(plan.zones)
    if timetable is not None:
        assert draft.job is not None
        broken = [*check_timetable(draft.job, timetable), *broken_by_controllers(site, held, timetable)]
        if broken:
            raise NoPlan("the timetable breaks a limit when played back: " + "; ".join(str(v) for v in broken[:3]))
        placed = np.bincount(timetable.zone, weights=timetable.end - timetable.start, minlength=plan.zones)
        minutes = np.round(placed, 9)
    volumes = supply_mix(plan, run_time[:, 0].sum(axis=1)) * (minutes * plan.water_per_minute)[:, None]
    changed = draft.word.said.any() or (timetable is not None and not timetable.fitted)
    if changed:  # later nights are planned anew with what tonight really gives
        flushing = flushing_on(inputs, result, 0)
        given = np.where(flushing, 1.0, minutes / np.maximum(run_time[:, 0].sum(axis=(1, 2)), STILL))
        try:
            replanned = solver.solve_later(run_time[:, 0] * given[:, None, None])
        except SolverFailed:  # a word may ask for more than the roots hold: the rest is gone by the next evening
            filled = plan.depletion / plan.net_rate / np.maximum(minutes, STILL)
            held_in = np.where(flushing, 1.0, np.minimum(filled, 1.0))
            replanned = _solved(lambda: solver.solve_later(run_time[:, 0] * (given * held_in)[:, None, None]))
        result = result if replanned is None else _with_prices_of(result, replanned)
    run_time = result.minutes(plan)  # what the plan has, not what was wished for: nothing it never had is owed later
    minutes_by_night, balance = _all_nights(inputs, result, run_time, minutes, usual)
    return RunnableNight(
        result=result,
        minutes=minutes,
        volumes=np.asarray(volumes, dtype=np.float64),
        minutes_by_night=minutes_by_night,
        balance=balance,
        cycles=draft.cycles,
        job=draft.job,
        timetable=timetable,
        solves=drafts,
        left_out=np.round(np.maximum(first.minutes - minutes, 0.0), 9),
        held=limits.held,
        usable=_by_night(usual.share, limits.share, plan.nights),
        measured=limits.measured,
        word=draft.word,
        free=result.minutes(plan)[:, 0].sum(axis=(1, 2)),
        waits=draft.waits & (minutes == 0),
        lifted=draft.lifted & (minutes > 0),
        controllers=replace(held, lost=_lost(site, inputs, solver, limits, first, draft)),
    )


def _lost(
    site: Site, inputs: NightInputs, solver: PlanSolver, limits: Limits, first: Draft, draft: Draft
) -> Floats | None:
    """Minutes that programmes cost against a timetable free in every start; None where there are none."""
    if draft.free_job is None or draft.timetable is None:
        return None
    wished = draft.free_job if first.free_job is None else first.free_job
    most = inputs.plan.stations_at_once
    free = np.where(np.isfinite(most), stations_without_programmes(site) / np.maximum(most, 1.0), 1.0)
    bound = {limit.index[0] for limit in first.result.limits if _binds_tonight(limit)}
    if bound & set(np.flatnonzero(free > 1.0).tolist()):
        wished = _with_more_stations(site, inputs, solver, limits, first, free) or wished
    return lost_to_programmes(site, wished, draft.timetable, QUICK)


def _with_prices_of(tonight: PlanResult, replanned: PlanResult) -> PlanResult:
    """The plan made again with tonight's minutes fixed, with the prices of tonight's limits as they chose them."""
    priced = {(limit.family, limit.index): limit for limit in tonight.limits if limit.family in OF_ONE_NIGHT}
    kept = (
        priced.get((limit.family, limit.index), limit)
        if limit.family in OF_ONE_NIGHT and limit.index[1] == 0
        else limit
        for limit in replanned.limits
    )
    return replace(replanned, limits=tuple(kept))


def _by_night(usual: Mapping[str, Floats], tonight: Mapping[str, Floats], nights: int) -> dict[str, Floats]:
    """Share of each capacity that counts on each night, (members, N) [-]."""
    found = {name: np.repeat(share[:, None], nights, axis=1) for name, share in usual.items()}
    for name, share in tonight.items():
        found[name][:, 0] = share
    return found


def _binds_tonight(limit: LimitPrice) -> bool:
    return limit.family == "station_limit" and limit.index[1] == 0 and limit.price > 0.0


def _with_more_stations(
    site: Site, inputs: NightInputs, solver: PlanSolver, limits: Limits, first: Draft, free: Floats
) -> NightJob | None:
    """The night as it would be asked for with as many stations at once as each controller opens without programmes."""
    usual = _usual_limits(inputs, solver)
    solver.limit_runs(np.arange(inputs.plan.zones), usual.longest, night=0)
    solver.scale_capacity("station", free)
    try:
        result = solver.solve()
    except SolverFailed:
        return None
    finally:
        solver.scale_capacity("station", np.ones_like(free))
        _tell(solver, limits, usual)
    run_time = result.minutes(inputs.plan)
    run_time[first.waits, 0] = 0.0
    _keep_word(inputs.plan, run_time, first.word)
    terms = Terms({**usual.share, "station": free}, _worth(inputs, solver), first.word.said)
    minutes = whole_minutes(inputs, result, run_time, usual.longest, terms).minutes
    if not minutes.any():
        return None
    by_block, flushing = run_time[:, 0].sum(axis=2), flushing_on(inputs, result, 0)
    return night_job(site, inputs, minutes, by_block, flushing, first.word.said)[1]


def _solved(solve: Callable[[], Result]) -> Result:
    """What the solver answers, or NoPlan if it failed."""
    try:
        return solve()
    except SolverFailed as failure:
        raise NoPlan(str(failure)) from failure


def _must_shrink(site: Site, inputs: NightInputs, timetable: Timetable) -> bool:
    """Whether what found no place asks for a plan with less capacity, not only for later nights planned anew.

    The ranks served last have given way on the timetable, so a little left over costs less than shrinking the whole
    night by it; but none of the zones served first may be among what is left, and it must stay a little.
    """
    if timetable.fitted:
        return False
    served_first = site.zones.priority == site.zones.priority.min()
    several = bool((site.zones.priority != site.zones.priority.min()).any())
    short = (timetable.unplaced > 0) & dry_tomorrow(inputs.plan)
    if bool((short & served_first).any()) and several:
        return True
    return _share_left_out(timetable) > TONIGHT.little_left_out


def _share_left_out(timetable: Timetable) -> float:
    """Share of the night's minutes that found no place [-]."""
    unplaced = float(timetable.unplaced.sum())
    return unplaced / (float((timetable.end - timetable.start).sum()) + unplaced) if unplaced else 0.0


def _all_nights(
    inputs: NightInputs, result: PlanResult, run_time: Floats, tonight: Floats, terms: Terms
) -> tuple[Floats, DayBalance]:
    """Run times of all nights in controller steps, and what the soil does under them, each (Z, N).

    Tonight is as it runs, later nights as they would be rounded. The soil is carried along, so that what rounding keeps
    from a zone one night can be given on the next.
    """
    plan = inputs.plan
    minutes, days = np.zeros((plan.zones, plan.nights)), []
    depletion = plan.depletion
    for n in range(plan.nights):
        minutes[:, n] = tonight
        if n:
            longest, earlier = inputs.longest_run[:, n], minutes[:, :n]
            minutes[:, n] = whole_minutes(inputs, result, run_time, longest, terms, n, depletion, earlier).minutes
        day = balance_day(
            depletion,
            minutes[:, n] * plan.net_rate,
            plan.etc[:, n],
            plan.effective_rain[:, n],
            plan.taw,
            inputs.depletion_fraction[:, n],
        )
        days.append(day)
        depletion = day.depletion
    return minutes, DayBalance(
        np.stack([d.depletion for d in days], axis=1),
        np.stack([d.etc_actual for d in days], axis=1),
        np.stack([d.drainage for d in days], axis=1),
        np.stack([d.stress for d in days], axis=1),
    )
