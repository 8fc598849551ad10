"""The later nights as they follow from tonight: planned anew where tonight gives something else, rounded, played."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.plan.inputs import Floats
from models.plan.results import PlanResult
from models.plan.solve import SolverFailed
from models.soil import DayBalance, balance_day
from scheduler.night.draft import Draft
from scheduler.night.tonight import Tonight, answered
from scheduler.night.whole_steps import STILL, Terms, flushing_on, whole_minutes

OF_ONE_NIGHT = ("pump_limit", "branch_limit", "station_limit", "source_night")  # their index names the night second


def planned_anew(tonight: Tonight, draft: Draft, minutes: Floats) -> PlanResult:
    """The draft's plan with tonight as it really runs, where that is not what the plan had.

    Parameters
    ----------
    tonight : Tonight
    draft : Draft
    minutes : ndarray (Z,)   Tonight's run times as they will run [min].
    """
    timetable, plan = draft.timetable, tonight.plan
    as_planned = timetable is None or (timetable.fitted and not _moved(tonight, draft, minutes))
    if as_planned and not tonight.word.said.any():
        return draft.result
    wished = draft.run_time[:, 0]
    flushing = flushing_on(tonight.inputs, draft.result, 0)
    given = np.where(flushing, 1.0, minutes / np.maximum(wished.sum(axis=(1, 2)), STILL))
    try:
        result = tonight.solver.solve_later(wished * given[:, None, None])
    except SolverFailed:  # a word may ask for more than the roots hold: the rest is gone by the next evening
        filled = plan.depletion / plan.net_rate / np.maximum(minutes, STILL)
        given = given * np.where(flushing, 1.0, np.minimum(filled, 1.0))
        result = answered(lambda: tonight.solver.solve_later(wished * given[:, None, None]))
    return draft.result if result is None else _with_prices_of(draft.result, result)


def _moved(tonight: Tonight, draft: Draft, minutes: Floats) -> bool:
    """Whether a place that a later draft planned for one zone was given to another that an earlier one wished for."""
    if draft.number == 1:
        return False
    return bool((np.abs(minutes - draft.run_time[:, 0].sum(axis=(1, 2))) > tonight.inputs.smallest_run).any())


def _with_prices_of(tonight: PlanResult, anew: PlanResult) -> PlanResult:
    """The plan made anew with tonight's minutes fixed, with the prices of tonight's limits as they chose them."""
    priced = {(limit.family, limit.index): limit for limit in tonight.limits if limit.family in OF_ONE_NIGHT}
    kept = (
        priced.get((limit.family, limit.index), limit)
        if limit.family in OF_ONE_NIGHT and limit.index[1] == 0
        else limit
        for limit in anew.limits
    )
    return replace(anew, limits=tuple(kept))


def all_nights(tonight: Tonight, result: PlanResult, run_time: Floats, minutes: Floats) -> tuple[Floats, DayBalance]:
    """Run times of all nights in controller steps, and what the soil does under them, each (Z, N).

    Tonight is as it runs, later nights as they would be rounded under the usual limits. The soil is carried along, so
    that what rounding keeps from a zone one night can be given on the next.
    """
    inputs, plan = tonight.inputs, tonight.plan
    terms = Terms(tonight.usual.share, tonight.worth)
    by_night, days = np.zeros((plan.zones, plan.nights)), []
    by_night[:, 0] = minutes
    depletion = plan.depletion
    for n in range(plan.nights):
        if n:
            longest, earlier = inputs.longest_run[:, n], by_night[:, :n]
            by_night[:, n] = whole_minutes(inputs, result, run_time, longest, terms, n, depletion, earlier).minutes
        day = balance_day(
            depletion,
            by_night[:, n] * plan.net_rate,
            plan.etc[:, n],
            plan.effective_rain[:, n],
            plan.taw,
            inputs.depletion_fraction[:, n],
        )
        days.append(day)
        depletion = day.depletion
    return by_night, DayBalance(
        np.stack([d.depletion for d in days], axis=1),
        np.stack([d.etc_actual for d in days], axis=1),
        np.stack([d.drainage for d in days], axis=1),
        np.stack([d.stress for d in days], axis=1),
    )
