"""When each zone should be done, as before mowing: the times of its surface, earlier where an event follows.

The zones of an event are the first on which people work in the morning, so on the night before each day of it they
should be done by `event_finish_by`, or an hour before the window closes where the surface names no time.
"""

from __future__ import annotations

from datetime import date

import numpy as np

from models.choices import TONIGHT
from scheduler.events import event_zones
from scheduler.site import Site
from scheduler.site.windows import NightWindow


def finish_times(site: Site, night: date, window: NightWindow) -> np.ndarray:
    """Time by which each zone should be done tonight, shape (Z,) [min after 00:00 of the evening]; NaN = the close."""
    found = np.full(len(site.zones), np.nan)
    if not window.pieces:
        return found
    opens, closes = float(window.pieces[0][0]), float(window.pieces[-1][1])
    event = event_zones(site, night)
    for surface, rule in site.surfaces.items():
        own = site.zones.surface == surface
        found[own] = _minute(rule.finish_by, opens, closes)
        lead = closes - min(TONIGHT.event_lead, TONIGHT.short_night * (closes - opens))
        found[own & event] = lead if rule.event_finish_by is None else _minute(rule.event_finish_by, opens, closes)
    return found


def _minute(clock: int | None, opens: float, closes: float) -> float:
    """A clock time within the window as minutes after 00:00 of the evening; NaN where it leaves the whole window."""
    if clock is None:
        return np.nan
    minute = float(clock)
    while minute <= opens:
        minute += 1440.0
    return minute if minute < closes else np.nan
