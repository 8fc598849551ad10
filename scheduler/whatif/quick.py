"""Plans without a timetable: the share of every capacity that packing reaches on this site stands in for it.

The share is measured once, by the standing evening; sweeps, relaxed limits and the nights of a season use it. Their run
times are those of the program, before they are rounded to the controller's steps.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from models.plan.inputs import PlanInputs
from models.plan.results import PlanResult
from models.plan.solve import PlanSolver, SolverFailed
from scheduler.errors import NoPlan
from scheduler.night.capacity import shares_packed
from scheduler.night.records import RunnableNight

Shares = Mapping[str, np.ndarray]


def reached(plan: PlanInputs, run: RunnableNight) -> Shares:
    """Share of each capacity that packing reaches, by kind: "pump" (P,), "branch" (R,), "station" (C,)."""
    found = {**shares_packed(plan), "station": np.ones(plan.stations_at_once.size)}
    return {kind: share * run.measured.get(kind, 1.0) for kind, share in found.items()}


def packable(plan: PlanInputs, share: Shares) -> PlanInputs:
    """The plan with no more of each capacity than packing reaches."""
    return replace(
        plan,
        pump_capacity=plan.pump_capacity * share["pump"],
        branch_capacity=plan.branch_capacity * share["branch"],
        stations_at_once=plan.stations_at_once * share["station"],
    )


def solved(solver: PlanSolver) -> PlanResult:
    """What the solver answers, or NoPlan if it failed."""
    try:
        return solver.solve()
    except SolverFailed as failure:
        raise NoPlan(str(failure)) from failure


def minutes_of(plan: PlanInputs, result: PlanResult) -> np.ndarray:
    """Run times of every zone and night, shape (Z, N) [min]."""
    return np.asarray(result.run_times(plan).sum(axis=(2, 3)))
