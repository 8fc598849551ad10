"""What the rows of a series come to: which of two counts, in what order, what is set aside and said."""

import numpy as np
import pandas as pd
import pytest

from scheduler.site.columns import FILES
from scheduler.site.findings import Findings
from scheduler.site.series import (
    build_applied,
    build_calendar,
    build_edits,
    build_fed,
    build_forecast,
    build_probe_sites,
    build_probes,
    build_samples,
    build_weather,
    rename_zones,
)
from scheduler.site.tables import read_table

ZONES = ["G1", "G2", "F1"]
PLACES = pd.DataFrame({"probe": ["A", "B"]})


@pytest.fixture
def read(tmp_path):
    """A function: name of a file and its text -> its table; `read.findings` gathers what is said."""

    def give(name, text):
        (tmp_path / f"{name}.csv").write_text(text)
        give.findings = Findings()
        table = read_table(tmp_path, f"{name}.csv", FILES[name], give.findings)
        assert table is not None
        return table

    give.findings = Findings()
    give.notes = lambda kind=None: [n.text for n in give.findings.notes if kind in (None, n.kind)]
    give.problems = lambda: [(p.line, p.column, p.message) for p in give.findings.problems]
    return give


def days(*rows, head="date,tmin,tmax,rhmax,wind,rain"):
    return "\n".join([head, *rows]) + "\n"


# ------------------------------------------------------------------------------------------------------ weather


def test_of_two_rows_of_a_date_the_later_counts_and_both_are_told_apart(read):
    table = read(
        "weather",
        days("2026-07-03,9,20,80,2,0", "2026-07-01,10,20,80,2,0", "2026-07-01,11,20,80,2,0", "2026-07-03,9,20,80,2,0"),
    )
    found = build_weather(table, 2.0, read.findings)
    assert found["date"].dt.day.tolist() == [1, 3] and found["tmin"].tolist() == [11.0, 9.0]
    assert read.notes("warning")[0].endswith("say different things; the later one is used: 2026-07-01")
    assert read.notes("info") == ["2 rows repeated by a later one of the same date; the later one is used"]
    assert read.notes("warning")[1] == "1 date missing between the first and the last"


def test_dates_that_follow_each_other_leave_nothing_out(read):
    found = build_weather(read("weather", days("2026-07-01,9,20,80,2,0", "2026-07-02,9,20,80,2,0")), 2.0, read.findings)
    assert read.notes() == [] and found.columns.tolist() == [c.name for c in FILES["weather"]]
    build_weather(read("weather", days(*["2026-07-02,9,20,80,2,0"] * 2)), 2.0, read.findings)
    assert read.notes() == ["1 row repeated by a later one of the same date; the later one is used"]
    build_weather(
        read("weather", days("2026-07-02,9,20,80,2,401", ",9,20,80,2,0", "2026-07-05,9,20,80,2,402")),
        2.0,
        read.findings,
    )
    assert read.notes() == ["2 days with more than 400 mm of rain; please look at the unit"]  # a date is not known


def test_eto_or_both_temperatures_make_a_day_s_et(read):
    rows = "date,tmin,tmax,eto\n2026-07-01,9,,\n2026-07-02,,20,\n2026-07-03,9,20,\n2026-07-04,,,5\n2026-07-05,,,\n"
    build_weather(read("weather", rows), 2.0, read.findings)
    assert read.notes("warning") == ["3 dates with neither eto nor both temperatures; no reference ET"]


def test_humidity_of_more_than_all_is_all(read):
    table = read("weather", "date,rhmin,rhmax,rh\n2026-07-01,50,103,100\n2026-07-02,50,100,101\n")
    found = build_weather(table, 2.0, read.findings)
    assert found["rhmax"].tolist() == [100.0, 100.0] and found["rh"].tolist() == [100.0, 100.0]
    assert found["rhmin"].tolist() == [50.0, 50.0]
    assert read.notes("info") == ["1 humidity of 100 to 105 % read as 100 %"] * 2


def test_wind_is_brought_down_from_the_height_of_the_gauge(read):
    text = days("2026-07-01,9,20,80,3.2,0")
    # FAO-56 Eq. 47, Example 14: 3.2 m/s at 10 m is 2.4 m/s at 2 m (half the last printed digit; mark: memory)
    assert build_weather(read("weather", text), 10.0, read.findings)["wind"][0] == pytest.approx(2.4, abs=0.05)
    assert build_weather(read("weather", text), 2.0, read.findings)["wind"][0] == 3.2
    later = "issued,date,wind\n2026-07-01T06:00,2026-07-02,3.2\n"
    assert build_forecast(read("forecast", later), 10.0, read.findings)["wind"][0] == pytest.approx(2.4, abs=0.05)


@pytest.mark.parametrize(("rain", "said"), [("400", 0), ("400.1", 1)])
def test_a_day_s_rain_without_example_asks_for_a_look(read, rain, said):
    build_weather(read("weather", days(f"2026-07-01,9,20,80,2,{rain}")), 2.0, read.findings)
    assert len([t for t in read.notes("warning") if "more than 400 mm of rain" in t]) == said


@pytest.mark.parametrize(("most", "said"), [("1.05", 1), ("1.06", 0), ("0", 1), ("80", 0), ("", 0)])
def test_humidity_below_one_percent_may_be_fractions(read, most, said):
    build_weather(read("weather", f"date,rhmax\n2026-07-01,{most}\n2026-07-02,\n"), 2.0, read.findings)
    assert len([t for t in read.notes("warning") if "rhmax [fraction]" in t]) == said


def test_the_least_may_equal_the_greatest_and_not_pass_it(read):
    head = "date,tmin,tmax,rhmin,rhmax"
    table = read(
        "weather", days("2026-07-01,20,20,70,70", "2026-07-02,20.1,20,70,70", "2026-07-03,9,20,71,70", head=head)
    )
    build_weather(table, 2.0, read.findings)
    assert [(line, column) for line, column, _ in read.problems()] == [(3, "tmin"), (4, "rhmin")]


def test_days_too_far_from_their_nights_are_in_degrees_fahrenheit(read):
    for high, head, said in (
        ("36", "tmin,tmax", 1), ("35", "tmin,tmax", 0), ("35.5", "tmin,tmax", 0), ("36", "tmin [degC],tmax", 0),
        ("36", "tmin,tmax [degC]", 0),
    ):  # fmt: skip
        rows = [f"2026-07-0{i},15.5,{high}" for i in (1, 2, 3)]
        build_weather(read("weather", days(*rows, head=f"date,{head}")), 2.0, read.findings)
        assert len([t for t in read.notes("warning") if "tmin [degF]" in t]) == said, (high, head)
    build_weather(read("weather", days(*rows[:2], head="date,tmin,tmax")), 2.0, read.findings)
    assert read.notes() == []  # two days are too few to judge by
    rows = [f"2026-07-0{i},30,75" for i in (1, 2, 3)]
    build_weather(read("weather", days(*rows, head="date,tmin,Tmax")), 2.0, read.findings)
    assert len(read.problems()) == 1 and read.notes() == []  # a column is told once


def test_a_wind_that_no_place_keeps_is_in_another_unit(read):
    for wind, head, count, said in (
        ("8.1", "wind", 20, 1),
        ("8", "wind", 20, 0),
        ("8.1", "wind [m/s]", 20, 0),
        ("9", "wind", 19, 0),
    ):
        rows = [f"2026-07-{i:02d},{wind}" for i in range(1, count + 1)]
        build_weather(read("weather", days(*rows, head=f"date,{head}")), 2.0, read.findings)
        assert len([t for t in read.notes() if "wind [km/h]" in t and f"of {float(wind):.0f} m/s" in t]) == said, (
            wind,
            head,
            count,
        )


def test_rain_that_is_always_little_is_in_inches_unless_the_header_says_mm(read):
    rows = [f"2026-07-{i:02d},0.5" for i in range(1, 10)]
    build_weather(read("weather", days(*rows, head="date,rain")), 2.0, read.findings)
    assert read.notes("warning")[0].startswith("no day has more rain than 0.5 mm; if rain is in inches")
    build_weather(read("weather", days(*rows, head="date,rain [mm]")), 2.0, read.findings)
    assert not [t for t in read.notes("warning") if "inches" in t]


# ----------------------------------------------------------------------------------------------------- forecast


def test_a_forecast_keeps_every_issue_and_member_and_the_later_row_of_each(read):
    table = read(
        "forecast",
        "issued,date,member,tmin\n2026-07-02T06:00,2026-07-03,,12\n2026-07-01T18:00,2026-07-03,b,11\n"
        "2026-07-01T18:00,2026-07-03,a,10\n2026-07-01T18:00,2026-07-02,b,9\n2026-07-01T18:00,2026-07-03,a,8\n",
    )
    found = build_forecast(table, 2.0, read.findings)
    assert found["tmin"].tolist() == [8.0, 9.0, 11.0, 12.0]  # by issue, then member, then date
    assert found["member"].tolist() == ["a", "b", "b", ""]
    assert read.notes("info") == [
        "1 row repeated by a later one of the same issued and member and date; the later one is used"
    ]
    assert read.notes("warning") == []  # an issue may be put right; only a date has one weather


# ------------------------------------------------------------------------------------------------------- probes


def test_readings_stand_by_time_and_the_later_row_of_a_moment_counts(read):
    table = read(
        "probes",
        "time,probe,moisture\n2026-07-01T12:00,B,0.31\n2026-07-01T06:00,A,0.21\n2026-07-01T12:00,A,0.22\n"
        "2026-07-01T12:00,B,0.32\n2026-07-01T12:00:30,B,0.33\n2026-07-01T12:00,X,0.5\n2026-07-01T11:59:59,A,0.2\n",
    )
    found = build_probes(table, PLACES, read.findings)
    assert found["moisture"].tolist() == [0.21, 0.2, 0.32, 0.22, 0.33]
    assert found["probe"].tolist() == ["A", "A", "B", "A", "B"]
    assert found.columns.tolist() == [c.name for c in FILES["probes"]]
    assert read.notes("warning") == ['1 reading of probes that probe_sites.csv does not have set aside: "X"']
    assert read.notes("info") == ["1 reading repeated by a later row of the same time and probe; the later one is used"]
    close = "time,probe,moisture\n2026-07-01T12:00:00,B,0.3\n2026-07-01T12:00:00,A,0.2\n2026-07-01T12:00:01,B,0.4\n"
    assert len(build_probes(read("probes", close), PLACES, read.findings)) == 3  # no moment is another's
    assert len(build_probes(read("probes", "time,probe,moisture\n"), PLACES, read.findings)) == 0
    assert read.notes() == []


SITES = "probe,zone,depth,from,until\n"


@pytest.mark.parametrize(
    ("first", "second", "line"),
    [
        ("A,G1,8,2026-01-01,2026-05-01", "A,G2,8,2026-05-01,", None),  # moved on the day
        ("A,G1,8,2026-01-01,2026-05-02", "A,G2,8,2026-05-01,", 3),  # in both for a day
        ("A,G1,8,2026-01-01,", "A,G2,8,2026-05-01,", None),  # an open end is closed by the next place
        ("A,G1,8,2026-05-01,", "A,G2,8,2026-05-01,", 3),  # in two from the same day on
        ("A,G1,8,2026-01-01,2026-05-02", "A,G1,20,2026-05-01,", None),  # two depths of one zone
        ("A,G1,8,2026-01-01,2026-05-02", "B,G2,8,2026-05-01,", None),  # two probes
        ("A,G2,8,2026-05-01,", "A,G1,8,2026-01-01,2026-05-02", 2),  # the file need not be in order
        ("A,G1,8,,2026-05-02", "A,G2,8,2026-05-01,2026-08-01", 3),
        ("A,G1,8,,", "A,G2,8,,", 3),
        ("A,G1,8,2026-05-01,2026-05-01", "A,G2,8,2026-05-02,2026-05-02", None),  # a day each
    ],
)
def test_a_probe_stands_in_one_zone_at_a_time(read, first, second, line):
    build_probe_sites(read("probe_sites", f"{SITES}{first}\n{second}\n"), ZONES, read.findings)
    assert [(at, column) for at, column, _ in read.problems()] == ([] if line is None else [(line, "probe")])


def test_places_of_probes_stand_by_probe_and_time_those_without_a_date_first(read):
    text = SITES + "B,G1,8,,\nA,G1,9,2026-05-01,\nA,G1,,2026-01-01,2026-04-30\nA,G1,7,,2025-12-31\nA,G9,5,,\n"
    found = build_probe_sites(read("probe_sites", text), ZONES, read.findings)
    assert found["probe"].tolist() == ["A", "A", "A", "A", "B"]
    assert found["depth"].tolist()[:2] == [7.0, 5.0] and np.isnan(found["depth"][2])
    assert read.notes("warning") == ["1 row without a depth; the middle of the root zone is meant"]
    assert (6, "zone") in [(line, column) for line, column, _ in read.problems()]
    build_probe_sites(read("probe_sites", SITES + "A,G9,8,2026-05-02,2026-05-01\n"), None, read.findings)
    assert [(line, column) for line, column, _ in read.problems()] == [(2, "until")]  # zones are not known


# ------------------------------------------------------------------------------------------------ what really ran


def test_of_a_night_s_run_the_later_row_counts_and_volume_alone_is_a_run(read):
    text = (
        "night,zone,minutes,volume\n2026-07-02,G1,10,\n2026-07-01,F1,,2.5\n2026-07-01,G1,7,\n2026-07-02,G1,12,\n"
        "2026-07-03,G1,,\n2026-07-02,OLD,9,\n2026-07-01,OLD,8,\n2026-07-01,OLD,6,\n"
    )
    kept, gone = build_applied(read("applied", text), ZONES, read.findings)
    assert kept["zone"].tolist() == ["F1", "G1", "G1"] and kept["night"].dt.day.tolist() == [1, 1, 2]
    assert kept["minutes"].tolist()[1:] == [7.0, 12.0] and kept["volume"][0] == 2.5
    assert gone["minutes"].tolist() == [6.0, 9.0] and gone["zone"].tolist() == ["OLD", "OLD"]
    assert "1 row with neither minutes nor volume set aside" in read.notes("warning")
    assert '3 rows of zones that zones.csv does not have set aside: "OLD"' in read.notes("warning")
    assert not [t for t in read.notes("warning") if "different things" in t]  # a log may be put right by a later row
    all_kept, gone = build_applied(read("applied", text), None, read.findings)
    assert len(all_kept) == 5 and len(gone) == 0


def test_a_former_name_is_the_zone_of_today(read):
    table = read("applied", "night,zone,minutes\n2026-07-01,OLD,10\n2026-07-01,F1,5\n")
    rename_zones(table, {"OLD": "G1"})
    assert table.values["zone"].tolist() == ["G1", "F1"]
    calendar = read("calendar", "from,target,event\n2026-07-01,OLD,firm\n2026-07-01,green,firm\n")
    rename_zones(calendar, {"OLD": "G1"})
    assert calendar.values["target"].tolist() == ["G1", "green"] and calendar.values["zone"].tolist() == ["", ""]


def test_samples_of_two_depths_or_zones_are_two(read):
    text = "date,zone,depth,ece\n2026-07-02,G1,10,4\n2026-07-01,G1,10,3\n2026-07-01,G1,20,2\n2026-07-01,G1,10,5\n"
    found = build_samples(read("samples", text + "2026-07-01,G9,10,1\n"), ZONES, read.findings)
    assert found["ece"].tolist()[:3] == [5.0, 2.0, 1.0] and read.problems()[0][:2] == (6, "zone")


# ----------------------------------------------------------------------------------- events and the manager's word


def test_an_event_is_of_its_zone_or_surface_or_of_the_whole_site(read):
    text = (
        "from,until,surface,zone,event\n2026-07-03,,green,G2,firm\n2026-07-02,2026-07-04,tee,,firm\n"
        "2026-07-02,2026-07-04,tee,,firm\n2026-07-01,,,,no_water\n"
    )
    found = build_calendar(read("calendar", text), ZONES, read.findings)
    assert len(found) == 7 + 2 and set(found["target"][:7]) >= {"green", "landscape", "pitch"}
    assert found["target"].tolist()[7:] == ["tee", "G2"] and found["until"].dt.day.tolist()[6:] == [1, 4, 3]
    assert read.notes("info") == ["1 row without surface and zone, read as the whole site"]
    backwards = "from,until,target,event\n2026-07-02,2026-07-01,green,firm\n2026-07-02,2026-07-02,F1,firm\n"
    build_calendar(read("calendar", backwards + "2026-07-02,,X,firm\n"), ZONES, read.findings)
    assert [(line, column) for line, column, _ in read.problems()] == [(4, "target"), (2, "until")]
    build_calendar(read("calendar", "from,zone,event\n2026-07-02,green,firm\n"), ZONES, read.findings)
    assert [(line, column) for line, column, _ in read.problems()] == [(2, "zone")]  # a surface is no zone
    build_calendar(read("calendar", "from,target,event\n2026-07-02,X,firm\n"), None, read.findings)
    assert read.problems() == []  # zones are not known


def test_the_manager_s_word_is_a_word_or_minutes_of_a_day_at_most(read):
    text = (
        "night,zone,minutes,note\n2026-07-02,G1, Hold ,a\n2026-07-01,G1,12.5,b\n2026-07-01,F1,free,\n"
        "2026-07-01,G2,1440,\n2026-07-02,G1,skip,c\n"
    )
    found = build_edits(read("edits", text), ZONES, read.findings)
    assert found["zone"].tolist() == ["F1", "G1", "G2", "G1"]
    assert found["word"].tolist() == ["free", "minutes", "minutes", "skip"]
    np.testing.assert_array_equal(found["minutes"], [np.nan, 12.5, 1440.0, np.nan])
    assert found["note"].tolist() == ["", "b", "", "c"] and read.problems() == []
    text = (
        "night,zone,minutes\n2026-07-01,G1,1441\n2026-07-01,G2,-1\n2026-07-01,F1,0\n2026-07-01,G9,5\n2026-07-02,F1,\n"
    )
    build_edits(read("edits", text), ZONES, read.findings)
    assert sorted(line for line, _, _ in read.problems()) == [2, 3, 5, 6]  # an empty cell is told once


def test_each_fed_series_goes_to_its_own_reader(read):
    day = "date,tmin,tmax\n2026-07-01,9,20\n"
    assert "tmin" in build_fed("weather", read("weather", day), ZONES, PLACES, 2.0, read.findings)
    told = "issued,date,rain_probability\n2026-07-01T06:00,2026-07-02,0.4\n"
    found = build_fed("forecast", read("forecast", told), ZONES, PLACES, 2.0, read.findings)
    assert found["rain_probability"].tolist() == [0.4]
    probes = read("probes", "time,probe,moisture\n2026-07-01T06:00,A,0.2\n")
    assert build_fed("probes", probes, ZONES, PLACES, 2.0, read.findings)["moisture"].tolist() == [0.2]
    ran = read("applied", "night,zone,minutes\n2026-07-01,G1,5\n2026-07-01,X,5\n")
    assert build_fed("applied", ran, ZONES, PLACES, 2.0, read.findings)["zone"].tolist() == ["G1"]
