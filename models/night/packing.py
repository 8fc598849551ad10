"""Start times for every cycle of a night, under every shared limit at every moment.

Cycles are placed one after the other, each at the latest start where all limits hold (a dry leaf is the best care of turf, so the night
is filled from the close backwards). A first order puts the surfaces that finish last first. If something is left over, other orders
are tried, cycles that found no place are cut in parts down to the smallest useful cycle to fill gaps, and the zones that were left
over are moved to the front of the next try. The best try is kept; what does not fit is reported with the capacity that could be used.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from models.night.board import Board
from models.night.bounds import lower_bounds
from models.night.dispatch import TASTES, Dispatcher, Taste
from models.night.job import Bounds, FloatArray, IntArray, MeasuredCapacity, NightJob, Timetable

EFFORT = 60_000  # [-] cycles and grid steps gone through before settling for the best attempt; about 3 s
MOST_VARIED = 24  # [-] attempts with varied weights after all fixed ones
VARIATION = 0.25  # [-] spread of the variation
PART_LENGTHS = 8  # [-] lengths tried for a part of a cycle that found no place whole


@dataclass
class _Attempt:
    """One attempt: the board as left, the steps of each cycle that found no place, and their weight."""

    board: Board
    left: IntArray
    unplaced_work: float
    split_cycles: int


def pack_night(job: NightJob) -> Timetable:
    """Find start times for all cycles of a night.

    Parameters
    ----------
    job : NightJob      The cycles and everything they must respect.

    Returns
    -------
    Timetable           With `fitted` False, the unplaced minutes and the measured capacity where not everything found a place.
    """
    best: _Attempt | None = None
    for attempt in _attempts(job, _work_per_minute(job)):
        if best is None or attempt.unplaced_work < best.unplaced_work - 1e-9:
            best = attempt
        if best.unplaced_work <= 0:
            break
    assert best is not None  # there is always a first attempt
    return _timetable(job, best, lower_bounds(job))


def _attempts(job: NightJob, work: FloatArray) -> Iterator[_Attempt]:
    """Attempts in order of quality: the wished order first, then ever freer ones, until the effort is spent."""
    orders = _orders(job, work)
    first = _fill(job, orders[0], _Wishes(job, Board(job)), work)
    yield first
    if not first.left.any():
        return
    cycles, steps = job.cycle_zone.size, first.board.steps
    spent = 0.5 * cycles
    kept: list[tuple[float, int, Taste]] = []
    for number, taste in enumerate(TASTES):
        if (taste.rank and job.finish_rank is None) or (spent > EFFORT):
            continue
        attempt = _dispatch(job, taste, work)
        kept.append((attempt.unplaced_work, number, taste))
        spent += cycles + steps
        yield attempt
    for order in orders[1:]:
        if spent > EFFORT:
            return
        spent += 0.5 * cycles
        yield _fill(job, order, None, work)
    generator = np.random.default_rng(1)  # a fixed seed: the same job always gives the same timetable
    tastes = [taste for _, _, taste in sorted(kept)[:3]]
    for number in range(MOST_VARIED):
        if spent > EFFORT:
            return
        spent += cycles + steps
        noise = np.exp(generator.normal(0.0, VARIATION, job.zones))
        yield _dispatch(job, tastes[number % len(tastes)], work, noise)


def _work_per_minute(job: NightJob) -> FloatArray:
    """Share of the scarcest limit a minute of each zone uses, shape (K,): the weight of leaving it out."""
    share = np.full(job.zones, 1e-6)
    limits = ((job.pump, job.pump_capacity, job.flow), (job.branch, job.branch_capacity, job.flow))
    for index, capacity, amount in (*limits, (job.controller, job.stations_at_once, np.ones(job.zones))):
        on = index >= 0
        room = np.where(on, capacity[index] if capacity.size else np.inf, np.inf)
        share = np.maximum(share, np.minimum(amount / np.where(room > 0, room, 1e-6), 1e6))
    return share[job.cycle_zone]


def _orders(job: NightJob, work: FloatArray) -> list[IntArray]:
    """Orders to place the cycles in; the first follows the wish which zones finish last, the others only look for room."""
    zone, length = job.cycle_zone, job.cycle_minutes
    last_first = -np.arange(zone.size)  # cycles of a zone are placed from its last to its first
    count = np.bincount(zone, minlength=job.zones)
    chain = (job.asked_minutes + np.maximum(count - 1, 0) * job.soak)[zone]
    rank = np.zeros(zone.size) if job.finish_rank is None else job.finish_rank[zone]
    allowed = np.ones(zone.size) if job.allowed is None else job.allowed.sum(axis=1)[zone]
    rigid = -(job.soak[zone] > 0).astype(np.float64)
    area = work * length
    keys = [
        (-area, -chain, rank),
        (-area, -chain, allowed),
        (-area, -chain, rigid, allowed),
        (-length, -work, allowed),
        (-work, -length),
        (-length, -area),
        (-area,),
    ]
    return [np.lexsort((last_first, *key)) for key in keys]


def _fill(job: NightJob, order: IntArray, wish: "_Wishes | None", work: FloatArray) -> _Attempt:
    board = Board(job)
    lengths = job.to_grid(job.cycle_minutes)
    zones, steps = job.cycle_zone.tolist(), lengths.tolist()
    left = np.zeros(order.size, dtype=np.int64)
    for cycle in order.tolist():
        zone, length = zones[cycle], steps[cycle]
        starts = board.starts(zone, length)
        if not starts.size:
            left[cycle] = length
            continue
        start = int(starts[-1]) if wish is None else wish.choose(zone, length, starts)
        board.place(zone, start, length)
    return _with_parts(job, board, order, left, work)


def _dispatch(job: NightJob, taste: Taste, work: FloatArray, noise: FloatArray | None = None) -> _Attempt:
    board = Board(job)
    left = Dispatcher(job, board).run(taste, noise)
    return _with_parts(job, board, np.argsort(-work * left, kind="stable"), left, work)


def _with_parts(job: NightJob, board: Board, order: IntArray, left: IntArray, work: FloatArray) -> _Attempt:
    """Place what is left whole where it fits now, otherwise in parts."""
    zones = job.cycle_zone.tolist()
    split = 0
    for cycle in order[left[order] > 0].tolist():
        before = int(left[cycle])
        parts = len(board.placed[zones[cycle]])
        left[cycle] = _place_in_parts(board, zones[cycle], before)
        split += left[cycle] > 0 and left[cycle] < before or len(board.placed[zones[cycle]]) > parts + 1
    return _Attempt(board, left, float(left @ work) * job.grid_min, split)


def _place_in_parts(board: Board, zone: int, length: int) -> int:
    """Place as much of a cycle as fits, in parts that are no shorter than the smallest useful cycle; returns the steps left."""
    step, least = int(board.resolution[zone]), int(board.least[zone])
    while length > 0:
        bad = board.marked(zone)
        part = 0
        for wanted in _part_lengths(length, _longest_run(bad), step, least):
            starts = board.starts(zone, wanted, bad)
            if starts.size:
                board.place(zone, int(starts[-1]), wanted)
                part = wanted
                break
        if not part:
            return length
        length -= part
    return 0


def _longest_run(bad: np.ndarray) -> int:  # type: ignore[type-arg]
    edges = np.flatnonzero(np.diff(np.concatenate([[True], bad, [True]]).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max()) if edges.size else 0


def _part_lengths(length: int, longest: int, step: int, least: int) -> list[int]:
    """Lengths to try, longest first; each leaves nothing, or enough for a useful cycle."""
    top = min(length, longest) // step * step
    lengths: list[int] = []
    while top >= least and len(lengths) < PART_LENGTHS:
        if length - top == 0 or length - top >= least:
            lengths.append(top)
            top -= step if len(lengths) < PART_LENGTHS // 2 else max(step, (top - least) // 3 // step * step)
        else:
            top = (length - least) // step * step
    return lengths


class _Wishes:
    """Soft wishes for a start: the hours of the plan's tariff choice, and the time a zone should be done by."""

    def __init__(self, job: NightJob, board: Board) -> None:
        self.board = board
        self.finish_by = None
        if job.finish_by is not None:
            done = np.where(np.isnan(job.finish_by), np.inf, job.finish_by)
            self.finish_by = np.minimum(done / job.grid_min - board.first, float(board.steps)).tolist()
        self.quota = None
        if job.minutes_by_block is not None:
            price = np.arange(job.blocks.shape[0]) if job.block_price is None else job.block_price
            levels, level_of_block = np.unique(price, return_inverse=True)
            if levels.size > 1:
                self._lay_levels(job, levels.size, level_of_block.ravel())

    def _lay_levels(self, job: NightJob, levels: int, level_of_block: IntArray) -> None:
        assert job.minutes_by_block is not None
        to_level = np.zeros((level_of_block.size, levels))
        to_level[np.arange(level_of_block.size), level_of_block] = 1.0
        self.quota = job.minutes_by_block @ to_level / job.grid_min
        self.level = np.full(max(self.board.steps, 1), -1)
        opens, closes = job.to_grid(job.blocks[:, 0], "up"), job.to_grid(job.blocks[:, 1], "down")
        for opening, closing, level in zip(opens, closes, level_of_block, strict=True):
            self.level[max(opening - self.board.first, 0) : max(closing - self.board.first, 0)] = level

    def choose(self, zone: int, length: int, starts: IntArray) -> int:
        """The start that follows the wishes best, the latest of equals."""
        start = self._in_time(zone, length, self._in_level(zone, length, starts))
        if self.quota is not None:
            levels, counts = np.unique(self.level[start : start + length], return_counts=True)
            self.quota[zone, levels] -= counts
        return start

    def _in_level(self, zone: int, length: int, starts: IntArray) -> IntArray:
        if self.quota is None:
            return starts
        middle = self.level[starts + length // 2]
        for level in np.argsort(-self.quota[zone]):
            if self.quota[zone, level] * 2 < length:
                break
            inside = starts[middle == level]
            if inside.size:
                return inside
        return starts

    def _in_time(self, zone: int, length: int, starts: IntArray) -> int:
        if self.finish_by is None:
            return int(starts[-1])
        in_time = int(np.searchsorted(starts, self.finish_by[zone] - length, side="right"))
        return int(starts[in_time - 1]) if in_time else int(starts[0])  # too late in any case: as early as possible


def _timetable(job: NightJob, best: _Attempt, bounds: Bounds) -> Timetable:
    board = best.board
    cycles = [(start, end, zone) for zone, placed in enumerate(board.placed) for start, end in placed]
    rows = np.array(sorted(cycles), dtype=np.int64).reshape(-1, 3)
    zone = rows[:, 2]
    start, end = job.to_minutes(rows[:, 0] + board.first), job.to_minutes(rows[:, 1] + board.first)
    unplaced = job.to_minutes(np.bincount(job.cycle_zone, weights=best.left, minlength=job.zones).astype(np.int64))
    fitted = not best.left.any()
    edge = board.minute
    flow = board.flow[:, edge : edge + board.steps] / 1e6
    running = (flow > 0) & (flow < job.pump_smallest[:, None] * (1 - 1e-9))
    makespan = _makespan(board, rows)
    late = np.zeros(job.zones, dtype=bool)
    if job.finish_by is not None:
        late[zone[end > np.where(np.isnan(job.finish_by), np.inf, job.finish_by)[zone] + 1e-9]] = True
    return Timetable(
        zone=zone,
        start=start,
        end=end,
        fitted=fitted,
        unplaced=unplaced,
        grid_start=float(job.to_minutes(np.int64(board.first))),
        grid_min=job.grid_min,
        flow=flow,
        under_smallest=running.sum(axis=1) * job.grid_min,
        bounds=bounds,
        lower_bound_min=bounds.largest,
        makespan_min=makespan,
        fill=_fill_ratio(job, unplaced, bounds, makespan),
        measured_capacity=_measured_capacity(job, unplaced, bounds),
        split_cycles=best.split_cycles,
        after_finish_by=late,
        notes=_notes(job, unplaced, best, late),
    )


def _makespan(board: Board, rows: IntArray) -> float:
    if not rows.size:
        return 0.0
    first, last = int(rows[:, 0].min()), int(rows[:, 1].max())
    pieces = board.job.whole_pieces - board.first
    inside = np.clip(np.minimum(pieces[:, 1], last) - np.maximum(pieces[:, 0], first), 0, None)
    return float(inside.sum()) * board.job.grid_min


def _fill_ratio(job: NightJob, unplaced: FloatArray, bounds: Bounds, makespan: float) -> float:
    if not unplaced.any():
        return bounds.largest / makespan if makespan > 0 else 1.0
    weight = job.flow if (job.flow @ job.asked_minutes) > 0 else np.ones(job.zones)
    placed = 1.0 - float(weight @ unplaced) / float(weight @ job.asked_minutes)
    possible = min(1.0, job.window_minutes / bounds.largest) if bounds.largest > 0 else 1.0
    return min(placed / possible, 1.0) if possible > 0 else 0.0


def _measured_capacity(job: NightJob, unplaced: FloatArray, bounds: Bounds) -> MeasuredCapacity:
    """Blame each unplaced zone on the limit of its own that is asked the most, and measure what that limit could carry."""
    window = job.window_minutes
    placed = job.asked_minutes - unplaced
    longest = np.where((bounds.zone > window) & (unplaced > 0), placed, np.inf)
    blamed = (unplaced > 0) & ~np.isfinite(longest)
    ones = np.ones(job.zones)
    named = (
        (job.pump, job.pump_capacity, bounds.pump, job.flow),
        (job.branch, job.branch_capacity, bounds.branch, job.flow),
        (job.controller, np.floor(job.stations_at_once), bounds.controller, ones),
    )
    load = np.stack([np.where(i >= 0, b[i] if b.size else 0.0, 0.0) for i, _, b, _ in named])
    worst = load.argmax(axis=0)
    shares: list[FloatArray] = []
    for kind, (index, capacity, _, amount) in enumerate(named):
        share = np.ones(capacity.size)
        hit = np.unique(index[blamed & (worst == kind) & (index >= 0)])
        for member in hit:
            used = float((amount * placed)[index == member].sum())
            full = capacity[member] * window
            share[member] = min(used / full, 1.0) if np.isfinite(full) and full > 0 else 1.0
        shares.append(share)
    unlimited = blamed & (load.max(axis=0) <= 0)
    return MeasuredCapacity(shares[0], shares[1], shares[2], np.where(unlimited, placed, longest))


def _notes(job: NightJob, unplaced: FloatArray, best: _Attempt, late: np.ndarray) -> tuple[str, ...]:  # type: ignore[type-arg]
    notes: list[str] = []
    if unplaced.any():
        share = unplaced.sum() / job.asked_minutes.sum()
        notes.append(
            f"{unplaced.sum():g} min of {np.count_nonzero(unplaced)} zones found no place ({100 * share:.1f} % of the night)"
        )
    if best.split_cycles:
        notes.append(f"{best.split_cycles} cycles were cut in parts to use gaps in the night")
    if late.any():
        notes.append(f"{np.count_nonzero(late)} zones end after the time they should be done by")
    trimmed = float(np.diff(job.pieces, axis=1).sum()) - job.window_minutes
    if trimmed > 1e-6:
        notes.append(f"the window was shortened by {trimmed:g} min to whole steps of {job.grid_s} s")
    return tuple(notes)
