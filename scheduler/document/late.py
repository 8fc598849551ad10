"""Zones that end after the time they should be done by."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np

from scheduler.document.parts import WarningPart
from scheduler.edge import format_time
from scheduler.errors import counted
from scheduler.night.records import RunnableNight
from scheduler.notes import Topic
from scheduler.plan.inputs import NightInputs
from scheduler.site import Site

NAMED = 12  # zones named in one warning


def late_warnings(site: Site, inputs: NightInputs, run: RunnableNight) -> list[WarningPart]:
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
        found.append(WarningPart(kind=Topic.FINISH, subject="finish", text=text))
    return found
