"""CSV files: reading any spreadsheet's or station's table into arrays, with every fault located.

Two ways lead to the same `Table`. The quick way (pandas' C parser) is for long files and gives up at the first doubt;
the careful way (the csv module, in pieces) reads anything, knows every line number and collects every fault. A number
column becomes a float array in its inside unit, any other column codes into its few different texts, so that each text
is understood once however long the file is.

What a cell may be stands in `Column`; what the columns of each file are stands in `scheduler.site.columns`.
"""

from __future__ import annotations

import csv
import difflib
import io
import re
import stat
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from scheduler.errors import LISTED_PER_COLUMN, Problem, counted, listing, near_miss, read_but, shown
from scheduler.notes import Note
from scheduler.site.cells import Column, bound_words, understand
from scheduler.site.likely import other_dates, other_unit, unit_words
from scheduler.site.units import NUMBER, Linear, conversion

QUICK_BYTES = 400_000  # files longer than this take the quick way first
FEEDS = "feeds/"  # files there are written by the program, in its own units
PIECE = 50_000  # rows read at a time on the careful way
LARGEST_FILE = 2_000_000_000  # bytes; ten years of a large site's readings are a tenth of it
WIDEST_HEADER = 1_000  # columns; an export that has more is not one of these files
csv.field_size_limit(2**31 - 1)  # a long cell is a fault of its column, not of the file
_HEADER = re.compile(r"\s*(.*?)\s*(?:\[\s*(.*?)\s*\])?\s*", re.DOTALL)
_DECIMAL_COMMA = re.compile(rb"[;\r\n]\s*\"?[+-]?\d+,\d+\"?\s*(?=[;\r\n]|\Z)")

ZIP = b"PK\x03\x04"  # how every workbook begins
MOSTLY = 0.9  # [-] of the numbers of a share above 1, from which it is in percent


@dataclass
class Findings:
    """Problems and notes gathered over a folder, with the cap on problems of one column."""

    problems: list[Problem] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)

    def problem(self, file: str, line: int | None, column: str | None, message: str) -> None:
        """Add one problem."""
        self.problems.append(Problem(file, line, column, message))

    def many(self, file: str, column: str | None, faults: Sequence[tuple[int, str]], total: int | None = None) -> None:
        """Add the faults (line, message) of one column; after `LISTED_PER_COLUMN` only their number."""
        total = len(faults) if total is None else total
        for line, message in faults[:LISTED_PER_COLUMN]:
            self.problem(file, line, column, message)
        if total > LISTED_PER_COLUMN:
            line = faults[LISTED_PER_COLUMN][0] if len(faults) > LISTED_PER_COLUMN else faults[-1][0]
            self.problem(file, line, column, f"and {total - LISTED_PER_COLUMN:,} more of this kind from here on")

    def note(self, kind: Any, subject: str, text: str) -> None:
        """Add one note."""
        self.notes.append(Note(kind, subject, text))


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


@dataclass
class _Cells:
    """The cells of a file before they are understood: floats in written units, or codes into texts."""

    rows: int
    numbers: dict[int, np.ndarray]
    texts: dict[int, tuple[np.ndarray, list[str]]]
    bad: dict[int, list[tuple[int, str]]]
    bad_count: dict[int, int]
    lines: np.ndarray | None


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
    if data is None:
        return None
    separator = _separator(data)
    decimal_comma = separator == b";" and b"," in data and _DECIMAL_COMMA.search(data) is not None
    header = _header_cells(data, separator, file, findings)
    if header is None:
        return None
    before = len(findings.problems)
    taken, scales, stated, header_line = _match_header(header, file, columns, findings, dict(column_map or {}))
    absent = [c for c in columns if c.required and c.name not in taken]
    for column in absent:
        names = [h for i, (h, _) in enumerate(header[0]) if h.strip() and i not in taken.values()]
        near = difflib.get_close_matches(column.name, names, n=1, cutoff=0.7)
        hint = f'; write "{column.name}" in place of "{shown(near[0])}"' if near else ""
        read = listing([h for h, _ in header[0] if h.strip()], 30)
        findings.problem(file, header_line, column.name, f"the header lacks this column{hint}; read {read}")
    if len(findings.problems) > before and absent:
        return None

    wanted = {index: next(c for c in columns if c.name == name) for name, index in taken.items()}
    width = len(header[0])
    cells = None
    if len(data) > QUICK_BYTES:
        cells = _quick(data, separator, decimal_comma, width, wanted, header[1])
    if cells is None:
        cells = _careful(data, separator, decimal_comma, width, wanted, file, findings, header[1])
    lines: list[np.ndarray] = [] if cells.lines is None else [cells.lines]

    def lines_of_rows() -> np.ndarray:
        if not lines:
            lines.append(_line_numbers(data, separator, header[1]))
        return lines[0]

    headers = {name: header[0][index][0].strip() for name, index in taken.items()}
    table = Table(file, cells.rows, {}, frozenset(taken), headers, scales, stated, header_line, lines_of_rows)
    for index, column in wanted.items():
        _understand_column(table, cells, index, column, findings, time_zone)
    for column in columns:
        if column.name not in taken:
            table.values[column.name] = column.unknown(cells.rows)
    return table


def read_bytes(path: Path, file: str, findings: Findings, indispensable: bool) -> bytes | None:
    """Read a file and check that it is UTF-8; a byte-order mark is taken off."""
    if not path.exists() and not path.is_symlink():
        if indispensable:
            findings.problem(file, None, None, "there is no such file in the site folder; it is indispensable")
        return None
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # a pipe would wait for ever, a device never end
            findings.problem(file, None, None, "this is not a regular file; a file or a link to one is allowed")
            return None
        if path.stat().st_size > LARGEST_FILE:
            findings.problem(
                file, None, None, f"the file has {path.stat().st_size:,} bytes; up to {LARGEST_FILE:,} are allowed"
            )
            return None
        data = path.read_bytes()
    except OSError as reason:
        findings.problem(file, None, None, f"the file cannot be read ({reason.strerror or type(reason).__name__})")
        return None
    data = data.removeprefix(b"\xef\xbb\xbf")
    if not data.isascii():
        try:
            data.decode("utf-8")
        except UnicodeDecodeError as reason:
            if data.startswith(ZIP):
                words = "this is a workbook, not a CSV; open it in a spreadsheet and save it as CSV UTF-8"
                findings.problem(file, None, None, f"the file cannot be read: {words}")
                return None
            line = _count_lines(data[: reason.start]) + 1
            byte = data[reason.start]
            how = 'save the file as "CSV UTF-8"' if file.endswith(".csv") else "save the file as UTF-8"
            findings.problem(file, line, None, f"read the byte 0x{byte:02X}, which is not UTF-8; {how}")
            return None
    if not data.strip():
        needed = {".toml": "[site] is needed", ".geojson": "a FeatureCollection is needed, or no file"}
        words = needed.get(Path(file).suffix, "a header row is needed")
        findings.problem(file, None, None, f"the file is empty; {words}")
        return None
    return data


def _count_lines(data: bytes) -> int:
    """Count the line ends of any of the three kinds."""
    return data.count(b"\n") + data.count(b"\r") - data.count(b"\r\n")


def _separator(data: bytes) -> bytes:
    """Find comma, semicolon or tab from the first line that is not blank, outside of brackets and quotes."""
    first = next((line for line in re.split(rb"[\r\n]+", data[:100_000]) if line.strip(b" \t,;")), b"")
    bare = re.sub(rb'"[^"]*"|\[[^\]]*\]', b"", first)
    return max((b",", b";", b"\t"), key=bare.count)


def _records(data: bytes, separator: bytes) -> tuple[Any, Any]:
    """Give a csv reader over the text; strict, so that a quote that never closes is noticed."""
    text = io.TextIOWrapper(io.BytesIO(data), encoding="utf-8", newline="")
    return csv.reader(text, delimiter=separator.decode(), strict=True, skipinitialspace=True), text


def _header_cells(
    data: bytes, separator: bytes, file: str, findings: Findings
) -> tuple[list[tuple[str, str]], int] | None:
    """Read the header: its cells (as written, stripped) and its line."""
    reader, _ = _records(data, separator)
    try:
        for record in reader:
            if len(record) > WIDEST_HEADER:
                text = f"the header has {len(record):,} columns; up to {WIDEST_HEADER:,} are allowed"
                findings.problem(file, reader.line_num, None, text)
                return None
            if any(cell.strip() for cell in record):
                return [(cell.strip(), cell) for cell in record], reader.line_num
    except csv.Error as reason:
        findings.problem(file, reader.line_num, None, f"the header cannot be read as CSV: {reason}")
        return None
    findings.problem(file, None, None, "the file holds no header row")
    return None


def _match_header(
    header: tuple[list[tuple[str, str]], int],
    file: str,
    columns: Sequence[Column],
    findings: Findings,
    column_map: dict[str, str],
) -> tuple[dict[str, int], dict[str, Linear], frozenset[str], int]:
    """Find which cell of the header is which column, its unit, and whether the header states it."""
    cells, line = header
    by_name = {name: c for c in columns for name in (c.name, *c.also)}
    taken: dict[str, int] = {}
    scales: dict[str, Linear] = {}
    stated: set[str] = set()
    for key in column_map:
        if key not in [text for text, _ in cells]:
            findings.note("warning", file, f'site.toml maps a column "{shown(key)}", which the header does not have')
    for index, (text, _) in enumerate(cells):
        meant = column_map.get(text, text)
        match = _HEADER.fullmatch(meant)
        name, unit = (match[1].casefold(), match[2]) if match else (meant, None)
        column = by_name.get(name)
        if column is None:
            if text and meant:
                hint = near_miss(name, [c.name for c in columns])
                findings.note("warning", file, f'the column "{shown(text)}" is not known and was kept out{hint}')
            continue
        if column.name in taken:
            first = cells[taken[column.name]][0]
            findings.problem(file, line, text, f'this column stands twice in the header ("{shown(first)}" before)')
            continue
        taken[column.name] = index
        if unit is not None:
            stated.add(column.name)
        if column.kind == "number":
            try:
                scales[column.name] = conversion(column.written_unit if unit is None else unit, column.unit)
            except ValueError as reason:
                findings.problem(file, line, text, str(reason))
                scales[column.name] = conversion(column.written_unit, column.unit)  # one fault is enough
        elif unit is not None and column.kind != "number" and unit.strip() not in ("", "-"):
            findings.note("info", file, f'the unit of the column "{shown(text)}" has no meaning and was not used')
    return taken, scales, frozenset(stated), line


def _quick(
    data: bytes, separator: bytes, decimal_comma: bool, width: int, wanted: Mapping[int, Column], header_line: int
) -> _Cells | None:
    """Read a long file by pandas' C parser; None at the first doubt."""
    if b'"' in data or b"\0" in data or b" ;" in data or header_line != 1:
        return None
    types = {i: "float64" if i in wanted and wanted[i].kind == "number" else "category" for i in range(width)}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)  # rows longer than the header
            frame = pd.read_csv(
                io.BytesIO(data), sep=separator.decode(), header=None, names=range(width), skiprows=1, index_col=False,
                dtype=types, keep_default_na=False, decimal="," if decimal_comma else ".",
                na_values={i: [""] for i, t in types.items() if t == "float64"},
                skip_blank_lines=True, skipinitialspace=True, quoting=csv.QUOTE_NONE,
                encoding="utf-8", float_precision="high", low_memory=False,
            )  # fmt: skip
    except (ValueError, OverflowError, pd.errors.ParserWarning):  # ParserError is a ValueError
        return None
    rows = len(frame)
    if data.count(separator) != (rows + 1) * (width - 1):
        return None  # some row has too few or too many cells
    numbers, texts = {}, {}
    blank = np.ones(rows, dtype=bool)
    for index, column in wanted.items():
        values = frame[index]
        if column.kind == "number":
            numbers[index] = values.to_numpy()
            if np.isinf(numbers[index]).any():
                return None
            blank &= np.isnan(numbers[index])
        else:
            names = [str(text).strip() for text in values.cat.categories]
            codes = values.cat.codes.to_numpy()
            if (codes < 0).any():
                return None
            texts[index] = (codes, names)
            if "" in names:
                blank &= np.isin(codes, [i for i, name in enumerate(names) if not name])
            else:
                blank[:] = False
    if blank.any():
        return None  # rows of separators only: the careful way leaves them out
    return _Cells(rows, numbers, texts, {}, {}, None)


def _careful(
    data: bytes,
    separator: bytes,
    decimal_comma: bool,
    width: int,
    wanted: Mapping[int, Column],
    file: str,
    findings: Findings,
    header_line: int,
) -> _Cells:
    """Read any file by the csv module, in pieces, and collect every fault."""
    reader, _ = _records(data, separator)
    pieces: dict[int, list[np.ndarray]] = {i: [] for i in wanted}
    interned: dict[int, dict[str, int]] = {i: {} for i, c in wanted.items() if c.kind != "number"}
    bad: dict[int, list[tuple[int, str]]] = {i: [] for i in wanted}
    bad_count = dict.fromkeys(wanted, 0)
    line_pieces: list[np.ndarray] = []
    ragged: list[tuple[int, str]] = []
    rows = ragged_count = 0
    records = _numbered(reader, header_line, file, findings)
    while piece := list(islice(records, PIECE)):
        good: list[list[str]] = []
        lines: list[int] = []
        for line, record in piece:
            if len(record) != width:
                spare = record[width:]
                if len(record) > width and not any(cell.strip() for cell in spare):
                    record = record[:width]  # a spreadsheet's empty cells to the right
                else:
                    ragged_count += 1
                    if len(ragged) <= LISTED_PER_COLUMN:
                        ragged.append((line, _ragged_words(len(record), width, separator)))
                    continue
            good.append(record)
            lines.append(line)
        if not good:
            continue
        across = list(zip(*good, strict=True))
        for index, column in wanted.items():
            cells = [cell.strip() for cell in across[index]]
            if column.kind == "number":
                values, faults = _floats(cells, decimal_comma)
                bad_count[index] += len(faults)
                bad[index] += [(lines[i], cells[i]) for i in faults[: LISTED_PER_COLUMN + 1 - len(bad[index])]]
                pieces[index].append(values)
            else:
                known = interned[index]
                pieces[index].append(np.array([known.setdefault(c, len(known)) for c in cells], dtype=np.int64))
        line_pieces.append(np.array(lines, dtype=np.int64))
        rows += len(good)
    if ragged:
        findings.many(file, None, ragged, ragged_count)
    join = {i: np.concatenate(p) if p else np.zeros(0) for i, p in pieces.items()}
    return _Cells(
        rows,
        {i: join[i].astype(float) for i, c in wanted.items() if c.kind == "number"},
        {i: (join[i].astype(np.int64), list(interned[i])) for i in interned},
        bad,
        bad_count,
        np.concatenate(line_pieces) if line_pieces else np.zeros(0, dtype=np.int64),
    )


def _ragged_words(found: int, width: int, separator: bytes) -> str:
    """Say that a row has the wrong number of cells."""
    word = {b",": "comma", b";": "semicolon", b"\t": "tab"}[separator]
    hint = f"; a text or number that holds a {word} must stand in quotes" if found > width else ""
    return f"read {counted(found, 'cell')}; the header has {width}{hint}"


def _numbered(reader: Any, header_line: int, file: str, findings: Findings) -> Any:
    """Yield (line on which the record begins, record) after the header, leaving out blank rows."""
    end = 0
    try:
        for record in reader:
            line, end = end + 1, reader.line_num
            if end <= header_line or not any(cell and not cell.isspace() for cell in record):
                continue
            yield line, record
    except csv.Error as reason:
        what = "a quote is opened here and never closed" if "end of data" in str(reason) else f"{reason}"
        findings.problem(file, end + 1, None, f"the file cannot be read as CSV from here on: {what}")


def _line_numbers(data: bytes, separator: bytes, header_line: int) -> np.ndarray:
    """Give the line of every row; only asked for when a row of a quickly read file must be named."""
    reader, _ = _records(data, separator)
    return np.array([line for line, _ in _numbered(reader, header_line, "", Findings())], dtype=np.int64)


def _floats(cells: Sequence[str], decimal_comma: bool) -> tuple[np.ndarray, list[int]]:
    """Read numbers: (values in written units, indices of cells that are no finite number)."""
    values = np.full(len(cells), np.nan)
    faults: list[int] = []
    for i, cell in enumerate(cells):
        if not cell:
            continue
        if decimal_comma:
            if "." in cell:
                faults.append(i)
                continue
            cell = cell.replace(",", ".", 1)
        if NUMBER.fullmatch(cell) and abs(value := float(cell)) < 1e300:
            values[i] = value
        else:
            faults.append(i)
    return values, faults


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


def _understand_column(
    table: Table, cells: _Cells, index: int, column: Column, findings: Findings, time_zone: Any
) -> None:
    """Turn the cells of one column into values; add its faults."""
    name, header = column.name, table.headers[column.name]
    if column.kind == "number":
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
        if outside.any():
            if column.set_aside:
                findings.note(
                    "warning",
                    table.file,
                    f'{counted(int(outside.sum()), "reading")} of the column "{shown(header)}" '
                    f"outside of what is possible ({words}) set aside",
                )
            else:
                table.refuse(
                    findings,
                    name,
                    outside,
                    lambda row: read_but(f"{written[row]:.10g}", bound_words(column, scale, values[row] > 0)),
                )
        within = np.where(outside, np.nan, values)
        if column.filled:
            already = {line for line, _ in cells.bad.get(index, [])}
            if cells.bad_count.get(index, 0) <= len(already):
                unknown = np.isnan(values)
                if already and unknown.any():
                    unknown &= ~np.isin(table.lines_of_rows(), list(already))
                table.refuse(findings, name, unknown, lambda row: f"the cell is empty; {words}")
        table.values[name] = within
        return
    codes, texts = cells.texts[index]
    meant, wrong = understand(column, texts, time_zone)
    if wrong and column.kind in ("date", "time") and (words := other_dates(texts)):
        findings.problem(table.file, table.header_line, header, words)
    elif wrong:
        bad_text = np.array([i in wrong for i in range(len(texts))], dtype=bool)
        table.refuse(
            findings, name, bad_text[codes],
            lambda row: wrong[codes[row]] if not texts[codes[row]] else read_but(texts[codes[row]], wrong[codes[row]]),
        )  # fmt: skip
    table.values[name] = meant[codes] if len(texts) else column.unknown(0)


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
