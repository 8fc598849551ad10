"""Probes that stand still: one value that stays, or one around which readings only shake, while the soil must change.

All limits: common practice, no source.
"""

from __future__ import annotations

import numpy as np

from models.probe_record import BoolArray, FloatArray, IntArray, ProbeRecord, nanmedian

STUCK_ROWS, STUCK_HOURS = 6, 18.0  # the same value so often, for so long [h],
STUCK_FEW, STUCK_DAYS = 3, 47.0  # or so often for so long [h] where readings are rare,
STUCK_CHANGES = 4.0  # while ET should have changed it by so many times the finest step it shows [-]
STUCK_CHANCE = 0.02  # and the series repeats itself too seldom for such a run: runs to be expected by chance [-]
THIRD, TIMES_THIRD = 3, 2.0  # where values hang together: so many times the series' third longest run [-]
FLAT_ROWS = 6  # readings of two days that tell how far they move,
FLAT_WETTED = 24  # and where water came in between, which fills again what roots took; fewer tell from three days on
FLAT_SHARE = 0.3  # they move less than this share of what roots take [-]
FLAT_OWN = 0.25  # and of what the series usually does in two days [-],
FLAT_STEPS = 2.0  # that being more than so many of the finest step it shows [-]


def resolution_of(record: ProbeRecord, rows: IntArray) -> FloatArray:
    """Finest step each series shows [m3/m3], shape (S,): the least change that is not nothing, at least 0.0005."""
    x, s = record.moisture[rows], record.series[rows]
    finest = np.full(len(record.field_capacity), np.inf)
    change = np.abs(np.diff(x))
    real = (s[1:] == s[:-1]) & (change > 1e-6)
    np.minimum.at(finest, s[1:][real], change[real])
    return np.where(np.isfinite(finest), np.maximum(finest, 0.0005), 0.01)


def stuck_values(record: ProbeRecord, rows: IntArray) -> BoolArray:
    """Say which readings belong to a value that stayed while the soil must have changed, shape (R,).

    A run of one value counts if it has STUCK_ROWS readings over STUCK_HOURS or STUCK_FEW over STUCK_DAYS, if ET in that
    time, less where the soil is dry, should have changed it by STUCK_CHANGES of the finest step the series shows (a
    probe may rest at wilting point for weeks), and if either the temperature stood still too or the series is one that
    seldom repeats itself: with a share r of repeats in the rest of its N readings (by Laplace's rule of succession), a
    run of n comes about N r^(n-1) times by chance; where values hang together runs are longer, so it must also be
    TIMES_THIRD times the series' third longest. Moisture and temperature that both stand still for a day are stuck.
    """
    out = np.zeros(len(record.series), dtype=bool)
    if not len(rows):
        return out
    x, s = record.moisture[rows], record.series[rows]
    new = np.append(True, (s[1:] != s[:-1]) | (np.abs(np.diff(x)) > 1e-9))
    first = np.flatnonzero(new)
    last = np.append(first[1:], len(rows)) - 1
    of = s[first]
    hours = record.hours[rows][last] - record.hours[rows][first]
    spent = np.cumsum(record.et)
    et = spent[rows[last]] - spent[rows[first]]
    wet = (x[first] - record.wilting_point[of]) / (record.field_capacity - record.wilting_point)[of]
    expected = et * np.clip(wet, 0.0, 1.0) * record.uptake[of]
    finest = np.maximum(resolution_of(record, rows)[of], 1e-4)
    length = last - first + 1
    long = (length >= STUCK_ROWS) & (hours >= STUCK_HOURS) | (length >= STUCK_FEW) & (hours >= STUCK_DAYS)
    kinds = len(record.field_capacity)
    longest, total, repeats = np.zeros(kinds), np.zeros(kinds), np.zeros(kinds)
    np.maximum.at(longest, of, length.astype(float))
    np.add.at(total, of, length.astype(float))
    np.add.at(repeats, of, length - 1.0)
    share = np.clip((repeats - (longest - 1) + 1.0) / (np.maximum(total - longest, 0.0) + 2.0), 0.02, 0.98)[of]
    chance = np.log(total[of]) + (length - 1) * np.log(share)
    warm = record.temperature[rows]
    moves = np.append(0, np.cumsum(~(np.abs(np.diff(warm)) < 1e-9)))  # an unknown temperature moves
    cold = moves[last] == moves[first]
    ranked = np.lexsort((length, of))
    runs = np.bincount(of, minlength=kinds)
    third = np.zeros(kinds)
    third[runs >= THIRD] = length[ranked][(np.cumsum(runs) - THIRD)[runs >= THIRD]]
    seldom = (chance < np.log(STUCK_CHANCE)) & (length > TIMES_THIRD * third[of])
    held = long & (expected > STUCK_CHANGES * finest) & (cold | seldom)
    held |= cold & (length >= STUCK_ROWS) & (hours >= 24.0)  # a day has a warmest hour
    out[rows] = np.repeat(held, last - first + 1)
    return out


def flat_values(record: ProbeRecord, rows: IntArray) -> BoolArray:
    """Say which readings only shake around one value for two days and more while roots must have moved it, shape (R,).

    Over each two calendar days the standard deviation is held against that of an even loss of what roots take there,
    loss / sqrt(12), and against what is usual for the series. The run goes on to both sides as far as readings keep to
    its range.
    """
    out = np.zeros(len(record.series), dtype=bool)
    if not len(rows):
        return out
    x, s = record.moisture[rows], record.series[rows]
    day = np.floor(record.hours[rows] / 24.0).astype(np.int64)
    day -= day.min()
    kinds, days = len(record.field_capacity), int(day.max()) + 1
    if days < 2:
        return out
    cell = s * days + day
    wet = np.clip((x - record.wilting_point[s]) / (record.field_capacity - record.wilting_point)[s], 0.0, 1.0)
    lost = np.append(0.0, np.diff(np.cumsum(record.et)[rows])) * (np.append(-1, s[:-1]) == s) * wet * record.uptake[s]
    sums = [
        np.bincount(cell, weights=w, minlength=kinds * days).reshape(kinds, days)
        for w in (x * 0 + 1, x, x**2, lost, record.water[rows])
    ]
    number, total, square, loss, came = (table[:, 1:] + table[:, :-1] for table in sums)
    full = (number >= FLAT_ROWS) & (sums[0][:, 1:] > 0) & (sums[0][:, :-1] > 0)
    known = np.maximum(number, 1.0)
    moves = np.sqrt(np.maximum(square / known - (total / known) ** 2, 0.0))
    usual = np.nan_to_num(nanmedian(np.where(full, moves, np.nan), 1)[:, None])
    usual = np.where(usual > FLAT_STEPS * resolution_of(record, rows)[:, None], usual, 0.0)  # a coarse one often rests
    still = full & (moves < FLAT_SHARE * loss / np.sqrt(12.0)) & (moves < FLAT_OWN * usual)
    beside = np.zeros(still.shape, dtype=bool)
    beside[:, 1:] |= still[:, :-1]
    beside[:, :-1] |= still[:, 1:]
    still &= (came <= 0) | (number >= FLAT_WETTED) | beside
    held = np.zeros((kinds, days), dtype=bool)
    held[:, 1:] |= still
    held[:, :-1] |= still
    flat = held[s, day]
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flat.astype(np.int8), [0]))))
    for first, last in zip(edges[::2].tolist(), (edges[1::2] - 1).tolist(), strict=True):
        low, high = x[first : last + 1].min(), x[first : last + 1].max()
        while first > 0 and s[first - 1] == s[first] and low <= x[first - 1] <= high:
            first -= 1
        while last + 1 < len(x) and s[last + 1] == s[last] and low <= x[last + 1] <= high:
            last += 1
        flat[first : last + 1] = True
    out[rows] = flat
    return out
