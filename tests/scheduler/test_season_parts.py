"""Figures of a season's account from a record small enough to add up by hand: two months, two sources, three zones."""

from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.choices import SEASON
from scheduler.season import account, money
from scheduler.season.account import (
    Record,
    _use,
    allocation_part,
    by_month,
    energy_part,
    season_record,
    source_part,
    source_totals,
    span_part,
    totals_part,
)
from scheduler.season.money import energy_blocks
from scheduler.season.places import row_part, surface_part, zone_part
from scheduler.season.span import Span
from tests.scheduler.site_folders import TOML, site

# Nights of 29 June to 2 July; G (2000 m2, a third from the lake), F (1000 m2, lake), and H, which is gone.
NIGHTS = pd.date_range("2026-06-29", periods=4)
MONTH = np.array([0, 0, 1, 1])
VOLUME = np.array([[3.0, 0.0, 6.0, 9.0], [2.0, 4.0, 0.0, 0.0], [1.0, 0.0, 0.0, 0.0]])
SOURCES = (
    SimpleNamespace(name="well", price=0.2, daily_limit=5.0, monthly_limit=11.0),
    SimpleNamespace(name="lake", price=0.5, daily_limit=np.inf, monthly_limit=np.inf),
)


def record(**changes):
    zones = SimpleNamespace(
        zone=np.array(["G", "F", "H"]), name=np.array(["Green", "", ""]),
        surface=np.array(["green", "fairway", "gone"]), area_class=np.array(["special", "turf", "turf"]),
        area=np.array([2000.0, 1000.0, 0.0]), sources=("well", "lake"),
        share=np.array([[2 / 3, 1 / 3], [0.0, 1.0], [1.0, 0.0]]), told=np.array([True, True, False]),
    )  # fmt: skip
    logged = SimpleNamespace(nights=NIGHTS, volume=VOLUME, estimated=VOLUME / 2, minutes=10 * VOLUME, ran=VOLUME > 0)
    metered = SimpleNamespace(
        meters=[SimpleNamespace(source="well")], volume=np.array([[4.0, 0.0, 5.0, 7.0]]),
        spread=np.array([[4.0, 0.0, 0.0, 0.0]]), covered=np.array([[True, False, True, True]]),
        standing=np.ones((1, 4), dtype=bool),
    )  # fmt: skip
    turf = SimpleNamespace(
        demand=np.array([[2.0, np.nan, 4.0, 4.0], [1.0, 1.0, 1.0, 1.0]]),
        effective_rain=np.array([[0.0, 1, 0, 0], [0, 2, 0, 0]]),
        unmet=np.array([[0.0, 0, 1, 0], [0, 0, 0, 3]]), dry=np.array([[0, 0, 1, 1], [0, 1, 0, 0]], dtype=bool),
        soft=np.array([[1, 0, 0, 0], [1, 1, 1, 0]], dtype=bool), start=np.zeros(2),
    )  # fmt: skip
    days = SimpleNamespace(
        eto=np.array([5.0, np.nan, 6.0, 7.0]), rain=np.array([0.0, 3.0, 0.0, 1.0]),
        eto_observed=np.array([True, False, True, False]), rain_observed=np.array([True, True, False, True]),
    )  # fmt: skip
    place = SimpleNamespace(
        zones=OwnZones(area=np.array([2000.0, 1000.0])), sources=SOURCES, meter_error=0.02, tariffs=("any",),
        allocation=None, applied=pd.DataFrame({"night": NIGHTS[[0, 3]]}), gone=pd.DataFrame({"night": NIGHTS[[0, 2]]}),
    )  # fmt: skip
    use, from_meter = _use(zones, logged, metered, MONTH, 2)
    span = SimpleNamespace(first=NIGHTS[0].date(), last=NIGHTS[-1].date(), nights=4)
    given = dict(
        site=place, span=span, zones=zones, logged=logged, metered=metered, days=days, demand=None, turf=turf,
        months=("2026-06", "2026-07"), month=MONTH, use=use, from_meter=from_meter,
    )  # fmt: skip
    return Record(**(given | changes))


class OwnZones(SimpleNamespace):
    def __len__(self):
        return 2


def test_water_counts_as_metered_in_months_read_over_all_their_nights_and_else_as_logged():
    # The well of June missed a night: 2/3 of G and H. In July its meter counts; the lake has none.
    found = record()
    np.testing.assert_allclose(found.use, [[3.0, 0.0, 5.0, 7.0], [3.0, 4.0, 2.0, 3.0]])
    assert found.from_meter.tolist() == [[False, True], [False, False]]


def test_sums_of_a_month_are_those_of_its_nights():
    np.testing.assert_allclose(by_month(VOLUME, MONTH, 2), [[3, 15], [6, 0], [1, 0]])


@pytest.fixture
def energy(monkeypatch):
    monkeypatch.setattr(account, "zone_energy", lambda site: np.array([0.5, 1.0]))
    blocks = (SimpleNamespace(hours="21:00-05:00", price=0.1, energy=np.array([7.5, 7.5])),)
    monkeypatch.setattr(account, "energy_blocks", lambda site, nights, kwh, month: seen.update(kwh=kwh) or blocks)
    seen = {}
    return seen


def test_totals_and_months_hold_every_figure(energy):
    whole, (june, july) = totals_part(record())
    np.testing.assert_allclose(energy["kwh"], [3.5, 4.0, 3.0, 4.5])  # of the zones that still have a pump
    assert (june.logged_m3, july.logged_m3, whole.logged_m3) == (10.0, 15.0, 25.0)
    assert (june.estimated_m3, june.nights_run, july.nights_run, whole.nights_run) == (5.0, 2, 2, 4)
    assert (june.metered_m3, june.divided_m3, july.metered_m3) == (4.0, 4.0, 12.0)
    assert (june.use_m3, july.use_m3) == (10.0, 17.0)
    # ET: 2 mm on 2000 m2 and 1 + 1 on 1000; rain 1 and 2 mm.
    assert (june.demand_m3, june.effective_rain_m3, june.deficit_m3) == (6.0, 4.0, -8.0)
    assert (july.demand_m3, july.deficit_m3, july.unmet_et_m3) == (18.0, 3.0, 5.0)
    assert (june.dry_zone_days, june.soft_zone_days, whole.dry_zone_days, whole.soft_zone_days) == (1, 3, 3, 4)
    assert (june.eto_mm, june.eto_days_not_observed, july.eto_mm, july.eto_days_not_observed) == (5.0, 1, 13.0, 1)
    assert (june.rain_mm, june.rain_days_not_observed, july.rain_days_not_observed) == (3.0, 0, 1)
    assert (june.energy_kwh, june.energy_cost, whole.energy_cost) == (7.5, 0.75, 1.5)
    assert june.water_cost == pytest.approx(0.2 * 3.0 + 0.5 * 7.0)
    assert whole.water_cost == pytest.approx(0.2 * 15.0 + 0.5 * 12.0)


def test_energy_costs_what_its_block_does(energy):
    (block,) = energy_part(record())
    assert (block.hours, block.energy_kwh, block.cost) == ("21:00-05:00", 15.0, 1.5)


def test_a_source_s_month_sets_its_meter_against_the_log_on_the_nights_it_was_read():
    june, july, lake, _ = source_part(record())
    # June: 2/3 of 3 and 1 of H logged on the night that was read, where the meter saw 4; its error is 2 % of that.
    assert (june.source, june.logged_m3, june.metered_nights, june.nights) == ("well", 3.0, 1, 2)
    assert (june.logged_on_metered_nights_m3, june.difference_m3, june.error_m3) == (3.0, 1.0, 0.08)
    assert june.beyond_error and june.use_from == "log" and june.water_cost == pytest.approx(0.6)
    assert (july.difference_m3, july.beyond_error, july.use_m3, july.use_from) == (2.0, True, 12.0, "meter")
    # The permit is held against the use, 12 of 11 m3, not the 10 logged; nights against the log: 4 and 6 of 5.
    assert (july.above_monthly_limit, june.above_monthly_limit) == (True, False)
    assert (july.nights_above_daily_limit, june.nights_above_daily_limit) == (1, 0)
    assert (july.monthly_limit_m3, lake.monthly_limit_m3) == (11.0, None)
    assert lake.metered_m3 is None and lake.difference_m3 is None and lake.water_cost == pytest.approx(3.5)


@pytest.mark.parametrize(("read", "beyond"), [(10.0, False), (9.81, False), (9.79, True), (10.2, False), (10.21, True)])
def test_more_and_less_than_the_meter_s_error_is_told(read, beyond):
    metered = SimpleNamespace(
        meters=[SimpleNamespace(source="well")], volume=np.array([[0.0, 0.0, read, 0.0]]), spread=np.zeros((1, 4)),
        covered=np.array([[False, False, True, False]]), standing=np.ones((1, 4), dtype=bool),
    )  # fmt: skip
    volume = np.zeros((3, 4))
    volume[2, 2] = 10.0
    log = SimpleNamespace(nights=NIGHTS, volume=volume, estimated=volume, minutes=volume, ran=volume > 0)
    july = source_part(record(metered=metered, logged=log))[1]
    assert july.beyond_error == beyond


def test_a_source_s_season_is_the_sum_of_its_months():
    well, lake = source_totals(source_part(record()))
    assert (well.logged_m3, well.metered_m3, well.use_m3) == (13.0, 16.0, 15.0)
    assert (lake.metered_m3, lake.use_m3) == (None, 12.0)


def test_a_blended_zone_s_figures_are_divided_as_its_water_is():
    rows = {(r.month[-2:], r.source, r.zone): r for r in row_part(record())}
    assert ("07", "well", "H") not in rows and ("06", "well", "H") in rows  # gone, and nothing logged
    assert ("06", "well", "F") not in rows
    well, lake = rows["07", "well", "G"], rows["07", "lake", "G"]
    assert (well.logged_m3, lake.logged_m3, well.minutes) == (10.0, 5.0, 100.0)
    assert (well.demand_m3, well.deficit_m3) == (pytest.approx(16 * 2 / 3), pytest.approx(2 / 3))
    assert (well.unmet_et_m3, well.dry_days, lake.dry_days) == (pytest.approx(4 / 3), 1.333, 0.667)
    assert (well.nights_run, well.estimated_m3, rows["06", "lake", "F"].soft_days) == (2, 5.0, 2.0)


def test_zones_and_surfaces_over_the_season():
    green, fairway, gone = zone_part(record())
    assert (green.sources, green.source_recorded) == ({"well": 2 / 3, "lake": 1 / 3}, True)
    assert (green.logged_m3, green.depth_mm, green.demand_m3) == (18.0, 9.0, 20.0)
    assert (green.dry_days, green.soft_days, fairway.dry_days, fairway.soft_days) == (2, 1, 1, 3)
    assert (gone.depth_mm, gone.demand_m3, gone.dry_days, gone.source_recorded) == (None, 0.0, 0, False)
    first, second, last = surface_part(record())
    assert (first.surface, second.surface, last.surface) == ("green", "fairway", "gone")
    assert (first.depth_mm, first.deficit_m3, first.zone_days) == (9.0, 0.0, 4)
    assert (second.effective_rain_m3, second.deficit_m3, second.dry_zone_days) == (2.0, -4.0, 1)
    assert (last.zone_days, last.depth_mm) == (0, None)


def rule(**given):
    usual = dict(starts=date(2026, 6, 30), ends=date(2026, 7, 1), volume=20.0, used_before=4.0, tiers=((0.5, 1.0),))
    return SimpleNamespace(**(usual | given))


def test_the_allocation_counts_its_own_nights_and_what_was_used_before():
    found = record()
    found.site.allocation = rule()
    part, course = allocation_part(found)
    assert (part.used_m3, part.left_m3, part.over_m3, part.share) == (15.0, 5.0, 0.0, 0.75)  # 4 + 4 + 7
    assert (course.nights, course.used_m3) == ([date(2026, 6, 30), date(2026, 7, 1)], [8.0, 15.0])
    assert (part.step_reached, part.surcharge, part.expected_m3) == (1, 5.0, 15.0)
    found.site.allocation = rule(volume=12.0)
    assert allocation_part(found)[0].over_m3 == 3.0
    found.site.allocation = rule(starts=date(2026, 7, 3))
    part, course = allocation_part(found)
    assert part is None and course.used_m3 == [6.0, 10.0, 17.0, 27.0]


def test_what_was_used_of_the_season_before_the_account_is_looked_up(monkeypatch):
    seen = []

    def logged(site, zones, first, last):
        seen.append((first, last))
        return SimpleNamespace(volume=np.array([[2.5]]))

    monkeypatch.setattr(account, "logged_water", logged)
    found = record()
    found.site.allocation = rule(starts=date(2026, 5, 1), ends=date(2026, 7, 2), volume=100.0)
    part, course = allocation_part(found)
    assert seen == [(date(2026, 5, 1), date(2026, 6, 28))]
    assert (part.used_earlier_m3, part.used_m3, course.used_m3[0]) == (2.5, 33.5, 12.5)


def test_nights_without_a_row_lie_between_the_first_and_the_last_of_the_record():
    part = span_part(record())
    assert (part.nights, part.nights_run, part.nights_without_row) == (4, 4, 1)


def test_a_night_s_energy_is_spread_over_its_window_by_the_minutes_of_each_price(tmp_path):
    # 21:00 to 5:00: an hour at 0.3 and seven at 0.1 on a Tuesday; Wednesday has the night's price alone.
    tariff = '[window]\nopens = "21:00"\ncloses = "05:00"\n'
    tariff += '[[tariff]]\nfrom = "12:00"\nuntil = "12:00"\nprice = 0.1\n'
    tariff += '[[tariff]]\nfrom = "22:00"\nuntil = "23:00"\nprice = 0.3\ndays = ["Tuesday"]\n'
    place = site(tmp_path, TOML + tariff)
    nights = (date(2026, 6, 30), date(2026, 7, 1), date(2026, 7, 2))
    low, high = energy_blocks(place, nights, np.array([80.0, 40.0, 0.0]), np.array([0, 1, 1]))
    assert (low.price, high.price, high.hours) == (0.1, 0.3, "22:00-23:00")
    np.testing.assert_allclose([low.energy, high.energy], [[70.0, 40.0], [10.0, 0.0]])
    assert energy_blocks(place, nights, np.zeros(3), np.array([0, 1, 1])) == ()


def test_a_season_s_turf_gets_net_water_and_that_of_the_nights_before_it(tmp_path, monkeypatch):
    # 12 mm/h on 1000 m2: 30 min are 6 mm, of which the drier half of DU_LQ 0.5 gets 0.7.
    zones = "zone,surface,area,flow,application_rate,du_lq\nF1,fairway,1000,3.33333,12,0.5\n"
    log = "night,zone,minutes\n2026-05-01,F1,60\n2026-06-30,F1,10\n2026-07-01,F1,30\n2026-07-03,F1,60\n"
    weather = "date,eto,rain\n" + "".join(f"2026-07-{d:02d},5,0\n" for d in range(1, 4))
    place = site(tmp_path, TOML, zones, applied=log, weather=weather)
    seen = {}
    monkeypatch.setattr(
        account, "season_turf", lambda place, demand, net, lead, first, last: seen.update(net=net, lead=lead)
    )
    season_record(place, Span(date(2026, 7, 1), date(2026, 7, 2)))
    np.testing.assert_allclose(seen["net"], [[6.0 * 0.7, 0.0]], rtol=1e-5)
    lead = np.zeros(SEASON.lead_in)
    lead[-1] = 2.0 * 0.7  # the night before the first, and none older than the lead-in
    assert SEASON.lead_in == 60
    np.testing.assert_allclose(seen["lead"], [lead], rtol=1e-5)


@pytest.mark.parametrize(
    ("spans", "words"),
    [
        ({(0, 300), (1260, 1440)}, "21:00-05:00"),  # one span past midnight
        ({(0, 300), (1200, 1380)}, "00:00-05:00, 20:00-23:00"),  # it ends before midnight: two
        ({(60, 300), (1260, 1440)}, "01:00-05:00, 21:00-24:00"),
        ({(0, 300), (300, 360), (1320, 1440), (1260, 1330)}, "21:00-06:00"),
        ({(0, 1440)}, "00:00-24:00"), ({(65, 70)}, "01:05-01:10"),
    ],
)  # fmt: skip
def test_hours_that_meet_are_one_span_of_the_clock_past_midnight_too(spans, words):
    assert money._hours(spans) == words
    assert money._on_the_clock(1260, 1740) == [(1260, 1440), (0, 300)] and money._on_the_clock(1440, 1500) == [(0, 60)]
