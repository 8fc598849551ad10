"""What differs from what the plan of the evening before meant."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import timedelta

from models.choices import STEADY
from scheduler.document.parts import ChangesPart, PlanDocument, Why, ZonePart
from scheduler.document.reading import read_plan
from scheduler.edge import format_depth, format_short_date, format_volume
from scheduler.errors import counted
from scheduler.files import finish_sets
from scheduler.site import Site


def earlier_plan(site: Site, document: PlanDocument) -> PlanDocument | None:
    """Give the plan of the nearest evening before, from the site's folder; None if there is none of late."""
    for days in range(1, STEADY.looked_back + 1):
        folder = site.folder / "out" / (document.night - timedelta(days=days)).isoformat()
        finish_sets(folder)
        if not (folder / "plan.json").is_file():
            continue
        try:
            plan = read_plan(folder / "plan.json")
        except (OSError, ValueError):
            return None
        return plan if plan.site.name == document.site.name else None
    return None


def changes_part(before: PlanDocument, now: PlanDocument) -> ChangesPart:
    """Compare tonight as an earlier plan meant it with tonight as it is planned now."""
    meant = {z.id: p.minutes for z in before.zones for p in z.path if p.night == now.night}
    running = {z.id: z.minutes for z in now.zones}
    both = [z for z in running if z in meant]
    then = next((n.volume_m3 for n in before.nights if n.night == now.night), None)
    old, new = ({w.subject for w in plan.warnings} for plan in (before, now))
    return ChangesPart(
        since=before.night,
        meant_m3=then,
        volume_m3=now.nights[0].volume_m3,
        programme=programme_changes(before, now),
        entries_changed=entries_changed(before, now),
        now_running=tuple(z for z in both if running[z] > 0 and not meant[z] > 0),
        no_longer_running=tuple(z for z in both if meant[z] > 0 and not running[z] > 0),
        new_warnings=tuple(sorted(new - old)),
        gone_warnings=tuple(sorted(old - new)),
    )


def entries_changed(before: PlanDocument, now: PlanDocument) -> int:
    """Count the minutes of zones and the starts that differ between two plans' own nights, as a person keys them."""
    stood = {z.id: z for z in before.zones}
    return sum(_minutes_differ(stood.get(z.id), z) + _starts_differ(stood.get(z.id), z) for z in now.zones)


def programme_changes(before: PlanDocument, now: PlanDocument) -> tuple[str, ...]:
    """What is to be keyed in otherwise than for the night of an earlier plan, and why: five sentences at most."""
    stood, units = {z.id: z for z in before.zones}, now.site.units
    pairs = [(stood[z.id], z) for z in now.zones if z.id in stood]
    begin = [z for b, z in pairs if z.minutes > 0 and not b.minutes > 0]
    rest = [z for b, z in pairs if b.minutes > 0 and not z.minutes > 0]
    both = [(b, z) for b, z in pairs if b.minutes > 0 and z.minutes > 0]
    longer, shorter = ([z for b, z in both if sign * (z.minutes - b.minutes) > 0] for sign in (1, -1))
    moved = [z for b, z in both if z.minutes == b.minutes and _starts_differ(b, z)]
    kept = sum(z.minutes == b.minutes and not _starts_differ(b, z) for b, z in both)
    since = format_short_date(before.night, units)
    lines = []
    if begin:
        lines.append(f"{_run(len(begin))} that did not on {since}: {_by_cause(begin)}.")
    if rest:
        lines.append(
            f"{counted(len(rest), 'zone')} that ran then {'rests' if len(rest) == 1 else 'rest'}: {_by_cause(rest)}."
        )
    if longer or shorter:
        more = [f"{_run(len(longer))} longer"] if longer else []
        more += [f"{len(shorter) if longer else _run(len(shorter))} shorter"] if shorter else []
        lines.append(f"{' and '.join(more)} than then{_weather(before, now)}.")
    if moved:
        one = len(moved) == 1
        keep = "1 zone keeps its minutes and starts" if one else f"{len(moved)} zones keep their minutes and start"
        lines.append(f"{keep} at another time, to make room for the others.")
    if kept or not lines:
        lines.append(f"{_run(kept)} as then, minutes and starts.")
    return tuple(lines)


def _run(zones: int) -> str:
    return f"{counted(zones, 'zone')} {'runs' if zones == 1 else 'run'}"


def _minutes_differ(stood: ZonePart | None, zone: ZonePart) -> int:
    return int((0.0 if stood is None else stood.minutes) != zone.minutes)


def _starts_differ(stood: ZonePart | None, zone: ZonePart) -> int:
    """Starts of a zone that are other times of day than before, one that is gone or new among them."""
    old = [] if stood is None else [c.start.time() for c in stood.cycles]
    new = [c.start.time() for c in zone.cycles]
    return sum(a != b for a, b in zip(old, new, strict=False)) + abs(len(old) - len(new))


CAUSES = {  # why a zone runs or rests, in the two or three words a list has room for
    Why.DRY_TOMORROW: "too dry by tomorrow without",
    Why.DRY_LATER: "tonight suits the coming days best",
    Why.REFILL: "refilled for later",
    Why.FLUSH: "salt flush",
    Why.UPKEEP: "leaching with their watering",
    Why.TOO_LARGE: "flow too large",
    Why.NOT_ALLOWED: "no watering allowed",
    Why.FULL: "they stand full",
    Why.GIVES_WAY: "giving way",
    Why.ENOUGH_FOR_NOW: "enough until their next run",
    Why.GIVES_WAY_LATER: "enough for now",
    Why.RAIN: "rain is enough",
    Why.ENOUGH: "enough for all nights",
}
CAUSES_TOLD = 3  # surfaces with one cause each that a sentence names


def _by_cause(zones: Iterable[ZonePart]) -> str:
    """How many of each surface, and why, the most first."""
    count = Counter((z.surface.value, z.why) for z in zones)
    told = [f"{n} {surface} ({CAUSES[why]})" for (surface, why), n in count.most_common(CAUSES_TOLD)]
    others = sum(count.values()) - sum(n for _, n in count.most_common(CAUSES_TOLD))
    return ", ".join(told) + (f" and {others} more" if others else "")


def _weather(before: PlanDocument, now: PlanDocument) -> str:
    """The ET and rain that each of two nights prepared for, as far as both are known."""
    units, then, tonight = now.site.units, before.nights[0], now.nights[0]
    if then.eto_mm is None or tonight.eto_mm is None:
        return ""
    now_mm, then_mm = (format_depth(n.eto_mm, units) for n in (tonight, then))
    day = "as then" if now_mm == then_mm else f"{then_mm} then"
    water = f"{format_volume(tonight.volume_m3, units)} of water, {format_volume(then.volume_m3, units)} then"
    return f": ET of the next day {now_mm}, {day}; {water}"
