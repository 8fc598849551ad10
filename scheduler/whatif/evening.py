"""The standing evening under each case.

Every case goes on from where the standing plan ended, never from another case, so cases in any order give the same
numbers. A case whose arrays are those of tonight has tonight's plan; any other goes through the whole evening, rounded
and packed like it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import combinations, product

import numpy as np
import pandas as pd

from models.plan.cases import Cases
from models.plan.edits import equal_inputs, keeps_to_water, on_columns, only_less_water
from models.plan.flush_needs import FlushNeeds
from models.plan.inputs import PlanInputs
from models.plan.solve import PlanSolver, SolverFailed
from scheduler.document.planned import Planned
from scheduler.errors import NoPlan
from scheduler.night.records import RunnableNight
from scheduler.night.several import night_of_weathers
from scheduler.night.stands import with_standing
from scheduler.plan.inputs import NightInputs
from scheduler.salinity.flushes import flush_needs
from scheduler.whatif.apply import CasePlan, Choice, Evening, case_plan, settled_site
from scheduler.whatif.case import AS_IT_IS, Case
from scheduler.whatif.measures import Course, course_of, supply_shares
from scheduler.whatif.orders import Order
from scheduler.whatif.quick import Shares, packable

MOST_PATTERNS = 300  # sets of nights looked at for an order of so many nights a week, before only the nearest are
BEST_PATTERNS = 2  # of them that are planned with their flushes
RUNGS = np.arange(19, 0, -1) / 20.0  # of the pumps' strength [-]: weaker ones that a case of weaker pumps is tried with
MOST_RUNGS = 4  # of them, the next ones below its own
LEAST_APART = 0.01  # [-] by which the first of these is weaker
FEW_ZONE_NIGHTS = 6_000  # up to which they are tried


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


@dataclass(frozen=True)
class Standing:
    """The evening as it is, with the solver that every case goes on from."""

    planned: Planned
    evening: Evening
    cases: Cases
    log: pd.DataFrame
    as_it_is: Outcome


def standing_evening(planned: Planned, log: pd.DataFrame) -> Standing:
    """Make the standing plan what cases begin from.

    Parameters
    ----------
    planned : Planned   Tonight, as `evenfall tonight` plans it.
    log : DataFrame     What ran, as far back as it is known.
    """
    evening = Evening(
        planned.site, planned.night, len(planned.inputs.dates), planned.demand, planned.state, planned.salt
    )
    plan = case_plan(evening, AS_IT_IS, log)
    plan = replace(plan, inputs=planned.inputs, flushes=planned.flushes)
    course = course_of(planned.site, planned.inputs, planned.salt, planned.run.result, planned.run.minutes_by_night)
    outcome = Outcome(AS_IT_IS, plan, planned.run, course, True)
    try:
        cases = Cases(planned.inputs.plan, plan.needs)
    except SolverFailed as failure:
        raise NoPlan(str(failure)) from failure
    return Standing(planned, evening, cases, log, outcome)


def plan_case(standing: Standing, case: Case) -> Outcome:
    """Plan the evening under a case: for several weathers as tonight is, for one alone where a shared limit then binds.

    Raises
    ------
    NoPlan          No plan that holds every limit could be made.
    InputProblems   An order speaks of water that is not known.
    """
    plan = arrays_of(standing, case)
    usual = standing.as_it_is
    if _equal(plan, usual.plan) or _keeps_already(plan, usual):
        return Outcome(case, plan, usual.run, usual.course, True)
    if not _no_roomier(plan, usual.plan):
        return _planned(standing, case, plan)
    plan = replace(plan, inputs=_held_to_what_runs(plan.inputs, usual.run))
    best = _planned(standing, case, plan)
    if best.run.left_out.any() and best.course.dry.any():
        for weaker in _with_weaker_pumps(plan):
            other = _under(best.plan, _planned(standing, case, weaker))
            better = _spares_more(other, best)
            best = other if better else best
            if not (better or other.run.left_out.any()):
                break  # no chance was left, and weaker pumps give no more
    return best


def _planned(standing: Standing, case: Case, plan: CasePlan) -> Outcome:
    """The evening with these arrays: solved from where the standing plan ended, rounded and packed."""
    inputs, run = night_of_weathers(plan.site, plan.inputs, plan.needs, loaded=standing.cases.solver)
    plan = replace(plan, inputs=inputs)
    course = course_of(plan.site, plan.inputs, plan.salt, run.result, run.minutes_by_night)
    return Outcome(case, plan, run, course, False)


def arrays_of(standing: Standing, case: Case) -> CasePlan:
    """The arrays of a case, with the nights chosen where its orders leave that to the plan."""
    site = settled_site(standing.planned.site, case, standing.planned.night)
    plan = case_plan(replace(standing.evening, site=site), case, standing.log)
    plan = replace(plan, inputs=with_standing(site, plan.inputs))
    if standing.planned.inputs.plan.members is None:  # tonight was planned for one weather: so is every case beside it
        plan = replace(plan, inputs=replace(plan.inputs, plan=replace(plan.inputs.plan, members=None)))
    return chosen_nights(standing.cases, plan) if plan.choices else plan


def begun(cases: Cases, plan: CasePlan) -> PlanSolver:
    """A solver with the arrays of a case, from where the standing plan ended."""
    return cases.solver(plan.inputs.plan, plan.needs)


def _equal(one: CasePlan, other: CasePlan) -> bool:
    """Whether two cases are one and the same plan; nights that one leaves to the plan are chosen by now."""
    if not equal_inputs(one.inputs.plan, other.inputs.plan):
        return False
    return same_needs(one.needs, other.needs) and one.inputs.windows == other.inputs.windows


def _keeps_already(plan: CasePlan, usual: Outcome) -> bool:
    """Whether the standing plan keeps all that a case asks, which takes no more than water away.

    It was the best of all plans that have as much water or more, so it is the best of these.
    """
    before, wanted = usual.plan.inputs, plan.inputs
    if not only_less_water(before.plan, wanted.plan) or before.windows != wanted.windows:
        return False
    if not same_needs(plan.needs, usual.plan.needs):
        return False
    chosen = usual.run.result.run_times(before.plan).sum(axis=2)
    runs = usual.run.minutes_by_night[:, :, None] * supply_shares(before.plan, chosen)
    return keeps_to_water(wanted.plan, chosen) and keeps_to_water(wanted.plan, runs)


def _no_roomier(one: CasePlan, other: CasePlan) -> bool:
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


def _held_to_what_runs(inputs: NightInputs, run: RunnableNight) -> NightInputs:
    """The inputs with zones held to what they got tonight where a part of a run found no place on their pump or pipe.

    Of two nights as full as each other the search may find a place in the one that it misses in the other; a case of
    less water is not to gain by that.
    """
    plan, short = inputs.plan, run.left_out > 0
    full = short.copy()
    for group in (plan.pump_of_zone, plan.branch_of_zone, plan.controller_of_zone):
        full |= np.isin(group, group[short & (group >= 0)])
    longest = inputs.longest_run.copy()
    longest[:, 0] = np.where(full, np.minimum(longest[:, 0], run.minutes), longest[:, 0])
    return replace(inputs, longest_run=longest)


def _with_weaker_pumps(plan: CasePlan) -> Iterator[CasePlan]:
    """A case of weaker pumps with pumps weaker still, down a ladder that is the same for all cases.

    What runs on the weaker pump runs on this one too, and where start times are hard to find chance may favour it.
    """
    arrays = plan.inputs.plan
    if arrays.pump_share is None or arrays.zones * arrays.nights > FEW_ZONE_NIGHTS:
        return
    strength = float(arrays.pump_share.max())
    below = np.flatnonzero(RUNGS < strength - LEAST_APART)
    for rung in RUNGS[below[:MOST_RUNGS]]:
        share = arrays.pump_share * (rung / strength)
        most = np.where(arrays.pump_of_zone >= 0, (share[:, 0] * arrays.pump_capacity)[arrays.pump_of_zone], np.inf)
        allowed = arrays.allowed & (arrays.flow <= most)[:, None, None]
        weaker = replace(plan, inputs=replace(plan.inputs, plan=replace(arrays, allowed=allowed, pump_share=share)))
        yield _flushed(weaker) if plan.needs.zone.size else weaker


def _under(plan: CasePlan, outcome: Outcome) -> Outcome:
    """An outcome of weaker pumps as one of the case itself."""
    result = outcome.run.result
    own = on_columns(result.run_time, outcome.plan.inputs.plan, plan.inputs.plan)
    run = replace(outcome.run, result=replace(result, run_time=own))
    course = course_of(plan.site, plan.inputs, plan.salt, run.result, run.minutes_by_night)
    return Outcome(outcome.case, plan, run, course, False)


def _spares_more(one: Outcome, other: Outcome) -> bool:
    """Whether the first has less dryness than the second, the first rank first, and flushes no fewer zones."""
    flushed = [{f.zone for f in outcome.run.result.flushes} for outcome in (one, other)]
    priority = one.plan.site.zones.priority
    dry = [
        [round(float(outcome.course.dry[priority == rank].sum())) for rank in np.unique(priority)]
        for outcome in (one, other)
    ]
    return flushed[0] >= flushed[1] and dry[0] < dry[1]


def same_needs(one: FlushNeeds, other: FlushNeeds) -> bool:
    """Whether two plans have the same flushes to choose."""
    names = ("zone", "depth", "allowed", "harm", "harm_after", "dry_limit_after", "lasts", "held")
    pairs = [(getattr(one, n), getattr(other, n)) for n in names]
    return all(
        (a is None and b is None)
        or (a is not None and b is not None and np.array_equal(a, b, equal_nan=a.dtype != bool))
        for a, b in pairs
    )


# --------------------------------------------------------------------------------------- so many nights a week


def chosen_nights(cases: Cases, plan: CasePlan, solve: Callable[[PlanSolver], float] | None = None) -> CasePlan:
    """Choose the nights of an order of so many nights a week: those with which the plan costs least.

    All sets of nights are compared by the plan without flushes; the best of them are planned with theirs.
    """
    ranked = []
    plain = _plain(plan.inputs.plan)
    for i, shut in enumerate(patterns(plan.choices, plan.inputs.plan.nights)):
        closed = _shut(plan, shut)
        if not plain.edit(closed.inputs.plan):
            plain = _plain(closed.inputs.plan)
        ranked.append((plain.solve().objective, i, closed))
    ranked.sort(key=lambda r: r[:2])
    if not plan.needs.zone.size or len(ranked) == 1:
        return _flushed(ranked[0][2])
    best = []
    for _, i, closed in ranked[:BEST_PATTERNS]:
        whole = _flushed(closed)
        best.append((begun(cases, whole).solve().objective, i, whole))
    return min(best, key=lambda r: r[:2])[2]


def _plain(inputs: PlanInputs) -> PlanSolver:
    """A plan without flushes, to compare nights by."""
    solver = PlanSolver(inputs)
    solver.tells_one_more = False
    return solver


def patterns(choices: Sequence[Choice], nights: int) -> Iterator[np.ndarray]:
    """Zone-nights shut by each way to choose the nights, shape (Z, N), the evenly spaced ones first.

    Where there are more than `MOST_PATTERNS` ways, only the most evenly spaced are given.
    """
    options: list[list[tuple[np.ndarray, tuple[int, ...]]]] = []
    for choice in choices:
        for week, most in choice.weeks:
            ways = list(combinations(week, min(most, len(week))))
            ways.sort(key=lambda kept, week=week: (_uneven(kept, week), kept))
            options.append([(choice.zones, tuple(sorted(set(week) - set(kept)))) for kept in ways])
    while options and np.prod([len(o) for o in options]) > MOST_PATTERNS:
        longest = max(range(len(options)), key=lambda i: len(options[i]))
        options[longest] = options[longest][: max(1, len(options[longest]) * 3 // 4)]
    for ways in product(*options):
        shut = np.zeros((choices[0].zones.size, nights), dtype=bool)
        for zones, closed in ways:
            shut[np.ix_(zones, list(closed))] = True
        yield shut


def _uneven(kept: tuple[int, ...], week: tuple[int, ...]) -> float:
    """How far nights are from evenly spaced: the sum of squares of the gaps."""
    edges = (week[0] - 1, *kept, week[-1] + 1)
    return float(sum((b - a) ** 2 for a, b in zip(edges, edges[1:], strict=False)))


def _shut(plan: CasePlan, shut: np.ndarray) -> CasePlan:
    inputs = plan.inputs
    return replace(
        plan, inputs=replace(inputs, plan=replace(inputs.plan, allowed=inputs.plan.allowed & ~shut[:, :, None]))
    )


def _flushed(plan: CasePlan) -> CasePlan:
    """The arrays with the flushes that the nights left allow."""
    inputs = plan.inputs
    found = flush_needs(plan.site, plan.salt, inputs.plan, inputs.dates, inputs.depletion_fraction)
    fresh = (inputs.fresh_limit - inputs.margin)[found.needs.zone]
    return replace(plan, flushes=found, needs=replace(found.needs, dry_limit_after=fresh))


def week_nights(
    plan: CasePlan, night: date, before: tuple[date, frozenset[date]] | None, share: Shares
) -> tuple[CasePlan, tuple[date, frozenset[date]]]:
    """Hold the nights of an order of so many a week to those chosen when the week began, as a manager would.

    Parameters
    ----------
    plan : CasePlan
    night : date        Its first evening.
    before : tuple      The Monday of the week last chosen for and the nights kept open in it; None on the first.
    share : Shares      Of capacity, by which the nights are compared.

    Returns
    -------
    tuple   The plan with its nights, and the week it is of.
    """
    monday = night - timedelta(days=night.weekday())
    dates = plan.inputs.dates
    if before is not None and before[0] == monday:
        shut = np.zeros((plan.inputs.plan.zones, len(dates)), dtype=bool)
        for choice in plan.choices:
            for week, most in choice.weeks:
                this = dates[week[0]] - timedelta(days=dates[week[0]].weekday()) == monday
                kept = [n for n in week if dates[n] in before[1]] if this else list(evenly(week, most))
                shut[np.ix_(choice.zones, [n for n in week if n not in kept])] = True
        return _flushed(_shut(plan, shut)), before
    arrays = packable(plan.inputs.plan, share)
    plain = _plain(arrays)
    best = None
    for shut in patterns(plan.choices, arrays.nights):
        closed = _shut(replace(plan, inputs=replace(plan.inputs, plan=arrays)), shut)
        if not plain.edit(closed.inputs.plan):
            plain = _plain(closed.inputs.plan)
        cost = plain.cost_below(np.inf if best is None else best[0])
        if best is None or cost < best[0]:
            best = (cost, shut)
    assert best is not None
    whole = _flushed(_shut(plan, best[1]))
    open_nights = frozenset(d for n, d in enumerate(dates) if whole.inputs.plan.allowed[:, n].any())
    return whole, (monday, open_nights)


def evenly(week: tuple[int, ...], most: int) -> tuple[int, ...]:
    """The most evenly spaced of the ways to choose so many nights."""
    return min(combinations(week, min(most, len(week))), key=lambda kept: (_uneven(kept, week), kept))
