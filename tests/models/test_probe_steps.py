"""Steps of quality control by second calculations, reading by reading, and each limit from both of its sides."""

from dataclasses import replace

import numpy as np
import pytest

from models import probe_jumps, probe_record, probe_standstill, quality
from models.probe_record import UNKNOWN_WATER, ProbeRecord
from models.quality import find_faults
from tests.models.test_quality import FC, WP, drying, found, record, several

NOT = np.nan


def drawn(seed, count=3, n=60, step=2.0):
    """Some series of several soils, with water, gaps in time and some noise."""
    rng = np.random.default_rng(seed)
    parts = []
    for _ in range(count):
        x = np.clip(0.2 + np.cumsum(rng.normal(0, 0.01, n)), 0.04, 0.4)
        water = np.where(rng.random(n) < 0.2, rng.uniform(0, 8, n), 0.0)
        since = rng.choice([0.0, 1.0, 5.0, 20.0, 60.0, np.inf], n)
        one = record(x, step=step, water=water, since=since, et=rng.uniform(0, 0.8, n))
        hours = np.cumsum(rng.choice([step, step, 3 * step], n))
        parts.append(replace(one, hours=hours, end=hours[-1:], field_capacity=rng.uniform(0.18, 0.3, 1)))
    return several(parts)


# ------------------------------------------------------------------------------------------------------ the tools


def test_medians_and_quantiles_are_numpys_without_the_unknown():
    rng = np.random.default_rng(0)
    values = rng.normal(size=(4, 7))
    values[rng.random(values.shape) < 0.4] = NOT
    values[:, 2] = NOT
    for axis in (0, 1):
        with np.errstate(all="ignore"), pytest.warns(RuntimeWarning) if axis == 0 else np.errstate():
            expected = np.nanmedian(values, axis=axis)
        np.testing.assert_allclose(probe_record.nanmedian(values, axis), expected)
    series = np.array([0, 0, 0, 2, 2, 2, 2, 3])
    x = np.array([5.0, NOT, 1.0, 4.0, 2.0, 8.0, 3.0, NOT])
    for share in (0.0, 0.25, 0.5, 1.0):
        got = probe_record.quantile_by(series, x, 5, share)
        np.testing.assert_allclose(got, [np.quantile([1, 5], share), NOT, np.quantile([2, 3, 4, 8], share), NOT, NOT])
    np.testing.assert_allclose(probe_record.median_by(series, x, 4), [3.0, NOT, 3.5, NOT])


def test_a_reading_so_many_on_is_of_the_same_series_or_none():
    series, x = np.array([0, 0, 0, 1, 1]), np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    for k, expected in (
        (0, x), (1, [2, 3, NOT, 5, NOT]), (2, [3, NOT, NOT, NOT, NOT]),
        (-1, [NOT, 1, 2, NOT, 4]), (5, [NOT] * 5), (-9, [NOT] * 5),
    ):  # fmt: skip
        np.testing.assert_array_equal(probe_record.shift(x, k, series), expected)


def test_marks_that_follow_each_other_in_a_series_are_one_fault():
    r = several([record(drying(4)), record(drying(4))])
    mask = np.array([0, 1, 1, 1, 1, 0, 1, 0], dtype=bool)
    faults = probe_record.runs_of("range", "moisture", r, mask, np.arange(8.0))
    assert [(f.series, f.first, f.last, f.size) for f in faults] == [(0, 1, 3, 1.0), (1, 4, 4, 4.0), (1, 6, 6, 6.0)]
    assert probe_record.runs_of("range", "moisture", r, ~mask & mask, np.arange(8.0)) == []


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"series": np.array([0, 0, 2])}, "outside of the series"),
        ({"series": np.array([-1, 0, 1])}, "outside of the series"),
        ({"series": np.array([0, 1, 0])}, "sorted"),
        ({"hours": np.array([0.0, 0.0, 1.0])}, "sorted"),
        ({"hours": np.array([0.0, np.nan, 1.0])}, "hours: must be finite"),
        ({"et": np.array([0.0, np.inf, 0.0])}, "et: must be finite"),
        ({"uptake": np.array([0.0, np.nan])}, "uptake: must be finite"),
        ({"end": np.zeros(3)}, "end: shape"),
        ({"moisture": np.zeros(2)}, "moisture: shape"),
    ],
)
def test_one_thing_that_cannot_be_is_refused(changes, words):
    three = several([record(drying(2)), record(drying(1))])
    with pytest.raises(ValueError, match=words):
        replace(three, **changes)
    assert replace(three, moisture=np.array([NOT, 0.1, 0.1]), since_water=np.full(3, np.inf)).series.tolist() == [
        0,
        0,
        1,
    ]


# ------------------------------------------------------------------------------------------- what the soil can do


def noise(r, rows):
    """Noise of each series, second difference by second difference."""
    x, out = r.moisture, []
    for k in range(len(r.field_capacity)):
        own = [i for i in rows if r.series[i] == k]
        bends, quiet, straight, far = [], [], [], []
        for a, b, c in zip(own, own[1:], own[2:], strict=False):
            apart = r.hours[c] - r.hours[a]
            if apart >= 18.0:
                continue
            bend = x[c] - 2 * x[b] + x[a]
            bends.append(abs(bend))
            if r.since_water[a] >= 12.0:
                spent = []
                for before, now in ((a, b), (b, c)):
                    wet = min(max((x[now] - r.wilting_point[k]) / (r.field_capacity[k] - r.wilting_point[k]), 0), 1)
                    spent.append(r.et[before + 1 : now + 1].sum() * r.uptake[k] * wet)
                quiet.append(abs(bend))
                straight.append(abs(bend + spent[1] - spent[0]))
            if apart >= 6.0:
                far.append(abs(bend))
        sizes = [1.4826 * np.median(bends)] if bends else []
        if len(quiet) >= 10:
            sizes += [1.4826 * np.median(quiet), 1.4826 * np.median(straight)]
        sizes += [3.1382 * np.quantile(far, 0.25)] if far else []
        out.append(min(sizes) / np.sqrt(6) if sizes else 0.0)
    return np.array(out)


def low_before(r, rows):
    """Second least of the daily minima of up to ten days before, of four days at least."""
    out = []
    for i in rows:
        day, low = r.hours[i] // 24, {}
        for j in rows:
            d = r.hours[j] // 24
            if r.series[j] == r.series[i] and day - 10 <= d < day:
                low[d] = min(low.get(d, np.inf), r.moisture[j])
        out.append(sorted(low.values())[1] if len(low) >= 4 else NOT)
    return np.array(out)


@pytest.mark.parametrize("seed", range(4))
def test_bounds_of_a_change_as_reckoned_one_by_one(seed):
    r = drawn(seed, n=(60, 130)[seed > 1], step=(2.0, 0.5)[seed % 2])
    rows = np.flatnonzero(np.arange(len(r.series)) % 7 != 3)  # some are left out: what came and went is of both
    own_noise = noise(r, rows)
    np.testing.assert_allclose(probe_jumps.noise_of(r, rows), own_noise)
    low = low_before(r, rows)
    np.testing.assert_allclose(probe_jumps._low_before(r, rows), low)
    bounds = probe_jumps._bounds(r, rows)
    for i, row in enumerate(rows):
        k = r.series[row]
        still = 0.015 + 4 * own_noise[k]
        assert bounds.still[i] == pytest.approx(still)
        if i == 0 or r.series[rows[i - 1]] != k:
            assert np.isnan(bounds.change[i])
            continue
        before = rows[i - 1]
        since, took = r.since_water[row], r.hours[row] - r.hours[before]
        assert bounds.change[i] == pytest.approx(r.moisture[row] - r.moisture[before])
        assert bounds.rise[i] == pytest.approx(still + r.water[before + 1 : row + 1].sum() / 40.0)
        floor = min(r.field_capacity[k] - 0.03, np.median(r.moisture[rows][r.series[rows] == k]))
        floor = np.fmax(floor, low[i - 1])
        if since - took >= 48.0:
            part = 0.0
        elif since > 0.0:
            part = 1 - np.exp(-took / (0.7 + max(since - took, 0.0)))
        else:
            part = 1.0
        drawn_by_roots = min(1.5 / 80.0, 3 * r.uptake[k]) * r.et[before + 1 : row + 1].sum()
        expected = still + drawn_by_roots + part * max(r.moisture[before] - floor, 0.0)
        assert bounds.fall[i] == pytest.approx(expected)


def test_a_series_own_peaks():
    # peaks of 0.02, 0.04, 0.06 and 0.08 without water: the third greatest, 0.04; with water 0.03, 0.05, 0.07 after
    # 2, 2, 2 and 6 mm: the third, 0.03, and three times it after thrice the usual water
    height = np.zeros(40)
    height[[1, 5, 9, 13]] = [0.02, 0.04, 0.06, 0.08]
    water = np.zeros(40)
    water[20:] = 2.0
    height[[21, 25, 29]], water[29] = [0.03, 0.05, 0.07], 6.0
    own = probe_jumps._own_peaks(np.zeros(40, int), height, water, 1)
    assert own[0] == 0.04 and own[21] == 0.03 and own[29] == pytest.approx(0.09)
    few = probe_jumps._own_peaks(np.zeros(11, int), height[:11], water[:11], 1)
    assert np.isinf(few).all()  # eleven readings tell nothing
    two = probe_jumps._own_peaks(np.zeros(12, int), height[:12] * (np.arange(12) < 8), water[:12], 1)
    assert (two == 0.01).all()  # two peaks: what any series may do
    other = probe_jumps._own_peaks(np.repeat([0, 1], 40), np.append(height, np.zeros(40)), np.append(water, water), 2)
    assert other[0] == 0.04 and (other[40:60] == 0.01).all()


# ------------------------------------------------------------------------------------------------ spikes and steps


def test_a_spike_lasts_three_readings_and_six_hours_at_the_most():
    for length, step, found_ in ((3, 1.0, True), (4, 1.0, False), (2, 2.0, True), (2, 2.5, False), (1, 8.0, True)):
        x = drying(96, step=step, a_day=0.005)
        x[30 : 30 + length] += 0.08
        assert (("spike", 30, 29 + length) in found(record(x, step=step))) is found_, (length, step)


def test_a_spike_comes_back_to_where_it_was_by_half_its_height():
    for left, spike in ((0.02, True), (0.03, False)):
        x = drying(96, a_day=0.0)
        x[30:] += left
        x[30] += 0.08 - left
        faults = found(record(x, et=0.0))
        assert (("spike", 30, 30) in faults) is spike
    down = drying(96, a_day=0.0)
    down[30:] -= 0.03
    down[30] -= 0.05
    assert ("spike", 30, 30) not in found(record(down, et=0.0))


def test_there_and_gone_within_an_hour_without_a_trace_is_no_water():
    # half-hourly: 6 mm may lift it by 0.15, but not let it fall again at once to within a fifth of the height
    for trace, step, spike in ((0.0, 0.5, True), (0.03, 0.5, False), (-0.03, 0.5, False), (0.0, 0.75, False)):
        x = 0.17 + np.random.default_rng(3).normal(0, 0.001, 96)
        x[30] += 0.1
        x[31:] += trace
        water, since = np.zeros(96), np.full(96, np.inf)
        water[30], since[30:] = 6.0, 0.0
        r = record(x, step=step, water=water, since=since, et=0.0)
        assert (("spike", 30, 30) in found(r)) is spike, (trace, step)


def test_how_far_levels_moved_is_the_least_of_dry_middle_and_wet():
    x = np.zeros(160)
    x[:72] = 0.20 + 0.01 * (np.arange(72) % 5)
    x[72:] = 0.26 + 0.005 * (np.arange(88) % 5)
    r = record(x)
    rows, at = np.arange(160), 72
    before, after = x[0:72], x[84:145]
    moved = [np.percentile(after, q) - np.percentile(before, q) for q in (20, 50, 80)]
    assert probe_jumps._stays(r, rows, at) == pytest.approx(min(moved)) == pytest.approx(moved[2])
    assert probe_jumps._stays(record(-x + 1.0), rows, at) == pytest.approx(-moved[2])
    mixed = np.where(np.arange(160) < 72, x, 0.23)
    assert probe_jumps._stays(record(mixed), rows, at) == 0.0  # drier levels rise, wetter ones fall
    assert probe_jumps._stays(r, rows[:96], at) is None  # 23 h after it: too little
    assert probe_jumps._stays(r, rows[:97], at) is not None
    assert probe_jumps._stays(r, rows[70:], 2) is None  # two readings before it


def test_a_step_that_keeps_six_tenths_stays_and_one_of_less_does_not():
    for kept, rules in ((0.05, ["moved"]), (0.03, ["wetting", "drop"])):
        x = drying(168, a_day=0.0)
        x[80:] += kept
        x[80:90] += 0.07 - kept
        assert [f[0] for f in found(record(x, et=0.0))] == rules


def test_a_rise_is_told_until_it_is_back_or_for_a_day():
    x = 0.15 + np.zeros(96)
    x[30:] += 0.04
    r = record(x, et=0.0)
    rows = np.arange(96)
    assert probe_jumps._until_return(r, rows, 30, 0.015) == 54  # a day on
    x[50:] = 0.157
    assert probe_jumps._until_return(record(x, et=0.0), rows, 30, 0.015) == 49  # within half of what it may move
    assert probe_jumps._until_return(record(0.5 - x, et=0.0), rows, 30, 0.015) == 49
    x[28] = 0.30  # what it was is the reading before, not an earlier one
    assert probe_jumps._until_return(record(x, et=0.0), rows, 30, 0.015) == 49
    two = several([record(x[:40], et=0.0), record(x, et=0.0)])
    assert probe_jumps._until_return(two, np.arange(136), 30, 0.015) == 39  # not into the next series


def test_rises_together_are_four_in_ten_and_three_within_six_hours():
    def rising(hours, count):
        parts = []
        for k in range(count):
            x = drying(96)
            if k < len(hours):
                x[hours[k] :] += 0.06
            parts.append(record(x))
        return [f.rule for f in find_faults(several(parts)) if f.rule in ("unrecorded", "wetting", "moved")]

    assert rising([48, 49, 50], 7) == ["unrecorded"] * 3
    assert "unrecorded" not in rising([48, 49, 50], 8)  # three of eight
    assert "unrecorded" not in rising([48, 49], 4)  # two
    assert "unrecorded" not in rising([40, 50, 60], 6)  # hours apart
    assert "unrecorded" not in rising([48, 49, 50], 3)  # of three series nothing is told
    assert rising([47, 48, 49], 5) == ["unrecorded"] * 3  # also over the edge of a box of hours
    assert rising([53, 54, 56], 5) == ["unrecorded"] * 3 == rising([51, 54, 56], 5)


def test_a_change_of_swing_by_half_its_logarithm_and_beyond_its_error():
    rng = np.random.default_rng(5)
    n, hours = 24 * 12, np.arange(24 * 12)

    def swings(ratio, day=6, which=1, count=4):
        parts = []
        for k in range(count):
            swing = 4.0 * np.where((hours >= 24 * day) & (k == which), ratio, 1.0)
            warm = 20 + swing * np.cos(hours / 24 * 2 * np.pi) + rng.normal(0, 0.05, n)
            parts.append(replace(record(drying(n, a_day=0.004)), temperature=warm))
        r = several(parts)
        return probe_jumps._swing_changes(r, np.ones(n * count, dtype=bool))

    (series,) = swings(0.5)
    row, ratio = swings(0.5)[series]
    assert series == 1 and abs(row - n - 24 * 6) <= 24 and ratio == pytest.approx(0.5, abs=0.03)
    assert swings(2.0)[1][1] == pytest.approx(2.0, abs=0.1)
    assert swings(0.75) == {}  # ln 0.75 = -0.29
    assert list(swings(0.65)) == [1]  # -0.43
    assert swings(0.5, count=2) == {}  # two series cannot be told from the weather
    assert swings(0.5, day=10) == {} == swings(0.5, day=2)  # four days on either side are needed


def test_the_change_of_swing_is_that_of_mean_logarithms_over_four_days():
    swing = np.array([4.0, 3.9, 4.1, 4.0, 3.8, 4.2, 3.0, 2.0, 2.1, 1.9, 2.0, 2.05])  # degC, changed on the seventh day
    hours = np.arange(24 * swing.size)
    wave = np.cos(hours / 24 * 2 * np.pi) / 2
    warm = [20 + wave * np.repeat(swing if k == 1 else np.full(swing.size, 4.0), 24) for k in range(4)]
    r = several([record(drying(hours.size, a_day=0.004), temperature=t) for t in warm])
    gaps = {}
    for day in range(4, swing.size - 4):
        before, after = np.log(swing[day - 4 : day]), np.log(swing[day + 1 : day + 5])
        error = np.sqrt((before.var(ddof=1) + after.var(ddof=1)) / 4)
        gap = after.mean() - before.mean()
        if abs(gap) > 0.35 and abs(gap) > 5 * error:
            gaps[day] = gap
    best = max(gaps, key=lambda day: abs(gaps[day]))
    found = probe_jumps._swing_changes(r, np.ones(len(r.series), dtype=bool))
    assert list(found) == [1] and found[1][0] == hours.size + 24 * best
    assert found[1][1] == pytest.approx(np.exp(gaps[best]), rel=1e-6)
    # stuck readings say nothing of the swing, nor does a day of fewer than four readings
    dead = np.zeros(len(r.series), dtype=bool)
    dead[hours.size + 24 * 8 : hours.size + 24 * 9] = True
    assert probe_jumps._swing_changes(r, ~dead) != found
    few = several([record(drying(4 * swing.size, step=6.0, a_day=0.004), step=6.0, temperature=t[::6]) for t in warm])
    assert list(probe_jumps._swing_changes(few, np.ones(len(few.series), dtype=bool))) == [1]
    fewer = several([record(drying(3 * swing.size, step=8.0, a_day=0.004), step=8.0, temperature=t[::8]) for t in warm])
    assert probe_jumps._swing_changes(fewer, np.ones(len(fewer.series), dtype=bool)) == {}


# ------------------------------------------------------------------------------------------------- standing still


def test_the_finest_step_of_a_series():
    x = np.array([0.20, 0.20, 0.23, 0.22, 0.50, 0.50, 0.5002])
    r = several([record(x[:4]), record(x[4:]), record(np.array([0.3]))])
    np.testing.assert_allclose(probe_standstill.resolution_of(r, np.arange(8)), [0.01, 0.0005, 0.01])


def stuck(n_still, step=1.0, warm=None, et=0.2, start=0.19):
    """Whether a value that stayed for so many readings of a dry-down is told."""
    x = drying(120, step=step, start=start, a_day=0.01 if step < 24.0 else 0.002)
    x[40 : 40 + n_still] = x[40]
    r = record(x, step=step, et=et * step)
    if warm is not None:
        temperature = r.temperature.copy()
        temperature[40 : 40 + n_still] = warm
        r = replace(r, temperature=temperature)
    return ("stuck", 40, 39 + n_still) in found(r)


def test_a_value_is_stuck_from_six_readings_and_eighteen_hours_on():
    assert stuck(19) and not stuck(18)  # 18 and 17 h
    assert stuck(6, step=4.0) and not stuck(5, step=4.0)  # 20 and 16 h
    assert stuck(3, step=24.0, warm=12.0, start=0.4) and not stuck(2, step=24.0, warm=12.0, start=0.4)  # rare: 48 h


def test_a_value_that_stays_for_a_day_with_its_temperature_is_stuck_though_nothing_dries_it():
    assert stuck(25, warm=12.0, et=0.0) and not stuck(24, warm=12.0, et=0.0)
    assert not stuck(25, et=0.0)
    assert not stuck(25, warm=NOT, et=0.0)  # an unknown temperature moves


def test_only_et_that_would_have_shown_speaks_against_a_value_that_stays():
    # finest step shown 0.0005 at least: four of them are 0.002, by 24 h x et x 0.004 x (0.18 - 0.05) / 0.15
    for et, told in ((0.03, True), (0.01, False)):
        assert stuck(25, et=et) is told


@pytest.mark.parametrize("tilt", [-1, 1])
def test_a_flat_stretch_goes_on_as_far_as_readings_keep_to_its_range(tilt):
    rng = np.random.default_rng(1)
    x = drying(240, start=0.30, a_day=0.015)
    x[96:168] = 0.24 + rng.normal(0, 0.0005, 72)
    x[90:97] = 0.24 - tilt * 0.0019  # the range is that of all its readings, the first and the last too
    x[167:173] = 0.24 + tilt * 0.0019
    x[89], x[173] = 0.26, 0.22
    (fault,) = [f for f in find_faults(record(x)) if f.rule == "flat"]
    assert (fault.first, fault.last) == (90, 172)
    # the reading before it too where that is the first of its series, an hour before the day
    x = np.concatenate(([0.24], 0.24 + rng.normal(0, 0.0005, 60), 0.30 - 0.0012 * np.arange(150)))
    late = record(x, et=0.4)
    late = replace(late, hours=late.hours + 23.0, end=late.end + 23.0)
    busy = record(
        np.append(0.2 + 0.02 * np.sin(np.arange(95) / 5.0), 0.24), et=0.0
    )  # another series' value is no matter
    flat = probe_standstill.flat_values(several([busy, late]), np.arange(96 + x.size))
    assert np.flatnonzero(flat)[:3].tolist() == [96, 97, 98]
    # of two series in a row only the flat one, to its own end
    x = drying(240, start=0.30, a_day=0.015)
    x[168:] = 0.19 + rng.normal(0, 0.0004, 72)
    two = [f for f in find_faults(several([record(x), record(0.19 + rng.normal(0, 0.01, 48))])) if f.rule == "flat"]
    assert [(f.series, f.last) for f in two] == [(0, 239)]


def test_few_readings_of_a_wetted_pair_of_days_are_not_flat_alone():
    # every 6 h, 8 in two days: water in between fills again what roots took; from three days on it is flat
    def flat_days(days, water):
        rng = np.random.default_rng(2)
        n = 80
        x = 0.30 - 0.005 * np.arange(n) + 0.04 * (np.arange(n) // 8) + rng.normal(0, 0.001, n)
        x[40 : 40 + 4 * days] = 0.27 + rng.normal(0, 0.0003, 4 * days)
        came = np.zeros(n)
        came[44] = water
        r = record(x, step=6.0, water=came, et=1.2)
        return np.flatnonzero(probe_standstill.flat_values(r, np.arange(n))).tolist()

    assert flat_days(2, 0.0) == list(range(40, 48)) and flat_days(2, 5.0) == [] == flat_days(2, 0.5)
    assert flat_days(3, 5.0) == list(range(40, 52))


# ---------------------------------------------------------------------------------- gaps, temperature, conductivity


def test_a_gap_is_longer_than_three_hours_and_two_and_a_half_intervals():
    for step, silence, told in ((1.0, 3.0, False), (1.0, 3.1, True), (2.0, 5.0, False), (2.0, 5.1, True)):
        hours = np.append(np.arange(30) * step, 29 * step + silence + np.arange(30) * step)
        r = replace(record(drying(60, a_day=0.005)), hours=hours, end=hours[-1:])
        assert ([f.rule for f in find_faults(r) if f.rule == "gap"] == ["gap"]) is told
    for late, told in ((3.0, False), (3.1, True)):
        r = record(drying(60), end=59.0 + late)
        assert ([(f.first, f.last) for f in find_faults(r) if f.rule == "gap"] == [(59, 59)]) is told


def test_a_gap_is_of_its_own_series():
    one, two = record(drying(40), end=39.0), record(drying(40, step=4.0), step=4.0, end=156.0)
    assert [f for f in find_faults(several([one, two])) if f.rule == "gap"] == []


@pytest.mark.parametrize(
    ("value", "air", "told"),
    [(-10.0, -10.0, 0), (-10.1, -10.0, 1), (50.0, 50.0, 0), (50.1, 50.0, 1), (36.0, 20.0, 0), (36.1, 20.0, 1)],
)
def test_edges_of_what_soil_is_warm(value, air, told):
    r = record(drying(), temperature=value, air=air)
    assert quality.implausible_temperature(r).any() == told


def test_a_temperature_is_held_against_the_readings_around_and_their_swing():
    still = ((8.5, 0.0, True), (7.5, 0.0, False), (-8.5, 0.0, True))
    for off, swing, told in (*still, (8.5, 1.0, False), (9.3, 1.0, False), (9.7, 1.0, True)):  # one and a half swings
        warm = np.full(40, 20.0) + swing * np.where(np.arange(40) % 2, 1.0, -1.0)
        warm[20] = 20.0 + off
        assert quality.implausible_temperature(record(drying(40), temperature=warm))[20] == told


def test_edges_of_what_conducts():
    for value, told in ((10.0, False), (10.1, True), (0.0, True), (-0.01, True)):
        ec = np.full(40, 8.0)
        ec[20] = value
        assert quality.implausible_ec(record(np.full(40, 0.2), ec=ec))[20] == told
    fresh = np.full(40, 0.09)
    fresh[20] = 0.0
    assert not quality.implausible_ec(record(np.full(40, 0.2), ec=fresh)).any()  # of water next to pure
    for base, value, told in ((0.4, 0.85, True), (0.4, 0.75, False), (0.2, 0.44, False), (0.6, 0.28, True)):
        # by twice, and by more than 0.25 dS/m
        ec = np.full(40, base)
        ec[20] = value
        assert quality.implausible_ec(record(np.full(40, 0.2), ec=ec))[20] == told


def test_moistures_on_the_edge_are_believed():
    # 0.005 at the least, saturation 0.45 and 0.08 at the most, 0.05 more under water
    r = record([0.005, 0.0049, 0.53, 0.5301], since=1.0)
    assert quality.out_of_range(r).tolist() == [False, True, False, True]
    assert quality.out_of_range(record([0.58, 0.5801], since=0.0)).tolist() == [False, True]


def test_water_not_on_record_ends_with_its_reading():
    # the unknown counts as water that lifts what it falls on, not what comes after
    x = drying(96)
    water = np.zeros(96)
    water[40] = UNKNOWN_WATER
    assert found(record(x, water=water)) == [] and isinstance(record(x), ProbeRecord) and FC > WP


def sticky(seed, n=160):
    """Series of 0.01 steps that often repeat themselves, temperatures that stand at times, several times of reading."""
    rng = np.random.default_rng(seed)
    parts = []
    for step in (1.0, 3.0, 12.0):
        x = np.round(0.30 - 0.0008 * np.arange(n) + 0.02 * rng.normal(size=n) * (rng.random(n) < 0.3), 2)
        for at, length in ((20, 8), (60, 25), (110, 4), (130, 9)):
            x[at : at + length] = x[at]
        warm = np.round(20 + 3 * np.cos(np.arange(n) / 4.0), 1)
        warm[62:90] = warm[62]
        warm[131] = np.nan
        et = rng.uniform(0.0, 0.4, n) * step
        parts.append(record(x, step=step, et=et, temperature=warm))
    return several(parts)


def stuck_by_hand(r):
    """Which readings belong to a value that stayed, run by run."""
    out = np.zeros(len(r.series), bool)
    for k in range(len(r.field_capacity)):
        own = np.flatnonzero(r.series == k)
        runs, begin = [], 0
        for i in range(1, own.size + 1):
            if i == own.size or abs(r.moisture[own[i]] - r.moisture[own[i - 1]]) > 1e-9:
                runs.append(own[begin:i])
                begin = i
        lengths = sorted((len(run) for run in runs), reverse=True)
        steps = [abs(d) for d in np.diff(r.moisture[own]) if abs(d) > 1e-6]
        finest = max(min(steps), 0.0005) if steps else 0.01
        repeats = sum(n - 1 for n in lengths) - (lengths[0] - 1)
        share = min(max((repeats + 1) / (own.size - lengths[0] + 2), 0.02), 0.98)
        for run in runs:
            n, hours = len(run), r.hours[run[-1]] - r.hours[run[0]]
            wet = (r.moisture[run[0]] - r.wilting_point[k]) / (r.field_capacity[k] - r.wilting_point[k])
            expected = r.et[run[0] + 1 : run[-1] + 1].sum() * min(max(wet, 0.0), 1.0) * r.uptake[k]
            cold = all(abs(d) < 1e-9 for d in np.diff(r.temperature[run]))
            seldom = own.size * share ** (n - 1) < 0.02 and n > 2.0 * (lengths[2] if len(lengths) > 2 else 0)
            long = (n >= 6 and hours >= 18.0) or (n >= 3 and hours >= 47.0)
            held = long and expected > 4.0 * finest and (cold or seldom)
            out[run] = held or (cold and n >= 6 and hours >= 24.0)
    return out


def test_a_value_is_not_stuck_from_one_sensor_to_the_next():
    one = drying(40)
    one[-4:] = one[-1]
    two = drying(40)
    two[:4] = one[-1]
    assert not probe_standstill.stuck_values(several([record(one), record(two)]), np.arange(80)).any()
    six = [drying(40), drying(40)]
    six[0][-12:] = six[1][:12] = 0.15  # 12 and 12 h, 24 together
    still = [record(x, temperature=np.full(40, 20.0)) for x in six]
    assert not probe_standstill.stuck_values(several(still), np.arange(80)).any()


@pytest.mark.parametrize("seed", range(4))
def test_what_is_stuck_run_by_run(seed):
    r = sticky(seed)
    found = probe_standstill.stuck_values(r, np.arange(len(r.series)))
    np.testing.assert_array_equal(found, stuck_by_hand(r))
    assert found.any() and not found.all()
    assert not probe_standstill.stuck_values(r, np.arange(2)).any()


def flat_by_hand(r):
    """Which readings only shake for two days, day by day, and on as far as they keep to that range."""
    out = np.zeros(len(r.series), bool)
    day = np.floor(r.hours / 24.0).astype(int)
    resolution = probe_standstill.resolution_of(r, np.arange(len(r.series)))
    for k in range(len(r.field_capacity)):
        own = np.flatnonzero(r.series == k)
        pairs = {}
        for d in range(day.min(), day.max()):
            both = own[(day[own] == d) | (day[own] == d + 1)]
            if both.size >= 6 and len(set(day[both])) == 2:
                lost = 0.0
                for i in both:
                    if i != own[0]:
                        wet = (r.moisture[i] - r.wilting_point[k]) / (r.field_capacity[k] - r.wilting_point[k])
                        lost += r.et[i] * min(max(wet, 0.0), 1.0) * r.uptake[k]
                pairs[d] = (r.moisture[both].std(), lost, r.water[both].sum(), both.size)
        usual = np.median([p[0] for p in pairs.values()]) if pairs else 0.0
        usual = usual if usual > 2.0 * resolution[k] else 0.0
        still = {
            d for d, (moves, lost, _, _) in pairs.items() if moves < 0.3 * lost / np.sqrt(12) and moves < 0.25 * usual
        }
        held = {d for d in still if pairs[d][2] <= 0 or pairs[d][3] >= 24 or d - 1 in still or d + 1 in still}
        flat = np.isin(day[own], [e for d in held for e in (d, d + 1)])
        spans = np.split(np.flatnonzero(flat), np.flatnonzero(np.diff(np.flatnonzero(flat)) > 1) + 1)
        for span in (s for s in spans if s.size):
            x = r.moisture[own]
            low, high = x[span].min(), x[span].max()
            first, last = span[0], span[-1]
            while first > 0 and low <= x[first - 1] <= high:
                first -= 1
            while last + 1 < own.size and low <= x[last + 1] <= high:
                last += 1
            out[own[first : last + 1]] = True
    return out


@pytest.mark.parametrize("seed", range(4))
def test_what_is_flat_day_by_day(seed):
    rng = np.random.default_rng(seed)
    parts = []
    for step, first in ((1.0, 200), (6.0, 40), (1.0, 150)):
        n = 264 if step == 1.0 else 120
        x = 0.30 - 0.0006 * step * np.arange(n) + 0.03 * np.sin(np.arange(n) * step / 9.0) + rng.normal(0, 0.001, n)
        length = int(60 / step) if step == 1.0 else 12
        x[first : first + length] = x[first] + rng.normal(0, 0.0002, min(length, n - first))
        water = np.where(rng.random(n) < 0.05, 3.0, 0.0)
        parts.append(record(x, step=step, water=water, et=0.25 * step))
    r = several(parts)
    found = probe_standstill.flat_values(r, np.arange(len(r.series)))
    np.testing.assert_array_equal(found, flat_by_hand(r))
    assert found.any()


def test_a_change_without_water_unlike_a_series_own():
    # rises without water of 0.02 at most: 0.08 is unlike them, 0.065 is not; with water, or hours apart, none is
    change = np.zeros(40)
    change[[5, 9, 13, 30]] = [0.02, 0.02, 0.02, 0.08]

    def unlike(change, water=0.0, step=1.0):
        came = np.zeros(40)
        came[30] = water
        return probe_jumps._unlike_own(record(np.full(40, 0.2), step=step, water=came), np.arange(40), change)[30]

    less = np.where(np.arange(40) == 30, 0.065, change)
    assert unlike(change) and not unlike(less) and not unlike(change, water=1.0) and not unlike(change, step=7.0)
    assert unlike(-change) and unlike(-change, water=1.0)  # water explains no fall
    assert unlike(change, step=6.5) and unlike(change, step=0.5) and not unlike(change * (np.arange(40) != 30))


def test_levels_are_compared_from_three_readings_on_over_three_days():
    x = np.append(np.full(100, 0.2), np.full(100, 0.26))
    r, rows = record(x), np.arange(200)
    assert probe_jumps._stays(r, np.append([97, 98, 99], rows[100:]), 3) == pytest.approx(0.06)
    assert probe_jumps._stays(r, np.append([98, 99], rows[100:]), 2) is None
    x[28], x[27] = 0.1, 0.9  # 72 h before counts, 73 h does not
    levels = np.percentile(x[28:100], (20, 50, 80))
    assert probe_jumps._stays(record(x), rows, 100) == pytest.approx(np.min(0.26 - levels))
