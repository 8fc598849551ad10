"""A small calculator for the formulas of a workbook: SUM, SUMIFS, MAX, MIN and + - * /; it knows nothing else.

Reads with openpyxl what is written, never the values kept beside the formulas. Held once by hand against a spreadsheet
program (`soffice --convert-to csv`), sheet by sheet.
"""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path
from typing import Any

from openpyxl import load_workbook
from openpyxl.utils import column_index_from_string

TOKEN = re.compile(
    r"\s*(?:(?P<number>\d+\.?\d*(?:[eE][+-]?\d+)?)|(?P<name>SUMIFS|SUM|MAX|MIN)\("
    r"|(?P<ref>(?:(?:'[^']+'|\w+)!)?\$?[A-Z]{1,3}\$?\d+(?::\$?[A-Z]{1,3}\$?\d+)?)|(?P<sign>[-+*/(),]))"
)


class Workbook:
    """Cells of a workbook, calculated when asked."""

    def __init__(self, path: Path) -> None:
        book = load_workbook(path)
        self.cells: dict[str, dict[tuple[int, int], Any]] = {
            sheet.title: {(c.row, c.column): c.value for row in sheet.iter_rows() for c in row if c.value is not None}
            for sheet in book.worksheets
        }
        self.done: dict[tuple[str, int, int], Any] = {}

    def table(self, sheet: str) -> list[list[Any]]:
        """All calculated cells of a sheet."""
        rows = max((r for r, _ in self.cells[sheet]), default=0)
        columns = max((c for _, c in self.cells[sheet]), default=0)
        return [[self.value(sheet, r, c) for c in range(1, columns + 1)] for r in range(1, rows + 1)]

    def value(self, sheet: str, row: int, column: int) -> Any:
        """What a cell comes to."""
        key = (sheet, row, column)
        if key not in self.done:
            written = self.cells[sheet].get((row, column))
            is_formula = isinstance(written, str) and written.startswith("=")
            self.done[key] = Formula(self, sheet, written[1:]).result() if is_formula else written
        return self.done[key]

    def area(self, sheet: str, text: str) -> list[Any]:
        """Values of a reference, row by row."""
        if "!" in text:
            sheet, text = text.rsplit("!", 1)
            sheet = sheet.strip("'")
        ends = text.replace("$", "").split(":")
        (c0, r0), (c1, r1) = (_place(ends[0]), _place(ends[-1]))
        return [self.value(sheet, r, c) for r in range(r0, r1 + 1) for c in range(c0, c1 + 1)]


def _place(text: str) -> tuple[int, int]:
    match = re.fullmatch(r"([A-Z]+)(\d+)", text)
    assert match, text
    return column_index_from_string(match[1]), int(match[2])


def _number(value: Any) -> float:
    return float(value) if isinstance(value, (int, float)) else 0.0


class Formula:
    """One formula, read from left to right."""

    def __init__(self, book: Workbook, sheet: str, text: str) -> None:
        self.book, self.sheet, self.tokens, at = book, sheet, [], 0
        while at < len(text):
            match = TOKEN.match(text, at)
            assert match, f"not known: {text[at:]!r}"
            self.tokens.append((match.lastgroup, match[match.lastgroup]))
            at = match.end()

    def result(self) -> float:
        """Calculate all of it."""
        found = self._sum()
        assert not self.tokens, f"left over: {self.tokens}"
        return found

    def _next(self, sign: str) -> bool:
        if self.tokens and self.tokens[0] == ("sign", sign):
            self.tokens.pop(0)
            return True
        return False

    def _sum(self) -> float:
        found = -self._product() if self._next("-") else self._product()
        while True:
            if self._next("+"):
                found += self._product()
            elif self._next("-"):
                found -= self._product()
            else:
                return found

    def _product(self) -> float:
        found = self._one()
        while True:
            if self._next("*"):
                found *= self._one()
            elif self._next("/"):
                found /= self._one()
            else:
                return found

    def _one(self) -> float:
        kind, text = self.tokens.pop(0)
        if kind == "number":
            return float(text)
        if kind == "ref":
            return _number(self.book.area(self.sheet, text)[0])
        if kind == "name":
            return self._function(text)
        assert text == "(", text
        found = self._sum()
        assert self._next(")")
        return found

    def _function(self, name: str) -> float:
        given: list[list[Any]] = []
        while not self._next(")"):
            if self.tokens[0][0] == "ref" and self.tokens[1] in (("sign", ","), ("sign", ")")):
                given.append(self.book.area(self.sheet, self.tokens.pop(0)[1]))
            else:
                given.append([self._sum()])
            self._next(",")
        if name == "SUMIFS":
            values, tests = given[0], list(zip(given[1::2], given[2::2], strict=True))
            return sum(
                _number(v) for i, v in enumerate(values) if all(_same(area[i], wanted[0]) for area, wanted in tests)
            )
        numbers = [_number(v) for area in given for v in area if isinstance(v, (int, float))]
        return {"SUM": sum, "MAX": max, "MIN": min}[name](numbers)


def _same(cell: Any, wanted: Any) -> bool:
    return not isinstance(cell, datetime) and str(cell) == str(wanted)
