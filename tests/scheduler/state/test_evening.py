"""Where each zone stands at opening time by its readings and the plain balance; values worked out by hand."""

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from scheduler.state.demand import evening_demand
from scheduler.state.evening import (
    StartState,
    _flag_notes,
    _joined,
    _kept_digits,
    _latest_by_probe,
    _places,
    evening_state,
    starting_state,
)
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
    assert (state.readings, state.used, state.doubtful) == (2, 2, 0)
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


OPENING = pd.Timestamp("2026-07-14T21:00")


def doubts(*rows):
    """Flags of readings: (probe, rule, what, hours from the opening at which it begins and ends, reason)."""
    found = pd.DataFrame(rows, columns=["probe", "rule", "what", "starts", "ends", "reason"])
    times = {name: OPENING + pd.to_timedelta(found[name], unit="h") for name in ("starts", "ends")}
    return [(n.subject, n.text, n.name) for n in _flag_notes(found.assign(**times), OPENING, "metric")]


@pytest.mark.parametrize(
    ("rule", "what", "starts", "ends", "said"),
    [
        ("stuck", "moisture", -90, -71, True),
        ("stuck", "moisture", -90, -72, False),  # over three days ago
        ("spike", "ec", -1, 0, True),
        ("spike", "ec", 0, 5, True),
        ("spike", "ec", 1, 5, False),  # not yet read
        ("gap", "reading", -9, -1, False),  # a silence takes out nothing
        ("unrecorded", "moisture", -9, -1, False),  # water that is not on record is no fault of a probe
    ],
)
def test_doubts_of_the_last_three_days_are_said(rule, what, starts, ends, said):
    assert bool(doubts(("a", rule, what, starts, ends, "odd"))) == said


def test_of_several_doubts_the_last_is_told_and_how_many_more():
    found = doubts(
        ("b", "spike", "moisture", -30, -30, "jumped"),
        ("b", "stuck", "moisture", -20, -2, "stood still"),
        ("b", "drop", "moisture", -28, -27, "fell"),
        ("a", "ec", "ec", -3, -1, "does not fit"),
        ("a", "spike", "moisture", -3, -3, "jumped"),
    )
    assert [(subject, text.split(" (")[0]) for subject, text, _ in found] == [
        ("probe a", "does not fit"),
        ("probe a", "jumped"),
        ("probe b", "stood still"),
    ]
    assert found[2][1].endswith("(up to Tue 14 Jul, 19:00); not used; 2 more doubts in these days")
    assert found[0][1].endswith("not used")


def state(**columns):
    given = {"depletion": 10.0, "spread": 3.0, "origin": "balance", "taw": 45.0, "surplus": 0.0}
    arrays = {n: np.array(columns.get(n, [v] * 3), dtype=object if n == "origin" else float) for n, v in given.items()}
    return StartState(*arrays.values(), 0, 0, 0, None, None, 0, 0, True, ())


def test_the_filter_speaks_for_zones_a_probe_informs_and_no_others():
    told = SimpleNamespace(
        informed_by=np.array(["probe", "balance", "kin"]),
        depletion=np.array([50.0, 20.0, -2.0]),
        spread=np.array([30.0, 1.0, 2.0]),
        surplus=np.array([0.0, 5.0, 2.0]),
    )
    found = _joined(state(), SimpleNamespace(estimate=told, rows=np.array([2, 1, 0])))
    assert found.depletion.tolist() == [0.0, 10.0, 45.0]  # no drier than the wilting point, no wetter than full
    assert found.surplus.tolist() == [2.0, 0.0, 0.0]
    assert found.spread.tolist() == [2.0, 3.0, 0.4 * 45.0]
    assert found.origin.tolist() == ["kin", "balance", "probe"]


def test_no_zone_is_rounded_past_its_wilting_point():
    found = _kept_digits(
        replace(state(taw=[45.0, 44.9999996, 45.0]), depletion=np.array([1.23456789, 44.9999996, 3.0]))
    )
    assert found.depletion.tolist() == [1.234568, 44.9999996, 3.0]


def dried(place, level, days, eto=8.0):
    """Depletion after dry days from RAW or drier: FAO-56 Eq. 84 with p for ETc by the note to its Table 22."""
    et = eto * kc(place)
    p = float(np.clip(place.zones.depletion_fraction[0] + 0.04 * (5.0 - et), 0.1, 0.8))
    level = 45.0 * p if level is None else level
    for _ in range(days):
        level += et * min(1.0, (45.0 - level) / (45.0 * (1.0 - p)))
    return level


@pytest.mark.parametrize("nights", [1, 3])
def test_only_nights_before_the_log_begins_are_taken_as_watered(tmp_path, nights):
    # Ten dates of 8 mm without water. Up to the date of the log's first night no zone has passed RAW, somebody watered;
    # on the dates after its nights it dries on.
    weather = WEATHER.replace(",5,0", ",8,0")
    found, place = asked(tmp_path, weather=weather, applied=log({}, nights=range(nights, 0, -1)))
    assert found.depletion[0] == pytest.approx(dried(place, None, nights))


def test_a_reading_drier_than_that_is_believed(tmp_path):
    # 0.12 is 39 mm of 45, past RAW. The log begins a night after it: who read so dry was not watered.
    weather = WEATHER.replace(",5,0", ",8,0")
    rows = PROBES + f"{NIGHT - timedelta(days=2)}T20:30,a,0.12,,\n"
    given = {"probes": rows, "probe_sites": PLACES, "applied": log({}, nights=(1,))}
    found, place = asked(tmp_path, weather=weather, **given)
    assert found.depletion[0] == pytest.approx(dried(place, 39.0, 2))
    assert found.depletion[1] == pytest.approx(dried(place, None, 1))


def test_a_soil_may_be_wetter_than_field_capacity_up_to_saturation(tmp_path):
    found, _ = asked(tmp_path, probes=PROBES + f"{NIGHT}T20:30,a,0.40,,\n", probe_sites=PLACES)
    assert (found.used, found.doubtful, found.depletion[0]) == (1, 0, 0.0)


def test_the_newest_probe_of_a_zone_says_how_much_of_the_day_is_to_come(tmp_path):
    rows = PROBES + f"{NIGHT}T13:00,a,0.22,,\n{NIGHT}T20:30,b,0.22,,\n"
    found, _ = asked(tmp_path, probes=rows, probe_sites=PLACES)
    assert found.depletion[0] == pytest.approx(9.0)


def test_an_estimate_grows_less_sure_by_the_root_of_its_days(tmp_path):
    # A day's ET is unsure by 0.3: after two days 0.3 root 2 of it, beside the 6 mm of the reading.
    rows = PROBES + f"{NIGHT - timedelta(days=2)}T20:30,a,0.22,,\n"
    found, place = asked(tmp_path, probes=rows, probe_sites=PLACES, applied=log({}))
    assert found.spread[0] == pytest.approx(np.hypot(6.0, 0.3 * 5.0 * kc(place) * np.sqrt(2.0)))


def test_no_spread_is_wider_than_two_fifths_of_what_the_soil_holds(tmp_path):
    weather = "date,eto,rain\n" + "".join(f"{NIGHT - timedelta(days=d)},9,0\n" for d in range(59, -1, -1))
    found, _ = asked(tmp_path, weather=weather, applied=log({}, nights=range(59, 0, -1)))
    assert found.spread.tolist() == [0.4 * 45.0] * 2


def test_readings_of_sand_over_gravel_are_of_all_that_feeds_the_turf(tmp_path):
    # 15 cm of roots over 30 cm of sand that holds water to its lower end: 0.10 short of FC are 30 mm, and 0.02 of error
    # are 6.
    zones = ZONES.split("\n")[0] + "\nF1,green,creeping_bentgrass,sand_rootzone,15,500,2,12,1.0,0.20,0.05\n"
    place = site(
        tmp_path, zones=zones, weather=WEATHER, probes=PROBES + f"{NIGHT}T20:30,a,0.10,,\n", probe_sites=PLACES
    )
    found = starting_state(place, NIGHT, 21 * 60, evening_demand(place, NIGHT, 3), net_rates(place))
    assert (found.taw[0], found.depletion[0], found.spread[0]) == pytest.approx((45.0, 30.0, 6.0))


def read(*rows):
    """Newest readings of probes from (probe, hours before the opening, moisture)."""
    table = pd.DataFrame(rows, columns=["probe", "ago", "moisture"])
    found = _latest_by_probe(table.assign(time=OPENING - pd.to_timedelta(table["ago"], unit="h")))
    return found.set_index("probe")


def test_the_last_three_readings_speak_and_none_over_six_hours_before_the_last():
    often = [("c", h, m) for h, m in ((3, 0.10), (2, 0.10), (1, 0.22), (0.5, 0.23), (0, 0.24))]
    found = read(("a", 6.6, 0.10), ("a", 6.0, 0.18), ("a", 0.5, 0.24), ("b", 9.0, 0.10), ("b", 1.0, 0.20), *often)
    assert found["moisture"].tolist() == [0.21, 0.20, 0.23]
    assert found.loc["a", "time"] == OPENING - timedelta(hours=0.5)


@pytest.mark.parametrize(
    ("hours", "stuck"),
    [
        (np.linspace(36.0, 0.0, 6), True),
        (np.linspace(35.5, 0.0, 6), False),  # less than a day and a half
        (np.linspace(36.0, 0.0, 5), False),  # too few readings to tell
        (np.r_[60.0, np.linspace(30.0, 0.0, 5)], False),  # only the last two days count
    ],
)
def test_a_probe_is_stuck_after_a_day_and_a_half_of_one_value(hours, stuck):
    rows = [("a", h, 0.2) for h in hours]
    assert read(*rows)["stuck"].tolist() == [stuck]
    assert read(*rows[:-1], ("a", hours[-1], 0.201))["stuck"].tolist() == [False]


def test_a_probe_reads_where_it_was_buried_then(tmp_path):
    # The last day of a placement is part of it, and so is the first.
    places = (
        "probe,zone,depth,from,until\n"
        f"gone,F1,5,,{NIGHT - timedelta(days=1)}\nlast,F1,5,,{NIGHT}\nfirst,F2,15,{NIGHT},\n"
        f"later,F2,15,{NIGHT + timedelta(days=1)},\nalways,F2,20,,\n"
    )
    place = site(tmp_path, zones=ZONES, probe_sites=places)
    names = ["gone", "last", "first", "later", "always", "unknown"]
    latest = pd.DataFrame({"probe": names, "time": OPENING - timedelta(hours=1), "moisture": 0.2})
    found = _places(place, latest, OPENING)
    assert dict(zip(found["probe"], found["z"], strict=True)) == {"last": 0, "first": 1, "always": 1}
