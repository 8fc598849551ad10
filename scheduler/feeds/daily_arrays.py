"""Daily arrays: a JSON object with dates and one array a variable (/v1/forecast of Open-Meteo, as documented).

`daily.time` holds ISO dates, local to `timezone`; `daily_units` names the unit of each array; null is not known; wind
stands at 10 m. A suffix behind a variable's name is one member or one model. The document names no time of update.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from models.sky import wind_at_2m
from scheduler.errors import shown
from scheduler.feeds.bulletin import Bulletin, Refused, json_object, number
from scheduler.site.units import conversion

WIND_HEIGHT = 10.0  # [m]
# Variable of the document -> column, inside unit, its unit where the document names none.
VARIABLES: Mapping[str, tuple[str, str, str]] = {
    "temperature_2m_max": ("tmax", "degC", "degC"),
    "temperature_2m_min": ("tmin", "degC", "degC"),
    "relative_humidity_2m_max": ("rhmax", "%", "%"),
    "relative_humidity_2m_min": ("rhmin", "%", "%"),
    "relative_humidity_2m_mean": ("rh", "%", "%"),
    "wind_speed_10m_mean": ("wind", "m/s", "km/h"),
    "shortwave_radiation_sum": ("solar", "MJ/m2/d", "MJ/m2"),
    "sunshine_duration": ("sunshine", "h", "s"),
    "precipitation_sum": ("rain", "mm", "mm"),
    "precipitation_probability_max": ("rain_probability", "", "%"),
    "et0_fao_evapotranspiration": ("eto", "mm", "mm"),
}
UNITS = {"mp/h": "mph", "kn": "knot", "MJ/m²": "MJ/m2", "wmo code": ""}
LONGEST = 60  # dates of one document


def read_daily_arrays(data: bytes, time_zone: str) -> Bulletin:
    """Read a document of daily arrays.

    Parameters
    ----------
    data : bytes
    time_zone : str   Name of the site's time zone, whose days are meant.

    Raises
    ------
    Refused   It says an error, is of another shape, or its units are not known.
    """
    document = json_object(data)
    if document.get("error"):
        raise Refused(f"the service answers: {shown(document.get('reason', 'an error without a reason'))}")
    daily, units = document.get("daily"), document.get("daily_units") or {}
    if not isinstance(daily, dict) or not isinstance(units, dict) or not isinstance(daily.get("time"), list):
        raise Refused('it holds no "daily" arrays with their "time"')
    dates = [_date(text) for text in daily["time"]]
    if not 0 < len(dates) <= LONGEST:
        raise Refused(f"it holds {len(dates)} dates; 1 to {LONGEST} are expected")
    if len(set(dates)) < len(dates):
        raise Refused("a date stands in it twice")
    members = _members(daily)
    if not members:
        raise Refused("it holds none of the variables that a forecast needs")
    shared = members.pop("", {})
    tables = [
        _rows(shared | own, daily, units, dates, member)
        for member, own in (sorted(members.items()) if members else [("", {})])
    ]
    if members and {"tmax", "tmin"} <= {VARIABLES[v][0] for v in shared}:
        tables.insert(0, _rows(shared, daily, units, dates, "control"))
    notes = ["no time of update is named; the time of the answer is taken"]
    zone = document.get("timezone")
    if isinstance(zone, str) and zone != time_zone:
        notes.append(f"its days are those of {shown(zone)}, not of {time_zone}: ask for timezone={time_zone}")
    return Bulletin(
        pd.concat(tables, ignore_index=True),
        None,
        number(document.get("latitude"), "latitude"),
        number(document.get("longitude"), "longitude"),
        tuple(notes),
    )


def _date(text: object) -> date:
    try:
        return date.fromisoformat(str(text))
    except ValueError as reason:
        raise Refused(f'daily.time holds "{shown(text)}", which is no date') from reason


def _members(daily: Mapping[str, Any]) -> dict[str, dict[str, str]]:
    """Array of each variable, by member: {"": {variable: name of the array}, "member01": ...}."""
    found: dict[str, dict[str, str]] = {}
    for name in daily:
        for variable in VARIABLES:
            if name == variable or name.startswith(f"{variable}_"):
                member = re.sub(r"[^A-Za-z0-9_.-]", "_", name[len(variable) + 1 :])
                found.setdefault(member, {})[variable] = name
    return found


def _rows(
    arrays: Mapping[str, str], daily: Mapping[str, Any], units: Mapping[str, Any], dates: list[date], member: str
) -> pd.DataFrame:
    """Rows of one member."""
    columns: dict[str, Any] = {"date": [d.isoformat() for d in dates], "member": member}
    for variable, name in arrays.items():
        column, inside, default = VARIABLES[variable]
        values = daily[name]
        if not isinstance(values, list) or len(values) != len(dates):
            raise Refused(f"{name} does not hold one value a date")
        written = units.get(name, units.get(variable, default))
        try:
            unit = UNITS.get(str(written), str(written))
            scale = conversion(unit, inside) if inside or unit == "%" else conversion("fraction", inside)
        except ValueError as reason:
            raise Refused(f"the unit of {name}, {shown(written)!r}, is not known") from reason
        columns[column] = scale.column(np.array([number(v, name) for v in values]))
    table = pd.DataFrame(columns)
    if "wind" in table:
        table["wind"] = wind_at_2m(table["wind"].to_numpy(float), WIND_HEIGHT)
    return table
