"""A program taken apart into parts that share no row.

What hangs on one pump station seldom shares a limit with what hangs on another, save for rows over the whole site: an
allocation, a permit of a source, a drought order. Without those the program falls apart; its parts are solved in a
fraction of the time, side by side, and the bases they end with are together a basis of the whole program, from which it
is solved at once or, where a row of the whole site binds, in few steps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from models.plan.inputs import Ints

LARGEST_SHARE = 0.8  # [-] of the columns in one part, from which taking apart gains nothing


@dataclass(frozen=True)
class Part:
    """Rows and columns of a part, rising, and their coefficients: rows (r,), columns (k,), matrix (r, k) by columns."""

    rows: Ints
    columns: Ints
    matrix: sparse.csc_array


def separate(matrix: sparse.csc_array, left_out: NDArray[np.bool_], least: int = 1) -> list[Part]:
    """Take a program apart into what hangs together by its rows.

    Parameters
    ----------
    matrix : csc_array, shape (R, C)
    left_out : ndarray of bool, shape (R,)   Rows that are to tie nothing together.
    least : int    Columns up to which small parts are taken together: each costs time to load and to read.

    Returns
    -------
    list of Part   The largest first; rows left out and columns of no other row are in none. Empty where one part has
                   most of the columns.

    Raises
    ------
    ValueError     `left_out` has another shape than the rows.
    """
    rows, columns = matrix.shape
    if left_out.shape != (rows,):
        raise ValueError(f"left_out: expected shape ({rows},), got {left_out.shape}")
    kept = np.flatnonzero(~left_out)
    by_row = matrix.tocsr()[kept]
    count, of_row, of_column = components(by_row)
    size, width = np.bincount(of_row, minlength=count), np.bincount(of_column, minlength=count)
    if width.max(initial=0) > LARGEST_SHARE * columns:
        return []
    order = np.argsort(-width, kind="stable")
    order = order[(size[order] > 0) & (width[order] > 0)]
    small = width[order] < least
    group = np.full(count, -1)
    group[order] = np.arange(order.size)
    bins = (np.cumsum(width[order[small]]) - 1) // least
    group[order[small]] = order.size - small.sum() + np.unique(bins, return_inverse=True)[1]
    rows_of, columns_of = (_listed(group[one], group.max(initial=-1) + 1) for one in (of_row, of_column))
    return [
        Part(kept[own_rows], own, by_row[own_rows][:, own].tocsc())
        for own_rows, own in zip(rows_of, columns_of, strict=True)
    ]


def components(by_row: sparse.csr_array) -> tuple[int, Ints, Ints]:
    """What hangs together by its rows: how many there are, which each row is in, and which each column."""
    from scipy.sparse.csgraph import connected_components  # loaded only for large plans: it brings scipy.linalg with it

    rows, columns = by_row.shape
    across = sparse.csr_array(
        (np.ones(by_row.nnz, dtype=np.int8), by_row.indices + rows, by_row.indptr.astype(np.int32)),
        shape=(rows, rows + columns),
    )
    across.resize((rows + columns, rows + columns))
    count, label = connected_components(across)
    return int(count), label[:rows], label[rows:]


def _listed(group: Ints, count: int) -> list[Ints]:
    """Places of each group's members, rising; those of group -1 are in none."""
    order = np.argsort(group, kind="stable")
    return np.split(order, np.searchsorted(group[order], np.arange(count + 1)))[1:-1]
