"""Soil water of the root zone: textures, capacity, stress, effective rain and the daily balance.

Depths are mm over the zone's area; depletion is 0 at field capacity and grows as the soil dries. Functions take arrays
over zones and return new ones. Source throughout: Allen et al. (1998), FAO Irrigation and Drainage Paper 56, chapter 8.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

DEPLETION_FRACTION_BOUNDS = (0.1, 0.8)  # p [-], FAO-56 Table 22 footnote; status memory
DEPLETION_TOLERANCE = 1e-9  # [mm]: how far rounding may take a depletion outside 0 to TAW

# Curve number of grass in good condition (cover above 75 %) by hydrologic soil group [-]: TR-55 (1986) Table 2-2a,
# NEH 630 ch. 9; status memory.
GROUP_CURVE_NUMBER: Mapping[str, float] = MappingProxyType({"A": 39.0, "B": 61.0, "C": 74.0, "D": 80.0})
PARTICLE_DENSITY = 2.65  # [g/cm3] of mineral soil; common practice, no source
WETTEST_PASTE = 2.0  # [m3/m3] no laboratory paste holds more over the volume its soil had in place (no source)
INITIAL_ABSTRACTION = 0.2  # Ia / S [-], NEH 630 ch. 10; status memory


@dataclass(frozen=True)
class Texture:
    """Water a soil holds and takes.

    Ranges of saturation percentage in laboratory tables (memory): sand and loamy sand below 20, sandy loam 20-35, loam
    and silt loam 35-50, clay loam 50-65, clay 65-135 (of which the lower part: the upper is of swelling clays).

    Attributes
    ----------
    field_capacity, wilting_point : float        Water content [m3/m3].
    infiltration : float                         Basic infiltration on level ground [mm/h].
    saturation : float                           Total porosity [m3/m3].
    saturation_percentage : float                Water of the laboratory's saturated paste [g per 100 g of soil].
    hydrologic_group : str                       A, B, C or D: how much of a heavy rain runs off.
    source : str                                 Where each number comes from and how sure it is.
    """

    field_capacity: float
    wilting_point: float
    infiltration: float
    saturation: float
    saturation_percentage: float
    hydrologic_group: str
    source: str

    @property
    def paste(self) -> float:
        """Water of the saturated paste over the soil's own volume [m3/m3]: SP / 100 times the bulk density.

        It is not the porosity: a paste is stirred soil, and one of clay holds more than the clay did in place.
        """
        return self.saturation_percentage / 100.0 * PARTICLE_DENSITY * (1.0 - self.saturation)


_TABLE_19 = "FC and WP midpoints of FAO-56 Table 19 (memory); "
_RAWLS = "FC at 33 kPa and WP at 1500 kPa, Rawls, Brakensiek & Saxton 1982 (memory); "
_POROSITY = "porosity Rawls, Brakensiek & Saxton 1982 (memory); "
_ANNEX_2 = "infiltration middle of FAO Irrigation Water Management training manual Annex 2 (secondary)"
_BETWEEN = "infiltration set between neighbours of that table (common practice, no source)"
_PASTE = "; paste: middle of the class's range in laboratory tables (memory); "
_GROUP = "group by texture, TR-55 App. A (secondary)"
_END = _PASTE + _GROUP

TEXTURES: Mapping[str, Texture] = MappingProxyType(
    {
        "sand": Texture(
            0.120, 0.045, 30.0, 0.437, 16.0, "A",
            _TABLE_19 + _POROSITY + "infiltration 30: copies of Annex 2 disagree (below 30, above 20), not settled; "
            "paste twice FC by weight (Handbook 60, memory), and below the 20 % of laboratory tables; " + _GROUP,
        ),
        "loamy_sand": Texture(
            0.150, 0.065, 28.0, 0.437, 19.0, "A", _TABLE_19 + _POROSITY + _BETWEEN + "; paste as sand; " + _GROUP
        ),
        "sandy_loam": Texture(0.230, 0.110, 25.0, 0.453, 27.5, "A", _TABLE_19 + _POROSITY + _ANNEX_2 + _END),
        "loam": Texture(0.250, 0.120, 15.0, 0.463, 42.5, "B", _TABLE_19 + _POROSITY + _ANNEX_2 + _END),
        "silt_loam": Texture(0.290, 0.150, 12.0, 0.501, 42.5, "B", _TABLE_19 + _POROSITY + _BETWEEN + _END),
        "silt": Texture(
            0.320, 0.170, 10.0, 0.501, 42.5, "B",
            _TABLE_19 + _BETWEEN + "; porosity, paste and group as silt loam (no source)",
        ),
        "sandy_clay_loam": Texture(0.255, 0.148, 10.0, 0.398, 42.5, "C", _RAWLS + _POROSITY + _BETWEEN + _END),
        "clay_loam": Texture(0.318, 0.197, 7.5, 0.464, 57.5, "D", _RAWLS + _POROSITY + _ANNEX_2 + _END),
        "silty_clay_loam": Texture(0.335, 0.205, 6.0, 0.471, 57.5, "D", _TABLE_19 + _POROSITY + _BETWEEN + _END),
        "sandy_clay": Texture(0.339, 0.239, 5.0, 0.430, 57.5, "D", _RAWLS + _POROSITY + _BETWEEN + _END),
        "silty_clay": Texture(0.360, 0.230, 4.0, 0.479, 75.0, "D", _TABLE_19 + _POROSITY + _BETWEEN + _END),
        "clay": Texture(0.360, 0.220, 3.0, 0.475, 75.0, "D", _TABLE_19 + _POROSITY + _ANNEX_2 + _END),
        "sand_rootzone": Texture(
            0.200, 0.045, 150.0, 0.450, 21.0, "A",
            "FC middle of capillary porosity 15-25 %, porosity middle of 35-55 %, infiltration least Ksat 150 mm/h: "
            "USGA 2018 recommendations (memory); WP as sand (no source); paste just above the 20 % of "
            "laboratory tables for sand (memory), as it holds some peat (no source): its FC is perched, so twice FC by "
            "weight says nothing of it; group A by its infiltration",
        ),
    }
)  # fmt: skip


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
    fc, wp = _finite("field_capacity", field_capacity), _finite("wilting_point", wilting_point)
    depth = _finite("root_depth_m", root_depth_m)
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
    demand = _not_negative("etc", etc)
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
    used = _finite("depletion", depletion)
    total, fraction = _along("taw", taw, used.shape), _along("p", p, used.shape)
    _check_capacity(total, fraction)
    _check_depletion(used, total)
    return _stress(used, total, fraction)


def curve_number(group: Sequence[str]) -> FloatArray:
    """Curve number of turf by hydrologic soil group.

    Parameters
    ----------
    group : sequence of str, shape (Z,)          A, B, C or D.

    Returns
    -------
    ndarray, shape (Z,)                          CN [-] of grass in good condition. Source: TR-55 Table 2-2a; memory.

    Raises
    ------
    ValueError                                   A group that is none of the four.

    Examples
    --------
    >>> curve_number([TEXTURES["loam"].hydrologic_group, TEXTURES["clay_loam"].hydrologic_group]).tolist()
    [61.0, 80.0]
    """
    unknown = [g for g in group if g not in GROUP_CURVE_NUMBER]
    if unknown:
        raise ValueError(f"group must be A, B, C or D; got {unknown[0]!r}")
    return np.array([GROUP_CURVE_NUMBER[g] for g in group], dtype=np.float64)


def effective_rain(rain: ArrayLike, curve_number: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Part of a day's rain that enters the soil, and the part that runs off, by the curve number of turf.

    Q = (P - 0.2 S)^2 / (P + 0.8 S) where P > 0.2 S, else 0; S = 25400 / CN - 254 [mm]; effective = P - Q.

    CN is that of average moisture before the storm; there is no carry-over from the days before. It follows from the
    soil's texture, not from how fast sprinklers may run: TR-55 groups soils, and a wet clay loam under turf sheds a
    third of 60 mm whatever its basic intake on a dry day. Small rain counts in full: FAO-56 lets a rain below 0.2 ETo
    be ignored, but then the season's account would not close.

    Parameters
    ----------
    rain : number, or array (Z,), (Z, N) or (1, N)       Daily rain P [mm/d]; a number or a row (1, N) is every zone's.
    curve_number : array, shape (Z,) or number           CN of the zone [-], above 0, to 100.

    Returns
    -------
    effective, runoff : ndarray                  (Z,) or (Z, N) [mm/d], both 0 or more, with effective + runoff = rain.
                                                 Source: USDA NEH 630 ch. 9-10, TR-55 (1986); status memory.

    Raises
    ------
    ValueError                                   Negative or unknown rain, a curve number outside 0 to 100, or a wrong
                                                 shape.

    Examples
    --------
    >>> effective, runoff = effective_rain(60.0, [80.0, 61.0])
    >>> runoff.round(1).tolist()
    [20.2, 4.0]
    """
    number, fall = _finite("curve_number", curve_number), _not_negative("rain", rain)
    if np.any(number <= 0) or np.any(number > 100):
        raise ValueError("curve_number must be above 0 and at most 100")
    if number.ndim > 1:
        raise ValueError(f"curve_number must have shape (Z,); got {number.shape}")
    storage = 25400.0 / number - 254.0
    if number.ndim:
        if fall.ndim > 2 or (
            fall.ndim and fall.shape[0] != number.size and not (fall.ndim == 2 and fall.shape[0] == 1)
        ):
            raise ValueError(
                f"rain must be one number or have shape (Z,), (Z, N) or (1, N), Z = {number.size}; got {fall.shape}"
            )
        storage = storage[:, None] if fall.ndim == 2 else storage
    above = np.maximum(fall - INITIAL_ABSTRACTION * storage, 0.0)
    runoff = above**2 / np.maximum(above + storage, 1e-12)
    return np.asarray(fall - runoff), np.asarray(runoff)


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
    start = _finite("depletion", depletion)
    if start.ndim != 1:
        raise ValueError(f"depletion must have shape (Z,); got {start.shape}")
    water, demand = _not_negative("net_irrigation", net_irrigation), _not_negative("etc", etc)
    rain = _not_negative("effective_rain", effective_rain)
    total, fraction = _finite("taw", taw), _finite("p", p)
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
    start, total = _finite("depletion0", depletion0), _finite("taw", taw)
    if start.ndim != 1:
        raise ValueError(f"depletion0 must have shape (Z,); got {start.shape}")
    water = _not_negative("net_irrigation", net_irrigation)
    if water.ndim != 2 or water.shape[0] != start.size:
        raise ValueError(f"net_irrigation must have shape ({start.size}, N); got {water.shape}")
    demand, rain = _not_negative("etc", etc), _not_negative("effective_rain", effective_rain)
    fraction = _finite("p", p)
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


def _finite(name: str, value: ArrayLike) -> FloatArray:
    array = np.asarray(value, dtype=np.float64)
    if not np.all(np.isfinite(array)):
        raise ValueError(f"{name} must be finite numbers")
    return array


def _not_negative(name: str, value: ArrayLike) -> FloatArray:
    array = _finite(name, value)
    if np.any(array < 0):
        raise ValueError(f"{name} must not be negative")
    return array


def _require_shape(name: str, array: FloatArray, shape: tuple[int, ...]) -> None:
    if array.shape != shape:
        raise ValueError(f"{name} must have shape {shape}; got {array.shape}")


def _along(name: str, value: ArrayLike, shape: tuple[int, ...]) -> FloatArray:
    """Return value as an array of this shape, or as a column over zones where it is (Z,) and the shape is (Z, N)."""
    array = _finite(name, value)
    if len(shape) == 2 and array.shape == shape[:1]:
        return array[:, None]
    _require_shape(name, array, shape)
    return array
