"""Laws of groups of zones under one tight limit: they raise the bound, and never above the best whole choice."""

from __future__ import annotations

from itertools import product

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from models.plan.choose import Node, Ways
from models.plan.flush_needs import FlushNeeds
from models.plan.groups import Bounded, Search
from models.plan.solve import PlanSolver
from tests.drawn import examples
from tests.models.plan.plans import FLOW, laid_out, plan

seeds = st.integers(0, 2**32 - 1)


def drawn(seed: int) -> PlanSolver:
    """Two zones on each of two branches with room for about a flush and a half, all under one pump."""
    rng = np.random.default_rng(seed)
    minutes = rng.uniform(40.0, 110.0, 2)  # of one zone in a night
    inputs = plan(
        4,
        2,
        depletion=rng.uniform(0.0, 25.0, 4),
        etc=rng.uniform(2.0, 8.0, (4, 2)),
        priority=rng.integers(1, 3, 4),
        branch_of_zone=[0, 0, 1, 1],
        branch_capacity=FLOW * minutes / 480.0,
        pump_of_zone=0,
        pump_capacity=[FLOW * minutes.sum() / 480.0 * rng.uniform(0.5, 1.1)],
    )
    harm = np.sort(rng.uniform(0.0, 8.0, (4, 2)), axis=1)
    depth = rng.uniform(15.0, 60.0, (4, 1))
    return laid_out(inputs, FlushNeeds(np.arange(4), depth, rng.random((4, 2)) < 0.9, harm, harm[:, 1]))


def searched(solver: PlanSolver) -> tuple[Search, Bounded]:
    """The search of a plan to the last digit, and its relaxation with what the groups say of it."""
    choice = solver.flush_choice()
    ways = Ways.of(solver.copies)
    lower, upper = np.zeros(ways.zone.size), np.ones(ways.zone.size)
    root = Node(lower, upper, *choice.solve(lower, upper))
    search = Search(ways, choice.groups(ways), choice.solve, 0.0)
    return search, search.bounded(root)


def every_choice(search: Search) -> dict[tuple[int, ...], float]:
    """Cost of every combination of ways, each a plan by itself."""
    ways = search.ways
    own = [np.flatnonzero(ways.zone == z).tolist() for z in range(ways.zones)]
    return {chosen: search.solve(*ways.fixed(np.array(chosen)))[0] for chosen in product(*own)}


@given(seeds)
@example(1139)  # a group that has no whole flushes left within what was settled
@example(1153)  # and names a way that was closed
@examples(25, least=2)
def test_no_group_cuts_off_the_best_choice(seed):
    search, root = searched(drawn(seed))
    halves = search.halves(root) if (root.node.weight[search.ways.heaviest(root.node.weight)] < 1 - 1e-6).any() else []
    found, bound = search.run(root, lambda: True)
    costs = every_choice(search)
    best = min(costs.values())
    touch = 1e-6 * max(abs(best), 1e-3)
    assert root.node.cost - touch <= root.bound <= best + touch
    assert abs(found.cost - best) <= touch
    assert abs(bound - best) <= touch
    for half in halves:  # each bounds the best of what it still allows
        inside = [cost for chosen, cost in costs.items() if half.node.upper[list(chosen)].all()]
        assert half.bound <= min(inside) + touch


def test_the_groups_do_raise_the_bound():
    raised = []
    for seed in range(20):
        search, root = searched(drawn(seed))
        raised.append(bool(search.groups) and root.bound > root.node.cost * (1.0 + 1e-3))
    assert sum(raised) >= 5
