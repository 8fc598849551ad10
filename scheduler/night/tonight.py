"""What every step of one night reads: the site, the arrays, the solver, and what was said and stands already."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from models.plan.inputs import Floats, PlanInputs
from models.plan.results import PlanResult
from models.plan.solve import PlanSolver, SolverFailed
from scheduler.errors import NoPlan
from scheduler.night.capacity import Limits, hold_tonight, usual_limits
from scheduler.night.edits import Word, managers_word, with_smallest
from scheduler.night.stands import Stands, standing_programme
from scheduler.night.whole_steps import STILL, Terms
from scheduler.plan.inputs import NightInputs
from scheduler.site import Site

Result = TypeVar("Result")


@dataclass(frozen=True)
class Tonight:
    """The night that is planned.

    Parameters
    ----------
    site : Site
    inputs : NightInputs
    solver : PlanSolver    Loaded with `inputs.plan`; its capacities and longest runs tonight are edited.
    word : Word            What the manager said.
    stands : Stands        What the controllers hold already.
    usual : Limits         What a plan may count on before anything is packed.
    limits : Limits        The same of tonight, whose start times must be found.
    without_word : ndarray (Z,) or None   Minutes the plan would have had nothing been said [min]; None if nothing was.
    """

    site: Site
    inputs: NightInputs
    solver: PlanSolver
    word: Word
    stands: Stands
    usual: Limits
    limits: Limits
    without_word: Floats | None = None

    @property
    def plan(self) -> PlanInputs:
        """The arrays of the linear program."""
        return self.inputs.plan

    def terms(self, share: Limits) -> Terms:
        """What tonight's run times are rounded by, within these shares of the capacities."""
        return Terms(share.share, self.worth, self.word.said)

    @property
    def worth(self) -> Floats:
        """What a minute short costs, shape (Z,): dryness, in the order of the ranks."""
        return np.asarray(self.solver.prices.dry * self.plan.net_rate, dtype=np.float64)

    def solve(self) -> PlanResult:
        """The plan within the capacities as the solver has them now, or NoPlan."""
        return answered(self.solver.solve)

    def keep_word(self, run_time: Floats) -> None:
        """Put the manager's minutes into tonight's run times, as the plan had them or in the longest allowed hours."""
        plan, minutes = self.plan, self.word.minutes
        for z in np.flatnonzero(self.word.said).tolist():
            planned = run_time[z, 0].sum()
            if planned > STILL:
                run_time[z, 0] *= minutes[z] / planned
            elif minutes[z] > 0:
                hours = plan.allowed[z, 0] * plan.block_length[0]
                run_time[z, 0, int(hours.argmax()), int(plan.zone_supply[z].argmax())] = minutes[z]


def begin_tonight(site: Site, inputs: NightInputs, solver: PlanSolver) -> Tonight:
    """The night before its first draft: the usual limits and the manager's word are told to the solver."""
    word = managers_word(site, inputs)
    inputs = with_smallest(inputs, word)
    stands = standing_programme(site, inputs.dates[0])
    usual = usual_limits(inputs, solver)
    tonight = Tonight(site, inputs, solver, word, stands, usual, usual.at_once)
    hold_tonight(solver, tonight.limits, usual)
    if not word.said.any():
        return tonight
    without_word = tonight.solve().tonight(inputs.plan)
    said = np.flatnonzero(word.said)
    solver.limit_runs(said, word.minutes[said], night=0)
    return replace(tonight, without_word=without_word)


def answered(solve: Callable[[], Result]) -> Result:
    """What the solver answers, or NoPlan if it failed."""
    try:
        return solve()
    except SolverFailed as failure:
        raise NoPlan(str(failure)) from failure
