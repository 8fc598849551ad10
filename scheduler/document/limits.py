"""The shared limits of every night for the plan document: how far each is used, whether it binds, at what price."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from models.hydraulics import M3_OF_LPS_MINUTE
from models.plan.inputs import Floats, PlanInputs
from models.plan.results import LimitPrice
from scheduler.document.parts import LimitName, LimitPart
from scheduler.document.planned import Planned
from scheduler.edge import format_short_date, format_volume
from scheduler.night.records import RunnableNight
from scheduler.site import Site

BINDING = 1e-6  # [weighted cost per unit] below which a price is a solver's rounding
FULL = 0.97  # [-] of what the plan may use of a limit, above which it is called full even where runs were rounded down
WORTH_SAYING = 2.0  # price of a limit against the dearest water, above which turf goes short because of it [-]
PRICE_UNIT = {"m3": "weighted cost per m3", "min": "weighted cost per station minute"}
ALL_NIGHTS = (LimitName.ALLOCATION, LimitName.ALLOCATION_TIER)

Prices = dict[tuple[str, tuple[int, ...]], float]


@dataclass(frozen=True)
class Use:
    """How far one limit is used.

    Parameters
    ----------
    night : int            From which it counts, 0 is tonight.
    name : LimitName
    what : str             What people call it.
    used, capacity : float   [unit].
    price : float          What one more unit would save [weighted cost per unit].
    unit : {"m3", "min"}
    usable : float or None   What of it the plan counts on [unit]; None where that is all.
    base, before : float or None   Of a cut: the demand it is taken of, and what earlier nights took [unit].
    in_part : bool         Whether it is full in some of the night's open hours only.
    """

    night: int
    name: LimitName
    what: str
    used: float
    capacity: float
    price: float
    unit: Literal["m3", "min"] = "m3"
    usable: float | None = None
    in_part: bool = False
    base: float | None = None
    before: float | None = None


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


def limits_by_night(planned: Planned) -> list[list[LimitPart]]:
    """Rows of `limits` for each night, tonight first.

    Use is that of the run times that will run, not of the linear program; binding and price come from its duals.
    """
    site, dates = planned.site, planned.inputs.dates
    prices = _prices(planned.run.result.limits)
    rows: list[list[LimitPart]] = [[] for _ in dates]
    for uses in (_capacities(planned, prices), _sources(planned, prices), _cuts(planned, prices)):
        for use in uses:
            rows[use.night].append(_part(use, dates[use.night], site))
    if planned.inputs.allocation is not None:
        at = next((i for i, r in enumerate(rows[0]) if r.name == LimitName.DROUGHT_CUT), len(rows[0]))
        rows[0].insert(at, _allocation(planned, prices))
    return rows


def short_of(site: Site, plan: PlanInputs, rows: list[list[LimitPart]], dearest: float) -> list[Scarce]:
    """Limits that cost the turf something, not merely move a run to another night.

    Parameters
    ----------
    site : Site
    plan : PlanInputs
    rows : list of list of LimitPart   As `limits_by_night` gives them.
    dearest : float                    Dearest ordinary water [per m3]; a limit must be worth twice as much to count.
    """
    binding = {
        (r.name, r.what): None
        for night in rows
        for r in night
        if r.binds and r.capacity is not None and (r.price or 0.0) > WORTH_SAYING * dearest
    }
    return [Scarce(what, _under(site, plan, name, what)) for name, what in binding]


def _under(site: Site, plan: PlanInputs, limit: LimitName, what: str) -> NDArray[np.bool_]:
    """Zones under a limit, shape (Z,)."""
    for name, members, group in (
        (LimitName.PUMP, site.pumps, plan.pump_of_zone),
        (LimitName.BRANCH, site.branches, plan.branch_of_zone),
        (LimitName.STATION, site.controllers, plan.controller_of_zone),
    ):
        if limit == name:
            return np.asarray(group == [m.name for m in members].index(what))
    if limit == LimitName.DROUGHT_CUT:
        return next(cut.zones for cut in plan.cuts if cut.name == what)
    return np.ones(plan.zones, dtype=bool)


def _prices(limits: tuple[LimitPrice, ...]) -> Prices:
    prices: Prices = defaultdict(float)
    for limit in limits:
        prices[limit.family, limit.index] = limit.price
    return prices


def _capacities(planned: Planned, prices: Prices) -> Iterator[Use]:
    """Pumps, branches and stations at once, night by night."""
    site, plan, volume, minutes = planned.site, planned.plan, planned.effects.volume, planned.run.minutes_by_night
    length = plan.block_length.sum(axis=1)
    stations = plan.stations_at_once
    pumps, branches = plan.pump_nightly * M3_OF_LPS_MINUTE, plan.branch_capacity * M3_OF_LPS_MINUTE
    for family, kind, members, group, capacity, use, unit in (
        (LimitName.PUMP, "pump", site.pumps, plan.pump_of_zone, pumps, volume, "m3"),
        (LimitName.BRANCH, "branch", site.branches, plan.branch_of_zone, branches, volume, "m3"),
        (LimitName.STATION, "station", site.controllers, plan.controller_of_zone, stations, minutes, "min"),
    ):
        scale = M3_OF_LPS_MINUTE if unit == "m3" else 1.0
        for g, member in enumerate(members):
            each = np.broadcast_to(capacity[g], (plan.nights,))
            if not np.isfinite(each).all():
                continue
            used = use[group == g].sum(axis=0)
            for n in range(plan.nights):
                by_block = [prices[family, (g, n, b)] / scale for b in np.flatnonzero(plan.block_length[n]).tolist()]
                most, share = float(each[n] * length[n]), float(planned.run.usable[kind][g, n])
                yield Use(
                    n, family, member.name, float(used[n]), most, max(by_block, default=0.0),
                    "m3" if unit == "m3" else "min", None if share >= 1.0 else share * most,
                    any(price <= BINDING for price in by_block),
                )  # fmt: skip


def _sources(planned: Planned, prices: Prices) -> Iterator[Use]:
    """What each source may give in a night and in what is left of a month."""
    plan = planned.plan
    volume = source_volume(plan, planned.run)
    for w, source in enumerate(planned.site.sources):
        for n in np.flatnonzero(np.isfinite(plan.source_nightly[w])).tolist():
            what, most = f"{source.name}, one night", float(plan.source_nightly[w, n])
            yield Use(n, LimitName.SOURCE_NIGHT, what, float(volume[w, n]), most, prices["source_night", (w, n)])
        for month in np.flatnonzero(np.isfinite(plan.source_monthly[w])).tolist():
            nights = np.flatnonzero(plan.month_of_night == month)
            used, left = float(volume[w, nights].sum()), float(plan.source_monthly[w, month])
            what, price = f"{source.name}, left this month", prices["source_month", (w, month)]
            yield Use(int(nights[0]), LimitName.SOURCE_MONTH, what, used, left, price)


def _cuts(planned: Planned, prices: Prices) -> Iterator[Use]:
    """Drought orders: water of their zones up to each night."""
    for g, cut in enumerate(planned.plan.cuts):
        counted = planned.effects.volume[cut.zones].sum(axis=0) * (np.arange(planned.plan.nights) >= cut.since)
        used = np.cumsum(counted)
        for n in np.flatnonzero(np.isfinite(cut.volume)).tolist():
            price = prices["drought_cut", (g, n)]
            base, before = (None if a is None else float(a[n]) for a in (cut.base, cut.spent))
            most = float(cut.volume[n])
            yield Use(n, LimitName.DROUGHT_CUT, cut.name, float(used[n]), most, price, base=base, before=before)


def _allocation(planned: Planned, prices: Prices) -> LimitPart:
    """The allocation over the whole horizon: a hard limit, or the first step beyond which water costs more."""
    site, plan, tonight = planned.site, planned.plan, planned.inputs.dates[0]
    used = float(planned.effects.volume.sum())
    if np.isfinite(plan.allocation):
        price = prices["allocation_limit", ()]
        what = "allocation, this plan's share"
        return _part(Use(0, LimitName.ALLOCATION, what, used, plan.allocation, price), tonight, site)
    price = sum(prices["allocation_tier", (t,)] for t in range(len(plan.tiers)))
    first = plan.tiers[0].above
    row = _part(Use(0, LimitName.ALLOCATION_TIER, "allocation", used, first, price), tonight, site)
    words = row.words
    if used > first:
        words = (
            f"allocation: {format_volume(used - first, site.units, beside=used)} of the "
            f"{format_volume(used, site.units)} of this plan are beyond its first step and cost more"
        )
    return row.model_copy(update={"capacity": None, "words": words})  # a price, not a limit


def source_volume(plan: PlanInputs, run: RunnableNight) -> Floats:
    """Water by source and night, shape (W, N) [m3]: tonight as it will run, later nights in the plan's proportions."""
    chosen = run.result.run_times(plan).sum(axis=2)  # (Z, N, K)
    whole = chosen.sum(axis=2, keepdims=True)
    mix = np.where(whole > 0, chosen / np.maximum(whole, 1e-12), 0.0)
    by_supply = mix * (run.minutes_by_night * plan.water_per_minute[:, None])[:, :, None]
    by_supply[:, 0] = run.volumes
    return np.asarray(np.einsum("znk,kw->wn", by_supply, plan.supply_share), dtype=np.float64)


def _part(use: Use, night: date, site: Site) -> LimitPart:
    """One limit as the document holds it."""
    binds = use.price > BINDING
    return LimitPart(
        name=use.name,
        what=use.what,
        used=round(use.used, 6),
        capacity=round(use.capacity, 6),
        usable=None if use.usable is None else round(use.usable, 6),
        base=None if use.base is None else round(use.base, 6),
        before=None if use.before is None else round(use.before, 6),
        unit=use.unit,
        binds=bool(binds),
        price=round(use.price, 6) if binds else 0.0,
        price_unit=PRICE_UNIT[use.unit],
        words=_words(use, night, site.units, _state(use) if binds else "used"),
    )


def _state(use: Use) -> str:
    """How full a limit is that the plan stops at."""
    if use.used >= FULL * use.capacity:
        return "full"
    if use.used >= FULL * (use.capacity if use.usable is None else use.usable):
        return "used, as much as these zones can use of it together"
    return "used, full in part of the hours" if use.in_part else "used, as much as whole runs allow"


def _words(use: Use, night: date, units: str, state: str) -> str:
    """One limit in a sentence, in the site's units."""
    if use.unit == "m3":
        amount = f"{format_volume(use.used, units, beside=use.capacity)} of {format_volume(use.capacity, units)}"
    else:
        amount = f"{use.used:,.0f} of {use.capacity:,.0f} station minutes"
    day = format_short_date(night, units)
    when = f"up to {day}" if use.name == LimitName.DROUGHT_CUT else day
    if use.name in ALL_NIGHTS:
        when = "all nights of this plan"
    return f"{use.what}, {when}: {amount} {state}"
