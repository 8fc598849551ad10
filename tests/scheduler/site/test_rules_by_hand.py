"""What site.toml comes to, key by key: water and its prices, pumps and pipes, hours, feeds, and what is doubted."""

import math
from datetime import date, timedelta
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from scheduler.site import schema
from scheduler.site.doubts import doubts, newest
from scheduler.site.records import WindowRule
from scheduler.site.settle import (
    SURFACE_RULES,
    Settings,
    _columns,
    _settle_zone,
    _surface,
    _surfaces,
    _window,
    find_zone,
    named,
)
from scheduler.site.unattended import _check_address, _check_headers, _feed, _nightly, _notice
from scheduler.site.understood import _files, _hot_week, _pumps, understand_site
from scheduler.site.water_rules import settle_allocation, settle_allowance, settle_restriction, settle_tariff
from scheduler.site.works import settle_branch, settle_pump, settle_sources
from tests.scheduler.site_folders import TOML, site


class Reader:
    """Keeps what is said of site.toml."""

    def __init__(self):
        self.problems, self.notes = [], []

    def problem(self, path, words):
        self.problems.append((path, words))

    def note(self, kind, words):
        self.notes.append((kind, words))

    @property
    def paths(self):
        return [path for path, _ in self.problems]


@pytest.fixture
def reader():
    return Reader()


SEASON = {"starts": date(2026, 4, 1), "ends": date(2026, 10, 31), "volume": 1000.0}


def tiers(*given):
    return [{"above": above, "price": price} for above, price in given]


# ------------------------------------------------------------------------------------------------ water and its price


def test_tiers_are_shares_of_the_volume_also_where_told_in_cubic_metres(reader):
    keys = schema.AllocationKeys(**SEASON, used_before=200.0, tier=tiers((0.5, 1.0), ("750 m3", 1.0), (1.0, 3.0)))
    found = settle_allocation(keys, reader)
    assert found.tiers == ((0.5, 1.0), (0.75, 1.0), (1.0, 3.0)) and reader.problems == []
    assert (found.starts, found.ends, found.volume, found.used_before) == (*SEASON.values(), 200.0)
    assert settle_allocation(None, reader) is None


@pytest.mark.parametrize(
    ("given", "key"),
    [
        (((0.5, 1.0), (0.5, 2.0)), "above"), (((0.5, 1.0), ("400 m3", 2.0)), "above"), 
        (((0.5, 1.0), (0.6, 0.9)), "price"),
    ],
)  # fmt: skip
def test_tiers_rise_and_grow_no_cheaper(reader, given, key):
    settle_allocation(schema.AllocationKeys(**SEASON, tier=tiers(*given)), reader)
    assert reader.paths == [("allocation", "tier", 1, key)]


def test_a_season_ends_on_its_first_day_at_the_earliest(reader):
    one = SEASON | {"ends": SEASON["starts"]}
    settle_allocation(schema.AllocationKeys(**one), reader)
    assert reader.paths == []
    settle_allocation(schema.AllocationKeys(**one | {"ends": date(2026, 3, 31)}), reader)
    assert reader.paths == [("allocation", "ends")]


@pytest.mark.parametrize(("used", "more", "said"), [(1000.0, [], 0), (1000.1, [], 1), (1000.1, tiers((1.0, 2.0)), 0)])
def test_nothing_is_left_where_more_was_used_and_no_tier_sells_more(reader, used, more, said):
    settle_allocation(schema.AllocationKeys(**SEASON, used_before=used, tier=more), reader)
    assert len(reader.notes) == said


def test_landscape_has_the_factor_of_turf_unless_it_has_its_own():
    found = settle_allowance(schema.AllowanceKeys(factor=0.6, special_factor=1.0, rain_share=0.5))
    assert found.factor == {"turf": 0.6, "special": 1.0, "landscape": 0.6} and found.rain_share == 0.5
    assert settle_allowance(schema.AllowanceKeys(factor=0.6, landscape_factor=0.0)).factor["landscape"] == 0.0


def test_an_order_restricts_something_between_its_dates(reader):
    first, last = date(2026, 7, 1), date(2026, 7, 31)
    kept = settle_restriction(schema.RestrictionKeys(cut=0.2, **{"from": first, "until": first}), 0, reader)
    assert (kept.cut, kept.starts, kept.ends, reader.problems, reader.notes) == (0.2, first, first, [], [])
    settle_restriction(schema.RestrictionKeys(cut=0.2, **{"from": last, "until": first}), 3, reader)
    assert reader.paths == [("restriction", 3, "until")]
    for one in ({}, {"surfaces": ["green"]}):
        settle_restriction(schema.RestrictionKeys(**one), 1, reader)
    assert [w.split(" restricts")[0] for _, w in reader.notes] == ["restriction 2"] * 2
    for one in ({"nights_allowed": []}, {"hours": "20:00-06:00"}, {"cut": 0.1}):
        settle_restriction(schema.RestrictionKeys(**one), 1, reader)
    assert len(reader.notes) == 2


@pytest.mark.parametrize(
    ("starts", "ends", "minutes"),
    [("16:00", "21:00", (960, 1260)), ("22:00", "06:00", (1320, 1800)), ("24:00", "06:00", (0, 360)),
     ("06:00", "06:00", (360, 1800)), ("00:00", "24:00", (0, 1440))],
)  # fmt: skip
def test_a_block_of_the_tariff_that_ends_as_it_begins_is_a_day(starts, ends, minutes, reader):
    keys = schema.TariffKeys(**{"from": starts, "until": ends, "price": 0.2})
    found = settle_tariff(keys, 0, reader)
    assert (found.from_minute, found.until_minute) == minutes and found.price == 0.2
    assert found.days == frozenset(range(7))


# ---------------------------------------------------------------------------------------------------- pumps and pipes


def pump(reader, **keys):
    return settle_pump(schema.PumpKeys(name="a", **keys), 2, reader)


CURVE = [[0, 60], [20, 50]]


def test_what_a_pump_s_curve_says_counts_before_single_values(reader):
    made = pump(reader, curve=[[0, 60, 0.5], [20, 50, 0.7]], efficiency=0.9, head=60.0, capacity=20.00001, ramp=3.0)
    assert made.curve == ((0.0, 60.0, 0.5), (20.0, 50.0, 0.7)) and made.ramp == 3.0 and made.head == 60.0
    assert [k for k, _ in reader.notes] == ["info"] and reader.problems == []
    made = pump(reader, curve=CURVE, capacity=15.0, smallest_flow=15.0)
    assert (made.capacity, made.efficiency, made.ramp, made.head) == (15.0, 0.70, math.inf, 0.0)
    assert reader.problems == [] and "efficiency is not given; 0.70" in reader.notes[-1][1]
    assert pump(reader, curve=CURVE).capacity == 20.0


@pytest.mark.parametrize(
    ("keys", "key"),
    [
        ({}, "capacity"), ({"curve": CURVE, "capacity": 20.001}, "capacity"), ({"curve": CURVE, "head": 60.1}, "head"),
        ({"capacity": 9.0, "smallest_flow": 9.1}, "smallest_flow"),
    ],
)  # fmt: skip
def test_a_pump_cannot_pass_its_curve_or_its_capacity(reader, keys, key):
    pump(reader, **keys)
    assert reader.paths == [("pump", 2, key)]


def test_energy_is_counted_where_a_head_or_a_curve_is_known(reader):
    pump(reader, capacity=9.0, efficiency=0.6)
    assert reader.notes == [("step_down", 'pump "a": head is not given; its energy is not counted')]
    for known in ({"head": 50.0}, {"curve": CURVE}):
        pump(reader, **{"capacity": 9.0, "efficiency": 0.6} | known)
    assert len(reader.notes) == 1


def test_a_branch_hangs_on_the_pump_it_names_or_on_the_only_one(reader):
    def branch(pumps, **keys):
        return settle_branch(schema.BranchKeys(name="b", **keys), 1, pumps, reader)

    assert [branch(["p", "q"], pump="q").pump, branch(["p"]).pump, branch([]).pump] == [1, 0, -1]
    assert branch(["p"]).capacity == math.inf and branch(["p"], capacity=7.0).capacity == 7.0 and not reader.problems
    branch(["p", "q"]), branch(["p", "q"], pump="r"), branch([], pump="r")
    assert reader.paths == [("branch", 1, "pump")] * 3
    assert "several pumps" in reader.problems[0][1] and "no [[pump]] is given" in reader.problems[2][1]


def test_friction_is_the_head_lost_at_the_capacity_by_the_power_of_the_flow(reader):
    # Hazen-Williams: h = R Q^1.852, so 3 m at 12 L/s are 3 (6 / 12)^1.852 = 0.831 m at 6
    made = settle_branch(schema.BranchKeys(name="b", capacity=12.0, friction=3.0), 0, ["p"], reader)
    assert made.resistance * 6.0**1.852 == pytest.approx(0.8310, abs=5e-4)


def test_a_source_without_limits_has_none_and_without_ec_no_salt(reader):
    full = schema.SourceKeys(
        name="w", ec=1.2, sar=3.0, price=0.4, daily_limit=50.0, monthly_limit=900.0, share=0.25,
        sodium=1.0, calcium=2.0, magnesium=3.0, bicarbonate=4.0, carbonate=5.0, chloride=6.0,
    )  # fmt: skip
    bare = schema.SourceKeys(name="x")
    first, second = settle_sources([full, bare], reader)
    assert (first.ec, first.sar, first.price, first.daily_limit, first.monthly_limit) == (1.2, 3.0, 0.4, 50.0, 900.0)
    assert [getattr(first, n) for n in ("share", "sodium", "calcium", "magnesium", "bicarbonate", "carbonate")] == [
        0.25, 1.0, 2.0, 3.0, 4.0, 5.0,
    ]  # fmt: skip
    assert first.chloride == 6.0
    assert (second.ec, second.daily_limit, second.monthly_limit, second.share) == (0.0, math.inf, math.inf, None)
    assert [w for _, w in reader.notes] == ['source "x": ec is not given; it is taken as free of salt (0 dS/m)']
    (only,) = settle_sources([], reader)
    assert (only.name, only.ec, only.price, only.daily_limit, only.share) == ("water", 0.0, 0.0, math.inf, None)


# --------------------------------------------------------------------------------------------------- place and window


@pytest.mark.parametrize("name", ["/etc/passwd", "../UTC", "Europe/", "a/b/c/d", "Nowhere/At_all", ""])
def test_a_zone_of_time_is_a_name_and_never_a_path(name):
    assert find_zone(name) is None


def test_zones_of_time_by_name():
    assert [str(find_zone(n)) for n in ("UTC", "Europe/Berlin", "America/Indiana/Knox", "Etc/GMT+8")] == [
        "UTC", "Europe/Berlin", "America/Indiana/Knox", "Etc/GMT+8",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("longitude", "zone", "said"),
    [(121.9, "America/Los_Angeles", True), (-121.9, "America/Los_Angeles", False), (-60.0, "Asia/Dubai", True),
     (2.0, "Europe/Madrid", False), (80.0, "Asia/Shanghai", False)],
)  # fmt: skip
def test_a_longitude_whose_sun_is_half_a_world_from_its_clock_lacks_its_sign(longitude, zone, said, reader):
    settings = Settings(longitude=longitude)
    _settle_zone(SimpleNamespace(time_zone=zone), settings, reader)
    assert settings.time_zone == ZoneInfo(zone) and len(reader.notes) == said
    if said:
        assert f"is {-longitude:g} meant?" in reader.notes[0][1]


def test_what_is_missing_of_a_window_is_the_default_and_said_once(reader):
    assert _window(schema.WindowKeys(), reader).default == (1260, 1800)
    assert _window(schema.WindowKeys(opens="22:00"), reader).default == (1320, 1800)
    assert _window(schema.WindowKeys(closes="05:00"), reader).default == (1260, 1740)
    assert [k for k, _ in reader.notes] == ["step_down"] * 3
    assert _window(schema.WindowKeys(opens="22:00", closes="05:00"), reader).default == (1320, 1740)
    assert len(reader.notes) == 3 and not reader.problems


def test_weekdays_that_differ_take_what_they_do_not_say_from_the_rest(reader):
    days = [{"day": "Monday", "opens": "20:00"}, {"days": ["weekend"], "closes": "07:00"}]
    found = _window(schema.WindowKeys(opens="22:00", closes="05:00", by_day=days), reader)
    assert found.by_weekday == {0: (1200, 1740), 5: (1320, 1860), 6: (1320, 1860)} and not reader.problems
    monday, sunday = date(2026, 7, 13), date(2026, 7, 12)
    assert [found.of(d) for d in (monday, sunday, monday + timedelta(days=1))] == [
        (1200, 1740), (1320, 1860), (1320, 1740),
    ]  # fmt: skip
    for bad, key in (([{"opens": "20:00"}], "days"), ([{"day": "Monday", "opens": "05:00"}], "opens"),
                     ([{"day": "Monday", "closes": "22:00"}], "closes"),
                     ([{"day": "Monday"}, {"days": ["weekdays"]}], "days")):  # fmt: skip
        _window(schema.WindowKeys(opens="22:00", closes="05:00", by_day=bad), reader)
        assert reader.paths[-1][-1] == key, bad


# ----------------------------------------------------------------------------------------------------------- surfaces


def test_greens_come_first_and_rough_last_and_events_want_them_firmer():
    order = [SURFACE_RULES[s].priority for s in ("green", "tee", "pitch", "approach", "fairway", "landscape", "rough")]
    assert order == [1, 2, 2, 3, 3, 4, 5]
    assert {s: (r.firmness_limit, r.event_firmness_limit) for s, r in SURFACE_RULES.items()} == {
        "green": (0.9, 0.75), "tee": (0.95, 0.85), "pitch": (0.9, 0.8), "approach": (0.95, 0.85),
        "fairway": (1.0, 0.9), "rough": (1.0, 1.0), "landscape": (1.0, 1.0),
    }  # fmt: skip


def surface(reader, **keys):
    return _surface("green", schema.SurfaceKeys(**keys), SURFACE_RULES["green"], reader)


def test_a_firmness_limit_not_told_stands_above_the_floor_that_is(reader):
    rule = surface(reader, moisture_floor=0.8)
    # 0.9 stays; around events 0.75 is below the floor, so half way from it to the limit: 0.85
    assert (rule.firmness_limit, rule.event_firmness_limit) == (0.9, pytest.approx(0.85))
    assert [k for k, _ in reader.notes] == ["info"]
    rule = surface(reader, moisture_floor=0.9)  # half way from the floor to 1, and again
    assert (rule.firmness_limit, rule.event_firmness_limit) == (pytest.approx(0.95), pytest.approx(0.925))
    rule = surface(reader, firmness_limit=0.7)
    assert (rule.firmness_limit, rule.event_firmness_limit) == (0.7, 0.7)  # an event makes it no softer
    assert surface(reader, firmness_limit=0.8).event_firmness_limit == 0.75 and not reader.problems
    surface(reader, moisture_floor=0.5, firmness_limit=0.5), surface(reader, firmness_limit=0.0)
    assert reader.paths == [("surface", "green", "firmness_limit")] * 2
    surface(reader, moisture_floor=1.0)
    assert reader.paths[2] == ("surface", "green", "moisture_floor")


def test_what_a_surface_s_keys_mean(reader):
    rule = surface(reader, priority=3, finish_by="05:00", uniformity="lower_quarter")
    assert (rule.priority, rule.finish_by, rule.event_finish_by, rule.lower_quarter, rule.weighed) == (
        3, 300, 300, True, False,
    )  # fmt: skip
    rule = surface(reader, event_finish_by="04:00", uniformity="lower_half")
    assert (rule.priority, rule.finish_by, rule.event_finish_by, rule.lower_quarter, rule.weighed) == (
        1, None, 240, False, False,
    )  # fmt: skip
    assert surface(reader).weighed
    rules = _surfaces({"gren": schema.SurfaceKeys(), "tee": schema.SurfaceKeys(priority=7)}, reader)
    assert rules["tee"].priority == 7 and rules["green"] is SURFACE_RULES["green"]
    assert 'did you mean "green"' in reader.problems[-1][1]


def test_columns_of_an_export_lead_to_columns_of_the_format(reader):
    maps = {"weather": {" Day ": "date", "T": "TMAX [degF]", "Batt": ""}, "calendar": {"who": "surface or zone"}}
    assert _columns(maps, reader) == {"weather": {"Day": "date", "T": "TMAX [degF]", "Batt": ""}, "calendar":
                                      {"who": "surface or zone"}}  # fmt: skip
    assert reader.problems == []
    _columns({"wether": {"a": "b"}, "weather": {"T": "tmx"}}, reader)
    assert reader.paths == [("columns", "wether"), ("columns", "weather", "T")]
    settings = Settings(names={"pump": ["p"], "branch": None})
    assert [named(settings, k) for k in ("pump", "branch", "source")] == [["p"], None, []]


# --------------------------------------------------------------------------------------------- the unattended evening


def nightly(reader, window=(1260, 1770), by_weekday=None, **keys):
    settings = SimpleNamespace(window=WindowRule(window, by_weekday or {}))
    return _nightly(schema.NightlyKeys(**keys), settings, reader)


def test_the_nightly_run_begins_before_its_end_and_this_before_any_window(reader):
    rule = nightly(reader, starts="19:00", by="20:59", copy_to="x")
    assert (rule.starts, rule.by, rule.copy_to) == (1140, 1259, "x") and not reader.problems
    nightly(reader, by="21:00")
    nightly(reader, by="20:00", by_weekday={6: (1200, 1700)})
    nightly(reader, starts="20:00", by="20:00")
    nightly(reader, starts="21:00")
    assert reader.paths == [("nightly", "by"), ("nightly", "by"), ("nightly", "starts"), ("nightly", "starts")]
    assert "(21:00)" in reader.problems[0][1] and "(20:00)" in reader.problems[1][1]
    assert "before 20:00 is" in reader.problems[2][1] and "before 21:00 is" in reader.problems[3][1]
    assert nightly(reader, starts="20:59").by is None and len(reader.problems) == 4


@pytest.mark.parametrize(
    ("address", "problems", "notes"),
    [
        ("https://a.example/x?key=${MY_KEY}", 0, 0), ("https://a.example/x?key=abc", 1, 0), ("ftp://a.example", 1, 0),
        ("https:///x", 1, 0), ("http://a.example", 0, 1), ("http://localhost:8000/x", 0, 0), ("http://[::1]/x", 0, 0),
        ("https://me:pw@a.example", 1, 0), ("https://me@a.example", 1, 0), ("https://a.example?apikey=&x=1", 0, 0),
        ("https://a.example?api_id=1&token=2", 2, 0), ("${HOOK}", 1, 0),
    ],
)  # fmt: skip
def test_an_address_is_safe_and_tells_no_secret(reader, address, problems, notes):
    _check_address(address, ("feed", 0, "url"), reader)
    assert (len(reader.problems), len(reader.notes)) == (problems, notes)


def test_the_address_of_a_notice_may_be_a_secret_as_a_whole_and_headers_name_theirs(reader):
    _check_address("${HOOK}", ("notice", "webhook"), reader, whole_secret=True)
    _check_headers({"X-Key": "${K}", "Accept": "text"}, ("feed", 0, "headers"), reader)
    assert reader.problems == []
    _check_headers({"X-Key": "abc", "Bad name": "x", "Accept": "a\nb"}, ("feed", 0, "headers"), reader)
    assert [p[-1] for p in reader.paths] == ["X-Key", "Bad name", "Accept"]


def feed(reader, contact="a@b.example", **keys):
    given = {"for": "weather", "format": "csv"} | keys
    return _feed(schema.FeedKeys(**given), 1, SimpleNamespace(site=SimpleNamespace(contact=contact)), reader)


def test_a_feed_has_one_way_a_name_and_a_contact(reader):
    made = feed(reader, url="https://a.example", headers={"Accept": "text"}, columns={"T": "tmax [degF]"})
    assert (made.name, made.kind, made.location) == ("weather 2", "url", ("https://a.example",))
    assert made.headers == (("Accept", "text"),) and made.columns == {"T": "tmax [degF]"} and not reader.problems
    made = feed(reader, command=["get", "it"], name="own")
    assert (made.name, made.kind, made.location) == ("own", "command", ("get", "it"))
    assert feed(reader, file="x.csv", contact=None).location == ("x.csv",) and not reader.problems
    feed(reader), feed(reader, file="x", url="https://a.example"), feed(reader, url="https://a.example", contact=None)
    feed(reader, file="x", columns={"T": "tmx"})
    assert reader.paths == [("feed", 1), ("feed", 1), ("site", "contact"), ("feed", 1, "columns", "T")]
    (
        feed(reader, file="x", format="daily_arrays", columns={"T": "tmax"}),
        feed(reader, **{"for": "probes"}, format="daily_arrays", file="x"),
    )
    assert reader.paths[4:] == [("feed", 1, "columns"), ("feed", 1, "format")]


def test_a_notice_needs_somebody_and_mail_a_sender_and_a_server(reader):
    def notice(**keys):
        reader.problems.clear()
        _notice(schema.NoticeKeys(**keys), reader)
        return [path[-1] for path in reader.paths]

    mail = {"to": ["a@b.example"], "from": "me@b.example", "server": "mail.b.example:587"}
    assert notice(**mail) == [] and notice(webhook="${HOOK}") == [] and notice() == ["notice"]
    assert notice(to=["a@b.example"]) == ["from", "server"]
    assert notice(**mail | {"to": ["ab"]}) == ["to"] and notice(**mail | {"from": "me"}) == ["from"]
    assert notice(**mail | {"server": "mail b"}) == ["server"] and notice(**mail | {"server": "[::1]:25"}) == []
    assert notice(**mail, password="abc") == ["password"] and notice(**mail, password="${P}") == []


# ------------------------------------------------------------------------------------ what is understood, and doubted


def doubted(**parts):
    zones = SimpleNamespace(flow=np.array([1.0, 1.0, 3.0, 9.0]), pump=np.array([0, 0, 0, -1]))
    none = pd.DataFrame({"date": [], "issued": [], "night": []})
    given = {
        "window": WindowRule((1260, 1770)), "zones": zones, "pumps": (), "allocation": None,
        "weather": none, "forecast": none, "applied": none,
    }  # fmt: skip
    return doubts(SimpleNamespace(**given | parts), 10.0)


@pytest.mark.parametrize(
    ("window", "said"),
    [((1260, 1770), 0), ((600, 1260), 1), ((660, 960), 1), ((661, 1000), 0), ((1260, 2760 - 1440 + 1080), 1),
     ((600, 2040), 0), ((1260, 2399), 0), ((1260, 2400), 1)],
)  # fmt: skip
def test_a_window_that_holds_the_middle_of_the_day_is_doubted_unless_it_is_a_whole_day(window, said):
    assert len(doubted(window=WindowRule(window))) == said


@pytest.mark.parametrize(("capacity", "said"), [(60.0, 1), (47.6, 1), (47.5, 0), (79.2, 1), (79.3, 0), (4.9, 0)])
def test_a_pump_of_many_times_its_zones_is_in_gallons(capacity, said):
    # zones of 1, 1 and 3 L/s: 47.55 gal/min carry the largest, 79.25 all of them (1 gal/min is 0.0630902 L/s)
    found = doubted(pumps=(SimpleNamespace(name="a", capacity=capacity),))
    assert len(found) == said


@pytest.mark.parametrize(("volume", "said"), [(0.04, 1), (0.03, 0), (0.64, 1), (0.65, 0), (39.0, 0), (41.0, 0)])
def test_a_season_of_less_than_a_hot_month_is_in_acre_feet(volume, said):
    # a hot week of 10 m3: 40 to 800 m3 a season are 0.0324 to 0.6486 acre feet of 1233.48 m3
    given = SimpleNamespace(volume=volume, ends=date(2026, 10, 31))
    assert len(doubted(allocation=given)) == said


def one(column, *days):
    return pd.DataFrame({column: pd.to_datetime(list(days))})


def test_a_season_that_is_over_and_a_forecast_of_last_week_are_told():
    season = SimpleNamespace(volume=100.0, ends=date(2026, 7, 14))
    known = {"weather": one("date", "2026-07-12", "2026-07-10"), "forecast": one("issued", "2026-07-08", "2026-07-01")}
    assert doubted(allocation=season, **known) == ()
    late = doubted(allocation=season, **known | {"applied": one("night", "2026-07-15")})
    assert [n.subject for n in late] == ["site.toml"]
    assert "ended on 2026-07-14, and the newest data is of 2026-07-15" in late[0].text
    old = doubted(**known | {"weather": one("date", "2026-07-13")})
    assert "issued on 2026-07-08, 5 days before" in old[0].text
    empty = SimpleNamespace(weather=one("date"), forecast=one("issued"), applied=one("night"))
    assert newest(empty) is None


def week_of(*eto, dates=None):
    days = pd.date_range("2026-07-01", periods=len(eto)) if dates is None else pd.to_datetime(dates)
    columns = ("tmin", "tmax", "rhmin", "rhmax", "rh", "wind", "solar", "sunshine")
    blank = {n: np.full(len(eto), np.nan) for n in columns}
    weather = pd.DataFrame({"date": days, **blank, "eto": np.array(eto, dtype=float)})
    return SimpleNamespace(weather=weather, latitude=36.0, elevation=10.0, method="fao56")


def test_the_hot_week_is_the_one_of_most_et_that_is_known_whole():
    eto, start, words = _hot_week(week_of(1, 2, 3, 4, 5, 6, 7, 8, 1))
    assert (eto, start) == (35.0, date(2026, 7, 2)) and words.endswith("from 2026-07-02")
    eto, start, _ = _hot_week(week_of(9, 9, 9, 9, 9, 9, np.nan, 1, 1, 1, 1, 1, 1, 1))
    assert (eto, start) == (7.0, date(2026, 7, 8))
    split = [*pd.date_range("2026-07-01", periods=6), *pd.date_range("2026-08-01", periods=7)]
    assert _hot_week(week_of(*[9] * 6, *[1] * 7, dates=split))[:2] == (7.0, date(2026, 8, 1))
    for few in (week_of(9, 9, 9, 9, 9, 9), week_of(*[9] * 6, np.nan)):
        assert _hot_week(few)[:2] == (49.0, date(2026, 7, 13))
    south = week_of(9)
    south.latitude = -36.0
    assert _hot_week(south)[1] == date(2026, 1, 12)  # a Monday of its summer


def test_a_site_s_week_set_against_its_pumps(tmp_path):
    toml = TOML + '[[pump]]\nname = "p"\ncapacity = 2\n[[pump]]\nname = "q"\ncapacity = 4\n'
    toml += '[window]\nopens = "22:00"\ncloses = "04:00"\n[[window.by_day]]\nday = "Sunday"\ncloses = "02:00"\n'
    zones = "zone,surface,area,flow,pump,du_lq,microclimate,turf\nG1,green,1000,3,p,1,1.1,creeping_bentgrass\n"
    zones += "G2,green,3000,3,p,1,1,creeping_bentgrass\nF1,fairway,2000,6,,1,1,creeping_bentgrass\n"
    read = site(tmp_path, toml, zones)
    told = understand_site(read)
    # 7 mm/d x Kc 0.94 of July is 6.58 mm: 1.1 x 6.58 m3 and 19.74 m3 on the greens, 13.16 on the fairway
    green, fairway = told.surfaces
    assert green.hot_night_m3 == pytest.approx(26.978) and fairway.hot_night_m3 == pytest.approx(13.16)
    assert (green.zones, green.area_m2, green.flow_lps, green.priority) == (2, 4000.0, 6.0, 1)
    # 3 L/s on 1000 m2 are 10.8 mm/h, on 3000 m2 3.6: by area 5.4
    assert green.application_rate_mmh == pytest.approx(5.4)
    p, q, mains = told.pumps
    hours = 6 * 6 + 4.0
    assert (p.zones, p.hours_allowed, p.deliverable_m3) == (2, hours, 2 * 3.6 * hours)
    assert p.demand_m3 == pytest.approx(7 * 26.978) and p.hours_needed == pytest.approx(7 * 26.978 / 7.2)
    assert p.enough and not _pumps(read, np.array([200.0, 100.0, 1.0]), date(2026, 7, 13))[0].enough  # 300 of 288 m3
    assert (q.zones, q.demand_m3, q.deliverable_m3) == (0, 0.0, 4 * 3.6 * hours)
    assert (mains.name, mains.zones, mains.deliverable_m3, mains.enough) == ("mains", 1, None, True)
    assert told.hot_week_demand_m3 == pytest.approx(7 * 40.138) and told.place == "36.6 N, 121.9 W"
    assert told.window == "22:00 to 04:00, 1 weekdays differ" and told.area_m2 == 6000.0
    assert told.turf == (("creeping_bentgrass", 3),) and told.soil == (("loam", 3),)


def test_what_each_file_gave_from_its_first_to_its_last_date():
    names = ("weather", "forecast", "probes", "probe_sites", "applied", "calendar", "samples")
    data = {n: pd.DataFrame({"date": [], "time": [], "from": [], "night": []}) for n in names}
    data["weather"] = one("date", "2026-07-03", "2026-07-01", "2026-07-02")
    data["probe_sites"] = pd.DataFrame({"from": pd.to_datetime([None, "2026-05-01"])})
    found = {f.file: (f.rows, f.first, f.last) for f in _files(SimpleNamespace(**data))}
    assert found["weather.csv"] == (3, date(2026, 7, 1), date(2026, 7, 3))
    assert found["probe_sites.csv"] == (2, date(2026, 5, 1), date(2026, 5, 1))
    assert found["applied.csv"] == (0, None, None) and list(found) == [f"{n}.csv" for n in names]
