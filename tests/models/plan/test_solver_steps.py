"""What a loaded plan holds after each thing that can be done to it, read off the solver's own bounds and limits."""

from dataclasses import replace

import numpy as np
import pytest
from pyomo.core import ConcreteModel

from models.plan import solve
from models.plan.cases import Cases
from models.plan.ended import Ended, much_left_over
from models.plan.flush_needs import FlushNeeds
from models.plan.highs import Program
from models.plan.inputs import Tier
from models.plan.pens import Layout, compiled, keys
from models.plan.rows import Spans
from models.plan.solve import LOOSE, NO_LIMIT
from tests.models.plan.plans import FLOW, laid_out, plan
from tests.models.plan.test_weathers import with_members

TWO_BLOCKS = {"block_length": 100.0, "etc": 30.0, "depletion": 35.0}


def bounds_of(solver):
    """Upper bound of each run column, by (zone, night, block)."""
    runs, start = solver.built.runs, solver.spans.column["run_time"].start
    keys = zip(runs.zone.tolist(), runs.night.tolist(), runs.block.tolist(), strict=True)
    return {key: float(solver.program.upper[start + x]) for x, key in enumerate(keys)}


def limits_of(solver, name):
    return solver.program.row_upper[solver.spans.row[name]].tolist()


# --------------------------------------------------------------------------------------------------- capacities, runs


def test_zones_of_a_pump_are_held_to_what_can_run_at_once():
    # Two zones of 4 and 3 mm missing beyond their limit, on a pump for both; a minute of the second counts twice, in 5.
    inputs = plan(2, 2, blocks=2, depletion=[19.0, 18.0], block_length=[[60.0, 40.0]] * 2, pump_of_zone=0,
                  pump_capacity=[2 * FLOW])  # fmt: skip
    solver = laid_out(inputs)
    free = solver.solve()
    assert free.tonight(inputs) @ [1.0, 2.0] > 5.0 and all(limit.price == 0.0 for limit in free.limits)
    solver.hold_together(0, np.array([1.0, 2.0]), 5.0)
    result = solver.solve()
    assert result.tonight(inputs) @ [1.0, 2.0] == pytest.approx(5.0)
    # What a pump larger by a part of it would save: as much of the 5 min, over its 100 min of 2 zones' flow.
    dual = -solver.program.sides()[1][-1]
    prices = {limit.index: limit.price for limit in result.limits if limit.family == "pump_limit"}
    assert dual > 0.0 and prices[0, 0, 0] == prices[0, 0, 1] == pytest.approx(dual * 5.0 / (100.0 * 2 * FLOW))
    assert prices[0, 1, 0] == prices[0, 1, 1] == 0.0
    # A second row of the pump adds to it; of the night as it runs neither is left.
    solver.hold_together(0, np.array([1.0, 0.0]), 1.0)
    result = solver.solve()
    assert result.tonight(inputs)[0] == pytest.approx(1.0)
    one, other = -solver.program.sides()[1][-2:]
    prices = {limit.index: limit.price for limit in result.limits if limit.family == "pump_limit"}
    assert one > 0.0 < other and prices[0, 0, 0] == pytest.approx((one * 5.0 + other * 1.0) / (100.0 * 2 * FLOW))
    assert solver.solve_later(np.array([[[8.0], [0.0]], [[9.0], [0.0]]])) is not None
    # Edited to the same plan again, it is free.
    assert solver.edit(inputs) and solver.solve().objective == pytest.approx(free.objective)
    assert not solver.together and solver.program.row_upper.size == solver.limits[0].size


def test_a_row_of_what_runs_at_once_holds_tonight_in_all_weathers_and_no_zone_twice():
    usual = plan(2, 2, depletion=[19.0, 18.0], pump_of_zone=0, pump_capacity=[2 * FLOW])
    inputs = with_members(usual, np.random.default_rng(1))
    solver = laid_out(inputs)
    runs, copies = solver.built.runs, solver.copies
    assert (copies.weather[runs.zone[runs.night == 0]] <= 0).all() and (copies.weather > 0).any()  # tonight is shared
    solver.solve()
    solver.hold_together(0, np.array([1.0, 2.0]), 5.0)
    result = solver.solve()
    assert result.tonight(inputs) @ [1.0, 2.0] == pytest.approx(5.0)


def test_a_scaled_capacity_by_pump_and_night():
    # pumps of 1 and 2 zones' flow; windows of 10 and 20 min; on night 1 the second is out by half
    inputs = plan(
        4, 2, block_length=[[10.0], [20.0]], pump_of_zone=[0, 1, 1, 0], pump_capacity=[FLOW, 2 * FLOW],
        pump_share=np.array([[1.0, 1.0], [1.0, 0.5]]),
    )  # fmt: skip
    solver = laid_out(inputs)
    as_built = [10 * FLOW, 20 * FLOW, 20 * FLOW, 20 * FLOW]  # pump by pump, night by night
    assert limits_of(solver, "pump_limit") == pytest.approx(as_built)
    solver.scale_capacity("pump", np.array([0.5, 0.1]), night=1)
    assert limits_of(solver, "pump_limit") == pytest.approx([10 * FLOW, 10 * FLOW, 20 * FLOW, 2 * FLOW])
    solver.scale_capacity("pump", np.array([0.5, 0.1]))
    assert limits_of(solver, "pump_limit") == pytest.approx([5 * FLOW, 10 * FLOW, 2 * FLOW, 2 * FLOW])
    solver.scale_capacity("branch", np.zeros(0))  # there is none
    over = laid_out(with_members(replace(inputs, branch_of_zone=np.zeros(4, int), branch_capacity=np.array([FLOW])),
                                 np.random.default_rng(0)))  # fmt: skip
    before = limits_of(over, "branch_limit_weathers")
    over.scale_capacity("branch", np.array([0.5]), night=1)
    assert limits_of(over, "branch_limit") == pytest.approx([10 * FLOW, 10 * FLOW])
    assert limits_of(over, "branch_limit_weathers") == pytest.approx([0.5 * limit for limit in before])  # later nights


def test_a_longest_run_of_one_night():
    # two blocks of 100 min; zone 0 may run 600 min and zone 1 30, which a row says
    solver = laid_out(plan(2, 2, 2, **TWO_BLOCKS, max_run=[600.0, 30.0]))
    assert limits_of(solver, "zone_limit") == [30.0, 30.0] and solver.index["zone_limit"].tolist() == [2, 3]
    solver.limit_runs(np.array([0, 1]), np.array([20.0, 50.0]), 1)
    found = bounds_of(solver)
    assert [found[0, 1, b] for b in (0, 1)] == [20.0, 20.0] and found[0, 0, 0] == 100.0
    assert [found[1, n, b] for n in (0, 1) for b in (0, 1)] == [30.0] * 4  # no longer than the inputs allow
    assert limits_of(solver, "zone_limit") == [30.0, 30.0]
    ((row),) = solver.held.values()  # the sum of zone 0 that night
    assert list(solver.held) == [1] and solver.program.row_upper[row] == 20.0
    start = solver.spans.row["zone_limit"].start
    assert solver.shortened == {1: {start + 1, row}}
    solver.limit_runs(np.array([0, 1]), np.array([12.0, 25.0]), 1)
    assert solver.held == {1: row} and solver.program.row_upper[row] == 12.0  # the same row again
    assert limits_of(solver, "zone_limit") == [30.0, 25.0]
    solver.limit_runs(np.array([1]), np.array([7.0]), 0)
    assert limits_of(solver, "zone_limit") == [7.0, 25.0] and solver.shortened[0] == {start}
    assert bounds_of(solver)[1, 0, 1] == 7.0
    # all of it is undone by an edit
    assert solver.edit(replace(solver.inputs, source_price=np.array([0.3])))
    assert limits_of(solver, "zone_limit") == [30.0, 30.0] and bounds_of(solver)[0, 1, 0] == 100.0
    assert solver.held == {} == solver.shortened and solver.program.row_upper.size == row


def test_a_longest_run_stays_within_hours_that_are_open():
    allowed = np.ones((1, 1, 2), bool)
    shut = np.array([[[True, False]]])
    solver = laid_out(plan(1, 1, 2, **TWO_BLOCKS, max_run=600.0, allowed=allowed))
    assert solver.edit(replace(solver.inputs, allowed=shut))
    assert bounds_of(solver) == {(0, 0, 0): 100.0, (0, 0, 1): 0.0}
    solver.limit_runs(np.array([0]), np.array([500.0]), 0)
    assert bounds_of(solver) == {(0, 0, 0): 100.0, (0, 0, 1): 0.0} and limits_of(solver, "zone_limit") == []
    assert [solver.program.row_upper[row] for row in solver.held.values()] == [100.0]


def test_a_night_fixed_as_it_will_run_binds_nothing_and_leaves_the_others():
    inputs = plan(2, 2, 2, **TWO_BLOCKS, max_run=[600.0, 30.0], pump_of_zone=0, pump_capacity=[0.4 * FLOW])
    solver = laid_out(inputs)
    solver.limit_runs(np.array([0]), np.array([20.0]), 0)
    solver.limit_runs(np.array([0]), np.array([15.0]), 1)
    held = dict(solver.held)
    solver.solve()
    minutes = np.zeros((2, 2, 1))
    minutes[0, :, 0], minutes[1, 1, 0] = [18.0, 16.0], 30.0  # more than the pump and the row allow
    later = solver.solve_later(minutes)
    assert later.run_times(inputs)[:, 0, :, 0].tolist() == [[18.0, 16.0], [0.0, 30.0]]
    assert solver.program.row_upper[held[0]] == NO_LIMIT and solver.program.row_upper[held[1]] == 15.0
    assert set(solver.shortened) == {1}
    assert limits_of(solver, "pump_limit")[:2] == pytest.approx([LOOSE * 40 * FLOW] * 2)
    assert limits_of(solver, "pump_limit")[2:] == pytest.approx([40 * FLOW] * 2)
    assert later.run_times(inputs)[0, 1].sum() <= 15.0 + 1e-6
    runs, start = inputs.runs, solver.spans.column["run_time"].start
    tonight = start + np.flatnonzero(runs.night == 0)
    assert (solver.program.lower[tonight] == solver.program.upper[tonight]).all()


# ------------------------------------------------------------------------------------------------------- shared limits


def test_which_rows_and_zones_each_shared_limit_has():
    inputs = plan(
        4, 2, pump_of_zone=[0, 0, 1, -1], pump_capacity=[FLOW, FLOW], branch_of_zone=[0, 1, 1, 1],
        branch_capacity=[FLOW, FLOW], controller_of_zone=[0, 0, 0, 1], stations_at_once=[1.0, np.inf],
        allocation=50.0, source_daily=30.0, tiers=(Tier(20.0, 1.0),),
    )  # fmt: skip
    solver = laid_out(inputs)
    rows = {name: np.arange(s.start, s.stop).tolist() for name, s in solver.spans.row.items()}
    found = [(r.tolist(), z.tolist()) for r, z in solver._shared_limits()]
    assert found[:5] == [
        (rows["pump_limit"][:2], [0, 1]), (rows["pump_limit"][2:], [2]),
        (rows["branch_limit"][:2], [0]), (rows["branch_limit"][2:], [1, 2, 3]),
        (rows["station_limit"], [0, 1, 2]),
    ]  # fmt: skip
    wide = rows["source_night"] + rows["allocation_limit"] + rows["allocation_tier"]
    assert len(found) == 6 and sorted(found[5][0]) == sorted(wide) and found[5][1] == [0, 1, 2, 3]
    bare = [(r.tolist(), z.tolist()) for r, z in laid_out(plan(2))._shared_limits()]
    assert bare == [([], [0, 1])]


# ----------------------------------------------------------------------------------------------------- where it begins


def test_a_plan_begins_from_its_parts_once_and_again_where_its_limits_are_others(monkeypatch):
    monkeypatch.setattr(solve, "IN_PARTS", 0)
    begun = []
    monkeypatch.setattr(solve.apart, "start", lambda whole, spans, *near: begun.append((whole, *near)))
    inputs = plan(2, 2, allocation=10.0, depletion=20.0)
    solver = laid_out(inputs)
    solver.solve()
    solver.solve()
    assert len(begun) == 1 and begun[0][1] is None
    end = solver.ended()
    assert end.values.tolist() == solver.program.values().tolist() and end.model is solver.model
    solver.begin_from(end)
    solver.solve()
    assert len(begun) == 1  # nothing is other
    assert solver.edit(replace(inputs, allocation=5.0)) and not solver.in_parts
    solver.begin_from(end)
    solver.solve()
    assert len(begun) == 2 and begun[1][1] is end.values and begun[1][2] is end.basis
    assert begun[1][3] is begun[0][3]  # it is taken apart once
    whole = begun[1][0]
    assert whole.row_upper[solver.spans.row["allocation_limit"]].tolist() == [5.0]
    assert whole.cost.tolist() == solver.program.cost.tolist()
    other = laid_out(replace(inputs, etc=inputs.etc + 1.0))
    other.solve()
    other.begin_from(end)  # of another model, whose columns are none of its own
    assert other.in_parts and other.near is None and other.begun.rows.size == other.program.row_upper.size
    other.begin_from(end, neighbour=True)
    assert not other.in_parts
    several = laid_out(with_members(inputs, np.random.default_rng(0)))
    several.begin_from(end)
    assert not several.in_parts
    monkeypatch.setattr(solve, "IN_PARTS", 10**9)
    small = laid_out(inputs)
    small.solve()
    assert small.whole is None and not small.in_parts and len(begun) == 3


def test_costs_below_a_plan_at_hand():
    inputs = plan(1, 1, depletion=20.0, etc=5.0, allocation=3.0)
    solver = laid_out(inputs)
    cost = solver.solve().objective
    assert solver.cost_below(2 * cost) == pytest.approx(cost)
    assert solver.cost_below(0.5 * cost) == np.inf


# ---------------------------------------------------------------------------------------------------------- its flushes


def flushing(**changes):
    """Two zones; the second needs 30 mm passed tonight or tomorrow, or loses 5 mm of ET a night."""
    inputs = plan(2, 2, **changes)
    return inputs, FlushNeeds(
        np.array([1]), np.full((1, 1), 30.0), np.ones((1, 2), bool), np.array([[5.0, 5.0]]), np.array([20.0])
    )


def test_what_a_way_holds_is_scaled_by_its_weight():
    # of every way that may be chosen: in_band <= dry limit x weight, and so on
    inputs, needs = flushing(effective_rain=[[0.0, 9.0], [0.0, 9.0]], dry_limit=20.0, wet_limit=2.0, max_run=90.0)
    solver = laid_out(inputs, needs)
    matrices, spans = compiled(solver.model)
    rows, ways = matrices.matrix.toarray(), np.flatnonzero(solver.copies.open)
    weight = spans.column["chosen"].start

    def held(name):
        return [
            ({int(c): row[c] for c in np.flatnonzero(row)}, float(most))
            for row, most in zip(rows[spans.row[name]], matrices.row_upper[spans.row[name]], strict=True)
        ]

    def expected(variable, limit, nights=(0, 1), only=None):
        index, start = keys(solver.model.component(variable)).tolist(), spans.column[variable].start
        return [
            ({start + index.index(2 * v + n): 1.0, weight + w: -limit}, 0.0)
            for w, v in enumerate(ways.tolist())
            for n in nights
            if only is None or only[v, n]
        ]

    assert held("within_band") == expected("in_band", 20.0)
    assert held("within_wet") == expected("soft", 2.0)
    assert held("within_rain") == expected("drainage", 4.0, nights=(1,))  # 9 mm of rain less 5 of ET
    runs = solver.built.runs
    first = spans.column["run_time"].start
    assert held("within_night") == [
        ({first + int(x): 1.0, weight + w: -90.0}, 0.0)
        for w, v in enumerate(ways.tolist())
        for n in (0, 1)
        if solver.copies.flush[v, n]
        for x in np.flatnonzero((runs.zone == v) & (runs.night == n))
    ]


def test_flushes_as_chosen_stand_in_a_plan_of_several_weathers():
    inputs, needs = flushing()
    solver = laid_out(inputs, needs)
    result = solver.solve()
    ((zone, nights),) = [(f.zone, f.nights) for f in result.flushes]
    settled = solver.settled()
    assert settled.zone.tolist() == [0, 1] and not settled.open.any()
    assert np.flatnonzero(settled.flush[1]).tolist() == list(nights) and zone == 1
    assert laid_out(inputs).settled() is None
    over = laid_out(with_members(inputs, np.random.default_rng(0)), settled=settled)
    assert [(f.zone, f.nights) for f in over.solve().flushes] == [(zone, nights)]


def test_a_flush_that_runs_tonight_is_fixed_with_the_rest():
    inputs, needs = flushing()
    solver = laid_out(inputs, needs)
    result = solver.solve()
    assert result.flushes[0].nights == (0,)  # harm begins tonight
    minutes = result.run_times(inputs)[:, 0]
    later = solver.solve_later(minutes)
    np.testing.assert_allclose(later.run_times(inputs)[:, 0], minutes, atol=1e-6)
    assert later.flushes[0].nights == (0,)
    assert later.objective == pytest.approx(result.objective, rel=1e-6)
    # where the night does not give it what it needs the flush cannot be finished
    assert solver.solve_later(0.5 * minutes) is None


def test_a_longest_run_holds_each_way_of_a_zone():
    inputs, needs = flushing(block_length=100.0)
    solver = laid_out(inputs, needs)
    solver.limit_runs(np.array([1]), np.array([20.0]), 0)
    runs, copies = solver.built.runs, solver.copies
    start = solver.spans.column["run_time"].start
    for x in range(runs.zone.size):
        zone = copies.zone[runs.zone[x]]
        assert solver.program.upper[start + x] == (20.0 if zone == 1 and runs.night[x] == 0 else 100.0)
    assert solver.solve().flushes[0].nights == (1,)  # 40 min are needed


def test_another_longest_run_of_a_flush_is_a_new_plan():
    inputs, needs = flushing(max_run=90.0)
    solver = laid_out(inputs, needs)
    assert solver.edit(replace(inputs, source_price=np.array([0.3])), needs)
    assert not solver.edit(replace(inputs, max_run=np.full(2, 80.0)), needs)
    assert not solver.edit(inputs)  # without its flushes
    plain = laid_out(inputs)
    assert plain.edit(replace(inputs, max_run=np.full(2, 80.0)))
    over = with_members(inputs, np.random.default_rng(0))
    several = laid_out(over)  # root zones of several weathers, none with a flush
    assert several.edit(replace(over, max_run=np.full(2, 80.0)))


def test_a_plan_is_written_in_pyomo_or_as_numbers():
    inputs = plan()
    assert isinstance(solve.PlanSolver(inputs, symbols=True).model, ConcreteModel)
    assert isinstance(solve.PlanSolver(inputs).model, Layout)


# ---------------------------------------------------------------------------------------------------------------- cases


def test_cases_begin_where_the_standing_plan_ended_and_points_where_the_one_before_did(monkeypatch):
    inputs = plan(2, 2, allocation=10.0, depletion=20.0)
    cases, begun = Cases(inputs), []
    begin = solve.PlanSolver.begin_from
    monkeypatch.setattr(
        solve.PlanSolver,
        "begin_from",
        lambda self, end, **how: begun.append((self is first, end)) or begin(self, end, **how),
    )
    near, expect = [], Program.expect_near
    monkeypatch.setattr(Program, "expect_near", lambda self, asked: near.append(asked) or expect(self, asked))
    first, end = cases._solver, cases._end
    assert cases.solver(replace(inputs, allocation=5.0)) is first and begun == [(True, end)]
    begun.clear()
    new = cases.solver(replace(inputs, etc=inputs.etc + 1.0))  # no number of the plan as it is loaded
    assert new is not first and begun == [(False, end)]
    begun.clear()
    points = [(replace(inputs, allocation=a), None) for a in (9.0, 8.0)]
    points.append((replace(inputs, etc=inputs.etc + 1.0), None))
    results = list(cases.sweep(points))
    assert near == [False, False, True, True, False]  # two cases; of a curve as long as the loaded plan is edited
    assert [own for own, _ in begun] == [True, False] and begun[0][1] is end and begun[1][1].model is first.model
    for (wanted, _), result in zip(points, results, strict=True):
        assert result.objective == pytest.approx(laid_out(wanted).solve().objective, rel=1e-8)


def test_a_long_curve_is_cut_in_two_and_its_second_piece_begins_from_nothing(monkeypatch):
    inputs = plan(2, 2, allocation=10.0, depletion=20.0)
    cases, beside = Cases(inputs), []
    along = cases._along
    monkeypatch.setattr(
        cases, "_along", lambda points, before: beside.append((len(points), before)) or along(points, before)
    )
    points = [(replace(inputs, allocation=a), None) for a in np.linspace(10.0, 1.0, 11)]
    found = [result.objective for result in cases.sweep(points)]
    assert found == pytest.approx([laid_out(wanted).solve().objective for wanted, _ in points], rel=1e-8)
    assert sorted(beside, key=lambda one: one[1] is None) == [
        (7, cases._solver),
        (4, None),
    ]  # three steps its beginning
    beside.clear()
    assert [result.objective for result in cases.sweep(points[:7])] == pytest.approx(found[:7], rel=1e-8)
    assert sorted(count for count, _ in beside) == [0, 7]  # a short one is not
    half = cases.sweep(points)
    next(half)
    half.close()  # what was begun beside it is given up
    assert next(cases.sweep(points)).objective == pytest.approx(found[0], rel=1e-8)


def test_flushes_of_a_case_of_several_weathers_are_chosen_for_the_expected_one(monkeypatch):
    inputs, needs = flushing()
    inputs = with_members(inputs, np.random.default_rng(0))
    cases = Cases(inputs, needs)
    alone = laid_out(replace(inputs, members=None), needs)
    assert [f.nights for f in cases.standing.flushes] == [f.nights for f in alone.solve().flushes]
    dearer = replace(inputs, source_price=np.array([0.3]))
    found = cases.solver(dearer, needs)
    again = laid_out(dearer, settled=alone.settled()).solve()
    assert found.solve().objective == pytest.approx(again.objective, rel=1e-8)
    none = cases.solver(dearer, None).solve()
    assert none.flushes == ()
    # where the choice as it stands does not take the case on, or where there is none, it is chosen anew
    later = replace(needs, allowed=np.array([[False, True]]))
    wetter = replace(inputs, etc=inputs.etc * 0.5)
    plain = Cases(replace(inputs, members=None))
    for standing in (cases, plain):
        for case, asked, nights in ((wetter, needs, (0,)), (inputs, later, (1,))):
            found = standing.solver(case, asked)
            alone = laid_out(replace(case, members=None), asked)
            alone.solve()
            expected = laid_out(case, settled=alone.settled()).solve()
            result = found.solve()
            assert [f.nights for f in result.flushes] == [f.nights for f in expected.flushes] == [nights]
            assert result.objective == pytest.approx(expected.objective, rel=1e-7)


# ------------------------------------------------------------------------------------- on from a plan, or from nothing


@pytest.mark.parametrize(
    ("upper", "pump", "much"),
    [
        ([60.0, 40.0, 9.0], 100.0, False),  # all of 100 minutes and of 100 L/s min still fits
        ([60.0, 35.0, 9.0], 100.0, False),  # 5 of 100 minutes do not
        ([60.0, 34.0, 9.0], 100.0, True),
        ([54.0, 90.0, 9.0], 100.0, True),  # what more another might run makes up for none of it
        ([60.0, 40.0, 0.0], 100.0, False),  # a column that is no run
        ([60.0, 40.0, 9.0], 80.0, False),  # 20 of 100
        ([60.0, 40.0, 9.0], 79.0, True),
    ],
)
def test_a_plan_goes_on_from_another_unless_much_of_what_ran_no_longer_fits(upper, pump, much):
    columns = {"run_time": slice(0, 2), "dry": slice(2, 3)}
    spans = Spans(columns, {"allocation_limit": slice(0, 1), "pump_limit": slice(1, 2)})
    end = Ended(None, spans, None, np.array([60.0, 40.0, 9.0]), np.array([500.0, 100.0]), None)
    assert much_left_over(end, np.array(upper), np.array([1.0, pump])) is much  # the allocation's row is not asked


@pytest.mark.parametrize(
    ("columns", "neighbour", "other", "anew"),
    [(0, False, False, True), (10**9, False, False, False), (0, True, False, False), (0, False, True, False)],
)
def test_only_a_plan_of_some_size_that_is_no_neighbour_begins_from_nothing(
    monkeypatch, columns, neighbour, other, anew
):
    monkeypatch.setattr(solve, "LARGE", columns)
    monkeypatch.setattr(solve, "much_left_over", lambda *given: True)
    inputs = plan(2, 2, allocation=10.0, depletion=20.0)
    solver = laid_out(inputs)
    solver.solve()
    end = laid_out(replace(inputs, etc=inputs.etc + 1.0)) if other else solver
    end.solve()
    told = []
    monkeypatch.setattr(solve.Program, "forget", lambda program: told.append("forget"))
    monkeypatch.setattr(solve.Program, "begin", lambda *given, **more: told.append("begin"))
    solver.begin_from(end.ended(), neighbour)
    assert told == (["forget"] if anew else ["begin"])
