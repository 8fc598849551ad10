"""A whole season on reclaimed water: salt, water and what flushes did. Run by hand.

python -m tests.bench.bench_reclaimed                       150 days
python -m tests.bench.bench_reclaimed --variants --days 75  only forecasts of flushes, in every kind of finer soil
python -m tests.bench.bench_reclaimed --first               the first flush of 48 zones, in every kind of finer soil
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np

from models.salts import leaching_requirement
from tests.bench.bench_plan import say
from tests.end_to_end.fine_soil import VARIANTS
from tests.end_to_end.first_flush import first_flush
from tests.end_to_end.reclaimed import ECW, Season, place, protected, season


def off_forecast(found: Season) -> np.ndarray:
    """ECe after each flush against its forecast [-]."""
    return np.array([f["after"] / f["forecast"] for f in found.flushes])


def how_near(name: str, off: np.ndarray, more: str = "") -> None:
    """One line of a kind of soil: how far the forecasts of its flushes were off."""
    low, middle, high = np.quantile(off, [0.1, 0.5, 0.9])
    within = np.mean(abs(off - 1) <= 0.2)
    spread = f"median {middle:.2f}, tenths {low:.2f} to {high:.2f}"
    say(f"{name:<16}{off.size:4d} flushes: {spread}, within 20 % {within:4.0%}{more}")


def variants(days: int) -> None:
    """How near the forecast comes in soils that work in different ways."""
    every = []
    for name, physics in VARIANTS.items():
        with tempfile.TemporaryDirectory() as folder:
            found = season(place(Path(folder) / "a", days), days, planned=True, physics=physics)
        every.append(off_forecast(found))
        over, water = found.over[found.greens].sum(), found.water[found.greens].mean()
        how_near(name, every[-1], f"; greens {over:3.0f} zone-days over, {water:.0f} mm")
    how_near("all", np.concatenate(every))


def firsts(catch: float) -> None:
    """How near the forecast of a first flush comes, where zones catch `catch` times the water of the plan."""
    every = []
    for name, physics in VARIANTS.items():
        with tempfile.TemporaryDirectory() as folder:
            found = first_flush(Path(folder) / "a", physics, catch)
        every.append(found.off)
        fell = np.mean(found.above_after < found.above_before)
        how_near(name, found.off, f"; salt above the lower probe fell in {fell:.0%}")
    how_near("all", np.concatenate(every))


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=150)
    parser.add_argument("--variants", action="store_true")
    parser.add_argument("--first", action="store_true")
    parser.add_argument("--catch", type=float, default=1.0, help="with --first: water a zone gets over the plan's")
    options = parser.parse_args()
    days = options.days
    if options.first:
        firsts(options.catch)
        return
    if options.variants:
        variants(days)
        return
    with tempfile.TemporaryDirectory() as folder:
        site = place(Path(folder) / "a", days)
        share = float(leaching_requirement(ECW, float(site.zones.ece_threshold[0])))
        began = time.perf_counter()
        ours = season(site, days, planned=True)
        took = time.perf_counter() - began
        others = (("plain ET", season(site, days, False)), ("ET and leaching", season(site, days, False, share)))
    for name, found in (("planned", ours), *others):
        on = found.greens
        say(f"{name:<16} greens: {found.over[on].sum():5.0f} zone-days over, {found.water[on].mean():6.1f} mm net each")
    off = off_forecast(ours)
    low, middle, high = np.quantile(off, [0.1, 0.5, 0.9])
    say(f"{off.size} flushes; ECe after against forecast: median {middle:.2f}, tenths {low:.2f} to {high:.2f}, ")
    say(f"  worst {off[np.argmax(abs(off - 1))]:.2f}; within 20 %: {np.mean(abs(off - 1) <= 0.2):.0%}")
    below = np.mean([f["above_after"] < f["above_before"] for f in ours.flushes])
    say(f"  salt above the lower probe fell in {below:.0%}")
    shut = sum(f["zone"][0] == "G" and protected(f["night"]) for f in ours.flushes)
    say(f"  flushes of greens in protected nights: {shut}")
    say(f"{took:.0f} s for {days} evenings")


if __name__ == "__main__":
    main()
