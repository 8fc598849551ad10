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
    assert explain(rng.normal(0, 1, 40), offered) == [] or explain(np.zeros(40), offered) == []


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
