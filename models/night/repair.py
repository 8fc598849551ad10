"""Making room on a full board: part of the night is cleared and filled again, and kept where less is left out.

Filling a night in one go leaves gaps that no run fits, while other runs find no place. Here a stretch of the night is
cleared on the limits a left-over run needs, the left-over run goes in first, then what was cleared, each where it fits
latest or tightest, whole or in parts. What leaves no more out than before is kept, otherwise the board goes back.
Source: the method is large neighbourhood search, Shaw, Principles and Practice of Constraint Programming (1998)
417-431. Mark: memory. The draws are seeded, so the same night gives the same timetable.
"""

from dataclasses import dataclass

import numpy as np

from models.night.board import Board
from models.night.job import FloatArray, IntArray, NightJob
from models.night.parts import place_in_parts

SEED = 5  # of the draws
LEAST_CLEARED, MOST_CLEARED = 3, 14  # [-] runs cleared in one round
LATEST = 0.4  # [-] share of runs that go to the latest start, the others to the tightest
PER_PART = 0.5  # [-] of a grid step of its zone: what one more part of a run counts, so that runs stay whole
PER_LATE = 1.0  # [-] of a grid step of its zone: what one part that ends after its time counts
GRACE = 0.5  # [min] of a mean zone by which a round may leave out more and is kept, falling to 0
IDLE = 120  # [-] rounds in a row without a better board after which the search ends
SMALL_IDLE = 400  # [-] the same on a night of up to `SMALL` cycles: with few runs a better board is rarer
SMALL = 150  # [-]
TIDY = 0.25  # [-] of the effort for making whole runs of parts once everything has a place
PLACING = 4.0  # [-] cycles' worth of effort that clearing and placing one run takes


@dataclass
class Item:
    """A piece of a run on or off the board: zone and length in grid steps."""

    zone: int
    length: int


@dataclass
class _Round:
    """What one round did, to be taken back: pieces taken off and put on."""

    taken: list[tuple[int, int, int]]
    put: list[tuple[int, int, int]]


class Repair:
    """Local search on a filled board.

    Parameters
    ----------
    job : NightJob
    board : Board             Filled; it is changed.
    left : list of Item       What found no place.
    weight : ndarray (Z,)     What a grid step of each zone left out counts.
    """

    def __init__(self, job: NightJob, board: Board, left: list[Item], weight: FloatArray) -> None:
        self.job, self.board, self.left, self.weight = job, board, left, weight
        self.random = np.random.default_rng(SEED)
        cycles = np.bincount(job.cycle_zone, minlength=job.zones)
        self.whole = cycles <= 1  # runs of one cycle: parts may be put together again
        rows: dict[int, set[int]] = {}
        for zone, uses in enumerate(board.uses):
            for row, _ in uses:
                rows.setdefault(row, set()).add(zone)
        self.sharing = rows
        wished = np.full(job.zones, np.nan) if job.finish_by is None else job.finish_by
        done = np.where(np.isnan(wished), np.inf, wished) / job.grid_min - board.first
        self.done: list[int] = np.floor(np.minimum(done, board.steps) + 1e-6).astype(np.int64).tolist()
        self.timed = [z for z, step in enumerate(self.done) if step < board.steps]

    def run(self, effort: float, enough: float) -> list[Item]:
        """Search until the effort is spent or no more than `enough` weight is left; returns what is left."""
        spent = 0.0
        cost = self._cost(self.left)
        best = cost
        kept = self._picture()
        slack = GRACE * float(np.mean(self.weight))
        tidying = False
        idle, most_idle = 0, SMALL_IDLE if self.job.cycle_zone.size <= SMALL else IDLE
        while spent < effort and idle < most_idle and (not self.left or self._cost(self.left, parts=False) > enough):
            if not self.left and not tidying:
                tidying, effort = True, min(effort, spent + TIDY * effort)
            target = self._target()
            if target is None:
                break
            doing, left = self._round(target)
            idle += 1
            spent += PLACING * (len(doing.taken) + len(doing.put))
            if left is not None:
                new = self._cost(left)
                if new <= cost + (slack * (1.0 - spent / effort) if self.left else 0.0):
                    self.left, cost = left, new
                    if cost < best - 1e-12:
                        best, kept, idle = cost, self._picture(), 0
                    continue
            self._undo(doing)
        self._restore(kept)
        return self.left

    def _cost(self, left: list[Item], parts: bool = True) -> float:
        gone = sum(float(self.weight[i.zone]) * i.length for i in left)
        if not parts:
            return gone
        late = sum(float(self.weight[z]) * (e > self.done[z]) for z in self.timed for _, e in self.board.placed[z])
        return (
            gone
            + PER_LATE * late
            + PER_PART * sum(len(p) * float(w) for p, w in zip(self.board.placed, self.weight, strict=True))
        )

    def _picture(self) -> tuple[list[list[tuple[int, int]]], list[Item]]:
        return [list(p) for p in self.board.placed], list(self.left)

    def _restore(self, picture: tuple[list[list[tuple[int, int]]], list[Item]]) -> None:
        placed, self.left = picture
        for zone, (now, then) in enumerate(zip(self.board.placed, placed, strict=True)):
            if now != then:
                for start, end in list(now):
                    self.board.remove(zone, start, end)
                for start, end in then:
                    self.board.place(zone, start, end - start)

    def _undo(self, doing: _Round) -> None:
        for zone, start, end in reversed(doing.put):
            self.board.remove(zone, start, end)
        for zone, start, end in doing.taken:
            self.board.place(zone, start, end - start)

    def _target(self) -> Item | None:
        """A run that found no place or is late, or once there is none, a zone that runs in more parts than asked."""
        late = [Item(z, 1) for z in self.timed if any(e > self.done[z] for _, e in self.board.placed[z])]
        if self.left or late:
            return [*self.left, *late][int(self.random.integers(len(self.left) + len(late)))]
        cut = [z for z, p in enumerate(self.board.placed) if self.whole[z] and len(p) > 1]
        return Item(cut[int(self.random.integers(len(cut)))], 1) if cut else None

    def _round(self, target: Item) -> tuple[_Round, list[Item] | None]:
        """Clear and fill once; the second value is None where clearing alone would break a ramp."""
        board, random = self.board, self.random
        doing = _Round([], [])
        chosen = self._chosen(target)
        if not any(target is item for item in self.left):  # to make one run of its parts, all of them must be off
            chosen = list(dict.fromkeys([*((target.zone, s, e) for s, e in board.placed[target.zone]), *chosen]))
        for zone, start, end in chosen:
            doing.taken.append((zone, start, end))
            if not board.remove(zone, start, end):
                return doing, None
        items = self._merged([*self.left, *(Item(z, e - s) for z, s, e in doing.taken)])
        noise = random.uniform(0.6, 1.4, len(items))
        size = [float(self.weight[i.zone]) * i.length * n for i, n in zip(items, noise, strict=True)]
        order = sorted(range(len(items)), key=lambda k: (items[k].zone != target.zone, -size[k]))
        left: list[Item] = []
        for k in order:
            rest = self._insert(items[k], doing)
            if rest:
                left.append(Item(items[k].zone, rest))
        return doing, left

    def _chosen(self, target: Item) -> list[tuple[int, int, int]]:
        """Runs to clear: around one moment, of zones that share a limit with the target, or any of the night."""
        random, board = self.random, self.board
        zones = set().union(*(self.sharing[row] for row, _ in board.uses[target.zone])) | {target.zone}
        pieces = [(z, s, e) for z in zones for s, e in board.placed[z]]
        if not pieces:
            return []
        many = int(random.integers(LEAST_CLEARED, MOST_CLEARED + 1))
        middle = float(random.uniform(0, self.done[target.zone]))
        away = np.array([max(s - middle, middle - e, 0.0) for _, s, e in pieces])
        away += random.uniform(0.0, 0.5 * target.length + 5.0, away.size)
        return [pieces[k] for k in np.argsort(away)[:many].tolist()]

    def _merged(self, items: list[Item]) -> list[Item]:
        """Parts of a run of one cycle put together again."""
        whole: dict[int, int] = {}
        others: list[Item] = []
        for item in items:
            if self.whole[item.zone]:
                whole[item.zone] = whole.get(item.zone, 0) + item.length
            else:
                others.append(item)
        return [*(Item(z, n) for z, n in whole.items()), *others]

    def _insert(self, item: Item, doing: _Round) -> int:
        """Place an item whole or in parts; returns the steps left."""
        board, zone, length = self.board, item.zone, item.length
        if length < board.shortest[zone]:
            return length
        bad = board.marked(zone)
        starts = board.starts(zone, length, bad)
        in_time = int(np.searchsorted(starts, self.done[zone] - length, side="right"))
        starts = starts[:in_time] if in_time else starts
        if starts.size:
            start = int(starts[-1]) if self.random.random() < LATEST else self._tightest(zone, length, starts)
            board.place(zone, start, length)
            doing.put.append((zone, start, start + length))
            return 0
        before = len(board.placed[zone])
        rest = place_in_parts(board, zone, length)
        doing.put.extend((zone, s, e) for s, e in board.placed[zone][before:])
        return rest

    def _tightest(self, zone: int, length: int, starts: IntArray) -> int:
        """The start whose limits have the least left while the zone runs."""
        board = self.board
        room = np.zeros(starts.size)
        for row, _ in board.uses[zone]:
            running = np.concatenate([[0.0], np.cumsum(board.free[row] / max(int(board.capacity[row]), 1))])
            room += running[starts + length] - running[starts]
        tight = np.flatnonzero(room <= room.min() + 1e-9)
        return int(starts[tight[-1]])
