"""At what prices the limits that tie a large plan are kept, about: from a plan of few of its zones.

The parts of a large plan are first solved at these prices, each by itself, and the first program that holds some of
them together begins from there: the nearer the prices, the fewer its steps. So the zones are not any few. Laid in a row
by limit, rank and need, every so many is taken, and of each limit they are given their share of what all zones need.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from models.plan.highs import Program
from models.plan.inputs import Bools, Floats, Ints
from models.plan.parts import components
from models.plan.rows import Matrices

COLUMNS = 10_000  # of the sketch, about


def sketched(whole: Matrices, by_row: sparse.csr_array, ties: Ints, shared: Bools, common: Ints) -> Floats:
    """Prices of the limits that tie a plan, from zones spread over it that are given their share of every limit.

    Parameters
    ----------
    whole : Matrices            The plan.
    by_row : csr_array          Its coefficients by rows.
    ties : ndarray (W,)         The limits; all of them have an upper limit only.
    shared : ndarray (rows,)    Rows over several zones. Of these only the ties are in the sketch.
    common : ndarray            Columns of no zone.

    Returns
    -------
    ndarray (W,)   0 of all where zones cannot do with their share.
    """
    alone = np.flatnonzero(~shared)
    count, of_row, of_column = components(by_row[alone])
    could = by_row[ties].tocsc()  # use each zone's columns at their upper bounds
    could.data = could.data * np.repeat(_finite(whole.upper), np.diff(could.indptr))
    zones = _zones(whole, by_row[alone], alone, of_row, of_column, could)
    row = zones.in_a_row(np.intersect1d(of_row, np.flatnonzero(zones.tie < ties.size)))
    inside = np.zeros(count, dtype=np.bool_)
    most = int(np.ceil(min(1.0, COLUMNS / max(whole.cost.size, 1)) * row.size))
    inside[row[((np.arange(most) + 0.5) * row.size / most).astype(np.int64)]] = True
    inside[of_column[common]] = True
    columns, rows = np.flatnonzero(inside[of_column]), np.concatenate([alone[inside[of_row]], ties])
    need = zones.need[of_column]
    own, every = could[:, columns] @ need[columns], could @ need
    share = np.divide(own, every, out=np.zeros(ties.size), where=every > 0)
    part = whole.part(rows, columns, by_row[rows][:, columns].tocsc())
    limits = part.row_upper.copy()
    limits[rows.size - ties.size :] *= share
    program = Program(replace(part, row_upper=limits), large=True)
    program.expect_near(True)
    program.take_as_it_is()
    if not np.isfinite(program.attempt()):
        return np.zeros(ties.size)
    return np.asarray(np.maximum(-program.sides()[1][rows.size - ties.size :], 0.0))


@dataclass(frozen=True)
class _Zones:
    """What tells the zones of a plan apart, each (zones,).

    Parameters
    ----------
    need : ndarray    Of what its runs could give, the share that its balance asks for [-].
    depth : ndarray   What its balance asks for [mm].
    worth : ndarray   Its largest cost by what it uses for that: high in the ranks that give way last.
    tie : ndarray     The first limit it uses.
    """

    need: Floats
    depth: Floats
    worth: Floats
    tie: Ints

    def in_a_row(self, which: Ints) -> Ints:
        """Some zones, by limit, worth and depth."""
        return which[np.lexsort((self.depth[which], self.worth[which], self.tie[which]))]


def _zones(
    whole: Matrices, by_row: sparse.csr_array, alone: Ints, of_row: Ints, of_column: Ints, could: sparse.csc_array
) -> _Zones:
    """Read zones off their rows: equations, whose right sides are what is asked for, against what runs put in."""
    count = 1 + int(max(of_row.max(initial=-1), of_column.max(initial=-1)))
    runs = np.where(np.diff(could.indptr) > 0, _finite(whole.upper), 0.0)
    upper = whole.row_upper
    equations = np.flatnonzero(whole.row_lower[alone] == upper[alone])
    zone, right = of_row[equations], upper[alone[equations]]
    most = np.bincount(zone, by_row[equations] @ runs, minlength=count)
    depth: Floats = np.bincount(zone, right, minlength=count).astype(np.float64)
    need = np.clip(np.divide(depth, most, out=np.zeros(count), where=most > 0), 0.0, 1.0)
    told = np.bincount(zone, np.abs(right), minlength=count) > 0  # not where it is scaled by weights of copies
    need[~told] = need[told & (most > 0)].mean() if (told & (most > 0)).any() else 1.0
    dearest, tie = np.zeros(count), np.full(count, could.shape[0])
    np.maximum.at(dearest, of_column, whole.cost)
    used = could.tocoo()
    np.minimum.at(tie, of_column[used.col], used.row)
    uses = np.bincount(of_column, np.asarray(could.sum(axis=0)).ravel(), minlength=count)
    return _Zones(need, depth, dearest * np.divide(most, uses, out=np.ones(count), where=uses > 0), tie)


def _finite(upper: Floats) -> Floats:
    """Upper bounds, 0 where there is none."""
    return np.where(np.isfinite(upper), upper, 0.0)
