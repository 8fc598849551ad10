"""Kill writers of the ledger at random moments: python -m tests.bench.bench_kill 200 [--url postgresql://...]."""

from __future__ import annotations

import argparse
import collections
import sys
import tempfile
from pathlib import Path

import numpy as np

from scheduler.site import load_site
from tests.killing import intake_trial, trial


def main() -> None:
    """Run the trials and tell how far the children had come."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("trials", type=int, nargs="?", default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--longest", type=float, default=0.25, help="latest moment of the signal [s]")
    arguments = parser.parse_args()
    rng = np.random.default_rng(arguments.seed)
    came: collections.Counter[str] = collections.Counter()
    while came["killed"] < arguments.trials:
        with tempfile.TemporaryDirectory() as folder:
            seen = trial(Path(folder), float(rng.uniform(0.0, arguments.longest)))
        came[
            "ended before the signal" if seen.ended else "nothing written" if not seen.found else "killed on the way"
        ] += 1
        came["written but not yet acknowledged"] += seen.found > seen.acknowledged
    site = load_site(Path(__file__).parents[2] / "scenarios" / "lowland-stadium")
    while came["intake killed"] < arguments.trials // 4:
        with tempfile.TemporaryDirectory() as folder:
            seen = intake_trial(Path(folder), site, float(rng.uniform(0.0, 0.3)))
        came["intake ended before the signal" if seen.ended else "intake killed"] += 1
    sys.stdout.write(f"every promise kept: {dict(came)}\n")


if __name__ == "__main__":
    main()
