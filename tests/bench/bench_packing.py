"""How full, and how fast (processor seconds): prints a table: `python -m tests.bench.bench_packing [SEEDS]`."""

import sys
import time

import numpy as np

from models.night import check_timetable, pack_night
from models.night.bounds import lower_bounds
from tests.models.night.nights import full_job, with_window
from tests.models.night.test_packing import KINDS

LARGE = {
    "2,400 stations": {"zones": 2400, "soaks": 0.8},
    "2,400, 0.1 min": {"zones": 2400, "soaks": 0.8, "resolution": 0.1},
    "2,400, all limits": {"zones": 2400, "soaks": 0.8, "ramp": 0.1, "branches": 6, "stations": 4},
    "2,400, all, 0.1 min": {"zones": 2400, "soaks": 0.8, "ramp": 0.1, "branches": 6, "stations": 4, "resolution": 0.1},
}


def _row(kind: str, site: dict, seeds: int) -> tuple[str, list[float]]:
    fills, seconds, fitted, cycles = [], [], [], 0
    for room in (1.0, 1.02, 1.05):
        fit = 0
        for seed in range(seeds):
            job = full_job(seed=seed, **site)
            job = with_window(job, lower_bounds(job, patterns=True).largest * room)
            start = time.process_time()
            table = pack_night(job)
            seconds.append(time.process_time() - start)
            assert check_timetable(job, table) == ()
            fit += table.fitted
            cycles = job.cycle_zone.size
            if room == 1.0:
                fills.append(table.fill)
        fitted.append(f"{fit}/{seeds}")
    text = f"{kind:20} {cycles:7d} {np.median(fills):8.4f} {min(fills):8.4f}   {fitted[1]:>6} {fitted[2]:>6}"
    return f"{text} {np.median(seconds):8.2f} {max(seconds):8.2f}", fills


def main(seeds: int) -> None:
    """Print one row for each kind of night."""
    out = sys.stdout
    out.write("fill: placed over proven possible, window = proven bound; fits in a window 2 % and 5 % longer\n")
    heads = f"{'night':20} {'cycles':>7} {'median':>8} {'worst':>8}   {'+2 %':>6} {'+5 %':>6}"
    out.write(f"{heads} {'s median':>8} {'s max':>8}\n")
    every: list[float] = []
    for kinds, drawn in ((KINDS, seeds), (LARGE, min(seeds, 2))):
        for kind, site in kinds.items():
            text, fills = _row(kind, site, drawn)
            every += fills
            out.write(text + "\n")
            out.flush()
    out.write(f"all nights: median {np.median(every):.4f}, worst {min(every):.4f}\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)
