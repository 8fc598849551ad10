"""What an order allows, reckoned from a site's CSV files alone: a second program that shares nothing with the first.

Only the csv module and dates. Metric headers without units; a night named by the date of its evening is paid by the
ETo and rain of the date after it. 0.62 gal per ft2 and inch is the public rule's own rounded figure; a gallon is
231 cubic inches, an inch 25.4 mm.
"""

from __future__ import annotations

import csv
from datetime import date, timedelta
from pathlib import Path

LITRES_PER_GALLON = 231 * 2.54**3 / 1000
FT2_PER_M2 = 1 / 0.3048**2


def rows(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / f"{name}.csv").open(encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def applied_litres(folder: Path, first: date, last: date, surfaces: set[str] | None = None) -> float:
    """Water of the nights from first to last: as metered, else minutes times flow [L/s]."""
    zones = {z["zone"]: z for z in rows(folder, "zones")}
    total = 0.0
    for run in rows(folder, "applied"):
        zone = zones[run["zone"]]
        if not first <= date.fromisoformat(run["night"]) <= last or (surfaces and zone["surface"] not in surfaces):
            continue
        total += float(run["volume"]) * 1000 if run["volume"] else float(run["minutes"]) * 60 * float(zone["flow"])
    return total


def cut_litres(
    folder: Path, cut: float, base: tuple[date, date], first: date, last: date, surfaces: set[str] | None = None
) -> float:
    """Allowed from first to last at a percent cut: as many mean nights of the base period, less the cut."""
    nights = (base[1] - base[0]).days + 1
    each = applied_litres(folder, *base, surfaces) / nights
    return (1 - cut) * each * ((last - first).days + 1)


def et_litres(
    folder: Path, factor: dict[str, float], rain_share: float, first: date, last: date, surfaces: set[str] | None = None
) -> float:
    """Allowed from first to last by the ET formula: (ETo - share of rain) x 0.62 x sum of factor x area."""
    days = {}
    for day in rows(folder, "forecast") + rows(folder, "weather"):  # what was observed stands above what was foretold
        days[date.fromisoformat(day["date"])] = (float(day["eto"]), float(day["rain"]))
    paid = [days[first + timedelta(days=i + 1)] for i in range((last - first).days + 1)]
    inches = max(sum(e for e, _ in paid) - rain_share * sum(r for _, r in paid), 0.0) / 25.4
    weighted = sum(
        factor[z["class"]] * float(z["area"]) * FT2_PER_M2
        for z in rows(folder, "zones")
        if not surfaces or z["surface"] in surfaces
    )
    return inches * 0.62 * weighted * LITRES_PER_GALLON
