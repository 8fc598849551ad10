"""How long it takes to choose flushes, and the gap left. Run by hand.

python -m tests.bench.bench_flush                     100 of 600 x 7 and 300 of 2,400 x 10, seven cases each
python -m tests.bench.bench_flush --sizes 100of600x7 --repeats 2

A made site, of which zones drawn at random need a flush. The cases differ in how much of the pump the horizon's water
and all flushes together would take (0.8 to 1.2), in what waiting costs, and in rain; nights 2 and 3 are protected on
half of the zones. Each zone is offered upkeep on the nights it is
watered; a flush lasts 5 to 20 days. Peak memory is that of the process after the size named.
"""

from __future__ import annotations

import argparse
import re
import resource
import statistics
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from models.plan.flush_choice import WIDEST_GAP
from models.plan.flush_needs import FlushNeeds, Upkeep
from models.plan.inputs import PlanInputs
from models.plan.solve import PlanSolver
from scheduler.salinity.upkeep import upkeep_depths
from tests.bench.bench_plan import evening_inputs, say, timed

# load of the pump [-], ET lost to salt in the first and the last night [mm], dates of rain
CASES = ((0.8, 0.02, (), "small harm"), (0.9, 0.5, (), "large harm"), (1.0, 0.1, (2,), "rain"))
CASES += ((1.1, 0.5, (), "tight"), (1.2, 0.1, (4,), "over-full, rain"))
SEEDS = (0, 1, 2, 3, 4)
# the hardest of twenty drawn besides
CASES += ((0.8912, 0.0920, (4,), "drawn, loose"), (1.1803, 0.1127, (4,), "drawn, tight"))
SEEDS += (102, 118)


def case(
    inputs: PlanInputs, flushing: int, load: float, harm: float, rainy: tuple[int, ...], seed: int
) -> tuple[PlanInputs, FlushNeeds]:
    """One case: the site's arrays with its pump cut to the load, and what the drawn zones need."""
    rng = np.random.default_rng(seed)
    z, n = inputs.zones, inputs.nights
    zone = np.sort(rng.choice(z, flushing, replace=False))
    depth = rng.uniform(10.0, 60.0, flushing)
    # with the other supplies a tenth less each, where a zone has any
    by_supply = depth[:, None] * 0.9 ** np.arange(inputs.zone_supply.shape[1])[None, :]
    by_supply = np.where(inputs.zone_supply[zone], by_supply, np.nan)
    allowed = np.ones((flushing, n), dtype=bool)
    allowed[rng.random(flushing) < 0.5, 2:4] = False
    rise = np.linspace(0.2, 1.0, n)[None, :] * rng.uniform(0.0, 2.0, (flushing, 1)) * harm
    held = 0.2 * inputs.etc[zone]
    leach = upkeep_depths(inputs, zone, allowed, np.full(flushing, 3.7), np.full(flushing, 1.4))
    owed = np.sort(rng.uniform(0.3, 1.5, (2, flushing)), axis=0)
    upkeep = Upkeep(leach, 0.3 * rise, 0.3 * rise[:, -1] * 7.0, owed[0], owed[1])
    late, lasts = rise[:, -1] * 7.0, rng.uniform(5.0, 20.0, flushing)
    needs = FlushNeeds(zone, by_supply, allowed, rise, late, lasts=lasts, held=held, upkeep=upkeep)
    rain = inputs.effective_rain.copy()
    rain[:, list(rainy)] = 12.0
    net = inputs.etc.sum(axis=1) + inputs.depletion
    net[zone] += depth + 0.2 * inputs.etc[zone].mean(axis=1)
    gross = net * inputs.area / 1000.0 / inputs.net_share  # m3
    capacity = inputs.pump_capacity.copy()
    minutes = inputs.block_length.sum()
    for p in range(capacity.size):
        capacity[p] = gross[inputs.pump_of_zone == p].sum() * 1000.0 / 60.0 / minutes / load
    longest = inputs.max_run.copy()
    longest[zone] = np.maximum(longest[zone], (depth + inputs.taw[zone]) / inputs.net_rate[zone] * 0.6)
    changed = replace(
        inputs, effective_rain=rain, pump_capacity=capacity, max_run=longest, allocation=np.inf, tiers=()
    )  # fmt: skip
    return changed, needs


def bench(flushing: int, zones: int, nights: int, repeats: int) -> None:
    """Measure one size and print its lines."""
    with tempfile.TemporaryDirectory() as folder:
        inputs = evening_inputs(Path(folder), zones, nights)
    builds, solves = [], []
    say(f"{flushing} of {zones} x {nights}")
    for i, (load, harm, rain, name) in enumerate(CASES[:repeats]):
        arrays, needs = case(inputs, flushing, load, harm, rain, SEEDS[i])
        made: list[PlanSolver] = []
        build, _ = timed(lambda arrays=arrays, needs=needs, made=made: made.append(PlanSolver(arrays, needs)))
        found: list = []
        solve, _ = timed(lambda made=made, found=found: found.append(made[0].solve()))
        builds.append(build)
        solves.append(solve)
        result = found[0]
        say(
            f"  load {load:.1f}, {name:<16}{made[0].copies.zone.size - zones + flushing:6d} ways   build {build:6.2f} s"
            f"   solve {solve:6.2f} s   gap {100 * result.gap:.3f} % (asked {100 * WIDEST_GAP:.0f})"
            f"   {len(result.flushes)} flushes, {len(result.upkeep)} upkeep"
        )
    say(f"  median: build {statistics.median(builds):.2f} s, solve {statistics.median(solves):.2f} s")
    say(f"  peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:8.0f} MiB")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", nargs="+", default=["100of600x7", "300of2400x10"])
    parser.add_argument("--repeats", type=int, default=len(CASES))
    options = parser.parse_args()
    for size in options.sizes:
        flushing, zones, nights = (int(part) for part in re.split("of|x", size))
        bench(flushing, zones, nights, options.repeats)


if __name__ == "__main__":
    main()
