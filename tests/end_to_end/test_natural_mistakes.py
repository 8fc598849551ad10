"""What a newcomer does wrong on the first day, each through the command line: the answer says what to type.

Every row is one mistake made in a new site: how it is made, the exit code of `evenfall check`, and words that must
stand in what it prints. What is plainly meant is read (code 0) and said; what cannot be is refused (code 3), once.
"""

import re
import shutil
from datetime import date

import pytest
from typer.testing import CliRunner

from scheduler.cli import app
from scheduler.errors import BAD_INPUT, OK
from scheduler.starter import answered, write_starter


def change(file, before, after, count=1):
    """Replace text in a file."""

    def make(folder):
        path = folder / file
        text = path.read_text(encoding="utf-8")
        assert before in text, f"{file} has no {before!r}"
        path.write_text(text.replace(before, after, count), encoding="utf-8")

    return make


def match(file, pattern, put):
    """Replace what matches in a file, everywhere."""

    def make(folder):
        path = folder / file
        text, changed = re.subn(pattern, put, path.read_text(encoding="utf-8"))
        assert changed, f"{file} has no {pattern!r}"
        path.write_text(text, encoding="utf-8")

    return make


def both(*makers):
    def make(folder):
        for maker in makers:
            maker(folder)

    return make


def column(file, name, of, header=None):
    """Change every value of a column of numbers."""

    def make(folder):
        path = folder / file
        rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
        at = next(i for i, cell in enumerate(rows[0]) if cell.split(" [")[0] == name)
        rows[0][at] = name if header is None else header
        for row in rows[1:]:
            row[at] = row[at] and f"{of(float(row[at])):.6g}"
        path.write_text("\n".join(",".join(row) for row in rows) + "\n", encoding="utf-8")

    return make


def same(value):
    return value


MISTAKES = {
    "temperatures in degF without a unit": (
        both(column("weather.csv", "tmin", same), column("weather.csv", "tmax", same)), BAD_INPUT,
        'column "tmax": the header names no unit and degC is meant, but its 45 values run from 88 to 102, as in '
        'degF; write '
        'the header as "tmax [degF]"',
    ),
    "mild temperatures in degF without a unit": (
        both(column("weather.csv", "tmin", lambda v: v - 45), column("weather.csv", "tmax", lambda v: v - 52)), OK,
        'if tmin and tmax are in degF, write the headers as "tmin [degF]" and "tmax [degF]"',
    ),
    "rain in inches without a unit": (
        both(column("weather.csv", "rain", same),
             match("weather.csv", r"(?m),([\d.]+)$", lambda m: f",{0.01 * (m.start() % 7):.2f}")), OK,
        'if rain is in inches, write the header as "rain [in]"',
    ),
    "sun in W/m2 without a unit": (
        column("weather.csv", "solar", lambda v: v * 11.574), BAD_INPUT, 'write the header as "solar [W/m2]"'
    ),
    "wind in km/h without a unit": (
        column("weather.csv", "wind", lambda v: v * 3.2), OK,
        'if wind is in km/h or mph, write the header as "wind [km/h]"'
    ),
    "moisture in percent": (
        column("probes.csv", "moisture", lambda v: 100 * v), OK,
        'the column "moisture" is in percent; it is read so. Write "moisture [%]" to say it',
    ),
    "EC of probes in uS/cm": (
        column("probes.csv", "ec", lambda v: 1000 * v), BAD_INPUT, 'write the header as "ec [uS/cm]"'
    ),
    "soil temperatures in degF": (
        column("probes.csv", "temperature", lambda v: 1.8 * v + 32), BAD_INPUT, '"temperature [degF]"'
    ),
    "uniformity in percent": (
        column("zones.csv", "du_lq", lambda v: 100 * v), OK, 'the column "du_lq" is in percent; it is read so'
    ),
    "chance of rain in percent": (
        column("forecast.csv", "rain_probability", lambda v: 100 * v), OK,
        '"rain_probability" is in percent; it is read so'
    ),
    "flows in gal/min as if in L/s": (
        column("zones.csv", "flow", same), BAD_INPUT,
        'column "flow": the header names no unit and L/s is meant, but its 12 values run from 17 to 90, as in '
        'gal/min; write '
        'the header as "flow [gal/min]"',
    ),
    "areas in ft2 as if in m2": (column("zones.csv", "area", same), BAD_INPUT, 'write the header as "area [ft2]"'),
    "roots in mm as if in cm": (
        column("zones.csv", "root_depth", lambda v: 25 * v), BAD_INPUT, 'write the header as "root_depth [mm]"'
    ),
    "rates in in/h as if in mm/h": (
        column("zones.csv", "flow", lambda v: 0.5 + v / 1000, "application_rate"), BAD_INPUT,
        '"application_rate [in/h]"'
    ),
    "a date of the United States": (
        match("weather.csv", r"(?m)^2026-0(\d)-(\d\d)", r"\1/\2/2026"), BAD_INPUT,
        'dates like "5/31/2026" are written 2026-05-31 here; in a spreadsheet, give the cells the format yyyy-mm-dd',
    ),
    "a date of Europe": (
        match("applied.csv", r"(?m)^2026-(\d\d)-(\d\d)", r"\2.\1.2026"), BAD_INPUT,
        'dates like "30.06.2026" are written 2026-06-30 here',
    ),
    "times of a logger": (
        match("probes.csv", r"(?m)^2026-0(\d)-(\d\d)T", r"\1/\2/2026 "), BAD_INPUT, "the format yyyy-mm-dd hh:mm"
    ),
    "the west's sign forgotten": (
        change("site.toml", "longitude = -121.7", "longitude = 121.7"), OK, "west is negative: is -121.7 meant?"
    ),
    "latitude and longitude swapped": (
        both(change("site.toml", "latitude = 38.5", "latitude = -121.7"),
             change("site.toml", "longitude = -121.7", "longitude = 38.5")), BAD_INPUT,
        "they may be swapped: write latitude = 38.5 and longitude = -121.7",
    ),
    "a time zone by its letters": (
        change("site.toml", "America/Los_Angeles", "PST"), BAD_INPUT,
        'read "PST"; a name like "America/Los_Angeles" or "Europe/Madrid" is allowed; at its latitude and '
        'longitude that may '
        'be "America/Los_Angeles"',
    ),
    "a clock of twelve hours": (
        change("site.toml", 'opens = "21:00"', 'opens = "9:30 pm"'), BAD_INPUT,
        'a time of 24 hours is allowed: write "21:30"'
    ),
    "a clock without quotes": (
        change("site.toml", 'opens = "21:00"', "opens = 21:00"), BAD_INPUT,
        "line 21: read \"opens = 21:00\"; this is not TOML"
    ),
    "a name without quotes": (
        change("site.toml", 'name = "New site"', "name = New site"), BAD_INPUT, "texts stand in quotes"
    ),
    "opening and closing swapped": (
        both(change("site.toml", 'opens = "21:00"', 'opens = "05:30"'),
             change("site.toml", 'closes = "05:30"', 'closes = "21:00"')), OK,
        'the window lets water run by day, 05:30 to 21:00; if opens and closes are swapped, write opens = "21:00"',
    ),
    "a pump in gal/min as if in L/s": (
        match("site.toml", r'(?m)^capacity = "(\d+) gal/min"', r"capacity = \1"), OK, 'write capacity = "130 gal/min"'
    ),
    "an efficiency in percent": (
        change("site.toml", "efficiency = 0.70", "efficiency = 70"), BAD_INPUT,
        "a number above 0, at most 1, is allowed"
    ),
    "acre feet as if m3": (
        match("site.toml", r'(volume|used_before) = "([\d.]+) acre_ft"', r"\1 = \2"), OK, 'write volume = "17 acre_ft"'
    ),
    "last year's season": (
        both(change("site.toml", "starts = 2026-", "starts = 2025-"),
             change("site.toml", "ends = 2026-", "ends = 2025-")), OK,
        "the season of the allocation ended on 2025-12-31, and the newest data is of 2026-07-14",
    ),
    "a season that ends before it starts": (
        both(change("site.toml", "starts = 2026-01-01", "starts = 2026-10-31"),
             change("site.toml", "ends = 2026-12-31", "ends = 2026-04-01")), BAD_INPUT,
        "a date not before the start, 2026-10-31, is allowed",
    ),
    "imperial units": (
        change("site.toml", 'units = "us"', 'units = "imperial"'), BAD_INPUT, 'read "imperial"; allowed: "us", "metric"'
    ),
    "a key misspelt": (change("site.toml", "capacity =", "capacty ="), BAD_INPUT, 'did you mean "capacity"?'),
    "an address that stands twice": (
        change("zones.csv", ",A,2,", ",A,1,"), BAD_INPUT,
        "an address stands once on a controller; line 2 (G1) has it already"
    ),
    "a zone that stands twice": (
        change("zones.csv", "\nG2,", "\nG1,"), BAD_INPUT, "a zone stands once; line 2 has it already",
    ),
    "surfaces in the plural, with capitals": (change("zones.csv", ",green,", ",Greens,", 9), OK, "green        4"),
    "a surface of another trade": (
        change("zones.csv", ",rough,", ",lawn,"), BAD_INPUT, 'read "lawn"; allowed: "green", "tee", "fairway"'
    ),
    "grasses by their short names": (
        change("zones.csv", "creeping_bentgrass:0.8|annual_bluegrass:0.2", "bent/poa"), BAD_INPUT,
        'read "bent/poa"; write "creeping_bentgrass:0.5|annual_bluegrass:0.5", with the shares of each',
    ),
    "a header misspelt": (
        change("zones.csv", "zone,name", "zones,name"), BAD_INPUT, 'write "zone" in place of "zones"',
    ),
    "thousands separated": (
        change("zones.csv", ",5400,", ',"5,400",'), BAD_INPUT, 'read "5,400"; a number above 0 is allowed'
    ),
    "a comma in a name": (
        change("zones.csv", "Green 1", "Green 1, back"), BAD_INPUT,
        "a text or number that holds a comma must stand in quotes"
    ),
    "a probe's zone misspelt": (change("probe_sites.csv", ",R1,", ",R11,"), BAD_INPUT, 'did you mean "R1"?'),
    "a probe nobody placed": (
        change("probe_sites.csv", "P2,", "P9,"), OK,
        'readings of probes that probe_sites.csv does not have set aside: "P2"'
    ),
    "an event of its own": (
        change("calendar.csv", "tournament", "closed"), BAD_INPUT, 'read "closed"; allowed: "tournament", "no_water"'
    ),
    "last month's forecast": (
        match("forecast.csv", "2026-07-", "2026-06-"), OK,
        "the newest forecast was issued on 2026-06-14, 30 days before"
    ),
    "a workbook named .csv": (
        lambda folder: (folder / "weather.csv").write_bytes(b"PK\x03\x04\xff\xfe" + bytes(200)), BAD_INPUT,
        "this is a workbook, not a CSV; open it in a spreadsheet and save it as CSV UTF-8",
    ),
    "an empty file": (lambda folder: (folder / "weather.csv").write_text(""), BAD_INPUT, "a header row is needed"),
    "the folder above": (lambda folder: [f.unlink() for f in folder.iterdir()], BAD_INPUT, "site.toml"),
}  # fmt: skip


@pytest.fixture(scope="module")
def fresh(tmp_path_factory):
    folder = tmp_path_factory.mktemp("first") / "day"
    write_starter(folder, date(2026, 7, 14), answered("New site", elevation="66 ft"))
    return folder


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_natural_mistake_is_answered_with_what_to_type(fresh, tmp_path, mistake):
    make, code, words = MISTAKES[mistake]
    folder = tmp_path / "site"
    shutil.copytree(fresh, folder)
    make(folder)
    told = CliRunner().invoke(app, ["check", str(folder)], env={"COLUMNS": "4000"})
    assert told.exit_code == code, told.output
    assert words in told.output
    assert told.exception is None or isinstance(told.exception, SystemExit)
    problems = re.search(r"(\d+) problems?\. ", told.output)
    assert (problems is None) if code == OK else int(problems[1]) <= 3  # one fault is said once, not in every row


def test_the_site_they_are_made_in_is_clean(fresh):
    told = CliRunner().invoke(app, ["check", str(fresh)])
    assert told.exit_code == OK and "warning" not in told.output and "note" not in told.output


@pytest.mark.parametrize("mistake", ["areas in ft2 as if in m2", "EC of probes in uS/cm", "roots in mm as if in cm"])
def test_a_unit_that_is_named_ends_the_doubt(fresh, tmp_path, mistake):
    make, _, words = MISTAKES[mistake]
    folder = tmp_path / "site"
    shutil.copytree(fresh, folder)
    make(folder)
    name = re.search(r'"(\w+) \[', words)[1]
    unit = {"area": "m2", "ec": "uS/cm", "root_depth": "mm"}[name]
    file = "probes.csv" if name == "ec" else "zones.csv"
    match(file, rf"(?m)^(.*,){name},", rf"\g<1>{name} [{unit}],")(folder)
    told = CliRunner().invoke(app, ["check", str(folder)], env={"COLUMNS": "4000"})
    assert told.exit_code == OK and "the header names no unit" not in told.output
