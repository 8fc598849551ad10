"""The part of the keying sheet for controllers that hold programmes, or find their own start times.

Of a programme only what changes since the evening before is to be keyed: such lines carry a box; what stays stands
below them in one paragraph, to compare with. A controller without a plan of the evening before is keyed in whole.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from scheduler import edge
from scheduler.document.parts import ControllerPart, PercentPart, PlanDocument, ProgrammePart, ZonePart
from scheduler.edge import natural_key
from scheduler.errors import counted
from scheduler.sheets.names import joined


def programme_group(controller: ControllerPart, zones: Mapping[str, ZonePart], units: str) -> dict[str, Any]:
    """A controller with programmes: what is to be keyed, programme by programme."""
    since = controller.since
    known = "" if since is None else f"since the night of {edge.format_date(since, units)}"
    each = "with a box" if controller.entries == 1 else "each with a box"
    todo = f"{counted(controller.entries, 'value')} to key in tonight, {each}"
    if not controller.programmes:
        words = "Nothing has run by a programme yet, and nothing runs tonight."
    elif not known:
        words = f"{todo}: no plan of an evening before tells what stands in it, so all of it is listed."
    elif controller.entries:
        words = f"{todo}. All else stays as it is {known}."
    else:
        words = f"Nothing to key in: all stays as it is {known}."
    return {
        "title": controller.name,
        "words": words,
        "programmes": [_programme(p, zones, units, bool(known)) for p in controller.programmes],
    }


def _programme(part: ProgrammePart, zones: Mapping[str, ZonePart], units: str, known: bool) -> dict[str, Any]:
    """One programme: start times, percent, stations that change, stations that stay."""
    changed, stays = [], []
    for station in part.stations:
        zone, was = zones[station.zone], station.before_minutes
        row = {
            "station": zone.station or zone.id,
            "name": zone.name or zone.id,
            "time": edge.format_duration(station.minutes) if station.minutes > 0 else "off",
            "was": "" if was is None or not known else f"was {edge.format_duration(was) if was > 0 else 'off'}",
        }
        (stays if was == station.minutes else changed).append(row)
    for name in part.taken_out:
        gone = zones.get(name)
        changed.append(
            {
                "station": name if gone is None else gone.station or name,
                "name": name if gone is None else gone.name or name,
                "time": "off",
                "was": "taken out of this programme",
            }
        )
    changed.sort(key=lambda row: natural_key(str(row["station"])))
    was_percent = 100.0 if part.before_percent is None else part.before_percent
    return {
        "title": f"Programme {part.number}",
        "starts": _starts(part, units),
        "rests": not part.starts,
        "percent": f"{part.percent:g} %",
        "percent_was": f"was {was_percent:g} %" if part.percent != was_percent else "",
        "percent_unknown": not known,
        "at": f"Key in the minutes as they stand here: it runs {part.percent:g} % of them."
        if changed and part.percent != 100.0
        else "",
        "changed": changed,
        "stays": stays,
        "runs": _runs(part),
    }


def _runs(part: ProgrammePart) -> str:
    """How long it runs, and its percent where that is not 100."""
    if not part.starts:
        return ""
    at = "" if part.percent == 100.0 else f" at {part.percent:g} %"
    return f"runs {edge.format_duration(part.length_min)}{at} from {'its' if len(part.starts) == 1 else 'each'} start"


def _starts(part: ProgrammePart, units: str) -> list[dict[str, str]]:
    """Start times in order; a box for each that is new, other than before, or to be deleted."""
    before, found = part.before_starts or (), []
    for k, start in enumerate(part.starts):
        time = edge.format_time(start, units)
        was = edge.format_time(before[k], units) if k < len(before) else ""
        found.append({"label": f"Start {k + 1}", "time": time, "was": f"was {was}" if was and was != time else "",
                      "box": "yes" if was != time else ""})  # fmt: skip
    for k in range(len(part.starts), len(before)):
        was = edge.format_time(before[k], units)
        found.append({"label": f"Start {k + 1}", "time": "delete", "was": f"was {was}", "box": "yes"})
    return found


def own_times_group(controller: ControllerPart, zones: list[ZonePart], units: str) -> dict[str, Any]:
    """A controller that finds its own start times: minutes and cycles, and when it may run."""
    if controller.opens is None or controller.done_by is None:
        words = "It finds its own start times. Nothing runs tonight: set every station to off."
    else:
        words = (
            f"It finds its own start times: let it begin at {edge.format_time(controller.opens, units)}, "
            f"{counted(controller.at_once, 'station')} at once. Whatever the order, it is done by "
            f"{edge.format_time(controller.done_by, units)}. Set every station, also to off."
        )
    return {
        "title": controller.name,
        "words": words,
        "rows": [_own_row(z) for z in sorted(zones, key=lambda z: natural_key(z.station or z.id))],
    }


def _own_row(zone: ZonePart) -> dict[str, Any]:
    each = zone.cycles[0].minutes if zone.cycles else 0.0
    count, soak = len(zone.cycles), zone.limits.soak_min
    rest = f", {edge.format_duration(soak)} or more between them" if soak > 0 and count > 1 else ""
    return {
        "station": zone.station or zone.id,
        "name": zone.name or zone.id,
        "on": count > 0,
        "time": edge.format_duration(each) if count else "off",
        "cycles": f"{count} cycles of {edge.format_duration(each)}{rest}" if count > 1 else "",
    }


def percent_choices(plan: PlanDocument) -> list[dict[str, Any]]:
    """Each percent that would do in place of keying minutes, as one choice."""
    zones = {z.id: z for z in plan.zones}
    return [_choice(one, zones, plan.site.units) for one in plan.percents]


def _choice(one: PercentPart, zones: Mapping[str, ZonePart], units: str) -> dict[str, Any]:
    named: dict[str, list[str]] = {}
    for p in one.programmes:
        named.setdefault(p.controller, []).append(str(p.number))
    names = [f"{'programmes' if len(n) > 1 else 'programme'} {joined(n)} of {c}" for c, n in named.items()]
    their = "its" if len(one.programmes) == 1 else "their"
    off = edge.format_depth(one.most_off_mm, units)
    worst = zones[one.most_off_zone].name or one.most_off_zone
    more = one.volume_m3
    water = f"{edge.format_volume(abs(more), units)} {'more' if more > 0 else 'less'} water" if abs(more) > 0.05 else ""
    effect = f"no zone is more than {off} off its plan (most: {worst})" if one.most_off_mm > 0 else "no zone is off"
    return {
        "deed": f"set {joined(names)} to {one.percent:g} % and leave {their} minutes as they stand",
        "instead": f"{counted(one.entries, 'value')} to key in place of {one.instead_of}",
        "effect": f"{effect}; {water + '; ' if water else ''}all limits hold",
        "tell": [f'--percent "{p.controller}/{p.number}={one.percent:g}"' for p in one.programmes],
    }
