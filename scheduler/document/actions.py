"""What a person should do, from the plan itself: the most pressing first, each with place, reason and deadline."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta

from models.choices import TOLD
from scheduler.document.parts import ActionKind, ActionPart, PlanDocument, Severity, Status, SurfaceName, ZonePart
from scheduler.document.words import surfaces_named
from scheduler.edge import format_depth, format_salinity, format_short_date, format_time
from scheduler.errors import counted
from scheduler.notes import Topic
from scheduler.site.load import INVENTED

NAMED = 6  # zones named in one action before "and N more"
BY_HAND = (SurfaceName.GREEN, SurfaceName.TEE, SurfaceName.PITCH, SurfaceName.APPROACH)  # worth a hose
NOON = 12  # [h] by which hand watering is done
ORDER = tuple(Severity)
MISSING = {  # step-downs a person can end, what helps most first, and how
    "weather": "the station's weather",
    "forecast": "a forecast",
    "applied": "the controller's log",
    "probes": "the probes' readings",
}
MANY = 3  # step-downs; more are told in one paragraph


def action_parts(plan: PlanDocument, unmeasured: frozenset[str]) -> tuple[ActionPart, ...]:
    """Give all deeds a plan asks for.

    Parameters
    ----------
    plan : PlanDocument
    unmeasured : frozenset of str   Zones whose salinity nobody measured, only reckoned.
    """
    found = [
        *_do_not_run(plan),
        *_only_a_trial(plan),
        *_load(plan),
        *_flushes(plan),
        *_dry(plan),
        *_probes(plan),
        *_pumps(plan),
        *_samples(plan, unmeasured),
        *_data(plan),
    ]
    return tuple(sorted(found, key=lambda a: ORDER.index(a.severity)))


def first_start(plan: PlanDocument) -> datetime | None:
    """Time of the first valve opening tonight."""
    return min((z.cycles[0].start for z in plan.zones if z.cycles), default=None)


def last_end(plan: PlanDocument) -> datetime | None:
    """Time of the last valve closing tonight."""
    return max((z.cycles[-1].end for z in plan.zones if z.cycles), default=None)


def past_limit_tomorrow(plan: PlanDocument) -> list[ZonePart]:
    """Give the zones worth a hose that will be drier than their limit tomorrow evening, the driest against it first."""
    dry = [
        z
        for z in plan.zones
        if z.surface in BY_HAND and z.after.depletion_mm > z.limits.dry_limit_mm + TOLD.apart * z.limits.taw_mm
    ]
    return sorted(dry, key=lambda z: z.limits.dry_limit_mm - z.after.depletion_mm)


def none_needed_yet(plan: PlanDocument) -> bool:
    """Whether nothing runs for want of room in the soil, and yet tomorrow asks for a hose."""
    return plan.status == Status.NOT_NEEDED and bool(past_limit_tomorrow(plan))


def _do_not_run(plan: PlanDocument) -> Iterator[ActionPart]:
    closes = max((p.end for p in plan.nights[0].window), default=None)
    last = last_end(plan)
    if closes is not None and last is not None and last > closes:
        why = f"the last run ends at {format_time(last, plan.site.units)}, after the window closes"
        yield ActionPart(
            kind=ActionKind.STOP, severity=Severity.TONIGHT, where=plan.site.name, what="Do not run this plan", why=why,
            by=first_start(plan),
        )  # fmt: skip


def _only_a_trial(plan: PlanDocument) -> Iterator[ActionPart]:
    """A plan from the samples of a new site waters nothing."""
    told = [s.why for s in plan.inputs.step_downs if s.what == INVENTED]
    if told:
        yield ActionPart(
            kind=ActionKind.STOP, severity=Severity.TONIGHT, where=plan.site.name, by=None, why=told[0],
            what="Try this plan out, do not water by it: it stands on invented samples",
        )  # fmt: skip


def _load(plan: PlanDocument) -> Iterator[ActionPart]:
    """Run times must be in the controllers before the first start."""
    start = first_start(plan)
    if plan.status != Status.PLANNED or start is None or any(s.what == INVENTED for s in plan.inputs.step_downs):
        return
    names = sorted({z.controller for z in plan.zones if z.controller})
    where = _few(names) if names else "the controller"
    why = f"the first run starts at {format_time(start, plan.site.units)}"
    yield ActionPart(
        kind=ActionKind.LOAD, severity=Severity.TONIGHT, where=where, by=start, why=why,
        what="Load run-times, or key them in by keypad.html",
    )  # fmt: skip


def _flushes(plan: PlanDocument) -> Iterator[ActionPart]:
    """Zones flushed tonight are soft in the morning; a flush that no night allows needs a decision."""
    zones = {z.id: z for z in plan.zones}
    tonight = [f for f in plan.flushes if plan.night in f.nights and f.zone in zones]
    if tonight:
        names = _places(plan, [zones[f.zone] for f in tonight])
        yield ActionPart(
            kind=ActionKind.KEEP_OFF, severity=Severity.TONIGHT, where=names, by=None,
            what="Keep people off after tonight's salt flush; look at the drains in the morning",
            why=f"{counted(len(tonight), 'zone gets', 'zones get')} up to "
            f"{format_depth(max(f.depth_mm for f in tonight), plan.site.units)}",
        )  # fmt: skip
    never = [f for f in plan.flushes if not f.nights and f.zone in zones]
    if never:
        worst = max(never, key=lambda f: f.ece_before_dsm or 0.0)
        yield ActionPart(
            kind=ActionKind.DECIDE, severity=Severity.TOMORROW, by=None,
            where=_places(plan, [zones[f.zone] for f in never]),
            what="A salt flush is due and no night of this plan has room for it: free a night, or wait",
            why=f"{_name(zones[worst.zone])} stands at {format_salinity(worst.ece_before_dsm)}",
        )  # fmt: skip


def _dry(plan: PlanDocument) -> Iterator[ActionPart]:
    """Zones worth a hose that will be past their dry limit tomorrow evening."""
    dry = past_limit_tomorrow(plan)
    if not dry:
        return
    worst = max(dry, key=lambda z: z.after.depletion_mm - z.limits.dry_limit_mm)
    short = format_depth(worst.after.depletion_mm - worst.limits.wet_limit_mm, plan.site.units)
    noon = datetime.combine(plan.night + timedelta(days=1), datetime.min.time()) + timedelta(hours=NOON)
    yield ActionPart(
        kind=ActionKind.WATER, severity=Severity.TOMORROW, where=_places(plan, dry), by=noon,
        what="Water by hand", why=f"drier than their limit by tomorrow evening; {_name(worst)} lacks {short}",
    )  # fmt: skip


def _probes(plan: PlanDocument) -> Iterator[ActionPart]:
    """Probes in doubt, one deed each place."""
    zones = {z.id: z for z in plan.zones}
    for warning in plan.warnings:
        if warning.kind == Topic.PROBE and warning.name:
            zone = zones.get(warning.zone)
            where = f"{_name(zone)}, probe {warning.name}" if zone is not None else f"probe {warning.name}"
            yield ActionPart(
                kind=ActionKind.CHECK_PROBE, severity=Severity.TOMORROW, where=where, what="Check the probe", by=None,
                why=warning.text,
            )  # fmt: skip


def _pumps(plan: PlanDocument) -> Iterator[ActionPart]:
    for warning in plan.warnings:
        if warning.kind == Topic.PUMP:
            yield ActionPart(
                kind=ActionKind.CHECK_PUMP, severity=Severity.KNOW, where=warning.subject, why=warning.text,
                by=None, what="Know this before the night",
            )  # fmt: skip


def _samples(plan: PlanDocument, unmeasured: frozenset[str]) -> Iterator[ActionPart]:
    """The zone to be flushed whose salinity rests on the balance alone, the saltiest."""
    zones = {z.id: z for z in plan.zones}
    blind = [f for f in plan.flushes if f.zone in unmeasured and f.zone in zones]
    if blind:
        worst = max(blind, key=lambda f: f.ece_before_dsm or 0.0)
        due = min(f.by for f in blind)
        yield ActionPart(
            kind=ActionKind.SAMPLE, severity=Severity.TOMORROW, where=_name(zones[worst.zone]), by=None,
            what="Take a soil sample for salinity",
            why=f"its {format_salinity(worst.ece_before_dsm)} is reckoned, never measured; a flush is due by "
            f"{format_short_date(due, plan.site.units)}",
        )  # fmt: skip


def _data(plan: PlanDocument) -> Iterator[ActionPart]:
    """What was missing and a person can bring, in one deed: what helps most first."""
    why = {step.what.removesuffix(".csv"): step.why for step in reversed(plan.inputs.step_downs)}
    asked = [what for what in MISSING if what in why]
    if asked:
        more = f", then {' and '.join(MISSING[a] for a in asked[1:])}" if len(asked) > 1 else ""
        yield ActionPart(
            kind=ActionKind.BRING_DATA, severity=Severity.KNOW, where=", ".join(f"{a}.csv" for a in asked), by=None,
            why=why[asked[0]], what=f"Bring {MISSING[asked[0]]}{more}",
        )  # fmt: skip


def missing_words(plan: PlanDocument) -> list[str]:
    """What was missing and what stood in for it: a line each, or one paragraph where there is much."""
    steps = plan.inputs.step_downs
    if len(steps) <= MANY:
        return [f"{s.what}: {s.why}" for s in steps]
    first = next((what for what in MISSING if any(s.what == what for s in steps)), steps[0].what)
    told = ". ".join(f"{s.what[:1].upper()}{s.what[1:]}: {s.why}" for s in steps)
    return [f"Much is assumed and not known, so take this plan as a first draft; add {first}.csv first. {told}"]


def _name(zone: ZonePart) -> str:
    return zone.name or zone.id


def _places(plan: PlanDocument, found: Sequence[ZonePart]) -> str:
    """Name zones; a surface of many that is among them whole is told by its number: "all 19 greens"."""
    every, here = Counter(z.surface for z in plan.zones), Counter(z.surface for z in found)
    whole = [surface for surface, zones in here.items() if every[surface] == zones > NAMED]
    told = [f"all {here[surface]} {surfaces_named(surface)}" for surface in whole]
    return _few([*told, *(_name(z) for z in found if z.surface not in whole)])


def _few(listed: Sequence[str]) -> str:
    if len(listed) <= NAMED:
        return ", ".join(listed)
    return ", ".join(listed[:NAMED]) + f" and {len(listed) - NAMED} more"
