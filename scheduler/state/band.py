"""The moisture band of a surface as depletions: what counts as dry and what as soft."""

from __future__ import annotations

import numpy as np

from scheduler.site import Site
from scheduler.state.caution import CAUTION

DRIEST_FLOOR = 0.02  # [-] of TAW kept between any dry limit and the wilting point


def eased_raw(site: Site, taw: np.ndarray, raw: np.ndarray) -> np.ndarray:
    """Depletion up to which the plan lets turf stand unharmed, (Z, N) [mm]: RAW, more where the word is lean.

    `RAW + (1 - met) (TAW - RAW)`, where by FAO-56 Eq. 84 turf still takes `met` of its ET. Not of surfaces whose
    moisture floor is told: there the manager has said how dry.

    Parameters
    ----------
    site : Site
    taw : ndarray (Z,)     Total available water [mm].
    raw : ndarray (Z, N)   Readily available water [mm].
    """
    told = np.array([site.surfaces[s].moisture_floor is not None for s in site.zones.surface], dtype=bool)
    let = np.where(told, 0.0, 1.0 - CAUTION[site.caution].met)[:, None]
    return np.asarray(raw + let * (taw[:, None] - raw))


def dry_limit(site: Site, taw: np.ndarray, raw: np.ndarray) -> np.ndarray:
    """Depletion above which each zone-night is dry, (Z, N) [mm]: `eased_raw`, or the moisture floor of its surface.

    Parameters
    ----------
    site : Site
    taw : ndarray (Z,)     Total available water [mm].
    raw : ndarray (Z, N)   Readily available water [mm].
    """
    floors = [site.surfaces[s].moisture_floor for s in site.zones.surface]
    floor = np.array([np.nan if f is None else f for f in floors])
    asked = np.minimum(1.0 - floor, 1.0 - DRIEST_FLOOR)[:, None] * taw[:, None]
    return np.maximum(np.where(np.isnan(floor)[:, None], eased_raw(site, taw, raw), asked), DRIEST_FLOOR * taw[:, None])


def wet_limit(site: Site, taw: np.ndarray) -> np.ndarray:
    """Depletion below which each zone is soft on an ordinary night, (Z,) [mm]."""
    firm = np.array([site.surfaces[s].firmness_limit for s in site.zones.surface])
    return np.asarray((1.0 - firm) * taw)
