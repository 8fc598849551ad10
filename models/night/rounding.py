"""Run times in whole controller steps, without breaking any shared limit.

Rounding down is always safe but gives away up to one step per zone; on a large site that is several per cent of the
night. So the run times are floored, short runs are lifted or dropped, and the steps lost to flooring are then given
back one zone at a time, the most valuable first, as long as every limit still holds.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

LIMIT_ROUNDOFF = 1e-12  # [-] share of a limit allowed for the round-off of adding up floating-point numbers
STEP_ROUNDOFF = 1e-9  # [-] share of a controller step: 11.999999999 min counts as 12 min

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class RoundedMinutes:
    """Run times a controller can be given.

    Attributes
    ----------
    minutes : ndarray, shape (Z,)   Run time [min], a whole number of steps.
    steps : ndarray, shape (Z,)     Run time in controller steps [-].
    raised : ndarray, shape (Z,)    The zone got the step above its planned minutes.
    lifted : ndarray, shape (Z,)    A run below the smallest useful one was lifted to it.
    dropped : ndarray, shape (Z,)   A run below the smallest useful one was left out.
    cut : ndarray, shape (Z,)       Taken below the plain floor: the largest run or a shared limit asked for it.
    difference_min : float          Rounded less planned minutes over all zones [min].
    """

    minutes: FloatArray
    steps: IntArray
    raised: BoolArray
    lifted: BoolArray
    dropped: BoolArray
    cut: BoolArray
    difference_min: float


def round_minutes(
    minutes: FloatArray,
    resolution_min: FloatArray,
    smallest_run_min: FloatArray,
    largest_run_min: FloatArray,
    limit_matrix: sparse.csr_matrix,
    limit_rhs: FloatArray,
    value: FloatArray,
    need: BoolArray,
) -> RoundedMinutes:
    """Round run times to controller steps so that limit_matrix @ minutes <= limit_rhs holds for every row.

    Parameters
    ----------
    minutes : ndarray, shape (Z,)               Planned run times [min], >= 0.
    resolution_min : ndarray, shape (Z,)        Controller step [min], > 0.
    smallest_run_min : ndarray, shape (Z,)      Smallest useful run [min], >= 0.
    largest_run_min : ndarray, shape (Z,)       Largest run of the night [min], >= 0, inf where there is none.
    limit_matrix : csr matrix, shape (L, Z)     What one minute of a zone uses of each limit, >= 0.
    limit_rhs : ndarray, shape (L,)             The limits, >= 0, inf where there is none.
    value : ndarray, shape (Z,)                 Worth of one more minute; any one unit for all zones.
    need : ndarray of bool, shape (Z,)          Zones that should run tonight: lifted first, and never merely for
                                                being short dropped.

    Returns
    -------
    RoundedMinutes                              At most one step above the plan, save for runs lifted to the smallest
                                                useful one.

    Raises
    ------
    ValueError                                  Shapes differ, or a value lies outside the range above.
    """
    matrix = _checked(minutes, resolution_min, smallest_run_min, largest_run_min, limit_matrix, limit_rhs, value, need)
    most = _most_steps(largest_run_min, resolution_min)
    least = np.maximum(np.ceil(smallest_run_min / resolution_min - STEP_ROUNDOFF), 0).astype(np.int64)
    exact = minutes / resolution_min
    floor = np.floor(exact + STEP_ROUNDOFF).astype(np.int64)
    steps = np.minimum(floor, most)

    short = (minutes > 0) & (steps < np.maximum(least, 1))
    steps[short] = 0
    columns, asked = _Columns(matrix, limit_rhs, resolution_min), steps.copy()
    columns.shrink_to_limits(steps, value, need)
    fell_short = (steps > 0) & (steps < least)
    if fell_short.any():  # a limit cut the run below what is useful
        steps[fell_short] = 0
        columns.recount(steps)
        columns.give_back(steps, np.where(steps > 0, asked, 0), value, need)

    liftable = np.flatnonzero(short & (least <= most) & (need | (exact >= 0.5 * least)))
    order = liftable[np.lexsort((-(value * resolution_min)[liftable], ~need[liftable]))]
    lifted = columns.give(steps, order, np.maximum(least, 1))

    remainder = np.clip(exact - floor, 0.0, 1.0)
    able = (steps == floor) & (steps > 0) & (steps < most) & (remainder > STEP_ROUNDOFF) & ~lifted
    order = np.flatnonzero(able)
    order = order[np.lexsort((-remainder[order], -(value * remainder)[order]))]
    raised = columns.give(steps, order, np.ones_like(steps))

    columns.settle_roundoff(steps, value, need)
    steps[(steps > 0) & (steps < least)] = 0
    rounded = steps * resolution_min
    return RoundedMinutes(
        minutes=rounded,
        steps=steps,
        raised=raised & (steps > floor),
        lifted=lifted & (steps > 0),
        dropped=(minutes > 0) & (steps == 0) & (short | fell_short),
        cut=(steps < floor) & ~short & ~fell_short,
        difference_min=float(rounded.sum() - minutes.sum()),
    )


def _most_steps(largest_run: FloatArray, resolution: FloatArray) -> IntArray:
    """Steps of the largest run, (Z,); beyond any night where there is none."""
    bounded = np.isfinite(largest_run)
    steps = np.floor(np.where(bounded, largest_run, 0.0) / resolution + STEP_ROUNDOFF)
    return np.where(bounded, steps, np.iinfo(np.int64).max // 2).astype(np.int64)


class _Columns:
    """The limits seen zone by zone: what one controller step uses of each, and what is left."""

    def __init__(self, matrix: sparse.csr_matrix, rhs: FloatArray, resolution: FloatArray) -> None:
        self.rows = (matrix @ sparse.diags(resolution)).tocsr()
        columns = self.rows.tocsc()
        self.start, self.row, self.use = columns.indptr, columns.indices, columns.data
        self.rhs = rhs
        self.dust = np.where(np.isfinite(rhs), 0.5 * LIMIT_ROUNDOFF * rhs, 0.0)
        self.left = rhs.copy()

    def recount(self, steps: IntArray) -> None:
        self.left = self.rhs - self.rows @ steps.astype(np.float64)

    def give(self, steps: IntArray, order: IntArray, amount: IntArray) -> BoolArray:
        """Add `amount` to `steps`, in place, for each zone of `order` in turn where all its limits still hold."""
        given = np.zeros(steps.size, dtype=bool)
        for zone in order:
            span = slice(self.start[zone], self.start[zone + 1])
            rows, use = self.row[span], self.use[span] * amount[zone]
            if np.all(use <= self.left[rows] + self.dust[rows]):
                self.left[rows] -= use
                steps[zone] += amount[zone]
                given[zone] = True
        return given

    def shrink_to_limits(self, steps: IntArray, value: FloatArray, need: BoolArray) -> None:
        """Take steps from the zones of each broken row until it holds.

        A plan may overshoot a limit by the solver's tolerance, or by what is owed to zones from earlier nights. Zones
        that can wait give first, then those of least worth; of zones of like worth each gives a step in turn, the
        largest first, so that no small zone loses all its run for what is one step of a large one. What a row took is
        given back where a later row makes it needless, the zones that cannot wait and those of most worth first.
        """
        self.recount(steps)
        before = steps.copy()
        for row in np.flatnonzero(self.left < -self.dust).tolist():
            span = slice(self.rows.indptr[row], self.rows.indptr[row + 1])
            zones, use = self.rows.indices[span], self.rows.data[span]
            zones, use = zones[use > 0], use[use > 0]
            like = np.floor(np.log2(np.maximum(value[zones] / use, np.finfo(np.float64).tiny)))
            order = np.lexsort((-use, like, need[zones]))
            kind = np.stack([need[zones], like], axis=1)[order]
            for group in np.split(order, np.flatnonzero((kind[1:] != kind[:-1]).any(axis=1)) + 1):
                if self._taken(row, steps, zones, use, group):
                    break
        self.recount(steps)
        self.give_back(steps, before, value, need)

    def give_back(self, steps: IntArray, most: IntArray, value: FloatArray, need: BoolArray) -> None:
        """Raise `steps` towards `most`, in place, as far as all limits hold: zones in need and of worth first."""
        cut = np.flatnonzero(steps < most)
        for zone in cut[np.lexsort((-value[cut], ~need[cut]))].tolist():
            span = slice(self.start[zone], self.start[zone + 1])
            rows, use = self.row[span], self.use[span]
            limited = (use > 0) & np.isfinite(self.left[rows])
            rows, use = rows[limited], use[limited]
            fit = np.floor((self.left[rows] + self.dust[rows]) / use).min(initial=float(most[zone] - steps[zone]))
            steps[zone] += int(max(fit, 0.0))
            self.left[rows] -= use * max(fit, 0.0)

    def _taken(self, row: int, steps: IntArray, zones: IntArray, use: FloatArray, group: IntArray) -> bool:
        """Take steps from a group of a row's zones in turn; whether the row holds."""
        while True:
            over = -(self.rhs[row] - use @ steps[zones])
            turn = max(int(over / use[group].sum()), 1)
            for i in group:
                if over <= self.dust[row]:
                    return True
                steps[zones[i]] -= min(turn, int(np.ceil(over / use[i])), int(steps[zones[i]]))
                over = -(self.rhs[row] - use @ steps[zones])
            if not steps[zones[group]].any():
                return bool(over <= self.dust[row])

    def settle_roundoff(self, steps: IntArray, value: FloatArray, need: BoolArray) -> None:
        """Recount from nothing; if adding up step by step drifted past the allowed round-off, take a step back."""
        self.recount(steps)
        allowed = np.where(np.isfinite(self.rhs), self.rhs * LIMIT_ROUNDOFF, np.inf)
        if np.any(self.left < -allowed):
            self.shrink_to_limits(steps, value, need)


def _checked(
    minutes: FloatArray,
    resolution: FloatArray,
    smallest: FloatArray,
    largest: FloatArray,
    matrix: sparse.csr_matrix,
    rhs: FloatArray,
    value: FloatArray,
    need: BoolArray,
) -> sparse.csr_matrix:
    shape = minutes.shape
    if minutes.ndim != 1:
        raise ValueError(f"minutes: expected shape (Z,), got {shape}")
    named = {"resolution_min": resolution, "smallest_run_min": smallest, "largest_run_min": largest}
    for name, array in {**named, "value": value, "need": need}.items():
        if array.shape != shape:
            raise ValueError(f"{name}: expected shape {shape}, got {array.shape}")
    if matrix.shape != (rhs.size, minutes.size) or rhs.ndim != 1:
        raise ValueError(f"limit_matrix: expected shape ({rhs.size}, {minutes.size}), got {matrix.shape}")
    if not np.all(np.isfinite(minutes)) or np.any(minutes < 0):
        raise ValueError("minutes: must be finite and >= 0")
    if not np.all(np.isfinite(resolution)) or np.any(resolution <= 0):
        raise ValueError("resolution_min: must be finite and > 0")
    if not np.all(np.isfinite(smallest)) or np.any(smallest < 0):
        raise ValueError("smallest_run_min: must be finite and >= 0")
    if np.any(np.isnan(largest)) or np.any(largest < 0):
        raise ValueError("largest_run_min: must be >= 0")
    if np.any(np.isnan(rhs)) or np.any(rhs < 0):
        raise ValueError("limit_rhs: must be >= 0; no run time keeps a limit below 0")
    if not np.all(np.isfinite(value)):
        raise ValueError("value: must be finite")
    matrix = sparse.csr_matrix(matrix, dtype=np.float64)
    if not np.all(np.isfinite(matrix.data)) or np.any(matrix.data < 0):
        raise ValueError("limit_matrix: must be finite and >= 0")
    return matrix
