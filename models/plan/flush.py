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

from models.plan.balance import depletion_terms
from models.plan.flush_needs import FlushNeeds
from models.plan.inputs import Bools, Cut, Floats, Ints, PlanInputs
from models.plan.prices import Prices
from models.plan.rows import entries, groups, linear

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

    @cached_property
    def flushing(self) -> Bools:
        """Copies that pass water below the roots, shape (V,)."""
        return np.asarray(self.flush.any(axis=1), dtype=np.bool_)

    @cached_property
    def upkeep(self) -> Bools:
        """Those of them that do so with their watering, without a flush, shape (V,)."""
        return np.asarray(self.each.any(axis=1), dtype=np.bool_)


def flush_copies(inputs: PlanInputs, needs: FlushNeeds, prices: Prices) -> Copies:
    """Lay out the copies of every zone.

    A flush ends the harm of salt from the date after its last night on. Harm is priced as the dryness that would lower
    ET as much: by Ks of FAO-56 Eq. 84 one millimetre of ET lost stands for (TAW - RAW) / ETc millimetres beyond RAW.
    A flush before the first night of harm must be made again the sooner: of its water, at the zone's cheapest, the
    share of what it lasts that it is early is counted as wasted. With upkeep or with neither, what is owed at the end
    beyond what a flush in time would leave owed counts likewise. Upkeep that even alone costs more than to wait is
    not asked.

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
    worth = prices.dry[zone, None] * (inputs.taw[zone, None] - inputs.raw[zone]) / np.maximum(inputs.etc[zone], 1e-6)
    lost = np.cumsum(worth * needs.harm, axis=1)
    before = np.concatenate((np.zeros((zone.size, 1)), lost), axis=1)  # until each night opens
    fresh = inputs.dry_limit[zone] if needs.dry_limit_after is None else needs.dry_limit_after
    unit = np.full((inputs.zones, inputs.supply_share.shape[0]), np.inf)  # cheapest millimetre
    np.minimum.at(unit, (inputs.runs.zone, inputs.runs.supply), prices.run / inputs.net_rate[inputs.runs.zone])
    in_time = np.where((needs.harm > 0).any(axis=1), (needs.harm > 0).argmax(axis=1), nights)

    f, first, last, k = _ways(inputs, needs)
    night = np.arange(nights)[None, :]
    after = night >= first[:, None]
    on = after & (night <= last[:, None])
    held = np.zeros_like(lost) if needs.held is None else needs.held
    passes = needs.depth[f, k] + (on * held[f]).sum(axis=1)
    cost = before[f, last]
    unit = np.where(np.isfinite(unit), unit, 0.0)  # of a supply of no night nothing is wasted
    water = needs.depth[f, k] * unit[zone[f], k]
    if needs.lasts is not None:
        cost = cost + water * np.maximum(in_time[f] - last, 0) / needs.lasts[f]
    waits = lost[:, -1] + worth.mean(axis=1) * needs.harm_after

    least = _smallest(zone.size, f, unit[zone[f], k], 0.0)
    softness = prices.wet[zone] * inputs.wet_limit[zone]
    u, upkeep = np.zeros(0, dtype=np.int64), np.zeros(0)
    if needs.upkeep is not None and needs.lasts is not None:
        one = _smallest(zone.size, f, water, 0.0)
        due = (nights - in_time) / needs.lasts  # owed at the end after a flush in time
        waits = waits + one * np.maximum(needs.upkeep.owed_without - due, 0.0)
        upkeep = (worth * needs.upkeep.harm).sum(axis=1) + worth.mean(axis=1) * needs.upkeep.harm_after
        upkeep = upkeep + one * (needs.upkeep.owed - due)
        alone = upkeep + needs.upkeep.depth.sum(axis=1) * least + (softness * (needs.upkeep.depth > 0)).sum(axis=1)
        best = waits
        if zone.size + f.size > MOST_COPIES // 2:  # where there are many copies, only upkeep that could be best
            best = np.minimum(waits, _smallest(zone.size, f, water + cost + (softness[f] * on).sum(axis=1), np.inf))
        u = np.flatnonzero(needs.upkeep.depth.any(axis=1) & (alone < best))
    # what is held above field capacity is not lost: the date's ET takes it instead of what would refill it
    cost = cost - (on * held[f]).sum(axis=1) * unit[zone[f], k]

    whose = np.concatenate((np.arange(inputs.zones), zone[f], zone[u]))
    order = np.argsort(whose, kind="stable")  # of each zone the way without a flush first, upkeep last

    def rows(without: Any, ways: Any, with_upkeep: Any) -> Any:
        return np.concatenate((without, ways, with_upkeep))[order]

    whose, none, all_waits = whose[order], np.zeros((inputs.zones, nights)), np.zeros(inputs.zones)
    all_waits[zone] = waits
    each = np.zeros((0, nights))
    if needs.upkeep is not None:
        each = np.where(needs.upkeep.depth > 0, needs.upkeep.depth + held, 0.0)[u]
        upkeep = upkeep - ((needs.upkeep.depth > 0) * held).sum(axis=1) * least
    flush = rows(none > 0, on, each > 0)
    return Copies(
        zone=whose,
        open=np.isin(whose, zone),
        flush=flush,
        depth=rows(np.zeros(inputs.zones), passes, np.zeros(u.size)),
        each=rows(none, np.zeros((f.size, nights)), each),
        supply=rows(np.full(inputs.zones, -1), k, np.full(u.size, -1)).astype(np.int64),
        harm=rows(all_waits, cost, upkeep[u]),
        softness=(flush * prices.wet[whose] * inputs.wet_limit[whose]).sum(axis=1),
        dry_limit=rows(
            inputs.dry_limit, np.where(after, fresh[f], inputs.dry_limit[zone[f]]), inputs.dry_limit[zone[u]]
        ),
    )


def _smallest(size: int, group: Ints, values: Floats, without: float) -> Floats:
    """The smallest value of each group 0 to size - 1, shape (size,), and `without` for a group that has none."""
    found = np.full(size, np.inf)
    np.minimum.at(found, group, values)
    return np.where(np.isfinite(found), found, without)


def _ways(inputs: PlanInputs, needs: FlushNeeds) -> tuple[Ints, Ints, Ints, Ints]:
    """Ways to flush each zone: number in the needs, first and last night, supply; each (W,), by zone and first night.

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
    return f[taken], first[taken], (first + more)[taken], k[taken]


def spread_inputs(inputs: PlanInputs, copies: Copies) -> PlanInputs:
    """The plan's inputs with a row for every copy instead of every zone; a flush takes its own supply only."""
    by_zone: dict[str, Any] = {name: getattr(inputs, name)[copies.zone] for name in BY_ZONE}
    fixed = np.flatnonzero(copies.supply >= 0)
    supply = by_zone["zone_supply"].copy()
    supply[fixed] = False
    supply[fixed, copies.supply[fixed]] = True
    by_zone["zone_supply"] = supply
    by_zone["dry_limit"] = copies.dry_limit
    cuts = tuple(Cut(cut.name, cut.zones[copies.zone], cut.volume) for cut in inputs.cuts)
    return replace(inputs, **by_zone, cuts=cuts)


def spread_prices(prices: Prices, inputs: PlanInputs, spread: PlanInputs, copies: Copies) -> Prices:
    """The prices of the zones for every copy; ranks and ratio stay those of the zones."""
    runs, own = spread.runs, inputs.runs
    shape = (inputs.zones, inputs.nights, inputs.blocks, inputs.supply_share.shape[0])
    place = (copies.zone[runs.zone], runs.night, runs.block, runs.supply)

    def of_copies(price: Floats) -> Floats:
        every = np.zeros(shape)
        every[own.zone, own.night, own.block, own.supply] = price
        return np.asarray(every[place], dtype=np.float64)

    z = copies.zone
    return replace(
        prices,
        run=of_copies(prices.run),
        water=of_copies(prices.water),
        dry=prices.dry[z],
        very_dry=prices.very_dry[z],
        wet=prices.wet[z],
        drainage=prices.drainage[z],
        shortfall=prices.shortfall[z],
        terminal=prices.terminal[z],
    )


def add_copies(m: pyo.ConcreteModel, inputs: PlanInputs, copies: Copies) -> None:
    """Add `chosen[v]`, the weight of each copy, 0 to 1, and `one_way[z]`: the weights of a zone's copies sum to 1."""
    opened = np.flatnonzero(copies.open).tolist()
    m.V = pyo.Set(initialize=opened)
    m.chosen = pyo.Var(m.V, bounds=(0, 1))
    members = [g for g in groups(np.where(copies.open, copies.zone, -1), int(copies.zone.max()) + 1) if g]
    m.Z_open = pyo.RangeSet(0, len(members) - 1)

    @m.Constraint(m.Z_open)  # type: ignore[untyped-decorator]
    def one_way(m: pyo.ConcreteModel, i: int) -> Any:
        ways = [m.chosen[v] for v in members[i]]
        return linear([1.0] * len(ways), ways), 1.0

    cells = np.flatnonzero(copies.flush.ravel()).tolist()
    m.C_flush = pyo.Set(initialize=cells)
    m.flushed = pyo.Var(m.C_flush, bounds=(0, None))


def flush_terms(m: pyo.ConcreteModel, copies: Copies) -> tuple[tuple[Any, Floats], ...]:
    """What choosing costs: the harm of salt until the flush, and the softness it brings."""
    return ((m.chosen, (copies.harm + copies.softness)[copies.open]),)


def add_flush_rows(m: pyo.ConcreteModel, inputs: PlanInputs, copies: Copies) -> None:
    """Add what a flush is: `flush_fills[c]` and `flush_depth[v]`; and `within_*`, the bounds scaled by the weight.

    `flush_fills`: sum(a x[n]) = D[n-1] + flushed[n]: the night's water refills the root zone, the rest drains   [mm].
    `flush_depth`: the flushed water sums to the depth or more; what rain will carry off was taken from it   [mm].
    `upkeep_depth`: or each night with upkeep passes its own   [mm].
    """
    nights = inputs.nights
    depletion = depletion_terms(m)
    runs = entries(m.run_time)
    first = inputs.runs.first.tolist()
    rate = inputs.net_rate.tolist()
    start = inputs.depletion.tolist()
    drainage = m.drainage._data
    flushed, chosen = m.flushed._data, m.chosen._data

    def fills(m: pyo.ConcreteModel, c: int) -> Any:
        v, n = divmod(c, nights)
        a, b = first[c], first[c + 1]
        variables = [flushed[c], *runs[a:b]]
        coefficients = [-1.0] + [rate[v]] * (b - a)
        if n:
            variables += depletion[c - 1]
            coefficients += [-1.0, -1.0, -1.0]
        else:
            variables.append(chosen[v])
            coefficients.append(-start[v])
        return linear(coefficients, variables), 0.0

    def depth(m: pyo.ConcreteModel, v: int) -> Any:
        on = [v * nights + n for n in np.flatnonzero(copies.flush[v]).tolist()]
        variables = [*(flushed[c] for c in on), chosen[v]]
        return (0.0, linear([1.0] * (len(variables) - 1) + [-float(copies.depth[v])], variables), None)

    shortfall = m.shortfall._data
    most_short = unavoidable_shortfall(inputs)
    until = nights - copies.flush[:, ::-1].argmax(axis=1)
    for c, entry in shortfall.items():
        v, n = divmod(c, nights)
        if copies.flushing[v] and n < until[v]:
            entry.upper = float(most_short[v, n])
    m.flush_fills = pyo.Constraint(m.C_flush, rule=fills)
    m.V_flush = pyo.Set(initialize=np.flatnonzero(copies.flushing & ~copies.upkeep).tolist())
    m.flush_depth = pyo.Constraint(m.V_flush, rule=depth)
    each = copies.each.ravel().tolist()
    m.C_upkeep = pyo.Set(initialize=np.flatnonzero(copies.each.ravel()).tolist())

    def little(m: pyo.ConcreteModel, c: int) -> Any:
        return (0.0, linear([1.0, -each[c]], [flushed[c], chosen[c // nights]]), None)

    m.upkeep_depth = pyo.Constraint(m.C_upkeep, rule=little)

    opened = np.repeat(copies.open, nights)
    m.C_open = pyo.Set(initialize=np.flatnonzero(opened).tolist())
    band, wet = inputs.dry_limit.ravel().tolist(), inputs.wet_limit.ravel().tolist()
    in_band, soft = m.in_band._data, m.soft._data

    def within_band(m: pyo.ConcreteModel, c: int) -> Any:
        return (None, linear([1.0, -band[c]], [in_band[c], chosen[c // nights]]), 0.0)

    def within_wet(m: pyo.ConcreteModel, c: int) -> Any:
        return (None, linear([1.0, -wet[c]], [soft[c], chosen[c // nights]]), 0.0)

    m.within_band = pyo.Constraint(m.C_open, rule=within_band)
    m.within_wet = pyo.Constraint(m.C_open, rule=within_wet)
    most = {c: entry.upper for c, entry in drainage.items() if opened[c]}
    m.C_open_rain = pyo.Set(initialize=list(most))
    m.within_rain = pyo.Constraint(
        m.C_open_rain, rule=lambda m, c: (None, linear([1.0, -most[c]], [drainage[c], chosen[c // nights]]), 0.0)
    )
    longest = np.minimum(
        (inputs.allowed * inputs.block_length[None]).sum(axis=2), inputs.max_run[:, None]
    ).ravel().tolist()  # fmt: skip

    def within_night(m: pyo.ConcreteModel, c: int) -> Any:
        variables = runs[first[c] : first[c + 1]]
        if not variables:
            return pyo.Constraint.Skip
        return (None, linear([1.0] * len(variables) + [-longest[c]], [*variables, chosen[c // nights]]), 0.0)

    m.within_night = pyo.Constraint(m.C_flush, rule=within_night)


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
