"""Drafts of tonight: solved, rounded to whole steps, split into cycles and packed; with less where that is too full."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.choices import TONIGHT
from models.night import Cycles, NightJob, Timetable, pack_night
from models.night.packing import EFFORT
from models.plan.inputs import Floats
from models.plan.results import PlanResult
from scheduler.night.capacity import Limits, hold_at_once, hold_tonight
from scheduler.night.held import HeldByControllers, holds_no_times
from scheduler.night.job import cycles_of, dry_tomorrow, night_job
from scheduler.night.programmes import packed_with_programmes
from scheduler.night.smallest import better_skipped, short_runs
from scheduler.night.stands import kept_minutes
from scheduler.night.tonight import Tonight
from scheduler.night.whole_steps import Terms, flushing_on, hard_rows, supply_mix, whole_minutes

QUICK = 15_000.0  # effort of packing while a better plan can still be asked for [cycles and grid steps]
FINER_EFFORT = 1_500.0  # the same for finer cycles, which are wished for where they cost nothing
# [-] shares of the room that finer cycles may take (`RUNS.finer_room`), one tried after the other where the limits need
# no more than so much of the window
FINER = ((1.0, 0.6), (0.6, 1.0))
FEW_CYCLES = 600  # [-] up to which what is left out of the last draft is looked at with full effort
MUCH_LEFT_OUT = 0.05  # [-] of the night's minutes, beyond which the last draft is packed again with care
FEW_ZONE_NIGHTS = 6_000  # [-] up to which a plan is solved again without the runs that had better wait
REACH_ROUNDS = 8  # [-] in which tonight's water is fitted to what can run at once
BEYOND = 1e6  # [-] of a capacity: the packer holds it, rounding need not


@dataclass(frozen=True)
class Draft:
    """A plan, tonight's run times in whole steps, and their timetable; without one where nothing runs.

    Parameters
    ----------
    number : int                      1 for the first of the night.
    limits : Limits                   What it was made to count on.
    result : PlanResult
    run_time : ndarray (Z, N, B, K)   The plan's run times [min].
    minutes : ndarray (Z,)            Tonight's in whole controller steps, as they go to the packer [min].
    waits : ndarray (Z,)              Zones that had better wait than run for less than is useful.
    lifted : ndarray (Z,)             Zones given their smallest useful run where the plan had less.
    cycles, job, timetable : Cycles, NightJob, Timetable or None
    held : HeldByControllers   Programmes, and what is left to controllers of their own.
    free_job : NightJob or None   The night if every controller took a start time a station; None where all do.
    """

    number: int
    limits: Limits
    result: PlanResult
    run_time: Floats
    minutes: Floats
    waits: NDArray[np.bool_]
    lifted: NDArray[np.bool_]
    cycles: Cycles | None = None
    job: NightJob | None = None
    timetable: Timetable | None = None
    held: HeldByControllers = HeldByControllers()
    free_job: NightJob | None = None


def first_draft(tonight: Tonight) -> Draft:
    """Solved and rounded under the usual limits, without the runs that had better wait; not packed yet."""
    plan = tonight.plan
    limits, result = _within_reach(tonight)
    waits = _had_better_wait(tonight, result)
    if waits.any() and plan.zones * plan.nights <= FEW_ZONE_NIGHTS:
        tonight.solver.limit_runs(np.flatnonzero(waits), np.zeros(int(waits.sum())), night=0)
        result = tonight.solve()
    waits |= _had_better_wait(tonight, result)
    return _rounded(tonight, 1, limits, result, waits)


def _within_reach(tonight: Tonight) -> tuple[Limits, PlanResult]:
    """The plan within what its zones can use of the pumps together, and the shares of them that this comes to."""
    plan, limits, result = tonight.plan, tonight.limits, tonight.solve()
    share = limits.share["pump"].copy()
    for _ in range(REACH_ROUNDS):
        minutes = result.tonight(plan)
        told = hold_at_once(tonight.solver, plan, minutes)
        if not told:
            break
        result = tonight.solve()
        water = np.array([(plan.flow * result.tonight(plan))[plan.pump_of_zone == p].sum() for p in told])
        used = water / (plan.pump_nightly[told, 0] * plan.block_length[0].sum())
        share[told] = np.minimum(used, limits.share["pump"][told])
    return replace(limits, share={**limits.share, "pump": share}), result


def smaller_draft(tonight: Tonight, first: Draft, before: Draft) -> Draft:
    """Solved and rounded again within what the timetable of the draft before could reach; not packed yet."""
    assert before.timetable is not None
    limits = before.limits.reached(before.timetable)
    hold_tonight(tonight.solver, limits, tonight.usual)
    return _rounded(tonight, before.number + 1, limits, tonight.solve(), first.waits)


def _had_better_wait(tonight: Tonight, result: PlanResult) -> NDArray[np.bool_]:
    """Zones whose run of this plan is too short to be worth making tonight, shape (Z,)."""
    short = short_runs(tonight.inputs, result.tonight(tonight.plan))
    short = short & ~flushing_on(tonight.inputs, result, 0) & ~tonight.word.said
    return better_skipped(tonight.inputs, tonight.solver.prices, short)


def _rounded(tonight: Tonight, number: int, limits: Limits, result: PlanResult, waits: NDArray[np.bool_]) -> Draft:
    """A draft of this plan in whole steps."""
    run_time = result.run_times(tonight.plan)
    run_time[waits, 0] = 0.0
    tonight.keep_word(run_time)
    terms = tonight.terms(limits)
    rounded = whole_minutes(tonight.inputs, result, run_time, limits.longest, terms)
    lifted = rounded.lifted & ~tonight.word.said
    draft = Draft(number, limits, result, run_time, rounded.minutes, waits, lifted)
    return _steady(tonight, draft, limits.longest, terms)


def _steady(tonight: Tonight, draft: Draft, longest: Floats, terms: Terms, of_limits: Floats | None = None) -> Draft:
    """The draft with the minutes that stand already where tonight's would hardly differ.

    `of_limits` (Z, N, B, K) are the run times whose water of limits over several nights may be used; its own if not
    given.
    """
    inputs, stands = tonight.inputs, tonight.stands
    if np.isnan(stands.minutes).all():
        return draft
    rows = hard_rows(inputs, draft.run_time, 0, terms.share)
    if of_limits is not None:
        rows = rows[0], hard_rows(inputs, of_limits, 0, terms.share)[1]
    others = flushing_on(inputs, draft.result, 0) | tonight.word.said
    return replace(draft, minutes=kept_minutes(inputs, draft.minutes, stands, longest, rows, others))


def packed(tonight: Tonight, draft: Draft, effort: float = QUICK) -> Draft:
    """The draft with its cycles and a timetable of them; without one where nothing runs.

    Where the night holds all of them, and each by its time, a quick look finds out whether it does so with runs cut
    finer than their soil must have them, over most of their hours or over fewer.
    """
    if not draft.minutes.any():
        return draft
    fewest = _packed(tonight, draft, effort, 0.0)
    if _has_place_for_all(fewest):
        assert fewest.job is not None and fewest.timetable is not None
        needed = fewest.timetable.lower_bound_min / fewest.job.window_minutes
        held = bool(holds_no_times(tonight.site)[draft.minutes > 0].any())  # programmes are laid anew with it
        for share in [share for share, most in FINER if needed <= most]:
            if not cycles_of(tonight.site, tonight.inputs, draft.minutes, share).finer.any():
                break
            finer = _packed(tonight, draft, effort if held else FINER_EFFORT, share)
            if _has_place_for_all(finer):
                return finer
    return fewest


def _has_place_for_all(draft: Draft) -> bool:
    """Whether the timetable holds every minute asked, and each zone is done by its time."""
    assert draft.timetable is not None
    return draft.timetable.fitted and not bool(draft.timetable.after_finish_by.any())


def _packed(tonight: Tonight, draft: Draft, effort: float, finer: float) -> Draft:
    site, inputs, run_time = tonight.site, tonight.inputs, draft.run_time
    by_block, flushing = run_time[:, 0].sum(axis=2), flushing_on(inputs, draft.result, 0)
    starts = tonight.stands.starts
    cycles, job = night_job(site, inputs, draft.minutes, by_block, flushing, tonight.word.said, starts, finer)
    if not holds_no_times(site)[draft.minutes > 0].any():
        return replace(draft, cycles=cycles, job=job, timetable=pack_night(job, effort))
    likes = _drawn_on(tonight, run_time)
    exact = flushing | tonight.word.said
    with_programmes, timetable, held, minutes = packed_with_programmes(site, inputs, cycles, job, likes, effort, exact)
    return replace(
        draft, minutes=minutes, cycles=cycles, job=with_programmes, timetable=timetable, held=held, free_job=job
    )


def _drawn_on(tonight: Tonight, run_time: Floats) -> Floats:
    """What the water of each zone draws on: pump, branch, controller, rank, cuts, and its mix of supplies, (Z, n)."""
    plan = tonight.plan
    columns = [plan.pump_of_zone, plan.branch_of_zone, plan.controller_of_zone, plan.priority]
    columns += [cut.zones for cut in plan.cuts]
    mix = np.round(supply_mix(plan, run_time[:, 0].sum(axis=1)), 6)
    return np.column_stack([*(np.asarray(c, dtype=np.float64) for c in columns), mix])


def must_shrink(tonight: Tonight, draft: Draft) -> bool:
    """Whether what found no place asks for a plan with less capacity, not only for later nights planned anew.

    The ranks served last have given way on the timetable, so a little left over costs less than shrinking the whole
    night by it; but none of the zones served first may be among what is left, and it must stay a little.
    """
    timetable, priority = draft.timetable, tonight.site.zones.priority
    if timetable is None or timetable.fitted:
        return False
    served_first = priority == priority.min()
    short = (timetable.unplaced > 0) & dry_tomorrow(tonight.plan)
    if bool((short & served_first).any()) and not served_first.all():
        return True
    return _share_left_out(timetable) > TONIGHT.little_left_out


def settled(tonight: Tonight, first: Draft, last: Draft) -> Draft:
    """The last draft as it will run: asked for all that it or the first wished for, and packed with care."""
    if last.timetable is None:
        return last
    draft = last if last.number == 1 else packed(tonight, _asked_for_both(tonight, first, last))
    assert draft.job is not None and draft.timetable is not None
    if _share_left_out(draft.timetable) > MUCH_LEFT_OUT and 0 < draft.job.cycle_zone.size <= FEW_CYCLES:
        draft = replace(draft, timetable=pack_night(draft.job, EFFORT))
    return draft


def _asked_for_both(tonight: Tonight, first: Draft, last: Draft) -> Draft:
    """The last draft with all that it or the first would run tonight, for the ranks to settle in packing.

    A plan made again with less gives up more than need be, and what one zone gives up another may get that stands in
    its way.
    """
    run_time, wished = last.run_time.copy(), first.run_time[:, 0]
    longer = wished.sum(axis=(1, 2)) > run_time[:, 0].sum(axis=(1, 2))
    run_time[longer, 0] = wished[longer]
    terms = tonight.terms(last.limits)
    terms = replace(terms, share={name: np.full_like(factors, BEYOND) for name, factors in terms.share.items()})
    longest = tonight.inputs.longest_run[:, 0]
    rounded = whole_minutes(tonight.inputs, last.result, run_time, longest, terms, of_limits=last.run_time)
    draft = replace(last, run_time=run_time, minutes=rounded.minutes, lifted=rounded.lifted)
    return _steady(tonight, draft, longest, terms, last.run_time)


def _share_left_out(timetable: Timetable) -> float:
    """Share of the night's minutes that found no place [-]."""
    unplaced = float(timetable.unplaced.sum())
    return unplaced / (float((timetable.end - timetable.start).sum()) + unplaced) if unplaced else 0.0
