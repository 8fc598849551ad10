"""An independent judge of one evening: reads the site folder's own files and plan.json, nothing of the product.

`check_plan(folder, plan)` returns one sentence for each hard limit, balance or order that does not hold. The folder is
parsed here a second time and on purpose more simply than the product does it, so that an error of reading is seen too.
Units not listed in `FACTORS` are refused rather than guessed.
"""

from __future__ import annotations

import csv
import re
import tomllib
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

FACTORS = {  # to the default unit of the site format; exact by definition of the inch, foot, gallon and pound
    "ft2": 0.3048**2,
    "gal/min": 3.785411784 / 60,
    "gal": 3.785411784e-3,  # m3
    "acre_ft": 43560 * 0.3048**3,
    "in": 25.4,
    "in/h": 25.4,
    "ft": 0.3048,
    "L/s": 1.0,
    "m3": 1.0,
    "m3/h": 1000 / 3600,
    "gal/min/min": 3.785411784 / 60,
    "L/s/min": 1.0,
    "m2": 1.0,
    "mm/h": 1.0,
    "min": 1.0,
    "h": 60.0,
    "s": 1.0,
    "%": 1.0,
}
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
PRIORITY = {"green": 1, "tee": 2, "pitch": 2, "approach": 3, "fairway": 3, "landscape": 4, "rough": 5}  # our defaults
FLOW = 1e-6  # relative, for sums of flows
VOLUME = 1e-5  # relative, for sums of volumes; plan.json prints six decimals
CLOSES = 0.01  # [mm] closure of the water balance that the project promises
LAST = 6e-6  # a few halves of the sixth decimal, which is what plan.json prints
SECOND = 1 / 60 + 1e-6  # [min] times are printed to the second


@dataclass(frozen=True)
class Zone:
    """One row of zones.csv, in the units of the site format."""

    surface: str
    flow: float
    area: float
    max_run: float
    branch: str | None
    controller: str | None
    sources: tuple[str, ...]
    rate: float
    du_lq: float


def check_plan(folder: Path, plan: dict[str, Any]) -> list[str]:
    """Hold a plan against its folder; an empty list means every limit, balance and order holds."""
    site = tomllib.loads((folder / "site.toml").read_text(encoding="utf-8-sig"))
    zones = read_zones(folder / "zones.csv")
    night = date.fromisoformat(plan["night"])
    faults: list[str] = []
    if [z["id"] for z in plan["zones"]] != list(zones):
        return [f"zones of the plan are not those of the folder: {len(plan['zones'])} and {len(zones)}"]
    pump_of = pumps_of(site, zones)
    faults += _zone_faults(plan, zones, site)
    faults += _window_faults(plan, zones, site, folder, night)
    faults += _flow_faults(plan, zones, site, pump_of, night)
    faults += _later_faults(plan, zones, site, pump_of)
    faults += _water_faults(plan, zones, site, folder, night)
    faults += _balance_faults(plan, zones)
    faults += _order_faults(plan, zones, site, pump_of, forbidden_by_event(folder, zones))
    return faults


# reading, a second time


def number(value: Any) -> float | None:
    """Read a number or a text with one of the known units."""
    if value is None or value == "":
        return None
    if isinstance(value, (int, float)):
        return float(value)
    match = re.fullmatch(r"\s*([-+0-9.eE,]+)\s*([A-Za-z/%0-9_]*)\s*", value)
    if not match:
        raise ValueError(value)
    return float(match[1].replace(",", ".")) * (FACTORS[match[2]] if match[2] else 1.0)


def read_table(path: Path) -> list[dict[str, Any]]:
    """Rows of a CSV file with the units of its header applied; comma or semicolon, point or comma."""
    if not path.is_file():
        return []
    text = path.read_text(encoding="utf-8-sig")
    head = text.split("\n", 1)[0]
    separator = ";" if head.count(";") > head.count(",") else ","
    rows = []
    for raw in csv.DictReader(text.splitlines(), delimiter=separator):
        row: dict[str, Any] = {}
        for name, value in raw.items():
            match = re.fullmatch(r"\s*([^\[]*?)\s*(?:\[(.*)\])?\s*", name or "")
            assert match is not None
            cell = (value or "").strip()
            if match[2] and cell and match[1] not in ("zone", "night"):
                row[match[1]] = number(cell) * FACTORS[match[2]]  # type: ignore[operator]
            else:
                row[match[1]] = cell
        rows.append(row)
    return rows


def read_zones(path: Path) -> dict[str, Zone]:
    """Zones of the folder in file order."""
    found = {}
    for row in read_table(path):
        flow, area = number(row["flow"]), number(row["area"])
        assert flow is not None and area is not None
        rate = number(row.get("application_rate"))
        found[row["zone"]] = Zone(
            surface=row["surface"],
            flow=flow,
            area=area,
            max_run=number(row.get("max_run")) or 600.0,
            branch=row.get("branch") or None,
            controller=row.get("controller") or None,
            sources=tuple(s.strip() for s in (row.get("sources") or "").split("|") if s.strip()),
            rate=flow / area * 3600 if rate is None else rate,
            du_lq=number(row.get("du_lq")) or 0.7,
        )
    return found


def pumps_of(site: dict[str, Any], zones: dict[str, Zone]) -> dict[str, str | None]:
    """Pump of every zone: that of its branch; a lone pump or branch carries the zones that name none."""
    pumps = [p["name"] for p in site.get("pump", [])]
    alone = pumps[0] if len(pumps) == 1 else None
    of_branch = {b["name"]: b.get("pump", alone) for b in site.get("branch", [])}
    return {i: of_branch.get(z.branch, alone) if z.branch else alone for i, z in zones.items()}


def clock(text: Any) -> int:
    """Minutes of a clock time."""
    if not isinstance(text, str):
        return int(text.hour * 60 + text.minute)
    hours, minutes = text.split(":")
    return int(hours) * 60 + int(minutes)


def orders(site: dict[str, Any], night: date) -> list[dict[str, Any]]:
    """Drought orders that stand on a night."""
    listed = site.get("restriction", [])
    listed = [listed] if isinstance(listed, dict) else listed
    day = lambda v: date.fromisoformat(v) if isinstance(v, str) else v  # noqa: E731
    return [
        o
        for o in listed
        if ("from" not in o or day(o["from"]) <= night) and ("until" not in o or night <= day(o["until"]))
    ]


def window(site: dict[str, Any], night: date) -> tuple[int, int]:
    """Opening and closing of a night [min after 00:00 of its date]."""
    rule = dict(site.get("window", {}))
    for special in rule.get("by_day", []):
        days = special.get("days", special.get("day", []))
        days = [days] if isinstance(days, str) else days
        if WEEKDAYS[night.weekday()] in days:
            rule |= {k: special[k] for k in ("opens", "closes") if k in special}
    opens, closes = clock(rule["opens"]), clock(rule["closes"])
    opens += 1440 if opens < 720 else 0
    while closes <= opens:
        closes += 1440
    return opens, closes


def open_spans(site: dict[str, Any], surface: str, night: date) -> list[tuple[int, int]]:
    """When a surface may be watered on a night, by minutes tried one by one."""
    opens, closes = window(site, night)
    allowed = [True] * (closes - opens)
    for order in orders(site, night):
        if surface not in order.get("surfaces", [surface]):
            continue
        if "nights_allowed" in order and WEEKDAYS[night.weekday()] not in order["nights_allowed"]:
            return []
        if "hours" in order:
            spans = [order["hours"]] if isinstance(order["hours"], str) else order["hours"]
            within = [False] * 1440
            for span in spans:
                a, b = (clock(t) for t in (span.split("-") if isinstance(span, str) else span))
                for minute in range(a, b if b > a else b + 1440):
                    within[minute % 1440] = True
            allowed = [on and within[(opens + i) % 1440] for i, on in enumerate(allowed)]
    spans_found: list[tuple[int, int]] = []
    for i, on in enumerate(allowed):
        if on and spans_found and spans_found[-1][1] == opens + i:
            spans_found[-1] = (spans_found[-1][0], opens + i + 1)
        elif on:
            spans_found.append((opens + i, opens + i + 1))
    return spans_found


def forbidden_by_event(folder: Path, zones: dict[str, Zone]) -> list[tuple[str, date, date]]:
    """Zones that must stay dry, with first and last night."""
    found = []
    for row in read_table(folder / "calendar.csv"):
        if row.get("event") == "no_water":
            target = row.get("surface or zone") or row.get("zone") or row.get("surface")
            first = date.fromisoformat(row["from"])
            last = date.fromisoformat(row["until"]) if row.get("until") else first
            found += [(i, first, last) for i, z in zones.items() if target in (i, z.surface)]
    return found


# what must hold


def cycles_of(zone: dict[str, Any], night: date) -> list[tuple[float, float]]:
    """Starts and ends of a zone's cycles [min after 00:00 of the evening's date]."""
    midnight = datetime.combine(night, datetime.min.time())
    return [
        tuple(
            (datetime.fromisoformat(c[k]).replace(tzinfo=None) - midnight).total_seconds() / 60
            for k in ("start", "end")
        )  # type: ignore[misc]
        for c in zone["cycles"]
    ]


def _zone_faults(plan: dict[str, Any], zones: dict[str, Zone], site: dict[str, Any]) -> list[str]:
    faults = []
    resolution = {c["name"]: number(c.get("resolution")) or 60.0 for c in site.get("controller", [])}
    for entry in plan["zones"]:
        zone, minutes, name = zones[entry["id"]], entry["minutes"], entry["id"]
        if minutes < 0 or minutes > zone.max_run + LAST:
            faults.append(f"{name}: {minutes} min, {zone.max_run} allowed")
        step = resolution.get(zone.controller or "", 60.0) / 60
        for length in [minutes, *(c["minutes"] for c in entry["cycles"])]:
            if abs(length / step - round(length / step)) * step > SECOND / 10:
                faults.append(f"{name}: {length} min is no multiple of {step * 60:g} s")
        if abs(sum(c["minutes"] for c in entry["cycles"]) - minutes) > 1e-4:
            faults.append(f"{name}: cycles do not add up to {minutes} min")
        volume = minutes * zone.flow * 0.06
        if abs(entry["volume_m3"] - volume) > LAST + VOLUME * volume:
            faults.append(f"{name}: {entry['volume_m3']} m3, minutes times flow are {volume:.6f}")
        depth = entry["volume_m3"] / zone.area * 1000
        if abs(entry["depth_mm"] - depth) > 1e-4 + VOLUME * depth:
            faults.append(f"{name}: {entry['depth_mm']} mm, volume over area is {depth:.6f}")
        net = minutes / 60 * zone.rate * (0.4 + 0.6 * zone.du_lq)
        if abs(entry["net_depth_mm"] - net) > 1e-5 + VOLUME * net:
            faults.append(f"{name}: net depth {entry['net_depth_mm']}, by uniformity {net:.6f}")
        taken = sum(entry["volumes_m3"].values())
        allowed = set(zone.sources) or {s["name"] for s in site.get("source", [])} or set(entry["volumes_m3"])
        if site.get("source") and abs(taken - entry["volume_m3"]) > 1e-5 + VOLUME * taken:
            faults.append(f"{name}: sources give {taken} of {entry['volume_m3']} m3")
        if not set(entry["volumes_m3"]) <= allowed:
            faults.append(f"{name}: takes {set(entry['volumes_m3']) - allowed}, which it cannot")
    return faults


def _window_faults(
    plan: dict[str, Any], zones: dict[str, Zone], site: dict[str, Any], folder: Path, night: date
) -> list[str]:
    faults = []
    surfaces = {z.surface for z in zones.values()}
    nights = [date.fromisoformat(n["night"]) for n in plan["nights"]]
    if nights != [night + timedelta(days=i) for i in range(len(nights))]:
        faults.append(f"nights are not in order: {nights}")
    spans = {(s, n): open_spans(site, s, n) for s in surfaces for n in nights}
    dry_nights = forbidden_by_event(folder, zones)
    for entry in plan["zones"]:
        zone = zones[entry["id"]]
        for start, end in cycles_of(entry, night):
            if not any(a - SECOND <= start and end <= b + SECOND for a, b in spans[zone.surface, night]):
                faults.append(f"{entry['id']}: runs {start:.2f} to {end:.2f}, open {spans[zone.surface, night]}")
        for step, n in zip(entry["path"], nights, strict=True):
            length = sum(b - a for a, b in spans[zone.surface, n])
            if step["minutes"] > min(length, zone.max_run) + LAST:
                faults.append(f"{entry['id']}: {step['minutes']} min on {n}, {length} open, longest {zone.max_run}")
            for name, first, last in dry_nights:
                if name == entry["id"] and first <= n <= last and step["minutes"] > 0:
                    faults.append(f"{name}: {step['minutes']} min on {n}, when it must stay dry")
    return faults


def _played(members: Iterable[tuple[float, float, float]]) -> tuple[float, float]:
    """Largest sum of flows of (start, end, flow) at any moment, and when; ends come before starts."""
    turns = sorted(t for a, b, q in members for t in ((a, 1, q), (b, 0, -q)))
    level, top, when = 0.0, 0.0, 0.0
    for moment, _, change in turns:
        level += change
        if level > top:
            top, when = level, moment
    return top, when


def _flow_faults(
    plan: dict[str, Any],
    zones: dict[str, Zone],
    site: dict[str, Any],
    pump_of: dict[str, str | None],
    night: date,
) -> list[str]:
    faults = []
    runs: dict[tuple[str, str], list[tuple[float, float, float]]] = defaultdict(list)
    for entry in plan["zones"]:
        zone = zones[entry["id"]]
        cycles = cycles_of(entry, night)
        for (_, before), (start, _) in zip(cycles, cycles[1:], strict=False):
            if start < before - 1e-9:
                faults.append(f"{entry['id']}: twice at once at {start:.2f}")
        for start, end in cycles:
            for kind, name, use in (
                ("pump", pump_of[entry["id"]], zone.flow),
                ("branch", zone.branch, zone.flow),
                ("controller", zone.controller, 1.0),
            ):
                if name is not None:
                    runs[kind, name].append((start, end, use))
    for kind, key in (("pump", "capacity"), ("branch", "capacity"), ("controller", "stations_at_once")):
        for part in site.get(kind, []):
            most = number(part.get(key))
            top, when = _played(runs[kind, part["name"]])
            if most is not None and top > most * (1 + FLOW):
                faults.append(f"{kind} {part['name']}: {top:.4f} of {most:.4f} at {when:.2f}")
    for pump in site.get("pump", []):
        ramp = number(pump.get("ramp"))
        if ramp is not None:
            faults += _ramp_faults(pump["name"], ramp, runs["pump", pump["name"]])
    faults += _stated_flow_faults(plan, {p["name"]: runs["pump", p["name"]] for p in site.get("pump", [])})
    return faults


def _ramp_faults(name: str, ramp: float, runs: list[tuple[float, float, float]]) -> list[str]:
    """Change of flow from one whole minute to the next; a single valve larger than the ramp cannot be helped."""
    if not runs:
        return []
    first, last = int(min(r[0] for r in runs)) - 1, int(max(r[1] for r in runs)) + 2
    allowed = max(ramp, max(r[2] for r in runs))
    level = [sum(q for a, b, q in runs if a <= m + 0.5 < b) for m in range(first, last)]
    for i, (before, after) in enumerate(zip(level, level[1:], strict=False)):
        if abs(after - before) > allowed * (1 + FLOW):
            return [f"pump {name}: changes by {abs(after - before):.3f} within a minute at {first + i}, {ramp} allowed"]
    return []


def _stated_flow_faults(plan: dict[str, Any], runs: dict[str, list[tuple[float, float, float]]]) -> list[str]:
    """`flow` must say what the cycles do, at the middle of each whole minute that no cycle begins or ends within."""
    faults = []
    stated = plan["flow"]
    for name, cycles in runs.items():
        if not cycles:
            continue
        edges = {t for a, b, _ in cycles for t in (a, b)}
        for now, later in zip(stated, stated[1:], strict=False):
            a, b = now["minute"], later["minute"]
            middle = a + 0.5
            if any(a < e < b for e in edges):
                continue
            level = sum(q for s, e, q in cycles if s <= middle < e)
            if abs(level - now["pumps"][name]) > 1e-3 + 1e-5 * level:
                faults.append(f"flow of {name} at {a}: stated {now['pumps'][name]}, played {level:.4f}")
        if not stated:
            faults.append(f"pump {name} runs but flow is empty")
    return faults[:5]


def _later_faults(
    plan: dict[str, Any], zones: dict[str, Zone], site: dict[str, Any], pump_of: dict[str, str | None]
) -> list[str]:
    faults = []
    surfaces = {z.surface for z in zones.values()}
    for n, night in enumerate(plan["nights"]):
        day = date.fromisoformat(night["night"])
        use: dict[tuple[str, str], float] = defaultdict(float)
        total = 0.0
        for entry in plan["zones"]:
            zone, minutes = zones[entry["id"]], entry["path"][n]["minutes"]
            total += minutes * zone.flow * 0.06
            for kind, name, each in (
                ("pump", pump_of[entry["id"]], zone.flow),
                ("branch", zone.branch, zone.flow),
                ("controller", zone.controller, 1.0),
            ):
                if name is not None:
                    use[kind, name] += minutes * each
        spans = [open_spans(site, s, day) for s in surfaces]
        open_minutes = len({m for found in spans for a, b in found for m in range(a, b)})
        for kind, key in (("pump", "capacity"), ("branch", "capacity"), ("controller", "stations_at_once")):
            for part in site.get(kind, []):
                most = number(part.get(key))
                if most is not None and use[kind, part["name"]] > most * open_minutes * (1 + VOLUME) + LAST:
                    faults.append(
                        f"{day}: {kind} {part['name']} {use[kind, part['name']]:.2f} of {most * open_minutes}"
                    )
        if abs(total - night["volume_m3"]) > 1e-3 + VOLUME * total:
            faults.append(f"{day}: stated {night['volume_m3']} m3, zones take {total:.4f}")
        for limit in night["limits"]:
            if limit["capacity"] is not None and limit["used"] > limit["capacity"] * (1 + VOLUME) + LAST:
                faults.append(f"{day}: {limit['what']} {limit['used']} of {limit['capacity']}")
    return faults


def _water_faults(
    plan: dict[str, Any], zones: dict[str, Zone], site: dict[str, Any], folder: Path, night: date
) -> list[str]:
    """Permits of the sources tonight and in the month, and the season's allocation without tiers."""
    faults = []
    by_source: dict[str, float] = defaultdict(float)
    for entry in plan["zones"]:
        for name, volume in entry["volumes_m3"].items():
            by_source[name] += volume
    shares = {s["name"]: number(s.get("share")) for s in site.get("source", [])}
    for source in site.get("source", []):
        name, daily = source["name"], number(source.get("daily_limit"))
        if daily is not None and by_source[name] > daily * (1 + VOLUME) + LAST:
            faults.append(f"source {name}: {by_source[name]:.4f} m3 of {daily} a night")
        monthly = number(source.get("monthly_limit"))
        if monthly is not None and all(z.sources == (name,) for z in zones.values()):
            used = applied_volume(folder, zones, night.replace(day=1), night)
            planned = sum(
                s["minutes"] * zones[e["id"]].flow * 0.06
                for e in plan["zones"]
                for s in e["path"]
                if s["night"][:7] == plan["night"][:7]
            )
            if planned > max(0.0, monthly - used) * (1 + VOLUME) + 1e-3:
                faults.append(f"source {name}: month {used:.2f} + {planned:.2f} of {monthly}")
    for entry in plan["zones"]:
        own = zones[entry["id"]].sources
        if len(own) > 1 and all(shares[s] is not None for s in own) and entry["volume_m3"] > 0:
            whole = sum(shares[s] or 0.0 for s in own)
            for s in own:
                part = entry["volumes_m3"].get(s, 0.0) / entry["volume_m3"]
                if abs(part - (shares[s] or 0.0) / whole) > 1e-4:
                    faults.append(f"{entry['id']}: {part:.4f} from {s}, blend says {(shares[s] or 0) / whole:.4f}")
    rule = site.get("allocation")
    if rule and not rule.get("tier"):
        starts, ends = (date.fromisoformat(str(rule[k])) for k in ("starts", "ends"))
        if starts <= night <= ends:
            used = (number(rule.get("used_before")) or 0.0) + applied_volume(folder, zones, starts, night)
            left = max(0.0, (number(rule["volume"]) or 0.0) - used)
            planned = sum(n["volume_m3"] for n in plan["nights"] if starts <= date.fromisoformat(n["night"]) <= ends)
            if planned > left * (1 + VOLUME) + 1e-3:
                faults.append(f"allocation: {planned:.3f} m3 planned, {left:.3f} left of the season")
    return faults


def applied_volume(folder: Path, zones: dict[str, Zone], first: date, before: date) -> float:
    """Water of applied.csv on nights from `first` up to but not on `before` [m3]; the last row of a zone-night."""
    found: dict[tuple[str, str], float] = {}
    for row in read_table(folder / "applied.csv"):
        if row["zone"] in zones and first <= date.fromisoformat(row["night"][:10]) < before:
            volume = number(row.get("volume"))
            minutes = number(row.get("minutes")) or 0.0
            key = row["night"][:10], row["zone"]
            found[key] = minutes * zones[row["zone"]].flow * 0.06 if volume is None else volume
    return sum(found.values())


def _balance_faults(plan: dict[str, Any], zones: dict[str, Zone]) -> list[str]:
    faults = []
    for entry in plan["zones"]:
        b, before, after = entry["balance"], entry["before"]["depletion_mm"], entry["after"]["depletion_mm"]
        name, taw = entry["id"], entry["limits"]["taw_mm"]
        net = b["depth_mm"] - b["uneven_mm"]
        closed = before + b["etc_mm"] - (b["rain_mm"] - b["runoff_mm"]) - net + b["drainage_mm"]
        if abs(closed - after) > CLOSES:
            faults.append(f"{name}: balance of tonight misses {closed - after:.4f} mm")
        if min(b["etc_mm"], b["rain_mm"], b["runoff_mm"], b["drainage_mm"], b["uneven_mm"]) < -1e-9:
            faults.append(f"{name}: a term of its balance is negative")
        depletion = before
        factor = 0.4 + 0.6 * zones[name].du_lq
        for n, step in enumerate(entry["path"]):
            net = step["minutes"] / 60 * zones[name].rate * factor
            closed = depletion + step["etc_mm"] - step["effective_rain_mm"] - net
            closed += step["drainage_mm"]
            if abs(closed - step["depletion_mm"]) > CLOSES:
                faults.append(f"{name}: path of {step['night']} misses {closed - step['depletion_mm']:.4f} mm")
            if not -LAST <= step["depletion_mm"] <= taw + LAST:
                faults.append(f"{name}: depletion {step['depletion_mm']} outside 0 to {taw}")
            at_night = max(0.0, net - depletion)  # the night's water beyond field capacity drains before morning
            if step["drainage_mm"] > at_night + 2 * LAST and step["depletion_mm"] > LAST:
                faults.append(f"{name}: drains {step['drainage_mm']} mm while {step['depletion_mm']} mm short of FC")
            if n == 0 and (step["minutes"] != entry["minutes"] or abs(step["depletion_mm"] - after) > LAST):
                faults.append(f"{name}: its path does not begin with tonight")
            gross = step["minutes"] * zones[name].flow * 60 / zones[name].area
            if abs(gross - step["depth_mm"]) > 1e-4 + VOLUME * gross:
                faults.append(f"{name}: {step['night']} {step['depth_mm']} mm, volume over area {gross:.4f}")
            depletion = step["depletion_mm"]
    return faults


def _order_faults(
    plan: dict[str, Any],
    zones: dict[str, Zone],
    site: dict[str, Any],
    pump_of: dict[str, str | None],
    events: list[tuple[str, date, date]],
) -> list[str]:
    """On no night a zone goes dry while one of a later rank on the same branch gets water it could spare.

    A zone could have had more if it is short of its longest run, of its window and of field capacity by more than one
    step, its flow fits its pipes, its controller has room or is the other's too, and both take the same sources. A
    drought cut gives each surface its own water, which others cannot take. Later nights are checked with tonight's dry
    limit, moved with ET as the Table 22 footnote of FAO-56 moves RAW.
    """
    faults = []
    rank = {s: site.get("surface", {}).get(s, {}).get("priority", r) for s, r in PRIORITY.items()}
    at_once = {c["name"]: number(c.get("stations_at_once")) for c in site.get("controller", [])}
    carried: dict[str | None, float] = defaultdict(lambda: float("inf"))
    for part in (*site.get("pump", []), *site.get("branch", [])):
        carried[part["name"]] = number(part.get("capacity")) or float("inf")
    for n, night in enumerate(date.fromisoformat(x["night"]) for x in plan["nights"]):
        dry_tonight = {name for name, first, last in events if first <= night <= last}
        spans = {s: open_spans(site, s, night) for s in {z.surface for z in zones.values()}}
        cut = {
            s: max((o.get("cut", 0.0) for o in orders(site, night) if s in o.get("surfaces", [s])), default=0.0)
            for s in spans
        }
        kin = {
            i: (z.branch, pump_of[i], z.sources, str(spans[z.surface]), z.surface if cut[z.surface] else "")
            for i, z in zones.items()
        }
        busy: dict[str, float] = defaultdict(float)
        givers: dict[tuple[Any, ...], list[tuple[int, str, float]]] = defaultdict(list)
        for entry in plan["zones"]:
            name, minutes = entry["id"], entry["path"][n]["minutes"]
            busy[zones[name].controller or ""] += minutes
            if minutes > 0:
                givers[kin[name]].append((rank[zones[name].surface], name, minutes))
        for entry in plan["zones"]:
            name = entry["id"]
            zone, limits, today = zones[name], entry["limits"], entry["path"][n]
            step = limits["resolution_s"] / 60
            one = step * zone.rate / 60  # [mm] of one step
            least = max(step, 2.0)  # [min] a shorter run is not worth its wetting; the project's own rule
            before = entry["path"][n - 1]["depletion_mm"] if n else entry["before"]["depletion_mm"]
            milder = 0.0 if n == 0 else _unstressed(entry, zone, 0) - _unstressed(entry, zone, n)
            limit = limits["dry_limit_mm"] + max(0.0, 0.04 * milder * limits["taw_mm"])
            dry = today["depletion_mm"] - limit
            room = before - today["minutes"] / 60 * zone.rate * (0.4 + 0.6 * zone.du_lq)
            open_minutes = sum(b - a for a, b in spans[zone.surface])
            most = min(limits["max_run_min"], open_minutes, zone.max_run)
            full = at_once.get(zone.controller or "")
            crowded = full is not None and busy[zone.controller or ""] > 0.8 * full * open_minutes
            held = name in dry_tonight or zone.flow > min(carried[zone.branch], carried[pump_of[name]])
            slack = max(2 * one, least * zone.rate / 60) + 0.5 * one * n  # later nights are rounded one by one
            if min(dry, room) <= slack or most - today["minutes"] <= least or held:
                continue
            for other, giver, minutes in givers[kin[name]]:
                could = minutes * zones[giver].flow > 2 * step * zone.flow
                helps = not crowded or zones[giver].controller == zone.controller
                if other > rank[zone.surface] and could and helps:
                    faults.append(
                        f"{night}: {name} ({zone.surface}) goes {dry:.2f} mm too dry with {today['minutes']} min, "
                        f"{giver} ({zones[giver].surface}) gets {minutes} min"
                    )
                    break
    return faults


def _unstressed(entry: dict[str, Any], zone: Zone, n: int) -> float:
    """ET of a date had the zone not been stressed [mm], by FAO-56 Eq. 84 turned round; with tonight's RAW throughout.

    A zone too dry to tell counts as on a cold day, which makes its later limit wide and the check say nothing.
    """
    taw, raw = entry["limits"]["taw_mm"], entry["limits"]["raw_mm"]
    before = entry["path"][n - 1]["depletion_mm"] if n else entry["before"]["depletion_mm"]
    net = entry["path"][n]["minutes"] / 60 * zone.rate * (0.4 + 0.6 * zone.du_lq)
    stress = min(1.0, (taw - max(before - net, 0.0)) / (taw - raw))
    if stress < 0.2:
        return 0.0 if n else 1e3
    return entry["path"][n]["etc_mm"] / stress
