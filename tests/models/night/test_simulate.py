"""Playing a night back: hand-worked flows and energy, and a check that finds each kind of mistake."""

from dataclasses import replace

import numpy as np
import pytest

from models.hydraulics import PumpCurve, pipe_resistance
from models.night import check_timetable, low_flows, pack_night, play_night
from tests.models.night.test_packing import night


def test_flow_water_and_energy_by_hand():
    # 4 L/s 1360-1380 and 5 L/s 1370-1380 at 50 m and 0.7: 4 * 9.81 * 50 / (1000 * 0.7) = 2.80286 kW and, with 9 L/s,
    # 6.30643 kW; ten minutes of each: (2.80286 + 6.30643) / 6 = 1.51821 kWh. Computed here from rho g Q H / eta.
    job = night([0, 1], [20, 10], [4, 5])
    played = play_night(job, pack_night(job), (PumpCurve(np.array([1.0]), np.array([50.0]), np.array([0.7])),))
    assert played.minute.tolist() == list(range(1360, 1380))
    assert played.flow[0].tolist() == pytest.approx([4.0] * 10 + [9.0] * 10, abs=1e-9)
    assert played.volume.tolist() == pytest.approx([4.8, 3.0], abs=1e-12)  # 4 L/s * 1200 s, 5 L/s * 600 s
    assert played.energy.sum() == pytest.approx(1.51821, abs=5e-6)
    assert played.largest_change[0] == pytest.approx(9.0, abs=1e-9)  # both stop at the close


def test_a_pump_that_does_not_run_gives_nothing():
    job = night([0], [20], [4])
    two = replace(job, pump_capacity=np.full(2, 10.0), pump_ramp=np.full(2, np.inf), pump_smallest=np.array([0.0, 3.0]))
    played = play_night(two, pack_night(two))
    assert played.flow[1].any() == played.pumped[1].any() == played.energy[1].any() == False  # noqa: E712
    assert played.pumped[0].tolist() == pytest.approx([4.8]) and played.under_smallest.tolist() == [0.0, 0.0]
    assert played.largest_change.tolist() == pytest.approx([4.0, 0.0])


def test_energy_falls_into_the_tariff_block_it_is_used_in():
    blocks = np.array([[1320.0, 1375.0], [1375.0, 1380.0]])
    job = night([0], [20], [4], blocks=blocks)
    played = play_night(job, pack_night(job), (PumpCurve(np.array([1.0]), np.array([50.0]), np.array([0.7])),))
    assert played.energy[0].tolist() == pytest.approx([2.80286 / 4, 2.80286 / 12], abs=5e-6)


def test_a_pump_curve_is_read_at_the_flow():
    curve = PumpCurve(np.array([0.0, 10.0]), np.array([60.0, 40.0]), np.array([0.5, 0.7]))
    # At 5 L/s: 50 m, 0.6: 9.81 * 5 * 50 / 0.6 / 1000 = 4.08750 kW.
    assert curve.power(np.array([5.0]))[0] == pytest.approx(4.08750, abs=5e-6)
    with pytest.raises(ValueError, match="efficiency"):
        PumpCurve(np.array([1.0]), np.array([50.0]), np.array([70.0]))


def test_the_largest_change_looks_a_whole_minute_ahead():
    # Stops of 4 and 3 L/s half a minute apart are one change of 7 L/s within a minute; a minute apart they are two.
    job = night([0, 1], [10, 10], [4, 3], resolution=np.array([0.5, 0.5]))
    table = pack_night(job)
    half = replace(table, start=np.array([1369.5, 1370.0]), end=np.array([1379.5, 1380.0]), zone=np.array([0, 1]))
    assert play_night(job, half).largest_change.tolist() == pytest.approx([7.0], abs=1e-9)
    whole = replace(table, start=np.array([1369.0, 1370.0]), end=np.array([1379.0, 1380.0]), zone=np.array([0, 1]))
    assert play_night(job, whole).largest_change.tolist() == pytest.approx([4.0], abs=1e-9)


def test_each_kind_of_mistake_is_found():
    job = night([0, 0, 1], [10, 10, 10], [4, 5], soak=15.0, stations_at_once=np.array([2.0]))
    table = pack_night(job)
    assert check_timetable(job, table) == ()

    def kinds(changed_job, changed_table=table):
        return {violation.kind for violation in check_timetable(changed_job, changed_table)}

    assert kinds(replace(job, pump_capacity=np.array([8.9]))) == {"pump"}
    assert kinds(replace(job, stations_at_once=np.array([1.0]))) == {"controller"}
    assert kinds(replace(job, branch=np.array([0, 0]), branch_capacity=np.array([8.0]))) == {"branch"}
    assert kinds(replace(job, soak=np.array([16.0, 0.0]))) == {"soak"}
    assert kinds(replace(job, pump_ramp=np.array([5.0]))) == {"ramp"}
    assert kinds(replace(job, cycle_minutes=np.array([10.0, 10.0, 11.0]))) == {"minutes"}
    assert kinds(replace(job, allowed=np.array([[True], [False]]))) == {"allowed hours"}
    shorter = np.array([[1320.0, 1379.0]])
    assert kinds(replace(job, pieces=shorter)) == {"window"}
    gap = np.array([[1320.0, 1375.0], [1375.5, 1380.0]])
    assert "window" in kinds(replace(job, pieces=gap, blocks=gap))
    assert kinds(job, replace(table, start=table.start - 0.5, end=table.end - 0.5)) == {"whole minute"}
    assert "zone twice" in kinds(job, replace(table, start=np.full(3, 1370.0), end=np.full(3, 1380.0)))
    assert "minutes" in kinds(job, replace(table, fitted=False))
    assert "smallest cycle" in kinds(
        replace(job, smallest_cycle=np.full(2, 9.0)), replace(table, end=table.start + 8.0)
    )


def test_curves_must_match_the_pumps():
    job = night([0], [10], [4])
    with pytest.raises(ValueError, match="curves"):
        play_night(job, pack_night(job), (None, None))
    with pytest.raises(ValueError, match="resistance"):
        play_night(job, pack_night(job), (), np.zeros(3))


def _two_branches(held: float) -> tuple:
    """Zone 0, 12 L/s, 1300-1320 on branch 0; zone 1, 8 L/s, 1310-1330 on branch 1, both on a curve of three points."""
    job = night([0, 1], [20, 20], [12, 8], branch=np.array([0, 1]), branch_capacity=np.full(2, np.inf))
    job = replace(job, blocks=np.array([[1260.0, 1315.0], [1315.0, 1380.0]]))
    job = replace(job, pieces=np.array([[1260.0, 1380.0]]))
    table = pack_night(job)
    table = replace(table, zone=np.array([0, 1]), start=np.array([1300.0, 1310.0]), end=np.array([1320.0, 1330.0]))
    points = (np.array([0.0, 10.0, 30.0]), np.array([70.0, 66.0, 46.0]), np.array([0.0, 0.6, 0.7]))
    return job, table, PumpCurve(*points, held)


def test_a_station_at_full_speed_gives_its_curve_whatever_friction_takes():
    # 12 L/s: 64 m, 0.61; 20 L/s: 56 m, 0.65; 8 L/s: 66.8 m, 0.48. Power 9.81 Q H / eta / 1000 [kW]: 12.35095, 16.90338,
    # 10.92180. 1300-1310 at 12, 1310-1320 at 20, 1320-1330 at 8 L/s; the price changes at 1315:
    # 12.35095/6 + 16.90338/12 = 3.467107 kWh before, 16.90338/12 + 10.92180/6 = 3.228915 kWh after. Worked by hand.
    job, table, curve = _two_branches(np.inf)
    played = play_night(job, table, (curve,), np.array([0.05, 0.0]))
    assert played.energy[0].tolist() == pytest.approx([3.467107, 3.228915], abs=5e-6)
    assert played.pumped[0].tolist() == pytest.approx([(12 * 600 + 20 * 300) / 1000, (20 * 300 + 8 * 600) / 1000])
    assert played.head[0].tolist() == pytest.approx([64.0] * 10 + [56.0] * 10 + [66.8] * 10, abs=1e-9)
    assert played.short_of_head[0] == 0.0


def test_a_station_that_holds_its_head_adds_what_the_branch_takes():
    # Held 45 m; branch 0 takes 0.05 * 12^1.852 = 4.98441 m while zone 0 runs, branch 1 takes 0.01 * 8^1.852 = 0.47046
    # m: the station gives 49.98441 m (12 L/s), 49.98441 m (20 L/s, the branch that takes most), 45.47046 m (8 L/s).
    # Energy, 9.81 Q H / eta / 1000 times the hours: 12 L/s 9.646172 kW, 20 L/s 15.087602 kW, 8 L/s 7.434420 kW.
    # Worked by hand from Hazen-Williams' exponent 1.852 (status memory).
    job, table, curve = _two_branches(45.0)
    played = play_night(job, table, (curve,), np.array([0.05, 0.01]))
    loss = (0.05 * 12**1.852, 0.01 * 8**1.852)
    assert loss == pytest.approx((4.98441, 0.47046), abs=5e-5)
    assert played.head[0].tolist() == pytest.approx([45 + loss[0]] * 20 + [45 + loss[1]] * 10, abs=1e-9)
    assert played.energy[0].sum() == pytest.approx((9.646172 + 15.087602 + 7.434420) / 6, abs=5e-5)
    without = play_night(job, table, (curve,))
    assert (played.energy > without.energy).all()
    assert played.short_of_head[0] == 0.0


def test_head_that_the_curve_cannot_give_is_counted():
    # Held 52 m + 4.98441 m = 56.98441 m is more than the 56 m of the curve at 20 L/s, for ten minutes.
    job, table, curve = _two_branches(52.0)
    played = play_night(job, table, (curve,), np.array([0.05, 0.0]))
    assert played.short_of_head[0] == pytest.approx(10.0)
    assert played.most_missing[0] == pytest.approx(0.98441, abs=5e-5)
    assert played.head[0][10:20].tolist() == pytest.approx([56.0] * 10, abs=1e-9)


def test_low_flows_are_named_with_their_zones():
    job, table, _ = _two_branches(np.inf)
    low = low_flows(replace(job, pump_smallest=np.array([13.0])), table)
    assert [(s.pump, s.start, s.end, s.zones) for s in low] == [(0, 1300.0, 1310.0, (0,)), (0, 1320.0, 1330.0, (1,))]
    assert low_flows(job, table) == ()


def test_pipes_add_up_by_length():
    # ten pipes in a row take what one of their length takes
    one, all_ten = pipe_resistance(62.0, 0.15, 140.0), pipe_resistance(620.0, 0.15, 140.0)
    assert float(all_ten) == pytest.approx(10 * float(one))
