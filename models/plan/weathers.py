"""Root zones spread over weathers: tonight's run times are the same in all, later nights follow each weather.

The main weather is planned as ever: what is dry in it is priced by rank, strictly. The others are what may come in its
place. There dryness costs what an insurance is worth, in proportion to how likely it is: a rank is an order of who
gives way, and were it priced strictly in weathers of small chance, every zone but the last would be watered for the
driest of them. Two-stage program with recourse (Birge and Louveaux 2011, Introduction to Stochastic Programming,
chapter 2).

Zones with a flush take it as it was chosen for the main weather and are planned for that alone; their later runs count
in every weather.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np

from models.choices import PRICES
from models.plan.copies import Copies
from models.plan.inputs import Bools, Floats, Ints, PlanInputs
from models.plan.pens import Model, add_index, add_variables, columns, keys
from models.plan.prices import Prices
from models.plan.zone_nights import Sums, ZoneNights


def single_copies(inputs: PlanInputs) -> Copies:
    """One root zone for every zone, none with a flush."""
    z, n = inputs.zones, inputs.nights
    none = np.zeros((z, n))
    return Copies(
        zone=np.arange(z),
        open=np.zeros(z, dtype=np.bool_),
        flush=none > 0,
        depth=np.zeros(z),
        each=none,
        supply=np.full(z, -1),
        harm=np.zeros(z),
        softness=np.zeros(z),
        dry_limit=inputs.dry_limit,
        weather=np.full(z, -1),
    )


def _rows(copies: Copies, index: Ints) -> Copies:
    """The root zones at these places."""
    return replace(copies, **{f.name: getattr(copies, f.name)[index] for f in fields(copies)})


def settled_copies(copies: Copies, weight: Floats) -> Copies:
    """The chosen copy of each zone alone, nothing being open any more.

    Parameters
    ----------
    copies : Copies
    weight : ndarray (V,)   Their weights in the plan.
    """
    chosen = _rows(copies, np.flatnonzero(weight > 0.5))
    return replace(chosen, open=np.zeros(chosen.zone.size, dtype=np.bool_))


def over_weathers(copies: Copies, inputs: PlanInputs) -> Copies:
    """One more root zone for each further weather, of every zone without a flush; those of the main weather first."""
    if inputs.members is None:
        return copies
    free = np.flatnonzero(~copies.flushing)
    main = replace(copies, weather=np.where(copies.flushing, -1, 0))
    parts = [main]
    for s in range(inputs.members.weight.size):
        parts.append(replace(_rows(main, free), weather=np.full(free.size, s + 1)))
    joined = {f.name: np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(copies)}
    return Copies(**joined)


def tonight_of(copies: Copies) -> Ints:
    """Root zone whose run times tonight each has: that of its zone in the main weather, shape (V,)."""
    own = np.arange(copies.zone.size)
    main = np.full(int(copies.zone.max(initial=-1)) + 1, -1)
    first = np.flatnonzero(copies.weather == 0)
    main[copies.zone[first]] = first
    return np.where(copies.weather > 0, main[copies.zone], own)


def insured_prices(prices: Prices, inputs: PlanInputs, copies: Copies) -> Prices:
    """Prices of root zones over weathers, from those of the same root zones in the main weather.

    Parameters
    ----------
    prices : Prices      By root zone, as if each were of the main weather.
    inputs : PlanInputs  Of the root zones.
    copies : Copies
    """
    share = prices.weathers[np.maximum(copies.weather, 0)]
    share = np.where(copies.weather < 0, 1.0, share)  # of what later nights cost
    other = copies.weather > 0
    runs = inputs.runs
    later = np.where(runs.weather < 0, 1.0, share[runs.zone])
    insured = np.where(other, share * prices.insured / prices.dry, 1.0)  # of what dryness costs
    return replace(
        prices,
        run=prices.run * later,
        water=prices.water * later,
        dry=prices.dry * insured,
        very_dry=PRICES.steepening * prices.dry * insured,
        wet=prices.wet * share[:, None],
        drainage=prices.drainage * share[:, None],
        shortfall=prices.shortfall * insured[:, None],
        terminal=prices.terminal * share,
    )


def add_tail(m: Model, inputs: PlanInputs, words: ZoneNights) -> None:
    """Add `tail[z]`: in each weather, dryness over all nights - level[z] <= worse[v]   [mm and nights].

    At the optimum `level + sum of probability x worse / tail_share` is the mean over the driest fifth of weathers: the
    conditional value at risk, Rockafellar and Uryasev (2000), Journal of Risk 2 (3), 21-41. Of zones whose tail counts.
    """
    rows = np.flatnonzero(_tailed(inputs))
    main = np.flatnonzero(_tailed(inputs) & (inputs.weather == 0)) if rows.size else rows
    add_index(m, "V_tail", rows)
    add_index(m, "Z_tail", main)
    add_variables(m, "worse", "V_tail")
    add_variables(m, "level", "Z_tail")
    if not rows.size or inputs.tonight_of is None:
        return
    place = np.searchsorted(main, inputs.tonight_of[rows])
    level = Sums(np.zeros(inputs.zones), [(rows, columns(m.level)[place], np.ones(rows.size))])
    dryness = words.over_nights(words.of(m.dry) + PRICES.steepening * words.of(m.very_dry))
    words.add_rows("tail", "V_tail", dryness - level - words.of_zones(m.worse) <= 0.0, rows)


def _tailed(inputs: PlanInputs) -> Bools:
    """Root zones of zones whose tail counts."""
    if inputs.tail is None or inputs.weather is None:
        return np.zeros(inputs.zones, dtype=np.bool_)
    return np.asarray((inputs.tail > 0) & (inputs.weather >= 0), dtype=np.bool_)


def tail_terms(m: Model, inputs: PlanInputs, prices: Prices) -> tuple[tuple[Any, Floats], ...]:
    """What the tail costs: its weight times the worth of turf, without rank."""
    if inputs.tail is None or inputs.weather is None:
        return ()
    rows, main = keys(m.worse), keys(m.level)
    worth = inputs.tail * prices.insured
    share = prices.weathers[inputs.weather[rows]] / PRICES.tail_share
    return (m.worse, worth[rows] * share), (m.level, worth[main])
