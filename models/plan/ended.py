"""Where a run of a plan ended, and whether a plan under other limits had better not go on from there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.plan.basis import Basis
from models.plan.inputs import Floats
from models.plan.pens import Model
from models.plan.rows import Spans

CAPACITIES = ("pump_limit", "branch_limit", "station_limit")
# Shares of minutes and of flow [-]. At 600 zones and 7 nights a plan takes from nothing 0.3 to 0.9 of the time where
# more is beyond; where an allocation is halved, 0.8 to 1.2 of it.
MUCH_SHUT, MUCH_BEYOND = 0.05, 0.2


@dataclass(frozen=True)
class Ended:
    """Where a run of a plan ended.

    Parameters
    ----------
    model : Model
    spans : Spans            Where its families stand.
    basis : Basis
    values : ndarray (columns,)
    sides : ndarray (rows,)  Left sides.
    limits : tuple           The upper limits it had, of rows and columns.
    """

    model: Model
    spans: Spans
    basis: Basis
    values: Floats
    sides: Floats
    limits: tuple[Floats, Floats]


def much_left_over(end: Ended, upper: Floats, row_upper: Floats) -> bool:
    """Whether so much of what ran no longer fits that the plan is sooner solved from nothing.

    That is minutes in hours that are shut now, or what is beyond the capacities of pumps, pipes and controllers.

    Parameters
    ----------
    end : Ended
    upper, row_upper : ndarray   Upper limits of columns and rows as they are now.
    """
    runs = end.spans.column["run_time"]
    if _beyond(end.values[runs], upper[runs]) > MUCH_SHUT:
        return True
    rows = (end.spans.row.get(name, slice(0)) for name in CAPACITIES)
    return any(_beyond(end.sides[span], row_upper[span]) > MUCH_BEYOND for span in rows)


def _beyond(used: Floats, most: Floats) -> float:
    """Share of what is used that lies beyond what may be [-]."""
    return float(np.maximum(used - most, 0.0).sum() / max(float(used.sum()), 1.0))
