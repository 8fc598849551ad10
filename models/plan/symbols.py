"""The plan written as a Pyomo model, which a person can read, print and hand to any solver of Pyomo's.

Rows are coefficients beside variables, without an expression tree: Pyomo's `LinearExpression` is made several times
faster than sums and products of variables, and the model stays an ordinary Pyomo model that any of its solvers reads.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import chain
from typing import Any

import numpy as np
import pyomo.core as pyo
from numpy.typing import NDArray
from pyomo.core.expr.numeric_expr import LinearExpression, MonomialTermExpression
from scipy import sparse

from models.plan.inputs import Floats, Ints
from models.plan.rows import Keys, Matrices, Rows, Spans


class _Terms:
    """Terms of a flat sum: two lists, made into Pyomo's terms only when Pyomo asks for them.

    A large plan has a million terms and mostly one reader, `matrices`, which takes the lists as they are.
    """

    __slots__ = ("coefficients", "made", "variables")

    def __init__(self, coefficients: list[float], variables: list[Any]) -> None:
        if len(coefficients) != len(variables):
            raise ValueError(f"{len(coefficients)} coefficients for {len(variables)} variables")
        self.coefficients = coefficients
        self.variables = variables
        self.made: list[Any] | None = None

    def _list(self) -> list[Any]:
        if self.made is None:
            pairs = zip(self.coefficients, self.variables, strict=True)
            self.made = [MonomialTermExpression(pair) for pair in pairs]
        return self.made

    def __len__(self) -> int:
        return len(self.coefficients) if self.made is None else len(self.made)

    def __getitem__(self, which: Any) -> Any:
        return self._list()[which]

    def append(self, term: Any) -> None:
        """Add a term, as Pyomo does where a sum goes on from this one."""
        self._list().append(term)

    def extend(self, terms: Any) -> None:
        """Add terms."""
        self._list().extend(terms)


def linear(coefficients: list[float], variables: list[Any]) -> Any:
    """Sum of coefficient times variable, as one flat expression; it keeps both lists."""
    row = LinearExpression([])
    row._args_ = _Terms(coefficients, variables)
    row._nargs = len(coefficients)
    return row


def entries(component: Any) -> list[Any]:
    """Entries of an indexed variable or constraint in the order they were made.

    `component.values()` walks the index set again at each call, which on large plans is a tenth of the build.
    """
    return list(component._data.values())


def add_index(m: pyo.ConcreteModel, name: str, items: range | Ints | list[tuple[int, ...]]) -> None:
    """Add an index."""
    if isinstance(items, range):
        m.add_component(name, pyo.RangeSet(0, len(items) - 1))
    else:
        m.add_component(name, pyo.Set(initialize=items if isinstance(items, list) else items.tolist()))


def add_variables(m: pyo.ConcreteModel, name: str, index: str, upper: Floats | None = None) -> None:
    """Add variables of 0 or more over an index, with upper bounds or without."""
    family = pyo.Var(m.component(index), bounds=(0, None))
    m.add_component(name, family)
    if upper is not None:
        for entry, bound in zip(entries(family), upper.tolist(), strict=True):
            entry.upper = bound


def add_parameter(m: pyo.ConcreteModel, name: str, index: str | None, values: Floats) -> Any:
    """Add a parameter that can be edited, over an index or a single one, and give it."""
    numbers = dict(enumerate(values.tolist()))
    held = (
        pyo.Param(mutable=True, initialize=numbers[0])
        if index is None
        else pyo.Param(m.component(index), mutable=True, initialize=numbers)
    )
    m.add_component(name, held)
    return held


def add_rows(
    m: pyo.ConcreteModel, name: str, index: str | Keys, rows: Rows, upper: Callable[[Any], Any] | None = None
) -> None:
    """Add a family of rows, as `pens.add_rows` has them."""
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


def add_cost(m: pyo.ConcreteModel, terms: Sequence[tuple[Any, Floats]]) -> None:
    """Add `cost`, the sum of families of variables times their prices."""
    variables = [v for family, _ in terms for v in entries(family)]
    m.cost = pyo.Objective(expr=linear([p for _, price in terms for p in price.tolist()], variables))


def matrices(m: pyo.ConcreteModel) -> Matrices:
    """Compile a model whose objective and rows are all flat sums made by `linear`.

    Pyomo's own standard form walks every expression as if it could be anything; these rows are lists already, and to
    read them off takes half its time.

    Raises
    ------
    TypeError    A row or the objective is not such a sum.
    ValueError   A row holds a variable of another model.
    """
    variables = [v for family in m.component_objects(pyo.Var, descend_into=False) for v in entries(family)]
    constraints = [c for family in m.component_objects(pyo.Constraint, descend_into=False) for c in entries(family)]
    bounded = [c.to_bounded_expression() for c in constraints]
    rows = [_terms(body) for _, body, _ in bounded]
    start = np.cumsum([0, *map(len, rows)]).astype(np.int32)
    column = _columns(variables, chain.from_iterable([row.variables for row in rows]), int(start[-1]))
    held = chain.from_iterable([row.coefficients for row in rows])
    data = np.fromiter(held, dtype=np.float64, count=int(start[-1]))
    matrix = sparse.csr_array((data, column, start), shape=(len(rows), len(variables))).tocsc()
    cost = np.zeros(len(variables))
    priced = _terms(m.cost.expr)
    cost[_columns(variables, priced.variables, len(priced))] = priced.coefficients
    return Matrices(
        variables,
        constraints,
        cost,
        np.nan_to_num(np.array([v.upper for v in variables], dtype=np.float64), nan=np.inf),
        matrix,
        np.array([_number(low, -np.inf) for low, _, _ in bounded], dtype=np.float64),
        np.array([_number(high, np.inf) for _, _, high in bounded], dtype=np.float64),
    )


def spans(m: pyo.ConcreteModel) -> Spans:
    """Count the families of a model, in the order it declares them."""

    def counted(kind: Any) -> dict[str, slice]:
        found, at = {}, 0
        for family in m.component_objects(kind, descend_into=False):
            found[family.local_name] = slice(at, at + len(family._data))
            at += len(family._data)
        return found

    return Spans(counted(pyo.Var), counted(pyo.Constraint))


def _terms(expression: Any) -> _Terms:
    """Terms of a flat sum made by `linear`."""
    terms = getattr(expression, "_args_", None)
    if not isinstance(terms, _Terms) or len(terms) != len(terms.coefficients):
        raise TypeError(f"a flat linear sum is needed, not {type(expression).__name__}")
    return terms


def _columns(variables: list[Any], held: Iterable[Any], count: int) -> NDArray[np.int32]:
    """Positions in `variables` of those held by rows, shape (count,); looked up in one go, not one by one."""
    own = np.fromiter(map(id, variables), dtype=np.int64, count=len(variables))
    order = np.argsort(own)
    asked = np.fromiter(map(id, held), dtype=np.int64, count=count)
    found = order[np.minimum(np.searchsorted(own, asked, sorter=order), own.size - 1)]
    if not np.array_equal(own[found], asked):
        raise ValueError("a row holds a variable that is not the model's")
    return found.astype(np.int32)


def _number(bound: Any, none: float) -> float:
    """A bound of a row as a number: most are, some are parameters that can be edited."""
    if bound.__class__ is float:
        return float(bound)
    return none if bound is None else float(pyo.value(bound))
