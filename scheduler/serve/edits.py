"""The manager's word for a night, written to edits.csv; every version before is kept, so that it can be taken back.

edits.csv holds one row a night and zone: `minutes` is a number, or `hold` (as the standing plan has it), `skip` (does
not run) or `free` (the plan decides again).
"""

from __future__ import annotations

import csv
import io
import re
from datetime import date, datetime
from pathlib import Path

from scheduler.files import write_atomic

FILE = "edits.csv"
COLUMNS = ["night", "zone", "minutes", "note"]
WORDS = ("hold", "skip", "free")
KEPT = "edits"  # folder of the versions before
VERSIONS = 50


class NotAnEdit(ValueError):
    """The word is none of those allowed."""


def edits_of(folder: Path, night: date) -> dict[str, tuple[str, str]]:
    """Edits of a night: zone -> (word or minutes, note)."""
    found = {}
    for row in _rows(folder):
        if row.get("night") == night.isoformat():
            found[row.get("zone", "")] = (row.get("minutes", ""), row.get("note", ""))
    return found


def put(folder: Path, night: date, zone: str, word: str, note: str, longest: float) -> None:
    """Write the word for one zone and night, in the place of an earlier one.

    Parameters
    ----------
    folder : Path
    night : date
    zone : str
    word : str        "hold", "skip", "free", or minutes.
    note : str
    longest : float   Longest run of the zone [min].

    Raises
    ------
    NotAnEdit   The word is none of these, or more minutes than the zone may run.
    """
    word = word.strip().lower()
    if word not in WORDS:
        if not re.fullmatch(r"\d{1,4}(\.\d{1,2})?", word, re.ASCII):
            raise NotAnEdit(f'read "{word[:40]}"; minutes, hold, skip or free is allowed')
        if float(word) > longest:
            raise NotAnEdit(f"read {word}; at most {longest:g} minutes are allowed for {zone}")
    if len(note) > 200 or not note.isprintable():
        raise NotAnEdit("a note of at most 200 characters on one line is allowed")
    rows = [r for r in _rows(folder) if (r.get("night"), r.get("zone")) != (night.isoformat(), zone)]
    if word != "free":
        rows.append({"night": night.isoformat(), "zone": zone, "minutes": word, "note": note})
    _keep(folder)
    write_atomic(folder / FILE, _text(rows))


def undo(folder: Path) -> bool:
    """Bring back the version before the last change; whether there was one."""
    versions = sorted((folder / KEPT).glob("edits-*.csv"))
    if not versions:
        return False
    write_atomic(folder / FILE, versions[-1].read_bytes())
    versions[-1].unlink()
    return True


def _keep(folder: Path) -> None:
    """Keep what stands, before it is changed."""
    path = folder / FILE
    before = path.read_bytes() if path.is_file() else _text([]).encode()
    name = f"edits-{datetime.now():%Y%m%dT%H%M%S%f}.csv"
    write_atomic(folder / KEPT / name, before)
    for old in sorted((folder / KEPT).glob("edits-*.csv"))[:-VERSIONS]:
        old.unlink()


def _rows(folder: Path) -> list[dict[str, str]]:
    path = folder / FILE
    if not path.is_file():
        return []
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return [{k.strip(): (v or "").strip() for k, v in row.items() if k} for row in csv.DictReader(stream)]


def _text(rows: list[dict[str, str]]) -> str:
    stream = io.StringIO(newline="")
    writer = csv.DictWriter(stream, COLUMNS, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows({c: r.get(c, "") for c in COLUMNS} for r in rows)
    return stream.getvalue()
