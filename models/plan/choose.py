"""Choosing one way for each zone from a relaxation that leaves some of them between two: a dive.

Knows nothing of the solver: it is handed a function that solves the plan for given bounds of the weights. Each solve
goes on from the last basis and takes a small part of the time of the first, so a dive of some tens of solves costs less
than a general branch and bound needs for its root.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass
from itertools import count

import numpy as np

from models.plan.copies import Copies
from models.plan.inputs import Bools, Floats, Ints

SURE = 1.0 - 1e-6  # weight above which a way counts as chosen [-]
IDLE = 1e-6  # [mm] below which a night passes nothing but a solver's rounding
FIRST_PART = 0.25  # of the undecided zones settled together at first [-]
DIVE_EVERY = 25  # nodes of branch and bound between two dives
MOST_SOLVES = 400  # of one dive; the zones still undecided then take no flush

# Bounds of the weights, each (W,), to the cost of the plan [cost], inf without one, and its weights (W,).
Solve = Callable[[Floats, Floats], tuple[float, Floats]]


@dataclass(frozen=True)
class Ways:
    """The open copies of each zone, in the order of the weights `chosen`.

    Parameters
    ----------
    zone : ndarray (W,)     Number of the open zone each weight belongs to, 0 to `zones` - 1, rising.
    first : ndarray (F,)    First weight of each open zone: its way without a flush.
    zones : int             Open zones F.
    """

    zone: Ints
    first: Ints
    zones: int

    @classmethod
    def of(cls, copies: Copies) -> Ways:
        """Number the open copies of a plan."""
        names, first, number = np.unique(copies.zone[copies.open], return_index=True, return_inverse=True)
        return cls(number, first, int(names.size))

    def heaviest(self, weight: Floats) -> Ints:
        """Weight each open zone leans to most, shape (F,)."""
        order = np.lexsort((-weight, self.zone))
        return order[np.searchsorted(self.zone[order], np.arange(self.zones))]

    def fixed(self, chosen: Ints) -> tuple[Floats, Floats]:
        """Bounds of the weights with every zone fixed on a weight (F,), each (W,)."""
        bounds = np.zeros(self.zone.size)
        bounds[chosen] = 1.0
        return bounds, bounds.copy()

    def without_idle_nights(self, copies: Copies, chosen: Ints, drained: Floats) -> Ints:
        """The choice with flushes of two nights of which one passes nothing brought to the other night alone.

        That costs no more: the idle night need not be filled and is not soft, and salt harms no longer.

        Parameters
        ----------
        copies : Copies
        chosen : ndarray (F,)         Weight of each open zone.
        drained : ndarray (V, N)      What each copy passes below the roots by its flush [mm].
        """
        opened = np.flatnonzero(copies.open)
        flush, supply = copies.flush[opened], copies.supply[opened]
        out = chosen.copy()
        for zone, w in enumerate(chosen.tolist()):
            works = drained[opened[w]] > IDLE
            if works.any():
                same = (self.zone == zone) & (supply == supply[w]) & (flush == works).all(axis=1)
                out[zone] = next(iter(np.flatnonzero(same)), w)
        return out


@dataclass(frozen=True)
class Node:
    """Bounds of the weights, each (W,), and the plan they give: its cost and its weights (W,)."""

    lower: Floats
    upper: Floats
    cost: float
    weight: Floats

    def settle(self, ways: Ways, zones: Ints, chosen: Ints, solve: Solve) -> Node:
        """These ways with some zones fixed on a weight."""
        lower, upper = self.lower.copy(), self.upper.copy()
        upper[np.isin(ways.zone, zones)] = 0.0
        lower[chosen] = upper[chosen] = 1.0
        return Node(lower, upper, *solve(lower, upper))

    def forbid(self, chosen: Ints, solve: Solve) -> Node:
        """These ways without some of them."""
        upper = self.upper.copy()
        upper[chosen] = 0.0
        return Node(self.lower, upper, *solve(self.lower, upper))


def dive(ways: Ways, root: Node, jump: float, solve: Solve, dearest: float = np.inf) -> Node:
    """Settle every zone, from the surest on, going round choices that make the plan dearer.

    Several zones are settled together as long as the cost rises by less than `jump`, else half as many are tried. A
    single zone whose surest way costs more than that is asked again without this way, and the cheaper of the two stays.
    Where neither can be, the zones still undecided take no flush, which always can.

    Parameters
    ----------
    ways : Ways
    root : Node      The relaxation.
    jump : float     Rise of the cost, as a share of it, that is taken without trying another way [-].
    solve : Solve
    dearest : float  Cost beyond which the dive is not worth going on with [cost].

    Returns
    -------
    Node   In which every zone is settled, unless it costs more than `dearest`.
    """
    node, part, left = root, 0, MOST_SOLVES
    while True:
        if node.cost > dearest:
            return node
        best = ways.heaviest(node.weight)
        open_zones = np.flatnonzero(node.weight[best] < SURE)
        if not open_zones.size:
            return exact(ways, node, solve)
        if left <= 0:
            return node.settle(ways, open_zones, ways.first[open_zones], solve)
        order = open_zones[np.argsort(-node.weight[best[open_zones]], kind="stable")]
        part = max(1, min(part, order.size)) if part else max(1, int(FIRST_PART * order.size))
        most = node.cost + jump * abs(node.cost)
        while True:
            tried = node.settle(ways, order[:part], best[order[:part]], solve)
            left -= 1
            if tried.cost <= most or part == 1:
                break
            part //= 2
        if tried.cost <= most:
            node, part = tried, 2 * part
            continue
        other = node.forbid(best[order[:1]], solve)
        left -= 1
        if np.isinf(min(tried.cost, other.cost)):
            return node.settle(ways, order, ways.first[order], solve)
        node = other if other.cost < tried.cost else tried


def exact(ways: Ways, node: Node, solve: Solve) -> Node:
    """Fix every zone on the way it leans to, all but exactly.

    A flush that fits by the solver's tolerance may not when its weight is 1; it is not begun, the least sure first.
    """
    every = np.arange(ways.zones)
    chosen = ways.heaviest(node.weight)
    found = node.settle(ways, every, chosen, solve)
    for zone in np.argsort(node.weight[chosen], kind="stable").tolist():
        if np.isfinite(found.cost):
            break
        chosen[zone] = ways.first[zone]
        found = node.settle(ways, every, chosen, solve)
    return found


def branch(
    ways: Ways, root: Node, best: Node, widest: float, solve: Solve, more: Callable[[], bool]
) -> tuple[Node, float]:
    """Branch and bound from a plan that stands, until the gap is closed to `widest`.

    A node splits the ways of one zone in two, early nights and late ones or none, about half of its weight on each
    side; the zone is that whose splits raised the lower of the two bounds most so far, each being tried at the first
    node that leaves it open. The node with the lowest bound is next; now and then a dive from there looks for a better
    plan. Measured on 100 flushes in 600 zones and 7 nights with a gap of 5 % at the root: within 1 % after some 300
    solves of 0.05 s, where a general branch and bound had not left its root.

    Parameters
    ----------
    ways : Ways
    root, best : Node   The relaxation, and the plan that stands.
    widest : float      Gap that is left alone, as a share of the plan [-].
    solve : Solve
    more : callable     Whether there is time for more.

    Returns
    -------
    Node    The best plan found, every zone settled.
    float   Bound: no plan costs less [cost].
    """
    gain = np.full(ways.zones, np.nan)
    number, looked, floor = count(), 0, np.inf  # the number tells nodes of one cost apart
    heap = [(root.cost, next(number), root)]
    while heap and more() and best.cost - heap[0][0] > widest * abs(best.cost):
        _, _, node = heapq.heappop(heap)
        undecided = np.flatnonzero(node.weight[ways.heaviest(node.weight)] < SURE)
        if not undecided.size:
            floor = min(floor, node.cost)
            found = exact(ways, node, solve)
            best = found if found.cost < best.cost else best
            continue
        looked += 1
        if looked % DIVE_EVERY == 0:
            found = dive(ways, node, widest / 10.0, solve)
            best = found if found.cost < best.cost else best
        for half in _halves(ways, node, undecided, gain, best.cost, solve):
            if half.cost < best.cost:
                heapq.heappush(heap, (half.cost, next(number), half))
    return best, min([best.cost, floor, *(cost for cost, _, _ in heap)])


def _halves(
    ways: Ways, node: Node, undecided: Ints, gain: Floats, most: float, solve: Solve
) -> tuple[Node, Node]:  # fmt: skip
    """Split a node by the zone that raises its bound most, and take note of the gains tried, in place."""
    unknown = undecided[np.isnan(gain[undecided])]
    tries = unknown if unknown.size else undecided[[int(np.argmax(gain[undecided]))]]
    halves: list[tuple[float, tuple[Node, Node]]] = []
    for zone in tries.tolist():
        early = early_ways(ways, node.weight, zone)
        own = ways.zone == zone
        pair = (node.forbid(np.flatnonzero(own & ~early), solve), node.forbid(np.flatnonzero(early), solve))
        rise = min(pair[0].cost, pair[1].cost, most) - node.cost
        gain[zone] = rise if np.isnan(gain[zone]) else 0.5 * (gain[zone] + rise)
        halves.append((rise, pair))
    return max(halves, key=lambda half: half[0])[1]


def early_ways(ways: Ways, weight: Floats, zone: int) -> Bools:
    """Ways of a zone that hold about the first half of its weight, by night, none at all being last; shape (W,)."""
    own = np.roll(np.flatnonzero(ways.zone == zone), -1)
    held = np.cumsum(weight[own])
    used = np.flatnonzero(weight[own] > 1.0 - SURE)
    cut = used[np.argmin(np.abs(held[used[:-1]] - 0.5))]
    early = np.zeros(ways.zone.size, dtype=np.bool_)
    early[own[: cut + 1]] = True
    return early
