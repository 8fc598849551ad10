"""How sure an estimate is, which days are kept, what caution means: single steps of where zones stand, by hand."""

from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from models.choices import SPREAD
from scheduler.state.caution import CAUTION
from scheduler.state.demand import evening_demand
from scheduler.state.evening import _spread
from tests.scheduler.site_folders import site

NIGHT = date(2026, 7, 14)


def test_the_newest_days_of_weather_are_kept(tmp_path):
    rows = "".join(f"{NIGHT - timedelta(days=d)},{d + 1},0\n" for d in range(5, -1, -1))
    place = site(tmp_path, weather=f"date,eto,rain\n{rows}{NIGHT + timedelta(days=1)},9,9\n")
    found = evening_demand(place, NIGHT, 2, longest=2)
    assert found.past["eto"].tolist() == [2.0, 1.0] and found.observed_days == 2
    assert found.past["date"].dt.date.tolist() == [NIGHT - timedelta(days=1), NIGHT]


def test_an_estimate_is_as_sure_as_what_it_stands_on():
    # Roots of 200 mm: a reading is off by 0.02 m3/m3, 4 mm; four depths halve it; four days of 0.3 x 5 mm add 3 mm.
    place = SimpleNamespace(zones=SimpleNamespace(fed_depth=np.full(5, 0.2)))
    probed = SimpleNamespace(zone=np.array([0, 1]), depths=np.array([1.0, 4.0]))
    origin = np.array(["probe", "probe", "balance", "field capacity", "probe"], dtype=object)
    found = _spread(
        place,
        origin,
        np.array([0, 4, 4, 4, 400]),
        probed,
        np.full((5, 3), 5.0),
        np.full(5, 40.0),
        np.array([9.0, 9.0, 4.0, 9.0, 9.0]),
    )
    reading, day = 1000 * 0.2 * SPREAD.probe_error, SPREAD.daily_error * 5.0
    np.testing.assert_allclose(
        found, [reading, np.hypot(reading / 2, 2 * day), np.hypot(4.0, 2 * day), 0.15 * 40.0, 0.4 * 40.0]
    )


@pytest.mark.parametrize(("word", "more"), [("careful", "tail"), ("careful", "catch"), ("careful", "worth")])
def test_careful_counts_dryness_for_more_and_lean_for_less(word, more):
    assert getattr(CAUTION[word], more) > getattr(CAUTION["even"], more) >= getattr(CAUTION["lean"], more)
    assert CAUTION["lean"].worth < 1.0 == CAUTION["even"].worth and CAUTION["lean"].margin == 0.0
