"""What the terminal shows: short tables in the site's units."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from scheduler.document.actions import missing_words, none_needed_yet
from scheduler.document.parts import PlanDocument
from scheduler.document.rung import LABELS
from scheduler.edge import (
    format_area,
    format_date,
    format_depth,
    format_duration,
    format_energy,
    format_flow,
    format_money,
    format_percent,
    format_rate,
    format_salinity,
    format_short_date,
    format_time,
    format_volume,
)
from scheduler.errors import counted
from scheduler.salinity.records import SaltReport
from scheduler.sheets.salts import (
    SOON,
    flush_nights,
    flushable,
    leaching_row,
    status_sentence,
    undrained_words,
    urgency,
    zone_row,
)

if TYPE_CHECKING:
    from scheduler.site.understood import Understood

LISTED = 8  # warnings shown before "and N more"
DEEDS = 5  # deeds shown, as on the night sheet
SALTY = 12  # salty zones shown before "and N more"


def print_evening(screen: Console, document: PlanDocument, files: Sequence[Path]) -> None:
    """Print the summary of a planned evening."""
    units, currency = document.site.units, document.site.currency
    tonight = document.nights[0]
    night = document.night
    if LABELS[document.rung]:
        screen.print(escape(LABELS[document.rung]), style="bold red", highlight=False)
    status = "nothing runs tonight, water by hand tomorrow" if none_needed_yet(document) else document.status
    screen.print(
        f"[bold]{escape(document.site.name)}[/bold], night of {format_date(night, units)}: {status}",
        highlight=False,
    )
    energy = "" if tonight.energy_kwh is None else f", {format_energy(tonight.energy_kwh)}"
    cost = "" if tonight.cost is None else f", {format_money(tonight.cost, currency)}"
    ends = [c.end for z in document.zones for c in z.cycles]
    starts = [c.start for z in document.zones for c in z.cycles]
    span = f", {format_time(min(starts), units)} to {format_time(max(ends), units)}" if ends else ""
    screen.print(
        f"{counted(tonight.zones_running, 'zone')} of {document.site.zones:,} run{span}; "
        f"{format_volume(tonight.volume_m3, units)}, {format_duration(tonight.minutes)} of run time"
        f"{energy}{cost}",
        highlight=False,
    )
    for deed in document.actions[:DEEDS]:
        screen.print(f"{deed.severity}: {escape(deed.what)} ({escape(deed.where)})", style="bold", highlight=False)
    screen.print(_surfaces(document, units))
    _print_planned_flushes(screen, document)
    _print_limits(screen, document)
    for row in document.give_way:
        screen.print(f"gives way: {escape(row.words)}", style="yellow", highlight=False)
    _list(screen, missing_words(document), "step-down")
    _list(screen, [f"{w.subject}: {w.text}" for w in document.warnings], "warning")
    for file in files:
        screen.print(f"wrote {escape(str(file))}", highlight=False, soft_wrap=True)


def _surfaces(document: PlanDocument, units: str) -> Table:
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("surface")
    for name in ("zones", "run tonight", "mean depth", "water", "dry zone-days", "soft zone-days"):
        table.add_column(name, justify="right")
    for row in document.surfaces:
        table.add_row(
            row.surface,
            f"{row.zones:,}",
            f"{row.running:,}",
            format_depth(row.depth_mm, units) if row.running else "-",
            format_volume(row.volume_m3, units) if row.running else "-",
            f"{row.dry_zone_days:,}",
            f"{row.wet_zone_days:,}",
        )
    return table


def _print_planned_flushes(screen: Console, document: PlanDocument) -> None:
    """Count the salt flushes of the plan."""
    flushes = document.flushes
    if flushes:
        now = sum(document.night in f.nights for f in flushes)
        never = sum(not f.nights for f in flushes)
        parts = [f"{now} tonight", f"{len(flushes) - now - never} on later nights"]
        parts += [f"{never} due, but not within this plan"] if never else []
        screen.print("salt flushes: " + ", ".join(parts), highlight=False)
    upkeep = document.leaching.upkeep
    if upkeep:
        now = sum(document.night in u.nights for u in upkeep)
        screen.print(
            f"a little leaching with their watering: {counted(len(upkeep), 'zone')}, {now} tonight", highlight=False
        )


def _print_limits(screen: Console, document: PlanDocument) -> None:
    """Say which limits bind, tonight's first, later nights counted."""
    tonight = [r for r in document.nights[0].limits if r.binds]
    for row in sorted(tonight, key=lambda r: -(r.price or 0.0))[:5]:
        screen.print(f"the plan stops at: {escape(row.words)}", highlight=False)
    worth = None if document.allocation is None else document.allocation.worth_per_m3
    if worth is not None:
        screen.print(escape(worth.words), highlight=False)
    later = sum(r.binds for n in document.nights[1:] for r in n.limits)
    if later:
        bind = "more limit binds" if later == 1 else "more limits bind"
        screen.print(f"{later} {bind} on later nights (see the night sheet)", highlight=False)


def _list(screen: Console, lines: Sequence[str], kind: str) -> None:
    for line in lines[:LISTED]:
        screen.print(f"{kind}: {escape(line)}", style="yellow" if kind != "note" else "", highlight=False)
    if len(lines) > LISTED:
        screen.print(f"and {counted(len(lines) - LISTED, 'more ' + kind)}", style="yellow", highlight=False)


def print_understood(screen: Console, site: Understood) -> None:
    """Print what was understood of a site folder."""
    units = site.units
    screen.print(
        f"[bold]{escape(site.name)}[/bold], {escape(site.place)}, {site.time_zone}, window {site.window}",
        highlight=False,
    )
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("surface")
    for name in ("zones", "area", "all flows", "mean rate", "priority", "hot night needs"):
        table.add_column(name, justify="right")
    for s in site.surfaces:
        table.add_row(
            s.surface, f"{s.zones:,}", format_area(s.area_m2, units), format_flow(s.flow_lps, units),
            format_rate(s.application_rate_mmh, units), str(s.priority), format_volume(s.hot_night_m3, units),
        )  # fmt: skip
    screen.print(table)
    screen.print(
        f"Hot week: {escape(site.hot_week)}, ETo {format_depth(site.hot_week_eto_mm, units)}; "
        f"all zones together need {format_volume(site.hot_week_demand_m3, units)}",
        highlight=False,
    )
    _print_pumps(screen, site)
    for f in site.files:
        dates = f", {f.first} to {f.last}" if f.first and f.last else ""
        screen.print(f"{f.file}: {counted(f.rows, 'row')}{dates}", highlight=False)
    _list(screen, [str(n) for n in site.step_downs], "step-down")
    _list(screen, [str(n) for n in site.warnings], "warning")
    _list(screen, [str(n) for n in site.infos], "note")


def _print_pumps(screen: Console, site: Understood) -> None:
    """Say what each pump can deliver in a week against what a hot week asks of it."""
    for pump in site.pumps:
        if pump.deliverable_m3 is None:
            screen.print(f"{escape(pump.name)}: no limit given", highlight=False)
            continue
        share = pump.demand_m3 / pump.deliverable_m3 if pump.deliverable_m3 else float("inf")
        style = "" if pump.enough else "bold yellow"
        screen.print(
            f"{escape(pump.name)}: a hot week asks {share:.0%} of what it delivers in its windows "
            f"({format_volume(pump.demand_m3, site.units)} of {format_volume(pump.deliverable_m3, site.units)})",
            style=style,
            highlight=False,
        )


def print_salts(screen: Console, report: SaltReport, file: Path) -> None:
    """Print how salty the site stands, and where the page is."""
    site = report.site
    screen.print(
        f"[bold]{escape(site.name)}[/bold], salts on {format_short_date(report.night, site.units)}: "
        f"{escape(status_sentence(report))}",
        highlight=False,
    )
    if report.state.known.any():
        screen.print(_by_surface(report))
        _print_urgent(screen, report)
        _print_flushes(screen, report)
    for name, findings in report.waters:
        for found in findings:
            if found.grade != "none":
                screen.print(f"{escape(name)}, {found.subject} ({found.grade}): {escape(found.text)}", highlight=False)
    for note in report.notes:
        screen.print(f"{note.kind.replace('_', '-')}: {escape(str(note))}", style="yellow", highlight=False)
    screen.print(f"wrote {escape(str(file))}", highlight=False, soft_wrap=True)


def _by_surface(report: SaltReport) -> Table:
    """One row a surface: zones, median and highest mean ECe, zones above and near their limit, leaching."""
    zones, state = report.site.zones, report.state
    over, soon = (np.isin(np.arange(len(zones)), found) for found in urgency(report))
    leaching = {row.surface: leaching_row(report, row) for row in report.leaching}
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("surface")
    for name in ("zones", "median ECe", "highest", "where", "above limit", f"within {SOON} d", "leached", "owed"):
        table.add_column(name, justify="right")
    for surface in sorted(set(zones.surface), key=lambda s: (report.site.surfaces[s].priority, s)):
        own = np.flatnonzero((zones.surface == surface) & state.known)
        if not own.size:
            continue
        worst = int(own[state.mean[own].argmax()])
        row = leaching.get(surface)
        table.add_row(
            surface,
            f"{own.size:,}",
            format_salinity(float(np.median(state.mean[own]))),
            format_salinity(float(state.mean[worst])),
            escape(str(zones.zone[worst])),
            f"{over[own].sum():,}",
            f"{soon[own].sum():,}",
            row["achieved"] if row else format_percent(None),
            row["required"] if row else format_percent(None),
        )
    return table


def _print_urgent(screen: Console, report: SaltReport) -> None:
    """List the zones above or near their limit that can be flushed, and count the others."""
    urgent = flushable(report)
    for z in urgent[:SALTY]:
        row = zone_row(report, z)
        text = (
            f"{report.site.zones.zone[z]}: {row['ece']}, to the limit: {row['days']} ({row['known']}); {row['words']}"
        )
        screen.print(escape(text), style="yellow", highlight=False)
    if len(urgent) > SALTY:
        screen.print(f"and {len(urgent) - SALTY:,} more zones above or near their limit", style="yellow")
    if words := undrained_words(report):
        screen.print(escape(words), highlight=False)


def _print_flushes(screen: Console, report: SaltReport) -> None:
    """Say what flushes did, and what is planned."""
    flushes = [e for e in report.events if e.kind == "flush"]
    if flushes:
        last = max(e.nights[-1] for e in flushes)
        own = [e for e in flushes if e.nights[-1] == last]
        reached = sum(e.reached for e in own)
        screen.print(
            f"{counted(flush_nights(report), 'night')} with flushes this season; the last on "
            f"{format_short_date(last, report.site.units)}: {counted(len(own), 'zone')}, salt left the lower half of "
            f"the roots in {reached}",
            highlight=False,
        )
    else:
        screen.print("no flush this season", highlight=False)
    if report.planned_on is None:
        return
    when = format_short_date(report.planned_on, report.site.units)
    screen.print(f"flushes in the plan of {when}: {counted(len(report.planned), 'zone')}", highlight=False)
