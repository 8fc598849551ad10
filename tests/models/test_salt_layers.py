"""The layered balance and flush depth: small cases worked by hand, a finer model beside it, refusals."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from models import flushing, layers, salt_balance, salt_run, salt_step, salts
from tests.drawn import some


def one_zone(**changes):
    given = {"root_depth": [0.3], "field_capacity": [0.25], "wilting_point": [0.1], "paste": [0.5]} | changes
    given |= {name: np.repeat(given[name], np.size(given["root_depth"])) for name in set(given) - set(changes)}
    return layers.equal_layers(**given)


def test_capacity_of_two_layers():
    profile = one_zone()
    np.testing.assert_allclose(profile.available, [[22.5, 22.5]])
    np.testing.assert_allclose(profile.full_water, [[37.5, 37.5]])
    np.testing.assert_allclose(profile.paste_water, [[75.0, 75.0]])


def test_a_zone_stands_by_the_saltier_of_its_roots_and_all_that_feeds_them():
    # Roots in the upper 10 of 30 cm, the lower layer twice as thick: (3 + 2 * 6) / 3 = 5 over all, 3 in the roots.
    profile = replace(one_zone(), thickness=np.array([[0.1, 0.2]]), rooted=np.array([[0.1, 0.0]]))
    assert layers.standing_ece(profile, np.array([[3.0, 6.0]])).tolist() == pytest.approx([5.0])
    assert layers.standing_ece(profile, np.array([[6.0, 3.0]])).tolist() == pytest.approx([6.0])


def test_water_fills_the_top_then_the_bottom_then_drains():
    # Short of 5 mm above and 3 below; 10 mm come: 5 + 3 stay and 2 drain. No ET, f 1 and s 0.
    profile = one_zone(mixing=1.0, path_spread=0.0)
    state = layers.state_from_ece(profile, [[5.0, 3.0]], 0.0)
    day = salt_balance.layered_day(profile, state, 10.0, 2.0, 0.0, 0.0, 0.5)
    np.testing.assert_allclose(day.percolation, [[5.0, 2.0]])
    np.testing.assert_allclose(day.state.depletion, 0.0)
    assert day.drainage[0] == pytest.approx(2.0)


def test_salt_of_water_that_finds_room_all_stays():
    profile = one_zone()
    day = salt_balance.layered_day(
        profile, layers.state_from_ece(profile, [[5.0, 3.0]], [[1.0, 2.0]]), 4.0, 1.5, 0.0, 0.0, 0.5
    )
    np.testing.assert_allclose(day.state.salt, [[75.0 + 6.0, 150.0]])
    assert day.drainage_ec[0] == 0.0


def test_et_leaves_salt_and_follows_the_roots():
    # 4 mm of ET, 70 to 30: depletion 2.8 and 1.2; salt as before.
    profile = one_zone()
    state = layers.state_from_ece(profile, [[0.0, 0.0]], 3.0)
    day = salt_balance.layered_day(profile, state, 0.0, 1.0, 4.0, 0.0, 0.5)
    np.testing.assert_allclose(day.state.depletion, [[2.8, 1.2]])
    np.testing.assert_allclose(day.state.salt, state.salt)


def test_an_empty_top_layer_lets_the_lower_one_supply():
    profile = one_zone()
    day = salt_balance.layered_day(profile, layers.state_from_ece(profile, [[22.5, 0.0]], 3.0), 0.0, 1.0, 4.0, 0.0, 0.6)
    np.testing.assert_allclose(day.state.depletion, [[22.5, 4.0]])
    assert day.etc_actual[0] == pytest.approx(4.0)


@pytest.mark.parametrize(("slow", "drains", "short"), [(0.0, 10.0, 4.0), (0.5, 8.0, 2.0), (1.0, 6.0, 0.0)])
def test_et_takes_its_share_of_what_is_above_field_capacity(slow, drains, short):
    # 10 mm on a full root zone and 4 mm of ET: all drains in the night; or by FAO-56 Eq. 88, DP = I - ET = 6 mm.
    profile = one_zone()
    state = layers.state_from_ece(profile, [0.0], 3.0)
    day = salt_balance.layered_day(profile, state, 10.0, 2.0, 4.0, 0.0, 0.5, slow=slow)
    assert day.drainage[0] == pytest.approx(drains)
    assert day.state.total_depletion[0] == pytest.approx(short)
    assert day.state.salt.sum() == pytest.approx(state.salt.sum() + 20.0 - day.drainage[0] * day.drainage_ec[0])
    less = salt_balance.layered_day(profile, state, 1.0, 2.0, 4.0, 0.0, 0.5, slow=slow)  # less than what ET would hold
    assert less.drainage[0] == pytest.approx(max(1.0 - 4.0 * slow, 0.0))


def test_one_stirred_layer_empties_as_an_exponential():
    # f 1, s 0: 75 mm through 75 mm of water leaves exp(-1) of the salt. With f 0.5: exp(-0.5).
    for f, left in ((1.0, np.exp(-1.0)), (0.5, np.exp(-0.5))):
        profile = one_zone(roots=(1.0,), mixing=f, path_spread=0.0)
        after = salt_balance.lead_in(profile, layers.state_from_ece(profile, [0.0], 8.0), 75.0, 0.0)
        assert layers.ece_of(profile, after)[0, 0] / 8.0 == pytest.approx(left, rel=1e-5)


def test_one_layer_with_spread_paths_empties_as_a_hyperbola():
    # f 2, s 1: 75 mm through 75 mm leaves 1 / (1 + 2).
    profile = one_zone(roots=(1.0,), mixing=2.0, path_spread=1.0)
    after = salt_balance.lead_in(profile, layers.state_from_ece(profile, [0.0], 9.0), 75.0, 0.0)
    assert layers.ece_of(profile, after)[0, 0] == pytest.approx(3.0)


def test_stirred_layers_in_a_row_are_tanks_in_a_row():
    # Two stirred tanks of 37.5 mm, 75 mm of clean water: x = 2; the upper keeps exp(-x), the lower (1 + x) exp(-x).
    # The water is led through in portions of a tenth of a layer, which moves the lower layer by less than 1 % of C0.
    profile = one_zone(mixing=1.0, path_spread=0.0)
    after = salt_balance.lead_in(profile, layers.state_from_ece(profile, [0.0], 1.0), 75.0, 0.0)
    np.testing.assert_allclose(layers.ece_of(profile, after), [[np.exp(-2.0), 3.0 * np.exp(-2.0)]], atol=0.01)


def test_saltier_water_never_draws_salt_from_nothing():
    # f 2 would take twice the difference; fresh soil under salty water must not give negative salt.
    profile = one_zone()
    day = salt_balance.layered_day(profile, layers.state_from_ece(profile, [0.0], 0.0), 50.0, 4.0, 0.0, 0.0, 0.5)
    assert day.drainage_ec[0] >= 0.0
    water = profile.full_water - day.state.depletion
    assert np.all(day.state.salt <= 4.0 * water + 1e-9)  # its pore water is no saltier than what came


def test_two_nights_leach_as_much_as_one_or_more():
    # Between nights salt evens out inside a layer, so the same water in two goes is not worse.
    profile = one_zone()
    state = layers.state_from_ece(profile, [0.0], 8.0)
    once = salt_balance.lead_in(profile, state, 60.0, 0.0)
    half = salt_balance.lead_in(profile, state, 30.0, 0.0)
    assert salt_balance.lead_in(profile, half, 30.0, 0.0).salt.sum() <= once.salt.sum()


def test_flush_moves_salt_down_before_it_moves_it_out():
    # A salty top over a fresh bottom: the mean reaches the target with less water than every layer does.
    profile = one_zone()
    state = layers.state_from_ece(profile, [0.0], [[8.0, 1.0]])
    mean = flushing.flush_depth(profile, state, 3.0, 0.5)
    every = flushing.flush_depth(profile, state, 3.0, 0.5, every_layer=True)
    assert 0.0 < mean.drainage[0] < every.drainage[0]


def test_flush_depth_counts_what_refills_the_soil():
    profile = one_zone()
    full = flushing.flush_depth(profile, layers.state_from_ece(profile, [0.0], 6.0), 3.0, 1.0)
    dry = flushing.flush_depth(profile, layers.state_from_ece(profile, [20.0], 6.0), 3.0, 1.0)
    assert dry.net_water[0] == pytest.approx(dry.drainage[0] + 20.0)
    assert dry.net_water[0] > full.net_water[0]


def test_salty_water_needs_more_and_bounds_what_can_be_reached():
    profile = one_zone()
    state = layers.state_from_ece(profile, [0.0], 6.0)
    clean, salty = (flushing.flush_depth(profile, state, 3.0, ec).drainage[0] for ec in (0.0, 3.0))
    assert salty > clean
    never = flushing.flush_depth(profile, state, 3.0, 6.5)
    assert not never.reachable[0]
    assert never.ece_floor[0] == pytest.approx(3.25)  # 6.5 dS/m diluted from 0.25 to 0.50 m3/m3
    assert np.isnan(never.drainage[0])


def test_no_flush_where_the_target_holds():
    profile = one_zone()
    found = flushing.flush_depth(profile, layers.state_from_ece(profile, [4.0], 2.0), 3.0, 1.0)
    assert (found.drainage[0], found.net_water[0], found.reachable[0]) == (0.0, 0.0, True)


def finer_roots(count):
    return tuple(np.diff(np.interp(np.linspace(0, 1, count + 1), [0, 0.25, 0.5, 0.75, 1], [0, 0.4, 0.7, 0.9, 1])))


@pytest.mark.drawn
@pytest.mark.parametrize("field_capacity", some([0.25, 0.15, 0.35], 1))
@pytest.mark.parametrize("efficiency", some([1.0, 0.7, 0.5], 1))
def test_forecast_against_ten_stirred_layers(field_capacity, efficiency):
    # Ten layers, each a stirred tank, with the same roots: salted over a season, read as two probes would, flushed by
    # the default two layers' depth to 85, 75 and 60 % of its ECe. Its mean ends 20 % below (at 60 %: 30 % below) to 6 %
    # above the forecast: stirred tanks have no slow pores, so the deeper the flush the more of it they lose.
    soil = {"root_depth": [0.3], "field_capacity": [field_capacity], "wilting_point": [0.4 * field_capacity]}
    soil["paste"] = [0.25 + 0.8 * field_capacity]
    fine = layers.equal_layers(**soil, roots=finer_roots(10), mixing=efficiency, path_spread=0.0)
    coarse = layers.equal_layers(**soil)
    et = np.full((1, 250), 5.0)
    salted = salt_run.run_layers(
        fine, layers.state_from_ece(fine, [0.0], 1.5), et / 0.95, 1.4, et, np.zeros_like(et), 0.5
    ).final
    ece = layers.ece_of(fine, salted)
    short = np.array([[salted.depletion[0, :5].sum(), salted.depletion[0, 5:].sum()]])  # probes read moisture too
    read = layers.state_from_ece(coarse, short, np.array([[ece[0, :5].mean(), ece[0, 5:].mean()]]))
    for share, below in ((0.85, 0.20), (0.75, 0.20), (0.60, 0.30)):
        found = flushing.flush_depth(coarse, read, share * ece.mean(), 1.4)
        assert found.reachable[0]
        flushed = salt_balance.lead_in(fine, salted, found.net_water, 1.4)
        got = layers.root_zone_ece(fine, layers.ece_of(fine, flushed))[0]
        assert -below <= got / found.ece_after[0] - 1.0 <= 0.06


def test_leaching_fraction_achieved():
    np.testing.assert_allclose(salts.leaching_fraction([10.0, 0.0], [100.0, 50.0]), [0.1, 0.0])
    assert np.isnan(salts.leaching_fraction(0.0, 0.0))


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"root_depth": [0.0]}, "^thickness: must be above 0"),
        ({"wilting_point": [0.3]}, "field_capacity"),
        ({"paste": [0.2]}, "paste"),
        ({"roots": (0.5, 0.4)}, "root_fraction"),
        ({"mixing": 4.5}, "mixing"),
        ({"path_spread": -1.0}, "path_spread"),
        ({"field_capacity": [0.2, 0.2]}, "field_capacity"),
        ({"wilting_point": [-0.01]}, "finite and 0 or more"),
        ({"paste": [2.5]}, "paste"),
        ({"mixing": 0.0}, "mixing"),
        ({"roots": (1.5, -0.5)}, "root_fraction"),
        ({"root_depth": [[0.3]]}, "one-dimensional"),
        # one zone that cannot be among others
        ({"root_depth": [0.3, 0.0]}, "^thickness: must be above 0"),
        ({"root_depth": [0.3, 0.3], "wilting_point": [0.1, 0.3]}, "field_capacity"),
        ({"root_depth": [0.3, 0.3], "paste": [0.5, 0.2]}, "paste"),
        ({"root_depth": [0.3, 0.3], "paste": [0.5, 2.1]}, "paste"),
        ({"root_depth": [0.3, 0.3], "mixing": [1.0, 4.1]}, "mixing"),
        ({"root_depth": [0.3, 0.3], "mixing": [1.0, 0.0]}, "mixing"),
        ({"root_depth": [0.3, np.inf]}, "thickness: must be finite"),
        ({"root_depth": [0.3, 0.3], "path_spread": [1.0, np.inf]}, "path_spread"),
    ],
)
def test_layers_refuse(changes, what):
    with pytest.raises(ValueError, match=what):
        one_zone(**changes)


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"net_irrigation": -1.0}, "net_irrigation"),
        ({"etc": [1.0, 2.0]}, "etc"),
        ({"source_ec": np.nan}, "source_ec"),
        ({"rain_ec": -0.1}, "rain_ec"),
        ({"p": 1.0}, "p must"),
        ({"effective_rain": -1.0}, "effective_rain"),
        ({"slow": 1.1}, "slow"),
        ({"slow": -0.1}, "slow"),
    ],
)
def test_a_day_refuses(changes, what):
    profile = one_zone()
    state = layers.state_from_ece(profile, [0.0], 2.0)
    day = {"net_irrigation": 1.0, "source_ec": 1.0, "etc": 1.0, "effective_rain": 0.0, "p": 0.5} | changes
    with pytest.raises(ValueError, match=what):
        salt_balance.layered_day(profile, state, **day)


def test_a_state_outside_its_layers_is_refused():
    profile = one_zone()
    with pytest.raises(ValueError, match="depletion"):
        layers.state_from_ece(profile, [[30.0, 0.0]], 2.0)
    with pytest.raises(ValueError, match="total"):
        layers.spread_depletion(profile, [50.0])
    with pytest.raises(ValueError, match="ece"):
        layers.state_from_ece(profile, [0.0], [[-1.0, 2.0]])


@pytest.mark.parametrize("name", ["thickness", "root_fraction", "emptied", "rooted", "mixing"])
def test_layers_of_another_shape_are_refused(name):
    profile = one_zone()
    for wrong in (getattr(profile, name)[:, :1], getattr(profile, name)[0]):
        with pytest.raises(ValueError, match=r"\(Z, L\) is needed"):
            replace(profile, **{name: wrong})


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"wilting_point": [0.25, 0.1]}, "field_capacity: must be above"),  # no water between them
        ({"wilting_point": [0.1, -0.1]}, "field_capacity: must be above"),
        ({"thickness": [0.15, 0.0]}, "^thickness: must be above 0"),
        ({"root_fraction": [0.6, 0.3]}, "root_fraction: must be 0 or more"),
        ({"root_fraction": [1.1, -0.1]}, "root_fraction: must be 0 or more"),
        ({"paste": [0.2, 0.5]}, "paste: must be"),
        ({"mixing": [1.0, 0.0]}, "mixing: must be"),
        ({"path_spread": [1.0, -0.1]}, "path_spread: must be"),
        ({"emptied": [0.6, 0.3]}, "emptied: must be 0 or more"),
        ({"emptied": [0.6, 0.5]}, "emptied: must be 0 or more"),
        ({"emptied": [1.1, -0.1]}, "emptied: must be 0 or more"),
        ({"emptied": [0.8, 0.2]}, "no layer and those below"),  # roots of the lower take 0.3
        ({"rooted": [0.0, 0.15]}, "above 0 in the top"),
        ({"rooted": [0.15, 0.2]}, "rooted"),
        ({"rooted": [0.15, -0.1]}, "rooted"),
    ],
)
def test_a_zone_that_cannot_be_is_refused_among_others(changes, what):
    both = one_zone(root_depth=[0.3, 0.3])
    for name, row in changes.items():
        changed = getattr(both, name).copy()
        changed[1] = row
        with pytest.raises(ValueError, match=what):
            replace(both, **{name: changed})
    assert (one_zone().zones, one_zone().count, both.depth.tolist()) == (1, 2, [0.3, 0.3])


@pytest.mark.parametrize(
    ("depletion", "salt", "what"),
    [
        ([[0.0, 23.0]], [[1.0, 1.0]], "available water"),
        ([[0.0, -0.1]], [[1.0, 1.0]], "available water"),
        ([[0.0, 0.0]], [[1.0, -1.0]], "salt: must be 0"),
        ([[0.0, np.nan]], [[1.0, 1.0]], "depletion: needs finite"),
        ([[0.0, 0.0]], [[np.inf, 1.0]], "salt: needs finite"),
        ([[0.0, 0.0]], [[1.0]], "salt: needs finite values of shape"),
    ],
)
def test_a_state_that_cannot_be_is_refused(depletion, salt, what):
    state = layers.LayeredState(np.array(depletion), np.array(salt))
    for use in (
        lambda: salt_balance.lead_in(one_zone(), state, 1.0, 0.0),
        lambda: flushing.flush_depth(one_zone(), state, 2.0, 0.5),
        lambda: salt_balance.layered_day(one_zone(), state, 1.0, 1.0, 1.0, 0.0, 0.5),
    ):
        with pytest.raises(ValueError, match=what):
            use()


def test_a_flush_passes_so_many_root_depths_at_the_most():
    # what 0.3 m of roots need to reach an eighth: more than half of their depth of water, less than all of it
    soil = one_zone()
    state = layers.state_from_ece(soil, [0.0], 8.0)
    plenty = flushing.flush_depth(soil, state, 1.0, 0.0)
    assert plenty.reachable[0] and 150.0 < plenty.drainage[0] < 300.0
    less = flushing.flush_depth(soil, state, 1.0, 0.0, largest_relative_depth=0.5)
    assert not less.reachable[0] and np.isnan(less.drainage[0]) and np.isnan(less.net_water[0])
    after = salt_balance.lead_in(soil, state, 150.0, 0.0)
    assert less.ece_after[0] == pytest.approx(layers.standing_ece(soil, layers.ece_of(soil, after))[0])


def test_what_salty_water_brings_while_it_fills_counts_against_the_target():
    # ECe 2.0 holds a target of 2.6; 20 mm of 5 dS/m to fill 150 mm of paste add 0.67: it has to drain after all
    soil = one_zone()
    state = layers.state_from_ece(soil, [20.0], 2.0)
    found = flushing.flush_depth(soil, state, 2.6, [5.0])
    assert found.drainage[0] > 0.0 and found.net_water[0] == pytest.approx(found.drainage[0] + 20.0)
    fresh = flushing.flush_depth(soil, state, 2.6, [0.5])
    assert fresh.drainage[0] == fresh.net_water[0] == 0.0 and fresh.ece_after[0] == pytest.approx(2.0)


def test_a_flush_of_a_third_of_a_millimetre_is_told_as_such():
    soil = one_zone()
    state = layers.state_from_ece(soil, [0.0], 4.0)
    after = layers.ece_of(soil, salt_balance.lead_in(soil, state, 0.3, 0.0))
    found = flushing.flush_depth(soil, state, layers.standing_ece(soil, after), 0.0)
    assert found.drainage[0] == pytest.approx(0.3, abs=0.01)


def test_arguments_of_flushes_that_cannot_be_are_refused():
    soil, state = one_zone(root_depth=[0.3, 0.3]), None
    state = layers.state_from_ece(soil, [0.0, 0.0], 4.0)
    for target, source, most, what in (
        ([2.0, 0.0], 0.5, 2.0, "must be above 0"),
        (2.0, 0.5, 0.0, "must be above 0"),
        ([2.0, -1.0], 0.5, 2.0, "target_ece"),
        (2.0, [0.5], 2.0, "source_ec"),
        (2.0, [0.5, np.nan], 2.0, "source_ec"),
    ):
        with pytest.raises(ValueError, match=what):
            flushing.flush_depth(soil, state, target, source, largest_relative_depth=most)


def mixed_zones():
    """Loam, a green over gravel and a stirred clay, none full, none alike."""
    plain = layers.equal_layers(
        [0.3, 0.15, 0.25], [0.25, 0.2, 0.36], [0.1, 0.04, 0.2], [0.6, 0.35, 0.8], mixing=[1.5, 2, 1]
    )
    soil = layers.fed_layers(plain, [0.3, 0.15, 0.25], [0.3, 0.3, 0.25])
    return soil, layers.state_from_ece(soil, [10.0, 3.0, 0.0], np.array([[2.0, 6.0], [3.0, 1.0], [5.0, 4.0]]))


def test_zones_fare_as_they_would_alone_whatever_the_others_do():
    # one flushed, one short of what it needs, one that gets rain; water above field capacity partly kept for the date
    soil, state = mixed_zones()
    water, ec, et, rain = np.array([40.0, 2.0, 0.0]), np.array([1.0, 2.0, 0.5]), np.array([4.0, 6.0, 3.0]), [0, 0, 9.0]
    turf = salt_step.SaltTolerance(np.array([3.0, 2.0, 9.0]), np.array([6.0, 10.0, 5.0]), np.ones(3))
    day = salt_balance.layered_day(soil, state, water, ec, et, rain, [0.4, 0.5, 0.6], turf, 0.1, 0.3)
    for z in range(3):
        own = layers.some_layers(soil, np.array([z]))
        its = layers.LayeredState(state.depletion[[z]], state.salt[[z]])
        tolerance = salt_step.SaltTolerance(turf.threshold[[z]], turf.slope[[z]], turf.yield_response[[z]])
        given = (water[[z]], ec[[z]], et[[z]], [rain[z]], [0.4 + 0.1 * z], tolerance, 0.1, 0.3)
        alone = salt_balance.layered_day(own, its, *given)
        np.testing.assert_allclose(alone.state.depletion[0], day.state.depletion[z], atol=1e-9)
        np.testing.assert_allclose(alone.state.salt[0], day.state.salt[z], atol=1e-9)
        for name in ("etc_actual", "drainage", "drainage_ec", "stress", "salt_in", "percolation", "percolation_salt"):
            np.testing.assert_allclose(getattr(alone, name)[0], getattr(day, name)[z], atol=1e-9)
        # what came in and did not stay went out at the bottom
        left = day.salt_in[z] - (day.state.salt - state.salt)[z].sum()
        assert day.percolation_salt[z, -1] == pytest.approx(left, abs=1e-9)
    assert day.drainage_ec[1] == 0.0 and day.drainage[0] > 0.0


def test_a_run_is_its_days():
    soil, state = mixed_zones()
    rng = np.random.default_rng(2)
    water, et, rain = rng.uniform(0, 30, (3, 4)), rng.uniform(1, 7, (3, 4)), rng.uniform(0, 9, (3, 4))
    salinity = np.array([1.0, 2.0, 0.5])
    turf = salt_step.SaltTolerance(np.full(3, 2.0), np.full(3, 8.0), np.ones(3))
    run = salt_run.run_layers(soil, state, water, salinity, et, rain, 0.5, turf, 0.2, 0.3)
    for n in range(4):
        day = salt_balance.layered_day(soil, state, water[:, n], salinity, et[:, n], rain[:, n], 0.5, turf, 0.2, 0.3)
        state = day.state
        np.testing.assert_array_equal(run.layer_depletion[:, :, n], state.depletion)
        np.testing.assert_array_equal(run.ece[:, :, n], layers.ece_of(soil, state))
        np.testing.assert_array_equal(run.depletion[:, n], state.depletion.sum(axis=1))
        np.testing.assert_array_equal(run.mean_ece[:, n], layers.root_zone_ece(soil, layers.ece_of(soil, state)))
        np.testing.assert_array_equal(run.salt_out[:, n], day.percolation_salt[:, -1])
        for name in ("etc_actual", "drainage", "drainage_ec", "stress", "salt_in"):
            np.testing.assert_array_equal(getattr(run, name)[:, n], getattr(day, name))
    np.testing.assert_array_equal(run.final.salt, state.salt)
    for wrong in (np.ones(3), np.ones((2, 4))):
        with pytest.raises(ValueError, match=r"needed \(3, N\)"):
            salt_run.run_layers(soil, state, wrong, 1.0, et, rain, 0.5)
    for name, value in (
        ("etc", et[:, :2]),
        ("source_ec", np.ones(4)),
        ("p", -0.1),
        ("effective_rain", np.full((3, 4), np.nan)),
    ):
        given = {"source_ec": 1.0, "etc": et, "effective_rain": rain, "p": 0.5} | {name: value}
        with pytest.raises(ValueError, match=name):
            salt_run.run_layers(soil, state, water, **given)


def test_et_beyond_what_is_there_is_cut_to_it():
    # 45 mm can be taken, 44 are gone, no stress before 99 % of it is; 2 mm of rain come: 3 mm of 9 are taken
    profile = one_zone()
    day = salt_balance.layered_day(profile, layers.state_from_ece(profile, [44.0], 2.0), 0.0, 0.0, 9.0, 2.0, 0.99)
    assert day.etc_actual[0] == pytest.approx(3.0) and day.state.total_depletion[0] == pytest.approx(45.0)
    assert day.drainage[0] == 0.0


def test_the_default_mixing_of_few_and_many_layers():
    assert [layers.default_mixing(n) for n in (1, 2, 4, 10)] == [2.0, 2.0, 1.5, 1.2]
    assert layers.equal_layers([0.3], [0.25], [0.1], [0.5]).path_spread.tolist() == [[1.0, 1.0]]


def test_what_a_layer_cannot_hold_goes_to_the_others():
    # 40 mm of 45, by 70 to 30: 28 would pass the upper's 22.5, so 5.5 more go to the lower's 12
    np.testing.assert_allclose(layers.spread_depletion(one_zone(), [40.0]), [[22.5, 17.5]])
    three = layers.equal_layers([0.3], [0.25], [0.1], [0.5], roots=(0.8, 0.15, 0.05))
    # 15 mm each: 25 mm as 20, 3.75, 1.25; 5 too many, shared as 11.25 to 13.75
    np.testing.assert_allclose(layers.spread_depletion(three, [25.0]), [[15.0, 3.75 + 2.25, 1.25 + 2.75]])
    for wrong in ([45.1], [-0.1]):
        with pytest.raises(ValueError, match="total"):
            layers.spread_depletion(one_zone(), wrong)


def test_a_tolerance_for_other_zones_is_refused():
    for wrong in ([3.0, -1.0], [[3.0, 3.0]], [3.0]):
        with pytest.raises(ValueError, match="slope"):
            salt_step.SaltTolerance(np.full(2, 3.0), np.array(wrong), np.ones(2))
    profile = one_zone()
    turf = salt_step.SaltTolerance(np.full(2, 3.0), np.full(2, 6.0), np.ones(2))
    with pytest.raises(ValueError, match="tolerance"):
        salt_balance.layered_day(
            profile, layers.state_from_ece(profile, [0.0], 2.0), 0.0, 0.0, 1.0, 0.0, 0.5, tolerance=turf
        )


# ------------------------------------------------------------------------------------------- fed from below the roots


def perched(roots=0.15, fed=0.3):
    """One zone of sand over gravel: roots of 15 cm in 30 cm of sand; FC 0.2, so that each half holds 30 mm."""
    plain = layers.equal_layers([roots], [0.2], [0.0], [0.4])
    return layers.fed_layers(plain, [roots], [fed])


def test_layers_reach_as_deep_as_what_feeds_the_turf():
    soil = perched()
    np.testing.assert_allclose(soil.thickness, [[0.15, 0.15]])
    np.testing.assert_allclose(soil.root_fraction, [[1.0, 0.0]])
    np.testing.assert_allclose(soil.emptied, [[0.5, 0.5]])
    # Of what roots take in the upper half that half gives 0.5: half the gradient. No roots, none: f of the mean.
    np.testing.assert_allclose(soil.mixing, [[1.0 + 0.5, 1.0]])
    # 20 cm of roots: 15 of them in the upper half, with 3/4 of the root depth: FAO-29's 40, 30 and 20 of 100.
    soil = perched(roots=0.2)
    np.testing.assert_allclose(soil.root_fraction, [[0.9, 0.1]])
    np.testing.assert_allclose(soil.rooted, [[0.15, 0.05]])
    np.testing.assert_allclose(soil.mixing, [[1.0 + 0.5 / 0.9, 1.0 + 1.0 / 3.0]])
    assert layers.root_zone_ece(soil, np.array([[2.0, 6.0]]))[0] == pytest.approx(3.0)
    assert layers.standing_ece(soil, np.array([[2.0, 6.0]]))[0] == pytest.approx(4.0)
    assert layers.standing_ece(soil, np.array([[6.0, 2.0]]))[0] == pytest.approx(5.0)  # salt in the roots counts there


def test_zones_fed_by_their_own_roots_stay_as_they_are():
    plain = layers.equal_layers([0.15, 0.25], [0.2, 0.3], [0.0, 0.1], [0.4, 0.5])
    same = layers.fed_layers(plain, [0.15, 0.25], [0.15, 0.25])
    for name in ("thickness", "root_fraction", "emptied", "rooted", "mixing"):
        np.testing.assert_array_equal(getattr(same, name), getattr(plain, name))
    with pytest.raises(ValueError, match="fed_depth"):
        layers.fed_layers(plain, [0.15, 0.25], [0.1, 0.25])


def test_salt_rises_with_the_water_that_feeds_the_roots():
    # A full profile at ECe 2 above and 4 below, 0.4 x 150 = 60 mm of paste: salt 120 and 240. ET of 6 mm empties both
    # halves by 3 mm; 3 mm rise out of the lower one's 30 mm, which loses 1 - exp(-0.1) of its 240. By hand: 22.839.
    soil = perched()
    before = layers.state_from_ece(soil, [0.0], np.array([[2.0, 4.0]]))
    day = salt_balance.layered_day(soil, before, 0.0, 0.0, 6.0, 0.0, 0.5)
    np.testing.assert_allclose(day.state.depletion, [[3.0, 3.0]])
    np.testing.assert_allclose(day.state.salt, [[120.0 + 22.839, 240.0 - 22.839]], atol=0.001)
    # Roots of their own depth: no water rises, nor salt.
    plain = layers.equal_layers([0.3], [0.2], [0.0], [0.4])
    still = salt_balance.layered_day(plain, layers.LayeredState(before.depletion, before.salt), 0, 0, 6.0, 0, 0.5)
    np.testing.assert_array_equal(still.state.salt, before.salt)


def test_salt_rises_from_layer_to_layer_by_what_each_passes_up():
    # 4 mm of ET, roots 6:3:1 in three layers that give 1, 2.2 and 1.4 mm: 1 mm rises from the lowest, 2 from the next
    salt, given = np.array([[1.0], [2.0], [3.0]]), np.array([[1.0], [2.2], [1.4]])
    share = SimpleNamespace(roots=np.array([[0.6], [0.3], [0.1]]))
    salt_step.rise(share, salt, np.full((3, 1), 10.0), given, np.array([4.0]))
    lowest = 3.0 * np.exp(-0.1)
    middle = (5.0 - lowest) * np.exp(-0.2)
    assert salt[:, 0] == pytest.approx([6.0 - lowest - middle, middle, lowest])


def test_a_flush_of_the_roots_alone_does_not_count():
    # What a flush needs is judged by all that feeds the turf: 10 mm bring the roots to the target, not the whole.
    soil = perched()
    before = layers.state_from_ece(soil, [0.0], np.array([[4.0, 4.0]]))
    target = float(layers.root_zone_ece(soil, layers.ece_of(soil, salt_balance.lead_in(soil, before, 10.0, 0.0)))[0])
    found = flushing.flush_depth(soil, before, target, 0.0)
    assert found.drainage[0] > 15.0
    after = layers.ece_of(soil, salt_balance.lead_in(soil, before, found.net_water, 0.0))
    assert after.mean() == pytest.approx(target, abs=0.005)
    assert layers.root_zone_ece(soil, after)[0] < target


def test_what_is_just_allowed():
    tolerance = salt_step.SaltTolerance(np.array([0.0]), np.array([0.0]), np.array([0.5]))
    assert tolerance.threshold[0] == 0.0
    assert one_zone(paste=[2.0]).paste_water[0, 0] == pytest.approx(300.0)


def test_an_evening_stands_saltier_by_what_a_deep_night_has_not_washed_out_yet():
    soil = layers.equal_layers([0.2, 0.2, 0.3], [0.2, 0.2, 0.25], [0.05, 0.05, 0.12], [0.35, 0.35, 0.4])
    start = layers.state_from_ece(soil, [4.0, 4.0, 10.0], [[2.0, 4.0], [2.0, 4.0], [3.0, 5.0]])
    water = np.array([[24.0, 4.0], [24.0, 4.0], [8.0, 4.0]])
    given = (water, 1.4, np.full((3, 2), 6.0), np.zeros((3, 2)), 0.5)
    run = salt_run.run_layers(soil, start, *given, slow=0.2)
    found = salt_run.evening_ece(soil, start, run, *given, [0.0, 0.4, 0.4], slow=0.2)
    assert found[[0, 2]].tolist() == run.ece[[0, 2]].tolist()  # nothing lingers; the night does not fill it
    # 20 mm pass the second zone: 8 linger, so 16 mm come, and 8 mm of 1.4 dS/m stand in the paste of 70 mm.
    day = salt_balance.layered_day(soil, start, [24.0, 16.0, 8.0], 1.4, 6.0, 0.0, 0.5, slow=0.2)
    np.testing.assert_allclose(found[1, :, 0], layers.ece_of(soil, day.state)[1] + 8.0 * 1.4 / 70.0)
    assert (found[1, :, 0] > run.ece[1, :, 0]).all()
    # 4 mm come where more is missing: the second evening is that of the balance.
    np.testing.assert_allclose(found[1, :, 1], run.ece[1, :, 1])
    assert salt_run.evening_ece(soil, start, run, *given, 0.0, slow=0.2).tolist() == run.ece.tolist()
    with pytest.raises(ValueError, match="lingers"):
        salt_run.evening_ece(soil, start, run, *given, 1.1, slow=0.2)
