"""The words that the equations of the root zones are written in: one sum for every zone-night at once.

A builder writes `depletion - previous(depletion) + water == etc - rain` and means it for every zone and night. Behind
each word stand, for every row, coefficients beside variables and a plain number; nothing is computed until the rows are
made, in one go for the whole family, so the words cost no more than lists of coefficients written by hand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyomo.core as pyo
from numpy.typing import NDArray

from models.plan.inputs import Floats, Ints, PlanInputs
from models.plan.rows import entries, linear

Objects = NDArray[np.object_]


class Sums:
    """A linear sum for each of some rows: terms, and a number for every row.

    Parameters
    ----------
    number : ndarray (R,)   The plain number of each row.
    terms : sequence        Blocks of terms: row (t,), variable (t,) and coefficient (t,) of each term.
    """

    __array_ufunc__ = None  # an array on the left leaves the product to this class
    __slots__ = ("number", "terms")

    def __init__(self, number: Floats, terms: Sequence[tuple[Ints, Objects, Floats]] = ()) -> None:
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
    m : ConcreteModel    With its root zones, and its copies if it has any.
    inputs : PlanInputs

    Attributes
    ----------
    depletion, water, soft, drainage, shortfall, flushed : Sums over Z N   Of every zone-night [mm].
    minutes : Sums over Z N   Its run time over all blocks and supplies [min].
    unflushed : ndarray       Zone-nights on which the root zone is no flush's.
    """

    def __init__(self, m: pyo.ConcreteModel, inputs: PlanInputs) -> None:
        self.m = m
        self.nights = inputs.nights
        self.zone = np.repeat(np.arange(inputs.zones), inputs.nights)
        self.start = inputs.depletion
        chosen = m.component("chosen")
        self.open = np.zeros(inputs.zones, dtype=np.bool_)
        self.weight = np.empty(inputs.zones, dtype=object)
        if chosen is not None:
            opened = list(chosen.keys())
            self.open[opened] = True
            self.weight[opened] = entries(chosen)
        self.depletion = self.of(m.in_band) + self.of(m.dry) + self.of(m.very_dry)
        runs, times = inputs.runs, objects(m.run_time)
        cells = np.concatenate((runs.cell, runs.twin))
        self.minutes = self._placed(cells, np.concatenate((times, times[runs.twin_run])), self.zone.size)
        self.water = inputs.net_rate[self.zone] * self.minutes
        self.soft = self.of(m.soft)
        self.drainage = self.of(m.drainage)
        self.shortfall = self.of(m.shortfall)
        taken = m.component("flushed")
        self.flushed = self.none if taken is None else self.of(taken)
        flushed = np.zeros(self.zone.size, dtype=np.bool_)
        flushed[[] if taken is None else list(taken.keys())] = True
        self.unflushed = np.flatnonzero(~flushed)

    @property
    def none(self) -> Sums:
        """Nothing on any zone-night."""
        return Sums(np.zeros(self.zone.size))

    def of(self, variable: Any) -> Sums:
        """A variable whose index is the zone-night, or some of them."""
        return self._placed(np.fromiter(variable._data, dtype=np.int64), objects(variable), self.zone.size)

    def of_zones(self, variable: Any) -> Sums:
        """A variable whose index is the zone, as a sum over zones."""
        return self._placed(np.fromiter(variable._data, dtype=np.int64), objects(variable), self.open.size)

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

    def rows(self, relation: Relation, at: Ints | None = None, scaled: bool = True) -> list[Any]:
        """What Pyomo takes as constraints.

        Parameters
        ----------
        relation : Relation        Over zone-nights or over zones.
        at : ndarray, optional     The rows asked for, rising; all if not given.
        scaled : bool              Whether the numbers of copies are scaled by their weight.
        """
        sums = relation.left
        size = sums.number.size
        at = np.arange(size) if at is None else at
        blocks = list(sums.terms)
        bound = -sums.number
        if scaled and self.open.any():
            zone = self.zone if size == self.zone.size else np.arange(size)
            opened = np.flatnonzero(self.open[zone] & (sums.number != 0.0))
            blocks.append((opened, self.weight[zone[opened]], sums.number[opened]))
            bound[opened] = 0.0
        place = np.full(size, -1)
        place[at] = np.arange(at.size)
        row = np.concatenate([place[row] for row, _, _ in blocks])
        order = np.argsort(row, kind="stable")
        order = order[np.searchsorted(row[order], 0) :]
        variables = np.concatenate([v for _, v, _ in blocks])[order].tolist()
        factors = np.concatenate([f for _, _, f in blocks])[order].tolist()
        edges = np.searchsorted(row[order], np.arange(at.size + 1)).tolist()
        sums_ = [linear(factors[a:b], variables[a:b]) for a, b in zip(edges[:-1], edges[1:], strict=True)]
        limits = bound[at].tolist()
        if relation.sense == "equal":
            return list(zip(sums_, limits, strict=True))
        if relation.sense == "at most":
            return [(None, row, limit) for row, limit in zip(sums_, limits, strict=True)]
        return [(limit, row, None) for row, limit in zip(sums_, limits, strict=True)]

    def constraint(self, index: Any, relation: Relation, at: Ints | None = None, scaled: bool = True) -> pyo.Constraint:
        """A constraint over an index set, one entry for each row asked for, in its order."""
        made = iter(self.rows(relation, at, scaled))
        return pyo.Constraint(index, rule=lambda m, *_: next(made))

    def _placed(self, row: Ints, variable: Objects, size: int) -> Sums:
        return Sums(np.zeros(size), [(row, variable, np.ones(row.size))])


def objects(variable: Any) -> Objects:
    """Entries of an indexed variable as an array."""
    found = entries(variable)
    out = np.empty(len(found), dtype=object)
    out[:] = found
    return out
