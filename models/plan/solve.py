"""The only file that knows HiGHS: load a plan once, edit bounds and right-hand sides, solve again from the last basis.

The model is compiled to matrices and handed over in one piece; loading row by row through a generic interface was
measured to take several times as long.
"""

from __future__ import annotations

from typing import Any

import highspy
import numpy as np
from pyomo.common.gc_manager import PauseGC
from pyomo.common.tee import capture_output

from models.plan.build import build_plan
from models.plan.inputs import Floats, Ints, PlanInputs
from models.plan.prices import Prices, plan_prices
from models.plan.results import PlanResult, Solution, read_result
from models.plan.rows import matrices

# Devex pricing was measured to solve these plans 1.5 to 3 times faster than the default steepest edge.
OPTIONS: dict[str, bool | int | str] = {
    "output_flag": False,
    "solver": "simplex",
    "simplex_dual_edge_weight_strategy": 1,
}

# Costs are scaled down, by a power of two, so that none passes this. With many ranks and zones of very different size
# they reach 1e12, on which HiGHS stopped with "Solve error"; at 1e4 and less it no longer tells cheap water from dear.
LARGEST_COST = 1e8


class SolverFailed(Exception):
    """HiGHS stopped without an optimum; the message gives its status."""


class PlanSolver:
    """A plan loaded into HiGHS.

    Parameters
    ----------
    inputs : PlanInputs

    Attributes
    ----------
    model : ConcreteModel   The Pyomo model; its mutable parameters follow the edits made here.
    highs : highspy.Highs   The loaded solver.
    cost_scale : float      By which its costs are scaled [-]; results are in the prices of the plan.
    """

    def __init__(self, inputs: PlanInputs) -> None:
        self.inputs = inputs
        self.prices: Prices = plan_prices(inputs)
        with PauseGC():
            self.model = build_plan(inputs, self.prices)
            self._load()

    def _load(self) -> None:
        """Compile the model and pass it to HiGHS in one piece."""
        compiled = matrices(self.model)
        self.row_upper = compiled.row_upper
        self.column = {id(v): i for i, v in enumerate(compiled.variables)}
        self.row = {id(c): i for i, c in enumerate(compiled.constraints)}
        lp = highspy.HighsLp()
        lp.num_row_, lp.num_col_ = compiled.matrix.shape
        largest = float(compiled.cost.max(initial=1.0))
        self.cost_scale = 2.0 ** min(0.0, np.floor(np.log2(LARGEST_COST / largest)))
        lp.col_cost_ = compiled.cost * self.cost_scale
        lp.col_lower_ = np.zeros(lp.num_col_)
        lp.col_upper_ = compiled.upper
        lp.row_lower_ = compiled.row_lower
        lp.row_upper_ = compiled.row_upper
        lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
        lp.a_matrix_.start_ = compiled.matrix.indptr
        lp.a_matrix_.index_ = compiled.matrix.indices
        lp.a_matrix_.value_ = compiled.matrix.data
        with capture_output(capture_fd=True):  # HiGHS prints its licence line before any option can be set
            self.highs = highspy.Highs()  # type: ignore[no-untyped-call]
        for name, value in OPTIONS.items():
            self.highs.setOptionValue(name, value)
        self.highs.passModel(lp)

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
        self.highs.run()
        status = self.highs.getModelStatus()
        if status != highspy.HighsModelStatus.kOptimal:  # the last basis may be at fault: once more without it
            self.highs.clearSolver()
            self.highs.run()
            status = self.highs.getModelStatus()
        if status != highspy.HighsModelStatus.kOptimal:
            raise SolverFailed(f"the solver stopped with status {self.highs.modelStatusToString(status)!r}")
        found = self.highs.getSolution()
        solution = Solution(
            np.array(found.col_value, dtype=np.float64),
            np.array(found.row_value, dtype=np.float64),
            np.array(found.row_dual, dtype=np.float64) / self.cost_scale,
            self.row_upper,
            self.column,
            self.row,
            float(self.highs.getInfoValue("objective_function_value")[1]) / self.cost_scale,
        )
        return read_result(self.model, self.inputs, solution)

    def scale_capacity(self, name: str, factors: Floats, night: int | None = None) -> None:
        """Set a capacity to a share of the one in the inputs.

        Parameters
        ----------
        name : str                      "pump", "branch" or "station".
        factors : ndarray (P,) and so on  Share of the capacity that counts [-].
        night : int, optional           Only this night; all nights if not given.
        """
        rows, capacity = {
            "pump": (self.model.pump_limit, self.inputs.pump_capacity),
            "branch": (self.model.branch_limit, self.inputs.branch_capacity),
            "station": (self.model.station_limit, self.inputs.stations_at_once),
        }[name]
        for (g, n, b), row in rows.items():
            if night is None or n == night:
                limit = float(factors[g] * capacity[g] * self.inputs.block_length[n, b])
                self._set_upper(row, limit)

    def limit_runs(self, zones: Ints, longest: Floats, night: int) -> None:
        """Hold the run time of some zones on one night to less than the inputs allow.

        Parameters
        ----------
        zones : ndarray (k,)     Zones.
        longest : ndarray (k,)   Longest run of each [min].
        night : int
        """
        runs = self.inputs.runs
        whole = self.model.component("zone_limit")
        variables = self.model.run_time
        for z, limit in zip(zones.tolist(), longest.tolist(), strict=True):
            c = z * self.inputs.nights + night
            for x in range(int(runs.first[c]), int(runs.first[c + 1])):
                place = self.column[id(variables[x])]
                self.highs.changeColBounds(place, 0.0, min(limit, float(variables[x].upper)))
            if c in whole:
                open_minutes = float(self.inputs.allowed[z, night] @ self.inputs.block_length[night])
                self._set_upper(whole[c], min(limit, open_minutes, float(self.inputs.max_run[z])))

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

    def _set_upper(self, row: Any, limit: float) -> None:
        """Change the right-hand side of a row that has an upper limit."""
        place = self.row[id(row)]
        self.row_upper[place] = limit
        self.highs.changeRowBounds(place, -highspy.kHighsInf, limit)
