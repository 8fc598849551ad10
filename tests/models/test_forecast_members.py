"""Weathers from chances and past errors."""

import numpy as np
import pytest

from models.forecast_members import ErrorCourses, courses_of_record, reduced, usual_courses, weathers

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


def test_place_and_error_of_one_forecast_by_hand():
    # 10 mm at 60 %: 5 mm lie at 1 - 0.6 exp(-0.5) = 0.636; ETo 6 for 5 is ln 1.2. A dry date lies below 1 - 0.6
    told = [np.full((1, 2), v) for v in (5.0, 10.0, 0.6)]
    found = courses_of_record(*told, np.array([[6.0, 5.0]]), np.array([[5.0, 0.2]]), RNG(0))
    assert found.place[0, 0] == pytest.approx(1 - 0.6 * np.exp(-0.5)) and found.place[0, 1] < 0.4
    np.testing.assert_allclose(found.eto, [[np.log(1.2), 0.0]])


def test_what_was_called_certain_is_still_told_apart():
    # rain that was certain and did not come, and rain of no chance that came, both keep a place inside 0 to 1
    one = np.ones((1, 2))
    found = courses_of_record(one, 8.0 * one, np.array([[1.0, 0.0]]), one, np.array([[0.0, 8.0]]), RNG(1))
    assert 0.0 < found.place[0, 0] < 0.02 and found.place[0, 1] == pytest.approx(1 - 0.02 * np.exp(-1.0))
    # no amount told, some came; ET of next to nothing: neither divides by nothing
    odd = courses_of_record(0.0 * one, 0.0 * one, 0.5 * one, np.array([[0.0, 1.0]]), 0.4 * one, RNG(1))
    np.testing.assert_allclose(odd.place, 1 - 0.5 * np.exp(-2.0))
    np.testing.assert_allclose(odd.eto, [[0.0, np.log(10.0)]])


def test_dry_places_are_spread_evenly_below_the_chance_of_none():
    shape = (4000, 1)
    told = [np.full(shape, v) for v in (5.0, 8.0, 0.25)]
    place = courses_of_record(*told, np.full(shape, 5.0), np.zeros(shape), RNG(2)).place
    assert place.max() < 0.75 and place.mean() == pytest.approx(0.375, abs=0.02)


def test_usual_errors_begin_at_a_twelfth_and_stop_at_a_fifth():
    # 0.08 of ln ETo tomorrow, 0.02 more a date, 0.22 at most; the mean of the members is the forecast
    courses = usual_courses(4000, 10, RNG(5))
    spread = np.minimum(0.08 + 0.02 * np.arange(10), 0.22)
    np.testing.assert_allclose(courses.eto.std(axis=0), spread, rtol=0.06)
    np.testing.assert_allclose(courses.eto.mean(axis=0), 0.0, atol=1e-12)
    np.testing.assert_allclose(np.sort(courses.place, axis=0), np.tile((np.arange(4000)[:, None] + 0.5) / 4000, 10))


def test_spells_persist_as_chosen():
    # what is drawn keeps its unit spread from date to date, and correlates by as much as is chosen
    from models.choices import WEATHER

    courses = usual_courses(6000, 6, RNG(6))
    unit = courses.eto / np.minimum(0.08 + 0.02 * np.arange(6), 0.22)
    np.testing.assert_allclose(unit.std(axis=0), 1.0, rtol=0.05)
    keeps = WEATHER.wet_is_dull**2 * WEATHER.rain_keeps + (1 - WEATHER.wet_is_dull**2) * WEATHER.eto_keeps
    for n in (0, 2):
        assert np.corrcoef(unit[:, n], unit[:, n + 1])[0, 1] == pytest.approx(keeps, abs=0.04)
    ranks = np.corrcoef(courses.place[:, 4], courses.place[:, 5])[0, 1]
    assert ranks == pytest.approx(6 / np.pi * np.arcsin(WEATHER.rain_keeps / 2), abs=0.04)  # Pearson's, of a normal


def test_a_place_gives_the_rain_it_stands_for():
    # chance 0.5, 10 mm where it falls: place 0.75 is the median of the wet half, 10 ln 2; place 0.5 is still dry
    courses = ErrorCourses(np.log([[1.1, 1.0, 1.0]]), np.array([[0.75, 0.5, 1.0]]))
    eto, rain = weathers(courses, np.full(3, 4.0), np.full(3, 10.0), np.full(3, 0.5))
    assert eto[0].tolist() == pytest.approx([4.4, 4.0, 4.0])
    assert rain[0].tolist() == pytest.approx([10 * np.log(2), 0.0, 10 * np.log(1e6)])  # the heaviest is held
    _, none = weathers(courses, np.full(3, 4.0), np.zeros(3), np.full(3, 1.0))
    assert not none.any()
    _, sure = weathers(courses, np.full(3, 4.0), np.full(3, 10.0), np.full(3, 1.7))  # a chance above one is one
    assert sure[0, 1] == pytest.approx(10 * np.log(2))


def test_distance_is_how_far_apart_the_soil_is_by_date():
    # the same water on the first or on the last of three dates: 9 mm apart on two of them. A cloudburst counts as what
    # soil can hold, so of two of 500 and 900 mm one stands for both
    eto, rain = np.full((3, 3), 5.0), np.zeros((3, 3))
    rain[1, 0], rain[2, 2] = 9.0, 9.0
    kept, weight = reduced(eto, rain, 2)
    assert kept.tolist() == [0, 1] or kept.tolist() == [1, 2]
    assert weight == pytest.approx([2 / 3, 1 / 3] if kept[0] == 0 else [1 / 3, 2 / 3])
    kept, weight = reduced(np.full((3, 1), 5.0), np.array([[0.0], [500.0], [900.0]]), 3)
    assert weight.tolist() == pytest.approx([1 / 3, 2 / 3])


def test_each_next_member_is_what_those_before_it_stand_for_worst():
    # ET of one date: 0 four times, 10 three times, 5.9, and 4 twice: 4 stands for all best, then 10, then 0
    eto = np.array([[0.0]] * 4 + [[10.0]] * 3 + [[5.9]] + [[4.0]] * 2)
    for count, values, weight in (
        (1, [4.0], [1.0]),
        (2, [10.0, 4.0], [0.3, 0.7]),
        (3, [0.0, 10.0, 4.0], [0.4, 0.3, 0.3]),
    ):
        kept, share = reduced(eto, np.zeros((10, 1)), count)
        assert eto[kept, 0].tolist() == values and share.tolist() == pytest.approx(weight)


def test_dry_weather_is_told_from_dull_weather():
    kept, _ = reduced(np.array([[2.0] * 4, [8.0] * 4, [8.0] * 4]), np.zeros((3, 4)), 1)
    assert kept[0] in (1, 2)
