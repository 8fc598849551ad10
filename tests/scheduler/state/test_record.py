"""What the rules for readings are fed: when water can have come, how much, and what turf took; times by hand."""

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.probe_record import UNKNOWN_WATER, Fault
from models.quality import find_faults
from models.textures import TEXTURES
from scheduler.state import quality
from scheduler.state.demand import zone_etc
from scheduler.state.quality import COLUMNS, ET_UNKNOWN, _Days, _Spans, believed, examine
from tests.scheduler.site_folders import TOML, site

ZONES = (
    "zone,surface,turf,soil,root_depth,area,flow,application_rate,du_lq,field_capacity,wilting_point,microclimate\n"
    "F1,fairway,tall_fescue,loam,30,1000,3.333,12,1.0,0.25,0.10,1.2\n"
    "F2,fairway,tall_fescue,loam,20,1000,3.333,12,1.0,0.45,0.10,1\n"
)
# 12 mm/h, 1000 m2. The window opens at 21:00 and closes at 5:00. 6 mm of rain on the 11th; nothing known of the 14th.
WEATHER = (
    "date,tmin,tmax,eto,rain\n2026-07-09,10,20,4,0\n2026-07-10,12,22,4,0\n2026-07-11,14,24,4,6\n"
    "2026-07-12,18,28,4,0\n2026-07-13,20,30,4,0\n"
)
LOG = "night,zone,minutes,volume\n2026-07-10,F1,0,\n2026-07-12,F1,30,\n2026-07-12,F2,10,5\n2026-07-13,F1,0,\n"
PLACES = "probe,zone,depth,from,until\na,F1,10,,\nb,F2,16,,2026-07-12\nb,F1,25,2026-07-13,\n"
WINDOW = '[window]\nopens = "21:00"\ncloses = "05:00"\n'


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("record")
    return site(folder, TOML + WINDOW, ZONES, weather=WEATHER, applied=LOG, probe_sites=PLACES)


@pytest.fixture(scope="module")
def days(place):
    return _Days.of(place, minutes("11T00:00", "14T23:00"), [])


def minutes(*times):
    """Minutes of local times of July 2026 since 1970."""
    moments = pd.to_datetime([f"2026-07-{t}" for t in times])
    return ((moments - pd.Timestamp("1970-01-01")) / pd.Timedelta(minutes=1)).to_numpy(float)


def came(days, zone, before, now):
    water, since = days.water(np.array([zone]), minutes(now), minutes(before))
    return float(water[0]), float(since[0])


def test_water_of_a_span_counts_until_it_is_over():
    spans = _Spans(np.array([0.0, 20.0, 40.0]), np.array([10.0, 30.0, 50.0]), np.array([[5.0, 2.0, 0.0]]))

    def within(now, before):
        total, last = spans.within(np.array([0]), np.array([float(now)]), np.array([float(before)]))
        return float(total[0]), float(last[0])

    assert within(25, 5) == (7.0, 30.0)
    assert within(25, 12) == (2.0, 30.0)
    assert within(20, 12) == (2.0, 30.0)  # it begins at this very minute
    assert within(19, 12) == (0.0, 10.0)
    assert within(19, 10) == (0.0, 10.0)
    assert within(60, 35) == (0.0, 30.0)  # a span without water has brought none
    assert within(-1, -5) == (0.0, -np.inf)


@pytest.mark.parametrize(
    ("before", "now", "water", "since"),
    [
        ("10T10:00", "10T23:59", 0.0, None),
        ("11T04:00", "11T05:00", 6.0, 0.0),  # the hour of a day's rain is not known
        ("12T10:00", "12T11:00", 6.0, 0.0),  # it sinks to a probe for half a day more
        ("12T12:30", "12T13:30", 0.0, 1.5),
    ],
)
def test_rain_of_a_day_may_come_at_any_hour_and_reach_a_probe_half_a_day_later(days, before, now, water, since):
    found = came(days, 0, before, now)
    assert found[0] == water
    assert since is None or found[1] == pytest.approx(since)


@pytest.mark.parametrize(
    ("zone", "before", "now", "water", "since"),
    [
        (0, "12T20:00", "12T20:29", 0.0, 8.483),  # since the rain ended at noon
        (0, "12T20:00", "12T20:30", 6.0, 0.0),  # half an hour before the window: valves are tried
        (0, "13T08:00", "13T08:59", 6.0, 0.0),  # until four hours after it closed
        (1, "13T08:00", "13T08:59", 5.0, 0.0),  # 5 m3 on 1000 m2 by its meter, though 10 min would be 2 mm
    ],
)
def test_a_run_may_reach_a_probe_around_its_window(days, zone, before, now, water, since):
    assert came(days, zone, before, now) == pytest.approx((water, since), abs=1e-3)


def test_what_is_not_on_record_is_possible(days):
    assert came(days, 0, "14T10:00", "14T11:00")[0] == UNKNOWN_WATER  # rain of a day without a reading
    assert came(days, 0, "14T20:00", "14T20:45")[0] == 2 * UNKNOWN_WATER  # and a night after the log
    assert came(days, 0, "11T20:15", "11T20:45")[0] == 6.0  # within the log a zone without a row did not run


def test_turf_takes_a_days_et_between_sunrise_and_sunset_as_a_half_sine(place, days):
    etc = zone_etc(place, pd.DataFrame({"date": pd.to_datetime(["2026-07-11"]), "eto": [4.0]}))[:, 0]
    times = minutes("11T05:00", "11T06:00", "11T13:00", "11T20:00", "11T23:00", "12T09:30")
    taken = days.et(np.array([0] * 6), times) - days.et(np.array([0]), minutes("11T00:00"))
    quarter = (1.0 - np.cos(np.pi / 4.0)) / 2.0
    np.testing.assert_allclose(taken, etc[0] * np.array([0.0, 0.0, 0.5, 1.0, 1.0, 1.0 + quarter]))
    # A day without weather takes much, so that little is doubted.
    dry = days.et(np.array([0, 1]), minutes("14T20:00", "14T20:00")) - days.et(
        np.array([0, 1]), minutes(*["14T00:00"] * 2)
    )
    np.testing.assert_allclose(dry, ET_UNKNOWN)


def test_the_air_of_three_days_stands_for_that_of_the_ground(days):
    # Means of the day 15, 17, 19, 23 and 25 degC from the 9th on; two known days stand where the third is not.
    at = [int(m // 1440) - days.first for m in minutes("11T12:00", "12T12:00", "14T12:00")]
    np.testing.assert_allclose(days.air[at], [17.0, (17 + 19 + 23) / 3, 24.0])


@pytest.fixture
def record(place, monkeypatch):
    seen = []
    monkeypatch.setattr(quality, "find_faults", lambda given: seen.append(given) or find_faults(given))
    times = ["12T13:00", "12T20:00", "12T10:00", "12T12:00", "13T12:00"]
    table = pd.DataFrame({"time": pd.to_datetime([f"2026-07-{t}" for t in times]), "probe": ["a", "a", "b", "b", "b"]})
    examine(place, table.assign(moisture=[0.2, 0.21, 0.3, 0.31, 0.2], ec=1.0, temperature=20.0))
    return seen[0]


def test_each_placement_is_a_series_of_its_own_with_its_soil(record):
    assert record.series.tolist() == [0, 0, 1, 1, 2]
    assert record.field_capacity.tolist() == [0.25, 0.45, 0.25]
    # What soil can hold: by its texture, or somewhat above a field capacity that was told.
    assert record.saturation.tolist() == [TEXTURES["loam"].saturation, pytest.approx(0.60), TEXTURES["loam"].saturation]
    # Roots of 30 cm take 30 % from the second quarter, of 75 mm; of 20 cm 10 % from the last, of 50; and so on.
    np.testing.assert_allclose(record.uptake, [0.3 / 75.0, 0.1 / 50.0, 0.1 / 75.0])
    ends = minutes("13T00:00", "13T12:00") / 60.0
    np.testing.assert_allclose(record.end, [ends[1], ends[0], ends[1]])  # until taken out, or the last reading


def test_et_is_counted_from_one_reading_of_a_series_to_the_next(record, days):
    # The first of a series has none before it; from 13:00 to 20:00 half a day's, from 10:00 to 12:00 by the half sine.
    taken = days.et(np.array([0, 1]), minutes("12T20:00", "12T12:00")) - days.et(
        np.array([0, 1]), minutes("12T13:00", "12T10:00")
    )
    np.testing.assert_allclose(record.et, [0.0, taken[0], 0.0, taken[1], 0.0])


def flags(*rows):
    times = {"starts": "datetime64[ns]", "ends": "datetime64[ns]"}
    return pd.DataFrame([(*row, "") for row in rows], columns=COLUMNS).astype(times)


@pytest.mark.parametrize(
    ("rule", "what", "gone"),
    [
        ("stuck", "moisture", {"moisture", "ec", "temperature"}),
        ("moved", "temperature", {"moisture", "ec", "temperature"}),
        ("spike", "moisture", {"moisture"}),
        ("ec", "ec", {"ec"}),
        ("temperature", "temperature", {"temperature"}),
        ("gap", "reading", set()),
    ],
)
def test_a_doubt_takes_out_what_it_speaks_of(rule, what, gone):
    hours = pd.date_range("2026-07-14T10:00", periods=5, freq="h")
    table = pd.DataFrame({"time": [*hours, hours[2]], "probe": ["a"] * 5 + ["b"], "moisture": 0.2, "ec": 1.0})
    table = table.assign(temperature=20.0)
    out = believed(table, flags(("a", rule, what, hours[1], hours[3]), ("c", rule, what, hours[0], hours[4])))
    for name in ("moisture", "ec", "temperature"):
        lost = [False, True, True, True, False, False] if name in gone else [False] * 6  # first and last of it too
        assert out[name].isna().tolist() == lost


def test_of_doubts_that_begin_alike_the_longest_is_told_with_its_end(place, monkeypatch):
    times = pd.date_range("2026-07-12T10:00", periods=4, freq="h")
    table = pd.DataFrame({"time": times, "probe": "a", "moisture": 0.2, "ec": 1.0, "temperature": 20.0})
    faults = [Fault("stuck", "moisture", 0, 1, 2, 0.2), Fault("stuck", "moisture", 0, 1, 3, 0.337)]
    monkeypatch.setattr(quality, "find_faults", lambda record: faults)
    (flag,) = examine(place, table).flags.itertuples()
    assert (flag.starts, flag.ends) == (times[1], times[3])
    assert flag.reason == "stayed at exactly 33.7 % for 2 h while the turf used water"


def test_readings_of_no_place_are_counted_and_left_out(place, monkeypatch):
    seen = []
    monkeypatch.setattr(quality, "find_faults", lambda record: seen.append(record) or [])
    times = pd.to_datetime(["2026-07-12T10:00", "2026-07-12T23:59", "2026-07-13T00:00"])
    table = pd.DataFrame({"time": times, "probe": ["gone", "b", "b"], "moisture": 0.2, "ec": 1.0, "temperature": 20.0})
    found = examine(replace(place, probe_sites=place.probe_sites.iloc[:2]), table)
    assert seen[0].series.size == 1
    assert "2 readings of a time for which probe_sites.csv gives no place" in found.notes[0].text
    assert date(2026, 7, 12) == place.probe_sites["until"].iloc[1].date()


def noted(place, first, last):
    notes = []
    _Days.of(place, minutes(first, last), notes)
    return [n.text.partition(";")[0] for n in notes]


def test_days_and_nights_not_on_record_are_counted_from_the_first_reading_on(place):
    # Three days before the readings are laid out as well; of them nothing is said. The log begins on the 10th.
    assert noted(place, "09T10:00", "10T10:00") == ["1 night not in the log of applied water"]
    assert noted(place, "10T10:00", "13T10:00") == []
    assert noted(place, "07T10:00", "10T10:00") == [
        "rain of 2 days is not known", "3 nights not in the log of applied water"
    ]  # fmt: skip
    assert noted(place, "13T10:00", "15T10:00") == [
        "rain of 2 days is not known", "1 night not in the log of applied water"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("what", "size", "words"),
    [("moisture", 0.05, "the level changed by +5.0 % at once and stayed"),
     ("temperature", 2.5, "the daily swing of temperature changed by a factor of 2.5")],
)  # fmt: skip
def test_a_probe_that_was_moved_is_told_by_what_shows_it(what, size, words):
    fault = Fault("moved", what, 0, 1, 2, size)
    text = quality._reason(fault, SimpleNamespace(hours=np.arange(5.0)))
    assert text == words + "; the probe seems to have been moved"
