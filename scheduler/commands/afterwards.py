"""Commands that look back: a night, what it teaches, the salts, the season."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from scheduler.terminal.command import SiteFolder, date_of, faults_told


def morning(
    site: SiteFolder,
    night: Annotated[
        str | None, typer.Option(help="Night to look back on; the latest one if left out.", metavar="DATE")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="The page to write; SITE/out/NIGHT/morning.html if left out.")
    ] = None,
) -> None:
    """Look back on a night: what ran, what it did, where to walk first and what to water by hand."""
    from scheduler.ledger.keeping import bring_in
    from scheduler.morning.report import latest_night, morning_report
    from scheduler.nights import local_now, out_folder
    from scheduler.sheets.morning import write_morning_page
    from scheduler.site import load_site
    from scheduler.terminal.records import print_morning

    chosen = date_of(night)
    screen = Console()
    with faults_told(site, "Nothing was written"):
        with screen.status("reading the site folder") as status:
            kept = bring_in(load_site(site))
            try:
                last = chosen or latest_night(kept, local_now(kept.site))
                status.update("what the night did")
                report = morning_report(kept, last)
            finally:
                kept.close()
            file = write_morning_page(report, out or out_folder(kept.site, last) / "morning.html")
        print_morning(screen, report, file)


def learn(
    site: SiteFolder,
    night: Annotated[
        str | None, typer.Option(help="Learn from the record up to this evening; tonight if left out.", metavar="DATE")
    ] = None,
    accept: Annotated[
        bool, typer.Option("--accept", help="Keep all shown values; the evening then uses them.")
    ] = False,
    accept_only: Annotated[
        str | None, typer.Option(help="Keep only those of these zones or quantities.", metavar="NAME,...")
    ] = None,
) -> None:
    """Show what the record says of each zone, before and after; nothing changes unless accepted."""
    from scheduler import learn as learning
    from scheduler.ledger import queries
    from scheduler.ledger.keeping import open_site_ledger, with_accepted
    from scheduler.nights import choose_night, evening_of, local_now
    from scheduler.site import load_site
    from scheduler.terminal.records import print_lesson

    chosen = date_of(night)
    screen = Console()
    with faults_told(site, "Nothing was learned"):
        with screen.status("reading the site folder") as status:
            loaded = load_site(site)
            ledger = open_site_ledger(loaded)
            try:
                known = with_accepted(loaded, queries.accepted_values(ledger))
                evening = chosen or choose_night(loaded, evening_of(local_now(loaded)))
                status.update("learning from the record")
                lesson = learning.learn(loaded, known, evening)
                names = None if accept_only is None else [n.strip() for n in accept_only.split(",") if n.strip()]
                try:
                    rows = learning.choose(lesson, known, names)
                except ValueError as error:
                    raise typer.BadParameter(str(error), param_hint="--accept-only") from error
                kept = learning.accept(ledger, rows) if accept or names is not None else None
            finally:
                ledger.close()
        print_lesson(screen, known, lesson, kept)


def salts(
    site: SiteFolder,
    night: Annotated[
        str | None, typer.Option(help="Evening to look at, as YYYY-MM-DD; tonight if left out.", metavar="DATE")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="The page to write; SITE/out/NIGHT/salts.html if left out.")] = None,
) -> None:
    """Show how salty each zone is, how fast it rises and what flushes did; write the salt page."""
    from scheduler.ledger.keeping import as_held
    from scheduler.nights import choose_night, evening_of, local_now, out_folder
    from scheduler.salinity.report import salt_report
    from scheduler.sheets.salts import write_salt_page
    from scheduler.site import load_site
    from scheduler.terminal.evening import print_salts

    chosen = date_of(night)
    screen = Console()
    with faults_told(site, "Nothing was written"):
        with screen.status("reading the site folder") as status:
            loaded = as_held(load_site(site))
            evening = chosen or choose_night(loaded, evening_of(local_now(loaded)))
            status.update("salts over the season")
            report = salt_report(loaded, evening)
            file = write_salt_page(report, out or out_folder(loaded, evening) / "salts.html")
        print_salts(screen, report, file)


def season(
    site: SiteFolder,
    first: Annotated[
        str | None,
        typer.Option(
            "--from",
            help="First night; the allocation's or the year's first with a record if left out.",
            metavar="DATE",
        ),
    ] = None,
    last: Annotated[
        str | None, typer.Option("--until", help="Last night; the newest of the record if left out.", metavar="DATE")
    ] = None,
    base: Annotated[
        int | None, typer.Option(help="Year to compare with; the year before if it was recorded.", metavar="YEAR")
    ] = None,
    unit: Annotated[
        str | None, typer.Option(help="Unit of volumes: m3, gal, kgal, acre_ft or ccf; the site's if left out.")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Folder for the files; SITE/season/FROM_UNTIL if left out.")] = None,
) -> None:
    """Give account of a season's water: for the owner, a committee and the water agency."""
    from scheduler.ledger.keeping import as_held
    from scheduler.nights import local_now
    from scheduler.season.make import season_account
    from scheduler.season.record import with_earlier_record
    from scheduler.season.span import choose_span
    from scheduler.season.words import UNITS
    from scheduler.season.write import season_folder, write_season
    from scheduler.site import load_site
    from scheduler.terminal.season import print_season

    since, until = date_of(first, "--from"), date_of(last, "--until")
    if unit is not None and unit not in UNITS:
        raise typer.BadParameter(f'read "{unit}"; allowed: {", ".join(UNITS)}', param_hint="--unit")
    screen = Console()
    with faults_told(site, "Nothing was written"):
        with screen.status("reading the site folder") as status:
            known = with_earlier_record(as_held(load_site(site)))
            span = choose_span(known, since, until)
            document, record = season_account(known, span, local_now(known), base, unit, status.update)
            status.update("writing the account")
            files = write_season(document, record, out or season_folder(known, span))
        print_season(screen, document, files)
