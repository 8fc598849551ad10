"""A short season in closed loop: a smoke test of the driver, and laws that any season keeps."""

from __future__ import annotations

import numpy as np
import pytest

from tests.physics.rules import Greedy, full_replacement, probe_trigger, replacement_over_du
from tests.physics.season import evening_season, rule_season

COURSE = {"climate": "dry", "seed": 11, "zones": 7}


def test_the_evening_waters_and_is_judged(tmp_path):
    season = evening_season(tmp_path, 9, learning=True, **COURSE)
    row = season.row()
    assert season.evening.failed == 0
    assert row["water"] > 10.0
    assert row["under 0.7"] <= row["under 0.9"] <= 9 * 7
    belief = season.belief()
    assert belief["rmse"].between(0.0, 40.0).all()
    assert season.lessons().shape[1] == 6


def test_rules_order_as_they_must(tmp_path):
    plain, more = (rule_season(tmp_path / r.__name__, 9, r, **COURSE) for r in (full_replacement, replacement_over_du))
    share = 0.4 + 0.6 * plain.world.told["du_lq"].to_numpy()
    assert more.stack("water") * share == pytest.approx(plain.stack("water"))  # the same course, water and weather
    assert more.row()["drained"] > plain.row()["drained"]
    assert more.row()["under 0.9"] <= plain.row()["under 0.9"]


def test_one_who_knows_needs_less_water(tmp_path):
    knows = rule_season(tmp_path / "knows", 9, Greedy(), **COURSE).row()
    plain = rule_season(tmp_path / "plain", 9, full_replacement, **COURSE).row()
    assert knows["water"] < plain["water"]
    assert knows["under 0.7"] == 0


def test_a_trigger_waters_only_what_is_dry(tmp_path):
    season = rule_season(tmp_path, 6, probe_trigger, **COURSE)
    water = season.stack("water")
    assert (np.count_nonzero(water, axis=0) < 6).all()
