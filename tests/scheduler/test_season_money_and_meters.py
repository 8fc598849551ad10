"""Steps of an allocation, and on which nights a source with two meters counts as metered."""

from types import SimpleNamespace

import numpy as np
import pytest

from scheduler.season.account import source_part
from scheduler.season.money import allocation_steps
from scheduler.season.reconcile import source_covered, source_read, source_volume


def test_each_step_is_billed_for_its_own_water():
    # Of 1,000 m3 steps begin at 30 and 60 %: of 700 used 300 lie in the first and 100 in the second.
    site = SimpleNamespace(allocation=SimpleNamespace(volume=1000.0, tiers=((0.6, 0.9), (0.3, 0.5))))
    first, second = allocation_steps(site, 700.0)
    assert (first.above, first.volume, first.cost) == (300.0, 300.0, 150.0)
    assert (second.above, second.volume, second.cost) == (600.0, pytest.approx(100.0), pytest.approx(90.0))
    assert [step.volume for step in allocation_steps(site, 200.0)] == [0.0, 0.0]


def two_meters():
    """Two meters of a well over four nights: both read, one missed, one not yet there, none read; a lake never is."""
    return SimpleNamespace(
        meters=[SimpleNamespace(source="well"), SimpleNamespace(source="well"), SimpleNamespace(source="lake")],
        covered=np.array([[1, 1, 1, 0], [1, 0, 0, 0], [0, 0, 0, 0]], dtype=bool),
        standing=np.array([[1, 1, 1, 1], [1, 1, 0, 1], [1, 1, 1, 1]], dtype=bool),
        volume=np.array([[5.0, 5.0, 5.0, 0.0], [2.0, 0.0, 0.0, 0.0], [0.0, 0.0, 0.0, 0.0]]),
        spread=np.zeros((3, 4)),
    )


def test_a_source_is_metered_where_every_meter_that_stands_is_read():
    metered = two_meters()
    assert source_covered(metered, "well").tolist() == [True, False, True, False]
    assert source_read(metered, "well").tolist() == [True, True, True, False]
    assert source_volume(metered, "well")[0].tolist() == [7.0, 5.0, 5.0, 0.0]
    assert not source_covered(metered, "lake").any() and not source_read(metered, "lake").any()


def test_meter_and_log_are_compared_on_nights_on_which_no_meter_is_missing():
    # One zone on the well logs 6 m3 every night. On the two nights that are read whole the meters saw 7 + 5 of its 12;
    # what one meter saw on the second night counts as metered and not against the log.
    record = SimpleNamespace(
        months=("2026-07",),
        month=np.zeros(4, dtype=int),
        zones=SimpleNamespace(sources=["well"], share=np.ones((1, 1))),
        logged=SimpleNamespace(volume=np.full((1, 4), 6.0), estimated=np.zeros((1, 4))),
        metered=two_meters(),
        site=SimpleNamespace(sources=[], meter_error=0.02),
        use=np.full((1, 4), 6.0),
        from_meter=np.zeros((1, 1), dtype=bool),
    )
    [row] = source_part(record)
    assert (row.metered_nights, row.nights) == (2, 4)
    assert (row.metered_m3, row.logged_on_metered_nights_m3) == (17.0, 12.0)
    assert row.difference_m3 == 0.0 and not row.beyond_error
    assert row.error_m3 == pytest.approx(0.02 * 12.0)
