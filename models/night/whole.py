"""Start times for whole cycles: nothing cut beyond the cycles and soaks the soil needs.

A night is filled at once in the wished order; where that leaves something out, late or in hours the plan did not
choose, it is filled moment by moment in several ways (dispatch.py), the best is kept, and parts of it are taken off and
put back in another order (putting_back.py). With care, part after part is then laid anew by a constraint program
(relay.py): the cycles on the limit that is tightest for what has no place, then on its other limits, then any that
stand in the way. A part is kept where it costs less than before. The search ends where nothing is missing, where what
is missing is proven to find no place on its limit, or when the effort is spent.

What a timetable is wished to do stands in `wishes.py`; of what costs the same it ends nearest to the close, for a dry
leaf is the best care of turf (`settle`).
"""

from dataclasses import replace

import numpy as np

from models.night.board import Board
from models.night.dispatch import TASTES, Dispatcher
from models.night.job import BoolArray, FloatArray, IntArray, NightJob
from models.night.putting_back import PuttingBack
from models.night.relay import NOWHERE, Relaid, relay
from models.night.wishes import costs_of, strict_job

PART_EFFORT = 0.05  # [-] deterministic time of one part, about half a second
FEW_FREE = 5  # [-] cycles on one limit below which those on the next are set free as well
FEWEST_DRAWN, MOST_DRAWN = 10, 40  # [-] cycles of a drawn part
MOST_FREE = 100  # [-] cycles laid anew at once
CROWD = 50  # [-] the same where there are more on one limit
NARROW = 20  # [-] cycles of a limit that are laid on it alone also where the night is only looked at quickly
NARROW_EFFORT = 0.01  # [-] deterministic time of that, some 20 ms
BUILDING, WITH_RAMPS = 1e-4, 3e-4  # [-] deterministic time counted for each cycle of a part, and where a ramp holds
SMALL_ENOUGH = 160  # [-] cycles up to which the whole night may be one part
BUSY = 0.9  # [-] of a limit asked for, from which it may leave something without a place
IDLE = 0.3  # [-] of the effort after which a search ends that finds nothing better
WIDEST = 40  # [-] widths of a part: its tightest limit, its others, the whole night, then drawn ones
SEED = 7


class WholeRuns:
    """A timetable of whole cycles on a board.

    Parameters
    ----------
    job : NightJob
    board : Board       Empty; it is filled.

    Attributes
    ----------
    start : ndarray of int, shape (K,)   Start of each cycle, `NOWHERE` where it has no place [grid steps].
    """

    def __init__(self, job: NightJob, board: Board) -> None:
        self.job, self.board = job, board
        self.length = job.to_grid(job.cycle_minutes)
        self.start = np.full(self.length.size, NOWHERE)
        self.wishes = costs_of(job, board, self.length)
        self.costs = replace(self.wishes, outside=0)  # without the hours of the plan
        self.held = self._held()
        self.random = np.random.default_rng(SEED)
        self.building = WITH_RAMPS if board.ramped.any() else BUILDING
        self.rows_of_zone = [np.array([row for row, _ in uses], dtype=np.int64) for uses in board.uses]
        uses = np.zeros((board.free.shape[0], job.zones), dtype=bool)
        for zone, rows in enumerate(self.rows_of_zone):
            uses[rows, zone] = True
        self.on_row: BoolArray = uses[:, job.cycle_zone]  # cycles that use a limit, (limits, K)
        self.load = self._load()
        self.tight: dict[int, int] | None = None
        self.least_on: dict[int, float] = {}  # what the cycles of a limit cost at least, on that limit alone

    @property
    def cost(self) -> int:
        """What the timetable costs by `Costs` [-]."""
        return int(self.costs.of(self.start, self.length).sum())

    @property
    def wish_cost(self) -> int:
        """What is left out, late, or outside the hours of the plan [-]."""
        return int(self.wishes.of(self.start, self.length).sum())

    @property
    def left(self) -> IntArray:
        """Cycles without a place."""
        return np.flatnonzero(self.start == NOWHERE)

    @property
    def at_held_starts(self) -> int:
        """Number of cycles that begin where their controllers hold them already [-]."""
        return int(np.count_nonzero((self.start == self.held) & (self.held != NOWHERE)))

    def stand(self) -> None:
        """Place every cycle at the start its controller holds, the first ranks first, then the others in order."""
        rank = np.zeros(self.job.zones) if self.job.finish_rank is None else self.job.finish_rank
        held = np.flatnonzero(self.held != NOWHERE)
        for cycle in held[np.argsort(rank[self.job.cycle_zone[held]], kind="stable")].tolist():
            if self.held[cycle] in self.board.starts(int(self.job.cycle_zone[cycle]), int(self.length[cycle])):
                self._put(cycle, int(self.held[cycle]))
        self._fill_in_order()

    def pull_back(self, worth: float) -> None:
        """Move each cycle in turn to the start its controller holds, where that is free and costs no more than `worth`.

        Parameters
        ----------
        worth : float   Steps at another energy price that a kept start may cost [-]; it may cost nothing else.
        """
        away = np.flatnonzero((self.held != NOWHERE) & (self.start != NOWHERE) & (self.start != self.held))
        for cycle in away[np.argsort(self.held[away], kind="stable")].tolist():
            zone, length, was = int(self.job.cycle_zone[cycle]), int(self.length[cycle]), int(self.start[cycle])
            both = np.array([was, int(self.held[cycle])])
            if both[1] + length > self.board.steps:
                continue
            holds = self._off(cycle)
            late, dearer = (int(np.diff(c.at(cycle, both, length))[0]) for c in (self.costs, self.wishes))
            free = holds and late <= 0 and dearer <= worth and both[1] in self.board.starts(zone, length)
            self._put(cycle, int(both[1] if free else was))

    def _held(self) -> IntArray:
        """Step at which each cycle begins in its controller already, `NOWHERE` without one; shape (K,)."""
        held = np.full(self.length.size, NOWHERE)
        for zone, starts in (self.job.held_starts or {}).items():
            cycles = np.flatnonzero(self.job.cycle_zone == zone)[: starts.size]
            held[cycles] = np.maximum(self.job.to_grid(starts[: cycles.size]) - self.board.first, NOWHERE)
        return held

    def _load(self) -> FloatArray:
        """Share of each limit that is asked for, (limits,)."""
        board, asked = self.board, np.zeros(self.board.free.shape[0])
        zone_steps = np.bincount(self.job.cycle_zone, self.length, self.job.zones)
        for zone, uses in enumerate(board.uses):
            for row, amount in uses:
                asked[row] += amount * zone_steps[zone]
        return np.asarray(asked / np.maximum(board.capacity * max(board.steps, 1), 1))

    def fill(self, effort: float, careful: bool = True) -> None:
        """Fill the night in the wished order, or where that misses something, in the best of some freer ways.

        Parameters
        ----------
        effort : float   Cycles and grid steps gone through [-].
        careful : bool   A fill also begins with the cycles of limits that are all but full, as these alone allow them;
                         else only where something has no place, and with limits of few cycles.
        """
        self._fill_in_order()
        best, cost = self.start.copy(), self.wish_cost
        strict, spent = strict_job(self.job), 0.0
        for taste in TASTES:
            if not cost or spent > effort:
                break
            if taste.rank and self.job.finish_rank is None:
                continue
            jobs = [strict, self.job] if strict is not self.job else [self.job]
            for job, seeded in [*((job, False) for job in jobs), (self.job, True)]:
                first: dict[int, int] = {}
                if seeded and (careful or (best == NOWHERE).any()):
                    first = {k: start for k, start in self._tight_first(careful).items() if start != NOWHERE}
                if seeded and not first:
                    continue
                board = Board(job)
                dispatcher = Dispatcher(job, board)
                dispatcher.stand(first)
                dispatcher.run(taste)
                self._take(self._starts_on(board))
                if job is strict and strict is not self.job:
                    self._fill_in_order()
                if self.wish_cost < cost:
                    best, cost = self.start.copy(), self.wish_cost
                spent += self.length.size + board.steps
        self._take(best)

    def _tight_first(self, careful: bool) -> dict[int, int]:
        """Starts of the cycles of limits that are all but full, as these limits alone allow them; found once."""
        if self.tight is None:
            self.tight = {}
            most, effort = (CROWD, PART_EFFORT) if careful else (NARROW, NARROW_EFFORT)
            for row in np.flatnonzero(self.load > BUSY).tolist():
                if np.count_nonzero(self.on_row[row]) <= most:
                    self.tight |= self._alone(row, effort).start
        return self.tight

    def _alone(self, row: int, effort: float = PART_EFFORT) -> Relaid:
        """The cycles of a limit laid on that limit alone; what they cost at least is kept."""
        nowhere, empty, on = np.full(self.start.size, NOWHERE), Board(self.job), np.flatnonzero(self.on_row[row])
        alone = relay(self.job, empty, self.length, nowhere, on, self.costs, effort, rows=np.array([row]))
        self.least_on[row] = alone.least
        return alone

    def _fill_in_order(self) -> None:
        """Each cycle without a place at its best start, those that should finish last first."""
        job, zone = self.job, self.job.cycle_zone
        count = np.bincount(zone, minlength=job.zones)
        chain = (job.asked_minutes + np.maximum(count - 1, 0) * job.soak)[zone]
        rank = np.zeros(zone.size) if job.finish_rank is None else job.finish_rank[zone]
        use = np.array([self.load[rows].max(initial=0.0) for rows in self.rows_of_zone])[zone] * self.length
        for cycle in np.lexsort((-np.arange(zone.size), -use, -chain, rank)).tolist():
            if self.start[cycle] == NOWHERE:
                self._put_best(cycle)

    def _put_best(self, cycle: int) -> None:
        """Place a cycle where it costs least, at the latest of such starts; a late one at the earliest."""
        zone, length = int(self.job.cycle_zone[cycle]), int(self.length[cycle])
        starts = self.board.starts(zone, length)
        if not starts.size:
            return
        cost = self.wishes.at(cycle, starts, length)
        best = starts[cost == cost.min()]
        late = bool(self.costs.late[cycle]) and best[0] + length > self.costs.done[cycle]
        self._put(cycle, int(best[0] if late else best[-1]))

    def _put(self, cycle: int, start: int) -> None:
        self.board.place(int(self.job.cycle_zone[cycle]), start, int(self.length[cycle]))
        self.start[cycle] = start

    def _off(self, cycle: int) -> bool:
        """Take a cycle off the board; whether the ramp still holds without it."""
        start = int(self.start[cycle])
        self.start[cycle] = NOWHERE
        return self.board.remove(int(self.job.cycle_zone[cycle]), start, start + int(self.length[cycle]))

    def _starts_on(self, board: Board) -> IntArray:
        """Start of each cycle on a board that holds whole cycles, the last placed first where some are missing."""
        start = np.full(self.length.size, NOWHERE)
        for zone, spans in enumerate(board.placed):
            if spans:
                cycles = np.flatnonzero(self.job.cycle_zone == zone)
                for begin, end in spans:
                    alike = cycles[(self.length[cycles] == end - begin) & (start[cycles] == NOWHERE)]
                    start[alike[0]] = begin
        return start

    def _take(self, start: IntArray) -> None:
        """Bring the board to other starts."""
        moved = np.flatnonzero(start != self.start)
        for cycle in moved[self.start[moved] != NOWHERE].tolist():
            self._off(cycle)
        for cycle in moved[start[moved] != NOWHERE].tolist():
            self._put(cycle, int(start[cycle]))

    def put_back(self, rounds: int) -> None:
        """Take parts of the night off and put them back in another order, in so many rounds at most."""
        load = np.array([self.load[rows].sum() for rows in self.rows_of_zone])
        use: FloatArray = load[self.job.cycle_zone] * self.length.astype(np.float64)
        PuttingBack(self.board, self.job.cycle_zone, self.length, self.start, self.costs, self.on_row, use).run(rounds)

    def keep_hours(self, effort: float) -> None:
        """On a night with a place for everything, lay parts anew that lie in hours the plan did not choose."""
        if not self.cost and self.wish_cost and self.length.size <= SMALL_ENOUGH:
            self.costs = self.wishes
            self.least_on.clear()
            self.search(effort)

    def search(self, effort: float, enough: int = 0) -> None:
        """Lay part after part anew until no more than `enough` is missing or the effort is spent.

        Parameters
        ----------
        effort : float   Deterministic time of the solver [-].
        enough : int     Cost at which the search ends [-].
        """
        failed: set[bytes] = set()  # parts tried since the timetable last changed
        width, idle = 0, IDLE * effort
        until = effort - idle
        while effort > max(until, 0.0) and self.cost > enough and width <= WIDEST:
            cost = self.costs.of(self.start, self.length)
            better = False
            for target in np.argsort(-cost, kind="stable")[: np.count_nonzero(cost)].tolist():
                proven, spent = self._proven(target)
                effort -= spent
                if proven:
                    continue
                for free in self._parts(target, width):
                    if (key := free.tobytes()) in failed or effort <= 0:
                        continue
                    failed.add(key)
                    better, least, spent = self._relaid(free, min(PART_EFFORT, effort))
                    effort -= spent
                    if free.size == self.length.size and least >= self.cost - 0.5:
                        return  # the whole night at once: there is nothing better
                    if better:
                        break
                if better:
                    break
            if better:
                until = effort - idle
                failed.clear()
            width = 0 if better else width + 1

    def hurry(self, effort: float) -> None:
        """Where something is late, lay everything that has a place anew, all at once; what has none is left aside.

        What has no place is most of what a timetable costs, and proving that it has none may take all of a search.
        Without it the program is small enough to bring those to be done by a time there.

        Parameters
        ----------
        effort : float   Deterministic time of the solver [-].
        """
        late = (self.start != NOWHERE) & (self.start + self.length > self.costs.done) & (self.costs.late > 0)
        free = np.flatnonzero(self.start != NOWHERE)
        if late.any() and free.size <= SMALL_ENOUGH:
            self._relaid(free, effort)

    def _proven(self, target: int) -> tuple[bool, float]:
        """Whether the cycles of one of its limits cost no more than that limit alone makes them; time spent."""
        rows, spent = self.rows_of_zone[int(self.job.cycle_zone[target])], 0.0
        cost = self.costs.of(self.start, self.length)
        for row in rows[np.argsort(-self.load[rows], kind="stable")].tolist():
            on = np.flatnonzero(self.on_row[row])
            if self.load[row] < BUSY or on.size > CROWD:
                continue
            if row not in self.least_on:
                spent += self._alone(row).spent
            if self.least_on[row] >= float(cost[on].sum()) - 0.5:
                return True, spent
        return False, spent

    def _parts(self, target: int, width: int) -> list[IntArray]:
        """Parts of the night to lay anew for a cycle that misses something, the wider the more was tried in vain."""
        rows = self.rows_of_zone[int(self.job.cycle_zone[target])]
        rows = rows[np.argsort(-self.load[rows], kind="stable")]
        if width < 2:
            few = width == 0 and rows.size > 1 and np.count_nonzero(self.on_row[rows[0]]) < FEW_FREE
            tried = rows[1:2] if few else (rows[:1], rows[1:])[width]
            return [self._crowd(target, np.asarray(self.on_row[row] | self.on_row[rows[0]])) for row in tried.tolist()]
        if width == 2 and self.length.size <= SMALL_ENOUGH:
            return [np.arange(self.length.size)]
        sharing = np.asarray(self.on_row[rows].any(axis=0))
        many = int(self.random.integers(FEWEST_DRAWN, MOST_DRAWN))
        return [self._around(target, sharing, float(self.random.uniform(0, self.board.steps)), many)]

    def _crowd(self, target: int, on: BoolArray) -> IntArray:
        """These cycles, or where they are too many those around one moment."""
        if on.sum() <= MOST_FREE:
            return self._of_zones(target, on)
        at = self.start[target]
        middle = float(at if at != NOWHERE else self.random.uniform(0, self.board.steps))
        return self._around(target, on, middle, CROWD)

    def _around(self, target: int, on: BoolArray, middle: float, many: int) -> IntArray:
        """Those of these cycles that run nearest to a moment, and the target."""
        away = np.maximum(np.maximum(self.start - middle, middle - self.start - self.length), 0.0)
        away += self.random.uniform(0.0, 0.5 * self.length[target] + 1.0, away.size)
        away[~on | (self.start == NOWHERE)] = np.inf
        chosen = np.zeros(on.size, dtype=bool)
        chosen[np.argsort(away, kind="stable")[:many]] = True
        return self._of_zones(target, chosen & on)

    def _of_zones(self, target: int, chosen: BoolArray) -> IntArray:
        """All cycles of the zones of the chosen ones and of the target."""
        zones = np.zeros(self.job.zones, dtype=bool)
        zones[self.job.cycle_zone[chosen]] = True
        zones[self.job.cycle_zone[target]] = True
        return np.flatnonzero(zones[self.job.cycle_zone])

    def _relaid(self, free: IntArray, effort: float) -> tuple[bool, float, float]:
        """Lay these cycles anew, kept where that costs less; whether it does, the least cost proven, time spent."""
        before, cost = self.start.copy(), self.cost
        for cycle in free[self.start[free] != NOWHERE].tolist():
            self._off(cycle)
        others = self.cost - int(self.costs.left_out[free].sum())
        known = tuple((np.flatnonzero(self.on_row[row]), least) for row, least in self.least_on.items() if least > 0)
        found = relay(self.job, self.board, self.length, before, free, self.costs, effort, known=known)
        for cycle, start in found.start.items():
            if start != NOWHERE:
                self._put(cycle, start)
        better = bool(found.start) and self.cost < cost and self.board.holds_ramps()
        if not better:
            self._take(before)
        return better, others + found.least, found.spent + self.building * free.size

    def settle(self) -> None:
        """Move each cycle in turn to where it ends nearest to the close without costing more, the first ranks first."""
        rank = np.zeros(self.job.zones) if self.job.finish_rank is None else self.job.finish_rank
        placed = np.flatnonzero((self.start != NOWHERE) & ~((self.start == self.held) & (self.held != NOWHERE)))
        for cycle in placed[np.lexsort((-self.start[placed], rank[self.job.cycle_zone[placed]]))].tolist():
            start = int(self.start[cycle])
            if self._off(cycle):
                self._put_best(cycle)
            if self.start[cycle] == NOWHERE:
                self._put(cycle, start)
