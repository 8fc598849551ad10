"""Whole columns in another unit, or dates in another form: said once, with what to type.

A column that names no unit and whose values, taken together, cannot be in the unit meant for it is refused in one line.
To name the unit ends the doubt, also where the values are truly that unusual. What is only unlikely is a note.
All bounds are our choice.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from scheduler.site.cells import Column

FEWEST = 3  # known values from which a column is judged
# (file, column): units it may be in instead, each with the lowest and highest median as written that is taken as such
OTHER_UNITS = {
    "tmin": (("degF", 38.0, 110.0),),  # no place has such nights in degC
    "tmax": (("degF", 46.0, 140.0),),
    "temperature": (("degF", 46.0, 120.0),),
    "solar": (("W/m2", 50.0, 380.0), ("langley", 380.0, 900.0)),  # MJ/m2/d end at 50
    "eto": (("in", 0.02, 0.45),),
    "ec": (("uS/cm", 100.0, 40_000.0),),
    "ece": (("uS/cm", 200.0, 60_000.0),),
    "root_depth": (("mm", 121.0, 800.0),),  # FAO-56 Table 22: turf roots to 100 cm
    "application_rate": (("in/h", 0.15, 1.9),),
}
AREAS = {  # m2 of one zone, from which a column of areas is taken as ft2
    "green": 1_900.0, "tee": 1_500.0, "approach": 2_200.0, "fairway": 7_000.0, "rough": 8_000.0, "pitch": 6_000.0,
    "landscape": 3_000.0,
}  # fmt: skip
LARGE_FLOW = 18.0  # [L/s] median of the zones from which flows may be in gal/min
RATES = (2.5, 75.0)  # [mm/h] of sprinklers
FITTING_RATE = 6.0  # [mm/h] from which areas fit their flows: with areas in ft2 read as m2 65 mm/h would look like this
WET_DAYS, INCHES_AT_MOST, INCHES_MEAN = 8, 4.0, 1.0  # rain in inches: so many wet days, none above, their mean below
FEWEST_WINDS, STORMY = 20, 8.0  # days from which a mean wind is judged; median [m/s] that no place keeps for so long
SWING = 20.0  # median of tmax - tmin from which degrees are degF
_OTHER_DATE = re.compile(r"(\d{1,4})([./-])(\d{1,2})\2(\d{2,4})(.*)")


def other_unit(column: Column, written: np.ndarray) -> str:
    """Give the unit the values of a column without a unit seem to be in, "" where they fit.

    Parameters
    ----------
    column : Column
    written : ndarray (R,)   Values as written.
    """
    known = written[np.isfinite(written)]
    if column.name not in OTHER_UNITS or known.size < FEWEST:
        return ""
    middle = float(np.median(known)) if column.name != "eto" else float(np.quantile(known, 0.9))
    return next((unit for unit, low, high in OTHER_UNITS[column.name] if low <= middle <= high), "")


def unit_words(column: Column, unit: str, written: np.ndarray) -> str:
    """Say it, and what to type."""
    known = written[np.isfinite(written)]
    meant = column.written_unit or "fraction"
    return (
        f"the header names no unit and {meant} is meant, but its {known.size:,} values run from {known.min():.6g} to "
        f'{known.max():.6g}, as in {unit}; write the header as "{column.name} [{unit}]", or as '
        f'"{column.name} [{meant}]" if it is so'
    )


def areas_in_feet(surface: np.ndarray, area: np.ndarray) -> bool:
    """Whether areas without a unit, told as m2, are those of zones in ft2: most are larger than a zone ever is."""
    large = np.array([AREAS.get(s, np.inf) for s in surface])
    known = np.isfinite(area) & np.isfinite(large)
    return bool(known.sum() >= FEWEST and np.mean(area[known] > large[known]) > 0.6)


def flows_in_gallons(surface: np.ndarray, flow: np.ndarray, area: np.ndarray) -> bool:
    """Whether flows without a unit, told as L/s, are gal/min: large, and not for areas [m2] that ask for such flows.

    Areas in ft2 beside flows in gal/min make rates that look usual, so areas larger than zones are bear no witness.
    """
    known = flow[np.isfinite(flow)]
    if known.size < FEWEST or np.median(known) < LARGE_FLOW:
        return False
    return areas_in_feet(surface, area) or not rates_fit(flow, area)


def rates_fit(flow: np.ndarray, area: np.ndarray) -> bool:
    """Whether flows [L/s] and areas [m2] as read make usual rates: areas in ft2 would make a tenth of them."""
    rate = _rates(flow, area)
    return bool(rate.size and FITTING_RATE <= np.median(rate) <= RATES[1])


def _rates(flow: np.ndarray, area: np.ndarray) -> np.ndarray:
    """Rates [mm/h] of the zones whose flow and area are known."""
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = 3600.0 * flow / area
    known: np.ndarray = rate[np.isfinite(rate)]
    return known


def flow_or_area(flow: np.ndarray, area: np.ndarray) -> str:
    """Which column is in another unit by the rates that flow and area make: "flow", "area" or "".

    Parameters
    ----------
    flow, area : ndarray (Z,)   As read: L/s, m2.
    """
    known = _rates(flow, area)
    if known.size < FEWEST:
        return ""
    middle = float(np.median(known))
    if middle > 1.6 * RATES[1] and RATES[0] <= middle * 0.0630902 <= RATES[1]:
        return "flow"
    return "area" if middle < RATES[0] and RATES[0] <= middle / 0.09290304 <= RATES[1] else ""


def rain_in_inches(rain: np.ndarray) -> bool:
    """Whether rain without a unit reads like inches: many wet days, and none of them more than a drizzle in mm."""
    wet = rain[np.isfinite(rain) & (rain > 0)]
    return bool(wet.size >= WET_DAYS and wet.max() <= INCHES_AT_MOST and wet.mean() <= INCHES_MEAN)


def other_dates(texts: Sequence[str]) -> str:
    """Say how a column writes its dates, and how they are written here; "" where not all are of one other form.

    >>> other_dates(["5/31/2026", "6/1/2026"])
    'dates like "5/31/2026" are written 2026-05-31 here; in a spreadsheet, give the cells the format yyyy-mm-dd'
    >>> other_dates(["2026-05-31"]), other_dates(["soon", "6/1/2026"])
    ('', '')
    """
    filled = [t for t in texts if t]
    found = [_OTHER_DATE.fullmatch(t) for t in filled]
    if len(filled) < 2 or None in found or any(len(m[1]) == 4 and m[2] == "-" and len(m[3]) == 2 for m in found if m):
        return ""
    parts = [(m[1], m[3], m[4], m[5]) for m in found if m]
    if all(len(a) == 4 for a, *_ in parts):
        order = (0, 1, 2)
    elif any(int(b) > 12 for _, b, *_ in parts):
        order = (2, 0, 1)
    elif any(int(a) > 12 for a, *_ in parts) or "." in filled[0]:
        order = (2, 1, 0)
    else:
        order = (2, 0, 1)
    best = max(range(len(parts)), key=lambda i: max(int(parts[i][0][:2]), int(parts[i][1])))
    year, month, day = (int(parts[best][k]) for k in order)
    if not (1 <= month <= 12 and 1 <= day <= 31):
        return ""
    iso = f"{year + 2000 if year < 100 else year:04d}-{month:02d}-{day:02d}"
    clock = re.fullmatch(r"[ T]+(\d{1,2}):(\d{2}).*", parts[best][3])
    form = "yyyy-mm-dd" + (" hh:mm" if parts[best][3].strip() else "")
    iso += f"T{int(clock[1]):02d}:{clock[2]}" if clock else ""
    return f'dates like "{filled[best]}" are written {iso} here; in a spreadsheet, give the cells the format {form}'
