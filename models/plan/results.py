"""What a solved plan says, as plain arrays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import repeat
from typing import Any

import numpy as np

from models.plan.copies import Copies
from models.plan.inputs import Floats, Ints, PlanInputs
from models.plan.pens import Model, keys
from models.plan.prices import Prices
from models.plan.rows import Spans


@dataclass(slots=True)  # not frozen: a plan has many, and a frozen one takes five times as long to make
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
class PlannedFlush:
    """A flush the plan chose.

    Parameters
    ----------
    zone : int
    nights : tuple of int       One night, or two in a row.
    supply : int
    depth : float               Depth to pass below the roots [mm].
    drained : tuple of float    What the water of each of its nights passes below them [mm]; rain does the rest.
    """

    zone: int
    nights: tuple[int, ...]
    supply: int
    depth: float
    drained: tuple[float, ...]


@dataclass(frozen=True)
class OneMore:
    """What the plan would do with one more cubic metre in its allocation, as far as the plan stays of one shape.

    The dual of the allocation says what it is worth in the plan's prices; this is the same step in things that can be
    seen. Where the price is a tier's, nothing else runs and the bill falls.

    Parameters
    ----------
    volume : ndarray (Z,)      Water each zone gets more [m3]; below 0 where it makes room for others.
    less_dry : ndarray (Z, N)  Depletion beyond the dry limit that is spared [mm].
    bill : float               Water, energy and over-use that have to be paid more [money]; below 0 is saved.
    """

    volume: Floats
    less_dry: Floats
    bill: float


@dataclass(frozen=True)
class PlannedUpkeep:
    """Leaching with a zone's own watering that the plan chose in place of a flush.

    Parameters
    ----------
    zone : int
    nights : tuple of int       Nights on which it leaches.
    drained : tuple of float    What the water of each of them passes below the roots [mm].
    """

    zone: int
    nights: tuple[int, ...]
    drained: tuple[float, ...]


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
    flushes : tuple of PlannedFlush
    upkeep : tuple of PlannedUpkeep
    gap : float                    Between plan and bound where flushes were chosen, as a share of the plan [-].
    one_more : OneMore or None     Of the allocation; None where one more cubic metre would change nothing.
    weathers : ndarray (S + 1, Z, N) or None   Run times in each weather, the main one first [min]; None where there is
                                   but one.
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
    flushes: tuple[PlannedFlush, ...] = ()
    upkeep: tuple[PlannedUpkeep, ...] = ()
    gap: float = 0.0
    one_more: OneMore | None = None
    weathers: Floats | None = None

    def run_times(self, inputs: PlanInputs) -> Floats:
        """Run time of each zone by night, block and supply, shape (Z, N, B, K) [min]."""
        out = np.zeros((inputs.zones, inputs.nights, inputs.blocks, inputs.supply_share.shape[0]))
        runs = inputs.runs
        out[runs.zone, runs.night, runs.block, runs.supply] = self.run_time
        return out

    def tonight(self, inputs: PlanInputs) -> Floats:
        """Run time of each zone on the first night, shape (Z,) [min]."""
        return np.asarray(self.run_times(inputs)[:, 0].sum(axis=(1, 2)))


ALLOCATION_ROWS = ("allocation_limit", "allocation_tier")
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


@dataclass(frozen=True)
class Solution:
    """The solver's vectors, in its own order.

    Parameters
    ----------
    values : ndarray (columns,)
    activities, duals, limits : ndarray (rows,)   Left side, dual and upper bound of each row.
    spans : Spans                                 Place of each family of variables and constraints.
    objective : float
    """

    values: Floats
    activities: Floats
    duals: Floats
    limits: Floats
    spans: Spans
    objective: float

    def of(self, variable: Any) -> Floats:
        """Values of an indexed variable, in the order of its index."""
        return self.values[self.spans.column[variable.local_name]]


def read_result(m: Model, inputs: PlanInputs, solution: Solution) -> PlanResult:
    """Read the solver's vectors out into arrays."""
    shape = (inputs.zones, inputs.nights)

    def value_of(variable: Any) -> Floats:
        return np.maximum(solution.of(variable), 0.0)

    def over_cells(variable: Any) -> Floats:
        full = np.zeros(shape[0] * shape[1])
        full[keys(variable)] = value_of(variable)
        return full.reshape(shape)

    dry = over_cells(m.dry) + over_cells(m.very_dry)
    return PlanResult(
        run_time=value_of(m.run_time),
        depletion=over_cells(m.in_band) + dry,
        dry=dry,
        soft=over_cells(m.soft),
        shortfall=over_cells(m.shortfall),
        drainage=over_cells(m.drainage),
        water_value=solution.duals[solution.spans.row["water_balance"]].reshape(shape),
        limits=tuple(_limits(m, solution)),
        objective=solution.objective,
    )


def read_one_more(m: Model, inputs: PlanInputs, prices: Prices, step: Floats, zone: Ints, spans: Spans) -> OneMore:
    """Read the plan's step for one more cubic metre out into arrays.

    Parameters
    ----------
    m : Model
    inputs : PlanInputs       Of the model, that is of the copies where flushes are chosen.
    prices : Prices           Of the same.
    step : ndarray (columns,) Change of every column, in the solver's order.
    zone : ndarray            Zone of each copy, -1 where it is of a weather that only may come; of each zone itself
                              where there are none.
    spans : Spans             Place of each family of variables.
    """

    def change(variable: Any) -> Floats:
        return step[spans.column[variable.local_name]]

    run, runs = change(m.run_time), inputs.runs
    dry = (change(m.dry) + change(m.very_dry)).reshape(inputs.zones, inputs.nights)
    over_use = float(change(m.over_use) @ np.diff([0.0, *(t.price for t in inputs.tiers)])) if inputs.tiers else 0.0
    zones = int(zone.max()) + 1
    less_dry = np.zeros((zones, inputs.nights))
    np.add.at(less_dry, zone[zone >= 0], -dry[zone >= 0])
    run = np.where(zone[runs.zone] >= 0, run, 0.0)
    volume = np.zeros(zones)
    np.add.at(volume, zone[runs.zone], run * inputs.water_per_minute[runs.zone])
    return OneMore(
        volume=volume,
        less_dry=less_dry,
        bill=float(run @ prices.water) + over_use,
    )


def flush_solution(m: Model, copies: Copies, solution: Solution) -> tuple[Floats, Floats]:
    """Weights of the copies, shape (V,), and what each passes below the roots by its flush, shape (V, N) [mm]."""
    weight = np.ones(copies.zone.size)
    if copies.open.any():
        weight[list(m.chosen.keys())] = solution.of(m.chosen)
    drained = np.zeros(copies.flush.size)
    drained[list(m.flushed.keys())] = solution.of(m.flushed)
    return weight, drained.reshape(copies.flush.shape)


def gather(
    result: PlanResult,
    inputs: PlanInputs,
    spread: PlanInputs,
    copies: Copies,
    chosen: tuple[Floats, Floats],
    gap: float,
) -> PlanResult:
    """Bring a plan over copies back to zones.

    Parameters
    ----------
    result : PlanResult           Over the copies.
    inputs, spread : PlanInputs   Of the zones and of the copies.
    copies : Copies
    chosen : tuple                As `flush_solution` gives it.
    gap : float

    Returns
    -------
    PlanResult   Over the zones.
    """
    weight, drained = chosen
    main = copies.weather <= 0
    by_zone = np.zeros((inputs.zones, inputs.nights, inputs.blocks, inputs.supply_share.shape[0]))
    minutes = result.run_times(spread)
    np.add.at(by_zone, copies.zone[main], minutes[main])
    runs = inputs.runs
    on = np.flatnonzero((weight > 0.5) & main)
    on = on[np.argsort(copies.zone[on], kind="stable")]

    def added(values: Floats) -> Floats:
        out = np.zeros((inputs.zones, inputs.nights))
        np.add.at(out, copies.zone[main], values[main])
        return out

    flushes = _flushes_of(copies, drained, on[copies.flushing[on] & ~copies.upkeep[on]])
    upkeep = _upkeep_of(copies, drained, on[copies.upkeep[on]])
    soft = added(result.soft)
    for zone, nights in [(f.zone, f.nights) for f in flushes] + [(k.zone, k.nights) for k in upkeep]:
        soft[zone, nights] = inputs.wet_limit[zone, nights]
    return replace(
        result,
        run_time=by_zone[runs.zone, runs.night, runs.block, runs.supply],
        depletion=added(result.depletion),
        dry=added(result.dry),
        soft=soft,
        shortfall=added(result.shortfall),
        drainage=added(result.drainage + drained),
        water_value=result.water_value[on],
        flushes=flushes,
        upkeep=upkeep,
        gap=gap,
        weathers=_by_weather(minutes.sum(axis=(2, 3)), inputs, copies),
    )


def _flushes_of(copies: Copies, drained: Floats, chosen: Ints) -> tuple[PlannedFlush, ...]:
    """The flushes of the copies that were chosen."""
    return tuple(
        PlannedFlush(
            int(copies.zone[v]),
            tuple(np.flatnonzero(copies.flush[v]).tolist()),
            int(copies.supply[v]),
            float(copies.depth[v]),
            tuple(drained[v, copies.flush[v]].tolist()),
        )
        for v in chosen.tolist()
    )


def _upkeep_of(copies: Copies, drained: Floats, chosen: Ints) -> tuple[PlannedUpkeep, ...]:
    """The upkeep of the copies that were chosen."""
    return tuple(
        PlannedUpkeep(
            int(copies.zone[v]),
            tuple(np.flatnonzero(copies.flush[v]).tolist()),
            tuple(drained[v, copies.flush[v]].tolist()),
        )
        for v in chosen.tolist()
    )


def _by_weather(minutes: Floats, inputs: PlanInputs, copies: Copies) -> Floats | None:
    """Run times of every zone and night in each weather, the main one first, shape (S + 1, Z, N) [min]."""
    if inputs.members is None:
        return None
    main = np.zeros((inputs.zones, inputs.nights))
    np.add.at(main, copies.zone[copies.weather <= 0], minutes[copies.weather <= 0])
    out = np.repeat(main[None], inputs.members.weight.size + 1, axis=0)
    other = copies.weather > 0
    out[copies.weather[other], copies.zone[other], 1:] = minutes[other, 1:]
    return out


def _limits(m: Model, solution: Solution) -> list[LimitPrice]:
    """Every shared limit with its use and price."""
    found: list[LimitPrice] = []
    for family in SHARED_LIMITS:
        component = m.component(family)
        if component is None:
            continue
        span = solution.spans.row[family]
        used, limit = solution.activities[span].tolist(), solution.limits[span].tolist()
        index = [i if isinstance(i, tuple) else () if i is None else (i,) for i in component._data]
        price = np.maximum(-solution.duals[span], 0.0).tolist()
        others = _other_weathers(m, family, solution)
        if others:
            price = [own + others.get(key, 0.0) for own, key in zip(price, index, strict=True)]
        found += map(LimitPrice, repeat(family), index, used, limit, price)
    return found


def with_prices(limits: Sequence[LimitPrice], more: Mapping[tuple[str | int, ...], float]) -> tuple[LimitPrice, ...]:
    """The limits with what is added to the price of some, by family, member and night, in every block."""
    added = [more.get((limit.family, *limit.index[:2]), 0.0) for limit in limits]
    return tuple(replace(one, price=one.price + a) if a else one for one, a in zip(limits, added, strict=True))


def _other_weathers(m: Model, family: str, solution: Solution) -> dict[tuple[int, ...], float]:
    """Prices of a limit in all weathers that only may come, summed by the limit's own index."""
    component = m.component(f"{family}_weathers")
    prices: dict[tuple[int, ...], float] = {}
    if component is not None:
        duals = -solution.duals[solution.spans.row[component.local_name]]
        for index, price in zip(component._data, duals.tolist(), strict=True):
            key = index[:-1] if isinstance(index, tuple) else ()
            prices[key] = prices.get(key, 0.0) + max(0.0, price)
    return prices
