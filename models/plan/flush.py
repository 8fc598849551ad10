"""Salt flushes in the plan: which zones flush on which nights, chosen with everyone else's water.

A flush fills the root zone to field capacity and passes a depth of water below it, within one night or two in a row.
Whether it does is a yes or no, and a plain "big M" formulation of it leaves a wide gap: part of a flush every night
looks cheap. So each zone that needs a flush is written as a set of copies, one for each way it can spend the horizon
(no flush; a flush on night n; on nights n and n + 1; with this or that supply), each a whole root zone of its own
scaled by its weight, and the weights sum to 1. The relaxation is then the convex hull of what the zone can do (Balas
1998, disjunctive programming); only the limits shared with other zones tie copies together, so few are undecided.

Nothing is gained from soil physics that is not there: a flush night passes what its water has beyond filling, other
nights nothing; and until its flush a copy is kept out of the stress that water could spare it. Were it allowed, the
plan could feign ET not taken, and so a wetter root zone, wherever a flush just does not fit: what a flush saves can be
worth more than any price of lost ET. A zone that cannot be kept out of stress is flushed tonight or not at all.

One copy of a zone does without a flush: it passes a little below the roots on each night it is watered (`Upkeep`).
Copies are compared by what they cost until the end of the horizon and by what they leave owed then, as a share of the
water of one flush: a flush owes less the later it was, upkeep about as much as at the beginning.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pyomo.environ as pyo

from models.plan.balance import largest_drainage, largest_shortfall
from models.plan.flush_needs import FlushNeeds
from models.plan.inputs import Bools, Cut, Floats, Ints, PlanInputs
from models.plan.limits import longest_minutes
from models.plan.prices import Prices
from models.plan.rows import groups, linear
from models.plan.zone_nights import ZoneNights

MOST_COPIES = 1500  # of all zones together; beyond, each zone is asked about fewer nights, to keep the plan small
FEWEST_WAYS = 4  # ways to flush a zone is asked about at least
BY_ZONE = (
    "etc effective_rain taw raw dry_limit wet_limit depletion net_rate flow area max_run priority wet_weight allowed "
    "pump_of_zone branch_of_zone controller_of_zone zone_supply"
).split()


@dataclass(frozen=True)
class Copies:
    """Root zones of the plan: one for a zone without a flush to decide, several for the others.

    Parameters
    ----------
    zone : ndarray (V,)         Zone each root zone belongs to.
    open : ndarray (V,)         True for the copies of a zone with a flush to decide.
    flush : ndarray (V, N)      Nights on which the copy flushes.
    depth : ndarray (V,)        Depth that passes field capacity [mm], 0 without a flush.
    each : ndarray (V, N)       The same of a copy that leaches with its watering, on each of its nights [mm].
    supply : ndarray (V,)       Supply of the flush, -1 without.
    harm : ndarray (V,)         ET lost to salt until the flush, priced [cost].
    softness : ndarray (V,)     Of the nights it fills, priced as any softness [cost].
    dry_limit : ndarray (V, N)  Dry limit, from a flush on the one without salt [mm].
    weather : ndarray (V,)      Weather it is planned for, 0 the main one; -1 where it is planned for that alone.
    """

    zone: Ints
    open: Bools
    flush: Bools
    depth: Floats
    each: Floats
    supply: Ints
    harm: Floats
    softness: Floats
    dry_limit: Floats
    weather: Ints

    @cached_property
    def flushing(self) -> Bools:
        """Copies that pass water below the roots, shape (V,)."""
        return np.asarray(self.flush.any(axis=1), dtype=np.bool_)

    @cached_property
    def upkeep(self) -> Bools:
        """Copies that leach with the zone's own watering, without a flush, shape (V,)."""
        return np.asarray(self.each.any(axis=1), dtype=np.bool_)


def flush_copies(inputs: PlanInputs, needs: FlushNeeds, prices: Prices) -> Copies:
    """Lay out the copies of every zone: of each first the way without a flush, then its flushes, upkeep last.

    A flush ends the harm of salt from the date after its last night on; what it costs besides its water is in `_Cost`.
    Upkeep that even alone costs more than to wait is not asked.

    Parameters
    ----------
    inputs : PlanInputs
    needs : FlushNeeds
    prices : Prices      Of the inputs.

    Returns
    -------
    Copies
    """
    nights, zone = inputs.nights, needs.zone
    fresh = inputs.dry_limit[zone] if needs.dry_limit_after is None else needs.dry_limit_after
    ways = _ways(inputs, needs)
    cost = _cost(inputs, needs, prices, ways)
    f, u = ways.need, cost.with_upkeep
    whose = np.concatenate((np.arange(inputs.zones), zone[f], zone[u]))
    order = np.argsort(whose, kind="stable")

    def rows(without: Any, flushes: Any, with_upkeep: Any) -> Any:
        return np.concatenate((without, flushes, with_upkeep))[order]

    whose, none, waits = whose[order], np.zeros((inputs.zones, nights)), np.zeros(inputs.zones)
    waits[zone] = cost.waits
    each = np.zeros((0, nights))
    if needs.upkeep is not None:
        each = np.where(needs.upkeep.depth > 0, needs.upkeep.depth + ways.held(needs), 0.0)[u]
    flush = rows(none > 0, ways.on, each > 0)
    passes = needs.depth[f, ways.supply] + (ways.on * ways.held(needs)[f]).sum(axis=1)
    limit = np.where(ways.after, fresh[f], inputs.dry_limit[zone[f]])
    return Copies(
        zone=whose,
        open=np.isin(whose, zone),
        flush=flush,
        depth=rows(np.zeros(inputs.zones), passes, np.zeros(u.size)),
        each=rows(none, np.zeros((f.size, nights)), each),
        supply=rows(np.full(inputs.zones, -1), ways.supply, np.full(u.size, -1)).astype(np.int64),
        harm=rows(waits, cost.flush, cost.upkeep[u]),
        softness=(flush * prices.wet[whose] * inputs.wet_limit[whose]).sum(axis=1),
        dry_limit=rows(inputs.dry_limit, limit, inputs.dry_limit[zone[u]]),
        weather=np.full(whose.size, -1),
    )


@dataclass(frozen=True)
class _FlushWays:
    """Ways to flush, by zone and first night.

    Parameters
    ----------
    need : ndarray (W,)            Number of the zone in the needs.
    first, last : ndarray (W,)     Nights.
    supply : ndarray (W,)
    nights : int                   Of the horizon.
    """

    need: Ints
    first: Ints
    last: Ints
    supply: Ints
    nights: int

    @cached_property
    def after(self) -> Bools:
        """Nights from the first of the flush on, shape (W, N)."""
        return np.asarray(np.arange(self.nights)[None, :] >= self.first[:, None], dtype=np.bool_)

    @cached_property
    def on(self) -> Bools:
        """Nights of the flush, shape (W, N)."""
        return np.asarray(self.after & (np.arange(self.nights)[None, :] <= self.last[:, None]), dtype=np.bool_)

    def held(self, needs: FlushNeeds) -> Floats:
        """Water above field capacity that the date after each night takes as ET, shape (F, N) [mm]."""
        return np.zeros_like(needs.harm) if needs.held is None else needs.held


@dataclass(frozen=True)
class _Cost:
    """What each way costs besides its water and softness [cost].

    Parameters
    ----------
    flush : ndarray (W,)         Of each way to flush.
    waits : ndarray (F,)         Of the way without.
    upkeep : ndarray (F,)        Of the way with upkeep.
    with_upkeep : ndarray (U,)   Numbers in the needs of the zones asked about upkeep.
    """

    flush: Floats
    waits: Floats
    upkeep: Floats
    with_upkeep: Ints


def _cost(inputs: PlanInputs, needs: FlushNeeds, prices: Prices, ways: _FlushWays) -> _Cost:
    """Price the harm of salt and what each way leaves owed.

    Harm is priced as the dryness that would lower ET as much: by Ks of FAO-56 Eq. 84 one millimetre of ET lost stands
    for (TAW - RAW) / ETc millimetres beyond RAW. A flush before the first night of harm must be made again the sooner:
    of its water, at the zone's cheapest, the share of what it lasts that it is early is counted as wasted. With upkeep
    or with neither, what is owed at the end beyond what a flush in time would leave owed counts likewise. What is held
    above field capacity is not lost: the date's ET takes it instead of what would refill it.
    """
    nights, zone, f = inputs.nights, needs.zone, ways.need
    worth = prices.dry[zone, None] * (inputs.taw[zone, None] - inputs.raw[zone]) / np.maximum(inputs.etc[zone], 1e-6)
    lost = np.cumsum(worth * needs.harm, axis=1)
    before = np.concatenate((np.zeros((zone.size, 1)), lost), axis=1)  # until each night opens
    in_time = np.where((needs.harm > 0).any(axis=1), (needs.harm > 0).argmax(axis=1), nights)
    millimetre = _cheapest_millimetre(inputs, prices)[zone[f], ways.supply]
    water = needs.depth[f, ways.supply] * millimetre
    flush = before[f, ways.last]
    if needs.lasts is not None:
        flush = flush + water * np.maximum(in_time[f] - ways.last, 0) / needs.lasts[f]
    kept = flush - (ways.on * ways.held(needs)[f]).sum(axis=1) * millimetre
    waits = lost[:, -1] + worth.mean(axis=1) * needs.harm_after
    if needs.upkeep is None or needs.lasts is None:
        return _Cost(kept, waits, np.zeros(zone.size), np.zeros(0, dtype=np.int64))

    one, least = _smallest(zone.size, f, water, 0.0), _smallest(zone.size, f, millimetre, 0.0)
    due = (nights - in_time) / needs.lasts  # owed at the end after a flush in time
    waits = waits + one * np.maximum(needs.upkeep.owed_without - due, 0.0)
    upkeep = (worth * needs.upkeep.harm).sum(axis=1) + worth.mean(axis=1) * needs.upkeep.harm_after
    upkeep = upkeep + one * (needs.upkeep.owed - due)
    softness = prices.wet[zone] * inputs.wet_limit[zone]
    alone = upkeep + needs.upkeep.depth.sum(axis=1) * least + (softness * (needs.upkeep.depth > 0)).sum(axis=1)
    best = waits
    if zone.size + f.size > MOST_COPIES // 2:  # where there are many copies, only upkeep that could be best
        best = np.minimum(waits, _smallest(zone.size, f, water + flush + (softness[f] * ways.on).sum(axis=1), np.inf))
    asked = np.flatnonzero(needs.upkeep.depth.any(axis=1) & (alone < best))
    upkeep = upkeep - ((needs.upkeep.depth > 0) * ways.held(needs)).sum(axis=1) * least
    return _Cost(kept, waits, upkeep, asked)


def _cheapest_millimetre(inputs: PlanInputs, prices: Prices) -> Floats:
    """Price of a millimetre on its cheapest night, by zone and supply, shape (Z, K) [per mm]; 0 where it never runs."""
    runs = inputs.runs
    found = np.full((inputs.zones, inputs.supply_share.shape[0]), np.inf)
    np.minimum.at(found, (runs.zone, runs.supply), prices.run / inputs.net_rate[runs.zone])
    return np.where(np.isfinite(found), found, 0.0)  # of a supply of no night nothing is wasted


def _smallest(size: int, group: Ints, values: Floats, without: float) -> Floats:
    """The smallest value of each group 0 to size - 1, shape (size,), and `without` for a group that has none."""
    found = np.full(size, np.inf)
    np.minimum.at(found, group, values)
    return np.where(np.isfinite(found), found, without)


def _ways(inputs: PlanInputs, needs: FlushNeeds) -> _FlushWays:
    """Ways to flush each zone.

    Where very many zones need a flush, not every zone can be asked about every night: of each only some of its ways,
    evenly apart and begun one later for each zone, are taken, and the zones between them still cover all of them.
    """
    may = needs.allowed & inputs.allowed[needs.zone].any(axis=2)
    next_too = np.concatenate((may[:, 1:], np.zeros((may.shape[0], 1), dtype=np.bool_)), axis=1)
    nights = np.stack((may, may & next_too), axis=2)  # one night; two in a row
    usable = np.isfinite(needs.depth) & inputs.zone_supply[needs.zone]
    f, first, more, k = np.nonzero(nights[:, :, :, None] & usable[:, None, None, :])
    count = np.bincount(f, minlength=needs.zone.size)[f]
    place = np.arange(f.size) - np.searchsorted(f, f)
    most = max(FEWEST_WAYS, MOST_COPIES // max(needs.zone.size, 1))
    turned = (place - f) % np.maximum(count, 1)
    nearest = -(-turned * most // np.maximum(count, 1))
    taken = (count <= most) | (nearest * count // most == turned)
    return _FlushWays(f[taken], first[taken], (first + more)[taken], k[taken], inputs.nights)


def spread_inputs(inputs: PlanInputs, copies: Copies, tonight_of: Ints | None = None) -> PlanInputs:
    """The plan's inputs with a row for every copy instead of every zone; a flush takes its own supply only.

    Parameters
    ----------
    inputs : PlanInputs
    copies : Copies
    tonight_of : ndarray (V,), optional   Where copies are of several weathers: whose run times tonight each has.
    """
    by_zone: dict[str, Any] = {name: getattr(inputs, name)[copies.zone] for name in BY_ZONE}
    fixed = np.flatnonzero(copies.supply >= 0)
    supply = by_zone["zone_supply"].copy()
    supply[fixed] = False
    supply[fixed, copies.supply[fixed]] = True
    by_zone["zone_supply"] = supply
    by_zone["dry_limit"] = copies.dry_limit
    by_zone["tail"] = None if inputs.tail is None else inputs.tail[copies.zone]
    cuts = tuple(Cut(cut.name, cut.zones[copies.zone], cut.volume, cut.since) for cut in inputs.cuts)
    if inputs.members is not None and tonight_of is not None:
        other = np.flatnonzero(copies.weather > 0)
        place = (copies.weather[other] - 1, copies.zone[other])
        by_zone["etc"][other] = inputs.members.etc[place]
        by_zone["effective_rain"][other] = inputs.members.effective_rain[place]
        by_zone |= {"weather": copies.weather, "tonight_of": tonight_of}
    return replace(inputs, **by_zone, cuts=cuts, members=None)


def spread_prices(prices: Prices, inputs: PlanInputs, spread: PlanInputs, copies: Copies) -> Prices:
    """The prices of the zones for every copy; ranks and ratio stay those of the zones."""
    runs, own = spread.runs, inputs.runs
    shape = (inputs.zones, inputs.nights, inputs.blocks, inputs.supply_share.shape[0])
    place = (copies.zone[runs.zone], runs.night, runs.block, runs.supply)

    def of_copies(price: Floats) -> Floats:
        every = np.zeros(shape)
        every[own.zone, own.night, own.block, own.supply] = price
        return np.asarray(every[place], dtype=np.float64)

    by_zone = ("dry", "very_dry", "wet", "drainage", "shortfall", "terminal", "insured", "refill", "beyond")
    rows = {name: getattr(prices, name)[copies.zone] for name in by_zone}
    return replace(prices, run=of_copies(prices.run), water=of_copies(prices.water), **rows)


def add_copies(m: pyo.ConcreteModel, inputs: PlanInputs, copies: Copies) -> None:
    """Add `chosen[v]`, the weight of each copy, 0 to 1, and `one_way[z]`: the weights of a zone's copies sum to 1."""
    cells = np.flatnonzero(copies.flush.ravel()).tolist()
    m.C_flush = pyo.Set(initialize=cells)
    if copies.open.any():
        _add_weights(m, copies)
    m.flushed = pyo.Var(m.C_flush, bounds=(0, None))


def _add_weights(m: pyo.ConcreteModel, copies: Copies) -> None:
    opened = np.flatnonzero(copies.open).tolist()
    m.V = pyo.Set(initialize=opened)
    m.chosen = pyo.Var(m.V, bounds=(0, 1))
    members = [g for g in groups(np.where(copies.open, copies.zone, -1), int(copies.zone.max()) + 1) if g]
    m.Z_open = pyo.RangeSet(0, len(members) - 1)

    @m.Constraint(m.Z_open)  # type: ignore[untyped-decorator]
    def one_way(m: pyo.ConcreteModel, i: int) -> Any:
        ways = [m.chosen[v] for v in members[i]]
        return linear([1.0] * len(ways), ways), 1.0


def flush_terms(m: pyo.ConcreteModel, copies: Copies) -> tuple[tuple[Any, Floats], ...]:
    """What choosing costs: the harm of salt until the flush, and the softness it brings."""
    return ((m.chosen, (copies.harm + copies.softness)[copies.open]),) if copies.open.any() else ()


def add_flush_rows(m: pyo.ConcreteModel, inputs: PlanInputs, copies: Copies, words: ZoneNights) -> None:
    """Add what a flush is; like all of a copy, its depth is scaled by the copy's weight.

    `flush_fills[c]`: water[n] = D[n-1] + flushed[n]: the night's water refills the root zone, the rest drains   [mm].
    `flush_depth[v]`: the flushed water sums to the depth or more; what rain will carry off was taken from it   [mm].
    `upkeep_depth[c]`: or each night with upkeep passes its own   [mm].
    """
    before, flushed = words.previous(words.depletion), words.flushed
    flushes, upkeep = np.flatnonzero(copies.flush.ravel()), np.flatnonzero(copies.each.ravel())
    m.flush_fills = words.constraint(m.C_flush, words.water == before + flushed, flushes)
    deep = np.flatnonzero(copies.flushing & ~copies.upkeep)
    m.V_flush = pyo.Set(initialize=deep.tolist())
    m.flush_depth = words.constraint(m.V_flush, words.over_nights(flushed) >= copies.depth, deep)
    m.C_upkeep = pyo.Set(initialize=upkeep.tolist())
    m.upkeep_depth = words.constraint(m.C_upkeep, flushed >= copies.each.ravel(), upkeep)


def add_flush_bounds(m: pyo.ConcreteModel, inputs: PlanInputs, copies: Copies, words: ZoneNights) -> None:
    """Add `within_band`, `within_wet`, `within_rain`, `within_night`: bounds of a copy, scaled by its weight."""
    opened = np.repeat(copies.open, inputs.nights)
    most_drained = largest_drainage(inputs).ravel()
    cells, rainy = np.flatnonzero(opened), np.flatnonzero(opened & (most_drained > 0))
    flushes = np.flatnonzero(copies.flush.ravel() & (np.diff(inputs.runs.first) > 0))
    m.C_open = pyo.Set(initialize=cells.tolist())
    m.C_open_rain = pyo.Set(initialize=rainy.tolist())
    m.C_open_night = pyo.Set(initialize=flushes.tolist())
    longest = longest_minutes(inputs).ravel()
    m.within_band = words.constraint(m.C_open, words.of(m.in_band) <= inputs.dry_limit.ravel(), cells)
    m.within_wet = words.constraint(m.C_open, words.soft <= inputs.wet_limit.ravel(), cells)
    m.within_rain = words.constraint(m.C_open_rain, words.drainage <= most_drained, rainy)
    m.within_night = words.constraint(m.C_open_night, words.minutes <= longest, flushes)


def most_shortfall(inputs: PlanInputs, copies: Copies) -> Floats:
    """Most ET a copy may be said not to take [mm], shape (V, N): until its flush only what no water could spare it."""
    until = inputs.nights - copies.flush[:, ::-1].argmax(axis=1)
    kept_out = copies.flushing[:, None] & (np.arange(inputs.nights)[None, :] < until[:, None])
    return np.where(kept_out, unavoidable_shortfall(inputs), largest_shortfall(inputs))


def unavoidable_shortfall(inputs: PlanInputs) -> Floats:
    """ET that cannot be taken whatever is watered [mm], shape (Z, N): until the first night on which a zone may run.

    The path without water, by Ks of FAO-56 Eq. 84. Later only what a full root zone lacks of a day's ET.
    """
    dark = np.cumsum(np.diff(inputs.runs.first).reshape(inputs.etc.shape), axis=1) == 0
    out = np.maximum(inputs.etc - inputs.taw[:, None], 0.0)
    depletion = inputs.depletion
    for n in range(inputs.nights):
        ks = np.clip((inputs.taw - depletion) / (inputs.taw - inputs.raw[:, n]), 0.0, 1.0)
        before = depletion - inputs.effective_rain[:, n]
        taken = np.minimum(ks * inputs.etc[:, n], np.maximum(inputs.taw - before, 0.0))
        out[:, n] = np.where(dark[:, n], inputs.etc[:, n] - taken, out[:, n])
        depletion = np.clip(before + taken, 0.0, inputs.taw)
    return out
