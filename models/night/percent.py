"""A seasonal percent in place of keying minutes: what one programme would run, and whether the night still holds.

A controller multiplies every minute of a programme by its percent. Where tonight wants about as much more of each
station as of the others, one percent does nearly what many new minutes would. Which way a controller rounds is not
known: the nearest step is told, and the next step up is checked as well.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.night.job import FloatArray, IntArray, NightJob, Standing
from models.night.playback import minutes_at, play_programmes
from models.night.programmes import PERCENT_HIGH, PERCENT_LOW, Programme, ProgrammeRules
from models.night.simulate import check_timetable
from models.night.timetable import Timetable

MOST_PERCENTS = 5  # [-] that are tried for one programme
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


@dataclass(frozen=True)
class Leeway:
    """How far a station may be off tonight's minutes for the sake of what need not be keyed. Z zones.

    Attributes
    ----------
    off : ndarray, shape (Z,)       By which one start may differ [min].
    shortest, longest : ndarray, shape (Z,)   Run at one start that is not to be left for it [min].
    flow : ndarray, shape (Z,)      [L/s].
    like : ndarray, shape (Z,)      Zones of one kind draw on the same limits: together they get no more water.
    """

    off: FloatArray
    shortest: FloatArray
    longest: FloatArray
    flow: FloatArray
    like: IntArray


def as_percent(
    before: Programme, now: Programme, step: float, fewest: int, leeway: Leeway | None = None
) -> list[Programme]:
    """Tonight's programme from the standing one with few values to key: a percent, and stations keyed anew.

    Stations that come to tonight's minutes at the percent, or near enough, stay as they stand; the others get minutes
    that come to just theirs. The percent is changed where that saves enough.

    Parameters
    ----------
    before, now : Programme   As it stands, and as it is planned at 100 %.
    step : float              Step of run times [min].
    fewest : int              Values it must save for the percent to be changed [-].
    leeway : Leeway, optional   None at all if not given.

    Returns
    -------
    list of Programme   `MOST_PERCENTS` at most, the fewest values first; empty where none beats keying all at 100 %.
    """
    stands = dict(zip(before.zones, before.minutes, strict=True))
    zones, wants = np.array(now.zones), np.array(now.minutes)
    base = np.array([stands.get(z, 0.0) for z in now.zones])
    percents = np.arange(PERCENT_LOW, PERCENT_HIGH + 1)
    off = minutes_at(base, percents[:, None], step) - wants
    kept = (base > 0) & (np.abs(off) < 1e-9) if leeway is None else _near(base, off, wants, zones, leeway)
    anew = np.rint(wants * 100.0 / percents[:, None] / step) * step
    possible = (kept | (np.abs(minutes_at(anew, percents[:, None], step) - wants) < 1e-9)).all(axis=1)
    values = np.count_nonzero(~kept, axis=1) + (percents != before.percent)
    plain = np.count_nonzero(np.abs(base - wants) > 1e-9) + (before.percent != 100.0)
    stays = values[possible & (percents == before.percent)].min(initial=plain)
    changed = percents != before.percent
    worth = possible & (values < plain) & (~changed | (values <= stays - fewest))
    all_off = np.round((np.abs(off) * kept).sum(axis=1), 6)
    order = np.lexsort((np.abs(percents - before.percent), all_off, values))
    return [
        replace(now, minutes=tuple(np.where(kept[k], base, anew[k]).tolist()), percent=float(percents[k]))
        for k in order[worth[order]][:MOST_PERCENTS].tolist()
    ]


def _near(base: FloatArray, off: FloatArray, wants: FloatArray, zones: IntArray, leeway: Leeway) -> NDArray[np.bool_]:
    """Stations that may stay as they stand at each percent, (Q, n)."""
    more = off > 1e-9
    kept = (base > 0) & (np.abs(off) <= leeway.off[zones] + 1e-9)
    kept &= ~more | (wants + off <= leeway.longest[zones] + 1e-9)
    kept &= (off >= -1e-9) | (wants + off >= leeway.shortest[zones] - 1e-9)
    for kind in np.unique(leeway.like[zones]).tolist():
        of_kind = leeway.like[zones] == kind
        water = (np.where(kept, off, 0.0) * leeway.flow[zones])[:, of_kind].sum(axis=1)
        kept[:, of_kind] &= ~(more[:, of_kind] & (water > 1e-9)[:, None])
    return np.asarray(kept, dtype=np.bool_)


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
