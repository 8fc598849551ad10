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


def separate(matrix: sparse.csc_array, left_out: NDArray[np.bool_]) -> list[Part]:
    """Take a program apart into what hangs together by its rows.

    Parameters
    ----------
    matrix : csc_array, shape (R, C)
    left_out : ndarray of bool, shape (R,)   Rows that are to tie nothing together.

    Returns
    -------
    list of Part   The largest first; rows left out and columns of no other row are in none. Empty where one part has
                   most of the columns.

    Raises
    ------
    ValueError     `left_out` has another shape than the rows.
    """
    from scipy.sparse.csgraph import connected_components  # loaded only for large plans: it brings scipy.linalg with it

    rows, columns = matrix.shape
    if left_out.shape != (rows,):
        raise ValueError(f"left_out: expected shape ({rows},), got {left_out.shape}")
    kept = np.flatnonzero(~left_out)
    by_row = matrix.tocsr()[kept]
    across = sparse.csr_array(
        (np.ones(by_row.nnz, dtype=np.int8), by_row.indices + kept.size, by_row.indptr.astype(np.int32)),
        shape=(kept.size, kept.size + columns),
    )
    across.resize((kept.size + columns, kept.size + columns))
    count, label = connected_components(across)
    size = np.bincount(label[: kept.size], minlength=count)
    width = np.bincount(label[kept.size :], minlength=count)
    if width.max(initial=0) > LARGEST_SHARE * columns:
        return []
    found = []
    for part in np.argsort(-width, kind="stable"):
        if size[part] and width[part]:
            own_rows = np.flatnonzero(label[: kept.size] == part)
            own = np.flatnonzero(label[kept.size :] == part)
            found.append(Part(kept[own_rows], own, by_row[own_rows][:, own].tocsc()))
    return found
