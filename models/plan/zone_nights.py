"""The words that the equations of the root zones are written in: one sum for every zone-night at once.

A builder writes `depletion - previous(depletion) + water == etc - rain` and means it for every zone and night. Behind
each word stand, for every row, coefficients beside variables and a plain number; nothing is computed until the rows are
made, in one go for the whole family, so the words cost no more than lists of coefficients written by hand. What stands
for a variable is the model's affair (`pens.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.plan.inputs import Bools, Floats, Ints, PlanInputs
from models.plan.pens import Model, add_rows, columns, keys
from models.plan.rows import Columns, Rows


class Sums:
    """A linear sum for each of some rows: terms, and a number for every row.

    Parameters
    ----------
    number : ndarray (R,)   The plain number of each row.
    terms : sequence        Blocks of terms: row (t,), column (t,) and coefficient (t,) of each term.
    """

    __array_ufunc__ = None  # an array on the left leaves the product to this class
    __slots__ = ("number", "terms")

    def __init__(self, number: Floats, terms: Sequence[tuple[Ints, Columns, Floats]] = ()) -> None:
        self.number = number
        self.terms = tuple(terms)

    def __add__(self, other: Sums | Floats | float) -> Sums:
        """Sum, row by row."""
        if isinstance(other, Sums):
            return Sums(self.number + other.number, self.terms + other.terms)
        return Sums(self.number + np.asarray(other, dtype=np.float64), self.terms)

    def __sub__(self, other: Sums | Floats | float) -> Sums:
        """Difference, row by row."""
        return self + (-other)

    def __neg__(self) -> Sums:
        """The opposite, row by row."""
        return Sums(-self.number, [(row, variable, -factor) for row, variable, factor in self.terms])

    def __rmul__(self, factor: Floats | float) -> Sums:
        """Product with a number for all rows or one for each (R,)."""
        by_row = np.broadcast_to(np.asarray(factor, dtype=np.float64), self.number.shape)
        return Sums(by_row * self.number, [(r, v, by_row[r] * f) for r, v, f in self.terms])

    def __le__(self, other: Sums | Floats | float) -> Relation:
        """At most, row by row."""
        return Relation(self - other, "at most")

    def __ge__(self, other: Sums | Floats | float) -> Relation:
        """At least, row by row."""
        return Relation(self - other, "at least")

    def __eq__(self, other: Sums | Floats | float) -> Relation:  # type: ignore[override]
        """Equal, row by row."""
        return Relation(self - other, "equal")

    __hash__ = None  # type: ignore[assignment]

    def moved(self, to: Ints, number: Floats) -> Sums:
        """The same terms in other rows, `to` (R,), -1 for those left out; and other numbers."""
        blocks = []
        for row, variable, factor in self.terms:
            place = to[row]
            kept = place >= 0
            blocks.append((place[kept], variable[kept], factor[kept]))
        return Sums(number, blocks)


@dataclass(frozen=True)
class Relation:
    """A sum against 0: `equal`, `at most` or `at least`."""

    left: Sums
    sense: str


class ZoneNights:
    """The words of a plan over Z root zones and N nights, and how relations between them become rows.

    Where a root zone is one of several copies of a zone, everything about it is scaled by the copy's weight: its
    variables are so by themselves, and a plain number becomes the number times the weight (Balas 1998).

    Parameters
    ----------
    m : Model            With its root zones, and its copies if it has any.
    inputs : PlanInputs

    Attributes
    ----------
    depletion, water, soft, drainage, shortfall, flushed : Sums over Z N   Of every zone-night [mm].
    minutes : Sums over Z N   Its run time over all blocks and supplies [min].
    unflushed : ndarray       Zone-nights on which the root zone is no flush's.
    """

    def __init__(self, m: Model, inputs: PlanInputs) -> None:
        self.m = m
        self.nights = inputs.nights
        self.zone = np.repeat(np.arange(inputs.zones), inputs.nights)
        self.start = inputs.depletion
        chosen = m.component("chosen")
        self.open = np.zeros(inputs.zones, dtype=np.bool_)
        runs, times = inputs.runs, columns(m.run_time)
        self.weight = np.empty(inputs.zones, dtype=times.dtype)
        if chosen is not None:
            opened = keys(chosen)
            self.open[opened] = True
            self.weight[opened] = columns(chosen)
        self.depletion = self.of(m.in_band) + self.of(m.dry) + self.of(m.very_dry)
        cells = np.concatenate((runs.cell, runs.twin))
        self.minutes = self._placed(cells, np.concatenate((times, times[runs.twin_run])), self.zone.size)
        self.water = inputs.net_rate[self.zone] * self.minutes
        self.soft = self.of(m.soft)
        self.drainage = self.of(m.drainage)
        self.shortfall = self.of(m.shortfall)
        taken = m.component("flushed")
        self.flushed = self.none if taken is None else self.of(taken)
        flushed = np.zeros(self.zone.size, dtype=np.bool_)
        flushed[[] if taken is None else keys(taken)] = True
        self.unflushed = np.flatnonzero(~flushed)

    @property
    def none(self) -> Sums:
        """Nothing on any zone-night."""
        return Sums(np.zeros(self.zone.size))

    def of(self, variable: Any) -> Sums:
        """A variable whose index is the zone-night, or some of them."""
        return self._placed(keys(variable), columns(variable), self.zone.size)

    def of_zones(self, variable: Any) -> Sums:
        """A variable whose index is the zone, as a sum over zones."""
        return self._placed(keys(variable), columns(variable), self.open.size)

    def previous(self, sums: Sums) -> Sums:
        """A quantity on the night before; on the first night the depletion at tonight's opening."""
        cell = np.arange(self.zone.size)
        after = np.where((cell + 1) % self.nights, cell + 1, -1)
        number = np.concatenate(([0.0], sums.number[:-1]))
        number[:: self.nights] = self.start
        return sums.moved(after, number)

    def on_night(self, sums: Sums, night: int) -> Sums:
        """One of its nights, as a sum over zones."""
        cell = np.arange(self.zone.size)
        to = np.where(cell % self.nights == night, cell // self.nights, -1)
        return sums.moved(to, sums.number[night :: self.nights])

    def over_nights(self, sums: Sums) -> Sums:
        """All its nights together, as a sum over zones."""
        return sums.moved(self.zone, np.add.reduceat(sums.number, np.arange(0, self.zone.size, self.nights)))

    def rows(self, relation: Relation, at: Ints | None = None, scaled: bool = True) -> Rows:
        """The rows of a relation.

        Parameters
        ----------
        relation : Relation        Over zone-nights or over zones.
        at : ndarray, optional     The rows asked for, rising; all if not given.
        scaled : bool              Whether the numbers of copies are scaled by their weight.
        """
        sums = relation.left
        size = sums.number.size
        blocks = list(sums.terms)
        bound = -sums.number
        if scaled and self.open.any():
            zone = self.zone if size == self.zone.size else np.arange(size)
            opened = np.flatnonzero(self.open[zone] & (sums.number != 0.0))
            blocks.append((opened, self.weight[zone[opened]], sums.number[opened]))
            bound[opened] = 0.0
        row, held, factor = (np.concatenate(parts) for parts in zip(*blocks, strict=True))
        if at is not None:
            place = np.full(size, -1)
            place[at] = np.arange(at.size)
            row = place[row]
            asked = row >= 0
            row, held, factor, bound = row[asked], held[asked], factor[asked], bound[at]
        none = np.full(bound.size, np.inf)
        lower = -none if relation.sense == "at most" else bound
        upper = none if relation.sense == "at least" else bound
        return Rows(row, held, factor, lower, upper)

    def add_rows(self, name: str, index: str, relation: Relation, at: Ints | None = None, scaled: bool = True) -> None:
        """Add a family of rows over an index, one for each row asked for, in its order; see `rows`."""
        add_rows(self.m, name, index, self.rows(relation, at, scaled))

    def _placed(self, row: Ints, column: Columns, size: int) -> Sums:
        return Sums(np.zeros(size), [(row, column, np.ones(row.size))])


def refilled(inputs: PlanInputs, opened: Bools) -> Bools:
    """Root zones whose depth tonight is led: of the main weather and without a flush to choose, shape (Z,)."""
    main = np.ones(inputs.zones, dtype=np.bool_) if inputs.weather is None else inputs.weather <= 0
    return np.asarray(main & ~opened, dtype=np.bool_)
