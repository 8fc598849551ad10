"""A small price on change: tonight's water against what stands in a controller that a person keys in.

Where the plan hardly minds how much runs tonight, and that is so for most of what differs from one evening to the next,
what stands is run again and nothing has to be keyed. The price is a share of that of water and far below those of
dryness and drainage, so what matters is changed as before. A zone that would rest tonight by itself is not asked to run
because it ran, nor one that rested to rest again: it would run a night later all the same; and one that would take much
more than stands is not held to it, for it would run too often.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from models.plan.inputs import Floats, PlanInputs
from models.plan.pens import Model, add_index, add_variables, keys
from models.plan.prices import Prices
from models.plan.zone_nights import ZoneNights, refilled


def add_standing(m: Model, inputs: PlanInputs, words: ZoneNights) -> None:
    """Add `as_it_stands[z]`: water[0] - more[z] + less[z] == rate[z] standing[z]   [mm].

    Of zones whose controller holds a run, in the main weather and without a flush to choose; none at a price of 0.
    """
    if inputs.standing is None or not inputs.price_of_change:
        return
    own = np.flatnonzero(refilled(inputs, words.open) & (inputs.standing > 0))
    add_index(m, "Z_standing", own)
    add_variables(m, "more", "Z_standing")
    add_variables(m, "less", "Z_standing")
    change = words.of_zones(m.more) - words.of_zones(m.less)
    stands = inputs.net_rate * inputs.standing
    words.add_rows("as_it_stands", "Z_standing", words.on_night(words.water, 0) - change == stands, own)


def standing_terms(m: Model, prices: Prices) -> tuple[tuple[Any, Floats], ...]:
    """What running more or less than stands costs."""
    if m.component("more") is None:
        return ()
    price = prices.change[keys(m.more)]
    return (m.more, price), (m.less, price)
