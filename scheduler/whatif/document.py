"""What comes out of a what-if, typed; `python -m scheduler.whatif.document` makes `whatif.schema.json` from it.

Every number of the page stands here. Volumes are m3, depths mm, money in the site's currency.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

SCHEMA_NAME = "evenfall/whatif/1"
SCHEMA_FILE = Path(__file__).with_name("whatif.schema.json")


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class SiteWords(_Part):
    """The site as the page names it."""

    name: str
    units: Literal["us", "metric"]
    currency: str
    zones: int


class SurfaceNumbers(_Part):
    """A surface over the nights: zone-days past a limit, depth past it in sum and at worst, ECe at the end."""

    surface: str
    priority: int = Field(description="rank, 1 is served first")
    zones: int
    water_m3: float
    water_tonight_m3: float
    dry_zone_days: int
    dry_mm_days: float = Field(description="depth past the dry limit, summed over zones and days [mm]")
    worst_dry_mm: float
    first_dry: str | None = Field(description="first night after which a zone is past its dry limit")
    soft_zone_days: int
    soft_mm_days: float
    worst_soft_mm: float
    ece_mean_dsm: float | None
    ece_highest_dsm: float | None
    salty_zone_days: int = Field(description="zone-days above the turf's salinity threshold")


class GivesWay(_Part):
    """A surface that goes drier than as things are (as it is: drier than its limit), those that begin first first."""

    surface: str
    night: str
    zones: int
    words: str


class WiderLimit(_Part):
    """A limit made a tenth wider, by solving the plan again with it; both without a timetable."""

    family: str
    what: str
    water_m3: float = Field(description="more water used [m3]")
    less_dry_zone_days: dict[str, int]
    less_dry_mm_days: dict[str, float]
    cost: float = Field(description="more to pay [money]")
    words: str


class OrderNumbers(_Part):
    """An order in cubic metres, with what it is made of so that it can be added up again."""

    kind: Literal["cut", "allowance", "et_allowance"]
    name: str
    allowed_m3: float
    used_m3: float = Field(description="since it began, before tonight")
    left_m3: float = Field(description="for the nights of this plan")
    first: str
    last: str
    facts: dict[str, Any]
    words: str


class NightNumbers(_Part):
    """One night of a case."""

    night: str
    water_m3: float
    zones_running: int
    allowed: bool
    by_source_m3: dict[str, float]


class CaseNumbers(_Part):
    """A case and what came of it."""

    name: str
    title: str
    files: list[str]
    same_as_it_is: bool = Field(description="the plan is tonight's plan itself")
    water_m3: float
    water_tonight_m3: float
    water_by_source_m3: dict[str, float]
    over_use_m3: float
    energy_kwh: float | None
    cost: float | None = Field(description="water, energy and over-use")
    flushes: int = Field(description="salt flushes planned")
    flushes_not_planned: int = Field(description="due and not within the plan")
    surfaces: list[SurfaceNumbers]
    gives_way: list[GivesWay]
    limits: list[WiderLimit]
    asked: list[str] = Field(default_factory=list, description="what it asks, in words; a line a part")
    orders: list[OrderNumbers]
    nights: list[NightNumbers]
    run_minutes_tonight: dict[str, float] = Field(description="run time of every zone that runs tonight [min]")
    notes: list[str]
    words: str = Field(description="what it comes to, in one or two sentences")


class CurvePoint(_Part):
    """One point of a sweep; worth: what the last cubic metre spares, None at a corner of the plan."""

    value: float
    water_m3: float
    cost: float
    surfaces: list[SurfaceNumbers]
    worth_mm_days: float | None
    worth_cost: float | None


class SweepNumbers(_Part):
    """A sweep and where each surface begins to give way."""

    key: str
    points: list[CurvePoint]
    begins: dict[str, float]
    words: list[str]


class Band(_Part):
    """Median and the band that holds 80 % of the weather years."""

    median: float
    low: float
    high: float


class SeasonSurface(_Part):
    """A surface over the season ahead."""

    surface: str
    dry_zone_days: Band
    dry_mm_days: Band
    soft_zone_days: Band
    salty_zone_days: Band = Field(description="zone-days above the turf's salinity threshold")
    ece_mean_dsm: Band | None = Field(description="mean over the roots and zones, at the end")


class SeasonCase(_Part):
    """A case lived through night by night."""

    name: str
    title: str
    years: int
    water_m3: Band
    left_m3: Band | None = Field(description="of the allocation, at the end")
    runs_out: list[str | None] = Field(description="date the water runs out, one a year, None where it lasts")
    cost: Band | None
    flushes: Band
    surfaces: list[SeasonSurface]
    words: str


class SeasonNumbers(_Part):
    """The season ahead."""

    first: str
    last: str
    years: list[str]
    weather: str
    forecasts: str
    mismatch: bool
    cases: list[SeasonCase]
    notes: list[str]


class WhatIf(_Part):
    """whatif.json."""

    schema_name: Literal["evenfall/whatif/1"] = Field(default=SCHEMA_NAME, alias="schema")
    site: SiteWords
    night: str
    nights: list[str]
    made: str
    cases: list[CaseNumbers]
    sweep: SweepNumbers | None = None
    season: SeasonNumbers | None = None
    notes: list[str] = Field(default_factory=list)


def schema_text() -> str:
    """The JSON Schema as a file."""
    found = WhatIf.model_json_schema(by_alias=True, mode="serialization")
    found["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    return json.dumps(found, indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    SCHEMA_FILE.write_text(schema_text(), encoding="utf-8")
