"""Rungs of the ladder a plan may stand on, best first, and the words each is labelled with."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Any


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


def rung_of(document: Mapping[str, Any]) -> Rung:
    """The rung a plan document stands on; a plan that does not say is a full one."""
    return Rung(document.get("rung", Rung.FULL))


def label_of(document: Mapping[str, Any]) -> str:
    """The label of a plan's rung for the first line of sheets and tables, "" for a full plan."""
    return LABELS[rung_of(document)]


def better(one: Rung, other: Rung) -> bool:
    """Whether one rung stands above another."""
    return ORDER.index(one) < ORDER.index(other)
