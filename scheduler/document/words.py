"""Why a zone runs or waits, and who gives way: the plan in plain words, in the site's units."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from models.plan.inputs import Floats, Ints, PlanInputs
from scheduler.document.parts import Why
from scheduler.document.planned import Planned
from scheduler.edge import format_day_after, format_short_date
from scheduler.supply import fits_alone

BY_DAY = (  # what holds a zone whose ET of one day passes its limit
    "one day's ET takes it past its limit, which no watering at night can hold: syringing by day, deeper roots or "
    "shade would"
)
NEVER = 10_000  # nights: not within the horizon
SURFACES = {"approach": "approaches", "rough": "roughs", "pitch": "pitches", "landscape": "landscape zones"}


def surfaces_named(surface: str) -> str:
    """A surface as several: "greens", "approaches"."""
    return SURFACES.get(surface, surface + "s")


@dataclass(frozen=True)
class Reason:
    """Why a zone runs as long as it does, or not at all: the kind, and the sentence."""

    why: Why
    words: str


@dataclass(frozen=True)
class Going:
    """Zones of a surface that go drier than their limit.

    dry (z, N): beyond it [mm];  too_hot (z,): on some date for its ET alone;  short (z,): on some for want of water
    """

    dry: Floats
    too_hot: NDArray[np.bool_]
    short: NDArray[np.bool_]


def zone_reasons(planned: Planned, blame: list[str]) -> list[Reason]:
    """Why each zone runs or waits tonight, flushes and upkeep aside.

    Parameters
    ----------
    planned : Planned
    blame : list of str   What holds each zone back, in brackets, "" if nothing does; one a zone.
    """
    plan, run, units = planned.plan, planned.run, planned.site.units
    dry, again = first_dry_night(plan), _next_run(run.minutes_by_night)
    kinds = _kinds(planned, dry, again)
    evenings = [format_day_after(d, units) for d in planned.inputs.dates]
    nights = [format_short_date(d, units) for d in planned.inputs.dates]
    skipped = run.word.asked == 0
    said = [
        "" if np.isnan(held) else f"; {'not run' if skip else f'held at {held:g} min'} by the manager{_note(note)}"
        for held, skip, note in zip(run.word.minutes.tolist(), skipped.tolist(), run.word.notes, strict=True)
    ]
    blame = np.where(skipped, "", blame).tolist()  # for the manager's sake, not for that of a limit
    hot = (run.minutes > 0) & planned.effects.too_hot[:, 0] & (planned.effects.dry[:, 0] > 0)
    said = [f"{text}; {BY_DAY}" if too_hot else text for text, too_hot in zip(said, hot.tolist(), strict=True)]
    reasons = []
    for why, first, later, lost, held in zip(
        kinds, dry.tolist(), again.tolist(), (run.left_out > 0).tolist(), blame, strict=True
    ):
        text = _sentence(why, evenings[min(first, plan.nights - 1)], nights[min(later, plan.nights - 1)], held, plan)
        text += said[len(reasons)]
        reasons.append(Reason(why, text + ("; not all of it found a place tonight" if lost else "")))
    return reasons


def _note(note: str) -> str:
    """A note in brackets, "" without."""
    return f" ({note})" if note else ""


def first_dry_night(plan: PlanInputs, with_rain: bool = True) -> Ints:
    """First night after which a zone without water passes its dry limit, shape (Z,), `NEVER` if none does."""
    gain = plan.etc - plan.effective_rain if with_rain else plan.etc
    path = plan.depletion[:, None] + np.cumsum(gain, axis=1)
    dry = path > plan.dry_limit + 1e-9
    return np.where(dry.any(axis=1), dry.argmax(axis=1), NEVER)


def _next_run(later: Floats) -> Ints:
    """Next night after tonight on which each zone runs, shape (Z,), `NEVER` if none."""
    again = later[:, 1:] > 0  # no columns on a horizon of one night
    if not again.shape[1]:
        return np.full(len(later), NEVER)
    return np.where(again.any(axis=1), again.argmax(axis=1) + 1, NEVER)


def _kinds(planned: Planned, dry: Ints, again: Ints) -> list[Why]:
    """Kind of reason of each zone: the first that is true."""
    plan, runs = planned.plan, planned.run.minutes > 0
    may_run = (plan.allowed[:, 0] & (plan.block_length[0] > 0)).any(axis=1)
    ordered = (
        (Why.DRY_TOMORROW, runs & (dry == 0)),
        (Why.DRY_LATER, runs & (dry < NEVER)),
        (Why.REFILL, runs),
        (Why.TOO_LARGE, ~fits_alone(planned.site)),
        (Why.NOT_ALLOWED, ~may_run),
        (Why.FULL, (dry == 0) & planned.effects.too_hot[:, 0] & ~planned.effects.short[:, 0]),
        (Why.GIVES_WAY, dry == 0),
        (Why.ENOUGH_FOR_NOW, (dry < NEVER) & (again < NEVER)),
        (Why.GIVES_WAY_LATER, dry < NEVER),
        (Why.RAIN, first_dry_night(plan, with_rain=False) < NEVER),
    )
    first = np.select([true for _, true in ordered], list(range(len(ordered))), len(ordered))
    kinds = [*(why for why, _ in ordered), Why.ENOUGH]
    return [kinds[k] for k in first.tolist()]


def _sentence(why: Why, dry_by: str, next_run: str, held: str, plan: PlanInputs) -> str:
    """The sentence of a kind: when the zone is too dry, when it runs next, what holds it back."""
    enough = f"enough for all {plan.nights} nights" if plan.nights > 1 else "enough until tomorrow evening"
    return {
        Why.DRY_TOMORROW: "without water too dry by tomorrow evening",
        Why.DRY_LATER: f"without water too dry by {dry_by}; tonight suits the whole plan best",
        Why.REFILL: "refilled for the days after this plan",
        Why.TOO_LARGE: "cannot run: its flow is above what its pump or branch carries",
        Why.NOT_ALLOWED: "no watering allowed tonight",
        Why.FULL: f"stands full; {BY_DAY}",
        Why.GIVES_WAY: f"needs water but gives way tonight{held}",
        Why.ENOUGH_FOR_NOW: f"enough until {dry_by}; next run {next_run}",
        Why.GIVES_WAY_LATER: f"enough until {dry_by}; gives way after that{held}",
        Why.RAIN: "rain in the forecast is enough",
        Why.ENOUGH: enough,
    }[why]


def give_way_words(surface: str, going: Going, dates: tuple[date, ...], short_of: list[str], units: str) -> str:
    """Sentence on a surface that goes drier than its limit.

    Parameters
    ----------
    surface : str
    going : Going               Its zones.
    dates : tuple of date
    short_of : list of str      Names of the limits that hold the plan back.
    units : str                 The site's, for dates.
    """
    dry = going.dry
    count = int((dry > 0).any(axis=1).sum())
    nights = np.flatnonzero((dry > 0).any(axis=0))
    first, worst = int(nights[0]), int(dry.sum(axis=0).argmax())
    by = format_day_after(dates[first], units)
    peak = "" if worst == first else f", most on {format_day_after(dates[worst], units)}"
    text = f"{count} of {len(dry)} {surface} zones drier than their limit from {by}{peak}"
    hot = int(going.too_hot.sum())
    if hot:
        which = "" if hot == count else f" in {hot} of them"
        text += (
            f"; one day's ET takes more{which} than their roots hold above the limit, which no watering at night can "
            "hold: syringing by day, deeper roots or shade would"
        )
    others = int(going.short.sum())
    if short_of and others:
        text += f"; {'' if others == count else f'{others} of them '}short of: {', '.join(short_of)}"
    return text
