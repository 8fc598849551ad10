"""Each step of the filter by hand: one thing unknown at a time, its variance worked out from what it multiplies."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models import filter_ahead
from models.drainage import HELD, drained, settled
from models.estimation import report, run_filter
from models.filter_ahead import predict
from models.filter_readings import update
from models.filter_state import start_state
from models.kin import (
    LARGEST_BLOCK,
    QUARTER_CV,
    EstimationProbes,
    EstimationZones,
    Spreads,
    layer_gain,
    prepare,
)
from tests.drawn import examples
from tests.models.test_estimation import EXACT, at, day, few

ALIKE = np.ones((3, 3))  # two zones of kin, and the spot of a probe in the first
OWN = np.array([[1.0, 0.0, 1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 1.0]])


def only(**known):
    """Two kin and a stranger, one probe in the first, of which only so much is unknown."""
    return few([0, 0, 1], [0], spreads=Spreads(**EXACT | {"patchy": 0.0} | known), du_lq=1.0)


def grown(setup, depletion=15.0, **weather):
    """Covariance of depletion of the two kin and their spot, after a day that began with none."""
    state = predict_on(setup, start_state(setup, np.full(3, depletion), np.zeros(3)), **weather)
    return state.covariance[0][:3, :3]


def predict_on(setup, state, irrigation=0.0, etc=4.0, rain=0.0, p=0.5):
    return day(setup, state, irrigation, etc, rain, p)


@pytest.mark.parametrize(
    ("name", "size", "weather", "expected"),
    [  # TAW 40 mm; nothing drains and nothing is short of water from 15 mm on
        ("night", 0.05, {"irrigation": 2.0}, 0.1**2 * OWN),
        ("demand_own", 0.04, {}, 0.16**2 * OWN),
        ("demand_kin", 0.06, {}, 0.24**2 * ALIKE),
        ("rain_own", 0.08, {"rain": 3.0}, 0.24**2 * OWN),
        ("rain_kin", 0.12, {"rain": 3.0}, 0.36**2 * ALIKE),
        ("balance", 0.015, {}, 0.6**2 * OWN),  # of TAW
        ("balance", 0.015, {"irrigation": 2.0}, 0.0 * OWN),  # then `wetted` counts in its place
        ("wetted", 0.04, {}, 0.0 * OWN),
        ("wetted", 0.04, {"irrigation": 2.0}, 1.6**2 * OWN),
        ("wetted", 0.04, {"rain": 0.5}, 1.6**2 * OWN),
        ("wetted", 0.04, {"irrigation": 0.5}, 1.6**2 * OWN),
        ("microclimate_kin", 0.18, {}, (0.18 * 4.0) ** 2 * ALIKE),
        ("microclimate_exposure", 0.07, {}, (0.07 * 4.0) ** 2 * ALIKE),  # all of one exposure where none is told
        ("microclimate_own", 0.08, {}, (0.08 * 4.0) ** 2 * OWN),
        ("spot_microclimate", 0.02, {}, (0.02 * 4.0) ** 2 * np.diag([0.0, 0.0, 1.0])),
        ("rate_kin", 0.06, {"irrigation": 2.0}, (0.06 * 2.0) ** 2 * ALIKE),
        ("rate_own", 0.09, {"irrigation": 2.0}, (0.09 * 2.0) ** 2 * OWN),
        ("stress", 0.2, {}, 0.0 * OWN),
    ],
)
def test_what_a_day_adds_is_its_share_of_what_it_multiplies(name, size, weather, expected):
    np.testing.assert_allclose(grown(only(**{name: size}), **weather), expected, atol=1e-7)


def test_where_turf_is_short_of_water_its_et_is_unsure_half_alike():
    # 30 of 40 mm gone, stress from 20 on: all of the date's 4 mm is under stress; a fifth of it, half of its variance
    # the zone's own and half of all kin
    found = grown(only(stress=0.2), depletion=30.0)
    np.testing.assert_allclose(found, 0.5 * 0.8**2 * (OWN + ALIKE), atol=1e-6)


def test_demand_counts_by_as_much_as_turf_takes_of_it():
    # the same at half of its ET: Ks 0.5 of 4 mm; what is known of depletion keeps 1 - 4 / 20 of its error
    np.testing.assert_allclose(grown(only(demand_own=0.04), depletion=30.0), 0.08**2 * OWN, atol=1e-6)
    setup = only()
    state = start_state(setup, np.full(3, 30.0), np.full(3, 1e-3))
    after = predict_on(setup, state).covariance[0][0, 0]
    assert after == pytest.approx((1e-3 * 0.8) ** 2, rel=1e-3)


def test_near_field_capacity_water_may_still_be_on_its_way():
    # `wetted` counts by how near to field capacity it is, up to a tenth of TAW, 4 mm: at 2 mm by half
    found = grown(only(wetted=0.04, balance=0.01), depletion=2.0, etc=3.0)
    np.testing.assert_allclose(found[0, 0], (0.025 * 40.0) ** 2, rtol=1e-6)


def left(level, days, scale=4.0):
    """What the law of drainage leaves of what stands above field capacity, written out [mm]."""
    if level >= 0.0:
        return level
    return min(scale * np.log(np.exp(level / scale) + days / HELD), 0.0)


def slope(level, days, scale=4.0):
    """How much of a millimetre more at first is left of it after."""
    return (left(level + 1e-5, days, scale) - left(level - 1e-5, days, scale)) / 2e-5


def loam(scale=4.0, **known):
    """One zone of 40 mm TAW whose scale of drainage is told, of which only so much is unknown."""
    zones = EstimationZones(*(np.full(1, v) for v in (0, 40.0, 0.25, 0.25, 1.0)), drainage=np.full(1, scale))
    return prepare(zones, EstimationProbes(*(np.zeros(0, int),) * 3), Spreads(**EXACT | known))


def test_what_drains_is_unsure_and_passes_on_by_the_slope_of_drainage():
    # L 4, 12 mm of rain on a full loam: until the next opening it drains by the law; what stands there after carries on
    # by the slope of that, and a thousandth of what drained is unsure of all kin
    setup, early, late = loam(undrained=1e-3), filter_ahead.EARLY, 1.0 - filter_ahead.EARLY
    state = predict(setup, start_state(setup, np.zeros(1), np.zeros(1)), [0.0], [0.0], [12.0], [0.5])
    end = left(-12.0, late)
    assert state.depletion[0] == pytest.approx(end, abs=1e-5)
    assert state.covariance[0][0, 0] == pytest.approx((1e-3 * (12.0 + end) * slope(-12.0, late)) ** 2, rel=1e-3)
    # the night's water drains before the date, and what is left of it after: all of it is unsure
    night = predict(setup, start_state(setup, np.zeros(1), np.zeros(1)), [12.0], [0.0], [0.0], [0.5])
    first = left(-12.0, early)
    twice = left(first, late)
    assert first < end and first < twice < 0.0
    assert night.depletion[0] == pytest.approx(twice, abs=1e-4)
    assert night.covariance[0][0, 0] == pytest.approx((1e-3 * (12.0 + twice) * slope(first, late)) ** 2, rel=1e-3)


@examples(60)
@given(st.floats(-40.0, 80.0), st.floats(0.1, 12.0), st.floats(0.05, 1.0))
def test_what_stops_at_field_capacity_is_never_drier_than_what_goes_on(level, scale, days):
    at, law = np.array([level]), np.array([scale])
    stopped, on = settled(at, law, days), drained(at, law, days)
    assert np.all((at - 1e-12 <= stopped) & (stopped <= on + 1e-12))
    np.testing.assert_allclose(stopped, at if level >= 0.0 else np.minimum(on, 0.0))


def test_kin_of_one_exposure_share_more_of_their_demand():
    zones = EstimationZones(*(np.full(3, v) for v in (0, 40.0, 0.25, 0.25, 1.0)), exposure=np.array([1, 0, 1]))
    known = {"microclimate_kin": 0.1, "microclimate_exposure": 0.2, "microclimate_own": 0.3}
    setup = prepare(zones, EstimationProbes(*(np.zeros(0, int),) * 3), Spreads(**EXACT | known))
    alike = np.array([[1.0, 0.0, 1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 1.0]])
    np.testing.assert_allclose(setup.blocks[0].microclimate, 0.01 + 0.04 * alike + 0.09 * np.eye(3))
    with pytest.raises(ValueError, match="exposure must have shape"):
        EstimationZones(*(np.full(3, v) for v in (0, 40.0, 0.25, 0.25, 1.0)), exposure=np.zeros(2, int))


def test_factors_biases_and_gains_wander_by_their_own_steps():
    known = {"microclimate_own": 0.08, "rate_own": 0.09, "layer_gain": 0.3, "factor_drift": 0.1, "bias_drift": 0.002}
    setup = few([0, 0], [0], depth=0.05, spreads=Spreads(**EXACT | known))
    before = start_state(setup, np.full(2, 15.0), np.zeros(2))
    after = predict_on_two(setup, before).covariance[0] - before.covariance[0]
    n = 3
    np.testing.assert_allclose(np.diag(after)[n : 2 * n], 0.01 * 0.08**2)
    np.testing.assert_allclose(np.diag(after)[2 * n : 3 * n], 0.01 * 0.09**2)
    np.testing.assert_allclose(np.diag(after)[3 * n :], [0.002**2, 0.01 * 0.3**2])


def predict_on_two(setup, state):
    return predict(setup, state, *(np.full(2, v) for v in (0.0, 4.0, 0.0, 0.5)))


def test_the_mean_part_above_nothing_against_drawn_values():
    rng = np.random.default_rng(0)
    for mean, spread in ((1.0, 2.0), (-1.0, 0.5), (0.0, 1.0), (3.0, 1e-9), (-3.0, 1e-9)):
        drawn = mean + spread * rng.normal(size=400_000)
        part, above = filter_ahead._part_above(np.array([mean]), np.array([spread]))
        assert part[0] == pytest.approx(np.maximum(drawn, 0).mean(), abs=6e-3)
        assert above[0] == pytest.approx((drawn > 0).mean(), abs=4e-3)


def test_drainage_of_what_is_not_sure_against_drawn_values():
    # x ~ N(-2, 3^2) of a member with one spot pattern of 1.5 mm, correlated with a factor; L 4: mean, variance and
    # covariance after drainage of the mean of its three places
    zones = EstimationZones(*(np.full(1, v) for v in (0, 40.0, 0.25, 0.25, 1.0)), drainage=np.full(1, 4.0))
    setup = prepare(zones, EstimationProbes(*(np.zeros(0, int),) * 3), Spreads(**EXACT))
    whole = np.zeros((3, 3))
    whole[0, 0], whole[0, 1], whole[1, 0], whole[1, 1] = 9.0, 0.3, 0.3, 0.04
    places, rough, scale = np.array([[3.0, 0.0, -3.0]]), np.array([1.5]), np.array([4.0])
    mean, apart = filter_ahead._drain(setup, [whole], np.array([-2.0]), places, rough, 0.3)
    rng = np.random.default_rng(1)
    factor, rest = rng.normal(size=300_000), rng.normal(size=300_000)
    x = -2.0 + 1.5 * factor + np.sqrt(9.0 - 1.5**2) * rest  # covariance with 0.2 x factor: 0.3
    z = rng.normal(size=x.size)
    of_place = [settled(x + p + 1.5 * z, scale, 0.3).mean() for p in places[0]]
    expected = np.array([0.25, 0.5, 0.25]) @ of_place
    assert mean[0] == pytest.approx(expected, abs=0.02)
    np.testing.assert_allclose(apart[0], np.array(of_place) - expected, atol=0.03)
    later = [settled(x + p + 1.5 * z, scale, 0.3) for p in places[0]]
    mean_of_places = sum(w * d for w, d in zip((0.25, 0.5, 0.25), later, strict=True))
    assert whole[0, 1] == pytest.approx(np.cov(mean_of_places, 0.2 * factor)[0, 1], rel=0.03) == whole[1, 0]
    slope_alone = (whole[0, 1] / 0.3) ** 2 * 9.0
    assert whole[0, 0] > slope_alone  # the bend adds what the straight line leaves out
    assert whole[1, 1] == 0.04


def test_a_start_errs_alike_for_kin_more_for_a_zone_and_most_for_itself():
    setup = few([0, 0, 1], [0], depth=0.05, spreads=Spreads(), du_lq=0.8)
    spread = np.array([2.0, 3.0, 5.0])
    whole = start_state(setup, np.full(3, 10.0), spread).covariance[0]
    s, uneven = Spreads(), 0.9 * 0.2 / QUARTER_CV
    kin = 0.3 * np.outer([2, 3, 2], [2, 3, 2]) + 0.5 * np.outer([2, 3, 2], [2, 3, 2]) * OWN
    np.testing.assert_allclose(whole[:3, :3], kin + 0.2 * np.diag([4.0, 9.0, 4.0]))
    shared = s.microclimate_kin**2 + s.microclimate_exposure**2  # one exposure, as none is given
    m = shared * ALIKE + s.microclimate_own**2 * OWN + s.spot_microclimate**2 * np.diag([0, 0, 1])
    a = s.rate_kin**2 * ALIKE + s.rate_own**2 * OWN + uneven**2 * np.diag([0, 0, 1])
    np.testing.assert_allclose(whole[3:6, 3:6], m)
    np.testing.assert_allclose(whole[6:9, 6:9], a)
    np.testing.assert_allclose(whole[9:, 9:], np.diag([s.bias**2, s.layer_gain**2]))
    assert not whole[:3, 3:].any() and not whole[3:6, 6:].any()


def test_what_is_known_of_factors_and_places_is_begun_with():
    setup = few([0, 0, 1], [1], spreads=Spreads(**EXACT))
    apart = np.arange(9.0).reshape(3, 3)
    state = start_state(setup, [1.0, 2.0, 3.0], np.zeros(3), [1.1, 1.2, 0.9], [0.8, 1.0, 1.3], apart)
    assert state.depletion.tolist() == [1.0, 2.0, 3.0, 2.0]  # the spot stands as its zone does
    np.testing.assert_allclose(np.exp(state.log_microclimate), [1.1, 1.2, 0.9, 1.2])
    np.testing.assert_allclose(np.exp(state.log_rate), [0.8, 1.0, 1.3, 1.0])
    np.testing.assert_allclose(state.places, np.vstack([apart, np.zeros(3)]))
    assert (state.age.tolist(), state.scatter.tolist(), state.refused.tolist()) == ([np.inf], [1.0], [0])
    told = report(setup, state)
    np.testing.assert_allclose(told.microclimate, [1.1, 1.2, 0.9])
    np.testing.assert_allclose(told.rate, [0.8, 1.0, 1.3])


def test_told_factors_act_on_water_and_demand():
    # demand a tenth more than told, water a fifth less: 15 - 0.8 x 5 + 1.1 x 4
    setup = few([0], [], spreads=Spreads(**EXACT), du_lq=1.0)
    state = start_state(setup, [15.0], [0.0], [1.1], [0.8])
    after = predict(setup, state, [5.0], [4.0], [1.0], [0.5])
    assert after.depletion[0] == pytest.approx(15.0 - 4.0 - 1.0 + 4.4, abs=1e-6)
    assert after.age.size == 0


@pytest.mark.parametrize(
    ("known", "expected"),
    [  # one at a time, in mm: TAW 40, L 4, places at 3, 1 and -5 about the mean: root of 0.25 x 9 + 0.5 + 0.25 x 25
        ({"level": 0.1}, 4.0),
        ({"drains_on": 1.2}, 4.8),
        ({"uneven": 0.5}, 0.5 * 3.0),
        ({"unsure": 1.5}, np.sqrt(3.0**2 - 2.0**2)),  # of the filter's own 2 mm
        ({}, 0.0),
    ],
)
def test_what_no_balance_knows_is_in_the_spread_that_is_told(known, expected):
    zones = EstimationZones(*(np.full(1, v) for v in (0, 40.0, 0.25, 0.25, 0.8)), drainage=np.full(1, 4.0))
    setup = prepare(
        zones, EstimationProbes(*(np.zeros(0, int),) * 3), Spreads(**EXACT | {"field_capacity": 0.0} | known)
    )
    state = start_state(setup, [20.0], [2.0], places=np.array([[3.0, 1.0, -5.0]]))
    told = report(setup, state)
    spread = np.hypot(2.0, expected)
    assert told.spread[0] == pytest.approx(spread)
    assert told.low[0] == pytest.approx(20.0 - 1.96 * spread, abs=1e-3)
    assert told.high[0] == pytest.approx(20.0 + 1.96 * spread, abs=1e-3)
    # FC 0.25 over 250 mm: 20 mm are 0.08 m3/m3
    assert told.moisture[0] == pytest.approx(0.17) and told.moisture_spread[0] == pytest.approx(spread / 250.0)


def test_what_is_told_stays_within_the_root_zone_and_factors_have_their_intervals():
    setup = few([0], [], spreads=Spreads(**EXACT | {"microclimate_own": 0.1, "rate_kin": 0.2, "field_capacity": 0.01}))
    state = start_state(setup, [39.0], [5.0], [1.2])
    told = report(setup, state)
    assert told.high[0] == 40.0 and told.low[0] == pytest.approx(39.0 - 9.8, abs=1e-3)
    assert (told.microclimate_low[0], told.microclimate_high[0]) == pytest.approx(
        (1.2 * np.exp(-0.196), 1.2 * np.exp(0.196)), abs=1e-4
    )
    assert (told.rate_low[0], told.rate_high[0]) == pytest.approx((np.exp(-0.392), np.exp(0.392)), abs=1e-4)
    assert told.moisture_spread[0] == pytest.approx(np.hypot(5.0 / 250.0, 0.01))
    wet = report(setup, replace(state, depletion=np.array([-3.0])))
    assert (wet.depletion[0], wet.surplus[0], wet.low[0]) == (0.0, 3.0, 0.0)
    assert wet.moisture[0] == pytest.approx(0.25 + 3.0 / 250.0)


def test_gain_of_a_layer_by_the_pattern_of_roots():
    # FAO-29: 40, 30, 20 and 10 % by quarter, 1.6 to 0.4 of the mean; half of that contrast is left at evening
    depth = np.array([0.0, 0.125, 0.375, 0.5, 0.625, 0.875, 1.5, np.nan]) * 0.4
    gain = layer_gain(depth, np.full(8, 0.4))
    np.testing.assert_allclose(gain, [1.3, 1.3, 1.1, 1.0, 0.9, 0.7, 0.7, 1.0])


def test_sensors_of_one_ground_share_half_of_what_is_unknown_of_level_and_swing():
    zones = EstimationZones(*(np.full(3, v) for v in (0, 40.0, 0.25, 0.25, 0.8)), ground=np.array([4, 4, 7]))
    probes = EstimationProbes(np.arange(3), np.full(3, 0.1), np.ones(3, int), joined=np.array([1.0, 2.0, 1.0]))
    (block,) = prepare(zones, probes, Spreads(bias=0.04, layer_gain=0.2, alike=0.5)).blocks
    np.testing.assert_allclose(block.bias, 0.0016 * np.array([[1.0, 0.5, 0.0], [0.5, 0.75, 0.0], [0.0, 0.0, 1.0]]))
    np.testing.assert_allclose(block.gain, 0.04 * np.array([[1.0, 0.5, 0.0], [0.5, 1.0, 0.0], [0.0, 0.0, 1.0]]))
    assert prepare(replace(zones, ground=None), probes, Spreads(layer_gain=0.2)).blocks[0].gain[0, 1] == 0.0
    with pytest.raises(ValueError, match="ground must have shape"):
        EstimationZones(*(np.full(3, v) for v in (0, 40.0, 0.25, 0.25, 1.0)), ground=np.zeros(2, int))


def test_the_mean_of_two_layers_is_not_the_root_zones_for_sure():
    zones = EstimationZones(*(np.full(2, v) for v in (0, 40.0, 0.25, 0.25, 0.8)))
    probes = EstimationProbes(np.arange(2), np.full(2, np.nan), np.ones(2, int), joined=np.array([1.0, 2.0]))
    (block,) = prepare(zones, probes, Spreads(joined_gain=0.3)).blocks
    np.testing.assert_allclose(block.gain, np.diag([0.0, 0.09]))  # the first is told to be the root zone's


def test_a_profile_that_holds_more_than_told_is_no_water_that_all_probes_see():
    # Sixteen probes in one soil, all 0.08 over field capacity: rather the table is wrong than sixteen sensors alike or
    # 20 mm on their way down in all zones. One probe says as much either way.
    moved = {}
    for count in (1, 16):
        zones = EstimationZones(*(np.full(count, v) for v in (0, 40.0, 0.20, 0.25, 0.8)), ground=np.zeros(count, int))
        probes = EstimationProbes(np.arange(count), np.full(count, 0.1), np.ones(count, int))
        for alike in (0.0, 0.5):
            setup = prepare(zones, probes, Spreads(alike=alike))
            state = start_state(setup, np.full(count, 5.0), np.full(count, 10.0))
            after, surprise = update(setup, state, np.full(count, 0.28))
            assert not surprise.widened.any()
            moved[count, alike] = 5.0 - after.depletion[0]
    assert moved[1, 0.5] == pytest.approx(moved[1, 0.0])
    assert moved[16, 0.5] < 0.6 * moved[16, 0.0] and moved[16, 0.5] < 1.5 * moved[1, 0.5]


def test_layers_of_one_probe_swing_against_each_other_and_others_do_not():
    zones = EstimationZones(*(np.full(2, v) for v in (0, 40.0, 0.25, 0.25, 0.8)))
    probes = EstimationProbes(
        np.array([0, 0, 0, 1, 1]), np.array([0.05, 0.2, np.nan, 0.1, 0.15]), np.array([1, 1, 2, 1, 1])
    )
    setup = prepare(zones, probes, Spreads(layer_gain=0.5))
    (block,) = setup.blocks
    expected = 0.25 * np.eye(5)
    expected[:2, :2] = 0.25 * np.array([[0.6, -0.4], [-0.4, 0.6]])  # 60 % of the roots apart: 1 - 0.8 / 2, -0.8 / 2
    expected[2, 2] = 0.0  # the root zone's mean has no gain of its own
    np.testing.assert_allclose(block.gain, expected)
    assert setup.sensor_member.tolist() == [2, 2, 3, 4, 4] and setup.member_zone.tolist() == [0, 1, 0, 0, 1]
    assert block.at.tolist() == [2, 2, 3, 4, 4]
    for apart, against in ((0.07, False), (0.08, True)):  # 0.28 and 0.32 of the roots
        two = EstimationProbes(np.zeros(2, int), np.array([0.05, 0.05 + apart]), np.ones(2, int))
        assert bool(prepare(zones, two, Spreads(layer_gain=0.5)).blocks[0].gain[0, 1] < 0.0) is against
    np.testing.assert_allclose(setup.patchiness, 40.0 * np.array([0.4 * 0.2 / QUARTER_CV] * 2 + [0.03] * 3))
    np.testing.assert_allclose(setup.catch, [[-0.2, 0.0, 0.2]] * 2 + [[0.0] * 3] * 3)
    np.testing.assert_allclose(setup.drainage, 1e-6 * 40.0)


def test_kin_stay_in_one_block_up_to_its_size():
    for count, blocks in ((LARGEST_BLOCK, 1), (LARGEST_BLOCK + 1, 2)):
        assert len(few([0] * count, [3]).blocks) == blocks
    mixed = few([1, 0, 1, 0], [2])
    assert [b.member.tolist() for b in mixed.blocks] == [[1, 3], [0, 2, 4]]
    dealt = few([0] * (2 * LARGEST_BLOCK), [0, 2, 4, 6])
    assert [b.sensor.size for b in dealt.blocks] == [2, 2]


def test_a_reading_s_noise_evens_out_over_joined_sensors_and_grows_with_their_scatter():
    # D of 2 mm2... of 4 mm2 against 6.25 mm2 of noise, a fourth of it for four sensors, 4 times for a scatter of 4
    zones = EstimationZones(*(np.full(1, v) for v in (0, 40.0, 0.25, 0.25, 1.0)))
    for joined, scatter, noise in (
        (1.0, 1.0, 6.25),
        (4.0, 1.0, 6.25 / 4),
        (1.0, 4.0, 25.0),
        (1.0, 0.2, 6.25),
        (1.0, 99.0, 156.25),
    ):
        probes = EstimationProbes(np.zeros(1, int), np.full(1, np.nan), np.zeros(1, int), np.full(1, joined))
        setup = prepare(zones, probes, Spreads(**EXACT | {"joined_gain": 0.0}))
        state = replace(start_state(setup, [10.0], [2.0]), scatter=np.array([scatter]))
        after, surprise = update(setup, state, at(setup, 11.0))
        assert after.depletion[1] - 10.0 == pytest.approx(4.0 / (4.0 + noise))
        assert surprise.standardised[0] == pytest.approx(-1.0 / np.sqrt(4.0 + noise))
        assert surprise.innovation[0] == pytest.approx(-1.0 / 250.0)
        watched = 0.9 * scatter + 0.1 * np.clip(scatter, 1, 25) / (4.0 + noise)
        assert after.scatter[0] == pytest.approx(watched)


def test_bias_and_gain_take_their_part_of_a_surprise():
    # bias of 0.01 m3/m3 beside noise of 0.01 and D known: half of the surprise; a gain of 0.2 on 10 mm of 250: 0.04 x
    # 0.2 = 0.008, so 0.000064 of 0.000164 of it, told as a log by 1 / 0.04
    setup = few([0], [0], spreads=Spreads(**EXACT | {"bias": 0.01}))
    after, _ = update(setup, start_state(setup, [10.0], [0.0]), at(setup, 10.0) + 0.006)
    assert after.bias[0] == pytest.approx(0.003) and after.depletion[0] == 10.0
    setup = few([0], [0], depth=0.125, spreads=Spreads(**EXACT | {"layer_gain": 0.2}))
    after, _ = update(setup, start_state(setup, [10.0], [0.0]), at(setup, 10.0) - 0.006)
    assert after.log_gain[0] == pytest.approx(0.006 / 0.04 * 0.000064 / 0.000164)
    wetter, _ = update(setup, replace(after, log_gain=np.array([0.1])), np.array([0.25 - 0.04 * np.exp(0.1)]))
    assert wetter.log_gain[0] == pytest.approx(0.1)  # as it is forecast with that gain: no surprise


def test_refused_readings_are_counted_and_a_used_one_ends_the_count():
    setup = few([0] * 4, [0, 1])
    state = start_state(setup, np.full(4, 15.0), np.full(4, 2.0))
    state, _ = update(setup, state, at(setup, 15.0))
    assert state.age.tolist() == [0.0, 0.0]
    state = day(setup, state, irrigation=4.0)
    off = at(setup, 15.0) + np.array([0.3, 0.0])
    refused, surprise = update(setup, state, off)
    assert surprise.used.tolist() == [False, True] and refused.refused.tolist() == [1, 0]
    assert refused.age.tolist() == [1.0, 0.0] and refused.scatter[0] == state.scatter[0]
    again, _ = update(setup, day(setup, refused, irrigation=4.0), at(setup, 15.0))
    assert again.refused.tolist() == [0, 0] and again.age.tolist() == [0.0, 0.0]
    none, _ = update(setup, state, np.full(2, np.nan))
    assert none.refused.tolist() == [0, 0] and none.age.tolist() == [1.0, 1.0]


def test_a_run_tells_each_evening_as_it_was():
    setup = few([0, 0], [0])
    rng = np.random.default_rng(3)
    water, etc, rain, p = (rng.uniform(0, v, (2, 4)) for v in (5.0, 6.0, 3.0, 0.5))
    read = np.array([[0.2, np.nan, 0.22, 0.21]])
    run = run_filter(setup, start := start_state(setup, [10.0, 12.0], [2.0, 2.0]), water, etc, rain, p, read)
    state = start
    for n in range(4):
        state, surprise = update(setup, predict(setup, state, water[:, n], etc[:, n], rain[:, n], p[:, n]), read[:, n])
        told = report(setup, state)
        for name in ("depletion", "surplus", "spread"):
            np.testing.assert_array_equal(getattr(run, name)[:, n], getattr(told, name))
        np.testing.assert_array_equal(run.used[:, n], surprise.used)
        np.testing.assert_array_equal(run.standardised[:, n], surprise.standardised)
    assert run.used[0].tolist() == [True, False, True, True]
    for name, wrong in (("etc", etc[:, :3]), ("effective_rain", rain[:1]), ("p", p.T)):
        arrays = {"irrigation": water, "etc": etc, "effective_rain": rain, "p": p} | {name: wrong}
        with pytest.raises(ValueError, match=name):
            run_filter(setup, start, *arrays.values(), read)
    with pytest.raises(ValueError, match="irrigation"):
        run_filter(setup, start, *(np.zeros((2, 0)),) * 4, np.zeros((1, 0)))


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: _zones(kin=np.zeros((1, 1), int)), r"kin must have shape \(Z,\)"),
        (lambda: _zones(taw=np.ones(3)), "taw must have shape"),
        (lambda: _zones(root_depth=np.array([1.0, 0.0])), "root_depth must be finite and above 0"),
        (lambda: _zones(field_capacity=np.array([1.0, np.nan])), "field_capacity must be finite"),
        (lambda: _zones(du_lq=np.array([0.5, 1.1])), "du_lq must be at most 1"),
        (lambda: _zones(drainage=np.array([1.0, 0.0])), "drainage must be finite and above 0"),
        (lambda: EstimationProbes(np.zeros(2, int), np.zeros(1), np.zeros(2, int)), "one shape"),
        (lambda: EstimationProbes(np.zeros(2, int), np.zeros(2), np.zeros(1, int)), "one shape"),
        (lambda: EstimationProbes(np.zeros((1, 1), int), np.zeros((1, 1)), np.zeros((1, 1), int)), "one shape"),
        (lambda: EstimationProbes(np.zeros(2, int), np.array([0.1, -0.1]), np.zeros(2, int)), "depth"),
        (lambda: EstimationProbes(np.zeros(2, int), np.array([0.1, np.inf]), np.zeros(2, int)), "depth"),
        (lambda: EstimationProbes(np.zeros(2, int), np.zeros(2), np.zeros(2, int), np.array([1.0, 0.5])), "joined"),
        (lambda: EstimationProbes(np.zeros(2, int), np.zeros(2), np.zeros(2, int), np.ones(1)), "joined"),
        (lambda: Spreads(night=-0.1), "night must be finite"),
        (lambda: Spreads(night=np.inf), "night must be finite"),
        (lambda: few([0, 0], [-1]), "zone of a probe"),
        (lambda: start_state(few([0, 0], []), [10.0, 41.0], [1.0, 1.0]), "0 to taw"),
        (lambda: start_state(few([0, 0], []), [10.0, -1.0], [1.0, 1.0]), "0 to taw"),
        (lambda: start_state(few([0, 0], []), [10.0, 1.0], [1.0, -1.0]), "spread"),
        (lambda: start_state(few([0, 0], []), [10.0, 1.0], [1.0, 1.0], rate=[1.0, 0.0]), "rate must be above 0"),
        (lambda: start_state(few([0, 0], []), [10.0], [1.0, 1.0]), "depletion must have shape"),
        (lambda: start_state(few([0, 0], []), [10.0, 1.0], [1.0, 1.0], places=np.full((2, 3), np.nan)), "places"),
        (lambda: predict_on_two_with(etc=[1.0, -1.0]), "etc must not be negative"),
        (lambda: predict_on_two_with(effective_rain=[1.0, -1.0]), "effective_rain must not be negative"),
        (lambda: predict_on_two_with(p=[0.5, 1.0]), "p must lie"),
        (lambda: predict_on_two_with(p=[0.5, -0.1]), "p must lie"),
        (lambda: predict_on_two_with(p=[0.5]), "p must have shape"),
        (lambda: update(few([0], [0, 0]), None, [0.2, -np.inf]), "must be finite, or NaN"),
    ],
)
def test_one_value_that_cannot_be_is_refused(make, words):
    with pytest.raises(ValueError, match=words):
        make()


def test_values_on_the_edge_are_allowed():
    assert _zones(du_lq=np.ones(2), drainage=np.full(2, 0.5)).drainage[0] == 0.5
    assert Spreads(night=0.0).night == 0.0
    setup = few([0, 0], [])
    assert start_state(setup, [0.0, 40.0], [0.0, 0.0]).depletion.tolist() == [0.0, 40.0]
    assert predict_on_two_with(irrigation=[0.0, 0.0], p=[0.0, 0.0]).depletion[0] > 10.0


def _zones(**changes):
    given = {"kin": np.zeros(2, int)} | dict.fromkeys(("taw", "field_capacity", "root_depth", "du_lq"), np.full(2, 0.5))
    return EstimationZones(**given | changes)


def predict_on_two_with(**changes):
    setup = few([0, 0], [])
    given = {"irrigation": [1.0, 1.0], "etc": [1.0, 1.0], "effective_rain": [0.0, 0.0], "p": [0.5, 0.5]} | changes
    return predict(setup, start_state(setup, [10.0, 10.0], [1.0, 1.0]), **given)


def test_a_sensor_heard_afresh_may_be_off_by_twice_its_bias_and_by_what_it_was():
    # refused three times, 0.3 m3/m3 off: the variance of its bias grows by (2 x 0.01)^2 + 0.3^2 before it counts
    setup = few([0], [0], spreads=Spreads(**EXACT | {"bias": 0.01}))
    state = replace(start_state(setup, [10.0], [0.0]), refused=np.array([3]))
    after, surprise = update(setup, state, at(setup, 10.0) - 0.3)
    prior = 0.01**2 + (2 * 0.01) ** 2 + 0.3**2
    assert surprise.reopened[0] and surprise.used[0]
    assert after.bias[0] == pytest.approx(-0.3 * prior / (prior + 0.01**2))
    early, refused = update(setup, replace(state, refused=np.array([2])), at(setup, 10.0) - 0.3)
    assert not refused.used[0] and early.refused[0] == 3
    # of two in one block the one that was refused, and it alone
    pair = few([0, 0], [0, 1], spreads=Spreads(**EXACT | {"bias": 0.01}))
    for k in (0, 1):
        state = start_state(pair, [10.0, 10.0], [0.0, 0.0])
        state = replace(state, refused=np.where(np.arange(2) == k, 3, 0))
        after, surprise = update(pair, state, at(pair, 10.0) - 0.3 * (np.arange(2) == k))
        assert surprise.reopened.tolist() == [k == 0, k == 1]
        assert after.bias[k] == pytest.approx(-0.3 * prior / (prior + 0.01**2))
        assert after.bias[1 - k] == pytest.approx(0.0, abs=1e-12)


def test_where_most_are_off_alike_the_balance_may_be_off_by_as_much():
    # three of three kin 3 standard deviations too wet: what kin share grows by the median of it squared, 0.8 of it
    # between zones and all of it within one
    setup = few([0, 0, 0], [0, 1, 2], spreads=Spreads(**EXACT))
    state = start_state(setup, np.full(3, 20.0), np.full(3, 0.0))
    off = np.array([8.0, 9.0, 10.0])
    after, surprise = update(setup, state, at(setup, 20.0) + off / 250.0)
    assert surprise.widened.all()
    shared = 81.0 * (0.8 + 0.2 * np.eye(3))
    gain = shared @ np.linalg.inv(shared + 6.25 * np.eye(3))
    np.testing.assert_allclose(after.depletion[:3], 20.0 - gain @ off, rtol=1e-6)
    drier, surprise = update(setup, state, at(setup, 20.0) - off / 250.0)
    assert surprise.widened.all()
    np.testing.assert_allclose(drier.depletion[:3], 20.0 + gain @ off, rtol=1e-6)
    _, two = update(setup, state, np.append(at(setup, 20.0)[:2] + 9.0 / 250.0, np.nan))
    assert not two.widened.any()  # two sensors are not most


@pytest.mark.parametrize(("above", "passing"), [(0.01, 0.01), (0.03, 0.03), (0.05, 0.03), (-0.01, 0.0)])
def test_water_still_passing_is_as_unsure_as_it_is_much_up_to_three_hundredths(above, passing):
    setup = few([0], [0], spreads=Spreads(**EXACT | {"bias": 0.05}))
    state = start_state(setup, [0.0], [0.0])
    after, _ = update(setup, state, np.array([0.25 + above]))
    noise = 0.01**2 + passing**2
    assert after.bias[0] == pytest.approx(above * 0.05**2 / (0.05**2 + noise))
