"""The sum of prices the plan makes as small as it can."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyomo.core as pyo

from models.plan.inputs import Bools, Floats, PlanInputs
from models.plan.prices import Prices
from models.plan.rows import entries, linear
from models.plan.zone_nights import ZoneNights


def terminal_target(inputs: PlanInputs) -> Floats:
    """Depletion the last night should not leave exceeded [mm], shape (Z,): the middle of the band.

    Without it a plan would let every zone run down to its dry limit on the last date. Our choice, no source.
    """
    return 0.5 * (inputs.wet_limit[:, -1] + inputs.dry_limit[:, -1])


def add_terminal(m: pyo.ConcreteModel, inputs: PlanInputs, words: ZoneNights) -> None:
    """Add `last_night[z]`: missing[z] >= D[N-1] - target[z]   [mm]."""
    m.Z = pyo.RangeSet(0, inputs.zones - 1)
    m.missing = pyo.Var(m.Z, bounds=(0, None))
    missing = words.of_zones(m.missing)
    m.last_night = words.constraint(
        m.Z, missing >= words.on_night(words.depletion, inputs.nights - 1) - terminal_target(inputs)
    )


def add_refill(m: pyo.ConcreteModel, inputs: PlanInputs, words: ZoneNights, prices: Prices) -> None:
    """Add `one_run[z]`: beyond[z] >= water[0] - refill[z]   [mm]; not of zones with a flush or of other weathers."""
    own = np.flatnonzero(refilled(inputs, words.open))
    m.Z_refill = pyo.Set(initialize=own.tolist())
    m.beyond = pyo.Var(m.Z_refill, bounds=(0, None))
    tonight = words.on_night(words.water, 0)
    m.one_run = words.constraint(m.Z_refill, tonight - words.of_zones(m.beyond) <= prices.refill, own)


def refilled(inputs: PlanInputs, opened: Bools) -> Bools:
    """Root zones whose depth tonight is led: of the main weather and without a flush to choose, shape (Z,)."""
    main = np.ones(inputs.zones, dtype=np.bool_) if inputs.weather is None else inputs.weather <= 0
    return np.asarray(main & ~opened, dtype=np.bool_)


def add_objective(
    m: pyo.ConcreteModel, inputs: PlanInputs, prices: Prices, chosen: tuple[tuple[Any, Floats], ...] = ()
) -> None:
    """Add `cost`: water and energy, dryness, softness, shortfall, drainage, over-use and the last night."""
    terms = cost_terms(m, inputs, prices, chosen)
    variables = [v for variable, _ in terms for v in entries(variable)]
    coefficients = [p for _, price in terms for p in price.tolist()]
    m.cost = pyo.Objective(expr=linear(coefficients, variables))


def cost_terms(
    m: pyo.ConcreteModel, inputs: PlanInputs, prices: Prices, chosen: tuple[tuple[Any, Floats], ...] = ()
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
        (m.drainage, prices.drainage.ravel()[list(m.C_rain)]),
        (m.shortfall, prices.shortfall.ravel()[list(m.C_stress)]),
        (m.missing, prices.terminal),
        (m.beyond, prices.beyond[list(m.Z_refill)]),
        (m.over_use, tier_prices * prices.weathers[0]),
        *beyond,
        *chosen,
    ]
