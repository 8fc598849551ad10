"""Two ways to put the equations of a plan down: as a Pyomo model, and as numbers alone.

The builders say once what the plan is. `build_plan` has them write a Pyomo model, which a person can read, print and
hand to any solver of Pyomo's. Where a plan is one of many (the nights of a season, the points of a sweep, cases),
`lay_out` has them write columns, rows and coefficients straight into arrays: the same matrices to the last bit, in a
tenth of the time.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import pyomo.core as pyo
from numpy.typing import NDArray
from scipy import sparse

from models.plan.inputs import Floats, Ints
from models.plan.rows import Matrices, Spans, entries, linear, matrices

Model: TypeAlias = Any  # a Pyomo model, or a `Layout`; both are asked for their families by the same names
Columns = NDArray[Any]  # what stands for variables in a row: Pyomo's own, or the numbers of their columns
Keys: TypeAlias = Sequence[Any] | Ints  # index of a family, in its order


@dataclass(frozen=True)
class Rows:
    """Rows of one family, as terms in any order.

    Parameters
    ----------
    row : ndarray (t,)       Row each term is in, 0 to R - 1.
    column : ndarray (t,)    Its variable, as `columns` gives it.
    factor : ndarray (t,)    Its coefficient.
    lower, upper : ndarray (R,)   Limits, infinite where there is none.
    """

    row: Ints
    column: Columns
    factor: Floats
    lower: Floats
    upper: Floats


def joined(blocks: Sequence[Rows]) -> Rows:
    """Rows of one family from those of its parts, one after the other."""
    sizes = [block.upper.size for block in blocks]
    row = [first + block.row for first, block in zip(np.cumsum([0, *sizes]).tolist(), blocks, strict=False)]
    none = np.zeros(0)
    return Rows(
        np.concatenate([np.zeros(0, dtype=np.int64), *row]),
        np.concatenate([block.column for block in blocks]) if blocks else none.astype(np.int64),
        np.concatenate([none, *(block.factor for block in blocks)]),
        np.concatenate([none, *(block.lower for block in blocks)]),
        np.concatenate([none, *(block.upper for block in blocks)]),
    )


@dataclass(frozen=True)
class Family:
    """Variables or rows of one name in a plan laid out as numbers; it is asked what a Pyomo component is asked."""

    local_name: str
    _data: Keys
    first: int = 0

    def keys(self) -> Keys:
        """Its index."""
        return self._data


class Layout:
    """A plan as numbers alone.

    Attributes
    ----------
    variables, constraints : dict   Families by name, in the order they were added.
    """

    def __init__(self) -> None:
        self.indices: dict[str, Keys] = {}
        self.variables: dict[str, Family] = {}
        self.constraints: dict[str, Family] = {}
        self._upper: list[Floats] = []
        self._rows: list[Rows] = []
        self._cost = np.zeros(0)
        self.width, self.height = 0, 0

    def component(self, name: str) -> Any:
        """A family or an index of that name, or None."""
        return next((kind[name] for kind in (self.variables, self.constraints, self.indices) if name in kind), None)

    def __getattr__(self, name: str) -> Any:
        """A family of variables by its name, as of a Pyomo model."""
        try:
            return self.__dict__["variables"][name]
        except KeyError:
            raise AttributeError(name) from None

    def add_variables(self, name: str, keys: Keys, upper: Floats) -> None:
        """Add variables of 0 or more."""
        self.variables[name] = Family(name, keys, self.width)
        self._upper.append(upper)
        self.width += len(keys)

    def add_rows(self, name: str, keys: Keys, rows: Rows) -> None:
        """Add rows."""
        if isinstance(keys, list):  # as Pyomo has them
            keys = [key if len(key) > 1 else key[0] if key else None for key in keys]
        self.constraints[name] = Family(name, keys, self.height)
        self._rows.append(rows)
        self.height += len(keys)

    def add_cost(self, terms: Sequence[tuple[Family, Floats]]) -> None:
        """Set what is made small."""
        self._cost = np.zeros(self.width)
        for family, price in terms:
            self._cost[family.first : family.first + len(family.keys())] = price

    def spans(self) -> Spans:
        """Where its families stand."""

        def counted(kind: dict[str, Family]) -> dict[str, slice]:
            return {name: slice(f.first, f.first + len(f.keys())) for name, f in kind.items()}

        return Spans(counted(self.variables), counted(self.constraints))

    def matrices(self) -> Matrices:
        """The plan for a solver."""
        families = [f.first for f in self.constraints.values()]
        row = np.concatenate([first + rows.row for first, rows in zip(families, self._rows, strict=True)])
        column = np.concatenate([rows.column for rows in self._rows])
        factor = np.concatenate([rows.factor for rows in self._rows])
        terms = sparse.coo_array((factor, (row.astype(np.int32), column.astype(np.int32))), (self.height, self.width))
        terms.has_canonical_format = True  # no variable stands twice in a row, so there is nothing to be summed
        return Matrices(
            [],
            [],
            self._cost,
            np.concatenate(self._upper),
            terms.tocsr().tocsc(),
            np.concatenate([rows.lower for rows in self._rows]),
            np.concatenate([rows.upper for rows in self._rows]),
        )


def add_index(m: Model, name: str, items: range | Ints | list[tuple[int, ...]]) -> None:
    """Add an index."""
    if isinstance(m, Layout):
        m.indices[name] = items
    elif isinstance(items, range):
        m.add_component(name, pyo.RangeSet(0, len(items) - 1))
    else:
        m.add_component(name, pyo.Set(initialize=items if isinstance(items, list) else items.tolist()))


def add_variables(m: Model, name: str, index: str, upper: Floats | None = None) -> None:
    """Add variables of 0 or more over an index, with upper bounds or without."""
    if isinstance(m, Layout):
        keys = m.indices[index]
        m.add_variables(name, keys, np.full(len(keys), np.inf) if upper is None else upper)
        return
    family = pyo.Var(m.component(index), bounds=(0, None))
    m.add_component(name, family)
    if upper is not None:
        for entry, bound in zip(entries(family), upper.tolist(), strict=True):
            entry.upper = bound


@dataclass(frozen=True)
class Parameter:
    """Numbers of a plan that its Pyomo model holds as a parameter to be edited; called, what stands for one of them."""

    values: Floats
    held: Any

    def __call__(self, key: Any = None) -> Any:
        """Pyomo's own, or the number."""
        if self.held is None:
            return float(self.values[key or 0])
        return self.held if key is None else self.held[key]


def add_parameter(m: Model, name: str, index: str | None, values: Floats) -> Parameter:
    """Add a parameter over an index, or a single one."""
    if isinstance(m, Layout):
        return Parameter(values, None)
    numbers = dict(enumerate(values.tolist()))
    held = (
        pyo.Param(mutable=True, initialize=numbers[0])
        if index is None
        else pyo.Param(m.component(index), mutable=True, initialize=numbers)
    )
    m.add_component(name, held)
    return Parameter(values, held)


def add_rows(m: Model, name: str, index: str | Keys, rows: Rows, upper: Callable[[Any], Any] | None = None) -> None:
    """Add a family of rows.

    Parameters
    ----------
    m : Model
    name : str
    index : str or sequence    Name of its index, or the keys themselves; one key of no parts is a single row.
    rows : Rows
    upper : callable, optional Upper limit of a key as Pyomo is to have it, where that is more than a number.
    """
    if isinstance(m, Layout):
        m.add_rows(name, m.indices[index] if isinstance(index, str) else index, rows)
        return
    made = _written(rows)
    if isinstance(index, str):
        each = iter(made)
        m.add_component(name, pyo.Constraint(m.component(index), rule=lambda m, *_: next(each)))
        return
    if upper is not None:
        made = [(low, body, upper(key)) for key, (low, body, _) in zip(index, made, strict=True)]
    if list(index) == [()]:
        m.add_component(name, pyo.Constraint(expr=made[0]))
        return
    by_key = dict(zip(index, made, strict=True))
    m.add_component(name, pyo.Constraint(list(index), rule=lambda m, *key: by_key[key]))


def _written(rows: Rows) -> list[Any]:
    """What Pyomo takes as constraints."""
    order = np.argsort(rows.row, kind="stable")
    variables, factors = rows.column[order].tolist(), rows.factor[order].tolist()
    edges = np.searchsorted(rows.row[order], np.arange(rows.upper.size + 1)).tolist()
    bodies = [linear(factors[a:b], variables[a:b]) for a, b in zip(edges[:-1], edges[1:], strict=True)]
    limits = zip(rows.lower.tolist(), bodies, rows.upper.tolist(), strict=True)
    return [
        (body, high) if low == high else (None if low == -np.inf else low, body, None if high == np.inf else high)
        for low, body, high in limits
    ]


def add_cost(m: Model, terms: Sequence[tuple[Any, Floats]]) -> None:
    """Add `cost`, the sum of families of variables times their prices."""
    if isinstance(m, Layout):
        m.add_cost(terms)
        return
    variables = [v for family, _ in terms for v in entries(family)]
    m.cost = pyo.Objective(expr=linear([p for _, price in terms for p in price.tolist()], variables))


def compiled(m: Model) -> tuple[Matrices, Spans]:
    """A plan for a solver, and where its families stand."""
    return (m.matrices(), m.spans()) if isinstance(m, Layout) else (matrices(m), Spans.of(m))


def keys(family: Any) -> Ints:
    """Index of a family whose keys are numbers, in its order."""
    data = family._data
    if isinstance(family, Family):
        return np.asarray(data)
    return np.fromiter(data, dtype=np.int64, count=len(data))


def columns(family: Any) -> Columns:
    """What stands for the variables of a family in rows, in its order."""
    if isinstance(family, Family):
        return np.arange(family.first, family.first + len(family.keys()))
    found = entries(family)
    out = np.empty(len(found), dtype=object)
    out[:] = found
    return out
