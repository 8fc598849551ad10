"""Pumps, pipes and finishing times from a real folder, judged apart from the product.

What is expected is worked out here from the folder's own numbers and the printed starts and stops of plan.json, minute
by minute, with nothing of the product.
"""

from __future__ import annotations

import csv
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.end_to_end.plan_checker import check_plan
from tests.evenings import published_evening
from tests.sites import make_site

MIDNIGHT = datetime(2026, 7, 14)
PLAIN = {"season_days": 20, "probes": False, "water_ec": 0.0}
CURVE = ((0.0, 90.0, 0.0), (0.3, 88.0, 0.55), (0.65, 79.0, 0.72), (1.0, 60.0, 0.68))  # of the capacity, m, -
PIPE = (540.0, 0.110, 140.0)  # m, m, Hazen-Williams C: of the first loop
TARIFF = ((1260, 1320, 0.29), (1320, 1740, 0.11))  # of tests.sites: 21:00-22:00 dear; "" no block = the highest


def evening(folder: Path) -> dict:
    """Run the evening; the plan as a program reads it, its structure and every hard limit checked."""
    plan = published_evening(folder, MIDNIGHT.date())
    assert check_plan(folder, plan) == []
    return plan


def edited(folder: Path, *changes: tuple[str, str]) -> Path:
    """Change texts of site.toml; each must stand in it."""
    file = folder / "site.toml"
    text = file.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    file.write_text(text, encoding="utf-8")
    return folder


def line(part: float, column: int) -> float:
    """Head or efficiency of CURVE by straight lines, at a part of the capacity."""
    for low, high in zip(CURVE, CURVE[1:], strict=False):
        if low[0] <= part <= high[0]:
            share = (part - low[0]) / (high[0] - low[0])
            return low[column] + share * (high[column] - low[column])
    return CURVE[-1][column]


def energy_by_minute(folder: Path, plan: dict, capacity: float, held: float | None) -> tuple[list[float], float, float]:
    """Energy by block of TARIFF [kWh], highest head [m] and minutes below the head to hold, from the printed cycles."""
    rows = list(csv.DictReader((folder / "zones.csv").read_text(encoding="utf-8").splitlines()))
    flow, branch = {r["zone"]: float(r["flow"]) for r in rows}, {r["zone"]: r["branch"] for r in rows}
    length, diameter, c = PIPE
    energy, highest, short = [0.0] * len(TARIFF), 0.0, 0.0
    for minute in range(1260, 1740):
        now = MIDNIGHT + timedelta(minutes=minute + 0.5)
        on = [
            z["id"]
            for z in plan["zones"]
            if any(datetime.fromisoformat(a["start"]) <= now < datetime.fromisoformat(a["end"]) for a in z["cycles"])
        ]
        total = sum(flow[z] for z in on)
        if not on:
            continue
        loop = sum(flow[z] for z in on if branch[z] == "loop 1") / 1000
        friction = 10.67 * length * loop**1.852 / (c**1.852 * diameter**4.8704)
        head = line(total / capacity, 1) if held is None else min(held + friction, line(total / capacity, 1))
        short += held is not None and held + friction > line(total / capacity, 1) + 0.05
        highest = max(highest, head)
        block = next(i for i, (a, b, _) in enumerate(TARIFF) if a <= minute < b)
        energy[block] += 9.81 * total * head / line(total / capacity, 2) / 1000 / 60
    return energy, highest, short


@pytest.mark.sweep  # by block and by hand every day: tests/scheduler/document/test_pumping.py
@pytest.mark.parametrize("held", [None, 74.0])
def test_energy_and_cost_by_tariff_block_are_those_of_the_minutes(tmp_path, held):
    folder = make_site(tmp_path / "site", zones=16, nights=1, zones_per_branch=8)
    capacity = float(folder.joinpath("site.toml").read_text().split("capacity = ")[1].split("\n")[0])
    points = ", ".join(f"[{part * capacity:.9f}, {h}, {e}]" for part, h, e in CURVE)
    edited(
        folder,
        ("head = 80\nefficiency = 0.7", f"curve = [{points}]" + ("" if held is None else f"\nhead = {held}")),
        (
            'name = "loop 1"\npump = "pump station 1"',
            f'name = "loop 1"\npump = "pump station 1"\nlength = {PIPE[0]}\ndiameter = "{PIPE[1]} m"\n'
            f"roughness = {PIPE[2]}",
        ),
    )
    plan = evening(folder)
    energy, highest, short = energy_by_minute(folder, plan, capacity, held)
    blocks, tonight, pump = plan["energy"], plan["nights"][0], plan["pumps"][0]
    hours = [(b["start"][11:16], b["end"][11:16], b["price"]) for b in blocks]
    assert hours == [("21:00", "22:00", 0.29), ("22:00", "05:00", 0.11)]
    assert [b["energy_kwh"] for b in blocks] == pytest.approx(energy, abs=2e-3)
    cost = sum(e * price for e, (_, _, price) in zip(energy, TARIFF, strict=True))
    assert tonight["energy_kwh"] == pytest.approx(sum(energy), abs=2e-3)
    assert tonight["energy_cost"] == pytest.approx(cost, abs=2e-3)
    assert tonight["cost"] == pytest.approx(cost + 0.35 * tonight["volume_m3"], abs=0.011)
    assert sum(b["volume_m3"] for b in blocks) == pytest.approx(tonight["volume_m3"], abs=1e-4)
    assert pump["highest_head_m"] == pytest.approx(highest, abs=2e-3)
    assert pump["short_of_head_min"] == pytest.approx(short)
    assert (short > 0) == (held is not None)  # at full flow the curve gives 60 m, less than the 74 m to hold
    warned = [w["text"] for w in plan["warnings"] if w["subject"] == "pump station 1"]
    assert (short > 0) == any("it should hold" in text for text in warned)
    page = (folder / "out" / "2026-07-14" / "night.html").read_text(encoding="utf-8")
    assert "Energy by tariff block" in page
    for b in blocks:
        assert f"{b['energy_kwh']:.0f} kWh" in page


def test_greens_are_done_by_their_time_and_the_sheets_say_so(tmp_path):
    folder = make_site(tmp_path / "site", zones=16, nights=1, load=0.3, **PLAIN)
    with (folder / "site.toml").open("a", encoding="utf-8") as file:
        file.write('\n[surface.green]\nfinish_by = "03:30"\n')
    plan = evening(folder)
    greens = [z for z in plan["zones"] if z["surface"] == "green" and z["minutes"] > 0]
    others = [z for z in plan["zones"] if z["surface"] != "green" and z["minutes"] > 0]
    assert greens
    assert {z["finish_by"] for z in greens} == {"2026-07-15T03:30:00"}
    assert {z["finish_by"] for z in others} == {None}
    ends = [max(c["end"] for c in z["cycles"]) for z in greens]
    assert max(ends) <= "2026-07-15T03:30:00"
    assert max(ends) > "2026-07-15T02:30:00"  # late rather than early: leaves stay dry longer
    assert max(c["end"] for z in others for c in z["cycles"]) > "2026-07-15T03:30:00"
    assert not [w for w in plan["warnings"] if w["subject"] == "finish"]
    out = folder / "out" / "2026-07-14"
    assert "should be done by 03:30, and are." in (out / "night.html").read_text(encoding="utf-8")
    assert (out / "keypad.html").read_text(encoding="utf-8").count("done by 03:30") == len(greens)


def test_what_cannot_be_done_in_time_runs_late_and_is_named(tmp_path):
    # By 21:20 the pump gives a 24th of the night: most greens cannot be in time, and none of them loses water for it.
    folder = make_site(tmp_path / "site", zones=8, nights=1, load=0.6)
    before = evening(make_site(tmp_path / "plain", zones=8, nights=1, load=0.6))
    with (folder / "site.toml").open("a", encoding="utf-8") as file:
        file.write('\n[surface.green]\nfinish_by = "21:20"\n')
    plan = evening(folder)
    green = {z["id"]: max(c["end"] for c in z["cycles"]) for z in plan["zones"] if z["finish_by"]}
    late = {i for i, end in green.items() if end > "2026-07-14T21:20:00"}
    assert late
    told = [w["text"] for w in plan["warnings"] if w["subject"] == "finish"]
    assert len(told) == 1
    assert f"{len(late)} zone" in told[0] and "should be done by 21:20" in told[0]
    for i in late:
        assert f"{i} ({green[i][11:16]})" in told[0]
    minutes = [{z["id"]: z["minutes"] for z in p["zones"] if z["id"] in green} for p in (before, plan)]
    assert minutes[0] == minutes[1]
    assert "run past it" in (folder / "out" / "2026-07-14" / "night.html").read_text(encoding="utf-8")


def test_the_zones_of_an_event_finish_an_hour_before_the_close(tmp_path):
    folder = make_site(tmp_path / "site", zones=16, nights=1, load=0.3, **PLAIN)
    (folder / "calendar.csv").write_text(
        "from,until,surface,zone,event,note\n2026-07-15,2026-07-16,fairway,,tournament,\n2026-07-16,,tee,,firm,\n"
    )
    plan = evening(folder)
    wanted = {z["surface"]: z["finish_by"] for z in plan["zones"] if z["minutes"] > 0}
    assert wanted["fairway"] == "2026-07-15T04:00:00"  # the window closes at 05:00
    assert wanted["tee"] is None and wanted["green"] is None  # the firm day is not tomorrow
    fairways = [c["end"] for z in plan["zones"] if z["surface"] == "fairway" for c in z["cycles"]]
    assert fairways
    assert max(fairways) <= "2026-07-15T04:00:00"


def test_a_pump_below_its_smallest_flow_is_told_with_its_zone(tmp_path):
    # One zone alone cannot be helped, and the sheet says when and why; a smallest flow under the zone's own is kept.
    folder = make_site(tmp_path / "site", zones=1, nights=2, **PLAIN)
    flow = float(list(csv.DictReader((folder / "zones.csv").read_text().splitlines()))[0]["flow"])
    low = evening(edited(folder, ("smallest_flow = 0.00", f"smallest_flow = {flow * 1.02:.3f}")))
    ran = low["zones"][0]["minutes"]
    assert low["pumps"][0]["under_smallest_min"] == pytest.approx(ran)
    told = [w["text"] for w in low["warnings"] if w["subject"] == "pump station 1"]
    assert len(told) == 1
    assert "with only zone Z0001: all its runs of tonight together draw less" in told[0]
    assert "Below its smallest flow for" in (folder / "out" / "2026-07-14" / "night.html").read_text(encoding="utf-8")
    enough = evening(edited(folder, (f"smallest_flow = {flow * 1.02:.3f}", f"smallest_flow = {flow * 0.98:.3f}")))
    assert enough["pumps"][0]["under_smallest_min"] == 0.0
    assert not [w for w in enough["warnings"] if w["subject"] == "pump station 1"]
