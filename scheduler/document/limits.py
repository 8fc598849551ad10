"""The shared limits of every night for the plan document: how far each is used, whether it binds, at what price."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.plan.inputs import Floats, PlanInputs
from models.plan.results import LimitPrice
from scheduler.edge import format_short_date, format_volume
from scheduler.night.records import RunnableNight
from scheduler.plan.inputs import NightInputs
from scheduler.site import Site

M3 = 0.06  # m3 in one L/s for one minute
BINDING = 1e-6  # [weighted cost per unit] below which a price is a solver's rounding
FULL = 0.97  # [-] of a limit used, above which it is called full even where run times were rounded down
WORTH_SAYING = 2.0  # price of a limit against the dearest water, above which turf goes short because of it [-]
PRICE_UNIT = "weighted cost per m3"


def limits_by_night(site: Site, inputs: NightInputs, run: RunnableNight) -> list[list[dict[str, Any]]]:
    """Rows of `limits` for each night, tonight first.

    Use is that of the run times that will run, not of the linear program; binding and price come from its duals.
    """
    plan = inputs.plan
    prices = _prices(run.result.limits)
    rows: list[list[dict[str, Any]]] = [[] for _ in inputs.dates]
    volume = run.later * plan.water_per_minute[:, None]
    source_volume = _source_volume(plan, run)
    length = plan.block_length.sum(axis=1)
    for family, names, group, capacity, use, unit in (
        ("pump_limit", [p.name for p in site.pumps], plan.pump_of_zone, plan.pump_nightly * M3, volume, "m3"),
        ("branch_limit", [b.name for b in site.branches], plan.branch_of_zone, plan.branch_capacity * M3, volume, "m3"),
        (
            "station_limit",
            [c.name for c in site.controllers],
            plan.controller_of_zone,
            plan.stations_at_once,
            run.later,
            "min",
        ),
    ):
        scale = M3 if unit == "m3" else 1.0
        for g, name in enumerate(names):
            each = np.broadcast_to(capacity[g], (plan.nights,))
            if not np.isfinite(each).all():
                continue
            used = use[group == g].sum(axis=0)
            for n in range(plan.nights):
                row_price = max((prices[family, (g, n, b)] for b in range(plan.blocks)), default=0.0) / scale
                most = float(each[n] * length[n])
                rows[n].append(_row(family, name, float(used[n]), most, unit, row_price, inputs.dates[n], site))
    for w, source in enumerate(site.sources):
        for n in range(plan.nights):
            if np.isfinite(plan.source_nightly[w, n]):
                price = prices["source_night", (w, n)]
                used_here = float(source_volume[w, n])
                rows[n].append(
                    _row(
                        "source_night",
                        f"{source.name}, one night",
                        used_here,
                        float(plan.source_nightly[w, n]),
                        "m3",
                        price,
                        inputs.dates[n],
                        site,
                    )
                )
        for month in range(plan.source_monthly.shape[1]):
            if np.isfinite(plan.source_monthly[w, month]):
                nights = np.flatnonzero(plan.month_of_night == month)
                used_here = float(source_volume[w, nights].sum())
                price = prices["source_month", (w, month)]
                first = int(nights[0])
                left = float(plan.source_monthly[w, month])
                rows[first].append(
                    _row(
                        "source_month",
                        f"{source.name}, left this month",
                        used_here,
                        left,
                        "m3",
                        price,
                        inputs.dates[first],
                        site,
                    )
                )
    if inputs.allocation is not None:
        rows[0].append(_allocation_row(site, inputs, float(volume.sum()), prices))
    for g, cut in enumerate(plan.cuts):
        counted = volume[cut.zones].sum(axis=0) * (np.arange(plan.nights) >= cut.since)
        used_so_far = np.cumsum(counted)
        for n in np.flatnonzero(np.isfinite(cut.volume)).tolist():
            price = prices["drought_cut", (g, n)]
            rows[n].append(
                _row(
                    "drought_cut",
                    cut.name,
                    float(used_so_far[n]),
                    float(cut.volume[n]),
                    "m3",
                    price,
                    inputs.dates[n],
                    site,
                )
            )
    return rows


@dataclass(frozen=True)
class Scarce:
    """A limit that costs the turf something, and the zones under it.

    Parameters
    ----------
    name : str             What people call it.
    zones : ndarray (Z,)   True for the zones under the limit.
    """

    name: str
    zones: NDArray[np.bool_]


def short_of(site: Site, plan: PlanInputs, rows: list[list[dict[str, Any]]], dearest: float) -> list[Scarce]:
    """Limits that cost the turf something, not merely move a run to another night.

    Parameters
    ----------
    site : Site
    plan : PlanInputs
    rows : list of list of dict   As `limits_by_night` gives them.
    dearest : float               Dearest ordinary water [per m3]; a limit must be worth twice as much to count.
    """
    binding = {
        (r["name"], r["what"]): None
        for night in rows
        for r in night
        if r["binds"] and r["capacity"] is not None and (r["price"] or 0.0) > WORTH_SAYING * dearest
    }
    every = np.ones(plan.zones, dtype=bool)
    found = []
    for family, what in binding:
        zones = every
        for known, names, group in (
            ("pump_limit", site.pumps, plan.pump_of_zone),
            ("branch_limit", site.branches, plan.branch_of_zone),
            ("station_limit", site.controllers, plan.controller_of_zone),
        ):
            if family == known:
                zones = group == [n.name for n in names].index(what)
        if family == "drought_cut":
            zones = next(cut.zones for cut in plan.cuts if cut.name == what)
        found.append(Scarce(what, zones))
    return found


def _prices(limits: tuple[LimitPrice, ...]) -> dict[tuple[str, tuple[int, ...]], float]:
    prices: dict[tuple[str, tuple[int, ...]], float] = defaultdict(float)
    for limit in limits:
        prices[limit.family, limit.index] = limit.price
    return prices


def _source_volume(plan: PlanInputs, run: RunnableNight) -> Floats:
    """Water by source and night, shape (W, N) [m3]: tonight as it will run, later nights in the plan's proportions."""
    chosen = run.result.minutes(plan).sum(axis=2)  # (Z, N, K)
    whole = chosen.sum(axis=2, keepdims=True)
    mix = np.where(whole > 0, chosen / np.maximum(whole, 1e-12), 0.0)
    by_supply = mix * (run.later * plan.water_per_minute[:, None])[:, :, None]
    by_supply[:, 0] = run.volumes
    return np.asarray(np.einsum("znk,kw->wn", by_supply, plan.supply_share), dtype=np.float64)


def _allocation_row(
    site: Site, inputs: NightInputs, used: float, prices: dict[tuple[str, tuple[int, ...]], float]
) -> dict[str, Any]:
    """The allocation over the whole horizon: a hard limit, or the first step beyond which water costs more."""
    plan = inputs.plan
    if np.isfinite(plan.allocation):
        price = prices["allocation_limit", ()]
        what = "allocation, this plan's share"
        return _row("allocation_limit", what, used, plan.allocation, "m3", price, inputs.dates[0], site)
    price = sum(prices["allocation_tier", (t,)] for t in range(len(plan.tiers)))
    row = _row("allocation_tier", "allocation", used, plan.tiers[0].above, "m3", price, inputs.dates[0], site)
    over = used - plan.tiers[0].above
    if over > 0:
        row["words"] = (
            f"allocation: {format_volume(over, site.units, beside=used)} of the "
            f"{format_volume(used, site.units)} of this plan are beyond its first step and cost more"
        )
    return row | {"capacity": None}  # a price, not a limit


def _row(
    family: str, what: str, used: float, capacity: float, unit: str, price: float, night: date, site: Site
) -> dict[str, Any]:
    """One limit as the document holds it."""
    binds = price > BINDING and used >= FULL * capacity
    amount = (
        f"{format_volume(used, site.units, beside=capacity)} of {format_volume(capacity, site.units)}"
        if unit == "m3"
        else f"{used:,.0f} of {capacity:,.0f} station minutes"
    )
    state = "full" if binds else "used"
    day = format_short_date(night, site.units)
    when = f"up to {day}" if family == "drought_cut" else day
    if family in ("allocation_limit", "allocation_tier"):
        when = "all nights of this plan"
    return {
        "name": family,
        "what": what,
        "used": round(used, 6),
        "capacity": round(capacity, 6),
        "unit": unit,
        "binds": bool(binds),
        "price": round(price, 6),
        "price_unit": PRICE_UNIT if unit == "m3" else "weighted cost per station minute",
        "words": f"{what}, {when}: {amount} {state}",
    }
