"""Hard limits shared by the zones; each has the name it is reported by."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from models.plan.copies import Copies
from models.plan.inputs import Bools, Floats, Ints, PlanInputs
from models.plan.pens import Model, Parameter, add_index, add_parameter, add_rows, add_variables, columns
from models.plan.rows import Columns, Rows, joined
from models.plan.zone_nights import ZoneNights

FILL_ROUNDOFF = 1e-6  # [-] share of the longest fill left to the solver's own tolerance


def add_pump_limit(m: Model, inputs: PlanInputs) -> None:
    """Add `pump_limit[p, n, b]`: sum of flow[z] x over the pump's zones <= capacity[p] length[n, b]   [L/s min].

    `m.pump_capacity` [L/s] is mutable: a pump out of service is an edit, not a rebuild.
    """
    add_index(m, "P", range(inputs.pump_capacity.size))
    capacity = add_parameter(m, "pump_capacity", "P", inputs.pump_capacity)
    _capacity_rows(m, inputs, inputs.pump_of_zone, capacity, inputs.flow, "pump_limit", inputs.pump_share)


def add_branch_limit(m: Model, inputs: PlanInputs) -> None:
    """Add `branch_limit[r, n, b]`: sum of flow[z] x over the branch's zones <= capacity[r] length[n, b]   [L/s min]."""
    add_index(m, "R", range(inputs.branch_capacity.size))
    capacity = add_parameter(m, "branch_capacity", "R", inputs.branch_capacity)
    _capacity_rows(m, inputs, inputs.branch_of_zone, capacity, inputs.flow, "branch_limit")


def add_station_limit(m: Model, inputs: PlanInputs) -> None:
    """Add `station_limit[k, n, b]`: sum of x over the controller's zones <= stations at once * length[n, b]   [min]."""
    add_index(m, "K", range(inputs.stations_at_once.size))
    capacity = add_parameter(m, "stations_at_once", "K", inputs.stations_at_once)
    _capacity_rows(m, inputs, inputs.controller_of_zone, capacity, np.ones(inputs.zones), "station_limit")


def add_zone_limit(m: Model, inputs: PlanInputs, words: ZoneNights) -> None:
    """Add `zone_limit[c]`: sum of x over blocks and supplies <= longest run and the window [min].

    Only where a zone-night has more than one run column; with one, the bound of the variable says it. And only where
    the driest zone would take longer to fill, as `firmness` keeps the night's water from passing field capacity; where
    a flush may pass it, `within_night` says the same.
    """
    several = np.flatnonzero((np.diff(inputs.runs.first) > 1) & longest_run_binds(inputs).ravel())
    add_index(m, "C_several", several)
    longest = longest_minutes(inputs).ravel()
    words.add_rows("zone_limit", "C_several", words.minutes <= longest, several, scaled=False)


def add_block_limit(m: Model, inputs: PlanInputs, copies: Copies | None) -> None:
    """Add `block_limit[z, n, b]`: sum of x over the zone's supplies <= length[n, b]   [min].

    Only where the bound of each variable does not say it, as `block_binds` has it.
    """
    runs, binds = inputs.runs, block_binds(inputs, copies)
    number = np.full(binds.shape, -1)
    number[binds] = np.arange(binds.sum())
    length = np.broadcast_to(inputs.block_length[None], binds.shape)[binds]
    rows = _Shared(m, inputs)
    each = np.ones(runs.zone.size)
    rows.add(number[runs.zone, runs.night, runs.block], each, list(map(tuple, np.argwhere(binds).tolist())), length)
    rows.close("block_limit")


def block_binds(inputs: PlanInputs, copies: Copies | None) -> Bools:
    """Blocks that may be too short for what a zone of several supplies could take in them, shape (Z, N, B).

    Of nights with one block alone `zone_limit` says it.
    """
    runs = inputs.runs
    supplies = np.zeros((inputs.zones, inputs.nights, inputs.blocks), dtype=np.int64)
    np.add.at(supplies, (runs.zone, runs.night, runs.block), 1)
    several = (supplies > 1) & ((supplies > 0).sum(axis=2, keepdims=True) > 1)
    flushed = 0.0 if copies is None else copies.flush * copies.depth[:, None] + copies.each
    most = (driest(inputs) * (1.0 + FILL_ROUNDOFF) + flushed) / inputs.net_rate[:, None]
    return np.asarray(several & (most[:, :, None] > inputs.block_length[None]), dtype=np.bool_)


def driest(inputs: PlanInputs) -> Floats:
    """Depletion of each zone on each night had it never run since tonight, shape (Z, N) [mm]."""
    drying = np.cumsum(np.maximum(inputs.etc - inputs.effective_rain, 0.0), axis=1)
    dry = np.minimum(inputs.depletion[:, None] + np.pad(drying[:, :-1], ((0, 0), (1, 0))), inputs.taw[:, None])
    return np.asarray(dry, dtype=np.float64)


def longest_run_binds(inputs: PlanInputs) -> Bools:
    """Zone-nights on which the longest run may be too short to fill the driest the zone can be, shape (Z, N)."""
    filled = longest_minutes(inputs) * inputs.net_rate[:, None]
    return np.asarray(filled < driest(inputs) * (1.0 + FILL_ROUNDOFF), dtype=np.bool_)


def longest_minutes(inputs: PlanInputs) -> Floats:
    """Longest run of each zone-night, by its own limit and by the window, shape (Z, N) [min]."""
    window = (inputs.allowed * inputs.block_length[None]).sum(axis=2)
    return np.asarray(np.minimum(window, inputs.max_run[:, None]), dtype=np.float64)


def add_source_limits(m: Model, inputs: PlanInputs) -> None:
    """Add `source_night[w, n]` and `source_month[w, i]`: water taken from the source <= its permit   [m3]."""
    runs = inputs.runs
    sources, months = inputs.source_monthly.shape
    volume = inputs.water_per_minute[runs.zone]
    by_night, by_month = _Shared(m, inputs), _Shared(m, inputs)
    month = inputs.month_of_night[runs.night]
    for w in range(sources):
        taken = inputs.supply_share[runs.supply, w] * volume
        used = taken > 0
        nightly = [(w, n) for n in range(inputs.nights)]
        by_night.add(np.where(used, runs.night, -1), taken, nightly, inputs.source_nightly[w])
        monthly = [(w, i) for i in range(months)]
        by_month.add(np.where(used, month, -1), taken, monthly, inputs.source_monthly[w])
    by_night.close("source_night")
    by_month.close("source_month")


def add_allocation(m: Model, inputs: PlanInputs) -> None:
    """Add `allocation_limit`: all water of the horizon <= allocation, and `allocation_tier[t]`   [m3].

    Water of the horizon - over_use[t] <= above[t]; what passes a step is priced, step by step, so the cost is convex.
    Over-use in other weathers is `over_use_weathers[t, s]`.
    """
    runs = inputs.runs
    volume = inputs.water_per_minute[runs.zone]
    allocation = add_parameter(m, "allocation", None, np.array([inputs.allocation]))
    add_index(m, "T", range(len(inputs.tiers)))
    add_variables(m, "over_use", "T")
    weathers = 0 if inputs.weather is None else int(inputs.weather.max(initial=0))
    if weathers:
        add_index(m, "T_weathers", [(t, s) for t in range(len(inputs.tiers)) for s in range(1, weathers + 1)])
        add_variables(m, "over_use_weathers", "T_weathers")
    if not runs.zone.size:
        return
    whole = np.zeros(runs.zone.size, dtype=np.int64)
    if np.isfinite(inputs.allocation):
        rows = _Shared(m, inputs)
        rows.add(whole, volume, [()], np.array([inputs.allocation]))
        rows.close("allocation_limit", lambda _: allocation())
    tiers = _Shared(m, inputs)
    for t, tier in enumerate(inputs.tiers):
        beyond = columns(m.over_use)[t : t + 1]
        if weathers:
            beyond = np.concatenate((beyond, columns(m.over_use_weathers)[t * weathers : (t + 1) * weathers]))
        tiers.add(whole, volume, [(t,)], np.array([tier.above]), beyond)
    tiers.close("allocation_tier")


def add_cuts(m: Model, inputs: PlanInputs) -> None:
    """Add `drought_cut[g, n]`: its zones' water from its first night up to night n <= its volume [m3]."""
    runs = inputs.runs
    volume = inputs.water_per_minute[runs.zone]
    rows = _Shared(m, inputs)
    for g, cut in enumerate(inputs.cuts):
        for n in np.flatnonzero(np.isfinite(cut.volume)).tolist():
            place = np.where(cut.zones[runs.zone] & (runs.night >= cut.since) & (runs.night <= n), 0, -1)
            rows.add(place, volume, [(g, n)], cut.volume[n : n + 1])
    rows.close("drought_cut")


def _capacity_rows(
    m: Model,
    inputs: PlanInputs,
    group_of_zone: Ints,
    capacity: Parameter,
    use: Floats,
    name: str,
    share: Floats | None = None,
) -> None:
    """Rows sum(use x) <= capacity[g] share[g, n] length[n, b] for each group, night and block that has run columns."""
    runs = inputs.runs
    size, nights, blocks = capacity.values.size, inputs.nights, inputs.blocks
    group = group_of_zone[runs.zone]
    known = (group >= 0) & (np.isfinite(capacity.values)[group] if size else False)
    place = np.where(known, (group * nights + runs.night) * blocks + runs.block, -1)
    part = np.ones((size, nights)) if share is None else share
    length = part[:, :, None] * inputs.block_length
    cells = [(g, n, b) for g in range(size) for n in range(nights) for b in range(blocks)]
    rows = _Shared(m, inputs)
    with np.errstate(invalid="ignore"):  # no limit on a block that is not there
        rows.add(place, use[runs.zone], cells, (capacity.values[:, None, None] * length).ravel())
    rows.close(name, lambda key: capacity(key[0]) * float(length[key[:3]]))


class _Shared:
    """Rows of one family of shared limits: those of the main weather, and those of the others.

    Tonight's runs are in the rows of every weather, later runs in those of their own. A row that no run of a weather is
    in says nothing the main weather's does not. The family of the others is named `..._weathers`, with the weather last
    in its index.
    """

    def __init__(self, m: Model, inputs: PlanInputs) -> None:
        self.m = m
        self.runs = columns(m.run_time)
        self.weather = inputs.runs.weather
        self.weathers = int(self.weather.max(initial=0))
        self.keys: tuple[list[tuple[int, ...]], list[tuple[int, ...]]] = ([], [])
        self.blocks: tuple[list[Rows], list[Rows]] = ([], [])

    def add(
        self, place: Ints, use: Floats, keys: Sequence[tuple[int, ...]], limit: Floats, less: Columns | None = None
    ) -> None:
        """Add the rows sum(use x) <= limit, one for each place that has runs.

        Parameters
        ----------
        place : ndarray (X,)   Number of the row each run is in, -1 for none.
        use : ndarray (X,)     Coefficient of each run.
        keys : sequence (R,)   Index of each row.
        limit : ndarray (R,)   An infinite limit is no row.
        less : ndarray, optional   A variable of each weather that is taken off, of one row.
        """
        for s in range(self.weathers + 1):
            seen = (self.weather <= 0) if s == 0 else (self.weather == -1) | (self.weather == s)
            on = np.flatnonzero(seen & (place >= 0))
            count = np.bincount(place[on], minlength=limit.size)
            if s:
                own = self.weather == s
                count = np.minimum(count, np.bincount(place[own & (place >= 0)], minlength=limit.size))
            there = np.flatnonzero((count > 0) & np.isfinite(limit))
            number = np.full(limit.size, -1)
            number[there] = np.arange(there.size)
            row = number[place[on]]
            kept = row >= 0
            row, held, factor = row[kept], self.runs[on[kept]], use[on[kept]]
            if less is not None and there.size:
                row, held, factor = np.append(row, 0), np.append(held, less[s]), np.append(factor, -1.0)
            self.keys[s > 0].extend((*keys[i], s) if s else keys[i] for i in there.tolist())
            self.blocks[s > 0].append(Rows(row, held, factor, np.full(there.size, -np.inf), limit[there]))

    def close(self, name: str, upper: Callable[[Any], Any] | None = None) -> None:
        """Add them to the model."""
        for family, keys, blocks in zip((name, f"{name}_weathers"), self.keys, self.blocks, strict=True):
            if keys or family == name:
                add_rows(self.m, family, keys, joined(blocks), upper)
