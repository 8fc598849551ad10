"""What a morning is about, as records: the report, where to walk, what to water by hand."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from scheduler.notes import Note
from scheduler.site import Site


@dataclass(frozen=True)
class Walk:
    """A line of the walking list: where (a zone, or several zones alike), why, and how many zones it speaks of."""

    where: str
    why: str
    zones: int


@dataclass(frozen=True)
class HandSpot:
    """A spot drier than its zone's dry limit: probe, depletion and dose [mm], volumes for the spot and the zone [m3].

    `where` names the zone for people; `words` is the dose with its volumes, `reason` why.
    """

    zone: str
    where: str
    probe: str
    depletion: float
    dry_limit: float
    dose: float
    spot_m3: float
    zone_m3: float
    words: str
    reason: str


@dataclass(frozen=True)
class FlushEffect:
    """What a flush did at one probe: moisture [m3/m3] and bulk EC [dS/m] before and after, NaN = not read.

    `reached` is None where no reading tells.
    """

    zone: str
    probe: str
    depth: float
    moisture: tuple[float, float]
    ec: tuple[float, float]
    lower: bool
    reached: bool | None


@dataclass(frozen=True)
class Seen:
    """What a night is judged by; arrays over zones.

    planned, applied : minutes of the plan and of the log, NaN = not known;  minutes : the log's, else the plan's;
    depth : mm that fell at the rate in use;  after : depletion with what ran, below 0 where more fell than fits [mm];
    measured : depletion the probes read [mm], NaN without one;  dry, wet : limits of the band [mm];  silent : no probe
    answered;  flushed : the plan flushed it.
    """

    planned: np.ndarray
    applied: np.ndarray
    minutes: np.ndarray
    depth: np.ndarray
    after: np.ndarray
    measured: np.ndarray
    dry: np.ndarray
    wet: np.ndarray
    silent: np.ndarray
    flushed: np.ndarray

    @property
    def stands(self) -> np.ndarray:
        """Depletion by the probes, else by the estimate (Z,) [mm]."""
        return np.where(np.isnan(self.measured), np.maximum(self.after, 0.0), self.measured)


@dataclass(frozen=True)
class WeatherRow:
    """Forecast against what came on one date: ETo and rain [mm]; NaN where not known."""

    day: date
    eto: tuple[float, float]
    rain: tuple[float, float]


@dataclass(frozen=True)
class MorningReport:
    """Everything a morning shows; arrays over zones.

    planned, applied : minutes, NaN where there is no plan or no log;  depth : mm that fell at the rate in use;
    before, after : depletion by the estimate and with what ran [mm];  measured : depletion the probes read in the
    morning [mm], NaN without one;  dry, wet : limits of the band [mm];  verdict : words, "" = as it should be.
    """

    site: Site
    night: date
    headline: str
    planned: np.ndarray
    applied: np.ndarray
    depth: np.ndarray
    before: np.ndarray
    after: np.ndarray
    measured: np.ndarray
    dry: np.ndarray
    wet: np.ndarray
    silent: np.ndarray
    verdict: tuple[str, ...]
    walk: tuple[Walk, ...]
    hand: tuple[HandSpot, ...]
    flushes: tuple[FlushEffect, ...]
    weather: tuple[WeatherRow, ...]
    notes: tuple[Note, ...]
