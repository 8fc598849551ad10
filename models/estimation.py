"""Where each zone stands: an extended Kalman filter over all zones at once, with kin covariance.

A day is a step ahead (`models.filter_ahead`: the night's water and the date after it) and then what the readings say
(`models.filter_readings`). The state is told in `models.filter_state`, kin and spreads in `models.kin`.
Source of the filter: Kalman (1960) as textbooks give it (memory); gate, robust weights and
watch over sensors: common practice, no source.

`irrigation` here is the zone's mean depth, without the lower-quarter adjustment: a probe sees water that fell.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.filter_ahead import predict
from models.filter_readings import update
from models.filter_state import FilterState, FloatArray
from models.kin import Setup
from models.uneven_catch import PLACE_SHARE

Z95 = 1.959964  # [-] two-sided 95 % of a normal variable
STALE_DAYS = 3  # [days] without a reading used: the probe no longer informs its zone


@dataclass(frozen=True)
class Estimate:
    """The estimate of an evening, arrays (Z,); low and high are ends of 95 % intervals.

    Attributes
    ----------
    depletion, spread, low, high : ndarray       Mean, standard deviation and interval [mm]; all but spread in 0 to TAW.
    surplus : ndarray                            Water above field capacity, on its way down [mm], 0 or more.
    moisture, moisture_spread : ndarray          Root-zone moisture at that depletion, and its standard deviation with
                                                 that of field capacity within a texture [m3/m3].
    microclimate, microclimate_low, microclimate_high : ndarray    Factor on the demand handed in [-].
    rate, rate_low, rate_high : ndarray          True application rate / nominal [-].
    informed_by : ndarray of str                 "probe" (its own, used in the last days), "kin" or "balance".
    """

    depletion: FloatArray
    surplus: FloatArray
    spread: FloatArray
    low: FloatArray
    high: FloatArray
    moisture: FloatArray
    moisture_spread: FloatArray
    microclimate: FloatArray
    microclimate_low: FloatArray
    microclimate_high: FloatArray
    rate: FloatArray
    rate_low: FloatArray
    rate_high: FloatArray
    informed_by: NDArray[np.str_]


@dataclass(frozen=True)
class FilterRun:
    """A season of days: the last state, each evening's estimate and what each update made of the readings.

    `depletion`, `surplus`, `spread` : (Z, N) [mm]; `used`, `standardised` : (K, N); `estimate` is the last evening's.
    """

    state: FilterState
    estimate: Estimate
    depletion: FloatArray
    surplus: FloatArray
    spread: FloatArray
    used: NDArray[np.bool_]
    standardised: FloatArray


def report(setup: Setup, state: FilterState) -> Estimate:
    """Read out the zones.

    Parameters
    ----------
    setup : Setup
    state : FilterState

    Returns
    -------
    Estimate
    """
    zones, count = setup.zones, setup.zone_count
    variance = np.zeros((3, setup.member_zone.size))
    informed = np.full(count, "balance", dtype="<U7")
    fresh = state.age <= STALE_DAYS
    for block, whole in zip(setup.blocks, state.covariance, strict=True):
        n = block.member.size
        variance[:, block.member] = np.diag(whole)[: 3 * n].reshape(3, n)
        if np.any(fresh[block.sensor]):
            informed[block.member[block.member < count]] = "kin"
    informed[setup.probes.zone[fresh]] = "probe"
    spread = np.sqrt(variance[:, :count])
    apart = np.sqrt(state.places[:count] ** 2 @ PLACE_SHARE)
    systematic = np.hypot(setup.spreads.level * zones.taw, setup.spreads.uneven * apart)
    systematic = np.hypot(systematic, setup.spreads.drains_on * setup.drainage[:count])
    spread[0] = np.hypot(setup.spreads.unsure * spread[0], systematic)
    level = state.depletion[:count]
    low, high = (np.clip(level + side * Z95 * spread[0], 0.0, zones.taw) for side in (-1, 1))
    log_m, log_a = state.log_microclimate[:count], state.log_rate[:count]
    moisture = zones.field_capacity - level / (1000.0 * zones.root_depth)
    moisture_spread = np.hypot(spread[0] / (1000.0 * zones.root_depth), setup.spreads.field_capacity)
    return Estimate(
        np.maximum(level, 0.0),
        np.maximum(-level, 0.0),
        spread[0],
        low,
        high,
        moisture,
        moisture_spread,
        np.exp(log_m),
        np.exp(log_m - Z95 * spread[1]),
        np.exp(log_m + Z95 * spread[1]),
        np.exp(log_a),
        np.exp(log_a - Z95 * spread[2]),
        np.exp(log_a + Z95 * spread[2]),
        informed,
    )


def run_filter(
    setup: Setup,
    state: FilterState,
    irrigation: ArrayLike,
    etc: ArrayLike,
    effective_rain: ArrayLike,
    p: ArrayLike,
    moisture: ArrayLike,
) -> FilterRun:
    """Predict and update over N nights in a row.

    Parameters
    ----------
    setup : Setup
    state : FilterState                          At the first opening time.
    irrigation, etc, effective_rain, p : array, shape (Z, N)    As in `predict`; column n is night n and the date after.
    moisture : array, shape (K, N)               Readings of the evening that ends column n [m3/m3], NaN = none.

    Returns
    -------
    FilterRun

    Raises
    ------
    ValueError                                   A shape or a value is wrong.
    """
    inputs = [np.asarray(a, dtype=np.float64) for a in (irrigation, etc, effective_rain, p)]
    readings = np.asarray(moisture, dtype=np.float64)
    nights = inputs[0].shape[-1] if inputs[0].ndim == 2 else 0
    for name, array in zip(("irrigation", "etc", "effective_rain", "p"), inputs, strict=True):
        if array.shape != (setup.zone_count, nights) or nights == 0:
            raise ValueError(f"{name} must have shape ({setup.zone_count}, N), N the same for all; got {array.shape}")
    if readings.shape != (setup.sensor_count, nights):
        raise ValueError(f"moisture must have shape ({setup.sensor_count}, {nights}); got {readings.shape}")
    depletion, surplus, spread = np.empty((3, setup.zone_count, nights))
    used, standard = np.zeros(readings.shape, dtype=bool), np.full(readings.shape, np.nan)
    for n in range(nights):
        state = predict(setup, state, *(a[:, n] for a in inputs))
        state, surprise = update(setup, state, readings[:, n])
        estimate = report(setup, state)
        depletion[:, n], surplus[:, n], spread[:, n] = estimate.depletion, estimate.surplus, estimate.spread
        used[:, n], standard[:, n] = surprise.used, surprise.standardised
    return FilterRun(state, estimate, depletion, surplus, spread, used, standard)
