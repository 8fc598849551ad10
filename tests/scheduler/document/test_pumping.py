"""What plan.json says of the pumps: flow by the minute, energy by tariff block, and what a person should know."""

from datetime import datetime

import pytest

from tests.scheduler import hand_evening as h

TIGHT = "[surface.green]\nmoisture_floor = 0.7\n"
GREENS = ("G1 green", "G2 green", "G3 green")
TARIFF = "".join(
    f'[[tariff]]\nfrom = "{a}"\nuntil = "{b}"\nprice = {p}\n'
    for a, b, p in (("21:00", "23:00", 0.2), ("23:00", "01:00", 0.3), ("01:00", "21:00", 0.1))
)


def evening(folder, toml="", capacity=20.0, pump="", head=60.0):
    place = h.hand_site(folder, *GREENS, toml=TIGHT + toml, capacity=capacity, applied=h.log(5, "G1", "G2", "G3"))
    if pump:
        file = place.folder / "site.toml"
        file.write_text(file.read_text().replace("head = 60", pump))
        place = h.again(place)
    return h.planned(place)


def minute(text):
    return (datetime.fromisoformat(text) - datetime.fromisoformat("2026-07-14")).total_seconds() / 60.0


def test_flow_is_that_of_the_cycles(tmp_path):
    plan = evening(tmp_path / "a")
    steps = plan["flow"]
    for now, later in zip(steps, steps[1:], strict=False):
        at = now["minute"] + 0.5
        on = sum(minute(c["start"]) <= at < minute(c["end"]) for z in plan["zones"] for c in z["cycles"])
        assert now["pumps"]["station"] == pytest.approx(on * 3.3333, abs=1e-5)
        assert later["minute"] > now["minute"]
        assert later["pumps"] != now["pumps"]  # an entry only where it changes
    assert steps[-1]["pumps"]["station"] == 0.0


def test_energy_by_block_is_volume_times_head_at_the_blocks_price(tmp_path):
    blocks = evening(tmp_path / "a", TARIFF)["energy"]
    assert [(b["start"][11:16], b["end"][11:16], b["price"]) for b in blocks] == [
        ("21:00", "23:00", 0.2),
        ("23:00", "01:00", 0.3),
        ("01:00", "05:00", 0.1),
    ]
    for b in blocks:
        assert b["energy_kwh"] == pytest.approx(b["volume_m3"] * 9.81 * 60 / (3600 * 0.7), abs=1e-3)
        assert b["cost"] == pytest.approx(b["energy_kwh"] * b["price"], abs=1e-3)
        assert b["pumps"] == {"station": b["energy_kwh"]}
    assert blocks[2]["cost"] > 0  # of other hours than the first, at another price


def test_without_a_head_there_is_no_energy(tmp_path):
    plan = evening(tmp_path / "a", pump="ramp = 100")
    assert plan["energy"] == []
    assert plan["pumps"][0]["energy_kwh"] is None
    assert plan["nights"][0]["energy_kwh"] is None


def test_minutes_below_the_smallest_flow_are_counted_and_told(tmp_path):
    # Three zones of 3.3 L/s draw at most 10: below 12 the pump runs too low all night long.
    plan = evening(tmp_path / "a", pump="head = 60\nsmallest_flow = 12")
    ran = {
        m for z in plan["zones"] for c in z["cycles"] for m in range(round(minute(c["start"])), round(minute(c["end"])))
    }
    assert plan["pumps"][0]["under_smallest_min"] == pytest.approx(len(ran), abs=0.5)
    (said,) = (w["text"] for w in plan["warnings"] if w["subject"] == "station")
    assert "runs below its smallest flow of 12" in said
    assert said.endswith("all its runs of tonight together draw less")


def test_a_head_the_curve_does_not_reach_is_told(tmp_path):
    plan = evening(tmp_path / "a", pump="head = 60\ncurve = [[0, 62, 0.6], [3, 55, 0.7], [20, 40, 0.7]]")
    (said,) = (w["text"] for w in plan["warnings"] if w["subject"] == "station")
    assert "less than the 60" in said
    assert "sprinklers may throw short" in said
    assert plan["pumps"][0]["short_of_head_min"] > 0
    assert plan["pumps"][0]["highest_head_m"] < 60
