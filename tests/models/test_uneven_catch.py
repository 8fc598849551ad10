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


def test_more_than_the_full_extra_is_given_only_where_it_may_be():
    dear = replace(WORTH, et=80.0)
    given = (ground(0.0), np.zeros(1, dtype=int), np.ones(1), np.full(1, 0.82), dear, 0)
    full, more = (weigh(*given, up_to) for up_to in (1.0, 4 / 3))
    assert (full.extra[0], more.extra[0]) == (1.0, pytest.approx(4 / 3, abs=0.05))
    assert more.share[0] == pytest.approx(1.0 - more.extra[0] * 0.18)  # of its mean catch
    assert more.course.met[0, 1] > full.course.met[0, 1]
    with pytest.raises(ValueError, match="compared up to"):
        weigh(ground(0.0), np.zeros(1, dtype=int), np.ones(1), np.full(1, 0.4), dear, 0, 5 / 3)


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


def test_soft_nights_are_those_more_than_half_a_millimetre_short_after_a_run():
    # runs of 5 mm on nights 1 and 2; the wettest quarter of DU 0.5 gets 7.5 of them. From 5.6 (limit 4): 3.1, and then
    # nothing left; from 4.0 (limit 2): 1.5, which is half a millimetre short and counts as firm, and then nothing left
    few = replace(
        ground(0.0, du=0.5), **{k: getattr(ground(0.0), k)[:, :3] for k in ("etc", "rain", "raw", "dry_limit")}
    )
    for limit, nights in ((4.0, 2.0), (2.0, 1.0)):
        found = played(replace(few, wet_limit=np.full(1, limit)), np.array([[1.0]]), WORTH)
        assert found.water[0, 0] == pytest.approx(10.0) and found.soft[0, 0] == nights


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


def reckoned(g, share, worth, first):
    """One zone and one share of mean catch, place by place and day by day: water, drained, missed, met, soft, cost."""
    places, weight = [g.du_lq[0], 1.0, 2.0 - g.du_lq[0]], [0.25, 0.5, 0.25]
    stands = [g.wet_limit[0] + 0.2 * (g.dry_limit[0, 0] - g.wet_limit[0])] * 3
    aimed, water, drained, missed, taken, soft, harm, runs = stands[0], 0.0, 0.0, 0.0, 0.0, 0, 0.0, 0
    for t in range(g.etc.shape[1]):
        etc, rain = g.etc[0, t], g.rain[0, t]
        level = g.wet_limit[0] + 0.2 * (g.dry_limit[0, t] - g.wet_limit[0])
        run = aimed + etc - rain > g.dry_limit[0, t] and aimed > level
        gross = (aimed - level) / share if run else 0.0
        for i, caught in enumerate(places):
            watered = stands[i] - caught * gross
            below = max(watered, 0.0)
            ks = min(max((g.taw[0] - below) / (g.taw[0] - g.raw[0, t]), 0.0), 1.0)
            ended = below + ks * etc - rain
            if t >= first:
                short = max(g.wet_limit[0] - below, 0.0) if run else 0.0
                drained += weight[i] * (max(-watered, 0.0) + max(-ended, 0.0))
                missed += weight[i] * (1 - ks) * etc
                harm += weight[i] * short
                soft += i == 2 and short > 0.5
                taken += ks * etc if i == 0 else 0.0
            stands[i] = min(max(ended, 0.0), g.taw[0])
        if g.followed[0]:
            aimed = sum(w * d for w, d in zip(weight, stands, strict=True))
        else:
            aimed = min(max(aimed - share * gross + etc - rain, 0.0), g.taw[0])
        water += gross * (t >= first)
        runs += run and t >= first
    cost = water + max(g.owed[0] * water - drained, 0.0) + worth.et * missed + worth.soft * harm + worth.run * runs
    return water, drained, missed, taken / g.etc[0, first:].sum(), soft, cost


@pytest.mark.parametrize("seed", range(6))
def test_played_as_reckoned_place_by_place(seed):
    rng = np.random.default_rng(seed)
    shape, first = (1, 12), int(seed % 3)
    drawn = Ground(
        etc=rng.uniform(1.0, 9.0, shape),
        rain=rng.uniform(0.0, 20.0, shape) * (rng.random(shape) < 0.2),
        raw=rng.uniform(6.0, 12.0, shape),
        dry_limit=rng.uniform(8.0, 14.0, shape),
        taw=rng.uniform(16.0, 30.0, 1),
        wet_limit=np.full(1, [0.0, 4.0][seed % 2]),
        du_lq=rng.uniform(0.45, 0.9, 1),
        owed=np.full(1, 0.4 * (seed % 2)),
        followed=np.full(1, seed >= 3),
    )
    drawn.etc[0, 0] = 14.0  # so hot a first date that it would be dry, though it stands where runs refill to
    worth = Worth(et=8.0, soft=0.35, run=1.5)
    found = played(drawn, np.array([[1.0, 0.8]]), worth, first)
    for k, share in enumerate((1.0, 0.8)):
        told = [getattr(found, name)[0, k] for name in ("water", "drained", "missed", "met", "soft", "cost")]
        assert told == pytest.approx(reckoned(drawn, share, worth, first))


def test_shares_that_cost_alike_are_averaged_and_the_choice_is_rounded():
    # as weigh does it for two surfaces of two zones, from what each share costs by area
    g = ground(np.stack([every(n, 20.0) for n in (5, 7, 6, 9)]), zones=4, owed=0.1)
    group, area, most = np.array([1, 0, 1, 0]), np.array([1.0, 2.0, 3.0, 4.0]), np.array([0.82, 0.82, 0.7, 0.9])
    found = weigh(g, group, area, most, WORTH, 10)
    cost = played(g, np.array([[1 - e * (1 - m) for e in (0, 0.2, 0.4, 0.6, 0.8, 1)] for m in most]), WORTH, 10).cost
    for surface in (0, 1):
        of_share = (cost * area[:, None])[group == surface].sum(axis=0)
        weight = np.exp(-(of_share / of_share.min() - 1) / 0.005)
        mean = (weight * [0, 0.2, 0.4, 0.6, 0.8, 1]).sum() / weight.sum()
        assert found.extra[surface] == pytest.approx(mean, abs=0.0251)
        assert (found.extra[surface] / 0.05) == pytest.approx(round(found.extra[surface] / 0.05))
    np.testing.assert_allclose(found.share, 1 - found.extra[group] * (1 - most))
    chosen = played(g, np.stack((np.ones(4), found.share), axis=1), WORTH, 10)
    np.testing.assert_array_equal(found.course.cost, chosen.cost)


@pytest.mark.parametrize("most", [[0.8, 0.0], [0.8, 1.1]])
def test_one_share_that_cannot_be_is_refused(most):
    with pytest.raises(ValueError, match="above 0 and at most 1"):
        weigh(ground(0.0, zones=2), np.zeros(2, dtype=int), np.ones(2), np.array(most), WORTH)
