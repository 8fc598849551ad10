"""The sections of the night sheet: from a plan document to words and numbers in the site's units.

One function per section, in the order of the page; `sheet_sections` is its table of contents. A section gives plain
values for the template: text already formatted, and drawings. Nothing here decides anything.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np

from scheduler import edge
from scheduler.document.actions import missing_words
from scheduler.document.parts import PlanDocument, PumpPart, StateFrom, Status, WarningPart, ZonePart
from scheduler.notes import Topic
from scheduler.sheets import first_screen, night_salts
from scheduler.sheets.charts import SHOWN_BEYOND, BandChart, FlowChart, band_chart, flow_chart, share_bar
from scheduler.sheets.names import PLURALS, listed, name_list, natural_key, zone_name
from scheduler.sheets.site_map import site_map

WARNINGS_AT_MOST = 60  # lines of warnings on the page; all are in plan.json
NARROWEST_BAND = 0.5  # [mm] a band narrower than this is drawn as if it were this wide
FLOW_IS_ON = 1e-6  # [L/s]
STATE_WORDS = {
    StateFrom.PROBE: "from their own probe",
    StateFrom.KIN: "from probes of kin zones",
    StateFrom.BALANCE: "by water balance only",
    StateFrom.FIELD_CAPACITY: "taken as full, for want of anything better",
}


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


def key_figures(plan: PlanDocument, flows: Mapping[str, tuple[np.ndarray, np.ndarray, float]]) -> list[dict[str, str]]:
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


def _peak(plan: PlanDocument, flows: Mapping[str, tuple[np.ndarray, np.ndarray, float]]) -> dict[str, str]:
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


def runs_by_surface(plan: PlanDocument) -> list[dict[str, Any]]:
    """Tonight's runs: surfaces in the plan's order, zones in natural order, only those that run."""
    units = plan.site.units
    sections = []
    for surface in plan.surfaces:
        own = [z for z in plan.zones if z.surface == surface.surface]
        running = sorted((z for z in own if z.minutes > 0), key=lambda z: natural_key(zone_name(z)))
        common = _common_reason(running)
        origin = Counter(z.state_from for z in own)
        sections.append(
            {
                "title": PLURALS[surface.surface],
                "running": surface.running,
                "zones": surface.zones,
                "depth": edge.format_depth(surface.depth_mm, units),
                "volume": edge.format_volume(surface.volume_m3, units),
                "done": _done(running, units),
                "in_time": finish_words(running, units),
                "common": common,
                "reasons": any(z.reason != common for z in running),
                "origin": ", ".join(f"{origin[k]:,} {words}" for k, words in STATE_WORDS.items() if origin[k]),
                "rows": [_run_row(z, units, common) for z in running],
                "waiting": _waiting(own),
            }
        )
    return sections


def _waiting(own: Sequence[ZonePart]) -> list[dict[str, str]]:
    """Zones that do not run, by their reason, the most first."""
    groups: dict[str, list[str]] = {}
    for zone in own:
        if not zone.minutes > 0:
            groups.setdefault(zone.reason, []).append(zone_name(zone))
    most = sorted(groups.items(), key=lambda item: -len(item[1]))
    return [{"reason": reason, "names": listed(names, most=None)} for reason, names in most]


def finish_words(running: Sequence[ZonePart], units: str) -> str:
    """Say whether the runs of a surface are done by the time they should be; nothing where that is the close."""
    lines = []
    for time in sorted({z.finish_by for z in running if z.finish_by}):
        own = [z for z in running if z.finish_by == time]
        late = sum(wall(z.cycles[-1].end) > wall(time) for z in own)
        which = "All" if len(own) == len(running) else f"{len(own):,} zones"
        wanted = edge.format_time(wall(time), units)
        if late:
            lines.append(f"{which} should be done by {wanted}: {late:,} {'runs' if late == 1 else 'run'} past it.")
        else:
            lines.append(f"{which} should be done by {wanted}, and {'are' if len(own) > 1 else 'is'}.")
    return " ".join(lines)


def _done(running: Sequence[ZonePart], units: str) -> str:
    """Time at which the last run of a surface ends."""
    ends = [wall(z.cycles[-1].end) for z in running if z.cycles]
    return f"done at {edge.format_time(max(ends), units)}" if ends else ""


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


def flow_charts(plan: PlanDocument, flows: Mapping[str, tuple[np.ndarray, np.ndarray, float]]) -> list[dict[str, Any]]:
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


def moisture_bands(plan: PlanDocument) -> list[dict[str, Any]]:
    """One drawing per surface: the zones inside their own bands, now and over the coming nights, and who is outside."""
    units = plan.site.units
    sections = []
    for surface in plan.surfaces:
        zones = [z for z in plan.zones if z.surface == surface.surface]
        count = min((len(z.path) for z in zones), default=0)
        if not zones:
            continue
        dry = np.array([z.limits.dry_limit_mm for z in zones], float)
        wet = np.array([z.limits.wet_limit_mm for z in zones], float)
        states = [[z.before.depletion_mm, *(p.depletion_mm for p in z.path[:count])] for z in zones]
        place = (np.array(states, float) - wet[:, None]) / np.maximum(dry - wet, NARROWEST_BAND)[
            :, None
        ]  # (Z_s, N + 1)
        low, middle, high = np.quantile(place, [0.1, 0.5, 0.9], axis=0)
        days = [p.night + timedelta(days=1) for p in zones[0].path[:count]]
        outside = place.max(axis=0)
        chart = BandChart(
            low=low,
            middle=middle,
            high=high,
            driest=outside,
            labels=["now", *(edge.WEEKDAYS[d.weekday()][:3] for d in days)],
            wet_text=f"wet limit: {_below_full(float(np.median(wet)), units)}",
            dry_text=f"dry limit: {_below_full(float(np.median(dry)), units)}",
            alt=_band_words(PLURALS[surface.surface], middle),
        )
        beyond = (place > 1 + SHOWN_BEYOND) | (place < -SHOWN_BEYOND)
        sections.append(
            {
                "title": PLURALS[surface.surface],
                "drawing": band_chart(chart),
                "typical": float(np.ptp(dry)) > NARROWEST_BAND or float(np.ptp(wet)) > NARROWEST_BAND,
                "now_dry": name_list(zones[i] for i in np.flatnonzero(place[:, 0] > 1)),
                "next_dry": name_list(zones[i] for i in np.flatnonzero(place[:, 1] > 1)) if count else "",
                "now_wet": name_list(zones[i] for i in np.flatnonzero(place[:, 0] < 0)),
                "beyond": int(beyond.any(axis=1).sum()),
            }
        )
    return sections


def coming_nights(plan: PlanDocument) -> list[dict[str, Any]]:
    """One row a night, tonight first."""
    units, currency = plan.site.units, plan.site.currency
    return [
        {
            "night": edge.format_short_date(n.night, units),
            "allowed": n.allowed,
            "window": ", ".join(
                f"{edge.format_time(wall(p.start), units)}–{edge.format_time(wall(p.end), units)}" for p in n.window
            ),
            "zones": edge.format_count(n.zones_running),
            "volume": edge.format_volume(n.volume_m3, units),
            "cost": "" if n.cost is None else edge.format_money(n.cost, currency),
            "limits": [limit.words for limit in n.limits if limit.binds],
        }
        for n in plan.nights
    ]


def allocation(plan: PlanDocument) -> dict[str, Any] | None:
    """Season's water as a bar and in words; None without allocation."""
    season = plan.allocation
    if season is None:
        return None
    units = plan.site.units
    whole = max(season.volume_m3, 1e-9)

    def volume(m3: float) -> str:
        return edge.format_volume(m3, units, beside=whole)

    horizon = sum(n.volume_m3 for n in plan.nights)
    used, planned = season.used_m3 / whole, horizon / whole
    lines = [
        f"Used before tonight: {volume(season.used_m3)} ({edge.format_percent(used)} of {volume(season.volume_m3)}).",
        f"Planned for the nights shown: {volume(horizon)}.",
        f"Left before tonight: {volume(season.left_m3)}.",
    ]
    if season.share_this_horizon_m3 is not None:
        share = volume(season.share_this_horizon_m3)
        lines.append(f"These nights may take {share} of it, so that the season's demand can still be met.")
    drawing = share_bar([(used, "solid"), (planned, "hatched")], " ".join(lines))
    return {"drawing": drawing, "lines": lines}


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


def _run_row(zone: ZonePart, units: str, common: str) -> dict[str, Any]:
    cycles = zone.cycles
    times = [(edge.format_time(wall(c.start), units), edge.format_time(wall(c.end), units)) for c in cycles]
    address = " · ".join(t for t in (zone.controller, zone.station) if t)
    return {
        "station": address or zone.id,
        "name": zone_name(zone),
        "time": edge.format_duration(zone.minutes),
        "cycles": f"in {len(cycles)} cycles" if len(cycles) > 1 else "",
        "depth": edge.format_depth(zone.depth_mm, units),
        "from_to": f"{times[0][0]}–{times[-1][1]}" if times else edge.DASH,
        "why": "" if zone.reason == common else zone.reason,
    }


def _common_reason(zones: Sequence[ZonePart]) -> str:
    """Give the reason that most zones share, so that it is said once; empty if there is none."""
    if len(zones) < 3:
        return ""
    reason, count = Counter(z.reason for z in zones).most_common(1)[0]
    return reason if 2 * count > len(zones) else ""


def _below_full(depletion: float, units: str) -> str:
    return f"{edge.format_depth(depletion, units)} below full" if depletion > 0 else "full"


def _band_words(title: str, middle: np.ndarray) -> str:
    def where(place: float) -> str:
        if place < 0:
            return "wetter than the wet limit"
        if place > 1:
            return "drier than the dry limit"
        return f"{place * 100:.0f} % of the way from the wet to the dry limit"

    return f"{title}: the median zone is now {where(float(middle[0]))}, at the end {where(float(middle[-1]))}."


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


def _figure(label: str, value: str, note: str) -> dict[str, str]:
    return {"label": label, "value": value, "note": note}


def _nights(count: int) -> str:
    return f"{count:,} {'night' if count == 1 else 'nights'}"


def _days(count: int) -> str:
    return f"{count:,} {'day' if count == 1 else 'days'}"


def wall(moment: datetime) -> datetime:
    """Give a local time as the clock on site shows it."""
    return moment.replace(tzinfo=None)


def _moment(moment: datetime, units: str) -> str:
    return f"{edge.format_short_date(moment.date(), units)}, {edge.format_time(wall(moment), units)}"
