"""Turf tables against their sources; the status mark of each number is beside it."""

import numpy as np
import pytest

from models.turf import SPECIES, parse_mix, turf_of_mix

KEYS = (
    "annual_bluegrass creeping_bentgrass kentucky_bluegrass perennial_ryegrass tall_fescue fine_fescue bermudagrass "
    "zoysiagrass seashore_paspalum st_augustinegrass buffalograss kikuyugrass"
).split()
COOL, WARM = KEYS[:6], KEYS[6:]


def test_every_key_is_there_with_a_source_for_every_number():
    assert list(SPECIES) == KEYS
    for species in SPECIES.values():
        assert len(species.kc_month) == 12
        for name in ("kc_month", "depletion_fraction", "root_depth_m", "ece_threshold", "ece_slope"):
            assert any(mark in species.sources[name] for mark in ("text", "secondary", "memory", "no source"))


def test_monthly_kc_means():
    # UC Center for Landscape & Urban Horticulture Table 1: means of the monthly columns 0.7875 and 0.6508 (computed
    # from the values read: text). The printed annual figures 0.80 and 0.60 are not these means, as the reference says.
    for keys, mean in ((COOL, 0.7875), (WARM, 0.6508)):
        for key in keys:
            assert np.mean(SPECIES[key].kc_month) == pytest.approx(mean, abs=5e-5)
    # January to December as printed: text
    cool = [0.61, 0.64, 0.75, 1.04, 0.95, 0.88, 0.94, 0.86, 0.74, 0.75, 0.69, 0.60]
    warm = [0.61, 0.54, 0.76, 0.72, 0.79, 0.68, 0.71, 0.71, 0.62, 0.54, 0.58, 0.55]
    assert {SPECIES[key].kc_month for key in COOL} == {tuple(cool)}
    assert {SPECIES[key].kc_month for key in WARM} == {tuple(warm)}
    assert {SPECIES[key].season for key in COOL} == {"cool"} and {SPECIES[key].season for key in WARM} == {"warm"}


def test_depletion_fraction_by_season():
    # FAO-56 Table 22, turf: cool 0.40, warm 0.50. Mark: memory.
    assert {SPECIES[key].depletion_fraction for key in COOL} == {0.40}
    assert {SPECIES[key].depletion_fraction for key in WARM} == {0.50}


def test_salt_thresholds():
    printed = {
        "perennial_ryegrass": (5.6, 7.6),  # Maas & Hoffman 1977, FAO-56 Table 23: memory
        "tall_fescue": (3.9, 5.3),  # the same: secondary
        "bermudagrass": (6.9, 6.4),  # the same: memory
    }
    for key, (threshold, slope) in printed.items():
        assert (SPECIES[key].ece_threshold, SPECIES[key].ece_slope) == (threshold, slope)
    # Carrow & Duncan 1998: memory, low confidence
    told = {"annual_bluegrass": 1.5, "kentucky_bluegrass": 3.0, "creeping_bentgrass": 3.7, "seashore_paspalum": 8.6}
    # where a source gives only a class, the lower bound of the most sensitive class any source gives: MS 3, MT 6, T 10
    lowest = {
        "fine_fescue": 3.0,
        "buffalograss": 3.0,
        "zoysiagrass": 6.0,
        "kikuyugrass": 6.0,
        "st_augustinegrass": 10.0,
    }
    for key, threshold in (told | lowest).items():
        assert SPECIES[key].ece_threshold == threshold
        # no slope was read: the steepest of the season's group counts, ryegrass' 7.6 and bermudagrass' 6.4
        assert SPECIES[key].ece_slope == (7.6 if key in COOL else 6.4)
        assert "steepest" in SPECIES[key].sources["ece_slope"]
    assert "Maas" in SPECIES["tall_fescue"].sources["ece_slope"]
    assert min(SPECIES, key=lambda key: SPECIES[key].ece_threshold) == "annual_bluegrass"


def test_thresholds_inside_their_class():
    # Uddin & Juraimi 2013 Table 1, bounds S < 3, MS 3-6, MT 6-10, T > 10 dS/m: text. Left out are the species whose
    # number disagrees with that class, each said in its source: ryegrass, tall fescue, paspalum, buffalograss.
    bounds = {"S": (0, 3), "MS": (3, 6), "MT": (6, 10), "T": (10, np.inf)}
    classes = {
        "annual_bluegrass": "S",
        "creeping_bentgrass": "MS",
        "kentucky_bluegrass": "MS",
        "fine_fescue": "MS",
        "bermudagrass": "MT",
        "zoysiagrass": "MT",
        "st_augustinegrass": "T",
    }
    for key, name in classes.items():
        assert bounds[name][0] <= SPECIES[key].ece_threshold <= bounds[name][1], key


def test_mix_is_weighted_and_salt_limit_is_the_most_sensitive_that_counts():
    green = turf_of_mix(parse_mix("annual_bluegrass:0.9|creeping_bentgrass:0.1"), 38.0)
    assert green.root_depth_m == pytest.approx(0.9 * 0.10 + 0.1 * 0.20)
    assert green.ece_threshold == 1.5
    # 20 % counts, less does not (site format)
    assert turf_of_mix(parse_mix("annual_bluegrass:0.2|creeping_bentgrass:0.8"), 38.0).ece_threshold == 1.5
    assert turf_of_mix(parse_mix("annual_bluegrass:0.19|creeping_bentgrass:0.81"), 38.0).ece_threshold == 3.7
    overseeded = turf_of_mix(parse_mix("bermudagrass:0.5|perennial_ryegrass:0.5"), 33.0)
    assert overseeded.kc_month[3] == pytest.approx((1.04 + 0.72) / 2)
    assert overseeded.depletion_fraction == pytest.approx(0.45)
    assert (overseeded.ece_threshold, overseeded.ece_slope) == (5.6, 7.6)


def test_many_small_shares_fall_back_to_the_most_sensitive_of_all():
    text = "|".join(f"{key}:{1 / 12:.10f}" for key in KEYS)
    assert turf_of_mix(parse_mix(text), 10.0).ece_threshold == 1.5


def test_months_move_by_six_south_of_the_equator():
    north, south = (turf_of_mix((("tall_fescue", 1.0),), latitude).kc_month for latitude in (38.0, -38.0))
    assert south[9] == north[3] == 1.04  # October there is April here
    assert south[0] == north[6]
    assert sorted(south) == sorted(north)
    assert turf_of_mix((("tall_fescue", 1.0),), 0.0).kc_month[3] == 1.04  # on the equator months stay as printed


def test_roots_that_are_taken_where_none_are_told():
    # common practice, no source: what must hold is their order; mown low they are short, prairie grass goes deepest
    depth = {key: SPECIES[key].root_depth_m for key in KEYS}
    assert depth["annual_bluegrass"] < depth["creeping_bentgrass"] < depth["kentucky_bluegrass"] < depth["tall_fescue"]
    assert depth["st_augustinegrass"] < depth["zoysiagrass"] < depth["bermudagrass"] < depth["buffalograss"] <= 0.8
    assert depth["kentucky_bluegrass"] == depth["perennial_ryegrass"] < depth["fine_fescue"] < 0.4
    assert depth["annual_bluegrass"] == 0.1 and depth["kikuyugrass"] == depth["bermudagrass"] == depth["tall_fescue"]


def test_shares_are_normalised():
    shares = parse_mix("tall_fescue: 0.3333333 | fine_fescue:0.6666666")
    assert sum(share for _, share in shares) == pytest.approx(1.0, abs=1e-15)
    assert parse_mix(" bermudagrass ") == (("bermudagrass", 1.0),)
    assert parse_mix("bermudagrass:1.0000005") == (("bermudagrass", 1.0),)  # a last digit too many
    assert turf_of_mix((("tall_fescue", 0.5), ("fine_fescue", 0.5000005)), 90.0).ece_threshold == 3.0
    # "20.0 %" that arithmetic makes a hair less counts
    assert turf_of_mix((("annual_bluegrass", 0.2 - 1e-9), ("tall_fescue", 0.8 + 1e-9)), 38.0).ece_threshold == 1.5


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("bermudagras", 'did you mean "bermudagrass"'),
        ("", "unknown turf"),
        ("tall_fescue:0.5|fine_fescue:0.4", "sum to 0.9"),
        ("tall_fescue:0.5|tall_fescue:0.5", "named twice"),
        ("tall_fescue:0|fine_fescue:1", "a number above 0"),
        ("tall_fescue:-1|fine_fescue:2", "a number above 0"),
        ("tall_fescue:half|fine_fescue:0.5", "'half'"),
        ("tall_fescue:nan", "a number above 0"),
        ("tall_fescue|fine_fescue:0.5", "has no share"),
        ("tall_fescue:1.00001", "at most 1"),
        ("tall_fescue:0.5|fine_fescue:0.50001", "they must sum to 1"),
        ("qqq", r"kikuyugrass$"),
    ],
)
def test_mix_refusals(text, words):
    with pytest.raises(ValueError, match=words):
        parse_mix(text)


def test_turf_refusals():
    with pytest.raises(ValueError, match="latitude"):
        turf_of_mix((("tall_fescue", 1.0),), 90.5)
    with pytest.raises(ValueError, match="latitude"):
        turf_of_mix((("tall_fescue", 1.0),), -90.5)
    with pytest.raises(ValueError, match="unknown turf"):
        turf_of_mix((("moss", 1.0),), 20.0)
    assert turf_of_mix((("tall_fescue", 1.0),), -90.0).kc_month[9] == 1.04
    with pytest.raises(ValueError, match="sum to 0.5"):
        turf_of_mix((("tall_fescue", 0.5),), 20.0)
    with pytest.raises(ValueError, match="must be above 0"):
        turf_of_mix((("tall_fescue", 1.0), ("fine_fescue", 0.0)), 20.0)
