"""From what a manager wrote to bounds and limits of the plan: bands, events, blocks, longest runs."""

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from models.choices import BAND
from scheduler.plan import inputs as plan_inputs
from scheduler.plan.inputs import night_inputs
from scheduler.site.windows import night_windows
from scheduler.state.band import Watched
from scheduler.state.caution import CAUTION
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


def test_the_plan_keeps_inside_the_dry_limit_that_is_told_with_salt_and_without(tmp_path, monkeypatch):
    band = plan_inputs.Band(*(np.full((2, 5), v) for v in (20.0, 24.0, 3.0, 5.0)))
    monkeypatch.setattr(plan_inputs, "moisture_band", lambda *given: band)
    found = inputs(tmp_path)
    assert (found.limit, found.fresh_limit, found.margin) == (band.limit, band.fresh, band.margin)
    assert (found.plan.dry_limit == 17.0).all() and (found.plan.wet_limit == 5.0).all()


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


def test_lean_plans_let_all_limits_give_by_as_much_as_the_word_lets_turf_dry(tmp_path, monkeypatch):
    # The program, too, counts ET as met up to there; salt takes the same share of it as it takes of RAW.
    word = '[planning]\nnights = 5\ncaution = "lean"\n'
    floor = "[surface.fairway]\nmoisture_floor = 0.7\n"
    place = site(tmp_path, TOML + WINDOW + word + floor, ZONES, weather=WEATHER)
    demand, windows = evening_demand(place, NIGHT, 5), night_windows(place, NIGHT, 5)
    monkeypatch.setattr(plan_inputs, "salt_dry_limit", lambda site, salt, taw, p: 0.8 * p * taw[:, None])
    fresh, salty = (night_inputs(place, NIGHT, windows, demand, stands(spread=0.0), s) for s in (None, object()))
    p = fresh.depletion_fraction[0]
    raw = 45.0 * p
    eased = raw + BAND.first * (1.0 - CAUTION["lean"].met) * (45.0 - raw)  # its green is served first
    np.testing.assert_allclose(fresh.limit, [eased, np.full(5, 13.5)])
    np.testing.assert_allclose(fresh.plan.raw, [eased, 45.0 * fresh.depletion_fraction[1]])
    np.testing.assert_allclose(salty.limit[0], 0.8 * eased)
    np.testing.assert_allclose(salty.limit[1], np.minimum(13.5, 0.8 * 45.0 * fresh.depletion_fraction[1]))
    np.testing.assert_allclose(salty.fresh_limit, fresh.limit)


def test_what_probes_watch_eases_the_limit_and_the_program_s_raw_alike(tmp_path, monkeypatch):
    asked = []

    def seen(site, demand, state):
        asked.append((demand.observed_days, state.used))
        return Watched(np.array([2.0, np.inf]), np.ones(2))

    monkeypatch.setattr(plan_inputs, "watched", seen)
    found = inputs(tmp_path, state=stands(spread=2.0))
    raw = found.depletion_fraction * 45.0
    assert (found.limit[0] > raw[0]).all() and len(asked) == 1
    np.testing.assert_allclose(found.limit[1], raw[1])
    np.testing.assert_allclose(found.plan.raw, found.limit)


def test_limits_that_cross_are_said_and_the_dry_one_is_kept(tmp_path):
    found = inputs(tmp_path, "[surface.green]\nmoisture_floor = 0.9\nfirmness_limit = 0.91\n", state=stands(spread=0))
    np.testing.assert_allclose(found.limit[0], 4.5)
    np.testing.assert_allclose(found.plan.wet_limit[0], 0.8 * 4.5)
    assert any("firmness limit lies under the dry limit in 1 zone:" in n.text for n in found.notes)


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
    # Steps of 2 min: a soak of 3 becomes 4, so 14 cycles of 30 take 472 min but for the last soak, and after that 4
    # are left. A cycle of half a minute becomes one step: 11 of 2 min and their soaks of 40 take 462: one more fits.
    box = '[[controller]]\nname = "box"\nresolution = 120\n'
    zones = HEAD.strip() + ",longest_cycle,soak,controller\n"
    zones += "A,green,tall_fescue,loam,30,1000,3.333,12,1,0.25,0.10,30,3,box\n"
    zones += "B,green,tall_fescue,loam,30,1000,3.333,12,1,0.25,0.10,0.5,40,box\n"
    found = inputs(tmp_path, box, zones=zones).plan
    np.testing.assert_allclose(found.max_run, [14 * 30 + 4, 12 * 2])


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


def test_the_longest_run_is_that_of_the_longest_night_and_each_night_has_its_own(tmp_path):
    # 480 min but on Wednesday, when the window is two hours shorter.
    short = '[[window.by_day]]\nday = "Wednesday"\nopens = "23:00"\n'
    found = inputs(tmp_path, short, nights=3)
    assert found.plan.max_run.tolist() == [480.0, 480.0]
    assert found.longest_run.tolist() == [[480.0, 360.0, 480.0]] * 2


def test_each_night_has_the_prices_of_its_own_day(tmp_path):
    tariff = '[[tariff]]\nfrom = "12:00"\nuntil = "12:00"\nprice = 0.1\n'
    tariff += '[[tariff]]\nfrom = "12:00"\nuntil = "12:00"\nprice = 0.3\ndays = ["Wednesday"]\n'
    found = inputs(tmp_path, tariff, nights=3).plan
    assert found.energy_price.tolist() == [[0.1], [0.3], [0.1]]


def test_water_has_the_price_of_its_source(tmp_path):
    sources = '[[source]]\nname = "well"\nec = 1\nprice = 0.2\n[[source]]\nname = "lake"\nec = 1\nprice = 0.5\n'
    assert inputs(tmp_path / "a", sources).plan.source_price.tolist() == [0.2, 0.5]
    assert inputs(tmp_path / "b").plan.source_price.tolist() == [0.0]


def test_rain_is_told_as_it_falls_and_counts_as_it_enters(tmp_path):
    # 60 mm on clay loam: TR-55, CN 80, sheds 20.2 mm (see test_site_water.py). From 30 mm short the rest fits.
    heavy = ZONES.replace("loam", "clay_loam")
    told = f"issued,date,eto,rain\n{NIGHT},{NIGHT + timedelta(days=1)},5,60\n{NIGHT},{NIGHT + timedelta(days=2)},5,0\n"
    found = inputs(tmp_path, nights=2, zones=heavy, state=stands(42.0), forecast=told)
    np.testing.assert_allclose(found.rain[:, 0], 60.0)
    np.testing.assert_allclose(found.runoff[:, 0], 20.2, atol=0.05)
    np.testing.assert_allclose(found.plan.effective_rain, found.rain - found.runoff + found.held)


def test_other_weathers_count_their_rain_when_turf_takes_it_as_well(tmp_path):
    # 6 mm stand above field capacity this evening: in every weather the next date takes the same 3 mm of them first.
    rows = "".join(f"{NIGHT},{NIGHT + timedelta(days=d)},{m},{4 + m},0\n" for m in range(1, 5) for d in range(1, 4))
    forecast = "issued,date,member,eto,rain\n" + rows
    dry = inputs(tmp_path / "a", nights=3, state=stands(0.0), forecast=forecast)
    wet = inputs(tmp_path / "b", nights=3, state=stands(0.0, surplus=6.0), forecast=forecast)
    assert wet.held[:, 0] == pytest.approx(3.0, abs=0.1)
    more = wet.plan.members.effective_rain - dry.plan.members.effective_rain
    np.testing.assert_allclose(more[:, :, 0], wet.held[None, :, 0].repeat(len(more), axis=0), rtol=1e-6)
    assert inputs(tmp_path / "c", nights=3, state=stands(0.0)).plan.members is None


def test_the_margin_is_that_of_the_weathers_that_are_planned_for(tmp_path, monkeypatch):
    asked = []
    real = plan_inputs.margin_share
    monkeypatch.setattr(plan_inputs, "margin_share", lambda site, several: asked.append(several) or real(site, several))
    rows = "".join(f"{NIGHT},{NIGHT + timedelta(days=d)},{m},{4 + m},0\n" for m in range(1, 5) for d in range(1, 4))
    inputs(tmp_path / "a", nights=3, forecast="issued,date,member,eto,rain\n" + rows)
    alone = inputs(tmp_path / "b", nights=3)
    assert asked == [True, False] and alone.plan.source_price.tolist() == [0.0]


def test_salt_asks_for_moister_soil_and_never_for_drier(tmp_path, monkeypatch):
    # Half of the fresh limit for the first zone, twice as much for the second, which stays as it was; nowhere less than
    # a fiftieth of what the soil holds.
    fresh = inputs(tmp_path / "a", state=stands(spread=0))
    for share, limit in (([0.5, 2.0], [0.5, 1.0]), ([0.0, 2.0], [0.0, 1.0])):
        salty = fresh.limit * np.array(share)[:, None]
        monkeypatch.setattr(plan_inputs, "salt_dry_limit", lambda *_, salty=salty: salty)
        day = plan_inputs.Day(fresh.plan.etc, fresh.depletion_fraction, SimpleNamespace(firm=np.zeros((2, 5), bool)))
        band = plan_inputs.moisture_band(site(tmp_path / "b", TOML, ZONES), stands(spread=0), object(), day, 0.5, [])
        least = np.maximum(fresh.limit * np.array(limit)[:, None], 0.02 * 45.0)
        np.testing.assert_allclose(band.limit, least)
        np.testing.assert_allclose(band.fresh, fresh.limit)


def runs(surface, rate, resolution=1.0, told=np.nan, max_run=600.0):
    zones = SimpleNamespace(
        surface=np.array([surface]), application_rate=np.array([float(rate)]),
        smallest_run=np.array([told]), max_run=np.array([max_run]),
    )  # fmt: skip
    return plan_inputs.smallest_runs(SimpleNamespace(zones=zones), np.array([resolution]))[0]


@pytest.mark.parametrize(
    ("surface", "rate", "more", "minutes"),
    [
        ("green", 30, {}, 2.0),  # 1 mm gets past the leaves
        ("green", 12, {}, 5.0),
        ("green", 19.9, {}, 5.0),  # 3 min of it, but a rotor wants a few turns
        ("green", 40, {}, 2.0),  # 1.5 min of it, but no cycle is shorter
        ("tee", 12, {}, 8.0),  # 1.5 mm are 7.5 min
        ("fairway", 12, {}, 10.0),  # 2 mm
        ("fairway", 12, {"resolution": 4.0}, 12.0),
        ("fairway", 12, {"told": 3.0}, 3.0),
        ("fairway", 12, {"told": 3.0, "resolution": 2.0}, 4.0),
        ("fairway", 12, {"max_run": 6.0}, 6.0),
        ("fairway", 12, {"max_run": 5.0, "resolution": 2.0}, 4.0),  # never past the zone's longest run
        ("fairway", 12, {"max_run": 1.0, "resolution": 2.0}, 2.0),  # but one step at least
    ],
)
def test_a_run_worth_making_gets_past_leaves_and_turns_its_rotors(surface, rate, more, minutes):
    assert runs(surface, rate, **more) == minutes


@pytest.mark.parametrize(("told", "single"), [("", np.inf), ("10.5", 10.0), ("0.4", 1.0)])
def test_a_cycle_is_as_long_as_told_in_whole_steps_or_as_the_soil_takes(tmp_path, told, single):
    zones = (
        HEAD.strip() + f",longest_cycle,infiltration\nA,green,tall_fescue,loam,30,1000,3.333,12,1,0.25,0.10,{told},15\n"
    )
    place = site(tmp_path, TOML, zones)
    assert plan_inputs.longest_single(place, np.ones(1)).tolist() == [single]


def test_the_starts_of_a_programme_hold_so_many_cycles(tmp_path):
    # Two starts of 30 min for the zone whose controller holds programmes; any number for one that is told every start.
    boxes = '[[controller]]\nname = "held"\nprogrammes = 2\nstarts_each = 2\n[[controller]]\nname = "free"\n'
    zones = HEAD.strip() + ",longest_cycle,soak,controller\n"
    zones += "A,green,tall_fescue,loam,30,1000,3.333,12,1,0.25,0.10,30,10,held\n"
    zones += "B,green,tall_fescue,loam,30,1000,3.333,12,1,0.25,0.10,30,10,free\n"
    found = inputs(tmp_path, boxes, zones=zones).plan
    assert found.max_run.tolist() == [60.0, 360.0]


def test_hours_that_meet_are_one_span():
    assert plan_inputs._joined([(0, 60), (60, 120), (130, 150)]) == [(0, 120), (130, 150)]


def test_zones_of_one_set_of_hours_are_remembered_by_all_that_decides():
    spans = [(0, 100)]
    arrays = [np.array([v]) for v in (1.0, 12.0, 12.0, 7.6, 30.0, 20.0)]
    first = plan_inputs._in_hours(spans, *arrays)
    assert plan_inputs._in_hours(spans, *arrays) is first
    longer = plan_inputs._in_hours(spans, *arrays[:4], np.array([40.0]), arrays[5])
    assert longer[0] != first[0]
