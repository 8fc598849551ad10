"""Cells: what one cell of a CSV file may hold, and how its text is understood.

A `Column` states kind, unit and limits of one column. `understand` reads the different texts of a column that is not a
number: each text once, however many rows repeat it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from scheduler.errors import listing, near_miss
from scheduler.site.units import Linear, conversion

Kind = Literal["number", "text", "id", "date", "time", "choice", "flag"]

_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_TIME = re.compile(
    r"(\d{4}-\d{2}-\d{2})(?:[T ](\d{2}:\d{2}(?::\d{2}(?:[.,]\d{1,9})?)?)\s?(Z|z|[+-]\d{2}(?::?\d{2})?)?)?", re.ASCII
)
FIRST_YEAR, LAST_YEAR = 1900, 2199
LONGEST_ID, LONGEST_TEXT = 80, 2000
YES, NO = ("yes", "true"), ("no", "false")


@dataclass(frozen=True)
class Column:
    """What one column may hold.

    Parameters
    ----------
    name : str
        As in the header.
    kind : str
        number, text, id (a short text without control characters), date, time, choice or flag (yes/no).
    unit : str
        Inside unit of a number, a key of `scheduler.site.units.EXAMPLES`.
    default_unit : str or None
        Unit of a header without brackets; the inside unit if None.
    above, low, high : float or None
        Limits of a number in the inside unit: more than `above`, not less than `low`, not more than `high`.
    required, filled : bool
        Whether the header must have the column; whether no cell of it may be empty.
    choices : tuple of str
        Allowed texts of a choice.
    example : str
        For messages, in the default unit.
    set_aside : bool
        Numbers outside the limits become unknown with a note instead of a problem: sensors fail, and quality control is
        told.
    also : tuple of str
        Further names of the column.
    maybe_percent : bool
        Whether a column of a share without a unit, most of it above 1, is understood as percent.
    utc : bool
        Whether times are kept in UTC, for what must not lose or double an hour when the clocks change.
    """

    name: str
    kind: Kind = "number"
    unit: str = ""
    default_unit: str | None = None
    above: float | None = None
    low: float | None = None
    high: float | None = None
    required: bool = False
    filled: bool = False
    choices: tuple[str, ...] = ()
    example: str = ""
    set_aside: bool = False
    also: tuple[str, ...] = ()
    utc: bool = False
    maybe_percent: bool = False

    @property
    def written_unit(self) -> str:
        """Unit of a header without brackets."""
        return self.unit if self.default_unit is None else self.default_unit

    def outside(self, values: np.ndarray) -> np.ndarray:
        """Mark the numbers outside the limits, shape (R,); unknown ones are not marked."""
        marked = np.zeros(values.shape, dtype=bool)
        slack = 1e-9  # a limit written in another unit is still the limit
        if self.above is not None:
            marked |= values <= self.above
        if self.low is not None:
            marked |= values < self.low - slack * max(1.0, abs(self.low))
        if self.high is not None:
            marked |= values > self.high + slack * max(1.0, abs(self.high))
        return marked

    def unknown(self, rows: int) -> np.ndarray:
        """Give a column of which nothing is known, shape (R,)."""
        if self.kind == "number":
            return np.full(rows, np.nan)
        if self.kind in ("date", "time"):
            return np.full(rows, np.datetime64("NaT", "ns"))
        if self.kind == "flag":
            return np.full(rows, None, dtype=object)
        return np.full(rows, "", dtype=object)


def bound_words(column: Column, scale: Linear, too_high: bool = False) -> str:
    """Say which numbers are allowed, in the unit the file writes; an upper limit far away only to who has passed it.

    Examples
    --------
    >>> bound_words(Column("area", unit="m2", above=0, example="450"), Linear(1.0))
    'a number above 0 is allowed, for example 450'
    """

    def at(value: float) -> str:
        return f"{scale.written(value):.6g}"

    if column.above is not None and column.high is not None and (too_high or column.high <= 1):
        span = f"a number above {at(column.above)}, at most {at(column.high)}, is allowed"
    elif column.above is not None:
        span = f"a number above {at(column.above)} is allowed"
    elif column.low is not None and column.high is not None:
        span = f"a number from {at(column.low)} to {at(column.high)} is allowed"
    elif column.low is not None:
        span = f"a number of {at(column.low)} or more is allowed"
    else:
        span = "a number is allowed"
    if not column.example:
        return span
    inside = conversion(column.written_unit, column.unit).inside(float(column.example))
    return f"{span}, for example {scale.written(inside):.3g}"


def understand(column: Column, texts: Sequence[str], time_zone: Any = None) -> tuple[np.ndarray, dict[int, str]]:
    """Read the different texts of a column that is not a number.

    Parameters
    ----------
    column : Column
        What is allowed.
    texts : sequence of str, length U
        The different texts, stripped; an empty one is "not known".
    time_zone : ZoneInfo, optional
        Times with an offset become local to it.

    Returns
    -------
    meaning : ndarray, shape (U,)
        datetime64[ns], str, or True/False/None.
    wrong : dict
        Index of a text that is not allowed -> what is allowed.
    """
    wrong: dict[int, str] = {}
    if column.filled:
        wrong = {i: f"the cell is empty; {_allowed(column)}" for i, text in enumerate(texts) if not text}
    if column.kind == "date":
        meaning, faults = dates(texts)
    elif column.kind == "time":
        meaning, faults = times(texts, time_zone)
        if column.utc:
            meaning = to_utc(meaning, texts, time_zone)
    else:
        meaning = np.array([None] * len(texts), dtype=object)
        faults = []
        for i, text in enumerate(texts):
            try:
                meaning[i] = _one(column, text)
            except ValueError as reason:
                wrong.setdefault(i, str(reason))
                meaning[i] = None if column.kind == "flag" else ""
    for i in faults:
        wrong.setdefault(i, _allowed(column))
    return meaning, wrong


def _allowed(column: Column) -> str:
    """Say what a cell of the column may hold."""
    return {
        "date": "a date like 2026-07-14 is allowed",
        "time": "a time like 2026-07-14T21:30 is allowed",
        "flag": 'allowed: "yes", "no", "true", "false"',
        "choice": f"allowed: {listing(column.choices, 20)}",
        "id": f"a text of at most {LONGEST_ID} characters is needed",
    }.get(column.kind, "a text is needed")


def _one(column: Column, text: str) -> Any:
    """Read one text; raises ValueError with what is allowed."""
    if column.kind == "flag":
        if not text:
            return None
        if text.casefold() in YES + NO:
            return text.casefold() in YES
        raise ValueError(_allowed(column))
    if column.kind == "choice":
        known = {choice.casefold(): choice for choice in column.choices}
        word = re.sub(r"[\s-]+", "_", text.casefold())  # "Green", "Greens" and "Loamy Sand" are understood
        meant = next((known[w] for w in (word, word.removesuffix("s"), word.removesuffix("es")) if w in known), None)
        if text and meant is None:
            raise ValueError(_allowed(column) + near_miss(text, column.choices))
        return meant or ""
    longest = LONGEST_ID if column.kind == "id" else LONGEST_TEXT
    if len(text) > longest:
        raise ValueError(f"at most {longest} characters are allowed")
    if column.kind == "id" and not text.isprintable():
        raise ValueError("a text without control characters is allowed")
    return "".join(c if c.isprintable() else " " for c in text)


def dates(texts: Sequence[str]) -> tuple[np.ndarray, list[int]]:
    """Read dates, shape (U,): (datetime64[ns], indices of texts that are no date)."""
    found = np.full(len(texts), np.datetime64("NaT", "ns"))
    fit = [i for i, text in enumerate(texts) if _DATE.fullmatch(text) and FIRST_YEAR <= int(text[:4]) <= LAST_YEAR]
    if fit:
        found[fit] = pd.to_datetime(pd.Index([texts[i] for i in fit]), format="%Y-%m-%d", errors="coerce").to_numpy()
    return found, [i for i, text in enumerate(texts) if text and np.isnat(found[i])]


def times(texts: Sequence[str], time_zone: ZoneInfo | None = None) -> tuple[np.ndarray, list[int]]:
    """Read times, shape (U,): (local datetime64[ns], indices of what is no time); 24:00 is the next 00:00."""
    found = np.full(len(texts), np.datetime64("NaT", "ns"))
    plain: list[tuple[int, str]] = []
    offset: list[tuple[int, str]] = []
    late: list[int] = []
    for i, text in enumerate(texts):
        match = _TIME.fullmatch(text)
        if not match or not FIRST_YEAR <= int(text[:4]) <= LAST_YEAR:
            continue
        clock = (match[2] or "00:00").replace(",", ".")
        if re.fullmatch(r"24:00(:00(\.0+)?)?", clock):
            clock = "00:00"
            late.append(i)
        clock = clock if clock.count(":") == 2 else clock + ":00"
        iso = f"{match[1]}T{clock}"
        if match[3]:
            offset.append((i, iso + _offset(match[3])))
        else:
            plain.append((i, iso))
    for group, zoned in ((plain, False), (offset, True)):
        if not group:
            continue
        index = pd.to_datetime(pd.Index([text for _, text in group]), format="ISO8601", errors="coerce", utc=zoned)
        if zoned:
            index = index.tz_convert(time_zone or "UTC").tz_localize(None)
        found[[i for i, _ in group]] = index.to_numpy().astype("datetime64[ns]")
    if late:
        found[late] += np.timedelta64(1, "D")
    return found, [i for i, text in enumerate(texts) if text and np.isnat(found[i])]


def to_utc(local: np.ndarray, texts: Sequence[str], time_zone: ZoneInfo | None) -> np.ndarray:
    """Give local times in UTC, shape (U,); of an hour that autumn shows twice, the first unless an offset says.

    A time that the clocks leave out in spring is the moment they jump to.
    """
    zone = time_zone or ZoneInfo("UTC")
    first = np.array([not _second_of_two(text, zone) for text in texts], dtype=bool)
    index = pd.DatetimeIndex(local).tz_localize(zone, ambiguous=first, nonexistent="shift_forward")
    return np.asarray(index.tz_convert("UTC").tz_localize(None).to_numpy(), dtype="datetime64[ns]")


def _second_of_two(text: str, zone: ZoneInfo) -> bool:
    """Whether a time with an offset lies in the later of two hours that the clock shows alike."""
    match = _TIME.fullmatch(text)
    if not match or not match[3]:
        return False
    moment = pd.to_datetime(text.replace(",", "."), errors="coerce", utc=True, format="ISO8601")
    return not pd.isna(moment) and bool(moment.to_pydatetime().astimezone(zone).fold)


def _offset(text: str) -> str:
    """Give an offset as +hh:mm; one that no clock has makes the time unreadable."""
    if text in "Zz":
        return "+00:00"
    hours, minutes = int(text[1:3]), int(text[-2:]) if len(text) > 3 else 0
    return f"{text[0]}{hours:02d}:{minutes:02d}" if hours <= 14 and minutes < 60 else "+99:99"
