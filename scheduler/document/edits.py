"""What the manager said of tonight, whether it could be kept, and what it costs: words for plan.json and the sheet."""

from __future__ import annotations

import numpy as np

from scheduler.document.parts import WarningPart
from scheduler.document.planned import Planned
from scheduler.edge import format_volume
from scheduler.errors import counted
from scheduler.night.job import dry_tomorrow
from scheduler.notes import Topic

NAMED = 12  # zones one sentence names


def edit_warnings(planned: Planned) -> list[WarningPart]:
    """One sentence for what was kept, one for what could not be, and one for what it costs; none without a word."""
    run, site = planned.run, planned.site
    word, zone = run.word, _called(planned)
    said = np.flatnonzero(word.said)
    texts = []
    if word.unknown:
        called = dict(zip(site.zones.zone.tolist(), zone, strict=True))
        names = _named([called[z] for z in word.unknown])
        texts.append(f"no plan stands for tonight to hold {names} by: planned as ever")
    if said.size:
        kept = [f"{zone[z]} at {run.minutes[z]:g} min (alone the plan has {run.free[z]:.0f})" for z in said.tolist()]
        texts.append(f"the manager's word is kept for {counted(said.size, 'zone')}: {_named(kept)}")
        short = [f"{word.asked[z]:g} min for {zone[z]}" for z in said.tolist() if run.minutes[z] < word.asked[z] - 1e-6]
        if short:
            texts.append(f"limits do not allow all that was asked for: {_named(short)}")
        texts.append(_cost(planned, said))
    return [WarningPart(kind=Topic.OTHER, subject="edits", text=text) for text in texts]


def _called(planned: Planned) -> list[str]:
    """What each zone is called on other sheets: its name, its id where it has none."""
    zones = planned.site.zones
    return [name or zone for name, zone in zip(zones.name.tolist(), zones.zone.tolist(), strict=True)]


def _cost(planned: Planned, said: np.ndarray) -> str:
    """What the word costs tonight in water, and who is dry tomorrow for it."""
    run, plan = planned.run, planned.plan
    water = float(((run.minutes - run.free) * plan.water_per_minute)[said].sum())
    amount = format_volume(abs(water), planned.site.units)
    text = f"it takes {amount} {'more' if water > 0 else 'less'} in these zones than the plan alone"
    fewer = run.minutes[said] < run.free[said] - 1e-6
    dry = said[fewer & (planned.effects.dry[said, 0] > 0) & dry_tomorrow(plan)[said]]
    if dry.size:
        names = _named([_called(planned)[z] for z in dry.tolist()])
        text += f"; drier than their limit tomorrow evening for it: {names}"
    drained = float((run.balance.drainage[said, 0] * plan.area[said]).sum()) / 1000.0
    lost = drained if water > 0 else 0.0
    if lost > 0.05 * abs(water) + 1e-6:
        text += f"; {format_volume(lost, planned.site.units)} passes their roots"
    return text


def _named(found: list[str]) -> str:
    more = f" and {len(found) - NAMED} more" if len(found) > NAMED else ""
    return ", ".join(found[:NAMED]) + more
