"""A seasonal percent the manager chose: `--percent CONTROLLER/NUMBER=PERCENT` becomes minutes of the programme's zones.

The programme is the one that stands from the evening before; its minutes at that percent are then the manager's word
like any other, and the rest is planned round them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd

from models.night.playback import keyed_minutes
from models.night.programmes import PERCENT_HIGH, PERCENT_LOW, Programme
from scheduler.errors import InputProblems, Problem, near_miss
from scheduler.night.held import programmes_before
from scheduler.site import Site

FORM = 'CONTROLLER/NUMBER=PERCENT is allowed, as "gate house/2=108"'


def with_percents(site: Site, night: date, texts: Iterable[str]) -> Site:
    """The site with seasonal percents of standing programmes put behind edits.csv.

    Parameters
    ----------
    site : Site
    night : date
    texts : iterable of str   CONTROLLER/NUMBER=PERCENT.

    Raises
    ------
    InputProblems   The form, the controller, the programme or the percent is not one that is allowed.
    """
    texts = list(texts)
    if not texts:
        return site
    _, before = programmes_before(site, night)
    problems: list[Problem] = []
    rows: dict[str, tuple[float, str]] = {}
    for text in texts:
        found = _read(site, text, before)
        if isinstance(found, str):
            problems.append(Problem("--percent", None, None, f'read "{text[:60]}"; {found}'))
            continue
        programme, percent = found
        step = site.controllers[programme.controller].resolution / 60.0
        for zone, minutes in zip(programme.zones, programme.minutes, strict=True):
            total = keyed_minutes(minutes, percent, step) * max(len(programme.starts), 1)
            rows[str(site.zones.zone[zone])] = (total, f"programme {programme.number} at {percent:g} %")
    if problems:
        raise InputProblems(tuple(problems))
    said = pd.DataFrame(
        [(pd.Timestamp(night), zone, "minutes", minutes, note) for zone, (minutes, note) in rows.items()],
        columns=list(site.edits.columns),
    )
    kept = site.edits[~((site.edits["night"] == pd.Timestamp(night)) & site.edits["zone"].isin(list(rows)))]
    return replace(site, edits=said if kept.empty else pd.concat([kept, said], ignore_index=True))


def _read(site: Site, text: str, before: tuple[Programme, ...]) -> tuple[Programme, float] | str:
    """The programme and its percent, or what is wrong with the text."""
    name, _, percent = text.rpartition("=")
    controller, _, number = name.rpartition("/")
    if not controller or not number.isascii() or not number.isdigit():
        return FORM
    names = [c.name for c in site.controllers]
    if controller not in names:
        return f"a controller of site.toml is allowed{near_miss(controller, names)}"
    own = [p for p in before if p.controller == names.index(controller) and p.zones]
    programme = next((p for p in own if p.number == int(number)), None)
    if programme is None:
        standing = ", ".join(str(p.number) for p in own) or "none"
        return f"a programme that stands from an evening before is allowed: {standing}"
    try:
        value = float(percent)
    except ValueError:
        return FORM
    if not (np.isfinite(value) and PERCENT_LOW <= value <= PERCENT_HIGH and value == int(value)):
        return f"a whole percent from {PERCENT_LOW} to {PERCENT_HIGH} is allowed"
    return programme, value
