"""The plan's optimum against the same mathematical program written a second time, for scipy.

The second form shares nothing with the first but the drawn numbers: depletion D and the depletion after watering W are
variables of their own, dryness and very dryness are rows above D (not pieces of it), every zone-night-block-supply has
a column with its bound at 0 where it is forbidden, every zone-night a stress row, and prices are worked out in loops
from what the docstrings of `models/plan/prices.py` say. The optima must agree to 1e-6.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy import sparse
from scipy.optimize import linprog

from models.plan.inputs import PlanInputs
from models.plan.solve import PlanSolver
from tests.drawn import some
from tests.models.plan.plans import drawn_plan, plan


class Program:
    """Rows and columns by name, gathered one at a time."""

    def __init__(self) -> None:
        self.cost: list[float] = []
        self.bounds: list[tuple[float, float]] = []
        self.place: dict[tuple, int] = {}
        self.equal: list[tuple[dict[tuple, float], float]] = []
        self.below: list[tuple[dict[tuple, float], float]] = []

    def column(self, name: tuple, cost: float, high: float = np.inf) -> None:
        self.place[name] = len(self.cost)
        self.cost.append(cost)
        self.bounds.append((0.0, high))

    def matrix(self, rows: list[tuple[dict[tuple, float], float]]) -> tuple[sparse.csr_array, np.ndarray] | None:
        if not rows:
            return None
        entries = [(i, self.place[name], value) for i, (terms, _) in enumerate(rows) for name, value in terms.items()]
        i, j, v = zip(*entries, strict=True)
        return sparse.csr_array((v, (i, j)), shape=(len(rows), len(self.cost))), np.array([right for _, right in rows])

    def optimum(self) -> float:
        (a, b), (c, d) = self.matrix(self.below), self.matrix(self.equal)
        found = linprog(self.cost, A_ub=a, b_ub=b, A_eq=c, b_eq=d, bounds=self.bounds, method="highs")
        assert found.status == 0, found.message
        return float(found.fun)


def own_course(p: PlanInputs, z: int) -> tuple[float, float, set[int]]:
    """What a zone by itself would do: tonight's depth, the chance that rain wastes its end, and its nights."""

    def course(first: float, share: float) -> tuple[float, bool, set[int]]:
        deficit, cost, wasted = p.depletion[z] - first, first + (1.0 if first > 0 else 0.0), False
        nights = {0} if first > 0 else set()
        for n in range(p.nights):
            change, limit = p.etc[z, n] - p.effective_rain[z, n], p.dry_limit[z, n]
            level = p.wet_limit[z, n] + share * (limit - p.wet_limit[z, n])
            if n and deficit + change > limit and deficit > level:
                cost += deficit - level + 1.0
                deficit, nights = level, nights | {n}
            wasted = wasted or deficit + change < 0
            deficit = min(max(deficit + change, 0.0), p.taw[z])
            cost += 5.0 * max(deficit - limit, 0.0)
        owed = min(max((deficit - level) / max(limit - level, 1e-6), 0.0), 1.0)
        return cost + deficit + owed, wasted, nights

    shares = [0.8 * i / 7 for i in range(8)]
    waits = [(0.0, *course(0.0, share)) for share in shares]
    levels = [p.wet_limit[z, 0] + share * (p.dry_limit[z, 0] - p.wet_limit[z, 0]) for share in shares]
    firsts = [max(p.depletion[z] - level, 0.0) for level in levels]
    runs = [(first, *course(first, share)) for first, share in zip(firsts, shares, strict=True)]
    first, _, wasted, nights = min(waits + runs, key=lambda c: c[1])
    return first, float(wasted and first > 0), nights


def textbook(p: PlanInputs) -> float:
    """Optimum of the plan, written from the texts."""
    nz, nn, nb = p.zones, p.nights, p.blocks
    nk, nw = p.supply_share.shape
    program = Program()
    m3_a_minute = [p.flow[z] * 60 / 1000 for z in range(nz)]
    share = [p.net_rate[z] / (m3_a_minute[z] / p.area[z] * 1000) for z in range(nz)]

    # prices
    def m3_price(z, n, b, k):
        energy = p.pump_energy[p.pump_of_zone[z]] * p.energy_price[n, b] if p.pump_of_zone[z] >= 0 else 0.0
        return sum(p.supply_share[k, w] * p.source_price[w] for w in range(nw)) + energy

    open_runs = [
        (z, n, b, k)
        for z, n, b, k in itertools.product(range(nz), range(nn), range(nb), range(nk))
        if p.allowed[z, n, b] and p.block_length[n, b] > 0 and p.zone_supply[z, k]
    ]
    all_free = all(m3_price(*run) == 0 for run in open_runs)
    dearest = max([0.05, *(m3_price(*run) for run in open_runs)])
    base = 5.0 * dearest / min(share)

    soft_unit = 1 / (2 * nn)
    drained = [[soft_unit * (1 + 1.02 * sum(p.wet_weight[z, n + 1 :])) for n in range(nn)] for z in range(nz)]
    short = [[0.0] * nn for _ in range(nz)]
    for z in range(nz):
        after, slope, next_drained = 0.3, 1.0, 0.0
        for n in reversed(range(nn)):
            worth = 1.02 * (1.5 + slope * after + (slope - 1) * next_drained)
            short[z][n] = min(worth, 10 * (0.3 + 1.5 * (nn - n)))
            after = short[z][n] / 1.02
            slope, next_drained = max(1.0, p.etc[z, n] / (p.taw[z] - p.raw[z, n])), drained[z][n]
    ranks = sorted(set(p.priority.tolist()))
    ratio = 1.05 * max(short[z][0] * share[z] for z in range(nz)) / min(share) + p.wet_weight.max() / 2
    held = [[p.flow[z] for z in range(nz) if p.controller_of_zone[z] == c] for c in range(p.stations_at_once.size)]
    spreads = [max(f) / min(f) for f, most in zip(held, p.stations_at_once, strict=True) if f and np.isfinite(most)]
    ratio *= max([1.0, *spreads])  # where stations at once are short, a minute of a large zone carries more
    if len(ranks) > 1:
        ratio = min(ratio, 1e10 ** (1 / (len(ranks) - 1)))

    # columns and rows of the zones
    for z in range(nz):
        m3_a_mm = p.area[z] / 1000
        behind = len(ranks) - 1 - ranks.index(p.priority[z])  # ranks that give way before it
        dry = base * ratio**behind * m3_a_mm
        led, wasted, own = own_course(p, z)
        own = own or {nn - 1}
        program.column(("missing", z), 1.5 * dearest * m3_a_mm / share[z] * (1 + 0.001 * behind))
        target = (p.wet_limit[z, -1] + p.dry_limit[z, -1]) / 2
        for n in range(nn):
            limit, half = p.dry_limit[z, n], (p.dry_limit[z, n] + p.taw[z]) / 2
            program.column(("D", z, n), 0.0, p.taw[z])
            program.column(("W", z, n), 0.0, p.taw[z])
            program.column(("dry", z, n), dry)
            program.column(("very dry", z, n), 0.5 * dry)
            program.column(("soft", z, n), base * soft_unit * m3_a_mm * p.wet_weight[z, n])
            program.column(("short", z, n), short[z][n] * dry, p.etc[z, n])
            most = max(0.0, p.effective_rain[z, n] - min(p.etc[z, n], p.taw[z]))
            program.column(("drain", z, n), drained[z][n] * base * m3_a_mm, most)
            away = 0.0 if n in own else 0.01 + 0.002 * min(abs(n - o) for o in own)
            if n == 0:
                away -= min(0.95, wasted)
            inside = {}
            for b, k in itertools.product(range(nb), range(nk)):
                price = m3_price(z, n, b, k)
                price = 0.05 if all_free else max(price, 0.00005)
                closed = (z, n, b, k) not in set(open_runs)
                high = 0.0 if closed else min(p.block_length[n, b], p.max_run[z])
                program.column(("x", z, n, b, k), price * m3_a_minute[z] * (1 + away), high)
                inside["x", z, n, b, k] = 1.0
            if n == 0 and inside:
                cheapest = [m3_price(*run) for run in open_runs if run[:2] == (z, 0)]
                cheapest = [0.05 if all_free else max(price, 0.00005) for price in cheapest]
                worth = min(cheapest, default=0.0) * m3_a_minute[z] / p.net_rate[z] if led > 0 else 0.0
                program.column(("beyond", z), worth * (0.01 + wasted))
                program.below.append(({**dict.fromkeys(inside, p.net_rate[z]), ("beyond", z): -1.0}, led))
                if p.standing is not None and p.standing[z] > 0:
                    stands = p.standing[z] * p.net_rate[z]
                    program.column(("off", z), worth * p.price_of_change if stands >= 0.5 * led else 0.0)
                    for sign in (1.0, -1.0):
                        depth = dict.fromkeys(inside, sign * p.net_rate[z])
                        program.below.append(({**depth, ("off", z): -1.0}, sign * stands))
            program.below.append((inside, p.max_run[z]))
            water = {name: p.net_rate[z] for name in inside}
            before = {("D", z, n - 1): -1.0} if n else {}
            program.equal.append(({("W", z, n): 1.0, **before, **water}, 0.0 if n else p.depletion[z]))
            change = {("D", z, n): 1.0, ("W", z, n): -1.0, ("short", z, n): 1.0, ("drain", z, n): -1.0}
            program.equal.append((change, p.etc[z, n] - p.effective_rain[z, n]))
            program.below.append(({("D", z, n): 1.0, ("dry", z, n): -1.0}, limit))
            program.below.append(({("D", z, n): 1.0, ("very dry", z, n): -1.0}, half))
            program.below.append(({("W", z, n): -1.0, ("soft", z, n): -1.0}, -p.wet_limit[z, n]))
            k = p.etc[z, n] / (p.taw[z] - p.raw[z, n])
            program.below.append(({("W", z, n): k, ("short", z, n): -1.0}, k * p.raw[z, n]))
            window = sum(p.block_length[n, b] for b in range(nb) if p.allowed[z, n, b])
            program.below.append((dict(inside), window))
        program.below.append(({("D", z, nn - 1): 1.0, ("missing", z): -1.0}, target))

    # what the zones share
    def together(runs, weight, right):
        terms = {("x", *run): weight(*run) for run in runs if weight(*run)}
        if terms and np.isfinite(right):
            program.below.append((terms, right))

    def cubic_metres(z, n, b, k):
        return m3_a_minute[z]

    for n, b in itertools.product(range(nn), range(nb)):
        length = p.block_length[n, b]
        now = [run for run in open_runs if run[1:3] == (n, b)]
        if not now:
            continue
        for z in range(nz):
            together([r for r in now if r[0] == z], lambda *_: 1.0, length)
        for g, most in enumerate(p.pump_capacity):
            together([r for r in now if p.pump_of_zone[r[0]] == g], lambda z, *_: p.flow[z], most * length)
        for g, most in enumerate(p.branch_capacity):
            together([r for r in now if p.branch_of_zone[r[0]] == g], lambda z, *_: p.flow[z], most * length)
        for g, most in enumerate(p.stations_at_once):
            together([r for r in now if p.controller_of_zone[r[0]] == g], lambda *_: 1.0, most * length)
    for w in range(nw):

        def from_source(z, n, b, k, w=w):
            return p.supply_share[k, w] * m3_a_minute[z]

        for n in range(nn):
            together([r for r in open_runs if r[1] == n], from_source, p.source_daily[w])
        for month in range(p.source_monthly.shape[1]):
            in_month = [r for r in open_runs if p.month_of_night[r[1]] == month]
            together(in_month, from_source, p.source_monthly[w, month])
    together(open_runs, cubic_metres, p.allocation)
    below = 0.0
    for t, tier in enumerate(p.tiers):
        program.column(("over", t), tier.price - below)
        below = tier.price
        used = {("x", *run): m3_a_minute[run[0]] for run in open_runs}
        program.below.append(({**used, ("over", t): -1.0}, tier.above))
    for cut in p.cuts:
        for n in range(nn):
            together([r for r in open_runs if cut.zones[r[0]] and r[1] <= n], cubic_metres, cut.volume[n])
    return program.optimum()


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(40), 14))
def test_equal_optimum_on_drawn_sites(seed):
    rng = np.random.default_rng(1000 + seed)
    inputs = drawn_plan(rng, int(rng.integers(2, 9)), int(rng.integers(2, 8)))
    assert PlanSolver(inputs).solve().objective == pytest.approx(textbook(inputs), rel=1e-6)


@pytest.mark.parametrize("seed", range(10))
def test_equal_optimum_where_water_is_free(seed):
    rng = np.random.default_rng(2000 + seed)
    inputs = drawn_plan(rng, 5, 4, source_price=[0.0, 0.0], energy_price=0.0)
    assert PlanSolver(inputs).solve().objective == pytest.approx(textbook(inputs), rel=1e-6)


def test_the_second_form_has_the_optimum_worked_out_by_hand():
    # 4 minutes at 0.2 bring D = 10 + 5 to the target of 11 mm (see tests/models/plan/test_plan_balance.py).
    assert textbook(plan()) == pytest.approx(0.8, abs=1e-9)


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(12), 4))
def test_equal_optimum_where_changes_have_a_price(seed):
    rng = np.random.default_rng(4000 + seed)
    inputs = drawn_plan(rng, int(rng.integers(2, 9)), int(rng.integers(2, 6)))
    standing = rng.integers(0, 40, inputs.zones) * (rng.random(inputs.zones) < 0.8) * 1.0
    inputs = replace(inputs, standing=standing, price_of_change=float(rng.choice([0.02, 0.2, 2.0])))
    assert PlanSolver(inputs).solve().objective == pytest.approx(textbook(inputs), rel=1e-6)
