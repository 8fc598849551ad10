"""The filter's step ahead: a night's water and the date after it.

    D' = settled(D - I exp(a) - Peff + Ks ETc exp(m))

The mean follows the law of `models.drainage` at three places of a zone, which catch DU_LQ, 1 and 2 - DU_LQ of its
mean: where it seldom rains the driest quarter falls behind while the rest drains, and the zone's mean lies between. D
is negative while water above field capacity is on its way down, and turf takes that first. Drainage is no straight
line; its mean, variance and covariance are those of a normal variable (quadrature, and Stein's lemma), so a storm
teaches every zone's depletion and the covariance stays whole.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from models.drainage import settled
from models.filter_state import FilterState, FloatArray, zone_array
from models.kin import Block, Setup
from models.uneven_catch import PLACE_SHARE

# [d] of drainage before the date's ET begins, as a night's water has to reach the roots' lower end first; set on soils
# for tuning; less would serve light soils, but flushes would then miss their forecast
EARLY = 0.4
SETTLED = 0.1  # of TAW: nearer to field capacity water may still be on its way down (no source)
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(15)  # of a standard normal variable
WEIGHTS = WEIGHTS / WEIGHTS.sum()


def predict(
    setup: Setup, state: FilterState, irrigation: ArrayLike, etc: ArrayLike, effective_rain: ArrayLike, p: ArrayLike
) -> FilterState:
    """Move the state on by a night and the date after it.

    Parameters
    ----------
    setup : Setup
    state : FilterState                          At opening time.
    irrigation, etc, effective_rain : array, shape (Z,)    Mean depth applied at the nominal rate [mm], crop ET of the
                                                 date [mm/d], rain less runoff [mm/d]; 0 or more.
    p : array, shape (Z,)                        Depletion fraction [-], 0 <= p < 1.

    Returns
    -------
    FilterState                                  At the next opening time.

    Raises
    ------
    ValueError                                   A shape or a value is wrong.
    """
    zone, taw = setup.member_zone, setup.zones.taw[setup.member_zone]
    named = {"irrigation": irrigation, "etc": etc, "effective_rain": effective_rain, "p": p}
    water, demand, rain, fraction = (zone_array(name, value, setup)[zone] for name, value in named.items())
    for name, value in zip(named, (water, demand, rain), strict=False):
        if np.any(value < 0):
            raise ValueError(f"{name} must not be negative")
    if np.any(fraction < 0) or np.any(fraction >= 1):
        raise ValueError("p must lie in 0 <= p < 1")
    applied, wanted = water * np.exp(state.log_rate), demand * np.exp(state.log_microclimate)
    level = state.depletion - applied  # before drainage
    apart = state.places - applied[:, None] * setup.catch
    covariance = []
    for block, before in zip(setup.blocks, state.covariance, strict=True):
        i = block.member
        whole = before.copy()
        _linear_step(whole, i.size, 1.0, 2, -applied[i])
        _add(whole, block, [setup.spreads.night * applied[i]], [])
        covariance.append(whole)
    rough = np.where(applied > 0, setup.patchiness, 0.0)
    mean, places = _drain(setup, covariance, level, apart, rough, EARLY)

    start, at_night = np.minimum(mean[:, None] + places, taw[:, None]), mean - level
    s = setup.spreads
    wide = np.sqrt(_variance(setup, covariance) + setup.patchiness**2)
    span = (1 - fraction) * taw  # from RAW to TAW
    over = start - (fraction * taw)[:, None]
    beyond, stressed = _part_above(over, wide[:, None])  # E max(D - RAW, 0), chance of stress
    stress = np.clip(1 - beyond / span[:, None], 0.0, 1.0)  # E Ks of a depletion not sure
    share = stressed @ PLACE_SHARE
    keep = np.clip(1 - share * wanted / span, 0.0, 1.0)  # mean d after / d D
    after = np.minimum(start - rain[:, None] + stress * wanted[:, None], taw[:, None])
    used, unsure, middle = stress @ PLACE_SHARE * wanted, s.stress * share * wanted, after @ PLACE_SHARE
    gone = at_night + (settled(after, setup.drainage[:, None], 1.0 - EARLY) - after) @ PLACE_SHARE
    own = [s.demand_own * used, s.rain_own * rain, np.sqrt(0.5) * unsure]
    kin = [s.demand_kin * used, s.rain_kin * rain, np.sqrt(0.5) * unsure, s.undrained * gone]
    for block, whole in zip(setup.blocks, covariance, strict=True):
        i = block.member
        _linear_step(whole, i.size, keep[i], 1, used[i])
        _add(whole, block, [part[i] for part in own], [part[i] for part in kin])
        _drift(setup, block, whole)
    rough = np.where(rain > 0, setup.patchiness, 0.0)
    mean, places = _drain(setup, covariance, middle, after - middle[:, None], rough, 1.0 - EARLY)
    near_full = 1.0 - np.clip(start @ PLACE_SHARE / (SETTLED * taw), 0.0, 1.0)
    uneven = np.where((applied > 0) | (rain > 0), 1.0, near_full)
    uneven = uneven * (1.0 - np.clip(gone / taw, 0.0, 1.0))  # a storm fills every spot
    strays = (s.balance + (s.wetted - s.balance) * uneven) * taw
    for block, whole in zip(setup.blocks, covariance, strict=True):
        _add(whole, block, [strays[block.member]], [])
    mean = np.clip(mean, -taw, taw)
    return replace(state, depletion=mean, places=places, covariance=tuple(covariance), age=state.age + 1.0)


def _variance(setup: Setup, covariance: Sequence[FloatArray]) -> FloatArray:
    """Variance of the depletion of each member, (M,)."""
    found = np.zeros(setup.member_zone.size)
    for block, whole in zip(setup.blocks, covariance, strict=True):
        found[block.member] = whole.diagonal()[: block.member.size]
    return found


def _linear_step(whole: FloatArray, n: int, keep: FloatArray | float, kind: int, share: FloatArray) -> None:
    """Covariance F P F', in place: n depletions keep so much of themselves and get a share (n,) of a factor of theirs.

    `kind` is the factor's: 1 demand, 2 rate.
    """
    factor = slice(kind * n, (kind + 1) * n)
    for depletion, other in ((whole[:n].T, whole[factor].T), (whole[:, :n], whole[:, factor])):
        depletion *= keep
        depletion += other * share


def _add(whole: FloatArray, block: Block, own: Sequence[FloatArray], kin: Sequence[FloatArray]) -> None:
    """Add to depletion's covariance errors of each zone's own and errors shared by kin, standard deviations (n,)."""
    n = block.member.size
    if own:
        one = np.stack(own)
        whole[:n, :n] += (one.T @ one) * block.same_zone
    if kin:
        all_alike = np.stack(kin)
        whole[:n, :n] += all_alike.T @ all_alike


def _drift(setup: Setup, block: Block, whole: FloatArray) -> None:
    """Let factors, biases and gains wander a little, so that a long season does not freeze them."""
    n, k, share = block.member.size, block.sensor.size, setup.spreads.factor_drift**2
    whole[n : 2 * n, n : 2 * n] += share * block.microclimate
    whole[2 * n : 3 * n, 2 * n : 3 * n] += share * block.rate
    sensors = np.arange(3 * n, 3 * n + k)
    whole[sensors, sensors] += setup.spreads.bias_drift**2
    whole[3 * n + k :, 3 * n + k :] += share * block.gain


def _part_above(mean: FloatArray, spread: FloatArray) -> tuple[FloatArray, FloatArray]:
    """E max(0, x) and P(x > 0) of x ~ N(mean, spread^2): mean Phi(u) + spread phi(u) and Phi(u), u = mean / spread."""
    wide = np.maximum(spread, 1e-6)
    u = mean / wide
    # of the standard library: scipy.special takes a thirtieth of an evening to load
    above = 0.5 * np.fromiter(map(math.erfc, (u.ravel() / -math.sqrt(2.0)).tolist()), float, u.size).reshape(u.shape)
    density = np.exp(-0.5 * np.minimum(u**2, 700.0)) / np.sqrt(2 * np.pi)
    return np.maximum(mean * above + wide * density, 0.0), above


def _drain(
    setup: Setup,
    covariance: Sequence[FloatArray],
    level: FloatArray,
    places: FloatArray,
    patchiness: FloatArray,
    days: float,
) -> tuple[FloatArray, FloatArray]:
    """Let depletion drain for part of a day, covariances in place; returns its mean (M,), and its places' less that.

    A place's spots lie around its mean x with standard deviation h and drain each by the law g, so the place's is
    E g(x + h z). With x ~ N(mu, s^2) and r^2 = s^2 + h^2: the mean is E g(mu + r z), and the covariance with anything
    jointly normal is multiplied by the mean slope E g' = E z g(mu + r z) / r (Stein's lemma). A member's is the mean of
    its places', which are unsure alike.
    """
    variance = _variance(setup, covariance)
    total = np.maximum(variance + patchiness**2, 1e-12)
    r = np.sqrt(total)
    at = level[:, None] + places
    after = settled(at[:, :, None] + r[:, None, None] * NODES, setup.drainage[:, None, None], days)
    each = after @ WEIGHTS
    off = after - each[:, :, None]
    slopes = np.clip(off @ (WEIGHTS * NODES) / r[:, None], 0.0, 1.0)
    slope = slopes @ PLACE_SHARE
    curved = np.maximum((off**2 @ WEIGHTS - total[:, None] * slopes**2) @ PLACE_SHARE, 0.0)
    curved *= variance / total  # what the straight line leaves out
    for block, whole in zip(setup.blocks, covariance, strict=True):
        n, own = block.member.size, slope[block.member]
        whole[:n] *= own[:, None]
        whole[:, :n] *= own
        rows = np.arange(n)
        whole[rows, rows] += curved[block.member]
    mean = each @ PLACE_SHARE
    return np.asarray(mean), np.asarray(each - mean[:, None])
