"""From the site folder into the ledger: once, again, late, corrected."""

from __future__ import annotations

import dataclasses
import shutil
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path

import pandas as pd
import pytest

from scheduler.ledger import Counts, open_ledger, queries
from scheduler.ledger.intake import intake
from scheduler.site import load_site
from tests import ledger_contents
from tests.drawn import draws, some

SCENARIOS = Path(__file__).parents[2] / "scenarios"


@cache
def shipped(name, readings=800):
    """A shipped site with the last of its record."""
    site = load_site(SCENARIOS / name)
    return replace(
        site,
        probes=site.probes.iloc[-readings:].reset_index(drop=True),
        weather=site.weather.iloc[-40:].reset_index(drop=True),
        applied=site.applied.iloc[-500:].reset_index(drop=True),
    )


@pytest.fixture(scope="module", params=some(["lowland-stadium", "dry-hills-course"], 1))
def site(request):
    return shipped(request.param, draws(100_000, 800))


@pytest.fixture
def ledger(tmp_path):
    opened = open_ledger(tmp_path)
    yield opened
    opened.close()


@pytest.mark.drawn
def test_everything_comes_back_as_the_folder_said(site, ledger):
    report = intake(site, ledger, "ann")
    assert report.changed and report.counts["probes"] == Counts(new=len(site.probes))

    def same(one, other, by):
        one, other = (f[list(other.columns)].sort_values(by, ignore_index=True) for f in (one, other))
        pd.testing.assert_frame_equal(one, other, check_dtype=False)

    same(queries.readings(ledger), site.probes, ["time", "probe"])
    same(queries.observed_weather(ledger), site.weather, ["date"])
    same(ledger_contents.issued_forecasts(ledger), site.forecast, ["issued", "member", "date"])
    same(queries.applied_water(ledger), site.applied, ["night", "zone"])
    same(ledger_contents.soil_samples(ledger), site.samples, ["date", "zone", "depth"])
    same(queries.calendar(ledger), site.calendar, ["from", "until", "target", "event"])
    same(ledger_contents.probe_places(ledger), site.probe_sites, ["probe", "from"])


@pytest.mark.drawn
def test_a_second_intake_writes_nothing(site, ledger):
    first = intake(site, ledger)
    again = intake(site, ledger)
    assert not again.changed and again.intake_id is None
    assert all(c.written == 0 for c in again.counts.values())
    assert again.counts["probes"].same == len(site.probes)
    pd.testing.assert_frame_equal(again.flags, first.flags)
    assert len(ledger_contents.intake_list(ledger)) == 1 and ledger_contents.replaced_rows(ledger).empty


@pytest.mark.drawn
def test_the_order_of_arrival_does_not_matter(site, ledger, tmp_path):
    other_folder = tmp_path / "other"
    other_folder.mkdir()
    other = open_ledger(other_folder)
    newest = site.probes["time"].max()
    early = site.probes[site.probes["time"] < newest - pd.Timedelta(days=3)]
    late = site.probes[site.probes["time"] >= newest - pd.Timedelta(days=4)]  # one day twice
    for part in (late, early):
        intake(dataclasses.replace(site, probes=part), ledger)
    intake(site, other)
    pd.testing.assert_frame_equal(queries.readings(ledger), queries.readings(other))
    assert ledger_contents.replaced_rows(ledger, "readings").empty
    other.close()


def test_corrected_rows_replace_and_tell_who(ledger):
    site = shipped("dry-hills-course")
    intake(site, ledger, "ann")
    weather = site.weather.copy()
    weather.loc[10, "rain"] = 7.5
    applied = site.applied.copy()
    applied.loc[3, "minutes"] = 99.0
    report = intake(dataclasses.replace(site, weather=weather, applied=applied), ledger, "ben")
    assert report.counts["weather"].changed == 1 and report.counts["applied"].changed == 1
    old = ledger_contents.replaced_rows(ledger)
    old = old[old["series"].isin(["weather", "applied"])]
    assert set(old["replaced_by"]) == {"ben"} and set(old["written_by"]) == {"ann"}
    assert old.set_index("series").loc["weather", "said"]["rain"] == site.weather["rain"][10]


def test_an_event_taken_out_of_the_calendar_is_withdrawn_and_can_return(ledger):
    site = shipped("dry-hills-course")
    intake(site, ledger)
    fewer = dataclasses.replace(site, calendar=site.calendar.iloc[1:])
    assert intake(fewer, ledger).counts["calendar"].withdrawn == 1
    assert len(queries.calendar(ledger)) == len(site.calendar) - 1
    assert intake(fewer, ledger).counts["calendar"].written == 0
    assert intake(site, ledger).counts["calendar"].changed == 1
    assert len(queries.calendar(ledger)) == len(site.calendar)


@pytest.mark.drawn
def test_rows_that_left_the_files_stay_in_the_ledger(site, ledger):
    intake(site, ledger)
    intake(dataclasses.replace(site, probes=site.probes.iloc[-100:], weather=site.weather.iloc[-5:]), ledger)
    assert len(queries.readings(ledger)) == len(site.probes)
    assert len(queries.observed_weather(ledger)) == len(site.weather)


def test_flags_are_kept_with_reasons_and_withdrawn_when_mended(ledger):
    site = load_site(SCENARIOS / "dry-hills-course")
    report = intake(site, ledger)
    told = report.flags[report.flags["rule"] != "gap"]
    assert list(zip(told["probe"], told["rule"], strict=True)) == [("G03-06", "spike"), ("G12-15", "stuck")]
    assert told["reason"].str.len().gt(10).all()
    probes = site.probes.copy()
    probes.loc[(probes["probe"] == "G03-06") & (probes["time"] == "2026-07-13T14:00"), "moisture"] = 0.135
    mended = intake(dataclasses.replace(site, probes=probes), ledger)
    assert mended.counts["flags"].withdrawn == 1 and mended.counts["probes"].changed == 1
    assert "spike" not in set(ledger_contents.standing_flags(ledger)["rule"])


def test_a_site_without_series_has_an_intake_too(ledger, tmp_path):
    folder = tmp_path / "bare"
    folder.mkdir()
    for name in ("site.toml", "zones.csv"):
        shutil.copy(SCENARIOS / "lowland-stadium" / name, folder / name)
    report = intake(load_site(folder), ledger)
    assert not report.changed and report.flags.empty


def test_the_lines_for_people(ledger):
    site = shipped("lowland-stadium")
    seen = []
    report = intake(site, ledger, progress=seen.append)
    assert f"probes: {len(site.probes):,} new, 0 corrected, 0 known" in report.lines()
    assert seen[-2:] == ["probes", "flags"]


@pytest.mark.drawn
def test_weather_can_be_asked_from_a_date(site, ledger):
    intake(site, ledger)
    assert queries.observed_weather(ledger, date(2026, 7, 1))["date"].min() == pd.Timestamp("2026-07-01")
