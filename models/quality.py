"""Quality control of probe readings: which of them cannot be what the soil did.

Readings of many probes lie one behind the other in flat arrays, sorted by series and time; a series is one probe in
one place. What the soil can do between two readings is bounded by the water that can have come, by evapotranspiration
and by drainage above field capacity. A reading outside of these bounds is a spike if the record returns, a moved
probe if the new level stays, and wetting without water otherwise. The bounds are wide on purpose: a false alarm costs
more trust than a late one.

The rules are those every network of soil probes uses in one form or another (range, spike, step, constant value,
gap); the limits are common practice, no source, and were set on simulated records (`tests/scheduler/test_quality.py`
measures them on others).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

# All limits: common practice, no source.
DRIEST = 0.005  # no soil under turf reads less [m3/m3]
OVER_SATURATION = 0.08  # a probe may read this much too wet [m3/m3]
PONDED = 0.05  # and this much more while water stands on it [m3/m3]
SENSED = 80.0  # depth of soil that ET dries while a probe reads it, at the least [mm]
WETTED = 40.0  # depth of soil that a given depth of water wets, at the least [mm]
STILL = 0.015  # what a sound reading may move without any cause: temperature, contact [m3/m3]
NOISES = 4.0  # and this many times the noise of the series [-]
ET_EXCESS = 1.5  # roots take more here than the mean [-]
FC_DOUBT = 0.03  # field capacity may be lower than said [m3/m3]
DRAINS = 48.0  # drainage goes on after water [h]
DRAIN_TIME = 0.7  # and takes this long, plus the time since water [h]
SPIKE = 0.03  # least height of a spike [m3/m3]
SPIKE_ROWS = 3  # readings it may last
SPIKE_HOURS = 6.0  # and hours, if more than one reading [h]
AT_ONCE = 1.0  # no water comes and is gone again without a trace in this time [h],
TRACE = 0.2  # a trace being this share of the height [-]
STUCK_ROWS = 6  # the same value so often,
STUCK_HOURS = 18.0  # for so long [h],
STUCK_CHANGES = 4.0  # while ET should have changed it by so many times the finest step it shows [-]
STUCK_CHANCE = 0.02  # and the series repeats itself too seldom for such a run: runs to be expected by chance [-]
STAYS_HOURS = 72.0  # levels before and after a step are compared over this long [h]
STAYS_FROM = 12.0  # leaving out the first hours, in which water that came sinks away [h]
STAYS_LEAST = 24.0  # at least so much record after a step before it is called a move [h]
STAYS_SHARE = 0.4  # share of the step that must stay [-]
STAYS_LEVELS = (20, 50, 80)  # at each of these levels [%]
GAP_TIMES, GAP_HOURS = 2.5, 3.0  # longer than so many usual intervals, and than this [h]
COLDEST, HOTTEST = -10.0, 50.0  # of the soil under turf [degC]
FROM_AIR = 16.0  # soil off the air of the last days [degC]
FROM_NEIGHBOURS = 8.0  # a temperature off the readings around it [degC]
SALTIEST = 10.0  # bulk EC of soil turf lives in, at the most [dS/m]
EC_FACTOR, EC_STEP = 2.0, 0.25  # EC off the readings around it: by this factor [-] and this much [dS/m]
SWING_CHANGE = 0.35  # change of the logarithm of the daily temperature swing [-]
SWING_DAYS = 4  # days before and after
OF_SERIES = ("field_capacity", "wilting_point", "saturation", "uptake", "end")
UNKNOWN_WATER = 1.0e4  # stands for water that is not on record but may have come [mm]


@dataclass(frozen=True)
class ProbeRecord:
    """Readings and what could have moved them, R readings of S series.

    Attributes
    ----------
    series : int ndarray, shape (R,)             Which series, 0 to S - 1, ascending.
    hours : ndarray, shape (R,)                  Time [h], strictly ascending within a series.
    moisture, ec, temperature : ndarray, (R,)    [m3/m3], bulk [dS/m], [degC]; NaN = not known.
    water : ndarray, shape (R,)                  Most water that can have come since the series' reading before [mm].
    since_water : ndarray, shape (R,)            Time since water can last have come [h]; inf = none in the record.
    et : ndarray, shape (R,)                     Crop ET since the reading before [mm].
    air : ndarray, shape (R,)                    Mean air temperature of the last days [degC]; NaN = not known.
    field_capacity, wilting_point, saturation : ndarray, shape (S,)    [m3/m3].
    uptake : ndarray, shape (S,)                 Share of ET drawn from each mm of depth where the probe is [1/mm].
    end : ndarray, shape (S,)                    Newest time of the site, or when the probe left [h].
    """

    series: IntArray
    hours: FloatArray
    moisture: FloatArray
    ec: FloatArray
    temperature: FloatArray
    water: FloatArray
    since_water: FloatArray
    et: FloatArray
    air: FloatArray
    field_capacity: FloatArray
    wilting_point: FloatArray
    saturation: FloatArray
    uptake: FloatArray
    end: FloatArray

    def __post_init__(self) -> None:
        """Check shapes, order and finiteness."""
        count, kinds = len(self.series), len(self.field_capacity)
        for f in fields(self):
            value = getattr(self, f.name)
            expected = (kinds,) if f.name in OF_SERIES else (count,)
            if value.shape != expected:
                raise ValueError(f"{f.name}: shape {value.shape}, expected {expected}")
        for name in ("hours", "water", "et", *OF_SERIES):
            if not np.isfinite(getattr(self, name)).all():
                raise ValueError(f"{name}: must be finite")
        if count and (self.series.min() < 0 or self.series.max() >= kinds):
            raise ValueError("series: outside of the series described")
        step = np.diff(self.series)
        if (step < 0).any() or ((step == 0) & (np.diff(self.hours) <= 0)).any():
            raise ValueError("hours: readings must be sorted by series and time, each time once")


@dataclass(frozen=True)
class Fault:
    """A run of readings that cannot be believed.

    rule : range, spike, stuck, wetting, drop, moved, unrecorded, gap, temperature, ec
    what : moisture, ec, temperature, readings (missing ones), water (that came and is not on record: the readings are
    believed) series, first, last : series and rows of the record
    size : what the reason is told with: the value, the step [m3/m3], or the hours
    """

    rule: str
    what: str
    series: int
    first: int
    last: int
    size: float


def find_faults(record: ProbeRecord) -> list[Fault]:
    """Apply every rule, the surest first; what one has explained is left out of the next.

    Parameters
    ----------
    record : ProbeRecord

    Returns
    -------
    list of Fault
        Sorted by series and first row.
    """
    faults: list[Fault] = []
    if not len(record.series):
        return faults
    outside = out_of_range(record)
    faults += _runs("range", "moisture", record, outside, record.moisture)
    sound = ~outside & np.isfinite(record.moisture)
    stuck = stuck_values(record, np.flatnonzero(sound))
    faults += _runs("stuck", "moisture", record, stuck, record.moisture)
    sound &= ~stuck
    spikes = spike_values(record, np.flatnonzero(sound))
    faults += _runs("spike", "moisture", record, spikes, record.moisture)
    sound &= ~spikes
    faults += steps(record, np.flatnonzero(sound), stuck)
    faults += gaps(record)
    faults += _runs("temperature", "temperature", record, implausible_temperature(record), record.temperature)
    faults += _runs("ec", "ec", record, implausible_ec(record), record.ec)
    return sorted(faults, key=lambda f: (f.series, f.first, f.rule))


def out_of_range(record: ProbeRecord) -> BoolArray:
    """Say which moistures no soil of that texture can have, shape (R,)."""
    ponded = np.where(record.since_water <= 0.0, PONDED, 0.0)
    highest = record.saturation[record.series] + OVER_SATURATION + ponded
    return np.asarray((record.moisture < DRIEST) | (record.moisture > highest))


def noise_of(record: ProbeRecord, rows: IntArray) -> FloatArray:
    """Noise of each series [m3/m3], (S,), from its second differences: Var(x0 - 2 x1 + x2) = 6 sigma^2."""
    x, s = record.moisture[rows], record.series[rows]
    second = np.full(len(rows), np.nan)
    if len(rows) > 2:
        inner = (s[2:] == s[:-2]) & (record.hours[rows][2:] - record.hours[rows][:-2] < SPIKE_HOURS * 3)
        second[1:-1] = np.where(inner, x[2:] - 2 * x[1:-1] + x[:-2], np.nan)
    spread = _median_by(s, np.abs(second), len(record.field_capacity)) * 1.4826 / np.sqrt(6.0)
    return np.where(np.isfinite(spread), spread, 0.0)


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

    A run of one value counts if it has STUCK_ROWS readings over STUCK_HOURS, if ET in that time, less where the soil is
    dry, should have changed it by STUCK_CHANGES of the finest step the series shows (a probe may rest at wilting point
    for weeks), and if either the temperature stood still too or the series is one that seldom repeats itself: with a
    share r of repeats in the rest of its N readings, a run of n comes about N r^(n-1) times by chance.
    """
    out = np.zeros(len(record.series), dtype=bool)
    if len(rows) < STUCK_ROWS:
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
    long = (last - first + 1 >= STUCK_ROWS) & (hours >= STUCK_HOURS)
    length = last - first + 1
    kinds = len(record.field_capacity)
    longest, total, repeats = np.zeros(kinds), np.zeros(kinds), np.zeros(kinds)
    np.maximum.at(longest, of, length.astype(float))
    np.add.at(total, of, length.astype(float))
    np.add.at(repeats, of, length - 1.0)
    share = np.clip((repeats - (longest - 1)) / np.maximum(total - longest, 1.0), 0.02, 0.98)[of]
    chance = np.log(total[of]) + (length - 1) * np.log(share)
    warm = record.temperature[rows]
    moves = np.append(0, np.cumsum(~(np.abs(np.diff(warm)) < 1e-9)))  # an unknown temperature moves
    cold = moves[last] == moves[first]
    held = long & (expected > STUCK_CHANGES * finest) & (cold | (chance < np.log(STUCK_CHANCE)))
    out[rows] = np.repeat(held, last - first + 1)
    return out


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
        middle = _median_by(s, x, len(record.field_capacity))
        floor = np.minimum(record.field_capacity - FC_DOUBT, middle)[s]
        took, since = np.diff(record.hours[rows]), record.since_water[rows][1:]
        slow = 1.0 - np.exp(-np.maximum(took, 0.0) / (DRAIN_TIME + np.maximum(since - took, 0.0)))
        part = np.where(since - took < DRAINS, np.where(since > 0.0, slow, 1.0), 0.0)  # all of it while water may come
        drains = part * np.maximum(x[:-1] - floor[:-1], 0.0)
        fall[1:] += ET_EXCESS * np.maximum(np.diff(spent), 0.0) / SENSED + drains
    return _Bounds(change, rise, fall, still)


def spike_values(record: ProbeRecord, rows: IntArray) -> BoolArray:
    """Say which readings leave the record and return to it at once, shape (R,).

    One to SPIKE_ROWS readings that lie off both neighbours to the same side, by more than the soil can do on at least
    one of the two ways, while the neighbours agree to half of it; or there and gone within AT_ONCE without a trace.
    """
    out = np.zeros(len(record.series), dtype=bool)
    taken = np.zeros(len(rows), dtype=bool)
    bounds = _bounds(record, rows)
    x, s, hours = record.moisture[rows], record.series[rows], record.hours[rows]
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
            found = whole & (off > height) & cannot & (np.abs(x[c] - x[a]) < 0.5 * off)
            for k in range(length):
                taken[first[found] + k] = True
    out[rows] = taken
    return out


def steps(record: ProbeRecord, rows: IntArray, dead: BoolArray) -> list[Fault]:
    """Find steps the soil cannot do: a moved probe if the level stays, else wetting without water or a sudden drop.

    Most probes rising together are no fault of theirs: water came that is not on record. `dead` marks stuck readings,
    whose temperatures say nothing either.
    """
    bounds = _bounds(record, rows)
    change = np.nan_to_num(bounds.change)
    up, down = change > bounds.rise, -change > bounds.fall
    together = _together(record, rows, up)
    swing = _swing_changes(record, ~dead)
    faults: list[Fault] = []
    moved_from: dict[int, int] = {}
    ends = np.append(np.flatnonzero(np.diff(record.series)), len(record.series) - 1)
    end_of = {int(record.series[e]): int(e) for e in ends}
    for at in np.flatnonzero(up | down).tolist():
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
        else:
            last = int(rows[_until_return(record, rows, at, float(bounds.still[at]))])
            faults.append(Fault("wetting" if step > 0 else "drop", "moisture", series, row, last, step))
    for series, (row, size) in swing.items():
        if series not in moved_from or record.hours[row] < record.hours[moved_from[series]] - 36.0:
            faults = [f for f in faults if not (f.series == series and f.rule == "moved")]
            faults.append(Fault("moved", "temperature", series, row, end_of[series], size))
    return faults


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
    swing[enough] = np.log(np.maximum(high - low, 0.2)[enough])
    table = swing.reshape(kinds, days)
    own = table - _nanmedian(table, 1)[:, None]
    table = own - _nanmedian(own, 0)[None, :]
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


def gaps(record: ProbeRecord) -> list[Fault]:
    """Find silences longer than GAP_TIMES the usual interval and GAP_HOURS, up to the newest time of the site too."""
    s, hours = record.series, record.hours
    step = np.full(len(s), np.nan)
    same = s[1:] == s[:-1]
    step[1:] = np.where(same, np.diff(hours), np.nan)
    shifted = np.array([_shift(step, k, s) for k in range(-5, 6)])
    before, after = _nanmedian(shifted[:5], 0), _nanmedian(shifted[6:], 0)
    usual = np.fmax(before, after)
    out = []
    limit = np.maximum(GAP_TIMES * np.nan_to_num(usual), GAP_HOURS)
    for row in np.flatnonzero(np.nan_to_num(step) > limit).tolist():
        out.append(Fault("gap", "readings", int(s[row]), row - 1, row, float(step[row])))
    last = np.append(np.flatnonzero(~same), len(s) - 1)
    for row in last.tolist():
        silent, around = record.end[s[row]] - hours[row], np.nan_to_num(before[row])
        if silent > max(GAP_TIMES * float(around), GAP_HOURS):
            out.append(Fault("gap", "readings", int(s[row]), row, row, float(silent)))
    return out


def implausible_temperature(record: ProbeRecord) -> BoolArray:
    """Say which temperatures cannot be, shape (R,): out of range, far from the air's, or off the readings around."""
    t = record.temperature
    near = np.array([_shift(t, k, record.series) for k in range(-6, 7) if k])
    around = _nanmedian(near, 0)
    spread = 1.5 * np.nan_to_num(_nanmedian(np.abs(near - around), 0))  # a day's swing, where readings are hours apart
    off = (t < COLDEST) | (t > HOTTEST) | (np.abs(t - record.air) > FROM_AIR)
    off |= np.abs(t - around) > FROM_NEIGHBOURS + spread
    return np.asarray(off)


def implausible_ec(record: ProbeRecord) -> BoolArray:
    """Say which bulk ECs cannot be, shape (R,).

    Below 0, above SALTIEST, 0 in a series that is not, or off the readings around by a factor that moisture does not
    explain. Bulk EC goes with permittivity less 4.1 (Hilhorst 2000), permittivity with the square of (moisture +
    0.176) / 0.115 (a usual line, from memory).
    """
    ec, s = record.ec, record.series
    usual = _median_by(s, ec, len(record.field_capacity))[s]
    off = (ec < 0) | (ec > SALTIEST) | ((ec == 0) & (usual > 0.1))
    wet = np.maximum(((record.moisture + 0.176) / 0.115) ** 2 - 4.1, 0.5)
    span = [k for k in range(-6, 7) if k]
    both = np.isfinite(ec)
    for value in (ec, np.where(np.isfinite(wet), ec / wet, ec)):
        around = _nanmedian(np.array([_shift(value, k, s) for k in span]), 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.abs(np.log(np.maximum(value, 1e-6) / np.maximum(around, 1e-6)))
        both &= ratio > np.log(EC_FACTOR)
    level = _nanmedian(np.array([_shift(ec, k, s) for k in span]), 0)
    return np.asarray(off | (both & (np.abs(ec - level) > EC_STEP)))


def _runs(rule: str, what: str, record: ProbeRecord, mask: BoolArray, size: FloatArray) -> list[Fault]:
    """Join marked readings that follow each other in a series."""
    at = np.flatnonzero(mask)
    if not len(at):
        return []
    begins = np.append(True, (np.diff(at) > 1) | (np.diff(record.series[at]) != 0))
    first = at[begins]
    last = at[np.append(begins[1:], True)]
    return [
        Fault(rule, what, int(record.series[a]), int(a), int(b), float(size[a]))
        for a, b in zip(first.tolist(), last.tolist(), strict=True)
    ]


def _shift(values: FloatArray, k: int, series: IntArray) -> FloatArray:
    """Give the value k readings on in the same series, NaN where there is none."""
    out = np.full(len(values), np.nan)
    if k == 0:
        return values.copy()
    if abs(k) >= len(values):
        return out
    to, source = (slice(None, -k), slice(k, None)) if k > 0 else (slice(-k, None), slice(None, k))
    out[to] = np.where(series[to] == series[source], values[source], np.nan)
    return out


def _nanmedian(values: FloatArray, axis: int) -> FloatArray:
    """Median without the unknown; NaN, without a warning, where nothing is known."""
    ordered = np.sort(values, axis=axis)  # NaN last
    count = np.isfinite(values).sum(axis=axis)
    low, high = np.maximum(count - 1, 0) // 2, np.maximum(count, 1) // 2
    a = np.take_along_axis(ordered, np.expand_dims(low, axis), axis).squeeze(axis)
    b = np.take_along_axis(ordered, np.expand_dims(high, axis), axis).squeeze(axis)
    return np.asarray(np.where(count > 0, (a + b) / 2, np.nan), dtype=np.float64)


def _median_by(series: IntArray, values: FloatArray, kinds: int) -> FloatArray:
    """Median of the known values of each series, shape (S,); NaN for a series without any."""
    known = np.isfinite(values)
    s, v = series[known], values[known]
    order = np.lexsort((v, s))
    s, v = s[order], v[order]
    count = np.bincount(s, minlength=kinds)
    start = np.cumsum(count) - count
    out = np.full(kinds, np.nan)
    some = count > 0
    low, high = start + np.maximum(count - 1, 0) // 2, start + count // 2
    out[some] = (v[low[some]] + v[high[some]]) / 2
    return out
