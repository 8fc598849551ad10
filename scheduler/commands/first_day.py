"""Commands of a first day: a site to begin from, what is understood of it, whether it can run by itself."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from scheduler.terminal.command import SiteFolder, faults_told


def new(
    folder: Annotated[Path, typer.Argument(help="Folder to write; it must not exist or be empty.")],
    zones: Annotated[
        Path | None, typer.Option("--from", help="Your own table of zones, .xlsx or .csv.", metavar="FILE")
    ] = None,
    name: Annotated[str | None, typer.Option(help="Name of the site; that of the folder if left out.")] = None,
    units: Annotated[str | None, typer.Option(help="us or metric.")] = None,
    latitude: Annotated[str | None, typer.Option(help="Degrees, or 34.6 N.", metavar="DEG")] = None,
    longitude: Annotated[str | None, typer.Option(help="Degrees, west negative, or 116.9 W.", metavar="DEG")] = None,
    elevation: Annotated[str | None, typer.Option(help="Height above the sea: 1410 ft, 430 m.")] = None,
    time_zone: Annotated[str | None, typer.Option(help="Such as America/Denver; the nearest if left out.")] = None,
    currency: Annotated[str | None, typer.Option(help="Such as USD.")] = None,
    surfaces: Annotated[
        str | None, typer.Option(help="Zones of each surface: green=9, tee=9, fairway=12.", metavar="LIST")
    ] = None,
    controllers: Annotated[str | None, typer.Option(help="Their names.", metavar="A,B")] = None,
    sources: Annotated[
        str | None, typer.Option(help="Waters and their EC in dS/m: reclaimed=1.4, well=0.8.", metavar="LIST")
    ] = None,
) -> None:
    """Write a commented, working site to begin from; on a terminal it asks what no option says."""
    from scheduler.starter import answered, write_starter
    from scheduler.terminal.new_site import ask, print_new_site

    given = {
        "units": units, "latitude": latitude, "longitude": longitude, "elevation": elevation, "time_zone": time_zone,
        "currency": currency, "surfaces": surfaces, "controllers": controllers, "sources": sources,
    }  # fmt: skip
    with faults_told(folder, "Nothing was written"):
        title = name or folder.resolve().name.replace("-", " ").replace("_", " ").strip().capitalize() or "New site"
        if sys.stdin.isatty() and sys.stdout.isatty():
            title, zones, given = ask(title if name is None else None, title, zones, given)
        try:
            answers = answered(title, zones=zones, **given)
        except ValueError as reason:
            raise typer.BadParameter(str(reason)) from None
        written = write_starter(folder, datetime.now().astimezone().date(), answers)
        print_new_site(Console(), folder, answers, written)


def check(site: SiteFolder) -> None:
    """Read a site folder and say what was understood of it; nothing is planned or written."""
    from scheduler.feeds.store import read_states
    from scheduler.plan.cautions import lived_by_caution
    from scheduler.site import load_site
    from scheduler.site.understood import understand_site
    from scheduler.state.skill import forecast_skill
    from scheduler.terminal.evening import print_understood
    from scheduler.terminal.nightly import print_cautions, print_feeds, print_skill

    screen = Console()
    with faults_told(site, "Nothing was written"):
        with screen.status("reading the site folder"):
            loaded = load_site(site)
            understood, skill = understand_site(loaded), forecast_skill(loaded)
            lives = lived_by_caution(loaded)
        print_understood(screen, understood)
        print_feeds(screen, loaded, read_states(site))
        print_skill(screen, skill, loaded.units)
        print_cautions(screen, lives, loaded.caution, loaded.units)


def timer(site: SiteFolder) -> None:
    """Print what starts the nightly run by itself: systemd, cron, Windows; nothing is installed."""
    from scheduler.nightly.timer import timer_text
    from scheduler.site import load_site

    with faults_told(site, "Nothing was printed"):
        sys.stdout.write(timer_text(load_site(site)))


def doctor(site: SiteFolder) -> None:
    """Look whether the nightly run can work here: read, write, reach its feeds, solve, tell the time."""
    from scheduler.nightly.doctor import examine
    from scheduler.terminal.nightly import print_findings

    raise typer.Exit(print_findings(Console(), examine(site)))
