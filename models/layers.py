"""The root zone cut into layers, and the water and salt each layer holds.

Two layers by default, the halves of the root depth, giving 70 and 30 % of ET (FAO-29's quarters 40-30-20-10 added in
pairs). A root zone of sand over gravel is cut as deep as it feeds its turf, below the roots too: see `fed_layers`.
Depletion is 0 at field capacity. Salt is held as EC times water, [dS/m mm], so that it is conserved with the water that
carries it; ECe is that salt in the water of the saturated paste. Arrays are over zones (Z,) and layers (Z, L), top
layer first; `models.salt_balance` moves them on.

Sources: FAO-29 ch. 2 (root pattern, Table 3) and Hoffman (1980) for the values of f and s: memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from models.salts import FAO29_ROOTS
from models.textures import WETTEST_PASTE

Floats = npt.NDArray[np.float64]
Numbers = npt.ArrayLike

TWO_LAYER_ROOTS = (sum(FAO29_ROOTS[:2]), 1.0 - sum(FAO29_ROOTS[:2]))  # [-] upper and lower half
# s = 1: the paths' shares of the flow spread exponentially; one event leaves 1 / (1 + f x) of a layer's salt. With two
# layers and FC 0.20 to 0.30 a flush follows Hoffman's K = 0.1 within 0.11 of C0 for C / C0 from 0.4 to 0.1. Computed.
PATH_SPREAD = 1.0  # [-]
# Two-layer soils whose salt lies at the bottom of the lower one, as flushed soils do, give more than twice the mean.
LARGEST_MIXING = 4.0  # [-] of f
TOLERANCE = 1e-9  # [mm] rounding allowed in what a caller hands in


@dataclass(frozen=True)
class Layers:
    """The layers of every zone, top first; every array is (Z, L).

    Attributes
    ----------
    thickness : ndarray
        Thickness [m].
    field_capacity, wilting_point, paste : ndarray
        Water at field capacity, at wilting point and in the saturated paste over the soil's own volume [m3/m3]. Paste
        water is what ECe refers to; a paste of clay holds more than the clay's pores do in place, so it may pass 1.
    root_fraction : ndarray
        Share of ET that roots take in the layer [-]; sums to 1 in each zone.
    emptied : ndarray
        Share of ET that the layer's water falls by [-]; sums to 1. Where it is more than its own roots take, the rest
        rises to the layers above with its salt.
    rooted : ndarray
        How much of the layer is within the roots [m]: what the mean ECe is weighed by.
    mixing, path_spread : ndarray
        f [-], above 0, at most 4, and s [-], 0 or more: how passing water takes up a layer's salt: see
        `models.salt_balance`.
    """

    thickness: Floats
    field_capacity: Floats
    wilting_point: Floats
    paste: Floats
    root_fraction: Floats
    emptied: Floats
    rooted: Floats
    mixing: Floats
    path_spread: Floats

    def __post_init__(self) -> None:
        """Check shapes and ranges once."""
        shape = self.thickness.shape
        for name in (field.name for field in fields(self)):
            value: Floats = getattr(self, name)
            if value.ndim != 2 or value.shape != shape:
                raise ValueError(f"{name}: shape {value.shape}, but thickness has {shape} and (Z, L) is needed")
            if not np.isfinite(value).all():
                raise ValueError(f"{name}: must be finite")
        if np.any(self.thickness <= 0.0):
            raise ValueError("thickness: must be above 0 m")
        if np.any(self.wilting_point < 0.0) or np.any(self.field_capacity <= self.wilting_point):
            raise ValueError("field_capacity: must be above wilting_point, and that 0 or more")
        if np.any(self.paste < self.field_capacity) or np.any(self.paste > WETTEST_PASTE):
            raise ValueError(f"paste: must be field_capacity to {WETTEST_PASTE:g} m3/m3")
        if np.any(self.root_fraction < 0.0) or np.any(np.abs(self.root_fraction.sum(axis=1) - 1.0) > 1e-9):
            raise ValueError("root_fraction: must be 0 or more and sum to 1 in each zone")
        if np.any(self.emptied < 0.0) or np.any(np.abs(self.emptied.sum(axis=1) - 1.0) > 1e-9):
            raise ValueError("emptied: must be 0 or more and sum to 1 in each zone")
        if np.any(np.cumsum((self.emptied - self.root_fraction)[:, ::-1], axis=1) < -1e-9):
            raise ValueError("emptied: no layer and those below it may lose less water than their roots take")
        if np.any(self.rooted < 0.0) or np.any(self.rooted > self.thickness + 1e-9) or np.any(self.rooted[:, 0] <= 0.0):
            raise ValueError("rooted: must be 0 to the layer's thickness, and above 0 in the top layer")
        if np.any(self.mixing <= 0.0) or np.any(self.mixing > LARGEST_MIXING):
            raise ValueError(f"mixing: must be above 0 and at most {LARGEST_MIXING:g}")
        if np.any(self.path_spread < 0.0):
            raise ValueError("path_spread: must be 0 or more")

    @property
    def zones(self) -> int:
        """Number of zones Z."""
        return int(self.thickness.shape[0])

    @property
    def count(self) -> int:
        """Number of layers L."""
        return int(self.thickness.shape[1])

    @property
    def depth(self) -> Floats:
        """Depth of all layers [m], (Z,)."""
        return np.asarray(self.thickness.sum(axis=1), dtype=np.float64)

    @cached_property
    def available(self) -> Floats:
        """Total available water of each layer, 1000 (FC - WP) * thickness [mm], (Z, L)."""
        return 1000.0 * (self.field_capacity - self.wilting_point) * self.thickness

    @cached_property
    def full_water(self) -> Floats:
        """Water of each layer at field capacity [mm], (Z, L)."""
        return 1000.0 * self.field_capacity * self.thickness

    @cached_property
    def paste_water(self) -> Floats:
        """Water of each layer's saturated paste [mm], (Z, L)."""
        return 1000.0 * self.paste * self.thickness


def default_mixing(count: int) -> float:
    """Give f for a root zone of `count` equal layers, f = 1 + 2 / L, at most 2 [-].

    Salt grows downward within a layer that roots draw on, so what leaves is saltier than the layer's mean: in two
    layers about as much above the mean as what comes in is below it (f = 2), in many thin layers hardly (f near 1).
    With it the mean ECe at steady state is that of FAO-29 Table 3 within 5 % for two layers and 8 % for four (leaching
    fractions 0.05 to 0.5). Status: computed.
    """
    return min(1.0 + 2.0 / count, 2.0)


def equal_layers(
    root_depth: Numbers,
    field_capacity: Numbers,
    wilting_point: Numbers,
    paste: Numbers,
    roots: Sequence[float] = TWO_LAYER_ROOTS,
    mixing: Numbers | None = None,
    path_spread: Numbers | None = None,
) -> Layers:
    """Cut each zone's root depth into equal layers of the same soil.

    Parameters
    ----------
    root_depth, field_capacity, wilting_point, paste : array_like, shape (Z,)
        Root depth [m]; soil water [m3/m3].
    roots : sequence of float
        Share of ET by layer [-], top first; its length is L.
    mixing, path_spread : array_like, shape (Z,) or a number, optional
        f [-], `default_mixing` if not given; s [-], 1 if not given.

    Returns
    -------
    Layers
        With arrays (Z, L).

    Raises
    ------
    ValueError
        Shapes differ or a value is out of range.
    """
    depth = np.atleast_1d(np.asarray(root_depth, dtype=np.float64))
    if depth.ndim != 1:
        raise ValueError("root_depth: must be one-dimensional")
    count = len(roots)
    columns = {
        name: over_zones(name, value, depth.size)
        for name, value in (
            ("field_capacity", field_capacity),
            ("wilting_point", wilting_point),
            ("paste", paste),
        )
    }
    f = default_mixing(count) if mixing is None else mixing
    s = PATH_SPREAD if path_spread is None else path_spread

    def spread(value: Floats) -> Floats:
        return np.repeat(value[:, None], count, axis=1)

    shares = np.tile(np.asarray(roots, dtype=np.float64), (depth.size, 1))
    return Layers(
        thickness=spread(depth / count),
        field_capacity=spread(columns["field_capacity"]),
        wilting_point=spread(columns["wilting_point"]),
        paste=spread(columns["paste"]),
        root_fraction=shares,
        emptied=shares,
        rooted=spread(depth / count),
        mixing=spread(over_zones("mixing", f, depth.size)),
        path_spread=spread(over_zones("path_spread", s, depth.size)),
    )


def fed_layers(layers: Layers, root_depth: Numbers, fed_depth: Numbers) -> Layers:
    """Deepen the layers of some zones to the depth that feeds their turf, which roots reach in part.

    Over gravel water rises to the roots through all of the sand (`models.drainage.fed_depth`): the sand dries by about
    the same share at every depth, roots take in the upper part what came from below, and its salt comes along. A flush
    that only moves salt below such roots has not got rid of it.

    Parameters
    ----------
    layers : Layers                     Equal layers over the root depth.
    root_depth, fed_depth : array_like (Z,)   [m]; zones where both are the same stay as they are.

    Returns
    -------
    Layers
        There: of equal thickness over the fed depth, emptied alike, roots by FAO-29's pattern over the root depth. Salt
        grows downward within a layer only as far as roots draw on it, and not by what they draw up through it: f of
        `default_mixing` is above 1 by the share of the roots' water that the layer itself gives, and 1 below roots.

    Raises
    ------
    ValueError
        A fed depth is less than its root depth.
    """
    roots = over_zones("root_depth", root_depth, layers.zones)
    fed = over_zones("fed_depth", fed_depth, layers.zones)
    if np.any(fed < roots - TOLERANCE):
        raise ValueError("fed_depth: must be the root depth or more")
    deeper = (fed > roots + TOLERANCE)[:, None]
    ends = np.arange(layers.count + 1) / layers.count * fed[:, None]  # of the layers, from the surface [m]
    within = np.minimum(ends / roots[:, None], 1.0)
    quarters = np.linspace(0.0, 1.0, len(FAO29_ROOTS) + 1)
    taken = np.interp(within, quarters, np.concatenate(([0.0], np.cumsum(FAO29_ROOTS))))
    rooted = np.where(deeper, np.diff(within * roots[:, None], axis=1), layers.rooted)
    thickness = np.where(deeper, np.diff(ends, axis=1), layers.thickness)
    root_fraction = np.where(deeper, np.diff(taken, axis=1), layers.root_fraction)
    emptied = np.where(deeper, 1.0 / layers.count, layers.emptied)
    own = np.minimum(emptied / np.maximum(root_fraction, TOLERANCE), 1.0)  # of what its roots take
    return replace(
        layers,
        thickness=thickness,
        mixing=1.0 + (layers.mixing - 1.0) * np.minimum(rooted / thickness, 1.0) * np.where(deeper, own, 1.0),
        root_fraction=root_fraction,
        emptied=emptied,
        rooted=rooted,
    )


@dataclass(frozen=True)
class LayeredState:
    """Water and salt of every layer at one moment; arrays (Z, L)."""

    depletion: Floats  # [mm] below field capacity, 0 to the layer's available water
    salt: Floats  # [dS/m mm] EC of the pore water times its depth

    @property
    def total_depletion(self) -> Floats:
        """Depletion of the root zone [mm], (Z,)."""
        return np.asarray(self.depletion.sum(axis=1), dtype=np.float64)

    def rows(self, some: slice) -> LayeredState:
        """Give the state of some of the zones."""
        return LayeredState(self.depletion[some], self.salt[some])


def some_layers(layers: Layers, zones: npt.NDArray[np.int64]) -> Layers:
    """Give the layers of some of the zones, by index; a zone may come more than once."""
    return Layers(**{field.name: getattr(layers, field.name)[zones] for field in fields(layers)})


def spread_depletion(layers: Layers, total: Numbers) -> Floats:
    """Share a root zone depletion (Z,) [mm] among layers (Z, L), as ET empties them.

    What a layer cannot hold goes to the others, in proportion to their room.

    Raises
    ------
    ValueError
        Depletion below 0 or above the total available water.
    """
    wanted = over_zones("total", total, layers.zones)
    room = layers.available
    if np.any(wanted < -TOLERANCE) or np.any(wanted > room.sum(axis=1) + TOLERANCE):
        raise ValueError("total: depletion must be 0 to the total available water")
    wanted = np.clip(wanted, 0.0, room.sum(axis=1))
    first = np.minimum(layers.emptied * wanted[:, None], room)
    return np.minimum(first + in_proportion(wanted - first.sum(axis=1), room - first), room)


def state_from_ece(layers: Layers, depletion: Numbers, ece: Numbers) -> LayeredState:
    """Make a state from depletion, (Z,) of the root zone or (Z, L), and ECe by layer (Z, L) [dS/m] (or a number)."""
    below = np.asarray(depletion, dtype=np.float64)
    by_layer = below.copy() if below.ndim == 2 else spread_depletion(layers, below)
    salinity = np.asarray(ece, dtype=np.float64)
    salinity = np.full(layers.thickness.shape, float(salinity)) if salinity.ndim == 0 else salinity
    if salinity.shape != layers.thickness.shape or not np.all(salinity >= 0.0):
        raise ValueError(f"ece: a number or shape {layers.thickness.shape}, 0 dS/m or more")
    state = LayeredState(by_layer, salinity * layers.paste_water)
    check_state(layers, state)
    return state


def ece_of(layers: Layers, state: LayeredState) -> Floats:
    """Give ECe of each layer (Z, L) [dS/m]: its salt in the water of its saturated paste."""
    return state.salt / layers.paste_water


def root_zone_ece(layers: Layers, ece: Floats) -> Floats:
    """Give the mean ECe over the roots (..., Z) [dS/m] of ECe by layer (..., Z, L), weighted by what is rooted."""
    return np.asarray((ece * layers.rooted).sum(axis=-1) / layers.rooted.sum(axis=-1), dtype=np.float64)


def standing_ece(layers: Layers, ece: Floats) -> Floats:
    """Give the mean ECe over the roots, or over all layers where that is more, (Z,) [dS/m].

    What a flush is judged by: salt that only went below roots which are fed from there comes back with the water.
    """
    whole = np.asarray((ece * layers.thickness).sum(axis=1) / layers.depth, dtype=np.float64)
    return np.maximum(root_zone_ece(layers, ece), whole)


def in_proportion(amount: Floats, room: Floats) -> Floats:
    """Share `amount` (Z,) among layers in proportion to `room` (Z, L)."""
    whole = room.sum(axis=1)
    share: Floats = np.divide(amount, whole, out=np.zeros_like(whole), where=whole > 0.0)
    return room * share[:, None]


def over_zones(name: str, value: Numbers, zones: int) -> Floats:
    """Return `value` as (Z,), from a number or exactly that shape; finite and 0 or more."""
    array = np.asarray(value, dtype=np.float64)
    array = np.full(zones, float(array)) if array.ndim == 0 else array
    if array.shape != (zones,):
        raise ValueError(f"{name}: shape {array.shape}, needed ({zones},)")
    if not (array.min(initial=0.0) >= 0.0 and array.max(initial=0.0) < np.inf):  # NaN is neither
        raise ValueError(f"{name}: must be finite and 0 or more")
    return array


def check_state(layers: Layers, state: LayeredState) -> None:
    """Refuse a state that does not fit its layers."""
    for name, value in (("depletion", state.depletion), ("salt", state.salt)):
        if value.shape != layers.thickness.shape or not np.isfinite(value).all():
            raise ValueError(f"{name}: needs finite values of shape {layers.thickness.shape}")
    room = layers.available - state.depletion
    if state.depletion.min(initial=0.0) < -TOLERANCE or room.min(initial=0.0) < -TOLERANCE:
        raise ValueError("depletion: must be 0 to the layer's available water")
    if state.salt.min(initial=0.0) < -TOLERANCE:
        raise ValueError("salt: must be 0 or more")
