"""Where each zone stands at opening time by its readings and the plain balance; values worked out by hand."""

from datetime import date, timedelta

import numpy as np
import pytest

from scheduler.state.demand import evening_demand
from scheduler.state.evening import evening_state, starting_state
from scheduler.supply import net_rates
from tests.scheduler.site_folders import site

NIGHT = date(2026, 7, 14)
# Root zone 30 cm, FC 0.25, WP 0.10: TAW 45 mm. 12 mm/h even over the zone: 0.2 mm/min.
ZONES = (
    "zone,surface,turf,soil,root_depth,area,flow,application_rate,du_lq,field_capacity,wilting_point\n"
    "F1,fairway,tall_fescue,loam,30,1000,3.333,12,1.0,0.25,0.10\n"
    "F2,fairway,tall_fescue,loam,30,1000,3.333,12,1.0,0.25,0.10\n"
)
WEATHER = "date,eto,rain\n" + "".join(f"{NIGHT - timedelta(days=d)},5,0\n" for d in range(9, -1, -1))
PROBES = "time,probe,moisture,ec,temperature\n"
PLACES = "probe,zone,depth,from,until\na,F1,5,,\nb,F1,20,,\n"
LOGGED = "night,zone,minutes\n"


def asked(folder, weather=WEATHER, whole=False, **files):
    place = site(folder, zones=ZONES, weather=weather, **files)
    demand = evening_demand(place, NIGHT, 3)
    opens, _ = place.window.of(NIGHT)
    state = (evening_state if whole else starting_state)(place, NIGHT, opens, demand, net_rates(place))
    return state, place


def kc(place):
    return float(place.zones.kc_month[0, 6])


def log(minutes, zones=("F1", "F2"), nights=range(9, 0, -1)):
    """A log with no water but on the nights named, by days before the evening."""
    rows = (f"{NIGHT - timedelta(days=d)},{z},{minutes.get(d, 0)}\n" for d in nights for z in zones)
    return LOGGED + "".join(rows)


def drained(level):
    """Half a day of drainage of 30 cm of loam at FC 0.25, by hand: exp(D / L) grows by a quarter, L = FC Zr / 13.78.

    Only what stands above field capacity drains, and down to it.
    """
    scale = 1000 * 0.25 * 0.30 / (2 * 5.39 + 3)
    return level if level >= 0.0 else min(scale * np.log(np.exp(level / scale) + 0.25), 0.0)


def test_the_balance_takes_each_nights_water_before_the_date_after_it(tmp_path):
    # From field capacity three evenings back. A date takes its ET after the water of the night before; what stands
    # above field capacity drains over days: 30 min on the night two back give 6 mm; 5 min give 1 mm.
    weather = "date,eto,rain\n" + "".join(f"{NIGHT - timedelta(days=d)},5,0\n" for d in (3, 2, 1, 0))
    state, place = asked(tmp_path, weather=weather, applied=log({1: 5, 2: 30}, nights=(3, 2, 1)))
    level, et = 0.0, 5.0 * kc(place)
    for water in (0.0, 6.0, 1.0):
        level = drained(drained(level - water) + et)
    np.testing.assert_allclose(state.depletion, level)
    assert state.origin.tolist() == ["balance"] * 2


def test_a_storm_of_the_day_stands_above_field_capacity_at_opening(tmp_path):
    # 40 mm on the last date pass field capacity by far: half a day later L ln 4 is left above it.
    weather = WEATHER.replace(f"{NIGHT},5,0", f"{NIGHT},1,60")
    state, place = asked(tmp_path, weather=weather, applied=log({}))
    assert state.depletion.tolist() == [0.0, 0.0]
    scale = 1000 * 0.25 * 0.30 / (2 * 5.39 + 3)
    assert np.all((state.surplus > 0.5 * scale) & (state.surplus <= scale * np.log(4.0)))


def test_water_of_the_evening_itself_has_not_run_yet(tmp_path):
    dry, _ = asked(tmp_path / "a", applied=log({}))
    tonight, _ = asked(tmp_path / "b", applied=log({0: 60}, nights=range(9, -1, -1)))
    np.testing.assert_allclose(tonight.depletion, dry.depletion)


def test_each_depth_stands_for_the_soil_nearest_to_it(tmp_path):
    # 5 and 20 cm meet at 12.5 cm, so of 30 cm the upper stands for 12.5 and the lower for 17.5. Read after sunset, so
    # nothing of the day's ET is to come.
    rows = f"{NIGHT}T20:30,a,0.24,,\n{NIGHT}T20:30,b,0.16,,\n"
    state, _ = asked(tmp_path, probes=PROBES + rows, probe_sites=PLACES)
    mean = (12.5 * 0.24 + 17.5 * 0.16) / 30.0
    assert state.depletion[0] == pytest.approx(1000 * (0.25 - mean) * 0.30)
    assert state.origin.tolist() == ["probe", "field capacity"]
    assert (state.readings, state.used, state.doubtful) == (2, 2, 0)


@pytest.mark.parametrize(
    ("hour", "left"), [("05:00", 1.0), ("06:00", 1.0), ("13:00", 0.5), ("19:59", 1 / 840), ("20:30", 0)]
)
def test_a_reading_by_day_has_the_rest_of_its_et_before_it(tmp_path, hour, left):
    # Moisture 0.22: short of 9 mm; ET is taken up evenly between 6 and 20 h.
    state, place = asked(tmp_path, probes=PROBES + f"{NIGHT}T{hour},a,0.22,,\n", probe_sites=PLACES)
    assert state.depletion[0] == pytest.approx(9.0 + left * 5.0 * kc(place))


def test_a_reading_of_yesterday_goes_on_by_the_balance(tmp_path):
    files = {"probes": PROBES + f"{NIGHT - timedelta(days=1)}T20:30,a,0.22,,\n", "probe_sites": PLACES}
    state, place = asked(tmp_path, applied=log({1: 25}), **files)
    assert state.depletion[0] == pytest.approx(drained(drained(9.0 - 5.0) + 5.0 * kc(place)))  # 25 min gave 5 mm
    assert state.newest_applied == NIGHT - timedelta(days=1)


def test_nothing_read_after_opening_is_known(tmp_path):
    rows = f"{NIGHT}T20:30,a,0.22,,\n{NIGHT}T21:30,a,0.10,,\n"
    state, _ = asked(tmp_path, probes=PROBES + rows, probe_sites=PLACES)
    assert state.depletion[0] == pytest.approx(9.0)


@pytest.mark.parametrize("whole", [False, True])
def test_a_reading_of_the_opening_hour_is_known(tmp_path, whole):
    # Probes read on the full hour, and so do windows open.
    rows = f"{NIGHT}T20:30,a,0.22,,\n{NIGHT}T21:00,b,0.22,,\n"
    state, place = asked(tmp_path, whole=whole, probes=PROBES + rows, probe_sites=PLACES)
    assert place.window.of(NIGHT)[0] == 21 * 60
    assert (state.readings, state.used) == (2, 2)
    assert state.depletion[0] == pytest.approx(9.0)


def test_the_last_three_readings_of_six_hours_speak_by_their_median(tmp_path):
    hours = (("12:00", 0.10), ("20:10", 0.22), ("20:20", 0.23), ("20:30", 0.15))
    rows = "".join(f"{NIGHT}T{h},a,{m},,\n" for h, m in hours)
    state, _ = asked(tmp_path, probes=PROBES + rows, probe_sites=PLACES)
    assert state.depletion[0] == pytest.approx(9.0)


def test_readings_older_than_three_days_say_nothing_and_that_is_said(tmp_path):
    old = PROBES + f"{NIGHT - timedelta(days=4)}T20:30,a,0.12,,\n"
    state, _ = asked(tmp_path, probes=old, probe_sites=PLACES)
    assert state.origin[0] == "field capacity"
    assert state.depletion[0] == 0.0
    assert any("newest reading is 4 days old" in n.text for n in state.notes)


@pytest.mark.parametrize(
    ("moisture", "why"), [(0.62, "which its soil cannot hold"), (0.0, "which its soil cannot hold")]
)
def test_a_reading_no_soil_can_hold_is_set_aside(tmp_path, moisture, why):
    rows = f"{NIGHT}T20:30,a,0.22,,\n{NIGHT}T20:30,b,{moisture},,\n"
    state, _ = asked(tmp_path, probes=PROBES + rows, probe_sites=PLACES)
    assert state.depletion[0] == pytest.approx(9.0)
    assert (state.used, state.doubtful) == (1, 1)
    assert any(why in n.text and n.subject == "probe b" for n in state.notes)


def test_a_probe_that_does_not_move_for_two_days_is_set_aside(tmp_path):
    times = [f"{NIGHT - timedelta(days=d)}T{h}:00" for d in (2, 1, 0) for h in ("02", "08", "14", "20")]
    still = "".join(f"{t},a,0.12,,\n" for t in times)
    moving = "".join(f"{t},b,{0.22 + 0.001 * (i % 2)},,\n" for i, t in enumerate(times))
    state, _ = asked(tmp_path, probes=PROBES + still + moving, probe_sites=PLACES)
    assert (state.used, state.doubtful) == (1, 1)
    assert any("has not moved for two days" in n.text for n in state.notes)


def test_a_probe_speaks_for_where_it_stood_when_it_read(tmp_path):
    places = f"probe,zone,depth,from,until\na,F1,15,,{NIGHT - timedelta(days=1)}\na,F2,15,{NIGHT},\n"
    state, _ = asked(tmp_path, probes=PROBES + f"{NIGHT}T20:30,a,0.22,,\n", probe_sites=places)
    assert state.origin.tolist() == ["field capacity", "probe"]


def test_readings_beyond_the_soil_are_taken_as_its_limits_and_said(tmp_path):
    wet, _ = asked(tmp_path / "w", probes=PROBES + f"{NIGHT}T20:30,a,0.33,,\n", probe_sites=PLACES)
    dry, _ = asked(tmp_path / "d", probes=PROBES + f"{NIGHT}T20:30,a,0.05,,\n", probe_sites=PLACES)
    assert (wet.depletion[0], dry.depletion[0]) == (0.0, 45.0)
    assert any("wetter than field capacity" in n.text for n in wet.notes)
    assert any("drier than the wilting point" in n.text for n in dry.notes)


def test_two_depths_are_surer_than_one_and_time_makes_unsure(tmp_path):
    one = PROBES + f"{NIGHT}T20:30,a,0.22,,\n"
    both = one + f"{NIGHT}T20:30,b,0.22,,\n"
    old = one.replace(str(NIGHT), str(NIGHT - timedelta(days=2)))
    spread = [
        asked(tmp_path / n, probes=p, probe_sites=PLACES)[0].spread for n, p in (("1", one), ("2", both), ("3", old))
    ]
    # 0.02 m3/m3 over 300 mm is 6 mm; independent errors of two depths average by the root of 2.
    assert spread[0][0] == pytest.approx(6.0)
    assert spread[1][0] == pytest.approx(6.0 / np.sqrt(2.0))
    assert spread[2][0] > 6.0
    assert spread[0][1] == pytest.approx(0.15 * 45.0)  # where nothing is known


def test_before_the_log_begins_turf_was_watered_by_somebody(tmp_path):
    # 60 days of 5 mm without rain, the log holds but the last night: no zone is dead for want of a log.
    weather = "date,eto,rain\n" + "".join(f"{NIGHT - timedelta(days=d)},5,0\n" for d in range(59, -1, -1))
    state, _ = asked(tmp_path, weather=weather, applied=log({1: 10}, nights=(1,)))
    assert np.all(state.depletion < 0.75 * 45.0)
    assert np.all(state.depletion > 0.3 * 45.0)


def test_without_weather_or_log_zones_stand_at_field_capacity_and_why_is_said(tmp_path):
    nothing, _ = asked(tmp_path / "a")
    no_weather, _ = asked(tmp_path / "b", weather=None, applied=log({}))
    assert nothing.origin.tolist() == no_weather.origin.tolist() == ["field capacity"] * 2
    assert any("no log and no plan of recent nights" in n.text for n in nothing.notes)
    assert any("no weather observed" in n.text for n in no_weather.notes)


def test_probes_without_a_log_speak_for_their_own_zone_only(tmp_path):
    rows = "".join(
        f"{NIGHT - timedelta(days=d)}T{h}:30,a,{0.22 - 0.002 * d},,\n" for d in range(8, -1, -1) for h in ("08", "20")
    )
    files = {"probes": PROBES + rows, "probe_sites": PLACES}
    alone, _ = asked(tmp_path / "a", whole=True, **files)
    assert alone.origin.tolist() == ["probe", "field capacity"]
    assert any("no log of recent nights: probes speak for their own zone only" in n.text for n in alone.notes)
    kin, _ = asked(tmp_path / "b", whole=True, applied=log({}), **files)
    assert kin.origin.tolist() == ["probe", "kin"]
    assert np.all(kin.spread <= 0.25 * 45.0)
    assert 0.0 < kin.depletion[1] < 45.0


def test_the_last_bits_of_a_sum_change_no_state(tmp_path):
    # Sums differ in their last bits between machines; a full night is packed otherwise for less.
    weather = "date,eto,rain\n" + "".join(f"{NIGHT - timedelta(days=d)},5,0\n" for d in (3, 2, 1, 0))
    other = weather.replace(",5,0", ",5.0000000000001,0")
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    given = {"applied": log({1: 5, 2: 30}, nights=(3, 2, 1)), "whole": True}
    (here, _), (there, _) = asked(tmp_path / "a", weather, **given), asked(tmp_path / "b", other, **given)
    assert here.depletion.max() > 1.0
    for one, two in ((here.depletion, there.depletion), (here.surplus, there.surplus), (here.spread, there.spread)):
        assert one.tolist() == two.tolist()
    assert (here.depletion <= here.taw).all()
