"""Energy of one evening, a second time: from the folder and the printed starts and stops, nothing of the product.

Power is 9.81 Q H / eta between any two valves turned. H is the head of the pump's curve at that flow, or where a head
is held that head and the friction of the branch that takes most (Hazen-Williams, 10.67 L Q^1.852 / (C^1.852
d^4.8704)), as far as the curve gives it. Points are joined by straight lines.
"""

from __future__ import annotations

import tomllib
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from tests.end_to_end.folder_reader import Zone, clock, number, pumps_of, read_zones

EFFICIENCY, ROUGHNESS = 0.70, 140.0  # what the site format takes where nothing is said
PRINTED = 2e-3  # [kWh] a block is printed with three decimals, and so is each of its pumps
METRES = {"mm": 1e-3, "m": 1.0, "in": 0.0254, "ft": 0.3048}


def energy_faults(folder: Path, plan: dict[str, Any]) -> list[str]:
    """Hold energy, cost and price of every tariff block against the folder; an empty list means they agree."""
    site = tomllib.loads((folder / "site.toml").read_text(encoding="utf-8-sig"))
    zones = read_zones(folder / "zones.csv", plan)
    pump_of = pumps_of(site, zones)
    midnight = datetime.fromisoformat(plan["night"])
    runs = [
        (e["id"], _minute(c["start"], midnight), _minute(c["end"], midnight))
        for e in plan["zones"]
        for c in e["cycles"]
    ]
    faults = []
    total = 0.0
    for block in plan["energy"]:
        first, last = _minute(block["start"], midnight), _minute(block["end"], midnight)
        price = tariff_price(site, midnight, int(first))
        if (block["price"] or 0.0) != round(price, 6):
            faults.append(f"energy from {block['start']}: price {block['price']}, the tariff says {price}")
        found = {p["name"]: pump_energy(site, p, zones, pump_of, runs, (first, last)) for p in site.get("pump", [])}
        known = {name: kwh for name, kwh in found.items() if kwh is not None}
        if known.keys() != block["pumps"].keys():
            faults.append(f"energy from {block['start']}: pumps {sorted(block['pumps'])}, known are {sorted(known)}")
        for name, kwh in known.items():
            if abs(kwh - block["pumps"].get(name, 0.0)) > PRINTED + 1e-6 * kwh:
                faults.append(f"energy from {block['start']}: {name} {block['pumps'].get(name)} kWh, worked out {kwh}")
        total += sum(known.values())
        if abs(sum(known.values()) * price - (block["cost"] or 0.0)) > 1e-3 + 1e-6 * abs(price) * total:
            faults.append(f"energy from {block['start']}: cost {block['cost']}, not {sum(known.values()) * price}")
    stated = plan["nights"][0]["energy_kwh"]
    if plan["energy"] and abs(total - stated) > PRINTED * len(plan["energy"]) + 1e-6 * total:
        faults.append(f"energy of the night: {stated} kWh, worked out {total}")
    return faults


def pump_energy(
    site: dict[str, Any],
    pump: dict[str, Any],
    zones: dict[str, Zone],
    pump_of: dict[str, str | None],
    runs: list[tuple[str, float, float]],
    span: tuple[float, float],
) -> float | None:
    """Energy of one pump within a span of minutes [kWh]; None where neither a head nor a curve is given."""
    held = number(pump.get("head"))
    curve = [[number(v) for v in point] for point in pump.get("curve", [])]
    if held is None and not curve:
        return None
    own = [(z, a, b) for z, a, b in runs if pump_of[z] == pump["name"]]
    turned = sorted({t for _, a, b in own for t in (a, b) if span[0] < t < span[1]} | set(span))
    resistance = {b["name"]: branch_resistance(b) for b in site.get("branch", [])}
    efficiency = number(pump.get("efficiency")) or EFFICIENCY
    energy = 0.0
    for start, end in zip(turned, turned[1:], strict=False):
        on = [z for z, a, b in own if a <= start and end <= b]
        flow = sum(zones[z].flow for z in on)
        if not on:
            continue
        loops: dict[str, float] = {}
        for z in on:
            loops[zones[z].branch or ""] = loops.get(zones[z].branch or "", 0.0) + zones[z].flow
        friction = max(resistance.get(name, 0.0) * q**1.852 for name, q in loops.items())
        most = between([(p[0], p[1]) for p in curve], flow) if curve else float("inf")
        head = most if held is None else min(held + friction, most)
        share = between([(p[0], p[2]) for p in curve], flow) if curve and len(curve[0]) > 2 else efficiency
        energy += 9.81 * flow * head / share / 1000 * (end - start) / 60
    return energy


def branch_resistance(branch: dict[str, Any]) -> float:
    """Head a branch takes per (L/s)^1.852."""
    if "friction" in branch:
        friction, capacity = number(branch["friction"]), number(branch["capacity"])
        assert friction is not None and capacity is not None
        return friction / capacity**1.852
    if "length" not in branch:
        return 0.0
    length, diameter = metres(branch["length"], "m"), metres(branch["diameter"], "mm")
    return 10.67 * length / (branch.get("roughness", ROUGHNESS) ** 1.852 * diameter**4.8704) / 1000**1.852


def metres(value: Any, unit: str) -> float:
    """Read a length."""
    if isinstance(value, str):
        text, unit = value.split()
        return float(text) * METRES[unit]
    return float(value) * METRES[unit]


def between(points: list[tuple[float, float]], flow: float) -> float:
    """Value at a flow by straight lines, level beyond the ends."""
    if flow <= points[0][0]:
        return points[0][1]
    for (q0, v0), (q1, v1) in zip(points, points[1:], strict=False):
        if flow <= q1:
            return v0 + (v1 - v0) * (flow - q0) / (q1 - q0)
    return points[-1][1]


def tariff_price(site: dict[str, Any], midnight: datetime, minute: int) -> float:
    """Price of energy at a minute of the night: the last block of the file that holds it, otherwise the dearest."""
    days = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
    rows = site.get("tariff", [])
    for row in reversed(rows):
        opens, closes = clock(row["from"]) % 1440, clock(row["until"])
        closes += 1440 if closes <= opens else 0
        for day in (-1, 0, 1, 2):
            name = days[(midnight + timedelta(days=day)).weekday()]
            if day * 1440 + opens <= minute < day * 1440 + closes and name in row.get("days", days):
                return float(row["price"])
    return max((float(row["price"]) for row in rows), default=0.0)


def _minute(text: str, midnight: datetime) -> float:
    return (datetime.fromisoformat(text) - midnight).total_seconds() / 60
