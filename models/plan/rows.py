"""Rows as the builders give them, and a plan as a solver takes it: its matrices, and where its families stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from models.plan.inputs import Floats, Ints

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


@dataclass(frozen=True)
class Spans:
    """Where each family of a model stands among its compiled columns and rows."""

    column: dict[str, slice]
    row: dict[str, slice]
