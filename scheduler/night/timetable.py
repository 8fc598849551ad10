"""Tonight as it will run: solve, round, split into cycles, pack, check; solve again where the night is too full.

A night goes through these states: `Tonight`, before its first draft; a `Draft`, a plan with its run times and their
timetable; smaller drafts, until one fits well enough; the last one settled, asked for all that any draft wished for;
and the `RunnableNight`, checked, with the later nights as they follow from it.
"""

from __future__ import annotations

import logging
from dataclasses import replace

import numpy as np

from models.night import check_timetable
from models.plan.inputs import Floats
from models.plan.solve import PlanSolver
from scheduler.errors import NoPlan
from scheduler.night.capacity import LimitBinds, limits_bind, shares_by_night
from scheduler.night.draft import Draft, first_draft, must_shrink, packed, settled, smaller_draft
from scheduler.night.held import HeldByControllers, broken_by_controllers, without_runs
from scheduler.night.later import all_nights, planned_anew
from scheduler.night.lost import lost_to_programmes
from scheduler.night.records import RunnableNight
from scheduler.night.tonight import Tonight, begin_tonight
from scheduler.night.whole_steps import supply_mix
from scheduler.plan.inputs import NightInputs
from scheduler.site import Site

log = logging.getLogger(__name__)
TRIES = 3  # drafts of one evening before what found no place is left out, and said


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
    tonight = begin_tonight(site, inputs, solver)
    first = first_draft(tonight)
    if free_only and limits_bind(first.result):
        raise LimitBinds
    first = draft = packed(tonight, first)
    while draft.number < TRIES and must_shrink(tonight, draft):
        log.info("the night is too full for its timetable; solving again with the capacity that was reached")
        draft = packed(tonight, smaller_draft(tonight, first, draft))
    return _finished(tonight, first, settled(tonight, first, draft))


def _finished(tonight: Tonight, first: Draft, last: Draft) -> RunnableNight:
    """The night as it will run, checked, with the later nights as they follow from it."""
    plan, timetable = tonight.plan, last.timetable
    held = last.held if last.free_job is not None else without_runs(tonight.site, tonight.inputs.dates[0])
    minutes = _minutes_given(tonight, last, held)
    volumes = supply_mix(plan, last.run_time[:, 0].sum(axis=1)) * (minutes * plan.water_per_minute)[:, None]
    result = planned_anew(tonight, last, minutes)
    run_time = result.run_times(plan)  # what the plan has, not what was wished for: nothing it never had is owed later
    minutes_by_night, balance = all_nights(tonight, result, run_time, minutes)
    return RunnableNight(
        result=result,
        minutes=minutes,
        volumes=np.asarray(volumes, dtype=np.float64),
        minutes_by_night=minutes_by_night,
        balance=balance,
        cycles=last.cycles,
        job=last.job,
        timetable=timetable,
        solves=last.number,
        left_out=np.round(np.maximum(first.minutes - minutes, 0.0), 9),
        held=last.limits.held,
        usable=shares_by_night(tonight.usual, last.limits, plan.nights),
        measured=last.limits.measured,
        word=tonight.word,
        free=result.tonight(plan) if tonight.without_word is None else tonight.without_word,
        waits=last.waits & (minutes == 0),
        lifted=last.lifted & (minutes > 0),
        controllers=replace(held, lost=lost_to_programmes(tonight, first, last)),
    )


def _minutes_given(tonight: Tonight, draft: Draft, held: HeldByControllers) -> Floats:
    """What the timetable gives each zone, shape (Z,) [min], after it was played back; NoPlan if it breaks a limit."""
    timetable = draft.timetable
    if timetable is None:
        return np.zeros(tonight.plan.zones)
    assert draft.job is not None
    broken = [*check_timetable(draft.job, timetable), *broken_by_controllers(tonight.site, held, timetable)]
    if broken:
        raise NoPlan("the timetable breaks a limit when played back: " + "; ".join(str(v) for v in broken[:3]))
    placed = np.bincount(timetable.zone, weights=timetable.end - timetable.start, minlength=tonight.plan.zones)
    return np.asarray(np.round(placed, 9), dtype=np.float64)
