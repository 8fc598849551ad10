"""Whether a bulletin is of this place, new, whole and possible; what is not is kept out, and said."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd

from models.choices import FEEDS
from scheduler.errors import counted
from scheduler.feeds.bulletin import Bulletin, Refused
from scheduler.site.records import Site

EARTH = 6371.0  # [km]
COMPARED = (3, 7)  # days of the forecast, and observed days, whose means are compared


def distance_km(latitude: float, longitude: float, site: Site) -> float:
    """Distance between a place and the site on the sphere [km] (haversine)."""
    a, b = np.radians([latitude, site.latitude])
    east = np.radians(longitude - site.longitude)
    h = np.sin((b - a) / 2) ** 2 + np.cos(a) * np.cos(b) * np.sin(east / 2) ** 2
    return float(2 * EARTH * np.arcsin(min(1.0, np.sqrt(h))))


def check_forecast(bulletin: Bulletin, site: Site, now: datetime) -> tuple[str, ...]:
    """Look at a forecast.

    Returns
    -------
    tuple of str   What to say of it.

    Raises
    ------
    Refused
    """
    if bulletin.latitude is not None and bulletin.longitude is not None:
        away = distance_km(bulletin.latitude, bulletin.longitude, site)
        if not away <= FEEDS.farthest:
            raise Refused(f"it is for a place {away:,.0f} km away")
    if bulletin.issued is not None:
        if bulletin.issued > now + timedelta(minutes=FEEDS.ahead):
            raise Refused("its time of update lies ahead: one of the two clocks is wrong")
        if now - bulletin.issued > timedelta(hours=FEEDS.old):
            hours = (now - bulletin.issued).total_seconds() / 3600
            raise Refused(f"it was last updated {hours:.0f} h ago; an old forecast is no news")
    dates = bulletin.rows["date"]
    today = pd.Timestamp(now.date())
    coming = dates[dates > today]
    if coming.empty:
        raise Refused(f"it ends on {dates.max():%Y-%m-%d}: it says nothing of the coming days")
    if dates.min() > today + timedelta(days=1):
        raise Refused(f"it begins on {dates.min():%Y-%m-%d}: it says nothing of tomorrow")
    _check_temperature(bulletin.rows[dates >= today], site)
    said = []
    missing = int((coming.max() - coming.min()).days) + 1 - coming.nunique()
    if missing:
        said.append(f"{counted(missing, 'date')} missing between the first and the last")
    no_rain = int(bulletin.rows.loc[dates > today].groupby("date")["rain"].count().eq(0).sum())
    if no_rain:
        said.append(f"no rain is given for {counted(no_rain, 'date')}: taken as none")
    return tuple(said)


def check_observed(bulletin: Bulletin, newest: pd.Timestamp | None, now: datetime, column: str) -> tuple[str, ...]:
    """Look at observed rows: weather days, readings, runs.

    Raises
    ------
    Refused   There are none, or all lie ahead.
    """
    times = bulletin.rows[column]
    if times.empty:
        raise Refused("it holds no rows")
    local = pd.Timestamp(now.replace(tzinfo=None))
    if times.min() > local + timedelta(days=1):
        raise Refused("all its rows lie ahead: one of the two clocks is wrong")
    if newest is not None and times.max() < newest - timedelta(days=2):
        return (f"its newest row, of {times.max():%Y-%m-%d}, is older than what is held",)
    return ()


def _check_temperature(rows: pd.DataFrame, site: Site) -> None:
    """Refuse a forecast whose temperatures have nothing to do with the days just observed."""
    observed = site.weather.dropna(subset=["tmin", "tmax"]).tail(COMPARED[1])
    first: date = rows["date"].min()
    if len(observed) < COMPARED[1] or (first - observed["date"].max()).days > COMPARED[1]:
        return
    near = rows[rows["date"] < first + timedelta(days=COMPARED[0])]
    ahead = float(np.nanmean(0.5 * (near["tmin"] + near["tmax"])))
    behind = float(np.nanmean(0.5 * (observed["tmin"] + observed["tmax"])))
    if abs(ahead - behind) > FEEDS.odd:
        raise Refused(
            f"its temperatures lie {abs(ahead - behind):.0f} degC {'above' if ahead > behind else 'below'} those of "
            "the last week: another place or another unit"
        )
