"""The depth a flush needs, from the layers' own balance.

A flush fills the soil to field capacity and then carries salt below the roots. How much must pass depends on both
layers, the target and the salt of the flushing water itself, which bounds what can be reached. Arrays are over zones.

Source: `models.salt_balance`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.layers import LayeredState, Layers, check_state, ece_of, over_zones, some_layers, standing_ece
from models.salt_balance import lead_in

Floats = npt.NDArray[np.float64]
Numbers = npt.ArrayLike

FEW = 200  # zones up to which several depths are tried at once: a call then costs more than what it works out


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
    after = _After(layers, state, source, every_layer)
    low, high = np.zeros(layers.zones), 1000.0 * largest_relative_depth * layers.depth
    now = after.judged(ece_of(layers, state))
    none, at_most = after(np.stack((low, high)))
    held = (now <= target) & (none <= target)
    reachable = held | (at_most <= target)
    at_once = 3 if layers.zones <= FEW else 1
    for _ in range(0, 40, at_once):
        low, high, found = _halved(low, high, at_once, lambda tried: after(tried) <= target)
        if found:
            break
    depth = np.where(held, 0.0, high)
    floor = after.judged(source[:, None] * layers.field_capacity / layers.paste)
    return FlushDepth(
        drainage=np.where(reachable, depth, np.nan),
        net_water=np.where(reachable, np.where(held, 0.0, depth + to_fill), np.nan),
        ece_after=np.where(held, now, np.where(reachable, after(depth[None])[0], at_most)),
        ece_floor=floor,
        reachable=reachable,
    )


class _After:
    """What drainage leaves of the salt of each zone; several depths are played at once."""

    def __init__(self, layers: Layers, state: LayeredState, source: Floats, every_layer: bool) -> None:
        self.layers, self.state, self.source, self.every_layer = layers, state, source, every_layer
        self.repeated: dict[int, tuple[Layers, LayeredState, Floats]] = {}

    def judged(self, ece: Floats, layers: Layers | None = None) -> Floats:
        """ECe of the layers by the measure asked for."""
        if self.every_layer:
            return np.asarray(ece.max(axis=1), dtype=np.float64)
        return standing_ece(self.layers if layers is None else layers, ece)

    def __call__(self, drainage: Floats) -> Floats:
        """ECe by the measure asked for after each drainage (M, Z) [mm], (M, Z) [dS/m]."""
        times = len(drainage)
        if times not in self.repeated:
            zone = np.tile(np.arange(self.layers.zones), times)
            state = LayeredState(self.state.depletion[zone], self.state.salt[zone])
            self.repeated[times] = some_layers(self.layers, zone), state, self.source[zone]
        layers, state, source = self.repeated[times]
        led = lead_in(layers, state, state.total_depletion + drainage.ravel(), source)
        return self.judged(ece_of(layers, led), layers).reshape(drainage.shape)


def _halved(
    low: Floats, high: Floats, steps: int, enough: Callable[[Floats], npt.NDArray[np.bool_]]
) -> tuple[Floats, Floats, bool]:
    """Some steps of bisection, all depths they may come to tried at once; and whether it has come near enough."""
    edges = np.stack((low, high))
    for _ in range(steps):
        middle = 0.5 * (edges[:-1] + edges[1:])
        edges = np.insert(edges, np.arange(1, len(edges)), middle, axis=0)
    fits = enough(edges[1:-1])
    row, wide = np.arange(low.size), len(edges) - 1
    first = np.zeros(low.size, dtype=np.int64)
    for _ in range(steps):
        wide //= 2
        first = np.where(fits[first + wide - 1, row], first, first + wide)
        low, high = edges[first, row], edges[first + wide, row]
        if float(np.max(high - low, initial=0.0)) < 0.005:
            return low, high, True
    return low, high, False
