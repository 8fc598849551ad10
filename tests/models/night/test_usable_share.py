"""What share of a pipe few zones can use: against every way to run them, tried one by one with a general solver."""

from itertools import combinations

import numpy as np
import pytest
from scipy.optimize import linprog

from models.night import usable_share


def least_time(flow, minutes, capacity) -> float:
    """Least time for the minutes over all sets of zones that fit together (Gilmore and Gomory 1961, all columns)."""
    sets = [
        s for n in range(1, flow.size + 1) for s in combinations(range(flow.size), n) if flow[list(s)].sum() <= capacity
    ]
    runs = np.array([[float(z in s) for s in sets] for z in range(flow.size)])
    return float(linprog(np.ones(len(sets)), A_ub=-runs, b_ub=-minutes, method="highs").fun)


@pytest.mark.parametrize("zones", [2, 3, 5, 8])
def test_few_zones_use_what_the_best_timetable_does(zones):
    # Never below it; a little above, as flows are rounded down to 2,000ths and a set a hair too large may count as one
    # that fits.
    rng = np.random.default_rng(zones)
    above = []
    for _ in range(12):
        flow = rng.uniform(1.0, 8.0, zones).round(2)
        capacity = float(max(flow.max(), rng.uniform(0.4, 0.95) * flow.sum()))
        water = flow * rng.uniform(10.0, 90.0, zones)
        truth = water.sum() / (capacity * least_time(flow, water / flow, capacity))
        found = usable_share(flow, np.zeros(zones, dtype=int), np.array([capacity]), water)
        above.append(found[0] - min(truth, 1.0))
    assert min(above) >= -1e-6
    assert np.median(above) <= 1e-3 and max(above) <= 0.02, above


def test_a_zone_that_can_never_run_takes_no_share_from_the_others():
    # 6 and 4 L/s fill 10 L/s together; a third of 12 L/s cannot run at all.
    flow, water = np.array([6.0, 4.0, 12.0]), np.array([6.0, 4.0, 12.0])
    share = usable_share(flow, np.zeros(3, dtype=int), np.array([10.0]), water)
    assert share[0] == pytest.approx(1.0, abs=2e-3)


def test_many_zones_keep_an_estimate_from_above():
    rng = np.random.default_rng(0)
    flow = rng.uniform(2.0, 6.0, 30)
    share = usable_share(flow, np.zeros(30, dtype=int), np.array([11.0]), flow)
    assert 0.9 < share[0] <= 1.0
