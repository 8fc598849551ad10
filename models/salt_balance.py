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

import numpy as np
import numpy.typing as npt

from models.layers import LayeredState, Layers, check_state, over_zones
from models.salt_step import LayeredDay, SaltTolerance, Turned, enter, step

Floats = npt.NDArray[np.float64]
Numbers = npt.ArrayLike


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
    check_chemistry(layers, tolerance, rain_ec, slow)
    return step(Turned.of(layers), layers, state, tolerance, rain_ec, slow, **given)


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
    enter(Turned.of(layers), (depletion, salt, np.zeros_like(salt), np.zeros_like(salt)), water, ec)
    return LayeredState(np.ascontiguousarray(depletion.T), np.ascontiguousarray(salt.T))


def check_chemistry(layers: Layers, tolerance: SaltTolerance | None, rain_ec: float, slow: float) -> None:
    """Refuse a tolerance for other zones, rain of negative EC, and a share outside 0 to 1."""
    if tolerance is not None and tolerance.threshold.shape != (layers.zones,):
        raise ValueError(f"tolerance: shape {tolerance.threshold.shape}, needed ({layers.zones},)")
    if not rain_ec >= 0.0:
        raise ValueError("rain_ec: must be 0 or more")
    if not 0.0 <= slow <= 1.0:
        raise ValueError("slow: must be 0 to 1")
