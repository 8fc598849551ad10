"""Values over intervals of time, brought to the days of the site's own clock.

A local day runs from one local midnight to the next, so it has 23 or 25 hours when clocks change. Arrays hold moments
as seconds since 1970 UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np


@dataclass(frozen=True)
class Intervals:
    """Values that hold over intervals: start and end [s], value; each of shape (I,), no NaN."""

    start: np.ndarray
    end: np.ndarray
    value: np.ndarray

    @classmethod
    def of(cls, rows: list[tuple[float, float, float]]) -> Intervals:
        """Take (start, end, value) rows, without those that are not known."""
        table = np.array([r for r in rows if r[2] == r[2]], dtype=float).reshape(-1, 3)
        return cls(table[:, 0], table[:, 1], table[:, 2])


def days_between(first: float, last: float, zone: ZoneInfo) -> list[date]:
    """Local dates that moments from `first` up to `last` [s] fall on."""
    begin, end = (datetime.fromtimestamp(t, zone).date() for t in (first, max(first, last - 1.0)))
    return [begin + timedelta(days=i) for i in range((end - begin).days + 1)]


def day_bounds(days: list[date], zone: ZoneInfo) -> tuple[np.ndarray, np.ndarray]:
    """First and last moment of each local day, each of shape (D,) [s]."""

    def midnight(day: date) -> float:
        return datetime.combine(day, time(), zone).timestamp()

    starts = np.array([midnight(d) for d in days])
    ends = np.array([midnight(d + timedelta(days=1)) for d in days])
    return starts, ends


def local_hour(days: list[date], hour: int, zone: ZoneInfo) -> np.ndarray:
    """A clock hour of each local day, shape (D,) [s]."""
    return np.array([datetime.combine(d, time(hour), zone).timestamp() for d in days])


def overlap(intervals: Intervals, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """How long each interval lies in each day, shape (I, D) [s]."""
    return np.clip(
        np.minimum(intervals.end[:, None], ends[None, :]) - np.maximum(intervals.start[:, None], starts[None, :]),
        0.0,
        None,
    )


def amounts(intervals: Intervals, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Amount of each day, an interval's amount divided over days by overlap, shape (D,); NaN where nothing speaks."""
    if not intervals.value.size:
        return np.full(starts.size, np.nan)
    shared = overlap(intervals, starts, ends)
    length = np.maximum(intervals.end - intervals.start, 1.0)
    total = (shared / length[:, None] * intervals.value[:, None]).sum(axis=0)
    return np.where(shared.sum(axis=0) > 0, total, np.nan)


def means(intervals: Intervals, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Mean of each day, weighted by time, shape (D,); NaN where nothing speaks."""
    if not intervals.value.size:
        return np.full(starts.size, np.nan)
    shared = overlap(intervals, starts, ends)
    weight = shared.sum(axis=0)
    return np.where(weight > 0, (shared * intervals.value[:, None]).sum(axis=0) / np.maximum(weight, 1.0), np.nan)


def extremes(intervals: Intervals, starts: np.ndarray, ends: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Least and greatest value of each day, each of shape (D,); NaN where nothing speaks."""
    if not intervals.value.size:
        nothing = np.full(starts.size, np.nan)
        return nothing, nothing.copy()
    touched = overlap(intervals, starts, ends) > 0
    low = np.where(touched, intervals.value[:, None], np.inf).min(axis=0)
    high = np.where(touched, intervals.value[:, None], -np.inf).max(axis=0)
    none = ~touched.any(axis=0)
    return np.where(none, np.nan, low), np.where(none, np.nan, high)


def greatest_share(intervals: Intervals, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Greatest value of intervals that lie in the day by half their length or fill half of it, shape (D,)."""
    if not intervals.value.size:
        return np.full(starts.size, np.nan)
    shared = overlap(intervals, starts, ends)
    half = 0.5 * np.minimum(np.maximum(intervals.end - intervals.start, 1.0)[:, None], (ends - starts)[None, :])
    counts = shared >= half
    best = np.where(counts, intervals.value[:, None], -np.inf).max(axis=0)
    return np.where(counts.any(axis=0), best, np.nan)


def covered(intervals: Intervals, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Share of each day that intervals speak of, shape (D,) [-]; those of one series do not overlap."""
    if not intervals.value.size:
        return np.zeros(starts.size)
    return np.asarray(overlap(intervals, starts, ends).sum(axis=0) / (ends - starts))


def at(intervals: Intervals, moments: np.ndarray) -> np.ndarray:
    """Value of the interval that holds each moment, the last given where several do, shape (D,); NaN for none."""
    found = np.full(moments.size, np.nan)
    for i in range(intervals.value.size):
        inside = (moments >= intervals.start[i]) & (moments < intervals.end[i])
        found[inside] = intervals.value[i]
    return found
