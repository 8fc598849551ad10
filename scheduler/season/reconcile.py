"""Meters against the log: by month and source what ran without a record and what was logged and never metered, and why.

A difference counts where it is more than the meter's error (`[meter] error` of site.toml). What explains it is looked
for over the stretches between readings that all meters of a source share: a zone or a branch whose runs were logged too
low or too high, or water that runs every night whatever was logged.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from models.choices import SEASON
from models.metering import explain
from scheduler.season.record import Logged, Metered, ZoneList
from scheduler.site import Site

NAMED = 3  # explanations named a source, at most
FEW = 4  # stretches between readings below which nothing is looked for


@dataclass(frozen=True)
class Cause:
    """What explains a difference.

    kind : "zone", "branch", "all" or "every_night";  name : of the zone or branch, else "";
    since : first night of water that runs every night;  nights : that it ran;
    size : how much more ran than was logged [-], None for every night;  volume : [m3];
    explains : share of the squared difference taken away [-].
    """

    kind: str
    name: str
    size: float | None
    volume: float
    explains: float
    since: date | None = None
    nights: int = 0


@dataclass(frozen=True)
class Difference:
    """One source over the nights its meters cover.

    nights : int;  metered, logged, error : [m3];  without_record : water of stretches of which nothing was logged;
    never_metered : logged on stretches whose meter stood still;  causes : best first;  alike : whether the readings
    cannot tell them apart.
    """

    source: str
    nights: int
    metered: float
    logged: float
    error: float
    without_record: float
    never_metered: float
    causes: tuple[Cause, ...]

    @property
    def beyond_error(self) -> bool:
        """Whether meter and log differ by more than the meter's error."""
        return abs(self.metered - self.logged) > self.error


def source_covered(metered: Metered, source: str) -> np.ndarray:
    """Nights on which a source is metered and none of the meters standing then lacks a reading, (N,)."""
    of = [i for i, m in enumerate(metered.meters) if m.source == source]
    whole = (metered.covered[of] | ~metered.standing[of]).all(axis=0)
    return np.asarray(whole & metered.covered[of].any(axis=0))


def source_read(metered: Metered, source: str) -> np.ndarray:
    """Nights on which at least one meter of a source is read, (N,)."""
    of = [i for i, m in enumerate(metered.meters) if m.source == source]
    return metered.covered[of].any(axis=0) if of else np.zeros(metered.volume.shape[1], dtype=bool)


def source_volume(metered: Metered, source: str) -> tuple[np.ndarray, np.ndarray]:
    """Metered water of a source and the part divided over several nights, (N,) each [m3]."""
    of = [i for i, m in enumerate(metered.meters) if m.source == source]
    return metered.volume[of].sum(axis=0), metered.spread[of].sum(axis=0)


def differences(site: Site, zones: ZoneList, logged: Logged, metered: Metered) -> tuple[Difference, ...]:
    """Hold meters against the log, one source after another."""
    found = []
    for w, source in enumerate(zones.sources):
        on = source_covered(metered, source)
        if not on.any():
            continue
        water, _ = source_volume(metered, source)
        by_zone = logged.volume * zones.share[:, w : w + 1]
        total = by_zone.sum(axis=0)
        bins = _shared_stretches(metered, source, on, logged)
        read, said = _by_bin(water[None, :], bins)[0], _by_bin(total[None, :], bins)[0]
        error = site.meter_error * float(water[on].sum())
        causes: tuple[Cause, ...] = ()
        if abs(float(water[on].sum() - total[on].sum())) > error and len(read) >= FEW:
            first = [logged.nights[i].date() for i in np.flatnonzero(np.diff(bins, prepend=-1)) if bins[i] >= 0]
            length = np.bincount(bins[bins >= 0])
            causes = _causes(site, zones, _by_bin(by_zone, bins), read - said, length, first)
        small = site.meter_error * float(read.mean()) if read.size else 0.0
        found.append(
            Difference(
                source, int(on.sum()), float(water[on].sum()), float(total[on].sum()), error,
                float(read[said <= 0].sum()), float(said[read <= small * 0.01].sum()), causes,
            )
        )  # fmt: skip
    return tuple(found)


def _shared_stretches(metered: Metered, source: str, on: np.ndarray, logged: Logged) -> np.ndarray:
    """Number of the stretch between shared readings that each night is in, (N,); -1 where not covered."""
    first = int(logged.nights[0].to_datetime64().astype("datetime64[D]").astype(np.int64))
    count = len(on)
    shared = np.ones(count + 1, dtype=bool)
    for meter in (m for m in metered.meters if m.source == source):
        edges = np.zeros(count + 1, dtype=bool)
        places = np.concatenate((meter.parts.first, meter.parts.after)) - first
        edges[places[(places >= 0) & (places <= count)]] = True
        if places.size:  # outside of its time a meter has nothing to say
            edges[: max(int(places.min()), 0)] = True
            edges[max(int(places.max()), 0) :] = True
        shared &= edges
    inside = np.cumsum(shared[:-1]) - 1
    whole = np.where(on & (inside >= 0), inside, -1)
    _, compact = np.unique(whole[whole >= 0], return_inverse=True)
    result = np.full(count, -1)
    result[whole >= 0] = compact
    return result


def _by_bin(values: np.ndarray, bins: np.ndarray) -> np.ndarray:
    """Sum (R, N) over the nights of each stretch, (R, I)."""
    on = bins >= 0
    if not on.any():
        return np.zeros((len(values), 0))
    starts = np.flatnonzero(np.diff(bins[on], prepend=-1))
    return np.add.reduceat(values[:, on], starts, axis=1)


def _causes(
    site: Site, zones: ZoneList, by_zone: np.ndarray, difference: np.ndarray, nights: np.ndarray, begins: list[date]
) -> tuple[Cause, ...]:
    """All runs alike, zones, branches, and water that runs every night from some night on: what explains best.

    Parameters
    ----------
    by_zone : ndarray (Z, I)       Logged water by stretch [m3].
    difference : ndarray (I,)      Metered less logged [m3].
    nights : ndarray (I,)          Nights of each stretch;  begins : the first of each.
    """
    offered: list[tuple[str, str, np.ndarray]] = [("all", "", by_zone.sum(axis=0))]
    offered += [("zone", str(z), row) for z, row in zip(zones.zone, by_zone, strict=True) if row.any()]
    for b, branch in enumerate(site.branches):
        of = np.flatnonzero(site.zones.branch == b)
        if of.size > 1 and by_zone[of].any():
            offered.append(("branch", branch.name, by_zone[of].sum(axis=0)))
    steady = _steady(difference, nights.astype(float))
    offered.append(("every_night", "", np.where(np.arange(nights.size) >= steady, nights, 0).astype(float)))
    is_run = np.array([kind != "every_night" for kind, _, _ in offered])
    largest = np.where(is_run, SEASON.largest, np.inf)
    tries = np.where(is_run | (steady == 0), 0.0, float(nights.size))
    found = explain(difference, np.array([row for _, _, row in offered]), largest, tries)
    causes = []
    for e in found[:NAMED]:
        kind, name, row = offered[e.candidate]
        if kind == "every_night":
            causes.append(Cause(kind, name, None, e.volume, e.gain, begins[steady], int(row.sum())))
        else:
            causes.append(Cause(kind, name, e.size, e.volume, e.gain))
    return tuple(causes)


def _steady(difference: np.ndarray, nights: np.ndarray) -> int:
    """Stretch from which the same water every night explains a difference best."""
    after = np.arange(nights.size)[:, None] <= np.arange(nights.size)[None, :]
    rows = after * nights[None, :]
    size = np.maximum(rows @ difference / (rows**2).sum(axis=1), 0.0)
    left = ((difference[None, :] - size[:, None] * rows) ** 2).sum(axis=1)
    return int(np.argmin(left[: max(nights.size - 1, 1)]))
