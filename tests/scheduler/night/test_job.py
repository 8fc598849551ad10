"""What the packer is given: tonight's hours, prices and pumps, the order of zones, and cycles worth making."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from scheduler.night import job
from scheduler.night.job import _finish_rank, night_job
from scheduler.plan.inputs import night_inputs
from scheduler.site.windows import night_windows
from scheduler.state.demand import evening_demand
from tests.models.plan.plans import plan
from tests.scheduler import hand_evening as h
from tests.scheduler.plan.test_inputs import stands

TOML = """
[[window.by_day]]
day = "Wednesday"
opens = "22:00"
closes = "04:00"
[surface.fairway]
finish_by = "02:00"
[[tariff]]
from = "21:00"
until = "05:00"
price = 0.1
[[tariff]]
from = "21:00"
until = "23:00"
price = 0.3
days = ["Tuesday"]
[[restriction]]
surfaces = ["fairway"]
hours = ["23:00-05:00"]
until = 2026-07-14
"""


def test_zones_in_need_find_their_place_before_those_that_can_wait():
    # Two of rank 1: one dry by tomorrow (18 + 5 past 20), one not. Rank 2: an event's, one to be flushed, one neither.
    # What the manager holds comes before all.
    arrays = plan(zones=6, depletion=[18.0, 10, 10, 10, 10, 10], wet_weight=np.array([[1.0], [1], [4], [1], [1], [1]]))
    flushing = np.array([False, False, False, True, False, False])
    held = np.array([False] * 5 + [True])
    found = _finish_rank(arrays, np.array([1, 1, 2, 2, 2, 4]), flushing, held)
    assert found.tolist() == [0, 3, 1, 1, 4, -1]
    assert _finish_rank(arrays, np.array([1, 1, 2, 2, 2, 4]), flushing, None)[-1] == 5


@pytest.fixture(scope="module")
def given(tmp_path_factory):
    """Tonight, a Tuesday, of two zones; tomorrow is shorter and cheaper, and the pump gives but half of it tonight."""
    place = h.hand_site(tmp_path_factory.mktemp("job") / "a", "G1 green", "F1 fairway", toml=TOML, nights=2)
    text = (place.folder / "site.toml").read_text()
    text = text.replace("capacity = 20.0", 'capacity = 20.0\nsmallest_flow = 2.5\nramp = "4 L/s/min"')
    (place.folder / "site.toml").write_text(text.replace('"box"', '"box"\nresolution = 60\nstations_at_once = 2'))
    place = h.again(place)
    demand = evening_demand(place, h.NIGHT, 2)
    inputs = night_inputs(place, h.NIGHT, night_windows(place, h.NIGHT, 2), demand, stands())
    inputs = replace(inputs, plan=replace(inputs.plan, pump_share=np.array([[0.5, 1.0]])))
    return place, inputs


def packed(given, minutes=(30.0, 1.0), **more):
    place, inputs = given
    by_block = np.arange(inputs.plan.zones * inputs.plan.block_length.shape[1], dtype=float)
    by_block = by_block.reshape(inputs.plan.zones, -1)
    return night_job(place, inputs, np.array(minutes), by_block, np.zeros(2, dtype=bool), **more), by_block


def test_the_packer_has_tonights_hours_and_their_prices(given):
    (_, job), by_block = packed(given)
    assert job.pieces.tolist() == [[1260.0, 1740.0]]
    assert job.blocks.tolist() == [[1260.0, 1380.0], [1380.0, 1740.0]]
    assert job.block_price.tolist() == pytest.approx([0.3, 0.1])
    assert job.allowed.tolist() == [[True, True], [False, True]]
    np.testing.assert_array_equal(job.minutes_by_block, by_block[:, :2])
    np.testing.assert_equal(job.finish_by, [np.nan, 26 * 60.0])


def test_the_packer_has_the_pump_as_it_is_tonight(given):
    (_, job), _ = packed(given)
    assert (job.pump_capacity.tolist(), job.pump_smallest.tolist(), job.pump_ramp.tolist()) == ([10.0], [2.5], [4.0])
    assert (job.stations_at_once.tolist(), job.pump.tolist(), job.controller.tolist()) == ([2.0], [0, 0], [0, 0])


def test_a_piece_is_worth_making_where_a_run_would_be_or_the_whole_cycle_is_no_longer(given):
    # A green is watered for 1 mm at least, 5 min at 12 mm/h, where a rotor turns a few times; a minute was asked of F1.
    (cycles, job), _ = packed(given)
    smallest = given[1].smallest_run
    assert smallest.tolist() == [5.0, 10.0]
    assert job.smallest_run.tolist() == [5.0, 1.0]
    assert job.smallest_cycle.tolist() == [5.0, 1.0]
    assert cycles.zone.tolist() == [0, 1] and cycles.length.tolist() == [30.0, 1.0]
    assert job.held_starts is None
    (_, job), _ = packed(given, minutes=(30.0, 0.0), starts={0: np.array([1300.0])})
    assert job.smallest_cycle.tolist() == [5.0, 0.0]
    assert job.held_starts[0].tolist() == [1300.0]


def test_water_that_runs_off_is_cut_into_cycles_of_whole_steps(given):
    # A soil that takes 2 mm/h of the 12, and whose surface holds no more than its slope allows.
    place, inputs = given
    slow = replace(place, zones=replace(place.zones, infiltration=np.array([2.0, 20.0]), slope=np.array([0.1, 0.0])))
    (cycles, job), _ = packed((slow, inputs), minutes=(60.0, 60.0))
    own = cycles.length[cycles.zone == 0]
    assert own.size > 1 and own.sum() == 60.0 and (own % 1.0 == 0.0).all() and own.min() >= 2.0
    assert (cycles.zone == 1).sum() == 1
    assert job.soak[0] > 0.0


def test_runs_are_cut_finer_by_the_slowest_soil_of_the_class_under_the_wettest_quarter(given):
    # Clay loam takes 7.5 mm/h, at its slowest 2.3; of 12 mm/h at a DU of .7 its wettest quarter gets 15.6. 2.5 mm stand
    # after 60 * 2.5 / 13.3 = 11.3 min: five cycles of 10 min, of which the water is gone after 10 * 13.3 / 2.3 = 58.
    place, inputs = given
    zones = replace(place.zones, slowest_intake=np.array([2.3, 2.3]), infiltration=np.array([12.0, 12.0]),
                    du_lq=np.array([0.7, 0.7]))  # fmt: skip
    slow = replace(place, zones=zones)
    (cycles, night), _ = packed((slow, inputs), minutes=(50.0, 50.0), finer=1.0)
    assert cycles.length[cycles.zone == 0].tolist() == [10.0] * 5 and cycles.finer.all()
    # The fairway has from 23:00 until its finish at 02:00: four fifths of it hold three rests of 30 min and more.
    assert cycles.length[cycles.zone == 1].tolist() == [13.0, 13.0, 12.0, 12.0]
    assert night.soak.tolist() == [58.0, 31.0]
    (cycles, _), _ = packed((slow, inputs), minutes=(12.0, 12.0), finer=1.0)  # worth making are 5 min and 10
    assert cycles.length.tolist() == [6.0, 6.0, 12.0]
    (cycles, _), _ = packed((slow, inputs), minutes=(50.0, 50.0), finer=0.6)  # 86 min hold but one rest
    assert cycles.count.tolist() == [5, 2]
    (cycles, _), _ = packed((slow, inputs), minutes=(50.0, 50.0))
    assert cycles.count.tolist() == [1, 1] and not cycles.finer.any()


def test_controllers_that_hold_programmes_keep_the_fewest_cycles(given, monkeypatch):
    place, inputs = given
    slow = replace(place, zones=replace(place.zones, slowest_intake=np.array([2.0, 2.0])))
    assert packed((slow, inputs), minutes=(60.0, 60.0), finer=1.0)[0][0].finer[0]
    monkeypatch.setattr(job, "holds_no_times", lambda site: np.ones(2, dtype=bool))
    assert not packed((slow, inputs), minutes=(60.0, 60.0), finer=1.0)[0][0].finer.any()


def test_the_night_of_a_plan_is_its_first(given):
    place, inputs = given
    later = SimpleNamespace(**{**vars(inputs), "windows": inputs.windows[1:], "dates": inputs.dates[1:]})
    (_, job), _ = packed((place, later))
    assert job.pieces.tolist() == [[1320.0, 1680.0]]
