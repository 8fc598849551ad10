"""Salinity followed through readings: the textbook's gains by hand, the profile of FAO-29, laws of the belief."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.choices import SALT
from models.salt_following import (
    FARTHEST,
    Belief,
    after_day,
    first_belief,
    halves_from_points,
    in_profile,
    sampled,
    taken_in,
)
from tests.drawn import examples

NONE = np.array([[np.nan]])


def belief(variance=0.09, with_offset=0.0, offset_variance=0.0, offset=0.0):
    covariance = np.zeros((1, 1, 3, 3))
    covariance[0, 0, :2, :2] = [[variance, with_offset], [with_offset, offset_variance]]
    return Belief(covariance, one(offset), one(0.0))


def with_offset(of):
    return of.covariance[0, 0, 0, 1]


def one(value):
    return np.array([[float(value)]])


# ---------------------------------------------------------------------------------------------- one state, then two


def test_a_sure_probe_is_the_scalar_filter():
    # The scalar Kalman filter: K = P / (P + R), x+ = x + K (z - x), P+ = (1 - K) P. With P = 0.0675 and R = 0.15^2 =
    # 0.0225: K = 0.75; a surprise of 0.2 moves by 0.15; P+ = 0.016875.
    assert pytest.approx(0.0225) == SALT.point_spread**2
    after, log_ece = taken_in(belief(0.0675), one(1.0), one(1.2))
    assert log_ece[0, 0] == pytest.approx(1.15)
    assert after.variance[0, 0] == pytest.approx(0.016875)
    assert (with_offset(after), after.offset_variance[0, 0], after.offset[0, 0]) == (0.0, 0.0, 0.0)


def test_many_readings_of_a_sure_probe_average_their_noise():
    # P after n readings: 1 / (1 / P + n / R), as for n independent readings; the estimate is their weighted mean.
    b, log_ece = belief(0.09), one(0.0)
    read = np.array([0.1, 0.3, -0.1, 0.2, 0.25])
    for value in read:
        b, log_ece = taken_in(b, log_ece, one(value))
    weight = 1.0 / 0.09 + 5.0 / SALT.point_spread**2
    assert b.variance[0, 0] == pytest.approx(1.0 / weight)
    assert log_ece[0, 0] == pytest.approx(read.sum() / SALT.point_spread**2 / weight)


def test_a_reading_is_shared_between_soil_and_probe():
    # H = (1, 1), P = diag(0.25, 0.09), R = 0.0225: S = 0.3625; K = (0.25, 0.09) / S; P+ = P - K S K'.
    s = 0.25 + 0.09 + SALT.point_spread**2
    after, log_ece = taken_in(first_belief(one(0.5), one(0.3)), one(1.0), one(1.29))
    assert log_ece[0, 0] == pytest.approx(1.0 + 0.29 * 0.25 / s)
    assert after.offset[0, 0] == pytest.approx(0.29 * 0.09 / s)
    assert after.variance[0, 0] == pytest.approx(0.25 - 0.25**2 / s)
    assert after.offset_variance[0, 0] == pytest.approx(0.09 - 0.09**2 / s)
    assert with_offset(after) == pytest.approx(-0.25 * 0.09 / s)


def test_what_a_probe_reads_off_stays_unknown_however_often_it_reads():
    # Reading x + b for ever tells their sum: the best that is left of x is P B / (P + B), here 0.0661765 (by hand).
    b, log_ece = first_belief(one(0.5), one(0.3)), one(0.0)
    for _ in range(4000):
        b, log_ece = taken_in(b, log_ece, one(0.34))
    assert b.variance[0, 0] == pytest.approx(0.0661765, rel=1e-3)
    assert log_ece[0, 0] == pytest.approx(0.25, rel=1e-3)  # 0.34 shared as 0.25 to 0.09
    assert b.offset[0, 0] == pytest.approx(0.09, rel=1e-3)


def test_a_sample_sees_the_soil_only_and_so_tells_the_probe_from_it():
    # H = (1, 0), no covariance: nothing is learned of the probe. K = 0.04 / (0.04 + 0.01) = 0.8.
    after, log_ece = sampled(belief(0.04, 0.0, 0.09), one(1.0), one(1.5), 0.1)
    assert log_ece[0, 0] == pytest.approx(1.4)
    assert after.variance[0, 0] == pytest.approx(0.008)
    assert (after.offset[0, 0], after.offset_variance[0, 0]) == (0.0, pytest.approx(0.09))
    # After a reading that was shared, a sample that finds the soil where it was gives the whole surprise to the probe:
    # C = -0.02: K_b = -0.02 / 0.05 = -0.4, so that a soil saltier by 0.5 means a probe that reads 0.2 less off.
    after, _ = sampled(belief(0.04, -0.02, 0.09, 0.3), one(1.0), one(1.5), 0.1)
    assert after.offset[0, 0] == pytest.approx(0.1)
    assert after.offset_variance[0, 0] == pytest.approx(0.09 - 0.4**2 * 0.05)
    assert with_offset(after) == pytest.approx(-0.02 + 0.8 * 0.4 * 0.05)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_reading_far_off_moves_by_so_many_deviations_at_most(sign):
    s = 0.09 + SALT.point_spread**2
    _, log_ece = taken_in(belief(0.09), one(0.0), one(sign * 50.0))
    assert log_ece[0, 0] == pytest.approx(sign * FARTHEST * np.sqrt(s) * 0.09 / s)
    _, near = taken_in(belief(0.09), one(0.0), one(sign * 0.99 * FARTHEST * np.sqrt(s)))
    assert near[0, 0] == pytest.approx(sign * 0.99 * FARTHEST * 0.09 / np.sqrt(s))


def test_no_reading_changes_nothing():
    before = belief(0.09, -0.01, 0.04, 0.1)
    for after, log_ece in (taken_in(before, one(1.0), NONE), sampled(before, one(1.0), NONE, 0.1)):
        assert log_ece[0, 0] == 1.0
        for name in ("covariance", "offset", "lasting"):
            np.testing.assert_array_equal(getattr(after, name), getattr(before, name))


def test_a_day_fades_what_was_unknown_and_adds_its_own():
    # A quarter of the salt is new: x of 0.75 times, so P of 0.5625 times and C of 0.75 times; drift 0.02 and a fall of
    # 0.4 add 0.02^2 + (0.25 * 0.4)^2. A rise adds nothing.
    assert SALT.leached_spread == 0.25
    before = belief(0.16, -0.04, 0.09, 0.2)
    kept, drift = np.array([0.75]), one(0.02)
    fell, added = after_day(before, one(0.4), kept, drift)
    assert added[0, 0] == 0.0
    assert fell.variance[0, 0] == pytest.approx(0.16 * 0.5625 + 0.0004 + 0.01)
    assert with_offset(fell) == pytest.approx(-0.03)
    assert (fell.offset_variance[0, 0], fell.offset[0, 0]) == (0.09, 0.2)
    rose, _ = after_day(before, one(-0.4), kept, drift)
    assert rose.variance[0, 0] == pytest.approx(0.16 * 0.5625 + 0.0004)


def test_a_lasting_difference_is_shared_between_where_the_balance_settles_and_the_probe():
    # Once all of the salt is new (kept = 0) x is s, and a probe that reads 0.5 off for ever tells s + b alone: s takes
    # S / (S + B) of it, here 0.16 / 0.25, and Var s = S B / (S + B) = 0.0576 (by hand). Without s the probe takes all.
    b, log_ece = first_belief(one(0.0), one(0.3), one(0.4)), one(0.0)
    without = first_belief(one(0.0), one(0.3))
    for _ in range(3000):
        b, added = after_day(b, one(0.0), np.array([0.0]), one(0.0))
        b, log_ece = taken_in(b, added, one(0.5))  # the balance itself says 0 again each day
        without, _ = after_day(without, one(0.0), np.array([0.0]), one(0.0))
        without, other = taken_in(without, one(0.0), one(0.5))
    assert b.lasting[0, 0] == pytest.approx(0.32, rel=1e-3)
    assert log_ece[0, 0] == pytest.approx(0.32, rel=1e-3)
    assert b.variance[0, 0] == pytest.approx(0.0576, rel=1e-3)
    assert b.offset[0, 0] == pytest.approx(0.18, rel=1e-3)
    assert other[0, 0] == 0.0


def test_what_lasts_comes_as_other_salt_takes_the_place_of_the_old():
    # A twentieth of the salt is new each day: x goes to s by 1 - 0.95^n, as the balance itself does to its own end.
    b = Belief(np.zeros((1, 1, 3, 3)), one(0.0), one(0.4))
    x = 0.0
    for _ in range(10):
        b, added = after_day(b, one(0.0), np.array([0.95]), one(0.0))
        x = 0.95 * x + added[0, 0]
    assert x == pytest.approx(0.4 * (1.0 - 0.95**10))


def test_layers_do_not_hear_each_other():
    both = first_belief(np.array([[0.5, 0.4]]), np.array([[0.3, 0.2]]))
    after, log_ece = taken_in(both, np.array([[1.0, 2.0]]), np.array([[np.nan, 2.5]]))
    alone, own = taken_in(first_belief(one(0.4), one(0.2)), one(2.0), one(2.5))
    assert (log_ece[0, 0], log_ece[0, 1]) == (1.0, own[0, 0])
    assert (after.variance[0, 0], after.variance[0, 1]) == (0.25, alone.variance[0, 0])


# ------------------------------------------------------------------------------------------------------------ a law

steps = st.lists(
    st.tuples(
        st.sampled_from(["day", "read", "sample"]),
        st.floats(-5.0, 5.0),
        st.floats(0.0, 1.0),
        st.floats(0.0, 0.5),
    ),
    max_size=60,
)


@examples(150)
@given(st.floats(0.0, 3.0), st.floats(0.0, 1.0), steps)
def test_the_belief_stays_one_that_can_be(spread, offset_spread, course):
    b, log_ece = first_belief(one(spread), one(offset_spread), one(0.4)), one(0.0)
    for kind, value, kept, drift in course:
        before = b
        if kind == "day":
            b, _ = after_day(b, one(value), np.array([kept]), one(drift))
        elif kind == "read":
            b, log_ece = taken_in(b, log_ece, one(value))
        else:
            b, log_ece = sampled(b, log_ece, one(value), 0.1)
        p, v = b.variance[0, 0], b.offset_variance[0, 0]
        assert np.linalg.eigvalsh(b.covariance[0, 0]).min() >= -1e-12
        if kind != "day":  # nothing read makes less sure
            assert p <= before.variance[0, 0] + 1e-15
            assert v <= before.offset_variance[0, 0] + 1e-15
        assert np.isfinite(log_ece).all()


# ---------------------------------------------------------------------------------------------- points in the profile


def test_profile_at_the_quarters():
    # FAO-29 ch. 2, LF 0.15 and 40-30-20-10: 1 / (1 - 0.85 u) with u = 0.4, 0.7, 0.9 at the lower ends of the first
    # three quarters (the paper's LF_i = 0.66, 0.405 (printed 0.40), 0.235 (0.24)). Memory.
    level, _ = in_profile([0.25, 0.5, 0.75])
    np.testing.assert_allclose(np.exp(level), [1.0 / 0.66, 1.0 / 0.405, 1.0 / 0.235], rtol=2e-3)
    # At the ends 1 and 1 / 0.15, but for half a step of 1/400 of the depth.
    level, _ = in_profile([0.0, 1.0])
    np.testing.assert_allclose(np.exp(level), [1.0, 1.0 / 0.15], rtol=0.01)


def test_half_against_a_point_in_it():
    # Within a quarter u grows evenly, so that its mean is ln((1 - 0.85 u1) / (1 - 0.85 u2)) / (0.85 (u2 - u1)):
    # 1.2221, 1.9151, 3.2018, 5.2818; halves 1.5686 and 4.2418.
    _, gain = in_profile([0.25, 0.45, 0.75, 1.0])
    at_045 = 1.0 / (1.0 - 0.85 * (0.4 + 0.3 * 0.8))
    expected = np.log([1.5686 * 0.66, 1.5686 / at_045, 4.2418 * 0.235, 4.2418 * 0.15])
    np.testing.assert_allclose(gain, expected, atol=0.01)
    assert gain[0] > 0.0 > gain[1]  # high in its half a point reads less than the half, low in it more


def test_below_the_roots_counts_as_their_lower_end():
    level, gain = in_profile([1.0, 1.3, 9.0])
    assert np.ptp(level) == 0.0
    assert np.ptp(gain) == 0.0


def halves(upper, lower, depth=(0.2, 0.6)):
    level, gain = (np.array([v]) for v in in_profile(depth))
    return halves_from_points(np.array([[[upper], [lower]]]), level, gain)[0, :, 0], level[0], gain[0]


def test_readings_that_agree_stay_as_read():
    found, _, _ = halves(1.0, 1.0)
    assert found.tolist() == [1.0, 1.0]
    found, _, _ = halves(2.0, 1.0)  # salt that lies the other way round, after a dressing or a short leaching
    assert found.tolist() == [2.0, 1.0]


def test_readings_of_the_profile_become_its_halves():
    _, level, gain = halves(0.0, 0.0)
    found, _, _ = halves(0.3 + level[0], 0.3 + level[1])
    np.testing.assert_allclose(found, 0.3 + np.log([1.5686, 4.2418]), atol=0.001)
    np.testing.assert_allclose(found - [0.3 + level[0], 0.3 + level[1]], gain)


def test_a_steeper_profile_is_corrected_no_further_and_a_flatter_one_in_part():
    _, level, gain = halves(0.0, 0.0)
    rise = level[1] - level[0]
    for times, share in ((3.0, 1.0), (0.5, 0.5), (0.1, 0.1)):
        found, _, _ = halves(0.0, times * rise)
        np.testing.assert_allclose(found, np.array([0.0, times * rise]) + share * gain, rtol=1e-9)


def test_one_half_alone_stays_as_read():
    found, _, _ = halves(0.7, np.nan)
    assert found[0] == 0.7
    assert np.isnan(found[1])
    found, _, _ = halves(np.nan, 1.4)
    assert found[1] == 1.4
    assert np.isnan(found[0])


@examples(80)
@given(st.floats(-3.0, 4.0), st.floats(-3.0, 4.0), st.floats(0.0, 0.5), st.floats(0.51, 1.2))
def test_the_correction_never_passes_that_of_the_profile(upper, lower, high, low):
    found, _, gain = halves(upper, lower, (high, low))
    assert np.all(np.abs(found - [upper, lower]) <= np.abs(gain) + 1e-12)
