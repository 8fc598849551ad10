"""The ways a zone that needs a flush can spend the horizon, laid out as copies of its root zone, and what each costs.

One copy of a zone does without a flush: it passes a little below the roots on each night it is watered (`Upkeep`).
Copies are compared by what they cost until the end of the horizon and by what they leave owed then, as a share of the
water of one flush: a flush owes less the later it was, upkeep about as much as at the beginning.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from models.plan.copies import Copies
from models.plan.flush_needs import FlushNeeds
from models.plan.inputs import Bools, Floats, Ints, PlanInputs
from models.plan.prices import Prices

MOST_COPIES = 1500  # of all zones together; beyond, each zone is asked about fewer nights, to keep the plan small
FEWEST_WAYS = 4  # ways to flush a zone is asked about at least


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
    if 2 * (zone.size + f.size) > MOST_COPIES:  # where there are many copies, only upkeep that could be best
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
    taken = nearest * count // most == turned  # all, where there are no more than that
    return _FlushWays(f[taken], first[taken], (first + more)[taken], k[taken], inputs.nights)
