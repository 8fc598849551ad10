"""Probe readings into and out of the ledger, by the hundred thousand.

The same rule as `merge.py` (new, replaced with history, the same), over plain arrays and the database's own fast ways
in: executemany into SQLite, COPY into PostgreSQL. Rows are compared with those held in the same span of each probe,
found by the key alone; days of a probe that come just as they came last time are known by their digest.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import sqlalchemy as sa
from sqlalchemy import Connection

from scheduler.ledger.merge import Counts
from scheduler.ledger.tables import history, probes, reading_days, readings

VALUES = ("moisture", "ec", "temperature", "permittivity")
ROWS_AT_ONCE = 400_000  # rows in memory as Python objects
_DAY = 86_400  # [s]
_UNKNOWN = np.uint64(0x7FF8_0000_0000_0001)  # one pattern for every value that is not known
_MIX = tuple(np.uint64(n) for n in (0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB))  # odd, well mixed
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


def count_readings(connection: Connection, site_id: int, since: Any) -> int:
    """Count the readings of all probes of a site from `since` on; by the key alone, without their values."""
    low = int(to_seconds(np.array([since], dtype="datetime64[s]"))[0])
    mine = sa.select(probes.c.probe_id).where(probes.c.site_id == site_id)
    query = sa.select(sa.func.count()).select_from(readings)
    return int(connection.execute(query.where(readings.c.probe_id.in_(mine), readings.c.time >= low)).scalar_one())


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
    days = _Days.of(number, time, values)
    told = days.known(connection)
    again = days.rows_of(told)
    same = int(again.sum())
    number, time, values = number[~again], time[~again], values[~again]
    if not len(number):
        return Counts(0, 0, same)
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
    days.keep(connection, ~told)
    return Counts(int(fresh.sum()), int(differs.sum()), same + int((known & ~differs).sum()))


@dataclass(frozen=True)
class _Days:
    """Rows sorted by probe and time, cut into days: first row of each, and the rows' digests summed over the day.

    Whoever takes in rows of a day keeps their digest, so that a digest kept says: just these rows are held as they are.
    """

    rows: int
    starts: np.ndarray
    probe: np.ndarray
    day: np.ndarray
    digest: np.ndarray

    @classmethod
    def of(cls, number: np.ndarray, time: np.ndarray, values: np.ndarray) -> _Days:
        day = time // _DAY
        starts = np.flatnonzero(np.concatenate(([True], (np.diff(number) != 0) | (np.diff(day) != 0))))
        digest = np.add.reduceat(_digests(time, values), starts).view(np.int64)
        return cls(len(number), starts, number[starts], day[starts], digest)

    def known(self, connection: Connection) -> np.ndarray:
        """Say which days were last taken in just so, (days,)."""
        table = reading_days.c
        query = sa.select(table.probe_id, table.day, table.digest).where(
            table.probe_id.between(int(self.probe[0]), int(self.probe[-1])),
            table.day.between(int(self.day.min()), int(self.day.max())),
        )
        kept = np.array([tuple(row) for row in connection.execute(query)], dtype=np.int64).reshape(-1, 3)
        kept = kept[np.lexsort((kept[:, 1], kept[:, 0]))]
        key, own = kept[:, 0] * _SHIFT + kept[:, 1], self.probe * _SHIFT + self.day
        at = np.minimum(np.searchsorted(key, own), max(len(key) - 1, 0))
        return (key[at] == own) & (kept[at, 2] == self.digest) if len(key) else np.zeros(len(own), dtype=bool)

    def rows_of(self, days: np.ndarray) -> np.ndarray:
        """Say which rows belong to some days, (rows,)."""
        return np.repeat(days, np.diff(np.append(self.starts, self.rows)))

    def keep(self, connection: Connection, days: np.ndarray) -> None:
        """Keep the digests of some days."""
        text = "INSERT INTO reading_days (probe_id, day, digest) VALUES (?, ?, ?) "
        text += "ON CONFLICT (probe_id, day) DO UPDATE SET digest = excluded.digest"
        if connection.dialect.name != "sqlite":
            text = text.replace("?", "%s")
        rows = [column[days].tolist() for column in (self.probe, self.day, self.digest)]
        connection.exec_driver_sql(text, list(zip(*rows, strict=True)))


def _digests(time: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Give a 64-bit digest of each row, (rows,) of uint64; multiply and shift as usual hashes do."""
    out = time.astype(np.uint64) * _MIX[0]
    for column in values.T:
        bits = np.where(np.isnan(column), _UNKNOWN, np.ascontiguousarray(column).view(np.uint64))
        out = (out ^ (out >> np.uint64(31)) ^ bits) * _MIX[1]
    out = (out ^ (out >> np.uint64(29))) * _MIX[2]
    return out ^ (out >> np.uint64(32))


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
