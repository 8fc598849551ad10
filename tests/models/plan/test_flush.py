"""Smallest plans with flushes, the optimum of each worked out by hand.

One zone of `plans.plan`: a minute is a millimetre and a cubic metre; water costs 0.2; ET is 5 mm a date; dry above 20,
soft below 2, the last night should not leave more than (2 + 20) / 2 = 11 mm missing, at 0.3 a millimetre. A millimetre
of ET lost to salt costs as much as the dryness that would lose it, (TAW - RAW) / ETc = 4 mm at 1.0 each. Every night a
flush fills is soft by 2 mm at 1 / (2 N) each.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import highspy
import numpy as np
import pytest
from scipy.optimize import linprog

from models.plan import flush_choice as solving
from models.plan.choose import Node, Ways, branch, dive
from models.plan.flush_needs import FlushNeeds, Upkeep
from models.plan.flush_ways import FEWEST_WAYS, MOST_COPIES, flush_copies
from models.plan.inputs import PlanInputs
from models.plan.prices import plan_prices
from models.plan.results import PlanResult
from models.plan.solve import PlanSolver
from tests.drawn import draws
from tests.models.plan.plans import FLOW, drawn_needs, drawn_plan, laid_out, net_depth, plan, solved

HUGE = 1e6  # mm of ET: more than any season has


@pytest.fixture(autouse=True)
def exact(monkeypatch):
    """No gap is left alone."""
    monkeypatch.setattr(solving, "WIDEST_GAP", 0.0)


def need(inputs: PlanInputs, depth: Any = 30.0, harm: Any = 1.0, after: float = 0.0, **given: Any) -> FlushNeeds:
    """A need of the last zone; one number stands for all nights or supplies."""
    n, k = inputs.nights, inputs.supply_share.shape[0]
    return FlushNeeds(
        zone=np.array([inputs.zones - 1]),
        depth=np.array(np.broadcast_to(np.asarray(depth, dtype=float), (1, k))),
        allowed=np.array(np.broadcast_to(given.pop("allowed", True), (1, n))),
        harm=np.array(np.broadcast_to(np.asarray(harm, dtype=float), (1, n))),
        harm_after=np.array([after]),
        **given,
    )


def planned(inputs: PlanInputs, needs: FlushNeeds) -> PlanResult:
    """Optimum with flushes, whose gap is closed."""
    result = laid_out(inputs, needs).solve()
    assert 0.0 <= result.gap <= 1e-6
    return result


# ------------------------------------------------------------------------------------------- one zone


def test_a_flush_fills_and_passes_its_depth_in_one_night():
    # Tonight: 10 to fill and 30 to pass, 40 min at 0.2 and 1.2 % (its own night is the last): 8.096, soft 0.5; D ends
    # 5 and 10. Tomorrow: 15 + 30 = 45 min at 0.2, 9.5 with softness, and 4 for the millimetre lost tonight. None: 8
    # lost to salt and 9 mm at 0.2.
    inputs = plan(1, 2)
    result = planned(inputs, need(inputs))
    (flush,) = result.flushes
    assert (flush.zone, flush.nights, flush.supply, flush.depth) == (0, (0,), 0, 30.0)
    assert flush.drained == pytest.approx((30.0,))
    assert net_depth(inputs, result)[0] == pytest.approx([40.0, 0.0])
    assert result.depletion[0] == pytest.approx([5.0, 10.0])
    assert result.drainage[0] == pytest.approx([30.0, 0.0])
    assert result.objective == pytest.approx(8.596)
    assert result.soft[0] == pytest.approx([2.0, 0.0])


def test_two_nights_where_the_longest_run_of_one_does_not_suffice():
    # 25 min a night: 40 do not go into one. Over two: the second night 25 min, of which 5 refill the date's ET and 20
    # pass; tonight 10 to fill and the 10 still missing. 0.2 (20 * 1.012 + 25) = 9.048, 4 lost until then, soft twice;
    # without a flush 16 lost and 9 mm at 0.2.
    inputs = plan(1, 2, max_run=25.0)
    result = planned(inputs, need(inputs, harm=[[1.0, 3.0]]))
    (flush,) = result.flushes
    assert flush.nights == (0, 1)
    assert flush.drained == pytest.approx((10.0, 20.0))
    assert net_depth(inputs, result)[0] == pytest.approx([20.0, 25.0])
    assert result.depletion[0] == pytest.approx([5.0, 5.0])
    assert result.objective == pytest.approx(14.048)


def test_no_flush_where_nothing_is_lost_by_waiting():
    inputs = plan(1, 3)
    result = planned(inputs, need(inputs, harm=0.0))
    plain, _ = solved(inputs)
    assert result.flushes == ()
    assert result.objective == pytest.approx(plain.objective)
    assert net_depth(inputs, result) == pytest.approx(net_depth(inputs, plain))


@pytest.mark.parametrize("harm", [1.0, HUGE])
def test_never_in_a_protected_night(harm):
    inputs = plan(1, 3)
    shut = planned(inputs, need(inputs, harm=harm, after=harm, allowed=False))
    assert shut.flushes == ()
    assert shut.drainage.max() == 0.0
    middle = planned(inputs, need(inputs, harm=harm, after=HUGE, allowed=[[False, True, False]]))
    assert [flush.nights for flush in middle.flushes] == [(1,)]
    # two nights in a row are needed, and none of the open ones are: 40 min do not go into 25
    split = plan(1, 3, max_run=25.0)
    assert planned(split, need(split, harm=harm, after=HUGE, allowed=[[True, False, True]])).flushes == ()


def test_no_flush_where_orders_forbid_watering():
    allowed = np.array([False, True]).reshape(1, 2, 1)
    inputs = plan(1, 2, allowed=allowed)
    assert [f.nights for f in planned(inputs, need(inputs, after=HUGE)).flushes] == [(1,)]


@pytest.mark.parametrize("held", [0.0, 1.5, 4.0])
def test_water_held_above_field_capacity_is_not_paid_twice(held):
    # One night, on which water costs 0.2: 10 fill, 30 and what is held pass, and the date's ET takes what is held. It
    # is run tonight (0.2 a millimetre), and is worth the 0.2 it would have cost to put back: the plan costs 8.5 (with
    # softness) whatever is held, so that a flush is not put off for water that is not lost.
    inputs = plan(1, 1)
    result = planned(inputs, need(inputs, harm=HUGE, held=np.array([[held]])))
    assert result.flushes[0].drained == pytest.approx((30.0 + held,))
    assert net_depth(inputs, result)[0] == pytest.approx([40.0 + held])
    assert result.objective == pytest.approx(0.2 * 40.0 + 2.0 / (2 * 1))


@pytest.mark.parametrize(("price", "chosen", "minutes"), [(0.3, 1, 30.0), (0.6, 0, 50.0)])
def test_the_supply_that_flushes_at_less_cost(price, chosen, minutes):
    # 10 to fill, and 40 to pass with the first water at 0.2 (10 in all) or 20 with the better at 0.3 (9) or 0.6 (18).
    inputs = plan(1, 1, supply_share=np.eye(2), source_price=[0.2, price])
    result = planned(inputs, need(inputs, depth=[[40.0, 20.0]], after=HUGE))
    assert [f.supply for f in result.flushes] == [chosen]
    assert result.run_times(inputs)[0, 0, 0, chosen] == pytest.approx(minutes)
    assert result.run_times(inputs).sum() == pytest.approx(minutes)


def test_a_supply_that_cannot_do_it_is_not_asked():
    inputs = plan(1, 1, supply_share=np.eye(2), source_price=[0.2, 9.0])
    result = planned(inputs, need(inputs, depth=[[np.nan, 20.0]], after=HUGE))
    assert [f.supply for f in result.flushes] == [1]


def test_an_unfinished_flush_is_not_begun():
    # 39 of 40 min fit: what is left would be 1 mm, and yet nothing may pass field capacity.
    inputs = plan(1, 1, max_run=39.0)
    result = planned(inputs, need(inputs, harm=HUGE, after=HUGE))
    assert result.flushes == ()
    assert net_depth(inputs, result).max() <= 10.0 + 1e-9
    assert result.drainage.max() == 0.0
    assert [f.drained for f in planned(plan(1, 1, max_run=40.0), need(inputs, harm=HUGE)).flushes] == [
        pytest.approx((30.0,))
    ]


def test_nothing_drains_from_a_dry_profile():
    # Free water, and a night just long enough for the depth but not for filling first: 30 min pass nothing at D = 10.
    inputs = plan(1, 1, block_length=30.0, source_price=[0.0])
    result = planned(inputs, need(inputs, harm=HUGE, after=HUGE))
    assert result.flushes == ()
    assert result.drainage.max() == 0.0


def test_a_flush_waits_for_its_time_unless_that_costs_more():
    # Nothing is lost before the third date. 30 mm at 0.2 last 5 days: each night a flush is early wastes 1.2 of them.
    # Each night of waiting takes the 5 mm of a date's ET more to fill first, 1.0.
    inputs = plan(1, 3)
    needs = need(inputs, harm=[[0.0, 0.0, 1.0]], after=10.0)
    waits = replace(needs, lasts=np.array([5.0]))
    plain, late = (flush_copies(inputs, given, plan_prices(inputs)) for given in (needs, waits))
    last = np.array([np.flatnonzero(row)[-1] if row.any() else 2 for row in plain.flush])
    assert late.harm - plain.harm == pytest.approx(1.2 * (2 - last))
    assert [f.nights for f in planned(inputs, waits).flushes] == [(2,)]
    # the night in time is shut: the last open one before it
    shut = replace(waits, allowed=np.array([[True, True, False]]))
    assert [f.nights for f in planned(inputs, shut).flushes] == [(1,)]


def little(owed: float, without: float = 1.2) -> Upkeep:
    """3 mm with tomorrow's watering, under which nothing is lost to salt."""
    return Upkeep(np.array([[0.0, 3.0]]), np.zeros((1, 2)), np.zeros(1), np.array([owed]), np.array([without]))


@pytest.mark.parametrize(
    ("owed", "longest", "flushes", "upkeep", "cost"),
    [
        (0.8, 600.0, [], [(1,)], 8.3),
        (1.0, 600.0, [(0,)], [], 9.196),
        (1.0, 22.0, [], [(1,)], 9.5),
        (1.6, 22.0, [], [], 12.4),
    ],
)
def test_a_little_with_the_watering_or_a_flush_whichever_costs_less(owed, longest, flushes, upkeep, cost):
    # Salt harms from the second date on; a flush of 30 mm, 6.0 of water, lasts 10 days: one in time, tomorrow, leaves a
    # tenth of the next owed. Flush tonight: 10 + 30 = 40 min at 0.2 and 1.2 % are 8.096, soft 0.5, a day early 0.6:
    # 9.196. Tomorrow: 15 + 30 = 45 min, 9.0, soft 0.5. Upkeep tomorrow: 15 + 3 = 18 min, 3.6, soft 0.5, and 6.0 (owed -
    # 0.1) later: 8.3 at 0.8, 9.5 at 1.0. Neither: 4 for the millimetre lost, 6.0 (1.2 - 0.1), 9 mm at 0.2: 12.4. With
    # 22 min a night no flush of 10 + 5 + 30 fits; upkeep that holds little, 13.1 at 1.6, is no use either.
    inputs = plan(1, 2, max_run=longest)
    needs = need(inputs, harm=[[0.0, 1.0]], lasts=np.array([10.0]), upkeep=little(owed))
    result = planned(inputs, needs)
    assert [f.nights for f in result.flushes] == flushes
    assert [u.nights for u in result.upkeep] == upkeep
    assert result.objective == pytest.approx(cost)
    for plain in result.upkeep:
        assert plain.drained == pytest.approx((3.0,))
        assert net_depth(inputs, result)[0] == pytest.approx([0.0, 18.0])
        assert result.depletion[0] == pytest.approx([15.0, 5.0])
        assert result.soft[0] == pytest.approx([0.0, 2.0])


def test_upkeep_passes_its_depth_and_what_the_date_takes_on_its_own_nights_alone():
    # 3 mm tomorrow, and of each date's ET a millimetre comes from above field capacity: 4 mm have to pass tomorrow, and
    # tonight, without upkeep, none.
    inputs = plan(1, 2)
    needs = need(inputs, harm=[[0.0, 1.0]], lasts=np.array([10.0]), upkeep=little(0.8), held=np.full((1, 2), 1.0))
    copies = flush_copies(inputs, needs, plan_prices(inputs))
    (upkeep,) = np.flatnonzero(copies.upkeep)
    assert copies.each[upkeep] == pytest.approx([0.0, 4.0])
    assert copies.flush[upkeep].tolist() == [False, True]
    assert not copies.each[~copies.upkeep].any()


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"depth": np.zeros((1, 3))}, "depth and harm of one shape"),
        ({"owed": np.zeros(2)}, "owed"),
        ({"harm_after": np.array([-1.0])}, "harm_after"),
        ({"owed_without": np.array([np.nan])}, "owed_without"),
    ],
)
def test_upkeep_refuses(changes, what):
    with pytest.raises(ValueError, match=what):
        replace(little(0.5), **changes)
    with pytest.raises(ValueError, match="lasts"):
        need(plan(1, 2), upkeep=little(0.5))


@pytest.mark.parametrize(("longest", "nights"), [(60.0, []), (62.0, [(1,)])])
def test_no_stress_is_feigned_to_make_a_flush_fit(longest, nights):
    # Nothing may run tonight. At 28 mm Ks is (40 - 28) / 20 = 0.6, D ends 28 + 3 = 31 and 61 min pass 30. Where 60 fit,
    # a millimetre of ET more that was not taken would make room, and save a million; but the soil would take it.
    inputs = plan(1, 2, depletion=28.0, max_run=longest, allowed=np.array([False, True]).reshape(1, 2, 1))
    result = planned(inputs, need(inputs, harm=HUGE, after=HUGE))
    assert [f.nights for f in result.flushes] == nights
    assert result.depletion[0, 0] == pytest.approx(31.0)


def test_from_the_flush_on_the_dry_limit_is_the_one_without_salt():
    # Salt holds the limit at 10. Flushed tonight, D ends 5, 10, 15 under a limit of 20 and a target of 11: 4 mm are
    # missing on the last night. Under the limit of 10 the target is 6; water may not leave less than 2, so that 7 is
    # the least the last date can end with: 8 mm. A millimetre of water at 0.2 is cheaper than one missing, one of
    # softness (1/6) and water is not.
    inputs = plan(1, 3, depletion=8.0, dry_limit=10.0)
    tonight = {"after": HUGE, "allowed": [[True, False, False]]}
    fresh = planned(inputs, need(inputs, dry_limit_after=np.full((1, 3), 20.0), **tonight))
    salty = planned(inputs, need(inputs, **tonight))
    assert [f.nights for f in (*fresh.flushes, *salty.flushes)] == [(0,), (0,)]
    assert net_depth(inputs, fresh)[0].sum() == pytest.approx(38.0 + 4.0)
    assert net_depth(inputs, salty)[0].sum() == pytest.approx(38.0 + 8.0)
    assert fresh.dry.max() == 0.0
    # before it, the limit is the salty one: 8 + 5 = 13 is dry tonight, so the zone is watered first
    later = need(inputs, after=HUGE, allowed=[[False, False, True]], dry_limit_after=np.full((1, 3), 20.0))
    assert net_depth(inputs, planned(inputs, later))[0, 0] >= 3.0 - 1e-9


# ------------------------------------------------------------------------------------------- with others


SHARED = {
    "pump": {"pump_of_zone": 0, "pump_capacity": [FLOW]},
    "branch": {"branch_of_zone": 0, "branch_capacity": [FLOW]},
    "station": {"controller_of_zone": 0, "stations_at_once": [1.0]},
    "allocation": {"allocation": 30.0},
}


@pytest.mark.parametrize("name", SHARED)
def test_what_is_shared_goes_by_priority(name):
    # 30 m3 tonight. The first zone stands at its dry limit and would take 14 mm; the flush of the second takes 28, so
    # that 3 mm of the first stay dry and 12 are missing at the end. Prices are 2.43 times as high for the higher rank.
    # Flush before a lower rank: water 6, dryness 3, missing 3.6, soft 1: 13.6; without it water 2.8, soft 1 and the
    # 2 mm of ET lost to salt, 8 * 2.43: 23.2. Before a higher rank: dryness 7.3, in all 17.9; without it 3.8 and 8.
    numbers = {"depletion": [20.0, 0.0], "block_length": 30.0, **SHARED[name]}
    low = plan(2, 1, priority=[2, 1], **numbers)
    result = planned(low, need(low, depth=28.0, harm=2.0))
    assert [f.zone for f in result.flushes] == [1]
    assert net_depth(low, result)[:, 0] == pytest.approx([2.0, 28.0])
    high = plan(2, 1, priority=[1, 2], **numbers)
    assert plan_prices(high).ratio == pytest.approx(2.43, abs=0.005)
    result = planned(high, need(high, depth=28.0, harm=2.0))
    assert result.flushes == ()
    assert result.dry[0, 0] == 0.0


def test_later_where_tonights_pump_is_full_of_dry_greens():
    # 30 min a night. The green needs 5 tonight, leaving 25 of the 28 the flush takes; tomorrow 1 + 28 go, if the green
    # is given tonight what tomorrow cannot.
    inputs = plan(2, 2, etc=[[5.0], [1.0]], depletion=[20.0, 0.0], block_length=30.0, priority=[1, 2], **SHARED["pump"])
    result = planned(inputs, need(inputs, depth=28.0, harm=0.01, after=1.0))
    assert [(f.zone, f.nights) for f in result.flushes] == [(1, (1,))]
    assert result.dry.max() == pytest.approx(0.0, abs=1e-9)
    # with a green that needs nothing the same flush runs tonight
    fresh = replace(inputs, depletion=np.zeros(2))
    assert [f.nights for f in planned(fresh, need(fresh, depth=28.0, harm=0.01, after=1.0)).flushes] == [(0,)]


def test_of_two_flushes_the_one_that_saves_more_where_one_fits():
    # 40 min tonight for 30 mm from field capacity each; one fits. Halves of both would be within the pump, and are not.
    inputs = plan(2, 1, depletion=0.0, block_length=40.0, **SHARED["pump"])
    for more in (0, 1):
        harm = np.array([[1.0], [1.0]])
        harm[more] = 2.0
        needs = FlushNeeds(np.arange(2), np.full((2, 1), 30.0), np.ones((2, 1), dtype=bool), harm, np.full(2, 5.0))
        result = laid_out(inputs, needs).solve()
        assert [f.zone for f in result.flushes] == [more]
        assert net_depth(inputs, result)[1 - more, 0] == 0.0


# ------------------------------------------------------------------------------------------- solving again


def test_less_capacity_or_shorter_runs_choose_again():
    inputs = plan(1, 3, pump_of_zone=0, pump_capacity=[FLOW])
    solver = laid_out(inputs, need(inputs, harm=2.0, after=10.0))
    assert [f.nights for f in solver.solve().flushes] == [(0,)]
    solver.scale_capacity("pump", np.array([0.05]))  # 24 min a night: 10 to fill, 5 of the date between and 30 in two
    assert [f.nights for f in solver.solve().flushes] == [(0, 1)]
    solver.limit_runs(np.array([0]), np.array([3.0]), night=0)  # 12 to fill, 5 and 30 in the two after
    again = solver.solve()
    assert [f.nights for f in again.flushes] == [(1, 2)]
    assert net_depth(inputs, again)[0, 0] <= 3.0 + 1e-9
    solver.scale_capacity("pump", np.array([0.0]))
    assert solver.solve().flushes == ()
    solver.scale_capacity("pump", np.array([1.0]))
    assert [f.nights for f in solver.solve().flushes] == [(1,)]
    solver.limit_runs(np.array([0]), np.array([600.0]), night=0)
    assert [f.nights for f in solver.solve().flushes] == [(0,)]


def test_a_zone_whose_flush_is_settled_may_run_short_before_it():
    # The root zone lacks 28 mm and turf suffers past 20; the flush is tomorrow. Without water tonight ET falls short.
    inputs = plan(1, 3, depletion=[28.0])
    chosen = laid_out(inputs, need(inputs, harm=5.0, after=10.0, allowed=np.array([False, True, False])))
    assert [f.nights for f in chosen.solve().flushes] == [(1,)]
    settled = PlanSolver(inputs, settled=chosen.settled())
    assert settled.solve().shortfall[0] == pytest.approx([0.0, 0.0, 0.0], abs=1e-6)
    settled.limit_runs(np.array([0]), np.array([0.0]), night=0)
    held = settled.solve()
    depth = net_depth(inputs, held)[0]
    assert depth[0] == 0.0
    assert depth[1] == pytest.approx(28.0 + 5.0 - held.shortfall[0, 0] + 30.0, abs=1e-6)
    assert 0.0 < held.shortfall[0, 0] <= 5.0


def test_later_nights_are_planned_anew_around_a_flush_that_stays():
    # Zone 0 has no flush and would be watered tonight: D0 18 + 5 - 20 = 3 mm beyond its limit. It is given nothing, so
    # it ends the date at 23 mm and its water must come on night 1. The flush of zone 1 tonight keeps its 40 mm.
    inputs = plan(2, 2, depletion=[18.0, 10.0])
    solver = laid_out(inputs, need(inputs, harm=[5.0, 5.0]))
    first = solver.solve()
    assert [f.nights for f in first.flushes] == [(0,)]
    given = first.run_times(inputs)[:, 0]
    assert given[0].sum() > 0
    given[0] = 0.0
    later = solver.solve_later(given)
    assert [f.nights for f in later.flushes] == [(0,)]
    assert net_depth(inputs, later)[:, 0] == pytest.approx([0.0, 40.0], abs=1e-6)
    assert later.depletion[0, 0] == pytest.approx(23.0 - later.shortfall[0, 0], abs=1e-6)
    assert net_depth(inputs, later)[0, 1] >= later.depletion[0, 0] + 5.0 - 20.0 - 1e-6


def test_a_later_flush_that_can_no_longer_be_finished_gives_no_plan():
    # The flush of 30 mm may run on night 1 only, with a longest run of 45 mm: D must be 15 mm or less by then, and is
    # 12 + 5 = 17 mm without water. So 2 mm are given tonight; with those taken away the flush cannot be finished.
    inputs = plan(1, 2, depletion=12.0, max_run=45.0)
    needs = need(inputs, harm=[5.0, 5.0], after=50.0, allowed=[[False, True]])
    solver = laid_out(inputs, needs)
    first = solver.solve()
    assert [f.nights for f in first.flushes] == [(1,)]
    given = first.run_times(inputs)[:, 0]
    assert given.sum() == pytest.approx(2.0, abs=1e-6)  # 12 - 2 + 5 = 15 = 45 - 30
    given[:] = 0.0
    assert solver.solve_later(given) is None


@pytest.mark.drawn
def test_branch_and_bound_closes_the_gap_and_leaves_a_plain_linear_program(monkeypatch):
    searched = []
    monkeypatch.setattr(solving, "branch", lambda *given: searched.append(1) or branch(*given))
    for seed in range(draws(30, 5)):
        rng = np.random.default_rng(seed)
        inputs = drawn_plan(rng, 6, 4)
        needs = drawn_needs(rng, inputs, 4)
        solver = laid_out(inputs, needs)
        result = solver.solve()
        assert result.gap <= 1e-6
        kinds = solver.program.highs.getLp().integrality_
        assert not any(kind == highspy.HighsVarType.kInteger for kind in kinds)
        assert result.water_value.shape == inputs.etc.shape  # the duals of a linear program
        for limit in result.limits:
            assert limit.price == pytest.approx(0.0, abs=1e-6) or limit.used == pytest.approx(limit.limit, abs=1e-4)
        assert solver.solve().objective == pytest.approx(result.objective, rel=1e-6)
    assert searched


# ------------------------------------------------------------------------------------------- ways and their choice


def test_where_very_many_zones_need_a_flush_each_is_asked_about_fewer_ways():
    count = MOST_COPIES // FEWEST_WAYS + 10
    inputs = plan(count, 7)
    needs = FlushNeeds(
        np.arange(count),
        np.full((count, 1), 20.0),
        np.ones((count, 7), dtype=bool),
        np.ones((count, 7)),
        np.ones(count),
    )
    copies = flush_copies(inputs, needs, plan_prices(inputs))
    assert np.bincount(copies.zone, minlength=count).tolist() == [1 + FEWEST_WAYS] * count
    assert copies.flush.any(axis=0).all()  # the zones between them are asked about every night
    few = flush_copies(plan(1, 7), need(plan(1, 7)), plan_prices(plan(1, 7)))
    assert few.zone.size == 1 + 7 + 6  # none, one night, two in a row


COST = np.array([[3.0, 1.0], [4.0, 1.0], [5.0, 3.5]])  # of each zone without and with its flush


def relaxed(lower: np.ndarray, upper: np.ndarray) -> tuple[float, np.ndarray]:
    """Three zones whose flushes take 2 of 3 units of water: one fits, the relaxation takes one and a half."""
    found = linprog(
        COST.ravel(),
        A_ub=[[0.0, 2.0] * 3],
        b_ub=[3.0],
        A_eq=np.kron(np.eye(3), np.ones(2)),
        b_eq=np.ones(3),
        bounds=np.column_stack((lower, upper)),
    )
    return (float(found.fun), found.x) if found.status == 0 else (np.inf, lower)


def test_dive_and_branch_settle_every_zone_and_the_bound_holds():
    # The second zone saves 3 and is whole, the first 2 and is half in the relaxation: 3 / 2 + 1 / 2 + 1 + 5 = 8. Whole
    # flushes: the second alone, 3 + 1 + 5 = 9.
    ways = Ways(np.repeat(np.arange(3), 2), np.arange(3) * 2, 3)
    root = Node(np.zeros(6), np.ones(6), *relaxed(np.zeros(6), np.ones(6)))
    assert root.cost == pytest.approx(8.0)
    first = root.settle(ways, np.array([0]), np.array([1]), relaxed)  # the worse choice: 1 + 4 + 5 in the end
    worse = dive(ways, first, 0.0, relaxed)
    assert (worse.cost, ways.heaviest(worse.weight).tolist()) == (pytest.approx(10.0), [1, 2, 4])
    best, bound = branch(ways, root, worse, 0.0, relaxed, lambda: True)
    assert (best.cost, ways.heaviest(best.weight).tolist()) == (pytest.approx(9.0), [0, 3, 4])
    assert bound == pytest.approx(9.0)
    stopped, bound = branch(ways, root, worse, 0.0, relaxed, lambda: False)
    assert (stopped, bound) == (worse, root.cost)
