"""Notes: every fallback, clip, filled gap or dropped row leaves one, and the sheet prints them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

Kind = Literal["step_down", "warning", "info"]


class Topic(StrEnum):
    """What a note is about, for programs; its `subject` says it to people."""

    PROBE = "probe"
    WEATHER = "weather"
    APPLIED = "applied"
    SALTS = "salts"
    TIMETABLE = "timetable"
    FINISH = "finish"
    CYCLES = "cycles"
    PUMP = "pump"
    TABLE = "run-time table"
    LEDGER = "ledger"
    OTHER = "other"


OF_SUBJECT = {
    "weather": Topic.WEATHER,
    "forecast": Topic.WEATHER,
    "probes": Topic.PROBE,
    "applied": Topic.APPLIED,
    "salts": Topic.SALTS,
    "run-time table": Topic.TABLE,
    "ledger": Topic.LEDGER,
}


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
    name : str
        Id of the one probe it speaks of; empty where it speaks of none.
    """

    kind: Kind
    subject: str
    text: str
    name: str = ""

    @property
    def topic(self) -> Topic:
        """What it is about, as a kind: a named probe, or what its subject stands for."""
        return Topic.PROBE if self.name else OF_SUBJECT.get(self.subject, Topic.OTHER)

    def __str__(self) -> str:
        """Give the line a person reads."""
        return f"{self.subject}: {self.text}"
