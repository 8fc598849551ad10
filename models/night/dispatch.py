"""A second way to fill a night: moment by moment from the close backwards, with the cycles that use up what is left.

Placing cycle by cycle (packing.py) leaves slivers of capacity that no zone fits. Here the clock runs backwards from
the close; at each moment the zones that could end now are weighed by four things and the best is taken until none fits:

    urgency   the time its own cycles and soaks, its branch or its controller still need, over the time that is left
    fit       the share of what its pump has left that it would use
    branch    the same for its branch
    rank      zones that should finish last come first
"""

from dataclasses import dataclass

import numpy as np

from models.night.board import Board
from models.night.job import BoolArray, FloatArray, IntArray, NightJob


@dataclass(frozen=True)
class Taste:
    """Weights [-] of urgency, fit at the pump, fit at the branch and the wish to finish last; `patience` is a power."""

    urgency: float
    fit: float
    branch: float
    patience: float
    rank: float = 0.0


NO_LIMIT = np.iinfo(np.int64).max // 4  # [1e-6 L/s]
KEEP_RUNNING = 0.15  # [-] score of going on with a run that was cut in parts
AT_ONCE = 96  # [-] zones weighed anew after each choice

TASTES = (
    Taste(1.0, 1.0, 0.0, 1.0, rank=2.0),
    Taste(1.0, 1.0, 0.0, 1.0, rank=0.3),
    Taste(1.0, 1.0, 0.0, 1.0),
    Taste(1.0, 0.3, 0.0, 2.0),
    Taste(0.3, 1.0, 0.3, 1.0),
    Taste(1.0, 0.0, 0.0, 1.0),
    Taste(1.0, 1.0, 0.5, 4.0),
    Taste(2.0, 1.0, 1.0, 8.0),
    Taste(1.0, 3.0, 0.0, 3.0),
)


class Dispatcher:
    """Fills a board backwards in time. `left` (K,) holds the steps of each cycle that found no place."""

    def __init__(self, job: NightJob, board: Board) -> None:
        self.job, self.board = job, board
        self.lengths = job.to_grid(job.cycle_minutes)
        self.left = self.lengths.copy()
        order = np.argsort(job.cycle_zone, kind="stable")
        self.cycles_of_zone: list[list[int]] = [[] for _ in range(job.zones)]
        for cycle in order.tolist():
            self.cycles_of_zone[job.cycle_zone[cycle]].append(cycle)  # taken from the end
        self.standing = job.standing is not None
        self.column = np.full(board.free.shape[0] + 1, NO_LIMIT)  # what each limit has left, and a row without end
        self._lay_zones()
        self.open_before = _open_before(board)

    def _lay_zones(self) -> None:
        job, board = self.job, self.board
        pumps, branches = job.pump_capacity.size, job.branch_capacity.size
        spare = board.free.shape[0]  # a row without end, for zones without a limit of that kind
        self.limit_rows = np.stack(
            [
                np.where(job.pump >= 0, job.pump, spare),
                np.where(job.branch >= 0, pumps + job.branch, spare),
                np.where(job.controller >= 0, pumps + branches + job.controller, spare),
            ]
        )
        self.amount = np.stack([board.need, board.need, np.ones(job.zones, dtype=np.int64)])
        count = np.bincount(job.cycle_zone, minlength=job.zones)
        asked = np.bincount(job.cycle_zone, weights=self.lengths, minlength=job.zones)
        self.chain = asked + np.maximum(count - 1, 0) * board.soak
        capacity = np.concatenate([board.capacity, [NO_LIMIT]]).astype(np.float64)
        self.capacity = np.maximum(capacity, 1.0)
        self.row_work = np.zeros(spare + 1)
        for kind in range(3):
            np.add.at(self.row_work, self.limit_rows[kind], self.amount[kind] * asked)
        self.mask = np.array(board.mask_of_zone, dtype=np.int64)
        self.start_every = np.array(board.start_every, dtype=np.int64)
        self.start_every_max = int(self.start_every.max(initial=1))
        self.any_ramp = bool(board.ramped.any())
        self.pump_row = np.maximum(job.pump, 0)
        self.room = np.full(job.zones, NO_LIMIT)
        if self.any_ramp:
            on = (job.pump >= 0) & board.ramped[self.pump_row]
            self.room = np.where(on, np.maximum(board.ramp[self.pump_row] - board.need, 0), NO_LIMIT)
        rank = np.zeros(job.zones, dtype=np.int64) if job.finish_rank is None else job.finish_rank
        self.lateness = 1.0 - np.unique(rank, return_inverse=True)[1].ravel() / max(np.unique(rank).size - 1, 1)
        self.started = np.zeros(job.zones, dtype=bool)
        self.ready = np.full(job.zones, board.steps, dtype=np.int64)
        self.next_length = np.array([self.lengths[c[-1]] if c else 0 for c in self.cycles_of_zone], dtype=np.int64)

    def stand(self, starts: dict[int, int]) -> None:
        """Put some cycles where they are to stand before the others are placed; the rest of their zones stays out."""
        for zone in np.unique(self.job.cycle_zone[list(starts)]).tolist() if starts else []:
            self.cycles_of_zone[zone] = []
            self.next_length[zone] = 0
        self.standing |= bool(starts)
        for cycle, start in starts.items():
            zone, length = int(self.job.cycle_zone[cycle]), int(self.lengths[cycle])
            if start in self.board.starts(zone, length):
                self.board.place(zone, start, length)
                self.left[cycle] = 0
                self.row_work[self.limit_rows[:, zone]] -= self.amount[:, zone] * length

    def run(self, taste: Taste) -> IntArray:
        """Fill the board; returns the steps of each cycle that found no place, shape (K,)."""
        board = self.board
        shut_all: BoolArray = np.logical_and.reduce(board.shut, axis=0)
        for end in range(board.steps, 0, -1):
            if shut_all[end - 1]:
                continue
            waiting = ((self.next_length > 0) & (self.ready >= end)).nonzero()[0]
            if waiting.size:
                self._fill_moment(waiting, end, taste)
        return self.left

    def _fill_moment(self, waiting: IntArray, end: int, taste: Taste) -> None:
        """End as many cycles here as fit. With many zones waiting only the best are weighed anew after each choice."""
        column = self.column
        column[:-1] = self.board.free[:, end - 1]
        waiting = self._fitting(waiting, end, column)
        while waiting.size:
            score = self._score(waiting, end, column, taste)
            few = waiting
            if waiting.size > AT_ONCE:
                few = waiting[np.argpartition(-score, AT_ONCE)[:AT_ONCE]]
                score = self._score(few, end, column, taste)
            placed = np.zeros(self.job.zones, dtype=bool)
            while few.size:
                chosen = int(few[score.argmax()])
                self._place(chosen, end)
                column[self.limit_rows[:, chosen]] -= self.amount[:, chosen]
                placed[chosen] = True
                few = self._fitting(few[few != chosen], end, column)
                score = self._score(few, end, column, taste)
            waiting = self._fitting(waiting[~placed[waiting]], end, column) if waiting.size > AT_ONCE else few

    def _fitting(self, zones: IntArray, end: int, column: IntArray) -> IntArray:
        board = self.board
        start = end - self.next_length.take(zones)
        fits = (column.take(self.limit_rows.take(zones, axis=1)) >= self.amount.take(zones, axis=1)).all(axis=0)
        fits &= self.open_before[:, end].take(self.mask.take(zones)) >= end - start
        if self.start_every_max > 1:
            fits &= (start + board.first) % self.start_every.take(zones) == 0
        zones, start = zones[fits], start[fits]
        if zones.size and self.any_ramp:
            room, row = self.room.take(zones), self.pump_row.take(zones)
            kept = (board.rise[row, start] <= room) & (board.fall[:, end].take(row) >= -room)
            zones, start = zones[kept], start[kept]
        if self.standing:  # what stands already may lie anywhere before this moment
            free = [self._is_free(z, s, end) for z, s in zip(zones.tolist(), start.tolist(), strict=True)]
            zones = zones[np.array(free, dtype=bool)]
        return zones

    def _is_free(self, zone: int, start: int, end: int) -> bool:
        """Whether all limits of a zone have room for it through a span."""
        return all(np.minimum.reduce(lane[start:end]) >= amount for lane, amount in self.board.lanes[zone])

    def _score(self, zones: IntArray, end: int, column: IntArray, taste: Taste) -> FloatArray:
        urgency = self.chain.take(zones) / end
        for kind in (1, 2):
            rows = self.limit_rows[kind].take(zones)
            urgency = np.maximum(urgency, self.row_work.take(rows) / (self.capacity.take(rows) * end))
        need, pump = self.board.need.take(zones), self.limit_rows[0].take(zones)
        score = taste.urgency * urgency**taste.patience + taste.fit * need / np.maximum(column.take(pump), 1)
        if taste.branch:
            score += taste.branch * need / np.maximum(column.take(self.limit_rows[1].take(zones)), 1)
        if taste.rank:
            score += taste.rank * self.lateness.take(zones)
        going_on = (self.ready.take(zones) == end) & self.started.take(zones)
        return np.asarray(score + KEEP_RUNNING * going_on)

    def _place(self, zone: int, end: int) -> None:
        cycle = self.cycles_of_zone[zone].pop()
        length = int(self.lengths[cycle])
        self.board.place(zone, end - length, length)
        self.left[cycle] = 0
        self.row_work[self.limit_rows[:, zone]] -= self.amount[:, zone] * length
        soak = int(self.board.soak[zone])
        self.chain[zone] -= length + soak
        self.started[zone] = True
        self.ready[zone] = end - length - soak
        rest = self.cycles_of_zone[zone]
        self.next_length[zone] = self.lengths[rest[-1]] if rest else 0


def _open_before(board: Board) -> IntArray:
    """Open steps in a row that end at each boundary, per mask, shape (masks, T + 1)."""
    position = np.arange(board.shut.shape[1] + 1)
    last_shut = np.zeros((board.shut.shape[0], position.size), dtype=np.int64)
    np.maximum.accumulate(np.where(board.shut, position[1:], 0), axis=1, out=last_shut[:, 1:])
    return np.asarray(position - last_shut)
