"""The season ahead by hand: until when, years as they were and drawn, forecasts, what is kept, sums and words."""

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.choices import YEARS
from models.sky import extraterrestrial_radiation
from scheduler.errors import InputProblems, NoPlan, Problem
from scheduler.whatif import ahead, season, weather_years
from scheduler.whatif.ahead import Lived, _case_weather, _lean, _used, _World, live
from scheduler.whatif.case import AS_IT_IS, Case, Part
from scheduler.whatif.schema import CaseKeys
from scheduler.whatif.season import Ahead, Shelf, _last, _lived, _summed, _tell, _words, band, believed_truth
from scheduler.whatif.weather_years import WeatherYear, _starts, as_they_were, draw_year, forecast_errors, forecast_of
from tests.scheduler.site_folders import TOML, site

NIGHT = date(2026, 7, 14)
DAY = timedelta(days=1)


# ----------------------------------------------------------------------------------------------------- its dates


def rule(starts=date(2026, 7, 1), ends=date(2026, 9, 30), **more):
    return SimpleNamespace(starts=starts, ends=ends, **more)


@pytest.mark.parametrize(
    ("allocation", "until", "last"),
    [
        (rule(), None, date(2026, 9, 30)),
        (rule(starts=NIGHT, ends=NIGHT), None, NIGHT),
        (rule(starts=NIGHT + DAY), None, NIGHT + YEARS.without_allocation * DAY),
        (rule(ends=NIGHT - DAY), None, NIGHT + YEARS.without_allocation * DAY),
        (None, None, NIGHT + YEARS.without_allocation * DAY),
        (rule(), NIGHT, NIGHT), (rule(), NIGHT + 399 * DAY, NIGHT + 399 * DAY),
    ],
)  # fmt: skip
def test_a_season_ends_with_its_allocation_or_as_told(allocation, until, last):
    assert _last(SimpleNamespace(allocation=allocation), NIGHT, Ahead(until=until)) == last


@pytest.mark.parametrize("until", [NIGHT - DAY, NIGHT + 400 * DAY])
def test_a_season_that_cannot_be_is_refused_with_what_can(until):
    with pytest.raises(InputProblems, match=f"read {until}; a date from 2026-07-14 to 2027-08-17 is allowed"):
        _last(SimpleNamespace(allocation=None), NIGHT, Ahead(until=until))


# -------------------------------------------------------------------------------------------------- weather years


def days(first, eto, rain=None):
    rain = np.zeros(len(eto)) if rain is None else rain
    return pd.DataFrame({"date": pd.date_range(first, periods=len(eto)), "eto": np.array(eto, float), "rain": rain})


def test_a_year_is_taken_as_it_was_where_nine_in_ten_of_its_dates_are_known():
    # Ten dates from 27 December: all but two of 2024's, one missing of 2025's; February's own last day of a leap year.
    first, last = date(2026, 12, 27), date(2027, 1, 5)
    old = days("2024-12-27", np.arange(10.0)).drop([3, 4])
    new = days("2025-12-27", np.arange(10.0, 20.0), [0.0, np.nan, 2.0, *[0.0] * 7]).drop(4)
    (found,) = as_they_were(pd.concat([old, new]), None, first, last)
    assert (found.name, found.first) == ("2025", first)
    assert found.eto.tolist() == [10.0, 11, 12, 13, 14, 15, 16, 17, 18, 19]  # the gap is its neighbours' mean
    assert found.rain.tolist() == [0.0, 0.0, 2.0, *[0.0] * 7]
    leap = as_they_were(days("2023-02-27", [1.0, 2.0, 3.0]), None, date(2024, 2, 28), date(2024, 3, 1))
    assert [y.eto.tolist() for y in leap] == [[2.0, 2.0, 3.0]]


def test_the_end_of_a_year_that_is_missing_is_its_last_known_day():
    (found,) = as_they_were(days("2025-07-02", np.arange(1.0, 10.0)), None, date(2026, 7, 1), date(2026, 7, 10))
    assert found.eto.tolist() == [1.0, *range(1, 10)]


class Scripted:
    """A generator that begins blocks at the days and of the lengths it is given."""

    def __init__(self, starts, lengths):
        self.starts, self.lengths, self.asked = list(starts), list(lengths), []

    def choice(self, of):
        self.asked.append(np.asarray(of))
        return self.starts.pop(0)

    def integers(self, low, high):
        assert (low, high) == (YEARS.block // 2, YEARS.block + 1)
        return self.lengths.pop(0)


def test_a_drawn_year_is_blocks_of_days_in_a_row_moved_with_the_sun(monkeypatch):
    # Days 0 to 4 of June, a gap, and 5 to 9 of July: a block of three, one that ends at the gap, one of two.
    record = pd.concat([days("2025-06-01", np.arange(1.0, 6.0), np.arange(5.0)),
                        days("2025-07-01", np.arange(6.0, 11.0), np.arange(5.0, 10.0))], ignore_index=True)  # fmt: skip
    rng = Scripted([1, 3, 7], [3, 9, 2])
    monkeypatch.setattr(weather_years.np.random, "default_rng", lambda seed: rng if seed == [4, 2] else None)
    found = draw_year(record, 35.0, date(2026, 7, 10), date(2026, 7, 16), 4, 2)
    took = [1, 2, 3, 3, 4, 7, 8]
    assert found.rain.tolist() == [float(i) for i in took] and found.name == "drawn 3"
    sun = extraterrestrial_radiation(np.arange(191, 198), 35.0)
    was = extraterrestrial_radiation(record["date"].dt.dayofyear.to_numpy(), 35.0)
    np.testing.assert_allclose(found.eto, (record["eto"].to_numpy() / was)[took] * sun)
    assert (found.first, rng.lengths) == (date(2026, 7, 10), [])


@pytest.mark.parametrize(("count", "near"), [(YEARS.enough, True), (YEARS.enough - 1, False)])
def test_blocks_come_from_the_time_of_the_year_where_the_record_holds_enough_of_it(count, near):
    inside = np.array([364, 10 + YEARS.near, *[10] * (count - 2)])
    of_year = np.concatenate((inside, [10 + YEARS.near + 1, 365 + 10 - YEARS.near - 1, 200]))
    found = _starts(of_year, 10)
    assert found.tolist() == list(range(count if near else count + 3))


def of_years(monkeypatch, record, years=()):
    monkeypatch.setattr(weather_years, "_observed", lambda site, path: record)
    monkeypatch.setattr(weather_years, "draw_year", lambda rows, lat, first, last, seed, i: (lat, first, last, seed, i))
    monkeypatch.setattr(weather_years, "as_they_were", lambda *_: tuple(SimpleNamespace(name=y) for y in years))


PLACE = SimpleNamespace(latitude=35.0)
FIRST, LAST = date(2026, 7, 15), date(2026, 8, 1)


def test_years_are_drawn_from_a_record_of_a_month(monkeypatch):
    of_years(monkeypatch, days("2026-05-01", np.ones(30)))
    found, words = weather_years.weather_years(PLACE, FIRST, LAST, "drawn", 2, 7)
    assert found == ((35.0, FIRST, LAST, 7, 0), (35.0, FIRST, LAST, 7, 1))
    assert "record (2026-05-01 to 2026-05-30)" in words and words.endswith("seed 7.")
    of_years(monkeypatch, days("2026-05-01", np.ones(29)))
    with pytest.raises(InputProblems, match="holds 29 days with a reference ET and 30 are needed"):
        weather_years.weather_years(PLACE, FIRST, LAST, "drawn", 2, 7)


def test_of_a_record_the_newest_years_count(monkeypatch):
    of_years(monkeypatch, days("2026-05-01", np.ones(3)), ("2020", "2021", "2022"))
    found, words = weather_years.weather_years(PLACE, FIRST, LAST, "record", 2, 7)
    assert [y.name for y in found] == ["2021", "2022"]
    assert words == "Weather is that of 2021, 2022 as the site's own record has it."
    assert "as years.csv has it" in weather_years.weather_years(PLACE, FIRST, LAST, "a/years.csv", 9, 7)[1]
    of_years(monkeypatch, days("2026-05-01", np.ones(3)))
    with pytest.raises(InputProblems, match=r"weather.csv: no year of .* to 01 August \(it holds 2026-05-01 to"):
        weather_years.weather_years(PLACE, FIRST, LAST, "record", 2, 7)
    of_years(monkeypatch, days("2026-05-01", []))
    with pytest.raises(InputProblems, match=r"a/years.csv: no year of years.csv .* \(it holds no day\)"):
        weather_years.weather_years(PLACE, FIRST, LAST, "a/years.csv", 2, 7)


def told(*rows):
    """Past forecasts: day of issue, lead, eto told and come, rain told, its chance, rain come."""
    names = ["issued", "lead", "eto", "eto_came", "rain", "rain_probability", "rain_came"]
    found = pd.DataFrame(rows, columns=names)
    return found.assign(issued=pd.to_datetime("2026-07-01") + pd.to_timedelta(found["issued"], unit="D"))


def test_past_forecasts_are_held_against_what_came_by_lead(monkeypatch):
    rows = told(
        (0, 1, 6.0, 5.0, 8.0, 0.5, 2.0), (1, 1, 50.0, 5.0, 3.0, np.nan, 0.9), (2, 1, 1.0, 5.0, np.nan, 0.5, np.nan),
        (3, 2, 4.0, 5.0, 0.0, 1.0, 1.0), (4, 2, np.nan, 5.0, 1.0, 1.0, 0.0), (4, 2, 2.0, 0.05, 1.0, 0.2, 0.0),
    )  # fmt: skip
    seen = []
    monkeypatch.setattr(weather_years, "past_forecasts", lambda site, until: seen.append(until) or rows)
    found = forecast_errors(None, NIGHT, 3)
    assert seen == [pd.Timestamp(NIGHT)]
    one, two, three = found.ratio
    np.testing.assert_allclose(one, [1.2, 3.0, 1 / 3])
    np.testing.assert_allclose(two, [0.8, 3.0])  # 2 mm told where hardly any came: over 0.1, and three times at most
    assert three.tolist() == two.tolist()  # farther than any forecast reached
    assert [w.tolist() for w in found.wet[:2]] == [[2.0], [0.0]]
    assert [d.tolist() for d in found.dry[:2]] == [[3.0, 0.0], [1.0, 0.2]]
    assert "(5 of them held against what came)" in found.words
    assert forecast_errors(None, NIGHT, 1).ratio[0].size == 3 and len(forecast_errors(None, NIGHT, 1).wet) == 1


def test_too_few_forecasts_tell_nothing_and_a_lead_without_rain_is_taken_at_its_word(monkeypatch):
    few = told(*((i, 1, 5.0, 5.0, 0.0, 1.0, 0.0) for i in range(YEARS.least_forecasts)))
    monkeypatch.setattr(weather_years, "past_forecasts", lambda site, until: few)
    found = forecast_errors(None, NIGHT, 1)
    assert found.wet[0].tolist() == [1.0]
    wet = few.assign(rain_came=5.0, eto=np.nan)
    monkeypatch.setattr(weather_years, "past_forecasts", lambda site, until: wet)
    assert forecast_errors(None, NIGHT, 1).dry[0].tolist() == [0.0]
    assert forecast_errors(None, NIGHT, 1).ratio[0].tolist() == [1.0]
    monkeypatch.setattr(weather_years, "past_forecasts", lambda site, until: few.iloc[1:])
    assert forecast_errors(None, NIGHT, 1) is None
    monkeypatch.setattr(weather_years, "past_forecasts", lambda site, until: few.head(0))
    assert forecast_errors(None, NIGHT, 1) is None


def test_a_forecast_is_what_comes_times_the_error_of_its_lead():
    one = lambda *values: tuple(np.array([v]) for v in values)  # noqa: E731
    errors = weather_years.ForecastErrors(one(1.1, 1.2), one(2.0, 3.0), one(0.3, 0.4), "")
    coming = days("2026-07-15", [5.0, 5.0, 5.0], [1.0, 0.9, 4.0])
    found = forecast_of(errors, None, None, coming, np.random.default_rng(1))
    assert found["eto"].tolist() == pytest.approx([5.5, 6.0, 6.0])
    assert found["rain"].tolist() == pytest.approx([2.0, 0.4, 12.0])
    assert found["route"].tolist() == ["forecast"] * 3 and coming["eto"].tolist() == [5.0] * 3


def test_without_forecasts_the_last_weeks_stand_in_without_rain(monkeypatch):
    seen = []
    monkeypatch.setattr(
        weather_years, "seasonal_eto", lambda site, past, dates: seen.append((len(past), dates[0])) or 4.0
    )
    coming = days("2026-07-15", [5.0, 5.0], [1.0, 0.9])
    found = forecast_of(None, None, days("2026-06-01", np.ones(40)), coming, None)
    assert (found["eto"].tolist(), found["rain"].tolist()) == ([4.0] * 2, [0.0] * 2)
    assert found["route"].tolist() == ["no forecast"] * 2
    assert seen == [(14, pd.Timestamp("2026-07-15"))]


# -------------------------------------------------------------------------------------------------- living through


def part(**keys):
    named = {{"starts": "from", "ends": "until"}.get(k, k): v for k, v in keys.items()}
    return Part("x", CaseKeys.model_validate(named), {})


def test_a_case_s_weather_is_that_of_the_dates_after_its_nights(monkeypatch):
    # The year begins on the date after the 14th. From the 15th to the 16th: dates 16 and 17.
    monkeypatch.setattr(ahead, "warmer", lambda evening, shift: np.array([1.0, 1.0 + shift / 10.0]))
    start = SimpleNamespace(site=SimpleNamespace(nights=3), night=NIGHT, demand=None, state=None, salt=None)
    year = WeatherYear("y", NIGHT + DAY, np.full(4, 10.0), np.full(4, 8.0))
    dated = Case("c", "c", (part(eto_factor=1.2, starts="2026-07-15", ends="2026-07-16"),))
    eto, rain = _case_weather(start, dated, year)
    assert (eto.tolist(), rain.tolist()) == ([10.0, 12.0, 12.0, 10.0], [8.0] * 4)
    both = Case("c", "c", (part(rain_factor=0.5, ends="2026-07-14"), part(temperature_shift=2)))
    eto, rain = _case_weather(start, both, year)
    assert rain.tolist() == [4.0, 8.0, 8.0, 8.0] and eto.tolist() == pytest.approx([11.0] * 4)
    assert year.eto.tolist() == [10.0] * 4 and year.rain.tolist() == [8.0] * 4


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    log = "night,zone,minutes,volume\n" + "".join(
        f"{n},G1,,{v}\n" for n, v in (("2026-05-01", 1), ("2026-06-03", 2), ("2026-06-04", 4), ("2026-07-13", 8),
                                      ("2026-07-14", 16))
    )  # fmt: skip
    toml = TOML + "[allocation]\nstarts = 2026-05-15\nends = 2026-12-31\nvolume = 500\nused_before = 100\n"
    return site(tmp_path_factory.mktemp("a") / "a", toml, applied=log)


def test_runs_of_long_ago_only_count_as_used(place):
    # Kept from 40 days before on: the 4th of June; the night of the 3rd is of the season, that of May is not.
    lean = _lean(place, NIGHT, AS_IT_IS)
    assert lean.applied["volume"].tolist() == [4.0, 8.0]
    assert lean.allocation.used_before == 102.0
    assert _used(lean, NIGHT) == _used(place, NIGHT) == 114.0
    # An order that counts from May on needs its runs one by one.
    order = _lean(place, NIGHT, Case("c", "c", (part(cut=0.2, base=2025, starts="2026-05-01"), part(ec_factor=1.0))))
    assert order.applied["volume"].tolist() == [1.0, 2.0, 4.0, 8.0] and order.allocation.used_before == 100.0
    none = _lean(replace(place, allocation=None), NIGHT, AS_IT_IS)
    assert none.allocation is None and _used(none, NIGHT) == 0.0


def test_a_season_is_lived_night_by_night_and_told(monkeypatch):
    seen = []
    world = SimpleNamespace(night=lambda i: {"i": i}, lived=lambda rows: rows)
    monkeypatch.setattr(ahead, "_World", lambda start, case, year: world)
    start = SimpleNamespace(night=NIGHT, last=NIGHT + 2 * DAY)
    assert live(start, "case", "year", lambda *told: seen.append(told)) == [{"i": 0}, {"i": 1}, {"i": 2}]
    assert seen == [(1, 3), (2, 3), (3, 3)]


@pytest.mark.parametrize(
    ("used", "dates", "night", "before", "out"),
    [
        (499.5, (1, 31), 14, None, "2026-07-14"), (499.4, (1, 31), 14, None, None), (600.0, (15, 31), 14, None, None),
        (600.0, (1, 13), 14, None, None), (600.0, (14, 14), 14, None, "2026-07-14"),
        (600.0, (1, 31), 16, None, None),  # the last night: nothing runs out any more
        (600.0, (1, 31), 15, "2026-07-14", "2026-07-14"),
    ],
)  # fmt: skip
def test_the_night_on_which_water_runs_out(used, dates, night, before, out):
    of = _World.__new__(_World)
    of.start = SimpleNamespace(night=NIGHT, last=date(2026, 7, 16))
    of.case, of.year, of.runs_out, of.used = AS_IT_IS, SimpleNamespace(name="y"), before, used
    of.site = SimpleNamespace(allocation=rule(date(2026, 7, dates[0]), date(2026, 7, dates[1]), volume=500.0))
    for name in ("_arrays", "_follow", "_write_down"):
        setattr(of, name, lambda *_: SimpleNamespace(inputs=None))
    of._solve, of._minutes, of._row = (lambda *_: (None, None)), (lambda *_: (None, None)), (lambda *_: {})
    row = of.night(night - 14)
    assert (of.runs_out, row["night"], row["case"], row["year"]) == (out, f"2026-07-{night}", "as-it-is", "y")


def test_what_ran_is_written_down_and_what_did_not_is_not():
    of = _World.__new__(_World)
    of.site, of.runs = SimpleNamespace(zones=SimpleNamespace(zone=np.array(["A", "B"]))), []
    of._write_down(NIGHT, np.array([0.0, 0.0]))
    of._write_down(NIGHT, np.array([0.0, 0.5]))
    (rows,) = of.runs
    assert rows[["night", "zone", "minutes"]].values.tolist() == [[pd.Timestamp(NIGHT), "B", 0.5]]
    assert rows["volume"].isna().all()


def test_what_a_season_came_to_by_surface_in_order_of_service():
    of = _World.__new__(_World)
    of.case, of.year, of.runs_out, of.used = AS_IT_IS, SimpleNamespace(name="y"), "2026-07-14", 90.0
    of.start = SimpleNamespace(salt=SimpleNamespace(known=np.array([True, False, True])))
    of.ece = np.array([[2.0, 4.0], [9.0, 9.0], [5.0, 7.0]])
    of.dry_days, of.dry_mm, of.soft_days, of.salty = (np.array([1.0, 2.0, 4.0]) * f for f in (1, 2, 3, 4))
    surfaces = {"rough": SimpleNamespace(priority=2), "tee": SimpleNamespace(priority=1)}
    zones = SimpleNamespace(surface=np.array(["rough", "tee", "rough"]))
    of.site = SimpleNamespace(zones=zones, surfaces=surfaces, allocation=SimpleNamespace(volume=100.0))
    found = of.lived(["rows"])
    assert list(found.surfaces) == ["tee", "rough"] and (found.left, found.runs_out) == (10.0, "2026-07-14")
    assert found.surfaces["rough"] == {
        "dry_zone_days": 5.0, "dry_mm_days": 10.0, "soft_zone_days": 15.0, "salty_zone_days": 20.0, "ece_mean_dsm": 4.5,
    }  # fmt: skip
    assert found.surfaces["tee"]["ece_mean_dsm"] is None
    of.site.allocation = None
    assert of.lived([]).left is None


# ---------------------------------------------------------------------------------------------- kept, and summed up


class Kept(Shelf):
    def __init__(self, known):
        self.known, self.got = dict(known), []

    def get(self, key):
        return self.known.get(key)

    def put(self, key, lived):
        self.got.append((key, lived))


def lived_through(monkeypatch, resume, known, fails=None, elsewhere=False):
    monkeypatch.setattr(season, "_begins", lambda start: "here")
    monkeypatch.setattr(season, "_key", lambda begins, case, year: (case.name, year))
    tasks = [(SimpleNamespace(name=n, key=n, title=n), y) for n in "ab" for y in (1, 2)]
    seen = {}

    def run_all(work, todo, door, kinds):
        seen.update(todo=[(t[1].name, t[2], len(t)) for t in todo], kinds=kinds)
        for place, task in enumerate(todo):
            failure = fails if (task[1].name, task[2]) == ("b", 1) and fails else None
            if len(task) == 4:
                task[3](1, 3)
            yield SimpleNamespace(place=place, value=(task[1].name, task[2]), failure=failure)

    monkeypatch.setattr(season, "run_all", run_all)
    progress, shelf = [], Kept(known)
    start = SimpleNamespace(night=NIGHT, last=NIGHT + 2 * DAY)
    door = SimpleNamespace(elsewhere=elsewhere)
    found = _lived(start, tasks, Ahead(resume=resume), shelf, lambda *t: progress.append(t), door)
    return found, seen, progress, shelf.got


def test_finished_years_are_taken_from_the_shelf_and_others_lived(monkeypatch):
    known = {("a", 2): "kept", ("b", 2): "kept too"}
    found, seen, progress, put = lived_through(monkeypatch, True, known)
    assert found == {1: "kept", 3: "kept too", 0: ("a", 1), 2: ("b", 1)}
    assert seen == {"todo": [("a", 1, 4), ("b", 1, 4)], "kinds": ["a", "b"]}
    assert put == [(("a", 1), ("a", 1)), (("b", 1), ("b", 1))]
    # Three nights a year: six of twelve are done, then one more and so on.
    assert progress == [(6, 12), (7, 12), (9, 12), (10, 12), (12, 12)]
    found, seen, progress, _ = lived_through(monkeypatch, False, known, elsewhere=True)
    assert [t[2] for t in seen["todo"]] == [3] * 4 and progress == [(0, 12), (3, 12), (6, 12), (9, 12), (12, 12)]


def test_a_year_that_fails_is_told_after_the_others_are_kept(monkeypatch):
    year = SimpleNamespace(name="year 1")
    seen = []
    monkeypatch.setattr(season, "_tell", lambda *told: seen.append(told))
    failure = NoPlan("no")
    _, _, _, put = lived_through(monkeypatch, False, {}, fails=failure)
    assert [key for key, _ in put] == [("a", 1), ("a", 2), ("b", 2)]
    assert seen[0][0] is failure and (seen[0][1].name, seen[0][2], seen[0][3]) == ("b", 1, "3 case-years of 4")
    monkeypatch.undo()
    with pytest.raises(NoPlan, match="^Dry, year 1: it broke; 1 case-year of 4 are kept, --resume goes on from there$"):
        _tell(RuntimeError("it broke"), Case("d", "Dry"), year, "1 case-year of 4")
    with pytest.raises(InputProblems, match="spoiled"):
        _tell(InputProblems([Problem("f", None, None, "spoiled")]), Case("d", "Dry"), year, "")


def test_a_band_is_the_median_and_the_middle_eighty_of_a_hundred():
    found = band([0.0, 10.0, 20.0, 30.0, 40.0000004])
    assert (found.low, found.median, found.high) == (4.0, 20.0, 36.0)


def one(water=(10.0,), cost=(1.0,), flushes=(0,), dry=0.0, left=5.0, out=None, ece=3.0):
    rows = [{"water_m3": w, "cost": c, "flushes": f} for w, c, f in zip(water, cost, flushes, strict=True)]
    surfaces = {"green": {
        "dry_zone_days": dry, "dry_mm_days": 2 * dry, "soft_zone_days": 3 * dry, "salty_zone_days": 4 * dry,
        "ece_mean_dsm": ece,
    }}  # fmt: skip
    return Lived("c", "y", rows, surfaces, out, left)


PLAIN = SimpleNamespace(allocation="some", units="metric", currency="USD")


def test_a_season_is_summed_over_its_nights_and_years():
    found = [one((10.0, 20.0), (1.0, 2.0), (1, 0), dry=2.0, out="2026-08-01"), one((40.0,), (5.0,), (3,), dry=4.0)]
    summed = _summed(PLAIN, AS_IT_IS, found, found)
    assert (summed.years, summed.runs_out) == (2, ["2026-08-01", None])
    medians = [summed.water_m3, summed.left_m3, summed.cost, summed.flushes]
    assert [b.median for b in medians] == [35.0, 5.0, 4.0, 2.0]
    (green,) = summed.surfaces
    counts = (green.dry_zone_days, green.dry_mm_days, green.soft_zone_days, green.salty_zone_days)
    assert [b.median for b in counts] == [3.0, 6.0, 9.0, 12.0]
    assert green.ece_mean_dsm.median == 3.0
    assert _summed(PLAIN, AS_IT_IS, found[:1], found).years == 1
    free = [one(cost=(0.0,), left=None, ece=None), one(cost=(0.0,), left=None)]
    summed = _summed(PLAIN, AS_IT_IS, free, free)
    assert (summed.cost, summed.left_m3, summed.surfaces[0].ece_mean_dsm) == (None, None, None)


USUAL = [one(dry=10.0)]


@pytest.mark.parametrize(
    ("found", "usual", "words"),
    [
        (USUAL, USUAL, "The allocation lasts; dry zone-days: 10 on green."),
        ([one()] * 2, None, "The allocation lasts in all 2 weather years; no dry zone-days to speak of."),
        ([one(out="2026-08-03"), one(out="2026-08-01"), one(out="2026-08-02"), one()], None,
         "The allocation is used up by Sun 2 Aug in 3 of 4 weather years; no dry zone-days to speak of."),
        ([one(out="2026-08-03")], None, "The allocation is used up by Mon 3 Aug; no dry zone-days to speak of."),
        ([one((8.0,), (1.9,), dry=10.9)], USUAL,
         "The allocation lasts; 2.0 m³ less water than as it is; no more dry zone-days to speak of."),
        ([one((12.0,), (2.0,), dry=11.0)], USUAL,
         "The allocation lasts; 2.0 m³ more water than as it is; the bill rises by 1.00 USD; more dry zone-days: 1 on "
         "green."),
        ([one((12.0,), (0.0,), dry=1510.0)], USUAL,
         "The allocation lasts; 2.0 m³ more water than as it is; the bill falls by 1.00 USD; more dry zone-days: 1,500 "
         "on green."),
    ],
)  # fmt: skip
def test_a_season_in_words(found, usual, words):
    assert _words(PLAIN, found, found if usual is None else usual) == words


def test_a_season_without_an_allocation_does_not_speak_of_it():
    place = SimpleNamespace(allocation=None, units="metric", currency="USD")
    assert _words(place, [one()], USUAL).startswith("0 m³ more water than as it is")


def test_true_factors_are_drawn_as_wide_as_the_filter_is_unsure(monkeypatch):
    # Zone 1 is followed: microclimate 1.0 within .608 to 1.392 (a spread of .2), rate 10 within 8.04 to 11.96 (.1).
    estimate = SimpleNamespace(
        microclimate=np.array([1.0]), microclimate_low=np.array([0.608]), microclimate_high=np.array([1.392]),
        rate=np.array([10.0]), rate_low=np.array([8.04]), rate_high=np.array([11.96]),
    )  # fmt: skip
    filtered = SimpleNamespace(estimate=estimate, rows=np.array([1]))
    monkeypatch.setattr(season, "recent", lambda site, night, opens, days: days)
    monkeypatch.setattr(season, "what_ran", lambda *_: "ran")
    monkeypatch.setattr(season, "run_record", lambda site, demand, ran, readings: filtered)
    state = SimpleNamespace(origin=np.array(["probe", "kin", "balance"]), spread="spread")
    planned = SimpleNamespace(
        site=SimpleNamespace(zones=range(3)), night=NIGHT, opens=1260, demand=SimpleNamespace(past=None), state=state
    )
    found = believed_truth(SimpleNamespace(planned=planned), 5)
    normal = np.random.default_rng([5, 7]).normal(0.0, 1.0, (2, 3))
    np.testing.assert_allclose(np.log(found.demand), normal[0] * [0.1, 0.2, 0.1])
    np.testing.assert_allclose(np.log(found.rate), normal[1] * [0.1, 0.0196, 0.1] / [1, 0.196, 1])
    assert found.read.tolist() == [True, True, False] and found.spread == "spread"
    estimate.microclimate_high[:] = 9.0
    wide = believed_truth(SimpleNamespace(planned=planned), 5)
    assert np.log(wide.demand[1]) == pytest.approx(0.5 * normal[0, 1])
    monkeypatch.setattr(season, "run_record", lambda *_: None)
    plain = believed_truth(SimpleNamespace(planned=planned), 5)
    np.testing.assert_allclose(np.log(plain.demand), 0.1 * normal[0])


def begun(place, **given):
    """Where a season of a site begins, with what is given in place of its own."""
    night = NIGHT
    log = pd.DataFrame({"night": pd.to_datetime([night - 50 * DAY, night - DAY]), "zone": "G1", "minutes": [5.0, 6.0]})
    past = pd.DataFrame({"date": pd.to_datetime([night]), "eto": [5.0], "rain": [0.0]})
    start = {
        "site": place, "night": night, "last": night + 9 * DAY, "seed": 1, "log": log, "truth": None, "errors": None,
        "state": SimpleNamespace(depletion=np.array([5.0, 6.0])), "share": {"pump": np.array([0.9])},
        "salt": SimpleNamespace(ece=np.array([[1.0, 2.0]]), source_ec=np.array([0.5])),
        "demand": SimpleNamespace(past=past),
    }  # fmt: skip
    return season._begins(SimpleNamespace(**start | given))


def test_a_kept_year_is_taken_only_for_the_very_same_season(place):
    log, zones = pd.DataFrame({"night": pd.to_datetime([NIGHT - DAY]), "zone": "G1", "minutes": [6.0]}), place.zones
    usual = begun(place)
    assert usual == begun(place) == begun(replace(place, zones=replace(zones, name=zones.name[::-1])))
    assert begun(place, log=log.assign(zone="G2")) != begun(place, log=log)
    errors = SimpleNamespace(ratio=(np.array([1.1]),), wet=(np.array([1.0]),), dry=(np.array([0.0]),))
    truth = SimpleNamespace(demand=np.array([1.1]), rate=np.array([0.9]))
    others = [
        {"night": NIGHT + DAY}, {"last": NIGHT + 8 * DAY}, {"seed": 2}, {"log": log.assign(minutes=7.0)},
        {"state": SimpleNamespace(depletion=np.array([5.0, 6.1]))}, {"share": {"pump": np.array([0.8])}},
        {"salt": SimpleNamespace(ece=np.array([[1.0, 2.1]]), source_ec=np.array([0.5]))}, {"errors": errors},
        {"salt": SimpleNamespace(ece=np.array([[1.0, 2.0]]), source_ec=np.array([0.6]))}, {"truth": truth},
        {"site": replace(place, nights=place.nights + 1)}, {"site": replace(place, caution="lean")},
        *({"site": replace(place, zones=replace(zones, **{n: getattr(zones, n) * 1.01}))}
          for n in ("flow", "area", "application_rate", "root_depth", "kc_month", "microclimate", "du_lq", "max_run")),
    ]  # fmt: skip
    found = [begun(place, **one) for one in others]
    assert len({usual, *found}) == len(found) + 1  # each of them is another season
    year = SimpleNamespace(name="2024", eto=np.array([5.0]), rain=np.array([0.0]))
    case = SimpleNamespace(key="a")
    keys = {season._key(b, c, y) for b, c, y in (
        (usual, case, year), (found[0], case, year), (usual, SimpleNamespace(key="b"), year),
        *((usual, case, SimpleNamespace(**vars(year) | {n: v})) for n, v in
          (("name", "2023"), ("eto", np.array([5.1])), ("rain", np.array([0.1])))),
    )}  # fmt: skip
    assert len(keys) == 6
