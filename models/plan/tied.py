"""A large plan begun from its parts where limits tie them: at what price the parts together keep these limits.

At given prices of what ties them the parts are solved each by itself, and quickly. The first prices are those of a few
zones (`sketch.py`). Better ones then come from a sample of parts, solved as one program that is given its share of each
limit; all others are solved at its prices. What they together use too much or leave over is put on the sample's share,
and so on, a few times, with a larger sample in between (decomposition by prices: Dantzig and Wolfe 1960, Operations
Research 8; the sample stands for the master).

The bases of sample and parts are together a basis of the whole plan in which no price is wrong, whatever the limits
still lack: the dual simplex goes on from it, in the fewer steps the nearer the prices.

Where zones are indifferent between two blocks or two nights, no price tells them apart, and all of them would move at
once. While prices are looked for, every run therefore costs a little more than it does, each by another share.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from models.plan.highs import STILL, Basis, Program
from models.plan.inputs import Bools, Floats, Ints
from models.plan.parts import Part
from models.plan.rows import Matrices
from models.plan.sketch import GOLDEN, sketched

BENT = 1e-3  # [-] up to which a run costs more while prices are looked for
SAMPLE = 10_000  # columns of the first sample, about
LARGER = 3.0  # times as many columns in the next [-]
LARGEST = 0.4  # [-] of the columns in a sample
ROUNDS = 5  # in which the last sample's share is put right, at most
FEW = 3  # the same while a larger sample is to come
# What all together may miss of the limits that bind, in the mean [-]: while a larger sample is to come, and in the end,
# times the columns of the plan. What is left takes steps of the whole plan, each the dearer the larger it is.
ROUGH = 0.05
NEAR = 5_000.0
LEAST = 1e-9  # below which a price or a limit counts as none
STAYS = 0.05  # [-] of its share that a sample keeps at least
DAMPED = 0.7  # [-] of what was missing that is put right in a round


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


class Tied:
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
        self.bind = np.ones(rows.size, dtype=np.bool_)  # limits that bound or were broken when last looked at
        self.used = np.full((len(parts), rows.size), np.nan)  # by the parts when they were last solved
        self.loose = np.zeros(rows.size)  # by columns of no part
        start = Basis.slack(whole.cost.size, whole.row_upper.size)
        self.column_status, self.row_status = start.columns, start.rows

    # where it stands

    def basis(self) -> Basis:
        """All that was kept, as a basis of the plan."""
        return Basis(self.column_status, self.row_status)

    def keep(self, columns: Ints, rows: Ints, program: Program) -> None:
        """Keep where a program of some columns and rows ended."""
        ended = program.basis()
        self.column_status[columns], self.row_status[rows] = ended.columns, ended.rows

    def kept(self, columns: Ints, rows: Ints) -> Basis:
        """What was kept of some columns and rows."""
        return Basis(self.column_status[columns], self.row_status[rows])

    def share(self, inside: Bools) -> Floats:
        """Share of every limit that some of the parts are given, shape (W,): by what could use it, and their need."""
        limit = np.maximum(self.limit, LEAST)
        could = np.stack([self.could[inside].sum(axis=0), self.could[~inside].sum(axis=0)])
        weight = could
        if np.isfinite(self.used).all():
            need = np.array([(self.used[own] / limit).sum() for own in (inside, ~inside)])
            weight = could * (need / np.maximum((could / limit).sum(axis=1), LEAST))[:, None]
        total = weight.sum(axis=0)
        return np.where(total > 0, weight[0] / np.maximum(total, LEAST), 1.0)

    def given(self, inside: Bools, share: Floats) -> Floats:
        """What some of the parts are given of every limit, shape (W,): what they use, and a share of what is left."""
        if not np.isfinite(self.used).all():
            return share * self.limit
        used = self.used[inside].sum(axis=0) + self.loose
        left = self.limit - self.used.sum(axis=0) - self.loose
        held = np.maximum(used + share * left, STAYS * share * self.limit)
        return np.asarray(np.where(self.bind, held, np.maximum(held, used + left)), dtype=np.float64)

    # what it does

    def solved(self) -> Basis:
        """A basis of the plan from those of its parts.

        Raises
        ------
        SolverFailed   A part or a sample was not solved.
        """
        inside: Bools = np.zeros(len(self.pieces), dtype=np.bool_)
        sample: Sample | None = None
        samples = self._samples()
        for wanted in samples:
            if sample is not None:
                sample.keep()
            else:
                self._price_first()
            self._keep_pieces(np.flatnonzero(wanted & ~inside))
            inside, share = wanted, self.share(wanted)
            sample = Sample(self, inside, share, self.given(inside, share))
            last = wanted is samples[-1]
            near = NEAR / self.whole.cost.size if last else ROUGH
            self._settle(sample, np.flatnonzero(~inside), ROUNDS if last else FEW, near)
            if not self.bind.any():
                break  # the parts hold all limits together
        assert sample is not None
        rest = np.flatnonzero(~inside)
        sample.straighten()
        self._price(rest, sample.prices, self.whole.cost)  # else the whole plan begins with prices that are wrong
        self._keep_pieces(rest)
        sample.keep()
        return self.basis()

    def untied(self) -> Basis | None:
        """The bases of the parts as if nothing tied them; None where they do not hold together what does."""
        every = np.arange(len(self.pieces))
        self._price(every, np.zeros(self.rows.size), self.whole.cost)
        if np.any(self.used.sum(axis=0) > self.limit * (1.0 + STILL) + LEAST):
            return None
        self._keep_pieces(every)
        return self.basis()

    def _samples(self) -> list[Bools]:
        """Which parts are in the samples, each larger than the one before it and spread over all of them."""
        count = len(self.pieces)
        size = np.array([piece.part.columns.size for piece in self.pieces])
        order = np.argsort(np.arange(1, count + 1) * GOLDEN % 1.0)
        after = np.cumsum(size[order])
        found: list[Bools] = []
        target = float(SAMPLE)
        while not found or target <= LARGEST * after[-1]:
            inside = np.zeros(count, dtype=np.bool_)
            inside[order[: min(1 + int(np.searchsorted(after, target)), count - 1)]] = True
            for w in np.flatnonzero(self.could.any(axis=0)):
                if not self.could[inside, w].any() and inside.sum() < count - 1:
                    inside[self.could[:, w].argmax()] = True  # a limit that no part of the sample could use
            target *= LARGER
            if found:
                inside = inside | found[-1]
            if not inside.all() and (not found or (inside & ~found[-1]).any()):
                found.append(inside)
        return found

    def _settle(self, sample: Sample, rest: Ints, rounds: int, near: float) -> None:
        """Put the sample's share right until at its prices all together miss the limits by little."""
        damped = DAMPED
        best = missed = self._tried(sample, rest)
        for _ in range(rounds - 1):
            if best.mean < near:
                break
            sample.give(best, damped)
            missed = self._tried(sample, rest)
            if missed.mean < best.mean:
                best = missed
            else:
                damped /= 2.0  # too far: again from the best so far
        if best is not missed:
            sample.hold(best.limit)
            self._tried(sample, rest)

    def _tried(self, sample: Sample, rest: Ints) -> Missed:
        """Solve a sample, and all others at its prices."""
        sample.run()
        self._price(rest, sample.prices)
        return self._missed(sample)

    def _missed(self, sample: Sample) -> Missed:
        """What all together leave over of the limits, or use too much, at the sample's prices."""
        left = self.limit - self.used.sum(axis=0) - self.loose
        bind = sample.prices > LEAST
        missing = np.where(bind, np.abs(left), np.maximum(-left, 0.0)) / np.maximum(self.limit, LEAST)
        self.bind = wrong = bind | (missing > LEAST)
        mean = float(missing[wrong].mean()) if wrong.any() else 0.0
        return Missed(mean, wrong, left, sample.used, sample.limit)

    def _price(self, which: Ints, prices: Floats, cost: Floats | None = None) -> None:
        """Solve some parts at these prices; at costs a little bent if no others are given."""
        cost = self.bent if cost is None else cost
        pieces = [self.pieces[p] for p in which]
        for piece in pieces:
            piece.program.price(cost[piece.part.columns] + prices @ piece.uses)
        side_by_side(_solve, [piece.program for piece in pieces])
        for p, piece in zip(which.tolist(), pieces, strict=True):
            self.used[p] = piece.used()

    def _price_first(self) -> None:
        """Solve all parts at the prices of a sketch."""
        bent = replace(self.whole, cost=self.bent)
        prices = sketched(bent, self.by_row, self.rows, self.shared, self.common)
        self._price(np.arange(len(self.pieces)), prices)

    def _keep_pieces(self, which: Ints) -> None:
        for p in which.tolist():
            piece = self.pieces[p]
            self.keep(piece.part.columns, piece.part.rows, piece.program)


class Sample:
    """Some parts as one program, with their share of every limit that ties them.

    Parameters
    ----------
    tied : Tied
    inside : ndarray (P,)   Which parts.
    share : ndarray (W,)    Their share of the limits, by which they are given what is left of them.
    limit : ndarray (W,)    What they are given at first.

    Attributes
    ----------
    prices, used : ndarray (W,)   Of every limit, as the last run found them.
    """

    prices: Floats
    used: Floats

    def __init__(self, tied: Tied, inside: Bools, share: Floats, limit: Floats) -> None:
        self.tied, self.inside = tied, np.flatnonzero(inside)
        parts = [tied.pieces[p].part for p in self.inside]
        self.rows = np.concatenate([*(part.rows for part in parts), tied.rows])
        self.columns = np.concatenate([*(part.columns for part in parts), tied.common])
        whole, ties = tied.whole, tied.rows.size
        self.share, self.limit = share, limit
        matrix = tied.by_row[self.rows][:, self.columns].tocsc()
        part = replace(whole, cost=tied.bent).part(self.rows, self.columns, matrix)
        self.tie = np.arange(self.rows.size - ties, self.rows.size)
        self.program = Program(
            replace(part, row_upper=np.concatenate((part.row_upper[:-ties], self.limit))), large=True
        )
        self.program.begin(tied.kept(self.columns, self.rows), square=False)
        self.program.expect_near(True)
        self.program.take_as_it_is()
        self.ends = np.cumsum([part.columns.size for part in parts])
        self.over = sparse.csr_array(tied.uses[:, tied.common])

    def run(self) -> None:
        """Solve it; read its prices and what it uses."""
        self.program.run()
        self.prices = np.maximum(-self.program.sides()[1][self.tie], 0.0)
        *own, over = np.split(self.program.values(), self.ends)
        for p, values in zip(self.inside.tolist(), own, strict=True):
            self.tied.used[p] = self.tied.pieces[p].uses @ values
        self.tied.loose = np.asarray(self.over @ over)
        self.used = self.tied.used[self.inside].sum(axis=0) + self.tied.loose

    def give(self, missed: Missed, damped: float) -> None:
        """Give it more or less of the limits that were missed by its share of that, and of the others what is left."""
        share = np.maximum(missed.used + damped * self.share * missed.left, STAYS * self.share * self.tied.limit)
        free = np.maximum(self.share * self.tied.limit, missed.used + missed.left)
        self.hold(np.where(missed.wrong, share, free))

    def hold(self, limit: Floats) -> None:
        """Hold it to some limits, shape (W,)."""
        self.limit = limit
        self.program.limit(self.tie, limit)

    def straighten(self) -> None:
        """Go on at costs as they are."""
        self.program.price(self.tied.whole.cost[self.columns])
        self.program.attempt(primal=True)
        self.prices = np.maximum(-self.program.sides()[1][self.tie], 0.0)

    def keep(self) -> None:
        """Keep where it ended."""
        self.tied.keep(self.columns, self.rows, self.program)


def _solve(program: Program) -> None:
    """From nothing first, then at other prices from where it ended, which remains a plan."""
    if program.found is None:
        program.run()
    else:
        program.attempt(primal=True)
