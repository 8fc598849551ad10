"""The shared limits in plan.json: their size and use worked out again, whether they bind, and what is said of them."""

from types import SimpleNamespace

import numpy as np
import pytest

from models.choices import TONIGHT
from scheduler.document.limits import source_volume
from tests.models.plan.plans import plan
from tests.scheduler import hand_evening as h

TIGHT = "[surface.green]\nmoisture_floor = 0.7\n"
GREENS = ("G1 green", "G2 green", "G3 green")
FIVE = (*GREENS, "G4 green", "G5 green")


def rows(plan, name, night=0):
    return [r for r in plan["nights"][night]["limits"] if r["name"] == name]


def evening(folder, toml="", capacity=20.0, minutes=10, nights=3, greens=GREENS, **files):
    logged = h.log(minutes, *(g.split()[0] for g in greens))
    return h.planned(
        h.hand_site(folder, *greens, toml=TIGHT + toml, capacity=capacity, nights=nights, applied=logged, **files)
    )


def volume(plan, night=0):
    return sum(z["path"][night]["minutes"] for z in plan["zones"]) * 3.3333 * 0.06


def test_a_pump_of_plenty_does_not_bind(tmp_path):
    (row,) = rows(evening(tmp_path / "a"), "pump_limit")
    assert (row["what"], row["binds"], row["unit"]) == ("station", False, "m3")
    assert row["capacity"] == pytest.approx(20 * 0.06 * 480)  # eight hours


def test_a_pump_too_small_binds_and_is_full(tmp_path):
    # A flow of 3.34 L/s lets one zone run at a time; each of the five needs some 2.4 h, and eight are open.
    plan = evening(tmp_path / "a", capacity=3.34, minutes=2, greens=FIVE)
    (row,) = rows(plan, "pump_limit")
    assert row["used"] == pytest.approx(volume(plan), abs=1e-4)
    assert row["binds"] and row["price"] > 0
    assert row["capacity"] == pytest.approx(3.34 * 0.06 * 480)
    assert row["words"].startswith("station, Tue 14 Jul:")
    assert row["words"].endswith(("full", "these zones can use of it together", "full in part of the hours"))


def test_a_pump_that_one_zone_at_a_time_can_use_is_said_to_bind(tmp_path):
    # Two zones of 3.3333 L/s never run together on 6 L/s: 56 % of the pump is all that they can use of it.
    plan = evening(tmp_path / "a", capacity=6.0, minutes=2, greens=FIVE)
    (row,) = rows(plan, "pump_limit")
    assert row["binds"] and row["used"] < 0.6 * row["capacity"]
    packed = TONIGHT.packed * TONIGHT.at_once  # of it, tonight counts on what start times are surely found for
    assert row["usable"] == pytest.approx(packed * 3.3333 / 6.0 * row["capacity"], rel=0.01)
    assert row["words"].endswith("used, as much as these zones can use of it together")


def test_stations_at_once_count_minutes(tmp_path):
    toml = '[[controller]]\nname = "other"\nstations_at_once = 2\n'
    plan = evening(tmp_path / "a", toml)
    (row,) = rows(plan, "station_limit")
    assert (row["what"], row["used"], row["capacity"], row["unit"]) == ("other", 0.0, 960.0, "min")
    assert "0 of 960 station minutes used" in row["words"]


def test_permits_of_a_source_by_night_and_by_month(tmp_path):
    source = '[[source]]\nname = "well"\nec = 0.5\ndaily_limit = 9\nmonthly_limit = 100\n'
    plan = evening(tmp_path / "a", source)
    for night in range(3):
        (row,) = rows(plan, "source_night", night)
        assert (row["what"], row["capacity"]) == ("well, one night", 9.0)
        assert row["used"] == pytest.approx(volume(plan, night), abs=1e-4)
    (month,) = rows(plan, "source_month")
    used = 9 * 3 * 10 * 3.3333 * 0.06  # nine nights of July are logged, three zones of 10 min
    assert month["capacity"] == pytest.approx(100 - used, abs=1e-3)
    assert month["used"] == pytest.approx(sum(volume(plan, n) for n in range(3)), abs=1e-4)
    assert rows(plan, "source_month", 1) == []


def test_a_night_permit_that_binds_has_a_price_and_blames(tmp_path):
    plan = evening(tmp_path / "a", '[[source]]\nname = "well"\nec = 0.5\ndaily_limit = 2\n', minutes=5)
    (row,) = rows(plan, "source_night")
    assert row["binds"]
    assert row["price"] > 0.0
    assert row["used"] <= 2.0
    assert "short of: well, one night" in plan["give_way"][0]["words"]


def test_the_allocation_is_one_row_over_all_nights(tmp_path):
    season = "[allocation]\nstarts = 2026-04-01\nends = 2026-07-16\nvolume = 5\nused_before = 0\n"
    plan = evening(tmp_path / "a", season + "", minutes=0)
    (row,) = rows(plan, "allocation_limit")
    assert row["capacity"] == pytest.approx(5.0)
    assert row["used"] == pytest.approx(sum(volume(plan, n) for n in range(3)), abs=1e-4)
    assert row["used"] <= 5.0
    assert row["binds"]
    assert "all nights of this plan" in row["words"]
    assert rows(plan, "allocation_limit", 1) == []


def test_beyond_a_step_of_the_price_more_is_said_not_forbidden(tmp_path):
    season = "[allocation]\nstarts = 2026-04-01\nends = 2026-07-16\nvolume = 5\nused_before = 0\n"
    plan = evening(tmp_path / "a", season + "[[allocation.tier]]\nabove = 1.0\nprice = 0.01\n", minutes=0)
    (row,) = rows(plan, "allocation_tier")
    assert row["capacity"] is None
    assert row["used"] > 5.0
    assert "beyond its first step and cost more" in row["words"]


def test_a_drought_order_counts_up_from_night_to_night(tmp_path):
    plan = evening(tmp_path / "a", '[[restriction]]\nsurfaces = ["green"]\ncut = 0.3\n')
    for night, day in enumerate(("Tue 14 Jul", "Wed 15 Jul", "Thu 16 Jul")):
        (row,) = rows(plan, "drought_cut", night)
        assert row["used"] == pytest.approx(sum(volume(plan, n) for n in range(night + 1)), abs=1e-4)
        assert row["used"] <= row["capacity"]
        assert row["words"].startswith(f"drought order, green, up to {day}:")


def test_water_of_a_source_is_tonight_what_runs_and_later_what_the_plan_mixes():
    # A zone of 1 L/s takes from two sources, half and half by the plan; tonight it runs 100 min, all from the second.
    arrays = plan(
        zones=1, nights=2, flow=1.0, zone_supply=np.ones((1, 2), dtype=bool), supply_share=np.eye(2),
        source_daily=np.full(2, 9.0), source_price=np.zeros(2),
    )  # fmt: skip
    even = SimpleNamespace(run_times=lambda _: np.full((1, 2, arrays.blocks, 2), 10.0))
    run = SimpleNamespace(
        result=even, minutes_by_night=np.array([[100.0, 50.0]]), volumes=np.array([[0.0, 100.0 * 0.06]])
    )
    assert source_volume(arrays, run) == pytest.approx(np.array([[0.0, 1.5], [6.0, 1.5]]))
