"""A dive on plans whose cost is written down here, without a solver."""

import numpy as np

from models.plan.choose import SURE, Node, Ways, dive, early_ways


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
