"""Tonight as it will run: solve, round, split into cycles, pack, check; solve again where the night is too full."""

from __future__ import annotations

import logging
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from models.night import (
    Cycles,
    NightJob,
    Timetable,
    check_timetable,
    pack_night,
    round_minutes,
    split_into_cycles,
    surface_storage,
)
from models.plan.inputs import Floats, PlanInputs
from models.plan.results import PlanResult
from models.plan.solve import PlanSolver, SolverFailed
from scheduler.errors import NoPlan
from scheduler.inputs import SMALLEST_RUN, NightInputs
from scheduler.site import Site

log = logging.getLogger(__name__)
TRIES = 5  # solves of one evening before what found no place is left out, and said
STILL = 1e-7  # [min] below which a run time of the linear program is a rounding of zero
HARD_SHARE = 1.0 - 1e-9  # of a limit that is used in rounding, so that adding up in another order cannot pass it [-]


@dataclass(frozen=True)
class RunnableNight:
    """Tonight's runs and the plan they belong to.

    Parameters
    ----------
    result : PlanResult             The plan that was solved last.
    minutes : ndarray (Z,)          Tonight's run times as they will run [min].
    volumes : ndarray (Z, K)        Tonight's water by supply [m3].
    later : ndarray (Z, N)          Run times of every night in controller steps, tonight's in column 0 [min].
    cycles : Cycles or None         None on a night without water.
    job, timetable : NightJob, Timetable or None
    solves : int                    How often the plan was solved.
    left_out : ndarray (Z,)         Minutes that found no place in the window [min].
    """

    result: PlanResult
    minutes: Floats
    volumes: Floats
    later: Floats
    cycles: Cycles | None
    job: NightJob | None
    timetable: Timetable | None
    solves: int
    left_out: Floats


def runnable_night(site: Site, inputs: NightInputs, solver: PlanSolver) -> RunnableNight:
    """Find run times that fit the night minute by minute.

    Parameters
    ----------
    site : Site
    inputs : NightInputs
    solver : PlanSolver   Loaded with `inputs.plan`; its capacities tonight may be edited.

    Returns
    -------
    RunnableNight

    Raises
    ------
    NoPlan   The solver failed, or the timetable breaks a limit when played back.
    """
    plan = inputs.plan
    share = {
        "pump": np.ones(plan.pump_capacity.size),
        "branch": np.ones(plan.branch_capacity.size),
        "station": np.ones(plan.stations_at_once.size),
    }
    longest = plan.max_run.copy()
    for attempt in range(1, TRIES + 1):
        try:
            result = solver.solve()
        except SolverFailed as failure:
            raise NoPlan(str(failure)) from failure
        run = result.minutes(plan)
        rounded = _rounded(inputs, result, run, longest)
        if not rounded.any():
            return _dry_night(inputs, result, run, attempt)
        cycles, job = _job(site, inputs, rounded, run[:, 0].sum(axis=2))
        timetable = pack_night(job)
        if timetable.fitted or attempt == TRIES:
            break
        measured = timetable.measured_capacity
        log.info("the night is too full for its timetable; solving again with the capacity that was reached")
        for name, factor in (("pump", measured.pump), ("branch", measured.branch), ("station", measured.controller)):
            if (factor < 1.0).any():
                share[name] = share[name] * factor
                solver.scale_capacity(name, share[name], night=0)
        short = np.flatnonzero(measured.zone_minutes < longest)
        longest[short] = measured.zone_minutes[short]
        solver.limit_runs(short, longest[short], night=0)
    placed = np.bincount(timetable.zone, weights=timetable.end - timetable.start, minlength=plan.zones)
    broken = check_timetable(job, timetable)
    if timetable.fitted and broken:
        raise NoPlan("the timetable breaks a limit when played back: " + "; ".join(str(v) for v in broken[:3]))
    minutes = np.round(placed, 9)
    return RunnableNight(
        result,
        minutes,
        _by_supply(plan, run, minutes),
        _all_nights(inputs, result, run, minutes),
        cycles,
        job,
        timetable,
        attempt,
        timetable.unplaced,
    )


def hard_rows(inputs: NightInputs, run: Floats, night: int) -> tuple[sparse.csr_matrix, Floats]:
    """Shared limits of one night as rows over zones: what a minute of each zone uses, and how much there is.

    Limits that run over several nights count with what the plan gives this night, so rounding cannot spend another's.
    """
    plan = inputs.plan
    z = plan.zones
    per_minute = plan.water_per_minute
    open_minutes = float(plan.block_length[night].sum())
    blocks: list[sparse.csr_matrix] = []
    limits: list[Floats] = []

    def add(use: sparse.csr_matrix, limit: Floats) -> None:
        finite = np.isfinite(limit)
        blocks.append(use[finite])
        limits.append(np.maximum(limit[finite], 0.0) * HARD_SHARE)

    for group, capacity, use in (
        (plan.pump_of_zone, plan.pump_capacity, plan.flow),
        (plan.branch_of_zone, plan.branch_capacity, plan.flow),
        (plan.controller_of_zone, plan.stations_at_once, np.ones(z)),
    ):
        on = np.flatnonzero(group >= 0)
        members = sparse.csr_matrix((use[on], (group[on], on)), shape=(capacity.size, z))
        none = np.full(capacity.size, np.inf)
        add(members, np.multiply(capacity, open_minutes, where=np.isfinite(capacity), out=none))
    chosen = run[:, night].sum(axis=1)  # (Z, K)
    whole = chosen.sum(axis=1)
    source_use = (_mix(plan, chosen) @ plan.supply_share) * per_minute[:, None]  # (Z, W) m3 a minute
    add(sparse.csr_matrix(source_use.T), plan.source_daily)
    month = plan.source_monthly[:, plan.month_of_night[night]]
    add(sparse.csr_matrix(source_use.T), np.where(np.isfinite(month), source_use.T @ whole, np.inf))
    over_nights = [per_minute] if np.isfinite(plan.allocation) else []
    over_nights += [np.where(cut.zones, per_minute, 0.0) for cut in plan.cuts]
    if over_nights:
        use = np.array(over_nights)
        add(sparse.csr_matrix(use), use @ whole)
    return sparse.vstack(blocks, format="csr"), np.concatenate(limits)


def _rounded(inputs: NightInputs, result: PlanResult, run: Floats, longest: Floats, night: int = 0) -> Floats:
    """Run times of one night in controller steps, within every limit, shape (Z,) [min]."""
    plan = inputs.plan
    minutes = run[:, night].sum(axis=(1, 2))
    minutes = np.where(minutes > STILL, minutes, 0.0)
    matrix, limits = hard_rows(inputs, run, night)
    open_minutes = (plan.allowed[:, night] * plan.block_length[night]).sum(axis=1)
    before = plan.depletion if night == 0 else result.depletion[:, night - 1]
    dry_without = before + plan.etc[:, night] - plan.effective_rain[:, night] > plan.dry_limit[:, night]
    return round_minutes(
        minutes=minutes,
        resolution_min=inputs.resolution,
        smallest_run_min=np.ceil(SMALLEST_RUN / inputs.resolution - STILL) * inputs.resolution,
        largest_run_min=np.minimum(longest, open_minutes),
        limit_matrix=matrix,
        limit_rhs=limits,
        value=np.abs(result.water_value[:, night]) * plan.net_rate,
        need=dry_without & (minutes > 0),
    ).minutes


def _job(site: Site, inputs: NightInputs, minutes: Floats, by_block: Floats) -> tuple[Cycles, NightJob]:
    """Cycles of the run times and everything the packer must respect."""
    zones, plan = site.zones, inputs.plan
    smallest = np.minimum(np.full(plan.zones, SMALLEST_RUN), np.maximum(minutes, inputs.resolution))
    cycles = split_into_cycles(
        minutes,
        inputs.resolution,
        zones.application_rate,
        zones.infiltration,
        surface_storage(zones.slope),
        smallest,
    )
    window = inputs.windows[0]
    blocks = np.array([(b.start, b.end) for b in window.blocks], dtype=float).reshape(-1, 2)
    first_rank = zones.priority.min()
    job = NightJob(
        cycle_zone=cycles.zone,
        cycle_minutes=cycles.length,
        soak=cycles.soak,
        smallest_cycle=smallest,
        resolution=inputs.resolution,
        flow=plan.flow,
        pump=plan.pump_of_zone,
        branch=plan.branch_of_zone,
        controller=plan.controller_of_zone,
        pump_capacity=plan.pump_capacity,
        pump_ramp=np.array([p.ramp for p in site.pumps], dtype=float),
        pump_smallest=np.array([p.smallest_flow for p in site.pumps], dtype=float),
        branch_capacity=plan.branch_capacity,
        stations_at_once=plan.stations_at_once,
        pieces=np.array(window.pieces, dtype=float).reshape(-1, 2),
        blocks=blocks,
        allowed=plan.allowed[:, 0, : len(blocks)],
        finish_rank=np.where((zones.priority == first_rank) | (plan.wet_weight[:, 0] > 1), 0, 1).astype(np.int64),
        minutes_by_block=by_block[:, : len(blocks)],
        block_price=plan.energy_price[0, : len(blocks)],
    )
    return cycles, job


def _dry_night(inputs: NightInputs, result: PlanResult, run: Floats, solves: int) -> RunnableNight:
    """A night on which nothing runs."""
    z = inputs.plan.zones
    none = np.zeros(z)
    by_supply = np.zeros((z, inputs.plan.supply_share.shape[0]))
    return RunnableNight(
        result, none, by_supply, _all_nights(inputs, result, run, none), None, None, None, solves, np.zeros(z)
    )


def _mix(plan: PlanInputs, chosen: Floats) -> Floats:
    """Proportions of the supplies in what was chosen, the first named where nothing was; chosen and result (Z, K)."""
    whole = chosen.sum(axis=1, keepdims=True)
    first = np.zeros_like(chosen)
    first[np.arange(plan.zones), plan.zone_supply.argmax(axis=1)] = 1.0
    return np.asarray(np.where(whole > STILL, chosen / np.maximum(whole, STILL), first), dtype=np.float64)


def _by_supply(plan: PlanInputs, run: Floats, minutes: Floats) -> Floats:
    """Tonight's water by supply, in the proportions the plan chose, shape (Z, K) [m3]."""
    return np.asarray(_mix(plan, run[:, 0].sum(axis=1)) * (minutes * plan.water_per_minute)[:, None], dtype=np.float64)


def _all_nights(inputs: NightInputs, result: PlanResult, run: Floats, tonight: Floats) -> Floats:
    """Run times of all nights in controller steps: tonight as it runs, later nights as they would be rounded."""
    later = [_rounded(inputs, result, run, inputs.plan.max_run, n) for n in range(1, inputs.plan.nights)]
    return np.column_stack([tonight, *later])
