"""Leaching achieved against what FAO-29 asks for, by surface, over the past days and this plan; and planned upkeep."""

from __future__ import annotations

import math
from datetime import date
from typing import Any

import numpy as np

from models.plan.inputs import PlanInputs
from models.plan.results import PlanResult
from models.salts import leaching_fraction, leaching_requirement
from scheduler.salinity.evening import SaltState
from scheduler.salinity.records import Leaching
from scheduler.site import Site


def leaching_by_surface(
    site: Site, zones: np.ndarray, source_ec: np.ndarray, water: np.ndarray, fell: np.ndarray, drained: np.ndarray
) -> tuple[Leaching, ...]:
    """Leaching of each surface by area, against the requirement of FAO-29 for its threshold.

    The requirement is of the water that entered: rain counts as water without salt.

    Parameters
    ----------
    site : Site
    zones : ndarray (M,)                  Zones that count.
    source_ec : ndarray (M,)              [dS/m].
    water, fell, drained : ndarray (M,)   Irrigation and rain that entered, and what left the roots [mm].
    """
    if not zones.size:
        return ()
    area, surface = site.zones.area[zones], site.zones.surface[zones]
    entered = water + fell
    required = leaching_requirement(source_ec * water / np.maximum(entered, 1e-9), site.zones.ece_threshold[zones])
    found = []
    for name in sorted(set(surface), key=lambda s: (site.surfaces[s].priority, s)):
        of = surface == name
        share = area[of] / area[of].sum()
        known = np.isfinite(required[of])
        owed = float((share[known] * required[of][known]).sum() / share[known].sum()) if known.any() else math.nan
        found.append(
            Leaching(
                name,
                float(share @ water[of]),
                float(share @ fell[of]),
                float(share @ drained[of]),
                float(leaching_fraction(share @ drained[of], share @ entered[of])),
                owed,
            )
        )
    return tuple(found)


def leaching_part(
    site: Site,
    dates: tuple[date, ...],
    plan: PlanInputs,
    result: PlanResult,
    salt: SaltState,
    net: np.ndarray,
    leached: np.ndarray,
    ece: np.ndarray,
) -> dict[str, Any]:
    """The `leaching` of a plan document.

    Parameters
    ----------
    site : Site
    dates : tuple of date           Nights of the plan.
    plan, result : PlanInputs, PlanResult
    salt : SaltState
    net : ndarray (Z, N)            Net water of each night [mm].
    leached : ndarray (Z, N)        What leaves the roots with its salt on each date [mm].
    ece : ndarray (Z, N + 1)        Mean ECe tonight and at the end of each date [dS/m].
    """
    past = salt.past
    if past is None:
        return {"since": None, "surfaces": [], "upkeep": []}
    on = np.flatnonzero(salt.known)
    water, fell, drained = (
        then[on] + now[on].sum(axis=1)
        for then, now in ((past.water, net), (past.rain, plan.effective_rain), (past.drained, leached))
    )
    surfaces = [
        {
            "surface": row.surface,
            "entered_mm": round(row.irrigation + row.rain, 3),
            "drained_mm": round(row.drained, 3),
            "achieved": None if math.isnan(row.achieved) else round(row.achieved, 4),
            "required": None if math.isnan(row.required) else round(row.required, 4),
        }
        for row in leaching_by_surface(site, on, salt.source_ec[on], water, fell, drained)
    ]
    upkeep = []
    for little in sorted(result.upkeep, key=lambda u: (u.nights, u.zone)):
        z, nights = little.zone, list(little.nights)
        upkeep.append(
            {
                "zone": site.zones.zone[z],
                "nights": [dates[n].isoformat() for n in nights],
                "drainage_mm": round(float(leached[z, nights].sum()), 3),
                "depth_mm": round(float(net[z, nights].sum() / plan.net_share[z]), 3),
                "ece_before_dsm": round(float(ece[z, 0]), 3),
                "ece_after_dsm": round(float(ece[z, -1]), 3),
            }
        )
    return {"since": past.since.isoformat(), "surfaces": surfaces, "upkeep": upkeep}
