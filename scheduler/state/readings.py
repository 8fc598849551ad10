"""Probe readings as the estimate and the learning need them: one value a sensor and evening.

A sensor is a probe in one place at one depth. Its evening reading is the mean of its last readings before opening time,
carried to the end of the day by the ET still to come.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd

from models.choices import READINGS
from models.kin import EstimationProbes, layer_gain
from scheduler.site import Site
from scheduler.state.demand import et_to_come


@dataclass(frozen=True)
class Sensors:
    """Where probes stand and stood, one row a placement, K in all.

    Parameters
    ----------
    probe : ndarray of str (K,)
    zone : ndarray of int (K,)      Row of the zone.
    depth : ndarray (K,)            [m], NaN = not known.
    spot : ndarray of int (K,)      Probes of one zone with the same number stand at one spot.
    starts, ends : ndarray (K,)     First moment and the one after the last, NaT = open.
    joined : ndarray (K,) or None   Halves of the roots read together: 2, else 1; None = 1 for all.
    """

    probe: np.ndarray
    zone: np.ndarray
    depth: np.ndarray
    spot: np.ndarray
    starts: np.ndarray
    ends: np.ndarray
    joined: np.ndarray | None = None

    def __len__(self) -> int:
        """Give K."""
        return len(self.probe)

    def part(self, rows: np.ndarray) -> Sensors:
        """Give some of them."""
        columns = (getattr(self, field.name) for field in fields(Sensors))
        return Sensors(*(None if column is None else column[rows] for column in columns))

    def for_estimate(self, row_of_zone: np.ndarray) -> EstimationProbes:
        """Give them to the filter, zones renumbered by `row_of_zone`."""
        return EstimationProbes(row_of_zone[self.zone], self.depth, self.spot, self.joined)


def sensors_of(site: Site) -> Sensors:
    """List the placements of a site's probes; the n-th probe of a zone at each depth stands at spot n.

    One that took the place of another, at its depth and after its end, stands at the same spot.
    """
    places = site.probe_sites
    index = pd.Series(np.arange(len(site.zones)), index=site.zones.zone)
    places = places.assign(z=places["zone"].map(index))
    places = places[places["z"].notna()].sort_values(["z", "depth", "from", "probe"], na_position="first")
    depth, starts, ends = (places[name].to_numpy() for name in ("depth", "from", "until"))
    same = places.groupby(["z", "depth"], dropna=False).ngroup().to_numpy()
    spot = np.zeros(len(places), dtype=np.int64)
    for rows in np.split(np.arange(len(places)), np.flatnonzero(np.diff(same)) + 1):
        spot[rows] = _spots(starts[rows], ends[rows])
    return Sensors(
        probe=places["probe"].to_numpy(dtype=object),
        zone=places["z"].to_numpy(np.int64),
        depth=depth.astype(float) / 100.0,
        spot=spot,
        starts=places["from"].to_numpy("datetime64[ns]"),
        ends=(places["until"] + pd.Timedelta(days=1)).to_numpy("datetime64[ns]"),
    )


def _spots(starts: np.ndarray, ends: np.ndarray) -> list[int]:
    """Number the spots of placements at one depth, oldest first: the first that is free when each begins."""
    free_from: list[np.datetime64] = []  # of each spot, NaT while its probe stands
    found = []
    for start, end in zip(starts, ends, strict=True):
        free = [n for n, until in enumerate(free_from) if until < start]  # never where either is NaT
        place = free[0] if free else len(free_from)
        if not free:
            free_from.append(end)
        free_from[place] = end
        found.append(place)
    return found


def by_sensor(sensors: Sensors, readings: pd.DataFrame) -> pd.DataFrame:
    """Give each reading the row of the sensor that took it (column `sensor`); those of no place are left out.

    Parameters
    ----------
    sensors : Sensors
    readings : DataFrame    As Site.probes.

    Returns
    -------
    DataFrame   Sorted by sensor and time.
    """
    position = readings.groupby("probe").indices
    times = readings["time"].to_numpy()
    rows, which = [np.zeros(0, np.int64)], [np.zeros(0, np.int64)]
    for k in range(len(sensors)):
        own = position.get(sensors.probe[k])
        if own is None:
            continue
        inside = np.ones(len(own), dtype=bool)
        if not np.isnat(sensors.starts[k]):
            inside &= times[own] >= sensors.starts[k]
        if not np.isnat(sensors.ends[k]):
            inside &= times[own] < sensors.ends[k]
        rows.append(own[inside])
        which.append(np.full(int(inside.sum()), k))
    found = readings.iloc[np.concatenate(rows)].assign(sensor=np.concatenate(which))
    return found.sort_values(["sensor", "time"], kind="stable", ignore_index=True)


def openings(site: Site, days: pd.DatetimeIndex) -> pd.DatetimeIndex:
    """Give the opening time of the evening of each date."""
    return days + pd.to_timedelta([site.window.of(day.date())[0] for day in days], unit="min")


def evening_readings(
    site: Site, sensors: Sensors, readings: pd.DataFrame, days: pd.DatetimeIndex, etc: np.ndarray
) -> np.ndarray:
    """Give the evening reading of each sensor on each date, (K, T) [m3/m3]; NaN where there is none.

    Parameters
    ----------
    site : Site
    sensors : Sensors
    readings : DataFrame     Believed readings, as Site.probes; doubted values are NaN.
    days : DatetimeIndex     T dates.
    etc : ndarray (Z, T)     Crop ET of those dates [mm/d].
    """
    out = np.full((len(sensors), len(days)), np.nan)
    if not len(sensors) or not len(days):
        return out
    opens = openings(site, days)
    earliest = opens - timedelta(hours=READINGS.before_opening)
    known = readings[readings["moisture"].notna() & (readings["time"] > earliest[0])]
    rows = by_sensor(sensors, known[known["time"] <= opens[-1]])
    if not len(rows):
        return out
    times = rows["time"].to_numpy()
    day = np.searchsorted(opens.to_numpy(), times, side="left")
    inside = (day < len(days)) & (times > earliest.to_numpy()[np.minimum(day, len(days) - 1)])
    rows, day = rows[inside], day[inside]
    rows = rows.assign(day=day)
    grouped = rows.groupby(["sensor", "day"], sort=True)
    last = grouped["time"].transform("max")
    late = rows[(rows["time"] >= last - timedelta(hours=READINGS.together)) & (grouped.cumcount(ascending=False) < 3)]
    evenings = late.groupby(["sensor", "day"], sort=True)
    mean, newest = evenings["moisture"].mean(), evenings["time"].max()
    sensor, column = (mean.index.get_level_values(n).to_numpy() for n in (0, 1))
    hours = (newest - days[column]).dt.total_seconds().to_numpy() / 3600.0
    rest = et_to_come(hours)
    zone = sensors.zone[sensor]
    root = site.zones.fed_depth[zone]
    fall = layer_gain(sensors.depth[sensor], root) * rest * etc[zone, column] / (1000.0 * root)
    out[sensor, column] = np.maximum(mean.to_numpy() - fall, 0.0)
    return out


def read_together(sensors: Sensors, moisture: np.ndarray, root_depth: np.ndarray) -> tuple[Sensors, np.ndarray]:
    """Join the sensors of a spot that stand in both halves of the roots into one that reads the root zone's mean.

    Water comes from above: after a part filling the upper probe reads full and the lower one still dry, and neither
    swings as the root zone does, but their mean does. On evenings on which a half has no reading the other half's
    sensors read alone; sensors below the roots always do.

    Parameters
    ----------
    sensors : Sensors              (K,)
    moisture : ndarray (K, T)      Evening readings [m3/m3], NaN = none.
    root_depth : ndarray (Z,)      From which every zone is fed [m].

    Returns
    -------
    Sensors, ndarray   Joined sensors, of depth NaN and named by their probes, come first; those left with no reading
                       of their own are gone.
    """
    relative = sensors.depth / root_depth[sensors.zone]
    within = relative <= 1.0  # NaN is the root-zone mean already
    _, first, spot = np.unique(
        np.column_stack([sensors.zone, sensors.spot]), axis=0, return_index=True, return_inverse=True
    )
    spot = spot.ravel()
    half = [within & (relative <= 0.5), within & (relative > 0.5)]
    read = np.isfinite(moisture)
    total, count = (np.zeros((2, first.size, moisture.shape[1])) for _ in range(2))
    for i in range(2):
        np.add.at(total[i], spot[half[i]], np.where(read, moisture, 0.0)[half[i]])
        np.add.at(count[i], spot[half[i]], read[half[i]])
    with np.errstate(invalid="ignore"):
        mean = (total / np.where(count > 0, count, np.nan)).mean(axis=0)
    joined = np.isfinite(mean).any(axis=1)
    if not joined.any():
        return sensors, moisture
    alone = np.where(np.isfinite(mean)[spot] & within[:, None], np.nan, moisture)
    left = ~(joined[spot] & within) | np.isfinite(alone).any(axis=1)
    names = pd.Series(sensors.probe[within]).groupby(spot[within]).agg(" + ".join)
    rows = first[joined]
    whole = Sensors(
        probe=names.reindex(np.flatnonzero(joined)).to_numpy(dtype=object),
        zone=sensors.zone[rows],
        depth=np.full(rows.size, np.nan),
        spot=sensors.spot[rows],
        starts=sensors.starts[rows],
        ends=sensors.ends[rows],
        joined=np.full(rows.size, 2.0),
    )
    rest = replace(sensors.part(np.flatnonzero(left)), joined=np.ones(int(left.sum())))
    both = Sensors(*(np.concatenate((getattr(whole, f.name), getattr(rest, f.name))) for f in fields(Sensors)))
    return both, np.concatenate((mean[joined], alone[left]))


def recent(site: Site, night: date, opens: int, days: int) -> pd.DataFrame:
    """Give the readings of the last days before an evening's opening time."""
    opening = pd.Timestamp(night) + timedelta(minutes=opens)
    rows = site.probes[(site.probes["time"] <= opening) & (site.probes["time"] > opening - timedelta(days=days))]
    return rows.reset_index(drop=True)
