"""The weather people ask about, day by day around an evening: as observed, else as the newest forecast has it."""

from __future__ import annotations

from datetime import date, timedelta

import pandas as pd

from scheduler.site import Site
from scheduler.state.demand import each_with_eto

BEFORE = 4  # [d] before the evening: with the evening and tomorrow, enough for a five-day mean
COLUMNS = ("tmin", "tmax", "rh", "wind", "rain", "rain_probability", "eto")


def outlook(site: Site, night: date, nights: int) -> pd.DataFrame:
    """Weather of the days around an evening, one row a date that is known.

    Parameters
    ----------
    site : Site
    night : date    Nothing observed or issued after it is used.
    nights : int    Days ahead.

    Returns
    -------
    DataFrame   Index date; tmin, tmax [degC], rh (mean of the day) [%], wind at 2 m [m/s], rain [mm], rain_probability
                [-], eto [mm], observed (bool); NaN where not known.
    """
    today = pd.Timestamp(night)
    days = pd.date_range(today - timedelta(days=BEFORE), today + timedelta(days=nights))
    seen = site.weather[site.weather["date"].isin(days) & (site.weather["date"] <= today)]
    issued = site.forecast[site.forecast["issued"] < today + timedelta(days=1)]
    told = issued[issued["issued"] == issued["issued"].max()] if len(issued) else issued
    told = told[told["date"].isin(days)]
    observed, forecast = (_daily(rows) for rows in each_with_eto(site, [seen, told]))
    table = observed.reindex(observed.index.union(forecast.index)).fillna(forecast)
    table["observed"] = table.index.isin(observed.index[observed["tmax"].notna()])
    return table[table[list(COLUMNS)].notna().any(axis=1)]


def _daily(rows: pd.DataFrame) -> pd.DataFrame:
    """Mean over the members of each date; rain and its probability as told."""
    both = (rows["rhmin"] + rows["rhmax"]) / 2.0
    rows = rows.assign(rh=rows["rh"].where(rows["rh"].notna(), both))
    if "rain_probability" not in rows:
        rows = rows.assign(rain_probability=float("nan"))
    return rows.groupby("date")[list(COLUMNS)].mean().astype(float)
