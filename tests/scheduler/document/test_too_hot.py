"""Turf whose ET of one day passes its limit: no watering at night can hold it, and that is what is said of it."""

from tests.scheduler import hand_evening as h


def said(folder, toml="", capacity=20.0, **options):
    plan = h.planned(h.hand_site(folder, "G1 green", "G2 green", toml=toml, capacity=capacity, nights=3, **options))
    return plan, {z["id"]: z for z in plan["zones"]}, [g["words"] for g in plan["give_way"]]


# A floor of 97 % leaves 3 % of TAW above the limit, which is less than a day's ET of 4 mm and more.
FLOOR = "[surface.green]\nmoisture_floor = 0.97\n"


def test_greens_filled_every_night_are_not_said_to_be_short_of_anything(tmp_path):
    plan, zones, words = said(tmp_path / "a", FLOOR, applied=h.log(10, "G1", "G2"))
    assert all(step["depletion_mm"] > step["dry_limit_mm"] for step in zones["G1"]["path"])
    assert all(step["watered_mm"] < 1.0 for step in zones["G1"]["path"])  # full, or all but full, every night
    (text,) = words
    assert "no watering at night can hold: syringing by day, deeper roots or shade would" in text
    assert "short of" not in text
    assert zones["G1"]["reason"].endswith("syringing by day, deeper roots or shade would")


def test_where_the_allocation_is_short_too_both_are_said(tmp_path):
    toml = FLOOR + "[allocation]\nvolume = 1000\nused_before = 999\nstarts = 2026-07-01\nends = 2026-07-31\n"
    plan, zones, words = said(tmp_path / "a", toml, applied=h.log(0, "G1", "G2"))
    (text,) = words
    assert "no watering at night can hold" in text
    assert text.endswith("short of: allocation, this plan's share")


def test_turf_that_a_night_can_hold_is_not_said_to_be_too_hot(tmp_path):
    toml = "[allocation]\nvolume = 1000\nused_before = 999.9\nstarts = 2026-07-01\nends = 2026-07-31\n"
    plan, zones, words = said(
        tmp_path / "a", "[surface.green]\nmoisture_floor = 0.7\n" + toml, applied=h.log(0, "G1", "G2")
    )
    (text,) = words
    assert "syringing" not in text and text.endswith("short of: allocation, this plan's share")
    assert not any("syringing" in z["reason"] for z in zones.values())


def test_a_zone_that_stands_full_needs_no_water_it_has_no_room_for(tmp_path):
    plan, zones, _ = said(tmp_path / "a", FLOOR, applied=h.log(120, "G1", "G2"))
    for zone in zones.values():
        assert zone["minutes"] == 0 or zone["before"]["depletion_mm"] > 0
        if zone["minutes"] == 0:
            assert zone["why"] == "no room for water" and zone["reason"].startswith("stands full")
