"""What a solved plan says, added up from its root zones one by one."""

from types import SimpleNamespace

import numpy as np
import pytest

from models.plan import results, spread, weathers
from models.plan.inputs import Members, Tier
from models.plan.results import LimitPrice, PlanResult, gather
from models.plan.solve import PlanSolver
from tests.models.plan.plans import plan, price_of
from tests.models.plan.test_plan_by_hand import copies_of


def random_result(rng, inputs):
    """Arrays of any numbers over the zones of some inputs."""
    shape = (inputs.zones, inputs.nights)
    names = ("depletion", "dry", "soft", "shortfall", "drainage", "water_value")
    return PlanResult(rng.uniform(1, 9, inputs.runs.zone.size), *(rng.uniform(0, 5, shape) for _ in names), (), 7.0)


def test_copies_come_back_to_their_zones():
    # zone 0: without a flush (weight 0) and with one on nights 1 and 2; zone 1: upkeep on night 0; zone 2: nothing open
    rng = np.random.default_rng(0)
    p = plan(3, 3, 2, supply_share=np.eye(2), source_price=[0.2, 0.3])
    flush, each = np.zeros((4, 3), bool), np.zeros((4, 3))
    flush[1, 1:], flush[2, 0], each[2, 0] = True, True, 1.5
    copies = copies_of(
        p, [0, 0, 1, 2], open=np.array([1, 1, 1, 0], bool), flush=flush, each=each,
        depth=np.array([0, 6.0, 0, 0]), supply=np.array([-1, 1, -1, -1]),
    )  # fmt: skip
    inputs = spread.spread_inputs(p, copies)
    result = random_result(rng, inputs)
    drained = np.where(flush, rng.uniform(1, 4, (4, 3)), 0.0)
    found = gather(result, p, inputs, copies, (np.array([0.0, 1.0, 1.0, 1.0]), drained), 0.02)
    minutes, own = result.run_times(inputs), found.run_times(p)
    np.testing.assert_allclose(own[0], minutes[0] + minutes[1])
    np.testing.assert_allclose(own[1:], minutes[2:])
    for name in ("depletion", "dry", "shortfall"):
        value = getattr(result, name)
        np.testing.assert_allclose(getattr(found, name), [value[0] + value[1], value[2], value[3]])
    gone = result.drainage + drained
    np.testing.assert_allclose(found.drainage, [gone[0] + gone[1], gone[2], gone[3]])
    soft = np.array([result.soft[0] + result.soft[1], result.soft[2], result.soft[3]])
    soft[0, 1:], soft[1, 0] = p.wet_limit[0, 1:], p.wet_limit[1, 0]  # a night that fills is as soft as can be
    np.testing.assert_allclose(found.soft, soft)
    np.testing.assert_array_equal(found.water_value, result.water_value[[1, 2, 3]])
    (one,), (kept,) = found.flushes, found.upkeep
    assert (one.zone, one.nights, one.supply, one.depth, one.drained) == (0, (1, 2), 1, 6.0, tuple(drained[1, 1:]))
    assert (kept.zone, kept.nights, kept.drained) == (1, (0,), (drained[2, 0],))
    assert found.gap == 0.02 and found.weathers is None


def test_run_times_in_each_weather_are_tonight_s_and_then_its_own():
    rng = np.random.default_rng(1)
    p = plan(2, 3, 2, members=Members(np.array([0.3, 0.3]), np.full((2, 2, 3), 5.0), np.zeros((2, 2, 3))))
    copies = weathers.over_weathers(weathers.single_copies(p), p)
    inputs = spread.spread_inputs(p, copies, weathers.tonight_of(copies))
    result = random_result(rng, inputs)
    found = gather(result, p, inputs, copies, (np.ones(6), np.zeros((6, 3))), 0.0)
    minutes = result.run_times(inputs).sum(axis=(2, 3))
    np.testing.assert_allclose(found.weathers[0], minutes[:2])
    for s in (1, 2):
        np.testing.assert_allclose(found.weathers[s, :, 0], minutes[:2, 0])
        np.testing.assert_allclose(found.weathers[s, :, 1:], minutes[2 * s : 2 * s + 2, 1:])
    np.testing.assert_allclose(found.depletion, result.depletion[:2])  # of the main weather alone


def test_tonight_is_the_first_night_over_all_blocks_and_supplies():
    p = plan(2, 2, 2, supply_share=np.eye(2), source_price=[0.2, 0.3])
    result = random_result(np.random.default_rng(2), p)
    runs = p.runs
    for z in range(2):
        assert result.tonight(p)[z] == pytest.approx(result.run_time[(runs.zone == z) & (runs.night == 0)].sum())


def test_one_more_cubic_metre_is_told_by_zone_and_in_money():
    # copies of zones 0, 0 and 1, and one of a weather that only may come: water and dryness of that are not told
    p = plan(4, 2, tiers=(Tier(5.0, 0.5), Tier(9.0, 2.0)), flow=[16.0, 16.0, 32.0, 16.0])
    names = ("run_time", "dry", "very_dry", "over_use")
    sizes = (p.runs.zone.size, 8, 8, 2)
    ends = np.cumsum((0, *sizes))
    spans = SimpleNamespace(column={n: slice(a, b) for n, a, b in zip(names, ends, ends[1:], strict=False)})
    step = np.random.default_rng(3).normal(size=ends[-1])
    m = SimpleNamespace(**{n: SimpleNamespace(local_name=n) for n in names})
    water = np.linspace(0.1, 0.8, sizes[0])
    found = results.read_one_more(m, p, SimpleNamespace(water=water), step, np.array([0, 0, 1, -1]), spans)
    run, dry = step[:8], (step[8:16] + step[16:24]).reshape(4, 2)
    of_zone, known = p.runs.zone, p.runs.zone < 3
    volume = [
        sum(run[x] * p.flow[z] * 0.06 for x in range(8) if (z := of_zone[x]) in zones) for zones in ((0, 1), (2,))
    ]
    np.testing.assert_allclose(found.volume, volume)
    np.testing.assert_allclose(found.less_dry, [-(dry[0] + dry[1]), -dry[2]])
    assert found.bill == pytest.approx((run * water)[known].sum() + step[24] * 0.5 + step[25] * 1.5)


@pytest.mark.parametrize("weight", [0.25, 0.5])
def test_the_price_of_a_limit_counts_all_weathers(weight):
    # a pump of half the zone's flow for six minutes: 3 mm a night; tomorrow is hot only in the other weather.
    # The price of tomorrow is what a little more of the pump saves in both
    def planned(share):
        return PlanSolver(plan(
            1, 2, depletion=19.0, pump_of_zone=0, pump_capacity=[500.0 / 60.0], pump_energy=[0.0], block_length=6.0,
            members=Members(np.array([weight]), np.array([[[5.0, 15.0]]]), np.zeros((1, 1, 2))),
            pump_share=np.array([[1.0, share]]),
        )).solve()  # fmt: skip

    result, more = planned(1.0), planned(1.001)
    assert [limit.family for limit in result.limits] == ["pump_limit"] * 2
    tomorrow = next(limit for limit in result.limits if limit.index == (0, 1, 0))
    assert isinstance(tomorrow, LimitPrice) and tomorrow.limit == pytest.approx(50.0)
    assert tomorrow.price == pytest.approx((result.objective - more.objective) / 0.05, rel=1e-4) and tomorrow.price > 0
    assert price_of(result, "pump_limit") > tomorrow.price


def test_prices_are_added_to_the_limits_of_a_member_and_night_in_every_block():
    limits = [LimitPrice("pump_limit", (0, 0, b), 1.0, 2.0, 0.5) for b in (0, 1)]
    others = [LimitPrice("pump_limit", (0, 1, 0), 1.0, 2.0, 0.5), LimitPrice("allocation_limit", (), 1.0, 2.0, 0.25)]
    found = results.with_prices((*limits, *others), {("pump_limit", 0, 0): 3.0})
    assert [limit.price for limit in found] == [3.5, 3.5, 0.5, 0.25]
    assert found[2:] == tuple(others)
