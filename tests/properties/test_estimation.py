"""Laws of the filter: covariance stays whole (symmetric, no negative variance), depletion in 0 to TAW."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from models.estimation import report
from models.filter_ahead import predict
from models.filter_readings import update
from models.filter_state import start_state
from models.kin import EstimationProbes, EstimationZones, prepare
from tests.drawn import examples


@st.composite
def seasons(draw):
    """A few zones of one or two kin, up to five sensors, some days of weather, water and readings, good or absurd."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    zones, sensors, days = draw(st.integers(1, 6)), draw(st.integers(0, 5)), draw(st.integers(1, 8))
    taw, root = rng.uniform(3, 120, zones), rng.uniform(0.05, 0.6, zones)
    table = EstimationZones(
        rng.integers(0, 2, zones), taw, rng.uniform(0.1, 0.4, zones), root, rng.uniform(0.3, 1, zones)
    )
    zone = rng.integers(0, zones, sensors)
    depth = np.where(rng.random(sensors) < 0.3, np.nan, rng.uniform(0, 1, sensors) * root[zone])
    setup = prepare(table, EstimationProbes(zone, depth, rng.integers(0, 2, sensors)))
    water = np.where(
        rng.random((zones, days)) < 0.5, rng.exponential(draw(st.sampled_from([3.0, 30.0])), (zones, days)), 0
    )
    etc, rain = rng.uniform(0, 12, (zones, days)), np.where(rng.random(days) < 0.3, rng.exponential(15, days), 0)
    moisture = rng.uniform(0, 0.5, (sensors, days))
    moisture[rng.random((sensors, days)) < 0.3] = np.nan
    start = start_state(setup, taw * rng.random(zones), taw * rng.uniform(0, 0.5, zones))
    return setup, start, water, etc, np.tile(rain, (zones, 1)), rng.uniform(0.1, 0.8, (zones, days)), moisture


def whole(covariance):
    assert np.all(np.isfinite(covariance))
    np.testing.assert_allclose(covariance, covariance.T, rtol=0, atol=1e-9 * np.abs(covariance).max())
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-18))
    least = np.linalg.eigvalsh(covariance / np.outer(scale, scale)).min()
    assert least > -1e-8 * covariance.shape[0]


@examples(60)
@given(seasons())
def test_covariance_stays_whole_and_depletion_in_bounds(case):
    setup, state, water, etc, rain, p, moisture = case
    for n in range(water.shape[1]):
        state = predict(setup, state, water[:, n], etc[:, n], rain[:, n], p[:, n])
        for block in state.covariance:
            whole(block)
        before = report(setup, state)
        state, surprise = update(setup, state, moisture[:, n])
        for block in state.covariance:
            whole(block)
        estimate = report(setup, state)
        taw = setup.zones.taw
        for name in ("depletion", "low", "high"):
            assert np.all((getattr(estimate, name) >= 0) & (getattr(estimate, name) <= taw))
        assert np.all(estimate.low <= estimate.depletion) and np.all(estimate.depletion <= estimate.high)
        assert not np.any(surprise.used & np.isnan(moisture[:, n]))
        if not np.any(surprise.widened | surprise.reopened):  # a reading used never leaves less known
            assert np.all(estimate.spread <= before.spread + 1e-9)


@examples(30)
@given(seasons(), st.randoms(use_true_random=False))
def test_the_order_of_sensors_changes_nothing(case, shuffle):
    setup, state, water, etc, rain, p, moisture = case
    order = list(range(setup.sensor_count))
    shuffle.shuffle(order)
    probes = setup.probes
    other = prepare(setup.zones, EstimationProbes(probes.zone[order], probes.depth[order], probes.spot[order]))
    zones = setup.zone_count
    start = start_state(setup, state.depletion[:zones], np.full(zones, 2.0))
    shuffled = start_state(other, state.depletion[:zones], np.full(zones, 2.0))
    for n in range(water.shape[1]):
        args = (water[:, n], etc[:, n], rain[:, n], p[:, n])
        start, _ = update(setup, predict(setup, start, *args), moisture[:, n])
        shuffled, _ = update(other, predict(other, shuffled, *args), moisture[order, n])
    np.testing.assert_allclose(report(setup, start).depletion, report(other, shuffled).depletion, rtol=1e-6, atol=1e-6)
