"""Changes the soil cannot do: spikes, wetting without water, sudden drops, and levels that shift for good.

What the soil can do between two readings is bounded by the water that can have come, by evapotranspiration and by
drainage above field capacity; and a change is held against what the same series does otherwise. All limits: common
practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.probe_record import (
    UNKNOWN_WATER,
    BoolArray,
    Fault,
    FloatArray,
    IntArray,
    ProbeRecord,
    median_by,
    nanmedian,
    quantile_by,
)

SENSED = 80.0  # depth of soil that ET dries while a probe reads it, at the least [mm]
WETTED = 40.0  # depth of soil that a given depth of water wets, at the least [mm]
STILL = 0.015  # what a sound reading may move without any cause: temperature, contact [m3/m3]
MEDIAN_TO_SD, QUARTER_TO_SD = 1.4826, 3.1382  # from quantiles of |x| to the sd of a normal x [-]. Computed
QUIET, QUIET_ROWS = 12.0, 10  # so long after water a probe is at rest [h]; readings at rest that tell its noise
NOISES = 4.0  # and this many times the noise of the series [-]
ET_EXCESS = 1.5  # roots take more here than the mean [-]
UPTAKE_EXCESS = 3.0  # and at a depth so many times what the usual pattern of roots gives [-]
FC_DOUBT = 0.03  # field capacity may be lower than said [m3/m3]
DRAINS = 48.0  # drainage goes on after water [h]
DRAIN_TIME = 0.7  # and takes this long, plus the time since water [h]
LOW_DAYS, LOW_LEAST = 10, 4  # days before a reading that show how far its soil drains, at the most and the least [d]
SPIKE = 0.03  # least height of a spike [m3/m3]
SPIKE_ROWS = 3  # readings it may last
SPIKE_HOURS = 6.0  # and hours, if more than one reading [h]
UNLIKE = 2.0  # a peak or dip is unlike the series' own from this many times them, more water counted in [-]
OWN_PEAKS = 3  # the third greatest of a series stands for its own: the greatest may be faults
OWN_ROWS = 12  # readings of a kind that tell what a series does by itself,
OWN_HOURS = 13.0  # unless they are farther apart than this [h]: from day to day weather makes peaks and dips
LEAST_PEAK = 0.01  # what any series may do by itself [m3/m3]
AT_ONCE = 1.0  # no water comes and is gone again without a trace in this time [h],
TRACE = 0.2  # a trace being this share of the height [-]
STAYS_HOURS = 72.0  # levels before and after a step are compared over this long [h]
STAYS_FROM = 12.0  # leaving out the first hours, in which water that came sinks away [h]
STAYS_LEAST = 24.0  # at least so much record after a step before it is called a move [h]
STAYS_SHARE = 0.6  # share of the step that must stay [-]
STAYS_LEVELS = (20, 50, 80)  # at each of these levels [%]
SWING_CHANGE = 0.35  # change of the logarithm of the daily temperature swing [-]
SWING_DAYS = 4  # days before and after


def noise_of(record: ProbeRecord, rows: IntArray) -> FloatArray:
    """Noise of each series [m3/m3], (S,), from its second differences: Var(x0 - 2 x1 + x2) = 6 sigma^2.

    Only stretches without water count where a series has enough of them, and what ET takes is put back; or the quieter
    quarter, if that is less: with readings hours apart the day's own course would pass for noise.
    """
    x, s = record.moisture[rows], record.series[rows]
    kinds = len(record.field_capacity)
    found = np.full((4, kinds), np.nan)
    if len(rows) > 2:
        inner = (s[2:] == s[:-2]) & (record.hours[rows][2:] - record.hours[rows][:-2] < SPIKE_HOURS * 3)
        quiet = inner & (record.since_water[rows][:-2] >= QUIET)
        quiet &= np.bincount(s[1:-1], weights=quiet, minlength=kinds)[s[1:-1]] >= QUIET_ROWS
        wet = (x - record.wilting_point[s]) / (record.field_capacity - record.wilting_point)[s]
        drawn = np.append(0.0, np.diff(np.cumsum(record.et)[rows])) * record.uptake[s] * np.clip(wet, 0.0, 1.0)
        bend = x[2:] - 2 * x[1:-1] + x[:-2]
        straight = bend + drawn[2:] - drawn[1:-1]
        for k, (value, use) in enumerate(((bend, inner), (bend, quiet), (straight, quiet))):
            found[k] = MEDIAN_TO_SD * quantile_by(s[1:-1], np.where(use, np.abs(value), np.nan), kinds, 0.5)
        far = inner & (record.hours[rows][2:] - record.hours[rows][:-2] >= SPIKE_HOURS)
        found[3] = QUARTER_TO_SD * quantile_by(s[1:-1], np.where(far, np.abs(bend), np.nan), kinds, 0.25)
    spread = np.fmin.reduce(found) / np.sqrt(6.0)
    return np.where(np.isfinite(spread), spread, 0.0)


@dataclass(frozen=True)
class _Bounds:
    """Change since the sound reading before, and the most it can be; NaN where a series begins. Shape (rows,)."""

    change: FloatArray
    rise: FloatArray
    fall: FloatArray
    still: FloatArray


def _bounds(record: ProbeRecord, rows: IntArray) -> _Bounds:
    """Bound the change between readings that follow each other among `rows`."""
    x, s = record.moisture[rows], record.series[rows]
    still = STILL + NOISES * noise_of(record, rows)[s]
    change = np.full(len(rows), np.nan)
    rise, fall = still.copy(), still.copy()
    if len(rows) > 1:
        same = s[1:] == s[:-1]
        change[1:] = np.where(same, np.diff(x), np.nan)
        came, spent = np.cumsum(record.water)[rows], np.cumsum(record.et)[rows]
        rise[1:] += np.maximum(np.diff(came), 0.0) / WETTED
        middle = median_by(s, x, len(record.field_capacity))
        floor = np.fmax(np.minimum(record.field_capacity - FC_DOUBT, middle)[s], _low_before(record, rows))
        took, since = np.diff(record.hours[rows]), record.since_water[rows][1:]
        slow = 1.0 - np.exp(-np.maximum(took, 0.0) / (DRAIN_TIME + np.maximum(since - took, 0.0)))
        part = np.where(since - took < DRAINS, np.where(since > 0.0, slow, 1.0), 0.0)  # all of it while water may come
        drains = part * np.maximum(x[:-1] - floor[:-1], 0.0)
        drawn = np.minimum(ET_EXCESS / SENSED, UPTAKE_EXCESS * record.uptake)[s]
        fall[1:] += drawn[1:] * np.maximum(np.diff(spent), 0.0) + drains
    return _Bounds(change, rise, fall, still)


def _low_before(record: ProbeRecord, rows: IntArray) -> FloatArray:
    """Level that the series' soil has drained to on the days before each reading (rows,); NaN = too few days.

    The second least of the daily minima of LOW_DAYS days: what has drained lately does not drain below that.
    """
    s, day = record.series[rows], np.floor(record.hours[rows] / 24.0).astype(np.int64)
    if not len(rows):
        return np.zeros(0)
    day -= day.min()
    least = np.full((len(record.field_capacity), int(day.max()) + 1), np.inf)
    np.minimum.at(least, (s, day), record.moisture[rows])
    low = np.full(least.shape, np.nan)
    for d in range(LOW_LEAST, least.shape[1]):
        before = least[:, max(d - LOW_DAYS, 0) : d]
        second = np.partition(before, 1, axis=1)[:, 1]
        low[:, d] = np.where(np.isfinite(before).sum(axis=1) >= LOW_LEAST, second, np.nan)
    return low[s, day]


def spike_values(record: ProbeRecord, rows: IntArray) -> BoolArray:
    """Say which readings leave the record and return to it at once, shape (R,).

    One to SPIKE_ROWS readings that lie off both neighbours to the same side, by more than the soil can do on at least
    one of the two ways, while the neighbours agree to half of it; or there and gone within AT_ONCE without a trace; or
    a peak or dip unlike any other that the series shows, with water or without (`_own_peaks`).
    """
    out = np.zeros(len(record.series), dtype=bool)
    taken = np.zeros(len(rows), dtype=bool)
    bounds = _bounds(record, rows)
    x, s, hours = record.moisture[rows], record.series[rows], record.hours[rows]
    water = np.append(0.0, np.diff(np.cumsum(np.minimum(record.water, UNKNOWN_WATER))[rows]))
    for length in range(1, SPIKE_ROWS + 1):
        count = len(rows) - length - 1
        if count < 1:
            break
        a, first, last, c = (np.arange(count) + k for k in (0, 1, length, length + 1))
        whole = (s[a] == s[c]) & ~taken[a] & ~taken[c]
        if length > 1:
            whole &= hours[c] - hours[a] <= SPIKE_HOURS
        for sign in (1.0, -1.0):
            there, back = sign * (x[first] - x[a]), sign * (x[last] - x[c])
            out_limit, back_limit = (bounds.rise, bounds.fall) if sign > 0 else (bounds.fall, bounds.rise)
            height = SPIKE + bounds.still[first] - STILL
            off = np.minimum(there, back)
            cannot = (there > out_limit[first]) | (back > back_limit[c])
            cannot |= (hours[c] - hours[a] <= AT_ONCE) & (np.abs(x[c] - x[a]) < TRACE * off)
            off = np.where(whole & (np.abs(x[c] - x[a]) < 0.5 * off), off, 0.0)
            near = hours[c] - hours[a] <= OWN_HOURS
            came = water[first] if sign > 0 else np.zeros(count)
            cannot |= near & (off > SPIKE + UNLIKE * _own_peaks(s[first], off, came, len(record.field_capacity)))
            found = (off > height) & cannot
            for k in range(length):
                taken[first[found] + k] = True
    out[rows] = taken
    return out


def _own_peaks(series: IntArray, height: FloatArray, water: FloatArray, kinds: int) -> FloatArray:
    """Height that a series' own peaks reach under as much water [m3/m3], the shape of `height`; inf = not known.

    The OWN_PEAKS-th greatest of the series among readings with water, or among those without, in proportion to the
    water where there is more of it than usual.
    """
    own = np.full(len(series), np.inf)
    for wetted in (False, True):
        here = (water > 0.0) == wetted
        number = np.bincount(series[here], minlength=kinds)
        tall = np.flatnonzero(here & (height > LEAST_PEAK))
        tall = tall[np.lexsort((height[tall], series[tall]))]
        count = np.bincount(series[tall], minlength=kinds)
        enough = count >= OWN_PEAKS
        reached = np.full(kinds, LEAST_PEAK)
        reached[enough] = height[tall][(np.cumsum(count) - OWN_PEAKS)[enough]]
        reached[number < OWN_ROWS] = np.inf
        usual = median_by(series[here], water[here], kinds) if wetted else np.ones(kinds)
        more = np.maximum(water[here] / usual[series[here]], 1.0) if wetted else 1.0
        own[here] = reached[series[here]] * more
    return own


def steps(record: ProbeRecord, rows: IntArray, dead: BoolArray) -> list[Fault]:
    """Find steps the soil cannot do: a moved probe if the level stays, else wetting without water or a sudden drop.

    Most probes rising together are no fault of theirs: water came that is not on record. `dead` marks stuck readings,
    whose temperatures say nothing either.
    """
    bounds = _bounds(record, rows)
    change = np.nan_to_num(bounds.change)
    up, down = change > bounds.rise, -change > bounds.fall
    together = _together(record, rows, up)
    unlike = _unlike_own(record, rows, change)
    swing = _swing_changes(record, ~dead)
    faults: list[Fault] = []
    moved_from: dict[int, int] = {}
    ends = np.append(np.flatnonzero(np.diff(record.series)), len(record.series) - 1)
    end_of = {int(record.series[e]): int(e) for e in ends}
    for at in np.flatnonzero(up | down | unlike).tolist():
        series, row = int(record.series[rows[at]]), int(rows[at])
        if series in moved_from:
            continue
        step = float(change[at])
        if together[at]:
            faults.append(Fault("unrecorded", "water", series, row, row, step))
            continue
        stays = _stays(record, rows, at)
        if stays is not None and stays / step >= STAYS_SHARE:
            moved_from[series] = row
            faults.append(Fault("moved", "moisture", series, row, end_of[series], step))
        elif up[at] or down[at]:
            last = int(rows[_until_return(record, rows, at, float(bounds.still[at]))])
            faults.append(Fault("wetting" if step > 0 else "drop", "moisture", series, row, last, step))
    for series, (row, size) in swing.items():
        if series not in moved_from or record.hours[row] < record.hours[moved_from[series]] - 36.0:
            faults = [f for f in faults if not (f.series == series and f.rule == "moved")]
            faults.append(Fault("moved", "temperature", series, row, end_of[series], size))
    return faults


def _unlike_own(record: ProbeRecord, rows: IntArray, change: FloatArray) -> BoolArray:
    """Say which changes without water are unlike any other the series shows, (rows,); not for readings far apart."""
    s, kinds = record.series[rows], len(record.field_capacity)
    took = np.append(np.inf, np.diff(record.hours[rows]))
    came = np.append(1.0, np.diff(np.cumsum(record.water)[rows]))
    out = np.zeros(len(rows), dtype=bool)
    for sign in (1.0, -1.0):
        use = (took > 0) & (took <= OWN_HOURS / 2) & ((sign < 0) | (came <= 0))
        height = np.where(use, np.maximum(sign * change, 0.0), 0.0)
        out |= height > SPIKE + UNLIKE * _own_peaks(s, height, np.zeros(len(rows)), kinds)
    return out


def _together(record: ProbeRecord, rows: IntArray, up: BoolArray) -> BoolArray:
    """Say which rises happened to at least 40 % of the series, and three of them, within six hours."""
    out = np.zeros(len(rows), dtype=bool)
    kinds = len(np.unique(record.series))
    if kinds < 4 or not up.any():
        return out
    at = np.flatnonzero(up)
    for shift in (0.0, 3.0):  # two sets of boxes, so that an edge cannot part them
        box = np.floor((record.hours[rows[at]] + shift) / 6.0).astype(np.int64)
        pairs = np.unique(np.column_stack([box, record.series[rows[at]]]), axis=0)
        boxes, count = np.unique(pairs[:, 0], return_counts=True)
        many = boxes[count >= max(3.0, 0.4 * kinds)]
        out[at] |= np.isin(box, many)
    return out


def _stays(record: ProbeRecord, rows: IntArray, at: int) -> float | None:
    """Give how far the days after a step lie off the days before, in its direction; None if too little is known.

    Dry, middle and wet levels of both must differ; the least difference counts: water that came lifts not all of them.
    """
    s, hours, x = record.series[rows], record.hours[rows], record.moisture[rows]
    here = s == s[at]
    before = here & (hours < hours[at]) & (hours >= hours[at] - STAYS_HOURS)
    after = here & (hours >= hours[at] + STAYS_FROM) & (hours <= hours[at] + STAYS_HOURS)
    if before.sum() < 3 or after.sum() < 3 or hours[after].max() - hours[at] < STAYS_LEAST:
        return None
    shift = np.percentile(x[after], STAYS_LEVELS) - np.percentile(x[before], STAYS_LEVELS)
    return float(shift[np.argmin(np.abs(shift))]) if (shift > 0).all() or (shift < 0).all() else 0.0


def _until_return(record: ProbeRecord, rows: IntArray, at: int, still: float) -> int:
    """Give the last place in `rows` before the record is back where it was, a day on at the most."""
    level = record.moisture[rows[at - 1]]
    sign = np.sign(record.moisture[rows[at]] - level)
    last = at
    for k in range(at, len(rows)):
        late = record.hours[rows[k]] > record.hours[rows[at]] + 24.0
        if record.series[rows[k]] != record.series[rows[at]] or late:
            break
        if sign * (record.moisture[rows[k]] - level) < still / 2:
            break
        last = k
    return last


def _swing_changes(record: ProbeRecord, alive: BoolArray) -> dict[int, tuple[int, float]]:
    """Find series whose daily temperature swing changed for good against the other probes': {series: (row, ratio)}.

    The swing is the day's greatest less its least temperature; it shrinks with depth and in shade. Weather moves all
    probes together, so each day's is divided by the middle of all series. A change is one of SWING_CHANGE in the
    logarithm between SWING_DAYS before and after, and five times the error of that difference.
    """
    kinds = len(record.field_capacity)
    day = np.floor(record.hours / 24.0).astype(np.int64)
    first = int(day.min())
    days = int(day.max()) - first + 1
    known = np.isfinite(record.temperature) & alive
    if kinds < 3 or days < 2 * SWING_DAYS + 1:
        return {}
    cell = record.series * days + (day - first)
    high, low = np.full(kinds * days, -np.inf), np.full(kinds * days, np.inf)
    np.maximum.at(high, cell[known], record.temperature[known])
    np.minimum.at(low, cell[known], record.temperature[known])
    count = np.bincount(cell[known], minlength=kinds * days)
    enough = (count >= 4) & (count >= 0.7 * np.median(count[count > 0])) if known.any() else count > 0
    swing = np.full(kinds * days, np.nan)
    enough &= high > low  # a temperature that stands still is no swing
    swing[enough] = np.log(np.maximum(high - low, 0.2)[enough])
    table = swing.reshape(kinds, days)
    own = table - nanmedian(table, 1)[:, None]
    table = own - nanmedian(own, 0)[None, :]
    out: dict[int, tuple[int, float]] = {}
    best = np.zeros(kinds)
    for k in range(SWING_DAYS, days - SWING_DAYS):
        a, b = table[:, k - SWING_DAYS : k], table[:, k + 1 : k + 1 + SWING_DAYS]  # the day itself is mixed
        full = np.isfinite(a).all(axis=1) & np.isfinite(b).all(axis=1)
        gap = np.where(full, b.mean(axis=1) - a.mean(axis=1), 0.0)
        error = np.where(full, np.sqrt((a.var(axis=1, ddof=1) + b.var(axis=1, ddof=1)) / SWING_DAYS), np.inf)
        better = (np.abs(gap) > SWING_CHANGE) & (np.abs(gap) > 5 * error) & (np.abs(gap) > best)
        for series in np.flatnonzero(better).tolist():
            best[series] = abs(gap[series])
            row = int(np.flatnonzero((record.series == series) & (day >= first + k))[0])
            out[series] = (row, float(np.exp(gap[series])))
    return out
