"""The extra for uneven catch: what it buys where it never rains, and what it wastes where rain fills every part."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.uneven_catch import PLACE_SHARE, Ground, Worth, played, weigh

WORTH = Worth(et=8.0, soft=0.35, run=1.0)
DAYS = 42


def ground(rain, etc=5.0, owed=0.0, du=0.7, zones=1, followed=False):
    one = np.ones((zones, DAYS))
    return Ground(
        etc=etc * one,
        rain=np.broadcast_to(rain, one.shape).astype(float),
        raw=12.0 * one,
        dry_limit=12.0 * one,
        taw=30.0 * np.ones(zones),
        wet_limit=np.zeros(zones),
        du_lq=du * np.ones(zones),
        owed=owed * np.ones(zones),
        followed=np.full(zones, followed),
    )


def every(nights, amount):
    return np.where(np.arange(DAYS) % nights == nights - 1, amount, 0.0)


def extra(ground_, worth=WORTH):
    most = 0.4 + 0.6 * ground_.du_lq
    return weigh(ground_, np.zeros(ground_.taw.size, dtype=int), np.full(ground_.taw.size, 100.0), most, worth)


def test_a_season_without_rain_gets_the_whole_extra_and_a_rainy_one_little():
    dry, showery, wet = (extra(ground(rain)).extra[0] for rain in (0.0, every(7, 20.0), every(4, 25.0)))
    assert dry >= 0.9 and wet <= 0.2
    assert dry >= showery >= wet


def test_turf_worth_more_gets_no_less_of_the_extra():
    found = [extra(ground(every(6, 18.0)), replace(WORTH, et=et)).extra[0] for et in (1.0, 4.0, 8.0, 16.0, 40.0)]
    assert found == sorted(found) and found[0] < found[-1]


def test_the_choice_never_leaps():
    # rain a little more each time: the extra falls in small steps, though both ends of it may cost the same
    found = [extra(ground(every(7, mm))).extra[0] for mm in np.linspace(0.0, 45.0, 91)]
    assert found[0] >= 0.9 and found[-1] < 0.5
    assert np.abs(np.diff(found)).max() <= 0.25


def test_where_the_filter_follows_the_dry_places_part_of_the_extra_is_there_already():
    alone, followed = (played(ground(0.0, followed=f), np.array([[1.0, 0.82]]), WORTH) for f in (False, True))
    assert followed.water[0, 0] > alone.water[0, 0] + 10.0 and followed.met[0, 0] > alone.met[0, 0]
    gained = [c.missed[0, 0] - c.missed[0, 1] for c in (alone, followed)]
    assert gained[1] < 0.75 * gained[0]  # what the same extra still buys


def test_even_catch_asks_for_no_extra():
    found = extra(ground(0.0, du=1.0))
    np.testing.assert_allclose(found.share, 1.0)
    np.testing.assert_allclose(np.diff(found.course.cost), 0.0, atol=1e-9)


def test_what_drains_counts_towards_leaching():
    # rain at times, so that the extra hardly pays by itself; where salt asks for water to drain it costs less
    cheap, salty = (played(ground(every(9, 12.0), owed=o), np.array([[1.0, 0.82]]), WORTH) for o in (0.0, 0.25))
    assert (cheap.drained[:, 1] > cheap.drained[:, 0]).all()
    costs_more = [c.cost[0, 1] - c.cost[0, 0] for c in (cheap, salty)]
    assert costs_more[1] < costs_more[0]


def test_the_driest_quarter_of_a_rainless_course_by_hand():
    # Runs made for the mean, ET 5, from a depletion of 0.2 x 12 = 2.4. After date 1 it is 7.4 and another 5 would pass
    # 12: a run of 5.0 on night 2 and again on nights 3 and 4, which start from 7.4 as well: 15 mm in four nights. The
    # driest quarter gets 3.5 of each 5 and falls behind by 1.5 a night: 2.4, 7.4, 8.9, 10.4, without stress.
    few = replace(ground(0.0), **{k: getattr(ground(0.0), k)[:, :4] for k in ("etc", "rain", "raw", "dry_limit")})
    found = played(few, np.array([[1.0]]), WORTH)
    assert found.water[0, 0] == pytest.approx(15.0)
    # the wettest quarter gets 6.5: 7.4 leaves 0.9, then 5.9 lets 0.6 drain and 5.0 lets 1.5 drain, a quarter of it each
    assert found.drained[0, 0] == pytest.approx((0.6 + 1.5) / 4) and found.met[0, 0] == 1.0


def test_days_before_it_counts_only_bring_places_to_where_they_stand():
    whole, late = (played(ground(0.0), np.array([[1.0]]), WORTH, first) for first in (0, 30))
    one = np.ones((1, 30))
    early = replace(ground(0.0), etc=5.0 * one, rain=0.0 * one, raw=12.0 * one, dry_limit=12.0 * one)
    before = played(early, np.array([[1.0]]), WORTH)
    for name in ("water", "drained", "missed", "soft"):
        np.testing.assert_allclose(getattr(late, name), getattr(whole, name) - getattr(before, name), atol=1e-9)
    assert late.met[0, 0] == pytest.approx(0.7, abs=0.01)  # it has long fallen behind: it takes what it gets


@given(
    rain=st.lists(st.floats(0.0, 40.0), min_size=DAYS, max_size=DAYS),
    etc=st.floats(0.5, 9.0),
    du=st.floats(0.45, 1.0),
    owed=st.floats(0.0, 0.5),
)
def test_water_is_kept_and_more_extra_is_never_drier(rain, etc, du, owed):
    found = extra(ground(np.array(rain), etc, owed, du))
    course = found.course
    assert found.extra.shape == (1,) and 0.0 <= found.extra[0] <= 1.0
    np.testing.assert_allclose(found.share, 1.0 - found.extra[0] * 0.6 * (1.0 - du))
    assert course.cost[0, 1] <= 1.02 * course.cost[0, 0] + 1e-9  # about as cheap as none of it, if not cheaper
    assert PLACE_SHARE.sum() == 1.0 and course.water.shape == (1, 2)
    # all that entered went into ET, drained, or is held: what is held lies between nothing and TAW
    entered = course.water + np.sum(rain)
    et = etc * DAYS - course.missed
    held = entered - et - course.drained  # gained since the start, mean depletion 0.2 of the band then
    assert (held <= 2.4 + 1e-6).all() and (held >= 2.4 - 30.0 - 1e-6).all()


def test_a_share_of_nothing_is_refused():
    with pytest.raises(ValueError, match="most"):
        weigh(ground(0.0), np.zeros(1, dtype=int), np.ones(1), np.zeros(1), WORTH)


def test_the_larger_zone_of_a_surface_decides_its_extra():
    # One zone dry all season, one with more rain than it uses; together they get what suits the larger one.
    both = ground(np.stack((np.zeros(DAYS), every(4, 25.0))), zones=2)
    most, alike = np.full(2, 0.82), np.zeros(2, dtype=int)
    dry, wet = (weigh(both, alike, np.array(area), most, WORTH).extra[0] for area in ([99.0, 1.0], [1.0, 99.0]))
    assert dry >= 0.9
    assert wet <= 0.2


def test_where_soft_ground_matters_more_less_of_the_extra_is_given():
    firm = replace(ground(0.0), wet_limit=np.full(1, 4.0))
    found = [extra(firm, replace(WORTH, soft=soft)).extra[0] for soft in (0.0, 2.0, 8.0)]
    assert found == sorted(found, reverse=True) and found[0] > found[-1]
