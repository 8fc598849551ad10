"""A stronger bound for small sites: which zones can run together at all.

With a dozen zones the flows seldom add up to the capacity, and no timetable uses all of it. Let a pattern be a set of
zones whose flows together are at most the capacity. Every timetable, however cut in parts, is a list of patterns and
how long each lasts, so

    least sum of lengths, such that each zone's patterns last its minutes,

is a bound. Patterns are made as needed: with y the price of a minute of each zone, the best new pattern is a knapsack
of value v, and sum(y m) / max(v, 1) is a bound at any time. Where zones that share a pump also hang on pipes and
controllers that hold few at once, a pattern has to keep to those as well, and the best new one is searched for.
Source: Gilmore and Gomory, Operations Research 9 (1961) 849-859; the bound at any time: Farley, Operations Research 38
(1990) 922-923. Mark: memory.
"""

from bisect import bisect_right
from collections.abc import Sequence
from itertools import accumulate

import numpy as np

from models.night.job import BoolArray, FloatArray, IntArray

UNITS = 2000  # [-] parts of the capacity in the knapsack; flows are rounded down to them, which keeps the bound valid
MOST_ROUNDS = 150  # [-]
CLOSE = 5e-4  # [-] share by which the bound may stay under the best there is
MOST_SETS = 5000  # [-] looked at for one pattern, which is then not proven to be the best
MOST_UNSURE = 20  # [-] such patterns in one bound
MOST_ZONES = 60  # [-] beyond, flows add up to the capacity closely enough


Shared = tuple[FloatArray, float]  # what each zone takes of a further limit while it runs, (Z,), and that limit


def pattern_bound(flow: FloatArray, minutes: FloatArray, capacity: float, shared: Sequence[Shared] = ()) -> float:
    """Least time in which zones can run their minutes when their flows together never pass a capacity.

    Parameters
    ----------
    flow : ndarray, shape (Z,)        Flow [L/s], >= 0.
    minutes : ndarray, shape (Z,)     Run time [min], >= 0.
    capacity : float                  [L/s], > 0.
    shared : sequence of (ndarray (Z,), float)   Further limits on what runs at once: what each takes, and the most.

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

    At 12 L/s the first two go together or each with the third; two stations at once change nothing, one does.

    >>> three, each = (np.array([6.0, 6.0, 4.0]), np.array([10.0, 10.0, 10.0])), np.ones(3)
    >>> [round(pattern_bound(*three, 12.0, [(each, most)]), 6) for most in (2.0, 1.0)]
    [15.0, 30.0]
    """
    return pattern_prices(flow, minutes, capacity, shared)[0]


def pattern_prices(
    flow: FloatArray, minutes: FloatArray, capacity: float, shared: Sequence[Shared] = (), fits: float = 0.0
) -> tuple[float, FloatArray]:
    """The bound of `pattern_bound`, and the price of a minute of each zone that proves it, shape (Z,).

    No zones that can run together have prices of more than 1 in all, so run times of whatever plan priced so take at
    least their sum of window time. Where patterns are found that last no longer than `fits` [min] the search ends: the
    bound is then no more than that, and what it is does not matter.
    """
    if flow.shape != minutes.shape:
        raise ValueError(f"minutes: expected shape {flow.shape}, got {minutes.shape}")
    on = np.flatnonzero((flow > 0) & (minutes > 0))
    prices = np.zeros(flow.size)
    flow, minutes = flow[on], minutes[on]
    shared = [(takes[on], most) for takes, most in shared if takes[on].sum() > most]
    if not 0 < flow.size <= MOST_ZONES or not np.isfinite(capacity):
        return 0.0, prices
    limits = [(flow, capacity * (1 + 1e-9)), *((takes, most * (1 + 1e-9)) for takes, most in shared)]
    if any(np.any(takes > most) for takes, most in limits):
        return float("inf"), prices
    from scipy.optimize import linprog  # loaded only where a small site asks: it takes a tenth of a command's start

    units = np.floor(flow * UNITS / capacity * (1 - 1e-9)).astype(np.int64)
    patterns = np.column_stack([np.eye(flow.size, dtype=bool), _filled(limits if shared else [(units, UNITS)])])
    best, unsure = float(flow @ minutes) / capacity, 0
    prices[on] = flow / capacity
    for _ in range(MOST_ROUNDS):
        solved = linprog(np.ones(patterns.shape[1]), A_ub=-patterns.astype(np.float64), b_ub=-minutes, method="highs")
        if solved.status != 0 or solved.fun <= fits:
            break
        price = np.maximum(-solved.ineqlin.marginals, 0.0)
        value, pattern, proven = _several(price, limits) if shared else (*_knapsack(price, units), True)
        unsure += not proven
        proves = price / max(value, 1.0)
        if proven and proves @ minutes > best:
            best, prices[on] = float(proves @ minutes), proves
        if value <= 1.0 + 1e-7 or best >= solved.fun * (1.0 - CLOSE) or unsure > MOST_UNSURE:
            break
        patterns = np.column_stack([patterns, pattern])
    return best * (1 - 1e-9), prices


def _filled(limits: Sequence[tuple[FloatArray | IntArray, float]]) -> BoolArray:
    """Patterns to begin with, shape (Z, Z): each zone with the largest others that still fit, from itself downwards."""
    takes, most = np.array([t for t, _ in limits]), np.array([m for _, m in limits])
    order = np.argsort(-takes[0], kind="stable")
    patterns = np.zeros((order.size, order.size), dtype=bool)
    for first in range(order.size):
        room = most.copy()
        for zone in np.roll(order, -first).tolist():
            if (takes[:, zone] <= room).all():
                patterns[zone, first] = True
                room -= takes[:, zone]
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


def _several(price: FloatArray, limits: Sequence[Shared]) -> tuple[float, BoolArray, bool]:
    """Value of the best set of zones found within several limits, that set, and whether it is proven to be the best.

    Depth first, the zones that pay best for the first limit first; a set is given up where filling that limit, the
    last zone in part, would be worth no more than the best.
    """
    flow = limits[0][0]
    order = np.flatnonzero(price > 0.0)
    order = order[np.argsort(-price[order] / flow[order], kind="stable")]
    worth, takes = price[order].tolist(), [t[order].tolist() for t, _ in limits]
    flows, values = [0.0, *accumulate(takes[0])], [0.0, *accumulate(worth)]
    best, looked_at = 0.0, 0
    found: tuple[int, ...] = ()
    stack = [(0, 0.0, tuple(most for _, most in limits), found)]
    while stack:
        i, value, room, chosen = stack.pop()
        whole = bisect_right(flows, flows[i] + room[0]) - 1
        reach = value + values[whole] - values[i]
        if whole < len(worth):
            reach += (flows[i] + room[0] - flows[whole]) * worth[whole] / takes[0][whole]
        if reach <= best:
            continue
        looked_at += 1
        if looked_at > MOST_SETS:
            break
        if value > best:
            best, found = value, chosen
        if i == len(worth):
            continue
        stack.append((i + 1, value, room, chosen))
        left = tuple(r - t[i] for r, t in zip(room, takes, strict=True))
        if min(left) >= 0.0:
            stack.append((i + 1, value + worth[i], left, (*chosen, i)))
    pattern = np.zeros(price.size, dtype=bool)
    pattern[order[list(found)]] = True
    return best, pattern, looked_at <= MOST_SETS
