"""Feeds against a server that misbehaves: what counts is kept once, what does not is said and kept out."""

import json
import shutil
import sys
from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from scheduler.errors import InputProblems
from scheduler.feeds import fetch
from scheduler.feeds.receive import Came, receive
from scheduler.feeds.store import read_states
from scheduler.site import load_site
from scheduler.site.unattended_records import Feed
from tests.scheduler.feeds.server import misbehaving
from tests.sites import make_site

NIGHT = datetime(2026, 7, 14, 18, 0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return make_site(tmp_path_factory.mktemp("feeds") / "site", zones=6, probes=False)


@pytest.fixture(scope="module")
def read(folder):
    return load_site(folder)


@pytest.fixture
def site(folder, read, tmp_path):
    return replace(read, folder=shutil.copytree(folder, tmp_path / "site"))


@pytest.fixture(scope="module")
def server():
    with misbehaving() as found:
        yield found


def now(site):
    return NIGHT.replace(tzinfo=site.time_zone)


def feed(url, **more):
    terms = {"name": "service", "series": "forecast", "kind": "url", "location": (url,), "format": "daily_arrays"}
    rest = {"every": 60.0, "timeout": 1.0, "headers": (), "columns": {}}
    return Feed(**(terms | rest | more))


def forecast(site, days=8, first=0, **change):
    observed = site.weather.tail(7)
    mean = float(observed["tmax"].mean()), float(observed["tmin"].mean())
    dates = [(NIGHT.date() + timedelta(days=first + i)).isoformat() for i in range(days)]
    daily = {
        "time": dates, "temperature_2m_max": [mean[0]] * days, "temperature_2m_min": [mean[1]] * days,
        "precipitation_sum": [1.0] * days,
    }  # fmt: skip
    return {
        "latitude": site.latitude, "longitude": site.longitude, "timezone": site.time_zone.key,
        "daily_units": {}, "daily": daily, **change,
    }  # fmt: skip


def one(site, rule, at=None, **terms):
    (receipt,) = receive(replace(site, feeds=(rule,), contact="a@example.org"), at or now(site), **terms)
    return receipt


def test_a_forecast_is_kept_once_and_used(site, server):
    rule = feed(server.give("/good", forecast(site)))
    assert one(site, rule).came is Came.NEW
    assert one(site, rule, now(site) + timedelta(minutes=5)).came is Came.NOT_DUE
    assert one(site, rule, now(site) + timedelta(minutes=90)).came is Came.SAME  # the same rows again
    read = load_site(site.folder)
    mine = read.forecast[read.forecast["issued"] == "2026-07-14T18:00:00"]
    assert len(mine) == 8 and mine["rain"].eq(1.0).all()
    assert len(read.forecast) == len(site.forecast) + 8
    agent = server.asked[-1][1]["User-Agent"]
    assert agent.startswith("evenfall/") and "a@example.org" in agent


def test_what_a_person_wrote_counts_above_a_feed(site, server):
    day = site.weather["date"].iloc[-2]
    written = float(site.weather["tmax"].iloc[-2])
    table = f"date,tmin,tmax,rain\n{day:%Y-%m-%d},1,2,0\n2026-07-01,11,22,3\n"
    rule = feed(server.give("/weather.csv", table.encode()), series="weather", format="csv")
    assert one(site, rule).came is Came.NEW
    read = load_site(site.folder).weather.set_index("date")
    assert read.loc[day, "tmax"] == written


BAD = {
    "an error": ("/500", b"down", {"status": 500}, "status 500"),
    "a web page": ("/html", b"<!doctype html><p>sign in", {}, "web page"),
    "half a body": ("/half", None, {"manner": "half"}, "cut off"),
    "too slow": ("/slow", None, {"manner": "slow"}, "longer than 1 s"),
    "silent": ("/silent", None, {"manner": "silent"}, "no answer|longer"),
    "elsewhere": ("/away", b"", {"status": 302, "Location": "http://198.51.100.7/x"}, "elsewhere"),
    "packed wrongly": ("/pack", b"not packed", {"Content_Encoding": "gzip"}, "unpacked|cut off"),
    "not there": ("/none", b"", {"status": 404}, "status 404"),
}


@pytest.mark.parametrize("what", BAD)
def test_what_does_not_come_whole_is_said(site, server, what):
    path, body, terms, words = BAD[what]
    rule = feed(server.give(path, forecast(site) if body is None else body, **terms))
    receipt = one(site, rule)
    assert receipt.came in (Came.UNREACHABLE, Came.REFUSED)
    import re

    assert re.search(words, receipt.fault), receipt.fault
    assert not (site.folder / "feeds" / "forecast.csv").exists()
    assert read_states(site.folder)["service"].fault == receipt.fault


def test_a_bomb_is_unpacked_no_further_than_allowed(site, server, monkeypatch):
    monkeypatch.setattr(fetch, "LARGEST", 200_000)
    rule = feed(server.give("/bomb", b" " * 5_000_000, manner="gzip"))
    assert "larger than" in one(site, rule).fault


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"latitude": 10.0, "longitude": 20.0}, r"km away"),
        ({"days": 3, "first": -5}, "nothing of the coming days"),
        ({"days": 5, "first": 4}, "nothing of tomorrow"),
        ({"daily_units": {"temperature_2m_max": "K", "temperature_2m_min": "K"}}, "below|allowed|above"),
    ],
)
def test_what_is_of_another_place_time_or_unit_is_kept_out(site, server, change, words):
    import re

    receipt = one(site, feed(server.give("/odd", forecast(site, **change))))
    assert receipt.came is Came.REFUSED
    assert re.search(words, receipt.fault), receipt.fault


def test_a_forecast_in_the_wrong_unit_but_possible_is_seen_against_the_last_week(site, server):
    document = forecast(site)
    document["daily"]["temperature_2m_max"] = [v - 25.0 for v in document["daily"]["temperature_2m_max"]]
    document["daily"]["temperature_2m_min"] = [v - 25.0 for v in document["daily"]["temperature_2m_min"]]
    assert "another place or another unit" in one(site, feed(server.give("/cold", document))).fault


def test_the_server_is_asked_whether_anything_is_new(site, server):
    rule = feed(server.give("/etag", forecast(site), ETag='"abc"'))
    assert one(site, rule).came is Came.NEW
    assert one(site, rule, now(site) + timedelta(hours=2)).came is Came.SAME
    assert server.asked[-1][1]["If-None-Match"] == '"abc"'


def test_a_server_that_says_how_long_its_word_holds_is_not_asked_before(site, server):
    rule = feed(server.give("/expires", forecast(site), Expires="Wed, 15 Jul 2026 12:00:00 GMT"))
    assert one(site, rule).came is Came.NEW
    assert one(site, rule, now(site) + timedelta(hours=3)).came is Came.NOT_DUE


def test_secrets_come_from_the_environment_and_stay_out_of_every_word(site, server, monkeypatch):
    rule = feed(
        server.give("/key", b"no", status=403) + "?key=${SERVICE_KEY}", headers=(("X-Token", "${SERVICE_KEY}"),)
    )
    monkeypatch.delenv("SERVICE_KEY", raising=False)
    assert "SERVICE_KEY is not set" in one(site, rule).fault
    monkeypatch.setenv("SERVICE_KEY", "s3cr3t-value")
    receipt = one(site, rule, again=True)
    assert "key=s3cr3t-value" in server.asked[-1][0] and server.asked[-1][1]["X-Token"] == "s3cr3t-value"
    kept = (site.folder / "feeds" / "state.json").read_text() + str(receipt)
    assert "s3cr3t-value" not in kept


def test_a_secret_written_in_the_open_is_refused(site):
    toml = site.folder / "site.toml"
    text = toml.read_text().replace("[site]", '[site]\ncontact = "a@example.org"', 1)
    toml.write_text(
        text + '\n[[feed]]\nfor = "forecast"\nurl = "https://example.org/f?apikey=abc"\nformat = "daily_arrays"\n'
    )
    with pytest.raises(InputProblems, match="looks like a secret"):
        load_site(site.folder)


def test_files_and_commands_are_feeds_too(site):
    (site.folder / "sent.json").write_text(json.dumps(forecast(site)))
    assert one(site, feed("sent.json", kind="file")).came is Came.NEW
    words = (sys.executable, "-c", "import sys; sys.stdout.write(open('sent.json').read())")
    assert one(site, feed("", name="program", kind="command", location=words, timeout=20.0)).came is Came.SAME
    for code, said in (("import sys; sys.exit(3)", "code 3"), ("import time; time.sleep(9)", "longer than")):
        words = (sys.executable, "-c", code)
        assert said in one(site, feed("", name=said, kind="command", location=words, timeout=1.5)).fault


def test_a_table_with_one_bad_row_is_kept_out_whole(site, server):
    table = b"date,tmin,tmax\n2026-07-10,10,20\n2026-07-11,30,20\n"
    rule = feed(server.give("/bad.csv", table), series="weather", format="csv")
    assert "cannot be above the greatest" in one(site, rule).fault


def test_a_table_through_a_column_map(site, server):
    table = b"Tag;Min;Max;Regen\n2026-07-12;54,5;86;0,5\n"
    columns = {"Tag": "date", "Min": "tmin [degF]", "Max": "tmax [degF]", "Regen": "rain [in]"}
    gone = site.folder / "weather.csv"
    gone.write_text("\n".join(line for line in gone.read_text().splitlines() if "2026-07-12" not in line) + "\n")
    rule = feed(server.give("/map.csv", table), series="weather", format="csv", columns=columns)
    assert one(load_site(site.folder), rule).came is Came.NEW
    row = load_site(site.folder).weather.set_index("date").loc["2026-07-12"]
    assert (row["tmax"], row["tmin"], row["rain"]) == pytest.approx((30.0, 12.5, 12.7))


def test_pieces_in_any_order_make_the_same_folder(site, server):
    """Readings and runs that come late and in pieces: what is held is what it would be had all come in order."""
    zone = site.zones.zone[0]
    pieces = [f"night,zone,minutes\n2026-07-{d:02d},{zone},{d}\n".encode() for d in (3, 4, 5, 6)]
    (site.folder / "applied.csv").unlink(missing_ok=True)
    texts = set()
    for order in ([0, 1, 2, 3], [3, 1, 0, 2], [2, 3, 1, 0]):
        kept = site.folder / "feeds" / "applied.csv"
        kept.unlink(missing_ok=True)
        for i in order:
            rule = feed(server.give(f"/piece{i}", pieces[i]), name=f"piece {i}", series="applied", format="csv")
            one(site, rule, again=True)
            (site.folder / "feeds" / "state.json").unlink()
        texts.add(kept.read_text())
    assert len(texts) == 1 and texts.pop().count("\n") == 5
