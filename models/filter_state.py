"""What the filter carries from evening to evening, and how it begins.

State of a member (a zone's mean, or a spot with a probe): depletion D [mm], log microclimate factor m, log application
factor a. State of a sensor: bias b [m3/m3] and log layer gain g. Covariances are dense within blocks of kin
(`models.kin`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.kin import Setup
from models.uneven_catch import PLACE_SHARE

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class FilterState:
    """Mean and covariance after some day; M members, K sensors.

    Attributes
    ----------
    depletion, log_microclimate, log_rate : ndarray, (M,)    Means [mm], negative above field capacity; [-], [-].
    bias, log_gain : ndarray, (K,)               Means [m3/m3], [-].
    covariance : tuple of ndarray                One (3n + 2k, 3n + 2k) a block, order D, m, a, b, g.
    places : ndarray, (M, 3)                     Depletion of a zone's driest quarter, the half between and its wettest
                                                 quarter less its mean [mm]; 0 at a spot.
    age : ndarray, (K,)                          Days since a reading of the sensor was used; inf = never.
    scatter : ndarray, (K,)                      Running mean of squared standardised surprises [-], 1 = as expected.
    refused : ndarray of int, (K,)               Readings refused in a row.
    """

    depletion: FloatArray
    log_microclimate: FloatArray
    log_rate: FloatArray
    bias: FloatArray
    log_gain: FloatArray
    covariance: tuple[FloatArray, ...]
    places: FloatArray
    age: FloatArray
    scatter: FloatArray
    refused: NDArray[np.int64]


def start_state(
    setup: Setup,
    depletion: ArrayLike,
    spread: ArrayLike,
    microclimate: ArrayLike | None = None,
    rate: ArrayLike | None = None,
    places: ArrayLike | None = None,
) -> FilterState:
    """State before the first night.

    Parameters
    ----------
    setup : Setup
    depletion, spread : array, shape (Z,)        Depletion [mm], 0 to TAW, and its standard deviation [mm], 0 or more.
    microclimate, rate : array, shape (Z,), optional    Factors already known, on what will be handed in [-]; 1 if not
                                                 given. Their spread is still that of `Spreads`.
    places : array, shape (Z, 3), optional       Depletion at the places of a zone less its mean [mm]; 0 if not given.

    Returns
    -------
    FilterState

    Raises
    ------
    ValueError                                   A shape or a value is wrong.
    """
    zone, taw = setup.member_zone, setup.zones.taw
    mean = zone_array("depletion", depletion, setup)
    wide = zone_array("spread", spread, setup)
    if np.any(mean < 0) or np.any(mean > taw):
        raise ValueError("depletion must lie in 0 to taw")
    if np.any(wide < 0):
        raise ValueError("spread must not be negative")
    factors = []
    for name, value in (("microclimate", microclimate), ("rate", rate)):
        factor = zone_array(name, np.ones(setup.zone_count) if value is None else value, setup)
        if np.any(factor <= 0):
            raise ValueError(f"{name} must be above 0")
        factors.append(np.log(factor)[zone])
    apart = np.zeros((setup.zone_count, PLACE_SHARE.size)) if places is None else np.asarray(places, dtype=np.float64)
    if apart.shape != (setup.zone_count, PLACE_SHARE.size) or not np.all(np.isfinite(apart)):
        raise ValueError(f"places must be finite and have shape ({setup.zone_count}, {PLACE_SHARE.size})")
    covariance = []
    for block in setup.blocks:
        n, k = block.member.size, block.sensor.size
        sd = wide[zone[block.member]]
        whole = np.zeros((3 * n + 2 * k, 3 * n + 2 * k))
        shared = 0.3 + 0.5 * block.same_zone + 0.2 * np.eye(n)  # how a start errs alike: kin, zone, spot (no source)
        whole[:n, :n] = np.outer(sd, sd) * shared
        whole[n : 2 * n, n : 2 * n] = block.microclimate
        whole[2 * n : 3 * n, 2 * n : 3 * n] = block.rate
        whole[3 * n : 3 * n + k, 3 * n : 3 * n + k] = block.bias
        whole[3 * n + k :, 3 * n + k :] = block.gain
        covariance.append(whole)
    sensors = setup.sensor_count
    return FilterState(
        mean[zone],
        factors[0],
        factors[1],
        np.zeros(sensors),
        np.zeros(sensors),
        tuple(covariance),
        np.concatenate((apart, np.zeros((zone.size - setup.zone_count, PLACE_SHARE.size)))),
        np.full(sensors, np.inf),
        np.ones(sensors),
        np.zeros(sensors, dtype=int),
    )


def zone_array(name: str, value: ArrayLike, setup: Setup) -> FloatArray:
    """Finite numbers of shape (Z,), or a ValueError that names the argument."""
    array = np.asarray(value, dtype=np.float64)
    if array.shape != (setup.zone_count,):
        raise ValueError(f"{name} must have shape ({setup.zone_count},); got {array.shape}")
    if not np.all(np.isfinite(array)):
        raise ValueError(f"{name} must be finite numbers")
    return array
