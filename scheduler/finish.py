"""When each zone should be done, as before mowing: the times of its surface, earlier where an event follows.

The zones of an event are the first on which people work in the morning, so on the night before each day of it they
should be done by `event_finish_by`, or an hour before the window closes where the surface names no time.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from scheduler.errors import counted
from scheduler.sheets.edge import format_time
from scheduler.site import Site
from scheduler.site.windows import NightWindow

if TYPE_CHECKING:
    from scheduler.inputs import NightInputs
    from scheduler.timetable import RunnableNight

EVENT_LEAD = 60.0  # [min] before the close by which an event's zones should be done; common practice, no source
SHORT_NIGHT = 0.25  # [-] of a short window that the lead takes at most; our choice
NAMED = 12  # zones named in one warning
EVENTS = ("tournament", "firm")  # kinds of event on which a surface is prepared and played in the morning


def finish_times(site: Site, night: date, window: NightWindow) -> np.ndarray:
    """Time by which each zone should be done tonight, shape (Z,) [min after 00:00 of the evening]; NaN = the close."""
    found = np.full(len(site.zones), np.nan)
    if not window.pieces:
        return found
    opens, closes = float(window.pieces[0][0]), float(window.pieces[-1][1])
    event = event_zones(site, night)
    for surface, rule in site.surfaces.items():
        own = site.zones.surface == surface
        found[own & ~event] = _minute(rule.finish_by, opens, closes)
        lead = closes - min(EVENT_LEAD, SHORT_NIGHT * (closes - opens))
        found[own & event] = lead if rule.event_finish_by is None else _minute(rule.event_finish_by, opens, closes)
    return found


def late_warnings(site: Site, inputs: NightInputs, run: RunnableNight) -> list[dict[str, str]]:
    """Zones that end after the time they should be done by, one warning a time, the latest first."""
    job, table = run.job, run.timetable
    if job is None or table is None or job.finish_by is None or not table.after_finish_by.any():
        return []
    ends = np.full(job.zones, -np.inf)
    np.maximum.at(ends, table.zone, table.end)
    midnight = datetime.combine(inputs.dates[0], datetime.min.time())

    def clock(minute: float) -> str:
        return format_time(midnight + timedelta(minutes=minute), site.units)

    found = []
    for time in np.unique(job.finish_by[table.after_finish_by]).tolist():
        late = np.flatnonzero(table.after_finish_by & (job.finish_by == time))
        late = late[np.argsort(-ends[late], kind="stable")]
        named = ", ".join(f"{site.zones.zone[z]} ({clock(ends[z])})" for z in late[:NAMED].tolist())
        more = f" and {late.size - NAMED:,} more" if late.size > NAMED else ""
        text = f"{counted(late.size, 'zone')} should be done by {clock(time)} and run past it, until: {named}{more}"
        found.append({"subject": "finish", "text": text})
    return found


def event_zones(site: Site, night: date) -> np.ndarray:
    """Zones of an event on the day after a night, shape (Z,)."""
    tomorrow = pd.Timestamp(night + timedelta(days=1))
    on = np.zeros(len(site.zones), dtype=bool)
    for row in site.calendar.itertuples():
        until = row.until if pd.notna(row.until) else row[1]
        if row.event in EVENTS and row[1] <= tomorrow <= until:
            on |= (site.zones.surface == row.target) | (site.zones.zone == row.target)
    return on


def _minute(clock: int | None, opens: float, closes: float) -> float:
    """A clock time within the window as minutes after 00:00 of the evening; NaN where it leaves the whole window."""
    if clock is None:
        return np.nan
    minute = float(clock)
    while minute <= opens:
        minute += 1440.0
    return minute if minute < closes else np.nan
