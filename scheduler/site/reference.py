"""Every column and key of a site folder on one page, made from what the program itself reads.

`python -m scheduler.site.reference` writes `scenarios/reference.md` anew after a column or key has changed; a test
fails while it is stale.
"""

from __future__ import annotations

import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from scheduler.files import write_atomic
from scheduler.site import schema
from scheduler.site.cells import Column, bound_words
from scheduler.site.columns import FILES
from scheduler.site.records import WEEKDAYS
from scheduler.site.units import Linear, conversion

PAGE = Path(__file__).parents[2] / "scenarios" / "reference.md"
HEAD = """# Every column and key

Made by `python -m scheduler.site.reference` from what the program reads; what each means is in [README.md](README.md).
A header may carry its unit in brackets (`area [ft2]`); without brackets the unit below is taken. A quantity in
site.toml is a number in the default unit or a text with its unit (`"560 gal/min"`).
"""


def reference() -> str:
    """Make the page."""
    parts = [HEAD]
    for name, columns in FILES.items():
        rows = "".join(f"| `{c.name}` | {c.written_unit} | {_allowed(c)} | {_needed(c)} |\n" for c in columns)
        parts.append(f"## {name}.csv\n\n| column | unit | allowed | needed |\n|---|---|---|---|\n{rows}")
    parts.append("## site.toml\n\n| table | key | needed | if left out |\n|---|---|---|---|\n" + "".join(_keys()))
    return "\n".join(parts)


def _allowed(column: Column) -> str:
    """What a cell may hold."""
    if column.kind == "number":
        scale = Linear(1.0)
        if column.written_unit != column.unit:
            scale = conversion(column.written_unit, column.unit)
        return bound_words(column, scale, True).replace(", is allowed", "").replace(" is allowed", "")
    if column.kind == "choice":
        return ", ".join(f"`{c}`" for c in column.choices)
    return {"flag": "yes or no", "date": "a date", "time": "a time, ISO 8601", "id": "a short text"}.get(
        column.kind, "a text"
    )


def _needed(column: Column) -> str:
    if column.filled:
        return "in every row"
    return "the column" if column.required else ""


def _keys() -> Iterator[str]:
    """One row a key of site.toml, table by table."""
    for name, field in schema.SiteFile.model_fields.items():
        table, many = _model(field.annotation)
        if table is None:
            yield _row("at the top", name, field)
            continue
        shown = "[surface.NAME]" if name == "surface" else f"[[{name}]]" if many else f"[{name}]"
        yield from _rows(shown, table)


def _rows(shown: str, table: type[BaseModel]) -> Iterator[str]:
    for key, field in table.model_fields.items():
        inner, many = _model(field.annotation)
        name = field.alias or key
        if inner is None:
            yield _row(shown, name, field)
        else:
            bare = shown.strip("[]")
            yield from _rows(f"[[{bare}.{name}]]" if many else f"[{bare}.{name}]", inner)


def _row(shown: str, key: str, field: FieldInfo) -> str:
    default = "" if field.is_required() else _default(field.default)
    return f"| `{shown}` | `{key}` | {'yes' if field.is_required() else ''} | {default} |\n"


def _default(value: Any) -> str:
    """What is taken where a key is left out, as it would be written; empty where that is settled elsewhere."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, frozenset) and len(value) == len(WEEKDAYS):
        return "all days"
    return f"`{value:g}`" if isinstance(value, int | float) else f"`{value}`" if isinstance(value, str) else ""


def _model(annotation: Any) -> tuple[type[BaseModel] | None, bool]:
    """The table a field holds, and whether it may stand several times."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation, False
    many = typing.get_origin(annotation) in (list, dict, tuple)
    for inner in typing.get_args(annotation):
        found, _ = _model(inner)
        if found is not None:
            return found, many
    return None, False


if __name__ == "__main__":
    write_atomic(PAGE, reference())
