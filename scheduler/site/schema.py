"""site.toml: what each key may be. How tables refer to each other is checked in `scheduler.site.settle`.

Quantities are numbers in the default unit or texts with a unit; fields hold the inside unit. Messages of a field say
what is allowed.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, datetime, time
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from models.allowance import ADJUSTMENT_FACTOR, SPECIAL_FACTOR
from scheduler.errors import listing, near_miss, shown
from scheduler.site.cells import FIRST_YEAR, LAST_YEAR, LONGEST_ID, Column, bound_words
from scheduler.site.records import SURFACES, WEEKDAYS
from scheduler.site.units import Linear, conversion, price_per, quantity

METER_ERROR = 0.02  # [-] of what a meter in service shows; common practice, no source
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::00)?", re.ASCII)
DATABASES = ("sqlite", "postgresql", "postgres")
SERIES = ("weather", "forecast", "probes", "probe_sites", "applied", "calendar", "samples", "meter", "edits")
_WEEKDAY_SETS = {"weekdays": range(5), "weekend": range(5, 7)}


def _quantity(unit: str, default: str | None = None, **limits: Any) -> Any:
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


def _price(per: str, *, negative: bool = False) -> Any:
    """Give the type of a price per unit."""

    def read(value: Any) -> float:
        price = price_per(value, per)
        if price < 0 and not negative:
            raise ValueError("a price of 0 or more is allowed")
        return price

    return Annotated[float, BeforeValidator(read)]


def _read_text(longest: int) -> Callable[[Any], str]:
    def read(value: Any) -> str:
        if not isinstance(value, str) or not value.strip():
            raise ValueError("a text is needed")
        text = value.strip()
        if len(text) > longest or not text.isprintable():
            raise ValueError(f"a text of at most {longest} characters, without control characters, is allowed")
        return text

    return read


def _read_words(value: Any) -> tuple[str, ...]:
    """Read one text or a list of texts."""
    listed = [value] if isinstance(value, str) else value
    if not isinstance(listed, list) or not all(isinstance(v, str) and v.strip() for v in listed):
        raise ValueError('a text, or a list of texts like ["one", "two"], is allowed')
    return tuple(_read_text(2000)(v) for v in listed)


def _read_database(value: Any) -> str:
    text = _read_text(500)(value)
    kind, mark, _ = text.partition("://")
    if mark and kind.split("+")[0] not in DATABASES:
        raise ValueError(f"a path of a SQLite file, or a URL of {listing(DATABASES)} is allowed")
    return text


def _read_whole(low: int, high: int) -> Callable[[Any], int]:
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


def _read_above(value: Any) -> float | str:
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


Name = Annotated[str, BeforeValidator(_read_text(LONGEST_ID))]
Words = Annotated[tuple[str, ...], BeforeValidator(_read_words)]
Clock = Annotated[int, BeforeValidator(read_clock)]
Spans = Annotated[tuple[tuple[int, int], ...], BeforeValidator(_read_spans)]
Day = Annotated[date, BeforeValidator(_read_date)]
Weekdays = Annotated[frozenset[int], BeforeValidator(_read_weekdays)]
Surfaces = Annotated[frozenset[str], BeforeValidator(_read_surfaces)]
Share = _quantity("", low=0, high=1)
Curve = Annotated[tuple[tuple[float, float, float | None], ...], BeforeValidator(_read_curve)]


def _read_profile(value: Any) -> str:
    if (
        not isinstance(value, str)
        or not re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,63}", value, re.ASCII)
        or ".." in value
    ):
        raise ValueError("a plain name of letters, digits, hyphens and underscores is allowed, not a path")
    return value


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", arbitrary_types_allowed=True, protected_namespaces=())


def _read_series(value: Any) -> frozenset[str]:
    """Read the names of files that hold invented samples."""
    words = f"a list of these is allowed: {listing(SERIES)}"
    if not isinstance(value, list):
        raise ValueError(words)
    names = [str(v).removesuffix(".csv") for v in value]
    for name in names:
        if name not in SERIES:
            raise ValueError(f'"{shown(name)}" is no series of a site; {words}{near_miss(name, SERIES)}')
    return frozenset(names)


class SiteKeys(_Part):
    """`[site]`."""

    name: Name
    latitude: _quantity("deg", low=-90, high=90, example="36.6")
    longitude: _quantity("deg", low=-180, high=180, example="-121.9")
    elevation: _quantity("m", low=-450, high=6000, example="120") | None = None
    time_zone: Name | None = None
    units: Literal["us", "metric"] | None = None
    currency: Annotated[str, BeforeValidator(_read_text(8))] | None = None
    wind_height: _quantity("m", low=0.5, high=100, example="2") | None = None
    contact: Annotated[str, BeforeValidator(_read_text(200))] | None = None
    invented: Annotated[frozenset[str], BeforeValidator(_read_series)] = frozenset()


class PlanningKeys(_Part):
    """`[planning]`."""

    nights: Annotated[int, BeforeValidator(_read_whole(1, 14))] = 7
    method: Literal["fao56", "asce"] = "fao56"
    caution: Literal["careful", "even", "lean"] = "even"
    price_of_a_run: _quantity("mm", low=0, high=20, example="1") = 1.0


class WindowDayKeys(_Part):
    """`[[window.by_day]]`."""

    day: Weekdays | None = None
    days: Weekdays | None = None
    opens: Clock | None = None
    closes: Clock | None = None


class WindowKeys(_Part):
    """`[window]`."""

    opens: Clock | None = None
    closes: Clock | None = None
    by_day: list[WindowDayKeys] = Field(default_factory=list)


class PumpKeys(_Part):
    """`[[pump]]`."""

    name: Name
    capacity: _quantity("L/s", above=0, high=20000, example="70") | None = None
    smallest_flow: _quantity("L/s", low=0, high=20000, example="5") = 0.0
    ramp: _quantity("L/s/min", above=0, example="10") | None = None
    head: _quantity("m", above=0, high=1000, example="60") | None = None
    efficiency: _quantity("", above=0, high=1, example="0.72") | None = None
    curve: Curve | None = None


class BranchKeys(_Part):
    """`[[branch]]`."""

    name: Name
    pump: Name | None = None
    capacity: _quantity("L/s", above=0, high=20000, example="25") | None = None
    length: _quantity("m", above=0, high=100000, example="620") | None = None
    diameter: _quantity("mm", above=0, high=5000, example="154") | None = None
    roughness: _quantity("", low=20, high=200, example="140") | None = None
    friction: _quantity("m", low=0, high=1000, example="4") | None = None


class ControllerKeys(_Part):
    """`[[controller]]`."""

    name: Name
    stations_at_once: Annotated[int, BeforeValidator(_read_whole(1, 10000))] | None = None
    resolution: _quantity("s", above=0, high=3600, example="60") = 60.0  # common practice, no source
    profile: Annotated[str, BeforeValidator(_read_profile)] | None = None
    programmes: Annotated[int, BeforeValidator(_read_whole(1, 40))] | None = None
    starts_each: Annotated[int, BeforeValidator(_read_whole(1, 24))] | None = None
    at_once: Annotated[int, BeforeValidator(_read_whole(1, 1000))] | None = None
    programmes_at_once: Annotated[int, BeforeValidator(_read_whole(1, 40))] | None = None
    station_delay: _quantity("s", low=0, high=3600, example="15") | None = None
    order: Literal["as_listed", "free"] | None = None
    run_time_only: bool = False
    steady_within: _quantity("mm", low=0, high=20, example="1") | None = None


class SourceKeys(_Part):
    """`[[source]]`."""

    name: Name
    ec: _quantity("dS/m", low=0, high=60, example="1.2") | None = None
    sar: _quantity("", low=0, high=200, example="4") | None = None
    sodium: _quantity("", low=0, high=700, example="6.5") | None = None  # me/L, as the ions below
    calcium: _quantity("", low=0, high=700, example="3.2") | None = None
    magnesium: _quantity("", low=0, high=700, example="1.8") | None = None
    bicarbonate: _quantity("", low=0, high=700, example="4.1") | None = None
    carbonate: _quantity("", low=0, high=700, example="0.1") | None = None
    chloride: _quantity("", low=0, high=700, example="5.0") | None = None
    price: _price("m3") = 0.0
    daily_limit: _quantity("m3", low=0, example="900") | None = None
    monthly_limit: _quantity("m3", low=0, example="20000") | None = None
    share: Share | None = None


class TierKeys(_Part):
    """`[[allocation.tier]]`."""

    above: Annotated[Any, BeforeValidator(_read_above)]
    price: _price("m3")


class AllocationKeys(_Part):
    """`[allocation]`."""

    starts: Day
    ends: Day
    volume: _quantity("m3", above=0, example="120000")
    used_before: _quantity("m3", low=0, example="18000") = 0.0
    tier: list[TierKeys] = Field(default_factory=list)


class AllowanceKeys(_Part):
    """`[allowance]`."""

    factor: Share = ADJUSTMENT_FACTOR
    special_factor: Share = SPECIAL_FACTOR
    landscape_factor: Share | None = None
    rain_share: Share = 0.0


class MeterKeys(_Part):
    """`[meter]`."""

    error: _quantity("", low=0, high=0.5, example="0.02") = METER_ERROR


class RestrictionKeys(_Part):
    """`[restriction]` or `[[restriction]]`."""

    nights_allowed: Weekdays | None = None
    hours: Spans | None = None
    surfaces: Surfaces | None = None
    cut: Share = 0.0
    starts: Day | None = Field(default=None, alias="from")
    ends: Day | None = Field(default=None, alias="until")


class TariffKeys(_Part):
    """`[[tariff]]`."""

    starts: Clock = Field(alias="from")
    ends: Clock = Field(alias="until")
    days: Weekdays = frozenset(range(7))
    price: _price("kWh", negative=True)


class SurfaceKeys(_Part):
    """`[surface.NAME]`."""

    priority: Annotated[int, BeforeValidator(_read_whole(1, 99))] | None = None
    moisture_floor: Share | None = None
    firmness_limit: Share | None = None
    event_firmness_limit: Share | None = None
    finish_by: Clock | None = None
    event_finish_by: Clock | None = None
    uniformity: Literal["weighed", "lower_half", "lower_quarter"] = "weighed"


class WeatherKeys(_Part):
    """`[weather]`."""

    wind_height: _quantity("m", low=0.5, high=100, example="2") | None = None


class FeedKeys(_Part):
    """`[[feed]]`."""

    name: Name | None = None
    series: Literal["forecast", "weather", "probes", "applied"] = Field(alias="for")
    url: Annotated[str, BeforeValidator(_read_text(2000))] | None = None
    file: Annotated[str, BeforeValidator(_read_text(1000))] | None = None
    command: Words | None = None
    format: Literal["daily_arrays", "geojson_series", "interval_layers", "csv"] = "csv"
    every: _quantity("min", low=0, high=10080, example="60") = 60.0
    timeout: _quantity("s", above=0, high=600, example="20") = 20.0
    headers: dict[str, str] = Field(default_factory=dict)
    columns: dict[str, str] = Field(default_factory=dict)


class NoticeKeys(_Part):
    """`[notice]`."""

    when: Literal["always", "trouble"] = "always"
    to: Words | None = None
    sender: Annotated[str, BeforeValidator(_read_text(320))] | None = Field(default=None, alias="from")
    server: Annotated[str, BeforeValidator(_read_text(300))] | None = None
    user: Annotated[str, BeforeValidator(_read_text(320))] | None = None
    password: Annotated[str, BeforeValidator(_read_text(200))] | None = None
    plain: bool = False
    webhook: Annotated[str, BeforeValidator(_read_text(2000))] | None = None
    headers: dict[str, str] = Field(default_factory=dict)
    attach: bool = True


class NightlyKeys(_Part):
    """`[nightly]`."""

    starts: Clock | None = None
    by: Clock | None = None
    profiles: Words = ()
    copy_to: Annotated[str, BeforeValidator(_read_text(1000))] | None = None


class LedgerKeys(_Part):
    """`[ledger]`."""

    url: Annotated[str, BeforeValidator(_read_database)] | None = None
    name: Name | None = None


class SiteFile(_Part):
    """The whole of site.toml."""

    site: SiteKeys
    planning: PlanningKeys = Field(default_factory=PlanningKeys)
    window: WindowKeys = Field(default_factory=WindowKeys)
    weather: WeatherKeys = Field(default_factory=WeatherKeys)
    ledger: LedgerKeys = Field(default_factory=LedgerKeys)
    feed: list[FeedKeys] = Field(default_factory=list)
    notice: NoticeKeys | None = None
    nightly: NightlyKeys = Field(default_factory=NightlyKeys)
    wind_height: _quantity("m", low=0.5, high=100, example="2") | None = None
    pump: list[PumpKeys] = Field(default_factory=list)
    branch: list[BranchKeys] = Field(default_factory=list)
    controller: list[ControllerKeys] = Field(default_factory=list)
    source: list[SourceKeys] = Field(default_factory=list)
    allocation: AllocationKeys | None = None
    allowance: AllowanceKeys = Field(default_factory=AllowanceKeys)
    meter: MeterKeys = Field(default_factory=MeterKeys)
    restriction: list[RestrictionKeys] = Field(default_factory=list)
    tariff: list[TariffKeys] = Field(default_factory=list)
    surface: dict[str, SurfaceKeys] = Field(default_factory=dict)
    columns: dict[str, dict[str, str]] = Field(default_factory=dict)
