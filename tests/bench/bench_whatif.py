"""A sweep against a cold solve, and a season ahead against an evening: `python -m tests.bench.bench_whatif [nights]`.

Processor time of this process, so that another program on the machine does not count; the season is one case in one
weather year at 150 zones.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from scheduler.evening import plan_tonight
from scheduler.planning import planned_evening
from scheduler.site import load_site
from scheduler.whatif.ahead import live
from scheduler.whatif.case import AS_IT_IS
from scheduler.whatif.evening import standing_evening
from scheduler.whatif.season import Ahead, _start
from scheduler.whatif.sweep import read_sweep, sweep
from tests.bench.bench_plan import say
from tests.sites import SiteOptions, make_site

MADE = datetime(2026, 7, 14, 20, tzinfo=UTC)
EVENING = SiteOptions().evening


def main() -> None:
    """Print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("nights", type=int, nargs="?", default=120)
    parser.add_argument("--zones", type=int, default=150)
    parser.add_argument("--site", type=Path, help="a folder in place of the made site")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = asked.site or make_site(Path(scratch) / "site", zones=asked.zones, seed=1, allocation_left=0.9)
        began = time.process_time()
        site = load_site(folder)
        plan_tonight(site, EVENING, MADE)
        evening = time.process_time() - began
        say(f"an evening of {len(site.zones)} zones: {evening:.1f} s")
        standing = standing_evening(planned_evening(site, EVENING, MADE), site.applied)
        began = time.process_time()
        sweep(standing, *read_sweep("allocation_factor=1.0..0.2/20"))
        say(f"a sweep of 20 points: {time.process_time() - began:.1f} s")
        last = EVENING + timedelta(days=asked.nights - 1)
        start, years, _ = _start(standing, Ahead(years=1), last)
        began = time.process_time()
        live(replace(start, last=last), AS_IT_IS, years[0])
        season = time.process_time() - began
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        say(f"a season of {asked.nights} nights: {season:.1f} s, {season / evening:.1f} evenings; {most:.0f} MiB")


if __name__ == "__main__":
    main()
