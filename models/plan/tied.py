"""A large plan begun from its parts where limits tie them: at what price the parts together keep these limits.

At given prices of what ties them the parts are solved each by itself, and quickly. The first prices are those of a few
zones (`sketch.py`). Better ones then come from a sample of parts, solved as one program that is given its share of each
limit; all others are solved at its prices. What they together use too much or leave over is put on the sample's share,
a few times, or a larger sample is taken (decomposition by prices: Dantzig and Wolfe 1960, Operations Research 8; the
sample stands for the master).

The bases of sample and parts are together a basis of the whole plan in which no price is wrong, whatever the limits
still lack: the dual simplex goes on from it, in the fewer steps the nearer the prices.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.plan.basis import BASIC, Basis
from models.plan.highs import STILL
from models.plan.inputs import Bools, Floats, Ints
from models.plan.pieces import Pieces
from models.plan.sample import STAYS, Missed, Sample
from models.plan.sketch import sketched

GOLDEN = (5.0**0.5 - 1.0) / 2.0
SAMPLE = 10_000  # columns of the first sample, about
LARGER = 3.0  # times as many columns in the next [-]
GROWN = 1.5  # times as many in any case, or the next is left out [-]
LARGEST = 0.4  # [-] of the columns in a sample
ROUNDS = 5  # in which the last sample's share is put right, at most; a smaller one's is not
# Columns of a plan of which all together may miss the whole of the limits that bind; of a larger one as much less as
# the square of its size, since what is left takes steps of the whole plan, the more and the dearer the larger it is.
# While there is a larger sample, and in the end.
NEAR = 25_000
NEAR_ENOUGH = 50_000
LEAST = 1e-9  # below which a price or a limit counts as none
DAMPED = 0.7  # [-] of what was missing that is put right in a round
OTHER = 2.0  # times as many limits with a price, from which a plan is too unlike another to begin from it [-]


class Tied(Pieces):
    """A plan whose parts are tied by some rows, and the search for their prices."""

    bind: Bools  # limits that bound or were broken when last looked at

    def solved(self, near: Basis | None = None) -> Basis:
        """A basis of the plan from those of its parts.

        Parameters
        ----------
        near : Basis, optional   Where the plan ended under other limits.

        Raises
        ------
        SolverFailed   A part or a sample was not solved.
        """
        inside: Bools = np.zeros(len(self.pieces), dtype=np.bool_)
        self.bind = np.ones(self.rows.size, dtype=np.bool_)
        sample: Sample | None = None
        samples = self._samples()
        for wanted in samples:
            if sample is not None:
                sample.keep()
            else:
                self._price_first(near)
            self.keep_pieces(np.flatnonzero(wanted & ~inside))
            inside, share = wanted, self.share(wanted)
            sample = Sample(self, inside, share, self.given(inside, share), sample)
            last = wanted is samples[-1]
            near_enough = float((NEAR_ENOUGH if last else NEAR) / self.whole.cost.size) ** 2
            missed = self._settle(sample, np.flatnonzero(~inside), ROUNDS if last else 1, near_enough)
            if missed.mean < near_enough:
                break
        assert sample is not None
        rest = np.flatnonzero(~inside)
        sample.straighten()
        self.price(rest, sample.prices, self.whole.cost)  # else the whole plan begins with prices that are wrong
        self.keep_pieces(rest)
        sample.keep()
        return self.basis()

    def untied(self) -> Basis | None:
        """The bases of the parts as if nothing tied them; None where they do not hold together what does."""
        every = np.arange(len(self.pieces))
        self.price(every, np.zeros(self.rows.size), self.whole.cost)
        if np.any(self.used.sum(axis=0) > self.limit * (1.0 + STILL) + LEAST):
            return None
        self.keep_pieces(every)
        return self.basis()

    # what a sample is given

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
            if not inside.all() and (not found or size[inside].sum() >= GROWN * size[found[-1]].sum()):
                found.append(inside)
        return found

    # at what prices

    def _price_first(self, near: Basis | None) -> None:
        """Solve all parts at the prices of a sketch, from where a plan ended in which about as many limits bind."""
        bent = replace(self.whole, cost=self.bent)
        self.offered = sketched(bent, self.by_row, self.rows, self.shared, self.common)
        if near is not None:
            bound = np.count_nonzero(near.rows[self.rows] != BASIC)
            if np.count_nonzero(self.offered > LEAST) < OTHER * bound:
                self.begin_from(near)
        self.price(np.arange(len(self.pieces)), self.offered)

    def _settle(self, sample: Sample, rest: Ints, rounds: int, near: float) -> Missed:
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
            return self._tried(sample, rest)
        return best

    def _tried(self, sample: Sample, rest: Ints) -> Missed:
        """Solve a sample, and all others at its prices."""
        sample.run()
        self.price(rest, sample.prices)
        return self._missed(sample)

    def _missed(self, sample: Sample) -> Missed:
        """What all together leave over of the limits, or use too much, at the sample's prices."""
        left = self.limit - self.used.sum(axis=0) - self.loose
        bind = sample.prices > LEAST
        missing = np.where(bind, np.abs(left), np.maximum(-left, 0.0)) / np.maximum(self.limit, LEAST)
        self.bind = wrong = bind | (missing > LEAST)
        mean = float(missing[wrong].mean()) if wrong.any() else 0.0
        return Missed(mean, wrong, left, sample.used, sample.limit)
