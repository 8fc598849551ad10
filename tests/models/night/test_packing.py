"""Packing: nights small enough to work out by hand, and what a full night must reach."""

from dataclasses import replace

import numpy as np
import pytest

from models.night import NightJob, check_timetable, pack_night, planning_resolution
from models.night.bounds import lower_bounds
from models.night.patterns import pattern_bound
from tests.drawn import draws, some
from tests.models.night.nights import full_job, random_job, with_window


def night(zone, minutes, flow, *, capacity=10.0, window=(1320.0, 1380.0), soak=0.0, **changes):
    """Zones on one pump, one controller; the window is 22:00 to 23:00 unless said otherwise."""
    flow = np.asarray(flow, dtype=float)
    z = flow.size
    pieces = np.atleast_2d(np.asarray(window, dtype=float))
    job = NightJob(
        cycle_zone=np.asarray(zone),
        cycle_minutes=np.asarray(minutes, dtype=float),
        soak=np.full(z, float(soak)),
        smallest_cycle=np.full(z, 1.0),
        resolution=np.full(z, 1.0),
        flow=flow,
        pump=np.zeros(z, dtype=int),
        branch=np.full(z, -1),
        controller=np.zeros(z, dtype=int),
        pump_capacity=np.array([capacity]),
        pump_ramp=np.array([np.inf]),
        pump_smallest=np.zeros(1),
        branch_capacity=np.zeros(0),
        stations_at_once=np.array([np.inf]),
        pieces=pieces,
        blocks=pieces,
    )
    return replace(job, **changes)


def packed(job):
    table = pack_night(job)
    assert check_timetable(job, table) == ()
    return table


def times(table, zone):
    return [(s, e) for z, s, e in zip(table.zone, table.start, table.end, strict=True) if z == zone]


def test_two_zones_that_go_together_end_at_the_close():
    # 4 + 5 L/s of 10: both end at 23:00 = 1380.
    table = packed(night([0, 1], [10, 20], [4, 5]))
    assert times(table, 0) == [(1370, 1380)]
    assert times(table, 1) == [(1360, 1380)]
    assert (table.makespan_min, table.fitted) == (20.0, True)


def test_two_zones_too_large_for_the_pump_follow_each_other():
    # 6 + 6 L/s of 10: 10 + 20 min one after the other. Bound: no two together, so 30 min, and it is reached.
    table = packed(night([0, 1], [10, 20], [6, 6]))
    assert table.makespan_min == 30.0
    assert table.lower_bound_min == 30.0
    assert table.fill == 1.0


def test_the_zone_that_should_finish_last_does():
    table = packed(night([0, 1], [10, 10], [6, 6], finish_rank=np.array([1, 0])))
    assert times(table, 1) == [(1370, 1380)]
    assert times(table, 0) == [(1360, 1370)]


def test_a_zone_is_done_before_mowing():
    # Zone 0 finishes last by rank but must be done by 22:40 = 1360; zone 1 then takes the end of the window.
    job = night([0, 1], [10, 10], [6, 6], finish_rank=np.array([0, 1]), finish_by=np.array([1360.0, np.nan]))
    table = packed(job)
    assert times(table, 0) == [(1350, 1360)]
    assert times(table, 1) == [(1370, 1380)]
    assert not table.after_finish_by.any()


def test_a_zone_that_cannot_be_done_in_time_is_named():
    table = packed(night([0], [30], [6], finish_by=np.array([1340.0])))
    assert times(table, 0) == [(1320, 1350)]  # as early as the window allows
    assert table.after_finish_by.tolist() == [True]


def test_soak_is_kept_between_cycles():
    # Two cycles of 10 min with 15 min of rest: 1345-1355 and 1370-1380. Bound: 10 + 15 + 10.
    table = packed(night([0, 0], [10, 10], [4], soak=15.0))
    assert times(table, 0) == [(1345, 1355), (1370, 1380)]
    assert table.bounds.zone.tolist() == [35.0]


def test_another_zone_runs_in_the_soak():
    # 6 L/s each of 10: zone 1 has 15 min, just the soak of zone 0.
    table = packed(night([0, 0, 1], [10, 10, 15], [6, 6], soak=15.0, window=(1320.0, 1355.0)))
    assert times(table, 1) == [(1330, 1345)]


def test_no_cycle_spans_a_gap():
    # 22:00-22:12 and 22:30-22:42; two runs of 10 min that cannot go together: one in each piece.
    table = packed(night([0, 1], [10, 10], [6, 6], window=[(1320, 1332), (1350, 1362)]))
    assert sorted(table.start.tolist()) == [1322, 1352]


def test_barred_hours_are_kept():
    # Blocks 22:00-22:30 and 22:30-23:00; zone 0 may only run in the first.
    blocks = np.array([[1320.0, 1350.0], [1350.0, 1380.0]])
    table = packed(night([0, 1], [10, 10], [4, 4], blocks=blocks, allowed=np.array([[True, False], [True, True]])))
    assert times(table, 0) == [(1340, 1350)]
    assert times(table, 1) == [(1370, 1380)]


def test_stations_at_once():
    # Three stations of 10 min, two at once: 20 min. Bound 30 / 2 = 15, so the last one stands alone.
    table = packed(night([0, 1, 2], [10, 10, 10], [1, 1, 1], stations_at_once=np.array([2.0])))
    assert table.makespan_min == 20.0
    assert table.bounds.controller.tolist() == [15.0]


def test_branch_capacity():
    job = night([0, 1], [10, 10], [3, 3], branch=np.array([0, 0]), branch_capacity=np.array([5.0]))
    assert packed(job).makespan_min == 20.0


def test_ramp_staggers_starts_and_stops():
    # Three zones of 4 L/s, 10 min, ramp 4 L/s per minute: one valve a minute. Stops at 1380, 1379, 1378.
    table = packed(night([0, 1, 2], [10, 10, 10], [4, 4, 4], capacity=20.0, pump_ramp=np.array([4.0])))
    assert sorted(table.end.tolist()) == [1378, 1379, 1380]
    assert table.makespan_min == 12.0


def test_a_valve_beyond_the_ramp_turns_alone():
    # 8 L/s against a ramp of 5: allowed, but no other start or stop of the pump in its minute.
    table = packed(night([0, 1], [10, 10], [8, 2], capacity=20.0, pump_ramp=np.array([5.0])))
    assert abs(times(table, 0)[0][1] - times(table, 1)[0][1]) >= 1
    assert abs(times(table, 0)[0][0] - times(table, 1)[0][0]) >= 1


def test_a_run_is_cut_in_parts_only_to_fill_gaps():
    # Pieces of 12 and 12 min, one zone of 20 min: it fits only in parts, and they add up.
    table = packed(night([0], [20], [6], window=[(1320, 1332), (1350, 1362)]))
    assert table.fitted
    assert table.extra_cycles == 1
    assert float((table.end - table.start).sum()) == 20.0
    assert any("cut in parts" in note for note in table.notes)


def test_the_plans_choice_of_hours_is_followed():
    # The plan has zone 0 in the cheap first half hour, zone 1 in the second.
    blocks = np.array([[1320.0, 1350.0], [1350.0, 1380.0]])
    wish = np.array([[10.0, 0.0], [0.0, 10.0]])
    job = night([0, 1], [10, 10], [4, 4], blocks=blocks, minutes_by_block=wish, block_price=np.array([0.1, 0.3]))
    table = packed(job)
    assert times(table, 0) == [(1340, 1350)]
    assert times(table, 1) == [(1370, 1380)]
    same_price = packed(replace(job, block_price=np.array([0.2, 0.2])))
    assert times(same_price, 0) == [(1370, 1380)]  # nothing to gain: late is better


def test_what_does_not_fit_is_measured_never_cut_silently():
    # 60 min window, 6 L/s zones of 40 and 30 min that cannot go together: 70 min asked, 60 placed. The pump carried 6
    # of its 10 L/s all the time, so a new plan may count on 0.6 of capacity times window.
    table = packed(night([0, 1], [40, 30], [6, 6]))
    assert not table.fitted
    assert table.unplaced.sum() == 10.0
    assert table.measured_capacity.pump.tolist() == pytest.approx([0.6], abs=1e-12)
    assert table.lower_bound_min == 70.0
    assert table.fill == pytest.approx(1.0, abs=1e-12)


def test_a_zone_too_long_for_the_window_is_measured_for_itself():
    # 4 cycles of 10 min with 15 min soaks need 85 min of 60: only 3 cycles, and what is left of the night no part.
    table = packed(night([0, 0, 0, 0], [10, 10, 10, 10], [4], soak=15.0))
    assert not table.fitted
    assert table.measured_capacity.pump.tolist() == [1.0]
    assert table.measured_capacity.zone_minutes.tolist() == [40.0 - table.unplaced[0]]
    assert table.unplaced[0] == 10.0


def test_a_zone_larger_than_its_pump_never_runs():
    table = packed(night([0], [10], [12]))
    assert table.unplaced.tolist() == [10.0]
    assert np.isinf(table.lower_bound_min)


def test_a_night_without_window_or_without_cycles():
    none = packed(night([0], [10], [4], window=np.zeros((0, 2))))
    assert none.unplaced.tolist() == [10.0]
    empty = packed(night(np.zeros(0, dtype=int), [], [4]))
    assert empty.fitted and empty.makespan_min == 0.0


def test_minutes_under_the_smallest_flow_are_counted():
    # 4 L/s for 20 min, 3 L/s for 10 of them; smallest flow 5: 10 min at 4 L/s are under it.
    table = packed(night([0, 1], [20, 10], [4, 3], pump_smallest=np.array([5.0])))
    assert table.under_smallest.tolist() == [10.0]


def test_fine_controllers_use_a_fine_grid_and_coarse_ones_whole_minutes():
    job = night([0, 1], [10.0, 10.0], [6, 6], resolution=np.array([0.1, 1.0]))
    job = replace(job, cycle_minutes=np.array([10.3, 10.0]))
    assert job.grid_s == 6
    table = packed(job)
    assert table.makespan_min <= 20.3 + 0.7 + 1e-9  # at most the rest of a minute is lost


def test_planning_resolution_is_a_multiple_of_the_controllers_step():
    seconds = np.arange(1, 601).astype(float)
    steps = planning_resolution(seconds) * 60
    assert np.allclose(steps / seconds, np.rint(steps / seconds))
    assert np.all(np.gcd(np.rint(steps).astype(int), 60) >= 6)


def test_same_job_same_timetable():
    first, second = pack_night(random_job(7)), pack_night(random_job(7))
    assert np.array_equal(first.start, second.start) and np.array_equal(first.zone, second.zone)


def test_pattern_bound_sees_what_volume_does_not():
    # Three zones of 4 L/s, 10 min, capacity 10: two at once. Volume says 12 min, pairs say 15 (each pair 5 min).
    three = np.full(3, 4.0), np.full(3, 10.0)
    assert pattern_bound(*three, 10.0) == pytest.approx(15.0, abs=1e-6)
    # 6, 6 and 4 L/s at 9: none go together.
    assert pattern_bound(np.array([6.0, 6.0, 4.0]), np.full(3, 10.0), 9.0) == pytest.approx(30.0, abs=1e-6)


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(12), 2))
def test_bounds_are_bounds(seed):
    # A night that fits in its window proves that no bound may be larger than the minutes it used.
    job = with_window(full_job(25, seed, coarse=1.5), 2000.0)
    table = packed(job)
    assert table.fitted
    assert lower_bounds(job, patterns=True).largest <= table.makespan_min + 1e-6


KINDS = {
    "one pump": {"zones": 80},
    "small site": {"zones": 30},
    "soaks": {"zones": 120, "soaks": 0.9},
    "branches": {"zones": 120, "branches": 4},
    "stations": {"zones": 120, "stations": 3},
    "ramp": {"zones": 120, "ramp": 0.15},
    "gaps": {"zones": 120, "gaps": True},
    "large flows": {"zones": 40, "coarse": 2.5},
    "everything": {"zones": 200, "branches": 3, "stations": 4, "ramp": 0.2, "gaps": True},
}


@pytest.mark.sweep
def test_full_nights_are_filled():
    """The window is the proven bound itself; what is placed must be within 5 % of it always and 2 % in the median."""
    fills = {}
    for kind in some(list(KINDS), 1):
        for seed in range(draws(2, 1)):
            job = full_job(seed=seed, **KINDS[kind])
            job = with_window(job, lower_bounds(job, patterns=True).largest)
            fills[kind, seed] = packed(job).fill
    assert min(fills.values()) >= 0.95, fills
    assert np.median(list(fills.values())) >= 0.98, fills


@pytest.mark.drawn
def test_a_plan_shrunk_to_the_measured_capacity_fits_within_a_few_rounds():
    """What the evening run does when a night does not fit: shrink to what was measured, ask again."""
    for seed in range(draws(4, 1)):
        job = full_job(draws(80, 40), seed)
        minutes = job.cycle_minutes
        for _ in range(4):
            table = pack_night(replace(job, cycle_minutes=minutes), draws(30_000, 5_000))
            if table.fitted:
                break
            room = table.measured_capacity.pump[0] * job.pump_capacity[0] * job.window_minutes
            asked = float(job.flow[job.cycle_zone] @ minutes)
            minutes = np.maximum(np.floor(minutes * min(room / asked, 1.0)), 2.0)
        assert table.fitted
        assert float(job.flow[job.cycle_zone] @ minutes) >= 0.9 * job.pump_capacity[0] * job.window_minutes


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"cycle_minutes": np.array([10.5])}, "cycle_minutes: must be whole steps"),
        ({"cycle_zone": np.array([1])}, "cycle_zone"),
        ({"flow": np.array([-1.0])}, "flow"),
        ({"pump": np.array([1])}, "pump: must lie in"),
        ({"resolution": np.array([1 / 60])}, "resolution: must share a step"),
        ({"pieces": np.array([[1320.0, 1300.0]])}, "pieces"),
        ({"blocks": np.array([[1320.0, 1350.0]])}, "blocks: must cover"),
        ({"allowed": np.ones((1, 3), dtype=bool)}, "allowed"),
        ({"pump_ramp": np.array([np.nan])}, "pump_ramp"),
    ],
)
def test_bad_jobs_are_refused(change, match):
    good = night([0], [10], [4])
    with pytest.raises(ValueError, match=match):
        replace(good, **change)


def test_three_long_runs_two_at_a_time_are_cut_finely_enough_to_fit():
    # 39 + 40 + 30 = 109 min of zones of which any two, but not all three, fit the pump (2.0 + 2.2 + 1.6 > 5.6): two at
    # a time need 54.5 of the 60 min (McNaughton 1959; memory), but only with a run cut in parts.
    job = night([0, 1, 2], [39.0, 40.0, 30.0], [2.0, 2.2, 1.6], capacity=5.6, finish_rank=np.array([0, 0, 1]))
    table = pack_night(job)
    assert table.fitted and check_timetable(job, table) == ()


def test_times_to_be_done_by_are_kept_on_a_full_night():
    # Pump 10 L/s, 22:00-24:00 full: six zones of 5 L/s for 40 min, two at a time, are exactly 120 min. Zones 0 and 1
    # must be done by 23:20, so they run in the second third, late rather than early, and nothing is late; without the
    # time they end the night, as their rank says.
    job = night([0, 1, 2, 3, 4, 5], [40] * 6, [5] * 6, window=(1320.0, 1440.0))
    job = replace(job, finish_rank=np.array([0, 0, 1, 1, 1, 1]))
    assert all(times(packed(job), z) == [(1400, 1440)] for z in (0, 1))
    timed = packed(replace(job, finish_by=np.array([1400.0, 1400.0, *[np.nan] * 4])))
    assert timed.fitted
    assert not timed.after_finish_by.any()
    assert all(times(timed, z) == [(1360, 1400)] for z in (0, 1))


def test_only_what_cannot_be_in_time_is_late():
    # Three zones of 6 L/s for 30 min on 10 L/s follow each other; by 22:50 only one of the three can be done. It is the
    # one that ranks first; the others follow as early as they can.
    job = night([0, 1, 2], [30] * 3, [6] * 3, window=(1320.0, 1440.0), finish_by=np.full(3, 1370.0))
    table = packed(replace(job, finish_rank=np.array([0, 1, 2])))
    assert table.fitted
    assert table.after_finish_by.tolist() == [False, True, True]
    assert times(table, 0) == [(1340, 1370)]
    assert sorted(times(table, 1) + times(table, 2)) == [(1370, 1400), (1400, 1430)]


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(6), 1))
def test_times_to_be_done_by_are_held_where_the_night_has_room(seed):
    # A quarter of the zones by the middle of a night a quarter longer than its bound: all runs, and none is late.
    plain = full_job(30, seed, branches=3, soaks=0.2)
    plain = with_window(plain, lower_bounds(plain).largest * 1.25)
    middle = float(plain.pieces[0].mean())
    table = packed(replace(plain, finish_by=np.where(np.arange(plain.zones) % 4 == 0, middle, np.nan)))
    assert table.fitted
    assert not table.after_finish_by.any()


def test_a_ramp_is_climbed_in_every_piece_of_the_window():
    # Capacity 10, ramp 5 L/s a minute, zones of 5 L/s or less: the first and last minute of a piece hold 5, the others
    # 10. One piece of 20 min holds 190, two of 10 min hold 2 * 90 = 180: ten zones of 5 L/s run 3.6 min each in them,
    # and 190 would need a minute more.
    zones = np.arange(10)
    two = night(
        zones, np.full(10, 4.0), np.full(10, 5.0), window=[(1320, 1330), (1340, 1350)], pump_ramp=np.array([5.0])
    )
    assert lower_bounds(two).pump[0] == pytest.approx(20.0 + (200 - 180) / 10)
    one = replace(two, pieces=np.array([[1320.0, 1340.0]]), blocks=np.array([[1320.0, 1340.0]]))
    assert lower_bounds(one).pump[0] == pytest.approx(20.0 + (200 - 190) / 10)
    # half of it fits in one piece of 20 min: 100 = 5 + 9 * 10 + 5 in 11 min
    half = replace(one, cycle_minutes=np.full(10, 2.0))
    assert lower_bounds(half).pump[0] == pytest.approx(11.0)


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(8), 1))
def test_bounds_hold_in_pieces_with_a_ramp(seed):
    # As above: what fits proves the bound, here over two pieces of equal length.
    job = full_job(25, seed, coarse=1.5, ramp=0.3, gaps=True)
    for minutes in (500.0, 600.0, 900.0):
        table = packed(with_window(job, minutes))
        if table.fitted:
            assert table.lower_bound_min <= table.makespan_min + 1e-6
