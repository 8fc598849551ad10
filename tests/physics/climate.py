"""Two made climates and forecasts of decaying skill, with honest probabilities of rain.

Behind each date stands a normal number w that says how rainy it is; it rains where w passes a threshold of the season,
by an amount that grows with the excess. A forecast sees w through noise that shrinks as the date nears, each issue
correcting the last; its probability and amount follow from what it sees by Bayes' rule, so a stated 40 % comes true
four times in ten. ETo is forecast likewise. Invented weather: it serves comparison only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri  # the normal distribution, without scipy.stats: that loads for half a second

MONTH_DAY = np.array([15, 46, 74, 105, 135, 166, 196, 227, 258, 288, 319, 349])
# noise of a forecast 1, 2, ... 10 days ahead against a spread of 1 of what it is to see: correlation .94 to .35
NOISE = np.array([0.35, 0.5, 0.65, 0.85, 1.05, 1.3, 1.6, 1.9, 2.3, 2.7])
LEADS = NOISE.size


@dataclass(frozen=True)
class Climate:
    """Means by month, January first."""

    name: str
    eto: tuple[float, ...]  # mm/d
    wet_share: tuple[float, ...]  # of days with rain
    rain: float  # mm of a mean wet day
    spread: float  # of ETo from day to day [-]
    warm: tuple[float, float]  # mean temperature and half its yearly swing [degC]
    latitude: float
    ecw: float  # dS/m of the water


DRY = Climate(
    "dry", (2.0, 2.8, 4.0, 5.3, 6.4, 7.2, 7.6, 7.0, 5.6, 4.0, 2.6, 1.9),
    (0.20, 0.18, 0.14, 0.06, 0.03, 0.01, 0.01, 0.01, 0.02, 0.05, 0.10, 0.16), 8.0, 0.13, (18.0, 8.0), 34.0, 1.4,
)  # fmt: skip
HUMID = Climate(
    "humid", (1.0, 1.6, 2.6, 3.6, 4.4, 5.0, 5.1, 4.5, 3.4, 2.3, 1.3, 0.9),
    (0.30, 0.29, 0.31, 0.30, 0.31, 0.29, 0.27, 0.26, 0.25, 0.25, 0.28, 0.30), 10.0, 0.24, (13.0, 11.0), 38.0, 0.6,
)  # fmt: skip
CLIMATES = {"dry": DRY, "humid": HUMID}


def _amount(excess: np.ndarray, rain: float) -> np.ndarray:
    """Rain of a wet day [mm] by how far w passes the threshold: short of linear at first, a few days heavy."""
    return rain * 1.55 * np.maximum(excess, 0.0) ** 1.5 + 0.3


@dataclass(frozen=True)
class Weather:
    """True weather of N dates and what forecasts said of it."""

    eto: np.ndarray  # (N,) mm/d
    rain: np.ndarray  # (N,) mm
    temperature: np.ndarray  # (N,) degC
    start_hour: np.ndarray  # (N,) hour of the clock at which rain begins
    hours: np.ndarray  # (N,) that it lasts
    told_eto: np.ndarray  # (N, LEADS): of date n, issued 1, 2, ... days before
    told_rain: np.ndarray  # (N, LEADS) mm where it rains
    told_chance: np.ndarray  # (N, LEADS) [-]


def draw_weather(climate: Climate, first_day: int, days: int, rng: np.random.Generator) -> Weather:
    """Draw dates from a day of the year on."""
    day = (first_day + np.arange(days) - 1) % 365 + 1
    month = np.interp(day, np.r_[MONTH_DAY[-1] - 365, MONTH_DAY, MONTH_DAY[0] + 365], np.arange(-1, 13))

    def by_month(values: tuple[float, ...]) -> np.ndarray:
        return np.interp(month, np.arange(-1, 13), [values[-1], *values, values[0]])

    def persistent(keep: float) -> np.ndarray:
        fresh, found = rng.normal(size=days), np.empty(days)
        found[0] = fresh[0]
        for i in range(1, days):
            found[i] = keep * found[i - 1] + np.sqrt(1.0 - keep**2) * fresh[i]
        return found

    w, sunny = persistent(0.35), persistent(0.55)
    threshold = -ndtri(by_month(climate.wet_share))
    rain = np.where(w > threshold, _amount(w - threshold, climate.rain), 0.0)
    base, cloud = by_month(climate.eto), np.where(w > threshold, 0.65, 1.0)
    dull = 0.35 * by_month(climate.wet_share)  # so that wet and dry days mean the month's ETo
    eto = base * cloud / (1.0 - dull) * np.exp(climate.spread * sunny - 0.5 * climate.spread**2)
    swing = -np.cos(2.0 * np.pi * (day - 20) / 365.0)
    warm = climate.warm[0] + climate.warm[1] * swing + 2.0 * sunny

    steps = np.sqrt(np.diff(np.r_[0.0, NOISE**2]))
    seen_w = w[:, None] + np.cumsum(rng.normal(size=(days, LEADS)) * steps, axis=1)
    seen_sun = sunny[:, None] + np.cumsum(rng.normal(size=(days, LEADS)) * steps, axis=1)
    trust = 1.0 / (1.0 + NOISE**2)
    mean, sd = trust * seen_w, np.sqrt(1.0 - trust)
    chance = ndtr((mean - threshold[:, None]) / sd)
    nodes = ndtri((np.arange(25) + 0.5) / 25.0)
    drawn = mean[..., None] + sd[..., None] * nodes - threshold[:, None, None]
    told = _amount(drawn, climate.rain) * (drawn > 0.0)
    wet_mean = told.sum(axis=2) / np.maximum((drawn > 0.0).sum(axis=2), 1)
    told_rain = np.where(wet_mean > 0.0, wet_mean, 0.3)
    sun_mean = trust * seen_sun
    told_eto = (base / (1.0 - dull))[:, None] * (1.0 - 0.35 * chance) * np.exp(climate.spread * sun_mean)
    hours = np.clip(rng.gamma(2.0, 2.0, days) + 0.5 + rain / 20.0, 1.0, 12.0)
    return Weather(eto, rain, warm, rng.uniform(0.0, 24.0, days), hours, told_eto, told_rain, chance)
