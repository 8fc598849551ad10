"""Reading a whole site folder: settings, zones, series; all problems together."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pandas as pd

from scheduler.errors import InputProblems
from scheduler.site import meter, series
from scheduler.site.columns import FILES
from scheduler.site.findings import Findings
from scheduler.site.outlines import ONLY_DRAWN, read_outlines
from scheduler.site.records import Site, ZoneTable, no_edits
from scheduler.site.settings import read_settings
from scheduler.site.settle import Settings, named
from scheduler.site.tables import Table, read_table
from scheduler.site.zones import build_zones, former_names

# What is done in a simpler way where a file is absent or holds no row.
STEP_DOWNS = {
    "weather": "no weather is known; zones start at field capacity and only the forecast gives a demand",
    "forecast": "no forecast is known; the coming days are taken to be like the last ones observed, without rain",
    "probes": "no probes are read; the state of the zones is the water balance's alone",
    "probe_sites": "no probe has a place; readings cannot be used",
    "applied": "what really ran is not known",
    "calendar": "no events are known; no night is protected",
    "samples": "no laboratory salinity is known",
    "meter": "no meter is read; the account of a season stands on the log alone",
    "edits": "the manager has changed nothing",
}
FEEDS = "feeds"  # folder of what feeds brought, in the shape of the files
FED = {  # series a feed may bring, and the key of a row
    "weather": ("date",),
    "forecast": ("issued", "member", "date"),
    "probes": ("time", "probe"),
    "applied": ("night", "zone"),
}
LEDGER_VARIABLE = "EVENFALL_LEDGER"  # of the environment: the ledger of sites that name none
INVENTED = "invented samples"
INVENTED_WORDS = (
    "Plans are for trying out: put your own files in their place, then take their names out of `invented` in site.toml"
)
_INFO = ("calendar", "samples", "meter", "edits")  # absent from most sites


def load_site(folder: Path, without: frozenset[str] = frozenset()) -> Site:
    """Read a site folder.

    Parameters
    ----------
    folder : Path
        Holds site.toml and zones.csv, and any of the other files of the site format.
    without : frozenset of str
        Series that are left out, because they hold problems; each leaves a note.

    Returns
    -------
    Site
        Frozen, in the units inside, with every default filled in and a note for each.

    Raises
    ------
    InputProblems
        The folder holds problems; all of them, sorted by file and line.
    """
    folder = Path(folder)
    findings = Findings()
    if not folder.is_dir():
        findings.problem(str(folder), None, None, "there is no such folder")
        raise InputProblems(findings.problems)
    settings = read_settings(folder, findings)
    zone_table = _read(folder, "zones", settings, findings, indispensable=True)
    names = None if zone_table is None else [str(z) for z in zone_table.values["zone"]]
    drawn = not ONLY_DRAWN <= without
    outlines = read_outlines(folder, names, findings) if drawn else {}
    if not drawn:
        findings.note("warning", "zones.geojson", "the file holds problems; the map does without outlines")
    zones = None if zone_table is None else build_zones(zone_table, settings, findings, outlines)
    formerly = {} if zones is None else former_names(zones)
    frames = _read_series(folder, settings, names, formerly, findings, without)
    if findings.problems or zones is None:
        raise InputProblems(findings.problems)
    return replace(_site(folder, settings, zones, frames, findings), left_out=without - ONLY_DRAWN)


def _read(folder: Path, name: str, settings: Settings, findings: Findings, indispensable: bool = False) -> Table | None:
    """Read one table by its name."""
    return read_table(
        folder,
        f"{name}.csv",
        FILES[name],
        findings,
        column_map=settings.columns.get(name),
        time_zone=settings.time_zone,
        indispensable=indispensable,
    )


def _read_series(
    folder: Path,
    settings: Settings,
    zones: list[str] | None,
    formerly: dict[str, str],
    findings: Findings,
    without: frozenset[str],
) -> dict[str, pd.DataFrame]:
    """Read every series that is there and is not left out; a zone's former name in them is the zone."""
    names = [name for name in FILES if name != "zones"]
    tables = {name: None if name in without else _read(folder, name, settings, findings) for name in names}
    for name in sorted(without.intersection(names)):
        findings.note("warning", f"{name}.csv", "the file holds problems and is left out of this plan")
    for table in tables.values():
        if table is not None and formerly:
            series.rename_zones(table, formerly)
    frames = {name: series.empty(FILES[name]) for name in tables}
    frames["calendar"] = series.empty_calendar()
    frames["meter"] = meter.no_readings()
    frames["gone"] = frames["applied"]
    if (t := tables["probe_sites"]) is not None:
        frames["probe_sites"] = series.build_probe_sites(t, zones, findings)
    for name in ("weather", "forecast", "probes"):
        if (t := tables[name]) is not None:
            frames[name] = series.build_fed(name, t, zones, frames["probe_sites"], settings.wind_height, findings)
    if (t := tables["applied"]) is not None:
        frames["applied"], frames["gone"] = series.build_applied(t, zones, findings)
    if (t := tables["calendar"]) is not None:
        frames["calendar"] = series.build_calendar(t, zones, findings)
    if (t := tables["samples"]) is not None:
        frames["samples"] = series.build_samples(t, zones, findings)
    if (t := tables["meter"]) is not None:
        frames["meter"] = meter.build_meter(t, named(settings, "source"), settings.time_zone, findings)
    frames["edits"] = no_edits() if (t := tables["edits"]) is None else series.build_edits(t, zones, findings)
    if zones is not None:
        _add_feeds(folder, settings, zones, formerly, frames, tables, findings, without)
    samples = [name for name in STEP_DOWNS if name in settings.invented and tables[name] is not None]
    if samples:
        findings.note("step_down", INVENTED, f"in {', '.join(samples)}. {INVENTED_WORDS}")
    for name, words in STEP_DOWNS.items():
        if frames[name].empty:
            if name == "probe_sites" and tables["probes"] is None:
                continue
            state = "is absent" if tables[name] is None else "holds no usable row"
            findings.note("info" if name in _INFO else "step_down", f"{name}.csv", f"the file {state}: {words}")
    return frames


def _add_feeds(
    folder: Path,
    settings: Settings,
    zones: list[str],
    formerly: dict[str, str],
    frames: dict[str, pd.DataFrame],
    tables: dict[str, Table | None],
    findings: Findings,
    without: frozenset[str],
) -> None:
    """Put what feeds brought behind the files of the folder; where both speak, the file a person wrote counts."""
    for name, key in FED.items():
        if name in without:
            continue
        file = f"{FEEDS}/{name}.csv"
        table = read_table(folder, file, FILES[name], findings, time_zone=settings.time_zone)
        if table is None:
            continue
        if formerly:
            series.rename_zones(table, formerly)
        frame = series.build_fed(name, table, zones, frames["probe_sites"], 2.0, findings)
        own = frames[name]
        both = frame if own.empty else pd.concat([frame, own], ignore_index=True)
        frames[name] = both.drop_duplicates(list(key), keep="last").sort_values(list(key), kind="stable")
        frames[name] = frames[name].reset_index(drop=True)
        tables[name] = tables[name] or table


def _site(
    folder: Path, settings: Settings, zones: ZoneTable, frames: dict[str, pd.DataFrame], findings: Findings
) -> Site:
    """Put the site together."""
    return Site(
        folder=folder,
        name=settings.name,
        latitude=settings.latitude,
        longitude=settings.longitude,
        elevation=settings.elevation,
        time_zone=settings.time_zone,
        units=settings.units,
        currency=settings.currency,
        nights=settings.nights,
        method=settings.method,
        caution=settings.caution,
        price_of_a_run=settings.price_of_a_run,
        window=settings.window,
        pumps=settings.pumps,
        branches=settings.branches,
        controllers=settings.controllers,
        sources=settings.sources,
        allocation=settings.allocation,
        allowance=settings.allowance,
        meter_error=settings.meter_error,
        restrictions=settings.restrictions,
        tariffs=settings.tariffs,
        surfaces=settings.surfaces,
        zones=zones,
        **frames,
        notes=tuple(findings.notes),
        ledger_url=settings.ledger_url or os.environ.get(LEDGER_VARIABLE),
        ledger_name=settings.ledger_name,
        wind_height=settings.wind_height,
        contact=settings.contact,
        invented=settings.invented,
        feeds=settings.feeds,
        notice=settings.notice,
        nightly=settings.nightly,
    )
