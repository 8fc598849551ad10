"""Start times for every cycle of a night, under every shared limit at every moment.

Whole cycles first (whole.py). Only what then finds no place is cut in parts where it stands (parts.py), and only where
that leaves out more than a little is the night searched for a timetable with cuts (cutting.py). What still does not
fit is reported with the capacity that could be used.
"""

import numpy as np

from models.choices import STEADY
from models.night.board import Board
from models.night.bounds import lower_bounds
from models.night.cutting import CLOSE_ENOUGH, Attempt, attempt_on, in_order, searched, work_of_zone
from models.night.job import NightJob
from models.night.outcome import timetable_of
from models.night.parts import place_evenly, place_in_parts
from models.night.repair import Item
from models.night.steady import Steadier
from models.night.timetable import Bounds, Timetable
from models.night.whole import WholeRuns
from models.night.wishes import strict_job, wished_minutes

EFFORT = 30_000  # [-] cycles and grid steps gone through before settling for the best attempt; about 2 s
FILLING = 5_000  # [-] of them for filling the night with whole cycles
QUICK_FILLING = 1_500  # [-] the same where the night is only looked at quickly
ROUNDS = 600  # [-] of parts taken off and put back at that effort
LAST_ROUNDS = 200  # [-] the same after the solver has looked quickly
PUT_BACK = 1_500  # [-] cycles up to which that is worth it; with more, gaps find a cycle that fits
SOLVING = 0.6  # [-] deterministic time of the solver at that effort, for laying parts of the night anew
QUICK_SOLVING = 0.16  # [-] the same where a night of few cycles is only looked at quickly
FEW_CYCLES = 600  # [-] of a small night
FEWEST_CYCLES = 160  # [-] up to which the search is worth it on any night that may fit
NEARLY_FULL = 0.985  # [-] of the window that a limit needs, beyond which whole cycles of a larger night are not found
WORTH_TRYING = 0.1  # [-] of the cycles without a place, up to which the wished hours are searched
HURRY = 0.6  # [-] the same for being done in time where some of it is not
HOURS = 0.2  # [-] the same for keeping to the hours the plan chose


def pack_night(job: NightJob, effort: float = EFFORT) -> Timetable:
    """Find start times for all cycles of a night.

    Parameters
    ----------
    job : NightJob      The cycles and everything they must respect.
    effort : float      Cycles and grid steps gone through before settling for the best attempt [-].

    Returns
    -------
    Timetable           With `fitted` False, the unplaced minutes and the measured capacity where not everything found
                        a place.
    """
    bounds = lower_bounds(job)
    best = _whole(job, effort, bounds)
    if best.left.any():
        best = _worth_making(job, _cut(job, effort, bounds, best))
    unavoidable = Steadier(job, best.board).run() if job.pump_smallest.any() else np.zeros(job.pump_smallest.size)
    return timetable_of(job, best.board, best.left, bounds, unavoidable)


def _whole(job: NightJob, effort: float, bounds: Bounds) -> Attempt:
    """The night filled with whole cycles, at the starts that stand already where that costs nothing that matters."""
    runs = _as_it_stands(job, effort) if job.held_starts else None
    if runs is None or runs.wish_cost:
        free = _anew(job, effort, bounds)
        runs = free if runs is None or not _worth_keeping(job, runs, free) else runs
    if job.held_starts:
        runs.pull_back(STEADY.start_worth / job.grid_min)
    zones, lengths = job.cycle_zone[runs.left], runs.length[runs.left]
    return attempt_on(job, runs.board, [Item(z, n) for z, n in zip(zones.tolist(), lengths.tolist(), strict=True)])


def _as_it_stands(job: NightJob, effort: float) -> WholeRuns:
    """Cycles at the starts their controllers hold as far as they still can be there, the others beside them."""
    runs = WholeRuns(job, Board(job))
    runs.stand()
    if runs.cost:
        _look_quickly(runs, effort, True)
        _search(runs, effort)
    runs.settle()
    return runs


def _worth_keeping(job: NightJob, runs: WholeRuns, free: WholeRuns) -> bool:
    """Whether nothing more is left out or late for the starts that are kept, and hours hardly dearer."""
    if runs.cost > free.cost:
        return False
    dearer = (runs.wish_cost - runs.cost) - (free.wish_cost - free.cost)
    return dearer * job.grid_min <= STEADY.start_worth * (runs.at_held_starts - free.at_held_starts)


def _anew(job: NightJob, effort: float, bounds: Bounds) -> WholeRuns:
    """The night filled with whole cycles; searched where no bound says that they cannot all have a place."""
    runs = _as_wished(job, effort, bounds)
    if runs is None:
        runs = WholeRuns(job, Board(job))
        _fill(runs, effort)
        _look_quickly(runs, effort, bounds.largest <= job.window_minutes)
        nearly = 1.0 if runs.length.size <= FEWEST_CYCLES else NEARLY_FULL
        if bounds.largest <= nearly * job.window_minutes:
            _search(runs, effort)
        if _careful(effort):
            runs.hurry(HURRY * effort / EFFORT)
        runs.settle()
        if _careful(effort):
            runs.keep_hours(HOURS * effort / EFFORT)
    return runs


def _careful(effort: float) -> bool:
    """Whether the night is looked at with care, or only quickly."""
    return effort >= EFFORT


def _fill(runs: WholeRuns, effort: float) -> None:
    careful = _careful(effort)
    runs.fill(min(effort, FILLING if careful else QUICK_FILLING), careful)


def _look_quickly(runs: WholeRuns, effort: float, may_fit: bool) -> None:
    """Look for a place for what has none, where the night is only looked at quickly."""
    if _careful(effort):
        return
    few = may_fit and runs.length.size <= FEWEST_CYCLES
    if few:
        runs.search(QUICK_SOLVING * effort / EFFORT)
    if runs.length.size <= PUT_BACK:
        runs.put_back(int((LAST_ROUNDS if few else ROUNDS) * effort / EFFORT))


def _search(runs: WholeRuns, effort: float) -> None:
    """The same by the constraint program, where the night is looked at with care."""
    if _careful(effort):
        runs.search(SOLVING * effort / EFFORT)


def _as_wished(job: NightJob, effort: float, bounds: Bounds) -> WholeRuns | None:
    """The night within the hours the plan chose and the times to be done by, where these could hold it and do."""
    strict = strict_job(job)
    if strict is job or bounds.largest > wished_minutes(strict):
        return None
    runs = WholeRuns(strict, Board(strict))
    _fill(runs, effort)
    if runs.left.size <= WORTH_TRYING * runs.length.size:
        _search(runs, effort)
    if runs.left.size:
        return None
    runs.settle()
    runs.board.open_again(job)  # hours are a wish: what moves later may be put in cheaper ones
    return runs


def _cut(job: NightJob, effort: float, bounds: Bounds, whole: Attempt) -> Attempt:
    """What found no place whole, in parts beside the others; the whole night with cuts where that is not enough."""
    beyond = max(1.0 - job.window_minutes / bounds.largest, 0.0) if bounds.largest > 0 else 0.0
    enough = (beyond + CLOSE_ENOUGH if beyond else 0.0) * float(work_of_zone(job) @ job.asked_minutes)
    weight = work_of_zone(job)
    pieces = sorted(whole.items, key=lambda item: -float(weight[item.zone]) * item.length)
    rest = []
    for item in pieces:
        left = place_evenly(whole.board, item.zone, item.length)
        left = place_in_parts(whole.board, item.zone, left) if left else 0
        rest += [Item(item.zone, left)] if left else []
    best = in_order(job, attempt_on(job, whole.board, rest))
    if best.unplaced_work <= enough or (effort < EFFORT and job.cycle_zone.size <= FEW_CYCLES):
        return best  # a quick look at a small night leaves it at that
    return searched(job, effort, bounds, best)


def _worth_making(job: NightJob, best: Attempt) -> Attempt:
    """Without the runs of which less than the smallest useful one found a place."""
    if job.smallest_run is None:
        return best
    least, asked = job.to_grid(job.smallest_run, "up"), job.to_grid(job.asked_minutes)
    given = asked - best.left
    for zone in np.flatnonzero((best.left > 0) & (given > 0) & (given < least)).tolist():
        spans = list(best.board.placed[zone])
        for start, end in spans:
            best.board.remove(zone, start, end)
        if not best.board.holds_ramps():  # a valve that opens as another closes may be all that keeps the ramp
            for start, end in spans:
                best.board.place(zone, start, end - start)
            continue
        best.items[:] = [i for i in best.items if i.zone != zone] + [Item(zone, int(asked[zone]))]
    return attempt_on(job, best.board, best.items)
