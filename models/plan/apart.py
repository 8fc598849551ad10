"""A large plan begun from its parts, which are solved side by side.

What hangs on one branch shares few limits with the rest of the site: a pump, an allocation, permits, drought orders.
Without those limits the plan falls apart into small parts. Where their plans hold them together, the bases of the parts
are the basis of the whole. Where not, parts are put together to groups, each group is given a share of every limit, and
one run with the primal simplex moves water between the groups until its price is the same in all of them
(decomposition by resources: Lasdon 1970, Optimization Theory for Large Systems, chapter 9). The groups' own steps are
cheap, and the steps between them few.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from models.plan.highs import BASIC, NONBASIC, STILL, ZERO, Basis, Program, SolverFailed
from models.plan.inputs import Bools, Floats, Ints
from models.plan.parts import Part, separate
from models.plan.results import ALLOCATION_ROWS
from models.plan.rows import Matrices, Spans

_WIDE = ("source_night", "source_month", *ALLOCATION_ROWS, "drought_cut")  # tie all pumps
SITE_WIDE: tuple[str, ...] = (*_WIDE, *(f"{name}_weathers" for name in _WIDE))
# Left out one after the other until what is left falls apart.
TYING = (("pump_limit", "pump_limit_weathers"), ("station_limit", "station_limit_weathers"))
SMALL = 0.1  # [-] of the columns in one part, up to which no further limit is left out
GROUP = 24_000  # columns of a group, about; measured against 6,000 and 12,000: fewer steps between groups
# Limits times groups, up to which they are shared: each takes a step between groups at least. Over several weathers a
# limit is a row in each, and such a plan was measured to take half as long from nothing.
MOST_SHARED = 3_000
LEAST = 1e-9  # below which a limit counts as none


def start(whole: Matrices, spans: Spans, near: Floats | None = None) -> Basis | None:
    """A basis of the plan from those of its parts; None where it is better begun otherwise.

    That is where it does not fall apart, where too much ties the parts, or where a part was not solved.

    Parameters
    ----------
    whole : Matrices   The plan.
    spans : Spans      Where its families stand.
    near : ndarray (columns,), optional   A plan under other limits, which parts share as they do in it. None is the
                       answer then, too, where it uses up nothing that ties them.
    """
    wide, parts = parts_of(whole, spans)
    if not parts:
        return None
    try:
        if near is not None:
            tied = _Tied(whole, np.flatnonzero(wide), near, settled=True)
            return None if tied.held(1.0 - STILL) else tied.in_groups(parts)
        loaded = [Program(whole.part(part.rows, part.columns, part.matrix), large=True) for part in parts]
        _side_by_side(loaded)
        values = np.zeros(whole.cost.size)
        for part, program in zip(parts, loaded, strict=True):
            values[part.columns] = program.values()
        tied = _Tied(whole, np.flatnonzero(wide), values)
        if tied.held():
            bases = [(part.columns, part.rows, program.basis()) for part, program in zip(parts, loaded, strict=True)]
            return Basis.joined((whole.cost.size, whole.row_upper.size), bases)
        del loaded
        return tied.in_groups(parts)
    except SolverFailed:
        return None


def parts_of(whole: Matrices, spans: Spans) -> tuple[Bools, list[Part]]:
    """Rows left out, shape (rows,), and the parts a plan falls into without them."""
    wide = np.zeros(whole.row_upper.size, dtype=np.bool_)
    parts: list[Part] = []
    for families in (SITE_WIDE, *TYING):
        for name in families:
            wide[spans.row.get(name, slice(0))] = True
        parts = separate(whole.matrix, wide)
        if parts and parts[0].columns.size <= max(SMALL * whole.cost.size, 1.5 * GROUP):
            break
    return wide, parts


def _side_by_side(programs: list[Program]) -> None:
    """Run programs in threads, no more than there are programs, nor many more than cores."""
    with ThreadPoolExecutor() as pool:
        list(pool.map(Program.run, programs))


def _grouped(parts: list[Part], columns: int) -> list[tuple[Ints, Ints]]:
    """Rows and columns of groups of parts of about equal size, in the order in which the parts stand in the plan."""
    order = sorted(parts, key=lambda part: int(part.columns[0]))
    after = np.cumsum([part.columns.size for part in order])
    count = max(2, round(columns / GROUP))
    number = np.minimum((after - 1) * count // after[-1], count - 1)
    groups = [[p for p, g in zip(order, number.tolist(), strict=True) if g == own] for own in np.unique(number)]
    return [
        (np.sort(np.concatenate([p.rows for p in own])), np.sort(np.concatenate([p.columns for p in own])))
        for own in groups
    ]


@dataclass(frozen=True)
class _Tied:
    """A plan whose parts are tied by some rows.

    Parameters
    ----------
    whole : Matrices
    rows : ndarray (W,)        The rows; all of them have an upper limit only.
    values : ndarray (columns,)   Plans of the parts as if these rows were not there.
    settled : bool             Whether they hold the rows together, as far as the limits are those they were made for.
    """

    whole: Matrices
    rows: Ints
    values: Floats
    settled: bool = False

    def held(self, share: float = 1.0 + STILL) -> bool:
        """Whether the parts hold the rows, or a share of them."""
        used, limit = self.whole.matrix.tocsr()[self.rows] @ self.values, self.whole.row_upper[self.rows]
        return bool(np.all(used <= limit * share + LEAST))

    def in_groups(self, parts: list[Part]) -> Basis | None:
        """A basis of the plan in which groups of its parts share what ties them; None where that takes too long."""
        groups = _grouped(parts, self.whole.cost.size)
        if len(groups) < 2 or len(groups) * self.rows.size > MOST_SHARED:
            return None
        return self.shared(groups)

    def shared(self, groups: list[tuple[Ints, Ints]]) -> Basis:
        """A basis of the plan in which groups of its parts share what ties them."""
        whole, by_row = self.whole, self.whole.matrix.tocsr()
        wide = by_row[self.rows]
        loose = np.ones(whole.cost.size, dtype=np.bool_)  # columns of no part: over-use, which every group may have
        for _, columns in groups:
            loose[columns] = False
        loose &= np.diff(whole.matrix.indptr) > 0
        common = np.flatnonzero(loose)
        share = self._shares([wide[:, columns] for _, columns in groups], groups)
        programs = []
        for (rows, columns), own in zip(groups, share, strict=True):
            at, on = np.concatenate((rows, self.rows)), np.concatenate((columns, common))
            limits = np.concatenate((whole.row_upper[rows], own * whole.row_upper[self.rows]))
            part = whole.part(at, on, by_row[at][:, on].tocsc())
            programs.append(Program(replace(part, row_upper=limits), large=True))
        _side_by_side(programs)
        return _Joint(self, groups, common, share).run([program.basis() for program in programs])

    def _shares(self, wide: list[sparse.csr_array], groups: list[tuple[Ints, Ints]]) -> Floats:
        """Share of every limit that each group is given, shape (G, W): by what could use it and the group's need."""
        limit = np.maximum(self.whole.row_upper[self.rows], LEAST)
        could, used = np.zeros((len(groups), self.rows.size)), np.zeros((len(groups), self.rows.size))
        for g, (own, (_, columns)) in enumerate(zip(wide, groups, strict=True)):
            upper = self.whole.upper[columns]
            could[g] = own @ np.where(np.isfinite(upper), upper, 0.0)
            used[g] = own @ self.values[columns]
        need = (used / limit).sum(axis=1)
        weight = could * (need / np.maximum((could / limit).sum(axis=1), LEAST))[:, None]
        weight = np.where(weight.sum(axis=0) > 0, weight, 1.0)
        share = weight / weight.sum(axis=0)
        if self.settled:  # each keeps what it has of a limit; only what is left of it is shared so
            kept = used / np.maximum(limit, used.sum(axis=0))
            share = kept + (1.0 - kept.sum(axis=0)) * share
        return np.asarray(share, dtype=np.float64)


@dataclass(frozen=True)
class _Joint:
    """Groups and what each has of every limit that ties them, as one program.

    For each group g and tying row r: its use - its own over-use - more[g, r] <= share[g, r] limit[r], and over all
    groups the sum of more[g, r] <= 0. With every `more` at 0 the plans of the groups are a plan of this program.

    Parameters
    ----------
    tied : _Tied
    groups : list of tuple    Rows and columns of each.
    common : ndarray (k,)     Columns of no group, of which each gets its own copy.
    share : ndarray (G, W)    Of every limit.
    """

    tied: _Tied
    groups: list[tuple[Ints, Ints]]
    common: Ints
    share: Floats

    def run(self, bases: list[Basis]) -> Basis:
        """Begin with the bases of the groups, move what they share between them, and read the plan's own basis."""
        whole, rows = self.tied.whole, self.tied.rows
        count, wide, size = len(self.groups), rows.size, whole.cost.size
        program = Program(self._matrices(), large=True)
        more = size + np.arange(count * wide)
        program.bound(more, np.full(more.size, -np.inf), np.full(more.size, np.inf))
        program.begin(self._begun(bases))
        program.attempt(primal=True)
        end = program.basis()
        columns, own = np.array(end.columns, dtype=object), np.array(end.rows, dtype=object)
        copies = (columns[size + more.size :].reshape(count, self.common.size) == BASIC).any(axis=0)
        columns[self.common[copies]] = BASIC
        slack = (own[rows] == BASIC) | (own[whole.row_upper.size :].reshape(count, wide) == BASIC).any(axis=0)
        own[rows] = NONBASIC
        own[rows[slack]] = BASIC
        return Basis(columns[:size].tolist(), own[: whole.row_upper.size].tolist())

    def _matrices(self) -> Matrices:
        """The program: the plan's columns, then `more`, then the copies; the plan's rows, then each group's."""
        whole, rows, common = self.tied.whole, self.tied.rows, self.common
        count, wide, copies = len(self.groups), rows.size, len(self.groups) * common.size
        by_row = whole.matrix.tocsr()
        inside = np.ones(whole.row_upper.size)
        inside[rows] = 0.0
        pool = sparse.csr_array(
            (np.ones(count * wide), (np.tile(rows, count), np.arange(count * wide))), shape=(inside.size, count * wide)
        )
        use = []
        for _, columns in self.groups:
            own = np.zeros(whole.cost.size)
            own[columns] = 1.0
            use.append(by_row[rows] @ sparse.diags_array(own))
        over = sparse.kron(sparse.eye_array(count), by_row[rows][:, common])
        matrix = sparse.vstack(
            [
                sparse.hstack([sparse.diags_array(inside) @ by_row, pool, sparse.csr_array((inside.size, copies))]),
                sparse.hstack([sparse.vstack(use), -sparse.eye_array(count * wide), over]),
            ]
        ).tocsc()
        matrix.eliminate_zeros()
        upper, cost = whole.upper.copy(), whole.cost.copy()
        upper[common] = 0.0
        free = np.full(count * wide, np.inf)
        limits = np.where(inside > 0, whole.row_upper, 0.0)
        return Matrices(
            [],
            [],
            np.concatenate((cost, np.zeros(count * wide), np.tile(whole.cost[common], count))),
            np.concatenate((upper, free, np.tile(whole.upper[common], count))),
            sparse.csc_array(matrix),
            np.concatenate((whole.row_lower, -free)),
            np.concatenate((limits, (self.share * whole.row_upper[rows]).ravel())),
        )

    def _begun(self, bases: list[Basis]) -> Basis:
        """Where the groups ended, as a basis of the program."""
        whole, wide, common = self.tied.whole, self.tied.rows.size, self.common.size
        count = len(self.groups)
        begun = Basis.slack(whole.cost.size + count * (wide + common), whole.row_upper.size + count * wide)
        columns, rows = np.array(begun.columns, dtype=object), np.array(begun.rows, dtype=object)
        columns[whole.cost.size : whole.cost.size + count * wide] = ZERO
        for g, ((own_rows, own_columns), basis) in enumerate(zip(self.groups, bases, strict=True)):
            at = whole.cost.size + count * wide + g * common
            columns[own_columns] = basis.columns[: own_columns.size]
            columns[at : at + common] = basis.columns[own_columns.size :]
            rows[own_rows] = basis.rows[: own_rows.size]
            at = whole.row_upper.size + g * wide
            rows[at : at + wide] = basis.rows[own_rows.size :]
        return Basis(columns.tolist(), rows.tolist())
