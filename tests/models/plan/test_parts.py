"""A plan solved in parts, and rows left out as nothing can break them, against the plan as one and with every row."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import sparse

from models.plan import limits, solve
from models.plan.apart import parts_of
from models.plan.flush_choice import WIDEST_GAP
from models.plan.parts import separate
from models.plan.solve import PlanSolver
from tests.drawn import examples
from tests.models.plan.plans import drawn_plan
from tests.properties.test_flush import drawn


def test_what_shares_no_row_is_taken_apart():
    # rows 0 and 2 share column 3; row 1 stands alone; row 3, left out, ties all; column 5 is in row 3 only
    matrix = np.array(
        [
            [1.0, 0.0, 0.0, 2.0, 0.0, 0.0],
            [0.0, 0.0, 3.0, 0.0, 4.0, 0.0],
            [0.0, 5.0, 0.0, 6.0, 0.0, 0.0],
            [1.0, 1.0, 1.0, 1.0, 1.0, 1.0],
        ]
    )
    left_out = np.array([False, False, False, True])
    parts = separate(sparse.csc_array(matrix), left_out)
    assert [p.rows.tolist() for p in parts] == [[0, 2], [1]]
    assert [p.columns.tolist() for p in parts] == [[0, 1, 3], [2, 4]]
    assert [p.matrix.toarray().tolist() for p in parts] == [[[1.0, 0.0, 2.0], [0.0, 5.0, 6.0]], [[3.0, 4.0]]]
    assert separate(sparse.csc_array(matrix), np.zeros(4, dtype=bool)) == []
    with pytest.raises(ValueError, match=r"left_out: expected shape \(4,\), got \(3,\)"):
        separate(sparse.csc_array(matrix), left_out[:3])


@given(st.integers(0, 10_000))
@examples(40)
def test_parts_share_nothing_and_miss_nothing(seed):
    rng = np.random.default_rng(seed)
    matrix = sparse.random_array((30, 40), density=0.03, rng=rng, format="csc")
    left_out = rng.random(30) < 0.2
    parts = separate(matrix, left_out)
    whole = np.zeros((30, 40))
    for part in parts:
        assert not whole[part.rows].any()
        assert not whole[:, part.columns].any()
        whole[np.ix_(part.rows, part.columns)] = part.matrix.toarray()
    if parts:
        assert np.array_equal(whole, np.where(left_out[:, None], 0.0, matrix.toarray()))


@pytest.fixture
def every_plan_large(monkeypatch):
    monkeypatch.setattr(solve, "LARGE", 0)


def two_sites(seed, **given):
    """A drawn plan whose two pumps share no branch and no controller; permits of sources still tie them."""
    inputs = drawn_plan(np.random.default_rng(seed), 12, 3, **given)
    inputs.branch_of_zone[:] = inputs.pump_of_zone
    inputs.controller_of_zone[:] = np.where(inputs.pump_of_zone < 0, -1, inputs.pump_of_zone)
    return inputs


@pytest.mark.parametrize("seed", range(8))
def test_solved_in_parts_or_as_one(every_plan_large, monkeypatch, seed):
    inputs = two_sites(seed, allocation=np.inf, tiers=())
    apart = PlanSolver(inputs)
    assert len(parts_of(apart.whole, apart.spans, inputs)) > 1
    found = apart.solve()
    monkeypatch.setattr(solve, "LARGE", 10**9)
    as_one = PlanSolver(inputs)
    assert as_one.whole is None
    assert found.objective == pytest.approx(as_one.solve().objective, rel=1e-9)


def test_a_run_held_shorter_before_the_first_solve(every_plan_large, monkeypatch):
    inputs = two_sites(3, allocation=np.inf, tiers=(), max_run=np.full(12, 600.0), block_length=300.0)
    found = []
    for large in (0, 10**9):
        monkeypatch.setattr(solve, "LARGE", large)
        solver = PlanSolver(inputs)
        solver.limit_runs(np.arange(12), np.full(12, 25.0), 0)
        assert solver.held  # rows were added that the model was built without
        found.append(solver.solve().objective)
    assert found[0] == pytest.approx(found[1], rel=1e-9)


def test_parts_that_hold_together_leave_nothing_to_do(every_plan_large):
    inputs = two_sites(3, allocation=1e6, tiers=(), cuts=(), source_daily=np.inf, source_monthly=np.inf)
    solver = PlanSolver(inputs)
    solver.solve()
    assert solver.program.highs.getInfoValue("simplex_iteration_count")[1] == 0


@pytest.mark.parametrize("seed", range(4))
def test_an_allocation_sure_to_bind_is_solved_as_one(every_plan_large, monkeypatch, seed):
    inputs = two_sites(seed, depletion=10.0, etc=6.0, effective_rain=0.0, allocation=5.0)
    as_one = PlanSolver(inputs)
    assert parts_of(as_one.whole, as_one.spans, inputs) == []
    found = as_one.solve()
    monkeypatch.setattr(solve, "LARGE", 10**9)
    assert found.objective == pytest.approx(PlanSolver(inputs).solve().objective, rel=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_flushes_chosen_from_parts_are_as_good(every_plan_large, monkeypatch, seed):
    inputs, needs = drawn(seed, 6, 3, 3)
    inputs.branch_of_zone[:] = inputs.pump_of_zone
    inputs.controller_of_zone[:] = -1
    apart = PlanSolver(inputs, needs)
    found = apart.solve()
    monkeypatch.setattr(solve, "LARGE", 10**9)
    as_one = PlanSolver(inputs, needs).solve()
    assert found.objective == pytest.approx(as_one.objective, rel=2 * WIDEST_GAP, abs=1e-6)


@pytest.mark.parametrize("seed", range(8))
def test_rows_that_nothing_can_break_are_left_out(monkeypatch, seed):
    rng = np.random.default_rng(seed)
    inputs = drawn_plan(rng, 6, 4, max_run=np.full(6, 600.0), block_length=300.0)
    fewer = PlanSolver(inputs)
    found = fewer.solve()
    monkeypatch.setattr(limits, "FILL_ROUNDOFF", 1e9)
    every = PlanSolver(inputs)
    assert len(fewer.model.zone_limit) < len(every.model.zone_limit)
    assert found.objective == pytest.approx(every.solve().objective, rel=1e-9)
    # and a run held shorter afterwards holds the sum over both blocks, with or without the row
    longest = np.full(6, 25.0)
    for night in range(4):
        fewer.limit_runs(np.arange(6), longest, night)
        every.limit_runs(np.arange(6), longest, night)
        fewer.limit_runs(np.arange(6), longest, night)
    held = fewer.solve()
    assert held.objective == pytest.approx(every.solve().objective, rel=1e-9)
    assert held.minutes(inputs).sum(axis=(2, 3)).max() <= 25.0 + 1e-6
