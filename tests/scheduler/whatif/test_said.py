"""What a case asks, said by what it holds; surcharges in percent of a price."""

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import pytest

from scheduler.site.records import Source
from scheduler.whatif.apply import settled_site
from scheduler.whatif.case import Case, Part, _against, read_cases
from scheduler.whatif.said import asked
from scheduler.whatif.schema import CaseKeys
from scheduler.whatif.surcharge import read_step, step_price
from tests.scheduler.whatif.test_case import a_site

PLACE = SimpleNamespace(
    units="metric", currency="EUR", zones=SimpleNamespace(surface=["green", "tee", "rough"]),
    surfaces={s: SimpleNamespace(priority=i) for i, s in enumerate(("green", "tee", "rough"))},
)  # fmt: skip


def said(units="metric", **keys):
    part = Part("a", CaseKeys.model_validate(keys), {})
    return asked(SimpleNamespace(**{**vars(PLACE), "units": units}), Case("a", "a", (part,)))


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"hours_forbidden": ["08:00-20:00"], "surfaces": ["tee", "rough"], "rain_factor": 0.5},
         "Tees and rough: no water from 08:00 to 20:00. Greens are exempt. Rain 50 % less."),
        ({"nights_a_week": 1, "surfaces": ["green", "tee"]}, "Greens and tees: 1 night a week, the plan chooses which. "
         "Rough is exempt."),
        ({"nights_allowed": ["Saturday", "Tuesday"], "from": "2026-07-15", "until": "2026-07-20"},
         "From Wed 15 Jul until Mon 20 Jul: Water on Tuesday and Saturday nights only."),
        ({"nights_a_week": 3, "from": "2026-07-15"}, "From Wed 15 Jul: 3 nights a week, the plan chooses which."),
        ({"nights_a_week": 0, "until": "2026-07-15"}, "Until Wed 15 Jul: No water."), ({"nights_allowed": []},
         "No water."),
        ({"cut": 0.25}, "25 % less water than the turf uses, over any seven nights."), ({"window": "22:30-04:00"},
         "Water from 22:30 to 04:00."),
        ({"surfaces_off": ["rough", "tee"], "zones_off": ["A", "B"]}, "No water on rough and tees; zones A and B off."),
        ({"source_off": "well", "pump_out": "north"}, "Source well closed; pump north out of service."),
        ({"pump_capacity_factor": 0.5, "ec_factor": 1.5, "eto_factor": 1.0},
         "Pumps at 50 % of their strength; salt in the water 50 % more; reference ET as now."),
        ({"allocation_factor": 0.8, "price_factor": 0.9},
         "80 % of what is left of the season's water; water costs 10 % less."),
        ({"tiers": [{"above": 1.0, "price": "25 % of well"}, {"above": 1.2, "price": 2.5}]},
         "Use above the season's volume costs 25 % of the price of well more and above 120 % of the season's volume "
         "costs 2.50 EUR per m³ more."),
        ({"tiers": [{"above": "500 m3", "price": "30 %"}]}, "Use above 500 m3 costs 30 % more."),
        ({"temperature_shift": 3, "rain_factor": 0}, "No rain; 3 °C warmer."),
        ({"allocation": 9000}, "9,000 m³ for the season."),
    ],
)  # fmt: skip
def test_each_key_is_said(keys, words):
    assert said(**keys) == [words]


def test_in_us_units_and_where_water_is_told_elsewhere():
    assert said("us", temperature_shift=-5, window="22:00-05:30") == ["Water from 10:00 pm to 5:30 am; 9 °F cooler."]
    steps = said("us", tiers=[{"above": 1.0, "price": "5.10 per 1000 gal"}])
    assert steps == ["Use above the season's volume costs 5.10 EUR per 1,000 gal more."]
    assert said(cut=0.2, base=2025) == [] == said(allowance=900, per="week")  # said in cubic metres


def source(name, price):
    return Source(name, 0.0, None, price, 1e9, 1e9, None)


def test_a_surcharge_is_a_share_of_the_price_of_the_water():
    well, mains = source("well", 0.4), source("mains", 2.0)
    assert step_price(read_step(" 25% "), [mains, source("other", 2.0)]) == 0.5
    assert step_price(read_step("150 percent of well"), [well, mains]) == pytest.approx(0.6)
    assert step_price(read_step("2.00 per m3"), []) == 2.0 == step_price(read_step(2.0), [mains])
    for step, sources, words in (
        ("25 %", [well, mains], 'different prices; say of which, for example "25 % of well"'),
        ("25 % of wel", [well], 'no source "wel"; allowed: "well"'), ("25 %", [source("well", 0.0)], "no price"),
        ("25 %", [], "no price"),
    ):  # fmt: skip
        with pytest.raises(ValueError, match="price|source") as found:
            step_price(read_step(step), sources)
        assert words in str(found.value)
    for value, words in (("-1 %", "from 0 to 10,000 %"), ("10001 %", "from 0 to"), (-1.0, "0 or more"),
                         ("dear", 'like "25 %"')):  # fmt: skip
        with pytest.raises(ValueError, match="allowed") as found:
            read_step(value)
        assert words in str(found.value)


def test_a_surcharge_typed_into_a_case(tmp_path):
    steps = 'tiers = [{above = 1.0, price = "20 %"}, {above = 1.2, price = "50 %"}]\n'
    place = a_site(tmp_path, dear=f"price_factor = 1.5\n{steps}", falls='tiers = [{above = 1.0, price = "20 %"}]\n')
    place = replace(place, sources=(source("mains", 2.0),))
    found = settled_site(place, read_cases(place, ["dear"])[0], date(2026, 7, 15)).allocation.tiers
    assert found == (pytest.approx((1.0, 0.6)), pytest.approx((1.2, 1.5)))  # of 2.00, and half as dear again
    for prices, words in (((0.5, "20 %"), "prices must not fall"), (("20 %", "20 % of well"), 'no source "well"')):
        keys = CaseKeys.model_validate({"tiers": [{"above": 1 + i, "price": p} for i, p in enumerate(prices)]})
        problems = _against(place, Case("c", "c", (Part("cases/a.toml", keys, {("tiers",): 3}),)))
        assert len(problems) == 1 and words in str(problems[0]) and problems[0].line == 3
