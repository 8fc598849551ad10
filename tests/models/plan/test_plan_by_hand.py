"""What a plan is built from, reckoned zone by zone and night by night from the sentences that describe it."""

from dataclasses import replace

import numpy as np
import pytest

from models.choices import PRICES
from models.plan import balance, edits, flush, limits, objective, prices, spread, weathers
from models.plan.build import lay_out
from models.plan.copies import Copies
from models.plan.flush_needs import FlushNeeds, Upkeep
from models.plan.flush_ways import FEWEST_WAYS, MOST_COPIES, flush_copies
from models.plan.inputs import Cut, Members, Tier
from models.plan.pens import compiled, keys
from models.plan.refill import refill
from tests.models.plan.plans import FLOW, drawn_needs, drawn_plan, plan

SEEDS = range(3)


def drawn(seed, zones=5, nights=4, **given):
    return drawn_plan(np.random.default_rng(seed), zones, nights, **given)


def drawn_members(seed, inputs, count=2):
    rng = np.random.default_rng(seed + 100)
    etc = inputs.etc * rng.uniform(0.7, 1.3, (count, 1, inputs.nights))
    rain = np.abs(inputs.effective_rain + rng.normal(0, 4, (count, 1, inputs.nights)))
    etc[:, :, 0], rain[:, :, 0] = inputs.etc[None, :, 0], inputs.effective_rain[None, :, 0]
    return Members(np.full(count, 0.3), etc, rain)


# ----------------------------------------------------------------------------------------------------------- bounds


@pytest.mark.parametrize("seed", SEEDS)
def test_bounds_of_a_zone_night_by_night(seed):
    p = drawn(seed)
    drained, short, spared = balance.largest_drainage(p), balance.largest_shortfall(p), flush.unavoidable_shortfall(p)
    longest, binds = limits.longest_minutes(p), limits.longest_run_binds(p)
    for z in range(p.zones):
        dry = wet = p.depletion[z]  # never watered, by the unstressed ET and by what turf takes
        dark, drying = True, 0.0
        for n in range(p.nights):
            etc, rain, taw, raw = p.etc[z, n], p.effective_rain[z, n], p.taw[z], p.raw[z, n]
            assert drained[z, n] == pytest.approx(max(rain - min(etc, taw), 0.0))
            ks = min(max((taw - dry) / (taw - raw), 0.0), 1.0)
            assert short[z, n] == pytest.approx(min(max((1 - ks) * etc, dry + etc - rain - taw, 0.0), etc))
            window = sum(p.block_length[n, b] for b in range(p.blocks) if p.allowed[z, n, b])
            assert longest[z, n] == pytest.approx(min(window, p.max_run[z]))
            driest = min(p.depletion[z] + drying, taw)
            assert binds[z, n] == (longest[z, n] * p.net_rate[z] < driest * (1 + 1e-6))
            drying += max(etc - rain, 0.0)
            dark = dark and window == 0.0
            took = min(min(max((taw - wet) / (taw - raw), 0.0), 1.0) * etc, max(taw - wet + rain, 0.0))
            assert spared[z, n] == pytest.approx(etc - took if dark else max(etc - taw, 0.0))
            dry = min(max(dry + etc - rain, 0.0), taw)
            wet = min(max(wet - rain + took, 0.0), taw)


def test_the_last_night_should_leave_the_middle_of_the_band():
    p = plan(2, 2, wet_limit=[[2.0], [4.0]], dry_limit=[[20.0], [10.0]], raw=5.0)
    assert objective.terminal_target(p).tolist() == [11.0, 7.0]
    opened = np.array([False, True])
    assert objective.refilled(p, opened).tolist() == [True, False]
    spread_out = replace(plan(3), weather=np.array([0, 1, -1]), tonight_of=np.arange(3))
    assert objective.refilled(spread_out, np.zeros(3, bool)).tolist() == [True, False, True]


# ----------------------------------------------------------------------------------------------------------- prices


@pytest.mark.parametrize("seed", SEEDS)
def test_prices_reckoned_zone_by_zone(seed):
    p = drawn(seed, caution=0.7)
    p = replace(p, members=drawn_members(seed, p) if seed else None)
    found, nights = prices.plan_prices(p), p.nights
    per_m3 = []
    for x in range(p.runs.zone.size):
        z, n, b, k = (int(getattr(p.runs, name)[x]) for name in ("zone", "night", "block", "supply"))
        kwh = p.pump_energy[p.pump_of_zone[z]] * p.energy_price[n, b] if p.pump_of_zone[z] >= 0 else 0.0
        per_m3.append(sum(p.supply_share[k, w] * p.source_price[w] for w in range(2)) + kwh)
    per_m3, minute = np.array(per_m3), p.flow * 0.06  # m3
    np.testing.assert_allclose(found.water, per_m3 * minute[p.runs.zone])
    dearest = max(per_m3.max(initial=0.0), PRICES.no_price)
    led = refill(p, PRICES.turf * 0.7, 1.0)
    preference = prices.night_preference(led)
    ordinary = np.maximum(per_m3, PRICES.no_price / 1000.0)
    np.testing.assert_allclose(found.run, ordinary * minute[p.runs.zone] * preference[p.runs.zone, p.runs.night])
    share = p.net_rate / (minute / p.area * 1000.0)
    base = PRICES.turf * dearest / share.min()
    ranks = sorted(set(p.priority.tolist()), reverse=True)
    for z in range(p.zones):
        metre = p.area[z] / 1000.0
        dry = base * found.ratio ** ranks.index(p.priority[z]) * metre
        assert found.dry[z] == pytest.approx(dry) and found.very_dry[z] == pytest.approx(PRICES.steepening * dry)
        assert found.insured[z] == pytest.approx(0.7 * base * metre)
        first = 1.0 + 0.001 * ranks.index(p.priority[z])  # of equals the first rank is filled
        assert found.terminal[z] == pytest.approx(PRICES.last_night * dearest * metre / share[z] * first)
        curve = [max(p.etc[z, n] / (p.taw[z] - p.raw[z, n]), 1.0) for n in range(nights)]
        later = plain = PRICES.last_night / PRICES.turf
        for n in range(nights - 1, -1, -1):
            soft = base * metre * p.wet_weight[z, n] / (2 * nights)
            assert found.wet[z, n] == pytest.approx(soft)
            after = p.wet_weight[z, n + 1 :].sum()
            drained = (1 + 1.02 * after) / (2 * nights)
            assert found.drainage[z, n] == pytest.approx(drained * base * metre)
            plain += PRICES.steepening
            value = min(1.02 * (PRICES.steepening + later), PRICES.most_curved * plain)
            assert found.shortfall[z, n] == pytest.approx(value * dry)
            later = curve[n] * value / 1.02 + (curve[n] - 1) * drained
        tonight = [
            ordinary[x] * minute[z] / p.net_rate[z] for x in np.flatnonzero((p.runs.zone == z) & (p.runs.night == 0))
        ]
        cheapest = min(tonight) if tonight and led.depth[z] > 0 else 0.0
        assert found.beyond[z] == pytest.approx(cheapest * (0.01 + led.wasted[z]))
    np.testing.assert_array_equal(found.refill, led.depth)
    assert found.weathers.tolist() == pytest.approx([0.4, 0.3, 0.3] if seed else [1.0])


def test_the_ratio_of_ranks_by_hand():
    # one night: a shortfall is worth 1.02 (steepening + last night's price); shares 1 and 0.5, wet weight 4,
    # flows of one controller 2 : 1
    p = plan(
        2,
        1,
        net_rate=[1.0, 0.5],
        wet_weight=4.0,
        priority=[1, 2],
        flow=[FLOW, FLOW],
        controller_of_zone=0,
        stations_at_once=[1.0],
    )
    value = 1.02 * (PRICES.steepening + PRICES.last_night / PRICES.turf)
    strict = 1.05 * value / 0.5 + 2.0
    assert prices.rank_ratio(p) == pytest.approx(strict)
    twice = replace(p, flow=np.array([2 * FLOW, FLOW]), net_rate=np.array([2.0, 0.5]))
    assert prices.rank_ratio(twice) == pytest.approx(2 * strict)
    free = replace(twice, stations_at_once=np.array([np.inf]))
    assert prices.rank_ratio(free) == pytest.approx(strict)
    many = replace(plan(8, 1, priority=np.arange(1, 9)), wet_weight=np.full((8, 1), 1e3))
    assert prices.rank_ratio(many) == pytest.approx(1e10 ** (1 / 7))  # held to the whole spread


@pytest.mark.parametrize("controllers", [[0, 0, 1, 1], [1, 1, 0, 0]])
def test_the_widest_spread_of_any_controller_counts(controllers):
    flow = FLOW * np.array([3.0, 1.0, 2.0, 1.0])
    p = plan(4, 1, flow=flow, controller_of_zone=controllers, stations_at_once=[2.0, 2.0])
    assert prices.station_spread(p) == pytest.approx(3.0)


def test_nights_are_told_apart_by_a_hundredth():
    # its own nights are 1 and 4 of six; the others dearer by 0.01 and 0.002 a night away; tonight cheaper by the chance
    # that rain wastes it, 0.95 at most
    led = refill(plan(2, 6), 100.0)
    led = replace(led, runs=np.array([[0, 1, 0, 0, 1, 0], [0] * 6], bool), wasted=np.array([0.3, 0.99]))
    found = prices.night_preference(led)
    np.testing.assert_allclose(found[0], [1.012 - 0.3, 1, 1.012, 1.012, 1, 1.012])
    np.testing.assert_allclose(found[1], [1.02 - 0.95, 1.018, 1.016, 1.014, 1.012, 1])  # without a need, the last


@pytest.mark.parametrize(
    "name", ["etc", "taw", "priority", "wet_weight", "source_price", "energy_price", "caution", "allowed"]
)
def test_prices_follow_what_they_are_made_of(name):
    one = drawn(1)
    value = getattr(one, name)
    other = replace(one, **{name: ~value if value.dtype == bool else value + 1} if name != "caution" else {name: 2.0})
    assert not prices.priced_alike(one, other) and prices.priced_alike(one, replace(one, allocation=5.0))
    assert not prices.priced_alike(one, replace(one, members=drawn_members(1, one)))
    assert not prices.priced_alike(replace(one, members=drawn_members(1, one)), one)


# ------------------------------------------------------------------------------------------------------ how deep a run


def course(p, z, level, first, etc, rain, value):
    """One zone with one level of refilling in one weather: cost, whether it drained, nights, what is owed."""
    depletion, cost, drained, nights = p.depletion[z] - first, first, False, []
    for n in range(p.nights):
        limit = p.dry_limit[z, n]
        to = p.wet_limit[z, n] + level * (limit - p.wet_limit[z, n])
        if n and depletion + etc[n] - rain[n] > limit and depletion > to:
            cost, depletion = cost + depletion - to, to
            nights.append(n)
        after = depletion + etc[n] - rain[n]
        drained = drained or after < 0.0
        depletion = min(max(after, 0.0), p.taw[z])
        cost += value * max(depletion - limit, 0.0)
    owed = min(max((depletion - to) / max(limit - to, 1e-6), 0.0), 1.0)
    return cost + depletion, drained, nights, owed


@pytest.mark.parametrize("seed", range(4))
def test_the_depth_of_a_run_played_level_by_level(seed):
    p = drawn(seed, nights=5)
    p = replace(p, members=drawn_members(seed, p) if seed % 2 else None)
    etc = [p.etc] if p.members is None else [p.etc, *p.members.etc]
    rain = [p.effective_rain] if p.members is None else [p.effective_rain, *p.members.effective_rain]
    weight = [1.0] if p.members is None else [0.4, 0.3, 0.3]
    found = refill(p, 20.0, 2.5)
    for z in range(p.zones):
        ways = []
        for waits in (True, False):
            for level in np.linspace(0.0, 0.8, 8):
                to = p.wet_limit[z, 0] + level * (p.dry_limit[z, 0] - p.wet_limit[z, 0])
                first = 0.0 if waits else max(p.depletion[z] - to, 0.0)
                played = [course(p, z, level, first, e[z], r[z], 20.0) for e, r in zip(etc, rain, strict=True)]
                runs = (first > 0) + sum(w * (len(c[2]) + c[3]) for w, c in zip(weight, played, strict=True))
                cost = sum(w * c[0] for w, c in zip(weight, played, strict=True)) + 2.5 * runs
                wasted = sum(w * c[1] for w, c in zip(weight, played, strict=True))
                ways.append((cost, first, wasted, played[0][2]))
        cost, first, wasted, nights = ways[int(np.argmin([w[0] for w in ways]))]
        assert found.depth[z] == pytest.approx(first)
        assert found.wasted[z] == pytest.approx(wasted if first > 0 else 0.0)
        assert np.flatnonzero(found.runs[z]).tolist() == ([0] if first > 0 else []) + nights


# ----------------------------------------------------------------------------------------------------------- flushes


def drawn_upkeep(seed, inputs, needs):
    rng = np.random.default_rng(seed + 7)
    count, shape = needs.zone.size, needs.harm.shape
    return replace(
        needs,
        lasts=rng.uniform(5.0, 20.0, count),
        held=rng.uniform(0.0, 1.0, shape),
        upkeep=Upkeep(
            rng.uniform(0.0, 2.0, shape) * (rng.random(shape) < 0.7) * (rng.random((count, 1)) < 0.8),
            needs.harm * 0.5, needs.harm_after * 0.5, rng.uniform(0.2, 0.6, count), rng.uniform(0.6, 1.2, count),
        ),
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(4))
def test_ways_of_a_zone_and_what_each_costs_one_by_one(seed):
    p = drawn(seed)
    needs = drawn_needs(np.random.default_rng(seed), p, 3)
    needs = drawn_upkeep(seed, p, needs) if seed else needs
    price = prices.plan_prices(p)
    found = flush_copies(p, needs, price)
    expected = []
    for z in range(p.zones):
        if z not in needs.zone:
            expected.append((z, False, (), -1, 0.0, 0.0, 0.0))
            continue
        f = needs.zone.tolist().index(z)
        worth = [price.dry[z] * (p.taw[z] - p.raw[z, n]) / max(p.etc[z, n], 1e-6) for n in range(p.nights)]
        lost = [w * h for w, h in zip(worth, needs.harm[f], strict=True)]
        harmful = [n for n in range(p.nights) if needs.harm[f, n] > 0]
        in_time = harmful[0] if harmful else p.nights
        held = np.zeros(p.nights) if needs.held is None else needs.held[f]
        per_mm = np.full(3, np.inf)
        for x in np.flatnonzero(p.runs.zone == z):
            k = p.runs.supply[x]
            per_mm[k] = min(per_mm[k], price.run[x] / p.net_rate[z])
        per_mm = np.where(np.isinf(per_mm), 0.0, per_mm)
        flushes = []
        may = [needs.allowed[f, n] and p.allowed[z, n].any() for n in range(p.nights)]
        for first in range(p.nights):
            for last in (first, first + 1):
                for k in range(3):
                    if (
                        last >= p.nights
                        or not may[first]
                        or not may[last]
                        or np.isnan(needs.depth[f, k])
                        or not p.zone_supply[z, k]
                    ):
                        continue
                    on = tuple(range(first, last + 1))
                    water = needs.depth[f, k] * per_mm[k]
                    cost = sum(lost[:last])
                    if needs.lasts is not None:
                        cost += water * max(in_time - last, 0) / needs.lasts[f]
                    kept = sum(held[n] for n in on)
                    soft = sum(price.wet[z, n] * p.wet_limit[z, n] for n in on)
                    flushes.append(
                        (z, True, on, k, needs.depth[f, k] + kept, cost - kept * per_mm[k], soft, water + cost + soft)
                    )
        waits = sum(lost) + np.mean(worth) * needs.harm_after[f]
        last_way = []
        if needs.upkeep is not None:
            one = min((needs.depth[f, w[3]] * per_mm[w[3]] for w in flushes), default=0.0)
            least = min((per_mm[w[3]] for w in flushes), default=0.0)
            due = (p.nights - in_time) / needs.lasts[f]
            waits += one * max(needs.upkeep.owed_without[f] - due, 0.0)
            upkeep = sum(w * h for w, h in zip(worth, needs.upkeep.harm[f], strict=True))
            upkeep += np.mean(worth) * needs.upkeep.harm_after[f] + one * (needs.upkeep.owed[f] - due)
            on = tuple(n for n in range(p.nights) if needs.upkeep.depth[f, n] > 0)
            soft = sum(price.wet[z, n] * p.wet_limit[z, n] for n in on)
            if on and upkeep + needs.upkeep.depth[f].sum() * least + soft < waits:
                last_way = [(z, True, on, -1, 0.0, upkeep - sum(held[n] for n in on) * least, soft)]
        expected += [(z, True, (), -1, 0.0, waits, 0.0), *(w[:7] for w in flushes), *last_way]
    got = [
        (int(found.zone[v]), bool(found.open[v]), tuple(np.flatnonzero(found.flush[v]).tolist()), int(found.supply[v]))
        for v in range(found.zone.size)
    ]
    assert got == [e[:4] for e in expected]
    for name, place in (("depth", 4), ("harm", 5), ("softness", 6)):
        np.testing.assert_allclose(getattr(found, name), [e[place] for e in expected], rtol=1e-9, atol=1e-9)
    for v, (z, _, on, k, *_rest) in enumerate(expected):
        f = needs.zone.tolist().index(z) if z in needs.zone else -1
        limit = p.dry_limit[z].copy()
        if on and k >= 0:
            limit[on[0] :] = needs.dry_limit_after[f, on[0] :]
        np.testing.assert_array_equal(found.dry_limit[v], limit)
        each = np.zeros(p.nights)
        if on and k < 0:
            each[list(on)] = (needs.upkeep.depth + needs.held)[f, list(on)]
        np.testing.assert_allclose(found.each[v], each)
    assert (found.weather == -1).all()


def test_where_very_many_zones_need_a_flush_each_is_asked_about_some_ways_evenly_apart():
    count = MOST_COPIES // FEWEST_WAYS + 1
    p = plan(count, 6)
    ones = np.ones((count, 6))
    needs = FlushNeeds(np.arange(count), np.full((count, 1), 5.0), ones > 0, 0 * ones, np.zeros(count))
    found = flush_copies(p, needs, prices.plan_prices(p))
    ways = np.bincount(found.zone[found.flushing], minlength=count)
    assert (ways == FEWEST_WAYS).all()
    first = {tuple(found.flush[v]) for v in np.flatnonzero(found.flushing)}
    assert len(first) == 11  # between them zones are asked about all six nights and five pairs


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"zone": np.array([1, 0])}, "rising"), ({"zone": np.array([0, 0])}, "rising"),
        ({"zone": np.array([-1, 0])}, "0 or above"), ({"zone": np.array([[0, 1]])}, "rising"),
        ({"depth": np.ones((1, 1))}, "depth: shape"), ({"depth": np.array([[1.0], [0.0]])}, "above 0"),
        ({"depth": np.array([[1.0], [np.inf]])}, "finite"), ({"harm": np.ones((1, 3))}, "harm: shape"),
        ({"harm": np.array([[0.0] * 3, [0.0, -1.0, 0.0]])}, "harm: every"), ({"allowed": np.ones((2, 2), bool)},
        "allowed: shape"),
        ({"harm_after": np.zeros(1)}, "harm_after: shape"), ({"harm_after": np.array([0.0, np.nan])},
        "harm_after: every"),
        ({"dry_limit_after": np.ones((2, 2))}, "dry_limit_after"), ({"lasts": np.array([1.0, 0.0])}, "lasts"),
        ({"lasts": np.ones(1)}, "lasts"), ({"held": np.ones((2, 2))}, "held: shape"),
        ({"held": -np.ones((2, 3))}, "held: every"),
    ],
)  # fmt: skip
def test_needs_that_cannot_be_are_refused(changes, words):
    two = np.zeros((2, 3))
    with pytest.raises(ValueError, match=words):
        replace(FlushNeeds(np.arange(2), np.ones((2, 1)), two == 0, two, np.zeros(2)), **changes)


# ------------------------------------------------------------------------------------------- copies and weathers


def copies_of(p, zone, **changes):
    count = len(zone)
    none = np.zeros((count, p.nights))
    given = {
        "zone": np.array(zone), "open": np.zeros(count, bool), "flush": none > 0, "depth": np.zeros(count),
        "each": none,
        "supply": np.full(count, -1), "harm": np.zeros(count), "softness": np.zeros(count),
        "dry_limit": p.dry_limit[zone], "weather": np.full(count, -1),
    }  # fmt: skip
    return Copies(**given | changes)


def test_zones_without_a_flush_get_a_root_zone_for_each_weather():
    p = drawn(2, zones=3)
    p = replace(p, members=drawn_members(2, p))
    one = np.zeros((3, p.nights), bool)
    one[1, 2] = True
    found = weathers.over_weathers(copies_of(p, [0, 1, 2], flush=one), p)
    assert found.zone.tolist() == [0, 1, 2, 0, 2, 0, 2] and found.weather.tolist() == [0, -1, 0, 1, 1, 2, 2]
    assert weathers.tonight_of(found).tolist() == [0, 1, 2, 0, 2, 0, 2]
    inputs = spread.spread_inputs(p, found, weathers.tonight_of(found))
    np.testing.assert_array_equal(inputs.etc[3:], [p.members.etc[s, z] for s in (0, 1) for z in (0, 2)])
    np.testing.assert_array_equal(inputs.effective_rain[:3], p.effective_rain)
    assert inputs.runs.weather[inputs.runs.night == 0].max(initial=-1) == -1
    chosen = weathers.settled_copies(copies_of(p, [0, 0, 1], open=np.ones(3, bool)), np.array([0.4, 0.6, 1.0]))
    assert chosen.zone.tolist() == [0, 1] and not chosen.open.any()
    alone = weathers.single_copies(p)
    assert alone.zone.tolist() == [0, 1, 2] and (alone.weather == -1).all() and not alone.open.any()


def test_what_dryness_costs_in_weathers_that_only_may_come():
    p = drawn(3, zones=2, caution=2.0)
    p = replace(p, members=drawn_members(3, p))
    copies = weathers.over_weathers(weathers.single_copies(p), p)
    inputs = spread.spread_inputs(p, copies, weathers.tonight_of(copies))
    own = prices.plan_prices(p)
    by_copy = spread.spread_prices(own, p, inputs, copies)
    found = weathers.insured_prices(by_copy, inputs, copies)
    share = [0.4, 0.4, 0.3, 0.3, 0.3, 0.3]
    for v, z in enumerate(copies.zone.tolist()):
        dry = own.dry[z] if v < 2 else share[v] * own.insured[z]  # the main weather is strict
        assert found.dry[v] == pytest.approx(dry) and found.very_dry[v] == pytest.approx(PRICES.steepening * dry)
        np.testing.assert_allclose(found.shortfall[v], own.shortfall[z] * dry / own.dry[z])
        np.testing.assert_allclose(found.wet[v], own.wet[z] * share[v])
        np.testing.assert_allclose(found.drainage[v], own.drainage[z] * share[v])
        assert found.terminal[v] == pytest.approx(own.terminal[z] * share[v])
    cells = {
        k: i
        for i, k in enumerate(
            zip(*(getattr(p.runs, n).tolist() for n in ("zone", "night", "block", "supply")), strict=True)
        )
    }
    for x in range(inputs.runs.zone.size):
        v, n = int(inputs.runs.zone[x]), int(inputs.runs.night[x])
        i = cells[int(copies.zone[v]), n, int(inputs.runs.block[x]), int(inputs.runs.supply[x])]
        later = 1.0 if n == 0 else share[v]  # tonight is the same in all of them
        assert found.run[x] == pytest.approx(own.run[i] * later) and found.water[x] == pytest.approx(
            own.water[i] * later
        )


def test_a_flush_takes_its_own_supply_and_dry_limit_only():
    p = drawn(1, zones=2, zone_supply=True)
    limit = np.stack([p.dry_limit[1] * 0.9, p.dry_limit[0]])
    copies = copies_of(p, [1, 0], supply=np.array([2, -1]), dry_limit=limit)
    found = spread.spread_inputs(p, copies)
    assert found.zone_supply.tolist() == [[False, False, True], [True, True, True]]
    np.testing.assert_array_equal(found.dry_limit, limit)
    np.testing.assert_array_equal(found.area, p.area[[1, 0]])
    order = replace(p, cuts=(Cut("order", np.array([True, False]), np.ones(p.nights), 1),))
    assert spread.spread_inputs(order, copies).cuts[0].zones.tolist() == [False, True]
    assert spread.spread_inputs(order, copies).cuts[0].since == 1


# --------------------------------------------------------------------------------------------------------- editing


@pytest.mark.parametrize(
    ("changes", "equal", "takes"),
    [
        ({}, True, True),
        ({"etc": 6.0}, False, False), ({"taw": 41.0}, False, False), ({"depletion": 9.0}, False, False),
        ({"max_run": 60.0}, False, True), ({"energy_price": 0.3}, False, True), ({"block_length": 100.0}, False, True),
        ({"block_length": 0.0}, False, True), ({"source_price": [0.5]}, False, True),
        ({"allocation": 50.0}, False, True),
        ({"allocation": np.inf}, False, True), ({"source_daily": 30.0}, False, False),
        ({"pump_capacity": [5.0]}, False, True),
        ({"tiers": (Tier(10.0, 1.0),)}, False, True), ({"tiers": ()}, False, False),
        ({"allowed": np.array([[[True], [False]], [[False], [False]]])}, False, True),
        ({"allowed": np.array([[[True], [True]], [[True], [True]]])}, False, False),
        ({"cuts": (Cut("other", np.array([True, False]), np.array([np.inf, 9.0]), 1),)}, False, True),
        ({"cuts": (Cut("order", np.array([True, True]), np.array([np.inf, 20.0]), 1),)}, False, False),
        ({"cuts": (Cut("order", np.array([True, False]), np.array([np.inf, 20.0]), 0),)}, True, False),
        ({"cuts": (Cut("order", np.array([True, False]), np.array([9.0, 20.0]), 1),)}, False, False),
        ({"pump_share": np.array([[1.0, 0.5]])}, False, True), ({"tail": np.ones(2)}, False, False),
    ],
)  # fmt: skip
def test_what_a_loaded_plan_takes_on_and_what_needs_a_new_one(changes, equal, takes):
    given = {
        "allocation": 100.0, "pump_of_zone": 0, "pump_capacity": [20.0], "pump_energy": [0.1],
        "tiers": (Tier(20.0, 1.0),),
        "allowed": np.array([[[True], [True]], [[False], [True]]]),
        "cuts": (Cut("order", np.array([True, False]), np.array([np.inf, 20.0]), 1),),
    }  # fmt: skip
    built, wanted = plan(2, 2, **given), plan(2, 2, **given | changes)
    assert edits.takes_on(built, wanted) is takes
    if "cuts" not in changes or not equal:
        assert edits.equal_inputs(built, wanted) is equal
    members = replace(built, members=drawn_members(0, built))
    assert not edits.equal_inputs(built, members) and edits.equal_inputs(
        members, replace(members, members=drawn_members(0, built))
    )
    other = replace(members, members=replace(members.members, weight=np.array([0.3, 0.2])))
    assert not edits.equal_inputs(members, other)


ORDER = Cut("order", np.array([True, False]), np.array([np.inf, 20.0]))


@pytest.mark.parametrize(
    ("changes", "less"),
    [
        ({}, True), ({"allocation": 90.0}, True), ({"allocation": 110.0}, False),
        ({"source_daily": [40.0, 30.0]}, True), ({"source_daily": [60.0, 30.0]}, False),
        ({"source_monthly": [[80.0], [5.0]]}, True), ({"source_monthly": [[80.0], [np.inf]]}, False),
        ({"cuts": (ORDER, ORDER)}, True), ({"cuts": ()}, False),
        ({"cuts": (replace(ORDER, volume=np.array([9.0, 20.0])),)}, True),
        ({"cuts": (replace(ORDER, volume=np.array([np.inf, 21.0])),)}, False),
        ({"cuts": (replace(ORDER, zones=np.array([True, True])),)}, False),
        ({"cuts": (replace(ORDER, since=1),)}, False),
        ({"allocation": 90.0, "max_run": 50.0}, False), ({"energy_price": 0.3}, False),
        ({"tiers": (Tier(10.0, 1.0),)}, False),
    ],
)  # fmt: skip
def test_what_only_takes_water_away(changes, less):
    given = {
        "allocation": 100.0, "cuts": (ORDER,), "supply_share": [[1.0, 0.0], [0.0, 1.0]], "source_price": [0.2, 0.3],
        "source_daily": [50.0, 30.0], "source_monthly": [[90.0], [50.0]],
    }  # fmt: skip
    one = plan(2, 2, **given)
    assert edits.only_less_water(one, plan(2, 2, **given | changes)) is less
    assert not edits.only_less_water(one, replace(one, members=drawn_members(0, one)))


@pytest.mark.parametrize(
    ("limit", "keeps"),
    [
        ({}, True), ({"allocation": 33.0}, True), ({"allocation": 33.0 - 1e-12}, True), ({"allocation": 32.9}, False),
        # zone 0 takes 10 and 8 m3 (half of them from either source), zone 1 takes 6 and 9 m3 of the second
        ({"source_daily": [5.0, 13.0]}, True), ({"source_daily": [4.9, 13.0]}, False),
        ({"source_daily": [5.0, 12.9]}, False),
        ({"source_monthly": [[5.0, 4.0], [11.0, 13.0]]}, True), ({"source_monthly": [[5.0, 3.9], [11.0, 13.0]]}, False),
        ({"cuts": (Cut("order", np.array([True, False]), np.array([10.0, 18.0])),)}, True),
        ({"cuts": (Cut("order", np.array([True, False]), np.array([10.0, 17.9])),)}, False),
        ({"cuts": (Cut("order", np.array([True, False]), np.array([9.9, np.inf])),)}, False),
        ({"cuts": (Cut("order", np.array([True, False]), np.array([0.0, 8.0]), 1),)}, True),
        ({"cuts": (Cut("order", np.array([False, True]), np.array([np.inf, 14.9])),)}, False),
    ],
)  # fmt: skip
def test_run_times_are_held_to_every_limit_on_water(limit, keeps):
    given = {"month_of_night": [0, 1], "supply_share": [[0.5, 0.5], [0.0, 1.0]], "source_price": [0.2, 0.3]}
    p = plan(2, 2, **given | limit)
    volume = np.array([[[10.0, 0.0], [8.0, 0.0]], [[0.0, 6.0], [0.0, 9.0]]])  # [m3]
    assert edits.keeps_to_water(p, volume / p.water_per_minute[:, None, None]) is keeps


def test_values_of_run_columns_on_those_of_other_inputs():
    own = plan(2, 2, 2, allowed=np.array([[[1, 1], [0, 1]], [[1, 0], [1, 1]]], bool))
    other = plan(2, 2, 2, allowed=np.array([[[0, 1], [1, 1]], [[1, 1], [0, 1]]], bool))
    found = edits.on_columns(np.arange(1.0, 7.0), own, other)
    # own: (0,0,0) (0,0,1) (0,1,1) (1,0,0) (1,1,0) (1,1,1) are 1 to 6
    assert found.tolist() == [2.0, 0.0, 3.0, 4.0, 0.0, 6.0]


# ------------------------------------------------------------------------------------------------ cost of every column


def test_every_variable_has_its_price():
    # two weathers beside the main one, tiers at 0.5 and 2.0 a cubic metre, the driest fifth of one zone of two counted
    p = drawn(4, zones=2, tail=np.array([0.0, 0.8]), tiers=(Tier(1.0, 0.5), Tier(2.0, 2.0)))
    p = replace(p, members=drawn_members(4, p))
    whole = spread.Spread.of(p, None)
    price, inputs = whole.spread_prices, whole.spread
    m = lay_out(inputs, price, whole.copies)
    matrices, spans = compiled(m)
    n = p.nights

    def cost(name):
        return matrices.cost[spans.column[name]]

    def at(name, values):
        return values.ravel()[keys(m.component(name))]

    assert not cost("in_band").any()
    np.testing.assert_allclose(cost("run_time"), price.run)
    for name in ("dry", "very_dry"):
        np.testing.assert_allclose(cost(name), np.repeat(getattr(price, name), n))
    np.testing.assert_allclose(cost("soft"), price.wet.ravel())
    for name in ("drainage", "shortfall"):
        np.testing.assert_allclose(cost(name), at(name, getattr(price, name)))
    np.testing.assert_allclose(cost("missing"), price.terminal)
    np.testing.assert_allclose(cost("beyond"), at("beyond", price.beyond))
    np.testing.assert_allclose(cost("over_use"), [0.4 * 0.5, 0.4 * 1.5])  # the main weather's share; steps overlap
    np.testing.assert_allclose(cost("over_use_weathers"), np.array([0.5, 0.5, 1.5, 1.5]) * 0.3)
    # zone 1 is root zones 1, 3 and 5: main, first and second weather
    worth = 0.8 * whole.prices.insured[1]
    np.testing.assert_allclose(cost("level"), [worth])
    np.testing.assert_allclose(cost("worse"), worth * np.array([0.4, 0.3, 0.3]) / PRICES.tail_share)


def test_a_zone_with_a_flush_pays_its_harm_and_softness():
    p = drawn(5)
    whole = spread.Spread.of(p, drawn_needs(np.random.default_rng(5), p, 3))
    m = lay_out(whole.spread, whole.spread_prices, whole.copies)
    matrices, spans = compiled(m)
    harm = (whole.copies.harm + whole.copies.softness)[whole.copies.open]
    np.testing.assert_allclose(matrices.cost[spans.column["chosen"]], harm)
    assert not matrices.cost[spans.column["flushed"]].any()
    with pytest.raises(ValueError, match="one weather"):
        both = replace(p, members=drawn_members(5, p))
        spread.Spread.of(both, drawn_needs(np.random.default_rng(5), p, 3))


def test_a_longest_run_that_no_row_says_yet():
    # two blocks, so two columns a night; built where no longest run binds, wanted with one of 5 min for 10 mm
    built = plan(2, 1, 2, block_length=100.0)
    short = plan(2, 1, 2, block_length=100.0, max_run=[5.0, 600.0])
    assert edits.longest_run_unsaid(built, short).tolist() == [True, False]
    assert not edits.longest_run_unsaid(short, replace(short, max_run=np.array([4.0, 600.0]))).any()  # a row says it
    one = plan(2, 1, 2, block_length=100.0, max_run=5.0, allowed=np.array([[[True, False]], [[True, True]]]))
    assert edits.longest_run_unsaid(built, one).tolist() == [False, True]  # of one column its bound says it
