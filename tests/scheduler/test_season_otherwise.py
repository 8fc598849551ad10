"""Plain practices of a season, by hand: what they ask, what holds them, and days counted dry, soft and salty."""

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.choices import SALT, TOLD
from models.layers import ece_of, root_zone_ece, some_layers, state_from_ece
from models.salt_balance import layered_day
from scheduler.salinity.readings import site_layers
from scheduler.season import otherwise
from scheduler.season.otherwise import (
    MANY,
    PICTURES,
    _hottest_month,
    _limits,
    _play,
    _programme_days,
    _stacked,
    _surface_coefficient,
    _water_only,
    plain_practices,
)
from tests.scheduler.site_folders import TOML, site

FIRST = date(2026, 6, 29)  # a Monday
PIPES = """[window]
opens = "22:00"
closes = "04:00"
[[source]]
name = "well"
daily_limit = "20 m3"
ec = 2.0
[[source]]
name = "lake"
ec = 1.0
[[pump]]
name = "p"
capacity = 5
[[pump]]
name = "q"
capacity = 9
[[branch]]
name = "b"
pump = "p"
capacity = 3
[[branch]]
name = "c"
pump = "q"
[[restriction]]
name = "no Tuesday"
surfaces = ["fairway"]
nights_allowed = ["Monday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"]
"""
ZONES = (
    "zone,surface,soil,area,flow,branch,sources,max_run\nG1,green,sandy_loam,500,2,b,lake,600\n"
    "F1,fairway,loam,2000,4,c,well,60\nF2,fairway,loam,1000,4,b,,\n"
)


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    weather = "date,eto,rain\n" + "".join(f"{FIRST + timedelta(days=i)},5,0\n" for i in range(4))
    return site(tmp_path_factory.mktemp("s") / "a", TOML + PIPES, ZONES, weather=weather)


def days_of(count, first=FIRST, eto=5.0, rain=0.0):
    return pd.DataFrame({"date": pd.date_range(first, periods=count), "eto": eto, "rain": rain})


class Zones(SimpleNamespace):
    def __len__(self):
        return len(self.area)


def test_plain_practice_knows_one_coefficient_a_surface_by_area():
    kc = np.zeros((3, 12))
    kc[:, 5], kc[:, 6] = [0.6, 0.8, 1.0], [0.7, 0.9, 1.1]
    zones = Zones(surface=np.array(["tee", "tee", "green"]), area=np.array([300.0, 100.0, 50.0]), kc_month=kc)
    found = _surface_coefficient(SimpleNamespace(zones=zones), days_of(3))  # 29 and 30 June, 1 July
    np.testing.assert_allclose(found, [[0.65, 0.65, 0.75], [0.65, 0.65, 0.75], [1.0, 1.0, 1.1]])


@pytest.mark.parametrize(
    ("first", "count", "expected"),
    [
        (date(2026, 6, 1), 61, [2.0, 3.0]),  # June's 2 and 1, July's 1 and 3
        (date(2026, 6, 16), 29, [2.0, 1.0]),  # July has 14 days: no whole month
        (date(2026, 6, 16), 30, [2.0, 3.0]),  # 15 are enough
        (date(2026, 6, 29), 5, [1.0, 3.0]),  # of a short season the month that is longest
    ],
)
def test_a_programme_is_set_for_the_month_that_asks_most(first, count, expected):
    days = days_of(count, first)
    need = np.where(days["date"].dt.month == 6, [[2.0], [1.0]], [[1.0], [3.0]])
    assert _hottest_month(days, need).tolist() == expected


@pytest.mark.parametrize(
    ("share", "days"),
    [
        ([1, 1, 1, 1, 1, 1, 1], [0, 2, 4]), ([1, 0, 1, 0, 1, 0, 0], [0, 2, 4]), ([0, 1, 0, 1, 0, 1, 1], [1, 5, 6]),
        ([0, 1, 0, 0, 0, 1, 0], [1, 5]), ([0] * 7, []), ([1, 0.5, 1, 0.49, 0, 0, 0], [0, 1, 2]),
        ([0, 0.2, 0.2, 0.2, 0.2, 0.2, 0], [1, 3, 5]), ([1, 1, 1, 1, 0, 0, 0], [0, 2, 3]),
    ],
)  # fmt: skip
def test_days_of_a_programme_are_those_most_often_allowed(share, days):
    weekday = np.repeat(np.arange(7), 100)
    allowed = np.stack([(np.arange(100) < round(100 * share[d])) for d in range(7)]).reshape(1, -1)
    assert _programme_days(weekday, np.repeat(allowed, 2, axis=0)) == days
    assert _programme_days(np.array([1, 1]), np.ones((2, 2), dtype=bool)) == [1]


def test_a_night_s_limits_are_those_of_branches_pumps_and_permits(place, monkeypatch):
    monkeypatch.setattr(otherwise, "event_nights", lambda site, nights: SimpleNamespace(dry=DRY))
    monkeypatch.setattr(otherwise, "fits_alone", lambda site: np.array([True, True, False]))
    DRY = np.zeros((3, 4), dtype=bool)  # noqa: N806
    DRY[0, 3] = True
    allowed, ((branch, of_branch), (pump, of_pump), (source, of_source)), longest = _limits(place, days_of(4))
    assert allowed.tolist() == [[True, True, True, False], [True, False, True, True], [False] * 4]
    # 6 hours of 3, 5 and 9 L/s
    assert branch.tolist() == [[1, 0, 1], [0, 1, 0]] and pump.tolist() == [[1, 0, 1], [0, 1, 0]]
    np.testing.assert_allclose(of_branch, [[64.8] * 4, [np.inf] * 4])
    np.testing.assert_allclose(of_pump, [[108.0] * 4, [194.4] * 4])
    assert source[:, :2].tolist() == [[0, 1], [1, 0]]
    np.testing.assert_allclose(of_source, [[20.0] * 4, [np.inf] * 4])
    # No longer than the window, the zone's own longest run, or both.
    np.testing.assert_allclose(longest, [360 * 2 * 0.06, 60 * 4 * 0.06, min(360, place.zones.max_run[2]) * 4 * 0.06])


def test_without_pipes_or_permits_nothing_is_shared(tmp_path):
    bare = site(tmp_path / "b", TOML)
    assert _limits(bare, days_of(2))[1] == []
    assert _limits(bare, days_of(0))[2].tolist() == [0.0, 0.0]


@pytest.fixture
def asked(monkeypatch, place):
    """What each practice asks, in place of what it does; 1 mm net is 1 m3, limits are those of `seen`."""
    seen = {"longest": np.full(3, np.inf)}

    def limits(site, days):
        return np.ones((3, len(days)), dtype=bool), [], seen["longest"]

    def play(site, days, etc, rain, start, ece_start, pictures, water, per_mm):
        seen.update(pictures=pictures, water=water, per_mm=per_mm, salts=True)
        return [[len(m)] for m in water]

    def plain(site, days, etc, rain, start, pictures, water, per_mm):
        seen.update(pictures=pictures, water=water, salts=False)
        return [[len(m)] for m in water]

    monkeypatch.setattr(otherwise, "_limits", limits)
    monkeypatch.setattr(otherwise, "_play", play)
    monkeypatch.setattr(otherwise, "_water_only", plain)
    monkeypatch.setattr(otherwise, "_surface_coefficient", lambda site, days: np.full((3, len(days)), 0.5))
    return seen


def practices(place, days, base=None, logged=None):
    logged = np.ones((3, len(days))) if logged is None else logged
    return plain_practices(place, days, SimpleNamespace(start=np.zeros(3)), logged, base, np.zeros((3, 2)))


def test_each_practice_is_asked_in_every_picture(place, asked):
    days = days_of(14, eto=4.0)
    found = practices(place, days, base=np.full((3, 14), 7.0))
    assert [(p.key, p.outcomes) for p in found] == [
        (k, (len(PICTURES),)) for k in ("as_logged", "et_replacement", "fixed_programme", "base_year")
    ]
    per_mm = place.zones.area / 1000.0 / place.net_share
    np.testing.assert_allclose(asked["per_mm"], per_mm)
    logged, et, programme, base = asked["water"]
    assert all((one == 1.0).all() for one in logged) and all((one == 7.0).all() for one in base)
    # 2 mm a day, times the coefficient of the picture; three runs a week of a third of 14 mm.
    for picture, one in zip(PICTURES, et, strict=True):
        np.testing.assert_allclose(one, 2.0 * picture[0] * np.repeat(per_mm[:, None], 14, axis=1))
    for picture, one in zip(PICTURES, programme, strict=True):
        on = np.isin(days["date"].dt.weekday, (0, 2, 4))
        np.testing.assert_allclose(one, 14.0 / 3.0 * picture[0] * on * per_mm[:, None])
    assert len(practices(place, days)) == 3


def test_what_falls_need_not_be_replaced_and_no_zone_takes_more_than_its_longest(place, asked):
    asked["longest"] = np.array([0.5, np.inf, np.inf])
    practices(place, days_of(2, eto=4.0, rain=np.array([1.0, 0.0])), base=np.full((3, 2), 7.0))
    per_mm = asked["per_mm"]
    et = asked["water"][1][0]
    assert et[0].tolist() == [0.5, 0.5]
    fell = 1.0 - et[1, 0] / per_mm[1] / 2.0
    assert 0.0 <= fell <= 0.5
    assert asked["water"][3][0][0].tolist() == [0.5, 0.5]


@pytest.mark.parametrize(
    ("rule", "most"),
    [
        ({"volume": 30.0, "used_before": 10.0, "tiers": ()}, 20.0),
        ({"volume": 5.0, "used_before": 10.0, "tiers": ()}, 0.0),
        ({"volume": 30.0, "used_before": 10.0, "tiers": ((1.0, 2.0),)}, None), (None, None),
    ],
)  # fmt: skip
def test_a_hard_allocation_ends_what_practice_would_ask(place, asked, rule, most):
    days = days_of(14, eto=4.0)
    practices(replace(place, allocation=None if rule is None else SimpleNamespace(**rule)), days)
    each = [one.sum() for one in (asked["water"][1][0], asked["water"][2][0])]
    if most is None:
        assert min(each) > 50.0
    else:
        assert each == pytest.approx([most, most])


@pytest.mark.parametrize(("count", "salts"), [(MANY, True), (MANY + 1, False)])
def test_very_long_records_are_drawn_in_three_pictures_without_salts(place, asked, count, salts):
    practices(place, days_of(count))
    assert asked["salts"] == salts
    assert asked["pictures"] == (PICTURES if salts else PICTURES[:3])


# ------------------------------------------------------------------------------------------------ what they do


def test_a_soil_that_holds_more_holds_it_above_its_wilting_point(place):
    one = site_layers(place)
    found = _stacked(one, np.repeat([1.0, 0.8, 3.0], 3))
    np.testing.assert_allclose(found.field_capacity, np.tile(one.field_capacity, (3, 1)))
    np.testing.assert_allclose(found.available[3:6], 0.8 * one.available)
    held = one.field_capacity - one.wilting_point
    np.testing.assert_allclose(found.wilting_point[6:], np.maximum(one.field_capacity - 3.0 * held, 0.0))
    assert found.zones == 9


def weathered(monkeypatch, place, count=5):
    """ET of 4 mm and limits that change by the date, so that a date off by one is seen."""
    etc = np.array([[4.0 + 0.3 * n for n in range(count)]] * 3) * np.array([[1.0], [0.8], [0.9]])
    rain = np.zeros((3, count))
    rain[:, 2] = [3.0, 1.0, 0.0]
    taw = place.zones.taw
    dry = np.array([[0.30 + 0.02 * n for n in range(count)]] * 3) * taw[:, None]
    wet = np.array([[0.25 + 0.02 * n for n in range(count)]] * 3) * taw[:, None]
    p = np.full((3, count), 0.4) + 0.01 * np.arange(count)
    monkeypatch.setattr(otherwise, "limits_of", lambda site, et, whole, nights: (p, dry, wet))
    return etc, rain, p, dry, wet


def test_days_are_counted_as_the_layered_balance_has_them_one_zone_at_a_time(monkeypatch, place):
    days = days_of(5)
    etc, rain, p, dry, wet = weathered(monkeypatch, place)
    taw, per_mm = place.zones.taw, place.zones.area / 1000.0
    start = np.array([0.2, 0.35, 1.4]) * taw  # the last cannot be drier than all that it holds
    ece = np.array([[2.0, 5.0], [np.nan, np.nan], [6.0, 9.0]])
    pictures = ((1.0, 1.0, 1.0), (1.0, 1.2, 0.7))
    volume = [np.array([[0.0, 2, 0, 0, 1], [3, 0, 0, 9, 0], [0, 0, 20, 0, 0.0]]), np.zeros((3, 5))]
    practice = [[volume[0], volume[1]], [volume[1], volume[0]]]
    found = _play(place, days, etc, rain, start, ece, pictures, practice, per_mm)
    source = otherwise.usual_source_ec(place)
    for i, members in enumerate(practice):
        for j, (water, (_, truth, hold)) in enumerate(zip(members, pictures, strict=True)):
            dry_days = soft_days = salty = 0
            ends = []
            for z in range(3):
                one = _stacked(some_layers(site_layers(place), np.array([z])), np.array([hold]))
                whole = float(one.available.sum())
                state = state_from_ece(one, np.array([min(start[z], whole)]), np.nan_to_num(ece[z])[None])
                for n in range(5):
                    last = n == 4
                    date_ = n if last else n + 1
                    before, net = float(state.total_depletion[0]), water[z, n] / per_mm[z]
                    state = layered_day(
                        one, state, np.array([net]), source[z : z + 1],
                        np.array([0.0 if last else etc[z, date_] * truth]),
                        np.array([0.0 if last else rain[z, date_]]), p[z, date_ : date_ + 1], slow=SALT.slow,
                    ).state  # fmt: skip
                    soft_days += max(before - net, 0.0) < wet[z, n] * hold - TOLD.apart * whole
                    if not last:
                        dry_days += float(state.total_depletion[0]) > dry[z, date_] * hold + TOLD.apart * whole
                    mean = float(root_zone_ece(one, ece_of(one, state))[0])
                    salty += z != 1 and mean >= place.zones.ece_threshold[z]
                if z != 1:
                    ends.append(mean)
            out = found[i][j]
            assert (out.water, out.dry, out.soft, out.above) == (water.sum(), dry_days, soft_days, salty)
            assert out.ece_end == pytest.approx(np.mean(ends))
    assert {o.dry for practice in found for o in practice} != {0} and len({o.soft for f in found for o in f}) > 1
    assert found[0][0].above > 0
    none = _play(place, days, etc, rain, start, np.full((3, 2), np.nan), pictures, practice, per_mm)
    assert np.isnan(none[0][0].ece_end) and none[0][0].above == 0 and none[0][0].dry == found[0][0].dry


def test_without_salts_days_are_counted_in_one_layer(monkeypatch, place):
    etc, rain, p, dry, wet = weathered(monkeypatch, place)
    taw, per_mm = place.zones.taw, place.zones.area / 1000.0
    start = np.array([0.2, 0.35, 1.4]) * taw
    water = np.array([[0.0, 2, 0, 0, 1], [3, 0, 0, 9, 0], [0, 0, 20, 0, 0.0]])
    pictures = ((1.0, 1.0, 1.0), (1.0, 1.2, 0.7))
    (found,) = _water_only(place, days_of(5), etc, rain, start, pictures, [[water, water]], per_mm)
    for out, (_, truth, hold) in zip(found, pictures, strict=True):
        dry_days = soft_days = 0
        for z in range(3):
            whole = taw[z] * hold
            depletion = min(start[z], whole)
            for n in range(5):
                left = max(depletion - water[z, n] / per_mm[z], 0.0)
                soft_days += left < wet[z, n] * hold - TOLD.apart * whole
                if n < 4:
                    ks = np.clip((whole - left) / ((1.0 - p[z, n + 1]) * whole), 0.0, 1.0)
                    depletion = left + etc[z, n + 1] * truth * ks - rain[z, n + 1]
                    depletion = min(max(depletion, 0.0), whole)
                    dry_days += depletion > dry[z, n + 1] * hold + TOLD.apart * whole
        assert (out.water, out.dry, out.soft, out.above) == (water.sum(), dry_days, soft_days, 0)
        assert dry_days and soft_days and np.isnan(out.ece_end)
