"""The sum of prices the plan makes as small as it can."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.plan.inputs import Floats, PlanInputs
from models.plan.pens import Model, add_cost, add_index, add_variables, keys
from models.plan.prices import Prices
from models.plan.standing import standing_terms
from models.plan.zone_nights import ZoneNights, refilled


def terminal_target(inputs: PlanInputs) -> Floats:
    """Depletion the last night should not leave exceeded [mm], shape (Z,): the middle of the band.

    Without it a plan would let every zone run down to its dry limit on the last date. Our choice, no source.
    """
    return 0.5 * (inputs.wet_limit[:, -1] + inputs.dry_limit[:, -1])


def add_terminal(m: Model, inputs: PlanInputs, words: ZoneNights) -> None:
    """Add `last_night[z]`: missing[z] >= D[N-1] - target[z]   [mm]."""
    add_index(m, "Z", range(inputs.zones))
    add_variables(m, "missing", "Z")
    left = words.on_night(words.depletion, inputs.nights - 1)
    words.add_rows("last_night", "Z", words.of_zones(m.missing) >= left - terminal_target(inputs))


def add_refill(m: Model, inputs: PlanInputs, words: ZoneNights, prices: Prices) -> None:
    """Add `one_run[z]`: beyond[z] >= water[0] - refill[z]   [mm]; not of zones with a flush or of other weathers."""
    own = np.flatnonzero(refilled(inputs, words.open))
    add_index(m, "Z_refill", own)
    add_variables(m, "beyond", "Z_refill")
    tonight = words.on_night(words.water, 0)
    words.add_rows("one_run", "Z_refill", tonight - words.of_zones(m.beyond) <= prices.refill, own)


def add_objective(m: Model, inputs: PlanInputs, prices: Prices, chosen: tuple[tuple[Any, Floats], ...] = ()) -> None:
    """Add `cost`: water, energy, dryness, softness, shortfall, drainage, over-use, the last night and changes."""
    add_cost(m, cost_terms(m, inputs, prices, chosen))


def cost_terms(
    m: Model, inputs: PlanInputs, prices: Prices, chosen: tuple[tuple[Any, Floats], ...] = ()
) -> list[tuple[Any, Floats]]:
    """Every priced variable with the price of each of its entries."""
    nights = inputs.nights
    # The price of a tier counts what is added to the price below it, as over-use variables overlap.
    tier_prices = np.diff([0.0, *(t.price for t in inputs.tiers)])
    others = m.component("over_use_weathers")
    beyond = [] if others is None else [(others, np.outer(tier_prices, prices.weathers[1:]).ravel())]
    return [
        (m.run_time, prices.run),
        (m.dry, np.repeat(prices.dry, nights)),
        (m.very_dry, np.repeat(prices.very_dry, nights)),
        (m.soft, prices.wet.ravel()),
        (m.drainage, prices.drainage.ravel()[keys(m.drainage)]),
        (m.shortfall, prices.shortfall.ravel()[keys(m.shortfall)]),
        (m.missing, prices.terminal),
        (m.beyond, prices.beyond[keys(m.beyond)]),
        (m.over_use, tier_prices * prices.weathers[0]),
        *beyond,
        *standing_terms(m, prices),
        *chosen,
    ]
