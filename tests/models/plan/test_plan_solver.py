"""Edits of a loaded plan against new builds, and what the solver and the compiler refuse."""

from dataclasses import replace

import numpy as np
import pyomo.environ as pyo
import pytest
from pyomo.repn.plugins.standard_form import LinearStandardFormCompiler

from models.plan.build import build_plan
from models.plan.solve import SolverFailed
from models.plan.symbols import linear, matrices
from tests.models.plan.plans import drawn_plan, laid_out, plan, solved


@pytest.mark.parametrize("seed", range(10))
def test_matrices_are_those_of_pyomos_own_compiler(seed):
    model = build_plan(drawn_plan(np.random.default_rng(seed), 5, 4))
    ours = matrices(model)
    variables = list(model.component_objects(pyo.Var, descend_into=False))
    form = LinearStandardFormCompiler().write(model, mixed_form=True, column_order=variables)
    place = {id(v): i for i, v in enumerate(ours.variables)}
    columns = [place[id(v)] for v in form.columns]
    assert [id(row.constraint) for row in form.rows] == [id(c) for c in ours.constraints]
    assert (abs(ours.matrix[:, columns] - form.A) > 1e-12).sum() == 0
    assert ours.cost[columns] == pytest.approx(form.c.toarray().ravel())
    bound = np.array([b for _, b in form.rows])
    assert ours.row_upper[bound >= 0] == pytest.approx(np.asarray(form.rhs)[bound >= 0])
    assert ours.row_lower[bound <= 0] == pytest.approx(np.asarray(form.rhs)[bound <= 0])


def test_a_row_that_is_not_flat_is_refused():
    model = build_plan(plan())
    model.odd = pyo.Constraint(expr=model.run_time[0] * model.dry[0] <= 3)
    with pytest.raises(TypeError, match="a flat linear sum is needed, not"):
        matrices(model)


def test_a_row_that_went_on_in_pyomo_s_own_terms_is_refused():
    model = build_plan(plan())
    row = linear([1.0], [model.dry[0]])
    row._args_.append((2.0, model.soft[0]))  # no longer the lists it was made of
    model.odd = pyo.Constraint(expr=(None, row, 3.0))
    with pytest.raises(TypeError, match="a flat linear sum is needed"):
        matrices(model)


def test_a_row_of_another_model_is_refused():
    model, other = build_plan(plan()), build_plan(plan())
    model.odd = pyo.Constraint(expr=(None, linear([1.0], [other.dry[0]]), 3.0))
    with pytest.raises(ValueError, match="a variable that is not the model's"):
        matrices(model)


@pytest.mark.parametrize("seed", range(3))
def test_the_model_is_one_that_pyomos_own_interface_solves(seed):
    inputs = drawn_plan(np.random.default_rng(seed), 5, 4)
    solver = laid_out(inputs)
    solver.solve()
    model = build_plan(inputs)
    pyo.SolverFactory("appsi_highs").solve(model)
    assert pyo.value(model.cost) == pytest.approx(solver.program.objective(), rel=1e-7)


def test_a_row_can_go_on_as_an_ordinary_sum():
    model = build_plan(plan())
    a, b, c = model.dry[0], model.soft[0], model.in_band[0]
    row = linear([2.0, -1.0], [a, b])
    longer = row + 3.0 * c
    a.value, b.value, c.value = 5.0, 4.0, 10.0
    assert pyo.value(row) == 2.0 * 5.0 - 4.0
    assert pyo.value(longer) == 36.0
    assert str(row) == f"2.0*{a.name} - {b.name}"


@pytest.mark.parametrize("seed", range(6))
def test_a_changed_allocation_equals_a_new_build(seed):
    inputs = drawn_plan(np.random.default_rng(seed), 5, 4, allocation=30.0)
    solver = laid_out(inputs)
    for volume in (30.0, 5.0, 0.0, 200.0):
        assert solver.edit(replace(inputs, allocation=volume))
        edited = solver.solve()
        fresh, _ = solved(replace(inputs, allocation=volume))
        assert edited.objective == pytest.approx(fresh.objective, rel=1e-8)
        assert [x.limit for x in edited.limits if x.family == "allocation_limit"] == [volume]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(
    ("name", "field"), [("pump", "pump_capacity"), ("branch", "branch_capacity"), ("station", "stations_at_once")]
)
def test_a_scaled_capacity_equals_a_new_build(seed, name, field):
    inputs = drawn_plan(np.random.default_rng(seed), 5, 4)
    solver = laid_out(inputs)
    solver.solve()
    factors = np.linspace(0.2, 0.9, getattr(inputs, field).size)
    solver.scale_capacity(name, factors)
    fresh, _ = solved(replace(inputs, **{field: getattr(inputs, field) * factors}))
    edited = solver.solve()
    assert edited.objective == pytest.approx(fresh.objective, rel=1e-8)
    assert [x.limit for x in edited.limits] == pytest.approx([x.limit for x in fresh.limits])


def test_a_capacity_scaled_on_one_night_leaves_the_others():
    inputs = plan(1, 2, depletion=20.0, block_length=10.0, pump_of_zone=0, pump_capacity=[100 / 6])
    solver = laid_out(inputs)
    solver.scale_capacity("pump", np.array([0.3]), night=0)
    result = solver.solve()
    assert result.run_times(inputs)[0, :, 0, 0] == pytest.approx([3.0, 10.0], abs=1e-6)
    assert [x.limit for x in result.limits if x.family == "pump_limit"] == pytest.approx([50.0, 500 / 3])


def test_with_tonight_as_it_runs_the_other_nights_keep_their_capacity():
    # Two zones that would take more than all three nights' water share a pump for one of them: 10 min a night. Tonight
    # runs 4 and 8 min, 2 more than fit by the minute, as whole steps may; the other nights still have 10 each.
    inputs = plan(2, 3, depletion=20.0, block_length=10.0, pump_of_zone=0, pump_capacity=[100 / 6])
    solver = laid_out(inputs)
    solver.solve()
    later = solver.solve_later(np.array([4.0, 8.0]).reshape(2, 1, 1))
    by_night = later.run_times(inputs).sum(axis=(0, 2, 3))
    assert by_night == pytest.approx([12.0, 10.0, 10.0])
    assert [x.limit for x in later.limits if x.family == "pump_limit"][1:] == pytest.approx([1000 / 6, 1000 / 6])


@pytest.mark.parametrize("seed", range(6))
def test_shorter_runs_equal_a_new_build(seed):
    inputs = drawn_plan(np.random.default_rng(seed), 5, 3)
    longest = inputs.max_run * np.linspace(0.1, 1.5, 5)
    solver = laid_out(inputs)
    solver.solve()
    for night in range(3):
        solver.limit_runs(np.arange(5), longest, night)
    fresh, _ = solved(replace(inputs, max_run=np.minimum(longest, inputs.max_run)))
    assert solver.solve().objective == pytest.approx(fresh.objective, rel=1e-8)


def test_a_longer_run_than_the_inputs_allow_changes_nothing():
    inputs = plan(1, 1, 2, depletion=20.0, block_length=10.0, max_run=12.0)
    solver = laid_out(inputs)
    before = solver.solve()
    solver.limit_runs(np.array([0]), np.array([19.0]), 0)
    assert before.run_time.sum() == pytest.approx(12.0)
    assert solver.solve().run_time.sum() == pytest.approx(12.0)


def test_an_allocation_no_zone_may_use_can_be_changed():
    inputs = plan(allocation=5.0, allowed=False)
    solver = laid_out(inputs)
    assert solver.edit(replace(inputs, allocation=9.0))
    assert solver.solve().run_time.size == 0


def test_a_solver_that_stops_early_says_so():
    solver = laid_out(drawn_plan(np.random.default_rng(1), 8, 7))
    solver.program.highs.setOptionValue("simplex_iteration_limit", 1)
    solver.program.highs.setOptionValue("presolve", "off")
    with pytest.raises(SolverFailed, match="the solver stopped with status"):
        solver.solve()


def test_scaled_costs_give_the_same_plan_and_prices():
    # Water at 1e8 per m3 makes costs far above the largest that is left as it is; the pump's price is a dual.
    inputs = plan(2, 3, depletion=[15.0, 25.0], source_price=[1e8], pump_of_zone=0, pump_capacity=[0.4])
    as_written, scaled = laid_out(inputs), laid_out(inputs)
    scaled.program.scale_costs()
    assert scaled.program.cost_scale < 0.1
    one, other = as_written.solve(), scaled.solve()
    assert other.objective == pytest.approx(one.objective, rel=1e-9)
    assert other.run_time == pytest.approx(one.run_time, abs=1e-6)
    assert other.water_value == pytest.approx(one.water_value, rel=1e-9)
    assert max(x.price for x in one.limits) > 0
    assert [x.price for x in other.limits] == pytest.approx([x.price for x in one.limits], rel=1e-9)


def test_the_solver_prints_nothing(capfd):
    laid_out(plan()).solve()
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("seed", range(4))
def test_a_plan_that_is_dearer_than_one_at_hand_need_not_be_ended(seed):
    inputs = drawn_plan(np.random.default_rng(seed), 6, 5, allocation=200.0)
    dearer = replace(inputs, allowed=inputs.allowed & (np.arange(5) % 2 == 0)[None, :, None])
    cheap, dear = (solved(one)[0].objective for one in (inputs, dearer))
    assert dear > cheap * 1.001
    solver = laid_out(inputs)
    assert solver.cost_below(np.inf) == pytest.approx(cheap, rel=1e-8)
    assert solver.edit(dearer)
    assert solver.cost_below(cheap) == np.inf
    assert solver.cost_below(1.01 * dear) == pytest.approx(dear, rel=1e-8)
    assert solver.edit(inputs)
    assert solver.solve().objective == pytest.approx(cheap, rel=1e-8)
