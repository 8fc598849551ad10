"""The water of a season worked out from a site folder's CSV files alone, with nothing of the project.

It reads with the csv module and holds what the files say: the later of two rows of one night and zone counts, a volume
counts before minutes times flow, a zone's former names are the zone. Water between two readings of a meter falls evenly
on the nights from the first reading's date to the night before the second's; a volume after missed readings is as long
as the meter's usual ones.
"""

from __future__ import annotations

import csv
import tomllib
from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

M3 = {"m3": 1.0, "gal": 231 * 0.0254**3, "kgal": 231 * 0.0254**3 * 1000, "L": 0.001, "acre_ft": 43560 * 0.3048**3,
      "ccf": 100 * 0.3048**3}  # fmt: skip
LPS = {"L/s": 1.0, "gal/min": 231 * 0.0254**3 * 1000 / 60, "m3/h": 1 / 3.6}
M2 = {"m2": 1.0, "ft2": 0.3048**2, "acre": 43560 * 0.3048**2}
MM = {"mm": 1.0, "in": 25.4}


def rows(path: Path) -> list[dict[str, str]]:
    """Rows with bare column names; the unit of a header goes to the key `unit of NAME`."""
    if not path.exists():
        return []
    with path.open(encoding="utf-8-sig", newline="") as stream:
        table = list(csv.reader(stream))
    found = []
    for cells in table[1:]:
        row = {}
        for head, cell in zip(table[0], cells, strict=True):
            name, _, unit = head.partition("[")
            row[name.strip()] = cell.strip()
            row[f"unit of {name.strip()}"] = unit.rstrip("] ")
        found.append(row)
    return found


def quantity(row: dict[str, str], name: str, units: dict[str, float], default: str) -> float | None:
    """Number of a cell in SI, None if empty."""
    text = row.get(name, "")
    return float(text) * units[row[f"unit of {name}"] or default] if text else None


class Season:
    """Sums by hand over the nights from `first` to `last`."""

    def __init__(self, folder: Path, first: date, last: date) -> None:
        self.first, self.last = first, last
        with (folder / "site.toml").open("rb") as stream:
            settings = tomllib.load(stream)
        self.zone_info = ZoneInfo(settings["site"]["time_zone"])
        self.source_list = settings.get("source", [{"name": "water"}])
        self.zones: dict[str, dict[str, str]] = {}
        self.today: dict[str, str] = {}
        for row in rows(folder / "zones.csv"):
            self.zones[row["zone"]] = row
            for old in row.get("formerly", "").split("|"):
                if old.strip():
                    self.today[old.strip()] = row["zone"]
        self._log(folder)
        self._meters(folder)
        self._weather(folder)

    def shares(self, zone: str) -> dict[str, float]:
        """Which share of a zone's water each source gives."""
        names = [s["name"] for s in self.source_list]
        if zone not in self.zones:
            return {names[0] if len(names) == 1 else "source not known": 1.0}
        own = [n for n in self.zones[zone].get("sources", "").split("|") if n] or names
        blend = {s["name"]: s.get("share") for s in self.source_list if s["name"] in own}
        if len(own) > 1 and all(v is not None for v in blend.values()):
            return {n: blend[n] / sum(blend.values()) for n in own}
        return {own[0]: 1.0}

    def _log(self, folder: Path) -> None:
        latest: dict[tuple[date, str], dict[str, str]] = {}
        for row in rows(folder / "applied.csv"):
            zone = self.today.get(row["zone"], row["zone"])
            latest[date.fromisoformat(row["night"]), zone] = row
        self.logged: dict[tuple[date, str], float] = {}
        for (night, zone), row in latest.items():
            if not self.first <= night <= self.last:
                continue
            volume = quantity(row, "volume", M3, "m3")
            if volume is None and zone in self.zones and row.get("minutes"):
                flow = quantity(self.zones[zone], "flow", LPS, "L/s")
                volume = float(row["minutes"]) * 60 * flow / 1000
            if volume is not None:
                self.logged[night, zone] = volume

    def _meters(self, folder: Path) -> None:
        table = rows(folder / "meter.csv")
        self.metered: dict[tuple[date, str], float] = defaultdict(float)
        self.meter_source: dict[str, str] = {}
        self.meter_night: dict[tuple[date, str], float] = {}
        for meter in dict.fromkeys(r["meter"] for r in table):
            own = [r for r in table if r["meter"] == meter]
            source = next((r["source"] for r in own if r.get("source")), self.source_list[0]["name"])
            kind = next((r["kind"] for r in own if r.get("kind")), "cumulative")
            self.meter_source[meter] = source
            once: dict[tuple[datetime, bool], dict[str, str]] = {}
            for row in own:
                moment = datetime.fromisoformat(row["time"])
                moment = moment if moment.tzinfo else moment.replace(tzinfo=self.zone_info)
                once[moment.astimezone(UTC), row.get("note", "").startswith("exchanged")] = row
            before: tuple[datetime, float] | None = None
            usual = self._usual(sorted(once))
            rolls = None
            ordered = sorted(once)
            for moment, exchanged in ordered:
                row = once[moment, exchanged]
                reading = quantity(row, "reading", M3, "m3")
                rolls = quantity(row, "rolls_over_at", M3, "m3") or rolls
                if kind == "interval":
                    nights = [] if before is None else self._dates(before[0], moment)
                    if before is None or len(nights) > 2 * usual:
                        end = moment.astimezone(self.zone_info).date()
                        nights = [end - timedelta(days=k + 1) for k in range(usual)]
                    self._spread(meter, source, nights, reading)
                elif before is not None and not exchanged:
                    passed = reading - before[1]
                    if passed < 0:
                        passed = None if rolls is None else passed + rolls
                    if passed is not None:
                        self._spread(meter, source, self._dates(before[0], moment), passed)
                before = (moment, reading)

    def _usual(self, ordered: list[tuple[datetime, bool]]) -> int:
        lengths = sorted(len(self._dates(a[0], b[0])) for a, b in zip(ordered, ordered[1:], strict=False))
        return max(int(_median(lengths)), 1) if lengths else 1

    def _dates(self, start: datetime, end: datetime) -> list[date]:
        here, there = start.astimezone(self.zone_info), end.astimezone(self.zone_info)
        if here.date() == there.date():
            by_noon = (there.hour, there.minute, there.second) <= (12, 0, 0)
            return [there.date() - timedelta(days=1) if by_noon else there.date()]
        return [here.date() + timedelta(days=k) for k in range((there.date() - here.date()).days)]

    def _spread(self, meter: str, source: str, nights: list[date], volume: float) -> None:
        for night in nights:
            if self.first <= night <= self.last:
                self.metered[night, source] += volume / len(nights)
                self.meter_night[night, meter] = self.meter_night.get((night, meter), 0.0) + volume / len(nights)

    def _weather(self, folder: Path) -> None:
        latest = {date.fromisoformat(r["date"]): r for r in rows(folder / "weather.csv")}
        inside = {d: r for d, r in latest.items() if self.first <= d <= self.last}
        self.rain = {d: quantity(r, "rain", MM, "mm") or 0.0 for d, r in inside.items()}
        self.eto = {d: quantity(r, "eto", MM, "mm") or 0.0 for d, r in inside.items()}

    # ------------------------------------------------------------------------------------------------- what is asked

    def total(self, month: str = "", source: str = "", zone: str = "", surface: str = "") -> float:
        """Logged water of whatever is named [m3]."""
        found = 0.0
        for (night, of), volume in self.logged.items():
            here = self.zones.get(of, {}).get("surface", "not in zones.csv")
            if month and f"{night:%Y-%m}" != month or zone and of != zone or surface and here != surface:
                continue
            found += volume * (self.shares(of).get(source, 0.0) if source else 1.0)
        return found

    def meter_total(self, month: str = "", source: str = "") -> float:
        """Metered water [m3]."""
        return sum(
            v
            for (night, of), v in self.metered.items()
            if (not month or f"{night:%Y-%m}" == month) and (not source or of == source)
        )

    def area(self, area_class: str) -> float:
        """Area of an agency's class [m2]."""
        usual = {"landscape": "landscape"}
        return sum(
            quantity(z, "area", M2, "m2") or 0.0
            for z in self.zones.values()
            if (z.get("class") or usual.get(z["surface"], "turf")) == area_class
        )


def _median(values: list[int]) -> float:
    middle = len(values) // 2
    return values[middle] if len(values) % 2 else (values[middle - 1] + values[middle]) / 2
