"""Whether probes answered the water of a night, judged by how each answered the nights before.

A sensor that rose after water on most nights before, and does not on this one, stands where no water came: a broken
head, a closed valve. What it does on nights without water says how far it moves by itself. A sensor that never
answered, or had too few nights, is not asked.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import pandas as pd

from models.choices import MORNING, READINGS
from scheduler.site import Site
from scheduler.state.readings import Sensors, by_sensor


@dataclass(frozen=True)
class Answers:
    """Readings before and after a night, arrays (K,).

    before, after : moisture before opening and the last of the morning [m3/m3];  rise : highest of the night less
    before;  asked : an answer was expected;  silent : it was expected and did not come.
    """

    before: np.ndarray
    after: np.ndarray
    rise: np.ndarray
    asked: np.ndarray
    silent: np.ndarray


def around_nights(
    site: Site, sensors: Sensors, readings: pd.DataFrame, nights: pd.DatetimeIndex, what: str = "moisture"
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give a value before opening, the highest after it and the last of the morning, each (K, N); NaN = not read."""
    before, highest, last = (np.full((len(sensors), len(nights)), np.nan) for _ in range(3))
    rows = by_sensor(sensors, readings[readings[what].notna()])
    times, sensor, values = rows["time"].to_numpy(), rows["sensor"].to_numpy(), rows[what].to_numpy(float)
    for n, night in enumerate(nights):
        opens, closes = site.window.of(night.date())
        start, end = night + timedelta(minutes=opens), night + timedelta(minutes=closes)
        first, until = start - timedelta(hours=READINGS.before_opening), end + timedelta(hours=MORNING.after_closing)
        early = np.flatnonzero((times > first.to_datetime64()) & (times <= start.to_datetime64()))
        before[sensor[early], n] = values[early]  # sorted by time: the last stays
        late = np.flatnonzero((times > start.to_datetime64()) & (times <= until.to_datetime64()))
        np.fmax.at(highest[:, n], sensor[late], values[late])
        final = late[times[late] > (start + (end - start) / 2).to_datetime64()]
        last[sensor[final], n] = values[final]
    return before, highest, last


def answers(
    site: Site,
    sensors: Sensors,
    readings: pd.DataFrame,
    nights: pd.DatetimeIndex,
    depth: np.ndarray,
    dry: np.ndarray,
) -> Answers:
    """Judge the last of some nights by those before it.

    Parameters
    ----------
    site : Site
    sensors : Sensors            (K,)
    readings : DataFrame         Believed readings.
    nights : DatetimeIndex       N nights, the one to judge last.
    depth : ndarray (Z, N)       Mean depth that ran [mm]; NaN = not on record.
    dry : ndarray of bool (N,)   No rain on the night's date or the date after it.
    """
    before, highest, last = around_nights(site, sensors, readings, nights)
    rise = highest - before
    water = depth[sensors.zone] if len(sensors) else np.zeros((0, len(nights)))
    known = ~np.isnan(rise) & dry[None, :]
    known[:, -1] = False
    wet, idle = known & (water >= MORNING.least_water), known & (water == 0)
    share = np.where(wet, rise / np.where(wet, water, 1.0), np.nan)
    still = np.where(idle, rise, np.nan)
    own, usual = np.full(len(sensors), MORNING.own_motion), np.zeros(len(sensors))
    some, enough = idle.any(axis=1), wet.sum(axis=1) >= MORNING.least_nights
    if some.any():
        own[some] = np.maximum(own[some], np.nanquantile(still[some], 0.9, axis=1))
    if enough.any():
        usual[enough] = np.nanquantile(share[enough], MORNING.usual_low, axis=1)
    tonight = np.nan_to_num(water[:, -1])
    expected = usual * tonight
    asked = enough & (tonight >= MORNING.least_water) & (expected > 2 * own) & ~np.isnan(rise[:, -1]) & bool(dry[-1])
    silent = asked & (rise[:, -1] <= np.maximum(own, MORNING.no_answer * expected)) & (rise[:, -1] < 0.5 * expected)
    return Answers(before[:, -1], last[:, -1], rise[:, -1], asked, silent)
