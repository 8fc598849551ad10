"""Whether the nightly run can work here: one finding a line, and what to do."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy.exc import SQLAlchemyError

from scheduler.errors import InputProblems, NoPlan, counted
from scheduler.evening import plan_tonight
from scheduler.feeds.bulletin import Refused, Unreachable
from scheduler.feeds.fetch import Conditions, fetch, secrets_of, without_secrets
from scheduler.feeds.receive import looked_over
from scheduler.ledger import LedgerUnusable
from scheduler.ledger.keeping import open_site_ledger
from scheduler.nightly.hours import hours_of
from scheduler.nights import choose_night, evening_of
from scheduler.site import Site, load_site
from scheduler.site.unattended_records import Feed

ROOM = 200 * 1024 * 1024  # bytes that should be free
CLOCKS = timedelta(minutes=2)  # by which two clocks may differ
SUN = 3.0  # [h] between the site's clock and its sun that no time zone has


@dataclass(frozen=True)
class Finding:
    """One thing looked at: whether it is well, in words, and what to do if not."""

    what: str
    well: bool
    words: str
    todo: str = ""


def examine(folder: Path) -> Iterator[Finding]:
    """Look at everything the nightly run needs, one finding after the other."""
    try:
        site = load_site(folder)
    except InputProblems as problems:
        first = str(problems.problems[0])
        count = counted(len(problems.problems), "problem")
        yield Finding("read", False, f"{count}; the first: {first}", "mend what evenfall check names")
        yield _writes(folder)
        return
    yield Finding("read", True, f"{site.name}, {counted(len(site.zones), 'zone')}")
    yield _writes(folder)
    yield _ledger(site)
    yield from _secrets(site)
    now = datetime.now(UTC)
    for feed in site.feeds:
        yield from _feed(site, feed, now)
    if not site.feeds:
        yield Finding("feeds", True, "site.toml names none: someone puts the files there")
    yield _solves(site, now)
    yield from _clock(site, now)


def _writes(folder: Path) -> Finding:
    """Whether files can be written, and room for them."""
    try:
        with tempfile.NamedTemporaryFile(dir=folder, prefix=".doctor."):
            pass
        free = shutil.disk_usage(folder).free
    except OSError as error:
        todo = "give the user who runs this the right to write there"
        return Finding("write", False, f"the folder cannot be written ({error.strerror})", todo)
    if free < ROOM:
        return Finding("write", False, f"{free // 2**20} MiB are free", "make room on the disk")
    return Finding("write", True, f"the folder can be written, {free // 2**20:,} MiB are free")


def _ledger(site: Site) -> Finding:
    try:
        ledger = open_site_ledger(site, patience=5.0)
        where = ledger.where
        ledger.close()
    except (LedgerUnusable, SQLAlchemyError) as error:
        return Finding("ledger", False, str(error), "see that the database runs and [ledger] names it rightly")
    return Finding("ledger", True, where)


def _secrets(site: Site) -> Iterator[Finding]:
    texts = [t for f in site.feeds for t in (*f.location, *(v for _, v in f.headers))]
    if site.notice is not None:
        texts += [site.notice.password, site.notice.webhook, *(v for _, v in site.notice.headers)]
    names = secrets_of(texts)
    missing = [name for name in names if not os.environ.get(name)]
    if missing:
        todo = "set them for the user and the timer that run this"
        yield Finding("secrets", False, f"environment variables not set: {', '.join(missing)}", todo)
    elif names:
        yield Finding("secrets", True, f"{counted(len(names), 'environment variable')} set")


def _feed(site: Site, feed: Feed, now: datetime) -> Iterator[Finding]:
    """Ask one feed, keeping nothing; with its server's clock against ours."""
    what = f"feed {feed.name}"
    texts = (*feed.location, *(v for _, v in feed.headers))
    try:
        document = fetch(feed, site.folder, site.contact, Conditions())
        words = looked_over(site, feed, document, now.astimezone(site.time_zone))
    except Unreachable as reason:
        yield Finding(what, False, f"nothing came: {reason}", "look at its address and at the network")
        return
    except Refused as reason:
        words = without_secrets(str(reason), texts)
        yield Finding(what, False, f"it would be kept out: {words}", "look at its address, format and place")
        return
    yield Finding(what, True, words)
    if document.sent is not None and abs(document.sent - now) > CLOCKS:
        minutes = abs(document.sent - now).total_seconds() / 60
        yield Finding(
            "clock", False, f"this machine's clock and that of {feed.name} differ by {minutes:.0f} min",
            "let the machine set its clock by the network",
        )  # fmt: skip


def _solves(site: Site, now: datetime) -> Finding:
    """Plan one night without writing anything."""
    began = time.monotonic()
    local = now.astimezone(site.time_zone)
    try:
        plan_tonight(replace(site, nights=1), choose_night(site, evening_of(local)), local)
    except NoPlan as reason:
        return Finding("solve", False, str(reason), "run evenfall tonight and read what it says")
    return Finding("solve", True, f"one night planned in {time.monotonic() - began:.1f} s")


def _clock(site: Site, now: datetime) -> Iterator[Finding]:
    """The site's clock against its sun, and the hours of the next run."""
    local = now.astimezone(site.time_zone)
    offset = (local.utcoffset() or timedelta()).total_seconds() / 3600
    if abs(offset - site.longitude / 15.0) > SUN:
        yield Finding(
            "clock", False, f"{site.time_zone.key} and the longitude {site.longitude:g} do not belong together",
            "look at the sign of the longitude and at the time zone",
        )  # fmt: skip
    night = evening_of(local)
    hours = hours_of(night, site.window, site.nightly, site.time_zone)
    starts, by, opens = (m.astimezone(site.time_zone) for m in (hours.starts, hours.by, hours.opens))
    run = f"run from {starts:%H:%M}, plan by {by:%H:%M}, window opens {opens:%H:%M}"
    yield Finding("clock", True, f"it is {local:%Y-%m-%d %H:%M} there; {run}")
    if choose_night(site, night) != night:
        yield Finding("data", False, "the newest data is weeks away from today", "bring new weather, or set up feeds")
