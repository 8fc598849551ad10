"""From a plan and a profile to rows of cells, and the list of everything that does not fit.

Run times are rounded down to the profile's step: never past a zone's limit, the window or a pump. A plan already in the
controller's resolution loses nothing. What is rounded or cut leaves a note; what cannot be said at all is a problem.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from scheduler.document.parts import PlanDocument, ZonePart
from scheduler.errors import Problem, counted, shown
from scheduler.export.held import Held, held_by_zone, own_times
from scheduler.export.profile import Column, Profile, TimeShape
from scheduler.notes import Note
from scheduler.site.units import conversion

Cell = str | int | float

CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
SLACK = 1e-6  # [-] of a run time that is told apart
NEARLY = 1e-4  # [-] of a step below which a run time counts as the step: plan.json has minutes to six decimals
MINUTE_DECIMALS = 4  # decimals of a run time in minutes: 0.36 s


@dataclass(frozen=True)
class Run:
    """One run of a zone as a table tells it: all of the night's, or one cycle; minutes [min], number 0 for none."""

    start: datetime | None
    end: datetime | None
    minutes: float
    number: int


@dataclass(frozen=True)
class Line:
    """A zone in a table: how the table names it, its runs, the run its row is about, its place in a programme."""

    zone: ZonePart
    key: str
    runs: Sequence[Run]
    run: Run
    held: Held | None


@dataclass(frozen=True)
class RunTable:
    """Rows for one file.

    Attributes
    ----------
    controller : str                The controller the file is for; empty if it is for all.
    rows : tuple of tuple           Cells in the order of the profile's columns.
    minutes : mapping               Run time as written [min], by zone or station address.
    steps_lost : mapping            Run time lost by rounding down [min], by zone id.
    """

    controller: str
    rows: tuple[tuple[Cell, ...], ...]
    minutes: Mapping[str, float]
    steps_lost: Mapping[str, float]


Laid = tuple[list[RunTable], list[Note], list[Problem]]


def run_tables(plan: PlanDocument, profile: Profile) -> Laid:
    """Lay the plan out as the profile says.

    Returns
    -------
    tables : list of RunTable       One, or one per controller.
    notes : list of Note            What was rounded or cut.
    problems : list of Problem      What cannot be written in this profile; nothing may be published if there is one.
    """
    notes: list[Note] = []
    problems: list[Problem] = []
    zones = [z for z in plan.zones if z.minutes > 0 or not profile.file.only_running]
    held, own = held_by_zone(plan), own_times(plan)
    if profile.cycles == "each":
        zones = sorted((z for z in zones if z.id in held), key=lambda z: _in_programme(z, held[z.id]))
    keys = _keys(zones, profile, problems)
    groups: dict[str, list[ZonePart]] = {} if profile.file.one_per_controller else {"": []}
    for zone in zones:
        groups.setdefault((zone.controller or "") if profile.file.one_per_controller else "", []).append(zone)
    cut: Counter[str] = Counter()
    tables = []
    for controller, members in groups.items():
        rows: list[tuple[Cell, ...]] = []
        minutes, lost = {}, {}
        for zone in members:
            if zone.id not in keys:
                continue
            runs = _runs(zone, profile, held.get(zone.id), zone.controller in own)
            _check_runs(zone, runs, profile, problems)
            written = [_whole_steps(r.minutes, profile.time) * profile.time.step for r in runs]
            minutes[keys[zone.id]] = sum(written)
            lost[zone.id] = sum(r.minutes for r in runs) - sum(written)
            for run in _rows(runs, profile):
                line = Line(zone, keys[zone.id], runs, run, held.get(zone.id))
                cells = [_cell(c, line, plan, profile) for c in profile.column]
                rows.append(
                    tuple(_fit(v, c, zone, profile, cut, problems) for v, c in zip(cells, profile.column, strict=True))
                )
        tables.append(RunTable(controller, tuple(rows), minutes, lost))
    short = [z for t in tables for z, left in t.steps_lost.items() if left > SLACK]
    if short:
        most = max(left for t in tables for left in t.steps_lost.values())
        text = f"{counted(len(short), 'run time')} rounded down to the profile's step, by {most * 60:.0f} s at most"
        notes.append(Note("warning", "run-time table", text))
    for heading, count in cut.items():
        notes.append(Note("info", "run-time table", f'{counted(count, "cell")} of "{heading}" cut to fit'))
    return tables, notes, problems


def encode_time(minutes: float, shape: TimeShape) -> Cell:
    """Write a run time, rounded down to the step.

    >>> encode_time(7.5, TimeShape(form="mm:ss", resolution=30)), encode_time(95, TimeShape(form="hh:mm"))
    ('7:30', '1:35')
    >>> encode_time(7.5, TimeShape(form="percent", base=10)), encode_time(7.5, TimeShape(resolution=6))
    (75, 7.5)
    """
    steps = _whole_steps(minutes, shape)
    if shape.form == "percent":
        return _plain(round(steps * shape.percent_step, 6))
    seconds = steps * shape.resolution
    if shape.form == "minutes":
        return _plain(round(seconds / 60, MINUTE_DECIMALS))
    whole = round(seconds)
    if shape.form == "seconds":
        return whole
    if shape.form == "mm:ss":
        return f"{whole // 60}:{whole % 60:02d}"
    return f"{whole // 3600}:{whole % 3600 // 60:02d}"


def decode_time(cell: Cell, shape: TimeShape, decimal: str = ".") -> float:
    """Read a run time back [min]; raises ValueError for a cell that is none.

    >>> decode_time("7:30", TimeShape(form="mm:ss")), decode_time("75", TimeShape(form="percent", base=10))
    (7.5, 7.5)
    """
    text = str(cell).strip()
    if shape.form in ("mm:ss", "hh:mm"):
        match = re.fullmatch(r"([0-9]+):([0-5][0-9])", text)
        if not match:
            raise ValueError(f'read "{shown(text)}"; a time as {shape.form} is allowed')
        large, small = int(match[1]), int(match[2])
        return large + small / 60 if shape.form == "mm:ss" else large * 60.0 + small
    text = text.replace(decimal, ".") if isinstance(cell, str) else text
    if not re.fullmatch(r"[0-9]+(\.[0-9]+)?", text):
        raise ValueError(f'read "{shown(text)}"; a number of 0 or more is allowed')
    number = float(text)
    if shape.form == "percent" and shape.base is not None:
        return number * shape.base / 100
    return number / 60 if shape.form == "seconds" else number


def address_of(controller: str | None, station: str | None, zone: str, pattern: str) -> str:
    """Station address of a zone; raises ValueError if the pattern wants a number and the station is none.

    >>> address_of("C2", "7", "G7", "{controller}-{station:03}")
    'C2-007'
    """
    values: dict[str, Any] = {
        "controller": controller or "",
        "station": station or "",
        "zone": zone,
    }
    for name, value in list(values.items()):
        form = re.search(r"\{" + name + r":([^}]+)\}", pattern)
        if form and re.fullmatch(r"[0-9]{1,9}", value):
            values[name] = int(value)
        elif form and re.fullmatch(r"0[0-9]*d?|[0-9]*d", form[1]):  # text would be filled with zeros behind: A7 -> A70
            wanted = f'the pattern "{pattern}" needs a number for {name}'
            raise ValueError(f'its {name} is "{shown(value)}"; {wanted}')
    try:
        return pattern.format(**values)
    except ValueError as reason:
        raise ValueError(
            f'its address "{shown(values["station"])}" does not fit the pattern "{pattern}": {reason}'
        ) from reason


def _keys(zones: Sequence[ZonePart], profile: Profile, problems: list[Problem]) -> dict[str, str]:
    """How the table names each zone; faulty and doubled names are problems."""
    keys: dict[str, str] = {}
    shows_station = any(c.field == "station" for c in profile.column)
    for zone in zones:
        key = zone.id
        try:
            address = address_of(zone.controller, zone.station, zone.id, profile.station) if shows_station else ""
            key = key if profile.key_field == "zone" else address
            if profile.key_field == "station" and not zone.station:
                raise ValueError("it has no station, and the table knows zones by station only")
            for text in (key, address):
                if CONTROL.search(text):
                    raise ValueError(f'"{shown(text)}" holds a control character')
            if profile.file.format == "fixed_width" and (key != key.strip() or not key):
                raise ValueError(f'"{shown(key)}" begins or ends with a space, which fixed width cannot keep')
        except ValueError as reason:
            problems.append(Problem("zones.csv", None, "station", f'zone "{shown(zone.id)}": {reason}'))
            continue
        keys[zone.id] = key
    for key, count in Counter(keys.values()).items():
        if count > 1:
            problems.append(
                Problem("zones.csv", None, "station", f'"{shown(key)}" stands for {count} zones in the table')
            )
    return keys


def _in_programme(zone: ZonePart, held: Held) -> tuple[str, int, int]:
    """Sort key: by controller, programme and place in it."""
    return zone.controller or "", held.programme, held.place


def _runs(zone: ZonePart, profile: Profile, held: Held | None, own_times: bool) -> list[Run]:
    """Runs of a zone as the profile tells them, without times where its controller finds them itself."""
    if profile.cycles == "each" and held is not None:
        return [Run(None, None, held.minutes, 1 if held.minutes > 0 else 0)]
    if own_times:
        return [replace(r, start=None, end=None) for r in _timed_runs(zone, profile)]
    return _timed_runs(zone, profile)


def _timed_runs(zone: ZonePart, profile: Profile) -> list[Run]:
    cycles = zone.cycles
    if profile.cycles == "total" or not cycles:
        start, end = (cycles[0].start, cycles[-1].end) if cycles else (None, None)
        return [Run(start, end, zone.minutes, 1 if zone.minutes > 0 else 0)]
    return [Run(c.start, c.end, c.minutes, i) for i, c in enumerate(cycles, 1)]


def _rows(runs: list[Run], profile: Profile) -> list[Run]:
    return runs if profile.cycles == "rows" else runs[:1]


def _check_runs(zone: ZonePart, runs: Sequence[Run], profile: Profile, problems: list[Problem]) -> None:
    largest = profile.time.largest_run
    columns = sum(c.field == "run_time" for c in profile.column)
    name = f'zone "{shown(zone.id)}"'
    if profile.cycles == "columns" and len(runs) > columns:
        text = f"{name} runs in {len(runs)} cycles; the profile has columns for {columns}"
        problems.append(Problem("export profile", None, "column", text))
    for run in runs:
        if largest is not None and run.minutes > largest * (1 + SLACK):
            text = f"{name} runs {run.minutes:g} min; up to {largest:g} min is allowed"
            problems.append(Problem("export profile", None, "time.largest_run", text))


def _cell(column: Column, line: Line, plan: PlanDocument, profile: Profile) -> Cell:
    zone, run, runs = line.zone, line.run, line.runs
    if column.cycle is not None:
        if column.cycle > len(runs):
            return encode_time(0.0, profile.time) if column.field == "run_time" else ""
        run = runs[column.cycle - 1]
    field = column.field
    if field == "run_time":
        return encode_time(run.minutes, profile.time)
    if field in ("start", "end"):
        return _clock(run.start if field == "start" else run.end, profile.time.clock)
    if field == "station":
        if profile.key_field == "station":
            return line.key
        return address_of(zone.controller, zone.station, zone.id, profile.station)
    if field == "zone":
        return str(zone.id)
    if field in ("depth", "volume"):
        inside, value = ("mm", zone.depth_mm) if field == "depth" else ("m3", zone.volume_m3)
        return _plain(round(conversion(column.unit or inside, inside).written(value), column.decimals))
    if field == "cycle":
        return int(run.number)
    if field == "cycles":
        return len(zone.cycles)
    if field in ("programme", "order", "starts", "percent"):
        return _of_programme(field, line.held)
    if field == "text":
        return column.text
    return plan.night.isoformat() if field == "night" else str(getattr(zone, field) or "")


def _of_programme(field: str, held: Held | None) -> Cell:
    """A cell of the programme a zone is in; empty where it is in none."""
    if held is None or not held.programme:
        return ""
    if field == "starts":
        return " ".join(held.starts)
    return {"programme": held.programme, "order": held.place, "percent": _plain(held.percent)}[field]


def _fit(
    value: Cell, column: Column, zone: ZonePart, profile: Profile, cut: Counter[str], problems: list[Problem]
) -> Cell:
    """Hold a cell to the longest length; names may be cut, addresses and numbers may not."""
    most = min([n for n in (column.width, profile.file.longest_cell) if n], default=None)
    if isinstance(value, str) and column.field not in ("zone", "station") and CONTROL.search(value):
        value = CONTROL.sub(" ", value)
        cut[column.heading] += 1
    text = str(value)
    if most is None or len(text) <= most:
        return value
    if column.field in ("name", "surface", "controller", "source", "text"):
        cut[column.heading] += 1
        return text[:most]
    what = f'zone "{shown(zone.id)}": "{shown(text)}" is longer than the {most} characters of "{column.heading}"'
    problems.append(Problem("export profile", None, "column", what))
    return value


def _whole_steps(minutes: float, shape: TimeShape) -> int:
    return math.floor(minutes / shape.step + NEARLY)


def _clock(moment: datetime | None, form: str) -> str:
    if moment is None:
        return ""
    when = moment.replace(tzinfo=None)
    return (
        when.isoformat(timespec="seconds")
        if form == "iso"
        else when.strftime("%H:%M" if form == "HH:MM" else "%H:%M:%S")
    )


def _plain(number: float) -> int | float:
    return int(number) if float(number).is_integer() else number
