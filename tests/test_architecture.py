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
# What a file of the application may not import, outermost first: a file never reaches up.
LAYERS = (
    {"cli"},
    {"evening", "morning", "whatif", "season", "salts", "learn", "standing", "summary", "summary_records"},
    {"site", "ledger"},
)


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
    assert not uses or file.relative_to(ROOT).as_posix() == "models/plan/solve.py"


@pytest.mark.parametrize("file", SCHEDULER, ids=name_of)
def test_the_application_never_reaches_up(file: Path):
    place = file.relative_to(ROOT / "scheduler").parts[0].removesuffix(".py")
    level = next((i for i, names in enumerate(LAYERS) if place in names), 1.5)
    above = {name for i, names in enumerate(LAYERS) if i < level for name in names if name != place}
    reached = {n.split(".")[1] for n in imports(file) if n.startswith("scheduler.") and n.count(".")}
    if place in LAYERS[1]:
        above = LAYERS[0]
    if place == "cli":
        above = set()
    assert not reached & above


@pytest.mark.parametrize("file", SCHEDULER, ids=name_of)
def test_units_and_terminal_have_one_place(file: Path):
    roots = {name.split(".")[0] for name in imports(file)}
    where = file.relative_to(ROOT / "scheduler").as_posix()
    if where != "site/units.py":
        assert "pint" not in roots
    if where not in ("cli.py", "summary.py", "summary_records.py"):
        assert not roots & {"rich", "typer"}
    assert not {n for n in imports(file) if n.startswith(("pyomo", "highspy"))}
