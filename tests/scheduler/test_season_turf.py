"""Turf over a season: the night's water makes it soft on that night, and what is soft is never what is dry."""

from datetime import date, timedelta

import numpy as np

from scheduler.season.turf import limits_of, season_days, season_turf
from scheduler.site import load_site
from tests.scheduler import site_folders as folders

FIRST, LAST = date(2026, 7, 1), date(2026, 7, 20)


def made(folder, toml=""):
    days = "".join(f"{FIRST + timedelta(days=k)},5,0\n" for k in range(20))
    return folders.site(folder / "site", toml=folders.TOML + toml, weather="date,eto,rain\n" + days)


def test_a_night_is_soft_by_its_own_water(tmp_path):
    site = made(tmp_path)
    demand = season_days(site, FIRST, LAST)[1]
    net = np.zeros((2, 20))
    net[:, 9] = 200.0  # on the tenth night all that went is given back
    turf = season_turf(site, demand, net, np.zeros((2, 0)), FIRST, LAST)
    green = turf.soft[0]
    assert green[0] and green[9] and not green[8] and not green[11]  # the first stands at field capacity
    # what ET was withheld: nothing on the first dates, more and more until the water comes, then nothing again
    missed = turf.unmet[0]
    assert missed[0] == missed[9] == 0.0 and missed[8] > missed[7] > 0.0


def test_a_zone_is_never_soft_and_dry_at_once(tmp_path):
    site = made(tmp_path, "[surface.green]\nmoisture_floor = 0.9\nfirmness_limit = 0.91\n")
    taw = site.zones.taw
    _, dry, soft = limits_of(site, np.full((2, 3), 4.0), taw, tuple(FIRST + timedelta(days=k) for k in range(3)))
    np.testing.assert_allclose(dry[0], 0.1 * taw[0])
    np.testing.assert_allclose(soft[0], 0.8 * dry[0])  # by the firmness limit alone 0.09


def turf_of(site, net, lead=None, last=LAST):
    nights = (last - FIRST).days + 1
    lead = np.zeros((2, 0)) if lead is None else lead
    demand = season_days(site, FIRST, last)[1]
    return season_turf(site, demand, np.asarray(net, dtype=float).reshape(2, nights), lead, FIRST, last)


def test_a_zone_is_dry_by_the_limit_of_the_date_on_which_it_is(tmp_path):
    # ET of 5 mm, but 9 on the 12th: RAW is smaller on that date alone. A zone between both limits is dry on it and on
    # no date around it; the night before the date is the one that counts.
    site = made(tmp_path)
    days = "".join(f"{FIRST + timedelta(days=k)},{9 if k == 11 else 0.5},0\n" for k in range(20))
    (site.folder / "weather.csv").write_text("date,eto,rain\n" + days)
    site = load_site(site.folder)
    taw = site.zones.taw[1]
    etc = site.zones.kc_month[1, 6] * np.array([9.0, 0.5])
    hot, mild = taw * np.clip(site.zones.depletion_fraction[1] + 0.04 * (5.0 - etc), 0.1, 0.8)
    water = np.zeros((2, 20))
    lead = np.zeros((2, 60))
    found = turf_of(site, water, lead)
    level = found.start[1] + np.cumsum(np.where(np.arange(20) == 10, etc[0], etc[1]))
    assert mild > hot
    expected = level > np.where(np.arange(20) == 10, hot, mild) + 0.01 * taw
    assert np.flatnonzero(expected).tolist() == [10]
    expected[-1] = False  # the date after the last night is no part of the season
    np.testing.assert_array_equal(found.dry[1], expected)
    assert not found.unmet[1].any()  # no date found it past its RAW, and each has its own ET


def test_the_season_begins_where_the_nights_before_it_left_the_turf(tmp_path):
    # Four dry dates before the first evening, of which the first date's ET follows no night of the lead-in.
    site = made(tmp_path)
    before = "".join(f"{FIRST - timedelta(days=k)},4,0\n" for k in range(4, 0, -1))
    text = (site.folder / "weather.csv").read_text().replace("date,eto,rain\n", "date,eto,rain\n" + before)
    (site.folder / "weather.csv").write_text(text)
    site = load_site(site.folder)
    lead = np.zeros((2, 4))
    found = turf_of(site, np.zeros((2, 20)), lead)
    june, july = site.zones.kc_month[:, 5] * 4.0, site.zones.kc_month[:, 6] * 5.0
    np.testing.assert_allclose(found.start, 3 * june + july, rtol=1e-6)
    lead[0, -1] = 100.0  # the night before the first: only the first date is still to come
    np.testing.assert_allclose(
        turf_of(site, np.zeros((2, 20)), lead).start, [july[0], 3 * june[1] + july[1]], rtol=1e-6
    )


def test_a_season_without_any_weather_says_nothing_of_its_turf(tmp_path):
    site = folders.site(tmp_path / "bare")
    days, demand = season_days(site, FIRST, LAST)
    assert np.isnan(days.eto).all() and np.isnan(days.rain).all()
    assert not days.eto_observed.any() and not days.rain_observed.any()
    assert not demand.past["eto"].any()
    assert not turf_of(site, np.zeros((2, 20))).demand.any()
