"""The sections of the night sheet: from a plan document to words and numbers in the site's units.

`sheet_sections` is the table of contents of the page: one function per section, here or in the file of its subject. A
section gives plain values for the template: text already formatted, and drawings. Nothing here decides anything.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np

from scheduler import edge
from scheduler.document.actions import missing_words, none_needed_yet
from scheduler.document.parts import PlanDocument, Status, WarningPart
from scheduler.edge import wall
from scheduler.notes import Topic
from scheduler.sheets import first_screen, night_salts
from scheduler.sheets.coming import allocation, coming_nights, moisture_bands
from scheduler.sheets.flow import PumpFlows, energy_blocks, flow_charts, pump_flows, pump_minutes
from scheduler.sheets.runs import runs_by_surface
from scheduler.sheets.site_map import site_map

WARNINGS_AT_MOST = 60  # lines of warnings on the page; all are in plan.json


def sheet_sections(plan: PlanDocument) -> dict[str, Any]:
    """Gather all that the night sheet shows."""
    units = plan.site.units
    flows = pump_flows(plan)
    doubtful, warnings = split_warnings(plan)
    shown = first_screen.shown_zones(plan)
    return {
        "site": plan.site.name,
        "night": edge.format_date(plan.night, units),
        "made": _moment(plan.made, units),
        "status": status_sentence(plan),
        "planned": plan.status == Status.PLANNED,
        "figures": key_figures(plan, flows),
        "deeds": first_screen.actions(plan),
        "safe": first_screen.safe(plan),
        "weather": first_screen.weather(plan),
        "grid": first_screen.site_grid(plan, shown),
        "map": site_map(plan, shown),
        "changes": first_screen.changes(plan),
        "events": first_screen.events(plan),
        "day_crew": first_screen.day_crew(plan),
        "by_hand": first_screen.by_hand(plan),
        "flush_line": night_salts.in_one_line(plan),
        "give_way": [g.words for g in plan.give_way],
        "worth": _worth(plan),
        "attention": attention(plan, warnings),
        "surfaces": runs_by_surface(plan),
        "flow_charts": flow_charts(plan, flows),
        "energy": energy_blocks(plan),
        "bands": moisture_bands(plan),
        "rain": "" if plan.rain is None else plan.rain.words,
        "uneven": "" if plan.uneven is None else plan.uneven.words,
        "nights": coming_nights(plan),
        "allocation": allocation(plan),
        "flushes": night_salts.flushes(plan),
        "upkeep": night_salts.upkeep(plan),
        "nothing_to_leach": night_salts.nothing_tonight(plan),
        "salts": night_salts.salts(plan),
        "doubtful": doubtful[:WARNINGS_AT_MOST],
        "doubtful_more": max(0, len(doubtful) - WARNINGS_AT_MOST),
        "advice": list(plan.advice),
        "read": what_was_read(plan),
    }


def status_sentence(plan: PlanDocument) -> str:
    """Tell the night in one sentence."""
    units, total = plan.site.units, plan.site.zones
    if plan.status == Status.NOT_ALLOWED:
        coming = next((n for n in plan.nights[1:] if n.allowed), None)
        then = f" The next allowed night is {edge.format_short_date(coming.night, units)}." if coming else ""
        return f"No watering is allowed tonight: nothing runs.{then}"
    if none_needed_yet(plan):
        return "No zone has room for a run tonight: nothing runs. Some will need water by hand tomorrow."
    if plan.status == Status.NOT_NEEDED:
        return "No zone needs water tonight: nothing runs."
    if plan.status == Status.NOT_AVAILABLE:
        return "Zones need water, but the limits leave none for tonight: nothing runs."
    first, last = first_start_and_finish(plan)
    running = plan.nights[0].zones_running
    text = f"{running:,} of {total:,} zones run tonight" if running != 1 else f"1 of {total:,} zones runs tonight"
    if first is None or last is None:
        return f"{text}."
    text += f", from {edge.format_time(first, units)}; the last finishes at {edge.format_time(last, units)}"
    closes = max((wall(p.end) for p in plan.nights[0].window), default=None)
    if closes is None:
        return f"{text}."
    spare = (closes - last).total_seconds() / 60
    if spare < 0:
        return f"{text}, {edge.format_duration(-spare)} AFTER the window closes: do not run this plan."
    left = f"{edge.format_duration(spare)} before" if spare >= 1 else "as"
    return f"{text}, {left} the window closes."


def first_start_and_finish(plan: PlanDocument) -> tuple[datetime | None, datetime | None]:
    """Wall-clock time of the first valve opening and the last one closing."""
    cycles = [c for z in plan.zones for c in z.cycles]
    if not cycles:
        return None, None
    return min(wall(c.start) for c in cycles), max(wall(c.end) for c in cycles)


def key_figures(plan: PlanDocument, flows: PumpFlows) -> list[dict[str, str]]:
    """Totals of the night for the top of the page; what is not known is left out."""
    site, tonight = plan.site, plan.nights[0]
    units = site.units
    by_source: Counter[str] = Counter()
    for zone in plan.zones:
        by_source.update(zone.volumes_m3)
    sources = ", ".join(f"{name} {edge.format_volume(v, units)}" for name, v in by_source.most_common() if v > 0)
    figures = [_figure("Water", edge.format_volume(tonight.volume_m3, units), sources if len(by_source) > 1 else "")]
    _, finish = first_start_and_finish(plan)
    if finish is not None:
        figures.append(_figure("Finished", edge.format_time(finish, units), ""))
    cycles = sum(len(z.cycles) for z in plan.zones)
    figures.append(_figure("Run time, all zones", edge.format_duration(tonight.minutes), f"{cycles:,} cycles"))
    hours = {name: pump_minutes(*flow) for name, flow in flows.items()}
    if hours:
        each = ", ".join(f"{name} {edge.format_duration(m)}" for name, m in hours.items()) if len(hours) > 1 else ""
        figures.append(_figure("Pump hours", edge.format_duration(sum(hours.values())), each))
        figures.append(_peak(plan, flows))
    if plan.allocation is not None:
        used = plan.allocation.used_m3 / max(plan.allocation.volume_m3, 1e-9)
        volumes = [
            edge.format_volume(v, units, beside=plan.allocation.volume_m3)
            for v in (plan.allocation.used_m3, plan.allocation.volume_m3)
        ]
        figures.append(_figure("Season's water used", edge.format_percent(used), f"{volumes[0]} of {volumes[1]}"))
    if tonight.energy_kwh is not None:
        figures.append(_figure("Energy", edge.format_energy(tonight.energy_kwh), ""))
    if tonight.cost is not None:
        figures.append(_figure("Water and energy cost", edge.format_money(tonight.cost, site.currency), ""))
    return figures


def _peak(plan: PlanDocument, flows: PumpFlows) -> dict[str, str]:
    """When all pumps together deliver the most, and each its own most."""
    units, midnight = plan.site.units, datetime.combine(plan.night, datetime.min.time())

    def at(minutes: np.ndarray, flow: np.ndarray) -> str:
        return edge.format_time(midnight + timedelta(minutes=float(minutes[int(flow.argmax())])), units)

    minutes = next(iter(flows.values()))[0]
    together = np.sum([flow for _, flow, _ in flows.values()], axis=0)
    each = [f"{name} {edge.format_flow(float(f.max()), units)} at {at(m, f)}" for name, (m, f, _) in flows.items()]
    return _figure("Pumps peak", at(minutes, together), ", ".join(each))


def split_warnings(plan: PlanDocument) -> tuple[list[WarningPart], list[WarningPart]]:
    """Warnings about probes, and all others."""
    probes = [w for w in plan.warnings if w.kind == Topic.PROBE and w.name]
    return probes, [w for w in plan.warnings if not (w.kind == Topic.PROBE and w.name)]


def attention(plan: PlanDocument, warnings: Sequence[WarningPart]) -> dict[str, Any]:
    """What only explains how the plan was made."""
    return {
        "warnings": list(warnings[:WARNINGS_AT_MOST]),
        "more": max(0, len(warnings) - WARNINGS_AT_MOST),
        "step_downs": missing_words(plan),
    }


def _worth(plan: PlanDocument) -> str:
    """What one more cubic metre would do; "" where there is nothing to say."""
    worth = None if plan.allocation is None else plan.allocation.worth_per_m3
    return "" if worth is None else worth.words


def what_was_read(plan: PlanDocument) -> list[tuple[str, str]]:
    """Say what the plan stands on, and how old it is."""
    units, read = plan.site.units, plan.inputs
    weather, forecast, probes, applied = read.weather, read.forecast, read.probes, read.applied

    def day(when: date | None) -> str:
        return edge.DASH if when is None else edge.format_short_date(when, units)

    routes = "; ".join(f"{name}: {_days(n)}" for name, n in weather.routes.items())
    lines = [
        (
            "Weather",
            f"{_days(weather.days)} to {day(weather.newest)}" + (f" ({routes})" if routes else "")
            if weather.newest
            else "none",
        ),
        (
            "Forecast",
            f"issued {_moment(forecast.issued, units)}, {_days(forecast.days)}"
            + (f", {forecast.members} members" if forecast.members > 1 else "")
            if forecast.issued
            else "none",
        ),
        (
            "Probes",
            f"{probes.used} of {probes.read} used, {probes.doubtful} doubtful; newest "
            + (f"{_moment(probes.newest, units)}" if probes.newest else edge.DASH)
            if probes.read
            else "none",
        ),
        (
            "Applied log",
            (f"{_nights(applied.nights)} to {day(applied.newest)}" if applied.newest else "none")
            + (f"; {_nights(planned)} taken as planned" if (planned := applied.nights_as_planned) else ""),
        ),
    ]
    return lines


def _figure(label: str, value: str, note: str) -> dict[str, str]:
    return {"label": label, "value": value, "note": note}


def _nights(count: int) -> str:
    return f"{count:,} {'night' if count == 1 else 'nights'}"


def _days(count: int) -> str:
    return f"{count:,} {'day' if count == 1 else 'days'}"


def _moment(moment: datetime, units: str) -> str:
    return f"{edge.format_short_date(moment.date(), units)}, {edge.format_time(wall(moment), units)}"
