"""site.toml: its tables and keys, and what each may be (`key_types.py`).

How tables refer to each other is checked in `settle.py`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from models.allowance import ADJUSTMENT_FACTOR, SPECIAL_FACTOR
from scheduler.site.key_types import (
    Clock,
    Curve,
    Day,
    Name,
    Share,
    Spans,
    Surfaces,
    Weekdays,
    Words,
    price_key,
    quantity_key,
    read_above,
    read_database,
    read_profile,
    read_series,
    read_text,
    read_whole,
)

METER_ERROR = 0.02  # [-] of what a meter in service shows; common practice, no source


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", arbitrary_types_allowed=True, protected_namespaces=(), defer_build=True)


class SiteKeys(_Part):
    """`[site]`."""

    name: Name
    latitude: quantity_key("deg", low=-90, high=90, example="36.6")
    longitude: quantity_key("deg", low=-180, high=180, example="-121.9")
    elevation: quantity_key("m", low=-450, high=6000, example="120") | None = None
    time_zone: Name | None = None
    units: Literal["us", "metric"] | None = None
    currency: Annotated[str, BeforeValidator(read_text(8))] | None = None
    wind_height: quantity_key("m", low=0.5, high=100, example="2") | None = None
    contact: Annotated[str, BeforeValidator(read_text(200))] | None = None
    invented: Annotated[frozenset[str], BeforeValidator(read_series)] = frozenset()


class PlanningKeys(_Part):
    """`[planning]`."""

    nights: Annotated[int, BeforeValidator(read_whole(1, 14))] = 7
    method: Literal["fao56", "asce"] = "fao56"
    caution: Literal["careful", "even", "lean"] = "even"
    price_of_a_run: quantity_key("mm", low=0, high=20, example="1") = 1.0


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
    capacity: quantity_key("L/s", above=0, high=20000, example="70") | None = None
    smallest_flow: quantity_key("L/s", low=0, high=20000, example="5") = 0.0
    ramp: quantity_key("L/s/min", above=0, example="10") | None = None
    head: quantity_key("m", above=0, high=1000, example="60") | None = None
    efficiency: quantity_key("", above=0, high=1, example="0.72") | None = None
    curve: Curve | None = None


class BranchKeys(_Part):
    """`[[branch]]`."""

    name: Name
    pump: Name | None = None
    capacity: quantity_key("L/s", above=0, high=20000, example="25") | None = None
    length: quantity_key("m", above=0, high=100000, example="620") | None = None
    diameter: quantity_key("mm", above=0, high=5000, example="154") | None = None
    roughness: quantity_key("", low=20, high=200, example="140") | None = None
    friction: quantity_key("m", low=0, high=1000, example="4") | None = None


class ControllerKeys(_Part):
    """`[[controller]]`."""

    name: Name
    stations_at_once: Annotated[int, BeforeValidator(read_whole(1, 10000))] | None = None
    resolution: quantity_key("s", above=0, high=3600, example="60") = 60.0  # common practice, no source
    profile: Annotated[str, BeforeValidator(read_profile)] | None = None
    programmes: Annotated[int, BeforeValidator(read_whole(1, 40))] | None = None
    starts_each: Annotated[int, BeforeValidator(read_whole(1, 24))] | None = None
    at_once: Annotated[int, BeforeValidator(read_whole(1, 1000))] | None = None
    programmes_at_once: Annotated[int, BeforeValidator(read_whole(1, 40))] | None = None
    station_delay: quantity_key("s", low=0, high=3600, example="15") | None = None
    order: Literal["as_listed", "free"] | None = None
    run_time_only: bool = False
    steady_within: quantity_key("mm", low=0, high=20, example="1") | None = None


class SourceKeys(_Part):
    """`[[source]]`."""

    name: Name
    ec: quantity_key("dS/m", low=0, high=60, example="1.2") | None = None
    sar: quantity_key("", low=0, high=200, example="4") | None = None
    sodium: quantity_key("", low=0, high=700, example="6.5") | None = None  # me/L, as the ions below
    calcium: quantity_key("", low=0, high=700, example="3.2") | None = None
    magnesium: quantity_key("", low=0, high=700, example="1.8") | None = None
    bicarbonate: quantity_key("", low=0, high=700, example="4.1") | None = None
    carbonate: quantity_key("", low=0, high=700, example="0.1") | None = None
    chloride: quantity_key("", low=0, high=700, example="5.0") | None = None
    price: price_key("m3") = 0.0
    daily_limit: quantity_key("m3", low=0, example="900") | None = None
    monthly_limit: quantity_key("m3", low=0, example="20000") | None = None
    share: Share | None = None


class TierKeys(_Part):
    """`[[allocation.tier]]`."""

    above: Annotated[Any, BeforeValidator(read_above)]
    price: price_key("m3")


class AllocationKeys(_Part):
    """`[allocation]`."""

    starts: Day
    ends: Day
    volume: quantity_key("m3", above=0, example="120000")
    used_before: quantity_key("m3", low=0, example="18000") = 0.0
    tier: list[TierKeys] = Field(default_factory=list)


class AllowanceKeys(_Part):
    """`[allowance]`."""

    factor: Share = ADJUSTMENT_FACTOR
    special_factor: Share = SPECIAL_FACTOR
    landscape_factor: Share | None = None
    rain_share: Share = 0.0


class MeterKeys(_Part):
    """`[meter]`."""

    error: quantity_key("", low=0, high=0.5, example="0.02") = METER_ERROR


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
    price: price_key("kWh", negative=True)


class SurfaceKeys(_Part):
    """`[surface.NAME]`."""

    priority: Annotated[int, BeforeValidator(read_whole(1, 99))] | None = None
    moisture_floor: Share | None = None
    firmness_limit: Share | None = None
    event_firmness_limit: Share | None = None
    finish_by: Clock | None = None
    event_finish_by: Clock | None = None
    uniformity: Literal["weighed", "lower_half", "lower_quarter"] = "weighed"


class WeatherKeys(_Part):
    """`[weather]`."""

    wind_height: quantity_key("m", low=0.5, high=100, example="2") | None = None


class FeedKeys(_Part):
    """`[[feed]]`."""

    name: Name | None = None
    series: Literal["forecast", "weather", "probes", "applied"] = Field(alias="for")
    url: Annotated[str, BeforeValidator(read_text(2000))] | None = None
    file: Annotated[str, BeforeValidator(read_text(1000))] | None = None
    command: Words | None = None
    format: Literal["daily_arrays", "geojson_series", "interval_layers", "csv"] = "csv"
    every: quantity_key("min", low=0, high=10080, example="60") = 60.0
    timeout: quantity_key("s", above=0, high=600, example="20") = 20.0
    headers: dict[str, str] = Field(default_factory=dict)
    columns: dict[str, str] = Field(default_factory=dict)


class NoticeKeys(_Part):
    """`[notice]`."""

    when: Literal["always", "trouble"] = "always"
    to: Words | None = None
    sender: Annotated[str, BeforeValidator(read_text(320))] | None = Field(default=None, alias="from")
    server: Annotated[str, BeforeValidator(read_text(300))] | None = None
    user: Annotated[str, BeforeValidator(read_text(320))] | None = None
    password: Annotated[str, BeforeValidator(read_text(200))] | None = None
    plain: bool = False
    webhook: Annotated[str, BeforeValidator(read_text(2000))] | None = None
    headers: dict[str, str] = Field(default_factory=dict)
    attach: bool = True


class NightlyKeys(_Part):
    """`[nightly]`."""

    starts: Clock | None = None
    by: Clock | None = None
    profiles: Words = ()
    copy_to: Annotated[str, BeforeValidator(read_text(1000))] | None = None


class LedgerKeys(_Part):
    """`[ledger]`."""

    url: Annotated[str, BeforeValidator(read_database)] | None = None
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
    wind_height: quantity_key("m", low=0.5, high=100, example="2") | None = None
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
