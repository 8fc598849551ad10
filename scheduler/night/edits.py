"""The manager's word for tonight: minutes of a zone, as it stands, or not at all; the rest is planned round it.

Limits still hold: a word asks for no more than the zone's own longest run, and what a shared limit cannot give is not
given. From edits.csv and from the options of the command line, which come later and count.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.plan.inputs import Floats
from scheduler.errors import InputProblems, Problem, near_miss
from scheduler.plan.inputs import NightInputs
from scheduler.site import Site
from scheduler.site.records import SURFACES


@dataclass(frozen=True)
class Word:
    """What the manager said for tonight.

    Parameters
    ----------
    minutes : ndarray (Z,)     As it is to run [min], NaN = the plan decides.
    asked : ndarray (Z,)       As it was said [min]; above `minutes` where the zone cannot run so long.
    notes : tuple of str       Of each zone, "" without.
    unknown : tuple of str     Zones to be held as they stand of which no plan stands.
    """

    minutes: Floats
    asked: Floats
    notes: tuple[str, ...]
    unknown: tuple[str, ...] = ()

    @property
    def said(self) -> NDArray[np.bool_]:
        """Zones of which something was said, shape (Z,)."""
        return np.asarray(~np.isnan(self.minutes))


def managers_word(site: Site, inputs: NightInputs) -> Word:
    """The word for the first night of a plan, within each zone's longest run and in its steps."""
    zones = {name: z for z, name in enumerate(site.zones.zone.tolist())}
    asked, notes, unknown = np.full(len(zones), np.nan), [""] * len(zones), []
    standing = _standing(site, inputs.dates[0])
    for row in site.edits[site.edits["night"] == pd.Timestamp(inputs.dates[0])].itertuples():
        z = zones[row.zone]
        notes[z] = row.note or ""
        if row.word == "hold" and row.zone not in standing:
            unknown.append(row.zone)
            continue
        asked[z] = {"hold": standing.get(row.zone, np.nan), "skip": 0.0, "free": np.nan}.get(row.word, row.minutes)
    steps = np.floor(np.minimum(asked, inputs.longest_run[:, 0]) / inputs.resolution + 1e-9)
    return Word(steps * inputs.resolution, asked, tuple(notes), tuple(unknown))


def with_smallest(inputs: NightInputs, word: Word) -> NightInputs:
    """The inputs in which a run that was asked for is worth making however short."""
    told = np.maximum(np.nan_to_num(word.minutes), inputs.resolution)
    smallest = np.where(word.said, np.minimum(inputs.smallest_run, told), inputs.smallest_run)
    return replace(inputs, smallest_run=smallest)


def _standing(site: Site, night: date) -> dict[str, float]:
    """Minutes of each zone in the plan that stands for a night; none without one that can be read."""
    file = site.folder / "out" / night.isoformat() / "plan.json"
    try:
        plan = json.loads(file.read_text(encoding="utf-8"))
        return {str(z["id"]): float(z["minutes"]) for z in plan["zones"]}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def with_options(
    site: Site, night: date, hold: Iterable[str] = (), skip: Iterable[str] = (), only: Iterable[str] = ()
) -> Site:
    """The site with what the command line says of a night put behind edits.csv.

    Parameters
    ----------
    site : Site
    night : date
    hold : iterable of str   ZONE, as it stands, or ZONE=MINUTES.
    skip : iterable of str   Zones that do not run.
    only : iterable of str   Surfaces that run; all others do not.

    Raises
    ------
    InputProblems   A zone or surface is not known, or the minutes are no number.
    """
    problems: list[Problem] = []
    names, called = site.zones.zone.tolist(), [name for name in site.zones.name.tolist() if name]
    rows: dict[str, tuple[str, float]] = {}
    surfaces = list(only)
    for surface in surfaces:
        if surface not in SURFACES:
            near = near_miss(surface, list(SURFACES)) or f", one of {', '.join(SURFACES)}"
            text = f'read "{surface[:40]}"; a surface is allowed{near}'
            problems.append(Problem("--only", None, None, text))
    if surfaces:
        for zone, surface in zip(names, site.zones.surface.tolist(), strict=True):
            if surface not in surfaces:
                rows[zone] = ("skip", np.nan)
    for option, texts in (("--hold", hold), ("--skip", skip)):
        for text in texts:
            said, _, minutes = text.partition("=")
            zone = _zone_called(site, said)
            if zone is None:
                words = f'read "{said[:40]}"; a zone of zones.csv is allowed{near_miss(said, [*called, *names])}'
                problems.append(Problem(option, None, None, words))
            elif option == "--skip":
                rows[zone] = ("skip", np.nan)
            elif not minutes and "=" not in text:
                rows[zone] = ("hold", np.nan)
            elif (number := _minutes(minutes)) is None:
                words = f'read "{text[:60]}"; ZONE or ZONE=MINUTES is allowed, with minutes from 0 to 1440'
                problems.append(Problem(option, None, None, words))
            else:
                rows[zone] = ("minutes", number)
    if problems:
        raise InputProblems(tuple(problems))
    if not rows:
        return site
    said = pd.DataFrame(
        [(pd.Timestamp(night), zone, word, minutes, "") for zone, (word, minutes) in rows.items()],
        columns=list(site.edits.columns),
    )
    kept = site.edits[~((site.edits["night"] == pd.Timestamp(night)) & site.edits["zone"].isin(list(rows)))]
    return replace(site, edits=said if kept.empty else pd.concat([kept, said], ignore_index=True))


def _zone_called(site: Site, text: str) -> str | None:
    """The zone of this id, or of this name where only one has it; None else."""
    if text in site.zones.zone.tolist():
        return text
    found = np.flatnonzero(site.zones.name == text)
    return str(site.zones.zone[found[0]]) if found.size == 1 else None


def _minutes(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if 0 <= number <= 1440 else None
