"""Rows into the ledger by their natural key: new are added, changed replace with history, same do nothing.

Nothing is written that the ledger already says, so reading a file again changes nothing. What a row said before it
was replaced goes to `history`, with the intake that wrote it and the one that replaced it. Everything happens in the
caller's transaction.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import sqlalchemy as sa
from sqlalchemy import Connection

from scheduler.ledger.tables import history

ROWS_AT_ONCE = 50_000  # statements of one batch


@dataclass(frozen=True)
class Counts:
    """What a merge did to one series: rows that are new, replaced, the same, withdrawn."""

    new: int = 0
    changed: int = 0
    same: int = 0
    withdrawn: int = 0

    def __add__(self, other: Counts) -> Counts:
        """Add up two merges of one series."""
        return Counts(
            self.new + other.new, self.changed + other.changed, self.same + other.same, self.withdrawn + other.withdrawn
        )

    @property
    def written(self) -> int:
        """Give the number of rows that differ from before."""
        return self.new + self.changed + self.withdrawn


@dataclass(frozen=True)
class Series:
    """One table as a series: its natural key without the site, and its values."""

    table: sa.Table
    key: tuple[str, ...]
    values: tuple[str, ...]

    @classmethod
    def of(cls, table: sa.Table) -> Series:
        """Take key and values from the table itself."""
        key = tuple(c.name for c in table.primary_key.columns if c.name != "site_id")
        values = tuple(c.name for c in table.columns if not c.primary_key and c.name not in ("site_id", "intake_id"))
        return cls(table, key, values)


def merge(
    connection: Connection,
    series: Series,
    frame: pd.DataFrame,
    site_id: int,
    intake_id: int,
    *,
    whole: bool = False,
    where: sa.ColumnElement[bool] | None = None,
) -> Counts:
    """Merge a frame into a series of one site.

    Parameters
    ----------
    connection : Connection         Inside a writing transaction.
    series : Series                 Where to.
    frame : DataFrame               Columns of the key and of the values; numbers, or text already as the table
                                    keeps it; one row a key.
    site_id, intake_id : int        Whose, and by whom.
    whole : bool                    The frame is all there is: rows of the ledger that it lacks are withdrawn.
    where : SQL expression          With `whole`: the rows that the frame speaks about; others stay as they are.

    Raises
    ------
    ValueError
        A key stands twice in the frame, or a number is infinite.
    """
    table, key, values = series.table, list(series.key), list(series.values)
    if frame.empty and not whole:
        return Counts()
    data = frame.copy(deep=False)
    if "withdrawn" in values:
        data["withdrawn"] = 0
    data = data[key + values]
    _check(data, series)
    held = _held(connection, series, data, site_id, whole, where)
    if held is None:
        _insert(connection, table, data, key + values, {"site_id": site_id, "intake_id": intake_id})
        return Counts(len(data), 0, 0, 0)
    both = data.merge(held, on=key, how="outer", suffixes=("", "_held"), indicator="_side", sort=False)
    side = both["_side"].to_numpy().astype(str)
    fresh, old = both[side == "left_only"], both[side == "both"]
    differs = np.zeros(len(old), dtype=bool)
    for name in values:
        differs |= _differ(old[name].to_numpy(), old[f"{name}_held"].to_numpy())
    changed = old[differs]
    gone = both[(side == "right_only") & (both["withdrawn_held"].to_numpy() == 0)] if whole else both.iloc[:0]
    common = {"site_id": site_id, "intake_id": intake_id}
    _insert(connection, table, fresh, key + values, common)
    _remember(connection, series, pd.concat([changed, gone]) if len(gone) else changed, site_id, intake_id)
    _update(connection, series, changed, values, common)
    _update(connection, series, gone.assign(withdrawn=1), ["withdrawn"], common)
    return Counts(len(fresh), len(changed), len(old) - len(changed), len(gone))


def records(frame: pd.DataFrame, columns: Sequence[str]) -> list[dict[str, Any]]:
    """Give rows as dictionaries of plain Python values; NaN becomes None.

    Examples
    --------
    >>> records(pd.DataFrame({"a": [1.5, float("nan")], "b": ["x", "y"]}), ["a", "b"])
    [{'a': 1.5, 'b': 'x'}, {'a': None, 'b': 'y'}]
    """
    lists = [_plain(frame[name]) for name in columns]
    return [dict(zip(columns, row, strict=True)) for row in zip(*lists, strict=True)]


def _plain(column: pd.Series) -> list[Any]:
    values = column.to_numpy()
    if values.dtype.kind == "f":
        return [None if v != v else v for v in values.tolist()]
    return list(values.tolist())


def _check(data: pd.DataFrame, series: Series) -> None:
    if data.duplicated(list(series.key)).any():
        raise ValueError(f"{series.table.name}: a key stands twice in the frame")
    for name in data.columns:
        column = data[name].to_numpy()
        if column.dtype.kind == "f" and np.isinf(column).any():
            raise ValueError(f"{series.table.name}: {name} holds an infinite number")


def _held(
    connection: Connection,
    series: Series,
    data: pd.DataFrame,
    site_id: int,
    whole: bool,
    where: sa.ColumnElement[bool] | None,
) -> pd.DataFrame | None:
    """Read what the ledger has in the span of the first key column that the frame touches; None for nothing."""
    table, first = series.table, series.table.c[series.key[0]]
    names = [*series.key, *series.values, "intake_id"]
    query = sa.select(*(table.c[name] for name in names)).where(table.c.site_id == site_id)
    if not whole:
        if data.empty:
            query = query.where(sa.false())
        else:
            query = query.where(first.between(_scalar(data[first.name].min()), _scalar(data[first.name].max())))
    if where is not None:
        query = query.where(where)
    rows = connection.execute(query).all()
    if not rows:
        return None
    held = pd.DataFrame.from_records([tuple(row) for row in rows], columns=names)
    for name in names:
        if isinstance(table.c[name].type, sa.Text):
            held[name] = held[name].astype(object)
        elif isinstance(table.c[name].type, sa.Double):
            held[name] = held[name].astype(float)
        else:
            held[name] = held[name].astype("int64")
    return held.rename(columns={"intake_id": "_written_by"})


def _scalar(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else value


def _differ(new: np.ndarray, held: np.ndarray) -> np.ndarray:
    """Say where two columns differ; not known equals not known."""
    differs = new != held
    if new.dtype.kind == "f":
        differs &= ~(np.isnan(new) & np.isnan(held.astype(float)))
    return np.asarray(differs, dtype=bool)


def rows_in(connection: Connection, table: sa.Table, columns: Mapping[str, list[Any]]) -> None:
    """Insert rows, given by column; SQLite takes them as they are, without a dictionary each, and NaN as not known."""
    if connection.dialect.name == "sqlite":
        names = ", ".join(f'"{name}"' for name in columns)
        text = f"INSERT INTO {table.name} ({names}) VALUES ({', '.join('?' * len(columns))})"
        connection.exec_driver_sql(text, list(zip(*columns.values(), strict=True)))
        return
    lists = [[None if v != v else v for v in values] for values in columns.values()]
    connection.execute(table.insert(), [dict(zip(columns, row, strict=True)) for row in zip(*lists, strict=True)])


def _insert(
    connection: Connection, table: sa.Table, rows: pd.DataFrame, columns: list[str], common: dict[str, int]
) -> None:
    for start in range(0, len(rows), ROWS_AT_ONCE):
        part = rows.iloc[start : start + ROWS_AT_ONCE].astype(
            {c: "int64" for c in columns if isinstance(table.c[c].type, sa.Integer)}
        )
        whole = {name: [value] * len(part) for name, value in common.items()}
        rows_in(connection, table, {name: part[name].tolist() for name in columns} | whole)


def _update(
    connection: Connection, series: Series, rows: pd.DataFrame, values: list[str], common: dict[str, int]
) -> None:
    if rows.empty:
        return
    table = series.table
    statement = table.update().where(table.c.site_id == common["site_id"])
    for name in series.key:
        statement = statement.where(table.c[name] == sa.bindparam(f"key_{name}"))
    statement = statement.values(
        {name: sa.bindparam(f"new_{name}") for name in values} | {"intake_id": common["intake_id"]}
    )
    keys, new = records(rows, series.key), records(rows, values)
    parameters = [
        {f"key_{k}": v for k, v in a.items()} | {f"new_{k}": v for k, v in b.items()}
        for a, b in zip(keys, new, strict=True)
    ]
    connection.execute(statement, parameters)


def _remember(connection: Connection, series: Series, rows: pd.DataFrame, site_id: int, intake_id: int) -> None:
    """Keep what rows said before they are replaced."""
    if rows.empty:
        return
    keys = records(rows, series.key)
    said = records(rows, [f"{name}_held" for name in series.values])
    entries = [
        {
            "site_id": site_id,
            "series": series.table.name,
            "row_key": json.dumps(list(k.values())),
            "said": json.dumps({name.removesuffix("_held"): v for name, v in s.items()}),
            "written_by": int(w),
            "replaced_by": intake_id,
        }
        for k, s, w in zip(keys, said, rows["_written_by"].tolist(), strict=True)
    ]
    connection.execute(history.insert(), entries)
