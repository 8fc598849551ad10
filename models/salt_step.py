"""What one step does to the water and salt of all layers, on arrays turned so that each layer is one contiguous row.

The work of `models.salt_balance`, which checks what it is given and says what the steps mean; arrays (L, Z) here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.layers import LayeredState, Layers, ece_of, in_proportion, root_zone_ece
from models.salts import salt_stress
from models.soil import stress_coefficient

Floats = npt.NDArray[np.float64]

PORTION = 0.1  # [-] of the thinnest layer's water at field capacity: water is led through in portions no larger
LARGEST_PORTIONS = 400  # a single night's water is never cut finer
EVEN = 1e-6  # [-] a path spread of 0 is computed as this


@dataclass(frozen=True)
class SaltTolerance:
    """What salinity does to the turf: threshold [dS/m], slope [% per dS/m] and Ky [-], each (Z,)."""

    threshold: Floats
    slope: Floats
    yield_response: Floats

    def __post_init__(self) -> None:
        """Check shapes and ranges once."""
        for name, value in (
            ("threshold", self.threshold),
            ("slope", self.slope),
            ("yield_response", self.yield_response),
        ):
            if value.ndim != 1 or value.shape != self.threshold.shape:
                raise ValueError(f"{name}: shape {value.shape}, needed (Z,) as threshold")
            if not np.all(value >= 0.0):
                raise ValueError(f"{name}: must be 0 or more")


@dataclass(frozen=True)
class LayeredDay:
    """One step for every zone: the night's water, then ET and rain of the next date."""

    state: LayeredState
    etc_actual: Floats  # (Z,) [mm]
    drainage: Floats  # (Z,) [mm] below the root zone
    drainage_ec: Floats  # (Z,) [dS/m]; 0 where nothing drained
    stress: Floats  # (Z,) combined Ks [-]
    percolation: Floats  # (Z, L) [mm] leaving each layer downward
    percolation_salt: Floats  # (Z, L) [dS/m mm]
    salt_in: Floats  # (Z,) [dS/m mm]


@dataclass(frozen=True)
class Turned:
    """The layers as the inner loops want them: (L, Z), one contiguous row a layer."""

    available: Floats
    full_water: Floats
    roots: Floats
    emptied: Floats
    mixed: Floats  # f s
    stirred: Floats  # the same of water saltier than the layer
    minus_s: Floats
    portion: Floats  # (Z,)

    @classmethod
    def of(cls, layers: Layers) -> Turned:
        """Turn `layers` round once."""
        full, mixing = (np.ascontiguousarray(a.T) for a in (layers.full_water, layers.mixing))
        spread = np.ascontiguousarray(np.maximum(layers.path_spread, EVEN).T)
        return cls(
            available=np.ascontiguousarray(layers.available.T),
            full_water=full,
            roots=np.ascontiguousarray(layers.root_fraction.T),
            emptied=np.ascontiguousarray(layers.emptied.T),
            mixed=mixing * spread,
            stirred=np.minimum(mixing, 1.0) * spread,
            minus_s=-spread,
            portion=PORTION * full.min(axis=0),
        )


def step(
    soil: Turned,
    layers: Layers,
    state: LayeredState,
    tolerance: SaltTolerance | None,
    rain_ec: float,
    slow: float,
    net_irrigation: Floats,
    source_ec: Floats,
    etc: Floats,
    effective_rain: Floats,
    p: Floats,
) -> LayeredDay:
    """Do the work of `layered_day` on checked arguments."""
    taw = soil.available.sum(axis=0)
    depletion, salt = state.depletion.T.copy(), state.salt.T.copy()
    passed, passed_salt = np.zeros_like(depletion), np.zeros_like(depletion)
    above = np.maximum(net_irrigation - depletion.sum(axis=0), 0.0)
    kept = np.minimum(slow * etc, above)  # still there when the date's ET asks for it
    enter(soil, (depletion, salt, passed, passed_salt), net_irrigation - kept, source_ec)
    total = depletion.sum(axis=0)
    stress = stress_coefficient(np.clip(total, 0.0, taw), taw, p)
    if tolerance is not None:
        mean = root_zone_ece(layers, ece_of(layers, LayeredState(depletion.T, salt.T)))
        stress = stress * salt_stress(mean, tolerance.threshold, tolerance.slope, tolerance.yield_response)
    et = np.minimum(stress * etc, np.maximum(taw - total + kept + effective_rain, 0.0))
    before = depletion
    depletion, missing = take(soil, depletion, et, kept + effective_rain)
    rise(soil, salt, soil.full_water - before, depletion - before, et)
    if kept.any():
        enter(soil, (depletion, salt, passed, passed_salt), kept, source_ec)
    enter(soil, (depletion, salt, passed, passed_salt), effective_rain, np.full(layers.zones, rain_ec))
    if missing.any():
        depletion += in_proportion(missing, (soil.available - depletion).T).T
    np.clip(depletion, 0.0, soil.available, out=depletion)
    drained = passed[-1] > 0.0
    return LayeredDay(
        state=LayeredState(np.ascontiguousarray(depletion.T), np.ascontiguousarray(salt.T)),
        etc_actual=et,
        drainage=passed[-1],
        drainage_ec=np.where(drained, passed_salt[-1] / np.where(drained, passed[-1], 1.0), 0.0),
        stress=stress,
        percolation=passed.T,
        percolation_salt=passed_salt.T,
        salt_in=net_irrigation * source_ec + effective_rain * rain_ec,
    )


def take(soil: Turned, depletion: Floats, et: Floats, entering: Floats) -> tuple[Floats, Floats]:
    """Take ET (Z,) from the layers (L, Z) as it empties them, within what each holds and what will reach it from above.

    Returns the depletion after ET and before water enters (it may pass a layer's available water by what is on its
    way), and the ET (Z,) still to be found in the layers once the water is in. While any is missing, none of the
    entering water drains.
    """
    after = np.empty_like(depletion)
    taken = np.zeros_like(et)
    coming = entering
    for layer in range(len(after)):
        held = soil.available[layer] - depletion[layer]
        part = np.minimum(soil.emptied[layer] * et, np.maximum(held + coming, 0.0))
        after[layer] = depletion[layer] + part
        taken = taken + part
        coming = np.maximum(coming - after[layer], 0.0)
    missing = et - taken
    return after, np.where(missing > 1e-12 * np.maximum(et, 1.0), missing, 0.0)


def rise(soil: Turned, salt: Floats, wet: Floats, given: Floats, et: Floats) -> None:
    """Bring up the salt of the water that rises to the roots above it, in place: (L, Z), from the lowest layer up.

    What rises out of a layer is what it and those below it have `given` beyond what their own roots took; a layer of
    water w then loses 1 - exp(-rise / w) of its salt.
    """
    rising = np.zeros_like(et)
    for layer in range(len(salt) - 1, 0, -1):
        rising = rising + given[layer] - soil.roots[layer] * et
        up = rising > 1e-12
        if not up.any():
            continue
        share = -np.expm1(-np.where(up, rising, 0.0) / np.where(up, np.maximum(wet[layer], rising), 1.0))
        brought = salt[layer] * share
        salt[layer] -= brought
        salt[layer - 1] += brought


def enter(soil: Turned, rows: tuple[Floats, ...], depth: Floats, ec: Floats) -> None:
    """Lead water of `depth` and `ec` (Z,) in from the top; `rows` = depletion, salt, passed, its salt (L, Z), in place.

    Each zone's water is cut into portions of its own, so that no zone's result hangs on another. Within a portion each
    layer is solved exactly for water of constant EC coming in. Zones stand in the order of their portions, the most
    first, so that those which still lead some in are always the first of them: few zones flush, and they need many.
    """
    portions = np.minimum(np.ceil(depth / soil.portion), LARGEST_PORTIONS)
    order = portions.nonzero()[0]
    if not order.size:
        return
    order = order[np.argsort(-portions[order], kind="stable")]
    portions, ec = portions[order], ec[order]
    each, part = depth[order] / portions, tuple(row[:, order] for row in rows)
    ground = tuple(row[:, order] for row in (soil.full_water, soil.mixed, soil.stirred, soil.minus_s))
    for active in np.searchsorted(-portions, -np.arange(portions[0])).tolist():
        lead(ground, part, each[:active], ec[:active])
    for row, new in zip(rows, part, strict=True):
        row[:, order] = new


def lead(ground: tuple[Floats, ...], rows: tuple[Floats, ...], water: Floats, c_in: Floats) -> None:
    """Lead a portion of the first zones through the layers, in place: fill each, pass the rest on.

    `ground` = water at field capacity, f s with f as `mixing` and as `stirring`, and -s; all (L, Z).

    Let x = m / w be the water passed this step by the water w of the layer. With efficiency f / (1 + f s x) of the
    water passing at x, d(salt)/dx = f / (1 + f s x) (c_in w - salt), so that salt - c_in w shrinks by ((1 + f s x2) /
    (1 + f s x1))^(-1/s) from x1 to x2. Water saltier than the layer only stirs: f is then at most 1, and the water
    leaving never holds less than no salt.
    """
    first = slice(water.size)
    for layer in range(len(rows[0])):
        depletion, salt, passed, passed_salt = (row[layer, first] for row in rows)
        w, mixed, stirred, minus_s = (row[layer, first] for row in ground)
        kept = np.minimum(water, depletion)
        depletion -= kept
        salt += c_in * kept
        onward = water - kept
        if not onward.any():
            return
        excess = salt - c_in * w
        fs = np.where(excess >= 0.0, mixed, stirred)
        left = excess * np.expm1(np.log1p(fs * onward / (w + fs * passed)) / minus_s)  # what washes out, below 0
        salt += left
        carried = c_in * onward - left
        passed += onward
        passed_salt += carried
        if layer + 1 < len(rows[0]):
            water, c_in = onward, np.divide(carried, onward, out=np.zeros_like(onward), where=onward > 0.0)
