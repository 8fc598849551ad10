"""The whole command against bare HiGHS on the same matrices.

Run: `python -m tests.bench.bench_evening [ZONES NIGHTS [REPEATS]]`.

Two sites, one on water without salt and one on reclaimed water with flushes to choose. For each repeat: `evenfall
tonight` in a process of its own (wall clock and peak memory), and HiGHS with default options on the matrices of that
evening's first solve, in another. Then the building time, from arrays to a loaded HiGHS object. Medians are printed
beside the limits the project holds itself to.
"""

from __future__ import annotations

import json
import os
import statistics
import sys
import tempfile
import time
from dataclasses import replace
from datetime import date
from pathlib import Path

import highspy

from models.plan.flush_needs import FlushNeeds
from models.plan.inputs import PlanInputs
from models.plan.solve import PlanSolver
from scheduler import evening
from scheduler.nights import local_now
from scheduler.plan.inputs import NightInputs
from scheduler.site import Site, load_site
from tests.sites import make_site

NIGHT = date(2026, 7, 14)
LIMIT_FACTOR, LIMIT_ADDED = 1.25, 3.0  # of the bare solve; [s]
LIMIT_MEMORY = 2048  # [MiB]
LIMIT_BUILD = {(2400, 10): 3.0, (600, 7): 0.3}  # [s]
SITES: dict[str, dict[str, object]] = {"without salt": {"water_ec": 0.0}, "with flushes": {}}


def main(zones: int = 2400, nights: int = 10, repeats: int = 5) -> None:
    """Measure and print."""
    middle = statistics.median
    for name, options in SITES.items():
        with tempfile.TemporaryDirectory() as place:
            folder = make_site(Path(place) / "site", zones=zones, nights=nights, **options)
            model = Path(place) / "evening.mps"
            builds = in_process(build_times, folder, repeats, model)
            whole, memory, bare = [], [], []
            for repeat in range(1, repeats + 1):
                wall, peak = run_command(folder)
                whole.append(wall)
                memory.append(peak)
                bare.extend(in_process(bare_solve, model))
                say(f"repeat {repeat}: command {wall:.1f} s, {peak:.0f} MiB; bare HiGHS {bare[-1]:.1f} s")
        limit = LIMIT_FACTOR * middle(bare) + LIMIT_ADDED
        say(f"\n{zones} zones x {nights} nights, {name}, medians of {repeats} on {os.cpu_count()} cores")
        say(f"  whole command      {middle(whole):6.1f} s   limit {limit:.1f} s (1.25 x bare + 3 s)")
        say(f"  bare HiGHS         {middle(bare):6.1f} s")
        say(f"  peak memory        {max(memory):6.0f} MiB limit {LIMIT_MEMORY} MiB")
        say_build(zones, nights, builds)
        with tempfile.TemporaryDirectory() as place:
            small = make_site(Path(place) / "small", zones=600, nights=7, **options)
            say_build(600, 7, in_process(build_times, small, repeats))


def say_build(zones: int, nights: int, times: list[float]) -> None:
    """Print how long a plan took to build."""
    allowed = LIMIT_BUILD.get((zones, nights))
    beside = f"  limit {allowed} s" if allowed else ""
    say(f"  build {zones:5d} x {nights:2d}    {statistics.median(times):6.2f} s {beside}")


class _Captured(Exception):
    """What an evening would solve first."""

    def __init__(self, inputs: PlanInputs, needs: FlushNeeds) -> None:
        self.inputs, self.needs = inputs, needs


def first_program(folder: Path) -> _Captured:
    """Arrays and flushes of the program an evening solves first: that of the expected weather alone."""

    def stop(site: Site, inputs: NightInputs, needs: FlushNeeds, *_: object) -> None:
        raise _Captured(replace(inputs.plan, members=None), needs)

    site = load_site(folder)
    ordinary, evening.night_of_weathers = evening.night_of_weathers, stop
    try:
        evening.plan_tonight(site, NIGHT, local_now(site))
    except _Captured as found:
        return found
    finally:
        evening.night_of_weathers = ordinary
    raise SystemExit("the evening ended without a program to solve")


def build_times(folder: Path, repeats: int, model: Path | None = None) -> list[float]:
    """Seconds from arrays to a loaded HiGHS object; writes the matrices if asked."""
    program = first_program(folder)
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        solver = PlanSolver(program.inputs, program.needs)
        times.append(time.perf_counter() - start)
    if model is not None:
        solver.program.highs.writeModel(str(model))
    return times


def run_command(folder: Path, night: date = NIGHT) -> tuple[float, float]:
    """Wall clock [s] and peak memory [MiB] of the whole command in a process of its own."""
    code = "import sys; sys.argv[0] = 'evenfall'; from scheduler.__main__ import main; main()"
    arguments = [sys.executable, "-c", code, "tonight", str(folder), "--night", night.isoformat()]
    start = time.perf_counter()
    child = os.posix_spawn(
        sys.executable, arguments, os.environ, file_actions=[(os.POSIX_SPAWN_OPEN, 1, os.devnull, os.O_WRONLY, 0)]
    )
    _, status, usage = os.wait4(child, 0)
    wall = time.perf_counter() - start
    if status:
        raise SystemExit(f"the command ended with status {os.waitstatus_to_exitcode(status)}")
    return wall, usage.ru_maxrss / 1024


def bare_solve(model: Path) -> list[float]:
    """Seconds HiGHS takes with default options, reading aside."""
    highs = highspy.Highs()
    highs.setOptionValue("output_flag", False)
    highs.readModel(str(model))
    start = time.perf_counter()
    highs.run()
    return [time.perf_counter() - start]


def in_process(work, *arguments) -> list[float]:
    """Run in a fresh process, so that no repeat serves the next and this process stays small.

    The memory a process has before it turns into another program is part of the peak the system reports for it.
    """
    reader, writer = os.pipe()
    child = os.fork()
    if not child:
        os.write(writer, json.dumps(work(*arguments)).encode())
        os._exit(0)
    os.close(writer)
    with os.fdopen(reader) as answer:
        found = json.loads(answer.read())
    os.waitpid(child, 0)
    return found


def say(text: str) -> None:
    """Print a line at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:4]))
