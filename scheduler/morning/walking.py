"""The walking list of a morning: the worst first, one line a zone, and zones of one surface with one trouble together.

Whoever reads it has been up since before sunrise: it names zones as people do and stays short enough to remember.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.choices import MORNING
from scheduler.edge import format_duration
from scheduler.errors import counted
from scheduler.morning.records import Walk
from scheduler.site import Site

SILENT, SHORT, DRY, WET, UNREACHED = range(5)  # what may be wrong, the worst first
TOGETHER = 2  # more zones of a surface with one trouble become one line
NAMED = 2  # zones named after the worst of several
ALIKE = {
    SHORT: "ran less than planned",
    DRY: "under-watered",
    WET: "over-watered",
    UNREACHED: "flushed, and the flush did not reach the lower probe",
}


@dataclass(frozen=True)
class Stop:
    """One trouble of one zone (its row): rank (kind, priority, size), a smaller one first; why, and why in brief."""

    rank: tuple[int, float, float]
    row: int
    why: str
    brief: str


def zone_label(site: Site, row: int) -> str:
    """Name a zone for people: its name with the id in brackets, or the id alone."""
    name, zone = str(site.zones.name[row]), str(site.zones.zone[row])
    return f"{name} ({zone})" if name and name != zone else zone


def walking_list(site: Site, stops: Sequence[Stop], planned: np.ndarray, applied: np.ndarray) -> tuple[Walk, ...]:
    """Put the troubles of a morning in the order to walk.

    Parameters
    ----------
    site : Site
    stops : sequence of Stop
    planned, applied : ndarray (Z,)   Minutes, NaN = not known.
    """
    of_zone: dict[int, list[Stop]] = {}
    for stop in sorted(stops, key=_order):
        of_zone.setdefault(stop.row, []).append(stop)
    alike: dict[tuple[int, str], list[Stop]] = {}
    for own in of_zone.values():  # a zone goes with its worst trouble
        alike.setdefault((own[0].rank[0], site.zones.surface[own[0].row]), []).append(own[0])
    short = [stop for (kind, _), own in alike.items() if kind == SHORT for stop in own]
    whole = len(short) > max(MORNING.most_short, int((np.nan_to_num(planned) > 0).sum()) // 3)
    found: list[tuple[Stop, Walk]] = []
    if whole:
        found.append((short[0], _another_program(site, short, planned, applied)))
    for (kind, surface), own in alike.items():
        if kind == SHORT and whole:
            continue
        if kind == SILENT or len(own) <= TOGETHER:
            for stop in own:
                why = [t.why for t in of_zone[stop.row] if not (whole and t.rank[0] == SHORT)]
                text = "; ".join(sorted(why, key=lambda t: t.endswith("?")))  # a question comes last
                found.append((stop, Walk(zone_label(site, stop.row), text, 1)))
        else:
            found.append(
                (
                    own[0],
                    Walk(_several(len(own), surface), f"{ALIKE[kind]}; worst first: {_worst(site, own)}", len(own)),
                )
            )
    return tuple(walk for _, walk in sorted(found, key=lambda pair: _order(pair[0])))


def _order(stop: Stop) -> tuple[float, ...]:
    return (*stop.rank, stop.row)


def _several(count: int, surface: str) -> str:
    plural = {"approach": "approaches", "pitch": "pitches", "rough": "rough zones", "landscape": "landscape zones"}
    return f"{count:,} {plural.get(surface, surface + 's')}"


def _worst(site: Site, own: Sequence[Stop]) -> str:
    """Name the worst of several and the next."""
    others = [str(site.zones.zone[s.row]) for s in own[1 : 1 + NAMED]]
    more = len(own) - 1 - len(others)
    also = ", ".join(others) + (f" and {more:,} more" if more > 0 else "")
    return f"{zone_label(site, own[0].row)}, {own[0].brief}; then {also}"


def _another_program(site: Site, short: list[Stop], planned: np.ndarray, applied: np.ndarray) -> Walk:
    """Say in one line that most zones ran less than planned."""
    rows = np.array([s.row for s in short])
    ran, meant = format_duration(np.nansum(applied[rows])), format_duration(np.nansum(planned[rows]))
    why = f"ran less than planned, {ran} of {meant} in all: was the night's table loaded into the controller?"
    worst = _worst(site, sorted(short, key=_order))
    return Walk(counted(len(short), "zone"), f"{why} Worst first: {worst}", len(short))
