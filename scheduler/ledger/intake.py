"""Intake: what the site folder says, brought into the ledger, and the readings looked over.

One transaction: an intake is in the ledger whole, or not at all. Re-reading a folder that says nothing new writes
nothing. Late rows are added, corrected ones replace what stood there, with history. The readings of the last weeks are
then examined (`quality.py`) and their flags kept with reasons.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from sqlalchemy import Connection

from scheduler.errors import counted
from scheduler.ledger.connect import Ledger
from scheduler.ledger.merge import Counts, Series, merge
from scheduler.ledger.queries import read_flags
from scheduler.ledger.readings import count_readings, merge_readings, newest_times, read_readings, to_seconds
from scheduler.ledger.tables import UNKNOWN_DEPTH, applied, events, forecasts, meter, placements, samples, weather
from scheduler.ledger.writers import begin_intake, end_intake, merge_flags
from scheduler.notes import Note
from scheduler.site import Site
from scheduler.state.quality import examine

EXAMINED_DAYS = 21  # readings looked over again at each intake; moved probes need days before and after


@dataclass(frozen=True)
class IntakeReport:
    """What an intake did.

    Parameters
    ----------
    intake_id : int or None
        Its number in the ledger; None if nothing was new and nothing was written.
    counts : mapping of str to Counts
        By series: weather, forecast, probes, probe_sites, applied, calendar, samples, meter, flags.
    flags : DataFrame
        The flags that stand for the days examined: probe, rule, what, starts, ends, reason.
    notes : tuple of Note
        What the examination could not do or wants a person to look at.
    """

    intake_id: int | None
    counts: Mapping[str, Counts]
    flags: pd.DataFrame
    notes: tuple[Note, ...] = field(default=())

    @property
    def changed(self) -> bool:
        """Say whether the ledger differs from before."""
        return self.intake_id is not None

    def lines(self) -> list[str]:
        """Give one line a series for people."""
        out = []
        for name, c in self.counts.items():
            parts = [f"{c.new:,} new", f"{c.changed:,} corrected", f"{c.same:,} known"]
            out.append(f"{name}: " + ", ".join([*parts, *([f"{c.withdrawn:,} withdrawn"] if c.withdrawn else [])]))
        return out


def intake(
    site: Site, ledger: Ledger, who: str | None = None, progress: Callable[[str], object] | None = None
) -> IntakeReport:
    """Bring everything a site folder says into its ledger and examine the latest readings.

    Parameters
    ----------
    site : Site
    ledger : Ledger
    who : str, optional
        Kept as the one who brought it; the machine's user if None.
    progress : callable, optional
        Called with the name of each series before it is brought in.

    Returns
    -------
    IntakeReport

    Raises
    ------
    LedgerUnusable
        The ledger cannot be written; nothing was changed.
    """
    say = progress or (lambda _name: None)
    counts: dict[str, Counts] = {}
    with ledger.writing() as connection:
        intake_id = begin_intake(connection, ledger, f"intake of {site.name}", who)
        for name, (series, frame, whole) in _series_of(site).items():
            if name in site.left_out or name in site.invented:  # what the ledger has of it stands
                continue
            say(name)
            counts[name] = merge(connection, series, frame, ledger.site_id, intake_id, whole=whole)
        say("probes")
        real = site.probes.iloc[:0] if "probes" in site.invented else site.probes
        counts["probes"] = merge_readings(connection, real, ledger.site_id, intake_id)
        say("flags")
        counts["flags"], notes, since = _flags(connection, site, ledger, intake_id)
        flags = read_flags(connection, ledger, since)
        total = sum(counts.values(), Counts())
        if total.written:
            end_intake(connection, intake_id, total)
        else:
            connection.rollback()
    return IntakeReport(intake_id if total.written else None, counts, flags, notes)


def _flags(
    connection: Connection, site: Site, ledger: Ledger, intake_id: int
) -> tuple[Counts, tuple[Note, ...], pd.Timestamp | None]:
    """Examine the last days held, which may be more than the folder still has."""
    newest = newest_times(connection, ledger.site_id)
    if newest.empty:
        return Counts(), (), None
    since = newest.max().normalize() - pd.Timedelta(days=EXAMINED_DAYS)
    readings = site.probes[site.probes["time"] >= since].reset_index(drop=True)
    if count_readings(connection, ledger.site_id, since) > len(readings):
        readings = read_readings(connection, ledger.site_id, since)
    examined = examine(site, readings)
    raised = examined.flags.copy()
    for name in ("starts", "ends"):
        raised[name] = to_seconds(raised[name])
    start = int(to_seconds(np.array([since.to_datetime64()]))[0])
    silent = newest[newest < since]
    notes = list(examined.notes)
    if len(silent):
        text = f"{counted(len(silent), 'probe')} without a reading in the last {EXAMINED_DAYS} days"
        notes.append(Note("warning", "probes", text))
    return merge_flags(connection, ledger, raised, start, intake_id), tuple(notes), since


def _series_of(site: Site) -> dict[str, tuple[Series, pd.DataFrame, bool]]:
    """Give each series as the ledger keeps it; whether the file is all there is."""
    depth = site.samples["depth"].fillna(UNKNOWN_DEPTH)
    return {
        "weather": (Series.of(weather), _texts(site.weather, "date"), False),
        "forecast": (Series.of(forecasts), _texts(_texts(site.forecast, "date"), "issued", "seconds"), False),
        "applied": (Series.of(applied), _texts(site.applied, "night"), False),
        "samples": (Series.of(samples), _texts(site.samples.assign(depth=depth), "date"), False),
        "meter": (Series.of(meter), _meter(site.meter), False),
        "calendar": (Series.of(events), _events(site.calendar), True),
        "probe_sites": (Series.of(placements), _places(site.probe_sites), True),
    }


def _texts(frame: pd.DataFrame, column: str, to: str = "days") -> pd.DataFrame:
    """Write a column of dates or times as the ledger does; not known is empty text."""
    form = "%Y-%m-%d" if to == "days" else "%Y-%m-%dT%H:%M:%S"
    return frame.assign(**{column: frame[column].dt.strftime(form).fillna("").astype(object)})


def _meter(readings: pd.DataFrame) -> pd.DataFrame:
    """Give readings of meters with their moments as the ledger writes them."""
    text = readings["time"].dt.strftime("%Y-%m-%dT%H:%M:%SZ").astype(object)
    return readings.assign(time=text, starts=readings["starts"].astype("int64"))


def _events(calendar: pd.DataFrame) -> pd.DataFrame:
    """Give the calendar with one row a key; two notes on one event are joined."""
    data = _texts(_texts(calendar, "from"), "until")
    keys = ["from", "until", "target", "event"]
    return (
        data.groupby(keys, as_index=False, sort=False)["note"].agg("; ".join) if data.duplicated(keys).any() else data
    )


def _places(sites: pd.DataFrame) -> pd.DataFrame:
    """Give placements with one row a probe and first day; the later row wins."""
    data = _texts(_texts(sites, "from"), "until")
    return data.drop_duplicates(["probe", "from"], keep="last")
