"""Surfaces, the season's water, who gives way, what was read, the words of a zone: parts from a few numbers."""

from datetime import date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from scheduler.document import edits, nights, planned, published, rules, salts, schema, uneven, words
from scheduler.document.parts import Why

NIGHT = date(2026, 7, 14)
DATES = tuple(NIGHT + timedelta(days=i) for i in range(3))
NAN = np.nan
ZONES = SimpleNamespace(
    zone=np.array(["G1", "G2", "F1", "R1"], dtype=object), name=np.full(4, ""),
    surface=np.array(["green", "green", "fairway", "rough"]),
    area=np.array([500.0, 1500.0, 2000.0, 1000.0]),
)  # fmt: skip
SITE = SimpleNamespace(zones=ZONES, units="metric", sources=())


@pytest.fixture(autouse=True)
def order(monkeypatch):
    named = ["green", "fairway", "rough"]
    monkeypatch.setattr(nights, "in_order", lambda site, last_first=False: named[::-1] if last_first else named)


def test_a_surface_s_depth_is_the_mean_of_its_zones_that_run_and_its_days_are_counted():
    effects = SimpleNamespace(
        dry=np.array([[0.0, 0.4, 2.0], [0.0, 0.0, 0.0], [3.0, 3.0, 0.2], [0, 0, 0]]),
        soft=np.array([[0.3, 0.0, 0.0], [0.2, 5.0, 0.0], [0, 0, 0], [0, 0, 0]]),
        balance=SimpleNamespace(depletion=np.array([[1.0, 9.0, 3.0], [2.0, 2.0, 2.0], [30.1, 31.5, 2.0], [0, 0, 0.5]])),
    )
    one = SimpleNamespace(
        site=SITE, effects=effects, run=SimpleNamespace(minutes=np.array([10.0, 30.0, 0.0, 5.0])),
        plan=SimpleNamespace(net_rate=np.array([0.2, 0.2, 0.1, 0.1]), net_share=np.array([0.8, 1.0, 1.0, 0.5]),
                             water_per_minute=np.array([0.1, 0.3, 0.2, 0.1])),
    )  # fmt: skip
    found = [
        (p.surface.value, p.zones, p.running, p.depth_mm, p.volume_m3, p.dry_zone_days, p.wet_zone_days,
         p.worst_depletion_mm)
        for p in nights.surface_parts(one)
    ]  # fmt: skip
    assert found == [
        ("green", 2, 2, 4.25, 10.0, 2, 3, 9.0), ("fairway", 1, 0, 0.0, 0.0, 3, 0, 31.5),
        ("rough", 1, 1, 1.0, 0.5, 0, 0, 0.5),
    ]  # fmt: skip


def test_what_is_left_of_a_season_is_its_volume_without_what_is_used(monkeypatch):
    monkeypatch.setattr(nights, "worth_part", lambda site, plan, more: None)
    share = SimpleNamespace(volume=900.1234567, used=100.0, share=33.3333333)
    run = SimpleNamespace(result=SimpleNamespace(one_more=None))
    one = SimpleNamespace(site=SITE, plan=None, run=run, inputs=SimpleNamespace(allocation=share))
    found = nights.allocation_part(one)
    assert (found.volume_m3, found.used_m3, found.left_m3, found.share_this_horizon_m3) == (
        900.123457, 100.0, 800.123457, 33.333333,
    )  # fmt: skip
    one.inputs.allocation = None
    assert nights.allocation_part(one) is None


def test_those_served_last_give_way_first_and_who_is_blamed_held_back_water(monkeypatch):
    seen = []
    monkeypatch.setattr(nights, "give_way_words", lambda surface, going, dates, blame, units: (
        seen.append((surface, going.dry.shape, going.too_hot.tolist(), going.short.tolist(), blame)) or surface
    ))  # fmt: skip
    dry = np.array([[0.0, 2.0, 0.0], [0.0, 0.0, 0.0], [1.0, 1.0, 1.0], [0.0, 0.0, 0.0]])
    hot = np.array([[0, 1, 0], [0, 0, 0], [1, 0, 0], [1, 1, 1]], dtype=bool)
    short = np.array([[0, 0, 0], [0, 0, 0], [1, 0, 0], [0, 0, 0]], dtype=bool)
    one = SimpleNamespace(
        site=SITE,
        effects=SimpleNamespace(dry=dry, too_hot=hot, short=short),
        inputs=SimpleNamespace(dates=DATES),
    )
    scarce = [
        SimpleNamespace(name="pump", zones=np.array([True, True, False, False])),
        SimpleNamespace(name="branch", zones=np.array([True, True, True, False])),
        SimpleNamespace(name="rough", zones=np.array([False, False, False, True])),
    ]
    found = [(p.surface.value, p.zones, p.words) for p in nights.give_way_parts(one, scarce)]
    assert found == [("fairway", 1, "fairway"), ("green", 1, "green")]
    # The green is dry only on a day no root holds: water at night would not have helped it.
    assert seen == [
        ("fairway", (1, 3), [True], [True], ["branch"]), ("green", (2, 3), [True, False], [False, False], []),
    ]  # fmt: skip


def read(**given):
    state = {"newest_reading": None, "readings": 5, "used": 4, "doubtful": 1, "newest_applied": None,
             "applied_nights": 3, "planned_nights": 2}  # fmt: skip
    demand = {"newest": None, "issued": None, "observed_days": 30, "routes": {}, "forecast_days": 4, "members": 2}
    one = SimpleNamespace(
        night=NIGHT, opens=21 * 60.0, state=SimpleNamespace(**{k: given.get(k, v) for k, v in state.items()}),
        demand=SimpleNamespace(**{k: given.get(k, v) for k, v in demand.items()}),
    )  # fmt: skip
    notes = (SimpleNamespace(kind="step_down", subject="probes", text="old"),
             SimpleNamespace(kind="info", subject="x", text="y"))  # fmt: skip
    return published._inputs_part(one, notes)


def test_ages_of_what_was_read_are_to_this_night_and_to_its_opening():
    found = read(
        newest=date(2026, 7, 12), issued=pd.Timestamp("2026-07-11T23:00"), newest_applied=date(2026, 7, 13),
        newest_reading=pd.Timestamp("2026-07-14T18:20"),
    )  # fmt: skip
    assert (found.weather.age_days, found.forecast.age_days, found.applied.age_days) == (2, 3, 1)
    assert (found.probes.age_hours, found.probes.newest) == (2.67, datetime(2026, 7, 14, 18, 20))
    assert (found.probes.read, found.probes.used, found.probes.doubtful) == (5, 4, 1)
    assert (found.weather.days, found.forecast.days, found.forecast.members) == (30, 4, 2)
    assert (found.applied.nights, found.applied.nights_as_planned) == (3, 2)
    assert [(s.what, s.why) for s in found.step_downs] == [("probes", "old")]
    late = read(issued=pd.Timestamp("2026-07-15T05:00"), newest_reading=pd.Timestamp("2026-07-14T21:30"))
    assert (late.forecast.age_days, late.probes.age_hours) == (0, 0.0)
    none = read()
    ages = (none.weather.age_days, none.forecast.age_days, none.probes.age_hours, none.applied.age_days)
    assert ages == (None,) * 4 and none.weather.newest is None and none.probes.newest is None


def test_upkeep_tells_its_own_nights_and_what_salt_it_leaves():
    one = SimpleNamespace(
        site=SITE, inputs=SimpleNamespace(dates=DATES),
        effects=SimpleNamespace(
            balance=SimpleNamespace(drainage=np.array([[1.0, 2.00012, 4.0]] * 4)),
            leached=np.array([[0.5, 1.0, 2.0]] * 4),
            gross=np.array([[5.0, 6.0, 7.0]] * 4), ece=np.array([[3.00049, 2.9, 2.8, 2.70061]] * 4),
        ),
    )  # fmt: skip
    found = salts._upkeep(one, SimpleNamespace(zone=2, nights=(1, 2)))
    assert (found.zone, found.nights) == ("F1", DATES[1:])
    assert (found.drainage_mm, found.leached_mm, found.depth_mm) == (6.0, 3.0, 13.0)
    assert (found.ece_before_dsm, found.ece_after_dsm) == (3.0, 2.701)


def test_salt_is_forecast_where_that_of_any_zone_is_known(monkeypatch):
    seen = []
    forecast = SimpleNamespace(mean=np.ones((2, 3)), ece=np.full((2, 2, 3), 4.0), drainage=np.full((2, 3), 7.0))
    monkeypatch.setattr(planned, "forecast_salt", lambda *given: seen.append(given) or forecast)
    salt = SimpleNamespace(
        layers=SimpleNamespace(count=2), known=np.array([True, False]), mean=np.array([2.0, NAN]),
        ece=np.array([[1.0, 3.0], [NAN, NAN]]),
    )  # fmt: skip
    plan = SimpleNamespace(zones=2, nights=3, etc="etc", effective_rain="rain")
    one = SimpleNamespace(plan=plan, salt=salt, inputs=SimpleNamespace(depletion_fraction="p"))
    ece, layers, leached = planned._salinity(one, "net", "ec")
    assert seen == [(salt, "net", "ec", "etc", "rain", "p")]
    assert ece[0].tolist() == [2.0, 1.0, 1.0, 1.0] and layers[0, :, :2].tolist() == [[1.0, 4.0], [3.0, 4.0]]
    assert leached.tolist() == [[7.0] * 3] * 2
    salt.known[:] = False
    ece, layers, leached = planned._salinity(one, "net", "ec")
    assert (ece.shape, layers.shape, leached.shape, len(seen)) == ((2, 4), (2, 2, 4), (2, 3), 1)
    assert np.isnan(ece).all() and np.isnan(layers).all() and np.isnan(leached).all()


def test_a_night_s_water_has_the_salt_of_the_sources_it_is_drawn_from():
    minutes = np.zeros((2, 2, 2, 2))  # zones, nights, blocks, supplies
    minutes[0, 0, 0], minutes[0, 0, 1] = [10.0, 0.0], [0.0, 30.0]
    one = SimpleNamespace(
        plan=SimpleNamespace(zone_supply=np.ones((2, 2)), supply_share=np.array([[1.0, 0.0], [0.5, 0.5]])),
        salt=SimpleNamespace(source_ec=np.array([9.0, 8.0])),
        run=SimpleNamespace(result=SimpleNamespace(run_times=lambda plan: minutes)),
        site=SimpleNamespace(sources=(SimpleNamespace(ec=1.0), SimpleNamespace(ec=3.0))),
    )
    assert planned._water_ec(one).tolist() == [[1.75, 9.0], [8.0, 8.0]]
    one.site.sources = ()
    np.testing.assert_equal(planned._water_ec(one), [[NAN, 9.0], [8.0, 8.0]])


KINDS = [  # one zone each: runs, first dry night with rain and without, next run, what its flow and its hours allow
    (Why.DRY_TOMORROW, True, 0, 0, None), (Why.DRY_LATER, True, 1, 1, None), (Why.REFILL, True, None, None, None),
    (Why.GIVES_WAY, False, 0, 0, None), (Why.ENOUGH_FOR_NOW, False, 1, 1, 2), (Why.GIVES_WAY_LATER, False, 1, 1, None),
    (Why.RAIN, False, None, 2, None), (Why.ENOUGH, False, None, None, None), (Why.DRY_TOMORROW, True, 0, 0, 2),
    (Why.GIVES_WAY_LATER, False, 2, 0, None),
]  # fmt: skip


def test_the_first_reason_that_is_true_is_a_zone_s(monkeypatch):
    count = len(KINDS)
    told = [[words.NEVER if k[column] is None else k[column] for k in KINDS] for column in (2, 3, 4)]
    with_rain, without, again = map(np.array, told)
    monkeypatch.setattr(words, "first_dry_night", lambda plan, with_rain=True: None if with_rain else without)
    monkeypatch.setattr(words, "fits_alone", lambda site: np.ones(count, dtype=bool))
    one = SimpleNamespace(
        site=SITE, run=SimpleNamespace(minutes=np.array([10.0 * k[1] for k in KINDS])),
        plan=SimpleNamespace(allowed=np.ones((count, 1, 2), dtype=bool), block_length=np.array([[60.0, 0.0]])),
        effects=SimpleNamespace(too_hot=np.zeros((count, 3), dtype=bool), short=np.zeros((count, 3), dtype=bool)),
    )  # fmt: skip
    assert words._kinds(one, with_rain, again) == [k[0] for k in KINDS]
    one.effects.too_hot[3, 0] = one.effects.too_hot[8, 0] = True
    assert words._kinds(one, with_rain, again)[3] == Why.FULL
    one.effects.short[3, 0] = True
    assert words._kinds(one, with_rain, again)[3] == Why.GIVES_WAY
    one.plan.allowed[:, 0, 0] = False  # what is left of their hours has no length tonight
    assert words._kinds(one, with_rain, again)[3:8] == [Why.NOT_ALLOWED] * 5
    monkeypatch.setattr(words, "fits_alone", lambda site: np.arange(count) != 4)
    assert words._kinds(one, with_rain, again)[4] == Why.TOO_LARGE


@pytest.mark.parametrize(
    ("count", "text"),
    [(1, "enough until tomorrow evening"), (2, "enough for all 2 nights"), (7, "enough for all 7 nights")],
)
def test_enough_is_said_of_the_whole_horizon(count, text):
    assert words._sentence(Why.ENOUGH, "", "", "", SimpleNamespace(nights=count)) == text


def test_without_water_a_zone_is_dry_from_the_first_night_over_its_limit():
    plan = SimpleNamespace(
        etc=np.full((3, 3), 4.0), effective_rain=np.array([[0.0, 3.0, 0.0]] * 3), depletion=np.array([1.0, 6.0, 0.0]),
        dry_limit=np.array([[5.0, 8.0, 9.0], [9.0, 99.0, 99.0], [99.0] * 3]),
    )  # fmt: skip
    assert words.first_dry_night(plan).tolist() == [2, 0, words.NEVER]
    assert words.first_dry_night(plan, with_rain=False).tolist() == [1, 0, words.NEVER]
    assert words._next_run(np.array([[5.0, 0.0, 1.0], [5.0, 0.0, 0.0], [0.0, 2.0, 2.0]])).tolist() == [
        2, words.NEVER, 1,
    ]  # fmt: skip
    assert words._next_run(np.ones((2, 1))).tolist() == [words.NEVER] * 2


@pytest.mark.parametrize(
    ("minutes", "text"),
    [
        ([20.0, 10.0, 0.0, 7.0], "it takes 5.0 m³ more in these zones than the plan alone; 0.6 m³ passes their roots"),
        ([2.0, 10.0, 9.0, 7.0], "it takes 4.0 m³ less in these zones than the plan alone; drier than their limit "
         "tomorrow evening for it: G1"),
    ],
)  # fmt: skip
def test_a_word_s_cost_is_its_water_and_who_it_dries(monkeypatch, minutes, text):
    monkeypatch.setattr(edits, "dry_tomorrow", lambda plan: np.array([True, True, True, True]))
    run = SimpleNamespace(
        minutes=np.array(minutes), free=np.array([10.0, 10.0, 9.0, 3.0]),
        balance=SimpleNamespace(drainage=np.array([[1.2, 9.0], [0.0, 9.0], [0.0, 9.0], [5.0, 5.0]])),
    )  # fmt: skip
    one = SimpleNamespace(
        site=SITE, run=run, effects=SimpleNamespace(dry=np.array([[1.0, 0], [1.0, 0], [0.0, 5.0], [1.0, 0]])),
        plan=SimpleNamespace(water_per_minute=np.full(4, 0.5), area=ZONES.area),
    )  # fmt: skip
    assert edits._cost(one, np.array([0, 1])) == text


def test_a_surface_s_uneven_catch_is_weighed_by_area():
    course = SimpleNamespace(
        drained=np.array([[1.0, 3.0], [2.0, 8.0], [0, 0]]), water=np.array([[100.0, 110.0], [100.0, 130.0], [0, 0]]),
        met=np.array([[0.8, 0.9], [0.9, 1.3], [0, 0]]), soft=np.array([[1.0, 2.0], [3.0, 5.25], [0, 0]]),
    )  # fmt: skip
    weighed = SimpleNamespace(course=course, extra=np.array([0.1236, 0.5]), share=np.array([0.8, 0.5, 1.0]))
    found = SimpleNamespace(
        zones=np.array([0, 1, 2]), weighed=weighed, owed=np.array([0.02, 0.04, 0.0]), surfaces=["green", "fairway"]
    )
    row = uneven._surface(SimpleNamespace(site=SITE), found, "green")
    assert (row.surface.value, row.extra, row.longer) == ("green", 0.124, 0.812)
    assert (row.water_mm, row.drained_mm) == (25.0, 5.0)
    assert row.leached_mm == pytest.approx(0.25 * 1.2 + 0.75 * 3.2)
    assert (row.met, row.met_without, row.soft_nights, row.soft_nights_without) == (1.0, 0.85, 3.62, 2.0)


@pytest.mark.parametrize(
    ("whole", "parts", "adds_up"),
    [(0.5, {"a": 0.25, "b": 0.25}, True), (0.5, {"a": 0.25, "b": 0.25 + 0.9 * rules.TOTAL_TOLERANCE}, True),
     (0.5, {"a": 0.25, "b": 0.25 + 1.1 * rules.TOTAL_TOLERANCE}, False), (0.5, {}, True),
     (100.0, {"a": 100.0 + 90 * rules.TOTAL_TOLERANCE}, True), (100.0, {"a": 100.0 - 110 * rules.TOTAL_TOLERANCE},
     False)],
)  # fmt: skip
def test_a_zone_s_sources_add_up_to_its_water(whole, parts, adds_up):
    zone = SimpleNamespace(id="G1", surface="green", minutes=0.0, volume_m3=whole, volumes_m3=parts)
    plan = SimpleNamespace(zones=(zone,), nights=(), surfaces=(), status="not needed", night=NIGHT)
    assert [f for f in rules._total_faults(plan) if "sources" in f] == (
        [] if adds_up else [f'zone "G1": its sources do not add up to {whole:g} m3']
    )


def test_totals_of_a_surface_and_of_tonight_are_those_of_its_zones():
    def one(minutes, volume, surface="green"):
        return SimpleNamespace(id="x", surface=surface, minutes=minutes, volume_m3=volume, volumes_m3={})

    def faults(**given):
        night = {"night": NIGHT, "zones_running": 2, "minutes": 9.0, "volume_m3": 3.0}
        row = {"surface": "green", "zones": 2, "running": 1}
        night, row = ({k: given.get(k, v) for k, v in kept.items()} for kept in (night, row))
        plan = SimpleNamespace(
            zones=(one(4.0, 1.0), one(0.0, 0.0), one(5.0, 2.0, "tee")), night=NIGHT, status=given.get("status",
            "planned"),
            nights=(SimpleNamespace(**night),), surfaces=(SimpleNamespace(**row),),
        )  # fmt: skip
        return len(rules._total_faults(plan))

    assert faults() == 0
    wrong = [
        {"zones_running": 3},
        {"minutes": 9.1},
        {"volume_m3": 2.9},
        {"zones": 3},
        {"running": 2},
        {"status": "not needed"},
    ]
    assert [faults(**w) for w in wrong] == [1] * 6
    assert faults(night=NIGHT + timedelta(days=1)) == 1


def test_only_titles_that_repeat_a_name_are_left_out_of_the_schema():
    text = {
        "title": "Zone",
        "type": "object",
        "properties": {"title": {"title": "Title", "type": "string"}},
        "any": [{"title": "X"}, 5],
    }
    assert schema._untitled(text) == {"type": "object", "properties": {"title": {"type": "string"}}, "any": [{}, 5]}


@pytest.mark.parametrize(
    ("after", "before", "saltier", "told"),
    [(2.0, 2.0, 2.2, None), (2.0, 2.0, 2.0, (2.0, 2.0)), (2.0, 1.0, 2.0, (2.0, 2.0)), (0.0, 2.0, 1.0, (0.0, 0.0))],
)
def test_within_which_salinity_a_flush_ends(after, before, saltier, told):
    found = salts._likely(after, before, saltier)
    if told is None:
        width = salts.FOUR_IN_FIVE * 0.1
        told = (round(2.0 * np.exp(-width), 3), round(2.0 * np.exp(width), 3))
    assert found == told


def test_the_next_flush_is_told_as_far_as_can_be_told():
    most = salts.TOLD.next_flush
    days = (0.4, 1.9, 9.7, most - 0.5, most)
    assert [salts._again(d, NIGHT) for d in days] == [
        NIGHT + timedelta(days=1), NIGHT + timedelta(days=1), NIGHT + timedelta(days=9),
        NIGHT + timedelta(days=int(most - 0.5)), None,
    ]  # fmt: skip
    assert salts._brings(2.04, 2.04, 2.0) == "this flush brings it to 2.0"
    short = 2.01 + salts.TOLD.short_of_aim
    assert salts._brings(short, short, 2.0).endswith(", short of the 2.0 aimed at")


def test_the_lowest_probe_of_the_lower_roots_is_the_one_to_look_at():
    places = [
        ("a", "G1", 5.0),
        ("b", "G1", 20.0),
        ("c", "G1", 15.0),
        ("d", "G2", 14.9),
        ("e", "gone", 30.0),
        ("f", "R1", 15.0),
    ]
    zones = SimpleNamespace(zone=ZONES.zone, root_depth=np.array([0.3, 0.3, 0.3, 0.3]))
    table = pd.DataFrame(places, columns=["probe", "zone", "depth"])
    found = salts._lower_probes(SimpleNamespace(site=SimpleNamespace(zones=zones), standing_probes=table))
    assert found == {
        0: {"lower_probe": "b", "lower_probe_cm": 20.0}, 3: {"lower_probe": "f", "lower_probe_cm": 15.0},
    }  # fmt: skip
