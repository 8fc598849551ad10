"""Runs cut in parts, the last resort: what found no place whole goes where it fits, in pieces that are still of use.

Several ways to fill the night are tried (moment by moment, in other orders, with runs cut beforehand), the best is
kept, and a search clears parts of it and fills them again (repair.py). The ranks served last give way (giving_way.py).
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from models.night.board import Board
from models.night.dispatch import TASTES, Dispatcher, Taste
from models.night.giving_way import GivingWay
from models.night.job import FloatArray, IntArray, NightJob
from models.night.parts import place_in_parts
from models.night.repair import Item, Repair
from models.night.timetable import Bounds

PARTS = (2, 4, 8)  # [-] parts of a run tried when whole runs do not fit; a few long runs need the finer ones
CLOSE_ENOUGH = 0.01  # [-] share left out beyond what must be, at which the search for a night that cannot fit ends
REPAIR_SHARE = 4.0  # [-] in efforts, for the search that clears parts of the night and fills them again
REPAIRED = 1500  # [-] cycles up to which it is worth it; with more, gaps find a run that fits
RANK_WEIGHT = 4.0  # [-] by which a minute left out weighs more than one of the next rank while the night is searched
HELD_SHARE = 0.25  # [-] of the effort for holding all times to be done by in a night that cannot fit
WORTH_IT = 0.95  # [-] a freer attempt must leave out at least 5 % less
MINUTES_PER_PART = 0.5  # [min] left out of a zone that one cut of its run may save: someone has to key it in


@dataclass
class Attempt:
    """One attempt: the board as left, the steps of each zone that found no place, their weight, and the pieces."""

    board: Board
    left: IntArray
    unplaced_work: float
    items: list[Item]


def searched(job: NightJob, effort: float, bounds: Bounds, standing: Attempt) -> Attempt:
    """The best of a standing attempt and of those found with runs cut in parts.

    Parameters
    ----------
    job : NightJob
    effort : float        Cycles and grid steps gone through [-].
    bounds : Bounds
    standing : Attempt    Whole cycles but for what had no place; repaired first, and kept unless another way to fill
                          the night leaves out clearly less.
    """
    if job.cycle_zone.size <= REPAIRED:
        standing = in_order(job, repaired(job, standing, REPAIR_SHARE * effort, 0.0))
        if not standing.left.any():
            return standing
    if job.finish_by is None or not np.any(job.finish_by < job.pieces[-1:, 1]):
        found = in_order(job, _best_attempt(job, effort, bounds))
    else:
        found = in_order(job, _in_time(job, effort, bounds))
    return found if found.unplaced_work < standing.unplaced_work * WORTH_IT else standing


def _in_time(job: NightJob, effort: float, bounds: Bounds) -> Attempt:
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
    best = Attempt(best.board, best.left, float(best.left @ work_of_zone(job)) * job.grid_min, late)
    if not late:
        return _hurried(job, best)
    free = _best_attempt(job, effort, bounds)
    best = free if free.unplaced_work < best.unplaced_work * WORTH_IT else best
    best = repaired(job, best, REPAIR_SHARE * effort, 0.0) if job.cycle_zone.size <= REPAIRED else best
    return _hurried(job, best)


def _hurried(job: NightJob, best: Attempt) -> Attempt:
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


def _best_attempt(job: NightJob, effort: float, bounds: Bounds) -> Attempt:
    """The attempt that leaves the least out with the fewest cuts, repaired where that is worth it."""
    best: Attempt | None = None
    least = 0.0
    work = _work_per_minute(job)
    asked = np.bincount(job.cycle_zone, minlength=job.zones)
    per_part = MINUTES_PER_PART * work_of_zone(job)
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
    best = in_order(job, best)
    if best.left.any() and best.unplaced_work > enough and job.cycle_zone.size <= REPAIRED:
        best = in_order(job, repaired(job, best, REPAIR_SHARE * effort, enough))
    return best


def in_order(job: NightJob, best: Attempt) -> Attempt:
    """The attempt after the ranks served last have given way to those before them."""
    if job.finish_rank is None or not best.left.any():
        return best
    return attempt_on(job, best.board, GivingWay(job, best.board, best.items).run())


def repaired(job: NightJob, best: Attempt, effort: float, enough: float) -> Attempt:
    """The attempt after a search that clears parts of it and fills them again."""
    weight = 2.0 * work_of_zone(job) * job.grid_min
    if job.finish_rank is not None:
        weight /= RANK_WEIGHT ** np.unique(job.finish_rank, return_inverse=True)[1].ravel()
    return attempt_on(job, best.board, Repair(job, best.board, best.items, weight).run(effort, enough))


def attempt_on(job: NightJob, board: Board, items: list[Item]) -> Attempt:
    """The board with what found no place on it."""
    left = np.zeros(job.zones, dtype=np.int64)
    for item in items:
        left[item.zone] += item.length
    return Attempt(board, left, float(left @ work_of_zone(job)) * job.grid_min, items)


def _attempts(job: NightJob, work: FloatArray, effort: float) -> Iterator[Attempt]:
    """Attempts in order of quality: the wished order first, then ever freer ones, until the effort is spent."""
    orders = _orders(job, work)
    first = _fill(job, orders[0], work)
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
        yield _fill(job, order, work)
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
    return work_of_zone(job)[job.cycle_zone]


def work_of_zone(job: NightJob) -> FloatArray:
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


def _fill(job: NightJob, order: IntArray, work: FloatArray) -> Attempt:
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
        board.place(zone, int(starts[-1]), length)
    return _with_parts(job, board, order, left, work)


def _dispatch(job: NightJob, taste: Taste, work: FloatArray) -> Attempt:
    board = Board(job)
    left = Dispatcher(job, board).run(taste)
    return _with_parts(job, board, np.argsort(-work * left, kind="stable"), left, work)


def _with_parts(job: NightJob, board: Board, order: IntArray, left: IntArray, work: FloatArray) -> Attempt:
    """Place what is left whole where it fits now, otherwise in parts."""
    zones = job.cycle_zone.tolist()
    for cycle in order[left[order] > 0].tolist():
        left[cycle] = place_in_parts(board, zones[cycle], int(left[cycle]))
    by_zone = np.bincount(job.cycle_zone, weights=left, minlength=job.zones).astype(np.int64)
    items = [Item(zones[cycle], int(left[cycle])) for cycle in np.flatnonzero(left).tolist()]
    return Attempt(board, by_zone, float(left @ work) * job.grid_min, items)
