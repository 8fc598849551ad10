"""Each rule on the smallest record that shows it, and on one that looks alike and is sound."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from models.probe_jumps import noise_of
from models.probe_record import UNKNOWN_WATER, ProbeRecord
from models.quality import find_faults, out_of_range

FC, WP, SAT = 0.20, 0.05, 0.45


def record(moisture, step=1.0, water=None, since=np.inf, et=None, temperature=None, ec=None, air=20.0, end=None):
    """Give one series at even steps [h]; ET 0.2 mm/h unless said otherwise, no water."""
    x = np.asarray(moisture, dtype=float)
    n = len(x)
    wave = 20 + 4 * np.cos(np.arange(n) * step / 24 * 2 * np.pi)

    def full(value, default):
        return np.broadcast_to(np.asarray(default if value is None else value, dtype=float), n).copy()

    hours = np.arange(n) * step
    return ProbeRecord(
        series=np.zeros(n, dtype=np.int64),
        hours=hours,
        moisture=x,
        ec=full(ec, 0.5),
        temperature=full(temperature, wave),
        water=full(water, 0.0),
        since_water=full(since, np.inf),
        et=full(et, 0.2 * step),
        air=full(air, 20.0),
        field_capacity=np.array([FC]),
        wilting_point=np.array([WP]),
        saturation=np.array([SAT]),
        uptake=np.array([0.004]),
        end=np.array([hours[-1] if end is None else end]),
    )


def found(r):
    return [(f.rule, f.first, f.last) for f in find_faults(r)]


def drying(n=96, start=0.19, a_day=0.02, step=1.0):
    """Dry down evenly, with the noise of a probe (seeded)."""
    return start - a_day * np.arange(n) * step / 24 + np.random.default_rng(3).normal(0, 0.001, n)


def test_a_dry_down_is_sound():
    assert found(record(drying())) == []


@pytest.mark.parametrize("value", [0.0, 0.7])
def test_values_no_soil_has_are_out_of_range(value):
    x = drying()
    x[40:42] = value
    assert found(record(x)) == [("range", 40, 41)]


def test_range_has_an_edge_and_a_wider_one_under_water():
    # highest = saturation + 0.08; 0.05 more while water may stand on the probe
    assert out_of_range(record([0.52, 0.54], since=9.0)).tolist() == [False, True]
    assert out_of_range(record([0.54, 0.59], since=0.0)).tolist() == [False, True]


@pytest.mark.parametrize("height", [0.08, -0.08])
def test_a_single_reading_off_its_neighbours_is_a_spike(height):
    x = drying()
    x[30] += height
    assert found(record(x)) == [("spike", 30, 30)]


def test_an_irrigation_peak_that_drains_is_no_spike():
    # 6 mm before reading 30 may raise the probe by 6/40 = 0.15; what is above field capacity may drain
    x = drying()
    x[30:] += 0.03
    x[30] += 0.05
    water, since = np.zeros(96), np.full(96, np.inf)
    water[30], since[30:] = 6.0, np.arange(66)
    assert found(record(x, water=water, since=since)) == []


def test_a_rise_without_water_is_flagged_until_it_has_gone():
    x = drying()
    x[30:] += 0.06 * np.exp(
        -np.arange(66) / 4.0
    )  # back within half of what a sound reading may move (0.0095) after 8 h
    (fault,) = find_faults(record(x))
    assert (fault.rule, fault.first, round(fault.size, 2)) == ("wetting", 30, 0.06) and 5 <= fault.last - 30 <= 10


def test_the_same_rise_with_water_on_record_is_sound():
    x = drying()
    x[30:] += 0.05
    water = np.zeros(96)
    water[30] = 4.0  # 4 mm / 40 mm = 0.1 allowed
    assert found(record(x, water=water)) == []


def test_a_rise_where_water_is_not_on_record_is_not_doubted():
    x = drying()
    x[30:] += 0.2
    water = np.zeros(96)
    water[29] = UNKNOWN_WATER  # came before reading 29, by the record: not for reading 30
    assert found(record(x, water=water)) != []
    water[30] = UNKNOWN_WATER
    assert found(record(x, water=water)) == []


@pytest.mark.parametrize("step", [0.07, -0.07])
def test_a_step_that_stays_is_a_moved_probe(step):
    x = drying(n=168, a_day=0.005)
    x[80:] += step
    assert found(record(x)) == [("moved", 80, 167)]


def test_a_fresh_step_is_not_called_a_move_yet():
    x = drying(n=96, a_day=0.005)
    x[90:] += 0.07
    assert found(record(x)) == [("wetting", 90, 95)]


def test_a_value_that_stays_while_turf_drinks_is_stuck():
    x = drying()
    x[40:80] = x[40]
    assert found(record(x)) == [("stuck", 40, 79)]


def test_a_value_may_stay_at_wilting_point():
    x = np.full(96, WP)
    x[:4] += 0.002
    assert found(record(x)) == []


def test_a_value_may_stay_where_nothing_dries_it():
    x = drying()
    x[40:80] = x[40]
    x[80:] = x[40] - 0.001
    assert found(record(x, et=0.0)) == []


def test_a_coarse_probe_that_often_repeats_itself_is_not_stuck():
    # steps of 0.01 over a loss of 0.02 a day: runs of 12 h are its habit, one of 20 h is no wonder
    x = np.round(drying(n=240, start=0.30), 2)
    x[100:120] = x[100]
    assert "stuck" not in [f.rule for f in find_faults(record(x))]


def test_a_coarse_probe_whose_temperature_stands_too_is_stuck():
    x = np.round(drying(n=240, start=0.40, a_day=0.03), 2)
    x[100:160] = x[100]
    r = record(x)
    warm = r.temperature.copy()
    warm[100:160] = warm[100]
    assert ("stuck", 100, 159) in [
        (f.rule, f.first, f.last) for f in find_faults(dataclasses.replace(r, temperature=warm))
    ]


def test_a_probe_that_only_shakes_while_turf_drinks_is_flat():
    # 3 days of noise 0.0005 where 3 * 24 * 0.2 mm * 0.004/mm = 0.06 should have gone; its range of some 0.003 takes in
    # a few sound readings before it, which lose 0.0006 an hour
    x = drying(n=240, start=0.30, a_day=0.015)
    x[100:172] = x[100] + np.random.default_rng(1).normal(0, 0.0005, 72)
    (fault,) = [f for f in find_faults(record(x)) if f.rule == "flat"]
    assert 92 <= fault.first <= 100 and 171 <= fault.last <= 179


def test_a_probe_that_rests_where_nothing_dries_it_is_not_flat():
    x = drying(n=240, start=0.30, a_day=0.015)
    x[100:172] = x[100] + np.random.default_rng(1).normal(0, 0.0005, 72)
    et = np.full(240, 0.2)
    et[100:172] = 0.0
    assert "flat" not in [f.rule for f in find_faults(record(x, et=et))]


def six_hourly(peak):
    """Give 20 days of readings every 6 h: a night's 6 mm lifts the probe by 0.03, which drains by noon."""
    n = 80
    x = 0.18 - 0.0005 * np.arange(n) + np.random.default_rng(2).normal(0, 0.001, n)
    water, since = np.zeros(n), np.full(n, 48.0)
    x[1::4] += 0.03
    x[41] += peak
    water[0::4] = water[1::4] = 6.0
    since[0::4] = since[1::4] = 0.0
    since[2::4], since[3::4] = 3.0, 9.0
    return record(x, step=6.0, water=water, since=since, et=0.3)


def test_a_peak_unlike_all_others_of_its_series_is_a_spike_though_water_came():
    # 6 mm / 40 mm = 0.15 is possible; 0.12 in place of the usual 0.03 is above 0.03 + twice that
    assert found(six_hourly(0.09)) == [("spike", 41, 41)]


def test_a_peak_somewhat_higher_than_others_is_sound():
    assert found(six_hourly(0.03)) == []


def test_a_level_that_drops_for_good_right_after_water_is_a_moved_probe():
    # by the said field capacity 0.2 the 0.3 may drain to 0.17; the days before it drained to 0.28 only
    n = 160
    x = 0.28 + np.random.default_rng(2).normal(0, 0.001, n)
    x[1::4] += 0.02
    x[82:] -= 0.07
    water, since = np.zeros(n), np.full(n, 48.0)
    water[0::4] = water[1::4] = 6.0
    since[0::4] = since[1::4] = 0.0
    since[2::4], since[3::4] = 3.0, 9.0
    assert found(record(x, step=6.0, water=water, since=since, et=0.3)) == [("moved", 82, 159)]


def test_silence_is_a_gap_also_at_the_end():
    r = record(drying(60))
    later = dataclasses.replace(r, hours=np.where(np.arange(60) >= 30, r.hours + 12, r.hours), end=np.array([90.0]))
    assert [(f.rule, f.first, f.last, f.size) for f in find_faults(later)] == [
        ("gap", 29, 30, 13.0),
        ("gap", 59, 59, 19.0),
    ]


def test_a_slower_rhythm_is_no_gap():
    r = record(drying(60))
    hours = np.append(np.arange(30) * 6.0, 174.0 + np.arange(1, 31))
    assert found(dataclasses.replace(r, hours=hours, end=hours[-1:])) == []


@pytest.mark.parametrize("value", [-20.0, 55.0, 38.5, 33.0])
def test_temperatures_the_soil_cannot_have(value):
    # below -10, above 50, 18 degC off the air, 9 degC and more off the readings around
    r = record(drying())
    warm = r.temperature.copy()
    warm[45] = value
    assert found(dataclasses.replace(r, temperature=warm)) == [("temperature", 45, 45)]


@pytest.mark.parametrize("value", [-0.1, 0.0, 12.0, 1.5])
def test_electric_conductivities_that_cannot_be(value):
    ec = np.full(96, 0.5)
    ec[50] = value
    assert found(record(drying(), ec=ec)) == [("ec", 50, 50)]


def test_bulk_ec_may_jump_with_moisture():
    # moisture jumps with 6 mm of water; permittivity less 4.1 from 2.5 to 9.6, and EC with it
    x = np.where(np.arange(96) < 48, 0.12, 0.25) + np.random.default_rng(1).normal(0, 0.001, 96)
    wet = ((x + 0.176) / 0.115) ** 2 - 4.1
    water, since = np.zeros(96), np.full(96, np.inf)
    water[48], since[48:] = 6.0, np.arange(48)
    assert found(record(x, ec=0.2 * wet, water=water, since=since)) == []


def several(records):
    """Lay records one behind the other."""
    joined = {}
    for f in dataclasses.fields(ProbeRecord):
        parts = [getattr(r, f.name) for r in records]
        if f.name == "series":
            joined["series"] = np.concatenate([np.full(len(p), i) for i, p in enumerate(parts)])
        else:
            joined[f.name] = np.concatenate(parts)
    return ProbeRecord(**joined)


def test_most_probes_rising_together_is_water_not_on_record():
    x = drying()
    x[48:] += 0.06
    faults = find_faults(several([record(x), record(x), record(x), record(drying()), record(drying())]))
    assert [(f.rule, f.what, f.series) for f in faults] == [("unrecorded", "water", i) for i in range(3)]


def test_one_probe_rising_alone_is_its_own_fault():
    x = drying()
    x[48:] += 0.06
    faults = find_faults(several([record(x), *(record(drying()) for _ in range(4))]))
    assert [(f.rule, f.what, f.series, f.first) for f in faults] == [("wetting", "moisture", 0, 48)]


def test_a_change_of_the_daily_temperature_swing_is_a_moved_probe():
    n = 24 * 14
    base = record(drying(n, a_day=0.005))
    hours = np.arange(n)
    rng = np.random.default_rng(5)
    records = []
    for i in range(5):
        swing = np.where((hours >= 24 * 7) & (i == 2), 2.0, 4.0)  # 2 in place of 4 degC from day 7 on
        warm = 20 + swing * np.cos(hours / 24 * 2 * np.pi) + rng.normal(0, 0.1, n)
        records.append(dataclasses.replace(base, temperature=warm))
    faults = find_faults(several(records))
    assert [(f.rule, f.what, f.series) for f in faults] == [("moved", "temperature", 2)]
    assert abs(faults[0].first - 2 * n - 24 * 7) <= 24 and faults[0].size == pytest.approx(0.5, abs=0.05)


def test_noise_is_found_back():
    # independent normal noise of 0.004 on a straight line; a median of 4,000 differences is good to some percent
    x = 0.2 - 1e-5 * np.arange(4000) + np.random.default_rng(0).normal(0, 0.004, 4000)
    assert noise_of(record(x), np.arange(4000))[0] == pytest.approx(0.004, rel=0.08)


def test_faults_do_not_depend_on_other_series():
    x = drying()
    x[30] += 0.1
    alone = [(f.rule, f.first, f.last) for f in find_faults(record(x))]
    among = find_faults(several([record(drying()), record(x), record(drying())]))
    assert [(f.rule, f.first - 96, f.last - 96) for f in among] == alone


def test_an_empty_record_has_no_faults():
    assert find_faults(record(np.zeros(0), end=0.0)) == []


def test_unsorted_readings_are_refused():
    r = record(drying())
    with pytest.raises(ValueError, match="sorted"):
        dataclasses.replace(r, hours=r.hours[::-1].copy())
    with pytest.raises(ValueError, match="shape"):
        dataclasses.replace(r, et=r.et[:-1])
    with pytest.raises(ValueError, match="water: must be finite"):
        dataclasses.replace(r, water=np.full(96, np.inf))
