"""What one more cubic metre in the allocation would change, on a solved plan."""

from __future__ import annotations

import numpy as np

from models.plan.highs import Program
from models.plan.inputs import Floats, Ints

MOST_COLUMNS = 20_000  # of a plan that is solved twice more where its basis tells nothing


def one_more(program: Program, rows: Ints) -> Floats | None:
    """Change of every column where the allocation grows by one cubic metre; None where it says nothing.

    Where the basis cannot be kept even for the smallest step, at a corner of the plan, a small plan is solved with the
    cubic metre and without.

    Parameters
    ----------
    program : Program    Solved; it is left as it was.
    rows : ndarray       Rows of the allocation and its tiers.
    """
    if not rows.size or not program.sides()[1][rows].any():
        return None
    kept = program.step(rows)
    if kept is not None:
        return kept[0]
    return None if program.cost.size >= MOST_COLUMNS else _with_one_more(program, rows)


def _with_one_more(program: Program, rows: Ints) -> Floats:
    """The change as the difference of two plans."""
    before, limits = program.values(), program.row_upper[rows].copy()
    program.limit(rows, limits + 1.0)
    program.run()
    values = program.values()
    program.limit(rows, limits)
    program.run()
    return np.asarray(values - before, dtype=np.float64)
