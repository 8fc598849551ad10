"""One plan, edited: the standing plan under other allocations, orders, prices and weathers.

Every case goes on from where the standing plan ended, never from another case, so that cases in any order give the same
numbers and equal cases equal plans.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from models.plan.flush_needs import FlushNeeds
from models.plan.inputs import PlanInputs
from models.plan.results import PlanResult
from models.plan.solve import PlanSolver


class Cases:
    """A plan that was solved once, and what it becomes under other inputs.

    Parameters
    ----------
    inputs : PlanInputs            As things stand.
    needs : FlushNeeds, optional   Zones with a salt flush to decide.

    Attributes
    ----------
    standing : PlanResult   The plan as things stand.

    Raises
    ------
    SolverFailed   The standing plan was not solved.
    """

    def __init__(self, inputs: PlanInputs, needs: FlushNeeds | None = None) -> None:
        self._solver = PlanSolver(inputs, needs)
        self.standing: PlanResult = self._solver.solve()
        self._end = self._solver.basis()

    def solver(self, inputs: PlanInputs, needs: FlushNeeds | None = None) -> PlanSolver:
        """A solver with other inputs that begins from where the standing plan ended.

        The loaded plan is edited where it has every row and column the inputs need (an allocation, permits, capacities,
        windows, bans, prices and tiers as long as no limit appears that was not there); else a new one is built.

        Parameters
        ----------
        inputs : PlanInputs            Of as many zones.
        needs : FlushNeeds, optional   Those of the case, all of them.

        Returns
        -------
        PlanSolver   To be used up before the next is asked for: it may be the same object.
        """
        solver = self._solver
        if not solver.edit(inputs, needs):
            solver = PlanSolver(inputs, needs)
        solver.begin_from(self._end)
        return solver

    def sweep(self, points: Iterable[PlanInputs], needs: FlushNeeds | None = None) -> Iterator[PlanResult]:
        """Plans along a curve, each begun from where the one before it ended, the first from the standing plan.

        Parameters
        ----------
        points : iterable of PlanInputs   Neighbours on the curve, for example with less and less water.
        needs : FlushNeeds, optional      The same for all points.

        Yields
        ------
        PlanResult
        """
        solver, last = self._solver, self._end
        for i, inputs in enumerate(points):
            if not solver.edit(inputs, needs):
                solver = PlanSolver(inputs, needs)
                solver.begin_from(last)
            elif i == 0:
                solver.begin_from(last)
            yield solver.solve()
            last = solver.basis()
