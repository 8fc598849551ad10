"""Layers over intervals: one layer a variable, each value with its own interval.

The shape is that of raw gridpoint data of the US National Weather Service, as documented.

`validTime` is a start and an ISO 8601 duration; equal neighbouring values are merged, so durations differ. The day's
greatest temperature holds over the local afternoon, the least over the early morning; where one of the two layers is
missing the hourly temperature serves. An amount is divided over local days by overlap. Wind stands at 10 m.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from models.choices import FEEDS
from models.sky import wind_at_2m
from scheduler.errors import shown
from scheduler.feeds.bulletin import Bulletin, Refused, json_object, moment, number
from scheduler.feeds.local_days import (
    Intervals,
    amounts,
    at,
    covered,
    day_bounds,
    days_between,
    extremes,
    greatest_share,
    local_hour,
    means,
)
from scheduler.site.units import conversion

WIND_HEIGHT = 10.0  # [m]
AFTERNOON, MORNING = 14, 5  # clock hours that the layers of greatest and least temperature hold at
LONGEST = 2000  # values of one layer
UNITS = {"km_h-1": "km/h", "m_s-1": "m/s", "percent": "%", "degC": "degC", "degF": "degF", "mm": "mm"}
_DURATION = re.compile(r"P(?:(\d+)D)?(?:T(?:(\d+)H)?(?:(\d+)M)?(?:(\d+)S)?)?")


def read_interval_layers(data: bytes, zone: ZoneInfo) -> Bulletin:
    """Read a document of layers.

    Parameters
    ----------
    data : bytes
    zone : ZoneInfo   The site's, whose days are meant.

    Raises
    ------
    Refused   It is of another shape, or a unit is not known.
    """
    document = json_object(data)
    properties = document.get("properties")
    if not isinstance(properties, dict) or "updateTime" not in properties:
        raise Refused(f"it holds no layers{_said(document)}")
    highest, lowest = _layer(properties, "maxTemperature", "degC"), _layer(properties, "minTemperature", "degC")
    hourly = _layer(properties, "temperature", "degC")
    humidity, wind = _layer(properties, "relativeHumidity", "%"), _layer(properties, "windSpeed", "m/s")
    rain = _layer(properties, "quantitativePrecipitation", "mm")
    chance = _layer(properties, "probabilityOfPrecipitation", "%")
    layers = [i for i in (highest, lowest, hourly, humidity, wind, rain, chance) if i.value.size]
    if not layers:
        raise Refused("its layers hold no values")
    days = days_between(min(i.start.min() for i in layers), max(i.end.max() for i in layers), zone)
    starts, ends = day_bounds(days, zone)

    def whole(layer: Intervals, values: np.ndarray) -> np.ndarray:
        return np.where(covered(layer, starts, ends) >= FEEDS.whole_day, values, np.nan)

    low, high = (whole(hourly, v) for v in extremes(hourly, starts, ends))
    tmin = at(lowest, local_hour(days, MORNING, zone))
    tmax = at(highest, local_hour(days, AFTERNOON, zone))
    rhmin, rhmax = (whole(humidity, v) for v in extremes(humidity, starts, ends))
    table = pd.DataFrame(
        {
            "date": [d.isoformat() for d in days],
            "member": "",
            "tmin": np.where(np.isnan(tmin), low, tmin),
            "tmax": np.where(np.isnan(tmax), high, tmax),
            "rhmin": rhmin,
            "rhmax": rhmax,
            "wind": wind_at_2m(whole(wind, means(wind, starts, ends)), WIND_HEIGHT),
            "rain": whole(rain, amounts(rain, starts, ends)),
            "rain_probability": greatest_share(chance, starts, ends) / 100.0,
        }
    )
    known = table["tmin"].notna() & table["tmax"].notna()
    if not known.any():
        raise Refused("it holds no day with both temperatures")
    latitude, longitude = _place(document)
    return Bulletin(
        table[known].reset_index(drop=True),
        moment(properties["updateTime"], "updateTime"),
        latitude,
        longitude,
        ("no radiation is given; it is estimated from the temperatures",),
    )


def _said(document: Mapping[str, Any]) -> str:
    """The service's own words for a fault, where it gives some."""
    detail = document.get("detail") or document.get("title")
    return f"; the service answers: {shown(detail)}" if isinstance(detail, str) else ""


def _layer(properties: Mapping[str, Any], name: str, inside: str) -> Intervals:
    """Values of one layer in the inside unit, empty where it is not there."""
    layer = properties.get(name)
    if layer is None:
        return Intervals.of([])
    if not isinstance(layer, dict) or not isinstance(layer.get("values"), list) or len(layer["values"]) > LONGEST:
        raise Refused(f"the layer {name} holds no list of values")
    written = str(layer.get("uom", f"wmoUnit:{inside}")).rpartition(":")[2]
    try:
        scale = conversion(UNITS.get(written, written), inside)
    except ValueError as reason:
        raise Refused(f"the unit of {name}, {shown(layer.get('uom'))!r}, is not known") from reason
    found = Intervals.of([(*_interval(row, name), number(row.get("value"), name)) for row in layer["values"]])
    return Intervals(found.start, found.end, scale.column(found.value))


def _interval(row: object, name: str) -> tuple[float, float]:
    """Start and end of a value [s]."""
    text = row.get("validTime") if isinstance(row, dict) else None
    start, slash, duration = str(text).partition("/")
    match = _DURATION.fullmatch(duration)
    if not slash or match is None or not any(match.groups()):
        raise Refused(f"{name} holds the interval {shown(text)!r}; a start and a duration are expected")
    days, hours, minutes, seconds = (int(part or 0) for part in match.groups())
    begin = moment(start, name).timestamp()
    return begin, begin + 86400.0 * days + 3600.0 * hours + 60.0 * minutes + seconds


def _place(document: Mapping[str, Any]) -> tuple[float | None, float | None]:
    """Middle of the grid cell the document is for, as latitude and longitude."""
    geometry = document.get("geometry") or {}
    ring = geometry.get("coordinates") or []
    try:
        if geometry.get("type") == "Point":
            return number(ring[1], "latitude"), number(ring[0], "longitude")
        corners = np.array(ring[0][:-1], dtype=float)
        return float(corners[:, 1].mean()), float(corners[:, 0].mean())
    except (IndexError, TypeError, ValueError):
        return None, None
