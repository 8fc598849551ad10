"""Which nights an account is of, and which earlier seasons stand beside it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import pandas as pd

from scheduler.errors import NoPlan
from scheduler.site import Site

BESIDE = 4  # earlier seasons shown beside one, at most


@dataclass(frozen=True)
class Span:
    """Nights of an account, both included."""

    first: date
    last: date

    @property
    def nights(self) -> int:
        """Number of nights."""
        return (self.last - self.first).days + 1

    def years_earlier(self, years: int) -> Span:
        """Give the same days of an earlier year; 29 February becomes the 28th."""
        return Span(_shifted(self.first, -years), _shifted(self.last, -years))

    def words(self) -> str:
        """Name the season by its year, or by both where it goes across New Year."""
        return str(self.first.year) if self.first.year == self.last.year else f"{self.first.year}/{self.last.year}"


def choose_span(site: Site, first: date | None, last: date | None) -> Span:
    """Nights of the account: as asked, else those of the allocation, else of the year of the newest record.

    What is not asked for begins with the first night the log or a meter speaks of.

    Raises
    ------
    NoPlan    There is no record at all and no dates were given, or the dates are the wrong way round.
    """
    newest = newest_record(site)
    if last is None:
        if newest is None:
            raise NoPlan("no log of applied water, no meter and no weather: nothing to give account of")
        last = newest if site.allocation is None else min(newest, site.allocation.ends)
        if first is not None and last < first:
            last = newest
    if first is None:
        rule = site.allocation
        first = rule.starts if rule is not None and rule.starts <= last else date(last.year, 1, 1)
        begins = oldest_record(site)
        first = first if begins is None else min(max(first, begins), last)
    if last < first:
        raise NoPlan(f"the season would end on {last} before it begins on {first}")
    return Span(first, last)


def newest_record(site: Site) -> date | None:
    """Last night the log or a meter speaks of, else the last day of weather."""
    ends = [f["night"].max() for f in (site.applied, site.gone) if len(f)]
    if len(site.meter):
        local = site.meter["time"].max().tz_localize("UTC").tz_convert(site.time_zone).tz_localize(None)
        ends.append(local.normalize() - pd.Timedelta(days=1))
    if not ends and len(site.weather):
        ends.append(site.weather["date"].max())
    return max(ends).date() if ends else None


def oldest_record(site: Site) -> date | None:
    """First night the log or a meter speaks of."""
    starts = [f["night"].min().date() for f in (site.applied, site.gone) if len(f)]
    if len(site.meter):
        starts.append(site.meter["time"].min().tz_localize("UTC").tz_convert(site.time_zone).date())
    return min(starts, default=None)


def earlier_seasons(site: Site, span: Span) -> tuple[Span, ...]:
    """The same nights of earlier years of which the log or a meter says something, newest first."""
    step = max(1, -(-span.nights // 366))
    begins, found = oldest_record(site), []
    for k in range(1, BESIDE + 1):
        earlier = span.years_earlier(k * step)
        if begins is not None and earlier.last >= begins:
            found.append(earlier)
    return tuple(found)


def _shifted(day: date, years: int) -> date:
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        return day.replace(year=day.year + years, day=28)
