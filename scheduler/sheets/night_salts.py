"""Salts on the night sheet: flushes, leaching with ordinary watering, and salinity by surface.

Each function gives formatted text in the site's units, or something empty where there is nothing to say.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import numpy as np

from scheduler import edge
from scheduler.document.parts import FlushPart, PlanDocument, ZonePart
from scheduler.sheets.names import PLURALS, joined, listed, name_list, zone_name

FOLDED_ABOVE = 4  # flushes; more are told in a sentence a night, with the reason of each one folded away
CHECKED = 6  # probes named; the morning page has them all
LEAST_EXTRA = 0.13  # [mm] less prints as 0.00 in


def flushes(plan: PlanDocument) -> dict[str, Any] | None:
    """Flushes of this plan; None without any.

    `lines` tells a long list by night, `again` when the next are due, `check` the probes to look at in the morning,
    `rows` has each flush with its reason.
    """
    found = plan.flushes
    if not found:
        return None
    units = plan.site.units
    zones = {z.id: z for z in plan.zones}
    rows = [
        {
            "zone": zone_name(zones[f.zone]),
            "nights": _when(plan, f),
            "planned": _planned(f, units) if f.nights else "",
            "words": f.words[:1].upper() + f.words[1:].rstrip("."),
            "leaves": _leaves(f, units) if f.nights else "",
        }
        for f in found
    ]
    folded = len(found) > FOLDED_ABOVE
    return {
        "rows": rows,
        "folded": folded,
        "lines": _by_nights(plan, zones) if folded else [],
        "again": _due_again(plan) if folded else "",
        "check": _to_check(plan, zones),
    }


def in_one_line(plan: PlanDocument) -> str:
    """When the next flush is, and what keeps it from tonight; "" where salinity is not followed."""
    if not plan.flushes and all(z.before.ece_dsm is None for z in plan.zones):
        return ""
    units, zones = plan.site.units, {z.id: z for z in plan.zones}
    tonight = [f for f in plan.flushes if plan.night in f.nights]
    later = sorted((f for f in plan.flushes if f.nights and f.nights[0] > plan.night), key=lambda f: f.nights[0])
    without = [f for f in plan.flushes if not f.nights]
    parts = [f"{_zones(len(tonight))} tonight" if tonight else "none tonight"]
    if later:
        first = [f for f in later if f.nights[0] == later[0].nights[0]]
        parts.append(
            f"next on {edge.format_short_date(later[0].nights[0], units)}, {name_list(zones[f.zone] for f in first)}"
        )
    if without:
        parts.append(f"{_zones(len(without))} due and on no night of this plan")
    if not later and not without:
        parts.append("no other due in these nights")
    held = [e.note or e.kind.replace("_", " ") for e in plan.events if plan.night in e.no_flush_nights]
    if held and (later or without):
        parts.append(f"tonight kept free for {', '.join(dict.fromkeys(held))}")
    return f"{'; '.join(parts)}."


def _when(plan: PlanDocument, flush: FlushPart) -> str:
    """Nights of a flush, and when it is due where they are too late or none."""
    nights = joined([_night(plan, n) for n in flush.nights])
    if nights and not _late(flush):
        return nights
    due = f"due by {edge.format_short_date(flush.by, plan.site.units)}"
    return f"{nights} ({due})" if nights else due


def _late(flush: FlushPart) -> bool:
    """Whether a flush is planned for later than it is due."""
    return bool(flush.nights) and flush.nights[-1] > flush.by


def _planned(flush: FlushPart, units: str) -> str:
    """Water of a flush and what it does."""
    depth, drainage = (edge.format_depth(mm, units) for mm in (flush.depth_mm, flush.drainage_mm))
    return f"{depth} of water, {drainage} of it through the roots"


def _leaves(flush: FlushPart, units: str) -> str:
    """How salty a flush leaves the zone, by how much that may be wrong, and when the next is due."""
    parts = []
    if flush.likely_dsm is not None:
        least, most = flush.likely_dsm
        parts.append(f"{least:.1f} to {most:.1f} dS/m in four cases of five")
    if flush.layers_before_dsm and flush.layers_after_dsm:
        first, last = (
            f"{flush.layers_before_dsm[i]:.1f} → {flush.layers_after_dsm[i]:.1f}" for i in (0, -1)
        )  # fmt: skip
        parts.append(f"upper half {first}, lower half {last}")
    if flush.again_by is not None:
        parts.append(f"due again by about {edge.format_short_date(flush.again_by, units)}")
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def _due_again(plan: PlanDocument) -> str:
    """When the zones of a long list are due for their next flush."""
    dates = sorted(f.again_by for f in plan.flushes if f.nights and f.again_by is not None)
    if not dates:
        return ""
    first, last = (edge.format_short_date(d, plan.site.units) for d in (dates[0], dates[-1]))
    half = edge.format_short_date(dates[(len(dates) - 1) // 2], plan.site.units)
    if first == last:
        return f"{_zones(len(dates))} by about {first}"
    return f"{_zones(len(dates))}, the first by about {first}, half of them by {half}, the last by {last}"


def _to_check(plan: PlanDocument, zones: dict[str, ZonePart]) -> str:
    """Lower probes that tell in the morning whether tonight's flushes went through."""
    at = {
        zone_name(zones[f.zone]): edge.format_probe_depth(f.lower_probe_cm, plan.site.units)
        for f in plan.flushes
        if plan.night in f.nights and f.lower_probe_cm is not None
    }
    if len(set(at.values())) == 1:
        return f"{listed(at, most=CHECKED)}, at {next(iter(at.values()))}"
    return listed((f"{name} ({depth})" for name, depth in at.items()), most=CHECKED)


def _by_nights(plan: PlanDocument, zones: dict[str, ZonePart]) -> list[dict[str, str]]:
    """Zones by the night or nights of their flush, in the plan's order; those without one last."""
    groups: dict[tuple[date, ...], list[FlushPart]] = {}
    for flush in plan.flushes:
        groups.setdefault(tuple(flush.nights), []).append(flush)
    lines = []
    for nights, own in groups.items():
        when = joined([_night(plan, n) for n in nights]) or "Due, but on no night of this plan"
        when = f"{when[:1].upper()}{when[1:]}, {_zones(len(own))}"
        if late := sum(_late(f) for f in own):
            when += ", later than due" if late == len(own) else f", {late:,} of them later than due"
        lines.append({"when": when, "names": name_list((zones[f.zone] for f in own), most=None)})
    return lines


def upkeep(plan: PlanDocument) -> list[dict[str, str]]:
    """Zones that leach a little with tonight's watering, one entry a surface."""
    units, tonight = plan.site.units, plan.night
    little = plan.leaching.upkeep
    later = {u.zone: sum(n > tonight for n in u.nights) for u in little if tonight in u.nights}
    leaching = [z for z in plan.zones if z.id in later and extra_depth(z) >= LEAST_EXTRA]
    found = []
    for surface in plan.surfaces:
        own = [z for z in leaching if z.surface == surface.surface]
        if not own:
            continue
        volume = sum(z.volume_m3 * extra_depth(z) / z.depth_mm for z in own)
        depth = edge.format_depth(float(np.mean([extra_depth(z) for z in own])), units)
        roots, each = ("its roots", "") if len(own) == 1 else ("their roots", " on average")
        text = f"{edge.format_volume(volume, units)} ({depth}{each}) more tonight than fills {roots}"
        text += f"{_again([later[z.id] for z in own])}. {_achieved(plan, surface.surface)}"
        title = f"{PLURALS[surface.surface]}, {_zones(len(own)) if len(own) > 1 else zone_name(own[0])}"
        found.append({"title": title, "words": text.strip(), "names": name_list(own) if len(own) > 1 else ""})
    return found


def extra_depth(zone: ZonePart) -> float:
    """Gross irrigation of tonight that is more than fills the root zone [mm]."""
    net = zone.net_depth_mm
    beyond = net - zone.before.depletion_mm
    return float(zone.depth_mm * beyond / net) if beyond > 0 else 0.0


def nothing_tonight(plan: PlanDocument) -> str:
    """Say that salinity is followed and asks for nothing; empty where the plan flushes or leaches on any night."""
    if plan.flushes or plan.leaching.upkeep or not salts(plan):
        return ""
    return "No zone with drains needs a flush or extra leaching tonight."


def salts(plan: PlanDocument) -> list[dict[str, str]]:
    """Salinity by surface, where it is tracked."""
    rows = []
    for surface in plan.surfaces:
        own = [z for z in plan.zones if z.surface == surface.surface and z.before.ece_dsm is not None]
        if own:
            values = np.array([z.before.ece_dsm for z in own], float)
            rows.append(
                {
                    "title": PLURALS[surface.surface],
                    "median": edge.format_salinity(float(np.median(values))),
                    "highest": edge.format_salinity(float(values.max())),
                    "where": zone_name(own[int(values.argmax())]),
                }
            )
    return rows


def _again(later: Sequence[int]) -> str:
    """On how many later nights zones leach again."""
    least, most = min(later), max(later)
    if most == 0:
        return ""
    if least == most:
        count = str(most)
    else:
        count = f"{least} to {most}" if least else f"up to {most}"
    return f", and again on {count} later {'night' if most == 1 else 'nights'}"


def _achieved(plan: PlanDocument, surface: str) -> str:
    """Leaching of a whole surface achieved against required; empty where it is not reckoned."""
    row = next((r for r in plan.leaching.surfaces if r.surface == surface), None)
    if row is None or row.achieved is None:
        return ""
    since = edge.format_short_date(plan.leaching.since, plan.site.units)
    required = "more than this water can" if row.required is None else edge.format_percent(row.required)
    achieved = edge.format_percent(row.achieved)
    return f"Leached from {since} to the end of this plan: {achieved} of the water; required: {required}."


def _night(plan: PlanDocument, night: date) -> str:
    """Short date of a night, or that it is tonight."""
    return "tonight" if night == plan.night else edge.format_short_date(night, plan.site.units)


def _zones(count: int) -> str:
    return f"{count:,} {'zone' if count == 1 else 'zones'}"
