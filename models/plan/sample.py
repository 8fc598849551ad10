"""Some parts of a large plan as one program, with their share of every limit that ties them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from models.plan.basis import BASIC, LOWER, UPPER, Basis
from models.plan.highs import Program
from models.plan.inputs import Bools, Floats
from models.plan.pieces import Pieces
from models.plan.rows import Matrices

STAYS = 0.05  # [-] of its share that a sample keeps at least


@dataclass(frozen=True)
class Missed:
    """How a sample and all others, at its prices, keep the limits together.

    Parameters
    ----------
    mean : float            What is missed of the limits that bind or are broken [-].
    wrong : ndarray (W,)    Which these are.
    left : ndarray (W,)     What is left over of each limit; below 0 what is used too much.
    used : ndarray (W,)     What the sample uses of each.
    limit : ndarray (W,)    What it was given of each.
    """

    mean: float
    wrong: Bools
    left: Floats
    used: Floats
    limit: Floats


class Sample:
    """Some parts as one program.

    What they use of each limit has a column of its own, up to what they are given, and is paid the price that was
    offered to the parts when they were solved by themselves; all that use it pay that price. No plan is dearer or
    cheaper by it, and where the parts ended is a basis in which no price is wrong: the dual simplex begins at once.

    Parameters
    ----------
    pieces : Pieces
    inside : ndarray (P,)   Which parts.
    share : ndarray (W,)    Their share of the limits, by which they are given what is left of them.
    limit : ndarray (W,)    What they are given at first.
    before : Sample, optional   A smaller one, which was kept.

    Attributes
    ----------
    prices, used : ndarray (W,)   Of every limit, as the last run found them.
    """

    prices: Floats
    used: Floats

    def __init__(
        self, pieces: Pieces, inside: Bools, share: Floats, limit: Floats, before: Sample | None = None
    ) -> None:
        self.pieces, self.inside = pieces, np.flatnonzero(inside)
        parts = [pieces.pieces[p].part for p in self.inside]
        self.rows = np.concatenate([*(part.rows for part in parts), pieces.rows])
        self.columns = np.concatenate([*(part.columns for part in parts), pieces.common])
        ties = pieces.rows.size
        self.share, self.limit, self.offered = share, limit, pieces.offered
        self.tie = np.arange(self.rows.size - ties, self.rows.size)
        self.use = np.arange(self.columns.size, self.columns.size + ties)
        matrix = pieces.by_row[self.rows][:, self.columns].tocsc()
        part = replace(pieces.whole, cost=pieces.bent).part(self.rows, self.columns, matrix)
        self.program = Program(self._with_use(part), large=True)
        self.hold(limit)
        self.program.begin(self._begun(first=before is None), square=False)
        self.program.take_as_it_is()
        self.ends = np.cumsum([part.columns.size for part in parts])
        self.over = sparse.csr_array(pieces.uses[:, pieces.common])

    def _with_use(self, part: Matrices) -> Matrices:
        """The parts with the columns of what they use: what they use less that column is 0."""
        ties = self.tie.size
        own = sparse.csc_array((np.full(ties, -1.0), (self.tie, np.arange(ties))), shape=(self.rows.size, ties))
        matrix = sparse.csc_array(sparse.hstack([part.matrix, own], format="csc"))
        lower, upper = part.row_lower.copy(), part.row_upper.copy()
        lower[self.tie] = upper[self.tie] = 0.0
        return Matrices([], [], self._priced(part.cost), np.concatenate([part.upper, self.limit]), matrix, lower, upper)

    def _priced(self, cost: Floats) -> Floats:
        """Costs of its columns with what is offered for what they use."""
        return np.concatenate([cost + self.offered @ self.pieces.uses[:, self.columns], -self.offered])

    def _begun(self, first: bool) -> Basis:
        """What was kept of its columns and rows; a limit that binds has its column at its bound."""
        kept = self.pieces.kept(self.columns, self.rows)
        rows, use = kept.rows.copy(), np.full(self.tie.size, UPPER, dtype=np.int8)
        if not first:
            use[rows[self.tie] == BASIC] = BASIC
            rows[self.tie] = LOWER
        return Basis(np.concatenate([kept.columns, use]), rows)

    def run(self) -> None:
        """Solve it; read its prices and what it uses."""
        self.program.run()
        self._read_prices()
        *own, over, _ = np.split(self.program.values(), [*self.ends, self.columns.size])
        for p, values in zip(self.inside.tolist(), own, strict=True):
            self.pieces.used[p] = self.pieces.pieces[p].uses @ values
        self.pieces.loose = np.asarray(self.over @ over)
        self.used = self.pieces.used[self.inside].sum(axis=0) + self.pieces.loose

    def _read_prices(self) -> None:
        self.prices = np.maximum(self.offered - self.program.sides()[1][self.tie], 0.0)

    def give(self, missed: Missed, damped: float) -> None:
        """Give it more or less of the limits that were missed by its share of that, and of the others what is left."""
        share = np.maximum(missed.used + damped * self.share * missed.left, STAYS * self.share * self.pieces.limit)
        free = np.maximum(self.share * self.pieces.limit, missed.used + missed.left)
        self.hold(np.where(missed.wrong, share, free))

    def hold(self, limit: Floats) -> None:
        """Hold it to some limits, shape (W,)."""
        self.limit = limit
        self.program.bound(self.use, np.full(limit.size, -np.inf), limit)

    def straighten(self) -> None:
        """Go on at costs as they are."""
        self.offered = np.zeros(self.tie.size)
        self.program.price(self._priced(self.pieces.whole.cost[self.columns]))
        self.program.attempt(primal=True)
        self._read_prices()

    def keep(self) -> None:
        """Keep where it ended: a limit is slack where its column, or its row, is basic."""
        ended = self.program.basis()
        slack = (ended.rows[self.tie] == BASIC) | (ended.columns[self.use] == BASIC)
        rows = ended.rows.copy()
        rows[self.tie] = np.where(slack, BASIC, UPPER)
        self.pieces.keep(self.columns, self.rows, Basis(ended.columns[: self.columns.size], rows))
