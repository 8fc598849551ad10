"""What a plan is made from: its inputs and prices by zone, and by root zone where a zone has several.

A zone has several root zones where a flush is to be chosen, one for each way it can spend the horizon, and where there
are several weathers.
"""

from __future__ import annotations

from dataclasses import dataclass

from models.plan.flush import Copies, flush_copies, spread_inputs, spread_prices
from models.plan.flush_needs import FlushNeeds
from models.plan.inputs import PlanInputs
from models.plan.prices import Prices, plan_prices
from models.plan.weathers import insured_prices, over_weathers, single_copies, tonight_of


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
    def of(cls, inputs: PlanInputs, needs: FlushNeeds | None, settled: Copies | None = None) -> Spread:
        """Lay out the copies, if there are any, and the weathers.

        Raises
        ------
        ValueError   There are several weathers and flushes to choose.
        """
        prices = plan_prices(inputs)
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
