"""What can go wrong with what people gave us, said so that they can mend it.

A `Problem` is one thing to mend: file, line, column, what was read, what is allowed. All problems of a folder travel
together in one `InputProblems`, sorted by file and line. The exit codes of the command line stand here too, so that
scripts can rely on them.

==================  ====  ==================================================================
name                code  meaning
==================  ====  ==================================================================
`OK`                0     the work was done
`USAGE`             2     the command line was not understood
`BAD_INPUT`         3     the site folder holds problems; nothing was planned
`NO_PLAN`           4     the input is sound, yet no plan could be made; the last plan stands
`STORAGE`           5     a file or the ledger could not be read or written
`TROUBLE`           6     `nightly`: a plan stands, but something wants a person: status.json and the log say what
`HELD`              7     `nightly`: another run of this site is at work; nothing was done
==================  ====  ==================================================================

`tonight` and `morning` do without a ledger that cannot be used, and say so: the work is done and the code is 0. A plan
whose files cannot all be written is no plan: the code is 5, and the files of the last one stay as they are. Code 1 is
left to faults of the program itself.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

OK = 0
USAGE = 2
BAD_INPUT = 3
NO_PLAN = 4
STORAGE = 5
TROUBLE = 6
HELD = 7

LONGEST_VALUE = 60  # characters of a read value that are repeated in a message
LONGEST_LINE = 600  # characters of one problem
LISTED_PER_COLUMN = 20  # problems listed for one column of one file before "and N more"


@dataclass(frozen=True)
class Problem:
    """One thing to mend in one file.

    Parameters
    ----------
    file : str
        Name of the file inside the site folder.
    line : int or None
        Line in the file, the first is 1; None if the whole file is meant.
    column : str or None
        Column as written in the header, or the key of a TOML file; None if the whole line is meant.
    message : str
        What was read and what is allowed.

    Examples
    --------
    >>> print(Problem("zones.csv", 14, "flow", 'read "12.5O"; a number above 0 is allowed, for example 12.5'))
    zones.csv, line 14, column "flow": read "12.5O"; a number above 0 is allowed, for example 12.5
    """

    file: str
    line: int | None
    column: str | None
    message: str

    def __str__(self) -> str:
        """Give the line a person reads."""
        place = self.file
        if self.line is not None:
            place += f", line {self.line}"
        if self.column is not None:
            place += f', {"key" if self.file.endswith(".toml") else "column"} "{shown(self.column)}"'
        text = "".join(c if c.isprintable() else "?" for c in f"{place}: {self.message}")
        return text if len(text) <= LONGEST_LINE else text[: LONGEST_LINE - 3] + "..."


class InputProblems(Exception):
    """The input cannot be used; `problems` lists everything there is to mend, sorted by file and line."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(sorted(problems, key=lambda p: (_file_order(p.file), p.line or 0)))
        super().__init__("\n".join([*map(str, self.problems), counted(len(self.problems), "problem") + "."]))


class NoPlan(Exception):
    """The input is sound, yet no plan could be made; the text says why."""


def shown(value: object) -> str:
    r"""Give a read value as text that is safe to print: one line, no control characters, not too long.

    Examples
    --------
    >>> shown("a\tb")
    'a?b'
    """
    text = "".join(c if c.isprintable() else "?" for c in str(value)[: LONGEST_VALUE + 1])
    return text if len(text) <= LONGEST_VALUE else text[: LONGEST_VALUE - 3] + "..."


def read_but(value: object, allowed: str) -> str:
    """Compose the message for a value that was read and is not allowed.

    Examples
    --------
    >>> read_but("12.5O", "a number above 0 is allowed, for example 12.5")
    'read "12.5O"; a number above 0 is allowed, for example 12.5'
    """
    return f'read "{shown(value)}"; {allowed}'


def counted(number: int, noun: str, plural: str | None = None) -> str:
    """Give a number with its noun.

    Examples
    --------
    >>> counted(1, "problem"), counted(2, "problem"), counted(2400, "zone")
    ('1 problem', '2 problems', '2,400 zones')
    """
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"


def listing(names: Sequence[str], most: int = 12) -> str:
    """Give names in quotes, separated by commas, cut after `most`.

    Examples
    --------
    >>> listing(["north loop", "south loop"])
    '"north loop", "south loop"'
    """
    text = ", ".join(f'"{shown(name)}"' for name in names[:most])
    return text if len(names) <= most else f"{text} and {len(names) - most} more"


def near_miss(read: str, allowed: Sequence[str]) -> str:
    """Give ' (did you mean "x"?)' for the nearest allowed name, or an empty text.

    Examples
    --------
    >>> near_miss("nroth loop", ["north loop", "south loop"])
    ' (did you mean "north loop"?)'
    """
    by_key = {name.casefold(): name for name in allowed}
    near = difflib.get_close_matches(read.casefold(), list(by_key), n=1, cutoff=0.7)
    return f' (did you mean "{shown(by_key[near[0]])}"?)' if near else ""


def _file_order(file: str) -> tuple[int, str]:
    """Sort site.toml first, then zones.csv, then the others by name."""
    return {"": 0, "site.toml": 1, "zones.csv": 2}.get(file, 3), file
