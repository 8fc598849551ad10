"""What a case changes in the site and from which night on, on a site small enough to reckon by hand."""

from datetime import date, timedelta

import numpy as np
import pytest

from scheduler.site import load_site
from scheduler.whatif.apply import _choices, _pump_share, ordered_site, settled_site
from scheduler.whatif.case import read_cases
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
