"""The filter over a site's record: what it is fed, how far back it runs, and what it says of each zone tonight.

The filter of `models/estimation.py` predicts with what was applied and what fell and drank, and corrects by every
believed evening reading; zones without probes learn from their kin, the zones of their surface. It is run anew over the
last days every evening, from a stated start, so an estimate follows from the files alone. It begins no earlier than the
log of applied water: turf was watered before, nobody knows when, and nights taken as dry would end at the wilting
point, which readings of a sensor whose level is not sure do not mend. Surfaces without any probe are left to the plain
balance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.choices import SPREAD
from models.drainage import drainage_day
from models.estimation import Estimate, FilterRun, run_filter
from models.filter_state import start_state
from models.kin import EstimationZones, Setup, kin_groups, prepare
from models.sensor_line import REACH, SHOWN, SensorLine
from models.soil import adjusted_depletion_fraction, run_balance
from models.uneven_catch import PLACE_SHARE, place_catch
from scheduler.site import Site
from scheduler.state.demand import Demand, zone_etc, zone_rain
from scheduler.state.ran import Ran
from scheduler.state.readings import Sensors, evening_readings, read_together, sensors_of

LONGEST_RUN, SHORTEST_RUN = 60, 10  # [d] the filter runs over
WORK = 3.0e7  # covariance entries times days a run may cost, about a second
LATER, LATEST = 2.0, 0.8  # [-] of p where ET slackens, in the mean of soils, over that plans keep to; p at most
LEAST_DAYS = 5  # [d] of weather without which the filter is not run
LEAST_READINGS = 3  # evenings with a believed reading without which it is not run


@dataclass(frozen=True)
class Filtered:
    """What the filter made of a record of N nights.

    Parameters
    ----------
    rows : ndarray of int (F,)       Zones it spoke of: those with a probe among their kin.
    sensors : Sensors                (K,)
    setup : Setup
    run : FilterRun                  Arrays over F and K.
    days : DatetimeIndex (N + 1,)    Evenings; column n of the run ends on the evening of days[n + 1].
    irrigation, etc, rain, p : ndarray (F, N)     What it was fed [mm], [mm/d], [mm/d], [-].
    moisture : ndarray (K, N)        Evening readings [m3/m3].
    start : ndarray (F,)             Depletion before the first night [mm].
    """

    rows: np.ndarray
    sensors: Sensors
    setup: Setup
    run: FilterRun
    days: pd.DatetimeIndex
    irrigation: np.ndarray
    etc: np.ndarray
    rain: np.ndarray
    p: np.ndarray
    moisture: np.ndarray
    start: np.ndarray

    @property
    def estimate(self) -> Estimate:
        """Tonight's estimate, arrays (F,)."""
        return self.run.estimate


def run_record(site: Site, demand: Demand, ran: Ran, believed: pd.DataFrame) -> Filtered | None:
    """Run the filter over the last days of a site's record, as many as can be afforded.

    Parameters
    ----------
    site : Site
    demand : Demand          Its past days end on the evening.
    ran : Ran                What ran on the night of each past date.
    believed : DataFrame     Readings, doubted values taken out.

    Returns
    -------
    Filtered or None   None where there is too little to go by: fewer than `LEAST_DAYS` days of weather or fewer than
                       `LEAST_READINGS` evenings with a reading since the log of applied water begins.
    """
    days = pd.DatetimeIndex(demand.past["date"])
    if demand.observed_days < LEAST_DAYS or len(days) <= LEAST_DAYS or not len(site.probe_sites) or not len(believed):
        return None
    etc, (rain, _) = zone_etc(site, demand.past), zone_rain(site, demand.past)
    minutes, known = ran.minutes, ran.first_known
    span = min(len(days) - 1 - known, LONGEST_RUN)
    if span < LEAST_READINGS:
        return None
    sensors = sensors_of(site)
    first = len(days) - 1 - span
    moisture = evening_readings(site, sensors, believed, days[first:], etc[:, first:])[:, 1:]
    sensors, moisture = read_together(sensors, moisture, site.zones.fed_depth)
    heard = (~np.isnan(moisture)).any(axis=1)
    if (~np.isnan(moisture)).any(axis=0).sum() < LEAST_READINGS:
        return None
    heard[heard] = _in_touch(site, sensors.part(heard), moisture[heard], ran, etc, rain, first)
    if not heard.any():
        return None
    sensors, moisture = sensors.part(heard), moisture[heard]
    setup, rows, sensors, moisture = _setup(site, sensors, moisture)
    size = sum((3 * b.member.size + 2 * b.sensor.size) ** 2 for b in setup.blocks)
    span = min(span, max(SHORTEST_RUN, int(WORK / max(size, 1))))
    moisture = moisture[:, moisture.shape[1] - span :]
    first = len(days) - 1 - span
    taw = setup.zones.taw
    p = adjusted_depletion_fraction(site.zones.depletion_fraction, etc)[rows]
    p = np.clip(LATER * p, p, np.maximum(p, LATEST))
    applied = (minutes * site.zones.gross_rate[:, None])[rows]
    etc, rain = etc[rows], rain[rows]
    zones = setup.zones
    at = _start_of_places(applied, etc, rain, p, first, known, zones)
    start = np.clip(at @ PLACE_SHARE, 0.0, taw)
    columns = slice(first, first + span)
    after = slice(first + 1, first + 1 + span)
    state = start_state(setup, start, SPREAD.unknown * taw, places=at - (at @ PLACE_SHARE)[:, None])
    run = run_filter(setup, state, applied[:, columns], etc[:, after], rain[:, after], p[:, after], moisture)
    return Filtered(
        rows, sensors, setup, run, days[first:], applied[:, columns], etc[:, after], rain[:, after], p[:, after],
        moisture, start,
    )  # fmt: skip


def followed(site: Site) -> np.ndarray:
    """Zones that the filter can follow (Z,): those of surfaces with a probe that has readings."""
    kin, zones = _kin(site), site.zones
    heard = site.probe_sites["zone"][site.probe_sites["probe"].isin(site.probes["probe"].unique())]
    return np.isin(kin, kin[np.isin(zones.zone, heard)])


def _kin(site: Site) -> np.ndarray:
    """Number the kin of every zone (Z,): zones of one surface, whatever their soil and exposure."""
    none = [""] * len(site.zones)
    return kin_groups(list(site.zones.surface), none, none)


def _in_touch(
    site: Site,
    sensors: Sensors,
    moisture: np.ndarray,
    ran: Ran,
    etc: np.ndarray,
    rain: np.ndarray,
    first: int,
) -> np.ndarray:
    """Sensors that say something of depletion (K,): those in the roots, and those below whose record follows it.

    What stands below the roots sees what drains, or water perched there; it is left out unless the plain balance of the
    root zone explains half of what it read.
    """
    z = site.zones
    under = np.nan_to_num(sensors.depth / z.fed_depth[sensors.zone]) > REACH
    touched = ~under
    if not under.any():
        return touched
    rows = np.unique(sensors.zone[under])
    taw, scale = z.taw[rows], z.drainage[rows]
    p = adjusted_depletion_fraction(z.depletion_fraction[rows], etc[rows])
    applied = (ran.minutes * z.gross_rate[:, None])[rows]
    start = np.clip(_start(applied, etc[rows], rain[rows], taw, p, first, ran.first_known, scale), 0.0, taw)
    span = slice(first + 1, etc.shape[1])
    run = run_balance(start, applied[:, first:-1], etc[rows, span], rain[rows, span], taw, p[:, span])
    for k in np.flatnonzero(under):
        row = int(np.searchsorted(rows, sensors.zone[k]))
        x = run.depletion[row][:, None] / (1000.0 * z.fed_depth[sensors.zone[k]])
        line = SensorLine.of(moisture[k], x, float(z.field_capacity[sensors.zone[k]]))
        touched[k] = line is not None and line.gain > 0.1 and line.shared >= SHOWN
    return touched


def _setup(site: Site, sensors: Sensors, moisture: np.ndarray) -> tuple[Setup, np.ndarray, Sensors, np.ndarray]:
    """Lay out the zones of surfaces with a probe."""
    kin, zones = _kin(site), site.zones
    rows = np.flatnonzero(np.isin(kin, kin[sensors.zone]))
    row_of_zone = np.full(len(zones), -1)
    row_of_zone[rows] = np.arange(rows.size)
    known = EstimationZones(
        kin[rows],
        zones.taw[rows],
        zones.field_capacity[rows],
        zones.fed_depth[rows],
        zones.du_lq[rows],
        zones.drainage[rows],
        *(np.unique(told.astype(str), return_inverse=True)[1][rows] for told in (zones.exposure, zones.soil)),
    )
    return prepare(known, sensors.for_estimate(row_of_zone)), rows, sensors, moisture


def _start_of_places(
    applied: np.ndarray,
    etc: np.ndarray,
    rain: np.ndarray,
    p: np.ndarray,
    first: int,
    known: int,
    zones: EstimationZones,
) -> np.ndarray:
    """Depletion before the run at the places of each zone that catch unequal water (F, 3) [mm]."""
    assert zones.drainage is not None
    caught = place_catch(zones.du_lq).T
    at = [_start(share[:, None] * applied, etc, rain, zones.taw, p, first, known, zones.drainage) for share in caught]
    return np.stack(at, axis=1)


def _start(
    applied: np.ndarray,
    etc: np.ndarray,
    rain: np.ndarray,
    taw: np.ndarray,
    p: np.ndarray,
    first: int,
    known: int,
    scale: np.ndarray,
) -> np.ndarray:
    """Depletion before the run: the plain balance up to there, from field capacity on column `known`."""
    level = np.zeros(len(taw))
    for i in range(known + 1, first + 1):
        level = drainage_day(level, applied[:, i - 1], etc[:, i], rain[:, i], taw, p[:, i], scale).depletion
    return level
