import copy
import csv
import io
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.document.reading import document_of
from scheduler.errors import InputProblems
from scheduler.export import Profile, load_profile, read_back, run_tables, shipped_profiles, write_run_times
from scheduler.export.formats import from_bytes, to_bytes
from scheduler.export.table import decode_time, encode_time
from tests.drawn import examples
from tests.scheduler.sample_plan import sample_plan

PLAN = sample_plan(zones=40)
RUN = {"heading": "run", "field": "run_time"}
ZONE = {"heading": "zone", "field": "zone"}


def profile(**changes):
    return Profile.model_validate({"title": "t", "column": [ZONE, RUN], **changes})


def planned(plan=PLAN, only_running=False):
    return {z["id"]: z["minutes"] for z in plan["zones"] if z["minutes"] > 0 or not only_running}


def test_the_default_is_there_and_more():
    assert "plain" in shipped_profiles()
    assert len(shipped_profiles()) == 7


@pytest.mark.parametrize("name", [n for n in shipped_profiles() if load_profile(n).cycles != "each"])
def test_shipped_profiles_come_back_as_planned(name, tmp_path):
    shape = load_profile(name)
    back = read_back(write_run_times(document_of(PLAN), shape, tmp_path), shape)
    assert back == pytest.approx(planned(only_running=shape.file.only_running), abs=shape.time.step)
    assert run_tables(document_of(PLAN), shape)[1] == []


def test_the_plain_table_is_station_zone_minutes(tmp_path):
    (path,) = write_run_times(document_of(PLAN), load_profile("plain"), tmp_path)
    assert path.name == "run-times.csv"
    rows = list(csv.reader(path.open(newline="")))
    zone = PLAN["zones"][0]
    assert rows[0] == ["station", "zone", "minutes"]
    assert rows[1] == [zone["station"], zone["id"], f"{zone['minutes']:g}"]
    assert len(rows) == 41


TIMES = {
    "minutes": {"form": "minutes", "resolution": 6},
    "seconds": {"form": "seconds", "resolution": 1},
    "mm:ss": {"form": "mm:ss", "resolution": 10},
    "hh:mm": {"form": "hh:mm", "resolution": 60},
    "percent": {"form": "percent", "base": 8, "percent_step": 0.5},
}


@pytest.mark.parametrize("form", TIMES)
@given(minutes=st.floats(0, 600))
def test_a_time_comes_back_within_its_step_and_never_longer(form, minutes):
    shape = profile(time=TIMES[form]).time
    back = decode_time(encode_time(minutes, shape), shape)
    assert back <= minutes + shape.step * 1e-6 + 1e-4
    assert minutes - back < shape.step + 1e-4  # 1e-4 min: minutes are written to 4 decimals


WORDS = st.text(st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"]), min_size=1, max_size=12)


@pytest.mark.parametrize("kind", ["csv", "json", "fixed_width", "xlsx"])
@examples(40)
@given(ids=st.lists(WORDS, min_size=1, max_size=6, unique=True), data=st.data())
def test_any_zone_name_round_trips(kind, ids, data, tmp_path_factory):
    if kind == "xlsx":
        pytest.importorskip("openpyxl")
        ids = [i for i in ids if i.isascii()]
    if kind == "fixed_width":
        ids = [i for i in ids if i == i.strip()]
    plan = {**PLAN, "zones": [dict(z, id=i) for i, z in zip(ids, PLAN["zones"], strict=False)]}
    delimiter, decimal = data.draw(st.sampled_from([(",", "."), (";", ","), ("\t", "."), ("|", ",")]))
    file = {"format": kind, "delimiter": delimiter, "decimal": decimal}
    file |= {"header": data.draw(st.booleans()), "byte_order_mark": data.draw(st.booleans())}
    file |= {"line_end": data.draw(st.sampled_from(["lf", "crlf"]))}
    shape = profile(file=file, time={"resolution": 6}, column=[{**ZONE, "width": 20}, {**RUN, "width": 8}])
    folder = tmp_path_factory.mktemp("x")
    assert read_back(write_run_times(document_of(plan), shape, folder), shape) == pytest.approx(planned(plan), abs=0.1)


@pytest.mark.parametrize("name", ['=HYPERLINK("x")', "+1", "-1", "@SUM(A1)", "'quoted", "plain"])
def test_no_spreadsheet_formula_gets_through(name):
    shape = profile()
    data = to_bytes([(name, 5)], shape)
    cell = list(csv.reader(io.StringIO(data.decode())))[1][0]
    assert not cell.startswith(("=", "+", "-", "@"))
    assert from_bytes(data, shape) == [(name, "5")]


def test_xlsx_keeps_a_formula_as_text(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    shape = profile(file={"format": "xlsx"})
    (tmp_path / "x.xlsx").write_bytes(to_bytes([("=1+1", 5)], shape))
    cell = openpyxl.load_workbook(tmp_path / "x.xlsx").active["A2"]
    assert (cell.value, cell.data_type) == ("=1+1", "s")


def test_cycles_as_rows_and_as_columns(tmp_path):
    zone = next(z for z in PLAN["zones"] if len(z["cycles"]) == 2)
    rows = profile(cycles="rows", column=[ZONE, {"heading": "at", "field": "start"}, RUN])
    (path,) = write_run_times(document_of(PLAN), rows, tmp_path)
    own = [r[1:] for r in csv.reader(path.open(newline="")) if r[0] == zone["id"]]
    assert own == [[c["start"][11:16], f"{c['minutes'] // 1:g}"] for c in zone["cycles"]]
    two = [ZONE, *({"heading": f"run {n}", "field": "run_time", "cycle": n} for n in (1, 2))]
    columns = profile(cycles="columns", time={"resolution": 1}, column=two)
    paths = write_run_times(document_of(PLAN), columns, tmp_path)
    assert read_back(paths, columns) == pytest.approx(planned(), abs=1e-3)
    with pytest.raises(InputProblems, match="runs in 2 cycles; the profile has columns for 1"):
        write_run_times(document_of(PLAN), profile(cycles="columns", column=two[:2]), tmp_path)


def test_one_file_per_controller_holds_only_its_own(tmp_path):
    plan = sample_plan(zones=100)
    shape = profile(file={"format": "json", "one_per_controller": True})
    paths = write_run_times(document_of(plan), shape, tmp_path)
    assert [p.name for p in paths] == ["run-times-house_1.json", "run-times-house_2.json"]
    own = {z["id"] for z in plan["zones"] if z["controller"] == "house 2"}
    assert {r["zone"] for r in json.loads(paths[1].read_text())} == own
    spoiled = copy.deepcopy(plan)
    spoiled["zones"][0]["controller"] = "HOUSE?2"
    with pytest.raises(InputProblems, match="two controllers would share the file"):
        write_run_times(document_of(spoiled), shape, tmp_path)


def test_addresses_follow_the_pattern(tmp_path):
    columns = [{"heading": "a", "field": "station"}, RUN]
    shape = profile(station="{controller}/{station:03}", column=columns)
    (path,) = write_run_times(document_of(PLAN), shape, tmp_path)
    assert "house 1/007" in read_back(path, shape)
    spoiled = copy.deepcopy(PLAN)
    spoiled["zones"][3]["station"] = "A7"
    spoiled["zones"][5]["station"] = "2"
    with pytest.raises(InputProblems, match='its station is "A7"; the pattern .* needs a number') as caught:
        write_run_times(document_of(spoiled), shape, tmp_path)
    assert "stands for 2 zones" in str(caught.value)


def test_rounding_down_and_cutting_leave_notes():
    plan = copy.deepcopy(PLAN)
    zone = next(z for z in plan["zones"] if z["minutes"] > 0)
    zone["minutes"] = 10.75
    name = {"heading": "name", "field": "name"}
    _, notes, _ = run_tables(document_of(plan), profile(column=[ZONE, name, RUN], file={"longest_cell": 6}))
    long = sum(len(z["name"]) > 6 for z in plan["zones"])
    assert long > 0
    assert [str(n) for n in notes] == [
        "run-time table: 1 run time rounded down to the profile's step, by 45 s at most",
        f'run-time table: {long} cells of "name" cut to fit',
    ]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"colour": "red"}, "Extra inputs are not permitted"),
        ({"column": [ZONE]}, "exactly one column with field run_time"),
        ({"column": [RUN]}, "zone or station is needed"),
        ({"column": [ZONE, RUN, {**RUN, "heading": "zone", "field": "name"}]}, 'heading "zone" is there twice'),
        ({"station": "{pump}"}, "allowed inside braces"),
        ({"station": "{station.__class__}"}, "allowed inside braces"),
        ({"station": "{station"}, "not a pattern"),
        ({"time": {"form": "percent"}}, "percent needs base"),
        ({"time": {"form": "hh:mm", "resolution": 30}}, "whole minutes"),
        ({"file": {"format": "fixed_width"}}, "needs a width"),
        ({"file": {"decimal": ","}}, "delimiter and decimal must differ"),
        ({"file": {"stem": "../x"}}, "should match pattern"),
        ({"column": [ZONE, RUN, {"heading": "d", "field": "depth", "unit": "gal"}]}, '"mm", "in"'),
        ({"cycles": "columns"}, "cycle = 1, 2, 3"),
    ],
)
def test_faulty_profiles_are_refused(change, message):
    with pytest.raises(ValueError, match=message):
        profile(**change)


def test_a_faulty_file_is_named(tmp_path):
    (tmp_path / "ours.toml").write_text('title = "x"\nspeed = 3\n[[column]]\nheading = "z"\nfield = "zon"\n')
    with pytest.raises(InputProblems, match=r'ours.toml, key "speed"') as caught:
        load_profile("ours.toml", tmp_path)
    assert len(caught.value.problems) == 2
    with pytest.raises(InputProblems, match='read "other"; allowed: "even_columns"'):
        load_profile("other")
    with pytest.raises(InputProblems, match="cannot be read"):
        load_profile("gone.toml", tmp_path)
    (tmp_path / "no.toml").write_text("= 1")
    with pytest.raises(InputProblems, match="not TOML"):
        load_profile("no.toml", tmp_path)


def test_nothing_is_written_when_it_does_not_fit(tmp_path):
    (tmp_path / "run-times.csv").write_text("the last good table")
    with pytest.raises(InputProblems, match="up to 15 min is allowed"):
        write_run_times(document_of(PLAN), profile(time={"largest_run": 15}), tmp_path)
    with pytest.raises(InputProblems, match="is longer than the 2 characters"):
        write_run_times(document_of(PLAN), profile(file={"longest_cell": 2}), tmp_path)
    spoiled = copy.deepcopy(PLAN)
    spoiled["zones"][0]["id"] = "a\nb"
    with pytest.raises(InputProblems, match="control character"):
        write_run_times(document_of(spoiled), profile(), tmp_path)
    assert (tmp_path / "run-times.csv").read_text() == "the last good table"


def test_a_table_of_another_shape_is_refused(tmp_path):
    (path,) = write_run_times(document_of(PLAN), profile(), tmp_path)
    with pytest.raises(InputProblems, match="not a table of this profile: the header is"):
        read_back(path, load_profile("plain"))
    path.write_text("zone,run\nG1,soon\n")
    with pytest.raises(InputProblems, match='read "soon"; a number of 0 or more is allowed'):
        read_back(path, profile())
