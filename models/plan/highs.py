"""The only file that knows HiGHS: a linear program in the solver, its numbers, its runs and where they end.

A program is handed over as matrices in one piece; loading row by row through a generic interface was measured to take
several times as long.
"""

from __future__ import annotations

from typing import Any

import highspy
import numpy as np
from scipy import sparse

from models.plan.basis import BASIC, Basis, Codes, standing_at
from models.plan.inputs import Bools, Floats, Ints
from models.plan.rows import Matrices

# Steepest edge, the default, was measured to solve 2,400 zones and 10 nights in two thirds of the time devex takes.
OPTIONS: dict[str, bool | int | str] = {"output_flag": False, "solver": "simplex"}
# The solver's own parallel simplex waits for the other core at every step: where another program uses it, that was
# measured to take thirty times as long. Presolve finds little in large plans.
LARGE_OPTIONS: dict[str, bool | int | str] = {"presolve": "off"}
# Where HiGHS stops with "Solve error", costs are scaled down, by a power of two, so that none passes this, and it
# starts again. With many ranks and zones of very different size they reach 1e12; elsewhere scaling costs time.
LARGEST_COST = 1e8  # at 1e4 and less HiGHS no longer tells cheap water from dear
STILL = 1e-7  # below which a column or row counts as at its bound, or as not moving

OPTIMAL = highspy.HighsModelStatus.kOptimal
NO_PLAN = (highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible)
Status = highspy.HighsBasisStatus
# As `basis.py` counts them.
STATUS = np.array([Status.kLower, Status.kBasic, Status.kUpper, Status.kZero, Status.kNonbasic], dtype=object)
DUAL_TOLERANCE = 1e-7, 1e-6  # HiGHS's own, and the most: a hundredth of water's price is still told apart
PRIMAL = 4  # of HiGHS's strategies; the dual simplex else
# How the dual simplex weighs rows. From a near basis devex, which begins without weights, was measured to take four
# fifths of the time of steepest edge; far from it, and on large plans, longer.
STEEPEST, DEVEX = -1, 1


class QuietHighs(highspy.Highs):
    """A solver that is silent from the first line on.

    HiGHS prints its licence when it takes up its callbacks, before anything can be set from outside. To catch what it
    prints takes a thread and a lock, which in one of some six hundred evenings never came free.
    """

    def enableCallbacks(self) -> None:  # noqa: N802
        """Silence it first."""
        self.setOptionValue("output_flag", False)
        super().enableCallbacks()  # type: ignore[no-untyped-call]


class SolverFailed(Exception):
    """HiGHS stopped without an optimum; the message gives its status."""


def _codes(status: list[Any]) -> Codes:
    """Places in `STATUS` of the solver's own record."""
    return np.fromiter(map(int, status), dtype=np.int8, count=len(status))


class Program:
    """A linear program in HiGHS.

    Parameters
    ----------
    compiled : Matrices
    large : bool   Whether presolve is left out.

    Attributes
    ----------
    row_lower, row_upper : ndarray (rows,)   Limits as they stand.
    lower, upper : ndarray (columns,)   Bounds as they stand.
    cost : ndarray (columns,)     Costs as they stand, in the program's own prices.
    cost_scale : float            By which the solver's costs are scaled [-], 1 unless need be; what is read is not.
    """

    def __init__(self, compiled: Matrices, large: bool = False) -> None:
        self.cost, self.cost_scale, self.row_upper = compiled.cost, 1.0, compiled.row_upper.copy()
        self.lower, self.upper = np.zeros(compiled.cost.size), compiled.upper.copy()
        self.row_lower = compiled.row_lower
        self.found: tuple[Floats, Floats, Floats] | None = None  # vectors of the last run, where they were read
        self.highs = QuietHighs()  # type: ignore[no-untyped-call]
        for name, value in (OPTIONS | (LARGE_OPTIONS if large else {})).items():
            self.highs.setOptionValue(name, value)
        self._pass(compiled)

    def _pass(self, compiled: Matrices) -> None:
        """Hand the arrays over as they are; set one by one on the solver's own record, each would become a list."""
        rows, columns = compiled.matrix.shape
        whole, none, continuous = np.zeros(0, dtype=np.int32), np.zeros(0), np.zeros(columns, dtype=np.int32)
        matrix, solver = compiled.matrix, self.highs
        by_column, least = int(highspy.MatrixFormat.kColwise), int(highspy.ObjSense.kMinimize)
        solver.passModel(
            columns, rows, matrix.nnz, 0, by_column, 1, least, 0.0,
            compiled.cost, self.lower, compiled.upper, compiled.row_lower, compiled.row_upper,
            matrix.indptr.astype(np.int32), matrix.indices.astype(np.int32), matrix.data,
            whole, whole, none, continuous,
        )  # fmt: skip

    # its numbers

    def limit_time(self, seconds: float) -> None:
        """Let no run take longer."""
        self.highs.setOptionValue("time_limit", seconds)

    def expect_near(self, near: bool) -> None:
        """Say whether the next runs end near where they begin, as along a curve."""
        self.highs.setOptionValue("simplex_dual_edge_weight_strategy", DEVEX if near else STEEPEST)

    def tell_no_finer(self) -> None:
        """Take no dual for wrong that is off by less than the last digit of the largest cost.

        Else columns flip from bound to bound each time the basis is factored anew: with costs of 1e10 a plan was seen
        to take ten times the steps.
        """
        last = np.finfo(np.float64).eps * float(self.cost.max(initial=0.0))
        self.highs.setOptionValue("dual_feasibility_tolerance", float(np.clip(last, *DUAL_TOLERANCE)))

    def take_as_it_is(self) -> None:
        """Neither scale it nor perturb its costs, where no two are alike: of small programs that saves a third."""
        self.highs.setOptionValue("simplex_scale_strategy", 0)
        self.highs.setOptionValue("dual_simplex_cost_perturbation_multiplier", 0.0)

    def bound(self, columns: Ints, lower: Floats, upper: Floats) -> None:
        """Change the bounds of some columns; only what differs is passed on."""
        other = (self.lower[columns] != lower) | (self.upper[columns] != upper)
        changed, low, high = columns[other], lower[other].astype(np.float64), upper[other].astype(np.float64)
        if changed.size:
            self.lower[changed], self.upper[changed] = low, high
            self.highs.changeColsBounds(changed.size, changed.astype(np.int32), low, high)

    def price(self, cost: Floats) -> None:
        """Change every cost."""
        if self.cost_scale != 1.0 or not np.array_equal(cost, self.cost):
            self._pass_costs(cost)
        self.cost, self.cost_scale = cost, 1.0

    def limit(self, rows: Ints, upper: Floats) -> None:
        """Change the upper limits of some rows, which have no lower; only what differs is passed on."""
        other = self.row_upper[rows] != upper
        rows, upper = rows[other], upper[other]
        if not rows.size:
            return
        self.row_upper[rows] = upper
        solver: Any = self.highs  # its own types do not name what follows
        none = np.full(rows.size, -highspy.kHighsInf)
        solver.changeRowsBounds(rows.size, rows.astype(np.int32), none, self.row_upper[rows])

    def add_sums(self, first: Ints, after: Ints, upper: Floats) -> Ints:
        """Add rows that each hold the sum of some columns in a row to an upper limit, and say which they are."""
        before, count = self.row_upper.size, after - first
        starts = np.cumsum(count) - count
        index = np.arange(count.sum()) + np.repeat(first - starts, count)
        lower = np.full(upper.size, -np.inf)
        self.highs.addRows(
            upper.size, lower, upper, index.size, starts.astype(np.int32), index.astype(np.int32), np.ones(index.size)
        )  # fmt: skip
        self.row_upper, self.row_lower = np.append(self.row_upper, upper), np.append(self.row_lower, lower)
        return np.arange(before, before + upper.size)

    def add_row(self, columns: Ints, factors: Floats, upper: float) -> int:
        """Add a row that holds a weighted sum of columns to an upper limit, and say which it is."""
        row = self.row_upper.size
        self.highs.addRow(-highspy.kHighsInf, upper, columns.size, columns.astype(np.int32), factors)
        self.row_upper, self.row_lower = np.append(self.row_upper, upper), np.append(self.row_lower, -np.inf)
        return row

    def drop(self, rows: Ints) -> None:
        """Take rows away that were added last, in any order."""
        if rows.size:
            self.highs.deleteRows(rows.size, np.sort(rows).astype(np.int32))  # it takes none that are not in order
            self.row_upper, self.row_lower = np.delete(self.row_upper, rows), np.delete(self.row_lower, rows)

    def _pass_costs(self, cost: Floats) -> None:
        self.highs.changeColsCost(cost.size, np.arange(cost.size, dtype=np.int32), cost)

    def scale_costs(self) -> None:
        """Scale the costs so that none passes `LARGEST_COST`."""
        largest = float(self.cost.max(initial=1.0))
        self.cost_scale = float(2.0 ** min(0.0, np.floor(np.log2(LARGEST_COST / largest))))
        self._pass_costs(self.cost * self.cost_scale)

    # its runs

    def run(self, certain: bool = True) -> float:
        """Run from the last basis.

        Parameters
        ----------
        certain : bool   Whether there surely is a plan.

        Returns
        -------
        float   Objective; inf where there is no plan.

        Raises
        ------
        SolverFailed   No optimum was found.
        """
        answers = (OPTIMAL, *(() if certain else NO_PLAN))
        before = self.highs.getBasis()
        self._once()
        if self.highs.getModelStatus() not in answers and before.valid:
            self.scale_costs()  # from the basis it began with: on a large plan from nothing was measured to take 20 s
            self.highs.setBasis(before)
            self._once()
        if self.highs.getModelStatus() not in answers:
            self.scale_costs()  # and without the last basis or presolve, which may be at fault
            self.highs.setOptionValue("presolve", "off")
            self.highs.clearSolver()
            self._once()
        return self._answer(answers)

    def run_below(self, most: float) -> float:
        """Run as `run`, and stop where the objective is seen to pass `most`: inf then.

        The dual simplex rises to the objective from below, so a plan that is dearer than one at hand need not be ended.
        """
        self.highs.setOptionValue("objective_bound", most * self.cost_scale)
        try:
            self._once()
        finally:
            self.highs.setOptionValue("objective_bound", highspy.kHighsInf)
        if self.highs.getModelStatus() == highspy.HighsModelStatus.kObjectiveBound:
            return float(np.inf)
        found = self.objective() if self.highs.getModelStatus() == OPTIMAL else self.run()
        return found if found <= most else float(np.inf)

    def _once(self) -> None:
        self.found = None
        self.highs.run()

    def attempt(self, primal: bool = False) -> float:
        """Run from the last basis, then from nothing, with costs as they are; inf where there is no plan.

        Parameters
        ----------
        primal : bool   With the primal simplex, for a basis that is a plan but not the cheapest; then only once.

        Raises
        ------
        SolverFailed   No optimum was found.
        """
        answers = (OPTIMAL, *NO_PLAN)
        if primal:
            self.highs.setOptionValue("simplex_strategy", PRIMAL)
        self._once()
        if self.highs.getModelStatus() not in answers and not primal:
            self.highs.clearSolver()
            self._once()
        return self._answer(answers)

    def _answer(self, answers: tuple[Any, ...]) -> float:
        status = self.highs.getModelStatus()
        if status not in answers:
            raise SolverFailed(f"the solver stopped with status {self.highs.modelStatusToString(status)!r}")
        return self.objective() if status == OPTIMAL else float(np.inf)

    # what the last run found

    def objective(self) -> float:
        """Its objective."""
        return float(self.highs.getInfoValue("objective_function_value")[1]) / self.cost_scale

    def values(self) -> Floats:
        """Its columns, shape (columns,)."""
        return self._vectors()[0]

    def sides(self) -> tuple[Floats, Floats]:
        """Left side and dual of every row, each (rows,)."""
        _, activities, duals = self._vectors()
        return activities, duals / self.cost_scale

    def _vectors(self) -> tuple[Floats, Floats, Floats]:
        """Columns, left sides and the solver's duals, read once a run: the solver hands over copies."""
        if self.found is None:
            found = self.highs.getSolution()
            vectors = found.col_value, found.row_value, found.row_dual
            self.found = tuple(np.array(vector, dtype=np.float64) for vector in vectors)  # type: ignore[assignment]
        assert self.found is not None
        return self.found

    def as_it_stands(self) -> tuple[Matrices, Floats]:
        """The program with every change made since, its costs as the solver has them, and lower bounds of columns."""
        lp = self.highs.getLp()
        a = lp.a_matrix_
        kind = sparse.csc_array if a.format_ == highspy.MatrixFormat.kColwise else sparse.csr_array
        matrix = sparse.csc_array(kind((a.value_, a.index_, a.start_), shape=(lp.num_row_, lp.num_col_)))
        costs, upper = np.array(lp.col_cost_), np.array(lp.col_upper_)
        limits = np.array(lp.row_lower_), np.array(lp.row_upper_)
        return Matrices([], [], costs, upper, matrix, *limits), np.array(lp.col_lower_)

    def basis(self) -> Basis:
        """Where it ended.

        The solver's own record comes over as one object for each column and row. Which are basic comes as numbers, and
        of the others those at their upper limit are known by their value.
        """
        solver: Any = self.highs  # its own types do not name what follows
        status, basic = solver.getBasicVariables()
        values, activities, _ = self._vectors()
        read = (values.size, activities.size) == (self.cost.size, self.row_upper.size)
        if status != highspy.HighsStatus.kOk or not read or not activities.size:  # without rows it tells nothing true
            held = self.highs.getBasis()
            return Basis(_codes(held.col_status), _codes(held.row_status))
        columns = standing_at(values, self.lower, self.upper)
        rows = standing_at(activities, self.row_lower, self.row_upper)
        columns[basic[basic >= 0]] = BASIC
        rows[-1 - basic[basic < 0]] = BASIC
        return Basis(columns, rows)

    def mark(self) -> Any:
        """Where it ended as the solver has it, to begin from again; `basis` reads it out, which takes a while."""
        return self.highs.getBasis()

    def forget(self) -> None:
        """Begin the next run from nothing."""
        self.highs.clearSolver()

    def begin(self, basis: Basis | Any, afresh: bool = False, square: bool = True) -> None:
        """Begin the next run from a basis; rows added since are slack.

        Parameters
        ----------
        basis : Basis   Or a mark.
        afresh : bool   Forget what the solver has learned on the way, so that the run depends on nothing else.
        square : bool   Whether as many columns and rows are basic as there are rows; if not, the solver makes it so.
        """
        if afresh:
            self.highs.clearSolver()
        found = highspy.HighsBasis()
        if isinstance(basis, Basis):
            columns, rows = STATUS[basis.columns].tolist(), STATUS[basis.rows].tolist()
        else:
            columns, rows = basis.col_status, basis.row_status
        added = [Status.kBasic] * (self.highs.getNumRow() - len(rows))
        found.col_status, found.row_status, found.valid = columns, [*rows, *added], True
        found.alien = not square
        self.highs.setBasis(found)

    def step(self, rows: Ints) -> tuple[Floats, Floats] | None:
        """Change of columns and left sides where the limits of some rows rise by 1 and the basis is kept.

        Basic columns follow the right-hand side by B dx = db.

        Returns
        -------
        tuple of ndarray (columns,), (rows,), or None where the basis cannot be kept even for the smallest step.
        """
        solver: Any = self.highs  # its own types do not name what follows
        basic = np.asarray(solver.getBasicVariables()[1])
        right = np.zeros(self.row_upper.size)
        right[[i for i in rows.tolist() if -1 - i not in basic]] = 1.0
        status, found = solver.getBasisSolve(right)
        step, rise = np.zeros(self.cost.size), np.zeros(right.size)
        step[basic[basic >= 0]] = found[basic >= 0]
        rise[-1 - basic[basic < 0]] = -found[basic < 0]
        return (step, rise) if status == highspy.HighsStatus.kOk and self._can_begin(step, rise) else None

    def _can_begin(self, step: Floats, rise: Floats) -> bool:
        """Whether columns and rows that move away from a value at a bound move inwards."""
        for value, change, lower, upper in (
            (self.values(), step, self.lower, self.upper),
            (self.sides()[0], rise, self.row_lower, self.row_upper),
        ):
            down: Bools = (change < -STILL) & (value <= lower + STILL)
            up: Bools = (change > STILL) & (value >= upper - STILL)
            if down.any() or up.any():
                return False
        return True
