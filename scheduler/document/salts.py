"""Salts in the plan document: flushes planned or due, leaching achieved against required, and upkeep."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from models.choices import SALT, TOLD
from models.plan.results import PlannedUpkeep
from scheduler.document.parts import FlushPart, LeachingPart, SurfaceLeaching, UpkeepPart
from scheduler.document.planned import Planned, rounded
from scheduler.edge import format_short_date
from scheduler.salinity.evening import SaltState, forecast_salt
from scheduler.salinity.leaching import leaching_by_surface

FOUR_IN_FIVE = 1.2816  # standard deviations either side of a normal variable


def flush_parts(planned: Planned) -> tuple[FlushPart, ...]:
    """Flushes of the horizon in order of their first night, then the zones that need one and get none."""
    candidates, effects, zones, dates = planned.flushes, planned.effects, planned.site.zones, planned.inputs.dates
    place = {int(z): f for f, z in enumerate(candidates.needs.zone)}
    found, saltier, probes = [], _if_saltier(planned), _lower_probes(planned)
    rested = _once_drained(planned)
    for flush in sorted(planned.run.result.flushes, key=lambda f: (f.nights, f.zone)):
        z, f, on = flush.zone, place.pop(flush.zone), list(flush.nights)
        after, left = float(effects.ece[z, on[-1] + 1]), float(rested[z, on[-1]])
        found.append(
            FlushPart(
                zone=zones.zone[z],
                nights=tuple(dates[n] for n in on),
                by=candidates.by[f],
                likely_dsm=_likely(after, float(effects.ece[z, on[0]]), float(saltier[z, on[-1]])),
                layers_before_dsm=tuple(rounded(effects.layers[z, :, on[0]], 3)),
                layers_after_dsm=tuple(rounded(effects.layers[z, :, on[-1] + 1], 3)),
                again_by=_again(candidates.holds_for(f, left), dates[on[-1]]),
                **probes.get(z, {}),
                drainage_mm=round(float(effects.balance.drainage[z, on].sum()), 3),
                leached_mm=round(float(effects.leached[z, on].sum()), 3),
                depth_mm=round(float(effects.gross[z, on].sum()), 3),
                ece_before_dsm=round(float(effects.ece[z, on[0]]), 3),
                ece_after_dsm=round(after, 3),
                staged=bool(candidates.staged[f]),
                words=candidates.words(f, _brings(after, left, candidates.target[f])) + _late(planned, f, on),
            )
        )
    for little in planned.run.result.upkeep:
        place.pop(little.zone, None)
    for z, f in place.items():
        found.append(
            FlushPart(
                zone=zones.zone[z],
                nights=(),
                by=candidates.by[f],
                drainage_mm=0.0,
                depth_mm=0.0,
                ece_before_dsm=round(float(candidates.ece_now[f]), 3),
                ece_after_dsm=None,
                layers_before_dsm=tuple(rounded(candidates.layer_ece[f], 3)),
                staged=bool(candidates.staged[f]),
                words="not within this plan: "
                + candidates.words(f, f"a flush would bring it to {candidates.target[f]:.1f}"),
            )
        )
    return tuple(found)


def _if_saltier(planned: Planned) -> np.ndarray:
    """Mean ECe at the end of each date (Z, N) [dS/m] of zones to be flushed, one standard deviation saltier tonight."""
    salt = planned.salt
    spread = np.minimum(salt.spread / np.maximum(salt.mean, SALT.least_ece), TOLD.widest_salt)
    return _forecast(planned, replace(salt, ece=salt.ece * (1.0 + spread)[:, None]))


def _once_drained(planned: Planned) -> np.ndarray:
    """Mean ECe after each date (Z, N) [dS/m] of zones to be flushed, once what its night led past them has drained."""
    if planned.salt.lingers is None:
        return np.asarray(planned.effects.ece[:, 1:])
    return _forecast(planned, replace(planned.salt, lingers=None))


def _forecast(planned: Planned, salt: SaltState) -> np.ndarray:
    """Mean ECe on the evening of each date (Z, N) [dS/m] of zones to be flushed, NaN of others, from another start."""
    flushed = np.zeros(planned.plan.zones, dtype=bool)
    flushed[[f.zone for f in planned.run.result.flushes]] = True
    effects, plan = planned.effects, planned.plan
    some = replace(salt, ece=np.where(flushed[:, None], salt.ece, np.nan))
    return forecast_salt(
        some, effects.net, effects.water_ec, plan.etc, plan.effective_rain, planned.inputs.depletion_fraction
    ).mean


def _likely(after: float, before: float, saltier: float) -> tuple[float, float]:
    """Within which ECe ends in four cases of five [dS/m]: where a zone stands, and how well it leaches, is not known.

    Layers are linear in their salt, so what one standard deviation more leaves, `saltier`, is one of the forecast.
    """
    leaches = SALT.leached_spread * max(math.log(before / after), 0.0) if after > 0.0 else 0.0
    width = FOUR_IN_FIVE * math.hypot(saltier / after - 1.0, leaches) if after > 0.0 else 0.0
    return round(after * math.exp(-width), 3), round(after * math.exp(width), 3)


def _again(days: float, night: date) -> date | None:
    """About when the next flush is due, or None where that is past what can be told."""
    return night + timedelta(days=max(int(days), 1)) if days < TOLD.next_flush else None


def _lower_probes(planned: Planned) -> dict[int, dict[str, Any]]:
    """Lowest probe of each zone that has one in the lower half of its roots or below, as `FlushPart` has it."""
    zones = planned.site.zones
    row = {zone: z for z, zone in enumerate(zones.zone)}
    found: dict[int, dict[str, Any]] = {}
    for place in planned.standing_probes.sort_values("depth", kind="stable").itertuples():
        z = row.get(place.zone)
        if z is not None and place.depth / 100.0 >= 0.5 * zones.root_depth[z]:
            found[z] = {"lower_probe": str(place.probe), "lower_probe_cm": round(float(place.depth), 2)}
    return found


def _brings(after: float, left: float, aim: float) -> str:
    """What a flush brings the roots to by the next evening and once it has drained, and whether that is short."""
    then = f" by the next evening, {left:.1f} once it has drained" if after > left + TOLD.short_of_aim else ""
    short = f", short of the {aim:.1f} aimed at" if left > aim + TOLD.short_of_aim else ""
    return f"this flush brings it to {after:.1f}{then}{short}"


def _late(planned: Planned, f: int, nights: list[int]) -> str:
    """A few words where a flush ends after the last night on which it is in time."""
    by = planned.flushes.by[f]
    if planned.inputs.dates[nights[-1]] <= by:
        return ""
    return f"; later than by {format_short_date(by, planned.site.units)}, when it is due: no night before had room"


def leaching_part(planned: Planned) -> LeachingPart:
    """Leaching by surface over the past days and this plan, and the zones that leach with their watering."""
    past, salt, effects = planned.salt.past, planned.salt, planned.effects
    if past is None:
        return LeachingPart(since=None, surfaces=(), upkeep=())
    on = np.flatnonzero(salt.known)
    water, fell, drained = (
        then[on] + now[on].sum(axis=1)
        for then, now in (
            (past.water, effects.net),
            (past.rain, planned.plan.effective_rain),
            (past.drained, effects.leached),
        )
    )
    surfaces = tuple(
        SurfaceLeaching(
            surface=row.surface,
            entered_mm=round(row.irrigation + row.rain, 3),
            drained_mm=round(row.drained, 3),
            achieved=None if math.isnan(row.achieved) else round(row.achieved, 4),
            required=None if math.isnan(row.required) else round(row.required, 4),
        )
        for row in leaching_by_surface(planned.site, on, salt.source_ec[on], water, fell, drained)
    )
    chosen = sorted(planned.run.result.upkeep, key=lambda u: (u.nights, u.zone))
    upkeep = tuple(_upkeep(planned, little) for little in chosen)
    return LeachingPart(since=past.since, surfaces=surfaces, upkeep=upkeep)


def _upkeep(planned: Planned, little: PlannedUpkeep) -> UpkeepPart:
    effects, z, nights = planned.effects, little.zone, list(little.nights)
    return UpkeepPart(
        zone=planned.site.zones.zone[z],
        nights=tuple(planned.inputs.dates[n] for n in nights),
        drainage_mm=round(float(effects.balance.drainage[z, nights].sum()), 3),
        leached_mm=round(float(effects.leached[z, nights].sum()), 3),
        depth_mm=round(float(effects.gross[z, nights].sum()), 3),
        ece_before_dsm=round(float(effects.ece[z, 0]), 3),
        ece_after_dsm=round(float(effects.ece[z, -1]), 3),
    )
