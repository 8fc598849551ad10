"""Laws of the daily balance: mass to 1e-9 mm, limits, monotony, and that a run is its days one after the other."""

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from models import soil
from models.runoff import effective_rain
from tests.drawn import examples

ZONES, NIGHTS = 3, 6
TOLERANCE = 1e-9  # [mm], as the design asks

share = st.floats(0.0, 1.0)
depth = st.floats(0.0, 80.0) | st.just(0.0)


@st.composite
def runs(draw):
    """Arguments of run_balance over a few zones and nights, from dry sand greens to soaked clay."""
    table = {name: draw(arrays(float, (ZONES, NIGHTS), elements=depth)) for name in ("irrigation", "rain")}
    table["etc"] = draw(arrays(float, (ZONES, NIGHTS), elements=st.floats(0.0, 14.0)))
    table["p"] = draw(arrays(float, (ZONES, NIGHTS), elements=st.floats(0.0, 0.95)))
    taw = draw(arrays(float, ZONES, elements=st.floats(0.5, 300.0)))
    start = taw * draw(arrays(float, ZONES, elements=share))
    return start, table["irrigation"], table["etc"], table["rain"], taw, table["p"]


@examples(150)
@given(runs())
def test_mass_closes_every_day_and_over_the_run(case):
    start, irrigation, etc, rain, taw, p = case
    run = soil.run_balance(*case)
    before = np.column_stack([start, run.depletion[:, :-1]])
    closed = before - irrigation - rain + run.etc_actual + run.drainage
    np.testing.assert_allclose(run.depletion, closed, atol=TOLERANCE, rtol=0)
    total = start + (run.etc_actual + run.drainage - irrigation - rain).sum(axis=1)
    np.testing.assert_allclose(run.depletion[:, -1], total, atol=TOLERANCE, rtol=0)


@examples(150)
@given(runs())
def test_limits_hold(case):
    start, irrigation, etc, rain, taw, _ = case
    run = soil.run_balance(*case)
    before = np.column_stack([start, run.depletion[:, :-1]])
    assert np.all((run.depletion >= 0) & (run.depletion <= taw[:, None]))
    assert np.all((run.stress >= 0) & (run.stress <= 1))
    assert np.all((run.etc_actual >= 0) & (run.etc_actual <= etc))
    assert np.all(run.drainage >= 0)
    # No drainage from a soil below field capacity: in the night only what passes it, by day only what ends at it.
    in_the_night = np.maximum(irrigation - before, 0.0)
    by_day = run.drainage - in_the_night
    assert np.all(by_day >= -TOLERANCE)
    assert np.all(by_day <= rain + TOLERANCE)
    assert np.all(run.depletion[by_day > TOLERANCE] == 0)
    assert np.all((run.depletion <= run.etc_actual + TOLERANCE)[in_the_night > 0])


@examples(80)
@given(runs(), arrays(float, (ZONES, NIGHTS), elements=st.floats(0.0, 20.0)))
def test_more_water_never_leaves_a_zone_drier_nor_drains_less(case, extra):
    start, irrigation, etc, rain, taw, p = case
    less = soil.run_balance(*case)
    more = soil.run_balance(start, irrigation + extra, etc, rain, taw, p)
    # A mm of water can lift the day's ET by at most etc / ((1 - p) TAW) mm through Ks. Where that is at most 1, what
    # does not leave as ET keeps the soil wetter or drains; the law is stated for the days up to the first where it is
    # not.
    gain = etc / ((1 - p) * taw[:, None])
    calm = np.cumprod(gain <= 1, axis=1).astype(bool)
    assert np.all((more.depletion <= less.depletion + TOLERANCE)[calm])
    assert np.all((more.etc_actual >= less.etc_actual - TOLERANCE)[calm])
    assert np.all((more.drainage >= less.drainage - TOLERANCE)[calm])


@examples(60)
@given(runs())
def test_a_run_is_its_days(case):
    start, irrigation, etc, rain, taw, p = case
    run = soil.run_balance(*case)
    state = start
    for n in range(NIGHTS):
        day = soil.balance_day(state, irrigation[:, n], etc[:, n], rain[:, n], taw, p[:, n])
        for name in ("depletion", "etc_actual", "drainage", "stress"):
            np.testing.assert_array_equal(getattr(run, name)[:, n], getattr(day, name))
        state = day.depletion


@examples(150)
@given(
    arrays(float, ZONES, elements=st.floats(0.0, 400.0)),
    arrays(float, ZONES, elements=st.floats(0.0, 50.0)),
    arrays(float, ZONES, elements=st.floats(1.0, 100.0)),
    arrays(float, ZONES, elements=st.floats(0.01, 1.0)),
)
@example(np.array([0.1, 12.3, 385.22538247]), np.zeros(3), np.full(3, 100.0), np.ones(3))  # 0.1^2 / 0.1 is above 0.1
def test_effective_rain_is_a_part_of_rain_grows_with_rain_and_falls_with_the_curve_number(rain, more_rain, cn, share):
    effective, runoff = effective_rain(rain, cn)
    assert np.all((effective >= 0) & (effective <= rain) & (runoff >= 0))
    np.testing.assert_allclose(effective + runoff, rain, atol=TOLERANCE, rtol=0)
    assert np.all(effective_rain(rain + more_rain, cn)[0] >= effective - TOLERANCE)
    assert np.all(effective_rain(rain, cn * share)[0] >= effective - TOLERANCE)


@examples(100)
@given(st.floats(0.0, 1.0), st.floats(0.0, 0.9), st.floats(1.0, 300.0), share)
def test_stress_falls_as_the_soil_dries(dry, p, taw, drier):
    first, second = sorted((dry, drier))
    ks = soil.stress_coefficient([first * taw, second * taw], [taw, taw], [p, p])
    assert 0 <= ks[1] <= ks[0] <= 1
