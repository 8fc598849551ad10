"""What was found wrong or unusual in a site folder, gathered before anything is refused."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from scheduler.errors import LISTED_PER_COLUMN, Problem
from scheduler.notes import Note
from scheduler.site.toml_lines import line_of, path_words

SITE_TOML = "site.toml"


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


class TomlFindings:
    """Findings of site.toml: each at the line of its key."""

    def __init__(self, findings: Findings, lines: dict[tuple[Any, ...], int]) -> None:
        self.findings, self.lines = findings, lines

    def problem(self, path: tuple[Any, ...], message: str) -> None:
        """Add one problem at the line of a key."""
        self.findings.problem(SITE_TOML, line_of(self.lines, path), path_words(path), message)

    def note(self, kind: str, text: str) -> None:
        """Add one note about site.toml."""
        self.findings.note(kind, SITE_TOML, text)
