"""Filling a night moment by moment, making room in it and letting later ranks give way: once more, plainly."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from models.night import bounds, giving_way, parts, putting_back, repair, simulate
from models.night.board import Board
from models.night.cutting import _fill, _orders, work_of_zone
from models.night.dispatch import NO_LIMIT, TASTES, Dispatcher, Taste
from models.night.giving_way import GivingWay
from models.night.patterns import pattern_bound
from models.night.putting_back import PuttingBack
from models.night.relay import NOWHERE
from models.night.repair import Item, Repair
from tests.models.night.nights import random_job
from tests.models.night.test_packing import night
from tests.models.night.test_search_by_hand import costs

EVERY = [s for s in range(120) if random_job(s).grid_s >= 30]


def consistent(job, board):
    """Whether what the board has left is what its runs leave."""
    again = Board(job)
    for zone, spans in enumerate(board.placed):
        for start, end in spans:
            again.place(zone, start, end - start)
    same = all(np.array_equal(getattr(board, name), getattr(again, name)) for name in ("free", "flow", "rise", "fall"))
    return same and bool((board.free >= 0).all())


# --------------------------------------------------------------------------------------------- moment by moment


def by_moments(job, taste):
    """Fill a night backwards, always the zone that scores most among those whose next cycle could end now."""
    board, length = Board(job), job.to_grid(job.cycle_minutes)
    rest = {z: [k for k in range(length.size) if job.cycle_zone[k] == z] for z in range(job.zones)}
    ready, started, left = [board.steps] * job.zones, [False] * job.zones, length.copy()
    ranks = sorted(set([0] if job.finish_rank is None else job.finish_rank.tolist()))

    def waiting(limit, zone_of):
        return sum(zone_of(z) * sum(length[k] for k in ks) for z, ks in rest.items() if limit(z))

    def score(z, end):
        chain = sum(length[k] for k in rest[z]) + max(len(rest[z]) - 1, 0) * board.soak[z]
        urgency, need = chain / end, board.need[z]
        p, b, c = job.pump[z], job.branch[z], job.controller[z]
        fit = pipe = need / NO_LIMIT
        if p >= 0:
            fit = need / max(board.free[p, end - 1], 1)
        if b >= 0:
            row = job.pump_capacity.size + b
            urgency = max(
                urgency, waiting(lambda o: job.branch[o] == b, lambda o: board.need[o]) / (board.capacity[row] * end)
            )
            pipe = need / max(board.free[row, end - 1], 1)
        if c >= 0:
            row = job.pump_capacity.size + job.branch_capacity.size + c
            urgency = max(urgency, waiting(lambda o: job.controller[o] == c, lambda o: 1) / (board.capacity[row] * end))
        last = 1 - ranks.index(0 if job.finish_rank is None else job.finish_rank[z]) / max(len(ranks) - 1, 1)
        total = taste.urgency * urgency**taste.patience + taste.fit * fit + taste.branch * pipe + taste.rank * last
        return total + 0.15 * (started[z] and ready[z] == end)

    for end in range(board.steps, 0, -1):
        while True:
            able = [z for z in rest if rest[z] and ready[z] >= end]
            able = [z for z in able if end - length[rest[z][-1]] in board.starts(z, int(length[rest[z][-1]]))]
            if not able:
                break
            best = max(able, key=lambda z, end=end: (score(z, end), -z))
            k = rest[best].pop()
            board.place(best, end - int(length[k]), int(length[k]))
            left[k], started[best], ready[best] = 0, True, end - length[k] - board.soak[best]
    return board, left


@pytest.mark.parametrize("seed", EVERY[:12])
def test_a_night_filled_moment_by_moment(seed):
    job = random_job(seed)
    flow = np.where(
        job.flow > 0, job.flow + np.random.default_rng(seed).uniform(0, 0.01, job.zones), 0.0
    )  # no two alike
    job = replace(job, flow=flow, pump_ramp=np.full(job.pump_ramp.size, np.inf))
    taste = TASTES[seed % len(TASTES)]
    board = Board(job)
    left = Dispatcher(job, board).run(taste)
    expected, kept = by_moments(job, taste)
    assert left.tolist() == kept.tolist()
    assert [sorted(p) for p in board.placed] == [sorted(p) for p in expected.placed]


def test_a_valve_ends_where_the_ramp_lets_it():
    job = night([0, 1, 2], [20, 20, 20], [4, 4, 4], capacity=20.0, pump_ramp=np.array([5.0]))
    board = Board(job)
    Dispatcher(job, board).run(Taste(1.0, 1.0, 0.0, 1.0))
    assert sorted(end for spans in board.placed for _, end in spans) == [58, 59, 60]
    assert board.holds_ramps()


def test_what_stands_before_a_night_is_filled_is_filled_around():
    job = night([0, 0, 1, 2], [10, 10, 20, 30], [6, 6, 4], soak=0.0)
    board = Board(job)
    fill = Dispatcher(job, board)
    work = fill.row_work.copy()
    fill.stand({2: 25, 3: 25})  # both at once are 10 L/s
    assert board.placed == [[], [(25, 45)], [(25, 55)]] and fill.left.tolist() == [10, 10, 0, 0]
    assert fill.next_length.tolist() == [10, 0, 0] and fill.cycles_of_zone == [[0, 1], [], []]
    assert (work - fill.row_work)[0] == 4_000_000 * 30 + 6_000_000 * 20
    left = fill.run(Taste(1.0, 1.0, 0.0, 1.0))
    assert left.tolist() == [0, 0, 0, 0] and (board.free >= 0).all()
    over = Dispatcher(job, Board(job))
    over.stand({2: 50})  # past the close
    assert over.left[2] == 20 and over.next_length.tolist() == [10, 0, 30]


# ------------------------------------------------------------------------------------------------------- in parts


def test_a_cycle_in_the_fewest_equal_parts_that_all_find_a_place():
    job = night([0, 1], [21, 60], [6, 6], smallest_cycle=np.array([5.0, 1.0]))
    board = Board(job)
    board.place(1, 12, 28)  # free: 12 and 20 min
    assert parts.place_evenly(board, 0, 21) == 0
    assert sorted(board.placed[0]) == [(2, 12), (49, 60)]
    whole = Board(job)
    assert parts.place_evenly(whole, 0, 21) == 0 and whole.placed[0] == [(39, 60)]
    full = Board(job)
    full.place(1, 10, 50)
    assert parts.place_evenly(full, 0, 21) == 21 and full.placed[0] == [] and consistent(job, full)
    short = replace(job, smallest_cycle=np.array([11.0, 1.0]))
    board = Board(short)
    board.place(1, 12, 28)
    assert parts.place_evenly(board, 0, 21) == 21  # a half would be 10
    three = Board(job)
    for start in (7, 22, 37, 52):
        three.place(1, start, 8)  # free: 7 min four times
    assert parts.place_evenly(three, 0, 21) == 0 and [e - s for s, e in three.placed[0]] == [7, 7, 7]
    assert parts.longest_run(np.array([0, 0, 1, 0, 0, 0, 1], bool)) == 3 and parts.longest_run(np.ones(3, bool)) == 0


def test_what_fits_of_a_cycle_the_longest_part_first():
    job = night([0, 1], [30, 60], [6, 6], smallest_cycle=np.array([4.0, 1.0]))
    board = Board(job)
    board.place(1, 20, 10)
    board.place(1, 36, 20)  # free: 20, 6 and 4 min
    assert parts.place_in_parts(board, 0, 30) == 0
    assert board.placed[0] == [(0, 20), (30, 36), (56, 60)]
    assert parts.place_in_parts(board, 0, 30) == 30
    least = Board(replace(job, smallest_cycle=np.array([1.0, 1.0])))
    assert parts.place_in_parts(least, 0, 1) == 0 and least.placed[0] == [(59, 60)]
    assert parts.place_in_parts(least, 0, 0) == 0 and len(least.placed[0]) == 1
    again = Board(job)
    again.place(1, 20, 40)
    assert parts.place_in_parts(again, 0, 22) == 4 and again.placed[0] == [(2, 20)]  # what is left is of use elsewhere


# ------------------------------------------------------------------------------------------------------ giving way


def ranked(seed):
    job = random_job(seed)
    rank = np.random.default_rng(seed).integers(0, 4, job.zones)
    return replace(job, finish_rank=rank, finish_by=None)


@pytest.mark.parametrize("seed", [s for s in EVERY if ranked(s).zones > 4][:16])
def test_no_minute_is_lost_and_no_rank_loses_to_a_later_one(seed):
    job = ranked(seed)
    rng = np.random.default_rng(seed)
    work = work_of_zone(job)[job.cycle_zone]
    attempt = _fill(job, rng.permutation(job.cycle_zone.size), work)
    board, items = attempt.board, attempt.items
    before = np.bincount([i.zone for i in items], [i.length for i in items], job.zones)
    ran = np.array([sum(e - s for s, e in p) for p in board.placed])
    left = GivingWay(job, board, items).run()
    after = np.bincount([i.zone for i in left], [i.length for i in left], job.zones)
    assert (ran + before == after + [sum(e - s for s, e in p) for p in board.placed]).all()
    assert consistent(job, board) and board.holds_ramps()
    for rank in range(4):
        assert after[job.finish_rank <= rank].sum() <= before[job.finish_rank <= rank].sum()
        if before[job.finish_rank < rank].sum() == 0:
            assert after[job.finish_rank <= rank].sum() <= before[job.finish_rank <= rank].sum()


def test_who_is_taken_off_at_a_moment():
    # of rank 2 the longer of two; then the other, then rank 1; never the first rank
    job = night(range(5), [60] * 5, [2] * 5, capacity=100.0, finish_rank=np.array([0, 1, 2, 2, 0]))
    board = Board(job)
    for zone, start, length in ((1, 0, 60), (2, 10, 20), (3, 5, 30), (4, 0, 60)):
        board.place(zone, start, length)
    order = GivingWay(job, board, [Item(0, 40)])
    order._look_at_later(0)
    assert [order._take_off(0, 20) for _ in range(4)] == [True, True, True, False]
    assert [(z, s, e) for z, s, e, _ in order.done] == [(3, 5, 35), (2, 10, 30), (1, 0, 60)]
    assert order.left == [[40], [60], [20], [30], []]
    assert not order.spare.any()
    order._undo(1)
    assert board.placed == [[], [(0, 60)], [(10, 30)], [], [(0, 60)]] and order.left[3] == [30] and order.left[2] == []
    assert order.standing.tolist() == [True, True, False] and order.spare[0, [5, 15, 35]].tolist() == [
        2_000_000, 4_000_000, 2_000_000,
    ]  # fmt: skip
    order._undo()
    assert consistent(job, board) and board.placed[3] == [(5, 35)]
    assert order._take_off(0, 34) and order._take_off(0, 59) and not order._take_off(0, 59)


def test_a_run_goes_where_it_takes_least_from_others_the_latest_of_equals(monkeypatch):
    # 10 L/s; zone 0 wants 8 for 10 min; 4 run in 0..30 and 6 in 40..60
    job = night([0, 1, 2], [10, 30, 20], [8, 4, 6], finish_rank=np.array([0, 1, 1]))
    board = Board(job)
    board.place(1, 0, 30)
    board.place(2, 40, 20)
    order = GivingWay(job, board, [])
    starts = np.array([0, 20, 25, 30, 35, 50])
    # lacking, in shares of 10 L/s: 0.2 a minute beside the 4, 0.4 beside the 6
    assert order._missing(0, 10, starts).tolist() == pytest.approx([2.0, 2.0, 1.0, 0.0, 2.0, 4.0])
    tried = []
    order._clear = lambda zone, start, end: tried.append((start, end)) or False
    assert order._placed(0, 10, starts, latest=False) is False
    assert [s for s, _ in tried] == [30, 25, 35, 20, 0, 50] and tried[0] == (30, 40)
    tried.clear()
    order._placed(0, 10, starts, latest=True)
    assert [s for s, _ in tried] == [50, 35, 30, 25, 20, 0]
    tried.clear()
    order._placed(0, 10, np.array([10, 11, 12, 13]), latest=True)
    assert [s for s, _ in tried] == [13, 11]  # those within a minute of one that failed are left out
    tried.clear()
    order._placed(0, 10, np.arange(0, 50, 2), latest=True)
    assert len(tried) == giving_way.TRIED
    order._clear = lambda zone, start, end: start == 25
    assert order._placed(0, 10, starts, latest=False) is True


def test_what_has_no_place_goes_where_it_takes_least_from_later_ranks():
    # 8 of 10 L/s for 10 min: 4 run in the first half hour, 9 in the second
    job = night([0, 1, 2], [10, 30, 30], [8, 4, 9], finish_rank=np.array([0, 1, 1]))
    board = Board(job)
    board.place(1, 0, 30)
    board.place(2, 30, 30)
    order = GivingWay(job, board, [Item(0, 10)])
    order._look_at_later(0)
    order._serve(0)
    assert board.placed == [[(20, 30)], [], [(30, 60)]] and order.left == [[], [30], []]
    # 5 min where 3 are free at once and 3 is the least that is of use: 3 run, what is left would be too short
    short = night([0, 1], [5, 60], [6, 6], finish_rank=np.array([0, 0]), smallest_cycle=np.array([3.0, 1.0]))
    board = Board(short)
    board.place(1, 0, 57)
    order = GivingWay(short, board, [Item(0, 5)])
    order._look_at_later(0)
    assert order._squeeze(0, 5) == 2 and board.placed[0] == [(57, 60)]


def test_runs_are_laid_anew_only_where_that_leaves_less():
    # of two cycles one has no place, and laid anew one of them has none either
    job = night(
        [0, 0, 1], [20, 20, 60], [6, 6], soak=30.0, finish_rank=np.zeros(2, int), smallest_cycle=np.full(2, 20.0)
    )
    board = Board(job)
    board.place(0, 10, 20)
    order = GivingWay(job, board, [Item(0, 20)])
    order._look_at_later(0)
    order._serve(0)
    assert board.placed[0] == [(10, 30)] and order.left[0] == [20]


def test_a_zone_of_one_cycle_is_served_as_one_run():
    job = night([0, 1], [40, 60], [6, 6], finish_rank=np.array([0, 1]))
    order = GivingWay(job, Board(job), [Item(0, 15), Item(0, 25)])
    order._look_at_later(0)
    order._serve(0)
    assert order.board.placed[0] == [(20, 60)] and order.left[0] == []
    two = replace(job, cycle_zone=np.array([0, 0, 1]), cycle_minutes=np.array([15.0, 25.0, 60.0]))
    order = GivingWay(two, Board(two), [Item(0, 15), Item(0, 25)])
    order._look_at_later(0)
    order._serve(0)
    assert sorted(e - s for s, e in order.board.placed[0]) == [15, 25]


# ---------------------------------------------------------------------------------------------------------- repair


@pytest.mark.parametrize("seed", EVERY[:10])
def test_a_repair_loses_no_minute_and_is_never_dearer(seed):
    job = random_job(seed)
    work = work_of_zone(job)[job.cycle_zone]
    attempt = _fill(job, _orders(job, work)[-1], work)
    board, items = attempt.board, attempt.items
    asked = attempt.left + [sum(e - s for s, e in p) for p in board.placed]
    search = Repair(job, board, items, work_of_zone(job))
    before = search._cost(items)
    left = search.run(600.0, 0.0)
    assert search._cost(left) <= before + 1e-9
    after = np.bincount([i.zone for i in left], [i.length for i in left], job.zones).astype(int)
    assert (after + [sum(e - s for s, e in p) for p in board.placed] == asked).all()
    assert consistent(job, board)


def test_what_a_repair_turns_to():
    job = night([0, 1, 2, 2], [20, 30, 10, 10], [2, 3, 2], finish_by=np.array([1350.0, np.nan, np.nan]))
    board = Board(job)
    board.place(0, 40, 10)
    board.place(1, 0, 10)
    board.place(1, 20, 10)
    search = Repair(job, board, [Item(1, 10)], np.ones(3))
    assert {(t.zone, t.length) for t in (search._target() for _ in range(20))} == {(1, 10), (0, 1)}
    search.left = []
    board.remove(0, 40, 50)
    board.place(0, 0, 10)
    assert {(t.zone, t.length) for t in (search._target() for _ in range(5))} == {(1, 1)}  # in two parts
    board.remove(1, 20, 30)
    board.place(2, 30, 10)
    board.place(2, 50, 10)  # two cycles are two runs
    assert search._target() is None
    assert search.done == [30, 60, 60] and search.timed == [0] and search.whole.tolist() == [True, True, False]


def test_where_a_repair_puts_a_run():
    job = night([0, 1, 2], [10, 20, 60], [6, 4, 4], finish_by=np.array([1355.0, np.nan, np.nan]))
    board = Board(job)
    board.place(1, 20, 20)
    search, doing = Repair(job, board, [], np.ones(3)), repair._Round([], [])
    # the latest in time; or where least is left, beside the other run
    found = set()
    for _ in range(20):
        assert search._insert(Item(0, 10), doing) == 0
        zone, start, end = doing.put.pop()
        board.remove(zone, start, end)
        found.add((zone, start, end))
    assert found == {(0, 25, 35)}
    assert search._tightest(0, 10, np.array([0, 15, 22, 45])) == 22
    assert search._tightest(0, 10, np.array([20, 22, 30, 45])) == 30  # the latest of equals
    board.place(2, 0, 60)
    late = Repair(job, board, [], np.ones(3))
    assert late._insert(Item(0, 10), doing) == 0 and doing.put[-1] in {(0, s, s + 10) for s in range(0, 26)} | {
        (0, 45, 55), (0, 50, 60),
    }  # fmt: skip
    small = replace(job, smallest_cycle=np.full(3, 4.0))
    assert Repair(small, Board(small), [], np.ones(3))._insert(Item(0, 3), doing) == 3
    assert Repair(small, Board(small), [], np.ones(3))._insert(Item(0, 4), doing) == 0


class Rounds(Repair):
    """A repair whose rounds are written down: what each leaves over, and whether clearing holds the ramp."""

    def __init__(self, job, left, script):
        super().__init__(job, Board(job), left, np.ones(job.zones))
        self.script, self.undone, self.asked = script, 0, 0

    def _target(self):
        return Item(0, 1)

    def _round(self, target):
        self.asked += 1
        left = self.script[self.asked - 1] if self.asked <= len(self.script) else None
        return repair._Round([(0, 0, 0)], []), left

    def _undo(self, doing):
        self.undone += 1

    def _restore(self, kept):
        self.left = kept[1]


def test_a_round_is_kept_where_it_leaves_no_more_out_or_hardly_more_early_on(monkeypatch):
    job = night([0], [60], [6])
    ten, nine, more = [Item(0, 10)], [Item(0, 9)], [Item(0, 11)]
    one = Rounds(job, ten, [nine, None, more, ten])
    assert one.run(16.0, 0.0) == nine and one.asked == 4  # each costs 4
    assert one.undone == 3  # ten is one more than nine, and by then nothing more is allowed
    monkeypatch.setattr(repair, "GRACE", 2.0)
    early = Rounds(job, ten, [nine, ten])
    assert early.run(8.0, 0.0) == nine and early.undone == 1  # spent 4 of 8: nine; then 0 of 2 more are allowed
    early = Rounds(job, ten, [nine, ten])
    early.run(16.0, 0.0)
    assert early.undone == 2  # 2 x (1 - 8/16) = 1 more: kept; the two after it say nothing
    assert Rounds(job, ten, [nine]).run(4.0, 10.0) == ten  # little enough is left as it is
    parts_on = Rounds(job, ten, [nine])
    parts_on.board.place(0, 0, 5)
    parts_on.board.place(0, 20, 5)  # parts are not what is left out
    parts_on.run(4.0, 10.0)
    assert parts_on.asked == 0
    idle = Rounds(job, ten, [])
    idle.run(1e9, 0.0)
    assert idle.asked == repair.SMALL_IDLE
    monkeypatch.setattr(repair, "SMALL", 0)
    idle = Rounds(job, ten, [None] * 50 + [nine])
    idle.run(1e9, 0.0)
    assert idle.asked == 51 + repair.IDLE
    done = Rounds(job, ten, [[], None, None, None, None, None])
    done.run(40.0, 0.0)
    assert done.asked == 1 + 3  # a quarter of the effort, 10, for making whole runs of parts


# ------------------------------------------------------------------------------------------------------ putting back


class Written(PuttingBack):
    """Rounds that cost what is written down: starts of the one cycle, and whether the ramp held."""

    def _drawn(self, cost):
        return 0

    def _round(self, target, cost, most):
        self.most.append(most)
        self.asked += 1
        if self.asked > len(self.script):
            return None
        start, holds = self.script[self.asked - 1]
        begin = int(self.start[0])
        self.board.remove(0, begin, begin + 10)
        self.board.place(0, start, 10)
        self.start[0] = start
        return holds


def written(script, cost_of):
    job = night([0], [10], [6])
    board = Board(job)
    board.place(0, 0, 10)
    of = SimpleNamespace(of=lambda start, length: np.array([cost_of[int(start[0])]]))
    one = Written(board, np.zeros(1, int), np.array([10]), np.zeros(1, int), of, np.ones((2, 1), bool), np.ones(1))
    one.script, one.asked, one.most = script, 0, []
    return one


def test_rounds_are_kept_up_to_a_twentieth_above_the_best_and_the_best_is_what_stays():
    cost = {0: 100, 5: 80, 10: 84, 15: 85, 20: 80, 25: 79}
    one = written([(5, True), (10, True), (15, True), (20, False), (25, True)], cost)
    one.run(5)
    assert one.most == pytest.approx([105.0, 84.0, 84.0, 84.0, 84.0])
    assert one.start.tolist() == [25] and one.board.placed == [[(25, 35)]]
    kept = written([(5, True), (10, True)], cost)
    kept.run(2)
    assert kept.start.tolist() == [5] and kept.board.placed == [[(5, 15)]]  # 84 was looked at from, 80 stays
    kept.board.holds_ramps = lambda: False
    broken = written([(5, False), (10, True)], cost)
    broken.board.holds_ramps = lambda: False
    broken.run(2)
    assert broken.start.tolist() == [10]  # the first broke the ramp
    idle = written([], cost)
    idle.run(1000)
    assert idle.asked == putting_back.IDLE_ROUNDS and idle.board.placed == [[(0, 10)]]
    none = written([(5, True)], {0: 0})
    none.run(5)
    assert none.asked == 0
    done = written([(5, True)], {0: 7, 5: 0})
    done.run(5)
    assert done.asked == 1


def test_what_misses_more_is_drawn_more_often():
    job = night([0, 1, 2], [10] * 3, [2] * 3)
    zone, start = np.arange(3), np.full(3, NOWHERE)
    one = PuttingBack(Board(job), zone, np.full(3, 10), start, costs(3), np.ones((2, 3), bool), np.ones(3))
    drawn = [one._drawn(np.array([0, 100, 900])) for _ in range(400)]
    assert 0 not in drawn and 0.68 < np.mean([d == 2 for d in drawn]) < 0.82  # as the roots: 1 to 3


# --------------------------------------------------------------------------------------------------- bounds and edges


def test_a_run_shorter_than_the_smallest_cycle_may_still_run_whole():
    job = night([0, 1, 1], [3, 8, 12], [2, 2], smallest_cycle=np.array([5.0, 5.0]))
    board = Board(job)
    assert board.least.tolist() == [5, 5] and board.shortest.tolist() == [3, 5]


def test_patterns_are_looked_for_only_where_a_limit_is_nearly_all_used():
    # three zones of 6 of 10 L/s for 20 min: one at a time takes the whole hour, where their water takes 36 min
    job = night([0, 1, 2], [20, 20, 20], [6, 6, 6])
    for plain, found in ((0.5, 0.0), (0.99, 60.0), (np.inf, 0.0)):
        bound = bounds._pattern_bounds(job, job.pump, job.pump_capacity, np.array([plain * 60.0]))
        assert bound.tolist() == pytest.approx([found])
    # of a pump and of a branch alike: of 6, 6 and 4 L/s no two run together on 9
    full = night([0, 1, 2], [10, 10, 10], [6, 6, 4], capacity=9.0, window=(1320.0, 1340.0))
    piped = replace(full, branch=np.zeros(3, int), branch_capacity=np.array([9.0]), pump=np.full(3, -1))
    for one, name in ((full, "pump"), (piped, "branch")):
        plain, patterns = (getattr(bounds.lower_bounds(one, patterns=asked), name) for asked in (False, True))
        assert plain[0] < 29.0 and patterns.tolist() == pytest.approx([30.0])
    # what does not run, or draws nothing, does not count, though it alone were too much
    for flow, minutes in (([6.0, 20.0], [10.0, 0.0]), ([6.0, 0.0], [10.0, 99.0])):
        assert pattern_bound(np.array(flow), np.array(minutes), 9.0) == pytest.approx(10.0)


def test_a_flow_at_the_smallest_but_for_round_off_is_not_too_low():
    level = np.array([0.0, 1e-10, 3.9, 4.0 * (1 - 1e-9), 4.0, 5.0])
    assert simulate._low(level, 4.0).tolist() == [False, False, True, False, False, False]


def test_pieces_of_the_window_less_than_a_minute_apart_are_one_to_a_ramp():
    half = night([0], [10], [6], resolution=np.array([0.5]), step_s=30)
    pieces = np.array([[1320.0, 1330.0], [1330.5, 1350.0], [1351.0, 1360.0], [1400.0, 1440.0]])
    half = replace(half, pieces=pieces, blocks=pieces)
    assert half.grid_s == 30 and bounds._rows_of_steps(half, 2) == [80, 20 + 39, 18]
    assert bounds._rows_of_steps(half, 3) == [80, 20 + 39 + 18]
