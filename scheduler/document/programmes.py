"""Programmes of controllers in the plan document, what has to be keyed in, and where one percent would do instead."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime

import numpy as np

from models.night.percent import MOST_EARLIER, PercentChoice, earlier, holds_with, percent_choice
from models.night.playback import keyed_minutes
from models.night.programmes import Programme, ProgrammeRules, run_length
from scheduler.document.parts import (
    ControllerKind,
    ControllerPart,
    PercentPart,
    ProgrammeName,
    ProgrammePart,
    ProgrammeStation,
    WarningPart,
)
from scheduler.document.planned import Planned, moment
from scheduler.edge import format_time, format_volume
from scheduler.errors import counted
from scheduler.night.whole_steps import hard_rows
from scheduler.notes import Topic
from scheduler.plan.inputs import longest_single

CLOSE_ENOUGH = 0.5  # [mm] a zone may be off by a percent that is offered in place of its minutes
FEWEST = 3  # [-] entries it must save to be offered
NAMED = 8  # zones one sentence names


def controller_parts(planned: Planned) -> tuple[ControllerPart, ...]:
    """Every controller that takes no start time a station, in the order of site.toml."""
    held, site = planned.run.controllers, planned.site
    lost = np.zeros(len(site.zones)) if held.lost is None else held.lost
    water = lost * planned.plan.water_per_minute
    found: dict[int, ControllerPart] = {}
    for rules in held.rules:
        parts = tuple(_programme_part(planned, rules, p) for p in _standing(planned, rules))
        own = site.zones.controller == rules.controller
        found[rules.controller] = ControllerPart(
            name=site.controllers[rules.controller].name,
            kind=ControllerKind.PROGRAMMES,
            at_once=rules.at_once,
            programmes=parts,
            since=held.before_night if held.before else None,
            entries=sum(entries_of(p) for p in parts),
            lost_minutes=round(max(float(lost[own].sum()), 0.0), 6),
            lost_m3=round(max(float(water[own].sum()), 0.0), 6),
        )
    for one in held.any_order:
        own = site.zones.controller == one.controller
        runs = bool(one.cycles.any())
        found[one.controller] = ControllerPart(
            name=site.controllers[one.controller].name,
            kind=ControllerKind.RUN_TIME_ONLY,
            at_once=one.at_once,
            entries=int(own.sum()),
            opens=moment(planned.night, one.opens) if runs else None,
            done_by=moment(planned.night, np.ceil(one.ends)) if runs else None,
            lost_minutes=round(max(float(lost[own].sum()), 0.0), 6),
            lost_m3=round(max(float(water[own].sum()), 0.0), 6),
        )
    return tuple(found[i] for i in sorted(found))


def entries_of(programme: ProgrammePart) -> int:
    """Values a person has to key in to bring a programme from what stood to what is to stand [-].

    One for each station whose minutes change or that is taken out, one for each start time that changes or is deleted,
    one for the percent.
    """
    stations = sum(s.minutes != s.before_minutes for s in programme.stations) + len(programme.taken_out)
    now, before = programme.starts, programme.before_starts or ()
    starts = sum(clock(a) != clock(b) for a, b in zip(now, before, strict=False)) + abs(len(now) - len(before))
    was = 100.0 if programme.before_percent is None else programme.before_percent
    return stations + starts + (programme.percent != was)


def clock(moment_: object) -> str:
    """Clock time of a moment, whatever its date."""
    return f"{moment_:%H:%M}"


def percent_parts(planned: Planned) -> tuple[PercentPart, ...]:
    """Where one percent would do in place of many minutes: of all programmes that start, or of one of them.

    Offered where no zone would be off by more than half a millimetre, every limit still holds, whichever way the
    controller rounds, and the shared water does too.
    """
    held, run = planned.run.controllers, planned.run
    if run.job is None or run.timetable is None or not held.before:
        return ()
    old = {(p.controller, p.number): p for p in held.before}
    pairs = [
        (old[p.controller, p.number], _at_100(planned, p)) for p in held.programmes if (p.controller, p.number) in old
    ]
    whole = [pairs] if len(pairs) > 1 and len(pairs) == len(held.programmes) else []
    found: list[PercentPart] = []
    for chosen in whole:
        found += _percent(planned, chosen)
    if not found:
        for pair in pairs:
            found += _percent(planned, [pair])
    return tuple(found)


def _at_100(planned: Planned, programme: Programme) -> Programme:
    """A programme with the minutes that its percent comes to."""
    step = planned.site.controllers[programme.controller].resolution / 60.0
    run = tuple(keyed_minutes(m, programme.percent, step) for m in programme.minutes)
    return replace(programme, minutes=run, percent=100.0)


def controller_warnings(planned: Planned) -> list[WarningPart]:
    """What programmes cost against free start times, and what controllers that find their own may do."""
    held, site, units = planned.run.controllers, planned.site, planned.site.units
    texts = []
    lost = np.zeros(len(site.zones)) if held.lost is None else held.lost
    for rules in held.rules:
        own, less, water = _less(planned, rules.controller)
        if less > 0:
            texts.append(
                f"{site.controllers[rules.controller].name}: held to its programmes it runs {less:g} min "
                f"({water}) less tonight than with a start time for every station: "
                f"{_named(planned, own, lost)}"
            )
    texts += _held_by_starts(planned)
    for one in held.any_order:
        name = site.controllers[one.controller].name
        if one.cycles.any():
            opens, ends = (format_time(moment(planned.night, m), units) for m in (one.opens, np.ceil(one.ends)))
            texts.append(
                f"{name} finds its own start times: set it to begin at {opens}; whatever the order of its stations, "
                f"{one.at_once} at a time, it is done by {ends}, and the flow it may draw is kept free for it"
            )
            texts += _fast_changes(planned, one.controller, one.at_once, np.flatnonzero(one.cycles > 0))
        own, less, water = _less(planned, one.controller)
        if less > 0:
            texts.append(
                f"{name}: {less:g} min, {water}, are left out since in "
                f"some order of its stations the night would end too late or pass what pump and pipes give: "
                f"{_named(planned, own, lost)}"
            )
    return [WarningPart(kind=Topic.TIMETABLE, subject="programmes", text=text) for text in texts]


def _held_by_starts(planned: Planned) -> list[str]:
    """Name the zones that run no longer since their programme holds no more start times."""
    site, run, found = planned.site, planned.run, []
    longest = longest_single(site, planned.inputs.resolution)
    for rules in run.controllers.rules:
        most = rules.starts_each * longest
        own = (site.zones.controller == rules.controller) & np.isfinite(most) & (run.minutes > 0)
        full = np.flatnonzero(own & (run.minutes >= most - 1e-6) & (planned.effects.dry[:, 0] > 0))
        if full.size:
            name, starts = site.controllers[rules.controller].name, counted(rules.starts_each, "start time")
            found.append(
                f"{name} holds {starts} a programme, and the soil takes no more at each: these zones stay drier than "
                f"they should: {_named(planned, full, run.minutes)}"
            )
    return found


def _fast_changes(planned: Planned, controller: int, at_once: int, zones: np.ndarray) -> list[str]:
    """Warn where valves that open together may change the flow of a pump faster than it should."""
    site, found = planned.site, []
    for p, pump in enumerate(site.pumps):
        flows = np.sort(site.zones.flow[zones[site.zones.pump[zones] == p]])[::-1][:at_once]
        if flows.size > 1 and flows.sum() > pump.ramp:
            found.append(
                f"{site.controllers[controller].name} may open {flows.size} valves at the same moment: the flow of "
                f"{pump.name} then changes faster than its ramp allows; give it a pause between stations"
            )
    return found


def _less(planned: Planned, controller: int) -> tuple[np.ndarray, float, str]:
    """Zones of a controller that run less than they would free, by how many minutes it runs less in all, and water."""
    lost = planned.run.controllers.lost
    own = planned.site.zones.controller == controller
    if lost is None:
        return np.zeros(0, dtype=np.int64), 0.0, ""
    water = float((lost * planned.plan.water_per_minute)[own].sum())
    zones = np.flatnonzero(own & (lost > 0))
    return zones, float(lost[own].sum()) if water > 0 else 0.0, format_volume(max(water, 0.0), planned.site.units)


def _named(planned: Planned, zones: np.ndarray, minutes: np.ndarray) -> str:
    order = zones[np.argsort(-minutes[zones], kind="stable")]
    names = [f"{planned.site.zones.zone[z]} {minutes[z]:g} min" for z in order.tolist()]
    more = f" and {counted(len(names) - NAMED, 'more zone')}" if len(names) > NAMED else ""
    return ", ".join(names[:NAMED]) + more


def _standing(planned: Planned, rules: ProgrammeRules) -> list[Programme]:
    """Programmes a controller is to hold tonight: those that start, those that rest, and those to be emptied."""
    held = planned.run.controllers
    own = [p for p in (*held.programmes, *held.resting) if p.controller == rules.controller]
    numbers = {p.number for p in own}
    for p in held.before:
        if p.controller == rules.controller and p.number not in numbers and p.zones:
            own.append(Programme(p.controller, p.number, (), (), ()))
    return sorted(own, key=lambda p: p.number)


def _programme_part(planned: Planned, rules: ProgrammeRules, programme: Programme) -> ProgrammePart:
    """One programme beside what stood under its number."""
    held, night, ids = planned.run.controllers, planned.night, planned.site.zones.zone
    before = next(
        (p for p in held.before if (p.controller, p.number) == (programme.controller, programme.number)), None
    )
    was = {} if before is None else dict(zip(before.zones, before.minutes, strict=True))
    return ProgrammePart(
        number=programme.number,
        percent=programme.percent,
        stations=tuple(
            ProgrammeStation(zone=ids[z], minutes=round(m, 6), before_minutes=was.get(z))
            for z, m in zip(programme.zones, programme.minutes, strict=True)
        ),
        taken_out=tuple(ids[z] for z in was if z not in programme.zones),
        starts=tuple(moment(night, s) for s in programme.starts),
        start_minutes=programme.starts,
        length_min=round(_length(planned, rules, programme), 6),
        before_starts=None if before is None else tuple(_moments(held.before_night or night, before.starts)),
        before_percent=None if before is None else before.percent,
    )


def _length(planned: Planned, rules: ProgrammeRules, programme: Programme) -> float:
    """How long one run of a programme takes at its percent [min]."""
    step = planned.site.controllers[rules.controller].resolution / 60.0
    minutes = [keyed_minutes(m, programme.percent, step) for m in programme.minutes]
    return run_length(np.array(minutes), rules.at_once, rules.delay)


def _moments(night: date, starts: Sequence[float]) -> list[datetime]:
    return [moment(night, s) for s in starts]


def _percent(planned: Planned, pairs: list[tuple[Programme, Programme]]) -> list[PercentPart]:
    """One percent for these programmes, where it is close enough and every limit holds; else none."""
    plan, site = planned.plan, planned.site
    rate = plan.net_rate / plan.net_share
    resolution = np.array([*(c.resolution for c in site.controllers), 60.0])[site.zones.controller] / 60.0
    choice = percent_choice(pairs, rate, resolution)
    if choice is None or np.abs(choice.off).max() > CLOSE_ENOUGH:
        return []
    sooner = (replace(choice, programmes=tuple(earlier(p, m) for p in choice.programmes)) for m in range(MOST_EARLIER))
    held = next((one for one in sooner if _holds(planned, one, resolution)), None)
    if held is None:
        return []
    choice = held
    names = [(p.controller, p.number) for p in choice.programmes]
    rules = {r.controller: r for r in planned.run.controllers.rules}
    parts = [
        _programme_part(planned, rules[p.controller], p)
        for p in planned.run.controllers.programmes
        if (p.controller, p.number) in names
    ]
    chosen = [_programme_part(planned, rules[p.controller], p) for p in choice.programmes]
    with_it = sum(entries_of(p.model_copy(update={"stations": (), "taken_out": ()})) for p in chosen)
    without = sum(entries_of(p) for p in parts)
    if without - with_it < FEWEST:
        return []
    most = int(np.abs(choice.off).argmax())
    return [
        PercentPart(
            programmes=tuple(ProgrammeName(controller=site.controllers[c].name, number=n) for c, n in names),
            percent=float(choice.percent),
            starts=tuple(p.starts for p in chosen),
            entries=with_it,
            instead_of=without,
            most_off_mm=round(float(np.abs(choice.off[most])), 6),
            most_off_zone=site.zones.zone[most],
            volume_m3=round(float((choice.off / rate) @ plan.water_per_minute), 6),
        )
    ]


def _holds(planned: Planned, choice: PercentChoice, resolution: np.ndarray) -> bool:
    """Whether limits and shared water hold with the percent, whichever way a controller rounds."""
    run, inputs, plan = planned.run, planned.inputs, planned.plan
    assert run.job is not None and run.timetable is not None
    longest, held = longest_single(planned.site, inputs.resolution), planned.run.controllers
    one = {name: np.ones(n) for name, n in (("pump", plan.pump_capacity.size), ("branch", plan.branch_capacity.size))}
    one["station"] = np.ones(plan.stations_at_once.size)
    matrix, limits = hard_rows(inputs, run.result.run_times(plan), 0, one)
    for up in (False, True):
        minutes = run.minutes.copy()
        table = run.timetable
        for rules in held.rules:
            with_it = [p for p in choice.programmes if p.controller == rules.controller]
            if not with_it:
                continue
            numbers = {p.number for p in with_it}
            others = [p for p in held.programmes if p.controller == rules.controller and p.number not in numbers]
            own = planned.site.zones.controller == rules.controller
            step = float(resolution[own].min())
            holds, given, table = holds_with(run.job, table, rules, [*with_it, *others], step, longest, up)
            if not holds or (given > inputs.longest_run[:, 0] + 1e-9).any():
                return False
            minutes = given
        if (matrix @ minutes > np.maximum(limits, matrix @ run.minutes) * (1.0 + 1e-9) + 1e-9).any():
            return False
    return True
