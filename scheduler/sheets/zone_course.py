"""The course of every zone for its page: two weeks back as read and estimated, the nights ahead as planned.

Moisture is given as depletion [mm below full]; a probe's reading is turned into it by the zone's field capacity and
root depth, as it stands: offsets that the estimate allows for are not taken out.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from scheduler.document.parts import PlanDocument, ZonePart
from scheduler.site import Site
from scheduler.state.ran import minutes_run

BACK = 14  # [d] shown before tonight


@dataclass(frozen=True)
class Course:
    """One zone, day by day: T dates from `BACK` days before tonight to the end of the plan; NaN where not known.

    read, estimate, spread, planned : depletion by its probes, as estimated on past evenings, its standard deviation,
    and as this plan forecasts it [mm];  water, rain : irrigation of the night after the date, and rain on it [mm];
    ece, sampled : salinity as estimated, the last one tomorrow evening, and by the laboratory [dS/m].
    """

    dates: tuple[date, ...]
    read: np.ndarray
    estimate: np.ndarray
    spread: np.ndarray
    planned: np.ndarray
    water: np.ndarray
    rain: np.ndarray
    ece: np.ndarray
    sampled: np.ndarray


def zone_courses(site: Site, plan: PlanDocument, history: pd.DataFrame | None) -> list[Course]:
    """Give the course of each zone, in the order of the plan.

    Parameters
    ----------
    site : Site
    plan : PlanDocument
    history : DataFrame or None   Estimates of past evenings: night, zone, depletion, spread, ece.
    """
    dates = tuple(plan.night + timedelta(days=d) for d in range(-BACK, len(plan.nights) + 1))
    days = pd.DatetimeIndex(dates)
    ids = [z.id for z in plan.zones]
    read = _grid(_readings(site, days), "depletion", ids, days)
    past = history if history is not None and len(history) else pd.DataFrame(columns=["night", "zone"])
    estimate, spread = (_grid(past, name, ids, days) for name in ("depletion", "spread"))
    salt = _grid(past, "ece", ids, days) if "ece" in past else np.full(estimate.shape, np.nan)
    sampled = _grid(_sampled(site, days), "ece", ids, days)
    water = _grid(_applied(site, days), "depth", ids, days)
    rain = site.weather.set_index("date")["rain"].reindex(days).to_numpy(float)
    return [
        _course(zone, dates, BACK, read[i], estimate[i], spread[i], water[i], rain, salt[i], sampled[i])
        for i, zone in enumerate(plan.zones)
    ]


def _course(
    zone: ZonePart, dates: tuple[date, ...], tonight: int, read: np.ndarray, estimate: np.ndarray, spread: np.ndarray,
    water: np.ndarray, rain: np.ndarray, ece: np.ndarray, sampled: np.ndarray,
) -> Course:  # fmt: skip
    """Put the nights ahead behind the days that were."""
    ahead = len(zone.path)
    planned, fell = np.full(len(dates), np.nan), rain.copy()
    planned[tonight] = estimate[tonight] = zone.before.depletion_mm
    spread[tonight] = np.nan if zone.before.spread_mm is None else zone.before.spread_mm
    planned[tonight + 1 : tonight + 1 + ahead] = [p.depletion_mm for p in zone.path]
    water[tonight : tonight + ahead] = [p.depth_mm for p in zone.path]
    fell[tonight + 1 : tonight + 1 + ahead] = [p.effective_rain_mm for p in zone.path]
    estimate[tonight + 1 :] = np.nan
    ece[tonight:] = np.nan
    for day, state in ((tonight, zone.before), (tonight + 1, zone.after)):
        ece[day] = np.nan if state.ece_dsm is None else state.ece_dsm
    return Course(dates, read, estimate, spread, planned, water, fell, ece, sampled)


def _sampled(site: Site, days: pd.DatetimeIndex) -> pd.DataFrame:
    """Laboratory salinity, mean over depths, one row a zone and date."""
    rows = site.samples[(site.samples["date"] >= days[0]) & site.samples["ece"].notna()]
    return rows.rename(columns={"date": "night"}).groupby(["zone", "night"], as_index=False)["ece"].mean()


def _readings(site: Site, days: pd.DatetimeIndex) -> pd.DataFrame:
    """Mean depletion by each zone's probes, one row a zone and date."""
    rows = site.probes[(site.probes["time"] >= days[0]) & site.probes["moisture"].notna()]
    rows = rows[rows["time"] < pd.Timestamp(days[BACK]) + timedelta(days=1)]
    if not len(rows) or not len(site.probe_sites):
        return pd.DataFrame(columns=["zone", "night", "depletion"])
    daily = (
        rows.assign(night=rows["time"].dt.normalize()).groupby(["probe", "night"], as_index=False)["moisture"].median()
    )
    at = daily.merge(site.probe_sites, on="probe")
    begun = at["from"].isna() | (at["from"] <= at["night"])
    over = at["until"] < at["night"]
    at = at[begun & ~over]
    index = pd.Series(np.arange(len(site.zones)), index=site.zones.zone)
    z = at["zone"].map(index)
    at, z = at[z.notna()], z[z.notna()].to_numpy(np.int64)
    capacity, roots = site.zones.field_capacity[z], site.zones.fed_depth[z]
    at = at.assign(depletion=1000.0 * (capacity - at["moisture"].to_numpy(float)) * roots)
    return at.groupby(["zone", "night"], as_index=False)["depletion"].mean()


def _applied(site: Site, days: pd.DatetimeIndex) -> pd.DataFrame:
    """Gross depth of each zone and past night of the log [mm]."""
    rows = site.applied[site.applied["night"] >= days[0]]
    if not len(rows):
        return pd.DataFrame(columns=["zone", "night", "depth"])
    rate = pd.Series(site.zones.application_rate / 60.0, index=site.zones.zone)
    rows = rows.assign(depth=minutes_run(site, rows) * rows["zone"].map(rate))
    return rows.groupby(["zone", "night"], as_index=False)["depth"].sum()


def _grid(rows: pd.DataFrame, name: str, ids: list[str], days: pd.DatetimeIndex) -> np.ndarray:
    """Values by zone and date, shape (Z, T), NaN where there is none."""
    if not len(rows):
        return np.full((len(ids), len(days)), np.nan)
    table = rows.drop_duplicates(["zone", "night"], keep="last").pivot(index="zone", columns="night", values=name)
    return table.reindex(index=ids, columns=days).to_numpy(float).copy()
