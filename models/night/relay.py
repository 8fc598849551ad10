"""Part of a night laid anew, every cycle whole: a constraint program over the cycles that are set free.

The other cycles stay where they are and count as used capacity. One optional interval a cycle; one cumulative
constraint a pump, branch and controller, and two a ramp, over the minute after each start and after each end: what
starts (or ends) within a minute may add up to the ramp, or be one valve. That is a little stricter than the rule of
`board.py`, where one valve may close as another opens.

What a choice of starts costs is given cycle by cycle (`Costs`), so that leaving out weighs more than being late, and
that more than running in hours the plan did not choose.

Source: cumulative scheduling with optional intervals, Baptiste, Le Pape and Nuijten, Constraint-Based Scheduling
(2001). Mark: memory. Solver: CP-SAT of OR-Tools with one worker, a fixed seed and a limit on its deterministic time, so
the same night gives the same timetable on any machine.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from models.night.board import Board
from models.night.job import FloatArray, IntArray, NightJob

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

SEED = 1
NOWHERE = -1  # start of a cycle that has no place


@dataclass(frozen=True)
class Costs:
    """What a timetable of whole cycles costs, K cycles.

    Attributes
    ----------
    left_out : ndarray of int, shape (K,)   Of having no place.
    late : ndarray of int, shape (K,)       Of ending after `done`.
    done : ndarray of int, shape (K,)       Step by which the cycle should end; the end of the night without a wish.
    outside : int                           Of a step at another energy price than the plan chose for it.
    quota : ndarray, shape (K, V)           Steps of each cycle that the plan has at each energy price.
    passed : ndarray of int, shape (V, T + 1)   Steps at each price up to each moment; V = 0 without a choice.
    """

    left_out: IntArray
    late: IntArray
    done: IntArray
    outside: int
    quota: FloatArray
    passed: IntArray

    def of(self, start: IntArray, length: IntArray) -> IntArray:
        """Cost of each cycle at its start, shape (K,)."""
        placed = start != NOWHERE
        late = self.late * (placed & (start + length > self.done))
        # one without a place may be longer than the night
        stays = np.where(placed, start, 0), np.where(placed, length, 0)
        beyond = self.outside * np.where(placed, self._beyond(self.quota, *stays), 0)
        return np.where(placed, late + beyond, self.left_out)

    def at(self, cycle: int, starts: IntArray, length: int) -> IntArray:
        """Cost of one cycle at each of some starts."""
        late = np.where(starts + length > self.done[cycle], self.late[cycle], 0)
        return np.asarray(late + self.outside * self.beyond(cycle, starts, length))

    def beyond(self, cycle: int, starts: IntArray, length: int) -> IntArray:
        """Steps of one cycle at another price than the plan chose, at each of some starts."""
        return self._beyond(self.quota[cycle : cycle + 1], starts, np.full(starts.size, length))

    def _beyond(self, quota: FloatArray, start: IntArray, length: IntArray) -> IntArray:
        if not self.passed.size:
            return np.zeros(start.size, dtype=np.int64)
        used = (self.passed[:, start + length] - self.passed[:, start]).T
        return np.asarray(np.ceil(np.maximum(used - quota, 0.0).sum(axis=1) - 1e-6), dtype=np.int64)


@dataclass(frozen=True)
class Relaid:
    """What a constraint program found.

    Attributes
    ----------
    start : dict of int to int   Start of each freed cycle, `NOWHERE` where it has none; empty if nothing was found.
    cost : float                 Of the freed cycles.
    least : float                What they cost at least, the others where they are.
    spent : float                Deterministic time of the solver [-].
    """

    start: dict[int, int]
    cost: float
    least: float
    spent: float


def relay(
    job: NightJob,
    board: Board,
    length: IntArray,
    start: IntArray,
    free: IntArray,
    costs: Costs,
    effort: float,
    rows: IntArray | None = None,
    known: tuple[tuple[IntArray, float], ...] = (),
) -> Relaid:
    """Find starts for the freed cycles beside all that stands on the board.

    Parameters
    ----------
    job : NightJob
    board : Board                       Without the freed cycles.
    length, start : ndarray, shape (K,) Length of each cycle and where it was [grid steps]; the search begins there.
    free : ndarray of int               Cycles set free; those of a zone all or none.
    costs : Costs
    effort : float                      Deterministic time the solver may take [-].
    rows : ndarray of int, optional     Limits of the board that are looked at; all if not given. With some left out,
                                        `least` bounds what any timetable can do.
    known : tuple of (cycles, cost)     Sets of cycles that are known to cost at least so much: it ends a search early.

    Returns
    -------
    Relaid
    """
    from ortools.sat.python import cp_model

    program = _Program(cp_model.CpModel(), board, rows)
    asked = np.where(start[free] == NOWHERE, board.steps, start[free])
    for cycle in free[np.lexsort((free, asked, job.cycle_zone[free]))].tolist():  # of a zone in the order they stand
        program.add_cycle(job, cycle, int(length[cycle]), int(start[cycle]), costs)
    program.add_capacities()
    if rows is None:
        program.add_ramps()
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = SEED
    solver.parameters.linearization_level = 0
    solver.parameters.use_disjunctive_constraint_in_cumulative = False  # a fifth of the time, for nothing found
    solver.parameters.max_deterministic_time = effort
    for cycles, least in known:
        program.add_bound(set(cycles.tolist()), least)
    program.minimise()
    status = solver.solve(program.model)
    spent = float(solver.response_proto.deterministic_time)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Relaid({}, np.inf, -np.inf, spent)
    found = {k: NOWHERE for k in free.tolist()}
    found |= {c.cycle: int(solver.value(c.start)) for c in program.cycles if solver.value(c.there)}
    return Relaid(found, program.fixed + solver.objective_value, program.fixed + solver.best_objective_bound, spent)


@dataclass(frozen=True)
class _Cycle:
    cycle: int
    zone: int
    length: int
    start: "cp_model.IntVar"
    there: "cp_model.BoolVarT"
    runs: "cp_model.IntervalVar"


class _Program:
    """The constraint program while it is built."""

    def __init__(self, model: "cp_model.CpModel", board: Board, rows: IntArray | None) -> None:
        self.model, self.board = model, board
        self.rows = range(board.free.shape[0]) if rows is None else rows.tolist()
        self.cycles: list[_Cycle] = []
        self.cost: list[tuple[int, cp_model.BoolVarT, int]] = []  # what it costs, when it does, the cycle
        self.homeless: dict[int, float] = {}
        self.fixed = 0.0  # cost of cycles that can have no place

    def add_cycle(self, job: NightJob, cycle: int, length: int, was: int, costs: Costs) -> None:
        """One cycle: where it may start, after the cycle before it, and what it costs."""
        model, zone = self.model, int(job.cycle_zone[cycle])
        starts = self.board.starts(zone, length, ramp=False)
        if not starts.size:
            self.fixed += float(costs.left_out[cycle])
            self.homeless[cycle] = float(costs.left_out[cycle])
            return
        there = model.new_bool_var("")
        start = model.new_int_var_from_domain(_domain(starts), "")
        runs = model.new_optional_fixed_size_interval_var(start, length, there, "")
        added = _Cycle(cycle, zone, length, start, there, runs)
        if self.cycles and (before := self.cycles[-1]).zone == zone and before.length == length:
            model.add(start >= before.start).only_enforce_if([before.there, there])
            model.add_implication(there, before.there)  # alike: what is missing is the last of them
        self.cycles.append(added)
        model.add_hint(there, was != NOWHERE)
        model.add_hint(start, was if was != NOWHERE else int(starts[0]))
        self.cost.append((int(costs.left_out[cycle]), ~there, cycle))
        self._add_wish(added, starts[starts + length <= costs.done[cycle]], starts, int(costs.late[cycle]), was)
        if costs.outside and costs.passed.size:
            beyond, half = costs.beyond(cycle, starts, length), length // 2
            self._add_wish(added, starts[beyond == 0], starts, costs.outside * (length - half), was)
            self._add_wish(added, starts[beyond <= half], starts, costs.outside * half, was)

    def _add_wish(self, added: _Cycle, wished: IntArray, starts: IntArray, cost: int, was: int) -> None:
        """A cycle that runs costs something unless it begins at one of the wished starts."""
        if not cost or wished.size == starts.size:
            return
        missed = self.model.new_bool_var("")
        self.model.add_hint(missed, was != NOWHERE and was not in wished)
        if wished.size:
            self.model.add_linear_expression_in_domain(added.start, _domain(wished)).only_enforce_if(
                [added.there, ~missed]
            )
        else:
            self.model.add_implication(added.there, missed)
        self.cost.append((cost, missed, added.cycle))

    def add_capacities(self) -> None:
        """Pumps, branches and controllers: what the freed cycles use beside the others; and each zone's own soaks."""
        board, model = self.board, self.model
        for zone in np.unique([a.zone for a in self.cycles]).tolist():
            own, soak = [a for a in self.cycles if a.zone == zone], int(board.soak[zone])
            if len(own) > 1:
                model.add_no_overlap(
                    [model.new_optional_fixed_size_interval_var(a.start, a.length + soak, a.there, "") for a in own]
                )
        on: dict[int, list[tuple[_Cycle, int]]] = {}
        for added in self.cycles:
            for row, amount in board.uses[added.zone]:
                on.setdefault(row, []).append((added, amount))
        for row in self.rows:
            here = on.get(row, [])
            if here:
                capacity = int(board.capacity[row])
                used = capacity - board.free[row, : board.steps]
                self._add_cumulative([(a.runs, amount) for a, amount in here], used, capacity)

    def add_ramps(self) -> None:
        """What starts, and what ends, within one minute of a pump with a ramp."""
        board = self.board
        for pump in np.flatnonzero(board.ramped).tolist():
            here = [a for a in self.cycles if board.job.pump[a.zone] == pump]
            ramp = int(board.ramp[pump])
            if not here:
                continue
            for after in (False, True):
                turned = np.zeros(board.steps + board.minute, dtype=np.int64)
                for zone in np.flatnonzero(board.job.pump == pump).tolist():
                    for span in board.placed[zone]:
                        turned[span[after] : span[after] + board.minute] += min(ramp, int(board.need[zone]))
                for zone, *ends in board.standing:
                    if board.job.pump[zone] == pump:
                        turned[ends[after] : ends[after] + board.minute] += min(ramp, int(board.need[zone]))
                turning = [
                    (
                        self.model.new_optional_fixed_size_interval_var(
                            a.start + (a.length if after else 0), board.minute, a.there, ""
                        ),
                        min(ramp, int(board.need[a.zone])),
                    )
                    for a in here
                ]
                self._add_cumulative(turning, np.minimum(turned, ramp), ramp)

    def _add_cumulative(self, wanting: list[tuple["cp_model.IntervalVar", int]], used: IntArray, capacity: int) -> None:
        """Intervals beside a use that is known step by step."""
        if sum(amount for _, amount in wanting) + int(used.max(initial=0)) <= capacity:
            return
        intervals, amounts = [interval for interval, _ in wanting], [amount for _, amount in wanting]
        edges = np.flatnonzero(np.diff(np.concatenate([[0], used, [0]])))
        for begin, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            if used[begin] > 0:
                intervals.append(self.model.new_fixed_size_interval_var(begin, end - begin, ""))
                amounts.append(int(used[begin]))
        self.model.add_cumulative(intervals, amounts, capacity)

    def add_bound(self, cycles: set[int], least: float) -> None:
        """What some of the cycles cost at least."""
        rest = int(np.ceil(least - 0.5)) - int(sum(c for k, c in self.homeless.items() if k in cycles))
        if rest > 0 and cycles <= {a.cycle for a in self.cycles} | self.homeless.keys():
            self.model.add(sum(cost * missed for cost, missed, k in self.cost if k in cycles) >= rest)

    def minimise(self) -> None:
        """The cost of all cycles."""
        self.model.minimize(sum(cost * missed for cost, missed, _ in self.cost))


def _domain(values: IntArray) -> "cp_model.Domain":
    from ortools.sat.python import cp_model

    return cp_model.Domain.from_values(values.tolist())
