"""The nightly run over sites, one after the other: one that fails stops no other."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Protocol

from scheduler.errors import BAD_INPUT, HELD, OK, STORAGE, InputProblems
from scheduler.nightly.hours import hours_of
from scheduler.nightly.lock import Held, locked
from scheduler.nightly.log import site_log
from scheduler.nightly.records import Status, Step
from scheduler.nightly.run import Terms, run_evening
from scheduler.nights import evening_of
from scheduler.site import load_site

log = logging.getLogger(__name__)


class Screen(Protocol):
    """What is told of a run as it goes."""

    def step(self, site: Path, step: Step) -> None:
        """One step ended."""

    def ended(self, site: Path, status: Status) -> None:
        """One site's run ended."""

    def refused(self, site: Path, words: str) -> None:
        """One site was not run."""


def run_sites(
    sites: Sequence[Path],
    screen: Screen,
    by: int | None = None,
    night: date | None = None,
    once: bool = False,
    when_due: bool = False,
    terms: Terms | None = None,
) -> int:
    """Run the evening of each site.

    Parameters
    ----------
    sites : sequence of Path
    screen : Screen
    by : int, optional      By when a plan must stand [min after 00:00 of the evening].
    night : date, optional
    once, when_due : bool   Ask failed feeds only once; do nothing outside of a site's hours.
    terms : Terms, optional   Clock and planner; the real ones if not given.

    Returns
    -------
    int   Exit code: the gravest over the sites, 0 if all are well.
    """
    terms = replace(terms or Terms(), by=by, night=night, once=once)
    return _gravest([_one(Path(site), screen, terms, when_due) for site in sites])


def _one(site: Path, screen: Screen, terms: Terms, when_due: bool) -> int:
    """Run one site under its lock."""
    if not site.is_dir():
        screen.refused(site, "there is no such folder")
        return BAD_INPUT
    now = terms.clock()
    if when_due and not _due(site, now, terms):
        return OK
    try:
        with locked(site, now), site_log(site):
            status = run_evening(site, replace(terms, told=lambda step: screen.step(site, step)))
    except Held as holder:
        screen.refused(site, f"another run is at work here: {holder}")
        return HELD
    except OSError as error:
        screen.refused(site, f"{error.filename or site}: {error.strerror or error}")
        return STORAGE
    screen.ended(site, status)
    return status.exit_code if status.exit_code is not None else 1


def _due(site: Path, now: datetime, terms: Terms) -> bool:
    """Whether the moment lies within the hours of the site's evening; a site that cannot be read is always due."""
    try:
        read = load_site(site)
    except InputProblems:
        return True
    night = evening_of(now.astimezone(read.time_zone))
    hours = hours_of(night, read.window, read.nightly, read.time_zone)
    return hours.starts <= now.astimezone(UTC) < hours.opens


def _gravest(codes: list[int]) -> int:
    """One code for several sites: faults of the program, then no plan, storage, input, a held lock, trouble."""
    for code in (1, 4, 5, 3, 7, 6):
        if code in codes:
            return code
    return OK
