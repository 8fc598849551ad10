"""Every feed of a site: ask, read, look over, keep. A feed that fails harms no other."""

from __future__ import annotations

import logging
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum

import pandas as pd

from scheduler.errors import counted
from scheduler.feeds.bulletin import Bulletin, Refused, Unreachable
from scheduler.feeds.daily_arrays import read_daily_arrays
from scheduler.feeds.fetch import Conditions, Document, digest_of, fetch, without_secrets
from scheduler.feeds.geojson_series import read_geojson_series
from scheduler.feeds.interval_layers import read_interval_layers
from scheduler.feeds.plausible import check_forecast, check_observed
from scheduler.feeds.store import TIMES, FeedState, add_rows, held_rows, read_states, write_states
from scheduler.feeds.table import checked, read_csv
from scheduler.site.records import Site
from scheduler.site.unattended_records import Feed

log = logging.getLogger(__name__)


class Came(StrEnum):
    """What became of one attempt at a feed."""

    NEW = "new"  # a document that counts
    SAME = "same"  # the document held is still the newest
    NOT_DUE = "not due"  # asked a short while ago
    REFUSED = "refused"  # a document came and is kept out
    UNREACHABLE = "unreachable"  # none came


FAILED = (Came.REFUSED, Came.UNREACHABLE)


@dataclass(frozen=True)
class Receipt:
    """One attempt: the feed, what became of it, rows that are new, the reason it failed, and remarks."""

    feed: str
    series: str
    came: Came
    rows: int = 0
    fault: str = ""
    said: tuple[str, ...] = ()

    def __str__(self) -> str:
        """Give the line a person reads."""
        words = {
            Came.NEW: f"{self.rows:,} new rows",
            Came.SAME: "nothing newer than what is held",
            Came.NOT_DUE: "asked a short while ago",
            Came.REFUSED: f"kept out: {self.fault}",
            Came.UNREACHABLE: f"nothing came: {self.fault}",
        }
        return "; ".join([f"feed {self.feed}: {words[self.came]}", *self.said])


def receive(site: Site, now: datetime, only: frozenset[str] | None = None, again: bool = False) -> tuple[Receipt, ...]:
    """Ask the feeds of a site and keep what counts.

    Parameters
    ----------
    site : Site
    now : datetime             With its offset.
    only : frozenset, optional   Names of the feeds to ask; all if not given.
    again : bool               Ask a feed that failed a short while ago again.

    Returns
    -------
    tuple of Receipt   One a feed.

    Raises
    ------
    OSError   The folder cannot be written.
    """
    states, receipts = read_states(site.folder), []
    for feed in site.feeds:
        if only is not None and feed.name not in only:
            continue
        state = states.get(feed.name, FeedState())
        receipt, state = _one(site, feed, state, now, again)
        states[feed.name] = state
        receipts.append(receipt)
        log.log(logging.WARNING if receipt.came in FAILED else logging.INFO, "%s", receipt)
    if receipts:
        write_states(site.folder, states)
    return tuple(receipts)


def looked_over(site: Site, feed: Feed, document: Document, now: datetime) -> str:
    """Look a document over, keeping nothing; the line a person reads.

    Raises
    ------
    Refused
    """
    bulletin = _past_days(feed, _read(site, feed, document), now)
    return "; ".join([counted(len(bulletin.rows), "row"), *_look_over(site, feed, bulletin, now)])


def _one(site: Site, feed: Feed, state: FeedState, now: datetime, again: bool) -> tuple[Receipt, FeedState]:
    """One attempt at one feed."""
    if not _due(feed, state, now, again):
        return Receipt(feed.name, feed.series, Came.NOT_DUE, fault=state.fault), state
    tried = replace(state, tried=now.isoformat(timespec="seconds"), said=[])
    try:
        held = Conditions(state.etag, state.last_modified) if not state.fault else Conditions()
        document = fetch(feed, site.folder, site.contact, held)
        tried.expires = "" if document.expires is None else document.expires.isoformat(timespec="seconds")
        if document.data is None:
            return Receipt(feed.name, feed.series, Came.SAME), replace(tried, fault="")
        bulletin = _past_days(feed, _read(site, feed, document), now)
        said = _look_over(site, feed, bulletin, now)
        rows = digest_of(bulletin.rows.drop(columns="issued", errors="ignore").to_csv(index=False).encode())
        if rows == state.rows and not state.fault:
            return Receipt(feed.name, feed.series, Came.SAME), tried
        issued = bulletin.issued or _moment_of(document, now)
        if feed.series == "forecast" and state.issued and issued < datetime.fromisoformat(state.issued):
            raise Refused(f"it was updated at {issued:%Y-%m-%d %H:%M %z}, before the one that is held")
        table = bulletin.rows
        if feed.series == "forecast":
            table = _as_issued(site, table, issued)
        new = add_rows(site, feed.series, table, now)
    except (Refused, Unreachable) as reason:
        came = Came.REFUSED if isinstance(reason, Refused) else Came.UNREACHABLE
        fault = without_secrets(str(reason), (*feed.location, *(value for _, value in feed.headers)))
        return Receipt(feed.name, feed.series, came, fault=fault), replace(tried, fault=fault)
    taken = replace(
        tried,
        taken=tried.tried,
        issued=issued.isoformat(timespec="seconds"),
        rows=rows,
        etag=document.conditions.etag,
        last_modified=document.conditions.last_modified,
        fault="",
        said=list(said),
    )
    return Receipt(feed.name, feed.series, Came.NEW if new else Came.SAME, new, said=tuple(said)), taken


def _due(feed: Feed, state: FeedState, now: datetime, again: bool) -> bool:
    """Whether it is time to ask: after a fault at once if asked to, else after `every` and not before it expires."""
    if not state.tried or (again and state.fault):
        return True
    tried = datetime.fromisoformat(state.tried)
    if now < tried:  # the clock was put back
        return True
    if now < tried + timedelta(minutes=feed.every):
        return False
    return not (state.expires and not state.fault and now < min(datetime.fromisoformat(state.expires), tried + DAY))


DAY = timedelta(days=1)  # longest that a server's word keeps us from asking


def _read(site: Site, feed: Feed, document: Document) -> Bulletin:
    """Read a document by its format, its rows held against the limits of their series."""
    data = document.data or b""
    if feed.format == "csv":
        return _csv(site, feed, document)
    if feed.format == "daily_arrays":
        bulletin = read_daily_arrays(data, site.time_zone.key)
    elif feed.format == "geojson_series":
        bulletin = read_geojson_series(data, site.time_zone)
    else:
        bulletin = read_interval_layers(data, site.time_zone)
    rows = bulletin.rows
    if feed.series == "weather":
        rows = rows.drop(columns=["member", "rain_probability"], errors="ignore")
        return checked(replace(bulletin, rows=rows), "weather", site)
    issued = bulletin.issued or document.sent or datetime.now(UTC)
    local = issued.astimezone(site.time_zone).replace(tzinfo=None)
    rows = rows.assign(issued=local.isoformat(timespec="seconds"))
    return checked(replace(bulletin, rows=rows), "forecast", site)


def _past_days(feed: Feed, bulletin: Bulletin, now: datetime) -> Bulletin:
    """Observed weather up to yesterday: the rest of a document is no observation yet."""
    if feed.series != "weather":
        return bulletin
    over = bulletin.rows["date"] < pd.Timestamp(now.date())
    return replace(bulletin, rows=bulletin.rows[over].reset_index(drop=True))


def _csv(site: Site, feed: Feed, document: Document) -> Bulletin:
    """A CSV document; a forecast without a column for its issue was issued when it came."""
    data = (document.data or b"").removeprefix(b"\xef\xbb\xbf")
    columns = dict(feed.columns)
    names = {columns.get(h, h).partition("[")[0].strip().casefold() for h in _header(data)}
    if feed.series == "forecast" and "issued" not in names:
        local = (document.sent or datetime.now(UTC)).astimezone(site.time_zone).replace(tzinfo=None)
        data = _with_column(data, "issued", local.isoformat(timespec="seconds"))
    bulletin = read_csv(data, feed.series, site, columns)
    if feed.series == "forecast" and len(bulletin.rows):
        newest = bulletin.rows["issued"].max()
        issued = newest.to_pydatetime().replace(tzinfo=site.time_zone)
        return replace(bulletin, rows=bulletin.rows[bulletin.rows["issued"] == newest], issued=issued)
    return bulletin


def _header(data: bytes) -> list[str]:
    """Names in the first line of a CSV document."""
    first = data.partition(b"\n")[0].decode("utf-8", errors="replace").strip("\r")
    mark = max(",;\t", key=first.count)
    return [name.strip().strip('"') for name in first.split(mark)]


def _with_column(data: bytes, name: str, value: str) -> bytes:
    """A CSV document with one more column in front."""
    lines = data.replace(b"\r\n", b"\n").split(b"\n")
    mark = max((b",", b";", b"\t"), key=lines[0].count)
    head, rows = lines[0], [line for line in lines[1:] if line.strip()]
    return b"\n".join([name.encode() + mark + head, *(value.encode() + mark + row for row in rows), b""])


def _look_over(site: Site, feed: Feed, bulletin: Bulletin, now: datetime) -> tuple[str, ...]:
    """Everything that can be said against a bulletin, or of it."""
    if feed.series == "forecast":
        return (*bulletin.notes, *check_forecast(bulletin, site, now))
    held = held_rows(site, feed.series)[TIMES[feed.series]]
    newest = None if held.empty else held.max()
    return (*bulletin.notes, *check_observed(bulletin, newest, now, TIMES[feed.series]))


def _moment_of(document: Document, now: datetime) -> datetime:
    """When a document that names no time of update was made: when it was sent, else now."""
    return min(document.sent or now, now)


def _as_issued(site: Site, rows: pd.DataFrame, issued: datetime) -> pd.DataFrame:
    """Rows of a forecast with the moment it was issued, on the site's clock."""
    local = pd.Timestamp(issued.astimezone(site.time_zone).replace(tzinfo=None)).floor("s")
    return rows.assign(issued=local)
