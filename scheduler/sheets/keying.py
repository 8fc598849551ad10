"""The keying sheet: run times in large print, in the order a person scrolls through a controller's stations.

Every station is listed, also those that stay off: yesterday's time must be taken out. A box beside each is for ticking.
Controllers that hold programmes are listed by programme, with a box only where something changes.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from scheduler import edge
from scheduler.document.parts import ControllerKind, PlanDocument, ZonePart
from scheduler.document.rung import LABELS
from scheduler.edge import natural_key
from scheduler.files import write_atomic
from scheduler.sheets.keying_programmes import own_times_group, percent_choices, programme_group
from scheduler.sheets.night import environment


def keying_sheet(plan: PlanDocument) -> str:
    """Make the keying sheet of a plan: a whole HTML page.

    Parameters
    ----------
    plan : PlanDocument

    Returns
    -------
    str                             The page; controllers and stations in natural order (2 before 10).
    """
    units = plan.site.units
    controllers: dict[str, list[ZonePart]] = {}
    for zone in plan.zones:
        controllers.setdefault(zone.controller or "", []).append(zone)
    special = {c.name: c for c in plan.controllers}
    by_id = {z.id: z for z in plan.zones}
    groups: list[dict[str, Any]] = []
    for name, zones in sorted(controllers.items(), key=lambda item: natural_key(item[0])):
        if name not in special:
            groups.append({"kind": "stations", **_stations(name, zones, units)})
        elif special[name].kind == ControllerKind.PROGRAMMES:
            groups.append({"kind": "programmes", **programme_group(special[name], by_id, units)})
        else:
            groups.append({"kind": "own", **own_times_group(special[name], zones, units)})
    night = edge.format_date(plan.night, units)
    page = environment().get_template("keying.html.jinja")
    return page.render(
        site=plan.site.name, night=night, groups=groups, choices=percent_choices(plan), rung=LABELS[plan.rung]
    )


def write_keying_sheet(plan: PlanDocument, path: Path) -> Path:
    """Write the keying sheet in one step.

    Raises
    ------
    OSError                         The file cannot be written; the old one is unchanged.
    """
    return write_atomic(path, keying_sheet(plan))


def _stations(name: str, zones: list[ZonePart], units: str) -> dict[str, Any]:
    """A controller that takes start times station by station."""
    return {
        "title": name or "No controller named",
        "running": sum(z.minutes > 0 for z in zones),
        "total": edge.format_duration(sum(z.minutes for z in zones)),
        "rows": [_row(z, units) for z in sorted(zones, key=lambda z: natural_key(z.station or z.id))],
    }


def _row(zone: ZonePart, units: str) -> dict[str, Any]:
    cycles = zone.cycles
    finish_by = zone.finish_by if cycles else None
    done_by = ""
    if finish_by:
        wanted = edge.format_time(finish_by, units)
        late = cycles[-1].end > finish_by
        done_by = f"runs past {wanted}, when it should be done" if late else f"done by {wanted}"
    return {
        "done_by": done_by,
        "station": zone.station or zone.id,
        "name": zone.name or zone.id,
        "on": zone.minutes > 0,
        "time": edge.format_duration(zone.minutes) if zone.minutes > 0 else "off",
        "cycles": [f"{edge.format_time(c.start, units)} for {edge.format_duration(c.minutes)}" for c in cycles],
    }
