"""The calendar, read once: zone-nights kept firm, dry or free of flushes, and zones played on in the morning.

A night is named by the date of its evening. An event without an end lasts one day; its target is a surface or one zone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from models.choices import EVENTS
from scheduler.site import Site

PLAYED = ("tournament", "firm")  # kinds of event on which a surface is prepared and played in the morning


@dataclass(frozen=True)
class EventNights:
    """Zone-nights around events, each of shape (Z, N): kept firm, and kept dry."""

    firm: np.ndarray
    dry: np.ndarray


@dataclass(frozen=True)
class _Event:
    """One row of the calendar: what, from and until which day, and for which zones (Z,)."""

    kind: str
    begins: pd.Timestamp
    ends: pd.Timestamp
    zones: np.ndarray

    def on(self, nights: pd.DatetimeIndex, before: int = 0, after: int = 0) -> np.ndarray:
        """Zone-nights from `before` nights ahead of its first day to `after` nights past its last, shape (Z, N)."""
        reached = (nights >= self.begins - timedelta(days=before)) & (nights <= self.ends + timedelta(days=after))
        return np.asarray(self.zones[:, None] & reached[None, :])


def event_nights(site: Site, dates: tuple[date, ...]) -> EventNights:
    """Nights from the one before a tournament or firm day to its last evening; nights on which a zone stays dry."""
    nights = pd.DatetimeIndex(dates)
    firm, dry = np.zeros((2, len(site.zones), len(dates)), dtype=bool)
    for event in _events(site):
        if event.kind in PLAYED:
            firm |= event.on(nights, before=1)
        elif event.kind == "no_water":
            dry |= event.on(nights)
    return EventNights(firm, dry)


def flush_reach(kind: str) -> tuple[int, int] | None:
    """Nights before the first and after the last day of an event on which no flush may run; None where it forbids none.

    From two nights before a tournament or firm day until its last evening, on `no_flush` and `no_water` nights, and
    from a fertigation until three nights after (`models.choices.Events`).
    """
    if kind in PLAYED:
        return EVENTS.protected_before, 0
    if kind == "fertigation":
        return 0, EVENTS.after_fertigation
    return (0, 0) if kind in ("no_flush", "no_water") else None


def protected_nights(site: Site, dates: tuple[date, ...]) -> np.ndarray:
    """Zone-nights on which no flush may run, shape (Z, N)."""
    nights = pd.DatetimeIndex(dates)
    found = np.zeros((len(site.zones), len(dates)), dtype=bool)
    for event in _events(site):
        if (reach := flush_reach(event.kind)) is not None:
            found |= event.on(nights, *reach)
    return found


@dataclass(frozen=True)
class CalendarEvent:
    """One row of the calendar, and the nights of a plan on which it holds something back.

    begins, until : first and last day;  target : surface or zone as written;  zones : how many;  firm, dry, no_flush :
    nights on which its zones are kept firm, dry, or free of flushes.
    """

    begins: date
    until: date
    kind: str
    target: str
    zones: int
    note: str
    firm: tuple[date, ...]
    dry: tuple[date, ...]
    no_flush: tuple[date, ...]


def calendar_events(site: Site, dates: tuple[date, ...]) -> list[CalendarEvent]:
    """Give every event of the calendar with what it holds back on the nights of a plan."""
    nights = pd.DatetimeIndex(dates)
    found = []
    for event, target, note in zip(_events(site), site.calendar["target"], site.calendar["note"], strict=True):
        firm = event.on(nights, before=1) if event.kind in PLAYED else event.on(nights[:0])
        dry = event.on(nights) if event.kind == "no_water" else event.on(nights[:0])
        reach = flush_reach(event.kind)
        quiet = event.on(nights[:0]) if reach is None else event.on(nights, *reach)
        told = [tuple(d for d, on in zip(dates, held.any(axis=0), strict=False) if on) for held in (firm, dry, quiet)]
        text = "" if pd.isna(note) else str(note)
        found.append(
            CalendarEvent(
                event.begins.date(), event.ends.date(), event.kind, str(target), int(event.zones.sum()), text, *told
            )
        )
    return found


def event_zones(site: Site, night: date) -> np.ndarray:
    """Zones of an event on the day after a night, shape (Z,)."""
    tomorrow = pd.DatetimeIndex([night + timedelta(days=1)])
    on = np.zeros(len(site.zones), dtype=bool)
    for event in _events(site):
        if event.kind in PLAYED:
            on |= event.on(tomorrow)[:, 0]
    return on


def _events(site: Site) -> Iterator[_Event]:
    """Rows of the calendar, with their ends filled in and their zones found."""
    for begins, ends, target, kind in site.calendar[["from", "until", "target", "event"]].itertuples(index=False):
        zones = (site.zones.surface == target) | (site.zones.zone == target)
        yield _Event(kind, begins, ends if pd.notna(ends) else begins, zones)
