"""A plan begun from its parts, and what the solver is told and asked, each step reckoned on four zones.

Zone p needs 6 mm: r[p] + s[p] >= 6. A millimetre r costs 1, to go short s costs 2, 3, 4, 5. Two limits tie the zones,
the sum of all r <= 12 and r[2] + 2 r[3] - o <= 4, where o is over-use at 5; a third, -o <= 1, uses no zone at all.
"""

from dataclasses import replace
from types import SimpleNamespace

import highspy
import numpy as np
import pytest
from scipy import sparse

from models.plan import apart, sketch, tied
from models.plan.basis import BASIC, LOWER, NONBASIC, UPPER, Basis
from models.plan.highs import OPTIMAL, Program, SolverFailed
from models.plan.one_more import one_more
from models.plan.parts import separate
from models.plan.pieces import BENT
from models.plan.rows import Matrices, Spans
from models.plan.sample import Missed, Sample
from models.plan.sketch import sketched
from models.plan.symbols import linear
from models.plan.tied import Tied

SHORT = np.array([2.0, 3.0, 4.0, 5.0])
TIES = np.array([4, 5, 6])


def four_zones(limits=(12.0, 4.0, 1.0)):
    """Columns r[0..3], s[0..3], o; rows: four needs, three ties, one row of nothing."""
    rows = np.zeros((8, 9))
    for p in range(4):
        rows[p, [p, 4 + p]] = 1.0
    rows[4, :4] = 1.0
    rows[5, [2, 3, 8]] = [1.0, 2.0, -1.0]
    rows[6, 8] = -1.0
    return Matrices(
        [], [], np.array([1.0] * 4 + [*SHORT, 5.0]), np.array([10.0] * 4 + [np.inf] * 5), sparse.csc_array(rows),
        np.array([6.0] * 4 + [-np.inf] * 4), np.array([np.inf] * 4 + [*limits, np.inf]),
    )  # fmt: skip


SHARED = np.isin(np.arange(8), TIES)


def tied_zones(limits=(12.0, 4.0, 1.0)):
    whole = four_zones(limits)
    return Tied(whole, TIES, separate(whole.matrix, SHARED), SHARED)


def mask(*which):
    return np.isin(np.arange(4), which)


# --------------------------------------------------------------------------------------------------------------- tied


def test_what_ties_the_parts_and_what_each_could_use():
    found = tied_zones()
    assert found.common.tolist() == [8] and [p.part.columns.tolist() for p in found.pieces] == [
        [p, 4 + p] for p in range(4)
    ]
    more = found.bent / found.whole.cost - 1.0
    assert (more[:4] > 0).all() and (more[:4] <= BENT).all() and np.unique(more[:4]).size == 4
    assert not more[4:].any()  # what uses no limit, and over-use, cost what they do
    assert found.could.tolist() == [[10, 0, 0], [10, 0, 0], [10, 10, 0], [10, 20, 0]]
    basis = found.basis()
    assert basis.columns.tolist() == [LOWER] * 9
    assert basis.rows.tolist() == [BASIC] * 8


def test_the_share_of_some_parts_goes_by_what_they_could_use_and_then_by_need():
    found = tied_zones()
    assert found.share(mask(0, 2)).tolist() == pytest.approx([0.5, 1 / 3, 1.0])  # 20 of 40, 10 of 30
    assert found.given(mask(0, 2), np.array([0.5, 0.25, 1.0])).tolist() == [6.0, 1.0, 1.0]
    found.used = np.array([[6.0, 0, 0], [3.0, 0, 0], [0, 0, 0], [6.0, 2.0, 0]])
    # need in shares of the limits: 6/12 inside; 9/12 + 2/4 outside. could: 20/12 + 10/4; 20/12 + 20/4
    inside, outside = 0.5 / (20 / 12 + 10 / 4), 1.25 / (20 / 12 + 20 / 4)
    shares = [20 * inside / (20 * inside + 20 * outside), 10 * inside / (10 * inside + 20 * outside), 1.0]
    assert found.share(mask(0, 2)).tolist() == pytest.approx(shares)
    found.loose = np.array([0.0, -1.0, -1.0])
    found.bind = np.array([True, False, True])
    # of the first 6 are used and of -3 left a half is theirs; of the second -1 is used, 4 - 2 + 1 = 3 left, all theirs
    # as it does not bind; of the third 1 - (-1) are left
    assert found.given(mask(0, 2), np.array([0.5, 0.25, 0.0])).tolist() == [4.5, 2.0, 0.0]
    # and no less than a twentieth of the share
    assert found.given(mask(1), np.array([1.0, 0.25, 0.0]))[0] == pytest.approx(0.6)
    assert found.given(mask(3), np.array([0.1, 0.25, 0.0])).tolist() == pytest.approx([5.7, 4.0, 0.0])


def test_what_all_miss_of_the_limits_that_bind_or_are_broken():
    found = tied_zones()
    found.used = np.array([[6.0, 0, 0], [6.0, 0, 0], [3.0, 3.0, 0], [0, 0, 0]])
    found.loose = np.array([0.0, -2.0, -2.0])
    sample = SimpleNamespace(prices=np.array([0.5, 0.0, 0.0]), used=np.array([6.0, 1, 0]), limit=np.array([5.0, 9, 9]))
    missed = found._missed(sample)
    assert missed.left.tolist() == [-3.0, 3.0, 3.0] and missed.wrong.tolist() == [True, False, False]
    assert missed.mean == 3.0 / 12.0 and missed.used is sample.used and missed.limit is sample.limit
    assert found.bind.tolist() == [True, False, False]
    sample.prices = np.array([0.0, 0.5, 0.0])  # the first is broken, the second not used up at a price
    assert found._missed(sample).mean == pytest.approx((3.0 / 12.0 + 3.0 / 4.0) / 2)
    found.used[:] = 0.0
    sample.prices[:] = 0.0
    assert found._missed(sample).mean == 0.0 and not found.bind.any()


def test_at_a_price_zones_use_what_is_worth_it():
    found = tied_zones()
    found.price(np.arange(4), np.array([1.5, 0.0, 0.0]))  # a millimetre costs 2.5, to go short 2, 3, 4, 5
    assert found.used.tolist() == [[0, 0, 0], [6, 0, 0], [6, 6, 0], [6, 12, 0]]
    found.price(np.array([2, 3]), np.array([1.5, 1.6, 0.0]))  # 4.1 and 5.7
    assert found.used.tolist() == [[0, 0, 0], [6, 0, 0], [0, 0, 0], [0, 0, 0]]
    found.price(np.array([3]), np.array([0.0, 2.0, 0.0]), found.whole.cost)  # 5 and 5: alike to the last digit
    assert found.pieces[3].program.objective() == 30.0


@pytest.mark.parametrize("limits", [(12.0, 4.0, 1.0), (12.0, 40.0, 1.0), (3.0, 40.0, 1.0), (12.0, 0.5, 0.0)])
def test_the_basis_of_the_parts_is_all_but_that_of_the_plan(limits, monkeypatch):
    monkeypatch.setattr(tied, "SAMPLE", 1)
    whole = four_zones(limits)
    cold, warm = Program(whole), Program(whole)
    best = cold.run()
    warm.begin(tied_zones(limits).solved(), square=False)
    assert warm.run() == pytest.approx(best)


def test_a_larger_sample_follows_from_where_its_parts_ended(monkeypatch):
    monkeypatch.setattr(tied, "SAMPLE", 1)
    monkeypatch.setattr(tied, "LARGEST", 1.2)
    found, said = tied_zones(), []
    keep, price = found.keep_pieces, found.price
    found.keep_pieces = lambda which: said.append(("kept", which.tolist())) or keep(which)
    found.price = lambda which, prices, *cost: said.append(("priced", which.tolist())) or price(which, prices, *cost)

    def settle(sample, rest, rounds, near):
        sample.run()
        said.append((sample.inside.tolist(), rest.tolist(), rounds, near))
        return SimpleNamespace(mean=near)

    found._settle = settle
    found.solved()
    assert said == [
        ("priced", [0, 1, 2, 3]), ("kept", [1, 3]), ([1, 3], [0, 2], 1, pytest.approx((25_000 / 9) ** 2)),
        ("kept", [0]), ([0, 1, 3], [2], 5, pytest.approx((50_000 / 9) ** 2)),
        ("priced", [2]), ("kept", [2]),
    ]  # fmt: skip
    said.clear()
    found = tied_zones()
    found._settle = lambda sample, *_: sample.run() or SimpleNamespace(mean=7.7e6)  # of (25,000 / 9) squared
    found.keep_pieces = lambda which: said.append(which.tolist())
    found.solved()
    assert said == [[1, 3], [0, 2]]  # near enough: no larger sample is needed


def test_parts_that_keep_the_limits_by_themselves_are_the_plan():
    found = tied_zones((24.0, 18.0, 1.0)).untied()
    program = Program(four_zones((24.0, 18.0, 1.0)))
    program.begin(found, square=False)
    assert program.run() == 24.0 and program.highs.getInfoValue("simplex_iteration_count")[1] == 0
    assert tied_zones((24.0, 17.9, 1.0)).untied() is None
    assert tied_zones((23.9, 18.0, 1.0)).untied() is None


def test_a_sample_is_given_more_or_less_by_its_share_of_what_was_missed():
    found = tied_zones()
    sample = Sample(found, mask(0, 3), np.array([0.5, 0.5, 1.0]), np.array([12.0, 4.0, 1.0]))
    sample.run()
    # 6 mm each, but of zone 3, which counts twice, 2 mm; the last millimetre saves 4 and takes 2 of the limit
    assert sample.used.tolist() == pytest.approx([8.0, 4.0, 0.0])
    assert sample.prices == pytest.approx([0.0, 2.0, 0.0], abs=3e-3)
    assert found.used[[0, 3]].tolist() == [pytest.approx([6, 0, 0]), pytest.approx([2, 4, 0])]
    wrong = np.array([True, False, True])
    sample.give(Missed(0.0, wrong, np.array([-4.0, 3.0, -50.0]), np.array([8.0, 4.0, 0.5]), sample.limit), 0.5)
    assert sample.limit.tolist() == [7.0, 7.0, 0.05]  # 8 - 0.5 * 0.5 * 4; all that is left; a twentieth at least
    assert sample.program.upper[sample.use].tolist() == [7.0, 7.0, 0.05]
    sample.give(Missed(0.0, ~wrong, np.array([1.0, 2.0, 0.0]), np.array([1.0, 1.0, 0.5]), sample.limit), 1.0)
    assert sample.limit.tolist() == [6.0, 2.0, 1.0]  # half of the first is its own, though less was used
    sample.hold(np.array([12.0, 4.0, 1.0]))
    sample.straighten()  # at costs as they are
    assert sample.prices == pytest.approx([0.0, 2.0, 0.0], abs=1e-12)
    sample.keep()
    kept, ended = found.kept(sample.columns, sample.rows), sample.program.basis()
    assert np.array_equal(kept.columns, ended.columns[: sample.columns.size])
    assert kept.rows[sample.tie].tolist() == [BASIC, UPPER, BASIC]  # the second limit binds


def test_a_sample_is_offered_a_price_and_begins_where_its_parts_ended_at_it(monkeypatch):
    monkeypatch.setattr(sketch, "COLUMNS", 1_000)
    found = tied_zones()
    found.bind = np.ones(3, dtype=bool)
    found._price_first(None)  # all zones: 1 of the first, 2 of the second
    assert found.offered == pytest.approx([1.0, 2.0, 0.0], abs=6e-3)
    assert found.used[3].tolist() == [6.0, 12.0, 0.0] or found.used[3].tolist() == [0.0, 0.0, 0.0]
    found.keep_pieces(np.arange(4))
    whole = found.whole
    sample = Sample(found, mask(0, 1, 2, 3), np.ones(3), found.limit)
    sample.run()
    assert sample.prices == pytest.approx([1.0, 2.0, 0.0], abs=6e-3)
    plain = Program(replace(whole, cost=found.bent))
    assert sample.program.objective() == pytest.approx(plain.run())  # what is offered and paid is the same
    sample.keep()
    assert found.row_status[TIES].tolist() == [UPPER, UPPER, BASIC]
    larger = Sample(found, mask(0, 1, 2, 3), np.ones(3), found.limit, sample)
    larger.run()
    assert larger.program.highs.getInfoValue("simplex_iteration_count")[1] == 0


def test_parts_begin_from_a_plan_in_which_about_as_many_limits_bind(monkeypatch):
    monkeypatch.setattr(sketch, "COLUMNS", 1_000)
    near = Basis(np.array([BASIC] * 4 + [LOWER] * 5, dtype=np.int8), np.array([LOWER] * 4 + [BASIC] * 4, dtype=np.int8))
    for bound, begins in ((0, False), (1, False), (2, True)):  # two have a price now: fewer than twice two
        near.rows[TIES[:bound]] = UPPER
        found, begun = tied_zones(), []
        found.begin_from = begun.append
        found._price_first(near)
        assert bool(begun) == begins
    found = tied_zones()
    found.begin_from(near)
    assert [piece.program.basis().columns.tolist() for piece in found.pieces] == [[BASIC, LOWER]] * 4


def test_over_use_counts_against_what_a_sample_uses():
    # at 1 for a unit of over-use all 6 mm of zone 3 are worth it: 12 of the second limit, of which 8 are over it
    whole = four_zones()
    cheap = replace(whole, cost=np.where(np.arange(9) == 8, 1.0, whole.cost))
    found = Tied(cheap, TIES, separate(cheap.matrix, SHARED), SHARED)
    sample = Sample(found, mask(0, 3), np.array([0.5, 0.5, 1.0]), np.array([12.0, 4.0, 1.0]))
    sample.run()
    assert found.loose.tolist() == pytest.approx([0.0, -8.0, -8.0])
    assert sample.used.tolist() == pytest.approx([12.0, 4.0, -8.0])
    assert found.used[3].tolist() == pytest.approx([6.0, 12.0, 0.0]) and sample.prices[1] == pytest.approx(1.0)


def test_a_share_is_put_right_from_the_best_so_far_by_less_where_it_went_too_far():
    found, given, held = tied_zones(), [], []
    sample = SimpleNamespace(
        give=lambda missed, damped: given.append((missed.mean, damped)), hold=lambda limit: held.append(limit)
    )

    def settle(means, rounds, near):
        given.clear()
        held.clear()
        tries = iter(means)
        found._tried = lambda *_: (lambda mean: Missed(mean, None, None, None, f"limit of {mean}"))(next(tries))
        found._settle(sample, np.arange(0), rounds, near)
        return list(tries)

    assert settle([0.4, 0.2, 0.3, 0.1, 9.0], 4, 0.0) == [9.0]
    assert given == [(0.4, 0.7), (0.2, 0.7), (0.2, 0.35)] and not held
    assert settle([0.4, 0.2, 9.0], 5, 0.3) == [9.0]  # near enough
    assert given == [(0.4, 0.7)]
    assert settle([0.1, 0.2, 0.3, 0.1], 3, 0.0) == []  # the first was best: it is held and tried again
    assert given == [(0.1, 0.7), (0.1, 0.35)] and held == ["limit of 0.1"]


def sampled(sizes, could, monkeypatch, sample, largest=0.5):
    monkeypatch.setattr(tied, "SAMPLE", sample)
    monkeypatch.setattr(tied, "LARGEST", largest)
    bare = object.__new__(Tied)
    bare.pieces = [SimpleNamespace(part=SimpleNamespace(columns=np.arange(size))) for size in sizes]
    bare.could = np.array(could, dtype=float)
    return [np.flatnonzero(inside).tolist() for inside in bare._samples()]


def test_samples_are_spread_over_the_parts_each_three_times_the_one_before(monkeypatch):
    # by the golden ratio the order of ten is 4, 9, 1, 6, 3, 8, 0, 5, 2, 7
    order = np.argsort(np.arange(1, 11) * tied.GOLDEN % 1.0).tolist()
    assert tied.GOLDEN == pytest.approx(0.618034) and order == [4, 9, 1, 6, 3, 8, 0, 5, 2, 7]
    alike = np.ones((10, 1))
    assert sampled([10] * 10, alike, monkeypatch, 5) == [[4], [4, 9], [1, 3, 4, 6, 9]]  # 5, 15, 45 columns of 100
    assert sampled([10] * 10, alike, monkeypatch, 10) == [[4], [1, 4, 9]]  # 10, 30; 90 are more than half
    assert sampled([10] * 10, alike, monkeypatch, 200) == [[0, 1, 2, 3, 4, 5, 6, 8, 9]]  # one part is left over
    only = np.ones((10, 2))
    only[:, 1] = np.isin(np.arange(10), [2, 5]) * np.arange(10)
    assert sampled([10] * 10, only, monkeypatch, 10, 0.1) == [[4, 5]]  # who could use most of a limit is in it
    some = np.ones((10, 2))
    some[:, 1] = np.isin(np.arange(10), [2, 4]) * np.arange(10)
    assert sampled([10] * 10, some, monkeypatch, 15, 0.1) == [[4, 9]]  # one of the two that could use it is enough
    nobody = np.zeros((10, 1))
    assert sampled([10] * 10, nobody, monkeypatch, 10, 0.1) == [[4]]
    assert sampled([10, 10], [[1, 0], [0, 1]], monkeypatch, 10, 0.1) == [[1]]  # never all


# ------------------------------------------------------------------------------------------------------------- sketch


def test_a_few_zones_with_their_share_tell_the_prices(monkeypatch):
    def prices(limits, columns):
        whole = four_zones(limits)
        monkeypatch.setattr(sketch, "COLUMNS", columns)
        return sketched(whole, whole.matrix.tocsr(), TIES, SHARED, np.array([8])).tolist()

    # all four: a millimetre saves 1, 2, 3, 4. Of the second limit 4 mm are zone 2's, as zone 3's count twice; of the
    # first 4 are zone 2's, 6 zone 1's, and the last one zone 0's at 1; 3 - 1 is left for the second
    assert prices((12.0, 4.0, 1.0), 9) == pytest.approx([1.0, 2.0, 0.0])
    # zones 1 and 3: of the first 6, of the second 8 / 3; zone 3's last takes 2 and saves 4, zone 1's saves 2
    assert prices((12.0, 4.0, 1.0), 4) == pytest.approx([2.0, 1.0, 0.0])
    assert prices((24.0, 40.0, 1.0), 9) == [0.0, 0.0, 0.0]


def test_zones_lie_in_a_row_by_limit_rank_and_need_and_share_by_need():
    # two runs a zone of up to 10 min: depth = 1.0 x run; asked for 4, 16, 0 and, by copies, not told
    rows = np.zeros((7, 12))
    for z in range(4):
        rows[z, [3 * z, 3 * z + 1, 3 * z + 2]] = [1.0, 1.0, 1.0]  # runs, and what is missing
        rows[5, [3 * z, 3 * z + 1]] = [2.0, 2.0] if z else [4.0, 4.0]
    rows[4, [9, 10]] = 1.0
    cost = np.array([1.0, 1.0, 8.0, 1.0, 1.0, 8.0, 1.0, 1.0, 9.0, 1.0, 1.0, 7.0])
    upper = np.where(np.arange(12) % 3 == 2, np.inf, 10.0)
    right = np.array([4.0, 16.0, 0.0, 0.0])
    lower = np.array([4.0, 16.0, -1.0, 0.0, -np.inf, -np.inf, -np.inf])
    whole = Matrices([], [], cost, upper, sparse.csc_array(rows), lower, np.array([*right, 5.0, 30.0, np.inf]))
    by_row, alone = whole.matrix.tocsr(), np.array([0, 1, 2, 3, 6])
    could = by_row[[4, 5]].tocsc()
    could.data = could.data * np.repeat(np.where(np.isfinite(upper), upper, 0.0), np.diff(could.indptr))
    of_row, of_column = np.array([0, 1, 2, 3, 4]), np.repeat(np.arange(4), 3)
    zones = sketch._zones(whole, by_row[alone], alone, of_row, of_column, could)
    assert zones.depth.tolist() == [4.0, 16.0, 0.0, 0.0, 0.0]
    assert zones.need[:2].tolist() == [0.2, 0.8] and zones.need[3] == 0.5  # zone 3 as the others in the mean
    assert zones.tie.tolist() == [1, 1, 1, 0, 2]
    # the dearest column by what 20 mm take of the limits: 8 x 20 / 80, 8 x 20 / 40, 9 (no equation), 7 x 20 / 60
    assert zones.worth[[0, 1, 3]].tolist() == pytest.approx([2.0, 4.0, 7 / 3])
    assert zones.in_a_row(np.array([0, 1, 3])).tolist() == [3, 0, 1]


def test_zones_that_cannot_do_with_their_share_tell_nothing():
    whole = four_zones()
    must = replace(whole, upper=np.where(np.arange(9) >= 4, 0.0, whole.upper))  # none may go short
    assert sketched(must, whole.matrix.tocsr(), TIES, SHARED, np.array([8])).tolist() == [0.0, 0.0, 0.0]


# -------------------------------------------------------------------------------------------------------------- apart


def test_a_plan_begins_otherwise_where_its_limits_hold_anyway_or_too_many_tie_it(monkeypatch):
    spans = Spans({}, {"pump_limit": slice(4, 7)})
    near = np.zeros(9)
    assert apart.start(four_zones(), spans) is not None
    assert apart.start(four_zones(), spans, near) is None  # nothing is used
    assert apart.start(four_zones((0.0, 0.0, 0.0)), spans, near) is None  # nor is there anything to use
    used = np.array([6.0, 6.0] + [0.0] * 7)
    assert apart.start(four_zones(), spans, used) is not None  # all 12 are used up
    assert apart.start(four_zones((12.1, 4.0, 1.0)), spans, used) is None
    monkeypatch.setattr(apart, "MOST_TYING", 2)
    assert apart.start(four_zones(), spans, used) is None
    assert apart.start(four_zones(), spans) is None  # the parts do not keep the limits together
    assert apart.start(four_zones((24.0, 18.0, 1.0)), spans) is not None


def test_limits_are_left_out_one_kind_after_the_other_until_what_is_left_is_small(monkeypatch):
    whole = four_zones()
    spans = Spans({}, {"source_month": slice(6, 7), "pump_limit": slice(5, 6), "station_limit": slice(4, 5)})
    monkeypatch.setattr(apart, "LARGEST_PART", 1)
    monkeypatch.setattr(apart, "LEAST_PART", 1)
    monkeypatch.setattr(apart, "SMALL", 0.3)  # of nine columns: 2.7
    wide, parts = apart.parts_of(whole, spans)
    assert np.flatnonzero(wide).tolist() == [4, 5, 6] and [p.columns.size for p in parts] == [2, 2, 2, 2]
    monkeypatch.setattr(apart, "SMALL", 1.0)
    spans = Spans({}, {"source_month": slice(4, 5), "pump_limit": slice(5, 7)})
    wide, parts = apart.parts_of(whole, spans)
    assert np.flatnonzero(wide).tolist() == [4] and [p.columns.tolist() for p in parts] == [
        [2, 3, 6, 7, 8], [0, 4], [1, 5],
    ]  # fmt: skip
    monkeypatch.setattr(apart, "SMALL", 0.5)  # five columns are more than half of nine, but no more than this
    monkeypatch.setattr(apart, "LARGEST_PART", 5)
    assert np.flatnonzero(apart.parts_of(whole, spans)[0]).tolist() == [4]
    monkeypatch.setattr(apart, "LARGEST_PART", 4)
    assert np.flatnonzero(apart.parts_of(whole, spans)[0]).tolist() == [4, 5, 6]


# --------------------------------------------------------------------------------------------------------- the solver


def family(keys):
    return SimpleNamespace(_data=keys)


class Model(SimpleNamespace):
    def component(self, name):
        return getattr(self, name)


def basis_of(columns, rows):
    return Basis(np.array(columns, dtype=np.int8), np.array(rows, dtype=np.int8))


def test_a_basis_is_carried_over_by_family_and_index():
    old = Model(run=family([(0, 0), (0, 1)]), dry=family(range(2)), need=family([0, 1, 2]))
    new = Model(run=family([(0, 1), (1, 1)]), dry=family(range(2)), need=family([1, 3]), cut=family([0]))
    had = Spans({"run": slice(0, 2), "dry": slice(2, 4)}, {"need": slice(0, 3)})
    has = Spans({"dry": slice(0, 2), "run": slice(2, 4)}, {"cut": slice(0, 1), "need": slice(1, 3)})
    basis = basis_of([LOWER, UPPER, BASIC, LOWER], [BASIC, LOWER, BASIC])
    found = basis.carried(old, new, had, has, 4)
    assert found.columns.tolist() == [BASIC, LOWER, UPPER, LOWER]  # dry as it was; run (0, 1); a new one at its bound
    # rows: cut is new and slack, need 1 as it was, 3 new and slack, one added slack: four basic with the column's
    assert found.rows.tolist() == [BASIC, LOWER, BASIC, BASIC]
    full = basis_of([BASIC, BASIC, BASIC, LOWER], [LOWER, LOWER, LOWER])
    found = full.carried(old, new, had, has, 4)  # columns: dry 0, run (0, 1): two; rows: three slack: one too many
    assert found.columns.tolist() == [BASIC, LOWER, BASIC, LOWER]
    assert found.rows.tolist() == [NONBASIC, LOWER, BASIC, BASIC]
    none = basis_of([LOWER] * 4, [LOWER] * 3)
    assert none.carried(old, old, had, had, 3).rows.tolist() == [BASIC, BASIC, BASIC]  # too few
    fewer = basis_of([LOWER, BASIC, LOWER, LOWER], [LOWER, BASIC, LOWER])
    assert fewer.carried(old, old, had, had, 3).rows.tolist() == [
        BASIC,
        BASIC,
        LOWER,
    ]  # one is missing: the first that can be
    assert NONBASIC != LOWER


def test_a_program_without_a_past_begins_slack():
    begun = Basis.slack(1, 2)
    assert (begun.columns.tolist(), begun.rows.tolist()) == ([LOWER], [BASIC, BASIC])


@pytest.mark.parametrize("seed", range(4))
def test_where_a_run_ended_is_what_the_solver_itself_says(seed):
    # columns of 0 to 3, below nothing, of any value; rows at most, at least, equal and of nothing
    rng = np.random.default_rng(seed)
    matrix = sparse.csc_array(np.where(rng.random((12, 16)) < 0.4, rng.uniform(0.5, 2.0, (12, 16)), 0.0))
    use = matrix @ rng.uniform(0.0, 3.0, 16)
    kind = np.arange(12) % 4
    lower, upper = np.where((kind == 0) | (kind == 3), -np.inf, use), np.where((kind == 1) | (kind == 3), np.inf, use)
    bounds = np.where(np.arange(16) % 3 == 0, np.inf, 3.0)
    program = Program(Matrices([], [], rng.uniform(-1.0, 1.0, 16) + (bounds == np.inf), bounds, matrix, lower, upper))
    program.run()
    said, held = program.basis(), program.highs.getBasis()
    assert said.columns.tolist() == list(map(int, held.col_status))
    fixed = lower == upper  # at both limits at once
    rows = np.array(list(map(int, held.row_status)))
    assert ((said.rows == rows) | (fixed & (said.rows != BASIC) & (rows != BASIC))).all()
    assert (said.columns == UPPER).any() and (said.columns == LOWER).any() and (said.rows != BASIC).any()


def one_row(upper=4.0):
    """The least of x + 3 y with x + y >= 6 and x <= `upper`."""
    rows = sparse.csc_array(np.array([[1.0, 1.0], [1.0, 0.0]]))
    cost, free = np.array([1.0, 3.0]), np.array([np.inf, np.inf])
    return Program(Matrices([], [], cost, free, rows, np.array([6.0, -np.inf]), np.array([np.inf, upper])))


def test_a_program_of_two_columns_edited_and_read():
    program = one_row()
    assert program.run() == 10.0 and program.values().tolist() == [4.0, 2.0]
    activities, duals = program.sides()
    assert activities.tolist() == [6.0, 4.0] and duals.tolist() == [3.0, -2.0]
    program.limit(np.array([1]), np.array([5.0]))
    assert program.run() == 8.0
    program.bound(np.array([0]), np.array([0.0]), np.array([3.0]))
    assert program.run() == 12.0
    program.bound(np.array([0, 1]), np.array([0.0, 4.0]), np.array([3.0, np.inf]))
    assert program.run() == 14.0 and program.values().tolist() == [2.0, 4.0]
    program.price(np.array([4.0, 1.0]))
    assert program.run() == 6.0
    rows = program.add_sums(np.array([1, 0]), np.array([2, 2]), np.array([9.0, 5.0]))
    assert rows.tolist() == [2, 3] and program.run(certain=False) == np.inf
    assert program.row_upper.tolist() == [np.inf, 5.0, 9.0, 5.0]
    assert program.row_lower.tolist() == [6.0, -np.inf, -np.inf, -np.inf]
    whole, lower = program.as_it_stands()
    assert whole.matrix.toarray().tolist() == [[1, 1], [1, 0], [0, 1], [1, 1]] and lower.tolist() == [0.0, 4.0]
    assert whole.cost.tolist() == [4.0, 1.0] and whole.row_upper.tolist() == [np.inf, 5.0, 9.0, 5.0]
    program.drop(np.array([3, 2]))  # as they stood in two lists, the later one first
    assert program.run() == 6.0 and program.row_upper.size == program.row_lower.size == program.highs.getNumRow() == 2


def test_costs_are_scaled_by_a_power_of_two_and_read_in_their_own_prices():
    program = one_row()
    program.price(np.array([1e9, 3e9]))
    program.scale_costs()
    assert program.cost_scale == 2.0**-5  # 3e9 / 32 is the first below 1e8
    assert program.run() == 1e10 and program.sides()[1].tolist() == [3e9, -2e9]
    assert program.run_below(0.9e10) == np.inf and program.run_below(1.1e10) == 1e10
    program.price(np.array([1e9, 3e9]))  # as written again
    assert program.cost_scale == 1.0 and program.run() == 1e10
    small = one_row()
    small.scale_costs()
    assert small.cost_scale == 1.0


def test_a_run_out_of_time_says_so():
    program = Program(four_zones())
    program.limit_time(0.0)
    program.highs.setOptionValue("presolve", "off")
    with pytest.raises(SolverFailed, match="Time limit"):
        program.run()
    with pytest.raises(SolverFailed, match="Time limit"):
        program.attempt()


def test_how_the_solver_is_told_to_go_on():
    program = one_row()

    def option(name):
        return program.highs.getOptionValue(name)[1]

    assert option("simplex_strategy") != 4
    program.expect_near(True)
    assert option("simplex_dual_edge_weight_strategy") == 1
    program.expect_near(False)
    assert option("simplex_dual_edge_weight_strategy") == -1
    program.take_as_it_is()
    assert option("simplex_scale_strategy") == 0 and option("dual_simplex_cost_perturbation_multiplier") == 0.0
    program.attempt(primal=True)
    assert option("simplex_strategy") == 4
    for dearest, finest in ((3.0, 1e-7), (2e9, 2e9 * 2.0**-52), (1e10, 1e-6)):
        program.price(np.array([1.0, dearest]))
        program.tell_no_finer()
        assert option("dual_feasibility_tolerance") == pytest.approx(finest)
    assert option("output_flag") is False and option("presolve") == "choose" and option("solver") == "simplex"
    assert Program(four_zones(), large=True).highs.getOptionValue("presolve")[1] == "off"


def test_a_run_that_stops_begins_again_with_smaller_costs_and_then_from_nothing(monkeypatch):
    program = one_row()
    program.run()
    program.price(np.array([1e9, 3e9]))
    asked, answers = [], iter(["stopped", "stopped", OPTIMAL])
    status = [OPTIMAL]

    def once():
        asked.append((program.cost_scale, program.highs.getBasis().valid, program.highs.getOptionValue("presolve")[1]))
        status[0] = next(answers)

    monkeypatch.setattr(program, "_once", once)
    monkeypatch.setattr(program.highs, "getModelStatus", lambda: status[0])
    monkeypatch.setattr(program, "objective", lambda: 7.0)
    assert program.run() == 7.0
    assert asked == [(1.0, True, "choose"), (2.0**-5, True, "choose"), (2.0**-5, False, "off")]
    asked.clear()
    answers = iter([OPTIMAL])
    assert program.run() == 7.0 and len(asked) == 1
    asked.clear()
    answers = iter(["stopped", OPTIMAL])
    program.highs.run()
    assert program.attempt() == 7.0 and [valid for _, valid, _ in asked] == [True, False]
    asked.clear()
    answers = iter([highspy.HighsModelStatus.kUnknown])
    with pytest.raises(SolverFailed, match="the solver stopped with status"):
        program.attempt(primal=True)
    assert len(asked) == 1


def test_one_more_of_a_limit_moves_what_is_basic_and_only_inwards():
    program = one_row()
    program.run()
    step, rise = program.step(np.array([1]))
    assert step.tolist() == [1.0, -1.0] and not rise.any()
    solve, failed = program.highs.getBasisSolve, highspy.HighsStatus.kError
    program.highs.getBasisSolve = lambda right: (failed, solve(right)[1])
    assert program.step(np.array([1])) is None
    moves, still = np.array([1.0, -1.0]), np.zeros(2)
    values = {"y at 0": (4.0, 0.0), "free": (4.0, 2.0), "x at 5": (5.0, 2.0)}
    program.upper = np.array([5.0, np.inf])
    for name, stands in values.items():
        program.found = (np.array(stands), np.array([6.0, 4.0]), still)
        assert program._can_begin(moves, still) == (name == "free")
        assert program._can_begin(-moves, still)
        assert program._can_begin(1e-8 * moves, still)
    program.found = (np.array([4.0, 2.0]), np.array([6.0, 4.0]), still)
    assert not program._can_begin(still, np.array([-1.0, 0.0])) and program._can_begin(still, np.array([1.0, 0.0]))
    assert not program._can_begin(still, np.array([0.0, 1.0])) and program._can_begin(still, np.array([0.0, -1.0]))


def test_asking_for_one_more_leaves_the_program_as_it_was():
    # x <= 6 holds by itself: at the corner the next cubic metre changes nothing, a little less would
    program = one_row(6.0)
    assert program.run() == 6.0
    before, basis = program.values().copy(), program.sides()[1].copy()
    program.found = (*program._vectors()[:2], np.array([3.0, -2.0]))  # as if it had a price
    program.step = lambda rows: None
    assert one_more(program, np.array([1])).tolist() == [0.0, 0.0]
    assert program.row_upper[1] == 6.0 and program.values().tolist() == before.tolist()
    assert program.objective() == 6.0 and basis.size == 2
    corner = one_row(4.0)
    corner.run()
    corner.step = lambda rows: None
    assert one_more(corner, np.array([1])).tolist() == [1.0, -1.0]
    assert corner.values().tolist() == [4.0, 2.0] and corner.row_upper[1] == 4.0
    assert one_more(corner, np.array([], dtype=int)) is None


def test_as_many_coefficients_as_variables():
    with pytest.raises(ValueError, match="2 coefficients for 1 variables"):
        linear([1.0, 2.0], [None])
