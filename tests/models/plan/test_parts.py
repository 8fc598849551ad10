"""A plan solved in parts, and rows left out as nothing can break them, against the plan as one and with every row."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import sparse

from models.plan import apart, limits, sketch, solve, tied
from models.plan.cases import Cases
from models.plan.flush_choice import WIDEST_GAP
from models.plan.highs import Program, SolverFailed
from models.plan.inputs import Cut, Tier
from models.plan.parts import separate
from tests.drawn import draws, examples, some
from tests.models.plan.plans import FLOW, drawn_plan, laid_out, plan
from tests.models.plan.test_weathers import with_members
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


def small_samples(patch):
    """Let every plan begin from its parts, samples of them being as small as can be."""
    patch.setattr(solve, "IN_PARTS", 0)
    patch.setattr(apart, "LARGEST_PART", 1)
    patch.setattr(apart, "LEAST_PART", 1)
    patch.setattr(tied, "SAMPLE", 1)
    patch.setattr(sketch, "COLUMNS", 1)


@pytest.fixture
def in_parts(monkeypatch):
    """Every plan begins from its parts, samples of them being as small as can be."""
    small_samples(monkeypatch)


def two_sites(seed, **given):
    """A drawn plan whose two pumps share no branch and no controller; permits of sources still tie them."""
    inputs = drawn_plan(np.random.default_rng(seed), 12, 3, **given)
    inputs.branch_of_zone[:] = inputs.pump_of_zone
    inputs.controller_of_zone[:] = np.where(inputs.pump_of_zone < 0, -1, inputs.pump_of_zone)
    return inputs


def at_once(inputs, **given):
    """Optimum of a plan, solved from nothing in one piece."""
    solver = laid_out(inputs, **given)
    solver.whole = None
    return solver.solve()


def begun(solver):
    """Where the parts of a plan let it begin, and how many parts there are."""
    return apart.start(solver.whole, solver.spans), len(apart.parts_of(solver.whole, solver.spans)[1])


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(8), 4))
def test_solved_in_parts_or_as_one(in_parts, seed):
    inputs = two_sites(seed, allocation=np.inf, tiers=())
    solver = laid_out(inputs)
    assert begun(solver)[1] > 1
    assert solver.solve().objective == pytest.approx(at_once(inputs).objective, rel=1e-9)


@given(st.integers(0, 10_000), st.sampled_from(["all", "allocation", "pump", "order", "tiers"]))
@examples(60)
def test_parts_that_share_too_little_water_end_at_the_same_plan(seed, short):
    rng = np.random.default_rng(seed)
    loose = {"allocation": np.inf, "tiers": (), "cuts": (), "source_daily": np.inf, "source_monthly": np.inf}
    inputs = drawn_plan(rng, draws(14, 8), 3, **({} if short == "all" else loose))
    need = float((inputs.area * inputs.etc.sum(axis=1) / inputs.net_share).sum()) / 1000.0
    share = float(rng.uniform(0.05, 0.9))
    every = np.ones(inputs.zones, dtype=bool)
    inputs = {
        "all": inputs,
        "allocation": replace(inputs, allocation=share * need),
        "pump": replace(inputs, pump_capacity=share * inputs.pump_capacity),
        "order": replace(inputs, cuts=(Cut("order", every, share * need * np.array([0.3, 0.6, 1.0])),)),
        "tiers": replace(inputs, tiers=(Tier(0.3 * share * need, 0.7), Tier(share * need, 2.0))),
    }[short]
    with pytest.MonkeyPatch.context() as patch:
        small_samples(patch)
        patch.setattr(apart, "TYING", (*apart.TYING, ("branch_limit",)))
        solver = laid_out(inputs)
        found = solver.solve()
        again = laid_out(inputs).solve()
    expected = at_once(inputs)
    assert found.objective == pytest.approx(expected.objective, rel=1e-7, abs=1e-7)
    assert np.array_equal(again.run_time, found.run_time)  # whatever the threads did first
    for limit in found.limits:
        assert limit.used <= limit.limit * (1 + 1e-6) + 1e-6


def many_branches(count, **given):
    """Ten zones a branch, all on one pump, over 4 nights."""
    rng, zones = np.random.default_rng(5), 10 * count
    return plan(
        zones,
        4,
        etc=rng.uniform(3.0, 6.0, (zones, 4)),
        depletion=rng.uniform(5.0, 25.0, zones),
        priority=1 + np.arange(zones) % 3,
        pump_of_zone=0,
        branch_of_zone=np.arange(zones) // 10,
        branch_capacity=np.full(count, 5 * FLOW),
        **given,
    )


@pytest.mark.parametrize("name", ["allocation", "pump_capacity", "tiers"])
def test_what_ties_the_parts_is_shared_so_that_little_is_left_to_do(in_parts, name):
    # 40 zones of four branches: the groups find most of it, and the plan itself takes a few steps more
    inputs = many_branches(
        4,
        **({"pump_capacity": [0.6 * FLOW]} if name == "pump_capacity" else {"pump_capacity": [99 * FLOW]}),
        **({"allocation": 300.0} if name == "allocation" else {}),
        **({"tiers": (Tier(300.0, 0.9),)} if name == "tiers" else {}),
    )
    cold = laid_out(inputs)
    cold.whole = None
    expected = cold.solve().objective
    most = cold.program.highs.getInfoValue("simplex_iteration_count")[1]
    solver = laid_out(inputs)
    basis, parts = begun(solver)
    assert parts == 4
    solver.program.begin(basis)
    assert solver.program.run() == pytest.approx(expected, rel=1e-9)
    assert solver.program.highs.getInfoValue("simplex_iteration_count")[1] < most / 3


def test_a_run_held_shorter_before_the_first_solve(in_parts):
    inputs = two_sites(3, allocation=np.inf, tiers=(), max_run=np.full(12, 600.0), block_length=300.0)
    found = []
    for whole in (True, False):
        solver = laid_out(inputs)
        solver.limit_runs(np.arange(12), np.full(12, 25.0), 0)
        assert solver.held  # rows were added that the model was built without
        solver.whole = solver.whole if whole else None
        found.append(solver.solve().objective)
    assert found[0] == pytest.approx(found[1], rel=1e-9)


def test_parts_that_hold_together_leave_nothing_to_do(in_parts):
    inputs = two_sites(3, allocation=1e6, tiers=(), cuts=(), source_daily=np.inf, source_monthly=np.inf)
    solver = laid_out(inputs)
    solver.solve()
    assert solver.program.highs.getInfoValue("simplex_iteration_count")[1] == 0


def test_parts_tied_by_too_many_limits_are_not_shared(in_parts, monkeypatch):
    inputs = two_sites(2, allocation=5.0)
    assert begun(laid_out(inputs))[0] is not None
    monkeypatch.setattr(apart, "MOST_TYING", 0)
    assert begun(laid_out(inputs))[0] is None


def test_a_part_that_is_not_solved_leaves_the_plan_to_begin_from_nothing(in_parts, monkeypatch):
    inputs = two_sites(2, allocation=5.0)
    expected = at_once(inputs).objective

    def fails(self, certain=True):
        raise SolverFailed("no")

    solver = laid_out(inputs)
    with monkeypatch.context() as patch:
        patch.setattr(Program, "run", fails)
        assert begun(solver)[0] is None
    assert solver.solve().objective == pytest.approx(expected, rel=1e-9)


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(6), 3))
def test_flushes_chosen_from_parts_are_as_good(in_parts, seed):
    inputs, needs = drawn(seed, 6, 3, 3)
    inputs.branch_of_zone[:] = inputs.pump_of_zone
    inputs.controller_of_zone[:] = -1
    found = laid_out(inputs, needs).solve()
    assert found.objective == pytest.approx(at_once(inputs, needs=needs).objective, rel=2 * WIDEST_GAP, abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_weathers_are_parts_too(in_parts, seed):
    rng = np.random.default_rng(seed)
    inputs = drawn_plan(rng, 8, 3)
    inputs = with_members(inputs, rng)
    assert laid_out(inputs).solve().objective == pytest.approx(at_once(inputs).objective, rel=1e-8)


@pytest.mark.parametrize("seed", range(8))
def test_rows_that_nothing_can_break_are_left_out(monkeypatch, seed):
    rng = np.random.default_rng(seed)
    inputs = drawn_plan(rng, 6, 4, max_run=np.full(6, 600.0), block_length=300.0)
    fewer = laid_out(inputs)
    found = fewer.solve()
    monkeypatch.setattr(limits, "FILL_ROUNDOFF", 1e9)
    every = laid_out(inputs)
    fewer_rows, every_row = (solver.model.component("zone_limit")._data for solver in (fewer, every))
    assert len(fewer_rows) < len(every_row)
    assert found.objective == pytest.approx(every.solve().objective, rel=1e-9)
    # and a run held shorter afterwards holds the sum over both blocks, with or without the row
    longest = np.full(6, 25.0)
    for night in range(4):
        fewer.limit_runs(np.arange(6), longest, night)
        every.limit_runs(np.arange(6), longest, night)
        fewer.limit_runs(np.arange(6), longest, night)
    held = fewer.solve()
    assert held.objective == pytest.approx(every.solve().objective, rel=1e-9)
    assert held.run_times(inputs).sum(axis=(2, 3)).max() <= 25.0 + 1e-6


@pytest.mark.sweep
@given(st.integers(0, 10_000))
@examples(20, least=2)
def test_a_case_begun_from_parts_equals_a_new_plan_whatever_came_before(seed):
    rng = np.random.default_rng(seed)
    inputs = drawn_plan(rng, draws(14, 8), 3, allocation=draws(40, 24), tiers=())
    bans = inputs.allowed & (rng.random(inputs.allowed.shape) < 0.7)
    kinds = [
        replace(inputs, allocation=float(rng.uniform(0.0, 40.0))),
        replace(inputs, pump_capacity=rng.uniform(0.0, 1.0, 2) * inputs.pump_capacity),
        replace(inputs, allowed=bans),
        replace(inputs, source_price=3.0 * inputs.source_price, allocation=30.0),
        replace(inputs, pump_capacity=0.5 * inputs.pump_capacity, allocation=np.inf),
    ]
    with pytest.MonkeyPatch.context() as patch:
        small_samples(patch)
        patch.setattr(apart, "TYING", (*apart.TYING, ("branch_limit",)))
        cases = Cases(inputs)
        found = [cases.solver(case).solve() for case in kinds]
        again = [cases.solver(case).solve() for case in kinds[::-1]][::-1]
    for case, result, other in zip(kinds, found, again, strict=True):
        assert result.objective == pytest.approx(at_once(case).objective, rel=1e-7, abs=1e-7)
        assert np.array_equal(result.run_time, other.run_time)


def test_a_case_begins_from_parts_only_where_its_limits_are_others_and_bind(in_parts, monkeypatch):
    inputs = two_sites(2, allocation=20.0, tiers=(), cuts=(), source_daily=np.inf, source_monthly=np.inf)
    cases, begun_so = Cases(inputs), []
    start = apart.start
    monkeypatch.setattr(apart, "start", lambda *given: begun_so.append(start(*given) is not None))
    wanted = {
        "nothing": inputs,
        "dearer": replace(inputs, source_price=2.0 * inputs.source_price),
        "half": replace(inputs, allocation=10.0),
        "plenty": replace(inputs, allocation=1e6),
    }
    seen = {}
    for name, case in wanted.items():
        begun_so.clear()
        solver = cases.solver(case)
        solver._begin_in_parts()
        seen[name] = list(begun_so)
    assert seen == {"nothing": [], "dearer": [], "half": [True], "plenty": [False]}


@pytest.mark.parametrize("seed", range(6))
def test_a_sample_has_a_part_that_could_use_each_limit_and_never_all_parts(in_parts, seed):
    inputs = two_sites(seed, tiers=())
    solver = laid_out(inputs)
    wide, parts = apart.parts_of(solver.whole, solver.spans)
    whole = tied.Tied(solver.whole, np.flatnonzero(wide), parts, wide)
    samples = whole._samples()
    for before, sample in zip([np.zeros(len(parts), dtype=bool), *samples], samples, strict=False):
        assert 0 < sample.sum() < len(parts)
        assert not (before & ~sample).any()
        if sample.sum() < len(parts) - 1:
            assert (whole.could[sample].any(axis=0) == whole.could.any(axis=0)).all()


@pytest.mark.sweep
def test_prices_of_a_sample_are_put_right_until_all_keep_the_limits_but_for_little(in_parts, monkeypatch):
    # the sample has a few of forty branches, whose first share goes by what they could use, not by what they need
    inputs = many_branches(40, pump_capacity=[1.0 * FLOW], allocation=np.inf)
    inputs.depletion[:200] *= 0.3
    monkeypatch.setattr(tied, "SAMPLE", 2_000)
    monkeypatch.setattr(tied, "LARGEST", 0.0)  # no larger sample
    monkeypatch.setattr(tied, "NEAR_ENOUGH", 0.0)
    solver = laid_out(inputs)
    missed = []
    look = tied.Tied._missed
    monkeypatch.setattr(tied.Tied, "_missed", lambda self, sample: missed.append(look(self, sample)) or missed[-1])
    solver.program.begin(begun(solver)[0])
    solver.relax()
    assert solver.program.objective() == pytest.approx(at_once(inputs).objective, rel=1e-9)
    assert len(missed) > 2
    assert min(m.mean for m in missed[1:]) < 0.5 * missed[0].mean
