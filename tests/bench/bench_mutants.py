"""Small wrong changes made in the code, one at a time: which of them no quick test notices.

    python -m tests.bench.bench_mutants [--sample 30] [--seed 1] [--rooms water night ...] [--files models/soil.py ...]

What is changed: `wrong_changes`. Each mutant lives in a process of its own, in memory only; the files stay as they are.
It is shown to the quick tests that call the function it stands in (`standing_changes`), to the first that fails.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from tests.bench.standing_changes import ROOT, Mutant, Session, run
from tests.bench.wrong_changes import changes

QUICK = 0.8  # [s] of processor time: a longer test is not asked; twice what it takes unwatched
MOST = 6.0  # [s] that tests of one mutant may take together
MODELS = ["tests/models", "tests/published", "tests/properties"]
SCHEDULER = "site state salinity plan night document sheets export ledger morning whatif season feeds nightly".split()
ROOMS = {
    "plan": (["models/plan"], MODELS),
    "night": (["models/night"], MODELS),
    "water": ([f"models/{n}.py" for n in "soil textures runoff drainage uneven_catch".split()], MODELS),
    "salts": (
        [f"models/{n}.py" for n in "salts layers salt_balance salt_step salt_run salt_following".split()]
        + [f"models/{n}.py" for n in ("leaching_fit", "lingering", "flushing", "water_quality")],
        MODELS,
    ),
    "weather": (
        [f"models/{n}.py" for n in "weather turf turf_weather forecast_members forecast_skill".split()],
        MODELS,
    ),
    "filter": (
        [f"models/{n}.py" for n in "kin estimation filter_state filter_ahead filter_readings".split()],
        MODELS,
    ),
    "learning": ([f"models/{n}.py" for n in "sensor_line spot_fit learning plateaus".split()], MODELS),
    "quality": ([f"models/{n}.py" for n in "quality probe_record probe_jumps probe_standstill".split()], MODELS),
    "metering": ([f"models/{n}.py" for n in "hydraulics allowance metering practice".split()], MODELS),
    **{f"scheduler/{room}": ([f"scheduler/{room}"], ["tests/scheduler"]) for room in SCHEDULER},
}


def files_of(place: str) -> list[Path]:
    """Files of a folder, or one file."""
    at = ROOT / place
    return [at] if at.is_file() else sorted(at.rglob("*.py"))


def mutants(places: list[str]) -> list[Mutant]:
    """Every mutant of some files."""
    found = []
    for file in (f for place in places for f in files_of(place)):
        source = file.read_text(encoding="utf-8")
        lines = source.splitlines()
        for one in changes(file):
            now = one.made(source).splitlines()[one.line - 1].strip()
            found.append(Mutant(file, one.kind, one.line, one.made(source), lines[one.line - 1].strip(), now))
    return found


def judged(name: str, drawn: list[Mutant], killed_by: Callable[[Mutant], str | None], tell: bool) -> Counter[str]:
    """Show mutants to the tests and tell which live."""
    count: Counter[str] = Counter()
    begun = time.monotonic()
    for one in drawn:
        by = killed_by(one)
        count["lives" if by is None else "killed"] += 1
        where = f"{one.file.relative_to(ROOT)}:{one.line} {one.kind}"
        if by is None:
            sys.stdout.write(f"LIVES {where}\n   {one.was}\n   {one.now}\n")
        elif tell:
            sys.stdout.write(f"killed {where} by {by}\n   {one.now}\n")
        sys.stdout.flush()
    share = count["killed"] / max(len(drawn), 1)
    took = time.monotonic() - begun
    sys.stdout.write(f"{name}: {count['killed']} of {len(drawn)} killed ({share:.0%}), {took:.0f} s\n")
    sys.stdout.flush()
    return count


def main() -> None:
    """Draw mutants of each room and tell which live."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sample", type=int, default=30, help="mutants of each room, 0 for all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rooms", nargs="*", default=None, help="of: " + " ".join(ROOMS))
    parser.add_argument("--files", nargs="*", default=[], help="these files in place of rooms")
    parser.add_argument("--tests", nargs="*", default=[], help="tests to ask")
    parser.add_argument("--tell", action="store_true", help="tell of each mutant killed which test did")
    given = parser.parse_args()
    rooms = {f: ([f], given.tests or MODELS) for f in given.files} or {r: ROOMS[r] for r in given.rooms or ROOMS}
    tests = given.tests or sorted({t for _, asked in rooms.values() for t in asked})
    whole: Counter[str] = Counter()

    def judge(killed_by: Callable[[Mutant], str | None]) -> None:
        for name, (places, _) in rooms.items():
            found = mutants(places)
            random.Random(given.seed).shuffle(found)
            whole.update(judged(name, found[: given.sample or None], killed_by, given.tell))

    run(tests, Session(QUICK, MOST, judge))
    sys.stdout.write(f"all: {whole['killed']} of {sum(whole.values())} killed\n")


if __name__ == "__main__":
    main()
