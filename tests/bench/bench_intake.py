"""How fast readings come in, and whether an evening's question grows with the years held. Run by hand.

python -m tests.bench.bench_intake --days 365            300 probes x 96 readings a day into SQLite
python -m tests.bench.bench_intake --days 30 --url postgresql://...
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from scheduler.ledger import Ledger, open_ledger, queries
from scheduler.ledger.readings import merge_readings
from scheduler.ledger.writers import begin_intake, end_intake
from tests import ledger_contents

PROBES, PER_DAY = 300, 96

START = pd.Timestamp("2025-07-14")


def say(text: str) -> None:
    """Print a line at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def days_of_readings(first: int, days: int, probes: int = PROBES) -> pd.DataFrame:
    """Make readings of whole days, sorted by time and probe as a site gives them."""
    rng = np.random.default_rng(first)
    times = START + pd.to_timedelta(
        np.arange(first * PER_DAY, (first + days) * PER_DAY) * (1440 // PER_DAY), unit="min"
    )
    count = len(times) * probes
    names = np.array([f"G{i // 2:03d}-{6 if i % 2 else 15:02d}" for i in range(probes)], dtype=object)
    return pd.DataFrame(
        {
            "time": np.repeat(times.to_numpy(), probes),
            "probe": np.tile(names, len(times)),
            "moisture": rng.normal(0.2, 0.03, count).round(4),
            "ec": rng.normal(0.5, 0.1, count).round(3),
            "temperature": rng.normal(20, 4, count).round(1),
            "permittivity": np.full(count, np.nan),
        }
    )


def take_in(ledger: Ledger, frame: pd.DataFrame) -> tuple[float, object]:
    """Merge a frame in one transaction; give the seconds it took, commit included."""
    began = time.perf_counter()
    with ledger.writing() as connection:
        number = begin_intake(connection, ledger, "bench", "bench")
        counts = merge_readings(connection, frame, ledger.site_id, number)
        end_intake(connection, number, counts)
    return time.perf_counter() - began, counts


def evening(ledger: Ledger, last_day: int) -> float:
    """Give the seconds of the latest three days of all probes, in a fresh connection."""
    ledger.engine.dispose()
    began = time.perf_counter()
    newest = ledger_contents.newest_readings(ledger)
    data = queries.readings(ledger, newest.max() - pd.Timedelta(days=3))
    took = time.perf_counter() - began
    if len(data) < PROBES * PER_DAY * min(3, last_day):
        raise AssertionError("rows are missing")
    return took


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--chunk", type=int, default=30, help="days in one intake while filling")
    parser.add_argument("--url")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        ledger = open_ledger(Path(folder), arguments.url, "bench" if arguments.url else None)
        done, rows, seconds = 0, 0, 0.0
        while done < arguments.days:
            days = min(arguments.chunk, arguments.days - done)
            frame = days_of_readings(done, days)
            took, _ = take_in(ledger, frame)
            done, rows, seconds = done + days, rows + len(frame), seconds + took
            asked = min(evening(ledger, done) for _ in range(3))
            say(f"{rows:>12,} rows held: {len(frame) / took:>10,.0f} rows/s in, evening {asked:.3f} s")
        say(f"filled at {rows / seconds:,.0f} rows/s")
        day = days_of_readings(done, 1)
        took, counts = take_in(ledger, day)
        say(f"one day more: {len(day):,} rows in {took:.3f} s, {len(day) / took:,.0f} rows/s, {counts}")
        whole = done // arguments.chunk * arguments.chunk
        month = days_of_readings(whole - arguments.chunk, arguments.chunk)  # the last whole chunk
        took, counts = take_in(ledger, month)
        say(f"a chunk read again: {len(month):,} rows in {took:.2f} s, {len(month) / took:,.0f} rows/s, {counts}")
        path = Path(folder) / "ledger.sqlite"
        if path.exists():
            ledger.close()
            say(
                f"file: {path.stat().st_size / 2**20:,.0f} MiB, "
                f"{path.stat().st_size / (rows + len(day)):.0f} bytes a row"
            )
        ledger.close()
        say(f"memory at most: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**10:,.0f} MiB")


if __name__ == "__main__":
    main()
