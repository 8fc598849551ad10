"""Whole cycles: nothing cut that can stay whole, ranks and times before hours, the same night the same timetable."""

from dataclasses import replace

import numpy as np
import pytest

from models.night import check_timetable, longest_in_hours, pack_night, packing, split_into_cycles
from models.night.board import Board
from models.night.bounds import lower_bounds
from models.night.whole import WholeRuns
from tests.drawn import some
from tests.models.night.nights import full_job, random_job, with_window
from tests.models.night.test_packing import night, packed, times


def test_a_night_that_only_one_order_fills_is_filled_whole():
    # 60 min, 10 L/s. Runs of 6 L/s: 35 and 25 min; of 4 L/s: 40 and 20 min. Each pair is exactly an hour, so the 6s
    # follow each other and the 4s beside them; a run of 6 beside one of 6, or a third beside a pair, is too much.
    job = night([0, 1, 2, 3], [35, 25, 40, 20], [6, 6, 4, 4])
    table = packed(job)
    assert table.fitted and table.extra_cycles == 0


def test_what_can_be_in_time_is_in_time_beside_what_has_no_place():
    # 60 min, 10 L/s, one run at a time: two of 30 min fill it, the third has no place, and zone 0 should be done 22:30.
    job = night([0, 1, 2], [30, 30, 40], [6, 6, 6], finish_by=np.array([1350.0, np.nan, np.nan]))
    job = replace(job, finish_rank=np.array([0, 0, 1]))
    runs = WholeRuns(job, Board(job))
    runs._take(np.array([30, 0, -1]))
    runs.hurry(0.1)
    assert runs.start.tolist() == [0, 30, -1]
    late = replace(job, finish_by=np.array([1349.0, np.nan, np.nan]))  # no timetable of both has it in time
    runs = WholeRuns(late, Board(late))
    runs._take(np.array([30, 0, -1]))
    runs.hurry(0.1)
    assert runs.left.tolist() == [2]
    table = pack_night(job)
    assert check_timetable(job, table) == () and not table.after_finish_by.any()


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(3), 1))
def test_a_night_with_room_has_no_cuts(seed):
    # Window an eighth longer than the proven bound, four branches, a quarter of the zones with soaks.
    job = full_job(40, seed, branches=4, soaks=0.25)
    job = with_window(job, lower_bounds(job).largest * 1.125)
    table = packed(job)
    assert table.fitted and table.extra_cycles == 0
    assert np.array_equal(
        np.bincount(table.zone, minlength=job.zones), np.bincount(job.cycle_zone, minlength=job.zones)
    )


@pytest.mark.sweep
def test_the_search_finds_places_that_filling_does_not():
    job = full_job(60, 0, branches=4, stations=6, ramp=0.3)
    job = with_window(job, lower_bounds(job).largest * 1.01)
    runs = WholeRuns(job, Board(job))
    runs.fill(packing.FILLING)
    filled = runs.cost
    runs.search(packing.SOLVING)
    assert runs.cost < filled
    assert runs.board.holds_ramps()


def test_what_is_left_out_whole_is_of_the_last_rank():
    # One at a time, 60 min: 40 + 40. The rank served first has its run; the other is cut to fill what is left.
    job = night([0, 1], [40, 40], [6, 6], finish_rank=np.array([1, 0]), smallest_cycle=np.full(2, 30.0))
    table = packed(job)
    assert table.unplaced.tolist() == [40.0, 0.0]


def test_a_cycle_that_must_be_cut_is_cut_in_equal_parts():
    # Two pieces of 12 min: 20 min do not fit whole; two parts of 10 do.
    table = packed(night([0], [20], [6], window=[(1320, 1332), (1350, 1362)]))
    assert (table.end - table.start).tolist() == [10.0, 10.0]


def test_a_run_of_which_too_little_finds_a_place_does_not_run():
    # 60 min, one at a time: 40 min of the first rank leave 20 of the other's 40, and 25 are worth making at least.
    ranks = np.array([0, 1])
    table = packed(night([0, 1], [40, 40], [6, 6], finish_rank=ranks, smallest_run=np.full(2, 25.0)))
    assert table.unplaced.tolist() == [0.0, 40.0]
    assert packed(night([0, 1], [40, 40], [6, 6], finish_rank=ranks, smallest_run=np.full(2, 20.0))).unplaced[1] == 20.0


def test_times_to_be_done_by_come_before_the_hours_of_the_plan():
    # The plan has the run in the last half hour, but it should be done by 22:40.
    blocks = np.array([[1320.0, 1350.0], [1350.0, 1380.0]])
    wish, price = np.array([[0.0, 10.0]]), np.array([0.3, 0.1])
    job = night([0], [10], [4], blocks=blocks, minutes_by_block=wish, block_price=price)
    assert times(packed(job), 0) == [(1370, 1380)]
    assert times(packed(replace(job, finish_by=np.array([1340.0]))), 0) == [(1330, 1340)]


def test_the_same_night_gives_the_same_timetable():
    job = full_job(20, 1, branches=4, soaks=0.2)
    job = with_window(job, lower_bounds(job).largest * 1.02)
    one, other = pack_night(job, 3_000), pack_night(job, 3_000)
    assert np.array_equal(one.zone, other.zone) and np.array_equal(one.start, other.start)


@pytest.mark.sweep
@pytest.mark.parametrize("seed", [299, 252, 99, 391])
def test_cycles_of_unequal_length_keep_their_soaks(seed):
    # Drawn nights on which a middle cycle of a zone finds no place: the others still rest between each other.
    job = random_job(seed)
    assert check_timetable(job, pack_night(job)) == ()


def test_the_longest_run_is_that_whose_split_fits():
    """Against trying every run time: split, then laid one cycle after the other, the longer ones first."""
    random = np.random.default_rng(0)
    for _ in range(25):
        step = float(random.choice([1.0, 0.5, 2.0]))
        rate, infiltration, storage = random.uniform(10, 60), random.uniform(3, 40), random.uniform(1, 6)
        cycle = np.nan if random.random() < 0.7 else float(random.integers(3, 20))
        soak = np.nan if random.random() < 0.7 else float(random.integers(0, 50))
        first = float(random.integers(20, 100))
        gap = first + float(random.integers(5, 60))
        spans = np.array([[0.0, first], [gap, gap + float(random.integers(20, 100))]])[: random.integers(1, 3)]
        terms = [np.full(1, v) for v in (step, rate, infiltration, storage)]
        found = longest_in_hours(spans[None], *terms, np.full(1, cycle), np.full(1, soak))[0]
        most = int(np.diff(spans, axis=1).sum() / step)
        overrides = (np.full(1, cycle), np.full(1, soak))
        fits = [n * step for n in range(1, most + 1) if _fits(spans, np.full(1, n * step), terms, overrides)]
        assert found == max(fits, default=0.0)


def _fits(spans, minutes, terms, overrides) -> bool:
    step, rate, infiltration, storage = terms
    cycles = split_into_cycles(minutes, step, rate, infiltration, storage, step, *overrides)
    if not cycles.soak[0]:
        return True
    at = -np.inf
    for length in sorted(cycles.length, reverse=True):
        begins = [max(opens, at) for opens, closes in spans if max(opens, at) + length <= closes + 1e-6]
        if not begins:
            return False
        at = begins[0] + length + cycles.soak[0]
    return True
