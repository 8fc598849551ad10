"""Keeping a pump above its smallest flow: runs that leave it too little to deliver are put beside others.

A pump that delivers less than its smallest flow starts and stops, heats up or surges. Filling a night looks for room,
not for company, so small zones may run alone at its early end. Here one run at a time is taken off the board and put
where the pump has the fewest steps below its smallest flow: a small run beside a large one, a large one beside small
ones, small ones together. Where no single move helps, a few runs are taken off and put back at once, and what leaves
no more such steps is kept. Every limit holds as the board sees to it; no run moves into dearer hours, past the time it
should be done by, or off the night. The draws are seeded, so the same night gives the same timetable.
"""

from dataclasses import dataclass

import numpy as np

from models.night.board import Board
from models.night.bounds import whole_flow
from models.night.job import NANO, FloatArray, IntArray, NightJob

MOVES = 2500  # [-] runs taken off and weighed before it ends; about half a second
IDLE = 60  # [-] rounds in a row without fewer steps below the smallest flow, after which it ends
LOOKED_AT = 500  # [-] zones of a pump up to which the unavoidable is worked out
SEED = 7  # of the draws
FIRST = 0.5  # [-] share of rounds in which the run that is too little goes back first
MOST_TAKEN = 5  # [-] runs taken off in one round


@dataclass(frozen=True)
class _Run:
    """A run on the board: zone, start and end in grid steps."""

    zone: int
    start: int
    end: int


class Steadier:
    """Moves the runs of a filled board; `run` does it for every pump with a smallest flow."""

    def __init__(self, job: NightJob, board: Board) -> None:
        self.job, self.board = job, board
        self.left = MOVES
        self.random = np.random.default_rng(SEED)
        price = np.zeros(job.blocks.shape[0]) if job.block_price is None else job.block_price
        per_step = np.zeros(max(board.steps, 1))
        opens, closes = job.to_grid(job.blocks[:, 0], "down"), job.to_grid(job.blocks[:, 1], "up")
        for opening, closing, each in zip(opens, closes, price, strict=True):
            per_step[max(opening - board.first, 0) : max(closing - board.first, 0)] = each
        self.cost: FloatArray = np.concatenate([[0.0], np.cumsum(per_step)])
        done = np.full(job.zones, np.inf) if job.finish_by is None else job.finish_by
        done = np.where(np.isnan(done), np.inf, done) / job.grid_min - board.first
        self.done: IntArray = np.floor(np.minimum(done, board.steps) + 1e-9).astype(np.int64)

    def run(self) -> FloatArray:
        """Move runs as long as it leaves a pump fewer steps below its smallest flow.

        Returns
        -------
        ndarray, shape (P,)   Minutes below it that no timetable avoids, as far as that is proven [min].
        """
        unavoidable = np.zeros(self.job.pump_capacity.size)
        for pump in np.flatnonzero(self.job.pump_smallest > 0).tolist():
            self.pump = pump
            self.smallest = int(whole_flow(self.job.pump_smallest[pump : pump + 1])[0])
            self.zones = np.flatnonzero((self.job.pump == pump) & (self.board.need > 0)).tolist()
            self._join()
            self.least = self._unavoidable()
            unavoidable[pump] = self.least * self.job.grid_min
            while self._standing()[0] > self.least and self._one_by_one():
                pass
            self._several()
        return unavoidable

    def _join(self) -> None:
        """Make parts of a run that meet one again, so that they move together."""
        cycles = np.bincount(self.job.cycle_zone, minlength=self.job.zones)
        for zone in self.zones:
            parts = sorted(self.board.placed[zone])
            if self.board.soak[zone] or cycles[zone] > 1 or len(parts) < 2:
                continue
            joined = parts[:1]
            for start, end in parts[1:]:
                if start == joined[-1][1]:
                    joined[-1] = (joined[-1][0], end)
                else:
                    joined.append((start, end))
            if len(joined) < len(parts):
                self._put_back(zone, joined)

    def _put_back(self, zone: int, parts: list[tuple[int, int]]) -> None:
        """Let a zone run in these parts instead of its own."""
        for start, end in list(self.board.placed[zone]):
            self.board.remove(zone, start, end)
        for start, end in parts:
            self.board.place(zone, start, end - start)

    def _unavoidable(self) -> float:
        """Steps below the smallest flow S that no timetable avoids; 0 where too many zones run to look.

        The most, over the zones z, of T_z - sum over o of min(q_o, S - q_z) min(T_o, T_z) / (S - q_z), with the steps T
        and flows q of the others o that may run beside z at all: while z runs, what is missing from the smallest flow
        can only come from them.
        """
        job, board, small = self.job, self.board, self.smallest
        zones = np.array([z for z in self.zones if board.placed[z]], dtype=np.int64)
        if not self._standing()[0] or zones.size > LOOKED_AT or board.standing:  # what stands may help as well
            return 0.0
        ran = np.array([sum(e - s for s, e in board.placed[z]) for z in zones.tolist()], dtype=np.float64)
        need = board.need[zones].astype(np.float64)
        capacity = job.pump_capacity[self.pump] * NANO
        apart = np.add.outer(need, need) > capacity + 1
        for index, most, amount in (
            (job.branch[zones], job.branch_capacity * NANO, need),
            (job.controller[zones], job.stations_at_once, np.ones(zones.size)),
        ):
            same = (index[:, None] == index) & (index[:, None] >= 0)
            room = np.where(index >= 0, most[index] if most.size else np.inf, np.inf)
            apart |= same & (np.add.outer(amount, amount) > room * (1 + 1e-9) + 1e-6)
        np.fill_diagonal(apart, True)
        missing = np.maximum(small - need, 0.0)[:, None]
        help_of = np.where(apart, 0.0, np.minimum(need, missing) * np.minimum.outer(ran, ran))
        lacking = np.where(missing[:, 0] > 0, ran - help_of.sum(axis=1) / np.maximum(missing[:, 0], 1.0), 0.0)
        return max(float(lacking.max(initial=0.0)), 0.0)

    def _one_by_one(self) -> bool:
        """Weigh every run of the pump once, those that run too little first, early ones first; True if one moved."""
        low = np.concatenate([[0], np.cumsum(self._low())])
        runs = self._runs()
        runs.sort(key=lambda r: (low[r.start] == low[r.end], r.start, -int(self.board.need[r.zone])))
        moved = False
        for run in runs:
            if self.left <= 0:
                break
            moved |= self._moved(run)
        return moved

    def _moved(self, run: _Run) -> bool:
        """Put one run where the pump stands best; False where it stays."""
        before = self._standing()
        if self.board.remove(run.zone, run.start, run.end):
            start, standing = self._best_start(run)
            if start is not None and standing < before:
                self.board.place(run.zone, start, run.end - run.start)
                return True
        self.board.place(run.zone, run.start, run.end - run.start)
        return False

    def _several(self) -> None:
        """Take a few runs off at once, one of them a run that is too little, and put them back better."""
        standing, idle = self._standing(), 0
        fewest, kept = standing[0], {z: list(self.board.placed[z]) for z in self.zones}
        while self.left > 0 and idle < IDLE and standing[0] > self.least:
            idle += 1
            new = self._round(standing)
            if new is not None:
                standing = new
                if standing[0] < fewest:
                    idle, fewest, kept = 0, standing[0], {z: list(self.board.placed[z]) for z in self.zones}
        for zone, parts in kept.items():  # what moved since without fewer such steps goes back
            if parts != self.board.placed[zone]:
                self._put_back(zone, parts)

    def _round(self, standing: tuple[int, float]) -> tuple[int, float] | None:
        """One such round; None where everything stands as it did."""
        low, runs = self._low(), self._runs()
        few = [r for r in runs if low[r.start : r.end].any()]
        if not few:  # only what stands already runs then
            return None
        first = few[int(self.random.integers(len(few)))]
        others = [r for r in runs if r is not first]
        many = min(int(self.random.integers(1, MOST_TAKEN)), len(others))
        chosen = [first, *(others[i] for i in self.random.permutation(len(others))[:many].tolist())]
        put: list[tuple[int, int, int]] = []
        whole = True
        for taken, run in enumerate(chosen, start=1):
            if not self.board.remove(run.zone, run.start, run.end):
                chosen, whole = chosen[:taken], False
                break
        if whole:
            size = np.array([float(self.board.need[r.zone]) * (r.end - r.start) for r in chosen])
            size *= self.random.uniform(0.5, 1.5, size.size)
            if self.random.random() < FIRST:
                size[0] = np.inf
            for i in np.argsort(-size).tolist():
                start, _ = self._best_start(chosen[i])
                if start is None:
                    whole = False
                    break
                length = chosen[i].end - chosen[i].start
                self.board.place(chosen[i].zone, start, length)
                put.append((chosen[i].zone, start, start + length))
        new = self._standing()
        if whole and new <= standing:
            return new
        for zone, start, end in reversed(put):
            self.board.remove(zone, start, end)
        for run in chosen:
            self.board.place(run.zone, run.start, run.end - run.start)
        return None

    def _best_start(self, run: _Run) -> tuple[int | None, tuple[int, float]]:
        """Start at which the pump would stand best, and how; the latest of equals. The run is off the board."""
        self.left -= 1
        board, length = self.board, run.end - run.start
        starts = board.starts(run.zone, length)
        cost = self.cost[starts + length] - self.cost[starts]
        latest = max(int(self.done[run.zone]), run.end)
        starts = starts[(cost <= self.cost[run.end] - self.cost[run.start] + 1e-9) & (starts + length <= latest)]
        if not starts.size:
            return None, (0, 0.0)
        flow = self._flow()
        then = flow + int(board.need[run.zone])
        low, low_then = (flow > 0) & (flow < self.smallest), then < self.smallest
        share = np.where(low, flow / self.smallest, 0.0) ** 2
        share_then = np.where(low_then, then / self.smallest, 0.0) ** 2
        more = np.concatenate([[0], np.cumsum(low_then.astype(np.int64) - low)])
        denser = np.concatenate([[0.0], np.cumsum(share_then - share)])
        steps = int(low.sum()) + more[starts + length] - more[starts]
        dense = np.round(float(share.sum()) + denser[starts + length] - denser[starts], 6)
        best = int(np.lexsort((-starts, -dense, steps))[0])
        return int(starts[best]), (int(steps[best]), -float(dense[best]))

    def _standing(self) -> tuple[int, float]:
        """Steps below the smallest flow, and how much runs in them together (squared shares of it), less is better."""
        flow = self._flow()
        low = (flow > 0) & (flow < self.smallest)
        return int(low.sum()), -float(np.round(((flow[low] / self.smallest) ** 2).sum(), 6))

    def _low(self) -> IntArray:
        """1 in each grid step below the smallest flow, 0 elsewhere, shape (T,)."""
        flow = self._flow()
        return ((flow > 0) & (flow < self.smallest)).astype(np.int64)

    def _flow(self) -> IntArray:
        edge = self.board.minute
        return self.board.flow[self.pump, edge : edge + self.board.steps]

    def _runs(self) -> list[_Run]:
        return [_Run(zone, start, end) for zone in self.zones for start, end in self.board.placed[zone]]
