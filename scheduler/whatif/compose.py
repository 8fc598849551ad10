"""From outcomes to the document: numbers rounded for reading by programs, and the sentences people read."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from scheduler.edge import format_day_after, format_depth, format_money, format_short_date, format_volume
from scheduler.errors import counted
from scheduler.sheets.names import PLURALS
from scheduler.site import Site
from scheduler.whatif.document import (
    CaseNumbers,
    CurvePoint,
    GivesWay,
    NightNumbers,
    OrderNumbers,
    SeasonNumbers,
    SiteWords,
    SurfaceNumbers,
    SweepNumbers,
    WhatIf,
    WiderLimit,
)
from scheduler.whatif.evening import Outcome, Standing
from scheduler.whatif.measures import SurfaceOutcome, by_surface, gives_way, over_use
from scheduler.whatif.orders import Order
from scheduler.whatif.relax import Relaxed
from scheduler.whatif.said import asked
from scheduler.whatif.sweep import Curve


def whatif_document(
    standing: Standing,
    outcomes: Sequence[Outcome],
    widened: Sequence[Sequence[Relaxed]],
    made: datetime,
    curve: Curve | None = None,
    season: SeasonNumbers | None = None,
) -> WhatIf:
    """Put the document together; the first outcome is the site as it is."""
    site, usual = standing.planned.site, standing.as_it_is
    cases = [case_numbers(o, usual, wider) for o, wider in zip(outcomes, widened, strict=True)]
    return WhatIf(
        site=SiteWords(name=site.name, units=site.units, currency=site.currency, zones=len(site.zones)),
        night=standing.planned.night.isoformat(),
        nights=[d.isoformat() for d in standing.planned.inputs.dates],
        made=made.isoformat(timespec="seconds"),
        cases=cases,
        sweep=None if curve is None else sweep_numbers(site, curve),
        season=season,
        notes=[
            "Every case is planned for the same evening, from where the turf stands tonight.",
            "A zone counts as dry on a day it ends past its dry limit, and as soft on a night it is watered past its "
            "firmness limit.",
        ],
    )


def case_numbers(outcome: Outcome, usual: Outcome, widened: Sequence[Relaxed]) -> CaseNumbers:
    """One case as numbers and words."""
    site, plan, run, course = outcome.plan.site, outcome.plan.inputs.plan, outcome.run, outcome.course
    dates = outcome.plan.inputs.dates
    water = float(course.volume.sum())
    beyond, fine = over_use(plan, water)
    priced = bool(plan.source_price.any() or plan.energy_price.any() or plan.tiers)
    surfaces = by_surface(site, dates, course)
    given = gives_way(site, dates, course, None if outcome is usual else usual.course)
    done = {f.zone for f in run.result.flushes} | {u.zone for u in run.result.upkeep}
    sources = [s.name for s in site.sources] or ["water"]
    return CaseNumbers(
        name=outcome.case.name,
        title=outcome.case.title,
        files=[part.name for part in outcome.case.parts],
        same_as_it_is=outcome.same,
        water_m3=_r(water),
        water_tonight_m3=_r(course.volume[:, 0].sum()),
        water_by_source_m3={name: _r(v) for name, v in zip(sources, course.source.sum(axis=1), strict=True)},
        over_use_m3=_r(beyond),
        energy_kwh=_r(course.energy.sum(), 3) if plan.pump_energy.any() else None,
        cost=_r(course.cost.sum() + fine, 2) if priced else None,
        flushes=len(run.result.flushes),
        flushes_not_planned=int(sum(int(z) not in done for z in outcome.plan.needs.zone)),
        surfaces=[surface_numbers(s) for s in surfaces],
        gives_way=[
            GivesWay(surface=s, night=night.isoformat(), zones=zones, words=_gives_way(site, s, night, zones))
            for s, night, zones in given
        ],
        limits=[_wider(site, r) for r in widened],
        asked=asked(site, outcome.case),
        orders=[_order(site, o) for o in outcome.orders],
        nights=[
            NightNumbers(
                night=day.isoformat(),
                water_m3=_r(course.volume[:, n].sum()),
                zones_running=int((course.minutes[:, n] > 0).sum()),
                allowed=bool((plan.allowed[:, n] & (plan.block_length[n] > 0)).any()),
                by_source_m3={name: _r(v) for name, v in zip(sources, course.source[:, n], strict=True)},
            )
            for n, day in enumerate(dates)
        ],
        run_minutes_tonight={
            str(z): round(float(m), 6) for z, m in zip(site.zones.zone, run.minutes, strict=True) if m > 0
        },
        notes=[str(note) for note in outcome.plan.notes if outcome.case.parts and note.subject in _names(outcome)],
        words=_summary(site, outcome, usual, surfaces, given),
    )


def _names(outcome: Outcome) -> set[str]:
    return {part.name for part in outcome.case.parts}


def _r(value: float, digits: int = 6) -> float:
    return round(float(value), digits) + 0.0


def surface_numbers(s: SurfaceOutcome) -> SurfaceNumbers:
    """One surface as numbers."""
    return SurfaceNumbers(
        surface=s.surface,
        priority=s.priority,
        zones=s.zones,
        water_m3=_r(s.water_m3),
        water_tonight_m3=_r(s.water_tonight_m3),
        dry_zone_days=s.dry_zone_days,
        dry_mm_days=_r(s.dry_mm_days),
        worst_dry_mm=_r(s.worst_dry_mm),
        first_dry=None if s.first_dry is None else s.first_dry.isoformat(),
        soft_zone_days=s.soft_zone_days,
        soft_mm_days=_r(s.soft_mm_days),
        worst_soft_mm=_r(s.worst_soft_mm),
        ece_mean_dsm=None if s.ece_mean is None else _r(s.ece_mean, 3),
        ece_highest_dsm=None if s.ece_highest is None else _r(s.ece_highest, 3),
        salty_zone_days=s.salty_zone_days,
    )


def _gives_way(site: Site, surface: str, night: date, zones: int) -> str:
    of = int((site.zones.surface == surface).sum())
    first = format_day_after(night, site.units)
    return f"{surface}: {zones} of {of} zones{', from ' if zones == 1 else ', the first from '}{first}"


def _summary(
    site: Site, outcome: Outcome, usual: Outcome, surfaces: Sequence[SurfaceOutcome], given: list[tuple[str, date, int]]
) -> str:
    """What a case comes to."""
    dry = sum(s.dry_zone_days for s in surfaces)
    if outcome is usual:
        start = f"{counted(dry, 'dry zone-day')} in these nights" if dry else "No zone goes dry in these nights"
        return f"{start}."
    if outcome.same:
        return "Changes nothing of these nights: the plan is tonight's plan."
    water, was = float(outcome.course.volume.sum()), float(usual.course.volume.sum())
    amount = format_volume(abs(water - was), site.units, beside=was)
    change = f"{amount} {'less' if water < was else 'more'} water ({100 * abs(water - was) / max(was, 1e-9):.0f} %)"
    if abs(water - was) < 0.005 * was:
        change = "As much water as now"
    if not given:
        return f"{change}; no surface goes drier than as it is."
    first, night, _ = given[0]
    spared = [s.surface for s in surfaces if s.surface not in {g[0] for g in given}]
    words = f"{change}; {first} gives way first, from {format_day_after(night, site.units)}"
    words += f"; {_listed(spared)} {'keeps' if len(spared) == 1 else 'keep'} as now." if spared else "."
    return words + _first_served(surfaces, {g[0] for g in given}, site.units)


def _first_served(surfaces: Sequence[SurfaceOutcome], given: set[str], units: str) -> str:
    """How dry the surface served before the others that are dry becomes, where the case brings it there."""
    top = min((s for s in surfaces if s.dry_zone_days), key=lambda s: (s.priority, s.surface), default=None)
    if top is None or top.surface not in given:
        return ""
    where = f"even on {PLURALS[top.surface].lower()}, which are served first"
    if top.priority > min(s.priority for s in surfaces):
        where = f"on {PLURALS[top.surface].lower()}, served before the others that give way"
    if len(given) == 1:
        where = "there"
    short = format_depth(top.worst_dry_mm, units)
    return f" Dry zone-days {where}: {top.dry_zone_days}, at worst {short} short of water."


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _wider(site: Site, r: Relaxed) -> WiderLimit:
    by = sorted(set(site.zones.surface), key=lambda s: (site.surfaces[s].priority, s))
    less, days = {}, {}
    for surface in by:
        of = site.zones.surface == surface
        less[surface] = _r((r.before.dry[of] - r.after.dry[of]).sum())
        days[surface] = int((r.before.dry[of] > 0).sum() - (r.after.dry[of] > 0).sum())
    water = float(r.after.volume.sum() - r.before.volume.sum())
    spared = [(s, d) for s, d in days.items() if d > 0]
    parts = []
    if spared:
        parts.append("spares " + _listed([f"{counted(d, 'dry zone-day')} on {s}" for s, d in spared]))
    elif sum(less.values()) > 1.0:
        parts.append("leaves the turf less dry on days it is past its limit all the same")
    worse = [(s, -d) for s, d in days.items() if d < 0]
    if worse:
        parts.append("costs " + _listed([f"{counted(d, 'dry zone-day')} on {s}" for s, d in worse]))
    if abs(water) >= 1.0:
        parts.append(f"uses {format_volume(abs(water), site.units)} {'more' if water > 0 else 'less'}")
    if abs(r.bill) >= 1.0:
        parts.append(f"{'costs' if r.bill > 0 else 'saves'} {format_money(abs(r.bill), site.currency)}")
    return WiderLimit(
        family=r.family,
        what=r.what,
        water_m3=_r(water),
        less_dry_zone_days=days,
        less_dry_mm_days=less,
        cost=_r(r.bill, 2),
        words=f"{r.what}, 10 % more: {'; '.join(parts) or 'changes next to nothing'}",
    )


def _day(site: Site, day: date) -> str:
    return format_short_date(day, site.units)


def _order(site: Site, o: Order) -> OrderNumbers:
    left, allowed = (format_volume(volume, site.units) for volume in (o.left, o.allowed))
    used = f", {format_volume(o.used, site.units)} of it used" if o.used else ""
    these = "" if left == allowed else f"; {left} for these nights"
    words = f"{o.name}: {allowed} allowed from {_day(site, o.first)} to {_day(site, o.last)}{used}{these}"
    if o.kind == "et_allowance":
        words += (
            f" (the rule's {o.facts['rule_gal']:,.0f} gal; by litres on square metres {o.facts['exact_m3']:,.1f} m³)"
        )
    return OrderNumbers(
        kind=o.kind,
        name=o.name,
        allowed_m3=o.allowed,
        used_m3=o.used,
        left_m3=o.left,
        first=o.first.isoformat(),
        last=o.last.isoformat(),
        facts=o.facts,
        words=words,
    )


def _why_not(curve: Curve) -> str:
    """Why a curve is flat, as far as its points tell."""
    bills = [p.bill for p in curve.points]
    water = [p.water_m3 for p in curve.points]
    if max(water) - min(water) < 0.005 * max(water):
        if max(bills) - min(bills) > 0.01 * max(bills):
            return ": the same water is used, and the bill changes"
        return ": another limit holds first" if any(s.dry_zone_days for s in curve.points[0].surfaces) else ""
    return ""


def sweep_numbers(site: Site, curve: Curve) -> SweepNumbers:
    """The curve as numbers and words."""
    name = curve.key.replace("_", " ")
    words = [f"{surface} begins to give way at {name} {value:.3g}" for surface, value in curve.begins]
    if not words:
        ends = f"{name} {curve.points[0].value:.3g} and {curve.points[-1].value:.3g}"
        words = [f"no surface gets drier between {ends}{_why_not(curve)}"]
    return SweepNumbers(
        key=curve.key,
        points=[
            CurvePoint(
                value=p.value,
                water_m3=_r(p.water_m3),
                cost=_r(p.bill, 2),
                surfaces=[surface_numbers(s) for s in p.surfaces],
                worth_mm_days=None if p.worth_mm_days is None else _r(p.worth_mm_days),
                worth_cost=None if p.worth_bill is None else _r(p.worth_bill, 4),
            )
            for p in curve.points
        ],
        begins=dict(curve.begins),
        words=words,
    )
