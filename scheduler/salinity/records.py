"""What is known of a site's salts over its season: plain records, built by `report.py`, shown as a page and a table."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from models.water_quality import WaterAdvice
from scheduler.notes import Note
from scheduler.salinity.evening import SaltState
from scheduler.site import Site


@dataclass(frozen=True)
class SaltEvent:
    """A flush, or rain that did the work of one: nights, drainage [mm], ECe by layer before and after [dS/m]."""

    zone: int
    kind: str  # "flush" or "rain"
    nights: tuple[date, ...]
    drained: float
    before: tuple[float, float]
    after: tuple[float, float]
    measured: bool
    reached: bool  # whether the lower layer lost salt


@dataclass(frozen=True)
class Course:
    """ECe of one zone by date: by layer (T, 2) [dS/m], whether each layer is measured, and the samples taken."""

    dates: pd.DatetimeIndex
    ece: np.ndarray
    measured: tuple[bool, bool]
    samples: tuple[tuple[pd.Timestamp, int, float], ...]


@dataclass(frozen=True)
class Leaching:
    """A surface's season: water that entered and what drained [mm, mean by area]; shares [-], NaN where not known."""

    surface: str
    irrigation: float
    rain: float
    drained: float
    achieved: float
    required: float


@dataclass(frozen=True)
class PlannedFlush:
    """A flush in the newest plan: nights, and drainage below the roots [mm]."""

    nights: tuple[date, ...]
    drainage: float


@dataclass(frozen=True)
class SaltReport:
    """Everything the page and the table show; arrays over zones (Z,), NaN where not known.

    rise : dS/m/d at the present trend;  days : until the threshold, inf if never.
    """

    site: Site
    night: date
    first: date
    state: SaltState
    rise: np.ndarray
    days: np.ndarray
    courses: dict[int, Course]
    events: tuple[SaltEvent, ...]
    planned: dict[int, PlannedFlush]
    planned_on: date | None
    leaching: tuple[Leaching, ...]
    waters: tuple[tuple[str, tuple[WaterAdvice, ...]], ...]
    notes: tuple[Note, ...]
