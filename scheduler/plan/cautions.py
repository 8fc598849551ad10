"""What each word for caution would have done: the last weeks played again, evening by evening, under each of them.

Every zone by itself, by the forecasts as they were issued, the weather that came and the project's own water balance:
what a word costs in water and in dry zones. Pumps, permits and salt are left aside, as they are the same for all words.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from models.choices import PRICES, TOLD
from models.forecast_members import reduced, usual_courses, weathers
from models.hydraulics import served_share
from models.plan.inputs import Members
from models.plan.refill import refill
from models.runoff import curve_number, effective_rain
from models.soil import adjusted_depletion_fraction, balance_day
from models.uneven_catch import PLACE_SHARE, place_catch
from scheduler.events import event_nights
from scheduler.plan.inputs import Day, moisture_band
from scheduler.plan.weathers import DRAWN, SEED, margin_share
from scheduler.site import Site
from scheduler.state.band import watched
from scheduler.state.caution import CAUTION, STRICTEST
from scheduler.state.demand import Demand, evening_demand, zone_etc
from scheduler.state.evening import StartState, starting_state
from scheduler.state.filtered import followed
from scheduler.state.past_forecasts import PastForecasts, past_forecasts
from scheduler.state.uneven import with_weighed_catch
from scheduler.supply import net_rates

NIGHTS = 120  # played at most: a season
FEWEST = 14  # evenings with a forecast; with fewer nothing is said
MEMBERS = 10
MOST_ZONES = 150  # played; of more, evenly spread ones stand for all


@dataclass(frozen=True)
class Lived:
    """What a word for caution would have done.

    Parameters
    ----------
    word : str
    water : float   With what the soil misses at the end filled up, so that words are alike in that [m3].
    dry : int       Zone-days on which the drier half of a zone passes its dry limit: that of the strictest word.
    runs : int      Of zones.
    """

    word: str
    water: float
    dry: int
    runs: int


@dataclass(frozen=True)
class Lives:
    """All words over the same evenings.

    Parameters
    ----------
    first, last : date
    evenings : int
    words : tuple of Lived
    """

    first: date
    last: date
    evenings: int
    words: tuple[Lived, ...]


@dataclass(frozen=True)
class _Zones:
    """What a depth is chosen by, as `PlanInputs` names it."""

    etc: np.ndarray
    effective_rain: np.ndarray
    taw: np.ndarray
    dry_limit: np.ndarray
    wet_limit: np.ndarray
    depletion: np.ndarray
    members: Members | None


def lived_by_caution(site: Site) -> Lives | None:
    """Play the last evenings again under each word; None where the record holds too few forecasts.

    Parameters
    ----------
    site : Site
    """
    observed = site.weather["date"].max()
    if pd.isna(observed):
        return None
    night = observed.date()
    told = past_forecasts(site, night, site.nights, NIGHTS)
    if told.evening.size < FEWEST:
        return None
    first = pd.Timestamp(told.evening[0]).date()
    demand = evening_demand(site, night, site.nights)
    opens, _ = site.window.of(night)
    state = starting_state(site, night, opens, demand, net_rates(site))
    found = tuple(_played(replace(site, caution=word), first, night, told, state) for word in CAUTION)
    return Lives(first, pd.Timestamp(told.evening[-1]).date(), told.evening.size, found)


@dataclass(frozen=True)
class _Stretch:
    """The evenings a word is played over; of the zones that are played (Y,), by date where that is said.

    Parameters
    ----------
    some : ndarray (Y,)                    Which zones of the site.
    kc : ndarray (Y, D)                    ETc over ETo on the date after each evening [-].
    limit, margin, wet : ndarray (Y, D)    The band of the word [mm].
    strict : ndarray (Y, D)                Dry limit of the strictest word, by which all are compared [mm].
    closed : ndarray (Y, D)                Evenings on which a zone may not run.
    taw, longest, fraction : ndarray (Y,)  TAW [mm], longest run [mm], depletion fraction [-].
    served : ndarray (2, Y)                What of a run is counted by the plan, and reaches the drier half [-].
    catch : ndarray (3, Y)                 What places catch of its mean [-], `models.uneven_catch.place_catch`.
    followed : ndarray (Y,)                Whether the filter would follow them: runs are then made for their mean.
    groups : ndarray (Z,)                  Curve numbers.
    usual : tuple                          Usual errors of forecasts.
    """

    some: np.ndarray
    kc: np.ndarray
    limit: np.ndarray
    margin: np.ndarray
    strict: np.ndarray
    wet: np.ndarray
    closed: np.ndarray
    taw: np.ndarray
    longest: np.ndarray
    fraction: np.ndarray
    served: np.ndarray
    catch: np.ndarray
    followed: np.ndarray
    groups: np.ndarray
    usual: Any


def _stretch(
    site: Site, first: date, night: date, told: PastForecasts, state: StartState, demand: Demand
) -> _Stretch:
    """Lay out the evenings from the first forecast on."""
    some, zones, n = _spread(len(site.zones)), site.zones, told.eto.shape[1]
    dates = pd.date_range(first, periods=int((told.evening[-1] - told.evening[0]) / np.timedelta64(1, "D")) + n)
    coefficient = zone_etc(site, pd.DataFrame({"date": dates + timedelta(days=1), "eto": 1.0}))
    events = event_nights(site, tuple(d.date() for d in dates))
    usual_etc = coefficient * told.eto.mean()
    day = Day(usual_etc, adjusted_depletion_fraction(zones.depletion_fraction, usual_etc), events)
    band = moisture_band(site, state, None, day, margin_share(site, several=True), [], watched(site, demand, state))
    strict = moisture_band(replace(site, caution=STRICTEST), state, None, day, 0.0, [])
    return _Stretch(
        some=some,
        kc=coefficient[some],
        limit=band.limit[some],
        margin=band.margin[some],
        strict=strict.limit[some],
        wet=band.wet[some],
        closed=events.dry[some],
        taw=state.taw[some],
        longest=(zones.max_run * zones.gross_rate)[some],
        fraction=zones.depletion_fraction[some],
        served=np.stack((site.net_share[some], served_share(zones.du_lq)[some])),
        catch=place_catch(zones.du_lq[some]).T,
        followed=followed(site)[some],
        groups=curve_number(zones.hydrologic_group.tolist()),
        usual=usual_courses(DRAWN, n, np.random.default_rng([SEED, night.toordinal()])),
    )


def _run_of(s: _Stretch, site: Site, told: PastForecasts, m: int, i: int, depletion: np.ndarray) -> np.ndarray:
    """What each zone gets on the evening of forecast m, date i of the stretch, shape (Y,) [mm]."""
    ahead = slice(i, i + told.eto.shape[1])
    kc, chance = s.kc[:, ahead], told.told_chance[m]
    eto, rain = weathers(s.usual, told.told_eto[m], told.told_amount[m], chance)
    kept, weight = reduced(eto, rain, MEMBERS)
    main = 1.0 / (kept.size + 1)
    fell = [effective_rain(r[None, :], s.groups)[0][s.some] for r in rain[kept]]
    zones = _Zones(
        etc=kc * told.told_eto[m],
        effective_rain=effective_rain(told.told_amount[m][None, :], s.groups)[0][s.some] * chance,
        taw=s.taw,
        dry_limit=s.limit[:, ahead] - s.margin[:, ahead],
        wet_limit=s.wet[:, ahead],
        depletion=depletion,
        members=Members(weight * (1.0 - main), kc[None] * eto[kept][:, None, :], np.stack(fell)),
    )
    depth = refill(zones, PRICES.turf * CAUTION[site.caution].worth, site.price_of_a_run).depth
    return np.where(s.closed[:, i], 0.0, np.minimum(depth / s.served[0], s.longest))


def _played(site: Site, first: date, night: date, told: PastForecasts, state: StartState) -> Lived:
    """One word over the evenings that have a forecast; other evenings do without water."""
    demand = evening_demand(site, night, told.eto.shape[1])
    site, _ = with_weighed_catch(site, demand)
    s = _stretch(site, first, night, told, state, demand)
    start = 0.5 * s.strict[:, 0]
    caught = np.concatenate((s.served, s.catch))  # where runs are made for, the drier half, and the places
    depletion = np.repeat(start[None], len(caught), axis=0)
    water, dry, runs = np.zeros(s.some.size), 0, 0
    for m, evening in enumerate(told.evening):
        i = int((evening - told.evening[0]) / np.timedelta64(1, "D"))
        gross = _run_of(s, site, told, m, i, _believed(s, depletion))
        water += gross
        runs += int((gross > 0).sum())
        etc = s.kc[:, i] * told.eto[m, 0]
        rain = effective_rain(np.array([[told.rain[m, 0]]]), s.groups)[0][s.some, 0]
        p = adjusted_depletion_fraction(s.fraction, etc[:, None])[:, 0]
        for k, share in enumerate(caught):
            depletion[k] = balance_day(depletion[k], gross * share, etc, rain, s.taw, p).depletion
        dry += int((depletion[1] > s.strict[:, i] + TOLD.apart * s.taw).sum())
    water += (_believed(s, depletion) - start) / np.where(s.followed, 1.0, s.served[0])
    area, zones = site.zones.area, len(site.zones) / s.some.size
    volume = area.sum() / area[s.some].sum() * (water * area[s.some]).sum() / 1000.0
    return Lived(site.caution, float(volume), round(dry * zones), round(runs * zones))


def _believed(s: _Stretch, depletion: np.ndarray) -> np.ndarray:
    """What an evening would take each depletion for, (Y,) [mm]: the mean of the places where a probe is heard."""
    return np.where(s.followed, PLACE_SHARE @ depletion[2:], depletion[0])


def _spread(zones: int) -> np.ndarray:
    """Zones that are played: all, or evenly spread ones."""
    return np.unique(np.linspace(0, zones - 1, min(zones, MOST_ZONES)).round().astype(int))
