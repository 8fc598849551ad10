"""What drains below field capacity, which no run gives back: told apart from what turf took, mass kept."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.drainage import drained, settled
from models.estimation import report, run_filter
from models.filter_ahead import EARLY, LOOSER, predict
from models.filter_readings import update
from models.filter_state import start_state
from models.kin import EstimationProbes, EstimationZones, Spreads, prepare
from tests.drawn import examples
from tests.models.test_estimation import EXACT

LOAM, GRAVEL = 4.5, 0.03  # [mm] L of 25 cm of loam, and of sand over gravel


def ground(scale, du_lq=1.0, probed=False):
    """A zone of 40 mm TAW whose law of drainage is known, nothing unsure; one sensor, if asked for."""
    one = np.ones(1)
    zones = EstimationZones(np.zeros(1, int), 40.0 * one, 0.25 * one, 0.25 * one, du_lq * one, scale * one)
    sensors = np.zeros(int(probed), dtype=int)
    probes = EstimationProbes(sensors, np.full(sensors.size, np.nan), sensors)
    return prepare(zones, probes, Spreads(**EXACT))


def follow(setup, water, etc, rain, start=0.0):
    """Run without readings over nights (N,)."""
    water, etc, rain = (np.asarray(a, dtype=float)[None, :] for a in (water, etc, rain))
    state = start_state(setup, np.array([start]), np.zeros(1))
    silent = np.full((setup.sensor_count, water.shape[1]), np.nan)
    return run_filter(setup, state, water, etc, rain, np.full(water.shape, 0.5), silent)


def test_ground_that_nobody_drinks_from_loses_what_the_law_says_and_turf_misses_nothing():
    run = follow(ground(LOAM), np.zeros(20), np.zeros(20), np.zeros(20))
    np.testing.assert_allclose(run.depletion, 0.0, atol=1e-6)
    # from field capacity on L ln(1 + t / 2 d), the drier the slower
    np.testing.assert_allclose(run.drained_on[0], LOOSER * LOAM * np.log(1 + np.arange(1, 21) / 2.0), rtol=1e-6)
    assert np.all(np.diff(run.drained_on[0]) > 0) and np.all(np.diff(run.drained_on[0], 2) < 0)


def test_sand_over_gravel_holds_what_it_holds():
    run = follow(ground(GRAVEL), np.zeros(20), np.full(20, 1.0), np.zeros(20))
    assert run.drained_on[0, -1] < 0.2
    np.testing.assert_allclose(run.depletion[0] + run.drained_on[0], np.arange(1.0, 21.0), atol=0.2)


def test_a_filling_gives_back_what_had_drained_last_of_all():
    dry = np.zeros(12)
    before = follow(ground(LOAM), dry, dry + 2.0, dry)
    missing, gone = before.depletion[0, -1], before.drained_on[0, -1]
    assert gone > 2.0
    for water in (missing - 1.0, missing + 0.5 * gone, missing + gone + 1.0):
        wetted = follow(ground(LOAM), np.append(dry, water), np.append(dry + 2.0, 0.0), np.append(dry, 0.0))
        left = np.array([missing + gone - water])  # what the water leaves missing, and then a day of the law
        later = drained(drained(left, LOOSER * LOAM, EARLY), LOOSER * LOAM, 1.0 - EARLY)
        expected = np.clip(left, 0.0, gone) + np.maximum(later, 0.0) - np.maximum(left, 0.0)
        np.testing.assert_allclose(wetted.drained_on[:, -1], expected, atol=0.01)


def test_a_reading_of_a_full_root_zone_leaves_nothing_that_drained_on():
    setup = ground(LOAM, probed=True)
    state = start_state(setup, np.full(1, 6.0), np.full(1, 12.0))
    for _ in range(4):
        state = predict(setup, state, np.zeros(1), np.zeros(1), np.zeros(1), np.full(1, 0.5))
    assert report(setup, state).drained_on[0] > 0.5
    for _ in range(30):
        state, _ = update(setup, state, np.full(1, 0.27))
    estimate = report(setup, state)
    assert estimate.depletion[0] == 0.0 == estimate.drained_on[0] and estimate.surplus[0] > 0.5


amount = st.lists(st.floats(0.0, 30.0) | st.just(0.0), min_size=6, max_size=6)


@examples(60)
@given(amount, amount, st.lists(st.floats(0.0, 9.0), min_size=6, max_size=6), st.floats(0.5, 1.0), st.floats(0.1, 9.0))
def test_mass_is_kept_whatever_comes(water, rain, etc, du_lq, scale):
    run = follow(ground(scale, du_lq), water, etc, rain, 5.0)
    missing = (run.depletion + run.drained_on - run.surplus)[0]
    rise = np.diff(np.concatenate(([5.0], missing)))
    assert np.all(rise >= -np.add(water, rain) - 1e-6)  # no water from nowhere
    assert np.all((run.drained_on >= 0.0) & (run.depletion >= 0.0) & (run.surplus >= 0.0))
    took = np.minimum(etc, 40.0)
    drains = rise + np.add(water, rain)
    # beyond what turf took, no more leaves than a whole day of the law takes from the wettest place, flooded first
    wettest = np.concatenate(([-40.0], missing[:-1]))[:6] - 2.0 * np.add(water, rain) - 40.0
    at_most = drained(wettest, LOOSER * scale, 1.0) - wettest
    assert np.all(drains <= took + at_most + 1e-6)


@examples(60)
@given(st.floats(-40.0, 80.0), st.floats(0.1, 12.0), st.floats(0.05, 1.0))
def test_what_stops_at_field_capacity_is_never_drier_than_what_goes_on(level, scale, days):
    at, ground = np.array([level]), np.array([scale])
    stopped, on = settled(at, ground, days), drained(at, ground, days)
    assert np.all((at - 1e-12 <= stopped) & (stopped <= on + 1e-12))
    np.testing.assert_allclose(stopped, at if level >= 0.0 else np.minimum(on, 0.0))


def test_kin_of_one_exposure_share_more_of_their_demand():
    four, taw = np.ones(4), np.full(4, 40.0)
    zones = EstimationZones(
        np.zeros(4, int), taw, 0.25 * four, 0.25 * four, four, exposure=np.array([0, 0, 1, 1])
    )  # the first is read
    setup = prepare(zones, EstimationProbes(np.zeros(1, int), np.full(1, np.nan), np.zeros(1, int)))
    state = start_state(setup, np.full(4, 1.0), np.full(4, 1.0))
    for n in range(30):  # it uses a quarter more than is told, filled every sixth night
        since = n % 6
        state = predict(setup, state, *(np.full(4, v) for v in (35.0 if since == 0 else 0.0, 4.0, 0.0, 0.8)))
        state, _ = update(setup, state, np.full(1, 0.25 - 5.0 * (since + 1) / 250.0))
    own, alike, other, too = report(setup, state).microclimate
    assert own > alike > other > 1.01 and other == pytest.approx(too)
