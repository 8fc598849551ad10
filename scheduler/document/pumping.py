"""What the pumps do tonight: flow by the minute, energy and cost by tariff block, and what a person should know of it.

Energy is that of the night as it really runs: power over the flow of every stretch between two valves turned, read
from the station's curve, with the friction of its branches on top of the head it holds (`models.night.play_night`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from models.night import LowFlow, PlayedNight, low_flows, play_night
from scheduler.document.parts import EnergyBlock, FlowPart, PumpPart, WarningPart
from scheduler.document.planned import moment
from scheduler.edge import format_duration, format_flow, format_head, format_time
from scheduler.night.records import RunnableNight
from scheduler.notes import Topic
from scheduler.plan.inputs import NightInputs
from scheduler.plan.stations import pump_curve, resistances
from scheduler.site import Site

NAMED = 3  # zones named in one warning


@dataclass(frozen=True)
class PumpedNight:
    """Tonight at the pumps.

    Parameters
    ----------
    played : PlayedNight
    low : tuple of LowFlow     Stretches below a smallest flow.
    known : ndarray (P,)       True where head, and so energy, is known.
    """

    played: PlayedNight
    low: tuple[LowFlow, ...]
    known: np.ndarray


def pumped_night(site: Site, run: RunnableNight) -> PumpedNight | None:
    """Play tonight at the pumps; None where nothing runs or there is no pump."""
    if run.job is None or run.timetable is None or not site.pumps:
        return None
    curves = tuple(pump_curve(p) for p in site.pumps)
    played = play_night(run.job, run.timetable, curves, resistances(site))
    return PumpedNight(played, low_flows(run.job, run.timetable), np.array([c is not None for c in curves]))


def energy_part(
    site: Site, inputs: NightInputs, run: RunnableNight, pumped: PumpedNight | None
) -> tuple[EnergyBlock, ...]:
    """Energy and its cost of tonight by tariff block, in order of time; empty where no head is known."""
    if pumped is None or run.job is None or not pumped.known.any():
        return ()
    blocks = run.job.blocks
    price = inputs.plan.energy_price[0, : len(blocks)]
    joins = np.flatnonzero((blocks[1:, 0] > blocks[:-1, 1]) | (price[1:] != price[:-1])) + 1
    first, last = np.append(0, joins), np.append(joins, len(blocks)) - 1
    names = [p.name for p in site.pumps]
    priced = bool(inputs.plan.energy_price.any())
    rows = []
    for a, b in zip(first.tolist(), last.tolist(), strict=True):
        by_pump = pumped.played.energy[:, a : b + 1].sum(axis=1)
        rows.append(
            EnergyBlock(
                start=moment(inputs.dates[0], float(blocks[a, 0])),
                end=moment(inputs.dates[0], float(blocks[b, 1])),
                price=round(float(price[a]), 6) if priced else None,
                volume_m3=round(float(pumped.played.pumped[:, a : b + 1].sum()), 6),
                energy_kwh=round(float(by_pump.sum()), 3),
                cost=round(float(by_pump.sum() * price[a]), 4) if priced else None,
                pumps={n: round(float(e), 3) for n, e, on in zip(names, by_pump, pumped.known, strict=True) if on},
            )
        )
    return tuple(rows)


def pumps_part(site: Site, pumped: PumpedNight | None) -> tuple[PumpPart, ...]:
    """Pump stations with what tonight asks of them."""
    rows = []
    for p, pump in enumerate(site.pumps):
        asked: dict[str, float] = {}
        if pumped is not None:
            played = pumped.played
            asked["under_smallest_min"] = round(float(played.under_smallest[p]), 6)
            if pumped.known[p]:
                asked["energy_kwh"] = round(float(played.energy[p].sum()), 3)
                asked["highest_head_m"] = round(float(played.head[p].max(initial=0.0)), 3)
                asked["short_of_head_min"] = round(float(played.short_of_head[p]), 6)
        rows.append(PumpPart(name=pump.name, capacity_lps=pump.capacity, smallest_flow_lps=pump.smallest_flow, **asked))
    return tuple(rows)


def flow_part(site: Site, pumped: PumpedNight | None) -> tuple[FlowPart, ...]:
    """Pump flow through the night, an entry wherever it changes."""
    if pumped is None or not pumped.played.minute.size:
        return ()
    played = pumped.played
    flow = np.round(played.flow, 6)
    changed = np.concatenate(([True], (np.diff(flow, axis=1) != 0).any(axis=0)))
    names = [p.name for p in site.pumps]
    entries = [
        FlowPart(minute=int(m), pumps=dict(zip(names, row, strict=True)))
        for m, row in zip(played.minute[changed].tolist(), flow[:, changed].T.tolist(), strict=True)
    ]
    return (*entries, FlowPart(minute=int(played.minute[-1]) + 1, pumps=dict.fromkeys(names, 0.0)))


def pump_warnings(site: Site, inputs: NightInputs, run: RunnableNight, pumped: PumpedNight | None) -> list[WarningPart]:
    """Pumps that run below their smallest flow, or give less head than they should hold."""
    if pumped is None or run.job is None or run.timetable is None:
        return []
    found = []
    midnight = datetime.combine(inputs.dates[0], datetime.min.time())

    def clock(minute: float) -> str:
        return format_time(midnight + timedelta(minutes=minute), site.units)

    running = np.unique(run.timetable.zone)
    for p, pump in enumerate(site.pumps):
        low = [s for s in pumped.low if s.pump == p]
        if low:
            longest = max(low, key=lambda s: s.end - s.start)
            zones = [str(site.zones.zone[z]) for z in longest.zones]
            named = "zone " if len(zones) == 1 else "zones "
            named += ", ".join(zones[:NAMED]) + (f" and {len(zones) - NAMED} more" if len(zones) > NAMED else "")
            together = float(run.job.flow[running[run.job.pump[running] == p]].sum())
            under = float(pumped.played.under_smallest[p])
            if together < pump.smallest_flow:
                why = "all its runs of tonight together draw less"
            elif under <= run.timetable.unavoidable[p] + run.timetable.grid_min:
                why = "no timetable avoids it, as nothing that may run beside them draws enough for so long"
            else:
                why = "no other run found room beside them"
            text = (
                f"runs below its smallest flow of {format_flow(pump.smallest_flow, site.units)} for "
                f"{format_duration(under)}, longest from {clock(longest.start)} to "
                f"{clock(longest.end)} with only {named}: {why}"
            )
            found.append(WarningPart(kind=Topic.PUMP, name=pump.name, subject=_called(pump.name), text=text))
        if pumped.played.short_of_head[p] > 0:
            text = (
                f"for {format_duration(float(pumped.played.short_of_head[p]))} it gives up to "
                f"{format_head(float(pumped.played.most_missing[p]), site.units)} less than the "
                f"{format_head(pump.head, site.units)} it should hold after friction: sprinklers may throw short"
            )
            found.append(WarningPart(kind=Topic.PUMP, name=pump.name, subject=_called(pump.name), text=text))
    return found


def _called(name: str) -> str:
    """Name of a pump where nothing else says that it is one."""
    return name if any(word in name.casefold() for word in ("pump", "station", "booster")) else f"pump {name}"
