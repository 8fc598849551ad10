"""The bytes of a CSV file as cells: any separator, decimal comma or quote, with the line of every fault.

Two ways lead to the same `Cells`. The quick way (pandas' C parser) is for long files and gives up at the first doubt;
the careful way (the csv module, in pieces) reads anything, knows every line number and collects every fault. A number
column becomes floats in its written unit, any other column codes into its few different texts, so that each text is
understood once however long the file is.
"""

from __future__ import annotations

import csv
import io
import re
import stat
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from scheduler.errors import LISTED_PER_COLUMN, counted
from scheduler.site.cells import Column
from scheduler.site.findings import Findings
from scheduler.site.units import NUMBER

QUICK_BYTES = 100_000  # files longer than this take the quick way first
PIECE = 50_000  # rows read at a time on the careful way
LARGEST_FILE = 2_000_000_000  # bytes; ten years of a large site's readings are a tenth of it
WIDEST_HEADER = 1_000  # columns; an export that has more is not one of these files
csv.field_size_limit(2**31 - 1)  # a long cell is a fault of its column, not of the file
_DECIMAL_COMMA = re.compile(rb"[;\r\n]\s*\"?[+-]?\d+,\d+\"?\s*(?=[;\r\n]|\Z)")
ZIP = b"PK\x03\x04"  # how every workbook begins


@dataclass
class Cells:
    """The cells of a file before they are understood: floats in written units, or codes into texts.

    Parameters
    ----------
    rows : int
    numbers : dict                Values of each number column by its place in the header, NaN where there is none.
    texts : dict                  Codes and texts of every other column.
    bad, bad_count : dict         Cells that are no number (line, text), those that are listed; how many there are.
    lines : ndarray (R,) or None  Line on which each row begins; None where the quick way did not count them.
    """

    rows: int
    numbers: dict[int, np.ndarray]
    texts: dict[int, tuple[np.ndarray, list[str]]]
    bad: dict[int, list[tuple[int, str]]]
    bad_count: dict[int, int]
    lines: np.ndarray | None


@dataclass(frozen=True)
class CsvText:
    """A CSV file whose header was read.

    Parameters
    ----------
    file : str             Its name in the folder.
    data : bytes           UTF-8, without byte-order mark.
    separator : bytes
    decimal_comma : bool
    header : tuple of (str, str)   Cells of the header, stripped and as written.
    header_line : int
    """

    file: str
    data: bytes
    separator: bytes
    decimal_comma: bool
    header: tuple[tuple[str, str], ...]
    header_line: int

    @property
    def width(self) -> int:
        """Cells of a row."""
        return len(self.header)

    def cells(self, wanted: Mapping[int, Column], findings: Findings) -> Cells:
        """The cells of the columns at these places of the header."""
        found = _quick(self, wanted) if len(self.data) > QUICK_BYTES else None
        return _careful(self, wanted, findings) if found is None else found

    def line_numbers(self) -> np.ndarray:
        """The line of every row; only asked for when a row of a quickly read file must be named."""
        records = _numbered(_reader(self.data, self.separator), self.header_line, "", Findings())
        return np.array([line for line, _ in records], dtype=np.int64)


def csv_text(data: bytes, file: str, findings: Findings) -> CsvText | None:
    """Read the header of a file; None, with a problem, where there is none."""
    separator = _separator(data)
    decimal_comma = separator == b";" and b"," in data and _DECIMAL_COMMA.search(data) is not None
    header = _header_cells(data, separator, file, findings)
    return None if header is None else CsvText(file, data, separator, decimal_comma, *header)


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


def _reader(data: bytes, separator: bytes) -> Any:
    """Give a csv reader over the text; strict, so that a quote that never closes is noticed."""
    text = io.TextIOWrapper(io.BytesIO(data), encoding="utf-8", newline="")
    return csv.reader(text, delimiter=separator.decode(), strict=True, skipinitialspace=True)


def _header_cells(
    data: bytes, separator: bytes, file: str, findings: Findings
) -> tuple[tuple[tuple[str, str], ...], int] | None:
    """Read the header: its cells (stripped, as written) and its line."""
    reader = _reader(data, separator)
    try:
        for record in reader:
            if len(record) > WIDEST_HEADER:
                text = f"the header has {len(record):,} columns; up to {WIDEST_HEADER:,} are allowed"
                findings.problem(file, reader.line_num, None, text)
                return None
            if any(cell.strip() for cell in record):
                return tuple((cell.strip(), cell) for cell in record), reader.line_num
    except csv.Error as reason:
        findings.problem(file, reader.line_num, None, f"the header cannot be read as CSV: {reason}")
        return None
    findings.problem(file, None, None, "the file holds no header row")
    return None


def _quick(text: CsvText, wanted: Mapping[int, Column]) -> Cells | None:
    """Read a long file by pandas' C parser; None at the first doubt."""
    data, separator, width = text.data, text.separator, text.width
    if b'"' in data or b"\0" in data or b" ;" in data or text.header_line != 1:
        return None
    types = {i: "float64" if i in wanted and wanted[i].kind == "number" else "category" for i in range(width)}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)  # rows longer than the header
            frame = pd.read_csv(
                io.BytesIO(data), sep=separator.decode(), header=None, names=range(width), skiprows=1, index_col=False,
                dtype=types, keep_default_na=False, decimal="," if text.decimal_comma else ".",
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
            names = [str(name).strip() for name in values.cat.categories]
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
    return Cells(rows, numbers, texts, {}, {}, None)


def _careful(text: CsvText, wanted: Mapping[int, Column], findings: Findings) -> Cells:
    """Read any file by the csv module, in pieces, and collect every fault."""
    gathered = _Gathered(wanted, text.decimal_comma)
    ragged = _Ragged(text)
    records = _numbered(_reader(text.data, text.separator), text.header_line, text.file, findings)
    while piece := list(islice(records, PIECE)):
        rows = [(line, cells) for line, record in piece if (cells := ragged.whole(line, record)) is not None]
        if rows:
            gathered.add([line for line, _ in rows], [cells for _, cells in rows])
    if ragged.listed:
        findings.many(text.file, None, ragged.listed, ragged.count)
    return gathered.cells()


class _Ragged:
    """Rows with too few or too many cells."""

    def __init__(self, text: CsvText) -> None:
        self.width, self.separator = text.width, text.separator
        self.count, self.listed = 0, list[tuple[int, str]]()

    def whole(self, line: int, record: list[str]) -> list[str] | None:
        """The row without a spreadsheet's empty cells to the right; None where its cells are too few or too many."""
        if len(record) == self.width:
            return record
        if len(record) > self.width and not any(cell.strip() for cell in record[self.width :]):
            return record[: self.width]
        self.count += 1
        if len(self.listed) <= LISTED_PER_COLUMN:
            self.listed.append((line, _ragged_words(len(record), self.width, self.separator)))
        return None


class _Gathered:
    """Cells of the wanted columns, piece by piece."""

    def __init__(self, wanted: Mapping[int, Column], decimal_comma: bool) -> None:
        self.wanted, self.decimal_comma = wanted, decimal_comma
        self.pieces: dict[int, list[np.ndarray]] = {i: [] for i in wanted}
        self.known: dict[int, dict[str, int]] = {i: {} for i, c in wanted.items() if c.kind != "number"}
        self.bad: dict[int, list[tuple[int, str]]] = {i: [] for i in wanted}
        self.bad_count = dict.fromkeys(wanted, 0)
        self.lines: list[np.ndarray] = []

    def add(self, lines: list[int], rows: list[list[str]]) -> None:
        """Take in a piece: the line of each row, and its cells."""
        across = list(zip(*rows, strict=True))
        for index, column in self.wanted.items():
            cells = [cell.strip() for cell in across[index]]
            if column.kind == "number":
                values, faults = _floats(cells, self.decimal_comma)
                self.bad_count[index] += len(faults)
                room = LISTED_PER_COLUMN + 1 - len(self.bad[index])
                self.bad[index] += [(lines[i], cells[i]) for i in faults[:room]]
                self.pieces[index].append(values)
            else:
                known = self.known[index]
                self.pieces[index].append(np.array([known.setdefault(c, len(known)) for c in cells], dtype=np.int64))
        self.lines.append(np.array(lines, dtype=np.int64))

    def cells(self) -> Cells:
        """All pieces as one."""
        join = {i: np.concatenate(p) if p else np.zeros(0) for i, p in self.pieces.items()}
        lines = np.concatenate(self.lines) if self.lines else np.zeros(0, dtype=np.int64)
        return Cells(
            lines.size,
            {i: join[i].astype(float) for i, c in self.wanted.items() if c.kind == "number"},
            {i: (join[i].astype(np.int64), list(self.known[i])) for i in self.known},
            self.bad,
            self.bad_count,
            lines,
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
