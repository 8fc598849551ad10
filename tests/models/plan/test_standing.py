"""A price on change against what stands in a controller: worked out by hand, and its laws on drawn sites."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.plan.cases import Cases
from models.plan.inputs import Members
from models.plan.prices import plan_prices
from models.plan.spread import Spread
from tests.drawn import examples
from tests.models.plan.plans import drawn_needs, drawn_plan, laid_out, net_depth, plan, solved
from tests.models.plan.test_pens import same


def two_nights(**given):
    """One zone at 18 mm, 5 mm a date, dry beyond 20 and soft below 8: led to 10 mm tonight. Target 14 mm: 14 in all."""
    return plan(1, 2, **({"depletion": 18.0, "wet_limit": 8.0} | given))


def tonight(price=0.05, **given):
    """Net depth tonight, with what stands at a price."""
    standing = given.pop("standing", None)
    inputs = two_nights(standing=None if standing is None else np.array([standing]), price_of_change=price, **given)
    return net_depth(inputs, solved(inputs)[0])[0, 0]


def test_what_stands_runs_where_the_plan_hardly_minds():
    # All 14 mm are worth having (0.3 a mm against 0.2), tonight or tomorrow: what does not run tonight costs at most
    # 1.2 % more tomorrow, and a millimetre of change 5 %.
    assert tonight() == pytest.approx(10.0, abs=1e-6)
    assert tonight(standing=8.0) == pytest.approx(8.0, abs=1e-6)
    assert tonight(standing=5.0) == pytest.approx(5.0, abs=1e-6)


def test_what_is_much_less_than_a_zone_would_take_is_not_kept_to():
    assert tonight(standing=4.9) == pytest.approx(10.0, abs=1e-6)


def test_dryness_and_softness_are_worth_a_change():
    # With 11 mm of ET on the first date 9 keep the zone from being dry; and 12 would leave it soft by 2.
    assert tonight(standing=8.0, etc=np.array([[11.0, 5.0]])) == pytest.approx(9.0, abs=1e-6)
    assert tonight(standing=12.0) == pytest.approx(10.0, abs=1e-6)


def test_the_price_is_that_of_water_tonight_and_nothing_for_a_zone_that_would_rest():
    # 1 mm is 1 m3 at 0.2. At 4 mm, 4 short of the firmness limit, the zone rests tonight by itself.
    inputs = two_nights(standing=np.array([8.0]), price_of_change=0.25)
    assert plan_prices(inputs).change.tolist() == [pytest.approx(0.05)]
    assert plan_prices(replace(inputs, depletion=np.array([4.0]))).change.tolist() == [0.0]
    assert tonight(standing=8.0, depletion=4.0) == pytest.approx(tonight(depletion=4.0), abs=1e-6)


def test_nothing_stands_where_a_zone_rested():
    inputs = two_nights(standing=np.zeros(1), price_of_change=1.0)
    assert solved(inputs)[0].objective == pytest.approx(solved(two_nights())[0].objective, rel=1e-12)


@pytest.mark.parametrize(
    ("given", "match"),
    [
        ({"standing": np.zeros(2)}, "standing: shape"),
        ({"standing": np.array([-1.0])}, "standing: 0 or above"),
        ({"standing": np.array([np.nan])}, "standing: 0 or above"),
        ({"price_of_change": -0.1}, "price_of_change"),
        ({"price_of_change": 5.0}, "price_of_change"),  # as dear as dryness of the last rank
    ],
)
def test_what_cannot_stand_is_refused(given, match):
    with pytest.raises(ValueError, match=match):
        two_nights(**given)


def drawn(seed, price=0.0):
    rng = np.random.default_rng(seed)
    inputs = drawn_plan(rng, int(rng.integers(2, 7)), int(rng.integers(2, 5)))
    standing = rng.integers(0, 40, inputs.zones) * (rng.random(inputs.zones) < 0.8) * 1.0
    return replace(inputs, standing=standing, price_of_change=price), rng


@given(st.integers(0, 100_000))
@examples(20)
def test_at_a_price_of_nothing_it_is_the_plan_without(seed):
    inputs, _ = drawn(seed)
    one, other = (laid_out(i).solve() for i in (inputs, replace(inputs, standing=None)))
    assert np.array_equal(one.run_time, other.run_time) and one.objective == other.objective


def weighed_change(inputs, result):
    """Sum of the changes tonight, each at its weight in the program [water of 1 mm]."""
    worth = plan_prices(replace(inputs, price_of_change=1.0)).change * (inputs.standing > 0)
    depth = result.tonight(inputs) * inputs.net_rate
    return float(worth @ np.abs(depth - inputs.standing * inputs.net_rate))


@given(st.integers(0, 100_000))
@examples(25)
def test_a_larger_price_never_changes_more_nor_makes_the_rest_cheaper(seed):
    # For prices p < q the optima x and y obey C(x) + p G(x) <= C(y) + p G(y) and C(y) + q G(y) <= C(x) + q G(x), so
    # G(y) <= G(x), and C(y) >= C(x).
    change, cost = [], []
    for price in (0.0, 0.02, 0.2, 2.0):
        inputs, _ = drawn(seed, price)
        result = laid_out(inputs).solve()
        change.append(weighed_change(inputs, result))
        cost.append(result.objective - price * change[-1])
    scale = 1e-6 * max(abs(cost[0]), 1.0)
    assert all(b <= a + scale / 0.02 for a, b in zip(change, change[1:], strict=False)), change
    assert all(b >= a - scale for a, b in zip(cost, cost[1:], strict=False)), cost


@given(st.integers(0, 100_000), st.sampled_from([0.02, 0.2, 2.0]))
@examples(20)
def test_no_limit_is_broken_for_what_stands(seed, price):
    inputs, _ = drawn(seed, price)
    result = laid_out(inputs).solve()
    assert all(x.used <= x.limit * (1 + 1e-7) + 1e-6 for x in result.limits if x.family != "allocation_tier")
    minutes = result.run_times(inputs)
    assert (minutes.sum(axis=(2, 3)) <= inputs.max_run[:, None] + 1e-6).all()
    assert (minutes.sum(axis=3) <= inputs.block_length + 1e-6).all() and not minutes[~inputs.allowed].any()


@pytest.mark.parametrize("seed", range(3))
def test_written_and_laid_out_it_is_one_program(seed):
    inputs, rng = drawn(seed, 0.05)
    same(Spread.of(inputs, None))
    same(Spread.of(inputs, drawn_needs(rng, inputs, 2)))
    z, n = inputs.etc.shape
    members = Members(np.full(2, 0.3), rng.uniform(0, 9, (2, z, n)), np.zeros((2, z, n)))
    same(Spread.of(replace(inputs, members=members), None))


@pytest.mark.parametrize("seed", range(4))
def test_a_case_of_a_steady_plan_equals_a_new_build(seed):
    inputs, rng = drawn(seed, 0.05)
    cases = Cases(inputs)
    for wanted in (
        replace(inputs, allocation=0.5 * min(inputs.allocation, 100.0)),
        replace(inputs, standing=inputs.standing[::-1].copy()),
        replace(inputs, price_of_change=0.5),
        replace(inputs, standing=None, price_of_change=0.0),
    ):
        assert cases.solver(wanted).solve().objective == pytest.approx(solved(wanted)[0].objective, rel=1e-7)
    assert cases.solver(inputs).solve().objective == pytest.approx(cases.standing.objective, rel=1e-9)
