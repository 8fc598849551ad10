"""At what prices the limits that tie a large plan are kept, about: from a plan of few of its zones.

The parts of a large plan are first solved at these prices, each by itself. Without any price they all use too much, and
most of what they then do is undone by the first program that holds some of them together, in its longer steps.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import sparse

from models.plan.highs import Program
from models.plan.inputs import Bools, Floats, Ints
from models.plan.parts import components
from models.plan.rows import Matrices

COLUMNS = 10_000  # of the sketch, about
GOLDEN = (5.0**0.5 - 1.0) / 2.0


def sketched(whole: Matrices, by_row: sparse.csr_array, ties: Ints, shared: Bools, common: Ints) -> Floats:
    """Prices of the limits that tie a plan, from zones spread over it that are given their share of every limit.

    Parameters
    ----------
    whole : Matrices            The plan.
    by_row : csr_array          Its coefficients by rows.
    ties : ndarray (W,)         The limits; all of them have an upper limit only.
    shared : ndarray (rows,)    Rows over several zones. Of these only the ties are in the sketch.
    common : ndarray            Columns of no zone.

    Returns
    -------
    ndarray (W,)   0 of all where zones cannot do with their share.
    """
    alone = np.flatnonzero(~shared)
    count, of_row, of_column = components(by_row[alone])
    zones = np.unique(of_row)
    order = np.argsort(np.arange(1, zones.size + 1) * GOLDEN % 1.0)
    most = int(np.ceil(COLUMNS / max(whole.cost.size, COLUMNS) * zones.size))
    inside = np.zeros(count, dtype=np.bool_)
    inside[zones[order[:most]]] = True
    inside[of_column[common]] = True
    columns, rows = np.flatnonzero(inside[of_column]), np.concatenate([alone[inside[of_row]], ties])
    upper = np.where(np.isfinite(whole.upper), whole.upper, 0.0)
    could, all_could = by_row[ties][:, columns] @ upper[columns], by_row[ties] @ upper
    share = np.divide(could, all_could, out=np.zeros(ties.size), where=all_could > 0)
    part = whole.part(rows, columns, by_row[rows][:, columns].tocsc())
    limits = part.row_upper.copy()
    limits[rows.size - ties.size :] *= share
    program = Program(replace(part, row_upper=limits), large=True)
    program.expect_near(True)
    program.take_as_it_is()
    if not np.isfinite(program.attempt()):
        return np.zeros(ties.size)
    return np.asarray(np.maximum(-program.sides()[1][rows.size - ties.size :], 0.0))
