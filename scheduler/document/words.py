"""Why a zone runs or waits, which limits bind and who gives way: the plan in plain words, in the site's units."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from models.plan.inputs import Bools, Floats, PlanInputs
from scheduler.edge import format_short_date

NEVER = 10_000  # nights: not within the horizon


def first_dry_night(plan: PlanInputs, with_rain: bool = True) -> np.ndarray:
    """First night after which a zone without water passes its dry limit, shape (Z,), `NEVER` if none does."""
    gain = plan.etc - plan.effective_rain if with_rain else plan.etc
    path = plan.depletion[:, None] + np.cumsum(gain, axis=1)
    dry = path > plan.dry_limit + 1e-9
    return np.where(dry.any(axis=1), dry.argmax(axis=1), NEVER)


def zone_reasons(
    plan: PlanInputs,
    dates: tuple[date, ...],
    minutes: Floats,
    later: Floats,
    blame: list[str],
    left_out: Floats,
    too_large: Bools,
    units: str,
) -> list[str]:
    """One sentence a zone on why it runs as long as it does, or not at all.

    Parameters
    ----------
    plan : PlanInputs
    dates : tuple of date            The nights.
    minutes : ndarray (Z,)           Tonight's run times [min].
    later : ndarray (Z, N)           Run times of all nights [min].
    blame : list of str              What holds each zone back, in brackets, "" if nothing does; one a zone.
    left_out : ndarray (Z,)          Minutes that found no place tonight [min].
    too_large : ndarray (Z,)         True where a zone's flow is above what its pump or branch carries.
    units : str                      The site's, for dates.
    """
    dry_on = first_dry_night(plan)
    dry_on_without_rain = first_dry_night(plan, with_rain=False)
    again = later[:, 1:] > 0  # no columns on a horizon of one night
    next_run = (
        np.where(again.any(axis=1), again.argmax(axis=1) + 1, NEVER) if again.shape[1] else np.full(len(later), NEVER)
    )
    may_run = (plan.allowed[:, 0] & (plan.block_length[0] > 0)).any(axis=1)
    evenings = [format_short_date(d + timedelta(days=1), units) for d in dates]
    nights = [format_short_date(d, units) for d in dates]
    reasons = []
    for runs, dry, dry_no_rain, again, may, lost, large, held in zip(
        (minutes > 0).tolist(),
        dry_on.tolist(),
        dry_on_without_rain.tolist(),
        next_run.tolist(),
        may_run.tolist(),
        (left_out > 0).tolist(),
        too_large.tolist(),
        blame,
        strict=True,
    ):
        if runs and dry == 0:
            text = "without water too dry by tomorrow evening"
        elif runs and dry < NEVER:
            text = f"without water too dry by {evenings[dry]}; tonight suits the whole plan best"
        elif runs:
            text = "refilled for the days after this plan"
        elif large:
            text = "cannot run: its flow is above what its pump or branch carries"
        elif not may:
            text = "no watering allowed tonight"
        elif dry == 0:
            text = f"needs water but gives way tonight{held}"
        elif dry < NEVER and again < NEVER:
            text = f"enough until {evenings[dry]}; next run {nights[again]}"
        elif dry < NEVER:
            text = f"enough until {evenings[dry]}; gives way after that{held}"
        elif dry_no_rain < NEVER:
            text = "rain in the forecast is enough"
        else:
            text = f"enough for all {len(dates)} nights" if len(dates) > 1 else "enough until tomorrow evening"
        reasons.append(text + ("; not all of it found a place tonight" if lost else ""))
    return reasons


def give_way_words(
    surface: str, zones: int, dry: Floats, dates: tuple[date, ...], short_of: list[str], units: str
) -> str:
    """Sentence on a surface that goes drier than its limit.

    Parameters
    ----------
    surface : str
    zones : int                 Zones of the surface.
    dry : ndarray (z, N)        Depletion beyond the dry limit of those zones [mm].
    dates : tuple of date
    short_of : list of str      Names of the limits that hold the plan back.
    units : str                 The site's, for dates.
    """
    count = int((dry > 0).any(axis=1).sum())
    nights = np.flatnonzero((dry > 0).any(axis=0))
    first, worst = int(nights[0]), int(dry.sum(axis=0).argmax())
    by = format_short_date(dates[first] + timedelta(days=1), units)
    peak = "" if worst == first else f", most on {format_short_date(dates[worst] + timedelta(days=1), units)}"
    why = f"; short of: {', '.join(short_of)}" if short_of else ""
    return f"{count} of {zones} {surface} zones drier than their limit from {by}{peak}{why}"
