"""GeoJSON time series: one point, hourly first, six-hourly later (Locationforecast 2.0 of MET Norway, as documented).

Every entry holds values at its moment (`instant`) and amounts over the hours after it (`next_1_hours`,
`next_6_hours`, `next_12_hours`). Periods overlap, so each moment is counted once: the shortest period an entry gives,
from where the period before it ends. Wind stands at 10 m. There is no radiation: it is left empty, and the evening
estimates it from the temperatures.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from models.choices import FEEDS
from models.sky import wind_at_2m
from scheduler.feeds.bulletin import Bulletin, Refused, json_object, moment, number
from scheduler.feeds.local_days import (
    Intervals,
    amounts,
    covered,
    day_bounds,
    days_between,
    extremes,
    greatest_share,
    means,
)

WIND_HEIGHT = 10.0  # [m]
PERIODS = (("next_1_hours", 3600.0), ("next_6_hours", 21600.0), ("next_12_hours", 43200.0))
LONGEST = 1000  # entries of one document
UNITS = {"air_temperature": "celsius", "relative_humidity": "%", "wind_speed": "m/s", "precipitation_amount": "mm"}


def read_geojson_series(data: bytes, zone: ZoneInfo) -> Bulletin:
    """Read a document of a point's time series.

    Parameters
    ----------
    data : bytes
    zone : ZoneInfo   The site's, whose days are meant.

    Raises
    ------
    Refused   It is of another shape, or its units are not those documented.
    """
    document = json_object(data)
    properties = document.get("properties")
    if document.get("type") != "Feature" or not isinstance(properties, dict):
        raise Refused("it is no GeoJSON feature with properties")
    meta = properties.get("meta") or {}
    units = meta.get("units") or {}
    for name, unit in UNITS.items():
        if units.get(name, unit) != unit:
            raise Refused(f"the unit of {name} is {units[name]!r}; {unit} is expected")
    series = properties.get("timeseries")
    if not isinstance(series, list) or not 1 < len(series) <= LONGEST:
        raise Refused("it holds no time series")
    entries = sorted(((moment(e.get("time"), "time").timestamp(), e.get("data") or {}) for e in series), key=_first)
    rows = _rows(entries, zone)
    if rows.empty:
        raise Refused("it holds no whole day")
    place = (document.get("geometry") or {}).get("coordinates") or (None, None)
    return Bulletin(
        rows,
        moment(meta.get("updated_at"), "updated_at"),
        number(place[1], "latitude"),
        number(place[0], "longitude"),
        ("no radiation is given; it is estimated from the temperatures",),
    )


def _first(entry: tuple[float, Mapping[str, Any]]) -> float:
    return entry[0]


def _rows(entries: list[tuple[float, Mapping[str, Any]]], zone: ZoneInfo) -> pd.DataFrame:
    """One row for each local day that is spoken of."""
    times = [t for t, _ in entries]
    ends = [*times[1:], times[-1] + _longest(entries[-1][1])]  # a value holds until the next entry
    instants = [(data.get("instant") or {}).get("details") or {} for _, data in entries]

    def held(name: str) -> Intervals:
        return Intervals.of([(s, e, number(i.get(name), name)) for s, e, i in zip(times, ends, instants, strict=True)])

    temperature, humidity, wind = held("air_temperature"), held("relative_humidity"), held("wind_speed")
    low6, high6 = _six_hourly(entries, "air_temperature_min"), _six_hourly(entries, "air_temperature_max")
    rain, chance = _precipitation(entries)
    days = days_between(times[0], ends[-1], zone)
    starts, stops = day_bounds(days, zone)
    tmin, tmax = extremes(temperature, starts, stops)
    tmin = np.fmin(tmin, extremes(_inside_one_day(low6, starts, stops), starts, stops)[0])
    tmax = np.fmax(tmax, extremes(_inside_one_day(high6, starts, stops), starts, stops)[1])
    rhmin, rhmax = extremes(humidity, starts, stops)
    spoken = covered(temperature, starts, stops) >= FEEDS.whole_day
    table = pd.DataFrame(
        {
            "date": [d.isoformat() for d in days],
            "member": "",
            "tmin": tmin,
            "tmax": tmax,
            "rhmin": rhmin,
            "rhmax": rhmax,
            "wind": wind_at_2m(means(wind, starts, stops), WIND_HEIGHT),
            "rain": np.where(covered(rain, starts, stops) >= FEEDS.whole_day, amounts(rain, starts, stops), np.nan),
            "rain_probability": greatest_share(chance, starts, stops) / 100.0,
        }
    )
    return table[spoken].reset_index(drop=True)


def _longest(data: Mapping[str, Any]) -> float:
    """Length of the longest period up to six hours an entry gives [s]: how long its values may stand at the end."""
    return max([length for name, length in PERIODS[:2] if name in data], default=0.0)


def _six_hourly(entries: list[tuple[float, Mapping[str, Any]]], name: str) -> Intervals:
    """Values over the six hours after each entry, where given."""
    rows = []
    for start, data in entries:
        value = number(((data.get("next_6_hours") or {}).get("details") or {}).get(name), name)
        rows.append((start, start + 21600.0, value))
    return Intervals.of(rows)


def _inside_one_day(intervals: Intervals, starts: np.ndarray, stops: np.ndarray) -> Intervals:
    """Those that do not reach over midnight: the extreme of one that does may lie on either side."""
    inside = ((intervals.start[:, None] >= starts) & (intervals.end[:, None] <= stops)).any(axis=1)
    return Intervals(intervals.start[inside], intervals.end[inside], intervals.value[inside])


def _precipitation(entries: list[tuple[float, Mapping[str, Any]]]) -> tuple[Intervals, Intervals]:
    """Amounts, each moment counted once, and probabilities over their periods [%]."""
    rain: list[tuple[float, float, float]] = []
    chance: list[tuple[float, float, float]] = []
    done = -np.inf
    for start, data in entries:
        for name, length in PERIODS:
            details = (data.get(name) or {}).get("details") or {}
            percent = number(details.get("probability_of_precipitation"), "probability_of_precipitation")
            chance.append((start, start + length, percent))
        if start < done - 1.0:
            continue
        for name, length in PERIODS:
            details = (data.get(name) or {}).get("details") or {}
            amount = number(details.get("precipitation_amount"), "precipitation_amount")
            if amount == amount:
                rain.append((start, start + length, amount))
                done = start + length
                break
    return Intervals.of(rain), Intervals.of(chance)
