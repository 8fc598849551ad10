"""Less is never more: what keeps a case that takes something away from coming out better than one that does not.

Of two nights as full as each other the search for start times may find a place in the one that it misses in the other.
So what runs in a case of less also runs in a case of more (`takes_no_more`, `taken_over`), weaker pumps are tried where
something found no place, and a case of less than tonight is held to what tonight gives.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace

import numpy as np

from models.plan.edits import on_columns
from models.plan.flush_needs import FlushNeeds
from models.plan.inputs import Bools, Floats, PlanInputs
from scheduler.night.records import RunnableNight
from scheduler.plan.inputs import NightInputs
from scheduler.whatif.apply import CasePlan, with_flushes
from scheduler.whatif.case import Case
from scheduler.whatif.measures import Course, course_of
from scheduler.whatif.orders import Order

RUNGS = np.arange(19, 0, -1) / 20.0  # of the pumps' strength [-]: weaker ones that a case is tried with
MOST_RUNGS = 4  # of them, the next ones below its own
HOUR = 60  # [min]
MOST_HOURS = 3  # by which a case of other hours is tried with an earlier close, one after the other
LEAST_APART = 0.01  # [-] by which the first of these is weaker
FEW_ZONE_NIGHTS = 6_000  # up to which they are tried
AT_MOST = (
    "max_run", "pump_nightly", "branch_capacity", "stations_at_once", "zone_supply", "source_daily", "source_monthly"
)  # fmt: skip
OTHERWISE = (  # hours are compared by the clock, pumps by what they bring on each night
    "block_length", "energy_price", "allowed", "pump_capacity", "pump_share", "source_open", "allocation", "cuts",
    "tiers", "members", "standing",
)  # fmt: skip
TOLD_APART = 0.05  # [mm] of dryness, summed over a rank's zones and days
BY_ROUNDING = 1.0  # [mm] of a zone, in the mean of a rank: what steps and short runs of later nights may come to


@dataclass(frozen=True)
class Outcome:
    """A case and what came of it.

    plan : CasePlan;  run : RunnableNight;  course : Course;  same : whether it is tonight's plan itself
    """

    case: Case
    plan: CasePlan
    run: RunnableNight
    course: Course
    same: bool

    @property
    def orders(self) -> tuple[Order, ...]:
        """Its orders in cubic metres."""
        return self.plan.orders


def no_roomier(one: CasePlan, other: CasePlan) -> bool:
    """Whether the nights of a case are those of another, its pumps as strong or weaker on all of them alike.

    An order that begins on a later night, or shuts zones, is none of these: more of tonight may then go to other zones.
    """
    case, plan = one.inputs.plan, other.inputs.plan
    names = "block_length max_run pump_capacity branch_capacity stations_at_once".split()
    open_ = np.ones(case.zones, dtype=bool)
    if case.pump_share is not None:
        if (case.pump_share != np.minimum(case.pump_share[:, :1], 1.0)).any():
            return False
        open_ = case.allowed.any(axis=(1, 2))  # a zone that is too much for a weaker pump is shut on all nights
    return (
        one.inputs.windows == other.inputs.windows
        and all(np.array_equal(getattr(case, name), getattr(plan, name)) for name in names)
        and np.array_equal(case.allowed[open_], plan.allowed[open_])
        and all(cut.since == 0 for cut in case.cuts)
    )


def held_to_what_runs(inputs: NightInputs, run: RunnableNight) -> NightInputs:
    """The inputs with zones held to what they got tonight where a part of a run found no place on their pump or pipe.

    Of two nights as full as each other the search may find a place in the one that it misses in the other; a case of
    less water is not to gain by that.
    """
    plan, short = inputs.plan, run.left_out > 0
    full = short.copy()
    for group in (plan.pump_of_zone, plan.branch_of_zone, plan.controller_of_zone):
        full |= np.isin(group, group[short & (group >= 0)])
    return held_to(inputs, np.where(full, run.minutes, np.inf))


def held_to(inputs: NightInputs, minutes: Floats) -> NightInputs:
    """The inputs with no zone longer tonight than so many minutes (Z,)."""
    longest = inputs.longest_run.copy()
    longest[:, 0] = np.minimum(longest[:, 0], minutes)
    return replace(inputs, longest_run=longest)


def with_weaker_pumps(plan: CasePlan) -> Iterator[CasePlan]:
    """A case with pumps weaker still, down a ladder that is the same for all cases.

    What runs on the weaker pump runs on its own too, and where start times are hard to find chance may favour it.
    """
    arrays = plan.inputs.plan
    if not arrays.pump_capacity.size or arrays.zones * arrays.nights > FEW_ZONE_NIGHTS:
        return
    own = np.ones((arrays.pump_capacity.size, arrays.nights)) if arrays.pump_share is None else arrays.pump_share
    strength = float(own.max())
    below = np.flatnonzero(RUNGS < strength - LEAST_APART)
    for rung in RUNGS[below[:MOST_RUNGS]]:
        share = own * (rung / strength)
        most = np.where(arrays.pump_of_zone >= 0, (share[:, 0] * arrays.pump_capacity)[arrays.pump_of_zone], np.inf)
        allowed = arrays.allowed & (arrays.flow <= most)[:, None, None]
        weaker = replace(plan, inputs=replace(plan.inputs, plan=replace(arrays, allowed=allowed, pump_share=share)))
        yield with_flushes(weaker) if plan.needs.zone.size else weaker


def hours_earlier(inputs: NightInputs) -> list[tuple[int, int]]:
    """Hours to shut with which tonight closes earlier, on the hour before and on those before that [min after 00:00].

    What runs in these hours runs in the case's own, too; the clock is the same for all cases.
    """
    if not inputs.windows[0].blocks or inputs.plan.zones * inputs.plan.nights > FEW_ZONE_NIGHTS:
        return []
    opens, closes = inputs.windows[0].blocks[0].start, inputs.windows[0].blocks[-1].end
    last = -(-closes // HOUR) * HOUR - HOUR
    return [(at, closes) for at in range(last, last - MOST_HOURS * HOUR, -HOUR) if at > opens]


def under(plan: CasePlan, outcome: Outcome) -> Outcome:
    """An outcome of weaker pumps or shorter hours as one of the case itself."""
    run = _on_own_columns(plan, outcome)
    course = course_of(plan.site, plan.inputs, plan.salt, run.result, run.minutes_by_night)
    return Outcome(outcome.case, plan, run, course, False)


def _on_own_columns(plan: CasePlan, outcome: Outcome) -> RunnableNight:
    """What runs in an outcome, its run times of the program on the columns of another plan."""
    result = outcome.run.result
    own = on_columns(result.run_time, outcome.plan.inputs.plan, plan.inputs.plan)
    return replace(outcome.run, result=replace(result, run_time=own))


def taken_over(outcome: Outcome, others: Iterable[Outcome]) -> Outcome:
    """An outcome, or in its place what another of a case that takes no more comes to, where that spares more."""
    best = outcome
    for other in others:
        if takes_no_more(other.plan, outcome.plan) and spares_more(other, best):
            best = other
    return running(outcome, best)


def running(outcome: Outcome, other: Outcome) -> Outcome:
    """An outcome with what runs in another, of a case that takes no more."""
    if other is outcome:
        return outcome
    return Outcome(outcome.case, outcome.plan, _on_own_columns(outcome.plan, other), other.course, False)


def takes_no_more(one: CasePlan, other: CasePlan) -> bool:
    """Whether all that may run under a case may also run under another: its limits are as tight or tighter.

    Weather, soils, prices and ranks are the same.
    """
    few, many = one.inputs.plan, other.inputs.plan
    if few.members is not None or many.members is not None or few.tiers != many.tiers:
        return False
    rest = [f.name for f in fields(few) if f.name not in {*AT_MOST, *OTHERWISE}]
    if not all(np.array_equal(getattr(few, name), getattr(many, name)) for name in rest):
        return False
    if not np.array_equal(one.inputs.fresh_limit, other.inputs.fresh_limit):
        return False
    if any((getattr(few, name) > getattr(many, name)).any() for name in AT_MOST) or few.allocation > many.allocation:
        return False
    if len(few.cuts) < len(many.cuts) or (_sources_open(few) & ~_sources_open(many)).any():
        return False
    for has, had in zip(few.cuts, many.cuts, strict=False):
        if not np.array_equal(has.zones, had.zones) or has.since != had.since or (has.volume > had.volume).any():
            return False
    return bool((one.inputs.longest_run <= other.inputs.longest_run).all()) and _hours_within(one.inputs, other.inputs)


def _sources_open(plan: PlanInputs) -> Bools:
    """Whether each source is there on each night, shape (W, N)."""
    every = np.ones((plan.source_price.size, plan.nights), dtype=np.bool_)
    return every if plan.source_open is None else plan.source_open


def _hours_within(one: NightInputs, other: NightInputs) -> bool:
    """Whether no zone may run at a minute of the first at which it may not in the second."""
    if one.windows == other.windows:
        return not (one.plan.allowed & ~other.plan.allowed).any()
    for night, windows in enumerate(zip(one.windows, other.windows, strict=True)):
        for minute in {m for w in windows for b in w.blocks for m in (b.start, b.end)}:
            if (_open_at(one, night, minute) & ~_open_at(other, night, minute)).any():
                return False
    return True


def _open_at(inputs: NightInputs, night: int, minute: int) -> Bools:
    """Zones that may run at a minute of a night, shape (Z,)."""
    for i, block in enumerate(inputs.windows[night].blocks):
        if block.start <= minute < block.end:
            return inputs.plan.allowed[:, night, i]
    return np.zeros(inputs.plan.zones, dtype=np.bool_)


def spares_more(one: Outcome, other: Outcome) -> bool:
    """Whether the first has less dryness than the second, the first rank first, and flushes no fewer zones.

    What rounding alone may come to is no reason to leave other ranks drier for it.
    """
    change, zones = _first_change(one, other)
    rounding = -change < BY_ROUNDING * zones and float(one.course.dry.sum() - other.course.dry.sum()) > TOLD_APART
    return change < 0.0 and not rounding and _flushes_no_fewer(one, other)


def comes_before(one: Outcome, other: Outcome) -> bool:
    """Whether the first has less dryness on the first rank that differs, and flushes no fewer zones."""
    return _flushes_no_fewer(one, other) and _first_change(one, other)[0] < 0.0


def _flushes_no_fewer(one: Outcome, other: Outcome) -> bool:
    flushed = [{f.zone for f in outcome.run.result.flushes} for outcome in (one, other)]
    return flushed[0] >= flushed[1]


def gains(one: Outcome, other: Outcome) -> bool:
    """Whether the first has less dryness than the second: on the first rank that differs, or in sum."""
    return _first_change(one, other)[0] < 0.0 or float(one.course.dry.sum() - other.course.dry.sum()) < -TOLD_APART


def _first_change(one: Outcome, other: Outcome) -> tuple[float, int]:
    """How much drier the first is on the first rank that differs [mm], 0 where none does, and that rank's zones."""
    priority = one.plan.site.zones.priority
    change = (one.course.dry - other.course.dry).sum(axis=1)
    for rank in np.unique(priority):
        of = priority == rank
        if abs(change[of].sum()) > TOLD_APART:
            return float(change[of].sum()), int(of.sum())
    return 0.0, 0


def same_needs(one: FlushNeeds, other: FlushNeeds) -> bool:
    """Whether two plans have the same flushes to choose."""
    names = ("zone", "depth", "allowed", "harm", "harm_after", "dry_limit_after", "lasts", "held")
    pairs = [(getattr(one, n), getattr(other, n)) for n in names]
    return all(
        (a is None and b is None)
        or (a is not None and b is not None and np.array_equal(a, b, equal_nan=a.dtype != bool))
        for a, b in pairs
    )
