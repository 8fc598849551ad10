"""The only file that knows HiGHS: load a plan once, edit bounds and right-hand sides, solve again from the last basis.

The model is compiled by Pyomo's linear standard form and handed over in one piece; loading row by row through a generic
interface was measured to take several times as long.
"""

from __future__ import annotations

from typing import Any

import highspy
import numpy as np
import pyomo.environ as pyo
from pyomo.common.gc_manager import PauseGC
from pyomo.common.tee import capture_output
from pyomo.repn.plugins.standard_form import LinearStandardFormCompiler

from models.plan.build import build_plan
from models.plan.inputs import Floats, Ints, PlanInputs
from models.plan.prices import Prices, plan_prices
from models.plan.results import PlanResult, read_result

# Devex pricing was measured to solve these plans 1.5 to 3 times faster than the default steepest edge.
OPTIONS = {"output_flag": False, "solver": "simplex", "simplex_dual_edge_weight_strategy": 1}


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
    """

    def __init__(self, inputs: PlanInputs) -> None:
        self.inputs = inputs
        self.prices: Prices = plan_prices(inputs)
        with PauseGC():
            self.model = build_plan(inputs, self.prices)
            self._compile()

    def _compile(self) -> None:
        """Compile the model and pass it to HiGHS in one piece."""
        variables = list(self.model.component_objects(pyo.Var, descend_into=False))
        form = LinearStandardFormCompiler().write(self.model, mixed_form=True, column_order=variables)
        sign = np.array([bound for _, bound in form.rows], dtype=np.int64)
        lp = highspy.HighsLp()
        lp.num_col_ = len(form.columns)
        lp.num_row_ = len(form.rows)
        lp.col_cost_ = form.c.toarray().ravel()
        lp.offset_ = float(form.c_offset[0])
        lp.col_lower_ = np.zeros(lp.num_col_)
        lp.col_upper_ = np.array([np.inf if v.upper is None else v.upper for v in form.columns], dtype=np.float64)
        lp.row_lower_ = np.where(sign > 0, -np.inf, form.rhs)
        lp.row_upper_ = np.where(sign < 0, np.inf, form.rhs)
        lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
        lp.a_matrix_.start_ = form.A.indptr
        lp.a_matrix_.index_ = form.A.indices
        lp.a_matrix_.value_ = form.A.data
        self.column = {id(v): i for i, v in enumerate(form.columns)}
        self.row = {id(entry.constraint): i for i, entry in enumerate(form.rows)}
        with capture_output(capture_fd=True):  # HiGHS prints its licence line before any option can be set
            self.highs = highspy.Highs()
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
        if status != highspy.HighsModelStatus.kOptimal:
            raise SolverFailed(f"the solver stopped with status {self.highs.modelStatusToString(status)!r}")
        solution = self.highs.getSolution()
        objective = float(self.highs.getInfoValue("objective_function_value")[1])
        values = np.array(solution.col_value, dtype=np.float64)
        duals = np.array(solution.row_dual, dtype=np.float64)
        return read_result(self.model, self.inputs, self.prices, values, duals, self.column, self.row, objective)

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
                self._set_upper(whole[c], limit)

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
        if row is None:
            raise ValueError("volume: this plan has no allocation to change")
        self.model.allocation.set_value(volume)
        self._set_upper(row, volume)

    def _set_upper(self, row: Any, limit: float) -> None:
        """Change the right-hand side of a row that has an upper limit."""
        self.highs.changeRowBounds(self.row[id(row)], -highspy.kHighsInf, limit)
