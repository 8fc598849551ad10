"""Seasons on two local workers against one after the other: `python -m tests.bench.bench_workers`, on a quiet machine.

The shipped course, three cases and as many weather years as asked, each a few nights. Told beside the two times: where
the workers' time goes (until the first of them works, at the end when the other has nothing left, what a season costs
more of the processor when both cores work), and what two cores do at best here: a loop that touches no memory, by one
process and by two.
"""

from __future__ import annotations

import argparse
import os
import resource
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from datetime import date, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path
from zoneinfo import ZoneInfo

from scheduler.planning import planned_evening
from scheduler.site import load_site
from scheduler.whatif.ahead import Lived, Start, live
from scheduler.whatif.case import AS_IT_IS, Case, read_cases
from scheduler.whatif.door import Door, Workers, run_all
from scheduler.whatif.evening import standing_evening
from scheduler.whatif.season import Ahead, _start
from scheduler.whatif.weather_years import WeatherYear
from tests.bench.bench_plan import say

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

COURSE = Path(__file__).parents[2] / "scenarios" / "dry-hills-course"
NIGHT = date(2026, 7, 14)
CASES = ("drought-order", "hill-station-out")
Took = tuple[float, float, float, int]  # began, ended [s, of the clock], processor time [s], process


def timed(start: Start, case: Case, year: WeatherYear) -> tuple[Lived, Took]:
    """Live a season and tell when, where and how long."""
    began, used = time.time(), time.process_time()
    lived = live(start, case, year)
    return lived, (began, time.time(), time.process_time() - used, os.getpid())


def spin(rounds: int) -> float:
    """Count, without touching memory [s]."""
    began, n = time.time(), 0
    for i in range(rounds):
        n += i & 3
    return time.time() - began


def processor() -> float:
    """Processor time of this process and of those it has waited for [s]."""
    own, others = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    return own.ru_utime + own.ru_stime + others.ru_utime + others.ru_stime


def at_best() -> float:
    """How much more two processes do than one, of the barest work [-]."""
    rounds = 30_000_000
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        list(pool.map(spin, [1000, 1000]))
        alone = pool.submit(spin, rounds).result()
        both = max(pool.map(spin, [rounds, rounds]))
    return 2.0 * alone / both


def measured(act: Callable[[], list[tuple[Lived, Took]]]) -> tuple[float, float, list[tuple[Lived, Took]]]:
    """Seconds of the clock and of the processor, and what came out."""
    began, used = time.time(), processor()
    out = act()
    return time.time() - began, processor() - used, out


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--years", type=int, default=8)
    parser.add_argument("--nights", type=int, default=18)
    parser.add_argument("--pairs", type=int, default=1)
    asked = parser.parse_args()
    say(f"the barest work by two processes: {at_best():.2f} times that of one")
    site = load_site(COURSE)
    made = datetime(2026, 7, 14, 20, tzinfo=ZoneInfo("UTC"))
    standing = standing_evening(planned_evening(site, NIGHT, made), site.applied)
    start, years, _ = _start(standing, Ahead(years=asked.years), NIGHT + timedelta(days=asked.nights - 1))
    tasks = [(start, case, year) for case in (AS_IT_IS, *read_cases(site, CASES, ())) for year in years]
    for _ in range(asked.pairs):
        one, cost, alone = measured(lambda: [timed(*task) for task in tasks])
        began = time.time()
        with Door(Workers(2), len(tasks), live.__module__) as door:
            door.client()
            ready = time.time() - began
            two, more, found = measured(lambda: _on(door, tasks))
        took = [t for _, t in found]
        ends = [max(t[1] for t in took if t[3] == worker) for worker in {t[3] for t in took}]
        alike = [lived.rows for lived, _ in alone] == [lived.rows for lived, _ in found]
        say(f"one after the other {one:.1f} s, {cost:.1f} of the processor")
        say(f"on two workers {two:.1f} s: {one / two:.2f}; with {ready:.1f} s to start them {one / (two + ready):.2f}")
        say(f"  this process {more:.1f} s of the processor")
        say(f"  first at work after {min(t[0] for t in took) - (max(t[1] for t in took) - two):.1f} s")
        say(f"  one had nothing left for {max(ends) - min(ends):.1f} s of the end")
        say(f"  a season costs {sum(t[2] for t in took) / sum(t[2] for _, t in alone):.2f} times; alike: {alike}")


def _on(door: Door, tasks: list[tuple[Start, Case, WeatherYear]]) -> list[tuple[Lived, Took]]:
    """All seasons on the workers, in the order of the tasks."""
    found = {done.place: done for done in run_all(timed, tasks, door, [task[1].key for task in tasks])}
    for done in found.values():
        if done.failure is not None:
            raise done.failure
    return [found[i].value for i in range(len(tasks))]


if __name__ == "__main__":
    main()
