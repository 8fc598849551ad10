"""Weathers from chances and past errors."""

import numpy as np
import pytest

from models.forecast_members import courses_of_record, reduced, usual_courses, weathers

RNG = np.random.default_rng


def test_a_past_forecast_with_its_own_error_gives_back_what_came():
    told = (np.full((1, 4), 5.0), np.array([[6.0, 6.0, 10.0, 3.0]]), np.array([[0.5, 0.2, 0.8, 0.4]]))
    eto, rain = np.array([[4.0, 5.5, 3.0, 5.0]]), np.array([[12.0, 0.0, 2.0, 0.0]])
    courses = courses_of_record(*told, eto, rain, RNG(0))
    again = weathers(courses, told[0][0], told[1][0], told[2][0])
    np.testing.assert_allclose(again[0], eto)
    np.testing.assert_allclose(again[1], rain, atol=1e-9)


def test_it_rains_as_often_and_as_much_as_told():
    courses = usual_courses(400, 3, RNG(1))
    amount, chance = np.array([8.0, 15.0, 2.0]), np.array([0.25, 0.6, 1.0])
    eto, rain = weathers(courses, np.full(3, 5.0), amount, chance)
    assert (rain > 0).mean(axis=0) == pytest.approx(chance, abs=0.005)
    assert rain.mean(axis=0) == pytest.approx(amount * chance, rel=0.02)  # the mean of an exponential
    assert eto.mean(axis=0) == pytest.approx([5.0] * 3, rel=0.05)


def test_wet_dates_are_dull_and_spells_persist():
    courses = usual_courses(2000, 5, RNG(2))
    assert np.corrcoef(courses.place[:, 2], courses.eto[:, 2])[0, 1] < -0.25
    assert np.corrcoef(courses.place[:, 2], courses.place[:, 3])[0, 1] > 0.15
    assert (courses.eto.std(axis=0) == np.sort(courses.eto.std(axis=0))).all()  # later dates are less sure


def test_a_biased_record_is_corrected():
    # forecasts said 60 % and it never rained: nor does it in the members
    shape = (30, 3)
    told = (np.full(shape, 5.0), np.full(shape, 8.0), np.full(shape, 0.6))
    courses = courses_of_record(*told, np.full(shape, 6.0), np.zeros(shape), RNG(3))
    eto, rain = weathers(courses, np.full(3, 5.0), np.full(3, 8.0), np.full(3, 0.6))
    assert not rain.any()
    np.testing.assert_allclose(eto, 6.0)


def test_no_chance_no_rain():
    _, rain = weathers(usual_courses(50, 4, RNG(4)), np.full(4, 5.0), np.full(4, 10.0), np.zeros(4))
    assert not rain.any()


def test_few_stand_for_many_with_their_weights():
    # 6 dry, 3 with a storm, 1 with drizzle: two members are a dry one of weight .7 and a storm of .3
    eto = np.full((10, 3), 5.0)
    rain = np.zeros((10, 3))
    rain[6:9, 1] = 20.0
    rain[9, 0] = 1.0
    kept, weight = reduced(eto, rain, 2)
    assert weight == pytest.approx([0.7, 0.3])
    assert not rain[kept[0]].any() and rain[kept[1], 1] == 20.0


@pytest.mark.parametrize("count", [1, 4, 30])
def test_weights_sum_to_one(count):
    rng = RNG(count)
    kept, weight = reduced(rng.uniform(2, 8, (30, 7)), rng.gamma(0.5, 8.0, (30, 7)), count)
    assert kept.size == weight.size <= count
    assert weight.sum() == pytest.approx(1.0)
    assert (np.diff(kept) > 0).all()


def test_shapes_must_agree():
    with pytest.raises(ValueError, match="one shape"):
        courses_of_record(*(np.ones((2, 3)),) * 4, np.ones((2, 4)), RNG(0))
