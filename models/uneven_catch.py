"""Uneven catch: how much longer a zone runs because sprinklers do not wet it evenly, and what that buys and costs.

A run long enough for the drier part of a zone wets the rest past field capacity. Where it seldom rains the drier part
would otherwise fall behind, run after run; where rain fills every part alike, the extra only drains. So the extra is
weighed, surface by surface, over the weather of the last weeks: several shares of it are played through with the rule a
manager would keep, at three places of each zone that catch unequal water. What it costs are water and soft ground at
the wettest place, what it buys is ET that turf at the driest place can take; what drains counts towards leaching.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PLACE_SHARE = np.array([0.25, 0.5, 0.25])  # of a zone: its driest quarter, the half between, its wettest quarter
STEPS = 6  # shares of the extra that are compared, from none to the most
REFILL_LEVEL = 0.2  # [-] of the way from the firmness limit to the dry limit to which runs refill; as plans do
EVEN_CHOICE = 0.005  # of the cost: shares that differ by less count about alike, so that none is left overnight [-]
ROUNDED = 0.05  # to which the share of the extra is rounded [-]
APART = 0.5  # [mm] short of the firmness limit from which a place counts as soft


def place_catch(du_lq: Floats) -> Floats:
    """What each place of a zone catches of its mean, (Z, 3) [-]: its driest quarter DU_LQ, its wettest as much above.

    Parameters
    ----------
    du_lq : ndarray (Z,)   Distribution uniformity of the lower quarter [-].
    """
    return np.stack([du_lq, np.ones_like(du_lq), 2.0 - du_lq], axis=1)


@dataclass(frozen=True)
class Ground:
    """Zones and the weather they stood in, T days.

    Parameters
    ----------
    etc, rain : ndarray (Z, T)     ET without stress; rain that entered [mm/d].
    raw, dry_limit : ndarray (Z, T)   Readily available water; depletion not to be passed [mm].
    taw, wet_limit : ndarray (Z,)  [mm].
    du_lq : ndarray (Z,)           [-].
    owed : ndarray (Z,)            Share of irrigation that has to drain to keep salt down, rain aside [-].
    followed : ndarray of bool (Z,)   Whether runs are made for the mean of its places, as the filter believes it, or
                                   for a balance of the part that run times are made for.
    """

    etc: Floats
    rain: Floats
    raw: Floats
    dry_limit: Floats
    taw: Floats
    wet_limit: Floats
    du_lq: Floats
    owed: Floats
    followed: NDArray[np.bool_]


@dataclass(frozen=True)
class Worth:
    """What counts how much, in mm of water.

    Parameters
    ----------
    et : float      One mm of ET that turf cannot take [-].
    soft : float    One mm short of the firmness limit, a night [-].
    run : float     One run [mm].
    """

    et: float
    soft: float
    run: float


@dataclass(frozen=True)
class Course:
    """What a share of the extra came to over the days, K shares.

    Parameters
    ----------
    water, drained : ndarray (Z, K)   Gross water; drainage by the mean of the places [mm].
    missed : ndarray (Z, K)           ET not taken, mean of the places [mm].
    met : ndarray (Z, K)              Share of its ET that the driest quarter took [-].
    soft : ndarray (Z, K)             Nights on which the wettest quarter was soft after watering.
    cost : ndarray (Z, K)             All of it [mm].
    """

    water: Floats
    drained: Floats
    missed: Floats
    met: Floats
    soft: Floats
    cost: Floats


def played(ground: Ground, share: Floats, worth: Worth, first: int = 0) -> Course:
    """Play shares of mean catch, for which run times are made, through the days.

    A run is due where the next date would pass the dry limit; it refills to `REFILL_LEVEL`, by what reaches the part it
    is made for. Where the filter follows all places, the dry ones are in the depletion that is refilled: part of the
    extra is there already. ET falls with stress by FAO-56 Eq. 84, taken after the night's water.

    Parameters
    ----------
    ground : Ground
    share : ndarray (Z, K)   Net depth over mean depth, above 0 [-].
    worth : Worth
    first : int              Day from which it counts; those before only bring places to where they stand.
    """
    z, days = ground.etc.shape
    catch = place_catch(ground.du_lq)[:, None, :]  # (Z, 1, 3)
    level = ground.wet_limit[:, None] + REFILL_LEVEL * (ground.dry_limit - ground.wet_limit[:, None])
    aimed = np.repeat(level[:, :1], share.shape[1], axis=1)  # depletion of the part run times are made for
    depletion = np.repeat(aimed[:, :, None], PLACE_SHARE.size, axis=2)
    taw, zero = ground.taw[:, None, None], np.zeros(share.shape)
    water, drained, missed, taken, soft, harm, runs = (zero.copy() for _ in range(7))
    for t in range(days):
        etc, rain, counts = ground.etc[:, t, None], ground.rain[:, t, None], float(t >= first)
        due = (aimed + etc - rain > ground.dry_limit[:, t, None]) & (aimed > level[:, t, None])
        gross = np.where(due, (aimed - level[:, t, None]) / share, 0.0)
        water += counts * gross
        runs += counts * due
        filled = depletion - catch * gross[:, :, None]
        wet = np.maximum(ground.wet_limit[:, None, None] - np.maximum(filled, 0.0), 0.0) * due[:, :, None]
        opened = np.maximum(filled, 0.0)
        ks = np.clip((taw - opened) / (ground.taw - ground.raw[:, t])[:, None, None], 0.0, 1.0)  # FAO-56 Eq. 84
        after = opened + ks * etc[:, :, None] - rain[:, :, None]
        depletion = np.clip(after, 0.0, taw)
        alone = np.clip(aimed - share * gross + etc - rain, 0.0, ground.taw[:, None])
        aimed = np.where(ground.followed[:, None], depletion @ PLACE_SHARE, alone)
        drained += counts * (np.maximum(-filled, 0.0) + np.maximum(-after, 0.0)) @ PLACE_SHARE
        missed += counts * (1.0 - ks) @ PLACE_SHARE * etc
        harm += counts * wet @ PLACE_SHARE
        taken += counts * ks[:, :, 0] * etc
        soft += counts * (wet[:, :, -1] > APART)
    leached = np.maximum(ground.owed[:, None] * water - drained, 0.0)  # still to be leached, with as much water
    cost = water + leached + worth.et * missed + worth.soft * harm + worth.run * runs
    wanted = np.maximum(ground.etc[:, first:].sum(axis=1), 1e-9)[:, None]
    return Course(water, drained, missed, taken / wanted, soft, cost)


@dataclass(frozen=True)
class Weighed:
    """What was chosen.

    Parameters
    ----------
    extra : ndarray (G,)     Share of the full extra each group gets [-].
    share : ndarray (Z,)     Net depth over mean depth of every zone [-].
    course : Course          Of none of the extra and of what was chosen, (Z, 2).
    """

    extra: Floats
    share: Floats
    course: Course


def weigh(
    ground: Ground,
    group: NDArray[np.int64],
    area: Floats,
    most: Floats,
    worth: Worth,
    first: int = 0,
    up_to: float = 1.0,
) -> Weighed:
    """Choose how much of the extra each group of zones gets: what costs least by area.

    Costs are flat, and often all of it and none of it cost about the same: the mean of the shares is taken, with
    weights that fall by e for every `EVEN_CHOICE` of the cost, so that the choice moves from one evening to the next
    and never leaps.

    Parameters
    ----------
    ground : Ground
    group : ndarray (Z,)   Group of each zone, 0 to G - 1: what is kept alike, as a surface.
    area : ndarray (Z,)    [m2].
    most : ndarray (Z,)    Share of mean catch at the full extra, `served_share` of `models.hydraulics` [-].
    worth : Worth
    first : int            Day from which the weather counts.
    up_to : float          Most of the full extra that is compared [-]; above 1 more than the full one.

    Raises
    ------
    ValueError   A share, also at `up_to`, is not above 0 and at most 1.
    """
    if not ((most > 0) & (most <= 1) & (up_to * (1.0 - most) < 1.0)).all():
        raise ValueError("most: every share must be above 0 and at most 1, also at what it is compared up to")
    extra = np.linspace(0.0, up_to, STEPS)
    course = played(ground, 1.0 - extra * (1.0 - most[:, None]), worth, first)
    cost = np.zeros((int(group.max(initial=-1)) + 1, STEPS))
    np.add.at(cost, group, course.cost * area[:, None])
    least = cost.min(axis=1, keepdims=True)
    weight = np.exp((least - cost) / (EVEN_CHOICE * np.maximum(least, 1e-9)))
    chosen = np.minimum(np.round(weight @ extra / weight.sum(axis=1) / ROUNDED) * ROUNDED, up_to)
    share = 1.0 - chosen[group] * (1.0 - most)
    return Weighed(chosen, share, played(ground, np.stack((np.ones_like(share), share), axis=1), worth, first))
