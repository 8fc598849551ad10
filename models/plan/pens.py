"""Two ways to put the equations of a plan down: as numbers alone, and as a Pyomo model.

The builders say once what the plan is. `lay_out` has them write columns, rows and coefficients straight into arrays,
for the solver. `build_plan` has them write a Pyomo model (`symbols.py`), which a person can read, print and hand to any
solver of Pyomo's: the same matrices to the last bit, in ten times the time, to which loading Pyomo adds as much again.
So it is loaded where a plan is written with it, and on no other evening.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import ModuleType
from typing import Any, TypeAlias

import numpy as np
from scipy import sparse

from models.plan.inputs import Floats, Ints
from models.plan.rows import Columns, Keys, Matrices, Rows, Spans

Model: TypeAlias = Any  # a Pyomo model, or a `Layout`; both are asked for their families by the same names


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


def _pyomo() -> ModuleType:
    """The other pen; not at the head of the file, where every evening would load Pyomo."""
    from models.plan import symbols

    return symbols


def add_index(m: Model, name: str, items: range | Ints | list[tuple[int, ...]]) -> None:
    """Add an index."""
    if isinstance(m, Layout):
        m.indices[name] = items
    else:
        _pyomo().add_index(m, name, items)


def add_variables(m: Model, name: str, index: str, upper: Floats | None = None) -> None:
    """Add variables of 0 or more over an index, with upper bounds or without."""
    if isinstance(m, Layout):
        keys = m.indices[index]
        m.add_variables(name, keys, np.full(len(keys), np.inf) if upper is None else upper)
    else:
        _pyomo().add_variables(m, name, index, upper)


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
    return Parameter(values, None if isinstance(m, Layout) else _pyomo().add_parameter(m, name, index, values))


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
    else:
        _pyomo().add_rows(m, name, index, rows, upper)


def add_cost(m: Model, terms: Sequence[tuple[Any, Floats]]) -> None:
    """Add `cost`, the sum of families of variables times their prices."""
    if isinstance(m, Layout):
        m.add_cost(terms)
    else:
        _pyomo().add_cost(m, terms)


def compiled(m: Model) -> tuple[Matrices, Spans]:
    """A plan for a solver, and where its families stand."""
    return (m.matrices(), m.spans()) if isinstance(m, Layout) else (_pyomo().matrices(m), _pyomo().spans(m))


def keys(family: Any) -> Ints:
    """Index of a family whose keys are numbers, in its order."""
    data = family._data
    if isinstance(data, range):
        return np.arange(data.start, data.stop)
    if isinstance(family, Family):
        return np.asarray(data)
    return np.fromiter(data, dtype=np.int64, count=len(data))


def columns(family: Any) -> Columns:
    """What stands for the variables of a family in rows, in its order."""
    if isinstance(family, Family):
        return np.arange(family.first, family.first + len(family.keys()))
    found = list(family._data.values())
    out = np.empty(len(found), dtype=object)
    out[:] = found
    return out
