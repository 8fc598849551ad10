"""Reading a whole site folder: settings, zones, series; all problems together."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from scheduler.errors import InputProblems
from scheduler.site import meter, series
from scheduler.site.columns import FILES
from scheduler.site.records import Site, ZoneTable
from scheduler.site.settings import read_settings
from scheduler.site.settle import Settings, named
from scheduler.site.tables import Findings, Table, read_table
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
}
_INFO = ("calendar", "samples", "meter")  # absent from most sites


def load_site(folder: Path) -> Site:
    """Read a site folder.

    Parameters
    ----------
    folder : Path
        Holds site.toml and zones.csv, and any of the other files of the site format.

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
    zones = None if zone_table is None else build_zones(zone_table, settings, findings)
    names = None if zone_table is None else [str(z) for z in zone_table.values["zone"]]
    frames = _read_series(folder, settings, names, {} if zones is None else former_names(zones), findings)
    if findings.problems or zones is None:
        raise InputProblems(findings.problems)
    return _site(folder, settings, zones, frames, findings)


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
    folder: Path, settings: Settings, zones: list[str] | None, formerly: dict[str, str], findings: Findings
) -> dict[str, pd.DataFrame]:
    """Read every series that is there; a zone's former name in them is the zone."""
    tables = {name: _read(folder, name, settings, findings) for name in FILES if name != "zones"}
    for table in tables.values():
        if table is not None and formerly:
            series.rename_zones(table, formerly)
    frames = {name: series.empty(FILES[name]) for name in tables}
    frames["calendar"] = series.empty_calendar()
    frames["meter"] = meter.no_readings()
    frames["gone"] = frames["applied"]
    height = settings.wind_height
    if (t := tables["weather"]) is not None:
        frames["weather"] = series.build_weather(t, height, findings)
    if (t := tables["forecast"]) is not None:
        frames["forecast"] = series.build_forecast(t, height, findings)
    if (t := tables["probe_sites"]) is not None:
        frames["probe_sites"] = series.build_probe_sites(t, zones, findings)
    if (t := tables["probes"]) is not None:
        frames["probes"] = series.build_probes(t, frames["probe_sites"], findings)
    if (t := tables["applied"]) is not None:
        frames["applied"], frames["gone"] = series.build_applied(t, zones, findings)
    if (t := tables["calendar"]) is not None:
        frames["calendar"] = series.build_calendar(t, zones, findings)
    if (t := tables["samples"]) is not None:
        frames["samples"] = series.build_samples(t, zones, findings)
    if (t := tables["meter"]) is not None:
        frames["meter"] = meter.build_meter(t, named(settings, "source"), settings.time_zone, findings)
    for name, words in STEP_DOWNS.items():
        if frames[name].empty:
            if name == "probe_sites" and tables["probes"] is None:
                continue
            state = "is absent" if tables[name] is None else "holds no usable row"
            findings.note("info" if name in _INFO else "step_down", f"{name}.csv", f"the file {state}: {words}")
    return frames


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
        ledger_url=settings.ledger_url,
        ledger_name=settings.ledger_name,
    )
