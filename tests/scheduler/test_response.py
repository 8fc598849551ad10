"""Zones that did not respond: none in clean nights of a course of another soil; those with a shut valve are found."""

from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from scheduler.morning import response
from scheduler.morning.response import answers
from scheduler.state.quality import believed, examine
from scheduler.state.ran import applied_minutes
from scheduler.state.readings import sensors_of
from tests.drawn import draws, some
from tests.scheduler.probe_course import make_course

SEEDS = some((31, 32), 1)


@pytest.fixture(scope="module", params=SEEDS)
def course(request, tmp_path_factory):
    return make_course(tmp_path_factory.mktemp("clean"), request.param, days=45, faulty=0.0).site


def judged(site, log, night):
    """Zones judged silent, and asked, on a night of a log."""
    sensors = sensors_of(site)
    days = pd.date_range(night - timedelta(days=14), night)
    past = pd.DataFrame({"date": days})
    site = site.__class__(**{**vars(site), "applied": log})
    minutes, _, _ = applied_minutes(site, night.date(), past, [])
    of_night = log[log["night"] == night].set_index("zone")["minutes"].reindex(site.zones.zone).fillna(0.0)
    minutes[:, -1] = of_night.to_numpy()
    depth = minutes * (site.zones.application_rate / 60.0)[:, None]
    rain = site.weather.set_index("date")["rain"]
    dry = np.array([not rain.get(d, 0) > 0.5 and not rain.get(d + timedelta(days=1), 0) > 0.5 for d in days])
    found = answers(site, sensors, site.probes, days, depth, dry)
    asked = np.bincount(sensors.zone, weights=found.asked, minlength=len(site.zones)).astype(int)
    silent = np.bincount(sensors.zone, weights=found.silent, minlength=len(site.zones)).astype(int)
    return (asked > 0) & (silent == asked), asked > 0


def nights_of(site):
    return pd.DatetimeIndex(sorted(site.applied["night"].unique()))[12 : 43 : draws(1, 3)]


@pytest.mark.drawn
def test_thirty_clean_nights_have_no_zone_that_did_not_respond(course):
    nights = nights_of(course)
    assert len(nights) >= draws(30, 10)
    asked = 0
    for night in nights:
        silent, judged_zones = judged(course, course.applied, night)
        asked += judged_zones.sum()
        assert not silent.any(), (night, course.zones.zone[silent])
    assert asked > draws(50, 15)  # the rule was really asked


@pytest.mark.drawn
def test_a_shut_valve_is_found(course):
    """A run that is in the log of a night on which, in truth, the zone got nothing."""
    asked, found = 0, 0
    for night in nights_of(course):
        ran = set(course.applied.loc[course.applied["night"] == night, "zone"])
        idle = sorted(set(course.probe_sites["zone"]) - ran)
        typical = course.applied.groupby("zone")["minutes"].median()
        claims = pd.DataFrame({"night": night, "zone": idle, "minutes": typical.reindex(idle).fillna(20).to_numpy()})
        log = pd.concat([course.applied, claims.assign(volume=np.nan, note="")], ignore_index=True)
        silent, judged_zones = judged(course, log, night)
        claimed = np.isin(course.zones.zone, idle)
        asked += int((judged_zones & claimed).sum())
        found += int((silent & claimed).sum())
    assert asked > draws(30, 10)
    assert found / asked > 0.9, (found, asked)


@pytest.mark.drawn
def test_a_sensor_without_a_past_is_not_asked(course):
    nights = nights_of(course)
    few = course.applied[course.applied["night"] > nights[-1] - timedelta(days=3)]
    _, asked = judged(course, few, nights[-1])
    assert not asked.any()


@pytest.mark.drawn
def test_doubted_readings_do_not_accuse(course):
    flags = examine(course, course.probes).flags
    good = believed(course.probes, flags)
    assert good["moisture"].notna().mean() > 0.97


def test_what_a_probe_does_on_dry_nights_is_no_answer(monkeypatch):
    # Runs of 10 mm every other night lift it by 5 %, the last one by 1 %. Where it lies still on other nights that is
    # no answer; where it moves by 3 % by itself, a run that lifts it by 5 % is not told from that: it is not asked.
    water = np.tile([0.0, 10.0], 10)[None, :]
    sensors = type("One", (), {"zone": np.array([0]), "__len__": lambda self: 1})()
    for idle, asked in ((0.0, True), (0.03, False)):
        rise = np.where(water > 0, 0.05, idle)
        rise[0, -1] = 0.01
        monkeypatch.setattr(response, "around_nights", lambda *_, rise=rise: (np.zeros_like(rise), rise, rise))
        found = answers(None, sensors, None, pd.date_range("2026-06-01", periods=20), water, np.full(20, True))
        assert (found.asked[0], found.silent[0]) == (asked, asked)
