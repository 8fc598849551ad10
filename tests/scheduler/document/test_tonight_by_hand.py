"""Pumps, rain, one more cubic metre and what changed since last evening, each of a night small enough to reckon."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from models.choices import PRICES, STEADY
from models.night import LowFlow
from scheduler.document import changes, pumping, rain
from scheduler.document.parts import SurfaceName, Why
from scheduler.document.pumping import PumpedNight, energy_part, flow_part, pump_warnings, pumped_night, pumps_part
from scheduler.document.rain import rain_part
from scheduler.document.worth import worth_part

NIGHT = date(2026, 7, 14)
EVE = NIGHT - timedelta(days=1)
HAIR = 4.9e-7  # lost in six decimals, seen in seven


def at(hour, minute=0, day=14):
    return datetime(2026, 7, day, hour, minute)


# ------------------------------------------------------------------------------------------------------- pumps


def station(name="hill", smallest=10.0, head=60.0):
    return SimpleNamespace(name=name, capacity=40.0, smallest_flow=smallest, head=head)


def pumped(known=(True, False), low=(), **changes):
    """Two pumps over four blocks: 21 to 22, 22 to 23, 23 to 24 and, after a pause, 2 to 4."""
    played = dict(
        minute=np.array([1260, 1261, 1262, 1263]), flow=np.array([[5.0, 5.0, 7.0, 7.0], [0.0, 0.0, 0.0, 1.0]]),
        under_smallest=np.array([3.0 + HAIR, 0.0]), head=np.array([[55.0, 61.2345 + 499 * HAIR, 0.0, 50.0], [0.0] * 4]),
        short_of_head=np.array([2.0 + HAIR, 0.0]), most_missing=np.array([5.0, 0.0]),
        pumped=np.array([[1.0 + HAIR, 2.0, 4.0, 8.0], [0.5, 0.0, 0.0, 0.25]]),
        energy=np.array([[10.0 + 900 * HAIR, 20.0, 40.0, 80.0], [1.0, 0.0, 0.0, 2.0]]),
    )  # fmt: skip
    return PumpedNight(SimpleNamespace(**(played | changes)), tuple(low), np.array(known))


PUMPS = SimpleNamespace(pumps=(station(), station("well", 0.0)), units="metric")
BLOCKS = np.array([[1260.0, 1320.0], [1320.0, 1380.0], [1380.0, 1440.0], [1560.0, 1680.0]])


def priced(*prices):
    nights = np.array([[*prices, 9.0], [0.0] * (len(prices) + 1)])
    return SimpleNamespace(plan=SimpleNamespace(energy_price=nights), dates=(NIGHT, EVE))


RUN = SimpleNamespace(job=SimpleNamespace(blocks=BLOCKS), timetable="table")


def test_energy_is_told_by_stretches_of_one_price_and_no_pause():
    first, second, third = energy_part(PUMPS, priced(0.2 + HAIR, 0.2 + HAIR, 0.3, 0.3), RUN, pumped())
    assert (first.start, first.end, first.price) == (at(21), at(23), 0.2)
    assert (first.volume_m3, first.energy_kwh, first.cost) == (3.5, 31.0, 6.2001)
    assert (second.start, second.end, second.cost) == (at(23), at(0, day=15), 12.0)
    assert (third.start, third.end, third.volume_m3) == (at(2, day=15), at(4, day=15), 8.25)
    assert first.pumps == {"hill": 30.0}  # only where the head is known


def test_energy_without_prices_has_no_cost_and_without_heads_is_not_told():
    rows = energy_part(PUMPS, priced(0.0, 0.0, 0.0, 0.0), RUN, pumped((True, True)))
    assert [(r.energy_kwh, r.pumps) for r in rows] == [
        (71.0, {"hill": 70.0, "well": 1.0}), (82.0, {"hill": 80.0, "well": 2.0}),
    ]  # fmt: skip
    free = SimpleNamespace(plan=SimpleNamespace(energy_price=np.zeros((2, 5))), dates=(NIGHT, EVE))
    assert [(r.price, r.cost) for r in energy_part(PUMPS, free, RUN, pumped())] == [(None, None)] * 2
    assert energy_part(PUMPS, free, RUN, pumped((False, False))) == ()
    assert energy_part(PUMPS, free, RUN, None) == energy_part(PUMPS, free, SimpleNamespace(job=None), pumped()) == ()


def test_pumps_are_told_with_what_tonight_asks_of_them():
    hill, well = pumps_part(PUMPS, pumped())
    assert (hill.name, hill.capacity_lps, hill.smallest_flow_lps, hill.under_smallest_min) == ("hill", 40.0, 10.0, 3.0)
    assert (hill.energy_kwh, hill.highest_head_m, hill.short_of_head_min) == (150.0, 61.235, 2.0)
    assert (well.energy_kwh, well.highest_head_m, well.under_smallest_min) == (None, None, 0.0)
    assert (pumps_part(PUMPS, None)[0].energy_kwh, len(pumps_part(PUMPS, None))) == (None, 2)


def test_flow_has_an_entry_where_it_changes_and_one_at_the_end():
    assert [(f.minute, f.pumps) for f in flow_part(PUMPS, pumped())] == [
        (1260, {"hill": 5.0, "well": 0.0}), (1262, {"hill": 7.0, "well": 0.0}), (1263, {"hill": 7.0, "well": 1.0}),
        (1264, {"hill": 0.0, "well": 0.0}),
    ]  # fmt: skip
    assert flow_part(PUMPS, None) == flow_part(PUMPS, pumped(minute=np.zeros(0))) == ()


def running(*zones, unavoidable=0.0):
    """Zones 0 to 4 of 3 L/s, the last on the other pump; those told run."""
    job = SimpleNamespace(flow=np.full(5, 3.0), pump=np.array([0, 0, 0, 0, 1]), blocks=BLOCKS)
    table = SimpleNamespace(zone=np.array(zones), unavoidable=np.array([unavoidable, 0.0]), grid_min=0.5)
    return SimpleNamespace(job=job, timetable=table)


@pytest.mark.parametrize(
    ("zones", "smallest", "unavoidable", "why"),
    [
        ((0, 1, 1, 4), 6.1, 0.0, "all its runs of tonight together draw less"),
        ((0, 1, 1, 4), 6.0, 0.0, "no other run found room beside them"),
        ((0, 1, 2, 4), 6.1, 2.4, "no other run found room beside them"),
        (
            (0, 1, 2, 4),
            6.1,
            2.51,
            "no timetable avoids it, as nothing that may run beside them draws enough for so long",
        ),
    ],
)
def test_a_pump_below_its_smallest_flow_is_told_with_its_longest_stretch_and_why(zones, smallest, unavoidable, why):
    site = SimpleNamespace(
        pumps=(station(smallest=smallest), station("deep well", 0.0)), units="metric",
        zones=SimpleNamespace(zone=np.array(list("ABCDE"))),
    )  # fmt: skip
    low = (LowFlow(0, 1270.0, 1271.0, (0,)), LowFlow(0, 1260.0, 1262.0, (0, 1, 2, 3)), LowFlow(1, 1300.0, 1400.0, (4,)))
    night = pumped(low=low[:2], short_of_head=np.array([0.0, 0.0]))
    (said,) = pump_warnings(site, priced(0), running(*zones, unavoidable=unavoidable), night)
    assert (said.name, said.subject) == ("hill", "pump hill")
    assert said.text == (
        f"runs below its smallest flow of {smallest} L/s for 3 min, longest from 21:00 to 21:02 with only zones A, B, "
        f"C and 1 more: {why}"
    )
    alone = pumped(low=low[:1], short_of_head=np.zeros(2))
    assert "21:10 to 21:11 with only zone A:" in pump_warnings(site, priced(0), running(0, 1, 2), alone)[0].text
    assert len(pump_warnings(site, priced(0), running(0, 1, 2, 4), pumped(low=low, short_of_head=np.zeros(2)))) == 2


def test_a_pump_short_of_head_is_told_by_how_much():
    site = SimpleNamespace(pumps=(station("Booster 2"), station("well")), units="metric", zones=None)
    (said,) = pump_warnings(site, priced(0), running(0), pumped())
    assert said.subject == "Booster 2"
    assert said.text.startswith("for 2 min it gives up to 5.0 m less than the 60.0 m it should hold")
    for nothing in (None, pumped()):
        assert pump_warnings(site, priced(0), SimpleNamespace(job=None, timetable="t"), nothing) == []
    assert pump_warnings(site, priced(0), SimpleNamespace(job="j", timetable=None), pumped()) == []


def test_a_night_is_played_with_the_curve_of_each_pump(monkeypatch):
    monkeypatch.setattr(pumping, "pump_curve", lambda pump: None if pump.name == "well" else "curve")
    monkeypatch.setattr(pumping, "resistances", lambda site: "friction")
    monkeypatch.setattr(pumping, "play_night", lambda *given: given)
    monkeypatch.setattr(pumping, "low_flows", lambda job, table: [(job, table)])
    found = pumped_night(PUMPS, SimpleNamespace(job="job", timetable="table"))
    assert found.played == ("job", "table", ("curve", None), "friction")
    assert (found.low, found.known.tolist()) == ([("job", "table")], [True, False])
    assert pumped_night(PUMPS, SimpleNamespace(job=None, timetable="table")) is None
    assert pumped_night(PUMPS, SimpleNamespace(job="job", timetable=None)) is None
    assert pumped_night(SimpleNamespace(pumps=()), SimpleNamespace(job="job", timetable="table")) is None


# -------------------------------------------------------------------------------------------------------- rain


@dataclass(frozen=True, eq=False)
class Plan:
    """Four zones over two nights; of gross water 0.8 is net, 0.5 mm a minute."""

    allowed: np.ndarray
    block_length: np.ndarray
    effective_rain: np.ndarray
    members: object = "members"
    zones: int = 4
    nights: int = 3
    caution: float = 0.5
    price_of_a_run: float = 2.0

    @property
    def net_rate(self):
        return np.full(4, 0.5)

    @property
    def net_share(self):
        return np.full(4, 0.8)

    @property
    def area(self):
        return np.array([100.0, 300.0, 100.0, 100.0])


def rainy(monkeypatch, wished=(4.0, 5.0, 4.0, 4.0), minutes=(2.0, 2.0, 2.0, 2.0), chance=(0.2, 0.6, 0.9), open_=None,
          amount=(30.0, 10.0, 2.0), flushed=(), left_out=(0.0,) * 4, step=1.0):  # fmt: skip
    seen = {}

    def refilled(dry, worth, price):
        seen.update(members=dry.members, rain=dry.effective_rain.sum(), worth=worth, price=price)
        return SimpleNamespace(depth=np.array(wished))

    monkeypatch.setattr(rain, "refill", refilled)
    allowed = np.ones((4, 3, 2), dtype=bool)
    if open_ is not None:
        allowed[:, 0] = np.array(open_)
    given = SimpleNamespace(
        demand=SimpleNamespace(told=SimpleNamespace(chance=np.array(chance), amount=np.array(amount))),
        plan=Plan(allowed, np.array([[60.0, 0.0], [0.0, 60.0], [0.0, 60.0]]), np.ones((4, 3))),
        inputs=SimpleNamespace(
            others=SimpleNamespace(
                rain=np.array([[0.0, 0.1, 0.0], [0.0, 0.0, 0.0], [0.0, 9.0, 9.0]]),
                members=SimpleNamespace(weight=np.array([0.4, 0.3, 0.3])),
            ),
            resolution=np.full(4, step), dates=(NIGHT, NIGHT + timedelta(1), NIGHT + timedelta(2)),
        ),
        run=SimpleNamespace(
            minutes=np.array(minutes), left_out=np.array(left_out),
            result=SimpleNamespace(flushes=[SimpleNamespace(zone=z) for z in flushed], weathers=np.zeros((4, 4, 3))),
        ),
        site=SimpleNamespace(units="metric", zones=SimpleNamespace(surface=np.array(["green", "green", "tee", "tee"]))),
    )  # fmt: skip
    return given, seen


def test_what_is_held_back_is_gross_water_by_area_and_named_with_its_rain(monkeypatch):
    # Net 4 - 1, 5 - 1, 3 and 3 mm less than wished: over the area of 100, 300, 100 and 100 m2.
    given, seen = rainy(monkeypatch)
    part = rain_part(given)
    assert part.held_back_mm == pytest.approx((3 + 3 * 4 + 3 + 3) / 6 / 0.8)
    # Three dates: the second is likely and largest, 0.6 x 10 against 0.9 x 2; 0.2 is not likely.
    assert (part.date, part.chance, part.amount_mm, part.zones_held_back) == (date(2026, 7, 16), 0.6, 10.0, 4)
    assert part.next_night == date(2026, 7, 16) and (part.surface, part.zones_if_dry) == (None, 0)
    assert part.words == "4.4 mm held back in 4 zones for Thursday's rain (60 %)."
    assert seen == {"members": None, "rain": 0.0, "worth": PRICES.turf * 0.5, "price": 2.0}


@pytest.mark.parametrize(
    ("changes", "zones"),
    [
        ({"flushed": (1,)}, 3), ({"left_out": (1.0, 0, 0, 0)}, 3), ({"wished": (4.0, 1.3, 1.25, 1.24)}, 2),
        ({"open_": [[True, False], [False, True], [False, False], [True, True]]}, 2),
        ({"chance": (0.2, 0.24, 0.0)}, None), ({"chance": (0.2, 0.25, 0.0)}, 4),
        ({"amount": (0.0, 0.0, 0.0)}, None), ({"wished": (1.0,) * 4}, None),
        ({"wished": (4.0, 1.6, 1.5, 1.4), "step": 2.0}, 2), ({"wished": (1.8,) * 4}, 4),
        ({"wished": (1.799,) * 4}, None), ({"wished": (1.81,) * 4}, 4),  # 1 mm gross is 0.8 mm net
    ],
)  # fmt: skip
def test_zones_that_hold_water_back_for_rain(monkeypatch, changes, zones):
    part = rain_part(rainy(monkeypatch, **changes)[0])
    assert (None if part is None else part.zones_held_back) == zones


def test_without_chances_or_other_weathers_nothing_is_told_of_rain(monkeypatch):
    given, _ = rainy(monkeypatch)
    given.inputs.others = None
    assert rain_part(given) is None
    given, _ = rainy(monkeypatch)
    given.demand.told = None
    assert rain_part(given) is None


@pytest.mark.parametrize(
    ("runs", "said"),
    [
        # Two members of three stay dry on that date, of weights 0.4 and 0.3; a zone counts that runs in most of those.
        ([(1, 0), (1, 1), (1, 3), (2, 2)], "; if it stays dry, 2 greens run that night."),
        ([(1, 2), (2, 2)], "; if it stays dry, one tee runs that night."),
        ([(2, 2), (3, 3)], "."),
    ],
)
def test_what_runs_if_it_stays_dry_is_that_of_most_dry_members(monkeypatch, runs, said):
    given, _ = rainy(monkeypatch)
    for member, zone in runs:
        given.run.result.weathers[member, zone, 2] = 0.5
    part = rain_part(given)
    assert part.words == f"4.4 mm held back in 4 zones for Thursday's rain (60 %){said}"
    if "greens" in said:
        assert (part.surface, part.zones_if_dry) == (SurfaceName.GREEN, 2)


def test_rain_of_the_last_date_has_no_later_night(monkeypatch):
    given, _ = rainy(monkeypatch, chance=(0.0, 0.0, 0.9))
    given.run.result.weathers[:, :, :] = 5.0
    part = rain_part(given)
    assert (part.date, part.next_night, part.surface) == (date(2026, 7, 17), None, None)
    wet, _ = rainy(monkeypatch)
    wet.inputs.others.rain[:, 1] = 0.2  # no member stays dry
    wet.run.result.weathers[:, :, :] = 5.0
    assert rain_part(wet).surface is None
    one, _ = rainy(monkeypatch, flushed=(1, 2, 3))
    assert rain_part(one).words.startswith("3.8 mm held back in one zone for")
    none, _ = rainy(monkeypatch)
    none.run.result.weathers = None
    assert rain_part(none).surface is None


# ---------------------------------------------------------------------------------------------- one cubic metre


def one_more(volume, less_dry, bill=0.0, tiers=(), price=0.0, units="metric", energy=(0.0,)):
    site = SimpleNamespace(
        zones=SimpleNamespace(surface=np.array(["rough", "green", "green"])), units=units, currency="USD",
        surfaces={"rough": SimpleNamespace(priority=5), "green": SimpleNamespace(priority=1)},
    )  # fmt: skip
    plan = SimpleNamespace(source_price=np.array([price]), energy_price=np.array([energy]), tiers=tiers)
    more = SimpleNamespace(volume=np.array(volume), less_dry=np.array(less_dry), bill=bill)
    return worth_part(site, plan, more)


def test_one_more_cubic_metre_is_summed_by_surface_in_their_order():
    part = one_more([0.5, 0.2, 0.3 + HAIR], [[1.0, 2.0], [0.0, 0.5], [0.25, HAIR]], bill=0.4 + HAIR, price=0.2)
    assert list(part.by_surface) == ["green", "rough"]
    green, rough = part.by_surface.values()
    assert (green.volume_m3, green.less_dry_mm_days) == (0.5, 0.75)
    assert (rough.volume_m3, rough.less_dry_mm_days, part.bill) == (0.5, 3.0, 0.4)
    assert one_more([0.5, 0.2, 0.3], np.zeros((3, 2)), bill=0.4).bill is None  # water that costs nothing
    assert one_more([0.5, 0.2, 0.3], np.zeros((3, 2)), bill=0.4, energy=(0.0, 0.3)).bill == 0.4
    least = one_more([0.5, -1e-9, 0.0], [[0.0], [-1e-9], [0.0]], bill=-1e-9, price=0.2)
    told = [least.bill, least.by_surface["green"].volume_m3, least.by_surface["green"].less_dry_mm_days]
    assert list(map(str, told)) == ["0.0"] * 3  # without a minus
    assert worth_part(None, None, None) is None


@pytest.mark.parametrize(
    ("volume", "less_dry", "bill", "tiers", "words"),
    [
        ([0.0, 0.005, 0.0], 0.0, 0.0, (), "1.0 m³ more in the allocation would hardly change this plan"),
        ([0.0, 0.0, 0.0], 0.0, 0.0, ("t",), "1.0 m³ more in the allocation would hardly change this plan"),
        ([0.0, 0.0, 0.0], 0.0, 2.0, ("t",), "1.0 m³ more in the allocation would hardly change this plan"),
        ([1.0, 0.0, 0.0], np.array([[0.005], [0.005], [0.0]]), 0.0, ("t",),
         "1.0 m³ more in the allocation would go to rough, there only refilling for the days after this plan"),
        ([1.0, 0.0, 0.0], 0.0, 0.5, ("t",),
         "1.0 m³ more in the allocation would go to rough, there only refilling for the days after this plan; it would "
         "cost 0.50 USD in water and energy"),
        ([0.0, 0.0, 0.0], 0.0, -2.5, ("t",),
         "this plan already takes water beyond a step of the allocation; 1.0 m³ more in it would change no run time "
         "and save 2.50 USD of over-use"),
        ([1.0, 0.0, 0.0], 0.0, 2.0, ("t",),
         "1.0 m³ more in the allocation would go to rough, there only refilling for the days after this plan; it would "
         "cost 2.00 USD in water and energy"),
        ([1.0, 0.0, 0.0], 0.006, -2.0, ("t",),
         "1.0 m³ more in the allocation would go to rough, sparing it 0.0 mm of dryness, summed over zones and days; "
         "green would be 0.0 mm less dry as well; the bill would fall by 2.00 USD"),
    ],
)  # fmt: skip
def test_what_one_more_cubic_metre_does_in_words(volume, less_dry, bill, tiers, words):
    assert one_more(volume, np.zeros((3, 1)) + less_dry, bill, tiers).words == words


def test_in_us_units_it_is_a_thousand_gallons_more():
    part = one_more([1.0, 0.0, 0.0], [[25.4], [0.0], [0.0]], 1.0, ("t",), units="us")
    assert part.words.startswith("1,000 gal more in the allocation would go to rough, sparing it 3.79 in of dryness")
    assert part.words.endswith("it would cost 3.79 USD in water and energy")


# --------------------------------------------------------------------------------------------- since last evening


def zone(name, minutes, starts=(), why=Why.ENOUGH, surface="green", path=()):
    cycles = tuple(SimpleNamespace(start=s) for s in starts)
    return SimpleNamespace(
        id=name, minutes=minutes, cycles=cycles, why=why, surface=SurfaceName(surface),
        path=tuple(SimpleNamespace(night=n, minutes=m) for n, m in path),
    )  # fmt: skip


def plan_of(night, *zones, warnings=(), volumes=(10.0, 20.0), eto=5.0, rained=0.0):
    nights = [
        SimpleNamespace(night=night + timedelta(days=i), volume_m3=v, eto_mm=eto, rain_mm=rained)
        for i, v in enumerate(volumes)
    ]
    told = [SimpleNamespace(subject=w) for w in warnings]
    site = SimpleNamespace(units="metric", name="s")
    return SimpleNamespace(night=night, zones=zones, nights=nights, warnings=told, site=site)


def test_tonight_as_it_was_meant_against_tonight():
    meant = lambda m: ((EVE, 9.0), (NIGHT, m))  # noqa: E731
    before = plan_of(
        EVE, zone("A", 5.0, path=meant(0.0)), zone("B", 5.0, path=meant(0.5)), zone("C", 0.0, path=meant(0.5)),
        zone("D", 5.0, path=meant(4.0)), zone("E", 0.0, path=meant(0.0)), zone("gone", 1.0, path=meant(3.0)),
        warnings=("pump", "old", "z", "a", "k"),
    )  # fmt: skip
    now = plan_of(
        NIGHT, zone("A", 0.5), zone("B", 0.0), zone("C", 4.0), zone("D", 0.5), zone("E", 0.0),
        zone("new", 7.0, [at(21)]),         warnings=("new", "pump", "x", "b"),
    )  # fmt: skip
    part = changes.changes_part(before, now)
    assert (part.since, part.meant_m3, part.volume_m3) == (EVE, 20.0, 10.0)
    assert (part.now_running, part.no_longer_running) == (("A",), ("B",))
    assert (part.new_warnings, part.gone_warnings) == (("b", "new", "x"), ("a", "k", "old", "z"))
    assert changes.changes_part(plan_of(NIGHT - timedelta(days=5)), now).meant_m3 is None
    # Minutes of A, B, C, D and of the new zone are keyed, and its start.
    assert part.entries_changed == 6 and part.programme == changes.programme_changes(before, now)


def test_values_keyed_are_minutes_and_starts_by_time_of_day():
    before = plan_of(EVE, zone("A", 5.0, [at(21, day=13), at(23, day=13)]), zone("B", 5.0, [at(22, day=13)]))
    now = plan_of(
        NIGHT, zone("A", 5.0, [at(21), at(22)]), zone("B", 6.0, [at(22), at(23), at(1, day=15)]), zone("N", 0.0)
    )
    assert changes.entries_changed(before, now) == 1 + (1 + 2)
    assert changes.entries_changed(plan_of(EVE), plan_of(NIGHT, zone("N", 3.0, [at(21)]))) == 2


def test_what_differs_from_the_evening_before_in_five_sentences():
    before = plan_of(
        EVE, zone("A", 0.0), zone("B", 0.5), zone("C", 0.5), zone("D", 5.0), zone("E", 5.0, [at(21, day=13)]),
        zone("F", 5.0, [at(21, day=13)]), zone("H", 6.0), zone("gone", 2.0),
    )  # fmt: skip
    now = plan_of(
        NIGHT, zone("A", 0.5, why=Why.DRY_TOMORROW), zone("B", 0.0, why=Why.RAIN, surface="tee"), zone("C", 0.9),
        zone("D", 4.5), zone("E", 5.0, [at(22)]), zone("F", 5.0, [at(21)]), zone("H", 6.0),
        zone("new", 4.0, why=Why.FLUSH),
    )  # fmt: skip
    assert changes.programme_changes(before, now) == (
        "1 zone runs that did not on Mon 13 Jul: 1 green (too dry by tomorrow without).",
        "1 zone that ran then rests: 1 tee (rain is enough).",
        "1 zone runs longer and 1 shorter than then" + changes._weather(before, now) + ".",
        "1 zone keeps its minutes and starts at another time, to make room for the others.",
        "2 zones run as then, minutes and starts.",
    )
    still = plan_of(NIGHT, zone("A", 0.0))
    assert changes.programme_changes(before, still) == ("0 zones run as then, minutes and starts.",)
    more = plan_of(NIGHT, zone("B", 6.0), zone("C", 6.0))
    assert changes.programme_changes(before, more)[0].startswith("2 zones run longer than then")
    less = plan_of(NIGHT, zone("B", 0.0), zone("C", 0.0), zone("D", 4.0))
    found = changes.programme_changes(before, less)
    assert "2 zones that ran then rest" in found[0] and found[1].startswith("1 zone runs shorter than then")
    assert len(found) == 2


@pytest.mark.parametrize(
    ("then", "now", "words"),
    [
        (5.0, 6.0, ": ET of the next day 6.0 mm, 5.0 mm then; 10.0 m³ of water, 30.0 m³ then"),
        (6.0, 6.04, ": ET of the next day 6.0 mm, as then; 10.0 m³ of water, 30.0 m³ then"),
        (None, 6.0, ""), (6.0, None, ""), (None, None, ""),
    ],
)  # fmt: skip
def test_the_weather_two_nights_prepared_for(then, now, words):
    assert changes._weather(plan_of(EVE, volumes=(30.0, 1.0), eto=then), plan_of(NIGHT, eto=now)) == words


def test_causes_are_told_for_the_three_that_most_zones_share():
    zones = [
        *(zone("Z", 1.0, why=w, surface=s) for n, w, s in (
            (4, Why.FLUSH, "green"), (3, Why.REFILL, "tee"), (2, Why.REFILL, "green"), (1, Why.UPKEEP, "tee"),
            (1, Why.DRY_LATER, "tee"),
        ) for _ in range(n)),
    ]  # fmt: skip
    assert changes._by_cause(zones) == (
        "4 green (salt flush), 3 tee (refilled for later), 2 green (refilled for later) and 2 more"
    )
    assert changes._by_cause(zones[:1]) == "1 green (salt flush)"


@pytest.mark.parametrize(
    ("days", "name", "found"),
    [(1, "s", True), (STEADY.looked_back, "s", True), (STEADY.looked_back + 1, "s", False), (1, "t", False)],
)
def test_the_plan_before_is_the_nearest_of_the_same_site(monkeypatch, tmp_path, days, name, found):
    read = []
    monkeypatch.setattr(
        changes, "read_plan", lambda path: read.append(path.parent.name) or plan_of(EVE, zone("A", 1.0))
    )
    for back in (days, days + 1, 0):
        folder = tmp_path / "out" / (NIGHT - timedelta(days=back)).isoformat()
        folder.mkdir(parents=True)
        (folder / "plan.json").write_text("{}")
    now = plan_of(NIGHT)
    now.site.name = name
    plan = changes.earlier_plan(SimpleNamespace(folder=tmp_path), now)
    assert (plan is not None) == found
    assert read == ([(NIGHT - timedelta(days=days)).isoformat()] if days <= STEADY.looked_back else [])
