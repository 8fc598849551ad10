"""Commands of an evening: planning it, by hand or unattended, and handing it on."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from scheduler.errors import USAGE
from scheduler.terminal.command import SiteFolder, clock_minute, complain, date_of, faults_told


def _profiles(asked: bool) -> None:
    """List the shipped export profiles and stop."""
    if asked:
        from scheduler.export import load_profile, shipped_profiles

        for name in shipped_profiles():
            Console().print(f"{name}: {load_profile(name).title}", highlight=False, soft_wrap=True)
        raise typer.Exit


def tonight(
    site: SiteFolder,
    night: Annotated[
        str | None, typer.Option(help="Evening to plan, as YYYY-MM-DD; tonight if left out.", metavar="DATE")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Folder for the night's files; SITE/out/NIGHT if left out.")] = None,
    hold: Annotated[
        list[str] | None, typer.Option(help="Run a zone so long, or as its plan stands.", metavar="ZONE[=MIN]")
    ] = None,
    skip: Annotated[list[str] | None, typer.Option(help="Do not run a zone tonight.", metavar="ZONE")] = None,
    only: Annotated[list[str] | None, typer.Option(help="Run this surface alone tonight.", metavar="SURFACE")] = None,
    percent: Annotated[
        list[str] | None,
        typer.Option(help="Run a programme as it stands, at a seasonal percent.", metavar="CONTROLLER/NUMBER=PERCENT"),
    ] = None,
) -> None:
    """Plan tonight: write the run-time table, plan.json and the night sheet."""
    from scheduler.ahead import load_beside
    from scheduler.ledger.keeping import bring_in
    from scheduler.night.edits import with_options
    from scheduler.night.percents import with_percents
    from scheduler.nights import choose_night, evening_of, local_now, opening_of, out_folder
    from scheduler.planning import planned_evening
    from scheduler.site import load_site

    chosen = date_of(night)
    screen = Console()
    with faults_told(site, "Nothing was planned"):
        with screen.status("reading the site folder") as status:
            loaded = load_site(site)
            now = local_now(loaded)
            evening = chosen or choose_night(loaded, evening_of(now))
            loaded = with_percents(loaded, evening, percent or ())
            loaded = with_options(loaded, evening, hold or (), skip or (), only or ())
            status.update("ledger and doubtful readings")
            kept = bring_in(loaded)
            flags = kept.flags_for(opening_of(kept.site, evening))
            loads = partial(load_beside, "scheduler.evening", "scheduler.terminal.evening")
            planned = planned_evening(kept.site, evening, now, status.update, flags, beside=loads)
            from scheduler.evening import document_of, publish
            from scheduler.terminal.evening import print_evening

            status.update("what it will do")
            document = document_of(planned)
            status.update("writing the night's files")
            document, files = publish(kept.site, document, out or out_folder(loaded, evening), kept.history(evening))
            not_kept = kept.keep(document)
            kept.close()
        print_evening(screen, document, files)
        if not_kept:
            screen.print(not_kept, style="yellow", markup=False, highlight=False)
        if evening != evening_of(now):
            screen.print(f"Planned for the evening of {evening.isoformat()}, not for today.", style="bold")


def intake(site: SiteFolder) -> None:
    """Bring the folder's files into the ledger and look over the latest readings; nothing is planned."""
    from scheduler.ledger.keeping import open_site_ledger, take_in
    from scheduler.site import load_site
    from scheduler.terminal.records import print_intake

    screen = Console()
    with faults_told(site, "Nothing was brought in"):
        with screen.status("reading the site folder") as status:
            loaded = load_site(site)
            ledger = open_site_ledger(loaded)
            try:
                report = take_in(loaded, ledger, progress=lambda name: status.update(f"bringing in {name}"))
            finally:
                ledger.close()
        print_intake(screen, report, ledger.where)


def export(
    site: SiteFolder,
    profile: Annotated[
        str, typer.Option(help="Shape of the table: a shipped profile or a .toml file of the site folder.")
    ] = "plain",
    night: Annotated[
        str | None, typer.Option(help="Night of the plan, as YYYY-MM-DD; the newest if left out.", metavar="DATE")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Folder to write to; SITE/out/NIGHT/PROFILE if left out.")] = None,
    keypad: Annotated[bool, typer.Option("--keypad", help="Write the sheet for keying in by hand as well.")] = False,
    profiles: Annotated[
        bool, typer.Option("--profiles", callback=_profiles, is_eager=True, help="List the shipped shapes and stop.")
    ] = False,
) -> None:
    """Write the run times of a standing plan in another shape, for another controller."""
    from scheduler.export.again import export_plan

    with faults_told(site, "Nothing was written"):
        for file in export_plan(site, date_of(night), profile, out, keypad):
            Console().print(str(file), highlight=False, soft_wrap=True)


def nightly(
    sites: Annotated[list[Path], typer.Argument(help="Folders of the sites.", metavar="SITE...")],
    by: Annotated[
        str | None, typer.Option(help="Time by which a plan must stand, as HH:MM; as site.toml says if left out.")
    ] = None,
    night: Annotated[
        str | None, typer.Option(help="Evening to plan, as YYYY-MM-DD; tonight if left out.", metavar="DATE")
    ] = None,
    once: Annotated[bool, typer.Option("--once", help="Ask feeds that fail only once.")] = False,
    when_due: Annotated[
        bool, typer.Option("--when-due", help="Do nothing outside of the site's hours: for a timer without time zones.")
    ] = False,
) -> None:
    """Run the whole evening unattended: feeds, intake, morning, tonight, export, notice."""
    from scheduler.nightly.sites import run_sites
    from scheduler.terminal.nightly import NightlyScreen

    chosen, minute = date_of(night), clock_minute(by)
    raise typer.Exit(run_sites(sites, NightlyScreen(Console()), minute, chosen, once, when_due))


def serve(
    sites: Annotated[list[Path], typer.Argument(help="Folders of the sites.", metavar="SITE...")],
    port: Annotated[int, typer.Option(help="Port to listen on.", min=1, max=65535)] = 8787,
    host: Annotated[
        str, typer.Option(help="Address to listen on; another than loopback needs --token-from.", metavar="ADDRESS")
    ] = "127.0.0.1",
    token_from: Annotated[
        str | None, typer.Option(help="Environment variable that holds the token to ask for.", metavar="NAME")
    ] = None,
    name: Annotated[
        list[str] | None, typer.Option(help="Host name people use besides the address; may be given again.")
    ] = None,
) -> None:
    """Show the pages of sites in a browser on this machine, and let work be started from there."""
    from scheduler.serve.run import NotServed, run

    try:
        run(sites, host, port, token_from, name or [], lambda words: Console().print(words, highlight=False))
    except NotServed as reason:
        complain(str(reason))
        raise typer.Exit(USAGE) from reason
