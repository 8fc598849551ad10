"""Run times in whole steps of the controller, within every shared limit, of tonight and of the later nights."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from models.night import RoundedMinutes, round_minutes
from models.plan.inputs import Floats, PlanInputs
from models.plan.results import PlanResult
from scheduler.plan.inputs import NightInputs

STILL = 1e-7  # [min] below which a run time of the linear program is a rounding of zero
HARD_SHARE = 1.0 - 1e-9  # of a limit that is used in rounding, so that adding up in another order cannot pass it [-]


@dataclass(frozen=True)
class Terms:
    """What run times are rounded by.

    Parameters
    ----------
    share : mapping          Share of each capacity that counts, by kind [-].
    worth : ndarray (Z,)     What a minute short costs, in any one unit.
    held : ndarray (Z,), optional   Zones whose minutes tonight are the manager's: they come first, and may drain.
    """

    share: Mapping[str, Floats]
    worth: Floats
    held: NDArray[np.bool_] | None = None


def hard_rows(
    inputs: NightInputs, run_time: Floats, night: int, share: Mapping[str, Floats], earlier: Floats | None = None
) -> tuple[sparse.csr_matrix, Floats]:
    """Shared limits of one night as rows over zones: what a minute of each zone uses, and how much there is.

    Limits that run over several nights count with what the plan gives this night and what rounding kept of earlier
    ones, so it cannot spend what is a later night's. `earlier` are the run times of these, shape (Z, night) [min].
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
        (plan.pump_of_zone, plan.pump_nightly[:, night] * share["pump"], plan.flow),
        (plan.branch_of_zone, plan.branch_capacity * share["branch"], plan.flow),
        (plan.controller_of_zone, plan.stations_at_once * share["station"], np.ones(z)),
    ):
        on = np.flatnonzero(group >= 0)
        members = sparse.csr_matrix((use[on], (group[on], on)), shape=(capacity.size, z))
        none = np.full(capacity.size, np.inf)
        add(members, np.multiply(capacity, open_minutes, where=np.isfinite(capacity), out=none))
    chosen = run_time[:, night].sum(axis=1)  # (Z, K)
    whole = chosen.sum(axis=1)
    source_use = (supply_mix(plan, chosen) @ plan.supply_share) * per_minute[:, None]  # (Z, W) m3 a minute
    add(sparse.csr_matrix(source_use.T), plan.source_nightly[:, night])
    kept = np.zeros((plan.zones, 0)) if earlier is None else run_time[:, : earlier.shape[1]].sum(axis=(2, 3)) - earlier
    month = plan.source_monthly[:, plan.month_of_night[night]]
    in_month = source_use.T @ whole
    for n in range(kept.shape[1] if np.isfinite(month).any() else 0):
        if plan.month_of_night[n] == plan.month_of_night[night]:
            in_month += (supply_mix(plan, run_time[:, n].sum(axis=1)) @ plan.supply_share).T @ (per_minute * kept[:, n])
    add(sparse.csr_matrix(source_use.T), np.where(np.isfinite(month), in_month, np.inf))
    over_nights = [(per_minute, 0)] if np.isfinite(plan.allocation) else []
    over_nights += [
        (np.where(cut.zones, per_minute, 0.0), cut.since)
        for cut in plan.cuts
        if cut.since <= night and np.isfinite(cut.volume[night:]).any()
    ]
    if over_nights:
        use = np.array([each for each, _ in over_nights])
        left = np.array([each @ (whole + kept[:, since:].sum(axis=1)) for each, since in over_nights])
        add(sparse.csr_matrix(use), left)
    return sparse.vstack(blocks, format="csr"), np.concatenate(limits)


def whole_minutes(
    inputs: NightInputs,
    result: PlanResult,
    run_time: Floats,
    longest: Floats,
    terms: Terms,
    night: int = 0,
    before: Floats | None = None,
    earlier: Floats | None = None,
    of_limits: Floats | None = None,
) -> RoundedMinutes:
    """Run times of one night in controller steps, within every limit.

    Tonight every run that is still short of the smallest useful one is lifted to it where it fits: those that had
    better wait are no longer in the plan (`smallest.py`). On a later night a run is lifted if its zone would go dry
    without or if the plan has at least half of it; what it loses otherwise is owed to it on the night after.

    Parameters
    ----------
    inputs, result, run_time : NightInputs, PlanResult, ndarray (Z, N, B, K)   The plan and its run times.
    longest : ndarray (Z,)            Longest run [min].
    terms : Terms
    night : int
    before : ndarray (Z,), optional   Depletion at opening time [mm]; tonight's if not given.
    earlier : ndarray (Z, night), optional   Run times of the nights before; what rounding kept is owed [min].
    of_limits : ndarray (Z, N, B, K), optional   The run times whose water of limits over several nights may be used;
                                      `run_time` if not given.
    """
    plan = inputs.plan
    minutes = run_time[:, night].sum(axis=(1, 2))
    if earlier is not None:
        owed = np.maximum((run_time[:, :night].sum(axis=(2, 3)) - earlier).sum(axis=1), 0.0)
        minutes = np.where(minutes > STILL, minutes + np.minimum(owed, inputs.smallest_run), 0.0)
    minutes = np.where(minutes > STILL, minutes, 0.0)
    before = plan.depletion if before is None else before
    matrix, limits = hard_rows(inputs, run_time, night, terms.share, earlier)
    if of_limits is not None:
        limits = hard_rows(inputs, of_limits, night, terms.share)[1]
    open_minutes = (plan.allowed[:, night] * plan.block_length[night]).sum(axis=1)
    dry_without = before + plan.etc[:, night] - plan.effective_rain[:, night] > plan.dry_limit[:, night]
    flushing = flushing_on(inputs, result, night)
    if terms.held is not None and night == 0:
        flushing = flushing | terms.held
    filled = np.where(flushing, np.inf, before / plan.net_rate)  # rounding up never drains
    return round_minutes(
        minutes=minutes,
        resolution_min=inputs.resolution,
        smallest_run_min=inputs.smallest_run,
        largest_run_min=np.minimum.reduce((longest, open_minutes, filled)),
        limit_matrix=matrix,
        limit_rhs=limits,
        value=np.where(flushing, 1e3 * (1.0 + terms.worth.max()), terms.worth),
        need=(dry_without | (night == 0)) & (minutes > 0),
    )


def flushing_on(inputs: NightInputs, result: PlanResult, night: int) -> NDArray[np.bool_]:
    """Zones whose water passes the roots on a night, by a salt flush or by upkeep, shape (Z,)."""
    on = np.zeros(inputs.plan.zones, dtype=np.bool_)
    on[[f.zone for f in (*result.flushes, *result.upkeep) if night in f.nights]] = True
    return on


def supply_mix(plan: PlanInputs, chosen: Floats) -> Floats:
    """Proportions of the supplies in what was chosen, the first named where nothing was; chosen and result (Z, K)."""
    whole = chosen.sum(axis=1, keepdims=True)
    first = np.zeros_like(chosen)
    first[np.arange(plan.zones), plan.zone_supply.argmax(axis=1)] = 1.0
    return np.asarray(np.where(whole > STILL, chosen / np.maximum(whole, STILL), first), dtype=np.float64)
