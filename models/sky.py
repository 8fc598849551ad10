"""The sky and the air by date and place: sun, daylight, wind at another height, water that air can hold.

Formulas of FAO-56 chapter 3 that need no reading of the day; `models.weather` makes reference ET of them. pyet is
imported on first use: it is slow to load and much of the program never needs it.
Source throughout: Allen et al. (1998), FAO Irrigation and Drainage Paper 56, chapter 3.
"""

from __future__ import annotations

import sys
from functools import cache
from importlib import import_module
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

SOLAR_CONSTANT_DAY = 118.08  # 24 * 60 * 0.0820 [MJ m-2 d-1], FAO-56 Eq. 21


@cache
def pyet() -> Any:
    """Give the library of reference ET, without xarray where nothing has loaded that.

    Arrays here are pandas', and xarray takes as long to load as the rest.

    A pyet that asks more of xarray than whether something is its DataArray is loaded with it.
    """
    if "xarray" in sys.modules:
        return import_module("pyet")
    stand_in: Any = ModuleType("xarray")
    stand_in.DataArray = type("DataArray", (), {})
    sys.modules["xarray"] = stand_in
    try:
        return import_module("pyet")
    except (AttributeError, ImportError):
        for name in [name for name in sys.modules if name.partition(".")[0] == "pyet"]:
            del sys.modules[name]
    finally:
        del sys.modules["xarray"]
    return import_module("pyet")


def extraterrestrial_radiation(day_of_year: ArrayLike, latitude: float) -> FloatArray:
    """Radiation on a level surface above the air, Ra, from the day of the year [-] and latitude [deg].

    Ra = 24*60/pi Gsc dr [ws sin(phi) sin(delta) + cos(phi) cos(delta) sin(ws)]

    Returns
    -------
    ndarray, shape (T,)                          Ra [MJ m-2 d-1]. Source: FAO-56 Eq. 21; dr, delta, ws from pyet
                                                 (23-25).
    """
    meteo_utils = pyet().meteo_utils
    day, phi = np.asarray(day_of_year, dtype=float), float(np.deg2rad(latitude))
    declination = meteo_utils.solar_declination(day)
    sunset = meteo_utils.sunset_angle(declination, phi)
    beam = sunset * np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.sin(sunset)
    sky = SOLAR_CONSTANT_DAY / np.pi * meteo_utils.relative_distance(day) * beam
    return np.maximum(np.asarray(sky, dtype=np.float64), 0.0)


def daylight_hours(day_of_year: ArrayLike, latitude: float) -> FloatArray:
    """Hours from sunrise to sunset, N = 24 ws / pi [h], shape (T,). Source: FAO-56 Eq. 34; ws from pyet (Eq. 25)."""
    meteo_utils = pyet().meteo_utils
    declination = meteo_utils.solar_declination(np.asarray(day_of_year, dtype=float))
    return np.asarray(24.0 / np.pi * meteo_utils.sunset_angle(declination, float(np.deg2rad(latitude))))


def clear_sky_radiation(sky: ArrayLike, elevation: float) -> FloatArray:
    """Radiation under a cloudless sky, Rso = (0.75 + 2e-5 z) Ra [MJ m-2 d-1], shape (T,). Source: FAO-56 Eq. 37."""
    return np.asarray((0.75 + 2e-5 * elevation) * np.asarray(sky, dtype=np.float64))


def wind_at_2m(speed: ArrayLike, height: float) -> FloatArray:
    """Wind at 2 m from wind at another height over grass, u2 = uz 4.87 / ln(67.8 z - 5.42).

    Parameters
    ----------
    speed : array, any shape                     Wind at `height` [m/s]; NaN passes through.
    height : float                               Height of the instrument [m], above 0.1.

    Returns
    -------
    ndarray, same shape                          Wind at 2 m [m/s]. Source: FAO-56 Eq. 47.

    Raises
    ------
    ValueError                                   height is 0.1 m or less: the logarithmic profile has no value there.

    Examples
    --------
    >>> round(float(wind_at_2m(3.2, 10.0)), 1)
    2.4
    """
    if not height > 0.1:
        raise ValueError(f"height must be above 0.1 m; got {height}")
    if height == 2.0:  # the printed constants give 1.0002 there; a reading at 2 m stays as read
        return np.array(speed, dtype=np.float64)
    return np.asarray(np.asarray(speed, dtype=np.float64) * 4.87 / np.log(67.8 * height - 5.42))


def saturation_vapour_pressure(temperature: ArrayLike) -> FloatArray:
    """Vapour pressure of saturated air, e0(T) = 0.6108 exp(17.27 T / (T + 237.3)) [kPa], T [degC]. FAO-56 Eq. 11."""
    meteo_utils = pyet().meteo_utils
    return np.asarray(meteo_utils.calc_e0(np.asarray(temperature, dtype=float)), dtype=np.float64)
