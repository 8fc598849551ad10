"""What controllers that take no start times hold: tonight, and since the evening before."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from models.night import Timetable
from models.night.any_order import AnyOrder
from models.night.playback import check_programmes
from models.night.programmes import Programme, ProgrammeRules
from models.plan.inputs import Floats
from scheduler.edge import natural_key
from scheduler.site import Site

LOOKED_BACK = 14  # [d] a plan may be old whose programmes still stand in a controller


@dataclass(frozen=True)
class HeldByControllers:
    """What controllers that take no start times hold tonight.

    Parameters
    ----------
    rules : tuple of ProgrammeRules
    programmes : tuple of Programme   Those that start tonight.
    resting : tuple of Programme      Those kept as they were, without a start tonight.
    before : tuple of Programme       What the controllers held the evening before; empty where no plan tells.
    before_night : date or None       The night of that plan.
    any_order : tuple of AnyOrder     Controllers that find their own start times.
    lost : ndarray (Z,)               Minutes that a timetable free in every start would run beyond what runs, below 0
                                      where less [min].
    """

    rules: tuple[ProgrammeRules, ...] = ()
    programmes: tuple[Programme, ...] = ()
    resting: tuple[Programme, ...] = ()
    before: tuple[Programme, ...] = ()
    before_night: date | None = None
    any_order: tuple[AnyOrder, ...] = ()
    lost: Floats | None = None


def holds_no_times(site: Site) -> np.ndarray:
    """Zones whose controller takes no start time of theirs, bool (Z,)."""
    simple = np.array([*(bool(c.programmes) or c.run_time_only for c in site.controllers), False])
    return np.asarray(simple[site.zones.controller])


def programme_rules(site: Site) -> tuple[ProgrammeRules, ...]:
    """What each controller with programmes can hold."""
    keys = [natural_key(s or z) for s, z in zip(site.zones.station.tolist(), site.zones.zone.tolist(), strict=True)]
    place = np.empty(len(keys), dtype=np.int64)
    place[sorted(range(len(keys)), key=lambda z: (keys[z], z))] = np.arange(len(keys))
    return tuple(
        ProgrammeRules(
            controller=i,
            programmes=c.programmes,
            starts_each=c.starts_each,
            at_once=c.at_once,
            programmes_at_once=c.programmes_at_once,
            delay=c.station_delay / 60.0,
            listed=c.listed,
            place=place,
        )
        for i, c in enumerate(site.controllers)
        if c.programmes
    )


def without_runs(site: Site, night: date) -> HeldByControllers:
    """What the controllers hold on a night on which nothing of theirs runs: what they held before."""
    rules = programme_rules(site)
    if not rules:
        return HeldByControllers()
    before_night, before = programmes_before(site, night)
    return HeldByControllers(
        rules=rules, resting=resting_programmes(rules, before, ()), before=before, before_night=before_night
    )


def broken_by_controllers(site: Site, held: HeldByControllers, table: Timetable) -> list[str]:
    """What a controller would do otherwise than the timetable has it, played back; empty where nothing."""
    return [
        str(fault)
        for rules in held.rules
        for fault in check_programmes(
            rules,
            [p for p in (*held.programmes, *held.resting) if p.controller == rules.controller],
            site.controllers[rules.controller].resolution / 60.0,
            table,
            site.zones.controller,
        )
    ]


def programmes_before(site: Site, night: date) -> tuple[date | None, tuple[Programme, ...]]:
    """What the controllers hold by the plan of the nearest evening before, and its night; nothing without one."""
    for days in range(1, LOOKED_BACK + 1):
        earlier = night - timedelta(days=days)
        file = site.folder / "out" / earlier.isoformat() / "plan.json"
        try:
            plan = json.loads(file.read_text(encoding="utf-8"))
            found = tuple(_read_programmes(site, plan.get("controllers", ())))
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            continue
        return earlier, found
    return None, ()


def _read_programmes(site: Site, controllers: list[Mapping[str, Any]]) -> list[Programme]:
    """Programmes of a plan.json, those of controllers and zones that the site still has."""
    zones = {name: z for z, name in enumerate(site.zones.zone.tolist())}
    index = {c.name: i for i, c in enumerate(site.controllers) if c.programmes}
    found = []
    for part in controllers:
        own = index.get(str(part["name"]), -1)
        for p in part["programmes"] if own >= 0 else ():
            listed = [s for s in p["stations"] if s["zone"] in zones]
            known = [s for s in listed if site.zones.controller[zones[s["zone"]]] == own]
            found.append(
                Programme(
                    own,
                    int(p["number"]),
                    tuple(zones[s["zone"]] for s in known),
                    tuple(float(s["minutes"]) for s in known),
                    tuple(float(m) for m in p["start_minutes"]),
                    float(p["percent"]),
                )
            )
    return found


def resting_programmes(
    rules: tuple[ProgrammeRules, ...], before: tuple[Programme, ...], tonight: tuple[Programme, ...]
) -> tuple[Programme, ...]:
    """Programmes of the evening before that do not start tonight, without stations that now run in another."""
    taken = {(p.controller, p.number) for p in tonight}
    running = {z for p in tonight for z in p.zones}
    most = {r.controller: r.programmes for r in rules}
    found = []
    for p in before:
        if (p.controller, p.number) in taken or p.number > most.get(p.controller, 0):
            continue
        kept = [(z, m) for z, m in zip(p.zones, p.minutes, strict=True) if z not in running]
        if kept:
            found.append(replace(p, zones=tuple(z for z, _ in kept), minutes=tuple(m for _, m in kept), starts=()))
    return tuple(found)
