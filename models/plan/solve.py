"""A plan loaded once: edit its bounds and right-hand sides, solve it again from the last basis.

What the solver is asked is in `highs.py`, which flushes are chosen in `flush_choice.py`, how a large plan begins in
`apart.py`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from models.plan import apart
from models.plan.basis import Basis
from models.plan.build import build_plan, lay_out
from models.plan.copies import Copies
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
from models.plan.ended import Ended, much_left_over
from models.plan.flush_choice import LONGEST_SEARCH, FlushChoice
from models.plan.flush_needs import FlushNeeds
from models.plan.highs import Program, SolverFailed
from models.plan.inputs import Floats, Ints, PlanInputs
from models.plan.limits import block_binds, longest_minutes
from models.plan.one_more import one_more
from models.plan.pens import Model, compiled
from models.plan.results import (
    ALLOCATION_ROWS,
    OneMore,
    PlanResult,
    Solution,
    flush_solution,
    gather,
    read_one_more,
    read_result,
    with_prices,
)
from models.plan.rows import Matrices, Spans
from models.plan.spread import Spread
from models.plan.weathers import settled_copies

__all__ = ["PlanSolver", "SolverFailed"]

LARGE = 20_000  # columns from which presolve, which finds little here, is left out
# Columns from which a plan begins from its parts; a smaller one is solved before it is taken apart.
IN_PARTS = 100_000
LOOSE = 2.0  # of a capacity on a night whose run times are fixed: rounding up may pass it in one block [-]
NO_LIMIT = np.inf


class PlanSolver:
    """A plan loaded into a solver.

    Parameters
    ----------
    inputs : PlanInputs
    needs : FlushNeeds, optional   Zones with a salt flush to decide; for one weather.
    settled : Copies, optional     Flushes as `settled` of another plan's solver gives them, instead of needs.
    symbols : bool                 Whether the plan is written as a Pyomo model; as numbers alone it takes a tenth of
                                   the time.

    Attributes
    ----------
    model : Model           The plan as written.
    program : Program       The loaded program.
    """

    def __init__(
        self,
        inputs: PlanInputs,
        needs: FlushNeeds | None = None,
        settled: Copies | None = None,
        symbols: bool = False,
    ) -> None:
        self.gap = 0.0
        self.longest_search = LONGEST_SEARCH  # [s]
        self.tells_one_more = True  # whether results say what one more cubic metre would change, which may take solves
        self.shortened: dict[int, set[int]] = {}  # rows of longest runs that were shortened, by night
        self.held: dict[int, int] = {}  # rows added for zone-nights whose sum the model leaves free
        self.together: dict[int, int] = {}  # rows added for zones that cannot all run at once, and their pumps
        self._take(Spread.of(inputs, needs, settled))
        self.built = self.spread  # whose run columns the model has
        write = build_plan if symbols else lay_out
        self.model: Model = write(self.spread, self.spread_prices, self.copies)
        self._load(*compiled(self.model))

    def _take(self, spread: Spread) -> None:
        """Hold what the plan is made from."""
        self.inputs, self.prices, self.copies = spread.inputs, spread.prices, spread.copies
        self.spread, self.spread_prices = spread.spread, spread.spread_prices

    def _load(self, compiled: Matrices, spans: Spans) -> None:
        """Load the compiled model."""
        self.limits = compiled.row_upper, compiled.upper
        self.column_upper = compiled.upper
        self.spans, self.index = spans, limited(self.model)
        self.program = Program(compiled, large=compiled.cost.size >= LARGE)
        # of a large plan, which can begin from parts of it
        self.whole = compiled if compiled.cost.size >= IN_PARTS else None
        self.in_parts = self.whole is not None  # whether the next run does
        self.near: Floats | None = None  # columns of the same plan under other limits
        self.begun: Basis | None = None  # where that or another plan ended
        self.taken: apart.Apart | None = None  # once it was

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
        if self.copies is None or not self.copies.open.any():
            self.relax()
        else:
            self._begin_in_parts()
            self.gap = self.flush_choice().choose(self.longest_search)
        return self._result()

    def relax(self) -> None:
        """Solve it as the linear program it is, from its parts where it is large, else from the last basis."""
        if not self._begin_in_parts():
            self.program.run()

    def cost_below(self, most: float) -> float:
        """Objective of a plan without flushes from the last basis, where it is below `most`; inf where it is not."""
        self._begin_in_parts()
        return self.program.run_below(most)

    def _begin_in_parts(self) -> bool:
        """Begin a large plan from its parts, as it stands; once, and again where `begin_from` asks for it.

        Returns
        -------
        bool   Whether that was done; the plan is then solved.
        """
        asked, self.in_parts = self.in_parts, False
        if asked and self.whole is not None:
            program, rows = self.program, self.whole.row_upper.size  # without rows that were added since
            whole = replace(self.whole, cost=program.cost, upper=program.upper, row_upper=program.row_upper[:rows])
            self.taken = self.taken or apart.parts_of(whole, self.spans)
            basis = apart.start(whole, self.spans, self.near, self.begun, self.taken)
            if basis is not None:
                program.begin(basis)
                program.tell_no_finer()
                program.expect_near(True)
                program.run()
                program.expect_near(False)
                return True
        return False

    def flush_choice(self) -> FlushChoice:
        """The plan as one whose flushes are to be chosen."""
        assert self.copies is not None
        return FlushChoice(self.program, self.inputs, self.copies, self.spans, list(self._shared_limits()))

    def _shared_limits(self) -> Iterator[tuple[Ints, Ints]]:
        """Rows of each limit that zones share, and the zones; those of the whole site as one."""
        for name, of_zone in (
            ("pump_limit", self.inputs.pump_of_zone),
            ("branch_limit", self.inputs.branch_of_zone),
            ("station_limit", self.inputs.controller_of_zone),
        ):
            group = self.index[name][:, 0] if name in self.index else np.zeros(0, dtype=np.int64)
            for g in np.unique(group).tolist():
                yield self.spans.row[name].start + np.flatnonzero(group == g), np.flatnonzero(of_zone == g)
        wide = [np.arange(s.start, s.stop) for s in map(self.spans.row.get, apart.SITE_WIDE) if s is not None]
        yield np.concatenate([np.zeros(0, dtype=np.int64), *wide]), np.arange(self.inputs.zones)

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
        if self.copies is None and not takes_on(self.built, inputs):
            return False  # seen without its prices
        wanted = Spread.of(inputs, needs, settled, (self.inputs, self.prices))
        if not same_copies(self.copies, wanted.copies) or not takes_on(self.built, wanted.spread):
            return False
        if (block_binds(wanted.spread, self.copies) & ~block_binds(self.built, self.copies)).any():
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
        """Pass every cost and limit of the present inputs to the solver."""
        spans, built, spread, program = self.spans, self.built, self.spread, self.program
        row_upper, upper = self.limits
        program.drop(np.array([*self.held.values(), *self.together], dtype=np.int64))  # rows added since
        self.held.clear()
        self.together.clear()
        self.shortened.clear()
        limits = row_limits(self.model, spans, row_upper, spread, self.spread_prices)
        for name in self.index:
            rows = np.arange(row_upper.size)[spans.row[name]]
            program.limit(rows, limits[rows])
        self.column_upper = column_limits(spans, upper, built, spread)
        program.bound(np.arange(upper.size), np.zeros(upper.size), self.column_upper)
        self.in_parts = False
        unsaid = np.flatnonzero(longest_run_unsaid(built, spread))
        self._hold_sums(unsaid, longest_minutes(spread).ravel()[unsaid])
        program.price(column_costs(self.model, spans, spread, self.spread_prices, self.copies))

    def ended(self) -> Ended:
        """Where the last run ended."""
        program = self.program
        limits = program.row_upper.copy(), program.upper.copy()
        return Ended(self.model, self.spans, program.basis(), program.values(), program.sides()[0], limits)

    def begin_from(self, end: Ended, neighbour: bool = False) -> None:
        """Begin the next run from where one ended, of this plan or of one with other rows and columns.

        A large plan begins from its parts all the same, unless it is a neighbour or only its costs were changed: from a
        plan under quite other limits it was measured to take longer. For the same reason one of some size begins from
        nothing where much of the other's water no longer fits. The run depends on nothing else that the solver did
        before.

        Parameters
        ----------
        end : Ended
        neighbour : bool   Whether the plan is close to that one.
        """
        basis, program = end.basis, self.program
        alike = end.model is self.model and len(basis.rows) == program.row_upper.size
        if not alike:
            basis = basis.carried(end.model, self.model, end.spans, self.spans, program.row_upper.size)
        middling = self.copies is None and LARGE <= program.cost.size < IN_PARTS
        if middling and alike and not neighbour and much_left_over(end, program.upper, program.row_upper):
            program.forget()
        else:
            program.begin(basis, afresh=True)
        same = alike and all(map(np.array_equal, end.limits, (program.row_upper, program.upper)))
        self.in_parts = not (same or neighbour) and (alike or self.inputs.members is None)
        self.near = end.values if alike else None
        self.begun = basis if not alike or np.array_equal(end.limits[1], program.upper) else None  # not under bans

    def _result(self) -> PlanResult:
        """The last run, read out over zones."""
        solution = self._solution()
        result = read_result(self.model, self.built, solution)
        if self.together:
            result = replace(result, limits=with_prices(result.limits, self._prices_together(solution)))
        if self.tells_one_more:
            result = replace(result, one_more=self._one_more())
        if self.copies is None:
            if self.inputs is self.built:
                return result
            return replace(result, run_time=on_columns(result.run_time, self.built, self.inputs))
        chosen = flush_solution(self.model, self.copies, solution)
        return gather(result, self.inputs, self.built, self.copies, chosen, self.gap)

    def _one_more(self) -> OneMore | None:
        """What one more cubic metre in the allocation would change; None where it changes nothing."""
        names = (*ALLOCATION_ROWS, *(f"{name}_weathers" for name in ALLOCATION_ROWS))
        spans = [np.arange(s.start, s.stop) for s in map(self.spans.row.get, names) if s is not None]
        step = one_more(self.program, np.concatenate([np.zeros(0, dtype=np.int64), *spans]))
        if step is None:
            return None
        zone = np.arange(self.inputs.zones)
        if self.copies is not None:
            zone = np.where(self.copies.weather <= 0, self.copies.zone, -1)
        return read_one_more(self.model, self.built, self.spread_prices, step, zone, self.spans)

    def _solution(self) -> Solution:
        """Vectors of the last run."""
        program = self.program
        return Solution(program.values(), *program.sides(), program.row_upper, self.spans, program.objective())

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
            if family in self.index:
                g, n, b = self.index[family][:, :3].T
                each = capacity[g] if capacity.ndim == 1 else capacity[g, n]
                limit = factors[g] * each * self.inputs.block_length[n, b]
                asked = np.flatnonzero(n == night) if night is not None else np.arange(n.size)
                self.program.limit(self.spans.row[family].start + asked, limit[asked])

    def limit_runs(self, zones: Ints, longest: Floats, night: int) -> None:
        """Hold the run time of some zones on one night to less than the inputs allow.

        Parameters
        ----------
        zones : ndarray (k,)     Zones, rising.
        longest : ndarray (k,)   Longest run of each [min].
        night : int
        """
        plan, runs = self.spread, self.built.runs
        if self.copies is not None:
            listed = np.searchsorted(zones, self.copies.zone)
            inside = np.isin(self.copies.zone, zones)
            zones, longest = np.flatnonzero(inside), longest[listed[inside]]
        asked = np.full(plan.zones, np.inf)
        asked[zones] = longest
        on = np.flatnonzero((runs.night == night) & np.isfinite(asked[runs.zone]))
        columns = self.spans.column["run_time"].start + on
        self.program.bound(columns, np.zeros(on.size), np.minimum(asked[runs.zone[on]], self.column_upper[columns]))
        open_minutes = plan.allowed[zones, night] @ plan.block_length[night]
        most = np.minimum(np.minimum(longest, open_minutes), plan.max_run[zones])
        cells, said = zones * self.inputs.nights + night, self.index.get("zone_limit", np.zeros(0, dtype=np.int64))
        has_row = np.isin(cells, said)
        rows = self.spans.row["zone_limit"].start + np.searchsorted(said, cells[has_row])
        self.program.limit(rows, most[has_row])
        # the plan was built without the others: nothing else let them run so long
        unsaid = ~has_row & (runs.first[cells + 1] - runs.first[cells] > 1)
        self._hold_sums(cells[unsaid], most[unsaid])
        added = [self.held[c] for c in cells[unsaid].tolist()]
        if rows.size or added:
            self.shortened.setdefault(night, set()).update(rows.tolist(), added)

    def hold_together(self, pump: int, price: Floats, most: float) -> None:
        """Hold tonight's run times of a pump's zones to what can run at once, whatever the order.

        Parameters
        ----------
        pump : int
        price : ndarray (Z,)   Of a minute of each zone: no zones that can run together have more than 1 in all.
        most : float           What all run times may have [min].
        """
        runs, of_zone = self.built.runs, price if self.copies is None else price[self.copies.zone]
        on = np.flatnonzero((runs.night == 0) & (of_zone[runs.zone] > 0.0))
        row = self.program.add_row(self.spans.column["run_time"].start + on, of_zone[runs.zone[on]], most)
        self.together[row] = pump
        self.shortened.setdefault(0, set()).add(row)

    def _prices_together(self, solution: Solution) -> dict[tuple[str | int, ...], float]:
        """What the rows of zones that cannot all run at once add to the prices of their pumps tonight.

        A pump, its pipes and controllers made larger alike would give as much more time as of themselves.
        """
        found: dict[tuple[str | int, ...], float] = {}
        window = self.inputs.block_length[0].sum()
        for row, pump in self.together.items():
            price = max(-float(solution.duals[row]), 0.0) * float(self.program.row_upper[row])
            key = ("pump_limit", pump, 0)
            found[key] = found.get(key, 0.0) + price / float(self.inputs.pump_nightly[pump, 0] * window)
        return found

    def _hold_sums(self, cells: Ints, most: Floats) -> None:
        """Hold the sums of zone-nights' run times, for which the model has no row, to upper limits [min]."""
        has_row = np.array([c in self.held for c in cells.tolist()], dtype=np.bool_)
        rows = [self.held[c] for c in cells[has_row].tolist()]
        self.program.limit(np.array(rows, dtype=np.int64), most[has_row])
        new, start = cells[~has_row], self.spans.column["run_time"].start
        if new.size:
            first = start + self.built.runs.first
            added = self.program.add_sums(first[new], first[new + 1], most[~has_row])
            self.held.update(zip(new.tolist(), added.tolist(), strict=True))

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
        program = self.program
        sizes = {"pump": self.inputs.pump_capacity, "branch": self.inputs.branch_capacity}
        for name, capacity in (*sizes.items(), ("station", self.inputs.stations_at_once)):
            self.scale_capacity(name, np.full(capacity.size, LOOSE), night)
        free = np.array(sorted(self.shortened.pop(night, ())), dtype=np.int64)
        if "block_limit" in self.index:  # what really runs is told by block to the controller's step
            of_night = np.flatnonzero(self.index["block_limit"][:, 1] == night)
            free = np.concatenate((free, self.spans.row["block_limit"].start + of_night))
        program.limit(free, np.full(free.size, NO_LIMIT))
        runs = self.built.runs
        on = np.flatnonzero(runs.night == night)
        zone, weight = runs.zone[on], np.ones(on.size)
        if self.copies is not None:
            weight = flush_solution(self.model, self.copies, self._solution())[0][zone]
            zone = self.copies.zone[zone]
        if on.size:
            fixed = minutes[zone, runs.block[on], runs.supply[on]] * np.rint(weight)
            program.bound(self.spans.column["run_time"].start + on, fixed, fixed)
        return self._result() if np.isfinite(program.run(certain=self.copies is None)) else None
