"""The tree is the architecture: imports go one way, and `models` stays free of files, clocks, screens and databases."""

from __future__ import annotations

import ast
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
    {"errors", "notes", "files"},
    {"site"},
    {"edge", "events", "feeds", "nights", "starter", "supply"},
    {"state"},
    {"salinity"},
    {"plan"},
    {"night"},
    {"document"},
    {"ledger"},
    {"learn", "morning"},
    {"sheets"},
    {"export"},
    {"evening"},
    {"nightly", "season", "whatif"},
    {"serve"},
    {"terminal"},
    {"cli"},
)
FLOOR = {room: number for number, rooms in enumerate(FLOORS) for room in rooms}


def imports(file: Path) -> set[str]:
    """Full names of all modules a file imports, also inside functions."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def name_of(file: Path) -> str:
    return ".".join(file.relative_to(ROOT).with_suffix("").parts)


@pytest.mark.parametrize("file", MODELS, ids=name_of)
def test_models_never_reach_the_application_or_the_outside(file: Path):
    roots = {name.split(".")[0] for name in imports(file)}
    assert "scheduler" not in roots
    assert not roots & FORBIDDEN_MODULES
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name):
                assert node.func.id not in FORBIDDEN_CALLS, f"line {node.lineno}"
            elif isinstance(node.func, ast.Attribute) and isinstance(node.func.value, ast.Name):
                assert (node.func.value.id, node.func.attr) not in CLOCKS, f"line {node.lineno}"


@pytest.mark.parametrize("file", MODELS, ids=name_of)
def test_science_never_imports_the_plan_or_the_night(file: Path):
    if file.parent.name in ("plan", "night"):
        return
    assert not {name for name in imports(file) if name.startswith(("models.plan", "models.night", "pyomo", "highspy"))}


@pytest.mark.parametrize("file", MODELS, ids=name_of)
def test_only_one_file_knows_the_solver(file: Path):
    uses = {name for name in imports(file) if name.split(".")[0] == "highspy"}
    assert not uses or file.relative_to(ROOT).as_posix() == "models/plan/highs.py"


def room_of(file: Path) -> str:
    return file.relative_to(ROOT / "scheduler").parts[0].removesuffix(".py")


def climbs(file: Path) -> set[str]:
    """Rooms a file imports from that are not below its own."""
    own = room_of(file)
    reached = {n.split(".")[1] for n in imports(file) if n.startswith("scheduler.")} - {own}
    return {room for room in reached if FLOOR[room] >= FLOOR[own]}


def test_every_room_has_a_floor():
    assert {room_of(file) for file in SCHEDULER} - {"__init__"} == FLOOR.keys()


@pytest.mark.parametrize("file", [f for f in SCHEDULER if room_of(f) != "__init__"], ids=name_of)
def test_the_application_never_reaches_up(file: Path):
    assert climbs(file) == set()


def test_an_arrow_back_up_is_seen(monkeypatch, tmp_path):
    # also one for typing only
    place = tmp_path / "scheduler" / "site" / "wrong.py"
    place.parent.mkdir(parents=True)
    place.write_text(
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from scheduler.evening import plan_tonight\n"
    )
    monkeypatch.setitem(globals(), "ROOT", tmp_path)
    assert climbs(place) == {"evening"}


@pytest.mark.parametrize("file", SCHEDULER, ids=name_of)
def test_units_and_terminal_have_one_place(file: Path):
    roots = {name.split(".")[0] for name in imports(file)}
    where = file.relative_to(ROOT / "scheduler").as_posix()
    if where != "site/units.py":
        assert "pint" not in roots
    if where != "cli.py" and not where.startswith("terminal/"):
        assert not roots & {"rich", "typer"}
    assert not {n for n in imports(file) if n.startswith(("pyomo", "highspy"))}
