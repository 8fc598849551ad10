"""Daily balance of water and salt in the layers of the root zone.

Water enters the top layer, fills it to field capacity and only then goes on to the next: nothing drains from a layer
below field capacity. ET takes water and leaves the salt. In total depletion, ET, stress and drainage the layers are
the one-layer balance of FAO-56 (`models.soil.balance_day`) to rounding. No salt dissolves or settles.

Water that goes on through a layer takes up salt by d(salt)/dx = e (c_in w - salt), with w the layer's water, c_in what
comes in and x = (water passed this step) / w. Its leaching efficiency is e = f / (1 + f s x): f (`mixing`) allows for
salt growing downward within the layer, s (`path_spread`) for flow that follows some pores and, as a flush goes on,
finds ever less salt in them; s = 0 is a stirred tank, s = 1 leaves 1 / (1 + f x) of the salt. Between steps the layer
evens out. Over zones (Z,) and layers (Z, L).

What is above field capacity does not drain at once, and roots draw on it meanwhile. FAO-56 lets ET of the date come
before drainage (Eq. 88, DP = I + P - ET - D), the order here, drainage in the night, lets none. `slow` is the share of
the date's ET that is taken from water still above field capacity: 0 drains all of it in the night, 1 is Eq. 88.

Limits: f and s are set by two published relations, FAO-29 Table 3 and Hoffman's, that no one pair meets for every
soil. Against ten stirred layers (f 0.5 to 1, s 0, FC 0.15 to 0.35) a flush to 75 or 85 % of the ECe before ends 20 %
below to 6 % above the forecast, one to 60 % up to 30 % below: stirred layers know no slow pores, Hoffman's soils do. A
site that has probes in both halves sets f by `models.leaching_fit.fit_mixing`.

Sources: FAO-56 ch. 8 Eq. 84-88, 90, 91; FAO-29 Table 3 and Hoffman (1980) for f and s. Memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.layers import (
    LayeredState,
    Layers,
    check_state,
    ece_of,
    in_proportion,
    over_zones,
    root_zone_ece,
)
from models.salts import salt_stress
from models.soil import stress_coefficient

Floats = npt.NDArray[np.float64]
Numbers = npt.ArrayLike

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


def layered_day(
    layers: Layers,
    state: LayeredState,
    net_irrigation: Numbers,
    source_ec: Numbers,
    etc: Numbers,
    effective_rain: Numbers,
    p: Numbers,
    tolerance: SaltTolerance | None = None,
    rain_ec: float = 0.0,
    slow: float = 0.0,
) -> LayeredDay:
    """Carry water and salt through one step.

    Order, as in `models.soil.balance_day`: the night's water fills from the top, and what finds no room drains with its
    salt before morning; Ks from the depletion then (Eq. 84), times Ks of the salt then (Eq. 90) when a tolerance is
    given; ETa = Ks ETc, cut where it would pass TAW, taken as ET empties the layers (by root fraction; over gravel from
    below the roots too), what a layer cannot give from the others; then rain fills from the top and drains likewise.
    D_end = D - I - Peff + ETa + DP.

    Parameters
    ----------
    layers, state : Layers, LayeredState
        The zones as they stand.
    net_irrigation, source_ec, etc, effective_rain, p : array_like, shape (Z,) or a number
        Net depth I [mm] and its ECw [dS/m]; crop ET [mm]; rain that enters the soil [mm]; depletion fraction [-].
    tolerance : SaltTolerance, optional
        For salt stress; without it salt does not lower ET.
    rain_ec : float
        EC of rain [dS/m].
    slow : float
        Share of ET that the night's water above field capacity gives before it drains [-].

    Returns
    -------
    LayeredDay
        Water and salt are conserved to 1e-9.

    Raises
    ------
    ValueError
        A shape is wrong, a depth or EC is negative or not finite, or the state is outside its layers.
    """
    check_state(layers, state)
    given = {
        name: over_zones(name, value, layers.zones)
        for name, value in (
            ("net_irrigation", net_irrigation),
            ("source_ec", source_ec),
            ("etc", etc),
            ("effective_rain", effective_rain),
            ("p", p),
        )
    }
    _check_chemistry(layers, tolerance, rain_ec, slow)
    return _step(_Soil.of(layers), layers, state, tolerance, rain_ec, slow, **given)


@dataclass(frozen=True)
class LayeredRun:
    """A run over N steps; the state is that at the end of each."""

    depletion: Floats  # (Z, N) [mm] of the root zone
    layer_depletion: Floats  # (Z, L, N) [mm]
    ece: Floats  # (Z, L, N) [dS/m]
    mean_ece: Floats  # (Z, N) [dS/m] over the root depth
    etc_actual: Floats  # (Z, N) [mm]
    drainage: Floats  # (Z, N) [mm]
    drainage_ec: Floats  # (Z, N) [dS/m]
    stress: Floats  # (Z, N) combined Ks [-]
    salt_in: Floats  # (Z, N) [dS/m mm]
    salt_out: Floats  # (Z, N) [dS/m mm]
    final: LayeredState


def run_layers(
    layers: Layers,
    state: LayeredState,
    net_irrigation: Floats,
    source_ec: Numbers,
    etc: Floats,
    effective_rain: Floats,
    p: Numbers,
    tolerance: SaltTolerance | None = None,
    rain_ec: float = 0.0,
    slow: float = 0.0,
) -> LayeredRun:
    """Run `layered_day` over N steps for all zones at once.

    Parameters
    ----------
    layers, state, tolerance, rain_ec, slow
        As for `layered_day`.
    net_irrigation, etc, effective_rain : ndarray, shape (Z, N)
        [mm].
    source_ec, p : array_like, shape (Z, N) or (Z,) or a number
        ECw [dS/m]; depletion fraction [-].

    Returns
    -------
    LayeredRun
        Paths and the final state.

    Raises
    ------
    ValueError
        As for `layered_day`.
    """
    check_state(layers, state)
    _check_chemistry(layers, tolerance, rain_ec, slow)
    shape = np.asarray(net_irrigation).shape
    if len(shape) != 2 or shape[0] != layers.zones:
        raise ValueError(f"net_irrigation: shape {shape}, needed ({layers.zones}, N)")
    water = _over_steps("net_irrigation", net_irrigation, shape)
    salinity = _over_steps("source_ec", source_ec, shape)
    demand = _over_steps("etc", etc, shape)
    rain = _over_steps("effective_rain", effective_rain, shape)
    share = _over_steps("p", p, shape)
    flat = {name: np.empty(shape) for name in ("depletion", "mean_ece", "etc_actual", "drainage", "drainage_ec")}
    flat |= {name: np.empty(shape) for name in ("stress", "salt_in", "salt_out")}
    by_layer = {name: np.empty((shape[0], layers.count, shape[1])) for name in ("layer_depletion", "ece")}
    soil = _Soil.of(layers)
    for n in range(shape[1]):
        given = (water[:, n], salinity[:, n], demand[:, n], rain[:, n], share[:, n])
        day = _step(soil, layers, state, tolerance, rain_ec, slow, *given)
        state = day.state
        by_layer["layer_depletion"][:, :, n] = state.depletion
        by_layer["ece"][:, :, n] = ece_of(layers, state)
        flat["depletion"][:, n] = state.total_depletion
        flat["mean_ece"][:, n] = root_zone_ece(layers, by_layer["ece"][:, :, n])
        flat["etc_actual"][:, n] = day.etc_actual
        flat["drainage"][:, n] = day.drainage
        flat["drainage_ec"][:, n] = day.drainage_ec
        flat["stress"][:, n] = day.stress
        flat["salt_in"][:, n] = day.salt_in
        flat["salt_out"][:, n] = day.percolation_salt[:, -1]
    return LayeredRun(**flat, **by_layer, final=state)


def lead_in(layers: Layers, state: LayeredState, net_water: Numbers, source_ec: Numbers) -> LayeredState:
    """Lead water into the soil at once, without ET: what a flush alone does.

    Parameters
    ----------
    layers, state : Layers, LayeredState
        The zones as they stand.
    net_water, source_ec : array_like, shape (Z,) or a number
        Depth that enters [mm] and its EC [dS/m].

    Returns
    -------
    LayeredState
        After it; water beyond field capacity has drained with its salt.

    Raises
    ------
    ValueError
        A shape is wrong, a value negative, or the state outside its layers.
    """
    check_state(layers, state)
    water = over_zones("net_water", net_water, layers.zones)
    ec = over_zones("source_ec", source_ec, layers.zones)
    depletion, salt = (np.ascontiguousarray(held.T.copy()) for held in (state.depletion, state.salt))
    _enter(_Soil.of(layers), (depletion, salt, np.zeros_like(salt), np.zeros_like(salt)), water, ec)
    return LayeredState(np.ascontiguousarray(depletion.T), np.ascontiguousarray(salt.T))


# ----------------------------------------------------------------------------------------------------- inner parts


@dataclass(frozen=True)
class _Soil:
    """The layers as the inner loops want them: (L, Z), one contiguous row a layer."""

    available: Floats
    full_water: Floats
    roots: Floats
    emptied: Floats
    mixing: Floats
    stirring: Floats  # of water saltier than the layer
    path_spread: Floats
    portion: Floats  # (Z,)

    @classmethod
    def of(cls, layers: Layers) -> _Soil:
        """Turn `layers` round once."""
        full, mixing = (np.ascontiguousarray(a.T) for a in (layers.full_water, layers.mixing))
        return cls(
            available=np.ascontiguousarray(layers.available.T),
            full_water=full,
            roots=np.ascontiguousarray(layers.root_fraction.T),
            emptied=np.ascontiguousarray(layers.emptied.T),
            mixing=mixing,
            stirring=np.minimum(mixing, 1.0),
            path_spread=np.ascontiguousarray(np.maximum(layers.path_spread, EVEN).T),
            portion=PORTION * full.min(axis=0),
        )


def _step(
    soil: _Soil,
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
    _enter(soil, (depletion, salt, passed, passed_salt), net_irrigation - kept, source_ec)
    total = depletion.sum(axis=0)
    stress = stress_coefficient(np.clip(total, 0.0, taw), taw, p)
    if tolerance is not None:
        mean = root_zone_ece(layers, ece_of(layers, LayeredState(depletion.T, salt.T)))
        stress = stress * salt_stress(mean, tolerance.threshold, tolerance.slope, tolerance.yield_response)
    et = np.minimum(stress * etc, np.maximum(taw - total + kept + effective_rain, 0.0))
    before = depletion
    depletion, missing = _take(soil, depletion, et, kept + effective_rain)
    _rise(soil, salt, soil.full_water - before, depletion - before, et)
    if kept.any():
        _enter(soil, (depletion, salt, passed, passed_salt), kept, source_ec)
    _enter(soil, (depletion, salt, passed, passed_salt), effective_rain, np.full(layers.zones, rain_ec))
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


def _take(soil: _Soil, depletion: Floats, et: Floats, entering: Floats) -> tuple[Floats, Floats]:
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


def _rise(soil: _Soil, salt: Floats, wet: Floats, given: Floats, et: Floats) -> None:
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


def _enter(soil: _Soil, rows: tuple[Floats, ...], depth: Floats, ec: Floats) -> None:
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
    ground = tuple(row[:, order] for row in (soil.full_water, soil.mixing, soil.stirring, soil.path_spread))
    for active in np.searchsorted(-portions, -np.arange(portions[0])).tolist():
        _lead(ground, part, each[:active], ec[:active])
    for row, new in zip(rows, part, strict=True):
        row[:, order] = new


def _lead(ground: tuple[Floats, ...], rows: tuple[Floats, ...], water: Floats, c_in: Floats) -> None:
    """Lead a portion of the first zones through the layers, in place: fill each, pass the rest on.

    `ground` = water at field capacity, mixing, stirring, path spread; all (L, Z).

    Let x = m / w be the water passed this step by the water w of the layer. With efficiency f / (1 + f s x) of the
    water passing at x, d(salt)/dx = f / (1 + f s x) (c_in w - salt), so that salt - c_in w shrinks by ((1 + f s x2) /
    (1 + f s x1))^(-1/s) from x1 to x2. Water saltier than the layer only stirs: f is then at most 1, and the water
    leaving never holds less than no salt.
    """
    first = slice(water.size)
    for layer in range(len(rows[0])):
        depletion, salt, passed, passed_salt = (row[layer, first] for row in rows)
        w, mixing, stirring, s = (row[layer, first] for row in ground)
        kept = np.minimum(water, depletion)
        depletion -= kept
        salt += c_in * kept
        onward = water - kept
        if not onward.any():
            return
        excess = salt - c_in * w
        fs = np.where(excess >= 0.0, mixing, stirring) * s
        exponent = np.log1p(fs * onward / (w + fs * passed)) / s
        washed = excess * -np.expm1(-exponent)
        salt -= washed
        carried = washed + c_in * onward
        passed += onward
        passed_salt += carried
        water, c_in = onward, np.divide(carried, onward, out=np.zeros_like(onward), where=onward > 0.0)


def _over_steps(name: str, value: Numbers, shape: tuple[int, ...]) -> Floats:
    """Return `value` as (Z, N), from a number, (Z,) or (Z, N); finite and 0 or more."""
    array = np.asarray(value, dtype=np.float64)
    if array.ndim == 0:
        array = np.full(shape, float(array))
    elif array.shape == shape[:1]:
        array = np.repeat(array[:, None], shape[1], axis=1)
    if array.shape != shape:
        raise ValueError(f"{name}: shape {array.shape}, needed {shape}")
    if not np.all(array >= 0.0) or not np.isfinite(array).all():
        raise ValueError(f"{name}: must be finite and 0 or more")
    return np.asfortranarray(array)


def _check_chemistry(layers: Layers, tolerance: SaltTolerance | None, rain_ec: float, slow: float) -> None:
    """Refuse a tolerance for other zones, rain of negative EC, and a share outside 0 to 1."""
    if tolerance is not None and tolerance.threshold.shape != (layers.zones,):
        raise ValueError(f"tolerance: shape {tolerance.threshold.shape}, needed ({layers.zones},)")
    if not rain_ec >= 0.0:
        raise ValueError("rain_ec: must be 0 or more")
    if not 0.0 <= slow <= 1.0:
        raise ValueError("slow: must be 0 to 1")
