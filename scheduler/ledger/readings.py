"""Probe readings into and out of the ledger, by the hundred thousand.

The same rule as `merge.py` (new, replaced with history, the same), over plain arrays and the database's own fast ways
in: executemany into SQLite, COPY into PostgreSQL. Rows are compared with those held in the same span of each probe,
found by the key alone.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd
import sqlalchemy as sa
from sqlalchemy import Connection

from scheduler.ledger.merge import Counts
from scheduler.ledger.tables import history, probes, readings

VALUES = ("moisture", "ec", "temperature", "permittivity")
ROWS_AT_ONCE = 400_000  # rows in memory as Python objects
_SHIFT = 2**36  # above any time in seconds, so that probe and time make one number


def to_seconds(times: pd.Series | np.ndarray | pd.DatetimeIndex) -> np.ndarray:
    """Turn local clock times into the ledger's seconds."""
    return np.asarray(times).astype("datetime64[s]").astype(np.int64)


def to_times(seconds: np.ndarray) -> np.ndarray:
    """Turn the ledger's seconds into local clock times, datetime64[ns]."""
    return np.asarray(seconds, dtype=np.int64).astype("datetime64[s]").astype("datetime64[ns]")


def probe_numbers(connection: Connection, site_id: int, names: np.ndarray | None = None) -> dict[str, int]:
    """Give the numbers of a site's probes; names that have none get one (inside a writing transaction)."""
    query = sa.select(probes.c.name, probes.c.probe_id).where(probes.c.site_id == site_id)
    known = {str(name): int(number) for name, number in connection.execute(query)}
    missing = [] if names is None else sorted({str(name) for name in names} - known.keys())
    if missing:
        connection.execute(probes.insert(), [{"site_id": site_id, "name": name} for name in missing])
        known = {str(name): int(number) for name, number in connection.execute(query)}
    return known


def merge_readings(connection: Connection, frame: pd.DataFrame, site_id: int, intake_id: int) -> Counts:
    """Merge a frame of readings, columns as Site.probes, one row a probe and time.

    Raises
    ------
    ValueError
        A probe has two rows of one time, or a number is infinite.
    """
    if frame.empty:
        return Counts()
    codes, names = pd.factorize(frame["probe"])
    numbers = probe_numbers(connection, site_id, names)
    number = np.array([numbers[str(name)] for name in names], dtype=np.int64)[codes]
    time = to_seconds(frame["time"])
    order = np.argsort(number * _SHIFT + time, kind="stable")
    number, time = number[order], time[order]
    key = number * _SHIFT + time
    if (key[1:] == key[:-1]).any():
        raise ValueError("readings: a probe stands twice at one time in the frame")
    values = np.column_stack([frame[name].to_numpy(dtype=float)[order] for name in VALUES])
    if np.isinf(values).any():
        raise ValueError("readings: an infinite number")
    counts = Counts()
    for low, high in _parts(number):
        part = slice(low, high)
        counts += _merge_part(connection, number[part], time[part], values[part], site_id, intake_id)
    return counts


def read_readings(connection: Connection, site_id: int, since: Any = None, until: Any = None) -> pd.DataFrame:
    """Give the readings of all probes of a site from `since` up to and including `until`, sorted by time and probe."""
    numbers = probe_numbers(connection, site_id)
    low = -_SHIFT if since is None else int(to_seconds(np.array([since], dtype="datetime64[s]"))[0])
    high = _SHIFT if until is None else int(to_seconds(np.array([until], dtype="datetime64[s]"))[0])
    found = _fetch(connection, sorted(numbers.values()), low, high)
    name_of = pd.Series({number: name for name, number in numbers.items()}, dtype=object)
    probe = (
        name_of.reindex(found[:, 0].astype(np.int64)).to_numpy(dtype=object)
        if len(found)
        else np.zeros(0, dtype=object)
    )
    data = {"time": to_times(found[:, 1]), "probe": probe} | {n: found[:, 2 + i] for i, n in enumerate(VALUES)}
    return pd.DataFrame(data).sort_values(["time", "probe"], kind="stable", ignore_index=True)


def newest_times(connection: Connection, site_id: int) -> pd.Series:
    """Give the local time of the newest reading of each probe, indexed by name; one step down the key a probe."""
    newest = sa.select(sa.func.max(readings.c.time)).where(readings.c.probe_id == probes.c.probe_id).scalar_subquery()
    rows = connection.execute(sa.select(probes.c.name, newest).where(probes.c.site_id == site_id)).all()
    rows = [row for row in rows if row[1] is not None]
    return pd.Series(to_times(np.array([r[1] for r in rows], dtype=np.int64)), index=[r[0] for r in rows])


def _parts(number: np.ndarray) -> list[tuple[int, int]]:
    """Cut sorted rows into parts of whole probes, each about ROWS_AT_ONCE long (a longer probe is cut too)."""
    cuts = [0]
    edges = [*(np.flatnonzero(np.diff(number)) + 1).tolist(), len(number)]
    for i, edge in enumerate(edges):
        following = edges[i + 1] if i + 1 < len(edges) else edge
        if following - cuts[-1] > ROWS_AT_ONCE or edge == len(number):
            cuts.extend(range(cuts[-1] + ROWS_AT_ONCE, edge, ROWS_AT_ONCE))
            cuts.append(edge)
    return list(zip(cuts[:-1], cuts[1:], strict=True))


def _merge_part(
    connection: Connection, number: np.ndarray, time: np.ndarray, values: np.ndarray, site_id: int, intake_id: int
) -> Counts:
    held = _held_of(connection, number, time)
    key, held_key = number * _SHIFT + time, held[:, 0].astype(np.int64) * _SHIFT + held[:, 1].astype(np.int64)
    at = np.searchsorted(held_key, key)
    known = np.zeros(len(key), dtype=bool)
    inside = at < len(held_key)
    known[inside] = held_key[at[inside]] == key[inside]
    differs = np.zeros(len(key), dtype=bool)
    before = held[at[known], 2:6]
    differs[known] = ((values[known] != before) & ~(np.isnan(values[known]) & np.isnan(before))).any(axis=1)
    fresh = ~known
    _add(connection, number[fresh], time[fresh], values[fresh], intake_id)
    if differs.any():
        _replace(connection, number[differs], time[differs], values[differs], held[at[differs]], site_id, intake_id)
    return Counts(int(fresh.sum()), int(differs.sum()), int((known & ~differs).sum()))


def _held_of(connection: Connection, number: np.ndarray, time: np.ndarray) -> np.ndarray:
    """Read the rows held of each probe within the span of its incoming rows, sorted by key; columns as `_fetch`."""
    starts = np.flatnonzero(np.append(True, number[1:] != number[:-1]))
    ends = np.append(starts[1:], len(number)) - 1
    parts = [
        _fetch(connection, [int(number[first])], int(time[first]), int(time[last]))
        for first, last in zip(starts.tolist(), ends.tolist(), strict=True)
    ]
    return np.concatenate(parts)


def _fetch(connection: Connection, numbers: list[int], low: int, high: int) -> np.ndarray:
    """Read (probe, time, the four values, intake) as one float array; times are whole seconds, exact in a float."""
    mark = "?" if connection.dialect.name == "sqlite" else "%s"
    text = (
        "SELECT probe_id, time, moisture, ec, temperature, permittivity, intake_id FROM readings "
        f"WHERE probe_id = {mark} AND time BETWEEN {mark} AND {mark} ORDER BY time"
    )
    cursor = connection.connection.cursor()
    parts = []
    try:
        for number in numbers:
            cursor.execute(text, (number, low, high))
            rows = cursor.fetchall()
            if rows:
                parts.append(np.array(rows, dtype=float))
    finally:
        cursor.close()
    return np.concatenate(parts) if parts else np.zeros((0, 7))


def _add(connection: Connection, number: np.ndarray, time: np.ndarray, values: np.ndarray, intake_id: int) -> None:
    if not len(number):
        return
    writer = [intake_id] * len(number)
    cursor = connection.connection.cursor()
    try:
        if connection.dialect.name == "sqlite":  # binds NaN as NULL by itself
            rows = zip(number.tolist(), time.tolist(), *values.T.tolist(), writer, strict=True)
            cursor.executemany("INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
        else:
            lists = [[None if v != v else v for v in column] for column in values.T.tolist()]
            with cursor.copy(
                "COPY readings (probe_id, time, moisture, ec, temperature, permittivity, intake_id) FROM STDIN"
            ) as copy:
                for row in zip(number.tolist(), time.tolist(), *lists, writer, strict=True):
                    copy.write_row(row)
    finally:
        cursor.close()


def _replace(
    connection: Connection,
    number: np.ndarray,
    time: np.ndarray,
    values: np.ndarray,
    held: np.ndarray,
    site_id: int,
    intake_id: int,
) -> None:
    name_of = {v: k for k, v in probe_numbers(connection, site_id).items()}
    entries, updates = [], []
    for i in range(len(number)):
        p, t = int(number[i]), int(time[i])
        said = {name: _known(held[i, 2 + j]) for j, name in enumerate(VALUES)}
        entries.append(
            {
                "site_id": site_id,
                "series": "readings",
                "row_key": json.dumps([name_of[p], t]),
                "said": json.dumps(said),
                "written_by": int(held[i, 6]),
                "replaced_by": intake_id,
            }
        )
        updates.append({"p": p, "t": t} | {name: _known(values[i, j]) for j, name in enumerate(VALUES)})
    connection.execute(history.insert(), entries)
    connection.execute(
        readings.update()
        .where(readings.c.probe_id == sa.bindparam("p"), readings.c.time == sa.bindparam("t"))
        .values({name: sa.bindparam(name) for name in VALUES} | {"intake_id": intake_id}),
        updates,
    )


def _known(value: float) -> float | None:
    return None if value != value else float(value)
