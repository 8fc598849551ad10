"""Reference evapotranspiration from a station's daily weather, and what is done where a reading is missing.

The equation is FAO-56 Penman-Monteith (or the ASCE standardised short reference) as coded in pyet. Each day uses the
best inputs it has; chapter 3 of FAO-56 says how to estimate the others, and the day's route names every estimate:

radiation        measured; else from sunshine (Eq. 35); else from Tmax - Tmin (Eq. 50, never above a clear sky, Eq. 37)
vapour pressure  RHmin and RHmax (Eq. 17); else RHmax (Eq. 18); else mean RH (Eq. 19); else dew point = Tmin (Eq. 48)
wind             at 2 m; else 2 m/s
last step        Hargreaves (Eq. 52), where Penman-Monteith cannot be evaluated, that is where the elevation is not
known

With temperatures alone FAO-56 prefers Penman-Monteith with estimated inputs, so that is the route; Hargreaves is not a
rival. A reading that cannot be true (radiation above the sky's, relative humidity of 140 %) is refused and named in the
route.
Source throughout: Allen et al. (1998), FAO Irrigation and Drainage Paper 56, chapters 3 and 4.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.sky import clear_sky_radiation, daylight_hours, extraterrestrial_radiation, pyet, saturation_vapour_pressure

FloatArray = NDArray[np.float64]

DEFAULT_WIND = 2.0  # [m/s], FAO-56 ch. 3: average over 2000 stations, used where wind is not known
RADIATION_COEFFICIENT = 0.16  # kRs [degC^-0.5], FAO-56 Eq. 50, interior sites (0.19 on a coast)
ANGSTROM_A, ANGSTROM_B = 0.25, 0.50  # [-], FAO-56 Eq. 35, uncalibrated
MJ_TO_MM = 0.408  # 1 / latent heat of 2.45 MJ/kg [mm per MJ m-2], FAO-56 Eq. 20

# What a daily reading can be; outside it is refused. Wide on purpose: common practice, no source.
TEMPERATURE_RANGE = (-60.0, 60.0)  # [degC]
WIND_RANGE = (0.0, 40.0)  # daily mean at 2 m [m/s]
HUMIDITY_RANGE = (1.0, 105.0)  # [%]; 100 to 105 is read as 100; mean or maximum at 1 or below is a fraction by mistake
ETO_RANGE = (0.0, 25.0)  # [mm/d]
SOLAR_MARGIN = 1.0  # [MJ m-2 d-1] above extraterrestrial radiation before a reading is refused
SUNSHINE_MARGIN = 1.0  # [h] above daylight hours before a reading is refused; within it, read as daylight hours

_RADIATION = ("", "radiation from sunshine", "radiation from temperatures")
_VAPOUR = ("", "vapour pressure from RHmax", "vapour pressure from mean RH", "vapour pressure from tmin")
_WIND = ("", "wind 2 m/s")
_REFUSED = ("solar", "sunshine", "humidity", "wind", "eto")
_EQUATION = ("penman-monteith", "hargreaves", "given", "missing")


@dataclass(frozen=True)
class Climate:
    """Daily weather of one place; NaN = not known. Days need not be in order and may repeat (forecast members).

    Attributes
    ----------
    day_of_year : ndarray, shape (T,)            1 to 366 [-].
    tmin, tmax : ndarray, shape (T,)             Air temperature [degC].
    rhmin, rhmax, rh : ndarray, shape (T,)       Relative humidity: lowest, highest, mean of the day [%].
    wind : ndarray, shape (T,)                   Mean wind at 2 m [m/s].
    solar : ndarray, shape (T,)                  Incoming short-wave radiation [MJ m-2 d-1].
    sunshine : ndarray, shape (T,)               Bright sunshine [h].
    eto_given : ndarray, shape (T,)              Reference ET from elsewhere, used as it is [mm/d].

    Raises
    ------
    ValueError                                   A column is not (T,), or a day of the year is outside 1 to 366.
    """

    day_of_year: FloatArray
    tmin: FloatArray
    tmax: FloatArray
    rhmin: FloatArray
    rhmax: FloatArray
    rh: FloatArray
    wind: FloatArray
    solar: FloatArray
    sunshine: FloatArray
    eto_given: FloatArray

    def __post_init__(self) -> None:
        """Make every column a float array and check the shapes once."""
        for field in fields(self):
            object.__setattr__(self, field.name, np.asarray(getattr(self, field.name), dtype=np.float64))
        shape = self.day_of_year.shape
        if len(shape) != 1:
            raise ValueError(f"day_of_year must have shape (T,); got {shape}")
        for field in fields(self):
            if getattr(self, field.name).shape != shape:
                raise ValueError(f"{field.name} must have shape {shape}; got {getattr(self, field.name).shape}")
        if not np.all((self.day_of_year >= 1) & (self.day_of_year <= 366)):
            raise ValueError("day_of_year must lie in 1 to 366 and be known")

    @classmethod
    def of(cls, day_of_year: ArrayLike, **known: ArrayLike) -> Climate:
        """Build from the columns that are known; the others become NaN. A misspelt column raises TypeError.

        Examples
        --------
        >>> Climate.of([187], tmin=[12.3], tmax=[21.5]).wind
        array([nan])
        """
        days = np.atleast_1d(np.asarray(day_of_year, dtype=np.float64))
        columns: dict[str, Any] = {f.name: np.full(days.shape, np.nan) for f in fields(cls) if f.name != "day_of_year"}
        unknown = sorted(set(known) - set(columns))
        if unknown:
            raise TypeError(f"unknown weather column {unknown[0]!r}; allowed: {', '.join(columns)}")
        columns.update({name: np.atleast_1d(np.asarray(value, dtype=np.float64)) for name, value in known.items()})
        return cls(day_of_year=days, **columns)


@dataclass(frozen=True)
class Place:
    """Where the weather was measured.

    Attributes
    ----------
    latitude : float                             North positive [deg].
    elevation : float                            Above sea level [m]; NaN = not known, and the route is then Hargreaves.
    """

    latitude: float
    elevation: float

    def __post_init__(self) -> None:
        """Check the ranges."""
        if not -90.0 <= self.latitude <= 90.0:
            raise ValueError(f"latitude must lie in -90 to 90 deg; got {self.latitude}")
        if not np.isnan(self.elevation) and not -500.0 <= self.elevation <= 9000.0:
            raise ValueError(f"elevation must lie in -500 to 9000 m, or be NaN; got {self.elevation}")


@dataclass(frozen=True)
class ReferenceET:
    """Reference ET and how each day came by it.

    Attributes
    ----------
    eto : ndarray, shape (T,)                    Reference ET [mm/d]; NaN where the route is "missing".
    route : ndarray of str, shape (T,)           "given", "penman-monteith", "penman-monteith: " and its estimates,
                                                 "hargreaves" or "missing"; "; refused ..." names readings not believed.
    """

    eto: FloatArray
    route: NDArray[Any]


def reference_et(climate: Climate, place: Place, method: str = "fao56") -> ReferenceET:
    """Grass reference evapotranspiration of each day by the best route its readings allow.

    Parameters
    ----------
    climate : Climate, arrays (T,)               Daily weather; NaN = not known.
    place : Place                                Latitude [deg], elevation [m].
    method : str                                 "fao56" (FAO-56 Eq. 6) or "asce" (ASCE-EWRI 2005, short reference).

    Returns
    -------
    ReferenceET, arrays (T,)                     eto [mm/d] >= 0, and the route in words.

    Raises
    ------
    ValueError                                   method is not one of the two.

    Examples
    --------
    >>> day = Climate.of([187], tmin=[12.3], tmax=[21.5], rhmin=[63], rhmax=[84], wind=[2.078], sunshine=[9.25])
    >>> result = reference_et(day, Place(latitude=50.8, elevation=100))
    >>> round(float(result.eto[0]), 1), str(result.route[0])
    (3.9, 'penman-monteith: radiation from sunshine')
    """
    if method not in ("fao56", "asce"):
        raise ValueError(f'method must be "fao56" or "asce"; got {method!r}')
    eto = np.full(climate.day_of_year.shape, np.nan)
    equation = np.full(eto.shape, _EQUATION.index("missing"))
    refused = np.zeros((len(_REFUSED), eto.size), dtype=bool)

    given = _believed(climate.eto_given, ETO_RANGE)
    refused[4] = ~np.isnan(climate.eto_given) & np.isnan(given)
    with_temperatures = (
        ~np.isnan(_believed(climate.tmin, TEMPERATURE_RANGE))
        & ~np.isnan(_believed(climate.tmax, TEMPERATURE_RANGE))
        & np.less_equal(climate.tmin, climate.tmax)
    )
    use_given = ~np.isnan(given)
    days = np.flatnonzero(with_temperatures & ~use_given)
    codes = np.zeros((3, eto.size), dtype=np.int64)
    if days.size:
        inputs = _chapter_3_inputs(climate, place, days)
        codes[:, days], refused[:4, days] = inputs.codes, inputs.refused
        if np.isnan(place.elevation):
            eto[days] = hargreaves(climate.tmin[days], climate.tmax[days], inputs.sky)
            equation[days] = _EQUATION.index("hargreaves")
        else:
            eto[days] = penman_monteith(
                climate.tmin[days],
                climate.tmax[days],
                inputs.vapour_pressure,
                inputs.wind,
                inputs.solar,
                inputs.clear_sky,
                place.elevation,
                method=method,
            )
            equation[days] = _EQUATION.index("penman-monteith")
    eto[use_given], equation[use_given] = given[use_given], _EQUATION.index("given")
    return ReferenceET(eto, _routes(equation, codes, refused))


def penman_monteith(
    tmin: ArrayLike,
    tmax: ArrayLike,
    vapour_pressure: ArrayLike,
    wind: ArrayLike,
    solar: ArrayLike,
    clear_sky: ArrayLike,
    elevation: float,
    *,
    soil_heat_flux: float = 0.0,
    method: str = "fao56",
) -> FloatArray:
    """Compute reference ET of days whose inputs are all known, through pyet.

    ETo = [0.408 Delta (Rn - G) + gamma 900 / (T + 273) u2 (es - ea)] / [Delta + gamma (1 + 0.34 u2)]

    Parameters
    ----------
    tmin, tmax : array, shape (T,)               Air temperature [degC].
    vapour_pressure : array, shape (T,)          Actual vapour pressure ea [kPa].
    wind : array, shape (T,)                     At 2 m, u2 [m/s].
    solar, clear_sky : array, shape (T,)         Rs, Rso [MJ m-2 d-1].
    elevation : float                            [m].
    soil_heat_flux : float                       G [MJ m-2 d-1]; 0 for daily steps (FAO-56 Eq. 42).
    method : str                                 "fao56" or "asce" (short reference).

    Returns
    -------
    ndarray, shape (T,)                          ETo [mm/d], 0 where the equation is negative. Source: FAO-56 Eq. 6.
    """
    import pandas as pd

    library = pyet()
    low, high = pd.Series(np.asarray(tmin, dtype=float)), pd.Series(np.asarray(tmax, dtype=float))
    equation = library.pm_asce if method == "asce" else library.pm_fao56
    eto = equation(
        (low + high) / 2.0,
        pd.Series(np.asarray(wind, dtype=float)),
        rs=pd.Series(np.asarray(solar, dtype=float)),
        g=soil_heat_flux,
        tmax=high,
        tmin=low,
        elevation=float(elevation),
        rso=pd.Series(np.asarray(clear_sky, dtype=float)),
        ea=pd.Series(np.asarray(vapour_pressure, dtype=float)),
    )
    return np.asarray(eto, dtype=np.float64)


def hargreaves(tmin: ArrayLike, tmax: ArrayLike, sky: ArrayLike) -> FloatArray:
    """Estimate reference ET from temperatures and the sky, ETo = 0.0023 (Tmean + 17.8) (Tmax - Tmin)^0.5 Ra.

    Parameters
    ----------
    tmin, tmax : array, shape (T,)               Air temperature [degC].
    sky : array, shape (T,)                      Extraterrestrial radiation Ra [MJ m-2 d-1].

    Returns
    -------
    ndarray, shape (T,)                          ETo [mm/d], 0 where the equation is negative. Source: FAO-56 Eq. 52.
    """
    low, high = np.asarray(tmin, dtype=float), np.asarray(tmax, dtype=float)
    eto = 0.0023 * ((low + high) / 2.0 + 17.8) * np.sqrt(high - low) * MJ_TO_MM * np.asarray(sky, dtype=float)
    return np.asarray(np.maximum(eto, 0.0), dtype=np.float64)


@dataclass(frozen=True)
class _Chapter3Inputs:
    """Inputs for the chosen days, each known or estimated; all (T,) but codes (3, T) and refused (4, T)."""

    solar: FloatArray
    clear_sky: FloatArray
    sky: FloatArray
    vapour_pressure: FloatArray
    wind: FloatArray
    codes: NDArray[np.int64]
    refused: NDArray[np.bool_]


def _chapter_3_inputs(climate: Climate, place: Place, days: NDArray[np.intp]) -> _Chapter3Inputs:
    tmin, tmax, doy = climate.tmin[days], climate.tmax[days], climate.day_of_year[days]
    sky, daylight = extraterrestrial_radiation(doy, place.latitude), daylight_hours(doy, place.latitude)
    clear_sky = clear_sky_radiation(sky, 0.0 if np.isnan(place.elevation) else place.elevation)

    solar_read, sunshine_read = climate.solar[days], climate.sunshine[days]
    solar_ok = (solar_read >= 0.0) & (solar_read <= sky + SOLAR_MARGIN)
    sunshine_ok = (sunshine_read >= 0.0) & (sunshine_read <= daylight + SUNSHINE_MARGIN)
    share = np.clip(np.where(sunshine_ok, sunshine_read, 0.0) / np.maximum(daylight, 1e-6), 0.0, 1.0)
    from_sunshine = (ANGSTROM_A + ANGSTROM_B * share) * sky
    from_temperatures = np.minimum(RADIATION_COEFFICIENT * np.sqrt(tmax - tmin) * sky, clear_sky)
    radiation_code = np.where(solar_ok, 0, np.where(sunshine_ok, 1, 2))
    solar = np.choose(radiation_code, [solar_read, from_sunshine, from_temperatures])

    vapour_pressure, vapour_code, humidity_refused = _vapour_pressure(climate, days, tmin, tmax)
    wind = _believed(climate.wind[days], WIND_RANGE)
    no_wind = np.isnan(wind)
    refused = np.stack(
        [
            ~np.isnan(solar_read) & ~solar_ok,
            ~np.isnan(sunshine_read) & ~sunshine_ok,
            humidity_refused,
            ~np.isnan(climate.wind[days]) & no_wind,
        ]
    )
    codes = np.stack([radiation_code, vapour_code, no_wind]).astype(np.int64)
    wind = np.where(no_wind, DEFAULT_WIND, wind)
    return _Chapter3Inputs(solar, clear_sky, sky, vapour_pressure, wind, codes, refused)


def _vapour_pressure(
    climate: Climate, days: NDArray[np.intp], tmin: FloatArray, tmax: FloatArray
) -> tuple[FloatArray, NDArray[np.int64], NDArray[np.bool_]]:
    """Actual vapour pressure [kPa], how it was found (index into _VAPOUR), and whether a humidity was refused."""
    low, high, mean = climate.rhmin[days], climate.rhmax[days], climate.rh[days]
    low_ok = (low >= 0.0) & (low <= HUMIDITY_RANGE[1])
    high_ok = (high > HUMIDITY_RANGE[0]) & (high <= HUMIDITY_RANGE[1]) & ~(low > high)  # crossed: neither counts
    mean_ok = (mean > HUMIDITY_RANGE[0]) & (mean <= HUMIDITY_RANGE[1])
    read = ((low, low_ok), (high, high_ok), (mean, mean_ok))
    refused = np.any([~np.isnan(value) & ~ok for value, ok in read], axis=0)

    low, high, mean = (np.where(ok, np.minimum(value, 100.0), np.nan) / 100.0 for value, ok in read)
    at_tmin, at_tmax = saturation_vapour_pressure(tmin), saturation_vapour_pressure(tmax)
    routes = [
        (at_tmin * high + at_tmax * low) / 2.0,  # Eq. 17
        at_tmin * high,  # Eq. 18
        mean * (at_tmin + at_tmax) / 2.0,  # Eq. 19
        at_tmin,  # Eq. 14 with the dew point of Eq. 48
    ]
    code = np.where(low_ok & high_ok, 0, np.where(high_ok, 1, np.where(mean_ok, 2, 3))).astype(np.int64)
    return np.choose(code, routes), code, refused


def _believed(values: FloatArray, allowed: tuple[float, float]) -> FloatArray:
    """Return the values, with NaN where they lie outside the allowed range."""
    return np.where((values >= allowed[0]) & (values <= allowed[1]), values, np.nan)


def _routes(equation: NDArray[Any], codes: NDArray[np.int64], refused: NDArray[np.bool_]) -> NDArray[Any]:
    """One sentence a day, made once for each combination that occurs."""
    key = np.column_stack([equation, codes.T, refused.T.astype(np.int64)])
    combinations, which = np.unique(key, axis=0, return_inverse=True)
    words = np.array([_route_words(row) for row in combinations], dtype=object)
    return np.asarray(words[which.ravel()] if words.size else np.empty(0, dtype=object))


def _route_words(row: NDArray[Any]) -> str:
    text = _EQUATION[row[0]]
    if text == "penman-monteith":
        chosen = [names[code] for names, code in zip((_RADIATION, _VAPOUR, _WIND), row[1:4], strict=True) if code]
        text += ": " + ", ".join(chosen) if chosen else ""
    believed_not = [name for name, flag in zip(_REFUSED, row[4:], strict=True) if flag]
    return text + ("; refused " + ", ".join(believed_not) if believed_not else "")
