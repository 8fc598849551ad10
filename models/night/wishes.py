"""What a timetable is wished to do, and what it costs not to.

In this order: leave nothing out, the ranks served first before the others; be done in time; keep to the hours the plan
chose.
"""

from dataclasses import replace

import numpy as np

from models.night.board import Board
from models.night.job import BoolArray, FloatArray, IntArray, NightJob
from models.night.relay import Costs

LEFT_OUT, LATE, OUTSIDE = 4096, 64, 1  # [-] what a grid step costs: left out, late, at a price the plan did not choose
RANK_RATIO = 4  # [-] by which a step left out weighs more than one of the next rank; the last word is `giving_way.py`
MOST_RANKS = 10  # [-] ranks told apart by it


def strict_job(job: NightJob) -> NightJob:
    """The job with its times to be done by held like the window, and hours of another price barred; itself without."""
    timed = job.finish_by is not None and bool(np.any(job.finish_by < job.pieces[-1:, 1]))
    chosen = chosen_hours(job)
    if chosen is None:
        return replace(job, hold_finish=True) if timed and not job.hold_finish else job
    allowed = chosen if job.allowed is None else job.allowed & chosen
    if np.array_equal(allowed, np.ones_like(allowed) if job.allowed is None else job.allowed):
        return replace(job, hold_finish=True) if timed and not job.hold_finish else job
    return replace(job, hold_finish=timed, allowed=allowed)


def wished_minutes(strict: NightJob) -> float:
    """Minutes of the night open to the mean minute that is asked for [min]."""
    asked = strict.asked_minutes
    hours = np.diff(strict.blocks, axis=1).ravel()
    allowed = np.ones((strict.zones, hours.size), dtype=bool) if strict.allowed is None else strict.allowed
    return float((allowed @ hours) @ asked / max(float(asked.sum()), 1e-9))


def costs_of(job: NightJob, board: Board, length: IntArray) -> Costs:
    """Costs of the cycles of a night, by its ranks, its times to be done by and the hours the plan chose."""
    zone = job.cycle_zone
    rank = np.zeros(job.zones, dtype=np.int64)
    if job.finish_rank is not None:
        rank = np.unique(job.finish_rank, return_inverse=True)[1].ravel()
    before = np.minimum(rank.max(initial=0) - rank, MOST_RANKS)[zone]
    wished = np.full(job.zones, np.nan) if job.finish_by is None else job.finish_by
    done = np.floor(np.minimum(np.where(np.isnan(wished), np.inf, wished) / job.grid_min - board.first, board.steps))
    quota, passed = _quota(job, board, length)
    return Costs(
        left_out=LEFT_OUT * length * RANK_RATIO**before,
        late=np.where(done[zone] < board.steps, LATE * length * (1 + before), 0).astype(np.int64),
        done=(done[zone] + 1e-6).astype(np.int64),
        outside=OUTSIDE,
        quota=quota,
        passed=passed,
    )


def chosen_hours(job: NightJob) -> BoolArray | None:
    """Blocks whose price the plan chose (Z, B), all for zones without a choice; None where no zone has one."""
    if job.minutes_by_block is None or job.block_price is None:
        return None
    same_price = job.block_price[:, None] == job.block_price[None, :]
    planned = job.minutes_by_block @ same_price
    least = np.minimum(job.smallest_cycle, planned.max(axis=1, initial=0.0))  # the price with the most is always chosen
    chosen = planned >= np.maximum(least, 1e-9)[:, None]
    wishing = chosen.any(axis=1) & ~chosen.all(axis=1) & (job.asked_minutes > 0)
    return np.asarray(chosen | ~wishing[:, None]) if wishing.any() else None


def _quota(job: NightJob, board: Board, length: IntArray) -> tuple[FloatArray, IntArray]:
    """Steps of each cycle at each energy price of the plan (K, V), and steps at each up to each moment (V, T + 1).

    The cycles of a zone share what its plan has at a price by their lengths.
    """
    price = None if job.minutes_by_block is None else job.block_price
    levels, level = np.unique(np.zeros(0) if price is None else price, return_inverse=True)
    if levels.size < 2 or job.minutes_by_block is None:
        return np.zeros((length.size, 0)), np.zeros((0, 0), dtype=np.int64)
    at_level = level.ravel()[None, :] == np.arange(levels.size)[:, None]  # (V, B)
    planned = job.minutes_by_block @ at_level.T / job.grid_min
    zone = job.cycle_zone
    asked = np.bincount(zone, length, job.zones)
    share = length / np.maximum(np.maximum(asked, planned.sum(axis=1))[zone], 1e-9)
    inside = np.zeros((levels.size, max(board.steps, 1) + 1), dtype=np.int64)
    opens, closes = job.to_grid(job.blocks[:, 0], "up"), job.to_grid(job.blocks[:, 1], "down")
    for opening, closing, v in zip(opens, closes, level.ravel(), strict=True):
        inside[v, max(opening - board.first, 0) + 1 : max(closing - board.first, 0) + 1] = 1
    return planned[zone] * share[:, None], np.cumsum(inside, axis=1)
