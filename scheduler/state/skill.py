"""Past forecasts of a site against what came."""

from __future__ import annotations

import numpy as np
import pandas as pd

from models.forecast_skill import LeadSkill, skill_by_lead
from scheduler.site import Site
from scheduler.state.demand import with_eto

LONGEST = 400  # [d] of past forecasts looked at; older ones may be another service's


def past_forecasts(site: Site, until: pd.Timestamp | None = None) -> pd.DataFrame:
    """What forecasts said of days that were then observed: one row a forecast and date, members averaged.

    Parameters
    ----------
    site : Site
    until : Timestamp, optional   Newest observed date that counts; the newest there is if not given.

    Returns
    -------
    DataFrame   issued, date, lead [d], eto, rain [mm/d], rain_probability [-], eto_came, rain_came [mm/d].
    """
    observed = site.weather if until is None else site.weather[site.weather["date"] <= until]
    columns = ["issued", "date", "lead", "eto", "rain", "rain_probability", "eto_came", "rain_came"]
    if not len(observed) or not len(site.forecast):
        return pd.DataFrame(columns=columns)
    came = with_eto(site, observed)[["date", "eto", "rain"]]
    came = came.rename(columns={"eto": "eto_came", "rain": "rain_came"})
    rows = site.forecast
    rows = rows[rows["date"].isin(came["date"]) & (rows["issued"] >= came["date"].max() - pd.Timedelta(days=LONGEST))]
    rows = rows.assign(lead=(rows["date"] - rows["issued"].dt.normalize()).dt.days)
    rows = rows[rows["lead"] >= 1]
    if not len(rows):
        return pd.DataFrame(columns=columns)
    said = (
        with_eto(site, rows)
        .groupby(["issued", "date", "lead"], as_index=False)[["eto", "rain", "rain_probability"]]
        .mean()
    )
    return said.merge(came, on="date")[columns]


def forecast_skill(site: Site) -> tuple[LeadSkill, ...]:
    """How good the site's forecasts have been, by lead day."""
    rows = past_forecasts(site)
    if not len(rows):
        return ()
    columns = ("eto", "rain", "rain_probability", "eto_came", "rain_came")
    values = [rows[name].to_numpy(float) for name in columns]
    return skill_by_lead(rows["lead"].to_numpy(np.int64), *values)
