"""What the packer is given: cycles of the run times, the hours of each zone, and every limit of the site."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.choices import RUNS
from models.night import Cycles, Gentle, NightJob, split_into_cycles, surface_storage
from models.plan.inputs import Floats, PlanInputs
from models.uneven_catch import place_catch
from scheduler.night.finish import finish_times
from scheduler.night.held import holds_no_times
from scheduler.plan.inputs import NightInputs
from scheduler.site import Site


def night_job(
    site: Site,
    inputs: NightInputs,
    minutes: Floats,
    by_block: Floats,
    flushing: NDArray[np.bool_],
    held: NDArray[np.bool_] | None = None,
    starts: Mapping[int, Floats] | None = None,
    finer: float = 0.0,
) -> tuple[Cycles, NightJob]:
    """Cycles of the run times and everything the packer must respect.

    Parameters
    ----------
    site : Site
    inputs : NightInputs
    minutes : ndarray (Z,)       Run times in whole controller steps [min].
    by_block : ndarray (Z, B)    Run times the plan has in each tariff block [min].
    flushing : ndarray (Z,)      Zones whose water is to pass the roots.
    held : ndarray (Z,), optional   Zones whose minutes are the manager's: they have their place before all others.
    starts : mapping, optional   Starts that zones have in their controllers already [min].
    finer : float                Share of the room for finer cycles that runs may take; 0 for the fewest cycles [-].
    """
    plan, window = inputs.plan, inputs.windows[0]
    cycles = cycles_of(site, inputs, minutes, finer)
    shortest = np.full(plan.zones, np.inf)
    np.minimum.at(shortest, cycles.zone, cycles.length)
    blocks = np.array([(b.start, b.end) for b in window.blocks], dtype=float).reshape(-1, 2)
    job = NightJob(
        cycle_zone=cycles.zone,
        cycle_minutes=cycles.length,
        soak=cycles.soak,
        # a piece cut to fill a gap is worth making only where it would be worth a run, or is as long as a whole cycle
        smallest_cycle=np.minimum(inputs.smallest_run, np.where(np.isfinite(shortest), shortest, 0.0)),
        smallest_run=np.minimum(inputs.smallest_run, minutes),
        resolution=inputs.resolution,
        pieces=np.array(window.pieces, dtype=float).reshape(-1, 2),
        blocks=blocks,
        allowed=plan.allowed[:, 0, : len(blocks)],
        finish_rank=_finish_rank(plan, site.zones.priority, flushing, held),
        minutes_by_block=by_block[:, : len(blocks)],
        block_price=plan.energy_price[0, : len(blocks)],
        finish_by=finish_times(site, inputs.dates[0], window),
        held_starts=starts or None,
        **_shared(site, plan),
    )
    return cycles, job


def cycles_of(site: Site, inputs: NightInputs, minutes: Floats, finer: float) -> Cycles:
    """Cut the run times into cycles that each zone's soil takes, none too short to wet more than leaves.

    Parameters are those of `night_job`.
    """
    zones = site.zones
    return split_into_cycles(
        minutes,
        inputs.resolution,
        zones.application_rate,
        zones.infiltration,
        surface_storage(zones.slope),
        np.full(len(zones), RUNS.smallest_cycle),
        zones.longest_cycle,
        zones.soak,
        _gentle(site, inputs, finer) if finer else None,
    )


def _gentle(site: Site, inputs: NightInputs, share: float) -> Gentle:
    """How runs are cut finer: by the slowest soil of the class, under the wettest quarter, in a part of the hours.

    Programmes, and controllers that find their own start times, have the fewest cycles.
    """
    zones, window = site.zones, inputs.windows[0]
    open_blocks = inputs.plan.allowed[:, 0, : len(window.blocks)]
    start, end = np.array([(b.start, b.end) for b in window.blocks], dtype=float).reshape(-1, 2).T
    opens = np.where(open_blocks, start, np.inf).min(axis=1, initial=np.inf)
    hours = np.fmin(open_blocks @ (end - start), finish_times(site, inputs.dates[0], window) - opens)
    room = np.where(holds_no_times(site), 0.0, share * RUNS.finer_room * hours)
    wettest = zones.application_rate * place_catch(zones.du_lq).max(axis=1)
    return Gentle(wettest, zones.slowest_intake, inputs.smallest_run, room)


def _finish_rank(
    plan: PlanInputs, priority: NDArray[np.int64], flushing: NDArray[np.bool_], held: NDArray[np.bool_] | None
) -> NDArray[np.int64]:
    """Rank of each zone from the close backwards, (Z,): what finds no place is of the highest.

    What the manager holds comes first, then those in need and last those that can wait, each by its priority.
    """
    ranks, rank = np.unique(priority, return_inverse=True)
    rank = rank.ravel() if held is None else np.where(held, -1, rank.ravel())
    important = dry_tomorrow(plan) | (plan.wet_weight[:, 0] > 1) | flushing
    return np.where(important | (rank < 0), rank, ranks.size + rank).astype(np.int64)


def _shared(site: Site, plan: PlanInputs) -> dict[str, Any]:
    """Flows, and the pumps, branches and controllers that zones share."""
    return {
        "flow": plan.flow,
        "pump": plan.pump_of_zone,
        "branch": plan.branch_of_zone,
        "controller": plan.controller_of_zone,
        "pump_capacity": plan.pump_nightly[:, 0],
        "pump_ramp": np.array([p.ramp for p in site.pumps], dtype=float),
        "pump_smallest": np.array([p.smallest_flow for p in site.pumps], dtype=float),
        "branch_capacity": plan.branch_capacity,
        "stations_at_once": plan.stations_at_once,
    }


def dry_tomorrow(plan: PlanInputs) -> NDArray[np.bool_]:
    """Zones that pass their dry limit by tomorrow evening without water, shape (Z,)."""
    return plan.depletion + plan.etc[:, 0] - plan.effective_rain[:, 0] > plan.dry_limit[:, 0]
