"""Upkeep in place of a flush: a little leaching with the watering a zone gets anyway, and what it would hold.

A zone is watered when it would otherwise go dry before the next open night; with upkeep that night fills its roots and
passes the share of the water that FAO-29 asks for (Eq. 9) to hold the limit. What that does to its salt is worked out
by the layered balance, like a flush; whether it is worth its water is for the plan to choose.
"""

from __future__ import annotations

import numpy as np

from models.layers import LayeredState, Layers, ece_of, root_zone_ece
from models.plan.inputs import PlanInputs
from models.salt_balance import layered_day
from models.salts import leaching_requirement


def upkeep_depths(
    plan: PlanInputs, zones: np.ndarray, allowed: np.ndarray, limit: np.ndarray, source_ec: np.ndarray
) -> np.ndarray:
    """Depth to pass below the roots on each night of watering (F, N) [mm], 0 on others.

    Parameters
    ----------
    plan : PlanInputs
    zones : ndarray (F,)          Zones asked about.
    allowed : ndarray (F, N)      Nights on which water may pass the roots.
    limit : ndarray (F,)          Mean ECe to hold [dS/m].
    source_ec : ndarray (F,)      [dS/m].
    """
    share = leaching_requirement(source_ec, limit)
    each_mm = np.nan_to_num(share / (1.0 - share))  # for each millimetre that refills
    gain = plan.etc[zones] - plan.effective_rain[zones]
    dry, count = plan.dry_limit[zones], gain.shape[1]
    until = _next_open(allowed)
    path = np.concatenate((np.zeros((zones.size, 1)), np.cumsum(gain, axis=1)), axis=1)
    depth = np.zeros_like(gain)
    short = plan.depletion[zones].astype(float)
    row = np.arange(zones.size)
    for n in range(count):
        waits = short + path[row, until[:, n]] - path[:, n]
        waters = allowed[:, n] & (waits > dry[:, n]) & (short > 0.0)
        depth[:, n] = np.where(waters, each_mm * short, 0.0)
        short = np.maximum(np.where(waters, 0.0, short) + gain[:, n], 0.0)
    return depth


def _next_open(allowed: np.ndarray) -> np.ndarray:
    """Next night after each that is open, or the end of the horizon, shape (F, N)."""
    count = allowed.shape[1]
    night = np.where(allowed, np.arange(count)[None, :], count)
    after = np.concatenate((night[:, 1:], np.full((len(night), 1), count)), axis=1)
    return np.minimum.accumulate(after[:, ::-1], axis=1)[:, ::-1]


def ece_with_upkeep(
    plan: PlanInputs,
    zones: np.ndarray,
    soil: tuple[Layers, LayeredState],
    depth: np.ndarray,
    source_ec: np.ndarray,
    fraction: np.ndarray,
    slow: float,
    after: int,
) -> np.ndarray:
    """Mean ECe at the end of each date with upkeep, and of as many days after as given (F, N + after) [dS/m].

    On nights it does not leach a zone is taken to get back what ET took. After the horizon it goes on leaching as much
    as on the mean of it.

    Parameters
    ----------
    plan : PlanInputs
    zones : ndarray (F,)                 Zones asked about.
    soil : tuple                         Their layers, and how they stand tonight.
    depth : ndarray (F, N)               As `upkeep_depths` gives it [mm].
    source_ec : ndarray (F,)             [dS/m].
    fraction : ndarray (F, N)            p [-].
    slow : float                         Share of ET that comes from water above field capacity [-].
    after : int                          Days.
    """
    layers, state = soil
    count = plan.nights
    etc = np.concatenate((plan.etc[zones], np.repeat(plan.etc[zones].mean(axis=1)[:, None], after, axis=1)), axis=1)
    rain = np.concatenate((plan.effective_rain[zones], np.zeros((zones.size, after))), axis=1)
    leach = np.concatenate((depth, np.repeat(depth.mean(axis=1)[:, None], after, axis=1)), axis=1)
    path = np.empty(etc.shape)
    for i in range(etc.shape[1]):
        short = state.total_depletion
        plain = np.minimum(short, np.maximum(etc[:, i] - rain[:, i], 0.0))
        water = np.where(leach[:, i] > 0, short + leach[:, i] + slow * etc[:, i], plain)
        share = fraction[:, min(i, count - 1)]
        state = layered_day(layers, state, water, source_ec, etc[:, i], rain[:, i], share, slow=slow).state
        path[:, i] = root_zone_ece(layers, ece_of(layers, state))
    return path
