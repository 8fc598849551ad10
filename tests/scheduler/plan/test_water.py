"""Permits, the season's allocation and drought orders: what of past nights counts, and for how long."""

from datetime import date, timedelta

import numpy as np
import pytest

from scheduler.plan.water import allocation_share, applied_volume, drought_cuts, gross_demand, permits_left
from scheduler.site.windows import night_windows
from scheduler.state.demand import evening_demand, zone_etc
from scheduler.supply import net_rates
from tests.scheduler.site_folders import TOML, site

NIGHT = date(2026, 7, 14)
# 5 L/s for 10 min is 3 m3; even over the zone, so what is pumped reaches the roots.
ZONES = (
    "zone,surface,turf,area,flow,du_lq,sources\n"
    "G1,green,tall_fescue,500,5,1.0,{}\n"
    "F1,fairway,tall_fescue,1000,5,1.0,{}\n"
)
WEATHER = "date,eto,rain\n" + "".join(f"{NIGHT - timedelta(days=d)},5,0\n" for d in range(29, -1, -1))
SOURCES = (
    '[[source]]\nname = "well"\nec = 0.5\nmonthly_limit = 900\n[[source]]\nname = "reuse"\nec = 1.5\ndaily_limit = 70\n'
)


def evening(folder, toml="", nights=3, sources=("", ""), **files):
    place = site(folder, TOML + toml, ZONES.format(*sources), weather=WEATHER, **files)
    demand = evening_demand(place, NIGHT, nights)
    dates = tuple(NIGHT + timedelta(days=i) for i in range(nights))
    etc, net = zone_etc(place, demand.future), net_rates(place)
    return place, dates, demand, etc, net


def log(*rows):
    return "night,zone,minutes,volume\n" + "".join(
        f"{night},{zone},{minutes},{volume}\n" for night, zone, minutes, volume in rows
    )


# -------------------------------------------------------------------------------------------------------------- permits


def test_what_a_month_used_is_gone_from_its_permit(tmp_path):
    # G1 on the well: 30 min on 1 July are 9 m3, the meter says 4 m3 on the 13th; 30 June is another month's, and F1
    # drinks reuse water.
    ran = log(
        ("2026-06-30", "G1", 100, ""),
        ("2026-07-01", "G1", 30, ""),
        ("2026-07-13", "G1", 5, 4),
        ("2026-07-12", "F1", 90, ""),
    )
    place, dates, *_ = evening(tmp_path, SOURCES, sources=("well", "reuse"), applied=ran)
    daily, left, month = permits_left(place, dates, notes := [])
    np.testing.assert_allclose(left[:, 0], [900.0 - 9.0 - 4.0, np.inf])
    np.testing.assert_allclose(daily, [np.inf, 70.0])
    assert month.tolist() == [0, 0, 0]
    assert notes == []


def test_the_next_month_has_its_whole_permit(tmp_path):
    place, dates, *_ = evening(
        tmp_path, SOURCES, nights=14, sources=("well", "reuse"), applied=log(("2026-07-02", "G1", 10, ""))
    )
    later = tuple(d + timedelta(days=10) for d in dates)  # from 24 July
    _, left, month = permits_left(place, later, [])
    np.testing.assert_allclose(left[0], [897.0, 900.0])
    assert month.tolist() == [0] * 8 + [1] * 6


def test_on_the_last_night_of_a_year_its_last_month_is_counted(tmp_path):
    place, *_ = evening(tmp_path, SOURCES, sources=("well", "reuse"), applied=log(("2026-12-02", "G1", 10, "")))
    _, left, month = permits_left(place, (date(2026, 12, 31), date(2027, 1, 1)), [])
    np.testing.assert_allclose(left[0], [897.0, 900.0])
    assert month.tolist() == [0, 1]


def test_an_overdrawn_permit_leaves_nothing(tmp_path):
    place, dates, *_ = evening(tmp_path, SOURCES, sources=("well", "reuse"), applied=log(("2026-07-02", "G1", "", 901)))
    assert permits_left(place, dates, [])[1][0, 0] == 0.0


@pytest.mark.parametrize("minutes", [1, 10])
def test_zones_of_several_sources_count_to_the_first_and_that_is_said(tmp_path, minutes):
    place, dates, *_ = evening(
        tmp_path, SOURCES, sources=("well|reuse", "reuse"), applied=log(("2026-07-02", "G1", minutes, ""))
    )
    _, left, _ = permits_left(place, dates, notes := [])
    assert left[0, 0] == pytest.approx(900.0 - 0.3 * minutes)
    assert "counted to the first named" in notes[0].text


def test_what_an_earlier_zone_names_first_is_not_what_this_one_does(tmp_path):
    ran = log(("2026-07-02", "F1", 10, ""))
    place, dates, *_ = evening(tmp_path, SOURCES, sources=("reuse", "well|reuse"), applied=ran)
    assert permits_left(place, dates, [])[1][:, 0].tolist() == [897.0, np.inf]


def test_on_a_month_s_last_night_that_month_is_counted(tmp_path):
    place, *_ = evening(tmp_path, SOURCES, sources=("well", "reuse"), applied=log(("2026-07-02", "G1", 10, "")))
    _, left, month = permits_left(place, (date(2026, 7, 31), date(2026, 8, 1)), [])
    assert (left[0].tolist(), month.tolist()) == ([897.0, 900.0], [0, 1])


def test_a_site_without_sources_has_no_permits(tmp_path):
    place, dates, *_ = evening(tmp_path)
    daily, left, _ = permits_left(place, dates, [])
    assert np.isinf(daily).all()
    assert np.isinf(left).all()


def test_volume_counts_first_night_and_not_the_last(tmp_path):
    ran = log(*((f"2026-07-{d:02d}", "G1", 10, "") for d in (3, 4, 5, 6)), ("2026-07-04", "F1", 20, 7.5))
    place, *_ = evening(tmp_path, applied=ran)
    np.testing.assert_allclose(applied_volume(place, place.applied, date(2026, 7, 4), date(2026, 7, 6)), [6.0, 7.5])


# ----------------------------------------------------------------------------------------------------------- allocation


def allocation(folder, ends, volume=1000.0, nights=3, extra="", **files):
    toml = f"[allocation]\nstarts = 2026-04-01\nends = {ends}\nvolume = {volume}\nused_before = 100\n{extra}"
    place, dates, demand, etc, net = evening(folder, toml, nights, **files)
    return allocation_share(place, dates, demand, etc, net, notes := []), etc, notes


def test_what_the_season_used_is_gone(tmp_path):
    ran = log(
        ("2026-03-31", "G1", 100, ""),
        ("2026-04-01", "G1", 10, ""),
        ("2026-07-13", "F1", "", 50),
        ("2026-07-14", "F1", 99, ""),
    )
    (share, hard, tiers), _, _ = allocation(tmp_path, "2026-10-31", applied=ran)
    assert share.used == pytest.approx(100.0 + 3.0 + 50.0)
    assert share.left == pytest.approx(847.0)
    assert hard == share.share < share.left
    assert tiers == ()


@pytest.mark.parametrize(("starts", "inside"), [(NIGHT, True), (NIGHT + timedelta(days=1), False)])
def test_a_season_has_its_first_night_and_its_last(tmp_path, starts, inside):
    for i, days in enumerate((f"{starts}\nends = 2026-10-31", f"2026-04-01\nends = {NIGHT - (starts - NIGHT)}")):
        place, dates, demand, etc, net = evening(tmp_path / str(i), f"[allocation]\nvolume = 9\nstarts = {days}\n")
        share, hard, _ = allocation_share(place, dates, demand, etc, net, notes := [])
        assert (share is not None, np.isfinite(hard), not notes) == (inside, inside, inside)


def test_a_horizon_that_ends_with_the_season_gets_all_that_is_left(tmp_path):
    # Its nights replace the ET of the dates after them, each date once: after the last of them nothing is to come.
    (share, _, _), _, _ = allocation(tmp_path / "a", NIGHT + timedelta(days=2))
    assert share.share == pytest.approx(share.left) == 900.0
    (one_more, _, _), etc, _ = allocation(tmp_path / "b", NIGHT + timedelta(days=3))
    # one date more, of the same ET but for the sun: three quarters of the water
    assert one_more.share / one_more.left == pytest.approx(0.75, abs=0.002)
    assert one_more.share / one_more.left > etc[0, :3].sum() / (
        etc[0, :3].sum() + etc[0, 0]
    )  # which sets later each day


def test_where_no_date_asks_for_water_all_that_is_left_may_be_used_once(tmp_path):
    toml = f"[allocation]\nstarts = 2026-04-01\nends = {NIGHT + timedelta(days=2)}\nvolume = 1000\n"
    place, dates, demand, etc, net = evening(tmp_path, toml)
    share, hard, _ = allocation_share(place, dates, demand, 0.0 * etc, net, [])
    assert share.share == share.left == hard == 1000.0


def test_nights_after_the_season_have_no_part_in_it(tmp_path):
    (share, _, _), _, _ = allocation(tmp_path / "a", NIGHT, nights=3)
    assert share.share == pytest.approx(share.left)
    (outside, hard, _), _, notes = allocation(tmp_path / "b", NIGHT - timedelta(days=1))
    assert outside is None
    assert np.isinf(hard)
    assert "outside its season" in notes[0].text


def test_more_used_than_the_season_has_leaves_nothing(tmp_path):
    (share, hard, _), _, _ = allocation(tmp_path, "2026-10-31", volume=60.0)
    assert share.left == hard == 0.0


def test_steps_of_the_price_stand_in_place_of_the_limit(tmp_path):
    step = "[[allocation.tier]]\nabove = 0.5\nprice = 1.0\n[[allocation.tier]]\nabove = 1.0\nprice = 2.5\n"
    (share, hard, tiers), _, _ = allocation(tmp_path / "a", NIGHT + timedelta(days=2), extra=step)
    assert np.isinf(hard)
    assert [(t.above, t.price) for t in tiers] == [(pytest.approx(400.0), 1.0), (pytest.approx(900.0), 2.5)]
    assert share.share == pytest.approx(900.0)
    # Of a longer season these nights have their part of what is left to each step; what is used is past the first.
    ran = log(("2026-07-10", "F1", "", 450))
    (share, hard, tiers), _, _ = allocation(tmp_path / "b", NIGHT + timedelta(days=3), extra=step, applied=ran)
    assert 0.7 < share.part < 0.8 and np.isinf(hard)
    assert [t.above for t in tiers] == [0.0, pytest.approx(share.part * (1000.0 - 550.0))]


def test_gross_demand_is_et_over_the_area_and_the_share_that_reaches_the_roots(tmp_path):
    place, _, _, etc, _ = evening(tmp_path)
    gross = place.zones.flow * 60.0 / place.zones.area
    # 5 mm on 1000 m2 are 5 m3; where half of the water reaches the drier quarter, twice that.
    np.testing.assert_allclose(gross_demand(place, etc, 0.5 * gross), 2.0 * etc * place.zones.area[:, None] / 1000.0)


# ------------------------------------------------------------------------------------------------------- drought orders


ORDER = '[[restriction]]\nsurfaces = ["green"]\ncut = 0.4\n'


def cuts(folder, ran=None, toml=ORDER, nights=9):
    place, dates, demand, etc, net = evening(folder, toml, nights, **({} if ran is None else {"applied": ran}))
    found = drought_cuts(place, dates, demand, etc, net, night_windows(place, NIGHT, nights), notes := [])
    return found, etc, place, notes


def test_a_cut_counts_any_seven_nights_in_a_row(tmp_path):
    # Every date asks the same but for the sun's last digits. Nothing ran but 5 m3, six nights ago: they count tonight,
    # of the six nights before and this one, and have left the seven from tomorrow on.
    nights = [NIGHT - timedelta(days=d) for d in range(20, 0, -1)]
    dry = log(*((d, "G1", 0, "") for d in nights))
    wet = log(
        *(
            (d, "G1", "" if d == NIGHT - timedelta(days=6) else 0, 5 if d == NIGHT - timedelta(days=6) else "")
            for d in nights
        )
    )
    older = log(
        *(
            (d, "G1", "" if d == NIGHT - timedelta(days=7) else 0, 5 if d == NIGHT - timedelta(days=7) else "")
            for d in nights
        )
    )
    (base,), etc, place, _ = cuts(tmp_path / "a", dry)
    (spent,), _, _, _ = cuts(tmp_path / "b", wet)
    (long_ago,), _, _, _ = cuts(tmp_path / "c", older)
    np.testing.assert_allclose(base.volume - spent.volume, [5.0, *[0.0] * 8], atol=1e-9)
    np.testing.assert_allclose(long_ago.volume, base.volume)
    assert spent.spent.tolist() == [5.0, *[0.0] * 8] and not base.spent.any()
    # 0.6 of the ET of seven dates on 500 m2
    day = 0.6 * 5.0 * place.zones.kc_month[0, 6] * 500.0 / 1000.0
    np.testing.assert_allclose(base.volume, 7 * day, rtol=0.03)
    np.testing.assert_allclose(base.base, base.volume / 0.6)  # the demand it is a cut of
    assert spent.zones.tolist() == [True, False]


def test_a_cut_is_of_gross_water_over_all_nights_it_stands(tmp_path):
    (found,), etc, place, notes = cuts(tmp_path, nights=3)
    # Unlogged nights count as watered up to the order, so each night adds what its own date allows.
    allowed = 0.6 * etc[0] * 500.0 / 1000.0
    np.testing.assert_allclose(found.volume, np.cumsum(allowed))
    assert "earlier nights are not logged" in notes[0].text


def test_where_no_order_stands_nothing_is_limited(tmp_path):
    ends = ORDER + f"until = {NIGHT + timedelta(days=1)}\n"
    (found,), _, _, _ = cuts(tmp_path / "a", toml=ends, nights=4)
    assert np.isfinite(found.volume).tolist() == [True, True, False, False]
    assert cuts(tmp_path / "b", toml="")[0] == ()


def test_a_spent_order_leaves_nothing_not_less(tmp_path):
    ran = log((NIGHT - timedelta(days=1), "G1", "", 500))
    (found,), _, _, _ = cuts(tmp_path, ran)
    assert np.all(found.volume[:6] == 0.0)
    assert np.all(found.volume[6:] > 0.0)


def test_nights_before_an_order_began_count_with_all_their_et(tmp_path):
    # Nothing ran in the six nights before an order that begins tonight: they may be made up for in full, tonight less.
    dry = log(*((NIGHT - timedelta(days=d), "G1", 0, "") for d in range(20, 0, -1)))
    (found,), etc, place, _ = cuts(tmp_path, dry, ORDER + f"from = {NIGHT}\n", nights=1)
    day = 5.0 * place.zones.kc_month[0, 6] * 500.0 / 1000.0
    assert found.volume[0] == pytest.approx(6 * day + 0.6 * etc[0, 0] * 0.5, rel=1e-6)
