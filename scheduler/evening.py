"""The evening as a document: `plan_tonight` makes it of what was planned, `publish` writes the night's files."""

from __future__ import annotations

import re
from datetime import date, datetime
from pathlib import Path

import pandas as pd

from scheduler.document.changes import changes_part, earlier_plan
from scheduler.document.parts import ControllerKind, PlanDocument
from scheduler.document.planned import Planned
from scheduler.document.published import plan_document, warnings_of
from scheduler.document.rules import PlanDocumentError, plan_faults, write_plan
from scheduler.errors import NoPlan
from scheduler.export import Profile, load_profile, run_tables, write_run_times
from scheduler.export.profile import DEFAULT_PROFILE
from scheduler.files import whole_set, write_atomic
from scheduler.planning import Step, planned_evening
from scheduler.sheets.keying import write_keying_sheet
from scheduler.sheets.night import write_night_sheet
from scheduler.sheets.zones import write_zones_page
from scheduler.site import Site

OF_KIND = {ControllerKind.PROGRAMMES: "programmes", ControllerKind.RUN_TIME_ONLY: "minutes_and_cycles"}  # profiles


def plan_tonight(
    site: Site,
    night: date,
    made: datetime,
    step: Step = lambda _: None,
    flags: pd.DataFrame | None = None,
    cut_short: bool = False,
) -> PlanDocument:
    """Plan one evening, without writing anything: the document of `planned_evening`."""
    planned = planned_evening(site, night, made, step, flags, cut_short)
    step("what it will do")
    return document_of(planned)


def document_of(planned: Planned) -> PlanDocument:
    """Tell what was planned, with what changed since the plan before it."""
    document = plan_document(planned)
    before = earlier_plan(planned.site, document)
    return document if before is None else document.model_copy(update={"changes": changes_part(before, document)})


def publish(
    site: Site, document: PlanDocument, folder: Path, history: pd.DataFrame | None = None
) -> tuple[PlanDocument, tuple[Path, ...]]:
    """Write the run-time table, plan.json and the sheets, all or none; an earlier plan is kept beside them.

    Parameters
    ----------
    site : Site
    document : PlanDocument
    folder : Path   Where the night's files go.
    history : DataFrame or None   Estimates of past evenings for the page of zones: night, zone, depletion, spread.

    Returns
    -------
    PlanDocument    The document as published: with what the export profiles round or cut.
    tuple of Path   The files, run-time tables first.

    Raises
    ------
    OSError         A file cannot be written; the files of an earlier plan stay as they are, all of them.
    InputProblems   The plan does not fit the export profile; nothing is written.
    NoPlan          The document contradicts itself; nothing is written.
    """
    faults = plan_faults(document)
    if faults:
        raise NoPlan(str(PlanDocumentError(faults)))
    tables = _tables(site, document)
    laid = [run_tables(part, profile) for part, profile, _ in tables]
    notes = tuple(note for _, told, _ in laid for note in told)
    document = document.model_copy(update={"warnings": (*document.warnings, *warnings_of(notes))})
    with whole_set(folder) as new:
        written = [
            file
            for (part, profile, place), table in zip(tables, laid, strict=True)
            for file in write_run_times(part, profile, new / place, table)
        ]
        written += [
            write_plan(document, new / "plan.json"),
            write_night_sheet(document, new / "night.html"),
            write_keying_sheet(document, new / "keypad.html"),
            write_zones_page(site, document, new / "zones.html", history),
        ]
        keep_earlier(folder, new)
    return document, tuple(folder / file.relative_to(new) for file in written)


def _tables(site: Site, document: PlanDocument) -> list[tuple[PlanDocument, Profile, str]]:
    """Plan, profile and folder of each run-time table: one for the site, or one a profile where controllers differ.

    Beside them stands what controllers hold that take no start time a station.
    """
    found = _timed_tables(site, document)
    for kind, profile in OF_KIND.items():
        own = {c.name for c in document.controllers if c.kind == kind}
        if own:
            zones = tuple(z for z in document.zones if z.controller in own)
            found.append((document.model_copy(update={"zones": zones}), load_profile(profile), ""))
    return found


def _timed_tables(site: Site, document: PlanDocument) -> list[tuple[PlanDocument, Profile, str]]:
    profile_of = {c.name: c.profile or DEFAULT_PROFILE for c in site.controllers}
    used = sorted(set(profile_of.values())) or [DEFAULT_PROFILE]
    if len(used) == 1:
        return [(document, load_profile(used[0], site.folder), "")]
    found = []
    for name in used:
        zones = tuple(z for z in document.zones if profile_of.get(z.controller or "", DEFAULT_PROFILE) == name)
        if zones:
            found.append(
                (document.model_copy(update={"zones": zones}), load_profile(name, site.folder), Path(name).stem)
            )
    return found


def keep_earlier(folder: Path, new: Path) -> None:
    """Put the plan that stands in a night's folder into the new set, as `earlier/plan-N.json`."""
    standing = folder / "plan.json"
    if not standing.is_file():
        return
    known = (folder / "earlier").glob("plan-*.json")
    numbers = [int(m[1]) for p in known if (m := re.fullmatch(r"plan-(\d+)\.json", p.name))]
    write_atomic(new / "earlier" / f"plan-{max(numbers, default=0) + 1}.json", standing.read_bytes())
