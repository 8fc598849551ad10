"""Groups of zones under one tight limit: which limits make them, and what they add to the bound, worked out by hand.

The plans are those of `test_flush.py`: a minute is a millimetre and a cubic metre, water costs 0.2.
"""

from __future__ import annotations

import numpy as np
import pytest

from models.plan import flush_choice as solving
from models.plan import groups
from models.plan.choose import Node, Ways
from models.plan.flush_needs import FlushNeeds
from models.plan.groups import Bounded, Search, tied
from models.plan.inputs import PlanInputs
from tests.models.plan.plans import FLOW, laid_out, plan

SIXTY_MINUTES = 0.125 * FLOW  # of the night's 480


def two_branches(pump: float = 10.0) -> tuple[PlanInputs, FlushNeeds]:
    """Two branches of two zones, each zone with a flush of 30 mm to decide tonight; a branch has 60 min for a zone."""
    inputs = plan(
        4,
        1,
        branch_of_zone=[0, 0, 1, 1],
        branch_capacity=[SIXTY_MINUTES] * 2,
        pump_of_zone=0,
        pump_capacity=[pump * FLOW],
    )
    needs = FlushNeeds(
        np.arange(4), np.full((4, 1), 30.0), np.ones((4, 1), dtype=bool), np.full((4, 1), 5.0), np.zeros(4)
    )
    return inputs, needs


def searched(inputs: PlanInputs, needs: FlushNeeds, widest: float = 0.0) -> tuple[Search, Bounded]:
    """The search of a plan, and its relaxation with what the groups say of it."""
    solver = laid_out(inputs, needs)
    ways = Ways.of(solver.copies)
    choice = solver.flush_choice()
    lower, upper = np.zeros(ways.zone.size), np.ones(ways.zone.size)
    root = Node(lower, upper, *choice.solve(lower, upper))
    search = Search(ways, choice.groups(ways), choice.solve, widest)
    return search, search.bounded(root)


def test_each_branch_that_has_room_for_one_flush_and_a_half_raises_the_bound():
    # A flush takes 10 min to fill and 30 to pass, at 0.2, and is soft by 2 mm at 1 / 2: 9. Without one 5 mm of ET are
    # lost, at 4 mm each, and 4 mm miss from the last night: 20.8 watered, 21.2 where there is no water. The relaxation
    # takes 60 / 40 flushes on each branch: 1.5 * 9 + 0.5 * 21.2 = 24.1. Whole: one flush and 4 min for the other, 29.8.
    search, root = searched(*two_branches())
    assert [group.zones.tolist() for group in search.groups] == [[0, 1], [2, 3]]
    assert root.node.cost == pytest.approx(2 * 24.1)
    assert root.rise == pytest.approx([5.7, 5.7])
    assert root.bound == pytest.approx(2 * 29.8)
    best, bound = search.run(root, lambda: False)  # the first dive finds it
    assert (best.cost, bound) == (pytest.approx(2 * 29.8), pytest.approx(2 * 29.8))


def test_a_pump_over_both_is_priced_and_the_search_goes_on_behind_it(monkeypatch):
    # The pump has 64 min for both branches: one flush (40) and 4 min for each of the other three (12), 9 + 3 * 20.8.
    # At the pump's price a branch is as well off without a flush, so the groups cannot tell; the search must.
    monkeypatch.setattr(solving, "WIDEST_GAP", 0.0)
    inputs, needs = two_branches(pump=64.0 / 480.0)
    search, root = searched(inputs, needs)
    assert root.bound <= 9.0 + 3 * 20.8 + 1e-6
    best, bound = search.run(root, lambda: True)
    assert (best.cost, bound) == (pytest.approx(71.4), pytest.approx(71.4))
    result = laid_out(inputs, needs).solve()
    assert (result.objective, len(result.flushes)) == (pytest.approx(71.4), 1)
    assert result.gap <= 1e-9


def test_what_is_not_searched_leaves_the_bound_where_it_was():
    inputs, needs = two_branches(pump=64.0 / 480.0)
    search, root = searched(inputs, needs)
    best, bound = search.run(root, lambda: False)
    assert bound == pytest.approx(min(root.bound, best.cost))
    assert best.cost >= 71.4 - 1e-6


def test_the_dearest_limits_make_the_groups_as_long_as_they_stay_small(monkeypatch):
    pump, left, right = np.arange(6), np.array([0, 1, 2]), np.array([3, 4, 5])
    across, within = np.array([2, 3]), np.array([0, 1])
    undecided = np.array([0, 1, 3, 4])
    # the pump ties four zones with a flush; `left` and `right` two each; `across` would join them
    prices = np.array([9.0, 3.0, 2.0, 1.0, 0.0])
    assert tied([pump, left, right, across, within], prices, undecided, 6) == [False, True, True, False, True]
    # without a price a limit ties nothing together
    assert tied([left, right], np.array([0.0, 1.0]), undecided, 6) == [False, True]
    # but one flush with zones that have none
    assert tied([np.array([0, 2])], np.array([0.0]), undecided, 6) == [True]
    monkeypatch.setattr(groups, "MOST_TOGETHER", 1)
    assert tied([left, right], np.array([3.0, 1.0]), undecided, 6) == [False, False]


def test_a_pump_alone_is_no_group():
    inputs, needs = two_branches(pump=64.0 / 480.0)
    alone = plan(4, 1, pump_of_zone=0, pump_capacity=inputs.pump_capacity)
    search, root = searched(alone, needs)
    assert search.groups == []
    assert root.bound == root.node.cost
    assert laid_out(alone, needs).solve().objective == pytest.approx(71.4)
