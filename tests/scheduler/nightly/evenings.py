"""Evenings on a clock of our own, with plans made in this process, each folder's once."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pandas as pd

from scheduler.document.parts import PlanDocument
from scheduler.document.rung import Rung
from scheduler.nightly.run import Terms
from scheduler.nightly.rungs import plan_on
from scheduler.nightly.worker import Outcome, plan_rung
from scheduler.site import Site


@dataclass
class Clock:
    """A clock that moves when someone waits, and a little with every look."""

    now: datetime
    waited: list[float] = field(default_factory=list)

    def __call__(self) -> datetime:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.waited.append(seconds)
        self.now += timedelta(seconds=seconds)


@dataclass
class Planner:
    """Makes rungs in this process; some fail as told: None = not ready in time, an Outcome = its fault."""

    failing: dict[Rung, Outcome | None] = field(default_factory=dict)
    asked: list[Rung] = field(default_factory=list)

    def __call__(
        self, folder: Path, night: date, rung: Rung, without: frozenset[str], now: datetime, seconds: float
    ) -> Outcome | None:
        self.asked.append(rung)
        if rung in self.failing:
            return self.failing[rung]
        return plan_rung(folder, night, rung, without, now)


def terms(at: datetime, planner: Planner | None = None, **more) -> Terms:
    clock = Clock(at.astimezone(UTC))
    return Terms(clock=clock, sleep=clock.sleep, planner=planner or Planner(), **more)


class Remembered:
    """Makes the plan of a rung once for every folder of the same files, and gives it again."""

    def __init__(self) -> None:
        self.known: dict[tuple[object, ...], PlanDocument] = {}

    def __call__(self, rung: Rung, site: Site, night: date, made: datetime, flags: pd.DataFrame | None) -> PlanDocument:
        files = sorted(p for p in site.folder.rglob("*") if p.suffix in (".csv", ".toml", ".json"))
        said = hashlib.sha256()
        for file in files:
            if file.name != "status.json":
                said.update(str(file.relative_to(site.folder)).encode() + b"\0" + file.read_bytes())
        key = (rung, night, site.left_out, said.hexdigest())
        if key not in self.known:
            self.known[key] = plan_on(rung, site, night, made, flags)
        return self.known[key].model_copy(update={"made": made.replace(microsecond=0)})
