"""Leaching achieved by surface against FAO-29's requirement, worked out by hand."""

import numpy as np
import pytest

from scheduler.salinity.leaching import leaching_by_surface
from tests.scheduler import salty_sites as s

ZONES = s.zones_csv(
    "G1,green,creeping_bentgrass,reclaimed",
    "G2,green,creeping_bentgrass,reclaimed",
    "F1,fairway,bermudagrass,reclaimed",
).replace(
    "F1,fairway,bermudagrass,reclaimed,,sand_rootzone,20,450", "F1,fairway,bermudagrass,reclaimed,,sand_rootzone,20,900"
)


def requirement(ecw, ece):
    return ecw / (5.0 * ece - ecw)  # FAO-29 Eq. 9


@pytest.fixture
def place(tmp_path):
    return s.salty(tmp_path / "a", zones=ZONES)


def row(place, zones, **given):
    n = len(zones)
    arrays = {k: np.broadcast_to(np.asarray(given[k], float), (n,)) for k in ("source_ec", "water", "fell", "drained")}
    return leaching_by_surface(place, np.array(zones), *arrays.values())


def test_what_drained_of_what_entered(place):
    green, fairway = row(place, [0, 1, 2], source_ec=1.4, water=[100, 200, 80], fell=20, drained=[12, 30, 0])
    assert (green.surface, fairway.surface) == ("green", "fairway")  # in the order they are served
    assert (green.irrigation, green.rain, green.drained) == (150.0, 20.0, 21.0)  # equal areas
    assert green.achieved == pytest.approx(21 / 170)
    assert fairway.achieved == 0.0


def test_rain_thins_the_water_that_is_asked_for(place):
    (green,) = row(place, [0], source_ec=1.4, water=100, fell=0, drained=10)
    (rained,) = row(place, [0], source_ec=1.4, water=100, fell=100, drained=10)
    assert green.required == pytest.approx(requirement(1.4, 3.7))
    assert rained.required == pytest.approx(requirement(0.7, 3.7))
    assert rained.achieved == pytest.approx(green.achieved / 2)


def test_zones_count_by_their_area_and_turf_that_no_leaching_holds_is_left_out(place):
    assert place.zones.area.tolist() == [450, 450, 900]
    green, fairway = row(place, [0, 1, 2], source_ec=[1.4, 30.0, 1.4], water=100, fell=0, drained=10)
    assert green.required == pytest.approx(requirement(1.4, 3.7))  # G2: no amount of 30 dS/m holds 3.7
    assert fairway.required == pytest.approx(requirement(1.4, 6.9))
    (none,) = row(place, [1], source_ec=30.0, water=100, fell=0, drained=10)
    assert np.isnan(none.required)


def test_of_no_zones_there_is_nothing_to_say(place):
    assert row(place, [], source_ec=1.0, water=1, fell=1, drained=1) == ()


def test_what_a_surface_owes_is_the_mean_of_its_zones_that_owe_by_area(place):
    threshold = float(place.zones.ece_threshold[0])
    (green,) = row(place, [0, 1], source_ec=[1.4, 0.7], water=100, fell=0, drained=0)
    assert green.required == pytest.approx((requirement(1.4, threshold) + requirement(0.7, threshold)) / 2.0)
    # Water too salty for its turf owes what cannot be told: only the other zone counts.
    (green,) = row(place, [0, 1], source_ec=[np.nan, 0.7], water=100, fell=0, drained=0)
    assert green.required == pytest.approx(requirement(0.7, threshold))
    assert row(place, [], source_ec=1.0, water=1.0, fell=0, drained=0) == ()
