"""How much in one run: deep and seldom against room for rain.

Filling a root zone to the brim saves runs; water that is then carried off by rain is lost. Which of the two counts more
is a question of one price, what a whole run is worth in millimetres of water: wet leaves, labour, shallow roots. For
every zone a few depths tonight, and none, are played through each weather of the plan with the rule a manager would
keep: water when the next date would pass the dry limit, refill to the same level. The depth that costs least is the one
the plan is led to; limits and prices shared with other zones can still change it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from models.plan.inputs import Bools, Floats, Members

LEVELS = 8  # levels of refilling that are compared, from the firmness limit to little above the dry limit
PRICE_OF_A_RUN = 1.0  # [mm]; what wet leaves hold and lose; our choice, compared in closed loop
HIGHEST_LEVEL = 0.8  # [-] of the way from the firmness limit to the dry limit: a run leaves at least the rest


class Standing(Protocol):
    """What of `PlanInputs` a depth is chosen by: see there."""

    @property
    def etc(self) -> Floats: ...  # noqa: D102
    @property
    def effective_rain(self) -> Floats: ...  # noqa: D102
    @property
    def taw(self) -> Floats: ...  # noqa: D102
    @property
    def dry_limit(self) -> Floats: ...  # noqa: D102
    @property
    def wet_limit(self) -> Floats: ...  # noqa: D102
    @property
    def depletion(self) -> Floats: ...  # noqa: D102
    @property
    def members(self) -> Members | None: ...  # noqa: D102


@dataclass(frozen=True)
class Refill:
    """What tonight should be for each zone by itself.

    Parameters
    ----------
    depth : ndarray (Z,)      Net depth tonight [mm], 0 where the zone is better left tonight.
    wasted : ndarray (Z,)     Probability that rain makes its last millimetre useless within the horizon [-].
    runs : ndarray (Z, N)     Nights on which the zone would run in the main weather.
    """

    depth: Floats
    wasted: Floats
    runs: Bools


def refill(inputs: Standing, value: float, price_of_a_run: float = PRICE_OF_A_RUN) -> Refill:
    """Choose tonight's depth of every zone by itself.

    Cost of a course, in mm: water, runs at their price, dryness at `value` a night and mm, and what the last night
    leaves missing with the share of a run it will take.

    Parameters
    ----------
    inputs : Standing          As `PlanInputs` of zones, with other weathers or without.
    value : float              One mm beyond the dry limit for one night against one mm of water [-].
    price_of_a_run : float     [mm].
    """
    weight, etc, rain = _weathers(inputs)
    levels = np.linspace(0.0, HIGHEST_LEVEL, LEVELS)
    level = inputs.wet_limit[:, :, None] + levels * (inputs.dry_limit - inputs.wet_limit)[:, :, None]  # (Z, N, K)
    tonight = np.maximum(inputs.depletion[:, None] - level[:, 0], 0.0)
    best: list[tuple[Floats, Floats, Floats, Bools]] = []
    for waits in (True, False):
        first = np.zeros_like(tonight) if waits else tonight
        water, drained, runs, owed = _played(inputs, first, level, etc, rain, weight, value)
        count = np.where(first > 0, 1.0, 0.0) + owed + runs.sum(axis=3) @ weight
        cost = water + price_of_a_run * count
        best.append((cost, first, drained, runs))
    cost = np.concatenate([b[0] for b in best], axis=1)
    chosen = cost.argmin(axis=1)
    zone = np.arange(inputs.taw.size)
    depth = np.concatenate([b[1] for b in best], axis=1)[zone, chosen]
    wasted = np.concatenate([b[2] for b in best], axis=1)[zone, chosen]
    runs = np.concatenate([b[3][:, :, 0] for b in best], axis=1)[zone, chosen]
    runs[:, 0] = depth > 0
    return Refill(depth, np.where(depth > 0, wasted, 0.0), runs)


def _weathers(inputs: Standing) -> tuple[Floats, Floats, Floats]:
    """Weight (S + 1,), ET and rain (S + 1, Z, N) of every weather, the main one first."""
    if inputs.members is None:
        return np.ones(1), inputs.etc[None], inputs.effective_rain[None]
    m = inputs.members
    weight = np.r_[1.0 - m.weight.sum(), m.weight]
    return (
        weight,
        np.concatenate((inputs.etc[None], m.etc)),
        np.concatenate((inputs.effective_rain[None], m.effective_rain)),
    )


def _played(
    inputs: Standing,
    first: Floats,
    level: Floats,
    etc: Floats,
    rain: Floats,
    weight: Floats,
    value: float,
) -> tuple[Floats, Floats, Bools, Floats]:
    """Play every level through every weather.

    Returns
    -------
    cost : ndarray (Z, K)            Without runs [mm].
    wasted : ndarray (Z, K)          Probability that something drains.
    runs : ndarray (Z, K, S + 1, N)  Whether it runs.
    owed : ndarray (Z, K)            Share of a further run that the last night leaves to be made.
    """
    z, nights = inputs.etc.shape
    shape = (z, level.shape[2], weight.size)
    depletion = np.broadcast_to((inputs.depletion[:, None] - first)[:, :, None], shape)
    cost = np.broadcast_to(first[:, :, None], shape).copy()
    drained = np.zeros(shape, dtype=np.bool_)
    runs = np.zeros((*shape, nights), dtype=np.bool_)
    for n in range(nights):
        gain = (etc[:, :, n] - rain[:, :, n]).T[:, None, :]  # (Z, 1, S + 1)
        limit = inputs.dry_limit[:, n, None, None]
        if n:
            depth = np.maximum(depletion - level[:, n, :, None], 0.0)
            run = (depletion + gain > limit) & (depth > 0)
            runs[..., n] = run
            depletion = depletion - np.where(run, depth, 0.0)
            cost += np.where(run, depth, 0.0)
        after = depletion + gain
        drained |= after < 0.0
        depletion = np.clip(after, 0.0, inputs.taw[:, None, None])
        cost += value * np.maximum(depletion - limit, 0.0)
    typical = np.maximum(inputs.dry_limit[:, -1, None] - level[:, -1], 1e-6)[:, :, None]
    cost += depletion
    owed = np.clip((depletion - level[:, -1, :, None]) / typical, 0.0, 1.0)
    return cost @ weight, drained @ weight, runs, owed @ weight
