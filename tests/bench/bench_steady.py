"""What keeping to the standing programme saves at the keypad: `python -m tests.bench.bench_steady [EVENINGS]`.

The shipped course over evenings in a row, once with every change made and once with `steady_within` of 1 and 2 mm on
all controllers. Each plan runs as it was published and is logged; probes and samples are left out, for they tell of
what ran in the shipped log. An entry is what a person keys: the minutes of a zone, and each of its start times.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np

from scheduler.document.parts import PlanDocument
from scheduler.evening import plan_tonight, publish
from scheduler.nights import out_folder
from scheduler.site import load_site

COURSE = Path(__file__).parents[2] / "scenarios" / "dry-hills-course"
LAST = date(2026, 7, 14)


def entries(plan: PlanDocument) -> dict[str, tuple[float, tuple[str, ...]]]:
    """Minutes and start times of each zone, as they are keyed in."""
    return {z.id: (z.minutes, tuple(c.start.strftime("%H:%M") for c in z.cycles)) for z in plan.zones}


def changed(before: PlanDocument, now: PlanDocument) -> tuple[int, int]:
    """Entries to be keyed anew from one evening to the next: minutes, and starts."""
    one, other = entries(before), entries(now)
    minutes = sum(one[z][0] != other[z][0] for z in one)
    starts = 0
    for z in one:
        a, b = one[z][1], other[z][1]
        starts += sum(x != y for x, y in zip(a, b, strict=False)) + abs(len(a) - len(b))
    return minutes, starts


def evenings(within: float, count: int) -> list[PlanDocument]:
    """Plans of so many evenings in a row, each published before the next."""
    found = []
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "course"
        shutil.copytree(COURSE, folder, ignore=shutil.ignore_patterns("out", "*.sqlite", "prob*.csv", "samples.csv"))
        log = folder / "applied.csv"
        first = str(LAST - timedelta(days=count - 1))
        head, *rows = log.read_text(encoding="utf-8").splitlines()
        log.write_text("\n".join([head, *(r for r in rows if r[:10] < first)]) + "\n", encoding="utf-8")
        for days in range(count - 1, -1, -1):
            night = LAST - timedelta(days=days)
            site = load_site(folder)
            site = replace(site, controllers=tuple(replace(c, steady_within=within) for c in site.controllers))
            made = datetime(night.year, night.month, night.day, 18, tzinfo=site.time_zone)
            plan, _ = publish(site, plan_tonight(site, night, made), out_folder(site, night))
            found.append(plan)
            blank = "," * (head.count(",") - 2)
            with log.open("a", encoding="utf-8") as file:
                file.writelines(f"{night},{z.id},{z.minutes}{blank}\n" for z in plan.zones)
    return found


def main(count: int) -> None:
    """Print a row for each way."""
    out = sys.stdout
    out.write(f"{'':22}{'minutes':>9}{'starts':>9}{'entries':>9}{'dry':>6}{'soft':>6}{'m3':>9}{'cost':>9}\n")
    for name, within in (("every change", 0.0), ("none below 1 mm", 1.0), ("none below 2 mm", 2.0)):
        plans = evenings(within, count)
        pairs = [changed(a, b) for a, b in zip(plans, plans[1:], strict=False)]
        minutes, starts = np.mean(pairs, axis=0)
        keyed = np.mean([sum(1 + len(z.cycles) for z in p.zones if z.minutes > 0) for p in plans])
        dry, soft = (
            sum(getattr(s, key) for p in plans for s in p.surfaces) for key in ("dry_zone_days", "wet_zone_days")
        )
        water, cost = (
            float(np.mean([getattr(p.nights[0], key) or 0.0 for p in plans])) for key in ("volume_m3", "cost")
        )
        row = f"{minutes:9.1f}{starts:9.1f}{keyed:9.1f}{dry:6d}{soft:6d}{water:9.0f}{cost:9.1f}"
        out.write(f"{name:22}{row}\n")
        out.flush()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)
