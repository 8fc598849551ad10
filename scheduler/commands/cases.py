"""Commands that put cases to a site: orders, outages and other weather, for an evening or for a season."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from scheduler.errors import NoPlan
from scheduler.terminal.command import SiteFolder, complain, date_of, faults_told

INTERRUPTED = 130  # exit code of a command stopped from the keyboard
KEPT = "Weather years that were done are kept; the same command with --resume goes on from there."

Cases = Annotated[
    list[str] | None,
    typer.Argument(help="Cases: names in SITE/cases or files; A+B is both at once. All of the folder if left out."),
]
Given = Annotated[
    list[str] | None,
    typer.Option("--set", help="A key of a case on the command line; may be given again.", metavar="KEY=VALUE"),
]
Swept = Annotated[
    str | None,
    typer.Option(help="One key in steps, as allocation_factor=1.0..0.5 or =1.0..0.5/20.", metavar="KEY=A..B"),
]
Night = Annotated[str | None, typer.Option(help="Evening to plan, as YYYY-MM-DD; tonight if left out.", metavar="DATE")]
Out = Annotated[Path | None, typer.Option(help="Folder for the files; SITE/whatif/CASES if left out.")]
Season = Annotated[bool, typer.Option("--season", help="Live each case night by night to the end of the allocation.")]
Until = Annotated[str | None, typer.Option(help="The same until this date.", metavar="DATE")]
Weather = Annotated[
    str,
    typer.Option(
        help="Weather years: drawn from the record, the record's own, or those of a file.", metavar="drawn|record|FILE"
    ),
]
Years = Annotated[int, typer.Option(help="How many weather years.", min=1, max=200)]
Seed = Annotated[int, typer.Option(help="The same seed draws the same years.", min=0)]
Resume = Annotated[bool, typer.Option("--resume", help="Go on from the years the ledger holds.")]
Mismatch = Annotated[
    bool, typer.Option("--mismatch", help="Zones differ from what the plan believes, as the filter says they may.")
]
Workers = Annotated[int, typer.Option(help="Weather years side by side on this computer.", min=1, max=64)]
Cluster = Annotated[str | None, typer.Option(help="Or on the Dask cluster at this address.", metavar="ADDRESS")]


def whatif(
    site: SiteFolder,
    cases: Cases = None,
    set_: Given = None,
    sweep: Swept = None,
    night: Night = None,
    out: Out = None,
    season: Season = False,
    until: Until = None,
    weather: Weather = "drawn",
    years: Years = 5,
    seed: Seed = 1,
    resume: Resume = False,
    mismatch: Mismatch = False,
    workers: Workers = 1,
    cluster: Cluster = None,
) -> None:
    """Put orders, outages and other weather to the evening, or to a season, side by side with how things are."""
    from scheduler.ledger.keeping import bring_in
    from scheduler.site import load_site
    from scheduler.terminal.progress import steps
    from scheduler.terminal.whatif import print_whatif
    from scheduler.whatif import door
    from scheduler.whatif.run import Asked, run_whatif
    from scheduler.whatif.season import Ahead

    chosen, last = date_of(night), date_of(until, "--until")
    ahead = None
    if season or last is not None:
        ahead = Ahead(last, weather, years, seed, mismatch, resume, door.Workers(workers, cluster))
    screen = Console()
    with faults_told(site, "Nothing was worked out"):
        with steps(screen, "reading the site folder") as (step, told):
            asked = Asked(tuple(cases or ()), tuple(set_ or ()), sweep, chosen, out, ahead)
            kept = bring_in(load_site(site))
            try:
                document, files = run_whatif(kept, asked, step, told)
            except door.NoCluster as reason:
                raise NoPlan(str(reason)) from reason
            except KeyboardInterrupt:
                complain("Stopped." if ahead is None else f"Stopped. {KEPT}")
                raise typer.Exit(INTERRUPTED) from None
            finally:
                kept.close()
        print_whatif(screen, document, files)
