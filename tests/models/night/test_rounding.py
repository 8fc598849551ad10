"""Rounding: hand-worked cases, and the law that no limit is ever broken."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import sparse

from models.night import round_minutes
from tests.drawn import examples


def rounded(minutes, limits, rhs, *, step=1.0, smallest=0.0, largest=np.inf, value=1.0, need=False):
    z = len(minutes)
    full = [np.broadcast_to(np.asarray(x, dtype=float), (z,)).copy() for x in (step, smallest, largest, value)]
    matrix = sparse.csr_matrix(np.atleast_2d(np.asarray(limits, dtype=float)))
    flags = np.broadcast_to(np.asarray(need, dtype=bool), (z,)).copy()
    step_, smallest_, largest_, value_ = full
    return round_minutes(
        np.asarray(minutes, float), step_, smallest_, largest_, matrix, np.asarray(rhs, float), value_, flags
    )


def test_two_zones_share_one_spare_minute():
    # Planned 5.6 and 7.7 min, together at most 13.3: floors 5 + 7 = 12, one whole minute left for one of them. Equal
    # worth per minute, so the larger remainder (0.7) gets it: 5 and 8.
    result = rounded([5.6, 7.7], [[1, 1]], [13.3])
    assert result.minutes.tolist() == [5.0, 8.0]
    assert result.raised.tolist() == [False, True]
    assert result.difference_min == pytest.approx(-0.3, abs=1e-12)


def test_the_worthier_zone_gets_the_spare_minute():
    # As above, but a minute of the first zone is worth twice: 2 * 0.6 > 1 * 0.7.
    assert rounded([5.6, 7.7], [[1, 1]], [13.3], value=[2.0, 1.0]).minutes.tolist() == [6.0, 7.0]


def test_without_a_binding_limit_both_rise():
    assert rounded([5.6, 7.7], [[1, 1]], [100.0]).minutes.tolist() == [6.0, 8.0]


def test_whole_steps_stay_although_floating_point_is_just_below():
    assert rounded([3 * 0.1, 0.7], [[1, 1]], [1.0], step=0.1).steps.tolist() == [3, 7]


def test_a_short_run_is_lifted_where_the_limit_allows_and_dropped_where_not():
    # Smallest useful run 4 min, planned 2.5 (more than half of it). Room for 4: lifted. Room for 3: dropped.
    lifted = rounded([2.5], [[1]], [4.0], smallest=4.0)
    assert (lifted.minutes[0], lifted.lifted[0], lifted.dropped[0]) == (4.0, True, False)
    dropped = rounded([2.5], [[1]], [3.0], smallest=4.0)
    assert (dropped.minutes[0], dropped.lifted[0], dropped.dropped[0]) == (0.0, False, True)


def test_a_run_that_is_just_useful_is_neither_short_nor_lifted():
    result = rounded([4.3, 4.0], [[1, 1]], [8.0], smallest=4.0)
    assert result.minutes.tolist() == [4.0, 4.0]
    assert not result.lifted.any() and not result.dropped.any()


def test_a_very_short_run_is_lifted_only_for_a_zone_in_need():
    # 1 min of a smallest useful 4: less than half, so it is left out, unless the zone should run tonight.
    result = rounded([1.0, 1.0], [[1, 1]], [100.0], smallest=4.0, need=[False, True])
    assert result.minutes.tolist() == [0.0, 4.0]


def test_the_needy_zone_is_lifted_first():
    # Room for one lift of 4 min only; the first zone is worth more, the second is in need.
    result = rounded([2.0, 2.0], [[1, 1]], [4.0], smallest=4.0, value=[9.0, 1.0], need=[False, True])
    assert result.minutes.tolist() == [0.0, 4.0]


def test_the_largest_run_is_kept():
    result = rounded([12.9], [[1]], [100.0], largest=10.5, step=2.0)
    assert result.minutes.tolist() == [10.0]
    assert result.cut.tolist() == [True]


def test_a_plan_over_a_limit_is_cut_at_its_least_valuable_zone():
    # 10 + 10 min against 18: two minutes go, from the second zone (worth less).
    result = rounded([10.0, 10.0], [[1, 1]], [18.0], value=[2.0, 1.0])
    assert result.minutes.tolist() == [10.0, 8.0]
    assert result.cut.tolist() == [False, True]


def test_of_zones_of_like_worth_a_step_of_the_large_one_goes_not_the_whole_run_of_the_small():
    # 155 + 20 min against 0.155 * 155 + 0.004 * 20 - 0.1 m3; worth the same per m3. One step of the large zone is
    # enough; of the small one it would take its whole run and more.
    use = np.array([0.155, 0.004])
    limit = float(use @ [155.0, 20.0]) - 0.1
    result = rounded([155.0, 20.0], [use], [limit], value=use)
    assert result.minutes.tolist() == [154.0, 20.0]


def test_a_zone_that_can_wait_gives_before_one_in_need():
    # As worth has it the second would give; but the first can wait.
    result = rounded([10.0, 10.0], [[1, 1]], [18.0], value=[2.0, 1.0], need=[False, True])
    assert result.minutes.tolist() == [8.0, 10.0]


def test_what_one_limit_takes_is_given_back_where_another_makes_it_needless():
    # 10 + 10 min against 15 together and 4 for the second: the second has to give 6, and nothing more is needed.
    assert rounded([10.0, 10.0], [[1, 1], [0, 1]], [15.0, 4.0]).minutes.tolist() == [10.0, 4.0]
    # 10 + 10 + 10 against 20 of all, 8 of the last two and 2 of the last: 10 and 8 are left, whatever the order.
    limits, most = np.array([[1, 1, 1], [0, 1, 1], [0, 0, 1]]), np.array([20.0, 8.0, 2.0])
    for order in ([0, 1, 2], [2, 1, 0], [1, 0, 2]):
        found = rounded([10.0] * 3, limits[order], most[order]).minutes
        assert found[0] == 10.0 and found[1:].sum() == 8.0 and found[2] <= 2.0


def test_what_a_run_too_short_to_be_useful_leaves_goes_to_others_that_gave():
    # 10 + 10 against 15: each gives, and the second's limit of 4 leaves less than its smallest run of 5. The first then
    # needs to give nothing.
    got = rounded([10.0, 10.0], [[1, 1], [0, 1]], [12.0, 4.0], smallest=[0.0, 5.0], need=True)
    assert got.minutes.tolist() == [10.0, 0.0]


@given(st.integers(0, 100_000))
@examples(150)
def test_no_step_that_was_taken_could_be_given_back(seed):
    # Limits hold, and every zone that was cut would break one with a step more.
    rng = np.random.default_rng(seed)
    z, rows = int(rng.integers(1, 12)), int(rng.integers(1, 6))
    minutes = rng.integers(0, 30, z).astype(float)
    matrix = rng.integers(0, 4, (rows, z)) * (rng.random((rows, z)) < 0.7)
    rhs = np.floor(matrix @ minutes * rng.choice([0.3, 0.6, 0.9, 1.2], rows))
    got = rounded(minutes, matrix, rhs, value=rng.choice([1.0, 3.0, 100.0], z), need=rng.random(z) < 0.3)
    assert (matrix @ got.minutes <= rhs).all() and (got.minutes <= minutes).all()
    one_more = (matrix @ got.minutes)[:, None] + matrix
    for zone in np.flatnonzero(got.minutes < minutes).tolist():
        assert (one_more[:, zone] > rhs).any()


@pytest.mark.parametrize("seed", range(150))
def test_never_breaks_a_limit(seed):
    rng = np.random.default_rng(seed)
    z, rows = int(rng.integers(1, 60)), int(rng.integers(1, 8))
    minutes = rng.uniform(0, 30, z) * (rng.random(z) < 0.8)
    matrix = rng.uniform(0, 3, (rows, z)) * (rng.random((rows, z)) < 0.6)
    rhs = matrix @ minutes * rng.choice([1.0, 1.0, 1.0 - 1e-7, 0.9, 1.3], rows)
    step = rng.choice([0.1, 0.5, 1.0, 2.0], z)
    largest, smallest = rng.uniform(5, 40, z), rng.choice([0.0, 2.0, 3.0], z)
    result = rounded(
        minutes,
        matrix,
        rhs,
        step=step,
        smallest=smallest,
        largest=largest,
        value=rng.random(z),
        need=rng.random(z) < 0.2,
    )
    assert np.all(matrix @ result.minutes <= rhs * (1 + 1e-12))
    assert np.all(result.minutes <= largest + 1e-9)
    assert np.all((result.minutes == 0) | (result.minutes >= smallest - 1e-9))
    assert np.allclose(result.minutes / step, np.rint(result.minutes / step), atol=1e-9)
    assert np.all(result.minutes[minutes == 0] == 0)
    assert np.all((result.minutes < minutes + step) | result.lifted)


def test_floor_losses_are_given_back_on_a_large_site():
    # Plain flooring of 400 zones loses about half a minute each, 200 min; with the limits at the plan nearly all
    # comes back.
    rng = np.random.default_rng(5)
    minutes, flow = rng.uniform(5, 30, 400), rng.uniform(0.8, 3.2, 400)
    result = rounded(minutes, flow, [flow @ minutes])
    lost = 1 - flow @ result.minutes / (flow @ minutes)
    assert 0 <= lost < 1e-3


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"step": 0.0}, "resolution_min"),
        ({"smallest": -1.0}, "smallest_run_min"),
        ({"largest": np.nan}, "largest_run_min"),
        ({"value": np.inf}, "value"),
    ],
)
def test_bad_values_are_refused(change, match):
    with pytest.raises(ValueError, match=match):
        rounded([1.0, 2.0], [[1, 1]], [5.0], **change)


def test_bad_limits_are_refused():
    with pytest.raises(ValueError, match="limit_rhs"):
        rounded([1.0, 2.0], [[1, 1]], [-1.0])
    with pytest.raises(ValueError, match="limit_matrix"):
        rounded([1.0, 2.0], [[1, -1]], [1.0])
    with pytest.raises(ValueError, match="limit_matrix: expected shape"):
        rounded([1.0, 2.0], [[1, 1, 1]], [1.0])


def test_the_last_step_of_a_limit_goes_to_the_zone_of_most_worth():
    # 10 min of a limit, one minute of each zone uses one. Floors 4 + 5 leave 1 min; zone 0 is worth ten times as much,
    # though zone 1 lacks more of its step: 10 x 0.5 against 1 x 0.9.
    got = round_minutes(
        np.array([4.5, 5.9]),
        np.ones(2),
        np.zeros(2),
        np.full(2, np.inf),
        sparse.csr_matrix(np.ones((1, 2))),
        np.array([10.0]),
        np.array([10.0, 1.0]),
        np.zeros(2, dtype=bool),
    )
    assert got.minutes.tolist() == [5.0, 5.0]


def test_where_a_limit_is_passed_the_zone_of_least_worth_gives_first():
    # 8 min of a limit for 6 + 4: two steps are taken, both from the zone worth a hundredth.
    for worth, left in ((np.array([1.0, 100.0]), [4.0, 4.0]), (np.array([100.0, 1.0]), [6.0, 2.0])):
        got = round_minutes(
            np.array([6.0, 4.0]),
            np.ones(2),
            np.zeros(2),
            np.full(2, np.inf),
            sparse.csr_matrix(np.ones((1, 2))),
            np.array([8.0]),
            worth,
            np.zeros(2, dtype=bool),
        )
        assert got.minutes.tolist() == left


def test_of_short_runs_the_one_of_most_worth_is_lifted():
    # Smallest run 5 min, plans of 3; a limit of 5 min has room for one of them.
    for worth, lifted in ((np.array([1.0, 2.0]), [0.0, 5.0]), (np.array([2.0, 1.0]), [5.0, 0.0])):
        got = round_minutes(
            np.array([3.0, 3.0]),
            np.ones(2),
            np.full(2, 5.0),
            np.full(2, np.inf),
            sparse.csr_matrix(np.ones((1, 2))),
            np.array([5.0]),
            worth,
            np.ones(2, dtype=bool),
        )
        assert got.minutes.tolist() == lifted
