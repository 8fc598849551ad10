"""Keeping a pump above its smallest flow: where a run goes, in which order, and what goes back, by hand."""

from dataclasses import replace

import numpy as np
import pytest

from models.night import steady
from models.night.board import Board
from models.night.cutting import _fill, _orders, work_of_zone
from models.night.steady import Steadier, _Run
from tests.models.night.nights import random_job
from tests.models.night.test_packing import night


def filled(seed):
    """A drawn night with smallest flows, and its board filled."""
    job = random_job(seed)
    job = replace(job, pump_smallest=np.full(job.pump_capacity.size, 3.5), hold_finish=False)
    work = work_of_zone(job)[job.cycle_zone]
    return job, _fill(job, _orders(job, work)[1], work).board


def on_pump(job, board, pump):
    one = Steadier(job, board)
    one.pump, one.smallest, one.least = pump, int(job.pump_smallest[pump] * 1e6), 0.0
    one.zones = np.flatnonzero((job.pump == pump) & (board.need > 0)).tolist()
    return one


def standing(board, pump, smallest=3_500_000):
    """Steps below the smallest flow, and squared shares of it in them."""
    flow = board.flow[pump, board.minute : board.minute + board.steps].tolist()
    low = [q for q in flow if 0 < q < smallest]
    return len(low), -sum((q / smallest) ** 2 for q in low)


def cost_of(job, board, start, end):
    """Energy price of each step, summed."""
    total = 0.0
    for t in range(start, end):
        at = board.first + t
        price = 0.0
        for (b, e), one in zip(job.blocks / (job.grid_s / 60.0), job.block_price, strict=True):
            price = one if np.floor(b + 1e-6) <= at < np.ceil(e - 1e-6) else price
        total += price
    return total


SEEDS = [s for s in range(80) if random_job(s).grid_s >= 30 and (random_job(s).pump >= 0).sum() > 3][:6]


@pytest.mark.parametrize("seed", SEEDS)
def test_a_run_goes_where_the_pump_stands_best_start_by_start(seed):
    job, board = filled(seed)
    rng = np.random.default_rng(seed)
    for pump in range(job.pump_capacity.size):
        one = on_pump(job, board, pump)
        runs = one._runs()
        assert sorted((r.zone, r.start, r.end) for r in runs) == sorted(
            (z, s, e) for z in range(job.zones) if job.pump[z] == pump and job.flow[z] > 0 for s, e in board.placed[z]
        )
        assert one._standing() == pytest.approx(standing(board, pump), abs=2e-6)
        for k in rng.permutation(len(runs))[:4]:
            run = runs[k]
            length = run.end - run.start
            if not board.remove(run.zone, run.start, run.end):
                board.place(run.zone, run.start, length)
                continue
            by = np.nan if job.finish_by is None else job.finish_by[run.zone]
            done = board.steps if np.isnan(by) else np.floor(by * 60 / job.grid_s - board.first + 1e-9)
            wished = []
            for start in board.starts(run.zone, length).tolist():
                if job.block_price is not None:
                    dearer = cost_of(job, board, start, start + length) - cost_of(job, board, run.start, run.end)
                    if dearer > 1e-9:
                        continue
                if start + length > max(min(done, board.steps), run.end):
                    continue
                board.place(run.zone, start, length)
                steps, dense = standing(board, pump)
                board.remove(run.zone, start, start + length)
                wished.append((steps, round(dense, 6), -start))
            left = one.left
            found, stands = one._best_start(run)
            assert one.left == left - 1
            if wished:
                best = min(wished)
                assert stands == pytest.approx(best[:2], abs=3e-6)
                alike = [-s for steps, dense, s in wished if steps == best[0] and abs(dense - best[1]) < 3e-6]
                assert found in alike and (found == max(alike) or len(alike) > 1)
            else:
                assert found is None
            board.place(run.zone, run.start, length)


@pytest.mark.parametrize("seed", SEEDS[:8])
def test_a_round_leaves_the_pump_no_worse_or_everything_as_it_was(seed):
    job, board = filled(seed)
    for pump in range(job.pump_capacity.size):
        one = on_pump(job, board, pump)
        weighed, best = [], one._best_start
        one._best_start = lambda run, weighed=weighed, best=best: weighed.append(run) or best(run)
        for _ in range(25):
            weighed.clear()
            before, placed = one._standing(), [sorted(p) for p in board.placed]
            free = board.free.copy()
            after = one._round(before)
            assert len(weighed) <= steady.MOST_TAKEN
            if after is None:
                assert [sorted(p) for p in board.placed] == placed and (board.free == free).all()
            else:
                assert after == one._standing() <= before
            asked = [sum(e - s for s, e in p) for p in placed]
            assert [sum(e - s for s, e in p) for p in board.placed] == asked
    assert (board.free >= 0).all()


def low_night():
    """Zones of 1, 2, 3 and 8 L/s for 10 min each, 5 min apart; below 4 L/s is too little."""
    job = night(range(4), [10] * 4, [1, 2, 3, 8], pump_smallest=np.array([4.0]))
    board = Board(job)
    for zone, start in enumerate((45, 15, 0, 30)):
        board.place(zone, start, 10)
    return job, board


def test_runs_that_are_too_little_are_weighed_first_the_early_ones_before_the_late():
    job, board = low_night()
    one, seen = on_pump(job, board, 0), []
    one._moved = lambda run: seen.append(run.zone) or run.zone == 1
    assert one._one_by_one() is True
    assert seen == [2, 1, 0, 3]
    board.remove(0, 45, 55)
    board.place(0, 15, 10)  # of two that begin together the larger
    seen.clear()
    assert one._one_by_one() is True and seen == [2, 1, 0, 3]
    one._moved = lambda run: False
    assert one._one_by_one() is False
    seen.clear()
    one.left = 0
    assert one._one_by_one() is False and seen == []


def test_a_run_that_stands_no_better_elsewhere_stays():
    job, board = low_night()
    one = on_pump(job, board, 0)
    run = _Run(3, 30, 40)
    before = [list(p) for p in board.placed]
    one._best_start = lambda run: (0, one._standing())
    moved = [list(p) for p in before]
    one._standing = lambda: (5, -1.0)
    one._best_start = lambda run: (20, (5, -1.0))
    assert one._moved(run) is False and board.placed == moved
    one._best_start = lambda run: (None, (0, 0.0))
    assert one._moved(run) is False and board.placed == moved
    one._best_start = lambda run: (20, (5, -1.1))
    assert one._moved(run) is True and board.placed[3] == [(20, 30)]


def test_it_goes_on_as_long_as_a_run_moved_and_something_is_too_little(monkeypatch):
    job, board = low_night()
    one, said = Steadier(job, board), []
    answers = iter([True, True, False])
    one._one_by_one = lambda: said.append("one") or next(answers)
    one._several = lambda: said.append("several")
    one._unavoidable = lambda: 6.0
    assert one.run().tolist() == [6.0] and said == ["one", "one", "one", "several"]
    assert one.smallest == 4_000_000 and one.zones == [0, 1, 2, 3] and one.pump == 0
    said.clear()
    one._unavoidable = lambda: 30.0  # as many steps as there are
    assert one.run().tolist() == [30.0] and said == ["several"]
    said.clear()
    half = replace(job, resolution=np.full(4, 0.5))
    two = Steadier(half, Board(half))
    two._several = lambda: None
    two._unavoidable = lambda: 6.0
    assert two.run().tolist() == [3.0]
    none = replace(job, pump_smallest=np.zeros(1))
    assert Steadier(none, Board(none)).run().tolist() == [0.0]


def test_what_moved_without_fewer_such_steps_goes_back(monkeypatch):
    job, board = low_night()
    one = on_pump(job, board, 0)
    rounds = []

    def moved(zone, start):
        (old,) = list(board.placed[zone])
        board.remove(zone, *old)
        board.place(zone, start, 10)

    def script(standing):
        rounds.append(standing)
        if len(rounds) == 2:
            moved(0, 30)
            return (20, -9.0)
        if len(rounds) == 4:
            moved(1, 5)
            return (20, -9.5)
        return None

    one._round = script
    one._several()
    assert board.placed == [[(30, 40)], [(15, 25)], [(0, 10)], [(30, 40)]]  # the second move is taken back
    assert len(rounds) == 2 + steady.IDLE and rounds[2] == (20, -9.0) and rounds[5] == (20, -9.5)
    rounds.clear()
    one.least = 20.0
    one._standing = lambda: (20, -9.0)
    one._several()
    assert rounds == []  # as few as can be
    one.least, one.left = 0.0, 0
    one._several()
    assert rounds == []


def test_parts_that_meet_move_together_and_cycles_do_not():
    job = night([0, 1, 1, 2], [22, 10, 10, 20], [2, 2, 2], pump_smallest=np.array([4.0]))
    job = replace(job, soak=np.array([0.0, 0.0, 5.0]))
    board = Board(job)
    for zone, start, length in (
        (0, 0, 5),
        (0, 8, 7),
        (0, 15, 5),
        (0, 30, 5),
        (1, 15, 10),
        (1, 25, 10),
        (2, 40, 10),
        (2, 50, 10),
    ):
        board.place(zone, start, length)
    one = on_pump(job, board, 0)
    one._join()
    assert [sorted(p) for p in board.placed] == [
        [(0, 5), (8, 20), (30, 35)],
        [(15, 25), (25, 35)],
        [(40, 50), (50, 60)],
    ]
    assert (board.flow[0, 1:61] >= 0).all() and board.flow[0, 1] == 2_000_000


def test_company_is_kept_apart_by_the_limits_it_shares_and_by_no_others():
    # 1 L/s and 2.5 L/s for 40 min: each on a branch of 3 L/s of its own, each alone on its controller
    job = night([0, 1], [40, 40], [1, 2.5], window=(1320.0, 1440.0), pump_smallest=np.array([3.0]))
    changes = {"branch_capacity": np.full(2, 3.0), "stations_at_once": np.ones(2), "controller": np.arange(2)}
    for branch, unavoidable in (([0, 1], 0.0), ([1, 1], 40.0), ([-1, -1], 0.0)):
        one = replace(job, **changes, branch=np.array(branch))
        board = Board(one)
        board.place(0, 0, 40)
        board.place(1, 50, 40)
        assert on_pump(one, board, 0)._unavoidable() == unavoidable
    board.standing.append((1, 50, 90))  # what stands may help as well, so nothing is proven
    assert on_pump(one, board, 0)._unavoidable() == 0.0
    alone = Board(replace(job, branch=np.array([1, 1]), branch_capacity=np.full(2, 3.0)))
    alone.place(0, 0, 40)
    assert on_pump(alone.job, alone, 0)._unavoidable() == 40.0
    alone.standing.append((1, 50, 90))
    assert on_pump(alone.job, alone, 0)._unavoidable() == 0.0
