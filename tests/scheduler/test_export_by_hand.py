"""Cells of a run-time table, each as a person would fill it in; bytes of its formats as they stand in a file."""

import json
from datetime import date, datetime
from types import SimpleNamespace

import openpyxl
import pytest

from scheduler.document.parts import ControllerKind
from scheduler.errors import InputProblems
from scheduler.export import Profile
from scheduler.export.again import export_plan, standing_plan
from scheduler.export.formats import from_bytes, to_bytes
from scheduler.export.held import Held, held_by_zone
from scheduler.export.profile import load_profile
from scheduler.export.table import address_of, decode_time, encode_time, run_tables
from scheduler.export.write import write_run_times
from tests.scheduler.sample_plan import sample_plan


def at(hour, minute=0, second=0):
    return datetime(2026, 7, 14, hour, minute, second)


def cycle(start, end, minutes):
    return SimpleNamespace(start=start, end=end, minutes=minutes)


def zone(name, controller, station, *cycles, minutes=None):
    total = sum(c.minutes for c in cycles) if minutes is None else minutes
    return SimpleNamespace(
        id=name, name=f"{name} by the old oak", surface="green", controller=controller, station=station, source=None,
        cycles=cycles, minutes=total, depth_mm=3.04, volume_m3=1.26,
    )  # fmt: skip


def station(name, minutes):
    return SimpleNamespace(zone=name, minutes=minutes)


def programme(number, stations, starts=(), percent=100.0):
    return SimpleNamespace(number=number, stations=stations, starts=starts, percent=percent)


def controller(name, kind, *programmes):
    return SimpleNamespace(name=name, kind=kind, programmes=programmes)


def plan(*zones, controllers=()):
    return SimpleNamespace(zones=zones, controllers=controllers, night=date(2026, 7, 14), rung="full")


G1 = zone("G1", "box", "7", cycle(at(21, 5), at(21, 9, 30), 4.5), cycle(at(22), at(22, 3), 3.0))
G2 = zone("G2", "box", "3", cycle(at(23, 0, 30), at(23, 6, 30), 6.0))
R1 = zone("R1", "hut", "1")
ALL = plan(G1, G2, R1)
FIELDS = "zone name surface controller source night text run_time start end depth volume cycle cycles".split()


def column(field, **more):
    return {"heading": more.pop("heading", field), "field": field, **more}


def shape(*columns, **more):
    return Profile.model_validate({"title": "t", "column": [*columns] or [column("zone"), column("run_time")], **more})


def rows(of, profile):
    tables, notes, problems = run_tables(of, profile)
    assert problems == []
    return [list(r) for t in tables for r in t.rows], [str(n) for n in notes]


def test_a_row_a_zone_with_all_that_is_told_of_it():
    wide = shape(
        *(column(f) for f in FIELDS if f not in ("depth", "volume", "text")),
        column("text", text="valve"), column("depth", unit="in", decimals=2), column("volume", unit="gal", decimals=0),
        column("depth", heading="mm", decimals=0), column("station"),
        time={"resolution": 6, "clock": "HH:MM:SS"}, station="{controller}.{station:02}",
    )  # fmt: skip
    found, notes = rows(ALL, wide)
    same = ["valve", 0.12, 333, 3]  # 3.04 mm, 1.26 m3
    night = "2026-07-14"
    assert found == [
        ["G1", "G1 by the old oak", "green", "box", "", night, 7.5, "21:05:00", "22:03:00", 1, 2, *same, "box.07"],
        ["G2", "G2 by the old oak", "green", "box", "", night, 6, "23:00:30", "23:06:30", 1, 1, *same, "box.03"],
        ["R1", "R1 by the old oak", "green", "hut", "", night, 0, "", "", 0, 0, *same, "hut.01"],
    ]
    assert notes == []


def test_cycles_are_rows_or_stand_side_by_side():
    each = shape(*(column(f) for f in ("zone", "start", "end", "cycle", "run_time")), cycles="rows")
    assert rows(ALL, each)[0] == [
        ["G1", "21:05", "21:09", 1, 4], ["G1", "22:00", "22:03", 2, 3], ["G2", "23:00", "23:06", 1, 6],
        ["R1", "", "", 0, 0],
    ]  # fmt: skip
    beside = shape(
        column("zone"), *(column(f, heading=f"{f} {n}", cycle=n) for n in (1, 2) for f in ("start", "run_time")),
        cycles="columns", time={"clock": "iso"},
    )  # fmt: skip
    assert rows(ALL, beside)[0] == [
        ["G1", "2026-07-14T21:05:00", 4, "2026-07-14T22:00:00", 3], ["G2", "2026-07-14T23:00:30", 6, "", 0],
        ["R1", "", 0, "", 0],
    ]  # fmt: skip
    two = plan(G1)
    assert run_tables(two, beside)[2] == []
    few = shape(column("zone"), column("run_time", cycle=1), cycles="columns")
    assert "runs in 2 cycles; the profile has columns for 1" in str(run_tables(two, few)[2][0])


def test_what_is_lost_by_rounding_is_told_once_with_the_most(caplog):
    profile = shape(column("zone"), column("run_time"), time={"resolution": 120}, cycles="rows")
    (table,), notes, _ = run_tables(ALL, profile)  # G1: 4.5 and 3 min are 4 and 2
    assert table.minutes == {"G1": 6.0, "G2": 6.0, "R1": 0.0}
    assert table.steps_lost == {"G1": 1.5, "G2": 0.0, "R1": 0.0}
    assert [str(n) for n in notes] == ["run-time table: 1 run time rounded down to the profile's step, by 90 s at most"]
    assert [n.kind for n in notes] == ["warning"]


def test_only_zones_that_run_and_a_table_for_each_controller():
    running = shape(file={"only_running": True})
    assert rows(ALL, running)[0] == [["G1", 7], ["G2", 6]]
    nobody = zone("X1", None, "", cycle(at(2), at(2, 1), 1.0))
    tables, _, _ = run_tables(plan(G1, R1, nobody, G2), shape(file={"one_per_controller": True}))
    assert [(t.controller, [r[0] for r in t.rows]) for t in tables] == [
        ("box", ["G1", "G2"]), ("hut", ["R1"]), ("", ["X1"]),
    ]  # fmt: skip


def test_what_programmes_hold_is_a_row_a_station_in_the_order_of_the_controller():
    held = controller(
        "box", ControllerKind.PROGRAMMES,
        programme(2, [station("G1", 4.0)], percent=90.0), programme(1, [station("G3", 5.0), station("G2", 0.0)],
                                                                    starts=(at(21), at(23, 15))),
    )  # fmt: skip
    own = controller("hut", ControllerKind.RUN_TIME_ONLY)
    r1 = zone("R1", "hut", "1", cycle(at(21), at(21, 4), 4.0), cycle(at(22), at(22, 3), 3.0))
    r2, free = zone("R2", "hut", "2"), zone("F1", "yard", "1", cycle(at(1), at(1, 5), 5.0))
    given = plan(free, r2, r1, G1, G2, zone("G3", "box", "4"), controllers=(held, own))
    fields = "zone programme order run_time cycle starts percent cycles".split()
    found, _ = rows(given, shape(*(column(f) for f in fields), cycles="each"))
    assert found == [
        ["G3", 1, 1, 5, 1, "21:00 23:15", 100, 0],
        ["G2", 1, 2, 0, 0, "21:00 23:15", 100, 1],
        ["G1", 2, 1, 4, 1, "", 90, 2],
        ["R2", "", "", 0, 0, "", "", 0],
        ["R1", "", "", 4, 1, "", "", 2],
    ]
    # As totals, stations of a controller that finds its own times are told without any.
    timed = shape(*(column(f) for f in ("zone", "start", "end", "run_time")))
    by_zone = {r[0]: r[1:] for r in rows(given, timed)[0]}
    assert (by_zone["R1"], by_zone["G2"]) == (["", "", 7], ["23:00", "23:06", 6])


@pytest.mark.parametrize(
    ("longest", "width", "told"),
    [(0, None, "G1 by the old oak"), (7, None, "G1 by t"), (9, 4, "G1 b"), (0, 17, "G1 by the old oak")],
)
def test_names_are_cut_to_the_shortest_that_is_allowed(longest, width, told):
    name = column("name") if width is None else column("name", width=width)
    profile = shape(column("zone"), name, column("run_time"), file={"longest_cell": longest}, time={"resolution": 30})
    found, notes = rows(plan(G1), profile)
    assert found[0][1] == told
    assert notes == ([] if told.endswith("oak") else ['run-time table: 1 cell of "name" cut to fit'])


def test_control_characters_in_names_become_spaces_and_long_numbers_are_refused():
    odd = zone("G1", "box", "7", minutes=1234.0)
    odd.name = "by\tthe\noak"
    wide = shape(column("zone"), column("name"), column("run_time"))
    found, notes = rows(plan(odd), wide)
    assert found == [["G1", "by the oak", 1234]] and len(notes) == 1
    narrow = shape(column("zone"), column("run_time", width=3, heading="run"))
    (problem,) = run_tables(plan(odd), narrow)[2]
    assert 'zone "G1": "1234" is longer than the 3 characters of "run"' in str(problem)


@pytest.mark.parametrize(("minutes", "fits"), [(15.0, True), (15.00001, True), (15.1, False)])
def test_a_run_may_be_as_long_as_the_largest(minutes, fits):
    problems = run_tables(plan(zone("G1", "box", "1", minutes=minutes)), shape(time={"largest_run": 15}))[2]
    assert [str(p).split(": ")[-1] for p in problems] == (
        [] if fits else ['zone "G1" runs 15.1 min; up to 15 min is allowed']
    )


@pytest.mark.parametrize(
    ("form", "minutes", "cell"),
    [
        ({}, 7.99, 7), ({}, 8.0 - 1e-8, 8), ({"resolution": 20}, 7.4, 7.3333), ({"resolution": 30}, 7.6, 7.5),
        ({"form": "seconds", "resolution": 5}, 1.2, 70), ({"form": "mm:ss", "resolution": 5}, 61.1, "61:05"),
        ({"form": "hh:mm"}, 605.9, "10:05"), ({"form": "hh:mm"}, 59.0, "0:59"),
        ({"form": "percent", "base": 8, "percent_step": 2.5}, 7.5, 92.5), ({"form": "percent", "base": 8}, 7.5, 93),
    ],
)  # fmt: skip
def test_a_run_time_as_it_is_written(form, minutes, cell):
    profile = shape(time=form).time
    assert encode_time(minutes, profile) == cell and isinstance(encode_time(minutes, profile), type(cell))
    assert decode_time(cell, profile) <= minutes + 1e-4


@pytest.mark.parametrize(
    ("cell", "form", "minutes"),
    [
        (" 7:30 ", {"form": "mm:ss"}, 7.5), ("2:05", {"form": "hh:mm"}, 125.0), ("90", {"form": "seconds"}, 1.5),
        ("50", {"form": "percent", "base": 12}, 6.0), ("7,5", {}, 7.5), (7.5, {}, 7.5), ("0", {}, 0.0),
        ("7:60", {"form": "mm:ss"}, None), ("-1", {}, None), ("", {}, None), ("1e3", {}, None),
    ],
)  # fmt: skip
def test_a_run_time_as_it_is_read(cell, form, minutes):
    profile = shape(time=form).time
    if minutes is None:
        with pytest.raises(ValueError, match="is allowed"):
            decode_time(cell, profile, ",")
    else:
        assert decode_time(cell, profile, ",") == minutes


@pytest.mark.parametrize(
    ("pattern", "address"),
    [
        ("{station}", "7"), ("{station:03}", "007"), ("{controller}-{zone}", "C2-G7"), ("{station:>3}", "  7"),
        ("{zone:03}", None), ("{zone:>4}", "  G7"), ("{station:d}", "7"), ("{controller:d}", None),
    ],
)  # fmt: skip
def test_an_address_by_its_pattern(pattern, address):
    if address is None:
        with pytest.raises(ValueError, match="needs a number for"):
            address_of("C2", "7", "G7", pattern)
    else:
        assert address_of("C2", "7", "G7", pattern) == address
    assert address_of(None, None, "G7", "{controller}{station}{zone}") == "G7"
    with pytest.raises(ValueError, match="does not fit the pattern"):
        address_of("C2", "7", "G7", "{station:q}")


def test_zones_that_cannot_be_told_apart_are_refused():
    by_station = shape(column("station"), column("run_time"))
    nameless, double = zone("G9", "box", ""), zone("G8", "hut", "7")
    texts = [str(p) for p in run_tables(plan(G1, nameless, double), by_station)[2]]
    assert len(texts) == 2
    assert "it has no station" in texts[0] and '"7" stands for 2 zones in the table' in texts[1]
    both = shape(column("zone"), column("station"), column("run_time"))
    assert run_tables(plan(G1, nameless, double), both)[2] == []
    (_, first), *_ = [(t, [r[0] for r in t.rows]) for t in run_tables(plan(nameless, G2), by_station)[0]]
    assert first == ["3"]
    fixed = shape(column("zone", width=9), column("run_time", width=9), file={"format": "fixed_width"})
    texts = [str(p) for p in run_tables(plan(zone(" G1", "box", "1"), zone("G 2", "box", "2")), fixed)[2]]
    assert len(texts) == 1 and "begins or ends with a space" in texts[0]
    hidden = zone("G1", "bo\x07x", "1")
    assert "control character" in str(
        run_tables(plan(hidden), shape(column("zone"), column("station"), column("run_time"),
                                       station="{controller}"))[2][0]
    )  # fmt: skip


TWO = [column("zone", width=5), column("run_time", width=9, align="right")]
ROWS = [("G1", 7.5), ("=A1", 3)]


@pytest.mark.parametrize(
    ("file", "label", "text"),
    [
        ({}, "", "zone,run_time\nG1,7.5\n'=A1,3\n"),
        ({}, "scaled", "# scaled\nzone,run_time\nG1,7.5\n'=A1,3\n"),
        ({"label_line": False}, "scaled", "zone,run_time\nG1,7.5\n'=A1,3\n"),
        ({"guard_formulas": False, "header": False}, "", "G1,7.5\n=A1,3\n"),
        ({"delimiter": ";", "decimal": ",", "line_end": "crlf"}, "x", "# x\r\nzone;run_time\r\nG1;7,5\r\n'=A1;3\r\n"),
        ({"byte_order_mark": True, "header": False}, "", "\ufeffG1,7.5\n'=A1,3\n"),
        ({"format": "fixed_width"}, "", "zone  run_time\nG1         7.5\n=A1          3\n"),
        ({"format": "fixed_width", "line_end": "crlf"}, "x",
         "# x\r\nzone  run_time\r\nG1         7.5\r\n=A1          3\r\n"),
        ({"format": "json"}, "x",
         '[\n {\n  "zone": "G1",\n  "run_time": 7.5\n },\n {\n  "zone": "=A1",\n  "run_time": 3\n }\n]\n'),
    ],
)  # fmt: skip
def test_the_bytes_of_a_table_and_back(file, label, text):
    profile = shape(*TWO, file=file)
    data = to_bytes(ROWS, profile, label)
    assert data.decode("utf-8") == text
    back = from_bytes(data, profile, ["other", label])
    assert [(r[0], float(str(r[1]).replace(",", "."))) for r in back] == [("G1", 7.5), ("=A1", 3.0)]


@pytest.mark.parametrize("header", [True, False])
def test_a_workbook_holds_label_heading_and_texts_as_texts(tmp_path, header):
    profile = shape(*TWO, file={"format": "xlsx", "header": header})
    (tmp_path / "x.xlsx").write_bytes(to_bytes(ROWS, profile, "scaled"))
    cells = list(openpyxl.load_workbook(tmp_path / "x.xlsx").active.iter_rows(values_only=True))
    head = [("zone", "run_time")] if header else []
    assert cells == [("# scaled", None), *head, ("G1", 7.5), ("=A1", 3)]
    assert from_bytes((tmp_path / "x.xlsx").read_bytes(), profile, ["scaled"]) == ROWS


@pytest.mark.parametrize("kind", ["csv", "json", "fixed_width", "xlsx"])
def test_a_zone_that_is_called_like_a_label_begins_is_a_row(kind):
    profile = shape(*TWO, file={"format": kind, "header": False})
    assert [r[0] for r in from_bytes(to_bytes([("# 1", 7.5), ("#", 3)], profile), profile, ["scaled"])] == ["# 1", "#"]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("zone,run_time\nG1\n", "line 2 has 1 cells; 2 are allowed"),
        ("zone,run_time\nG1,1\nG2,2,3\n", "line 3 has 3 cells"),
        ("zone,run\nG1,1\n", "the header is"),
        ("", "the header is missing"),
    ],
)
def test_a_table_of_another_shape_is_refused_with_its_line(text, why):
    with pytest.raises(ValueError, match=why):
        from_bytes(text.encode(), shape(*TWO))
    with pytest.raises(ValueError, match="line 1 has 1 cells"):
        from_bytes(b"G1\n", shape(*TWO, file={"header": False}))


def test_files_are_named_by_controller_and_two_of_one_name_are_refused(tmp_path):
    profile = shape(file={"one_per_controller": True, "stem": "runs"})
    odd = zone("X1", "..", "1", cycle(at(2), at(2, 1), 1.0))
    paths = write_run_times(plan(G1, odd), profile, tmp_path)
    assert [p.name for p in paths] == ["runs-box.csv", "runs-unnamed.csv"]
    assert paths[0].read_text() == "zone,run_time\nG1,7\n"
    with pytest.raises(InputProblems, match='share the file "runs-BOX.csv"'):
        write_run_times(plan(G1, zone("X1", "BOX", "1")), profile, tmp_path)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A site folder in which the plans of two nights stand."""
    place = tmp_path_factory.mktemp("stands")
    for night in ("2026-07-13", "2026-07-14"):
        told = sample_plan(zones=4)
        (place / "out" / night).mkdir(parents=True)
        (place / "out" / night / "plan.json").write_text(json.dumps(told))
    return place


def test_a_plan_is_written_again_beside_it_under_the_name_of_its_profile(folder, tmp_path):
    night = sample_plan(zones=4)["night"]
    (file,) = export_plan(folder, None, "", None)
    assert file == folder / "out" / night / "plain" / "run-times.csv"
    own = tmp_path / "own.toml"
    own.write_text(
        'title = "t"\n[[column]]\nheading = "z"\nfield = "zone"\n[[column]]\nheading = "m"\nfield = "run_time"\n'
    )
    (file, sheet) = export_plan(folder, None, str(own), None, keypad=True)
    assert file.parent == sheet.parent == folder / "out" / night / "own" and sheet.name == "keypad.html"
    assert file.read_text().startswith("z,m\n")
    (file,) = export_plan(folder, None, str(own), tmp_path / "there")
    assert file == tmp_path / "there" / "run-times.csv"
    with pytest.raises(InputProblems, match='allowed: .*"plain".*did you mean "plain"'):
        export_plan(folder, None, "plane", None)


def test_the_plan_of_a_night_or_of_the_newest(folder, tmp_path):
    assert standing_plan(folder, date(2026, 7, 13)) == standing_plan(folder)
    with pytest.raises(InputProblems, match="no plan of this night stands; the newest is of 2026-07-14"):
        standing_plan(folder, date(2026, 7, 12))
    with pytest.raises(InputProblems, match="no plan stands here yet"):
        standing_plan(tmp_path)
    (tmp_path / "out" / "2026-07-14").mkdir(parents=True)
    file = tmp_path / "out" / "2026-07-14" / "plan.json"
    file.write_text("no plan")
    with pytest.raises(InputProblems, match="out/2026-07-14/plan.json"):
        standing_plan(tmp_path, date(2026, 7, 14))
    told = sample_plan(zones=12)
    for one in told["zones"]:
        one["minutes"] += 1.0  # no more what its cycles add up to
    file.write_text(json.dumps(told))
    with pytest.raises(InputProblems) as caught:
        standing_plan(tmp_path, date(2026, 7, 14))
    assert len(caught.value.problems) == 5


TWO_CYCLES = [column("zone"), column("run_time", heading="a", cycle=1), column("run_time", heading="b", cycle=2)]


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"time": {"form": "minutes", "base": 8}}, "base is only for form percent"),
        ({"time": {"form": "seconds", "resolution": 0.5}}, "whole seconds"),
        ({"time": {"form": "mm:ss", "resolution": 1.5}}, "whole seconds"),
        ({"time": {"form": "minutes", "resolution": 0.5}}, None),
        ({"time": {"form": "hh:mm", "resolution": 120}}, None),
        ({"column": [column("zone"), column("run_time"), column("name", unit="mm")]},
         "allowed for this field: no unit"),
        ({"column": [column("zone"), column("run_time"), column("volume", unit="gal")]}, None),
        ({"column": [column("zone"), column("run_time"), column("name", cycle=1)]}, "cycle is only for"),
        ({"column": [column("zone"), column("run_time"), column("start", cycle=1)]}, 'needs cycles = "columns"'),
        ({"column": TWO_CYCLES, "cycles": "columns"}, None),
        ({"column": [*TWO_CYCLES[:2], {**TWO_CYCLES[2], "cycle": 3}], "cycles": "columns"}, "each once"),
        ({"column": [column("zone"), column("run_time"), TWO_CYCLES[1]], "cycles": "columns"}, "each once"),
        ({"column": [column("zone")], "cycles": "columns"}, "each once"),
        ({"column": TWO_CYCLES}, "exactly one column with field run_time and no cycle"),
        ({"file": {"format": "json", "delimiter": ",", "decimal": ","}}, None),
        ({"file": {"format": "fixed_width"}, "column": [column("zone", width=3), column("run_time", width=8)]},
         "wider than its column"),
        ({"file": {"format": "fixed_width"}, "column": [column("zone", width=4), column("run_time", width=8)]}, None),
        ({"file": {"format": "fixed_width", "header": False},
          "column": [column("zone", width=3), column("run_time", width=8)]}, None),
        ({"station": "{station!r}"}, "allowed inside braces"),
        ({"station": "{zone}-x"}, None),
    ],
)  # fmt: skip
def test_what_a_profile_may_say(change, why):
    told = {"title": "t", "column": [column("zone"), column("run_time")], **change}
    if why is None:
        assert Profile.model_validate(told)
    else:
        with pytest.raises(ValueError, match=why):
            Profile.model_validate(told)
    assert shape(time={"form": "percent", "base": 8, "percent_step": 5}).time.step == 0.4


def test_what_is_held_of_a_zone_is_its_programme_s_or_its_longest_cycle():
    own = controller("box", ControllerKind.RUN_TIME_ONLY)
    other = controller("hut", ControllerKind.PROGRAMMES, programme(3, (station("G2", 5.0), station("R1", 2.5)),
                                                                 (at(21, 5), at(23)), 80.0))  # fmt: skip
    found = held_by_zone(plan(G1, replace_controller(G2, "hut"), R1, controllers=(own, other)))
    assert found == {
        "G1": Held(0, 0, 4.5, (), 2, 100.0), "G2": Held(3, 1, 5.0, ("21:05", "23:00"), 2, 80.0),
        "R1": Held(3, 2, 2.5, ("21:05", "23:00"), 2, 80.0),
    }  # fmt: skip
    assert held_by_zone(ALL) == {}


def replace_controller(of, name):
    return SimpleNamespace(**(vars(of) | {"controller": name}))


def test_a_profile_s_path_counts_from_the_site_or_from_where_we_stand(tmp_path, monkeypatch):
    text = 'label = "x"\n'
    (tmp_path / "own.toml").write_text(text)
    monkeypatch.chdir(tmp_path)
    for folder in (None, tmp_path):
        with pytest.raises(InputProblems) as refused:
            load_profile("own.toml", folder)
        assert "no such file" not in str(refused.value).lower() and "own.toml" in str(refused.value)
