"""How long cases and sweeps of one plan take against solving it from nothing. Run by hand.

python -m tests.bench.bench_cases                  600 x 7 and 2,400 x 10
python -m tests.bench.bench_cases --sizes 600x7

Cold is building and solving a plan anew, measured in the same run for every case; the sweep lowers the allocation from
all to half of it in twenty steps.
"""

from __future__ import annotations

import argparse
import gc
import statistics
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from models.plan.cases import Cases
from models.plan.inputs import PlanInputs
from models.plan.solve import PlanSolver
from tests.bench.bench_plan import evening_inputs, fresh, say

STEPS = 20


def changed(inputs: PlanInputs) -> dict[str, PlanInputs]:
    """One case of each kind."""
    bans = inputs.allowed.copy()
    bans[:, 1::2] = False
    return {
        "nothing": inputs,
        "a fifth less water": replace(inputs, allocation=0.8 * inputs.allocation),
        "half the pump": replace(inputs, pump_capacity=0.5 * inputs.pump_capacity),
        "every other night": replace(inputs, allowed=bans),
        "ET a tenth higher": replace(inputs, etc=1.1 * inputs.etc),
        "no rain": replace(inputs, effective_rain=np.zeros_like(inputs.effective_rain)),
    }


def seconds(act: Callable[[], object]) -> float:
    """Seconds of the clock."""
    gc.collect()
    begun = time.perf_counter()
    act()
    return time.perf_counter() - begun


def bench(zones: int, nights: int) -> None:
    """Measure one size and print its lines."""
    with tempfile.TemporaryDirectory() as folder:
        inputs = evening_inputs(Path(folder), zones, nights)
    made: list[Cases] = []
    first = seconds(lambda: made.append(Cases(fresh(inputs))))
    cases = made[0]
    say(f"{zones} x {nights}: first build and solve {first:.2f} s")
    cold = []
    for name, wanted in changed(inputs).items():
        warm = seconds(lambda w=wanted: cases.solver(fresh(w)).solve())  # type: ignore[misc]
        cold.append(seconds(lambda w=wanted: PlanSolver(fresh(w)).solve()))  # type: ignore[misc]
        say(f"  {name:<22}{warm:7.2f} s   cold {cold[-1]:.2f} s   {warm / cold[-1]:.2f}")
    points = [replace(inputs, allocation=inputs.allocation * f) for f in np.linspace(1.0, 0.5, STEPS)]
    took = seconds(lambda: list(cases.sweep(fresh(p) for p in points)))
    say(f"  sweep of {STEPS}: {took:.2f} s, {took / statistics.median(cold):.1f} cold solves")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", nargs="+", default=["600x7", "2400x10"])
    for size in parser.parse_args().sizes:
        zones, nights = (int(part) for part in size.split("x"))
        bench(zones, nights)


if __name__ == "__main__":
    main()
