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
from scheduler.season import parts
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
from scheduler.site.records import AREA_CLASSES
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


@dataclass(frozen=True)
class _Monthly:
    """What each month comes to, arrays (M,) unless said: cubic metres, zone-days, nights; weather [mm]; energy.

    water, estimated : logged, and what of it is estimated;  demand, rain, unmet : of the turf;  covered : zone-nights
    a meter covers;  metered, divided : by the meters;  use (W, M) : by source;  eto, fell : (values, days not observed)
    """

    water: np.ndarray
    estimated: np.ndarray
    demand: np.ndarray
    rain: np.ndarray
    unmet: np.ndarray
    dry: np.ndarray
    soft: np.ndarray
    ran: np.ndarray
    covered: np.ndarray
    metered: np.ndarray
    divided: np.ndarray
    use: np.ndarray
    eto: tuple[np.ndarray, np.ndarray]
    fell: tuple[np.ndarray, np.ndarray]
    kwh: np.ndarray
    cost: np.ndarray

    @classmethod
    def of(cls, r: Record) -> _Monthly:
        """Sum the nights of each month."""
        m, area = len(r.months), r.site.zones.area[:, None] / MM_M2

        def summed(values: np.ndarray) -> np.ndarray:
            return by_month(np.asarray(values, dtype=float), r.month, m).sum(axis=0)

        turf = (r.turf.demand, r.turf.effective_rain, r.turf.unmet)
        demand, rain, unmet = (summed(np.nan_to_num(v * area)) for v in turf)
        energy = (zone_energy(r.site)[:, None] * r.logged.volume[: r.own]).sum(axis=0)
        blocks = energy_blocks(r.site, tuple(d.date() for d in r.logged.nights), energy, r.month)
        cost = np.sum([b.energy * (b.price or 0.0) for b in blocks], axis=0) if blocks else np.zeros(m)
        return cls(
            water=summed(r.logged.volume), estimated=summed(r.logged.estimated), demand=demand, rain=rain, unmet=unmet,
            dry=summed(r.turf.dry), soft=summed(r.turf.soft), ran=summed(r.logged.ran.any(axis=0)[None, :]),
            covered=summed(r.metered.covered), metered=summed(r.metered.volume), divided=summed(r.metered.spread),
            use=by_month(r.use, r.month, m), eto=_weather(r.days.eto, r.days.eto_observed, r.month, m),
            fell=_weather(r.days.rain, r.days.rain_observed, r.month, m), kwh=summed(energy[None, :]), cost=cost,
        )  # fmt: skip


def totals_part(record: Record) -> tuple[parts.Totals, list[parts.Month]]:
    """Season and months in all their figures."""
    m, price = _Monthly.of(record), source_prices(record)
    known = bool(zone_energy(record.site).any())
    priced = known and bool(record.site.tariffs)

    def figures(of: np.ndarray) -> dict[str, object]:
        read = m.covered[of].sum() > 0
        return {
            "nights_run": int(m.ran[of].sum()),
            "logged_m3": exact(m.water[of].sum()),
            "estimated_m3": exact(m.estimated[of].sum()),
            "metered_m3": exact(m.metered[of].sum()) if read else None,
            "divided_m3": exact(m.divided[of].sum()) if read else None,
            "use_m3": exact(m.use[:, of].sum()),
            "eto_mm": _depth(m.eto[0][of]),
            "eto_days_not_observed": int(m.eto[1][of].sum()),
            "rain_mm": _depth(m.fell[0][of]),
            "rain_days_not_observed": int(m.fell[1][of].sum()),
            "demand_m3": exact(m.demand[of].sum()),
            "effective_rain_m3": exact(m.rain[of].sum()),
            "deficit_m3": exact((m.demand - m.rain - m.water)[of].sum()),
            "unmet_et_m3": exact(m.unmet[of].sum()),
            "dry_zone_days": int(m.dry[of].sum()),
            "soft_zone_days": int(m.soft[of].sum()),
            "energy_kwh": exact(m.kwh[of].sum(), 3) if known else None,
            "energy_cost": exact(m.cost[of].sum(), 4) if priced else None,
            "water_cost": exact((price @ m.use[:, of]).sum(), 4),
        }

    months = [parts.Month(month=name, **figures(np.array([i]))) for i, name in enumerate(record.months)]
    return parts.Totals(**figures(np.arange(len(record.months)))), months


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


def exact(value: float, digits: int = 6) -> float:
    """Round to the millilitre, or less: what is written is what adds up."""
    return round(float(value), digits) + 0.0


def _depth(values: np.ndarray) -> float | None:
    known = np.isfinite(values)
    return round(float(values[known].sum()), 3) if known.any() else None


def source_part(record: Record) -> list[parts.SourceMonth]:
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
                parts.SourceMonth(
                    month=label, source=name, logged_m3=exact(logged), estimated_m3=exact(estimated),
                    metered_m3=exact(metered) if partly else None, divided_m3=exact(divided) if partly else None,
                    metered_nights=int(covered), nights=int(length[i]),
                    logged_on_metered_nights_m3=exact(beside) if known else None,
                    difference_m3=exact(against - beside) if known else None,
                    error_m3=exact(error) if known else None,
                    beyond_error=bool(known and abs(against - beside) > error),
                    use_m3=exact(used), use_from="meter" if r.from_meter[w, i] else "log",
                    water_cost=exact(used * (source.price if source else 0.0), 4),
                    monthly_limit_m3=float(limit) if np.isfinite(limit) else None,
                    above_monthly_limit=bool(used > limit + 1e-9), nights_above_daily_limit=int(over),
                )
            )  # fmt: skip
    return found


def source_totals(months: list[parts.SourceMonth]) -> list[parts.SourceTotal]:
    """Sources over the season: the sums of their months."""
    found = []
    for name in dict.fromkeys(s.source for s in months):
        own = [s for s in months if s.source == name]
        read = [s for s in own if s.metered_m3 is not None]
        found.append(
            parts.SourceTotal(
                source=name,
                logged_m3=exact(sum(s.logged_m3 for s in own)),
                metered_m3=exact(sum(s.metered_m3 or 0.0 for s in read)) if read else None,
                divided_m3=exact(sum(s.divided_m3 or 0.0 for s in read)) if read else None,
                use_m3=exact(sum(s.use_m3 for s in own)),
                water_cost=exact(sum(s.water_cost for s in own), 4),
            )
        )
    return found


def energy_part(record: Record) -> list[parts.BlockPart]:
    """Energy by tariff block, estimated."""
    r = record
    energy = (zone_energy(r.site)[:, None] * r.logged.volume[: r.own]).sum(axis=0)
    blocks = energy_blocks(r.site, tuple(d.date() for d in r.logged.nights), energy, r.month)
    return [
        parts.BlockPart(
            hours=b.hours, price=b.price, energy_kwh=exact(b.energy.sum(), 3),
            cost=None if b.price is None else exact(b.energy.sum() * b.price, 4),
        )
        for b in blocks
    ]  # fmt: skip


def allocation_part(record: Record) -> tuple[parts.AllocationPart | None, parts.CumulativeUse]:
    """The season's use against the allocation, and the course of it."""
    r = record
    rule = r.site.allocation
    by_night = r.use.sum(axis=0)
    nights = [d.date() for d in r.logged.nights]
    if rule is None or rule.ends < r.span.first or rule.starts > r.span.last:
        return None, parts.CumulativeUse(nights=nights, used_m3=[exact(v) for v in np.cumsum(by_night)])
    inside = np.array([rule.starts <= n <= rule.ends for n in nights])
    earlier = 0.0
    if rule.starts < r.span.first:
        earlier = float(logged_water(r.site, r.zones, rule.starts, r.span.first - timedelta(days=1)).volume.sum())
    used = rule.used_before + earlier + float(by_night[inside].sum())
    steps = allocation_steps(r.site, used)
    expected = used + float(by_night[inside].sum()) * _rest_of_season(record, rule.ends)
    course = rule.used_before + earlier + np.cumsum(by_night[inside])
    part = parts.AllocationPart(
        starts=rule.starts, ends=rule.ends, volume_m3=rule.volume, used_before_m3=rule.used_before,
        used_earlier_m3=exact(earlier), used_m3=exact(used), share=round(used / rule.volume, 6),
        left_m3=exact(max(rule.volume - used, 0.0)), over_m3=exact(max(used - rule.volume, 0.0)),
        expected_m3=exact(expected),
        step_reached=sum(s.volume > 0 for s in steps), surcharge=exact(sum(s.cost for s in steps), 4),
        steps=[
            parts.StepPart(above_m3=exact(s.above), price=s.price, volume_m3=exact(s.volume), cost=exact(s.cost, 4))
            for s in steps
        ],
    )  # fmt: skip
    listed = [n for n, on in zip(nights, inside, strict=True) if on]
    return part, parts.CumulativeUse(nights=listed, used_m3=[exact(v) for v in course])


def _rest_of_season(record: Record, ends: date) -> float:
    """Expected ETo from the account's end to the allocation's over that of the account [-]; 0 where it is not known."""
    known = np.isfinite(record.days.eto)
    if record.span.last >= ends or not known.any():
        return 0.0
    rest = pd.date_range(record.span.last + timedelta(days=1), ends)
    return float(seasonal_eto(record.site, record.demand.past, rest).sum() / max(record.days.eto[known].sum(), 1e-9))


def allowance_part(record: Record, use: float) -> parts.AllowancePart | None:
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
    return parts.AllowancePart(
        eto_mm=round(eto, 3), rain_mm=round(rain, 3), rain_share=rule.rain_share, counted_et_mm=round(counts, 3),
        classes=[parts.ClassArea(area_class=c, area_m2=a, factor=rule.factor[c]) for c, a in area.items()],
        weighted_area_m2=weighted, allowance_m3=exact(allowed), allowance_gal=exact(allowed / M3_PER_GAL),
        use_m3=use, share=round(use / allowed, 6) if allowed > 0 else None, days_not_known=int((~known).sum()),
    )  # fmt: skip


def beside_part(record: Record, this_use: float) -> parts.SeasonBeside:
    """A season in few numbers."""
    totals, _ = totals_part(record)
    return parts.SeasonBeside(
        name=record.span.words(), first=record.span.first, last=record.span.last,
        logged_m3=totals.logged_m3, metered_m3=totals.metered_m3, use_m3=totals.use_m3,
        eto_mm=totals.eto_mm, rain_mm=totals.rain_mm, demand_m3=totals.demand_m3,
        effective_rain_m3=totals.effective_rain_m3,
        zone_days=record.own * record.span.nights, dry_zone_days=totals.dry_zone_days,
        soft_zone_days=totals.soft_zone_days, nights_run=totals.nights_run,
        use_of_this=round(this_use / totals.use_m3, 6) if totals.use_m3 > 0 else None,
    )  # fmt: skip


def span_part(record: Record) -> parts.SpanPart:
    """Nights of the account, and those of which the log says nothing."""
    r = record
    rows = pd.concat((r.site.applied["night"], r.site.gone["night"]))
    inside = rows[(rows >= pd.Timestamp(r.span.first)) & (rows <= pd.Timestamp(r.span.last))]
    missing = 0
    if len(inside):
        missing = (inside.max() - inside.min()).days + 1 - inside.nunique()
    return parts.SpanPart(
        first=r.span.first, last=r.span.last, nights=r.span.nights,
        nights_run=int(r.logged.ran.any(axis=0).sum()), nights_without_row=int(missing),
    )  # fmt: skip
