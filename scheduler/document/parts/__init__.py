"""The plan document as types: every part a frozen pydantic model, from which `plan.schema.json` is made.

`plan.py`   the document whole      `zone.py`   one zone     `nights.py`   nights, surfaces, pumps, energy
`water.py`  allocation and salts    `base.py`   numbers, moments, kinds
"""

from scheduler.document.parts.base import (
    LimitName,
    Part,
    StateFrom,
    Status,
    SurfaceName,
    Units,
    Why,
)
from scheduler.document.parts.nights import (
    EnergyBlock,
    FlowPart,
    GiveWay,
    LimitPart,
    NightPart,
    PumpPart,
    SurfacePart,
    WindowPiece,
)
from scheduler.document.parts.plan import (
    SCHEMA_NAME,
    AppliedRead,
    ForecastRead,
    InputsPart,
    PlanDocument,
    ProbesRead,
    SitePart,
    StepDown,
    WarningPart,
    WeatherRead,
)
from scheduler.document.parts.water import (
    AllocationPart,
    FlushPart,
    LeachingPart,
    SurfaceLeaching,
    SurfaceWorth,
    UpkeepPart,
    WorthPart,
)
from scheduler.document.parts.zone import CyclePart, PathNight, WaterBalance, ZoneLimits, ZonePart, ZoneState

__all__ = [
    "SCHEMA_NAME",
    "AllocationPart",
    "AppliedRead",
    "CyclePart",
    "EnergyBlock",
    "FlowPart",
    "FlushPart",
    "ForecastRead",
    "GiveWay",
    "InputsPart",
    "LeachingPart",
    "LimitName",
    "LimitPart",
    "NightPart",
    "Part",
    "PathNight",
    "PlanDocument",
    "ProbesRead",
    "PumpPart",
    "SitePart",
    "StateFrom",
    "Status",
    "StepDown",
    "SurfaceLeaching",
    "SurfaceName",
    "SurfacePart",
    "SurfaceWorth",
    "Units",
    "UpkeepPart",
    "WarningPart",
    "WaterBalance",
    "WeatherRead",
    "Why",
    "WindowPiece",
    "WorthPart",
    "ZoneLimits",
    "ZonePart",
    "ZoneState",
]
