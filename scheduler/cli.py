"""The command line: the only place that writes to the terminal.

Exit codes are those of `scheduler.errors`: 0 done, 2 usage, 3 bad input, 4 no plan, 5 storage.
"""

from __future__ import annotations

import gc
import io
import logging
import os
import sys
from contextlib import redirect_stderr, redirect_stdout
from datetime import datetime
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from scheduler.errors import USAGE, NoPlan, counted
from scheduler.terminal.command import clock_minute, complain, date_of, faults_told

# Many small matrices: threads that wait for each other cost ten times what they save. Read when numpy is first loaded.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

LEDGER_VARIABLE = "EVENFALL_LEDGER"  # as scheduler.site.load reads it

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Irrigation scheduling for turf: tonight's run times from probes, weather and a linear program.",
)
SiteFolder = Annotated[Path, typer.Argument(help="Folder of the site: site.toml, zones.csv and its series.")]


def _version(asked: bool) -> None:
    """Print the version and stop."""
    if asked:
        from importlib.metadata import PackageNotFoundError, version

        try:
            found = version("evenfall")
        except PackageNotFoundError:
            found = "from a folder that is not installed"
        Console().print(f"evenfall {found}", highlight=False)
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and stop.")
    ] = False,
) -> None:
    """Irrigation scheduling for turf: tonight's run times from probes, weather and a linear program."""


def main() -> None:
    """Run the command line: one command a process, so its memory is given back whole at the end."""
    gc.disable()  # a command makes a million small objects and hardly a cycle: to go through them takes a quarter of it
    code = 0
    try:
        app()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    sys.stdout.flush()
    sys.stderr.flush()
    logging.shutdown()
    os._exit(code)  # everything is written and closed; to take the objects apart one by one takes up to a second


@app.command()
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


@app.command()
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
    from scheduler.evening import plan_tonight, publish
    from scheduler.ledger.keeping import bring_in
    from scheduler.night.edits import with_options
    from scheduler.night.percents import with_percents
    from scheduler.nights import choose_night, evening_of, local_now, opening_of, out_folder
    from scheduler.site import load_site
    from scheduler.terminal.evening import print_evening

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
            document = plan_tonight(kept.site, evening, now, step=status.update, flags=flags)
            status.update("writing the night's files")
            document, files = publish(kept.site, document, out or out_folder(loaded, evening), kept.history(evening))
            not_kept = kept.keep(document)
            kept.close()
        print_evening(screen, document, files)
        if not_kept:
            screen.print(not_kept, style="yellow", markup=False, highlight=False)
        if evening != evening_of(now):
            screen.print(f"Planned for the evening of {evening.isoformat()}, not for today.", style="bold")


@app.command()
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


@app.command()
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


@app.command()
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


@app.command()
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


@app.command()
def whatif(
    site: SiteFolder,
    cases: Annotated[
        list[str] | None,
        typer.Argument(help="Cases: names in SITE/cases or files; A+B is both at once. All of the folder if left out."),
    ] = None,
    set_: Annotated[
        list[str] | None,
        typer.Option("--set", help="A key of a case on the command line; may be given again.", metavar="KEY=VALUE"),
    ] = None,
    sweep: Annotated[
        str | None,
        typer.Option(help="One key in steps, as allocation_factor=1.0..0.5 or =1.0..0.5/20.", metavar="KEY=A..B"),
    ] = None,
    night: Annotated[
        str | None, typer.Option(help="Evening to plan, as YYYY-MM-DD; tonight if left out.", metavar="DATE")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Folder for the files; SITE/whatif/CASES if left out.")] = None,
    season: Annotated[
        bool, typer.Option("--season", help="Live each case night by night to the end of the allocation.")
    ] = False,
    until: Annotated[str | None, typer.Option(help="The same until this date.", metavar="DATE")] = None,
    weather: Annotated[
        str,
        typer.Option(
            help="Weather years: drawn from the record, the record's own, or those of a file.",
            metavar="drawn|record|FILE",
        ),
    ] = "drawn",
    years: Annotated[int, typer.Option(help="How many weather years.", min=1, max=200)] = 5,
    seed: Annotated[int, typer.Option(help="The same seed draws the same years.", min=0)] = 1,
    resume: Annotated[bool, typer.Option("--resume", help="Go on from the years the ledger holds.")] = False,
    mismatch: Annotated[
        bool, typer.Option("--mismatch", help="Zones differ from what the plan believes, as the filter says they may.")
    ] = False,
    workers: Annotated[int, typer.Option(help="Weather years side by side on this computer.", min=1, max=64)] = 1,
    cluster: Annotated[
        str | None, typer.Option(help="Or on the Dask cluster at this address.", metavar="ADDRESS")
    ] = None,
) -> None:
    """Put orders, outages and other weather to the evening, or to a season, side by side with how things are."""
    from scheduler.ledger.keeping import bring_in
    from scheduler.site import load_site
    from scheduler.terminal.progress import steps
    from scheduler.terminal.whatif import print_whatif
    from scheduler.whatif.door import NoCluster, Workers
    from scheduler.whatif.run import Asked, run_whatif
    from scheduler.whatif.season import Ahead

    chosen, last = date_of(night), date_of(until, "--until")
    ahead = None
    if season or last is not None:
        ahead = Ahead(last, weather, years, seed, mismatch, resume, Workers(workers, cluster))
    screen = Console()
    with faults_told(site, "Nothing was worked out"):
        with steps(screen, "reading the site folder") as (step, told):
            asked = Asked(tuple(cases or ()), tuple(set_ or ()), sweep, chosen, out, ahead)
            kept = bring_in(load_site(site))
            try:
                document, files = run_whatif(kept, asked, step, told)
            except NoCluster as reason:
                raise NoPlan(str(reason)) from reason
            finally:
                kept.close()
        print_whatif(screen, document, files)


@app.command()
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


@app.command(
    context_settings={"allow_extra_args": True, "ignore_unknown_options": True, "allow_interspersed_args": False}
)
def fleet(
    context: typer.Context,
    sites: Annotated[Path, typer.Argument(help="The list of sites, a .toml file.", metavar="LIST.toml")],
    command: Annotated[str, typer.Argument(help="Command to run at each, followed by its options.")],
    workers: Annotated[
        int | None, typer.Option(help="Sites side by side on this computer; 2 where Dask is installed.", min=1, max=64)
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(help="Or on the Dask cluster at this address.", metavar="ADDRESS")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Folder for fleet.html and its table; beside the list.")] = None,
) -> None:
    """Run a command at many sites: one table and one page of them, in order of trouble. Options go before LIST.toml."""
    from scheduler.terminal.fleet import print_fleet
    from scheduler.terminal.progress import steps
    from scheduler.whatif.door import NoCluster, Workers
    from scheduler.whatif.fleet import read_list, run_fleet

    screen = Console()
    with faults_told(sites.parent, "Nothing was run"):
        listed = read_list(sites)
        with steps(screen, f"{command} at {counted(len(listed.sites), 'site')}") as (_, told):
            try:
                found, files = run_fleet(
                    listed,
                    (command, *context.args),
                    run_command,
                    Workers(workers or (2 if find_spec("distributed") else 1), cluster, memory="auto"),
                    out or sites.parent / "fleet",
                    datetime.now().astimezone().isoformat(timespec="seconds"),
                    told,
                )
            except NoCluster as reason:
                raise NoPlan(str(reason)) from reason
        print_fleet(screen, found, files)
    failed = [one.code for one in found.sites if one.code]
    if failed:
        raise typer.Exit(max(failed))


def run_command(folder: str, command: tuple[str, ...], ledger: str | None) -> tuple[int, str]:
    """Run a command at a site within this process: exit code, and what it printed."""
    before = os.environ.get(LEDGER_VARIABLE)
    if ledger is not None:
        os.environ[LEDGER_VARIABLE] = ledger
    printed, code = io.StringIO(), 0
    with redirect_stdout(printed), redirect_stderr(printed):
        try:
            app([command[0], folder, *command[1:]])
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else int(end.code is not None)
        finally:
            os.environ.pop(LEDGER_VARIABLE, None)
            if before is not None:
                os.environ[LEDGER_VARIABLE] = before
    return code, printed.getvalue()


def _profiles(asked: bool) -> None:
    """List the shipped export profiles and stop."""
    if asked:
        from scheduler.export import load_profile, shipped_profiles

        for name in shipped_profiles():
            Console().print(f"{name}: {load_profile(name).title}", highlight=False, soft_wrap=True)
        raise typer.Exit


@app.command()
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


@app.command()
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


@app.command()
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


@app.command()
def timer(site: SiteFolder) -> None:
    """Print what starts the nightly run by itself: systemd, cron, Windows; nothing is installed."""
    from scheduler.nightly.timer import timer_text
    from scheduler.site import load_site

    with faults_told(site, "Nothing was printed"):
        sys.stdout.write(timer_text(load_site(site)))


@app.command()
def doctor(site: SiteFolder) -> None:
    """Look whether the nightly run can work here: read, write, reach its feeds, solve, tell the time."""
    from scheduler.nightly.doctor import examine
    from scheduler.terminal.nightly import print_findings

    raise typer.Exit(print_findings(Console(), examine(site)))


@app.command()
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


if __name__ == "__main__":
    main()
