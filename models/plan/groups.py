"""Groups of zones that a tight limit ties together: what each can do at best with whole flushes.

The relaxation is weak where a branch has room for one flush and a half in a night: every such branch takes half a
flush, and branch and bound has to try all of them against each other. So the limits over many zones are replaced by
their prices (Lagrangian relaxation, Geoffrion 1974). The plan then falls apart into groups, each small enough to be
solved with whole flushes at those prices at once. What all of them cost more than in the relaxation raises the bound of
the plan, and their choices together are nearly one.

Knows nothing of the solver, like `choose.py`: a group brings a function that solves it.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import count

import numpy as np

from models.plan.choose import MOST_SOLVES, SURE, Node, Solve, Ways, branch, dive, early_ways, exact
from models.plan.inputs import Floats, Ints

MOST_TOGETHER = 15  # zones with a flush to decide in one group, and never more than half of all
MOST_GROUP_SOLVES = 300  # of one group at one set of prices; its bound holds wherever it stops
DIVE_EVERY = 5  # nodes of the search between two dives
FIRST_SHARE = 3  # of the undecided groups one in so many is settled together at first
NEARLY_NONE = 1e-9  # rise of the cost, as a share of it, that is taken inside a group without trying another way [-]


class Unsolved(Exception):
    """The solver stopped on a group without an answer; the group then says nothing."""


def tied(members: Sequence[Ints], prices: Floats, undecided: Ints, zones: int) -> list[bool]:
    """Which of the limits to keep, so that no more than `MOST_TOGETHER` zones with a flush hang together.

    The dearest limit is kept first. One without a price ties nothing: it is kept where it lies within a group.

    Parameters
    ----------
    members : sequence of ndarray   Zones of each limit.
    prices : ndarray (limits,)      What each limit costs in the relaxation, 0 where it does not bind [cost].
    undecided : ndarray (F,)        Zones with a flush to decide.
    zones : int

    Returns
    -------
    list of bool   One for each limit.
    """
    label = np.arange(zones)
    weighs = np.zeros(zones, dtype=np.int64)
    weighs[undecided] = 1
    kept, most = [False] * len(members), min(MOST_TOGETHER, undecided.size // 2)
    for i in np.argsort(-prices, kind="stable").tolist():
        joined = np.unique(label[members[i]])
        inside = np.isin(label, joined)
        several = np.unique(label[inside & (weighs > 0)]).size > 1
        if int(weighs[inside].sum()) <= most and not (several and prices[i] <= 0.0):
            label[inside] = joined[0]
            kept[i] = True
    return kept


@dataclass(frozen=True)
class Group:
    """Zones that hang together.

    Parameters
    ----------
    zones : ndarray (k,)     Numbers of its open zones, rising.
    weights : ndarray (w,)   Their weights among those of the plan.
    ways : Ways              The same, numbered within the group.
    reprice : callable       Sets the prices of the last run of the plan; returns its costs so, in single precision.
    solve : Solve            Solves the group at those prices, for bounds of its weights.
    known : dict             What it found before, by costs and bounds.
    """

    zones: Ints
    weights: Ints
    ways: Ways
    reprice: Callable[[], bytes]
    solve: Solve
    known: dict[tuple[bytes, bytes, bytes], tuple[float, Ints]] = field(default_factory=dict)

    def best(self, lower: Floats, upper: Floats, close: float) -> tuple[float, Ints]:
        """How much more its whole flushes cost than its relaxation, at least [cost], and the way (k,) of each zone.

        Parameters
        ----------
        lower, upper : ndarray (w,)   Bounds of its weights.
        close : float                 Cost to which its best is found.
        """
        asked = (self.reprice(), lower.tobytes(), upper.tobytes())
        if asked not in self.known:
            try:
                self.known[asked] = self._best(lower, upper, close)
            except Unsolved:
                self.known[asked] = 0.0, self.weights[self.ways.first]
        return self.known[asked]

    def _best(self, lower: Floats, upper: Floats, close: float) -> tuple[float, Ints]:
        """Solve the zones of the group together for these bounds: least cost, and the ways chosen."""
        root = Node(lower, upper, *self.solve(lower, upper))
        if np.isinf(root.cost):  # by a hair: the plan itself has a relaxation here
            return 0.0, self.weights[self.ways.heaviest(root.weight)]
        found, bound = dive(self.ways, root, NEARLY_NONE, self.solve), root.cost
        if found.cost - bound > close:
            solves = iter(range(MOST_GROUP_SOLVES))
            widest = close / max(abs(found.cost), close, 1e-9)
            found, bound = branch(self.ways, root, found, widest, self.solve, lambda: next(solves, None) is not None)
        return max(bound - root.cost, 0.0), self.weights[self.ways.heaviest(found.weight)]


@dataclass(frozen=True)
class Bounded:
    """A node with what its groups say of it.

    Parameters
    ----------
    node : Node
    bound : float            No plan within its bounds costs less [cost].
    rise : ndarray (G,)      Of it by each group [cost].
    choice : ndarray (F,)    Way each zone takes in its group's best, else the one it leans to.
    """

    node: Node
    bound: float
    rise: Floats
    choice: Ints


@dataclass(frozen=True)
class Search:
    """The search for the best choice of whole flushes, with groups.

    Parameters
    ----------
    ways : Ways
    groups : sequence of Group
    solve : Solve     Of the whole plan.
    widest : float    Gap that is left alone, as a share of the plan [-].
    """

    ways: Ways
    groups: Sequence[Group]
    solve: Solve
    widest: float

    def bounded(self, node: Node, least: float = -np.inf) -> Bounded:
        """Ask the groups about a node; it must be the one solved last, whose prices they take.

        Parameters
        ----------
        node : Node
        least : float   Bound known from a node it came from [cost].
        """
        heaviest = self.ways.heaviest(node.weight)
        rise, choice = np.zeros(len(self.groups)), heaviest.copy()
        if np.isinf(node.cost):
            return Bounded(node, node.cost, rise, choice)
        undecided = node.weight[heaviest] < SURE
        close = self.widest / 10.0 * abs(node.cost) / max(len(self.groups), 1)
        for g, group in enumerate(self.groups):
            if undecided[group.zones].any():  # else its relaxation has whole flushes
                rise[g], choice[group.zones] = group.best(node.lower[group.weights], node.upper[group.weights], close)
        choice = np.where(node.upper[choice] > 0, choice, heaviest)  # a group without any choice may name a closed way
        return Bounded(node, max(least, node.cost + float(rise.sum())), rise, choice)

    def settle(self, at: Bounded, zones: Ints) -> Bounded:
        """These ways with some zones fixed on the choice of their groups."""
        return self.bounded(at.node.settle(self.ways, zones, at.choice[zones], self.solve), at.bound)

    def dive(self, at: Bounded, bold: bool) -> Node:
        """Settle every zone, whole groups at a time, those that raise the bound most first.

        Several groups are settled together as long as the bound hardly rises, else fewer. Where a single group raises
        it, a bold dive goes on; a careful one settles the surest of its zones only, or keeps it from this way if that
        costs less.

        Returns
        -------
        Node   In which every zone is settled.
        """
        for _ in range(MOST_SOLVES):
            heaviest = self.ways.heaviest(at.node.weight)
            undecided = at.node.weight[heaviest] < SURE
            if not undecided.any():
                return exact(self.ways, at.node, self.solve)
            sets = [group.zones for group in self.groups]
            order = [g for g in np.argsort(-at.rise, kind="stable").tolist() if undecided[sets[g]].any()]
            if not order:  # only zones that are in no group
                return dive(self.ways, at.node, self.widest / 10.0, self.solve)
            dearest = at.bound + self.widest / 10.0 * abs(at.bound)
            count = max(1, len(order) // FIRST_SHARE)
            while True:
                tried = self.settle(at, np.sort(np.concatenate([sets[g] for g in order[:count]])))
                if tried.bound <= dearest or count == 1:
                    break
                count //= 2
            if tried.bound > dearest and not (bold and np.isfinite(tried.bound)):
                zones = sets[order[0]][undecided[sets[order[0]]]]
                zone = zones[[int(np.argmax(at.node.weight[at.choice[zones]]))]]
                tried = self.settle(at, zone)
                if tried.bound > dearest:
                    other = self.bounded(at.node.forbid(at.choice[zone], self.solve), at.bound)
                    if np.isinf(min(tried.bound, other.bound)):
                        break
                    tried = other if other.bound < tried.bound else tried
            at = tried
        left = np.flatnonzero(at.node.weight[self.ways.heaviest(at.node.weight)] < SURE)
        return at.node.settle(self.ways, left, self.ways.first[left], self.solve)

    def near(self, at: Bounded, best: Node, root: Node) -> Node:
        """A careful dive among the plans that share with the best what a node's groups choose too.

        Parameters
        ----------
        at : Bounded
        best : Node   In which every zone is settled.
        root : Node   The relaxation.
        """
        chosen = self.ways.heaviest(best.weight)
        same = np.flatnonzero(chosen == at.choice)
        shared = self.bounded(root.settle(self.ways, same, chosen[same], self.solve))
        return self.dive(shared, bold=False) if np.isfinite(shared.bound) else best

    def halves(self, at: Bounded) -> list[Bounded]:
        """Split a node by the most undecided zone of the groups that raise its bound least.

        What they leave undecided is not settled by their own limits but by those of wider reach.
        """
        leans = at.node.weight[self.ways.heaviest(at.node.weight)]
        rise = np.zeros(self.ways.zones)
        for group, own in zip(self.groups, at.rise, strict=True):
            rise[group.zones] = own
        undecided = np.flatnonzero(leans < SURE)
        zone = int(undecided[np.lexsort((-np.minimum(leans, 1.0 - leans)[undecided], np.round(rise[undecided], 3)))[0]])
        early = early_ways(self.ways, at.node.weight, zone)
        own = self.ways.zone == zone
        return [
            self.bounded(at.node.forbid(np.flatnonzero(side), self.solve), at.bound) for side in (own & ~early, early)
        ]

    def run(self, root: Bounded, more: Callable[[], bool], first: Node | None = None) -> tuple[Node, float]:
        """Branch and bound, with a dive before it and after every few nodes; the node with the lowest bound is next.

        A bold dive finds the plan to begin with if none is given. Careful dives near it better it or, where these find
        nothing, careful dives from a node.

        Parameters
        ----------
        root : Bounded
        more : callable   Whether there is time for more.
        first : Node, optional   A plan, every zone settled.

        Returns
        -------
        Node    The best plan found, every zone settled.
        float   Bound: no plan costs less [cost].
        """
        best = first or self.dive(root, bold=True)
        if best.cost - root.bound > self.widest * abs(best.cost):
            found = self.near(root, best, root.node)
            best = found if found.cost < best.cost else best
        number, looked, floor = count(), 0, np.inf  # the number tells nodes of one bound apart
        heap = [(root.bound, next(number), root)]
        while heap and more() and best.cost - heap[0][0] > self.widest * abs(best.cost):
            _, _, at = heapq.heappop(heap)
            looked += 1
            if (at.node.weight[self.ways.heaviest(at.node.weight)] >= SURE).all():
                floor = min(floor, at.bound)
                found = exact(self.ways, at.node, self.solve)
                best = found if found.cost < best.cost else best
                continue
            if looked % DIVE_EVERY == 0:
                found = self.near(at, best, root.node)
                found = found if found.cost < best.cost else self.dive(at, bold=False)
                best = found if found.cost < best.cost else best
            for half in self.halves(at):
                if half.bound < best.cost:
                    heapq.heappush(heap, (half.bound, next(number), half))
        return best, min([best.cost, floor, *(bound for bound, _, _ in heap)])
