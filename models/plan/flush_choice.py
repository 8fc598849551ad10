"""Which zones flush when, chosen on a loaded plan: the search of `choose.py` and `groups.py` over its weights."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np

from models.plan.choose import Node, Ways, branch, dive
from models.plan.copies import Copies
from models.plan.groups import Group, Search, Unsolved, tied
from models.plan.highs import Program, SolverFailed
from models.plan.inputs import Floats, Ints, PlanInputs
from models.plan.parts import Part, separate
from models.plan.rows import Matrices, Spans

WIDEST_GAP = 0.01  # [-] between the plan and its bound that is left alone
LONGEST_SEARCH = 40.0  # [s] of branch and bound where the gap is wider


@dataclass(frozen=True)
class FlushChoice:
    """A loaded plan with flushes to choose.

    Parameters
    ----------
    program : Program
    inputs : PlanInputs       By zone.
    copies : Copies
    spans : Spans             Where the families stand.
    limits : list of tuple    Rows of each limit that zones share, and the zones.
    """

    program: Program
    inputs: PlanInputs
    copies: Copies
    spans: Spans
    limits: list[tuple[Ints, Ints]]

    @property
    def columns(self) -> Ints:
        """Column of each weight, shape (W,)."""
        span = self.spans.column["chosen"]
        return np.arange(span.start, span.stop)

    def solve(self, lower: Floats, upper: Floats, certain: bool = False) -> tuple[float, Floats]:
        """Solve the plan for bounds of the weights: its cost, inf without a plan, and its weights, each (W,)."""
        self.program.bound(self.columns, lower, upper)
        cost = self.program.run(certain)
        return cost, self.program.values()[self.columns] if np.isfinite(cost) else lower

    def choose(self, longest: float) -> float:
        """Choose which zones flush when; the plan is left solved with the choice fixed.

        The relaxation gives the bound, a dive the plan; where the gap between them is above `WIDEST_GAP`, zone groups
        under the same tight limits raise the bound and lead branch and bound.

        Parameters
        ----------
        longest : float   Of branch and bound [s].

        Returns
        -------
        float   Gap between the plan and the bound, as a share of the plan [-].
        """
        ways = Ways.of(self.copies)
        free = np.zeros(self.columns.size), np.ones(self.columns.size)
        root = Node(*free, *self.solve(*free, certain=True))
        start = self.program.mark()
        hopeless = root.cost + 2.0 * WIDEST_GAP * abs(root.cost)
        best, bound = dive(ways, root, WIDEST_GAP / 10.0, self.solve, hopeless), root.cost
        if _gap(best.cost, bound) > WIDEST_GAP:
            until = time.monotonic() + longest

            def more() -> bool:
                return time.monotonic() < until

            self.program.begin(start)
            root = Node(*free, *self.solve(*free, certain=True))
            search = Search(ways, self.groups(ways), self.solve, WIDEST_GAP)
            if search.groups:
                best, bound = search.run(search.bounded(root), more, best if best.cost <= hopeless else None)
            else:
                best = best if best.cost <= hopeless else dive(ways, root, WIDEST_GAP / 10.0, self.solve)
                best, bound = branch(ways, root, best, WIDEST_GAP, self.solve, more)
        return _gap(self._fixed(ways, ways.heaviest(best.weight)), bound)

    def _fixed(self, ways: Ways, chosen: Ints) -> float:
        """Fix the plan on a choice, without nights that pass nothing; its cost."""
        cost, _ = self.solve(*ways.fixed(chosen), certain=True)
        shorter = ways.without_idle_nights(self.copies, chosen, self._drained())
        if (shorter != chosen).any():
            whole = cost
            cost, _ = self.solve(*ways.fixed(shorter))
            if cost > whole:  # what passed on the idle night, a solver's rounding, does not fit into the other
                cost, _ = self.solve(*ways.fixed(chosen), certain=True)
        return cost

    def _drained(self) -> Floats:
        """What each copy passes below the roots by its flush, shape (V, N) [mm]."""
        drained = np.zeros(self.copies.flush.size)
        drained[np.flatnonzero(self.copies.flush.ravel())] = self.program.values()[self.spans.column["flushed"]]
        return drained.reshape(self.copies.flush.shape)

    def groups(self, ways: Ways) -> list[Group]:
        """Groups of zones tied together by tight limits, each loaded; the relaxation must have been solved last."""
        whole, lower = self.program.as_it_stands()
        duals = self.program.sides()[1] * self.program.cost_scale
        price = [
            float(np.abs(duals[rows] * np.nan_to_num(whole.row_upper[rows], posinf=0.0)).sum())
            for rows, _ in self.limits
        ]
        undecided = np.unique(self.copies.zone[self.copies.open])
        kept = tied([zones for _, zones in self.limits], np.array(price), undecided, self.inputs.zones)
        dropped = np.zeros(whole.row_upper.size, dtype=np.bool_)
        for keep, (rows, _) in zip(kept, self.limits, strict=True):
            dropped[rows] |= not keep
        place = np.full(whole.cost.size, -1)
        place[self.columns] = np.arange(self.columns.size)
        inside = [
            (part, np.flatnonzero(place[part.columns] >= 0)) for part in separate(whole.matrix, dropped)
        ]  # fmt: skip
        if all(np.unique(ways.zone[place[part.columns[local]]]).size < 2 for part, local in inside):
            return []  # each zone by itself leaves nothing undecided
        priced = _Priced(self.program, whole, lower, np.flatnonzero(dropped))
        return [priced.group(part, local, place, ways) for part, local in inside if local.size]


class _Priced:
    """A plan without some of its rows, which are priced instead.

    Parameters
    ----------
    program : Program         The plan with them; where it stands gives the prices.
    whole : Matrices          The same as matrices.
    lower : ndarray           Lower bounds of its columns.
    left_out : ndarray        Rows without which the plan falls apart.
    """

    def __init__(self, program: Program, whole: Matrices, lower: Floats, left_out: Ints) -> None:
        self.program, self.whole, self.lower, self.left_out = program, whole, lower, left_out
        self.wide = whole.matrix.tocsr()[left_out].T.tocsr()

    def group(self, part: Part, local: Ints, place: Ints, ways: Ways) -> Group:
        """Load a part as a group of its own.

        Parameters
        ----------
        part : Part
        local : ndarray   Its columns that are weights.
        place : ndarray   Number of the weight of each column of the plan, -1 where it is none.
        ways : Ways
        """
        weights = place[part.columns]
        zones, first, number = np.unique(ways.zone[weights[local]], return_index=True, return_inverse=True)
        loaded, own = Program(self.whole.part(part.rows, part.columns, part.matrix)), self.wide[part.columns]
        loaded.bound(np.arange(part.columns.size), self.lower[part.columns], self.whole.upper[part.columns])

        def reprice() -> bytes:
            duals = self.program.sides()[1] * self.program.cost_scale
            costs = self.whole.cost[part.columns] - own @ duals[self.left_out]
            loaded.price(costs)
            return bytes(costs.astype(np.float32).tobytes())

        def solve(lower: Floats, upper: Floats) -> tuple[float, Floats]:
            loaded.bound(local, lower, upper)
            try:
                cost = loaded.attempt()
            except SolverFailed as failure:
                raise Unsolved from failure
            if np.isinf(cost):
                return cost, lower
            return cost / self.program.cost_scale, loaded.values()[local]

        return Group(zones, weights[local], Ways(number, first, int(zones.size)), reprice, solve)


def _gap(cost: float, bound: float) -> float:
    """Gap between a plan and its bound, as a share of the plan [-]."""
    return max(cost - bound, 0.0) / max(abs(cost), 1e-9)
