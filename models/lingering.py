"""Water led past field capacity that a root zone still holds on the next evening, as its probes say.

A deep night does not drain within the day: in sandy loams of the finer physics of the tests a third to a half of what
passed field capacity is there the evening after, with its salt, and in sand over gravel nothing. No table tells it for
a ground, and a single evening does not either, but probes that read after deep nights and shallow ones do: what they
read more after the deep ones has stayed. A line is laid through the readings of each spot over what was led past field
capacity, the date's ET and time; spots of a group are then joined, shrunk to none.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

FEWEST = 7  # evenings of a spot below which it says nothing: a zone that runs every third night has as many in 21 days
LEAST_APART = 1.5  # [mm] that the nights' water past field capacity must differ by, one standard deviation
LEAST_NOISE = 1.0  # [mm] of a spot's readings about its line at least: how far the water itself is known
SPOT_APART = 0.1  # [-] between spots of one group: their sensors' swing, the water they catch (no source)
UNKNOWN = 0.3  # [-] where nothing is known: soils of tests/physics lie between 0 and 0.5
MOST = 0.8  # [-] at most


def lingering_share(stored: FloatArray, past: FloatArray, etc: FloatArray, group: NDArray[np.int64]) -> FloatArray:
    """Share of the water past field capacity that each group of spots holds on the next evening.

    Parameters
    ----------
    stored : ndarray (K, N)        Water of the root zone by the evening reading of each spot [mm] over any level; NaN
                                   where there is none.
    past : ndarray (K, N)          What the night before led past field capacity there [mm]; NaN where it does not
                                   count, as after rain.
    etc : ndarray (K, N)           Crop ET of the date between [mm].
    group : ndarray of int (K,)    Number of each spot's group, 0 to G - 1.

    Returns
    -------
    ndarray (G,)   [-], 0 to `MOST`; 0 where no spot of a group has readings after nights deep and shallow.

    Raises
    ------
    ValueError     Shapes differ.

    Examples
    --------
    A spot that keeps 2 of every 5 mm:

    >>> past = np.tile([0.0, 0.0, 10.0, 0.0], 10)[None, :]
    >>> etc = np.tile([4.0, 5.0, 4.5], 14)[None, :40]
    >>> lingering_share(60.0 + 0.4 * past - etc, past, etc, np.array([0])).round(1).tolist()
    [0.4]
    """
    if not stored.shape == past.shape == etc.shape or group.shape != stored.shape[:1]:
        raise ValueError("stored, past and etc must have one shape (K, N), and group (K,)")
    heard = np.isfinite(stored) & np.isfinite(past)
    count = heard.sum(axis=1)
    led, read = np.where(heard, past, 0.0), np.where(heard, stored, 0.0)
    mean = led.sum(axis=1, keepdims=True) / np.maximum(count, 1)[:, None]
    apart = np.sqrt((heard * (led - mean) ** 2).sum(axis=1) / np.maximum(count, 1))
    says = (count >= FEWEST) & (apart >= LEAST_APART)
    time = np.broadcast_to(np.linspace(0.0, 1.0, stored.shape[1]), stored.shape)
    line = np.where(heard[:, :, None], np.stack((led, np.ones_like(led), etc, time), axis=2), 0.0)[says]
    spread = np.linalg.pinv(np.einsum("kni,knj->kij", line, line))
    slopes = np.einsum("kij,knj,kn->ki", spread, line, read[says])
    off = read[says] - np.einsum("kni,ki->kn", line, slopes)
    about = (off**2).sum(axis=1) / (count[says] - line.shape[2])
    own = 1.0 / (SPOT_APART**2 + np.maximum(about, LEAST_NOISE**2) * spread[:, 0, 0])
    groups = int(group.max(initial=-1)) + 1
    weight = UNKNOWN**-2 + np.bincount(group[says], own, minlength=groups)
    return np.asarray(np.clip(np.bincount(group[says], own * slopes[:, 0], minlength=groups) / weight, 0.0, MOST))
