"""Laws of the layered balance: water and salt to 1e-9, one layer's totals, limits, no salt leached from dry soil."""

from dataclasses import fields

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from models import flushing, layers, salt_balance, salt_run, soil
from tests.drawn import examples

ZONES, NIGHTS = 3, 6
TOLERANCE = 1e-9  # [mm] and, for salt, of what the profile holds [-]

SHARES = ((1.0,), (0.7, 0.3), (0.2, 0.8), (0.4, 0.3, 0.2, 0.1), (1.0, 0.0, 0.0))


def over(shape, low, high):
    return arrays(float, shape, elements=st.floats(low, high))


@st.composite
def profiles(draw):
    """Layers and a state: thin sand to deep clay, dry to full, any salt, any mixing, some fed from below roots."""
    roots = draw(st.sampled_from(SHARES))
    field_capacity = draw(over(ZONES, 0.08, 0.42))
    depth = draw(over(ZONES, 0.05, 0.6))
    profile = layers.equal_layers(
        depth,
        field_capacity,
        field_capacity * draw(over(ZONES, 0.0, 0.8)),
        np.minimum(field_capacity * draw(over(ZONES, 1.0, 2.5)), 0.9),
        roots=roots,
        mixing=draw(over(ZONES, 0.05, 2.0)),
        path_spread=draw(over(ZONES, 0.0, 3.0)),
    )
    profile = layers.fed_layers(profile, depth, depth * draw(over(ZONES, 1.0, 3.0) | st.just(np.ones(ZONES))))
    depletion = profile.available * draw(over((ZONES, len(roots)), 0.0, 1.0))
    return profile, layers.state_from_ece(profile, depletion, draw(over((ZONES, len(roots)), 0.0, 20.0)))


@st.composite
def seasons(draw):
    """A profile and some nights on it, storms and whole-night flushes among them."""
    depth = st.floats(0.0, 120.0) | st.just(0.0) | st.floats(0.0, 6.0)
    shape = (ZONES, NIGHTS)
    profile, state = draw(profiles())
    return (
        profile,
        state,
        draw(arrays(float, shape, elements=depth)),
        draw(over(shape, 0.0, 6.0)),
        draw(over(shape, 0.0, 14.0)),
        draw(arrays(float, shape, elements=depth)),
        draw(over(shape, 0.0, 0.95)),
    )


@examples(120)
@given(seasons(), st.floats(0.0, 0.2))
def test_water_and_salt_are_conserved(case, rain_ec):
    profile, state, irrigation, ec, etc, rain, p = case
    run = salt_run.run_layers(*case, rain_ec=rain_ec)
    before = np.column_stack([state.total_depletion, run.depletion[:, :-1]])
    closed = before - irrigation - rain + run.etc_actual + run.drainage
    np.testing.assert_allclose(run.depletion, closed, atol=TOLERANCE, rtol=0)
    held = run.ece * profile.paste_water[:, :, None]
    start = np.concatenate([state.salt[:, :, None], held[:, :, :-1]], axis=2).sum(axis=1)
    kept = start + irrigation * ec + rain * rain_ec - run.salt_out
    np.testing.assert_allclose(held.sum(axis=1), kept, atol=TOLERANCE, rtol=TOLERANCE)
    np.testing.assert_allclose(run.salt_in, irrigation * ec + rain * rain_ec, atol=TOLERANCE)
    assert held.min() >= -TOLERANCE
    assert np.all(run.salt_out >= -TOLERANCE)
    assert np.all(run.layer_depletion >= 0.0)
    assert np.all(run.layer_depletion <= profile.available[:, :, None] + TOLERANCE)


@examples(120)
@given(seasons())
def test_layers_together_are_the_one_layer_balance(case):
    profile, state, irrigation, _, etc, rain, p = case
    run = salt_run.run_layers(*case)
    taw = profile.available.sum(axis=1)
    one = soil.run_balance(state.total_depletion, irrigation, etc, rain, taw, p)
    # Ks is a ratio of depths: where TAW is small its rounding, and that of ET after it, grows by ETc / ((1 - p) TAW).
    loose = TOLERANCE * max(1.0, float(np.max(14.0 / (0.05 * taw))))
    for name in ("depletion", "etc_actual", "drainage", "stress"):
        np.testing.assert_allclose(getattr(run, name), getattr(one, name), atol=loose, rtol=0, err_msg=name)


@examples(80)
@given(seasons())
def test_nothing_leaches_while_the_profile_is_short_of_water(case):
    # The tempting case: salt leaves only with water that found every layer at field capacity, in the night or by day.
    _, state, irrigation, *_ = case
    run = salt_run.run_layers(*case)
    before = np.column_stack([state.total_depletion, run.depletion[:, :-1]])
    in_the_night = np.maximum(irrigation - before, 0.0)
    dry = run.depletion > TOLERANCE
    assert np.all((run.drainage <= in_the_night + TOLERANCE)[dry])
    assert np.all(run.salt_out[run.drainage == 0.0] == 0.0)


@examples(40)
@given(seasons(), st.integers(0, ZONES - 1))
def test_a_zone_alone_fares_as_among_others(case, zone):
    profile, state, *series = case
    together = salt_run.run_layers(*case)
    names = [field.name for field in fields(profile)]
    alone = salt_run.run_layers(
        layers.Layers(**{name: getattr(profile, name)[[zone]] for name in names}),
        layers.LayeredState(state.depletion[[zone]], state.salt[[zone]]),
        *(values[[zone]] for values in series),
    )
    np.testing.assert_allclose(alone.ece[0], together.ece[zone], rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(alone.drainage[0], together.drainage[zone], rtol=1e-12, atol=1e-12)


@examples(60)
@given(profiles(), st.floats(1.0, 60.0), st.floats(1.0, 60.0))
def test_more_clean_water_never_leaves_more_salt(case, depth, more):
    profile, state = case
    less_water = salt_balance.lead_in(profile, state, depth, 0.0).salt.sum(axis=1)
    more_water = salt_balance.lead_in(profile, state, depth + more, 0.0).salt.sum(axis=1)
    # Portions differ with the depth, which moves the result by up to about 1 % of the salt.
    assert np.all(more_water <= less_water + 0.01 * state.salt.sum(axis=1) + TOLERANCE)


@examples(60)
@given(profiles(), st.floats(0.0, 80.0), st.floats(0.2, 5.0))
def test_rain_leaches_better_than_salty_water(case, depth, ec):
    profile, state = case
    none = np.zeros(ZONES)
    rained = salt_balance.layered_day(profile, state, none, ec, none, np.full(ZONES, depth), 0.5)
    watered = salt_balance.layered_day(profile, state, np.full(ZONES, depth), ec, none, none, 0.5)
    assert np.all(rained.state.salt.sum(axis=1) <= watered.state.salt.sum(axis=1) + TOLERANCE * (1 + state.salt.sum()))
    np.testing.assert_allclose(rained.drainage, watered.drainage, atol=TOLERANCE)


@examples(60)
@given(profiles(), st.floats(0.5, 8.0), st.floats(0.0, 3.0), st.booleans())
def test_flush_depth_reaches_its_target_with_what_it_asks_for(case, target, ec, every_layer):
    profile, state = case
    found = flushing.flush_depth(profile, state, target, ec, every_layer=every_layer)
    water = np.where(found.reachable, found.net_water, 0.0)
    ece = layers.ece_of(profile, salt_balance.lead_in(profile, state, water, ec))
    after = ece.max(axis=1) if every_layer else layers.standing_ece(profile, ece)
    assert np.all(after[found.reachable] <= target + TOLERANCE)
    np.testing.assert_allclose(after[found.reachable], found.ece_after[found.reachable], rtol=1e-9)
    assert np.all(found.ece_after[~found.reachable] > target)
    assert np.isnan(found.drainage[~found.reachable]).all()
    # A target below what endless flushing ends at is never promised, unless it holds without any water.
    assert not np.any(found.reachable & (found.ece_floor > target + 1e-6) & (found.net_water > 0.0))


@examples(60)
@given(profiles(), over(ZONES, 0.0, 1.0))
def test_depletion_shared_among_layers_adds_up(case, share):
    profile, _ = case
    total = share * profile.available.sum(axis=1)
    parts = layers.spread_depletion(profile, total)
    np.testing.assert_allclose(parts.sum(axis=1), total, atol=TOLERANCE)
    assert np.all(parts >= 0.0)
    assert np.all(parts <= profile.available)
