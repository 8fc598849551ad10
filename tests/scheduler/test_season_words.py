"""An account in words and pictures, from figures small enough to see: five answers, what changed, lines and bars."""

from datetime import date, timedelta
from types import SimpleNamespace
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from models.choices import SEASON
from scheduler import edge
from scheduler.season import charts, reconcile, words
from scheduler.season.charts import Frame
from scheduler.season.reconcile import Cause, _by_bin, _causes, _shared_stretches, _steady, differences
from scheduler.season.words import (
    Speech,
    answers,
    asked_more,
    cause_words,
    changed,
    counted_by,
    driest,
    next_season,
    shown_unit,
)

M3 = shown_unit(None, "metric")
SAY = Speech("metric", "USD", M3)


def beside(name="2025", use=1000.0, eto=500.0, rain=100.0, demand=2000.0, effective=500.0, dry=50, days=1000):
    return SimpleNamespace(
        name=name, use_m3=use, eto_mm=eto, rain_mm=rain, demand_m3=demand, effective_rain_m3=effective,
        dry_zone_days=dry, zone_days=days,
    )  # fmt: skip


def rule(**changes):
    base = dict(
        volume_m3=2000.0, left_m3=500.0, over_m3=0.0, surcharge=0.0, share=0.75, used_m3=1500.0, expected_m3=1500.0,
        steps=[],
    )  # fmt: skip
    return SimpleNamespace(**(base | changes))


def account(**changes):
    this = beside("2026", 1500.0)
    base = dict(
        shown=M3, site=SimpleNamespace(units="metric", currency="USD", area_m2=10_000.0),
        totals=SimpleNamespace(use_m3=1500.0, nights_run=40, dry_zone_days=50), bill=0.0,
        allocation=None, allowance=None,
        seasons=[this], base=None, sources=[], surfaces=[],
        events=[], flushes=[], differences=[], leaching=[], meters=["m"],
    )  # fmt: skip
    return SimpleNamespace(**(base | changes))


# ------------------------------------------------------------------------------------------------------- figures


@pytest.mark.parametrize(
    ("asked", "units", "m3", "said", "aloud", "price"),
    [
        (None, "metric", 1234.6, "1,235 m³", "1,235 m³", "1.00 USD per m³"),
        (None, "us", 1234.6, "326,147 gal", "326,147 gal", "3.79 USD per 1,000 gal"),
        ("gal", "metric", 12345.6, "3,261,362 gal", "3.3 million gal", "3.79 USD per 1,000 gal"),
        ("kgal", "metric", 1234.6, "326.1 1,000 gal", "326.1 1,000 gal", "3.79 USD per 1,000 gal"),
        ("acre_ft", "metric", 1234.6, "1.00 acre-ft", "1.00 acre-ft", "1,233.49 USD per acre-ft"),
        ("ccf", "metric", -0.1, "0 hundred ft³", "0 hundred ft³", "2.83 USD per hundred ft³"),
    ],
)
def test_volumes_and_prices_are_said_in_the_account_s_unit(asked, units, m3, said, aloud, price):
    say = Speech(units, "USD", shown_unit(asked, units))
    assert (say.volume(m3), say.about(m3), say.price(1.0)) == (said, aloud, price)
    assert say.volume(None) == edge.DASH


@pytest.mark.parametrize(
    ("cause", "text"),
    [
        (Cause("every_night", "", None, 60.0, 0.9, date(2026, 7, 14), 30),
         "about 2 m³ a night from Tuesday 14 July 2026 on, 60 m³ in all, whatever is logged: a leak, or watering "
         "by hand"),
        (Cause("every_night", "", None, 60.0, 0.9), "about 60 m³ a night, 60 m³ in all, whatever is logged: a leak, or "
         "watering by hand"),
        (Cause("zone", "G1", -0.8, -5.0, 0.9),
         "zone G1: logged and hardly metered, as with a valve that does not open"),
        (Cause("all", "", -0.8, -5.0, 0.9),
         "all runs alike: 80 % less ran than was logged, as with a meter that is off, or flows in zones.csv"),
        (Cause("branch", "b", 0.25, 5.0, 0.9),
         "the zones on b: 25 % more ran than was logged, as with a wrong flow in zones.csv or a wrong nozzle"),
        (Cause("zone", "G1", -0.79, -5.0, 0.9),
         "zone G1: 79 % less ran than was logged, as with a wrong flow in zones.csv or a wrong nozzle"),
    ],
)  # fmt: skip
def test_what_explains_a_meter_is_said_as_what_to_look_for(cause, text):
    assert cause_words(cause, SAY) == text


def test_what_changed_against_another_season():
    assert changed(beside("2026", 1500.0, 550.0, 80.0, 2300.0, 500.0, 100), beside(), SAY) == [
        "Water: 500 m³ more than in 2025 (50 % more).",
        "Weather: reference ET 550.0 mm against 500.0 mm (10 % higher), rain 80.0 mm against 100.0 mm.",
        "Turf: by weather alone it asked for 20 % more than in 2025.",
        "Turf condition: 10.0 % of zone-days dry against 5.0 %, reckoned from the logs.",
    ]
    less = changed(beside("2026", 500.0, 450.0, 80.0, 1700.0, 500.0), beside(), SAY)
    assert less[0].endswith("(50 % less).") and "(10 % lower)" in less[1] and "20 % less than" in less[2]
    assert len(changed(beside("2026", eto=None), beside(), SAY)) == 2
    assert len(changed(beside("2026"), beside(use=0.0, eto=0.0), SAY)) == 1
    assert len(changed(beside("2026"), beside(demand=400.0), SAY)) == 3
    assert changed(beside("2026", days=0, dry=0), beside(days=0, dry=0), SAY)[-1].startswith("Turf condition: 0.0 %")
    assert asked_more(beside(demand=2300.0), beside()) == pytest.approx(0.2)
    assert asked_more(beside(), beside(demand=500.0)) is None


# -------------------------------------------------------------------------------------------------- five answers


def test_how_much_water_and_counted_by_what():
    how = answers(account(bill=12.0, sources=[SimpleNamespace(use_from="meter")]), SAY)[0]
    assert (how.headline, how.words) == (
        "1,500 m³",
        "150.0 mm over the irrigated area, on 40 nights; 12.00 USD for water and pumping. Counted by the meters.",
    )
    plain = account(
        totals=SimpleNamespace(use_m3=1500.0, nights_run=0, dry_zone_days=0), site=SimpleNamespace(area_m2=0.0)
    )
    assert answers(plain, SAY)[0].words.endswith(
        "over the irrigated area. Counted by the meters where they were read all month, else by the log."
    )
    both = [SimpleNamespace(use_from=u) for u in ("meter", "log")]
    assert [counted_by(account(sources=s)) for s in (both[1:], both)] == [
        "by the log", "by the meters where they were read all month, else by the log",
    ]  # fmt: skip


ET = SimpleNamespace(share=0.9, allowance_m3=1667.0)


@pytest.mark.parametrize(
    ("changes", "headline", "text"),
    [
        ({}, "none is known", "site.toml names no allocation, and no reference ET is known."),
        ({"allowance": ET}, "90 % of the ET allowance", "The public ET formula allows 1,667 m³; use was 90 % of it."),
        ({"allocation": rule()}, "75 % of the allocation", "500 m³ of 2,000 m³ left."),
        ({"allocation": rule(over_m3=30.0, surcharge=9.0), "allowance": ET}, "75 % of the allocation",
         "30 m³ above the 2,000 m³. Surcharge 9.00 USD. The public ET formula allows 1,667 m³; use was 90 % of it."),
    ],
)  # fmt: skip
def test_against_what_allowance(changes, headline, text):
    found = answers(account(**changes), SAY)[1]
    assert (found.headline, found.words) == (headline, text)


@pytest.mark.parametrize(
    ("this", "base", "headline", "text"),
    [
        (beside("2026"), None, "no earlier season", "No earlier record to set beside."),
        (beside("2026"), beside(use=0.0), "no earlier season", "No earlier record to set beside."),
        (beside("2026", 1100.0, 550.0, 80.0, 2090.0), beside(), "10 % more than 2025",
         "Reference ET was 10 % higher and rain was 20.0 mm less. By weather alone the turf asked for 6 % more."),
        (beside("2026", 800.0, 450.0, 120.0, 1850.0), beside(), "20 % less than 2025",
         "Reference ET was 10 % lower and rain was 20.0 mm more. By weather alone the turf asked for 10 % less. The "
         "rest is how it was watered."),
        (beside("2026", 1100.0, None), beside(demand=0.0), "10 % more than 2025",
         "No weather of both seasons is known."),
    ],
)  # fmt: skip
def test_why_more_or_less(this, base, headline, text):
    found = answers(account(seasons=[this], base=base), SAY)[2]
    assert (found.headline, found.words) == (headline, text)


def test_what_it_bought():
    surfaces = [SimpleNamespace(surface="green", dry_zone_days=20, zone_days=400), SimpleNamespace(zone_days=1)]
    events = [SimpleNamespace(event=e) for e in ("tournament", "firm", "overseed")]
    flushes = [SimpleNamespace(reached_lower=r) for r in (True, False, True)]
    found = answers(account(surfaces=surfaces, events=events, flushes=flushes), SAY)[3]
    assert found.headline == "95.0 % of zone-days not dry"
    assert found.words == (
        "Greens: 5.0 % of zone-days dry; 2 events prepared for; 3 salt flushes, 2 of which took salt out of the lower "
        "roots. Reckoned from the log, not measured."
    )
    assert answers(account(events=events[:1]), SAY)[3].words.startswith("1 event prepared for")
    bare = answers(account(surfaces=[SimpleNamespace(zone_days=0)]), SAY)[3]
    assert bare.words == "Reckoned from the log, not measured."
    assert answers(account(seasons=[beside(eto=None)]), SAY)[3].headline == "not known"


@pytest.mark.parametrize(
    ("seasons", "allocation", "need", "headline", "text"),
    [
        ([beside("2026", 1500.0)], None, 1500.0 * SEASON.drier, "up to 1,650 m³",
         "A season a tenth drier would take about 1,650 m³ at this season's care (estimate)."),
        ([beside("2026", 1500.0), beside("2020", demand=2400.0), beside("2019", demand=2200.0)], rule(), 1800.0,
         "200 m³ to spare", "A season like 2020 would take about 1,800 m³ at this season's care (estimate). The "
         "allocation is 2,000 m³."),
        ([beside("2026", 1500.0), beside("2020", demand=2001.0)], rule(expected_m3=2000.0), 2200.0, "200 m³ short",
         "A season a tenth drier would take about 2,200 m³ at this season's care (estimate). The allocation is 2,000 "
         "m³. This one ends near 2,000 m³ at the present pace."),
        ([beside("2026", 1500.0, demand=0.0), beside("2020")], None, 1650.0, "up to 1,650 m³",
         "A season a tenth drier would take about 1,650 m³ at this season's care (estimate)."),
    ],
)  # fmt: skip
def test_next_year_s_risk(seasons, allocation, need, headline, text):
    d = account(seasons=seasons, allocation=allocation)
    assert driest(d)[0] == pytest.approx(need)
    found = answers(d, SAY)[4]
    assert (found.headline, found.words) == (headline, text)


def test_what_next_season_needs_in_the_order_of_its_weight():
    differences = [
        SimpleNamespace(
            beyond_error=True, difference_m3=-40.0, source="well", causes=[SimpleNamespace(words="a leak")]
        ),
        SimpleNamespace(beyond_error=False, difference_m3=40.0, source="lake", causes=[]),
        SimpleNamespace(beyond_error=True, difference_m3=30.0, source="main", causes=[]),
    ]
    leaching = [
        SimpleNamespace(surface=s, reached=r, required=q)
        for s, r, q in (("green", 0.1, 0.15), ("tee", 0.2, 0.15), ("rough", None, 0.1), ("fairway", 0.1, None))
    ]
    d = account(allocation=rule(volume_m3=1600.0), differences=differences, leaching=leaching, meters=[])
    assert next_season(d, SAY) == [
        "A season a tenth drier would take 50 m³ more than the allocation: more water, or a plan of which surfaces go "
        "without.",
        "Look into 40 m³ between meter and log of well: a leak.",
        "Look into 30 m³ between meter and log of main.",
        "More leaching on greens: 10 % reached, 15 % needed.",
        "A water meter read at least once a month: without one this account stands on the log alone.",
    ]
    assert next_season(account(allocation=rule()), SAY)[0].startswith("Nothing stands out")


# ------------------------------------------------------------------------------------------------- meter against log


def meter(source, *parts, standing=None):
    """A meter by its stretches (first night, night after), nights counted from 1 July."""
    origin = int(np.datetime64("2026-07-01", "D").astype(np.int64))
    first, after = (np.array([p[k] for p in parts], dtype=np.int64) + origin for k in (0, 1))
    return SimpleNamespace(source=source, parts=SimpleNamespace(first=first, after=after))


def metered(*meters, volume, covered=None):
    volume = np.array(volume, dtype=float)
    covered = np.ones(volume.shape, dtype=bool) if covered is None else np.array(covered, dtype=bool)
    return SimpleNamespace(
        meters=meters, volume=volume, spread=np.zeros_like(volume), covered=covered, standing=np.ones_like(covered)
    )


def log(volume):
    nights = pd.date_range("2026-07-01", periods=np.shape(volume)[1])
    return SimpleNamespace(nights=nights, volume=np.array(volume, dtype=float))


def test_stretches_run_between_readings_that_all_meters_share():
    two = metered(
        meter("well", (0, 2), (2, 4), (4, 7)), meter("well", (0, 4), (4, 7)), meter("lake", (0, 1)),
        volume=np.zeros((3, 8)),
    )  # fmt: skip
    on = np.array([True] * 7 + [False])
    assert _shared_stretches(two, "well", on, log(np.zeros((1, 8)))).tolist() == [0, 0, 0, 0, 1, 1, 1, -1]
    on[5] = False
    assert _shared_stretches(two, "well", on, log(np.zeros((1, 8)))).tolist() == [0, 0, 0, 0, 1, -1, 1, -1]
    # A meter has nothing to say before its first reading or after its last: there the other's readings count.
    late = metered(meter("well", (0, 2), (2, 4), (4, 8)), meter("well", (3, 4)), volume=np.zeros((2, 8)))
    every = np.ones(8, dtype=bool)
    assert _shared_stretches(late, "well", every, log(np.zeros((1, 8)))).tolist() == [0, 0, 1, 1, 2, 2, 2, 2]


def test_water_is_summed_by_stretch():
    found = _by_bin(np.array([[1.0, 2.0, 4.0, 8.0], [0.0, 1.0, 0.0, 1.0]]), np.array([0, 0, -1, 1]))
    assert found.tolist() == [[3.0, 8.0], [1.0, 1.0]]
    assert _by_bin(np.ones((2, 3)), np.full(3, -1)).shape == (2, 0)


@pytest.mark.parametrize(
    ("difference", "since"), [([2.0, 2.0, 2.0, 2.0], 0), ([0.0, 0.0, 3.0, 3.0], 2), ([0.0, 0.0, 0.0, 9.0], 2)]
)
def test_the_night_from_which_water_runs_every_night(difference, since):
    assert _steady(np.array(difference), np.ones(4)) == since
    assert _steady(np.array([0.0, 6.0, 3.0, 3.0]), np.array([1.0, 2.0, 1.0, 1.0])) == 1


ZONES = SimpleNamespace(zone=np.array(["A", "B", "C"]))
PLACE = SimpleNamespace(
    branches=(SimpleNamespace(name="b"), SimpleNamespace(name="alone")),
    zones=SimpleNamespace(branch=np.array([0, 0, 1])), meter_error=0.02,
)  # fmt: skip
BY_ZONE = np.array([[5.0, 1.0, 4.0, 2.0, 6.0, 1.0], [1.0, 6.0, 2.0, 5.0, 1.0, 3.0], [3.0, 3.0, 1.0, 1.0, 2.0, 7.0]])
BEGINS = [date(2026, 7, 1) + timedelta(days=2 * i) for i in range(6)]


def caused(difference):
    return _causes(PLACE, ZONES, BY_ZONE, np.array(difference, dtype=float), np.full(6, 2), BEGINS)


@pytest.mark.parametrize(
    ("difference", "kind", "name", "size"),
    [
        (0.5 * BY_ZONE[1], "zone", "B", 0.5), (-1.0 * BY_ZONE[2], "zone", "C", -1.0),
        (0.2 * BY_ZONE[:2].sum(axis=0), "branch", "b", 0.2), (-0.1 * BY_ZONE.sum(axis=0), "all", "", -0.1),
    ],
)  # fmt: skip
def test_what_explains_a_difference_best_comes_first(difference, kind, name, size):
    first = caused(difference)[0]
    assert (first.kind, first.name, first.size) == (kind, name, pytest.approx(size))
    assert first.volume == pytest.approx(difference.sum()) and first.explains == pytest.approx(1.0)
    assert len(caused(difference)) <= 3 and not any(c.name == "alone" for c in caused(difference))


def test_a_leak_is_water_of_every_night_from_one_on():
    first = caused([0.0, 0.0, 40.0, 40.0, 40.0, 40.0])[0]
    assert (first.kind, first.size, first.volume, first.nights) == ("every_night", None, pytest.approx(160.0), 8)
    assert first.since == date(2026, 7, 5)
    whole = caused([40.0] * 6)[0]
    assert (whole.kind, whole.explains, whole.since) == ("every_night", pytest.approx(1.0), date(2026, 7, 1))
    unsteady = np.array([0.0, 3.0, 40.0, 38.0, 42.0, 40.0])
    left = ((unsteady - [0, 0, 40, 40, 40, 40]) ** 2).sum() / (unsteady @ unsteady)
    assert caused(unsteady)[0].explains == pytest.approx(
        1.0 - left - left * np.log(7) / 6
    )  # found by trying six nights
    # A zone that used far more than twice its log has no wrong flow.
    assert all(c.size is None or c.size <= SEASON.largest for c in caused(5.0 * BY_ZONE[0]))


def test_a_source_s_difference_is_of_the_nights_its_meters_cover():
    zones = SimpleNamespace(
        zone=np.array(["A", "B"]), sources=("well", "lake", "dry"), share=np.array([[1, 0, 0], [0.5, 0.5, 0]])
    )
    nightly = tuple((n, n + 1) for n in range(6))
    read = metered(
        meter("well", *nightly), meter("lake", *nightly),
        volume=[[5.0, 5.0, 3.0, 0.0, 5.0, 7.0], [1.0] * 6], covered=[[1, 1, 1, 1, 1, 0], [1] * 6],
    )  # fmt: skip
    logged = log([[4.0, 4.0, 0.0, 4.0, 4.0, 4.0], [2.0, 2.0, 0.0, 2.0, 2.0, 2.0]])
    site = SimpleNamespace(meter_error=0.5, branches=())
    well, lake = differences(site, zones, logged, read)
    # Well: A and half of B, on five nights; of 3 m3 nothing was logged, and 5 were logged that the meter never saw.
    assert (well.source, well.nights, well.metered, well.logged) == ("well", 5, 18.0, 20.0)
    assert (well.error, well.without_record, well.never_metered, well.causes) == (9.0, 3.0, 5.0, ())
    assert (lake.nights, lake.metered, lake.logged, lake.beyond_error) == (6, 6.0, 5.0, False)
    assert reconcile.Difference("x", 1, 10.0, 7.9, 2.0, 0.0, 0.0, ()).beyond_error


def test_causes_are_looked_for_beyond_the_error_and_from_four_stretches_on(monkeypatch):
    seen = []
    monkeypatch.setattr(reconcile, "_causes", lambda *given: seen.append(given[2:]) or ("found",))
    zones = SimpleNamespace(zone=np.array(["A"]), sources=("well",), share=np.ones((1, 1)))
    for nights, error, asked in ((4, 0.1, True), (3, 0.1, False), (4, 0.5, False)):
        seen.clear()
        read = metered(meter("well", *((n, n + 1) for n in range(nights))), volume=[[2.0] * nights])
        (found,) = differences(SimpleNamespace(meter_error=error), zones, log([[1.0] * nights]), read)
        assert (found.causes == ("found",), bool(seen)) == (asked, asked)
        if asked:
            by_zone, difference, length, first = seen[0]
            assert by_zone.tolist() == [[1.0] * 4] and difference.tolist() == [1.0] * 4 and length.tolist() == [1] * 4
            assert first == [date(2026, 7, d) for d in (1, 2, 3, 4)]


# ----------------------------------------------------------------------------------------------------------- pictures


def tags(svg, name):
    return [(e.attrib, e.text) for e in ElementTree.fromstring(str(svg)).iter() if e.tag == name]


def height(value, most):
    return 176 - 142 * value / (1.06 * most)


@pytest.mark.parametrize(
    ("most", "marks"),
    [(100.0, ["0", "25", "50", "75", "100"]), (9.0, ["0", "2", "4", "6", "8"]), (4000.0, ["0", "1k", "2k", "3k", "4k"]),
     (10e6, ["0", "2.5M", "5M", "7.5M", "10M"]), (0.5, ["0", "0.2", "0.4"])],
)  # fmt: skip
def test_axes_have_round_marks(most, marks):
    frame = Frame(most, "m³", [("red", "one"), ("blue", "other")])
    svg = frame.svg("alt")
    said = [t for a, t in tags(svg, "text") if a["text-anchor"] == "end"]
    assert said == marks
    ends = [float(a["y"]) for a, _ in tags(svg, "text") if a["text-anchor"] == "end"]
    step = {"k": 1e3, "M": 1e6}
    values = [float(m[:-1]) * step[m[-1]] if m[-1] in step else float(m) for m in marks]
    assert ends == [pytest.approx(height(v, most) + 4, abs=0.06) for v in values]
    boxes = [(a["fill"], float(a["x"]), float(a["y"])) for a, _ in tags(svg, "rect")]
    assert boxes == [("red", 42.0, 8.0), ("blue", pytest.approx(42 + 24 + 18.3, abs=0.06), 8.0)]
    assert frame.y(0.0) == 176.0 and frame.y(most * 1.06) == pytest.approx(34.0)


def test_months_and_days_below_a_drawing():
    frame = Frame(10.0, "m³")
    places = frame.months(["2025-12", "2026-01", "2026-02"])
    assert places == [(42.0, 104.0), (146.0, 104.0), (250.0, 104.0)]
    said = [(t, float(a["x"]), float(a["y"])) for a, t in tags(frame.svg(""), "text") if a["text-anchor"] == "middle"]
    assert said == [("Dec", 94.0, 191.0), ("2025", 94.0, 204.0), ("Jan", 198.0, 191.0), ("2026", 198.0, 204.0),
                    ("Feb", 302.0, 191.0)]  # fmt: skip
    long = Frame(10.0, "m³")
    long.months([f"2026-{m:02d}" for m in range(1, 13)] + ["2027-01"])
    assert [t for a, t in tags(long.svg(""), "text") if a["text-anchor"] == "middle"] == [
        "Jan", "2026", "Mar", "May", "Jul", "Sep", "Nov", "Jan", "2027",
    ]  # fmt: skip
    days = Frame(10.0, "m³")
    assert days.days(date(2026, 6, 30), date(2026, 8, 1)) == pytest.approx(312 / 32)
    said = [(t, float(a["x"])) for a, t in tags(days.svg(""), "text") if a["text-anchor"] == "middle"]
    assert said == [("Jul", pytest.approx(42 + 312 / 32, abs=0.06)), ("Aug", 354.0)]
    assert Frame(10.0, "").days(date(2026, 6, 30), date(2026, 6, 30)) == 312.0
    year = Frame(10.0, "m³")
    year.days(date(2026, 1, 1), date(2026, 12, 31))
    assert [t for a, t in tags(year.svg(""), "text") if a["text-anchor"] == "middle"] == [
        "Jan",
        "Mar",
        "May",
        "Jul",
        "Sep",
        "Nov",
    ]


def test_water_by_month_stands_source_on_source_with_demand_and_rain_as_lines():
    months = [SimpleNamespace(month=m, use_m3=u, demand_m3=d, effective_rain_m3=r)
              for m, u, d, r in (("2026-06", 30.0, 50.0, 5.0), ("2026-07", 80.0, 60.0, 10.0))]  # fmt: skip
    sources = [
        SimpleNamespace(month=m, source=s, use_m3=u)
        for m, s, u in (
            ("2026-06", "well", 20.0),
            ("2026-06", "lake", 10.0),
            ("2026-07", "well", 50.0),
            ("2026-07", "lake", 30.0),
        )
    ]
    totals = [SimpleNamespace(source=s, use_m3=u) for s, u in (("well", 70.0), ("lake", 40.0), ("none", 0.0))]
    shown = SimpleNamespace(per_m3=2.0, name="half m³")
    d = SimpleNamespace(shown=shown, months=months, sources=sources, source_totals=totals)
    svg = charts.water_chart(d)
    bars = [a for a, _ in tags(svg, "rect")][4:]
    most = 160.0
    place = [
        (42 + 0.12 * 156, 0, 40),
        (42 + 0.12 * 156, 40, 60),
        (198 + 0.12 * 156, 0, 100),
        (198 + 0.12 * 156, 100, 160),
    ]
    for bar, (x, base, top) in zip(bars, place, strict=True):
        assert (float(bar["x"]), float(bar["y"])) == pytest.approx((x, height(top, most)), abs=0.06)
        assert float(bar["height"]) == pytest.approx(height(base, most) - height(top, most), abs=0.06)
        assert float(bar["width"]) == pytest.approx(0.76 * 156, abs=0.06)
    assert bars[0]["fill"] == bars[2]["fill"] == charts.SHADES[0] and bars[1]["fill"] == charts.SHADES[1]
    demand, rain = [a for a, _ in tags(svg, "polyline")]
    assert demand["points"] == f"120.0,{height(100, most):.1f} 276.0,{height(120, most):.1f}"
    assert rain["points"] == f"120.0,{height(10, most):.1f} 276.0,{height(20, most):.1f}" and "stroke-dasharray" in rain
    d.source_totals = totals[2:]
    assert charts.water_chart(d) == ""


def test_use_is_summed_against_the_allocation_and_its_steps():
    nights = [date(2026, 7, 1) + timedelta(days=i) for i in range(5)]
    course = SimpleNamespace(nights=nights, used_m3=[10.0, 20.0, 20.0, 40.0, 60.0])
    steps = [SimpleNamespace(above_m3=80.0, price=1.0), SimpleNamespace(above_m3=100.0, price=2.0)]
    d = account(cumulative=course, allocation=rule(volume_m3=90.0, steps=steps))
    svg = charts.allocation_chart(d)
    points = " ".join(f"{42 + 78 * i:.1f},{height(u, 100.0):.1f}" for i, u in enumerate(course.used_m3))
    assert [a["points"] for a, _ in tags(svg, "polyline")] == [points]
    assert [a["points"] for a, _ in tags(svg, "polygon")] == [f"42.0,176.0 {points} 354.0,176.0"]
    said = {t: float(a["y"]) for a, t in tags(svg, "text")}
    assert said["allocation"] == pytest.approx(height(90.0, 100.0) - 5, abs=0.06)
    assert said["step 1: 1.00 USD per m³ on top"] == pytest.approx(height(80.0, 100.0) - 5, abs=0.06)
    assert said["step 2: 2.00 USD per m³ on top"] == pytest.approx(height(100.0, 100.0) - 5, abs=0.06)
    steps[0].above_m3 = 90.0
    assert charts._rules(d) == [
        (90.0, "allocation; beyond it 1.00 USD per m³"),
        (100.0, "step 2: 2.00 USD per m³ on top"),
    ]
    d.allocation = None
    assert charts._rules(d) == [] and charts.allocation_chart(d)
    d.cumulative = SimpleNamespace(nights=[], used_m3=[])
    assert charts.allocation_chart(d) == ""


def test_a_long_season_keeps_its_last_night():
    count = 401
    nights = [date(2026, 1, 1) + timedelta(days=i) for i in range(count)]
    d = account(cumulative=SimpleNamespace(nights=nights, used_m3=[float(i) for i in range(count)]))
    (line,) = [a["points"].split() for a, _ in tags(charts.allocation_chart(d), "polyline")]
    assert (
        len(line) == 135
        and line[-1] == f"354.0,{height(400, 400):.1f}"
        and line[1].startswith(f"{42 + 3 * 312 / 400:.1f}")
    )


def test_zone_days_are_shares_by_surface():
    surfaces = [
        SimpleNamespace(surface=s, zone_days=z, dry_zone_days=d, soft_zone_days=w)
        for s, z, d, w in (("green", 100, 25, 50), ("tee", 100, 60, 50), ("rough", 0, 0, 0))
    ]
    svg = charts.turf_chart(SimpleNamespace(surfaces=surfaces))
    bars = [(a["fill"], float(a["x"]), float(a["y"]), float(a["width"])) for a, _ in tags(svg, "rect")][3:]
    assert bars == [
        (charts.DRY, 78.0, 26.0, 69.0), (charts.FINE, 147.0, 26.0, 69.0), (charts.SOFT, 216.0, 26.0, 138.0),
        (charts.DRY, 78.0, 48.0, 165.6), (charts.FINE, 243.6, 48.0, 0.0), (charts.SOFT, 243.6, 48.0, 110.4),
    ]  # fmt: skip
    said = [(t, float(a["x"]), a["text-anchor"]) for a, t in tags(svg, "text")]
    assert said[3:5] == [("Greens", 73.0, "end"), ("Tees", 73.0, "end")]
    assert said[5:] == [("0 %", 78.0, "middle"), ("25 %", 147.0, "middle"), ("50 %", 216.0, "middle"),
                        ("75 %", 285.0, "middle"), ("100 %", 354.0, "end")]  # fmt: skip
    assert 'viewBox="0 0 360 92"' in str(svg) and charts.turf_chart(SimpleNamespace(surfaces=surfaces[2:])) == ""


def test_salinity_of_the_first_surface_with_its_flushes_and_limit():
    dates = [date(2026, 7, 1) + timedelta(days=i) for i in range(5)]
    path = SimpleNamespace(dates=dates, ece_dsm=[None, 2.0, 4.0, None, 3.0], limit_dsm=5.0, surface="green")
    flushes = [
        SimpleNamespace(nights=[date(2026, 7, d)], surface=s)
        for d, s in ((1, "green"), (3, "green"), (4, "tee"), (6, "green"))
    ]
    svg = charts.salt_chart(SimpleNamespace(salts=[path, None], flushes=flushes))
    assert [a["points"] for a, _ in tags(svg, "polyline")] == [
        f"42.0,{height(2, 5):.1f} 146.0,{height(4, 5):.1f} 354.0,{height(3, 5):.1f}"
    ]
    upright = [
        (float(a["x1"]), float(a["y1"]), float(a["y2"])) for a, _ in tags(svg, "line") if a["stroke"] == charts.FLUSH
    ]
    assert upright == [(146.0, 34.0, 176.0)]  # the 3rd: inside, of this surface
    said = {t: float(a["y"]) for a, t in tags(svg, "text")}
    assert said["limit of the turf"] == pytest.approx(height(5, 5) - 5, abs=0.06)
    path.ece_dsm = [None] * 5
    assert charts.salt_chart(SimpleNamespace(salts=[path], flushes=[])) == ""
    assert charts.salt_chart(SimpleNamespace(salts=[], flushes=[])) == ""


def test_meter_and_log_stand_side_by_side_by_month():
    rows = [
        SimpleNamespace(month=m, logged_on_metered_nights_m3=g, difference_m3=d)
        for m, g, d in (
            ("2026-06", 20.0, 5.0),
            ("2026-06", 10.0, -1.0),
            ("2026-07", 40.0, 0.0),
            ("2026-08", None, None),
        )
    ]
    svg = charts.meter_chart(account(sources=rows))
    bars = [a for a, _ in tags(svg, "rect")][2:]
    place = [(42 + 15.6, 34.0), (42 + 0.5 * 156, 30.0), (198 + 15.6, 40.0), (198 + 0.5 * 156, 40.0)]
    for bar, (x, value) in zip(bars, place, strict=True):
        assert (float(bar["x"]), float(bar["y"]), float(bar["width"])) == pytest.approx(
            (x, height(value, 40.0), 62.4), abs=0.06
        )
        assert float(bar["height"]) == pytest.approx(176 - height(value, 40.0), abs=0.11)
    assert [b["fill"] for b in bars] == [charts.WATER, charts.LOGGED] * 2
    assert (
        charts.meter_chart(account(sources=rows[3:])) == ""
        and words.practice_title("base_year", "2020") == "As run in 2020"
    )
