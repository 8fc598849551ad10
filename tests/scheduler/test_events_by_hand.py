"""The calendar night by night, which night is meant, and numbers as people read them."""

from dataclasses import replace
from datetime import date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.choices import EVENTS
from scheduler import edge, nights
from scheduler.errors import InputProblems, Problem, counted, listing, near_miss, shown
from scheduler.events import calendar_events, event_nights, event_zones, flush_reach, protected_nights
from scheduler.nights import choose_night, evening_of, last_good_plan

NIGHT = date(2026, 7, 14)
DATES = tuple(NIGHT + timedelta(days=i) for i in range(7))


def calendar(*rows):
    table = pd.DataFrame(rows, columns=["from", "until", "target", "event", "note"])
    table[["from", "until"]] = table[["from", "until"]].apply(pd.to_datetime)
    zones = SimpleNamespace(
        surface=np.array(["green", "green", "fairway"]), zone=np.array(["G1", "G2", "F1"], dtype=object)
    )
    zones = type("Zones", (SimpleNamespace,), {"__len__": lambda self: 3})(**vars(zones))
    return SimpleNamespace(zones=zones, calendar=table)


def marks(held):
    return ["".join("x" if on else "." for on in row) for row in held]


@pytest.mark.parametrize("kind", ["tournament", "firm"])
def test_an_event_is_prepared_from_the_night_before_and_its_zones_are_those_of_the_morning(kind):
    site = calendar(("2026-07-16", "2026-07-17", "green", kind, ""), ("2026-07-18", None, "F1", kind, None))
    held = event_nights(site, DATES)
    assert marks(held.firm) == [".xxx...", ".xxx...", "...xx.."] and not held.dry.any()
    protected = marks(protected_nights(site, DATES))
    assert EVENTS.protected_before == 2 and protected == ["xxxx...", "xxxx...", "..xxx.."]
    assert [event_zones(site, d).tolist() for d in DATES[:5]] == [
        [False] * 3, [True, True, False], [True, True, False], [False, False, True], [False] * 3,
    ]  # fmt: skip
    first, second = calendar_events(site, DATES)
    assert (first.begins, first.until, first.kind, first.target, first.zones, first.note) == (
        DATES[2], DATES[3], kind, "green", 2, "",
    )  # fmt: skip
    assert (first.firm, first.dry, first.no_flush) == (DATES[1:4], (), DATES[:4])
    assert (second.until, second.zones, second.firm, second.note) == (DATES[4], 1, DATES[3:5], "")


@pytest.mark.parametrize(
    ("kind", "dry", "quiet"),
    [("no_water", "..xx...", "..xx..."), ("no_flush", ".......", "..xx..."), ("note", ".......", "......."),
     ("fertigation", ".......", "..xxxxx")],
)  # fmt: skip
def test_other_events_hold_back_water_or_flushes(kind, dry, quiet):
    site = calendar(("2026-07-16", "2026-07-17", "F1", kind, "why"))
    held = event_nights(site, DATES)
    assert marks(held.dry)[2] == dry and not held.firm.any() and not held.dry[:2].any()
    assert marks(protected_nights(site, DATES))[2] == quiet and not event_zones(site, NIGHT).any()
    (found,) = calendar_events(site, DATES)
    told = ["".join("x" if d in days else "." for d in DATES) for days in (found.firm, found.dry, found.no_flush)]
    assert told == [".......", dry, quiet] and found.note == "why"
    assert EVENTS.after_fertigation == 3 and (flush_reach(kind) is None) == (kind == "note")


# ------------------------------------------------------------------------------------------------------------- night


def folder(forecast=(), weather=(), probes=()):
    return SimpleNamespace(
        forecast=pd.DataFrame({"issued": pd.to_datetime(list(forecast))}),
        weather=pd.DataFrame({"date": pd.to_datetime(list(weather))}),
        probes=pd.DataFrame({"time": pd.to_datetime(list(probes))}),
    )


@pytest.mark.parametrize(
    ("given", "night"),
    [
        ({}, NIGHT), ({"weather": ["2026-06-30"]}, NIGHT), ({"weather": ["2026-06-29"]}, date(2026, 6, 29)),
        ({"weather": ["2026-06-29"], "probes": ["2026-07-01T06:00"]}, NIGHT), ({"forecast": ["2025-07-01T18:00"]},
        date(2025, 7, 1)),
        ({"weather": ["2026-07-28"]}, NIGHT), ({"weather": ["2026-07-29"]}, date(2026, 7, 29)),
        # One date far in the future among others is a slip of the pen; one within a month is not.
        ({"weather": ["2026-07-10", "2027-07-10"]}, NIGHT), ({"weather": ["2026-06-29", "2027-07-10", "2028-07-10"]},
        date(2026, 6, 29)),
        ({"weather": ["2026-07-10", "2026-08-09"]}, date(2026, 8, 9)), ({"weather": ["2026-07-10", "2026-08-10"]},
        NIGHT),
    ],
)  # fmt: skip
def test_a_folder_of_a_past_season_is_planned_for_its_newest_evening(given, night):
    assert choose_night(folder(**given), NIGHT) == night


def test_the_small_hours_belong_to_the_evening_before():
    assert [evening_of(datetime(2026, 7, 14, *at)) for at in ((3, 59), (4, 0), (23, 59), (0, 0))] == [
        date(2026, 7, 13), NIGHT, NIGHT, date(2026, 7, 13),
    ]  # fmt: skip
    site = SimpleNamespace(window=SimpleNamespace(of=lambda night: (21 * 60 + 30, 29 * 60)), folder=None)
    assert nights.opening_of(site, NIGHT) == pd.Timestamp("2026-07-14T21:30")


def test_the_last_good_plan_is_the_newest_that_stands(tmp_path):
    assert last_good_plan(tmp_path) is None
    for name in ("2026-07-13", "2026-07-12", "old", "z", "2026-07-15"):
        (tmp_path / "out" / name).mkdir(parents=True)
        if name != "2026-07-15":
            (tmp_path / "out" / name / "plan.json").touch()
    assert last_good_plan(tmp_path) == date(2026, 7, 13)


# ----------------------------------------------------------------------------------------------------------- numbers


@pytest.mark.parametrize(
    ("call", "us", "metric"),
    [
        (lambda u: edge.format_depth(0.04, u), "0.00 in", "0.0 mm"), (lambda u: edge.format_depth(-0.01, u), "0.00 in",
        "0.0 mm"),
        (lambda u: edge.format_depth(1234.56, u), "48.60 in", "1,234.6 mm"), (lambda u: edge.format_depth(None, u),
        "–", "–"),
        (lambda u: edge.format_volume(0.0, u), "0 gal", "0 m³"), (lambda u: edge.format_volume(0.05, u), "13 gal",
        "0.1 m³"),
        (lambda u: edge.format_volume(12334.0, u), "3,260,000 gal", "12,330 m³"),
        (lambda u: edge.format_volume(12335.0, u), "10.0 acre-ft", "12,340 m³"),
        (lambda u: edge.format_volume(float("inf"), u), "–", "–"), (lambda u: edge.format_volume(99.96, u),
        "26,400 gal", "100.0 m³"),
        (lambda u: edge.format_volume(74000.0, u, beside=1.0), "19,500,000 gal", "74,000 m³"),
        (lambda u: edge.format_flow(0.1, u), "2 gal/min", "0.1 L/s"), (lambda u: edge.format_head(10.0, u), "33 ft",
        "10.0 m"),
        (lambda u: edge.format_area(4047.0, u), "1.00 acres", "4,047 m²"), (lambda u: edge.format_area(4046.0, u),
        "43,551 ft²", "4,046 m²"),
        (lambda u: edge.format_area(10000.0, u), "2.47 acres", "1.00 ha"), (lambda u: edge.format_area(9999.0, u),
        "2.47 acres", "9,999 m²"),
        (lambda u: edge.format_area(None, u), "–", "–"), (lambda u: edge.format_rate(12.0, u), "0.47 in/h",
        "12.0 mm/h"),
        (lambda u: edge.format_temperature(None, u), "–", "–"), (lambda u: edge.format_temperature(-0.4, u), "31 °F",
        "0 °C"),
        (lambda u: edge.format_wind(0.3, u), "1 mph", "0.3 m/s"), (lambda u: edge.format_probe_depth(15.2, u),
        "6.0 in", "15 cm"),
        (lambda u: edge.format_time(datetime(2026, 7, 14, 0, 7), u), "12:07 am", "00:07"),
        (lambda u: edge.format_time(datetime(2026, 7, 14, 12, 0), u), "12:00 pm", "12:00"),
        (lambda u: edge.format_time(datetime(2026, 7, 14, 11, 59), u), "11:59 am", "11:59"),
        (lambda u: edge.format_day_after(date(2026, 12, 31), u), "Fri Jan 1", "Fri 1 Jan"),
        (lambda u: f"{edge.flow_scale(u):.3f}", "15.850", "1.000"), (lambda u: f"{edge.volume_scale(u):.4f}", "0.2642",
        "1.0000"),
    ],
)  # fmt: skip
def test_numbers_are_read_in_the_site_s_units(call, us, metric):
    assert (call("us"), call("metric")) == (us, metric)
    with pytest.raises(ValueError, match='units: read "imperial"; allowed: "us", "metric"'):
        edge.format_depth(1.0, "imperial")


@pytest.mark.parametrize(
    ("minutes", "text"),
    [(0, "0 min"), (59.99, "59 min 59 s"), (59.999, "1 h"), (60.4, "1 h"), (60.6, "1 h 1 min"), (119.6, "2 h"),
     (0.008, "0 min"), (0.01, "1 s"), (60000, "1,000 h"), (None, "–"), (float("nan"), "–")],
)  # fmt: skip
def test_a_length_of_time_is_told_to_the_second_below_an_hour(minutes, text):
    assert edge.format_duration(minutes) == text


@pytest.mark.parametrize(
    ("amount", "currency", "text"),
    [
        (99.994, "USD", "99.99 USD"),
        (100, "$", "$100"),
        (-5, "$", "$-5.00"),
        (0, "", "0.00"),
        (None, "$", "–"),
        (1234.5, "€", "€1,234"),
    ],
)
def test_money_is_told_to_the_cent_below_a_hundred(amount, currency, text):
    assert edge.format_money(amount, currency) == text


def test_other_numbers_for_people():
    assert [edge.format_energy_price(p, c) for p, c in ((0.2, ""), (None, "$"), (12.3456, "USD"))] == [
        "0.200/kWh", "–", "12.346 USD/kWh",
    ]  # fmt: skip
    assert [edge.format_percent(p) for p in (0.005, 0.0051, 12.0, None)] == ["0 %", "1 %", "1,200 %", "–"]
    assert (edge.format_energy(1234.5), edge.format_salinity(2.25), edge.format_count(12345)) == (
        "1,234 kWh", "2.2 dS/m", "12,345",
    )  # fmt: skip
    assert edge.wall(datetime.fromisoformat("2026-07-14T21:00+02:00")) == datetime(2026, 7, 14, 21)
    assert sorted(["b 10", "B 9", "a", "7", "b"], key=edge.natural_key) == ["7", "a", "b", "B 9", "b 10"]


def test_what_is_wrong_is_said_in_one_line_in_the_order_of_the_files():
    problem = Problem("zones.csv", 14, "flow", 'read "a\tb"')
    assert str(problem) == 'zones.csv, line 14, column "flow": read "a?b"'
    assert str(replace(problem, file="site.toml", line=None)) == 'site.toml, key "flow": read "a?b"'
    assert str(Problem("x.csv", 0, None, "y")) == "x.csv, line 0: y"
    files = [
        ("weather.csv", 2),
        ("zones.csv", 9),
        ("applied.csv", 1),
        ("zones.csv", None),
        ("site.toml", 3),
        ("", None),
    ]
    found = InputProblems(Problem(f, line, None, "x") for f, line in files).problems
    assert [(p.file, p.line) for p in found] == [files[i] for i in (5, 4, 3, 1, 2, 0)]
    assert str(InputProblems([problem])).endswith("\n1 problem.")
    long = str(Problem("x.csv", None, None, "y" * 9999))
    assert long.endswith("y...") and len(long) == len(str(Problem("x.csv", None, None, "z" * 5000)))
    assert (counted(0, "day"), counted(1, "day"), counted(2, "inch", "inches")) == ("0 days", "1 day", "2 inches")
    assert listing(["a", "b", "c"], 2) == '"a", "b" and 1 more' and listing(["a", "b"], 2) == '"a", "b"'
    assert near_miss("G 1", ["g1", "F1"]) == ' (did you mean "g1"?)' and near_miss("x", ["green"]) == ""
    assert shown("x" * 500).endswith("x...") and shown("ok") == "ok"
