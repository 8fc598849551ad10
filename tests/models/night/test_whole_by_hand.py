"""Whole cycles on a full night: what they cost, which parts are laid anew and when the search ends, by hand."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from models.night import cutting, packing, whole, wishes
from models.night.board import Board
from models.night.cutting import Attempt
from models.night.dispatch import Taste
from models.night.relay import NOWHERE, Relaid
from models.night.repair import Item
from models.night.whole import WholeRuns
from tests.models.night.nights import random_job
from tests.models.night.test_packing import night

SEEDS = range(12)


def half_minutes(job):
    """The job of controllers that count in half minutes: a grid step is 30 s."""
    return replace(job, resolution=np.full(job.zones, 0.5))


# --------------------------------------------------------------------------------------------------- what it costs


@pytest.mark.parametrize("seed", SEEDS)
def test_what_cycles_cost_and_which_prices_are_theirs(seed):
    job = random_job(seed)
    board = Board(job)
    length = job.to_grid(job.cycle_minutes)
    costs = wishes.costs_of(job, board, length)
    step = job.grid_s / 60.0
    ranks = [0] * job.zones if job.finish_rank is None else job.finish_rank.tolist()
    kinds = sorted(set(ranks))
    levels = [] if job.block_price is None or job.minutes_by_block is None else sorted(set(job.block_price.tolist()))
    priced = levels if len(levels) > 1 else []
    for k, zone in enumerate(job.cycle_zone.tolist()):
        before = len(kinds) - 1 - kinds.index(ranks[zone])  # ranks that give way before it
        assert costs.left_out[k] == 4096 * length[k] * 4**before
        by = np.nan if job.finish_by is None else job.finish_by[zone]
        done = board.steps if np.isnan(by) else min(np.floor(by / step - board.first + 1e-6), board.steps)
        assert costs.done[k] == done
        assert costs.late[k] == (64 * length[k] * (1 + before) if done < board.steps else 0)
        asked = sum(length[job.cycle_zone == zone])
        plan = [sum(job.minutes_by_block[zone][job.block_price == v]) / step for v in priced]
        expected = [q * length[k] / max(asked, sum(plan)) for q in plan] if sum(plan) else [0.0] * len(plan)
        assert costs.quota[k] == pytest.approx(np.array(expected))
    assert costs.passed.shape[0] == len(priced)
    for v, price in enumerate(priced):
        inside = [
            any(
                np.ceil(b / step - 1e-6) <= board.first + t < np.floor(e / step + 1e-6)
                for (b, e), p in zip(job.blocks, job.block_price, strict=True)
                if p == price
            )
            for t in range(board.steps)
        ]
        assert costs.passed[v].tolist() == [0, *np.cumsum(inside).tolist()]


def test_ranks_beyond_ten_weigh_alike():
    job = night(range(13), [5] * 13, [1] * 13, finish_rank=np.arange(13))
    left = wishes.costs_of(job, Board(job), np.full(13, 5)).left_out
    assert left[2] == left[1] == 4096 * 5 * 4**10 and left[12] == 4096 * 5 and left[3] == left[4] * 4


def test_hours_that_the_plan_chose():
    # three blocks at 1, 2 and 1; zone 0 runs 8 min at 1 and 2 at 2, zone 1 at both alike, zone 2 nowhere, zone 3 has
    # 4 min at 2 where its smallest cycle is 5
    job = night(
        [0, 1, 2, 3], [10, 10, 10, 4], [1] * 4, window=(1320.0, 1380.0), smallest_cycle=np.array([3.0, 3.0, 3.0, 5.0]),
        blocks=np.array([[1320.0, 1340.0], [1340.0, 1360.0], [1360.0, 1380.0]]), block_price=np.array([1.0, 2.0, 1.0]),
        minutes_by_block=np.array([[5.0, 2.0, 3.0], [3.0, 6.0, 1.0], [0.0, 0.0, 0.0], [0.0, 4.0, 0.0]]),
    )  # fmt: skip
    cheap, every, dear = [True, False, True], [True] * 3, [False, True, False]
    assert wishes.chosen_hours(job).tolist() == [cheap, every, every, dear]
    assert wishes.chosen_hours(replace(job, block_price=None)) is None
    assert wishes.chosen_hours(replace(job, minutes_by_block=None)) is None
    alike = replace(job, minutes_by_block=np.tile([5.0, 5.0, 5.0], (4, 1)))
    assert wishes.chosen_hours(alike) is None  # no zone leaves a price out
    strict = wishes.strict_job(job)
    assert strict.allowed.tolist() == [cheap, every, every, dear] and not strict.hold_finish
    # 40, 60, 60 and 20 min open to 10, 10, 10 and 4 min
    assert wishes.wished_minutes(strict) == pytest.approx((400 + 600 + 600 + 80) / 34)
    assert wishes.wished_minutes(job) == pytest.approx(60.0)
    barred = replace(job, allowed=np.array([[True, False, False]] + [every] * 3))
    assert wishes.strict_job(barred).allowed.tolist() == [[True, False, False], every, every, dear]
    same = replace(job, allowed=np.array([cheap, every, every, dear]))
    assert wishes.strict_job(same) is same
    assert wishes.strict_job(alike) is alike
    timed = replace(same, finish_by=np.array([np.nan, 1350.0, np.nan, np.nan]))
    assert wishes.strict_job(timed).hold_finish and wishes.strict_job(timed).allowed is timed.allowed
    assert wishes.strict_job(replace(alike, finish_by=timed.finish_by)).hold_finish
    assert wishes.strict_job(replace(job, finish_by=timed.finish_by)).hold_finish
    late = replace(alike, finish_by=np.full(4, 1380.0))  # the close itself is no time to be done by
    assert wishes.strict_job(late) is late
    held = replace(timed, hold_finish=True)
    assert wishes.strict_job(held) is held


# ------------------------------------------------------------------------------------------- where the cycles stand


def test_cycles_on_a_board_and_from_one_timetable_to_another():
    job = half_minutes(night([0, 0, 1, 2], [10, 12, 5, 5], [4, 3, 2], soak=5.0))
    runs = WholeRuns(job, Board(job))
    assert runs.length.tolist() == [20, 24, 10, 10] and runs.left.tolist() == [0, 1, 2, 3]
    other = Board(job)
    other.place(0, 60, 24)
    other.place(0, 10, 20)
    other.place(1, 5, 10)
    start = runs._starts_on(other)
    assert start.tolist() == [10, 60, 5, NOWHERE]
    runs._take(start)
    assert runs.board.placed == [[(10, 30), (60, 84)], [(5, 15)], []] and runs.start.tolist() == start.tolist()
    runs._take(np.array([NOWHERE, 60, 7, 20]))
    assert [sorted(p) for p in runs.board.placed] == [[(60, 84)], [(7, 17)], [(20, 30)]]
    assert runs.board.flow[0, 2 + 20 : 2 + 30].tolist() == [2_000_000] * 10
    alike = night([0, 0], [10, 10], [4])
    short = Board(alike)
    short.place(0, 30, 10)
    assert WholeRuns(alike, Board(alike))._starts_on(short).tolist() == [30, NOWHERE]


def test_share_of_each_limit_that_is_asked_for():
    # 120 steps of 10 L/s; 4 x (20 + 24) + 3 x 10; two stations at once for 54 steps
    job = half_minutes(night([0, 0, 1], [10, 12, 5], [4, 3], stations_at_once=np.array([2.0])))
    runs = WholeRuns(job, Board(job))
    assert runs.load.tolist() == pytest.approx([(4 * 44 + 3 * 10) / 1200, 54 / 240])
    assert runs.on_row.all() and [rows.tolist() for rows in runs.rows_of_zone] == [[0, 1], [0, 1]]


def test_cycles_are_filled_in_by_rank_chain_and_use_and_put_where_they_cost_least():
    job = night([0, 1, 1, 2], [10, 10, 10, 30], [10, 10, 10], soak=0.0, finish_rank=np.array([1, 0, 0]))
    job = replace(job, soak=np.array([0.0, 5.0, 0.0]))
    runs, put = WholeRuns(job, Board(job)), []
    runs.start[3] = 0
    runs._put_best = put.append
    runs._fill_in_order()
    assert put == [2, 1, 0]  # rank 0, of which the later cycle first; cycle 3 has a place
    # the latest of the cheapest; one that is late in any case ends first
    timed = night([0, 1], [10, 10], [10, 10], finish_by=np.array([1350.0, 1325.0]))
    runs = WholeRuns(timed, Board(timed))
    runs._put_best(0)
    runs._put_best(1)
    assert runs.start.tolist() == [20, 0]
    full = night([0, 1], [60, 10], [10, 10])
    runs = WholeRuns(full, Board(full))
    runs._put_best(0)
    runs._put_best(1)
    assert runs.start.tolist() == [0, NOWHERE]


def test_every_cycle_ends_nearest_to_the_close_the_first_rank_first():
    job = night([0, 1], [10, 10], [6, 6], finish_rank=np.array([1, 0]))
    runs = WholeRuns(job, Board(job))
    for cycle, start in ((0, 5), (1, 20)):
        runs._put(cycle, start)
    runs.settle()
    assert runs.start.tolist() == [40, 50]
    held = replace(job, held_starts={0: np.array([1325.0])})
    runs = WholeRuns(held, Board(held))
    for cycle, start in ((0, 5), (1, 20)):
        runs._put(cycle, start)
    assert runs.at_held_starts == 1
    runs.settle()
    assert runs.start.tolist() == [5, 50]  # what stands where its controller holds it stays


def test_starts_that_controllers_hold_are_taken_first_and_come_back_where_they_cost_little():
    held = {0: np.array([1325.0, 1345.0]), 1: np.array([1330.0, 1400.0]), 2: np.array([1300.0])}
    job = night([0, 0, 1, 2], [10, 10, 10, 10], [6, 6, 6], held_starts=held, finish_rank=np.array([1, 0, 2]))
    runs = WholeRuns(job, Board(job))
    assert runs.held.tolist() == [5, 25, 10, NOWHERE]  # before the window opens is nowhere
    runs.stand()
    assert runs.start[2] == 10 and runs.start[1] == 25  # the first rank first; cycle 0 would overlap it
    assert runs.start[0] not in (5, NOWHERE) and runs.start[3] != NOWHERE
    priced = night(
        [0, 1], [10, 10], [6, 6], held_starts={0: np.array([1325.0]), 1: np.array([1375.0])},
        blocks=np.array([[1320.0, 1350.0], [1350.0, 1380.0]]), block_price=np.array([1.0, 2.0]),
        minutes_by_block=np.array([[2.0, 8.0], [10.0, 0.0]]),
    )  # fmt: skip
    for worth, there in (
        (5.0, 40),
        (6.0, 5),
    ):  # ten steps in the first block where two were planned, not in the second where eight
        runs = WholeRuns(priced, Board(priced))
        runs._put(0, 40)
        runs._put(1, 20)
        runs.pull_back(worth)
        assert runs.start.tolist() == [there, 20]  # the second would run past the close
    timed = replace(priced, finish_by=np.array([1330.0, np.nan]), minutes_by_block=None)
    for was, there in ((0, 0), (15, 5)):  # to be late where it is not is never worth it
        runs = WholeRuns(timed, Board(timed))
        runs._put(0, was)
        runs.pull_back(1e9)
        assert runs.start[0] == there
    past = replace(priced, cycle_minutes=np.array([30.0, 5.0]), minutes_by_block=None)
    past = replace(past, held_starts={0: np.array([1360.0]), 1: np.array([1370.0])})
    runs = WholeRuns(past, Board(past))
    runs._put(0, 0)
    runs._put(1, 40)
    runs.pull_back(0.0)
    assert runs.start.tolist() == [0, 50]  # what would run past the close stays, the next comes back
    taken = WholeRuns(priced, Board(priced))
    taken._put(0, 40)
    taken._put(1, 10)
    taken.pull_back(1e9)
    assert taken.start.tolist() == [40, 10]  # not where another runs


# ------------------------------------------------------------------------------------------------------- the search


class Scripted(WholeRuns):
    """A search of which only what is asked is looked at: cycles cost what `cost_now` says."""

    def __init__(self, job, cost_now):
        super().__init__(job, Board(job))
        self.cost_now = np.array(cost_now)
        self.costs = SimpleNamespace(of=lambda start, length: self.cost_now)
        self.widths, self.relaid, self.better, self.spends = [], [], {}, 1.0
        self.proofs, self.same, self.least = {}, False, 0.0

    def _proven(self, target):
        return self.proofs.get(target, (False, 0.0))

    def _parts(self, target, width):
        self.widths.append((target, width))
        return [np.array([0 if self.same else len(self.widths)])]

    def _relaid(self, free, effort):
        self.relaid.append(effort)
        return len(self.relaid) in self.better, self.least, self.spends


def scripted(cost_now, cycles=3, **changes):
    job = night(range(cycles), [10] * cycles, [6] * cycles)
    one = Scripted(job, cost_now)
    for name, value in changes.items():
        setattr(one, name, value)
    return one


def test_a_search_goes_wider_until_nothing_better_was_found_for_three_tenths_of_its_effort():
    one = scripted([0, 5, 0])
    one.search(10.0)
    assert one.widths == [(1, 0), (1, 1), (1, 2)]  # 10, 9, 8; at 7 it ends
    one = scripted([0, 5, 0], better={2})
    one.search(10.0)
    assert [width for _, width in one.widths] == [0, 1, 0, 1, 2]  # something better at 8: until 5
    one = scripted([0, 5, 0])
    one.search(10.0, enough=5)
    assert one.widths == []
    one = scripted([2, 5, 3], spends=0.1)
    one.search(0.6)
    assert one.widths[:4] == [(1, 0), (2, 0), (0, 0), (1, 1)][: len(one.widths)] and one.relaid[0] == 0.05


def test_a_part_that_failed_is_not_laid_again_before_something_changed():
    one = scripted([0, 5, 0], same=True)
    one.search(10.0)
    assert [width for _, width in one.widths] == list(range(41)) and len(one.relaid) == 1
    one = scripted([0, 5, 0], same=True, better={1})
    one.search(10.0)
    assert len(one.relaid) == 2


def test_what_is_proven_to_find_no_place_is_not_laid_anew_and_all_laid_at_once_is_the_end():
    one = scripted([2, 5, 3], proofs={1: (True, 2.5)})
    one.search(10.0)
    assert one.widths == [(2, 0), (0, 0)]  # 2.5 spent on the proof, 1 on each part
    one = scripted([2, 5, 3], proofs={1: (True, 10.0)})
    one.search(10.0)
    assert one.widths == [(2, 0), (0, 0)] and one.relaid == []
    one = scripted([0, 5, 0], cycles=1, least=4.5)
    one.cost_now = np.array([5])
    one.length = one.length[:1]
    one.search(10.0)
    assert one.widths == [(0, 0)]
    one = scripted([5], cycles=1, least=4.4)
    one.search(10.0)
    assert len(one.widths) == 3


def placed(job, starts):
    runs = WholeRuns(job, Board(job))
    for cycle, start in enumerate(starts):
        if start != NOWHERE:
            runs._put(cycle, start)
    return runs


def test_parts_to_lay_anew_are_the_tightest_limit_then_the_others_then_all_then_drawn_ones(monkeypatch):
    # pump: zones 0 to 5; controller 0: zones 0 and 1
    job = night(
        range(6), [10] * 6, [6] * 6, controller=np.array([0, 0, 1, 1, 1, 1]), stations_at_once=np.array([1.0, 9.0])
    )
    runs = placed(job, [0, 10, 20, 30, 40, NOWHERE])
    assert [p.tolist() for p in runs._parts(0, 0)] == [[0, 1, 2, 3, 4, 5]]  # on the pump
    assert [[c for c in p.tolist()] for p in runs._parts(0, 1)] == [[0, 1, 2, 3, 4, 5]]
    assert [p.tolist() for p in runs._parts(0, 2)] == [[0, 1, 2, 3, 4, 5]]
    tight = night(
        range(6), [10] * 6, [1] * 6, controller=np.array([0, 0, 1, 1, 1, 1]), stations_at_once=np.array([1.0, 4.0])
    )
    runs = placed(tight, [0, 10, 20, 30, 40, NOWHERE])
    assert runs.load[[1, 2]].tolist() == pytest.approx([20 / 60, 40 / 240])
    # two cycles on the tightest: those of the next, the pump, are set free as well
    assert [p.tolist() for p in runs._parts(0, 0)] == [[0, 1, 2, 3, 4, 5]]
    monkeypatch.setattr(whole, "FEW_FREE", 2)
    assert [p.tolist() for p in runs._parts(0, 0)] == [[0, 1]]
    monkeypatch.setattr(whole, "SMALL_ENOUGH", 5)
    monkeypatch.setattr(whole, "FEWEST_DRAWN", 2)
    monkeypatch.setattr(whole, "MOST_DRAWN", 3)
    for width in (2, 7):
        sizes = {len(runs._parts(5, width)[0]) for _ in range(20)}
        assert sizes <= {2, 3} and all(5 in runs._parts(5, width)[0] for _ in range(5))
    # of too many on a limit those around one moment
    monkeypatch.setattr(whole, "MOST_FREE", 4)
    monkeypatch.setattr(whole, "CROWD", 2)
    assert {len(runs._crowd(0, np.ones(6, bool))) for _ in range(20)} == {2}
    assert runs._crowd(0, np.arange(6) < 4).tolist() == [0, 1, 2, 3]
    near = [set(runs._around(5, np.arange(6) != 2, 25.0, 2).tolist()) for _ in range(30)]
    assert all(one <= {1, 3, 0, 4, 5} and 5 in one and 2 not in one for one in near)
    assert {1, 3, 5} in near


def test_all_cycles_of_a_zone_are_laid_anew_together():
    job = night([0, 0, 1, 2], [10, 10, 10, 10], [6, 6, 6])
    runs = WholeRuns(job, Board(job))
    assert runs._of_zones(3, np.array([True, False, False, False])).tolist() == [0, 1, 3]
    assert runs._of_zones(2, np.zeros(4, bool)).tolist() == [2]


def test_a_limit_that_is_all_but_full_may_prove_that_nothing_is_missing_beyond_it(monkeypatch):
    # six zones of 10 min one at a time in 50: one of them has no place, on the pump alone as well
    job = night(range(6), [10] * 6, [9] * 6, window=(1320.0, 1370.0))
    runs, asked = placed(job, [0, 10, 20, 30, 40, NOWHERE]), []
    monkeypatch.setattr(runs, "_alone", lambda row: asked.append(row) or runs.least_on.update({row: 40960.0}) or Relaid)
    monkeypatch.setattr(Relaid, "spent", 0.3, raising=False)
    assert runs._proven(5) == (True, 0.3) and runs._proven(5) == (True, 0.0) and asked == [0]
    runs.least_on[0] = 40959.4  # what is missing costs more than the limit alone makes it
    assert runs._proven(5) == (False, 0.0)
    runs.least_on[0] = 40959.5
    assert runs._proven(5)[0]
    runs.load[:] = 0.89
    assert runs._proven(5) == (False, 0.0)
    runs.load[:] = 0.9
    assert runs._proven(5)[0]
    monkeypatch.setattr(whole, "CROWD", 5)
    assert not runs._proven(5)[0]


def test_a_limit_alone_is_laid_with_its_own_cycles():
    job = night(range(6), [10] * 6, [6] * 6, window=(1320.0, 1370.0))
    runs = WholeRuns(job, Board(job))
    alone = runs._alone(0)
    assert len(alone.start) == 6 and sum(s == NOWHERE for s in alone.start.values()) == 1
    assert runs.least_on[0] == 4096 * 10


def test_what_is_laid_anew_stays_only_where_it_costs_less(monkeypatch):
    job = night(range(3), [20] * 3, [6] * 3)
    runs, given = placed(job, [0, 25, NOWHERE]), {}

    def relaid(start, least=7.0):
        def lay(job, board, length, was, free, costs, effort, known):
            given.update(
                was=was.tolist(), free=free.tolist(), effort=effort, known=known, board=[*map(list, board.placed)]
            )
            return Relaid(start=start, cost=0.0, least=least, spent=0.5)

        monkeypatch.setattr(whole, "relay", lay)
        return runs._relaid(np.array([1, 2]), 0.04)

    one, building = 4096 * 20, whole.BUILDING
    assert relaid({1: 20, 2: NOWHERE}) == (False, 7.0, 0.5 + 2 * building)
    assert runs.start.tolist() == [0, 25, NOWHERE] and runs.board.placed == [[(0, 20)], [(25, 45)], []]
    assert given == {"was": [0, 25, NOWHERE], "free": [1, 2], "effort": 0.04, "known": (), "board": [[(0, 20)], [], []]}
    assert relaid({})[0] is False  # no timetable was found
    runs.least_on[0] = 3.0
    assert relaid({1: 20, 2: 40}) == (True, 7.0, 0.5 + 2 * building)
    assert runs.start.tolist() == [0, 20, 40] and [k.tolist() for k, _ in given["known"]] == [[0, 1, 2]]
    left = placed(job, [NOWHERE, 25, NOWHERE])
    runs = left
    assert relaid({1: NOWHERE, 2: 30})[1] == one + 7.0  # what others cost is added


# ----------------------------------------------------------------------------------------------- with runs in parts


def attempt(job, placed=(), left=(), work=0.0):
    board = Board(job)
    for zone, start, length in placed:
        board.place(zone, start, length)
    steps = np.zeros(job.zones, dtype=np.int64)
    for zone, length in left:
        steps[zone] += length
    return Attempt(board, steps, work, [Item(z, n) for z, n in left])


def test_ways_to_fill_a_night_until_the_effort_is_spent(monkeypatch):
    # four cycles on 60 steps: filling an order takes 2, moment by moment 64, the cycles in parts as many as they are
    job = night(range(4), [10] * 4, [6] * 4)
    said = []

    def noted(name, work=1.0):
        said.append(name)
        return attempt(job, left=[(0, 5)], work=work)

    tastes = [Taste(9.0, 1.0, 0.0, 1.0, rank=1.0), *(Taste(float(k), 1.0, 0.0, 1.0) for k in (1, 2, 3, 4))]
    work = {1.0: 5.0, 2.0: 1.0, 3.0: 9.0, 4.0: 2.0, 9.0: 9.0}
    monkeypatch.setattr(cutting, "TASTES", tastes)
    monkeypatch.setattr(cutting, "_orders", lambda *_: ["first", "second", "third"])
    monkeypatch.setattr(cutting, "_fill", lambda job, order, work: noted(order))
    monkeypatch.setattr(
        cutting, "_dispatch", lambda job, taste, _: noted((job.cycle_zone.size, taste.urgency), work[taste.urgency])
    )
    monkeypatch.setattr(
        cutting, "_in_parts", lambda job, parts: replace(
            job, cycle_zone=np.repeat(job.cycle_zone, parts), cycle_minutes=np.ones(job.cycle_zone.size * parts)
        ),
    )  # fmt: skip

    def ways(effort, job=job):
        said.clear()
        list(cutting._attempts(job, np.ones(4), effort))
        return list(said)

    moments = [(4, 1.0), (4, 2.0), (4, 3.0), (4, 4.0)]  # without ranks the first taste is left out
    assert ways(0.0) == ["first"] == ways(1.9)
    assert ways(2.0) == ["first", moments[0]] == ways(65.0)
    assert ways(66.0) == ["first", *moments[:2]]
    assert ways(193.0) == ["first", *moments[:3]]
    assert ways(258.0) == ["first", *moments, "second"]
    assert ways(260.0) == ["first", *moments, "second", "third"] == ways(261.0)
    # then the three best of them with runs in parts: 8 and 60, 16 and 60, 32 and 60
    assert ways(262.0) == ["first", *moments, "second", "third", (8, 2.0)]
    assert ways(330.0)[7:] == [(8, 2.0), (16, 2.0)] and ways(406.0)[7:] == [(8, 2.0), (16, 2.0), (32, 2.0)]
    assert ways(1e9)[7:] == [(n, taste) for taste in (2.0, 4.0, 1.0) for n in (8, 16, 32)]
    ranked = replace(job, finish_rank=np.arange(4))
    assert ways(66.0, ranked) == ["first", (4, 9.0), (4, 1.0)]
    monkeypatch.setattr(cutting, "_fill", lambda job, order, work: attempt(job))
    assert ways(1e9) == []  # all has a place at once


def test_the_attempt_that_leaves_least_out_with_the_fewest_cuts(monkeypatch):
    job = night([0, 1], [20, 20], [6, 6])
    per_part = 0.5 * 0.6  # half a minute of 6 of 10 L/s
    bounds = SimpleNamespace(largest=40.0)
    whole_run = attempt(job, [(0, 0, 20)], [(1, 20)], work=12.0)
    cut = attempt(job, [(0, 0, 20), (1, 20, 5), (1, 30, 5), (1, 40, 5)], [(1, 5)], work=10.9)
    searched = []
    monkeypatch.setattr(
        cutting, "repaired", lambda job, best, effort, enough: searched.append((effort, enough)) or best
    )

    def best_of(*attempts, bounds=bounds):
        seen = []
        monkeypatch.setattr(cutting, "_attempts", lambda *_: (seen.append(a) or a for a in attempts))
        return cutting._best_attempt(job, 1.0, bounds), len(seen)

    assert best_of(whole_run, cut)[0] is whole_run and searched == [
        (cutting.REPAIR_SHARE, 0.0)
    ]  # 10.9 + 2 x 0.3 = 11.5 is not five hundredths less than 12
    assert per_part == 0.3 and best_of(whole_run, replace(cut, unplaced_work=10.7))[0].unplaced_work == 10.7
    done = attempt(job, [(0, 0, 20), (1, 20, 20)])
    assert best_of(whole_run, done, cut) == (done, 2)  # nothing more is looked for
    searched.clear()
    # a night of 60 min asked for 80: a quarter and a hundredth of 24 must be left out
    short = SimpleNamespace(largest=80.0)
    assert best_of(replace(whole_run, unplaced_work=0.26 * 24 + 0.01), cut, bounds=short)[1] == 2
    assert searched == [(cutting.REPAIR_SHARE, pytest.approx(0.26 * 24))]
    searched.clear()
    assert best_of(replace(whole_run, unplaced_work=0.26 * 24 - 0.01), cut, bounds=short)[1] == 1
    assert searched == []  # little enough is left out


def test_a_standing_night_gives_way_to_one_with_cuts_only_where_it_leaves_clearly_less(monkeypatch):
    job = night([0, 1], [20, 20], [6, 6])
    said = []

    def asked(name, work):
        return lambda *given: said.append(name) or attempt(job, left=[(0, 5)], work=work)

    standing = attempt(job, left=[(0, 5)], work=10.0)
    monkeypatch.setattr(
        cutting, "repaired", lambda job, best, effort, enough: said.append(("repaired", effort, enough)) or best
    )
    monkeypatch.setattr(cutting, "_in_time", asked("in time", 0.0))
    for work, kept in ((9.5, 10.0), (9.4, 9.4)):
        monkeypatch.setattr(cutting, "_best_attempt", asked("anew", work))
        assert cutting.searched(job, 3.0, None, standing).unplaced_work == kept
    assert said == [("repaired", 12.0, 0.0), "anew"] * 2
    timed = replace(job, finish_by=np.array([1379.0, np.nan]))
    assert cutting.searched(timed, 3.0, None, standing).unplaced_work == 0.0 and said[-1] == "in time"
    close = replace(job, finish_by=np.array([1380.0, np.nan]))
    cutting.searched(close, 3.0, None, standing)
    assert said[-1] == "anew"
    whole_night = attempt(job)
    said.clear()
    assert cutting.searched(job, 3.0, None, whole_night) is whole_night and said == [("repaired", 12.0, 0.0)]
    monkeypatch.setattr(cutting, "REPAIRED", 1)
    said.clear()
    cutting.searched(job, 3.0, None, standing)
    assert said == ["anew"]


def test_what_is_left_out_weighs_by_its_share_of_the_scarcest_limit():
    job = half_minutes(night([0, 1], [20, 20], [6, 4]))
    found = cutting.attempt_on(job, Board(job), [Item(0, 3), Item(1, 5), Item(0, 4)])
    assert found.left.tolist() == [7, 5] and found.unplaced_work == pytest.approx((7 * 0.6 + 5 * 0.4) * 0.5)
    board = Board(job)
    board.place(1, 0, 120)
    filled = cutting._with_parts(job, board, np.array([1, 0]), np.array([40, 0]), np.array([0.6, 0.4]))
    assert filled.left.tolist() == [0, 0]
    full = Board(job)
    full.place(0, 0, 120)
    rest = cutting._with_parts(job, full, np.array([1, 0]), np.array([30, 40]), np.array([0.6, 0.4]))
    assert rest.left.tolist() == [30, 0] and rest.unplaced_work == pytest.approx(30 * 0.6 * 0.5)
    assert [(i.zone, i.length) for i in rest.items] == [(0, 30)]


def test_a_repair_weighs_a_minute_of_a_rank_four_times_one_of_the_next(monkeypatch):
    job = half_minutes(night([0, 1, 2], [20, 20, 20], [6, 4, 2], finish_rank=np.array([5, 2, 9])))
    seen = []
    monkeypatch.setattr(
        cutting, "Repair", lambda job, board, items, weight: seen.append(weight.tolist())
        or SimpleNamespace(run=lambda effort, enough: seen.append((effort, enough)) or [Item(2, 4)]),
    )  # fmt: skip
    found = cutting.repaired(job, attempt(job, left=[(0, 5)]), 7.0, 0.25)
    assert seen == [pytest.approx([0.6 / 4, 0.4, 0.2 / 16]), (7.0, 0.25)] and found.left.tolist() == [0, 0, 4]
    seen.clear()
    cutting.repaired(replace(job, finish_rank=None), attempt(job, left=[(0, 5)]), 7.0, 0.25)
    assert seen[0] == pytest.approx([0.6, 0.4, 0.2])


def test_times_to_be_done_by_are_held_first_and_let_go_where_that_leaves_something_out(monkeypatch):
    job = night([0, 1], [20, 20], [6, 6], finish_by=np.array([1345.0, np.nan]))
    asked = []

    def filled(*answers):
        answers = iter(answers)
        asked.clear()
        monkeypatch.setattr(
            cutting,
            "_best_attempt",
            lambda job, effort, bounds: asked.append((job.hold_finish, effort)) or next(answers),
        )

    monkeypatch.setattr(
        cutting, "repaired", lambda job, best, effort, enough: asked.append(("repaired", effort)) or best
    )
    bounds, short = SimpleNamespace(largest=60.0), SimpleNamespace(largest=61.0)
    filled(attempt(job, [(0, 0, 20), (1, 40, 20)]))
    found = cutting._in_time(job, 8.0, bounds)
    assert asked == [(True, 8.0)] and found.board.placed == [[(0, 20)], [(40, 60)]] and found.unplaced_work == 0.0
    # what finds no place in time is put in late, one run with its part, ending as early as it can
    filled(attempt(job, [(0, 0, 5), (1, 25, 20)], [(0, 15)], work=9.0))
    found = cutting._in_time(job, 8.0, bounds)
    assert asked == [(True, 8.0)] and not found.left.any()
    assert [sorted(p) for p in found.board.placed] == [[(0, 20)], [(25, 45)]]
    # where it has none either the night is filled without those times as well, on more of the effort
    filled(attempt(job, [(1, 0, 60)], [(0, 20)], work=9.0), attempt(job, left=[(0, 10)], work=11.3))
    found = cutting._in_time(job, 8.0, short)
    assert asked == [(True, 2.0), (False, 8.0), ("repaired", 32.0)] and found.unplaced_work == 11.3
    # 11.5 is no twentieth less than 20 min of 0.6
    filled(attempt(job, [(1, 0, 60)], [(0, 20)], work=9.0), attempt(job, left=[(0, 10)], work=11.5))
    assert cutting._in_time(job, 8.0, short).unplaced_work == pytest.approx(12.0)


# ------------------------------------------------------------------------------------------------------- the packer


def test_how_a_night_is_looked_at_by_the_effort_there_is(monkeypatch):
    said = []
    runs = SimpleNamespace(
        fill=lambda effort, careful: said.append(("fill", effort, careful)),
        put_back=lambda rounds: said.append(("put back", rounds)),
        search=lambda effort: said.append(("search", effort)),
        length=np.zeros(5),
    )
    full = packing.EFFORT

    def look(effort, may_fit=True):
        said.clear()
        packing._fill(runs, effort)
        packing._look_quickly(runs, effort, may_fit)
        packing._search(runs, effort)
        return said[1:] if said[0] == ("fill", min(effort, packing.QUICK_FILLING), False) else said

    assert look(full) == [("fill", min(full, packing.FILLING), True), ("search", packing.SOLVING)]
    # few cycles that may all fit: the solver for a moment, then some rounds; else more rounds alone
    solved = [("search", packing.QUICK_SOLVING / 4), ("put back", int(packing.LAST_ROUNDS / 4))]
    assert look(full / 4) == solved
    assert look(full / 4, may_fit=False) == [("put back", int(packing.ROUNDS / 4))]
    runs.length = np.zeros(packing.FEWEST_CYCLES)
    assert look(full / 4) == solved
    runs.length = np.zeros(packing.FEWEST_CYCLES + 1)
    assert look(full / 4) == [("put back", int(packing.ROUNDS / 4))]
    runs.length = np.zeros(packing.PUT_BACK + 1)
    assert look(full / 4) == []


def test_kept_starts_are_worth_keeping_where_nothing_more_is_late_and_hours_are_hardly_dearer():
    job = half_minutes(night([0], [10], [6]))

    def runs(cost, wishes, held):
        return SimpleNamespace(cost=cost, wish_cost=cost + wishes, at_held_starts=held)

    worth = packing.STEADY.start_worth
    assert not packing._worth_keeping(job, runs(6, 0, 9), runs(5, 0, 0))
    assert packing._worth_keeping(job, runs(5, 0, 3), runs(5, 0, 1))
    steps = int(2 * worth / 0.5)  # of a half minute each, for two more starts kept
    assert packing._worth_keeping(job, runs(5, 4 + steps, 3), runs(5, 4, 1))
    assert not packing._worth_keeping(job, runs(5, 5 + steps, 3), runs(5, 4, 1))
    assert packing._worth_keeping(job, runs(4, 4 + steps, 3), runs(5, 4, 1))


def test_a_night_is_filled_moment_by_moment_where_order_leaves_something_missing(monkeypatch):
    job = night([0, 1], [10, 10], [6, 6], finish_by=np.array([1340.0, np.nan]))
    ranked = replace(job, finish_rank=np.array([0, 1]))
    said = []

    class Filling:
        """Puts both cycles where it is told."""

        def __init__(self, job, board):
            self.job, self.board = job, board

        def stand(self, starts):
            self.seeded = dict(starts)

        def run(self, taste):
            said.append((taste.urgency, self.job.hold_finish, self.seeded))
            at = where.pop(0) if where else {}
            for cycle, start in at.items():
                self.board.place(cycle, start, 10)

    tastes = [Taste(1.0, 1.0, 0.0, 1.0, rank=1.0), Taste(2.0, 1.0, 0.0, 1.0), Taste(3.0, 1.0, 0.0, 1.0)]
    monkeypatch.setattr(whole, "Dispatcher", Filling)
    monkeypatch.setattr(whole, "TASTES", tastes)
    monkeypatch.setattr(WholeRuns, "_tight_first", lambda self, careful: {})

    def filled(job, effort, *places, careful=True):
        said.clear()
        where[:] = places
        runs = WholeRuns(job, Board(job))
        runs._fill_in_order = lambda: None
        runs.fill(effort, careful)
        return runs.start.tolist()

    where = []
    # strict and free for each taste: 62 each; a taste of ranks only where there are some
    assert filled(job, 0.0) == [NOWHERE, NOWHERE] and said == [(2.0, True, {}), (2.0, False, {})]
    filled(job, 123.0)
    assert [u for u, *_ in said] == [2.0, 2.0]
    filled(job, 124.0)
    assert [u for u, *_ in said] == [2.0, 2.0, 3.0, 3.0]
    filled(ranked, 0.0)
    assert [u for u, *_ in said] == [1.0, 1.0]
    # the best is what stays, and all in its place ends it
    assert filled(job, 1e9, {0: 5}, {0: 5, 1: 30}) == [5, 30] and len(said) == 2
    assert filled(job, 1e9, {0: 5}, {}, {1: 30}, {}) == [5, NOWHERE]
    assert filled(job, 1e9, {0: 40, 1: 20}, {0: 5, 1: 50}) == [5, 50]  # in time beats late
    monkeypatch.setattr(WholeRuns, "_tight_first", lambda self, careful: {0: 5, 1: NOWHERE} if careful else {1: 7})
    filled(job, 0.0)
    assert said == [(2.0, True, {}), (2.0, False, {}), (2.0, False, {0: 5})]
    filled(job, 0.0, careful=False)
    assert said == [(2.0, True, {}), (2.0, False, {}), (2.0, False, {1: 7})]
    filled(job, 0.0, {0: 40, 1: 20}, careful=False)  # all have a place, only late
    assert said == [(2.0, True, {}), (2.0, False, {})]


@pytest.mark.parametrize(("cycles", "careful", "laid"), [(20, False, 0.01), (21, False, None), (21, True, 0.05)])
def test_limits_all_but_full_are_laid_alone_with_care_or_where_few_cycles_are_on_them(
    monkeypatch, cycles, careful, laid
):
    # each runs 57 of 60 min, all at once: 0.95 of the pump
    job = night(range(cycles), [57] * cycles, [1] * cycles, capacity=cycles)
    runs, asked = WholeRuns(job, Board(job)), []
    alone = SimpleNamespace(start={0: 3})
    monkeypatch.setattr(WholeRuns, "_alone", lambda self, row, effort: asked.append((row, effort)) or alone)
    assert runs._tight_first(careful) == ({} if laid is None else {0: 3})
    assert runs._tight_first(careful) == ({} if laid is None else {0: 3})  # found once
    assert asked == ([] if laid is None else [(0, laid)])


def test_what_is_done_to_a_night_from_nothing(monkeypatch):
    job = night(range(3), [10] * 3, [6] * 3)
    said = []

    class Runs:
        """Whole runs of which only what is asked is written down."""

        length = np.zeros(3)
        left = np.zeros(0)

        def __init__(self, job, board):
            self.job = job

        def __getattr__(self, name):
            return lambda *given: said.append((name, *given))

    monkeypatch.setattr(packing, "WholeRuns", Runs)
    monkeypatch.setattr(packing, "_as_wished", lambda *_: None)
    full, nearly = packing.EFFORT, packing.NEARLY_FULL

    def anew(effort, largest, job=job):
        said.clear()
        packing._anew(job, effort, SimpleNamespace(largest=largest))
        return [name for name, *_ in said]

    careful = ["fill", "search", "hurry", "settle", "keep_hours"]
    monkeypatch.setattr(packing, "FEWEST_CYCLES", 3)
    assert anew(full, 60.0) == careful and ("hurry", packing.HURRY) in said and ("keep_hours", packing.HOURS) in said
    assert anew(2 * full, 60.0) == careful and ("hurry", 2 * packing.HURRY) in said
    assert anew(full, 60.1) == [n for n in careful if n != "search"]  # it cannot hold all
    assert anew(full / 2, 60.0) == ["fill", "search", "put_back", "settle"]
    assert anew(full / 2, 60.1) == ["fill", "put_back", "settle"]
    monkeypatch.setattr(packing, "FEWEST_CYCLES", 2)
    assert anew(full, nearly * 60.0) == careful
    assert "search" not in anew(full, nearly * 60.0 + 0.1)
    wished = Runs(job, None)
    monkeypatch.setattr(packing, "_as_wished", lambda *_: wished)
    said.clear()
    assert packing._anew(job, full, SimpleNamespace(largest=60.0)) is wished and said == []


def test_a_night_within_its_wishes_is_taken_where_all_finds_a_place(monkeypatch):
    job = night(range(4), [10] * 4, [6] * 4, finish_by=np.array([1350.0, np.nan, np.nan, np.nan]))
    said, left = [], []

    class Runs:
        """Whole runs whose search finds places for what is left."""

        def __init__(self, job, board):
            self.job, self.board, self.left, self.length = job, board, np.zeros(left[0]), np.zeros(4)
            said.append(job.hold_finish)

        def fill(self, *given):
            said.append("fill")

        def search(self, effort):
            said.append("search")
            self.left = np.zeros(left[1])

        def settle(self):
            said.append("settle")

    monkeypatch.setattr(packing, "WholeRuns", Runs)
    monkeypatch.setattr(packing, "WORTH_TRYING", 0.5)

    def asked(before, after, largest=60.0, job=job):
        said.clear()
        left[:] = [before, after]
        return packing._as_wished(job, packing.EFFORT, SimpleNamespace(largest=largest))

    found = asked(2, 0)
    assert said == [True, "fill", "search", "settle"] and found.board.job is job  # hours are open again
    assert asked(3, 0) is None and said == [True, "fill"]  # too much has no place to be worth a search
    assert asked(1, 1) is None and said == [True, "fill", "search"]
    assert asked(0, 0, largest=60.1) is None and said == []
    plain = replace(job, finish_by=None)
    assert asked(0, 0, job=plain) is None and said == []  # nothing is wished


def test_what_found_no_place_is_cut_the_dearest_first(monkeypatch):
    job = night([0, 1, 2], [20, 20, 20], [6, 4, 2])
    said = []
    monkeypatch.setattr(
        packing, "place_evenly", lambda board, zone, n: said.append((zone, n)) or (0 if zone == 1 else n)
    )
    monkeypatch.setattr(packing, "place_in_parts", lambda board, zone, n: said.append(("parts", zone, n)) or n - 3)
    monkeypatch.setattr(packing, "in_order", lambda job, best: best)
    monkeypatch.setattr(packing, "searched", lambda job, effort, bounds, best: said.append("searched") or best)
    items = [(2, 20), (1, 10), (0, 10)]  # 0.2 x 20, 0.4 x 10, 0.6 x 10
    fits, over = SimpleNamespace(largest=60.0), SimpleNamespace(largest=80.0)
    best = packing._cut(job, packing.EFFORT, fits, attempt(job, left=items))
    assert said == [(0, 10), ("parts", 0, 10), (2, 20), ("parts", 2, 20), (1, 10), "searched"]
    assert best.left.tolist() == [7, 0, 17]
    said.clear()
    packing._cut(job, packing.EFFORT / 2, fits, attempt(job, left=items))
    assert "searched" not in said  # a quick look at a small night
    monkeypatch.setattr(packing, "FEW_CYCLES", 2)
    packing._cut(job, packing.EFFORT / 2, fits, attempt(job, left=items))
    assert "searched" in said
    # of 24 minutes of the whole pump 7.6 are left; a night that must leave out a quarter leaves that at (0.25 + share)
    said.clear()
    monkeypatch.setattr(packing, "CLOSE_ENOUGH", 7.7 / 24 - 0.25)
    packing._cut(job, packing.EFFORT, over, attempt(job, left=items))
    assert "searched" not in said
    monkeypatch.setattr(packing, "CLOSE_ENOUGH", 7.5 / 24 - 0.25)
    packing._cut(job, packing.EFFORT, over, attempt(job, left=items))
    assert "searched" in said


def test_a_run_of_which_less_than_the_smallest_found_a_place_is_taken_off():
    job = half_minutes(night([0, 1, 2], [20, 20, 20], [6, 4, 2], smallest_run=np.array([8.0, 8.0, 8.0])))
    best = attempt(job, [(0, 0, 10), (0, 20, 5), (1, 40, 16), (2, 100, 1)], [(0, 25), (1, 24), (2, 39)])
    found = packing._worth_making(job, best)
    # 7.5 min of zone 0 and half a minute of zone 2 are too little, 8 of zone 1 are not
    assert found.left.tolist() == [40, 24, 40] and found.board.placed == [[], [(40, 56)], []]
    assert sorted((i.zone, i.length) for i in found.items) == [(0, 40), (1, 24), (2, 40)]
    plain = replace(job, smallest_run=None)
    same = attempt(plain, [(0, 0, 10)], [(0, 30)])
    assert packing._worth_making(plain, same) is same
    # a valve that opens as two others close may be all that keeps the ramp: it stays
    ramped = replace(job, flow=np.array([4.0, 4.0, 4.0]), pump_capacity=np.array([20.0]), pump_ramp=np.array([5.0]))
    kept = attempt(ramped, [(1, 0, 20), (2, 5, 15), (0, 20, 10)], [(0, 30), (1, 20), (2, 25)])
    found = packing._worth_making(ramped, kept)
    assert found.board.placed[0] == [(20, 30)] and found.left[0] == 30
