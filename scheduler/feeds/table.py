"""Rows of a feed as a table of the site's own kind: the same limits, the same words as for a file a person wrote."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from scheduler.feeds.bulletin import Bulletin, Refused
from scheduler.site.columns import FILES
from scheduler.site.findings import Findings
from scheduler.site.records import Site
from scheduler.site.series import build_fed
from scheduler.site.tables import read_table


def read_csv(data: bytes, name: str, site: Site, columns: Mapping[str, str]) -> Bulletin:
    """Read a CSV document of one series through a column map.

    Raises
    ------
    Refused   Any row has a problem: a table is taken whole or not at all.
    """
    head = data[:200].lstrip().lower()
    if head.startswith((b"<!doctype", b"<html", b"<?xml")):
        raise Refused("a web page came in place of data")
    findings = Findings()
    frame = _frame(data, name, site, columns, findings, site.wind_height)
    notes = tuple(n.text for n in findings.notes if n.kind == "warning")
    return Bulletin(frame, None, None, None, notes)


def checked(bulletin: Bulletin, name: str, site: Site) -> Bulletin:
    """Hold the rows of a bulletin against the limits of a series, and give them its types.

    Raises
    ------
    Refused   A value is outside of what is possible, or the least of a day is above its greatest.
    """
    findings = Findings()
    text = bulletin.rows.to_csv(index=False).encode()
    frame = _frame(text, name, site, {}, findings, 2.0)
    notes = tuple(n.text for n in findings.notes if n.kind == "warning")
    return Bulletin(frame, bulletin.issued, bulletin.latitude, bulletin.longitude, (*bulletin.notes, *notes))


def _frame(
    data: bytes, name: str, site: Site, columns: Mapping[str, str], findings: Findings, wind_height: float
) -> pd.DataFrame:
    """Rows of a series, read as its file would be."""
    with tempfile.TemporaryDirectory() as place:
        file = f"{name}.csv"
        (Path(place) / file).write_bytes(data)
        table = read_table(
            Path(place), file, FILES[name], findings, column_map=columns, time_zone=site.time_zone, indispensable=True
        )
    frame = (
        None
        if table is None
        else build_fed(name, table, [str(z) for z in site.zones.zone], site.probe_sites, wind_height, findings)
    )
    if findings.problems or frame is None:
        first = findings.problems[0]
        place_in = f"line {first.line}, " if first.line and first.line > 1 else ""
        column = f'column "{first.column}": ' if first.column else ""
        raise Refused(f"{place_in}{column}{first.message}")
    return frame
