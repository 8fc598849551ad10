"""One key of a case in steps: the curve of water against turf, and where each surface begins to give way."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.plan.cases import Cases
from models.plan.solve import SolverFailed
from scheduler.errors import InputProblems, NoPlan, Problem, listing, near_miss, read_but
from scheduler.site import Site
from scheduler.whatif.apply import CasePlan, settled_site, with_allocation
from scheduler.whatif.case import AS_IT_IS, Case, with_value
from scheduler.whatif.evening import Standing, arrays_of
from scheduler.whatif.measures import SurfaceOutcome, by_surface, course_of, over_use
from scheduler.whatif.quick import minutes_of, packable, reached
from scheduler.whatif.schema import NUMERIC

STEPS = 11
MOST_STEPS = 200
GIVES_WAY = 1.0  # [mm, summed over zones and days] more than at the first point, from which a surface gives way


@dataclass(frozen=True)
class Point:
    """One point of the curve; worth: what the last cubic metre spares, in mm of dryness summed over zones and days."""

    value: float
    water_m3: float
    bill: float
    surfaces: tuple[SurfaceOutcome, ...]
    worth_mm_days: float | None
    worth_bill: float | None


@dataclass(frozen=True)
class Curve:
    """A sweep: its key, its points, and for each surface that gives way the first value where it does."""

    key: str
    points: tuple[Point, ...]
    begins: tuple[tuple[str, float], ...]


def read_sweep(text: str) -> tuple[str, tuple[float, ...]]:
    """Read `KEY=FROM..TO`, `KEY=FROM..TO/STEPS` or `KEY=A,B,C`.

    Raises
    ------
    InputProblems   It is none of these.

    Examples
    --------
    >>> read_sweep("allocation_factor=1.0..0.5/3")
    ('allocation_factor', (1.0, 0.75, 0.5))
    """
    key, mark, span = (part.strip() for part in text.partition("="))
    words = "KEY=FROM..TO, KEY=FROM..TO/STEPS or KEY=A,B,C is allowed, for example allocation_factor=1.0..0.5"
    if not mark:
        raise InputProblems([Problem("--sweep", None, None, read_but(text, words))])
    if key not in NUMERIC:
        known = f'"{key}" cannot be swept; allowed: {listing(NUMERIC, 20)}{near_miss(key, NUMERIC)}'
        raise InputProblems([Problem("--sweep", None, None, known)])
    match = re.fullmatch(r"(-?[\d.]+?)\s*\.\.\s*(-?[\d.]+?)(?:\s*/\s*(\d+))?", span)
    try:
        if match:
            steps = int(match[3] or STEPS)
            if not 2 <= steps <= MOST_STEPS:
                raise InputProblems(
                    [Problem("--sweep", None, None, read_but(span, f"2 to {MOST_STEPS} steps are allowed"))]
                )
            values = np.linspace(float(match[1]), float(match[2]), steps)
            values = np.round(values, 10)
        else:
            values = np.array([float(v) for v in span.split(",")])
    except ValueError:
        raise InputProblems([Problem("--sweep", None, None, read_but(text, words))]) from None
    if key == "nights_a_week":
        values = np.unique(np.round(values))[:: 1 if values[-1] >= values[0] else -1]
    return key, tuple(values.tolist())


def sweep(
    standing: Standing,
    key: str,
    values: Sequence[float],
    case: Case = AS_IT_IS,
    step: Callable[[int, int], None] = lambda done, of: None,
) -> Curve:
    """Plan the evening at every value of a key, each point from where the one before it ended.

    All points are planned for the expected weather alone: only so is the order of ranks strict where a limit binds, and
    the curve of one kind from end to end.

    Parameters
    ----------
    standing : Standing
    key : str                One of `NUMERIC`.
    values : sequence of float
    case : Case              What else holds at every point.
    step : callable          Told how many points are done.
    """
    site = standing.planned.site
    share = reached(standing.planned.inputs.plan, standing.planned.run)
    cases = [with_value(site, case, key, value) for value in values]
    plans = _arrays(standing, key, cases)
    plans = [
        replace(p, inputs=replace(p.inputs, plan=replace(packable(p.inputs.plan, share), members=None))) for p in plans
    ]
    begun = standing.cases
    if standing.planned.inputs.plan.members is not None:
        begun = Cases(plans[0].inputs.plan, plans[0].needs)
    along = begun.sweep((p.inputs.plan, p.needs) for p in plans)
    points = []
    try:
        for value, plan, result in zip(values, plans, along, strict=True):
            points.append(_point(site, plan, result, float(value)))
            step(len(points), len(values))
    except SolverFailed as failure:
        raise NoPlan(str(failure)) from failure
    return Curve(key, tuple(points), _begins(points))


def _arrays(standing: Standing, key: str, cases: Sequence[Case]) -> list[CasePlan]:
    """The arrays of every point; of one key that only changes the season's volume they are worked out once."""
    if key not in ("allocation_factor", "allocation"):
        return [arrays_of(standing, one) for one in cases]
    first, planned = arrays_of(standing, cases[0]), standing.planned
    sites = [settled_site(planned.site, one, planned.night) for one in cases[1:]]
    return [first, *(with_allocation(first, site) for site in sites)]


def _point(site: Site, plan: CasePlan, result: object, value: float) -> Point:
    arrays = plan.inputs.plan
    course = course_of(site, plan.inputs, plan.salt, result, minutes_of(arrays, result))
    water = float(course.volume.sum())
    more = result.one_more
    return Point(
        value=value,
        water_m3=water,
        bill=float(course.cost.sum()) + over_use(arrays, water)[1],
        surfaces=by_surface(site, plan.inputs.dates, course),
        worth_mm_days=None if more is None else float(more.less_dry.sum()),
        worth_bill=None if more is None else float(more.bill),
    )


def _begins(points: Sequence[Point]) -> tuple[tuple[str, float], ...]:
    """Surfaces that give way along the curve, with the first value at which they do, in the order they do."""
    found = []
    for i, first in enumerate(points[0].surfaces):
        for n, point in enumerate(points):
            if point.surfaces[i].dry_mm_days > first.dry_mm_days + GIVES_WAY:
                found.append((n, -first.priority, first.surface, point.value))
                break
    return tuple((surface, value) for _, _, surface, value in sorted(found))
