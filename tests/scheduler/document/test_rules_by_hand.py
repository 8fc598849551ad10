"""What may not be published: each rule across a plan, the last value that passes and the first that fails."""

from datetime import date, datetime, timedelta
from types import SimpleNamespace as Part
from zoneinfo import ZoneInfo

import pytest

from scheduler.document.parts import Status
from scheduler.document.rules import (
    PlanDocumentError,
    _cycle_faults,
    _energy_faults,
    _lasts,
    _total_faults,
    _water_faults,
    _worth_faults,
)

NIGHT = date(2026, 7, 14)


def zone(before=10.0, etc=5.0, rain=3.0, runoff=1.0, held=0.5, depth=8.0, uneven=1.5, drainage=0.25, after=None, **own):
    """A zone whose water closes: after = before + etc - (rain - runoff) - held - depth + uneven + drainage."""
    closes = before + etc - (rain - runoff) - held - (depth - uneven) + drainage
    balance = Part(
        depth_mm=depth, uneven_mm=uneven, etc_mm=etc, rain_mm=rain, runoff_mm=runoff, held_mm=held, drainage_mm=drainage
    )
    usual = {"id": "A", "depth_mm": depth, "net_depth_mm": depth - uneven, "balance": balance}
    return Part(
        before=Part(depletion_mm=before), after=Part(depletion_mm=closes if after is None else after), **usual | own
    )


def test_water_closes_with_each_term_by_its_sign():
    assert _water_faults([zone(), zone(id="B", held=2.0, runoff=0.0)], ["A", "B"]) == [] and _water_faults([], []) == []
    (said,) = _water_faults([zone(), zone(after=6.25 + 6e-6)], ["A", "B"])
    assert said == 'zone "B": its water does not close, -0.000006 mm are unaccounted for'
    assert _water_faults([zone(after=6.25 + 4e-6)], ["A"]) == []
    assert _water_faults([zone(after=6.25 - 1.0)], ["A"])[0].endswith("+1.000000 mm are unaccounted for")
    (first, second) = _water_faults([zone(depth_mm=8.1)], ["A"])
    assert first == 'zone "A": depth_mm is 8.100000, but its balance holds 8.000000' and "do not add up" in second
    assert _water_faults([zone(net_depth_mm=6.4)], ["A"]) == [
        'zone "A": net_depth_mm and uneven_mm do not add up to depth_mm'
    ]
    assert _water_faults([zone(before=float("nan"))], ["A"])  # what is no number closes nowhere


EVENING = datetime(2026, 7, 14, 21, 0)


def cycle(start, minutes, long=None):
    begin = EVENING + timedelta(minutes=start)
    return Part(start=begin, end=begin + timedelta(minutes=minutes), minutes=minutes if long is None else long)


@pytest.mark.parametrize(
    ("cycles", "minutes", "words"),
    [
        ([cycle(0, 5), cycle(10, 5)], 10.0, []),
        ([cycle(0, 5), cycle(5, 5)], 10.0, []),
        ([cycle(0, 5), cycle(4.9, 5)], 10.0, ["begins before"]),
        ([cycle(0, 5)], 5.016, []),
        ([cycle(0, 5)], 5.018, ["do not add up"]),
        ([cycle(0, 5, 5.1)], 5.1, ["is not 5.1 minutes"]),
        ([], 0.0, []),
        ([], 1.0, ["do not add up"]),
    ],
)
def test_cycles_are_a_zone_s_minutes_one_after_the_other(cycles, minutes, words):
    found = _cycle_faults([Part(id="A", cycles=cycles, minutes=minutes)], "UTC")
    assert len(found) == len(words) and all(w in f for w, f in zip(words, found, strict=True))


def test_a_moment_with_its_offset_is_not_ambiguous():
    # Los Angeles, 1 November 2026: 00:50 to 01:10 is 20 minutes, or 80 after the clock went back
    start, end = datetime(2026, 11, 1, 0, 50), datetime(2026, 11, 1, 1, 10)
    assert [_lasts(start, end, m, "America/Los_Angeles") for m in (20.0, 80.0, 40.0)] == [True, True, False]
    assert [_lasts(start, end, m, "UTC") for m in (20.0, 80.0)] == [True, False]
    aware = [t.replace(tzinfo=ZoneInfo("UTC")) for t in (start, end)]
    assert [_lasts(*aware, m, "America/Los_Angeles") for m in (20.0, 80.0)] == [True, False]


def worth(volumes, surfaces=("green", "tee"), known=True):
    rows = {s: Part(volume_m3=v) for s, v in volumes.items()}
    allocation = Part(worth_per_m3=Part(by_surface=rows) if known else None)
    return _worth_faults(Part(allocation=allocation, zones=[Part(surface=s) for s in surfaces]))


def test_one_more_cubic_metre_is_handed_out_once_among_the_surfaces():
    assert worth({"green": 0.6, "tee": 0.4}) == [] and worth({"green": 0.0, "tee": 0.0}) == []
    assert "hands out 1.1 m3" in worth({"green": 0.7, "tee": 0.4})[0]
    assert "hands out -0.1 m3" in worth({"green": -0.1, "tee": 0.0})[0]
    assert "names the surfaces" in worth({"green": 0.5})[0] and worth({"green": 2.0}, known=False) == []
    assert _worth_faults(Part(allocation=None)) == []


def energy(kwh=(4.0, 6.0), cost=(1.0, None), pumped=(30.0, 20.0), pumps=((3.0, 1.0), (6.0,)), night=(10.0, 1.0, 50.0)):
    blocks = [
        Part(start=f"{21 + i}:00", energy_kwh=k, cost=c, volume_m3=v, pumps=dict(enumerate(p)))
        for i, (k, c, v, p) in enumerate(zip(kwh, cost, pumped, pumps, strict=True))
    ]
    tonight = Part(energy_kwh=night[0], energy_cost=night[1], volume_m3=night[2])
    return _energy_faults(Part(energy=blocks, nights=[tonight], night=NIGHT))


def test_energy_and_its_cost_are_the_sums_of_blocks_and_pumps():
    assert energy() == [] and energy(night=(10.0, 1.0, 60.0)) == [] and energy(night=(10.001, 1.001, 50.0)) == []
    assert energy(night=(10.002, 1.0, 50.0)) == [
        "night 2026-07-14: energy_kwh is 10.002, but its tariff blocks add up to 10"
    ]
    assert energy(night=(10.0, 1.1, 50.0)) == [
        "night 2026-07-14: energy_cost is 1.1, but its tariff blocks add up to 1"
    ]
    assert energy(night=(10.0, 1.0, 49.9)) == ["night 2026-07-14: its tariff blocks pump 50 m3, but only 49.9 run"]
    assert energy(pumps=((3.0, 1.1), (6.0,))) == ["energy from 21:00: 4 kWh, but its pumps add up to 4.1"]
    assert energy(cost=(None, None), night=(10.0, None, 50.0)) == []
    assert energy(cost=(None, 2.0), night=(10.0, None, 50.0)) != []
    large = {"kwh": (5e4, 5e4), "pumps": ((5e4,), (5e4,)), "pumped": (0.0, 0.0)}
    assert energy(**large, night=(1e5 + 0.9, 1.0, 50.0)) == [] and energy(**large, night=(1e5 + 1.1, 1.0, 50.0)) != []
    wide = {"pumped": (5e5, 5e5)}
    assert energy(**wide, night=(10.0, 1.0, 1e6 - 9.9)) == [] and energy(**wide, night=(10.0, 1.0, 1e6 - 10.1)) != []
    assert _energy_faults(Part(energy=[], nights=[1])) == [] == _energy_faults(Part(energy=[1], nights=[]))


def totals(
    status=Status.PLANNED, night=NIGHT, running=1, minutes=10.0, volume=9.0, surfaces=(("green", 2, 1),), nights=True
):
    zones = [
        Part(id="A", surface="green", minutes=10.0, volume_m3=9.0, volumes_m3={"well": 4.0, "mains": 5.0}),
        Part(id="B", surface="green", minutes=0.0, volume_m3=0.0, volumes_m3={}),
    ]
    tonight = Part(night=night, zones_running=running, minutes=minutes, volume_m3=volume)
    rows = [Part(surface=s, zones=z, running=r) for s, z, r in surfaces]
    plan = Part(zones=zones, nights=[tonight] if nights else [], night=NIGHT, status=status, surfaces=rows)
    return plan, _total_faults(plan)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({}, None),
        ({"night": NIGHT + timedelta(days=1)}, "the first of nights is 2026-07-15"),
        ({"running": 2}, "zones_running is 2, but 1 run"),
        ({"minutes": 10.1}, "minutes is 10.1, but its zones add up to 10"),
        ({"minutes": 10.00009}, None),
        ({"minutes": 10.00011}, "minutes"),
        ({"volume": 9.0001}, "volume_m3 is 9.0001"),
        ({"nights": False}, "nights is empty"),
        ({"status": Status.NOT_NEEDED}, "but 1 zones run"),
        ({"surfaces": (("green", 3, 1),)}, "3 zones with 1 running are stated, but 2 with 1"),
        ({"surfaces": (("green", 2, 2),)}, "2 with 1 are listed"),
        ({"surfaces": (("tee", 0, 0),)}, None),
    ],
)
def test_a_night_s_totals_are_those_of_its_zones(given, words):
    _, found = totals(**given)
    assert (found == []) if words is None else (len(found) == 1 and words in found[0]), found


def test_a_zone_s_sources_add_up_to_its_water():
    plan, _ = totals()
    plan.zones[0].volumes_m3 = {"well": 4.0, "mains": 5.00008}
    assert _total_faults(plan) == []
    plan.zones[0].volumes_m3 = {"well": 4.0, "mains": 5.00011}
    assert _total_faults(plan) == ['zone "A": its sources do not add up to 9 m3']
    plan.zones[1].volumes_m3, plan.zones[0].volumes_m3 = {"well": 0.00002}, {}
    assert _total_faults(plan) == ['zone "B": its sources do not add up to 0 m3']


@pytest.mark.parametrize(("count", "more"), [(20, ""), (21, "\nand 1 more")])
def test_twenty_contradictions_are_told(count, more):
    error = PlanDocumentError([f"x{i}" for i in range(count)])
    assert str(error).endswith(f"x19{more}") and len(error.faults) == count
