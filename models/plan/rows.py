"""How the builders write a linear row, and how the rows are read off for a solver.

Rows are coefficients beside variables, without an expression tree: Pyomo's `LinearExpression` is made and compiled
several times faster than sums and products of variables, and the model stays an ordinary Pyomo model.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyomo.environ as pyo
from pyomo.core.expr.numeric_expr import LinearExpression
from scipy import sparse

from models.plan.inputs import Floats


def linear(coefficients: list[float], variables: list[Any]) -> Any:
    """Sum of coefficient times variable, as one flat expression."""
    return LinearExpression(constant=0.0, linear_coefs=coefficients, linear_vars=variables)


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


def matrices(m: pyo.ConcreteModel) -> Matrices:
    """Compile a model whose objective and rows are all flat sums made by `linear`.

    Pyomo's own standard form walks every expression as if it could be anything; these rows are lists already, and to
    read them off takes half its time.

    Raises
    ------
    TypeError   A row or the objective is not such a sum.
    """
    variables = [v for family in m.component_objects(pyo.Var, descend_into=False) for v in entries(family)]
    place = {id(v): i for i, v in enumerate(variables)}
    constraints = [c for family in m.component_objects(pyo.Constraint, descend_into=False) for c in entries(family)]
    bounded = [c.to_bounded_expression() for c in constraints]
    bodies = [_flat(body) for _, body, _ in bounded]
    start = np.cumsum([0, *(body.nargs() for body in bodies)]).astype(np.int32)
    terms = [term.args for body in bodies for term in body.args]
    column = np.fromiter((place[id(variable)] for _, variable in terms), dtype=np.int32, count=len(terms))
    data = np.fromiter((coefficient for coefficient, _ in terms), dtype=np.float64, count=len(terms))
    matrix = sparse.csr_array((data, column, start), shape=(len(bodies), len(variables))).tocsc()
    cost = np.zeros(len(variables))
    for coefficient, variable in (term.args for term in _flat(m.cost.expr).args):
        cost[place[id(variable)]] = coefficient
    return Matrices(
        variables,
        constraints,
        cost,
        np.nan_to_num(np.array([v.upper for v in variables], dtype=np.float64), nan=np.inf),
        matrix,
        np.array([-np.inf if low is None else pyo.value(low) for low, _, _ in bounded], dtype=np.float64),
        np.array([np.inf if high is None else pyo.value(high) for _, _, high in bounded], dtype=np.float64),
    )


def _flat(expression: Any) -> Any:
    """The expression itself if it is a flat sum."""
    if not isinstance(expression, LinearExpression):
        raise TypeError(f"a flat linear sum is needed, not {type(expression).__name__}")
    return expression


def by_index(m: Any, name: str) -> dict[int, Any]:
    """Entries of a variable that a model may or may not have, by index; empty without it."""
    variable = m.component(name)
    return {} if variable is None else dict(variable.items())


def groups(index: np.ndarray, size: int) -> list[list[int]]:
    """Positions of each group number 0 to size - 1 in an index; -1 and other numbers are left out.

    Returns
    -------
    list of list of int   One list a group, rising.
    """
    order = np.argsort(index, kind="stable")
    ordered = index[order]
    edges = np.searchsorted(ordered, np.arange(size + 1))
    return [order[a:b].tolist() for a, b in zip(edges[:-1], edges[1:], strict=True)]


def pick(items: Sequence[Any], positions: Sequence[int]) -> list[Any]:
    """Items at the given positions."""
    return [items[i] for i in positions]
