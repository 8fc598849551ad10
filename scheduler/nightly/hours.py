"""When the nightly run of a site begins, and by when a plan must stand: wall-clock times before the window opens.

A wall-clock time names one moment even when clocks change: one that the spring skips is read as if the clock had not
changed, one that the autumn shows twice is its first.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from models.choices import UNATTENDED
from scheduler.site.records import WindowRule
from scheduler.site.unattended_records import NightlyRule


@dataclass(frozen=True)
class Hours:
    """One evening's moments, in UTC: the run begins, a plan must stand, the window opens."""

    starts: datetime
    by: datetime
    opens: datetime


def hours_of(night: date, window: WindowRule, rule: NightlyRule, zone: ZoneInfo) -> Hours:
    """Give the hours of an evening.

    Parameters
    ----------
    night : date
    window : WindowRule
    rule : NightlyRule
    zone : ZoneInfo
    """
    opens = window.of(night)[0]
    by = opens - UNATTENDED.before_opening if rule.by is None else rule.by
    starts = by - UNATTENDED.run if rule.starts is None else rule.starts
    return Hours(moment_of(night, starts, zone), moment_of(night, by, zone), moment_of(night, opens, zone))


def moment_of(night: date, minute: int, zone: ZoneInfo) -> datetime:
    """A wall-clock minute after 00:00 of a date as a moment in UTC."""
    wall = datetime(night.year, night.month, night.day) + timedelta(minutes=minute)
    return wall.replace(tzinfo=zone).astimezone(UTC)
