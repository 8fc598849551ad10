"""What small pumps gain where a plan is held to what their zones can run at once.

    python -m tests.bench.bench_small_pumps FIRST LAST

Variants of the shipped stadium, one a seed: another booster, garden line and number of stations, flows drawn anew, with
and without programmes, on one of its evenings. Each is planned twice: by the shares of capacity alone, and held
besides to the least time in which its zones can run together. Sums of all: minutes that find no place, cuts beyond
what the soil asks, zones past their finish time, zone-days dry by rank, processor time.
"""

from __future__ import annotations

import random
import re
import shutil
import sys
import tempfile
import time
from collections import Counter
from datetime import date, datetime, timedelta
from pathlib import Path

from scheduler.evening import plan_tonight
from scheduler.night import capacity
from scheduler.site import load_site

STADIUM = Path(__file__).parents[2] / "scenarios" / "lowland-stadium"
LAST = date(2026, 7, 14)
BEFORE = (0, 0, 2, 5, 9, 14, 20, 30)  # [d]
HELD = {"shares alone": 0.0, "held to what runs at once": capacity.FEW_AT_ONCE}


def variant(folder: Path, seed: int) -> tuple[Path, date]:
    """A stadium of its own, and its evening."""
    r = random.Random(seed)
    shutil.copytree(STADIUM, folder, ignore=shutil.ignore_patterns("out", "*.sqlite*"))
    head, *rows = (folder / "zones.csv").read_text(encoding="utf-8").splitlines()
    flow, scale = head.split(",").index("flow"), r.uniform(0.8, 1.25)
    cells = [row.split(",") for row in rows]
    for zone in cells:
        zone[flow] = f"{float(zone[flow]) * scale * r.uniform(0.85, 1.15):.2f}"
    (folder / "zones.csv").write_text("\n".join([head, *map(",".join, cells)]) + "\n", encoding="utf-8")
    booster = r.choice((7.5, 8.8, 9.5, 11, 13, 15))
    changes = {
        "capacity = 8.8": f"capacity = {booster}",
        "[8.8, 68.0, 0.62]": f"[{max(booster, 8.8)}, 68.0, 0.62]",
        "capacity = 3.0": f"capacity = {r.choice((2.2, 3.0, 4.5))}",
        "stations_at_once = 3": f"stations_at_once = {r.choice((2, 3, 4))}",
    }
    text = (folder / "site.toml").read_text(encoding="utf-8")
    for old, new in changes.items():
        text = text.replace(old, new)
    if r.random() < 0.6:
        text = re.sub(r"programmes = 4.*\nstarts_each = 3\nprogrammes_at_once = 2.*\n", "", text)
    (folder / "site.toml").write_text(text, encoding="utf-8")
    return folder, LAST - timedelta(days=r.choice(BEFORE))


def measured(folder: Path, night: date) -> Counter[str]:
    """One evening, and what is counted of it."""
    site = load_site(folder)
    begun = time.process_time()
    plan = plan_tonight(site, night, datetime(night.year, night.month, night.day, 17, tzinfo=site.time_zone))
    count: Counter[str] = Counter({"processor time, s": time.process_time() - begun})
    for warning in plan.warnings:
        if "no place" in warning.text:
            count["minutes without a place"] += sum(map(int, re.findall(r" (\d+) min", warning.text)))
        count["cuts"] += sum(map(int, re.findall(r"(\d+) more cycles? than asked", warning.text)))
        count["nights with late zones"] += "should be done by" in warning.text
    for zone, rank in zip(plan.zones, site.zones.priority.tolist(), strict=True):
        short = max(zone.after.depletion_mm - zone.limits.dry_limit_mm, 0.0)
        count[f"mm past the dry limit tomorrow, rank {rank}"] += short
    return count


def main(first: int, last: int) -> None:
    """Plan every variant both ways and print the sums."""
    total: dict[str, Counter[str]] = {name: Counter() for name in HELD}
    for seed in range(first, last):
        with tempfile.TemporaryDirectory() as place:
            folder, night = variant(Path(place) / "site", seed)
            for name, few in HELD.items():
                capacity.FEW_AT_ONCE = few
                total[name].update(measured(folder, night))
    for key in sorted(set().union(*total.values())):
        sys.stdout.write(f"{key:40s}" + "".join(f"{total[name][key]:12.1f} {name}" for name in HELD) + "\n")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))
