"""What each word for caution would have done: the last weeks played again, evening by evening, under each of them.

Every zone by itself, by the forecasts as they were issued, the weather that came and the project's own water balance:
what a word costs in water and in dry zones. Pumps, permits and salt are left aside, as they are the same for all words.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd

from models.choices import PRICES
from models.forecast_members import reduced, usual_courses, weathers
from models.hydraulics import served_share
from models.plan.inputs import Members
from models.plan.refill import refill
from models.soil import adjusted_depletion_fraction, balance_day, curve_number, effective_rain
from scheduler.events import event_nights
from scheduler.plan.inputs import Day, moisture_band
from scheduler.plan.weathers import DRAWN, SEED, margin_share
from scheduler.site import Site
from scheduler.state.caution import CAUTION
from scheduler.state.demand import evening_demand, zone_etc
from scheduler.state.evening import StartState, starting_state
from scheduler.state.past_forecasts import PastForecasts, past_forecasts
from scheduler.state.uneven import with_weighed_catch
from scheduler.supply import net_rates

NIGHTS = 120  # played at most: a season
FEWEST = 14  # evenings with a forecast; with fewer nothing is said
MEMBERS = 10
MOST_ZONES = 150  # played; of more, evenly spread ones stand for all
TOLD_APART = 0.02  # of TAW beyond the limit from which a zone-day counts as dry [-]


@dataclass(frozen=True)
class Lived:
    """What a word for caution would have done.

    Parameters
    ----------
    word : str
    water : float   With what the soil misses at the end filled up, so that words are alike in that [m3].
    dry : int       Zone-days on which the drier half of a zone passes its dry limit.
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


def _played(site: Site, first: date, night: date, told: PastForecasts, state: StartState) -> Lived:
    """One word over the evenings that have a forecast; other evenings do without water."""
    some = _spread(len(site.zones))
    n = told.eto.shape[1]
    demand = evening_demand(site, night, n)
    site, _ = with_weighed_catch(site, demand)
    dates = pd.date_range(first, periods=int((told.evening[-1] - told.evening[0]) / np.timedelta64(1, "D")) + n)
    coefficient = zone_etc(site, pd.DataFrame({"date": dates + timedelta(days=1), "eto": 1.0}))
    groups = curve_number(site.zones.hydrologic_group.tolist())
    came = {e: (told.eto[m, 0], told.rain[m, 0]) for m, e in enumerate(told.evening)}
    at = {e: i for i, e in enumerate(dates.to_numpy())}
    usual = usual_courses(DRAWN, n, np.random.default_rng([SEED, night.toordinal()]))
    taw, served, half = state.taw[some], site.net_share[some], served_share(site.zones.du_lq)[some]
    longest = (site.zones.max_run * site.zones.gross_rate)[some]  # mm
    events = event_nights(site, tuple(d.date() for d in dates))
    etc_all = coefficient * told.eto.mean()
    band = moisture_band(
        site, state, None, Day(etc_all, adjusted_depletion_fraction(site.zones.depletion_fraction, etc_all), events),
        margin_share(site, several=True), [],
    )  # fmt: skip
    depletion = np.repeat(0.5 * band.limit[some, 0][None], 2, axis=0)  # where runs are made for, and the drier half
    water, dry, runs = np.zeros(some.size), 0, 0
    for m, evening in enumerate(told.evening):
        i = at[evening]
        ahead = slice(i, i + n)
        kc, limit = coefficient[some, ahead], band.limit[some, ahead]
        chance = told.told_chance[m]
        eto, rain = weathers(usual, told.told_eto[m], told.told_amount[m], chance)
        kept, weight = reduced(eto, rain, MEMBERS)
        main = 1.0 / (kept.size + 1)
        fell = [effective_rain(r[None, :], groups)[0][some] for r in rain[kept]]
        expected = effective_rain(told.told_amount[m][None, :], groups)[0][some] * chance
        zones = _Zones(
            kc * told.told_eto[m], expected, taw, limit - band.margin[some, ahead], band.wet[some, ahead], depletion[0],
            Members(weight * (1.0 - main), kc[None] * eto[kept][:, None, :], np.stack(fell)),
        )  # fmt: skip
        depth = refill(zones, PRICES.turf * CAUTION[site.caution].worth, site.price_of_a_run).depth
        gross = np.minimum(depth / served, longest)
        gross = np.where(events.dry[some, i], 0.0, gross)
        water += gross
        runs += int((gross > 0).sum())
        true_eto, true_rain = came[evening]
        etc, wet = coefficient[some, i] * true_eto, effective_rain(np.array([[true_rain]]), groups)[0][some, 0]
        p = adjusted_depletion_fraction(site.zones.depletion_fraction[some], etc[:, None])[:, 0]
        for k, share in enumerate((served, half)):
            depletion[k] = balance_day(depletion[k], gross * share, etc, wet, taw, p).depletion
        dry += int((depletion[1] > limit[:, 0] + TOLD_APART * taw).sum())
    water += (depletion[0] - 0.5 * band.limit[some, 0]) / served
    scale = site.zones.area.sum() / site.zones.area[some].sum()
    return Lived(
        site.caution, float(scale * (water * site.zones.area[some]).sum() / 1000.0),
        round(dry * len(site.zones) / some.size), round(runs * len(site.zones) / some.size),
    )  # fmt: skip


def _spread(zones: int) -> np.ndarray:
    """Zones that are played: all, or evenly spread ones."""
    return np.unique(np.linspace(0, zones - 1, min(zones, MOST_ZONES)).round().astype(int))
