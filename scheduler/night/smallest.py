"""Runs worth making: a zone runs at least its smallest useful run tonight, or not at all.

A run the plan made shorter is weighed: what the zone loses if it waits for its next night with water against what is
wasted if it gets its smallest run now. The dearer of the two is avoided; where neither costs anything the zone waits,
for one deep run is better than two shallow ones.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.plan.inputs import Floats
from models.plan.prices import Prices
from scheduler.night.whole_steps import STILL
from scheduler.plan.inputs import NightInputs


def short_runs(inputs: NightInputs, minutes: Floats) -> NDArray[np.bool_]:
    """Zones whose run tonight is below their smallest useful one, shape (Z,)."""
    return (minutes > STILL) & (minutes < inputs.smallest_run - STILL)


def better_skipped(inputs: NightInputs, prices: Prices, short: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Of the zones with a short run those that had better wait, shape (Z,).

    Parameters
    ----------
    inputs : NightInputs
    prices : Prices            Of the plan: dryness, softness and drainage weigh as they do there.
    short : ndarray (Z,)
    """
    plan = inputs.plan
    lost, wasted = np.zeros(plan.zones), np.zeros(plan.zones)
    may_run = plan.allowed.any(axis=2) & (plan.max_run > 0)[:, None]
    depletion, waiting = plan.depletion.copy(), short.copy()
    for n in range(plan.nights):
        depletion = np.clip(depletion + plan.etc[:, n] - plan.effective_rain[:, n], 0.0, plan.taw)
        lost += np.where(waiting, np.maximum(depletion - plan.dry_limit[:, n], 0.0) * prices.dry, 0.0)
        if n + 1 < plan.nights:
            waiting &= ~may_run[:, n + 1]  # until the next night on which it may run
        if not waiting.any():
            break
    net = inputs.smallest_run * plan.net_rate
    drained = np.maximum(net - plan.depletion, 0.0)
    soft = np.maximum(plan.wet_limit[:, 0] - np.maximum(plan.depletion - net, 0.0), 0.0)
    wasted = drained * prices.drainage[:, 0] + soft * prices.wet[:, 0]
    return short & (lost <= wasted)
