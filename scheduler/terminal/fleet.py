"""What the terminal shows of many sites: one row each, the one in most trouble first."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from scheduler.errors import counted
from scheduler.whatif.fleet import Fleet


def print_fleet(screen: Console, fleet: Fleet, files: Sequence[Path]) -> None:
    """Print every site with what a person should know of it first."""
    failed = sum(one.code != 0 for one in fleet.sites)
    screen.print(
        f"[bold]{escape(fleet.command)}[/bold] at {counted(len(fleet.sites), 'site')}"
        + (f"; {failed} failed, the others are done" if failed else ", all done"),
        highlight=False,
    )
    table = Table(box=None, pad_edge=False, header_style="bold")
    for name in ("site", "", "dry zone-days", "warnings", ""):
        table.add_column(name, justify="right" if name in ("dry zone-days", "warnings") else "left")
    for one in fleet.sites:
        dry, warnings = ("-" if v is None else f"{v:,}" for v in (one.dry_zone_days, one.warnings))
        table.add_row(escape(one.name), one.state, dry, warnings, escape(one.words), style="yellow" if one.code else "")
    screen.print(table)
    for file in files:
        screen.print(f"wrote {escape(str(file))}", highlight=False, soft_wrap=True)
