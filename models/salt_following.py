"""Salinity followed through days of readings: how sure the balance is, and what a reading of it changes.

For each layer two things are not known: by how much the logarithm of its ECe is off, x, and by how much its probe reads
off, b, which stays. A reading sees x + b and what a point strays from its layer's mean; a laboratory sample sees x.
Their variances and covariance are carried through the days, as those of a Kalman filter with two states in each layer
(textbook, memory). What is not known of x fades as other salt takes the place of that which was there, and grows with
each day that the balance runs alone and with each leaching, whose efficiency nobody knows. Arrays are (M, L).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from models.choices import SALT
from models.salts import FAO29_ROOTS

Floats = npt.NDArray[np.float64]

PROFILE_LEACHING = 0.15  # [-] leaching fraction of the profile below, FAO-29's own example
FARTHEST = 3.0  # standard deviations that a reading moves the estimate at most; common practice, no source


def in_profile(relative_depth: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Place depths in the steady profile of a root zone: salinity there, and the mean of their half against it.

    Salinity rises downward: a point high in its half reads less than the half's mean, one low in it more.

    Parameters
    ----------
    relative_depth : array_like, shape (n,)
        Depth over root depth [-]; below the roots counts as their lower end.

    Returns
    -------
    level, gain : ndarray, shape (n,)
        ln of the concentration at the depth, and ln of the half's mean over it [-]. Source: FAO-29 ch. 2, concentration
        1 / (1 - (1 - LF) u) with u the share of ET taken above, LF 0.15 and roots 40-30-20-10 from the surface down.
    """
    steps = (np.arange(400) + 0.5) / 400.0
    used = np.interp(steps, np.linspace(0.0, 1.0, 5), np.concatenate(([0.0], np.cumsum(FAO29_ROOTS))))
    profile = 1.0 / (1.0 - (1.0 - PROFILE_LEACHING) * used)
    depth = np.clip(np.asarray(relative_depth, dtype=np.float64), 0.0, 1.0)
    level = np.log(np.interp(depth, steps, profile))
    half = np.log([profile[:200].mean(), profile[200:].mean()])
    return level, half[(depth > 0.5).astype(int)] - level


def halves_from_points(read: Floats, level: Floats, gain: Floats) -> Floats:
    """Turn readings at a depth of each half into the halves' means.

    The steady profile's correction counts by as much as the two readings rise downward as it does: not at all where
    they agree, and never more than in full.

    Parameters
    ----------
    read : ndarray (M, 2, T)         ln ECe as read, NaN for none.
    level, gain : ndarray (M, 2)     As `in_profile` gives them for the depths of the readings.

    Returns
    -------
    ndarray (M, 2, T)   ln of the mean ECe of each half; as read where the other half was not.
    """
    rise = np.maximum(level[:, 1] - level[:, 0], 1e-6)[:, None]
    alike = np.clip(np.nan_to_num((read[:, 1] - read[:, 0]) / rise), 0.0, 1.0)
    return read + alike[:, None, :] * gain[:, :, None]


@dataclass(frozen=True)
class Belief:
    """What is not known of each layer, arrays (M, L) of natural logarithms.

    variance : of x;  with_offset : covariance of x and b;  offset_variance : of b;  offset : b itself.
    """

    variance: Floats
    with_offset: Floats
    offset_variance: Floats
    offset: Floats


def first_belief(spread: Floats, offset_spread: Floats) -> Belief:
    """Begin with standard deviations (M, L) of the stated ECe and of the probes [-]."""
    nothing = np.zeros(np.shape(spread))
    return Belief(np.square(spread), nothing, np.square(offset_spread), nothing.copy())


def after_day(belief: Belief, fall: Floats, kept: Floats, drift: Floats) -> Belief:
    """Carry the belief through one day of the balance.

    Parameters
    ----------
    belief : Belief
    fall : ndarray (M, L)   By how much the balance lowered ln ECe [-]; a rise counts as none.
    kept : ndarray (M,)     Share of a zone's salt at the day's end that was in it at its start [-], 0 to 1.
    drift : ndarray (M, L)  Natural-log spread the balance gains with the day [-].

    Returns
    -------
    Belief
    """
    share = kept[:, None]
    grown = drift**2 + (SALT.leached_spread * np.maximum(fall, 0.0)) ** 2
    return replace(belief, variance=share**2 * belief.variance + grown, with_offset=share * belief.with_offset)


def taken_in(belief: Belief, log_ece: Floats, read: Floats) -> tuple[Belief, Floats]:
    """Take in readings of probes.

    Parameters
    ----------
    belief : Belief
    log_ece, read : ndarray (M, L)   ln ECe of the balance, and as probes read it, NaN where none did.

    Returns
    -------
    Belief, ndarray (M, L)   ln ECe corrected.
    """
    b = belief
    whole = b.variance + 2.0 * b.with_offset + b.offset_variance + SALT.point_spread**2
    farthest = FARTHEST * np.sqrt(whole)
    surprise = np.clip(read - log_ece - b.offset, -farthest, farthest)
    return _corrected(b, log_ece, surprise, whole, b.variance + b.with_offset, b.with_offset + b.offset_variance)


def sampled(belief: Belief, log_ece: Floats, found: Floats, spread: float) -> tuple[Belief, Floats]:
    """Take in laboratory samples of a layer, (M, L) ln ECe, NaN where none was taken; see `taken_in`."""
    b = belief
    return _corrected(b, log_ece, found - log_ece, b.variance + spread**2, b.variance, b.with_offset)


def _corrected(
    b: Belief, log_ece: Floats, surprise: Floats, whole: Floats, with_x: Floats, with_b: Floats
) -> tuple[Belief, Floats]:
    """Correct by a surprise of variance `whole` and its covariances with x and b; NaN surprises correct nothing."""
    seen = ~np.isnan(surprise)
    surprise = np.nan_to_num(surprise)
    on_x, on_b = (np.where(seen, covariance / whole, 0.0) for covariance in (with_x, with_b))
    after = Belief(
        variance=b.variance - on_x**2 * whole,
        with_offset=b.with_offset - on_x * on_b * whole,
        offset_variance=b.offset_variance - on_b**2 * whole,
        offset=b.offset + on_b * surprise,
    )
    return after, log_ece + on_x * surprise
