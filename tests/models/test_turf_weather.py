"""Dollar spot by five-day means, worked out by hand from the formula as remembered."""

import numpy as np
import pytest

from models.turf_weather import dollar_spot_probability


def test_probability_by_hand():
    # logit = -11.4041 + 0.0894 RH + 0.1932 T (Smith et al. 2018, memory): RH 80 and T 22 give -0.0017, so one half;
    # RH 70 and T 20 give -1.2821, so 1 / (1 + e^1.2821) = 0.217
    found = dollar_spot_probability([80.0, 70.0], [22.0, 20.0])
    assert found.tolist() == pytest.approx([0.4996, 0.2172], abs=5e-5)


def test_it_says_nothing_outside_its_temperatures():
    assert np.isnan(dollar_spot_probability(90.0, [9.9, 10.0, 35.0, 35.1])).tolist() == [True, False, False, True]


@pytest.mark.parametrize("humidity", [[50.0, -1.0], [50.0, 100.5]])
def test_a_humidity_that_cannot_be_is_refused(humidity):
    with pytest.raises(ValueError, match="0 to 100 %"):
        dollar_spot_probability(humidity, 20.0)
    assert np.isfinite(dollar_spot_probability([0.0, 100.0], 20.0)).all()
