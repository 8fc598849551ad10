"""The moisture band of a surface: RAW or a floor, never at the wilting point, and firmness from field capacity down."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.choices import BAND
from scheduler.state import band
from scheduler.state.band import Watched, dry_limit, eased_raw, wet_limit
from scheduler.state.caution import CAUTION

FLOORS = {"green": None, "tee": 0.7, "rough": 0.0, "pitch": 0.995}
SITE = SimpleNamespace(
    caution="even",
    learned=(),
    zones=SimpleNamespace(
        surface=np.array(list(FLOORS)),
        zone=np.array(["G1", "T1", "R1", "P1"]),
        soil=np.array(["loam"] * 4),
        over_gravel=np.zeros(4, dtype=bool),
        priority=np.array([2, 1, 3, 3]),
    ),
    surfaces={s: SimpleNamespace(moisture_floor=f, firmness_limit=0.9) for s, f in FLOORS.items()},
)
TAW = np.array([40.0, 50.0, 60.0, 100.0])


def test_a_floor_of_moisture_stands_in_place_of_raw_within_what_the_soil_holds():
    # 30 % of 50 mm may go; a floor of nothing still leaves a fiftieth, and one of nearly all leaves one to plan with.
    raw = np.array([[16.0, 20.0], [25.0, 25.0], [30.0, 30.0], [50.0, 50.0]])
    found = dry_limit(SITE, TAW, raw)
    np.testing.assert_allclose(found, [[16.0, 20.0], [15.0, 15.0], [58.8, 58.8], [2.0, 2.0]])


def test_lean_lets_turf_dry_to_where_it_takes_the_share_of_its_et_the_word_says_but_keeps_floors_that_are_told():
    # FAO-56 Eq. 84: Ks = (TAW - D) / (TAW - RAW)
    lean = SimpleNamespace(**vars(SITE) | {"caution": "lean"})
    raw = np.array([[16.0, 20.0], [25.0, 25.0], [30.0, 30.0], [50.0, 50.0]])
    found = eased_raw(lean, TAW, raw)
    np.testing.assert_allclose((40.0 - found[0]) / (40.0 - raw[0]), CAUTION["lean"].met)
    np.testing.assert_array_equal(found[1:], raw[1:])
    np.testing.assert_allclose(dry_limit(lean, TAW, raw), np.vstack((found[0], dry_limit(SITE, TAW, raw)[1:])))
    np.testing.assert_array_equal(eased_raw(SITE, TAW, raw), raw)


@pytest.mark.parametrize("word", ["careful", "even", "lean"])
@pytest.mark.parametrize(
    ("soil", "over_gravel", "part"),
    [("sandy_loam", False, BAND.light), ("sand_rootzone", True, 1.0), ("clay", False, 1.0)],
)
def test_turf_that_probes_speak_for_may_dry_further_the_more_it_rains_and_light_soils_least(
    word, soil, over_gravel, part
):
    raw = np.full((4, 1), 16.0)
    zones = SimpleNamespace(**vars(SITE.zones) | {"soil": [soil] * 4, "over_gravel": np.array([over_gravel] * 4)})
    site = SimpleNamespace(**vars(SITE) | {"zones": zones, "caution": word})
    says, far = CAUTION[word], 1e3  # a probe speaks, but says so little that only the word counts
    for found, met in (
        (eased_raw(site, TAW, raw), says.met),
        (eased_raw(site, TAW, raw, seen(np.inf, 1.0)), says.met),
        (eased_raw(site, TAW, raw, seen(far, 0.0)), says.met),
        (eased_raw(site, TAW, raw, seen(far, 0.5)), 0.5 * (says.met + says.rained)),
        (eased_raw(site, TAW, raw, seen(far, 1.0)), says.rained),
    ):
        assert found[0, 0] == pytest.approx(16.0 + part * (1.0 - met) * 24.0)
    assert says.rained <= says.met


def seen(spread, rained):
    return Watched(np.array([spread, 4.0, 4.0, 4.0]), np.array([rained, 1.0, 1.0, 1.0]))


def test_watched_turf_is_led_to_where_stress_is_unlikely_yet_and_further_where_rain_fills_it():
    raw = np.array([[16.0, 17.0], [25.0, 25.0], [30.0, 30.0], [50.0, 50.0]])
    sure = CAUTION["even"].sure
    for rained, wary in ((0.0, sure), (0.5, 0.575 * sure), (1.0, 0.15 * sure)):
        found = eased_raw(SITE, TAW, raw, seen(4.0, rained))
        likely = np.array([2.0 * r - wary * np.sqrt(4.0**2 + (0.6 * r) ** 2) for r in (16.0, 17.0)])
        likely = np.minimum(likely, BAND.driest * 40.0)
        np.testing.assert_allclose(found[0], likely)
        assert (found[0] > raw[0]).all()
        np.testing.assert_array_equal(found[1:], raw[1:])  # floors are told
        np.testing.assert_allclose(dry_limit(SITE, TAW, raw, seen(4.0, rained))[0], likely)


@pytest.mark.parametrize(
    ("change", "spread"),
    [
        ({}, np.inf),  # no probe speaks for it
        ({"caution": "careful"}, 1.0),
        ({"learned": (("G1", "depletion_fraction", 0.4, 0.5),)}, 1.0),  # a record taught how far
    ],
)
def test_turf_is_kept_to_raw_where_nobody_watches_or_a_record_taught(change, spread):
    raw = np.array([[16.0, 20.0], [25.0, 25.0], [30.0, 30.0], [50.0, 50.0]])
    site = SimpleNamespace(**vars(SITE) | change)
    np.testing.assert_array_equal(eased_raw(site, TAW, raw, seen(spread, 0.0)), raw)


def test_surfaces_served_first_are_led_no_further_by_rain_and_dared_half_as_much():
    raw = np.full((4, 1), 16.0)
    zones = SimpleNamespace(**vars(SITE.zones) | {"priority": np.array([1, 1, 2, 2])})
    first = SimpleNamespace(**vars(SITE) | {"zones": zones})
    wet, dry = (eased_raw(first, TAW, raw, seen(4.0, rained))[0] for rained in (1.0, 0.0))
    later = eased_raw(SITE, TAW, raw, seen(4.0, 0.0))[0]
    assert wet == dry == pytest.approx(16.0 + BAND.first * (later - 16.0))
    assert later > dry > 16.0


def test_another_lesson_lets_turf_be_led_on_and_never_near_the_wilting_point():
    raw = np.full((4, 1), 20.0)
    site = SimpleNamespace(**vars(SITE) | {"learned": (("G1", "microclimate", 1.0, 1.1),)})
    assert eased_raw(site, TAW, raw, seen(0.0, 1.0))[0, 0] == BAND.driest * 40.0  # 2 x 20 less 0.08 x 12 are 39 mm


@pytest.mark.parametrize(
    ("soil", "over_gravel", "eased"),
    [
        ("sand_rootzone", True, True), ("sand_rootzone", False, False), ("sand", False, False),
        ("loamy_sand", False, False), ("sandy_loam", False, False), ("silt_loam", False, True), ("clay", False, True),
    ],
)  # fmt: skip
def test_light_soils_are_kept_to_the_word_but_for_sand_over_gravel(soil, over_gravel, eased):
    raw = np.full((4, 1), 16.0)
    zones = SimpleNamespace(**vars(SITE.zones) | {"soil": [soil] * 4, "over_gravel": np.array([over_gravel] * 4)})
    found = eased_raw(SimpleNamespace(**vars(SITE) | {"zones": zones}), TAW, raw, seen(2.0, 0.0))
    by_word = 16.0 + BAND.light * (1.0 - CAUTION["even"].met) * 24.0
    assert found[0, 0] > by_word if eased else found[0, 0] == pytest.approx(by_word)


def test_what_probes_say_never_makes_turf_wetter_than_the_word():
    raw = np.array([[16.0, 20.0], [25.0, 25.0], [30.0, 30.0], [50.0, 50.0]])
    lean = SimpleNamespace(**vars(SITE) | {"caution": "lean"})
    by_word = raw[0] + (1.0 - CAUTION["lean"].met) * (40.0 - raw[0])
    np.testing.assert_allclose(eased_raw(lean, TAW, raw, seen(400.0, 0.0))[0], by_word)
    assert eased_raw(lean, TAW, raw, seen(1.0, 1.0))[0, 0] > by_word[0]


def test_each_word_says_how_much_less_wary_rain_makes_it(monkeypatch):
    raw = np.full((4, 1), 14.0)
    for word in ("even", "lean"):
        monkeypatch.setitem(CAUTION, word, replace(CAUTION[word], met=1.0, rained=1.0))
        site = SimpleNamespace(**vars(SITE) | {"caution": word})
        dry, wet = (28.0 - eased_raw(site, TAW, raw, seen(4.0, rained))[0, 0] for rained in (0.0, 1.0))
        assert wet == pytest.approx((1.0 - CAUTION[word].room) * dry)


@pytest.mark.parametrize(("days", "observed", "share"), [(50, 50, 0.25), (50, 20, 0.0), (20, 20, 0.0)])
def test_rain_is_counted_over_six_weeks_where_the_record_is_long_enough(monkeypatch, days, observed, share):
    past = pd.DataFrame({"eto": np.full(days, 4.0), "rain": np.r_[np.full(8, 9.0), np.ones(42)][-days:]})
    monkeypatch.setattr(band, "zone_etc", lambda site, days: np.stack([days["eto"], 0.1 * days["eto"]]))
    monkeypatch.setattr(band, "zone_rain", lambda site, days: (np.stack([days["rain"]] * 2), None))
    state = SimpleNamespace(origin=np.array(["kin", "balance"]), spread=np.array([3.0, 2.0]))
    found = band.watched(SITE, SimpleNamespace(past=past, observed_days=observed), state)
    np.testing.assert_allclose(found.rained, [share, 1.0 if share else 0.0])
    np.testing.assert_array_equal(found.spread, [3.0, np.inf])
    state.origin = np.array(["probe", "field capacity"])
    np.testing.assert_array_equal(
        band.watched(SITE, SimpleNamespace(past=past, observed_days=1), state).spread, [3.0, np.inf]
    )


def test_ground_is_soft_above_its_firmness_limit():
    np.testing.assert_allclose(wet_limit(SITE, TAW), [4.0, 5.0, 6.0, 10.0])
