"""Cycle and soak: hand-worked cases and laws."""

import numpy as np
import pytest

from models.night import Gentle, longest_cycle, soak_minutes, split_into_cycles, surface_storage
from models.night.cycles import LEAST_REST, LEAST_STORAGE, LONGEST_SOAK, MOST_FINER


def split(minutes, *, step=1.0, rate=40.0, infiltration=10.0, storage=5.0, smallest=2.0, longest=None, soak=None):
    minutes = np.asarray(minutes, dtype=float)
    full = [np.full(minutes.shape, x, dtype=float) for x in (step, rate, infiltration, storage, smallest)]
    return split_into_cycles(minutes, *full, longest_override_min=longest, soak_override_min=soak)


def test_cycle_and_soak_by_hand():
    # 40 mm/h on a soil that takes 10 mm/h with room for 5 mm: 30 mm/h are stored, full after 60 * 5 / 30 = 10 min;
    # the 5 mm are gone after 60 * 5 / 10 = 30 min. A run of 25 min: 3 cycles of 9, 8, 8 min; the 9 min leave 4.5 mm:
    # soak 27 min.
    assert longest_cycle(np.array([40.0]), np.array([10.0]), np.array([5.0]))[0] == 10.0
    assert soak_minutes(np.array([10.0]), np.array([40.0]), np.array([10.0]))[0] == 30.0
    cycles = split([25.0])
    assert cycles.length.tolist() == [9.0, 8.0, 8.0]
    assert cycles.order.tolist() == [0, 1, 2]
    assert cycles.soak.tolist() == [27.0]


def test_one_cycle_where_the_soil_keeps_up():
    cycles = split([25.0], infiltration=40.0)
    assert cycles.length.tolist() == [25.0]
    assert cycles.soak.tolist() == [0.0]


def test_a_zone_that_does_not_run_has_no_cycle():
    cycles = split([0.0, 12.0, 0.0])
    assert cycles.zone.tolist() == [1, 1]
    assert cycles.count.tolist() == [0, 2, 0]


def test_a_cycle_is_never_below_the_smallest_useful_one():
    # Longest 10 min, smallest useful 8: 12 min would be 6 + 6, so it stays one cycle, and is marked.
    cycles = split([12.0], smallest=8.0)
    assert cycles.length.tolist() == [12.0]
    assert cycles.over_longest.tolist() == [True]


def test_the_managers_own_cycle_and_soak_stand():
    cycles = split([20.0, 20.0], longest=np.array([5.0, np.nan]), soak=np.array([12.5, np.nan]))
    assert cycles.count.tolist() == [4, 2]
    assert cycles.soak.tolist() == [13.0, 30.0]  # up to whole minutes; 10 min cycles need 30


def test_a_soil_that_takes_nothing_gets_the_longest_soak_and_is_marked():
    cycles = split([20.0], infiltration=0.0, storage=8.0)  # 60 * 8 / 40 = 12 min
    assert cycles.length.tolist() == [10.0, 10.0]
    assert cycles.soak.tolist() == [60.0]
    assert cycles.soak_capped.tolist() == [True]


def test_water_left_after_a_cycle_is_gone_after_the_soak():
    rng = np.random.default_rng(3)
    rate, infiltration, storage = rng.uniform(5, 60, 200), rng.uniform(4, 40, 200), rng.uniform(1, 8, 200)
    longest = longest_cycle(rate, infiltration, storage)
    outruns = np.isfinite(longest)
    stored = (rate - infiltration) * longest / 60
    assert np.allclose(stored[outruns], storage[outruns], rtol=1e-12)
    soak = soak_minutes(longest[outruns], rate[outruns], infiltration[outruns])
    assert np.allclose(infiltration[outruns] * soak / 60, storage[outruns], rtol=1e-12)


@pytest.mark.parametrize("seed", range(40))
def test_cycles_add_up_and_keep_their_limits(seed):
    rng = np.random.default_rng(seed)
    z = 50
    step = rng.choice([0.1, 0.5, 1.0, 2.0], z)
    minutes = rng.integers(0, 60, z) * step
    rate, infiltration, storage = rng.uniform(5, 60, z), rng.uniform(0, 40, z), rng.uniform(0, 8, z)
    smallest = rng.choice([0.0, 1.0, 3.0], z)
    cycles = split_into_cycles(minutes, step, rate, infiltration, storage, smallest)
    assert np.allclose(np.bincount(cycles.zone, cycles.length, z), minutes, atol=1e-9)
    steps = cycles.length / step[cycles.zone]
    assert np.allclose(steps, np.rint(steps), atol=1e-9)
    longest = longest_cycle(rate, infiltration, storage)[cycles.zone]
    assert np.all((cycles.length <= longest + 1e-9) | cycles.over_longest[cycles.zone])
    assert np.all(cycles.length >= np.minimum(smallest, minutes)[cycles.zone] - 1e-9)
    assert np.all(np.diff(cycles.zone) >= 0)


def gentle(*, rate=12.5, infiltration=2.5, smallest=5.0, room=480.0, zones=1):
    return Gentle(*(np.full(zones, x, dtype=float) for x in (rate, infiltration, smallest, room)))


def finer(minutes, by, **given):
    full = [np.array([x]) for x in (1.0, 10.0, 7.5, 7.6, 2.0)]
    return split_into_cycles(np.array([minutes]), *full, **given, gentle=by)


def test_cycles_are_finer_where_there_is_time_by_hand():
    # 10 mm/h where 7.5 go in, with room for 7.6 mm: 120 min are one cycle. The slowest such soil takes 2.5, and 12.5
    # fall on the wettest quarter: 10 mm/h are stored, 2.5 mm after 15 min, gone after another 60.
    assert finer(75.0, None).length.tolist() == [75.0]
    found = finer(75.0, gentle(room=540.0))
    assert found.length.tolist() == [15.0] * 5 and found.soak.tolist() == [60.0] and found.finer.tolist() == [True]
    # In 235 min there is less rest: 160 min over 4 rests.
    assert finer(75.0, gentle(room=235.0)).soak.tolist() == [40.0]
    # In 180 min there are 105 to rest, three times 30 at least: four cycles, with 35 min each.
    found = finer(76.0, gentle(room=181.0))
    assert found.length.tolist() == [19.0] * 4 and found.soak.tolist() == [35.0]
    # Eight would be asked: six are enough, with the longest rest.
    found = finer(120.0, gentle(room=540.0))
    assert found.length.tolist() == [20.0] * 6 and found.soak.tolist() == [60.0]
    # Three cycles of 40 min would need rests of 760: what still stands when they are capped is no matter of six of 20.
    slow = [np.array([x]) for x in (120.0, 1.0, 10.0, 0.5, 7.6, 2.0)]
    assert split_into_cycles(*slow).soak_capped.tolist() == [True]
    assert split_into_cycles(*slow, gentle=gentle(room=540.0)).soak_capped.tolist() == [False]
    # No rest fits, or the smallest cycle is the run: as it must be, and so is a run that the manager has cut.
    for by in (gentle(room=140.0), gentle(room=0.0), gentle(smallest=61.0)):
        found = finer(120.0, by)
        assert found.length.tolist() == [120.0] and found.finer.tolist() == [False] and found.soak.tolist() == [0.0]
    assert finer(120.0, gentle(), longest_override_min=np.array([90.0])).count.tolist() == [2]
    assert finer(120.0, gentle(), soak_override_min=np.array([5.0])).count.tolist() == [1]


@pytest.mark.parametrize("seed", range(20))
def test_finer_cycles_keep_their_room_and_store_no_more_than_lawns_hold(seed):
    rng = np.random.default_rng(seed)
    z = 60
    step = rng.choice([0.1, 0.5, 1.0, 2.0], z)
    minutes = rng.integers(0, 200, z) * step
    rate, infiltration, storage = rng.uniform(5, 40, z), rng.uniform(3, 40, z), rng.uniform(3, 8, z)
    by = Gentle(rate * rng.uniform(1.1, 1.5, z), infiltration * rng.uniform(0.1, 1.0, z), rng.uniform(1, 8, z),
                rng.choice([0.0, 200.0, 480.0], z))  # fmt: skip
    fewest = split_into_cycles(minutes, step, rate, infiltration, storage, np.full(z, 1.0))
    cycles = split_into_cycles(minutes, step, rate, infiltration, storage, np.full(z, 1.0), gentle=by)
    cut = cycles.finer
    assert np.array_equal(cut, cycles.count > fewest.count) and (0 < seed or cut.any())
    assert np.array_equal(cycles.soak[~cut], fewest.soak[~cut])
    assert np.allclose(np.bincount(cycles.zone, cycles.length, z), minutes, atol=1e-9)
    assert np.all((minutes + (cycles.count - 1) * cycles.soak)[cut] <= by.room[cut] + 1e-6)
    assert np.all(cycles.soak[cut] <= LONGEST_SOAK + step[cut])
    assert np.all(cycles.length >= np.where(cut, by.smallest - step, 0.0)[cycles.zone] - 1e-9)
    longest = np.zeros(z)
    np.maximum.at(longest, cycles.zone, cycles.length)
    stored = (by.rate - by.infiltration) * (longest - step) / 60.0
    asked = np.ceil(minutes / np.maximum(longest_cycle(by.rate, by.infiltration, np.full(z, LEAST_STORAGE)), 1e-9))
    assert np.all(cycles.count[cut] <= MOST_FINER)
    roomy = (by.room - minutes > LEAST_REST * (asked + 1)) & (minutes > by.smallest * (asked + 1))
    free = cut & (asked <= MOST_FINER) & roomy
    assert np.all(stored[free] <= LEAST_STORAGE + 1e-9)


def test_storage_falls_with_the_slope():
    # Mark: memory (allowable surface accumulation, loam: 0.30, 0.25, 0.21, 0.17 in).
    assert surface_storage(np.array([3.0, 3.1, 6.0, 12.0, 12.1])).tolist() == [7.6, 6.4, 6.4, 5.3, 4.3]


def test_bad_arguments_are_refused():
    with pytest.raises(ValueError, match="whole steps"):
        split([5.5])
    with pytest.raises(ValueError, match="longest_override_min"):
        split([5.0], longest=np.array([0.0]))
    with pytest.raises(ValueError, match="slope"):
        surface_storage(np.array([-1.0]))
    with pytest.raises(ValueError, match="infiltration"):
        longest_cycle(np.array([1.0]), np.array([-1.0]), np.array([1.0]))
