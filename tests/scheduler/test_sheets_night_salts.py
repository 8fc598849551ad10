"""What the night sheet says of salts: flushes, leaching with ordinary watering, and that nothing is needed."""

import copy
from datetime import datetime, timedelta

import pytest

from scheduler.document.reading import document_of
from scheduler.evening import plan_tonight
from scheduler.sheets import night_salts
from scheduler.sheets.night import night_sheet
from scheduler.sheets.night_salts import extra_depth, flushes, nothing_tonight, upkeep
from tests.scheduler import salty_sites as s
from tests.scheduler.sample_plan import sample_plan
from tests.scheduler.test_sheets_night import Page

NOTHING = "No zone with drains needs a flush or extra leaching tonight."
HEADING = "A little leaching with tonight's watering"


def quiet_plan(units="metric"):
    """A plan that follows salinity and neither flushes nor leaches."""
    plan = copy.deepcopy(sample_plan(units))
    plan["flushes"] = []
    return plan


def leach(plan, zone, nights, gross=10.0, net=8.0, depletion=6.0, area=500.0):
    """Make a zone leach on nights counted from tonight, with round numbers: 2 of 8 mm net, so 2.5 mm gross, pass."""
    zone.update(depth_mm=gross, net_depth_mm=net, volume_m3=gross * area / 1000.0)
    zone["before"]["depletion_mm"] = depletion
    dates = [n["night"] for n in plan["nights"]]
    plan["leaching"]["upkeep"].append(
        {
            "zone": zone["id"],
            "nights": [dates[n] for n in nights],
            "drainage_mm": 2.0 * len(nights),
            "depth_mm": gross * len(nights),
            "ece_before_dsm": 3.4,
            "ece_after_dsm": 3.2,
        }
    )


def of(plan, surface):
    return [z for z in plan["zones"] if z["surface"] == surface]


def test_extra_water_and_nights_of_one_zone():
    # 2.5 mm gross on 500 m2 is 1.25 m3, at 3.785 L a gallon 330 gal; 2.5 mm is 0.10 in
    for units, water in (("metric", "1.2 m³ (2.5 mm)"), ("us", "330 gal (0.10 in)")):
        plan = quiet_plan(units)
        green = of(plan, "green")[4]
        leach(plan, green, (0, 3))
        words = Page(night_sheet(document_of(plan))).words
        since = "Thu 16 Apr" if units == "metric" else "Thu Apr 16"
        assert HEADING in words
        assert (
            f"Greens, {green['name']} : {water} more tonight than fills its roots, and again on 1 later night." in words
        )
        assert f"Leached from {since} to the end of this plan: 10 % of the water; required: 8 %." in words
        assert NOTHING not in words


@pytest.mark.parametrize(
    ("nights", "again"),
    [
        ([(0,), (0,)], "fills their roots. "),
        ([(0, 1, 2), (0, 2, 4)], "fills their roots, and again on 2 later nights. "),
        ([(0, 1), (0, 1, 3)], "fills their roots, and again on 1 to 2 later nights. "),
        ([(0,), (0, 1, 3)], "fills their roots, and again on up to 2 later nights. "),
    ],
)
def test_zones_of_a_surface_are_told_together(nights, again):
    plan = quiet_plan()
    tees = of(plan, "tee")
    for tee, own in zip(tees, nights, strict=False):
        leach(plan, tee, own)
    leach(plan, of(plan, "green")[0], (0,))
    green, tee = upkeep(document_of(plan))
    assert (green["title"], green["names"]) == (f"Greens, {of(plan, 'green')[0]['name']}", "")
    assert tee["title"] == "Tees, 2 zones"
    assert tee["words"].startswith("2.5 m³ (2.5 mm on average) more tonight than ")
    assert again in tee["words"]
    assert tee["names"] == f"{tees[0]['name']}, {tees[1]['name']}"


def test_a_long_list_of_zones_is_cut():
    plan = quiet_plan()
    for tee in of(plan, "tee")[:15]:
        leach(plan, tee, (0,))
    assert upkeep(document_of(plan))[0]["names"].endswith(" and 3 more")


def test_only_water_that_passes_the_roots_tonight_is_told():
    plan = quiet_plan()
    later, cut, short, runs = of(plan, "fairway")[:4]
    leach(plan, later, (1, 3))
    leach(plan, cut, (0, 2), gross=0.0, net=0.0)  # found no place tonight
    leach(plan, short, (0, 2), depletion=8.0)  # runs, and only fills the roots
    assert upkeep(document_of(plan)) == []
    words = Page(night_sheet(document_of(plan))).words
    assert HEADING not in words
    assert NOTHING not in words  # it is needed, only not given
    leach(plan, runs, (0, 2))
    assert upkeep(document_of(plan))[0]["title"] == f"Fairways, {runs['name']}"
    zones = {z.id: z for z in document_of(plan).zones}
    assert [extra_depth(zones[z["id"]]) for z in (cut, short, runs)] == [0.0, 0.0, 2.5]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ({"achieved": 0.034, "required": None}, "3 % of the water; required: more than this water can."),
        ({"achieved": None, "required": 0.04}, ""),
    ],
)
def test_leaching_that_is_not_known_is_not_told(row, words):
    plan = quiet_plan()
    leach(plan, of(plan, "green")[0], (0,))
    plan["leaching"]["surfaces"][0].update(row)
    assert upkeep(document_of(plan))[0]["words"].endswith(words or "fills its roots.")


def test_nothing_needed_is_said_once_and_only_where_salinity_is_followed():
    plan = quiet_plan()
    assert Page(night_sheet(document_of(plan))).words.count(NOTHING) == 1
    del plan["leaching"]  # a plan without that part
    assert nothing_tonight(document_of(plan)) == NOTHING
    for zone in plan["zones"]:
        zone["before"]["ece_dsm"] = None
    words = Page(night_sheet(document_of(plan))).words
    assert NOTHING not in words
    assert "Salts" not in words
    assert NOTHING not in Page(night_sheet(document_of(sample_plan()))).words  # which has a flush


def with_flushes(count, nights):
    plan = copy.deepcopy(sample_plan())
    greens = of(plan, "green")
    one = plan["flushes"][0]
    plan["flushes"] = [
        {**one, "zone": g["id"], "nights": nights[i], "words": f"reason {i}"} for i, g in enumerate(greens[:count])
    ]
    return plan, [g["name"] for g in greens]


def test_a_few_flushes_are_told_one_by_one():
    plan, names = with_flushes(3, [["2026-07-14"], ["2026-07-15", "2026-07-16"], []])
    words = Page(night_sheet(document_of(plan))).words
    assert f"{names[0]} , tonight: 2.05 in of water, 1.50 in of it through the roots. Reason 0. 3.1 to 4.8 dS" in words
    assert "four cases of five; upper half 5.2 → 2.9, lower half 7.0 → 4.9; due again by about Tue Jul 28." in words
    assert f"{names[1]} , Wed Jul 15 and Thu Jul 16: 2.05 in" in words
    assert f"{names[2]} , due by Sat Jul 18. Reason 2." in words  # no water, no promise
    assert f"look at the lower probes: {names[0]}, at 5.9 in." in words  # the second not tonight, the third not at all
    assert "Each flush, and why" not in words
    assert "Due again:" not in words  # each says so itself
    plan["flushes"][1].update(by="2026-07-15")
    assert "Wed Jul 15 and Thu Jul 16 (due by Wed Jul 15): 2.05 in" in Page(night_sheet(document_of(plan))).words


def test_many_flushes_are_told_by_night_and_their_reasons_are_folded_away():
    plan, names = with_flushes(6, [["2026-07-14"]] * 3 + [["2026-07-15", "2026-07-16"]] + [[]] * 2)
    html = night_sheet(document_of(plan))
    words = Page(html).words
    assert f"Tonight, 3 zones: {', '.join(names[:3])}." in words
    assert f"Wed Jul 15 and Thu Jul 16, 1 zone: {names[3]}." in words
    plan["flushes"][3]["by"] = "2026-07-15"
    plan["flushes"][0]["by"] = "2026-07-13"
    late = Page(night_sheet(document_of(plan))).words
    assert f"Wed Jul 15 and Thu Jul 16, 1 zone, later than due: {names[3]}." in late
    assert f"Tonight, 3 zones, 1 of them later than due: {', '.join(names[:3])}." in late
    assert f"Due, but on no night of this plan, 2 zones: {names[4]}, {names[5]}." in words
    assert "Due again: 4 zones by about Tue Jul 28." in words  # of two none is planned
    assert f"look at the lower probes: {names[0]}, {names[1]}, {names[2]}, at 5.9 in." in words
    folded = html[html.index("Each flush, and why") :]
    folded = folded[: folded.index("</details>")]
    assert all(f"Reason {i}." in folded for i in range(6))
    assert flushes(document_of(quiet_plan())) is None
    for flush, day in zip(plan["flushes"], ("20", "22", "23", "30"), strict=False):
        flush.update(again_by=f"2026-07-{day}", lower_probe_cm=float(day))
    told = flushes(document_of(plan))
    assert told["again"] == "4 zones, the first by about Mon Jul 20, half of them by Wed Jul 22, the last by Thu Jul 30"
    assert told["check"] == f"{names[0]} (7.9 in), {names[1]} (8.7 in), {names[2]} (9.1 in)"
    for flush in plan["flushes"]:
        flush.update(again_by=None, lower_probe=None, lower_probe_cm=None, likely_dsm=None, layers_after_dsm=[])
    told = flushes(document_of(plan))
    assert (told["again"], told["check"], told["rows"][0]["leaves"]) == ("", "", "")


def test_a_plan_that_leaches_with_its_watering_says_so_on_the_sheet(tmp_path):
    # No run may be long enough for a flush of a tee above its limit, so the plan leaches a little with the watering.
    logged = [s.NIGHT - timedelta(days=d) for d in range(12, 1, -1)]  # nothing ran last night: tonight they are watered
    tees = ("G1", "G2", "G3")
    head, *rows = s.GREENS.replace(",green,", ",tee,").strip().split("\n")
    zones = "\n".join([f"{head},max_run", *(f"{row},60" for row in rows)]) + "\n"
    place = s.salty(
        tmp_path / "a",
        zones=zones,
        applied="night,zone,minutes\n" + "".join(f"{n},{z},30\n" for n in logged for z in tees),
        samples="date,zone,depth,ece\n" + "".join(f"{s.NIGHT},{z},{d},4.3\n" for z in tees for d in (5, 15)),
        weather=s.weather_csv(13),
    )
    plan = plan_tonight(place, s.NIGHT, datetime(2026, 7, 14, 18, tzinfo=place.time_zone))
    little = plan.leaching.upkeep
    assert {u.zone for u in little} == set(tees)
    assert all(plan.night in u.nights for u in little)
    words = Page(night_sheet(plan)).words
    assert "Tees, 3 zones : " in words
    # What passes the roots tonight by the balance of each zone, over 450 m2; DU 1 and no rain, so gross is net.
    passed = [z.balance.drainage_mm for z in plan.zones]
    assert sum(passed) > 0.5
    assert [extra_depth(z) for z in plan.zones] == pytest.approx(passed, abs=1e-5)
    water = sum(passed) * 450.0 / 1000.0
    assert f"{water:.1f} m³ ({sum(passed) / 3:.1f} mm on average) more tonight than fills their roots" in words
    row = plan.leaching.surfaces[0]
    assert f"{row.achieved * 100:.0f} % of the water; required: {row.required * 100:.0f} %." in words


def test_the_next_flush_and_what_keeps_it_from_tonight_stand_in_one_line():
    plan = copy.deepcopy(sample_plan(zones=12))
    green, other = plan["zones"][0], plan["zones"][1]
    flush = {**sample_plan()["flushes"][0], "staged": False}
    plan["flushes"] = [{**flush, "zone": green["id"], "nights": ["2026-07-16"], "by": "2026-07-18"},
                       {**flush, "zone": other["id"], "nights": [], "by": "2026-07-18"}]  # fmt: skip
    plan["events"] = [{"begins": "2026-07-15", "until": "2026-07-15", "kind": "tournament", "target": "green",
                       "zones": 1, "note": "club cup", "firm_nights": [], "dry_nights": [],
                       "no_flush_nights": ["2026-07-14"]}]  # fmt: skip
    line = night_salts.in_one_line(document_of(plan))
    assert line.startswith("none tonight; next on Thu Jul 16, ") and green["name"] in line
    assert "1 zone due and on no night of this plan" in line and line.endswith("tonight kept free for club cup.")
    plan["flushes"] = []
    for zone in plan["zones"]:
        zone["before"]["ece_dsm"] = zone["after"]["ece_dsm"] = None
    assert night_salts.in_one_line(document_of(plan)) == ""
