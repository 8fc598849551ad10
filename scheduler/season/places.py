"""Figures of the account by zone and by surface."""

from __future__ import annotations

import numpy as np

from scheduler.season import parts
from scheduler.season.account import MM_M2, Record, by_month, exact
from scheduler.site.records import SURFACES


def row_part(record: Record) -> list[parts.Row]:
    """Every month, source, surface and zone; a blended zone's figures are divided as its water is."""
    r, m, own = record, len(record.months), record.own
    gone = len(r.zones.zone) - own
    area = r.site.zones.area[:, None] / MM_M2

    def whole(values: np.ndarray) -> np.ndarray:
        return np.concatenate((by_month(np.nan_to_num(values), r.month, m), np.zeros((gone, m))))

    log, guess, minutes, ran = (
        by_month(v.astype(float), r.month, m)
        for v in (r.logged.volume, r.logged.estimated, r.logged.minutes, r.logged.ran)
    )
    demand, rain, unmet = (whole(v * area) for v in (r.turf.demand, r.turf.effective_rain, r.turf.unmet))
    dry, soft = (whole(v.astype(float)) for v in (r.turf.dry, r.turf.soft))
    order = np.argsort([_rank(s) for s in r.zones.surface], kind="stable")
    found = []
    for i, label in enumerate(r.months):
        for w, source in enumerate(r.zones.sources):
            share = r.zones.share[:, w]
            for z in order[share[order] > 0].tolist():
                if z >= own and not log[z, i]:
                    continue
                part = float(share[z])
                found.append(
                    parts.Row.model_construct(
                        month=label, source=source, surface=str(r.zones.surface[z]), zone=str(r.zones.zone[z]),
                        logged_m3=exact(log[z, i] * part), estimated_m3=exact(guess[z, i] * part),
                        minutes=exact(minutes[z, i] * part, 3), nights_run=int(ran[z, i]),
                        demand_m3=exact(demand[z, i] * part), effective_rain_m3=exact(rain[z, i] * part),
                        deficit_m3=exact((demand[z, i] - rain[z, i] - log[z, i]) * part),
                        unmet_et_m3=exact(unmet[z, i] * part),
                        dry_days=exact(dry[z, i] * part, 3), soft_days=exact(soft[z, i] * part, 3),
                    )
                )  # fmt: skip
    return found


def _rank(surface: str) -> int:
    return SURFACES.index(surface) if surface in SURFACES else len(SURFACES)


def zone_part(record: Record) -> list[parts.ZonePart]:
    """The zones of the account over the season."""
    zones, own = record.zones, record.own
    log, guess = record.logged.volume.sum(axis=1), record.logged.estimated.sum(axis=1)
    demand = np.nan_to_num(record.turf.demand).sum(axis=1) * record.site.zones.area / MM_M2
    dry, soft = record.turf.dry.sum(axis=1), record.turf.soft.sum(axis=1)
    return [
        parts.ZonePart(
            zone=str(zones.zone[z]), name=str(zones.name[z]), surface=str(zones.surface[z]),
            area_class=str(zones.area_class[z]), area_m2=float(zones.area[z]),
            sources={s: float(p) for s, p in zip(zones.sources, zones.share[z], strict=True) if p > 0},
            source_recorded=bool(zones.told[z]), logged_m3=exact(log[z]), estimated_m3=exact(guess[z]),
            depth_mm=round(float(log[z] / zones.area[z] * MM_M2), 3) if zones.area[z] > 0 else None,
            demand_m3=exact(demand[z]) if z < own else 0.0,
            dry_days=int(dry[z]) if z < own else 0, soft_days=int(soft[z]) if z < own else 0,
        )
        for z in range(len(zones.zone))
    ]  # fmt: skip


def surface_part(record: Record) -> list[parts.SurfaceTotal]:
    """Surfaces over the season, those served first in front."""
    r, own = record, record.own
    found = []
    for surface in sorted(set(r.zones.surface), key=_rank):
        of = r.zones.surface == surface
        mine = of[:own]
        area = float(r.zones.area[of].sum())
        per = r.site.zones.area[mine][:, None] / MM_M2
        log = float(r.logged.volume[of].sum())
        demand, rain = (float(np.nan_to_num(v[mine] * per).sum()) for v in (r.turf.demand, r.turf.effective_rain))
        found.append(
            parts.SurfaceTotal(
                surface=surface, zones=int(of.sum()), area_m2=area, logged_m3=exact(log),
                depth_mm=round(log / area * MM_M2, 3) if area else None,
                demand_m3=exact(demand), effective_rain_m3=exact(rain), deficit_m3=exact(demand - rain - log),
                zone_days=int(mine.sum()) * r.span.nights,
                dry_zone_days=int(r.turf.dry[mine].sum()), soft_zone_days=int(r.turf.soft[mine].sum()),
            )
        )  # fmt: skip
    return found
