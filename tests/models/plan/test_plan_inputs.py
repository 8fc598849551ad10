"""What a plan refuses: every promise of `PlanInputs` broken once, with the argument named."""

from dataclasses import replace

import numpy as np
import pytest

from models.plan.edits import equal_inputs
from models.plan.inputs import Cut, Tier
from tests.models.plan.plans import plan

GOOD = plan(
    2,
    3,
    2,
    pump_of_zone=0,
    pump_capacity=[20.0],
    branch_of_zone=0,
    branch_capacity=[10.0],
    controller_of_zone=0,
    stations_at_once=[2.0],
)
ARRAYS = (
    "effective_rain taw raw dry_limit wet_limit depletion net_rate flow area max_run priority wet_weight block_length "
    "energy_price allowed pump_of_zone pump_energy branch_of_zone controller_of_zone zone_supply source_price "
    "source_daily source_monthly month_of_night"
).split()
FINITE = (
    "etc effective_rain taw raw dry_limit wet_limit depletion net_rate flow area max_run wet_weight block_length "
    "energy_price pump_energy supply_share source_price"
).split()
NOT_NEGATIVE = (
    "etc effective_rain wet_limit depletion max_run wet_weight block_length pump_capacity pump_energy branch_capacity "
    "stations_at_once source_daily source_monthly supply_share source_price"
).split()
POSITIVE = "taw raw dry_limit net_rate flow area".split()
NUMBERS = sorted({*FINITE, *NOT_NEGATIVE})


def with_first(name, value):
    """The good plan with the first number of an array changed."""
    array = getattr(GOOD, name).copy()
    array.flat[0] = value
    return replace(GOOD, **{name: array})


@pytest.mark.parametrize("name", ARRAYS)
def test_a_wrong_shape_is_refused(name):
    array = getattr(GOOD, name)
    with pytest.raises(ValueError, match=rf"^(?:{name}: shape|allowed: shape|month_of_night: shape)"):
        replace(GOOD, **{name: np.concatenate([array, array[:1]])})


@pytest.mark.parametrize("name", ["etc", "source_monthly", "supply_share", "block_length"])
def test_a_wrong_number_of_dimensions_is_refused(name):
    with pytest.raises(ValueError, match="shape"):
        replace(GOOD, **{name: getattr(GOOD, name).ravel()})


@pytest.mark.parametrize("shape", [(0, 3), (2, 0)])
def test_no_zone_or_no_night_is_refused(shape):
    with pytest.raises(ValueError, match="etc: shape .* at least one zone and one night"):
        replace(GOOD, etc=np.zeros(shape))


@pytest.mark.parametrize("name", FINITE)
@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_what_must_be_finite(name, value):
    with pytest.raises(ValueError, match=f"^{name}: every value must be finite"):
        with_first(name, value)


@pytest.mark.parametrize("name", NOT_NEGATIVE)
def test_what_must_not_be_negative(name):
    with pytest.raises(ValueError, match=f"^{name}: every value must be 0 or above"):
        with_first(name, -1.0)


@pytest.mark.parametrize(
    "name", ["pump_capacity", "branch_capacity", "stations_at_once", "source_daily", "source_monthly"]
)
def test_a_limit_may_be_endless_but_not_unknown(name):
    assert np.isinf(getattr(with_first(name, np.inf), name)).any()
    with pytest.raises(ValueError, match=f"^{name}: every value must be 0 or above"):
        with_first(name, np.nan)


@pytest.mark.parametrize("name", POSITIVE)
@pytest.mark.parametrize("value", [0.0, -1.0])
def test_what_must_be_positive(name, value):
    with pytest.raises(ValueError, match=f"^{name}: every value must be above 0"):
        with_first(name, value)


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        ("raw", 40.0, "raw: must be below TAW"),
        ("dry_limit", 40.0, "dry_limit: must be below TAW"),
        ("wet_limit", 20.0, "wet_limit: must be below the dry limit"),
        ("depletion", 40.1, "depletion: must not pass TAW"),
        ("priority", 0, "priority: ranks begin at 1"),
        ("supply_share", 0.9, "supply_share: each row must sum to 1"),
        ("pump_of_zone", 1, "pump_of_zone: every index must be -1 to 0"),
        ("pump_of_zone", -2, "pump_of_zone: every index must be -1 to 0"),
        ("branch_of_zone", 1, "branch_of_zone: every index must be -1 to 0"),
        ("controller_of_zone", 1, "controller_of_zone: every index must be -1 to 0"),
        ("month_of_night", 1, "month_of_night: every index must be 0 to 0"),
        ("month_of_night", -1, "month_of_night: every index must be 0 to 0"),
    ],
)
def test_an_order_that_does_not_hold_is_refused(name, value, message):
    with pytest.raises(ValueError, match=message):
        with_first(name, value)


@pytest.mark.parametrize("volume", [-1.0, np.nan])
def test_an_impossible_allocation_is_refused(volume):
    with pytest.raises(ValueError, match="allocation: must be 0 or above"):
        replace(GOOD, allocation=volume)


@pytest.mark.parametrize(
    "tiers",
    [
        (Tier(10.0, 1.0), Tier(5.0, 2.0)),
        (Tier(5.0, 2.0), Tier(10.0, 1.0)),
        (Tier(5.0, -1.0),),
        (Tier(-5.0, 1.0),),
        (Tier(np.nan, 1.0),),
        (Tier(5.0, np.nan),),
    ],
)
def test_tiers_that_do_not_rise_are_refused(tiers):
    with pytest.raises(ValueError, match="tiers: must rise in volume and price"):
        replace(GOOD, tiers=tiers)


@pytest.mark.parametrize(("zones", "nights"), [(3, 3), (2, 2)])
def test_an_order_of_the_wrong_shape_is_refused(zones, nights):
    with pytest.raises(ValueError, match="cuts: 'order' needs zones of shape"):
        replace(GOOD, cuts=(Cut("order", np.ones(zones, dtype=bool), np.ones(nights)),))


@pytest.mark.parametrize("volume", [-1.0, np.nan])
def test_an_order_below_zero_is_refused(volume):
    with pytest.raises(ValueError, match="cuts: every volume must be 0 or above"):
        replace(GOOD, cuts=(Cut("order", np.ones(2, dtype=bool), np.full(3, volume)),))


def test_plans_differ_where_either_has_a_cut_or_a_tier_more():
    plain, tier = plan(), plan(tiers=(Tier(5.0, 2.0),))
    cut = plan(cuts=(Cut("order", np.array([True]), np.array([3.0])),))
    assert equal_inputs(plain, plan())
    for other in (tier, cut):
        assert not equal_inputs(plain, other)
        assert not equal_inputs(other, plain)
        assert equal_inputs(other, replace(other))
