"""How long cases and sweeps of one plan take against solving it from nothing. Run by hand.

python -m tests.bench.bench_cases                  600 x 7 and 2,400 x 10, three seeds
python -m tests.bench.bench_cases --sizes 600x7 --seeds 7 8

Processor time of plans for one weather, as tonight's is where a limit binds. Each case stands against the first plan,
built and solved as `tonight` does, against building and solving it anew, and against bare HiGHS from nothing on the
same matrices in the same run, at default options and as plain dual simplex without presolve; objectives must agree.
Sweeps go from all to half of something in twenty steps, of ET to a fifth more; they are cut in two pieces solved side
by side, so time by the clock counts, on a quiet machine of two cores.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from models.plan.cases import Cases
from models.plan.inputs import PlanInputs
from models.plan.solve import PlanSolver
from tests.bench.bench_plan import bare, evening_inputs, fresh, say, timed

STEPS = 20


def changed(inputs: PlanInputs) -> dict[str, PlanInputs]:
    """One case of each kind."""
    bans = inputs.allowed.copy()
    bans[:, 1::2] = False
    share = np.ones((inputs.pump_capacity.size, inputs.nights))
    share[0, :3] = 0.0
    out = ((inputs.pump_of_zone == 0)[:, None] & (share[0] == 0.0))[:, :, None]
    return {
        "nothing": inputs,
        "a fifth less water": replace(inputs, allocation=0.8 * inputs.allocation),
        "half the water": replace(inputs, allocation=0.5 * inputs.allocation),
        "a pump out three nights": replace(inputs, pump_share=share, allowed=inputs.allowed & ~out),
        "half the pump": replace(inputs, pump_capacity=0.5 * inputs.pump_capacity),
        "every other night": replace(inputs, allowed=bans),
        "ET a tenth higher": replace(inputs, etc=1.1 * inputs.etc),
        "no rain": replace(inputs, effective_rain=np.zeros_like(inputs.effective_rain)),
    }


def sweeps(inputs: PlanInputs) -> dict[str, list[PlanInputs]]:
    """Twenty points of one thing and another."""
    share = np.linspace(1.0, 0.5, STEPS)
    return {
        "allocation": [replace(inputs, allocation=inputs.allocation * f) for f in share],
        "pump": [replace(inputs, pump_capacity=inputs.pump_capacity * f) for f in share],
        "price of water": [replace(inputs, source_price=inputs.source_price / f) for f in share],
        "ET": [replace(inputs, etc=inputs.etc * (1.4 - 0.4 * f)) for f in share],  # up to a fifth more
    }


def seconds(act: Callable[[], object]) -> float:
    """Seconds of the processor."""
    return timed(act)[1]


def bare_seconds(inputs: PlanInputs) -> tuple[float, float]:
    """Processor seconds of bare HiGHS from nothing on a plan's matrices: default options; dual simplex, no presolve."""
    solver = PlanSolver(fresh(inputs))
    default, plain = bare(solver), bare(solver)
    plain.setOptionValue("solver", "simplex")
    plain.setOptionValue("presolve", "off")
    return seconds(default.run), seconds(plain.run)


def bench(zones: int, nights: int, seed: int) -> None:
    """Measure one site and print its lines."""
    with tempfile.TemporaryDirectory() as folder:
        inputs = replace(evening_inputs(Path(folder), zones, nights, seed), members=None)
    first = seconds(lambda: PlanSolver(fresh(inputs)).solve())  # written in Pyomo, as tonight's is
    cases = Cases(fresh(inputs))
    say(f"{zones} x {nights}, seed {seed}: first build and solve {first:.2f} s")
    cold, found = [], []
    for name, wanted in changed(inputs).items():
        warm = seconds(lambda w=wanted: found.append(cases.solver(fresh(w)).solve().objective))  # type: ignore[misc]
        cold.append(seconds(lambda w=wanted: found.append(PlanSolver(fresh(w)).solve().objective)))  # type: ignore[misc]
        off = abs(found[-2] / found[-1] - 1.0)
        default, plain = bare_seconds(wanted)
        against = f"bare HiGHS {default:.2f}, dual {plain:.2f} s: {warm / default:.2f}, {warm / plain:.2f} of them"
        say(
            f"  {name:<24}{warm:6.2f} s, {warm / first:.2f} of the first; anew {cold[-1]:.2f} s; {against}; "
            f"off by {off:.0e}"
        )
    anew = timed(lambda: PlanSolver(fresh(inputs)).solve())
    default, plain = bare_seconds(inputs)
    say(f"  as things stand: anew {anew[1]:.2f} s, bare HiGHS {default:.2f} s, its dual simplex {plain:.2f} s")
    for name, points in sweeps(inputs).items():
        took = timed(lambda p=points: list(cases.sweep((fresh(one), None) for one in p)))  # type: ignore[misc]
        clock, processor = (a / b for a, b in zip(took, anew, strict=True))
        by = f"by the clock {clock:.1f}, of the processor {processor:.1f}"
        of_bare = f"in runs of bare HiGHS {took[1] / default:.1f}, of its dual simplex {took[1] / plain:.1f}"
        say(f"  sweep of {name}: {took[1]:.2f} s; in cold solves {by}; {of_bare}")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", nargs="+", default=["600x7", "2400x10"])
    parser.add_argument("--seeds", nargs="+", type=int, default=[1, 2, 3])
    asked = parser.parse_args()
    for size in asked.sizes:
        zones, nights = (int(part) for part in size.split("x"))
        for seed in asked.seeds:
            bench(zones, nights, seed)


if __name__ == "__main__":
    main()
