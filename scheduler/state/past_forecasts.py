"""Past forecasts against what came: the record a site's own skill is read from."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from scheduler.site import Site
from scheduler.state.demand import each_with_eto


@dataclass(frozen=True)
class PastForecasts:
    """Forecasts of M past evenings, of the N dates after each, all of them observed since; other arrays (M, N).

    Parameters
    ----------
    evening : ndarray (M,)                         Dates.
    told_eto, told_amount, told_chance : ndarray   ETo [mm/d], rain where it falls [mm], its chance [-].
    eto, rain : ndarray                            What came [mm/d].
    """

    evening: np.ndarray
    told_eto: np.ndarray
    told_amount: np.ndarray
    told_chance: np.ndarray
    eto: np.ndarray
    rain: np.ndarray


def past_forecasts(site: Site, night: date, nights: int, most: int) -> PastForecasts:
    """The newest forecast of each of the last evenings whose dates have all been observed.

    Parameters
    ----------
    site : Site
    night : date    This evening; nothing newer is used.
    nights : int    Dates N of each.
    most : int      Evenings to look back over.
    """
    today = pd.Timestamp(night)
    rows = site.forecast
    evening = rows["issued"].dt.normalize()
    lead = (rows["date"] - evening).dt.days
    since = today - timedelta(days=most + nights)
    rows = rows[(evening >= since) & (evening <= today - timedelta(days=nights)) & (lead >= 1) & (lead <= nights)]
    evening, lead = evening[rows.index], lead[rows.index]
    newest = rows.groupby(evening)["issued"].transform("max") == rows["issued"]
    rows, evening, lead = rows[newest], evening[newest], lead[newest]
    evenings = np.sort(evening.unique())
    shape = (evenings.size, nights)
    told = {name: np.full(shape, np.nan) for name in ("eto", "rain", "rain_probability")}
    known, observed = each_with_eto(site, [rows, site.weather[site.weather["date"] >= since]])
    if evenings.size:
        place = (np.searchsorted(evenings, evening.to_numpy()), lead.to_numpy() - 1)
        for name, values in told.items():
            values[place] = known[name].to_numpy(float)
    observed = observed.drop_duplicates("date", keep="last").set_index("date")
    dates = evenings[:, None] + (np.arange(nights) + 1)[None, :] * np.timedelta64(1, "D")
    came = observed.reindex(dates.ravel())
    eto, rain = came["eto"].to_numpy(float).reshape(shape), came["rain"].to_numpy(float).reshape(shape)
    whole = ~np.isnan(np.stack((told["eto"], eto, rain))).any(axis=(0, 2))
    return PastForecasts(
        evenings[whole],
        told["eto"][whole],
        np.nan_to_num(told["rain"][whole]),
        np.where(np.isnan(told["rain_probability"][whole]), 1.0, told["rain_probability"][whole]),
        eto[whole],
        rain[whole],
    )
