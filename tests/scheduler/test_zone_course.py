"""The page of zones: readings, past estimates, water and rain by day behind tonight, the plan's own path ahead."""

from datetime import date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from scheduler.evening import plan_tonight
from scheduler.sheets.zone_course import BACK, zone_courses
from scheduler.sheets.zones import zones_page
from scheduler.site import load_site
from tests.scheduler.sample_plan import sample_document
from tests.scheduler.test_sheets_night import Page
from tests.sites import make_site

NIGHT = date(2026, 7, 14)


def site_of(plan, **frames):
    """A site of the plan's zones with field capacity 0.20, roots of 0.25 m, 12 mm/h."""
    count = len(plan.zones)
    zones = SimpleNamespace(
        zone=np.array([z.id for z in plan.zones], dtype=object), field_capacity=np.full(count, 0.20),
        fed_depth=np.full(count, 0.25), application_rate=np.full(count, 12.0), __len__=lambda: count,
    )  # fmt: skip
    empty = {
        "probes": pd.DataFrame(columns=["time", "probe", "moisture"]),
        "probe_sites": pd.DataFrame(columns=["probe", "zone", "from", "until"]),
        "applied": pd.DataFrame(columns=["night", "zone", "minutes"]),
        "weather": pd.DataFrame({"date": pd.to_datetime([]), "rain": []}),
        "samples": pd.DataFrame({"date": pd.to_datetime([]), "zone": [], "ece": []}),
        "learned": (),
    }

    class Zones(SimpleNamespace):
        def __len__(self):
            return count

    return SimpleNamespace(zones=Zones(**vars(zones)), **(empty | frames))


def test_days_behind_are_what_was_read_ran_and_fell():
    plan = sample_document(zones=3)
    one, other = plan.zones[0].id, plan.zones[1].id
    day = pd.Timestamp(NIGHT - timedelta(days=3))
    probes = pd.DataFrame({"time": [day + timedelta(hours=h) for h in (6, 12, 18)], "probe": "P1",
                           "moisture": [0.15, 0.16, 0.40]})  # fmt: skip
    places = pd.DataFrame({"probe": ["P1", "P1"], "zone": [other, one], "from": [pd.NaT, day],
                           "until": [day - timedelta(days=1), pd.NaT]})  # fmt: skip
    applied = pd.DataFrame({"night": [day, day], "zone": [one, one], "minutes": [10.0, 5.0]})
    weather = pd.DataFrame({"date": [day], "rain": [4.0]})
    history = pd.DataFrame({"night": [day], "zone": [one], "depletion": [7.0], "spread": [1.0]})
    site = site_of(plan, probes=probes, probe_sites=places, applied=applied, weather=weather)
    first, second, _ = zone_courses(site, plan, history)
    at = BACK - 3
    # the day's median 0.16 lies 0.04 below field capacity: 0.04 x 250 mm = 10 mm; a spike does not move it
    assert first.read[at] == pytest.approx(10.0) and np.isfinite(first.read).sum() == 1
    assert (first.estimate[at], first.spread[at], first.rain[at]) == (7.0, 1.0, 4.0)
    assert first.water[at] == pytest.approx(15.0 * 12.0 / 60.0)
    assert not np.isfinite(second.read).any()  # the probe had been moved


def test_days_ahead_are_the_plans_own_path():
    plan = sample_document(zones=3)
    course = zone_courses(site_of(plan), plan, None)[2]
    zone = plan.zones[2]
    assert course.dates[BACK] == NIGHT and course.planned[BACK] == zone.before.depletion_mm
    assert course.planned[BACK + 1 :].tolist() == [p.depletion_mm for p in zone.path]
    assert course.water[BACK:-1].tolist() == [p.depth_mm for p in zone.path]
    assert not np.isfinite(course.planned[:BACK]).any() and not np.isfinite(course.estimate[BACK + 1 :]).any()


def test_every_zone_has_its_fold(tmp_path):
    site = load_site(make_site(tmp_path / "s", zones=8, nights=2, season_days=8, probe_days=3))
    plan = plan_tonight(site, NIGHT, datetime(2026, 7, 14, 18, tzinfo=site.time_zone))
    page = Page(zones_page(site, plan))
    assert page.tags.count("details") == page.tags.count("svg") == 8
    for zone in plan.zones:
        assert zone.reason in page.words


def test_salinity_is_drawn_where_earlier_evenings_or_a_laboratory_know_it():
    plan = sample_document(zones=3)
    one = plan.zones[0].model_copy(
        update={
            "before": plan.zones[0].before.model_copy(update={"ece_dsm": 4.2}),
            "after": plan.zones[0].after.model_copy(update={"ece_dsm": 3.1}),
        }
    )
    plan = plan.model_copy(update={"zones": (one, *plan.zones[1:])})
    day = pd.Timestamp(NIGHT - timedelta(days=2))
    history = pd.DataFrame({"night": [day], "zone": [one.id], "depletion": [7.0], "spread": [1.0], "ece": [4.4]})
    samples = pd.DataFrame({"date": [day, day], "zone": [one.id] * 2, "ece": [5.0, 6.0]})
    (course, *_) = zone_courses(site_of(plan, samples=samples), plan, history)
    assert course.ece[BACK - 2 : BACK + 2].tolist()[::2] == [4.4, 4.2] and course.ece[BACK + 1] == 3.1
    assert course.sampled[BACK - 2] == 5.5
    page = zones_page(site_of(plan, samples=samples), plan, history)
    assert "4.2, then 3.1 dS/m" in page and "estimates of 1 earlier evenings" in page
    assert "then 3.1" not in zones_page(site_of(plan), plan)


def test_what_was_learned_stands_beside_what_was_told():
    plan = sample_document(zones=3, units="metric")
    learned = ((plan.zones[0].id, "microclimate", 1.0, 1.12), (plan.zones[0].id, "application_rate", 13.1, 12.3))
    page = zones_page(site_of(plan, learned=learned), plan)
    assert (
        "accepted: wants 1.12 times its turf's water, told as 1.00; gets 12.3 mm/h, told as 13.1 mm/h."
        in page.replace("&#39;", "'")
    )
