"""What all parts of the plan document share: their base, numbers with their limits, moments, and kinds as enums.

A part is frozen and refuses a field it does not know, a number that is not finite, and one outside its limits. Units
stand in the names of fields; the plan document is always SI as the trade uses it.
"""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, PlainSerializer, WithJsonSchema

MOMENT = r"^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(:\d{2}(\.\d+)?)?([+-]\d{2}:\d{2}|Z)?$"

Amount = Annotated[float, Field(ge=0)]
Share = Annotated[float, Field(ge=0, le=1)]
Count = Annotated[int, Field(ge=0)]
AtLeastOne = Annotated[int, Field(ge=1)]
Named = Annotated[str, Field(min_length=1)]
Day = Annotated[
    date,
    WithJsonSchema({"description": "Date.", "type": "string", "format": "date", "pattern": r"^\d{4}-\d{2}-\d{2}$"}),
]
Moment = Annotated[
    datetime,
    PlainSerializer(datetime.isoformat, return_type=str),
    WithJsonSchema(
        {"description": "Local time in ISO 8601, with or without offset.", "type": "string", "pattern": MOMENT}
    ),
]


class Part(BaseModel):
    """A part of the plan document."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        allow_inf_nan=False,
        validate_by_name=True,
        serialize_by_alias=True,
        defer_build=True,  # of those that are asked for
    )


class Units(StrEnum):
    """Units people of the site read."""

    US = "us"
    METRIC = "metric"


class SurfaceName(StrEnum):
    """What a zone is."""

    GREEN = "green"
    TEE = "tee"
    FAIRWAY = "fairway"
    APPROACH = "approach"
    ROUGH = "rough"
    PITCH = "pitch"
    LANDSCAPE = "landscape"


class Status(StrEnum):
    """What became of the night."""

    PLANNED = "planned"
    NOT_ALLOWED = "no watering allowed"
    NOT_NEEDED = "no water needed"
    NOT_AVAILABLE = "no water available"


class StateFrom(StrEnum):
    """Where the estimate of a zone's state comes from, best first."""

    PROBE = "probe"
    KIN = "kin"
    BALANCE = "balance"
    FIELD_CAPACITY = "field capacity"


class Why(StrEnum):
    """Why a zone runs tonight, or does not."""

    DRY_TOMORROW = "dry by tomorrow"
    DRY_LATER = "dry within the plan"
    REFILL = "refill"
    FLUSH = "flush"
    UPKEEP = "upkeep"
    TOO_LARGE = "flow too large"
    NOT_ALLOWED = "not allowed"
    FULL = "no room for water"
    GIVES_WAY = "gives way"
    ENOUGH_FOR_NOW = "enough until its next run"
    GIVES_WAY_LATER = "gives way later"
    RAIN = "rain is enough"
    ENOUGH = "enough"


class LimitName(StrEnum):
    """Shared limits, by their name in the model."""

    PUMP = "pump_limit"
    BRANCH = "branch_limit"
    STATION = "station_limit"
    SOURCE_NIGHT = "source_night"
    SOURCE_MONTH = "source_month"
    ALLOCATION = "allocation_limit"
    ALLOCATION_TIER = "allocation_tier"
    DROUGHT_CUT = "drought_cut"
