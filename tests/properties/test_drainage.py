"""Laws of slowing drainage: mass to 1e-9 mm, limits, monotony, the bucket at its end, and what rain leaves."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from models import soil
from models.drainage import HELD, drainage_day, drained, rain_as_taken, settled
from tests.drawn import examples

ZONES, NIGHTS = 3, 6
TOLERANCE = 1e-9  # [mm]

depth = st.floats(0.0, 80.0) | st.just(0.0)
scales = arrays(float, ZONES, elements=st.floats(0.2, 15.0))


@st.composite
def days(draw):
    """A night and its date: depletion from flooded to wilting, water, ET, rain, TAW, p, L."""
    taw = draw(arrays(float, ZONES, elements=st.floats(5.0, 300.0)))
    level = taw * draw(arrays(float, ZONES, elements=st.floats(-1.0, 1.0)))
    water, rain = (draw(arrays(float, ZONES, elements=depth)) for _ in range(2))
    etc = draw(arrays(float, ZONES, elements=st.floats(0.0, 14.0)))
    p = draw(arrays(float, ZONES, elements=st.floats(0.0, 0.95)))
    return level, water, etc, rain, taw, p, draw(scales)


@examples(150)
@given(days())
def test_mass_closes_and_limits_hold(case):
    level, water, etc, rain, taw, _, _ = case
    day = drainage_day(*case)
    np.testing.assert_allclose(
        day.depletion, level - water - rain + day.etc_actual + day.drainage, atol=TOLERANCE, rtol=0
    )
    assert np.all(day.depletion <= taw + TOLERANCE)
    assert np.all(day.drainage >= -TOLERANCE)
    assert np.all((day.etc_actual >= 0) & (day.etc_actual <= etc + TOLERANCE))
    assert np.all((day.stress >= 0) & (day.stress <= 1))


@examples(100)
@given(days())
def test_without_time_to_drain_it_is_the_bucket(case):
    level, water, etc, rain, taw, p, _ = case
    start = np.maximum(level, 0.0)
    slow = drainage_day(start, water, etc, rain, taw, p, 1e-9 * taw)
    bucket = soil.balance_day(start, water, etc, rain, taw, p)
    np.testing.assert_allclose(slow.depletion, bucket.depletion, atol=1e-5)
    np.testing.assert_allclose(slow.drainage, bucket.drainage, atol=1e-5)
    np.testing.assert_allclose(slow.etc_actual, bucket.etc_actual, atol=1e-5)


@examples(100)
@given(days(), st.floats(0.0, 3.0), st.floats(0.0, 3.0))
def test_drainage_goes_on_as_it_began(case, first, then):
    level, scale = case[0], case[-1]
    twice = drained(drained(level, scale, first), scale, then)
    at_once = drained(level, scale, first + then)
    inside = (level > -50.0 * scale) & (at_once < 10.0 * scale)
    np.testing.assert_allclose(twice[inside], at_once[inside], atol=1e-6)
    assert np.all(at_once >= level - TOLERANCE)


@examples(60)
@given(scales)
def test_what_was_full_stands_at_field_capacity_after_two_days(scale):
    full = np.full(ZONES, -1000.0)
    np.testing.assert_allclose(drained(full, scale, HELD), 0.0, atol=1e-9)
    assert np.all(drained(full, scale, 1.0) < 0.0)
    assert np.all(drained(full, scale, 3.0) > 0.0)


@st.composite
def courses(draw):
    """Where zones stand, and dates to come."""
    taw = draw(arrays(float, ZONES, elements=st.floats(5.0, 150.0)))
    level = taw * draw(arrays(float, ZONES, elements=st.floats(-0.5, 1.0)))
    rain = draw(arrays(float, (ZONES, NIGHTS), elements=depth))
    etc = draw(arrays(float, (ZONES, NIGHTS), elements=st.floats(0.0, 14.0)))
    return np.maximum(level, 0.0), np.maximum(-level, 0.0), etc, rain, taw, draw(scales)


@examples(150)
@given(courses())
def test_rain_is_only_moved_to_when_turf_takes_it(case):
    depletion, surplus, etc, rain, taw, scale = case
    counted = rain_as_taken(*case)
    assert np.all(counted >= -TOLERANCE)
    more = counted.sum(axis=1) - rain.sum(axis=1)
    assert np.all((more >= -TOLERANCE) & (more <= surplus + TOLERANCE))  # what was there at first, and no more
    so_far = np.cumsum(counted - rain, axis=1)
    assert np.all(so_far <= surplus[:, None] + TOLERANCE)  # never counted before it falls
    nothing = (surplus == 0) & np.all(rain == 0, axis=1)
    assert np.all(counted[nothing] == 0.0)


@examples(60)
@given(courses())
def test_without_time_to_drain_rain_counts_as_it_falls(case):
    depletion, surplus, etc, rain, taw, _ = case
    counted = rain_as_taken(depletion, surplus, etc, rain, taw, 1e-9 * taw)
    np.testing.assert_allclose(counted, rain, atol=1e-5)


@examples(60)
@given(courses())
def test_the_bucket_fed_so_ends_no_wetter_than_the_soil_that_holds_water(case):
    """Run dry of irrigation, the balance that stops at field capacity is never wetter than the one it stands for."""
    depletion, surplus, etc, rain, _, scale = case
    taw = np.full(ZONES, 1000.0)  # so that no turf is dry
    counted = rain_as_taken(depletion, surplus, etc, rain, taw, scale)
    bucket = soil.run_balance(depletion, np.zeros_like(etc), etc, counted, taw, np.full(etc.shape, 0.9)).depletion
    level = depletion - surplus
    for n in range(NIGHTS):  # the same soil, which does not drain below field capacity
        level = np.where(level < 0, np.minimum(drained(level, scale), 0.0), level)
        level = level + etc[:, n] - rain[:, n]
        level = np.where(level < 0, np.minimum(drained(level, scale), 0.0), level)
    assert np.all(bucket[:, -1] >= np.maximum(level, 0.0) - TOLERANCE)


def parcels(depletion, surplus, etc, rain, taw, scale):
    """The same kept as parcels of one zone: what stood there at first, and the rain of each date."""
    counted, old, younger, level = list(rain), surplus, 0.0, depletion - surplus
    for n in range(len(etc)):
        level = float(settled(np.array(level), np.array(scale)))
        held = max(-level, 0.0)
        old = min(old, held)  # younger water drains first
        taken = min(held, etc[n])
        from_old = min(old, taken)
        from_rain = min(taken - from_old, younger)
        counted[n] += from_old + from_rain
        if n:
            counted[n - 1] -= from_rain
        old -= from_old
        younger = counted[n]  # what this date counts can be moved on
        level = float(settled(np.array(min(level + etc[n] - rain[n], taw)), np.array(scale)))
    return counted


@examples(60)
@given(courses())
def test_rain_as_taken_against_parcels_kept_one_by_one(case):
    found = rain_as_taken(*case)
    for z in range(ZONES):
        np.testing.assert_allclose(found[z], parcels(*(v[z] for v in case)), atol=1e-9)
    several = [case[0], case[1], np.stack([case[2], case[2] / 2]), np.stack([case[3], case[3] * 2]), *case[4:]]
    np.testing.assert_allclose(rain_as_taken(*several)[0], found, atol=1e-12)  # each weather by itself


def test_a_surplus_below_nothing_is_refused():
    with pytest.raises(ValueError, match="surplus"):
        rain_as_taken([0.0, 0.0], [1.0, -1.0], np.ones((2, 1)), np.ones((2, 1)), np.ones(2), np.ones(2))


def test_a_dry_course_ends_at_wilting():
    # nothing above field capacity is left over from a rain on soil that can hold it, though ET wanted more before
    found = rain_as_taken([9.0], [0.0], np.array([[50.0, 0.0, 5.0]]), np.array([[0.0, 16.0, 0.0]]), [10.0], [4.0])
    assert found[0, 0] == 0.0 and found.sum() == pytest.approx(16.0)
    assert found[0, 2] == pytest.approx(-4.0 * np.log(np.exp(-1.5) + 0.5))
