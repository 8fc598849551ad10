"""Learning against records made by hand, against a simulated course, and where it must refuse."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models import soil
from models.estimation import run_filter, start_state
from models.kin import EstimationProbes, EstimationZones, Spreads, prepare
from models.learning import (
    Record,
    learn_application_rate,
    learn_field_capacity,
    learn_microclimate,
    spot_changes,
    uniformity_hints,
)
from tests.simulated import simulate_course

HELD_OUT = tuple(range(101, 109))  # seeds the spreads were not set on
NIGHTS, ETC, DOSE = 40, 4.0, 11.0


def hand_made(kin, probe_zones, microclimate=1.0, rate=1.0, catch=None, noise=0.0, du=0.8, seed=0):
    """Zones of 80 mm TAW in 0.5 m, 11 mm every third night, never draining nor dry; sensors read the root-zone mean."""
    count, sensors = len(kin), len(probe_zones)
    zones = EstimationZones(
        np.array(kin), np.full(count, 80.0), np.full(count, 0.26), np.full(count, 0.5), np.full(count, du)
    )
    probes = EstimationProbes(np.array(probe_zones, dtype=int), np.full(sensors, np.nan), np.arange(sensors))
    water = np.tile(np.where(np.arange(NIGHTS) % 3 == 0, DOSE, 0.0), (count, 1))
    etc, start = np.full((count, NIGHTS), ETC), np.full(sensors, 20.0)
    spot = rate * (np.ones(sensors) if catch is None else np.asarray(catch))
    zone = probes.zone
    depletion = start[:, None] + np.cumsum(microclimate * etc[zone] - spot[:, None] * water[zone], axis=1)
    moisture = 0.26 - depletion / 500.0 + np.random.default_rng(seed).normal(0, max(noise, 1e-15), depletion.shape)
    guess = np.full((count, NIGHTS + 1), 25.0)
    return Record(zones, probes, moisture, water, etc, np.zeros((count, NIGHTS)), guess, np.full((count, NIGHTS), 0.5))


def test_a_clean_record_gives_the_factors_back():
    record = hand_made([0], [0], microclimate=1.2, rate=1.1, du=1.0)
    spots = spot_changes(record)
    micro = learn_microclimate(record, spots)
    # 1.2 shrunk by prior variance 0.14^2 + 0.06^2 or more against the spot's 0.02^2: at least 1.2 ** 0.983
    assert 1.2**0.983 <= micro.values[0] + 1e-9 and micro.values[0] <= 1.2
    assert micro.events[0] == 26  # of 40 columns 14 have water; the first has no evening before it and is one of them
    rate = learn_application_rate(record, spots, np.array([1.2]))
    assert 1.0 < rate.values[0] <= 1.1 + 1e-9
    assert rate.low[0] < 1.1 < rate.high[0]
    assert rate.events[0] == 13


def test_a_prior_factor_multiplies_and_is_shown_as_before():
    record = hand_made([0], [0], microclimate=1.1)
    prior = np.array([0.8])
    learned = learn_microclimate(record, spot_changes(record), prior=prior)
    plain = learn_microclimate(record, spot_changes(record))
    np.testing.assert_allclose(learned.values, 0.8 * plain.values)
    assert learned.prior.tolist() == [0.8] and prior.tolist() == [0.8]


def test_spikes_hardly_move_it():
    record = hand_made([0], [0], microclimate=1.2, noise=0.002)
    clean = learn_microclimate(record, spot_changes(record)).values[0]
    spoilt = record.moisture.copy()
    spoilt[0, [5, 16, 28]] += [0.1, -0.12, 0.15]
    moved = learn_microclimate(*(lambda r: (r, spot_changes(r)))(dataclasses.replace(record, moisture=spoilt)))
    assert abs(moved.values[0] / clean - 1) < 0.05
    # the mean of the ratios would be off by more: a spike of 0.1 m3/m3 is 50 mm, twelve days of demand
    ratios = -np.diff(spoilt[0])[record.irrigation[0, 1:] == 0] * 500 / ETC
    assert abs(ratios.mean() / 1.2 - 1) > 0.10


def test_kin_learn_and_strangers_do_not():
    record = hand_made([0, 0, 0, 1], [0, 1], microclimate=1.25, noise=0.002)
    learned = learn_microclimate(record, spot_changes(record))
    assert learned.values[0] >= learned.values[2] > 1.10
    assert learned.values[3] == pytest.approx(1.0)
    assert learned.events.tolist()[2:] == [0, 0]
    width = np.log(learned.high / learned.low)
    assert width[0] < width[2] < width[3]


def test_without_probes_everything_stays_and_the_interval_is_the_prior():
    record = hand_made([0, 1], [])
    spots = spot_changes(record)
    micro, spreads = learn_microclimate(record, spots), Spreads()
    np.testing.assert_allclose(micro.values, 1.0)
    sd = np.hypot(spreads.microclimate_kin, spreads.microclimate_own)
    np.testing.assert_allclose(micro.high, np.exp(1.959964 * sd))
    np.testing.assert_allclose(learn_application_rate(record, spots, np.ones(2)).values, 1.0)
    np.testing.assert_allclose(learn_field_capacity(record).values, 0.26)
    np.testing.assert_allclose(uniformity_hints(record, spots, np.ones(2)).values, 0.8)


def test_two_layers_join_by_the_depth_they_stand_for():
    # Upper sensor stands for 60 % (halfway between 0.15 and 0.45 of 0.5 m), lower for 40 %; FAO-29's pattern halved:
    # 0.15 m is 0.3 of the root depth, between the centres of the first quarters; 0.45 m is below the last centre.
    zones = EstimationZones(np.array([0]), np.array([80.0]), np.array([0.26]), np.array([0.5]), np.array([0.8]))
    probes = EstimationProbes(np.array([0, 0]), np.array([0.15, 0.45]), np.array([0, 0]))
    moisture = np.array([[0.24, 0.22, 0.20], [0.25, 0.245, np.nan]])
    record = Record(
        zones, probes, moisture, *(np.zeros((1, 3)) for _ in range(3)), np.full((1, 4), 20.0), np.full((1, 3), 0.5)
    )
    change = spot_changes(record).change[0]
    gain = 1 + 0.5 * (np.array([1.6 - 0.4 * 0.175 / 0.25, 0.4]) - 1)
    assert np.isnan(change[0])
    assert change[1] == pytest.approx(500 * (0.6 * -0.02 + 0.4 * -0.005) / (0.6 * gain[0] + 0.4 * gain[1]))
    assert change[2] == pytest.approx(500 * -0.02 / gain[0])  # the lower one is silent


def test_unequal_spots_lower_the_uniformity_and_equal_ones_raise_it():
    even = hand_made([0], list(np.zeros(8, int)), catch=np.ones(8), du=0.7)
    catch = np.exp(np.array([-0.45, -0.3, -0.15, -0.05, 0.05, 0.15, 0.3, 0.45]))
    uneven = hand_made([0], list(np.zeros(8, int)), catch=catch, du=0.7)
    hints = [uniformity_hints(r, spot_changes(r), np.ones(1)) for r in (even, uneven)]
    assert hints[0].values[0] > 0.72 and hints[1].values[0] < 0.68
    for hint in hints:
        assert hint.events[0] == 8
        assert 0 <= hint.low[0] <= hint.values[0] <= hint.high[0] <= 1


def test_refusals():
    record = hand_made([0, 0], [0])
    spots = spot_changes(record)
    with pytest.raises(ValueError, match=r"prior must have shape \(2,\)"):
        learn_microclimate(record, spots, prior=np.ones(3))
    with pytest.raises(ValueError, match="microclimate must be finite and above 0"):
        learn_application_rate(record, spots, np.zeros(2))
    with pytest.raises(ValueError, match="depletion must have shape"):
        dataclasses.replace(record, depletion=record.etc)
    with pytest.raises(ValueError, match="etc must be finite and not negative"):
        dataclasses.replace(record, etc=-record.etc)
    with pytest.raises(ValueError, match="moisture must have shape"):
        dataclasses.replace(record, moisture=np.zeros((2, NIGHTS)))
    with pytest.raises(ValueError, match="moisture must be finite"):
        dataclasses.replace(record, moisture=np.full((1, NIGHTS), np.inf))


@settings(deadline=None, max_examples=30)
@given(st.floats(-0.1, 0.1), st.integers(0, 1000))
def test_a_constant_bias_changes_no_factor(bias, seed):
    record = hand_made([0, 0], [0, 1], microclimate=1.1, noise=0.004, seed=seed)
    shifted = dataclasses.replace(record, moisture=record.moisture + bias)
    one, two = (learn_microclimate(r, spot_changes(r)) for r in (record, shifted))
    np.testing.assert_allclose(one.values, two.values, rtol=1e-6)
    assert np.all(one.low < one.values) and np.all(one.values < one.high)


def record_of(course):
    """The record a site would have, classified by the filter's estimate."""
    zones = EstimationZones(course.kin, course.taw, course.field_capacity, course.root_depth, course.du_lq)
    probes = EstimationProbes(course.sensor_zone, course.sensor_depth, np.zeros(course.sensor_zone.size, dtype=int))
    setup, start = prepare(zones, probes), 0.15 * course.taw
    p = soil.adjusted_depletion_fraction(np.full(course.kin.size, 0.45), course.etc)
    run = run_filter(
        setup, start_state(setup, start, start), course.irrigation, course.etc, course.rain, p, course.moisture
    )
    depletion = np.column_stack([start, run.depletion])
    return Record(zones, probes, course.moisture, course.irrigation, course.etc, course.rain, depletion, p)


def test_course_factors_after_sixty_days():
    errors, inside, blind = {"m": [], "a": []}, {"m": [], "a": []}, []
    for course in map(simulate_course, HELD_OUT):
        record = record_of(course)
        spots = spot_changes(record)
        micro = learn_microclimate(record, spots)
        rate = learn_application_rate(record, spots, micro.values)
        for name, learned, true in (("m", micro, course.microclimate), ("a", rate, course.rate)):
            errors[name].append(np.abs(learned.values / true - 1))
            inside[name].append((learned.low <= true) & (true <= learned.high))
        blind.append(np.abs(1 / course.microclimate - 1))
    assert np.median(np.concatenate(errors["m"])) < 0.08
    assert np.median(np.concatenate(errors["a"])) < 0.08
    assert np.median(np.concatenate(errors["m"])) < 0.6 * np.median(np.concatenate(blind))
    for name in inside:
        assert np.concatenate(inside[name]).mean() >= 0.90


def test_course_field_capacity_where_the_soil_table_is_off():
    before, after, inside = [], [], []
    for seed in HELD_OUT:
        course = simulate_course(seed, table_off=0.02)
        learned = learn_field_capacity(record_of(course))
        before.append(course.field_capacity - course.true_field_capacity)
        after.append(learned.values - course.true_field_capacity)
        inside.append((learned.low <= course.true_field_capacity) & (course.true_field_capacity <= learned.high))
    rms = [np.sqrt(np.mean(np.concatenate(e) ** 2)) for e in (before, after)]
    assert rms[1] < 0.75 * rms[0]
    assert np.concatenate(inside).mean() >= 0.90
