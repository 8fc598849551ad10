"""`evenfall whatif` from what was asked to the files: the list of its steps."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path

import pandas as pd
from sqlalchemy.exc import SQLAlchemyError

from scheduler.ledger import LedgerUnusable, queries
from scheduler.ledger.keeping import Kept
from scheduler.ledger.outlooks import keep_outlook, kept_outlook
from scheduler.nights import choose_night, evening_of, local_now, opening_of
from scheduler.planning import planned_evening
from scheduler.whatif.ahead import Lived, live
from scheduler.whatif.case import AS_IT_IS, Case, has_cases, read_cases
from scheduler.whatif.compose import whatif_document
from scheduler.whatif.document import WhatIf
from scheduler.whatif.door import Door, Workers
from scheduler.whatif.evening import plan_cases, standing_evening
from scheduler.whatif.page import write_whatif
from scheduler.whatif.relax import relaxed_limits
from scheduler.whatif.season import Ahead, Shelf, season_ahead
from scheduler.whatif.sweep import read_sweep, sweep

log = logging.getLogger(__name__)
LONGEST_FOLDER = 80


@dataclass(frozen=True)
class Asked:
    """What was asked on the command line: cases, `--set` pairs, `--sweep`, the evening, the files' folder, a season."""

    cases: tuple[str, ...] = ()
    given: tuple[str, ...] = ()
    sweep: str | None = None
    night: date | None = None
    out: Path | None = None
    season: Ahead | None = None


def run_whatif(
    kept: Kept,
    asked: Asked,
    step: Callable[[str], object] = lambda _: None,
    told: Callable[[int, int], None] = lambda done, of: None,
) -> tuple[WhatIf, tuple[Path, ...]]:
    """Plan the evening under every case and write what came out.

    Parameters
    ----------
    kept : Kept      The site as held by its ledger.
    asked : Asked
    step : callable  Told the name of each step as it begins.
    told : callable  Told how many nights of a season ahead are done, and of how many.

    Raises
    ------
    InputProblems    A case, `--set` or `--sweep` cannot be used; nothing is written.
    NoPlan           No plan could be made.
    """
    site, ahead = kept.site, asked.season
    wanted = None if asked.sweep is None else read_sweep(asked.sweep)
    cases: tuple[Case, ...] = ()
    if asked.cases or asked.given or (wanted is None and (ahead is None or has_cases(site))):
        cases = read_cases(site, asked.cases, asked.given)
    now = local_now(site)
    night = asked.night or choose_night(site, evening_of(now))
    with Door(*_workers(ahead, len(cases)), live.__module__) as door:
        if ahead is not None and not ahead.resume:  # workers start while the evening is planned
            door.begin()
        step("tonight as it is")
        planned = planned_evening(site, night, now, flags=kept.flags_for(opening_of(site, night)))
        step("the standing plan")
        standing = standing_evening(planned, log_of(kept))
        outcomes, widened = [standing.as_it_is], [relaxed_limits(standing, standing.as_it_is)]
        for outcome in plan_cases(standing, cases, step):
            outcomes.append(outcome)
            widened.append(() if outcome.same else relaxed_limits(standing, outcome))
        curve = None
        if wanted is not None:
            key, values = wanted
            base = cases[0] if len(cases) == 1 else AS_IT_IS
            curve = sweep(standing, key, values, base, lambda done, of: step(f"{key}: {done} of {of}"))
        season, rows = None, []
        if ahead is not None:
            step("the season ahead")
            season, rows = season_ahead(standing, cases, ahead, LedgerShelf(kept), told, door)
    document = whatif_document(standing, outcomes, widened, now, curve, season)
    folder = asked.out or site.folder / "whatif" / folder_name(cases, asked)
    step("writing the files")
    return document, write_whatif(document, folder, rows)


def _workers(ahead: Ahead | None, cases: int) -> tuple[Workers, int]:
    """Who lives the season, and how many case-years there are at most."""
    if ahead is None:
        return Workers(), 0
    return ahead.workers, (cases + 1) * ahead.years if ahead.weather == "drawn" else ahead.workers.local


class LedgerShelf(Shelf):
    """Finished years in the site's ledger; without a usable ledger they are not kept, and the work goes on."""

    def __init__(self, kept: Kept) -> None:
        self.ledger = kept.ledger

    def get(self, key: str) -> Lived | None:
        """A year kept under a key."""
        if self.ledger is None:
            return None
        held = kept_outlook(self.ledger, key)
        return None if held is None else Lived(**held)

    def put(self, key: str, lived: Lived) -> None:
        """Keep a year, once."""
        if self.ledger is None:
            return
        try:
            keep_outlook(self.ledger, key, lived.case, lived.year, asdict(lived))
        except (LedgerUnusable, SQLAlchemyError) as error:
            log.warning("ledger: %s", error)


def log_of(kept: Kept) -> pd.DataFrame:
    """What ran, as far back as the ledger or the folder knows."""
    if kept.ledger is not None:
        held = queries.applied_water(kept.ledger)
        if len(held) >= len(kept.site.applied):
            return held
    return kept.site.applied


def folder_name(cases: tuple[Case, ...], asked: Asked) -> str:
    """What the folder of the files is called: after the cases, or the key that was swept."""
    names = [case.name for case in cases]
    if asked.season is not None:
        names.append("season")
    if asked.sweep is not None:
        names.append("sweep-" + asked.sweep.split("=")[0].strip().replace(".", "-"))
    return "_".join(names)[:LONGEST_FOLDER] or "as-it-is"
