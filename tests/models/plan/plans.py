"""Small plans with round numbers, and drawn ones, for the tests of the linear program.

In `plan(...)` every zone is 1000 m2 at 1 m3/min: one minute is one millimetre is one cubic metre, and all of it reaches
the drier quarter. Whatever a test needs otherwise it names.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from models.plan.copies import Copies
from models.plan.flush_needs import FlushNeeds
from models.plan.inputs import Cut, PlanInputs, Tier
from models.plan.prices import Prices, plan_prices
from models.plan.results import PlanResult
from models.plan.solve import PlanSolver

FLOW = 1000.0 / 60.0  # L/s that make 1 m3/min
SHAPES = {"etc": "ZN", "effective_rain": "ZN", "raw": "ZN", "dry_limit": "ZN", "wet_limit": "ZN", "wet_weight": "ZN"}
SHAPES |= dict.fromkeys(("taw", "depletion", "net_rate", "flow", "area", "max_run", "priority"), "Z")
SHAPES |= dict.fromkeys(("pump_of_zone", "branch_of_zone", "controller_of_zone"), "Z")
SHAPES |= {"block_length": "NB", "energy_price": "NB", "month_of_night": "N"}
PLAIN: dict[str, Any] = {
    "etc": 5.0,
    "effective_rain": 0.0,
    "taw": 40.0,
    "raw": 20.0,
    "dry_limit": 20.0,
    "wet_limit": 2.0,
    "depletion": 10.0,
    "net_rate": 1.0,
    "flow": FLOW,
    "area": 1000.0,
    "max_run": 600.0,
    "priority": 1,
    "wet_weight": 1.0,
    "block_length": 480.0,
    "energy_price": 0.0,
    "pump_of_zone": -1,
    "branch_of_zone": -1,
    "controller_of_zone": -1,
    "month_of_night": 0,
    "source_price": [0.2],
}


def plan(zones: int = 1, nights: int = 1, blocks: int = 1, **given: Any) -> PlanInputs:
    """A plan of round numbers; one number stands for all, and an array over zones (Z, 1) for all nights."""
    size = {"Z": zones, "N": nights, "B": blocks}
    numbers = PLAIN | given
    arrays: dict[str, Any] = {}
    for name, letters in SHAPES.items():
        kind = np.int64 if name.endswith("_zone") or name in ("priority", "month_of_night") else np.float64
        shape = tuple(size[c] for c in letters)
        arrays[name] = np.array(np.broadcast_to(np.asarray(numbers.pop(name), dtype=kind), shape))
    share = np.asarray(numbers.pop("supply_share", [[1.0]]), dtype=float)
    sources = share.shape[1]
    months = int(arrays["month_of_night"].max()) + 1
    return PlanInputs(
        **arrays,
        allowed=np.array(np.broadcast_to(numbers.pop("allowed", True), (zones, nights, blocks))),
        pump_capacity=np.asarray(numbers.pop("pump_capacity", []), dtype=float),
        pump_energy=np.asarray(numbers.pop("pump_energy", np.zeros_like(given.get("pump_capacity", []))), dtype=float),
        branch_capacity=np.asarray(numbers.pop("branch_capacity", []), dtype=float),
        stations_at_once=np.asarray(numbers.pop("stations_at_once", []), dtype=float),
        zone_supply=np.array(np.broadcast_to(numbers.pop("zone_supply", True), (zones, share.shape[0]))),
        supply_share=share,
        source_price=np.asarray(numbers.pop("source_price"), dtype=float),
        source_daily=np.array(np.broadcast_to(numbers.pop("source_daily", np.inf), sources), dtype=float),
        source_monthly=np.array(np.broadcast_to(numbers.pop("source_monthly", np.inf), (sources, months)), dtype=float),
        **numbers,
    )


def laid_out(inputs: PlanInputs, needs: FlushNeeds | None = None, settled: Copies | None = None) -> PlanSolver:
    """The plan as numbers alone, which `test_pens` holds to be the same program: writing the model takes longest."""
    return PlanSolver(inputs, needs, settled)


def solved(inputs: PlanInputs) -> tuple[PlanResult, Prices]:
    """Optimum of a plan, and the prices it was found at."""
    return laid_out(inputs).solve(), plan_prices(inputs)


def net_depth(inputs: PlanInputs, result: PlanResult) -> np.ndarray:
    """Net depth of each zone and night, shape (Z, N) [mm]."""
    return result.run_times(inputs).sum(axis=(2, 3)) * inputs.net_rate[:, None]


def water(inputs: PlanInputs, result: PlanResult) -> np.ndarray:
    """Gross water of each zone and night, shape (Z, N) [m3]."""
    return result.run_times(inputs).sum(axis=(2, 3)) * inputs.water_per_minute[:, None]


def price_of(result: PlanResult, family: str) -> float:
    """Sum of the prices of one family of limits."""
    return sum(limit.price for limit in result.limits if limit.family == family)


def drawn_plan(rng: np.random.Generator, zones: int, nights: int, **given: Any) -> PlanInputs:
    """A site drawn at random: blocks, blends, rain, pumps, branches, controllers, permits, tiers and orders."""
    z, n, b = zones, nights, int(rng.integers(1, 4))
    taw = rng.uniform(12.0, 80.0, z)
    p = rng.uniform(0.3, 0.6, (z, n))
    limit = rng.uniform(0.7, 1.1, (z, 1)) * p * taw[:, None]
    area = rng.uniform(100.0, 3000.0, z)
    flow = area * rng.uniform(10.0, 20.0, z) / 3600.0
    share = rng.uniform(0.6, 0.95, z)
    load = float(flow.sum())
    blends = np.array([[1.0, 0.0], [0.0, 1.0], [0.7, 0.3]])
    open_to = rng.random((z, 3)) < 0.5
    open_to[:, 0] |= ~open_to.any(axis=1)
    demand = float((area / 1000.0 / share).sum() * 5.0)  # m3 a night
    months = np.minimum(np.arange(n) // max(1, n // 2), 1)
    pumps, branches, controllers = 2, 3, 2
    numbers: dict[str, Any] = {
        "etc": rng.uniform(0.0, 9.0, (z, n)),
        "effective_rain": rng.gamma(1.0, 15.0, (1, n)) * (rng.random((1, n)) < 0.25) * np.ones((z, 1)),
        "taw": taw,
        "raw": p * taw[:, None],
        "dry_limit": limit,
        "wet_limit": limit * rng.uniform(0.0, 0.7, (z, 1)),
        "depletion": rng.uniform(0.0, 1.0, z) * taw,
        "net_rate": flow * 60.0 / area * share,
        "flow": flow,
        "area": area,
        "max_run": rng.uniform(15.0, 90.0, z),
        "priority": rng.integers(1, 4, z),
        "wet_weight": rng.choice([1.0, 4.0], (z, n)),
        "block_length": rng.choice([0.0, 60.0, 120.0, 240.0], (n, b)),
        "energy_price": rng.uniform(0.05, 0.4, (n, b)),
        "allowed": rng.random((z, n, b)) < 0.85,
        "pump_of_zone": rng.integers(-1, pumps, z),
        "pump_capacity": load * rng.uniform(0.05, 0.6, pumps),
        "pump_energy": rng.uniform(0.1, 0.5, pumps),
        "branch_of_zone": rng.integers(-1, branches, z),
        "branch_capacity": load * rng.uniform(0.05, 0.5, branches),
        "controller_of_zone": rng.integers(-1, controllers, z),
        "stations_at_once": rng.choice([0.5, 1.0, 2.0, np.inf], controllers),
        "zone_supply": open_to,
        "supply_share": blends,
        "source_price": rng.uniform(0.0, 2.0, 2),
        "source_daily": rng.choice([np.inf, 0.5 * demand, 1.5 * demand], 2),
        "source_monthly": rng.choice([np.inf, 0.3 * demand * n], (2, int(months.max()) + 1)),
        "month_of_night": months,
        "allocation": float(rng.choice([np.inf, 0.3, 0.7]) * demand * n),
    }
    if rng.random() < 0.5:
        numbers["tiers"] = (Tier(0.2 * demand * n, 0.5), Tier(0.4 * demand * n, 3.0))
    if rng.random() < 0.5:
        order = Cut("order", rng.random(z) < 0.5, np.cumsum(np.full(n, 0.3 * demand)))
        numbers["cuts"] = (order,)
    return plan(z, n, b, **(numbers | given))


def drawn_needs(rng: np.random.Generator, inputs: PlanInputs, count: int) -> FlushNeeds:
    """Flushes some zones of a drawn plan need: deep and shallow, protected nights, harm from none to much."""
    zone = np.sort(rng.choice(inputs.zones, min(count, inputs.zones), replace=False))
    f, n, k = zone.size, inputs.nights, inputs.supply_share.shape[0]
    depth = inputs.taw[zone, None] * rng.uniform(0.1, 1.0, (f, k))
    harm = np.sort(rng.uniform(0.0, 1.0, (f, n)) * rng.choice([0.0, 0.05, 2.0], (f, 1)), axis=1)
    return FlushNeeds(
        zone=zone.astype(np.int64),
        depth=np.where(rng.random((f, k)) < 0.9, depth, np.nan),
        allowed=rng.random((f, n)) < 0.8,
        harm=harm,
        harm_after=harm[:, -1] * rng.uniform(0.0, 7.0, f),
        dry_limit_after=np.minimum(
            inputs.dry_limit[zone] * rng.uniform(1.0, 1.5, (f, 1)), 0.9 * inputs.taw[zone, None]
        ),
    )
