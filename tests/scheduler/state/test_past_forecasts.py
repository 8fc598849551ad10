"""Past forecasts against what came: the newest of each evening, of dates observed by now."""

from datetime import date, timedelta

import pandas as pd
import pytest

from scheduler.state import skill
from scheduler.state.past_forecasts import past_forecasts
from tests.scheduler.site_folders import site

NIGHT = date(2026, 7, 14)
HEAD = "issued,date,member,eto,rain,rain_probability\n"


def day(ahead):
    return NIGHT + timedelta(days=ahead)


def told(issued, *rows, clock="16:00"):
    """Rows of a forecast issued so many days from tonight: (date from tonight, ETo, rain, probability)."""
    return "".join(f"{day(issued)}T{clock},{day(d)},,{eto},{rain},{p}\n" for d, eto, rain, p in rows)


def place(folder, forecast, last=0):
    """A site whose ETo on each date is its number of days from tonight plus 20, and its rain half of that."""
    weather = "date,eto,rain\n" + "".join(f"{day(d)},{20 + d},{(20 + d) / 2}\n" for d in range(-15, last + 1))
    return site(folder, weather=weather, forecast=HEAD + forecast)


def test_of_several_forecasts_of_an_evening_the_newest_counts(tmp_path):
    early = told(-5, (-4, 3, 4, 0.5), (-3, 3, 4, 0.5), clock="06:00")
    late = told(-5, (-5, 9, 9, 1), (-4, 4, 5, ""), (-3, 5, 0, 0.2), (-2, 9, 9, 1), clock="18:00")
    found = past_forecasts(place(tmp_path, early + late), NIGHT, 2, 30)
    assert found.evening.astype("datetime64[D]").tolist() == [day(-5)]
    assert found.told_eto.tolist() == [[4.0, 5.0]]  # of the dates after the evening, as many as asked for
    assert found.told_amount.tolist() == [[5.0, 0.0]]
    assert found.told_chance.tolist() == [[1.0, 0.2]]  # without a probability it was certain
    assert found.eto.tolist() == [[16.0, 17.0]] and found.rain.tolist() == [[8.0, 8.5]]


@pytest.mark.parametrize(("issued", "known"), [(-2, True), (-1, False), (-12, True), (-13, False)])
def test_evenings_count_whose_dates_have_all_come_and_no_older_ones(tmp_path, issued, known):
    # Two dates each, the last ten evenings; weather of later days than tonight is not known tonight.
    rows = told(issued, (issued + 1, 5, 1, 0.5), (issued + 2, 5, 1, 0.5))
    found = past_forecasts(place(tmp_path, rows, last=3), NIGHT, 2, 10)
    assert found.evening.size == known


def test_a_forecast_with_a_gap_says_nothing(tmp_path):
    gap = told(-5, (-4, 5, 1, 0.5), (-3, "", 1, 0.5)) + told(-4, (-3, 5, 1, 0.5))
    found = past_forecasts(place(tmp_path, gap), NIGHT, 2, 30)
    assert found.evening.size == 0
    dry = past_forecasts(place(tmp_path / "b", told(-3, (-2, 5, "", ""), (-1, 5, 1, 0))), NIGHT, 2, 30)
    assert dry.told_amount.tolist() == [[0.0, 1.0]]  # where no rain was told, none was


def test_every_forecast_is_laid_beside_what_was_observed_by_then(tmp_path):
    # Members are averaged; a date of the day it was issued on, or not observed yet, is left out.
    rows = told(-3, (-3, 9, 9, 1), (-2, 4, 2, 0.5), (2, 5, 1, 1)) + told(-3, (-2, 6, 0, 0.5)).replace(",,", ",b,")
    found = skill.past_forecasts(place(tmp_path, rows.replace(f"{day(-2)},,4", f"{day(-2)},a,4")))
    assert found[["lead", "eto", "rain", "rain_probability", "eto_came", "rain_came"]].to_numpy().tolist() == [
        [1, 5.0, 1.0, 0.5, 18.0, 9.0]
    ]


def test_only_what_came_until_a_date_and_no_forecast_too_old(tmp_path):
    rows = told(-6, (-5, 5, 1, 1), (-4, 5, 1, 1))
    made = place(tmp_path, rows)
    assert skill.past_forecasts(made, pd.Timestamp(day(-5)))["lead"].tolist() == [1]
    assert skill.past_forecasts(made, pd.Timestamp(day(-6))).empty
    assert skill.past_forecasts(made)["lead"].tolist() == [1, 2]
    assert [s.lead for s in skill.forecast_skill(made)] == [1, 2]


@pytest.mark.parametrize(("issued", "counts"), [("T00:00", True), ("T00:01", True), (None, False)])
def test_forecasts_of_the_last_four_hundred_days_count(tmp_path, issued, counts):
    first = day(-400)
    weather = f"date,eto,rain\n{first + timedelta(days=1)},5,0\n{NIGHT},5,0\n"
    when = f"{first}{issued}" if issued else f"{first - timedelta(days=1)}T23:59"
    rows = f"{HEAD}{when},{first + timedelta(days=1)},,5,0,1\n"
    assert len(skill.past_forecasts(site(tmp_path, weather=weather, forecast=rows))) == counts
