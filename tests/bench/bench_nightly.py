"""Unattended evenings with random faults, by hand: `python -m tests.bench.bench_nightly [EVENINGS] [SEED]`.

Three years of evenings pass twice through each change of clocks a year.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from datetime import date, timedelta
from pathlib import Path

from tests.scheduler.nightly.faulty import evenings, prepare
from tests.sites import make_site


def main(count: int = 1000, seed: int = 0) -> int:
    """Run the evenings in stretches and print what did not hold; the number of evenings with something wrong."""
    wrong, done, codes = 0, Counter[str](), Counter[str]()
    first = date(2026, 3, 1)
    for start in range(0, count, 50):
        with tempfile.TemporaryDirectory() as place:
            begins = first + timedelta(days=start)
            folder = make_site(Path(place) / "site", zones=5, nights=3, probes=False, evening=begins, season_days=30)
            prepare(folder)
            for seen in evenings(folder, begins, min(50, count - start), seed + start):
                done.update(seen.done)
                codes.update(str(code) for code in seen.codes)
                wrong += bool(seen.wrong)
                for words in seen.wrong:
                    sys.stdout.write(f"{seen.night} {seen.done}: {words}\n")
        sys.stdout.write(f"{min(start + 50, count)} evenings, {wrong} with something wrong\n")
        sys.stdout.flush()
    sys.stdout.write(f"faults: {dict(done)}\nexit codes: {dict(codes)}\n")
    return wrong


if __name__ == "__main__":
    raise SystemExit(min(1, main(*(int(a) for a in sys.argv[1:3]))))
