"""A programme keyed with few values: what its stations then run, and what may not be touched for it."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.night.percent import Leeway, as_percent
from models.night.playback import keyed_minutes
from models.night.programmes import Programme
from tests.drawn import examples

STANDS = Programme(0, 1, (0, 1, 2), (10.0, 20.0, 30.0), (1300.0,))


def leeway(off=1.0, shortest=2.0, longest=60.0, flow=1.0, like=0, zones=3):
    full = [np.full(zones, float(x)) for x in (off, shortest, longest, flow)]
    return Leeway(*full, np.full(zones, like))


def ways(now, step=1.0, fewest=2, before=STANDS, **given):
    return as_percent(before, replace(STANDS, minutes=now), step, fewest, leeway(**given))


def test_a_step_off_is_not_keyed():
    # 9, 21 and 30 min are wanted of 10, 20 and 30: one a step more, one a step less, no more water in all.
    (found,) = ways((9.0, 21.0, 30.0))
    assert found == replace(STANDS, minutes=(10.0, 20.0, 30.0))


def test_nothing_is_given_more_water_in_all_for_it():
    # Two stations would run a step longer than wanted; they are keyed, and the third stays a step short.
    (found,) = ways((9.0, 19.0, 31.0), fewest=5)
    assert found.minutes == (9.0, 19.0, 30.0)


def test_zones_that_draw_on_other_limits_do_not_make_up_for_each_other():
    apart = replace(leeway(), like=np.array([0, 1, 1]))
    (found,) = as_percent(STANDS, replace(STANDS, minutes=(9.0, 21.0, 30.0)), 1.0, 5, apart)
    assert found.minutes == (9.0, 20.0, 30.0)


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ({}, 10.0),
        ({"off": 0.0}, 11.0),  # a flush, the manager's word, a depth that matters
        ({"shortest": 10.5}, 11.0),  # what stands is no run worth making
    ],
)
def test_a_step_short_is_keyed_where_it_matters(given, kept):
    found = ways((11.0, 20.0, 30.0), fewest=5, **given)
    assert (found[0].minutes if found else (11.0, 20.0, 30.0))[0] == kept


def test_no_run_is_longer_than_its_longest_for_it():
    for longest, kept in ((30.0, 30.0), (29.0, 29.0)):
        found = ways((10.0, 21.0, 29.0), fewest=5, longest=longest, flow=1.0)
        assert found[0].minutes[2] == kept


def test_a_percent_is_changed_where_it_saves_enough():
    # 108 % comes to 11, 22 and 32 of 11, 22 and 32: one value in place of three.
    assert ways((11.0, 22.0, 32.0), fewest=2, off=0.0)[0].percent == 108.0
    assert ways((11.0, 22.0, 32.0), fewest=3, off=0.0) == []


@given(st.integers(0, 100_000))
@examples(150)
def test_what_is_told_comes_to_tonight_s_minutes(seed):
    rng = np.random.default_rng(seed)
    z, step = int(rng.integers(1, 20)), float(rng.choice([0.5, 1.0, 2.0]))
    stations = tuple(range(z))
    before = Programme(0, 1, stations, tuple((rng.integers(2, 60, z) * step).tolist()), (1300.0,))
    before = replace(before, percent=float(rng.choice([100, 100, 87, 130])))
    now = np.rint(np.array(before.minutes) * rng.uniform(0.5, 1.5) / step + rng.integers(-1, 2, z))
    now = np.maximum(now, 2) * step
    order = rng.permutation(z)[: max(z - int(rng.integers(0, 3)), 1)]
    planned = replace(before, zones=tuple(order.tolist()), minutes=tuple(now[order].tolist()), percent=100.0)
    room = Leeway(
        np.where(rng.random(z) < 0.8, step, 0.0), np.full(z, 2 * step), rng.uniform(20, 80, z), rng.uniform(1, 3, z),
        rng.integers(0, 2, z),
    )  # fmt: skip
    stood = dict(zip(before.zones, before.minutes, strict=True))
    keyed_at_100 = sum(stood[k] != m for k, m in zip(planned.zones, planned.minutes, strict=True))
    for found in as_percent(before, planned, step, 3, room):
        run = np.array([keyed_minutes(m, found.percent, step) for m in found.minutes])
        off = run - np.array(planned.minutes)
        at = np.array(planned.zones)
        assert (np.abs(off) <= room.off[at] + 1e-9).all()
        assert (run[off > 1e-9] <= room.longest[at][off > 1e-9] + 1e-9).all()
        assert (run[off < -1e-9] >= room.shortest[at][off < -1e-9] - 1e-9).all()
        for kind in (0, 1):
            assert (off * room.flow[at])[room.like[at] == kind].sum() <= 1e-6
        values = sum(stood[k] != m for k, m in zip(found.zones, found.minutes, strict=True))
        assert values + (found.percent != before.percent) < keyed_at_100 + (before.percent != 100.0)
