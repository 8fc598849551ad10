"""What an order allows in cubic metres: cuts against a base period, allowances, and the public formula by ETo.

Every order becomes rows of the plan, so it holds on each night; what it allows and what is used of it stands beside, to
be added up again from weather.csv, applied.csv and zones.csv by anyone:

========================  ==============================================================================================
cut with base             (1 - cut) of the water of the base period, by the night: nights of the order so far times the
                          mean night of the base, less what was used since it began
allowance                 a volume a night, a calendar week (Monday to Sunday) or a calendar month; what is left of a
                          month is shared with its later nights by expected demand
et_allowance              ETo of the dates since the order began, less the counted share of their rain, times area and
                          factor, less what was used since it began; night D is paid by ETo and rain of date D + 1
========================  ==============================================================================================
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from models.allowance import M2_PER_FT2, M3_PER_GAL, counted_et, et_allowance_m3, weighted_area
from models.plan.inputs import Cut
from scheduler.edge import format_short_date
from scheduler.errors import InputProblems
from scheduler.plan.water import applied_volume, gross_demand
from scheduler.site import Site
from scheduler.state.demand import Demand, evening_demand, seasonal_eto, zone_etc
from scheduler.state.ran import runs_before
from scheduler.whatif.case import Part

DAY = timedelta(days=1)


@dataclass(frozen=True)
class Order:
    """An order in cubic metres, for the nights of one plan.

    Parameters
    ----------
    kind : str                 "cut", "allowance" or "et_allowance".
    name : str                 As it is called where it binds.
    allowed, used : float      Allowed from its beginning to the last night counted, and used of it before tonight [m3].
    left : float               For these nights [m3].
    first, last : date         First and last night that `allowed` counts.
    cuts : tuple of Cut        Its rows.
    facts : dict               What `allowed` is made of, for whoever adds it up again.
    """

    kind: str
    name: str
    allowed: float
    used: float
    left: float
    first: date
    last: date
    cuts: tuple[Cut, ...]
    facts: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Standing:
    """What orders are reckoned from: the site, the nights, the demand of the case, and the log of earlier years.

    etc (Z, N) [mm], net (Z,) [mm/min];  log : night, zone, minutes, volume, as far back as it is known.
    """

    site: Site
    dates: tuple[date, ...]
    demand: Demand
    etc: np.ndarray
    net: np.ndarray
    log: pd.DataFrame

    def used(self, zones: np.ndarray, first: date) -> float:
        """Water of some zones from a night up to but not tonight [m3]."""
        if first >= self.dates[0]:
            return 0.0
        ran = runs_before(self.site, self.dates[0])
        return float(applied_volume(self.site, ran, first, self.dates[0])[zones].sum())


def water_orders(standing: Standing, parts: Sequence[Part]) -> tuple[Order, ...]:
    """Turn the water orders of a case's parts into cubic metres.

    Raises
    ------
    InputProblems   A base period is not in the log.
    """
    found: list[Order] = []
    for part in parts:
        keys = part.keys
        if not part.on(standing.dates).any():
            continue
        if keys.cut is not None and keys.base is not None:
            found.append(_cut_of_base(standing, part))
        if keys.allowance is not None:
            found += _allowances(standing, part)
        if keys.et_allowance is not None:
            found.append(_by_et(standing, part))
    return tuple(found)


def _first(standing: Standing, part: Part) -> date:
    """First night an order counts: its own first, else tonight."""
    return part.keys.starts or standing.dates[0]


def _cumulative(
    standing: Standing, part: Part, name: str, zones: np.ndarray, allowed: np.ndarray, used: float
) -> tuple[Cut, float]:
    """Rows of an order that adds up from its beginning; `allowed` (N,) up to each night. Also what is left."""
    on = part.on(standing.dates)
    since = int(np.flatnonzero(on)[0])
    volume = np.where(on, np.maximum(allowed - used, 0.0), np.inf)
    return Cut(name, zones, volume, since), float(volume[on][-1])


def _cut_of_base(standing: Standing, part: Part) -> Order:
    keys, dates = part.keys, standing.dates
    zones = part.binds(standing.site.zones.surface)
    first = _first(standing, part)
    base_first, base_last = _base(part, first, keys.ends or dates[-1])
    log = standing.log
    reach = (log["night"].min(), log["night"].max()) if len(log) else (None, None)
    if reach[0] is None or reach[0].date() > base_last or reach[1].date() < base_first:
        have = "holds no night" if reach[0] is None else f"reaches from {reach[0].date()} to {reach[1].date()}"
        words = f"the log of applied water {have}, so the water of {base_first} to {base_last} is not known; "
        words += (
            "add those nights to applied.csv"
            if reach[0] is None
            else (
                "add those nights to applied.csv, or name two dates it holds, such as "
                f'["{reach[0].date()}", "{reach[1].date()}"]'
            )
        )
        raise InputProblems([part.problem("base", words)])
    base = float(applied_volume(standing.site, log, base_first, base_last + DAY)[zones].sum())
    nights = (base_last - base_first) // DAY + 1
    so_far = np.array([max((d - first) // DAY + 1, 0) for d in dates])
    allowed = (1.0 - keys.cut) * base / nights * so_far
    used = standing.used(zones, first)
    said = (f"{format_short_date(d, standing.site.units)} {d.year}" for d in (base_first, base_last))
    name = f"{100 * keys.cut:.0f} % less than in the nights from {' to '.join(said)}"
    cut, left = _cumulative(standing, part, name, zones, allowed, used)
    last = [d for d, on in zip(dates, part.on(dates), strict=True) if on][-1]
    facts = {
        "cut": keys.cut,
        "base_from": base_first.isoformat(),
        "base_until": base_last.isoformat(),
        "base_nights": nights,
        "base_m3": base,
        "nights": (last - first) // DAY + 1,
        "log_from": reach[0].date().isoformat(),
        "log_until": reach[1].date().isoformat(),
    }
    return Order("cut", name, float(allowed[dates.index(last)]), used, left, first, last, (cut,), facts)


def _base(part: Part, first: date, last: date) -> tuple[date, date]:
    """Base period of a cut: as named, or the nights of the order in the year named."""
    base = part.keys.base
    if isinstance(base, int):
        return _in_year(first, base), _in_year(last, base + last.year - first.year)
    return base


def _in_year(day: date, year: int) -> date:
    try:
        return day.replace(year=year)
    except ValueError:  # 29 February
        return date(year, 2, 28)


def _allowances(standing: Standing, part: Part) -> list[Order]:
    """One order a night, a week or a month that the nights of the plan touch."""
    keys, dates, site = part.keys, standing.dates, standing.site
    zones = part.binds(site.zones.surface)
    on = part.on(dates)
    volume = keys.allowance[0]
    area = float(site.zones.area[zones].sum())
    whole = volume * area if keys.per == "m2_month" else volume
    groups: dict[tuple[date, str], list[int]] = {}
    for n in np.flatnonzero(on).tolist():
        groups.setdefault(_period(dates[n], keys.per, site.units), []).append(n)
    found = []
    for (begins, words), nights in groups.items():
        first = begins if keys.starts is None else max(begins, keys.starts)
        used = standing.used(zones, first)
        left = max(whole - used, 0.0)
        share = _share_of_month(standing, zones, nights) if keys.per in ("month", "m2_month") else 1.0
        row = np.full(len(dates), np.inf)
        row[nights[-1]] = left * share
        name = f"allowance, {words}"
        cut = Cut(name, zones, row, nights[0])
        facts = {"per": keys.per, "area_m2": area, "share_of_these_nights": share}
        if keys.per == "m2_month":
            facts["m3_per_m2"] = volume
        found.append(Order("allowance", name, whole, used, left * share, first, dates[nights[-1]], (cut,), facts))
    return found


def _period(night: date, per: str, units: str) -> tuple[date, str]:
    """First day of the night, week or month a night belongs to, and what it is called."""
    if per == "night":
        return night, f"night of {format_short_date(night, units)}"
    if per == "week":
        monday = night - timedelta(days=night.weekday())
        return monday, f"week of {format_short_date(monday, units)}"
    return night.replace(day=1), f"{night:%B %Y}"


def _share_of_month(standing: Standing, zones: np.ndarray, nights: list[int]) -> float:
    """Part of what is left of a month that falls to these nights, by expected demand."""
    last = standing.dates[nights[-1]]
    near = float(gross_demand(standing.site, standing.etc, standing.net)[np.ix_(zones, nights)].sum())
    end = (last.replace(day=28) + timedelta(days=4)).replace(day=1)
    if near <= 0:
        return 1.0
    days = pd.date_range(last + 2 * DAY, end)
    expected = pd.DataFrame({"date": days, "eto": seasonal_eto(standing.site, standing.demand.past, days)})
    later = float(gross_demand(standing.site, zone_etc(standing.site, expected), standing.net)[zones].sum())
    return near / (near + later)


def _by_et(standing: Standing, part: Part) -> Order:
    keys, dates, site = part.keys.et_allowance, standing.dates, standing.site
    zones = part.binds(site.zones.surface)
    first = _first(standing, part)
    past = standing.demand.past
    if first < past["date"].iloc[0].date():
        past = evening_demand(site, dates[0], len(dates), (dates[0] - first) // DAY + 1).past
    if first < dates[0] and past["date"].iloc[0].date() > first + DAY:
        words = f"the ETo since {first} is not known; weather.csv begins on {past['date'].iloc[0].date()}"
        raise InputProblems([part.problem("from", words)])
    days = pd.concat((past, standing.demand.future), ignore_index=True)
    day = np.array([t.date() for t in days["date"]])
    factor = {
        "turf": keys.factor,
        "special": keys.special_factor,
        "landscape": keys.factor if keys.landscape_factor is None else keys.landscape_factor,
    }
    area = {c: float(site.zones.area[zones & (site.zones.area_class == c)].sum()) for c in factor}
    weighted = weighted_area(area, factor)
    eto = np.array([days["eto"].to_numpy()[(day > first) & (day <= d + DAY)].sum() for d in dates])
    rain = np.array([days["rain"].to_numpy()[(day > first) & (day <= d + DAY)].sum() for d in dates])
    depth = np.array([counted_et(e, r, keys.rain_share) for e, r in zip(eto.tolist(), rain.tolist(), strict=True)])
    allowed = np.array([et_allowance_m3(d, weighted) for d in depth.tolist()])
    used = standing.used(zones, first)
    name = f"allowance by ETo since {format_short_date(first, site.units)}"
    cut, left = _cumulative(standing, part, name, zones, allowed, used)
    at = int(np.flatnonzero(part.on(dates))[-1])
    facts = {
        "eto_mm": float(eto[at]),
        "rain_mm": float(rain[at]),
        "rain_share": keys.rain_share,
        "counted_mm": float(depth[at]),
        "factors": factor,
        "area_m2": area,
        "area_ft2": {c: a / M2_PER_FT2 for c, a in area.items()},
        "rule_gal": float(allowed[at]) / M3_PER_GAL,
        "exact_m3": float(depth[at]) * weighted / 1000.0,
    }
    return Order("et_allowance", name, float(allowed[at]), used, left, first, dates[at], (cut,), facts)
