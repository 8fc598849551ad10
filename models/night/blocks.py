"""Whole programmes put on the night as blocks that cannot be pulled apart: one way to lay them.

A programme that starts at s opens each of its stations at s plus a fixed offset. Its runs are laid from the last to the
first, as late as the night allows, in cheap hours and in time where that can be; a start never comes while the same
programme still runs, nor before its soil has soaked, nor while more programmes of the controller run than it may run at
once: so nothing depends on what the controller does with a start that comes too soon. Programmes with the ranks served
first are laid first; what finds no place is of the ranks served last within a programme.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from models.night.board import Board
from models.night.grouping import Grouping, StationNeeds, minutes_per_start
from models.night.job import BoolArray, FloatArray, IntArray, NightJob, Standing
from models.night.programmes import Programme, ProgrammeRules, run_length, run_offsets

RANK_RATIO, MOST_RANKS = 4.0, 10  # [-] by which a minute left out weighs more than one of the next rank
TRIED = 40  # [-] starts of a block tried where a ramp forbids the best
LATE, ROUNDING = 1e-3, 1e-2  # [-] what a minute late, or lost in rounding, counts against a minute left out
SEED = 11


@dataclass(frozen=True)
class LaidProgrammes:
    """Programmes with their start times, and the runs that come of them. Z zones.

    Attributes
    ----------
    programmes : tuple of Programme
    standing : Standing           Their runs, and what found no place.
    asked : ndarray, shape (Z,)   Minutes asked of each zone in whole steps at each of its starts; 0 for other zones
                                  [min].
    """

    programmes: tuple[Programme, ...]
    standing: Standing
    asked: FloatArray


@dataclass
class Block:
    """A programme to be laid: zones in the order they run, minutes at one start, number of starts."""

    rules: ProgrammeRules
    zones: list[int]
    starts: int
    number: int


class Laying:
    """One way to group all controllers, laid on a board of its own."""

    def __init__(self, job: NightJob, needs: StationNeeds, ways: Sequence[tuple[ProgrammeRules, Grouping]]) -> None:
        self.job, self.needs, self.ways = job, needs, ways
        self.board, self.empty = Board(job), Board(replace(job, standing=None))
        self.running = {rules.controller: np.zeros(self.board.steps, dtype=np.int64) for rules, _ in ways}
        starts = np.zeros(job.zones, dtype=np.int64)
        for _, way in ways:
            for group, count in zip(way.groups, way.starts, strict=True):
                starts[list(group)] = count
        self.starts = starts
        self.each = minutes_per_start(needs, job.flow, job.resolution, starts)
        self.asked = self.each * starts
        self.given = np.zeros(job.zones)
        self.laid: list[Programme] = []
        self.done = np.full(job.zones, np.inf) if job.finish_by is None else job.finish_by
        self.late = 0.0
        price = np.zeros(job.blocks.shape[0]) if job.block_price is None else job.block_price
        per_step = np.zeros(max(self.board.steps, 1))
        opens, closes = job.to_grid(job.blocks[:, 0], "down"), job.to_grid(job.blocks[:, 1], "up")
        for opening, closing, of_block in zip(opens, closes, price, strict=True):
            per_step[max(opening - self.board.first, 0) : max(closing - self.board.first, 0)] = of_block
        self.price: FloatArray = np.concatenate([[0.0], np.cumsum(per_step)])

    # ------------------------------------------------------------------ all of it

    def run(self, order: str, before: Sequence[Programme], seed: int = 0) -> None:
        """Lay every programme; `order` is "rank", "starts", "length" or "drawn"."""
        blocks = []
        for rules, way in self.ways:
            for group, count, number in zip(way.groups, way.starts, way.numbers, strict=True):
                zones = [z for z in group if self.each[z] > 0]
                if way.longest_first:
                    zones.sort(key=lambda z: -self.each[z])
                if zones:
                    blocks.append(Block(rules, zones, count, number))
        random = np.random.default_rng(SEED + seed)
        drawn = random.permutation(len(blocks)).tolist()
        size = [self._length(b.rules, b.zones) * b.starts for b in blocks]
        keys = {
            "rank": lambda k: (self._rank(blocks[k].zones), -blocks[k].starts, -size[k]),
            "starts": lambda k: (-blocks[k].starts, self._rank(blocks[k].zones), -size[k]),
            "length": lambda k: (-size[k],),
            "drawn": lambda k: (drawn[k],),
        }
        spare: dict[int, list[int]] = {}
        for k in sorted(range(len(blocks)), key=keys[order]):
            spare.setdefault(blocks[k].rules.controller, []).extend(self._lay(blocks[k], before))
        self._lay_rest(spare)

    def _lay_rest(self, spare: dict[int, list[int]]) -> None:
        """Stations that found no place in their programme, in one of their own where the controller holds another."""
        for rules, _ in self.ways:
            left = spare.get(rules.controller, [])
            while left and sum(p.controller == rules.controller for p in self.laid) < rules.programmes:
                count = int(self.starts[left].max())
                alike = sorted((z for z in left if self.starts[z] == count), key=lambda z: int(rules.place[z]))
                rest = self._lay(Block(rules, alike, count, 0), ())
                left = [z for z in left if self.starts[z] != count]
                if len(rest) < len(alike):
                    left += rest

    def cost(self) -> float:
        """What is left out, by rank, and what is late [-]."""
        rank = np.zeros(self.job.zones) if self.job.finish_rank is None else self.job.finish_rank
        before = np.minimum(rank.max(initial=0) - rank, MOST_RANKS)
        weight = RANK_RATIO**before * np.maximum(self.job.flow, 1e-6)
        rounding = ROUNDING * float((np.abs(self.needs.minutes - self.given) * (self.given > 0)) @ weight)
        return float(self.missing @ weight) + LATE * self.late + rounding

    @property
    def missing(self) -> FloatArray:
        """Minutes wanted that found no place, or that no whole cycle came to, shape (Z,) [min]."""
        wanted = np.where(self.each > 0, self.asked, self.needs.minutes)
        return np.asarray(np.where(self.starts > 0, np.maximum(wanted - self.given, 0.0), 0.0))

    @property
    def holds_all(self) -> bool:
        """Whether every station has its place, in time."""
        return not self.missing.any() and self.late <= 1e-9

    def result(self) -> LaidProgrammes:
        """The programmes, and their runs."""
        zone, start, end = [], [], []
        for p in self.laid:
            rules = next(r for r, _ in self.ways if r.controller == p.controller)
            opens = run_offsets(np.array(p.minutes), rules.at_once, rules.delay)
            for begin in p.starts:
                zone += list(p.zones)
                start += (begin + opens).tolist()
                end += (begin + opens + np.array(p.minutes)).tolist()
        order = np.argsort(np.array(start), kind="stable")
        standing = Standing(
            np.array(zone, dtype=np.int64)[order],
            np.array(start, dtype=np.float64)[order],
            np.array(end, dtype=np.float64)[order],
            self.missing,
        )
        return LaidProgrammes(tuple(self.laid), standing, self.given + self.missing)

    # ------------------------------------------------------------------ one programme

    def _rank(self, zones: list[int]) -> float:
        """Mean rank of a programme's water: those served first are laid first."""
        if self.job.finish_rank is None:
            return 0.0
        return round(float(np.average(self.job.finish_rank[zones], weights=self.each[zones])), 1)

    def _length(self, rules: ProgrammeRules, zones: list[int]) -> float:
        return run_length(self.each[zones], rules.at_once, rules.delay)

    def _lay(self, block: Block, before: Sequence[Programme]) -> list[int]:
        """Lay a programme, without its stations served last where it finds no place; returns those."""
        wished = next(
            (p.starts for p in before if (p.controller, p.number) == (block.rules.controller, block.number)), ()
        )
        served = block.zones
        if self.job.finish_rank is not None:
            served = sorted(block.zones, key=lambda z: self.job.finish_rank[z])  # type: ignore[index]
        together = self._together(block, served)
        if len(together) < len(served):
            apart = [z for z in served if z not in together]
            alone = replace(block, zones=[z for z in block.zones if z in together])
            return [*(self._lay(alone, before) if together else []), *apart]
        kept, starts = len(served), self._place(block, block.zones, wished)
        if starts is None:
            low, high, found = 0, len(served) - 1, None
            while low < high:
                middle = (low + high + 1) // 2
                some = self._place(block, [z for z in block.zones if z in set(served[:middle])], wished)
                if some is None:
                    high = middle - 1
                    continue
                self._take_off(block, [z for z in block.zones if z in set(served[:middle])], some)
                low, found = middle, some
            kept = low
            zones = [z for z in block.zones if z in set(served[:kept])]
            starts = self._place(block, zones, found or ()) if kept else None
            shortened = self._shortened(block, served, kept, wished, starts)
            if shortened is not None:
                kept, starts = kept + 1, shortened
        zones = [z for z in block.zones if z in set(served[:kept])]
        if starts is not None and zones:
            self.given[zones] += self.each[zones] * block.starts
            minutes = tuple(float(m) for m in self.each[zones])
            self.laid.append(Programme(block.rules.controller, block.number, tuple(zones), minutes, starts))
            ends = np.array(starts)[:, None] + run_offsets(self.each[zones], block.rules.at_once, block.rules.delay)
            beyond = (ends + self.each[zones] - self.done[zones]).max(axis=0)
            self.late += float(np.where(np.isnan(beyond), 0.0, np.maximum(beyond, 0.0)).sum())
        return served[kept:]

    def _together(self, block: Block, served: list[int]) -> set[int]:
        """Stations whose programme holds every limit where nothing else runs, those served first before the others."""
        if self._holds_alone(block, block.zones):
            return set(served)
        kept: set[int] = set()
        for zone in served:
            if self._holds_alone(block, [z for z in block.zones if z in kept or z == zone]):
                kept.add(zone)
        return kept

    def _holds_alone(self, block: Block, zones: list[int]) -> bool:
        """Whether the programme of these stations holds the pumps, branches, controller and ramps by itself."""
        board = self.empty
        opens, length = self._steps(block, zones)
        size = min(int((opens + length).max()), board.steps)  # one that is too long is shortened later
        length = np.minimum(length, size - opens)
        runs = [r for r in zip(zones, opens.tolist(), length.tolist(), strict=True) if r[2] > 0]
        for zone, begin, steps in runs:
            board.place(zone, begin, steps)
        rows = {row for zone in zones for row, _ in board.uses[zone]}
        holds = all(bool((board.free[row, :size] >= 0).all()) for row in rows)
        holds = holds and (not board.ramped.any() or board.holds_ramps())
        for zone, begin, steps in runs:
            board.remove(zone, begin, begin + steps)
        return holds

    def _shortened(
        self, block: Block, served: list[int], kept: int, wished: Sequence[float], starts: tuple[float, ...] | None
    ) -> tuple[float, ...] | None:
        """Starts with the first station that found no place for less than it wants; None, as before, where no use."""
        zone = served[kept]
        zones = [z for z in block.zones if z in set(served[: kept + 1])]
        full, step = float(self.each[zone]), float(self.job.resolution[zone])
        least = max(float(self.needs.least[zone]), float(self.needs.smallest[zone]) / block.starts, step)
        low, high = int(np.ceil(least / step - 1e-9)) - 1, int(round(full / step)) - 1
        lowest = low
        if low >= high:
            return None
        if starts is not None:
            self._take_off(block, [z for z in zones if z != zone], starts)
        found: tuple[float, ...] | None = None
        while low < high:
            middle = (low + high + 1) // 2
            self.each[zone] = middle * step
            some = self._place(block, zones, wished)
            if some is None:
                high = middle - 1
                continue
            self._take_off(block, zones, some)
            low, found = middle, some
        self.each[zone] = low * step if low > lowest else full
        if found is not None and (again := self._place(block, zones, found)) is not None:
            return again
        self.each[zone] = full
        if starts is not None:
            self._put(block, [z for z in zones if z != zone], starts)
        return None

    def _place(self, block: Block, zones: list[int], wished: Sequence[float]) -> tuple[float, ...] | None:
        """Starts of a programme of these stations, put on the board; None, and nothing put, where there are none."""
        if not zones:
            return None
        length = self._length(block.rules, zones)
        spacing = max(length, float((self.each[zones] + self.needs.soak[zones]).max())) if block.starts > 1 else length
        if len(wished) == block.starts and (kept := self._as_wished(block, zones, wished, spacing)) is not None:
            return kept
        return self._latest_first(block, zones, spacing) or self._soonest_first(block, zones, spacing)

    def _latest_first(self, block: Block, zones: list[int], spacing: float) -> tuple[float, ...] | None:
        """Starts from the last to the first, each in time, in cheap hours and as late as it can."""
        found: list[float] = []
        for _ in range(block.starts):
            start = self._best_start(block, zones, found[-1] - spacing if found else np.inf)
            if start is None:
                self._take_off(block, zones, found)
                return None
            self._on(block, zones, start)
            found.append(start)
        return tuple(reversed(found))

    def _soonest_first(self, block: Block, zones: list[int], spacing: float) -> tuple[float, ...] | None:
        """Starts from the first to the last, each as soon as it can be.

        Where none is in time the least late start is the soonest, and leaves no room for one before it.
        """
        found: list[float] = []
        for _ in range(block.starts):
            possible = self._starts(block, zones)[0]
            after = possible[possible >= (found[-1] + spacing if found else -np.inf) - 1e-9]
            start = next((float(s) for s in after[:TRIED].tolist() if self._on(block, zones, float(s))), None)
            if start is None:
                self._take_off(block, zones, found)
                return None
            found.append(start)
        return tuple(found)

    def _as_wished(
        self, block: Block, zones: list[int], wished: Sequence[float], spacing: float
    ) -> tuple[float, ...] | None:
        """The start times of the evening before, where all of them still do and none makes a station late."""
        if min((b - a for a, b in zip(wished, wished[1:], strict=False)), default=spacing) < spacing - 1e-9:
            return None
        put: list[float] = []
        for start in wished:
            possible, late, _ = self._starts(block, zones)
            at = np.flatnonzero(np.abs(possible - start) < 1e-6)
            if not at.size or late[at[0]] > 0 or not self._on(block, zones, start):
                for begin in put:
                    self._off(block, zones, begin)
                return None
            put.append(start)
        return tuple(float(s) for s in wished)

    def _best_start(self, block: Block, zones: list[int], latest: float) -> float | None:
        """The start in time, in the cheapest hours, and of those the latest; None where there is none."""
        starts, late, price = self._starts(block, zones)
        use = starts <= latest + 1e-9
        starts, late, price = starts[use], late[use], price[use]
        order = np.lexsort((-starts, np.round(price, 6), late))
        ramped = bool(self.board.ramped.any())
        for k in order[: TRIED if ramped else 1].tolist():
            if not ramped:
                return float(starts[k])
            if self._on(block, zones, float(starts[k])):
                self._off(block, zones, float(starts[k]))
                return float(starts[k])
        return None

    def _starts(self, block: Block, zones: list[int]) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Starts at which the programme finds every limit free; minutes late and price of each."""
        job, board = self.job, self.board
        opens, length = self._steps(block, zones)
        size = int((opens + length).max())
        none = np.zeros(0)
        if size > board.steps:
            return none, none, none
        every = board.minute
        first = -board.first % every  # starts are keyed in whole minutes
        good: BoolArray = np.ones(board.steps - size + 1, dtype=bool)[first::every]
        needed: dict[int, IntArray] = {}
        shut: dict[int, BoolArray] = {}
        for zone, begin, steps in zip(zones, opens.tolist(), length.tolist(), strict=True):
            for row, amount in board.uses[zone]:
                needed.setdefault(row, np.zeros(size, dtype=np.int64))[begin : begin + steps] += amount
            shut.setdefault(board.mask_of_zone[zone], np.zeros(size, dtype=bool))[begin : begin + steps] = True
        for row, need in needed.items():
            good &= (sliding_window_view(board.free[row, : board.steps], size)[first::every] >= need).all(axis=1)
        for mask, runs in shut.items():
            good &= ~(sliding_window_view(board.shut[mask, : board.steps], size)[first::every] & runs).any(axis=1)
        busy = self.running[block.rules.controller] >= block.rules.programmes_at_once
        count = np.concatenate([[0], np.cumsum(busy)])
        good &= (count[size:] == count[: count.size - size])[first::every]
        at = np.flatnonzero(good) * every + first
        ends = at[:, None] + opens + length
        done = (self.done[zones] / job.grid_min) - board.first
        late = np.where(np.isnan(done), 0.0, np.maximum(ends - done, 0.0)).sum(axis=1) * job.grid_min
        price = (self.price[ends] - self.price[at[:, None] + opens]) @ job.flow[zones]
        return job.to_minutes(at + board.first), late, np.asarray(price)

    def _steps(self, block: Block, zones: list[int]) -> tuple[IntArray, IntArray]:
        """Opening and length of each station in grid steps from the programme's start."""
        opens = run_offsets(self.each[zones], block.rules.at_once, block.rules.delay)
        return self.job.to_grid(opens), self.job.to_grid(self.each[zones])

    def _on(self, block: Block, zones: list[int], start: float) -> bool:
        """Put one run of a programme on the board; False, and nothing put, where a ramp forbids it."""
        opens, length = self._steps(block, zones)
        at = int(self.job.to_grid(np.array([start]))[0]) - self.board.first
        for zone, begin, steps in zip(zones, (opens + at).tolist(), length.tolist(), strict=True):
            self.board.place(zone, begin, steps)
        self.running[block.rules.controller][at : at + int((opens + length).max())] += 1
        if self.board.ramped.any() and not self.board.holds_ramps():
            self._off(block, zones, start)
            return False
        return True

    def _off(self, block: Block, zones: list[int], start: float) -> None:
        opens, length = self._steps(block, zones)
        at = int(self.job.to_grid(np.array([start]))[0]) - self.board.first
        for zone, begin, steps in zip(zones, (opens + at).tolist(), length.tolist(), strict=True):
            self.board.remove(zone, begin, begin + steps)
        self.running[block.rules.controller][at : at + int((opens + length).max())] -= 1

    def _put(self, block: Block, zones: list[int], starts: Sequence[float]) -> None:
        for start in starts:
            self._on(block, zones, start)

    def _take_off(self, block: Block, zones: list[int], starts: Sequence[float]) -> None:
        for start in starts:
            self._off(block, zones, start)
