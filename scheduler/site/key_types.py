"""What a key of site.toml, or of a case, may hold: quantities, prices, names, clock times, dates, lists.

Quantities are numbers in the default unit or texts with a unit; fields hold the inside unit. Messages of a field say
what is allowed.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, datetime, time
from typing import Annotated, Any

from pydantic import BeforeValidator

from scheduler.errors import listing, near_miss, shown
from scheduler.site.cells import FIRST_YEAR, LAST_YEAR, LONGEST_ID, Column, bound_words
from scheduler.site.records import SURFACES, WEEKDAYS
from scheduler.site.units import Linear, conversion, price_per, quantity

_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::00)?", re.ASCII)
DATABASES = ("sqlite", "postgresql", "postgres")
SERIES = ("weather", "forecast", "probes", "probe_sites", "applied", "calendar", "samples", "meter", "edits")
_WEEKDAY_SETS = {"weekdays": range(5), "weekend": range(5, 7)}


def quantity_key(unit: str, default: str | None = None, **limits: Any) -> Any:
    """Give the type of a quantity with limits in its inside unit."""
    column = Column("", unit=unit, default_unit=default, **limits)
    written = Linear(1.0) if default is None or default == unit else conversion(default, unit)
    of_unit = f" [{column.written_unit}]" if column.written_unit and not column.example else ""

    def read(value: Any) -> float:
        try:
            number = quantity(value, unit, default)
        except ValueError as reason:
            raise ValueError(str(reason)) from None
        import numpy as np

        if column.outside(np.array([number]))[0]:
            raise ValueError(bound_words(column, written, number > 0) + of_unit)
        return number

    return Annotated[float, BeforeValidator(read)]


def price_key(per: str, *, negative: bool = False) -> Any:
    """Give the type of a price per unit."""

    def read(value: Any) -> float:
        price = price_per(value, per)
        if price < 0 and not negative:
            raise ValueError("a price of 0 or more is allowed")
        return price

    return Annotated[float, BeforeValidator(read)]


def read_text(longest: int) -> Callable[[Any], str]:
    """Give a reader of texts without control characters, not longer than that."""

    def read(value: Any) -> str:
        if not isinstance(value, str) or not value.strip():
            raise ValueError("a text is needed")
        text = value.strip()
        if len(text) > longest or not text.isprintable():
            raise ValueError(f"a text of at most {longest} characters, without control characters, is allowed")
        return text

    return read


def read_words(value: Any) -> tuple[str, ...]:
    """Read one text or a list of texts."""
    listed = [value] if isinstance(value, str) else value
    if not isinstance(listed, list) or not all(isinstance(v, str) and v.strip() for v in listed):
        raise ValueError('a text, or a list of texts like ["one", "two"], is allowed')
    return tuple(read_text(2000)(v) for v in listed)


def read_database(value: Any) -> str:
    """Read a path, or a URL of a database that can hold the ledger."""
    text = read_text(500)(value)
    kind, mark, _ = text.partition("://")
    if mark and kind.split("+")[0] not in DATABASES:
        raise ValueError(f"a path of a SQLite file, or a URL of {listing(DATABASES)} is allowed")
    return text


def read_whole(low: int, high: int) -> Callable[[Any], int]:
    """Give a reader of whole numbers within limits, both allowed."""

    def read(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise ValueError(f"a whole number from {low} to {high} is allowed")
        return value

    return read


def read_clock(value: Any) -> int:
    """Read a clock time as minutes after 00:00; raises ValueError.

    Examples
    --------
    >>> read_clock("21:30"), read_clock("24:00")
    (1290, 1440)
    """
    if isinstance(value, time) and not value.second and value.tzinfo is None:
        return value.hour * 60 + value.minute
    match = _CLOCK.fullmatch(value.strip()) if isinstance(value, str) else None
    if match:
        hours, minutes = int(match[1]), int(match[2])
        if minutes < 60 and (hours < 24 or (hours == 24 and minutes == 0)):
            return hours * 60 + minutes
    half = re.fullmatch(r"(\d{1,2})(?::(\d{2}))?\s*([ap])\.?m\.?", str(value).strip().casefold(), re.ASCII)
    if half and 1 <= int(half[1]) <= 12:
        meant = f"{int(half[1]) % 12 + 12 * (half[3] == 'p'):02d}:{half[2] or '00'}"
        raise ValueError(f'a time of 24 hours is allowed: write "{meant}"')
    raise ValueError("a time like 21:30 is allowed, from 00:00 to 24:00")


def _read_span(value: Any) -> tuple[int, int]:
    """Read a span of clock time, "18:00-06:00" or ["18:00", "06:00"]; the end passes 1440 if it is the next day."""
    words = 'a span like "18:00-06:00" is allowed'
    parts = re.split(r"\s*[-–]\s*", value.strip()) if isinstance(value, str) else value
    if not isinstance(parts, (list, tuple)) or len(parts) != 2:
        raise ValueError(words)
    try:
        start, end = read_clock(parts[0]), read_clock(parts[1])
    except ValueError as reason:
        raise ValueError(f"{words}; {reason}") from None
    start %= 1440
    return start, end if end > start else end + 1440


def _read_spans(value: Any) -> tuple[tuple[int, int], ...]:
    if isinstance(value, str) or (
        isinstance(value, list) and len(value) == 2 and not any(isinstance(v, list) or "-" in str(v) for v in value)
    ):
        value = [value]
    if not isinstance(value, list) or not value:
        raise ValueError('a list of spans like ["18:00-06:00"] is allowed')
    return tuple(_read_span(span) for span in value)


def _read_date(value: Any) -> date:
    if isinstance(value, datetime):
        raise ValueError("a date like 2026-07-14, without a time, is allowed")
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d{2}-\d{2}", value.strip(), re.ASCII):
        try:
            value = date.fromisoformat(value.strip())
        except ValueError:
            value = None
    if not isinstance(value, date) or not FIRST_YEAR <= value.year <= LAST_YEAR:
        raise ValueError("a date like 2026-07-14 is allowed")
    return value


def _read_weekdays(value: Any) -> frozenset[int]:
    if isinstance(value, str):
        value = [value]
    if not isinstance(value, list):
        raise ValueError('a list of weekdays like ["Monday", "Thursday"] is allowed')
    days: set[int] = set()
    for name in value:
        key = name.strip().casefold() if isinstance(name, str) else ""
        if key in _WEEKDAY_SETS:
            days |= set(_WEEKDAY_SETS[key])
        elif key.capitalize() in WEEKDAYS:
            days.add(WEEKDAYS.index(key.capitalize()))
        else:
            allowed = f'allowed: {listing(WEEKDAYS)}, "weekdays", "weekend"{near_miss(key, WEEKDAYS)}'
            raise ValueError(f'"{shown(name)}" is no weekday; {allowed}')
    return frozenset(days)


def _read_surfaces(value: Any) -> frozenset[str]:
    value = [value] if isinstance(value, str) else value
    if not isinstance(value, list) or not value:
        raise ValueError(f"a list of surfaces is allowed: {listing(SURFACES)}")
    for name in value:
        if name not in SURFACES:
            raise ValueError(
                f'"{shown(name)}" is no surface; allowed: {listing(SURFACES)}{near_miss(str(name), SURFACES)}'
            )
    return frozenset(value)


def read_above(value: Any) -> float | str:
    """Read a tier's threshold: a share of the volume, or a text with a unit of volume kept for later."""
    if isinstance(value, str):
        try:
            quantity(value, "m3")
            if not re.fullmatch(r"\s*\S+\s*", value) or re.search(r"[A-Za-z]", value.lstrip("+-0123456789.eE")):
                return value
        except ValueError:
            pass
    share = quantity(value, "")
    if not 0 <= share <= 10:
        raise ValueError("a share of the volume from 0 to 10 is allowed, for example 1.0")
    return share


def _read_curve(value: Any) -> tuple[tuple[float, float, float | None], ...]:
    """Read the points of a pump curve as (flow [L/s], head [m], efficiency [-] or None)."""
    example = '[["0 L/s", "70 m", 0.5], ["30 L/s", "45 m", 0.7]]'
    words = f"a list of two points or more, each [flow, head] or [flow, head, efficiency], is allowed, as {example}"
    if not isinstance(value, list) or len(value) < 2:
        raise ValueError(words)
    points: list[tuple[float, float, float | None]] = []
    for i, point in enumerate(value, start=1):
        if not isinstance(point, list) or len(point) not in (2, 3):
            raise ValueError(f"point {i}: {words}")
        try:
            flow, head = quantity(point[0], "L/s"), quantity(point[1], "m")
            efficiency = quantity(point[2], "") if len(point) == 3 else None
        except ValueError as reason:
            raise ValueError(f"point {i}: {reason}") from None
        if not 0 <= flow <= 20000 or not 0 <= head <= 1000:
            raise ValueError(f"point {i}: a flow from 0 to 20000 L/s and a head from 0 to 1000 m are allowed")
        if efficiency is not None and not (0 < efficiency <= 1 or (efficiency == 0 and flow == 0)):
            raise ValueError(f"point {i}: an efficiency above 0, at most 1, is allowed (0 only without flow)")
        if points and flow <= points[-1][0]:
            raise ValueError(f"point {i}: its flow must be above that of the point before")
        if points and head > points[-1][1]:
            raise ValueError(f"point {i}: its head must not be above that of the point before")
        points.append((flow, head, efficiency))
    if len({e is None for _, _, e in points}) > 1:
        raise ValueError("the efficiency is needed at every point or at none")
    return tuple(points)


Name = Annotated[str, BeforeValidator(read_text(LONGEST_ID))]
Words = Annotated[tuple[str, ...], BeforeValidator(read_words)]
Clock = Annotated[int, BeforeValidator(read_clock)]
Spans = Annotated[tuple[tuple[int, int], ...], BeforeValidator(_read_spans)]
Day = Annotated[date, BeforeValidator(_read_date)]
Weekdays = Annotated[frozenset[int], BeforeValidator(_read_weekdays)]
Surfaces = Annotated[frozenset[str], BeforeValidator(_read_surfaces)]
Share = quantity_key("", low=0, high=1)
Curve = Annotated[tuple[tuple[float, float, float | None], ...], BeforeValidator(_read_curve)]


def read_profile(value: Any) -> str:
    """Read the name of an export profile."""
    if (
        not isinstance(value, str)
        or not re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,63}", value, re.ASCII)
        or ".." in value
    ):
        raise ValueError("a plain name of letters, digits, hyphens and underscores is allowed, not a path")
    return value


def read_series(value: Any) -> frozenset[str]:
    """Read the names of files that hold invented samples."""
    words = f"a list of these is allowed: {listing(SERIES)}"
    if not isinstance(value, list):
        raise ValueError(words)
    names = [str(v).removesuffix(".csv") for v in value]
    for name in names:
        if name not in SERIES:
            raise ValueError(f'"{shown(name)}" is no series of a site; {words}{near_miss(name, SERIES)}')
    return frozenset(names)
