"""What the terminal shows of a what-if: cases side by side, and the curve of a sweep."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from scheduler.edge import format_energy, format_money, format_salinity, format_short_date, format_volume
from scheduler.errors import counted
from scheduler.whatif.document import SweepNumbers, WhatIf
from scheduler.whatif.page import nights_open, runs_out


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
        for words in case.asked:
            screen.print(f"  asks: {escape(words)}", highlight=False)
        for row in case.gives_way:
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
    """One column a case; zone-days past the dry limit by surface."""
    units, usual, cases = document.site.units, document.cases[0], document.cases
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column("")
    for case in cases:
        table.add_column(escape(case.title), justify="right", max_width=18)
    table.add_row("water", *(format_volume(c.water_m3, units, beside=usual.water_m3) for c in cases))
    table.add_row("cost", *(format_money(c.cost, document.site.currency) for c in cases))
    table.add_row("energy", *(format_energy(c.energy_kwh) for c in cases))
    for i, surface in enumerate(usual.surfaces):
        table.add_row(f"{surface.surface}, dry zone-days", *(f"{c.surfaces[i].dry_zone_days:,}" for c in cases))
    table.add_row("soft zone-nights", *(f"{sum(s.soft_zone_days for s in c.surfaces):,}" for c in cases))
    if any(s.ece_mean_dsm is not None for s in usual.surfaces):
        table.add_row("salt flushes", *(f"{c.flushes:,}" for c in cases))
        first = next(i for i, s in enumerate(usual.surfaces) if s.ece_mean_dsm is not None)
        salt = (format_salinity(c.surfaces[first].ece_mean_dsm) for c in cases)
        table.add_row(f"{usual.surfaces[first].surface}, ECe at the end", *salt)
    if any(not n.allowed for c in cases for n in c.nights):
        table.add_row("nights that may run", *(nights_open(c) for c in cases))
    return table


def _curve(document: WhatIf, sweep: SweepNumbers) -> Table:
    """One row a point: water, cost, and dry zone-days by surface."""
    units, currency = document.site.units, document.site.currency
    table = Table(box=None, pad_edge=False, header_style="bold", title="dry zone-days by surface", title_justify="left")
    table.add_column(sweep.key.replace("_", " "), justify="right", min_width=max(map(len, sweep.key.split("_"))))
    for name in ("water", "cost", *(s.surface for s in sweep.points[0].surfaces)):
        table.add_column(name, justify="right", no_wrap=True)
    for point in sweep.points:
        table.add_row(
            f"{point.value:.3g}",
            format_volume(point.water_m3, units, beside=sweep.points[0].water_m3),
            format_money(point.cost, currency),
            *(f"{s.dry_zone_days:,}" for s in point.surfaces),
        )
    return table


def _print_season(screen: Console, document: WhatIf) -> None:
    season, units = document.season, document.site.units
    assert season is not None
    cases, usual = season.cases, season.cases[0].water_m3.median
    table = Table(box=None, pad_edge=False, header_style="bold")
    table.add_column(f"season to {season.last}, {counted(len(season.years), 'weather year')}")
    for case in cases:
        table.add_column(escape(case.title), justify="right", max_width=18)
    table.add_row("water", *(format_volume(c.water_m3.median, units, beside=usual) for c in cases))
    if cases[0].left_m3 is not None:
        left = (None if c.left_m3 is None else c.left_m3.median for c in cases)
        table.add_row("left of the allocation", *(format_volume(v, units, beside=usual) for v in left))
        table.add_row("runs out", *(runs_out(c.runs_out, units)[0] for c in cases))
    for i, surface in enumerate(cases[0].surfaces):
        dry = (f"{c.surfaces[i].dry_zone_days.median:,.0f}" for c in cases)
        table.add_row(f"{surface.surface}, dry zone-days", *dry)
    if any(c.flushes.high for c in cases):
        table.add_row("salt flushes", *(f"{c.flushes.median:,.0f}" for c in cases))
    screen.print(table)
    for case in season.cases:
        screen.print(f"[bold]{escape(case.title)}[/bold]: {escape(case.words)}", highlight=False)
    for note in (season.weather, season.forecasts, *season.notes):
        screen.print(escape(note), highlight=False)
