"""Plans over several weathers: tonight shared, later nights with recourse, every limit in every weather."""

from dataclasses import replace

import numpy as np
import pytest

from models.plan.inputs import Members, PlanInputs
from models.plan.refill import refill
from tests.models.plan.plans import drawn_needs, drawn_plan, laid_out, net_depth, plan


def with_members(inputs: PlanInputs, rng, count: int = 3) -> PlanInputs:
    """The plan with drawn weathers beside the main one."""
    shape = (count, 1, inputs.nights)
    weight = rng.dirichlet(np.ones(count + 1))[1:] * 0.9
    etc = inputs.etc[None] * rng.uniform(0.6, 1.4, shape)
    rain = rng.gamma(1.0, 12.0, shape) * (rng.random(shape) < 0.4) * np.ones((1, inputs.zones, 1))
    return replace(inputs, members=Members(weight, etc, rain))


@pytest.mark.parametrize("seed", range(8))
def test_weathers_all_alike_give_the_plan_of_one(seed):
    rng = np.random.default_rng(seed)
    rain = rng.gamma(1.0, 12.0, (1, 4)) * (rng.random((1, 4)) < 0.4)
    inputs = plan(
        5,
        4,
        depletion=rng.uniform(0, 20, 5),
        etc=rng.uniform(2, 7, (5, 4)),
        effective_rain=rain,
        priority=[1, 1, 2, 3, 3],
    )
    one = laid_out(inputs).solve()
    several = Members(np.array([0.2, 0.3]), np.stack([inputs.etc] * 2), np.stack([inputs.effective_rain] * 2))
    result = laid_out(replace(inputs, members=several)).solve()
    assert result.objective == pytest.approx(one.objective, rel=1e-7)
    assert net_depth(inputs, result) == pytest.approx(net_depth(inputs, one), abs=1e-6)


@pytest.mark.parametrize("seed", range(10))
def test_every_limit_holds_in_every_weather(seed):
    rng = np.random.default_rng(seed)
    inputs = with_members(drawn_plan(rng, 6, 4), rng)
    result = laid_out(inputs).solve()
    minutes = result.weathers
    assert minutes.shape == (4, 6, 4)
    assert (minutes[:, :, 0] == minutes[:1, :, 0]).all()  # tonight is one
    open_minutes = (inputs.allowed * inputs.block_length[None]).sum(axis=2)
    assert (minutes <= np.minimum(open_minutes, inputs.max_run[:, None]) + 1e-6).all()
    water = minutes * inputs.water_per_minute[:, None]
    assert (water.sum(axis=(1, 2)) <= inputs.allocation * (1 + 1e-9) + 1e-6).all()
    for cut in inputs.cuts:
        assert (np.cumsum(water[:, cut.zones].sum(axis=1), axis=1) <= cut.volume + 1e-6).all()
    for group, capacity, use in (
        (inputs.pump_of_zone, inputs.pump_capacity, inputs.flow),
        (inputs.branch_of_zone, inputs.branch_capacity, inputs.flow),
        (inputs.controller_of_zone, inputs.stations_at_once, np.ones(6)),
    ):
        for g, limit in enumerate(np.minimum(capacity, 1e9)):
            used = (minutes * use[:, None])[:, group == g].sum(axis=1)
            assert (used <= limit * inputs.block_length.sum(axis=1) + 1e-6).all()


@pytest.mark.parametrize("seed", range(6))
def test_no_weather_is_filled_past_field_capacity(seed):
    rng = np.random.default_rng(seed)
    inputs = with_members(drawn_plan(rng, 4, 5), rng)
    minutes = laid_out(inputs).solve().weathers
    etc = np.concatenate((inputs.etc[None], inputs.members.etc))
    rain = np.concatenate((inputs.effective_rain[None], inputs.members.effective_rain))
    depletion = np.repeat(inputs.depletion[None], 4, axis=0)
    for n in range(inputs.nights):  # the balance of FAO-56 without stress, which can only be drier
        filled = depletion - minutes[:, :, n] * inputs.net_rate
        assert (filled >= -1e-5).all()
        depletion = np.clip(np.maximum(filled, 0.0) + etc[:, :, n] - rain[:, :, n], 0.0, inputs.taw)


@pytest.mark.parametrize(("chance", "waters"), [(0.1, False), (0.3, False), (0.6, True)])
def test_dryness_that_may_come_is_insured_where_it_is_likely_enough(chance, waters):
    # At 18 mm, 5 mm tomorrow, dry above 20: without tomorrow's rain 3 mm too dry for one night, at 1.0 a millimetre;
    # the 3 mm cost 0.6, and are lost in every weather, for on the second date 60 mm fall, as drainage at 1 / (2 N)
    # = 0.25 each. Worth it from (0.2 + 0.25) / 1.0 on, less what stress on the second date would cost.
    rain = np.array([[5.0, 60.0]])
    inputs = plan(1, 2, depletion=18.0, effective_rain=rain)
    none = Members(np.array([chance]), inputs.etc[None], np.array([[[0.0, 60.0]]]))
    tonight = net_depth(inputs, laid_out(replace(inputs, members=none)).solve())[0, 0]
    assert tonight == pytest.approx(3.0 if waters else 0.0, abs=1e-6)
    assert net_depth(inputs, laid_out(inputs).solve())[0, 0] == 0.0  # the expected weather alone never would


def test_more_caution_insures_more():
    rain = np.array([[5.0, 60.0]])
    inputs = plan(1, 2, depletion=18.0, effective_rain=rain)
    none = Members(np.array([0.6]), inputs.etc[None], np.array([[[0.0, 60.0]]]))
    depth = [
        net_depth(inputs, laid_out(replace(inputs, members=none, caution=c)).solve())[0, 0] for c in (0.2, 1.0, 3.0)
    ]
    assert depth == pytest.approx([0.0, 3.0, 3.0], abs=1e-6)


def test_the_tail_is_the_mean_of_the_driest_fifth():
    # No water can run, so dryness is what the weathers make it: 23 mm at the end of the first date against a limit of
    # 20 where it stays dry (3 mm), none where it rains. With a chance of 0.1 of the dry one, the driest fifth is half
    # dry, half not: 1.5 mm, at the worth of turf of 1.0 a millimetre and a weight of 2.
    inputs = plan(1, 1, depletion=18.0, effective_rain=np.array([[5.0]]), max_run=0.0)
    members = Members(np.array([0.1]), inputs.etc[None], np.zeros((1, 1, 1)))
    costs = [
        laid_out(replace(inputs, members=members, tail=tail)).solve().objective for tail in (None, np.array([2.0]))
    ]
    assert costs[1] - costs[0] == pytest.approx(2.0 * 1.5 * 1.0, rel=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_flushes_are_taken_as_they_were_chosen(seed):
    rng = np.random.default_rng(seed)
    inputs = drawn_plan(rng, 8, 5)
    main = laid_out(inputs, drawn_needs(rng, inputs, 3))
    chosen = main.solve()
    result = laid_out(with_members(inputs, rng), settled=main.settled()).solve()
    assert [(f.zone, f.nights, f.supply, f.depth) for f in result.flushes] == [
        (f.zone, f.nights, f.supply, f.depth) for f in chosen.flushes
    ]
    for flush in result.flushes:
        assert sum(flush.drained) >= flush.depth - 1e-5


def test_needs_and_several_weathers_do_not_go_together():
    rng = np.random.default_rng(0)
    inputs = drawn_plan(rng, 4, 3)
    with pytest.raises(ValueError, match="flushes are chosen for one weather"):
        laid_out(with_members(inputs, rng), drawn_needs(rng, inputs, 2))


@pytest.mark.parametrize(
    ("weight", "message"), [([0.5, 0.6], "leave some to the main"), ([-0.1, 0.2], "every value must be finite and 0")]
)
def test_weights_that_cannot_be_are_refused(weight, message):
    inputs = plan(1, 1)
    two = np.zeros((2, 1, 1))
    with pytest.raises(ValueError, match=message):
        replace(inputs, members=Members(np.array(weight), two, two))


# ------------------------------------------------------------------------------------- how much in one run


def test_a_rainless_site_waters_deep_and_seldom():
    # 5 mm a day, from 17 mm: tonight to the firmness limit of 2 mm, again every third night
    found = refill(plan(1, 7, depletion=17.0), 5.0)
    assert found.depth == pytest.approx([15.0])
    assert np.flatnonzero(found.runs[0]).tolist() == [0, 3, 6]


def test_nothing_tonight_where_tomorrow_is_not_dry():
    assert refill(plan(1, 7, depletion=10.0), 5.0).depth == pytest.approx([0.0])


def test_room_is_left_for_rain_that_is_sure():
    # 40 mm on the second date fill everything whatever was run: tonight only what keeps tomorrow within the limit
    rain = np.array([[0.0, 40.0, 0.0, 0.0, 0.0]])
    dry = refill(plan(1, 5, depletion=17.0), 5.0).depth
    wet = refill(plan(1, 5, depletion=17.0, effective_rain=rain), 5.0).depth
    assert 2.0 <= wet[0] < 5.0 < dry[0]


@pytest.mark.parametrize("seed", range(5))
def test_the_dearer_a_run_the_fewer_in_the_main_weather(seed):
    rng = np.random.default_rng(seed)
    inputs = plan(
        20, 7, depletion=rng.uniform(0.0, 20.0, 20), effective_rain=rng.gamma(1, 8, (1, 7)) * (rng.random(7) < 0.4)
    )
    runs = [refill(inputs, 5.0, price).runs.sum() for price in (0.0, 1.0, 4.0, 20.0)]
    assert runs == sorted(runs, reverse=True)


def test_likely_rain_makes_a_run_shallower_and_a_dear_run_deeper():
    inputs = plan(1, 7, depletion=17.0)
    wet = np.zeros((1, 7))
    wet[0, 1] = 30.0
    depth = {}
    for chance in (0.05, 0.5, 0.9):
        members = Members(np.array([chance]), inputs.etc[None], wet[None])
        for price in (0.5, 6.0):
            depth[chance, price] = refill(replace(inputs, members=members), 5.0, price).depth[0]
    assert depth[0.9, 0.5] <= depth[0.5, 0.5] <= depth[0.05, 0.5]
    assert depth[0.9, 0.5] < depth[0.05, 0.5]
    assert depth[0.05, 0.5] <= depth[0.05, 6.0]
