"""What a controller holds in place of start times: of each zone its programme, its place in it, its minutes and starts.

For tables with `cycles = "each"`: a row a station, the minutes of one start at 100 %, also of programmes that rest.
Stations of controllers that find their own start times stand in it with the minutes of one cycle, and how many.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from scheduler.document.parts import ControllerKind, PlanDocument


@dataclass(frozen=True)
class Held:
    """One station: programme (0 = none), place in it from 1, minutes of one start or cycle [min], starts, percent."""

    programme: int
    place: int
    minutes: float
    starts: tuple[str, ...]
    cycles: int
    percent: float


def held_by_zone(plan: PlanDocument) -> Mapping[str, Held]:
    """What controllers hold of each zone, by zone id; empty where every station takes start times."""
    found: dict[str, Held] = {}
    for controller in plan.controllers:
        for programme in controller.programmes:
            starts = tuple(f"{s:%H:%M}" for s in programme.starts)
            for place, station in enumerate(programme.stations, 1):
                found[station.zone] = Held(
                    programme.number, place, station.minutes, starts, len(starts), programme.percent
                )
    own = own_times(plan)
    for zone in plan.zones:
        if zone.controller in own:
            each = max((c.minutes for c in zone.cycles), default=0.0)
            found[zone.id] = Held(0, 0, each, (), len(zone.cycles), 100.0)
    return found


def own_times(plan: PlanDocument) -> frozenset[str]:
    """Names of the controllers that find their own start times."""
    return frozenset(c.name for c in plan.controllers if c.kind == ControllerKind.RUN_TIME_ONLY)
