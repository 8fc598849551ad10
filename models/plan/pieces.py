"""A large plan taken apart, each part loaded by itself: what the parts use of the limits that tie them, at a price.

Where zones are indifferent between two blocks or two nights, no price tells them apart, and all of them would move at
once. While prices are looked for, every run therefore costs a little more than it does, each by another share.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from models.plan.basis import Basis
from models.plan.highs import Program
from models.plan.inputs import Bools, Floats, Ints
from models.plan.parts import Part
from models.plan.rows import Matrices

BENT = 1e-3  # [-] up to which a run costs more while prices are looked for


@dataclass(frozen=True)
class Piece:
    """A part loaded by itself.

    Parameters
    ----------
    part : Part
    program : Program
    uses : csr_array (W, k)   What its columns use of each limit that ties the parts.
    """

    part: Part
    program: Program
    uses: sparse.csr_array

    def used(self) -> Floats:
        """What its plan uses of each limit, shape (W,)."""
        return np.asarray(self.uses @ self.program.values())


def side_by_side(run: Callable[[Program], object], programs: Iterable[Program]) -> None:
    """Run programs in threads, not many more than cores."""
    with ThreadPoolExecutor() as pool:
        list(pool.map(run, programs))


class Pieces:
    """A plan whose parts are tied by some rows.

    Parameters
    ----------
    whole : Matrices
    rows : ndarray (W,)      The rows; all of them have an upper limit only.
    parts : list of Part     What the plan falls into without them.
    shared : ndarray of bool Rows over several zones, of all rows: these, and what zones share within parts.
    """

    def __init__(self, whole: Matrices, rows: Ints, parts: list[Part], shared: Bools) -> None:
        self.whole, self.rows, self.shared = whole, rows, shared
        self.by_row = whole.matrix.tocsr()
        self.limit = whole.row_upper[rows]
        self.uses = self.by_row[rows].tocsc()
        loose = np.diff(whole.matrix.indptr) > 0  # columns of no part: over-use, which the sample has
        for part in parts:
            loose[part.columns] = False
        self.common = np.flatnonzero(loose)
        share = 1.0 + BENT * np.random.default_rng(0).random(whole.cost.size)
        self.bent = whole.cost * np.where(np.diff(self.uses.indptr) > 0, share, 1.0)
        self.bent[self.common] = whole.cost[self.common]
        self.pieces = [
            Piece(
                part,
                Program(whole.part(part.rows, part.columns, part.matrix), large=True),
                sparse.csr_array(self.uses[:, part.columns]),
            )
            for part in sorted(parts, key=lambda part: int(part.columns[0]))
        ]
        for piece in self.pieces:
            piece.program.expect_near(True)
            piece.program.take_as_it_is()
        upper = np.where(np.isfinite(whole.upper), whole.upper, 0.0)
        self.could = np.array([piece.uses @ upper[piece.part.columns] for piece in self.pieces])
        self.used = np.full((len(parts), rows.size), np.nan)  # by the parts when they were last solved
        self.loose = np.zeros(rows.size)  # by columns of no part
        self.offered = np.zeros(rows.size)  # the prices at which the parts were first solved
        start = Basis.slack(whole.cost.size, whole.row_upper.size)
        self.column_status, self.row_status = start.columns, start.rows

    def basis(self) -> Basis:
        """All that was kept, as a basis of the plan."""
        return Basis(self.column_status, self.row_status)

    def keep(self, columns: Ints, rows: Ints, ended: Basis) -> None:
        """Keep where a program of some columns and rows ended."""
        self.column_status[columns], self.row_status[rows] = ended.columns, ended.rows

    def kept(self, columns: Ints, rows: Ints) -> Basis:
        """What was kept of some columns and rows."""
        return Basis(self.column_status[columns], self.row_status[rows])

    def begin_from(self, basis: Basis) -> None:
        """Let the parts begin from where the plan ended under other limits."""
        for piece in self.pieces:
            part = piece.part
            piece.program.begin(Basis(basis.columns[part.columns], basis.rows[part.rows]), square=False)

    def price(self, which: Ints, prices: Floats, cost: Floats | None = None) -> None:
        """Solve some parts at these prices; at costs a little bent if no others are given."""
        cost = self.bent if cost is None else cost
        pieces = [self.pieces[p] for p in which]
        for piece in pieces:
            piece.program.price(cost[piece.part.columns] + prices @ piece.uses)
        side_by_side(_solve, [piece.program for piece in pieces])
        for p, piece in zip(which.tolist(), pieces, strict=True):
            self.used[p] = piece.used()

    def keep_pieces(self, which: Ints) -> None:
        """Keep where some parts ended."""
        for p in which.tolist():
            piece = self.pieces[p]
            self.keep(piece.part.columns, piece.part.rows, piece.program.basis())


def _solve(program: Program) -> None:
    """From nothing or from another plan first, then at other prices from where it ended, which remains a plan."""
    if program.found is None:
        program.run()
    else:
        program.attempt(primal=True)
