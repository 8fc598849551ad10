"""Kill writers at random moments until enough real kills are counted, and tell how far they had come.

    python -m tests.bench.bench_kill 200 [--of commands|steps|ledger|intake] [--seed 1] [--every 1]

`commands` kills `evenfall intake` and `evenfall tonight` at moments spread evenly over the time they usually take, on
first evenings and later ones; `steps` kills them at each of their steps in turn; `ledger` and `intake` kill writers of
the ledger alone. Only a process that died of the signal counts.
"""

from __future__ import annotations

import argparse
import collections
import shutil
import statistics
import sys
import tempfile
from pathlib import Path

import numpy as np

from scheduler.site import load_site
from tests.command_kills import EVENINGS, Seen, grow, make_season, step_trial, timed_trial
from tests.killing import child, intake_child, intake_trial, takes, trial

Counter = collections.Counter[str]


def kill_commands(kills: int, rng: np.random.Generator) -> Counter:
    """Kill whole commands after a time, drawn evenly over what they usually take."""
    came: Counter = collections.Counter()
    usual: dict[str, list[float]] = collections.defaultdict(lambda: [1.0])
    with tempfile.TemporaryDirectory() as place:
        season = make_season(Path(place) / "season")
        folder, night = Path(place) / "site", len(EVENINGS)
        while came["killed"] < kills:
            if night == len(EVENINGS) or rng.random() < 0.15:  # a new site, on any of its evenings
                shutil.rmtree(folder, ignore_errors=True)
                night = int(rng.integers(len(EVENINGS) - 2))
                first = True
            evening = EVENINGS[night]
            grow(folder, season, evening)
            what = str(rng.choice(["intake", "tonight", "tonight"]))
            kind = f"{what}, {'first' if first else 'later'} evening"
            took = statistics.median(usual[kind][-9:])
            moment = float(rng.uniform(0.02, 1.05)) * took
            seen = timed_trial(folder, what, evening, moment)
            usual[kind].append(seen.took)
            _count(came, kind, seen)
            if seen.killed:
                came[f"in {'first second third fourth'.split()[min(int(4 * moment / took), 3)]} quarter"] += 1
            first, night = False, night + int(rng.random() < 0.7)
            _tell(came)
    return came


def kill_at_steps(kills: int, rng: np.random.Generator, every: int = 1) -> Counter:
    """Kill commands at each of their steps, or at every n-th, on a first evening and on a later one."""
    came: Counter = collections.Counter()
    with tempfile.TemporaryDirectory() as place:
        season = make_season(Path(place) / "season", zones=3)
        folder = Path(place) / "site"
        for what in ("intake", "tonight"):
            for nights in (1, 2):
                step = -int(rng.integers(every))
                while True:
                    step += every
                    shutil.rmtree(folder, ignore_errors=True)
                    grow(folder, season, EVENINGS[0])
                    if nights == 2:
                        step_trial(folder, "tonight", EVENINGS[0], 0)
                        grow(folder, season, EVENINGS[1])
                    seen = step_trial(folder, what, EVENINGS[nights - 1], step)
                    _count(came, f"{what}, {'first' if nights == 1 else 'later'} evening", seen)
                    _tell(came)
                    if not seen.killed:
                        break
    return came


def kill_ledger(kills: int, rng: np.random.Generator) -> Counter:
    """Kill a program that writes the ledger step by step."""
    came: Counter = collections.Counter()
    while came["killed"] < kills:
        with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as calm:
            usual = takes(child, Path(calm), None, Path(calm) / "said")
            seen = trial(Path(folder), usual * float(rng.uniform(0.0, 1.05)))
        came["ended before the signal" if seen.ended else "killed"] += 1
        came["killed before anything was written"] += not seen.ended and not seen.found
        came["written but not yet acknowledged"] += seen.found > seen.acknowledged
        _tell(came)
    return came


def kill_intake(kills: int, rng: np.random.Generator) -> Counter:
    """Kill the intake of a shipped site."""
    came: Counter = collections.Counter()
    site = load_site(Path(__file__).parents[2] / "scenarios" / "lowland-stadium")
    while came["killed"] < kills:
        with tempfile.TemporaryDirectory() as folder, tempfile.TemporaryDirectory() as calm:
            usual = takes(intake_child, Path(calm), site, Path(calm) / "said")
            seen = intake_trial(Path(folder), site, usual * float(rng.uniform(0.0, 1.05)))
        came["ended before the signal" if seen.ended else "killed"] += 1
        _tell(came)
    return came


def _count(came: Counter, kind: str, seen: Seen) -> None:
    if seen.killed:
        came["killed"] += 1
        came[f"killed: {kind}"] += 1
        came[f"found: {seen.came}"] += 1
    else:
        came["ended before the signal"] += 1


def _tell(came: Counter) -> None:
    if came["killed"] % 20 == 0:
        sys.stderr.write(f"{came['killed']} killed, {came['ended before the signal']} ended before the signal\n")


def main() -> None:
    """Run the trials; a broken promise ends them with an AssertionError."""
    kinds = {"commands": kill_commands, "steps": kill_at_steps, "ledger": kill_ledger, "intake": kill_intake}
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("kills", type=int, nargs="?", default=200)
    parser.add_argument("--of", choices=kinds, default="commands")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--every", type=int, default=1, help="of the steps")
    arguments = parser.parse_args()
    more = {"every": arguments.every} if arguments.of == "steps" else {}
    came = kinds[arguments.of](arguments.kills, np.random.default_rng(arguments.seed), **more)
    sys.stdout.write(f"every promise kept, {arguments.of}\n")
    for words, number in sorted(came.items()):
        sys.stdout.write(f"  {number:5d}  {words}\n")


if __name__ == "__main__":
    main()
