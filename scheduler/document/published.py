"""The plan document: what an evening decided and what it will do, as `plan.schema.json` describes it.

The consequences are the FAO-56 balance run under the run times that will really run, never the variables of the linear
program.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np

from models.plan.inputs import PlanInputs
from models.soil import DayBalance, run_balance
from scheduler.document.late import late_warnings
from scheduler.document.left_out import left_out_warnings
from scheduler.document.limits import Scarce, limits_by_night, short_of
from scheduler.document.pumping import energy_part, flow_part, pump_warnings, pumped_night, pumps_part
from scheduler.document.rules import SCHEMA_NAME
from scheduler.document.words import give_way_words, zone_reasons
from scheduler.document.worth import worth_part
from scheduler.night.records import RunnableNight
from scheduler.notes import Note
from scheduler.plan.inputs import SMALLEST_RUN, NightInputs, fits_alone
from scheduler.salinity.evening import SaltState, forecast_salt
from scheduler.salinity.flushes import FlushCandidates
from scheduler.salinity.leaching import leaching_part
from scheduler.site import Site
from scheduler.state.demand import Demand
from scheduler.state.evening import DAILY_ERROR, StartState

TOLD_APART = 0.02  # [-] of TAW beyond a limit, or one controller step, from which a zone-day counts; our choice


@dataclass(frozen=True)
class Planned:
    """Everything an evening worked out, for the document.

    Parameters
    ----------
    site : Site
    night : date                 The evening.
    made : datetime              When the plan was made, with its offset.
    opens : int                  Opening time [min after 00:00 of the evening's date].
    demand : Demand
    state : StartState
    inputs : NightInputs
    salt : SaltState
    flushes : FlushCandidates    Zones that need a flush, planned or not.
    run : RunnableNight
    """

    site: Site
    night: date
    made: datetime
    opens: int
    demand: Demand
    state: StartState
    inputs: NightInputs
    salt: SaltState
    flushes: FlushCandidates
    run: RunnableNight


def plan_document(planned: Planned) -> dict[str, Any]:
    """Assemble the document of one evening."""
    site, inputs, run, state, demand = planned.site, planned.inputs, planned.run, planned.state, planned.demand
    plan = inputs.plan
    net = run.later * plan.net_rate[:, None]
    future = run_balance(plan.depletion, net, plan.etc, plan.effective_rain, plan.taw, inputs.depletion_fraction)
    before_each = np.concatenate((plan.depletion[:, None], future.depletion[:, :-1]), axis=1)
    dry = np.maximum(future.depletion - inputs.fresh_limit, 0.0)
    soft = np.maximum(plan.wet_limit - np.maximum(before_each - net, 0.0), 0.0)
    least = np.maximum(inputs.resolution * plan.net_rate, TOLD_APART * plan.taw)[:, None]
    dry[dry < least] = 0.0
    soft[soft < least] = 0.0
    limits = limits_by_night(site, inputs, run)
    dearest = max(float((plan.supply_share @ plan.source_price).max(initial=0.0)), 0.05)
    scarce = short_of(site, plan, limits, dearest)
    notes = (
        *(*site.notes, *demand.notes, *state.notes),
        *(*planned.salt.notes, *inputs.notes, *planned.flushes.notes),
    )
    ece, leached = _salinity(planned, net)
    pumped = pumped_night(site, run)
    energy = energy_part(site, inputs, run, pumped)
    warnings = [{"subject": n.subject, "text": n.text} for n in notes if n.kind == "warning"]
    warnings += _night_warnings(site, inputs, run) + pump_warnings(site, inputs, run, pumped)
    return {
        "schema": SCHEMA_NAME,
        "site": {
            "name": site.name,
            "units": site.units,
            "time_zone": site.time_zone.key,
            "latitude": site.latitude,
            "longitude": site.longitude,
            "zones": len(site.zones),
            "currency": site.currency,
        },
        "pumps": pumps_part(site, pumped),
        "night": planned.night.isoformat(),
        "made": planned.made.isoformat(timespec="seconds"),
        "status": _status(site, inputs, run, future),
        "inputs": _inputs_part(planned, notes),
        "zones": _zones_part(planned, future, net, ece, scarce),
        "nights": _nights_part(site, inputs, run, limits, energy),
        "surfaces": _surfaces_part(site, plan, run, dry, soft, future),
        "allocation": _allocation_part(site, inputs, run),
        "give_way": _give_way_part(site, inputs, dry, scarce),
        "flushes": _flushes_part(planned, net, leached, ece),
        "leaching": leaching_part(site, inputs.dates, plan, run.result, planned.salt, net, leached, ece),
        "flow": flow_part(site, pumped),
        "energy": energy,
        "advice": [],
        "warnings": warnings,
    }


def moment(night: date, minute: float) -> str:
    """Local ISO time of a minute after 00:00 of the evening's date."""
    return (datetime.combine(night, datetime.min.time()) + timedelta(minutes=minute)).isoformat(timespec="seconds")


def _status(site: Site, inputs: NightInputs, run: RunnableNight, future: DayBalance) -> str:
    """Whether anything runs, and if not why: forbidden, nothing left to give, or nothing needed."""
    plan = inputs.plan
    if run.minutes.any():
        return "planned"
    if not _may_run(site, inputs).any():
        return "no watering allowed"
    least = np.maximum(SMALLEST_RUN, inputs.resolution) * plan.net_rate
    room = plan.depletion > least  # even the smallest run would otherwise pass field capacity
    thirsty = (future.depletion[:, 0] - inputs.limit[:, 0] > least) & room
    return "no water available" if thirsty.any() else "no water needed"


def _may_run(site: Site, inputs: NightInputs) -> np.ndarray:
    """Whether window, orders and events leave each zone time tonight, or would if its flow were less, shape (Z,)."""
    plan = inputs.plan
    return (plan.allowed[:, 0] & (plan.block_length[0] > 0)).any(axis=1) | (
        ~fits_alone(site) & inputs.windows[0].mask(site.zones.surface).any(axis=1)
    )


def _inputs_part(planned: Planned, notes: tuple[Note, ...]) -> dict[str, Any]:
    """What was read and how old it is."""
    night, opens, demand, state = planned.night, planned.opens, planned.demand, planned.state
    opening = datetime.combine(night, datetime.min.time()) + timedelta(minutes=opens)
    newest = state.newest_reading
    return {
        "weather": {
            "newest": None if demand.newest is None else demand.newest.isoformat(),
            "age_days": None if demand.newest is None else (night - demand.newest).days,
            "days": demand.observed_days,
            "routes": demand.routes,
        },
        "forecast": {
            "issued": None if demand.issued is None else demand.issued.isoformat(),
            "age_days": None if demand.issued is None else max(0, (night - demand.issued.date()).days),
            "days": demand.forecast_days,
            "members": demand.members,
        },
        "probes": {
            "newest": None if newest is None else newest.isoformat(),
            "age_hours": None if newest is None else round(max(0.0, (opening - newest).total_seconds() / 3600), 2),
            "read": state.readings,
            "used": state.used,
            "doubtful": state.doubtful,
        },
        "applied": {
            "newest": None if state.newest_applied is None else state.newest_applied.isoformat(),
            "age_days": None if state.newest_applied is None else (night - state.newest_applied).days,
            "nights": state.applied_nights,
            "nights_as_planned": state.planned_nights,
        },
        "step_downs": [{"what": n.subject, "why": n.text} for n in notes if n.kind == "step_down"],
    }


def _rounded(values: np.ndarray, digits: int = 6) -> list[Any]:
    """Plain numbers, without minus zero."""
    return list((np.round(values, digits) + 0.0).tolist())


def _zones_part(
    planned: Planned, future: DayBalance, net: np.ndarray, ece: np.ndarray, scarce: list[Scarce]
) -> list[dict[str, Any]]:
    """One entry a zone."""
    site, inputs, run, state = planned.site, planned.inputs, planned.run, planned.state
    plan, zones = inputs.plan, site.zones
    gross = run.later * (plan.net_rate / plan.net_share)[:, None]
    volume = run.minutes * plan.water_per_minute
    spread_after = np.hypot(state.spread, DAILY_ERROR * plan.etc[:, 0])
    blame = _blame(scarce, len(zones))
    reasons = zone_reasons(
        plan, inputs.dates, run.minutes, run.later, blame, run.left_out, ~fits_alone(site), site.units
    )
    for flush in run.result.flushes:
        if 0 in flush.nights and run.minutes[flush.zone] > 0:
            reasons[flush.zone] = "salt flush"
    for little in run.result.upkeep:
        if 0 in little.nights and run.minutes[little.zone] > 0:
            reasons[little.zone] = "watered, and a little more to leach salt"
    salinity = [[None if np.isnan(x) else x for x in _rounded(column, 3)] for column in (ece[:, 0], ece[:, 1])]
    cycles = _cycles_by_zone(site, inputs, run)
    finish = _finish_by_zone(site, inputs, run)
    nights = [d.isoformat() for d in inputs.dates]
    path_columns = [
        _rounded(a)
        for a in (run.later, gross, future.etc_actual, plan.effective_rain, future.drainage, future.depletion)
    ]
    names = ("minutes", "depth_mm", "etc_mm", "effective_rain_mm", "drainage_mm", "depletion_mm")
    volumes = _source_names(site, plan, run)
    flat = {
        "minutes": run.minutes,
        "depth": gross[:, 0],
        "net": net[:, 0],
        "volume": volume,
        "before": plan.depletion,
        "after": future.depletion[:, 0],
        "spread": state.spread,
        "spread_after": spread_after,
        "taw": plan.taw,
        "raw": plan.raw[:, 0],
        "dry": inputs.fresh_limit[:, 0],
        "margin": inputs.fresh_limit[:, 0] - plan.dry_limit[:, 0],
        "wet": plan.wet_limit[:, 0],
        "etc": future.etc_actual[:, 0],
        "rain": inputs.rain[:, 0],
        "runoff": inputs.runoff[:, 0],
        "drainage": future.drainage[:, 0],
        "max_run": plan.max_run,
        "soak": np.zeros(plan.zones) if run.cycles is None else run.cycles.soak,
    }
    v = {name: _rounded(a) for name, a in flat.items()}
    resolution = _rounded(inputs.resolution * 60.0)
    named = [
        _names(zones.controller, [c.name for c in site.controllers]),
        _names(zones.branch, [b.name for b in site.branches]),
        _names(zones.pump, [p.name for p in site.pumps]),
    ]
    entries = []
    for z in range(len(zones)):
        main = max(volumes[z], key=volumes[z].__getitem__) if volumes[z] else None
        entries.append(
            {
                "id": zones.zone[z],
                "name": zones.name[z],
                "surface": zones.surface[z],
                "controller": named[0][z],
                "station": zones.station[z] or None,
                "branch": named[1][z],
                "pump": named[2][z],
                "minutes": v["minutes"][z],
                "depth_mm": v["depth"][z],
                "net_depth_mm": v["net"][z],
                "volume_m3": v["volume"][z],
                "source": main,
                "volumes_m3": volumes[z],
                "cycles": cycles[z],
                "finish_by": finish[z],
                "reason": reasons[z],
                "state_from": state.origin[z],
                "before": {"depletion_mm": v["before"][z], "ece_dsm": salinity[0][z], "spread_mm": v["spread"][z]},
                "after": {"depletion_mm": v["after"][z], "ece_dsm": salinity[1][z], "spread_mm": v["spread_after"][z]},
                "limits": {
                    "taw_mm": v["taw"][z],
                    "raw_mm": v["raw"][z],
                    "dry_limit_mm": v["dry"][z],
                    "wet_limit_mm": v["wet"][z],
                    "margin_mm": v["margin"][z],
                    "max_run_min": v["max_run"][z],
                    "resolution_s": resolution[z],
                    "soak_min": v["soak"][z],
                },
                "balance": {
                    "depth_mm": v["depth"][z],
                    "uneven_mm": round(v["depth"][z] - v["net"][z], 6) + 0.0,
                    "etc_mm": v["etc"][z],
                    "rain_mm": v["rain"][z],
                    "runoff_mm": v["runoff"][z],
                    "drainage_mm": v["drainage"][z],
                },
                "path": [
                    {
                        "night": nights[n],
                        **{name: column[z][n] for name, column in zip(names, path_columns, strict=True)},
                    }
                    for n in range(plan.nights)
                ],
            }
        )
    return entries


def _salinity(planned: Planned, net: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean ECe of every zone tonight and at the end of each date, shape (Z, N + 1) [dS/m], NaN where not known.

    And what leaves the roots with its salt on each date, shape (Z, N) [mm].
    """
    plan, run = planned.inputs.plan, planned.run
    if not planned.salt.known.any():
        return np.full((plan.zones, plan.nights + 1), np.nan), np.full((plan.zones, plan.nights), np.nan)
    chosen = run.result.minutes(plan).sum(axis=2)  # (Z, N, K)
    whole = chosen.sum(axis=2)
    ec = plan.supply_share @ np.array([s.ec for s in planned.site.sources])
    mixed = np.where(whole > 0, (chosen @ ec) / np.maximum(whole, 1e-12), planned.salt.source_ec[:, None])
    forecast = forecast_salt(planned.salt, net, mixed, plan.etc, plan.effective_rain, planned.inputs.depletion_fraction)
    return np.column_stack((planned.salt.mean, forecast.mean)), forecast.drainage


def _flushes_part(planned: Planned, net: np.ndarray, leached: np.ndarray, ece: np.ndarray) -> list[dict[str, Any]]:
    """Flushes of the horizon in order of their first night, then the zones that need one and get none."""
    inputs, candidates, zones = planned.inputs, planned.flushes, planned.site.zones
    place = {int(z): f for f, z in enumerate(candidates.needs.zone)}
    found = []
    for flush in sorted(planned.run.result.flushes, key=lambda f: (f.nights, f.zone)):
        z, f, on = flush.zone, place.pop(flush.zone), list(flush.nights)
        gross = net[z, on].sum() / inputs.plan.net_share[z]
        found.append(
            {
                "zone": zones.zone[z],
                "nights": [inputs.dates[n].isoformat() for n in on],
                "by": candidates.by[f].isoformat(),
                "drainage_mm": round(float(leached[z, on].sum()), 3),
                "depth_mm": round(float(gross), 3),
                "ece_before_dsm": round(float(ece[z, on[0]]), 3),
                "ece_after_dsm": round(float(ece[z, on[-1] + 1]), 3),
                "staged": bool(candidates.staged[f]),
                "words": candidates.reason[f],
            }
        )
    for little in planned.run.result.upkeep:
        place.pop(little.zone, None)
    for z, f in place.items():
        found.append(
            {
                "zone": zones.zone[z],
                "nights": [],
                "by": candidates.by[f].isoformat(),
                "drainage_mm": 0.0,
                "depth_mm": 0.0,
                "ece_before_dsm": round(float(candidates.ece_now[f]), 3),
                "ece_after_dsm": None,
                "staged": bool(candidates.staged[f]),
                "words": f"not within this plan: {candidates.reason[f]}",
            }
        )
    return found


def _blame(scarce: list[Scarce], zones: int) -> list[str]:
    """What holds each zone back, in brackets, or nothing."""
    if not scarce:
        return [""] * zones
    under = np.array([s.zones for s in scarce]).T
    kinds, kind = np.unique(under, axis=0, return_inverse=True)
    words = [", ".join(s.name for s, on in zip(scarce, row, strict=True) if on) for row in kinds.tolist()]
    return [f" ({words[k]})" if words[k] else "" for k in kind.ravel().tolist()]


def _names(index: np.ndarray, names: list[str]) -> list[str | None]:
    return [names[i] if i >= 0 else None for i in index.tolist()]


def _source_names(site: Site, plan: PlanInputs, run: RunnableNight) -> list[dict[str, float]]:
    """Tonight's water of each zone by source name [m3]; empty where it does not run or no source is named."""
    if not site.sources:
        return [{} for _ in range(len(site.zones))]
    by_source = _rounded(run.volumes @ plan.supply_share)
    names = [s.name for s in site.sources]
    return [{n: x for n, x in zip(names, row, strict=True) if x > 0} for row in by_source]


def _cycles_by_zone(site: Site, inputs: NightInputs, run: RunnableNight) -> list[list[dict[str, Any]]]:
    """Starts and stops of each zone in order of time."""
    found: list[list[dict[str, Any]]] = [[] for _ in range(len(site.zones))]
    table = run.timetable
    if table is None:
        return found
    night = inputs.dates[0]
    order = np.argsort(table.start, kind="stable")
    for z, start, end in zip(
        table.zone[order].tolist(), table.start[order].tolist(), table.end[order].tolist(), strict=True
    ):
        found[z].append({"start": moment(night, start), "end": moment(night, end), "minutes": round(end - start, 6)})
    return found


def _finish_by_zone(site: Site, inputs: NightInputs, run: RunnableNight) -> list[str | None]:
    """Time by which each zone that runs should be done, None where that is the close."""
    if run.job is None or run.job.finish_by is None:
        return [None] * len(site.zones)
    times = np.where(run.minutes > 0, run.job.finish_by, np.nan)
    found = {t: moment(inputs.dates[0], t) for t in np.unique(times[~np.isnan(times)]).tolist()}
    return [found.get(t) for t in times.tolist()]


def _nights_part(
    site: Site,
    inputs: NightInputs,
    run: RunnableNight,
    limits: list[list[dict[str, Any]]],
    blocks: list[dict[str, Any]],
) -> list[dict[str, Any]]:
    """Totals of each night, tonight first; tonight's energy is the sum of its tariff blocks."""
    plan = inputs.plan
    volume = run.later * plan.water_per_minute[:, None]
    energy, energy_cost = _later_energy(plan, run, volume)
    energy[0] = sum(b["energy_kwh"] for b in blocks)
    energy_cost[0] = sum(b["cost"] or 0.0 for b in blocks)
    water_cost = volume * _water_price(plan, run)
    priced = plan.source_price.any() or plan.energy_price.any()
    known = bool(plan.pump_energy.any())
    nights = []
    for n, (day, window) in enumerate(zip(inputs.dates, inputs.windows, strict=True)):
        nights.append(
            {
                "night": day.isoformat(),
                "allowed": bool((plan.allowed[:, n] & (plan.block_length[n] > 0)).any()),
                "window": [{"start": moment(day, a), "end": moment(day, b)} for a, b in window.pieces],
                "zones_running": int((run.later[:, n] > 0).sum()),
                "minutes": round(float(run.later[:, n].sum()), 6),
                "volume_m3": round(float(volume[:, n].sum()), 6),
                "energy_kwh": round(float(energy[n]), 3) if known else None,
                "energy_cost": round(float(energy_cost[n]), 4) if known and plan.energy_price.any() else None,
                "cost": round(float(water_cost[:, n].sum() + energy_cost[n]), 2) if priced else None,
                "limits": limits[n],
            }
        )
    return nights


def _water_price(plan: PlanInputs, run: RunnableNight) -> np.ndarray:
    """Price of each zone-night's water in the plan's proportions of sources, shape (Z, N) [per m3]."""
    chosen = run.result.minutes(plan).sum(axis=2)
    price = plan.supply_share @ plan.source_price
    whole = chosen.sum(axis=2)
    first = price[plan.zone_supply.argmax(axis=1)]
    mixed = (chosen @ price) / np.maximum(whole, 1e-12)
    return np.where(whole > 0, mixed, first[:, None])


def _later_energy(plan: PlanInputs, run: RunnableNight, volume: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Energy [kWh] and its cost of each night as the plan prices it: by typical flow and by its tariff blocks."""
    per_m3 = np.append(plan.pump_energy, 0.0)[plan.pump_of_zone]
    energy = (volume * per_m3[:, None]).sum(axis=0)
    chosen = run.result.minutes(plan).sum(axis=3)  # (Z, N, B)
    share = chosen / np.maximum(chosen.sum(axis=2, keepdims=True), 1e-12)
    return energy, np.einsum("zn,znb,nb->n", volume * per_m3[:, None], share, plan.energy_price)


def _surfaces_part(
    site: Site, plan: PlanInputs, run: RunnableNight, dry: np.ndarray, soft: np.ndarray, future: DayBalance
) -> list[dict[str, Any]]:
    """Tonight and the horizon by surface, in order of service."""
    gross = run.minutes * plan.net_rate / plan.net_share
    volume = run.minutes * plan.water_per_minute
    found = []
    for surface in sorted(set(site.zones.surface), key=lambda s: (site.surfaces[s].priority, s)):
        of = site.zones.surface == surface
        on = of & (run.minutes > 0)
        found.append(
            {
                "surface": surface,
                "zones": int(of.sum()),
                "running": int(on.sum()),
                "depth_mm": round(float(gross[on].mean()), 6) if on.any() else 0.0,
                "volume_m3": round(float(volume[of].sum()), 6),
                "dry_zone_days": int((dry[of] > 0).sum()),
                "wet_zone_days": int((soft[of] > 0).sum()),
                "worst_depletion_mm": round(float(future.depletion[of].max()), 6),
            }
        )
    return found


def _allocation_part(site: Site, inputs: NightInputs, run: RunnableNight) -> dict[str, Any] | None:
    """The season's water and what one more cubic metre would do."""
    share = inputs.allocation
    if share is None:
        return None
    return {
        "volume_m3": round(share.volume, 6),
        "used_m3": round(share.used, 6),
        "left_m3": round(share.volume - share.used, 6),
        "share_this_horizon_m3": round(share.share, 6),
        "worth_per_m3": worth_part(site, inputs.plan, run.result.one_more),
    }


def _give_way_part(site: Site, inputs: NightInputs, dry: np.ndarray, scarce: list[Scarce]) -> list[dict[str, Any]]:
    """Surfaces that go drier than their limit, those served last first."""
    found = []
    for surface in sorted(set(site.zones.surface), key=lambda s: (-site.surfaces[s].priority, s)):
        of = site.zones.surface == surface
        if (dry[of] > 0).any():
            going_dry = of & (dry > 0).any(axis=1)
            blame = [s.name for s in scarce if (s.zones & going_dry).any()]
            words = give_way_words(surface, int(of.sum()), dry[of], inputs.dates, blame, site.units)
            found.append({"surface": surface, "zones": int((dry[of] > 0).any(axis=1).sum()), "words": words})
    return found


def _night_warnings(site: Site, inputs: NightInputs, run: RunnableNight) -> list[dict[str, str]]:
    """What the timetable wants a person to know."""
    found = left_out_warnings(site, run)
    if run.timetable is not None:
        found += [{"subject": "timetable", "text": text} for text in run.timetable.notes]
        found += late_warnings(site, inputs, run)
    if run.cycles is not None and run.cycles.over_longest.any():
        zones = ", ".join(site.zones.zone[run.cycles.over_longest][:6])
        found.append(
            {"subject": "cycles", "text": f"water may run off: even the shortest useful cycle is long for {zones}"}
        )
    return found
