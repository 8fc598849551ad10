"""A short season in closed loop: a smoke test of the driver, and laws that any season keeps."""

from __future__ import annotations

import numpy as np
import pytest

from tests.physics.rules import Greedy, full_replacement, probe_trigger, replacement_over_du
from tests.physics.season import evening_season, rule_season

COURSE = {"climate": "humid", "seed": 11, "zones": 5}
NIGHTS = 8
pytestmark = pytest.mark.sweep


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return rule_season(tmp_path_factory.mktemp("plain"), NIGHTS, full_replacement, **COURSE)


def test_the_evening_waters_and_is_judged(tmp_path):
    season = evening_season(tmp_path, NIGHTS, learning=True, **COURSE)
    row = season.row()
    assert season.evening.failed == 0
    assert row["water"] > 1.0
    assert row["under 0.7"] <= row["under 0.9"] <= NIGHTS * 5
    assert season.belief()["rmse"].between(0.0, 40.0).all()
    assert season.lessons().shape[1] == 6


def test_rules_order_as_they_must(plain, tmp_path):
    more = rule_season(tmp_path, NIGHTS, replacement_over_du, **COURSE)
    share = 0.4 + 0.6 * plain.world.told["du_lq"].to_numpy()
    assert more.stack("water") * share == pytest.approx(plain.stack("water"))  # the same course, water and weather
    assert more.row()["drained"] > plain.row()["drained"]
    assert more.row()["under 0.9"] <= plain.row()["under 0.9"]


def test_one_who_knows_needs_less_water(plain, tmp_path):
    knows = rule_season(tmp_path, NIGHTS, Greedy(), **COURSE).row()
    assert knows["water"] < plain.row()["water"]
    assert knows["under 0.7"] == 0


def test_a_trigger_waters_only_what_is_dry(tmp_path):
    water = rule_season(tmp_path, NIGHTS, probe_trigger, **COURSE).stack("water")
    assert (np.count_nonzero(water, axis=0) < NIGHTS).all()
