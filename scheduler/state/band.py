"""The moisture band of a surface as depletions: what counts as dry and what as soft."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.choices import BAND, CATCH
from scheduler.site import Site
from scheduler.state.caution import CAUTION
from scheduler.state.demand import Demand, zone_etc, zone_rain
from scheduler.state.evening import StartState

DRIEST_FLOOR = 0.02  # [-] of TAW kept between any dry limit and the wilting point
HEARD = ("probe", "kin")  # origins of an estimate that a probe would set right
# Soils that give their water at little suction and then hardly any: on those of tests/physics stress sets in at 1.5 to
# 2 times RAW, less than two days of ET beyond it, on loams at 2.3 to 3 times, over gravel past 3.
LIGHT = ("sand", "loamy_sand", "sandy_loam", "sand_rootzone")


@dataclass(frozen=True)
class Watched:
    """What lets turf be led past RAW on an evening.

    Parameters
    ----------
    spread : ndarray (Z,)   Of the estimate of depletion [mm]; inf where no probe speaks for the zone.
    rained : ndarray (Z,)   Share of ET that rain brought lately [-], at most 1.
    """

    spread: np.ndarray
    rained: np.ndarray


def watched(site: Site, demand: Demand, state: StartState) -> Watched:
    """How well each zone is followed by probes, and how much of its ET rain brought over the last `CATCH.days`.

    Without `CATCH.fewest` days of weather no rain is reckoned with.
    """
    spread = np.where(np.isin(state.origin, HEARD), state.spread, np.inf)
    past = demand.past.tail(CATCH.days)
    if min(len(past), demand.observed_days) < CATCH.fewest:
        return Watched(spread, np.zeros(spread.size))
    etc, rain = zone_etc(site, past).sum(axis=1), zone_rain(site, past)[0].sum(axis=1)
    return Watched(spread, np.minimum(rain / np.maximum(etc, 1e-9), 1.0))


def eased_raw(site: Site, taw: np.ndarray, raw: np.ndarray, seen: Watched | None = None) -> np.ndarray:
    """Depletion up to which the plan lets turf stand unharmed, (Z, N) [mm]: RAW, more where little speaks against it.

    `RAW + (1 - met) (TAW - RAW)`: there by FAO-56 Eq. 84 turf still takes `met` of its ET. By the word, and less the
    more of ET rain brings, where probes are heard; on light soils, where a millimetre saved costs most, `BAND.light` of
    it.
    Where probes are heard it is also led to the depletion before which stress sets in with no more than a chance by the
    word: `onset RAW - sure (1 - room rained) sqrt(spread^2 + (onset_spread RAW)^2)`, from what is not known of the
    ground and of where the zone stands. What drier turf buys is room for rain: the more of its ET rain brings, the more
    is dared. Not on light soils but for greens fed from their sand over gravel; not on surfaces whose moisture floor is
    told, where the manager has said how dry; not past what a record taught.
    With the surfaces served first rain counts for nothing, and of all that lies past RAW only `BAND.first` is dared.

    Parameters
    ----------
    site : Site
    taw : ndarray (Z,)     Total available water [mm].
    raw : ndarray (Z, N)   Readily available water [mm].
    seen : Watched, optional   Without it no zone is watched.
    """
    word, zones = CAUTION[site.caution], site.zones
    told = np.array([site.surfaces[s].moisture_floor is not None for s in zones.surface], dtype=bool)
    light = np.isin(zones.soil, LIGHT) & ~zones.over_gravel
    first = zones.priority == zones.priority.min()
    taught = np.isin(zones.zone, [zone for zone, quantity, *_ in site.learned if quantity == "depletion_fraction"])
    rained = np.zeros(zones.zone.size)
    if seen is not None:
        rained = np.where(np.isfinite(seen.spread) & ~taught & ~first, seen.rained, 0.0)
    met = word.met + (word.rained - word.met) * rained
    let = np.where(told, 0.0, np.where(light, BAND.light, 1.0) * (1.0 - met))[:, None]
    by_word = raw + let * (taw[:, None] - raw)
    if seen is None or not np.isfinite(word.sure):
        return _dared(by_word, raw, first)
    unsure = np.hypot(seen.spread[:, None], BAND.onset_spread * raw)
    likely = BAND.onset * raw - word.sure * (1.0 - word.room * rained)[:, None] * unsure
    open_ = ~told & ~taught & ~light
    likely = np.where(open_[:, None], np.minimum(likely, BAND.driest * taw[:, None]), raw)
    return _dared(np.maximum(by_word, likely), raw, first)


def _dared(eased: np.ndarray, raw: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Of what turf may dry past RAW, `BAND.first` with the surfaces served first."""
    return np.asarray(raw + np.where(first, BAND.first, 1.0)[:, None] * (eased - raw))


def dry_limit(site: Site, taw: np.ndarray, raw: np.ndarray, seen: Watched | None = None) -> np.ndarray:
    """Depletion above which each zone-night is dry, (Z, N) [mm]: `eased_raw`, or the moisture floor of its surface.

    Parameters
    ----------
    site : Site
    taw : ndarray (Z,)     Total available water [mm].
    raw : ndarray (Z, N)   Readily available water [mm].
    seen : Watched, optional   As of `eased_raw`.
    """
    floors = [site.surfaces[s].moisture_floor for s in site.zones.surface]
    floor = np.array([np.nan if f is None else f for f in floors])
    asked = np.minimum(1.0 - floor, 1.0 - DRIEST_FLOOR)[:, None] * taw[:, None]
    limit = np.where(np.isnan(floor)[:, None], eased_raw(site, taw, raw, seen), asked)
    return np.maximum(limit, DRIEST_FLOOR * taw[:, None])


def wet_limit(site: Site, taw: np.ndarray) -> np.ndarray:
    """Depletion below which each zone is soft on an ordinary night, (Z,) [mm]."""
    firm = np.array([site.surfaces[s].firmness_limit for s in site.zones.surface])
    return np.asarray((1.0 - firm) * taw)
