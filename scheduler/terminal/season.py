"""What the terminal shows of a season's account: the five answers, what to look into, and where the files are."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.markup import escape

from scheduler.edge import format_date
from scheduler.season.document import SeasonDocument


def print_season(screen: Console, document: SeasonDocument, files: Sequence[Path]) -> None:
    """Print an account in brief."""
    units = document.site.units
    first, last = (format_date(day, units) for day in (document.span.first, document.span.last))
    screen.print(f"{escape(document.site.name)}, nights of {first} to {last}", style="bold", highlight=False)
    for answer in document.answers:
        screen.print(f"{answer.question} [bold]{escape(answer.headline)}[/bold]", highlight=False)
        screen.print(f"  {escape(answer.words)}", highlight=False)
    for line in document.next_season:
        screen.print(f"next season: {escape(line)}", highlight=False)
    for line in document.uncounted:
        screen.print(f"not counted: {escape(line)}", style="yellow", highlight=False)
    for file in files:
        screen.print(f"wrote {escape(str(file))}", highlight=False, soft_wrap=True)
