"""The water a plan may use: supplies, permits, the horizon's share of the allocation, and drought cuts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from models.choices import DROUGHT
from models.hydraulics import M3_OF_LPS_MINUTE
from models.plan.inputs import Cut, Tier
from scheduler.notes import Note
from scheduler.site import Site
from scheduler.site.records import Allocation
from scheduler.site.windows import NightWindow, restriction_cut
from scheduler.state.demand import Demand, seasonal_eto, zone_etc
from scheduler.state.ran import runs_before
from scheduler.supply import usual_share


@dataclass(frozen=True)
class AllocationShare:
    """The season's water, and the part of it that falls to this horizon.

    Parameters
    ----------
    volume, used, left : float   [m3].
    share : float                This horizon's part of what is left, by expected demand [m3].
    part : float                 The same as a share of what is left [-].
    """

    volume: float
    used: float
    left: float
    share: float
    part: float = 1.0


def permits_left(site: Site, dates: tuple[date, ...], notes: list[Note]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Daily permits (W,), what is left of monthly ones (W, M) [m3], and the month of each night (N,)."""
    months = sorted({(d.year, d.month) for d in dates})
    month_of_night = np.array([months.index((d.year, d.month)) for d in dates])
    if not site.sources:
        return np.array([np.inf]), np.full((1, len(months)), np.inf), month_of_night
    daily = np.array([s.daily_limit for s in site.sources], dtype=float)
    monthly = np.array([s.monthly_limit for s in site.sources], dtype=float)
    left = np.repeat(monthly[:, None], len(months), axis=1)
    if np.isfinite(monthly).any():
        share, alone = usual_share(site)
        used = applied_volume(site, runs_before(site, dates[0]), date(dates[0].year, dates[0].month, 1), dates[0])
        by_source = (share * used[:, None]).sum(axis=0)
        left[:, 0] = np.maximum(left[:, 0] - by_source, 0.0)
        if (~alone & (used > 0)).any():
            notes.append(
                Note("info", "sources", "this month's use of zones with several sources is counted to the first named")
            )
    return daily, left, month_of_night


def applied_volume(site: Site, ran: pd.DataFrame, first: date, before: date) -> np.ndarray:
    """Water of the runs of nights from `first` up to but not on `before`, by zone, shape (Z,) [m3]."""
    rows = ran[(ran["night"] >= pd.Timestamp(first)) & (ran["night"] < pd.Timestamp(before))]
    zone = rows["zone"].map(pd.Series(np.arange(len(site.zones)), index=site.zones.zone)).to_numpy(float)
    inside = ~np.isnan(zone)
    zone = zone[inside].astype(np.int64)
    from_minutes = rows["minutes"].to_numpy(float)[inside] * site.zones.flow[zone] * M3_OF_LPS_MINUTE
    metered = rows["volume"].to_numpy(float)[inside]
    volume = np.where(np.isnan(metered), from_minutes, metered)
    return np.bincount(zone, weights=np.nan_to_num(volume), minlength=len(site.zones))


def gross_demand(site: Site, etc: np.ndarray, net: np.ndarray) -> np.ndarray:
    """Gross water that would replace ET, shape as etc [m3]."""
    share = net / (site.zones.flow * 60.0 / site.zones.area)
    return np.asarray(etc * (site.zones.area / 1000.0 / share)[:, None])


def allocation_share(
    site: Site, dates: tuple[date, ...], demand: Demand, etc: np.ndarray, net: np.ndarray, notes: list[Note]
) -> tuple[AllocationShare | None, float, tuple[Tier, ...]]:
    """Horizon's share of the season's water, the hard limit [m3] and the tiers."""
    rule = site.allocation
    if rule is None:
        return None, np.inf, ()
    if not rule.starts <= dates[0] <= rule.ends:
        notes.append(Note("info", "allocation", f"tonight lies outside its season ({rule.starts} to {rule.ends})"))
        return None, np.inf, ()
    ran = runs_before(site, dates[0])
    used = rule.used_before + float(applied_volume(site, ran, rule.starts, dates[0]).sum())
    near = float(gross_demand(site, etc, net).sum())  # of a horizon past the end it is all that is to come
    later_days = pd.date_range(dates[-1] + timedelta(days=2), rule.ends + timedelta(days=1))
    later = 0.0
    if len(later_days):
        expected = pd.DataFrame({"date": later_days, "eto": seasonal_eto(site, demand.past, later_days)})
        later = float(gross_demand(site, zone_etc(site, expected), net).sum())
    part = near / (near + later) if near + later > 0 else 1.0
    return share_of(rule, used, part)


def share_of(rule: Allocation, used: float, part: float) -> tuple[AllocationShare, float, tuple[Tier, ...]]:
    """Give a part of what is left of the season's water: the share, its hard limit [m3] and its tiers.

    Parameters
    ----------
    rule : Allocation
    used : float   Of the season's water so far [m3].
    part : float   Of what is left that falls to these nights [-].
    """
    left = max(rule.volume - used, 0.0)
    share = AllocationShare(rule.volume, used, left, part * left, part)
    if not rule.tiers:
        return share, part * left, ()
    tiers = tuple(Tier(max(above * rule.volume - used, 0.0) * part, price) for above, price in sorted(rule.tiers))
    return share, np.inf, tiers


def drought_cuts(
    site: Site,
    dates: tuple[date, ...],
    demand: Demand,
    etc: np.ndarray,
    net: np.ndarray,
    windows: tuple[NightWindow, ...],
    notes: list[Note],
) -> tuple[Cut, ...]:
    """Drought orders that cut demand: water of any 7 nights in a row <= (1 - cut) of the ET of their dates.

    Nights before tonight count with what was applied; a night the log does not hold counts as if it had used what the
    order allows, or nothing where watering was forbidden. A night on which no order stands has no limit.
    """
    by_night = [restriction_cut(site, d) for d in dates]
    surfaces = sorted({s for cuts in by_night for s, cut in cuts.items() if cut > 0})
    if not surfaces:
        return ()
    past = demand.past.tail(DROUGHT.nights - 1)
    past_need = gross_demand(site, zone_etc(site, past), net)  # column i: date i, after the night of the date before
    need = np.concatenate((past_need, gross_demand(site, etc, net)), axis=1)
    before = [d.date() for d in (past["date"] - timedelta(days=1))]
    ran = runs_before(site, dates[0])
    logged = {d.date() for d in ran["night"].unique()}
    found = []
    for surface in surfaces:
        zones = site.zones.surface == surface
        share = 1.0 - np.array([restriction_cut(site, d).get(surface, 0.0) for d in (*before, *dates)])
        allowed = share * need[zones].sum(axis=0)
        spent = np.array(
            [
                applied_volume(site, ran, d, d + timedelta(days=1))[zones].sum() if d in logged else allowed[i]
                for i, d in enumerate(before)
            ]
        )
        counted = [slice(max(0, i + 1 - DROUGHT.nights), i + 1) for i in range(len(before), len(before) + len(dates))]
        base = np.array([need[zones][:, nights].sum() for nights in counted])
        used = np.array([spent[nights.start :].sum() for nights in counted])
        volume = np.array([allowed[nights].sum() for nights in counted]) - used
        ordered = share[len(before) :] < 1.0
        most = np.where(ordered, np.maximum(volume, 0.0), np.inf)
        found.append(Cut(f"drought order, {surface}", zones, most, base=base, spent=used))
    if not logged:
        notes.append(Note("info", "drought order", "earlier nights are not logged; taken as watered up to the order"))
    return tuple(found)
