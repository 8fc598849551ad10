"""What dryness, softness and water cost in the plan.

All prices are per cubic metre of water missing from the root zone, so a large zone and a small one weigh the same for
each cubic metre that could relieve them. Between priorities the order is strict: the worst that one cubic metre can
do to a lower rank over the whole horizon costs less than the least it does to the next higher rank. The ratio that
makes this so is computed from the plan's own numbers, not guessed.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from models.choices import PRICES, STEADY
from models.plan.inputs import Bools, Floats, PlanInputs
from models.plan.refill import Refill, refill

LARGEST_SPREAD = 1e10  # between the first and the last rank [-]; measured to solve cleanly with 7 ranks of 200 zones
ORDER_MARGIN = 1.05  # above the ratio that is just strict [-]
REST_SURCHARGE = 0.01  # for watering on another night than the one that needs it [-]; a tie-breaker, not a cost
REST_SLOPE = 0.002  # and for each night further away [-]
LARGEST_DISCOUNT = 0.95  # of tonight's price where rain is all but sure [-]
FIRST_FILLED = 1e-3  # a rank, of the price of water missing after the last night [-]: of equals the first is filled
CURVE_MARGIN = 1.02  # of a shortfall and of drainage above all they could save [-]
# Limits that no price follows.
UNPRICED = set(
    "allocation tiers cuts pump_capacity branch_capacity source_daily source_monthly pump_share source_open".split()
)


@dataclass(frozen=True)
class Prices:
    """Prices of one plan.

    Parameters
    ----------
    run : ndarray (X,)            One minute of each run column, water and energy [per min].
    dry, very_dry : ndarray (Z,)  One millimetre beyond the dry limit for one night [per mm].
    wet : ndarray (Z, N)          One millimetre short of the firmness limit after watering [per mm].
    drainage : ndarray (Z, N)     One millimetre drained [per mm].
    shortfall : ndarray (Z, N)    One millimetre of ET the turf cannot take [per mm].
    terminal : ndarray (Z,)       One millimetre missing from the last night's target [per mm].
    water : ndarray (X,)          Water and energy at their true price [per min].
    ratio : float                 Between two ranks [-].
    insured : ndarray (Z,)        As `dry`, without rank: in weathers that only may come [per mm].
    weathers : ndarray (S + 1,)   Probability of the main weather and of each other [-].
    refill : ndarray (Z,)         Net depth tonight up to which water is led to be run in one [mm].
    beyond : ndarray (Z,)         One millimetre of tonight's water beyond it [per mm].
    change : ndarray (Z,)         One millimetre of tonight's water more or less than what stands in the controller, of
                                  zones that would run tonight by themselves, and not for much more [per mm].
    """

    run: Floats
    dry: Floats
    very_dry: Floats
    wet: Floats
    drainage: Floats
    shortfall: Floats
    terminal: Floats
    water: Floats
    ratio: float
    insured: Floats
    weathers: Floats
    refill: Floats
    beyond: Floats
    change: Floats


def rank_ratio(inputs: PlanInputs) -> float:
    """Price ratio between neighbouring ranks that makes the order strict.

    One cubic metre given tonight to a lower rank spares it at most tonight's `shortfall_value`, at the best efficiency;
    given to a higher rank it spares at least one night of the mildest dryness at the worst, less the softness it may
    bring. Where stations at once are what is short, a minute of a large zone carries more water than one of a small,
    and the ratio grows by how much more. It is held to what keeps the whole spread of ranks under `LARGEST_SPREAD`.

    Returns
    -------
    float   Ratio above 1 [-].
    """
    share = inputs.net_share
    worst = float((shortfall_value(inputs)[:, 0] * share).max() / share.min())
    strict = (ORDER_MARGIN * worst + float(inputs.wet_weight.max()) / 2.0) * station_spread(inputs)
    steps = np.unique(inputs.priority).size - 1
    return strict if steps == 0 else float(min(strict, LARGEST_SPREAD ** (1.0 / steps)))


def station_spread(inputs: PlanInputs) -> float:
    """Largest flow against the smallest among the zones of one controller that limits its stations at once [-]."""
    found = 1.0
    for k in np.flatnonzero(np.isfinite(inputs.stations_at_once)):
        flow = inputs.flow[inputs.controller_of_zone == k]
        if flow.size:
            found = max(found, float(flow.max() / flow.min()))
    return found


def shortfall_value(inputs: PlanInputs) -> Floats:
    """Most that one millimetre of ET not taken on a date could save from then on, in nights of mild dryness.

    `S[n] = steepening + S[n+1]`, after the last night the price of missing water. Where the stress curve falls by more
    than one, k = ETc / (TAW - RAW) > 1, a drier zone ends the day less dry, and a shortfall now could save a larger one
    tomorrow and, before a storm, drainage R: `S[n] = steepening + k S[n+1] + (k - 1) R[n+1]`, held to
    `PRICES.most_curved`.

    Returns
    -------
    ndarray (Z, N)   [-].
    """
    slope = np.maximum(inputs.etc / (inputs.taw[:, None] - inputs.raw), 1.0)
    drained = drainage_value(inputs)
    plain = PRICES.last_night / PRICES.turf + PRICES.steepening * np.arange(inputs.nights, 0, -1)
    value = np.empty_like(inputs.etc)
    later = np.full(inputs.zones, PRICES.last_night / PRICES.turf)
    for n in range(inputs.nights - 1, -1, -1):
        value[:, n] = np.minimum(CURVE_MARGIN * (PRICES.steepening + later), PRICES.most_curved * plain[n])
        later = slope[:, n] * value[:, n] / CURVE_MARGIN + (slope[:, n] - 1.0) * drained[:, n]
    return value


def drainage_value(inputs: PlanInputs) -> Floats:
    """Most that one millimetre drained on a date could save from then on, in nights of mild dryness.

    What drained leaves the nights after firmer, so the price sums their softness; and drainage brought forward from a
    later storm gains the nights between, so between two dates it falls by no less than these.

    Returns
    -------
    ndarray (Z, N)   [-].
    """
    after = inputs.wet_weight.sum(axis=1, keepdims=True) - np.cumsum(inputs.wet_weight, axis=1)
    return np.asarray((1.0 + CURVE_MARGIN * after) * softness_share(inputs), dtype=np.float64)


def softness_share(inputs: PlanInputs) -> float:
    """Ordinary softness against dryness of the last rank [-]: all nights together stay below one dry one."""
    return 1.0 / (2.0 * inputs.nights)


def plan_prices(inputs: PlanInputs) -> Prices:
    """All prices of a plan.

    Parameters
    ----------
    inputs : PlanInputs

    Returns
    -------
    Prices
    """
    runs = inputs.runs
    volume = inputs.water_per_minute[runs.zone]
    pump = inputs.pump_of_zone[runs.zone]
    energy = np.where(pump >= 0, _take(inputs.pump_energy, pump), 0.0) * inputs.energy_price[runs.night, runs.block]
    per_m3 = (inputs.supply_share @ inputs.source_price)[runs.supply] + energy
    dearest = max(float(per_m3.max(initial=0.0)), PRICES.no_price)
    ordinary = np.maximum(per_m3, PRICES.no_price * 1e-3) if per_m3.any() else np.full_like(per_m3, PRICES.no_price)

    led = refill(inputs, PRICES.turf * inputs.caution, inputs.price_of_a_run)
    run = ordinary * volume * night_preference(led)[runs.zone, runs.night]
    tonight = np.full(inputs.zones, np.inf)  # cheapest millimetre
    at = runs.night == 0
    np.minimum.at(tonight, runs.zone[at], (ordinary * volume)[at] / inputs.net_rate[runs.zone[at]])
    tonight = np.where(np.isfinite(tonight) & (led.depth > 0), tonight, 0.0)
    ratio = rank_ratio(inputs)
    ranks = np.unique(inputs.priority)
    place = ranks.size - 1 - np.searchsorted(ranks, inputs.priority)  # 0 for the rank that gives way first
    metre = inputs.area / 1000.0  # m3 in one millimetre
    base = PRICES.turf * dearest / float(inputs.net_share.min())
    dry = base * ratio**place * metre
    return Prices(
        run=run,
        dry=dry,
        very_dry=PRICES.steepening * dry,
        wet=softness_share(inputs) * base * metre[:, None] * inputs.wet_weight,
        drainage=drainage_value(inputs) * base * metre[:, None],
        shortfall=shortfall_value(inputs) * dry[:, None],
        terminal=PRICES.last_night * dearest * metre / inputs.net_share * (1.0 + FIRST_FILLED * place),
        water=per_m3 * volume,
        ratio=ratio,
        insured=inputs.caution * base * metre,
        refill=led.depth,
        beyond=tonight * (REST_SURCHARGE + led.wasted),
        change=np.where(_stands_near(inputs, led), tonight * inputs.price_of_change, 0.0),
        weathers=np.ones(1)
        if inputs.members is None
        else np.r_[1.0 - inputs.members.weight.sum(), inputs.members.weight],
    )


def priced_alike(one: PlanInputs, other: PlanInputs) -> bool:
    """Whether two plans of one weather have the same prices, as far as that is seen at a glance."""
    if one.members is not None or other.members is not None:
        return False
    pairs = ((getattr(one, f.name), getattr(other, f.name)) for f in fields(one) if f.name not in UNPRICED)
    return all(a is b or np.array_equal(a, b) for a, b in pairs)


def night_preference(led: Refill) -> Floats:
    """Factor on the price of water that settles which of several equally good nights is used.

    The nights on which a zone by itself would run are the cheapest, by a hundredth: so it is left to dry down and is
    then refilled in one run rather than topped up every night. Tonight the price falls by the probability that rain
    makes the run's last millimetre useless: that was weighed when its depth was chosen (`refill.py`), and up to this
    depth it is not to be weighed again.

    Returns
    -------
    ndarray (Z, N)   Factor [-], 1 on the zone's own nights, a little more on others.
    """
    nights = led.runs.shape[1]
    night = np.arange(nights)
    own = led.runs.copy()
    own[~own.any(axis=1), -1] = True
    away = np.where(own[:, None, :], np.abs(night[None, :, None] - night[None, None, :]), nights).min(axis=2)
    factor = 1.0 + np.where(away == 0, 0.0, REST_SURCHARGE + REST_SLOPE * away)
    factor[:, 0] -= np.minimum(led.wasted, LARGEST_DISCOUNT)
    return np.asarray(factor, dtype=np.float64)


def _stands_near(inputs: PlanInputs, led: Refill) -> Bools:
    """Zones for which what stands is not much less than they would take by themselves: else they run too often."""
    stands = np.zeros(inputs.zones) if inputs.standing is None else inputs.net_rate * inputs.standing
    return np.asarray((stands > 0) & (stands >= STEADY.near * led.depth), dtype=np.bool_)


def _take(values: Floats, index: np.ndarray) -> Floats:
    """Values at an index in which -1 stands for none (gives 0)."""
    if values.size == 0:
        return np.zeros(index.shape)
    return np.where(index >= 0, values[np.maximum(index, 0)], 0.0)
