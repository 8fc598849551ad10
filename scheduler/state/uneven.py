"""How much of the extra for uneven catch each surface gets tonight, weighed over the weather of the last weeks."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.choices import BAND, CATCH
from models.hydraulics import served_share
from models.salts import leaching_requirement
from models.soil import adjusted_depletion_fraction
from models.uneven_catch import Ground, Weighed, Worth, weigh
from scheduler.site import Site
from scheduler.state.band import dry_limit, wet_limit
from scheduler.state.caution import CAUTION
from scheduler.state.demand import Demand, zone_etc, zone_rain
from scheduler.state.filtered import followed
from scheduler.supply import usual_source_ec


@dataclass(frozen=True)
class UnevenCatch:
    """The extra for uneven catch as weighed.

    Parameters
    ----------
    surfaces : tuple of str   Surfaces that were weighed.
    group : ndarray (Z,)      Place of each zone's surface among them; -1 of zones whose surface is told.
    zones : ndarray (M,)      Zones that were weighed.
    weighed : Weighed         Of these zones.
    owed : ndarray (M,)       Share of irrigation that has to drain [-].
    days : int                Looked back on.
    """

    surfaces: tuple[str, ...]
    group: np.ndarray
    zones: np.ndarray
    weighed: Weighed
    owed: np.ndarray
    days: int


def with_weighed_catch(site: Site, demand: Demand) -> tuple[Site, UnevenCatch | None]:
    """The site whose run times are made for the part of each zone that pays.

    Parameters
    ----------
    site : Site
    demand : Demand   With the days up to tonight.

    Returns
    -------
    Site, UnevenCatch or None   The site as it was and None where nothing is weighed: no surface asks for it, or the
                                record is too short.
    """
    zones = site.zones
    weighs = np.array([site.surfaces[s].weighed for s in zones.surface], dtype=bool)
    past = demand.past
    if not weighs.any() or len(past) < CATCH.fewest or demand.observed_days < CATCH.fewest:
        return site, None
    surfaces = tuple(dict.fromkeys(zones.surface[weighs].tolist()))
    group = np.array([surfaces.index(s) if s in surfaces else -1 for s in zones.surface.tolist()])
    on = np.flatnonzero(weighs)
    etc, rain = zone_etc(site, past), zone_rain(site, past)[0]
    taw = zones.taw
    raw = adjusted_depletion_fraction(zones.depletion_fraction, etc) * taw[:, None]
    limit = dry_limit(site, taw, raw)
    wet = np.minimum(wet_limit(site, taw), (1.0 - BAND.least_band) * limit.min(axis=1))
    owed = np.nan_to_num(leaching_requirement(usual_source_ec(site), zones.ece_threshold), nan=1.0)
    seen = followed(site)[on]
    ground = Ground(
        etc[on], rain[on], raw[on], limit[on], taw[on], wet[on], zones.du_lq[on],
        np.where(zones.drained, owed, 0.0)[on], seen,
    )  # fmt: skip
    word = CAUTION[site.caution]
    price = Worth(CATCH.et * word.catch, CATCH.soft, site.price_of_a_run)
    first = max(len(past) - CATCH.days, 0)
    found = weigh(ground, group[on], zones.area[on], served_share(zones.du_lq)[on], price, first, word.extra)
    share = site.net_share.copy()
    share[on] = found.share
    return replace(site, catch_share=share), UnevenCatch(surfaces, group, on, found, ground.owed, len(past) - first)
