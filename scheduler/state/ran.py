"""What ran on past nights: as the log of applied water says, and after its end as the published plans said.

The log wins wherever it reaches: a night up to its last one counts as the log has it, and a zone without a row there as
not run. Nights after it, or all where there is none, count as run as planned if a plan of theirs stands in the ledger;
the balance then goes on from night to night, and the first of these plans says where it began.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from models.choices import READINGS
from models.hydraulics import M3_OF_LPS_MINUTE
from scheduler.errors import counted
from scheduler.notes import Note
from scheduler.site import Site


@dataclass(frozen=True)
class Ran:
    """What ran on the nights of T past dates, and from where the balance can be run.

    Parameters
    ----------
    minutes : ndarray (Z, T)      Column i is the night of that date [min].
    newest : date or None         Newest night of the log.
    nights : int                  Nights of the log.
    planned : tuple of date       Nights that count as run as planned, in order.
    begins : int or None          Column of the evening the balance begins on; None where nothing is known of the last
                                  nights.
    first_known : int             Column of the first night known, T if there is none; before it turf was watered,
                                  nobody knows when.
    depletion, spread : ndarray (Z,)   Where zones stood on that evening [mm]; NaN = not known.
    """

    minutes: np.ndarray
    newest: date | None
    nights: int
    planned: tuple[date, ...]
    begins: int | None
    first_known: int
    depletion: np.ndarray
    spread: np.ndarray


def planned_runs(site: Site, night: date) -> pd.DataFrame:
    """Give the runs before an evening that count as run as planned: columns as Site.planned."""
    rows = site.planned
    if not len(rows):
        return rows
    taken = rows["night"] < pd.Timestamp(night)
    log = site.applied.loc[site.applied["night"] < pd.Timestamp(night), "night"]
    if len(log):
        taken &= rows["night"] > log.max()
    return rows[taken]


def runs_before(site: Site, night: date) -> pd.DataFrame:
    """Give the log before an evening and, after its end, what was planned: night, zone, minutes, volume."""
    log = site.applied[site.applied["night"] < pd.Timestamp(night)]
    planned = planned_runs(site, night)
    if not len(planned):
        return log
    added = planned[["night", "zone", "minutes"]].assign(volume=np.nan)
    return pd.concat((log[["night", "zone", "minutes", "volume"]], added), ignore_index=True) if len(log) else added


def minutes_run(site: Site, rows: pd.DataFrame) -> np.ndarray:
    """Minutes of runs, as told or else of their volume at the flow of their zone [min]; NaN of zones the site lacks."""
    minutes = rows["minutes"].to_numpy(float)
    if "volume" not in rows:
        return minutes
    flow = rows["zone"].map(pd.Series(site.zones.flow, index=site.zones.zone)).to_numpy(float)
    return np.where(np.isnan(minutes), rows["volume"].to_numpy(float) / (flow * M3_OF_LPS_MINUTE), minutes)


def what_ran(site: Site, night: date, past: pd.DataFrame, notes: list[Note]) -> Ran:
    """Gather what ran before an evening, and say what is not known of it.

    Parameters
    ----------
    site : Site
    night : date
    past : DataFrame        Past dates, none missing, as Demand.past.
    notes : list of Note    Step-downs are added.

    Returns
    -------
    Ran
    """
    planned = planned_runs(site, night)
    if not len(planned):
        minutes, newest, nights = applied_minutes(site, night, past, notes)
        known = newest is not None and (night - newest).days - 1 <= READINGS.longest_silence
        nothing = np.full(len(site.zones), np.nan)
        first = _first_night(site, night, past) if known else len(past)
        return Ran(minutes, newest, nights, (), 0 if known else None, first, nothing, nothing)
    minutes, newest, nights = applied_minutes(site, night, past, [])
    days = past["date"].to_numpy()
    chain, reaches_log = _unbroken(planned, night, newest)
    inside = [n for n in chain if np.datetime64(n) >= days[0]]
    _add(minutes, site, planned, days)
    _note_planned(newest, chain, reaches_log, night, notes)
    taken = tuple(n.date() for n in chain)
    nothing = np.full(len(site.zones), np.nan)
    if reaches_log:
        return Ran(minutes, newest, nights, taken, 0, _first_night(site, night, past), nothing, nothing)
    if not inside:
        return Ran(minutes, newest, nights, taken, None, len(past), nothing, nothing)
    begins = int(np.searchsorted(days, np.datetime64(inside[0])))
    start = planned[planned["night"] == inside[0]].drop_duplicates("zone").set_index("zone")
    depletion, spread = (start[name].reindex(site.zones.zone).to_numpy(float) for name in ("depletion", "spread"))
    minutes[:, :begins] = 0.0
    return Ran(minutes, newest, nights, taken, begins, begins, depletion, spread)


def applied_minutes(
    site: Site, night: date, past: pd.DataFrame, notes: list[Note]
) -> tuple[np.ndarray, date | None, int]:
    """Minutes of the log by zone and past night, shape (Z, T): column i is the night of that date; newest and number.

    Parameters
    ----------
    site : Site
    night : date            The evening; only nights before it count.
    past : DataFrame        Past dates, none missing.
    notes : list of Note    Step-downs are added.
    """
    z = len(site.zones)
    minutes = np.zeros((z, len(past)))
    rows = site.applied[site.applied["night"] < pd.Timestamp(night)]
    if not len(rows):
        if not len(site.applied):
            notes.append(Note("step_down", "applied", "no log of applied water"))
        return minutes, None, 0
    _add(minutes, site, rows, past["date"].to_numpy())
    newest = rows["night"].max().date()
    missing = (night - newest).days - 1
    if missing > 0:
        nights = counted(missing, "later night")
        later = "no longer used" if missing > READINGS.longest_silence else f"{nights} counted as without water"
        notes.append(Note("step_down", "applied", f"the log of applied water ends on {newest.isoformat()}; {later}"))
    return minutes, newest, int(rows["night"].nunique())


def _add(minutes: np.ndarray, site: Site, rows: pd.DataFrame, days: np.ndarray) -> None:
    """Add the runs of rows to the columns of their nights."""
    index = pd.Series(np.arange(len(site.zones)), index=site.zones.zone)
    zone = rows["zone"].map(index).to_numpy(float)
    night = rows["night"].to_numpy()
    place = np.searchsorted(days, night)
    inside = (place < len(days)) & ~np.isnan(zone)
    inside &= days[np.minimum(place, len(days) - 1)] == night
    np.add.at(minutes, (zone[inside].astype(np.int64), place[inside]), minutes_run(site, rows)[inside])


def _unbroken(planned: pd.DataFrame, night: date, newest: date | None) -> tuple[list[pd.Timestamp], bool]:
    """Nights with a plan that reach back from the evening without too long a silence; whether they reach the log."""
    chain: list[pd.Timestamp] = []
    last = pd.Timestamp(night)
    for one in sorted(planned["night"].unique(), reverse=True):
        if (last - one).days - 1 > READINGS.longest_silence:
            return chain[::-1], False
        chain.append(one)
        last = one
    return chain[::-1], newest is not None and (last - pd.Timestamp(newest)).days - 1 <= READINGS.longest_silence


def _first_night(site: Site, night: date, past: pd.DataFrame) -> int:
    """Column of the first night of the log."""
    first = site.applied.loc[site.applied["night"] < pd.Timestamp(night), "night"].min()
    return int(np.searchsorted(past["date"].to_numpy(), first.to_datetime64()))


def _note_planned(
    newest: date | None, chain: list[pd.Timestamp], reaches_log: bool, night: date, notes: list[Note]
) -> None:
    """Say that plans stand in for the log, and what is not known at all."""
    log = "no log of what ran" if newest is None else f"the log of applied water ends on {newest.isoformat()}"
    if not chain:
        nights = counted(READINGS.longest_silence, "night")
        text = f"{log}, and the newest published plan is over {nights} older than tonight"
        notes.append(Note("step_down", "applied", text))
        return
    first = pd.Timestamp(newest) + pd.Timedelta(days=1) if newest is not None and reaches_log else chain[0]
    silent = (pd.Timestamp(night) - first).days - len(chain)
    which = "1 night's plan is" if len(chain) == 1 else f"the plans of {len(chain)} nights are"
    text = f"{log}: {which} taken as run"
    if silent:
        text += f", {counted(silent, 'night')} without a plan counted as without water"
    notes.append(Note("step_down", "applied", text))
