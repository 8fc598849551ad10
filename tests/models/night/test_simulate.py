"""Playing a night back: hand-worked flows and energy, and a check that finds each kind of mistake."""

from dataclasses import replace

import numpy as np
import pytest

from models.night import PumpCurve, check_timetable, pack_night, play_night
from tests.models.night.test_packing import night


def test_flow_water_and_energy_by_hand():
    # 4 L/s 1360-1380 and 5 L/s 1370-1380 at 50 m and 0.7: 4 kW * 9.80665 * 50 / (1000 * 0.7) = 2.80190 kW and, with 9
    # L/s, 6.30428 kW; ten minutes of each: (2.80190 + 6.30428) / 6 = 1.51770 kWh. Computed here from rho g Q H / eta.
    job = night([0, 1], [20, 10], [4, 5])
    played = play_night(job, pack_night(job), (PumpCurve(np.array([1.0]), np.array([50.0]), np.array([0.7])),))
    assert played.minute.tolist() == list(range(1360, 1380))
    assert played.flow[0].tolist() == pytest.approx([4.0] * 10 + [9.0] * 10, abs=1e-9)
    assert played.volume.tolist() == pytest.approx([4.8, 3.0], abs=1e-12)  # 4 L/s * 1200 s, 5 L/s * 600 s
    assert played.energy.sum() == pytest.approx(1.51770, abs=5e-6)
    assert played.largest_change[0] == pytest.approx(9.0, abs=1e-9)  # both stop at the close


def test_energy_falls_into_the_tariff_block_it_is_used_in():
    blocks = np.array([[1320.0, 1375.0], [1375.0, 1380.0]])
    job = night([0], [20], [4], blocks=blocks)
    played = play_night(job, pack_night(job), (PumpCurve(np.array([1.0]), np.array([50.0]), np.array([0.7])),))
    assert played.energy[0].tolist() == pytest.approx([2.80190 / 4, 2.80190 / 12], abs=5e-6)


def test_a_pump_curve_is_read_at_the_flow():
    curve = PumpCurve(np.array([0.0, 10.0]), np.array([60.0, 40.0]), np.array([0.5, 0.7]))
    # At 5 L/s: 50 m, 0.6: 9.80665 * 5 * 50 / 0.6 / 1000 = 4.08610 kW.
    assert curve.power(np.array([5.0]))[0] == pytest.approx(4.08610, abs=5e-6)
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
