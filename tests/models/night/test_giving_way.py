"""Who gives way in a night too full: worked by hand, and as a law over random nights."""

from dataclasses import replace

import numpy as np
import pytest

from models.night import check_timetable, pack_night
from models.night.board import Board
from models.night.giving_way import GivingWay
from models.night.repair import Item
from tests.drawn import some
from tests.models.night.nights import random_job
from tests.models.night.test_packing import night, times


def test_the_later_rank_is_taken_off_and_gets_what_is_left():
    # One zone at a time, 60 min; zone 1 (rank 1) stands on all of it, zone 0 (rank 0) wants 40. It gets them, the other
    # the 20 min that are left.
    job = night([0, 1], [40, 60], [6, 6], finish_rank=np.array([0, 1]))
    board = Board(job)
    board.place(1, 0, 60)
    left = GivingWay(job, board, [Item(0, 40)]).run()
    assert [(i.zone, i.length) for i in left] == [(1, 40)]
    assert sum(e - s for s, e in board.placed[0]) == 40
    assert sum(e - s for s, e in board.placed[1]) == 20


def test_equal_ranks_take_nothing_from_each_other():
    job = night([0, 1], [40, 60], [6, 6], finish_rank=np.array([0, 0]))
    board = Board(job)
    board.place(1, 0, 60)
    assert [(i.zone, i.length) for i in GivingWay(job, board, [Item(0, 40)]).run()] == [(0, 40)]
    assert board.placed[1] == [(0, 60)]


def test_the_last_rank_gives_way_first():
    # 10 L/s: zone 0 (6 L/s) needs one of the two others (4 L/s each) gone for 20 min; it is the one of rank 2.
    job = night([0, 1, 2], [20, 60, 60], [6, 4, 4], finish_rank=np.array([0, 1, 2]))
    board = Board(job)
    board.place(1, 0, 60)
    board.place(2, 0, 60)
    left = GivingWay(job, board, [Item(0, 20)]).run()
    assert [(i.zone, i.length) for i in left] == [(2, 20)]
    assert board.placed[1] == [(0, 60)]


def test_cycles_with_soaks_are_laid_anew():
    # Two cycles of 20 with 20 min of rest fill the hour only from minute 0 and from minute 40. The first stands at
    # 15-35, so the second has no place; both are laid anew, and zone 1 (rank 1) gives way at either end.
    job = night([0, 0, 1], [20, 20, 60], [6, 6], soak=20.0, finish_rank=np.array([0, 1]))
    board = Board(job)
    board.place(0, 15, 20)
    board.place(1, 35, 25)
    left = GivingWay(job, board, [Item(0, 20), Item(1, 35)]).run()
    assert sorted(board.placed[0]) == [(0, 20), (40, 60)]
    assert all(item.zone == 1 for item in left)


def test_a_night_too_short_leaves_out_the_last_rank():
    # 70 min asked of 60, one zone at a time: whichever is rank 1 loses the 10.
    for rank, loser in (([0, 1], 1), ([1, 0], 0)):
        table = pack_night(night([0, 1], [40, 30], [6, 6], finish_rank=np.array(rank)))
        assert table.unplaced[loser] == 10.0 and table.unplaced[1 - loser] == 0.0
    first = pack_night(night([0, 1], [40, 30], [6, 6], finish_rank=np.array([1, 0])))
    assert times(first, 1) == [(1350, 1380)]


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(0, 200, 4), 4))
def test_nobody_is_left_out_for_a_later_rank(seed):
    # The law: with all later ranks' runs taken away, what is left of a zone finds no place whole. Ramps are not drawn:
    # a valve may need another to open as it closes.
    job = random_job(seed)
    rank = np.random.default_rng(seed).integers(0, 4, job.zones)
    job = replace(job, finish_rank=rank, finish_by=None, pump_ramp=np.full(job.pump_ramp.size, np.inf))
    table = pack_night(job)
    assert check_timetable(job, table) == ()
    for zone in np.flatnonzero(table.unplaced > 0).tolist():
        board = Board(job)
        for z, start, end in zip(table.zone.tolist(), table.start.tolist(), table.end.tolist(), strict=True):
            if rank[z] <= rank[zone]:
                begin, stop = job.to_grid(np.array([start, end])) - board.first
                board.place(z, int(begin), int(stop - begin))
        least = int(board.least[zone])
        assert job.to_grid(table.unplaced[zone : zone + 1])[0] < least or not board.starts(zone, least).size
