"""Intervals brought to local days, each day added up by hand; which bulletin is believed."""

from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from scheduler.feeds import receive
from scheduler.feeds.bulletin import Bulletin, Refused, json_object, moment, number
from scheduler.feeds.geojson_series import _inside_one_day, _longest, _precipitation
from scheduler.feeds.interval_layers import _interval, _layer, _place
from scheduler.feeds.local_days import (
    Intervals,
    amounts,
    at,
    covered,
    day_bounds,
    days_between,
    extremes,
    greatest_share,
    local_hour,
    means,
    overlap,
)
from scheduler.feeds.plausible import check_forecast, check_observed, distance_km

BERLIN = ZoneInfo("Europe/Berlin")
NAN = np.nan
H = 3600.0
STARTS, ENDS = np.array([0.0, 24 * H]), np.array([24 * H, 48 * H])


def of(*rows):
    """Intervals in hours."""
    return Intervals.of([(a * H, b * H, v) for a, b, v in rows])


EMPTY = of()
SOME = of((-6, 6, 4.0), (6, 8, 10.0), (20, 28, -2.0), (30, 31, NAN))


def test_what_is_not_known_is_no_interval():
    assert SOME.value.tolist() == [4.0, 10.0, -2.0] and EMPTY.start.size == 0
    np.testing.assert_allclose(overlap(SOME, STARTS, ENDS) / H, [[6, 0], [2, 0], [4, 4]])


@pytest.mark.parametrize(
    ("what", "found", "none"),
    [
        (amounts, [2.0 + 10.0 - 1.0, -1.0], NAN),
        (means, [(6 * 4 + 2 * 10 - 4 * 2) / 12, -2.0], NAN),
        (lambda *a: extremes(*a)[0], [-2.0, -2.0], NAN), (lambda *a: extremes(*a)[1], [10.0, -2.0], NAN),
        (covered, [12 / 24, 4 / 24], 0.0),
        # 4 and -2 lie in the day by half their length; the last in both by half.
        (greatest_share, [10.0, -2.0], NAN),
    ],
)  # fmt: skip
def test_values_of_days(what, found, none):
    np.testing.assert_allclose(what(SOME, STARTS, ENDS), found)
    np.testing.assert_array_equal(what(EMPTY, STARTS, ENDS), [none, none])
    beyond = what(SOME, np.append(STARTS, 72 * H), np.append(ENDS, 96 * H))
    np.testing.assert_array_equal(beyond[2], none)


def test_a_share_counts_by_half_of_the_interval_or_of_the_day():
    nearly = of((19, 29.1, 9.0), (-100, 12, 5.0), (0, 11.9, 3.0), (24, 24, 7.0))
    assert greatest_share(nearly, STARTS, ENDS).tolist() == [5.0, 9.0]
    assert greatest_share(of((-100, 11.9, 5.0)), STARTS, ENDS).tolist()[0] != 5.0
    np.testing.assert_array_equal(extremes(of((24, 24, 7.0)), STARTS, ENDS), [[NAN, NAN]] * 2)


def test_a_moment_has_the_value_of_the_interval_it_begins_in():
    layer = of((0, 6, 1.0), (6, 12, 2.0), (5, 7, 3.0))
    found = at(layer, np.array([0.0, 5, 6, 7, 11.9, 12]) * H)
    np.testing.assert_array_equal(found, [1.0, 3.0, 3.0, 2.0, 2.0, NAN])


def test_local_days_change_at_local_midnight_and_have_23_or_25_hours():
    days = [date(2026, 3, 28), date(2026, 3, 29), date(2026, 10, 25)]
    starts, ends = day_bounds(days, BERLIN)
    assert ((ends - starts) / H).tolist() == [24.0, 23.0, 25.0]
    assert starts[0] == datetime(2026, 3, 27, 23, tzinfo=UTC).timestamp()
    assert local_hour(days, 5, BERLIN)[1] == datetime(2026, 3, 29, 3, tzinfo=UTC).timestamp()
    first = datetime(2026, 7, 13, 22, 0, tzinfo=UTC).timestamp()  # midnight of the 14th
    assert days_between(first, first + 24 * H, BERLIN) == [date(2026, 7, 14)]
    assert days_between(first, first + 24 * H + 2, BERLIN) == [date(2026, 7, 14), date(2026, 7, 15)]
    assert days_between(first - 1, first - 1, BERLIN) == [date(2026, 7, 13)]


# ------------------------------------------------------------------------------------------------ one format each


def entry(**periods):
    return {name: {"details": details} for name, details in periods.items()}


def rained(mm, percent=None):
    return {"precipitation_amount": mm, "probability_of_precipitation": percent}


def test_rain_is_counted_once_by_the_shortest_period_that_follows_the_last():
    entries = [
        (0.0, entry(next_1_hours=rained(1.0), next_6_hours=rained(9.0, 30))),
        (1 * H, entry(next_6_hours=rained(6.0, 60))),
        (2 * H, entry(next_1_hours=rained(8.0))),  # within the six hours before it
        (7 * H - 0.5, entry(next_1_hours={}, next_12_hours=rained(2.0))),
        (20 * H, entry(next_1_hours=rained(None), next_6_hours=rained(3.0))),
        (26 * H, {}),
    ]
    rain, chance = _precipitation(entries)
    assert [(s / H, e / H, v) for s, e, v in zip(rain.start, rain.end, rain.value, strict=True)] == [
        (0.0, 1.0, 1.0), (1.0, 7.0, 6.0), (pytest.approx(7.0, abs=1e-3), pytest.approx(19.0, abs=1e-3), 2.0),
        (20.0, 26.0, 3.0),
    ]  # fmt: skip
    assert [(s / H, e / H, v) for s, e, v in zip(chance.start, chance.end, chance.value, strict=True)] == [
        (0.0, 6.0, 30.0), (1.0, 7.0, 60.0),
    ]  # fmt: skip


def test_the_last_entry_stands_as_long_as_its_longest_period_up_to_six_hours():
    assert _longest(entry(next_1_hours={}, next_12_hours={})) == H
    assert _longest(entry(next_1_hours={}, next_6_hours={})) == 6 * H
    assert _longest(entry(next_12_hours={})) == 0.0 == _longest({})


def test_extremes_over_midnight_are_left_out():
    found = _inside_one_day(of((0, 6, 1.0), (18, 24, 2.0), (19, 25, 3.0), (24, 30, 4.0), (-1, 5, 5.0)), STARTS, ENDS)
    assert found.value.tolist() == [1.0, 2.0, 4.0] and (found.end / H).tolist() == [6.0, 24.0, 30.0]


@pytest.mark.parametrize(
    ("text", "hours"),
    [("PT6H", 6.0), ("P1DT1H30M", 25.5), ("P2D", 48.0), ("PT90S", 0.025), ("PT", None), ("P", None), ("6H", None)],
)
def test_an_interval_is_a_start_and_a_duration(text, hours):
    row = {"validTime": f"2026-07-14T06:00:00+00:00/{text}"}
    if hours is None:
        with pytest.raises(Refused, match="a start and a duration are expected"):
            _interval(row, "x")
    else:
        start, end = _interval(row, "x")
        assert (start, (end - start) / H) == (datetime(2026, 7, 14, 6, tzinfo=UTC).timestamp(), hours)
    for wrong in (7, {"validTime": "2026-07-14T06:00:00+00:00"}, {}):
        with pytest.raises(Refused):
            _interval(wrong, "x")


def test_a_layer_comes_in_its_own_unit_or_the_usual_one():
    values = [{"validTime": "2026-07-14T06:00:00+00:00/PT1H", "value": v} for v in (36.0, None)]
    wind = _layer({"w": {"uom": "wmoUnit:km_h-1", "values": values}}, "w", "m/s")
    assert wind.value.tolist() == [pytest.approx(10.0)]
    assert _layer({"w": {"values": values}}, "w", "m/s").value.tolist() == [36.0]
    assert _layer({}, "w", "m/s").value.size == 0
    with pytest.raises(Refused, match="unit of w"):
        _layer({"w": {"uom": "wmoUnit:furlong", "values": values}}, "w", "m/s")
    for wrong in (5, {"values": 5}, {"values": values * 1001}):
        with pytest.raises(Refused, match="no list of values"):
            _layer({"w": wrong}, "w", "m/s")


def test_the_place_of_a_document_is_its_point_or_the_middle_of_its_cell():
    ring = [[[-121.0, 36.0], [-120.0, 36.0], [-120.0, 37.0], [-121.0, 37.0], [-121.0, 36.0]]]
    assert _place({"geometry": {"type": "Polygon", "coordinates": ring}}) == (36.5, -120.5)
    assert _place({"geometry": {"type": "Point", "coordinates": [-121.0, 36.0]}}) == (36.0, -121.0)
    assert _place({}) == _place({"geometry": {"type": "Polygon", "coordinates": [[1]]}}) == (None, None)


def test_numbers_and_moments_of_a_document():
    assert np.isnan(number(None, "x")) and number(3, "x") == 3.0 and number(-1e12, "x") == -1e12
    for wrong in (True, "3", 1.1e12, float("nan"), [1]):
        with pytest.raises(Refused, match="which is no number"):
            number(wrong, "x")
    assert moment("2026-07-14T18:00:00+02:00", "x") == datetime(2026, 7, 14, 16, tzinfo=UTC)
    for wrong in ("2026-07-14T18:00:00", "soon", 5, None):
        with pytest.raises(Refused, match="a time with its offset is needed"):
            moment(wrong, "x")
    for data, why in ((b'  {"a": 1', "cut off"), (b"hello", "no JSON"), (b" <html>", "web page"), (b"3", "no object"),
                      (b"[1", "cut off"), (b"   ", "empty")):  # fmt: skip
        with pytest.raises(Refused, match=why):
            json_object(data)
    assert json_object(b'{"a": 1}') == {"a": 1}


# --------------------------------------------------------------------------------------------- which is believed

NOW = datetime(2026, 7, 14, 18, tzinfo=UTC)


def place(days=7, tmin=10.0, tmax=30.0, last=date(2026, 7, 13)):
    dates = pd.date_range(end=last, periods=days)
    weather = pd.DataFrame({"date": dates, "tmin": tmin, "tmax": tmax})
    return SimpleNamespace(latitude=36.0, longitude=-121.0, weather=weather)


def bulletin(first=date(2026, 7, 14), days=5, tmin=10.0, tmax=30.0, gone=(), rain=1.0, **more):
    dates = pd.date_range(first, periods=days).delete(list(gone))
    return Bulletin(pd.DataFrame({"date": dates, "tmin": tmin, "tmax": tmax, "rain": rain}), **more)


def test_distance_is_that_on_the_sphere():
    site = SimpleNamespace(latitude=36.0, longitude=-121.0)
    degree = np.pi / 180 * 6371.0
    assert distance_km(37.0, -121.0, site) == pytest.approx(degree)
    assert distance_km(36.0, -120.0, site) == pytest.approx(degree * np.cos(np.radians(36.0)), rel=1e-4)
    assert distance_km(-36.0, 59.0, site) == pytest.approx(180 * degree)
    assert distance_km(36.0, -121.0, site) == 0.0


@pytest.mark.parametrize(
    ("given", "why"),
    [
        ({"latitude": 36.26, "longitude": -121.0}, None),
        ({"latitude": 36.28, "longitude": -121.0}, "it is for a place 31 km away"),
        ({"latitude": 36.28}, None),
        ({"issued": NOW + timedelta(minutes=15)}, None),
        ({"issued": NOW + timedelta(minutes=16)}, "time of update lies ahead"),
        ({"issued": NOW - timedelta(hours=36)}, None),
        ({"issued": NOW - timedelta(hours=37)}, "last updated 37 h ago"),
        ({"first": date(2026, 7, 10)}, "it ends on 2026-07-14: it says nothing of the coming days"),
        ({"first": date(2026, 7, 11)}, None),
        ({"first": date(2026, 7, 15)}, None),
        ({"first": date(2026, 7, 16)}, "it begins on 2026-07-16: it says nothing of tomorrow"),
    ],
)
def test_a_forecast_is_of_this_place_new_and_of_the_coming_days(given, why):
    if why is None:
        assert check_forecast(bulletin(**given), place(), NOW) == ()
    else:
        with pytest.raises(Refused, match=why):
            check_forecast(bulletin(**given), place(), NOW)


def test_what_a_forecast_leaves_out_is_said():
    holes = bulletin(gone=(2, 3))
    assert check_forecast(holes, place(), NOW) == ("2 dates missing between the first and the last",)
    members = pd.concat([bulletin(gone=(2,)).rows, bulletin(gone=(2,)).rows])
    assert check_forecast(Bulletin(members), place(), NOW) == ("1 date missing between the first and the last",)
    dry = bulletin(rain=[1.0, NAN, 1.0, NAN, NAN])
    assert check_forecast(dry, place(), NOW) == ("no rain is given for 3 dates: taken as none",)
    today = bulletin(rain=[NAN, 1.0, 1.0, 1.0, 1.0])  # today is over
    assert check_forecast(today, place(), NOW) == ()


@pytest.mark.parametrize(
    ("given", "site", "why"),
    [
        ({"tmin": 30.0, "tmax": 50.0}, {}, None),  # 20 K warmer
        ({"tmin": 30.0, "tmax": 50.2}, {}, "lie 20 degC above"),
        ({"tmin": -11.0, "tmax": 8.0}, {}, "lie 22 degC below"),
        ({"tmin": [0.0, 30, 30, 90, 90], "tmax": [70.0, 50, 50, 90, 90]}, {}, None),  # only the first three days
        ({"tmin": 90.0, "tmax": 90.0}, {"days": 6}, None),
        ({"tmin": 90.0, "tmax": 90.0}, {"last": date(2026, 7, 7)}, "above"),
        ({"tmin": 90.0, "tmax": 90.0}, {"last": date(2026, 7, 6)}, None),  # observed too long ago
        ({"tmin": [90.0, 10, 10, 10, 10], "tmax": [90.0, 30, 30, 30, 30], "first": date(2026, 7, 13)}, {}, None),
    ],
)
def test_a_forecast_is_held_against_the_days_just_observed(given, site, why):
    if why is None:
        assert check_forecast(bulletin(**given), place(**site), NOW) == ()
    else:
        with pytest.raises(Refused, match=why):
            check_forecast(bulletin(**given), place(**site), NOW)


@pytest.mark.parametrize(
    ("times", "newest", "said"),
    [
        (["2026-07-14"], None, 0), (["2026-07-15 18:00"], None, 0),
        (["2026-07-15 18:01"], None, "all its rows lie ahead"),
        (["2026-07-10", "2026-07-20"], None, 0), (["2026-07-10"], "2026-07-12", 0), (["2026-07-10"], "2026-07-13", 1),
        ([], None, "it holds no rows"),
    ],
)  # fmt: skip
def test_observed_rows_are_neither_ahead_nor_all_old(times, newest, said):
    rows = Bulletin(pd.DataFrame({"time": pd.to_datetime(times)}))
    newest = None if newest is None else pd.Timestamp(newest)
    if isinstance(said, str):
        with pytest.raises(Refused, match=said):
            check_observed(rows, newest, NOW, "time")
    else:
        found = check_observed(rows, newest, NOW, "time")
        assert found == (("its newest row, of 2026-07-10, is older than what is held",) if said else ())


@pytest.mark.parametrize(
    ("series", "head", "added"),
    [
        ("forecast", b"date,eto\n", True), ("forecast", b"issued,date\n", False), ("forecast", b" Issued [x],date\n",
        False),
        ("forecast", b"run,date\n", False), ("probes", b"time,probe\n", False),
    ],
)  # fmt: skip
def test_of_a_csv_only_its_newest_forecast_counts_issued_when_it_came(monkeypatch, series, head, added):
    issued = pd.to_datetime(["2026-07-13T06:00", "2026-07-14T06:00", "2026-07-14T06:00"])
    read = []

    def read_csv(data, series, site, columns):
        read.append((data, series, columns))
        return Bulletin(pd.DataFrame({"issued": issued, "eto": [1.0, 2.0, 3.0]}))

    monkeypatch.setattr(receive, "read_csv", read_csv)
    feed = SimpleNamespace(series=series, columns=(("run", "issued"),))
    sent = datetime(2026, 7, 14, 20, 0, 7, tzinfo=UTC)
    site = SimpleNamespace(time_zone=ZoneInfo("America/Los_Angeles"))
    found = receive._csv(site, feed, SimpleNamespace(data=b"\xef\xbb\xbf" + head + b"1,2\n", sent=sent))
    assert (b"2026-07-14T13:00:07" in read[0][0]) == added and not read[0][0].startswith(b"\xef")
    assert read[0][1:] == (series, {"run": "issued"})
    assert found.rows["eto"].tolist() == ([2.0, 3.0] if series == "forecast" else [1.0, 2.0, 3.0])
    if series == "forecast":
        assert found.issued == datetime(2026, 7, 14, 6, tzinfo=ZoneInfo("America/Los_Angeles"))
