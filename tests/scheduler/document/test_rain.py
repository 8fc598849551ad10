"""What rain that may come is worth tonight: held back against a dry outlook, and said."""

from datetime import datetime, timedelta

import pytest

from scheduler.evening import plan_tonight
from scheduler.sheets.night import night_sheet
from tests.scheduler.plan.test_weathers import NIGHT, line, site_of

FULL = NIGHT - timedelta(days=2)  # the evening both zones were filled; since then the log says nothing ran
RAN = [f"{FULL},G1,400", f"{FULL},F1,400", *(f"{NIGHT - timedelta(days=1)},{zone},0" for zone in ("G1", "F1"))]


def plan_of(folder, rain, chance):
    days = [NIGHT + timedelta(days=n) for n in range(1, 5)]
    rows = [line(NIGHT, day, "", 5.0, rain if n == 1 else 0.0, chance) for n, day in enumerate(days)]
    site = site_of(folder, rows, applied=RAN)
    return plan_tonight(site, NIGHT, datetime(2026, 7, 14, 18, tzinfo=site.time_zone))


def test_likely_rain_holds_water_back_and_the_sheet_says_so(tmp_path):
    wet, dry = plan_of(tmp_path / "wet", 30.0, 0.6), plan_of(tmp_path / "dry", 0.0, 0.0)
    assert dry.rain is None and "held back" not in night_sheet(dry)
    part = wet.rain
    assert part is not None
    assert (part.date.isoformat(), part.chance, part.amount_mm) == ("2026-07-16", 0.6, 30.0)
    assert sum(z.depth_mm for z in wet.zones) < sum(z.depth_mm for z in dry.zones)
    assert part.words.startswith(f"{part.held_back_mm:.1f} mm held back in ")
    assert "for Thursday's rain (60 %)" in part.words
    assert part.words in night_sheet(wet).replace("&#39;", "'")


def test_what_is_held_back_is_what_a_dry_outlook_would_have_run(tmp_path):
    # held back [mm of gross water] x zones is at most what the same site runs with no rain in sight, less what it runs
    wet, dry = plan_of(tmp_path / "wet", 30.0, 0.6), plan_of(tmp_path / "dry", 0.0, 0.0)
    less = [b.volume_m3 - a.volume_m3 for a, b in zip(wet.zones, dry.zones, strict=True)]
    area = {"G1": 500.0, "F1": 2000.0}
    held = [1000.0 * v / area[z.id] for v, z in zip(less, wet.zones, strict=True) if v > 0]
    assert len(held) == wet.rain.zones_held_back
    assert wet.rain.held_back_mm == pytest.approx(max(held), rel=0.35)  # by itself, before steps of the controller


def test_rain_that_is_unlikely_is_not_spoken_of(tmp_path):
    assert plan_of(tmp_path / "s", 30.0, 0.1).rain is None
