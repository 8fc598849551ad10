"""Parts of a night taken off and put back: never dearer, the board as its runs say, the same night the same way."""

import numpy as np
import pytest

from models.night.board import Board
from models.night.bounds import lower_bounds
from models.night.putting_back import PuttingBack
from models.night.relay import NOWHERE
from models.night.whole import WholeRuns
from tests.drawn import some
from tests.models.night.nights import full_job, random_job, with_window
from tests.models.night.test_packing import night


def _filled(job):
    runs = WholeRuns(job, Board(job))
    runs.fill(0, careful=False)
    return runs


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some([9, *range(9), *range(10, 30)], 4))  # 9: its last rounds are above its best
def test_no_dearer_and_the_board_is_what_its_runs_say(seed):
    job = random_job(seed)
    runs = _filled(job)
    before = runs.cost
    runs.put_back(40)
    assert runs.cost <= before
    again = Board(job)
    for cycle in np.flatnonzero(runs.start != NOWHERE).tolist():
        again.place(int(job.cycle_zone[cycle]), int(runs.start[cycle]), int(runs.length[cycle]))
    for name in ("free", "flow", "rise", "fall"):
        assert np.array_equal(getattr(again, name), getattr(runs.board, name)), name
    assert [sorted(spans) for spans in again.placed] == [sorted(spans) for spans in runs.board.placed]
    assert runs.board.holds_ramps()
    assert (runs.board.free >= 0).all()


def test_it_finds_places_that_filling_does_not():
    # Nights of few zones a little longer than the proven bound: of what filling leaves out a third finds a place.
    left = np.zeros(2)
    for seed in (5, 6):
        job = full_job(seed=seed, zones=30)
        job = with_window(job, lower_bounds(job).largest * 1.02)
        runs = _filled(job)
        left[0] += float(runs.length[runs.left].sum())
        runs.put_back(200)
        left[1] += float(runs.length[runs.left].sum())
    assert left[0] > 0
    assert left[1] < 0.8 * left[0]


def test_the_same_night_is_put_back_the_same_way():
    job = with_window(full_job(seed=3, zones=30), 300.0)
    first, second = _filled(job), _filled(job)
    first.put_back(60)
    second.put_back(60)
    assert np.array_equal(first.start, second.start)


def test_what_ends_late_is_put_back_to_be_done_in_time():
    # Two zones alone on a night with room for both; the one to be done by 22:30 stands at its end.
    job = night([0, 1], [20, 20], [4, 4], finish_by=np.array([1350.0, np.nan]))
    runs = WholeRuns(job, Board(job))
    for cycle, start in ((0, 40), (1, 0)):
        runs.board.place(cycle, start * runs.board.minute, int(runs.length[cycle]))
        runs.start[cycle] = start * runs.board.minute
    assert runs.cost > 0
    runs.put_back(20)
    assert runs.cost == 0


def test_a_ramp_broken_by_any_cycle_taken_off_is_told(monkeypatch):
    # At minute 30 two valves of 4 L/s close as two open. Without those two the flow falls by 8, and 5 are allowed;
    # the last one taken off changes nothing there.
    job = night([0, 1, 2, 3, 4], [20, 19, 10, 12, 5], [4, 4, 4, 4, 4], capacity=20.0, pump_ramp=np.array([5.0]))
    runs = WholeRuns(job, Board(job))
    for cycle, start in enumerate((10, 11, 30, 30, 50)):
        runs.board.place(cycle, start * runs.board.minute, int(runs.length[cycle]))
        runs.start[cycle] = start * runs.board.minute
    search = PuttingBack(runs.board, job.cycle_zone, runs.length, runs.start, runs.costs, runs.on_row, np.ones(5))
    monkeypatch.setattr(search, "_around", lambda target, moment: [3, 2])
    assert search._round(4, np.zeros(5, dtype=int), np.inf) is False


def test_a_round_ends_once_what_is_left_out_costs_more_than_is_kept():
    # Two zones of 6 L/s on 10 L/s, 40 minutes each in a night of 60: one of them finds no place. Where that may cost
    # as much as it does, the round is played to its end; where it may not, it is given up.
    job = night([0, 1], [40, 40], [6, 6], capacity=10.0)
    runs = WholeRuns(job, Board(job))
    search = PuttingBack(runs.board, job.cycle_zone, runs.length, runs.start, runs.costs, runs.on_row, np.ones(2))
    cost = runs.costs.of(runs.start, runs.length)
    standing = search._standing()
    assert search._round(0, cost, float(cost[1])) is True
    assert int(runs.costs.of(runs.start, runs.length).sum()) == cost[1]
    search._take(standing)
    assert search._round(0, cost, float(cost[1]) - 1.0) is None
