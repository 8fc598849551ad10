"""Run times of the last plan brought to tonight, by hand."""

import json
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from scheduler.errors import NoPlan
from scheduler.nightly.scaled import Meant, _last_plan, scaled_minutes
from tests.models.plan.plans import plan
from tests.scheduler.sample_plan import sample_plan


def test_the_last_plan_is_scaled_by_demand_and_gives_back_the_rain_nobody_expected():
    # A minute is a millimetre. ET was reckoned as 5 mm: tonight's 6 asks a fifth more, 20 only half as much again at
    # most. Of 4 mm of rain 1 was expected: 3 min less, and never below none; a zone the plan does not know rests.
    arrays = plan(zones=4, etc=np.array([[6.0], [20], [6], [6]]), effective_rain=np.array([[0.0], [0], [4], [4]]))
    meant = Meant(
        minutes=np.array([30.0, 30.0, 30.0, np.nan]), etc=np.full(4, 5.0), rain=np.full(4, 1.0),
        depletion=np.full(4, 10.0), night=date(2026, 7, 13), past=False,
    )  # fmt: skip
    demand = SimpleNamespace(observed_days=9, past=pd.DataFrame({"date": pd.to_datetime([]), "rain": []}))
    site = SimpleNamespace(left_out=())
    inputs = SimpleNamespace(plan=arrays)
    assert scaled_minutes(site, inputs, demand, meant) == pytest.approx([36.0, 45.0, 33.0, 0.0])
    unknown = SimpleNamespace(left_out=("weather",))  # without weather the plan stands as it was meant
    assert scaled_minutes(unknown, inputs, demand, meant) == pytest.approx([30.0, 30.0, 30.0, 0.0])


def test_a_plan_of_two_weeks_is_scaled_and_an_older_one_is_not(tmp_path):
    place = tmp_path / "out" / "2026-07-14"
    place.mkdir(parents=True)
    (place / "plan.json").write_text(json.dumps(sample_plan(zones=8)), encoding="utf-8")
    assert _last_plan(tmp_path, date(2026, 7, 28)).night == date(2026, 7, 14)
    with pytest.raises(NoPlan, match="last 14 days"):
        _last_plan(tmp_path, date(2026, 7, 29))
