"""What a filled board comes to: the timetable, its figures, and what a plan made again may count on."""

import numpy as np

from models.night.board import Board
from models.night.job import FloatArray, IntArray, NightJob
from models.night.timetable import Bounds, MeasuredCapacity, Timetable

BUSY = 0.85  # [-] share of the window a limit must need at least before it is blamed
NEARLY = 0.94  # [-] of a limit used, below which runs with soaks and not the limit are to blame


def timetable_of(job: NightJob, board: Board, left: IntArray, bounds: Bounds, unavoidable: FloatArray) -> Timetable:
    """The timetable of a filled board.

    Parameters
    ----------
    job : NightJob
    board : Board
    left : ndarray of int, shape (Z,)     Grid steps of each zone that found no place.
    bounds : Bounds
    unavoidable : ndarray, shape (P,)     Minutes below the smallest flow that every timetable has [min].
    """
    cycles = [(start, end, zone) for zone in range(job.zones) for start, end in _joined(job, board, zone)]
    cycles += [(start, end, zone) for zone, start, end in board.standing]
    rows = np.array(sorted(cycles), dtype=np.int64).reshape(-1, 3)
    zone = rows[:, 2]
    start, end = job.to_minutes(rows[:, 0] + board.first), job.to_minutes(rows[:, 1] + board.first)
    unplaced = job.to_minutes(left)
    asked = np.bincount(job.cycle_zone, minlength=job.zones)
    if job.standing is not None:
        unplaced = np.round(unplaced + job.standing.left, 9)
        asked += np.bincount(job.standing.zone, minlength=job.zones)
    split = int(np.maximum(np.bincount(zone, minlength=job.zones) - asked, 0).sum())
    fitted = not unplaced.any()
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
    weight = job.flow if (job.flow @ _asked(job)) > 0 else np.ones(job.zones)
    placed = 1.0 - float(weight @ unplaced) / float(weight @ _asked(job))
    possible = min(1.0, job.window_minutes / bounds.largest) if bounds.largest > 0 else 1.0
    return min(placed / possible, 1.0) if possible > 0 else 0.0


def _asked(job: NightJob) -> FloatArray:
    """Minutes asked of each zone, to be packed or by its programme (Z,) [min]."""
    left = 0.0 if job.standing is None else job.standing.left
    return np.asarray(job.asked_minutes + job.standing_minutes + left)


def _measured_capacity(job: NightJob, unplaced: FloatArray, bounds: Bounds) -> MeasuredCapacity:
    """Blame each unplaced zone on that of its limits that is asked the most; measure what that one carried.

    Where that one was not nearly used up and only zones with soaks are short, it is these that find no moment.
    """
    window = job.window_minutes
    placed = np.maximum(np.round(_asked(job) - unplaced, 9), 0.0)
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
    programmed = np.zeros(job.zones, dtype=bool) if job.standing is None else job.standing.left > 0
    idle = load.max(axis=0) < BUSY * window  # no shared limit is to blame
    own = short & (programmed | (bounds.zone > window) | idle)
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
