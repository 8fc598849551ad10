"""The plan document put together: what an evening decided and what it will do."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

import numpy as np

from scheduler.document.actions import action_parts
from scheduler.document.edits import edit_warnings
from scheduler.document.late import late_warnings
from scheduler.document.left_out import left_out_warnings
from scheduler.document.limits import limits_by_night, short_of
from scheduler.document.nights import allocation_part, give_way_parts, night_parts, surface_parts
from scheduler.document.outlook import advice_parts, event_parts, weather_parts, weather_table
from scheduler.document.parts import (
    AppliedRead,
    ForecastRead,
    InputsPart,
    PlanDocument,
    ProbesRead,
    SitePart,
    Status,
    StepDown,
    Units,
    WarningPart,
    WeatherRead,
)
from scheduler.document.planned import Planned, moment
from scheduler.document.programmes import controller_parts, controller_warnings, percent_parts
from scheduler.document.pumping import energy_part, flow_part, pump_warnings, pumped_night, pumps_part
from scheduler.document.rain import rain_part
from scheduler.document.salts import flush_parts, leaching_part
from scheduler.document.uneven import uneven_part
from scheduler.document.zones import zone_parts
from scheduler.notes import Note, Topic
from scheduler.supply import fits_alone

LEAST_WATER_PRICE = 0.05  # [per m3] below which ordinary water counts as if it cost this, where limits are weighed


def plan_document(planned: Planned) -> PlanDocument:
    """Assemble the document of one evening."""
    site, plan, run = planned.site, planned.plan, planned.run
    limits = limits_by_night(planned)
    dearest = max(float((plan.supply_share @ plan.source_price).max(initial=0.0)), LEAST_WATER_PRICE)
    scarce = short_of(site, plan, limits, dearest)
    notes = _notes(planned)
    pumped = pumped_night(site, run)
    energy = energy_part(site, planned.inputs, run, pumped)
    weather = weather_parts(weather_table(planned))
    document = PlanDocument(
        site=_site_part(planned),
        pumps=pumps_part(site, pumped),
        night=planned.night,
        made=planned.made.replace(microsecond=0),
        status=_status(planned),
        inputs=_inputs_part(planned, notes),
        zones=zone_parts(planned, scarce),
        nights=night_parts(planned, limits, energy),
        surfaces=surface_parts(planned),
        allocation=allocation_part(planned),
        rain=rain_part(planned),
        uneven=uneven_part(planned),
        give_way=give_way_parts(planned, scarce),
        flushes=flush_parts(planned),
        leaching=leaching_part(planned),
        flow=flow_part(site, pumped),
        energy=energy,
        controllers=controller_parts(planned),
        percents=percent_parts(planned),
        weather=weather,
        events=event_parts(planned),
        advice=advice_parts(planned, weather),
        warnings=(
            *_night_warnings(planned),
            *warnings_of(notes, _zone_of_probe(planned)),
            *pump_warnings(site, planned.inputs, run, pumped),
        ),
    )
    blind = frozenset(site.zones.zone[~np.isin(planned.salt.origin, ("laboratory", "probe"))].tolist())
    return document.model_copy(update={"actions": action_parts(document, blind)})


def _zone_of_probe(planned: Planned) -> dict[str, str]:
    """Id of the zone each probe stands in tonight."""
    now = planned.standing_probes
    return dict(zip(now["probe"].astype(str), now["zone"].astype(str), strict=True))


def warnings_of(notes: tuple[Note, ...], zone_of: Mapping[str, str] | None = None) -> tuple[WarningPart, ...]:
    """Give those notes that want a person to look; `zone_of` tells where each probe stands."""
    places = zone_of or {}
    return tuple(
        WarningPart(kind=n.topic, name=n.name, zone=places.get(n.name, ""), subject=n.subject, text=n.text)
        for n in notes
        if n.kind == "warning"
    )


def _notes(planned: Planned) -> tuple[Note, ...]:
    """All notes of the evening, in the order of its steps."""
    steps = (planned.site, planned.demand, planned.state, planned.salt, planned.inputs, planned.flushes)
    return tuple(note for step in steps for note in step.notes)


def _site_part(planned: Planned) -> SitePart:
    site = planned.site
    return SitePart(
        name=site.name,
        units=Units(site.units),
        time_zone=site.time_zone.key,
        latitude=site.latitude,
        longitude=site.longitude,
        zones=len(site.zones),
        currency=site.currency,
    )


def _status(planned: Planned) -> Status:
    """Whether anything runs, and if not why: forbidden, nothing left to give, or nothing needed."""
    plan, inputs = planned.plan, planned.inputs
    if planned.run.minutes.any():
        return Status.PLANNED
    if not _may_run(planned).any():
        return Status.NOT_ALLOWED
    least = inputs.smallest_run * plan.net_rate
    room = plan.depletion > least  # even the smallest run would otherwise pass field capacity
    thirsty = (planned.effects.balance.depletion[:, 0] - inputs.limit[:, 0] > least) & room
    return Status.NOT_AVAILABLE if thirsty.any() else Status.NOT_NEEDED


def _may_run(planned: Planned) -> np.ndarray:
    """Whether window, orders and events leave each zone time tonight, or would if its flow were less, shape (Z,)."""
    plan, site = planned.plan, planned.site
    return (plan.allowed[:, 0] & (plan.block_length[0] > 0)).any(axis=1) | (
        ~fits_alone(site) & planned.inputs.windows[0].mask(site.zones.surface).any(axis=1)
    )


def _inputs_part(planned: Planned, notes: tuple[Note, ...]) -> InputsPart:
    """What was read and how old it is."""
    night, demand, state = planned.night, planned.demand, planned.state
    newest = None if state.newest_reading is None else state.newest_reading.to_pydatetime()
    issued = None if demand.issued is None else demand.issued.to_pydatetime()
    age = None if newest is None else (moment(night, planned.opens) - newest) / timedelta(hours=1)
    return InputsPart(
        weather=WeatherRead(
            newest=demand.newest,
            age_days=None if demand.newest is None else (night - demand.newest).days,
            days=demand.observed_days,
            routes=demand.routes,
        ),
        forecast=ForecastRead(
            issued=issued,
            age_days=None if issued is None else max(0, (night - issued.date()).days),
            days=demand.forecast_days,
            members=demand.members,
        ),
        probes=ProbesRead(
            newest=newest,
            age_hours=None if age is None else round(max(0.0, age), 2),
            read=state.readings,
            used=state.used,
            doubtful=state.doubtful,
        ),
        applied=AppliedRead(
            newest=state.newest_applied,
            age_days=None if state.newest_applied is None else (night - state.newest_applied).days,
            nights=state.applied_nights,
            nights_as_planned=state.planned_nights,
        ),
        step_downs=tuple(StepDown(what=n.subject, why=n.text) for n in notes if n.kind == "step_down"),
    )


def _night_warnings(planned: Planned) -> list[WarningPart]:
    """What the timetable wants a person to know."""
    site, run = planned.site, planned.run
    found = [*edit_warnings(planned), *left_out_warnings(site, run), *controller_warnings(planned)]
    if run.timetable is not None:
        found += [WarningPart(kind=Topic.TIMETABLE, subject="timetable", text=text) for text in run.timetable.notes]
        found += late_warnings(site, planned.inputs, run)
    if run.cycles is not None and run.cycles.over_longest.any():
        zones = ", ".join(site.zones.zone[run.cycles.over_longest][:6])
        text = f"water may run off: even the shortest useful cycle is long for {zones}"
        found.append(WarningPart(kind=Topic.CYCLES, subject="cycles", text=text))
    return found
