"""The invented world behind the shipped sites: weather, forecasts, soil, salts and probe readings.

Everything is drawn from a seeded numpy Generator; no clock is read. The soil is a plain two-layer bucket stepped by the
hour. What is true here (microclimate, field capacity and application rate of each zone) is never written to a site:
probe readings, laboratory samples and the applied log are all that show of it. Numbers without a source are common
practice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

UPPER_MM = 100.0  # thickness of the upper layer [mm]
RATE_OF_DRAINAGE = 0.22  # share of the water above field capacity that leaves a layer in an hour [1/h]
STRESS_STARTS = 0.5  # depletion at which evapotranspiration falls [fraction of TAW]
OFFSET_PERMITTIVITY = 4.1  # Hilhorst 2000, default
WATERING_HOURS = np.array([22, 23, 24, 25, 26, 27, 28])  # hours after 00:00 of the evening's date


@dataclass(frozen=True)
class Climate:
    """Shape of the invented weather; temperatures in degC, rain in mm, wind in m/s."""

    latitude: float
    elevation: float  # [m]
    warmest: float  # mean tmax of the warmest time
    coolest: float  # mean tmax half a year away
    span: tuple[float, float]  # tmax - tmin on a clear day
    spell: float  # standard deviation of tmax
    wet_share: tuple[float, float]  # chance of rain after a dry day and after a wet day
    rain_mean: float  # mean rain of a wet day
    dry_after: tuple[int, float]  # from this day of the year the chance of rain is multiplied
    humidity: tuple[float, float]  # rhmin and rhmax of a usual day [%]
    wind: float
    clear: float  # share of the clear-sky radiation on a dry day


def extraterrestrial_radiation(day: np.ndarray, latitude: float) -> np.ndarray:
    """Radiation above the atmosphere [MJ/m2/d], FAO-56 Eq. 21 to 25."""
    phi, angle = np.radians(latitude), 2 * np.pi * day / 365
    declination = 0.409 * np.sin(angle - 1.39)
    sunset = np.arccos(-np.tan(phi) * np.tan(declination))
    beam = sunset * np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.sin(sunset)
    return 24 * 60 / np.pi * 0.0820 * (1 + 0.033 * np.cos(angle)) * beam


def daylight_hours(day: np.ndarray, latitude: float) -> np.ndarray:
    """Longest possible sunshine [h], FAO-56 Eq. 34."""
    declination = 0.409 * np.sin(2 * np.pi * day / 365 - 1.39)
    return 24 / np.pi * np.arccos(-np.tan(np.radians(latitude)) * np.tan(declination))


def reference_et(w: pd.DataFrame, latitude: float, elevation: float) -> np.ndarray:
    """ETo [mm/d] by FAO-56 Eq. 6, the demand of the hidden truth."""
    tmin, tmax = w["tmin"].to_numpy(), w["tmax"].to_numpy()
    mean = (tmin + tmax) / 2
    pressure = 101.3 * ((293 - 0.0065 * elevation) / 293) ** 5.26
    gamma = 0.000665 * pressure
    high, low, middle = (0.6108 * np.exp(17.27 * t / (t + 237.3)) for t in (tmax, tmin, mean))
    slope = 4098 * middle / (mean + 237.3) ** 2
    actual = (low * w["rhmax"].to_numpy() + high * w["rhmin"].to_numpy()) / 200
    clear_sky = (0.75 + 2e-5 * elevation) * extraterrestrial_radiation(w["day"].to_numpy(), latitude)
    cloud = 1.35 * np.clip(w["solar"].to_numpy() / clear_sky, 0.3, 1) - 0.35
    longwave = 4.903e-9 * ((tmax + 273.16) ** 4 + (tmin + 273.16) ** 4) / 2 * (0.34 - 0.14 * np.sqrt(actual)) * cloud
    net = 0.77 * w["solar"].to_numpy() - longwave
    wind = w["wind"].to_numpy()
    drying = gamma * 900 / (mean + 273) * wind * ((high + low) / 2 - actual)
    return np.maximum((0.408 * slope * net + drying) / (slope + gamma * (1 + 0.34 * wind)), 0.1)


def make_weather(climate: Climate, first: str, days: int, rng: np.random.Generator) -> pd.DataFrame:
    """Daily weather as a well-kept station has it; columns as in weather.csv plus `day`, `sunshine` and `eto`."""
    dates = pd.date_range(first, periods=days)
    day = dates.dayofyear.to_numpy().astype(float)
    draw = rng.normal(size=days)
    spell = np.zeros(days)
    for t in range(1, days):
        spell[t] = 0.78 * spell[t - 1] + 0.626 * draw[t]
    chance, amount = rng.random(days), rng.gamma(0.9, climate.rain_mean / 0.9, days)
    wet = np.zeros(days, dtype=bool)
    for t in range(1, days):
        threshold = climate.wet_share[int(wet[t - 1])] * (climate.dry_after[1] if day[t] >= climate.dry_after[0] else 1)
        wet[t] = chance[t] < threshold * (1 - 0.25 * np.clip(spell[t], -1.5, 1.5))
    rain = np.where(wet, np.maximum(amount, 0.2), 0.0).round(1)
    season = 0.5 - 0.5 * np.cos(2 * np.pi * (day - 20) / 365)  # 0 on 20 January, 1 in the third week of July
    tmax = climate.coolest + (climate.warmest - climate.coolest) * season + climate.spell * spell - 2.5 * wet
    span = rng.uniform(*climate.span, days) * np.where(wet, 0.72, 1.0)
    above = extraterrestrial_radiation(day, climate.latitude)
    clear_sky = (0.75 + 2e-5 * climate.elevation) * above
    share = np.clip(climate.clear + 0.05 * spell + rng.normal(0, 0.06, days) - 0.3 * wet, 0.22, 0.99)
    sunshine = np.clip((share * 0.75 - 0.25) / 0.5, 0, 1) * daylight_hours(day, climate.latitude)
    rhmin = np.clip(climate.humidity[0] - 4 * spell + rng.normal(0, 3, days) + 18 * wet, 6, 92)
    rhmax = np.clip(climate.humidity[1] - 3 * spell + rng.normal(0, 3, days) + 9 * wet, rhmin + 5, 99)
    frame = pd.DataFrame({"date": dates, "day": day, "tmin": (tmax - span).round(1), "tmax": tmax.round(1)})
    frame["rhmin"], frame["rhmax"] = rhmin.round(0), rhmax.round(0)
    frame["wind"] = (climate.wind * rng.gamma(12, 1 / 12, days)).round(2)
    frame["solar"], frame["sunshine"] = (share * clear_sky).round(2), sunshine.round(1)
    frame["rain"] = rain
    frame["eto"] = reference_et(frame, climate.latitude, climate.elevation)
    return frame


def make_forecasts(weather: pd.DataFrame, issues: np.ndarray, ahead: int, rng: np.random.Generator) -> pd.DataFrame:
    """Forecasts issued at 17:00 on the days `issues` (rows of `weather`), 1 to `ahead` days out; errors grow."""
    lead = np.arange(1, ahead + 1)
    frames = []
    for t in issues:
        truth = weather.iloc[t + 1 : t + 1 + ahead]
        error = np.cumsum(rng.normal(0, 0.55, ahead)) + rng.normal(0, 0.7, ahead)
        knowledge = np.exp(-lead / 6)  # share of the truth a forecast holds
        wet = truth["rain"].to_numpy() > 0
        probability = np.clip(knowledge * wet + (1 - knowledge) * weather["rain"].gt(0).mean(), 0.0, 1.0)
        probability = np.clip(probability + rng.normal(0, 0.07, ahead), 0, 1).round(2)
        amount = truth["rain"].to_numpy() * rng.lognormal(-0.1, 0.45, ahead) * wet
        false_alarm = rng.gamma(1.0, 2.0, ahead) * (~wet)
        solar = truth["solar"].to_numpy() * knowledge + weather["solar"].to_numpy()[max(0, t - 13) : t + 1].mean() * (
            1 - knowledge
        )
        wind = truth["wind"].to_numpy() * rng.lognormal(0, 0.12, ahead)
        rhmin = np.clip(truth["rhmin"].to_numpy() + rng.normal(0, 4, ahead), 5, 95).round(0)
        frames.append(
            pd.DataFrame(
                {
                    "issued": truth["date"].iloc[0] - pd.Timedelta(hours=7),
                    "date": truth["date"].to_numpy(),
                    "member": "",
                    "tmin": (truth["tmin"].to_numpy() + 0.7 * error).round(1),
                    "tmax": (truth["tmax"].to_numpy() + error).round(1),
                    "rhmin": rhmin,
                    "rhmax": np.clip(truth["rhmax"].to_numpy() + rng.normal(0, 4, ahead), rhmin + 5, 99).round(0),
                    "wind": wind.round(2),
                    "solar": solar.round(2),
                    "rain": np.where(probability >= 0.4, np.where(wet, amount, false_alarm), 0.0).round(1),
                    "rain_probability": probability,
                }
            )
        )
    return pd.concat(frames, ignore_index=True)


@dataclass(frozen=True)
class Ground:
    """What is really there, one value a zone, shape (Z,)."""

    field_capacity: np.ndarray  # [m3/m3]
    wilting_point: np.ndarray  # [m3/m3]
    saturation: np.ndarray  # [m3/m3]
    paste: np.ndarray  # water of the saturated paste over the soil's volume [m3/m3]
    fed_depth: np.ndarray  # soil that roots draw on [mm]: the roots', and of sand over gravel all of it
    demand: np.ndarray  # Kc x microclimate, summer [-]
    water: np.ndarray  # water that reaches the probe's spot / nominal gross depth [-]
    hour: np.ndarray  # index into WATERING_HOURS


class Soil:
    """Hourly two-layer bucket with complete mixing of salts in each layer; state arrays have shape (Z,)."""

    def __init__(self, ground: Ground, start_ec: float) -> None:
        self.ground = ground
        self.thickness = (np.full(len(ground.fed_depth), UPPER_MM), ground.fed_depth - UPPER_MM)
        self.capacity = [ground.field_capacity * depth for depth in self.thickness]
        self.floor = [ground.wilting_point * depth for depth in self.thickness]
        self.store = [0.92 * capacity for capacity in self.capacity]
        self.salt = [start_ec * store for store in self.store]  # dS/m x mm

    def step(self, rain: np.ndarray, irrigation: np.ndarray, water_ec: np.ndarray, etc: np.ndarray) -> None:
        """One hour; depths [mm], `water_ec` [dS/m]. Water above saturation runs off."""
        room = np.maximum(self.ground.saturation * UPPER_MM - self.store[0], 0)
        share = np.minimum(1, room / np.maximum(rain + irrigation, 1e-9))
        self.store[0] = self.store[0] + (rain + irrigation) * share
        self.salt[0] = self.salt[0] + irrigation * share * water_ec
        for layer in (0, 1):
            down = RATE_OF_DRAINAGE * np.maximum(self.store[layer] - self.capacity[layer], 0)
            carried = self.salt[layer] * down / self.store[layer]
            self.store[layer], self.salt[layer] = self.store[layer] - down, self.salt[layer] - carried
            if layer == 0:
                self.store[1], self.salt[1] = self.store[1] + down, self.salt[1] + carried
        available = [np.maximum(s - f, 0) for s, f in zip(self.store, self.floor, strict=True)]
        total = sum(c - f for c, f in zip(self.capacity, self.floor, strict=True))
        stress = np.clip(sum(available) / total / (1 - STRESS_STARTS), 0, 1)
        pull = [0.65 * available[0] / (self.capacity[0] - self.floor[0])]
        pull.append(0.35 * available[1] / (self.capacity[1] - self.floor[1]))
        for layer in (0, 1):
            taken = etc * stress * pull[layer] / np.maximum(pull[0] + pull[1], 1e-9)
            self.store[layer] = self.store[layer] - np.minimum(taken, available[layer])

    def available(self) -> np.ndarray:
        """Available water left in the root zone [fraction of TAW]."""
        total = sum(c - f for c, f in zip(self.capacity, self.floor, strict=True))
        return (sum(self.store) - sum(self.floor)) / total

    def moisture(self, depth_cm: float) -> np.ndarray:
        """Water content of the layer that holds this depth [m3/m3]."""
        layer = int(depth_cm * 10 > UPPER_MM)
        return self.store[layer] / self.thickness[layer]

    def pore_ec(self, depth_cm: float) -> np.ndarray:
        """EC of the pore water at 25 degC [dS/m]."""
        layer = int(depth_cm * 10 > UPPER_MM)
        return self.salt[layer] / self.store[layer]

    def ece(self, depth_cm: float) -> np.ndarray:
        """EC of the saturation extract [dS/m]: pore water diluted to the laboratory's paste."""
        return self.pore_ec(depth_cm) * self.moisture(depth_cm) / self.ground.paste


def hourly_shares(daylight: tuple[int, int] = (6, 20)) -> np.ndarray:
    """Share of a day's ET in each hour, shape (24,)."""
    hour = np.arange(24)
    bell = np.where((hour >= daylight[0]) & (hour < daylight[1]), np.sin(np.pi * (hour + 0.5 - 6) / 14), 0.0)
    return bell / bell.sum()


def bulk_ec(moisture: np.ndarray, pore_ec: np.ndarray, temperature: np.ndarray) -> np.ndarray:
    """Bulk EC at the soil's own temperature [dS/m].

    Hilhorst (2000) turned round, ECb = ECp (eps_b - eps_0) / eps_p, and taken from 25 degC to the reading's temperature
    with fT = 0.4470 + 1.4034 exp(-T / 26.815) (Corwin and Lesch 2005, coefficients from memory).
    """
    pore_permittivity = 80.3 - 0.37 * (temperature - 20)
    at_25 = pore_ec * np.maximum(permittivity(moisture) - OFFSET_PERMITTIVITY, 0.3) / pore_permittivity
    return at_25 / (0.4470 + 1.4034 * np.exp(-temperature / 26.815))


def permittivity(moisture: np.ndarray) -> np.ndarray:
    """Permittivity of moist mineral soil, sqrt(eps) = (theta + 0.176) / 0.115 (a usual straight line, from memory)."""
    return ((moisture + 0.176) / 0.115) ** 2
