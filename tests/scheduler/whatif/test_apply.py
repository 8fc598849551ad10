"""What a case changes in the site and from which night on, on a site small enough to reckon by hand."""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from scheduler.site import load_site
from scheduler.whatif import apply
from scheduler.whatif.apply import (
    _case_salt,
    _choices,
    _closed_sources,
    _has_water,
    _notes,
    _off,
    _pump_share,
    _warm,
    allowed_hours,
    ordered_site,
    settled_site,
    shifted_demand,
)
from scheduler.whatif.case import read_cases
from tests.scheduler.site_folders import TOML, site
from tests.scheduler.whatif.test_case import a_site

NIGHT = date(2026, 7, 15)  # a Wednesday
DATES = [NIGHT + timedelta(days=i) for i in range(4)]
STEPS = '\ntiers = [{ above = 0.5, price = "1.0 per m3" }, { above = 0.9, price = "4.0 per m3" }]\n'


def made(folder, log="", **cases):
    """The site with runs of G1 (1.5 L/s) in its log, and its cases."""
    place = a_site(folder, **cases)
    (place.folder / "applied.csv").write_text("night,zone,minutes\n" + log, encoding="utf-8")
    return load_site(place.folder)


def case_of(place, name):
    return read_cases(place, [name])[0]


def test_a_smaller_allocation_is_of_what_is_left(tmp_path):
    # 1,000 min of 1.5 L/s are 90 m3: of 5,000 m3 there are 4,910 left, and half of them stay.
    place = made(tmp_path, "2026-07-02,G1,1000\n", half="allocation_factor = 0.5\n")
    assert settled_site(place, case_of(place, "half"), NIGHT).allocation.volume == pytest.approx(90.0 + 0.5 * 4910.0)


def test_dearer_water_is_dearer_beyond_the_season_too(tmp_path):
    place = made(tmp_path, dear=f"price_factor = 1.5{STEPS}")
    steps = settled_site(place, case_of(place, "dear"), NIGHT).allocation.tiers
    np.testing.assert_allclose(steps, [(0.5, 1.5), (0.9, 6.0)])


def test_of_this_week_only_nights_of_the_order_count(tmp_path):
    # Monday and Tuesday ran. Two nights a week from Tuesday on leave one until Sunday; without a date none is left.
    ran = "2026-07-13,G1,10\n2026-07-14,G1,10\n"
    place = made(tmp_path, ran, dated="nights_a_week = 2\nfrom = 2026-07-14\n", whole="nights_a_week = 2\n")
    left = [_choices(place, case_of(place, name), DATES)[0].weeks for name in ("dated", "whole")]
    assert left == [(((0, 1, 2, 3), 1),), (((0, 1, 2, 3), 0),)]


def test_surfaces_are_off_from_the_cases_first_night_to_its_last(tmp_path):
    place = made(tmp_path, off='surfaces_off = ["fairway"]\nfrom = 2026-07-16\nuntil = 2026-07-17\n')
    found = ordered_site(place, case_of(place, "off")).restrictions[-1]
    assert (found.starts, found.ends) == (date(2026, 7, 16), date(2026, 7, 17))
    assert found.surfaces == {"fairway"} and found.nights_allowed == frozenset()


def test_factors_of_two_parts_multiply(tmp_path):
    place = made(tmp_path, one="pump_capacity_factor = 0.5\n", two="pump_capacity_factor = 0.8\nfrom = 2026-07-17\n")
    share = _pump_share(place, case_of(place, "one+two"), DATES)
    np.testing.assert_allclose(share, [[0.5, 0.5, 0.4, 0.4]] * 2)


def bare(starts=None, ends=None, surfaces=None, **keys):
    """A case of one part with these keys."""
    part = SimpleNamespace(keys=Keys(starts=starts, ends=ends, surfaces=surfaces, **keys))
    part.on = lambda dates: np.array([(starts is None or d >= starts) and (ends is None or d <= ends) for d in dates])
    return SimpleNamespace(parts=(part,))


class Keys(SimpleNamespace):
    """Keys of a case: those not given are None."""

    def __getattr__(self, name):
        return None


def both(*cases):
    return SimpleNamespace(parts=tuple(p for case in cases for p in case.parts))


def test_prices_and_salt_of_two_parts_multiply(tmp_path):
    place = made(tmp_path)
    well = replace(place.sources[0], price=0.4, ec=1.5)
    case = both(bare(price_factor=1.5, ec_factor=2.0), bare(price_factor=2.0, ec_factor=1.1))
    found = settled_site(replace(place, sources=(well,)), case, NIGHT).sources[0]
    assert (found.price, found.ec) == pytest.approx((0.4 * 3.0, 1.5 * 2.2))


def test_a_step_in_cubic_metres_is_a_share_of_the_case_s_own_volume(tmp_path):
    place = made(tmp_path, steps='allocation = "2000 m3"\ntiers = [{ above = "500 m3", price = "1.0 per m3" }]\n')
    rule = settled_site(place, case_of(place, "steps"), NIGHT).allocation
    assert (rule.volume, rule.tiers) == (2000.0, ((0.25, 1.0),))


@pytest.mark.parametrize(
    ("keys", "nights", "hours", "surfaces", "cut"),
    [
        ({"nights_allowed": frozenset({1})}, frozenset({1}), None, {"green"}, 0.0),
        ({"nights_a_week": 0}, frozenset(), None, {"green"}, 0.0),
        ({"hours_forbidden": [(480, 1200)]}, None, ((0, 480), (1200, 1440)), {"green"}, 0.0),
        ({"surfaces_off": {"tee"}}, frozenset(), None, {"tee"}, 0.0),
        ({"cut": 0.3}, None, None, {"green"}, 0.3),
    ],
)
def test_bans_of_a_case_stand_among_the_sites_orders_for_its_dates(tmp_path, keys, nights, hours, surfaces, cut):
    place = made(tmp_path)
    case = bare(NIGHT, NIGHT + timedelta(days=2), {"green"}, **keys)
    (found,) = ordered_site(place, case).restrictions[len(place.restrictions) :]
    assert (found.nights_allowed, found.hours, found.surfaces, found.cut) == (nights, hours, surfaces, cut)
    assert (found.starts, found.ends) == (NIGHT, NIGHT + timedelta(days=2))


@pytest.mark.parametrize("keys", [{"nights_a_week": 1}, {"cut": 0.3, "base": 2025}, {}])
def test_what_is_reckoned_in_water_or_nights_is_no_ban(tmp_path, keys):
    place = made(tmp_path)
    assert ordered_site(place, bare(**keys)).restrictions == place.restrictions


@pytest.mark.parametrize(
    ("forbidden", "left"),
    [
        ([(480, 1200)], ((0, 480), (1200, 1440))),
        ([(1200, 1800)], ((360, 1200),)),  # past midnight
        ([(0, 1440)], ()),
        ([(0, 60), (120, 180)], ((60, 120), (180, 1440))),
        ([(1380, 1440)], ((0, 1380),)),
    ],
)
def test_hours_that_are_left_are_what_is_not_forbidden(forbidden, left):
    assert allowed_hours(forbidden) == left


def test_a_pump_that_is_out_gives_nothing_on_its_nights_and_others_all(tmp_path):
    place = made(tmp_path)
    out = _pump_share(place, bare(NIGHT + timedelta(days=1), NIGHT + timedelta(days=2), pump_out=["south"]), DATES)
    assert out.tolist() == [[1.0] * 4, [1.0, 0.0, 0.0, 1.0]]
    assert _pump_share(place, bare(), DATES) is None


def test_zones_and_sources_are_shut_by_name_on_the_cases_nights(tmp_path):
    place = made(tmp_path)
    later = {"starts": NIGHT + timedelta(days=2)}
    assert _off(place, bare(**later, zones_off=["F1"]), DATES).tolist() == [[False] * 4, [False, False, True, True]]
    assert _closed_sources(place, bare(**later, source_off=["well"]), DATES).tolist() == [[False, False, True, True]]


def test_a_zone_has_water_where_one_of_its_supplies_is_whole():
    # Supplies: source 0, source 1, and a blend of both. Source 1 is closed on the second night.
    share = np.array([[1.0, 0.0], [0.0, 1.0], [0.5, 0.5]])
    supply = np.array([[True, True, False], [False, True, False], [False, False, True]])
    closed = np.array([[False, False], [False, True]])
    assert _has_water(share, supply, closed).tolist() == [[True, True], [True, False], [True, False]]


@pytest.mark.parametrize(("off", "ec"), [((), 1.0), ((0,), 3.0), ((0, 1), 1.0)])
def test_with_a_source_closed_a_zone_usually_takes_the_next(tmp_path, off, ec):
    # Where all its sources are closed it is told by what it takes otherwise.
    toml = '[[source]]\nname = "a"\nec = 1\n[[source]]\nname = "b"\nec = 3\n'
    place = site(tmp_path / "two", TOML + toml)
    closed = np.zeros((2, 3), dtype=bool)
    closed[list(off), 0] = True
    salt = State(np.array([9.0, 9.0]))
    found = _case_salt(salt, place, closed, bare())
    assert found.source_ec.tolist() == ([9.0, 9.0] if not off else [ec, ec])
    assert (found is salt) == (not off)
    assert _case_salt(salt, place, closed[:, ::-1] & False, bare(ec_factor=2.0)).source_ec.tolist() == [1.0, 1.0]


@dataclass(frozen=True)
class State:
    source_ec: np.ndarray


def coming(told=None):
    """An evening with three dates to come, after the nights of DATES."""
    future = pd.DataFrame({"date": pd.to_datetime([d + timedelta(days=1) for d in DATES[:3]]), "eto": 5.0, "rain": 4.0})
    return SimpleNamespace(demand=Told(future, told), night=NIGHT, nights=3)


@dataclass(frozen=True)
class Told:
    future: pd.DataFrame
    told: object = None


def test_a_case_changes_the_weather_after_its_own_nights():
    case = both(
        bare(NIGHT + timedelta(days=1), eto_factor=1.2, rain_factor=0.5),
        bare(ends=NIGHT + timedelta(days=1), eto_factor=2.0),
    )
    seen = []
    told = SimpleNamespace(times=lambda eto, rain: seen.append((eto.tolist(), rain.tolist())))
    found = shifted_demand(coming(told), case).future
    assert found["eto"].tolist() == pytest.approx([10.0, 12.0, 6.0])
    assert found["rain"].tolist() == pytest.approx([4.0, 2.0, 2.0])
    assert seen == [(pytest.approx([2.0, 2.4, 1.2]), pytest.approx([1.0, 0.5, 0.5]))]


def test_shifts_of_temperature_add_up_before_they_are_reckoned(monkeypatch):
    # 2 and 3 K: 2 on the first night, 5 where both bind, 3 on the last.
    ratio = {2.0: 1.1, 5.0: 1.3, 3.0: 1.2}
    monkeypatch.setattr(apply, "warmer", lambda evening, shift: np.full(3, ratio[shift]))
    case = both(
        bare(ends=NIGHT + timedelta(days=1), temperature_shift=2.0),
        bare(NIGHT + timedelta(days=1), temperature_shift=3.0),
    )
    found = shifted_demand(coming(), case)
    assert found.future["eto"].tolist() == pytest.approx([5.5, 6.5, 6.0])
    assert found.told is None


def test_warmer_air_is_warmer_at_both_ends_and_its_eto_is_reckoned_anew():
    rows = pd.DataFrame({"tmin": [10.0, np.nan], "tmax": [30.0, 31.0], "eto": [6.0, 7.0]})
    found = _warm(rows, 2.0)
    np.testing.assert_equal(found.to_numpy(), [[12.0, 32.0, np.nan], [np.nan, 33.0, 7.0]])  # kept where it must be


@pytest.mark.parametrize(("most", "asks"), [(1, True), (6, True), (7, False), (0, False), (None, False)])
def test_so_many_nights_a_week_are_a_choice_where_not_all_or_none_are(tmp_path, most, asks):
    place = made(tmp_path)
    case = bare(nights_a_week=most)
    case.parts[0].binds = lambda surface: np.array([True, False])
    assert bool(_choices(place, case, DATES)) == asks


def test_each_week_of_a_choice_begins_on_its_monday(tmp_path):
    # From a Wednesday to the Monday after next: 5, 7 and 1 nights. G1 ran on Monday and Tuesday, F1 does not count.
    dates = [NIGHT + timedelta(days=i) for i in range(13)]
    place = made(tmp_path, "2026-07-12,G1,10\n2026-07-13,G1,10\n2026-07-14,F1,10\n2026-07-14,G1,0\n")
    case = bare(nights_a_week=3)
    case.parts[0].binds = lambda surface: np.array([True, False])
    (found,) = _choices(place, case, dates)
    assert [(len(nights), left) for nights, left in found.weeks] == [(5, 2), (7, 3), (1, 3)]


def test_a_night_told_by_its_volume_is_one_of_the_week_s(tmp_path):
    place = made(tmp_path)
    rows = "night,zone,minutes,volume\n2026-07-13,G1,,3\n2026-07-14,G1,,0\n"
    (place.folder / "applied.csv").write_text(rows, encoding="utf-8")
    case = bare(nights_a_week=3)
    case.parts[0].binds = lambda surface: np.array([True, False])
    (found,) = _choices(load_site(place.folder), case, DATES)
    assert [(len(nights), left) for nights, left in found.weeks] == [(4, 2)]


def test_a_case_says_what_of_it_does_not_touch_these_nights(tmp_path):
    late = bare(NIGHT + timedelta(days=30), allocation_factor=0.5)
    late.parts[0].name = "late"
    texts = [n.text for n in _notes(late, DATES)]
    assert texts[0].startswith("binds on none of the nights from 2026-07-15 to 2026-07-18")
    assert texts[1].startswith('"allocation_factor": counts from tonight and for the whole season')
    now = bare(allocation_factor=0.5)
    assert _notes(now, DATES) == []


def test_a_zone_has_water_where_one_of_its_supplies_is_open():
    # Three supplies: well, lake, and both blended; the well is shut on the first night, both on the third.
    share = np.array([[1.0, 0.0], [0.0, 1.0], [0.5, 0.5]])
    supplies = np.array([[True, False, False], [True, True, False], [False, False, True], [False, True, True]])
    closed = np.array([[True, False, True], [False, False, True]])
    assert _has_water(share, supplies, closed).tolist() == [
        [False, True, False], [True, True, False], [False, True, False], [True, True, False],
    ]  # fmt: skip
