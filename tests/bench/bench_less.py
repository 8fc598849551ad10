"""Whether less water ever gives less stress: chains of cases on drawn sites of 6 to 29 zones. Run by hand.

    python -m tests.bench.bench_less FIRST LAST [hours] [pumps] [allocation] [week] [nights]

Each case of a chain has less than the one before; tonight as it is stands before them all. Of every pair of a chain, in
one command and asked one by one, are counted those where a rank is less dry with less by over 0.15 mm-day and no rank
above it is drier, and those where the sum over ranks is less by as much, told apart by whether a rank above is drier.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from scheduler.planning import planned_evening
from scheduler.site import load_site
from scheduler.whatif.case import read_cases
from scheduler.whatif.evening import Standing, plan_case, side_by_side, standing_evening
from scheduler.whatif.less import TOLD_APART, Outcome
from tests.bench.bench_plan import say
from tests.sites import SiteOptions, make_site

MADE = datetime(2026, 7, 14, 20, tzinfo=UTC)
EVENING = SiteOptions().evening
LEAST = 0.15  # [mm] of dryness over a rank's zones and days, from which a pair counts
SHARES = (0.9, 0.75, 0.6, 0.45, 0.3)
DAYS = "Tuesday Wednesday Thursday Friday Saturday Sunday".split()


def drawn(seed: int) -> dict[str, object]:
    """What the site of a seed is made with."""
    r = random.Random(f"law {seed}")
    return {
        "zones": r.randint(6, 29), "nights": r.choice((3, 4, 5, 7)), "load": round(r.uniform(0.5, 1.3), 2),
        "allocation_left": r.choice((None, 0.6, 0.9, 1.2)), "pumps": r.choice((1, 1, 2, 3)), "probes": r.random() < 0.5,
        "zones_per_branch": r.choice((4, 8, 25)), "zones_per_controller": r.choice((6, 40)),
        "hot": round(r.uniform(0.8, 1.4), 2), "storm": r.choice((0.0, 0.0, 6.0, 15.0)),
        "resolution": r.choice((1, 60, 60, 120)), "water_ec": r.choice((0.0, 0.4, 1.2)),
        "units": r.choice(("metric", "us")),
    }  # fmt: skip


def chains() -> dict[str, list[str]]:
    """Cases of each kind, those of more first; the window is open from 21:00 to 05:00."""
    return {
        "hours": [f'hours_forbidden=["0{5 - k}:00-05:00"]' for k in range(1, 6)]
        + ['hours_forbidden=["23:00-24:00","00:00-05:00"]'],
        "pumps": [f"pump_capacity_factor={f}" for f in (*SHARES, 0.2)],
        "allocation": [f"allocation_factor={f}" for f in (*SHARES, 0.15)],
        "week": [f"nights_a_week={k}" for k in (5, 4, 3, 2)],
        "nights": [
            "nights_allowed=[" + ",".join(f'"{day}"' for day in DAYS[:k]) + "]" for k in (6, 5, 4, 3, 2)
        ],
    }  # fmt: skip


def judged(outcomes: Sequence[Outcome]) -> tuple[float, float, float]:
    """The most by which a rank is less dry out of order, and a sum without and with a drier rank above it [mm]."""
    priority = outcomes[0].plan.site.zones.priority
    dry = [np.array([o.course.dry[priority == k].sum() for k in np.unique(priority)]) for o in outcomes]
    ranks, sums, by_rank = 0.0, 0.0, 0.0
    for i, more in enumerate(dry):
        for less in dry[i + 1 :]:
            change = less - more
            out_of_order = [float(-c) for k, c in enumerate(change) if c < -LEAST and (change[:k] <= TOLD_APART).all()]
            fall = float(max(-change.sum(), 0.0))
            ranks = max([ranks, *out_of_order])
            sums, by_rank = (max(sums, fall), by_rank) if out_of_order else (sums, max(by_rank, fall))
    return ranks, sums, by_rank


def site_of(seed: int, folder: Path) -> Standing:
    """The standing evening of a seed."""
    site = load_site(make_site(folder, seed=seed, **drawn(seed)))  # type: ignore[arg-type]
    return standing_evening(planned_evening(site, EVENING, MADE), site.applied)


def main(first: int, last: int, kinds: Sequence[str]) -> None:
    """Judge a range of seeds."""
    count: Counter[tuple[str, str, str]] = Counter()
    for seed in range(first, last + 1):
        began = time.time()
        with tempfile.TemporaryDirectory() as place:
            standing = site_of(seed, Path(place) / "site")
            site, told = standing.planned.site, []
            for kind in kinds or chains():
                if kind == "allocation" and site.allocation is None:
                    continue
                alone = [plan_case(standing, read_cases(site, [], [given])[0]) for given in chains()[kind]]
                for how, found in (("together", side_by_side(alone)), ("alone", alone)):
                    names = "ranks", "sums", "sums by rank"
                    for what, by in zip(names, judged([standing.as_it_is, *found]), strict=True):
                        count[kind, how, what] += by > LEAST
                        told += [f"{kind} {how} {what} {by:.2f}"] if by > LEAST else []
        say(f"{seed}: {time.time() - began:.0f} s; " + "; ".join(told))
    say(f"of {last + 1 - first} sites, in mm-days over {LEAST}: " + ", ".join(
        f"{' '.join(key)} {n}" for key, n in sorted(count.items()) if n
    ))  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3:])
