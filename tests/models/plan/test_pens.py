"""The equations of a plan, written as a Pyomo model and laid out as numbers, are one and the same program."""

from dataclasses import replace

import numpy as np
import pytest

from models.plan.build import build_plan, lay_out
from models.plan.edits import limited
from models.plan.inputs import PlanInputs
from models.plan.pens import compiled
from models.plan.solve import PlanSolver
from models.plan.spread import Spread
from tests.drawn import some
from tests.models.plan.plans import drawn_needs, drawn_plan, plan
from tests.models.plan.test_weathers import with_members


def both(spread: Spread):
    """The matrices and places of both, and the models."""
    written = [write(spread.spread, spread.spread_prices, spread.copies) for write in (build_plan, lay_out)]
    return written, [compiled(m) for m in written]


def same(spread: Spread) -> None:
    """Hold both to the last bit, families and index included."""
    models, ((one, places), (other, found)) = both(spread)
    assert found == places
    for name in ("cost", "upper", "row_lower", "row_upper"):
        assert np.array_equal(getattr(one, name), getattr(other, name)), name
    assert one.matrix.shape == other.matrix.shape
    for name in ("indptr", "indices", "data"):
        assert np.array_equal(getattr(one.matrix, name), getattr(other.matrix, name)), name
    for family in (*places.column, *places.row):
        assert list(models[0].component(family)._data) == list(models[1].component(family)._data), family
    for name, index in limited(models[0]).items():
        assert np.array_equal(limited(models[1])[name], index), name


def drawn(seed: int) -> tuple[PlanInputs, np.random.Generator]:
    rng = np.random.default_rng(seed)
    return drawn_plan(rng, 6, 5, allocation=float(rng.choice([np.inf, 40.0]))), rng


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(12), 4))
def test_a_plan(seed):
    same(Spread.of(drawn(seed)[0], None))


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(12), 4))
def test_with_flushes_to_choose(seed):
    inputs, rng = drawn(seed)
    same(Spread.of(inputs, drawn_needs(rng, inputs, 3)))


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(8), 3))
def test_over_several_weathers_with_flushes_that_are_settled(seed):
    inputs, rng = drawn(seed)
    inputs = with_members(replace(inputs, tail=np.linspace(0.0, 1.0, 6)), rng)
    main = PlanSolver(replace(inputs, members=None), drawn_needs(rng, inputs, 3))
    main.solve()
    same(Spread.of(inputs, None, main.settled()))
    same(Spread.of(inputs, None))


def test_where_nothing_may_run():
    same(Spread.of(plan(allocation=5.0, allowed=False), None))


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(6), 2))
def test_a_plan_of_numbers_is_solved_edited_and_read_like_a_written_one(seed):
    inputs, rng = drawn(seed)
    needs = drawn_needs(rng, inputs, 2)
    less = replace(inputs, pump_capacity=0.8 * inputs.pump_capacity)
    found = []
    for symbols in (True, False):
        solver = PlanSolver(inputs, needs, symbols=symbols)
        first = solver.solve()
        assert solver.edit(less, needs)
        found.append((first, solver.solve()))
    for one, other in zip(*found, strict=True):
        assert one.objective == other.objective
        assert np.array_equal(one.run_time, other.run_time)
        assert one.limits == other.limits
        assert one.flushes == other.flushes


def test_a_family_that_is_not_there_is_none_and_not_a_mistake():
    m = lay_out(plan())
    assert m.component("chosen") is None
    with pytest.raises(AttributeError, match="chosen"):
        m.chosen  # noqa: B018
