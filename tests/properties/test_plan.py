"""Laws of the plan: there always is one, it holds every hard limit, follows the soil, and more water never hurts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from models.plan.inputs import PlanInputs
from models.plan.solve import PlanSolver
from models.soil import run_balance
from tests.drawn import examples
from tests.models.plan.plans import drawn_plan, net_depth, plan, solved, water

TOUCH = 1e-6  # the solver's feasibility tolerance is 1e-7 in its scaled rows
COUNT = 40
sizes = st.tuples(st.integers(0, 2**32 - 1), st.integers(1, 6), st.integers(1, 6))


@st.composite
def plans(draw: st.DrawFn) -> PlanInputs:
    """A drawn site, of which any part may be at an end of what is allowed."""
    seed, z, n = draw(sizes)
    inputs = drawn_plan(np.random.default_rng(seed), z, n)
    k = inputs.supply_share.shape[0]
    ends = {
        "no pump": {"pump_capacity": np.zeros(2)},
        "no branch": {"branch_capacity": np.zeros(3)},
        "no station": {"stations_at_once": np.zeros(2)},
        "no source": {"source_daily": np.zeros(2)},
        "no month": {"source_monthly": np.zeros_like(inputs.source_monthly)},
        "no allocation": {"allocation": 0.0},
        "no night allowed": {"allowed": np.zeros_like(inputs.allowed)},
        "no block": {"block_length": np.zeros_like(inputs.block_length)},
        "no supply": {"zone_supply": np.zeros((z, k), dtype=bool)},
        "no run": {"max_run": np.zeros(z)},
        "at the wilting point": {"depletion": inputs.taw.copy()},
        "at field capacity": {"depletion": np.zeros(z)},
        "no ET": {"etc": np.zeros((z, n))},
        "storms": {"effective_rain": np.full((z, n), 150.0)},
        "fierce ET": {"etc": np.full((z, n), 30.0)},
        "no wet limit": {"wet_limit": np.zeros((z, n))},
        "softness without price": {"wet_weight": np.zeros((z, n))},
        "paid to pump": {"energy_price": np.full_like(inputs.energy_price, -0.3)},
    }
    for name in draw(st.lists(st.sampled_from(sorted(ends)), max_size=3, unique=True)):
        inputs = replace(inputs, **ends[name])
    return inputs


@given(plans())
@examples(COUNT * 3)
def test_there_is_a_plan_and_it_holds_every_hard_limit(inputs):
    result = PlanSolver(inputs).solve()
    minutes = result.run_times(inputs)
    used = minutes * inputs.water_per_minute[:, None, None, None]
    by_block = minutes.sum(axis=3)

    assert (minutes >= 0).all()
    assert (minutes[~inputs.allowed] == 0).all()
    assert (minutes.transpose(0, 3, 1, 2)[~inputs.zone_supply] == 0).all()
    window = (inputs.allowed * inputs.block_length).sum(axis=2)
    assert (by_block.sum(axis=2) <= np.minimum(window, inputs.max_run[:, None]) + TOUCH).all()
    assert (minutes.max(axis=(0, 3)) <= inputs.block_length + TOUCH).all()
    for group, capacity, use in (
        (inputs.pump_of_zone, inputs.pump_capacity, inputs.flow),
        (inputs.branch_of_zone, inputs.branch_capacity, inputs.flow),
        (inputs.controller_of_zone, inputs.stations_at_once, np.ones(inputs.zones)),
    ):
        for g, most in enumerate(capacity):
            drawn = np.tensordot(use * (group == g), by_block, axes=1)
            limit = np.where(inputs.block_length > 0, most, 0.0) * np.maximum(inputs.block_length, 1e-300)
            assert (drawn <= limit * (1 + TOUCH) + TOUCH).all()
    of_source = np.einsum("znbk,kw->wn", used, inputs.supply_share)
    assert (of_source <= inputs.source_daily[:, None] * (1 + TOUCH) + TOUCH).all()
    for month, left in enumerate(inputs.source_monthly.T):
        taken = of_source[:, inputs.month_of_night == month].sum(axis=1)
        assert (taken <= left * (1 + TOUCH) + TOUCH).all()
    assert used.sum() <= inputs.allocation * (1 + TOUCH) + TOUCH
    for cut in inputs.cuts:
        taken = np.cumsum(used[cut.zones].sum(axis=(0, 2, 3)))
        assert (taken <= cut.volume * (1 + TOUCH) + TOUCH).all()
    # no water above field capacity, and what is said of the soil closes
    opening = np.column_stack([inputs.depletion, result.depletion[:, :-1]])
    net = net_depth(inputs, result)
    assert (opening - net >= -TOUCH).all()
    closed = opening - net - inputs.effective_rain + inputs.etc - result.shortfall + result.drainage
    assert result.depletion == pytest.approx(closed, abs=TOUCH)


@given(sizes)
@examples(COUNT)
def test_the_plan_follows_the_physical_balance(size):
    seed, z, n = size
    inputs = drawn_plan(np.random.default_rng(seed), z, n)
    result, _ = solved(inputs)
    fraction = inputs.raw / inputs.taw[:, None]
    day = run_balance(
        inputs.depletion, net_depth(inputs, result), inputs.etc, inputs.effective_rain, inputs.taw, fraction
    )
    assert result.depletion == pytest.approx(day.depletion, abs=TOUCH)
    assert result.drainage == pytest.approx(day.drainage, abs=TOUCH)


@given(sizes, st.floats(0.0, 1.0), st.floats(1.0, 3.0))
@examples(COUNT)
def test_more_water_never_costs_more_and_is_worth_less_and_less(size, start, growth):
    seed, z, n = size
    inputs = drawn_plan(np.random.default_rng(seed), z, n, allocation=1e9)
    solver = PlanSolver(inputs)
    full = water(inputs, solver.solve()).sum()
    volumes = [start * full, (start + 0.1) * full, growth * (start + 0.1) * full]
    results = []
    for volume in volumes:
        assert solver.edit(replace(inputs, allocation=volume))
        results.append(solver.solve())
    prices = [sum(x.price for x in r.limits if x.family == "allocation_limit") for r in results]
    for before, after in zip(results[:-1], results[1:], strict=True):
        assert after.objective <= before.objective * (1 + 1e-9) + 1e-9
    assert prices == sorted(prices, reverse=True) or np.allclose(prices, sorted(prices, reverse=True), rtol=1e-6)


@given(sizes, st.sampled_from(["pump_capacity", "branch_capacity", "stations_at_once", "source_daily", "max_run"]))
@examples(COUNT)
def test_a_wider_limit_never_costs_more(size, name):
    seed, z, n = size
    inputs = drawn_plan(np.random.default_rng(seed), z, n)
    narrow, _ = solved(inputs)
    wide, _ = solved(replace(inputs, **{name: getattr(inputs, name) * 1.5}))
    assert wide.objective <= narrow.objective * (1 + 1e-9) + 1e-9


@given(sizes, st.floats(0.0, 1.0), st.floats(0.0, 1.0))
@examples(COUNT)
def test_edits_equal_a_new_build(size, share, volume):
    seed, z, n = size
    rng = np.random.default_rng(seed)
    inputs = drawn_plan(rng, z, n, allocation=1e6)
    solver = PlanSolver(inputs)
    full = water(inputs, solver.solve()).sum()
    longest = inputs.max_run * rng.uniform(0.0, 1.2, z)
    assert solver.edit(replace(inputs, allocation=volume * full))
    solver.scale_capacity("pump", np.array([share, 1.0]))
    for night in range(n):
        solver.limit_runs(np.arange(z), longest, night)
    fresh, _ = solved(
        replace(
            inputs,
            allocation=volume * full,
            pump_capacity=inputs.pump_capacity * [share, 1.0],
            max_run=np.minimum(inputs.max_run, longest),
        )
    )
    assert solver.solve().objective == pytest.approx(fresh.objective, rel=1e-7, abs=1e-9)


@given(sizes, st.floats(0.1, 20.0))
@examples(COUNT)
def test_a_site_of_another_size_has_the_same_plan(size, factor):
    # Areas, flows and all volumes times a factor: the same minutes do the same, at the factor's cost.
    seed, z, n = size
    rng = np.random.default_rng(seed)
    inputs = drawn_plan(rng, z, n, tiers=(), cuts=())
    scaled = {
        name: getattr(inputs, name) * factor
        for name in ("area flow pump_capacity branch_capacity source_daily source_monthly allocation".split())
    }
    one, _ = solved(inputs)
    other, _ = solved(replace(inputs, **scaled))
    assert other.objective == pytest.approx(one.objective * factor, rel=1e-7, abs=1e-9)


@given(sizes)
@examples(COUNT)
def test_another_currency_gives_the_same_plan(size):
    # Prices of turf follow those of water, so a plan at twice every price costs twice as much.
    seed, z, n = size
    inputs = drawn_plan(np.random.default_rng(seed), z, n, tiers=(), source_price=[0.3, 0.8])
    assume(inputs.runs.zone.size > 0)  # without a run that is allowed no water has a price
    one, _ = solved(inputs)
    other, _ = solved(replace(inputs, source_price=inputs.source_price * 2, energy_price=inputs.energy_price * 2))
    assert other.objective == pytest.approx(one.objective * 2, rel=1e-7)


def test_zones_in_another_order_have_the_same_plan():
    inputs = plan(3, 4, depletion=[5.0, 15.0, 25.0], priority=[1, 2, 3], allocation=20.0)
    turned = replace(inputs, depletion=inputs.depletion[::-1], priority=inputs.priority[::-1])
    one, other = solved(inputs)[0], solved(turned)[0]
    assert one.objective == pytest.approx(other.objective, rel=1e-9)
    assert water(inputs, one).sum(axis=1) == pytest.approx(water(turned, other).sum(axis=1)[::-1], abs=1e-6)
