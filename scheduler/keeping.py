"""A site together with its ledger: what came in is kept, what was learned and accepted is used.

Tonight never waits long for a ledger and never depends on it: where it cannot be used that is said, and the plan is
made from the files alone.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy.exc import SQLAlchemyError

from scheduler.errors import counted, listing
from scheduler.intake import IntakeReport, intake
from scheduler.ledger import Ledger, LedgerUnusable, open_ledger, publish_plan, queries, write_estimates
from scheduler.ledger.connect import FILE_NAME
from scheduler.notes import Note
from scheduler.site import Site

log = logging.getLogger(__name__)
PATIENCE = 5.0  # how long tonight waits for another program at the ledger [s]; our choice
QUANTITIES = ("microclimate", "application_rate", "field_capacity")  # what can be learned and accepted
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

    def keep(self, document: Mapping[str, Any]) -> str | None:
        """Publish a plan and the estimates in it; give what went wrong in words, or None."""
        if self.ledger is None:
            return None
        try:
            publish_plan(self.ledger, document)
            write_estimates(self.ledger, date.fromisoformat(document["night"]), _estimates(document))
        except (LedgerUnusable, SQLAlchemyError) as error:
            log.warning("ledger: %s", error)
            return f"the plan is written, but not kept in the ledger: {error}"
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
        report = intake(site, ledger)
        known = with_accepted(site, queries.accepted_values(ledger))
    except (LedgerUnusable, SQLAlchemyError) as error:
        values = _readable_values(ledger)
        if ledger is not None:
            ledger.close()
        what = "and no accepted values are used" if values is None else "accepted values are used all the same"
        text = f"the ledger cannot be used ({error}); nothing is kept there, {what}"
        told = site if values is None else with_accepted(site, values)
        note = Note("step_down", "ledger", text)
        warning = Note("warning", "ledger", text)
        return Kept(replace(told, notes=(*told.notes, note, warning)), None, None)
    extra = tuple(n for n in report.notes if n.kind == "warning")
    return Kept(replace(known, notes=(*known.notes, *extra)), ledger, report)


def _readable_values(ledger: Ledger | None) -> pd.DataFrame | None:
    """Give the accepted values of a ledger that can be read though not written."""
    if ledger is not None:
        with suppress(LedgerUnusable, SQLAlchemyError):
            return queries.accepted_values(ledger)
    return None


def with_learned(site: Site, patience: float = PATIENCE) -> Site:
    """Give the site with what its ledger says was accepted, for a report that brings nothing in.

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
            return with_accepted(site, queries.accepted_values(ledger))
        finally:
            ledger.close()
    except (LedgerUnusable, SQLAlchemyError) as error:
        note = Note("step_down", "ledger", f"the ledger cannot be read ({error}); no accepted values are used")
        return replace(site, notes=(*site.notes, note))


def with_accepted(site: Site, accepted: pd.DataFrame) -> Site:
    """Give the site with learned values that a manager accepted in place of those of zones.csv.

    Parameters
    ----------
    site : Site
    accepted : DataFrame     zone, quantity, value: microclimate [-], application_rate [mm/h], field_capacity [m3/m3].

    Returns
    -------
    Site   The same if nothing was accepted; else with a note.
    """
    zones = site.zones
    index = {zone: i for i, zone in enumerate(zones.zone)}
    rows = accepted[accepted["quantity"].isin(QUANTITIES) & accepted["zone"].isin(list(index))]
    if rows.empty:
        return site
    arrays, parts = {}, []
    for quantity in QUANTITIES:
        own = rows[rows["quantity"] == quantity]
        if own.empty:
            continue
        values = getattr(zones, quantity).astype(float).copy()
        at = np.array([index[zone] for zone in own["zone"]])
        values[at] = own["value"].to_numpy(float)
        if quantity == "field_capacity":
            values = np.maximum(values, zones.wilting_point + LEAST_WATER)
        arrays[quantity] = values
        parts.append(f"{quantity.replace('_', ' ')} of {counted(len(own), 'zone')}")
    note = Note("info", "learned", f"accepted values are used in place of zones.csv: {', '.join(parts)}")
    gone = sorted(set(accepted["zone"]) - set(index))
    notes = [note]
    if gone:
        notes.append(Note("info", "learned", f"accepted values of zones that zones.csv no longer has: {listing(gone)}"))
    return replace(site, zones=replace(zones, **arrays), notes=(*site.notes, *notes))


def _estimates(document: Mapping[str, Any]) -> pd.DataFrame:
    rows = [
        (z["id"], z["before"]["depletion_mm"], z["before"]["spread_mm"], z["before"]["ece_dsm"], z["state_from"])
        for z in document["zones"]
    ]
    return pd.DataFrame(rows, columns=["zone", "depletion", "spread", "ece", "state_from"])
