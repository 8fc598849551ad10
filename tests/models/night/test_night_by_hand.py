"""Parts of the night by second calculations: a checker and a player of small steps, every set, every order."""

from dataclasses import replace
from itertools import combinations, permutations

import numpy as np
import pytest

from models.hydraulics import PumpCurve
from models.night import bounds, grouping, outcome, parts, patterns
from models.night.any_order import latest_end, most_together, share_any_order
from models.night.board import Board
from models.night.grouping import minutes_per_start
from models.night.job import NightJob, Standing, planning_resolution
from models.night.packing import pack_night
from models.night.percent import as_percent, earlier, percent_choice
from models.night.playback import check_programmes, keyed_minutes, play_programmes
from models.night.programmes import Programme, run_length, run_offsets
from models.night.simulate import check_timetable, low_flows, play_night
from models.night.timetable import Bounds
from tests.models.night.controllers import needs_of, night, rules_of
from tests.models.night.nights import random_job

# ------------------------------------------------------------------------------------------------- what is refused


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("soak", [0.0, -1.0]), ("soak", [0.0]), ("soak", [0.0, np.inf]), ("smallest_cycle", [2.0, -1.0]),
        ("flow", [1.0, -1.0]), ("flow", [1.0, np.nan]), ("resolution", [1.0, 0.0]), ("resolution", [1.0, np.inf]),
        ("resolution", [1.0, 0.0251]), ("resolution", [1.0, 0.0249]), ("resolution", [1.0, 0.05]),
        ("pump", np.array([0, 1])),
        ("pump", np.array([0, -2])), ("pump", np.array([0.0, 0.0])), ("controller", np.array([0, 5])),
        ("branch", np.array([0, -1])), ("cycle_zone", np.array([0, 2])), ("cycle_zone", np.array([0, -1])),
        ("cycle_zone", np.array([0.0, 1.0])), ("cycle_minutes", [10.0, 0.0]),
        ("cycle_minutes", [10.0, 10.5]), ("cycle_minutes", [10.0, 9.5]),
        ("cycle_minutes", [10.0]), ("cycle_minutes", [10.0, np.inf]), ("pump_capacity", [-1.0]),
        ("pump_capacity", [np.nan]), ("pump_ramp", [1.0, 1.0]), ("pump_ramp", [-1.0]), ("pump_smallest", [np.inf]),
        ("pump_smallest", [0.0, 0.0]), ("stations_at_once", [-1.0]), ("branch_capacity", [[1.0]]),
        ("pieces", [[1320.0, 1300.0]]), ("pieces", [[1320.0, 1400.0], [1390.0, 1680.0]]),
        ("pieces", [1320.0, 1680.0]), ("pieces", [[1320.0, np.inf]]),
        ("blocks", [[1320.0, 1680.0], [1440.0, 1680.0]]), ("blocks", [[1320.0, 1500.0]]),
        ("finish_rank", np.array([0])), ("finish_by", np.array([1600.0])), ("smallest_run", np.array([1.0])),
        ("allowed", np.ones((2, 1), bool)), ("minutes_by_block", np.ones((1, 2))),
        ("minutes_by_block", np.full((2, 2), -1.0)), ("minutes_by_block", np.full((2, 2), np.nan)),
        ("block_price", np.ones(1)),
    ],
)  # fmt: skip
def test_one_value_of_a_night_that_cannot_be_is_refused_by_its_name(field, value):
    job = night([1.0, 2.0], [10, 10], [1, 1], [0, 0])
    with pytest.raises(ValueError, match=field):
        replace(job, **{field: np.asarray(value)})


def test_a_night_on_the_edge_of_what_can_be():
    job = night(
        [0.0, 2.0],
        [10, 10],
        [1, 1],
        [-1, 0],
        pump=np.array([-1, 0]),
        smallest_cycle=np.zeros(2),
        stations_at_once=np.zeros(1),
    )
    touching = replace(job, pieces=np.array([[1320.0, 1400.0], [1400.0, 1400.0], [1400.0, 1680.0]]))
    assert touching.whole_pieces.tolist() == [[1320, 1680]] and touching.window_minutes == 360.0
    tenth = replace(job, resolution=np.array([0.1, 1.0]))
    assert (tenth.grid_s, job.grid_s, replace(job, step_s=30).grid_s) == (6, 60, 30)
    for wrong in ([0.0], [60.5], [59.5], [60.0, -6.0]):
        with pytest.raises(ValueError, match="whole seconds"):
            planning_resolution(np.array(wrong))
    assert planning_resolution(np.array([6.0, 7.0, 20.0, 90.0])).tolist() == [0.1, 0.7, 20 / 60, 1.5]


def test_the_grid_takes_no_more_than_the_window_holds():
    # 0.25 min of grid: a window from 1320.1 to 1679.9 loses 0.15 at each end
    job = replace(night([1.0], [10], [1], [0], resolution=np.array([0.25])), pieces=np.array([[1320.1, 1679.9]]))
    assert job.to_minutes(job.whole_pieces).tolist() == [[1320.25, 1679.75]]
    assert job.to_grid(np.array([1.0, 1.1, 1.2])).tolist() == [4, 4, 5]
    assert job.to_grid(np.array([1.0, 1.1]), "up").tolist() == [4, 5] and job.to_grid(
        np.array([1.2]), "down"
    ).tolist() == [4]
    by = replace(job, finish_by=np.array([1500.1]), hold_finish=True)
    assert by.hours[0][0].tolist()[-1] == 6000 and job.hours[0][0].tolist()[:-1] == [1, 1]
    gone = replace(job, pieces=np.array([[1320.0, 1320.1], [1330.0, 1400.0]]))
    assert gone.to_minutes(gone.whole_pieces).tolist() == [[1330.0, 1400.0]]


# ----------------------------------------------------------------------------------------- a checker of small steps


def moved(rng, job, table):
    """A timetable of which some cycles were moved or lengthened, in steps of the grid."""
    shift = rng.integers(-20, 20, table.zone.size) * (rng.random(table.zone.size) < 0.5) * job.grid_min
    longer = rng.integers(0, 3, table.zone.size) * (rng.random(table.zone.size) < 0.2) * job.grid_min
    return replace(table, start=table.start + shift, end=table.end + shift + longer)


def faults_of(job, table):
    """Broken rules (kind, index), step by step of a tenth of the grid's minute."""
    found = set()
    step = job.grid_min
    first = min(table.start.min(initial=0.0), job.pieces.min()) - 10.0
    count = int(round((table.end.max(initial=0.0) + 10.0 - first) / step))
    edges = first + step * np.arange(count + 1)
    middle = edges[:-1] + step / 2
    on = (table.start[:, None] <= middle) & (middle < table.end[:, None])  # (J, T)
    by_zone = np.array([on[table.zone == z].sum(axis=0) for z in range(job.zones)])
    for kind, index, capacity, amount in (
        ("pump", job.pump, job.pump_capacity, job.flow),
        ("branch", job.branch, job.branch_capacity, job.flow),
        ("controller", job.controller, job.stations_at_once, np.ones(job.zones)),
    ):
        for g in range(capacity.size):
            used = (amount[index == g] @ by_zone[index == g]) if (index == g).any() else np.zeros(count)
            if (used > capacity[g] * (1 + 1e-6) + 1e-6).any():
                found.add((kind, g))
    inside = ((job.pieces[:, None, 0] <= middle) & (middle < job.pieces[:, None, 1])).any(axis=0)
    for j, z in enumerate(table.zone.tolist()):
        if (on[j] & ~inside).any():
            found.add(("window", z))
        if job.allowed is not None:
            for b, (opens, closes) in enumerate(job.blocks):
                if not job.allowed[z, b] and (on[j] & (opens <= middle) & (middle < closes)).any():
                    found.add(("allowed hours", z))
    for z in range(job.zones):
        own = sorted((table.start[j], table.end[j]) for j in np.flatnonzero(table.zone == z))
        asked = job.cycle_minutes[job.cycle_zone == z].sum()
        if abs(sum(e - s for s, e in own) + table.unplaced[z] - asked) > 1e-6:
            found.add(("minutes", z))
        for (_, ended), (begins, _) in zip(own, own[1:], strict=False):
            if begins < ended - 1e-6:
                found.add(("zone twice", z))
            elif begins - ended < job.soak[z] - 1e-6:
                found.add(("soak", z))
        whole = job.resolution[z] >= 1.0 - 1e-9
        if whole and any(abs(s - round(s)) > 1e-6 for s, _ in own):
            found.add(("whole minute", z))
        if any(abs((e - s) / job.resolution[z] - round((e - s) / job.resolution[z])) > 1e-6 for s, e in own):
            found.add(("resolution", z))
    return found


@pytest.mark.parametrize("seed", [4, 7, 11, 24, 43, 36, 38])  # of coarse steps, so that few are gone through
def test_the_check_finds_what_small_steps_find(seed):
    rng = np.random.default_rng(seed)
    job = replace(random_job(seed), pump_ramp=np.full(random_job(seed).pump_ramp.shape, np.inf))
    table = pack_night(job)
    assert check_timetable(job, table) == () and not faults_of(job, table)
    wrong = moved(rng, job, table)
    told = {(v.kind, v.index) for v in check_timetable(job, wrong) if v.kind != "smallest cycle"}
    assert told == faults_of(job, wrong)


@pytest.mark.parametrize("seed", range(6))
def test_the_largest_change_and_the_ramp_step_by_step(seed):
    # flow at any two moments less than a minute apart; one valve alone may pass the ramp
    rng = np.random.default_rng(seed)
    zones = 5
    flow = rng.uniform(1.0, 4.0, zones).round(1)
    job = night(flow, [10] * zones, [1] * zones, [0] * zones, resolution=np.full(zones, 0.5))
    start = 1330.0 + rng.integers(0, 12, zones) * 0.5
    table = replace(pack_night(job), zone=np.arange(zones), start=start, end=start + 10.0)
    at = np.arange(1325.25, 1350.0, 0.5)
    level = ((table.start[:, None] <= at) & (at < table.end[:, None])).T @ flow
    turned = [(m, flow[z]) for z in range(zones) for m in (table.start[z], table.end[z])]
    largest, over = 0.0, set()
    for i in range(at.size):
        for j in (
            i + 1,
            i + 2,
        ):  # half a minute or a minute on: moments less than a minute apart, by the middle of steps
            if j < at.size and at[j] - at[i] < 1.25:
                change = abs(level[j] - level[i])
                largest = max(largest, change)
                valve = max((f for m, f in turned if at[i] < m < at[j]), default=0.0)
                over.add(bool(change > max(3.0, valve) + 1e-9))
    played = play_night(job, table)
    assert played.largest_change[0] == pytest.approx(largest)
    told = {v.kind for v in check_timetable(replace(job, pump_ramp=np.array([3.0])), table)}
    assert ("ramp" in told) is (True in over)


@pytest.mark.parametrize("seed", [4, 7, 36])
def test_a_night_played_step_by_step(seed):
    rng = np.random.default_rng(seed + 50)
    job = replace(random_job(seed), pump_smallest=np.full(random_job(seed).pump_smallest.shape, 3.0))
    table = pack_night(job)
    pumps, resistance = job.pump_capacity.size, rng.uniform(0.0, 0.1, job.branch_capacity.size)
    resistance[0] = 0.0
    curve = PumpCurve(np.array([0.0, 5.0, 30.0]), np.array([60.0, 50.0, 20.0]), np.array([0.0, 0.6, 0.7]), 45.0)
    played = play_night(job, table, (curve,) * pumps, resistance)
    step = 0.25  # all starts and stops, and the edges of all blocks, lie on it
    middle = np.arange(int(np.floor(table.start.min())), int(np.ceil(table.end.max())), step) + step / 2
    on = (table.start[:, None] <= middle) & (middle < table.end[:, None])
    for p in range(pumps):
        of_pump = job.pump[table.zone] == p
        level = job.flow[table.zone[of_pump]] @ on[of_pump]
        taken = np.zeros(middle.size)
        for r in range(resistance.size):
            of_both = of_pump & (job.branch[table.zone] == r)
            taken = np.maximum(taken, resistance[r] * (job.flow[table.zone[of_both]] @ on[of_both]) ** 1.852)
        given = np.minimum(45.0 + taken, np.interp(level, curve.flow, curve.head))
        efficiency = np.where(level > 0, np.interp(level, curve.flow, curve.efficiency), 1.0)
        power = 9.81 * level * given / efficiency / 1000.0
        missing = np.where(level > 0, 45.0 + taken - given, 0.0)
        inside = (job.blocks[:, None, 0] <= middle) & (middle < job.blocks[:, None, 1])
        np.testing.assert_allclose(played.energy[p], inside @ power * step / 60.0, rtol=1e-6, atol=1e-9)
        np.testing.assert_allclose(played.pumped[p], inside @ level * step * 0.06, rtol=1e-6, atol=1e-9)
        assert played.under_smallest[p] == pytest.approx(((level > 0) & (level < 3.0 - 1e-6)).sum() * step)
        assert played.short_of_head[p] == pytest.approx((missing > 0.05).sum() * step)
        assert played.most_missing[p] == pytest.approx(missing.max(initial=0.0))
        by_minute = level.reshape(-1, round(1 / step))
        np.testing.assert_allclose(played.flow[p], by_minute.mean(axis=1), atol=1e-6)
        lifted = (level * given).reshape(by_minute.shape).sum(axis=1) / np.maximum(by_minute.sum(axis=1), 1e-12)
        np.testing.assert_allclose(played.head[p], lifted, atol=1e-6)
        low = sum(s.end - s.start for s in low_flows(job, table) if s.pump == p)
        assert low == pytest.approx(played.under_smallest[p])
    np.testing.assert_allclose(
        played.volume, np.bincount(table.zone, (table.end - table.start) * 0.06, job.zones) * job.flow
    )


def test_what_is_kept_free_counts_beside_the_others_and_not_beside_its_own():
    job = night([4.0, 5.0], [10, 0], [1, 1], [0, 1], pump_capacity=np.array([8.0]))
    from models.night.job import Reserved

    kept = (Reserved(1400.0, 1500.0, np.array([5.0]), np.zeros(0)),)
    still = Standing(np.array([1]), np.array([1400.0]), np.array([1410.0]), np.zeros(2), kept, frozenset({1}))
    job = replace(job, standing=still)
    table = pack_night(job)
    assert check_timetable(job, table) == ()
    zone, start = np.array([0, 1]), np.array([1495.0, 1400.0])
    beside = replace(table, zone=zone, start=start, end=start + 10.0)
    assert {v.kind for v in check_timetable(job, beside)} == {"kept free of pump"}
    after = replace(beside, start=np.array([1500.0, 1400.0]), end=np.array([1510.0, 1410.0]))
    assert check_timetable(job, after) == ()


# ------------------------------------------------------------------------------------------- sets that run together


@pytest.mark.parametrize("seed", range(2))
def test_the_best_set_and_the_least_time_against_every_set(seed):
    from scipy.optimize import linprog

    rng = np.random.default_rng(seed)
    flow, minutes = rng.uniform(1.0, 6.0, 6), rng.uniform(5.0, 20.0, 6)
    sets = [s for n in range(1, 7) for s in combinations(range(6), n) if flow[list(s)].sum() <= 10.0]
    runs = np.array([[z in s for s in sets] for z in range(6)], dtype=float)
    least = linprog(np.ones(len(sets)), A_ub=-runs, b_ub=-minutes).fun
    assert patterns.pattern_bound(flow, minutes, 10.0) == pytest.approx(least, rel=2e-3)
    assert patterns.pattern_bound(flow, minutes, 10.0) <= least
    # The same where three of them hang on a pipe of their own and three may run at once.
    pipe, each = np.where(np.arange(6) < 3, flow, 0.0), np.ones(6)
    sets = [s for s in sets if pipe[list(s)].sum() <= 7.0 and len(s) <= 2]
    runs = np.array([[z in s for s in sets] for z in range(6)], dtype=float)
    least = linprog(np.ones(len(sets)), A_ub=-runs, b_ub=-minutes).fun
    found = patterns.pattern_bound(flow, minutes, 10.0, [(pipe, 7.0), (each, 2.0)])
    assert found == pytest.approx(least, rel=2e-3) and found <= least
    bound, prices = patterns.pattern_prices(flow, minutes, 10.0, [(pipe, 7.0), (each, 2.0)])
    assert bound == found == pytest.approx(prices @ minutes) and max(prices[list(s)].sum() for s in sets) <= 1 + 1e-9
    assert patterns.pattern_bound(flow, minutes, 10.0, [(pipe, 0.5), (each, 2.0)]) == np.inf
    price = rng.uniform(0.1, 1.0, 6) * [1, 1, 1, 1, 0, 1]
    best, chosen, proven = patterns._several(price, [(flow, 10.0), (pipe, 7.0), (each, 2.0)])
    assert proven and best == pytest.approx(max(price[list(s)].sum() for s in sets)) == price[chosen].sum()
    units = rng.integers(100, 1500, 6)
    price = rng.uniform(0.1, 1.0, 6)
    value, chosen = patterns._knapsack(price, units)
    every = [sum(price[list(s)]) for n in range(7) for s in combinations(range(6), n) if units[list(s)].sum() <= 2000]
    assert value == pytest.approx(max(every)) == pytest.approx(price[chosen].sum()) and units[chosen].sum() <= 2000
    fullest = [
        units_of
        for n in range(6)
        for s in combinations(range(1, 6), n)
        if (units_of := units[0] + units[list(s)].sum()) <= 1000
    ]
    assert bounds._fullest(units.tolist(), 0) == max(fullest, default=0)


@pytest.mark.parametrize("seed", range(12))
def test_the_best_set_within_several_limits_against_every_set(seed):
    rng = np.random.default_rng(seed)
    price, takes = rng.uniform(0.05, 1.0, 7), rng.uniform(0.5, 4.0, (3, 7))
    limits = [(row, most) for row, most in zip(takes, rng.uniform(5.0, 12.0, 3), strict=True)]
    sets = [list(s) for n in range(8) for s in combinations(range(7), n)]
    fits = [s for s in sets if all(row[s].sum() <= most for row, most in limits)]
    best, chosen, proven = patterns._several(price, limits)
    assert proven and best == pytest.approx(max(price[s].sum() for s in fits)) == pytest.approx(price[chosen].sum())


def test_prices_of_a_bound_that_is_not_the_best_prove_it_all_the_same(monkeypatch):
    monkeypatch.setattr(patterns, "MOST_ROUNDS", 1)
    monkeypatch.setattr(patterns, "_filled", lambda limits: np.eye(6, dtype=bool))  # each zone alone, at a price of 1
    flow, minutes, each = np.array([2.1, 2.2, 2.3, 3.1, 3.3, 1.7]), np.full(6, 30.0), np.ones(6)
    bound, prices = patterns.pattern_prices(flow, minutes, 5.6, [(each, 2.0)])
    sets = [list(s) for n in range(1, 3) for s in combinations(range(6), n) if flow[list(s)].sum() <= 5.6]
    assert max(prices[s].sum() for s in sets) <= 1.0 + 1e-9
    assert bound == pytest.approx(prices @ minutes)


@pytest.mark.parametrize("seed", range(6))
def test_the_search_ends_where_zones_are_seen_to_fit_and_no_sooner(seed, monkeypatch):
    rng = np.random.default_rng(seed)
    flow, minutes, each = rng.uniform(1.0, 6.0, 8), rng.uniform(5.0, 20.0, 8), np.ones(8)
    least, prices = patterns.pattern_prices(flow, minutes, 10.0, [(each, 3.0)])
    close, as_well = patterns.pattern_prices(flow, minutes, 10.0, [(each, 3.0)], fits=0.99 * least)
    assert close == least and (as_well == prices).all()
    looked = []
    several = patterns._several
    monkeypatch.setattr(patterns, "_several", lambda *a: looked.append(1) or several(*a))
    roomy, _ = patterns.pattern_prices(flow, minutes, 10.0, [(each, 3.0)], fits=float(minutes.sum()))
    assert roomy <= least * (1.0 + 1e-9) and not looked  # one after another fits: nothing is searched for


def test_a_set_found_among_too_many_is_not_proven_and_proves_nothing(monkeypatch):
    flow, minutes, each = np.array([4.0, 4.0, 1.5, 1.5]), np.full(4, 60.0), np.ones(4)
    assert patterns._several(each, [(flow, 8.8), (each, 2.0)])[2]
    assert patterns.pattern_bound(flow, minutes, 8.8, [(each, 2.0)]) == pytest.approx(120.0)
    monkeypatch.setattr(patterns, "MOST_SETS", 1)
    best, chosen, proven = patterns._several(each, [(flow, 8.8), (each, 2.0)])
    assert not proven and best == each[chosen].sum()
    # What is left is what the water alone takes.
    assert patterns.pattern_bound(flow, minutes, 8.8, [(each, 2.0)]) == pytest.approx(660.0 / 8.8)


def test_edges_of_the_least_time():
    ten = np.full(2, 10.0)
    assert patterns.pattern_bound(np.array([5.0, 0.0]), ten, 5.0) == pytest.approx(
        10.0
    )  # all of the capacity, and none
    assert patterns.pattern_bound(np.array([5.1, 1.0]), ten, 5.0) == np.inf
    assert patterns.pattern_bound(np.full(61, 1.0), np.full(61, 1.0), 5.0) == 0.0  # too many are not looked at
    assert patterns.pattern_bound(np.full(60, 1.0), np.full(60, 1.0), 5.0) == pytest.approx(12.0, rel=1e-3)
    assert (
        patterns.pattern_bound(np.ones(2), ten, np.inf) == patterns.pattern_bound(np.ones(2), np.zeros(2), 5.0) == 0.0
    )
    with pytest.raises(ValueError, match="minutes"):
        patterns.pattern_bound(np.ones(2), np.ones(3), 5.0)


def test_whole_flows_are_never_less_and_whole_capacities_never_more():
    assert bounds.whole_flow(np.array([1.0, 1.0000001, np.inf])).tolist() == [1_000_000, 1_000_001, 4 * 10**12]
    assert bounds.whole_capacity(np.array([1.0, 1.9999999, np.inf])).tolist() == [1_000_000, 1_999_999, 4 * 10**12]
    assert (
        bounds.whole_flow(np.array([0.1 + 0.2])).tolist()
        == [300_000]
        == bounds.whole_capacity(np.array([0.1 + 0.2])).tolist()
    )


def test_bounds_by_hand():
    # 6, 6 and 4 L/s for 10 min on 9 L/s: by volume 17.8 min; no two of them fit together, 30 min; on a branch of 10 the
    # first two alone are too much together: 20 min; two stations at once
    # take 16; a zone of three cycles 12 + 2 x 7
    limits = {"pump_capacity": [9.0], "branch_capacity": [10.0], "stations_at_once": [2.5], "soak": [0.0, 0.0, 7.0]}
    limits = {name: np.array(value) for name, value in limits.items()} | {"branch": np.array([0, 0, -1])}
    job = night([6.0, 6.0, 4.0], [10, 10, 12], [1, 1, 3], [0, 0, 0], **limits)
    found = bounds.lower_bounds(job)
    assert found.pump[0] >= 20.0 and bounds.lower_bounds(job, patterns=True).pump[0] >= found.pump[0]
    assert (found.branch[0], found.controller[0], found.zone.tolist()) == (20.0, 16.0, [10.0, 10.0, 26.0])
    none = replace(job, stations_at_once=np.array([0.9]), branch_capacity=np.array([5.9]))
    assert bounds.lower_bounds(none).controller[0] == bounds.lower_bounds(none).branch[0] == np.inf
    idle = night([6.0], [0], [1], [0], stations_at_once=np.zeros(1), pump_capacity=np.array([1.0]))
    assert (bounds.lower_bounds(idle).controller[0], bounds.lower_bounds(idle).pump[0]) == (0.0, 0.0)
    gap = replace(job, pieces=np.array([[1320.0, 1400.0], [1410.0, 1680.0]]))
    assert bounds.lower_bounds(gap).zone.tolist() == [10.0, 10.0, 12.0]  # a soak may fall in the gap
    assert Bounds(*(np.zeros(0),) * 4).largest == 0.0 and found.largest == max(found.pump[0], 26.0)


def test_least_time_where_whole_zones_do_not_fill_the_capacity():
    # on 10 L/s: two of 4 at a time: 15 min for three of them, where the volume alone asks for 12
    least = bounds._capacity_bound
    assert least(np.full(3, 4), np.full(3, 10.0), 10) == 15.0
    assert least(np.array([7, 3]), np.array([10.0, 10.0]), 10) == 10.0
    assert least(np.array([11]), np.ones(1), 10) == np.inf and least(np.array([11]), np.zeros(1), 10) == 0.0


# ----------------------------------------------------------------------------------------------------- runs in parts


def test_the_longest_stretch_and_what_is_tried_of_it():
    bad = np.array([0, 0, 1, 0, 0, 0, 1, 0], dtype=bool)
    assert (
        parts.longest_run(bad),
        parts.longest_run(~bad),
        parts.longest_run(bad | True),
        parts.longest_run(~(bad | True)),
    ) == (3, 1, 0, 8)
    assert parts.longest_run(bad[:2]) == 2 and parts.longest_run(np.zeros(0, bool)) == 0
    for length in range(2, 40, 2):
        for longest in range(0, 45, 3):
            tried = parts.part_lengths(length, longest, 2, 6)
            assert tried == sorted(set(tried), reverse=True) and len(tried) <= 8
            assert all(
                t % 2 == 0 and 6 <= t <= min(length, longest) and (t == length or length - t >= 6) for t in tried
            )
            best = [t for t in range(6, min(length, longest) + 1, 2) if t == length or length - t >= 6]
            assert tried[:1] == best[-1:]  # the longest of all that may be


# ------------------------------------------------------------------------------------------------------- programmes


def test_openings_of_stations_by_a_clock():
    # three at once with 2 min of pause, moment by moment: a place that was used is free 2 min after it closed
    rng = np.random.default_rng(1)
    for at_once, delay in ((1, 0.0), (1, 2.0), (2, 0.0), (3, 2.0), (9, 1.0)):
        length = rng.integers(1, 12, 7).astype(float)
        opens, free, last = [], [-np.inf] * at_once, -np.inf
        for minutes in length:
            t = 0.0
            while not (t >= last + delay and min(free) + delay <= t):
                t += 1.0
            opens.append(t)
            free[free.index(min(free))] = t + minutes
            last = t
        assert run_offsets(length, at_once, delay).tolist() == opens
        assert run_length(length, at_once, delay) == max(o + m for o, m in zip(opens, length, strict=True))
    assert run_length(np.zeros(0), 2, 1.0) == 0.0


def test_a_controller_plays_two_programmes_as_its_rules_say():
    # programme 1: stations 2 and 0 at 22:00 and 22:30, 10 and 5 min; programme 2: station 1 at 22:05 for 8 min
    first = Programme(0, 1, (2, 0), (10.0, 5.0), (1320.0, 1350.0))
    second = Programme(0, 2, (1, 3), (8.0, 0.0), (1325.0,))
    played = play_programmes(rules_of(listed=False, delay=1.0), [first, second], 1.0)
    runs = [(r.zone, r.start, r.end, r.programme, r.start_number) for r in played.runs]
    assert runs == [
        (2, 1320, 1330, 1, 0),
        (0, 1331, 1336, 1, 0),
        (1, 1336, 1344, 2, 0),
        (2, 1350, 1360, 1, 1),
        (0, 1361, 1366, 1, 1),
    ]
    assert played.waited == ((2, 0, 11.0),)  # it waits for the end of the other
    both = play_programmes(rules_of(listed=False, programmes_at_once=2), [first, second], 1.0)
    assert both.waited == () and [r.start for r in both.runs if r.zone == 1] == [1325.0]
    listed = play_programmes(rules_of(), [first], 1.0)
    assert [r.zone for r in listed.runs] == [0, 2, 0, 2]  # in its own order
    half = play_programmes(rules_of(), [replace(first, percent=45.0)], 0.5)
    assert [r.end - r.start for r in half.runs][:2] == [2.5, 4.5] and keyed_minutes(5.0, 45.0, 0.5) == 2.5
    assert play_programmes(rules_of(), [], 1.0).runs == ()
    table = replace(pack_night(night([1.0], [0], [1], [2])), zone=np.zeros(0, int), start=np.zeros(0), end=np.zeros(0))
    many = Programme(2, 9, (0,), (0.0,), (1320.5, 1330.0, 1340.0, 1350.0))
    told = check_programmes(rules_of(2), [many, replace(many, number=9)], 1.0, table, np.array([2]))
    assert {v.index for v in told} == {2} and {v.kind for v in told} == {"programmes"}
    assert [v.minute for v in told if "start times" in v.text] == [1320.5] * 2


def test_one_percent_of_a_programme_by_hand():
    # 10 and 20 min stand, 12 and 25 are wanted at two starts, 0.5 mm/min: 120 % gives 12 and 24, 1 min short at each of
    # two starts; 123 % gives 12 and 25
    before = Programme(0, 1, (0, 1, 2), (10.0, 20.0, 0.0), (1320.0,), 100.0)
    now = Programme(0, 1, (1, 0), (25.0, 12.0), (1400.0, 1500.0))
    found = percent_choice([(before, now)], np.full(3, 0.5), np.ones(3))
    assert found.percent == 123 and found.off.tolist() == [0.0, 0.0, 0.0]
    assert (found.programmes[0].zones, found.programmes[0].minutes, found.programmes[0].starts) == (
        (0, 1),
        (10.0, 20.0),
        (1400.0, 1500.0),
    )
    off = percent_choice([(before, replace(now, minutes=(30.0, 12.0)))], np.full(3, 0.5), np.ones(3))
    # between 120 and 150 % the worse of the two: 13 and 27 are +1 and -3, 14 and 28 are +2 and -2 mm
    assert np.abs(off.off).max() == 2.0 and off.off[:2].tolist() == [2.0, -2.0]
    assert percent_choice([(before, replace(now, zones=(1, 2)))], np.full(3, 0.5), np.ones(3)) is None
    assert percent_choice([], np.ones(3), np.ones(3)) is None
    little = Programme(0, 1, (0,), (0.5,), (1320.0,))  # half a minute runs too
    assert percent_choice([(little, little)], np.ones(1), np.full(1, 0.5)).percent == 100
    coarse = [(replace(before, percent=150.0), replace(before, zones=(0, 1), minutes=(10.0, 20.0)))]
    # in steps of 10 min all of 75 to 124 % give just these minutes; half a step counts up
    assert percent_choice(coarse, np.ones(3), np.full(3, 10.0)).percent == 124


def test_the_percent_with_the_fewest_values_to_key():
    before = Programme(0, 1, (0, 1), (10.0, 20.0), (1320.0,), 90.0)
    now = Programme(0, 1, (1, 0), (22.0, 11.0), (1330.0,))
    # At 108 %, the nearest to 90, both come to tonight's minutes: one value. At 90 % two are keyed: 24 and 12 come to
    # 21.6 and 10.8. At 100 % it would be three.
    found = as_percent(before, now, 1.0, 1)[0]
    assert (found.percent, found.minutes, found.starts) == (108.0, (20.0, 10.0), (1330.0,))
    (found,) = as_percent(before, now, 1.0, 2)
    assert (found.percent, found.minutes) == (90.0, (24.0, 12.0))
    # 13 min are no percent of 10 at which 20 come to 22: either is keyed anew, with 90 % as it stands both.
    found = as_percent(before, replace(now, minutes=(22.0, 13.0)), 1.0, 0)[0]
    assert found.percent == 90.0 and found.minutes == (24.0, 14.0)  # 12.6 min come to 13
    # A station that is new in the programme is keyed, that it comes to its minutes at the percent of the others.
    found = as_percent(before, replace(now, zones=(1, 2)), 1.0, 0)[0]
    assert found.percent == 90.0 or found.minutes[0] == 20.0
    assert round(found.minutes[1] * found.percent / 100.0 + 1e-9) == 11
    same = Programme(0, 1, (0, 1), (10.0, 20.0), (1320.0,))
    assert as_percent(same, same, 1.0, 3) == []  # nothing is to be keyed at 100 %
    assert earlier(now, 12.0).starts == (1318.0,)


def test_minutes_at_a_start_by_hand():
    # 25, 25 and 25 min in two starts of whole minutes: 12.5 each; what three lose is 3 min of 1 L/s, one more minute of
    # two starts for one of them, the first; 13 would pass a longest cycle of 12; another kind gets nothing of it
    job = night([1.0] * 4, [26] * 4, [2] * 4, [0] * 4)
    starts = np.full(4, 2)
    wants = needs_of(job, [25.0] * 4, [2] * 4, longest=np.full(4, 20.0))
    each = minutes_per_start(wants, job.flow, job.resolution, starts)
    assert each.tolist() == [13.0, 13.0, 12.0, 12.0]
    assert (
        minutes_per_start(replace(wants, longest=np.full(4, 12.0)), job.flow, job.resolution, starts).tolist()
        == [12.0] * 4
    )
    assert (
        minutes_per_start(replace(wants, largest=np.full(4, 25.0)), job.flow, job.resolution, starts).tolist()
        == [12.0] * 4
    )
    apart = replace(wants, like=np.array([0, 1, 2, 3]))
    assert minutes_per_start(apart, job.flow, job.resolution, starts).tolist() == [12.0] * 4
    nearest = replace(wants, minutes=np.array([25.0, 25.8, 25.0, 24.2]))  # 0.5, 0.9, 0.5, 0.1: 2 min for the second
    assert minutes_per_start(nearest, job.flow, job.resolution, starts).tolist() == [13.0, 13.0, 12.0, 12.0]
    short = replace(wants, least=np.full(4, 12.5), smallest=np.full(4, 26.0))
    assert minutes_per_start(short, job.flow, job.resolution, starts).tolist() == [13.0, 13.0, 0.0, 0.0]
    assert minutes_per_start(wants, job.flow, job.resolution, np.array([2, 0, 2, 2]))[1] == 0.0
    useful = replace(wants, least=np.full(4, 12.5), smallest=np.zeros(4))  # 12 min are too short a cycle
    assert minutes_per_start(useful, job.flow, job.resolution, starts).tolist() == [13.0, 13.0, 0.0, 0.0]
    tenths = replace(
        wants, minutes=np.full(4, 0.6), longest=np.full(4, np.inf), least=np.zeros(4), smallest=np.zeros(4)
    )
    # 0.3 min in steps of 0.1 are three of them, whatever floating point makes of it
    assert minutes_per_start(tenths, job.flow, np.full(4, 0.1), starts).tolist() == pytest.approx([0.3] * 4)


def test_what_it_costs_to_let_unlike_stations_share_a_programme():
    job = night([1.0] * 4, [10, 10, 20, 10], [1, 2, 1, 1], [0] * 4)
    needs = needs_of(job, [10.0, 10.0, 20.0, 10.0], [1, 2, 1, 1], kin=np.array([0, 0, 0, 1]), least=np.full(4, 2.0))
    cost = lambda a, b, n=needs: grouping._cost(n, a, b)  # noqa: E731
    assert cost([0], [1]) == pytest.approx(8.0 * 10.0 / 20.0 + 2e-6)  # one of them starts twice, half of the minutes
    assert cost([0], [2]) == pytest.approx(np.log(2.0) + 2e-6) == cost([2], [0])
    assert cost([0], [3]) == pytest.approx(2.0 + 2e-6)
    for name, weight in (("hours", 6.0), ("finish", 3.0)):
        assert cost([0], [3], replace(needs, **{name: np.array([0, 0, 0, 1])})) == pytest.approx(weight + 2.0 + 2e-6)
    short = replace(needs, least=np.full(4, 6.0))  # 10 min in two starts are 5: too short, twice
    assert cost([0], [1], short) == pytest.approx(4.0 + 40.0 + 2e-6)
    ways = {
        (at_once, listed): grouping.groupings(rules_of(zones=4, at_once=at_once, listed=listed), needs, np.arange(4))
        for at_once in (1, 2)
        for listed in (True, False)
    }
    longest = {k: any(w.longest_first for w in found) for k, found in ways.items()}
    assert longest == {(1, True): False, (1, False): False, (2, True): False, (2, False): True}
    assert grouping._merged(needs, [[0], [1], [2], [3]], 2) == [[0, 2, 3], [1]]
    assert grouping._parted(needs, [[0, 2], [1, 3]], 3) == [[2], [0], [1, 3]]
    assert grouping._parted(needs, [[0, 2], [1, 3]], 2) == [[0, 2], [1, 3]]


# ------------------------------------------------------------------------------------------------- any order at all


@pytest.mark.parametrize("at_once", [1, 2])
def test_no_order_ends_later_than_the_bound(at_once):
    # every order of three stations, cycles and soaks, by the minute: it is never idle while it could run
    cycles, each, soak = np.array([2, 1, 1]), np.array([4.0, 7.0, 3.0]), np.array([6.0, 0.0, 0.0])
    latest = 0.0
    for order in permutations(range(3)):
        left, ready, running, t = cycles.copy(), np.zeros(3), {}, 0.0
        while left.any() or running:
            for z in [z for z, end in running.items() if end <= t]:
                ready[z] = t + soak[z]
                del running[z]
            for z in order:
                if left[z] and z not in running and ready[z] <= t and len(running) < at_once:
                    running[z], left[z] = t + each[z], left[z] - 1
            t += 1.0
        latest = max(latest, t - 1.0)
    found = latest_end(cycles, each, soak, at_once)
    assert latest <= found == {1: 4 * 2 + 6 + 10.0, 2: 14 + 5.0}[at_once]
    assert latest_end(np.zeros(2, int), np.ones(2), np.ones(2), 1) == 0.0


def test_what_is_left_to_a_controller_by_hand():
    # three stations one at a time in 60 min: 30, 20 and 20 wanted, the ranks first served first; the last gets 10
    job = night(
        [1.0, 2.0, 3.0],
        [0, 0, 0],
        [1, 1, 1],
        [0, 0, 0],
        pieces=np.array([[1320.0, 1380.0]]),
        blocks=np.array([[1320.0, 1380.0]]),
    )
    cycles, each = np.ones(3, int), np.array([30.0, 20.0, 20.0])
    (one,) = share_any_order(job, [(0, 1)], cycles, each, np.full(3, 5.0), np.array([0, 1, 2]))
    assert one.minutes.tolist() == [30.0, 20.0, 10.0] and (one.opens, one.ends, one.pump.tolist()) == (
        1320.0,
        1380.0,
        [3.0],
    )
    (useful,) = share_any_order(job, [(0, 1)], cycles, each, np.full(3, 15.0), np.array([0, 1, 2]))
    assert useful.minutes.tolist() == [30.0, 20.0, 0.0] and useful.each.tolist() == [30.0, 20.0, 20.0]
    (first,) = share_any_order(job, [(0, 1)], cycles, each, np.full(3, 5.0), np.array([2, 1, 0]))
    assert first.minutes.tolist() == [20.0, 20.0, 20.0]
    (alike,) = share_any_order(job, [(0, 1)], cycles, each, np.full(3, 5.0), np.zeros(3, int))
    assert alike.minutes.tolist() == [20.0, 20.0, 20.0]  # the most water first
    two = replace(job, controller=np.array([0, 1, 0]), stations_at_once=np.full(2, np.inf))
    (own,) = share_any_order(two, [(0, 1)], cycles, each, np.full(3, 5.0), np.array([0, 1, 2]))
    assert own.minutes.tolist() == [30.0, 0.0, 20.0] and own.controller == 0  # the other is another controller's
    (idle,) = share_any_order(job, [(0, 1)], np.array([1, 0, 1]), each, np.full(3, 5.0), np.array([0, 1, 2]))
    assert idle.minutes.tolist() == [30.0, 0.0, 20.0]
    pair = share_any_order(two, [(1, 1), (0, 1)], cycles, each, np.full(3, 5.0), np.array([0, 1, 2]))
    assert [(one.controller, one.minutes.tolist(), one.pump.tolist()) for one in pair] == [
        (1, [0.0, 20.0, 0.0], [2.0]), (0, [30.0, 0.0, 20.0], [3.0]),
    ]  # fmt: skip
    shared = replace(two, pump_capacity=np.array([4.5]))  # 3 and 2 L/s of two controllers may meet
    pair = share_any_order(shared, [(1, 1), (0, 1)], cycles, each, np.full(3, 5.0), np.array([0, 1, 2]))
    assert pair[1].minutes.tolist() == [30.0, 0.0, 0.0] and pair[0].minutes.tolist() == [0.0, 20.0, 0.0]
    pump = replace(job, pump_capacity=np.array([4.0]))
    (both,) = share_any_order(pump, [(0, 2)], cycles, each, np.full(3, 5.0), np.array([0, 1, 2]))
    assert both.minutes.tolist() == [30.0, 20.0, 0.0]  # 2 and 3 L/s may meet
    barred = replace(
        job, blocks=np.array([[1320.0, 1350.0], [1350.0, 1380.0]]), allowed=np.array([[1, 1], [1, 0], [1, 1]], bool)
    )
    (early,) = share_any_order(barred, [(0, 1)], cycles, each, np.full(3, 5.0), np.array([2, 0, 1]))
    assert early.minutes.tolist() == [0.0, 20.0, 10.0]  # all must be done when the second may run no more
    assert most_together(
        np.array([1.0, 5.0, 3.0]), np.array([0, 0, 1]), np.array([True, True, False]), 2, 1
    ).tolist() == [5.0, 0.0]
    gaps = replace(
        job,
        pieces=np.array([[1300.0, 1330.0], [1340.0, 1370.0], [1370.0, 1400.0]]),
        blocks=np.array([[1300.0, 1400.0]]),
    )
    (longest,) = share_any_order(gaps, [(0, 1)], cycles, each, np.full(3, 5.0), np.array([0, 1, 2]))
    assert (longest.opens, longest.ends) == (1340.0, 1400.0)
    branch = replace(job, branch=np.array([0, 0, -1]), branch_capacity=np.array([2.5]))
    (piped,) = share_any_order(branch, [(0, 2)], cycles, each, np.full(3, 5.0), np.array([0, 1, 2]))
    assert (
        piped.minutes.tolist() == [30.0, 0.0, 20.0] and piped.branch.tolist() == [1.0] and piped.pump.tolist() == [4.0]
    )
    early = np.array([[1260.0, 1320.0], [1320.0, 1380.0], [1380.0, 1400.0]])  # barred before and after it: no matter
    outside = replace(job, blocks=early, allowed=np.array([[0, 1, 0]] * 3, bool))
    (within,) = share_any_order(outside, [(0, 1)], cycles, each, np.full(3, 5.0), np.array([0, 1, 2]))
    assert within.minutes.tolist() == [30.0, 20.0, 10.0]


# ---------------------------------------------------------------------------------------------------- what came of it


def test_a_limit_is_blamed_for_what_it_was_asked_most():
    # 100 min of 3 L/s each for four zones on 6 L/s in 360 min would fit; on 3 L/s 40 min are left out
    job = night([3.0] * 4, [100] * 4, [1] * 4, [0] * 4, pump_capacity=np.array([3.0]))
    need = bounds.lower_bounds(job)
    left = np.array([0.0, 0.0, 0.0, 40.0])
    found = outcome._measured_capacity(job, left, need)
    assert found.pump.tolist() == [1.0] and found.zone_minutes.tolist() == [
        np.inf,
        np.inf,
        np.inf,
        60.0,
    ]  # used to the last drop
    less = outcome._measured_capacity(job, left + 1.0, need)
    assert less.pump.tolist() == [pytest.approx(356 / 360)] and np.isinf(less.zone_minutes).all()
    roomy = replace(job, pump_capacity=np.array([12.0]))
    own = outcome._measured_capacity(roomy, left, bounds.lower_bounds(roomy))
    assert own.pump.tolist() == [1.0] and own.zone_minutes[3] == 60.0  # no limit was nearly asked for


def test_a_run_over_two_pieces_that_touch_is_in_the_window():
    job = night([1.0], [20], [1], [0], pieces=np.array([[1260.0, 1300.0], [1320.0, 1340.0], [1340.0, 1360.0]]),
                blocks=np.array([[1260.0, 1360.0]]))  # fmt: skip
    table = replace(pack_night(job), zone=np.zeros(1, int), start=np.array([1330.0]), end=np.array([1350.0]))
    assert check_timetable(job, table) == ()
    gap = replace(table, start=np.array([1295.0]), end=np.array([1315.0]))
    assert [v.kind for v in check_timetable(job, gap)] == ["window"]


def test_what_programmes_left_out_counts_as_asked():
    still = Standing(np.zeros(0, int), np.zeros(0), np.zeros(0), np.array([0.0, 25.0]))
    job = replace(night([1.0, 1.0], [30, 0], [1, 1], [0, 0]), standing=still)
    assert outcome._asked(job).tolist() == [30.0, 25.0]
    table = pack_night(job)
    assert not table.fitted and table.unplaced.tolist() == [0.0, 25.0] and table.fill == pytest.approx(30 / 55)


def test_a_programme_that_finds_no_place_at_all_measures_nothing_and_not_less():
    # 54.5 min as sums of shares come to: what was left out is told to nine digits, and may be more than was asked
    still = Standing(np.zeros(0, int), np.zeros(0), np.zeros(0), np.array([0.0, 54.5 - 7.2e-15]))
    table = pack_night(replace(night([1.0, 1.0], [30, 0], [1, 1], [0, 0]), standing=still))
    assert table.unplaced.tolist() == [0.0, 54.5]
    assert table.measured_capacity.zone_minutes.tolist() == [np.inf, 0.0]


def test_parts_that_meet_are_one_run_again():
    job = night([1.0, 1.0], [30, 30], [1, 1], [0, 0], soak=np.array([0.0, 5.0]))
    board = Board(job)
    for zone, start, length in ((0, 10, 5), (0, 15, 10), (0, 40, 15), (1, 10, 5), (1, 15, 10)):
        board.place(zone, start, length)
    assert outcome._joined(job, board, 0) == [(10, 25), (40, 55)]
    assert outcome._joined(job, board, 1) == [(10, 15), (15, 25)]  # a soak is asked for between them


def test_notes_of_a_night():
    job = replace(night([1.0], [10], [1], [0]), pieces=np.array([[1320.5, 1680.0]]))
    assert outcome._notes(job, 0) == ("the window was shortened by 0.5 min to whole steps of 60 s",)
    assert outcome._notes(replace(job, pieces=np.array([[1320.0, 1680.0]])), 1)[0].startswith("1 more cycle than")
    assert outcome._notes(replace(job, pieces=np.array([[1320.0, 1680.0]])), 2)[0].startswith("2 more cycles than")
    assert isinstance(job, NightJob)
