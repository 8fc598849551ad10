"""What the turf asked for and how it stood: demand, effective rain, dry and soft zone-days.

The course of depletion is reckoned by the daily balance from what the log says was put on; it was not measured. A zone
counts as dry on a date whose ET leaves it drier than its limit, and as soft on a night whose water leaves it wetter
than its firmness limit, by more than 2 % of available water, as on the night sheet.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd

from models.choices import SEASON, TOLD
from models.soil import adjusted_depletion_fraction, run_balance
from scheduler.events import event_nights
from scheduler.site import Site
from scheduler.state.demand import FALLBACK, Demand, evening_demand, zone_etc, zone_rain

DRIEST = 0.05  # [-] of TAW: no limit is drier, as in the plan
STANDS_IN = ("forecast", "mean of the days around", "no forecast", FALLBACK)  # routes of ETo that nobody observed


@dataclass(frozen=True)
class Days:
    """Weather by date of the season; NaN where nothing is known of a date.

    eto, rain : ndarray (N,) [mm];  eto_observed, rain_observed : ndarray (N,) whether observed.
    """

    dates: pd.DatetimeIndex
    eto: np.ndarray
    rain: np.ndarray
    eto_observed: np.ndarray
    rain_observed: np.ndarray


@dataclass(frozen=True)
class Turf:
    """The zones of zones.csv over the season; arrays (Z, N).

    demand, effective_rain : [mm] of each date;  unmet : ET that dry soil withheld, reckoned [mm];
    dry, soft : bool;  start : ndarray (Z,) depletion at the first opening, reckoned [mm].
    """

    demand: np.ndarray
    effective_rain: np.ndarray
    unmet: np.ndarray
    dry: np.ndarray
    soft: np.ndarray
    start: np.ndarray


def season_days(site: Site, first: date, last: date) -> tuple[Days, Demand]:
    """Weather of the dates from `first` to `last`, and of the lead-in before them."""
    demand = evening_demand(site, last, 1, longest=(last - first).days + SEASON.lead_in)
    dates = pd.date_range(first, last)
    past = demand.past.set_index("date")
    table = past[["eto", "rain", "route"]].reindex(dates)
    observed = site.weather.drop_duplicates("date", keep="last").set_index("date")["rain"].reindex(dates)
    nothing = (past["route"] == FALLBACK).all()
    if nothing:  # an assumed day says nothing of a season
        demand = replace(demand, past=demand.past.assign(eto=0.0, rain=0.0))
    eto = np.full(len(dates), np.nan) if nothing else table["eto"].to_numpy(float)
    route = table["route"].fillna(FALLBACK)
    rain = table["rain"].to_numpy(float)
    return Days(
        dates, eto, np.full(len(dates), np.nan) if nothing else rain,
        ~route.isin(STANDS_IN).to_numpy() & np.isfinite(eto), observed.notna().to_numpy(),
    ), demand  # fmt: skip


def limits_of(site: Site, etc: np.ndarray, taw: np.ndarray, nights: tuple[date, ...]) -> tuple[np.ndarray, ...]:
    """Depletion fraction, and the depletions above which a zone is dry and below which it is soft, each (Z, N)."""
    p = adjusted_depletion_fraction(site.zones.depletion_fraction, etc)
    rules = [site.surfaces[s] for s in site.zones.surface]
    floor = np.array([np.nan if r.moisture_floor is None else r.moisture_floor for r in rules])
    dry = np.where(np.isnan(floor)[:, None], p * taw[:, None], ((1.0 - floor) * taw)[:, None])
    dry = np.maximum(dry, DRIEST * taw[:, None])
    firm = event_nights(site, nights).firm
    normal, event = (np.array([getattr(r, n) for r in rules]) for n in ("firmness_limit", "event_firmness_limit"))
    wet = np.where(firm, (1.0 - event)[:, None], (1.0 - normal)[:, None]) * taw[:, None]
    return p, dry, np.minimum(wet, 0.8 * dry)


def season_turf(site: Site, demand: Demand, net: np.ndarray, lead: np.ndarray, first: date, last: date) -> Turf:
    """Run the balance of every zone over the season.

    Parameters
    ----------
    site : Site
    demand : Demand              As `season_days` gives it.
    net : ndarray (Z, N)         Net depth of each night of the season, as logged [mm].
    lead : ndarray (Z, L)        The same of the nights of the lead-in [mm].
    """
    lead_nights = pd.date_range(first - timedelta(days=lead.shape[1]), first - timedelta(days=1))
    days = demand.past.set_index("date")[["eto", "rain"]]
    days = days.reindex(pd.date_range(lead_nights[0] if len(lead_nights) else first, last))
    table = days.fillna(0.0).rename_axis("date").reset_index()
    etc, (rain, _) = zone_etc(site, table), zone_rain(site, table)
    zones = site.zones
    taw = zones.taw
    whole = tuple(d.date() for d in table["date"])
    p, dry, soft = limits_of(site, etc, taw, whole)
    water = np.concatenate((lead, net), axis=1)
    # the night of a date comes before the next date's ET: column n is night n and date n + 1
    later = [np.concatenate((a[:, 1:], a[:, -1:] * 0.0), axis=1) for a in (etc, rain)]
    next_p = np.concatenate((p[:, 1:], p[:, -1:]), axis=1)
    run = run_balance(np.zeros(len(zones)), water, later[0], later[1], taw, next_p)
    opened = np.concatenate((np.zeros((len(zones), 1)), run.depletion[:, :-1]), axis=1)
    next_dry = np.concatenate((dry[:, 1:], dry[:, -1:]), axis=1)
    is_dry = run.depletion > next_dry + TOLD.apart * taw[:, None]
    is_soft = np.maximum(opened - water, 0.0) < soft - TOLD.apart * taw[:, None]
    k = lead.shape[1]
    unmet = np.maximum(later[0] - run.etc_actual, 0.0)
    unmet[:, -1], is_dry[:, -1] = 0.0, False  # the date after the last night is not part of the season
    return Turf(etc[:, k:], rain[:, k:], unmet[:, k:], is_dry[:, k:], is_soft[:, k:], opened[:, k])
