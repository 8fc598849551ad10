"""What each step of the evening does, apart from the order they stand in."""

from __future__ import annotations

import hashlib
import json
from datetime import date, datetime
from pathlib import Path

from scheduler.document.reading import document_of, read_plan
from scheduler.errors import InputProblems, NoPlan, counted
from scheduler.export.again import export_plan
from scheduler.export.profile import DEFAULT_PROFILE, load_profile
from scheduler.feeds.receive import FAILED, receive
from scheduler.files import write_atomic
from scheduler.ledger import LedgerUnusable
from scheduler.ledger.keeping import bring_in, open_site_ledger, take_in
from scheduler.morning.report import latest_night, morning_report
from scheduler.nightly.notice import first_screen, send
from scheduler.nightly.records import StandingPlan, StepState
from scheduler.nights import out_folder
from scheduler.sheets.morning import write_morning_page
from scheduler.site import Site

PAGE_OF = "morning.digest"  # beside the page: the files it was made from
Result = tuple[StepState, list[str], None]


def ask_feeds(site: Site, now: datetime, only: frozenset[str] | None) -> tuple[StepState, list[str], frozenset[str]]:
    """Ask the feeds of a site; the names of those that failed, for another attempt."""
    receipts = receive(site, now, only, again=True)
    failed = frozenset(r.feed for r in receipts if r.came in FAILED or r.fault)
    state = StepState.PARTLY if failed else StepState.DONE
    shown = [r for r in receipts if r.feed in failed] if failed else receipts
    return state, [str(r) for r in shown], failed


def take_in_files(site: Site) -> Result:
    """Bring what the folder says into the ledger."""
    try:
        ledger = open_site_ledger(site)
        try:
            report = take_in(site, ledger)
        finally:
            ledger.close()
    except LedgerUnusable as error:
        return StepState.FAILED, [f"the ledger cannot be used: {error}"], None
    return (StepState.DONE if report.changed else StepState.UNCHANGED), report.lines(), None


def look_back(site: Site, now: datetime, night: date, digest: str) -> Result:
    """Write the page of the last night, unless it was written from these very files."""
    kept = bring_in(site)
    try:
        last = latest_night(kept, now)
        if last >= night:
            return StepState.SKIPPED, ["no earlier night"], None
        folder = out_folder(site, last)
        mark = folder / PAGE_OF
        if mark.is_file() and (folder / "morning.html").is_file() and mark.read_text() == digest:
            return StepState.UNCHANGED, [f"the page of {last.isoformat()} stands"], None
        write_morning_page(morning_report(kept, last), folder / "morning.html")
        write_atomic(mark, digest)
    except NoPlan as reason:
        return StepState.SKIPPED, [str(reason)], None
    finally:
        kept.close()
    return StepState.DONE, [f"looked back on {last.isoformat()}"], None


def standing_plan(folder: Path, night: date) -> StandingPlan | None:
    """The plan that stands for a night."""
    try:
        data = (folder / "out" / night.isoformat() / "plan.json").read_bytes()
        document = document_of(json.loads(data))
        return StandingPlan(
            night=document.night.isoformat(),
            rung=document.rung,
            made=document.made.isoformat(),
            digest=hashlib.sha256(data).hexdigest(),
        )
    except (OSError, ValueError):
        return None


def export(site: Site, night: date) -> Result:
    """Write the tables asked for besides the controllers' own, and copy all where they are fetched from."""
    rule, folder = site.nightly, out_folder(site, night)
    if not rule.profiles and not rule.copy_to:
        return StepState.SKIPPED, ["the tables stand in the night's folder"], None
    if not (folder / "plan.json").is_file():
        return StepState.SKIPPED, ["no plan to export"], None
    words, files = [], _own_tables(site, folder)
    try:
        for profile in rule.profiles:
            files += export_plan(site.folder, night, profile, None)
    except InputProblems as problems:
        return StepState.FAILED, [str(p) for p in problems.problems], None
    if rule.copy_to:
        target = site.folder / rule.copy_to
        for file in files:
            place = file.relative_to(folder)
            write_atomic(target / place, file.read_bytes())
        words.append(f"{counted(len(files), 'table')} copied to {rule.copy_to}")
    return StepState.DONE, [*words, *(f"profile {p} written" for p in rule.profiles)], None


def _own_tables(site: Site, folder: Path) -> list[Path]:
    """Tables that the evening wrote for the controllers of the site."""
    stems = {load_profile(c.profile or DEFAULT_PROFILE, site.folder).file.stem for c in site.controllers} or {
        "run-times"
    }
    return [f for f in sorted(folder.glob("*")) if f.is_file() and any(f.name.startswith(stem) for stem in stems)]


def tell(site: Site, night: date, trouble: list[str]) -> tuple[StepState, list[str]]:
    """Send the notice of a night, if it is to be sent."""
    rule = site.notice
    assert rule is not None
    if rule.when == "trouble" and not trouble:
        return StepState.SKIPPED, ["nothing is wrong, and a notice is only wanted when something is"]
    folder = out_folder(site, night)
    document = read_plan(folder / "plan.json") if (folder / "plan.json").is_file() else None
    sheet = folder / "night.html"
    text = first_screen(site.name, night, document, trouble)
    faults = send(rule, text, sheet if rule.attach and sheet.is_file() else None, document, site.contact)
    ways = len(rule.to) + bool(rule.webhook)
    return (StepState.FAILED if faults else StepState.DONE), faults or [f"sent to {counted(ways, 'place')}"]
