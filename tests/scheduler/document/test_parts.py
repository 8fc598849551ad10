"""Parts of a plan document from an evening put together by hand: three zones over two nights of two tariff blocks."""

from dataclasses import replace
from datetime import date, datetime
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from models.choices import SPREAD
from models.plan.inputs import Cut, Tier
from models.plan.results import LimitPrice
from models.soil import run_balance
from scheduler.document import limits, nights, rules, words, worth, zones
from scheduler.document.limits import Scarce, short_of
from scheduler.document.parts import LimitName, SurfaceWorth, Why
from scheduler.document.planned import Planned
from tests.models.plan.plans import plan

DATES = (date(2026, 7, 14), date(2026, 7, 15))
MINUTES = np.array([[8.0, 0.0], [4.0, 6.0], [0.0, 0.0]])
SURFACES = ("green", "fairway", "rough")


def arrays(**changes):
    """A minute is a cubic metre and a millimetre, of which the fairway's drier half gets 0.5."""
    given = dict(
        etc=np.array([[5.0, 6.0], [5.0, 6.0], [5.0, 3.0]]),
        depletion=[10.0, 18.0, 30.0],
        taw=40.0,
        raw=np.array([[20.0, 18.0]] * 3),
        dry_limit=np.array([[18.0, 17.0]] * 3),
        wet_limit=4.0,
        net_rate=[1.0, 0.5, 1.0],
        max_run=60.0,
        priority=[1, 2, 3],
        supply_share=[[1.0, 0.0], [0.0, 1.0]],
        source_price=[0.2, 0.5],
        zone_supply=np.array([[True, True], [True, True], [False, True]]),
        block_length=np.array([[60.0, 400.0]] * 2),
        energy_price=np.array([[0.3, 0.1]] * 2),
        pump_of_zone=[0, 0, -1],
        pump_capacity=[100.0],
        pump_energy=[0.4],
        allowed=np.array([[[True, True]] * 2, [[True, True]] * 2, [[True, True], [False, False]]]),
    )
    return plan(zones=3, nights=2, blocks=2, **(given | changes))


def chosen():
    """Run times of the program (Z, N, B, K): the green's a quarter in the first block, the fairway's of both waters."""
    found = np.zeros((3, 2, 2, 2))
    found[0, 0, 0, 1], found[0, 0, 1, 1] = 2.0, 6.0
    found[1, 0, 1, 0], found[1, 0, 1, 1] = 1.0, 3.0
    found[1, 1, 1, 0] = 6.0
    return found


def evening(prices=(), plan_=None, **changes):
    plan_ = arrays() if plan_ is None else plan_
    sources = (SimpleNamespace(name="well", ec=0.6, daily_limit=np.inf), SimpleNamespace(name="lake", ec=1.2))
    priority = {"green": 1, "fairway": 2, "rough": 3}
    site = SimpleNamespace(
        units="metric",
        sources=sources,
        pumps=(SimpleNamespace(name="p", capacity=100.0),),
        branches=(),
        controllers=(),
        surfaces={s: SimpleNamespace(priority=n) for s, n in priority.items()},
        currency="USD",
        zones=Zones(
            zone=np.array(["G", "F", "R"]),
            surface=np.array(SURFACES),
            flow=plan_.flow,
            pump=plan_.pump_of_zone,
            branch=np.full(3, -1),
            priority=np.array([1, 2, 3]),
        ),
    )
    fraction = np.full((3, 2), 0.5)
    rain = np.array([[1.0, 0.0], [3.0, 0.0], [0.0, 0.0]])
    inputs = SimpleNamespace(
        plan=plan_,
        dates=DATES,
        resolution=np.full(3, 1.0),
        smallest_run=np.array([2.0, 4.0, 5.0]),
        longest_run=np.array([[50.0, 40.0]] * 3),
        rain=rain,
        runoff=rain / 4,
        held=rain / 10,
        depletion_fraction=fraction,
        fresh_limit=np.array([[20.0, 19.0]] * 3),
        limit=np.array([[20.0, 19.0]] * 3),
        allocation=None,
        others=None,
        windows=(SimpleNamespace(pieces=((1260, 1740),)), SimpleNamespace(pieces=())),
    )
    net = MINUTES * plan_.net_rate[:, None]
    run = SimpleNamespace(
        minutes=MINUTES[:, 0],
        minutes_by_night=MINUTES,
        volumes=np.array([[0.0, 8.0], [1.0, 3.0], [0.0, 0.0]]),
        balance=run_balance(plan_.depletion, net, plan_.etc, plan_.effective_rain, plan_.taw, fraction),
        cycles=SimpleNamespace(soak=np.array([20.0, 0.0, 0.0])),
        left_out=np.array([0.0, 2.0, 0.0]),
        job=SimpleNamespace(finish_by=np.array([1500.0, np.nan, 1600.0])),
        timetable=SimpleNamespace(
            zone=np.array([1, 0, 0]), start=np.array([1290.5, 1320.0, 1260.0]), end=np.array([1294.5, 1323.0, 1265.0])
        ),
        result=SimpleNamespace(
            run_times=lambda _: chosen(), limits=tuple(prices), flushes=(), upkeep=(), one_more=None
        ),
        usable={"pump": np.array([[0.9, 1.0]]), "branch": np.zeros((0, 2)), "station": np.zeros((0, 2))},
        word=SimpleNamespace(minutes=np.full(3, np.nan), asked=np.full(3, np.nan), notes=("", "", "")),
    )
    salt = SimpleNamespace(
        known=np.zeros(3, dtype=bool),
        source_ec=np.array([0.7, 0.8, 0.9]),
        layers=SimpleNamespace(count=2, rooted=np.array([[0.1, 0.1], [0.2, 0.1], [0.1, 0.1]])),
    )
    state = SimpleNamespace(
        origin=np.array(["probe", "kin", "balance"]),
        surplus=np.array([0.0, 1.5, 0.0]),
        spread=np.array([3.0, 4.0, 5.0]),
    )
    future = pd.DataFrame({"date": pd.to_datetime(["2026-07-15", "2026-07-16"]), "eto": [5.0, 0.0], "rain": [0.0, 0.0]})
    demand = SimpleNamespace(future=future, told=None)
    made = datetime(2026, 7, 14, 18)
    return replace(Planned(site, DATES[0], made, 1260, demand, state, inputs, salt, None, run), **changes)


class Zones(SimpleNamespace):
    def __len__(self):
        return 3


def test_tonight_s_water_of_a_zone_and_where_it_comes_from():
    green, fairway, rough = zones._runs(evening())
    assert (green["minutes"], green["depth_mm"], green["net_depth_mm"], green["volume_m3"]) == (8.0, 8.0, 8.0, 8.0)
    assert (fairway["depth_mm"], fairway["net_depth_mm"]) == (4.0, 2.0)
    assert (fairway["source"], fairway["volumes_m3"]) == ("lake", {"well": 1.0, "lake": 3.0})
    assert (rough["source"], rough["volumes_m3"], rough["cycles"]) == (None, {}, ())
    assert [(c.start.hour, c.start.minute, c.minutes) for c in green["cycles"]] == [(21, 0, 5.0), (22, 0, 3.0)]
    assert (fairway["cycles"][0].start.minute, fairway["cycles"][0].start.second) == (30, 30)
    assert green["finish_by"] == datetime(2026, 7, 15, 1, 0)
    assert fairway["finish_by"] is None and rough["finish_by"] is None  # the close, and a zone that rests


def test_a_zone_stands_tonight_and_by_tomorrow_less_surely():
    (before, after), (fairway, _), _ = zones._states(evening())
    assert (before.depletion_mm, before.spread_mm, before.surplus_mm) == (10.0, 3.0, 0.0)
    assert fairway.surplus_mm == 1.5
    assert after.depletion_mm == 7.0 and after.surplus_mm == 0.0  # 10 - 8 + 5
    assert after.spread_mm == pytest.approx(np.hypot(3.0, SPREAD.daily_error * 5.0), abs=1e-6)
    assert before.ece_dsm is None and before.layers_dsm == ()


def test_a_zone_s_limits_and_make_are_those_of_tonight():
    green, *_ = zones._limits(evening())
    assert (green.raw_mm, green.dry_limit_mm, green.wet_limit_mm, green.margin_mm) == (20.0, 20.0, 4.0, 2.0)
    assert (green.max_run_min, green.resolution_s, green.soak_min, green.taw_mm) == (60.0, 60.0, 20.0, 40.0)
    _, fairway, _ = zones._makes(evening())
    assert (fairway.rate_mm_h, fairway.net_share, fairway.smallest_run_min, fairway.longest_run_min) == (
        30.0,
        0.5,
        4.0,
        50.0,
    )


def test_a_zone_s_water_closes_over_the_first_date():
    _, fairway, _ = zones._balances(evening())
    assert (fairway.depth_mm, fairway.uneven_mm, fairway.etc_mm) == (4.0, 2.0, 5.0)
    assert (fairway.rain_mm, fairway.runoff_mm, fairway.held_mm, fairway.drainage_mm) == (3.0, 0.75, 0.3, 0.0)


def test_the_coming_nights_of_a_zone_have_their_crop_coefficient():
    rainy = arrays(effective_rain=np.array([[1.0, 0.0], [3.0, 0.0], [0.0, 0.0]]))
    (first, second), *_ = zones._paths(evening(plan_=rainy))
    assert (first.night, first.minutes, first.depth_mm, first.kc, first.watered_mm) == (DATES[0], 8.0, 8.0, 1.0, 2.0)
    assert (second.minutes, second.kc, second.dry_limit_mm) == (0.0, 0.0, 19.0)  # without ETo nobody can tell
    assert first.effective_rain_mm == 0.9 and first.held_mm == 0.1 and first.ece_dsm is None


@pytest.mark.parametrize(("nights_of", "flushed"), [((0,), True), ((1,), False)])
def test_a_flush_tonight_says_so_itself(nights_of, flushed):
    found = evening()
    found.run.result.flushes = (SimpleNamespace(zone=0, nights=nights_of), SimpleNamespace(zone=2, nights=(0,)))
    found.run.result.upkeep = (SimpleNamespace(zone=1, nights=(0,)),)
    green, fairway, rough = zones._reasons(found, [])
    assert (green.why == Why.FLUSH) == flushed
    assert fairway.why == Why.UPKEEP
    assert rough.why != Why.FLUSH  # it does not run


def test_what_holds_a_zone_back_is_named_in_brackets():
    scarce = [Scarce("pump", np.array([True, True, False])), Scarce("well", np.array([False, True, False]))]
    assert zones._blame(scarce, 3) == [" (pump)", " (pump, well)", ""]
    assert zones._blame([], 2) == ["", ""]


def test_a_zone_too_hot_is_told_by_tonight_s_own_date():
    # Filled by its run the green passes its limit on the next date all the same; on the later one nothing is said.
    hot = arrays(etc=np.array([[21.0, 6.0], [5.0, 21.0], [5.0, 3.0]]), depletion=[8.0, 18.0, 30.0])
    found = [r.words for r in words.zone_reasons(evening(plan_=hot), ["", "", ""])]
    assert [words.BY_DAY in text for text in found] == [True, False, False]
    assert "not all of it found a place tonight" in found[1] and "found a place" not in found[0]


def test_a_surface_is_dry_from_its_first_evening_and_most_on_its_worst():
    dry = np.array([[0.0, 1.0, 4.0, 2.0], [0.0, 0.0, 1.0, 0.0], [0.0] * 4])
    three = np.zeros(3, dtype=bool)
    dates = (*DATES, date(2026, 7, 16), date(2026, 7, 17))
    said = words.give_way_words(
        "rough", words.Going(dry, three, np.array([True, True, False])), dates, ["pump"], "metric"
    )
    assert said == "2 of 3 rough zones drier than their limit from Thu 16 Jul, most on Fri 17 Jul; short of: pump"
    some = words.Going(dry, np.array([True, False, False]), np.array([False, True, False]))
    said = words.give_way_words("rough", some, dates, ["pump"], "metric")
    assert "takes more in 1 of them than" in said and said.endswith("1 of them short of: pump")
    assert "short of" not in words.give_way_words("rough", words.Going(dry, three, three), dates, ["pump"], "metric")


def test_a_night_is_told_with_its_water_energy_and_money():
    blocks = (SimpleNamespace(energy_kwh=3.0, cost=0.5), SimpleNamespace(energy_kwh=2.0, cost=None))
    tonight, later = nights.night_parts(evening(), [[], []], blocks)
    assert (tonight.zones_running, tonight.minutes, tonight.volume_m3, tonight.eto_mm) == (2, 12.0, 12.0, 5.0)
    assert (later.night, later.zones_running, later.minutes, later.volume_m3, later.eto_mm) == (
        DATES[1], 1, 6.0, 6.0, 0.0,
    )  # fmt: skip
    assert (tonight.allowed, len(tonight.window), later.window) == (True, 1, ())
    assert (tonight.energy_kwh, tonight.energy_cost) == (5.0, 0.5)  # as it really runs
    assert (later.energy_kwh, later.energy_cost) == (pytest.approx(6.0 * 0.4), pytest.approx(6.0 * 0.4 * 0.1))
    assert tonight.cost == pytest.approx(8 * 0.5 + 1 * 0.2 + 3 * 0.5 + 0.5)
    assert later.cost == pytest.approx(6 * 0.2 + 0.24)
    assert (tonight.volumes_m3, later.volumes_m3) == ({"well": 1.0, "lake": 11.0}, {"well": 6.0})


def test_water_of_a_zone_that_does_not_run_has_the_price_of_what_it_would_take():
    np.testing.assert_allclose(nights._water_price(evening()), [[0.5, 0.2], [0.425, 0.2], [0.5, 0.5]])


def test_surfaces_are_told_by_their_gross_depth_and_their_worst():
    green, fairway, rough = nights.surface_parts(evening())
    assert (fairway.surface, fairway.zones, fairway.running, fairway.depth_mm, fairway.volume_m3) == (
        "fairway",
        1,
        1,
        4.0,
        4.0,
    )
    assert (rough.running, rough.depth_mm) == (0, 0.0)
    # 10 - 8 + 5 and + 6 past 20; 30 + ET of a dry soil on both dates.
    assert green.worst_depletion_mm == 13.0 and (green.dry_zone_days, rough.dry_zone_days) == (0, 2)
    assert green.wet_zone_days == 1  # 2 mm after its water, where 4 are firm


def test_an_overdrawn_allocation_is_told_as_such():
    share = SimpleNamespace(volume=100.0, used=130.0, left=0.0, share=0.0)
    found = evening()
    found.inputs.allocation = share
    part = nights.allocation_part(found)
    assert (part.left_m3, part.used_m3, part.worth_per_m3) == (-30.0, 130.0, None)
    assert nights.allocation_part(evening()) is None


def test_those_served_last_give_way_first_and_only_what_holds_them_back_is_blamed():
    thirsty = arrays(depletion=[10.0, 25.0, 30.0])
    scarce = [Scarce("pump", np.array([True, True, False])), Scarce("lake", np.array([False, False, True]))]
    rough, fairway = nights.give_way_parts(evening(plan_=thirsty), scarce)
    assert (rough.surface, rough.zones, fairway.surface) == ("rough", 1, "fairway")
    assert rough.words.endswith("short of: lake") and fairway.words.endswith("short of: pump")


# --------------------------------------------------------------------------------------------------------- limits


def price(family, index, value):
    return LimitPrice(family, index, 0.0, 1.0, value)


def test_a_pump_s_price_is_that_of_its_dearest_hours_and_it_is_full_in_part_where_others_are_free():
    # 0.06 m3 in a minute of 1 L/s: a price of 0.06 a L/s min is one of 1 a cubic metre.
    both = [price("pump_limit", (0, 0, 0), 0.06), price("pump_limit", (0, 0, 1), 0.03)]
    tonight, later = limits._capacities(evening(both), limits._prices(tuple(both)))
    assert (tonight.name, tonight.used, tonight.capacity) == (LimitName.PUMP, 12.0, pytest.approx(100 * 0.06 * 460))
    assert tonight.usable == pytest.approx(0.9 * tonight.capacity) and later.usable is None
    assert (tonight.price, tonight.in_part, later.price) == (pytest.approx(1.0), False, 0.0)
    (tonight, _) = limits._capacities(evening(both[:1]), limits._prices(tuple(both[:1])))
    assert (tonight.price, tonight.in_part) == (pytest.approx(1.0), True)


@pytest.mark.parametrize(
    ("used", "usable", "in_part", "words"),
    [
        (97.0, None, False, "full"),
        (96.9, None, False, "used, as much as whole runs allow"),
        (96.9, 99.0, True, "used, as much as these"),
        (87.3, 90.0, False, "used, as much as these"),
        (87.2, 90.0, True, "used, full in part of the hours"),
    ],
)
def test_how_full_a_limit_is_that_the_plan_stops_at(used, usable, in_part, words):
    use = limits.Use(0, LimitName.PUMP, "p", used, 100.0, 1.0, usable=usable, in_part=in_part)
    assert limits._state(use).startswith(words)


def test_a_month_s_permit_counts_its_own_nights_from_the_first_on():
    # Two months, a night each, and a nightly limit of the lake: tonight by what runs, tomorrow as planned.
    limited = arrays(
        month_of_night=[0, 1], source_monthly=np.array([[50.0, 60.0], [np.inf, np.inf]]), source_daily=[np.inf, 30.0]
    )
    prices = limits._prices((price("source_month", (0, 1), 0.7), price("source_night", (1, 0), 0.4)))
    found = {(u.what, u.night): u for u in limits._sources(evening(plan_=limited), prices)}
    first, second = found["well, left this month", 0], found["well, left this month", 1]
    assert (first.used, first.capacity, first.price) == (1.0, 50.0, 0.0)
    assert (second.used, second.capacity, second.price) == (6.0, 60.0, 0.7)
    assert (found["lake, one night", 0].used, found["lake, one night", 0].price) == (11.0, 0.4)
    assert found["lake, one night", 1].used == 0.0 and len(found) == 4


def test_a_cut_is_used_night_by_night_from_the_night_it_begins():
    cut = Cut("less", np.array([True, True, False]), np.array([np.inf, 9.0]), since=1)
    (use,) = limits._cuts(evening(plan_=arrays(cuts=(cut,))), limits._prices((price("drought_cut", (0, 1), 0.3),)))
    assert (use.night, use.used, use.capacity, use.price) == (1, 6.0, 9.0, 0.3)
    green = Cut("green", np.array([True, False, False]), np.full(2, 9.0), since=0)
    used = [u.used for u in limits._cuts(evening(plan_=arrays(cuts=(green,))), limits._prices(()))]
    assert used == [8.0, 8.0]  # the fairway's water is none of it


def test_steps_of_the_allocation_add_their_prices_and_are_no_limit():
    stepped = arrays(tiers=(Tier(10.0, 1.0), Tier(15.0, 2.0)))
    prices = limits._prices((price("allocation_tier", (0,), 1.0), price("allocation_tier", (1,), 0.5)))
    row = limits._allocation(evening(plan_=stepped), prices)
    assert (row.used, row.capacity, row.price, row.binds) == (18.0, None, 1.5, True)
    assert "8.0 m³ of the 18.0 m³ of this plan are beyond its first step" in row.words
    hard = limits._allocation(
        evening(plan_=arrays(allocation=18.0)), limits._prices((price("allocation_limit", (), 0.2),))
    )
    assert (hard.capacity, hard.price, hard.words.endswith("full")) == (18.0, 0.2, True)


@pytest.mark.parametrize(("worth", "scarce"), [(1.0, False), (1.01, True)])
def test_a_limit_costs_the_turf_something_where_it_is_worth_twice_the_dearest_water(worth, scarce):
    row = SimpleNamespace(name=LimitName.PUMP, what="p", binds=True, capacity=9.0, price=worth)
    found = evening()
    held = short_of(found.site, found.plan, [[row], [row]], 0.5)
    assert [(s.name, s.zones.tolist()) for s in held] == ([("p", [True, True, False])] if scarce else [])
    step = SimpleNamespace(name=LimitName.ALLOCATION_TIER, what="a", binds=True, capacity=None, price=9.0)
    assert short_of(found.site, found.plan, [[step]], 0.5) == []


# ---------------------------------------------------------------------------------------------------- consequences


def test_what_follows_from_run_times_counts_what_can_be_told_apart():
    found = evening(plan_=arrays(depletion=[23.5, 18.0, 30.0])).effects
    # The green ends at 20.5 of 20 mm, less than a step past it; the rough is dry and has had room for a run.
    assert found.balance.depletion[0, 0] == 20.5 and found.dry[0, 0] == 0.0
    assert found.dry[2, 0] == found.balance.depletion[2, 0] - 20.0 > 1.0
    assert found.short.tolist() == [[False, True], [True, True], [True, True]]
    assert evening().effects.short[0].tolist() == [False, False]  # it has room tomorrow, and is not dry
    assert not found.too_hot.any()
    hot = evening(plan_=arrays(etc=np.array([[21.0, 6.0], [5.0, 6.0], [5.0, 3.0]]))).effects
    assert hot.too_hot.tolist() == [[True, False], [False, False], [False, False]]


def test_a_night_s_water_has_the_salt_of_its_sources_or_of_what_a_zone_would_take():
    found = evening().effects.water_ec
    np.testing.assert_allclose(found, [[1.2, 0.7], [0.25 * 0.6 + 0.75 * 1.2, 0.6], [0.9, 0.9]])


def test_a_night_without_salinity_tells_none():
    found = evening().effects
    assert np.isnan(found.ece).all() and found.ece.shape == (3, 3)
    assert np.isnan(found.leached).all() and found.layers.shape[:2] == (3, 2)


@pytest.mark.parametrize(("second", "faults"), [((22, 0), 0), ((21, 59), 1)])
def test_cycles_of_a_zone_may_touch_and_not_overlap(second, faults):
    def cycle(start, end):
        first, last = (datetime(2026, 7, 14, *t, tzinfo=ZoneInfo("UTC")) for t in (start, end))
        return SimpleNamespace(start=first, end=last, minutes=(last - first).seconds / 60.0)

    cycles = (cycle((21, 30), (22, 0)), cycle(second, (22, 30)))
    zone = SimpleNamespace(id="G", cycles=cycles, minutes=sum(c.minutes for c in cycles))
    assert len(rules._cycle_faults([zone], "UTC")) == faults


def test_one_more_cubic_metre_is_told_by_its_largest_share_first():
    rows = {
        "green": SurfaceWorth(volume_m3=0.2, less_dry_mm_days=0.0),
        "rough": SurfaceWorth(volume_m3=0.6, less_dry_mm_days=1.5),
    }
    said = worth._words(SimpleNamespace(units="metric", currency="USD"), rows, 0.4, tiers=False)
    assert said.startswith("1.0 m³ more in the allocation would go to rough (75%), sparing it 1.5 mm of dryness")
    assert "and to green (25%), there only refilling" in said and said.endswith(
        "it would cost 0.40 USD in water and energy"
    )
