"""The balance of water and salt over several nights, and how salty the layers stand on each evening.

Source: `models.salt_balance`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.layers import LayeredState, Layers, check_state, ece_of, over_zones, root_zone_ece, some_layers
from models.salt_balance import check_chemistry
from models.salt_step import SaltTolerance, Turned, step

Floats = npt.NDArray[np.float64]
Numbers = npt.ArrayLike

LITTLE = 0.05  # [mm] that lingers below which an evening is as once all has drained


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
    check_chemistry(layers, tolerance, rain_ec, slow)
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
    soil = Turned.of(layers)
    for n in range(shape[1]):
        given = (water[:, n], salinity[:, n], demand[:, n], rain[:, n], share[:, n])
        day = step(soil, layers, state, tolerance, rain_ec, slow, *given)
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


def evening_ece(
    layers: Layers,
    start: LayeredState,
    run: LayeredRun,
    net_irrigation: Floats,
    source_ec: Numbers,
    etc: Floats,
    effective_rain: Floats,
    p: Numbers,
    lingers: Numbers,
    slow: float = 0.0,
) -> Floats:
    """ECe of a run's evenings while a part of what the night led past field capacity is still on its way down.

    A deep night's water has not all left the roots by the next evening (`models.lingering`). What lingers has washed
    nothing out yet, and its own salt is there: the roots stand saltier than once it has drained, as `run` has them.

    Parameters
    ----------
    layers, start, net_irrigation, source_ec, etc, effective_rain, p, slow
        What `run` was made with.
    run : LayeredRun
    lingers : array_like, shape (Z,) or a number
        Share of the night's water past field capacity that is there on the next evening [-], 0 to 1.

    Returns
    -------
    ndarray (Z, L, N)
        [dS/m].

    Raises
    ------
    ValueError
        A share is not 0 to 1.
    """
    share = over_zones("lingers", lingers, layers.zones)
    if np.any(share > 1.0):
        raise ValueError("lingers: must be 0 to 1")
    shape, ece = net_irrigation.shape, run.ece.copy()
    short = np.concatenate((start.depletion[:, :, None], run.layer_depletion[:, :, :-1]), axis=2)
    above = share[:, None] * np.maximum(net_irrigation - short.sum(axis=1), 0.0)
    zone, night = np.nonzero(above > LITTLE)
    if not zone.size:
        return ece
    salt = np.concatenate((start.salt[:, :, None], run.ece[:, :, :-1] * layers.paste_water[:, :, None]), axis=2)
    part, still = some_layers(layers, zone), above[zone, night]
    ec, share_p = (_over_steps(*named, shape)[zone, night] for named in (("source_ec", source_ec), ("p", p)))
    water, demand, rain = (a[zone, night] for a in (net_irrigation, etc, effective_rain))
    before = LayeredState(short[zone, :, night], salt[zone, :, night])
    day = step(Turned.of(part), part, before, None, 0.0, slow, water - still, ec, demand, rain, share_p)
    held = still * ec / part.paste_water.sum(axis=1)
    ece[zone, :, night] = ece_of(part, day.state) + held[:, None]
    return ece


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
