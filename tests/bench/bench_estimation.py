"""Time of an evening's estimate; run by hand: python -m tests.bench.bench_estimation."""

import time

import numpy as np

from models.estimation import report
from models.filter_ahead import predict
from models.filter_readings import update
from models.filter_state import start_state
from models.kin import EstimationProbes, EstimationZones, prepare


def evening_seconds(zones: int, sensors: int, groups: int, days: int = 5) -> tuple[float, float]:
    """Seconds of laying out, and of one evening (predict, update, report), the best of a few days."""
    rng = np.random.default_rng(1)
    taw = rng.uniform(20, 45, zones)
    setup_zones = EstimationZones(
        rng.integers(0, groups, zones), taw, np.full(zones, 0.23), np.full(zones, 0.25), np.full(zones, 0.75)
    )
    probes = EstimationProbes(
        np.sort(rng.choice(zones, sensors, replace=False)), np.full(sensors, 0.08), np.zeros(sensors, dtype=int)
    )
    began = time.perf_counter()
    setup = prepare(setup_zones, probes)
    laid_out = time.perf_counter() - began
    state, best = start_state(setup, 0.3 * taw, 0.15 * taw), np.inf
    fraction = np.full(zones, 0.4)
    for _ in range(days):
        began = time.perf_counter()
        state = predict(setup, state, rng.uniform(0, 6, zones), np.full(zones, 4.5), np.zeros(zones), fraction)
        state, _ = update(setup, state, 0.20 + rng.normal(0, 0.01, sensors))
        report(setup, state)
        best = min(best, time.perf_counter() - began)
    return laid_out, best


if __name__ == "__main__":
    for case in ((300, 40, 12), (2400, 300, 40), (2400, 300, 4), (2400, 300, 1)):
        laid_out, evening = evening_seconds(*case)
        print("%d zones, %d sensors, %d kin: layout %.2f s, evening %.2f s" % (*case, laid_out, evening))  # noqa: T201, UP031
