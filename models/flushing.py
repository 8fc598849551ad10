"""The depth a flush needs, from the layers' own balance.

A flush fills the soil to field capacity and then carries salt below the roots. How much must pass depends on both
layers, the target and the salt of the flushing water itself, which bounds what can be reached. Arrays are over zones.

Source: `models.salt_balance`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.layers import LayeredState, Layers, check_state, ece_of, over_zones, standing_ece
from models.salt_balance import lead_in

Floats = npt.NDArray[np.float64]
Numbers = npt.ArrayLike


@dataclass(frozen=True)
class FlushDepth:
    """What a flush needs, per zone; arrays (Z,)."""

    drainage: Floats  # [mm] to pass below the roots; 0 if the target holds already, NaN if it cannot be reached
    net_water: Floats  # [mm] the same plus what refills the soil; NaN if it cannot be reached
    ece_after: Floats  # [dS/m] by the judged measure; at the largest depth tried where the target cannot be reached
    ece_floor: Floats  # [dS/m] what endless flushing with this water ends at
    reachable: npt.NDArray[np.bool_]


def flush_depth(
    layers: Layers,
    state: LayeredState,
    target_ece: Numbers,
    source_ec: Numbers,
    every_layer: bool = False,
    largest_relative_depth: float = 2.0,
) -> FlushDepth:
    """Find the drainage that brings each zone to its target ECe, by bisection on the layers' own balance.

    The soil is first filled to field capacity with the source's water, whose salt stays, then water passes through.

    Parameters
    ----------
    layers, state : Layers, LayeredState
        The zones as they stand.
    target_ece, source_ec : array_like, shape (Z,) or a number
        ECe wanted and ECw of the flushing water [dS/m].
    every_layer : bool
        False: the mean over the roots, and over all layers, must reach the target (`standing_ece`). True: every layer
        must, so that the salt has left the lowest too.
    largest_relative_depth : float
        Largest dl / ds tried [-].

    Returns
    -------
    FlushDepth
        The water is what enters the soil in the night, and drains before any ET or rain of the day after.

    Raises
    ------
    ValueError
        A shape is wrong, a value is negative, or the target is not above 0.
    """
    check_state(layers, state)
    target = over_zones("target_ece", target_ece, layers.zones)
    source = over_zones("source_ec", source_ec, layers.zones)
    if np.any(target <= 0.0) or largest_relative_depth <= 0.0:
        raise ValueError("target_ece, largest_relative_depth: must be above 0")
    to_fill = state.total_depletion

    def after(drainage: Floats) -> Floats:
        ece = ece_of(layers, lead_in(layers, state, to_fill + drainage, source))
        return np.asarray(ece.max(axis=1), dtype=np.float64) if every_layer else standing_ece(layers, ece)

    low, high = np.zeros(layers.zones), 1000.0 * largest_relative_depth * layers.depth
    now = ece_of(layers, state)
    before = np.asarray(now.max(axis=1), dtype=np.float64) if every_layer else standing_ece(layers, now)
    at_most = after(high)
    held = (before <= target) & (after(low) <= target)
    reachable = held | (at_most <= target)
    for _ in range(40):
        middle = 0.5 * (low + high)
        enough = after(middle) <= target
        high, low = np.where(enough, middle, high), np.where(enough, low, middle)
        if float(np.max(high - low, initial=0.0)) < 0.005:
            break
    depth = np.where(held, 0.0, high)
    diluted = source[:, None] * layers.field_capacity / layers.paste
    floor = np.asarray(diluted.max(axis=1), dtype=np.float64) if every_layer else standing_ece(layers, diluted)
    return FlushDepth(
        drainage=np.where(reachable, depth, np.nan),
        net_water=np.where(reachable, np.where(held, 0.0, depth + to_fill), np.nan),
        ece_after=np.where(held, before, np.where(reachable, after(depth), at_most)),
        ece_floor=floor,
        reachable=reachable,
    )
