"""What a plan is made from: its inputs and prices by zone, and by root zone where a zone has several.

A zone has several root zones where a flush is to be chosen, one for each way it can spend the horizon, and where there
are several weathers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from models.plan.copies import Copies
from models.plan.flush_needs import FlushNeeds
from models.plan.flush_ways import flush_copies
from models.plan.inputs import Cut, Floats, Ints, PlanInputs
from models.plan.prices import Prices, plan_prices, priced_alike
from models.plan.weathers import insured_prices, over_weathers, single_copies, tonight_of

BY_ZONE = (
    "etc effective_rain taw raw dry_limit wet_limit depletion net_rate flow area max_run priority wet_weight allowed "
    "pump_of_zone branch_of_zone controller_of_zone zone_supply"
).split()


@dataclass(frozen=True)
class Spread:
    """Inputs and prices of a plan, by zone and by copy; both the same where every zone has one root zone.

    Parameters
    ----------
    inputs, prices : PlanInputs, Prices              Of the zones.
    copies : Copies or None                          Their root zones.
    spread, spread_prices : PlanInputs, Prices       Of these.
    """

    inputs: PlanInputs
    prices: Prices
    copies: Copies | None
    spread: PlanInputs
    spread_prices: Prices

    @classmethod
    def of(
        cls,
        inputs: PlanInputs,
        needs: FlushNeeds | None,
        settled: Copies | None = None,
        before: tuple[PlanInputs, Prices] | None = None,
    ) -> Spread:
        """Lay out the copies, if there are any, and the weathers.

        Parameters
        ----------
        inputs, needs, settled : PlanInputs, FlushNeeds, Copies   As `PlanSolver` takes them.
        before : tuple, optional   Other inputs and their prices, which are taken where they are the same.

        Raises
        ------
        ValueError   There are several weathers and flushes to choose.
        """
        prices = before[1] if before is not None and priced_alike(before[0], inputs) else plan_prices(inputs)
        if inputs.members is not None or settled is not None:
            if needs is not None and needs.zone.size and settled is None:
                raise ValueError("needs: flushes are chosen for one weather; give what was chosen as settled")
            copies = over_weathers(settled or single_copies(inputs), inputs)
            spread = spread_inputs(inputs, copies, tonight_of(copies))
            by_copy = spread_prices(prices, inputs, spread, copies)
            return cls(inputs, prices, copies, spread, insured_prices(by_copy, spread, copies))
        if needs is None or not needs.zone.size:
            return cls(inputs, prices, None, inputs, prices)
        copies = flush_copies(inputs, needs, prices)
        spread = spread_inputs(inputs, copies)
        return cls(inputs, prices, copies, spread, spread_prices(prices, inputs, spread, copies))


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
    for name in ("tail", "standing"):
        given = getattr(inputs, name)
        by_zone[name] = None if given is None else given[copies.zone]
    cuts = tuple(Cut(cut.name, cut.zones[copies.zone], cut.volume, cut.since) for cut in inputs.cuts)
    if inputs.members is not None:
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

    by_zone = ("dry", "very_dry", "wet", "drainage", "shortfall", "terminal", "insured", "refill", "beyond", "change")
    rows = {name: getattr(prices, name)[copies.zone] for name in by_zone}
    return replace(prices, run=of_copies(prices.run), water=of_copies(prices.water), **rows)
