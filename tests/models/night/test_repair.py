"""Local search on a filled board: it leaves no more out, breaks no rule, and a board can be put back as it was."""

import numpy as np
import pytest

from models.night import check_timetable, pack_night, packing
from models.night.board import Board
from models.night.repair import Item, Repair
from tests.drawn import draws, some
from tests.models.night.nights import full_job, random_job, with_window
from tests.models.night.test_packing import night

KIND = {"zones": 60, "branches": 4, "stations": 6, "ramp": 0.3}


def _tight(seed: int):
    job = full_job(seed=seed, **KIND)
    return with_window(job, pack_night(job, effort=5_000).lower_bound_min * 1.01)


@pytest.mark.drawn
def test_search_leaves_less_out_and_breaks_nothing(monkeypatch):
    # Filling alone may leave as little out as a short search (draw 0); over all draws the search leaves less out.
    gained = 0.0
    for seed in (7, 0, 1, 3, 5, 6)[: draws(6, 1)]:
        job = _tight(seed)
        after = pack_night(job, effort=5_000)
        with monkeypatch.context() as filled:
            for name in ("ROUNDS", "LAST_ROUNDS", "QUICK_SOLVING"):
                filled.setattr(packing, name, 0)
            before = pack_night(job, effort=5_000)
        assert before.unplaced.sum() > 0, f"night {seed} must leave something to be found a place for"
        assert after.unplaced.sum() <= before.unplaced.sum(), f"night {seed}"
        assert check_timetable(job, after) == (), f"night {seed}"
        gained += float((before.unplaced - after.unplaced).sum())
    assert gained > 0.0


@pytest.mark.sweep  # every day: tests/models/night/test_whole.py
def test_same_night_same_timetable():
    job = _tight(0)
    first, second = pack_night(job, effort=5_000), pack_night(job, effort=5_000)
    assert np.array_equal(first.zone, second.zone)
    assert np.array_equal(first.start, second.start)


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(40), 4))
def test_taking_runs_off_the_board_undoes_placing_them(seed):
    job = random_job(seed)
    board = Board(job)
    random = np.random.default_rng(seed)
    lengths = job.to_grid(job.cycle_minutes)
    placed = []
    for zone, length in zip(job.cycle_zone.tolist(), lengths.tolist(), strict=True):
        starts = board.starts(zone, length)
        if starts.size:
            start = int(random.choice(starts))
            board.place(zone, start, length)
            placed.append((zone, start, start + length))
    untouched = Board(job)
    for k in random.permutation(len(placed)):
        board.remove(*placed[k])
    for name in ("free", "flow", "rise", "fall"):
        assert np.array_equal(getattr(board, name), getattr(untouched, name)), name
    assert not any(board.placed)


def test_a_valve_that_holds_the_ramp_is_not_taken_off_unnoticed():
    # 4 L/s close at minute 30 as 4 L/s open: no change of flow. Without the second the pump would fall by 4 (one valve
    # may); with two closing together it would fall by 8, and only 5 are allowed.
    job = full_job(zones=4, seed=0)
    flow = np.array([4.0, 4.0, 4.0, 4.0])
    from dataclasses import replace

    job = replace(job, flow=flow, pump_capacity=np.array([20.0]), pump_ramp=np.array([5.0]))
    board = Board(job)
    minute = board.minute
    board.place(0, 10 * minute, 20 * minute)
    board.place(1, 11 * minute, 19 * minute)  # both close at minute 30
    board.place(2, 30 * minute, 10 * minute)
    board.place(3, 30 * minute, 12 * minute)
    assert board.fall[0, 30 * minute] == 0
    assert board.remove(3, 30 * minute, 42 * minute)  # the flow falls by 4: one valve, within the ramp
    assert not board.remove(2, 30 * minute, 40 * minute)  # by 8


def test_a_piece_shorter_than_the_smallest_cycle_is_not_put_back_alone():
    # One minute of zone 0 is left over and would fit anywhere; its smallest useful cycle is 2 min, so it stays out.
    job = night([0, 1], [10, 10], [4, 5], window=(1320.0, 1380.0), smallest_cycle=np.array([2.0, 2.0]))
    board = Board(job)
    board.place(1, 40, 10)
    left = Repair(job, board, [Item(0, 1)], np.ones(2)).run(1000.0, 0.0)
    assert [(i.zone, i.length) for i in left] == [(0, 1)]
    assert board.placed[0] == []
