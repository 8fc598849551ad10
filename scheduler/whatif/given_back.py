"""What a case of less gains by the steps of its later nights, it gives back.

Later nights are rounded to whole steps and to runs worth making, though nothing of them is carried out yet: of two
plans alike one keeps a run of five minutes that the other drops. A case that takes no more than another is not to come
out better by that, on no rank before a higher one is worse: its later nights are shortened until it does not.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.plan.inputs import Floats, Ints
from models.soil import DayBalance, run_balance
from scheduler.night.whole_steps import flushing_on
from scheduler.whatif.less import TOLD_APART, Outcome
from scheduler.whatif.measures import course_of, dryness

LEAST = 1e-9  # [mm] of dryness that a step less adds, and [min] of a run


def no_better(one: Outcome, other: Outcome) -> Outcome:
    """A case that takes no more than another, with no rank less dry than there before a higher one is drier.

    Parameters
    ----------
    one, other : Outcome   Of less and of more.

    Returns
    -------
    Outcome   As it was where it gains nothing; tonight stays as it is.
    """
    minutes, priority = one.run.minutes_by_night.copy(), one.plan.site.zones.priority
    change = (one.course.dry - other.course.dry).sum(axis=1)
    for rank in np.unique(priority):
        of = priority == rank
        by = float(change[of].sum())
        if by < -TOLD_APART:
            by += _shorten(one, minutes, np.flatnonzero(of & (change < -LEAST)), -by)
        if by > TOLD_APART:
            break
    if (minutes == one.run.minutes_by_night).all():
        return one
    plan = one.plan
    net = minutes * plan.inputs.plan.net_rate[:, None]
    run = replace(one.run, minutes_by_night=minutes, balance=_balance(one, net, np.arange(minutes.shape[0])))
    return replace(one, run=run, course=course_of(plan.site, plan.inputs, plan.salt, run.result, minutes))


def _shorten(one: Outcome, minutes: Floats, zones: Ints, wanted: float) -> float:
    """Take steps from later nights of some zones, in place, until they are drier by so much [mm]; by how much they are.

    The step that comes closest is taken first; a run never becomes shorter than is worth making, it is dropped.
    """
    inputs = one.plan.inputs
    rate, step, least = inputs.plan.net_rate[zones, None], inputs.resolution[zones], inputs.smallest_run[zones]
    may = np.stack([~flushing_on(inputs, one.run.result, n)[zones] for n in range(minutes.shape[1])], axis=1)
    may[:, 0] = False
    dry, added = _dry(one, minutes[zones] * rate, zones), 0.0
    while wanted - added > TOLD_APART:
        own = minutes[zones]
        shorter = np.where(own - step[:, None] >= least[:, None] - LEAST, own - step[:, None], 0.0)
        on = may & (own > LEAST)
        if not on.any():
            break
        adds = np.full(own.shape, -np.inf)
        for n in np.flatnonzero(on.any(axis=0)).tolist():
            tried = own.copy()
            tried[:, n] = shorter[:, n]
            adds[:, n] = np.where(on[:, n], _dry(one, tried * rate, zones) - dry, -np.inf)
        close = (adds > LEAST) & (adds <= wanted - added + TOLD_APART)
        if close.any():
            z, n = np.unravel_index(int(np.where(close, adds, -np.inf).argmax()), adds.shape)
        else:  # what adds least, also nothing at all
            z, n = np.unravel_index(int(np.where(on, adds, np.inf).argmin()), adds.shape)
        minutes[zones[z], n] = shorter[z, n]
        dry[z] += adds[z, n]
        added += float(adds[z, n])
    return added


def _dry(one: Outcome, net: Floats, zones: Ints) -> Floats:
    """Dryness of some zones under their net water (k, N), summed over the days, shape (k,) [mm]."""
    return np.asarray(dryness(one.plan.inputs, _balance(one, net, zones).depletion, zones).sum(axis=1))


def _balance(one: Outcome, net: Floats, zones: Ints) -> DayBalance:
    inputs, plan = one.plan.inputs, one.plan.inputs.plan
    return run_balance(
        plan.depletion[zones],
        net,
        plan.etc[zones],
        plan.effective_rain[zones],
        plan.taw[zones],
        inputs.depletion_fraction[zones],
    )
