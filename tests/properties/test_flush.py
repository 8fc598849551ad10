"""Laws of flushes in the plan: what soil physics allows, never a protected night, and nearly the best that can be."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from models.plan import flush_ways as flushing
from models.plan.flush_choice import WIDEST_GAP
from models.plan.flush_needs import FlushNeeds, Upkeep
from models.plan.inputs import PlanInputs
from models.plan.prices import plan_prices
from models.plan.results import PlanResult
from models.soil import run_balance
from tests.drawn import examples
from tests.models.plan.plans import drawn_needs, drawn_plan, laid_out, net_depth

TOUCH = 1e-6  # the solver's feasibility tolerance is 1e-7 in its scaled rows
seeds = st.integers(0, 2**32 - 1)


def drawn(seed: int, zones: int, nights: int, flushing: int) -> tuple[PlanInputs, FlushNeeds]:
    """A drawn site and the flushes some of its zones need."""
    rng = np.random.default_rng(seed)
    inputs = drawn_plan(rng, zones, nights)
    return inputs, drawn_needs(rng, inputs, flushing)


def check_flushes(inputs: PlanInputs, needs: FlushNeeds, result: PlanResult) -> None:
    """What the plan's minutes do in the soil is what it says, and only flushes and rain drain."""
    net = net_depth(inputs, result)
    day = run_balance(
        inputs.depletion, net, inputs.etc, inputs.effective_rain, inputs.taw, inputs.raw / inputs.taw[:, None]
    )
    assert result.depletion == pytest.approx(day.depletion, abs=TOUCH)
    assert result.drainage == pytest.approx(day.drainage, abs=TOUCH)
    opening = np.column_stack([inputs.depletion, day.depletion[:, :-1]])
    on = np.zeros(inputs.etc.shape, dtype=bool)
    place = {int(z): f for f, z in enumerate(needs.zone)}
    assert len({flush.zone for flush in result.flushes}) == len(result.flushes)
    for flush in result.flushes:
        f, nights = place[flush.zone], list(flush.nights)
        on[flush.zone, nights] = True
        assert needs.allowed[f, nights].all()
        assert np.diff(nights).tolist() in ([], [1])
        assert flush.depth == needs.depth[f, flush.supply]
        beyond = net[flush.zone, nights] - opening[flush.zone, nights]  # fills first, and what is more drains
        assert flush.drained == pytest.approx(beyond, abs=TOUCH)
        assert min(flush.drained) >= -TOUCH
        assert sum(flush.drained) >= flush.depth - TOUCH
        minutes = result.run_times(inputs)[flush.zone, nights].sum(axis=(0, 1))
        assert np.flatnonzero(minutes > TOUCH).tolist() in ([], [flush.supply])
    for little in result.upkeep:
        f, nights = place[little.zone], list(little.nights)
        assert little.zone not in {flush.zone for flush in result.flushes}
        assert needs.upkeep is not None
        assert nights == np.flatnonzero(needs.upkeep.depth[f]).tolist()
        on[little.zone, nights] = True
        beyond = net[little.zone, nights] - opening[little.zone, nights]
        assert little.drained == pytest.approx(beyond, abs=TOUCH)
        assert (beyond >= needs.upkeep.depth[f, nights] - TOUCH).all()
    assert (net - opening)[~on].max(initial=0.0) <= TOUCH  # elsewhere no water passes field capacity
    dry_dates = inputs.effective_rain <= inputs.etc
    assert day.drainage[~on & dry_dates].max(initial=0.0) <= TOUCH


@given(seeds, st.integers(1, 6), st.integers(1, 6))
@examples(100)
def test_flushes_follow_the_soil_and_the_calendar(seed, zones, nights):
    inputs, needs = drawn(seed, zones, nights, 4)
    result = laid_out(inputs, needs).solve()
    assert 0.0 <= result.gap
    check_flushes(inputs, needs, result)


@given(seeds)
@examples(100)
def test_needs_of_any_harm_never_flush_for_free(seed):
    # the tempting case: free water, dry profiles, and everything to gain
    inputs, needs = drawn(seed, 4, 3, 4)
    inputs = replace(inputs, source_price=np.zeros(2), depletion=0.7 * inputs.taw, tiers=())
    needs = replace(needs, harm=needs.harm + 1e3, harm_after=needs.harm_after + 1e3)
    check_flushes(inputs, needs, laid_out(inputs, needs).solve())


def with_upkeep(rng: np.random.Generator, needs: FlushNeeds) -> FlushNeeds:
    """The same needs, each zone offered a little leaching on some of its nights."""
    shape = needs.harm.shape
    depth = rng.uniform(0.2, 4.0, shape) * (rng.random(shape) < 0.5) * needs.allowed
    owed = np.sort(rng.uniform(0.0, 1.5, (2, shape[0])), axis=0)
    upkeep = Upkeep(depth, rng.uniform(0.0, 1.0, shape) * needs.harm, 0.5 * needs.harm_after, owed[0], owed[1])
    return replace(needs, upkeep=upkeep, lasts=rng.uniform(2.0, 20.0, shape[0]))


@given(seeds, st.integers(1, 6), st.integers(1, 6))
@examples(40)
def test_upkeep_drains_on_its_nights_only_and_from_a_full_root_zone(seed, zones, nights):
    inputs, needs = drawn(seed, zones, nights, 4)
    needs = with_upkeep(np.random.default_rng(seed), needs)
    result = laid_out(inputs, needs).solve()
    check_flushes(inputs, needs, result)
    bound = result.objective - result.gap * abs(result.objective)
    without = laid_out(inputs, replace(needs, upkeep=replace(needs.upkeep, depth=np.zeros(needs.harm.shape)))).solve()
    assert bound <= without.objective + 1e-6 * abs(without.objective)  # a further way never costs more


def ways_one_by_one(inputs: PlanInputs, needs: FlushNeeds, f: int) -> list[tuple[tuple[int, ...], int]]:
    """Nights and supply of every way to flush a zone, by nested loops."""
    z, nights = needs.zone[f], range(inputs.nights)
    may = [needs.allowed[f, n] and inputs.allowed[z, n].any() for n in nights]
    supplies = [k for k in range(needs.depth.shape[1]) if np.isfinite(needs.depth[f, k]) and inputs.zone_supply[z, k]]
    pairs = [(on, k) for n in nights for on in ((n,), (n, n + 1)) for k in supplies]
    return [(on, k) for on, k in pairs if on[-1] < inputs.nights and all(may[n] for n in on)]


@given(seeds, st.integers(1, 12), st.integers(1, 7), st.integers(4, 200))
@examples(60)
def test_copies_are_the_ways_counted_one_by_one(seed, zones, nights, most):
    inputs, needs = drawn(seed, zones, nights, zones)
    needs = replace(needs, lasts=np.random.default_rng(seed).uniform(1.0, 30.0, needs.zone.size))
    with pytest.MonkeyPatch.context() as limited:
        limited.setattr(flushing, "MOST_COPIES", most)
        copies = flushing.flush_copies(inputs, needs, plan_prices(inputs))
    assert (np.diff(copies.zone) >= 0).all()
    assert np.isfinite(copies.harm).all()
    for z in range(zones):
        own = np.flatnonzero(copies.zone == z)
        assert not copies.flush[own[0]].any()  # the way without a flush first
        assert (copies.open[own] == (z in needs.zone)).all()
        if z not in needs.zone:
            assert own.size == 1
            continue
        f = int(np.flatnonzero(needs.zone == z)[0])
        every = ways_one_by_one(inputs, needs, f)
        asked = max(flushing.FEWEST_WAYS, most // needs.zone.size)
        if len(every) > asked:
            every = [every[i] for i in sorted({(f + i * len(every) // asked) % len(every) for i in range(asked)})]
        found = [(tuple(np.flatnonzero(copies.flush[v]).tolist()), int(copies.supply[v])) for v in own[1:]]
        assert found == every
        assert copies.depth[own[1:]].tolist() == [needs.depth[f, k] for _, k in every]
        fresh = np.arange(nights) >= np.array([on[0] for on, _ in every]).reshape(-1, 1)
        limit = np.where(fresh, needs.dry_limit_after[f], inputs.dry_limit[z])
        assert (copies.dry_limit[own[1:]] == limit).all()


def best_by_trying(inputs: PlanInputs, needs: FlushNeeds) -> float:
    """Optimum over every combination of ways, each a plan by itself."""
    solver = laid_out(inputs, needs)
    choice = solver.flush_choice()
    zone = solver.copies.zone[solver.copies.open]
    found = np.inf
    for ways in product(*(np.flatnonzero(zone == z) for z in np.unique(zone))):
        fixed = np.zeros(zone.size)
        fixed[list(ways)] = 1.0
        found = min(found, choice.solve(fixed, fixed)[0])
    return found


@given(seeds, st.integers(2, 3), st.integers(1, 3))
@examples(25)
def test_as_good_as_trying_everything(seed, flushing, nights):
    inputs, needs = drawn(seed, 4, nights, flushing)
    result = laid_out(inputs, needs).solve()
    best = best_by_trying(inputs, needs)
    size = max(abs(best), 1e-6)
    assert result.objective >= best - 1e-6 * size
    assert result.objective <= best + (WIDEST_GAP + 1e-6) * abs(result.objective) + 1e-9
    bound = result.objective - result.gap * abs(result.objective)
    assert bound <= best + 1e-6 * size  # the reported gap is honest


@given(seeds, st.floats(0.0, 1.0), st.floats(0.0, 1.0))
@example(4672424, 0.0, 4.254007260312387e-09)  # runs of a ten-millionth of a minute
@examples(25)
def test_less_capacity_and_shorter_runs_equal_a_new_build(seed, share, run):
    inputs, needs = drawn(seed, 5, 4, 4)
    solver = laid_out(inputs, needs)
    first = solver.solve()
    solver.scale_capacity("pump", np.array([share, 1.0]))
    longest = inputs.max_run * run
    for night in range(4):
        solver.limit_runs(np.arange(5), longest, night)
    again = solver.solve()
    less = replace(
        inputs, pump_capacity=inputs.pump_capacity * [share, 1.0], max_run=np.minimum(inputs.max_run, longest)
    )
    check_flushes(less, needs, again)
    fresh = laid_out(less, needs).solve()
    assert again.objective == pytest.approx(fresh.objective, rel=2 * WIDEST_GAP, abs=1e-6)
    assert again.objective >= first.objective * (1 - WIDEST_GAP) - 1e-6
