"""From the units inside to the words on a sheet: the only place where numbers become text for people.

Everything inside is SI as the trade uses it; a site asks for `us` or `metric`. Rounding is for reading, never for
calculating: about three figures for volumes, one step finer than a manager would act on for depths.

Functions take a number in the unit inside and return text with its unit. A value that is not known (None, NaN) prints
as a dash.
"""

from __future__ import annotations

import math
import re
from datetime import date, datetime, timedelta

from scheduler.site.units import conversion

DASH = "–"  # not known
ACRE_FT_ABOVE = 10.0  # [acre-ft] below this a manager thinks in gallons; common practice, no source
ACRES_ABOVE = 1.0  # [acre]
HECTARES_ABOVE = 1.0  # [ha]

MS_OF_MPH = 0.44704  # [m/s] one mile an hour; exact

UNIT_SYSTEMS = ("us", "metric")


def format_depth(mm: float | None, units: str) -> str:
    """Depth of water: `format_depth(6.1, "us")` is `0.24 in`.

    >>> format_depth(6.1, "us"), format_depth(6.1, "metric")
    ('0.24 in', '6.1 mm')
    """
    if _is_us(units):
        return _with_unit(mm, _per("in", "mm"), 2, "in")
    return _with_unit(mm, 1.0, 1, "mm")


def format_probe_depth(cm: float, units: str) -> str:
    """Depth at which a probe stands.

    >>> format_probe_depth(18.0, "us"), format_probe_depth(18.0, "metric")
    ('7.1 in', '18 cm')
    """
    return f"{cm / 2.54:.1f} in" if units == "us" else f"{cm:.0f} cm"


def format_volume(m3: float | None, units: str, beside: float | None = None) -> str:
    """Volume of water; gallons until acre-feet read better, or the unit in which the volume `beside` it [m3] prints.

    >>> format_volume(700, "us"), format_volume(74000, "us"), format_volume(1840.4, "metric")
    ('185,000 gal', '60.0 acre-ft', '1,840 m³')
    >>> format_volume(700, "us", beside=74000)
    '0.57 acre-ft'
    """
    if m3 is None or not math.isfinite(m3):
        return DASH
    if _is_us(units):
        if abs(m3 if beside is None else beside) * _per("acre_foot", "m3") >= ACRE_FT_ABOVE:
            return f"{_figures(m3 * _per('acre_foot', 'm3'), 3)} acre-ft"
        return f"{_figures(m3 * _per('gal', 'm3'), 3, 0)} gal"
    return f"{_figures(m3, 4, 1)} m³"


def format_flow(lps: float | None, units: str) -> str:
    """Flow: `gal/min` or `L/s`.

    >>> format_flow(69.4, "us"), format_flow(69.4, "metric")
    ('1,100 gal/min', '69.4 L/s')
    """
    if _is_us(units):
        return _with_unit(lps, _per("gal/min", "L/s"), 0, "gal/min")
    return _with_unit(lps, 1.0, 1, "L/s")


def format_head(m: float | None, units: str) -> str:
    """Head of water: `ft` or `m`.

    >>> format_head(84.37, "us"), format_head(84.37, "metric")
    ('277 ft', '84.4 m')
    """
    if _is_us(units):
        return _with_unit(m, _per("ft", "m"), 0, "ft")
    return _with_unit(m, 1.0, 1, "m")


def format_area(m2: float | None, units: str) -> str:
    """Area: square feet or acres, square metres or hectares.

    >>> format_area(540, "us"), format_area(25000, "metric")
    ('5,813 ft²', '2.50 ha')
    """
    if m2 is None or not math.isfinite(m2):
        return DASH
    if _is_us(units):
        return (
            f"{m2 * _per('acre', 'm2'):,.2f} acres"
            if m2 * _per("acre", "m2") >= ACRES_ABOVE
            else f"{m2 * _per('ft2', 'm2'):,.0f} ft²"
        )
    return f"{m2 / 1e4:,.2f} ha" if m2 / 1e4 >= HECTARES_ABOVE else f"{m2:,.0f} m²"


def format_rate(mm_per_hour: float | None, units: str) -> str:
    """Application or infiltration rate.

    >>> format_rate(15.24, "us"), format_rate(15.24, "metric")
    ('0.60 in/h', '15.2 mm/h')
    """
    if _is_us(units):
        return _with_unit(mm_per_hour, _per("in", "mm"), 2, "in/h")
    return _with_unit(mm_per_hour, 1.0, 1, "mm/h")


def format_duration(minutes: float | None) -> str:
    """Length of time, to the second below an hour and to the minute above.

    >>> format_duration(7), format_duration(7.5), format_duration(0.5), format_duration(1300)
    ('7 min', '7 min 30 s', '30 s', '21 h 40 min')
    """
    if minutes is None or not math.isfinite(minutes):
        return DASH
    seconds = round(minutes * 60)
    if seconds >= 3600:
        hours, rest = divmod(round(seconds / 60), 60)
        return f"{hours:,} h {rest} min" if rest else f"{hours:,} h"
    whole, rest = divmod(seconds, 60)
    return f"{whole} min" if not rest else (f"{whole} min {rest} s" if whole else f"{rest} s")


def format_money(amount: float | None, currency: str) -> str:
    """Money as `184 USD`; a one-character sign goes in front; below 100 with two decimals.

    >>> format_money(1841.5, "USD"), format_money(18.4, "$")
    ('1,842 USD', '$18.40')
    """
    if amount is None or not math.isfinite(amount):
        return DASH
    text = f"{amount:,.2f}" if abs(amount) < 100 else f"{amount:,.0f}"
    return f"{currency}{text}" if len(currency) == 1 else f"{text} {currency}".rstrip()


def format_energy_price(per_kwh: float | None, currency: str) -> str:
    """Price of energy, to the tenth of a cent.

    >>> format_energy_price(0.298, "USD"), format_energy_price(0.17, "$")
    ('0.298 USD/kWh', '$0.170/kWh')
    """
    if per_kwh is None or not math.isfinite(per_kwh):
        return DASH
    text = f"{per_kwh:,.3f}"
    return f"{currency}{text}/kWh" if len(currency) == 1 else f"{text} {currency}".rstrip() + "/kWh"


def format_energy(kwh: float | None) -> str:
    """Energy, the same everywhere."""
    return _with_unit(kwh, 1.0, 0, "kWh")


def format_salinity(ds_per_m: float | None) -> str:
    """Electrical conductivity, the same everywhere."""
    return _with_unit(ds_per_m, 1.0, 1, "dS/m")


def format_temperature(deg_c: float | None, units: str) -> str:
    """Temperature to the degree.

    >>> format_temperature(32, "us"), format_temperature(32, "metric")
    ('90 °F', '32 °C')
    """
    if _is_us(units):
        return DASH if deg_c is None else _with_unit(deg_c * 9 / 5 + 32, 1.0, 0, "°F")
    return _with_unit(deg_c, 1.0, 0, "°C")


def format_wind(metres_per_second: float | None, units: str) -> str:
    """Wind speed to one decimal, in mph to the whole.

    >>> format_wind(4.47, "us"), format_wind(4.47, "metric")
    ('10 mph', '4.5 m/s')
    """
    if _is_us(units):
        return _with_unit(metres_per_second, 1.0 / MS_OF_MPH, 0, "mph")
    return _with_unit(metres_per_second, 1.0, 1, "m/s")


def format_percent(share: float | None) -> str:
    """Share 0-1 as whole percent."""
    return DASH if share is None or not math.isfinite(share) else f"{share * 100:,.0f} %"


def format_count(number: int) -> str:
    """Whole number with thousands separators."""
    return f"{number:,d}"


def format_time(moment: datetime, units: str) -> str:
    """Time of day on the wall clock of the site.

    >>> format_time(datetime(2026, 7, 14, 22, 5), "us"), format_time(datetime(2026, 7, 14, 22, 5), "metric")
    ('10:05 pm', '22:05')
    """
    if _is_us(units):
        return f"{(moment.hour % 12) or 12}:{moment.minute:02d} {'am' if moment.hour < 12 else 'pm'}"
    return f"{moment.hour:02d}:{moment.minute:02d}"


def format_date(day: date, units: str) -> str:
    """Date with its weekday, in English whatever the machine's language.

    >>> format_date(date(2026, 7, 14), "us"), format_date(date(2026, 7, 14), "metric")
    ('Tuesday, July 14, 2026', 'Tuesday 14 July 2026')
    """
    weekday, month = WEEKDAYS[day.weekday()], MONTHS[day.month - 1]
    if _is_us(units):
        return f"{weekday}, {month} {day.day}, {day.year}"
    return f"{weekday} {day.day} {month} {day.year}"


def format_short_date(day: date, units: str) -> str:
    """Date for a table.

    >>> format_short_date(date(2026, 7, 14), "us"), format_short_date(date(2026, 7, 14), "metric")
    ('Tue Jul 14', 'Tue 14 Jul')
    """
    weekday, month = WEEKDAYS[day.weekday()][:3], MONTHS[day.month - 1][:3]
    return f"{weekday} {month} {day.day}" if _is_us(units) else f"{weekday} {day.day} {month}"


def format_day_after(night: date, units: str) -> str:
    """The date after a night, by whose end a zone of that night's plan is dry or not.

    >>> format_day_after(date(2026, 7, 14), "us")
    'Wed Jul 15'
    """
    return format_short_date(night + timedelta(days=1), units)


WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def flow_scale(units: str) -> float:
    """Flow in the site's unit per L/s, for drawing an axis with round marks."""
    return _per("gal/min", "L/s") if _is_us(units) else 1.0


def volume_scale(units: str) -> float:
    """Volume for an axis per m3: thousands of gallons, or m3."""
    return _per("gal", "m3") / 1000.0 if _is_us(units) else 1.0


def _per(unit: str, inside: str) -> float:
    """Units of `unit` in one unit inside, for example inches in a millimetre."""
    return 1 / conversion(unit, inside).factor


def _is_us(units: str) -> bool:
    if units not in UNIT_SYSTEMS:
        raise ValueError(f'units: read "{units}"; allowed: "us", "metric"')
    return units == "us"


def _with_unit(value: float | None, scale: float, decimals: int, unit: str) -> str:
    if value is None or not math.isfinite(value):
        return DASH
    number = round(value * scale, decimals) + 0.0  # + 0.0: no "-0.0" on a sheet
    return f"{number:,.{decimals}f} {unit}"


def _figures(value: float, figures: int, most_decimals: int = 2) -> str:
    """Give `value` with about so many significant figures, thousands separators, and no more decimals than asked."""
    if value == 0:
        return "0"
    lead = math.floor(math.log10(abs(value))) + 1
    decimals = figures - lead
    shown = round(value, min(decimals, most_decimals)) + 0.0
    return f"{shown:,.{max(0, min(decimals, most_decimals))}f}"


def natural_key(text: str) -> tuple[tuple[int, int | str], ...]:
    """Sort key that puts "Green 2" before "Green 10".

    >>> sorted(["Green 10", "Green 2", "9"], key=natural_key)
    ['9', 'Green 2', 'Green 10']
    """
    pieces = re.findall(r"[0-9]+|[^0-9]+", text.casefold())
    return tuple((0, int(p)) if p[0] in "0123456789" else (1, p) for p in pieces)


def wall(moment: datetime) -> datetime:
    """Give a local time as the clock on site shows it."""
    return moment.replace(tzinfo=None)
