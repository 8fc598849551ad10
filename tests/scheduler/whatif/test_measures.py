"""What over-use costs, and which surface gives way first, by hand."""

from datetime import date
from types import SimpleNamespace

import numpy as np
import pytest

from models.plan.inputs import Tier
from scheduler.whatif import measures
from scheduler.whatif.measures import by_surface, course_of, gives_way, over_use
from tests.models.plan.plans import plan

DATES = (date(2026, 7, 14), date(2026, 7, 15), date(2026, 7, 16))


@pytest.mark.parametrize(("volume", "beyond", "cost"), [(90, 0, 0), (150, 50, 50), (250, 150, 100 * 1 + 50 * 4)])
def test_each_step_of_over_use_has_its_own_price(volume, beyond, cost):
    plan = SimpleNamespace(tiers=(Tier(100.0, 1.0), Tier(200.0, 4.0)))
    assert over_use(plan, float(volume)) == (pytest.approx(beyond), pytest.approx(cost))


def test_what_is_served_last_gives_way_first():
    # Greens before fairways before rough. Rough is dry from the first night; the others from the second.
    surface = np.array(["green", "fairway", "fairway", "rough"])
    ranks = {"green": 1, "fairway": 2, "rough": 3}
    site = SimpleNamespace(
        zones=SimpleNamespace(surface=surface),
        surfaces={name: SimpleNamespace(priority=rank) for name, rank in ranks.items()},
    )
    dry = np.array([[0, 1.0, 1.0], [0, 2.0, 0], [0, 0, 3.0], [1.0, 0, 0]])
    found = gives_way(site, DATES, SimpleNamespace(dry=dry))
    assert found == [("rough", DATES[0], 1), ("fairway", DATES[1], 2), ("green", DATES[1], 1)]
    # against how things are, only what is more than a millimetre drier counts
    usual = SimpleNamespace(dry=np.array([[0, 1.0, 1.0], [0, 0.5, 0], [0, 0, 2.5], [1.0, 0, 0]]))
    assert gives_way(site, DATES, SimpleNamespace(dry=dry), usual) == [("fairway", DATES[1], 1)]


def followed(minutes, salt=None, **more):
    """The course of run times in a plan of two zones and two nights; a minute is a millimetre and a cubic metre."""
    arrays = plan(
        zones=2, nights=2, blocks=2, etc=5.0, depletion=[10.0, 18.0], taw=40.0, wet_limit=4.0, dry_limit=20.0,
        supply_share=[[1.0, 0.0], [0.0, 1.0]], source_price=[0.2, 0.5], pump_of_zone=[0, -1], pump_capacity=[100.0],
        pump_energy=[0.4], block_length=np.array([[60.0, 400.0]] * 2), energy_price=np.array([[0.3, 0.1]] * 2),
        zone_supply=np.array([[False, True], [True, True]]), **more,
    )  # fmt: skip
    chosen = np.zeros((2, 2, 2, 2))
    chosen[0, 0, 0, 1], chosen[0, 0, 1, 1] = (
        3.0,
        9.0,
    )  # a quarter of tonight's run of the first zone is in the dear hours
    chosen[1, 1, 1, 0], chosen[1, 1, 1, 1] = 6.0, 2.0  # of the second's tomorrow a quarter is of the second source
    inputs = SimpleNamespace(
        plan=arrays,
        depletion_fraction=np.full((2, 2), 0.5),
        fresh_limit=np.full((2, 2), 20.0),
        resolution=np.full(2, 1.0),
    )
    site = SimpleNamespace(sources=(SimpleNamespace(ec=1.0), SimpleNamespace(ec=3.0)))
    result = SimpleNamespace(run_times=lambda _: chosen)
    salt = salt or SimpleNamespace(known=np.zeros(2, dtype=bool))
    return course_of(site, inputs, salt, result, np.asarray(minutes, dtype=float))


def test_a_course_s_water_money_and_energy_are_those_of_its_run_times():
    found = followed([[8.0, 0.0], [0.0, 4.0]])
    np.testing.assert_allclose(found.volume, [[8.0, 0.0], [0.0, 4.0]])
    np.testing.assert_allclose(found.source, [[0.0, 3.0], [8.0, 1.0]])  # by source and night
    np.testing.assert_allclose(found.energy, [8.0 * 0.4, 0.0])  # the second zone has no pump
    power = 8.0 * 0.4 * (0.25 * 0.3 + 0.75 * 0.1)
    np.testing.assert_allclose(found.cost, [8.0 * 0.5 + power, 3.0 * 0.2 + 1.0 * 0.5])


def test_a_course_is_soft_after_its_water_and_dry_at_the_end_of_a_date():
    # 10 - 8 leave 2 mm, 2 short of firm; then 5 a date: 7, and 12. From 18: 23 is 3 past the limit, 23 - 4 + ET by
    # FAO-56 Eq. 84 with half of TAW free of stress: (40 - 23) / 20 of 5 mm on the first date already.
    found = followed([[8.0, 0.0], [0.0, 4.0]])
    np.testing.assert_allclose(found.depletion[0], [7.0, 12.0])
    np.testing.assert_allclose(found.soft, [[2.0, 0.0], [0.0, 0.0]])
    assert found.depletion[1, 0] == pytest.approx(23.0, abs=0.51)
    np.testing.assert_allclose(found.dry[1], found.depletion[1] - 20.0)
    assert not found.dry[0].any() and np.isnan(found.ece).all()


def test_what_is_less_than_a_step_or_can_hardly_be_told_apart_is_no_dryness():
    # 20.3 mm of 20 on the first date; a step of a minute is 1 mm.
    found = followed([[0.0, 0.0], [2.7, 5.0]])
    assert 0.0 < found.depletion[1, 0] - 20.0 < 1.0 and found.dry[1, 0] == 0.0


def test_salt_follows_the_water_a_zone_gets_or_would_take(monkeypatch):
    seen = {}

    def forecast(salt, net, water_ec, *_):
        seen.update(net=net, ec=water_ec)
        return SimpleNamespace(mean=np.full((2, 2), 2.5))

    monkeypatch.setattr(measures, "forecast_salt", forecast)
    salt = SimpleNamespace(known=np.array([True, False]), source_ec=np.array([1.7, 1.8]))
    found = followed([[8.0, 0.0], [0.0, 4.0]], salt)
    np.testing.assert_allclose(seen["ec"], [[3.0, 1.7], [1.8, 0.75 * 1.0 + 0.25 * 3.0]])
    assert (found.ece == 2.5).all()


def test_surfaces_are_told_in_order_of_service_with_their_worst():
    zones = SimpleNamespace(surface=np.array(["rough", "green", "green"]), ece_threshold=np.array([3.0, 3.7, 3.7]))
    ranks = {"green": SimpleNamespace(priority=1), "rough": SimpleNamespace(priority=2)}
    site = SimpleNamespace(zones=zones, surfaces=ranks)
    course = SimpleNamespace(
        dry=np.array([[0.0, 4.0, 1.0], [0.0, 0.0, 2.0], [0, 0, 0]]),
        soft=np.array([[0, 0, 0], [1.5, 0, 0], [0.5, 0, 0]]),
        volume=np.array([[5.0, 1, 1], [2, 3, 4], [1, 0, 0]]),
        ece=np.array([[np.nan] * 3, [3.6, 3.8, 4.0], [1.0, 3.7, 2.0]]),
    )  # fmt: skip
    green, rough = by_surface(site, DATES, course)
    assert (green.surface, green.zones, green.water_m3, green.water_tonight_m3) == ("green", 2, 10.0, 3.0)
    assert (green.dry_zone_days, green.dry_mm_days, green.worst_dry_mm, green.first_dry) == (1, 2.0, 2.0, DATES[2])
    assert (green.soft_zone_days, green.soft_mm_days, green.worst_soft_mm) == (2, 2.0, 1.5)
    assert (green.ece_mean, green.ece_highest, green.salty_zone_days) == (3.0, 4.0, 2)  # 3.7 is not above 3.7
    assert (rough.dry_zone_days, rough.worst_dry_mm, rough.first_dry) == (2, 4.0, DATES[1])
    assert (rough.ece_mean, rough.ece_highest, rough.salty_zone_days) == (None, None, 0)
