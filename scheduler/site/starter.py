"""A new site folder to begin from: small, commented, and in working order."""

from __future__ import annotations

import re
from datetime import date, timedelta
from importlib import resources
from pathlib import Path

from scheduler.errors import InputProblems, Problem

FILES = ("site.toml", "zones.csv", "probe_sites.csv", "calendar.csv", "weather.csv", "forecast.csv")


WRITTEN_FOR = date(2026, 7, 14)  # the first evening of the files as they are kept


def write_starter(folder: Path, first_evening: date = WRITTEN_FOR) -> tuple[Path, ...]:
    """Write the starter site into a new or empty folder.

    Parameters
    ----------
    folder : Path
        Is made if it does not exist.
    first_evening : date
        The evening to be planned first: weather ends with it and the forecast was issued on it.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    InputProblems
        The folder holds files already, or is a file; nothing is written over.
    OSError
        The folder cannot be written to.
    """
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise InputProblems([Problem(str(folder), None, None, "this is a file; a new or empty folder is needed")])
    if folder.is_dir() and any(folder.iterdir()):
        raise InputProblems(
            [Problem(str(folder), None, None, "the folder is not empty; a new or empty folder is needed")]
        )
    folder.mkdir(parents=True, exist_ok=True)
    source = resources.files("scheduler.site") / "starter"
    written = []
    for name in FILES:
        path = folder / name
        text = (source / name).read_text(encoding="utf-8")
        path.write_text(_moved(text, name, first_evening), encoding="utf-8", newline="\n")
        written.append(path)
    return tuple(written)


def _moved(text: str, name: str, first_evening: date) -> str:
    """Move the dates of a file: those of tables by the days to the first evening, those of site.toml to its year."""
    if name == "site.toml":
        return text.replace(str(WRITTEN_FOR.year), str(first_evening.year))
    shift = first_evening - WRITTEN_FOR

    def move(match: re.Match[str]) -> str:
        return (date.fromisoformat(match[0]) + timedelta(days=shift.days)).isoformat()

    return re.sub(r"\b\d{4}-\d{2}-\d{2}", move, text)
