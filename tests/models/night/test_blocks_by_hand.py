"""Programmes laid as blocks, on nights small enough to work out: when they start and under which number."""

from dataclasses import replace

import numpy as np
import pytest

from models.night import laying as of_laying
from models.night.blocks import Block, LaidProgrammes, Laying
from models.night.grouping import Grouping
from models.night.job import Standing
from models.night.programmes import Programme
from tests.models.night.controllers import needs_of, night, rules_of


def laying(groups, minutes, cycles, starts, rules=None, wants=None, **changes):
    """One controller; the night is 22:00 to 04:00, with a cheap block until midnight."""
    zones = len(minutes)
    job = night(changes.pop("flow", np.ones(zones)), np.zeros(zones), np.ones(zones), [0] * zones, **changes)
    way = Grouping(tuple(groups), tuple(starts), (0,) * len(groups))
    needs = needs_of(job, minutes, cycles, **(wants or {}))
    return Laying(job, needs, [(rules or rules_of(zones=zones), way)])


def test_a_programme_runs_as_late_as_it_can_and_in_the_cheap_hours_where_there_are_some():
    late = laying([(0, 1)], [30.0, 20.0], [1, 1], [1])
    late.run("rank", ())
    assert late.laid[0].starts == (1630.0,) and late.holds_all and late.cost() == 0.0
    cheap = laying([(0, 1)], [30.0, 20.0], [1, 1], [1], block_price=np.array([0.1, 0.2]))
    cheap.run("rank", ())
    assert cheap.laid[0].starts == (1390.0,)  # done at midnight
    mixed = laying(
        [(0, 1)], [30.0, 20.0], [1, 1], [1], block_price=np.array([0.2, 0.1]), finish_by=np.array([1460.0, np.nan])
    )
    mixed.run("rank", ())
    assert mixed.laid[0].starts == (1430.0,)  # in time comes before cheap: zone 0 runs first and is done at 1460
    gone = laying([(0,)], [30.0], [1], [1], finish_by=np.array([1340.0]))
    gone.run("rank", ())
    assert gone.laid[0].starts == (1320.0,) and gone.late == 10.0 and not gone.holds_all
    assert gone.cost() == pytest.approx(1e-3 * 10.0)
    # beside one that is done long before its time
    both = laying([(0,), (1,)], [30.0, 30.0], [1, 1], [1, 1], finish_by=np.array([1340.0, 1680.0]))
    both.run("rank", ())
    assert both.late == 10.0


def test_two_starts_are_apart_by_the_longest_cycle_and_its_soak_or_by_the_programme():
    soaked = laying([(0, 1)], [40.0, 10.0], [2, 2], [2], wants={"soak": np.array([45.0, 0.0])})
    soaked.run("rank", ())
    assert soaked.laid[0].starts == (1590.0, 1655.0)  # 20 + 45 min apart, the last done at 1680
    plain = laying([(0, 1)], [40.0, 10.0], [2, 2], [2])
    plain.run("rank", ())
    assert plain.laid[0].starts == (1630.0, 1655.0)
    assert plain.result().standing.start.tolist() == [1630.0, 1650.0, 1655.0, 1675.0]
    assert plain.result().standing.zone.tolist() == [0, 1, 0, 1] and plain.result().asked.tolist() == [40.0, 10.0]


def test_two_starts_that_cannot_be_in_time_run_late_and_whole():
    # 20 and 20 min, to be done 10 min after the night opens: 30 min late rather than cut to 5 and 5
    late = laying([(0,)], [40.0], [2], [2], finish_by=np.array([1330.0]))
    late.run("rank", ())
    assert late.laid[0].starts == (1320.0, 1340.0) and late.given.tolist() == [40.0]
    assert late.late == 30.0 and late.cost() == pytest.approx(1e-3 * 30.0)
    soaked = laying([(0,)], [40.0], [2], [2], finish_by=np.array([1330.0]), wants={"soak": np.array([15.0])})
    soaked.run("rank", ())
    assert soaked.laid[0].starts == (1320.0, 1355.0) and soaked.late == 45.0


def test_starts_of_the_evening_before_are_kept_where_they_still_do():
    def kept(starts, **changes):
        one = laying([(0, 1)], [40.0, 20.0], [2, 2], [2], **changes)
        block = Block(rules_of(zones=2), [0, 1], 2, 3)
        return one._place(block, [0, 1], starts)

    assert kept((1400.0, 1500.0)) == (1400.0, 1500.0)
    assert kept((1400.0, 1420.0)) == (1620.0, 1650.0)  # 30 min are needed between them
    assert kept((1400.0, 1700.0)) == (1620.0, 1650.0)
    assert kept((1400.0,)) == (1620.0, 1650.0)  # of as many starts only
    assert kept((1400.0, 1500.0), finish_by=np.array([1510.0, np.nan])) != (1400.0, 1500.0)


def test_no_more_programmes_run_at_once_than_the_controller_may():
    for together, starts in ((1, [1600.0, 1640.0]), (2, [1640.0, 1640.0])):
        two = laying([(0,), (1,)], [40.0, 40.0], [1, 1], [1, 1], rules=rules_of(zones=2, programmes_at_once=together))
        two.run("rank", ())
        assert sorted(p.starts[0] for p in two.laid) == starts


def test_what_finds_no_place_is_of_the_last_rank_and_shortened_before_it_is_left_out():
    # a window of 60 min for 30 + 20 + 20 min one after the other: the last rank gets 10
    window = {"pieces": np.array([[1320.0, 1380.0]]), "blocks": np.array([[1320.0, 1380.0]])}
    for rank, given in (([2, 1, 0], [10.0, 20.0, 30.0]), ([0, 1, 2], [30.0, 20.0, 10.0])):
        minutes = [20.0, 20.0, 30.0] if rank[0] == 2 else [30.0, 20.0, 20.0]
        one = laying([(0, 1, 2)], minutes, [1, 1, 1], [1], finish_rank=np.array(rank), **window)
        one.run("rank", ())
        assert one.given.tolist() == given
    least = laying([(0, 1, 2)], [30.0, 20.0, 20.0], [1, 1, 1], [1], finish_rank=np.array([0, 1, 2]),
                   wants={"smallest": np.full(3, 11.0)}, **window)  # fmt: skip
    least.run("rank", ())
    assert least.given.tolist() == [30.0, 20.0, 0.0] and least.missing.tolist() == [0.0, 0.0, 20.0]
    # what is left out weighs by flow, four times as much a rank
    assert least.cost() == pytest.approx(20.0 * 1.0)
    least.job = replace(least.job, finish_rank=np.array([1, 2, 0]))
    assert least.cost() == pytest.approx(20.0 * 4.0**2)


def test_a_rank_weighs_four_times_the_next():
    one = laying([(0,), (1,)], [30.0, 30.0], [1, 1], [1, 1], finish_rank=np.array([0, 2]))
    assert one.missing.tolist() == [30.0, 30.0] and one.cost() == pytest.approx(30.0 * 4.0**2 + 30.0)
    near = laying([(0,)], [30.5], [1], [1])  # half a minute lost in rounding counts a hundredth
    near.run("rank", ())
    assert near.given.tolist() == [30.0] and near.cost() == pytest.approx(0.5e-2)
    both = laying([(0, 1)], [30.5, 29.5], [1, 1], [1])  # half a minute of one goes to the other
    both.run("rank", ())
    assert sorted(both.given.tolist()) == [29.0, 31.0] and both.cost() == pytest.approx(2 * 0.5e-2)


@pytest.mark.parametrize("seed", range(8))
def test_starts_of_a_programme_minute_by_minute(seed):
    rng = np.random.default_rng(seed)
    zones, blocks = 5, np.array([[1320.0, 1400.0], [1400.0, 1500.0], [1500.0, 1560.0]])
    one = laying(
        [(0, 1, 2), (3, 4)], rng.integers(8, 30, zones).astype(float), [1] * zones, [1, 1],
        rules=rules_of(zones=zones, at_once=int(rng.integers(1, 3)), delay=float(rng.choice([0.0, 1.0]))),
        flow=rng.choice([1.0, 2.0, 3.0], zones), pump_capacity=np.array([5.0]),
        pieces=np.array([[1320.0, 1440.0], [1450.0, 1560.0]]),
        blocks=blocks, block_price=np.array([0.3, 0.1, 0.2]), allowed=rng.random((zones, 3)) < 0.9,
        finish_by=rng.choice([np.nan, 1400.0, 1450.0], zones),
    )  # fmt: skip
    job, board = one.job, one.board
    own = Block(one.ways[0][0], [0, 1, 2], 1, 0)
    other = Block(one.ways[0][0], [3, 4], 1, 0)
    possible = one._starts(other, [3, 4])[0]
    if possible.size:
        one._on(other, [3, 4], float(rng.choice(possible)))
    opens, length = one._steps(own, [0, 1, 2])
    busy = one.running[0] >= own.rules.programmes_at_once
    expected = {}
    for start in range(1320, 1560):
        runs = [(z, start + int(o), start + int(o + n)) for z, o, n in zip((0, 1, 2), opens, length, strict=True)]
        size = max(end for *_, end in runs) - start
        used = np.zeros(240)
        fits = start + size <= 1560 and not busy[start - 1320 : start - 1320 + size].any()
        for z, begin, end in runs:
            for t in range(begin, min(end, 1560)):
                used[t - 1320] += job.flow[z]
                block = next(b for b in range(3) if blocks[b, 0] <= t < blocks[b, 1])
                fits &= bool(job.allowed[z, block]) and not 1440 <= t < 1450
            fits &= end <= 1560
        if fits and (used * 1e6 <= board.free[0, :240] + 0.5).all():
            late = sum(max(end - job.finish_by[z], 0.0) for z, _, end in runs if not np.isnan(job.finish_by[z]))
            price = sum(
                job.flow[z] * next(p for (b, e), p in zip(blocks, job.block_price, strict=True) if b <= t < e)
                for z, begin, end in runs
                for t in range(begin, end)
            )
            expected[float(start)] = (late, price)
    starts, late, price = one._starts(own, [0, 1, 2])
    assert starts.tolist() == list(expected)
    np.testing.assert_allclose(
        np.stack((late, price), axis=1).reshape(-1, 2), np.array(list(expected.values())).reshape(-1, 2)
    )
    if expected:
        best = min(expected, key=lambda s: (expected[s][0], round(expected[s][1], 6), -s))
        assert one._best_start(own, [0, 1, 2], np.inf) == best
        before = [s for s in expected if s <= best - 1]
        assert one._best_start(own, [0, 1, 2], best - 1) == min(
            before, key=lambda s: (expected[s][0], round(expected[s][1], 6), -s), default=None
        )


def test_stations_that_may_not_run_together_are_told_where_nothing_else_runs():
    # two at once of 3 and 3 L/s on a pump of 5; one at once they may; of three the ranks served first stay
    def alone(at_once, flow=(3.0, 3.0, 2.0), length=20.0, **changes):
        one = laying([(0, 1, 2)], [length] * 3, [1] * 3, [1], rules=rules_of(zones=3, at_once=at_once),
                     flow=np.array(flow), pump_capacity=np.array([5.0]), **changes)  # fmt: skip
        block = Block(one.ways[0][0], [0, 1, 2], 1, 0)
        kept = one._together(block, [2, 0, 1])
        assert (one.empty.free == one.empty.capacity[:, None]).all() and not one.empty.flow.any()
        return kept

    assert alone(1) == {0, 1, 2} and alone(2) == {0, 2}
    assert alone(2, flow=(3.0, 2.0, 2.0)) == {0, 1, 2}
    assert alone(1, length=200.0) == {0, 1, 2}  # longer than the night: it is shortened later
    assert alone(2, flow=(6.0, 2.0, 2.0)) == {1, 2}


def laid(*programmes):
    return LaidProgrammes(programmes, Standing(np.zeros(0, int), np.zeros(0), np.zeros(0), np.zeros(9)), np.zeros(9))


def numbers(now, before, held=4):
    found = of_laying._numbered(laid(*now), [rules_of(zones=9, programmes=held)], before)
    return {p.zones: p.number for p in found.programmes}


def programme(zones, number=0, start=1400.0, minutes=10.0):
    return Programme(0, number, zones, (minutes,) * len(zones), (start,))


def test_programmes_keep_the_number_of_those_they_share_most_stations_with():
    before = [programme((0, 1, 2), 1), programme((3, 4), 2)]
    assert numbers([programme((3, 4)), programme((0, 1))], before) == {(3, 4): 2, (0, 1): 1}
    # 1 shares one station with the first and two with the second, 2 one with the second
    assert numbers([programme((0, 3, 4)), programme((1, 2))], before) == {(0, 3, 4): 2, (1, 2): 1}
    # new ones take numbers that rest from none, in the order of their starts
    assert numbers([programme((5,), start=1500.0), programme((6,), start=1400.0)], before) == {(6,): 3, (5,): 4}
    assert numbers([programme((5,)), programme((6,)), programme((7,))], before)[(7,)] == 1  # one that rests, last
    assert numbers([programme((3, 4))], [programme((3, 4), 9)]) == {(3, 4): 1}  # a number it no longer holds


def test_stations_get_a_programme_of_their_own_where_fewer_values_are_keyed():
    # of 5 stations one runs: 4 to take out against 2 for a new station and 1 start: a new programme; of 4, 3 against 3
    for rest, apart in ((4, True), (3, False)):
        before = programme(tuple(range(rest + 1)), 1)
        now = programme((0,))
        assert of_laying._better_apart(now, before, [now]) is apart
        assert numbers([now], [before]) == {(0,): 2 if apart else 1}
    others = [programme((0,)), programme((1,))]  # one that runs elsewhere has not to be taken out
    assert not of_laying._better_apart(others[0], programme((0, 1, 2, 3, 4), 1), others)
    changed = programme((0, 1), minutes=12.0)  # both changed: 2 + 3 against 2 x 2 + 1
    assert not of_laying._better_apart(changed, programme((0, 1, 2, 3, 4), 1), [changed])
    assert of_laying._better_apart(changed, programme((0, 1, 2, 3, 4, 5), 1), [changed])
    assert numbers([programme((0,))], [programme((0, 1, 2, 3, 4), 1)], held=1) == {(0,): 1}  # no other is held
