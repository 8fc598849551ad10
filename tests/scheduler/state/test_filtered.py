"""What the filter is fed of a site's record, and whom it speaks for."""

from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from models.choices import SPREAD
from models.estimation import run_filter
from models.filter_state import start_state
from models.uneven_catch import PLACE_SHARE, place_catch
from scheduler.state import filtered
from scheduler.state.demand import evening_demand, zone_etc
from scheduler.state.filtered import _start, followed, run_record
from scheduler.state.ran import what_ran
from tests.scheduler.site_folders import TOML, site

NIGHT = date(2026, 7, 14)
ZONES = (
    "zone,surface,turf,soil,root_depth,area,flow,application_rate,du_lq,field_capacity,wilting_point,exposure\n"
    + "".join(
        f"{z},{s},tall_fescue,loam,30,1000,3.333,12,1.0,0.25,0.10,{e}\n"
        for z, s, e in (("F1", "fairway", "open"), ("F2", "fairway", "shade"), ("F3", "rough", "open"))
    )
)
PLACES = "probe,zone,depth,from,until\na,F1,15,,\n"


def record(folder, days=12, evenings=10, minutes=20, observed=None, hour="20:30", depth=15, du=1.0, swing=0, more=""):
    """Run the filter: a balance whose readings say what it says, `evenings` of them."""
    weather = "date,eto,rain\n" + "".join(
        f"{NIGHT - timedelta(days=d)},{5 + swing * (d % 3 - 1)},0\n" for d in range((observed or days) - 1, -1, -1)
    )
    log = "night,zone,minutes\n" + "".join(
        f"{NIGHT - timedelta(days=d)},{z},{minutes}\n" for d in range(days, 0, -1) for z in ("F1", "F2", "F3")
    )
    rows = "".join(f"{NIGHT - timedelta(days=d)}T{hour},a,0.24,,\n" for d in range(evenings - 1, -1, -1))
    place = site(
        folder, TOML, ZONES.replace(",1.0,", f",{du},"), weather=weather, applied=log,
        probes="time,probe,moisture,ec,temperature\n" + rows,
        probe_sites=PLACES.replace(",15,", f",{depth},") + more,
    )  # fmt: skip
    demand = evening_demand(place, NIGHT, 3)
    ran = what_ran(place, NIGHT, demand.past, [])
    return run_record(place, demand, ran, place.probes), place, demand


def test_it_speaks_for_the_zones_with_a_probe_among_their_kin(tmp_path):
    found, _, _ = record(tmp_path)
    assert found.rows.tolist() == [0, 1]  # F3 is rough
    assert found.estimate.informed_by.tolist() == ["probe", "kin"]
    zones = found.setup.zones
    assert zones.exposure[0] != zones.exposure[1] and zones.ground[0] == zones.ground[1]  # loam in the sun and in shade


def test_each_night_is_fed_with_its_own_water_and_the_date_after_it(tmp_path):
    found, place, demand = record(tmp_path, swing=2)
    assert found.days[-1].date() == NIGHT
    np.testing.assert_allclose(found.irrigation, 4.0)  # 20 min at 12 mm/h, gross: what a zone's mean got
    np.testing.assert_allclose(found.etc, zone_etc(place, demand.past)[:2, -found.etc.shape[1] :])
    assert found.moisture.shape[1] == found.etc.shape[1] == len(found.days) - 1
    np.testing.assert_allclose(found.moisture[0, -10:], 0.24)


def test_places_that_catch_little_start_drier_than_their_zone_s_mean(tmp_path, monkeypatch):
    # 30 nights before the 60 of the run: 4 mm on the mean of a zone are 2.4, 4 and 5.6 where it is caught unevenly.
    seen = []
    monkeypatch.setattr(
        filtered, "start_state", lambda *given, **more: seen.append(more) or start_state(*given, **more)
    )
    record(tmp_path, days=90, evenings=5, du=0.6)
    places = seen[0]["places"]
    np.testing.assert_allclose(places @ PLACE_SHARE, 0.0, atol=1e-9)  # told as what they differ by
    assert (np.diff(places, axis=1) < -0.5).all()
    assert place_catch(np.array([0.6]))[0].tolist() == pytest.approx([0.6, 1.0, 1.4])


def test_zones_are_followed_whose_kin_has_a_probe_that_reads(tmp_path):
    # F3 is rough and its probe never read; F1 speaks for F2 as well, in the shade as that is.
    _, place, _ = record(tmp_path, more="silent,F3,15,,\n")
    assert followed(place).tolist() == [True, True, False]


def balance_alone(found):
    """Where the same water, ET and drainage end without any reading [mm]."""
    start = start_state(found.setup, found.start, SPREAD.unknown * found.setup.zones.taw)
    silent = np.full(found.moisture.shape, np.nan)
    return run_filter(found.setup, start, found.irrigation, found.etc, found.rain, found.p, silent).estimate.depletion


def test_readings_near_what_the_balance_says_keep_it_there(tmp_path):
    # 4 mm a night against ETc of some 4.9 and a little drainage: the balance dries slowly below field capacity; 0.24 is
    # 3 mm short of it.
    found, _, _ = record(tmp_path)
    alone = balance_alone(found)[0]
    assert 3.0 < found.estimate.depletion[0] < 3.0 + 0.75 * (alone - 3.0)
    assert found.estimate.spread[0] < found.estimate.spread[1]


def test_a_probe_below_the_roots_says_nothing_of_depletion_unless_its_record_shows_it(tmp_path):
    # Roots reach 30 cm. At 45 cm a reading that never moves is of drainage and salt.
    assert record(tmp_path / "a", days=50, evenings=45, depth=45)[0] is None
    assert record(tmp_path / "b", days=50, evenings=45, depth=30)[0] is not None


@pytest.mark.parametrize(
    ("given", "runs"), [({"evenings": 2}, False), ({"evenings": 3}, True), ({"observed": 4, "days": 4}, False)]
)
def test_with_too_little_to_go_by_it_does_not_run(tmp_path, given, runs):
    assert (record(tmp_path, **given)[0] is not None) == runs


def test_how_far_back_it_runs_is_bounded(tmp_path):
    found, _, _ = record(tmp_path / "a", days=80, evenings=75)
    assert found.etc.shape[1] == 60
    # The balance before it decides where it starts: some 20 nights of 4 of 4.9 mm, and no deeper than half of 45 mm.
    assert 0.0 < found.start[0] < 30.0


def test_five_days_of_weather_are_not_enough_and_six_are(tmp_path):
    assert record(tmp_path / "a", days=5, evenings=5)[0] is None
    assert record(tmp_path / "b", days=6, evenings=6)[0] is not None


def test_nights_before_the_log_begins_are_not_taken_as_dry(tmp_path):
    # 40 days of weather, a log and readings of the last six: it runs over these six, from field capacity. Taken as dry,
    # the nights before would have left F1 at its wilting point, 45 mm, and readings of 0.24 would not have mended it.
    found, _, _ = record(tmp_path / "a", observed=40, days=6, evenings=6)
    assert found.etc.shape[1] == 6
    assert found.start.tolist() == [0.0, 0.0]
    assert (found.irrigation > 0.0).all()
    assert found.estimate.depletion[0] < balance_alone(found)[0] < 15.0
    assert record(tmp_path / "b", observed=40, days=2, evenings=6)[0] is None


def test_before_the_record_of_readings_each_date_follows_the_water_of_its_own_night():
    # Field capacity after column 0; then 5 mm, and 5 mm less the 2 mm of the night between. What came later does not.
    row = np.ones((1, 4))
    water = np.array([[0.0, 2.0, 0.0, 9.0]])
    found = _start(water, 5.0 * row, 0.0 * row, np.array([40.0]), 0.5 * row, 2, 0, np.array([6.0]))
    assert found.tolist() == pytest.approx([8.0])


def test_a_run_is_as_long_as_the_sizes_of_its_blocks_let_it_be_afforded(tmp_path, monkeypatch):
    # A block of three zones of a surface and one sensor has (3 x 3 + 2)^2 entries of covariance.
    monkeypatch.setattr(filtered, "WORK", 121 * 25 + 1)
    found, _, _ = record(tmp_path, days=50, evenings=45)
    assert found.etc.shape[1] == 25
    monkeypatch.setattr(filtered, "WORK", 121 * 9)
    assert record(tmp_path / "b", days=50, evenings=45)[0].etc.shape[1] == filtered.SHORTEST_RUN


def test_rain_before_a_run_begins_fills_what_it_starts_from(tmp_path, monkeypatch):
    monkeypatch.setattr(filtered, "WORK", 0)
    monkeypatch.setattr(filtered, "zone_rain", lambda site, past: (np.full((3, len(past)), 20.0), None))
    assert record(tmp_path / "wet", days=30, evenings=20, minutes=1)[0].start.tolist() == [0.0, 0.0]
    monkeypatch.setattr(filtered, "zone_rain", lambda site, past: (np.zeros((3, len(past))), None))
    assert record(tmp_path / "dry", days=30, evenings=20, minutes=1)[0].start[0] > 5.0


@pytest.mark.parametrize(("gain", "heard"), [(1.0, True), (0.3, True), (0.06, False)])
def test_a_probe_below_the_roots_is_heard_where_it_follows_the_share_they_lack(tmp_path, monkeypatch, gain, heard):
    depletion = np.tile(np.linspace(3.0, 25.0, 10), 4) + np.repeat([0.0, 2.0, -1.0, 1.0], 10)
    monkeypatch.setattr(filtered, "run_balance", lambda *given: SimpleNamespace(depletion=depletion[None, :]))
    place = site(tmp_path, TOML, ZONES, probe_sites=PLACES.replace(",15,", ",45,"))
    sensors, ran = filtered.sensors_of(place), SimpleNamespace(minutes=np.zeros((3, 41)), first_known=0)
    read = 0.25 - gain * depletion / (1000.0 * place.zones.fed_depth[0])
    found = filtered._in_touch(place, sensors, read[None, :], ran, np.full((3, 41), 5.0), np.zeros((3, 41)), 0)
    assert found.tolist() == [heard]
