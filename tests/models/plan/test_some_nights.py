"""Limits of some nights only: an order that begins later, a pump or a source out for a while, worked out by hand.

In `plan(...)` one minute is one millimetre is one cubic metre. A zone at 20 mm of 20 allowed uses 10 mm a day, and is
given them each night (its last night leaves it at the limit, no dearer than before).
"""

from dataclasses import replace

import numpy as np
import pytest

from models.plan.cases import Cases
from models.plan.inputs import Cut
from tests.models.plan.plans import plan, solved, water

ONE = np.ones(1, dtype=bool)


def needy(**given):
    return plan(nights=3, depletion=20.0, etc=10.0, **given)


def test_an_order_may_count_from_a_later_night_on():
    # 13 m3 wanted on the first night are out of its reach; of the others together 5 m3
    free, _ = solved(needy())
    order = Cut("order", ONE, np.array([np.inf, np.inf, 5.0]), 1)
    result, _ = solved(inputs := needy(cuts=(order,)))
    given = water(inputs, result)[0]
    assert given[1:].sum() == pytest.approx(5.0, abs=1e-6)
    assert given[0] >= water(needy(), free)[0][0] - 1e-6


def test_an_order_of_each_night_does_not_save_up():
    # 4 m3 a night: 4, 4, 4; added up over nights it would let the later ones have what an earlier one left
    each = tuple(Cut(f"night {n}", ONE, np.where(np.arange(3) == n, 4.0, np.inf), n) for n in range(3))
    result, _ = solved(inputs := needy(cuts=each))
    assert water(inputs, result)[0] == pytest.approx([4.0, 4.0, 4.0], abs=1e-6)


def test_a_pump_at_half_on_one_night():
    # 1 m3/min for 8 minutes a night; half of it on the second: 8, 4, 8
    pump = {"pump_of_zone": 0, "pump_capacity": [1000 / 60], "block_length": 8.0}
    result, _ = solved(inputs := needy(**pump, pump_share=np.array([[1.0, 0.5, 1.0]])))
    assert water(inputs, result)[0] == pytest.approx([8.0, 4.0, 8.0], abs=1e-6)


def test_a_source_out_on_one_night():
    result, _ = solved(inputs := needy(source_open=np.array([[True, False, True]])))
    given = water(inputs, result)[0]
    assert given[1] == 0.0 and given[0] > 10.0


@pytest.mark.parametrize(
    "change",
    [
        {"pump_share": np.array([[1.0, 0.25, 1.0]])},
        {"source_open": np.array([[True, False, True]])},
        {"cuts": (Cut("order", ONE, np.array([np.inf, 3.0, 3.0]), 1),)},
    ],
    ids=["pump", "source", "order"],
)
def test_a_loaded_plan_takes_them_on(change):
    pump = {"pump_of_zone": 0, "pump_capacity": [1000 / 60], "block_length": 12.0}
    base = needy(**pump)
    wanted = replace(base, **change)
    fresh, _ = solved(wanted)
    assert Cases(base).solver(wanted).solve().objective == pytest.approx(fresh.objective, rel=1e-9)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"pump_share": np.ones((1, 2))}, "pump_share: shape"),
        ({"pump_share": np.full((1, 3), -0.1)}, "pump_share: 0 or above"),
        ({"source_open": np.ones((2, 3), dtype=bool)}, "source_open: shape"),
        ({"cuts": (Cut("order", ONE, np.ones(3), 3),)}, "since must be a night"),
    ],
)
def test_what_cannot_be_is_refused(change, words):
    with pytest.raises(ValueError, match=words):
        replace(needy(pump_of_zone=0, pump_capacity=[5.0]), **change)
