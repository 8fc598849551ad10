"""Zones row by row, files cell by cell, readings of meters: what is taken for what is not told, and what is refused."""

from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from models.hydraulics import infiltration_rate
from models.textures import TEXTURES
from scheduler.site.cells import Column, bound_words, times
from scheduler.site.columns import FILES, ZONES
from scheduler.site.csv_text import _floats, _separator, csv_text, read_bytes
from scheduler.site.findings import Findings, TomlFindings
from scheduler.site.meter import build_meter
from scheduler.site.settle import Settings
from scheduler.site.tables import _in_percent, _why_no_number, read_table
from scheduler.site.units import Linear
from scheduler.site.zone_checks import check_likely, check_stations, check_unique, notes_for, zone_words
from tests.scheduler.site_folders import TOML, lines, site

NAN = np.nan
HEAD = "zone,surface,area,flow"


# -------------------------------------------------------------------------------------------------------------- zones


def test_what_a_zone_does_not_say_of_its_ground_is_its_texture_s(tmp_path):
    zones = site(
        tmp_path,
        zones=f"{HEAD},soil,field_capacity,wilting_point,slope,drained,hydrologic_group,infiltration\n"
        "A,green,450,1.5,sand,,,,,,\nB,green,450,1.5,,0.3,0.1,,,,\nC,green,450,1.5,clay,,0.2,8,yes,B,\n"
        "D,pitch,450,1.5,sand_rootzone,,,,no,,20\n",
    ).zones
    sand, loam, clay = (TEXTURES[t] for t in ("sand", "loam", "clay"))
    assert zones.soil.tolist() == ["sand", "loam", "clay", "sand_rootzone"]
    assert zones.field_capacity.tolist()[:3] == [sand.field_capacity, 0.3, clay.field_capacity]
    assert zones.wilting_point.tolist()[:3] == [sand.wilting_point, 0.1, 0.2]
    assert zones.drained.tolist() == [False, False, True, False]
    assert zones.hydrologic_group.tolist()[:3] == [sand.hydrologic_group, loam.hydrologic_group, "B"]
    assert zones.infiltration[3] == 20.0 and zones.infiltration[0] == sand.infiltration
    assert zones.infiltration[2] == pytest.approx(float(infiltration_rate(clay.infiltration, 8.0)))
    # the slowest of the class, as steep; what the manager told stands
    assert zones.slowest_intake[2] == pytest.approx(float(infiltration_rate(clay.conductivity, 8.0)))
    assert zones.slowest_intake[3] == 20.0 and zones.slowest_intake[0] == sand.conductivity
    assert zones.infiltration[2] < clay.infiltration and zones.slope.tolist() == [0.0, 0.0, 8.0, 0.0]


@pytest.mark.parametrize(
    ("surface", "soil", "told", "gravel"),
    [("green", "sand_rootzone", "", True), ("pitch", "sand_rootzone", "", True), ("tee", "sand_rootzone", "", False),
     ("green", "sand", "", False), ("tee", "sand", "yes", True), ("pitch", "sand_rootzone", "no", False)],
)  # fmt: skip
def test_sand_stands_over_gravel_under_greens_and_pitches_unless_told(tmp_path, surface, soil, told, gravel):
    zones = site(tmp_path, zones=f"{HEAD},soil,over_gravel\nA,{surface},450,1.5,{soil},{told}\n").zones
    assert bool(zones.over_gravel[0]) == gravel


@pytest.mark.parametrize(
    ("latitude", "green", "tee"),
    [("34.9", "bermudagrass", "bermudagrass"), ("35.1", "creeping_bentgrass", "kentucky_bluegrass"),
     ("-34.9", "bermudagrass", "bermudagrass"), ("-40", "creeping_bentgrass", "kentucky_bluegrass")],
)  # fmt: skip
def test_turf_that_is_not_told_is_that_of_the_climate(tmp_path, latitude, green, tee):
    toml = TOML.replace("36.6", latitude).replace('"America/Los_Angeles"', '"UTC"')
    read = site(tmp_path, toml, f"{HEAD}\nA,green,450,1.5\nB,tee,450,1.5\n")
    assert [mix[0][0] for mix in read.zones.turf_mix] == [green, tee]


PUMPS = '[[pump]]\nname = "p"\ncapacity = 9\n[[pump]]\nname = "q"\ncapacity = 9\n'
LOOP = '[[branch]]\nname = "loop"\npump = "q"\n'


@pytest.mark.parametrize(
    ("toml", "row", "branch", "pump"),
    [
        (PUMPS + LOOP, ",", 0, 1), (PUMPS + LOOP, ",p", -1, 0), (PUMPS + LOOP, "loop,", 0, 1),
        (PUMPS, ",", -1, -1), (PUMPS, ",q", -1, 1), (PUMPS + LOOP, "loop,q", 0, 1),
        (PUMPS + LOOP + LOOP.replace("loop", "two").replace('"q"', '"p"'), ",", -1, -1),
        ('[[pump]]\nname = "p"\ncapacity = 9\n', ",", -1, 0),
    ],
)  # fmt: skip
def test_a_zone_hangs_on_what_it_names_or_on_the_only_one_there_is(tmp_path, toml, row, branch, pump):
    zones = site(tmp_path, TOML + toml, f"{HEAD},branch,pump\nA,green,450,1.5,{row}\n").zones
    assert (zones.branch[0], zones.pump[0]) == (branch, pump)


def test_a_zone_cannot_hang_on_another_pump_than_its_branch(tmp_path):
    found = lines(tmp_path, TOML + PUMPS + LOOP, f"{HEAD},branch,pump\nA,green,450,1.5,loop,p\n")
    assert found == ['zones.csv, line 2, column "pump": read "p"; the branch of this zone hangs on "q"']


def test_of_two_controllers_none_is_meant_and_of_one_it_is(tmp_path):
    box = '[[controller]]\nname = "{}"\n'
    text = f"{HEAD},controller\nA,green,450,1.5,\n"
    assert site(tmp_path / "a", TOML + box.format("x"), text).zones.controller[0] == 0
    assert site(tmp_path / "b", TOML + box.format("x") + box.format("y"), text).zones.controller[0] == -1


@pytest.mark.parametrize(("shares", "said"), [((0.5, 0.496), 0), ((0.5, 0.494), 1), ((0.6, 0.4), 0), ((0.7, 0.4), 1)])
def test_shares_of_a_blend_that_do_not_add_up_are_told(tmp_path, shares, said):
    toml = TOML + "".join(f'[[source]]\nname = "{n}"\nec = 1\nshare = {s}\n' for n, s in zip("ab", shares, strict=True))
    read = site(tmp_path, toml, f"{HEAD},sources\nA,green,450,1.5,a|b\nB,green,450,1.5,b|a\n")
    assert read.zones.sources == ((0, 1), (1, 0))
    assert len([n for n in read.notes if "the shares of the sources of" in n.text]) == 2 * said


@pytest.mark.parametrize(("flow", "rate", "words"), [
    ("1.5", "230", ""), ("1.5", "241", "application_rate"), ("1.5", "0.59", "application_rate"), ("1.5", "0.61", ""),
    ("62", "", ""), ("63", "", "flow"), ("", "", "flow"),
])  # fmt: skip
def test_rate_and_flow_over_area_are_within_twenty_times(tmp_path, flow, rate, words):
    # 1.5 L/s on 450 m2 are 12 mm/h; 62.5 L/s are 500 mm/h
    found = lines(tmp_path, zones=f"{HEAD},application_rate\nA,green,450,{flow},{rate}\n")
    assert (found == []) if not words else (len(found) == 1 and f'column "{words}"' in found[0]), found


def test_what_a_column_of_zones_says_of_each(tmp_path):
    read = site(
        tmp_path,
        zones=f"{HEAD},name,class,place,du_lq,max_run,microclimate,station,exposure,smallest_run,longest_cycle,soak\n"
        "A,landscape,450,1.5,Bed,,,,,,,,,,\nB,green,450,1.5,,special,hole 9,0.8,30,1.2,A7,shade,4,8,20\n",
    ).zones
    assert read.name.tolist() == ["Bed", "B"] and read.area_class.tolist() == ["landscape", "special"]
    assert read.place.tolist()[1] == "hole 9" and read.priority.tolist() == [4, 1]
    assert read.du_lq.tolist() == [0.7, 0.8] and read.max_run.tolist() == [600.0, 30.0]
    assert read.microclimate.tolist() == [1.0, 1.2] and read.station.tolist() == ["", "A7"]
    assert (read.exposure[1], read.smallest_run[1], read.longest_cycle[1], read.soak[1]) == ("shade", 4.0, 8.0, 20.0)


# ------------------------------------------------------------------------------------------------------- what is said


class Table(SimpleNamespace):
    file = "zones.csv"

    def refuse(self, findings, column, bad, words):
        findings.problems += [(column, int(r), words(int(r))) for r in np.flatnonzero(bad)]

    def line(self, row):
        return row + 2


def test_a_zone_stands_once_and_an_address_once_on_its_controller():
    findings = Findings()
    check_unique(Table(), np.array(["A", "B", "A", "", ""]), findings)
    assert [(c, r) for c, r, _ in findings.problems] == [("zone", 2)] and "line 2 has it" in findings.problems[0][2]
    findings = Findings()
    table = Table(values={"station": np.array(["1", "1", "1", "", ""])})
    check_stations(table, np.array([0, 1, 0, 0, 0]), np.array(list("ABCDE")), findings)
    assert [(c, r) for c, r, _ in findings.problems] == [("station", 2)] and "line 2 (A)" in findings.problems[0][2]
    assert findings.notes[0].text.startswith("zones D, E: station is not given")


def test_notes_name_few_zones_count_many_and_say_all():
    findings = Findings()
    note = notes_for(findings, np.array(["A", "B"]))
    note(np.array([True, True]), "info", "x"), note(np.array([True, False]), "info", "y")
    note(np.array([False, False]), "info", "z")
    notes_for(findings, np.array(["A"]))(np.array([True]), "info", "w")
    assert [n.text for n in findings.notes] == ["all zones: x", "zone A: y", "zone A: w"]
    assert zone_words(list("ABCDE")) == "zones A, B, C, D, E" and zone_words(list("ABCDEF")).endswith("E and others)")


def likely(rate=12.0, area=450.0, roots=0.15, flow=1.5, branch=-1, pump=-1):
    findings = Findings()
    settings = SimpleNamespace(pumps=[SimpleNamespace(capacity=5.0)], branches=[SimpleNamespace(capacity=2.0)])
    arrays = [np.atleast_1d(np.array(v, dtype=float)) for v in (rate, area, roots, flow)]
    count = max(a.size for a in arrays)
    arrays = [np.broadcast_to(a, (count,)) for a in arrays]
    names = np.array([f"Z{i}" for i in range(count)])
    check_likely(names, *arrays, np.full(count, branch), np.full(count, pump), settings, findings)
    return [n.text for n in findings.notes]


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({}, []),
        ({"rate": [0.5, 300.0], "flow": [0.0625, 37.5]}, ["usual 1 to 150 mm/h (0.5)"]),
        ({"rate": [0.5, 3000.0], "flow": [0.0625, 375.0]}, ["usual 1 to 150 mm/h (3e+03)"]),
        ({"area": 0.9, "flow": 0.003}, ["area outside of the usual 1 to 200000 m2 (0.9)"]),
        ({"roots": [0.02, 1.4]}, ["root depth outside of the usual 0.03 to 1.5 m (0.02)"]),
        ({"rate": 13.3}, ["differs from flow/area"]),
        ({"rate": 13.1}, []),
        ({"rate": 10.7}, ["differs"]),
        ({"flow": 5.1, "rate": 40.8, "pump": 0}, ["capacity of the pump"]),
        ({"flow": 5.0, "rate": 40.0, "pump": 0}, []),
        ({"flow": 2.1, "rate": 16.8, "branch": 0}, ["capacity of the branch"]),
        ({"flow": 5.1, "rate": 40.8}, []),
    ],
)
def test_what_is_possible_and_unlikely_is_told_by_the_worst(given, words):
    found = likely(**given)
    assert len(found) == len(words) and all(w in f for w, f in zip(words, found, strict=True)), found


def test_twenty_faults_of_a_kind_are_told_and_the_rest_counted():
    findings = Findings()
    findings.many("a.csv", "x", [(i, f"w{i}") for i in range(1, 22)], 30)
    assert len(findings.problems) == 21 and findings.problems[-1].line == 21
    assert findings.problems[-1].message == "and 10 more of this kind from here on"
    findings = Findings()
    findings.many("a.csv", "x", [(i, "w") for i in range(20)])
    assert len(findings.problems) == 20
    toml = TomlFindings(Findings(), {("pump", 0): 4, ("pump", 0, "head"): 6})
    toml.problem(("pump", 0, "head"), "x"), toml.problem(("pump", 0, "curve"), "y")
    assert [(p.line, p.column) for p in toml.findings.problems] == [(6, "pump[1].head"), (4, "pump[1].curve")]


# -------------------------------------------------------------------------------------------------------------- files


@pytest.mark.parametrize(
    ("text", "separator"),
    [(b"a,b;c,d\n", b","), (b"a;b;c,d\n", b";"), (b"a\tb\tc\n", b"\t"), (b'\n;;\n"x,y,z";b\n', b";"),
     (b"a [m,m,m];b\n", b";"), (b"a\r\n", b",")],
)  # fmt: skip
def test_cells_are_separated_as_in_the_header(text, separator):
    assert _separator(text) == separator


def test_numbers_with_a_decimal_comma_or_point():
    values, faults = _floats(["1.5", "", "2,5", "1e3", "x", "1e300"], False)
    np.testing.assert_array_equal(values, [1.5, NAN, NAN, 1000.0, NAN, NAN])
    assert faults == [2, 4, 5]
    values, faults = _floats(["1.5", "2,5", "3", "1,2,3"], True)
    np.testing.assert_array_equal(values, [NAN, 2.5, 3.0, NAN])
    assert faults == [0, 3]


def read(tmp_path, text, name="zones", columns=ZONES, **more):
    findings = Findings()
    (tmp_path / f"{name}.csv").write_bytes(text.encode() if isinstance(text, str) else text)
    return read_table(tmp_path, f"{name}.csv", columns, findings, **more), findings


def test_rows_are_as_wide_as_the_header_and_empty_cells_to_the_right_are_none(tmp_path):
    table, findings = read(tmp_path, f"{HEAD}\nA,green,450,1.5,,\nB,green,450\n\nC,green,450,1.5,x\n")
    assert table.values["zone"].tolist() == ["A"] and [p.line for p in findings.problems] == [3, 5]
    assert findings.problems[0].message == "read 3 cells; the header has 4"
    assert findings.problems[1].message.endswith("a text or number that holds a comma must stand in quotes")


def test_a_file_is_read_up_to_its_largest_size(tmp_path, monkeypatch):
    monkeypatch.setattr("scheduler.site.csv_text.LARGEST_FILE", 10)
    path = tmp_path / "a.csv"
    for size, fits in ((10, True), (11, False)):
        path.write_bytes(b"a" * size)
        findings = Findings()
        assert (read_bytes(path, "a.csv", findings, False) is not None) == fits == (findings.problems == [])
    path.write_bytes(b"\xef\xbb\xbfzone")
    assert read_bytes(path, "a.csv", Findings(), False) == b"zone"
    assert csv_text(b"a;b\n1,5;2\n", "a.csv", Findings()).decimal_comma
    assert not csv_text(b"a;b\n1.5;2\n", "a.csv", Findings()).decimal_comma


def test_units_of_headers_are_stated_or_meant_and_a_column_is_found_once(tmp_path):
    text = "Zone,surface,area [ft2],flow,AREA,root_depth [cm],station [-],colour\nA,green,1000,1.5,1,15,2,red\n"
    table, findings = read(tmp_path, text)
    assert table.values["area"][0] == pytest.approx(92.90304) and table.values["root_depth"][0] == pytest.approx(0.15)
    assert table.stated == {"area", "root_depth", "station"} and table.header("area") == "area [ft2]"
    assert table.written("area", 92.90304) == "1000" and [p.column for p in findings.problems] == ["AREA"]
    assert [n.text for n in findings.notes] == ['the column "colour" is not known and was kept out']
    table, findings = read(
        tmp_path, "Id,surface,area,flow,x\nA,green,1,1.5,9\n", column_map={"Id": "zone", "x": "", "y": "z"}
    )
    assert table.values["zone"][0] == "A" and np.isnan(table.values["x"][0])
    assert ['maps a column "y"' in n.text for n in findings.notes] == [True]


@pytest.mark.parametrize(
    ("values", "factor"),
    [
        ([20.0] * 9 + [0.5], 0.01),
        ([20.0] * 8 + [0.5] * 2, 1.0),
        ([0.2] * 9, 1.0),
        ([0.0, 1.0], 1.0),
        ([100.0, 2.0], 0.01),
        ([101.0], 1.0),
        ([0.0, NAN, 50.0], 0.01),
        ([], 1.0),
    ],
)
def test_a_share_mostly_above_one_is_in_percent(values, factor):
    table = SimpleNamespace(stated=frozenset(), file="probes.csv")
    column = Column("moisture", maybe_percent=True)
    found = _in_percent(table, column, "moisture", np.array(values), Findings())
    np.testing.assert_allclose(found, np.array(values) * factor)
    said = SimpleNamespace(stated=frozenset({"moisture"}), file="probes.csv")
    np.testing.assert_array_equal(_in_percent(said, column, "moisture", np.array(values), Findings()), values)
    plain = Column("ec")
    np.testing.assert_array_equal(_in_percent(table, plain, "ec", np.array(values), Findings()), values)


@pytest.mark.parametrize(("text", "hint"), [
    ("1,234", "separators of thousands"), ("1.234,5", "separators of thousands"), ("1,5", "decimal commas"),
    ("1.5", "a point is doubtful"), ("n/a", "leave the cell empty"), ("\u0661", "digits 0 to 9"), ("x", ""),
])  # fmt: skip
def test_a_number_written_otherwise_has_its_hint(text, hint):
    assert _why_no_number(text, "w") == "w" if not hint else hint in _why_no_number(text, "w")


def test_limits_are_told_as_far_as_they_are_known_and_years_are_those_of_people():
    assert bound_words(Column("a", high=50.0), Linear(1.0)) == "a number is allowed"
    assert (
        bound_words(Column("a", high=50.0, above=1.0), Linear(1.0), True) == "a number above 1, at most 50, is allowed"
    )
    found, wrong = times(["1899-12-31T10:00", "1900-01-01T10:00", "2199-12-31", "2200-01-01"])
    assert wrong == [0, 3] and np.isnat(found[0])


# ------------------------------------------------------------------------------------------------------------- meters


def metered(tmp_path, *rows):
    text = "time,meter,reading,source,kind,rolls_over_at,note\n" + "".join(f"{r}\n" for r in rows)
    table, findings = read(tmp_path, text, "meter", FILES["meter"], time_zone=ZoneInfo("Europe/Berlin"))
    return build_meter(table, ["well", "mains"], ZoneInfo("Europe/Berlin"), findings), findings


def test_where_a_meter_rolls_over_is_told_for_its_count_and_not_for_its_successor(tmp_path):
    found, findings = metered(
        tmp_path, "2026-07-01,M,10,well,,,", "2026-07-03,M,900,,,1000,", "2026-07-05,M,0,,,,Exchanged today",
        "2026-07-06,M,2000,,,,", "2026-07-02,N,5,mains,interval,1,",
    )  # fmt: skip
    np.testing.assert_array_equal(found["rolls_over_at"], [1000.0, 1000.0, NAN, NAN, 1.0])
    assert found["starts"].tolist() == [False, False, True, False, False] and findings.problems == []
    assert found["source"].tolist() == ["well"] * 4 + ["mains"] and found["kind"].tolist() == ["cumulative"] * 4 + [
        "interval"
    ]


def test_a_reading_is_below_what_its_meter_rolls_over_at(tmp_path):
    _, findings = metered(tmp_path, "2026-07-01,M,1000,well,,1000,", "2026-07-02,M,999.9,,,,")
    assert [(p.line, p.column) for p in findings.problems] == [(2, "reading")]
    _, findings = metered(tmp_path, "2026-07-01,M,5,well,,,", "2026-07-02,M,6,mains,,,", "2026-07-02,N,6,lake,,,")
    assert [(p.line, p.column) for p in findings.problems] == [(4, "source"), (3, "source")]


def test_of_an_hour_shown_twice_the_second_row_is_the_second_hour_unless_it_is_there(tmp_path):
    plain = ["2026-10-25T02:30,M,3,well,interval,,", "2026-10-25T02:30,M,4,,,,"]
    found, _ = metered(tmp_path, *plain)
    assert found["time"].dt.strftime("%H:%M").tolist() == ["00:30", "01:30"] and found["reading"].tolist() == [3.0, 4.0]
    found, findings = metered(tmp_path, *plain, "2026-10-25T02:30+01:00,M,9,,,,")
    assert found["time"].dt.strftime("%H:%M").tolist() == ["00:30", "01:30"] and found["reading"].tolist() == [4.0, 9.0]
    assert findings.notes[-1].text.startswith("1 reading repeated by a later row of the same meter and time")
    found, _ = metered(tmp_path, "2026-07-25T02:30,M,3,well,,,", "2026-07-25T02:30,M,4,,,,")
    assert found["reading"].tolist() == [4.0]
    assert Settings().wind_height == 2.0  # of a gauge that is not told [m]
