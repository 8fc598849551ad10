"""Salinity followed through days of readings: how sure the balance is, and what a reading of it changes.

For each layer three things are not known: by how much the logarithm of its ECe is off, x, by how much its probe reads
off, b, which stays, and where the balance goes wrong for good, s: a zone that gets or wants other water than was told
settles elsewhere, and x goes towards s as other salt takes the place of that which was there. A reading sees x + b and
what a point strays from its layer's mean; a laboratory sample sees x. Means and covariances are carried through the
days, as those of a Kalman filter with three states in each layer (textbook, memory; a bias of the model carried as a
state: Friedland 1969). Without s every lasting difference between probe and balance would in time be taken for the
probe's. What is not known of x also grows with each day that the balance runs alone and with each leaching, whose
efficiency nobody knows. Arrays are (M, L), covariances (M, L, 3, 3) in the order x, b, s.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from models.choices import SALT
from models.salts import FAO29_ROOTS

Floats = npt.NDArray[np.float64]

PROFILE_LEACHING = 0.15  # [-] leaching fraction of the profile below, FAO-29's own example
X, B, S = 0, 1, 2
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
    """What is not known of each layer, of natural logarithms.

    Attributes
    ----------
    covariance : ndarray, (M, L, 3, 3)     Of x, b and s.
    offset, lasting : ndarray, (M, L)      b and s themselves; x is in the state already.
    """

    covariance: Floats
    offset: Floats
    lasting: Floats

    @property
    def variance(self) -> Floats:
        """Of x, (M, L)."""
        return np.asarray(self.covariance[..., X, X])

    @property
    def offset_variance(self) -> Floats:
        """Of b, (M, L)."""
        return np.asarray(self.covariance[..., B, B])

    def at_least(self, variance: Floats) -> Belief:
        """The same with a variance of x of at least so much."""
        found = self.covariance.copy()
        found[..., X, X] = np.maximum(found[..., X, X], variance)
        return replace(self, covariance=found)


def first_belief(spread: Floats, offset_spread: Floats, lasting_spread: npt.ArrayLike = 0.0) -> Belief:
    """Begin with standard deviations (M, L) of the stated ECe, of the probes, and of where the balance settles [-]."""
    nothing = np.zeros(np.shape(spread))
    covariance = np.zeros((*np.shape(spread), 3, 3))
    for place, value in ((X, spread), (B, offset_spread), (S, lasting_spread)):
        covariance[..., place, place] = np.square(value)
    return Belief(covariance, nothing, nothing.copy())


def after_day(belief: Belief, fall: Floats, kept: Floats, drift: Floats) -> tuple[Belief, Floats]:
    """Carry the belief through one day of the balance: x goes to kept x + (1 - kept) s.

    Parameters
    ----------
    belief : Belief
    fall : ndarray (M, L)   By how much the balance lowered ln ECe [-]; a rise counts as none.
    kept : ndarray (M,)     Share of a zone's salt at the day's end that was in it at its start [-], 0 to 1.
    drift : ndarray (M, L)  Natural-log spread the balance gains with the day [-].

    Returns
    -------
    Belief, ndarray (M, L)   And what the day adds to the balance's ln ECe [-].
    """
    step = np.zeros((*belief.covariance.shape[:1], 1, 3, 3))
    step[:] = np.eye(3)
    step[:, 0, X, X], step[:, 0, X, S] = kept, 1.0 - kept
    covariance = step @ belief.covariance @ np.swapaxes(step, -1, -2)
    covariance[..., X, X] += drift**2 + (SALT.leached_spread * np.maximum(fall, 0.0)) ** 2
    return replace(belief, covariance=covariance), (1.0 - kept)[:, None] * belief.lasting


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
    shared = belief.covariance[..., X] + belief.covariance[..., B]  # of each with what a probe sees, (M, L, 3)
    whole = shared[..., X] + shared[..., B] + SALT.point_spread**2
    farthest = FARTHEST * np.sqrt(whole)
    surprise = np.clip(read - log_ece - belief.offset, -farthest, farthest)
    return _corrected(belief, log_ece, surprise, whole, shared)


def sampled(belief: Belief, log_ece: Floats, found: Floats, spread: float) -> tuple[Belief, Floats]:
    """Take in laboratory samples of a layer, (M, L) ln ECe, NaN where none was taken; see `taken_in`."""
    shared = belief.covariance[..., X]
    return _corrected(belief, log_ece, found - log_ece, shared[..., X] + spread**2, shared)


def _corrected(
    b: Belief, log_ece: Floats, surprise: Floats, whole: Floats, shared: Floats
) -> tuple[Belief, Floats]:  # fmt: skip
    """Correct by a surprise of variance `whole` and its covariances (M, L, 3) with all; NaN corrects nothing."""
    gain = np.where(np.isnan(surprise)[..., None], 0.0, shared / whole[..., None])
    surprise = np.nan_to_num(surprise)
    after = Belief(
        covariance=b.covariance - gain[..., :, None] * gain[..., None, :] * whole[..., None, None],
        offset=b.offset + gain[..., B] * surprise,
        lasting=b.lasting + gain[..., S] * surprise,
    )
    return after, log_ece + gain[..., X] * surprise
