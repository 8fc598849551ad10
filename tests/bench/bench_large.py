"""Large plans that one limit ties together: begun from their parts, against HiGHS from nothing on the same matrices.

Run by hand: `python -m tests.bench.bench_large [--zones 2400] [--nights 10] [--seeds 0] [--repeats 3] [--skip-bare]`.

Made sites of one pump, 60 zones a branch or fewer, and reclaimed water, so that every green is in question for a flush:
short of water for the season, short of it by a little, short of pump as well, and under an order for every night. For
each: processor seconds from the loaded plan to the solved relaxation, beside those of a cold dual simplex without
presolve (which is the faster here), in turn; and the objectives, which must agree.
"""

from __future__ import annotations

import argparse
import itertools
import statistics
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from models.plan.highs import Program
from models.plan.inputs import Cut, PlanInputs
from models.plan.solve import PlanSolver
from tests.bench.bench_evening import _Captured, first_program
from tests.bench.bench_plan import say, timed
from tests.sites import make_site


def kinds(inputs: PlanInputs) -> Iterator[tuple[str, PlanInputs]]:
    """The plan short of this and that."""
    drunk = (np.maximum(inputs.etc - inputs.effective_rain, 0.0) * inputs.area[:, None] / 1000.0).sum(axis=0)
    order = Cut("order", np.ones(inputs.zones, dtype=bool), np.cumsum(drunk))
    yield "half the water", inputs
    yield "nearly enough water", replace(inputs, allocation=1.6 * inputs.allocation)
    yield (
        "half the pump, a third of the water",
        replace(inputs, pump_capacity=0.5 * inputs.pump_capacity, allocation=0.6 * inputs.allocation),
    )
    yield "half the pump", replace(inputs, pump_capacity=0.5 * inputs.pump_capacity)
    yield "an order for every night", replace(inputs, cuts=(order,))


def bench(program: _Captured, repeats: int, with_bare: bool) -> None:
    """Measure one site and print its lines."""
    for name, inputs in kinds(program.inputs):
        ours, bare, off = [], [], 0.0
        for _ in range(repeats):
            solver = PlanSolver(inputs, program.needs)
            whole = solver.whole
            if whole is None:
                raise SystemExit("the plan is too small to be taken apart")
            ours.append(timed(solver.relax))
            if with_bare:
                cold = Program(whole, large=True)
                bare.append(timed(cold.run))
                off = max(off, abs(cold.objective() / solver.program.objective() - 1.0))
        clock, processor = (statistics.median(column) for column in zip(*ours, strict=True))
        line = f"  {name:<38}{processor:7.1f} s of processor, {clock:6.1f} s by the clock"
        if with_bare:
            ratio = statistics.median(b[1] / o[1] for o, b in zip(ours, bare, strict=True))
            line += f"   cold {statistics.median(b[1] for b in bare):7.1f} s: {ratio:4.1f} times, off by {off:.0e}"
        say(line)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--zones", nargs="+", type=int, default=[2400])
    parser.add_argument("--nights", type=int, default=10)
    parser.add_argument("--seeds", nargs="+", type=int, default=[0])
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--skip-bare", action="store_true")
    options = parser.parse_args()
    for zones, seed in itertools.product(options.zones, options.seeds):
        with tempfile.TemporaryDirectory() as place:
            site = {"pumps": 1, "zones_per_branch": 40, "allocation_left": 0.6, "water_ec": 1.8, "seed": seed}
            program = first_program(make_site(Path(place) / "site", zones=zones, nights=options.nights, **site))
        say(f"{zones} x {options.nights}, seed {seed}, {program.needs.zone.size} zones in question for a flush")
        bench(program, options.repeats, not options.skip_bare)


if __name__ == "__main__":
    main()
