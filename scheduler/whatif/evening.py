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
from models.plan.edits import equal_inputs, keeps_to_water, only_less_water
from models.plan.inputs import PlanInputs
from models.plan.solve import PlanSolver, SolverFailed
from scheduler.document.planned import Planned
from scheduler.errors import NoPlan
from scheduler.night.several import night_of_weathers
from scheduler.night.stands import with_standing
from scheduler.whatif.apply import CasePlan, Choice, Evening, case_plan, settled_site, with_flushes
from scheduler.whatif.case import AS_IT_IS, Case, Part
from scheduler.whatif.given_back import no_better
from scheduler.whatif.less import (
    Outcome,
    comes_before,
    gains,
    held_to,
    held_to_what_runs,
    hours_earlier,
    no_roomier,
    running,
    same_needs,
    spares_more,
    taken_over,
    takes_no_more,
    under,
    with_weaker_pumps,
)
from scheduler.whatif.measures import course_of, supply_shares
from scheduler.whatif.quick import Shares, packable
from scheduler.whatif.schema import CaseKeys

MOST_PATTERNS = 300  # sets of nights looked at for an order of so many nights a week, before only the nearest are
BEST_PATTERNS = 2  # of them that are planned with their flushes


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
    best = taken_over(_with_less(standing, case, plan), [usual])
    return no_better(best, usual) if takes_no_more(best.plan, usual.plan) else best


def plan_cases(
    standing: Standing, cases: Sequence[Case], step: Callable[[str], object] = lambda _: None
) -> list[Outcome]:
    """Plan the evening under cases: what runs in one that takes no more runs in the others, too."""
    own = []
    for case in cases:
        step(case.title)
        own.append(plan_case(standing, case))
    return side_by_side(own)


def side_by_side(own: Sequence[Outcome]) -> list[Outcome]:
    """Outcomes of cases planned one by one, as they stand in one command."""
    return without_gains([one if one.same else taken_over(one, own) for one in own])


def without_gains(own: Sequence[Outcome]) -> list[Outcome]:
    """Outcomes of cases, none better than one that takes no less.

    What later nights gain by rounding is given back, those that take most first; what is gained tonight all the same
    also runs in the case that takes more.
    """
    above = [[j for j, b in enumerate(own) if j != i and takes_no_more(a.plan, b.plan)] for i, a in enumerate(own)]
    found = list(own)
    most_first = sorted(range(len(own)), key=lambda i: len(above[i]))
    for i in most_first:
        for j in above[i]:
            if not own[i].same and i not in above[j]:
                found[i] = no_better(found[i], found[j])
    for i in reversed(most_first):
        for j in above[i]:
            if not own[j].same and comes_before(found[i], found[j]):
                found[j] = running(found[j], found[i])
    return found


def _with_less(standing: Standing, case: Case, plan: CasePlan) -> Outcome:
    """The evening with these arrays, no better than tonight's where they take no more than tonight."""
    usual, longest = standing.as_it_is, plan.inputs.longest_run
    if no_roomier(plan, usual.plan):
        plan = replace(plan, inputs=held_to_what_runs(plan.inputs, usual.run))
    best = _planned(standing, case, plan)
    ladders = [with_weaker_pumps(plan)] if best.run.left_out.any() else []
    for ladder in (*ladders, _with_earlier_close(standing, case, plan)):
        for weaker in ladder if best.course.dry.any() else ():
            other = under(best.plan, _planned(standing, case, weaker))
            better = spares_more(other, best)
            best = other if better else best
            if not (better or other.run.left_out.any()):
                break  # no chance was left, and with less there is no more
    if takes_no_more(plan, usual.plan) and gains(best, usual):
        held = _planned(standing, case, replace(plan, inputs=held_to(plan.inputs, usual.run.minutes)))
        best = held if gains(no_better(best, usual), no_better(held, usual)) else best
    return _unheld(best, longest)


def _unheld(outcome: Outcome, longest: np.ndarray) -> Outcome:
    """An outcome with the longest runs of its own case (Z, N) [min], as it is compared by."""
    inputs = replace(outcome.plan.inputs, longest_run=longest)
    return replace(outcome, plan=replace(outcome.plan, inputs=inputs))


def _with_earlier_close(standing: Standing, case: Case, plan: CasePlan) -> Iterator[CasePlan]:
    """A case of other hours than tonight's with a close that is earlier still; nights it chooses stay as they are."""
    if plan.inputs.windows == standing.as_it_is.plan.inputs.windows or plan.choices:
        return
    for span in hours_earlier(plan.inputs):
        part = Part("", CaseKeys.model_construct(hours_forbidden=(span,)), {})
        earlier = arrays_of(standing, replace(case, parts=(*case.parts, part)))
        if takes_no_more(_for_one_weather(earlier), _for_one_weather(plan)):
            yield earlier


def _for_one_weather(plan: CasePlan) -> CasePlan:
    return replace(plan, inputs=replace(plan.inputs, plan=replace(plan.inputs.plan, members=None)))


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
        plan = _for_one_weather(plan)
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
        return with_flushes(ranked[0][2])
    best = []
    for _, i, closed in ranked[:BEST_PATTERNS]:
        whole = with_flushes(closed)
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
        return with_flushes(_shut(plan, shut)), before
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
    whole = with_flushes(_shut(plan, best[1]))
    open_nights = frozenset(d for n, d in enumerate(dates) if whole.inputs.plan.allowed[:, n].any())
    return whole, (monday, open_nights)


def evenly(week: tuple[int, ...], most: int) -> tuple[int, ...]:
    """The most evenly spaced of the ways to choose so many nights."""
    return min(combinations(week, min(most, len(week))), key=lambda kept: (_uneven(kept, week), kept))
