"""The plan as a table of contents, laid out as numbers or written as a Pyomo model (`pens.py`)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from models.plan.balance import add_balance, add_firmness, add_root_zone, add_stress, largest_shortfall
from models.plan.copies import Copies
from models.plan.flush import add_copies, add_flush_bounds, add_flush_rows, flush_terms, most_shortfall
from models.plan.inputs import PlanInputs
from models.plan.limits import (
    add_allocation,
    add_block_limit,
    add_branch_limit,
    add_cuts,
    add_pump_limit,
    add_source_limits,
    add_station_limit,
    add_zone_limit,
)
from models.plan.objective import add_objective, add_refill, add_terminal
from models.plan.pens import Layout, Model
from models.plan.prices import Prices, plan_prices
from models.plan.standing import add_standing
from models.plan.weathers import add_tail, tail_terms
from models.plan.zone_nights import ZoneNights

if TYPE_CHECKING:
    import pyomo.core as pyo


def build_plan(inputs: PlanInputs, prices: Prices | None = None, copies: Copies | None = None) -> pyo.ConcreteModel:
    """Build the linear program as a Pyomo model.

    Parameters
    ----------
    inputs : PlanInputs
    prices : Prices, optional   Worked out from the inputs if not given.
    copies : Copies, optional   Ways of the zones with a flush to decide; inputs and prices are then spread over them.

    Returns
    -------
    ConcreteModel   Always feasible: every soft limit has a priced slack, and no water at all is within the hard ones.
    """
    import pyomo.core as pyo  # not at the head, where every evening would load it
    from pyomo.common.gc_manager import PauseGC

    m = pyo.ConcreteModel()
    with PauseGC():  # the build makes many small objects and no cycles: collecting meanwhile only costs time
        _write(m, inputs, plan_prices(inputs) if prices is None else prices, copies)
    return m


def lay_out(inputs: PlanInputs, prices: Prices | None = None, copies: Copies | None = None) -> Layout:
    """The linear program of `build_plan` as numbers alone."""
    m = Layout()
    _write(m, inputs, plan_prices(inputs) if prices is None else prices, copies)
    return m


def _write(m: Model, inputs: PlanInputs, prices: Prices, copies: Copies | None) -> None:
    """Have every builder put its part down, in order."""
    most_short = largest_shortfall(inputs) if copies is None else most_shortfall(inputs, copies)
    add_root_zone(m, inputs, most_short)
    if copies is not None:
        add_copies(m, inputs, copies)
    words = ZoneNights(m, inputs)
    add_balance(m, inputs, words)
    add_firmness(m, inputs, words)
    add_stress(m, inputs, words)
    add_zone_limit(m, inputs, words)
    add_block_limit(m, inputs, copies)
    add_pump_limit(m, inputs)
    add_branch_limit(m, inputs)
    add_station_limit(m, inputs)
    add_source_limits(m, inputs)
    add_allocation(m, inputs)
    add_cuts(m, inputs)
    add_terminal(m, inputs, words)
    add_refill(m, inputs, words, prices)
    add_standing(m, inputs, words)
    add_tail(m, inputs, words)
    if copies is not None:
        add_flush_rows(m, inputs, copies, words)
        add_flush_bounds(m, inputs, copies, words)
    chosen = () if copies is None else flush_terms(m, copies)
    add_objective(m, inputs, prices, (*chosen, *tail_terms(m, inputs, prices)))
