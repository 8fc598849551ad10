"""How long the plan takes to build and solve, against bare HiGHS on the same matrices. Run by hand.

python -m tests.bench.bench_plan                    600 x 7 and 2,400 x 10, five repeats each
python -m tests.bench.bench_plan --sizes 600x7 --repeats 3 --skip-bare

Build is from the arrays to a loaded HiGHS object. Bare HiGHS gets the matrices at default options. Peak memory is that
of the process after the size named, so sizes run from small to large.
"""

from __future__ import annotations

import argparse
import gc
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import highspy

from models.plan.inputs import PlanInputs
from models.plan.solve import PlanSolver
from scheduler.plan.inputs import night_inputs
from scheduler.site import load_site
from scheduler.site.windows import night_windows
from scheduler.state.demand import evening_demand
from scheduler.state.evening import starting_state
from scheduler.supply import net_rates
from tests.sites import make_site

NIGHT = date(2026, 7, 14)
SHORT_OF = 0.8  # water left for the season against its demand [-]


def say(text: str) -> None:
    """Print a line at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def evening_inputs(folder: Path, zones: int, nights: int, seed: int = 1) -> PlanInputs:
    """The arrays of one evening of a made site, by the steps of `scheduler.evening`."""
    site = load_site(make_site(folder, zones=zones, nights=nights, seed=seed, allocation_left=SHORT_OF))
    windows = night_windows(site, NIGHT, nights)
    demand = evening_demand(site, NIGHT, nights)
    opens, _ = site.window.of(NIGHT)
    state = starting_state(site, NIGHT, opens, demand, net_rates(site))
    return night_inputs(site, NIGHT, windows, demand, state).plan


def timed(act: Callable[[], object]) -> tuple[float, float]:
    """Seconds by the clock and of the processor."""
    gc.collect()
    wall, processor = time.perf_counter(), time.process_time()
    act()
    return time.perf_counter() - wall, time.process_time() - processor


def bare(solver: PlanSolver) -> highspy.Highs:
    """HiGHS at default options with the same matrices."""
    highs = highspy.Highs()
    highs.setOptionValue("output_flag", False)
    highs.passModel(solver.program.highs.getLp())
    return highs


def fresh(inputs: PlanInputs) -> PlanInputs:
    """The inputs without what they have already worked out."""
    for name in ("runs", "water_per_minute", "net_share"):
        inputs.__dict__.pop(name, None)
    return inputs


def bench(zones: int, nights: int, repeats: int, with_bare: bool) -> None:
    """Measure one size and print its lines."""
    with tempfile.TemporaryDirectory() as folder:
        inputs = evening_inputs(Path(folder), zones, nights)
    found: dict[str, list[tuple[float, float]]] = {}

    def measure(name: str, act: Callable[[], object]) -> None:
        found.setdefault(name, []).append(timed(act))

    made: list[PlanSolver] = []
    for _ in range(repeats):
        made.clear()
        measure("build", lambda: made.append(PlanSolver(fresh(inputs))))
        solver = made[0]
        measure("solve, with results", solver.solve)
        if with_bare:
            highs = bare(solver)
            measure("bare HiGHS", highs.run)
        solver.edit(replace(inputs, allocation=inputs.allocation * 0.95))
        measure("solve again, allocation 5 % less", solver.solve)
    lp = solver.program.highs.getLp()
    say(f"{zones} x {nights}: {lp.num_row_} rows, {lp.num_col_} columns, {len(lp.a_matrix_.value_)} entries")
    for name, times in found.items():
        wall, processor = (statistics.median(t) for t in zip(*times, strict=True))
        say(f"  {name:<34}{wall:8.2f} s   (processor {processor:.2f} s)")
    say(f"  {'peak memory':<34}{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:8.0f} MiB")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", nargs="+", default=["600x7", "2400x10"])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--skip-bare", action="store_true")
    options = parser.parse_args()
    for size in options.sizes:
        zones, nights = (int(part) for part in size.split("x"))
        bench(zones, nights, options.repeats, not options.skip_bare)


if __name__ == "__main__":
    main()
