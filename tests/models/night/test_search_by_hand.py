"""What the searches of a full night count and choose from, piece by piece; that they help is tested beside them."""

from dataclasses import replace
from itertools import combinations, product
from types import SimpleNamespace

import numpy as np
import pytest

from models.night import cutting, dispatch, parts
from models.night.board import Board
from models.night.dispatch import Dispatcher, Taste
from models.night.putting_back import PuttingBack
from models.night.relay import NOWHERE, Costs, relay
from models.night.repair import Item, Repair
from tests.models.night.test_packing import night


def costs(count, **changes):
    """Cycles that cost 100 without a place and 10 late, done by step 30, without prices."""
    given = {
        "left_out": np.full(count, 100), "late": np.full(count, 10), "done": np.full(count, 30), "outside": 2,
        "quota": np.zeros((count, 0)), "passed": np.zeros((0, 61), dtype=np.int64),
    }  # fmt: skip
    return Costs(**given | changes)


def test_cost_of_a_cycle_by_where_it_stands():
    plain = costs(3)
    start, length = np.array([20, 21, NOWHERE]), np.full(3, 10)
    assert plain.of(start, length).tolist() == [0, 10, 100]  # ended by 30, a step late, without a place
    assert plain.at(0, np.array([19, 20, 21]), 10).tolist() == [0, 0, 10]
    # prices: steps 0 to 30 at the first, then at the second; six steps of each were planned
    passed = np.stack((np.minimum(np.arange(61), 30), np.maximum(np.arange(61) - 30, 0)))
    priced = costs(2, quota=np.full((2, 2), 6.0), passed=passed, done=np.full(2, 61))
    assert priced.of(np.array([10, 26]), np.full(2, 10)).tolist() == [2 * 4, 0]  # four too many at the first; 4 and 6
    assert priced.at(0, np.array([10, 25, 40]), 10).tolist() == [8, 0, 8]
    assert priced.beyond(0, np.array([24, 23]), 10).tolist() == [0, 1]
    hair = costs(1, quota=np.array([[6.0 - 1e-7, 4.0]]), passed=passed, done=np.full(1, 61))
    assert hair.beyond(0, np.array([24]), 10).tolist() == [0]  # what floating point lacks is no step


def putting_back(job, start):
    """A search on a board of whole cycles."""
    board, zone = Board(job), job.cycle_zone
    length = job.to_grid(job.cycle_minutes)
    for k in np.flatnonzero(np.array(start) != NOWHERE):
        board.place(int(zone[k]), start[k], int(length[k]))
    on_row = np.zeros((board.free.shape[0], zone.size), dtype=bool)
    for k, z in enumerate(zone):
        for row, _ in board.uses[z]:
            on_row[row, k] = True
    use = job.flow[zone] / job.flow.max()
    return PuttingBack(board, zone, length, np.array(start), costs(zone.size, done=np.full(zone.size, 60)), on_row, use)


def test_what_is_taken_off_runs_on_the_limits_of_what_has_no_place():
    # two pumps; the cycle without a place is on the first, as are cycles 0 and 1; 3 has no place either
    job = night([0, 1, 2, 3, 4], [10] * 5, [2, 3, 4, 2, 2])
    job = replace(
        job,
        pump=np.array([0, 0, 1, 0, 0]),
        pump_capacity=np.full(2, 10.0),
        pump_ramp=np.full(2, np.inf),
        pump_smallest=np.zeros(2),
    )
    search = putting_back(job, [0, 50, 20, NOWHERE, NOWHERE])
    assert sorted(search._around(4, 30.0)) == [0, 1]
    cost = search.costs.of(search.start, search.length)
    assert cost.tolist() == [0, 0, 0, 100, 100]
    orders = [search._order(4, [0, 1], cost) for _ in range(30)]
    assert all(order[0] == 4 and sorted(order[1:]) == [0, 1, 3] for order in orders)
    last = [order.index(3) == 3 for order in orders]
    assert 10 < sum(last) < 30  # mostly, what missed a place before comes last
    assert all(search._drawn(cost) in (3, 4) for _ in range(10))


@pytest.mark.parametrize(("start", "drawn", "moment"), [(20, 0.49, 25.0), (20, 0.5, 7.0), (NOWHERE, 0.0, 7.0)])
def test_a_place_is_cleared_about_the_middle_of_a_cycle_that_stands_in_half_the_rounds(start, drawn, moment):
    search, asked = putting_back(night([0, 1], [10, 10], [2, 3]), [start, NOWHERE]), []
    search.random = SimpleNamespace(
        uniform=lambda low, high: 7.0 if (low, high) == (0, search.board.steps) else None,
        random=lambda count=None: drawn if count is None else np.zeros(count),
    )
    search._around = lambda target, at: asked.append((target, at)) or []
    search._order = lambda target, off, cost: asked.append(off) or []
    assert search._round(0, np.zeros(2, dtype=int), np.inf) is True
    assert asked == [(0, moment), [] if start == NOWHERE else [0]] and search.start[0] == NOWHERE


def test_ranks_give_way_only_where_some_stand_last_and_something_is_left(monkeypatch):
    job, ranked = night([0, 1], [10, 10], [2, 3]), night([0, 1], [10, 10], [2, 3], finish_rank=np.array([0, 1]))
    monkeypatch.setattr(cutting, "GivingWay", lambda job, board, items: SimpleNamespace(run=lambda: [Item(1, 4)]))
    whole, short = (SimpleNamespace(left=np.array(left), board="board", items=[]) for left in ([0, 0], [0, 5]))
    assert cutting.in_order(job, short) is short and cutting.in_order(ranked, whole) is whole
    found = cutting.in_order(ranked, short)
    assert (found.board, found.left.tolist()) == ("board", [0, 4])


def test_of_starts_as_tight_the_latest_is_taken():
    # 8 of 10 L/s run in steps 20 to 30: a cycle of 2 fits tightest from 20 on
    job = night([0, 1], [10, 10], [8, 2])
    search = putting_back(job, [20, NOWHERE])
    assert search._where_tight(1, 10, np.arange(0, 51)) == 20
    assert search._where_tight(1, 5, np.arange(0, 51)) == 25


def test_a_repair_counts_what_is_left_late_and_in_parts():
    job = night([0, 1], [20, 30], [2, 3], finish_by=np.array([1350.0, np.nan]))
    board = Board(job)
    board.place(0, 5, 10)
    board.place(0, 40, 10)
    search = Repair(job, board, [Item(1, 30)], np.array([1.0, 2.0]))
    # 30 steps of weight 2; one of two parts of weight 1 ends after 22:30; parts count half
    assert search._cost(search.left) == 60.0 + 1.0 + 0.5 * 2.0 and search._cost(search.left, parts=False) == 60.0
    merged = search._merged([Item(1, 10), Item(0, 5), Item(1, 20)])
    assert sorted((i.zone, i.length) for i in merged) == [(0, 5), (1, 30)]
    assert sorted(search._chosen(Item(1, 30))) == [(0, 5, 15), (0, 40, 50)]
    apart = replace(job, pump=np.array([0, -1]), controller=np.array([-1, -1]))
    alone = Board(apart)
    alone.place(0, 5, 10)
    assert Repair(apart, alone, [], np.ones(2))._chosen(Item(1, 30)) == []  # they share no limit
    several = night([0, 0], [10, 10], [2], soak=5.0)
    assert len(Repair(several, Board(several), [], np.ones(1))._merged([Item(0, 10), Item(0, 10)])) == 2


def test_what_is_weighed_at_a_moment_of_the_night():
    # zones of 4 and 6 L/s for 20 min in two cycles and 10 min; pump 10, a branch of 5 for the
    # first, two stations at once; 40 steps are left, and 8 L/s at the pump
    job = night([0, 0, 1], [10, 10, 10], [4, 6], finish_rank=np.array([0, 1]))
    job = replace(
        job,
        soak=np.array([10.0, 0.0]),
        branch=np.array([0, -1]),
        branch_capacity=np.array([5.0]),
        stations_at_once=np.array([2.0]),
    )
    board = Board(job)
    fill = Dispatcher(job, board)
    column = np.array([8_000_000, 5_000_000, 2, 2**60])
    chain = [(20 + 10) / 40, 10 / 40]
    branch, stations = 4 * 20 / (5 * 40), 30 / (2 * 40)
    urgency = np.array([max(chain[0], branch, stations), max(chain[1], stations)])
    fit, pipe, last = np.array([4 / 8, 6 / 8]), np.array([4 / 5, 0.0]), np.array([1.0, 0.0])
    for taste in (Taste(1.0, 1.0, 0.0, 1.0), Taste(2.0, 0.5, 0.3, 4.0, rank=0.7)):
        expected = taste.urgency * urgency**taste.patience + taste.fit * fit + taste.branch * pipe + taste.rank * last
        found = fill._score(np.array([0, 1]), 40, column, taste)
        assert found.tolist() == pytest.approx(expected.tolist(), abs=1e-6)
    fill._place(0, 40)  # its last cycle ends at 40: before it soaks until 20, and then goes on sooner
    assert fill.ready[0] == 20 and fill.left.tolist() == [10, 0, 10] and fill.chain.tolist() == [10, 10]
    going = fill._score(np.array([0]), 20, column, Taste(1.0, 0.0, 0.0, 1.0))
    assert going[0] == pytest.approx(max(10 / 20, 4 * 10 / (5 * 20), 20 / (2 * 20)) + 0.15)
    assert fill._score(np.array([0]), 19, column, Taste(1.0, 0.0, 0.0, 1.0))[0] == pytest.approx(10 / 19)


def test_with_many_zones_waiting_the_best_are_weighed_anew_and_the_best_of_them_runs(monkeypatch):
    monkeypatch.setattr(dispatch, "AT_ONCE", 2)
    job = night([0, 1, 2, 3, 4], [10] * 5, [6] * 5)  # a pump of 10: one at a time
    fill, value, asked = Dispatcher(job, Board(job)), np.array([1.0, 5.0, 3.0, 4.0, 2.0]), []
    fill._score = lambda zones, end, column, taste: asked.append(sorted(zones.tolist())) or value[zones]
    fill._fill_moment(np.arange(5), 60, None)
    assert asked[:2] == [[0, 1, 2, 3, 4], [1, 3]]
    assert [k for k in range(5) if fill.left[k] == 0] == [1]


def test_lengths_of_parts_are_tried_step_by_step_and_then_by_thirds():
    # 40 whole; 39 to 37 would leave less than 4; then 36, 35, 34, and from there a third of what is over 4 each time
    assert parts.part_lengths(40, 40, 1, 4) == [40, 36, 35, 34, 24, 18, 14, 11]
    assert parts.part_lengths(40, 38, 2, 4) == [36, 34, 32, 30, 22, 16, 12, 10]
    assert (
        parts.part_lengths(5, 40, 1, 4) == [5]
        and parts.part_lengths(8, 7, 1, 4) == [4]
        and parts.part_lengths(7, 6, 1, 4) == []
    )


@pytest.mark.parametrize(("ramp", "left_out"), [(3.0, 1), (4.0, 0)])
def test_two_valves_that_may_not_open_together_find_no_place_in_one_minute(ramp, left_out):
    # two cycles of 2 L/s that fill the window from its first minute to its last
    job = night([0, 1], [10, 10], [2, 2], window=(1320.0, 1330.0), pump_ramp=np.array([ramp]))
    nowhere = np.full(2, NOWHERE)
    found = relay(
        job,
        Board(job),
        np.full(2, 10),
        nowhere,
        np.arange(2),
        costs(2, done=np.full(2, 60), passed=np.zeros((0, 11))),
        1.0,
    )
    assert sum(start == NOWHERE for start in found.start.values()) == left_out
    assert found.cost == found.least == 100.0 * left_out


def test_what_is_relaid_is_in_time_and_at_its_price_where_that_can_be():
    # one of 10 is barred by a standing run until step 20; done by 30 costs nothing, later 10; 2 for each step
    # beyond what the plan has at the first price, which ends at step 24
    job = night([0, 1], [10, 20], [2, 9], window=(1320.0, 1380.0))
    board = Board(job)
    board.place(1, 0, 20)
    passed = np.stack((np.minimum(np.arange(61), 24), np.maximum(np.arange(61) - 24, 0)))
    priced = costs(2, quota=np.array([[4.0, 6.0], [20.0, 0.0]]), passed=passed, done=np.array([30, 60]))
    found = relay(job, board, np.array([10, 20]), np.array([NOWHERE, 0]), np.array([0]), priced, 1.0)
    assert found.start == {0: 20} and found.cost == found.least == 0.0
    early = costs(2, quota=np.array([[0.0, 10.0], [20.0, 0.0]]), passed=passed, done=np.array([30, 60]))
    late = relay(job, board, np.array([10, 20]), np.array([NOWHERE, 0]), np.array([0]), early, 1.0)
    assert late.start == {0: 20}  # four steps at the first price cost 8, to be late 10


# ------------------------------------------------------------------------------------------------- cutting and filling


def test_what_a_zone_uses_of_its_scarcest_limit():
    # 4 of a pump of 10 is 0.4, of a branch of 5 0.8; one of two stations 0.5; 6 of 10 0.6; without limits none
    job = night([0, 1, 2], [10, 10, 10], [4, 6, 1])
    job = replace(
        job, branch=np.array([0, -1, -1]), branch_capacity=np.array([5.0]), controller=np.array([0, 0, -1]),
        stations_at_once=np.array([2.0]), pump=np.array([0, 0, -1]),
    )  # fmt: skip
    assert cutting.work_of_zone(job).tolist() == pytest.approx([0.8, 0.6, 1e-6])
    shut = replace(job, branch_capacity=np.array([0.0]))
    assert cutting.work_of_zone(shut)[0] == 1e6  # held: it never runs


def test_runs_without_soak_are_cut_in_even_parts_of_what_is_useful():
    job = night([0, 1, 2], [20, 7, 20], [1, 1, 1], smallest_cycle=np.array([3.0, 3.0, 3.0]))
    job = replace(job, soak=np.array([0.0, 0.0, 5.0]))
    found = cutting._in_parts(job, 3)
    # 20 min in three parts of 7, 7 and 6; 7 min hold twice 3 once: one part; what soaks stays whole
    assert found.cycle_zone.tolist() == [0, 0, 0, 1, 2] and found.cycle_minutes.tolist() == [7, 7, 6, 7, 20]
    assert cutting._in_parts(job, 2).cycle_minutes.tolist() == [10, 10, 7, 20]
    assert cutting._in_parts(replace(job, smallest_cycle=np.full(3, 5.0)), 9).cycle_minutes.tolist() == [10, 10, 7, 20]


def test_cycles_are_placed_by_rank_then_by_what_they_need_and_from_the_last_to_the_first():
    # the last key counts most: rank, then chain, then area; of one zone the later cycle first
    job = night([0, 1, 1, 2], [10, 10, 10, 30], [1, 5, 2], soak=0.0, finish_rank=np.array([1, 0, 0]))
    job = replace(job, soak=np.array([0.0, 15.0, 0.0]))
    work = cutting.work_of_zone(job)[job.cycle_zone]
    orders = [order.tolist() for order in cutting._orders(job, work)]
    assert orders[0] == [2, 1, 3, 0]  # rank 0: chain of 35 min before 30; then rank 1
    assert orders[2][:2] == [2, 1]  # what soaks is rigid
    assert orders[3] == [2, 1, 3, 0]  # the most flow first
    assert orders[4] == [3, 2, 1, 0]  # the longest first
    barred = replace(
        job, blocks=np.array([[1320.0, 1350.0], [1350.0, 1380.0]]), allowed=np.array([[1, 1], [1, 1], [1, 0]], bool)
    )
    assert cutting._orders(barred, work)[1].tolist()[0] == 3  # fewest hours first


def test_what_is_late_in_any_case_ends_as_soon_as_it_can():
    job = night([0, 1], [20, 10], [2, 2], finish_by=np.array([1330.0, 1370.0]))
    board = Board(job)
    board.place(0, 30, 20)
    board.place(1, 40, 10)
    cutting._hurried(job, cutting.Attempt(board, np.zeros(2, int), 0.0, []))
    assert board.placed == [[(0, 20)], [(40, 50)]]  # the second is in time where it is
    late = Board(job)
    late.place(0, 40, 10)
    assert cutting._placed_late(late, Item(0, 10), True) == 0 and late.placed[0] == [(0, 20)]  # one run again
    job_full = replace(job, pump_capacity=np.array([3.0]))
    full = Board(job_full)
    for zone, start, length in ((0, 45, 10), (1, 10, 35)):
        full.place(zone, start, length)
    assert cutting._placed_late(full, Item(0, 10), True) == 0  # no room for 20 in one: its part comes back
    assert sorted(full.placed[0]) == [(0, 10), (45, 55)]
    apart = Board(job)
    apart.place(0, 40, 10)
    assert cutting._placed_late(apart, Item(0, 10), False) == 0 and sorted(apart.placed[0]) == [(0, 10), (40, 50)]


def stepped(priced, way, length):
    """Cost of starts where hours at another price count in two steps: none, up to half of a cycle, or all of it."""
    total = 0
    for k, start in enumerate(way):
        if start == NOWHERE:
            total += int(priced.left_out[k])
            continue
        beyond, half = int(priced.beyond(k, np.array([start]), int(length[k]))[0]), int(length[k]) // 2
        total += int(priced.late[k]) * (start + length[k] > priced.done[k])
        total += priced.outside * ((beyond > 0) * (int(length[k]) - half) + (beyond > half) * half)
    return total


def cheapest(job, board, length, priced, ramp):
    """Least cost of all ways to place the cycles of a short night, each tried."""
    capacity, best = 10.0, np.inf
    free = list(zip(job.cycle_zone[:4].tolist(), length[:4].tolist(), strict=True))
    choices = [[NOWHERE, *board.starts(z, n, ramp=False).tolist()] for z, n in free]
    stands = [(z, *span) for z, spans in enumerate(board.placed) for span in spans]
    used = board.flow[0, board.minute : board.minute + board.steps] / 1e6
    for way in product(*choices):
        on = [(int(job.cycle_zone[k]), s, s + int(length[k])) for k, s in enumerate(way) if s != NOWHERE]
        flow = used.copy()
        for z, s, e in on:
            flow[s:e] += job.flow[z]
        apart = all(
            a[0] != b[0] or a[2] + board.soak[a[0]] <= b[1] or b[2] + board.soak[a[0]] <= a[1]
            for a, b in combinations(on, 2)
        )
        if (flow > capacity + 1e-9).any() or not apart:
            continue
        turned = [
            sum(min(ramp, job.flow[z]) for z, *e in on + stands if e[end] == t) for end in (0, 1) for t in range(10)
        ]
        if max(turned) > ramp + 1e-9:
            continue
        best = min(best, stepped(priced, way, length))
    return best


@pytest.mark.parametrize("seed", range(5))
def test_what_is_relaid_costs_as_little_as_any_way_would(seed):
    rng = np.random.default_rng(seed)
    zone = np.array([0, 0, 1, 2, 3])
    minutes = np.array([*([rng.integers(2, 4)] * 2), *rng.integers(3, 6, 2), 3], float)
    ramp = float(rng.choice([5.0, np.inf]))
    job = night(zone, minutes, rng.choice([3.0, 4.0, 6.0], 4), window=(1320.0, 1329.0), pump_ramp=np.array([ramp]))
    job = replace(job, soak=np.array([2.0, 0.0, 0.0, 0.0]))
    board, length = Board(job), minutes.astype(int)
    board.place(3, 4, 3)  # stands already
    passed = np.stack((np.minimum(np.arange(10), 5), np.maximum(np.arange(10) - 5, 0)))
    priced = costs(
        5, left_out=rng.integers(20, 200, 5) * length, late=rng.integers(0, 20, 5), done=rng.integers(4, 10, 5),
        quota=rng.uniform(0, 4, (5, 2)), passed=passed,
    )  # fmt: skip
    priced.left_out[1], priced.late[1], priced.done[1] = priced.left_out[0], priced.late[0], priced.done[0]
    priced.quota[1] = priced.quota[0]  # two cycles of one zone are alike
    for asked in (priced, replace(priced, outside=0)):
        found = relay(job, board, length, np.full(5, NOWHERE), np.arange(4), asked, 5.0)
        placed = np.array([found.start[k] for k in range(4)])
        assert found.cost == found.least == stepped(asked, placed, length)
        assert found.cost == cheapest(job, board, length, asked, ramp)
    placed = np.append(placed, 4)
    again = relay(job, board, length, placed, np.arange(4), asked, 5.0, known=((np.arange(4), found.cost),))
    assert again.cost == again.least == found.cost  # what is known to cost so much costs no more
    loose = relay(job, board, length, placed, np.arange(4), asked, 5.0, known=((np.arange(4), found.cost / 2),))
    assert loose.cost == loose.least == found.cost
