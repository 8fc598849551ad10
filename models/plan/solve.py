"""The only file that knows HiGHS: load a plan once, edit bounds and right-hand sides, solve again from the last basis.

The model is compiled to matrices and handed over in one piece; loading row by row through a generic interface was
measured to take several times as long.
"""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import highspy
import numpy as np
import pyomo.environ as pyo
from pyomo.common.gc_manager import PauseGC
from scipy import sparse

from models.plan.build import build_plan
from models.plan.choose import Node, Ways, branch, dive
from models.plan.edits import (
    column_costs,
    column_limits,
    limited,
    longest_run_unsaid,
    on_columns,
    row_limits,
    same_copies,
    takes_on,
)
from models.plan.flush import Copies, flush_copies, spread_inputs, spread_prices
from models.plan.flush_needs import FlushNeeds
from models.plan.groups import Group, Search, Unsolved, tied
from models.plan.inputs import Floats, Ints, PlanInputs
from models.plan.limits import longest_minutes
from models.plan.objective import terminal_target
from models.plan.parts import Part, separate
from models.plan.prices import Prices, plan_prices
from models.plan.results import (
    ALLOCATION_ROWS,
    OneMore,
    PlanResult,
    Solution,
    flush_solution,
    gather,
    read_one_more,
    read_result,
)
from models.plan.rows import Matrices, Spans, matrices
from models.plan.weathers import insured_prices, over_weathers, settled_copies, single_copies, tonight_of

# Steepest edge, the default, was measured to solve 2,400 zones and 10 nights in two thirds of the time devex takes.
OPTIONS: dict[str, bool | int | str] = {"output_flag": False, "solver": "simplex"}
# From this many columns on presolve, which finds little here, is left out, and the plan is first solved in parts that
# share no pump, side by side. The solver's own parallel simplex waits for the other core at every step: where another
# program uses it, that was measured to take thirty times as long.
LARGE = 20_000
LARGE_OPTIONS: dict[str, bool | int | str] = {"presolve": "off"}
_WIDE = ("source_night", "source_month", *ALLOCATION_ROWS, "drought_cut")  # tie all pumps
SITE_WIDE: tuple[str, ...] = (*_WIDE, *(f"{name}_weathers" for name in _WIDE))
WIDEST_GAP = 0.01  # [-] between the plan and its bound that is left alone
LOOSE = 2.0  # of a capacity on a night whose run times are fixed: rounding up may pass it in one block [-]
LONGEST_SEARCH = 40.0  # [s] of branch and bound where the gap is wider
# Where HiGHS stops with "Solve error", costs are scaled down, by a power of two, so that none passes this, and it
# starts again. With many ranks and zones of very different size they reach 1e12; elsewhere scaling costs time.
LARGEST_COST = 1e8  # at 1e4 and less HiGHS no longer tells cheap water from dear
STILL = 1e-7  # below which a column or row counts as at its bound, or as not moving

NO_PLAN = (highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible)


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


@dataclass(frozen=True)
class Basis:
    """Where a run of a plan ended: its model, where the families stand in it, and the solver's own record."""

    model: pyo.ConcreteModel
    spans: Spans
    held: highspy.HighsBasis


@dataclass(frozen=True)
class _Spread:
    """Inputs and prices of a plan, by zone and by copy; both the same where no flush is to be chosen."""

    inputs: PlanInputs
    prices: Prices
    copies: Copies | None
    spread: PlanInputs
    spread_prices: Prices

    @classmethod
    def of(cls, inputs: PlanInputs, needs: FlushNeeds | None, settled: Copies | None = None) -> _Spread:
        """Lay out the copies, if there are any, and the weathers."""
        prices = plan_prices(inputs)
        if inputs.members is not None or settled is not None:
            if needs is not None and needs.zone.size and settled is None:
                raise ValueError("needs: flushes are chosen for one weather; give what was chosen as settled")
            copies = over_weathers(settled or single_copies(inputs), inputs)
            spread = spread_inputs(inputs, copies, tonight_of(copies))
            by_copy = spread_prices(prices, inputs, spread, copies)
            return cls(inputs, prices, copies, spread, insured_prices(by_copy, spread, copies))
        if needs is None or not needs.zone.size:
            return cls(inputs, prices, None, inputs, prices)
        copies = flush_copies(inputs, needs, prices)
        spread = spread_inputs(inputs, copies)
        return cls(inputs, prices, copies, spread, spread_prices(prices, inputs, spread, copies))


class PlanSolver:
    """A plan loaded into HiGHS.

    Parameters
    ----------
    inputs : PlanInputs
    needs : FlushNeeds, optional   Zones with a salt flush to decide; for one weather.
    settled : Copies, optional     Flushes as `settled` of another plan's solver gives them, instead of needs.

    Attributes
    ----------
    model : ConcreteModel   The Pyomo model; its mutable parameters follow the edits made here.
    highs : highspy.Highs   The loaded solver.
    cost_scale : float      By which its costs are scaled [-], 1 unless need be; results are in the plan's prices.
    """

    def __init__(self, inputs: PlanInputs, needs: FlushNeeds | None = None, settled: Copies | None = None) -> None:
        self.gap = 0.0
        self.longest_search = LONGEST_SEARCH  # [s]
        self.tells_one_more = True  # whether results say what one more cubic metre would change, which may take solves
        self.shortened: dict[int, set[int]] = {}  # rows of longest runs that were shortened, by night
        self._take(_Spread.of(inputs, needs, settled))
        self.built = self.spread  # whose run columns the model has
        with PauseGC():
            self.model = build_plan(self.spread, self.spread_prices, self.copies)
            self._load(matrices(self.model))

    def _take(self, spread: _Spread) -> None:
        """Hold what the plan is made from."""
        self.inputs, self.prices, self.copies = spread.inputs, spread.prices, spread.copies
        self.spread, self.spread_prices = spread.spread, spread.spread_prices

    def _load(self, compiled: Matrices) -> None:
        """Pass the compiled model to HiGHS in one piece."""
        self.row_upper = compiled.row_upper
        self.limits = compiled.row_upper, compiled.upper
        self.column_upper = compiled.upper
        self.spans = Spans.of(self.model)
        self.column = {id(v): i for i, v in enumerate(compiled.variables)}
        self.row = {id(c): i for i, c in enumerate(compiled.constraints)}
        self.cost, self.cost_scale = compiled.cost, 1.0
        self.held: dict[int, int] = {}  # rows added for zone-nights whose sum the model leaves free
        large = compiled.cost.size >= LARGE
        self.highs = _loaded(compiled, large)
        self.whole = compiled if large else None  # kept until the first solve, which begins from parts of it

    def taken_apart(self, compiled: Matrices) -> list[tuple[Part, highspy.Highs]]:
        """Parts of the plan that share no pump, each loaded; none where a limit of the site is sure to bind.

        Parameters
        ----------
        compiled : Matrices   The plan as it was built.
        """
        if _least_water(self.inputs) > min([self.inputs.allocation, *(t.above for t in self.inputs.tiers)]):
            return []
        wide = np.zeros(compiled.row_upper.size, dtype=np.bool_)  # without rows that were added since
        for name in SITE_WIDE:
            family = self.model.component(name)
            wide[[self.row[id(c)] for c in (() if family is None else family.values())]] = True
        self.site_wide = np.flatnonzero(wide), compiled.matrix.tocsr()[np.flatnonzero(wide)]
        found = separate(compiled.matrix, wide)
        return [(part, _loaded(compiled.part(part.rows, part.columns, part.matrix), large=True)) for part in found]

    def _start_from_parts(self) -> None:
        """Solve the parts side by side and begin the plan from their bases; only once, on a plan as it was loaded.

        Where they do not hold a limit of the whole site together, the plan begins from nothing: to push them back
        behind one row that holds every zone was measured to take several times as long.
        """
        compiled, self.whole = self.whole, None
        parts = [] if compiled is None else self.taken_apart(compiled)
        if not parts:
            return
        with ThreadPoolExecutor() as side_by_side:  # no more threads than parts, nor many more than cores
            list(side_by_side.map(lambda part: part[1].run(), parts))
        if any(highs.getModelStatus() != highspy.HighsModelStatus.kOptimal for _, highs in parts):
            return
        lower, basic = highspy.HighsBasisStatus.kLower, highspy.HighsBasisStatus.kBasic
        columns = np.full(self.cost.size, lower, dtype=object)
        rows = np.full(self.row_upper.size, basic, dtype=object)
        values = np.zeros(self.cost.size)
        for part, highs in parts:
            own = highs.getBasis()
            columns[part.columns], rows[part.rows] = own.col_status, own.row_status
            values[part.columns] = highs.getSolution().col_value
        wide, matrix = self.site_wide
        if np.any(matrix @ values > self.row_upper[wide] * (1.0 + STILL)):
            return
        basis = highspy.HighsBasis()
        basis.col_status, basis.row_status, basis.valid = columns.tolist(), rows.tolist(), True
        self.highs.setBasis(basis)

    def solve(self) -> PlanResult:
        """Solve from the last basis.

        Returns
        -------
        PlanResult

        Raises
        ------
        SolverFailed
            No optimum was found; soft limits make every plan feasible, so this is a numerical failure.
        """
        self._start_from_parts()
        if self.copies is None or not self.copies.open.any():
            self._run()
        else:
            self.gap = self._choose_flushes(self.copies)
        return self._result()

    def settled(self) -> Copies | None:
        """Flushes as the last run chose them, for a plan of the same zones over several weathers."""
        if self.copies is None:
            return None
        return settled_copies(self.copies, flush_solution(self.model, self.copies, self._solution())[0])

    def edit(self, inputs: PlanInputs, needs: FlushNeeds | None = None, settled: Copies | None = None) -> bool:
        """Put other inputs into the loaded plan, where it has every row and column they need.

        All that was changed since it was built (capacities, longest runs, fixed nights) is undone first; the plan then
        goes on from the last basis.

        Parameters
        ----------
        inputs : PlanInputs
        needs : FlushNeeds, optional
        settled : Copies, optional

        Returns
        -------
        bool   Whether it was done; if not, the plan is as it was, and a new build is needed (see `cases.py`).
        """
        wanted = _Spread.of(inputs, needs, settled)
        if not same_copies(self.copies, wanted.copies) or not takes_on(self.built, wanted.spread):
            return False
        longest = longest_minutes(self.built), longest_minutes(wanted.spread)
        if self.copies is not None and self.copies.flushing.any() and not np.array_equal(*longest):
            return False  # the longest run of a copy is scaled by its weight: a coefficient, not a limit
        run = on_columns(wanted.spread_prices.run, wanted.spread, self.built)
        water = on_columns(wanted.spread_prices.water, wanted.spread, self.built)
        self._take(replace(wanted, spread_prices=replace(wanted.spread_prices, run=run, water=water)))
        self._renumber()
        return True

    def _renumber(self) -> None:
        """Pass every cost and limit of the present inputs to HiGHS."""
        spans, built, spread = self.spans, self.built, self.spread
        row_upper, upper = self.limits
        if self.held:  # rows of longest runs added since
            self.highs.deleteRows(len(self.held), np.array(list(self.held.values()), dtype=np.int32))
        self.held.clear()
        self.shortened.clear()
        self.row_upper = row_limits(self.model, spans, row_upper, spread, self.spread_prices)
        for name in limited(self.model):
            self._set_rows(np.arange(row_upper.size)[spans.row[name]])
        columns = np.arange(upper.size)
        self.column_upper = column_limits(spans, upper, built, spread)
        self._bound(columns, np.zeros(upper.size), self.column_upper)
        self.whole = None  # parts of the plan as it was built are of no more use
        for c in np.flatnonzero(longest_run_unsaid(built, spread)).tolist():
            self._hold_sum(c, float(longest_minutes(spread).ravel()[c]))
        cost = column_costs(self.model, spans, spread, self.spread_prices, self.copies)
        if self.cost_scale != 1.0 or not np.array_equal(cost, self.cost):
            self.highs.changeColsCost(upper.size, columns.astype(np.int32), cost)
        self.cost, self.cost_scale = cost, 1.0

    def basis(self) -> Basis:
        """Where the last run ended."""
        return Basis(self.model, self.spans, self.highs.getBasis())

    def begin_from(self, basis: Basis) -> None:
        """Begin the next run from where one ended, of this plan or of one with other rows and columns.

        What the other plan does not have begins as if it had just been added: columns at their lower bound, rows slack.
        """
        self.whole = None
        self.highs.clearSolver()  # also forgets what it has learned on the way: the run depends on nothing else
        if basis.model is self.model and len(basis.held.row_status) == self.highs.getNumRow():
            self.highs.setBasis(basis.held)
            return
        lower, basic = highspy.HighsBasisStatus.kLower, highspy.HighsBasisStatus.kBasic
        spans = self.spans
        columns = _carried(basis.model, self.model, basis.spans.column, spans.column, basis.held.col_status, lower)
        rows = _carried(basis.model, self.model, basis.spans.row, spans.row, basis.held.row_status, basic)
        rows += [basic] * (self.highs.getNumRow() - len(rows))
        over = columns.count(basic) + rows.count(basic) - len(rows)  # as many are basic as there are rows
        for i in range(len(rows)):
            if over > 0 and rows[i] == basic:
                rows[i], over = highspy.HighsBasisStatus.kNonbasic, over - 1
            elif over < 0 and rows[i] != basic:
                rows[i], over = basic, over + 1
        found = highspy.HighsBasis()
        found.col_status, found.row_status, found.valid = columns, rows, True
        self.highs.setBasis(found)

    def _result(self) -> PlanResult:
        """The last run, read out over zones."""
        solution = self._solution()
        result = read_result(self.model, self.built, solution)
        if self.tells_one_more:
            result = replace(result, one_more=self._one_more(solution))
        if self.copies is None:
            if self.inputs is self.built:
                return result
            return replace(result, run_time=on_columns(result.run_time, self.built, self.inputs))
        chosen = flush_solution(self.model, self.copies, solution)
        return gather(result, self.inputs, self.built, self.copies, chosen, self.gap)

    def _one_more(self, solution: Solution) -> OneMore | None:
        """What one more cubic metre in the allocation would change; None where it changes nothing.

        With the basis kept, the basic columns follow the right-hand side by B dx = db. Where the basis cannot be kept
        even for the smallest step, at a corner of the plan, a small plan is solved with the cubic metre and without.
        """
        names = (*ALLOCATION_ROWS, *(f"{name}_weathers" for name in ALLOCATION_ROWS))
        components = [self.model.component(name) for name in names]
        rows = [self.row[id(c)] for component in components if component is not None for c in component.values()]
        if not rows or not any(solution.duals[rows]):
            return None
        solver: Any = self.highs  # its own types do not name what follows
        basic = np.asarray(solver.getBasicVariables()[1])
        binding = [i for i in rows if -1 - i not in basic]
        right = np.zeros(solution.activities.size)
        right[binding] = 1.0
        status, found = solver.getBasisSolve(right)
        step, rise = np.zeros(solution.values.size), np.zeros(solution.activities.size)
        step[basic[basic >= 0]] = found[basic >= 0]
        rise[-1 - basic[basic < 0]] = -found[basic < 0]
        if status != highspy.HighsStatus.kOk or not self._can_begin(solution, step, rise):
            if step.size >= LARGE:
                return None
            step = self._with_one_more(rows) - solution.values
        zone = np.arange(self.inputs.zones)
        if self.copies is not None:
            zone = np.where(self.copies.weather <= 0, self.copies.zone, -1)
        return read_one_more(self.model, self.built, self.spread_prices, step, zone, self.spans)

    def _can_begin(self, solution: Solution, step: Floats, rise: Floats) -> bool:
        """Whether columns and rows that move away from a value at a bound move inwards."""
        lp = self.highs.getLp()
        for value, change, lower, upper in (
            (solution.values, step, lp.col_lower_, lp.col_upper_),
            (solution.activities, rise, lp.row_lower_, lp.row_upper_),
        ):
            down = (change < -STILL) & (value <= np.asarray(lower) + STILL)
            up = (change > STILL) & (value >= np.asarray(upper) - STILL)
            if down.any() or up.any():
                return False
        return True

    def _with_one_more(self, rows: list[int]) -> Floats:
        """Column values with one cubic metre more in the allocation; the solver is left as it was."""
        limits = self.row_upper[rows]
        for place, limit in zip(rows, (limits + 1.0).tolist(), strict=True):
            self.highs.changeRowBounds(place, -highspy.kHighsInf, limit)
        self._run()
        values = self._values()
        for place, limit in zip(rows, limits.tolist(), strict=True):
            self.highs.changeRowBounds(place, -highspy.kHighsInf, limit)
        self._run()
        return values

    def _run(self, certain: bool = True) -> float:
        """Run the solver and return the objective; where a plan is not certain, inf if there is none."""
        answers = (highspy.HighsModelStatus.kOptimal, *(() if certain else NO_PLAN))
        before = self.highs.getBasis()
        self.highs.run()
        if self.highs.getModelStatus() not in answers and before.valid:
            self._scale_costs()  # from the basis it began with: on a large plan from nothing was measured to take 20 s
            self.highs.setBasis(before)
            self.highs.run()
        if self.highs.getModelStatus() not in answers:
            self._scale_costs()  # and without the last basis or presolve, which may be at fault
            self.highs.setOptionValue("presolve", "off")
            self.highs.clearSolver()
            self.highs.run()
        status = self.highs.getModelStatus()
        if status not in answers:
            raise SolverFailed(f"the solver stopped with status {self.highs.modelStatusToString(status)!r}")
        return self._objective() if status == highspy.HighsModelStatus.kOptimal else float(np.inf)

    def _objective(self) -> float:
        """Objective of the last run, in the prices of the plan."""
        return float(self.highs.getInfoValue("objective_function_value")[1]) / self.cost_scale

    def _scale_costs(self) -> None:
        """Scale the costs so that none passes `LARGEST_COST`."""
        largest = float(self.cost.max(initial=1.0))
        self.cost_scale = float(2.0 ** min(0.0, np.floor(np.log2(LARGEST_COST / largest))))
        count = self.cost.size
        self.highs.changeColsCost(count, np.arange(count, dtype=np.int32), self.cost * self.cost_scale)

    def _solution(self) -> Solution:
        """Vectors of the last run."""
        found = self.highs.getSolution()
        return Solution(
            np.array(found.col_value, dtype=np.float64),
            np.array(found.row_value, dtype=np.float64),
            np.array(found.row_dual, dtype=np.float64) / self.cost_scale,
            self.row_upper,
            self.spans,
            self._objective(),
        )

    def _choose_flushes(self, copies: Copies) -> float:
        """Choose which zones flush when; the plan is left solved with the choice fixed.

        The relaxation gives the bound, a dive the plan; where the gap between them is above `WIDEST_GAP`, zone groups
        under the same tight limits raise the bound and lead branch and bound, for at most `LONGEST_SEARCH` seconds.

        Returns
        -------
        float   Gap between the plan and the bound, as a share of the plan [-].
        """
        columns = np.array([self.column[id(v)] for v in self.model.chosen.values()], dtype=np.int64)
        ways = Ways.of(copies)

        def solve(lower: Floats, upper: Floats, certain: bool = False) -> tuple[float, Floats]:
            self._bound(columns, lower, upper)
            cost = self._run(certain)
            return cost, self._values()[columns] if np.isfinite(cost) else lower

        lower, upper = np.zeros(columns.size), np.ones(columns.size)
        root = Node(lower, upper, *solve(lower, upper, certain=True))
        start = self.highs.getBasis()
        hopeless = root.cost + 2.0 * WIDEST_GAP * abs(root.cost)
        best, bound = dive(ways, root, WIDEST_GAP / 10.0, solve, hopeless), root.cost
        if _gap(best.cost, bound) > WIDEST_GAP:
            until = time.monotonic() + self.longest_search

            def more() -> bool:
                return time.monotonic() < until

            self.highs.setBasis(start)
            root = Node(lower, upper, *solve(lower, upper, certain=True))
            search = Search(ways, self._groups(columns, ways), solve, WIDEST_GAP)
            if search.groups:
                best, bound = search.run(search.bounded(root), more, best if best.cost <= hopeless else None)
            else:
                best = best if best.cost <= hopeless else dive(ways, root, WIDEST_GAP / 10.0, solve)
                best, bound = branch(ways, root, best, WIDEST_GAP, solve, more)
        chosen = ways.heaviest(best.weight)
        cost, _ = solve(*ways.fixed(chosen), certain=True)
        drained = flush_solution(self.model, copies, self._solution())[1]
        shorter = ways.without_idle_nights(copies, chosen, drained)
        if (shorter != chosen).any():
            whole = cost
            cost, _ = solve(*ways.fixed(shorter))
            if cost > whole:  # what passed on the idle night, a solver's rounding, does not fit into the other
                cost, _ = solve(*ways.fixed(chosen), certain=True)
        return _gap(cost, bound)

    def _groups(self, columns: Ints, ways: Ways) -> list[Group]:
        """Groups of zones tied together by tight limits, each loaded; the relaxation must have been solved last.

        Parameters
        ----------
        columns : ndarray (W,)   Column of each weight.
        ways : Ways
        """
        lp = self.highs.getLp()
        shape = (lp.num_row_, lp.num_col_)
        a = lp.a_matrix_
        kind = sparse.csc_array if a.format_ == highspy.MatrixFormat.kColwise else sparse.csr_array
        matrix = sparse.csc_array(kind((a.value_, a.index_, a.start_), shape=shape))
        row_lower, row_upper = np.array(lp.row_lower_), np.array(lp.row_upper_)
        limits, dropped = self._limits(), np.zeros(shape[0], dtype=np.bool_)
        duals = np.array(self.highs.getSolution().row_dual)
        price = [float(np.abs(duals[rows] * np.nan_to_num(row_upper[rows], posinf=0.0)).sum()) for rows, _ in limits]
        undecided = np.unique(self._open_zones())
        kept = tied([zones for _, zones in limits], np.array(price), undecided, self.inputs.zones)
        for keep, (rows, _) in zip(kept, limits, strict=True):
            dropped[rows] |= not keep
        left_out, wide = np.flatnonzero(dropped), matrix.tocsr()[np.flatnonzero(dropped)].T.tocsr()
        whole = Matrices([], [], np.array(lp.col_cost_), np.array(lp.col_upper_), matrix, row_lower, row_upper)
        col_lower, place = np.array(lp.col_lower_), np.full(shape[1], -1)
        place[columns] = np.arange(columns.size)

        def loaded(part: Part, local: Ints) -> Group:
            weights = place[part.columns]
            zones, first, number = np.unique(ways.zone[weights[local]], return_index=True, return_inverse=True)
            highs = _loaded(whole.part(part.rows, part.columns, part.matrix), large=False)
            size = part.columns.size
            every, own = np.arange(size, dtype=np.int32), wide[part.columns]
            highs.changeColsBounds(size, every, col_lower[part.columns], whole.upper[part.columns])

            def reprice() -> bytes:
                costs = whole.cost[part.columns] - own @ np.array(self.highs.getSolution().row_dual)[left_out]
                highs.changeColsCost(size, every, costs)
                return bytes(costs.astype(np.float32).tobytes())

            def solve(lower: Floats, upper: Floats) -> tuple[float, Floats]:
                highs.changeColsBounds(local.size, every[local], lower.astype(np.float64), upper.astype(np.float64))
                highs.run()
                if highs.getModelStatus() not in (highspy.HighsModelStatus.kOptimal, *NO_PLAN):
                    highs.clearSolver()
                    highs.run()
                if highs.getModelStatus() in NO_PLAN:
                    return float(np.inf), lower
                if highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
                    raise Unsolved
                values = np.array(highs.getSolution().col_value, dtype=np.float64)
                return float(highs.getInfoValue("objective_function_value")[1]) / self.cost_scale, values[local]

            return Group(zones, weights[local], Ways(number, first, int(zones.size)), reprice, solve)

        inside = [(part, np.flatnonzero(place[part.columns] >= 0)) for part in separate(matrix, dropped)]
        if all(np.unique(ways.zone[place[part.columns[local]]]).size < 2 for part, local in inside):
            return []  # each zone by itself leaves nothing undecided
        return [loaded(part, local) for part, local in inside if local.size]

    def _open_zones(self) -> Ints:
        """Zone of each open copy."""
        return np.zeros(0, dtype=np.int64) if self.copies is None else self.copies.zone[self.copies.open]

    def _limits(self) -> list[tuple[Ints, Ints]]:
        """Rows of each limit that zones share, and the zones; those of the whole site as one."""
        found: list[tuple[Ints, Ints]] = []
        for name, of_zone in (
            ("pump_limit", self.inputs.pump_of_zone),
            ("branch_limit", self.inputs.branch_of_zone),
            ("station_limit", self.inputs.controller_of_zone),
        ):
            rows: dict[int, list[int]] = {}
            for (g, _, _), row in self.model.component(name).items():
                rows.setdefault(g, []).append(self.row[id(row)])
            found += [(np.array(own, dtype=np.int64), np.flatnonzero(of_zone == g)) for g, own in rows.items()]
        families = (self.model.component(name) for name in SITE_WIDE)
        wide = [self.row[id(row)] for family in families if family is not None for row in family.values()]
        return [*found, (np.array(wide, dtype=np.int64), np.arange(self.inputs.zones))]

    def _values(self) -> Floats:
        """Column values of the last run."""
        return np.array(self.highs.getSolution().col_value, dtype=np.float64)

    def _bound(self, columns: Ints, lower: Floats, upper: Floats) -> None:
        """Change the bounds of some columns."""
        self.highs.changeColsBounds(
            columns.size, columns.astype(np.int32), lower.astype(np.float64), upper.astype(np.float64)
        )

    def scale_capacity(self, name: str, factors: Floats, night: int | None = None) -> None:
        """Set a capacity to a share of the one in the inputs.

        Parameters
        ----------
        name : str                      "pump", "branch" or "station".
        factors : ndarray (P,) and so on  Share of the capacity that counts [-].
        night : int, optional           Only this night; all nights if not given.
        """
        capacity = {
            "pump": self.inputs.pump_nightly,
            "branch": self.inputs.branch_capacity,
            "station": self.inputs.stations_at_once,
        }[name]
        for family in (f"{name}_limit", f"{name}_limit_weathers"):
            component = self.model.component(family)
            for (g, n, b, *_), row in () if component is None else component.items():
                if night is None or n == night:
                    each = capacity[g] if capacity.ndim == 1 else capacity[g, n]
                    self._set_upper(row, float(factors[g] * each * self.inputs.block_length[n, b]))

    def limit_runs(self, zones: Ints, longest: Floats, night: int) -> None:
        """Hold the run time of some zones on one night to less than the inputs allow.

        Parameters
        ----------
        zones : ndarray (k,)     Zones, rising.
        longest : ndarray (k,)   Longest run of each [min].
        night : int
        """
        plan, runs = self.spread, self.built.runs
        whole = self.model.component("zone_limit")
        variables = self.model.run_time
        if self.copies is not None:
            listed = np.searchsorted(zones, self.copies.zone)
            inside = np.isin(self.copies.zone, zones)
            zones, longest = np.flatnonzero(inside), longest[listed[inside]]
        for z, limit in zip(zones.tolist(), longest.tolist(), strict=True):
            c = z * self.inputs.nights + night
            for x in range(int(runs.first[c]), int(runs.first[c + 1])):
                place = self.column[id(variables[x])]
                self.highs.changeColBounds(place, 0.0, min(limit, float(self.column_upper[place])))
            open_minutes = float(plan.allowed[z, night] @ plan.block_length[night])
            most = min(limit, open_minutes, float(plan.max_run[z]))
            if c in whole:
                self._set_upper(whole[c], most)
                self.shortened.setdefault(night, set()).add(self.row[id(whole[c])])
            elif runs.first[c + 1] - runs.first[c] > 1:  # the plan was built without: nothing else let it run so long
                self._hold_sum(c, most)
                self.shortened.setdefault(night, set()).add(self.held[c])

    def _hold_sum(self, c: int, most: float) -> None:
        """Hold the sum of a zone-night's run times, for which the model has no row, to an upper limit [min]."""
        if c not in self.held:
            first, after = int(self.built.runs.first[c]), int(self.built.runs.first[c + 1])
            columns = [self.column[id(self.model.run_time[x])] for x in range(first, after)]
            self.held[c] = self.highs.getNumRow()
            self.row_upper = np.append(self.row_upper, most)
            self.highs.addRow(
                -highspy.kHighsInf, most, len(columns), np.array(columns, dtype=np.int32), np.ones(len(columns))
            )
        self.row_upper[self.held[c]] = most
        self.highs.changeRowBounds(self.held[c], -highspy.kHighsInf, most)

    def solve_later(self, minutes: Floats, night: int = 0) -> PlanResult | None:
        """Solve the other nights with the run times of one night fixed as they will really be.

        Its shared capacities have then done their work. Flushes stay as last chosen; a zone whose flush runs on that
        night must be given the run times the plan chose for it.

        Parameters
        ----------
        minutes : ndarray (Z, B, K)   By block and supply [min].
        night : int

        Returns
        -------
        PlanResult or None   None if a flush of another night can then no longer be finished.
        """
        sizes = {"pump": self.inputs.pump_capacity, "branch": self.inputs.branch_capacity}
        for name, capacity in (*sizes.items(), ("station", self.inputs.stations_at_once)):
            self.scale_capacity(name, np.full(capacity.size, LOOSE), night)
        for place in self.shortened.pop(night, ()):
            self.row_upper[place] = highspy.kHighsInf
            self.highs.changeRowBounds(place, -highspy.kHighsInf, highspy.kHighsInf)
        runs = self.built.runs
        on = np.flatnonzero(runs.night == night)
        zone, weight = runs.zone[on], np.ones(on.size)
        if self.copies is not None:
            weight = flush_solution(self.model, self.copies, self._solution())[0][zone]
            zone = self.copies.zone[zone]
        if on.size:
            fixed = minutes[zone, runs.block[on], runs.supply[on]] * np.rint(weight)
            first = self.column[id(next(iter(self.model.run_time.values())))]
            self._bound(first + on, fixed, fixed)
        return self._result() if np.isfinite(self._run(certain=self.copies is None)) else None

    def set_allocation(self, volume: float) -> None:
        """Set the most water of the horizon [m3]; the plan must have been built with a finite allocation.

        Raises
        ------
        ValueError
            The volume is negative, or the plan has no allocation.
        """
        if not volume >= 0:
            raise ValueError(f"volume: {volume} m3; 0 or above is needed")
        row = self.model.component("allocation_limit")
        if not np.isfinite(self.inputs.allocation):
            raise ValueError("volume: this plan has no allocation to change")
        self.model.allocation.set_value(volume)
        if row is not None:  # there is no row where no zone may run at all
            self._set_upper(row, volume)

    def _set_rows(self, rows: Ints) -> None:
        """Pass the upper limits of some rows, which have no lower, to HiGHS."""
        none = np.full(rows.size, -highspy.kHighsInf)
        solver: Any = self.highs  # its own types do not name what follows
        solver.changeRowsBounds(rows.size, rows.astype(np.int32), none, self.row_upper[rows])

    def _set_upper(self, row: Any, limit: float) -> None:
        """Change the right-hand side of a row that has an upper limit."""
        place = self.row[id(row)]
        self.row_upper[place] = limit
        self.highs.changeRowBounds(place, -highspy.kHighsInf, limit)


def _carried(
    old: pyo.ConcreteModel, new: pyo.ConcreteModel, had: dict[str, slice], has: dict[str, slice], status: Any, none: Any
) -> list[Any]:
    """Status of every column or row of a model, from those of another by family and index; `none` where it is new."""
    found: list[Any] = []
    for name in has:
        keys = list(new.component(name)._data)
        before = old.component(name)
        if before is None:
            found += [none] * len(keys)
            continue
        kept = dict(zip(before._data, status[had[name]], strict=True))
        found += [kept.get(key, none) for key in keys]
    return found


def _least_water(inputs: PlanInputs) -> float:
    """Water that brings every zone to where the last night should leave it [m3], if nothing limits it."""
    missing = inputs.depletion + (inputs.etc - inputs.effective_rain).sum(axis=1) - terminal_target(inputs)
    return float((np.maximum(missing, 0.0) * inputs.area / 1000.0 / inputs.net_share).sum())


def _loaded(compiled: Matrices, large: bool) -> highspy.Highs:
    """HiGHS with a program in it, or with a part of a large one."""
    lp = highspy.HighsLp()
    lp.num_row_, lp.num_col_ = compiled.matrix.shape
    lp.col_cost_ = compiled.cost
    lp.col_lower_ = np.zeros(lp.num_col_)
    lp.col_upper_ = compiled.upper
    lp.row_lower_ = compiled.row_lower
    lp.row_upper_ = compiled.row_upper
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_ = compiled.matrix.indptr
    lp.a_matrix_.index_ = compiled.matrix.indices
    lp.a_matrix_.value_ = compiled.matrix.data
    highs = QuietHighs()  # type: ignore[no-untyped-call]
    for name, value in (OPTIONS | (LARGE_OPTIONS if large else {})).items():
        highs.setOptionValue(name, value)
    highs.passModel(lp)
    return highs


def _gap(cost: float, bound: float) -> float:
    """Gap between a plan and its bound, as a share of the plan [-]."""
    return max(cost - bound, 0.0) / max(abs(cost), 1e-9)
