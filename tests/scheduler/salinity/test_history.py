"""The balance of salts over the past days: places of a zone that catch unequal water."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.layers import some_layers, state_from_ece
from scheduler.salinity.history import _Catch, _log, _steady_start, salt_history
from scheduler.salinity.readings import layer_samples, site_layers
from scheduler.state.demand import evening_demand
from tests.scheduler import salty_sites as s

SAMPLES = "date,zone,depth,ece\n" + "".join(
    f"{s.NIGHT - timedelta(days=39)},{z},{d},3.0\n" for z in ("G1", "G2", "G3") for d in (5, 15)
)


def run(folder, du, minutes, slope=None):
    """The balance of 39 nights of equal runs, zones of some DU_LQ, turf of another slope if given."""
    log = "night,zone,minutes\n" + "".join(
        f"{s.NIGHT - timedelta(days=d)},{z},{minutes}\n" for d in range(1, 40) for z in ("G1", "G2", "G3")
    )
    place = s.salty(folder, samples=SAMPLES, applied=log)
    place = replace(place, zones=replace(place.zones, du_lq=np.asarray(du, dtype=float)))
    if slope is not None:
        place = replace(place, zones=replace(place.zones, ece_slope=np.full(3, slope)))
    layers, demand = site_layers(place), evening_demand(place, s.NIGHT, 1)
    samples = layer_samples(place, demand.past["date"].max())
    return salt_history(place, layers, np.full(3, 1.4), np.arange(3), demand.past, samples, s.NIGHT)


def test_places_catch_what_the_zone_catches():
    # DU_LQ is the driest quarter's catch over the mean: UC Davis CCUH guide; status text.
    catch = _Catch(np.array([1.0, 0.6]), np.full(2, 3.7), np.full(2, 7.6))
    over = catch.over(np.array([8.0, 10.0]))
    assert over == pytest.approx([8, 8, 8, 6, 10, 14])
    assert catch.mean(over) == pytest.approx([8, 10])


def test_a_zone_that_catches_unequal_water_drains_more_and_keeps_more_in_its_dry_places(tmp_path):
    # Water that just meets demand: even catch hardly drains, uneven catch does in its wet places; the balance of water
    # and salt is that of the mean (worked from the sums).
    found = run(tmp_path, [1.0, 0.8, 0.6], 25.0)  # 12 mm/h, so 5 mm
    drained = found.drainage.sum(axis=1)
    assert drained[0] < drained[1] < drained[2]
    assert found.depth.sum(axis=1) == pytest.approx(39 * 5.0 * np.ones(3))


def test_a_follower_is_told_day_by_day_whether_the_night_before_is_known_and_what_was_sampled_there(tmp_path):
    log = "night,zone,minutes\n" + "".join(f"{s.NIGHT - timedelta(days=d)},G2,20\n" for d in (20, 19, 18))
    place = s.salty(tmp_path, samples=SAMPLES + f"{s.NIGHT - timedelta(days=10)},G2,15,9.0\n", applied=log)
    layers, past = site_layers(place), evening_demand(place, s.NIGHT, 1).past
    samples, seen = layer_samples(place, past["date"].max()), []

    def after(i, before, day, salt_in, known, told):
        assert before.salt.shape == day.salt.shape == (1, 2) and salt_in.shape == (1,)
        seen.append((past["date"][i], known, told))
        return day.salt * 1.01  # and what it makes of the day is where the next begins

    begun = []
    follower = SimpleNamespace(readings=SimpleNamespace(zones=np.array([1])), starts=begun.append, after=after)
    given = (place, layers, np.full(3, 1.4), np.array([0, 1, 1]), past, samples, s.NIGHT)
    found = salt_history(*given, follower)
    assert [d for d, _, _ in seen] == past["date"].tolist()[1:] and begun[0].shape == (1, 2)
    # the night of 18 to 20 days before is in the log: the date after each is one of known water
    assert [(pd.Timestamp(s.NIGHT) - d).days for d, known, _ in seen if known] == [19, 18, 17]
    assert [(d, told) for d, _, told in seen if told] == [
        (pd.Timestamp(s.NIGHT) - timedelta(days=10), [(0, 1, pytest.approx(9.0))])
    ]
    alone = salt_history(*given)
    np.testing.assert_allclose(found.ece[:2], alone.ece[:2])  # rows before are the balance alone
    assert (found.path[2, :, 1] == pytest.approx(1.01 * alone.path[2, :, 1])) and found.ece[2, 0] > alone.ece[2, 0]


def test_the_log_of_salts_takes_volume_where_no_minutes_are_told(tmp_path):
    days = pd.Series(pd.date_range(s.NIGHT - timedelta(days=4), s.NIGHT))
    told = [f"{s.NIGHT - timedelta(days=d)}" for d in (3, 2, 1, 0)]
    log = f"night,zone,minutes,volume\n{told[0]},G1,20,\n{told[0]},G2,,6\n{told[2]},G2,5,\n{told[3]},G2,99,\n"
    place = s.salty(tmp_path, applied=log)
    depth, logged, notes = _log(place, np.array([0, 1]), days, s.NIGHT)
    rate, flow = place.zones.gross_rate, place.zones.flow
    minutes = np.array([[0, 20, 0, 0, 0], [0, 6000 / (60 * flow[1]), 0, 5, 0]])
    np.testing.assert_allclose(depth, minutes * rate[:2, None])
    assert (logged.tolist(), notes) == ([False, True, True, True, False], [])


def test_salts_begin_as_steady_water_leaves_them():
    # A leaching fraction of 0.15, the upper half takes 0.7 of the water: what passes is 1 / (1 - 0.85 x 0.7) times and
    # 1 / 0.15 times as salty; each half stands at the mean of what comes in and what leaves it.
    capacity, paste = np.array([[0.2, 0.3], [0.4, 0.4]]), np.array([[0.4, 0.5], [0.4, 0.8]])
    layers = SimpleNamespace(field_capacity=capacity, paste=paste)
    middle = np.array([(1.0 + 1.0 / 0.405) / 2.0, (1.0 / 0.405 + 1.0 / 0.15) / 2.0])
    found = _steady_start(layers, np.array([1.0, 2.0]))
    np.testing.assert_allclose(found, [middle * [0.5, 0.6], 2.0 * middle * [1.0, 0.5]])


def test_even_catch_is_the_plain_balance(tmp_path):
    one, three = run(tmp_path / "a", [1.0, 1.0, 1.0], 30.0), run(tmp_path / "b", [1.0, 0.999999, 1.0], 30.0)
    assert one.ece[0] == pytest.approx(one.ece[2])
    assert three.ece == pytest.approx(one.ece, rel=1e-4)


def test_turf_of_a_salty_place_is_kept_from_water_by_what_the_place_has_beyond_its_zone(tmp_path):
    # Places of 6, 3 and 1 dS/m make 3.25 in the mean: that counts where turf bears less, for the demand told is of the
    # zone as it stands. 4 mm of 1.4 dS/m over 200 mm of roots add 5.6 / (200 x paste) to it.
    layers = site_layers(s.salty(tmp_path))
    catch = _Catch(np.full(3, 0.6), np.array([3.7, 3.0, 5.6]), np.array([7.6, 10.0, 7.6]))
    places = some_layers(layers, catch.row)
    state = state_from_ece(places, np.zeros(9), np.repeat([[6.0], [3.0], [1.0]] * 3, 2, axis=1))
    found = catch.tolerance(places, state, np.full(9, 4.0 * 1.4))
    more = 5.6 / (200.0 * layers.paste[0, 0])
    assert more == pytest.approx(0.0915, abs=1e-4)
    assert found.threshold == pytest.approx([3.7] * 3 + [3.25 + more] * 3 + [5.6] * 3)
    assert found.slope == pytest.approx([7.6] * 3 + [10.0] * 3 + [7.6] * 3)


def test_a_place_that_hardly_drains_does_not_gather_salt_for_ever(tmp_path):
    # The driest quarter catches 0.7 of what its turf wants. Without Eq. 90 all salt that comes there stays.
    felt, unfelt = run(tmp_path / "a", [0.7, 1.0, 1.0], 30.0), run(tmp_path / "b", [0.7, 1.0, 1.0], 30.0, slope=0.0)
    assert felt.ece[0].mean() < 0.97 * unfelt.ece[0].mean()
    assert felt.drainage[0].sum() > unfelt.drainage[0].sum()
    assert felt.ece[1] == pytest.approx(unfelt.ece[1])  # even catch: no place beyond its zone
