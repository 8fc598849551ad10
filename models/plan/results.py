"""What a solved plan says, as plain arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pyomo.environ as pyo

from models.plan.inputs import Floats, PlanInputs
from models.plan.prices import Prices


@dataclass(frozen=True)
class LimitPrice:
    """A hard limit, how far it is used and what one more unit would save.

    Parameters
    ----------
    family : str       Name of the constraint, for example `pump_limit`.
    index : tuple      Its index, for example (pump, night, block).
    used, limit : float   Both sides [as the constraint].
    price : float      Fall of the objective for one more unit of the limit, 0 where it does not bind.
    """

    family: str
    index: tuple[int, ...]
    used: float
    limit: float
    price: float


@dataclass(frozen=True)
class PlanResult:
    """Arrays of a solved plan.

    Parameters
    ----------
    run_time : ndarray (X,)        Minutes of each run column [min].
    depletion : ndarray (Z, N)     At the end of the date after each night [mm].
    dry, soft : ndarray (Z, N)     Beyond the dry limit; short of the firmness limit after watering [mm].
    shortfall : ndarray (Z, N)     ET the turf could not take [mm].
    drainage : ndarray (Z, N)      [mm].
    water_value : ndarray (Z, N)   What one millimetre less depletion would save [per mm].
    limits : tuple of LimitPrice   Every hard limit.
    objective : float              Sum of prices.
    """

    run_time: Floats
    depletion: Floats
    dry: Floats
    soft: Floats
    shortfall: Floats
    drainage: Floats
    water_value: Floats
    limits: tuple[LimitPrice, ...]
    objective: float

    def minutes(self, inputs: PlanInputs) -> Floats:
        """Minutes by zone, night, block and supply, shape (Z, N, B, K)."""
        out = np.zeros((inputs.zones, inputs.nights, inputs.blocks, inputs.supply_share.shape[0]))
        runs = inputs.runs
        out[runs.zone, runs.night, runs.block, runs.supply] = self.run_time
        return out


SHARED_LIMITS = (
    "pump_limit",
    "branch_limit",
    "station_limit",
    "source_night",
    "source_month",
    "allocation_limit",
    "allocation_tier",
    "drought_cut",
)


def read_result(
    m: pyo.ConcreteModel,
    inputs: PlanInputs,
    prices: Prices,
    values: Floats,
    duals: Floats,
    column: dict[int, int],
    row: dict[int, int],
    objective: float,
) -> PlanResult:
    """Read the solver's vectors out into arrays.

    Parameters
    ----------
    values, duals : ndarray      Column values and row duals in the solver's order.
    column, row : dict           Place of each Pyomo variable and constraint, by `id`.
    """
    shape = (inputs.zones, inputs.nights)
    cells = shape[0] * shape[1]

    def value_of(variable: Any) -> Floats:
        places = [column.get(id(v), -1) for v in variable.values()]
        taken = np.append(values, 0.0)[places] if places else np.zeros(0)
        return np.maximum(taken, 0.0)

    def over_cells(variable: Any) -> Floats:
        full = np.zeros(cells)
        full[list(variable.index_set())] = value_of(variable)
        return full.reshape(shape)

    dry = over_cells(m.dry) + over_cells(m.very_dry)
    balance = np.array([duals[row[id(c)]] for c in m.water_balance.values()]).reshape(shape)
    return PlanResult(
        run_time=value_of(m.run_time),
        depletion=over_cells(m.in_band) + dry,
        dry=dry,
        soft=over_cells(m.soft),
        shortfall=over_cells(m.shortfall),
        drainage=over_cells(m.drainage),
        water_value=balance,
        limits=tuple(_limits(m, values, duals, column, row)),
        objective=objective,
    )


def _limits(
    m: pyo.ConcreteModel, values: Floats, duals: Floats, column: dict[int, int], row: dict[int, int]
) -> list[LimitPrice]:
    """Every shared limit with its use and price."""
    found = []
    for family in SHARED_LIMITS:
        component = m.component(family)
        if component is None:
            continue
        for index, constraint in component.items():
            place = row.get(id(constraint))
            if place is None:
                continue
            body = constraint.body
            used = float(
                np.dot(body.linear_coefs, [values[column[id(v)]] if id(v) in column else 0.0 for v in body.linear_vars])
            )
            key = () if index is None else index if isinstance(index, tuple) else (index,)
            limit = float(pyo.value(constraint.upper))
            found.append(LimitPrice(family, key, used, limit, max(0.0, -float(duals[place]))))
    return found
