"""The site folder read a second time, on purpose more simply than the product does it, for the judge of an evening.

Units not listed in `FACTORS` are refused rather than guessed.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from datetime import date, datetime
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
    "mph": 0.44704,
}
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


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
    extra: float = 1.0  # share of the extra for the drier half that the plan gives the zone's surface

    @property
    def net(self) -> float:
        """What the part of the zone its run times are made for gets [mm/min]."""
        return self.rate / 60 * (1 - self.extra * 0.6 * (1 - self.du_lq))


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
                read = number(cell)
                assert read is not None
                row[match[1]] = (read - 32.0) / 1.8 if match[2] == "degF" else read * FACTORS[match[2]]
            else:
                row[match[1]] = cell
        rows.append(row)
    return rows


def read_zones(path: Path, plan: dict[str, Any]) -> dict[str, Zone]:
    """Zones of the folder in file order, with the extra for uneven catch that a plan says their surface gets."""
    found = {}
    extra = {s["surface"]: s["extra"] for s in (plan.get("uneven") or {"surfaces": []})["surfaces"]}
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
            extra=extra.get(row["surface"], 1.0),
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
