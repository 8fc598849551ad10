"""Five years of nights of 150 zones: the account of all of them against one evening of the same site, in pairs.

By hand: `python -m tests.bench.bench_season`. The nights are those of the shipped course, repeated.
"""

from __future__ import annotations

import csv
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
from datetime import date, timedelta
from pathlib import Path

COURSE = Path(__file__).parents[2] / "scenarios" / "dry-hills-course"
FIRST, LAST = date(2021, 7, 15), date(2026, 7, 13)
PAIRS = 3


def repeated(name: str, first: date, last: date, site: Path) -> None:
    """Write a series of the course again and again until it fills the years."""
    head, *rows = csv.reader((COURSE / name).open(newline=""))
    by_day: dict[str, list[list[str]]] = {}
    for row in rows:
        by_day.setdefault(row[0], []).append(row)
    days, out = sorted(by_day), [head]
    for k in range((last - first).days + 1):
        day = (first + timedelta(days=k)).isoformat()
        out += [[day, *row[1:]] for row in by_day.get(day, by_day[days[k % len(days)]])]
    with (site / name).open("w", newline="") as stream:
        csv.writer(stream, lineterminator="\n").writerows(out)


def processor_time(*command: str) -> float:
    """Run a command of the program and give its processor time [s]."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-m", "scheduler.cli", *command], check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Time both, in pairs."""
    with tempfile.TemporaryDirectory() as place:
        site = Path(place) / "site"
        shutil.copytree(COURSE, site, ignore=shutil.ignore_patterns("out", "season", "ledger*"))
        repeated("applied.csv", FIRST, LAST, site)
        repeated("weather.csv", FIRST - timedelta(days=14), LAST + timedelta(days=1), site)
        processor_time("tonight", str(site))  # the ledger takes the years in once
        span = ("--from", FIRST.isoformat(), "--until", LAST.isoformat())
        pairs = [
            (processor_time("season", str(site), *span), processor_time("tonight", str(site))) for _ in range(PAIRS)
        ]
    for account, evening in pairs:
        sys.stdout.write(f"account {account:.2f} s, evening {evening:.2f} s, ratio {account / evening:.2f}\n")
    sys.stdout.write(f"median ratio {statistics.median(a / e for a, e in pairs):.2f}\n")


if __name__ == "__main__":
    main()
