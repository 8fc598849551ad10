"""The site folder: reading it, checking it, saying what was understood.

Map of the folder, in the order a file passes through it::

    units.py                    units of measure; the only place that knows pint
    cells.py                    what one CSV cell may hold and how it is understood
    findings.py  csv_text.py    problems and notes of a folder; the bytes of a CSV file as cells
    tables.py                   cells into arrays in inside units, every fault located
    columns.py                  the columns of every file, their units and limits
    key_types.py  schema.py     what a key may hold; the tables and keys of site.toml
    toml_lines.py               the line each key stands on
    settings.py  settle.py      site.toml as written; defaults filled in, names turned into indices
    likely.py  doubts.py        whole columns in another unit; what is possible and hardly meant
    trade_words.py  time_zones.py   what people call grasses and soils; the zone a place may lie in
    outlines.py  positions.py   zones.geojson; where zones lie, in metres
    zones.py  zone_checks.py    zones.csv, and what it may not or hardly say
    series.py                   weather, forecast, probes, applied, calendar, samples
    records.py  unattended_records.py   what comes out: Site and its parts, frozen; those of an unattended evening
    load.py                     the whole folder: load_site
    works.py  water_rules.py    pumps, pipes, waters; allocation, drought orders, tariff
    controllers.py  unattended.py   controllers that hold programmes; feeds, the notice, nightly hours
    places.py                   hole, pitch or part of the grounds, as its name tells
    meter.py                    readings of water meters
    windows.py                  which minutes of which night may be watered, by surface and tariff
    understood.py               what was understood of a site, for people
    reference.py                every column and key on one page, `scenarios/reference.md`
"""

from scheduler.site.load import load_site
from scheduler.site.records import (
    EVENTS,
    SURFACES,
    WEEKDAYS,
    Allocation,
    Branch,
    Controller,
    Pump,
    Restriction,
    Site,
    Source,
    SurfaceRule,
    Tariff,
    WindowRule,
    ZoneTable,
)

__all__ = [
    "EVENTS",
    "SURFACES",
    "WEEKDAYS",
    "Allocation",
    "Branch",
    "Controller",
    "Pump",
    "Restriction",
    "Site",
    "Source",
    "SurfaceRule",
    "Tariff",
    "WindowRule",
    "ZoneTable",
    "load_site",
]
