"""Soil water of the root zone: capacity, stress and the daily balance.

Depths are mm over the zone's area; depletion is 0 at field capacity and grows as the soil dries. Functions take arrays
over zones and return new ones. Source throughout: Allen et al. (1998), FAO Irrigation and Drainage Paper 56, chapter 8.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

DEPLETION_FRACTION_BOUNDS = (0.1, 0.8)  # p [-], FAO-56 Table 22 footnote; status memory
DEPLETION_TOLERANCE = 1e-9  # [mm]: how far rounding may take a depletion outside 0 to TAW


@dataclass(frozen=True)
class DayBalance:
    """What one day, or a run of days, did to the root zones.

    Attributes
    ----------
    depletion : ndarray, shape (Z,) or (Z, N)    Depletion at the end of the day [mm], 0 to TAW.
    etc_actual : ndarray, same shape             Evapotranspiration that took place [mm/d].
    drainage : ndarray, same shape               Water lost below the root zone [mm/d]: the night's beyond field
                                                 capacity, and the date's rain beyond it.
    stress : ndarray, same shape                 Ks of the day [-], 0 to 1.
    """

    depletion: FloatArray
    etc_actual: FloatArray
    drainage: FloatArray
    stress: FloatArray


def available_water(field_capacity: ArrayLike, wilting_point: ArrayLike, root_depth_m: ArrayLike) -> FloatArray:
    """Water the root zone can hold for plants, TAW = 1000 (FC - WP) Zr.

    Parameters
    ----------
    field_capacity, wilting_point : array, shape (Z,)    Water content [m3/m3], 0 <= WP < FC <= 1.
    root_depth_m : array, shape (Z,)                     Root depth Zr [m], above 0.

    Returns
    -------
    ndarray, shape (Z,)                          TAW [mm]. Source: FAO-56 Eq. 82.

    Raises
    ------
    ValueError                                   Shapes differ, WP >= FC, or Zr <= 0.

    Examples
    --------
    >>> round(float(available_water(0.15, 0.06, 0.4)), 3)
    36.0
    """
    fc, wp = finite("field_capacity", field_capacity), finite("wilting_point", wilting_point)
    depth = finite("root_depth_m", root_depth_m)
    _require_shape("wilting_point", wp, fc.shape)
    _require_shape("root_depth_m", depth, fc.shape)
    if np.any(wp < 0) or np.any(fc <= wp) or np.any(fc > 1):
        raise ValueError("wilting_point and field_capacity must satisfy 0 <= wilting_point < field_capacity <= 1")
    if np.any(depth <= 0):
        raise ValueError("root_depth_m must be above 0")
    return np.asarray(1000.0 * (fc - wp) * depth)


def adjusted_depletion_fraction(p_table: ArrayLike, etc: ArrayLike) -> FloatArray:
    """Share of TAW used before stress, p = p_table + 0.04 (5 - ETc), kept in 0.1 to 0.8: less on a day of high demand.

    Parameters
    ----------
    p_table : array, shape (Z,) or as etc        Tabulated depletion fraction [-], 0 to 1.
    etc : array, shape (Z,) or (Z, N)            Crop evapotranspiration without stress [mm/d], 0 or more.

    Returns
    -------
    ndarray, shape of etc                        p [-]. Source: FAO-56 Table 22, footnote; status memory.

    Raises
    ------
    ValueError                                   A shape is wrong, p_table outside [0, 1], or etc negative.

    Examples
    --------
    >>> round(float(adjusted_depletion_fraction(0.40, 7.0)), 2)
    0.32
    """
    demand = not_negative("etc", etc)
    table = _along("p_table", p_table, demand.shape)
    if np.any(table < 0) or np.any(table > 1):
        raise ValueError("p_table must lie in 0 to 1")
    return np.clip(table + 0.04 * (5.0 - demand), *DEPLETION_FRACTION_BOUNDS)


def stress_coefficient(depletion: ArrayLike, taw: ArrayLike, p: ArrayLike) -> FloatArray:
    """Reduction of evapotranspiration by dry soil, Ks = (TAW - D) / ((1 - p) TAW), kept in 0 to 1.

    Parameters
    ----------
    depletion : array, shape (Z,) or (Z, N)      Root zone depletion D [mm], 0 to TAW.
    taw, p : array, shape (Z,) or as depletion   Total available water [mm]; share used before stress [-], 0 <= p < 1.

    Returns
    -------
    ndarray, shape of depletion                  Ks [-]: 1 until D = p TAW, then falling to 0 at D = TAW. Source: FAO-56
                                                 Eq. 84.

    Raises
    ------
    ValueError                                   A shape is wrong, TAW <= 0, p outside [0, 1), or D outside 0 to TAW.

    Examples
    --------
    >>> round(float(stress_coefficient(67.0, 160.0, 0.4)), 2)
    0.97
    """
    used = finite("depletion", depletion)
    total, fraction = _along("taw", taw, used.shape), _along("p", p, used.shape)
    _check_capacity(total, fraction)
    _check_depletion(used, total)
    return _stress(used, total, fraction)


def balance_day(
    depletion: ArrayLike,
    net_irrigation: ArrayLike,
    etc: ArrayLike,
    effective_rain: ArrayLike,
    taw: ArrayLike,
    p: ArrayLike,
) -> DayBalance:
    """One night's water and the next date's demand and rain, D_end = D - I - Peff + Ks ETc + DP.

    The order is that of a night: its water comes first, and what passes field capacity drains before morning, max(I -
    D, 0); D1 = max(D - I, 0). Ks is that of D1. Then the date's ET and rain: D_end = D1 - Peff + ETa, and what passes
    field capacity then drains too. So what drained in the night is not there for the day's ET: a sand root zone drains
    within hours. Where stress cannot keep D within TAW in one day, the ET is cut to what is there.

    Parameters
    ----------
    depletion : array, shape (Z,)                Depletion D at opening time [mm], 0 to TAW.
    net_irrigation : array, shape (Z,)           Net depth I of the night [mm], 0 or more.
    etc : array, shape (Z,)                      Crop ET of the date without stress [mm/d], 0 or more.
    effective_rain : array, shape (Z,)           Rain less runoff, Peff [mm/d], 0 or more.
    taw, p : array, shape (Z,)                   Total available water [mm]; depletion fraction [-], 0 <= p < 1.

    Returns
    -------
    DayBalance, arrays (Z,)                      Closed to 1e-9 mm. Source: FAO-56 Eq. 84-88, without capillary rise.

    Raises
    ------
    ValueError                                   Shapes differ, or a value is outside its range.

    Examples
    --------
    >>> day = balance_day([10.0], [4.0], [5.0], [0.0], [50.0], [0.4])
    >>> float(day.depletion[0]), float(day.drainage[0])
    (11.0, 0.0)
    """
    start = finite("depletion", depletion)
    if start.ndim != 1:
        raise ValueError(f"depletion must have shape (Z,); got {start.shape}")
    water, demand = not_negative("net_irrigation", net_irrigation), not_negative("etc", etc)
    rain = not_negative("effective_rain", effective_rain)
    total, fraction = finite("taw", taw), finite("p", p)
    named = {"net_irrigation": water, "etc": demand, "effective_rain": rain, "taw": total, "p": fraction}
    for name, array in named.items():
        _require_shape(name, array, start.shape)
    _check_capacity(total, fraction)
    _check_depletion(start, total)
    return _step(start, water, demand, rain, total, fraction)


def run_balance(
    depletion0: ArrayLike,
    net_irrigation: ArrayLike,
    etc: ArrayLike,
    effective_rain: ArrayLike,
    taw: ArrayLike,
    p: ArrayLike,
) -> DayBalance:
    """Run `balance_day` over N nights in a row, each starting where the one before ended.

    Parameters
    ----------
    depletion0 : array, shape (Z,)               Depletion at the first opening time [mm], 0 to TAW.
    net_irrigation, etc, effective_rain : array, shape (Z, N)    As in `balance_day`; column n is night n and the date
                                                                 after.
    taw : array, shape (Z,)                      Total available water [mm].
    p : array, shape (Z, N)                      Depletion fraction [-], 0 <= p < 1.

    Returns
    -------
    DayBalance, arrays (Z, N)                    Each column as `balance_day` gives it.

    Raises
    ------
    ValueError                                   Shapes differ, or a value is outside its range.
    """
    start, total = finite("depletion0", depletion0), finite("taw", taw)
    if start.ndim != 1:
        raise ValueError(f"depletion0 must have shape (Z,); got {start.shape}")
    water = not_negative("net_irrigation", net_irrigation)
    if water.ndim != 2 or water.shape[0] != start.size:
        raise ValueError(f"net_irrigation must have shape ({start.size}, N); got {water.shape}")
    demand, rain = not_negative("etc", etc), not_negative("effective_rain", effective_rain)
    fraction = finite("p", p)
    for name, array in (("etc", demand), ("effective_rain", rain), ("p", fraction)):
        _require_shape(name, array, water.shape)
    _require_shape("taw", total, start.shape)
    _check_capacity(total, fraction)
    _check_depletion(start, total)

    nights = water.shape[1]
    ended, used, drained, stressed = (np.empty((nights, start.size)) for _ in range(4))
    water, demand, rain, fraction = (np.ascontiguousarray(a.T) for a in (water, demand, rain, fraction))
    state = start
    for n in range(nights):
        day = _step(state, water[n], demand[n], rain[n], total, fraction[n])
        ended[n], used[n], drained[n], stressed[n] = day.depletion, day.etc_actual, day.drainage, day.stress
        state = day.depletion
    return DayBalance(ended.T, used.T, drained.T, stressed.T)


def _step(
    start: FloatArray, water: FloatArray, demand: FloatArray, rain: FloatArray, total: FloatArray, fraction: FloatArray
) -> DayBalance:
    """Balance of one day over arrays already checked."""
    morning = np.maximum(start - water, 0.0)
    stress = _stress(morning, total, fraction)
    before_et = morning - rain
    actual = np.minimum(stress * demand, np.maximum(total - before_et, 0.0))
    end = before_et + actual
    drained = np.maximum(water - start, 0.0) + np.maximum(-end, 0.0)
    return DayBalance(np.clip(end, 0.0, total), actual, drained, stress)


def _stress(depletion: FloatArray, taw: FloatArray, p: FloatArray) -> FloatArray:
    return np.clip((taw - depletion) / ((1.0 - p) * taw), 0.0, 1.0)


def _check_capacity(taw: FloatArray, p: FloatArray) -> None:
    if np.any(taw <= 0):
        raise ValueError("taw must be above 0")
    if np.any(p < 0) or np.any(p >= 1):
        raise ValueError("p must lie in 0 <= p < 1")


def _check_depletion(depletion: FloatArray, taw: FloatArray) -> None:
    if np.any(depletion < -DEPLETION_TOLERANCE) or np.any(depletion > taw + DEPLETION_TOLERANCE):
        raise ValueError("depletion must lie in 0 to taw")


def finite(name: str, value: ArrayLike) -> FloatArray:
    """Finite numbers as an array, or a ValueError that names the argument."""
    array = np.asarray(value, dtype=np.float64)
    if not np.all(np.isfinite(array)):
        raise ValueError(f"{name} must be finite numbers")
    return array


def not_negative(name: str, value: ArrayLike) -> FloatArray:
    """Finite numbers of 0 or more as an array, or a ValueError that names the argument."""
    array = finite(name, value)
    if np.any(array < 0):
        raise ValueError(f"{name} must not be negative")
    return array


def _require_shape(name: str, array: FloatArray, shape: tuple[int, ...]) -> None:
    if array.shape != shape:
        raise ValueError(f"{name} must have shape {shape}; got {array.shape}")


def _along(name: str, value: ArrayLike, shape: tuple[int, ...]) -> FloatArray:
    """Return value as an array of this shape, or as a column over zones where it is (Z,) and the shape is (Z, N)."""
    array = finite(name, value)
    if len(shape) == 2 and array.shape == shape[:1]:
        return array[:, None]
    _require_shape(name, array, shape)
    return array
