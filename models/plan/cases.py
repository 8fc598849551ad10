"""One plan, edited: the standing plan under other allocations, orders, prices and weathers.

Every case goes on from where the standing plan ended, never from another case, so that cases in any order give the same
numbers and equal cases equal plans.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

from models.plan.copies import Copies
from models.plan.ended import Ended
from models.plan.flush_needs import FlushNeeds
from models.plan.inputs import PlanInputs
from models.plan.results import PlanResult
from models.plan.solve import PlanSolver

LONG = 8  # points of a curve from which it is cut in two
BEGINNING = 3  # steps along a curve that take as long as its beginning from nothing, about


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
        self._main: tuple[PlanSolver, Ended] | None = None  # of the expected weather alone, where it chooses flushes
        if _chosen_before(inputs, needs):
            main = PlanSolver(replace(inputs, members=None), needs)
            main.solve()
            self._main = main, main.ended()
            self._solver = PlanSolver(inputs, settled=main.settled())
        else:
            self._solver = PlanSolver(inputs, needs)
        self.standing: PlanResult = self._solver.solve()
        self._end = self._solver.ended()

    def solver(self, inputs: PlanInputs, needs: FlushNeeds | None = None, settled: Copies | None = None) -> PlanSolver:
        """A solver with other inputs that begins from where the standing plan ended.

        The loaded plan is edited where it has every row and column the inputs need (an allocation, permits, capacities,
        windows, bans, prices and tiers as long as no limit appears that was not there); else a new one is built. Where
        there are several weathers, flushes are chosen for the expected one first.

        Parameters
        ----------
        inputs : PlanInputs            Of as many zones.
        needs : FlushNeeds, optional   Those of the case, all of them.
        settled : Copies, optional     Flushes chosen already, instead.

        Returns
        -------
        PlanSolver   To be used up before the next is asked for: it may be the same object.
        """
        solver, _ = self._edited(self._solver, inputs, needs, settled)
        solver.program.expect_near(False)
        solver.begin_from(self._end)
        return solver

    def sweep(self, points: Iterable[tuple[PlanInputs, FlushNeeds | None]]) -> Iterator[PlanResult]:
        """Plans along a curve, each begun from where the one before it ended, the first from the standing plan.

        A long curve is cut in two, whatever the number of cores: its second piece begins from nothing, which takes as
        long as a few steps along the curve, and is solved beside the first.

        Parameters
        ----------
        points : iterable of tuple   Inputs and flushes to decide, or None, of neighbours on the curve, for example with
                                     less and less water.

        Yields
        ------
        PlanResult   In the order of the points.
        """
        points = list(points)
        own = points[: (len(points) + BEGINNING) // 2]
        if len(points) < LONG or any(_chosen_before(*point) for point in points):
            own = points  # flushes of the expected weather are chosen in one program
        pool = ThreadPoolExecutor(1)
        try:
            beside = self._along(points[len(own) :], None)
            rest = [pool.submit(next, beside) for _ in points[len(own) :]]
            yield from self._along(own, self._solver)
            for one in rest:
                yield one.result()
        finally:
            pool.shutdown(cancel_futures=True)

    def _along(
        self, points: list[tuple[PlanInputs, FlushNeeds | None]], before: PlanSolver | None
    ) -> Iterator[PlanResult]:
        """Plans one after the other: from where a solver's ended, from the standing plan where it is the loaded one.

        A loaded plan is edited as long as only its numbers change; else the next is laid out anew and takes the basis
        over, by family and index.
        """
        for i, (inputs, needs) in enumerate(points):
            if before is None:
                solver, fresh = PlanSolver(inputs, needs), True
            else:
                solver, fresh = self._edited(before, inputs, needs)
                if i == 0:
                    solver.begin_from(self._end)
                elif fresh:
                    solver.begin_from(before.ended(), neighbour=True)
            solver.program.expect_near(not fresh)
            yield solver.solve()
            before = solver

    def _edited(
        self, solver: PlanSolver, inputs: PlanInputs, needs: FlushNeeds | None, settled: Copies | None = None
    ) -> tuple[PlanSolver, bool]:
        """The solver with other inputs, or a new one with them; and whether it is new."""
        if _chosen_before(inputs, needs):
            settled, needs = self._flushes(replace(inputs, members=None), needs), None
        if solver.edit(inputs, needs, settled):
            return solver, False
        return PlanSolver(inputs, needs, settled), True

    def _flushes(self, inputs: PlanInputs, needs: FlushNeeds | None) -> Copies | None:
        """Flushes of the expected weather, from where the standing plan's choice ended."""
        main = (
            PlanSolver(inputs, needs) if self._main is None or not self._main[0].edit(inputs, needs) else self._main[0]
        )
        if self._main is not None:
            main.begin_from(self._main[1])
        main.solve()
        return main.settled()


def _chosen_before(inputs: PlanInputs, needs: FlushNeeds | None) -> bool:
    """Whether flushes are chosen for one weather before the plan for several."""
    return inputs.members is not None and needs is not None and bool(needs.zone.size)
