"""Puts a wrong change into a running module, and asks the tests that pass through the function it stands in.

Tests are collected once and run once, to see which functions of the project each calls and how long it takes. Each
change then lives in a forked process: the functions of its module get the code of the changed file, and what a module
holds by name is put in place wherever it was imported. Only quick tests that call the function are asked, the shortest
first.
"""

from __future__ import annotations

import ast
import contextlib
import gc
import os
import resource
import signal
import sys
import time
import types
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Mutant:
    """One wrong change of a file of the project."""

    file: Path
    kind: str
    line: int
    code: str
    was: str
    now: str

    @property
    def module(self) -> str:
        """Name of its module."""
        return ".".join(self.file.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


@dataclass
class Asked:
    """One test: how long it takes [s of processor time], and which functions of the project it calls."""

    item: pytest.Item
    took: float
    calls: set[tuple[str, int]] = field(default_factory=set)


class Session:
    """A plugin of pytest in place of its loop: `judge` gets a function mutant -> which test kills it, or None."""

    def __init__(self, quick: float, most: float, judge: Callable[[Callable[[Mutant], str | None]], None]) -> None:
        self.quick, self.most, self.judge = quick, most, judge
        self.asked: list[Asked] = []
        self.functions: dict[str, list[tuple[int, int]]] = {}

    def pytest_configure(self, config: pytest.Config) -> None:
        """Have hypothesis draw the same at every run, and not look for the smallest example."""
        from hypothesis import Phase, settings

        settings.register_profile("changes", derandomize=True, database=None, phases=[Phase.explicit, Phase.generate])
        settings.load_profile("changes")

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Run each test once, then hand over."""
        for item in session.items:
            self._watch(item)
        gc.collect()
        gc.freeze()
        self.judge(self.killed_by)
        return True

    def _watch(self, item: pytest.Item) -> None:
        calls: set[tuple[str, int]] = set()
        root = str(ROOT) + os.sep

        def seen(frame: types.FrameType, event: str, arg: object) -> None:
            code = frame.f_code
            if code.co_filename.startswith(root):
                calls.add((code.co_filename, code.co_firstlineno))

        def too_long(*_: object) -> None:
            raise TimeoutError

        signal.signal(signal.SIGPROF, too_long)
        signal.setitimer(signal.ITIMER_PROF, 1.1 * self.quick)  # a slower one is never asked
        begun = time.process_time()
        sys.settrace(seen)  # type: ignore[arg-type]
        try:
            passed = _passes(item)
        except TimeoutError:
            passed = False
        sys.settrace(None)
        signal.setitimer(signal.ITIMER_PROF, 0)
        if passed:
            self.asked.append(Asked(item, time.process_time() - begun, calls))

    def _reads(self, item: pytest.Item, mutant: Mutant) -> bool:
        """Whether a test's file speaks of a module, or the test calls a function of it."""
        words = mutant.module.rpartition(".")[2]
        calls = next(a.calls for a in self.asked if a.item is item)
        return words in item.path.read_text(encoding="utf-8") or any(f == str(mutant.file) for f, _ in calls)

    def killed_by(self, mutant: Mutant) -> str | None:
        """Name of the first quick test that fails with a change; empty if it never ends; None if none fails."""
        name = str(mutant.file)
        at = _functions_at(mutant)
        mine = [a for a in self.asked if a.took <= self.quick and any((name, line) in a.calls for line in at)]
        if not mine:  # it stands in no function, or in one that only runs as the module is read in
            mine = [a for a in self.asked if a.took <= self.quick and self._reads(a.item, mutant)]
        mine.sort(key=lambda a: a.took)
        chosen, sum_of = [], 0.0
        for one in mine:
            sum_of += one.took
            if sum_of > self.most:
                break
            chosen.append(one)
        if not chosen:
            return None
        return _in_a_process(mutant, chosen, 5 * sum_of + 2.0)


def _functions_at(mutant: Mutant) -> list[int]:
    """First line of the function a change stands in, with and without its decorators; none outside of functions."""
    inmost: ast.AST | None = None
    for node in ast.walk(ast.parse(mutant.file.read_text(encoding="utf-8"))):
        if isinstance(node, (ast.FunctionDef, ast.Lambda)) and node.lineno <= mutant.line <= (node.end_lineno or 0):
            body = node.body[0].lineno if isinstance(node, ast.FunctionDef) else node.lineno
            if (
                isinstance(node, ast.FunctionDef)
                and mutant.line >= body
                and (
                    inmost is None or node.lineno >= inmost.lineno  # type: ignore[attr-defined]
                )
            ):
                inmost = node
    if inmost is None:
        return []
    first = min([inmost.lineno, *(d.lineno for d in inmost.decorator_list)])  # type: ignore[attr-defined]
    return [first, inmost.lineno]  # type: ignore[attr-defined]


def _passes(item: pytest.Item) -> bool:
    from _pytest.runner import runtestprotocol

    reports = runtestprotocol(item, log=False, nextitem=None)
    return all(r.passed for r in reports)


def _in_a_process(mutant: Mutant, asked: list[Asked], seconds: float) -> str | None:
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(read)
            nothing = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nothing, 1)
            os.dup2(nothing, 2)
            resource.setrlimit(resource.RLIMIT_CPU, (int(seconds) + 1, int(seconds) + 2))
            signal.alarm(int(20 * seconds))
            if not put_in_place(mutant):
                os.write(write, b"cannot stand")
                os._exit(0)
            for one in asked:
                if not _passes(one.item):
                    os.write(write, one.item.nodeid.encode())
                    os._exit(0)
            os._exit(0)
        except BaseException:  # noqa: BLE001
            os.write(write, b"broke")
            os._exit(0)
    os.close(write)
    said = b"".join(iter(lambda: os.read(read, 4096), b"")).decode()
    os.close(read)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return "does not end"
    return said or None


def put_in_place(mutant: Mutant) -> bool:
    """Give a running module the changed code; False where the changed file cannot even be read in."""
    module = sys.modules[mutant.module]
    other = types.ModuleType(module.__name__)
    other.__file__, other.__package__ = module.__file__, module.__package__
    if hasattr(module, "__path__"):
        other.__path__ = module.__path__
    sys.modules[mutant.module] = other  # dataclasses look for their module by name
    try:
        exec(compile(mutant.code, str(mutant.file), "exec"), other.__dict__)
    except Exception:
        return False
    finally:
        sys.modules[mutant.module] = module
    for name, new in list(vars(other).items()):
        old = vars(module).get(name)
        if name.startswith("__") or old is new:
            continue
        if isinstance(new, types.ModuleType) or getattr(new, "__module__", mutant.module) != mutant.module:
            continue
        if not _take_over(old, new):
            for each in list(sys.modules.values()):
                if isinstance(each, types.ModuleType) and vars(each).get(name) is old:
                    setattr(each, name, new)
    for name, one in list(sys.modules.items()):
        if name.startswith(("models", "scheduler")):
            for value in list(vars(one).values()):
                with contextlib.suppress(AttributeError, TypeError):
                    value.cache_clear()
    return True


def _take_over(old: object, new: object) -> bool:
    """Give functions, and those of classes, new code; False for what is no function and no class."""
    while hasattr(old, "__wrapped__") and hasattr(new, "__wrapped__"):
        old, new = old.__wrapped__, new.__wrapped__
    if isinstance(old, property) and isinstance(new, property):
        pairs = zip((old.fget, old.fset), (new.fget, new.fset), strict=True)
        return all(_take_over(a, b) for a, b in pairs if a is not None)
    if isinstance(old, (classmethod, staticmethod)):
        return _take_over(old.__func__, new.__func__)  # type: ignore[attr-defined]
    if type(old).__name__ == "cached_property":
        return _take_over(old.func, new.func)  # type: ignore[attr-defined]
    if isinstance(old, types.FunctionType) and isinstance(new, types.FunctionType):
        if old.__code__.co_freevars == new.__code__.co_freevars:
            old.__code__ = new.__code__
        old.__defaults__, old.__kwdefaults__ = new.__defaults__, new.__kwdefaults__
        return True
    if isinstance(old, type) and isinstance(new, type):
        for name, value in vars(new).items():
            if name in vars(old) and name not in ("__dict__", "__weakref__", "__doc__", "__module__"):
                if not _take_over(vars(old)[name], value) and not name.startswith("__") and not callable(value):
                    with contextlib.suppress(AttributeError, TypeError):
                        if not isinstance(vars(old)[name], types.MemberDescriptorType):
                            setattr(old, name, value)
        return True
    return False


def run(tests: list[str], session: Session) -> None:
    """Collect tests and let a session judge."""
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    pytest.main(["-q", "-n", "0", "-p", "no:cacheprovider", "-s", *tests], plugins=[session])
