"""Cycles and rounding by second calculations, zone by zone, and each refusal by its name."""

import numpy as np
import pytest
from scipy import sparse

from models.night import cycles as c
from models.night import rounding
from models.night.rounding import round_minutes


def split_by_hand(minutes, step, rate, infiltration, storage, smallest, longest, soak):
    """Cycles of one zone: lengths, soak, whether one is too long, whether the soak was cut."""
    steps = round(minutes / step)
    if np.isnan(longest):
        longest = 60.0 * storage / (rate - infiltration) if rate > infiltration else np.inf
    fewest = 1
    while steps and -(-steps // fewest) * step > longest + 1e-9 and -(-steps // fewest) > 1:
        fewest += 1
    count = 0 if not steps else min(fewest, max(steps // max(int(np.ceil(smallest / step - 1e-9)), 1), 1))
    lengths = [(steps // count + (k < steps % count)) * step for k in range(count)]
    asked = soak
    if np.isnan(soak):
        stored = max(lengths, default=0.0) * max(rate - infiltration, 0.0)
        asked = (stored / infiltration if infiltration > 0 else np.inf) if stored > 0 else 0.0
    held = min(asked, 60.0) if np.isnan(soak) else asked
    rest = np.ceil(held / step - 1e-9) * step if count > 1 else 0.0
    return lengths, rest, any(n > longest + 1e-9 for n in lengths), count > 1 and np.isnan(soak) and asked > 60.0


def drawn(seed, zones=40):
    rng = np.random.default_rng(seed)
    step = rng.choice([0.1, 0.5, 1.0, 2.0], zones)
    return {
        "minutes": rng.integers(0, 40, zones) * step,
        "resolution_min": step,
        "rate": rng.uniform(5, 60, zones),
        "infiltration": rng.choice([0.0, 3.0, 10.0, 30.0], zones),
        "storage": rng.choice([0.0, 2.0, 7.0], zones),
        "smallest_cycle_min": rng.choice([0.0, 2.0, 5.0], zones),
        "longest_override_min": np.where(rng.random(zones) < 0.3, rng.uniform(1, 20, zones), np.nan),
        "soak_override_min": np.where(rng.random(zones) < 0.3, rng.uniform(0, 90, zones), np.nan),
    }


@pytest.mark.parametrize("seed", range(5))
def test_runs_are_split_as_one_would_by_hand(seed):
    given = drawn(seed)
    found = c.split_into_cycles(**given)
    for z in range(40):
        lengths, soak, over, capped = split_by_hand(*(v[z] for v in given.values()))
        own = found.zone == z
        np.testing.assert_allclose(found.length[own], lengths)
        assert found.order[own].tolist() == list(range(len(lengths))) and found.count[z] == len(lengths)
        assert found.soak[z] == pytest.approx(soak)
        assert (found.over_longest[z], found.soak_capped[z]) == (over, capped)


def laid(spans, lengths, soak):
    """Whether cycles fit one after the other, as early as they can, each within one span."""
    at = -np.inf
    for n in lengths:
        starts = [max(opens, at) for opens, closes in spans if max(opens, at) + n <= closes + 1e-6]
        if not starts:
            return False
        at = min(starts) + n + soak
    return True


@pytest.mark.parametrize("seed", range(4))
def test_the_longest_run_of_a_night_tried_minute_by_minute(seed):
    rng = np.random.default_rng(seed)
    zones = 6
    step, rate, infiltration = (
        rng.choice([1.0, 2.0], zones),
        rng.uniform(10, 50, zones),
        rng.choice([8.0, 15.0, 60.0], zones),
    )
    storage, nothing = rng.uniform(2, 6, zones), np.full(zones, np.nan)
    spans = np.full((zones, 2, 2), np.nan)
    for z in range(zones):
        opens = float(rng.integers(0, 20))
        spans[z, 0] = opens, opens + float(rng.integers(20, 80))
        if rng.random() < 0.5:
            spans[z, 1] = spans[z, 0, 1] + 10.0, spans[z, 0, 1] + 10.0 + float(rng.integers(10, 50))
    found = c.longest_in_hours(spans, step, rate, infiltration, storage, nothing, nothing)
    for z in range(zones):
        own = spans[z][~np.isnan(spans[z, :, 0])].tolist()
        whole = sum(closes - opens for opens, closes in own)
        best = 0.0
        for n in range(1, int(whole / step[z] + 1e-9) + 1):
            given = [np.array([v]) for v in (n * step[z], step[z], rate[z], infiltration[z], storage[z], 0.0)]
            one = c.split_into_cycles(*given)
            if one.count[0] == 1 or laid(own, one.length.tolist(), one.soak[0]):
                best = n * step[z] if one.count[0] > 1 or laid(own, one.length.tolist(), 0.0) else best
        longest = 60.0 * storage[z] / (rate[z] - infiltration[z]) if rate[z] > infiltration[z] else np.inf
        if longest >= whole:
            best = np.floor(whole / step[z] + 1e-9) * step[z]  # it needs no soak: a gap may cut it
        assert found[z] == pytest.approx(best)


def test_a_soil_that_keeps_up_and_one_that_takes_nothing():
    rate, takes, room = np.array([10.0, 10.0, 20.0]), np.array([10.0, 12.0, 0.0]), np.array([5.0, 5.0, 5.0])
    assert c.longest_cycle(rate, takes, room).tolist() == [np.inf, np.inf, 15.0]
    assert c.soak_minutes(np.full(3, 6.0), rate, takes).tolist() == [0.0, 0.0, np.inf]
    assert c.soak_minutes(np.zeros(1), np.array([20.0]), np.zeros(1)).tolist() == [0.0]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("minutes", [1.0, -1.0]), ("minutes", [1.0, np.nan]), ("minutes", [1.0, 0.55]),
        ("resolution_min", [0.1, 0.0]), ("resolution_min", [0.1, np.inf]), ("resolution_min", [0.1]),
        ("smallest_cycle_min", [0.0, -1.0]), ("smallest_cycle_min", [0.0, np.inf]), ("smallest_cycle_min", [0.0]),
        ("longest_override_min", [5.0, 0.0]), ("longest_override_min", [5.0]), ("soak_override_min", [5.0, -1.0]),
        ("soak_override_min", [5.0, np.inf]), ("soak_override_min", [5.0]), ("rate", [1.0, -1.0]), ("rate", [1.0]),
        ("infiltration", [1.0, np.inf]), ("storage", [1.0, -1.0]), ("storage", [1.0, np.nan]),
    ],
)  # fmt: skip
def test_one_value_of_cycles_that_cannot_be_is_refused_by_its_name(name, value):
    given = {k: v[:2] for k, v in drawn(0).items()} | {"minutes": np.ones(2), "resolution_min": np.full(2, 0.1)}
    with pytest.raises(ValueError, match=name.replace("storage", "storage|shapes")):
        c.split_into_cycles(**given | {name: np.array(value)})
    with pytest.raises(ValueError, match="slope"):
        c.surface_storage(np.array([1.0, np.nan]))


# --------------------------------------------------------------------------------------------------------- rounding


def rounded(minutes, limit, **changes):
    z = len(minutes)
    given = {
        "resolution_min": np.ones(z), "smallest_run_min": np.zeros(z), "largest_run_min": np.full(z, np.inf),
        "limit_matrix": sparse.csr_matrix(np.ones((1, z))), "limit_rhs": np.array([float(limit)]), "value": np.ones(z),
        "need": np.zeros(z, bool),
    }  # fmt: skip
    return round_minutes(np.array(minutes, float), **given | changes)


def test_what_became_of_each_run_is_told():
    # planned 4.6 rises, 9.0 stays, 1.0 of a smallest 3 is dropped, 2.0 of 3 is lifted, 8.0 is cut to its largest run
    found = rounded(
        [4.6, 9.0, 1.0, 2.0, 8.0], 100.0,
        smallest_run_min=np.full(5, 3.0), largest_run_min=np.array([np.inf, np.inf, np.inf, np.inf, 6.0]),
    )  # fmt: skip
    assert found.minutes.tolist() == [5.0, 9.0, 0.0, 3.0, 6.0]
    assert np.flatnonzero(found.raised).tolist() == [0] and np.flatnonzero(found.lifted).tolist() == [3]
    assert np.flatnonzero(found.dropped).tolist() == [2] and np.flatnonzero(found.cut).tolist() == [4]
    assert found.difference_min == pytest.approx(23.0 - 24.6) and found.steps.tolist() == [5, 9, 0, 3, 6]


def test_half_of_the_smallest_run_is_lifted_and_less_is_not():
    for planned, kept in ((1.5, 3.0), (1.49, 0.0)):
        assert rounded([planned], 100.0, smallest_run_min=np.array([3.0])).minutes.tolist() == [kept]
    assert rounded([0.49], 100.0, smallest_run_min=np.ones(1)).minutes.tolist() == [0.0]
    narrow = {"smallest_run_min": np.array([3.0]), "largest_run_min": np.array([2.9])}
    assert rounded([2.5], 100.0, **narrow).minutes.tolist() == [0.0]  # there is no run between 3 and 2.9
    exact = {"smallest_run_min": np.array([3.0]), "largest_run_min": np.array([3.0])}
    assert rounded([2.5], 100.0, **exact).minutes.tolist() == [3.0]


def test_a_run_that_a_limit_cuts_below_what_is_useful_does_not_run_and_gives_its_room():
    # 4 + 6 min of a limit of 8, smallest 3: the first is worth less and would be left 2, so it is dropped; the second
    # keeps 6
    found = rounded([4.0, 6.0], 8.0, smallest_run_min=np.full(2, 3.0), value=np.array([1.0, 8.0]))
    assert found.minutes.tolist() == [0.0, 6.0] and found.dropped.tolist() == [True, False] and not found.cut.any()


def test_steps_given_in_turn_among_zones_of_like_worth():
    # three zones alike, two steps too many: one each of the two largest uses, not two of one
    use = sparse.csr_matrix(np.array([[1.0, 1.1, 1.2]]))
    value = np.array([1.0, 1.1, 1.2])
    found = rounded([10.0, 10.0, 10.0], 33.0 - 2.2, limit_matrix=use, value=value)
    assert found.minutes.tolist() == [10.0, 9.0, 9.0]
    double = sparse.csr_matrix(np.array([[2.0]]))  # 3 too many at 2 a minute are two minutes
    assert rounded([10.0], 17.0, limit_matrix=double).minutes.tolist() == [8.0]


def test_a_raise_needs_room_in_every_limit_and_stops_at_the_largest_run():
    both = sparse.csr_matrix(np.array([[1.0, 1.0], [1.0, 0.0]]))
    found = rounded([4.6, 4.7], 0.0, limit_matrix=both, limit_rhs=np.array([20.0, 4.8]))
    assert found.minutes.tolist() == [4.0, 5.0]
    assert rounded([4.6], 100.0, largest_run_min=np.array([4.9])).minutes.tolist() == [4.0]
    assert rounded([4.6], 100.0, largest_run_min=np.array([5.0])).minutes.tolist() == [5.0]
    assert rounded([4.6, 0.0], np.inf).minutes.tolist() == [5.0, 0.0]
    # of like worth, the larger remainder; of unlike, worth times remainder
    assert rounded([4.4, 4.6], 9.0, value=np.array([2.0, 1.0])).minutes.tolist() == [5.0, 4.0]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("resolution_min", [1.0, 0.0]), ("resolution_min", [1.0, np.inf]), ("resolution_min", [1.0]),
        ("smallest_run_min", [0.0, -1.0]), ("smallest_run_min", [0.0, np.inf]), ("largest_run_min", [1.0, -1.0]),
        ("largest_run_min", [1.0, np.nan]), ("value", [1.0, np.nan]), ("value", [1.0]), ("need", [True]),
        ("limit_rhs", [-1.0]), ("limit_rhs", [np.nan]), ("limit_rhs", [[1.0]]),
    ],
)  # fmt: skip
def test_one_value_of_rounding_that_cannot_be_is_refused_by_its_name(name, value):
    with pytest.raises(ValueError, match=name if name != "limit_rhs" else "limit_"):
        rounded([1.0, 2.0], 5.0, **{name: np.array(value)})
    for minutes in ([1.0, -1.0], [1.0, np.inf], [[1.0, 2.0]]):
        with pytest.raises(ValueError, match="minutes"):
            rounded(minutes, 5.0)
    for wrong in ([[1.0, -1.0]], [[1.0, np.inf]], [[1.0, 1.0, 1.0]]):
        with pytest.raises(ValueError, match="limit_matrix"):
            rounded([1.0, 2.0], 5.0, limit_matrix=sparse.csr_matrix(np.array(wrong)))


def test_what_adding_up_left_over_a_limit_goes_as_any_step_does():
    # 6 + 5 steps of a limit of 10: the one that can wait gives; of two that cannot the one of less worth; within
    # round-off nothing does
    columns = rounding._Columns(sparse.csr_matrix(np.ones((1, 2))), np.array([10.0]), np.ones(2))
    for value, need, left in (
        ([1.0, 9.0], [True, False], [6, 4]), ([1.0, 9.0], [True, True], [5, 5]), ([9.0, 1.0], [True, True], [6, 4]),
    ):  # fmt: skip
        steps = np.array([6, 5])
        columns.settle_roundoff(steps, np.array(value), np.array(need))
        assert steps.tolist() == left
    within = rounding._Columns(sparse.csr_matrix(np.ones((1, 2))), np.array([11.0 * (1 - 1e-12)]), np.ones(2))
    steps = np.array([6, 5])
    within.settle_roundoff(steps, np.ones(2), np.ones(2, bool))
    assert steps.tolist() == [6, 5] and within.left[0] < 0
