"""Parts of the account of a season, as `season.json` holds them.

Volumes are m3, depths mm, areas m2, whatever the pages show. `null` is "not known". Months are those of the evening's
date and are written `2026-07`. What is reckoned and not recorded stands in fields that say so: `estimated`, `divided`,
`reckoned`, and everything under `practices`, which are simulations.
"""

from __future__ import annotations

from datetime import date
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

Number = float | None


class Part(BaseModel):
    """A part of the document: nothing unknown, nothing changed."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class SiteRef(Part):
    """The site."""

    name: str
    units: Literal["us", "metric"]
    time_zone: str
    currency: str
    zones: int
    area_m2: float


class Shown(Part):
    """Unit of the volumes on the pages and in the workbook: one m3 is `per_m3` of it."""

    unit: str
    name: str
    per_m3: float


class SpanPart(Part):
    """Nights of the account, named by their evenings."""

    first: date = Field(alias="from")
    last: date = Field(alias="until")
    nights: int
    nights_run: int
    nights_without_row: int = Field(description="nights between the log's first and last of which it says nothing")


class Totals(Part):
    """The whole season, or one month of it."""

    nights_run: int
    logged_m3: float
    estimated_m3: float = Field(description="part of logged_m3 reckoned from minutes and flow")
    metered_m3: Number = Field(description="on the nights that readings reach over; null without any")
    divided_m3: Number = Field(description="part of metered_m3 from stretches of several nights, divided evenly")
    use_m3: float = Field(description="metered where every night of month and source is read, else logged")
    eto_mm: Number
    eto_days_not_observed: int
    rain_mm: Number
    rain_days_not_observed: int
    demand_m3: float = Field(description="crop ET without stress times area")
    effective_rain_m3: float
    deficit_m3: float = Field(description="demand less effective rain less logged water; negative is a surplus")
    unmet_et_m3: float = Field(description="reckoned: ET that dry soil withheld")
    dry_zone_days: int = Field(description="reckoned by the daily balance")
    soft_zone_days: int = Field(description="reckoned by the daily balance")
    energy_kwh: Number = Field(description="estimated: pumping of the logged water at each pump's usual flow")
    energy_cost: Number = Field(description="estimated")
    water_cost: float = Field(description="price of the source times use_m3, without the steps of the allocation")


class Month(Totals):
    """One month of the season."""

    month: str


class SourceMonth(Part):
    """One month of one source."""

    month: str
    source: str
    logged_m3: float
    estimated_m3: float
    metered_m3: Number
    divided_m3: Number
    metered_nights: int = Field(description="nights that every meter of the source is read over")
    nights: int
    logged_on_metered_nights_m3: Number
    difference_m3: Number = Field(description="metered less logged, on the nights metered")
    error_m3: Number = Field(description="the meter's own error")
    beyond_error: bool
    use_m3: float
    use_from: Literal["meter", "log"]
    water_cost: float
    monthly_limit_m3: Number
    above_monthly_limit: bool
    nights_above_daily_limit: int


class SourceTotal(Part):
    """One source over the season."""

    source: str
    logged_m3: float
    metered_m3: Number
    divided_m3: Number
    use_m3: float
    water_cost: float


class Row(Part):
    """One month, source, surface and zone."""

    month: str
    source: str
    surface: str
    zone: str
    logged_m3: float
    estimated_m3: float
    minutes: float
    nights_run: int
    demand_m3: float
    effective_rain_m3: float
    deficit_m3: float
    unmet_et_m3: float
    dry_days: float
    soft_days: float


class ZonePart(Part):
    """A zone of the account."""

    zone: str
    name: str
    surface: str
    area_class: str
    area_m2: float
    sources: dict[str, float]
    source_recorded: bool = Field(description="whether zones.csv alone says which source it takes")
    logged_m3: float
    estimated_m3: float
    depth_mm: Number
    demand_m3: float
    dry_days: int
    soft_days: int


class SurfaceTotal(Part):
    """A surface over the season."""

    surface: str
    zones: int
    area_m2: float
    logged_m3: float
    depth_mm: Number
    demand_m3: float
    effective_rain_m3: float
    deficit_m3: float
    zone_days: int
    dry_zone_days: int
    soft_zone_days: int


class MeterPart(Part):
    """A meter and what its readings are worth."""

    meter: str
    source: str
    readings: int
    metered_m3: float
    divided_m3: float
    nights: int
    exchanges: int
    rolled_over: int
    unclear: int = Field(
        description="falls of the count that neither a roll-over nor an exchange explains; not counted"
    )


class CausePart(Part):
    """What explains a difference between meter and log."""

    kind: Literal["zone", "branch", "all", "every_night"]
    name: str
    size: Number = Field(description="how much more ran than was logged, as a share of what was logged")
    volume_m3: float
    explains: float
    since: date | None = Field(description="first night of water that runs every night")
    nights: int
    words: str


class DifferencePart(Part):
    """Meter against log, one source, over the nights metered."""

    source: str
    nights: int
    metered_m3: float
    logged_m3: float
    difference_m3: float
    error_m3: float
    beyond_error: bool
    without_record_m3: float
    never_metered_m3: float
    causes: list[CausePart]


class StepPart(Part):
    """A step of the allocation."""

    above_m3: float
    price: float
    volume_m3: float
    cost: float


class AllocationPart(Part):
    """The season's water against its allocation."""

    starts: date
    ends: date
    volume_m3: float
    used_before_m3: float = Field(description="as site.toml says")
    used_earlier_m3: float = Field(description="logged within the allocation's time before this account's first night")
    used_m3: float = Field(description="all of it, with this account's use")
    share: float
    left_m3: float
    over_m3: float
    expected_m3: float = Field(
        description="estimate of use at the allocation's end, at this account's pace by expected ETo"
    )
    step_reached: int = Field(description="0 = none")
    surcharge: float
    steps: list[StepPart]


class ClassArea(Part):
    """Irrigated area of an agency's class, with its adjustment factor."""

    area_class: str
    area_m2: float
    factor: float


class AllowancePart(Part):
    """Allowance by the public ET formula against use."""

    eto_mm: float
    rain_mm: float
    rain_share: float
    counted_et_mm: float
    classes: list[ClassArea]
    weighted_area_m2: float
    allowance_m3: float
    allowance_gal: float
    use_m3: float
    share: Number
    days_not_known: int


class BlockPart(Part):
    """Energy at one price, estimated."""

    hours: str
    price: Number
    energy_kwh: float
    cost: Number


class FlushPart(Part):
    """A flush of the season, with ECe of the upper and the lower half of the roots."""

    zone: str
    name: str
    surface: str
    nights: list[date]
    drained_mm: float
    ece_before_dsm: list[float]
    ece_after_dsm: list[float]
    measured: bool
    reached_lower: bool


class LeachingPart(Part):
    """Leaching of a surface, reached against required."""

    surface: str
    drained_mm: float
    reached: Number
    required: Number


class SaltPath(Part):
    """Mean ECe of a surface by date, measured or reckoned."""

    surface: str
    dates: list[date]
    ece_dsm: list[Number]
    limit_dsm: float
    measured_zones: int
    zones: int


class EventPart(Part):
    """An event of the calendar."""

    first: date = Field(alias="from")
    last: date = Field(alias="until")
    target: str
    event: str
    note: str


class Band(Part):
    """The middle picture and the least and most of all."""

    middle: Number
    low: Number
    high: Number


class PracticePart(Part):
    """A simulation of the season under plain practice, with the turf's condition under it."""

    key: Literal["as_logged", "et_replacement", "fixed_programme", "base_year"]
    title: str
    simulation: bool = True
    water_m3: Band
    dry_zone_days: Band
    soft_zone_days: Band
    ece_end_dsm: Band
    zone_days_above_salt_limit: Band


class SeasonBeside(Part):
    """A season in few numbers, for setting several side by side."""

    name: str
    first: date = Field(alias="from")
    last: date = Field(alias="until")
    logged_m3: float
    metered_m3: Number
    use_m3: float
    eto_mm: Number
    rain_mm: Number
    demand_m3: float
    effective_rain_m3: float
    zone_days: int
    dry_zone_days: int
    soft_zone_days: int
    nights_run: int
    use_of_this: Number = Field(description="this account's use over it, as a share")


class Answer(Part):
    """A question a committee asks, answered."""

    question: str
    headline: str
    words: str


class CumulativeUse(Part):
    """Use by night, summed from the allocation's start."""

    nights: list[date]
    used_m3: list[float]
