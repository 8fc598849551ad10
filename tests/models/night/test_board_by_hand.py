"""The board of a night, and what is weighed on it, recounted from the runs that stand on it."""

from dataclasses import replace

import numpy as np
import pytest

from models.night import bounds
from models.night.blocks import Laying
from models.night.board import Board
from models.night.giving_way import GivingWay
from models.night.grouping import Grouping
from models.night.packing import pack_night
from models.night.repair import Item
from models.night.steady import Steadier, _Run
from tests.models.night.controllers import needs_of, night, rules_of
from tests.models.night.nights import random_job
from tests.models.night.test_packing import night as plain_night

COARSE = [7, 11, 36]  # drawn sites of coarse steps


def filled(seed, runs=12):
    """A board with some runs at starts it allows."""
    rng = np.random.default_rng(seed)
    job = random_job(seed)
    job = replace(job, pump_ramp=np.full(job.pump_ramp.shape, 3.0))
    board = Board(job)
    for _ in range(runs):
        zone = int(rng.integers(job.zones))
        length = int(rng.integers(1, 15)) * int(board.resolution[zone])
        starts = board.starts(zone, length)
        if starts.size:
            board.place(zone, int(rng.choice(starts)), length)
    return rng, job, board


def level(job, board, pump):
    """Flow of a pump in every step, with a minute of rest on either side [1e-6 L/s]."""
    flow = np.zeros(board.steps + 2 * board.minute, dtype=np.int64)
    for zone, spans in enumerate(board.placed):
        for start, end in spans:
            if job.pump[zone] == pump:
                flow[board.minute + start : board.minute + end] += round(job.flow[zone] * 1e6)
    return flow


def changes(flow, minute, boundary):
    """Largest rise and fall between a step before a boundary and one after it, a minute apart at most."""
    at = minute + boundary
    pairs = [(p, q) for p in range(at - minute, at) for q in range(at, at + minute) if q - p <= minute]
    steps = [int(flow[q] - flow[p]) for p, q in pairs]
    return max(steps), min(steps)


@pytest.mark.parametrize("seed", COARSE)
def test_free_capacity_marks_and_starts_recounted(seed):
    _, job, board = filled(seed)
    capacity = np.concatenate((job.pump_capacity, job.branch_capacity, np.floor(job.stations_at_once)))
    used = np.zeros((capacity.size, board.steps))
    pumps, branches = job.pump_capacity.size, job.branch_capacity.size
    for zone, spans in enumerate(board.placed):
        rows = [
            (job.pump[zone], 0, job.flow[zone]),
            (job.branch[zone], pumps, job.flow[zone]),
            (job.controller[zone], pumps + branches, 1.0),
        ]
        for start, end in spans:
            for member, offset, amount in rows:
                if member >= 0:
                    used[offset + member, start:end] += amount
    scale = np.repeat([1e6, 1e6, 1.0], [pumps, branches, job.stations_at_once.size])
    for row in np.flatnonzero(np.isfinite(capacity)):
        np.testing.assert_allclose(board.free[row, : board.steps] / scale[row], capacity[row] - used[row], atol=1e-5)
    middle = job.to_minutes(board.first + np.arange(board.steps)) + job.grid_min / 2
    opens, closes = middle - job.grid_min / 2, middle + job.grid_min / 2
    inside = ((job.pieces[:, :1] <= opens + 1e-6) & (closes <= job.pieces[:, 1:] + 1e-6)).any(axis=0)
    for zone in range(job.zones):
        amounts = [
            (job.pump[zone], 0, job.flow[zone]),
            (job.branch[zone], pumps, job.flow[zone]),
            (job.controller[zone], pumps + branches, 1.0),
        ]
        bad = ~inside
        for member, offset, amount in amounts:
            if member >= 0 and amount > 0:
                bad |= used[offset + member] + amount > capacity[offset + member] + 1e-6
        if job.allowed is not None:
            for b, (begins, ends) in enumerate(job.blocks):
                bad |= (closes > begins + 1e-6) & (opens < ends - 1e-6) & (not job.allowed[zone, b])
        soak = int(np.ceil(job.soak[zone] / job.grid_min - 1e-6))
        for start, end in board.placed[zone]:
            bad[max(start - soak, 0) : end + soak] = True
        np.testing.assert_array_equal(board.marked(zone)[: board.steps], bad)
        length = 3 * int(board.resolution[zone])
        ok = []
        marked = board.marked(zone)
        for s in range(board.steps - length + 1):
            whole_minute = job.resolution[zone] < 1.0 or (board.first + s) % board.minute == 0
            every = board.start_every[zone]
            fits = not marked[s : s + length].any() and whole_minute and (board.first + s) % every == 0
            if fits and job.pump[zone] >= 0:
                flow = level(job, board, job.pump[zone])
                room = max(3.0 - job.flow[zone], 0.0) * 1e6 + 0.5
                fits = changes(flow, board.minute, s)[0] <= room and changes(flow, board.minute, s + length)[1] >= -room
                assert board.keeps_ramp(zone, s, s + length) == fits
            ok += [s] if fits else []
        assert board.starts(zone, length).tolist() == ok


@pytest.mark.parametrize("seed", COARSE)
def test_ramps_recounted_and_whether_a_run_may_be_taken_off(seed):
    rng, job, board = filled(seed)
    for pump in range(job.pump_capacity.size):
        flow = level(job, board, pump)
        np.testing.assert_array_equal(board.flow[pump], flow)
        found = [changes(flow, board.minute, b) for b in range(board.steps + 1)]
        np.testing.assert_array_equal(board.rise[pump], [f[0] for f in found])
        np.testing.assert_array_equal(board.fall[pump], [f[1] for f in found])
    assert board.holds_ramps()
    standing = board.standing_now()
    for zone, spans in enumerate(standing[4]):
        for start, end in spans:
            pump = job.pump[zone]
            before = (
                [] if pump < 0 else [changes(level(job, board, pump), board.minute, b) for b in range(board.steps + 1)]
            )
            kept = board.remove(zone, start, end)
            if pump >= 0:
                after = [changes(level(job, board, pump), board.minute, b) for b in range(board.steps + 1)]
                better = [
                    a[0] <= max(b[0], 3e6) and a[1] >= min(b[1], -3e6) for a, b in zip(after, before, strict=True)
                ]
                assert kept is all(better)
            else:
                assert kept is True
            board.stand_again(standing)
    assert board.placed == standing[4]


@pytest.mark.parametrize("step", [1.0, 0.5])
def test_a_valve_that_opens_as_another_closes_may_be_all_that_holds_the_ramp(step):
    for ramp, kept in ((3.0, False), (4.0, True)):
        job = night([4.0, 4.0], [10, 10], [1, 1], [0, 0], pump_ramp=np.array([ramp]), resolution=np.full(2, step))
        minute = int(1 / step)
        for taken in (0, 1):
            board = Board(job)
            board.place(0, 0, 10 * minute)
            board.place(1, 10 * minute, 10 * minute)
            assert board.remove(taken, 10 * minute * taken, 10 * minute * (taken + 1)) is kept


def test_a_change_beyond_the_ramp_is_one_valve_s_or_none():
    # 4 L/s alone on a ramp of 3: one valve; two of 2 L/s opened together are no single one
    job = night([4.0, 2.0, 2.0], [5, 5, 5], [1, 1, 1], [0, 0, 0], pump_ramp=np.array([3.0]))
    board = Board(job)
    board.place(0, 10, 5)
    assert board.holds_ramps()
    board.place(1, 30, 5)
    board.place(2, 30, 5)
    assert not board.holds_ramps()
    later = Board(job)
    later.place(1, 30, 5)
    later.place(2, 31, 5)
    assert later.holds_ramps()


# ------------------------------------------------------------------------------------------------ steadying a pump


@pytest.mark.parametrize("seed", COARSE)
def test_where_a_run_stands_best_is_found_by_trying_every_start(seed):
    rng, job, board = filled(seed)
    job = replace(
        job, pump_smallest=np.full(job.pump_smallest.shape, 3.0), block_price=rng.choice([0.1, 0.2], len(job.blocks))
    )
    steadier = Steadier(job, board)
    price = np.zeros(board.steps)
    for (opens, closes), each in zip(job.blocks, job.block_price, strict=True):
        low, high = (int(v) for v in (job.to_grid(np.array(opens), "down"), job.to_grid(np.array(closes), "up")))
        price[max(low - board.first, 0) : max(high - board.first, 0)] = each
    done = (
        np.full(job.zones, np.inf)
        if job.finish_by is None
        else np.where(np.isnan(job.finish_by), np.inf, job.finish_by)
    )
    for zone in [z for z in range(job.zones) if board.placed[z] and job.pump[z] >= 0][:4]:
        steadier.pump, steadier.smallest = int(job.pump[zone]), 3_000_000
        start, end = board.placed[zone][0]
        board.remove(zone, start, end)
        ways = []
        for s in board.starts(zone, end - start).tolist():
            ends = s + end - start
            in_time = ends <= max(np.floor(done[zone] / job.grid_min - board.first + 1e-9), end)
            if in_time and price[s:ends].sum() <= price[start:end].sum() + 1e-9:
                flow = level(job, board, job.pump[zone])[board.minute : board.minute + board.steps]
                flow[s:ends] += round(job.flow[zone] * 1e6)
                low = (flow > 0) & (flow < 3_000_000)
                ways.append((int(low.sum()), -round(float(((flow[low] / 3e6) ** 2).sum()), 6), -s))
        found, (steps, dense) = steadier._best_start(_Run(zone, start, end))
        best = min(ways)
        assert (steps, found) == (best[0], -best[2]) or (steps, pytest.approx(dense, abs=2e-6)) == best[:2]
        board.place(zone, start, end - start)


# ---------------------------------------------------------------------------------------------------- giving way


def test_what_limits_lack_and_what_later_ranks_could_lend():
    # pump of 10 with 8 running in steps 0 to 10 (rank 2): a zone of 5 lacks 3 of 10 in each of these steps
    job = plain_night([0, 1], [10, 20], [8, 5], finish_rank=np.array([2, 0]))
    board = Board(job)
    board.place(0, 0, 10)
    way = GivingWay(job, board, [Item(1, 20)])
    way._look_at_later(0)
    starts = np.array([0, 5, 10, 30])
    np.testing.assert_allclose(way._missing(1, 20, starts), [3.0, 1.5, 0.0, 0.0])
    np.testing.assert_array_equal(way.spare[0, :12], [8_000_000] * 10 + [0, 0])
    way._lend(0, 2, 4, -1)
    np.testing.assert_array_equal(way.spare[0, :6], [8e6, 8e6, 0, 0, 8e6, 8e6])
    way._lend(0, 2, 4, 1)
    assert way._take_off(0, 5) and not board.placed[0] and way.left[0] == [10] and not way.standing.any()
    way._undo()
    assert board.placed[0] == [(0, 10)] and way.left[0] == [] and way.standing.all() and way.spare[0, 5] == 8_000_000
    assert not way._take_off(0, 15)  # nothing runs then


def test_the_last_rank_is_taken_off_and_of_it_the_longest_run():
    job = plain_night([0, 1, 2], [10, 20, 30], [2, 2, 2], finish_rank=np.array([1, 2, 2]))
    board = Board(job)
    for zone, length in ((0, 10), (1, 20), (2, 30)):
        board.place(zone, 0, length)
    way = GivingWay(job, board, [])
    way._look_at_later(0)
    taken = []
    while way._take_off(0, 5):
        taken.append(way.done[-1][0])
    assert taken == [2, 1, 0]


# ------------------------------------------------------------------------------------------------------ programmes


def laid(**changes):
    """Two programmes of one controller: zone 0 of 30 min, and zones 1 and 2 of 20 and 10 min in two starts."""
    minutes, cycles = [30, 40, 20], [1, 2, 2]
    job = night([1.0, 1.0, 1.0], minutes, cycles, [0, 0, 0], **changes)
    job = replace(job, cycle_zone=np.zeros(0, int), cycle_minutes=np.zeros(0))
    way = Grouping(((0,), (1, 2)), (1, 2), (0, 0))
    return job, Laying(job, needs_of(job, [30.0, 40.0, 20.0], cycles), [(rules_of(zones=3), way)])


def test_the_price_of_each_step_is_that_of_its_block():
    _, laying = laid(block_price=np.array([0.25, 0.5]))
    assert laying.price[120] == 30.0 and laying.price[-1] == 30.0 + 0.5 * 240
    assert laying.each.tolist() == [30.0, 20.0, 10.0] and laying.asked.tolist() == [30.0, 40.0, 20.0]


def test_what_is_late_is_told_by_minutes_of_the_last_start():
    job, laying = laid(finish_by=np.array([np.nan, np.nan, 1500.0]))
    laying.run("rank", ())
    (two,) = [p for p in laying.laid if p.zones == (1, 2)]
    ended = max(two.starts) + 30.0
    assert laying.late == pytest.approx(max(ended - 1500.0, 0.0)) and laying.given.tolist() == [30.0, 40.0, 20.0]


@pytest.mark.parametrize(("order", "first"), [("rank", (1, 2)), ("starts", (1, 2)), ("length", (1, 2))])
def test_programmes_of_more_starts_and_of_more_minutes_are_laid_first(order, first):
    _, laying = laid()
    laying.run(order, ())
    assert laying.laid[0].zones == first
    _, ranked = laid(finish_rank=np.array([1, 0, 0]))
    ranked.run("rank", ())
    other = laid(finish_rank=np.array([0, 1, 1]))[1]
    other.run("rank", ())
    assert ranked.laid[0].zones != other.laid[0].zones  # the rank comes before the number of starts


# ----------------------------------------------------------------------------------------------------- ramps' bound


def test_what_a_row_of_steps_holds_under_a_ramp():
    # 3 L/s a minute up to 10, steps of half a minute: 3, 3, 6, 6, 9, 9 and then 10 from either end
    rise = [3.0, 3.0, 6.0, 6.0, 9.0, 9.0]
    for steps in range(1, 30):
        expected = sum(min(10.0, 3.0 * (min(k, steps - 1 - k) // 2 + 1)) for k in range(steps))
        assert bounds._held(steps, rise, 10) == pytest.approx(expected)
    for amount in np.linspace(1.0, 200.0, 40):
        fewest = next(n for n in range(1, 60) if bounds._held(n, rise, 10) >= amount - 1e-9)
        told = bounds._steps_for(amount, rise, 10)
        assert fewest - 2 <= told <= fewest  # a bound: never more than is needed, at most one and a part too few


def test_a_timetable_tells_where_its_flows_begin():
    job = plain_night([0], [20], [4], resolution=np.array([0.5]))
    table = pack_night(job)
    assert (table.grid_start, table.grid_min) == (1320.0, 0.5)
    at = int((table.start[0] - table.grid_start) / table.grid_min)
    assert table.flow[0, at] == pytest.approx(4.0) and table.flow[0].sum() * 0.5 == pytest.approx(80.0)
    assert table.makespan_min == 20.0 and table.fill == 1.0 and table.lower_bound_min == 20.0
