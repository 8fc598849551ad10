"""Settling site.toml: defaults filled in, names turned into indices, what contradicts itself refused.

Defaults of what a site need not say (each leaves a note where it changes the plan):

====================  =================================================================================
elevation             0 m
time_zone             UTC
units                 metric
window                opens 21:00, closes 06:00
pump                  none: the zones hang on the mains, no flow limit but the branches'
pump.ramp             any change of flow
pump.capacity         the last flow of its curve; without a curve it is needed
pump.head             at full speed on its curve; without a curve not known, the energy is not counted
pump.efficiency       that of its curve, otherwise 0.70
branch.capacity       no limit;  friction none;  roughness 140 where length and diameter are given
controller.resolution 60 s;  stations_at_once: any number;  programmes none (`scheduler.site.controllers`)
source                one named "water", salinity not known (0 dS/m), no price, no limits
surface               `SURFACE_RULES`;  finish_by the close;  event_finish_by finish_by, or an hour before the close;
                      uniformity weighed
====================  =================================================================================
"""

from __future__ import annotations

import re
import types
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo, available_timezones

from scheduler.errors import listing, near_miss, read_but, shown
from scheduler.site import schema
from scheduler.site.columns import FILES
from scheduler.site.controllers import settle_controller
from scheduler.site.findings import TomlFindings
from scheduler.site.records import (
    SURFACES,
    WEEKDAYS,
    Allocation,
    AllowanceRule,
    Branch,
    Controller,
    Pump,
    Restriction,
    Source,
    SurfaceRule,
    Tariff,
    WindowRule,
)
from scheduler.site.time_zones import nearest_zone
from scheduler.site.unattended_records import Feed, NightlyRule, NoticeRule
from scheduler.site.water_rules import settle_allocation, settle_allowance, settle_restriction, settle_tariff
from scheduler.site.works import settle_branch, settle_pump, settle_sources

OPENS, CLOSES = 21 * 60, 6 * 60  # default window [min after 00:00]; common practice, no source

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
    caution: str = "even"
    price_of_a_run: float = 1.0
    wind_height: float = 2.0
    window: WindowRule = field(default_factory=lambda: WindowRule((OPENS, CLOSES + 1440)))
    pumps: tuple[Pump, ...] = ()
    branches: tuple[Branch, ...] = ()
    controllers: tuple[Controller, ...] = ()
    sources: tuple[Source, ...] = ()
    allocation: Allocation | None = None
    allowance: AllowanceRule = field(default_factory=lambda: settle_allowance(schema.AllowanceKeys()))
    meter_error: float = schema.METER_ERROR
    restrictions: tuple[Restriction, ...] = ()
    tariffs: tuple[Tariff, ...] = ()
    surfaces: Mapping[str, SurfaceRule] = field(default_factory=lambda: dict(SURFACE_RULES))
    columns: dict[str, dict[str, str]] = field(default_factory=dict)
    ledger_url: str | None = None
    ledger_name: str | None = None
    contact: str = ""
    invented: frozenset[str] = frozenset()
    feeds: tuple[Feed, ...] = ()
    notice: NoticeRule | None = None
    nightly: NightlyRule = field(default_factory=NightlyRule)
    names: dict[str, list[str] | None] = field(default_factory=dict)  # names per list; None if they could not be read


def find_zone(name: str) -> ZoneInfo | None:
    """Find a time zone by its name; names only, never a path."""
    if not re.fullmatch(r"[A-Za-z0-9_+-]+(/[A-Za-z0-9_+-]+){0,2}", name, re.ASCII):
        return None
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # ZoneInfoNotFoundError is a KeyError
        return None


def settle(model: schema.SiteFile, reader: TomlFindings) -> Settings:
    """Fill in the defaults and turn names into indices."""
    site, settings = model.site, Settings()
    settings.name, settings.latitude, settings.longitude = site.name, site.latitude, site.longitude
    settings.currency, settings.nights, settings.method = (
        site.currency or "",
        model.planning.nights,
        model.planning.method,
    )
    settings.caution, settings.price_of_a_run = model.planning.caution, model.planning.price_of_a_run
    if site.elevation is None:
        reader.note("step_down", "site.elevation is not given; 0 m is taken, which changes the reference ET a little")
    settings.elevation = site.elevation or 0.0
    if site.units is None:
        reader.note("info", "site.units is not given; sheets are metric")
    settings.units = site.units or "metric"
    _settle_zone(site, settings, reader)
    heights = [h for h in (site.wind_height, model.weather.wind_height, model.wind_height) if h is not None]
    settings.wind_height = heights[0] if heights else 2.0
    settings.ledger_url, settings.ledger_name = model.ledger.url, model.ledger.name
    if len(set(heights)) > 1:
        reader.problem(("wind_height",), "wind_height is given twice with different values; one is needed")
    settings.window = _window(model.window, reader)
    _settle_supply(model, settings, reader)
    settings.allocation = settle_allocation(model.allocation, reader)
    settings.allowance, settings.meter_error = settle_allowance(model.allowance), model.meter.error
    settings.restrictions = tuple(settle_restriction(r, i, reader) for i, r in enumerate(model.restriction))
    settings.tariffs = tuple(settle_tariff(t, i, reader) for i, t in enumerate(model.tariff))
    settings.surfaces = _surfaces(model.surface, reader)
    settings.columns = _columns(model.columns, reader)
    return settings


def _settle_zone(site: schema.SiteKeys, settings: Settings, reader: TomlFindings) -> None:
    """Find the time zone."""
    if site.time_zone is None:
        reader.note("step_down", "site.time_zone is not given; times are taken as UTC")
        return
    zone = find_zone(site.time_zone)
    if zone is None:
        near = near_miss(site.time_zone, sorted(available_timezones())) if "/" in site.time_zone else ""
        hint = near or f'; at its latitude and longitude that may be "{nearest_zone(site.latitude, site.longitude)}"'
        reader.problem(
            ("site", "time_zone"),
            read_but(site.time_zone, f'a name like "America/Los_Angeles" or "Europe/Madrid" is allowed{hint}'),
        )
        return
    settings.time_zone = zone
    clock = zone.utcoffset(datetime(2026, 1, 15))
    hours = 0.0 if clock is None else clock.total_seconds() / 3600.0
    sun = settings.longitude / DEGREES_AN_HOUR
    if abs(hours - sun) > FAR_OFF and abs(hours + sun) < NEAR:
        reader.note(
            "warning",
            f"site.longitude {settings.longitude:g} puts the sun {abs(hours - sun):.0f} hours off the clock of "
            f"{site.time_zone}; west is negative: is {-settings.longitude:g} meant?",
        )


DEGREES_AN_HOUR = 15.0  # of longitude, by which the sun's clock moves
FAR_OFF, NEAR = 3.5, 2.5  # [h] between clock and sun that cannot be, and that may be
SAME_TIME = "the window closes when it opens; two different times are needed (00:00 and 24:00 are a whole day)"


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


def _window(keys: schema.WindowKeys, reader: TomlFindings) -> WindowRule:
    """Read the window and the evenings that differ."""
    if keys.opens is None or keys.closes is None:
        reader.note(
            "step_down", "window.opens or window.closes is not given; 21:00 to 06:00 is taken for what is missing"
        )
    opens = OPENS if keys.opens is None else keys.opens
    closes = CLOSES if keys.closes is None else keys.closes
    if keys.closes is not None and closes == opens:
        reader.problem(("window", "closes"), SAME_TIME)
    by_weekday: dict[int, tuple[int, int]] = {}
    for i, rule in enumerate(keys.by_day):
        path = ("window", "by_day", i)
        days = (rule.day or frozenset()) | (rule.days or frozenset())
        if not days:
            reader.problem((*path, "days"), 'this key is missing; a list of weekdays like ["Saturday"] is needed')
        for day in sorted(days):
            if day in by_weekday:
                reader.problem((*path, "days"), f"{WEEKDAYS[day]} stands in two [[window.by_day]]")
            own = opens if rule.opens is None else rule.opens, closes if rule.closes is None else rule.closes
            if own[0] == own[1]:
                reader.problem((*path, "opens" if rule.closes is None else "closes"), SAME_TIME)
            by_weekday[day] = window_minutes(*own)
    return WindowRule(window_minutes(opens, closes), by_weekday)


def _settle_supply(model: schema.SiteFile, settings: Settings, reader: TomlFindings) -> None:
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
    pumps = [settle_pump(pump, i, reader) for i, pump in enumerate(model.pump)]
    settings.pumps = tuple(pumps)
    settings.branches = tuple(
        settle_branch(b, i, settings.names["pump"] or [], reader) for i, b in enumerate(model.branch)
    )
    settings.controllers = tuple(settle_controller(c, i, reader.problem) for i, c in enumerate(model.controller))
    settings.sources = settle_sources(model.source, reader)


def _surfaces(given: Mapping[str, schema.SurfaceKeys], reader: TomlFindings) -> dict[str, SurfaceRule]:
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


def _surface(name: str, keys: schema.SurfaceKeys, base: SurfaceRule, reader: TomlFindings) -> SurfaceRule:
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
    return SurfaceRule(
        priority,
        floor,
        limits["firmness_limit"],
        limits["event_firmness_limit"],
        keys.finish_by,
        keys.finish_by if keys.event_finish_by is None else keys.event_finish_by,
        keys.uniformity == "lower_quarter",
        keys.uniformity == "weighed",
    )


def _columns(given: Mapping[str, Mapping[str, str]], reader: TomlFindings) -> dict[str, dict[str, str]]:
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
