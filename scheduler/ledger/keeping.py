"""A site together with its ledger: what came in is kept, what was learned and accepted is used.

Tonight never waits long for a ledger and never depends on it: where it cannot be used that is said, and the plan is
made from the files alone. A plan that could not be kept, because the ledger was in use or the program was cut off, is
brought in from the folder of its night by whoever comes next.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
from sqlalchemy.exc import SQLAlchemyError

from models.textures import wilting_point_along
from scheduler.document.parts import PlanDocument
from scheduler.document.reading import read_plan
from scheduler.document.rules import plan_faults
from scheduler.errors import counted, listing
from scheduler.files import finish_sets
from scheduler.ledger import Ledger, LedgerUnusable, open_ledger, publish_plan, queries, write_estimates
from scheduler.ledger.connect import FILE_NAME
from scheduler.ledger.intake import IntakeReport, intake
from scheduler.notes import Note
from scheduler.site import Site
from scheduler.site.records import ZoneTable
from scheduler.state.demand import LONGEST_PAST

log = logging.getLogger(__name__)
PATIENCE = 5.0  # how long tonight waits for another program at the ledger [s]
# What can be learned and accepted.
QUANTITIES = ("microclimate", "application_rate", "field_capacity", "depletion_fraction")
CAUGHT_UP = 14  # [d] before the newest plan of the folder in which plans are looked for
SHOWN_BACK = 14  # [d] of estimates that sheets show
HEAD = 65_536  # bytes of a plan in which the moment it was made is looked for
LEAST_WATER = 0.02  # [m3/m3] an accepted field capacity stays above the wilting point


@dataclass(frozen=True)
class Kept:
    """A site as it is to be used tonight, and its ledger.

    Parameters
    ----------
    site : Site                  With accepted values put in and notes on the ledger added.
    ledger : Ledger or None      None where it cannot be used.
    report : IntakeReport or None
    """

    site: Site
    ledger: Ledger | None
    report: IntakeReport | None

    def flags_for(self, opening: pd.Timestamp) -> pd.DataFrame | None:
        """Doubts about readings, if they were raised from readings up to `opening` only; else None."""
        times = self.site.probes["time"]
        if self.report is None or (len(times) and times.max() > opening):
            return None
        return self.report.flags

    def history(self, night: date) -> pd.DataFrame | None:
        """Estimates of evenings of the two weeks before a night: night, zone, depletion, spread, ece; None without."""
        if self.ledger is None:
            return None
        try:
            return queries.estimates_since(self.ledger, night - timedelta(days=SHOWN_BACK), night)
        except (LedgerUnusable, SQLAlchemyError) as error:
            log.warning("ledger: %s", error)
            return None

    def keep(self, document: PlanDocument) -> str | None:
        """Publish a plan and the estimates in it; give what went wrong in words, or None."""
        if self.ledger is None:
            return None
        try:
            _keep(self.ledger, document)
        except (LedgerUnusable, SQLAlchemyError) as error:
            log.warning("ledger: %s", error)
            return f"the plan is written, but not kept in the ledger: {error}; the next command brings it in"
        return None

    def close(self) -> None:
        """Let go of the ledger."""
        if self.ledger is not None:
            self.ledger.close()


def open_site_ledger(site: Site, patience: float = 60.0) -> Ledger:
    """Open the ledger that site.toml names; raises LedgerUnusable."""
    return open_ledger(site.folder, site.ledger_url, site.ledger_name, patience)


def bring_in(site: Site, patience: float = PATIENCE) -> Kept:
    """Bring the folder into the ledger and put accepted values into the site; never fails for the ledger's sake.

    Parameters
    ----------
    site : Site
    patience : float     How long to wait for another writer [s].

    Returns
    -------
    Kept
    """
    ledger = None
    try:
        ledger = open_site_ledger(site, patience)
        report = take_in(site, ledger)
        known = _with_held(site, ledger)
    except (LedgerUnusable, SQLAlchemyError) as error:
        told = _as_far_as_readable(site, ledger)
        if ledger is not None:
            ledger.close()
        what = (
            "and no accepted values and no earlier plans are used"
            if told is None
            else "though accepted values and earlier plans are used all the same"
        )
        text = f"the ledger cannot be used ({error}); nothing is kept there, {what}"
        told = site if told is None else told
        note = Note("step_down", "ledger", text)
        warning = Note("warning", "ledger", text)
        return Kept(replace(told, notes=(*told.notes, note, warning)), None, None)
    extra = tuple(n for n in report.notes if n.kind == "warning")
    return Kept(replace(known, notes=(*known.notes, *extra)), ledger, report)


def _as_far_as_readable(site: Site, ledger: Ledger | None) -> Site | None:
    """Give the site with what can be read of a ledger that cannot be written; None if nothing can."""
    if ledger is not None:
        with suppress(LedgerUnusable, SQLAlchemyError):
            return _with_held(site, ledger)
    return None


def _with_held(site: Site, ledger: Ledger) -> Site:
    """Give the site with what a ledger holds for it: accepted values, and plans of nights that no log reaches."""
    return with_published(with_accepted(site, queries.accepted_values(ledger)), ledger)


def take_in(site: Site, ledger: Ledger, progress: Callable[[str], object] | None = None) -> IntakeReport:
    """Bring the folder's series into the ledger, and the plans that stand in the folder and are not in it.

    Parameters
    ----------
    site : Site
    ledger : Ledger
    progress : callable, optional   Called with the name of each series before it is brought in.

    Raises
    ------
    LedgerUnusable   The ledger cannot be written.
    OSError          A night whose files were cut off while they moved to their places cannot be finished.
    """
    report = intake(site, ledger, progress=progress)
    return replace(report, notes=(*report.notes, *catch_up(site, ledger)))


def catch_up(site: Site, ledger: Ledger) -> list[Note]:
    """Keep the plans of the last nights that stand in the site folder and are not, or in an older form, in the ledger.

    Returns
    -------
    list of Note   One for each plan brought in, or that cannot be read.
    """
    plans = sorted((night, path) for path in (site.folder / "out").glob("*") if (night := _night_of(path)) is not None)
    if not plans:
        return []
    since = plans[-1][0] - timedelta(days=CAUGHT_UP)
    held = queries.made_by_night(ledger, since)
    if not held:  # a new ledger: all that stands in the folder belongs in it
        since, held = date.min, queries.made_by_night(ledger, date.min)
    notes = []
    for night, folder in plans:
        if night < since:
            continue
        finish_sets(folder)
        path = folder / "plan.json"
        if not path.is_file() or not _is_newer(path, held.get(night.isoformat())):
            continue
        name = f"plan of {night.isoformat()}"
        try:
            document = read_plan(path)
            fits = document.night == night and document.site.name == site.name
            faults = plan_faults(document) if fits else ["it is of another night or site"]
        except ValueError as error:
            faults = [f"it cannot be read: {error}"]
        if faults:
            notes.append(Note("warning", "ledger", f"{path}: not brought into the ledger: {faults[0]}"))
        else:
            _keep(ledger, document)
            notes.append(Note("info", "ledger", f"the {name}, which the ledger did not hold, was brought in"))
    return notes


def _keep(ledger: Ledger, document: PlanDocument) -> None:
    publish_plan(ledger, document)
    write_estimates(ledger, document.night, _estimates(document))


def _night_of(folder: Path) -> date | None:
    try:
        return date.fromisoformat(folder.name)
    except ValueError:
        return None


def _is_newer(path: Path, held: str | None) -> bool:
    """Whether a plan file was made after the plan that the ledger holds; only its head is read."""
    if held is None:
        return True
    with path.open(encoding="utf-8", errors="replace") as stream:
        made = re.search(r'"made": ?"([^"]+)"', stream.read(HEAD))
    try:
        return made is None or datetime.fromisoformat(made[1]) > datetime.fromisoformat(held)
    except (ValueError, TypeError):
        return made is None or made[1] != held


def with_published(site: Site, ledger: Ledger) -> Site:
    """Give the site with the run times of the standing plans of those nights that the log does not reach.

    Parameters
    ----------
    site : Site
    ledger : Ledger
    """
    newest = max(queries.made_by_night(ledger, date.min), default=None)
    if newest is None:
        return site
    since = date.min
    log = site.applied.loc[site.applied["night"] <= pd.Timestamp(newest), "night"]
    if len(log):
        since = log.max().date() + timedelta(days=1)
    longest = date.fromisoformat(newest) - timedelta(days=LONGEST_PAST)
    if site.allocation is not None:
        longest = min(longest, site.allocation.starts)
    return replace(site, planned=queries.runs_in_brief(ledger, max(since, longest)))


def as_held(site: Site, patience: float = PATIENCE) -> Site:
    """Give the site with what its ledger holds for it, for a report that brings nothing in.

    Parameters
    ----------
    site : Site
    patience : float     How long to wait for a server [s].

    Returns
    -------
    Site   The same without a ledger; with a note where there is one that cannot be read.
    """
    if site.ledger_url is None and not (site.folder / FILE_NAME).is_file():
        return site
    try:
        ledger = open_site_ledger(site, patience)
        try:
            return _with_held(site, ledger)
        finally:
            ledger.close()
    except (LedgerUnusable, SQLAlchemyError) as error:
        text = f"the ledger cannot be read ({error}); no accepted values and no earlier plans are used"
        note = Note("step_down", "ledger", text)
        return replace(site, notes=(*site.notes, note))


def with_accepted(site: Site, accepted: pd.DataFrame) -> Site:
    """Give the site with learned values that a manager accepted in place of those of zones.csv.

    Parameters
    ----------
    site : Site
    accepted : DataFrame     zone, quantity, value: microclimate [-], application_rate [mm/h], field_capacity [m3/m3],
                             depletion_fraction [-].

    Returns
    -------
    Site   The same if nothing was accepted; else with a note.
    """
    zones = site.zones
    index = {zone: i for i, zone in enumerate(zones.zone)}
    rows = accepted[accepted["quantity"].isin(QUANTITIES) & accepted["zone"].isin(list(index))]
    if rows.empty:
        return site
    arrays, parts, learned = {}, [], []
    for quantity in QUANTITIES:
        own = rows[rows["quantity"] == quantity]
        if own.empty:
            continue
        values = getattr(zones, quantity).astype(float).copy()
        at = np.array([index[zone] for zone in own["zone"]])
        values[at] = own["value"].to_numpy(float)
        if quantity == "field_capacity":
            arrays["wilting_point"] = _wilting_point(zones, values)
            values = np.maximum(values, arrays["wilting_point"] + LEAST_WATER)
        arrays[quantity] = values
        told = getattr(zones, quantity)
        learned += [(str(zones.zone[z]), quantity, float(told[z]), float(values[z])) for z in at.tolist()]
        parts.append(f"{quantity.replace('_', ' ')} of {counted(len(own), 'zone')}")
    note = Note("info", "learned", f"accepted values are used in place of zones.csv: {', '.join(parts)}")
    gone = sorted(set(accepted["zone"]) - set(index))
    notes = [note]
    if gone:
        notes.append(Note("info", "learned", f"accepted values of zones that zones.csv no longer has: {listing(gone)}"))
    return replace(site, zones=replace(zones, **arrays), notes=(*site.notes, *notes), learned=tuple(learned))


def _wilting_point(zones: ZoneTable, field_capacity: np.ndarray) -> np.ndarray:
    """Wilting point (Z,) beside a field capacity that was learned: it moves as from texture to texture.

    Left as told, all that a finer soil holds more counted as water for turf. Over gravel more is water that is perched.
    """
    moved = wilting_point_along(field_capacity) - wilting_point_along(zones.field_capacity)
    return np.maximum(zones.wilting_point + np.where(zones.over_gravel, 0.0, moved), 0.0)


def _estimates(document: PlanDocument) -> pd.DataFrame:
    rows = [
        (z.id, z.before.depletion_mm, z.before.spread_mm, z.before.ece_dsm, z.state_from.value) for z in document.zones
    ]
    return pd.DataFrame(rows, columns=["zone", "depletion", "spread", "ece", "state_from"])
