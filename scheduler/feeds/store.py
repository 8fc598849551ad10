"""What feeds brought, kept in the site folder: `feeds/SERIES.csv` in the shape of the files, `feeds/state.json` beside.

Both are written in one step. The rows kept are those of the last months; the ledger holds all of them.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import pandas as pd

from scheduler.files import write_atomic
from scheduler.site.columns import FILES
from scheduler.site.findings import Findings
from scheduler.site.load import FED, FEEDS
from scheduler.site.records import Site
from scheduler.site.series import build_fed, empty
from scheduler.site.tables import read_table

STATE = "state.json"
KEPT = {"weather": 800, "forecast": 120, "probes": 200, "applied": 800}  # [d] of rows kept in the folder
TIMES = {"weather": "date", "forecast": "issued", "probes": "time", "applied": "night"}


@dataclass
class FeedState:
    """What is known of one feed; moments are ISO texts with their offset, "" for none.

    tried, taken : when it was last asked, and when a document of it last counted;  issued : of that document.
    rows : digest of its rows;  etag, last_modified, expires : as its server said;  fault : why the last one did not
    count, "" if it did;  said : remarks on the last document.
    """

    tried: str = ""
    taken: str = ""
    issued: str = ""
    rows: str = ""
    etag: str = ""
    last_modified: str = ""
    expires: str = ""
    fault: str = ""
    said: list[str] = field(default_factory=list)


def read_states(folder: Path) -> dict[str, FeedState]:
    """Read feeds/state.json; a file that cannot be read counts as none, as all in it can be found out again."""
    try:
        found = json.loads((folder / FEEDS / STATE).read_text(encoding="utf-8"))
        return {str(name): FeedState(**state) for name, state in found["feeds"].items()}
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return {}


def write_states(folder: Path, states: dict[str, FeedState]) -> None:
    """Write feeds/state.json."""
    text = json.dumps({"schema": "evenfall-feeds/1", "feeds": {n: asdict(s) for n, s in states.items()}}, indent=1)
    write_atomic(folder / FEEDS / STATE, text + "\n")


def held_rows(site: Site, series: str) -> pd.DataFrame:
    """Rows of feeds/SERIES.csv, in the units inside; without rows where there is none or it cannot be read."""
    findings = Findings()
    table = read_table(site.folder, f"{FEEDS}/{series}.csv", FILES[series], findings, time_zone=site.time_zone)
    if table is None or findings.problems:
        return empty(FILES[series])
    zones = [str(z) for z in site.zones.zone]
    return build_fed(series, table, zones, site.probe_sites, 2.0, findings)


def add_rows(site: Site, series: str, rows: pd.DataFrame, now: datetime) -> int:
    """Add rows to feeds/SERIES.csv; those of the same key take the place of the ones held.

    Returns
    -------
    int   Rows that are new or say something else than before.
    """
    key, time = list(FED[series]), TIMES[series]
    held = held_rows(site, series)
    both = rows if held.empty else pd.concat([held, rows], ignore_index=True)
    merged = both.drop_duplicates(key, keep="last").sort_values(key, kind="stable")
    merged = merged[merged[time] >= pd.Timestamp(now.replace(tzinfo=None)) - timedelta(days=KEPT[series])]
    text = _text(merged, series)
    path = site.folder / FEEDS / f"{series}.csv"
    before = set(path.read_text(encoding="utf-8").splitlines()) if path.is_file() else set()
    changed = [line for line in text.splitlines()[1:] if line not in before]
    if changed or not before:
        write_atomic(path, text)
    return len(changed)


def _text(rows: pd.DataFrame, series: str) -> str:
    """Rows as CSV in the default units of the format."""
    table = rows.copy()
    for column in FILES[series]:
        if column.kind == "date":
            table[column.name] = table[column.name].dt.strftime("%Y-%m-%d")
        elif column.kind == "time":
            table[column.name] = table[column.name].dt.strftime("%Y-%m-%dT%H:%M:%S")
    return str(table.to_csv(index=False, lineterminator="\n", float_format="%.6g"))
