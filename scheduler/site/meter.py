"""meter.csv: the readings of water meters, one count a meter until it is exchanged.

Times are kept in UTC, so that an autumn night loses no reading. Where a meter's row says nothing of its source, its
kind or where it rolls over, the meter's other rows say it. What the readings amount to is `models.metering`'s work.
"""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from scheduler.errors import counted, listing, near_miss, read_but
from scheduler.site.columns import FILES
from scheduler.site.findings import Findings
from scheduler.site.series import empty, frame
from scheduler.site.tables import Table

EXCHANGED = "exchanged"  # a note that begins with it starts a new count
HOUR = np.timedelta64(1, "h")


def build_meter(table: Table, sources: Sequence[str] | None, time_zone: ZoneInfo, findings: Findings) -> pd.DataFrame:
    """Give the readings of meters, sorted by meter and time.

    Parameters
    ----------
    table : Table                  meter.csv as read.
    sources : sequence of str      Names of the site's sources; None if they could not be read.
    time_zone : ZoneInfo
    findings : Findings            Receives every problem and note.

    Returns
    -------
    DataFrame
        time (UTC), meter, reading [m3], source, kind, rolls_over_at [m3], note, starts (whether a new count begins).
    """
    _check_source(table, sources, findings)
    data = frame(table, FILES["meter"])
    data["starts"] = data["note"].astype(str).str.strip().str.casefold().str.startswith(EXCHANGED)
    data["row"] = np.arange(len(data))
    data["kind"] = _said_once(table, data, "kind", "cumulative", findings)
    data["source"] = _said_once(table, data, "source", "", findings)
    count = data.sort_values("time", kind="stable").groupby("meter")["starts"].cumsum()
    stretch = [data["meter"], count.reindex(data.index)]
    known = data["rolls_over_at"]
    data["rolls_over_at"] = known.groupby(stretch).ffill().fillna(known.groupby(stretch).bfill())
    over = (data["reading"] >= data["rolls_over_at"]).to_numpy() & (data["kind"] == "cumulative").to_numpy()
    table.refuse(
        findings, "reading", over,
        lambda row: read_but(
            table.written("reading", data["reading"][row]),
            f"a reading below rolls_over_at, {data['rolls_over_at'][row]:.10g} m3, is allowed",
        ),
    )  # fmt: skip
    data = _in_the_doubled_hour(data, time_zone)
    key = ["meter", "time", "starts"]
    doubled = data.duplicated(key, keep="last")
    if doubled.any():
        rows = counted(int(doubled.sum()), "reading")
        findings.note(
            "info", table.file, f"{rows} repeated by a later row of the same meter and time; the later one is used"
        )
        data = data[~doubled]
    return data.sort_values(key, kind="stable").drop(columns="row").reset_index(drop=True)


def no_readings() -> pd.DataFrame:
    """Give a table of readings without rows."""
    return empty(FILES["meter"]).assign(starts=np.zeros(0, dtype=bool))


def _check_source(table: Table, sources: Sequence[str] | None, findings: Findings) -> None:
    """Refuse a source that site.toml does not have."""
    if sources is None:
        return
    written, known = table.values["source"], {*sources, ""}
    bad = np.array([name not in known for name in written], dtype=bool)
    if sources:
        words = f"allowed: {listing(sources)}"
    else:
        words = "site.toml has no [[source]]; an empty cell is allowed"
    table.refuse(
        findings, "source", bad, lambda row: read_but(written[row], f"{words}{near_miss(written[row], list(sources))}")
    )


def _said_once(table: Table, data: pd.DataFrame, column: str, otherwise: str, findings: Findings) -> pd.Series:
    """Fill a meter's empty cells from its other rows; one meter that says two things is refused."""
    said = data[column].where(data[column] != "")
    first = said.groupby(data["meter"]).transform("first")
    clash = (said.notna() & (said != first)).to_numpy()
    words = "one is allowed for a meter, and an earlier row has"
    table.refuse(findings, column, clash, lambda row: read_but(said[row], f'{words} "{first[row]}"'))
    return first.fillna(otherwise).astype(object)


def _in_the_doubled_hour(data: pd.DataFrame, time_zone: ZoneInfo) -> pd.DataFrame:
    """Move the second of two readings that stand at the same time of an hour the clock shows twice, to the second.

    Only where the file has no reading there already: then the times carry offsets, and the row is a repetition.
    """
    if data.empty:
        return data
    moments = pd.DatetimeIndex(data["time"]).tz_localize("UTC")
    here = moments.tz_convert(time_zone).tz_localize(None)
    later = (moments + pd.Timedelta(hours=1)).tz_convert(time_zone).tz_localize(None)
    twice = np.asarray(here == later) & data.duplicated(["meter", "time", "starts"], keep="first").to_numpy()
    if not twice.any():
        return data
    moved = data["time"].where(~twice, data["time"] + HOUR)
    there = set(zip(data["meter"], data["time"], strict=True))
    free = [(m, t) not in there for m, t in zip(data["meter"], moved, strict=True)]
    return data.assign(time=moved.where(~twice | np.array(free), data["time"]))
