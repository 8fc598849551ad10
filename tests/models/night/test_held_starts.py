"""Starts that stand in a controller already: kept where they can be, never past a limit, never at a run's cost."""

from dataclasses import replace

import numpy as np
import pytest

from models.night import check_timetable, pack_night
from tests.drawn import some
from tests.models.night.nights import full_job, random_job, with_window
from tests.models.night.test_packing import night, packed, times


def starts_of(table, zones):
    return {z: table.start[table.zone == z] for z in range(zones) if (table.zone == z).any()}


def test_a_run_stays_where_it_stands_although_a_later_start_is_nearer_the_close():
    job = night([0, 1], [10, 10], [4, 4])
    assert times(packed(job), 0) == [(1370, 1380)]
    held = replace(job, held_starts={0: np.array([1325.0])})
    assert times(packed(held), 0) == [(1325, 1335)]
    assert times(packed(held), 1) == [(1370, 1380)]


def test_a_start_outside_the_window_or_beside_a_full_pump_is_not_kept():
    # 10 L/s: both of 6 L/s cannot start together, so one keeps its start and the other does not.
    job = replace(night([0, 1], [30, 30], [6, 6]), held_starts={0: np.array([1320.0]), 1: np.array([1320.0])})
    table = packed(job)
    assert table.fitted and sorted(table.start.tolist()) == [1320, 1350]
    early = replace(night([0], [30], [6]), held_starts={0: np.array([1200.0])})
    assert times(packed(early), 0) == [(1350, 1380)]


def test_nothing_is_left_out_for_a_start():
    # 60 min of one run at a time: at its old start in the middle the run of 20 min leaves no 40 min whole.
    job = replace(night([0, 1], [20, 40], [6, 6]), held_starts={0: np.array([1340.0])})
    table = packed(job)
    assert table.fitted and table.extra_cycles == 0


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(40), 3))
def test_whatever_stands_every_limit_holds_and_nothing_more_is_left_out(seed):
    job = random_job(seed)
    random = np.random.default_rng(seed)
    opens, closes = job.pieces[0, 0], job.pieces[-1, 1]
    held = {z: np.sort(random.integers(opens - 30, closes + 30, 3)).astype(float) for z in range(0, job.zones, 2)}
    free, kept = pack_night(job, 3_000), pack_night(replace(job, held_starts=held), 3_000)
    assert check_timetable(job, kept) == ()
    assert kept.fitted or not free.fitted


def test_the_same_night_again_keeps_every_start():
    job = full_job(40, 3, branches=3)
    job = with_window(job, job.window_minutes * 1.2)
    table = packed(job)
    again = packed(replace(job, held_starts=starts_of(table, job.zones)))
    assert np.array_equal(table.start, again.start) and np.array_equal(table.zone, again.zone)
    # a tenth of the runs longer: most of the others stay where they were
    longer = job.cycle_minutes + np.where(np.arange(job.cycle_minutes.size) % 10 == 0, 1.0, 0.0)
    other = replace(job, cycle_minutes=longer)
    free, kept = packed(other), packed(replace(other, held_starts=starts_of(table, job.zones)))
    assert kept.fitted

    def moved(found):
        old, new = starts_of(table, job.zones), starts_of(found, job.zones)
        return sum(not np.array_equal(old[z], new[z]) for z in old)

    assert moved(kept) < 0.5 * moved(free)
