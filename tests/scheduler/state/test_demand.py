"""Weather and forecast as they stood on an evening: what may be known, what stands in, and what is said of it."""

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from models.runoff import curve_number, effective_rain
from scheduler.state.demand import Told, evening_demand, expected_rain, seasonal_eto, zone_etc, zone_rain
from tests.scheduler.site_folders import site
from tests.sites import extraterrestrial_radiation

NIGHT = date(2026, 7, 14)
WEATHER = "date,eto,rain\n" + "".join(f"{NIGHT - timedelta(days=d)},5,0\n" for d in range(9, -1, -1))
HEAD = "issued,date,member,eto,rain,rain_probability\n"


def told(issued, *rows, member=""):
    """Rows of a forecast: (days ahead of the evening, ETo, rain, probability)."""
    text = (f"{issued},{NIGHT + timedelta(days=d)},{member},{eto},{rain},{p}\n" for d, eto, rain, p in rows)
    return "".join(text)


def demand(folder, nights=3, weather=WEATHER, forecast=None, toml=None):
    files = {"weather": weather} | ({} if forecast is None else {"forecast": HEAD + forecast})
    return evening_demand(site(folder, **({} if toml is None else {"toml": toml}), **files), NIGHT, nights)


def said(found, kind):
    return " / ".join(n.text for n in found.notes if n.kind == kind)


def test_what_is_issued_after_the_evening_is_not_known(tmp_path):
    late = told("2026-07-14T23:30", (1, 6, 0, ""), (2, 6, 0, ""), (3, 6, 0, ""))
    tomorrow = told("2026-07-15T00:00", (1, 9, 0, ""), (2, 9, 0, ""), (3, 9, 0, ""))
    found = demand(tmp_path, forecast=late + tomorrow)
    assert found.future["eto"].tolist() == [6.0, 6.0, 6.0]
    assert found.issued == pd.Timestamp("2026-07-14T23:30")


def test_weather_after_the_evening_is_not_known(tmp_path):
    found = demand(tmp_path, weather=WEATHER + f"{NIGHT + timedelta(days=1)},9,30\n")
    assert found.past["date"].max() == pd.Timestamp(NIGHT)
    assert found.newest == NIGHT
    assert not found.future["rain"].any()


def test_rain_counts_by_its_probability(tmp_path):
    found = demand(tmp_path, forecast=told(NIGHT, (1, 5, 10, 0.3), (2, 5, 10, 0), (3, 5, 10, "")))
    assert found.future["rain"].tolist() == pytest.approx([3.0, 0.0, 10.0])  # without a probability it is certain


def test_members_are_averaged_and_counted(tmp_path):
    wet = told(NIGHT, (1, 4, 12, 0.5), (2, 4, 0, 0.5), (3, 4, 0, ""), member="a")
    dry = told(NIGHT, (1, 6, 0, 0.5), (2, 8, 0, 0.5), (3, 4, 0, ""), member="b")
    found = demand(tmp_path, forecast=wet + dry)
    assert found.members == 2
    assert found.future["eto"].tolist() == [5.0, 6.0, 4.0]
    assert found.future["rain"].tolist() == [3.0, 0.0, 0.0]  # half of (0.5 * 12 + 0)
    assert found.told.chance.tolist() == [0.25, 0.0, 0.0]  # rain of one member of two, which is itself one time in two
    assert found.told.amount.tolist() == [12.0, 0.0, 0.0]
    assert found.told.members.tolist() == [[[4.0, 4.0, 4.0], [6.0, 8.0, 4.0]], [[6.0, 0.0, 0.0], [0.0, 0.0, 0.0]]]


def test_only_the_newest_forecast_speaks_of_the_days_to_come(tmp_path):
    old = told("2026-07-12", *((d, 9, 9, "") for d in range(1, 6)))
    found = demand(tmp_path, nights=4, forecast=old + told("2026-07-14", (1, 4, 0, ""), (2, 6, 0, "")))
    assert found.future["eto"].tolist() == [4.0, 6.0, 5.0, 5.0]  # the missing ones are its own mean
    assert found.forecast_days == 2
    assert found.issued == pd.Timestamp("2026-07-14")


@pytest.mark.parametrize(("given", "kind"), [((1, 2, 3), "info"), ((1, 2), "step_down"), ((1, 3, 4, 5), "step_down")])
def test_one_or_two_days_short_is_no_step_down(tmp_path, given, kind):
    # Of five nights: the last two are filled with the mean; three, or one in the middle, are a step down.
    found = demand(tmp_path, nights=5, forecast=told(NIGHT, *((d, 5, 4, 0.5) for d in given)))
    assert "the mean of the others is used" in said(found, kind)
    assert found.future["rain"].tolist() == [2.0] * 5
    spoken = np.isin(np.arange(1, 6), given)  # the mean that stands in counts as falling for certain
    assert found.told.chance.tolist() == np.where(spoken, 0.5, 1.0).tolist()
    assert found.told.amount.tolist() == np.where(spoken, 4.0, 2.0).tolist()


def test_where_the_forecast_has_no_rain_none_is_likely(tmp_path):
    found = demand(tmp_path, nights=5, forecast=told(NIGHT, (1, 5, 0, 0.8), (2, 5, 0, "")))
    assert found.told.chance.tolist() == [0.0] * 5


@pytest.mark.parametrize(("last", "covered"), [(10, 3), (2, 2)])
def test_a_forecast_counts_as_far_as_these_nights_reach(tmp_path, last, covered):
    assert demand(tmp_path, forecast=told(NIGHT, *((d, 5, 0, "") for d in range(last + 1)))).forecast_days == covered


def test_a_forecast_of_today_alone_is_none_of_the_coming_dates(tmp_path):
    found = demand(tmp_path, forecast=told(NIGHT, (0, 9, 9, "")))
    assert (found.issued, found.told, found.forecast_days, found.members) == (None, None, 0, 0)
    assert "no forecast for the coming dates" in said(found, "step_down")


def test_each_member_s_rain_runs_off_by_itself(tmp_path):
    # 60 mm in one of two members: half of what 60 mm do by the curve number, not what 30 mm do, and never their ETo.
    wet = told(NIGHT, (1, 5, 60, ""), (2, 5, 0, ""), member="a")
    found = demand(tmp_path, nights=2, forecast=wet + told(NIGHT, (1, 9, 0, ""), (2, 9, 0, ""), member="b"))
    place = site(tmp_path / "zones")
    enters, runs_off = expected_rain(place, found)
    whole = effective_rain(np.array([[60.0]]), curve_number(place.zones.hydrologic_group.tolist()))
    np.testing.assert_allclose(enters, np.column_stack((whole[0].ravel() / 2.0, np.zeros(2))))
    np.testing.assert_allclose(runs_off[:, 0], whole[1].ravel() / 2.0)


def test_a_case_s_factors_reach_every_member():
    members = np.array([[[4.0, 6.0], [5.0, 5.0], [6.0, 4.0]], [[10.0, 0.0], [2.0, 1.0], [0.0, 4.0]]])
    found = Told(np.full(2, 5.0), np.array([8.0, 4.0]), np.array([0.5, 1.0]), members)
    found = found.times(np.array([1.1, 1.0]), np.array([0.5, 3.0]))
    np.testing.assert_allclose(found.eto, [5.5, 5.0])
    np.testing.assert_allclose(found.amount, [4.0, 12.0])
    assert found.chance.tolist() == [0.5, 1.0]
    np.testing.assert_allclose(found.members[0], members[0] * [1.1, 1.0])
    np.testing.assert_allclose(found.members[1], members[1] * [0.5, 3.0])


def test_no_more_of_the_past_is_taken_than_asked_for(tmp_path):
    # Three days observed, four apart: the days between stand in, but none older than three days.
    weather = "date,eto,rain\n" + "".join(f"{NIGHT - timedelta(days=d)},5,0\n" for d in (8, 4, 0))
    found = evening_demand(site(tmp_path, weather=weather), NIGHT, 2, longest=3)
    assert found.past["date"].tolist() == [pd.Timestamp(NIGHT) - timedelta(days=d) for d in (3, 2, 1, 0)]


def test_a_day_not_observed_is_the_newest_forecast_of_it(tmp_path):
    gap = WEATHER.replace(f"{NIGHT - timedelta(days=2)},5,0\n", "").replace(f"{NIGHT},5,0\n", "")
    older = told("2026-07-10", (-2, 8, 8, ""), (0, 8, 8, ""))
    newer = told("2026-07-11", (-2, 3, 4, 0.5), (0, 7, 1, ""))
    found = demand(tmp_path, weather=gap, forecast=older + newer + told("2026-07-12", (0, 6, 1, "")))
    past = found.past.set_index("date")
    assert len(past) == 10
    assert past.loc["2026-07-12", ["eto", "rain", "route"]].tolist() == [3.0, 2.0, "forecast"]
    assert past.loc["2026-07-14", ["eto", "rain", "route"]].tolist() == [6.0, 1.0, "forecast"]
    assert past.loc["2026-07-13", "eto"] == 5.0
    assert "eto of 2 days is from the forecast" in said(found, "info")
    assert (found.newest, found.observed_days) == (date(2026, 7, 13), 8)


@pytest.mark.parametrize(("observed", "came"), [("5,", [5.0, 4.0, False]), (",9", [3.0, 9.0, True])])
def test_a_day_half_observed_takes_only_the_other_half_from_the_forecast(tmp_path, observed, came):
    day = NIGHT - timedelta(days=2)
    gap = WEATHER.replace(f"{day},5,0\n", f"{day},{observed}\n")
    past = demand(tmp_path, weather=gap, forecast=told("2026-07-11", (-2, 3, 4, ""))).past.set_index("date")
    eto, rain, route = past.loc[str(day), ["eto", "rain", "route"]]
    assert [eto, rain, route == "forecast"] == came  # the route is that of its ET


def test_a_gap_nobody_spoke_of_is_the_mean_around_it_without_rain(tmp_path):
    rows = [(9, 4, 0), (8, 4, 20), (6, 7, 20), *((d, 7, 0) for d in range(5, -1, -1))]
    weather = "date,eto,rain\n" + "".join(f"{NIGHT - timedelta(days=d)},{eto},{rain}\n" for d, eto, rain in rows)
    found = demand(tmp_path, weather=weather)
    gap = found.past.iloc[2]
    assert gap["eto"] == pytest.approx((2 * 4 + 7 * 7) / 9)
    assert (gap["rain"], gap["route"]) == (0.0, "mean of the days around")
    assert "rain of 1 day is not known and counts as none" in said(found, "warning")


def test_without_a_forecast_the_last_two_weeks_go_on_without_rain(tmp_path):
    weather = "date,eto,rain\n" + "".join(
        f"{NIGHT - timedelta(days=d)},{4 if d > 13 else 5 + 2 * (d % 2)},9\n" for d in range(29, -1, -1)
    )
    found = demand(tmp_path, weather=weather)
    # By the sun of the date: FAO-56 Eq. 21, worked out apart in tests/sites.py.
    sun = extraterrestrial_radiation(np.arange(182, 199), 36.6)
    expected = 6.0 * sun[14:] / sun[:14].mean()
    np.testing.assert_allclose(found.future["eto"], expected, rtol=2e-3)
    assert not found.future["rain"].any()
    assert "the mean of the last two weeks stands in, without rain" in said(found, "step_down")


def test_the_season_moves_with_the_sun(tmp_path):
    found = demand(tmp_path)
    place = site(tmp_path / "again", weather=WEATHER)
    autumn = seasonal_eto(place, found.past, pd.date_range("2026-10-20", periods=1))
    sun = extraterrestrial_radiation(np.array([293, *range(186, 196)]), 36.6)
    assert autumn[0] == pytest.approx(5.0 * sun[0] / sun[1:].mean(), rel=5e-3)
    assert autumn[0] < 3.0


def test_a_site_without_weather_stands_on_a_warm_dry_day_and_says_so(tmp_path):
    found = demand(tmp_path, weather=None)
    assert found.newest is None
    assert found.observed_days == 0
    assert len(found.past) == 8  # a week before tonight
    # A day of 18 to 32 degC by FAO-56 Eq. 52; 0.408 turns MJ/m2 of Ra (worked out apart in tests/sites.py) into mm.
    hargreaves = 0.0023 * (25.0 + 17.8) * np.sqrt(14.0) * 0.408
    for days, first in ((found.past, 188), (found.future, 196)):
        sun = extraterrestrial_radiation(np.arange(first, first + len(days)), 36.6)
        np.testing.assert_allclose(days["eto"], hargreaves * sun, rtol=2e-3)
    assert "a warm dry day is assumed for every past date" in said(found, "step_down")


@pytest.mark.parametrize("age", [1, 2])
def test_old_weather_and_an_old_forecast_are_said(tmp_path, age):
    first = "\n".join(WEATHER.splitlines()[: len(WEATHER.splitlines()) - age]) + "\n"
    found = demand(
        tmp_path, weather=first, forecast=told(NIGHT - timedelta(days=age), *((d, 5, 0, "") for d in (0, 1, 2, 3)))
    )
    old = ["newest observed day is 2 days old; later days are stood in for", "newest forecast is 2 days old"]
    assert [n.text for n in found.notes if "old" in n.text] == (old if age == 2 else [])


def test_a_zone_drinks_by_its_month_and_microclimate_and_rain_runs_off_heavy_soil(tmp_path):
    zones = "zone,surface,turf,soil,area,flow,microclimate\nG1,green,creeping_bentgrass,clay_loam,450,1.5,1.2\n"
    place = site(tmp_path, zones=zones + "F1,fairway,bermudagrass,loam,2000,6,\n")
    days = pd.DataFrame({"date": pd.to_datetime(["2026-01-15", "2026-07-15"]), "eto": [2.0, 6.0], "rain": [0.0, 60.0]})
    kc = place.zones.kc_month
    expected = [[2 * kc[0, 0] * 1.2, 6 * kc[0, 6] * 1.2], [2 * kc[1, 0], 6 * kc[1, 6]]]
    np.testing.assert_allclose(zone_etc(place, days), expected)
    np.testing.assert_allclose(zone_etc(place, days, np.ones(2))[0], [2 * kc[0, 0], 6 * kc[0, 6]])
    rain, runoff = zone_rain(place, days)
    assert runoff[0, 1] > runoff[1, 1]
    assert not runoff[:, 0].any()
    assert rain[0, 1] < rain[1, 1]


def test_days_whose_rain_nobody_knows_are_counted(tmp_path):
    rows = "".join(f"{NIGHT - timedelta(days=d)},5,{'' if d in (2, 3, 5) else 0}\n" for d in range(9, -1, -1))
    assert "rain of 3 days is not known" in said(demand(tmp_path, weather="date,eto,rain\n" + rows), "warning")


def test_days_around_a_gap_are_those_of_two_weeks_either_side(tmp_path):
    rows = [(d, 9 if d > 17 else 4) for d in range(40, -1, -1) if d != 3]
    weather = "date,eto,rain\n" + "".join(f"{NIGHT - timedelta(days=d)},{eto},0\n" for d, eto in rows)
    past = demand(tmp_path, weather=weather).past.set_index("date")
    assert past.loc[str(NIGHT - timedelta(days=3)), "eto"] == pytest.approx(4.0)
    rows = [(d, 9 if d > 16 else 4) for d in range(40, -1, -1) if d != 3]
    weather = "date,eto,rain\n" + "".join(f"{NIGHT - timedelta(days=d)},{eto},0\n" for d, eto in rows)
    past = demand(tmp_path / "b", weather=weather).past.set_index("date")
    assert past.loc[str(NIGHT - timedelta(days=3)), "eto"] == pytest.approx((4.0 * 16 + 9.0) / 17)
