"""What stands in the controllers since the last plan, and tonight's changes to it that are too small to be made.

A person who keys a night in changes only what is worth it: where `steady_within` of a controller names a depth, the
plan has a small price on change, a run that is still to differ by less than that keeps its minutes, and starts are kept
where they cost nothing that matters. Limits come first: what is kept holds every limit as any other run does, and is
played back like it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from models.choices import STEADY, TOLD
from models.plan.inputs import Floats
from scheduler.files import finish_sets
from scheduler.night.held import programmes_before
from scheduler.plan.inputs import NightInputs
from scheduler.site import Site


@dataclass(frozen=True)
class Stands:
    """The programme that stands.

    Parameters
    ----------
    minutes : ndarray (Z,)   Run time of each zone [min], NaN where none stands or its controller is not keyed in.
    within : ndarray (Z,)    Net depth below which a change is not made [mm].
    starts : mapping         Starts of a zone's cycles in order [min after 00:00 of the evening's date].
    """

    minutes: Floats
    within: Floats
    starts: Mapping[int, Floats] = field(default_factory=dict)


def standing_programme(site: Site, night: date) -> Stands:
    """What the last plan put into the controllers that are to be kept steady, up to `STEADY.looked_back` nights ago.

    Of a zone that rested then in a programme which still stands, what it ran the night it last did, as far back.
    """
    zones = site.zones
    within = np.array([site.controllers[c].steady_within if c >= 0 else 0.0 for c in zones.controller])
    minutes = np.full(len(zones), np.nan)
    ago = range(1, STEADY.looked_back + 1 if within.any() else 1)
    plans = [p for p in (_plan_of(site, night - timedelta(days=days)) for days in ago) if p is not None]
    if not plans:
        return Stands(minutes, within)
    held = {z for p in programmes_before(site, night)[1] for z, m in zip(p.zones, p.minutes, strict=True) if m > 0}
    starts = {}
    for z in np.flatnonzero(within > 0).tolist():
        if zones.zone[z] not in plans[0]:
            continue
        ran = [p[zones.zone[z]] for p in plans if zones.zone[z] in p]
        stands = next((one for one in ran if one[0] > 0), None) if z in held else None
        minutes[z], begins = stands or plans[0][zones.zone[z]]
        if begins:
            starts[z] = np.array(begins)
    return Stands(minutes, within, starts)


def with_standing(site: Site, inputs: NightInputs) -> NightInputs:
    """The inputs with what stands in controllers that are to be kept steady, and a price on changing it.

    Not of those that hold programmes: a station that keeps its minutes while others change fits no percent of them all.
    """
    programmes = np.array([*(bool(c.programmes) for c in site.controllers), False])[site.zones.controller]
    minutes = np.where(programmes, 0.0, np.nan_to_num(standing_programme(site, inputs.dates[0]).minutes))
    if not STEADY.price or not minutes.any():
        return inputs
    return replace(inputs, plan=replace(inputs.plan, standing=minutes, price_of_change=STEADY.price))


def _plan_of(site: Site, night: date) -> dict[str, tuple[float, list[float]]] | None:
    """Minutes and starts of each zone in the plan of a night; None without one that can be read."""
    folder = site.folder / "out" / night.isoformat()
    finish_sets(folder)
    midnight = datetime.combine(night, datetime.min.time())
    try:
        plan = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
        return {
            str(z["id"]): (
                float(z["minutes"]),
                [
                    (datetime.fromisoformat(c["start"]).replace(tzinfo=None) - midnight).total_seconds() / 60.0
                    for c in z["cycles"]
                ],
            )
            for z in plan["zones"]
        }
    except (OSError, ValueError, KeyError, TypeError):
        return None


def kept_minutes(
    inputs: NightInputs,
    minutes: Floats,
    stands: Stands,
    longest: Floats,
    rows: tuple[sparse.csr_matrix, Floats],
    others: NDArray[np.bool_],
) -> Floats:
    """Tonight's minutes with those left as they stand that would hardly differ, shape (Z,) [min].

    A run that stands longer is kept only where it neither drains nor passes a shared limit, one that stands shorter
    only where its zone stays within its dry limit until tomorrow evening, give or take half of what is told apart.

    Parameters
    ----------
    inputs : NightInputs
    minutes : ndarray (Z,)   Tonight's, in whole steps [min].
    stands : Stands
    longest : ndarray (Z,)   Longest run [min].
    rows : tuple             Shared limits, as `hard_rows` gives them.
    others : ndarray (Z,)    Zones whose minutes are not to be touched: flushed, or the manager's word.
    """
    plan, before = inputs.plan, np.nan_to_num(stands.minutes)
    near = (minutes > 0) & (before >= inputs.smallest_run - 1e-9) & (before != minutes) & ~others
    near &= np.abs(before - minutes) * plan.net_rate < stands.within
    near &= before <= longest + 1e-9
    steps = before / inputs.resolution
    near &= np.abs(steps - np.rint(steps)) < 1e-6  # the controller may have been changed
    drying = plan.etc[:, 0] - plan.effective_rain[:, 0]
    after = np.maximum(plan.depletion - before * plan.net_rate, 0.0) + drying
    shorter = near & (before < minutes) & (after <= inputs.limit[:, 0] + 0.5 * TOLD.apart * plan.taw)
    kept = np.where(shorter, before, minutes)
    longer = np.flatnonzero(near & (before > minutes) & (before * plan.net_rate <= plan.depletion))
    matrix, most = rows
    more = (before - minutes)[longer]
    order = longer[np.argsort(more * plan.water_per_minute[longer], kind="stable")]
    use = np.cumsum((matrix[:, order].multiply((before - minutes)[order])).toarray(), axis=1)
    fits = (use <= (most - matrix @ kept)[:, None] + 1e-9).all(axis=0)
    kept[order[fits]] = before[order[fits]]
    return np.asarray(kept, dtype=np.float64)
