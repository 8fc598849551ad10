"""The made course: what it tells is what it does, forecasts are honest, and the evening runs on it."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from scheduler.evening import plan_tonight
from scheduler.site import load_site
from tests.physics.climate import DRY, HUMID, LEADS, draw_weather
from tests.physics.rules import PLAIN
from tests.physics.soils import FAMILIES
from tests.physics.world import World


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    made = World("humid", seed=11, zones=7, nights=4)
    site = made.lay_out(tmp_path_factory.mktemp("course"))
    made.lead()
    return made, site


def test_families_share_no_profile_of_a_surface_and_no_seed():
    tuning, held = FAMILIES["tuning"], FAMILIES["held out"]
    assert not set(tuning.seeds) & set(held.seeds)
    for surface, profiles in tuning.profiles.items():
        assert not set(profiles) & set(held.profiles[surface])


def test_forecasts_are_honest_and_get_better():
    weather = draw_weather(HUMID, 100, 4000, np.random.default_rng(3))
    wet = weather.rain > 0.0
    errors = []
    for lead in range(LEADS):
        chance = weather.told_chance[:, lead]
        for low, high in ((0.0, 0.2), (0.2, 0.4), (0.4, 0.7), (0.7, 1.01)):
            here = (chance >= low) & (chance < high)
            if here.sum() > 200:
                assert wet[here].mean() == pytest.approx(chance[here].mean(), abs=0.06)
        errors.append(np.mean((chance - wet) ** 2))
        expected = chance * weather.told_rain[:, lead]
        assert expected.mean() == pytest.approx(weather.rain.mean(), rel=0.1)
    assert (np.diff(errors) > -0.002).all()
    assert errors[0] < 0.6 * errors[-1]


def test_climates_mean_what_their_tables_say():
    for climate in (DRY, HUMID):
        weather = draw_weather(climate, 1, 365 * 20, np.random.default_rng(5))
        assert weather.eto.sum() / 20 == pytest.approx(np.mean(climate.eto) * 365, rel=0.08)
        assert (weather.rain > 0).mean() == pytest.approx(np.mean(climate.wet_share), abs=0.02)


@pytest.mark.sweep
def test_an_evening_on_it_runs_and_steps(world):
    made, site = world
    before = made.columns.all_water()
    document = plan_tonight(made.now(site), made.night, made.made(site))
    minutes, bins = made.from_plan(document)
    planned = [sum(c.minutes for c in z.cycles) for z in document.zones]
    assert minutes == pytest.approx(planned)
    assert bins.max() <= 15.0 + 1e-9
    night = made.night
    day = made.step((minutes, bins))
    assert made.night == date.fromordinal(night.toordinal() + 1)
    assert day.water == pytest.approx(minutes * made.rate)
    assert ((day.met >= 0.0) & (day.met <= 1.0)).all()
    assert (made.columns.all_water() < before + 200.0).all()


@pytest.mark.sweep
def test_run_times_alone_are_laid_out_whole(world):
    made, _ = world
    minutes, bins = made.from_minutes(np.array([0.0, 5.0, 30.0, 300.0, 12.0, 13.0, 1.0]))
    assert bins.sum(axis=1) == pytest.approx(minutes)


@pytest.mark.sweep
def test_the_folder_it_writes_is_read_back(world, tmp_path):
    made, _ = world
    made.write(tmp_path)
    read = load_site(tmp_path)
    assert len(read.zones) == 7
    assert len(read.probes) > 50
    assert read.applied["night"].nunique() >= 14


@pytest.mark.sweep
def test_the_same_seed_is_the_same_course():
    one, two = (World("dry", seed=12, zones=7, nights=2) for _ in range(2))
    assert one.rate == pytest.approx(two.rate)
    assert one.told.equals(two.told)
    assert one.weather.rain == pytest.approx(two.weather.rain)


@pytest.mark.sweep
def test_spots_read_the_same_where_only_they_are_run(tmp_path):
    seen = []
    for spots_only in (False, True):
        world = World("humid", 11, "tuning", 6, 4, spots_only=spots_only)
        world.lay_out(tmp_path / f"{spots_only}")
        for _ in range(3):
            world.step(PLAIN["full ET"](world))
        seen.append(world.series("probes"))
    pd.testing.assert_frame_equal(*seen)


def test_the_same_seed_is_the_same_weather():
    one, two, other = (draw_weather(HUMID, 100, 30, np.random.default_rng(seed)) for seed in (12, 12, 13))
    assert one.rain == pytest.approx(two.rain) and one.eto == pytest.approx(two.eto)
    assert one.rain != pytest.approx(other.rain)
