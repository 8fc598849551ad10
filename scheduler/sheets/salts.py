"""The salt page: one self-contained HTML file on a site's salinity, from a `SaltReport`.

Every number turns into words here; the template only places them. Lines on a chart: the upper half of the roots solid,
the lower half dashed, the turf's limit across. A chart says whether its lines are measured or reckoned.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from scheduler import edge
from scheduler.errors import counted
from scheduler.files import write_atomic
from scheduler.salinity.records import Course, SaltEvent, SaltReport
from scheduler.sheets.charts import ALERT, INK, QUIET, WATER, WIDTH, _line, _points, _svg, _text
from scheduler.sheets.names import PLURALS
from scheduler.sheets.night import environment

SOON = 14  # [d] a zone that passes its limit within it is listed first
CHARTS = 24  # drawn at most
ROWS = 60  # zones listed a surface at most
URGENT = 24  # zones listed at the top at most
FAR = 365  # [d] beyond it a date says nothing
ORIGINS = {
    "laboratory": "laboratory sample",
    "probe": "probes",
    "kin": "zones of its kind",
    "balance": "reckoned from the water",
}


def salt_page(report: SaltReport) -> str:
    """Make the page: a whole HTML text."""
    return environment().get_template("salts.html.jinja").render(**salt_sections(report))


def write_salt_page(report: SaltReport, path: Path) -> Path:
    """Write the page in one step.

    Raises
    ------
    OSError   The file cannot be written; the old one is unchanged.
    """
    return write_atomic(path, salt_page(report))


def salt_sections(report: SaltReport) -> dict[str, Any]:
    """Everything the template places."""
    site, units = report.site, report.site.units
    over, soon = urgency(report)
    urgent = flushable(report)
    known = int(report.state.known.sum())
    return {
        "site": site.name,
        "night": edge.format_date(report.night, units),
        "status": status_sentence(report),
        "figures": [
            {"label": "Zones followed", "value": f"{known:,} of {len(site.zones):,}", "note": ""},
            {"label": "Above their limit", "value": f"{over.size:,}", "note": ""},
            {"label": f"Pass it within {SOON} days", "value": f"{soon.size:,}", "note": ""},
            {"label": "Flushes this season", "value": f"{flush_nights(report):,}", "note": "nights with at least one"},
        ],
        "urgent": [zone_row(report, z) for z in urgent[:URGENT]],
        "urgent_more": max(len(urgent) - URGENT, 0),
        "undrained": undrained_words(report),
        "charts": _charts(report),
        "surfaces": _surfaces(report),
        "events": [event_row(report, e) for e in reversed(report.events)],
        "leaching": [leaching_row(report, row) for row in report.leaching],
        "waters": report.waters,
        "notes": [str(n) for n in report.notes],
        "planned_on": None if report.planned_on is None else edge.format_short_date(report.planned_on, units),
        "since": edge.format_short_date(report.first, units),
    }


def urgency(report: SaltReport) -> tuple[np.ndarray, np.ndarray]:
    """Zones above their limit, worst first, and zones that pass it within two weeks, soonest first."""
    mean, limit = report.state.mean, report.site.zones.ece_threshold
    over = np.flatnonzero(report.state.known & (mean >= limit))
    soon = np.flatnonzero(report.state.known & (mean < limit) & (report.days <= SOON))
    return over[np.argsort(-(mean / limit)[over], kind="stable")], soon[np.argsort(report.days[soon], kind="stable")]


def flushable(report: SaltReport) -> list[int]:
    """Zones above or near their limit that have drains, worst first: what a flush can help."""
    return [z for found in urgency(report) for z in found.tolist() if report.site.zones.drained[z]]


def undrained_words(report: SaltReport) -> str:
    """What there is to say of zones above or near their limit that cannot be flushed; empty if there are none."""
    found = np.concatenate(urgency(report))
    found = found[~report.site.zones.drained[found]]
    if not found.size:
        return ""
    unmeasured = int(np.isin(report.state.origin[found], ("balance", "kin")).sum())
    how = f"; {unmeasured} of them are not measured, so sample before acting" if unmeasured else ""
    what = "zone without drains is" if found.size == 1 else "zones without drains are"
    return (
        f"{found.size} more {what} above or near the limit{how}. They cannot be flushed here: rain, better water or "
        "drains would help. They are in the tables by surface."
    )


def status_sentence(report: SaltReport) -> str:
    """What stands out, in one sentence."""
    if not report.state.known.any():
        return "No salinity is followed: no water of this site has an EC, and no sample or probe reads one."
    over, soon = urgency(report)
    if not over.size and not soon.size:
        return f"Every zone is within its limit and stays so for {SOON} days at the present trend."
    parts = []
    if over.size:
        parts.append(f"{over.size} {'zone is' if over.size == 1 else 'zones are'} above the limit of the turf")
    if soon.size:
        parts.append(f"{soon.size} {'passes' if soon.size == 1 else 'pass'} it within {SOON} days")
    return "; ".join(parts) + "."


def flush_nights(report: SaltReport) -> int:
    """Nights of the season on which at least one zone was flushed."""
    return len({night for e in report.events if e.kind == "flush" for night in e.nights})


def days_words(days: float) -> str:
    """Days to the limit at the present trend."""
    if not np.isfinite(days) or days > FAR:
        return "not rising to it" if not np.isfinite(days) else "over a year"
    if days <= 0:
        return "above it now"
    return counted(max(round(days), 1), "day")


def zone_row(report: SaltReport, z: int) -> dict[str, str]:
    """One zone in words."""
    state, zones, units = report.state, report.site.zones, report.site.units
    upper, lower = state.ece[z]
    rise = 7.0 * report.rise[z]
    moves = "steady" if abs(rise) < 0.05 else f"{'rises' if rise > 0 else 'falls'} {abs(rise):.1f} dS/m a week"
    words = f"upper half {upper:.1f}, lower half {lower:.1f} dS/m; {moves}"
    planned = report.planned.get(z)
    if planned is not None:
        nights = " and ".join(edge.format_short_date(n, units) for n in planned.nights)
        words += f"; flush planned {nights}, {edge.format_depth(planned.drainage, units)} below the roots"
    elif not zones.drained[z]:
        words += "; not drained, so it cannot be flushed"
    return {
        "zone": zones.name[z] or zones.zone[z],
        "ece": f"{state.mean[z]:.1f} of {edge.format_salinity(float(zones.ece_threshold[z]))}",
        "days": days_words(float(report.days[z])),
        "known": ORIGINS[state.origin[z]],
        "words": words,
    }


def event_row(report: SaltReport, event: SaltEvent) -> dict[str, str]:
    """One flush or storm in words."""
    zones, units = report.site.zones, report.site.units
    what = "Rain" if event.kind == "rain" else "Flush"
    (upper, lower), (upper_after, lower_after) = event.before, event.after
    through = "salt left the lower half" if event.reached else "salt did not get below the lower half"
    return {
        "zone": zones.name[event.zone] or zones.zone[event.zone],
        "nights": f"{what} {' and '.join(edge.format_short_date(n, units) for n in event.nights)}",
        "drained": edge.format_depth(event.drained, units),
        "through": through,
        "words": f"upper half {upper:.1f} → {upper_after:.1f}, lower half {lower:.1f} → {lower_after:.1f} dS/m "
        f"({'probes' if event.measured else 'reckoned'})",
    }


def leaching_row(report: SaltReport, row: Any) -> dict[str, str]:
    """One surface's leaching in words."""
    units = report.site.units
    return {
        "title": PLURALS[row.surface],
        "irrigation": edge.format_depth(row.irrigation, units),
        "rain": edge.format_depth(row.rain, units),
        "drained": edge.format_depth(row.drained, units),
        "achieved": edge.format_percent(row.achieved if np.isfinite(row.achieved) else None),
        "required": edge.format_percent(row.required) if np.isfinite(row.required) else "beyond this water",
    }


def _surfaces(report: SaltReport) -> list[dict[str, Any]]:
    """All zones by surface, nearest to their limit first."""
    zones, state = report.site.zones, report.state
    found = []
    for surface in sorted(set(zones.surface), key=lambda s: (report.site.surfaces[s].priority, s)):
        own = np.flatnonzero((zones.surface == surface) & state.known)
        if not own.size:
            continue
        own = own[np.argsort(-(state.mean / zones.ece_threshold)[own], kind="stable")]
        found.append(
            {
                "title": PLURALS[surface],
                "zones": own.size,
                "median": edge.format_salinity(float(np.median(state.mean[own]))),
                "rows": [zone_row(report, z) for z in own[:ROWS].tolist()],
                "more": max(own.size - ROWS, 0),
            }
        )
    return found


def _charts(report: SaltReport) -> dict[str, Any]:
    """Charts of the zones that matter most: measured or drained ones, nearest to their limit first."""
    zones, state = report.site.zones, report.state
    chosen = [z for z, c in report.courses.items() if any(c.measured) or c.samples or zones.drained[z]]
    chosen.sort(key=lambda z: -state.mean[z] / zones.ece_threshold[z])
    drawn = []
    for z in chosen[:CHARTS]:
        name = zones.name[z] or zones.zone[z]
        course = report.courses[z]
        flushed = [e for e in report.events if e.zone == z]
        how = ("Reckoned", "One half measured by probes", "Measured by probes")[sum(course.measured)]
        alt = (
            f"{name}: ECe now {state.ece[z, 0]:.1f} in the upper and {state.ece[z, 1]:.1f} dS/m in the lower half; "
            f"limit of the mean {zones.ece_threshold[z]:.1f}"
        )
        drawing = salt_chart(course, state.ece[z], float(zones.ece_threshold[z]), flushed, report.site.units, alt)
        drawn.append(
            {
                "title": name,
                "drawing": drawing,
                "words": f"{how}. To the limit of the mean: {days_words(float(report.days[z]))}",
            }
        )
    return {"drawn": drawn, "more": max(len(chosen) - CHARTS, 0)}


def salt_chart(
    course: Course, now: np.ndarray, limit: float, events: Sequence[SaltEvent], units: str, alt: str
) -> Markup:
    """Draw one zone's ECe by depth over the season.

    Parameters
    ----------
    course : Course
    now : ndarray (2,)             Tonight's ECe by layer [dS/m].
    limit : float                  The turf's threshold [dS/m].
    events : sequence of SaltEvent The zone's flushes and storms, marked at the top.
    units : str                    For the dates.
    alt : str                      The drawing in one sentence.
    """
    height, left, right, top, bottom = 176, 26, 354, 18, 150
    values = [course.ece[np.isfinite(course.ece)], now, np.array([limit, *(s[2] for s in course.samples)])]
    most = float(max(v.max(initial=0.0) for v in values)) * 1.06 + 1e-9
    first, last = course.dates[0], course.dates[-1]
    span = max((last - first).days, 1)

    def x(day: pd.Timestamp) -> float:
        return left + (right - left) * min(max((day - first) / pd.Timedelta(days=1) / span, 0.0), 1.0)

    def y(ece: float) -> float:
        return bottom - (bottom - top) * ece / most

    step = next(s for s in (0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0) if most / s <= 5)
    parts = []
    for k in range(int(most / step) + 1):
        parts += [_line(left, y(k * step), right, y(k * step), "#d5d5d5", 1)]
        parts += [_text(left - 4, y(k * step) + 4, f"{k * step:g}", QUIET, "end")]
    for month in pd.date_range(first, last, freq="MS"):
        parts += [_line(x(month), bottom, x(month), bottom + 4, INK, 1)]
        if span <= 200 or month.month % 2:
            parts += [_text(x(month), bottom + 17, edge.MONTHS[month.month - 1][:3], INK, "start")]
    for event in events:
        at = x(pd.Timestamp(event.nights[0]))
        parts += [_line(at, top, at, bottom, QUIET, 1, "1 3"), _text(at, top - 5, _mark(event), QUIET, "middle")]
    parts += [
        _line(left, y(limit), right, y(limit), ALERT, 1.4),
        _text(right, y(limit) - 4, "limit of the mean", ALERT, "end"),
    ]
    for layer, colour, dashes in ((0, INK, ""), (1, WATER, ' stroke-dasharray="6 3"')):
        for run in _runs(course.ece[:, layer]):
            line = _points((x(course.dates[i]), y(float(course.ece[i, layer]))) for i in run)
            parts.append(f'<polyline points="{line}" fill="none" stroke="{colour}" stroke-width="2"{dashes}/>')
        parts.append(f'<circle cx="{right}" cy="{y(float(now[layer])):.1f}" r="3.4" fill="{colour}"/>')
    for day, layer, ece in course.samples:
        colour = (INK, WATER)[layer]
        parts.append(
            f'<rect x="{x(day) - 3.5:.1f}" y="{y(ece) - 3.5:.1f}" width="7" height="7" fill="#fff" stroke="{colour}" '
            'stroke-width="1.8"/>'
        )
    parts += [_line(left, bottom, right, bottom, INK, 1), _text(left + 2, top - 5, "dS/m", QUIET)]
    return _svg(WIDTH, height, parts, alt)


def _mark(event: SaltEvent) -> str:
    return "rain" if event.kind == "rain" else "flush"


def _runs(values: np.ndarray) -> list[np.ndarray]:
    """Stretches without gaps, as indices; a single point is no line."""
    on = np.flatnonzero(np.isfinite(values))
    return [run for run in np.split(on, np.flatnonzero(np.diff(on) > 1) + 1) if run.size > 1]
