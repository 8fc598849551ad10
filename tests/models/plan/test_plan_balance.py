"""The root zone in the smallest linear programs, each with its optimum worked out by hand.

Everywhere one minute is 1 mm is 1 m3, water costs 0.2 per m3, TAW 40 mm, RAW and dry limit 20 mm, wet limit 2 mm. So
by the docstring of `prices`: a dry millimetre costs 5 x 0.2 = 1, a very dry one 1.5, a soft one 1 / (2 N), and one
missing from the last night's target (the middle of the band, 11 mm) 1.5 x 0.2 = 0.3; a shortfall 1.02 x (1.5 + 0.3) in
one night.
"""

import numpy as np
import pytest

from models.soil import run_balance
from tests.drawn import some
from tests.models.plan.plans import drawn_plan, net_depth, plan, solved


def check(inputs, minutes, depletion, objective):
    result, _ = solved(inputs)
    assert net_depth(inputs, result) == pytest.approx(np.atleast_2d(minutes), abs=1e-6)
    assert result.depletion == pytest.approx(np.atleast_2d(depletion), abs=1e-6)
    assert result.objective == pytest.approx(objective, abs=1e-6)
    return result


def test_balance_of_one_night():
    # D = 10 + 5 - x; each mm above 11 costs 0.3 and a minute 0.2: x = 4, cost 4 x 0.2.
    check(plan(), [4.0], [11.0], 0.8)


def test_balance_needs_nothing():
    # D = 3 + 5 = 8 is wetter than the target: any water would be for nothing.
    check(plan(depletion=3.0), [0.0], [8.0], 0.0)


def test_rain_takes_the_place_of_water():
    # D = 10 + 5 - 3 = 12: one minute is left to do.
    check(plan(effective_rain=3.0), [1.0], [11.0], 0.2)


def test_balance_carries_over_two_nights():
    # Unwatered 15, 20: never above the dry limit, so the last night is each zone's own: all 9 mm then, from 15 to 6 mm.
    check(plan(nights=2), [0.0, 9.0], [15.0, 11.0], 1.8)


def test_only_the_drier_quarter_counts():
    # Net rate 0.8: 4 mm net take 5 minutes. Target price 1.5 x 0.2 / 0.8 a mm against 0.25.
    result, _ = solved(inputs := plan(net_rate=0.8))
    assert result.run_times(inputs).sum() == pytest.approx(5.0, abs=1e-6)
    assert result.objective == pytest.approx(5 * 0.2, abs=1e-6)


def test_dry_where_water_runs_out():
    # 2 minutes at most: D = 20 + 5 - 2 = 23, 3 mm dry and 12 mm over target: 2 x 0.2 + 3 x 1 + 12 x 0.3.
    result = check(plan(depletion=20.0, max_run=2.0), [2.0], [23.0], 7.0)
    assert result.dry == pytest.approx(3.0)


def test_at_the_dry_limit_nothing_is_dry():
    # 5 minutes at most: D = 20 exactly; 5 x 0.2 + 9 x 0.3.
    result = check(plan(depletion=20.0, max_run=5.0), [5.0], [20.0], 3.7)
    assert result.dry == pytest.approx(0.0, abs=1e-9)


def test_very_dry_costs_more():
    # D = 34 - 1 = 33, no ET: 10 mm dry up to halfway to TAW, 3 mm very dry, 22 over target: 0.2 + 10 + 4.5 + 6.6.
    check(plan(depletion=34.0, etc=0.0, max_run=1.0), [1.0], [33.0], 21.3)


def test_steepening_sends_water_to_the_driest():
    # 4 m3 for zones at 28 and 34 mm: below 30 mm a mm is worth 1, above it 1.5, so all goes to the second:
    # 8 + 10 mm dry, 17 + 19 over target: 4 x 0.2 + 18 + 36 x 0.3.
    inputs = plan(2, depletion=[28.0, 34.0], etc=0.0, allocation=4.0)
    check(inputs, [[0.0], [4.0]], [[28.0], [30.0]], 29.6)


def test_softness_is_not_bought_for_the_target():
    # Wet limit 8, target 14, D = 12 + 8 - x. To 16 mm (x = 4) free of softness; beyond, 0.3 does not pay 0.2 + 0.5.
    result = check(plan(wet_limit=8.0, depletion=12.0, etc=8.0), [4.0], [16.0], 4 * 0.2 + 2 * 0.3)
    assert result.soft == pytest.approx(0.0, abs=1e-9)


def test_softness_is_bought_against_dryness():
    # Wet 8, dry 14, target 11, D = 12 + 10 - x. Above 14 mm a minute spares 1.3 and costs 0.2 + 0.5 of softness: x = 8,
    # 4 mm soft; below 14 mm it spares 0.3 only. 8 x 0.2 + 4 x 0.5 + 3 x 0.3, and a hundredth of the price more for the
    # 4 mm beyond the run the zone by itself would have, which ends at the firmness limit: 4 x 0.002.
    result = check(plan(wet_limit=8.0, dry_limit=14.0, depletion=12.0, etc=10.0), [8.0], [14.0], 4.508)
    assert result.soft == pytest.approx(4.0)


def test_an_event_keeps_the_surface_firm():
    # The same with a weight of 4: softness costs 2, more than the 1.3 a minute spares: x = 4. 0.8 + 4 x 1 + 7 x 0.3.
    result = check(plan(wet_limit=8.0, dry_limit=14.0, depletion=12.0, etc=10.0, wet_weight=4.0), [4.0], [18.0], 6.9)
    assert result.soft == pytest.approx(0.0, abs=1e-9)


def test_wet_before_any_water_is_counted_soft_but_cannot_be_helped():
    # D = 5 on opening under a wet limit of 8: 3 mm soft at 0.5 whatever is done; end D = 10 is under the target 14.
    inputs = plan(wet_limit=8.0, depletion=5.0, nights=2, etc=2.5)
    result = check(inputs, [0.0, 0.0], [7.5, 10.0], (3.0 + 0.5) * 0.25)
    assert result.soft == pytest.approx(np.array([[3.0, 0.5]]))


def test_softness_counts_where_no_watering_is_allowed():
    # The same 3 and 0.5 mm, though no zone may run.
    result, _ = solved(plan(wet_limit=8.0, depletion=5.0, nights=2, etc=2.5, allowed=False))
    assert result.soft == pytest.approx(np.array([[3.0, 0.5]]))


def test_water_stops_at_field_capacity():
    # Dry limit 12, target 7, D = 3 + 18 - x. A minute spares 1.3 and costs at most 0.7, but only 3 mm have room:
    # x = 3 with 2 mm soft; D = 18: 0.6 + 2 x 0.5 + 6 x 1 + 11 x 0.3, and 2 x 0.002 beyond the zone's own run.
    result = check(plan(dry_limit=12.0, depletion=3.0, etc=18.0), [3.0], [18.0], 10.904)
    assert result.drainage == pytest.approx(0.0)


def test_stress_takes_the_share_of_fao56():
    # No water. D = 30: Ks = (40 - 30) / (40 - 20) = 0.5 (FAO-56 Eq. 84), so ET is 4 of 8 mm and D = 34.
    # 10 dry, 4 very dry, 23 over target, 4 short at 1.836: 10 + 6 + 6.9 + 7.344.
    result = check(plan(depletion=30.0, etc=8.0, max_run=0.0), [0.0], [34.0], 30.244)
    assert result.shortfall == pytest.approx(4.0)


def test_water_of_the_night_relieves_stress_the_same_date():
    # 6 minutes: Ks at 24 mm = 0.8, ET 6.4 mm, D = 30.4.
    result, _ = solved(inputs := plan(depletion=30.0, etc=8.0, max_run=6.0))
    assert result.depletion == pytest.approx(30.4)
    assert net_depth(inputs, result) == pytest.approx(6.0)


def test_no_stress_down_to_raw():
    # D = 20 = RAW: Ks = 1, all 5 mm are taken although the zone ends dry.
    result, _ = solved(plan(depletion=20.0, max_run=0.0))
    assert result.depletion == pytest.approx(25.0)
    assert result.shortfall == pytest.approx(0.0, abs=1e-9)


def test_depletion_never_passes_taw():
    result, _ = solved(plan(depletion=40.0, etc=8.0, nights=3, max_run=0.0))
    assert result.depletion == pytest.approx(40.0)
    assert result.shortfall == pytest.approx(8.0)


def test_a_shortfall_is_not_taken_to_save_the_last_night():
    # The tempting case: on the last date a very dry mm costs 1.5 and is 0.3 over target. At D = 31 of TAW = 40,
    # Ks = 0.45: ET 0.9 of 2 mm. Taking less ET than that would spare 1.8 a mm and must not pay.
    result, _ = solved(plan(depletion=31.0, etc=2.0, max_run=0.0))
    assert result.shortfall == pytest.approx(1.1)
    assert result.depletion == pytest.approx(31.9)


def test_rain_drains_only_what_passes_field_capacity():
    # D = 10 + 5 - 25 < 0: 10 mm drain, D = 0.
    result, _ = solved(plan(effective_rain=25.0))
    assert result.drainage == pytest.approx(10.0)
    assert result.depletion == pytest.approx(0.0, abs=1e-9)


def test_rain_that_fits_does_not_drain():
    # 12 mm fit into 10 + 5 mm; under a wet limit of 18 on the next night draining them would look firmer.
    inputs = plan(nights=2, effective_rain=[[12.0, 0.0]], wet_limit=18.0, wet_weight=[[1.0, 9.0]], max_run=0.0)
    result, _ = solved(inputs)
    assert result.drainage == pytest.approx(0.0, abs=1e-9)
    assert result.depletion == pytest.approx(np.array([[3.0, 8.0]]))


def test_a_storm_is_not_drained_before_it_comes():
    # 17 mm tonight into 2 + 3 mm: 12 drain. Then 6 and 13 mm, soft before an event (limit 18, weight 4); on the last
    # date 17 mm into 13 + 2: 2 drain. Draining these 2 tonight instead would keep the event firmer at no later cost.
    inputs = plan(
        nights=4,
        depletion=2.0,
        etc=[[3.0, 6.0, 7.0, 2.0]],
        effective_rain=[[17.0, 0.0, 0.0, 17.0]],
        wet_limit=18.0,
        wet_weight=[[1.0, 1.0, 4.0, 4.0]],
        max_run=0.0,
    )
    result, _ = solved(inputs)
    assert result.drainage == pytest.approx(np.array([[12.0, 0.0, 0.0, 2.0]]))
    assert result.depletion == pytest.approx(np.array([[0.0, 6.0, 13.0, 0.0]]))


def test_a_storm_on_shallow_dry_soil_has_a_plan():
    # TAW 5 at wilting point: no ET is taken, 10 mm rain refill 5 and 5 drain, more than rain - ETc = 2.
    inputs = plan(
        taw=5.0, raw=2.0, dry_limit=2.0, wet_limit=0.5, depletion=5.0, etc=8.0, effective_rain=10.0, max_run=0.0
    )
    result, _ = solved(inputs)
    assert result.drainage == pytest.approx(5.0)


@pytest.mark.drawn
@pytest.mark.parametrize("seed", some(range(60), 20))
def test_the_plan_follows_the_physical_balance(seed):
    # ET, stress and drainage under the plan's minutes are those of `models.soil.run_balance`, whatever is short.
    rng = np.random.default_rng(seed)
    inputs = drawn_plan(rng, int(rng.integers(1, 9)), int(rng.integers(1, 8)))
    result, _ = solved(inputs)
    fraction = inputs.raw / inputs.taw[:, None]
    water = net_depth(inputs, result)
    day = run_balance(inputs.depletion, water, inputs.etc, inputs.effective_rain, inputs.taw, fraction)
    assert result.depletion == pytest.approx(day.depletion, abs=1e-6)
    assert result.drainage == pytest.approx(day.drainage, abs=1e-6)
    assert inputs.etc - result.shortfall == pytest.approx(day.etc_actual, abs=1e-6)
