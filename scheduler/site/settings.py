"""site.toml -> `Settings`: read, checked, defaults filled in, names turned into indices.

Defaults of what a site need not say (each leaves a note where it changes the plan):

====================  =================================================================================
elevation             0 m
time_zone             UTC
units                 metric
window                opens 21:00, closes 06:00
pump                  none: the zones hang on the mains, no flow limit but the branches'
pump.ramp             any change of flow
pump.head             not known, the energy is not counted;  pump.efficiency 0.70
branch.capacity       no limit
controller.resolution 60 s;  stations_at_once: any number
source                one named "water", salinity not known (0 dS/m), no price, no limits
surface               `SURFACE_RULES`
====================  =================================================================================
"""

from __future__ import annotations

import math
import re
import tomllib
import types
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, get_args, get_origin
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ValidationError

from scheduler.errors import listing, read_but, shown
from scheduler.site import schema
from scheduler.site.columns import FILES
from scheduler.site.records import (
    SURFACES,
    WEEKDAYS,
    Allocation,
    Branch,
    Controller,
    Pump,
    Restriction,
    Source,
    SurfaceRule,
    Tariff,
    WindowRule,
)
from scheduler.site.tables import Findings, near_miss, read_bytes
from scheduler.site.toml_lines import key_lines, line_of, path_words

FILE = "site.toml"
OPENS, CLOSES = 21 * 60, 6 * 60  # default window [min after 00:00]; common practice, no source
EFFICIENCY = 0.70  # pump and motor together [-]; common practice, no source
RESOLUTION = 60.0  # of run times [s]; common practice, no source

# Priority, moisture floor, firmness limit, firmness limit around events. Common practice, no source.
SURFACE_RULES: Mapping[str, SurfaceRule] = types.MappingProxyType(
    {
        "green": SurfaceRule(1, None, 0.90, 0.75),
        "tee": SurfaceRule(2, None, 0.95, 0.85),
        "pitch": SurfaceRule(2, None, 0.90, 0.80),
        "approach": SurfaceRule(3, None, 0.95, 0.85),
        "fairway": SurfaceRule(3, None, 1.00, 0.90),
        "landscape": SurfaceRule(4, None, 1.00, 1.00),
        "rough": SurfaceRule(5, None, 1.00, 1.00),
    }
)

_LISTS = ("pump", "branch", "controller", "source", "restriction", "tariff")


@dataclass
class Settings:
    """site.toml once read; after a problem what could not be read holds its default."""

    name: str = ""
    latitude: float = 0.0
    longitude: float = 0.0
    elevation: float = 0.0
    time_zone: ZoneInfo = field(default_factory=lambda: ZoneInfo("UTC"))
    units: str = "metric"
    currency: str = ""
    nights: int = 7
    method: str = "fao56"
    wind_height: float = 2.0
    window: WindowRule = field(default_factory=lambda: WindowRule((OPENS, CLOSES + 1440)))
    pumps: tuple[Pump, ...] = ()
    branches: tuple[Branch, ...] = ()
    controllers: tuple[Controller, ...] = ()
    sources: tuple[Source, ...] = ()
    allocation: Allocation | None = None
    restrictions: tuple[Restriction, ...] = ()
    tariffs: tuple[Tariff, ...] = ()
    surfaces: Mapping[str, SurfaceRule] = field(default_factory=lambda: dict(SURFACE_RULES))
    columns: dict[str, dict[str, str]] = field(default_factory=dict)
    names: dict[str, list[str] | None] = field(default_factory=dict)  # names per list; None if they could not be read


class _Reader:
    """The findings together with the lines of the file."""

    def __init__(self, findings: Findings, lines: dict[tuple[Any, ...], int]) -> None:
        self.findings, self.lines = findings, lines

    def problem(self, path: tuple[Any, ...], message: str) -> None:
        self.findings.problem(FILE, line_of(self.lines, path), path_words(path), message)

    def note(self, kind: str, text: str) -> None:
        self.findings.note(kind, FILE, text)


def read_settings(folder: Path, findings: Findings) -> Settings:
    """Read site.toml.

    Parameters
    ----------
    folder : Path
        The site folder.
    findings : Findings
        Receives every problem and note.

    Returns
    -------
    Settings
        Usable as a site's settings only if no problem was found.
    """
    data = read_bytes(folder / FILE, FILE, findings, indispensable=True)
    if data is None:
        return Settings(names=dict.fromkeys(("pump", "branch", "controller", "source")))
    text = data.decode("utf-8")
    try:
        raw = tomllib.loads(re.sub(r"\r\n?", "\n", text))
    except (tomllib.TOMLDecodeError, RecursionError, ValueError, OverflowError) as reason:
        place = re.search(r"\(at line (\d+), column (\d+)\)", str(reason))
        line = int(place[1]) if place else len(text.splitlines())
        what = re.sub(r"\s*\(at .*\)$", "", str(reason)) if str(reason) else type(reason).__name__
        found = re.split(r"\r\n?|\n", text)[line - 1].strip() if 0 < line <= text.count("\n") + 1 else ""
        findings.problem(
            FILE,
            line,
            None,
            read_but(found, f"this is not TOML ({shown(what)}); texts stand in quotes, dates are like 2026-07-14"),
        )
        return Settings(names=dict.fromkeys(("pump", "branch", "controller", "source")))
    reader = _Reader(findings, key_lines(text.replace("\r\n", "\n").replace("\r", "\n")))
    for key in _LISTS:
        if isinstance(raw.get(key), dict):
            raw[key] = [raw[key]]
            _move_lines(reader.lines, key)
    for parent, key in (("window", "by_day"), ("allocation", "tier")):
        if isinstance(raw.get(parent), dict) and isinstance(raw[parent].get(key), dict):
            raw[parent][key] = [raw[parent][key]]
    model = _validate(raw, reader)
    if model is None:
        return Settings(
            names=_raw_names(raw), columns=_raw_columns(raw), time_zone=_raw_zone(raw), latitude=_raw_latitude(raw)
        )
    return _settle(model, reader)


def _move_lines(lines: dict[tuple[Any, ...], int], key: str) -> None:
    """Let the lines of `[pump]` be those of the only `[[pump]]`."""
    for path, line in list(lines.items()):
        if path[0] == key:
            lines[(key, 0, *path[1:])] = line


def _validate(raw: dict[str, Any], reader: _Reader) -> schema.SiteFile | None:
    """Check types and limits; unknown keys that resemble a known one are problems, others are left out with a note."""
    faulty = False
    for _ in range(2):  # the second time without the unknown keys
        try:
            model = schema.SiteFile.model_validate(raw)
            return None if faulty else model
        except ValidationError as reason:
            errors = reason.errors(include_url=False)
        extras = [e for e in errors if e["type"] == "extra_forbidden"]
        for error in extras:
            faulty |= _unknown_key(raw, error["loc"], reader)
        if not extras:
            break
    for error in errors:
        if error["type"] != "extra_forbidden":
            faulty = True
            reader.problem(error["loc"], _message(error))
    return None


def _unknown_key(raw: dict[str, Any], path: tuple[Any, ...], reader: _Reader) -> bool:
    """Report one unknown key and take it out; True if it is a problem."""
    holder: Any = raw
    for part in path[:-1]:
        holder = holder[part]
    key = path[-1]
    known = _known_keys(path[:-1])
    hint = near_miss(str(key), known)
    if hint:
        reader.problem(path, f"this key is not known{hint}")
    else:
        line = line_of(reader.lines, path)
        place = f"line {line}: " if line else ""
        reader.note("warning", f'{place}the key "{shown(path_words(path))}" is not known and was not used')
    holder.pop(key, None)
    return bool(hint)


def _known_keys(path: tuple[Any, ...]) -> list[str]:
    """Give the keys a table of the schema may hold."""
    model: Any = schema.SiteFile
    for part in path:
        if isinstance(part, int) or not (isinstance(model, type) and issubclass(model, BaseModel)):
            continue
        model = next((f.annotation for n, f in model.model_fields.items() if part in (n, f.alias)), None)
        while get_origin(model) is not None or isinstance(model, types.UnionType):
            model = next((a for a in reversed(get_args(model)) if a is not type(None)), None)
    if not (isinstance(model, type) and issubclass(model, BaseModel)):
        return []
    return [f.alias or name for name, f in model.model_fields.items()]


def _message(error: Any) -> str:
    """Say one finding of pydantic in our words."""
    kind, value = error["type"], error["input"]
    if kind == "missing":
        return "this key is missing; it is needed"
    if kind == "literal_error":
        allowed = re.findall(r"'([^']*)'", error["ctx"]["expected"])
        return read_but(value, f"allowed: {listing(allowed)}{near_miss(str(value), allowed)}")
    if kind == "value_error":
        return read_but(value, str(error["ctx"]["error"]))
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return read_but(value, "a table of keys is needed here")
    if kind == "list_type":
        return read_but(value, f"a list of tables is needed here, each begun by [[{path_words(error['loc'])}]]")
    if kind == "string_type":
        return read_but(value, "a text is needed")
    return read_but(value, error["msg"])


def _raw_names(raw: dict[str, Any]) -> dict[str, list[str] | None]:
    """Give the names of the lists as far as they can be read from a file that has problems."""
    names: dict[str, list[str] | None] = {}
    for key in ("pump", "branch", "controller", "source"):
        items = raw.get(key, [])
        good = isinstance(items, list) and all(isinstance(i, dict) and isinstance(i.get("name"), str) for i in items)
        names[key] = [i["name"].strip() for i in items] if good else None
    return names


def _raw_columns(raw: dict[str, Any]) -> dict[str, dict[str, str]]:
    columns = raw.get("columns")
    if not isinstance(columns, dict):
        return {}
    return {k: {a: b for a, b in v.items() if isinstance(b, str)} for k, v in columns.items() if isinstance(v, dict)}


def _raw_zone(raw: dict[str, Any]) -> ZoneInfo:
    site = raw.get("site")
    name = site.get("time_zone") if isinstance(site, dict) else None
    return _zone(name if isinstance(name, str) else "UTC") or ZoneInfo("UTC")


def _raw_latitude(raw: dict[str, Any]) -> float:
    site = raw.get("site")
    value = site.get("latitude") if isinstance(site, dict) else None
    return float(value) if isinstance(value, (int, float)) and -90 <= value <= 90 else 0.0


def _zone(name: str) -> ZoneInfo | None:
    """Find a time zone by its name; names only, never a path."""
    if not re.fullmatch(r"[A-Za-z0-9_+-]+(/[A-Za-z0-9_+-]+){0,2}", name, re.ASCII):
        return None
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # ZoneInfoNotFoundError is a KeyError
        return None


def _settle(model: schema.SiteFile, reader: _Reader) -> Settings:
    """Fill in the defaults and turn names into indices."""
    site, settings = model.site, Settings()
    settings.name, settings.latitude, settings.longitude = site.name, site.latitude, site.longitude
    settings.currency, settings.nights, settings.method = (
        site.currency or "",
        model.planning.nights,
        model.planning.method,
    )
    if site.elevation is None:
        reader.note("step_down", "site.elevation is not given; 0 m is taken, which changes the reference ET a little")
    settings.elevation = site.elevation or 0.0
    if site.units is None:
        reader.note("info", "site.units is not given; sheets are metric")
    settings.units = site.units or "metric"
    _settle_zone(site, settings, reader)
    heights = [h for h in (site.wind_height, model.weather.wind_height, model.wind_height) if h is not None]
    settings.wind_height = heights[0] if heights else 2.0
    if len(set(heights)) > 1:
        reader.problem(("wind_height",), "wind_height is given twice with different values; one is needed")
    settings.window = _window(model.window, reader)
    _settle_supply(model, settings, reader)
    settings.allocation = _allocation(model.allocation, reader)
    settings.restrictions = tuple(_restriction(r, i, reader) for i, r in enumerate(model.restriction))
    settings.tariffs = tuple(_tariff(t, i, reader) for i, t in enumerate(model.tariff))
    settings.surfaces = _surfaces(model.surface, reader)
    settings.columns = _columns(model.columns, reader)
    return settings


def _settle_zone(site: schema.SiteKeys, settings: Settings, reader: _Reader) -> None:
    """Find the time zone."""
    if site.time_zone is None:
        reader.note("step_down", "site.time_zone is not given; times are taken as UTC")
        return
    zone = _zone(site.time_zone)
    if zone is None:
        from zoneinfo import available_timezones

        hint = near_miss(site.time_zone, sorted(available_timezones()))
        reader.problem(
            ("site", "time_zone"),
            read_but(site.time_zone, f'a name like "America/Los_Angeles" or "Europe/Madrid" is allowed{hint}'),
        )
    else:
        settings.time_zone = zone


def window_minutes(opens: int, closes: int) -> tuple[int, int]:
    """Give a window in minutes after 00:00 of the evening's date.

    Opening before noon is the morning after the evening's date; closing at or before the opening is the next morning.

    Examples
    --------
    >>> window_minutes(21 * 60, 5 * 60 + 30), window_minutes(30, 5 * 60)
    ((1260, 1770), (1470, 1740))
    """
    opens %= 1440
    start = opens + 1440 if opens < 720 else opens
    end = closes
    while end <= start:
        end += 1440
    return start, end


def _window(keys: schema.WindowKeys, reader: _Reader) -> WindowRule:
    """Read the window and the evenings that differ."""
    if keys.opens is None or keys.closes is None:
        reader.note(
            "step_down", "window.opens or window.closes is not given; 21:00 to 06:00 is taken for what is missing"
        )
    opens = OPENS if keys.opens is None else keys.opens
    closes = CLOSES if keys.closes is None else keys.closes
    by_weekday: dict[int, tuple[int, int]] = {}
    for i, rule in enumerate(keys.by_day):
        path = ("window", "by_day", i)
        days = (rule.day or frozenset()) | (rule.days or frozenset())
        if not days:
            reader.problem((*path, "days"), 'this key is missing; a list of weekdays like ["Saturday"] is needed')
        for day in sorted(days):
            if day in by_weekday:
                reader.problem((*path, "days"), f"{WEEKDAYS[day]} stands in two [[window.by_day]]")
            by_weekday[day] = window_minutes(
                opens if rule.opens is None else rule.opens, closes if rule.closes is None else rule.closes
            )
    return WindowRule(window_minutes(opens, closes), by_weekday)


def _settle_supply(model: schema.SiteFile, settings: Settings, reader: _Reader) -> None:
    """Read pumps, branches, controllers and sources."""
    for key in ("pump", "branch", "controller", "source"):
        names = [item.name for item in getattr(model, key)]
        settings.names[key] = names
        for i, name in enumerate(names):
            if name in names[:i]:
                reader.problem(
                    (key, i, "name"), read_but(name, f"the name of a {key} must be its own; it stands twice")
                )
    if not model.pump:
        reader.note("step_down", "no [[pump]] is given; the zones hang on the mains and no pump limits their flow")
    pumps = []
    for i, pump in enumerate(model.pump):
        if pump.smallest_flow > pump.capacity:
            reader.problem(("pump", i, "smallest_flow"), "the smallest flow is above the capacity")
        if pump.head is None:
            reader.note("step_down", f'pump "{pump.name}": head is not given; its energy is not counted')
        elif pump.efficiency is None:
            reader.note("info", f'pump "{pump.name}": efficiency is not given; {EFFICIENCY:.2f} is taken')
        pumps.append(
            Pump(
                pump.name,
                pump.capacity,
                pump.smallest_flow,
                pump.ramp or math.inf,
                pump.head or 0.0,
                pump.efficiency or EFFICIENCY,
            )
        )
    settings.pumps = tuple(pumps)
    settings.branches = tuple(_branch(b, i, settings, reader) for i, b in enumerate(model.branch))
    settings.controllers = tuple(
        Controller(c.name, c.stations_at_once, c.resolution, c.profile or "") for c in model.controller
    )
    settings.sources = tuple(
        Source(
            s.name, s.ec or 0.0, s.sar, s.price,
            _or_no_limit(s.daily_limit), _or_no_limit(s.monthly_limit), s.share,
        )
        for s in model.source
    )  # fmt: skip
    for s in model.source:
        if s.ec is None:
            reader.note("step_down", f'source "{s.name}": ec is not given; it is taken as free of salt (0 dS/m)')
    if not model.source:
        settings.sources = (Source("water", 0.0, None, 0.0, math.inf, math.inf, None),)
        reader.note(
            "step_down",
            "no [[source]] is given; one source of no price is taken, and its salt is not followed (0 dS/m)",
        )


def _or_no_limit(value: float | None) -> float:
    return math.inf if value is None else value


def _branch(keys: schema.BranchKeys, i: int, settings: Settings, reader: _Reader) -> Branch:
    """Read one branch and find its pump."""
    names = settings.names["pump"] or []
    pump = -1
    if keys.pump is not None:
        if keys.pump in names:
            pump = names.index(keys.pump)
        else:
            allowed = f"allowed: {listing(names)}{near_miss(keys.pump, names)}" if names else "no [[pump]] is given"
            reader.problem(("branch", i, "pump"), read_but(keys.pump, allowed))
    elif len(names) == 1:
        pump = 0
    elif names:
        reader.problem(("branch", i, "pump"), f"this key is missing; there are several pumps: {listing(names)}")
    return Branch(keys.name, pump, _or_no_limit(keys.capacity))


def _allocation(keys: schema.AllocationKeys | None, reader: _Reader) -> Allocation | None:
    """Read the season's water and its tiers."""
    if keys is None:
        return None
    if keys.ends < keys.starts:
        reader.problem(
            ("allocation", "ends"), read_but(keys.ends, f"a date not before the start, {keys.starts}, is allowed")
        )
    if keys.used_before > keys.volume and not keys.tier:
        reader.note("warning", "allocation.used_before is above the volume: nothing is left of the season's water")
    tiers: list[tuple[float, float]] = []
    for i, tier in enumerate(keys.tier):
        above = tier.above
        if isinstance(above, str):
            from scheduler.site.units import quantity

            above = quantity(above, "m3") / keys.volume
        if tiers and above <= tiers[-1][0]:
            reader.problem(
                ("allocation", "tier", i, "above"),
                read_but(tier.above, "tiers must rise in the order they are written"),
            )
        if tiers and tier.price < tiers[-1][1]:
            reader.problem(
                ("allocation", "tier", i, "price"),
                read_but(tier.price, "a price not below that of the tier before is allowed"),
            )
        tiers.append((above, tier.price))
    return Allocation(keys.starts, keys.ends, keys.volume, keys.used_before, tuple(tiers))


def _restriction(keys: schema.RestrictionKeys, i: int, reader: _Reader) -> Restriction:
    """Read one drought order."""
    if keys.starts and keys.ends and keys.ends < keys.starts:
        reader.problem(("restriction", i, "until"), read_but(keys.ends, f"a date not before {keys.starts} is allowed"))
    if keys.nights_allowed is None and keys.hours is None and keys.cut == 0.0:
        reader.note("warning", f"restriction {i + 1} restricts nothing: it has none of nights_allowed, hours and cut")
    return Restriction(keys.nights_allowed, keys.hours, keys.surfaces, keys.cut, keys.starts, keys.ends)


def _tariff(keys: schema.TariffKeys, i: int, reader: _Reader) -> Tariff:
    """Read one block of the tariff; one that ends at or before it begins ends on the next day."""
    start = keys.starts % 1440
    return Tariff(start, keys.ends if keys.ends > start else keys.ends + 1440, keys.days, keys.price)


def _surfaces(given: Mapping[str, schema.SurfaceKeys], reader: _Reader) -> dict[str, SurfaceRule]:
    """Merge what the file says of the surfaces into the defaults."""
    rules = dict(SURFACE_RULES)
    for name, keys in given.items():
        path = ("surface", name)
        if name not in SURFACES:
            reader.problem(
                path, f'"{shown(name)}" is no surface; allowed: {listing(SURFACES)}{near_miss(name, SURFACES)}'
            )
            continue
        rules[name] = _surface(name, keys, rules[name], reader)
    return rules


def _surface(name: str, keys: schema.SurfaceKeys, base: SurfaceRule, reader: _Reader) -> SurfaceRule:
    """Merge one surface; a limit that is not given gives way to a floor that is."""
    path = ("surface", name)
    floor = keys.moisture_floor
    if floor is not None and floor >= 1.0:
        reader.problem(
            (*path, "moisture_floor"), read_but(f"{floor:g}", "a share of available water below 1 is allowed")
        )
    least = floor or 0.0
    limits: dict[str, float] = {}
    for key, default in (("firmness_limit", base.firmness_limit), ("event_firmness_limit", base.event_firmness_limit)):
        given = getattr(keys, key)
        limit = min(default, limits.get("firmness_limit", 1.0)) if given is None else given
        if limit <= least and given is None:
            limit = (least + limits.get("firmness_limit", 1.0)) / 2.0
            reader.note(
                "info", f"surface.{name}.{key} is not given; {limit:g} is taken, to stay above the moisture floor"
            )
        elif limit <= least:
            words = (
                f"a share of available water above the moisture floor, {least:g}, is allowed"
                if least
                else "a share above 0 is allowed"
            )
            reader.problem((*path, key), read_but(f"{limit:g}", words))
        limits[key] = limit
    priority = base.priority if keys.priority is None else keys.priority
    return SurfaceRule(priority, floor, limits["firmness_limit"], limits["event_firmness_limit"])


def _columns(given: Mapping[str, Mapping[str, str]], reader: _Reader) -> dict[str, dict[str, str]]:
    """Check the column maps: file and target of each must be known."""
    for file, mapping in given.items():
        if file not in FILES:
            reader.problem(
                ("columns", file),
                f'"{shown(file)}" is no table; allowed: {listing(list(FILES))}{near_miss(file, list(FILES))}',
            )
            continue
        allowed = [name for c in FILES[file] for name in (c.name, *c.also)]
        for header, target in mapping.items():
            name = re.sub(r"\[.*", "", target).strip().casefold()
            if target and name not in allowed:
                words = f"allowed: a column of {file}.csv with or without its unit ({listing(allowed, 30)})"
                words += near_miss(name, allowed)
                reader.problem(("columns", file, header), read_but(target, words))
    return {file: {h.strip(): t for h, t in mapping.items()} for file, mapping in given.items()}


def named(settings: Settings, key: str) -> Sequence[str] | None:
    """Give the names of the pumps, branches, controllers or sources; None if they could not be read."""
    return settings.names.get(key, [])
