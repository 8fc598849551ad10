"""How well water leaches, from weeks of readings: known mixing given back, shrinking, groups, what teaches nothing."""

from dataclasses import fields, replace

import numpy as np
import pytest

from models import leaching_fit
from models.choices import SALT
from models.layers import equal_layers, some_layers, state_from_ece
from models.leaching_fit import MIXING_TRIED, Record, fit_mixing
from models.salt_run import run_layers

DAYS, ET, ECW = 60, 5.0, 1.4


def season(mixing, zones=1, replaced=1.0, flush=25.0, days=DAYS, start=(2.0, 6.0)):
    """A season of the layers' own with `mixing`, every night ET times `replaced` and every tenth night a flush.

    Returns layers that know nothing of it (f 2), and what perfect probes read in both halves.
    """
    soil = {"root_depth": [0.2], "field_capacity": [0.2], "wilting_point": [0.045], "paste": [0.45]}
    soil = {name: value * zones for name, value in soil.items()}
    true, believed = equal_layers(**soil, mixing=mixing), equal_layers(**soil)
    etc, none, p = np.full((zones, days), ET), np.zeros((zones, days)), np.full((zones, days), 0.5)
    water = replaced * etc
    water[:, 5::10] += flush
    run = run_layers(
        true, state_from_ece(true, np.zeros(zones), np.tile(start, (zones, 1))), water, ECW, etc, none, p
    )  # fmt: skip
    spread, alike = np.full((zones, 2), 0.15), np.zeros(zones)
    return believed, Record(np.zeros(zones), water, etc, none, p, np.full(zones, ECW), run.ece, spread, alike)


def one_soil(zones):
    return np.zeros(zones, dtype=np.intp)


def part(record, rows):
    return Record(**{field.name: getattr(record, field.name)[rows] for field in fields(record)})


@pytest.mark.parametrize("mixing", [0.7, 1.0, 1.4, 2.8])
def test_a_known_mixing_comes_back_the_nearer_the_more_zones_read(mixing):
    found = []
    for zones in (1, 4, 40):
        layers, record = season(mixing, zones)
        f = fit_mixing(layers, record, one_soil(zones))
        assert f.shape == (zones,)
        assert np.ptp(f) == 0.0
        found.append(f[0])
    away = np.abs(np.log(np.array(found) / mixing))
    assert np.all(np.diff(away) < 0.0)
    assert away[0] < abs(np.log(2.0 / mixing))  # nearer than the f believed before
    # Forty zones that say alike count as two, against what was believed before: under half of the way is left.
    assert away[2] < abs(np.log(2.0 / mixing)) / 2.0


def test_zones_that_say_alike_count_as_two_at_most():
    # What layers cannot follow all kin show: n zones weigh n / (1 + (n - 1) / 2), so 200 as 1.99 of them.
    found = [fit_mixing(*season(0.7, zones), one_soil(zones))[0] for zones in (1, 2, 40, 200)]
    assert found[0] > found[1] > found[2] > found[3] > 0.75
    assert found[2] - found[3] < 0.2 * (found[0] - found[1])


def test_the_present_mixing_stays_where_readings_agree_with_it():
    layers, record = season(2.0)
    assert fit_mixing(layers, record, one_soil(1))[0] == pytest.approx(2.0, rel=0.02)


def test_few_days_say_less_than_many():
    weeks = [fit_mixing(*season(1.0, days=days), one_soil(1))[0] for days in (8, 20, 60)]
    assert 2.0 > weeks[0] > weeks[1] > weeks[2] > 1.0


def test_a_doubtful_probe_says_less():
    layers, record = season(1.0)
    # Level is what tells f apart; a probe that may read far off leaves only the course.
    unsure = replace(record, offset_spread=np.full((1, 2), 1.0))
    sure, doubtful = (fit_mixing(layers, r, one_soil(1))[0] for r in (record, unsure))
    assert sure < doubtful < 2.0


def test_probes_that_all_read_low_look_like_better_leaching():
    # Where salinity settles is what tells f: probes all off to one side cannot be told from it, and move f that way.
    layers, record = season(1.4, 4)
    high, right, low = (
        fit_mixing(layers, replace(record, read=factor * record.read), one_soil(4))[0] for factor in (1.1, 1.0, 0.9)
    )
    assert high < right < low


@pytest.mark.parametrize(("catches", "side"), [(0.8, -1.0), (1.25, 1.0)])
def test_a_probe_in_a_dry_or_a_wet_place_says_less_of_the_soil(catches, side):
    # Spots of a soil as believed that catch other water than their zone: read against the zone's, f is far off; with
    # the catch left open the misread part is less than two thirds.
    layers, there = season(2.0, 3, replaced=1.1)
    spots = run_layers(
        layers, state_from_ece(layers, np.zeros(3), np.tile((2.0, 6.0), (3, 1))), catches * there.net_irrigation, ECW,
        there.etc, there.effective_rain, there.p,
    )  # fmt: skip
    record = replace(there, read=spots.ece)
    known = fit_mixing(layers, replace(record, net_irrigation=catches * there.net_irrigation), one_soil(3))[0]
    assert known == pytest.approx(2.0, rel=0.03)
    taken, left = (
        side * np.log(fit_mixing(layers, replace(record, catch_spread=np.full(3, spread)), one_soil(3))[0] / 2.0)
        for spread in (0.0, 0.25)
    )
    assert taken > 0.15 and left < 0.67 * taken


def test_a_spot_that_catches_what_its_zone_does_is_the_record_as_it_is():
    layers, record = season(1.4, 2)
    told, open_ = (fit_mixing(layers, replace(record, catch_spread=c), one_soil(2)) for c in (None, np.zeros(2)))
    np.testing.assert_array_equal(told, open_)


def test_the_places_are_the_means_of_the_fifths_of_a_normal_distribution():
    # Mean of a fifth between a and b: 5 (phi(a) - phi(b)), phi the density at 0.8416 and 0.2533 (normal tables).
    phi = np.exp(-0.5 * np.square([0.841621, 0.253347])) / np.sqrt(2.0 * np.pi)
    fifths = [5.0 * phi[0], 5.0 * (phi[1] - phi[0])]
    np.testing.assert_allclose(leaching_fit.PLACES, [-fifths[0], -fifths[1], 0.0, fifths[1], fifths[0]], atol=5e-5)


def test_each_mixing_counts_by_the_mean_of_how_likely_its_places_make_the_readings(monkeypatch):
    tried, places = np.array(MIXING_TRIED), len(leaching_fit.PLACES)
    against = np.random.default_rng(3).uniform(0.0, 9.0, (tried.size, places))
    monkeypatch.setattr(leaching_fit, "_against", lambda off, spread: against.ravel())
    layers, record = season(1.4)
    found = fit_mixing(layers, replace(record, catch_spread=np.full(1, 0.2)), one_soil(1))
    likely = np.exp(-0.5 * against).sum(axis=1) / places
    likely *= np.exp(-0.5 * (np.log(tried / 2.0) / SALT.mixing_spread) ** 2)  # f of 2 was believed
    assert np.log(found[0]) == pytest.approx((likely * np.log(tried)).sum() / likely.sum())


def test_zones_of_one_group_share_and_others_do_not_hear():
    layers, poor = season(1.0, 3)
    _, good = season(3.0, 1)
    record = Record(**{f.name: np.concatenate((getattr(poor, f.name), getattr(good, f.name))) for f in fields(poor)})
    layers = some_layers(layers, np.zeros(4, dtype=np.int64))
    found = fit_mixing(layers, record, np.array([7, 7, 7, 2]))
    assert np.ptp(found[:3]) == 0.0
    assert found[0] == pytest.approx(fit_mixing(some_layers(layers, np.arange(3)), poor, one_soil(3))[0], rel=1e-12)
    assert found[3] == pytest.approx(fit_mixing(some_layers(layers, np.arange(1)), good, one_soil(1))[0], rel=1e-12)
    assert found[0] < 2.0 < found[3]
    order = np.array([2, 3, 0, 1])
    mixed = fit_mixing(some_layers(layers, order), part(record, order), np.array([7, 7, 7, 2])[order])
    np.testing.assert_allclose(mixed, found[order], rtol=1e-12)


def test_where_nothing_passes_from_half_to_half_nothing_is_learned():
    # Less than the upper half uses (0.7 of ET): no water passes on, and f has no part in what is read.
    layers, record = season(1.0, replaced=0.6, flush=0.0)
    believed = replace(layers, mixing=np.full((1, 2), 1.3))
    assert fit_mixing(believed, record, one_soil(1))[0] == pytest.approx(1.3, rel=1e-12)


def test_one_reading_or_half_a_reading_teaches_nothing():
    layers, record = season(1.0)
    only = np.full_like(record.read, np.nan)
    only[:, :, 30] = record.read[:, :, 30]
    upper = record.read.copy()
    upper[:, 1] = np.nan
    for read in (only, upper, np.full_like(upper, np.nan)):
        assert fit_mixing(layers, replace(record, read=read), one_soil(1))[0] == pytest.approx(2.0, rel=1e-12)


def test_gaps_are_bridged_by_the_balance():
    layers, record = season(1.0, 4)
    read = record.read.copy()
    read[:, :, :7] = np.nan
    read[:, :, 9::3] = np.nan
    every = fit_mixing(layers, record, one_soil(4))[0]
    assert fit_mixing(layers, replace(record, read=read), one_soil(4))[0] == pytest.approx(every, rel=0.1)


def test_what_is_found_lies_within_what_is_tried():
    # Readings no f can give: salt that is gone by the second day, or that doubles without any water.
    layers, record = season(1.0, 10)
    for course in (np.r_[6.0, np.full(DAYS - 1, 0.1)], np.geomspace(1.0, 50.0, DAYS)):
        read = np.broadcast_to(course, record.read.shape)
        f = fit_mixing(layers, replace(record, read=read), one_soil(10))
        assert np.all((f >= MIXING_TRIED[0]) & (f <= MIXING_TRIED[-1]))


@pytest.mark.parametrize("what", ["group", "zones", "layers"])
def test_layers_record_and_group_must_fit(what):
    layers, record = season(1.0, 2)
    group = one_soil(2)
    if what == "group":
        group = one_soil(3)
    elif what == "zones":
        layers = some_layers(layers, np.array([0]))
    else:
        soil = {"field_capacity": [0.2] * 2, "wilting_point": [0.045] * 2, "paste": [0.45] * 2}
        layers = equal_layers([0.2] * 2, **soil, roots=(0.4, 0.3, 0.2, 0.1))
    with pytest.raises(ValueError, match="same zones"):
        fit_mixing(layers, record, group)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("depletion", np.zeros(1)),
        ("net_irrigation", np.zeros((2, DAYS - 1))),
        ("etc", np.full((2, DAYS), np.nan)),
        ("effective_rain", np.zeros(DAYS)),
        ("p", np.zeros((1, DAYS))),
        ("source_ec", np.array([1.4, np.inf])),
        ("read", np.ones((2, 1, DAYS))),
        ("read", np.zeros((2, 2, DAYS))),
        ("offset_spread", np.full((2, 2), -0.1)),
        ("offset_spread", np.full((2, 2), np.nan)),
        ("catch_spread", np.full((2, 2), 0.2)),
        ("catch_spread", np.array([0.2, -0.1])),
        ("catch_spread", np.array([0.2, np.nan])),
    ],
)
def test_a_record_refuses(name, value):
    _, record = season(1.0, 2)
    with pytest.raises(ValueError, match=name):
        replace(record, **{name: value})


def test_water_out_of_range_is_refused_by_the_balance():
    layers, record = season(1.0, 2)
    with pytest.raises(ValueError, match="net_irrigation"):
        fit_mixing(layers, replace(record, net_irrigation=-record.net_irrigation), one_soil(2))


def test_what_speaks_against_a_course_by_hand():
    # half by half: the mean miss against the probe's own error and what strays alike over ten days, and the misses
    # about it; a half that was never read says nothing
    rng = np.random.default_rng(4)
    off = rng.normal(0.1, 0.2, (3, 2, 25))
    off[0, 1, 5:] = np.nan
    off[2] = np.nan
    spread = rng.uniform(0.0, 0.3, (3, 2))
    expected = np.zeros(3)
    for r in range(3):
        for half in range(2):
            seen = off[r, half][~np.isnan(off[r, half])]
            if seen.size:
                apart = max(seen.size / SALT.misfit_for, 1.0)
                expected[r] += seen.mean() ** 2 / (spread[r, half] ** 2 + SALT.misfit**2 / apart)
                about = ((seen - seen.mean()) ** 2).sum()
                expected[r] += about / (SALT.misfit**2 * max(seen.size / apart, 1.0))
    np.testing.assert_allclose(leaching_fit._against(off, spread), expected)
