"""Sites nobody has seen, planned by the command line and judged from outside.

    python -m tests.bench.bench_unseen FIRST LAST

Three of four seeds draw a site from the format alone (`hand_sites`), every fourth of these with controllers that hold
programmes or find their own times; the others are made courses of 30 to 150 zones, some too full for their pumps. Each
is planned by `python -m scheduler.cli tonight` in a process of its own, and its folder and plan.json are given to the
checkers, which know no product code: every limit minute by minute, the schema, the balance, weather and energy;
programmes are played by the controller of `programme_player`. Counted are, on nights with a place for everything, zones
that run in as many cycles as their soil needs, or in finer ones with their rests, and everywhere runs below the
smallest.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
import tempfile
from collections import Counter
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from models.night.cycles import split_into_cycles, surface_storage
from scheduler.document.reading import document_of
from scheduler.document.rules import plan_faults
from scheduler.errors import NO_PLAN, OK
from scheduler.site import load_site
from tests.end_to_end.energy_checker import energy_faults
from tests.end_to_end.hand_sites import EVENING, draw_site
from tests.end_to_end.plan_checker import check_plan
from tests.end_to_end.programme_player import player_faults
from tests.end_to_end.programme_sites import with_programmes
from tests.end_to_end.weather_checker import weather_faults
from tests.evenings import schema_faults
from tests.sites import make_site

NIGHT = EVENING.isoformat()


def drawn(folder: Path, seed: int) -> tuple[Path, str]:
    """The site of a seed, and of what kind it is."""
    r = random.Random(f"unseen {seed}")
    if seed % 4 == 3:
        size = {"zones": r.choice((30, 60, 90, 150)), "load": r.uniform(0.7, 1.3), "pumps": r.choice((1, 2))}
        return make_site(folder, seed=seed, units=r.choice(("metric", "us")), **size), "made"
    if seed % 4 == 2:
        return with_programmes(draw_site(folder, seed), seed), "programmes"
    return draw_site(folder, seed), "drawn"


def judged(folder: Path, kind: str, count: Counter[str]) -> list[str]:
    """Plan the evening of a site; everything wrong with it."""
    done = subprocess.run(
        [sys.executable, "-m", "scheduler.cli", "tonight", str(folder), "--night", NIGHT],
        capture_output=True,
        text=True,
        check=False,
        timeout=600,
    )
    said = done.stdout + done.stderr
    if "Traceback" in said or done.returncode not in (OK, NO_PLAN):
        return [f"exit code {done.returncode}: {said[-300:]}"]
    if done.returncode == NO_PLAN:
        count["no plan, and why"] += 1
        return [] if said.strip() else ["no plan, and not a word why"]
    out = folder / "out" / NIGHT
    plan = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    limits = check_plan(folder, plan)
    if kind == "programmes":  # what a programme cannot hold gives way out of the order of ranks, and is named
        limits = [f for f in limits if "the folder says" not in f and not ("goes" in f and "gets" in f)]
        limits += player_faults(folder, out, plan)
    faults = schema_faults(plan) + plan_faults(document_of(plan)) + limits
    faults += energy_faults(folder, plan) + weather_faults(folder, plan)[0]
    return faults + _runs(folder, plan, kind, count)


def _rests(zone: dict[str, Any]) -> bool:
    """Whether all cycles of a zone have the rest between them that they were cut with, and it is one."""
    start, end = (
        np.array([datetime.fromisoformat(c[k]).timestamp() for c in zone["cycles"]]) for k in ("start", "end")
    )
    soak = zone["limits"]["soak_min"]
    return bool(soak > 0 and (start[1:] - end[:-1] >= 60.0 * soak - 1e-6).all())


def _runs(folder: Path, plan: dict[str, Any], kind: str, count: Counter[str]) -> list[str]:
    """Count pieces against cycles; runs below the smallest."""
    site = load_site(folder)
    zones, minutes = site.zones, np.array([z["minutes"] for z in plan["zones"]])
    step = np.array([z["limits"]["resolution_s"] for z in plan["zones"]]) / 60.0
    needed = split_into_cycles(
        np.round(minutes / step) * step,
        step,
        zones.application_rate,
        zones.infiltration,
        surface_storage(zones.slope),
        np.full(minutes.size, 2.0),
        zones.longest_cycle,
        zones.soak,
    ).count
    pieces = np.array([len(z["cycles"]) for z in plan["zones"]])
    finer = np.array([len(z["cycles"]) > n and _rests(z) for z, n in zip(plan["zones"], needed, strict=True)])
    full = any("no place in the window" in w["text"] for w in plan["warnings"])
    runs = minutes > 0
    count["evenings"] += 1
    count["full nights"] += full
    if kind != "programmes":
        count["runs, full" if full else "runs, with a place for all"] += int(runs.sum())
        count["of them in their cycles, full" if full else "of them in their cycles"] += int(
            ((pieces == needed) | finer)[runs].sum()
        )
    least = np.array([z["make"]["smallest_run_min"] for z in plan["zones"]])
    said = np.array([bool(z.get("edit")) for z in plan["zones"]])
    short = np.flatnonzero(runs & ~said & (minutes < least - 1e-6))
    faults = [f"{plan['zones'][z]['id']} runs {minutes[z]:g} of {least[z]:g} min" for z in short.tolist()]
    for zone, smallest in zip(plan["zones"], least.tolist(), strict=True):
        faults += [
            f"{zone['id']} runs {night['minutes']:g} of {smallest:g} min on a later night"
            for night in zone["path"][1:]
            if 0 < night["minutes"] < smallest - 1e-6
        ][:1]
    return faults


def main(first: int, last: int) -> int:
    """Judge a range of seeds; the number that do not hold."""
    count: Counter[str] = Counter()
    wrong = 0
    for seed in range(first, last):
        with tempfile.TemporaryDirectory() as place:
            folder, kind = drawn(Path(place) / "site", seed)
            count[kind] += 1
            faults = judged(folder, kind, count)
        for fault in faults[:4]:
            sys.stdout.write(f"{seed} {kind}: {fault}\n")
        wrong += bool(faults)
        sys.stdout.flush()
    sys.stdout.write(f"{wrong} of {last - first} sites do not hold; {dict(count)}\n")
    return wrong


if __name__ == "__main__":
    raise SystemExit(min(1, main(*(int(a) for a in sys.argv[1:3]))))
