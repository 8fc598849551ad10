"""Small wrong changes made in the code, one at a time: which of them no test notices.

    python -m tests.bench.bench_mutants [--sample 30] [--seed 1] [--rooms models/plan models/soil.py ...] [--all]

Operators are those of cosmic-ray that a slip of the hand could make: a sign, a comparison, a number one off, and for
or, a condition turned round. Each mutant lives in a process of its own, in memory only; the files stay as they are. The
tests asked are those of the room, cheapest first, up to the first that fails; `--all` asks survivors every lean test.
Needs `pip install cosmic-ray`.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib.abc
import importlib.util
import itertools
import multiprocessing
import os
import random
import signal
import sys
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator

ROOT = Path(__file__).parents[2]
SWAPS = "Add_Sub Sub_Add Mul_Div Div_Mul BitAnd_BitOr BitOr_BitAnd".split()
COMPARES = "Lt_LtE LtE_Lt Gt_GtE GtE_Gt Lt_Gt Gt_Lt LtE_GtE GtE_LtE Eq_NotEq NotEq_Eq".split()
OPERATORS = [
    *(f"core/ReplaceBinaryOperator_{s}" for s in SWAPS),
    *(f"core/ReplaceComparisonOperator_{c}" for c in COMPARES),
    *("core/ReplaceAndWithOr", "core/ReplaceOrWithAnd", "core/AddNot", "core/NumberReplacer"),
    *("core/ReplaceTrueWithFalse", "core/ReplaceFalseWithTrue", "core/ReplaceUnaryOperator_Delete_Not"),
    "core/ReplaceUnaryOperator_USub_UAdd",
]
TESTS = {  # cheapest first; never the mutated file itself, which pytest would read from disk
    "models/plan": ["tests/models/plan", "tests/published/test_lp_independent.py", "tests/properties/test_plan.py",
                    "tests/properties/test_flush.py", "tests/properties/test_flush_groups.py"],
    "models/soil.py": ["tests/published/test_soil.py", "tests/properties/test_soil_balance.py",
                       "tests/scheduler/state"],
    "models/salts.py": ["tests/published/test_salts.py", "tests/scheduler/salinity", "tests/scheduler/test_salinity.py",
                        "tests/properties/test_salts.py", "tests/scheduler/test_flushes.py"],
    "scheduler/plan": ["tests/scheduler/plan", "tests/scheduler/document", "tests/scheduler/test_site_hydraulics.py"],
    "scheduler/state": ["tests/scheduler/state", "tests/scheduler/test_ran.py", "tests/scheduler/test_readings.py",
                        "tests/scheduler/test_quality.py", "tests/scheduler/plan/test_weathers.py",
                        "tests/scheduler/document"],
}  # fmt: skip
LEAN = ["tests/models", "tests/published", "tests/scheduler", "tests/properties"]
LONGEST = 600.0  # [s] a mutant may take: one that never ends is noticed


@dataclass(frozen=True)
class Mutant:
    """One wrong change."""

    file: Path
    operator: str
    place: int
    line: int
    code: str
    was: str
    now: str


class _Finder(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives one module from a text in place of its file."""

    def __init__(self, name: str, file: Path, code: str) -> None:
        self.name, self.file, self.code = name, file, code

    def find_spec(self, name, path, target=None):  # type: ignore[no-untyped-def]
        """Give the spec of that module alone."""
        if name != self.name:
            return None
        package = self.file.name == "__init__.py"
        return importlib.util.spec_from_file_location(
            name, self.file, loader=self, submodule_search_locations=[str(self.file.parent)] if package else None
        )

    def create_module(self, spec):  # type: ignore[no-untyped-def]
        """Leave it to the default."""

    def exec_module(self, module):  # type: ignore[no-untyped-def]
        """Run the text."""
        exec(compile(self.code, str(self.file), "exec"), module.__dict__)


def places(file: Path) -> list[tuple[Path, str, int]]:
    """Every place of a file that an operator can change: file, operator, number."""
    tree = get_ast(file.read_text(encoding="utf-8"))
    found = []
    for name in OPERATORS:
        operator = get_operator(name)()
        count = sum(len(list(operator.mutation_positions(node))) for node in ast_nodes(tree))
        found += [(file, name, i) for i in range(count)]
    return found


def mutant(file: Path, operator: str, place: int) -> Mutant | None:
    """One mutant, None where only a type or a constant's description changes."""
    source = file.read_text(encoding="utf-8")
    code = mutate_code(source, get_operator(operator)(), place)
    lines = source.splitlines()
    changed = [(i, a, b) for i, (a, b) in enumerate(zip(lines, code.splitlines(), strict=False)) if a != b]
    if len(changed) != 1 or _is_type(changed[0][1], operator):
        return None
    i, was, now = changed[0]
    return Mutant(file, operator.removeprefix("core/"), place, i + 1, code, was.strip(), now.strip())


def _is_type(line: str, operator: str) -> bool:
    """Whether a bar in a line only joins types."""
    return "BitOr" in operator and any(w in line for w in ("| None", "None |", "-> ", "str |", "float |", "Frame |"))


def _asks(mutant: Mutant, tests: list[str]) -> None:
    """Run the tests in this process with the mutant in place; its exit code is 0 where none fails."""
    import pytest

    os.setsid()
    name = ".".join(mutant.file.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    sys.meta_path.insert(0, _Finder(name, mutant.file, mutant.code))
    with Path(os.devnull).open("w") as none, contextlib.redirect_stdout(none), contextlib.redirect_stderr(none):
        code = pytest.main(["-x", "-q", "-n", "0", "-p", "no:cacheprovider", "-p", "no:randomly", *tests])
    os._exit(int(code))


def survives(mutant: Mutant, tests: list[str]) -> bool:
    """Whether all tests pass with the mutant."""
    child = multiprocessing.get_context("fork").Process(target=_asks, args=(mutant, tests))
    child.start()
    child.join(LONGEST)
    if child.is_alive():
        with contextlib.suppress(ProcessLookupError):
            os.killpg(child.pid or 0, signal.SIGKILL)
        child.join()
    return child.exitcode == 0


def files_of(room: str) -> list[Path]:
    """Files of a room, or one file."""
    place = ROOT / room
    return [place] if place.is_file() else sorted(place.rglob("*.py"))


def main() -> None:
    """Draw mutants of each room and tell which live."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sample", type=int, default=30, help="mutants of each room, 0 for all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rooms", nargs="*", default=list(TESTS))
    parser.add_argument("--all", action="store_true", help="ask survivors every lean test too")
    given = parser.parse_args()
    os.chdir(ROOT)
    import highspy  # noqa: F401  (read once, before the processes part)
    import hypothesis  # noqa: F401
    import pandas  # noqa: F401
    import pyet  # noqa: F401
    import pyomo.environ  # noqa: F401

    whole: Counter[str] = Counter()
    for room in given.rooms:
        found = [place for file in files_of(room) for place in places(file)]
        random.Random(given.seed).shuffle(found)
        real = (m for place in found if (m := mutant(*place)) is not None)
        drawn = list(itertools.islice(real, given.sample or None))
        tests = next(t for key, t in TESTS.items() if room == key or room.startswith(key))
        count: Counter[str] = Counter()
        begun = time.monotonic()
        for one in drawn:
            lives = survives(one, tests) and (not given.all or survives(one, LEAN))
            count["lives" if lives else "killed"] += 1
            if lives:
                where = f"{one.file.relative_to(ROOT)}:{one.line}"
                sys.stdout.write(f"LIVES {where} {one.operator} {one.place}\n   {one.was}\n   {one.now}\n")
                sys.stdout.flush()
        whole += count
        share = count["killed"] / max(sum(count.values()), 1)
        took = time.monotonic() - begun
        said = f"{count['killed']} of {len(drawn)} killed ({share:.0%}), drawn of {len(found)} places, {took:.0f} s"
        sys.stdout.write(f"{room}: {said}\n")
        sys.stdout.flush()
    sys.stdout.write(f"all: {whole['killed']} of {sum(whole.values())} killed\n")


if __name__ == "__main__":
    main()
