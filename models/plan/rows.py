"""How the builders write a linear row, and how the rows are read off for a solver.

Rows are coefficients beside variables, without an expression tree: Pyomo's `LinearExpression` is made several times
faster than sums and products of variables, and the model stays an ordinary Pyomo model that any of its solvers reads.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import chain
from typing import Any

import numpy as np
import pyomo.core as pyo
from numpy.typing import NDArray
from pyomo.core.expr.numeric_expr import LinearExpression, MonomialTermExpression
from scipy import sparse

from models.plan.inputs import Floats, Ints


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


@dataclass(frozen=True)
class Matrices:
    """A model of flat rows as arrays, for a solver.

    Parameters
    ----------
    variables, constraints : list     Columns and rows, in the order the model declares them.
    cost, upper : ndarray (columns,)  Objective; upper bounds, all lower bounds being 0.
    matrix : csc_array                Coefficients.
    row_lower, row_upper : ndarray (rows,)
    """

    variables: list[Any]
    constraints: list[Any]
    cost: Floats
    upper: Floats
    matrix: sparse.csc_array
    row_lower: Floats
    row_upper: Floats

    def part(self, rows: Ints, columns: Ints, matrix: sparse.csc_array) -> Matrices:
        """A program of some rows and columns only, whose coefficients are at hand; without Pyomo's objects."""
        return Matrices(
            [], [], self.cost[columns], self.upper[columns], matrix, self.row_lower[rows], self.row_upper[rows]
        )


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


@dataclass(frozen=True)
class Spans:
    """Where each family of a model stands among its compiled columns and rows."""

    column: dict[str, slice]
    row: dict[str, slice]

    @classmethod
    def of(cls, m: pyo.ConcreteModel) -> Spans:
        """Count the families of a model, in the order it declares them."""

        def counted(kind: Any) -> dict[str, slice]:
            found, at = {}, 0
            for family in m.component_objects(kind, descend_into=False):
                found[family.local_name] = slice(at, at + len(family._data))
                at += len(family._data)
            return found

        return cls(counted(pyo.Var), counted(pyo.Constraint))


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
