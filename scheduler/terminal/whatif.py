"""What the terminal shows of a what-if: cases side by side, and the curve of a sweep."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from scheduler.edge import format_energy, format_money, format_salinity, format_short_date, format_volume
from scheduler.whatif.document import SweepNumbers, WhatIf
from scheduler.whatif.page import runs_out


def print_whatif(screen: Console, document: WhatIf, files: Sequence[Path]) -> None:
    """Print cases beside each other, what each comes to, and where the files are."""
    units = document.site.units
    night = date.fromisoformat(document.night)
    screen.print(
        f"[bold]{escape(document.site.name)}[/bold], what if, {len(document.nights)} nights from "
        f"{format_short_date(night, units)}",
        highlight=False,
    )
    screen.print(_comparison(document))
    for case in document.cases:
        screen.print(f"[bold]{escape(case.title)}[/bold]: {escape(case.words)}", highlight=False)
        for row in case.gives_way[:3] if case.gives_way else ():
            screen.print(f"  gives way: {escape(row.words)}", style="yellow", highlight=False)
        for order in case.orders:
            screen.print(f"  order: {escape(order.words)}", highlight=False)
        for limit in case.limits:
            screen.print(f"  {escape(limit.words)}", highlight=False)
        for note in case.notes:
            screen.print(f"  {escape(note)}", style="yellow", highlight=False)
    if document.sweep is not None:
        screen.print(_curve(document, document.sweep))
        for words in document.sweep.words:
            screen.print(escape(words), highlight=False)
    if document.season is not None:
        _print_season(screen, document)
    for file in files:
        screen.print(f"wrote {escape(str(file))}", highlight=False, soft_wrap=True)


def _comparison(document: WhatIf) -> Table:
    """One row a case; zone-days past the dry limit by surface."""
    units, usual = document.site.units, document.cases[0]
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("case", max_width=34)
    for name in ("water", "cost", "energy", *(f"{s.surface} dry" for s in usual.surfaces), "soft", "flushes", "ECe"):
        table.add_column(name, justify="right")
    for case in document.cases:
        worst = max((s.ece_highest_dsm for s in case.surfaces if s.ece_highest_dsm is not None), default=None)
        table.add_row(
            escape(case.title),
            format_volume(case.water_m3, units, beside=usual.water_m3),
            format_money(case.cost, document.site.currency),
            format_energy(case.energy_kwh),
            *(f"{s.dry_zone_days:,}" for s in case.surfaces),
            f"{sum(s.soft_zone_days for s in case.surfaces):,}",
            f"{case.flushes:,}",
            format_salinity(worst),
        )
    return table


def _curve(document: WhatIf, sweep: SweepNumbers) -> Table:
    units = document.site.units
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column(sweep.key.replace("_", " "), justify="right")
    for name in ("water", "cost", *(f"{s.surface} dry" for s in sweep.points[0].surfaces)):
        table.add_column(name, justify="right")
    for point in sweep.points:
        table.add_row(
            f"{point.value:g}",
            format_volume(point.water_m3, units, beside=sweep.points[0].water_m3),
            format_money(point.cost, document.site.currency),
            *(f"{s.dry_zone_days:,}" for s in point.surfaces),
        )
    return table


def _print_season(screen: Console, document: WhatIf) -> None:
    season, units = document.season, document.site.units
    assert season is not None
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column(f"season to {season.last}, {len(season.years)} weather years", max_width=34)
    surfaces = [s.surface for s in season.cases[0].surfaces]
    for name in ("water", "left", "runs out", *(f"{s} dry" for s in surfaces), "flushes"):
        table.add_column(name, justify="right")
    usual = season.cases[0].water_m3.median
    for case in season.cases:
        table.add_row(
            escape(case.title),
            format_volume(case.water_m3.median, units, beside=usual),
            format_volume(None if case.left_m3 is None else case.left_m3.median, units, beside=usual),
            runs_out(case.runs_out, units)[0] if case.left_m3 is not None else "-",
            *(f"{s.dry_zone_days.median:,.0f}" for s in case.surfaces),
            f"{case.flushes.median:,.0f}",
        )
    screen.print(table)
    for case in season.cases:
        screen.print(f"[bold]{escape(case.title)}[/bold]: {escape(case.words)}", highlight=False)
    for note in (season.weather, season.forecasts, *season.notes):
        screen.print(escape(note), highlight=False)
