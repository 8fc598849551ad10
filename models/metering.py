"""Water meters: volumes between readings, nights they fall on, and what explains a difference from the log.

A night is a whole number of days, named by its evening's date (days since 1970-01-01). Water between two readings falls
evenly on the nights from the first reading's date up to the night before the second's: a reading of a morning closes
the night before, whatever the hour, and no clock change matters. Of two readings on one date the later belongs to the
night before if read by noon, else to the night of the date.

Common practice of bookkeeping, no source; the arithmetic is exact, so nothing is lost between readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.choices import SEASON

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

NOON = 0.5  # [d]
AS_GOOD = 0.9  # [-] of the best gain from which others are named beside it: the readings cannot tell them apart


@dataclass(frozen=True)
class Stretches:
    """Water of one meter between readings, in order of time, shape (I,).

    Attributes
    ----------
    first, after : ndarray of int   Nights it falls on, `first` to the one before `after`.
    volume : ndarray                [m3].
    """

    first: Ints
    after: Ints
    volume: Floats


def volumes_between(reading: Floats, starts: Bools, rolls_over_at: Floats, interval: bool) -> Floats:
    """Volume that passed before each reading of one meter, shape (R,) [m3].

    Parameters
    ----------
    reading : ndarray (R,)          In order of time [m3]: the count, or the volume since the reading before.
    starts : ndarray (R,)           Whether a reading starts a new count: the meter was exchanged.
    rolls_over_at : ndarray (R,)    Count at which it begins again from 0 [m3], NaN = not known.
    interval : bool                 Whether readings are volumes, not counts.

    Returns
    -------
    ndarray (R,)    NaN where nothing is known: before the first count, at an exchange, and where a count falls by less
                    than a roll-over tells.

    Raises
    ------
    ValueError      Shapes differ.

    Examples
    --------
    >>> never = np.full(3, np.nan)
    >>> volumes_between(np.array([990.0, 15.0, 20.0]), np.zeros(3, bool), np.full(3, 1000.0), False).tolist()
    [nan, 25.0, 5.0]
    """
    if not reading.shape == starts.shape == rolls_over_at.shape:
        raise ValueError("reading, starts and rolls_over_at: one shape is needed")
    if interval:
        return reading.astype(np.float64)
    passed = np.full(reading.shape, np.nan)
    if reading.size > 1:
        step = np.diff(reading)
        passed[1:] = np.where(step < 0, step + rolls_over_at[1:], step)
        passed[1:][starts[1:] | (passed[1:] < 0)] = np.nan
    return passed


def stretches(moment: Floats, passed: Floats, interval: bool) -> Stretches:
    """Nights on which the water before each reading fell.

    Parameters
    ----------
    moment : ndarray (R,)    Local time of each reading, in order [d since 1970-01-01].
    passed : ndarray (R,)    Volume before each, as `volumes_between` gives it [m3].
    interval : bool          Whether readings are volumes. The first is taken to be as long as the median of the others,
                             one night without any; so is one after more than twice that time: readings were missed, and
                             the nights before it are not metered.
    """
    if not moment.size:
        none = np.zeros(0, dtype=np.int64)
        return Stretches(none, none, np.zeros(0))
    date = np.floor(moment).astype(np.int64)
    first, after = np.concatenate((date[:1], date[:-1])), date.copy()
    same = first == after
    by_noon = moment - date <= NOON
    first[same] = np.where(by_noon[same], date[same] - 1, date[same])
    after[same] = first[same] + 1
    if interval:
        usual = max(int(np.median((after - first)[1:])), 1) if moment.size > 1 else 1
        first[0], after[0] = date[0] - usual, date[0]
        missed = after - first > SEASON.longest_interval * usual
        first[missed] = after[missed] - usual
    known = np.isfinite(passed)
    return Stretches(first[known], after[known], passed[known])


def over_nights(parts: Stretches, first_night: int, nights: int) -> tuple[Floats, Floats, Bools]:
    """Spread water evenly over its nights.

    Returns
    -------
    volume : ndarray (N,)     Water of each night [m3].
    spread : ndarray (N,)     Part of it that comes from a stretch of several nights: divided, not read [m3].
    covered : ndarray (N,)    Whether readings reach over the night.
    """
    length = parts.after - parts.first
    owner = np.repeat(np.arange(length.size), length)
    night = np.arange(owner.size) - np.repeat(np.cumsum(length) - length, length) + parts.first[owner] - first_night
    inside = (night >= 0) & (night < nights)
    owner, night = owner[inside], night[inside]
    each = (parts.volume / length)[owner]
    several = (length > 1)[owner]
    volume = np.bincount(night, weights=each, minlength=nights).astype(np.float64)
    spread = np.bincount(night, weights=each * several, minlength=nights).astype(np.float64)
    covered = np.bincount(night, minlength=nights) > 0
    return volume, spread, covered


@dataclass(frozen=True)
class Explanation:
    """One thing that explains a difference between meter and log.

    Attributes
    ----------
    candidate : int   Index of what was offered.
    size : float      How much more ran than was logged, as a share of the candidate's water [-].
    volume : float    The same [m3].
    gain : float      Share of the squared difference it takes away [-].
    """

    candidate: int
    size: float
    volume: float
    gain: float


def explain(
    difference: Floats, candidates: Floats, largest: Floats | None = None, tries: Floats | None = None
) -> list[Explanation]:
    """Which single candidates explain a difference best, best first.

    By least squares of one candidate at a time: difference = size x candidate. A log of too much cannot take away more
    than all of it, so `size` is -1 at least. Of candidates nearly as good as the best all are named: the readings do
    not tell them apart.

    Parameters
    ----------
    difference : ndarray (I,)       Metered less logged, by stretch [m3].
    candidates : ndarray (C, I)     Water each candidate would account for [m3], 0 or more.
    largest : ndarray (C,)          Largest size that is credible [-]; any if None.
    tries : ndarray (C,)            How many were tried to find this one; what chance gives to the best of many is taken
                                    off its gain. 0 if None.

    Returns
    -------
    list of Explanation    Empty where nothing takes away a quarter of it.

    Raises
    ------
    ValueError             Shapes differ.
    """
    if candidates.ndim != 2 or candidates.shape[1:] != difference.shape:
        raise ValueError(f"candidates: shape {candidates.shape}; needed (C, {difference.size})")
    whole = float(difference @ difference)
    if whole <= 0 or not candidates.size:
        return []
    norm = (candidates**2).sum(axis=1)
    size = candidates @ difference / np.maximum(norm, 1e-30)  # 0 of a candidate without water
    size = np.clip(size, -1.0, np.full(len(norm), np.inf) if largest is None else largest)
    left = ((difference[None, :] - size[:, None] * candidates) ** 2).sum(axis=1)
    gain = 1.0 - left / whole
    if tries is not None:
        gain = gain - (1.0 - gain) * np.log1p(tries) / max(difference.size, 1)
    best = float(gain.max())
    if best < SEASON.least_gain:
        return []
    order: Sequence[int] = np.argsort(-gain, kind="stable").tolist()
    return [
        Explanation(c, float(size[c]), float(size[c] * candidates[c].sum()), float(gain[c]))
        for c in order
        if gain[c] >= AS_GOOD * best
    ]
