"""What keeping to the standing programme saves at the keypad.

    python -m tests.bench.bench_steady [EVENINGS [SEED ...]]

Evenings in a row: with every change made, with none below 1 mm (`steady_within`), and with a price on change besides.
The shipped course, with all its controllers keyed in by a person, and courses drawn with each seed, one whose
controllers take start times station by station and one whose controllers hold programmes. Each plan runs as it was
published and is logged; probes and samples are left out, for they tell of what ran in the shipped log. By station an
entry is what a person keys: the minutes of a zone, and each of its start times; of programmes it is what the keying
sheet counts.
"""

from __future__ import annotations

import re
import shutil
import sys
import tempfile
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np

from scheduler.document.parts import PlanDocument
from scheduler.evening import plan_tonight, publish
from scheduler.night import stands
from scheduler.nights import out_folder
from scheduler.site import load_site
from tests.sites import make_site

COURSE = Path(__file__).parents[2] / "scenarios" / "dry-hills-course"
LAST = date(2026, 7, 14)
ZONES = 48
PROGRAMMES = "programmes = 6\nstarts_each = 4\nat_once = 2\nprogrammes_at_once = 2\n"
WAYS = {"every change": (0.0, 0.0), "none below 1 mm": (1.0, 0.0), "and a price": (1.0, stands.STEADY.price)}


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


def drawn(place: Path, seed: int, keys: str) -> Path:
    """A drawn course whose controllers have these keys besides."""
    folder = make_site(place, zones=ZONES, seed=seed, load=0.6, probes=False, zones_per_controller=16)
    file = folder / "site.toml"
    file.write_text(re.sub(r"(\[\[controller\]\]\n)", rf"\g<1>{keys}", file.read_text(encoding="utf-8")), "utf-8")
    return folder


def evenings(source: Path, within: float, price: float, count: int) -> list[PlanDocument]:
    """Plans of so many evenings in a row, each published before the next."""
    found = []
    stands.STEADY = replace(stands.STEADY, price=price)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "course"
        shutil.copytree(source, folder, ignore=shutil.ignore_patterns("out", "*.sqlite", "prob*.csv", "samples.csv"))
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


def compared(name: str, source: Path, count: int) -> None:
    """Print a row for each way."""
    for way, (within, price) in WAYS.items():
        plans = evenings(source, within, price, count)
        minutes, starts = np.mean([changed(a, b) for a, b in zip(plans, plans[1:], strict=False)], axis=0)
        keyed = np.mean([sum(c.entries for c in p.controllers) for p in plans[1:]])
        runs = np.mean([sum(z.minutes > 0 for z in p.zones) for p in plans])
        dry, soft = (
            sum(getattr(s, key) for p in plans for s in p.surfaces) for key in ("dry_zone_days", "wet_zone_days")
        )
        water, cost = (
            float(np.mean([getattr(p.nights[0], key) or 0.0 for p in plans])) for key in ("volume_m3", "cost")
        )
        row = f"{minutes:9.1f}{starts:9.1f}{keyed:9.1f}{runs:9.1f}{dry:6d}{soft:6d}{water:9.0f}{cost:9.1f}"
        sys.stdout.write(f"{name:22}{way:18}{row}\n")
        sys.stdout.flush()


def main(count: int, seeds: list[int]) -> None:
    """All sites."""
    heads = f"{'minutes':>9}{'starts':>9}{'values':>9}{'runs':>9}{'dry':>6}{'soft':>6}{'m3':>9}{'cost':>9}"
    sys.stdout.write(f"{'':40}{heads}\n")
    with tempfile.TemporaryDirectory() as place:
        for seed in seeds:
            for kind, keys in (("by station", ""), ("programmes", PROGRAMMES)):
                folder = drawn(Path(place) / f"{kind}-{seed}", seed, keys)
                compared(f"drawn {seed}, {kind}", folder, count)
    compared("shipped course", COURSE, count)


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(given[0] if given else 7, given[1:] or [101])
