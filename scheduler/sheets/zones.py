"""The page of zones: each one's course as a drawing, its numbers, its salts and why it runs or waits."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from scheduler import edge
from scheduler.document.parts import FlushPart, PlanDocument, ZonePart
from scheduler.files import write_atomic
from scheduler.sheets.charts import CourseChart, SaltChart, course_chart, salt_chart
from scheduler.sheets.first_screen import STANDS, tint
from scheduler.sheets.names import PLURALS, natural_key, zone_name
from scheduler.sheets.night import environment
from scheduler.sheets.zone_course import BACK, Course, zone_courses
from scheduler.site import Site


def zones_page(site: Site, plan: PlanDocument, history: pd.DataFrame | None = None) -> str:
    """Make the page: a whole HTML text.

    Parameters
    ----------
    site : Site
    plan : PlanDocument
    history : DataFrame or None   Estimates of past evenings: night, zone, depletion, spread.
    """
    courses = dict(zip((z.id for z in plan.zones), zone_courses(site, plan, history), strict=True))
    flushes: dict[str, FlushPart] = {f.zone: f for f in plan.flushes}
    learned: dict[str, list[tuple[str, float, float]]] = {}
    for name, quantity, told, used in site.learned:
        learned.setdefault(name, []).append((quantity, told, used))
    surfaces = []
    for surface in plan.surfaces:
        own = [z for z in plan.zones if z.surface == surface.surface]
        own.sort(key=lambda z: natural_key(zone_name(z)))
        rows = [_row(plan, z, courses[z.id], flushes.get(z.id), learned.get(z.id, ())) for z in own]
        surfaces.append({"title": PLURALS[surface.surface], "rows": rows})
    night = edge.format_date(plan.night, plan.site.units)
    page = environment().get_template("zones.html.jinja")
    return page.render(site=plan.site.name, night=night, back=BACK, surfaces=surfaces)


def write_zones_page(site: Site, plan: PlanDocument, path: Path, history: pd.DataFrame | None = None) -> Path:
    """Write the page in one step.

    Raises
    ------
    OSError   The file cannot be written; the old one is unchanged.
    """
    return write_atomic(path, zones_page(site, plan, history))


def _row(
    plan: PlanDocument,
    zone: ZonePart,
    course: Course,
    flush: FlushPart | None,
    learned: Sequence[tuple[str, float, float]],
) -> dict[str, Any]:
    units = plan.site.units
    moisture = _moisture(zone, units)
    run = f"runs {edge.format_duration(zone.minutes)}" if zone.minutes > 0 else "does not run"
    return {
        "id": zone.id,
        "name": zone_name(zone),
        "stands": STANDS[tint(zone, zone.before.depletion_mm)],
        "run": run,
        "drawing": _drawing(zone, course, units, moisture),
        "salts": _salt_drawing(zone, course),
        "lines": [
            line
            for line in (
                _tonight(zone, units),
                moisture,
                _salts(zone, flush, units),
                _learned(learned, units),
            )
            if line
        ],
    }


def _tonight(zone: ZonePart, units: str) -> str:
    """What runs tonight, and why."""
    if not zone.minutes > 0:
        return f"Does not run tonight: {zone.reason}."
    times = ", ".join(f"{edge.format_time(c.start, units)} for {edge.format_duration(c.minutes)}" for c in zone.cycles)
    depth = edge.format_depth(zone.depth_mm, units)
    return f"{edge.format_duration(zone.minutes)} tonight, {depth} ({times}): {zone.reason}."


def _moisture(zone: ZonePart, units: str) -> str:
    """Where it stands, how sure that is, and its band."""
    stands = edge.format_depth(zone.before.depletion_mm, units)
    sure = "" if zone.before.spread_mm is None else f", give or take {edge.format_depth(zone.before.spread_mm, units)}"
    wet, dry = (edge.format_depth(mm, units) for mm in (zone.limits.wet_limit_mm, zone.limits.dry_limit_mm))
    after = edge.format_depth(zone.after.depletion_mm, units)
    return f"Now {stands} below full{sure}; band {wet} to {dry}; tomorrow evening {after}."


def _salts(zone: ZonePart, flush: FlushPart | None, units: str) -> str:
    """Salinity and its flush, where salinity is followed."""
    if zone.before.ece_dsm is None:
        return ""
    text = f"Salinity {edge.format_salinity(zone.before.ece_dsm)}, tomorrow {edge.format_salinity(zone.after.ece_dsm)}"
    if flush is None:
        return f"{text}; no flush due in these nights."
    nights = ", ".join(edge.format_short_date(n, units) for n in flush.nights)
    when = f"flush planned for {nights}" if nights else f"flush due by {edge.format_short_date(flush.by, units)}"
    return f"{text}; {when}: {flush.words}."


def _learned(learned: Sequence[tuple[str, float, float]], units: str) -> str:
    """What its record taught and the manager accepted, against what zones.csv says."""
    words = {"microclimate": "wants {} times its turf's water, told as {}", "application_rate": "gets {}, told as {}",
             "field_capacity": "holds {} when drained, told as {}",
             "depletion_fraction": "may use {} of its water before it suffers, told as {}"}  # fmt: skip
    form = {"microclimate": lambda v: f"{v:.2f}", "application_rate": lambda v: edge.format_rate(v, units),
            "field_capacity": edge.format_percent,
            "depletion_fraction": lambda v: f"{100 * v:.0f} %"}  # fmt: skip
    parts = [words[q].format(form[q](used), form[q](told)) for q, told, used in learned if q in words]
    return f"Learned from its record and accepted: {'; '.join(parts)}." if parts else ""


def _salt_drawing(zone: ZonePart, course: Course) -> Markup | None:
    """Its salinity by date; None where it is not followed, or where tonight is all there is."""
    if zone.before.ece_dsm is None or zone.after.ece_dsm is None:
        return None
    now, then = edge.format_salinity(zone.before.ece_dsm), edge.format_salinity(zone.after.ece_dsm)
    days = int(np.isfinite(course.ece[:BACK]).sum())
    if not days and not np.isfinite(course.sampled).any():
        return None
    alt = f"{zone_name(zone)}: salinity {now} now, {then} tomorrow evening; estimates of {days} earlier evenings."
    return salt_chart(SaltChart(course.ece, course.sampled, BACK, f"{now.split()[0]}, then {then}", alt))


def _drawing(zone: ZonePart, course: Course, units: str, moisture: str) -> Markup:
    alt = f"{zone_name(zone)}: {moisture}"
    if np.isfinite(course.read).any():
        alt += f" Read by probes on {int(np.isfinite(course.read).sum())} of {BACK + 1} days."
    chart = CourseChart(
        read=course.read,
        estimate=course.estimate,
        spread=course.spread,
        planned=course.planned,
        water=course.water,
        rain=course.rain,
        tonight=BACK,
        wet=zone.limits.wet_limit_mm,
        dry=zone.limits.dry_limit_mm,
        marks=_marks(course.dates, units),
        most_text=edge.format_depth(_most(course), units),
        alt=alt + f" {len(course.dates) - BACK - 1} days ahead.",
    )
    return course_chart(chart)


@lru_cache(maxsize=1)
def _marks(dates: tuple[date, ...], units: str) -> list[tuple[int, str]]:
    """Marks of the time axis, the same for all zones of a plan."""
    weeks = [(i, edge.format_short_date(d, units)) for i, d in enumerate(dates) if i % 7 == 0 and i != BACK]
    return [*weeks, (BACK, "tonight")]


def _most(course: Course) -> float:
    """Largest depth of water or rain drawn [mm]."""
    return max(float(np.fmax.reduce(depth, initial=1.0)) for depth in (course.water, course.rain))
