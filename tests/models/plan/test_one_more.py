"""One more cubic metre in the allocation: the plan's next step worked out by hand, and against the plan solved anew.

In these plans one minute is one millimetre is one cubic metre (`plans.py`). Zones start at 19 mm, 1 mm before their dry
limit, and lose 5 mm a day; a zone needs 4 mm tonight to stay within it.
"""

import dataclasses

import numpy as np
import pytest

from models.plan.inputs import Tier
from tests.models.plan.plans import drawn_plan, laid_out, plan

GREEN_AND_ROUGH = {"zones": 2, "depletion": [19.0, 19.0], "priority": [1, 2]}


def one_more(**given):
    return laid_out(plan(**(GREEN_AND_ROUGH | given))).solve().one_more


def test_it_goes_to_the_rough_once_the_green_has_enough():
    # 6 m3: 4 to the green, 2 to the rough, which ends 2 mm too dry. The 7th makes that 1 mm, at the water's price.
    more = one_more(nights=1, allocation=6.0)
    np.testing.assert_allclose(more.volume, [0.0, 1.0], atol=1e-9)
    np.testing.assert_allclose(more.less_dry, [[0.0], [1.0]], atol=1e-9)
    assert more.bill == pytest.approx(0.2)


def test_it_goes_to_the_green_first_while_that_is_short():
    # 2 m3 are half of what the green needs
    more = one_more(nights=1, allocation=2.0)
    np.testing.assert_allclose(more.volume, [1.0, 0.0], atol=1e-9)
    np.testing.assert_allclose(more.less_dry, [[1.0], [0.0]], atol=1e-9)


def test_a_millimetre_lasts_but_wetter_turf_drinks_more():
    # 3 nights, 14 m3 for the green. The rough gets none: on the first date it is at RAW less 1 mm, Ks = 1; on the
    # second and third its ET falls with k = ETc / (TAW - RAW) = 5 / 20, so of 1 mm given tonight 1 - 1/4 is left after
    # the second date and (1 - 1/4)^2 after the third.
    more = one_more(nights=3, allocation=14.0)
    np.testing.assert_allclose(more.volume, [0.0, 1.0], atol=1e-9)
    np.testing.assert_allclose(more.less_dry, [[0, 0, 0], [1.0, 0.75, 0.5625]], atol=1e-9)


def test_at_a_price_the_bill_falls_and_nothing_else_changes():
    # 4 m3 each, 6 of them beyond the step at 0.4 each
    more = one_more(nights=1, tiers=(Tier(2.0, 0.4),))
    assert not more.volume.any() and not more.less_dry.any()
    assert more.bill == pytest.approx(-0.4)


def test_energy_is_in_the_bill():
    # 0.2 for the water and 0.5 kWh/m3 at 0.3
    given = {"pump_of_zone": 0, "pump_capacity": [1000.0], "pump_energy": [0.5], "energy_price": 0.3}
    assert one_more(nights=1, allocation=6.0, **given).bill == pytest.approx(0.35)


def test_enough_is_enough():
    assert one_more(nights=1, allocation=200.0) is None
    assert one_more(nights=1) is None


def test_at_a_corner_the_next_cubic_metre_counts_not_the_last():
    # Exactly 4 m3: the last went to the green, the next goes to the rough.
    more = one_more(nights=1, allocation=4.0)
    np.testing.assert_allclose(more.volume, [0.0, 1.0], atol=1e-9)
    np.testing.assert_allclose(more.less_dry, [[0.0], [1.0]], atol=1e-9)


@pytest.mark.parametrize("seed", range(12))
def test_it_is_what_a_plan_with_a_little_more_does(seed):
    little = 1e-3
    inputs = drawn_plan(np.random.default_rng(seed), 3 + seed % 5, 1 + seed % 4)
    inputs = dataclasses.replace(
        inputs, tiers=(), allocation=0.2 * inputs.allocation if seed % 2 else inputs.allocation
    )
    if not np.isfinite(inputs.allocation):
        inputs = dataclasses.replace(inputs, allocation=0.5 * float(inputs.area.sum()) / 1000.0)
    solver = laid_out(inputs)
    first = solver.solve()
    again = solver.solve()  # asking left the solver as it was
    np.testing.assert_allclose(again.run_time, first.run_time, atol=1e-6)
    after = laid_out(dataclasses.replace(inputs, allocation=inputs.allocation + little)).solve()
    price = sum(limit.price for limit in first.limits if limit.family == "allocation_limit")
    if first.one_more is None:
        assert price == 0.0
        return
    assert first.one_more.volume.sum() == pytest.approx(1.0, abs=1e-6)
    fall = (first.objective - after.objective) / little
    assert fall <= price * (1 + 1e-6)
    if fall == pytest.approx(price, rel=1e-4):  # not at a corner: the duals price the step
        spared = (first.dry - after.dry) / little
        np.testing.assert_allclose(spared.sum(), first.one_more.less_dry.sum(), rtol=1e-3, atol=1e-3)
