"""A person's own table of zones, XLSX or CSV, as zones.csv: headers and words understood, what was taken told.

Cells keep what was written; only names of surfaces, grasses and soils, thousands separators and units behind numbers
are brought to what `scheduler.site` reads. Nothing is made up: what is missing stays empty and takes its default there.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from models.turf import SPECIES
from scheduler.errors import InputProblems, Problem, listing, read_but, shown
from scheduler.site.columns import ZONES
from scheduler.site.records import SURFACES
from scheduler.site.trade_words import bare, soil_of, turf_of
from scheduler.starter.headers import ASSUMED, HEADERS, UNITS, column_of, surface_of

LARGEST = 20_000_000  # bytes
MOST_ROWS = 20_000
TITLES = 15  # rows above a header that are looked through
ORDER = [c.name for c in ZONES]
NUMBERS = {c.name for c in ZONES if c.kind == "number"}
CODES = {"green": "G", "tee": "T", "fairway": "F", "approach": "A", "rough": "R", "pitch": "P", "landscape": "L"}
_NUMBER = re.compile(r"([+-]?\d[\d,.']*)\s*([^\d\s].*)?")


@dataclass(frozen=True)
class OwnZones:
    """A table of zones as understood.

    Attributes
    ----------
    columns : tuple of str                  Headers of zones.csv, with their units.
    rows : tuple of tuple of str            Cells.
    lines : tuple of int                    Row of the person's table each stands on.
    headers : dict of str to str            Column of zones.csv -> header as the person wrote it.
    told : tuple of str                     What was understood, one sentence each.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    lines: tuple[int, ...]
    headers: dict[str, str]
    told: tuple[str, ...]

    def names(self, column: str) -> tuple[str, ...]:
        """Give the different texts of a column in their order, without empty ones."""
        bare_names = [c.split(" [")[0] for c in self.columns]
        if column not in bare_names:
            return ()
        at = bare_names.index(column)
        parts = [p.strip() for row in self.rows for p in row[at].split("|")]
        return tuple(dict.fromkeys(p for p in parts if p))


def read_own_zones(path: Path, units: str) -> OwnZones:
    """Read a table of zones.

    Parameters
    ----------
    path : Path       .xlsx or .csv; the header may stand below titles.
    units : str       "us" or "metric": what numbers are in where a header names no unit.

    Raises
    ------
    InputProblems     The file cannot be read, or no column of areas is in it, or a zone's surface cannot be told.
    """
    table = _table(path)
    at, found = _header(table, path)
    header, body = table[at], [(n, row) for n, row in enumerate(table[at + 1 :], start=at + 2) if any(row)]
    if not body:
        raise InputProblems([Problem(path.name, at + 1, None, "no zone stands below the header")])
    cells = {c: [row[i] if i < len(row) else "" for _, row in body] for c, (i, _) in found.items()}
    lines = tuple(n for n, _ in body)
    heads = {c: header[i] for c, (i, _) in found.items()}
    told = [f"{len(body):,} zones read from {path.name}: " + ", ".join(f'"{shown(heads[c])}" is {c}' for c in found)]
    kept_out = [h for i, h in enumerate(header) if h and i not in {i for i, _ in found.values()}]
    if kept_out:
        told.append(f"kept out, as no column of zones.csv: {listing([shown(h) for h in kept_out], 12)}")
    _surfaces(path, lines, cells, heads, told)
    _words(cells, told)
    _ids(cells)
    written = _units(cells, {c: unit for c, (_, unit) in found.items()}, units, told)
    names = [c for c in ORDER if c in cells]
    rows = tuple(zip(*(cells[c] for c in names), strict=True))
    return OwnZones(tuple(f"{c} [{written[c]}]" if c in written else c for c in names), rows, lines, heads, tuple(told))


def _table(path: Path) -> list[list[str]]:
    """Give the cells of a file as texts, row by row."""
    problem = None
    try:
        if not path.is_file():
            problem = "there is no such file"
        elif path.stat().st_size > LARGEST:
            problem = f"the file has {path.stat().st_size:,} bytes; up to {LARGEST:,} are allowed"
        elif path.suffix.casefold() in (".xlsx", ".xlsm"):
            return _workbook(path)
        elif path.suffix.casefold() in (".csv", ".txt", ".tsv"):
            return _text(path)
        else:
            problem = read_but(path.suffix or "no suffix", "a file .xlsx or .csv is allowed; save the table as one")
    except OSError as reason:
        problem = f"the file cannot be read ({reason.strerror or type(reason).__name__})"
    raise InputProblems([Problem(path.name, None, None, problem or "")])


def _workbook(path: Path) -> list[list[str]]:
    """Cells of the first sheet that holds something; formulas by the values they had when it was saved."""
    from zipfile import BadZipFile

    from openpyxl import load_workbook
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        book = load_workbook(path, read_only=True, data_only=True)
        for sheet in book.worksheets:
            rows = [[_cell(v) for v in row] for row, _ in zip(sheet.values, range(MOST_ROWS), strict=False)]
            if any(any(r) for r in rows):
                return rows
    except (BadZipFile, InvalidFileException, KeyError, ValueError) as reason:
        words = "this is no XLSX workbook; open it in a spreadsheet and save it as .xlsx or .csv"
        raise InputProblems([Problem(path.name, None, None, words)]) from reason
    raise InputProblems([Problem(path.name, None, None, "the workbook is empty")])


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return " ".join(f"{value:.12g}".split()) if isinstance(value, float) else " ".join(str(value).split())


def _text(path: Path) -> list[list[str]]:
    """Cells of a CSV in any common separator; one that is no UTF-8 is read as a Western spreadsheet writes it."""
    data = path.read_bytes().removeprefix(b"\xef\xbb\xbf")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
    separator = max(",;\t", key=text[:20_000].count)
    try:
        rows = list(csv.reader(io.StringIO(text.replace("\0", "")), delimiter=separator))[:MOST_ROWS]
    except csv.Error as reason:
        raise InputProblems([Problem(path.name, None, None, f"the file cannot be read as CSV: {reason}")]) from reason
    rows = [[" ".join(c.split()) for c in row] for row in rows]
    if separator == ";":
        rows = [[re.sub(r"^([+-]?\d+),(\d+)$", r"\1.\2", c) for c in row] for row in rows]
    return rows


def _header(table: list[list[str]], path: Path) -> tuple[int, dict[str, tuple[int, str]]]:
    """Find the row that names the columns: the one of the first few in which most names are known."""
    best, found = 0, {}
    for number, row in enumerate(table[:TITLES]):
        own: dict[str, tuple[int, str]] = {}
        exact = [i for i, text in enumerate(row) if text and bare(text) in {n for k in HEADERS.values() for n in k}]
        for i in [*exact, *(i for i in range(len(row)) if i not in exact)]:
            column, unit = column_of(row[i])
            if column and column not in own:
                own[column] = i, unit
        if len(own) > len(found):
            best, found = number, own
    read = listing([shown(c) for c in table[best] if c] if table else [], 30)
    if len(found) < 2:
        words = 'no row names the columns; a header such as "zone, name, surface, area, flow, station" is needed'
        raise InputProblems([Problem(path.name, None, None, f"{words}; read {read}" if read else words)])
    if "area" not in found:
        words = f'no column of areas was found; name it "area", with its unit: "area [ft2]" or "area [m2]"; read {read}'
        raise InputProblems([Problem(path.name, best + 1, None, words)])
    if not {"flow", "application_rate"} & set(found):
        words = (
            f'neither a flow nor a rate was found; name it "flow [gal/min]" or "application rate [in/h]"; read {read}'
        )
        raise InputProblems([Problem(path.name, best + 1, None, words)])
    if not {"zone", "name", "station"} & set(found):
        words = f'nothing names the zones; a column "zone" or "name" is needed; read {read}'
        raise InputProblems([Problem(path.name, best + 1, None, words)])
    return best, dict(sorted(found.items(), key=lambda item: item[1][0]))


def _surfaces(
    path: Path, lines: tuple[int, ...], cells: dict[str, list[str]], heads: dict[str, str], told: list[str]
) -> None:
    """Name each zone's surface: from its own column, else from its name."""
    names = [cells[c] for c in ("surface", "name", "zone", "place") if c in cells]
    found = [surface_of(*texts) for texts in zip(*names, strict=True)]
    faults = [
        Problem(
            path.name, line, heads.get("surface", "surface"),
            read_but(" ".join(t for t in texts if t)[:40], f"no surface is in it; allowed: {listing(SURFACES)}"),
        )
        for line, s, texts in zip(lines, found, zip(*names, strict=True), strict=True)
        if not s
    ]  # fmt: skip
    if faults:
        raise InputProblems(faults[:20])
    if "surface" not in cells:
        told.append(
            "surfaces are taken from the names: " + ", ".join(f"{n} {s}" for s, n in Counter(found).most_common())
        )
    cells["surface"] = found


def _words(cells: dict[str, list[str]], told: list[str]) -> None:
    """Bring grasses, soils, places and yes/no to what is read here; what is not known is left empty and told."""
    from models.textures import TEXTURES

    for column, understood, known in (("turf", turf_of, SPECIES), ("soil", soil_of, TEXTURES)):
        if column not in cells:
            continue
        meant = [understood(text) if text else "" for text in cells[column]]
        lost = sorted(
            {
                text
                for text, key in zip(cells[column], meant, strict=True)
                if key and not all(part.split(":")[0].strip() in known for part in key.split("|"))
            }
        )
        cells[column] = ["" if text in lost else key for text, key in zip(cells[column], meant, strict=True)]
        if lost:
            allowed = listing(list(known), 30)
            told.append(f"{column}: {listing([shown(t) for t in lost], 6)} not known, left empty; allowed: {allowed}")
    for column in ("drained",):
        if column in cells:
            yes = {"y": "yes", "yes": "yes", "true": "yes", "x": "yes", "1": "yes", "n": "no", "no": "no", "0": "no"}
            cells[column] = [yes.get(bare(t), "no" if bare(t) == "false" else "") for t in cells[column]]
    if "place" in cells:
        cells["place"] = [f"hole {t}" if re.fullmatch(r"\d{1,2}", t) else t for t in cells["place"]]
    if "sources" in cells:
        cells["sources"] = ["|".join(p.strip() for p in re.split(r"[|/;+&]", t) if p.strip()) for t in cells["sources"]]


def _ids(cells: dict[str, list[str]]) -> None:
    """Give a zone an id where the table has none: letter of its surface and a number."""
    if "zone" in cells and all(cells["zone"]) and len(set(cells["zone"])) == len(cells["zone"]):
        return
    if "zone" in cells and "name" not in cells:
        cells["name"] = cells["zone"]
    count: Counter[str] = Counter()
    ids = []
    for surface in cells["surface"]:
        count[surface] += 1
        ids.append(f"{CODES[surface]}{count[surface]:02d}")
    cells["zone"] = ids


def _units(cells: dict[str, list[str]], named: dict[str, str], units: str, told: list[str]) -> dict[str, str]:
    """Take units off the cells, and give the unit of every column of numbers that has one."""
    written: dict[str, str] = {}
    assumed = []
    for column in cells:
        if column not in NUMBERS:
            continue
        values, behind = zip(*(_split(text) for text in cells[column]), strict=True)
        seen = {u for u in behind if u}
        unit = named.get(column, "") or (seen.pop() if len(seen) == 1 else "")
        if all(u in ("", unit) for u in behind):
            cells[column] = list(values)
        if not unit and column in ASSUMED[units]:
            unit = ASSUMED[units][column]
            assumed.append(f"{column} [{unit}]")
        known = [float(v) for v in cells[column] if re.fullmatch(r"[+-]?\d+(\.\d+)?", v)]
        if not unit and column in ("du_lq", "field_capacity", "wilting_point") and known and min(known) > 1:
            unit = "%"
        if unit:
            written[column] = unit
    if assumed:
        told.append(f"the table names no unit for these, so they are taken as {', '.join(assumed)}: look at them")
    return written


def _split(text: str) -> tuple[str, str]:
    """Number without thousands separators, and the unit behind it; the text as it is where it is neither.

    >>> _split("5,500 sq ft"), _split("0.75"), _split("about 20")
    (('5500', 'ft2'), ('0.75', ''), ('about 20', ''))
    """
    match = _NUMBER.fullmatch(text)
    if not match:
        return text, ""
    number = match[1].replace("'", "")
    if re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?", number):
        number = number.replace(",", "")
    unit = UNITS.get(bare(match[2] or "")) if match[2] else ""
    return (number, unit) if unit is not None else (text, "")


def where(own: OwnZones, problems: InputProblems, path: Path) -> InputProblems:
    """Say of problems of the written zones.csv where they stand in the person's own table."""
    found = []
    for p in problems.problems:
        if p.file == "zones.csv":
            line = own.lines[p.line - 2] if p.line is not None and 2 <= p.line < len(own.lines) + 2 else None
            column = own.headers.get((p.column or "").split(" [")[0], p.column)
            found.append(Problem(path.name, line, column, p.message))
        else:
            found.append(p)
    return InputProblems(found)
