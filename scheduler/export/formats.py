"""Rows of cells to the bytes of a file and back: CSV, JSON, fixed width and XLSX.

Reading gives text or numbers per column; it exists to prove a table before it is published, and to read one that was.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from typing import Any

from scheduler.errors import InputProblems, Problem
from scheduler.export.profile import Profile

Cell = str | int | float
LABEL = "# "  # begins the line above the table of a plan that is not the full one
FORMULA_STARTS = ("=", "+", "-", "@", "'")
SUFFIX = {"csv": ".csv", "json": ".json", "fixed_width": ".txt", "xlsx": ".xlsx"}


def to_bytes(rows: Sequence[Sequence[Cell]], profile: Profile, label: str = "") -> bytes:
    """Write rows in the profile's format, under a line with a label where there is one.

    Raises
    ------
    InputProblems   XLSX without the library it needs.
    """
    shape = profile.file
    label = f"{LABEL}{label}" if label and shape.label_line else ""
    if shape.format == "json":
        records = [dict(zip([c.heading for c in profile.column], row, strict=True)) for row in rows]
        return (json.dumps(records, ensure_ascii=False, indent=1, allow_nan=False) + "\n").encode()
    if shape.format == "xlsx":
        return _to_xlsx(rows, profile, label)
    table = [[_text(v, profile) for v in row] for row in rows]
    if shape.header:
        table.insert(0, [_guarded(c.heading, profile) for c in profile.column])
    end = "\r\n" if shape.line_end == "crlf" else "\n"
    if shape.format == "csv":
        stream = io.StringIO(newline="")
        csv.writer(stream, delimiter=shape.delimiter, lineterminator=end).writerows(table)
        text = stream.getvalue()
    else:
        text = "".join(
            "".join(
                v.rjust(c.width or 0) if c.align == "right" else v.ljust(c.width or 0)
                for v, c in zip(row, profile.column, strict=True)
            )
            + end
            for row in table
        )
    text = f"{label}{end}{text}" if label else text
    return text.encode("utf-8-sig" if shape.byte_order_mark else "utf-8")


def from_bytes(data: bytes, profile: Profile, labels: Iterable[str] = ()) -> list[tuple[Cell, ...]]:
    """Read rows back, without a line of one of the labels above them; raises ValueError for a file of another shape.

    A zone may be called `# 1 green`, so a line that only begins like a label is a row.
    """
    shape, above = profile.file, {f"{LABEL}{label}" for label in labels if label}
    headings = [c.heading for c in profile.column]
    if shape.format == "json":
        records = json.loads(data)
        return [tuple(record[h] for h in headings) for record in records]
    if shape.format == "xlsx":
        table: list[tuple[Cell, ...]] = _from_xlsx(data)
        if table and table[0][0] in above:
            table = table[1:]
    else:
        text = data.decode("utf-8-sig")
        first, _, rest = text.partition("\n")
        text = rest if first.removesuffix("\r") in above else text
        if shape.format == "csv":
            lines = csv.reader(io.StringIO(text, newline=""), delimiter=shape.delimiter)
            table = [tuple(_unguarded(v, profile) for v in row) for row in lines]
        else:
            table = [_slices(line.removesuffix("\r"), profile) for line in text.split("\n")[:-1]]
    if shape.header:
        if not table or [str(v) for v in table[0]] != headings:
            raise ValueError(f"the header is {list(table[0]) if table else 'missing'}; allowed: {headings}")
        table = table[1:]
    for number, row in enumerate(table, 2 if shape.header else 1):
        if len(row) != len(headings):
            raise ValueError(f"line {number} has {len(row)} cells; {len(headings)} are allowed")
    return table


def _text(value: Cell, profile: Profile) -> str:
    if isinstance(value, str):
        return _guarded(value, profile)
    return str(value).replace(".", profile.file.decimal)


def _guarded(text: str, profile: Profile) -> str:
    if profile.file.format == "csv" and profile.file.guard_formulas and text.startswith(FORMULA_STARTS):
        return "'" + text
    return text


def _unguarded(text: str, profile: Profile) -> str:
    return text[1:] if profile.file.guard_formulas and text.startswith("'") else text


def _slices(line: str, profile: Profile) -> tuple[str, ...]:
    cells, at = [], 0
    for column in profile.column:
        width = column.width or 0
        cells.append(line[at : at + width].strip())
        at += width
    return tuple(cells)


def _library() -> Any:
    try:
        import openpyxl
    except ImportError as reason:
        text = "XLSX needs the Python package openpyxl, which is not installed; csv, json and fixed_width need nothing"
        raise InputProblems([Problem("export profile", None, "file.format", text)]) from reason
    return openpyxl


def _to_xlsx(rows: Sequence[Sequence[Cell]], profile: Profile, label: str) -> bytes:
    book = _library().Workbook()
    sheet = book.active
    table = [[c.heading for c in profile.column], *rows] if profile.file.header else rows
    for i, row in enumerate([[label], *table] if label else table, 1):
        for j, value in enumerate(row, 1):
            cell = sheet.cell(i, j, value)
            if isinstance(value, str):
                cell.data_type = "s"  # text, also if it begins like a formula
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def _from_xlsx(data: bytes) -> list[tuple[Cell, ...]]:
    sheet = _library().load_workbook(io.BytesIO(data)).active
    return [tuple("" if v is None else v for v in row) for row in sheet.iter_rows(values_only=True)]
