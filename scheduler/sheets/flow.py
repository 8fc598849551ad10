"""The pumps on the night sheet: flow through the night, and energy by tariff block."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from scheduler import edge
from scheduler.document.parts import PlanDocument, PumpPart
from scheduler.edge import wall
from scheduler.sheets.charts import FlowChart, flow_chart

FLOW_IS_ON = 1e-6  # [L/s]
PumpFlows = Mapping[str, tuple[np.ndarray, np.ndarray, float]]


def pump_flows(plan: PlanDocument) -> dict[str, tuple[np.ndarray, np.ndarray, float]]:
    """Flow by pump station: minutes (T,) [min], flow from then on (T,) [L/s], end of the last value [min]."""
    flow = plan.flow
    if not flow:
        return {}
    minutes = np.array([f.minute for f in flow], float)
    names = dict.fromkeys(name for f in flow for name in f.pumps)
    return {
        name: (minutes, np.array([f.pumps.get(name, 0.0) for f in flow], float), float(minutes[-1] + 1))
        for name in names
    }


def pump_minutes(minutes: np.ndarray, flow: np.ndarray, end: float) -> float:
    """Minutes in which a pump station delivers water [min]."""
    return float(np.diff(np.append(minutes, end))[flow > FLOW_IS_ON].sum())


def flow_charts(plan: PlanDocument, flows: PumpFlows) -> list[dict[str, Any]]:
    """One drawing per pump station, with its peak in words."""
    units = plan.site.units
    midnight = datetime.combine(plan.night, datetime.min.time())
    stations = {p.name: p for p in plan.pumps}
    pieces = [
        ((wall(p.start) - midnight).total_seconds() / 60, (wall(p.end) - midnight).total_seconds() / 60)
        for p in plan.nights[0].window
    ]
    charts = []
    for name, (minutes, flow, end) in flows.items():
        if not (flow > FLOW_IS_ON).any():
            continue
        peak = int(flow.argmax())
        when = edge.format_time(midnight + timedelta(minutes=float(minutes[peak])), units)
        station = stations.get(name)
        capacity = None if station is None else station.capacity_lps
        words = f"Highest {edge.format_flow(float(flow[peak]), units)} at {when}"
        if capacity:
            words += f", {edge.format_percent(float(flow[peak]) / capacity)} of capacity"
        words += f"; delivers for {edge.format_duration(pump_minutes(minutes, flow, end))}."
        words += "" if station is None else _station_words(station, units)
        low = station.smallest_flow_lps if station is not None and station.under_smallest_min else None
        on = np.flatnonzero(flow > FLOW_IS_ON)
        changed = np.concatenate([[True], np.diff(flow) != 0])
        changed[: on[0]] = False
        stop = float(minutes[on[-1] + 1]) if on[-1] + 1 < len(minutes) else end
        shown = changed & (minutes < stop)
        first = min([a for a, _ in pieces] + [float(minutes[on[0]])])
        last = max([b for _, b in pieces] + [stop])
        chart = FlowChart(
            pump=name,
            minutes=minutes[shown],
            flow=flow[shown],
            end=stop,
            capacity=capacity,
            open_pieces=pieces,
            ticks=_hour_ticks(first, last, midnight, units),
            levels=_flow_levels(max(capacity or 0.0, float(flow.max())), units),
            capacity_text=f"capacity {edge.format_flow(capacity, units)}",
            smallest=low,
            smallest_text=f"smallest {edge.format_flow(low, units)}",
            alt=f"Flow of pump station {name} through the night. {words}",
        )
        charts.append({"pump": name, "words": words, "drawing": flow_chart(chart)})
    return charts


def _station_words(station: PumpPart, units: str) -> str:
    """Energy, head and time below the smallest flow of one pump station, as far as they are known."""
    words = ""
    if station.energy_kwh is not None:
        words += f" {edge.format_energy(station.energy_kwh)}, head up to "
        words += f"{edge.format_head(station.highest_head_m, units)}."
    if station.short_of_head_min:
        words += f" Short of head for {edge.format_duration(station.short_of_head_min)}."
    if station.under_smallest_min:
        words += f" Below its smallest flow for {edge.format_duration(station.under_smallest_min)}."
    return words


def _hour_ticks(first: float, last: float, midnight: datetime, units: str) -> list[tuple[float, str]]:
    step = 60 * max(1, round((last - first) / 60 / 5))
    ticks = []
    for minute in range(int(-(-first // 60) * 60), int(last) + 1, step):
        moment = midnight + timedelta(minutes=minute)
        text = f"{moment.hour:02d}:00" if units == "metric" else edge.format_time(moment, units).replace(":00", "")
        ticks.append((float(minute), text))
    return ticks


def _flow_levels(most: float, units: str) -> list[tuple[float, str]]:
    """Two or three round marks of the flow axis in the site's unit."""
    scale = edge.flow_scale(units)
    top = most * scale
    rough = top / 3
    power = 10 ** np.floor(np.log10(rough))
    step = float(power * max(m for m in (1, 2, 2.5, 5) if m * power <= rough * (1 + 1e-9)))
    marks = np.arange(step, top * 0.85, step)
    return [(float(m / scale), edge.format_flow(float(m / scale), units)) for m in marks]


def energy_blocks(plan: PlanDocument) -> dict[str, Any] | None:
    """Energy and its cost tonight by tariff block, and in all; None where there is nothing to tell apart."""
    blocks, currency, units = plan.energy, plan.site.currency, plan.site.units
    if not blocks or (len(blocks) == 1 and blocks[0].price is None):
        return None
    rows = [
        {
            "hours": f"{edge.format_time(wall(b.start), units)}–{edge.format_time(wall(b.end), units)}",
            "price": edge.format_energy_price(b.price, currency),
            "volume": edge.format_volume(b.volume_m3, units),
            "energy": edge.format_energy(b.energy_kwh),
            "cost": edge.format_money(b.cost, currency),
        }
        for b in blocks
    ]
    cost = None if blocks[0].cost is None else sum(b.cost for b in blocks)
    total = {
        "volume": edge.format_volume(sum(b.volume_m3 for b in blocks), units),
        "energy": edge.format_energy(sum(b.energy_kwh for b in blocks)),
        "cost": edge.format_money(cost, currency),
    }
    return {"rows": rows, "total": total}
