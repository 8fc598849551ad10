"""The account of a season: every figure by month, source, surface and zone; the list of its steps is `season_account`.

Sums are those of nights: a month's figure is the sum of its nights' and the season's that of its months'.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from models.allowance import M3_PER_GAL, counted_et, et_allowance_m3, weighted_area
from models.choices import SEASON
from scheduler.season import document as doc
from scheduler.season.money import allocation_steps, energy_blocks, zone_energy
from scheduler.season.reconcile import source_covered, source_read, source_volume
from scheduler.season.record import (
    Logged,
    Metered,
    ZoneList,
    logged_water,
    metered_water,
    zone_list,
)
from scheduler.season.span import Span
from scheduler.season.turf import Days, Turf, season_days, season_turf
from scheduler.site import Site
from scheduler.site.records import AREA_CLASSES, SURFACES
from scheduler.state.demand import Demand, seasonal_eto

MM_M2 = 1000.0  # mm over m2 in one m3


@dataclass(frozen=True)
class Record:
    """A season's record as arrays; zones of `zones` (Z,), nights (N,), months numbered from 0.

    use : ndarray (W, N)     Water that counts as used, by source and night [m3].
    from_meter : ndarray (W, M)    Whether a month of a source counts as metered.
    """

    site: Site
    span: Span
    zones: ZoneList
    logged: Logged
    metered: Metered
    days: Days
    demand: Demand
    turf: Turf
    months: tuple[str, ...]
    month: np.ndarray
    use: np.ndarray
    from_meter: np.ndarray

    @property
    def own(self) -> int:
        """Number of zones of zones.csv, which come first."""
        return len(self.site.zones)


def season_record(site: Site, span: Span) -> Record:
    """Gather log, meters, weather and the turf's course of a season."""
    zones = zone_list(site)
    logged = logged_water(site, zones, span.first, span.last)
    metered = metered_water(site, span.first, span.last)
    days, demand = season_days(site, span.first, span.last)
    lead = logged_water(site, zones, span.first - timedelta(days=SEASON.lead_in), span.first - timedelta(days=1))
    own = len(site.zones)
    per_mm = site.zones.area / MM_M2 / site.net_share
    turf = season_turf(
        site, demand, logged.volume[:own] / per_mm[:, None], lead.volume[:own] / per_mm[:, None], span.first, span.last
    )
    labels = logged.nights.strftime("%Y-%m")
    months = tuple(dict.fromkeys(labels))
    month = pd.Index(months).get_indexer(labels)
    use, from_meter = _use(zones, logged, metered, month, len(months))
    return Record(site, span, zones, logged, metered, days, demand, turf, months, month, use, from_meter)


def _use(
    zones: ZoneList, logged: Logged, metered: Metered, month: np.ndarray, months: int
) -> tuple[np.ndarray, np.ndarray]:
    """Water that counts as used: metered in months whose every night a source's meters are read over, else logged."""
    use = zones.share.T @ logged.volume
    from_meter = np.zeros((len(zones.sources), months), dtype=bool)
    length = np.bincount(month, minlength=months)
    for w, source in enumerate(zones.sources):
        covered = source_covered(metered, source)
        from_meter[w] = np.bincount(month, weights=covered, minlength=months) >= length
        on = from_meter[w][month]
        use[w, on] = source_volume(metered, source)[0][on]
    return use, from_meter


def by_month(values: np.ndarray, month: np.ndarray, months: int) -> np.ndarray:
    """Sum (R, N) over the nights of each month, (R, M)."""
    starts = np.searchsorted(month, np.arange(months))
    return np.asarray(np.add.reduceat(values, starts, axis=1), dtype=float)


def totals_part(record: Record) -> tuple[doc.Totals, list[doc.Month]]:
    """Season and months in all their figures."""
    r, m = record, len(record.months)
    own = r.own
    area = r.site.zones.area[:, None] / MM_M2
    water = by_month(r.logged.volume, r.month, m).sum(axis=0)
    estimated = by_month(r.logged.estimated, r.month, m).sum(axis=0)
    demand, rain, unmet = (
        by_month(np.nan_to_num(v * area), r.month, m).sum(axis=0)
        for v in (r.turf.demand, r.turf.effective_rain, r.turf.unmet)
    )
    dry, soft = (by_month(v.astype(float), r.month, m).sum(axis=0) for v in (r.turf.dry, r.turf.soft))
    ran = by_month(r.logged.ran.any(axis=0)[None, :].astype(float), r.month, m)[0]
    covered = by_month(r.metered.covered.astype(float), r.month, m).sum(axis=0)
    metered, divided = (by_month(v, r.month, m).sum(axis=0) for v in (r.metered.volume, r.metered.spread))
    use = by_month(r.use, r.month, m)
    price = source_prices(r)
    energy = (zone_energy(r.site)[:, None] * r.logged.volume[:own]).sum(axis=0)
    blocks = energy_blocks(r.site, tuple(d.date() for d in r.logged.nights), energy, r.month)
    known = bool(zone_energy(r.site).any())
    priced = known and bool(r.site.tariffs)
    kwh = by_month(energy[None, :], r.month, m)[0]
    cost = np.sum([b.energy * (b.price or 0.0) for b in blocks], axis=0) if blocks else np.zeros(m)
    eto, eto_open = _weather(r.days.eto, r.days.eto_observed, r.month, m)
    fell, rain_open = _weather(r.days.rain, r.days.rain_observed, r.month, m)

    def figures(of: np.ndarray) -> dict[str, object]:
        read = covered[of].sum() > 0
        return {
            "nights_run": int(ran[of].sum()),
            "logged_m3": _exact(water[of].sum()),
            "estimated_m3": _exact(estimated[of].sum()),
            "metered_m3": _exact(metered[of].sum()) if read else None,
            "divided_m3": _exact(divided[of].sum()) if read else None,
            "use_m3": _exact(use[:, of].sum()),
            "eto_mm": _depth(eto[of]),
            "eto_days_not_observed": int(eto_open[of].sum()),
            "rain_mm": _depth(fell[of]),
            "rain_days_not_observed": int(rain_open[of].sum()),
            "demand_m3": _exact(demand[of].sum()),
            "effective_rain_m3": _exact(rain[of].sum()),
            "deficit_m3": _exact((demand - rain - water)[of].sum()),
            "unmet_et_m3": _exact(unmet[of].sum()),
            "dry_zone_days": int(dry[of].sum()),
            "soft_zone_days": int(soft[of].sum()),
            "energy_kwh": _exact(kwh[of].sum(), 3) if known else None,
            "energy_cost": _exact(cost[of].sum(), 4) if priced else None,
            "water_cost": _exact((price @ use[:, of]).sum(), 4),
        }

    months = [doc.Month(month=name, **figures(np.array([i]))) for i, name in enumerate(r.months)]
    return doc.Totals(**figures(np.arange(m))), months


def source_prices(record: Record) -> np.ndarray:
    """Price of each source of the account, (W,) [per m3]; 0 for one not known."""
    sources = record.site.sources
    return np.array([sources[w].price if w < len(sources) else 0.0 for w in range(len(record.zones.sources))])


def _weather(values: np.ndarray, observed: np.ndarray, month: np.ndarray, months: int) -> tuple[np.ndarray, np.ndarray]:
    """Sum by month, NaN where no date is known; and dates not observed."""
    known = np.isfinite(values)
    total = np.bincount(month, weights=np.nan_to_num(values), minlength=months)
    any_known = np.bincount(month, weights=known, minlength=months) > 0
    return np.where(any_known, total, np.nan), np.bincount(month, weights=~observed, minlength=months)


def _exact(value: float, digits: int = 6) -> float:
    """Round to the millilitre, or less: what is written is what adds up."""
    return round(float(value), digits) + 0.0


def _depth(values: np.ndarray) -> float | None:
    known = np.isfinite(values)
    return round(float(values[known].sum()), 3) if known.any() else None


def source_part(record: Record) -> list[doc.SourceMonth]:
    """Every month of every source: log, meter, permits, price."""
    r, m = record, len(record.months)
    length = np.bincount(r.month, minlength=m)
    found = []
    for w, name in enumerate(r.zones.sources):
        log = r.zones.share[:, w] @ r.logged.volume
        guess = r.zones.share[:, w] @ r.logged.estimated
        read, spread = source_volume(r.metered, name)
        on, some = source_covered(r.metered, name), source_read(r.metered, name)
        source = r.site.sources[w] if w < len(r.site.sources) else None
        daily = source.daily_limit if source else np.inf
        nights = (log > daily + 1e-9).astype(float)
        sums = by_month(
            np.array([log, guess, read, spread, some, on, log * on, read * on, r.use[w], nights]), r.month, m
        )
        for i, label in enumerate(r.months):
            logged, estimated, metered, divided, partly, covered, beside, against, used, over = sums[:, i].tolist()
            known = covered > 0
            error = r.site.meter_error * against
            limit = source.monthly_limit if source else np.inf
            found.append(
                doc.SourceMonth(
                    month=label, source=name, logged_m3=_exact(logged), estimated_m3=_exact(estimated),
                    metered_m3=_exact(metered) if partly else None, divided_m3=_exact(divided) if partly else None,
                    metered_nights=int(covered), nights=int(length[i]),
                    logged_on_metered_nights_m3=_exact(beside) if known else None,
                    difference_m3=_exact(against - beside) if known else None,
                    error_m3=_exact(error) if known else None,
                    beyond_error=bool(known and abs(against - beside) > error),
                    use_m3=_exact(used), use_from="meter" if r.from_meter[w, i] else "log",
                    water_cost=_exact(used * (source.price if source else 0.0), 4),
                    monthly_limit_m3=float(limit) if np.isfinite(limit) else None,
                    above_monthly_limit=bool(used > limit + 1e-9), nights_above_daily_limit=int(over),
                )
            )  # fmt: skip
    return found


def source_totals(months: list[doc.SourceMonth]) -> list[doc.SourceTotal]:
    """Sources over the season: the sums of their months."""
    found = []
    for name in dict.fromkeys(s.source for s in months):
        own = [s for s in months if s.source == name]
        read = [s for s in own if s.metered_m3 is not None]
        found.append(
            doc.SourceTotal(
                source=name,
                logged_m3=_exact(sum(s.logged_m3 for s in own)),
                metered_m3=_exact(sum(s.metered_m3 or 0.0 for s in read)) if read else None,
                divided_m3=_exact(sum(s.divided_m3 or 0.0 for s in read)) if read else None,
                use_m3=_exact(sum(s.use_m3 for s in own)),
                water_cost=_exact(sum(s.water_cost for s in own), 4),
            )
        )
    return found


def row_part(record: Record) -> list[doc.Row]:
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
                    doc.Row.model_construct(
                        month=label, source=source, surface=str(r.zones.surface[z]), zone=str(r.zones.zone[z]),
                        logged_m3=_exact(log[z, i] * part), estimated_m3=_exact(guess[z, i] * part),
                        minutes=_exact(minutes[z, i] * part, 3), nights_run=int(ran[z, i]),
                        demand_m3=_exact(demand[z, i] * part), effective_rain_m3=_exact(rain[z, i] * part),
                        deficit_m3=_exact((demand[z, i] - rain[z, i] - log[z, i]) * part),
                        unmet_et_m3=_exact(unmet[z, i] * part),
                        dry_days=_exact(dry[z, i] * part, 3), soft_days=_exact(soft[z, i] * part, 3),
                    )
                )  # fmt: skip
    return found


def _rank(surface: str) -> int:
    return SURFACES.index(surface) if surface in SURFACES else len(SURFACES)


def zone_part(record: Record) -> list[doc.ZonePart]:
    """The zones of the account over the season."""
    zones, own = record.zones, record.own
    log, guess = record.logged.volume.sum(axis=1), record.logged.estimated.sum(axis=1)
    demand = np.nan_to_num(record.turf.demand).sum(axis=1) * record.site.zones.area / MM_M2
    dry, soft = record.turf.dry.sum(axis=1), record.turf.soft.sum(axis=1)
    return [
        doc.ZonePart(
            zone=str(zones.zone[z]), name=str(zones.name[z]), surface=str(zones.surface[z]),
            area_class=str(zones.area_class[z]), area_m2=float(zones.area[z]),
            sources={s: float(p) for s, p in zip(zones.sources, zones.share[z], strict=True) if p > 0},
            source_recorded=bool(zones.told[z]), logged_m3=_exact(log[z]), estimated_m3=_exact(guess[z]),
            depth_mm=round(float(log[z] / zones.area[z] * MM_M2), 3) if zones.area[z] > 0 else None,
            demand_m3=_exact(demand[z]) if z < own else 0.0,
            dry_days=int(dry[z]) if z < own else 0, soft_days=int(soft[z]) if z < own else 0,
        )
        for z in range(len(zones.zone))
    ]  # fmt: skip


def surface_part(record: Record) -> list[doc.SurfaceTotal]:
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
            doc.SurfaceTotal(
                surface=surface, zones=int(of.sum()), area_m2=area, logged_m3=_exact(log),
                depth_mm=round(log / area * MM_M2, 3) if area else None,
                demand_m3=_exact(demand), effective_rain_m3=_exact(rain), deficit_m3=_exact(demand - rain - log),
                zone_days=int(mine.sum()) * r.span.nights,
                dry_zone_days=int(r.turf.dry[mine].sum()), soft_zone_days=int(r.turf.soft[mine].sum()),
            )
        )  # fmt: skip
    return found


def energy_part(record: Record) -> list[doc.BlockPart]:
    """Energy by tariff block, estimated."""
    r = record
    energy = (zone_energy(r.site)[:, None] * r.logged.volume[: r.own]).sum(axis=0)
    blocks = energy_blocks(r.site, tuple(d.date() for d in r.logged.nights), energy, r.month)
    return [
        doc.BlockPart(
            hours=b.hours, price=b.price, energy_kwh=_exact(b.energy.sum(), 3),
            cost=None if b.price is None else _exact(b.energy.sum() * b.price, 4),
        )
        for b in blocks
    ]  # fmt: skip


def allocation_part(record: Record) -> tuple[doc.AllocationPart | None, doc.CumulativeUse]:
    """The season's use against the allocation, and the course of it."""
    r = record
    rule = r.site.allocation
    by_night = r.use.sum(axis=0)
    nights = [d.date() for d in r.logged.nights]
    if rule is None or rule.ends < r.span.first or rule.starts > r.span.last:
        return None, doc.CumulativeUse(nights=nights, used_m3=[_exact(v) for v in np.cumsum(by_night)])
    inside = np.array([rule.starts <= n <= rule.ends for n in nights])
    earlier = 0.0
    if rule.starts < r.span.first:
        earlier = float(logged_water(r.site, r.zones, rule.starts, r.span.first - timedelta(days=1)).volume.sum())
    used = rule.used_before + earlier + float(by_night[inside].sum())
    steps = allocation_steps(r.site, used)
    expected = used + float(by_night[inside].sum()) * _rest_of_season(record, rule.ends)
    course = rule.used_before + earlier + np.cumsum(by_night[inside])
    part = doc.AllocationPart(
        starts=rule.starts, ends=rule.ends, volume_m3=rule.volume, used_before_m3=rule.used_before,
        used_earlier_m3=_exact(earlier), used_m3=_exact(used), share=round(used / rule.volume, 6),
        left_m3=_exact(max(rule.volume - used, 0.0)), over_m3=_exact(max(used - rule.volume, 0.0)),
        expected_m3=_exact(expected),
        step_reached=sum(s.volume > 0 for s in steps), surcharge=_exact(sum(s.cost for s in steps), 4),
        steps=[
            doc.StepPart(above_m3=_exact(s.above), price=s.price, volume_m3=_exact(s.volume), cost=_exact(s.cost, 4))
            for s in steps
        ],
    )  # fmt: skip
    listed = [n for n, on in zip(nights, inside, strict=True) if on]
    return part, doc.CumulativeUse(nights=listed, used_m3=[_exact(v) for v in course])


def _rest_of_season(record: Record, ends: date) -> float:
    """Expected ETo from the account's end to the allocation's over that of the account [-]; 0 where it is not known."""
    known = np.isfinite(record.days.eto)
    if record.span.last >= ends or not known.any():
        return 0.0
    rest = pd.date_range(record.span.last + timedelta(days=1), ends)
    return float(seasonal_eto(record.site, record.demand.past, rest).sum() / max(record.days.eto[known].sum(), 1e-9))


def allowance_part(record: Record, use: float) -> doc.AllowancePart | None:
    """Allowance by the public formula over the dates of the account; None where no ETo is known."""
    r = record
    rule = r.site.allowance
    known = np.isfinite(r.days.eto)
    if not known.any():
        return None
    area = {c: float(r.site.zones.area[r.site.zones.area_class == c].sum()) for c in AREA_CLASSES}
    area = {c: a for c, a in area.items() if a > 0}
    eto, rain = float(r.days.eto[known].sum()), float(np.nan_to_num(r.days.rain).sum())
    counts, weighted = counted_et(eto, rain, rule.rain_share), weighted_area(area, rule.factor)
    allowed = et_allowance_m3(counts, weighted)
    return doc.AllowancePart(
        eto_mm=round(eto, 3), rain_mm=round(rain, 3), rain_share=rule.rain_share, counted_et_mm=round(counts, 3),
        classes=[doc.ClassArea(area_class=c, area_m2=a, factor=rule.factor[c]) for c, a in area.items()],
        weighted_area_m2=weighted, allowance_m3=_exact(allowed), allowance_gal=_exact(allowed / M3_PER_GAL),
        use_m3=use, share=round(use / allowed, 6) if allowed > 0 else None, days_not_known=int((~known).sum()),
    )  # fmt: skip


def beside_part(record: Record, this_use: float) -> doc.SeasonBeside:
    """A season in few numbers."""
    totals, _ = totals_part(record)
    return doc.SeasonBeside(
        name=record.span.words(), first=record.span.first, last=record.span.last,
        logged_m3=totals.logged_m3, metered_m3=totals.metered_m3, use_m3=totals.use_m3,
        eto_mm=totals.eto_mm, rain_mm=totals.rain_mm, demand_m3=totals.demand_m3,
        effective_rain_m3=totals.effective_rain_m3,
        zone_days=record.own * record.span.nights, dry_zone_days=totals.dry_zone_days,
        soft_zone_days=totals.soft_zone_days, nights_run=totals.nights_run,
        use_of_this=round(this_use / totals.use_m3, 6) if totals.use_m3 > 0 else None,
    )  # fmt: skip


def span_part(record: Record) -> doc.SpanPart:
    """Nights of the account, and those of which the log says nothing."""
    r = record
    rows = pd.concat((r.site.applied["night"], r.site.gone["night"]))
    inside = rows[(rows >= pd.Timestamp(r.span.first)) & (rows <= pd.Timestamp(r.span.last))]
    missing = 0
    if len(inside):
        missing = (inside.max() - inside.min()).days + 1 - inside.nunique()
    return doc.SpanPart(
        first=r.span.first, last=r.span.last, nights=r.span.nights,
        nights_run=int(r.logged.ran.any(axis=0).sum()), nights_without_row=int(missing),
    )  # fmt: skip
