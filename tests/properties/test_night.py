"""Laws of the packed night, over random sites: no rule is ever broken, no minute is lost or made."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from models.night import check_timetable, pack_night, play_night
from tests.drawn import draws, examples
from tests.models.night.nights import random_job


@pytest.mark.drawn
@pytest.mark.parametrize("block", range(draws(10, 1)))
def test_five_hundred_random_nights_break_no_rule(block):
    for seed in range(50 * block, 50 * block + draws(50, 4)):
        job = random_job(seed)
        table = pack_night(job)
        assert check_timetable(job, table) == (), f"night {seed}"
        played = play_night(job, table)
        placed = np.bincount(table.zone, table.end - table.start, job.zones)
        assert np.allclose(placed + table.unplaced, job.asked_minutes, atol=1e-6), f"night {seed}"
        assert np.allclose(played.volume, placed * job.flow * 0.06, atol=1e-9), f"night {seed}"
        assert np.allclose(played.under_smallest, table.under_smallest, atol=1e-6), f"night {seed}"
        if table.fitted:
            assert table.makespan_min >= table.lower_bound_min - 1e-6, f"night {seed}"
            assert np.all(table.measured_capacity.pump == 1.0)
        else:
            measured = table.measured_capacity
            limits = np.concatenate([measured.pump, measured.branch, measured.controller])
            assert np.any(limits < 1.0) or np.any(np.isfinite(measured.zone_minutes)), f"night {seed}"


@examples(40, least=2)
@given(seed=st.integers(10_000, 10**6), more=st.floats(1.0, 4.0))
@example(seed=17996, more=1.0)  # a cycle longer than the whole night, with hours to choose
def test_more_of_everything_never_breaks_a_rule(seed, more):
    job = random_job(seed)
    job = replace(job, pump_capacity=job.pump_capacity * more, branch_capacity=job.branch_capacity * more)
    assert check_timetable(job, pack_night(job)) == ()


@examples(25)
@given(seed=st.integers(10_000, 10**6))
def test_without_any_shared_limit_everything_ends_at_the_close(seed):
    # Nothing but the window: each zone's last cycle ends at the close (on the zone's own start grid), so all fits if
    # each chain does.
    job = random_job(seed)
    pieces = np.array([[1200.0, 2640.0]])
    job = replace(
        job,
        pump_capacity=np.full(job.pump_capacity.size, np.inf),
        pump_ramp=np.full(job.pump_ramp.size, np.inf),
        pump_smallest=np.zeros(job.pump_smallest.size),
        branch_capacity=np.full(job.branch_capacity.size, np.inf),
        stations_at_once=np.full(job.stations_at_once.size, np.inf),
        pieces=pieces,
        blocks=pieces,
        allowed=None,
        minutes_by_block=None,
        block_price=None,
        finish_by=None,
    )
    table = pack_night(job)
    assert table.fitted
    last = np.full(job.zones, -np.inf)
    np.maximum.at(last, table.zone, table.end)
    assert np.all(last > 2640.0 - 1.0 - 1e-9)
