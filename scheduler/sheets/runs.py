"""Tonight's runs on the night sheet, by surface: who runs when and why, who waits, and whether it is done in time."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from scheduler import edge
from scheduler.document.parts import PlanDocument, StateFrom, ZonePart
from scheduler.edge import wall
from scheduler.errors import counted
from scheduler.sheets.names import PLURALS, listed, natural_key, zone_name

STATE_WORDS = {
    StateFrom.PROBE: "from their own probe",
    StateFrom.KIN: "from probes of zones like them",
    StateFrom.BALANCE: "by water balance only",
    StateFrom.FIELD_CAPACITY: "taken as full, for want of anything better",
}


def runs_by_surface(plan: PlanDocument) -> list[dict[str, Any]]:
    """Tonight's runs: surfaces in the plan's order, zones in natural order, only those that run."""
    units = plan.site.units
    sections = []
    for surface in plan.surfaces:
        own = [z for z in plan.zones if z.surface == surface.surface]
        running = sorted((z for z in own if z.minutes > 0), key=lambda z: natural_key(zone_name(z)))
        common = _common_reason(running)
        origin = Counter(z.state_from for z in own)
        sections.append(
            {
                "title": PLURALS[surface.surface],
                "running": surface.running,
                "zones": surface.zones,
                "depth": edge.format_depth(surface.depth_mm, units),
                "volume": edge.format_volume(surface.volume_m3, units),
                "done": _done(running, units),
                "in_time": finish_words(running, units),
                "common": common,
                "reasons": any(z.reason != common for z in running),
                "origin": ", ".join(f"{origin[k]:,} {words}" for k, words in STATE_WORDS.items() if origin[k]),
                "rows": [_run_row(z, units, common) for z in running],
                "waiting": _waiting(own),
            }
        )
    return sections


def _run_row(zone: ZonePart, units: str, common: str) -> dict[str, Any]:
    cycles = zone.cycles
    times = [(edge.format_time(wall(c.start), units), edge.format_time(wall(c.end), units)) for c in cycles]
    address = " · ".join(t for t in (zone.controller, zone.station) if t)
    return {
        "station": address or zone.id,
        "name": zone_name(zone),
        "time": edge.format_duration(zone.minutes),
        "cycles": f"in {len(cycles)} cycles" if len(cycles) > 1 else "",
        "depth": edge.format_depth(zone.depth_mm, units),
        "from_to": f"{times[0][0]}–{times[-1][1]}" if times else edge.DASH,
        "why": "" if zone.reason == common else zone.reason,
    }


def _common_reason(zones: Sequence[ZonePart]) -> str:
    """Give the reason that most zones share, so that it is said once; empty if there is none."""
    if len(zones) < 3:
        return ""
    reason, count = Counter(z.reason for z in zones).most_common(1)[0]
    return reason if 2 * count > len(zones) else ""


def _waiting(own: Sequence[ZonePart]) -> list[dict[str, str]]:
    """Zones that do not run, by their reason, the most first."""
    groups: dict[str, list[str]] = {}
    for zone in own:
        if not zone.minutes > 0:
            groups.setdefault(zone.reason, []).append(zone_name(zone))
    most = sorted(groups.items(), key=lambda item: -len(item[1]))
    return [{"reason": reason, "names": listed(names, most=None)} for reason, names in most]


def finish_words(running: Sequence[ZonePart], units: str) -> str:
    """Say whether the runs of a surface are done by the time they should be; nothing where that is the close."""
    lines = []
    for time in sorted({z.finish_by for z in running if z.finish_by}):
        own = [z for z in running if z.finish_by == time]
        late = sum(wall(z.cycles[-1].end) > wall(time) for z in own)
        which = "All" if len(own) == len(running) else counted(len(own), "zone")
        wanted = edge.format_time(wall(time), units)
        if late:
            lines.append(f"{which} should be done by {wanted}: {late:,} {'runs' if late == 1 else 'run'} past it.")
        else:
            lines.append(f"{which} should be done by {wanted}, and {'are' if len(own) > 1 else 'is'}.")
    return " ".join(lines)


def _done(running: Sequence[ZonePart], units: str) -> str:
    """Time at which the last run of a surface ends."""
    ends = [wall(z.cycles[-1].end) for z in running if z.cycles]
    return f"done at {edge.format_time(max(ends), units)}" if ends else ""
