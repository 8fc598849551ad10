"""The season ahead: weather years, forecasts, and a season lived through under orders."""

from dataclasses import asdict, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from models.sky import extraterrestrial_radiation
from scheduler.errors import InputProblems
from scheduler.whatif import season as seasons
from scheduler.whatif.ahead import live
from scheduler.whatif.case import AS_IT_IS, read_cases
from scheduler.whatif.season import Ahead, Shelf, band, season_ahead
from scheduler.whatif.weather_years import draw_year, forecast_errors, forecast_of, weather_years
from tests.drawn import draws, some

NIGHT, LAST = date(2026, 7, 14), date(2026, 7, draws(21, 18))


def record(days=1200, seed=3):
    """Days with dry and wet spells: a Markov chain of wet and dry days."""
    rng = np.random.default_rng(seed)
    wet = np.zeros(days, dtype=bool)
    for i in range(1, days):
        wet[i] = rng.random() < (0.6 if wet[i - 1] else 0.08)
    dates = pd.date_range("2020-01-01", periods=days)
    eto = 4.0 + 2.5 * np.sin(2 * np.pi * (dates.dayofyear - 80) / 365) + rng.normal(0, 0.5, days)
    return pd.DataFrame({"date": dates, "eto": eto, "rain": np.where(wet, rng.exponential(6.0, days), 0.0)})


def test_dry_spells_stay_dry_spells():
    # the mean dry spell is the record's within a quarter, where single days drawn at random would break it up
    rows = record()
    drawn = np.concatenate([draw_year(rows, 35.0, date(2026, 4, 1), date(2026, 10, 31), 1, i).rain for i in range(12)])
    single = np.random.default_rng(0).permutation(drawn)

    def mean_spell(rain):
        dry = rain == 0
        ends = np.flatnonzero(dry & ~np.append(dry[1:], False))
        return dry.sum() / max(len(ends), 1)

    was = mean_spell(rows["rain"].to_numpy())
    assert mean_spell(drawn) == pytest.approx(was, rel=0.25)
    assert mean_spell(single) < 0.75 * was


def test_a_seed_draws_the_same_year_and_eto_follows_the_sun():
    rows = record()
    one, again = (draw_year(rows, 35.0, date(2026, 7, 1), date(2026, 12, 20), 5, 2) for _ in range(2))
    np.testing.assert_array_equal(one.eto, again.eto)
    assert not np.array_equal(one.eto, draw_year(rows, 35.0, date(2026, 7, 1), date(2026, 12, 20), 6, 2).eto)
    short = rows[rows["date"] < "2020-03-01"]  # two months of winter have to speak for a summer
    summer = draw_year(short, 35.0, date(2026, 7, 1), date(2026, 7, 30), 1, 0)
    winter, july, december = extraterrestrial_radiation(np.array([30.0, 196.0, 339.0]), 35.0)
    assert summer.eto.mean() == pytest.approx(short["eto"].mean() * july / winter, rel=0.15)
    half = draw_year(short, 35.0, date(2026, 7, 1), date(2026, 12, 20), 1, 0).eto  # and for the autumn after it
    assert half[-30:].mean() == pytest.approx(short["eto"].mean() * december / winter, rel=0.15)


def test_years_of_a_file_are_taken_as_they_were(site, tmp_path):
    rows = record()
    file = tmp_path / "years.csv"
    rows.assign(date=rows["date"].dt.strftime("%Y-%m-%d")).round(3).to_csv(file, index=False)
    found, words = weather_years(site, NIGHT, LAST, str(file), 2, 1)
    assert [y.name for y in found] == ["2021", "2022"] and "2021, 2022" in words
    of_2022 = rows.set_index("date").loc["2022-07-14" : f"2022-{LAST:%m-%d}"]
    np.testing.assert_allclose(found[1].eto, of_2022["eto"], atol=1e-3)
    np.testing.assert_allclose(found[1].rain, of_2022["rain"], atol=1e-3)
    with pytest.raises(InputProblems, match="no such file"):
        weather_years(site, NIGHT, LAST, str(tmp_path / "gone.csv"), 2, 1)
    with pytest.raises(InputProblems, match="no year of the site's own record"):
        weather_years(site, NIGHT, LAST, "record", 2, 1)


def with_forecasts(site, bias):
    """Past forecasts that told `bias` times the ETo that came, and no rain."""
    issues = pd.date_range("2026-06-20", periods=12)
    rows = [
        {"issued": i + pd.Timedelta(hours=6), "date": i + pd.Timedelta(days=d), "member": ""}
        for i in issues
        for d in range(1, 6)
    ]
    told = pd.DataFrame(rows).merge(site.weather[["date", "tmin", "tmax"]], on="date")
    weather = site.weather.assign(eto=5.0, rain=0.0)
    told = told.assign(eto=5.0 * bias, rain=0.0, rain_probability=0.0)
    blank = {c: np.nan for c in site.forecast.columns if c not in told}
    return replace(site, weather=weather, forecast=told.assign(**blank)[list(site.forecast.columns)])


def test_forecasts_are_as_wrong_as_they_have_been(site):
    biased = with_forecasts(site, 1.2)
    errors = forecast_errors(biased, NIGHT, 5)
    days = pd.DataFrame({"date": pd.date_range("2026-07-15", periods=5), "eto": 6.0, "rain": 0.0})
    said = forecast_of(errors, biased, days, days, np.random.default_rng(0))
    np.testing.assert_allclose(said["eto"], 7.2, rtol=1e-6)
    assert forecast_errors(replace(biased, forecast=biased.forecast.head(0)), NIGHT, 5) is None


@pytest.fixture(scope="module")
def start(standing):
    found, years, _ = seasons._start(standing, Ahead(years=1), LAST)
    return found, years[0]


def one(site, *given):
    return read_cases(site, [], given)[0]


def test_water_of_a_season_adds_up(site, start):
    began, year = start
    lived = live(began, AS_IT_IS, year)
    assert [r["night"] for r in lived.rows] == [str(NIGHT + timedelta(days=i)) for i in range((LAST - NIGHT).days + 1)]
    left = [r["left_m3"] for r in lived.rows]
    used = [r["water_m3"] for r in lived.rows]
    np.testing.assert_allclose(-np.diff(left), used[1:], rtol=1e-9)
    assert lived.left == pytest.approx(left[-1])
    by_surface = sum(s["dry_zone_days"] for s in lived.surfaces.values())
    assert by_surface == sum(r["dry_zones"] for r in lived.rows)


@pytest.mark.drawn
@pytest.mark.parametrize(
    "given", some(["nights_a_week=2", "nights_allowed=Wednesday,Saturday", "surfaces_off=green,tee"], 1)
)
def test_a_ban_holds_on_every_night_of_the_season(site, start, given):
    began, year = start
    lived = live(began, one(site, given), year)
    ran = [r["zones_running"] > 0 for r in lived.rows]
    nights = [date.fromisoformat(r["night"]) for r in lived.rows]
    assert any(ran)
    if given.startswith("nights_allowed"):
        assert all(n.weekday() in (2, 5) for n, r in zip(nights, ran, strict=True) if r)
    elif given.startswith("nights_a_week"):
        week = [n.isocalendar()[1] for n in nights]
        assert sum(r for r, w in zip(ran, week, strict=True) if w == week[-1]) <= 2
        before = site.applied[(site.applied["night"] >= "2026-07-13") & (site.applied["minutes"] > 0)]
        assert sum(r for r, w in zip(ran, week, strict=True) if w == week[0]) <= 2 - before["night"].nunique()
    else:
        shut = np.isin(site.zones.surface, ["green", "tee"]).sum()
        assert all(r["zones_running"] <= len(site.zones) - shut for r in lived.rows)
        assert lived.surfaces["green"]["dry_zone_days"] > 0


def test_an_order_holds_to_the_last_night(site, start):
    began, year = start
    lived = live(began, one(site, "allowance=60", "per=week"), year)
    by_week = {}
    for r in lived.rows:
        week = date.fromisoformat(r["night"]).isocalendar()[1]
        by_week[week] = by_week.get(week, 0.0) + r["water_m3"]
    assert all(v <= 60.0 + 1e-6 for v in by_week.values()), by_week


@pytest.mark.sweep
def test_less_water_for_a_season_is_drier(site, start):
    began, year = start
    dry = []
    for factor in ("1.0", "0.5", "0.0"):
        lived = live(began, one(site, f"allocation_factor={factor}"), year)
        dry.append(sum(s["dry_mm_days"] for s in lived.surfaces.values()))
    assert dry[0] <= dry[1] <= dry[2] and dry[2] > dry[0]


class Memory(Shelf):
    def __init__(self):
        self.held = {}
        self.asked = 0

    def get(self, key):
        self.asked += 1
        return self.held.get(key)

    def put(self, key, lived):
        assert key not in self.held
        self.held[key] = lived


def test_a_stopped_season_goes_on_and_cases_keep_their_numbers(site, standing, monkeypatch):
    shelf = Memory()
    case = one(site, "cut=0.3")
    ahead = Ahead(until=date(2026, 7, 15), years=2)
    whole, rows = season_ahead(standing, [case], ahead, shelf)
    assert len(shelf.held) == 4 and len(rows) == 4 * 2
    shelf.held.pop(next(iter(shelf.held)))
    lived = []
    monkeypatch.setattr(seasons, "live", lambda *a: lived.append(a) or live(*a))
    again, same = season_ahead(standing, [case], replace(ahead, resume=True), shelf)
    assert len(lived) == 1  # only what was missing
    assert again == whole and same == rows
    other, _ = season_ahead(standing, [one(site, "eto_factor=1.1"), case], replace(ahead, resume=True), shelf)
    assert other.cases[-1] == whole.cases[-1]


def test_what_is_kept_comes_back_whole(start):
    import json

    from scheduler.whatif.ahead import Lived

    began, year = start
    lived = live(replace(began, last=NIGHT), AS_IT_IS, year)
    assert Lived(**json.loads(json.dumps(asdict(lived)))) == lived


def test_a_season_between_wrong_dates_is_refused(standing):
    with pytest.raises(InputProblems, match="--until"):
        season_ahead(standing, [], Ahead(until=date(2026, 7, 1)), Shelf())


def test_mismatch_is_drawn_from_what_the_filter_believes(standing, start):
    truth = seasons.believed_truth(standing, 3)
    again = seasons.believed_truth(standing, 3)
    np.testing.assert_array_equal(truth.demand, again.demand)
    assert 0.02 < truth.demand.std() < 0.5 and truth.read.any()
    began, year = start
    lived = live(replace(began, truth=truth), AS_IT_IS, year)
    usual = live(began, AS_IT_IS, year)
    assert [r["water_m3"] for r in lived.rows] != [r["water_m3"] for r in usual.rows]


def test_the_band_holds_eighty_of_a_hundred():
    found = band(range(101))
    assert (found.low, found.median, found.high) == (10.0, 50.0, 90.0)
