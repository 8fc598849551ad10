"""Rungs of the ladder a plan may stand on, best first, and the label each gives the first line of sheets and tables."""

from __future__ import annotations

from enum import StrEnum


class Rung(StrEnum):
    """How a plan came about."""

    FULL = "full"
    CUT_SHORT = "cut short"
    TONIGHT = "tonight alone"
    SCALED = "last plan scaled"


ORDER = tuple(Rung)
LABELS = {
    Rung.FULL: "",
    Rung.CUT_SHORT: "NOT THE FULL PLAN: the search was cut short to be ready in time",
    Rung.TONIGHT: "NOT THE FULL PLAN: made for tonight alone, without looking at the coming nights",
    Rung.SCALED: "NOT A NEW PLAN: the last good plan, brought to tonight's demand and rain and cut to every limit",
}


def better(one: Rung, other: Rung) -> bool:
    """Whether one rung stands above another."""
    return ORDER.index(one) < ORDER.index(other)
