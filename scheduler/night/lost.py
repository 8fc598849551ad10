"""What programmes cost tonight: minutes against a timetable that is free in every start."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.night import NightJob, Timetable, pack_night
from models.plan.inputs import Floats
from models.plan.results import LimitPrice
from models.plan.solve import SolverFailed
from scheduler.night.capacity import hold_tonight, usual_limits
from scheduler.night.draft import QUICK, Draft
from scheduler.night.held import holds_no_times
from scheduler.night.job import night_job
from scheduler.night.tonight import Tonight
from scheduler.night.whole_steps import flushing_on, whole_minutes
from scheduler.site import Site


def lost_to_programmes(tonight: Tonight, first: Draft, last: Draft) -> Floats | None:
    """Minutes that a timetable free in every start would run beyond what runs, below 0 where less, shape (Z,) [min].

    None where no programmes run. Solves once more where they hold a controller to fewer stations at once than it opens.
    """
    if last.free_job is None or last.timetable is None:
        return None
    wished = last.free_job if first.free_job is None else first.free_job
    most = tonight.plan.stations_at_once
    more = np.where(np.isfinite(most), _stations_without(tonight.site) / np.maximum(most, 1.0), 1.0)
    bound = {limit.index[0] for limit in first.result.limits if _binds_tonight(limit)}
    if bound & set(np.flatnonzero(more > 1.0).tolist()):
        wished = _with_more_stations(tonight, first, last, more) or wished
    return _run_beyond(tonight.site, wished, last.timetable)


def _run_beyond(site: Site, wished: NightJob, timetable: Timetable) -> Floats:
    """Minutes of the zones in programmes that would run if what is wished for were packed free of them, (Z,) [min]."""
    simple = holds_no_times(site)
    runs = np.bincount(timetable.zone, weights=timetable.end - timetable.start, minlength=wished.zones)
    if not (wished.asked_minutes - runs > 1e-9)[simple].any():
        return np.zeros(wished.zones)
    free = pack_night(replace(wished, stations_at_once=_stations_without(site)), QUICK)
    would = np.bincount(free.zone, weights=free.end - free.start, minlength=wished.zones)
    return np.where(simple, np.round(would - runs, 9), 0.0)


def _stations_without(site: Site) -> Floats:
    """Stations each controller could open at once if programmes did not hold it to fewer, shape (C,) [-]."""
    return np.array([float(c.stations_at_once or max(len(site.zones), 1)) for c in site.controllers])


def _binds_tonight(limit: LimitPrice) -> bool:
    return limit.family == "station_limit" and limit.index[1] == 0 and limit.price > 0.0


def _with_more_stations(tonight: Tonight, first: Draft, last: Draft, more: Floats) -> NightJob | None:
    """The night as it would be asked for with as many stations at once as each controller opens without programmes.

    `more` (C,) is how many times as many [-]. The solver is left as it was.
    """
    inputs, plan, solver = tonight.inputs, tonight.plan, tonight.solver
    usual = usual_limits(inputs, solver)
    hold_tonight(solver, usual.at_once, usual)
    solver.limit_runs(np.arange(plan.zones), usual.longest, night=0)
    solver.scale_capacity("station", more)
    try:
        result = solver.solve()
    except SolverFailed:
        return None
    finally:
        solver.scale_capacity("station", np.ones_like(more))
        hold_tonight(solver, last.limits, usual)
    run_time = result.run_times(plan)
    run_time[first.waits, 0] = 0.0
    tonight.keep_word(run_time)
    terms = tonight.terms(replace(usual, share={**usual.at_once.share, "station": more}))
    minutes = whole_minutes(inputs, result, run_time, usual.longest, terms).minutes
    if not minutes.any():
        return None
    by_block, flushing = run_time[:, 0].sum(axis=2), flushing_on(inputs, result, 0)
    return night_job(tonight.site, inputs, minutes, by_block, flushing, tonight.word.said)[1]
