"""Weather around an evening as people read it: observed, else as told by what was issued by then."""

from datetime import date, timedelta

import pandas as pd
import pytest

from scheduler.state.outlook import BEFORE, outlook
from tests.scheduler.site_folders import site

NIGHT = date(2026, 7, 14)
HEAD = "issued,date,member,tmin,tmax,rain\n"


def day(days: int) -> pd.Timestamp:
    return pd.Timestamp(NIGHT) + timedelta(days=days)


def told(issued: str, tmax: float, *days: int, member: str = "") -> str:
    return "".join(f"{issued},{day(d):%Y-%m-%d},{member},10,{tmax},0\n" for d in days)


def around(folder, forecast: str, nights: int = 2) -> pd.DataFrame:
    weather = "date,tmin,tmax,rain\n" + "".join(f"{day(-d):%Y-%m-%d},10,20,1\n" for d in range(8, -1, -1))
    return outlook(site(folder, weather=weather, forecast=HEAD + forecast), NIGHT, nights)


def test_what_is_issued_after_the_evening_is_not_told(tmp_path):
    late, tomorrow = told("2026-07-14T23:30", 25, 1, 2), told("2026-07-15T00:00", 35, 1, 2)
    found = around(tmp_path, late + tomorrow)
    assert found.loc[day(1) : day(2), "tmax"].tolist() == [25.0, 25.0]


def test_days_from_four_before_to_the_last_night_observed_before_told(tmp_path):
    found = around(tmp_path, told("2026-07-13", 30, 0, 1, 2, 3))
    assert found.index.tolist() == [day(d) for d in range(-BEFORE, 3)]
    assert found["tmax"].tolist() == [20.0] * 5 + [30.0] * 2  # the evening's own date was observed
    assert found["observed"].tolist() == [True] * 5 + [False] * 2


def test_members_are_averaged_and_an_older_issue_says_nothing(tmp_path):
    older, members = told("2026-07-13", 40, 1, 2), told("2026-07-14", 24, 1, member="a")
    found = around(tmp_path, older + members + told("2026-07-14", 28, 1, member="b"))
    assert found.loc[day(1), "tmax"] == pytest.approx(26.0)
    assert day(2) not in found.index


def test_what_a_day_lacks_is_as_told_and_humidity_is_the_mean_of_its_extremes(tmp_path):
    weather = f"date,tmin,tmax,rhmin,rhmax,rain\n{day(-1):%Y-%m-%d},10,20,40,90,1\n{day(0):%Y-%m-%d},,,,,3\n"
    forecast = f"issued,date,member,tmin,tmax,rain,rain_probability\n2026-07-14,{day(0):%Y-%m-%d},,12,24,9,0.4\n"
    found = outlook(site(tmp_path, weather=weather, forecast=forecast), NIGHT, 2)
    assert found.loc[day(-1), "rh"] == pytest.approx(65.0)
    assert found.loc[day(0), ["tmax", "rain", "rain_probability"]].tolist() == [24.0, 3.0, 0.4]
    assert found["observed"].tolist() == [True, False]  # of the day itself only its rain was read
