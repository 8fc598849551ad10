"""What a site's record says was put on: nights of the log by zone and source, and nights of the meters.

The log's volume counts where it stands; minutes times the zone's flow where it does not, and that is an estimate.
Water of zones that zones.csv no longer has counts under their old name: it ran all the same.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd
from sqlalchemy.exc import SQLAlchemyError

from models.hydraulics import M3_OF_LPS_MINUTE
from models.metering import Stretches, over_nights, stretches, volumes_between
from scheduler.errors import counted
from scheduler.ledger import LedgerUnusable, queries
from scheduler.ledger.connect import FILE_NAME
from scheduler.ledger.keeping import PATIENCE, open_site_ledger
from scheduler.notes import Note
from scheduler.site import Site
from scheduler.site.zones import former_names
from scheduler.supply import usual_share

NOT_KNOWN = "source not known"
GONE = "not in zones.csv"  # in place of surface and class
DAY = np.timedelta64(1, "D")


@dataclass(frozen=True)
class ZoneList:
    """Zones of an account: those of zones.csv first, then those that are gone; arrays (Z,).

    share : ndarray (Z, W)     Share of each zone's water that a source gives [-].
    told : ndarray (Z,)        Whether that share follows from zones.csv alone; else the first source named is taken.
    """

    zone: np.ndarray
    name: np.ndarray
    surface: np.ndarray
    area_class: np.ndarray
    area: np.ndarray
    sources: tuple[str, ...]
    share: np.ndarray
    told: np.ndarray


@dataclass(frozen=True)
class Logged:
    """The log over N nights.

    Parameters
    ----------
    nights : DatetimeIndex (N,)
    volume, estimated : ndarray (Z, N)   Water, and the part of it reckoned from minutes and flow [m3].
    minutes : ndarray (Z, N)             Run time, 0 where not given [min].
    ran : ndarray (Z, N)                 Whether anything ran.
    uncounted : tuple of (str, int, float)   Zones not in zones.csv, rows and minutes of theirs without a volume.
    """

    nights: pd.DatetimeIndex
    volume: np.ndarray
    estimated: np.ndarray
    minutes: np.ndarray
    ran: np.ndarray
    uncounted: tuple[tuple[str, int, float], ...]


@dataclass(frozen=True)
class Meter:
    """One meter: its source, its stretches between readings, and how often its count fell without a roll-over."""

    name: str
    source: str
    readings: int
    parts: Stretches
    exchanges: int
    rolled: int
    unclear: int


@dataclass(frozen=True)
class Metered:
    """Meters over N nights, all (M, N): water [m3], the part of it divided over several nights, nights covered.

    standing : nights from a meter's first reading to its last; before and after it is taken not to be there.
    """

    meters: tuple[Meter, ...]
    volume: np.ndarray
    spread: np.ndarray
    covered: np.ndarray
    standing: np.ndarray


def with_earlier_record(site: Site) -> Site:
    """Give the site with what only its ledger still holds: nights, days and readings before those of the folder.

    The folder's own span counts as the folder has it. Where there is no ledger, or it cannot be read, the folder is
    all there is, and that is said.
    """
    if site.ledger_url is None and not (site.folder / FILE_NAME).is_file():
        return site
    try:
        ledger = open_site_ledger(site, PATIENCE)
        try:
            log = queries.applied_water(ledger, before=_first((site.applied, "night"), (site.gone, "night")))
            days = queries.observed_weather(ledger, before=_first((site.weather, "date")))
            readings = queries.meter_readings(ledger)
        finally:
            ledger.close()
    except (LedgerUnusable, SQLAlchemyError) as error:
        text = f"the ledger cannot be read ({error}); the account stands on the site folder alone"
        return replace(site, notes=(*site.notes, Note("step_down", "ledger", text)))
    formerly = former_names(site.zones)
    log = log.assign(zone=log["zone"].map(lambda z: formerly.get(z, z))).drop_duplicates(["night", "zone"], keep="last")
    known = log["zone"].isin(list(site.zones.zone))
    begun = site.meter.groupby("meter")["time"].min()
    readings = readings[readings["time"] < readings["meter"].map(begun).fillna(pd.Timestamp.max)]
    kinds = ((log, "run", "runs"), (days, "day of weather", "days of weather"), (readings, "reading", "readings"))
    said = [counted(len(f), one, many) for f, one, many in kinds if len(f)]
    if not said:
        return site
    text = f"{', '.join(said)} from before the site folder's files come from the ledger"
    return replace(
        site,
        applied=_joined(log[known], site.applied, ["night", "zone"]),
        gone=_joined(log[~known], site.gone, ["night", "zone"]),
        weather=_joined(days, site.weather, ["date"]),
        meter=_joined(readings, site.meter, ["meter", "time", "starts"]),
        notes=(*site.notes, Note("info", "ledger", text)),
    )


def _first(*columns: tuple[pd.DataFrame, str]) -> date | None:
    """First date of some columns; None without any."""
    return min((frame[name].min().date() for frame, name in columns if len(frame)), default=None)


def _joined(older: pd.DataFrame, own: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    if not len(older):
        return own
    if not len(own):
        return older[list(own.columns)].reset_index(drop=True)
    both = pd.concat((older[list(own.columns)], own), ignore_index=True)
    return both.sort_values(key, kind="stable").reset_index(drop=True)


def zone_list(site: Site) -> ZoneList:
    """Zones of the account with their sources."""
    zones = site.zones
    of_zone, told = usual_share(site)
    names = tuple(s.name for s in site.sources) or ("water",)
    gone = sorted(set(site.gone["zone"]))
    if gone and len(names) > 1:
        names = (*names, NOT_KNOWN)
        of_zone = np.column_stack((of_zone, np.zeros(len(zones))))
    theirs = np.zeros((len(gone), len(names)))
    theirs[:, -1] = 1.0
    words = np.full(len(gone), GONE, dtype=object)
    return ZoneList(
        zone=np.concatenate((zones.zone, np.array(gone, dtype=object))),
        name=np.concatenate((zones.name, np.array(gone, dtype=object))),
        surface=np.concatenate((zones.surface, words)),
        area_class=np.concatenate((zones.area_class, words)),
        area=np.concatenate((zones.area, np.zeros(len(gone)))),
        sources=names,
        share=np.concatenate((of_zone, theirs)),
        told=np.concatenate((told, np.full(len(gone), len(names) == 1))),
    )


def logged_water(site: Site, zones: ZoneList, first: date, last: date) -> Logged:
    """Water of the log on the nights from `first` to `last`, both included."""
    nights = pd.date_range(first, last)
    shape = (len(zones.zone), len(nights))
    rows = pd.concat((site.applied, site.gone), ignore_index=True) if len(site.gone) else site.applied
    rows = rows[(rows["night"] >= nights[0]) & (rows["night"] <= nights[-1])]
    z = pd.Index(zones.zone).get_indexer(pd.Index(rows["zone"]))
    n = ((rows["night"].to_numpy("datetime64[D]") - np.datetime64(first)) // DAY).astype(np.int64)
    minutes, given = rows["minutes"].to_numpy(float), rows["volume"].to_numpy(float)
    flow = np.concatenate((site.zones.flow, np.full(shape[0] - len(site.zones), np.nan)))[z]
    reckoned = np.isnan(given)
    water = np.where(reckoned, minutes * flow * M3_OF_LPS_MINUTE, given)
    lost = np.isnan(water)
    water = np.where(lost, 0.0, water)
    volume, estimated, run = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    volume[z, n], estimated[z, n] = water, np.where(reckoned, water, 0.0)
    run[z, n] = np.nan_to_num(minutes)
    without = rows[lost].groupby("zone")["minutes"].agg(["size", "sum"])
    uncounted = tuple((str(k), int(r["size"]), float(r["sum"])) for k, r in without.iterrows())
    return Logged(nights, volume, estimated, run, (volume > 0) | (run > 0), uncounted)


def metered_water(site: Site, first: date, last: date) -> Metered:
    """Water of every meter on the nights from `first` to `last`, both included."""
    start, count = np.datetime64(first).astype("datetime64[D]").astype(np.int64), (last - first).days + 1
    meters: list[Meter] = []
    by_night: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
    for name, rows in site.meter.groupby("meter", sort=True):
        rows = rows.sort_values(["time", "starts"], kind="stable")
        local = pd.DatetimeIndex(rows["time"]).tz_localize("UTC").tz_convert(site.time_zone).tz_localize(None)
        moment = (local.to_numpy() - np.datetime64(0, "D")) / DAY
        reading, starts = rows["reading"].to_numpy(float), rows["starts"].to_numpy(bool)
        interval = rows["kind"].iloc[0] == "interval"
        passed = volumes_between(reading, starts, rows["rolls_over_at"].to_numpy(float), interval)
        parts = stretches(moment, passed, interval)
        fell = np.zeros(len(rows), dtype=bool)
        fell[1:] = (np.diff(reading) < 0) & ~starts[1:] & (not interval)
        source = rows["source"].iloc[0] or (site.sources[0].name if len(site.sources) == 1 else NOT_KNOWN)
        unclear = fell & np.isnan(passed)
        meters.append(
            Meter(
                str(name), str(source), len(rows), parts,
                int(starts[1:].sum()), int((fell & ~unclear).sum()), int(unclear.sum()),
            )
        )  # fmt: skip
        by_night.append(over_nights(parts, int(start), count))
    if not meters:
        nothing = np.zeros((0, count))
        return Metered((), nothing, nothing, nothing.astype(bool), nothing.astype(bool))
    volume, spread, covered = (np.stack(arrays) for arrays in zip(*by_night, strict=True))
    night = np.arange(count) + int(start)
    standing = np.array([_standing(m.parts, night) for m in meters])
    return Metered(tuple(meters), volume, spread, covered, standing)


def _standing(parts: Stretches, night: np.ndarray) -> np.ndarray:
    """Nights between a meter's first and last reading."""
    if not parts.first.size:
        return np.zeros(night.shape, dtype=bool)
    return np.asarray((night >= parts.first.min()) & (night < parts.after.max()))
