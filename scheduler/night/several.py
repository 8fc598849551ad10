"""Tonight planned for the weathers that may come, or for the expected one alone where that fails."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace

from models.plan.copies import Copies
from models.plan.flush_needs import FlushNeeds
from models.plan.inputs import PlanInputs
from models.plan.solve import PlanSolver, SolverFailed
from scheduler.errors import NoPlan
from scheduler.night.capacity import LimitBinds, limits_bind
from scheduler.night.records import RunnableNight
from scheduler.night.stands import with_standing
from scheduler.night.timetable import runnable_night
from scheduler.notes import Note
from scheduler.plan.inputs import NightInputs
from scheduler.site import Site

log = logging.getLogger(__name__)
LONGEST = 120.0  # [s] of one run of the solver over several weathers; then the expected one is planned for alone

Loaded = Callable[[PlanInputs, FlushNeeds | None, Copies | None], PlanSolver]


def night_of_weathers(
    site: Site, inputs: NightInputs, needs: FlushNeeds, cut_short: bool = False, loaded: Loaded = PlanSolver
) -> tuple[NightInputs, RunnableNight]:
    """Plan tonight for every weather of the inputs.

    Flushes are chosen for the expected weather; the plan for several then takes them as they are. Where a limit that
    zones share binds, the expected weather is planned for alone: only there is the order of ranks strict. That is seen
    from a plan before it is packed.

    Parameters
    ----------
    site : Site
    inputs : NightInputs
    needs : FlushNeeds
    cut_short : bool      The first choice of flushes is taken, without a search for a better one.
    loaded : callable     Gives a solver with arrays, needs or flushes as they were settled: a new one, or of a case one
                          that goes on from the standing plan.

    Returns
    -------
    NightInputs     As they were planned with: with one weather alone where several failed, and a note that says so.
    RunnableNight

    Raises
    ------
    NoPlan   There is none for one weather either.
    """
    inputs = with_standing(site, inputs)
    alone = replace(inputs, plan=replace(inputs.plan, members=None), others=None)
    solver = loaded(alone.plan, needs, None)
    if cut_short:
        solver.longest_search = 0.0
    if inputs.plan.members is not None:
        try:
            run = _of_several(site, inputs, solver, loaded)
            if run is not None:
                return inputs, run
            log.info("a shared limit binds: planning for the expected weather alone, strictly by rank")
        except (NoPlan, SolverFailed) as failure:
            log.warning("no plan for several weathers (%s); planning for the expected one", failure)
            note = Note("step_down", "weather", "planned for the expected weather alone: no plan for several was found")
            alone = replace(alone, notes=(*alone.notes, note))
    return alone, runnable_night(site, alone, solver)


def _of_several(site: Site, inputs: NightInputs, expected: PlanSolver, loaded: Loaded) -> RunnableNight | None:
    """Tonight for several weathers, with the flushes chosen for the expected one; None where a shared limit binds."""
    expected.tells_one_more = False
    binds = limits_bind(expected.solve())
    expected.tells_one_more = True
    if binds:
        return None
    several = loaded(inputs.plan, None, expected.settled())
    several.program.limit_time(LONGEST)
    try:
        run = runnable_night(site, inputs, several, free_only=True)
    except LimitBinds:
        return None
    return None if limits_bind(run.result) else run
