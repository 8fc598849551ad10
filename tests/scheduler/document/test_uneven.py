"""The extra for uneven catch in the plan: alike in run times, plan.json and on the sheet."""

from datetime import datetime, timedelta

import pytest

from scheduler.evening import plan_tonight
from scheduler.sheets.night import night_sheet
from scheduler.site import load_site
from tests.scheduler.plan.test_weathers import NIGHT, site_of, tonight

LOWER_HALF = 0.4 + 0.6 * 0.7  # DU_LQ 0.7 where the folder says nothing
DAYS = [NIGHT - timedelta(days=d) for d in (4, 1)]
RAN = [f"{day},{zone},{minutes}" for day, minutes in zip(DAYS, (400, 0), strict=True) for zone in ("G1", "F1")]


def planned(folder, wet, more=""):
    site_of(folder, tonight(0.0, 0.0), wet=wet, applied=RAN)
    with (folder / "site.toml").open("a") as file:
        file.write(more)
    site = load_site(folder)
    return plan_tonight(site, NIGHT, datetime(2026, 7, 14, 18, tzinfo=site.time_zone))


def net_shares(plan):
    return {z.surface.value: z.net_depth_mm / z.depth_mm for z in plan.zones if z.depth_mm > 0}


def rainy(day):
    return 25.0 if day.day % 4 == 0 and (NIGHT - day).days > 3 else 0.0


def test_weeks_without_rain_ask_for_the_full_extra(tmp_path):
    plan = planned(tmp_path / "dry", wet=lambda day: 0.0)
    extra = {s.surface.value: s.extra for s in plan.uneven.surfaces}
    assert extra.keys() == {"green", "fairway"} and min(extra.values()) >= 0.9
    assert net_shares(plan) and all(v == pytest.approx(LOWER_HALF, abs=0.02) for v in net_shares(plan).values())
    for surface in plan.uneven.surfaces:
        assert surface.longer == pytest.approx(1.0 / LOWER_HALF - 1.0, abs=0.03)
        assert surface.water_mm > 0 and surface.met_without < surface.met <= 1.0
        assert f"{round(100 * surface.longer)} % on {surface.surface.value}s" in plan.uneven.words
    assert plan.uneven.words in night_sheet(plan)


def test_rain_that_reaches_the_dry_spots_makes_runs_shorter(tmp_path):
    plan = planned(tmp_path / "wet", wet=rainy)
    extra = {s.surface.value: s.extra for s in plan.uneven.surfaces}
    assert min(extra.values()) < 1.0
    for surface, share in net_shares(plan).items():
        assert share == pytest.approx(1.0 - extra[surface] * (1.0 - LOWER_HALF), abs=1e-4)
    assert plan.uneven.words in night_sheet(plan)


@pytest.mark.parametrize(("word", "share"), [("lower_half", LOWER_HALF), ("lower_quarter", 0.7)])
def test_a_told_part_is_kept_whatever_the_weather(tmp_path, word, share):
    told = "".join(f'[surface.{s}]\nuniformity = "{word}"\n' for s in ("green", "fairway"))
    plan = planned(tmp_path / "told", rainy, told)
    assert plan.uneven is None and "uneven catch" not in night_sheet(plan)
    assert all(v == pytest.approx(share) for v in net_shares(plan).values()) and net_shares(plan)
