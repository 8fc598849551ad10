"""What the rules of quality control look at: readings of many probes in flat arrays, and what they find.

Readings lie one behind the other, sorted by series and time; a series is one probe in one place.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

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

    Attributes
    ----------
    rule : str                  range, spike, stuck, flat, wetting, drop, moved, unrecorded, gap, temperature or ec.
    what : str                  moisture, ec, temperature, readings (that are missing), or water (that came and is not
                                on record: the readings are believed).
    series, first, last : int   Series, first and last row of the record.
    size : float                What the reason is told with: the value, the step [m3/m3], or the hours [h].
    """

    rule: str
    what: str
    series: int
    first: int
    last: int
    size: float


def runs_of(rule: str, what: str, record: ProbeRecord, mask: BoolArray, size: FloatArray) -> list[Fault]:
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


def shift(values: FloatArray, k: int, series: IntArray) -> FloatArray:
    """Give the value k readings on in the same series, NaN where there is none."""
    out = np.full(len(values), np.nan)
    if k == 0:
        return values.copy()
    if abs(k) >= len(values):
        return out
    to, source = (slice(None, -k), slice(k, None)) if k > 0 else (slice(-k, None), slice(None, k))
    out[to] = np.where(series[to] == series[source], values[source], np.nan)
    return out


def nanmedian(values: FloatArray, axis: int) -> FloatArray:
    """Median without the unknown; NaN, without a warning, where nothing is known."""
    ordered = np.sort(values, axis=axis)  # NaN last
    count = np.isfinite(values).sum(axis=axis)
    low, high = np.maximum(count - 1, 0) // 2, np.maximum(count, 1) // 2
    a = np.take_along_axis(ordered, np.expand_dims(low, axis), axis).squeeze(axis)
    b = np.take_along_axis(ordered, np.expand_dims(high, axis), axis).squeeze(axis)
    return np.asarray(np.where(count > 0, (a + b) / 2, np.nan), dtype=np.float64)


def median_by(series: IntArray, values: FloatArray, kinds: int) -> FloatArray:
    """Median of the known values of each series, shape (S,); NaN for a series without any."""
    return quantile_by(series, values, kinds, 0.5)


def quantile_by(series: IntArray, values: FloatArray, kinds: int, share: float) -> FloatArray:
    """Quantile of the known values of each series, shape (S,), between the two nearest; NaN for one without any."""
    known = np.isfinite(values)
    s, v = series[known], values[known]
    order = np.lexsort((v, s))
    s, v = s[order], v[order]
    count = np.bincount(s, minlength=kinds)
    start = np.cumsum(count) - count
    out = np.full(kinds, np.nan)
    some = count > 0
    at = share * np.maximum(count - 1, 0)
    low = np.floor(at).astype(np.int64)
    high = np.minimum(low + 1, np.maximum(count - 1, 0))
    part = (at - low)[some]
    out[some] = (1 - part) * v[(start + low)[some]] + part * v[(start + high)[some]]
    return out
