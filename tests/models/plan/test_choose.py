"""A dive on plans whose cost is written down here, without a solver."""

from dataclasses import replace

import numpy as np

from models.plan.choose import SURE, Node, Ways, dive, early_ways, exact
from models.plan.copies import Copies


def half_sure(zones, cost_of):
    """Zones of two ways each that lean to neither until they are fixed, and how often they were asked."""
    ways = Ways(np.repeat(np.arange(zones), 2), 2 * np.arange(zones), zones)
    asked = []

    def solve(lower, upper):
        asked.append(upper)
        weight = np.where(upper > 0, np.where(lower > 0, 1.0, 0.5), 0.0)
        return cost_of(weight), weight

    cost, weight = solve(np.zeros(2 * zones), np.ones(2 * zones))
    return ways, Node(np.zeros(2 * zones), np.ones(2 * zones), cost, weight), solve, asked


def test_where_settling_costs_nothing_more_a_dive_doubles_what_it_settles_at_once():
    # 16 zones: 4, then 8, then the last 4, and once more with all of them fixed.
    ways, root, solve, asked = half_sure(16, lambda weight: 0.0)
    found = dive(ways, root, 0.0, solve)
    assert (found.weight > SURE).sum() == 16
    assert len(asked) == 1 + 3 + 1


def test_a_way_that_makes_the_plan_dearer_is_left():
    # Of zone 2 the first way costs 5 more, and no other does.
    ways, root, solve, _ = half_sure(4, lambda weight: 10.0 + 5.0 * (weight[4] > SURE))
    found = dive(ways, root, 0.01, solve)
    assert found.cost == 10.0
    assert found.weight[5] == 1.0


def test_a_zone_is_split_into_its_early_nights_and_the_rest_with_no_flush():
    # Ways of zone 1: none, then nights 1 to 3. Half of its weight is on nights 1 and 2, the other half on none.
    ways = Ways(np.array([0, 0, 1, 1, 1, 1]), np.array([0, 2]), 2)
    early = early_ways(ways, np.array([0.5, 0.5, 0.5, 0.25, 0.25, 0.0]), 1)
    assert np.flatnonzero(early).tolist() == [3, 4]


def ways_of_two():
    """Two zones of four ways each: none, flushes on nights 0 and 1, and one of both nights; by two supplies."""
    flush = np.array([[0, 0], [1, 0], [0, 1], [1, 1]] * 2, dtype=bool)
    none = np.zeros((8, 2))
    copies = Copies(
        zone=np.repeat([2, 5], 4), open=np.ones(8, bool), flush=flush, depth=np.zeros(8), each=none,
        supply=np.array([-1, 0, 0, 0, -1, 1, 1, 1]), harm=np.zeros(8), softness=np.zeros(8),
        dry_limit=none, weather=np.full(8, -1),
    )  # fmt: skip
    return copies, Ways.of(copies)


def test_ways_by_zone_the_heaviest_and_what_is_fixed():
    _, ways = ways_of_two()
    assert (ways.zone.tolist(), ways.first.tolist(), ways.zones) == ([0] * 4 + [1] * 4, [0, 4], 2)
    weight = np.array([0.1, 0.2, 0.6, 0.1, 0.4, 0.0, 0.2, 0.4])
    assert ways.heaviest(weight).tolist() == [2, 4]  # the first of equals
    lower, upper = ways.fixed(np.array([2, 4]))
    assert lower.tolist() == upper.tolist() == [0, 0, 1, 0, 1, 0, 0, 0]
    root = Node(np.zeros(8), np.ones(8), 1.0, weight)
    settled = root.settle(ways, np.array([1]), np.array([7]), lambda low, high: (low.sum(), high))
    assert settled.lower.tolist() == [0] * 7 + [1] and settled.upper.tolist() == [1] * 4 + [0, 0, 0, 1]
    barred = root.forbid(np.array([2, 3]), lambda low, high: (high.sum(), high))
    assert barred.upper.tolist() == [1, 1, 0, 0, 1, 1, 1, 1] and barred.cost == 6.0 and root.upper.all()


def test_a_night_that_passes_nothing_is_left_out_of_a_flush():
    copies, ways = ways_of_two()
    drained = np.zeros((8, 2))
    drained[3], drained[7] = [0.0, 5.0], [5.0, 1e-9]
    assert ways.without_idle_nights(copies, np.array([3, 7]), drained).tolist() == [2, 5]
    drained[3] = [2.0, 3.0]
    assert ways.without_idle_nights(copies, np.array([3, 7]), drained).tolist() == [3, 5]
    drained[7] = 0.0
    assert ways.without_idle_nights(copies, np.array([0, 7]), drained).tolist() == [0, 7]
    drained[:] = 0.0
    drained[7] = [0.0, 5.0]  # of its own zone, where both are served alike
    alike = replace(copies, supply=copies.supply.clip(-1, 0))
    assert ways.without_idle_nights(alike, np.array([0, 7]), drained).tolist() == [0, 6]
    two = replace(copies, supply=np.array([-1, 0, 0, 0, -1, 0, 1, 1]))  # the night alone only by another supply
    drained[7] = [5.0, 0.0]
    assert ways.without_idle_nights(two, np.array([3, 7]), drained).tolist() == [3, 7]


def test_early_ways_hold_about_half_of_the_weight_and_never_all():
    _, ways = ways_of_two()
    for weight, early in (
        ([0.2, 0.4, 0.4, 0.0], [1]), ([0.1, 0.1, 0.5, 0.3], [1, 2]), ([0.9, 0.1, 0.0, 0.0], [1]),
        ([0.0, 0.6, 0.0, 0.4], [1]),
    ):  # fmt: skip
        found = early_ways(ways, np.array(weight + [0.0] * 4), 0)
        assert np.flatnonzero(found).tolist() == early
        moved = early_ways(ways, np.array([0.0] * 4 + weight), 1)
        assert np.flatnonzero(moved).tolist() == [w + 4 for w in early]


def test_a_choice_that_does_not_fit_gives_up_its_least_sure_zone_first():
    _, ways = ways_of_two()
    weight = np.array([0.0, 0.9, 0.1, 0.0, 0.0, 0.0, 0.3, 0.7])
    asked = []

    def solve(lower, upper):
        asked.append(np.flatnonzero(lower).tolist())
        return (np.inf if lower[7] else 3.0), lower

    found = exact(ways, Node(np.zeros(8), np.ones(8), 1.0, weight), solve)
    assert asked == [[1, 7], [1, 4]] and found.cost == 3.0


def test_an_idle_night_is_left_out_of_three_too_and_upkeep_that_passes_nothing_stays():
    # ways: none, a night each, nights 0 and 1, 1 and 2; upkeep on all three
    flush = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 0], [0, 1, 1], [1, 1, 1]], dtype=bool)
    none = np.zeros((7, 3))
    copies = Copies(
        zone=np.zeros(7, int), open=np.ones(7, bool), flush=flush, depth=np.zeros(7), each=none,
        supply=np.array([-1, 0, 0, 0, 0, 0, -1]), harm=np.zeros(7), softness=np.zeros(7),
        dry_limit=none, weather=np.full(7, -1),
    )  # fmt: skip
    ways, drained = Ways.of(copies), np.zeros((7, 3))
    drained[5] = [0.0, 0.0, 4.0]
    assert ways.without_idle_nights(copies, np.array([5]), drained).tolist() == [3]
    assert ways.without_idle_nights(copies, np.array([6]), drained).tolist() == [6]
