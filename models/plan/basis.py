"""Where a run of a linear program ended: which columns and rows are basic, and at which limit the others stand.

Held as numbers, so that a basis is kept, cut and carried over to another model without the solver's own objects.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from models.plan.inputs import Floats, Ints
from models.plan.rows import Spans

Codes: TypeAlias = NDArray[np.int8]

LOWER, BASIC, UPPER, ZERO, NONBASIC = range(5)  # zero: of a column without bounds


@dataclass(frozen=True)
class Basis:
    """Where a run ended: the status of every column and row.

    Parameters
    ----------
    columns, rows : ndarray of int8   What each is, in their order.
    """

    columns: Codes
    rows: Codes

    @classmethod
    def slack(cls, columns: int, rows: int) -> Basis:
        """Where a program without a past begins: columns at their lower bound, rows slack."""
        return cls(np.full(columns, LOWER, dtype=np.int8), np.full(rows, BASIC, dtype=np.int8))

    def carried(self, old: Any, new: Any, had: Spans, has: Spans, count: int) -> Basis:
        """The basis on another model, by family and index.

        What the other model does not have begins as if it had just been added: columns at their lower bound, rows
        slack. As many columns and rows are basic as there are rows.

        Parameters
        ----------
        old, new : ConcreteModel   The model the basis is of, and the other.
        had, has : Spans           Where their families stand.
        count : int                Rows of the program of the other, with those added to its model's.
        """
        columns = _carried(old, new, had.column, has.column, self.columns, LOWER)
        rows = np.append(_carried(old, new, had.row, has.row, self.rows, BASIC), [np.int8(BASIC)] * count)[:count]
        over = int((columns == BASIC).sum() + (rows == BASIC).sum()) - count
        if over:  # too many basic, or too few: the first rows that can be changed are
            able = np.flatnonzero((rows == BASIC) == (over > 0))[: abs(over)]
            rows[able] = NONBASIC if over > 0 else BASIC
        return Basis(columns, rows)


def _carried(old: Any, new: Any, had: dict[str, slice], has: dict[str, slice], status: Codes, none: int) -> Codes:
    """Status of every column or row, from those of another model by family and index; `none` where new."""
    found = np.full(max((span.stop for span in has.values()), default=0), none, dtype=np.int8)
    for name in has.keys() & had.keys():
        one, other = (_keys(m.component(name)) for m in (old, new))
        found[has[name]] = np.append(status[had[name]], np.int8(none))[_places(one, other)]
    return found


def _places(one: Any, other: Any) -> Ints:
    """Where each key of a family is among the keys of another, -1 where it is not."""
    if isinstance(one, np.ndarray) and isinstance(other, np.ndarray):  # both rise
        if not one.size or not other.size:
            return np.full(other.size, -1)
        at = np.minimum(np.searchsorted(one, other), one.size - 1)
        return np.where(one[at] == other, at, -1)
    if type(one) is type(other) and one == other:
        return np.arange(len(other))
    place = {key: i for i, key in enumerate(one)}
    return np.fromiter((place.get(key, -1) for key in other), dtype=np.int64, count=len(other))


def _keys(family: Any) -> Any:
    """Index of a family, to be compared and looked up: numbers as an array, ranges as they are, the rest as a list."""
    data = family._data
    return data if isinstance(data, (np.ndarray, range)) else list(data)


def standing_at(values: Floats, lower: Floats, upper: Floats) -> Codes:
    """Which limit values that are not basic stand at."""
    with np.errstate(invalid="ignore"):  # no limit against no limit
        above = np.abs(values - upper) < np.abs(values - lower)
    nowhere = ~np.isfinite(lower) & ~np.isfinite(upper)
    return np.where(nowhere, ZERO, np.where(above, UPPER, LOWER)).astype(np.int8)
