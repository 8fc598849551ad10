"""How the builders write a linear row: coefficients beside variables, without an expression tree.

Pyomo's `LinearExpression` is compiled several times faster than sums and products of variables, and the model stays
an ordinary Pyomo model.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from pyomo.core.expr.numeric_expr import LinearExpression


def linear(coefficients: list[float], variables: list[Any]) -> Any:
    """Sum of coefficient times variable, as one flat expression."""
    return LinearExpression(constant=0.0, linear_coefs=coefficients, linear_vars=variables)


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
