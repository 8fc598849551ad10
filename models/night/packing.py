"""Start times for every cycle of a night, under every shared limit at every moment.

Cycles are placed one after the other, each at the latest start where all limits hold (a dry leaf is the best care of
turf, so the night is filled from the close backwards). A first order puts the surfaces that finish last first. If
something is left over, freer ways are tried (dispatch.py, other orders, runs cut in parts down to the smallest useful
cycle) and the best is kept. What still does not fit is reported with the capacity that could be used.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from models.night.board import Board
from models.night.bounds import lower_bounds
from models.night.dispatch import TASTES, Dispatcher, Taste
from models.night.giving_way import GivingWay
from models.night.job import Bounds, FloatArray, IntArray, MeasuredCapacity, NightJob, Timetable
from models.night.parts import place_in_parts
from models.night.repair import Item, Repair
from models.night.steady import Steadier

EFFORT = 30_000  # [-] cycles and grid steps gone through before settling for the best attempt; about 2 s
PARTS = (2, 4, 8)  # [-] parts of a run tried when whole runs do not fit; a few long runs need the finer ones
CLOSE_ENOUGH = 0.01  # [-] share left out beyond what must be, at which the search for a night that cannot fit ends
BUSY = 0.85  # [-] share of the window a limit must need at least before it is blamed
NEARLY = 0.94  # [-] of a limit used, below which runs with soaks and not the limit are to blame
HOURS_SHARE = 0.25  # [-] of the effort, for keeping out of hours the plan did not choose
REPAIR_SHARE = 4.0  # [-] in efforts, for the search that clears parts of the night and fills them again
REPAIRED = 1500  # [-] cycles up to which it is worth it; with more, gaps find a run that fits
RANK_WEIGHT = 4.0  # [-] by which a minute left out weighs more than one of the next rank while the night is searched
HELD_SHARE = 0.25  # [-] of the effort for holding all times to be done by in a night that cannot fit
WORTH_IT = 0.95  # [-] a freer attempt must leave out at least 5 % less
MINUTES_PER_PART = 0.5  # [min] left out of a zone that one cut of its run may save: someone has to key it in


@dataclass
class _Attempt:
    """One attempt: the board as left, the steps of each zone that found no place, and their weight."""

    board: Board
    left: IntArray
    unplaced_work: float
    items: list[Item]


def pack_night(job: NightJob, effort: float = EFFORT) -> Timetable:
    """Find start times for all cycles of a night.

    Parameters
    ----------
    job : NightJob      The cycles and everything they must respect.
    effort : float      Cycles and grid steps gone through before settling for the best attempt [-]; with less than
                        `EFFORT` the bounds are the plain ones.

    Returns
    -------
    Timetable           With `fitted` False, the unplaced minutes and the measured capacity where not everything found
                        a place.
    """
    bounds = lower_bounds(job)
    best = _in_hours(job, HOURS_SHARE * effort, bounds) if effort >= EFFORT else None
    if best is None:
        best = _placed(job, effort, bounds)
    unavoidable = Steadier(job, best.board).run() if job.pump_smallest.any() else np.zeros(job.pump_smallest.size)
    if best.left.any() and effort >= EFFORT:
        bounds = lower_bounds(job, patterns=True)
    return _timetable(job, best, bounds, unavoidable)


def _placed(job: NightJob, effort: float, bounds: Bounds) -> _Attempt:
    """The best attempt, done in time where that can be, with the last ranks giving way."""
    if job.finish_by is None or not np.any(job.finish_by < job.pieces[-1:, 1]):
        return _in_order(job, _best_attempt(job, effort, bounds))
    return _in_order(job, _in_time(job, effort, bounds))


def _in_hours(job: NightJob, effort: float, bounds: Bounds) -> _Attempt | None:
    """The best attempt where zones keep out of hours whose price the plan did not choose for them.

    What then finds no place goes into these hours after all. None where no zone is to keep out, or something is left.
    """
    if job.minutes_by_block is None or job.block_price is None:
        return None
    same_price = job.block_price[:, None] == job.block_price[None, :]
    chosen = job.minutes_by_block @ same_price >= job.smallest_cycle[:, None]
    allowed = chosen if job.allowed is None else job.allowed & chosen
    asked = job.asked_minutes > 0
    if allowed[asked].all() or not allowed[asked].any(axis=1).all():
        return None
    best = _placed(replace(job, allowed=allowed), effort, bounds)
    best.board.open_again(job)
    late = [Item(i.zone, rest) for i in best.items if (rest := place_in_parts(best.board, i.zone, i.length))]
    best = _in_order(job, _attempt(job, best.board, late))
    return None if best.left.any() else best


def _in_time(job: NightJob, effort: float, bounds: Bounds) -> _Attempt:
    """The best attempt where zones are to be done before the close.

    First `finish_by` is held like the window, and what then finds no place is put in late, ending as early as it can.
    Where that leaves something out the night is also filled without, and what is late may yet come to be in time.
    """
    share = 1.0 if bounds.largest <= job.window_minutes else HELD_SHARE
    best = _best_attempt(replace(job, hold_finish=True), share * effort, bounds)
    best.board.open_again(job)
    cycles = np.bincount(job.cycle_zone, minlength=job.zones)
    late: list[Item] = []
    for item in best.items:
        rest = _placed_late(best.board, item, bool(cycles[item.zone] == 1))
        best.left[item.zone] -= item.length - rest
        if rest:
            late.append(Item(item.zone, rest))
    best = _Attempt(best.board, best.left, float(best.left @ _work_of_zone(job)) * job.grid_min, late)
    if not late:
        return _hurried(job, best)
    free = _best_attempt(job, effort, bounds)
    best = free if free.unplaced_work < best.unplaced_work * WORTH_IT else best
    best = _repaired(job, best, REPAIR_SHARE * effort, 0.0) if job.cycle_zone.size <= REPAIRED else best
    return _hurried(job, best)


def _hurried(job: NightJob, best: _Attempt) -> _Attempt:
    """The attempt with every run that is late in any case moved to where it ends first."""
    assert job.finish_by is not None
    board = best.board
    done = np.where(np.isnan(job.finish_by), np.inf, job.finish_by) / job.grid_min - board.first
    late = [(s, e, z) for z in range(job.zones) for s, e in board.placed[z] if e > done[z] + 1e-6]
    for start, end, zone in sorted(late):
        starts = board.starts(zone, end - start) if board.remove(zone, start, end) else np.array([start])
        board.place(zone, int(starts[0]) if starts.size else start, end - start)
    return best


def _placed_late(board: Board, item: Item, whole: bool) -> int:
    """Place what is left of a run where it ends first, made one again with its parts; returns the steps left."""
    parts = list(board.placed[item.zone]) if whole else []
    together = all([board.remove(item.zone, start, end) for start, end in parts])
    length = item.length + sum(end - start for start, end in parts)
    starts = board.starts(item.zone, length)
    if together and starts.size:
        board.place(item.zone, int(starts[0]), length)
        return 0
    for start, end in parts:
        board.place(item.zone, start, end - start)
    starts = board.starts(item.zone, item.length)
    if starts.size and item.length >= board.shortest[item.zone]:
        board.place(item.zone, int(starts[0]), item.length)
        return 0
    return place_in_parts(board, item.zone, item.length)


def _best_attempt(job: NightJob, effort: float, bounds: Bounds) -> _Attempt:
    """The attempt that leaves the least out with the fewest cuts, repaired where that is worth it."""
    best: _Attempt | None = None
    least = 0.0
    work = _work_per_minute(job)
    asked = np.bincount(job.cycle_zone, minlength=job.zones)
    per_part = MINUTES_PER_PART * _work_of_zone(job)
    beyond = 1.0 - job.window_minutes / bounds.largest if bounds.largest > job.window_minutes else 0.0
    enough = (beyond + CLOSE_ENOUGH) * float(work @ job.cycle_minutes) if beyond else 0.0
    for attempt in _attempts(job, work, effort):
        parts = np.array([len(placed) for placed in attempt.board.placed])
        cost = attempt.unplaced_work + float(per_part @ np.maximum(parts - asked, 0))
        if best is None or cost < least * WORTH_IT:
            best, least = attempt, cost
        if best.unplaced_work <= enough:
            break
    assert best is not None  # there is always a first attempt
    best = _in_order(job, best)
    if best.left.any() and best.unplaced_work > enough and job.cycle_zone.size <= REPAIRED:
        best = _in_order(job, _repaired(job, best, REPAIR_SHARE * effort, enough))
    return best


def _in_order(job: NightJob, best: _Attempt) -> _Attempt:
    """The attempt after the ranks served last have given way to those before them."""
    if job.finish_rank is None or not best.left.any():
        return best
    return _attempt(job, best.board, GivingWay(job, best.board, best.items).run())


def _repaired(job: NightJob, best: _Attempt, effort: float, enough: float) -> _Attempt:
    """The attempt after a search that clears parts of it and fills them again."""
    weight = 2.0 * _work_of_zone(job) * job.grid_min
    if job.finish_rank is not None:
        weight /= RANK_WEIGHT ** np.unique(job.finish_rank, return_inverse=True)[1].ravel()
    return _attempt(job, best.board, Repair(job, best.board, best.items, weight).run(effort, enough))


def _attempt(job: NightJob, board: Board, items: list[Item]) -> _Attempt:
    """The board with what found no place on it."""
    left = np.zeros(job.zones, dtype=np.int64)
    for item in items:
        left[item.zone] += item.length
    return _Attempt(board, left, float(left @ _work_of_zone(job)) * job.grid_min, items)


def _attempts(job: NightJob, work: FloatArray, effort: float) -> Iterator[_Attempt]:
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
        if (taste.rank and job.finish_rank is None) or spent > effort:
            continue
        attempt = _dispatch(job, taste, work)
        kept.append((attempt.unplaced_work, number, taste))
        spent += cycles + steps
        yield attempt
    for order in orders[1:]:
        if spent > effort:
            return
        spent += 0.5 * cycles
        yield _fill(job, order, None, work)
    best_tastes = [taste for _, _, taste in sorted(kept)[:3]]
    for taste in best_tastes:
        for parts in PARTS:
            if spent > effort:
                return
            trial = _in_parts(job, parts)
            spent += trial.cycle_zone.size + steps
            yield _dispatch(trial, taste, _work_per_minute(trial))


def _in_parts(job: NightJob, parts: int) -> NightJob:
    """The same job with runs that need no soak cut in up to `parts` parts, none below the smallest useful cycle."""
    steps = np.rint(job.cycle_minutes / job.resolution[job.cycle_zone]).astype(np.int64)
    least = np.maximum(np.ceil(job.smallest_cycle / job.resolution - 1e-9), 1).astype(np.int64)[job.cycle_zone]
    count = np.where(job.soak[job.cycle_zone] > 0, 1, np.clip(steps // (2 * least), 1, parts))
    cycle = np.repeat(np.arange(steps.size), count)
    place = np.arange(cycle.size) - np.repeat(np.cumsum(count) - count, count)
    part = steps[cycle] // count[cycle] + (place < steps[cycle] % count[cycle])
    zone = job.cycle_zone[cycle]
    return replace(job, cycle_zone=zone, cycle_minutes=part * job.resolution[zone])


def _work_per_minute(job: NightJob) -> FloatArray:
    """Share of the scarcest limit a minute of each cycle uses, shape (K,)."""
    return _work_of_zone(job)[job.cycle_zone]


def _work_of_zone(job: NightJob) -> FloatArray:
    """Share of the scarcest limit a minute of each zone uses, shape (Z,): the weight of leaving it out."""
    share = np.full(job.zones, 1e-6)
    limits = ((job.pump, job.pump_capacity, job.flow), (job.branch, job.branch_capacity, job.flow))
    for index, capacity, amount in (*limits, (job.controller, job.stations_at_once, np.ones(job.zones))):
        on = index >= 0
        room = np.where(on, capacity[index] if capacity.size else np.inf, np.inf)
        share = np.maximum(share, np.minimum(amount / np.where(room > 0, room, 1e-6), 1e6))
    return share


def _orders(job: NightJob, work: FloatArray) -> list[IntArray]:
    """Orders to place the cycles in: the first by which zones should finish last, the others only to find room."""
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


def _dispatch(job: NightJob, taste: Taste, work: FloatArray) -> _Attempt:
    board = Board(job)
    left = Dispatcher(job, board).run(taste)
    return _with_parts(job, board, np.argsort(-work * left, kind="stable"), left, work)


def _with_parts(job: NightJob, board: Board, order: IntArray, left: IntArray, work: FloatArray) -> _Attempt:
    """Place what is left whole where it fits now, otherwise in parts."""
    zones = job.cycle_zone.tolist()
    for cycle in order[left[order] > 0].tolist():
        left[cycle] = place_in_parts(board, zones[cycle], int(left[cycle]))
    by_zone = np.bincount(job.cycle_zone, weights=left, minlength=job.zones).astype(np.int64)
    items = [Item(zones[cycle], int(left[cycle])) for cycle in np.flatnonzero(left).tolist()]
    return _Attempt(board, by_zone, float(left @ work) * job.grid_min, items)


class _Wishes:
    """Soft wishes for a start: the hours of the plan's tariff choice, and the time a zone should be done by."""

    def __init__(self, job: NightJob, board: Board) -> None:
        self.board = board
        self.finish_by = None
        if job.finish_by is not None:
            done = np.where(np.isnan(job.finish_by), np.inf, job.finish_by)
            self.finish_by = np.minimum(done / job.grid_min - board.first, float(board.steps)).tolist()
        self.quota: FloatArray | None = None
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
        inside = np.zeros((levels, max(self.board.steps, 1) + 1), dtype=np.int64)
        opens, closes = job.to_grid(job.blocks[:, 0], "up"), job.to_grid(job.blocks[:, 1], "down")
        for opening, closing, level in zip(opens, closes, level_of_block, strict=True):
            inside[level, max(opening - self.board.first, 0) + 1 : max(closing - self.board.first, 0) + 1] = 1
        self.running = np.cumsum(inside, axis=1)  # steps of each level up to each boundary

    def choose(self, zone: int, length: int, starts: IntArray) -> int:
        """The start that follows the wishes best, the latest of equals."""
        start = self._in_time(zone, length, self._in_level(zone, length, starts))
        if self.quota is not None:
            self.quota[zone] -= self.running[:, start + length] - self.running[:, start]
        return start

    def _in_level(self, zone: int, length: int, starts: IntArray) -> IntArray:
        """The starts with the least time in hours the plan did not choose."""
        if self.quota is None:
            return starts
        used = self.running[:, starts + length] - self.running[:, starts]
        beyond = np.maximum(used - np.maximum(self.quota[zone], 0.0)[:, None], 0.0).sum(axis=0)
        return np.asarray(starts[beyond <= beyond.min() + 1e-6])

    def _in_time(self, zone: int, length: int, starts: IntArray) -> int:
        if self.finish_by is None:
            return int(starts[-1])
        in_time = int(np.searchsorted(starts, self.finish_by[zone] - length, side="right"))
        return int(starts[in_time - 1]) if in_time else int(starts[0])  # too late in any case: as early as possible


def _timetable(job: NightJob, best: _Attempt, bounds: Bounds, unavoidable: FloatArray) -> Timetable:
    board = best.board
    cycles = [(start, end, zone) for zone in range(job.zones) for start, end in _joined(job, board, zone)]
    rows = np.array(sorted(cycles), dtype=np.int64).reshape(-1, 3)
    zone = rows[:, 2]
    start, end = job.to_minutes(rows[:, 0] + board.first), job.to_minutes(rows[:, 1] + board.first)
    unplaced = job.to_minutes(best.left)
    asked = np.bincount(job.cycle_zone, minlength=job.zones)
    split = int(np.maximum(np.bincount(zone, minlength=job.zones) - asked, 0).sum())
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
        grid_start=board.first * job.grid_min,
        grid_min=job.grid_min,
        flow=flow,
        under_smallest=running.sum(axis=1) * job.grid_min,
        unavoidable=unavoidable,
        bounds=bounds,
        lower_bound_min=bounds.largest,
        makespan_min=makespan,
        fill=_fill_ratio(job, unplaced, bounds, makespan),
        measured_capacity=_measured_capacity(job, unplaced, bounds),
        extra_cycles=split,
        after_finish_by=late,
        notes=_notes(job, split),
    )


def _joined(job: NightJob, board: Board, zone: int) -> list[tuple[int, int]]:
    """Cycles of a zone in order; parts that meet become one again where the zone needs no soak."""
    spans = sorted(board.placed[zone])
    if job.soak[zone] > 0 or len(spans) < 2 or np.count_nonzero(job.cycle_zone == zone) > 1:
        return spans
    joined = spans[:1]
    for start, end in spans[1:]:
        if start == joined[-1][1]:
            joined[-1] = (joined[-1][0], end)
        else:
            joined.append((start, end))
    return joined


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
    """Blame each unplaced zone on that of its limits that is asked the most; measure what that one carried.

    Where that one was not nearly used up and only zones with soaks are short, it is these that find no moment.
    """
    window = job.window_minutes
    placed = job.asked_minutes - unplaced
    ones = np.ones(job.zones)
    named = (
        (job.pump, job.pump_capacity, bounds.pump, job.flow),
        (job.branch, job.branch_capacity, bounds.branch, job.flow),
        (job.controller, np.floor(job.stations_at_once), bounds.controller, ones),
    )
    load = np.stack([np.where(i >= 0, b[i] if b.size else 0.0, 0.0) for i, _, b, _ in named])
    worst = load.argmax(axis=0)
    short = unplaced > 0
    soaking = (job.soak > 0) & (np.bincount(job.cycle_zone, minlength=job.zones) > 1)
    own = short & ((bounds.zone > window) | (load.max(axis=0) < BUSY * window))  # no shared limit is to blame
    shares: list[FloatArray] = []
    for kind, (index, capacity, _, amount) in enumerate(named):
        share = np.ones(capacity.size)
        blaming = short & ~own & (worst == kind)
        for member in np.unique(index[blaming]):
            used = float((amount * placed)[index == member].sum())
            full = float(capacity[member]) * window
            share[member] = min(used / full, 1.0) if full > 0 else 0.0
            here = blaming & (index == member)
            if share[member] == 1.0 or (
                share[member] < NEARLY and soaking[here].all()
            ):  # used to the last drop, or not
                own |= here
                share[member] = 1.0
        shares.append(share)
    return MeasuredCapacity(shares[0], shares[1], shares[2], np.where(own, placed, np.inf))


def _notes(job: NightJob, split: int) -> tuple[str, ...]:
    notes: list[str] = []
    if split:
        cycles = "cycle" if split == 1 else "cycles"
        notes.append(f"{split} more {cycles} than asked: runs were cut in parts to use gaps in the night")
    trimmed = float(np.diff(job.pieces, axis=1).sum()) - job.window_minutes
    if trimmed > 1e-6:
        notes.append(f"the window was shortened by {trimmed:g} min to whole steps of {job.grid_s} s")
    return tuple(notes)
