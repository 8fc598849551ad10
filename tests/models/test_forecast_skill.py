"""How good forecasts have been, by lead day: worked out by hand."""

import numpy as np
import pytest

from models.forecast_skill import skill_by_lead

NOT = np.nan


def skill(*rows):
    """Rows of lead, ETo, rain, chance as told, then ETo and rain that came."""
    lead, *others = np.array(rows, float).T
    return skill_by_lead(lead.astype(np.int64), *others)


def test_differences_of_each_lead_by_itself():
    # a day ahead: ETo 5 and 3 for 4 and 5 (+1, -2); 8 mm at 50 % and 6 mm at 25 %, so 4 and 1.5 mm for 1 and 0 mm.
    # Two days ahead: 2 mm too much ET, 3 mm of rain at 100 % for 6 mm. Three of the three dates' two were wet, so the
    # climate's chance is 2 / 3.
    one, two = skill((1, 5, 8, 0.5, 4, 1), (2, 6, 3, 1.0, 4, 6), (1, 3, 6, 0.25, 5, 0))
    assert (one.lead, one.days, two.lead, two.days) == (1, 2, 2, 1)
    assert (one.eto_bias, one.eto_error, two.eto_bias, two.eto_error) == (-0.5, 1.5, 2.0, 2.0)
    assert (one.rain_bias, one.rain_error, two.rain_bias, two.rain_error) == (2.25, 2.25, -3.0, 3.0)
    assert one.brier == (0.5**2 + 0.25**2) / 2 and two.brier == 0.0
    assert one.climate_brier == pytest.approx(((1 / 3) ** 2 + (2 / 3) ** 2) / 2)
    assert two.climate_brier == pytest.approx(1 / 9)


def test_a_wet_day_is_one_of_a_millimetre():
    # WMO counts a day from 0.1 or 1 mm on; ours from 1 mm
    assert [skill((1, 5, 0, p, 5, r))[0].brier for p, r in ((1.0, 1.0), (0.0, 0.9))] == [0.0, 0.0]


def test_rain_without_a_chance_is_rain_that_was_said():
    (one,) = skill((1, 5, 4, NOT, 5, 1))
    assert one.rain_bias == 3.0 and np.isnan(one.brier) and np.isnan(one.climate_brier)


def test_either_of_two_readings_is_enough_and_neither_is_none():
    assert [s.lead for s in skill((1, 5, NOT, NOT, 4, NOT), (2, NOT, 3, 1, NOT, 2), (3, NOT, 1, 1, 5, NOT))] == [1, 2]
    one, two = skill((1, 5, NOT, NOT, 4, NOT), (2, NOT, 3, 1, NOT, 2))
    assert one.eto_bias == 1.0 and np.isnan(one.rain_bias) and two.rain_bias == 1.0 and np.isnan(two.eto_bias)
    assert [s.lead for s in skill((1, 5, NOT, NOT, NOT, 2), (2, 5, 5, 0.5, 4, NOT), (4, NOT, NOT, 1, 4, 2))] == [2]
    assert skill((1, 5, 4, 1, NOT, NOT)) == ()


def test_what_was_said_of_its_own_date_is_no_forecast():
    assert [s.lead for s in skill((0, 5, 4, 1, 4, 0), (7, 5, 4, 1, 4, 0))] == [7]


def test_one_shape_is_needed():
    with pytest.raises(ValueError, match="differ in shape"):
        skill_by_lead(np.ones(2, np.int64), *(np.ones(2),) * 4, np.ones(1))
