"""What a case of less gains by the steps of its later nights, it gives back."""

from dataclasses import dataclass, replace
from itertools import permutations
from types import SimpleNamespace

import numpy as np
import pytest

from scheduler.whatif import evening, given_back
from scheduler.whatif.given_back import _shorten, no_better
from scheduler.whatif.measures import course_of

NONE = SimpleNamespace(flushes=(), upkeep=())


def running(outcome, minutes):
    """An outcome with other run times (Z, N)."""
    plan = outcome.plan
    course = course_of(plan.site, plan.inputs, plan.salt, outcome.run.result, minutes)
    return replace(outcome, run=replace(outcome.run, minutes_by_night=minutes), course=course, same=False)


def by_rank(outcome):
    priority, dry = outcome.plan.site.zones.priority, outcome.course.dry.sum(axis=1)
    return [float(dry[priority == rank].sum()) for rank in np.unique(priority)]


@pytest.mark.parametrize("less", [0.3, 0.7, 1.0])
def test_no_rank_stays_less_dry_before_a_higher_one_is_drier(standing, less):
    usual = standing.as_it_is
    minutes, step = usual.run.minutes_by_night, usual.plan.inputs.resolution[:, None]
    shorter = minutes.copy()
    shorter[:, 1:] = np.floor((1 - less) * minutes[:, 1:] / step) * step
    more = running(usual, shorter)
    assert sum(by_rank(more)) > sum(by_rank(usual)) + 1.0  # it is drier, though it takes no less: by its later nights
    found = no_better(replace(usual, same=False), more)
    changes = np.subtract(by_rank(found), by_rank(more))
    differs = np.flatnonzero(np.abs(changes) > 0.05)
    assert not differs.size or changes[differs[0]] > 0.0
    given = found.run.minutes_by_night
    np.testing.assert_array_equal(given[:, 0], minutes[:, 0])
    assert (given <= minutes).all() and (given < minutes).any()
    least = usual.plan.inputs.smallest_run[:, None]
    assert ((given == minutes) | (given == 0) | (given >= least - 1e-9)).all()
    np.testing.assert_allclose(given / step, np.round(given / step), atol=1e-9)
    np.testing.assert_allclose(found.run.balance.depletion, found.course.depletion)
    np.testing.assert_array_equal(found.course.minutes, given)


def test_what_gains_nothing_stays_as_it_is(standing):
    usual = standing.as_it_is
    drier = running(usual, usual.run.minutes_by_night * [1.0, 0.0, 0.0, 0.0])
    assert no_better(usual, usual) is usual and no_better(drier, usual) is drier


@pytest.mark.parametrize(
    ("changes", "gives_back"),
    [
        ([-2.0, 0.0, -1.0], [0, 2]),
        ([0.0, -2.0, 0.0], [1]),
        ([3.0, -2.0, -1.0], []),  # a higher rank is drier: what the others gain is its own
        ([-2.0, 3.0, -1.0], [0]),
        ([0.04, -2.0, 0.0], [1]),  # what is printed alike is not drier
    ],
)
def test_ranks_give_back_until_one_is_drier(monkeypatch, changes, gives_back):
    asked = []

    def shorten(one, minutes, zones, wanted):
        asked.append((zones.tolist(), wanted))
        return wanted

    monkeypatch.setattr(given_back, "_shorten", shorten)
    dry = np.array(changes)[:, None]
    site = SimpleNamespace(zones=SimpleNamespace(priority=np.array([1, 2, 5])))
    one, other = (
        SimpleNamespace(
            plan=SimpleNamespace(site=site), run=SimpleNamespace(minutes_by_night=np.ones((3, 2))),
            course=SimpleNamespace(dry=9.0 + d),
        )
        for d in (dry, 0.0 * dry)
    )  # fmt: skip
    assert no_better(one, other) is one  # nothing was shortened here
    assert asked == [([rank], -changes[rank]) for rank in gives_back]


def one_zone(smallest, minutes):
    """A zone of 1 mm/min, 10 mm of 100 depleted, told dry from 14 mm on, 5 mm of ET a day."""
    zone = {k: np.array([v]) for k, v in (("net_rate", 1.0), ("depletion", 10.0), ("taw", 100.0))}
    days = {k: np.full((1, 2), v) for k, v in (("etc", 5.0), ("effective_rain", 0.0))}
    inputs = SimpleNamespace(
        plan=SimpleNamespace(zones=1, **zone, **days), resolution=np.array([1.0]), smallest_run=np.array([smallest]),
        depletion_fraction=np.full((1, 2), 0.5), fresh_limit=np.full((1, 2), 12.0),
    )  # fmt: skip
    run = SimpleNamespace(result=NONE)
    return SimpleNamespace(plan=SimpleNamespace(inputs=inputs), run=run), np.array([minutes])


@pytest.mark.parametrize(
    ("smallest", "wanted", "left", "drier"),
    [
        (1.0, 2.0, 1.0, 2.0),  # 10 - 5 + 5 = 10, less 1 is 9, and 5 of ET: 14 mm, 2 past the limit
        (1.0, 2.5, 0.0, 3.0),  # 2 mm are not enough
        (3.0, 2.0, 0.0, 3.0),  # a run of 1 min is not worth making
        (1.0, 9.0, 0.0, 3.0),  # no more is to be had: tonight stays
        (1.0, 0.04, 8.0, 0.0),  # what is printed alike is no gain
    ],
)
def test_steps_are_taken_until_a_zone_is_drier_by_so_much(smallest, wanted, left, drier):
    outcome, minutes = one_zone(smallest, [5.0, 8.0])
    assert _shorten(outcome, minutes, np.array([0]), wanted) == pytest.approx(drier)
    assert minutes.tolist() == [[5.0, left]]


def test_a_night_of_a_flush_is_not_shortened():
    outcome, minutes = one_zone(1.0, [5.0, 8.0])
    flush = SimpleNamespace(zone=0, nights=(1,))
    outcome.run = SimpleNamespace(result=SimpleNamespace(flushes=(flush,), upkeep=()))
    assert _shorten(outcome, minutes, np.array([0]), 2.0) == 0.0 and minutes.tolist() == [[5.0, 8.0]]


@dataclass(frozen=True)
class Told:
    """A case of so much water: how dry it is, and whether that can be given back."""

    plan: int
    dry: float
    back: bool = True
    same: bool = False


def sets(*cases):
    return [Told(*case) for case in cases]


@pytest.mark.parametrize(
    ("own", "dry"),
    [
        (sets((3, 5.0), (2, 4.0), (1, 6.0)), [5.0, 5.0, 6.0]),  # the second gives back
        (sets((3, 5.0), (2, 4.0, False), (1, 6.0)), [4.0, 4.0, 6.0]),  # it cannot, so the first runs as it does
        (sets((3, 5.0), (2, 6.0), (1, 2.0, False)), [2.0, 2.0, 2.0]),
        (sets((3, 5.0, True, True), (2, 4.0, False)), [5.0, 4.0]),  # tonight's plan stays what it is
        (sets((3, 5.0), (2, 4.0, True, True)), [4.0, 4.0]),
        (sets((2, 5.0), (2, 4.0)), [4.0, 4.0]),  # as much water: the better of the two
    ],
)
def test_of_cases_side_by_side_none_comes_before_one_that_takes_no_less(monkeypatch, own, dry):
    monkeypatch.setattr(evening, "takes_no_more", lambda one, other: one <= other)
    monkeypatch.setattr(evening, "comes_before", lambda one, other: one.dry < other.dry)
    monkeypatch.setattr(evening, "running", lambda one, other: replace(one, dry=other.dry))
    monkeypatch.setattr(evening, "no_better", lambda one, other: replace(one, dry=max(one.dry, other.dry))
                        if one.back else one)  # fmt: skip
    for order in permutations(range(len(own))):
        found = evening.without_gains([own[i] for i in order])
        assert [found[order.index(i)].dry for i in range(len(own))] == dry
