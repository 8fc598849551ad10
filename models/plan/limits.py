"""Hard limits shared by the zones; each has the name it is reported by."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyomo.core as pyo

from models.plan.inputs import Bools, Floats, Ints, PlanInputs
from models.plan.rows import entries, groups, linear, pick
from models.plan.zone_nights import ZoneNights

FILL_ROUNDOFF = 1e-6  # [-] share of the longest fill left to the solver's own tolerance


def add_pump_limit(m: pyo.ConcreteModel, inputs: PlanInputs) -> None:
    """Add `pump_limit[p, n, b]`: sum of flow[z] x over the pump's zones <= capacity[p] length[n, b]   [L/s min].

    `m.pump_capacity` [L/s] is mutable: a pump out of service is an edit, not a rebuild.
    """
    m.P = pyo.RangeSet(0, inputs.pump_capacity.size - 1)
    m.pump_capacity = pyo.Param(m.P, mutable=True, initialize=_numbered(inputs.pump_capacity))
    _capacity_rows(m, inputs, inputs.pump_of_zone, m.pump_capacity, inputs.flow, "pump_limit", inputs.pump_share)


def add_branch_limit(m: pyo.ConcreteModel, inputs: PlanInputs) -> None:
    """Add `branch_limit[r, n, b]`: sum of flow[z] x over the branch's zones <= capacity[r] length[n, b]   [L/s min]."""
    m.R = pyo.RangeSet(0, inputs.branch_capacity.size - 1)
    m.branch_capacity = pyo.Param(m.R, mutable=True, initialize=_numbered(inputs.branch_capacity))
    _capacity_rows(m, inputs, inputs.branch_of_zone, m.branch_capacity, inputs.flow, "branch_limit")


def add_station_limit(m: pyo.ConcreteModel, inputs: PlanInputs) -> None:
    """Add `station_limit[k, n, b]`: sum of x over the controller's zones <= stations at once * length[n, b]   [min]."""
    m.K = pyo.RangeSet(0, inputs.stations_at_once.size - 1)
    m.stations_at_once = pyo.Param(m.K, mutable=True, initialize=_numbered(inputs.stations_at_once))
    _capacity_rows(m, inputs, inputs.controller_of_zone, m.stations_at_once, np.ones(inputs.zones), "station_limit")


def add_zone_limit(m: pyo.ConcreteModel, inputs: PlanInputs, words: ZoneNights) -> None:
    """Add `zone_limit[c]`: sum of x over blocks and supplies <= longest run and the window [min].

    Only where a zone-night has more than one run column; with one, the bound of the variable says it. And only where
    the driest zone would take longer to fill, as `firmness` keeps the night's water from passing field capacity; where
    a flush may pass it, `within_night` says the same.
    """
    several = np.flatnonzero((np.diff(inputs.runs.first) > 1) & longest_run_binds(inputs).ravel())
    m.C_several = pyo.Set(initialize=several.tolist())
    longest = longest_minutes(inputs).ravel()
    m.zone_limit = words.constraint(m.C_several, words.minutes <= longest, several, scaled=False)


def longest_run_binds(inputs: PlanInputs) -> Bools:
    """Zone-nights on which the longest run may be too short to fill the driest the zone can be, shape (Z, N)."""
    drying = np.cumsum(np.maximum(inputs.etc - inputs.effective_rain, 0.0), axis=1)
    driest = np.minimum(inputs.depletion[:, None] + np.pad(drying[:, :-1], ((0, 0), (1, 0))), inputs.taw[:, None])
    filled = longest_minutes(inputs) * inputs.net_rate[:, None]
    return np.asarray(filled < driest * (1.0 + FILL_ROUNDOFF), dtype=np.bool_)


def longest_minutes(inputs: PlanInputs) -> Floats:
    """Longest run of each zone-night, by its own limit and by the window, shape (Z, N) [min]."""
    window = (inputs.allowed * inputs.block_length[None]).sum(axis=2)
    return np.asarray(np.minimum(window, inputs.max_run[:, None]), dtype=np.float64)


def add_source_limits(m: pyo.ConcreteModel, inputs: PlanInputs) -> None:
    """Add `source_night[w, n]` and `source_month[w, i]`: water taken from the source <= its permit   [m3]."""
    columns = inputs.runs
    sources, months = inputs.source_monthly.shape
    volume = inputs.water_per_minute[columns.zone]
    m.W = pyo.RangeSet(0, sources - 1)
    m.N = pyo.RangeSet(0, inputs.nights - 1)
    m.M = pyo.RangeSet(0, months - 1)
    by_night, by_month = _Rows(m, inputs), _Rows(m, inputs)
    month = inputs.month_of_night[columns.night]
    for w in range(sources):
        taken = inputs.supply_share[columns.supply, w] * volume
        used = taken > 0
        nightly = [((w, n), inputs.source_nightly[w, n]) for n in range(inputs.nights)]
        by_night.add(np.where(used, columns.night, -1), taken, nightly)
        monthly = [((w, i), inputs.source_monthly[w, i]) for i in range(months)]
        by_month.add(np.where(used, month, -1), taken, monthly)
    by_night.close("source_night")
    by_month.close("source_month")


def add_allocation(m: pyo.ConcreteModel, inputs: PlanInputs) -> None:
    """Add `allocation_limit`: all water of the horizon <= allocation, and `allocation_tier[t]`   [m3].

    Water of the horizon - over_use[t] <= above[t]; what passes a step is priced, step by step, so the cost is convex.
    Over-use in other weathers is `over_use_weathers[t, s]`.
    """
    columns = inputs.runs
    volume = inputs.water_per_minute[columns.zone]
    m.allocation = pyo.Param(mutable=True, initialize=inputs.allocation)
    m.T = pyo.RangeSet(0, len(inputs.tiers) - 1)
    m.over_use = pyo.Var(m.T, bounds=(0, None))
    weathers = 0 if inputs.weather is None else int(inputs.weather.max(initial=0))
    if weathers:
        m.over_use_weathers = pyo.Var(m.T, pyo.RangeSet(1, weathers), bounds=(0, None))
    if not columns.zone.size:
        return
    whole = np.zeros(columns.zone.size, dtype=np.int64)
    if np.isfinite(inputs.allocation):
        rows = _Rows(m, inputs)
        rows.add(whole, volume, [((), m.allocation)])
        rows.close("allocation_limit")
    tiers = _Rows(m, inputs)
    for t, tier in enumerate(inputs.tiers):
        beyond = [m.over_use[t], *(m.over_use_weathers[t, s] for s in range(1, weathers + 1))]
        tiers.add(whole, volume, [((t,), tier.above)], beyond)
    tiers.close("allocation_tier")


def add_cuts(m: pyo.ConcreteModel, inputs: PlanInputs) -> None:
    """Add `drought_cut[g, n]`: its zones' water from its first night up to night n <= its volume [m3]."""
    columns = inputs.runs
    volume = inputs.water_per_minute[columns.zone]
    rows = _Rows(m, inputs)
    for g, cut in enumerate(inputs.cuts):
        for n in np.flatnonzero(np.isfinite(cut.volume)).tolist():
            place = np.where(cut.zones[columns.zone] & (columns.night >= cut.since) & (columns.night <= n), 0, -1)
            rows.add(place, volume, [((g, n), float(cut.volume[n]))])
    rows.close("drought_cut")


def _capacity_rows(
    m: pyo.ConcreteModel,
    inputs: PlanInputs,
    group_of_zone: Ints,
    capacity: Any,
    use: Floats,
    name: str,
    share: Floats | None = None,
) -> None:
    """Rows sum(use x) <= capacity[g] share[g, n] length[n, b] for each group, night and block that has run columns."""
    columns = inputs.runs
    size, nights, blocks = len(capacity), inputs.nights, inputs.blocks
    limited = np.array([bool(np.isfinite(pyo.value(capacity[g]))) for g in range(size)], dtype=np.bool_)
    group = group_of_zone[columns.zone]
    known = (group >= 0) & (limited[group] if size else False)
    place = np.where(known, (group * nights + columns.night) * blocks + columns.block, -1)
    part = np.ones((size, nights)) if share is None else share
    length = (part[:, :, None] * inputs.block_length).tolist()
    cells = [(g, n, b) for g in range(size) for n in range(nights) for b in range(blocks)]
    every = [((g, n, b), capacity[g] * length[g][n][b]) for g, n, b in cells]
    rows = _Rows(m, inputs)
    rows.add(place, use[columns.zone], every)
    rows.close(name)


class _Rows:
    """Rows of one family of shared limits: those of the main weather, and those of the others.

    Tonight's runs are in the rows of every weather, later runs in those of their own. A row that no run of a weather is
    in says nothing the main weather's does not. The family of the others is named `..._weathers`, with the weather last
    in its index.
    """

    def __init__(self, m: pyo.ConcreteModel, inputs: PlanInputs) -> None:
        self.m = m
        self.runs = entries(m.run_time)
        self.weather = inputs.runs.weather
        self.weathers = int(self.weather.max(initial=0))
        self.main: dict[Any, Any] = {}
        self.others: dict[Any, Any] = {}

    def add(
        self, place: Ints, use: Floats, limits: Sequence[tuple[tuple[int, ...], Any]], less: list[Any] | None = None
    ) -> None:
        """Add the rows sum(use x) <= limit, one for each place that has runs.

        Parameters
        ----------
        place : ndarray (X,)   Number of the row each run is in, -1 for none.
        use : ndarray (X,)     Coefficient of each run.
        limits : list          Index and limit of each row; an infinite limit is no row.
        less : list, optional  A variable of each weather that is taken off, of one row.
        """
        for s in range(self.weathers + 1):
            seen = (self.weather <= 0) if s == 0 else (self.weather == -1) | (self.weather == s)
            own = np.bincount(place[(self.weather == s) & (place >= 0)], minlength=len(limits)) > 0
            for i, members in enumerate(groups(np.where(seen, place, -1), len(limits))):
                index, limit = limits[i]
                if not members or (s and not own[i]) or not np.isfinite(pyo.value(limit)):
                    continue
                row = linear(
                    [*use[members].tolist(), *([-1.0] if less else [])],
                    [*pick(self.runs, members), *(less or [])[s : s + 1]],
                )
                if s:
                    self.others[(*index, s)] = (None, row, limit)
                else:
                    self.main[index] = (None, row, limit)

    def close(self, name: str) -> None:
        """Make them constraints of the model."""
        for family, rows in ((name, self.main), (f"{name}_weathers", self.others)):
            if rows or family == name:
                self.m.add_component(family, _named_rows(rows))


def _named_rows(rows: dict[Any, Any]) -> pyo.Constraint:
    """Turn prepared rows into one constraint over their index; an index of no parts is a single row."""
    if list(rows) == [()]:
        return pyo.Constraint(expr=rows[()])
    return pyo.Constraint(list(rows), rule=lambda m, *index: rows[index])


def _numbered(values: Floats) -> dict[int, float]:
    return dict(enumerate(values.tolist()))
