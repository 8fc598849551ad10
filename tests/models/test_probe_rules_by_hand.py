"""The rules of quality control once more, reading by reading, on drawn records with all that can go wrong in them."""

from dataclasses import replace
from statistics import median

import numpy as np
import pytest

from models import probe_jumps, probe_standstill, quality
from models.probe_record import Fault
from tests.models.test_probe_steps import drawn, flat_by_hand, stuck_by_hand
from tests.models.test_quality import record, several

NOT = np.nan
SEEDS = range(5)


def middle(values):
    """Median of what is known, NaN without any."""
    known = [v for v in values if np.isfinite(v)]
    return median(known) if known else NOT


def around(r, values, row, reach):
    """What a series shows up to `reach` readings before and after one, without it."""
    rows = [i for i in range(row - reach, row + reach + 1) if i != row and 0 <= i < len(r.series)]
    return [values[i] for i in rows if r.series[i] == r.series[row]]


# -------------------------------------------------------------------------------------------------------------- gaps


@pytest.mark.parametrize("seed", SEEDS)
def test_gaps_reading_by_reading(seed):
    rng = np.random.default_rng(seed)
    parts = []
    for k in range(4):
        steps = rng.choice([1.0, 1.0, 1.0, 2.0, 4.0], 40) * (1 + k % 3)
        steps[rng.integers(0, 40, 6)] *= rng.choice([2.4, 2.6, 3.5, 10.0], 6)
        hours = np.cumsum(steps)
        one = replace(record(np.full(40, 0.2)), hours=hours, end=hours[-1:] + rng.choice([0.0, 3.1, 9.0, 30.0]))
        parts.append(one)
    parts.append(record([0.2], end=2.9))
    parts.append(record([0.2], end=3.1))
    r = several(parts)
    expected = []
    for row in range(len(r.series)):
        k = r.series[row]
        own = np.flatnonzero(r.series == k)

        def step(i, own=own):
            return r.hours[i] - r.hours[i - 1] if i > own[0] else NOT

        before = middle([step(i) for i in range(row - 5, row) if i in own])
        after = middle([step(i) for i in range(row + 1, row + 6) if i in own])
        usual = np.nanmax([before, after, 0.0])
        if step(row) > max(2.5 * usual, 3.0):
            expected.append((k, row - 1, row, step(row)))
        silent = r.end[k] - r.hours[row]
        if row == own[-1] and silent > max(2.5 * np.nan_to_num(before), 3.0):
            expected.append((k, row, row, silent))
    found = sorted((f.series, f.first, f.last, f.size) for f in quality.gaps(r))
    assert found == sorted(expected) and len({row for _, row, *_ in expected}) > 6
    assert all(f.rule == "gap" and f.what == "readings" for f in quality.gaps(r))


# ----------------------------------------------------------------------------------- temperature and conductivity


@pytest.mark.parametrize("seed", SEEDS)
def test_temperatures_and_conductivities_reading_by_reading(seed):
    rng = np.random.default_rng(seed)
    parts = []
    for k in range(3):
        n = 50
        x = np.clip(0.2 + 0.1 * np.sin(np.arange(n) / 3.0) + rng.normal(0, 0.03, n), 0.005, 0.5)
        x[rng.integers(0, n, 4)] = NOT
        warm = 20 + (6.0, 1.0, 3.0)[k] * rng.normal(size=n)
        warm[rng.integers(0, n, 8)] = rng.choice([-12.0, 3.0, 29.0, 31.0, 37.0, 52.0, NOT, NOT], 8)
        level = (0.5, 4.0, 0.1)[k]
        ec = level * np.exp(0.3 * rng.normal(size=n)) * np.where(np.nan_to_num(x, nan=0.2) > 0.22, 2.0, 1.0)
        ec[rng.integers(0, n, 12)] *= rng.choice([0.2, 0.45, 2.2, 3.0, 6.0], 12)
        ec[rng.integers(0, n, 8)] = rng.choice([0.0, -0.1, 10.5, NOT, NOT], 8)
        air = rng.choice([20.0, 20.0, 8.0, NOT], n)
        one = record(np.full(n, 0.2), temperature=warm, ec=ec, air=air)
        parts.append(replace(one, moisture=x))
    r = several(parts)
    warm_off, salt_off = quality.implausible_temperature(r), quality.implausible_ec(r)
    wet = [max(((x + 0.176) / 0.115) ** 2 - 4.1, 0.5) if np.isfinite(x) else NOT for x in r.moisture]
    bare = np.array([e / w if np.isfinite(w) else e for e, w in zip(r.ec, wet, strict=True)])
    for row in range(len(r.series)):
        t, near = r.temperature[row], around(r, r.temperature, row, 6)
        swing = 1.5 * middle([abs(v - middle(near)) for v in near])
        off = t < -10 or t > 50 or abs(t - r.air[row]) > 16 or abs(t - middle(near)) > 8 + swing
        assert warm_off[row] == off, row
        ec, own = r.ec[row], r.ec[r.series == r.series[row]]
        off = ec < 0 or ec > 10 or (ec == 0 and middle(own) > 0.1)
        level = middle(around(r, r.ec, row, 6))
        factors = []
        for values in (r.ec, bare):
            ratio = max(values[row], 1e-6) / max(middle(around(r, values, row, 6)), 1e-6)
            factors.append(ratio > 2 or ratio < 0.5)
        assert salt_off[row] == (off or (np.isfinite(ec) and all(factors) and abs(ec - level) > 0.25)), row
    assert 5 < warm_off.sum() < 50 and 5 < salt_off.sum() < 50


# ------------------------------------------------------------------------------------------------------------ spikes


def spoiled(seed):
    """Drawn series with peaks and dips of one to four readings, some that leave a trace."""
    rng = np.random.default_rng(seed + 50)
    r = drawn(seed, count=3, n=90, step=6.0 if seed > 6 else float(rng.choice([0.5, 1.0, 2.0])))
    calm = 0.2 + 0.06 * (r.moisture - 0.2)
    for at in rng.integers(2, len(calm) - 6, 18):
        length = rng.integers(1, 5)
        calm[at : at + length] += rng.choice([-1, 1]) * rng.choice([0.035, 0.05, 0.08, 0.12, 0.2])
        calm[at + length : at + length + 6] += rng.choice([0.0, 0.0, 0.01])
    return replace(r, moisture=calm)


def own_peak(r, rows, places, height, water, at):
    """Height a series' own peaks reach under as much water as at one place."""
    k = r.series[rows[at]]
    alike = [i for i in places if r.series[rows[i]] == k and (water[i] > 0) == (water[at] > 0)]
    if len(alike) < 12:
        return np.inf
    tall = sorted(height[i] for i in alike if height[i] > 0.01)
    reached = tall[-3] if len(tall) >= 3 else 0.01
    return reached * (max(water[at] / median(water[i] for i in alike), 1.0) if water[at] > 0 else 1.0)


def spikes_by_hand(r, rows):
    bounds = probe_jumps._bounds(r, rows)
    x, s, h = r.moisture[rows], r.series[rows], r.hours[rows]
    water = [0.0] + [r.water[a + 1 : b + 1].sum() for a, b in zip(rows, rows[1:], strict=False)]
    taken = np.zeros(len(rows), bool)
    for length in (1, 2, 3):
        begins = range(1, len(rows) - length)
        whole = {
            i: s[i - 1] == s[i + length]
            and not taken[i - 1]
            and not taken[i + length]
            and (length == 1 or h[i + length] - h[i - 1] <= 6.0)
            for i in begins
        }
        for sign in (1.0, -1.0):
            off, cannot = {}, {}
            for i in begins:
                before, after = x[i - 1], x[i + length]
                there, back = sign * (x[i] - before), sign * (x[i + length - 1] - after)
                rise, fall = (bounds.rise, bounds.fall) if sign > 0 else (bounds.fall, bounds.rise)
                least = min(there, back)
                cannot[i] = there > rise[i] or back > fall[i + length]
                cannot[i] |= h[i + length] - h[i - 1] <= 1.0 and abs(after - before) < 0.2 * least
                off[i] = least if whole[i] and abs(after - before) < 0.5 * least else 0.0
            came = {i: water[i] if sign > 0 else 0.0 for i in begins}
            found = []
            for i in begins:
                unlike = off[i] > 0.03 and h[i + length] - h[i - 1] <= 13.0
                unlike = unlike and off[i] > 0.03 + 2.0 * own_peak(r, rows, begins, off, came, i)
                if off[i] > 0.03 + bounds.still[i] - 0.015 and (cannot[i] or unlike):
                    found += range(i, i + length)
            taken[found] = True
    return taken


@pytest.mark.parametrize("seed", [1, 4, 6, 7, 15])
def test_spikes_reading_by_reading(seed, monkeypatch):
    r = spoiled(seed)
    rows = np.flatnonzero(np.arange(len(r.series)) % 11 != 5)
    found, expected = probe_jumps.spike_values(r, rows), spikes_by_hand(r, rows)
    np.testing.assert_array_equal(found[rows], expected)
    asked, peaks = [], probe_jumps._own_peaks
    monkeypatch.setattr(probe_jumps, "_own_peaks", lambda *given: asked.append(given[2]) or peaks(*given))
    probe_jumps.spike_values(r, rows)
    came = [r.water[a + 1 : b + 1].sum() for a, b in zip(rows, rows[1:], strict=False)]
    for length in (1, 2, 3):  # with the water since the reading before a peak, without any before a dip
        np.testing.assert_allclose(asked[2 * length - 2], came[: len(rows) - length - 1])
        assert not asked[2 * length - 1].any()
    assert 4 < found.sum() < 120 and not found[np.arange(len(r.series)) % 11 == 5].any()


def test_no_spike_stands_between_two_series():
    # the first reading of a series lies off the last one of the series before and off its own second
    first, second = np.full(60, 0.2), np.append(0.3, np.full(59, 0.2))
    two = several([record(first, et=0.0), record(second, et=0.0)])
    assert not probe_jumps.spike_values(two, np.arange(120)).any()
    last = several([record(second[::-1].copy(), et=0.0), record(first, et=0.0)])
    assert not probe_jumps.spike_values(last, np.arange(120)).any()


# ------------------------------------------------------------------------------------------------------------- steps


def stepped(seed):
    """Drawn series whose level shifts, for good or for hours, some of them together."""
    rng = np.random.default_rng(seed + 90)
    r = drawn(seed, count=5, n=120, step=2.0)
    x = 0.2 + 0.2 * (r.moisture - 0.2)
    for k in range(5):
        own = np.flatnonzero(r.series == k)
        for at, kept, size in ((30, True, 0.09), (75, False, -0.08), (95, False, 0.07)):
            begin = own[at + int(rng.integers(-8, 8))]
            end = own[-1] + 1 if kept and k < 2 else min(begin + int(rng.integers(2, 18)), own[-1] + 1)
            x[begin:end] += size * (1.0 if k % 2 else -1.0) ** (at == 30)
        if k > 1:
            together = np.flatnonzero((r.series == k) & (r.hours >= 130.0 + k))[0]
            x[together : together + 5] += 0.09
    return replace(r, moisture=np.clip(x, 0.02, 0.5), temperature=np.full(len(x), NOT))


def stays_by_hand(r, rows, at):
    k, t = r.series[rows[at]], r.hours[rows[at]]
    own = [i for i in rows if r.series[i] == k]
    before = [r.moisture[i] for i in own if t - 72 <= r.hours[i] < t]
    after = [i for i in own if t + 12 <= r.hours[i] <= t + 72]
    if len(before) < 3 or len(after) < 3 or r.hours[after[-1]] - t < 24:
        return None
    shift = [np.percentile([r.moisture[i] for i in after], q) - np.percentile(before, q) for q in (20, 50, 80)]
    alike = all(v > 0 for v in shift) or all(v < 0 for v in shift)
    return min(shift, key=abs) if alike else 0.0


def steps_by_hand(r, rows):
    bounds, faults, moved = probe_jumps._bounds(r, rows), [], set()
    change = np.nan_to_num(bounds.change)
    up, down = change > bounds.rise, change < -bounds.fall
    kinds, together = len(set(r.series.tolist())), set()
    for begin in (0.0, 3.0):
        boxes: dict[float, set[int]] = {}
        for i in np.flatnonzero(up):
            boxes.setdefault((r.hours[rows[i]] + begin) // 6.0, set()).add(int(r.series[rows[i]]))
        for i in np.flatnonzero(up):
            if kinds >= 4 and len(boxes[(r.hours[rows[i]] + begin) // 6.0]) >= max(3, 0.4 * kinds):
                together.add(int(i))
    h, heights = r.hours[rows], []
    for sign in (1.0, -1.0):
        height = {}
        for j in range(len(rows)):
            took = h[j] - h[j - 1] if j else np.inf
            came = r.water[rows[j - 1] + 1 : rows[j] + 1].sum() if j else 1.0
            use = 0 < took <= 6.5 and (sign < 0 or came <= 0)
            height[j] = max(sign * change[j], 0.0) if use else 0.0
        heights.append(height)
    none, every = dict.fromkeys(range(len(rows)), 0.0), range(len(rows))
    for i in every:
        k, row = int(r.series[rows[i]]), int(rows[i])
        unlike = any(of[i] > 0.03 and of[i] > 0.03 + 2.0 * own_peak(r, rows, every, of, none, i) for of in heights)
        if k in moved or not (up[i] or down[i] or unlike):
            continue
        step = float(change[i])
        last = int(np.flatnonzero(r.series == k)[-1])
        if i in together:
            faults.append(Fault("unrecorded", "water", k, row, row, step))
            continue
        stays = stays_by_hand(r, rows, i)
        if stays is not None and stays / step >= 0.6:
            moved.add(k)
            faults.append(Fault("moved", "moisture", k, row, last, step))
        elif up[i] or down[i]:
            level, end = r.moisture[rows[i - 1]], i
            for j in range(i, len(rows)):
                apart = np.sign(step) * (r.moisture[rows[j]] - level)
                if r.series[rows[j]] != k or h[j] > h[i] + 24 or apart < bounds.still[i] / 2:
                    break
                end = j
            faults.append(Fault("wetting" if step > 0 else "drop", "moisture", k, row, int(rows[end]), step))
    return faults


@pytest.mark.parametrize("seed", SEEDS)
def test_steps_reading_by_reading(seed):
    r = stepped(seed)
    rows = np.flatnonzero(np.arange(len(r.series)) % 17 != 5)
    found = probe_jumps.steps(r, rows, np.zeros(len(r.series), bool))
    assert found == steps_by_hand(r, rows)
    for at in range(0, len(rows), 9):
        assert probe_jumps._stays(r, rows, at) == pytest.approx(stays_by_hand(r, rows, at))
    assert len(found) > 4


def test_over_all_seeds_every_kind_of_step_is_met():
    met = set()
    for seed in SEEDS:
        r = stepped(seed)
        met |= {f.rule for f in probe_jumps.steps(r, np.arange(len(r.series)), np.zeros(len(r.series), bool))}
    assert met == {"moved", "wetting", "drop", "unrecorded"}


def test_a_swing_that_changed_stands_for_the_move_unless_moisture_moved_a_day_and_a_half_before(monkeypatch):
    x = 0.2 + np.zeros(240)
    x[100:] += 0.08
    r = several([record(x, et=0.0) for _ in range(2)])
    rows, alive = np.arange(480), np.zeros(480, bool)
    for late, told in ((-40, "temperature"), (-36, "moisture"), (0, "moisture"), (40, "moisture")):
        monkeypatch.setattr(probe_jumps, "_swing_changes", lambda *_, late=late: {0: (100 + late, 0.5)})
        moves = [f for f in probe_jumps.steps(r, rows, alive) if f.rule == "moved"]
        first = next(f for f in moves if f.series == 0)
        assert (first.what, first.last) == (told, 239) and len(moves) == 2
        if told == "temperature":
            assert (first.first, first.size) == (60, 0.5)
    monkeypatch.setattr(probe_jumps, "_swing_changes", lambda *_: {1: (250, 2.0)})
    still = several([record(0.2 + np.zeros(240), et=0.0) for _ in range(2)])
    assert probe_jumps.steps(still, rows, alive) == [Fault("moved", "temperature", 1, 250, 479, 2.0)]


def test_two_readings_a_day_apart_and_more_can_be_stuck_and_none_cannot():
    two = record([0.2, 0.2], step=60.0, temperature=20.0)
    assert not probe_standstill.stuck_values(two, np.arange(2)).any()
    assert not probe_standstill.stuck_values(two, np.arange(0)).any()


# ---------------------------------------------------------------------------------------------------- standing still


def rough(seed):
    """Series that rest for hours and days, fine and coarse ones, some with their temperature, with days not read."""
    rng = np.random.default_rng(seed + 200)
    parts = []
    for step, coarse in ((1.0, 0.0), (1.0, 0.01), (6.0, 0.0), (3.0, 0.02), (12.0, 0.0), (1.0, 0.0)):
        n = int(12 * 24 / step)
        x = 0.30 - 0.0004 * step * np.arange(n) + 0.02 * np.sin(np.arange(n) * step / 8.0) + rng.normal(0, 0.001, n)
        warm = 20 + 3 * np.cos(np.arange(n) * step / 24 * 2 * np.pi)
        keep = np.ones(n, bool)
        for _ in range(4):
            length = int(rng.choice([18, 24, 30, 54, 80]) / step)
            at = int(rng.choice([0, n - length, rng.integers(0, n - length)]))
            x[at : at + length] = x[at] + rng.normal(0, rng.choice([0.0, 0.0, 0.0003, 0.0006]), length)
            if rng.random() < 0.4:
                warm[at : at + length] = warm[at]
            day = int(at * step / 24) + int(length * step / 24)
            if rng.random() < 0.5:  # the day after it was not read
                keep[int(day * 24 / step) : int((day + 1) * 24 / step)] = False
        x = np.round(x / coarse) * coarse if coarse else x
        water = np.where(rng.random(n) < 0.03, 3.0, 0.0)
        r = record(np.clip(x, 0.02, 0.45), step=step, water=water, et=rng.uniform(0.05, 0.3) * step, temperature=warm)
        rows = {f: getattr(r, f)[keep] for f in "series hours moisture ec temperature water since_water et air".split()}
        parts.append(replace(r, **rows))
    # the next series begins where the last one rests
    parts[-1].moisture[:6] = parts[-2].moisture[-1]
    return several(parts)


@pytest.mark.parametrize("seed", range(6))
def test_what_stands_still_run_by_run_and_day_by_day(seed):
    r = rough(seed)
    rows = np.arange(len(r.series))
    stuck, flat = probe_standstill.stuck_values(r, rows), probe_standstill.flat_values(r, rows)
    np.testing.assert_array_equal(stuck, stuck_by_hand(r))
    np.testing.assert_array_equal(flat, flat_by_hand(r))
    assert stuck.any() and flat.any() and not (stuck | flat).all()


# ------------------------------------------------------------------------------------------------ swings of temperature


def swings_by_hand(r):
    """Series whose daily swing changed against the others', day by day: (row, ratio)."""
    day = np.floor(r.hours / 24.0).astype(int)
    first, days, kinds = day.min(), day.max() - day.min() + 1, len(r.field_capacity)
    read = {(k, d): r.temperature[(r.series == k) & (day == first + d)] for k in range(kinds) for d in range(days)}
    read = {key: t[np.isfinite(t)] for key, t in read.items()}
    usual = np.median([t.size for t in read.values() if t.size])
    log = np.full((kinds, days), NOT)
    for (k, d), t in read.items():
        if t.size >= 4 and t.size >= 0.7 * usual and t.max() > t.min():
            log[k, d] = np.log(max(t.max() - t.min(), 0.2))
    log = np.array([row - middle(row) for row in log])
    log = log - np.array([middle(log[:, d]) for d in range(days)])
    found = {}
    for k in range(kinds):
        best = 0.0
        for d in range(4, days - 4):
            before, after = log[k, d - 4 : d], log[k, d + 1 : d + 5]
            if not (np.isfinite(before).all() and np.isfinite(after).all()):
                continue
            gap = after.mean() - before.mean()
            error = np.sqrt((before.var(ddof=1) + after.var(ddof=1)) / 4)
            if abs(gap) > max(0.35, 5 * error, best):
                best = abs(gap)
                row = np.flatnonzero((r.series == k) & (day >= first + d))[0]
                found[k] = (row, pytest.approx(np.exp(gap)))
    return found


@pytest.mark.parametrize("seed", range(6))
def test_swings_that_change_series_by_series(seed):
    rng = np.random.default_rng(seed)
    n, parts = 24 * 15, []
    weather = np.repeat(rng.uniform(0.7, 1.3, 15), 24)
    for _ in range(6):
        swing = 4.0 * weather * np.exp(np.repeat(rng.normal(0, rng.choice([0.02, 0.1, 0.2]), 15), 24))
        swing[24 * rng.integers(4, 11) :] *= rng.choice([1.0, 0.5, 0.68, 0.75, 1.5, 2.2])
        warm = 20 + swing * np.cos(np.arange(n) / 24 * 2 * np.pi)
        for _ in range(2):
            at = rng.integers(0, n - 20)
            warm[at : at + rng.integers(4, 20 if seed < 3 else 60)] = NOT
        parts.append(record(0.2 + np.zeros(n), temperature=warm))
    r = several(parts)
    assert probe_jumps._swing_changes(r, np.ones(len(r.series), bool)) == swings_by_hand(r)
