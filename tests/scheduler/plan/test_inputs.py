"""From what a manager wrote to bounds and limits of the plan: bands, events, blocks, longest runs."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from scheduler.plan.inputs import night_inputs
from scheduler.site.windows import night_windows
from scheduler.state.demand import evening_demand
from scheduler.state.evening import StartState
from tests.scheduler.site_folders import TOML, site

NIGHT = date(2026, 7, 14)  # a Tuesday
# TAW 45 mm each: root zone 30 cm, FC 0.25, WP 0.10.
HEAD = "zone,surface,turf,soil,root_depth,area,flow,application_rate,du_lq,field_capacity,wilting_point\n"
ZONES = HEAD + "".join(
    f"{z},{s},tall_fescue,loam,30,1000,3.333,12,{du},0.25,0.10\n"
    for z, s, du in (("G1", "green", 1.0), ("F1", "fairway", 0.5))
)
WEATHER = "date,eto,rain\n" + "".join(f"{NIGHT - timedelta(days=d)},5,0\n" for d in range(9, -1, -1))
CALENDAR = "from,until,surface,zone,event,note\n"
WINDOW = '[window]\nopens = "21:00"\ncloses = "05:00"\n'


def stands(depletion=10.0, spread=2.0, zones=2, surplus=0.0):
    column = np.full(zones, float(depletion))
    return StartState(
        column, np.full(zones, float(spread)), np.full(zones, "balance", dtype=object), np.full(zones, 45.0),
        np.full(zones, surplus), 0, 0, 0, None, None, 0, 0, True, (),
    )  # fmt: skip


def inputs(folder, toml="", nights=5, state=None, zones=ZONES, **files):
    place = site(folder, TOML + WINDOW + toml, zones, weather=WEATHER, **files)
    demand = evening_demand(place, NIGHT, nights)
    return night_inputs(place, NIGHT, night_windows(place, NIGHT, nights), demand, state or stands())


@pytest.mark.parametrize("kind", ["tournament", "firm"])
def test_an_event_is_prepared_from_the_night_before_it(tmp_path, kind):
    # A day of play is made firm by the night before it and kept so through its own evening: 16 and 17 July take the
    # nights of the 15th, 16th and 17th, columns 1 to 3.
    found = inputs(tmp_path, calendar=CALENDAR + f"2026-07-16,2026-07-17,green,,{kind},\n").plan
    assert (found.wet_weight[0] > 1.0).tolist() == [False, True, True, True, False]
    assert not (found.wet_weight[1] > 1.0).any()
    assert np.all(found.wet_limit[0, 1:4] > found.wet_limit[0, 0])


def test_the_night_before_a_single_day(tmp_path):
    found = inputs(tmp_path, calendar=CALENDAR + "2026-07-15,,,F1,firm,\n").plan
    assert (found.wet_weight[1] > 1.0).tolist() == [True, True, False, False, False]


def test_no_water_means_none_on_just_those_nights(tmp_path):
    found = inputs(tmp_path, calendar=CALENDAR + "2026-07-15,2026-07-16,,G1,no_water,\n").plan
    assert found.allowed.any(axis=2).tolist() == [[True, False, False, True, True], [True] * 5]


def test_the_plan_keeps_inside_the_band_by_half_the_spread(tmp_path):
    sure, unsure, lost = (inputs(tmp_path / str(s), state=stands(spread=s)) for s in (0.0, 4.0, 40.0))
    np.testing.assert_allclose(sure.plan.dry_limit, sure.limit)
    np.testing.assert_allclose(unsure.plan.dry_limit, unsure.limit - 2.0)
    # never more than a fifth of the limit, and never so much that a day's ET does not fit into the band
    assert np.all(lost.plan.dry_limit >= 0.8 * lost.limit - 1e-9)
    assert np.all(lost.plan.dry_limit < unsure.plan.dry_limit)
    assert np.all(lost.plan.dry_limit - lost.plan.wet_limit >= np.minimum(lost.plan.etc, 0.0))
    np.testing.assert_allclose(unsure.margin, 2.0)
    # where probes are heard the filter follows the dry places of a zone, and two fifths of that are kept
    heard = inputs(tmp_path / "heard", state=replace(stands(spread=4.0), used=1))
    np.testing.assert_allclose(heard.margin, 0.8)


def test_a_margin_leaves_room_for_a_days_et(tmp_path):
    narrow = "[surface.green]\nmoisture_floor = 0.8\nfirmness_limit = 0.92\n"  # 3.6 to 9 mm; ET some 5 mm
    found = inputs(tmp_path, narrow, state=stands(spread=8.0))
    room = found.plan.dry_limit - found.plan.wet_limit
    assert np.all(found.margin[0] < 0.2 * found.limit[0])
    np.testing.assert_allclose(room[0], found.plan.etc[0])


def test_a_moisture_floor_stands_in_place_of_raw(tmp_path):
    found = inputs(tmp_path, "[surface.green]\nmoisture_floor = 0.7\n[surface.fairway]\n", state=stands(spread=0))
    np.testing.assert_allclose(found.limit[0], 0.3 * 45.0)
    np.testing.assert_allclose(found.limit[1], found.depletion_fraction[1] * 45.0)


def test_limits_that_cross_are_said_and_the_dry_one_is_kept(tmp_path):
    found = inputs(tmp_path, "[surface.green]\nmoisture_floor = 0.9\nfirmness_limit = 0.91\n", state=stands(spread=0))
    np.testing.assert_allclose(found.limit[0], 4.5)
    np.testing.assert_allclose(found.plan.wet_limit[0], 0.8 * 4.5)
    assert any("firmness limit lies under the dry limit in 1 zones" in n.text for n in found.notes)


def test_net_water_is_what_the_drier_quarter_gets(tmp_path):
    found = inputs(tmp_path).plan
    # 12 mm/h is 0.2 mm/min; of a DU_LQ of 0.5 the drier quarter counts by 0.4 + 0.6 * 0.5 (scheduling coefficient).
    np.testing.assert_allclose(found.net_rate, [0.2, 0.2 * 0.7])


def test_blocks_of_the_tariff_carry_their_length_and_price(tmp_path):
    tariff = "".join(
        f'[[tariff]]\nfrom = "{a}"\nuntil = "{b}"\nprice = {p}\n'
        for a, b, p in (("22:00", "24:00", 0.2), ("00:00", "22:00", 0.1))
    )
    found = inputs(tmp_path, tariff).plan
    np.testing.assert_allclose(found.block_length[0], [60.0, 120.0, 300.0])
    np.testing.assert_allclose(found.energy_price[0], [0.1, 0.2, 0.1])


def test_an_order_shuts_nights_and_hours_of_its_surfaces(tmp_path):
    order = (
        '[[restriction]]\nnights_allowed = ["Tuesday", "Thursday"]\nsurfaces = ["fairway"]\nhours = ["22:00-24:00"]\n'
    )
    found = inputs(tmp_path, order).plan
    assert found.allowed.any(axis=2)[1].tolist() == [True, False, True, False, False]
    assert found.allowed.any(axis=2)[0].all()
    assert (found.allowed[1, 0] * found.block_length[0]).sum() == 120.0


def test_a_flow_that_no_pump_carries_never_runs(tmp_path):
    pumps = '[[pump]]\nname = "p"\ncapacity = 5\n[[branch]]\nname = "b"\npump = "p"\ncapacity = 3\n'
    zones = (
        HEAD.strip()
        + ",branch\n"
        + "".join(
            f"{z},green,tall_fescue,loam,30,1000,{q},12,1,0.25,0.10,b\n"
            for z, q in (("A", 2.9), ("B", 3.1), ("C", 5.1))
        )
    )
    found = inputs(tmp_path, pumps, zones=zones, state=stands(zones=3)).plan
    assert found.allowed.any(axis=(1, 2)).tolist() == [True, False, False]


def test_cycles_and_soaks_must_fit_into_the_window(tmp_path):
    # 480 min; cycles of 30 min and soaks of 60: after five of each 450 min are gone and 30 are left: 6 * 30 min.
    zones = HEAD.strip() + ",longest_cycle,soak,max_run\n"
    zones += "A,green,tall_fescue,loam,30,1000,3.333,12,1,0.25,0.10,30,60,\n"
    zones += "B,green,tall_fescue,loam,30,1000,3.333,12,1,0.25,0.10,30,60,75\n"
    found = inputs(tmp_path, zones=zones).plan
    np.testing.assert_allclose(found.max_run, [180.0, 75.0])


def test_cycles_and_soaks_are_whole_steps_of_the_controller(tmp_path):
    # Steps of 2 min: a soak of 3 becomes 4, so 34 cycles of 10 take 472 min but for the last soak, and after that 4
    # are left. A cycle of half a minute becomes one step: 80 of 2 min and their soaks of 4 fill the 480.
    box = '[[controller]]\nname = "box"\nresolution = 120\n'
    zones = HEAD.strip() + ",longest_cycle,soak,controller\n"
    zones += "A,green,tall_fescue,loam,30,1000,3.333,12,1,0.25,0.10,10,3,box\n"
    zones += "B,green,tall_fescue,loam,30,1000,3.333,12,1,0.25,0.10,0.5,4,box\n"
    found = inputs(tmp_path, box, zones=zones).plan
    np.testing.assert_allclose(found.max_run, [34 * 10 + 4, 80 * 2])


def test_water_above_field_capacity_feeds_the_next_dates(tmp_path):
    # 30 cm of loam, L = 5.4 mm: 6 mm above field capacity this evening are -L ln(exp(-6 / L) + 1 / 4) = 3.0 tomorrow
    # morning, and the date takes them all.
    scale = 1000 * 0.25 * 0.30 / (2 * 5.39 + 3)
    left = -scale * np.log(np.exp(-6.0 / scale) + 0.25)
    dry = inputs(tmp_path / "a", state=stands(0.0))
    wet = inputs(tmp_path / "b", state=stands(0.0, surplus=6.0))
    assert not dry.held.any()
    np.testing.assert_allclose(wet.held[:, 0], left, rtol=1e-9)
    np.testing.assert_allclose(wet.plan.effective_rain - dry.plan.effective_rain, wet.held)
    np.testing.assert_allclose(wet.rain, dry.rain)  # rain is told as it falls
