"""Who is served first, on which night, and at what price: small cases by hand, and hard ones by law."""

from dataclasses import replace

import numpy as np
import pytest

from models.choices import PRICES
from models.plan.prices import night_preference, plan_prices
from models.plan.refill import refill
from tests.drawn import some
from tests.models.plan.plans import FLOW, drawn_plan, net_depth, plan, solved, water


def test_water_goes_to_the_first_rank():
    # 4 m3 for a green and a rough that both need 5 to stay out of dryness.
    inputs = plan(2, depletion=20.0, priority=[1, 5], allocation=4.0)
    result, _ = solved(inputs)
    assert water(inputs, result)[:, 0] == pytest.approx([4.0, 0.0], abs=1e-6)


def test_with_enough_for_both_rank_does_not_matter():
    inputs = plan(2, depletion=20.0, priority=[1, 5], allocation=28.0)
    result, _ = solved(inputs)
    assert water(inputs, result)[:, 0] == pytest.approx([14.0, 14.0], abs=1e-6)


def test_the_rank_served_first_leaves_the_rest_once_it_is_not_dry():
    # 8 m3: the green takes the 5 that keep it from dryness; then a dry rough (1 a mm) comes before its target (0.3).
    inputs = plan(2, depletion=20.0, priority=[1, 5], allocation=8.0)
    result, _ = solved(inputs)
    assert water(inputs, result)[:, 0] == pytest.approx([5.0, 3.0], abs=1e-6)


def test_one_mild_night_of_the_first_rank_outweighs_all_nights_of_the_last():
    # The rough stays very dry on all 10 nights and is watered twice as evenly; the green would be dry by 1 mm, once.
    # A pump for one zone, on the first night only.
    etc = np.zeros((2, 10))
    etc[0, 0] = 5.0
    rain = np.zeros((2, 10))
    rain[0, 1] = 30.0
    inputs = plan(
        2,
        10,
        etc=etc,
        effective_rain=rain,
        depletion=[16.0, 38.0],
        net_rate=[0.45, 0.9],
        priority=[1, 2],
        block_length=[[2.0]] + [[0.0]] * 9,
        pump_of_zone=0,
        pump_capacity=[FLOW],
    )
    result, prices = solved(inputs)
    assert result.run_times(inputs)[:, 0].sum(axis=(1, 2)) == pytest.approx([2.0, 0.0], abs=1e-6)
    assert result.dry[0].sum() == pytest.approx(0.1)
    assert prices.ratio > 10 * 1.5 * 2


def test_water_is_worth_the_same_on_a_large_zone_and_a_small_one():
    # Per cubic metre: 10 mm of 100 m2 are as much as 1 mm of 1000 m2.
    prices = plan_prices(plan(2, area=[100.0, 1000.0], flow=[FLOW / 10, FLOW]))
    assert prices.dry[0] * 10 == pytest.approx(prices.dry[1])
    assert prices.wet[0] * 10 == pytest.approx(prices.wet[1])


def test_a_zone_is_refilled_on_the_night_that_needs_it():
    # Unwatered 19, 24, 29: first dry on night 1. 18 mm to the target; 17 take it from 19 to the wet limit that night,
    # and one more is a night away at 1.012 (before, it would only leave less room on night 1).
    inputs = plan(nights=3, depletion=14.0)
    result, _ = solved(inputs)
    assert night_preference(refill(inputs, PRICES.turf)) == pytest.approx(np.array([[1.012, 1.0, 1.012]]))
    assert net_depth(inputs, result) == pytest.approx(np.array([[0.0, 17.0, 1.0]]), abs=1e-6)
    assert result.objective == pytest.approx(0.2 * (17 + 1.012), abs=1e-6)


def test_without_a_need_the_last_night_is_the_zones_own():
    assert night_preference(refill(plan(nights=3, etc=1.0), PRICES.turf))[0] == pytest.approx([1.014, 1.012, 1.0])


def test_a_cheaper_night_outweighs_the_preference():
    # Energy at 0.1 tonight and 0.3 tomorrow: all 9 mm tonight, as far as 2 mm is not passed: 10 - 8 = 2; the last one
    # tomorrow (dearest water 0.5: target 0.75 a mm).
    inputs = plan(nights=2, energy_price=[[0.1], [0.3]], pump_of_zone=0, pump_capacity=[9 * FLOW], pump_energy=[1.0])
    result, _ = solved(inputs)
    assert net_depth(inputs, result)[0] == pytest.approx([8.0, 1.0], abs=1e-6)


def test_without_prices_thrift_is_a_nominal_one():
    # 4 mm as in the first balance case, at 0.05.
    result, prices = solved(plan(source_price=[0.0]))
    assert result.objective == pytest.approx(4 * 0.05)
    assert prices.water == pytest.approx([0.0])


def hard_site(seed, ranks):
    """200 zones of 50 to 20,000 m2 in several ranks under a pump far too small, water free or at 5 per m3."""
    rng = np.random.default_rng(seed)
    area = np.exp(rng.uniform(np.log(50.0), np.log(20000.0), 200))
    flow = area * rng.uniform(10.0, 20.0, 200) / 3600.0
    return drawn_plan(
        rng,
        200,
        7,
        area=area,
        flow=flow,
        net_rate=flow * 60.0 / area * rng.uniform(0.5, 0.95, 200),
        priority=rng.integers(1, ranks + 1, 200),
        source_price=[5.0 * (seed % 2), 5.0 * (seed % 2)],
        effective_rain=0.0,
        etc=rng.uniform(3.0, 8.0, (200, 7)),
        allowed=True,
        block_length=240.0,
        pump_of_zone=0,
        pump_capacity=[0.02 * flow.sum(), 1.0],
        branch_of_zone=-1,
        controller_of_zone=-1,
        source_daily=np.inf,
        source_monthly=np.inf,
        allocation=np.inf,
        tiers=(),
        cuts=(),
    )


@pytest.mark.drawn
@pytest.mark.parametrize(("seed", "ranks"), some([(0, 5), (1, 6), (2, 7), (3, 7)], 2))
def test_no_lower_rank_drinks_while_a_higher_one_goes_dry(seed, ranks):
    # On a night and pump that both share: a zone of a higher rank is dry on the date after, with minutes and room left.
    result, _ = solved(inputs := hard_site(seed, ranks))
    minutes = result.run_times(inputs).sum(axis=(2, 3))
    opening = np.column_stack([inputs.depletion, result.depletion[:, :-1]])
    longest = np.minimum(inputs.max_run[:, None], inputs.block_length.sum(axis=1))
    could = (minutes < longest - 1e-4) & (opening - net_depth(inputs, result) > 1e-3) & (result.dry > 1e-3)
    assert could.any()
    for n in range(inputs.nights):
        first = inputs.priority[could[:, n]].min(initial=99)
        assert minutes[inputs.priority > first, n].sum() == pytest.approx(0.0, abs=1e-4)


def test_the_first_rank_loses_nothing_to_the_others():
    # Its dryness is the same as if the others were not there.
    inputs = hard_site(4, 5)
    shared, _ = solved(inputs)
    alone, _ = solved(replace(inputs, max_run=np.where(inputs.priority == 1, inputs.max_run, 0.0)))
    first = inputs.priority == 1
    volume = inputs.area[first] / 1000.0
    assert volume @ shared.dry[first].sum(axis=1) == pytest.approx(volume @ alone.dry[first].sum(axis=1), rel=1e-6)
