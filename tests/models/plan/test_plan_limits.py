"""Hard limits, each in its smallest linear program with the optimum worked out by hand.

The common case: two zones at 20 mm with 5 mm of ET, a block of 10 minutes, 1 mm = 1 m3 a minute, water at 0.2 per m3.
Both must take 5 mm not to be dry (1 a mm), and would take 14 to reach the target of 11 mm (0.3 a mm against 0.2); the
block stops them at 10 each: D = 15, cost 20 x 0.2 + 2 x 4 x 0.3 = 6.4. With 10 m3 in all each takes 5 and ends at
20 mm: 10 x 0.2 + 2 x 9 x 0.3 = 7.4, and a further cubic metre is worth 0.3 - 0.2 = 0.1.
"""

from dataclasses import replace

import numpy as np
import pytest

from models.plan.inputs import Cut, Tier
from tests.drawn import some
from tests.models.plan.plans import FLOW, drawn_plan, laid_out, net_depth, plan, price_of, solved, water

BOTH = np.ones(2, dtype=bool)
PER_FLOW = 0.1 * 60 / 1000  # worth of one L/s for one minute


def two(**given):
    return plan(2, **({"depletion": 20.0, "block_length": 10.0} | given))


def limited(family, amount):
    """The common case with one family of limits set to an amount of water [m3] for the night."""
    flow = np.array([FLOW * amount / 10.0])
    return {
        "pump_limit": lambda: two(pump_of_zone=0, pump_capacity=flow),
        "branch_limit": lambda: two(branch_of_zone=0, branch_capacity=flow),
        "station_limit": lambda: two(controller_of_zone=0, stations_at_once=[amount / 10.0]),
        "source_night": lambda: two(source_daily=amount),
        "source_month": lambda: two(source_monthly=amount),
        "allocation_limit": lambda: two(allocation=amount),
        "drought_cut": lambda: two(cuts=(Cut("order", BOTH, np.array([amount])),)),
    }[family]()


FAMILIES = {
    "pump_limit": PER_FLOW,
    "branch_limit": PER_FLOW,
    "station_limit": 0.1,
    "source_night": 0.1,
    "source_month": 0.1,
    "allocation_limit": 0.1,
    "drought_cut": 0.1,
}


@pytest.mark.parametrize(("family", "price"), FAMILIES.items())
def test_limit_binds(family, price):
    result, _ = solved(inputs := limited(family, 10.0))
    assert water(inputs, result) == pytest.approx(np.full((2, 1), 5.0), abs=1e-6)
    assert result.objective == pytest.approx(7.4, abs=1e-6)
    (limit,) = [x for x in result.limits if x.family == family]
    assert limit.price == pytest.approx(price, rel=1e-6)
    assert limit.used == pytest.approx(limit.limit, rel=1e-9)


@pytest.mark.parametrize("family", FAMILIES)
def test_limit_does_not_bind(family):
    result, _ = solved(inputs := limited(family, 25.0))
    assert water(inputs, result) == pytest.approx(np.full((2, 1), 10.0), abs=1e-6)
    assert result.objective == pytest.approx(6.4, abs=1e-6)
    assert price_of(result, family) == 0.0


@pytest.mark.parametrize("family", FAMILIES)
def test_limit_of_zero_leaves_all_dry(family):
    # No water at all: D = 25 with RAW at 20: 2 x (5 x 1 + 14 x 0.3).
    result, _ = solved(inputs := limited(family, 0.0))
    assert water(inputs, result).sum() == pytest.approx(0.0, abs=1e-9)
    assert result.objective == pytest.approx(18.4, abs=1e-6)


@pytest.mark.parametrize("family", ["pump_limit", "branch_limit", "station_limit"])
def test_limit_holds_only_its_own_zones(family):
    # The second zone hangs elsewhere: it takes its 10 minutes while the first has 4. 14 x 0.2 + 1 + (10 + 4) x 0.3.
    inputs = limited(family, 4.0)
    name = {"pump_limit": "pump_of_zone", "branch_limit": "branch_of_zone", "station_limit": "controller_of_zone"}[
        family
    ]
    getattr(inputs, name)[1] = -1
    result, _ = solved(inputs)
    assert water(inputs, result)[:, 0] == pytest.approx([4.0, 10.0], abs=1e-6)
    assert result.objective == pytest.approx(8.0, abs=1e-6)


def test_each_block_has_its_own_pump_minutes():
    # Blocks of 4 and 6 minutes with a pump for one zone: 10 m3 in all, 4 in the first and 6 in the second.
    inputs = two(blocks=2, block_length=[[4.0, 6.0]], pump_of_zone=0, pump_capacity=[FLOW])
    result, _ = solved(inputs)
    assert result.run_times(inputs).sum(axis=(0, 1, 3)) == pytest.approx([4.0, 6.0], abs=1e-6)
    assert result.objective == pytest.approx(7.4, abs=1e-6)


def test_the_longest_run_counts_over_all_blocks():
    # 3 minutes in a night of two blocks: D = 22 each. 6 x 0.2 + 2 x (2 + 11 x 0.3).
    inputs = two(blocks=2, block_length=10.0, max_run=3.0)
    result, _ = solved(inputs)
    assert water(inputs, result)[:, 0] == pytest.approx([3.0, 3.0], abs=1e-6)
    assert result.objective == pytest.approx(11.8, abs=1e-6)


def test_the_longest_run_does_not_bind():
    # Two blocks of 10 minutes: 14 mm each reach the target.
    result, _ = solved(inputs := two(blocks=2, block_length=10.0, max_run=15.0))
    assert water(inputs, result)[:, 0] == pytest.approx([14.0, 14.0], abs=1e-6)
    assert result.objective == pytest.approx(28 * 0.2, abs=1e-6)


def test_the_cheaper_block_is_used_first():
    # Energy 0.5 kWh/m3 at 0.1 and 0.4: water at 0.25 and 0.40. Dearest 0.4: target 0.6 a mm, so all 14 mm are taken:
    # 10 in the cheap block, 4 in the dear one.
    inputs = plan(
        blocks=2,
        depletion=20.0,
        block_length=10.0,
        energy_price=[[0.1, 0.4]],
        pump_of_zone=0,
        pump_capacity=[FLOW],
        pump_energy=[0.5],
    )
    result, _ = solved(inputs)
    assert result.run_times(inputs).ravel() == pytest.approx([10.0, 4.0], abs=1e-6)
    assert result.objective == pytest.approx(10 * 0.25 + 4 * 0.40, abs=1e-6)


def of_two_sources(nights=1, blocks=2, **given):
    """One zone at 20 mm that takes of two sources, in blocks of 10 minutes; the pump would do for both at once."""
    prices = np.tile([0.1, 0.4], (nights, 1))[:, :blocks]
    energy = {"energy_price": prices, "pump_of_zone": 0, "pump_capacity": [2 * FLOW], "pump_energy": [0.5]}
    sources = {"supply_share": np.eye(2), "source_price": [0.2, 0.2]}
    return plan(1, nights, blocks, **({"depletion": 20.0, "block_length": 10.0} | energy | sources | given))


def test_a_block_has_its_minutes_once_for_a_zone_of_two_sources():
    # As above: 10 of the 14 in the cheap block, of whichever source, and 4 in the dear one.
    solver = laid_out(inputs := of_two_sources())
    result = solver.solve()
    assert result.run_times(inputs)[0, 0].sum(axis=1) == pytest.approx([10.0, 4.0], abs=1e-6)
    assert result.objective == pytest.approx(10 * 0.25 + 4 * 0.40, abs=1e-6)
    # a longer cheap block is an edit of the same rows
    longer = replace(inputs, block_length=np.array([[12.0, 21.0]]))
    assert solver.edit(longer)
    assert solver.solve().run_times(longer)[0, 0].sum(axis=1) == pytest.approx([12.0, 2.0], abs=1e-6)
    # and where a block binds that had no row, the plan is laid out anew
    assert not laid_out(longer).edit(replace(longer, block_length=np.array([[12.0, 19.0]])))


@pytest.mark.parametrize(
    ("given", "rows"),
    [({}, 2), ({"zone_supply": [[True, False]]}, 0), ({"blocks": 1}, 0), ({"allowed": [[[True, False]]]}, 0),
     ({"block_length": 20.1}, 0), ({"block_length": 19.9}, 2)],
)  # fmt: skip
def test_only_a_zone_of_several_sources_and_blocks_has_a_row_for_each_block(given, rows):
    assert len(laid_out(of_two_sources(**given)).index.get("block_limit", [])) == rows


def test_what_really_runs_may_pass_its_block_by_a_step():
    solver = laid_out(inputs := of_two_sources(nights=2))
    assert len(solver.index["block_limit"]) == 4
    solver.solve()
    later = solver.solve_later(np.array([[[7.0, 4.0], [3.0, 0.0]]]))
    assert later.run_times(inputs)[0, 0].tolist() == [[7.0, 4.0], [3.0, 0.0]]
    # and the night after is held as before
    assert later.run_times(inputs)[0, 1].sum(axis=1).max() <= 10.0 + 1e-6


def test_a_forbidden_night_is_not_used():
    # Unwatered 15, 20, 25: dry on the last night, which is forbidden. Nights 1 and 0 are 1 and 2 nights away: 1.012 and
    # 1.014 times the price. 13 mm on night 1 take it from 15 to its wet limit of 2; a further mm, on either of the two,
    # would spare 0.3 and cost 0.2 and softness at 1 / 6. So 13, and 1 mm over target.
    allowed = np.array([[[True], [True], [False]]])
    result, _ = solved(inputs := plan(nights=3, allowed=allowed))
    assert net_depth(inputs, result) == pytest.approx(np.array([[0.0, 13.0, 0.0]]), abs=1e-6)
    assert result.objective == pytest.approx(13 * 0.2 * 1.012 + 0.3, abs=1e-6)


def test_no_night_allowed():
    result, _ = solved(plan(nights=2, allowed=False, allocation=5.0))
    assert result.run_time.size == 0
    assert result.depletion == pytest.approx(np.array([[15.0, 20.0]]))


def test_a_night_without_a_block_is_not_used():
    result, _ = solved(inputs := plan(nights=2, block_length=[[480.0], [0.0]]))
    assert net_depth(inputs, result)[0, 1] == 0.0
    assert net_depth(inputs, result)[0, 0] == pytest.approx(
        8.0, abs=1e-6
    )  # 10 - 8 = 2, the wet limit; beyond, 0.25 a mm


def test_a_blend_uses_its_sources_in_proportion():
    # 7 m3 of the first source at 0.7 of each cubic metre: 10 m3; a cubic metre of it carries 1 / 0.7.
    inputs = two(supply_share=[[0.7, 0.3]], source_price=[0.2, 0.2], source_daily=[7.0, np.inf])
    result, _ = solved(inputs)
    assert result.objective == pytest.approx(7.4, abs=1e-6)
    assert price_of(result, "source_night") == pytest.approx(0.1 / 0.7, rel=1e-6)


def test_a_blend_with_enough_of_both():
    inputs = two(supply_share=[[0.7, 0.3]], source_price=[0.2, 0.2], source_daily=[15.0, 7.0])
    result, _ = solved(inputs)
    assert result.objective == pytest.approx(6.4, abs=1e-6)
    assert price_of(result, "source_night") == 0.0


def test_the_cheaper_source_is_used_up_first():
    # 12 m3 at 0.1, the rest of 20 at 0.2: 1.2 + 1.6 + 8 x 0.3.
    inputs = two(supply_share=np.eye(2), source_price=[0.1, 0.2], source_daily=[12.0, np.inf])
    result, _ = solved(inputs)
    assert result.run_times(inputs).sum(axis=(0, 1, 2)) == pytest.approx([12.0, 8.0], abs=1e-6)
    assert result.objective == pytest.approx(5.2, abs=1e-6)
    assert price_of(result, "source_night") == pytest.approx(0.1, rel=1e-6)


def test_months_have_permits_of_their_own():
    # 3 m3 left of this month, plenty of the next: the first night is the month's last.
    inputs = plan(nights=2, depletion=20.0, block_length=10.0, month_of_night=[0, 1], source_monthly=[[3.0, 100.0]])
    result, _ = solved(inputs)
    assert water(inputs, result)[0] == pytest.approx([3.0, 10.0], abs=1e-6)


def test_an_order_counts_up_to_each_night():
    # 4 m3 by the first night and 9 by the second, of 13 that would be used: 4 and 5.
    order = Cut("order", np.ones(1, dtype=bool), np.array([4.0, 9.0]))
    result, _ = solved(inputs := plan(nights=2, depletion=20.0, etc=10.0, cuts=(order,)))
    assert water(inputs, result)[0] == pytest.approx([4.0, 5.0], abs=1e-6)


@pytest.mark.parametrize(
    ("tiers", "used", "objective"),
    [
        ((Tier(10.0, 0.05),), 20.0, 6.4 + 10 * 0.05),  # 0.25 a cubic metre is still below 0.3
        ((Tier(10.0, 0.2),), 10.0, 7.4),  # 0.4 is not
        ((Tier(4.0, 0.05), Tier(10.0, 0.2)), 10.0, 7.4 + 6 * 0.05),  # 4 free, 6 at 0.05 more, none at 0.2 more
        ((Tier(4.0, 0.05), Tier(10.0, 0.08)), 20.0, 6.4 + 6 * 0.05 + 10 * 0.08),  # the step above counts in full
        ((Tier(30.0, 0.2),), 20.0, 6.4),  # never reached
    ],
)
def test_tiers_price_what_passes_them(tiers, used, objective):
    result, _ = solved(inputs := two(tiers=tiers))
    assert water(inputs, result).sum() == pytest.approx(used, abs=1e-6)
    assert result.objective == pytest.approx(objective, abs=1e-6)


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(12), 4))
@pytest.mark.parametrize("family", ["allocation", "pump", "branch", "source"])
def test_price_lies_between_what_more_saves_and_less_costs(seed, family):
    # The optimum is convex in a limit, so by new builds: (f(L) - f(L + e)) / e <= price <= (f(L - e) - f(L)) / e.
    rng = np.random.default_rng(seed)
    inputs = drawn_plan(rng, 4, 3)
    step = {"allocation": 0.5, "pump": 0.05, "branch": 0.05, "source": 0.5}[family]
    families = {
        "allocation": "allocation_limit",
        "pump": "pump_limit",
        "branch": "branch_limit",
        "source": "source_night",
    }

    def objective(change):
        if family == "allocation":
            given = {"allocation": volume + change}
        else:
            name = {"pump": "pump_capacity", "branch": "branch_capacity", "source": "source_daily"}[family]
            given = {name: limits + np.array([change] + [0.0] * (limits.size - 1))}
        return laid_out(replace(inputs, **given)).solve()

    volume = 0.4 * water(inputs, solved(inputs)[0]).sum() + 1.0
    limits = {"pump": inputs.pump_capacity, "branch": inputs.branch_capacity, "source": np.array([6.0, 9.0])}.get(
        family
    )
    middle, more, less = objective(0.0), objective(step), objective(-step)
    of_first = [x for x in middle.limits if x.family == families[family] and (not x.index or x.index[0] == 0)]
    weight = {"pump": inputs.block_length, "branch": inputs.block_length}.get(family)
    price = sum(x.price * (1.0 if weight is None else weight[x.index[1:]]) for x in of_first)
    slack = 1e-7 * abs(middle.objective)
    assert (
        (middle.objective - more.objective) / step - slack
        <= price
        <= (less.objective - middle.objective) / step + slack
    )
