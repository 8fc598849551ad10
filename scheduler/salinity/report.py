"""The salts of a site over its season: how salty, how fast it rises, what flushes did, what leaching is owed.

`salt_report` is the list of its steps. What is measured is told from what is reckoned throughout: probes (corrected by
the laboratory's samples) where there are any, else the layered balance of what was applied and what fell.
"""

from __future__ import annotations

import json
import math
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from models.choices import SALT
from models.salts import days_to_threshold
from models.water_quality import WaterAdvice, WaterAnalysis, water_advice
from scheduler.salinity.evening import SaltState, salt_state
from scheduler.salinity.history import SaltRun, salt_history
from scheduler.salinity.leaching import leaching_by_surface
from scheduler.salinity.readings import layer_samples, median_ece
from scheduler.salinity.records import Course, PlannedFlush, SaltEvent, SaltReport
from scheduler.site import Site
from scheduler.state.demand import evening_demand, zone_rain
from scheduler.state.evening import starting_state
from scheduler.state.uneven import with_weighed_catch
from scheduler.supply import net_rates

SEASON = 400  # [d] looked back at most
EVENT_GAP = 2  # [d] nights nearer together are one flush
TREND_LEAST = 6  # [d] with fewer since the last flush the rise is that of the water that replaces ET
SMOOTHED = "5D"  # window of the median drawn through probe readings
CLEARLY_LESS = 0.03  # [-] of its ECe by which the lower layer must fall for the salt to count as carried through
MANY_READINGS = 400_000  # above it the season is drawn from four readings a day


def salt_report(site: Site, night: date, longest: int = SEASON) -> SaltReport:
    """Gather the salts of a site as they stand on an evening.

    Parameters
    ----------
    site : Site
    night : date   Evening; nothing newer is used.
    longest : int  Looked back at most [d].

    Returns
    -------
    SaltReport
    """
    opens, _ = site.window.of(night)
    opening = pd.Timestamp(night) + timedelta(minutes=opens)
    demand = evening_demand(site, night, site.nights)
    site, _ = with_weighed_catch(site, demand)
    state = starting_state(site, night, opens, demand, net_rates(site))
    salt = salt_state(site, night, opens, demand, state)
    season = evening_demand(site, night, site.nights, longest=longest)
    samples = layer_samples(site, opening)
    zones = np.flatnonzero(salt.known)
    run = salt_history(site, salt.layers, salt.source_ec, zones, season.past, samples, night)
    daily = _daily_readings(site, salt, opening, run.dates[0])
    courses = _courses(run, salt, daily, samples)
    rain = zone_rain(site, season.past)[0][zones]
    events = _events(run, rain, courses, daily)
    rise = _rise(site, salt, run, courses, events)
    mean = salt.mean
    days = np.where(salt.known, days_to_threshold(np.nan_to_num(mean), rise, site.zones.ece_threshold), np.nan)
    planned, planned_on = _planned(site, night)
    return SaltReport(
        site=site,
        night=night,
        first=run.dates[0].date(),
        state=salt,
        rise=np.where(salt.known, rise, np.nan),
        days=days,
        courses=courses,
        events=events,
        planned=planned,
        planned_on=planned_on,
        leaching=leaching_by_surface(
            site,
            run.zones,
            salt.source_ec[run.zones],
            run.depth.sum(axis=1),
            rain[:, 1:].sum(axis=1),
            run.drainage.sum(axis=1),
        ),
        waters=_waters(site),
        notes=(*salt.notes, *(n for n in site.notes if n.subject in ("ledger", "learned"))),
    )


def _daily_readings(site: Site, salt: SaltState, opening: pd.Timestamp, first: pd.Timestamp) -> pd.DataFrame:
    """Corrected ECe of each probe and day."""
    rows = site.probes[(site.probes["time"] >= first) & (site.probes["time"] <= opening) & site.probes["ec"].notna()]
    if len(rows) > MANY_READINGS:
        time = rows["time"].dt
        few = rows[(time.hour % 6 == 0) & (time.minute < 15)]
        rows = few if few["probe"].nunique() == rows["probe"].nunique() else rows
    daily = median_ece(site, rows, by_day=True)
    if not len(daily):
        return daily.assign(day=pd.Series(dtype="datetime64[ns]"))
    factor = daily["probe"].map(salt.corrections).fillna(1.0)
    return daily.assign(ece=daily["ece"] * factor)


def _courses(run: SaltRun, salt: SaltState, daily: pd.DataFrame, samples: pd.DataFrame) -> dict[int, Course]:
    """ECe of every known zone by date: the median of its probes, else the balance drawn to where it stands tonight."""
    taken: dict[int, list[tuple[pd.Timestamp, int, float]]] = {}
    for day, z, layer, ece in zip(samples["date"], samples["z"], samples["layer"], samples["ece"], strict=True):
        if day >= run.dates[0]:
            taken.setdefault(int(z), []).append((day, int(layer), float(ece)))
    ratio = salt.ece[run.zones] / np.maximum(run.ece, 1e-9)
    path = np.moveaxis(run.path, 1, 2) * ratio[:, None, :]
    read = {}
    if len(daily):
        table = daily.groupby(["z", "layer", "day"])["ece"].median()
        for (z, layer), values in table.groupby(level=[0, 1]):
            one = values.droplevel([0, 1]).rolling(SMOOTHED, min_periods=1, center=True).median()
            read[int(z), int(layer)] = one.reindex(run.dates).interpolate(limit=7, limit_area="inside").to_numpy()
    found = {}
    for i, z in enumerate(run.zones.tolist()):
        ece, measured = path[i].copy(), [False, False]
        for layer in (0, 1):
            values = read.get((z, layer))
            if values is not None and np.isfinite(values).sum() >= TREND_LEAST:
                ece[:, layer], measured[layer] = values, True
        found[z] = Course(run.dates, ece, (measured[0], measured[1]), tuple(taken.get(z, ())))
    return found


def _events(run: SaltRun, rain: np.ndarray, courses: dict[int, Course], daily: pd.DataFrame) -> tuple[SaltEvent, ...]:
    """Flushes and storms of the season, oldest first."""
    before = np.column_stack([np.zeros(run.zones.size), run.depletion[:, :-1]])
    by_night = np.maximum(run.depth - before, 0.0)  # column i: the night before date i
    by_rain = np.where(rain > 0.0, np.maximum(run.drainage - by_night, 0.0), 0.0)
    readings = daily.groupby(["z", "layer", "day"])["ece"].median() if len(daily) else None
    found = []
    for kind, water in (("flush", by_night), ("rain", by_rain)):
        for row in np.flatnonzero((water >= SALT.flush_least).any(axis=1)).tolist():
            days = np.flatnonzero(water[row] >= SALT.flush_least)
            for group in np.split(days, np.flatnonzero(np.diff(days) > EVENT_GAP) + 1):
                drained = float(water[row, group].sum())
                found.append(_event(run, row, kind, group, drained, courses, readings))
    return tuple(sorted(found, key=lambda e: (e.nights[0], e.zone)))


def _event(
    run: SaltRun,
    row: int,
    kind: str,
    group: np.ndarray,
    drained: float,
    courses: dict[int, Course],
    readings: pd.Series | None,
) -> SaltEvent:
    """One flush or storm on the dates `group`; a flush's night is the one before its date."""
    z = int(run.zones[row])
    first, last = int(group[0]), int(group[-1])
    early, late = max(first - 1, 0), min(last + 1, len(run.dates) - 1)
    before = [float(run.path[row, layer, early]) for layer in (0, 1)]
    after = [float(run.path[row, layer, last]) for layer in (0, 1)]
    measured = all(courses[z].measured)
    if measured and readings is not None:
        for layer in (0, 1):
            values = readings.loc[z, layer]
            earlier = values[
                (values.index >= run.dates[early] - timedelta(days=1)) & (values.index <= run.dates[early])
            ]
            later = values[(values.index > run.dates[last]) & (values.index <= run.dates[late] + timedelta(days=1))]
            if not len(earlier) or not len(later):
                measured = False
                break
            before[layer], after[layer] = float(earlier.median()), float(later.median())
    if not measured:
        before = [float(run.path[row, layer, early]) for layer in (0, 1)]
        after = [float(run.path[row, layer, last]) for layer in (0, 1)]
    nights = tuple((run.dates[i] - timedelta(days=1 if kind == "flush" else 0)).date() for i in group.tolist())
    return SaltEvent(
        zone=z,
        kind=kind,
        nights=nights,
        drained=drained,
        before=(before[0], before[1]),
        after=(after[0], after[1]),
        measured=measured,
        reached=after[1] < (1.0 - CLEARLY_LESS) * before[1],
    )


def _rise(
    site: Site, salt: SaltState, run: SaltRun, courses: dict[int, Course], events: tuple[SaltEvent, ...]
) -> np.ndarray:
    """Daily rise of the mean ECe at the present trend (Z,) [dS/m/d].

    By least squares over the last two weeks, or since the last flush; where that is too short, what replacing the
    recent ET brings.
    """
    rise = np.zeros(len(site.zones))
    recent = run.etc[:, -SALT.trend_days :].mean(axis=1)
    paste = salt.layers.paste_water[run.zones].sum(axis=1)
    rise[run.zones] = recent * salt.source_ec[run.zones] / paste
    last = {e.zone: e.nights[-1] for e in events}
    for z, course in courses.items():
        mean = course.ece.mean(axis=1)[-SALT.trend_days :]
        dates = course.dates[-SALT.trend_days :]
        on = np.isfinite(mean)
        if z in last:
            on &= np.asarray(dates > pd.Timestamp(last[z]) + timedelta(days=2))
        if on.sum() >= TREND_LEAST:
            day = np.flatnonzero(on).astype(float)
            rise[z] = float(np.polyfit(day - day.mean(), mean[on], 1)[0])
    return rise


def _planned(site: Site, night: date) -> tuple[dict[int, PlannedFlush], date | None]:
    """Flushes of the newest plan that are still to come, and the evening it was made for."""
    plans = sorted((site.folder / "out").glob("*/plan.json"), key=lambda p: p.parent.name, reverse=True)
    index = {name: i for i, name in enumerate(site.zones.zone)}
    for file in plans:
        document = _read_plan(file)
        if document is None or date.fromisoformat(document["night"]) > night:
            continue
        found = {}
        for flush in document["flushes"]:
            nights = tuple(date.fromisoformat(n) for n in flush["nights"])
            if nights and nights[-1] >= night and flush["zone"] in index:
                drained = float(flush.get("leached_mm") or flush["drainage_mm"])
                found[index[flush["zone"]]] = PlannedFlush(nights, drained)
        return found, date.fromisoformat(document["night"])
    return {}, None


def _read_plan(file: Path) -> dict | None:  # type: ignore[type-arg]
    """A plan document, or None where the file is not one."""
    try:
        document = json.loads(file.read_text(encoding="utf-8"))
        date.fromisoformat(document["night"])
        return document if isinstance(document["flushes"], list) else None
    except (ValueError, KeyError, TypeError):
        return None


def _waters(site: Site) -> tuple[tuple[str, tuple[WaterAdvice, ...]], ...]:
    """What each source's analysis means."""

    def known(value: float | None) -> float:
        return math.nan if value is None else float(value)

    ions = ("sar", "sodium", "calcium", "magnesium", "bicarbonate", "carbonate", "chloride")
    return tuple(
        (s.name, water_advice(WaterAnalysis(ec=s.ec, **{ion: known(getattr(s, ion)) for ion in ions})))
        for s in site.sources
    )
