"""How sure an estimate is, which days are kept, what caution means: single steps of where zones stand, by hand."""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.choices import SPREAD
from scheduler.state import demand, evening, quality
from scheduler.state.caution import CAUTION
from scheduler.state.demand import evening_demand
from scheduler.state.evening import _spread
from scheduler.state.filtered import LONGEST_RUN
from tests.scheduler.site_folders import site

NIGHT = date(2026, 7, 14)


def test_the_newest_days_of_weather_are_kept(tmp_path):
    rows = "".join(f"{NIGHT - timedelta(days=d)},{d + 1},0\n" for d in range(5, -1, -1))
    place = site(tmp_path, weather=f"date,eto,rain\n{rows}{NIGHT + timedelta(days=1)},9,9\n")
    found = evening_demand(place, NIGHT, 2, longest=2)
    assert found.past["eto"].tolist() == [2.0, 1.0] and found.observed_days == 2
    assert found.past["date"].dt.date.tolist() == [NIGHT - timedelta(days=1), NIGHT]


def test_an_estimate_is_as_sure_as_what_it_stands_on():
    # Roots of 200 mm: a reading is off by 0.02 m3/m3, 4 mm; four depths halve it; four days of 0.3 x 5 mm add 3 mm.
    place = SimpleNamespace(zones=SimpleNamespace(fed_depth=np.full(5, 0.2)))
    probed = SimpleNamespace(zone=np.array([0, 1]), depths=np.array([1.0, 4.0]))
    origin = np.array(["probe", "probe", "balance", "field capacity", "probe"], dtype=object)
    found = _spread(
        place,
        origin,
        np.array([0, 4, 4, 4, 400]),
        probed,
        np.full((5, 3), 5.0),
        np.full(5, 40.0),
        np.array([9.0, 9.0, 4.0, 9.0, 9.0]),
    )
    reading, day = 1000 * 0.2 * SPREAD.probe_error, SPREAD.daily_error * 5.0
    np.testing.assert_allclose(
        found, [reading, np.hypot(reading / 2, 2 * day), np.hypot(4.0, 2 * day), 0.15 * 40.0, 0.4 * 40.0]
    )


@pytest.mark.parametrize(("word", "more"), [("careful", "tail"), ("careful", "catch"), ("careful", "worth")])
def test_careful_counts_dryness_for_more_and_lean_for_less(word, more):
    assert getattr(CAUTION[word], more) > getattr(CAUTION["even"], more) >= getattr(CAUTION["lean"], more)
    assert CAUTION["lean"].worth < 1.0 == CAUTION["even"].worth and CAUTION["lean"].margin == 0.0


def test_a_reading_is_of_the_place_its_probe_stood_in_that_day():
    sites = pd.DataFrame(
        [("A", "G", "2026-07-05", "2026-07-10"), ("B", "G", None, None), ("A", "F", "2026-07-11", None)],
        columns=["probe", "zone", "from", "until"],
    )  # fmt: skip
    sites[["from", "until"]] = sites[["from", "until"]].apply(pd.to_datetime)
    times = ["2026-07-04 23:00", "2026-07-05 00:00", "2026-07-10 23:59", "2026-07-11 00:00", "2026-07-12", "2026-07-01"]
    readings = pd.DataFrame({"time": pd.to_datetime(times, format="ISO8601"), "probe": ["A"] * 5 + ["B"]})
    notes = []
    placed, places = quality._placed(SimpleNamespace(probe_sites=sites), readings, notes)
    told = list(zip(placed["time"].dt.day, places["zone"].to_numpy()[placed["series"]], strict=True))
    assert told == [(5, "G"), (10, "G"), (1, "G"), (11, "F"), (12, "F")]
    assert placed["series"].tolist() == [0, 0, 1, 2, 2] and notes[0].text.startswith("1 reading of a time for which")


def test_an_evening_is_told_what_was_doubted_and_by_whom_it_was_heard(monkeypatch):
    rows = pd.DataFrame({
        "time": pd.to_datetime(["2026-07-14 12:00", "2026-07-14 13:00", "2026-07-11 21:00", "2026-07-14 12:00"]),
        "probe": ["A", "A", "old", "dumb"], "moisture": [0.2, 0.2, 0.2, np.nan],
    })  # fmt: skip
    seen = {}

    @dataclass(frozen=True)
    class Place:
        units: str = "metric"
        probes: object = "all"

    @dataclass(frozen=True)
    class State:
        used: int = 0
        readings: int = 9
        doubtful: int = 9
        notes: tuple = ("simple",)
        lingers: object = None

    notes = [SimpleNamespace(kind="warning"), SimpleNamespace(kind="info")]
    monkeypatch.setattr(evening, "recent", lambda site, night, opens, days: seen.update(days=days) or rows)
    monkeypatch.setattr(evening, "examine", lambda site, rows: SimpleNamespace(flags="flags", notes=notes))
    monkeypatch.setattr(evening, "believed", lambda rows, flags: rows.iloc[:2] if flags == "flags" else rows.iloc[:0])
    monkeypatch.setattr(evening, "starting_state", lambda site, *given: seen.update(trusted=site) or State())
    monkeypatch.setattr(evening, "_flag_notes", lambda flags, opening, units: [(flags, opening)])
    monkeypatch.setattr(evening, "_filtered", lambda site, night, demand, state, good, notes: None)
    monkeypatch.setattr(evening, "_kept_digits", lambda state: state)
    found = evening.evening_state(Place(), NIGHT, 1260, "demand", "rate")
    assert found.notes == ("simple", notes[0], ("flags", pd.Timestamp("2026-07-14 21:00")))
    assert seen["days"] == LONGEST_RUN  # the filter hears what it runs over
    assert (found.readings, found.doubtful) == (1, 1) and len(seen["trusted"].probes) == 2  # three days old is too old
    found = evening.evening_state(Place(), NIGHT, 1260, "demand", "rate", flags="others")
    assert found.notes == ("simple", ("others", pd.Timestamp("2026-07-14 21:00"))) and seen["trusted"].probes == "all"
    monkeypatch.setattr(evening, "_filtered", lambda *given: "filtered")
    monkeypatch.setattr(evening, "_joined", lambda state, filtered: replace(state, used=7))
    monkeypatch.setattr(evening, "lingers", lambda site, filtered: (len(site.probes), filtered))
    found = evening.evening_state(Place(), NIGHT, 1260, "demand", "rate")
    assert (found.used, found.lingers) == (7, (2, "filtered"))


# ----------------------------------------------------------------------------------------------- forecasts in force


def forecast(*rows):
    columns = ["issued", "date", "member", "eto", "rain", "rain_probability"]
    table = pd.DataFrame(rows, columns=columns)
    return table.assign(issued=pd.to_datetime(table["issued"]), date=pd.to_datetime(table["date"]))


def test_the_newest_forecast_is_in_force_for_the_dates_to_come_it_knows_the_et_of():
    rows = forecast(
        ("2026-07-13 06:00", "2026-07-13", "", 4.0, 1.0, 1.0),
        ("2026-07-13 06:00", "2026-07-14", "", 4.1, 2.0, 0.5),
        ("2026-07-13 06:00", "2026-07-15", "", 4.2, 9.0, 1.0),
        ("2026-07-14 06:00", "2026-07-14", "", 5.0, 4.0, 0.25),
        ("2026-07-14 06:00", "2026-07-15", "", 5.1, 8.0, 0.5),
        ("2026-07-14 06:00", "2026-07-16", "", np.nan, 3.0, 1.0),
        ("2026-07-14 06:00", "2026-07-17", "", 5.3, np.nan, 0.5),
        ("2026-07-14 06:00", "2026-07-18", "", 5.4, 6.0, np.nan),
    )
    latest, older = demand._forecasts(rows, pd.Timestamp("2026-07-14"))
    assert latest["date"].dt.day.tolist() == [15, 17, 18]  # today is no date to come; of the 16th no ET is known
    assert latest["eto"].tolist() == [5.1, 5.3, 5.4]
    assert latest["rain"].tolist() == [4.0, 0.0, 6.0] and latest["chance"].tolist() == [0.5, 0.0, 1.0]
    # Up to today the newest that spoke of each date.
    assert older["date"].dt.day.tolist() == [13, 14] and older.set_index("date")["rain"].tolist() == [1.0, 1.0]
    assert older["eto"].tolist() == [4.0, 5.0]
    empty, none = demand._forecasts(rows.iloc[:0], pd.Timestamp("2026-07-14"))
    assert not len(empty) and not len(none)


def test_members_of_a_forecast_are_one_mean_and_stand_beside_it():
    rows = forecast(
        ("2026-07-14 06:00", "2026-07-15", "b", 6.0, 8.0, 0.5), ("2026-07-14 06:00", "2026-07-15", "a", 4.0, 0.0, 1.0),
    )  # fmt: skip
    latest, _ = demand._forecasts(rows, pd.Timestamp("2026-07-14"))
    assert (latest["eto"][0], latest["rain"][0], latest["chance"][0], latest["members"][0]) == (5.0, 2.0, 0.25, 2)
    assert latest["single"][0].tolist() == [[4.0, 0.0], [6.0, 4.0]]


def test_a_forecast_issued_after_this_date_is_not_told_and_older_ones_only_of_dates_gone():
    rows = forecast(
        ("2026-07-13 06:00", "2026-07-14", "", 4.0, 0.0, 1.0), ("2026-07-13 06:00", "2026-07-15", "", 4.0, 0.0, 1.0),
        ("2026-07-14 23:59", "2026-07-15", "", 5.0, 0.0, 1.0), ("2026-07-15 00:00", "2026-07-16", "", 9.0, 0.0, 1.0),
    )  # fmt: skip
    found = demand._told_rows(SimpleNamespace(forecast=rows), pd.Timestamp("2026-07-14"))
    assert found["eto"].tolist() == [4.0, 5.0] and found["date"].dt.day.tolist() == [14, 15]
