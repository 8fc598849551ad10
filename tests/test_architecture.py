"""The tree is the architecture: imports go one way, and `models` stays free of files, clocks, screens and databases."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterable
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
MODELS = sorted((ROOT / "models").rglob("*.py"))
SCHEDULER = sorted((ROOT / "scheduler").rglob("*.py"))
FORBIDDEN_MODULES = set("pathlib sqlalchemy pint sqlite3 io os shutil tempfile logging rich typer".split())
FORBIDDEN_CALLS = {"open", "print", "input"}
CLOCKS = {("datetime", "now"), ("datetime", "today"), ("date", "today"), ("time", "time")}
# Rooms of the application by floor, lowest first: a file imports from its own room and from floors below, no others.
FLOORS = (
    {"ahead", "errors", "notes", "files"},
    {"site"},
    {"edge", "events", "feeds", "nights", "starter", "supply"},
    {"state"},
    {"salinity"},
    {"plan"},
    {"night"},
    {"document"},
    {"ledger"},
    {"learn", "morning", "planning"},
    {"sheets"},
    {"export"},
    {"evening"},
    {"nightly", "season", "whatif"},
    {"serve"},
    {"terminal"},
    {"commands"},
    {"cli"},
    {"__main__"},
)
FLOOR = {room: number for number, rooms in enumerate(FLOORS) for room in rooms}


@cache
def nodes(file: Path) -> tuple[ast.AST, ...]:
    """All nodes of a file, read once."""
    return tuple(ast.walk(ast.parse(file.read_text(encoding="utf-8"))))


@cache
def imports(file: Path) -> set[str]:
    """Full names of all modules a file imports, also inside functions."""
    found: set[str] = set()
    for node in nodes(file):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def name_of(file: Path) -> str:
    return ".".join(file.relative_to(ROOT).with_suffix("").parts)


def wrong(files: Iterable[Path], faults: Callable[[Path], object]) -> dict[str, object]:
    """Files with a fault, and what it is."""
    return {name_of(file): found for file in files if (found := faults(file))}


def outside(file: Path) -> list[object]:
    """What a file of the science reaches that is not arrays."""
    roots = {name.split(".")[0] for name in imports(file)}
    found: list[object] = sorted(roots & (FORBIDDEN_MODULES | {"scheduler"}))
    for node in nodes(file):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name) and node.func.id in FORBIDDEN_CALLS:
                found.append((node.func.id, node.lineno))
            elif isinstance(node.func, ast.Attribute) and isinstance(node.func.value, ast.Name):
                if (node.func.value.id, node.func.attr) in CLOCKS:
                    found.append((node.func.attr, node.lineno))
    return found


def test_models_never_reach_the_application_or_the_outside():
    assert wrong(MODELS, outside) == {}


def test_what_reaches_outside_is_seen(tmp_path):
    place = tmp_path / "wrong.py"
    place.write_text("import os\nfrom scheduler.site import Site\nprint(1)\ndatetime.now()\n")
    assert outside(place) == ["os", "scheduler", ("print", 3), ("now", 4)]


def test_science_never_imports_the_plan_or_the_night():
    science = [file for file in MODELS if file.parent.name not in ("plan", "night")]
    upper = ("models.plan", "models.night", "pyomo", "highspy")
    assert wrong(science, lambda file: {name for name in imports(file) if name.startswith(upper)}) == {}


def test_only_one_file_knows_the_solver():
    knows = wrong(MODELS, lambda file: {name for name in imports(file) if name.split(".")[0] == "highspy"})
    assert set(knows) <= {"models.plan.highs"}


def room_of(file: Path) -> str:
    return file.relative_to(ROOT / "scheduler").parts[0].removesuffix(".py")


def climbs(file: Path) -> set[str]:
    """Rooms a file imports from that are not below its own."""
    own = room_of(file)
    reached = {n.split(".")[1] for n in imports(file) if n.startswith("scheduler.")} - {own}
    return {room for room in reached if FLOOR[room] >= FLOOR[own]}


def test_every_room_has_a_floor():
    assert {room_of(file) for file in SCHEDULER} - {"__init__"} == FLOOR.keys()


def test_the_application_never_reaches_up():
    assert wrong((f for f in SCHEDULER if room_of(f) != "__init__"), climbs) == {}


def test_an_arrow_back_up_is_seen(monkeypatch, tmp_path):
    # also one for typing only
    place = tmp_path / "scheduler" / "site" / "wrong.py"
    place.parent.mkdir(parents=True)
    place.write_text(
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from scheduler.evening import plan_tonight\n"
    )
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    assert climbs(place) == {"evening"}


def strangers(file: Path) -> list[str]:
    """Units, a terminal or a solver where they have no business."""
    where = file.relative_to(ROOT / "scheduler").as_posix()
    barred = {"pyomo", "highspy"} | (set() if where == "site/units.py" else {"pint"})
    if where != "cli.py" and not where.startswith(("commands/", "terminal/")):
        barred |= {"rich", "typer"}
    return sorted({name.split(".")[0] for name in imports(file)} & barred)


def test_units_and_terminal_have_one_place():
    assert wrong(SCHEDULER, strangers) == {}


def arrows(files: Iterable[Path]) -> dict[str, set[str]]:
    """Modules, and those of them that each imports."""
    named = {name_of(file).removesuffix(".__init__"): file for file in files}
    return {name: (imports(file) & named.keys()) - {name} for name, file in named.items() if file.stem != "__init__"}


def test_no_files_import_each_other_in_a_circle():
    tuple(TopologicalSorter(arrows(MODELS + SCHEDULER)).static_order())


def test_a_circle_is_seen(monkeypatch, tmp_path):
    (tmp_path / "a.py").write_text("import b\n")
    (tmp_path / "b.py").write_text("def f():\n    from a import g\n")
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    with pytest.raises(CycleError):
        tuple(TopologicalSorter(arrows(sorted(tmp_path.glob("*.py")))).static_order())


SLOW_TO_LOAD = {"scipy.special", "scipy.linalg", "scipy.stats", "scipy.sparse.csgraph"}  # 30 ms each, or more


def loaded_with(start: str) -> set[str]:
    """What the files that a module brings in import at their heads, from outside too."""
    named = {name_of(file).removesuffix(".__init__"): file for file in MODELS + SCHEDULER}
    waiting, seen, outer = [start], set[str](), set[str]()
    while waiting:
        if (name := waiting.pop()) in seen or name not in named:
            outer |= {name} - named.keys()
            continue
        seen.add(name)
        inside = {n for f in nodes(named[name]) if isinstance(f, ast.FunctionDef) for n in ast.walk(f)}
        heads = [n for n in nodes(named[name]) if n not in inside]
        waiting += [alias.name for n in heads if isinstance(n, ast.Import) for alias in n.names]
        for n in heads:
            if isinstance(n, ast.ImportFrom) and n.module:
                waiting += [n.module, *(f"{n.module}.{alias.name}" for alias in n.names)]
    return outer


def test_an_evening_loads_nothing_slow_that_it_does_not_need():
    assert loaded_with("scheduler.evening") & SLOW_TO_LOAD == set()
    assert loaded_with("scheduler.learn") & SLOW_TO_LOAD  # learning does need it, so that this could fail


FOR_OTHERS = {"read_back"}  # reads an exported table again, for whoever wants to check one


def defined(file: Path) -> dict[str, ast.stmt]:
    """Functions, classes and constants of a file that others may name; commands of the terminal apart."""
    found: dict[str, ast.stmt] = {}
    for node in nodes(file)[0].body:  # type: ignore[attr-defined]
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            if not any(ast.unparse(d).startswith("app.") for d in node.decorator_list):
                found[node.name] = node
        elif isinstance(node, (ast.Assign, ast.AnnAssign)):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names = [n.id for t in targets for n in ast.walk(t) if isinstance(n, ast.Name)]
            found |= dict.fromkeys((n for n in names if not n.startswith("__")), node)
    return found


def loads(node: ast.AST) -> list[str]:
    """Names that are read, bare or after a dot."""
    inside = list(ast.walk(node))
    bare = [n.id for n in inside if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Load)]
    return bare + [n.attr for n in inside if isinstance(n, ast.Attribute)]


def unused(files: Iterable[Path]) -> dict[str, list[str]]:
    """What a file defines and no file of the product reads, a function's own body apart."""
    read: dict[str, int] = {}
    files = list(files)
    for file in files:
        for name in loads(nodes(file)[0]):
            read[name] = read.get(name, 0) + 1
    found = {}
    for file in files:
        left = [n for n, node in defined(file).items() if read.get(n, 0) <= loads(node).count(n)]
        if left:
            found[name_of(file)] = left
    return found


def test_nothing_is_kept_for_the_tests_alone():
    left = {name: set(names) - FOR_OTHERS for name, names in unused(MODELS + SCHEDULER).items()}
    assert {name: names for name, names in left.items() if names} == {}


def test_what_nothing_reads_is_seen(monkeypatch, tmp_path):
    (tmp_path / "a.py").write_text("KEPT = 1\nLOST = 2\ndef used(): return KEPT\ndef lost(): return lost()\n")
    (tmp_path / "b.py").write_text("from a import used, LOST\nvalue = used()\nprint(value)\n")
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    assert unused(sorted(tmp_path.glob("*.py"))) == {"a": ["LOST", "lost"]}


def unnamed(init: Path) -> list[str]:
    """Files of a package that the map in its docstring does not name."""
    text = ast.get_docstring(ast.parse(init.read_text(encoding="utf-8"))) or ""
    return sorted(f.name for f in init.parent.glob("*.py") if f != init and f.name not in text)


def test_the_map_of_a_room_names_every_file_in_it():
    assert wrong((f for f in MODELS + SCHEDULER if f.name == "__init__.py"), unnamed) == {}


def test_a_file_off_the_map_is_seen(tmp_path):
    (tmp_path / "__init__.py").write_text('"""A room.\n\n`here.py`   what it does\n"""\n')
    for name in ("here.py", "lost.py"):
        (tmp_path / name).touch()
    assert unnamed(tmp_path / "__init__.py") == ["lost.py"]
