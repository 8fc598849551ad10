"""A seasonal percent in place of keying minutes: what one programme would run, and whether the night still holds.

A controller multiplies every minute of a programme by its percent. Where tonight wants about as much more of each
station as of the others, one percent does nearly what many new minutes would. Which way a controller rounds is not
known: the nearest step is told, and the next step up is checked as well.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.night.job import FloatArray, NightJob, Standing
from models.night.playback import keyed_minutes, play_programmes
from models.night.programmes import PERCENT_HIGH, PERCENT_LOW, Programme, ProgrammeRules
from models.night.simulate import check_timetable
from models.night.timetable import Timetable

MOST_EARLIER = 90  # [min] by which starts are tried earlier, so that longer runs still end in time; our choice


@dataclass(frozen=True)
class PercentChoice:
    """One percent for programmes as they stand.

    Attributes
    ----------
    programmes : tuple of Programme   As they stand, with the percent and tonight's start times.
    percent : int                     [%].
    off : ndarray, shape (Z,)         By how much each station would be off tonight's depth [mm], more above 0.
    """

    programmes: tuple[Programme, ...]
    percent: int
    off: FloatArray


def percent_choice(
    pairs: Sequence[tuple[Programme, Programme]], rate: FloatArray, step: FloatArray
) -> PercentChoice | None:
    """The one percent of standing programmes that comes nearest to tonight's minutes.

    Parameters
    ----------
    pairs : sequence of (before, now)   Each programme as it stands in its controller, and as it is planned tonight.
    rate : ndarray, shape (Z,)          Gross depth in a minute [mm/min].
    step : ndarray, shape (Z,)          Step of the controller's run times [min].

    Returns
    -------
    PercentChoice or None               None where other stations run in one of them.
    """
    zones, stands, wants, starts, kept = [], [], [], [], []
    for before, now in pairs:
        standing = {z: m for z, m in zip(before.zones, before.minutes, strict=True) if m > 0}
        wanted = dict(zip(now.zones, now.minutes, strict=True))
        if standing.keys() != wanted.keys() or not wanted:
            return None
        zones += list(standing)
        stands += list(standing.values())
        wants += [wanted[z] for z in standing]
        starts += [len(now.starts)] * len(standing)
        kept.append(replace(before, zones=tuple(standing), minutes=tuple(standing.values()), starts=now.starts))
    if not zones:
        return None
    at = np.array(zones)
    percents = np.arange(PERCENT_LOW, PERCENT_HIGH + 1)
    steps = np.rint(np.array(stands) * percents[:, None] / 100.0 / step[at] + 1e-9)
    off = (steps * step[at] - np.array(wants)) * np.array(starts) * rate[at]
    best = int(np.lexsort((np.abs(percents - pairs[0][0].percent), np.abs(off).max(axis=1)))[0])
    chosen, of_zone = int(percents[best]), np.zeros(rate.size)
    of_zone[at] = off[best]
    return PercentChoice(tuple(replace(p, percent=float(chosen)) for p in kept), chosen, of_zone)


def as_percent(before: Programme, now: Programme, step: float, fewest: int) -> Programme | None:
    """Tonight's programme as the standing one at a percent; None where no percent gives just its minutes.

    Parameters
    ----------
    before, now : Programme   As it stands, and as it is planned at 100 %.
    step : float              Step of run times [min].
    fewest : int              Stations whose minutes must differ for it to be worth it [-].
    """
    stands = dict(zip(before.zones, before.minutes, strict=True))
    if set(stands) != set(now.zones):
        return None
    minutes = tuple(stands[z] for z in now.zones)
    differ = sum(abs(a - b) > 1e-9 for a, b in zip(minutes, now.minutes, strict=True))
    if differ < fewest:
        return None
    percents = sorted(range(PERCENT_LOW, PERCENT_HIGH + 1), key=lambda q: abs(q - before.percent))
    for percent in percents:
        run = [keyed_minutes(m, float(percent), step) for m in minutes]
        if all(abs(a - b) < 1e-9 for a, b in zip(run, now.minutes, strict=True)):
            return replace(now, minutes=minutes, percent=float(percent))
    return None


def earlier(programme: Programme, minutes: float) -> Programme:
    """A programme with all its starts earlier by some minutes."""
    return replace(programme, starts=tuple(s - minutes for s in programme.starts))


def holds_with(
    job: NightJob,
    table: Timetable,
    rules: ProgrammeRules,
    programmes: Sequence[Programme],
    step: float,
    longest: FloatArray,
    round_up: bool = False,
) -> tuple[bool, FloatArray, Timetable]:
    """Whether the night still holds every limit with other programmes of one controller; its minutes and timetable.

    Parameters
    ----------
    job : NightJob
    table : Timetable              As it is planned.
    rules : ProgrammeRules
    programmes : sequence of Programme   All of the controller that start tonight.
    step : float                   Step of its run times [min].
    longest : ndarray, shape (Z,)  Longest cycle of each zone [min].
    round_up : bool                Take a controller that rounds up what its percent gives.
    """
    if round_up:
        up = [np.ceil(np.array(p.minutes) * p.percent / 100.0 / step - 1e-9) * step for p in programmes]
        programmes = [replace(p, minutes=tuple(m.tolist()), percent=100.0) for p, m in zip(programmes, up, strict=True)]
    played = play_programmes(rules, programmes, step)
    others = job.controller[table.zone] != rules.controller
    zone = np.concatenate([table.zone[others], np.array([r.zone for r in played.runs], dtype=np.int64)])
    start = np.concatenate([table.start[others], np.array([r.start for r in played.runs])])
    end = np.concatenate([table.end[others], np.array([r.end for r in played.runs])])
    minutes = np.bincount(zone, weights=end - start, minlength=job.zones).astype(np.float64)
    still = Standing(zone, start, end, np.zeros(job.zones))
    if job.standing is not None:
        still = replace(still, reserved=job.standing.reserved, unsure=job.standing.unsure)
    none = np.zeros(0)
    alone = replace(job, standing=still, cycle_zone=none.astype(np.int64), cycle_minutes=none)
    runs = replace(table, zone=zone, start=start, end=end, fitted=True, unplaced=np.zeros(job.zones))
    own = job.controller[zone] == rules.controller
    in_cycle = bool((end - start <= longest[zone] + 1e-9)[own].all())
    return in_cycle and not played.waited and not check_timetable(alone, runs), minutes, runs
