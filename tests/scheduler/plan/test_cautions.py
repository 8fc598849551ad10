"""What each word for caution would have done, from the folder's own weather and forecasts."""

from dataclasses import replace
from datetime import date, timedelta
from io import StringIO
from types import SimpleNamespace

import numpy as np
import pytest
from rich.console import Console

from models.choices import PRICES
from models.plan.refill import refill
from models.runoff import curve_number, effective_rain
from scheduler.plan import cautions
from scheduler.plan.cautions import FEWEST, MOST_ZONES, Lived, Lives, _spread, lived_by_caution
from scheduler.state.caution import CAUTION
from scheduler.terminal.nightly import print_cautions
from tests.scheduler.plan.test_weathers import NIGHT, line, site_of, tonight

KC = {"G1": 0.85, "F1": 0.85}


def forecasts(rain, chance, count=40):
    return [
        line(NIGHT - timedelta(days=i), NIGHT - timedelta(days=i - n), "", 6.0, rain, chance)
        for i in range(1, count + 1)
        for n in range(1, 5)
    ]


def test_too_few_forecasts_say_nothing(tmp_path):
    assert lived_by_caution(site_of(tmp_path / "s", tonight(), past=FEWEST)) is None  # the last three are not yet over


def test_without_rain_every_word_gives_what_the_turf_used(tmp_path):
    # 6 mm of ETo a day came as told, nothing drains: water is ET over the share of catch runs are made for
    site = site_of(tmp_path / "s", forecasts(0.0, 0.0))
    lives = lived_by_caution(site)
    assert lives.evenings == 37 and (lives.last - lives.first).days == 36
    months = [(lives.first + timedelta(days=i + 1)).month - 1 for i in range(37)]
    used = site.zones.kc_month[:, months].sum(axis=1) * 6.0
    full = float((used * site.zones.area / 1000.0 / site.net_share).sum())
    share = 1.0 - CAUTION["careful"].extra * (1.0 - site.net_share)  # careful goes a third beyond the drier half
    most = float((used * site.zones.area / 1000.0 / share).sum())
    least = float((used * site.zones.area / 1000.0).sum())
    by_word = {life.word: life for life in lives.words}
    for life in lives.words:
        assert 0.97 * least <= life.water <= (most if life.word == "careful" else full) * 1.001
    assert full < by_word["careful"].water
    assert by_word["careful"].dry <= by_word["even"].dry <= by_word["lean"].dry


def test_a_careful_word_takes_no_less_water_where_rain_may_come(tmp_path):
    site = site_of(tmp_path / "s", forecasts(10.0, 0.4), wet=lambda day: 12.0 if day.day % 4 == 0 else 0.0)
    words = {life.word: life for life in lived_by_caution(site).words}
    assert words["careful"].water >= words["even"].water >= words["lean"].water
    assert words["careful"].dry <= words["lean"].dry
    assert words["careful"].water > words["lean"].water


def test_where_rain_brings_more_than_the_turf_uses_no_word_has_a_run_or_a_dry_zone(tmp_path):
    site = site_of(tmp_path / "s", forecasts(20.0, 1.0), wet=lambda day: 20.0)
    assert [(life.runs, life.dry) for life in lived_by_caution(site).words] == [(0, 0)] * 3


def test_the_expected_weather_weighs_as_much_as_each_other_one(tmp_path, monkeypatch):
    asked = []
    monkeypatch.setattr(
        cautions, "refill", lambda zones, *prices: asked.append(zones.members) or refill(zones, *prices)
    )
    lived_by_caution(site_of(tmp_path / "s", forecasts(10.0, 0.4)))
    for members in asked:
        main = 1.0 - members.weight.sum()
        assert main == pytest.approx(members.weight.mean())
    assert len(asked) == 3 * 37


def test_few_zones_are_all_played_and_of_many_evenly_spread_ones():
    for few in (1, 2, MOST_ZONES):
        assert _spread(few).tolist() == list(range(few))
    many = _spread(4 * MOST_ZONES)
    assert (many.size, many[0], many[-1]) == (MOST_ZONES, 0, 4 * MOST_ZONES - 1)
    assert set(np.diff(many)) <= {4, 5}


def test_an_evening_s_runs_are_refills_of_open_zones_within_their_longest_run(monkeypatch):
    # Evening 1 of a stretch of four dates, by a forecast of two. The second zone is shut; the first's 6 mm are 12 of
    # what falls, and its longest run gives 5.
    seen = []

    def drawn(usual, eto, rain, chance):
        return np.stack((eto, 2 * eto)), np.stack((rain, 0 * rain))

    monkeypatch.setattr(cautions, "weathers", drawn)
    monkeypatch.setattr(cautions, "reduced", lambda eto, rain, most: (np.array([0, 1]), np.array([0.75, 0.25])))
    monkeypatch.setattr(cautions, "refill", lambda *given: seen.append(given) or SimpleNamespace(depth=np.full(2, 6.0)))
    day = np.arange(4.0)
    begin = {"kc": 0.5, "limit": 20.0, "margin": 1.0, "strict": 19.0, "wet": 4.0}
    rows = {name: np.stack((v + day, v + 10 + day)) for name, v in begin.items()}
    stretch = cautions._Stretch(
        some=np.array([0, 1]), closed=np.array([[True, False, True, True], [False, True, False, False]]),
        taw=np.full(2, 40.0), longest=np.array([5.0, 50.0]), fraction=np.full(2, 0.5),
        served=np.array([[0.5, 1.0], [0.4, 0.8]]),
        catch=np.ones((3, 2)), followed=np.zeros(2, dtype=bool), groups=curve_number(["A", "D"]), usual=None, **rows,
    )  # fmt: skip
    told = SimpleNamespace(
        told_eto=np.array([[0.0, 0.0], [4.0, 5.0]]), told_amount=np.array([[0.0, 0.0], [60.0, 0.0]]),
        told_chance=np.array([[1.0, 1.0], [0.5, 1.0]]), eto=np.zeros((2, 2)),
    )  # fmt: skip
    site = SimpleNamespace(caution="careful", price_of_a_run=1.5)
    found = cautions._run_of(stretch, site, told, 1, 1, np.array([7.0, 8.0]))
    assert found.tolist() == [5.0, 0.0]
    ((zones, turf, run),) = seen
    assert (turf, run) == (PRICES.turf * CAUTION["careful"].worth, 1.5)
    ahead = slice(1, 3)
    np.testing.assert_allclose(zones.etc, rows["kc"][:, ahead] * [4.0, 5.0])
    np.testing.assert_allclose(zones.dry_limit, (rows["limit"] - rows["margin"])[:, ahead])
    np.testing.assert_allclose(zones.wet_limit, rows["wet"][:, ahead])
    enters = effective_rain(np.array([[60.0]]), stretch.groups)[0][:, 0]  # what the ground takes of it where it falls
    np.testing.assert_allclose(zones.effective_rain, np.stack((0.5 * enters, [0.0, 0.0]), axis=1))
    assert zones.depletion.tolist() == [7.0, 8.0]
    np.testing.assert_allclose(zones.members.weight, [0.5, 0.25 * 2 / 3])
    np.testing.assert_allclose(zones.members.etc[1], 2 * zones.etc)
    np.testing.assert_allclose(zones.members.effective_rain[:, :, 0], [enters, [0.0, 0.0]])


def test_a_word_s_life_is_counted_over_all_zones_and_filled_up_at_the_end(monkeypatch):
    # Two of four zones are played, over two evenings: 4 and 2 mm given, 5 mm used each date; half of it all reaches
    # the drier half.
    zones = type("Zones", (SimpleNamespace,), {"__len__": lambda self: 4})(area=np.array([100.0, 200.0, 300.0, 400.0]))
    site, place = SimpleNamespace(zones=zones, caution="plain"), {}
    apart = cautions.TOLD.apart * 100.0
    stretch = cautions._Stretch(
        some=np.array([0, 3]), kc=np.ones((2, 2)), limit=np.full((2, 2), 50.0),
        strict=np.array([[9.8, 9.8], [30.0 - apart] * 2]), margin=np.zeros((2, 2)),
        wet=np.zeros((2, 2)), closed=np.zeros((2, 2), dtype=bool), taw=np.full(2, 100.0), longest=np.full(2, 9.0),
        fraction=np.full(2, 0.9), served=np.array([[0.8, 0.8], [0.4, 0.4]]),
        catch=np.ones((3, 2)), followed=np.zeros(2, dtype=bool), groups=curve_number(["A"] * 4), usual=None,
    )  # fmt: skip
    gross = [np.array([5.0, 0.0]), np.array([2.5, 0.0])]
    monkeypatch.setattr(cautions, "with_weighed_catch", lambda site, demand: (site, None))
    monkeypatch.setattr(cautions, "evening_demand", lambda *given: place)
    monkeypatch.setattr(cautions, "_stretch", lambda *given: stretch)
    monkeypatch.setattr(cautions, "_run_of", lambda s, site, told, m, i, depletion: gross[m])
    told = SimpleNamespace(
        evening=np.array([NIGHT, NIGHT + timedelta(days=1)], dtype="datetime64[D]"), eto=np.full((2, 1), 5.0),
        rain=np.zeros((2, 1)),
    )  # fmt: skip
    lived = cautions._played(site, NIGHT, NIGHT, told, None)
    # The first starts at half of its limit, 4.9, and ends its dates at 7.9 and 11.9 in its drier half: past it by more
    # than what is told apart on the second alone.
    assert apart == 2.0
    start = 0.5 * (30.0 - apart)
    end = np.array([4.9 - 4.0 + 5.0 - 2.0 + 5.0, start + 10.0])
    filled = np.array([7.5, 0.0]) + (end - [4.9, start]) / 0.8
    volume = 1000.0 / 500.0 * (filled * [100.0, 400.0]).sum() / 1000.0
    assert lived.water == pytest.approx(volume) and (lived.word, lived.runs) == ("plain", 4)
    assert lived.dry == 2  # the zones that are played stand for twice as many
    # Where a probe is heard, runs are made for the mean of places that catch 0.6, 1 and 1.4 of it, each by its share of
    # the zone: 4.9 + 5 - 3 + 5 - 1.5 in the driest, and so on; what is missing at the end fills the mean.
    asked = []
    monkeypatch.setattr(cautions, "_run_of", lambda s, site, told, m, i, depletion: asked.append(depletion) or gross[m])
    heard = replace(stretch, followed=np.array([True, False]), catch=np.array([[0.6] * 2, [1.0] * 2, [1.4] * 2]))
    monkeypatch.setattr(cautions, "_stretch", lambda *given: heard)
    lived = cautions._played(site, NIGHT, NIGHT, told, None)
    places = np.array([[4.9 - 3.0 + 5.0, 5.0, 5.0], [6.9 - 1.5 + 5.0, 5.0 - 2.5 + 5.0, 5.0 - 3.5 + 5.0]])
    np.testing.assert_allclose(asked[1][0], places[0] @ [0.25, 0.5, 0.25])
    filled[0] = 7.5 + places[1] @ [0.25, 0.5, 0.25] - 4.9
    assert lived.water == pytest.approx(1000.0 / 500.0 * (filled * [100.0, 400.0]).sum() / 1000.0)


def test_the_table_names_the_word_in_use_and_says_by_what_dry_is_counted():
    lives = Lives(
        date(2026, 6, 15), date(2026, 7, 7), 23, (Lived("careful", 300.0, 0, 21), Lived("even", 271.0, 47, 17))
    )
    out = StringIO()
    print_cautions(Console(file=out, width=120), lives, "even", "metric")
    rows = [r.split() for r in out.getvalue().splitlines()]
    assert ["careful", "300.0", "m³", "21", "0"] in rows and ["even", "(now)", "271.0", "m³", "17", "47"] in rows
    assert "limit that careful keeps" in out.getvalue()
    nothing = StringIO()
    print_cautions(Console(file=nothing), None, "even", "metric")
    assert nothing.getvalue() == ""
