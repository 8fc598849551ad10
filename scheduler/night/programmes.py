"""Programmes of controllers, laid and searched, and all other zones packed around them.

What stands for them is laid before the packer begins: programmes by `lay_programmes`, what is left to a controller of
its own by `share_any_order`. The packer then finds places for all other zones around it. A zone served before all that
hold a place in a programme is never left out for them: those served last are then taken out of the programmes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import gcd

import numpy as np
from numpy.typing import NDArray

from models.choices import RUNS
from models.night import Cycles, NightJob, Timetable, pack_night
from models.night.grouping import StationNeeds
from models.night.job import Standing
from models.night.laying import lay_programmes
from models.night.percent import MOST_EARLIER, Leeway, as_percent, earlier, holds_with
from models.night.playback import keyed_minutes
from models.night.programmes import Programme, ProgrammeRules
from models.plan.inputs import Floats
from scheduler.night.held import (
    HeldByControllers,
    holds_no_times,
    programme_rules,
    programmes_before,
    resting_programmes,
)
from scheduler.night.own_times import left_to_controllers, own_runs
from scheduler.plan.inputs import NightInputs, longest_single
from scheduler.site import Site

FEWEST_BY_PERCENT = 3  # [-] stations from which one percent is keyed in place of their minutes
GIVING_WAY = 4  # [-] times stations of programmes give way to zones served before them


def packed_with_programmes(
    site: Site,
    inputs: NightInputs,
    cycles: Cycles,
    job: NightJob,
    likes: Floats,
    effort: float,
    exact: NDArray[np.bool_] | None = None,
) -> tuple[NightJob, Timetable, HeldByControllers, Floats]:
    """The timetable of a night in which some controllers take no start times.

    Parameters
    ----------
    site : Site
    inputs : NightInputs
    cycles : Cycles        Of all zones.
    job : NightJob         With the cycles of all zones.
    likes : ndarray (Z, n)   What each zone draws on; zones with equal rows may give water to each other.
    effort : float         Of packing.
    exact : ndarray (Z,), optional   Zones whose minutes are not to be touched: flushed, or the manager's word.

    Returns
    -------
    NightJob               As it was packed: programmes stand in it.
    Timetable
    HeldByControllers
    ndarray (Z,)           Minutes asked of each zone, in whole steps at each start [min].
    """
    rules, simple = programme_rules(site), holds_no_times(site)
    before_night, before = programmes_before(site, inputs.dates[0])
    delays = [round(r.delay * 60) for r in rules if r.delay]
    job = replace(job, step_s=gcd(60, *delays))
    free = job.cycle_zone[~simple[job.cycle_zone]]
    unconstrained = replace(job, cycle_zone=free, cycle_minutes=job.cycle_minutes[~simple[job.cycle_zone]])
    minutes = job.asked_minutes
    own = left_to_controllers(site, cycles, job)
    dropped = np.zeros(job.zones)
    for _ in range(GIVING_WAY):
        base = own_runs(job, own, effort)
        needs = _needs(site, inputs, cycles, replace(job, standing=base), minutes - dropped, likes)
        laid = lay_programmes(replace(job, standing=base), rules, needs, before)
        standing = Standing(
            np.concatenate([base.zone, laid.standing.zone]),
            np.concatenate([base.start, laid.standing.start]),
            np.concatenate([base.end, laid.standing.end]),
            base.left + laid.standing.left + np.where(_of(rules, job), dropped, 0.0),
            base.reserved,
            base.unsure,
        )
        packed = replace(unconstrained, standing=standing)
        timetable = pack_night(packed, effort)
        more = _gives_way(packed, timetable, _of(rules, job))
        if not more.any():
            break
        dropped = np.minimum(dropped + more, minutes)
    asked = np.where(_of(rules, job), laid.asked + dropped, minutes)
    runs = _run_minutes(timetable, job.zones)
    none = np.zeros(job.zones, dtype=np.bool_)
    leeway = _leeway(site, inputs, needs, job, none if exact is None else exact)
    packed, timetable, programmes = _by_percent(site, packed, timetable, rules, laid.programmes, before, effort, leeway)
    asked = asked + np.round(_run_minutes(timetable, job.zones) - runs, 9) * _of(rules, job)
    held = HeldByControllers(
        rules=rules,
        programmes=programmes,
        resting=resting_programmes(rules, before, laid.programmes),
        before=before,
        before_night=before_night,
        any_order=own,
    )
    return packed, timetable, held, asked


def _of(rules: tuple[ProgrammeRules, ...], job: NightJob) -> np.ndarray:
    """Zones of controllers with programmes, bool (Z,)."""
    return np.isin(job.controller, [r.controller for r in rules])


def _needs(
    site: Site, inputs: NightInputs, cycles: Cycles, job: NightJob, minutes: Floats, likes: Floats
) -> StationNeeds:
    """What the stations of programmes want."""
    each = np.where(cycles.count > 0, np.ceil(minutes / np.maximum(cycles.count, 1) / job.resolution - 1e-9), 0)
    longest = np.where(cycles.count > 1, each * job.resolution, np.inf)
    surface = np.unique(site.zones.surface.astype(str), return_inverse=True)[1].ravel()
    finish = np.zeros(job.zones) if job.finish_by is None else np.nan_to_num(job.finish_by, nan=-1.0)
    drains = inputs.plan.depletion / inputs.plan.net_rate
    largest = np.maximum(minutes, np.minimum(inputs.longest_run[:, 0], drains))
    smallest = np.zeros(job.zones) if job.smallest_run is None else job.smallest_run
    of_programmes = np.isin(job.controller, [i for i, c in enumerate(site.controllers) if c.programmes])
    return StationNeeds(
        minutes=np.where(of_programmes, minutes, 0.0),
        cycles=cycles.count.astype(np.int64),
        soak=job.soak,
        longest=longest,
        least=np.minimum(RUNS.smallest_cycle, np.maximum(minutes, job.resolution)),
        smallest=np.minimum(smallest, minutes),
        largest=largest,
        hours=job.hours[1].astype(np.int64),
        finish=np.unique(finish, return_inverse=True)[1].ravel().astype(np.int64),
        kin=surface.astype(np.int64),
        like=np.unique(likes, axis=0, return_inverse=True)[1].ravel().astype(np.int64),
    )


def _gives_way(job: NightJob, table: Timetable, programmed: np.ndarray) -> Floats:
    """Minutes that stations of programmes give up for zones served before them that found no place, (Z,) [min].

    Those served last on the same pump give way first, whole stations at a time.
    """
    more = np.zeros(job.zones)
    if job.finish_rank is None:
        return more
    short = np.where(programmed, 0.0, table.unplaced)
    runs = np.bincount(table.zone, weights=table.end - table.start, minlength=job.zones)
    for zone in np.flatnonzero(short > 0).tolist():
        behind = (
            programmed & (job.finish_rank > job.finish_rank[zone]) & (runs - more > 0) & (job.pump == job.pump[zone])
        )
        missing = float(short[zone] * job.flow[zone])
        for other in sorted(np.flatnonzero(behind).tolist(), key=lambda z: (-int(job.finish_rank[z]), -job.flow[z])):
            if missing <= 0:
                break
            more[other] = runs[other]
            missing -= float(runs[other] * job.flow[other])
    return more


def _run_minutes(table: Timetable, zones: int) -> Floats:
    """What each zone runs, shape (Z,) [min]."""
    return np.bincount(table.zone, weights=table.end - table.start, minlength=zones)


def _leeway(
    site: Site, inputs: NightInputs, needs: StationNeeds, job: NightJob, exact: NDArray[np.bool_]
) -> Callable[[Programme], Leeway]:
    """How far stations of a programme may be off for the sake of what need not be keyed: a step at each start.

    That is as much as rounding moves them, and from where on a zone counts as dry; no more than the change of depth
    that their controller is kept steady within.
    """
    within = np.array([*(c.steady_within for c in site.controllers), 0.0])[job.controller]

    def of_programme(programme: Programme) -> Leeway:
        starts = max(len(programme.starts), 1)
        small = (starts * job.resolution * inputs.plan.net_rate < within) & ~exact
        shortest = np.maximum(needs.least, needs.smallest / starts)
        longest = np.minimum(needs.longest, needs.largest / starts)
        return Leeway(np.where(small, job.resolution, 0.0), shortest, longest, job.flow, needs.like)

    return of_programme


def _by_percent(
    site: Site,
    job: NightJob,
    table: Timetable,
    rules: tuple[ProgrammeRules, ...],
    programmes: tuple[Programme, ...],
    before: tuple[Programme, ...],
    effort: float,
    leeway: Callable[[Programme], Leeway] | None = None,
) -> tuple[NightJob, Timetable, tuple[Programme, ...]]:
    """The night with programmes told as what stands at a percent, as far as that comes to their minutes.

    Only where every limit holds as well in a controller that rounds up what its percent gives; with starts somewhat
    earlier where its longer runs need that.
    """
    old = {(p.controller, p.number): p for p in before}
    longest, found = longest_single(site, job.resolution), programmes
    for i, p in enumerate(programmes):
        step = site.controllers[p.controller].resolution / 60.0
        stands = old.get((p.controller, p.number))
        if stands is None:
            continue
        own = next(r for r in rules if r.controller == p.controller)
        hold = _Holding(own, step, longest, effort)
        for told in as_percent(stands, p, step, FEWEST_BY_PERCENT, None if leeway is None else leeway(p)):
            laid = hold.laid(job, table, found, i, told)
            if laid is not None:
                job, table, found = laid
                break
    return job, table, found


@dataclass(frozen=True)
class _Holding:
    """Programmes of one controller tried in a night: step [min] and longest cycles [min], effort of packing."""

    rules: ProgrammeRules
    step: float
    longest: Floats
    effort: float

    def laid(
        self, job: NightJob, table: Timetable, programmes: tuple[Programme, ...], i: int, told: Programme
    ) -> tuple[NightJob, Timetable, tuple[Programme, ...]] | None:
        """The night with one programme told otherwise, what else runs where it is, or else packed anew; None if not."""
        stood = programmes[i]
        run = tuple(keyed_minutes(m, told.percent, self.step) for m in told.minutes)
        same = all(abs(a - b) < 1e-9 for a, b in zip(run, stood.minutes, strict=True))
        for sooner in range(MOST_EARLIER + 1):
            trial = (*programmes[:i], earlier(told, sooner), *programmes[i + 1 :])
            if sooner and min(trial[i].starts) < job.blocks[:, 0].min():
                break
            holds, runs = self._both(job, table, trial)
            if holds and same and not sooner:
                return job, table, trial
            if holds or not sooner:  # as planned, all else may find other places
                again = replace(job, standing=_stands_as(job, runs, self.rules.controller))
                anew = pack_night(again, self.effort)
                if anew.unplaced.sum() <= table.unplaced.sum() + 1e-9 and self._both(again, anew, trial)[0]:
                    return again, anew, trial
        return None

    def _both(self, job: NightJob, table: Timetable, programmes: tuple[Programme, ...]) -> tuple[bool, Timetable]:
        """Whether every limit holds beside what else runs, however it rounds; and what runs to the nearest step."""
        own = [p for p in programmes if p.controller == self.rules.controller]
        holds, _, runs = holds_with(job, table, self.rules, own, self.step, self.longest)
        up = holds and holds_with(job, table, self.rules, own, self.step, self.longest, round_up=True)[0]
        return up, runs


def _stands_as(job: NightJob, runs: Timetable, controller: int) -> Standing:
    """What stands in the night, with the runs of one controller as they are in another timetable."""
    assert job.standing is not None
    standing = job.standing
    kept, own = job.controller[standing.zone] != controller, job.controller[runs.zone] == controller
    return replace(
        standing,
        zone=np.concatenate([standing.zone[kept], runs.zone[own]]),
        start=np.concatenate([standing.start[kept], runs.start[own]]),
        end=np.concatenate([standing.end[kept], runs.end[own]]),
    )
