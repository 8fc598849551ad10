"""Meters: what passed between readings, on which nights, and what explains a difference."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.metering import explain, over_nights, stretches, volumes_between
from models.practice import replace_et, weekly_programme, within_limits, within_total


def passed(*readings, starts=(), rolls=np.nan, interval=False):
    count = len(readings)
    begun = np.isin(np.arange(count), list(starts))
    return volumes_between(np.array(readings, float), begun, np.full(count, rolls), interval).tolist()


def test_a_count_that_rolls_over():
    assert passed(99_990, 12, 40, rolls=100_000)[1:] == [22.0, 28.0]


def test_a_count_that_falls_without_a_roll_over_says_nothing():
    found = passed(500, 400, 450)
    assert np.isnan(found[1]) and found[2] == 50.0


def test_an_exchange_starts_a_new_count():
    found = passed(980, 1000, 3, 10, starts=[2])
    assert found[1] == 20.0 and np.isnan(found[2]) and found[3] == 7.0


def test_interval_readings_are_volumes():
    assert passed(3, 4, 5, interval=True) == [3.0, 4.0, 5.0]


def test_a_months_readings_fall_on_the_months_nights_whatever_the_hour():
    # 1 July 00:00 to 1 August 08:00 are days 20635 and 20666
    for hour0, hour1 in ((0.0, 0.0), (0.0, 8 / 24), (8 / 24, 0.9)):
        found = stretches(np.array([20635 + hour0, 20666 + hour1]), np.array([np.nan, 62.0]), False)
        assert (found.first.tolist(), found.after.tolist()) == ([20635], [20666])
        volume, spread, covered = over_nights(found, 20635, 31)
        assert volume.tolist() == [2.0] * 31 and spread.sum() == pytest.approx(62.0) and covered.all()


def test_readings_within_a_night_belong_to_it():
    # 22:00, 23:00, 01:00, 05:00 and 13:00 next date: night 100 up to 05:00, then by the clock of its date
    times = np.array([100 + 22 / 24, 100 + 23 / 24, 101 + 1 / 24, 101 + 5 / 24, 101 + 13 / 24])
    found = stretches(times, np.array([np.nan, 1.0, 2.0, 3.0, 4.0]), False)
    assert found.first.tolist() == [100, 100, 100, 101]


def test_the_first_interval_is_as_long_as_the_others():
    found = stretches(np.array([107.3, 114.3, 121.3]), np.array([7.0, 14.0, 21.0]), True)
    assert (found.first.tolist(), found.after.tolist()) == ([100, 107, 114], [107, 114, 121])


def test_after_missed_readings_a_volume_is_of_its_own_interval():
    # daily volumes, nothing for thirty days, then daily again: the gap is not metered
    times = np.array([100.3, 101.3, 102.3, 132.3, 133.3])
    found = stretches(times, np.array([1.0, 2.0, 3.0, 4.0, 5.0]), True)
    assert found.first.tolist() == [99, 100, 101, 131, 132]
    _, _, covered = over_nights(found, 99, 34)
    assert covered.sum() == 5


@given(
    st.lists(st.floats(0.01, 40.0), min_size=1, max_size=12),
    st.lists(st.floats(0.0, 1e5), min_size=13, max_size=13),
)
def test_nothing_is_lost_between_readings(gaps, volumes):
    moment = 20_000 + np.cumsum([0.0, *gaps])
    water = np.array(volumes[: moment.size])
    water[0] = np.nan
    found = stretches(moment, water, False)
    volume, _, _ = over_nights(found, 19_990, 600)
    assert volume.sum() == pytest.approx(np.nansum(water), rel=1e-12, abs=1e-9)


def test_what_explains_a_difference_is_named():
    rng = np.random.default_rng(3)
    logged = rng.uniform(0, 10, (6, 40)) * (rng.random((6, 40)) > 0.4)
    leak = np.ones((1, 40))
    offered = np.concatenate((logged, leak))
    blocked = -logged[2] + rng.normal(0, 0.2, 40)
    best = explain(blocked, offered)[0]
    assert best.candidate == 2 and best.size == pytest.approx(-1.0, abs=0.05) and best.gain > 0.9
    leaking = explain(0.8 * leak[0] + rng.normal(0, 0.1, 40), offered)[0]
    assert leaking.candidate == 6 and leaking.volume == pytest.approx(32, rel=0.1)
    assert explain(np.zeros(40), offered) == [] == explain(np.ones(40), offered[:0])


def test_two_zones_that_always_run_alike_are_both_named():
    same = np.array([[1.0, 0, 2, 0], [1.0, 0, 2, 0], [0, 3.0, 0, 1]])
    assert [e.candidate for e in explain(np.array([0.5, 0, 1, 0]), same)] == [0, 1]


def test_et_is_replaced_when_the_zone_may_run():
    # 5 mm a day, 8 mm of rain on the third date; it may run on every second night: 10 mm, then what rain left of 5 + 5
    need = np.full((1, 4), 5.0)
    rain = np.array([[0.0, 0.0, 8.0, 0.0]])
    allowed = np.array([[False, True, False, True]])
    assert replace_et(need, rain, allowed).tolist() == [[0.0, 10.0, 0.0, 5.0]]


def test_a_fixed_programme_never_looks_at_the_weather():
    found = weekly_programme(np.array([21.0]), np.arange(14) % 7, (0, 2, 4), np.ones((1, 14), dtype=bool))
    assert found.sum() == 42.0 and found[0, :5].tolist() == [7.0, 0.0, 7.0, 0.0, 7.0]


def test_limits_are_held_and_shared():
    volume = np.array([[10.0, 10.0], [30.0, 0.0], [5.0, 5.0]])
    pump = (np.array([[1.0, 1.0, 0.0]]), np.array([[20.0, 20.0]]))
    found = within_limits(volume, np.array([8.0, np.inf, np.inf]), [pump])
    assert found[:2, 0].sum() == pytest.approx(20.0) and found[0, 0] / found[1, 0] == pytest.approx(8 / 30)
    assert found[:, 1].tolist() == [8.0, 0.0, 5.0]


def test_a_season_stops_at_its_total():
    volume = np.full((2, 5), 3.0)
    assert within_total(volume, 15.0).sum(axis=0).tolist() == [6.0, 6.0, 3.0, 0.0, 0.0]
    assert within_total(volume, np.inf) is volume


def test_readings_a_moment_apart_and_readings_that_do_not_move():
    assert passed(7.0)[0] != passed(7.0)[0] and len(passed(7.0)) == 1
    assert passed(10, 10, 12, rolls=100)[1:] == [0.0, 2.0]  # a meter that stands has not rolled over
    falls = passed(500, 400, rolls=50)  # a roll-over cannot bring it down by more than it counts to
    assert np.isnan(falls[1])


def test_a_volume_at_noon_belongs_to_the_night_before():
    # two on one date: up to noon the night before, after it the date's own; then the night after
    for hour, night in ((0.5, 99), (0.51, 100)):
        found = stretches(np.array([100.2, 100 + hour]), np.array([np.nan, 1.0]), False)
        assert (found.first.tolist(), found.after.tolist()) == ([night], [night + 1])


def test_volumes_after_twice_the_usual_time_still_speak_of_all_of_it():
    # every two nights; four nights is twice that and counts whole, five is not
    for gap, first in ((4, 104), (5, 107)):
        found = stretches(np.array([100.3, 102.3, 104.3, 104.3 + gap]), np.ones(4), True)
        assert found.first.tolist()[-1] == first and found.after.tolist()[-1] == 104 + gap
    alone = stretches(np.array([100.3]), np.ones(1), True)
    assert (alone.first.tolist(), alone.after.tolist()) == ([99], [100])
    twice_a_day = stretches(np.array([100.3, 100.4, 100.45]), np.ones(3), True)  # a night at least
    assert twice_a_day.first[0] == 99


def test_no_readings_give_no_stretches():
    nothing = stretches(np.zeros(0), np.zeros(0), True)
    assert nothing.first.size == nothing.after.size == nothing.volume.size == 0
    assert not over_nights(nothing, 5, 3)[2].any()


def test_water_outside_of_the_nights_asked_for_is_left_out():
    # 3 m3 a night over nights 10 to 13, and 5 m3 in night 14 alone; asked for 12 to 14
    parts = stretches(np.array([10.3, 14.3, 15.3]), np.array([np.nan, 12.0, 5.0]), False)
    volume, spread, covered = over_nights(parts, 12, 3)
    assert volume.tolist() == [3.0, 3.0, 5.0] and spread.tolist() == [3.0, 3.0, 0.0] and covered.all()
    _, two, _ = over_nights(stretches(np.array([10.3, 12.3]), np.array([np.nan, 6.0]), False), 10, 2)
    assert two.tolist() == [3.0, 3.0]  # of two nights together neither was read by itself
    before, _, reached = over_nights(parts, 8, 3)
    assert before.tolist() == [0.0, 0.0, 3.0] and reached.tolist() == [False, False, True]


def test_size_and_gain_by_hand():
    # 3 and 1 m3 more than logged, where the candidate had 2 and 0: least squares gives 6 / 4 of it, which is 3 m3 and
    # leaves 0 and 1 of a squared difference of 10
    (one,) = explain(np.array([3.0, 1.0]), np.array([[2.0, 0.0]]))
    assert (one.candidate, one.size, one.volume, one.gain) == (0, 1.5, 3.0, 0.9)
    # no more than is credible: 1.2 of it leaves 0.6 and 1
    (held,) = explain(np.array([3.0, 1.0]), np.array([[2.0, 0.0]]), largest=np.array([1.2]))
    assert held.size == 1.2 and held.gain == pytest.approx(1 - (0.36 + 1) / 10)
    # a log cannot have been too much by more than all of it
    (less,) = explain(np.array([-3.0, -1.0]), np.array([[2.0, 0.0]]))
    assert (less.size, less.volume) == (-1.0, -2.0)
    # the best of e - 1 tried gets 1 / 2 of what it leaves taken off, as two stretches can tell
    (tried,) = explain(np.array([3.0, 1.0]), np.array([[2.0, 0.0]]), tries=np.array([np.e - 1]))
    assert tried.gain == pytest.approx(0.9 - 0.1 / 2)


def test_nothing_is_named_that_takes_away_less_than_a_quarter():
    for along, named in ((0.51, 1), (0.49, 0)):  # gain is the square of how far the candidate lies along
        difference = np.array([along, np.sqrt(1 - along**2)])
        assert len(explain(difference, np.array([[1.0, 0.0], [0.0, 0.0]]))) == named
    # of nearly as good ones both are named, best first; of one at less than nine tenths of the best only that
    near = explain(np.array([1.0, 0.9]), np.array([[0.0, 1.0], [1.0, 0.0], [0.0, 0.0]]))
    assert [e.candidate for e in near] == [1]
    both = explain(np.array([1.0, 0.96]), np.array([[0.0, 1.0], [1.0, 0.0]]))
    assert [e.candidate for e in both] == [1, 0]


@pytest.mark.parametrize("candidates", [np.ones(3), np.ones((2, 2)), np.ones((1, 3, 1))])
def test_candidates_of_other_stretches_are_refused(candidates):
    with pytest.raises(ValueError, match=r"needed \(C, 3\)"):
        explain(np.ones(3), candidates)
    assert explain(np.ones(3), np.ones((0, 3))) == []


def test_shapes_of_readings_must_agree():
    with pytest.raises(ValueError, match="one shape"):
        volumes_between(np.ones(2), np.zeros(2, bool), np.ones(3), False)
    with pytest.raises(ValueError, match="one shape"):
        volumes_between(np.ones(2), np.zeros(3, bool), np.ones(2), False)
    with pytest.raises(ValueError, match="one is needed"):
        replace_et(np.ones((1, 2)), np.ones((1, 2)), np.ones((1, 3), bool))


def test_rain_beyond_need_is_no_credit_and_nothing_is_owed_after_a_run():
    # 5 mm, then 20 mm of rain, then 5 mm again: only the last counts; the night after a run begins from nothing
    need, rain = np.array([[5.0, 5.0, 5.0, 2.0]]), np.array([[0.0, 20.0, 0.0, 0.0]])
    assert replace_et(need, rain, np.array([[False, False, True, True]])).tolist() == [[0.0, 0.0, 5.0, 2.0]]


def test_a_programme_shares_its_week_and_leaves_out_what_may_not_run():
    allowed = np.ones((2, 7), dtype=bool)
    allowed[1, 3] = False
    found = weekly_programme(np.array([20.0, 10.0]), np.arange(7), (0, 3), allowed)
    assert found[:, 0].tolist() == [10.0, 5.0] and found[:, 3].tolist() == [10.0, 0.0] and found.sum() == 25.0
    assert weekly_programme(np.array([20.0]), np.arange(7), (), allowed[:1]).sum() == 0.0


def test_a_limit_after_another_sees_what_is_left():
    # a branch of 10 m3 for the first two zones, then a permit of 12 m3 for all that counts half of the third's water
    volume = np.array([[10.0], [10.0], [8.0]])
    branch = (np.array([[1.0, 1.0, 0.0]]), np.array([[10.0]]))
    permit = (np.array([[1.0, 1.0, 0.5]]), np.array([[12.0]]))
    found = within_limits(volume, np.full(3, np.inf), [branch, permit])
    assert found[:, 0].tolist() == pytest.approx([5 * 12 / 14, 5 * 12 / 14, 8 * 12 / 14])
    assert volume[0, 0] == 10.0  # what was asked stays as it was
    exact = within_limits(volume, np.full(3, np.inf), [(np.ones((1, 3)), np.array([[28.0]]))])
    assert exact.tolist() == volume.tolist()


def test_a_total_is_met_to_the_last_cubic_metre():
    volume = np.array([[3.0, 0.0, 4.0], [1.0, 0.0, 4.0]])
    assert within_total(volume, 8.0).tolist() == [[3.0, 0.0, 2.0], [1.0, 0.0, 2.0]]
    assert within_total(volume / 10, 0.6).tolist() == pytest.approx(np.array([[0.3, 0.0, 0.1], [0.1, 0.0, 0.1]]))
    assert within_total(volume, 2.0).tolist() == [[1.5, 0.0, 0.0], [0.5, 0.0, 0.0]]


def test_a_programme_of_one_night():
    found = weekly_programme(np.array([14.0]), np.arange(7), [2], np.ones((1, 7), bool))
    assert found.tolist() == [[0, 0, 14.0, 0, 0, 0, 0]]
