"""Spoil a sound site in every way of tests/spoiled.py, plan each, and tell what became of it.

    python -m tests.bench.bench_mutations [--draws 2] [--accepted] [--messages]

Each copy goes through `evenfall tonight`. There must be no traceback, nothing planned from what is refused, and a
message that names the file. What is accepted although it should not be is listed; `--accepted` lists all accepted
kinds with what the plan says of them, `--messages` all refusals, to be looked at by eye.
"""

from __future__ import annotations

import argparse
import collections
import shutil
import sys
import tempfile
from pathlib import Path

from tests.spoiled import KINDS, sound_site, spoiled_evening

SITES = {"metric": {}, "us": {"units": "us"}}


def main() -> None:
    """Run all kinds."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draws", type=int, default=1, help="copies of each kind, each spoiled at another place")
    parser.add_argument("--accepted", action="store_true")
    parser.add_argument("--messages", action="store_true")
    arguments = parser.parse_args()
    count: collections.Counter[str] = collections.Counter()
    wrong: list[str] = []
    with tempfile.TemporaryDirectory() as place:
        sound = sound_site(Path(place) / "sound")
        for kind in KINDS:
            for draw in range(arguments.draws):
                folder = Path(place) / "site"
                shutil.rmtree(folder, ignore_errors=True)
                shutil.copytree(sound, folder)
                seen = spoiled_evening(folder, kind, draw)
                count[seen.became] += 1
                if seen.fault:
                    wrong.append(f"{kind.name}: {seen.fault}")
                if (arguments.accepted and seen.became == "planned") or (
                    arguments.messages and seen.became != "planned"
                ):
                    sys.stdout.write(f"--- {kind.name} [{kind.file}]: {seen.became}\n{seen.said}\n")
    sys.stdout.write(f"{sum(count.values())} copies of {len(KINDS)} kinds: {dict(count)}\n")
    for line in wrong:
        sys.stdout.write(f"WRONG {line}\n")
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main()
