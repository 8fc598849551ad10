"""An independent judge of one evening: reads the site folder's own files and plan.json, nothing of the product.

`check_plan(folder, plan)` returns one sentence for each hard limit, balance or order that does not hold. The folder is
parsed here a second time and on purpose more simply than the product does it, so that an error of reading is seen too.
Units not listed in `FACTORS` are refused rather than guessed.
"""

from __future__ import annotations

import re
import tomllib
from collections import defaultdict
from collections.abc import Iterable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from tests.end_to_end.folder_reader import (
    Zone,
    cycles_of,
    forbidden_by_event,
    number,
    open_spans,
    pumps_of,
    read_table,
    read_zones,
)
from tests.end_to_end.order_checker import order_faults

FLOW = 1e-6  # relative, for sums of flows
VOLUME = 1e-5  # relative, for sums of volumes; plan.json prints six decimals
CLOSES = 0.01  # [mm] closure of the water balance that the project promises
LAST = 6e-6  # a few halves of the sixth decimal, which is what plan.json prints
SECOND = 1 / 60 + 1e-6  # [min] times are printed to the second


def check_plan(folder: Path, plan: dict[str, Any]) -> list[str]:
    """Hold a plan against its folder; an empty list means every limit, balance and order holds."""
    site = tomllib.loads((folder / "site.toml").read_text(encoding="utf-8-sig"))
    zones = read_zones(folder / "zones.csv", plan)
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
    faults += made_again_faults(plan, zones)
    faults += order_faults(plan, zones, site, pump_of, forbidden_by_event(folder, zones))
    return faults


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
        net = minutes * zone.net
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
            share, whole = plan["allocation"]["share_this_horizon_m3"], sum(n["volume_m3"] for n in plan["nights"])
            if whole > share * (1 + VOLUME) + 1e-3:
                faults.append(f"allocation: all nights take {whole:.3f} m3, {share:.3f} are this plan's share")
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


def made_again_faults(plan: dict[str, Any], zones: dict[str, Zone]) -> list[str]:
    """Every figure of plan.json that follows from others of it, worked out again; the first of each kind and zone."""
    faults = []
    by_night: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    eto = [n["eto_mm"] for n in plan["nights"]]
    flushed = {(f["zone"], n): f for f in plan["flushes"] for n in f["nights"]}
    drained: dict[str, float] = defaultdict(float)
    for entry in plan["zones"]:
        name, make, zone = entry["id"], entry["make"], zones[entry["id"]]
        told = {"area_m2": zone.area, "flow_lps": zone.flow, "rate_mm_h": 60 * zone.net}
        for key, value in told.items():
            if abs(make[key] - value) > 1e-5 * value + LAST:
                faults.append(f"{name}: {key} is {make[key]}, the folder says {value:.6f}")
        if 0 < entry["minutes"] > make["longest_run_min"] + LAST:
            faults.append(f"{name}: runs {entry['minutes']} min, {make['longest_run_min']} are possible")
        depletion = entry["before"]["depletion_mm"]
        for n, step in enumerate(entry["path"]):
            net = step["minutes"] / 60 * make["rate_mm_h"]
            checks = {
                "depth": (step["depth_mm"] * make["net_share"], net),
                "watered": (step["watered_mm"], max(depletion - net, 0.0)),
                "et": (step["etc_mm"], min(step["kc"] * step["ks"] * eto[n], step["etc_mm"] + _spare(step, entry))),
            }
            for what, (stated, found) in checks.items():
                if abs(stated - found) > 1e-4 + VOLUME * abs(found):
                    faults.append(f"{name}: {what} of {step['night']} is {stated:.5f}, worked out {found:.5f}")
            depletion = step["depletion_mm"]
            by_night[step["night"]]["volume"] += step["minutes"] * make["flow_lps"] * 0.06
            if (name, step["night"]) in flushed:
                drained[name] += step["drainage_mm"]
        if entry["path"][0]["dry_limit_mm"] != entry["limits"]["dry_limit_mm"]:
            faults.append(f"{name}: two dry limits")
        for state in (entry["before"], entry["after"]):
            layers, roots = state["layers_dsm"], make["roots_by_layer"]
            if len(layers) != len(roots) or (layers and abs(sum(roots) - 1) > 1e-5):
                faults.append(f"{name}: {len(layers)} layers, roots in them by {roots}")
            elif layers and abs(sum(e * r for e, r in zip(layers, roots, strict=True)) - state["ece_dsm"]) > 2e-3:
                faults.append(f"{name}: the mean of its layers {layers} is not {state['ece_dsm']} dS/m")
        tomorrow = entry["path"][0]["ece_dsm"], entry["after"]["ece_dsm"]
        if None not in tomorrow and abs(tomorrow[0] - tomorrow[1]) > 1e-3:
            faults.append(f"{name}: two ECe of tomorrow evening")
    for night in plan["nights"]:
        whole = by_night[night["night"]]["volume"]
        if abs(whole - night["volume_m3"]) > 1e-3 + VOLUME * whole:
            faults.append(f"{night['night']}: {night['volume_m3']} m3 stated, {whole:.4f} by flow and minutes")
        if night["volumes_m3"] and abs(sum(night["volumes_m3"].values()) - whole) > 1e-3 + VOLUME * whole:
            faults.append(f"{night['night']}: sources give {sum(night['volumes_m3'].values())} of {whole:.4f} m3")
        faults += _limit_faults(night)
    for flush in plan["flushes"]:
        passed = drained[flush["zone"]]
        if flush["nights"] and abs(passed - flush["drainage_mm"]) > 2e-3:
            faults.append(f"flush of {flush['zone']}: drains {flush['drainage_mm']}, its path {passed:.4f}")
        brings = re.search(r"brings it to ([\d.]+\d)", flush["words"])
        if flush["nights"] and (brings is None or abs(float(brings[1]) - flush["ece_after_dsm"]) > 0.0506):
            faults.append(f"flush of {flush['zone']}: {flush['words']!r} beside {flush['ece_after_dsm']} dS/m")
        if flush["nights"] and (flush["nights"][-1] > flush["by"]) != ("later than by" in flush["words"]):
            faults.append(f"flush of {flush['zone']}: {flush['nights']}, due {flush['by']}, and no word of it")
    return faults


def _spare(step: dict[str, Any], entry: dict[str, Any]) -> float:
    """What the date's ET is short of kc ks ETo where the roots held no more [mm]."""
    return 0.0 if step["depletion_mm"] >= entry["limits"]["taw_mm"] - 1e-5 else 1e9


def _limit_faults(night: dict[str, Any]) -> list[str]:
    """A limit binds where it has a price, and only there; a cut is a share of what it is taken of."""
    faults = []
    for limit in night["limits"]:
        what = f"{night['night']}: {limit['what']}"
        if limit["binds"] != (limit["price"] > 0):
            faults.append(f"{what} binds {limit['binds']} at a price of {limit['price']}")
        if limit["usable"] is not None and not 0 <= limit["usable"] <= limit["capacity"] * (1 + VOLUME):
            faults.append(f"{what}: {limit['usable']} of {limit['capacity']} usable")
        if limit["base"] is not None and limit["capacity"] > 0:  # nothing is left where more was used than is allowed
            whole = limit["capacity"] + limit["before"]
            if whole > limit["base"] * (1 + VOLUME) + 1e-3:
                faults.append(f"{what}: {whole} left and used of {limit['base']} demanded")
    return faults


def _balance_faults(plan: dict[str, Any], zones: dict[str, Zone]) -> list[str]:
    faults = []
    for entry in plan["zones"]:
        b, before, after = entry["balance"], entry["before"]["depletion_mm"], entry["after"]["depletion_mm"]
        name, taw = entry["id"], entry["limits"]["taw_mm"]
        net = b["depth_mm"] - b["uneven_mm"]
        closed = before + b["etc_mm"] - (b["rain_mm"] - b["runoff_mm"]) - b["held_mm"] - net + b["drainage_mm"]
        if abs(closed - after) > CLOSES:
            faults.append(f"{name}: balance of tonight misses {closed - after:.4f} mm")
        if min(b["etc_mm"], b["rain_mm"], b["runoff_mm"], b["drainage_mm"]) < -1e-9:
            faults.append(f"{name}: a term of its balance is negative")
        depletion = before
        for n, step in enumerate(entry["path"]):
            net = step["minutes"] * zones[name].net
            closed = depletion + step["etc_mm"] - step["effective_rain_mm"] - step["held_mm"] - net
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
