"""CSV files of a site folder as arrays in inside units, with every fault located.

`csv_text.py` reads the cells; here columns are found, and cells become numbers in inside units, dates and names. What a
cell may be stands in `Column`; what the columns of each file are stands in `scheduler.site.columns`.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from scheduler.errors import LISTED_PER_COLUMN, counted, listing, near_miss, read_but, shown
from scheduler.site.cells import Column, bound_words, understand
from scheduler.site.csv_text import Cells, CsvText, csv_text, read_bytes
from scheduler.site.findings import Findings
from scheduler.site.likely import other_dates, other_unit, unit_words
from scheduler.site.units import Linear, conversion

FEEDS = "feeds/"  # files there are written by the program, in its own units
MOSTLY = 0.9  # [-] of the numbers of a share above 1, from which it is in percent
_HEADER = re.compile(r"\s*(.*?)\s*(?:\[\s*(.*?)\s*\])?\s*", re.DOTALL)


@dataclass
class Table:
    """One file as read: `values` by column name, numbers in inside units, and where each row stands in the file.

    Every column of the file's list is present; a column the file does not have is all unknown (NaN, "", NaT or None).
    `stated` are the columns whose unit stands in the header.
    """

    file: str
    rows: int
    values: dict[str, np.ndarray]
    present: frozenset[str]
    headers: dict[str, str]
    scales: dict[str, Linear]
    stated: frozenset[str]
    header_line: int
    lines_of_rows: Callable[[], np.ndarray]

    def line(self, row: int) -> int:
        """Give the line of the file on which a row begins."""
        return int(self.lines_of_rows()[row])

    def header(self, name: str) -> str:
        """Give the header of a column as written, for messages."""
        return self.headers.get(name, name)

    def written(self, name: str, value: float) -> str:
        """Give an inside number of a column in the file's unit, for messages."""
        return f"{self.scales[name].written(value):.6g}" if name in self.scales else f"{value:.6g}"

    def refuse(self, findings: Findings, name: str, bad: np.ndarray, message: Callable[[int], str]) -> None:
        """Add a problem for every row marked in `bad`, shape (R,); `message` is given the row."""
        rows = np.flatnonzero(bad)
        faults = [(self.line(int(row)), message(int(row))) for row in rows[: LISTED_PER_COLUMN + 1]]
        if faults:
            findings.many(self.file, self.header(name), faults, len(rows))


def read_table(
    folder: Path,
    file: str,
    columns: Sequence[Column],
    findings: Findings,
    *,
    column_map: Mapping[str, str] | None = None,
    time_zone: Any = None,
    indispensable: bool = False,
) -> Table | None:
    """Read one CSV file of a site folder.

    Parameters
    ----------
    folder, file : Path, str
        The site folder and the name in it.
    columns : sequence of Column
        What the file may hold.
    findings : Findings
        Receives every problem and note.
    column_map : mapping, optional
        Header in an export -> header as it should read, for example "tmin [degF]"; an empty text leaves the column out.
    time_zone : ZoneInfo, optional
        Times with an offset become local to it.
    indispensable : bool
        Whether an absent file is a problem.

    Returns
    -------
    Table or None
        None if the file is absent or cannot be read at all. Cells with a problem are unknown in the table.
    """
    data = read_bytes(folder / file, file, findings, indispensable)
    text = None if data is None else csv_text(data, file, findings)
    if text is None:
        return None
    columns_at = _match_header(text, columns, findings, dict(column_map or {}))
    if not _all_there(text, columns, columns_at.place, findings):
        return None
    wanted = {index: next(c for c in columns if c.name == name) for name, index in columns_at.place.items()}
    cells = text.cells(wanted, findings)
    lines: list[np.ndarray] = [] if cells.lines is None else [cells.lines]

    def lines_of_rows() -> np.ndarray:
        if not lines:
            lines.append(text.line_numbers())
        return lines[0]

    headers = {name: text.header[index][0].strip() for name, index in columns_at.place.items()}
    table = Table(
        file, cells.rows, {}, frozenset(headers), headers, columns_at.scales, columns_at.stated, text.header_line,
        lines_of_rows,
    )  # fmt: skip
    for index, column in wanted.items():
        if column.kind == "number":
            table.values[column.name] = _understand_numbers(table, cells, index, column, findings)
        else:
            table.values[column.name] = _understand_texts(table, cells, index, column, findings, time_zone)
    for column in columns:
        if column.name not in headers:
            table.values[column.name] = column.unknown(cells.rows)
    return table


def _all_there(text: CsvText, columns: Sequence[Column], place: Mapping[str, int], findings: Findings) -> bool:
    """Whether the header has every column that is required; a problem for each that it lacks."""
    absent = [c for c in columns if c.required and c.name not in place]
    for column in absent:
        names = [h for i, (h, _) in enumerate(text.header) if h.strip() and i not in place.values()]
        near = difflib.get_close_matches(column.name, names, n=1, cutoff=0.7)
        hint = f'; write "{column.name}" in place of "{shown(near[0])}"' if near else ""
        read = listing([h for h, _ in text.header if h.strip()], 30)
        words = f"the header lacks this column{hint}; read {read}"
        findings.problem(text.file, text.header_line, column.name, words)
    return not absent


@dataclass(frozen=True)
class _ColumnsAt:
    """Which cell of the header is which column, each number column's unit, and whether the header states one."""

    place: dict[str, int]
    scales: dict[str, Linear]
    stated: frozenset[str]


def _match_header(
    text: CsvText, columns: Sequence[Column], findings: Findings, column_map: dict[str, str]
) -> _ColumnsAt:
    """Find which cell of the header is which column."""
    file, line, cells = text.file, text.header_line, text.header
    by_name = {name: c for c in columns for name in (c.name, *c.also)}
    taken: dict[str, int] = {}
    scales: dict[str, Linear] = {}
    stated: set[str] = set()
    for key in column_map:
        if key not in [name for name, _ in cells]:
            findings.note("warning", file, f'site.toml maps a column "{shown(key)}", which the header does not have')
    for index, (written, _) in enumerate(cells):
        meant = column_map.get(written, written)
        match = _HEADER.fullmatch(meant)
        name, unit = (match[1].casefold(), match[2]) if match else (meant, None)
        column = by_name.get(name)
        if column is None:
            if written and meant:
                hint = near_miss(name, [c.name for c in columns])
                findings.note("warning", file, f'the column "{shown(written)}" is not known and was kept out{hint}')
            continue
        if column.name in taken:
            first = cells[taken[column.name]][0]
            findings.problem(file, line, written, f'this column stands twice in the header ("{shown(first)}" before)')
            continue
        taken[column.name] = index
        if unit is not None:
            stated.add(column.name)
        if column.kind == "number":
            try:
                scales[column.name] = conversion(column.written_unit if unit is None else unit, column.unit)
            except ValueError as reason:
                findings.problem(file, line, written, str(reason))
                scales[column.name] = conversion(column.written_unit, column.unit)  # one fault is enough
        elif unit is not None and column.kind != "number" and unit.strip() not in ("", "-"):
            findings.note("info", file, f'the unit of the column "{shown(written)}" has no meaning and was not used')
    return _ColumnsAt(taken, scales, frozenset(stated))


def _understand_numbers(table: Table, cells: Cells, index: int, column: Column, findings: Findings) -> np.ndarray:
    """Values of a number column in its inside unit, NaN where there is none; its faults are added."""
    name, header = column.name, table.headers[column.name]
    scale = table.scales[name]
    words = bound_words(column, scale)
    faults = [(line, read_but(text, _why_no_number(text, words))) for line, text in cells.bad.get(index, [])]
    if faults:
        findings.many(table.file, header, faults, cells.bad_count[index])
    written = cells.numbers[index]
    if name not in table.stated and not table.file.startswith(FEEDS) and (unit := other_unit(column, written)):
        findings.problem(table.file, table.header_line, header, unit_words(column, unit, written))
        scale = table.scales[name] = conversion(unit, column.unit)
    values = _in_percent(table, column, header, scale.column(written), findings)
    with np.errstate(invalid="ignore"):
        outside = column.outside(values)
    if outside.any() and column.set_aside:
        readings = f'{counted(int(outside.sum()), "reading")} of the column "{shown(header)}"'
        findings.note("warning", table.file, f"{readings} outside of what is possible ({words}) set aside")
    elif outside.any():

        def beyond(row: int) -> str:
            return read_but(f"{written[row]:.10g}", bound_words(column, scale, values[row] > 0))

        table.refuse(findings, name, outside, beyond)
    if column.filled:
        _refuse_empty(table, cells, index, column, np.isnan(values), words, findings)
    return np.where(outside, np.nan, values)


def _refuse_empty(
    table: Table, cells: Cells, index: int, column: Column, unknown: np.ndarray, words: str, findings: Findings
) -> None:
    """Refuse empty cells of a column that must be filled, beside those that hold no number."""
    already = {line for line, _ in cells.bad.get(index, [])}
    if cells.bad_count.get(index, 0) > len(already):
        return  # not every bad cell is listed, so that empty ones cannot be told from them
    if already and unknown.any():
        unknown = unknown & ~np.isin(table.lines_of_rows(), list(already))
    table.refuse(findings, column.name, unknown, lambda row: f"the cell is empty; {words}")


def _understand_texts(
    table: Table, cells: Cells, index: int, column: Column, findings: Findings, time_zone: Any
) -> np.ndarray:
    """Values of any other column; its faults are added."""
    codes, texts = cells.texts[index]
    meant, wrong = understand(column, texts, time_zone)
    if wrong and column.kind in ("date", "time") and (words := other_dates(texts)):
        findings.problem(table.file, table.header_line, table.headers[column.name], words)
    elif wrong:
        bad_text = np.array([i in wrong for i in range(len(texts))], dtype=bool)
        table.refuse(
            findings, column.name, bad_text[codes],
            lambda row: wrong[codes[row]] if not texts[codes[row]] else read_but(texts[codes[row]], wrong[codes[row]]),
        )  # fmt: skip
    return meant[codes] if len(texts) else column.unknown(0)


def _in_percent(table: Table, column: Column, header: str, values: np.ndarray, findings: Findings) -> np.ndarray:
    """Read a share written in percent without saying so; a note says it."""
    known = values[np.isfinite(values)]
    known = known[known != 0]
    if not column.maybe_percent or column.name in table.stated or not known.size:
        return values
    if np.mean((known > 1.0) & (known <= 100.0)) < MOSTLY:
        return values
    text = f'the column "{shown(header)}" is in percent; it is read so. Write "{column.name} [%]" to say it'
    findings.note("info", table.file, text)
    return values / 100.0


def _why_no_number(text: str, words: str) -> str:
    """Add a hint to the words on what is allowed, for the common ways of writing a number wrongly."""
    if not text.isascii() and any(c.isdigit() and not c.isascii() for c in text):
        return f"{words} (write numbers with the digits 0 to 9)"
    if re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?", text) or re.fullmatch(r"[+-]?\d{1,3}(\.\d{3})+,\d+", text):
        return f"{words} (write it without separators of thousands)"
    if re.fullmatch(r"[+-]?\d+,\d+", text):
        return f"{words} (decimal commas are read in semicolon-separated files only)"
    if re.fullmatch(r"[+-]?\d+\.\d+", text):
        return f"{words} (this file writes its decimals with a comma, so a point is doubtful)"
    if text.casefold() in ("nan", "na", "n/a", "null", "none", "-", "--", "inf", "-inf", "infinity"):
        return f"{words} (leave the cell empty where the value is not known)"
    return words
