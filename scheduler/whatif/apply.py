"""A case put into the arrays of the plan: through the same door as the site itself, so that one rule speaks for both.

What names a date binds on that night; what changes the season (allocation, tiers) or a price is settled once, for the
evening or for all of a season ahead (`settled_site`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd

from models.choices import WEATHER
from models.plan.flush_needs import FlushNeeds
from scheduler.errors import listing
from scheduler.notes import Note
from scheduler.plan.inputs import NightInputs, night_inputs
from scheduler.plan.water import applied_volume, share_of
from scheduler.salinity.candidates import FlushCandidates
from scheduler.salinity.evening import SaltState
from scheduler.salinity.flushes import flush_needs
from scheduler.site import Site
from scheduler.site.records import Restriction, WindowRule
from scheduler.site.settle import window_minutes
from scheduler.site.units import quantity
from scheduler.site.windows import night_windows
from scheduler.state.demand import Demand, evening_demand
from scheduler.state.evening import StartState
from scheduler.state.ran import runs_before
from scheduler.supply import usual_source_ec
from scheduler.whatif.case import Case, Part
from scheduler.whatif.orders import Order, Standing, water_orders
from scheduler.whatif.surcharge import step_price

WHOLE_DAY = 1440
SEASON_WIDE = ("allocation_factor", "allocation", "tiers", "price_factor", "ec_factor")  # what no date of a case binds


@dataclass(frozen=True)
class Evening:
    """What an evening knows before it plans: the site as settled for a case, the weather to come, where zones stand."""

    site: Site
    night: date
    nights: int
    demand: Demand
    state: StartState
    salt: SaltState


@dataclass(frozen=True)
class CasePlan:
    """The arrays of one case.

    needs : FlushNeeds   As the plan takes them.
    choice : tuple       Orders that leave it to the plan which nights: see `Choice`.
    """

    site: Site
    demand: Demand
    salt: SaltState
    inputs: NightInputs
    flushes: FlushCandidates
    needs: FlushNeeds
    orders: tuple[Order, ...]
    choices: tuple[Choice, ...]
    notes: tuple[Note, ...]


@dataclass(frozen=True)
class Choice:
    """So many nights of each calendar week: the zones bound (Z,), and the nights of the plan by week.

    weeks : tuple of (nights, how many of them may run)
    """

    zones: np.ndarray
    weeks: tuple[tuple[tuple[int, ...], int], ...]


def settled_site(site: Site, case: Case, night: date) -> Site:
    """The site with what a case changes once and for all: the season's water, its tiers, prices, and salt in the water.

    Parameters
    ----------
    site : Site
    case : Case
    night : date   Evening on which the case begins; what is left of the season is that of this evening.
    """
    keys = [part.keys for part in case.parts]
    given = site.sources  # percents of a surcharge are of the prices before the factor, which then multiplies both
    price = math.prod(k.price_factor for k in keys if k.price_factor is not None)
    salt = math.prod(k.ec_factor for k in keys if k.ec_factor is not None)
    if price != 1.0 or salt != 1.0:
        site = replace(site, sources=tuple(replace(s, price=s.price * price, ec=s.ec * salt) for s in site.sources))
    rule = site.allocation
    if rule is None:
        return site
    tiers = next((k.tiers for k in keys if k.tiers is not None), None)
    volume = next((k.allocation for k in keys if k.allocation is not None), rule.volume)
    if any(k.allocation_factor is not None for k in keys):
        used = rule.used_before + float(applied_volume(site, runs_before(site, night), rule.starts, night).sum())
        factor = math.prod(k.allocation_factor for k in keys if k.allocation_factor is not None)
        volume = used + factor * max(volume - used, 0.0)
    steps = rule.tiers
    if tiers is not None:
        steps = tuple((_above(t.above, volume), step_price(t.price, given)) for t in tiers)
    steps = tuple((above, p * price) for above, p in steps)
    return replace(site, allocation=replace(rule, volume=volume, tiers=steps))


def _above(above: float | str, volume: float) -> float:
    """Threshold of a tier as a share of the volume."""
    return quantity(above, "m3") / max(volume, 1e-9) if isinstance(above, str) else above


def ordered_site(site: Site, case: Case) -> Site:
    """The site with the bans of a case among its drought orders; each binds from its own date until its own."""
    return replace(site, restrictions=(*site.restrictions, *(r for part in case.parts for r in _restrictions(part))))


def _restrictions(part: Part) -> list[Restriction]:
    keys = part.keys
    span = (keys.starts, keys.ends)
    found = []
    if keys.nights_allowed is not None:
        found.append(Restriction(keys.nights_allowed, None, keys.surfaces, 0.0, *span))
    if keys.nights_a_week == 0:
        found.append(Restriction(frozenset(), None, keys.surfaces, 0.0, *span))
    if keys.hours_forbidden is not None:
        found.append(Restriction(None, allowed_hours(keys.hours_forbidden), keys.surfaces, 0.0, *span))
    if keys.surfaces_off is not None:
        found.append(Restriction(frozenset(), None, keys.surfaces_off, 0.0, *span))
    if keys.cut is not None and keys.base is None:
        found.append(Restriction(None, None, keys.surfaces, keys.cut, *span))
    return found


def allowed_hours(forbidden: Sequence[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Spans of clock time that are left where some are forbidden [min after 00:00].

    Examples
    --------
    >>> allowed_hours([(8 * 60, 20 * 60)])
    ((0, 480), (1200, 1440))
    >>> allowed_hours([(20 * 60, 30 * 60)])
    ((360, 1200),)
    """
    shut = np.zeros(WHOLE_DAY + 1, dtype=bool)
    for start, end in forbidden:
        for minute in (start, start - WHOLE_DAY):
            shut[max(minute, 0) : min(max(minute + end - start, 0), WHOLE_DAY)] = True
    open_ = np.concatenate(([False], ~shut[:WHOLE_DAY], [False]))
    edge = np.flatnonzero(open_[1:] != open_[:-1])
    return tuple((int(a), int(b)) for a, b in edge.reshape(-1, 2))


def with_allocation(plan: CasePlan, site: Site) -> CasePlan:
    """The arrays of a case whose site has another volume of water for the season, and is the same in all else."""
    share = plan.inputs.allocation
    if share is None or site.allocation is None:
        return plan
    share, hard, tiers = share_of(site.allocation, share.used, share.part)
    arrays = replace(plan.inputs.plan, allocation=hard, tiers=tiers)
    return replace(plan, inputs=replace(plan.inputs, plan=arrays, allocation=share))


def case_plan(evening: Evening, case: Case, log: pd.DataFrame, demand: Demand | None = None) -> CasePlan:
    """The arrays of the plan under a case.

    Parameters
    ----------
    evening : Evening      Its site as `settled_site` gives it.
    case : Case
    demand : Demand, optional   Where the weather to come is that of the case already.
    log : DataFrame        What ran, as far back as it is known: base periods are looked up there.

    Raises
    ------
    InputProblems          An order speaks of water that is not known.
    """
    bare, night = evening.site, evening.night
    site = ordered_site(bare, case)
    demand = shifted_demand(evening, case) if demand is None else demand
    windows = list(night_windows(site, night, evening.nights))
    dates = [w.night for w in windows]
    for part in case.parts:
        if part.keys.window is not None:
            rule = WindowRule(window_minutes(*part.keys.window))
            for n in np.flatnonzero(part.on(dates)).tolist():
                windows[n] = night_windows(replace(site, window=rule), dates[n], 1)[0]
    closed = _closed_sources(site, case, dates)
    salt = _case_salt(evening.salt, site, closed, case)
    inputs = night_inputs(site, night, tuple(windows), demand, evening.state, salt)
    notes = [*_notes(case, dates)]
    plan = inputs.plan
    allowed = plan.allowed & ~_off(site, case, dates)[:, :, None]
    share = _pump_share(site, case, dates)
    if share is not None:
        capacity = np.where(share > 0, share * plan.pump_capacity[:, None], 0.0)
        most = np.where((plan.pump_of_zone >= 0)[:, None], capacity[plan.pump_of_zone], np.inf)
        allowed &= (plan.flow[:, None] <= most)[:, :, None]  # a zone that is too much alone cannot run
    supply = plan.zone_supply
    if closed.any():
        always = closed.all(axis=1)
        supply = supply & ~((plan.supply_share[:, always] > 0).any(axis=1))[None, :]
        allowed = allowed & _has_water(plan.supply_share, plan.zone_supply, closed)[:, :, None]
    standing = Standing(site, tuple(dates), demand, plan.etc, plan.net_rate, log)
    orders = water_orders(standing, case.parts)
    if case.parts:
        plan = replace(
            plan,
            allowed=allowed,
            zone_supply=supply,
            pump_share=share,
            source_open=None if not closed.any() else ~closed,
            cuts=(*plan.cuts, *(cut for order in orders for cut in order.cuts)),
        )
        inputs = replace(inputs, plan=plan)
    flushes = flush_needs(site, salt, inputs.plan, inputs.dates, inputs.depletion_fraction)
    fresh = (inputs.fresh_limit - inputs.margin)[flushes.needs.zone]
    needs = replace(flushes.needs, dry_limit_after=fresh)
    choices = _choices(site, case, dates)
    return CasePlan(site, demand, salt, inputs, flushes, needs, orders, choices, (*inputs.notes, *notes))


def with_flushes(plan: CasePlan) -> CasePlan:
    """The arrays with the flushes that the nights left allow."""
    inputs = plan.inputs
    found = flush_needs(plan.site, plan.salt, inputs.plan, inputs.dates, inputs.depletion_fraction)
    fresh = (inputs.fresh_limit - inputs.margin)[found.needs.zone]
    return replace(plan, flushes=found, needs=replace(found.needs, dry_limit_after=fresh))


def _off(site: Site, case: Case, dates: Sequence[date]) -> np.ndarray:
    """Zone-nights a case shuts by the name of the zone, shape (Z, N)."""
    off = np.zeros((len(site.zones), len(dates)), dtype=bool)
    for part in case.parts:
        if part.keys.zones_off is not None:
            off |= np.isin(site.zones.zone, part.keys.zones_off)[:, None] & part.on(dates)[None, :]
    return off


def _pump_share(site: Site, case: Case, dates: Sequence[date]) -> np.ndarray | None:
    """Share of each pump's capacity on each night, shape (P, N); None where a case does not speak of pumps."""
    share = np.ones((len(site.pumps), len(dates)))
    names = [p.name for p in site.pumps]
    for part in case.parts:
        on = part.on(dates)
        if part.keys.pump_capacity_factor is not None:
            share[:, on] *= part.keys.pump_capacity_factor
        for name in part.keys.pump_out or ():
            share[names.index(name), on] = 0.0
    return None if (share == 1.0).all() else share


def _closed_sources(site: Site, case: Case, dates: Sequence[date]) -> np.ndarray:
    """Sources a case closes on each night, shape (W, N)."""
    closed = np.zeros((len(site.sources), len(dates)), dtype=bool)
    names = [s.name for s in site.sources]
    for part in case.parts:
        for name in part.keys.source_off or ():
            closed[names.index(name), part.on(dates)] = True
    return closed


def _has_water(supply_share: np.ndarray, zone_supply: np.ndarray, closed: np.ndarray) -> np.ndarray:
    """Zone-nights with at least one supply that is open, shape (Z, N)."""
    shut = (supply_share > 0).astype(float) @ closed.astype(float) > 0  # (K, N)
    return np.asarray(zone_supply.astype(float) @ (~shut).astype(float) > 0)


def _case_salt(salt: SaltState, site: Site, closed: np.ndarray, case: Case) -> SaltState:
    """Salinity with the water a zone usually takes under the case: salt factors, and sources closed from tonight on."""
    off = closed[:, 0] if closed.size else np.zeros(len(site.sources), dtype=bool)
    changed = off.any() or any(p.keys.ec_factor is not None for p in case.parts)
    if not changed:
        return salt
    every = tuple(range(len(site.sources)))
    taken = tuple(tuple(w for w in (listed or every) if not off[w]) or listed for listed in site.zones.sources)
    return replace(salt, source_ec=usual_source_ec(replace(site, zones=replace(site.zones, sources=taken))))


def shifted_demand(evening: Evening, case: Case) -> Demand:
    """Weather to come under a case: warmer, drier, or with another ETo, on the dates after the nights it binds."""
    future = evening.demand.future
    nights = [t.date() for t in future["date"] - pd.Timedelta(days=1)]
    eto, rain = np.ones(len(nights)), np.ones(len(nights))
    shift = np.zeros(len(nights))
    for part in case.parts:
        on = part.on(nights)
        eto[on] *= 1.0 if part.keys.eto_factor is None else part.keys.eto_factor
        rain[on] *= 1.0 if part.keys.rain_factor is None else part.keys.rain_factor
        shift[on] += part.keys.temperature_shift or 0.0
    for step in np.unique(shift[shift != 0.0]).tolist():
        eto = np.where(shift == step, eto * warmer(evening, step), eto)
    told = evening.demand.told
    return replace(
        evening.demand,
        future=future.assign(eto=future["eto"] * eto, rain=future["rain"] * rain),
        told=None if told is None else told.times(eto, rain),
    )


def warmer(evening: Evening, shift: float) -> np.ndarray:
    """ETo of the coming dates if it were warmer by `shift`, against as it is, shape (N,) [-].

    Reference ET once more from the forecast with its temperatures shifted and its relative humidity kept; where no
    forecast speaks of temperatures, the ratio over the last days of the record.
    """
    site, night, count = evening.site, evening.night, evening.nights
    warm = replace(site, forecast=_warm(site.forecast, shift), weather=_warm(site.weather, shift))
    one, other = (evening_demand(s, night, count) for s in (warm, site))
    warmer, usual = (float(d.past["eto"].tail(WEATHER.recent_days).sum()) for d in (one, other))
    recent = warmer / max(usual, 1e-9)
    was, now = other.future["eto"].to_numpy(float), one.future["eto"].to_numpy(float)
    ratio = np.where(was > 0, now / np.maximum(was, 1e-9), 1.0)
    size = len(evening.demand.future)
    return np.resize(ratio, size) if len(ratio) >= size else np.full(size, recent)


def _warm(rows: pd.DataFrame, shift: float) -> pd.DataFrame:
    """Weather rows with their temperatures shifted; an ETo that was given is worked out anew where it can be."""
    if not len(rows):
        return rows
    known = rows["tmax"].notna() & rows["tmin"].notna()
    return rows.assign(tmin=rows["tmin"] + shift, tmax=rows["tmax"] + shift, eto=rows["eto"].mask(known))


def _choices(site: Site, case: Case, dates: Sequence[date]) -> tuple[Choice, ...]:
    """Orders of so many nights a week; nights of this week that ran before tonight count."""
    found = []
    for part in case.parts:
        most = part.keys.nights_a_week
        if most in (None, 0, 7):
            continue
        zones = part.binds(site.zones.surface)
        weeks: dict[date, list[int]] = {}
        for n in np.flatnonzero(part.on(dates)).tolist():
            monday = dates[n].toordinal() - dates[n].weekday()
            weeks.setdefault(date.fromordinal(monday), []).append(n)
        counted = []
        for monday, nights in weeks.items():
            first = monday if part.keys.starts is None else max(monday, part.keys.starts)
            ran = runs_before(site, dates[0])
            ran = ran[(ran["night"] >= pd.Timestamp(first)) & (ran[["minutes", "volume"]] > 0).any(axis=1)]
            ran = ran[ran["zone"].isin(site.zones.zone[zones])]
            done = ran["night"].nunique()
            counted.append((tuple(nights), max(most - done, 0)))
        found.append(Choice(zones, tuple(counted)))
    return tuple(found)


def _notes(case: Case, dates: Sequence[date]) -> list[Note]:
    """What of a case does not touch these nights, and what its dates do not bind."""
    found = []
    for part in case.parts:
        wide = [key for key in SEASON_WIDE if getattr(part.keys, key) is not None]
        if not part.on(dates).any():
            found.append(Note("info", part.name, f"binds on none of the nights from {dates[0]} to {dates[-1]}"))
        if wide and (part.keys.starts is not None or part.keys.ends is not None):
            words = f"{listing(wide)}: counts from tonight and for the whole season, whatever the dates of the case"
            found.append(Note("info", part.name, words))
    return found
