"""Controllers that hold programmes: what they are laid, what they would run, what a percent or any order does."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.night import check_timetable, pack_night
from models.night.any_order import latest_end, share_any_order
from models.night.grouping import groupings, minutes_per_start
from models.night.job import Reserved, Standing
from models.night.laying import lay_programmes
from models.night.percent import as_percent, holds_with, percent_choice
from models.night.playback import check_programmes, keyed_minutes, play_programmes
from models.night.programmes import Programme, run_offsets
from tests.drawn import examples
from tests.end_to_end.programme_player import play_any_order
from tests.models.night.controllers import drawn, needs_of, night, rules_of


def runs(played):
    return [(r.zone, r.start, r.end) for r in played.runs]


def test_a_programme_runs_its_stations_one_after_the_other():
    one = Programme(0, 1, (0, 1, 2), (10.0, 5.0, 8.0), (100.0, 200.0))
    played = runs(play_programmes(rules_of(), [one], 1.0))
    first = [(0, 100.0, 110.0), (1, 110.0, 115.0), (2, 115.0, 123.0)]
    assert played == first + [(z, a + 100, b + 100) for z, a, b in first]


def test_two_at_once_with_a_pause_between_openings():
    # 0 opens at 0, 1 half a minute later; 0 shuts at 4, so 2 opens at 4.5; 1 shuts at 10.5, but 2 is the last
    one = Programme(0, 1, (0, 1, 2), (4.0, 10.0, 5.0), (0.0,))
    played = runs(play_programmes(rules_of(at_once=2, delay=0.5), [one], 1.0))
    assert played == [(0, 0.0, 4.0), (1, 0.5, 10.5), (2, 4.5, 9.5)]
    assert run_offsets(np.array([4.0, 10.0, 5.0]), 2, 0.5).tolist() == [0.0, 0.5, 4.5]


def test_a_start_that_comes_while_another_programme_runs_waits_for_its_end():
    two = [Programme(0, 1, (0,), (30.0,), (0.0,)), Programme(0, 2, (1,), (10.0,), (20.0,))]
    played = play_programmes(rules_of(), two, 1.0)
    assert runs(played) == [(0, 0.0, 30.0), (1, 30.0, 40.0)]
    assert played.waited == ((2, 0, 10.0),)
    both = play_programmes(rules_of(programmes_at_once=2), two, 1.0)
    assert runs(both) == [(0, 0.0, 30.0), (1, 20.0, 30.0)] and both.waited == ()


def test_a_seasonal_percent_multiplies_every_minute_to_the_nearest_step():
    one = Programme(0, 1, (0, 1), (10.0, 7.0), (0.0,), 108.0)
    assert runs(play_programmes(rules_of(), [one], 1.0)) == [(0, 0.0, 11.0), (1, 11.0, 19.0)]  # 10.8 and 7.56
    assert keyed_minutes(7.0, 108.0, 0.5) == 7.5


def test_an_order_as_listed_cannot_be_keyed_otherwise():
    one = Programme(0, 1, (2, 0), (5.0, 5.0), (0.0,))
    assert [z for z, *_ in runs(play_programmes(rules_of(), [one], 1.0))] == [0, 2]
    assert [z for z, *_ in runs(play_programmes(rules_of(listed=False), [one], 1.0))] == [2, 0]


def test_stations_of_like_cycles_share_a_programme():
    job = night(np.ones(6), [10] * 6, [1, 2, 1, 2, 1, 2], [0] * 6)
    needs = needs_of(job, [10.0] * 6, [1, 2, 1, 2, 1, 2])
    way = groupings(rules_of(programmes=2, zones=6), needs, np.arange(6))[0]
    assert sorted(zip(way.groups, way.starts, strict=True)) == [((0, 2, 4), 1), ((1, 3, 5), 2)]
    (only,) = {w.starts for w in groupings(rules_of(programmes=1, zones=6), needs, np.arange(6))}
    assert only == (2,)  # one programme for all: as many starts as the one that needs most


def test_the_programmes_of_the_evening_before_are_the_first_way():
    job = night(np.ones(4), [10] * 4, [1] * 4, [0] * 4)
    before = [Programme(0, 3, (0, 2), (9.0, 9.0), (1400.0,)), Programme(0, 1, (1,), (9.0,), (1500.0,))]
    way = groupings(rules_of(zones=4), needs_of(job, [10.0] * 4, [1] * 4), np.arange(4), before)[0]
    assert {n: set(g) for n, g in zip(way.numbers, way.groups, strict=True)}[3] >= {0, 2}


def test_minutes_at_a_start_lose_no_water_that_another_station_can_take():
    # 21 min of both over two starts: 10.5 each, so one gets 11 and the other 10; together 42 min as wanted
    job = night([1.0, 1.0], [20, 20], [2, 2], [0, 0])
    each = minutes_per_start(needs_of(job, [21.0, 21.0], [2, 2]), job.flow, job.resolution, np.array([2, 2]))
    assert sorted(each.tolist()) == [10.0, 11.0]
    apart = needs_of(job, [21.0, 21.0], [2, 2], like=np.array([0, 1]))  # on limits of their own neither may have more
    assert minutes_per_start(apart, job.flow, job.resolution, np.array([2, 2])).tolist() == [10.0, 10.0]


def test_soaks_of_one_programme_are_filled_by_another():
    # A: two cycles of 20 min with 40 min of soak; B: 40 min. The night of 80 min holds them one way: A, B, A
    job = night([1, 1], [40, 40], [2, 1], [0, 0], soak=np.array([40.0, 0.0]), pieces=np.array([[1320.0, 1400.0]]))
    laid = lay_programmes(job, [rules_of(zones=2)], needs_of(job, [40.0, 40.0], [2, 1]))
    a, b = sorted(laid.programmes, key=lambda p: -len(p.starts))
    assert (a.starts, b.starts) == ((1320.0, 1380.0), (1340.0,))
    assert not laid.standing.left.any()


def test_what_finds_no_place_is_of_the_rank_served_last():
    job = night([1, 1, 1], [20, 20, 20], [1] * 3, [0] * 3, pieces=np.array([[1320.0, 1365.0]]),
                finish_rank=np.array([1, 0, 2]))  # fmt: skip
    laid = lay_programmes(job, [rules_of(zones=3, programmes=1)], needs_of(job, [20.0] * 3, [1] * 3))
    assert laid.standing.left.tolist()[:2] == [0.0, 0.0] and laid.standing.left[2] == 15.0  # 5 of its 20 min fit


def test_two_valves_that_may_not_open_together_are_not_in_one_programme():
    job = night([2, 2], [20, 20], [1, 1], [0, 0], pump_capacity=np.array([5.0]), pump_ramp=np.array([2.5]))
    rules = rules_of(zones=2, at_once=2, programmes_at_once=1)
    laid = lay_programmes(job, [rules], needs_of(job, [20.0, 20.0], [1, 1]))
    assert len(laid.programmes) == 2 and not laid.standing.left.any()
    paused = lay_programmes(job, [replace(rules, delay=1.0)], needs_of(job, [20.0, 20.0], [1, 1]))
    assert len(paused.programmes) == 1


@given(st.integers(0, 10**6))
@examples(80)
def test_drawn_controllers_hold_every_limit_and_run_what_is_told(seed):
    job, rules, needs = drawn(seed)
    laid = lay_programmes(job, rules, needs)
    free = ~np.isin(job.controller[job.cycle_zone], [r.controller for r in rules])
    packed = replace(
        job, standing=laid.standing, cycle_zone=job.cycle_zone[free], cycle_minutes=job.cycle_minutes[free]
    )
    table = pack_night(packed, 2000.0)
    assert check_timetable(packed, table) == ()
    for one in rules:
        own = [p for p in laid.programmes if p.controller == one.controller]
        assert check_programmes(one, own, float(job.resolution[0]), table, job.controller) == ()
        assert len(own) <= one.programmes
    given_ = np.bincount(table.zone, weights=table.end - table.start, minlength=job.zones)
    on = np.isin(job.controller, [r.controller for r in rules]) & (needs.minutes > 0)
    most = np.maximum(needs.cycles, np.array([r.starts_each for r in [*rules, rules_of()]])[job.controller])
    assert (given_[on] + laid.standing.left[on] > needs.minutes[on] - most[on] * job.resolution[on] - 1e-6).all()
    assert (given_[on] <= needs.minutes[on] + most[on] * job.resolution[on] + 1e-6).all()


@given(st.integers(0, 10**6))
@examples(40)
def test_a_night_holds_with_the_programmes_of_before_where_nothing_changed(seed):
    job, rules, needs = drawn(seed)
    laid = lay_programmes(job, rules, needs)
    again = lay_programmes(job, rules, needs, laid.programmes)
    if not laid.standing.left.any():
        assert not again.standing.left.any()
        kept = {(p.controller, p.number): (set(p.zones), p.starts) for p in again.programmes}
        assert all(kept.get((p.controller, p.number)) == (set(p.zones), p.starts) for p in laid.programmes)


def test_the_check_sees_what_a_controller_cannot_hold():
    job = night([1, 1], [10, 10], [1, 1], [0, 0])
    laid = lay_programmes(job, [rules_of(zones=2)], needs_of(job, [10.0, 10.0], [1, 1]))
    none = np.zeros(0)
    table = pack_night(replace(job, standing=laid.standing, cycle_zone=none.astype(int), cycle_minutes=none))
    (one,) = laid.programmes
    controller = np.zeros(2, dtype=np.int64)

    def faults(rules, programmes):
        return [v.text for v in check_programmes(rules, programmes, 1.0, table, controller)]

    assert faults(rules_of(zones=2), [one]) == []
    assert any("are held" in t for t in faults(rules_of(zones=2), [replace(one, number=5)]))
    assert any(
        "start times" in t for t in faults(rules_of(zones=2, starts_each=1), [replace(one, starts=(1400.0, 1500.0))])
    )
    assert any("plays from" in t for t in faults(rules_of(zones=2), [replace(one, starts=(1400.0,))]))
    assert any("plays from" in t for t in faults(rules_of(zones=2), [replace(one, percent=120.0)]))
    (start,) = one.starts
    for late, told in ((0.5, True), (1.0, False)):
        moved = faults(rules_of(zones=2), [replace(one, starts=(start - late,))])
        assert any("between two minutes" in t for t in moved) is told
    assert any("two programmes" in t for t in faults(rules_of(zones=2), [one, replace(one, number=2)]))
    late = replace(one, zones=one.zones[:1], minutes=one.minutes[:1])
    other = Programme(0, 2, one.zones[1:], one.minutes[1:], one.starts)
    assert any("waits" in t for t in faults(rules_of(zones=2), [late, other]))


def test_one_percent_in_place_of_many_minutes():
    before = Programme(0, 1, (0, 1, 2), (10.0, 20.0, 15.0), (1400.0,))
    now = Programme(0, 1, (0, 1, 2), (11.0, 22.0, 16.0), (1400.0,))
    choice = percent_choice([(before, now)], np.full(3, 0.25), np.ones(3))
    # 108 % gives 11, 22, 16 (10.8, 21.6, 16.2): nothing is off; 107 gives 21, 110 gives 17
    assert (choice.percent, choice.off.tolist()) == (108, [0.0, 0.0, 0.0])
    assert as_percent(before, now, 1.0, 2)[0].percent == 108.0
    assert as_percent(before, now, 1.0, 3) == []  # it saves two of three values
    assert as_percent(before, replace(now, minutes=(11.0, 22.0, 40.0)), 1.0, 2) == []
    far = percent_choice([(before, replace(now, minutes=(11.0, 22.0, 18.0)))], np.full(3, 0.25), np.ones(3))
    assert np.abs(far.off).max() > 0.2  # one minute of 0.25 mm at the least
    assert percent_choice([(before, replace(now, zones=(0, 1), minutes=(11.0, 22.0)))], np.ones(3), np.ones(3)) is None


def test_a_percent_is_refused_where_a_limit_would_break():
    job = night([1, 1], [30, 30], [1, 1], [0, 0], pieces=np.array([[1320.0, 1380.0]]))
    laid = lay_programmes(job, [rules_of(zones=2)], needs_of(job, [30.0, 30.0], [1, 1]))
    none = np.zeros(0)
    packed = replace(job, standing=laid.standing, cycle_zone=none.astype(int), cycle_minutes=none)
    table = pack_night(packed)
    (one,) = laid.programmes
    longest = np.full(2, np.inf)
    assert holds_with(packed, table, rules_of(zones=2), [one], 1.0, longest)[0]
    holds, given, runs = holds_with(packed, table, rules_of(zones=2), [replace(one, percent=90.0)], 1.0, longest)
    assert holds and given.tolist() == [27.0, 27.0] and (runs.end - runs.start).tolist() == [27.0, 27.0]
    assert not holds_with(packed, table, rules_of(zones=2), [replace(one, percent=101.0)], 1.0, longest, True)[0]
    assert not holds_with(packed, table, rules_of(zones=2), [one], 1.0, np.array([20.0, 99.0]))[0]


@given(st.integers(0, 10**6))
@examples(200)
def test_no_order_of_stations_ends_later_than_told(seed):
    rng = np.random.default_rng(seed)
    n, at_once = int(rng.integers(1, 8)), int(rng.integers(1, 4))
    cycles, each = rng.integers(0, 4, n), rng.integers(1, 15, n).astype(float)
    soak = rng.integers(0, 30, n).astype(float)
    played = play_any_order(rng.permutation(n).tolist(), cycles, each, soak, at_once)
    assert len(played) == cycles.sum()
    assert max((end for *_, end in played), default=0.0) <= latest_end(cycles, each, soak, at_once) + 1e-9


def test_what_is_left_to_a_controller_holds_in_its_worst_order():
    # three stations of 100, 100 and 50 min, two at once, 250 min: a 100 may begin when the others are done,
    # (100 + 50) / 2 + 100 = 175; the pump of 5 L/s carries the two largest of 2, 2 and 3 L/s
    job = night([2, 2, 3], [100, 100, 50], [1] * 3, [0] * 3, pump_capacity=np.array([5.0]))
    each = np.array([100.0, 100.0, 50.0])
    ranks = np.zeros(3, dtype=np.int64)
    (own,) = share_any_order(job, [(0, 2)], np.ones(3, dtype=np.int64), each, np.full(3, 10.0), ranks)
    assert (own.ends - own.opens, own.pump.tolist(), own.minutes.tolist()) == (175.0, [5.0], each.tolist())
    small = replace(job, pump_capacity=np.array([4.0]))  # 2 + 3 no more: the station that came last is left out
    (own,) = share_any_order(small, [(0, 2)], np.ones(3, dtype=np.int64), each, np.full(3, 10.0), np.array([0, 0, 1]))
    assert own.minutes.tolist() == [100.0, 100.0, 0.0]
    short = replace(job, pieces=np.array([[1320.0, 1470.0]]))  # 150 min: the last is shortened, 75 + 50 + ... <= 150
    (own,) = share_any_order(short, [(0, 2)], np.ones(3, dtype=np.int64), each, np.full(3, 10.0), np.array([0, 1, 2]))
    assert own.ends <= 1470.0 and own.minutes.sum() < 250.0


def test_flow_kept_free_for_any_order_is_kept_free():
    job = night([2, 2], [60, 60], [1, 1], [0, 1], pump_capacity=np.array([3.0]))
    kept = Reserved(1320.0, 1400.0, np.array([2.0]), np.zeros(0))
    standing = Standing(np.array([0]), np.array([1320.0]), np.array([1380.0]), np.zeros(2), (kept,), frozenset({0}))
    packed = replace(job, standing=standing, cycle_zone=np.array([1]), cycle_minutes=np.array([60.0]))
    table = pack_night(packed)
    assert table.start[table.zone == 1].min() >= 1400.0 and check_timetable(packed, table) == ()
    moved = replace(
        table, start=np.where(table.zone == 1, 1390.0, table.start), end=np.where(table.zone == 1, 1450.0, table.end)
    )
    assert [v.kind for v in check_timetable(packed, moved)] == ["kept free of pump"]


def test_the_packer_never_moves_what_stands():
    job = night(np.full(3, 2.0), [60, 60, 60], [1] * 3, [0, 1, 1], pump_capacity=np.array([4.0]))
    standing = Standing(np.array([0]), np.array([1500.0]), np.array([1560.0]), np.zeros(3))
    packed = replace(job, standing=standing, cycle_zone=np.array([1, 2]), cycle_minutes=np.array([60.0, 60.0]))
    table = pack_night(packed)
    assert table.fitted and check_timetable(packed, table) == ()
    assert (table.start[table.zone == 0], table.end[table.zone == 0]) == (1500.0, 1560.0)


def test_errors_name_what_is_wrong():
    with pytest.raises(ValueError, match="shape"):
        night([1.0], [1.0], [1], [0], soak=np.zeros(2))
