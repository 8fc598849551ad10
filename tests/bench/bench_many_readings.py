"""An evening with many readings: 300 probes x 96 a day over a season in probes.csv, through the whole command.

Run: `python -m tests.bench.bench_many_readings [DAYS]`. The first evening takes in everything; the next one finds a day
more at the end of the file. Wall clock and peak memory are those of `evenfall tonight` in a process of its own.
"""

from __future__ import annotations

import sys
import tempfile
from datetime import date, timedelta
from pathlib import Path

from tests.bench.bench_evening import run_command, say
from tests.sites import make_site

EVENING = date(2026, 7, 14)
ZONES, PROBED, EVERY = 600, 0.25, 15  # two probes a probed zone: 300; [min]


def main(days: int = 120) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as place:
        folder = make_site(
            Path(place) / "site", zones=ZONES, season_days=days, applied_nights=days - 1, probe_days=days - 1,
            probe_share=PROBED, probe_every=EVERY, evening=EVENING,
        )  # fmt: skip
        file = folder / "probes.csv"
        whole = file.read_text().splitlines(keepends=True)
        yesterday = EVENING - timedelta(days=1)
        limit = f"{yesterday.isoformat()}T20:00"
        file.write_text("".join([whole[0], *(line for line in whole[1:] if line[:16] <= limit)]))
        first = run_command(folder, yesterday)
        again = run_command(folder, yesterday)
        file.write_text("".join(whole))
        following = run_command(folder, EVENING)
    say(f"{len(whole) - 1:,} readings of 300 probes over {days} days, {ZONES} zones")
    for name, (wall, peak) in {"first": first, "the same again": again, "the next": following}.items():
        say(f"  {name + ' evening':24s} {wall:6.1f} s  {peak:6.0f} MiB")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:2]))
