"""Which night is meant, when it opens, and where its files stand."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from scheduler.site import Site

PAST_SEASON = 14  # [d] a folder whose newest data is further from today than this is taken as a past season
LONE = np.timedelta64(30, "D")  # a date to come so far from all others says nothing of the season
SMALL_HOURS = 4  # [h] until which a night belongs to the evening before


def choose_night(site: Site, today: date) -> date:
    """Tonight, or for the folder of a past season the evening of its newest data.

    Parameters
    ----------
    site : Site
    today : date   Date at the site.
    """
    columns = (site.forecast["issued"], site.weather["date"], site.probes["time"])
    known = np.unique(np.concatenate([c.to_numpy("datetime64[D]") for c in columns]))
    while len(known) > 1 and known[-1] > np.datetime64(today) and known[-1] - known[-2] > LONE:
        known = known[:-1]  # a slip of the pen
    if not len(known) or abs((today - known[-1].item()).days) <= PAST_SEASON:
        return today
    newest: date = known[-1].item()
    return newest


def out_folder(site: Site, night: date) -> Path:
    """Where a night's files go unless told otherwise."""
    return site.folder / "out" / night.isoformat()


def opening_of(site: Site, night: date) -> pd.Timestamp:
    """Opening time of a night, local."""
    return pd.Timestamp(night) + timedelta(minutes=site.window.of(night)[0])


def last_good_plan(folder: Path) -> date | None:
    """Night of the newest plan that stands in a site folder, or None."""
    nights = []
    for plan in (folder / "out").glob("*/plan.json"):
        try:
            nights.append(date.fromisoformat(plan.parent.name))
        except ValueError:
            continue
    return max(nights, default=None)


def local_now(site: Site) -> datetime:
    """The time at the site."""
    return datetime.now(site.time_zone)


def evening_of(now: datetime) -> date:
    """Date of the evening a moment belongs to: in the small hours it is still the night before."""
    return now.date() - timedelta(days=1) if now.hour < SMALL_HOURS else now.date()
