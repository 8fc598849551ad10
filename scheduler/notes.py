"""Notes: every fallback, clip, filled gap or dropped row leaves one, and the sheet prints them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["step_down", "warning", "info"]


@dataclass(frozen=True)
class Note:
    """One remark about the input or a step of the work.

    Parameters
    ----------
    kind : {"step_down", "warning", "info"}
        A step-down is a part of the work done in a simpler way because something is missing; a warning wants a person
        to look; an info only records what was done.
    subject : str
        What the note is about, in one or two words: a file, a zone, a surface.
    text : str
        The sentence a person reads.
    """

    kind: Kind
    subject: str
    text: str

    def __str__(self) -> str:
        """Give the line a person reads."""
        return f"{self.subject}: {self.text}"
