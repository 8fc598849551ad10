"""One attempt at one feed by hand: when it is due, how a document is read, and what of it counts."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from scheduler.feeds import receive
from scheduler.feeds.bulletin import Bulletin, Refused, Unreachable
from scheduler.feeds.fetch import Conditions
from scheduler.feeds.receive import Came, _due, _one, _past_days, _read
from scheduler.feeds.store import FeedState

ZONE = ZoneInfo("America/Los_Angeles")
NOW = datetime(2026, 7, 14, 20, 0, tzinfo=ZONE)
SITE = SimpleNamespace(time_zone=ZONE, folder="folder", contact="a@b.example")


@dataclass(frozen=True)
class Feed:
    name: str = "west"
    series: str = "weather"
    format: str = "csv"
    every: int = 60
    location: tuple = ("https://a.example?key=${WEST_KEY}",)
    headers: tuple = (("Token", "${WEST_TOKEN}"),)


def at(minutes):
    return (NOW + timedelta(minutes=minutes)).isoformat(timespec="seconds")


@pytest.mark.parametrize(
    ("state", "again", "due"),
    [
        ({}, False, True),
        ({"tried": at(-59)}, False, False),
        ({"tried": at(-60)}, False, True),
        ({"tried": at(-1), "fault": "down"}, True, True),
        ({"tried": at(-1), "fault": "down"}, False, False),
        ({"tried": at(-1)}, True, False),
        ({"tried": at(1)}, False, True),  # the clock was put back
        ({"tried": at(-90), "expires": at(1)}, False, False),
        ({"tried": at(-90), "expires": at(0)}, False, True),
        ({"tried": at(-90), "expires": at(1), "fault": "down"}, False, True),
        ({"tried": at(-24 * 60 + 1), "expires": at(10_000)}, False, False),  # a server's word holds for a day at most
        ({"tried": at(-24 * 60), "expires": at(10_000)}, False, True),
    ],
)
def test_a_feed_is_due_after_its_time_and_not_before_what_it_gave_expires(state, again, due):
    assert _due(Feed(), FeedState(**state), NOW, again) is due


def bulletin(*dates, **more):
    rows = pd.DataFrame({"date": pd.to_datetime(list(dates)), "tmin": 10.0, "member": "", "rain_probability": 0.5})
    return Bulletin(rows, **({"issued": None, "latitude": None, "longitude": None, "notes": ()} | more))


def test_what_was_observed_ends_with_yesterday_and_a_forecast_is_whole():
    given = bulletin("2026-07-12", "2026-07-13", "2026-07-14", "2026-07-15")
    assert _past_days(Feed(), given, NOW).rows["date"].dt.day.tolist() == [12, 13]
    assert _past_days(Feed(series="forecast"), given, NOW) is given
    late = NOW.astimezone(UTC).astimezone(ZONE)  # 3:00 of the 15th in Greenwich is still the 14th here
    assert _past_days(Feed(), given, late).rows["date"].dt.day.tolist() == [12, 13]


@pytest.mark.parametrize(
    ("form", "asked"),
    [
        ("daily_arrays", ("arrays", b"x", "America/Los_Angeles")),
        ("geojson_series", ("series", b"x", ZONE)),
        ("interval_layers", ("layers", b"x", ZONE)),
        ("csv", ("csv",)),
    ],
)
def test_a_document_is_read_by_its_format_on_the_site_s_clock(monkeypatch, form, asked):
    seen = []
    issued = datetime(2026, 7, 15, 1, 30, tzinfo=UTC)

    def reads(name, given=None):
        return lambda *told: seen.append((name, *told)) or bulletin("2026-07-14", issued=given)

    for name in ("arrays", "series", "layers"):
        function = {"arrays": "read_daily_arrays", "series": "read_geojson_series", "layers": "read_interval_layers"}
        monkeypatch.setattr(receive, function[name], reads(name, issued))
    monkeypatch.setattr(receive, "_csv", lambda site, feed, document: seen.append(("csv",)) or bulletin())
    monkeypatch.setattr(receive, "checked", lambda found, series, site: (found, series))
    document = SimpleNamespace(data=b"x", sent=None)
    found = _read(SITE, Feed(format=form), document)
    assert seen == [asked]
    if form != "csv":
        observed, series = found
        assert series == "weather" and list(observed.rows.columns) == ["date", "tmin"]  # a forecast's columns go
        told, series = _read(SITE, Feed(format=form, series="forecast"), document)
        assert series == "forecast" and told.rows["issued"].tolist() == ["2026-07-14T18:30:00"]
        assert {"member", "rain_probability"} <= set(told.rows.columns)
        if form == "series":
            monkeypatch.setattr(receive, "read_geojson_series", reads("series"))
            sent = SimpleNamespace(data=b"x", sent=issued + timedelta(hours=1))
            told, _ = _read(SITE, Feed(format=form, series="forecast"), sent)
            assert told.rows["issued"].tolist() == ["2026-07-14T19:30:00"]  # else when it was sent


def attempt(monkeypatch, state=None, series="forecast", issued=NOW, again=False, new=3, data=b"x", fails=None):
    """One attempt: what was asked for and kept, the receipt and the state after."""
    seen = {}

    def fetch(feed, folder, contact, held):
        seen.update(held=held, asked=(folder, contact))
        if isinstance(fails, Unreachable):
            raise fails
        return SimpleNamespace(
            data=data,
            expires=NOW + timedelta(hours=2),
            sent=NOW - timedelta(minutes=5),
            conditions=Conditions("e2", "m2"),
        )

    def read(site, feed, document):
        if fails is not None:
            raise fails
        return bulletin("2026-07-13", "2026-07-14", issued=issued)

    monkeypatch.setattr(receive, "fetch", fetch)
    monkeypatch.setattr(receive, "_read", read)
    monkeypatch.setattr(receive, "_look_over", lambda site, feed, found, now: (f"{len(found.rows)} looked over",))
    monkeypatch.setattr(
        receive, "add_rows", lambda site, series, table, now: seen.update(series=series, table=table) or new
    )
    given = state or FeedState()
    receipt, after = _one(SITE, Feed(series=series), given, NOW, again)
    return seen, receipt, after


def test_what_is_new_is_kept_with_when_it_was_issued(monkeypatch):
    held = FeedState(etag="e1", last_modified="m1", issued=at(-60))
    seen, receipt, after = attempt(monkeypatch, held)
    assert seen["held"] == Conditions("e1", "m1") and seen["asked"] == ("folder", "a@b.example")
    assert (receipt.came, receipt.rows, receipt.said) == (Came.NEW, 3, ("2 looked over",))
    assert seen["series"] == "forecast" and seen["table"]["issued"].tolist() == [pd.Timestamp("2026-07-14 20:00")] * 2
    assert (after.etag, after.last_modified, after.issued, after.tried, after.taken) == (
        "e2",
        "m2",
        at(0),
        at(0),
        at(0),
    )
    assert (after.expires, after.fault, after.said) == (at(120), "", ["2 looked over"]) and after.rows
    # The same rows again are nothing new, unless the last attempt failed.
    assert attempt(monkeypatch, replace(after, tried=at(-90), expires=""))[1].came is Came.SAME
    fallen = replace(after, tried=at(-90), expires="", fault="down")
    seen, receipt, after = attempt(monkeypatch, fallen)
    assert receipt.came is Came.NEW and after.fault == "" and seen["held"] == Conditions()  # asked for whole
    assert attempt(monkeypatch, new=0)[1].came is Came.SAME
    seen, receipt, after = attempt(monkeypatch, data=None, state=FeedState(rows="r", etag="e1"))
    assert receipt.came is Came.SAME and (after.rows, after.etag, "table" in seen) == ("r", "e1", False)


def test_observed_days_are_kept_without_today_and_a_document_without_its_time_was_made_when_sent(monkeypatch):
    seen, receipt, after = attempt(monkeypatch, series="weather", issued=None)
    assert seen["table"]["date"].dt.day.tolist() == [13] and receipt.said == ("1 looked over",)
    assert after.issued == at(-5) and "issued" not in seen["table"].columns


def test_an_older_forecast_is_kept_out_and_a_failure_is_told_without_secrets(monkeypatch):
    _, receipt, after = attempt(monkeypatch, FeedState(issued=at(1)))
    assert receipt.came is Came.REFUSED and "before the one that is held" in after.fault and after.issued == at(1)
    assert attempt(monkeypatch, FeedState(issued=at(0)))[1].came is Came.NEW  # as old as the one held
    assert attempt(monkeypatch, FeedState(issued=at(1)), series="weather")[1].came is Came.NEW
    monkeypatch.setenv("WEST_KEY", "hidden")
    monkeypatch.setenv("WEST_TOKEN", "covert")
    fails = Unreachable("https://a.example?key=hidden is down for covert")
    _, receipt, after = attempt(monkeypatch, FeedState(rows="r"), fails=fails)
    assert receipt.came is Came.UNREACHABLE and after.rows == "r"
    assert receipt.fault == after.fault == "https://a.example?key=${WEST_KEY} is down for ${WEST_TOKEN}"
    assert attempt(monkeypatch, fails=Refused("no"))[1].came is Came.REFUSED
    waits, receipt, after = attempt(monkeypatch, FeedState(tried=at(-1), fault="down"))
    assert (receipt.came, receipt.fault, waits) == (Came.NOT_DUE, "down", {}) and after.tried == at(-1)


def test_only_the_feeds_asked_for_are_asked_and_the_others_keep_their_state(monkeypatch):
    written = {}
    feeds = (Feed("a"), Feed("b"), Feed("c"))
    monkeypatch.setattr(receive, "read_states", lambda folder: {"a": "old a", "b": "old b"})
    monkeypatch.setattr(receive, "write_states", lambda folder, states: written.update(states))

    def one(site, feed, state, now, again):
        return receive.Receipt(feed.name, feed.series, Came.NEW), f"new {feed.name} after {state} {again}"

    monkeypatch.setattr(receive, "_one", one)
    site = SimpleNamespace(folder="folder", feeds=feeds)
    assert [r.feed for r in receive.receive(site, NOW, frozenset({"b", "c"}), again=True)] == ["b", "c"]
    assert written == {"a": "old a", "b": "new b after old b True", "c": f"new c after {FeedState()} True"}
    written.clear()
    assert receive.receive(SimpleNamespace(folder="folder", feeds=()), NOW) == () and written == {}
    assert len(receive.receive(site, NOW)) == 3


def test_a_column_goes_in_front_of_the_others_by_the_mark_of_the_head():
    found = receive._with_column(b"date;rain\r\n2026-07-14;0,5\r\n\r\n2026-07-15;1\r\n", "issued", "now")
    assert found == b"issued;date;rain\nnow;2026-07-14;0,5\nnow;2026-07-15;1\n"
    assert receive._header(b'"date"\tRain \r\nx,y') == ["date", "Rain"]


def test_a_line_says_what_became_of_a_feed():
    lines = {came: str(receive.Receipt("west", "weather", came, 1200, "why", ("note",))) for came in Came}
    assert (
        lines[Came.NEW] == "feed west: 1,200 new rows; note" and lines[Came.REFUSED] == "feed west: kept out: why; note"
    )
    assert lines[Came.UNREACHABLE] == "feed west: nothing came: why; note"
    assert (
        receive._moment_of(SimpleNamespace(sent=None), NOW)
        == NOW
        == receive._moment_of(SimpleNamespace(sent=NOW + timedelta(hours=1)), NOW)
    )
