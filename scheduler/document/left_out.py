"""What found no place in the night, and with what less the plan was made again: words for plan.json and the sheet."""

from __future__ import annotations

import numpy as np

from scheduler.document.parts import WarningPart
from scheduler.errors import counted
from scheduler.night.records import RunnableNight
from scheduler.notes import Topic
from scheduler.site import Site

NAMED = 8  # zones or limits a sentence names before "and N more"


def left_out_warnings(site: Site, run: RunnableNight) -> list[WarningPart]:
    """One sentence for each thing a person should know of a night too full.

    Parameters
    ----------
    site : Site
    run : RunnableNight

    Returns
    -------
    list of WarningPart   Empty on a night that fits at the first.
    """
    texts: list[str] = []
    lost = np.flatnonzero(run.left_out > 0)
    if lost.size:
        share = run.left_out.sum() / (run.left_out.sum() + run.minutes.sum())
        most_first = lost[np.argsort(-run.left_out[lost], kind="stable")]
        named = _first([f"{run.left_out[z]:g} min of {site.zones.zone[z]}" for z in most_first])
        texts.append(
            f"no place in the window for part of {counted(lost.size, 'run')}, {100.0 * share:.1f} % of the minutes "
            f"planned: {named}; later nights were planned anew with what really runs tonight"
        )
    names = {
        "pump": [p.name for p in site.pumps],
        "branch": [b.name for b in site.branches],
        "station": [c.name for c in site.controllers],
    }
    found = [
        f"{100.0 * share_of[member]:.0f} % of what was planned on {'controller' if kind == 'station' else kind} "
        f"{names[kind][member]}"
        for kind, share_of in run.measured.items()
        for member in np.flatnonzero(share_of < 1.0).tolist()
    ]
    if found:
        texts.append(f"start times were found for no more than {_first(found)}; the plan was made again with that")
    held = np.flatnonzero(np.isfinite(run.held))
    if held.size:
        named = _first([f"{run.held[z]:g} min for {site.zones.zone[z]}" for z in held])
        its = "its" if held.size == 1 else "their"
        texts.append(
            f"{counted(held.size, 'zone finds', 'zones find')} start times for no more, with {its} cycles and soaks; "
            f"the plan was made again with that: {named}"
        )
    moved = [
        f"{counted(on.size, 'run')} {words}: {_first([str(z) for z in site.zones.zone[on]])}"
        for on, words in (
            (np.flatnonzero(run.waits), "too short to be worth making left for a later night"),
            (np.flatnonzero(run.lifted), "raised to the smallest worth making"),
        )
        if on.size
    ]
    texts += ["; ".join(moved)] if moved else []
    return [WarningPart(kind=Topic.TIMETABLE, subject="timetable", text=text) for text in texts]


def _first(found: list[str]) -> str:
    """The first few of them, and how many more there are."""
    text = ", ".join(found[:NAMED])
    return text if len(found) <= NAMED else f"{text} and {len(found) - NAMED} more"
