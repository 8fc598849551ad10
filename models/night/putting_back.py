"""Part of a night taken off and put back in another order: many quick rounds, each kept where it costs no more.

A round draws a cycle that misses something, takes off those that run around one moment on its limits, gives it the
first choice and puts the others back, the largest first by and large. What comes out worse than the best so far by
more than a little is taken back. It finds in a fifth of a second about what a constraint program (relay.py) finds in a
second, and less than that in the end.

Source: ruin and recreate, Schrimpf, Schneider, Stamm-Wilbrandt and Dueck (2000), Journal of Computational Physics 159,
139-171, with the threshold of its record-to-record form. Mark: memory.
"""

from dataclasses import dataclass, field

import numpy as np

from models.night.board import Board, Standing
from models.night.job import BoolArray, FloatArray, IntArray
from models.night.relay import NOWHERE, Costs

SEED = 11
FEWEST, MOST = 20, 60  # [-] cycles taken off in a round
SLACK = 0.05  # [-] of the best cost so far that a kept round may cost more
IDLE_ROUNDS = 120  # [-] without anything better, after which the search ends
AROUND = 0.5  # [-] of a cycle's length by which the moment is blurred
MISSING_LAST = 0.75  # [-] share of rounds in which what missed a place before, but the one drawn, comes last
NEAR, FITTING = 0.3, 0.3  # [-] share placed near the moment (the one drawn); where others leave the least room


@dataclass
class PuttingBack:
    """The search on a board of whole cycles, K of them.

    Parameters
    ----------
    board : Board
    zone, length, start : ndarray of int, shape (K,)   Of each cycle; `start` is changed in place [grid steps].
    costs : Costs
    on_row : ndarray of bool, shape (limits, K)        Which cycles use a limit.
    use : ndarray, shape (K,)                          How much of the night's tightest limit a cycle takes [-].
    """

    board: Board
    zone: IntArray
    length: IntArray
    start: IntArray
    costs: Costs
    on_row: BoolArray
    use: FloatArray
    random: np.random.Generator = field(default_factory=lambda: np.random.default_rng(SEED))

    def __post_init__(self) -> None:
        """Know the limits of each zone."""
        self.rows = [np.array([row for row, _ in uses], dtype=np.int64) for uses in self.board.uses]
        self.sharing: dict[int, BoolArray] = {}

    def run(self, rounds: int) -> None:
        """Go through so many rounds, or until nothing is missing or nothing better is found for long."""
        cost = self.costs.of(self.start, self.length)
        now = best = int(cost.sum())
        kept, idle = self._standing(), 0
        while best and rounds > 0 and idle < IDLE_ROUNDS:
            before = self._standing()
            most = max(now, best * (1.0 + SLACK))
            holds = self._round(self._drawn(cost), cost, most)
            rounds, idle = rounds - 1, idle + 1
            if holds is None:
                self._take(before)
                continue
            found = self.costs.of(self.start, self.length)
            total = int(found.sum())
            if total > most or not (holds or self.board.holds_ramps()):
                self._take(before)
                continue
            cost, now = found, total
            if total < best:
                best, kept, idle = total, self._standing(), 0
        if now > best:
            self._take(kept)

    def _standing(self) -> tuple[IntArray, Standing]:
        return self.start.copy(), self.board.standing_now()

    def _take(self, standing: tuple[IntArray, Standing]) -> None:
        self.start[:] = standing[0]
        self.board.stand_again(standing[1])

    def _drawn(self, cost: IntArray) -> int:
        """A cycle that misses something, more likely a dear one."""
        missing = cost.nonzero()[0]
        weight = np.cumsum(np.sqrt(cost[missing]))
        return int(missing[np.searchsorted(weight, self.random.random() * weight[-1])])

    def _round(self, target: int, cost: IntArray, most: float) -> bool | None:
        """Take off, put back; whether the ramp held all the while, or None once what is left out costs over `most`."""
        random, start, length = self.random, self.start, self.length
        placed = start[target] != NOWHERE
        moment = random.uniform(0, self.board.steps)
        if placed and random.random() < 0.5:
            moment = start[target] + length[target] / 2
        off = self._around(target, moment)
        off += [target] if placed else []
        holds = True
        for cycle in off:
            begin = int(start[cycle])
            start[cycle] = NOWHERE
            holds &= self.board.remove(int(self.zone[cycle]), begin, begin + int(length[cycle]))
        latest = random.random() < 0.5
        order = self._order(target, off, cost)
        known = int(cost.sum() - cost[order].sum())
        for cycle, draw in zip(order, random.random(len(order)).tolist(), strict=True):
            zone, steps = int(self.zone[cycle]), int(length[cycle])
            starts = self.board.starts(zone, steps)
            if not starts.size:
                known += int(self.costs.left_out[cycle])
                if known > most:
                    return None
                continue
            if self.costs.late[cycle]:
                dear = self.costs.at(cycle, starts, steps)
                starts = starts[dear == dear.min()]
            if cycle == target and draw < NEAR:
                begin = int(starts[np.abs(starts + steps / 2 - moment).argmin()])
            elif draw < FITTING and self.rows[zone].size:
                begin = self._where_tight(zone, steps, starts)
            else:
                begin = int(starts[-1] if latest else starts[0])
            self.board.place(zone, begin, steps)
            start[cycle] = begin
        return holds

    def _around(self, target: int, moment: float) -> list[int]:
        """Cycles on the limits of the target that run nearest to a moment."""
        start, length, random = self.start, self.length, self.random
        many = int(random.integers(FEWEST, MOST + 1))
        away = np.maximum(np.maximum(start - moment, moment - start - length), 0.0)
        away += random.uniform(0.0, AROUND * length[target] + 1.0, away.size)
        away[~self._on_limits_of(int(self.zone[target])) | (start == NOWHERE)] = np.inf
        away[target] = np.inf
        near = np.argpartition(away, many)[:many] if many < away.size else np.arange(away.size)
        chosen: list[int] = near[np.isfinite(away[near])].tolist()
        return chosen

    def _on_limits_of(self, zone: int) -> BoolArray:
        if zone not in self.sharing:
            rows = self.rows[zone]
            every = np.ones(self.zone.size, dtype=bool)
            self.sharing[zone] = np.asarray(self.on_row[rows].any(axis=0)) if rows.size else every
        return self.sharing[zone]

    def _order(self, target: int, off: list[int], cost: IntArray) -> list[int]:
        """The target first, then the others with what else has no place: the largest, the longest, or by chance."""
        again = (self.start == NOWHERE) & (cost > 0)
        again[off] = True
        again[target] = False
        others = again.nonzero()[0]
        kind = int(self.random.integers(4))
        if kind == 0:
            key = -self.use[others]
        elif kind == 1:
            key = -self.length[others].astype(np.float64)
        elif kind == 2:
            key = self.random.random(others.size)
        else:
            key = -self.use[others] * self.random.uniform(0.5, 1.5, others.size)
        last = (cost[others] > 0) & (self.random.random() < MISSING_LAST)
        order: list[int] = others[np.lexsort((key, last))].tolist()
        return [target, *order]

    def _where_tight(self, zone: int, steps: int, starts: IntArray) -> int:
        """The latest start at which the zone's first limit has the least left."""
        left = np.zeros(self.board.steps + 1, dtype=np.int64)
        self.board.free[self.rows[zone][0], : self.board.steps].cumsum(out=left[1:])
        through = left[starts + steps] - left[starts]
        return int(starts[starts.size - 1 - int(through[::-1].argmin())])
