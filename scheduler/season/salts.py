"""Flushes of a season with what they did, leaching reached against required, and the course of salinity by surface."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import pandas as pd

from scheduler.salinity.evening import SALTLESS
from scheduler.salinity.records import SaltReport
from scheduler.salinity.report import SEASON, salt_report
from scheduler.season import parts
from scheduler.season.span import Span
from scheduler.site import Site
from scheduler.supply import usual_source_ec

SHOWN_DAYS = 200  # points of a course kept, at most


@dataclass(frozen=True)
class SeasonSalts:
    """What is told of salts; empty where the site follows none.

    start : ndarray (Z, 2)    ECe by half of the roots at the first opening [dS/m], NaN = not followed.
    """

    flushes: list[parts.FlushPart]
    leaching: list[parts.LeachingPart]
    paths: list[parts.SaltPath]
    start: np.ndarray
    notes: tuple[str, ...]


def season_salts(site: Site, span: Span) -> SeasonSalts:
    """Follow the salts of a season; of one longer than `SEASON` days, its last `SEASON`."""
    nothing = np.full((len(site.zones), 2), np.nan)
    salted = (usual_source_ec(site) > SALTLESS).any() or len(site.samples) or bool((site.probes["ec"] > 0).any())
    if not salted:
        return SeasonSalts([], [], [], nothing, ())
    report = salt_report(site, span.last, longest=min(max(span.nights, 60) + 30, SEASON))
    notes = ()
    if report.first > span.first + timedelta(days=1):
        notes = (f"salts: followed from {report.first.isoformat()}; nothing is told of the nights before",)
    start = nothing.copy()
    for z, course in report.courses.items():
        at = int(np.clip(course.dates.searchsorted(pd.Timestamp(span.first)), 0, len(course.dates) - 1))
        start[z] = course.ece[at]
    start[~np.isfinite(start).all(axis=1)] = np.nan
    return SeasonSalts(_flushes(report, span), _leaching(report), _paths(report, span), start, notes)


def _flushes(report: SaltReport, span: Span) -> list[parts.FlushPart]:
    zones = report.site.zones
    return [
        parts.FlushPart(
            zone=str(zones.zone[e.zone]), name=str(zones.name[e.zone]), surface=str(zones.surface[e.zone]),
            nights=list(e.nights), drained_mm=round(e.drained, 3),
            ece_before_dsm=[round(v, 3) for v in e.before], ece_after_dsm=[round(v, 3) for v in e.after],
            measured=e.measured, reached_lower=bool(e.reached),
        )
        for e in report.events
        if e.kind == "flush" and span.first <= e.nights[0] <= span.last
    ]  # fmt: skip


def _leaching(report: SaltReport) -> list[parts.LeachingPart]:
    def known(value: float) -> float | None:
        return round(float(value), 4) if np.isfinite(value) else None

    return [
        parts.LeachingPart(
            surface=row.surface, drained_mm=round(row.drained, 3), reached=known(row.achieved),
            required=known(row.required),
        )
        for row in report.leaching
    ]  # fmt: skip


def _paths(report: SaltReport, span: Span) -> list[parts.SaltPath]:
    """Mean ECe of each surface by date, over the zones followed."""
    zones = report.site.zones
    found = []
    for surface in sorted(set(zones.surface), key=lambda s: (report.site.surfaces[s].priority, s)):
        of = [z for z in report.courses if zones.surface[z] == surface]
        if not of:
            continue
        dates = report.courses[of[0]].dates
        mean = np.nanmean(np.stack([_filled(report.courses[z].ece).mean(axis=1) for z in of]), axis=0)
        inside = np.flatnonzero((dates >= pd.Timestamp(span.first)) & (dates <= pd.Timestamp(span.last)))
        inside = inside[:: max(1, -(-len(inside) // SHOWN_DAYS))]
        found.append(
            parts.SaltPath(
                surface=surface, dates=[dates[i].date() for i in inside],
                ece_dsm=[round(float(mean[i]), 3) if np.isfinite(mean[i]) else None for i in inside],
                limit_dsm=round(float(np.mean([zones.ece_threshold[z] for z in of])), 3),
                measured_zones=sum(all(report.courses[z].measured) for z in of), zones=len(of),
            )
        )  # fmt: skip
    return found


def _filled(ece: np.ndarray) -> np.ndarray:
    """Fill days without a value from those around."""
    return pd.DataFrame(ece).interpolate(limit_direction="both").to_numpy()
