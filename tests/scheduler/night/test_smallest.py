"""A run too short to be worth making: wait, or run for the smallest useful time, whichever loses less."""

from types import SimpleNamespace

import numpy as np

from models.plan.prices import plan_prices
from scheduler.night.smallest import better_skipped, short_runs
from tests.models.plan.plans import plan


def test_a_short_run_waits_where_waiting_costs_less():
    # 5 mm a date, dry beyond 20, a minute a millimetre. From 10 mm a zone can wait until tomorrow at no loss; from 19
    # it would be 4 mm too dry by then, and its smallest run wastes nothing; from 19 with a smallest run of 40 min 21 mm
    # would drain, which costs more than the dryness.
    arrays = plan(zones=4, nights=2, depletion=[10.0, 19.0, 19.0, 19.0], taw=40.0)
    inputs = SimpleNamespace(plan=arrays, smallest_run=np.array([8.0, 8.0, 400.0, 8.0]))
    short = short_runs(inputs, np.array([5.0, 5.0, 5.0, 9.0]))
    assert short.tolist() == [True, True, True, False]  # nine minutes are enough
    assert better_skipped(inputs, plan_prices(arrays), short).tolist() == [True, False, True, False]
