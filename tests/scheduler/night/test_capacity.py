"""What a plan of tonight may count on: shares that packing finds places for, and what it measured."""

from types import SimpleNamespace

import numpy as np
import pytest

from models.choices import TONIGHT
from scheduler.night import capacity
from scheduler.night.capacity import (
    Limits,
    hold_tonight,
    limits_bind,
    shares_by_night,
    shares_packed,
    usual_limits,
)
from tests.models.plan.plans import FLOW, plan


def limits(pump=0.9, branch=0.8, station=1.0, longest=(60.0, 40.0)):
    share = {"pump": np.array([pump]), "branch": np.array([branch]), "station": np.array([station])}
    return Limits(share, {name: np.ones(1) for name in share}, np.array(longest), np.full(2, np.inf))


def test_a_limit_binds_where_it_has_a_price():
    assert not limits_bind(SimpleNamespace(limits=(SimpleNamespace(price=0.0),)))
    assert limits_bind(SimpleNamespace(limits=(SimpleNamespace(price=0.0), SimpleNamespace(price=0.1))))


def test_tonight_counts_on_less_of_pumps_and_branches_but_all_stations():
    found = limits().at_once
    assert found.share["pump"] == 0.9 * TONIGHT.at_once and found.share["branch"] == 0.8 * TONIGHT.at_once
    assert found.share["station"] == 1.0
    assert found.measured["pump"] == 1.0


def test_what_packing_reached_narrows_the_next_plan_and_never_widens_it():
    carried = SimpleNamespace(pump=[0.5], branch=[1.0], controller=[0.75], zone_minutes=np.array([80.0, 25.0]))
    found = limits().reached(SimpleNamespace(measured_capacity=carried))
    assert [found.share[n].tolist() for n in ("pump", "branch", "station")] == [[0.45], [0.8], [0.75]]
    assert [found.measured[n].tolist() for n in ("pump", "branch", "station")] == [[0.5], [1.0], [0.75]]
    assert found.longest.tolist() == [60.0, 25.0]
    assert found.held.tolist() == [np.inf, 25.0]  # only what packing held is told
    carried.zone_minutes = np.array([80.0, 80.0])
    again = found.reached(SimpleNamespace(measured_capacity=carried))
    assert (again.longest.tolist(), again.held.tolist()) == ([60.0, 25.0], [np.inf, 25.0])


def test_pumps_are_filled_as_far_as_whole_zones_fill_them():
    # Of 2.5 zones' flow two run at once: 0.8 of it; and of that what start times are found for.
    arrays = plan(zones=4, pump_of_zone=0, pump_capacity=[2.5 * FLOW], branch_of_zone=0, branch_capacity=[4 * FLOW])
    found = shares_packed(arrays)
    assert found["pump"] == pytest.approx([0.8 * TONIGHT.packed])
    assert found["branch"] == pytest.approx([TONIGHT.packed])


def test_zones_count_by_the_water_they_want(monkeypatch):
    # 4 and 6 mm of ET on 1000 and 2000 m2, where half of the second's water reaches the drier half.
    seen = []
    monkeypatch.setattr(capacity, "usable_share", lambda flow, group, most, water: seen.append(water) or np.ones(1))
    shares_packed(
        plan(zones=2, nights=2, etc=np.array([[3.0, 5.0], [6.0, 6.0]]), area=[1000.0, 2000.0], net_rate=[1.0, 0.25])
    )
    assert seen[0].tolist() == pytest.approx([4000.0, 24000.0])


def pitches_and_beds(window=100.0, **given):
    """Two pitches of 4 L/s and two beds of 1.5 L/s on a pump of 8.8 L/s; each bed fills the beds' pipe."""
    usual = {"flow": [4.0, 4.0, 1.5, 1.5], "pump_of_zone": 0, "pump_capacity": [8.8], "branch_of_zone": [0, 0, 1, 1]}
    usual |= {"branch_capacity": [8.8, 1.5], "stations_at_once": [4.0], "controller_of_zone": 0}
    return plan(zones=4, nights=2, blocks=2, block_length=np.array([[20.0, window - 20.0]] * 2), **(usual | given))


HOUR = np.full(4, 60.0)


def told(arrays, minutes):
    """The rows a solver is told for these minutes: pump, price of each zone, most."""
    rows = []
    solver = SimpleNamespace(hold_together=lambda pump, price, most: rows.append((pump, price.round(3).tolist(), most)))
    assert capacity.hold_at_once(solver, arrays, minutes) == [pump for pump, *_ in rows]
    return rows


def test_what_a_pump_a_pipe_and_a_controller_hold_together():
    # Both beds beside one pitch for an hour, for no bed fits beside two, then half an hour of pitches in pairs: 90 min.
    # Sets of zones leave gaps: .89 of 102 min would hold that.
    gaps = capacity.PLACED
    ((pump, price, limit),) = told(pitches_and_beds(branch_capacity=[8.8, 3.0]), HOUR)
    assert (pump, limit, gaps * 60.0 * sum(price)) == (0, 100.0, pytest.approx(90.0, rel=1e-3))
    sets = price[0] + price[1], price[0] + sum(price[2:]), price[1] + sum(price[2:])
    assert max(sets) == pytest.approx(1.0 / gaps, rel=1e-3)
    assert told(pitches_and_beds(window=102.0, branch_capacity=[8.8, 3.0]), HOUR) == []
    # Of two stations and part of a third both beds never run beside a pitch: two hours, as each zone beside one other.
    two = pitches_and_beds(branch_capacity=[8.8, 3.0], stations_at_once=[2.9])
    ((_, price, _),) = told(two, HOUR)
    assert gaps * 60.0 * sum(price) == pytest.approx(120.0, rel=1e-3)
    # A pitch that rests is priced as the other, so that nothing is gained by its running in its place.
    ((_, price, _),) = told(pitches_and_beds(window=50.0, branch_capacity=[8.8, 3.0]), HOUR * [1, 0, 1, 1])
    assert price[0] == price[1] > 0.0


def test_zones_that_run_one_after_another_leave_no_gap():
    # Beds one at a time on their pipe, whatever the pitches do: two hours, and all of a window of two hours.
    ((_, price, limit),) = told(pitches_and_beds(), HOUR)
    assert (price, limit) == ([0.0, 0.0, 1.0, 1.0], 100.0)
    # So with two pitches that never run together, a bed beside each.
    assert told(pitches_and_beds(window=119.8, pump_capacity=[5.6]), HOUR)
    assert not told(pitches_and_beds(window=120.0, pump_capacity=[5.6]), HOUR)


def test_zones_that_never_run_together_have_the_window_between_them():
    # A bed of 2 L/s beside a pitch of 5.7 passes 6 L/s: one after the other. Four hours of the bed and 40 min of the
    # pitch are 38 of 86 m3 that the pump gives in a window of four hours, far from full, and yet do not go into it.
    arrays = {"flow": [5.7, 2.0, 5.7, 2.0], "pump_of_zone": [0, 0, -1, -1], "pump_capacity": [6.0]}
    wanted = np.array([40.0, 200.0, 0.0, 0.0])
    ((pump, price, limit),) = told(pitches_and_beds(window=239.0, **arrays), wanted)
    assert (pump, price, limit) == (0, [1.0, 1.0, 0.0, 0.0], 239.0)
    assert not told(pitches_and_beds(window=240.0, **arrays), wanted)


def test_zones_that_may_not_run_tonight_are_not_asked_for():
    # The second pitch is shut out by hours, by its pipe or by a pump it is too large for.
    usual = {"window": 70.0, "branch_capacity": [8.8, 3.0]}
    shut = np.ones((4, 2, 2), dtype=bool)
    shut[1, 0] = False
    for given in ({"allowed": shut}, {"flow": [4.0, 8.9, 1.5, 1.5]}):
        ((_, price, _),) = told(pitches_and_beds(**(usual | given)), np.array([75.0, 0.0, 60.0, 60.0]))
        assert price[1] == 0.0 < price[0]
    narrow = pitches_and_beds(**(usual | {"branch_of_zone": [-1, 0, 1, 1], "branch_capacity": [3.9, 3.0]}))
    ((_, price, _),) = told(narrow, np.array([75.0, 0.0, 60.0, 60.0]))
    assert price[1] == 0.0 < price[0]
    apart = pitches_and_beds(window=70.0, pump_of_zone=[0, 0, 0, 1], pump_capacity=[8.8, 0.0])
    assert [pump for pump, *_ in told(apart, HOUR)] == [0]


def test_pumps_that_are_not_full_or_hold_many_at_once_are_not_asked_for_gaps():
    # 660 L/s min are 0.7 of 9.4 L/s in 100.3 min and of 9.3 L/s in 101.4. All of either pump would hold the 90 min that
    # sets of zones need, .89 of it would not.
    usual = {"branch_capacity": [8.8, 3.0], "window": 100.5}
    assert told(pitches_and_beds(pump_capacity=[9.3], **usual), HOUR)
    assert not told(pitches_and_beds(pump_capacity=[9.4], **usual), HOUR)
    # The pump holds 6 of its zones at once, or more.
    assert told(pitches_and_beds(pump_capacity=[16.4], window=55.0), HOUR)
    assert not told(pitches_and_beds(pump_capacity=[16.6], window=55.0), HOUR)


class Solver:
    """Notes what it is told."""

    def __init__(self):
        self.scaled, self.limited = [], []

    def scale_capacity(self, name, factors, night=None):
        self.scaled.append((name, factors.tolist(), night))

    def limit_runs(self, zones, minutes, night):
        self.limited.append((zones.tolist(), minutes.tolist(), night))


def test_no_zone_runs_longer_than_its_hours_of_a_night_hold():
    arrays = plan(zones=2, nights=2, max_run=60.0, stations_at_once=[3.0])
    inputs = SimpleNamespace(plan=arrays, longest_run=np.array([[60.0, 20.0], [50.0, 60.0]]))
    solver = Solver()
    found = usual_limits(inputs, solver)
    assert solver.limited == [([1], [50.0], 0), ([0], [20.0], 1)]
    assert found.longest.tolist() == [60.0, 50.0] and np.isinf(found.held).all()
    assert [name for name, _, night in solver.scaled if night is None] == ["pump", "branch", "station"]


def test_only_what_is_less_than_usual_is_told_to_the_solver_and_of_tonight():
    solver = Solver()
    hold_tonight(solver, limits(pump=0.7, longest=(60.0, 25.0)), limits())
    assert solver.scaled == [("pump", [0.7], 0)]
    assert solver.limited == [([1], [25.0], 0)]


def test_later_nights_count_on_the_usual_shares():
    found = shares_by_night(limits(), limits(pump=0.7), 3)
    assert found["pump"].tolist() == [[0.7, 0.9, 0.9]]
    assert found["branch"].tolist() == [[0.8, 0.8, 0.8]]
