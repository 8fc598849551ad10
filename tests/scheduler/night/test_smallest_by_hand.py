"""Runs shorter than is worth making, by hand: what waiting loses against what the smallest run wastes."""

from types import SimpleNamespace

import numpy as np
import pytest

from scheduler.night.smallest import better_skipped, short_runs
from tests.models.plan.plans import plan


def test_a_run_is_short_below_the_smallest_and_above_none():
    given = SimpleNamespace(smallest_run=np.full(4, 4.0))
    assert short_runs(given, np.array([0.0, 1.0, 3.9, 4.0])).tolist() == [False, True, True, False]


def skipped(smallest=10.0, dry=1.0, drainage=(1.0, 9.0), wet=(1.0, 9.0), short=True, **arrays):
    """One zone over three nights, 5 mm of ET a day, dry from 20 mm on; a run gives half its minutes in mm."""
    usual = {"depletion": 4.0, "net_rate": 0.5, "dry_limit": 20.0, "wet_limit": [[1.0, 6.0, 6.0]], "etc": 5.0}
    given = SimpleNamespace(plan=plan(1, 3, **usual | arrays), smallest_run=np.array([smallest]))
    later = lambda pair: np.array([[pair[0], pair[1], pair[1]]])  # noqa: E731
    prices = SimpleNamespace(dry=np.array([dry]), drainage=later(drainage), wet=later(wet))
    return bool(better_skipped(given, prices, np.array([short]))[0])


def test_a_zone_waits_where_the_smallest_run_wastes_no_less_than_waiting_loses():
    # 5 mm into 4: one drains, one is missing to tonight's wet limit; by tomorrow 9 are missing, none past 20.
    assert skipped() and not skipped(short=False)
    # It stands at 18, and 23 by tomorrow: 3 past the limit. The run of 5 mm wastes nothing.
    assert not skipped(depletion=18.0)
    assert skipped(depletion=18.0, dry=0.0)  # neither costs anything: one deep run is better than two shallow ones
    assert skipped(depletion=18.0, effective_rain=[[3.0, 0.0, 0.0]])  # 18 + 5 - 3 is just at it
    # A run of 40 min, 20 mm, into 18: 2 drain and 1 is soft, against 3 lost: by their prices.
    assert not skipped(depletion=18.0, smallest=40.0, drainage=(0.9, 9.0)) and skipped(depletion=18.0, smallest=40.0)
    assert skipped(depletion=18.0, smallest=40.0, drainage=(0.9, 9.0), wet=(1.3, 0.0))


@pytest.mark.parametrize(
    ("open_", "waits"),
    [([1, 1, 1], True), ([1, 0, 1], False), ([1, 0, 0], False)],
)
def test_waiting_lasts_until_the_next_night_on_which_it_may_run(open_, waits):
    # 14 mm: 19 by tomorrow, 24 the day after, 4 past the limit; 28 mm waste 14 and are soft by 1, at a fifth.
    allowed = np.array(open_, dtype=bool).reshape(1, 3, 1)
    assert skipped(depletion=14.0, smallest=56.0, drainage=(0.2, 9.0), wet=(0.2, 9.0), allowed=allowed) is waits
