"""A large plan begun from its parts, which are solved side by side.

What hangs on one branch shares few limits with the rest of the site: a pump, an allocation, permits, drought orders.
Without those limits the plan falls apart into small parts. Where their plans hold them together, the bases of the parts
are the basis of the whole. Where not, the prices at which they do are looked for (`tied.py`).
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np

from models.plan.basis import Basis
from models.plan.highs import STILL, SolverFailed
from models.plan.inputs import Bools, Floats
from models.plan.parts import Part, separate
from models.plan.results import ALLOCATION_ROWS
from models.plan.rows import Matrices, Spans
from models.plan.tied import LEAST, Tied

Apart: TypeAlias = tuple[Bools, list[Part]]  # rows left out, shape (rows,), and what a plan falls into without them
_WIDE = ("source_night", "source_month", *ALLOCATION_ROWS, "drought_cut")  # tie all pumps
SITE_WIDE: tuple[str, ...] = (*_WIDE, *(f"{name}_weathers" for name in _WIDE))
# Left out one after the other until what is left falls apart.
TYING = (("pump_limit", "pump_limit_weathers"), ("station_limit", "station_limit_weathers"))
WITHIN = ("branch_limit", "branch_limit_weathers")  # limits that zones of one part share
SMALL = 0.1  # [-] of the columns in one part, up to which no further limit is left out
LARGEST_PART = 36_000  # columns up to which the same
LEAST_PART = 1_000  # columns of a part by itself; a night without runs leaves many of one column
# Limits up to which their prices are looked for where the parts break one. Over several weathers a limit is a row in
# each, and such a plan was measured to take half as long from nothing.
MOST_TYING = 270


def start(
    whole: Matrices,
    spans: Spans,
    near: Floats | None = None,
    basis: Basis | None = None,
    taken: Apart | None = None,
) -> Basis | None:
    """A basis of the plan from those of its parts; None where it is better begun otherwise.

    That is where it does not fall apart, where too much ties the parts, or where a part was not solved.

    Parameters
    ----------
    whole : Matrices   The plan.
    spans : Spans      Where its families stand.
    near : ndarray, optional   Columns where the plan ended under other limits. None is the answer, too, where these
                       columns use up nothing that ties the parts.
    basis : Basis, optional    Where it ended then, or where a plan close to it did.
    taken : Apart, optional    As `parts_of` gives it.
    """
    wide, parts = taken or parts_of(whole, spans)
    rows = np.flatnonzero(wide & np.isfinite(whole.row_upper))
    if not parts:
        return None
    if near is not None and np.all(whole.matrix.tocsr()[rows] @ near <= whole.row_upper[rows] * (1.0 - STILL) + LEAST):
        return None
    if near is not None and rows.size > MOST_TYING:
        return None
    try:
        shared = wide.copy()
        for name in (*WITHIN, *TYING[0], *TYING[1]):
            shared[spans.row.get(name, slice(0))] = True
        tied = Tied(whole, rows, parts, shared)
        return tied.untied() if rows.size > MOST_TYING else tied.solved(basis)
    except SolverFailed:
        return None


def parts_of(whole: Matrices, spans: Spans) -> Apart:
    """Take a plan apart."""
    wide = np.zeros(whole.row_upper.size, dtype=np.bool_)
    parts: list[Part] = []
    for families in (SITE_WIDE, *TYING):
        for name in families:
            wide[spans.row.get(name, slice(0))] = True
        parts = separate(whole.matrix, wide, LEAST_PART)
        if parts and parts[0].columns.size <= max(SMALL * whole.cost.size, LARGEST_PART):
            break
    return wide, parts
