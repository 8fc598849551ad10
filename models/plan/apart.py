"""A large plan begun from its parts, which are solved side by side."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np

from models.plan.highs import STILL, Basis, Program, SolverFailed
from models.plan.inputs import Bools, Floats, PlanInputs
from models.plan.objective import terminal_target
from models.plan.parts import Part, separate
from models.plan.results import ALLOCATION_ROWS
from models.plan.rows import Matrices, Spans

_WIDE = ("source_night", "source_month", *ALLOCATION_ROWS, "drought_cut")  # tie all pumps
SITE_WIDE: tuple[str, ...] = (*_WIDE, *(f"{name}_weathers" for name in _WIDE))


def site_wide(spans: Spans, rows: int) -> Bools:
    """Which rows of a plan hold zones of the whole site together, shape (rows,)."""
    wide = np.zeros(rows, dtype=np.bool_)
    for name in SITE_WIDE:
        wide[spans.row.get(name, slice(0))] = True
    return wide


def parts_of(whole: Matrices, spans: Spans, inputs: PlanInputs) -> list[Part]:
    """Parts of a plan that share no pump; none where a limit of the site is sure to bind.

    Parameters
    ----------
    whole : Matrices      The plan.
    spans : Spans         Where its families stand.
    inputs : PlanInputs   By zone.
    """
    if _least_water(inputs) > min([inputs.allocation, *(t.above for t in inputs.tiers)]):
        return []
    return separate(whole.matrix, site_wide(spans, whole.row_upper.size))


def start(whole: Matrices, spans: Spans, inputs: PlanInputs) -> Basis | None:
    """A basis of the plan from those of parts that share no pump, solved side by side.

    Parameters
    ----------
    whole, spans, inputs   As `parts_of`.

    Returns
    -------
    Basis or None   None where a limit of the site is sure to bind or does not hold for the parts together: to push them
                    back behind one row that holds every zone was measured to take several times as long as to begin
                    from nothing. And where there are no parts.
    """
    parts = parts_of(whole, spans, inputs)
    loaded = [Program(whole.part(part.rows, part.columns, part.matrix), large=True) for part in parts]
    if not parts:
        return None
    try:
        with ThreadPoolExecutor() as side_by_side:  # no more threads than parts, nor many more than cores
            list(side_by_side.map(Program.attempt, loaded))
    except SolverFailed:
        return None
    values = np.zeros(whole.cost.size)
    for part, program in zip(parts, loaded, strict=True):
        values[part.columns] = program.values()
    wide = site_wide(spans, whole.row_upper.size)
    if np.any(_used(whole, wide, values) > whole.row_upper[wide] * (1.0 + STILL)):
        return None
    bases = [(part.columns, part.rows, program.basis()) for part, program in zip(parts, loaded, strict=True)]
    return Basis.joined((whole.cost.size, whole.row_upper.size), bases)


def _used(whole: Matrices, rows: Bools, values: Floats) -> Floats:
    """Left sides of some rows."""
    return np.asarray(whole.matrix.tocsr()[np.flatnonzero(rows)] @ values, dtype=np.float64)


def _least_water(inputs: PlanInputs) -> float:
    """Water that brings every zone to where the last night should leave it [m3], if nothing limits it."""
    missing = inputs.depletion + (inputs.etc - inputs.effective_rain).sum(axis=1) - terminal_target(inputs)
    return float((np.maximum(missing, 0.0) * inputs.area / 1000.0 / inputs.net_share).sum())
