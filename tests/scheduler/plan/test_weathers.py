"""The weathers of a plan from the folder's forecasts, and the rain that is expected."""

from datetime import date, timedelta

import numpy as np
import pytest

from models.choices import BAND
from models.runoff import curve_number, effective_rain
from scheduler.plan.weathers import ENOUGH, margin_share, other_weathers, tail_weight
from scheduler.site import load_site
from scheduler.state.caution import CAUTION
from scheduler.state.demand import evening_demand, expected_rain, zone_rain
from scheduler.state.past_forecasts import past_forecasts

NIGHT = date(2026, 7, 14)
TOML = """[site]
name = "Seven Oaks"
latitude = 38.0
longitude = 0.0
elevation = 100
time_zone = "UTC"
units = "metric"
[planning]
nights = 4
caution = "{caution}"
"""
ZONES = """zone,surface,turf,soil,root_depth,area,flow,controller,station
G1,green,creeping_bentgrass,sand_rootzone,15,500,2,,1
F1,fairway,perennial_ryegrass,clay_loam,25,2000,6,,2
"""


def line(issued, day, member, eto, rain, chance):
    return f"{issued}T16:00,{day},{member},{eto},{rain},{chance}"


def site_of(folder, forecast, past=0, wet=lambda day: 0.0, caution="even", applied=()):
    """A site whose past forecasts told 5 mm of ETo and 8 mm of rain at 50 %, while 6 mm came and rain as `wet` says."""
    folder.mkdir()
    (folder / "site.toml").write_text(TOML.format(caution=caution))
    (folder / "zones.csv").write_text(ZONES)
    days = [NIGHT - timedelta(days=d) for d in range(60)]
    (folder / "weather.csv").write_text("date,eto,rain\n" + "\n".join(f"{d},6.0,{wet(d)}" for d in days) + "\n")
    told = [
        line(d, d + timedelta(days=n), "", 5.0, 8.0, 0.5)
        for d in (NIGHT - timedelta(days=i) for i in range(1, past + 1))
        for n in range(1, 5)
    ]
    header = "issued,date,member,eto,rain,rain_probability\n"
    (folder / "forecast.csv").write_text(header + "\n".join([*told, *forecast]) + "\n")
    if applied:
        (folder / "applied.csv").write_text("night,zone,minutes\n" + "\n".join(applied) + "\n")
    return load_site(folder)


def tonight(rain=8.0, chance=0.5):
    return [line(NIGHT, NIGHT + timedelta(days=n), "", 5.0, rain, chance) for n in range(1, 5)]


def test_members_of_the_forecast_are_the_weathers(tmp_path):
    rows = [
        line(NIGHT, NIGHT + timedelta(days=n), m, 4.0 + m, 12.0 if m == 1 and n == 2 else 0.0, "")
        for m in range(1, 6)
        for n in range(1, 5)
    ]
    site = site_of(tmp_path / "s", rows)
    found = other_weathers(site, NIGHT, evening_demand(site, NIGHT, 4))
    assert (found.route, found.past) == ("members", 0)
    assert found.eto[:, 0].tolist() == [5.0, 6.0, 7.0, 8.0, 9.0]
    assert found.rain[0].tolist() == [0.0, 12.0, 0.0, 0.0]
    assert found.members.weight == pytest.approx([1 / 6] * 5)  # equally likely, and so is the expected one beside them
    assert found.members.etc.shape == (5, 2, 4)


def test_a_site_without_a_record_takes_usual_errors(tmp_path):
    site = site_of(tmp_path / "s", tonight())
    found = other_weathers(site, NIGHT, evening_demand(site, NIGHT, 4))
    assert found.route == "usual"
    wet = found.members.weight @ (found.rain > 0) / found.members.weight.sum()
    assert wet.mean() == pytest.approx(0.5, abs=0.15)  # as told, as far as ten members can say so
    again = other_weathers(site, NIGHT, evening_demand(site, NIGHT, 4))
    np.testing.assert_array_equal(found.rain, again.rain)  # the same evening, the same plan


def test_a_record_of_forecasts_that_cried_wolf_is_believed_less(tmp_path):
    site = site_of(tmp_path / "s", tonight(), past=ENOUGH + 10)
    found = other_weathers(site, NIGHT, evening_demand(site, NIGHT, 4))
    assert (found.route, found.past) == ("record", ENOUGH + 7)  # the last three have dates not yet observed
    assert not found.rain.any()
    np.testing.assert_allclose(found.eto, 6.0)


def test_past_forecasts_against_what_came(tmp_path):
    site = site_of(tmp_path / "s", tonight(), past=10, wet=lambda d: 9.0 if d == NIGHT - timedelta(days=3) else 0.0)
    past = past_forecasts(site, NIGHT, 4, 30)
    assert past.eto.shape == (7, 4)
    assert (past.told_eto == 5.0).all() and (past.told_chance == 0.5).all() and (past.told_amount == 8.0).all()
    rows, leads = np.nonzero(past.rain)  # the wet day was told once at each lead of 4 to 1 days, where all was observed
    assert sorted(leads.tolist()) == [0, 1, 2, 3]
    assert (past.rain[rows, leads] == 9.0).all()


@pytest.mark.parametrize(("past", "route"), [(ENOUGH + 3, "record"), (ENOUGH + 2, "usual")])
def test_a_record_speaks_from_enough_forecasts_on(tmp_path, past, route):
    # The last three evenings have dates not yet observed.
    site = site_of(tmp_path / "s", tonight(), past=past)
    found = other_weathers(site, NIGHT, evening_demand(site, NIGHT, 4))
    assert (found.route, found.past) == (route, past - 3)


def test_every_evening_draws_its_own_weathers(tmp_path):
    site = site_of(tmp_path / "s", tonight())
    demand = evening_demand(site, NIGHT, 4)
    one, other = (other_weathers(site, NIGHT + timedelta(days=d), demand) for d in (0, 1))
    assert not np.array_equal(one.eto, other.eto)


@pytest.mark.parametrize(("rain", "open_"), [((0.0, 60.0), True), ((7.0, 7.0), False)])
def test_weathers_that_differ_in_rain_alone_are_several(tmp_path, rain, open_):
    rows = [
        line(NIGHT, NIGHT + timedelta(days=n), m, 5.0, rain[m % 2] if n == 2 else 0.0, "")
        for m in range(1, 5)
        for n in range(1, 5)
    ]
    site = site_of(tmp_path / "s", rows)
    found = other_weathers(site, NIGHT, evening_demand(site, NIGHT, 4))
    assert (found is not None) == open_
    if found is not None:  # of 60 mm some run off the clay loam: what enters counts
        enters = effective_rain(np.array([[60.0]]), curve_number(site.zones.hydrologic_group.tolist()))[0]
        assert 0 < enters[1, 0] < 60.0
        wet = found.rain[:, 1] > 0
        np.testing.assert_allclose(found.members.effective_rain[wet, :, 1], enters.T.repeat(wet.sum(), axis=0))
        assert wet.any() and not found.members.effective_rain[~wet].any()


def test_without_a_forecast_there_is_one_weather(tmp_path):
    site = site_of(tmp_path / "s", [])
    demand = evening_demand(site, NIGHT, 4)
    assert demand.told is None
    assert other_weathers(site, NIGHT, demand) is None


@pytest.mark.parametrize(("whole", "members"), [(3.99, None), (4, 3), (5.9, 4), (11, 10), (99, 10)])
def test_a_large_site_has_fewer_weathers_and_a_very_large_one_alone(tmp_path, monkeypatch, whole, members):
    # Two zones over four nights, and room for so many weathers of them: the expected one and those that may come.
    monkeypatch.setattr("scheduler.plan.weathers.MOST_CELLS", int(2 * 4 * whole))
    site = site_of(tmp_path / "s", tonight())
    found = other_weathers(site, NIGHT, evening_demand(site, NIGHT, 4))
    assert (None if found is None else len(found.eto)) == members


def test_rain_that_may_come_runs_off_as_it_falls_not_as_its_mean(tmp_path):
    # 60 mm one time in two: runoff of 60 mm by the curve number, halved; not that of 30 mm. TR-55.
    site = site_of(tmp_path / "s", tonight(60.0, 0.5))
    demand = evening_demand(site, NIGHT, 4)
    enters, runs_off = expected_rain(site, demand)
    whole = effective_rain(np.array([60.0]), curve_number(site.zones.hydrologic_group.tolist())[1:])
    assert enters[1] == pytest.approx([float(whole[0][0]) / 2] * 4)
    assert runs_off[1] == pytest.approx([float(whole[1][0]) / 2] * 4)
    assert (enters + runs_off)[1] == pytest.approx([30.0] * 4)
    assert (runs_off[1] > zone_rain(site, demand.future)[1][1]).all()


def test_chances_follow_a_case(tmp_path):
    told = evening_demand(site_of(tmp_path / "s", tonight()), NIGHT, 4).told
    other = told.times(np.full(4, 1.1), np.array([1.0, 0.5, 0.0, 1.0]))
    assert other.eto == pytest.approx([5.5] * 4)
    assert other.amount == pytest.approx([8.0, 4.0, 0.0, 8.0])
    assert other.chance == pytest.approx(told.chance)


def test_what_caution_means(tmp_path):
    words = ("careful", "even", "lean")
    sites = {word: site_of(tmp_path / word, tonight(), caution=word) for word in words}
    assert [CAUTION[w].worth for w in words] == sorted((CAUTION[w].worth for w in words), reverse=True)
    assert tail_weight(sites["careful"]).tolist() == [1.0, 0.0]  # the greens are served first
    assert not tail_weight(sites["even"]).any()
    # Each word is no less lean than the one before; where one weather stands for all none goes without a margin.
    for name in ("worth", "catch", "margin", "met", "extra"):
        values = [getattr(CAUTION[w], name) for w in words]
        assert values == sorted(values, reverse=True) and values[0] > values[-1], name
    assert [margin_share(sites[w], True) for w in words] == [CAUTION[w].margin for w in words]
    alone = [max(CAUTION[w].margin, BAND.margin_share) for w in words]
    assert [margin_share(sites[w], False) for w in words] == alone
