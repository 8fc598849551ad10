"""Quality control of probe readings: which of them cannot be what the soil did.

Readings of many probes lie one behind the other in flat arrays, sorted by series and time; a series is one probe in
one place. What the soil can do between two readings is bounded by the water that can have come, by evapotranspiration
and by drainage above field capacity. A reading outside of these bounds is a spike if the record returns, a moved
probe if the new level stays, and wetting without water otherwise. The bounds are wide on purpose: a false alarm costs
more trust than a late one; within them a change is still doubted where the same series never does the like.
Changes are judged in `probe_jumps.py`, probes that stand still in `probe_standstill.py`.

The rules are those every network of soil probes uses in one form or another (range, spike, step, constant value,
gap); the limits are common practice, no source, and were set on simulated records (`tests/scheduler/test_quality.py`
measures them on others).
"""

from __future__ import annotations

import numpy as np

from models.probe_jumps import spike_values, steps
from models.probe_record import BoolArray, Fault, ProbeRecord, median_by, nanmedian, runs_of, shift
from models.probe_standstill import flat_values, stuck_values

# All limits: common practice, no source.
DRIEST = 0.005  # no soil under turf reads less [m3/m3]
OVER_SATURATION = 0.08  # a probe may read this much too wet [m3/m3]
PONDED = 0.05  # and this much more while water stands on it [m3/m3]
GAP_TIMES, GAP_HOURS = 2.5, 3.0  # longer than so many usual intervals, and than this [h]
COLDEST, HOTTEST = -10.0, 50.0  # of the soil under turf [degC]
FROM_AIR = 16.0  # soil off the air of the last days [degC]
FROM_NEIGHBOURS = 8.0  # a temperature off the readings around it [degC]
SALTIEST = 10.0  # bulk EC of soil turf lives in, at the most [dS/m]
EC_FACTOR, EC_STEP = 2.0, 0.25  # EC off the readings around it: by this factor [-] and this much [dS/m]


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
    faults += runs_of("range", "moisture", record, outside, record.moisture)
    sound = ~outside & np.isfinite(record.moisture)
    stuck = stuck_values(record, np.flatnonzero(sound))
    faults += runs_of("stuck", "moisture", record, stuck, record.moisture)
    sound &= ~stuck
    flat = flat_values(record, np.flatnonzero(sound))
    faults += runs_of("flat", "moisture", record, flat, record.moisture)
    sound &= ~flat
    spikes = spike_values(record, np.flatnonzero(sound))
    faults += runs_of("spike", "moisture", record, spikes, record.moisture)
    sound &= ~spikes
    faults += steps(record, np.flatnonzero(sound), stuck)
    faults += gaps(record)
    faults += runs_of("temperature", "temperature", record, implausible_temperature(record), record.temperature)
    faults += runs_of("ec", "ec", record, implausible_ec(record), record.ec)
    return sorted(faults, key=lambda f: (f.series, f.first, f.rule))


def out_of_range(record: ProbeRecord) -> BoolArray:
    """Say which moistures no soil of that texture can have, shape (R,)."""
    ponded = np.where(record.since_water <= 0.0, PONDED, 0.0)
    highest = record.saturation[record.series] + OVER_SATURATION + ponded
    return np.asarray((record.moisture < DRIEST) | (record.moisture > highest))


def gaps(record: ProbeRecord) -> list[Fault]:
    """Find silences longer than GAP_TIMES the usual interval and GAP_HOURS, up to the newest time of the site too."""
    s, hours = record.series, record.hours
    step = np.full(len(s), np.nan)
    same = s[1:] == s[:-1]
    step[1:] = np.where(same, np.diff(hours), np.nan)
    shifted = np.array([shift(step, k, s) for k in range(-5, 6)])
    before, after = nanmedian(shifted[:5], 0), nanmedian(shifted[6:], 0)
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
    near = np.array([shift(t, k, record.series) for k in range(-6, 7) if k])
    around = nanmedian(near, 0)
    spread = 1.5 * nanmedian(np.abs(near - around), 0)  # a day's swing, where readings are hours apart
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
    usual = median_by(s, ec, len(record.field_capacity))[s]
    off = (ec < 0) | (ec > SALTIEST) | ((ec == 0) & (usual > 0.1))
    wet = np.maximum(((record.moisture + 0.176) / 0.115) ** 2 - 4.1, 0.5)
    span = [k for k in range(-6, 7) if k]
    both = np.isfinite(ec)
    for value in (ec, np.where(np.isfinite(wet), ec / wet, ec)):
        around = nanmedian(np.array([shift(value, k, s) for k in span]), 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.abs(np.log(np.maximum(value, 1e-6) / np.maximum(around, 1e-6)))
        both &= ratio > np.log(EC_FACTOR)
    level = nanmedian(np.array([shift(ec, k, s) for k in span]), 0)
    return np.asarray(off | (both & (np.abs(ec - level) > EC_STEP)))
