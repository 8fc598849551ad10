"""Seasons drawn at random as a site folder: gaps, nights logged twice, a zone renamed, meters of all kinds."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np

GAL, FT2, IN = 231 * 0.0254**3, 0.3048**2, 25.4
TOML = """[site]
name = "Drawn {seed}"
latitude = {latitude}
longitude = 4.9
elevation = 20
time_zone = "{zone}"
units = "{units}"
currency = "EUR"

[window]
opens = "22:00"
closes = "06:00"

[[pump]]
name = "station"
capacity = 40
head = 60

[[branch]]
name = "north"
capacity = 30

[[branch]]
name = "south"
capacity = 30

[[source]]
name = "well"
ec = {ec}
price = 0.4
daily_limit = 500
monthly_limit = 4000

[[source]]
name = "mains"
ec = 0.3
price = 1.2
{blend}
[allocation]
starts = {starts}
ends = {ends}
volume = {volume}
used_before = 100

[[allocation.tier]]
above = 0.3
price = 0.5

[[allocation.tier]]
above = 0.6
price = 0.9

[[tariff]]
from = "23:00"
until = "06:00"
price = 0.1

[[tariff]]
from = "06:00"
until = "23:00"
price = 0.3

[allowance]
factor = 0.5
special_factor = 1.0
landscape_factor = 0.3
rain_share = 0.25
"""


@dataclass(frozen=True)
class Drawn:
    """A drawn season: its folder and the nights to give account of."""

    folder: Path
    first: date
    last: date


def draw(folder: Path, seed: int) -> Drawn:
    """Write a site whose season holds every difficulty of a record."""
    rng = np.random.default_rng(seed)
    us, across, blended = bool(seed % 2), seed % 3 == 0, seed % 4 == 1
    first = date(2026, 10, 5) if across else date(2026, 3, 10)
    last = first + timedelta(days=int(rng.integers(95, 230)))
    folder.mkdir(parents=True, exist_ok=True)
    blend = ""
    (folder / "site.toml").write_text(
        TOML.format(
            seed=seed, latitude=36.0 if us else 52.0, zone="America/New_York" if us else "Europe/Amsterdam",
            units="us" if us else "metric", ec=1.2 if seed % 5 == 2 else 0.02, blend=blend,
            starts=first + timedelta(days=7), ends=last + timedelta(days=20), volume=4000 + 500 * (seed % 3),
        ).replace("price = 0.4\n", "price = 0.4\nshare = 0.7\n" if blended else "price = 0.4\n")
         .replace("price = 1.2\n", "price = 1.2\nshare = 0.3\n" if blended else "price = 1.2\n")
    )  # fmt: skip
    zones = _zones(folder, rng, us, blended)
    water = _log(folder, rng, zones, first, last, us)
    _meters(folder, rng, zones, water, first, last, us, blended)
    _weather(folder, rng, first, last, us)
    (folder / "calendar.csv").write_text(f"from,until,surface,zone,event,note\n{first},,green,,tournament,cup\n")
    return Drawn(folder, first, last)


def _zones(folder: Path, rng: np.random.Generator, us: bool, blended: bool) -> list[tuple[str, str, float]]:
    """Write zones.csv; give id, source and flow [L/s]."""
    surfaces = ("green", "green", "tee", "fairway", "rough", "landscape")
    area, flow = ("ft2", "gal/min") if us else ("m2", "L/s")
    lines = [f"zone,name,surface,class,soil,root_depth,area [{area}],flow [{flow}],branch,sources,formerly"]
    found = []
    for i, surface in enumerate(surfaces):
        m2, lps = float(rng.integers(300, 3000)), round(float(rng.uniform(1, 6)), 2)
        source = "well|mains" if blended and i < 3 else ("well" if i % 2 else "mains")
        kind = "special" if surface == "green" else ""
        shown = (round(m2 / FT2, 1), round(lps * 60 / (GAL * 1000), 2)) if us else (m2, lps)
        before = "Z1-old" if i == 1 else ""
        branch = "north" if i < 3 else "south"
        row = f"Z{i},zone {i},{surface},{kind},loam,15,{shown[0]},{shown[1]},{branch},{source},{before}"
        lines.append(row)
        found.append((f"Z{i}", source, shown[1] * (GAL * 1000 / 60 if us else 1.0)))
    (folder / "zones.csv").write_text("\n".join(lines) + "\n")
    return found


def _log(
    folder: Path, rng: np.random.Generator, zones: list[tuple[str, str, float]], first: date, last: date, us: bool
) -> dict[tuple[date, str], float]:
    """Write applied.csv out of order, with gaps and repeats; give the water that really ran [m3]."""
    lines, truth = [], {}
    night = first - timedelta(days=10)
    gap = first + timedelta(days=40)
    while night <= last + timedelta(days=5):
        for zone, _, flow in zones:
            if rng.random() < 0.45 or gap <= night < gap + timedelta(days=6):
                continue
            minutes = int(rng.integers(4, 40))
            volume = minutes * 60 * flow / 1000 * float(rng.uniform(0.97, 1.03))
            name = "Z1-old" if zone == "Z1" and night < date(first.year, first.month, 1) + timedelta(days=75) else zone
            written = f"{volume / GAL:.1f}" if us else f"{volume:.3f}"
            said = "" if rng.random() < 0.15 else written
            lines.append(f"{night},{name},{minutes},{said},")
            truth[night, zone] = volume
            if rng.random() < 0.05:  # logged twice: the later row counts
                lines.append(f"{night},{name},{minutes + 1},{float(written) * 1.1:.3f},put right")
        if rng.random() < 0.1:
            lines.append(f"{night},gone,12,{'45.5' if us else '1.25'},")
            lines.append(f"{night},gone-too,12,,no volume")
        night += timedelta(days=1)
    head = f"night,zone,minutes,volume [{'gal' if us else 'm3'}],note"
    (folder / "applied.csv").write_text("\n".join([head, *lines]) + "\n")
    return truth


def _meters(
    folder: Path, rng: np.random.Generator, zones: list[tuple[str, str, float]],
    water: dict[tuple[date, str], float], first: date, last: date, us: bool, blended: bool,
) -> None:  # fmt: skip
    """Write meter.csv: a count that rolls over and is exchanged; daily volumes with a silent month; an autumn hour."""
    unit, size = ("kgal", GAL * 1000) if us else ("m3", 1.0)
    share = {
        z: ((0.7, 0.3) if blended and s == "well|mains" else ((1, 0) if s == "well" else (0, 1))) for z, s, _ in zones
    }
    count, rolls = 9_800.0, 10_000.0
    lines = []
    night, exchanged = first - timedelta(days=9), first + timedelta(days=60)
    while night <= last + timedelta(days=4):
        well = sum(v * share[z][0] for (n, z), v in water.items() if n == night) / size
        mains = sum(v * share[z][1] for (n, z), v in water.items() if n == night) / size
        count = (count + well) % rolls
        morning = datetime.combine(night + timedelta(days=1), datetime.min.time()) + timedelta(hours=7)
        if rng.random() < 0.12 or (night + timedelta(days=1)).day == 1:
            lines.append(f"{morning.isoformat(timespec='minutes')},W1,{count:.4f},well,cumulative,{rolls:g},")
        if night == exchanged:
            lines.append(f"{morning.isoformat(timespec='minutes')},W1,{count:.4f},well,,{rolls:g},")
            count = 3.0
            lines.append(f"{morning.isoformat(timespec='minutes')},W1,{count:.4f},well,,{rolls:g},exchanged")
        if not first + timedelta(days=30) <= night < first + timedelta(days=62):
            lines.append(f"{morning.isoformat(timespec='minutes')},M1,{mains:.4f},mains,interval,,")
        night += timedelta(days=1)
    # an hour of the night on which clocks go back is read twice
    autumn = (
        ("2026-11-01T01:30-04:00", "2026-11-01T01:30-05:00")
        if us
        else ("2026-10-25T02:30+02:00", "2026-10-25T02:30+01:00")
    )
    lines += [f"{autumn[0]},M2,1.5,mains,interval,,", f"{autumn[1]},M2,2.5,mains,interval,,"]
    head = f"time,meter,reading [{unit}],source,kind,rolls_over_at [{unit}],note"
    (folder / "meter.csv").write_text("\n".join([head, *lines]) + "\n")


def _weather(folder: Path, rng: np.random.Generator, first: date, last: date, us: bool) -> None:
    """Write weather.csv with reference ET and rain given, some dates twice."""
    unit = "in" if us else "mm"
    lines = [f"date,eto [{unit}],rain [{unit}]"]
    day = first - timedelta(days=80)
    while day <= last + timedelta(days=3):
        eto, rain = float(rng.uniform(1, 7)), float(rng.gamma(0.2, 12.0))
        size = IN if us else 1.0
        lines.append(f"{day},{eto / size:.3f},{rain / size:.3f}")
        if rng.random() < 0.02:
            lines.append(f"{day},{eto / size:.3f},{rain / size + 0.1:.3f}")
        day += timedelta(days=1)
    (folder / "weather.csv").write_text("\n".join(lines) + "\n")
