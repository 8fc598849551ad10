"""Names on a sheet: surfaces, and zones in the order people count them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from scheduler.document.parts import ZonePart
from scheduler.edge import natural_key

LISTED_AT_MOST = 12  # names in one sentence
PLURALS = {
    "green": "Greens",
    "tee": "Tees",
    "fairway": "Fairways",
    "approach": "Approaches",
    "rough": "Rough",
    "pitch": "Pitches",
    "landscape": "Landscape",
}


def zone_name(zone: ZonePart) -> str:
    """Give the name of a zone of the plan, or its id where it has none."""
    return zone.name or zone.id


def name_list(zones: Iterable[ZonePart], most: int | None = LISTED_AT_MOST) -> str:
    """Names of zones in natural order, those beyond the first `most` counted; None names all."""
    return listed([zone_name(z) for z in zones], most)


def listed(names: Iterable[str], most: int | None = LISTED_AT_MOST) -> str:
    """Names in natural order, those beyond the first `most` counted; None names all.

    >>> listed(["G10", "Green 2"])
    'G10, Green 2'
    """
    names = sorted(names, key=natural_key)
    if most is None or len(names) <= most:
        return ", ".join(names)
    return ", ".join(names[:most]) + f" and {len(names) - most:,} more"


def joined(words: Sequence[str]) -> str:
    """Words with commas, and "and" before the last.

    >>> joined(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)
