"""Keeping a pump above its smallest flow: hand-worked nights, and laws over random ones."""

from dataclasses import replace

import numpy as np
import pytest

from models.night import check_timetable, low_flows, pack_night, play_night
from models.night.board import Board
from models.night.steady import Steadier
from tests.drawn import draws
from tests.models.night.nights import random_job
from tests.models.night.test_packing import night


def low_minutes(job, table):
    return float(play_night(job, table).under_smallest.sum())


def test_two_small_zones_run_together():
    # 2 L/s and 2 L/s for 30 min each, smallest flow 3 L/s: together they are above it, one after the other never.
    job = night([0, 1], [30, 30], [2, 2], window=(1320.0, 1440.0), pump_smallest=np.array([3.0]))
    table = pack_night(job)
    assert check_timetable(job, table) == ()
    assert low_minutes(job, table) == table.under_smallest[0] == 0.0
    apart = replace(table, start=np.array([1380.0, 1410.0]), end=np.array([1410.0, 1440.0]))
    assert low_minutes(job, apart) == 60.0
    # one station at a time keeps them apart: that cannot be helped, and is told with its zones
    single = replace(job, stations_at_once=np.array([1.0]))
    table = pack_night(single)
    assert low_minutes(single, table) == table.under_smallest[0] == 60.0
    assert sorted(z for s in low_flows(single, table) for z in s.zones) == [0, 1]


def test_a_small_zone_left_alone_is_put_beside_a_large_one(monkeypatch):
    # Pump of 10 L/s; 9 L/s for 60 min fills 23:00-24:00, 4 L/s for 30 min (branch 0) and 1 L/s for 30 min (branch 0, of
    # 4 L/s) cannot run together. Placed by size at the latest start: 4 L/s 22:30-23:00, and 1 L/s beside the 9 L/s.
    # With the small one off for the last hour (its own hours) it runs alone, unless the large zone moves to it.
    blocks = np.array([[1320.0, 1380.0], [1380.0, 1440.0]])
    job = night([0, 1, 2], [60, 30, 30], [9, 4, 1], window=(1320.0, 1440.0), pump_smallest=np.array([3.0]))
    job = replace(job, branch=np.array([-1, 0, 0]), branch_capacity=np.array([4.5]))
    job = replace(job, pieces=np.array([[1320.0, 1440.0]]), blocks=blocks)
    job = replace(job, allowed=np.array([[True, True], [True, True], [True, False]]))
    with monkeypatch.context() as off:
        off.setattr(Steadier, "run", lambda self: None)
        assert low_minutes(job, pack_night(job)) == 30.0
    table = pack_night(job)
    assert check_timetable(job, table) == ()
    assert low_minutes(job, table) == 0.0


def test_what_cannot_be_avoided_is_a_bound():
    # Zone 0 runs 40 min at 1 L/s; the only company is 2 L/s for 10 min; smallest 3 L/s: 30 min cannot be helped.
    job = night([0, 1], [40, 10], [1, 2], window=(1320.0, 1440.0), pump_smallest=np.array([3.0]))
    table = pack_night(job)
    assert low_minutes(job, table) == table.unavoidable[0] == 30.0
    steadier = Steadier(job, Board(job))
    steadier.board.place(0, 80, 40)
    steadier.board.place(1, 10, 10)
    assert steadier.run().tolist() == [30.0]
    assert steadier.board.placed == [[(80, 120)], [(110, 120)]]


@pytest.mark.parametrize("limit", ["branch", "controller", "pump"])
def test_company_that_may_not_run_beside_it_is_no_help(limit):
    # 1 L/s and 2.5 L/s for 40 min each, smallest 3 L/s: together they would do, but something keeps them apart
    job = night([0, 1], [40, 40], [1, 2.5], window=(1320.0, 1440.0), pump_smallest=np.array([3.0]))
    apart = {
        "branch": {"branch": np.zeros(2, int), "branch_capacity": np.array([3.0])},
        "controller": {"stations_at_once": np.array([1.0])},
        "pump": {"pump_capacity": np.array([3.2])},
    }
    for changes, unavoidable in (({}, 0.0), (apart[limit], 40.0)):
        steadier = Steadier(replace(job, **changes), Board(replace(job, **changes)))
        steadier.board.place(0, 0, 40)
        steadier.board.place(1, 50, 40)
        steadier.pump, steadier.smallest, steadier.zones = 0, 3_000_000, [0, 1]
        assert steadier._unavoidable() == unavoidable


def test_runs_do_not_move_into_dear_hours_or_past_their_time():
    # Zone 1 (9 L/s) runs in the cheap hour 22:00-23:00; zone 0 (1 L/s) would have company only there or, dear, later.
    blocks = np.array([[1320.0, 1380.0], [1380.0, 1440.0]])
    job = night([0, 1], [30, 30], [1, 9], window=(1320.0, 1440.0), pump_smallest=np.array([3.0]))
    job = replace(job, pieces=np.array([[1320.0, 1440.0]]), blocks=blocks, block_price=np.array([0.1, 0.3]))
    wish = np.array([[30.0, 0.0], [0.0, 30.0]])  # zone 1 may pay the dear hour, zone 0 may not
    table = pack_night(replace(job, minutes_by_block=wish))
    assert low_minutes(job, table) == 0.0  # zone 1 moves to the cheap hour
    assert table.end.max() <= 1380.0
    barred = replace(job, minutes_by_block=wish, allowed=np.array([[True, True], [False, True]]))
    table = pack_night(barred)
    assert low_minutes(barred, table) == 30.0  # zone 0 does not follow it into the dear one
    in_time = replace(barred, block_price=None, minutes_by_block=None, finish_by=np.array([1380.0, np.nan]))
    assert low_minutes(in_time, pack_night(in_time)) == 30.0
    assert low_minutes(in_time, pack_night(replace(in_time, finish_by=None))) == 0.0


@pytest.mark.drawn
def test_never_more_low_minutes_and_nothing_else_worse(monkeypatch):
    gained = 0.0
    for seed in range(draws(14, 1)):
        job = replace(random_job(seed), pump_smallest=np.full(random_job(seed).pump_capacity.size, 4.0))
        with monkeypatch.context() as off:
            off.setattr(Steadier, "run", lambda self: None)
            before = pack_night(job)
        after = pack_night(job)
        assert check_timetable(job, after) == (), f"night {seed}"
        assert np.array_equal(before.unplaced, after.unplaced), f"night {seed}"
        assert (after.under_smallest <= before.under_smallest + 1e-9).all(), f"night {seed}"
        assert (after.unavoidable <= after.under_smallest + 1e-6).all(), f"night {seed}"
        assert not (after.after_finish_by & ~before.after_finish_by).any(), f"night {seed}"
        if job.block_price is not None:
            spent = [(_in_blocks(job, t) @ job.block_price) for t in (before, after)]
            assert (spent[1] <= spent[0] + 1e-6).all(), f"night {seed}"
        gained += float((before.under_smallest - after.under_smallest).sum())
    assert gained > 0.0


def _in_blocks(job, table):
    """Minutes of each zone in each tariff block."""
    both = np.minimum(table.end[:, None], job.blocks[:, 1]) - np.maximum(table.start[:, None], job.blocks[:, 0])
    total = np.zeros((job.zones, len(job.blocks)))
    np.add.at(total, table.zone, np.clip(both, 0.0, None))
    return total
