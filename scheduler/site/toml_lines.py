"""Where a key stands in a TOML file: tomllib gives values without lines, and a message needs its line."""

from __future__ import annotations

import re
from typing import Any

_TABLE = re.compile(r"\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"\s*((?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*'))*)\s*=")
_PART = re.compile(r"[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*'")

Path = tuple[Any, ...]


def key_lines(text: str) -> dict[Path, int]:
    r"""Find the line of every table and key of a TOML text.

    Parameters
    ----------
    text : str
        A text tomllib has accepted.

    Returns
    -------
    dict
        Path of names and indices, such as ("pump", 0, "capacity"), -> line, the first is 1. Keys inside of inline
        tables are not found; `line_of` gives the line of the nearest key around them.

    Examples
    --------
    >>> key_lines("[[pump]]\nname = 'a'")[("pump", 0, "name")]
    2
    """
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    table: Path = ()
    fence = ""  # the quotes of a text of several lines we are in
    for number, line in enumerate(re.split(r"\r\n|\n", text), start=1):
        if fence:
            if fence in line:
                fence = ""
            continue
        match = _TABLE.fullmatch(line)
        if match:
            table = ()
            parts = [part.strip("\"'") for part in _PART.findall(match[2])]
            for depth, part in enumerate(parts):
                table = (*table, part)
                last = depth == len(parts) - 1
                if last and match[1] == "[[":
                    counts[table] = counts.get(table, -1) + 1
                if table in counts:
                    table = (*table, counts[table])
                lines.setdefault(table, number)
                if isinstance(table[-1], int):
                    lines.setdefault(table[:-1], number)
            continue
        key = _KEY.match(line)
        if key:
            path = (*table, *(part.strip("\"'") for part in _PART.findall(key[1])))
            lines.setdefault(path, number)
            line = line[key.end() :]
        for quotes in ('"""', "'''"):
            if line.count(quotes) % 2:
                fence = quotes
    return lines


def line_of(lines: dict[Path, int], path: Path) -> int | None:
    """Give the line of a path, or of the nearest table or key around it."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None


def path_words(path: Path) -> str:
    """Give a path as people write it, items counted from 1.

    Examples
    --------
    >>> path_words(("pump", 0, "capacity"))
    'pump[1].capacity'
    """
    words = ""
    for part in path:
        words += f"[{part + 1}]" if isinstance(part, int) else f"{'.' if words else ''}{part}"
    return words
