"""A stronger bound for small sites: which zones can run together at all.

With a dozen zones the flows seldom add up to the capacity, and no timetable uses all of it. Let a pattern be a set of
zones whose flows together are at most the capacity. Every timetable, however cut in parts, is a list of patterns and
how long each lasts, so

    least sum of lengths, such that each zone's patterns last its minutes,

is a bound. Patterns are made as needed: with y the price of a minute of each zone, the best new pattern is a knapsack
of value v, and sum(y m) / max(v, 1) is a bound at any time. Source: Gilmore and Gomory, Operations Research 9 (1961)
849-859; the bound at any time: Farley, Operations Research 38 (1990) 922-923. Mark: memory.
"""

import numpy as np

from models.night.job import BoolArray, FloatArray, IntArray

UNITS = 2000  # [-] parts of the capacity in the knapsack; flows are rounded down to them, which keeps the bound valid
MOST_ROUNDS = 150  # [-]
CLOSE = 5e-4  # [-] share by which the bound may stay under the best there is
MOST_ZONES = 60  # [-] beyond, flows add up to the capacity closely enough


def pattern_bound(flow: FloatArray, minutes: FloatArray, capacity: float) -> float:
    """Least time in which zones can run their minutes when their flows together never pass a capacity.

    Parameters
    ----------
    flow : ndarray, shape (Z,)        Flow [L/s], >= 0.
    minutes : ndarray, shape (Z,)     Run time [min], >= 0.
    capacity : float                  [L/s], > 0.

    Returns
    -------
    float                             Window time [min]; 0 for more than 60 zones or no limit, inf where a zone alone
                                      is too much.

    Raises
    ------
    ValueError                        The shapes differ.

    Examples
    --------
    Two zones of 6 L/s and one of 4 L/s, 10 min each, at a capacity of 9 L/s: none of them go together.

    >>> round(pattern_bound(np.array([6.0, 6.0, 4.0]), np.array([10.0, 10.0, 10.0]), 9.0), 6)
    30.0
    """
    if flow.shape != minutes.shape:
        raise ValueError(f"minutes: expected shape {flow.shape}, got {minutes.shape}")
    on = (flow > 0) & (minutes > 0)
    flow, minutes = flow[on], minutes[on]
    if not 0 < flow.size <= MOST_ZONES or not np.isfinite(capacity):
        return 0.0
    if np.any(flow > capacity * (1 + 1e-9)):
        return float("inf")
    from scipy.optimize import linprog  # loaded only where a small site asks: it takes a tenth of a command's start

    units = np.floor(flow * UNITS / capacity * (1 - 1e-9)).astype(np.int64)
    patterns = np.column_stack([np.eye(flow.size, dtype=bool), _filled(units)])
    best = 0.0
    for _ in range(MOST_ROUNDS):
        solved = linprog(np.ones(patterns.shape[1]), A_ub=-patterns.astype(np.float64), b_ub=-minutes, method="highs")
        if solved.status != 0:
            break
        price = np.maximum(-solved.ineqlin.marginals, 0.0)
        value, pattern = _knapsack(price, units)
        best = max(best, float(price @ minutes) / max(value, 1.0))
        if value <= 1.0 + 1e-7 or best >= solved.fun * (1.0 - CLOSE):
            break
        patterns = np.column_stack([patterns, pattern])
    return best * (1 - 1e-9)


def _filled(units: IntArray) -> BoolArray:
    """Patterns to begin with, shape (Z, Z): each zone with the largest others that still fit, from itself downwards."""
    order = np.argsort(-units, kind="stable")
    patterns = np.zeros((units.size, units.size), dtype=bool)
    for first in range(units.size):
        room = UNITS
        for zone in np.roll(order, -first).tolist():
            if units[zone] <= room:
                patterns[zone, first] = True
                room -= int(units[zone])
    return patterns


def _knapsack(price: FloatArray, units: IntArray) -> tuple[float, BoolArray]:
    """Most valuable set of zones that together use at most UNITS, each once."""
    value = np.zeros(UNITS + 1)
    taken = np.zeros((price.size, UNITS + 1), dtype=bool)
    for zone, size in enumerate(units.tolist()):
        with_zone = value[: UNITS + 1 - size] + price[zone]
        better = with_zone > value[size:] + 1e-12
        taken[zone, size:] = better
        value[size:] = np.where(better, with_zone, value[size:])
    chosen = np.zeros(price.size, dtype=bool)
    room = UNITS
    for zone in range(price.size - 1, -1, -1):
        if taken[zone, room]:
            chosen[zone] = True
            room -= int(units[zone])
    return float(value[UNITS]), chosen
