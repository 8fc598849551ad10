"""The layered balance and flush depth: small cases worked by hand, a finer model beside it, refusals."""

import numpy as np
import pytest

from models import flushing, layers, salt_balance, salts
from tests.drawn import some


def one_zone(**changes):
    given = {"root_depth": [0.3], "field_capacity": [0.25], "wilting_point": [0.1], "paste": [0.5]} | changes
    return layers.equal_layers(**given)


def test_capacity_of_two_layers():
    profile = one_zone()
    np.testing.assert_allclose(profile.available, [[22.5, 22.5]])
    np.testing.assert_allclose(profile.full_water, [[37.5, 37.5]])
    np.testing.assert_allclose(profile.paste_water, [[75.0, 75.0]])


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
    salted = salt_balance.run_layers(
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
        ({"root_depth": [0.0]}, "thickness"),
        ({"wilting_point": [0.3]}, "field_capacity"),
        ({"paste": [0.2]}, "paste"),
        ({"roots": (0.5, 0.4)}, "root_fraction"),
        ({"mixing": 4.5}, "mixing"),
        ({"path_spread": -1.0}, "path_spread"),
        ({"field_capacity": [0.2, 0.2]}, "field_capacity"),
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


def test_a_tolerance_for_other_zones_is_refused():
    profile = one_zone()
    turf = salt_balance.SaltTolerance(np.full(2, 3.0), np.full(2, 6.0), np.ones(2))
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
    np.testing.assert_allclose(soil.mixing, [[2.0, 1.0]])  # no roots, no gradient: what leaves is as salty as the mean
    # 20 cm of roots: 15 of them in the upper half, with 3/4 of the root depth: FAO-29's 40, 30 and 20 of 100.
    soil = perched(roots=0.2)
    np.testing.assert_allclose(soil.root_fraction, [[0.9, 0.1]])
    np.testing.assert_allclose(soil.rooted, [[0.15, 0.05]])
    np.testing.assert_allclose(soil.mixing, [[2.0, 1.0 + 1.0 / 3.0]])
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
