"""A run too short to be worth making: wait, or run for the smallest useful time, whichever loses less."""

from types import SimpleNamespace

import numpy as np
import pytest

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


def test_waiting_lasts_until_the_next_night_on_which_the_zone_may_run():
    # From 12 mm a date takes it to 17 and two dates to 22, 2 mm past the limit: a zone barred tomorrow cannot wait.
    allowed = np.ones((2, 3, 1), dtype=bool)
    allowed[1, 1] = False
    arrays = plan(zones=2, nights=3, depletion=12.0, allowed=allowed)
    inputs = SimpleNamespace(plan=arrays, smallest_run=np.full(2, 8.0))
    assert better_skipped(inputs, plan_prices(arrays), np.full(2, True)).tolist() == [True, False]


def skipped(arrays, smallest):
    inputs = SimpleNamespace(plan=arrays, smallest_run=np.asarray(smallest, dtype=float))
    return better_skipped(inputs, plan_prices(arrays), np.full(arrays.zones, True)).tolist()


def test_rain_to_come_lets_a_short_run_wait():
    # From 18 mm a date takes the zone to 23, 3 past its limit, unless 4 mm of rain fall.
    rain = np.array([[0.0, 0.0], [4.0, 0.0]])
    assert skipped(plan(zones=2, nights=2, depletion=18.0, effective_rain=rain), [8.0, 8.0]) == [False, True]


def test_a_smallest_run_that_makes_the_ground_soft_waits():
    # Nothing is lost by waiting or by running but where 8 mm of 9 leave the ground 1 mm short of firm: then it waits;
    # and where neither costs anything one deep run is better than two shallow ones.
    soft = plan(zones=2, nights=2, depletion=[9.0, 12.0], wet_limit=2.0, dry_limit=13.9, wet_weight=50.0)
    assert skipped(soft, [8.0, 8.0]) == [True, False]  # 14 and 17 mm tomorrow: 0.1 and 3.1 too dry
    assert skipped(plan(zones=1, nights=2, depletion=5.0), [2.0]) == [True]


@pytest.mark.parametrize(("minutes", "short"), [(0.0, False), (4.9, True), (5.0, False)])
def test_a_run_of_the_smallest_length_is_long_enough(minutes, short):
    assert short_runs(SimpleNamespace(smallest_run=np.array([5.0])), np.array([minutes])).tolist() == [short]


def test_what_a_smallest_run_wastes_is_its_net_depth_at_its_price():
    # 8 min of half a millimetre fill 4 mm of 5, of one they drain 3, where waiting costs a tenth. 4 mm drained
    # are cheaper than 3 mm of dryness.
    limits = np.array([[9.9], [9.9], [20.0]])
    arrays = plan(
        zones=3, nights=2, depletion=[5.0, 5.0, 18.0], net_rate=[0.5, 1.0, 1.0], dry_limit=limits, wet_limit=0.0
    )
    prices = plan_prices(arrays)
    assert 3.0 < 4.0 * prices.drainage[2, 0] < 3.0 * prices.dry[2]
    assert skipped(arrays, [8.0, 8.0, 22.0]) == [False, True, False]
