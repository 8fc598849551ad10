"""What one key or one cell may hold, value by value: the last that is allowed, the first that is not, its meaning."""

from datetime import date, datetime, time
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from pydantic import TypeAdapter

from scheduler.site import key_types as keys
from scheduler.site import likely
from scheduler.site.cells import Column, bound_words, dates, times, to_utc, understand
from scheduler.site.positions import FARTHEST, _area, _check_degrees, _metres, inner_point, place_zones, thinned
from scheduler.site.units import Linear

NAN = np.nan
BERLIN = ZoneInfo("Europe/Berlin")


def read(kind, value):
    """What a type of a key makes of a value; the words of its refusal."""
    try:
        return TypeAdapter(kind).validate_python(value)
    except ValueError as reason:
        return str(reason)


def check(kind, value, expected):
    found = read(kind, value)
    if isinstance(expected, str) and expected.startswith("?"):
        assert isinstance(found, str) and expected[1:] in found, found
    else:
        assert found == expected, found


# --------------------------------------------------------------------------------------------------------- keys


AREA = keys.quantity_key("m2", above=0, high=1000)


@pytest.mark.parametrize(
    ("kind", "value", "expected"),
    [
        (AREA, 1000, 1000.0), (AREA, "0.1 ha", 1000.0),
        (AREA, 1000.1, "?a number above 0, at most 1000, is allowed [m2]"),
        (AREA, 0, "?a number above 0 is allowed [m2]"), (AREA, "5 min", "?"),
        (keys.Share, 0, 0.0), (keys.Share, 1, 1.0), (keys.Share, -0.001, "?a number from 0 to 1 is allowed"),
        (keys.Share, 1.001, "?from 0 to 1"), (keys.quantity_key("L/s", "gal/min", low=0), 10, 10 * 0.0630901964),
        (keys.price_key("m3"), "1.0 per m3", 1.0), (keys.price_key("m3"), -1.0, "?a price of 0 or more"),
        (keys.price_key("m3", negative=True), -1.0, -1.0), (keys.price_key("m3"), 0, 0.0),
        (keys.Name, " G 1 ", "G 1"), (keys.Name, "x" * 80, "x" * 80), (keys.Name, "x" * 81, "?at most 80 characters"),
        (keys.Name, "a\tb", "?without control characters"), (keys.Name, "  ", "?a text is needed"),
        (keys.Name, 5, "?a text is"),
        (keys.Words, "one", ("one",)), (keys.Words, ["a", " b "], ("a", "b")),
        (keys.Words, ["a", ""], "?a text, or a list"),
        (keys.Words, 5, "?a text, or a list"), (keys.Words, [], ()), (keys.Words, ["x" * 2001], "?at most 2000"),
    ],
)  # fmt: skip
def test_quantities_prices_and_texts(kind, value, expected):
    check(kind, value, pytest.approx(expected) if isinstance(expected, float) else expected)


@pytest.mark.parametrize(
    ("value", "minutes"),
    [
        ("21:30", 1290), ("0:00", 0), ("24:00", 1440), ("24:01", "?from 00:00 to 24:00"), ("23:59:00", 1439),
        ("23:60", "?a time like 21:30"), ("25:00", "?a time like"), (time(5, 7), 307), (time(5, 7, 1), "?a time like"),
        ("9:30 pm", '?write "21:30"'), ("12 am", '?write "00:00"'), ("12:05 p.m.", '?write "12:05"'),
        ("1am", '?write "01:00"'),
        ("13 pm", "?a time like"), ("0 am", "?a time like"), (2130, "?a time like"), (" 7:05 ", 425),
    ],
)  # fmt: skip
def test_clock_times(value, minutes):
    check(keys.Clock, value, minutes)


@pytest.mark.parametrize(
    ("value", "spans"),
    [
        ("18:00-06:00", ((1080, 1800),)), ("06:00 – 18:00", ((360, 1080),)), (["18:00", "06:00"], ((1080, 1800),)),
        (["18:00-19:00", "20:00-21:00"], ((1080, 1140), (1200, 1260))), ([["18:00", "06:00"]], ((1080, 1800),)),
        ("24:00-06:00", ((0, 360),)), ("06:00-06:00", ((360, 1800),)), ([], "?a list of spans"),
        ("18:00", "?a span like"),
        ("18:00-19:00-20:00", "?a span like"), (["18:00", "19:00", "20:00"], "?a span like"),
        ("18:00-25:00", "?a span like"),
        (5, "?a list of spans"),
    ],
)  # fmt: skip
def test_spans_of_clock_time(value, spans):
    check(keys.Spans, value, spans)


@pytest.mark.parametrize(
    ("kind", "value", "expected"),
    [
        (keys.Day, "2026-07-14", date(2026, 7, 14)), (keys.Day, date(1900, 1, 1), date(1900, 1, 1)),
        (keys.Day, date(1899, 12, 31), "?a date like"), (keys.Day, "2199-12-31", date(2199, 12, 31)),
        (keys.Day, "2200-01-01", "?a date like"), (keys.Day, datetime(2026, 7, 14), "?without a time"),
        (keys.Day, "2026-02-30", "?a date like"), (keys.Day, "14.7.2026", "?a date like"),
        (keys.Day, 5, "?a date like"),
        (keys.Weekdays, ["Monday", "thursday "], frozenset({0, 3})), (keys.Weekdays, "weekend", frozenset({5, 6})),
        (keys.Weekdays, ["weekdays", "Sunday"], frozenset({0, 1, 2, 3, 4, 6})), (keys.Weekdays, [], frozenset()),
        (keys.Weekdays, ["Thusday"], '?did you mean "Thursday"'), (keys.Weekdays, 3, "?a list of weekdays"),
        (keys.Weekdays, [3], "?is no weekday"),
        (keys.Surfaces, "green", frozenset({"green"})), (keys.Surfaces, ["green", "tee"], frozenset({"green", "tee"})),
        (keys.Surfaces, [], "?a list of surfaces"), (keys.Surfaces, ["gren"], '?did you mean "green"'),
        (keys.Surfaces, 3, "?a list of surfaces"),
    ],
)  # fmt: skip
def test_dates_weekdays_and_surfaces(kind, value, expected):
    check(kind, value, expected)


@pytest.mark.parametrize(
    ("reader", "value", "expected"),
    [
        (keys.read_whole(1, 5), 1, 1), (keys.read_whole(1, 5), 5, 5), (keys.read_whole(1, 5), 6, "?from 1 to 5"),
        (keys.read_whole(1, 5), 0, "?"), (keys.read_whole(0, 5), True, "?"), (keys.read_whole(0, 5), 2.0, "?"),
        (keys.read_above, 0, 0.0), (keys.read_above, 10, 10.0), (keys.read_above, 10.1, "?a share of the volume"),
        (keys.read_above, -0.1, "?a share"), (keys.read_above, "500 m3", "500 m3"), (keys.read_above, "0.5", 0.5),
        (keys.read_above, "500m3", "500m3"), (keys.read_above, "1e1", 10.0), (keys.read_above, "many", "?"),
        (keys.read_database, "a/b.sqlite", "a/b.sqlite"), (keys.read_database, "postgresql://h/d", "postgresql://h/d"),
        (keys.read_database, "postgresql+psycopg://h/d", "postgresql+psycopg://h/d"),
        (keys.read_database, "mysql://h/d", "?a path of a SQLite file"), (keys.read_database, "", "?a text is needed"),
        (keys.read_profile, "even_columns", "even_columns"), (keys.read_profile, "a.b-c", "a.b-c"),
        (keys.read_profile, "../x", "?not a path"), (keys.read_profile, "a..b", "?not a path"),
        (keys.read_profile, 5, "?"),
        (keys.read_profile, "x" * 64, "x" * 64), (keys.read_profile, "x" * 65, "?not a path"),
        (keys.read_series, ["weather.csv", "probes"], frozenset({"weather", "probes"})),
        (keys.read_series, ["wether"], '?did you mean "weather"'), (keys.read_series, "weather", "?a list of these"),
    ],
)  # fmt: skip
def test_whole_numbers_names_and_places(reader, value, expected):
    try:
        found = reader(value)
    except ValueError as reason:
        found = str(reason)
        assert isinstance(expected, str) and expected.startswith("?") and expected[1:] in found, found
        return
    assert found == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ([[0, 70], [30, 45]], ((0.0, 70.0, None), (30.0, 45.0, None))),
        ([[0, 70, 0], ["30 L/s", "45 m", 1.0]], ((0.0, 70.0, 0.0), (30.0, 45.0, 1.0))),
        ([[0, 1000], [20000, 1000]], ((0.0, 1000.0, None), (20000.0, 1000.0, None))),
        ([[0, 70]], "?two points or more"), ([[0, 70], [30]], "?point 2"), ([[0, 70], [30, 1, 1, 1]], "?point 2"),
        ([[0, 70], [0, 60]], "?point 2: its flow must be above"),
        ([[0, 70], [30, 71]], "?point 2: its head must not be above"),
        ([[0, 1001], [30, 71]], "?point 1: a flow from"), ([[-1, 70], [30, 60]], "?point 1: a flow"),
        ([[0, 70], [20001, 60]], "?point 2: a flow"), ([[0, 70, 0.5], [30, 60, 0]], "?point 2: an efficiency above 0"),
        ([[0, 70, 0.5], [30, 60, 1.01]], "?point 2: an efficiency"),
        ([[0, 70, 0.5], [30, 60]], "?at every point or at none"),
        ("x", "?two points or more"), ([[0, 70], ["much", 60]], "?point 2"), ([[0, 70], 5], "?point 2"),
    ],
)  # fmt: skip
def test_points_of_a_pump_s_curve(value, expected):
    check(keys.Curve, value, expected)


# -------------------------------------------------------------------------------------------------------- cells


def test_limits_of_a_column_hold_at_the_limit_itself():
    values = np.array([NAN, 0.0, 1.0, 10.0, 10.0 + 1e-8, 10.1, 0.99])
    assert Column("a", low=1.0, high=10.0).outside(values).tolist() == [False, True, False, False, False, True, True]
    assert Column("a", above=0.0).outside(values).tolist() == [False, True, False, False, False, False, False]
    tiny = np.array([1.0 - 1e-10, 1.0 - 1e-8, 1000.0 - 1e-7, 1000.0 - 1e-5])
    assert Column("a", low=1.0).outside(tiny[:2]).tolist() == [False, True]
    assert Column("a", low=1000.0).outside(tiny[2:]).tolist() == [False, True]
    assert not Column("a").outside(values).any()


@pytest.mark.parametrize(
    ("column", "too_high", "text"),
    [
        (Column("a", above=0.0, high=1.0), False, "a number above 0, at most 1, is allowed"),
        (Column("a", above=0.0, high=50.0), False, "a number above 0 is allowed"),
        (Column("a", above=0.0, high=50.0), True, "a number above 0, at most 50, is allowed"),
        (Column("a", low=1.0, high=50.0), False, "a number from 1 to 50 is allowed"),
        (Column("a", low=1.0), False, "a number of 1 or more is allowed"), (Column("a"), False, "a number is allowed"),
        (Column("a", unit="m", default_unit="cm", low=0.05, high=2.0, example="15"), False,
         "a number from 5 to 200 is allowed, for example 15"),
    ],
)  # fmt: skip
def test_what_a_number_may_be_in_the_unit_of_the_file(column, too_high, text):
    scale = Linear(0.01) if column.unit == "m" else Linear(1.0)
    assert bound_words(column, scale, too_high) == text


@pytest.mark.parametrize(
    ("kind", "known"), [("number", NAN), ("date", "NaT"), ("time", "NaT"), ("flag", None), ("text", ""), ("id", "")]
)
def test_a_column_that_is_not_there_is_not_known(kind, known):
    found = Column("a", kind).unknown(2)
    assert len(found) == 2 and str(found[1]) == str(known)


CHOICE = Column("s", "choice", choices=("green", "loamy_sand", "pitch", "approach"))


@pytest.mark.parametrize(
    ("column", "text", "meaning", "wrong"),
    [
        (Column("f", "flag"), "YES", True, None), (Column("f", "flag"), "false", False, None),
        (Column("f", "flag"), "", None, None), (Column("f", "flag"), "maybe", None, 'allowed: "yes"'),
        (CHOICE, "Greens", "green", None), (CHOICE, "Loamy  Sand", "loamy_sand", None),
        (CHOICE, "pitches", "pitch", None),
        (CHOICE, "loamy-sand", "loamy_sand", None), (CHOICE, "", "", None),
        (CHOICE, "gren", "", 'did you mean "green"'),
        (Column("i", "id"), "x" * 80, "x" * 80, None), (Column("i", "id"), "x" * 81, "", "at most 80"),
        (Column("i", "id"), "a\tb", "", "without control"), (Column("t", "text"), "a\tb", "a b", None),
        (Column("t", "text"), "x" * 2000, "x" * 2000, None), (Column("t", "text"), "x" * 2001, "", "at most 2000"),
        (Column("i", "id", filled=True), "", "", "the cell is empty; a text of at most 80"),
    ],
)  # fmt: skip
def test_texts_of_a_column(column, text, meaning, wrong):
    found, faults = understand(column, ["other" if column is not CHOICE else "green", text][1:])
    assert found[0] == meaning and type(found[0]) is type(meaning)
    assert (faults == {}) if wrong is None else (wrong in faults[0])


def test_dates_and_times_of_a_column():
    found, wrong = dates(["2026-07-14", "", "2026-02-30", "1899-01-01", "2199-12-31", "14.7.2026"])
    assert [str(d)[:10] for d in found] == ["2026-07-14", "NaT", "NaT", "NaT", "2199-12-31", "NaT"] and wrong == [
        2,
        3,
        5,
    ]
    texts = [
        "2026-07-14", "2026-07-14 21:30", "2026-07-14T21:30:15,5", "2026-07-14T24:00", "2026-07-14T19:30Z",
        "2026-07-14T21:30+0200", "2026-07-14 21:30 -03", "", "2026-07-14T25:00", "21:30", "2026-07-14T21:30+25:00",
    ]  # fmt: skip
    found, wrong = times(texts, BERLIN)
    assert [str(t)[:21] for t in found] == [
        "2026-07-14T00:00:00.0", "2026-07-14T21:30:00.0", "2026-07-14T21:30:15.5", "2026-07-15T00:00:00.0",
        "2026-07-14T21:30:00.0", "2026-07-14T21:30:00.0", "2026-07-15T02:30:00.0", "NaT", "NaT", "NaT", "NaT",
    ]  # fmt: skip
    assert wrong == [8, 9, 10]


def test_an_hour_that_the_clock_shows_twice_is_told_apart_by_its_offset():
    texts = ["2026-10-25T02:30", "2026-10-25T02:30+02:00", "2026-10-25T02:30+01:00", "2026-03-29T02:30"]
    local = np.array(["2026-10-25T02:30"] * 3 + ["2026-03-29T02:30"], dtype="datetime64[ns]")
    assert [str(t)[:16] for t in to_utc(local, texts, BERLIN)] == [
        "2026-10-25T00:30", "2026-10-25T00:30", "2026-10-25T01:30", "2026-03-29T01:00",
    ]  # fmt: skip
    assert str(to_utc(local[:1], texts[:1], None)[0])[:16] == "2026-10-25T02:30"


# ---------------------------------------------------------------------------------------------- what is likely


@pytest.mark.parametrize(
    ("name", "values", "unit"),
    [
        ("tmin", [50.0, 60.0, 70.0], "degF"),
        ("tmin", [38.0] * 3, "degF"),
        ("tmin", [37.9] * 3, ""),
        ("tmin", [60.0] * 2, ""),
        ("tmin", [60.0, 60.0, NAN], ""),
        ("solar", [380.0] * 3, "W/m2"),
        ("solar", [381.0] * 3, "langley"),
        ("solar", [40.0] * 3, ""),
        ("eto", [0.3, 0.3, 0.3], "in"),
        ("eto", [0.02] * 3, "in"),
        ("eto", [0.019] * 3, ""),
        ("eto", [0.45] * 3, "in"),
        ("eto", [0.46] * 3, ""),
        ("eto", [0.01, 0.01, 5.0], ""),
        ("wind", [99.0] * 9, ""),
        ("ec", [100.0] * 3, "uS/cm"),
        ("ec", [99.0] * 3, ""),
    ],
)
def test_the_unit_a_column_seems_to_be_in(name, values, unit):
    assert likely.other_unit(Column(name), np.array(values)) == unit


def test_a_column_in_another_unit_is_told_with_what_to_type():
    words = likely.unit_words(Column("tmin", unit="degC"), "degF", np.array([50.0, NAN, 71.25]))
    assert words == (
        "the header names no unit and degC is meant, but its 2 values run from 50 to 71.25, as in degF; write the "
        'header as "tmin [degF]", or as "tmin [degC]" if it is so'
    )
    assert 'or as "share [fraction]"' in likely.unit_words(Column("share"), "%", np.array([1.0]))


GREENS = np.array(["green"] * 5)


@pytest.mark.parametrize(
    ("area", "feet"),
    [([2000.0] * 4 + [100.0], True), ([2000.0] * 3 + [100.0] * 2, False), ([1900.0] * 5, False),
    ([2000.0] * 2 + [NAN] * 3, False),
     ([2000.0] * 3 + [NAN] * 2, True)],
)  # fmt: skip
def test_areas_larger_than_zones_are_in_square_feet(area, feet):
    assert likely.areas_in_feet(GREENS, np.array(area)) == feet
    assert not likely.areas_in_feet(np.array(["unknown"] * 5), np.array(area))


def test_flows_in_gallons_are_large_and_do_not_fit_their_areas():
    flow = np.full(5, 20.0)
    assert likely.flows_in_gallons(GREENS, flow, np.full(5, 450.0))  # 160 mm/h
    assert not likely.flows_in_gallons(GREENS, np.full(5, 17.9), np.full(5, 450.0))
    assert not likely.flows_in_gallons(np.array(["rough"] * 5), flow, np.full(5, 6000.0))  # 12 mm/h
    assert likely.flows_in_gallons(np.array(["rough"] * 5), flow, np.full(5, 9000.0))  # areas in ft2 bear no witness
    assert not likely.flows_in_gallons(GREENS, np.array([20.0, 20.0, NAN, NAN, NAN]), np.full(5, 450.0))


@pytest.mark.parametrize(("rate", "fits"), [(5.9, False), (6.0, True), (75.0, True), (75.1, False)])
def test_usual_rates_are_those_of_sprinklers(rate, fits):
    assert likely.rates_fit(np.full(3, rate), np.full(3, 3600.0)) == fits
    assert not likely.rates_fit(np.array([NAN]), np.array([1.0]))


@pytest.mark.parametrize(
    ("rate", "which"), [(121.0, "flow"), (119.0, ""), (1200.0, ""), (2.4, "area"), (2.6, ""), (0.2, ""), (0.24, "area")]
)
def test_a_rate_tells_which_column_is_in_another_unit(rate, which):
    assert likely.flow_or_area(np.full(3, rate), np.full(3, 3600.0)) == which
    assert likely.flow_or_area(np.full(2, rate), np.full(2, 3600.0)) == ""


@pytest.mark.parametrize(
    ("rain", "inches"),
    [([0.5] * 8 + [0.0, NAN], True), ([0.5] * 7, False), ([0.2] * 8 + [4.0], True), ([0.2] * 8 + [4.1], False),
     ([1.0] * 8, True), ([1.1] * 8, False), ([1.1] * 8 + [0.0] * 20, False), ([0.5] * 7 + [0.0] * 20, False)],
)  # fmt: skip
def test_rain_that_reads_like_inches(rain, inches):
    assert likely.rain_in_inches(np.array(rain)) == inches


@pytest.mark.parametrize(
    ("texts", "said"),
    [
        (["5/31/2026", "6/1/2026"], "2026-05-31"), (["31/5/2026", "1/6/2026"], "2026-05-31"),
        (["1.5.2026", "3.4.2026"], "2026-05-01"),
        (["5/6/2026", "6/5/2026"], "2026-05-06"), (["2026/05/31", "2026/06/01"], "2026-05-31"),
        (["31/5/26", "1/6/26"], "2026-05-31"),
        (["5/31/2026 9:05", "6/1/2026 10:00"],
         "2026-05-31T09:05 here; in a spreadsheet, give the cells the format yyyy-mm-dd hh:mm"),
        (["2026-05-31", "2026-06-01"], ""), (["5/31/2026"], ""), (["5/31/2026", "soon"], ""),
        (["13/13/2026", "13/14/2026"], ""),
        (["", "5/31/2026", "6/1/2026"], "2026-05-31"), (["31-05-2026", "01-06-2026"], "2026-05-31"),
        (["05-31-2026", "06-01-2026"], "2026-05-31"),
    ],
)  # fmt: skip
def test_dates_of_another_form_are_told_as_they_are_written_here(texts, said):
    found = likely.other_dates(texts)
    assert (found == "") if said == "" else (f"are written {said}" in found), found


# ------------------------------------------------------------------------------------------------ where zones lie


HOME = SimpleNamespace(latitude=60.0, longitude=179.9)
DEGREE = np.pi / 180 * 6_371_008.8


def test_degrees_are_metres_about_the_site_also_across_the_date_line():
    east, north = _metres(np.array([179.9, -179.9, 179.8]), np.array([60.0, 60.1, 59.9]), HOME)
    np.testing.assert_allclose(east, [0.0, 0.2 * DEGREE / 2, -0.1 * DEGREE / 2], atol=1e-3)
    np.testing.assert_allclose(north, [0.0, 0.1 * DEGREE, -0.1 * DEGREE], atol=1e-3)


class Table:
    """A table of zones that keeps what it refuses."""

    file = "zones.csv"

    def __init__(self, **values):
        size = max(len(v) for v in values.values())
        names = ("x", "y", "latitude", "longitude")
        self.values = {n: np.array(values.get(n, [NAN] * size), dtype=float) for n in names}
        self.present, self.refused = set(values), []

    def written(self, name, value):
        return f"{value:g}"

    def refuse(self, findings, column, rows, words):
        self.refused += [(column, int(r), words(int(r))) for r in np.flatnonzero(rows)]


class Findings:
    def __init__(self):
        self.problems, self.notes = [], []

    def problem(self, *said):
        self.problems.append(said)

    def note(self, *said):
        self.notes.append(said)


def placed(outlines=None, home=(36.0, -121.0), **values):
    table, findings = Table(**values), Findings()
    names = np.array([f"Z{i}" for i in range(len(table.values["x"]))])
    settings = SimpleNamespace(latitude=home[0], longitude=home[1])
    return place_zones(table, names, outlines or {}, settings, findings), table, findings


def test_x_and_y_count_from_the_middle_zone_and_need_each_other():
    found, table, _ = placed(x=[10.0, 20.0, 60.0, 5.0, NAN], y=[1.0, 2.0, 3.0, NAN, NAN])
    np.testing.assert_array_equal(found.east[:3], [-10.0, 0.0, 40.0])
    np.testing.assert_array_equal(found.north[:3], [-1.0, 0.0, 1.0])
    assert [(c, r, w.split(" ")[0]) for c, r, w in table.refused] == [("y", 3, "y")] and found.outline == ((),) * 5
    far, table, _ = placed(x=[0.0, 0.0, FARTHEST + 1], y=[0.0, 0.0, 0.0])
    assert [(c, r) for c, r, _ in table.refused] == [("x", 2)] and "within 100 km" in table.refused[0][2]
    assert placed(x=[0.0, 0.0, FARTHEST], y=[0.0, 0.0, 0.0])[1].refused == []


def test_an_outline_counts_before_degrees_and_these_before_x_and_y():
    ring = np.array([[-121.0, 36.0], [-120.99, 36.0], [-120.99, 36.01], [-121.0, 36.01], [-121.0, 36.0]])
    found, table, findings = placed(
        {"Z1": (ring,)},
        latitude=[36.0, 36.5, NAN],
        longitude=[-121.0, -121.0, NAN],
        x=[1.0, 2.0, 3.0],
        y=[0.0, 0.0, 0.0],
    )
    wide = 0.01 * DEGREE * np.cos(np.radians(36.0))
    np.testing.assert_allclose([found.east[1], found.north[1]], [wide / 2, 0.005 * DEGREE], rtol=1e-6)
    assert found.outline[1][0].shape == (4, 2) and np.isnan(found.east[2]) and found.north[0] == 0.0
    assert "x and y are not used beside" in findings.notes[0][2]
    away = ring + np.array([2.0, 0.0])
    _, _, findings = placed({"Z0": (away,)}, x=[NAN])
    assert 'zone "Z0" lies 180 km' in findings.problems[0][3]


@pytest.mark.parametrize(
    ("latitude", "longitude", "hint"),
    [
        ([36.0, -121.0], [-121.0, 36.0], "latitude and longitude are swapped"),
        ([36.0, 36.0], [-121.0, 121.0], "west of Greenwich is negative: write -121"),
        ([36.0, 50.0], [-121.0, -121.0], "up to 100 km is allowed"),
        ([50.0, 50.0], [-121.0, -121.0], "all 2 zones lie 1,557 km from"),
    ],
)
def test_zones_that_lie_elsewhere_are_told_why(latitude, longitude, hint):
    _, table, _ = placed(latitude=latitude, longitude=longitude)
    ((column, row, words),) = table.refused
    assert column == "latitude" and hint in words and row == (0 if "all 2" in hint else 1)
    assert words.endswith("allowed") == (hint in ("up to 100 km is allowed", "all 2 zones lie 1,557 km from"))
    near = Table(latitude=[36.8], longitude=[-121.0])
    _check_degrees(near, np.zeros(1), np.array([89_000.0]), HOME, None)
    assert near.refused == []


def ring(*points):
    return np.array(points, dtype=float)


L_SHAPE = ring((0, 0), (10, 0), (10, 2), (2, 2), (2, 10), (0, 10))
C_SHAPE = ring((0, 0), (9, 0), (9, 1), (1, 1), (1, 8), (9, 8), (9, 9), (0, 9))


def test_a_point_inside_is_the_centroid_or_the_middle_of_the_widest_part_beside_it():
    assert inner_point((ring((0, 0), (6, 0), (0, 3)),)) == pytest.approx((2.0, 1.0))
    moved = ring((100, 50), (106, 50), (100, 53))
    assert inner_point((ring((0, 0), (1, 0), (0, 1)), moved)) == pytest.approx((102.0, 51.0))
    x, y = inner_point((C_SHAPE,))
    assert (x, y) == pytest.approx((0.5, 4.5))  # its centroid lies in the open
    assert inner_point((ring((0, 0), (4, 0), (2, 0)),)) == pytest.approx((2.0, 0.0))  # a line has none
    assert _area(ring((0, 0), (6, 0), (0, 3))) == 9.0 and _area(ring((0, 0), (0, 3), (6, 0))) == -9.0
    assert _area(L_SHAPE) == 36.0


def test_bends_smaller_than_can_be_drawn_are_left_out():
    bent = ring((0, 0), (5, 0.4), (10, 0), (10, 10), (5, 10.6), (0, 10))
    assert thinned(bent, 0.5).tolist() == [[0, 0], [10, 0], [10, 10], [5, 10.6], [0, 10]]
    assert thinned(bent, 0.3).tolist() == bent.tolist()
    assert thinned(bent, 0.7).tolist() == [[0, 0], [10, 0], [10, 10], [0, 10]]
    four = bent[:4]
    assert thinned(four, 99.0) is four
    line = ring((0, 0), (1, 0), (2, 0), (3, 0), (4, 0), (5, 0))
    assert len(thinned(line, 0.1)) >= 3
    # Off the end of the line counts by the distance to its end.
    spike = ring((0, 0), (4, 0), (8, 0.1), (4, 0.2), (4, 5), (0, 5))
    assert [8.0, 0.1] in thinned(spike, 0.5).tolist()
