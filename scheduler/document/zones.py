"""The zones of the plan document: one entry each, running tonight or not."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from models.choices import SPREAD
from scheduler.document.limits import Scarce
from scheduler.document.parts import (
    CyclePart,
    PathNight,
    WaterBalance,
    Why,
    ZoneLimits,
    ZoneMake,
    ZonePart,
    ZoneState,
)
from scheduler.document.planned import Planned, moment, rounded
from scheduler.document.words import Reason, zone_reasons

PATH = (
    "minutes", "depth_mm", "etc_mm", "effective_rain_mm", "held_mm", "drainage_mm", "depletion_mm", "kc", "ks",
    "watered_mm", "dry_limit_mm", "ece_dsm",
)  # fmt: skip


def zone_parts(planned: Planned, scarce: list[Scarce]) -> tuple[ZonePart, ...]:
    """One entry a zone, in the order of zones.csv.

    Parameters
    ----------
    planned : Planned
    scarce : list of Scarce   Limits that cost the turf something, as `short_of` gives them.
    """
    limits, states, balances, makes = _limits(planned), _states(planned), _balances(planned), _makes(planned)
    water_ec = _known(planned.effects.water_ec[:, 0])
    reasons = _reasons(planned, scarce)
    names, runs = _names(planned), _runs(planned)
    paths = _paths(planned)
    return tuple(
        ZonePart(
            **names[z],
            **runs[z],
            why=reasons[z].why,
            reason=reasons[z].words,
            make=makes[z],
            water_ec_dsm=water_ec[z],
            before=states[z][0],
            after=states[z][1],
            limits=limits[z],
            balance=balances[z],
            path=paths[z],
        )
        for z in range(len(planned.site.zones))
    )


def _names(planned: Planned) -> list[dict[str, object]]:
    """What each zone is called and where it hangs."""
    site, zones = planned.site, planned.site.zones
    controllers = _named(zones.controller, [c.name for c in site.controllers])
    branches = _named(zones.branch, [b.name for b in site.branches])
    pumps = _named(zones.pump, [p.name for p in site.pumps])
    middle = np.round(np.stack((zones.east, zones.north), axis=1), 1)
    positions = [tuple(p) if known else None for p, known in zip(middle.tolist(), np.isfinite(zones.east), strict=True)]
    return [
        {
            "id": zones.zone[z],
            "name": zones.name[z],
            "place": zones.place[z],
            "position_m": positions[z],
            "outline_m": tuple(tuple(map(tuple, np.round(r, 1).tolist())) for r in zones.outline[z]),
            "surface": zones.surface[z],
            "controller": controllers[z],
            "station": zones.station[z] or None,
            "branch": branches[z],
            "pump": pumps[z],
            "state_from": planned.state.origin[z],
        }
        for z in range(len(zones))
    ]


def _named(index: np.ndarray, names: list[str]) -> list[str | None]:
    return [names[i] if i >= 0 else None for i in index.tolist()]


def _runs(planned: Planned) -> list[dict[str, object]]:
    """Tonight's water of each zone."""
    run, effects = planned.run, planned.effects
    minutes, depth = rounded(run.minutes), rounded(effects.gross[:, 0])
    net, volume = rounded(effects.net[:, 0]), rounded(run.minutes * planned.plan.water_per_minute)
    by_source, cycles, finish = _by_source(planned), _cycles(planned), _finish(planned)
    return [
        {
            "minutes": minutes[z],
            "depth_mm": depth[z],
            "net_depth_mm": net[z],
            "volume_m3": volume[z],
            "source": max(by_source[z], key=by_source[z].__getitem__) if by_source[z] else None,
            "volumes_m3": by_source[z],
            "cycles": tuple(cycles[z]),
            "finish_by": finish[z],
        }
        for z in range(len(minutes))
    ]


def _by_source(planned: Planned) -> list[dict[str, float]]:
    """Tonight's water of each zone by source name [m3]; empty where it does not run or no source is named."""
    site = planned.site
    if not site.sources:
        return [{} for _ in range(len(site.zones))]
    volumes = (np.round(planned.run.volumes @ planned.plan.supply_share, 6) + 0.0).tolist()
    names = [s.name for s in site.sources]
    return [{n: x for n, x in zip(names, row, strict=True) if x > 0} for row in volumes]


def _cycles(planned: Planned) -> list[list[CyclePart]]:
    """Starts and stops of each zone in order of time."""
    found: list[list[CyclePart]] = [[] for _ in range(len(planned.site.zones))]
    table = planned.run.timetable
    if table is None:
        return found
    order = np.argsort(table.start, kind="stable")
    for z, start, end in zip(
        table.zone[order].tolist(), table.start[order].tolist(), table.end[order].tolist(), strict=True
    ):
        found[z].append(
            CyclePart(start=moment(planned.night, start), end=moment(planned.night, end), minutes=round(end - start, 6))
        )
    return found


def _finish(planned: Planned) -> list[datetime | None]:
    """Time by which each zone that runs should be done, None where that is the close."""
    run = planned.run
    if run.job is None or run.job.finish_by is None:
        return [None] * len(planned.site.zones)
    times = np.where(run.minutes > 0, run.job.finish_by, np.nan)
    found = {t: moment(planned.night, t) for t in np.unique(times[~np.isnan(times)]).tolist()}
    return [found.get(t) for t in times.tolist()]


def _reasons(planned: Planned, scarce: list[Scarce]) -> list[Reason]:
    """Why each zone runs or waits; a flush or upkeep tonight says so itself."""
    run = planned.run
    reasons = zone_reasons(planned, _blame(scarce, len(planned.site.zones)))
    for chosen, reason in (
        (run.result.flushes, Reason(Why.FLUSH, "salt flush")),
        (run.result.upkeep, Reason(Why.UPKEEP, "watered, and a little more to leach salt")),
    ):
        for one in chosen:
            if 0 in one.nights and run.minutes[one.zone] > 0:
                reasons[one.zone] = reason
    return reasons


def _blame(scarce: list[Scarce], zones: int) -> list[str]:
    """What holds each zone back, in brackets, or nothing."""
    if not scarce:
        return [""] * zones
    under = np.array([s.zones for s in scarce]).T
    kinds, kind = np.unique(under, axis=0, return_inverse=True)
    words = [", ".join(s.name for s, on in zip(scarce, row, strict=True) if on) for row in kinds.tolist()]
    return [f" ({words[k]})" if words[k] else "" for k in kind.ravel().tolist()]


def _states(planned: Planned) -> list[tuple[ZoneState, ZoneState]]:
    """Where each zone stands tonight and at the next opening time."""
    plan, effects, spread = planned.plan, planned.effects, planned.state.spread
    later = np.hypot(spread, SPREAD.daily_error * plan.etc[:, 0])
    columns = [
        (rounded(depletion), rounded(above), _known(effects.ece[:, n]), _layers(effects.layers[:, :, n]), rounded(sure))
        for n, (depletion, above, sure) in enumerate(
            (
                (plan.depletion, planned.state.surplus, spread),
                (effects.balance.depletion[:, 0], np.zeros(plan.zones), later),
            )
        )
    ]
    before, after = (
        [
            ZoneState(depletion_mm=d, surplus_mm=a, ece_dsm=e, layers_dsm=k, spread_mm=s)
            for d, a, e, k, s in zip(*column, strict=True)
        ]
        for column in columns
    )
    return list(zip(before, after, strict=True))


def _known(values: np.ndarray, digits: int = 3) -> list[float | None]:
    """Plain numbers, None where not known."""
    return [None if np.isnan(v) else v for v in rounded(values, digits)]


def _layers(values: np.ndarray, digits: int = 3) -> list[tuple[float, ...]]:
    """Plain numbers of each zone's layers, shape (Z, L); nothing where not known."""
    unknown = np.isnan(values).any(axis=1).tolist()
    return [() if no else tuple(row) for no, row in zip(unknown, np.round(values, digits).tolist(), strict=True)]


def _makes(planned: Planned) -> list[ZoneMake]:
    """How each zone is built, as the plan reckons with it."""
    plan, inputs, salt = planned.plan, planned.inputs, planned.salt
    rooted = salt.layers.rooted / salt.layers.rooted.sum(axis=1, keepdims=True)
    roots = _layers(np.where(salt.known[:, None], rooted, np.nan), 6)
    columns = {
        "area_m2": plan.area,
        "flow_lps": plan.flow,
        "rate_mm_h": plan.net_rate * 60.0,
        "net_share": plan.net_share,
        "smallest_run_min": inputs.smallest_run,
        "longest_run_min": inputs.longest_run[:, 0],
    }
    return [ZoneMake(**row, roots_by_layer=shares) for row, shares in zip(_rows(columns), roots, strict=True)]


def _limits(planned: Planned) -> list[ZoneLimits]:
    """Band, longest run, step and soak of each zone tonight."""
    plan, inputs, run = planned.plan, planned.inputs, planned.run
    columns = {
        "taw_mm": plan.taw,
        "raw_mm": inputs.depletion_fraction[:, 0] * plan.taw,
        "dry_limit_mm": inputs.fresh_limit[:, 0],
        "wet_limit_mm": plan.wet_limit[:, 0],
        "margin_mm": inputs.fresh_limit[:, 0] - plan.dry_limit[:, 0],
        "max_run_min": plan.max_run,
        "resolution_s": inputs.resolution * 60.0,
        "soak_min": np.zeros(plan.zones) if run.cycles is None else run.cycles.soak,
    }
    return [ZoneLimits(**row) for row in _rows(columns)]


def _balances(planned: Planned) -> list[WaterBalance]:
    """Water of each root zone from tonight's opening time to the next."""
    inputs, effects = planned.inputs, planned.effects
    depth, net = (np.round(a[:, 0], 6) for a in (effects.gross, effects.net))
    columns = {
        "depth_mm": depth,
        "uneven_mm": depth - net,
        "etc_mm": effects.balance.etc_actual[:, 0],
        "rain_mm": inputs.rain[:, 0],
        "runoff_mm": inputs.runoff[:, 0],
        "held_mm": inputs.held[:, 0],
        "drainage_mm": effects.balance.drainage[:, 0],
    }
    return [WaterBalance(**row) for row in _rows(columns)]


def _rows(columns: dict[str, np.ndarray]) -> list[dict[str, float]]:
    """One mapping a zone from columns over zones."""
    plain = [rounded(a) for a in columns.values()]
    return [dict(zip(columns, row, strict=True)) for row in zip(*plain, strict=True)]


def _paths(planned: Planned) -> list[tuple[PathNight, ...]]:
    """Each zone's coming nights, tonight first."""
    plan, effects, dates = planned.plan, planned.effects, planned.inputs.dates
    balance, eto = effects.balance, planned.demand.future["eto"].to_numpy()[None, :]
    columns = (
        planned.run.minutes_by_night, effects.gross, balance.etc_actual,
        plan.effective_rain - planned.inputs.held, planned.inputs.held, balance.drainage, balance.depletion,
        np.where(eto > 0, plan.etc / np.where(eto > 0, eto, 1.0), 0.0), balance.stress, effects.watered,
        planned.inputs.fresh_limit, effects.ece[:, 1:],
    )  # fmt: skip
    cube = (np.round(np.stack(columns, axis=2), 6) + 0.0).tolist()  # (Z, N, 12)
    salty = planned.salt.known.tolist()
    return [
        tuple(
            PathNight(night=night, **dict(zip(PATH if known else PATH[:-1], values, strict=False)))
            for night, values in zip(dates, zone, strict=True)
        )
        for zone, known in zip(cube, salty, strict=True)
    ]
