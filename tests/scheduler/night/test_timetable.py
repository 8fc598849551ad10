"""Tonight as it will run: whole steps that the timetable really gives, water by supply, nights that are too full."""

from datetime import datetime

import numpy as np
import pytest

from models.plan.solve import PlanSolver, SolverFailed
from scheduler.errors import NoPlan
from scheduler.night.job import dry_tomorrow
from scheduler.planning import planned_evening
from tests.models.plan.plans import plan
from tests.scheduler import hand_evening as h

TIGHT = "[surface.green]\nmoisture_floor = 0.7\n[surface.fairway]\nmoisture_floor = 0.7\n"
ZONES = ("G1 green", "G2 green", "F1 fairway", "F2 fairway")
NAMES = [z.split()[0] for z in ZONES]


def evening(folder, toml="", capacity=20.0, minutes=8.0, closes="05:00", step=60, **files):
    place = h.hand_site(folder, *ZONES, toml=TIGHT + toml, capacity=capacity, applied=h.log(minutes, *NAMES), **files)
    file = place.folder / "site.toml"
    file.write_text(file.read_text().replace('"05:00"', f'"{closes}"').replace('"box"', f'"box"\nresolution = {step}'))
    place = h.again(place)
    return planned_evening(place, h.NIGHT, datetime(2026, 7, 14, 18, tzinfo=place.time_zone))


def test_dry_tomorrow_is_told_by_et_less_rain():
    # The dry limit is 20 mm and a date takes 5: from 15 it is just reached, from 15.1 passed, and 1 mm of rain helps.
    given = plan(zones=4, depletion=[15.0, 15.1, 15.1, 25.0], effective_rain=np.array([[0.0], [0], [1], [0]]))
    assert dry_tomorrow(given).tolist() == [False, True, False, True]


def test_run_times_are_whole_steps_and_what_the_timetable_gives(tmp_path):
    found = evening(tmp_path / "a", step=120)
    run, table = found.run, found.run.timetable
    assert run.minutes.any()
    given = np.bincount(table.zone, weights=table.end - table.start, minlength=4)
    np.testing.assert_allclose(given, run.minutes)
    np.testing.assert_allclose(run.minutes % 2.0, 0.0, atol=1e-9)
    np.testing.assert_array_equal(run.minutes_by_night[:, 0], run.minutes)
    assert np.all((table.start >= 21 * 60) & (table.end <= 29 * 60))
    assert run.solves == 1
    assert not run.left_out.any()


def test_a_run_never_fills_a_root_zone_beyond_field_capacity(tmp_path):
    found = evening(tmp_path / "a")
    plan_ = found.inputs.plan
    assert np.all(found.run.minutes * plan_.net_rate <= plan_.depletion + 1e-9)


def test_water_by_supply_is_all_the_water(tmp_path):
    sources = "".join(
        f'[[source]]\nname = "{n}"\nec = 1\nprice = {p}\ndaily_limit = {d}\n'
        for n, p, d in (("well", 0.1, 20), ("lake", 0.4, 500))
    )
    found = evening(tmp_path / "a", sources)
    volumes, minutes = found.run.volumes, found.run.minutes
    np.testing.assert_allclose(volumes.sum(axis=1), minutes * 3.3333 * 0.06, rtol=1e-9)
    assert volumes[:, 0].sum() <= 20.0
    assert volumes[:, 0].sum() > 15.0  # the cheap one first
    assert volumes[:, 1].sum() > 0.0


def test_a_night_too_full_leaves_the_greens_their_water(tmp_path):
    # One zone at a time, two hours: 120 min for four zones that want some 60 and more each.
    found = evening(tmp_path / "a", capacity=3.5, closes="23:00")
    minutes = found.run.minutes
    assert minutes.sum() <= 120.0
    assert minutes.sum() > 110.0
    assert minutes[:2].min() > minutes[2:].max()


def test_without_water_to_give_or_need_nothing_runs(tmp_path):
    found = evening(tmp_path / "a", minutes=40)
    assert not found.run.minutes.any()
    assert found.run.timetable is None
    assert found.run.minutes_by_night.shape == (4, 3)
    assert not found.run.volumes.any()


def test_a_solver_that_fails_is_no_plan(tmp_path, monkeypatch):
    def fails(self, *_, **__):
        raise SolverFailed("stopped without an answer")

    monkeypatch.setattr(PlanSolver, "solve", fails)
    with pytest.raises(NoPlan, match="stopped without an answer"):
        evening(tmp_path / "a")
