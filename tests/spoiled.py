"""A sound site folder and a list of ways to spoil it, each with a name and what must become of it.

`REFUSED` kinds can only be a mistake: `evenfall tonight` must name the place and plan nothing. `EITHER` kinds may be
read in good sense (a file fewer, another order of rows, a value that is odd but possible).
"""

from __future__ import annotations

import json
import random
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from typer.testing import CliRunner

from scheduler.cli import app
from scheduler.document.reading import document_of
from scheduler.document.rules import plan_faults
from scheduler.errors import BAD_INPUT, NO_PLAN, OK
from tests.sites import make_site

NIGHT = "2026-07-14"
FOLLOWS = {"site.toml": "site.toml|zones.csv", "zones.csv": "zones.csv|calendar.csv"}  # a name gone is missed elsewhere
EXTRA = """
[[window.by_day]]
day = "Friday"
opens = "22:00"
closes = "04:30"

[allocation]
starts = 2026-04-01
ends = 2026-10-31
volume = 9000
used_before = 3000

[[restriction]]
nights_allowed = ["Monday", "Tuesday", "Thursday", "Sunday"]
surfaces = ["rough"]
from = 2026-06-01
until = 2026-09-30

[surface.green]
priority = 1
firmness_limit = 0.9
"""
TABLES = {
    "calendar.csv": "from,until,surface,zone,event,note\n2026-07-18,2026-07-19,green,,tournament,cup\n"
    "2026-07-16,2026-07-16,,Z0002,no_water,repair\n",
    "samples.csv": "date,zone,depth,ece\n2026-06-20,Z0001,10,1.9\n",
}
Spoil = Callable[[Path, random.Random], None]


@dataclass(frozen=True)
class Kind:
    """One way to spoil a site: its name, the file in which the fault lies, what it does, whether it must be refused."""

    name: str
    file: str
    spoil: Spoil
    refused: bool


def sound_site(folder: Path, **options: object) -> Path:
    """Write a small site with every file and most tables of site.toml."""
    chosen = {"zones": 6, "nights": 2, "season_days": 8, "probe_days": 3, "applied_nights": 5, "water_ec": 0.3}
    make_site(folder, **(chosen | options))  # type: ignore[arg-type]
    toml = folder / "site.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + EXTRA, encoding="utf-8")
    for name, text in TABLES.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


@dataclass(frozen=True)
class Seen:
    """What became of a spoiled site: "planned" or "refused", what was said of it, and what is wrong with that."""

    became: str
    said: str
    fault: str


def spoiled_evening(folder: Path, kind: Kind, draw: int = 0) -> Seen:
    """Spoil a site folder and plan its evening through the command line."""
    kind.spoil(folder, random.Random(f"{kind.name} {draw}"))
    before = {path.name for path in folder.iterdir()}
    result = CliRunner(env={"COLUMNS": "300"}).invoke(app, ["tonight", str(folder), "--night", NIGHT])
    said = result.output.strip()
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        return Seen("traceback", said, f"a traceback: {result.exception!r}")
    if result.exit_code == OK:
        said = "\n".join(line for line in said.split("\n") if not line.startswith("wrote "))
        return Seen("planned", said, _plan_fault(folder) or ("accepted" if kind.refused else ""))
    fault = ""
    if result.exit_code not in (BAD_INPUT, NO_PLAN):
        fault = f"exit code {result.exit_code}"
    elif (folder / "out").exists() or {path.name for path in folder.iterdir()} - before:
        fault = "something was written"
    elif "Traceback" in said:
        fault = "a traceback is shown"
    elif result.exit_code == BAD_INPUT and not re.search(
        rf"^({FOLLOWS.get(kind.file, kind.file)})\b", said, re.MULTILINE
    ):
        fault = f"{kind.file} is not named: {said[:200]}"
    elif result.exit_code == BAD_INPUT and not re.search(r"line \d+|empty|missing|no such|cannot be read|absent", said):
        fault = f"no place is named: {said[:200]}"
    return Seen("refused", said, fault)


def _plan_fault(folder: Path) -> str:
    """What is wrong with a plan that was made all the same."""
    plan = json.loads((folder / "out" / NIGHT / "plan.json").read_text(encoding="utf-8"))
    faults = plan_faults(document_of(plan))
    for zone in plan["zones"]:
        if not 0 <= zone["minutes"] <= zone["limits"]["max_run_min"] + 1e-6:
            faults.append(f"{zone['id']} runs {zone['minutes']} min")
        if not -1e-6 <= zone["before"]["depletion_mm"] <= zone["limits"]["taw_mm"] + 1e-6:
            faults.append(f"{zone['id']} stands at {zone['before']['depletion_mm']} mm")
    return "; ".join(faults)


# parts to spoil with


def _text(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def _cells(path: Path) -> list[list[str]]:
    return [row.split(",") for row in _text(path).rstrip("\n").split("\n")]


def _write(path: Path, rows: list[list[str]]) -> None:
    path.write_text("\n".join(",".join(row) for row in rows) + "\n", encoding="utf-8")


def cell(file: str, column: str, value: str) -> Spoil:
    """Put a value into a drawn row of a column."""

    def spoil(folder: Path, dice: random.Random) -> None:
        rows = _cells(folder / file)
        at = next(i for i, name in enumerate(rows[0]) if name.split(" ")[0] == column)
        row = rows[dice.randrange(1, len(rows))]
        row[at] = value
        _write(folder / file, rows)

    return spoil


def column_of(file: str, column: str, change: Callable[[list[str]], list[str]]) -> Spoil:
    """Change the values of a whole column, header first."""

    def spoil(folder: Path, dice: random.Random) -> None:
        rows = _cells(folder / file)
        at = next(i for i, name in enumerate(rows[0]) if name.split(" ")[0] == column)
        for row, value in zip(rows, change([row[at] for row in rows]), strict=True):
            row[at] = value
        _write(folder / file, rows)

    return spoil


def header(file: str, column: str, name: str) -> Spoil:
    """Rename a column."""
    return column_of(file, column, lambda values: [name, *values[1:]])


def without(file: str, column: str) -> Spoil:
    """Take a column out."""

    def spoil(folder: Path, dice: random.Random) -> None:
        rows = _cells(folder / file)
        at = next(i for i, name in enumerate(rows[0]) if name.split(" ")[0] == column)
        _write(folder / file, [row[:at] + row[at + 1 :] for row in rows])

    return spoil


def swapped(file: str, one: str, other: str, headers: bool = False) -> Spoil:
    """Swap the values of two columns, or their headers."""

    def spoil(folder: Path, dice: random.Random) -> None:
        rows = _cells(folder / file)
        a, b = (next(i for i, name in enumerate(rows[0]) if name.split(" ")[0] == c) for c in (one, other))
        for row in rows[:1] if headers else rows[1:]:
            row[a], row[b] = row[b], row[a]
        _write(folder / file, rows)

    return spoil


def times(file: str, column: str, factor: float) -> Spoil:
    """Multiply a column, as another unit would."""
    return column_of(file, column, lambda v: [v[0], *(f"{float(x) * factor:.6g}" if x else x for x in v[1:])])


def doubled(file: str, column: str) -> Spoil:
    """Give one row the key of another."""

    def change(values: list[str]) -> list[str]:
        return [*values[:2], values[1], *values[3:]]

    return column_of(file, column, change)


def toml(old: str, new: str) -> Spoil:
    """Replace the first text of site.toml that fits."""

    def spoil(folder: Path, dice: random.Random) -> None:
        text = _text(folder / "site.toml")
        changed = re.sub(old, lambda _: new, text, count=1, flags=re.MULTILINE)
        if changed == text:
            raise LookupError(f"nothing in site.toml fits {old!r}")
        (folder / "site.toml").write_text(changed, encoding="utf-8")

    return spoil


def add_toml(text: str) -> Spoil:
    """Add to the end of site.toml."""

    def spoil(folder: Path, dice: random.Random) -> None:
        (folder / "site.toml").write_text(f"{_text(folder / 'site.toml')}\n{text}\n", encoding="utf-8")

    return spoil


def whole(file: str, change: Callable[[bytes], bytes]) -> Spoil:
    """Change the bytes of a file."""

    def spoil(folder: Path, dice: random.Random) -> None:
        (folder / file).write_bytes(change((folder / file).read_bytes()))

    return spoil


def drawn_bytes(file: str, put: bytes) -> Spoil:
    """Put bytes into the file at a drawn place beyond its header."""

    def spoil(folder: Path, dice: random.Random) -> None:
        data = (folder / file).read_bytes()
        at = dice.randrange(data.index(b"\n") + 1, len(data))
        (folder / file).write_bytes(data[:at] + put + data[at:])

    return spoil


def cut(file: str, share: float) -> Spoil:
    """Keep the first part of a file."""
    return whole(file, lambda data: data[: int(len(data) * share)])


def row(file: str, text: str) -> Spoil:
    """Add a row."""
    return whole(file, lambda data: data.rstrip(b"\n") + b"\n" + text.encode() + b"\n")


def gone(file: str) -> Spoil:
    """Delete a file."""

    def spoil(folder: Path, dice: random.Random) -> None:
        (folder / file).unlink()

    return spoil


def _mixed_commas(values: list[str]) -> list[str]:
    return [values[0], *(f'"{v.replace(".", ",")}"' if i % 2 else v for i, v in enumerate(values[1:]))]


# the kinds


def _kinds() -> list[Kind]:
    found: list[Kind] = []

    def refused(name: str, file: str, spoil: Spoil) -> None:
        found.append(Kind(name, file, spoil, True))

    def either(name: str, file: str, spoil: Spoil) -> None:
        found.append(Kind(name, file, spoil, False))

    z = "zones.csv"
    for column in ("area", "flow", "root_depth", "du_lq", "microclimate", "application_rate"):
        for value in ("-1", "0", "abc", "1e9", "nan", "inf", "12.5O", "1_000", "0x10", "1.2.3", "--", "1e999"):
            refused(f"{column} {value}", z, cell(z, column, value))
    for column, value in (("field_capacity", "25"), ("wilting_point", "0.9"), ("slope", "-3"), ("root_depth", "2500")):
        refused(f"{column} {value}", z, cell(z, column, value))
    refused("wilting point above field capacity", z, swapped(z, "field_capacity", "wilting_point"))
    refused("headers of field capacity and wilting point swapped", z,
            swapped(z, "field_capacity", "wilting_point", headers=True))  # fmt: skip
    refused("flow and area swapped", z, swapped(z, "flow", "area"))
    refused("root depth and area swapped", z, swapped(z, "root_depth", "area"))
    refused("zone and surface swapped", z, swapped(z, "zone", "surface"))
    refused("turf and soil swapped", z, swapped(z, "turf", "soil"))
    refused("branch and controller swapped", z, swapped(z, "branch", "controller"))
    for column in ("zone", "surface", "area"):
        refused(f"no column {column}", z, without(z, column))
        refused(f"empty {column}", z, cell(z, column, ""))
    refused(
        "neither flow nor rate", z, lambda f, d: (without(z, "flow")(f, d), without(z, "application_rate")(f, d))[0]
    )
    for column, unit in (("area", "gal"), ("area", "ft"), ("flow", "ft2"), ("flow", "xyz"), ("root_depth", "degC")):
        refused(f"{column} in {unit}", z, header(z, column, f"{column} [{unit}]"))
    refused("unit without end", z, header(z, "area", "area [m2"))
    refused("two columns area", z, header(z, "slope", "area"))
    refused("area in km2", z, times(z, "area", 1e-6))
    refused("area in thousandths", z, times(z, "area", 1e4))
    refused("flow in mL/s", z, times(z, "flow", 1000))
    refused("flow in m3/s", z, times(z, "flow", 0.001))
    refused("root depth in m read as cm", z, times(z, "root_depth", 0.001))
    refused("rate in cm/h without flow", z, times(z, "application_rate", 100))
    for column, value in (("surface", "greens!"), ("surface", "lawn"), ("soil", "mud"), ("turf", "grass"),
                          ("turf", "bermudagrass:1.5"), ("turf", "annual_bluegrass:0.5|x:0.5"),
                          ("branch", "nroth loop"),
                          ("controller", "satellite 9"), ("sources", "river"), ("sources", "reclaimed|")):  # fmt: skip
        (either if value == "reclaimed|" else refused)(f"{column} {value}", z, cell(z, column, value))
    refused("zone twice", z, doubled(z, "zone"))
    refused("zone twice but for its case", z, column_of(z, "zone", lambda v: [*v[:2], v[1].lower(), *v[3:]]))
    refused("station twice on a controller", z, doubled(z, "station"))
    refused("decimal commas among points", z, column_of(z, "area", _mixed_commas))
    either("a cell more", z, row(z, "Z9,x,green,,,,400,1,,,,,,,,,,,,,,,,,"))
    refused("a cell cut off", z, cut(z, 0.85))
    refused("quote not closed", z, drawn_bytes(z, b'"'))
    either("spaces around", z, whole(z, lambda b: b.replace(b",", b" , ")))
    either("rows shuffled", z, whole(z, lambda b: b"\n".join([b.split(b"\n")[0], *b.split(b"\n")[:0:-1]])))
    either("windows line ends", z, whole(z, lambda b: b.replace(b"\n", b"\r\n")))
    either("byte order mark", z, whole(z, lambda b: b"\xef\xbb\xbf" + b))
    either("blank lines", z, whole(z, lambda b: b.replace(b"\n", b"\n\n")))
    for file in ("zones.csv", "weather.csv", "probes.csv", "applied.csv", "forecast.csv", "site.toml", "calendar.csv"):
        refused(f"NUL in {file}", file, drawn_bytes(file, b"\x00"))
        refused(f"latin-1 in {file}", file, drawn_bytes(file, b"\xe9"))
        refused(f"UTF-16 {file}", file, whole(file, lambda b: b.decode().encode("utf-16")))
        either(f"empty {file}", file, whole(file, lambda b: b""))
        either(f"only the header of {file}", file, whole(file, lambda b: b.split(b"\n")[0] + b"\n"))
        either(f"no {file}", file, gone(file))
        if file != "site.toml":
            either(f"cut off {file}", file, cut(file, 0.61))
            refused(f"{file} is a picture", file, whole(file, lambda b: b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 9))
            refused(f"{file} is a web page", file, whole(file, lambda b: b"<!DOCTYPE html><html><p>Sign in</p></html>"))
    w = "weather.csv"
    for column, values in {"date": ("2026-02-30", "14/07/2026", "07/14/2026", "0206-07-14", "2026-7", "yesterday", ""),
                           "tmin": ("95", "-80", "cold"), "tmax": ("99", "-70"), "rain": ("-1", "5000", "trace"),
                           "rhmin": ("-5", "240"), "wind": ("-2", "900"), "solar": ("-1", "2800")}.items():  # fmt: skip
        for value in values:
            refused(f"weather {column} {value or 'empty'}", w, cell(w, column, value))
    refused("tmin and tmax swapped", w, swapped(w, "tmin", "tmax"))
    refused("rhmin and rhmax swapped", w, swapped(w, "rhmin", "rhmax"))
    refused(
        "temperatures in degF read as degC",
        w,
        lambda f, d: (times(w, "tmin", 3.2)(f, d), times(w, "tmax", 3.2)(f, d))[0],
    )
    refused("temperatures in kelvin", w, lambda f, d: (times(w, "tmin", 15)(f, d), times(w, "tmax", 9)(f, d))[0])
    refused("solar in W/m2 read as MJ/m2/d", w, times(w, "solar", 11.57))
    refused("rain in feet", w, header(w, "rain", "rain [degC]"))
    either("one date twice with other values", w, doubled(w, "date"))
    refused("no column date", w, without(w, "date"))
    either("no column tmin", w, without(w, "tmin"))
    either("weather in no order", w, whole(w, lambda b: b"\n".join([b.split(b"\n")[0], *b.split(b"\n")[:0:-1]])))
    either("weather of another year", w, whole(w, lambda b: b.replace(b"2026-", b"2019-")))
    either("weather of the future", w, whole(w, lambda b: b.replace(b"2026-07-0", b"2031-07-0")))
    f = "forecast.csv"
    for column, values in {"issued": ("2026-07-14T25:00", "noon", ""), "date": ("2026-13-01", ""), "tmax": ("200",),
                           "rain_probability": ("1.5", "-0.1", "70", "likely")}.items():  # fmt: skip
        for value in values:
            refused(f"forecast {column} {value or 'empty'}", f, cell(f, column, value))
    either("forecast for days before it was issued", f, whole(f, lambda b: b.replace(b",2026-07-", b",2026-05-")))
    refused("forecast without issue", f, without(f, "issued"))
    p = "probes.csv"
    for column, values in {"time": ("2026-07-14 26:00", "14.07.2026", "", "2026-07-14T06:00+99:00"),
                           "probe": ("",)}.items():  # fmt: skip
        for value in values:
            refused(f"probes {column} {value or 'empty'}", p, cell(p, column, value))
    either("a reading of 17 %", p, cell(p, "moisture", "17"))
    either("all readings in %", p, times(p, "moisture", 100))
    either("moisture and temperature swapped", p, swapped(p, "moisture", "temperature"))
    either("a probe nobody knows", p, column_of(p, "probe", lambda v: [v[0], "ghost", *v[2:]]))
    refused("probes without time", p, without(p, "time"))
    s = "probe_sites.csv"
    for column, value in (("zone", "Z9999"), ("zone", ""), ("depth", "-6"), ("depth", "6000"), ("depth", "deep"),
                          ("from", "2026-99-01"), ("until", "2020-01-01")):  # fmt: skip
        refused(f"probe_sites {column} {value or 'empty'}", s, cell(s, column, value))
    either("a probe in two places at once", s, doubled(s, "probe"))
    a = "applied.csv"
    for column, value in (("night", "2026-06-31"), ("night", ""), ("minutes", "-5"), ("minutes", "5000"),
                          ("minutes", "12:30"), ("volume", "-1"), ("volume", "lots"), ("zone", "")):  # fmt: skip
        refused(f"applied {column} {value or 'empty'}", a, cell(a, column, value))
    either("a zone of the log nobody knows", a, cell(a, "zone", "Z9999"))
    either("log of a night to come", a, cell(a, "night", "2026-07-20"))
    either("a night and zone twice", a, whole(a, lambda b: b + b.split(b"\n")[1] + b"\n"))
    c = "calendar.csv"
    for column, value in (("from", "2026-07-32"), ("until", "2026-07-01"), ("surface", "grens"), ("zone", "Z77"),
                          ("event", "party"), ("event", ""), ("from", "")):  # fmt: skip
        refused(f"calendar {column} {value or 'empty'}", c, cell(c, column, value))
    either("an event for nothing", c, row(c, "2026-07-20,2026-07-21,,,tournament,where"))
    either("an event of a hundred years", c, row(c, "2000-01-01,2099-12-31,green,,firm,always"))
    either("no water for ever", c, row(c, "2026-01-01,2026-12-31,green,,no_water,closed"))
    either("the same event twice", c, row(c, "2026-07-18,2026-07-19,green,,tournament,cup"))
    t = "site.toml"
    for old, values in {
        r"^latitude = .*": ("latitude = 352", "latitude = \"north\"", "latitude = nan", "latitude = -95", ""),
        r"^longitude = .*": ("longitude = 400",),
        r"^elevation = .*": ("elevation = 90000", 'elevation = "12 gal"', "elevation = inf"),
        r"^time_zone = .*": ('time_zone = "Mars/Olympus"', 'time_zone = ""', "time_zone = 5", 'time_zone = "UTC+25"',
                             'time_zone = "../../etc/passwd"', 'time_zone = "america/los angeles"', ""),
        r"^units = .*": ('units = "imperial"', "units = 1"),
        r"^nights = .*": ("nights = 0", "nights = 15", "nights = 2.5", 'nights = "seven"', "nights = true",
                          "nights = -1"),
        r'^opens = "21:00"': ('opens = "25:00"', 'opens = "9 pm"', "opens = 2100", 'opens = "05:00"', ""),
        r'^closes = "05:00"': ('closes = "24:30"', 'closes = "-1:00"', 'closes = "21:00"', ""),
        r"^capacity = .*": ("capacity = 0", "capacity = -5", "capacity = nan", 'capacity = "7 kWh"',
                            'capacity = "lots"',
                            "capacity = 1e99", "capacity = true"),
        r"^smallest_flow = .*": ("smallest_flow = -1", "smallest_flow = 9999"),
        r"^ramp = .*": ("ramp = 0", "ramp = -2"),
        r"^efficiency = .*": ("efficiency = 70", "efficiency = 0", "efficiency = -0.7"),
        r"^head = .*": ("head = -80", 'head = "80 L"'),
        r"^stations_at_once = .*": ("stations_at_once = 0", "stations_at_once = 2.5", "stations_at_once = -1"),
        r"^resolution = .*": ("resolution = 0", "resolution = -60", 'resolution = "fast"', "resolution = 99999"),
        r"^ec = .*": ("ec = -1", "ec = 500", 'ec = "salty"'),
        r"^price = 0\.35": ("price = -1", 'price = "a lot"', 'price = "3 per kWh"', "price = inf"),
        r'^from = "00:00"': ('from = "00:99"',),
        r"^starts = .*": ("starts = 2026-11-30", "starts = 2026-02-30", 'starts = "spring"'),
        r"^volume = .*": ("volume = -1", 'volume = "9000 mm"', "volume = nan"),
        r"^used_before = .*": ("used_before = -3",),
        r'^pump = "pump.*': ('pump = "loop 1"', 'pump = "nroth"', ""),
        r'^nights_allowed = .*': ('nights_allowed = ["Mondy"]', "nights_allowed = [1, 2]", 'nights_allowed = "Monday"',
                                  "nights_allowed = []"),
        r'^surfaces = .*': ('surfaces = ["ruff"]', "surfaces = []", 'surfaces = "rough"'),
        r'^until = 2026-09-30': ("until = 2026-05-01",),
        r'^day = .*': ('day = "Fryday"', "day = 5"),
        r"^priority = .*": ("priority = 0", "priority = 1.5", 'priority = "first"'),
        r"^firmness_limit = .*": ("firmness_limit = 90", "firmness_limit = -1", "firmness_limit = 0"),
        r"^\[surface.green\]": ("[surface.lawn]",),
        r"^\[site\]": ("[[site]]", "[sight]", "[site"),
        r"^\[window\]": ("[windows]", "[[window]]"),
        r"^\[\[pump\]\]": ("[pump]", "[[pmup]]"),
    }.items():  # fmt: skip
        for value in values:
            odd = value in ('surfaces = "rough"', 'nights_allowed = "Monday"', "surfaces = []", "nights_allowed = []",
                            "[pump]", "[[pmup]]", "resolution = 99999", "used_before = -3", "",
                            "firmness_limit = 0")  # fmt: skip
            (either if odd else refused)(f"{old} -> {value or 'nothing'}", t, toml(old, value))
    refused("a pump twice", t, add_toml('[[pump]]\nname = "pump station 1"\ncapacity = 5'))
    refused("a branch twice", t, add_toml('[[branch]]\nname = "loop 1"\npump = "pump station 1"\ncapacity = 5'))
    refused("a source twice", t, add_toml('[[source]]\nname = "reclaimed"\nec = 1'))
    refused("a branch on no pump", t, add_toml('[[branch]]\nname = "loop 9"\npump = "pump 9"\ncapacity = 5'))
    either("tariffs that overlap", t, add_toml('[[tariff]]\nfrom = "05:00"\nuntil = "07:00"\nprice = 9'))
    refused("a restriction of 150 %", t, add_toml("[[restriction]]\ncut = 1.5"))
    refused("a restriction below nothing", t, add_toml("[[restriction]]\ncut = -0.2"))
    refused("a restriction of empty hours", t, add_toml('[[restriction]]\nhours = ["20:00"]'))
    refused("a tier below nothing", t, add_toml("[[allocation.tier]]\nabove = -1\nprice = 2"))
    refused("a tier at a falling price", t,
            add_toml("[[allocation.tier]]\nabove = 1\nprice = 2\n"
                     "[[allocation.tier]]\nabove = 1.2\nprice = 1"))  # fmt: skip
    refused(
        "a window for a day twice", t, add_toml('[[window.by_day]]\nday = "Friday"\nopens = "20:00"\ncloses = "03:00"')
    )
    refused("a ledger on another kind of server", t, add_toml('[ledger]\nurl = "mysql://x/y"'))
    refused("an unknown export profile", t, toml(r"^resolution = .*", 'resolution = 60\nprofile = "no such"'))
    either("a key nobody knows", t, toml(r"^units = .*", 'units = "metric"\ncolour = "green"'))
    either("a table nobody knows", t, add_toml("[weather_station]\nx = 1"))
    for share in (0.15, 0.3, 0.55, 0.7, 0.93):
        either(f"site.toml cut at {share:.0%}", t, cut(t, share))
    refused("site.toml is a list of values", t, whole(t, lambda b: b"a,b,c\n1,2,3\n"))
    refused("no closing quote", t, toml(r'^name = "Inv.*', 'name = "Invented'))
    refused("a key twice", t, toml(r"^latitude = .*", "latitude = 35\nlatitude = 36"))
    refused("samples below nothing", "samples.csv", cell("samples.csv", "ece", "-1"))
    refused("samples of no zone", "samples.csv", cell("samples.csv", "zone", "Z99"))
    refused("samples on no date", "samples.csv", cell("samples.csv", "date", "June"))
    refused("samples above the sea's", "samples.csv", cell("samples.csv", "ece", "800"))
    return found


KINDS = _kinds()
