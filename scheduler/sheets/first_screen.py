"""The first screen of the night sheet: what to do, whether the night is safe, the weather, the whole site at a glance.

Each function gives plain words and numbers for the template; nothing here decides anything.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from models.choices import BY_HAND
from scheduler import edge
from scheduler.document.actions import last_end, past_limit_tomorrow
from scheduler.document.outlook import weather_line
from scheduler.document.parts import EventPart, PlanDocument, Status, SurfaceName, Why, ZonePart
from scheduler.notes import Topic
from scheduler.sheets.names import PLURALS, listed, natural_key, zone_name

ACTIONS = 5  # deeds shown at most; the others stand in plan.json
NARROWEST_BAND = 0.5  # [mm] a band narrower than this is judged as if it were this wide
STEPS = (0.0, 1 / 3, 2 / 3, 1.0)  # [-] of the band from wet to dry, between the five tints
TINTS = ("wet", "moist", "middle", "low", "dry")
STANDS = ("wetter than its wet limit", "well watered", "in the middle of its band", "near its dry limit",
          "drier than its dry limit")  # fmt: skip
LINES = 5  # of what changed since the evening before
STOPPED = (Why.GIVES_WAY, Why.TOO_LARGE)
EVENT_WORDS = {
    "tournament": "tournament",
    "firm": "firm days",
    "no_water": "no water",
    "no_flush": "no flush",
    "aerified": "aerified",
    "fertigation": "fertigation",
}
SAID = 8  # zones named in what changed


def actions(plan: PlanDocument) -> dict[str, Any]:
    """What to do, the most pressing first."""
    units = plan.site.units
    rows = [
        {
            "soon": a.severity.value,
            "where": a.where,
            "what": a.what,
            "why": a.why,
            "by": "" if a.by is None else f"by {_moment(a.by, units, plan)}",
        }
        for a in plan.actions
    ]
    return {"rows": rows[:ACTIONS], "more": max(0, len(rows) - ACTIONS)}


def _moment(moment: Any, units: str, plan: PlanDocument) -> str:
    """A clock time, with its day where that is not tonight."""
    clock = edge.format_time(moment, units)
    if moment.date() == plan.night:
        return f"{clock} tonight"
    return f"{clock} on {edge.format_short_date(moment.date(), units)}"


def safe(plan: PlanDocument) -> str:
    """Whether the night holds its hours and limits, in one sentence."""
    tonight, units = plan.nights[0], plan.site.units
    closes, last = max((p.end for p in tonight.window), default=None), last_end(plan)
    if plan.status != Status.PLANNED or closes is None or last is None:
        return "Nothing runs, so no limit is touched."
    if last > closes:
        return "NOT SAFE: runs end after the window closes."
    opens = min(p.start for p in tonight.window)
    hours = f"{edge.format_time(opens, units)} to {edge.format_time(closes, units)}"
    full = [limit.what for limit in tonight.limits if limit.binds and limit.capacity is not None]
    text = f"Every run lies within the hours allowed ({hours}) and within pumps, pipes, controllers and permits"
    return f"{text}; the plan stops at: {', '.join(full)}." if full else f"{text}; none of them holds the plan back."


def weather(plan: PlanDocument) -> str:
    """Tonight's and tomorrow's weather in one line."""
    line = weather_line(plan.weather, plan.night, plan.site.units)
    return line[:1].upper() + line[1:]


@dataclass(frozen=True)
class Shown:
    """One zone at a glance: its tints now and tomorrow evening, its mark, and the same in words."""

    zone: ZonePart
    now: str
    then: str
    mark: str
    words: str


def shown_zones(plan: PlanDocument) -> list[Shown]:
    """Every zone at a glance, in the natural order of their names."""
    doubted = {w.zone for w in plan.warnings if w.kind == Topic.PROBE and w.zone}
    ordered = sorted(plan.zones, key=lambda z: natural_key(zone_name(z)))
    return [_shown(zone, zone.id in doubted, plan.site.units) for zone in ordered]


def site_grid(plan: PlanDocument, shown: Sequence[Shown]) -> dict[str, Any] | None:
    """The whole site at a glance: a row a place, a column a surface, a square a zone."""
    if not shown:
        return None
    surfaces = [s.surface for s in plan.surfaces]
    rows: dict[str, dict[SurfaceName, list[Shown]]] = {}
    for s in shown:
        place = s.zone.place or s.zone.controller or "rest"
        rows.setdefault(place, {}).setdefault(s.zone.surface, []).append(s)
    ordered = sorted(rows.items(), key=lambda item: natural_key(item[0]))
    return {
        "surfaces": [PLURALS[s] for s in surfaces],
        "rows": [{"place": place, "cells": [cells.get(s, []) for s in surfaces]} for place, cells in ordered],
        "tints": list(zip(TINTS, STANDS, strict=True)),
    }


def _shown(zone: ZonePart, doubted: bool, units: str) -> Shown:
    """One zone: two tints, a mark, and the same in words."""
    now, then = (tint(zone, depletion) for depletion in (zone.before.depletion_mm, zone.after.depletion_mm))
    marks, said = [], []
    time = edge.format_duration(zone.minutes)
    for on, mark, words in (
        (zone.minutes > 0 and zone.why != Why.FLUSH, "•", f"runs {time} tonight"),
        (zone.minutes > 0 and zone.why == Why.FLUSH, "F", f"salt flush tonight, {time}"),
        (zone.minutes == 0 and zone.why in STOPPED, "×", "does not run though it needs water"),
        (doubted, "?", "a probe in doubt"),
    ):
        if on:
            marks.append(mark)
            said.append(words)
    if zone.cycles:
        said[0] += f" from {edge.format_time(zone.cycles[0].start, units)}"
    words = f"{zone_name(zone)}: now {STANDS[now]}, tomorrow evening {STANDS[then]}"
    return Shown(zone, TINTS[now], TINTS[then], "".join(marks), "; ".join([words, *said]))


def tint(zone: ZonePart, depletion: float) -> int:
    """Step of a depletion in its zone's band: 0 beyond the wet limit, 4 beyond the dry one."""
    wet, dry = zone.limits.wet_limit_mm, zone.limits.dry_limit_mm
    place = (depletion - wet) / max(dry - wet, NARROWEST_BAND)
    return bisect_right(STEPS, place - 1e-9 if place > 0 else place)


def changes(plan: PlanDocument) -> list[str]:
    """What differs from the evening before, in five lines; empty without an earlier plan."""
    changed, units = plan.changes, plan.site.units
    if changed is None:
        return []
    if changed.programme:
        news = [f"New to look at: {_some(changed.new_warnings)}."] if changed.new_warnings else []
        return [*changed.programme[: LINES - len(news)], *news]
    zones = {z.id: zone_name(z) for z in plan.zones}
    lines = []
    if changed.meant_m3 is not None:
        water = edge.format_volume(changed.volume_m3, units, beside=max(changed.meant_m3, changed.volume_m3))
        meant = edge.format_volume(changed.meant_m3, units, beside=max(changed.meant_m3, changed.volume_m3))
        same = "as meant" if water == meant else f"{meant} were meant"
        lines.append(f"Water tonight {water}; {same} on {edge.format_short_date(changed.since, units)}.")
    if changed.now_running:
        lines.append(f"Run now and were not meant to: {_some(zones[z] for z in changed.now_running if z in zones)}.")
    if changed.no_longer_running:
        lines.append(f"No longer run: {_some(zones[z] for z in changed.no_longer_running if z in zones)}.")
    if changed.new_warnings:
        lines.append(f"New to look at: {_some(changed.new_warnings)}.")
    if changed.gone_warnings:
        lines.append(f"Settled since: {_some(changed.gone_warnings)}.")
    return lines or ["Nothing to speak of."]


def _some(names: Iterable[str]) -> str:
    found = sorted(names, key=natural_key)
    return ", ".join(found[:SAID]) + (f" and {len(found) - SAID:,} more" if len(found) > SAID else "")


def by_hand(plan: PlanDocument) -> str:
    """What to water by hand tomorrow, in one line."""
    dry = past_limit_tomorrow(plan)
    return (
        f"{_some(zone_name(z) for z in dry)}."
        if dry
        else "nothing; no green, tee, approach or pitch passes its dry limit."
    )


def day_crew(plan: PlanDocument) -> list[dict[str, str]]:
    """Zones to water by hand tomorrow, with the depth that brings each to the moist end of its band."""
    rows = []
    for zone in past_limit_tomorrow(plan):
        lacks = min(zone.after.depletion_mm - zone.limits.wet_limit_mm, BY_HAND.largest_dose)
        depth = edge.format_depth(lacks, plan.site.units)
        rows.append({"where": zone_name(zone), "words": f"{depth} in all, where it is driest first"})
    return rows


def events(plan: PlanDocument) -> list[str]:
    """Events of the coming days, those alike together, and what each holds back."""
    alike: dict[tuple[Any, ...], list[EventPart]] = {}
    for e in plan.events:
        alike.setdefault(
            (e.begins, e.until, e.kind, e.note, e.firm_nights, e.dry_nights, e.no_flush_nights), []
        ).append(e)
    return [_event(plan, own) for own in alike.values()]


def _event(plan: PlanDocument, own: list[EventPart]) -> str:
    """One event in a sentence."""
    first, units = own[0], plan.site.units
    zones = {z.id: zone_name(z) for z in plan.zones}
    names = [
        PLURALS[SurfaceName(e.target)] if e.target in tuple(SurfaceName) else zones.get(e.target, e.target) for e in own
    ]
    begins, until = (edge.format_short_date(d, units) for d in (first.begins, first.until))
    days = begins if first.begins == first.until else f"{begins} to {until}"
    text = f"{days}, {EVENT_WORDS.get(first.kind, first.kind)} on {listed(names)}"
    text += f" ({first.note})" if first.note else ""
    held = [
        f"{words} {_span(nights, units)}"
        for words, nights in (
            ("kept firm", first.firm_nights),
            ("no water", first.dry_nights),
            ("no salt flush", () if first.dry_nights else first.no_flush_nights),
        )
        if nights
    ]
    return f"{text}: {', '.join(held)}." if held else f"{text}."


def _span(nights: tuple[Any, ...], units: str) -> str:
    """First and last night in words."""
    first, last = (edge.format_short_date(d, units) for d in (nights[0], nights[-1]))
    return f"on the night of {first}" if first == last else f"on the nights {first} to {last}"
