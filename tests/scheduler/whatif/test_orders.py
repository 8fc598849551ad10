"""What orders allow in cubic metres, reckoned by hand: three zones, a log in volumes, four nights from a Tuesday."""

from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from scheduler.errors import InputProblems
from scheduler.whatif import orders
from scheduler.whatif.case import Part
from scheduler.whatif.orders import Standing, _period, _share_of_month, water_orders
from scheduler.whatif.schema import CaseKeys

TONIGHT = date(2026, 7, 14)


@pytest.mark.parametrize(
    ("night", "per", "begins", "words"),
    [
        (date(2026, 7, 14), "night", date(2026, 7, 14), "night of Tue 14 Jul"),
        (date(2026, 7, 12), "week", date(2026, 7, 6), "week of Mon 6 Jul"),  # a Sunday ends its week
        (date(2026, 7, 13), "week", date(2026, 7, 13), "week of Mon 13 Jul"),  # a Monday begins one
        (date(2026, 7, 31), "month", date(2026, 7, 1), "July 2026"),
        (date(2026, 7, 31), "m2_month", date(2026, 7, 1), "July 2026"),
    ],
)
def test_what_an_allowance_is_for_begins(night, per, begins, words):
    assert _period(night, per, "metric") == (begins, words)


class Zones(SimpleNamespace):
    """A green of 500 m2 (special), a fairway of 2,000 m2 (turf), and 1,000 m2 of landscape."""

    def __len__(self):
        return len(self.zone)


ZONES = Zones(
    zone=np.array(["G1", "F1", "L1"], dtype=object),
    surface=np.array(["green", "fairway", "landscape"], dtype=object),
    area=np.array([500.0, 2000.0, 1000.0]),
    area_class=np.array(["special", "turf", "landscape"], dtype=object),
    flow=np.array([1.0, 2.0, 3.0]),
    kc_month=np.ones((3, 12)),
    microclimate=np.ones(3),
)
SITE = SimpleNamespace(zones=ZONES, units="metric", latitude=0.0)


def log_of(*rows):
    """Nights as month and day, zones and cubic metres: (712, "G1", 2.0)."""
    found = [(pd.Timestamp(2026, d // 100, d % 100), z, np.nan, v) for d, z, v in rows]
    return pd.DataFrame(found, columns=["night", "zone", "minutes", "volume"])


def part(**keys):
    named = {{"starts": "from", "ends": "until"}.get(k, k): v for k, v in keys.items()}
    return Part("case.toml", CaseKeys.model_validate(named), {})


def weather(first, eto, rain):
    return pd.DataFrame({"date": pd.date_range(first, periods=len(eto)), "eto": eto, "rain": rain})


def standing(monkeypatch, log, nights=4, tonight=TONIGHT, past=None, future=None):
    monkeypatch.setattr(orders, "runs_before", lambda site, night: log[log["night"] < pd.Timestamp(night)])
    demand = SimpleNamespace(past=past, future=future)
    dates = tuple(tonight + timedelta(days=n) for n in range(nights))
    net = ZONES.flow * 60.0 / ZONES.area * np.array([1.0, 0.5, 1.0])  # half of what the fairway is given is lost
    return Standing(SITE, dates, demand, np.full((3, nights), 4.0), net, log)


LOG = log_of(
    (531, "G1", 100.0), (601, "G1", 3.0), (605, "L1", 50.0), (605, "F1", 10.0), (610, "G1", 7.0), (611, "G1", 100.0),
    (711, "G1", 100.0), (712, "G1", 1.0), (713, "F1", 2.0), (713, "L1", 60.0), (714, "G1", 50.0),
)  # fmt: skip
BASE = {"cut": 0.2, "base": ["2026-06-01", "2026-06-10"], "surfaces": ["green", "fairway"]}


def test_a_cut_counts_the_base_s_mean_night_over_the_nights_since_it_began(monkeypatch):
    # Base: 3 + 10 + 7 m3 in ten nights, so 1.6 a night. 3 m3 ran on the 12th and 13th; tonight is the third night.
    case = part(**BASE, starts="2026-07-12", ends="2026-07-16")
    (found,) = water_orders(standing(monkeypatch, LOG), [case])
    (cut,) = found.cuts
    np.testing.assert_allclose(cut.volume, [4.8 - 3.0, 6.4 - 3.0, 8.0 - 3.0, np.inf])
    assert (cut.zones.tolist(), cut.since) == ([True, True, False], 0)
    assert (found.kind, found.used, found.left) == ("cut", 3.0, pytest.approx(5.0))
    assert (found.allowed, found.first, found.last) == (
        pytest.approx(8.0), date(2026, 7, 12), date(2026, 7, 16),
    )  # fmt: skip
    assert found.name == cut.name == "20 % less than in the nights from Mon 1 Jun 2026 to Wed 10 Jun 2026"
    assert found.facts == {
        "cut": 0.2, "base_from": "2026-06-01", "base_until": "2026-06-10", "base_nights": 10,
        "base_m3": pytest.approx(20.0), "nights": 5, "log_from": "2026-05-31", "log_until": "2026-07-14",
    }  # fmt: skip


def test_a_cut_that_begins_later_has_used_nothing_and_binds_from_its_first_night(monkeypatch):
    (found,) = water_orders(standing(monkeypatch, LOG), [part(**BASE, starts="2026-07-15")])
    np.testing.assert_allclose(found.cuts[0].volume, [np.inf, 1.6, 3.2, 4.8])
    assert (found.cuts[0].since, found.used, found.facts["nights"]) == (1, 0.0, 3)
    assert (found.last, found.left) == (date(2026, 7, 17), pytest.approx(4.8))


def test_a_cut_without_a_date_begins_tonight_and_one_used_up_leaves_nothing(monkeypatch):
    (plain,) = water_orders(standing(monkeypatch, LOG), [part(**BASE)])
    np.testing.assert_allclose(plain.cuts[0].volume, [1.6, 3.2, 4.8, 6.4])
    assert plain.used == 0.0
    (spent,) = water_orders(standing(monkeypatch, LOG), [part(**BASE, starts="2026-07-11")])
    assert (spent.used, spent.left, spent.allowed) == (103.0, 0.0, pytest.approx(1.6 * 7))
    assert spent.cuts[0].volume.tolist() == [0.0] * 4
    assert water_orders(standing(monkeypatch, LOG), [part(**BASE, ends="2026-07-13")]) == ()


def test_a_cut_against_a_year_is_against_the_same_nights_of_it(monkeypatch):
    # Over New Year, and over a 29 February that the year of the base does not have.
    seen = []
    volume = lambda site, ran, first, before: seen.append((first, before)) or np.array([8.0, 0.0, 0.0])  # noqa: E731
    monkeypatch.setattr(orders, "applied_volume", volume)
    log = LOG.assign(night=pd.date_range("2024-12-01", periods=len(LOG), freq="60D"))
    one = standing(monkeypatch, log, tonight=date(2026, 12, 30))
    (found,) = water_orders(one, [part(cut=0.5, base=2025, ends="2027-01-02")])
    assert seen[0] == (date(2025, 12, 30), date(2026, 1, 3))
    assert found.allowed == pytest.approx(0.5 * 8.0)  # 4 nights of the 4 of the base
    leap = standing(monkeypatch, log, tonight=date(2028, 2, 28), nights=3)
    water_orders(leap, [part(cut=0.5, base=2025)])
    assert seen[1] == (date(2025, 2, 28), date(2025, 3, 2))
    leap = standing(monkeypatch, log, tonight=date(2028, 2, 29), nights=9)
    water_orders(leap, [part(cut=0.5, base=2025, ends="2028-03-01")])
    assert seen[2] == (date(2025, 2, 28), date(2025, 3, 2))


@pytest.mark.parametrize(
    ("base", "known"),
    [
        (("2026-05-01", "2026-05-31"), True),  # its last night is the log's first
        (("2026-05-01", "2026-05-30"), False),
        (("2026-07-14", "2026-08-01"), True),
        (("2026-07-15", "2026-08-01"), False),
    ],
)
def test_a_base_of_which_no_night_is_in_the_log_is_refused(monkeypatch, base, known):
    case = part(cut=0.2, base=list(base))
    if known:
        assert water_orders(standing(monkeypatch, LOG), [case])
        return
    with pytest.raises(InputProblems, match="reaches from 2026-05-31 to 2026-07-14.*name two dates it holds"):
        water_orders(standing(monkeypatch, LOG), [case])
    with pytest.raises(InputProblems, match="holds no night.*add those nights to applied.csv\n"):
        water_orders(standing(monkeypatch, LOG.head(0)), [case])


def test_an_allowance_a_night_is_a_row_a_night(monkeypatch):
    case = part(allowance="5 m3", per="night", surfaces=["green"], starts="2026-07-15", ends="2026-07-16")
    found = water_orders(standing(monkeypatch, LOG), [case])
    assert [o.name for o in found] == ["allowance, night of Wed 15 Jul", "allowance, night of Thu 16 Jul"]
    assert [o.cuts[0].volume.tolist() for o in found] == [[np.inf, 5, np.inf, np.inf], [np.inf, np.inf, 5, np.inf]]
    assert [o.cuts[0].since for o in found] == [1, 2]
    assert [(o.used, o.left, o.allowed, o.last.day) for o in found] == [(0, 5, 5, 15), (0, 5, 5, 16)]
    assert found[0].facts == {"per": "night", "area_m2": 500.0, "share_of_these_nights": 1.0}


@pytest.mark.parametrize(("starts", "used"), [(None, 62.0), ("2026-07-11", 62.0), ("2026-07-14", 0.0)])
def test_of_a_week_s_allowance_what_ran_since_monday_or_the_order_is_gone(monkeypatch, starts, used):
    # Tuesday to Friday next week: two weeks. 2 + 60 m3 ran on Monday.
    keys = {} if starts is None else {"starts": starts}
    found = water_orders(standing(monkeypatch, LOG, nights=7), [part(allowance="100 m3", per="week", **keys)])
    assert [o.name for o in found] == ["allowance, week of Mon 13 Jul", "allowance, week of Mon 20 Jul"]
    assert [(o.used, o.left) for o in found] == [(used, 100.0 - used), (0.0, 100.0)]
    assert [np.flatnonzero(np.isfinite(o.cuts[0].volume)).tolist() for o in found] == [[5], [6]]
    assert [(o.cuts[0].since, o.last.day) for o in found] == [(0, 19), (6, 20)]
    assert found[0].first == (date(2026, 7, 14) if used == 0.0 else date(2026, 7, 13))
    (spent, _) = water_orders(standing(monkeypatch, LOG, nights=7), [part(allowance="61 m3", per="week")])
    assert spent.left == 0.0 and spent.allowed == 61.0


def test_a_month_s_allowance_is_shared_with_its_later_nights(monkeypatch):
    # 223 m3 ran from 1 July on. Four nights of 17 m3 of demand; 1 August takes what is drawn on the night before it.
    seen = []

    def expected(site, past, days):
        seen.append((days[0].date(), days[-1].date(), past))
        return np.full(len(days), 4.0)

    monkeypatch.setattr(orders, "seasonal_eto", expected)
    one = standing(monkeypatch, LOG, past="past")
    (found,) = water_orders(one, [part(allowance="263 m3", per="month")])
    # Gross: 4 mm on 500, 2,000 at half, and 1,000 m2: 2 + 16 + 4 m3 a night. Four of the eighteen nights left.
    assert seen == [(date(2026, 7, 19), date(2026, 8, 1), "past")]
    assert found.facts["share_of_these_nights"] == pytest.approx(4 / 18)
    assert (found.used, found.left) == (163.0, pytest.approx(100.0 * 4 / 18))
    assert found.cuts[0].volume[-1] == found.left and found.first == date(2026, 7, 1)


def test_what_is_left_of_a_month_that_ends_with_these_nights_is_all_theirs(monkeypatch):
    monkeypatch.setattr(orders, "seasonal_eto", lambda site, past, days: np.full(len(days), 4.0))
    everywhere = np.ones(3, dtype=bool)
    one = standing(monkeypatch, LOG, tonight=date(2026, 7, 28), past=None)
    assert _share_of_month(one, everywhere, [0, 1, 2, 3]) == 1.0
    assert _share_of_month(one, everywhere, [0, 1, 2]) == pytest.approx(3 / 4)
    dry = Standing(SITE, one.dates, one.demand, np.zeros((3, 4)), one.net, LOG)
    assert _share_of_month(dry, everywhere, [0, 1]) == 1.0  # no demand tells how to share


def test_an_allowance_by_area_is_depth_times_the_area_bound(monkeypatch):
    monkeypatch.setattr(orders, "seasonal_eto", lambda site, past, days: np.zeros(len(days)))
    case = part(allowance="60 mm", per="m2_month", surfaces=["green", "landscape"])
    (found,) = water_orders(standing(monkeypatch, LOG), [case])
    assert (found.allowed, found.facts["area_m2"], found.facts["m3_per_m2"]) == (
        pytest.approx(90.0), 1500.0, pytest.approx(0.06),
    )  # fmt: skip


def test_an_allowance_by_eto_adds_up_from_the_date_after_its_first_night(monkeypatch):
    # From the 12th: dates 13 and 14 came with 6 and 4 mm, 20 mm of rain of which a quarter counts; then 8, 8, 2, 2 mm.
    past = weather("2026-07-12", [9.0, 6.0, 4.0], [30.0, 20.0, 0.0])
    future = weather("2026-07-15", [8.0, 8.0, 2.0, 2.0], [0.0, 0.0, 12.0, 40.0])
    keys = {"factor": 0.5, "special_factor": 0.8, "landscape_factor": 0.3, "rain_share": 0.25}
    case = part(et_allowance=keys, starts="2026-07-12", ends="2026-07-16")
    (found,) = water_orders(standing(monkeypatch, LOG, past=past, future=future), [case])
    weighted = 500 * 0.8 + 2000 * 0.5 + 1000 * 0.3
    depth = np.array([18.0 - 5.0, 26.0 - 5.0, 28.0 - 8.0])
    rule = 0.62 * 0.003785411784 / 25.4 / 0.09290304  # [m3 per m2 and mm], 0.5 % below a thousandth
    np.testing.assert_allclose(found.cuts[0].volume[:3], np.maximum(depth * weighted * rule - 63.0, 0.0))
    assert found.cuts[0].volume[3] == np.inf
    assert (found.kind, found.used, found.first, found.last) == (
        "et_allowance", 63.0, date(2026, 7, 12), date(2026, 7, 16),
    )  # fmt: skip
    assert found.allowed == pytest.approx(20.0 * weighted * rule)
    facts = found.facts
    assert (facts["eto_mm"], facts["rain_mm"], facts["counted_mm"], facts["rain_share"]) == (28.0, 32.0, 20.0, 0.25)
    assert facts["exact_m3"] == pytest.approx(20.0 * weighted / 1000)
    assert facts["rule_gal"] == pytest.approx(20.0 * weighted * rule / 0.003785411784)
    assert facts["factors"] == {"turf": 0.5, "special": 0.8, "landscape": 0.3}
    assert facts["area_ft2"]["special"] == pytest.approx(500 / 0.09290304)
    assert found.name == "allowance by ETo since Sun 12 Jul"


def test_landscape_counts_as_turf_unless_told_and_only_zones_bound_count(monkeypatch):
    past, future = weather("2026-07-13", [5.0, 5.0], [0.0, 0.0]), weather("2026-07-15", [5.0] * 4, [0.0] * 4)
    case = part(et_allowance={"factor": 0.4}, surfaces=["fairway", "landscape"])
    (found,) = water_orders(standing(monkeypatch, LOG, past=past, future=future), [case])
    assert found.facts["factors"] == {"turf": 0.4, "special": 1.0, "landscape": 0.4}
    assert found.facts["area_m2"] == {"turf": 2000.0, "special": 0.0, "landscape": 1000.0}
    assert (found.first, found.facts["eto_mm"], found.used) == (TONIGHT, 20.0, 0.0)


@pytest.mark.parametrize(("starts", "asked"), [("2026-07-10", []), ("2026-07-09", [6]), ("2026-07-07", [8])])
def test_weather_older_than_the_evening_s_is_fetched_and_missed_where_it_is_needed(monkeypatch, starts, asked):
    # The evening's own past begins on the 10th; the night of the 9th is paid by the 10th, that of the 7th by the 8th.
    past, future = weather("2026-07-10", [5.0] * 5, [0.0] * 5), weather("2026-07-15", [5.0] * 4, [0.0] * 4)
    seen = []

    def older(site, night, nights, longest):
        seen.append(longest)
        return SimpleNamespace(past=past)

    monkeypatch.setattr(orders, "evening_demand", older)
    case = part(et_allowance={"factor": 0.4}, starts=starts)
    one = standing(monkeypatch, LOG, past=past, future=future)
    if starts == "2026-07-07":
        with pytest.raises(InputProblems, match="since 2026-07-07 is not known; weather.csv begins on 2026-07-10"):
            water_orders(one, [case])
    else:
        (found,) = water_orders(one, [case])
        assert found.facts["eto_mm"] == 5.0 * (8 if starts == "2026-07-10" else 9)
    assert seen == asked


def test_the_orders_of_a_case_come_part_by_part(monkeypatch):
    monkeypatch.setattr(orders, "seasonal_eto", lambda site, past, days: np.zeros(len(days)))
    both = [
        part(cut=0.4, base=2025, ends="2026-07-13"),
        part(**BASE),
        part(cut=0.3),
        part(allowance="5 m3", per="month"),
    ]
    assert [o.kind for o in water_orders(standing(monkeypatch, LOG), both)] == ["cut", "allowance"]
