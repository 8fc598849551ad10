"""Leaching achieved against what FAO-29 asks for, by surface, over the past days and this plan; and planned upkeep."""

from __future__ import annotations

import math

import numpy as np

from models.salts import leaching_fraction, leaching_requirement
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
