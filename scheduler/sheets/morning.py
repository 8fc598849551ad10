"""The morning page: one self-contained HTML file from a `MorningReport`, in the site's units."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from scheduler import edge
from scheduler.errors import counted
from scheduler.files import write_atomic
from scheduler.morning.records import MorningReport
from scheduler.sheets.names import PLURALS
from scheduler.sheets.night import environment

ROWS = 400  # zones listed on the page at most
REACHED = {True: "reached", False: "not reached", None: "not measured"}
WALKED = 12  # stops listed at most


def morning_page(report: MorningReport) -> str:
    """Make the page: a whole HTML text."""
    return environment().get_template("morning.html.jinja").render(**morning_sections(report))


def write_morning_page(report: MorningReport, path: Path) -> Path:
    """Write the page in one step.

    Raises
    ------
    OSError   The file cannot be written; the old one is unchanged.
    """
    return write_atomic(path, morning_page(report))


def morning_sections(report: MorningReport) -> dict[str, Any]:
    """Everything the template places."""
    site, units = report.site, report.site.units
    volume = float(np.nansum(report.depth * site.zones.area) / 1000.0)
    ran, logged = int((report.depth > 0).sum()), not np.isnan(report.applied).all()
    return {
        "site": site.name,
        "night": edge.format_date(report.night, units),
        "status": _status(report),
        "figures": [
            {"label": "Zones that ran" if logged else "Zones planned", "value": f"{ran:,} of {len(site.zones):,}"},
            {"label": "Water" if logged else "Water, if all ran", "value": edge.format_volume(volume, units)},
            {"label": "Did not respond", "value": f"{int(report.silent.sum()):,}"},
            {"label": "Spots by hand", "value": f"{len(report.hand):,}"},
        ],
        "walk": report.walk[:WALKED],
        "walk_more": sum(stop.zones for stop in report.walk[WALKED:]),
        "hand": report.hand,
        "flushes": [
            {
                "zone": f.zone,
                "probe": f.probe,
                "depth": edge.DASH if np.isnan(f.depth) else edge.format_probe_depth(100.0 * f.depth, units),
                "moisture": f"{_percent(f.moisture[0])} to {_percent(f.moisture[1])}",
                "ec": f"{edge.format_salinity(f.ec[0])} to {edge.format_salinity(f.ec[1])}",
                "reached": REACHED[f.reached] if f.lower else "",
            }
            for f in report.flushes
        ],
        "weather": [
            {
                "day": edge.format_short_date(w.day, units),
                "eto": [edge.format_depth(v, units) for v in w.eto],
                "rain": [edge.format_depth(v, units) for v in w.rain],
            }
            for w in report.weather
        ],
        "surfaces": _surfaces(report),
        "notes": [str(n) for n in report.notes],
    }


def _status(report: MorningReport) -> str:
    silent, hand = int(report.silent.sum()), len(report.hand)
    if not silent and not hand and not report.walk:
        return "Nothing stands out."
    parts = []
    if silent:
        parts.append(f"{silent} zone{'s' if silent > 1 else ''} did not respond to water")
    if hand:
        parts.append(f"{hand} spot{'s are drier than their' if hand > 1 else ' is drier than its'} dry limit")
    if not parts:
        parts.append(f"{counted(sum(stop.zones for stop in report.walk), 'zone')} to look at")
    text = "; ".join(parts)
    return text[0].upper() + text[1:] + "."


def _surfaces(report: MorningReport) -> list[dict[str, Any]]:
    """One table a surface: every zone that was planned, ran or is measured."""
    site, units, out = report.site, report.site.units, []
    zones = site.zones
    shown = (np.nan_to_num(report.planned) > 0) | (np.nan_to_num(report.applied) > 0) | ~np.isnan(report.measured)
    for surface in sorted(set(zones.surface), key=lambda s: (site.surfaces[s].priority, s)):
        rows = [
            {
                "zone": zones.name[z] or zones.zone[z],
                "planned": edge.format_duration(report.planned[z]),
                "applied": edge.format_duration(report.applied[z]),
                "before": edge.format_depth(report.before[z], units),
                "measured": edge.format_depth(report.measured[z], units),
                "verdict": report.verdict[z],
            }
            for z in np.flatnonzero((zones.surface == surface) & shown)[:ROWS]
        ]
        if rows:
            told = sum(bool(r["verdict"]) for r in rows)
            out.append({"title": PLURALS[surface], "rows": rows, "told": told})
    return out


def _percent(value: float) -> str:
    return edge.DASH if np.isnan(value) else f"{100 * value:.1f} %"
