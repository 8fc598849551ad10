"""The limits that matter most, and what a tenth more of each would give: found by their price, told by solving.

The price of a limit speaks for its next unit only, so it picks the limits; the plan is then solved with each of them a
tenth wider on every night, and the difference is what is told.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from models.plan.inputs import PlanInputs, Tier
from models.plan.results import PlanResult
from scheduler.site import Site
from scheduler.whatif.evening import Outcome, Standing
from scheduler.whatif.measures import Course, course_of, over_use
from scheduler.whatif.quick import minutes_of, packable, reached, solved

TENTH = 0.1
MOST = 3  # limits told
NEGLIGIBLE = 1e-3  # [-] of the dearest limit's worth, below which a limit is not looked at


@dataclass(frozen=True)
class Relaxed:
    """A limit a tenth wider: its name, and the plan before and after, both without a timetable."""

    family: str
    what: str
    before: Course
    after: Course
    bill: float

    @property
    def less_dry(self) -> np.ndarray:
        """Depth past the dry limit that is spared, by zone (Z,) [mm, summed over days]."""
        return np.asarray((self.before.dry - self.after.dry).sum(axis=1))


def relaxed_limits(standing: Standing, outcome: Outcome) -> tuple[Relaxed, ...]:
    """Widen the limits that matter most, one at a time.

    Parameters
    ----------
    standing : Standing
    outcome : Outcome
    """
    plan = outcome.plan
    share = reached(plan.inputs.plan, standing.planned.run)
    arrays = packable(plan.inputs.plan, share)
    result = solved(standing.cases.solver(arrays, plan.needs))
    before = _course(outcome, arrays, result)
    cost = _bill(arrays, before)
    found = []
    for family, group in list(_dearest(arrays, result))[: 2 * MOST]:
        wider = widened(arrays, family, group)
        after = _course(outcome, wider, solved(standing.cases.solver(wider, plan.needs)))
        found.append(
            Relaxed(family, what_of(plan.site, arrays, family, group), before, after, _bill(wider, after) - cost)
        )
    site = plan.site
    found.sort(key=lambda r: tuple(-r.less_dry[site.zones.priority == p].sum() for p in np.unique(site.zones.priority)))
    told = [r for r in found if r.less_dry.sum() > 0.5 or r.bill < -0.5]
    return tuple(told[:MOST])


def _course(outcome: Outcome, arrays: PlanInputs, result: PlanResult) -> Course:
    plan = outcome.plan
    inputs = replace(plan.inputs, plan=arrays)
    return course_of(plan.site, inputs, plan.salt, result, minutes_of(arrays, result), with_salt=False)


def _bill(arrays: PlanInputs, course: Course) -> float:
    return float(course.cost.sum()) + over_use(arrays, float(course.volume.sum()))[1]


def _dearest(arrays: PlanInputs, result: PlanResult) -> Iterator[tuple[str, int]]:
    """Limits by what a tenth of them is worth at their price, over all nights: (family, group)."""
    worth: dict[tuple[str, int], float] = defaultdict(float)
    for limit in result.limits:
        if limit.price > 0 and np.isfinite(limit.limit):
            family = limit.family
            group = limit.index[0] if limit.index and family not in ("allocation_limit", "allocation_tier") else 0
            worth[family, group] += TENTH * limit.limit * limit.price
    dearest = max(worth.values(), default=0.0)
    for key in sorted(worth, key=lambda k: (-worth[k], k)):
        if worth[key] > NEGLIGIBLE * dearest:
            yield key


def widened(plan: PlanInputs, family: str, group: int) -> PlanInputs:
    """The plan with one limit a tenth wider on every night."""
    more = 1.0 + TENTH

    def one(values: np.ndarray) -> np.ndarray:
        out = values.astype(float).copy()
        out[group] *= more
        return out

    if family == "pump_limit":
        return replace(plan, pump_capacity=one(plan.pump_capacity))
    if family == "branch_limit":
        return replace(plan, branch_capacity=one(plan.branch_capacity))
    if family == "station_limit":
        return replace(plan, stations_at_once=one(plan.stations_at_once))
    if family == "source_night":
        return replace(plan, source_daily=one(plan.source_daily))
    if family == "source_month":
        return replace(plan, source_monthly=one(plan.source_monthly))
    if family == "allocation_limit":
        return replace(plan, allocation=plan.allocation * more)
    if family == "allocation_tier":
        return replace(plan, tiers=tuple(Tier(t.above * more, t.price) for t in plan.tiers))
    cut = plan.cuts[group]
    wider = replace(cut, volume=cut.volume * more)
    return replace(plan, cuts=(*plan.cuts[:group], wider, *plan.cuts[group + 1 :]))


def what_of(site: Site, plan: PlanInputs, family: str, group: int) -> str:
    """What people call a limit."""
    if family == "pump_limit":
        return f"capacity of pump {site.pumps[group].name}"
    if family == "branch_limit":
        return f"capacity of branch {site.branches[group].name}"
    if family == "station_limit":
        return f"stations at once on controller {site.controllers[group].name}"
    if family == "source_night":
        return f"nightly limit of {site.sources[group].name}"
    if family == "source_month":
        return f"monthly limit of {site.sources[group].name}"
    if family in ("allocation_limit", "allocation_tier"):
        return "season's allocation"
    return f"water of the order ({plan.cuts[group].name})"
