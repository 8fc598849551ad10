"""Evenings on a clock of our own, with plans made in this process."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from scheduler.document.rung import Rung
from scheduler.nightly.run import Terms
from scheduler.nightly.worker import Outcome, plan_rung


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
