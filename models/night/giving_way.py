"""Who gives way: what finds no place is of the zones served last, never of one that a lower rank stands in the way of.

A night is filled by what fits, so a run may find no place while zones that could wait have theirs. Here the ranks are
gone through from the first: what a rank has left over goes where nothing stands, then where only later ranks stand;
these are taken off, and look for another place when their own rank has its turn. A rank is never touched again after
its turn, so it ends, and no rank loses a minute to a later one.
"""

import numpy as np

from models.night.board import Board
from models.night.job import BoolArray, FloatArray, IntArray, NightJob
from models.night.parts import longest_run, part_lengths, place_in_parts
from models.night.repair import Item

TRIED = 8  # [-] starts tried for one run: where a ramp forbids the cheapest, another may do


class GivingWay:
    """The order of the ranks on a filled board.

    Parameters
    ----------
    job : NightJob            With a `finish_rank`.
    board : Board             Filled; it is changed.
    left : list of Item       What found no place, cycle by cycle.
    """

    def __init__(self, job: NightJob, board: Board, left: list[Item]) -> None:
        assert job.finish_rank is not None
        self.job, self.board, self.rank = job, board, job.finish_rank
        self.left: list[list[int]] = [[] for _ in range(job.zones)]
        for item in left:
            self.left[item.zone].append(item.length)
        self.lengths: list[list[int]] = [[] for _ in range(job.zones)]
        for zone, length in zip(job.cycle_zone.tolist(), job.to_grid(job.cycle_minutes).tolist(), strict=True):
            self.lengths[zone].append(length)
        self.draws = np.full((job.zones, 3), -1)
        for zone, uses in enumerate(board.uses):
            self.draws[zone, : len(uses)] = [row for row, _ in uses]
        self.done: list[tuple[int, int, int, int]] = []  # to be undone: zone, start, end, and which of `runs` or -1, -2

    def run(self) -> list[Item]:
        """Go through the ranks; returns what is left, which no later rank on its limits could make room for."""
        for rank in np.unique(self.rank).tolist():
            short = [z for z in np.flatnonzero(self.rank == rank).tolist() if self.left[z]]
            if short:
                self._look_at_later(rank)
                for zone in sorted(short, key=lambda z: -sum(self.left[z])):
                    self._serve(zone)
        return [Item(zone, length) for zone, lengths in enumerate(self.left) for length in lengths]

    def _look_at_later(self, rank: int) -> None:
        """All runs of later ranks, and what they use of each limit."""
        board = self.board
        rows = [(z, s, e) for z in np.flatnonzero(self.rank > rank).tolist() for s, e in board.placed[z]]
        self.runs = np.array(rows, dtype=np.int64).reshape(-1, 3)
        self.standing: BoolArray = np.ones(len(rows), dtype=bool)
        change = np.zeros((board.free.shape[0], board.free.shape[1] + 1), dtype=np.int64)
        for zone, start, end in rows:
            for row, amount in board.uses[zone]:
                change[row, start] += amount
                change[row, end] -= amount
        self.spare = np.cumsum(change, axis=1)[:, :-1]

    def _serve(self, zone: int) -> None:
        """Find places for what a zone has left over: beside its other runs, or else for all its runs anew."""
        if len(self.lengths[zone]) == 1:
            self.left[zone] = [sum(self.left[zone])]
        self.left[zone] = [rest for n in self.left[zone] if (rest := place_in_parts(self.board, zone, n))]
        self.done.clear()
        self.left[zone] = [rest for n in self.left[zone] if (rest := self._squeeze(zone, n))]
        before = sum(self.left[zone])
        if not before or not self.board.placed[zone]:
            return
        for only_free in (True, False):
            self.done.clear()
            left = self._anew(zone, only_free)
            if left is not None and sum(left) < before:
                self.left[zone] = left
                return
            self._undo()

    def _anew(self, zone: int, only_free: bool) -> list[int] | None:
        """Take all runs of a zone off and place them from the last to the first, each as late as it can."""
        for start, end in list(self.board.placed[zone]):
            self.done.append((zone, start, end, -2))
            if not self.board.remove(zone, start, end):
                return None
        return [
            rest
            for length in reversed(self.lengths[zone])
            if (rest := self._squeeze(zone, length, latest=True, only_free=only_free))
        ]

    def _squeeze(self, zone: int, length: int, latest: bool = False, only_free: bool = False) -> int:
        """Place a cycle of `length` grid steps, whole or in parts, where only later ranks stand; the steps left."""
        board = self.board
        while length > 0:
            bad = board.marked(zone, None if only_free else self.spare)
            part, longest = 0, longest_run(bad)
            step, least = int(board.resolution[zone]), int(board.least[zone])
            most = min(length, longest) // step * step  # tried last: what it leaves may be too short to run, and lost
            for wanted in [*part_lengths(length, longest, step, least), *([most] if most >= least else [])]:
                starts = board.starts(zone, wanted, bad, ramp=False)
                if starts.size and self._placed(zone, wanted, starts, latest):
                    part = wanted
                    break
            if not part:
                return length
            length -= part
        return 0

    def _placed(self, zone: int, length: int, starts: IntArray, latest: bool) -> bool:
        """Whether the zone could be placed at one of the starts: the latest, or those that take least from others."""
        order = starts[::-1] if latest else starts[np.lexsort((-starts, self._missing(zone, length, starts)))]
        tried: list[int] = []
        for start in order.tolist():
            if any(abs(start - other) <= self.board.minute for other in tried):
                continue
            if self._clear(zone, start, start + length):
                return True
            tried.append(start)
            if len(tried) == TRIED:
                return False
        return False

    def _missing(self, zone: int, length: int, starts: IntArray) -> FloatArray:
        """What its limits lack while the zone would run from each start, in shares of them."""
        board = self.board
        lack = np.zeros(board.steps)
        for row, amount in board.uses[zone]:
            lack += np.maximum(amount - board.free[row, : board.steps], 0) / max(int(board.capacity[row]), 1)
        running = np.concatenate([[0.0], np.cumsum(lack)])
        return np.asarray(np.round(running[starts + length] - running[starts], 9))

    def _clear(self, zone: int, start: int, end: int) -> bool:
        """Take off later ranks until the zone can run, and place it; False, and all as before, where it cannot."""
        board, mark = self.board, len(self.done)
        for row, amount in board.uses[zone]:
            while (short := np.flatnonzero(board.free[row, start:end] < amount)).size:
                if not self._take_off(row, start + int(short[-1])):
                    self._undo(mark)
                    return False
        if not board.keeps_ramp(zone, start, end):
            self._undo(mark)
            return False
        board.place(zone, start, end - start)
        self.done.append((zone, start, end, -1))
        return True

    def _take_off(self, row: int, moment: int) -> bool:
        """Take off a run of the last rank that uses a limit at a moment, the longest of equals."""
        zone, start, end = self.runs.T
        on = self.standing & (start <= moment) & (moment < end)
        here = np.flatnonzero(on & (self.draws[zone] == row).any(axis=1))
        if not here.size:
            return False
        which = int(here[np.lexsort((start[here] - end[here], -self.rank[zone[here]]))[0]])
        self.standing[which] = False
        taken, begin, stop = self.runs[which].tolist()
        self.left[taken].append(stop - begin)
        self._lend(taken, begin, stop, -1)
        self.done.append((taken, begin, stop, which))
        return self.board.remove(taken, begin, stop)

    def _lend(self, zone: int, start: int, end: int, sign: int) -> None:
        for row, amount in self.board.uses[zone]:
            self.spare[row, start:end] += sign * amount

    def _undo(self, mark: int = 0) -> None:
        """Bring the board back to what it was when `done` held `mark` entries."""
        while len(self.done) > mark:
            zone, start, end, which = self.done.pop()
            if which == -1:
                self.board.remove(zone, start, end)
                continue
            self.board.place(zone, start, end - start)
            if which >= 0:
                self.standing[which] = True
                self.left[zone].remove(end - start)
                self._lend(zone, start, end, 1)
