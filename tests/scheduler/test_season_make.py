"""Parts of the account beside its totals: the season beside, practices, salts, what is estimated, rows of nights."""

from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from scheduler.errors import NoPlan
from scheduler.season import account, make, salts, tables
from scheduler.season.otherwise import Outcome, Practice
from scheduler.season.span import Span

NAN = np.nan
SPAN = Span(date(2026, 2, 27), date(2026, 3, 2))


def nights(first, count=4):
    return pd.date_range(first, periods=count)


def test_the_season_beside_is_the_year_asked_for_or_the_newest_on_record():
    known = [Span(date(2025, 2, 27), date(2025, 3, 2)), Span(date(2024, 2, 27), date(2024, 3, 2))]
    assert make._base(SPAN, None, known) == known[0] and make._base(SPAN, None, []) is None
    assert make._base(SPAN, 2024, known) == known[1] and make._base(SPAN, 2025, []) == known[0]
    for year in (2026, 2027):
        with pytest.raises(NoPlan, match=f"the base year {year} is not before the season"):
            make._base(SPAN, year, known)


@pytest.mark.parametrize(
    ("ran", "covered", "asked", "refused"),
    [(0, 0, 2024, True), (1, 0, 2024, False), (0, 1, 2024, False), (0, 0, None, False)],
)
def test_a_year_asked_for_must_have_a_record(monkeypatch, ran, covered, asked, refused):
    found = SimpleNamespace(
        span=Span(date(2024, 2, 27), date(2024, 3, 2)), logged=SimpleNamespace(ran=np.array([ran, 0], dtype=bool)),
        metered=SimpleNamespace(covered=np.array([covered, 0], dtype=bool)),
    )  # fmt: skip
    monkeypatch.setattr(make.acc, "season_record", lambda site, span: found)
    if refused:
        with pytest.raises(NoPlan, match="neither log nor meter says anything of 2024-02-27 to 2024-03-02"):
            make._base_record(None, SPAN, asked, [])
        return
    assert make._base_record(None, SPAN, asked, [] if asked else [found]) is found


def test_water_of_the_season_beside_falls_on_its_day_of_the_year():
    base = SimpleNamespace(
        own=1, logged=SimpleNamespace(nights=nights("2025-02-27"), volume=np.array([[1.0, 2, 3, 4], [9] * 4]))
    )
    this = SimpleNamespace(logged=SimpleNamespace(nights=nights("2028-02-26", 6)))
    # Nothing was recorded of 26 February; 29 February has what the 28th had.
    assert make._on_these_nights(base, this).tolist() == [[0.0, 1.0, 2.0, 2.0, 3.0, 4.0]]


def test_a_practice_is_told_by_its_usual_picture_and_the_range_of_all():
    outcomes = [Outcome(10.0000004, 3, 1, 2.0, 4), Outcome(8.0, 5, 0, NAN, 0), Outcome(12.0, 2, 2, 3.00049, 9)]
    found = make._practice(Practice("as_logged", tuple(outcomes)), "2025")
    bands = [
        found.water_m3,
        found.dry_zone_days,
        found.soft_zone_days,
        found.ece_end_dsm,
        found.zone_days_above_salt_limit,
    ]
    assert [(b.middle, b.low, b.high) for b in bands] == [
        (10.0, 8.0, 12.0), (3, 2, 5), (1, 0, 2), (2.0, 2.0, 3.0), (4, 4, 9),
    ]  # fmt: skip
    none = make._practice(Practice("as_logged", (outcomes[1],)), "2025")
    assert none.ece_end_dsm.middle is None and none.zone_days_above_salt_limit.high is None and none.water_m3.low == 8.0


def test_events_are_those_with_a_day_in_the_span():
    rows = [("2026-02-20", "2026-02-26", "a"), ("2026-02-20", "2026-02-27", "b"), ("2026-03-02", "2026-03-09", "c"),
            ("2026-03-03", "2026-03-09", "d")]  # fmt: skip
    table = pd.DataFrame(rows, columns=["from", "until", "note"]).assign(target="green", event="no_water")
    table[["from", "until"]] = table[["from", "until"]].apply(pd.to_datetime)
    found = make._events(SimpleNamespace(calendar=table), SPAN)
    assert [(e.note, e.first.isoformat(), e.last.isoformat(), e.target, e.event) for e in found] == [
        ("b", "2026-02-20", "2026-02-27", "green", "no_water"), ("c", "2026-03-02", "2026-03-09", "green", "no_water"),
    ]  # fmt: skip


def test_meters_are_told_with_their_water_and_their_nights():
    meter = SimpleNamespace(name="A", source="well", readings=5, exchanges=1, rolled=2, unclear=3)
    metered = SimpleNamespace(
        meters=(meter,), volume=np.array([[1.0, 2.0, 3.0000004, 0.0]]), spread=np.array([[0.0, 2.0, 3.0, 0.0]]),
        covered=np.array([[True, True, True, False]]),
    )  # fmt: skip
    (found,) = make._meters(SimpleNamespace(metered=metered))
    assert found.model_dump() == {
        "meter": "A", "source": "well", "readings": 5, "metered_m3": 6.0, "divided_m3": 5.0, "nights": 3,
        "exchanges": 1, "rolled_over": 2, "unclear": 3,
    }  # fmt: skip


def test_what_is_not_counted_is_said():
    meters = [SimpleNamespace(name=n, unclear=u) for n, u in (("A", 0), ("B", 1), ("C", 2))]
    record = SimpleNamespace(
        logged=SimpleNamespace(uncounted=(("old", 2, 50.0), ("gone", 1, 7.5))), metered=SimpleNamespace(meters=meters),
        days=SimpleNamespace(eto=np.array([1.0, NAN, 3.0, NAN])),
    )  # fmt: skip
    found = make._uncounted(record)
    assert [line.split(";")[0] for line in found] == [
        "zone old: 2 runs, 50 min", "zone gone: 1 run, 7.5 min",
        "meter B: its count falls 1 time without rolls_over_at and without the note exchanged",
        "meter C: its count falls 2 times without rolls_over_at and without the note exchanged",
        "reference ET of 2 days is not known: no demand is counted on them",
    ]  # fmt: skip
    record.logged.uncounted, record.metered.meters, record.days.eto = (), [], np.ones(4)
    assert make._uncounted(record) == []


ALWAYS = "Turf demand is reference ET"


@pytest.mark.parametrize(
    ("given", "told", "count", "starts"),
    [
        ({}, True, 10, [ALWAYS]), ({"estimated_m3": 1.0}, True, 10, ["Water of runs", ALWAYS]),
        ({"divided_m3": 1.0}, True, 10, ["Water between", ALWAYS]), ({}, False, 10, ["A zone with", ALWAYS]),
        ({"eto_days_not_observed": 2, "rain_days_not_observed": 1}, True, 10, ["Reference ET of 2 days", ALWAYS]),
        ({"rain_days_not_observed": 1}, True, 10, ["Reference ET of 0 days", ALWAYS]),
        ({}, True, make.MANY, [ALWAYS]), ({}, True, make.MANY + 1, ["Simulations of more", ALWAYS]),
        ({"energy_kwh": 0.0}, True, 10, [ALWAYS, "Energy is"]),
    ],
)  # fmt: skip
def test_what_is_estimated_is_said(given, told, count, starts):
    plain = {
        "estimated_m3": 0.0,
        "divided_m3": None,
        "eto_days_not_observed": 0,
        "rain_days_not_observed": 0,
        "energy_kwh": None,
    }
    record = SimpleNamespace(zones=SimpleNamespace(told=np.array([True, told])), span=SimpleNamespace(nights=count))
    found = make._estimates(record, SimpleNamespace(**(plain | given)))
    assert len(found) == len(starts)
    assert all(line.startswith(start) for line, start in zip(found, starts, strict=True))
    if given.get("rain_days_not_observed"):
        assert "rain of 1 day not observed is the forecast's or none" in found[0]


# ------------------------------------------------------------------------------------------------------- the account


def test_the_rest_of_a_season_is_its_expected_et_over_that_of_the_account(monkeypatch):
    asked = []
    monkeypatch.setattr(account, "seasonal_eto", lambda site, past, days: asked.append(days) or np.full(len(days), 4.0))
    record = SimpleNamespace(
        site=None,
        span=SPAN,
        days=SimpleNamespace(eto=np.array([5.0, NAN, 6.0, 5.0])),
        demand=SimpleNamespace(past=None),
    )
    assert account._rest_of_season(record, date(2026, 3, 6)) == pytest.approx(16.0 / 16.0)
    assert [d.isoformat()[:10] for d in (asked[0][0], asked[0][-1])] == ["2026-03-03", "2026-03-06"]
    assert account._rest_of_season(record, SPAN.last) == 0.0
    record.days.eto = np.full(4, NAN)
    assert account._rest_of_season(record, date(2026, 3, 6)) == 0.0


def test_the_allowance_is_of_the_dates_whose_et_is_known():
    classes = list(account.AREA_CLASSES)
    zones = SimpleNamespace(
        area=np.array([100.0, 300.0, 50.0]), area_class=np.array([classes[0], classes[0], classes[1]])
    )
    rule = SimpleNamespace(rain_share=0.25, factor=dict(zip(classes, (1.0, 0.4, 0.3, 0.2), strict=False)))
    days = SimpleNamespace(eto=np.array([5.0, NAN, 7.0, 4.0]), rain=np.array([2.0, 1.0, NAN, 5.0]))
    record = SimpleNamespace(site=SimpleNamespace(zones=zones, allowance=rule), days=days)
    found = account.allowance_part(record, 2.0)
    assert (found.eto_mm, found.rain_mm, found.counted_et_mm, found.days_not_known) == (16.0, 8.0, 14.0, 1)
    assert [(c.area_class, c.area_m2, c.factor) for c in found.classes] == [
        (classes[0], 400, 1.0),
        (classes[1], 50, 0.4),
    ]
    assert found.weighted_area_m2 == pytest.approx(420.0) and found.use_m3 == 2.0
    assert found.share == pytest.approx(2.0 / found.allowance_m3, abs=1e-6)
    record.days.eto[:] = NAN
    assert account.allowance_part(record, 2.0) is None


# ------------------------------------------------------------------------------------------------------------- salts


def salt_of(first, ece, measured=(True, True)):
    return SimpleNamespace(
        dates=pd.date_range(first, periods=len(ece)), ece=np.array(ece, dtype=float), measured=measured
    )


def report():
    zones = SimpleNamespace(
        zone=np.array(["G1", "G2", "F1"]), name=np.array(["a", "b", "c"]),
        surface=np.array(["green", "green", "fairway"]),
        ece_threshold=np.array([3.0, 5.0, 4.0]),
    )  # fmt: skip
    surfaces = {"green": SimpleNamespace(priority=2), "fairway": SimpleNamespace(priority=1)}
    events = [
        SimpleNamespace(kind=kind, zone=z, nights=(date(2026, *on), date(2026, 3, 9)), drained=12.34567,
                        before=(2.0, 3.00049), after=(1.0, 2.5), measured="both", reached=1)
        for kind, z, on in (("flush", 1, (2, 27)), ("rain", 0, (2, 28)), ("flush", 0, (3, 2)), ("flush", 2, (3, 3)),
                            ("flush", 2, (2, 26)))
    ]  # fmt: skip
    courses = {
        0: salt_of("2026-02-26", [[1, 3], [NAN, NAN], [3, 5], [3, 5], [4, 6], [9, 9]]),
        1: salt_of("2026-02-26", [[3, 5], [5, 7], [5, 7], [5, 7], [6, 8], [9, 9]], (True, False)),
    }
    leaching = [SimpleNamespace(surface="green", drained=5.55555, achieved=0.123456, required=NAN)]
    return SimpleNamespace(
        site=SimpleNamespace(zones=zones, surfaces=surfaces), events=events, courses=courses, leaching=leaching,
        first=date(2026, 2, 26),
    )  # fmt: skip


def test_flushes_of_an_account_are_those_that_begin_in_it(monkeypatch):
    monkeypatch.setattr(salts.parts, "FlushPart", SimpleNamespace)
    found = salts._flushes(report(), SPAN)
    assert [(f.zone, f.surface, f.nights[0].isoformat()) for f in found] == [
        ("G2", "green", "2026-02-27"), ("G1", "green", "2026-03-02"),
    ]  # fmt: skip
    assert (found[0].drained_mm, found[0].ece_before_dsm, found[0].reached_lower) == (12.346, [2.0, 3.0], True)


def test_leaching_that_is_not_known_is_not_told():
    (row,) = salts._leaching(report())
    assert (row.surface, row.drained_mm, row.reached, row.required) == ("green", 5.556, 0.1235, None)


def test_a_surface_s_salt_is_the_mean_of_the_zones_followed_within_the_account(monkeypatch):
    (path,) = salts._paths(report(), SPAN)
    assert (path.surface, path.zones, path.measured_zones, path.limit_dsm) == ("green", 2, 1, 4.0)
    # On the 27th nothing is known of the first zone: between 2 and 4 it stood at 3.
    assert path.dates == [d.date() for d in nights("2026-02-27")] and path.ece_dsm == [4.5, 5.0, 5.0, 6.0]
    monkeypatch.setattr(salts, "SHOWN_DAYS", 2)
    assert [d.day for d in salts._paths(report(), SPAN)[0].dates] == [27, 1]
    monkeypatch.setattr(salts, "SHOWN_DAYS", 3)
    assert [d.day for d in salts._paths(report(), SPAN)[0].dates] == [27, 1]
    monkeypatch.setattr(salts, "SHOWN_DAYS", 4)
    assert len(salts._paths(report(), SPAN)[0].dates) == 4


@pytest.mark.parametrize(
    ("given", "follows"), [((0.0, 0, 0.0), 0), ((9.0, 0, 0.0), 1), ((0.0, 1, 0.0), 1), ((0.0, 0, 0.5), 1)]
)
def test_salts_are_followed_where_water_samples_or_probes_tell_of_them(monkeypatch, given, follows):
    ec, samples, read = given
    asked, told = [], report()
    monkeypatch.setattr(salts, "usual_source_ec", lambda site: np.array([0.0, 0.0, ec]))
    monkeypatch.setattr(salts, "salt_report", lambda site, last, longest: asked.append((last, longest)) or told)
    site = SimpleNamespace(
        zones=np.zeros(3), samples=[0] * samples, probes=pd.DataFrame({"ec": [0.0, read, NAN]}),
    )  # fmt: skip
    monkeypatch.setattr(salts.parts, "FlushPart", SimpleNamespace)
    found = salts.season_salts(site, SPAN)
    assert len(asked) == follows and bool(found.paths) == bool(follows) and found.notes == ()
    if follows:
        assert asked == [(SPAN.last, 90)]
        # The first zone has no value on the first date of the account.
        np.testing.assert_equal(found.start, [[NAN, NAN], [5.0, 7.0], [NAN, NAN]])
        told.first = date(2026, 3, 1)
        assert salts.season_salts(site, SPAN).notes[0].startswith("salts: followed from 2026-03-01; nothing is told")
    else:
        assert np.isnan(found.start).all() and found.start.shape == (3, 2)


# ------------------------------------------------------------------------------------------------------------ nights


def test_every_run_and_metered_night_is_a_row():
    zones = SimpleNamespace(
        zone=np.array(["b", "a"]), name=np.array(["B", "A"]), surface=np.array(["green", "tee"]),
        area_class=np.array(["x", "y"]), sources=("well", "lake"), share=np.array([[0.25, 0.75], [1.0, 0.0]]),
    )  # fmt: skip
    logged = SimpleNamespace(
        nights=nights("2026-07-01", 2), ran=np.array([[True, False], [True, True]]),
        minutes=np.array([[8.0, 0.0], [5.0, 6.0]]), volume=np.array([[4.0, 0.0], [1.0, 2.0000004]]),
        estimated=np.array([[0.0, 0.0], [1.0, 0.0]]),
    )  # fmt: skip
    metered = SimpleNamespace(
        meters=(SimpleNamespace(name="M", source="well"),), covered=np.array([[False, True]]),
        volume=np.array([[7.0, 8.5]]), spread=np.array([[0.0, 8.5]]),
    )  # fmt: skip
    record = SimpleNamespace(zones=zones, logged=logged, metered=metered)
    head, *rows = tables.nights_csv(record).splitlines()
    assert head == ",".join(tables.COLUMNS)
    assert rows == [
        "2026-07-01,logged,a,A,tee,y,well,,5.0,1.0,no",
        "2026-07-01,logged,b,B,green,x,lake,,6.0,3.0,yes",
        "2026-07-01,logged,b,B,green,x,well,,2.0,1.0,yes",
        "2026-07-02,logged,a,A,tee,y,well,,6.0,2.0,yes",
        "2026-07-02,metered,,,,,well,M,,8.5,no",
    ]
    metered.meters = ()
    assert len(tables.nights_csv(record).splitlines()) == 5


def test_a_source_not_known_has_no_price():
    site = SimpleNamespace(sources=(SimpleNamespace(price=0.5), SimpleNamespace(price=2.0)))
    record = SimpleNamespace(site=site, zones=SimpleNamespace(sources=("well", "lake", "source not known")))
    assert account.source_prices(record).tolist() == [0.5, 2.0, 0.0]
    site.sources, record.zones.sources = (), ("water",)
    assert account.source_prices(record).tolist() == [0.0]
