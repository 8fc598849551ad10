"""Programmes: what a controller holds that does not take a start time for every station.

Such a controller keeps a few programmes. A programme has its stations in order, the minutes each of them runs at one
start, one or a few start times, and a seasonal percent by which all its minutes are multiplied. When a start time
comes, the programme goes through its stations: so many run together, and as one of them ends the next one opens.
Every start runs all stations again: two starts are two cycles of each of them.

What happens when a start time comes while other programmes still run differs between controllers. Taken here: it waits
until one of them ends, and starts that wait run in the order they came. A timetable made here never leans on that.
"""

from dataclasses import dataclass

import numpy as np

from models.night.job import FloatArray, IntArray

PERCENT_LOW, PERCENT_HIGH = 10, 200  # [%] seasonal percents that can be keyed; common practice, no source


@dataclass(frozen=True)
class ProgrammeRules:
    """What one controller can hold. Z zones.

    Attributes
    ----------
    controller : int               Index.
    programmes : int               Programmes it holds [-], > 0.
    starts_each : int              Start times a programme holds [-], > 0.
    at_once : int                  Stations a programme runs together [-], > 0.
    programmes_at_once : int       Programmes that may run at the same time [-], > 0.
    delay : float                  Pause before a programme opens its next station, after one has opened or closed
                                   [min].
    listed : bool                  Stations run in the order of `place`.
    place : ndarray, shape (Z,)    Place of each zone's station in the controller's own list.
    """

    controller: int
    programmes: int
    starts_each: int
    at_once: int
    programmes_at_once: int
    delay: float
    listed: bool
    place: IntArray


@dataclass(frozen=True)
class Programme:
    """One programme as it is keyed in.

    Attributes
    ----------
    controller : int            Index.
    number : int                1 for the first of its controller.
    zones : tuple of int        Its stations, in the order they run.
    minutes : tuple of float    What each runs at one start [min], at 100 %.
    starts : tuple of float     Start times, minutes after 00:00 of the evening's date, in order.
    percent : float             Seasonal percent [%].
    """

    controller: int
    number: int
    zones: tuple[int, ...]
    minutes: tuple[float, ...]
    starts: tuple[float, ...]
    percent: float = 100.0


def run_offsets(length: FloatArray, at_once: int, delay: float) -> FloatArray:
    """When each station of a programme opens, counted from the programme's start, shape (n,) [min].

    Parameters
    ----------
    length : ndarray, shape (n,)   Minutes of each station in the order they run [min].
    at_once : int                  Stations that run together [-].
    delay : float                  Pause before the next opens, after one has opened or closed [min].

    Examples
    --------
    Two at once: the third opens when the shorter of the first two ends.

    >>> run_offsets(np.array([10.0, 6.0, 5.0, 5.0]), 2, 0.0).tolist()
    [0.0, 0.0, 6.0, 10.0]
    >>> run_offsets(np.array([10.0, 6.0, 5.0]), 1, 0.5).tolist()
    [0.0, 10.5, 17.0]
    """
    free = np.zeros(max(min(at_once, length.size), 1))
    used = np.zeros(free.size, dtype=bool)
    opened, opens = -np.inf, np.zeros(length.size)
    for k, minutes in enumerate(length.tolist()):
        slot = int(free.argmin())
        opens[k] = max(free[slot] + (delay if used[slot] else 0.0), opened + delay if np.isfinite(opened) else 0.0)
        opened, free[slot], used[slot] = float(opens[k]), opens[k] + minutes, True
    return opens


def run_length(length: FloatArray, at_once: int, delay: float) -> float:
    """How long one run of a programme takes [min]."""
    return float((run_offsets(length, at_once, delay) + length).max(initial=0.0))
