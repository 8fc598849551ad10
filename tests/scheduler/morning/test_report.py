"""The morning after, on a site written by hand: planned against applied, who is short, what the weather did."""

from datetime import date, datetime, timedelta

import numpy as np
import pytest

from scheduler.edge import format_duration
from scheduler.errors import NoPlan
from scheduler.ledger.keeping import Kept
from scheduler.morning import report as reports
from scheduler.morning.report import _by_hand, latest_night, morning_report
from scheduler.morning.response import answers
from tests.scheduler import hand_evening as h

TIGHT = "[surface.green]\nmoisture_floor = 0.7\n"  # dry beyond 13.5 mm of 45
NOW = datetime(2026, 7, 15, 7)
PLACES = "probe,zone,depth\na,G1,15\n"


def weather_to_morning():
    return h.weather() + f"{h.NIGHT + timedelta(days=1)},6.5,2\n"


def looked_back(folder, ran, *, before=25, plan=True, night=h.NIGHT, **files):
    """Plan the evening, then look back with `ran` minutes (or nothing) in the log of the night."""
    log = h.log(before, "G1", "G2")
    place = h.hand_site(folder, "G1 green", "G2 green", toml=TIGHT, applied=log, **files)
    made = h.planned(place) if plan else None
    (place.folder / "weather.csv").write_text(weather_to_morning())
    rows = "".join(f"{h.NIGHT},{z},{m}\n" for z, m in ran.items())
    (place.folder / "applied.csv").write_text(log + rows)
    return morning_report(Kept(h.again(place), None, None), night), made


def said(report):
    return " / ".join(n.text for n in report.notes)


def test_a_night_that_ran_as_planned_is_left_in_peace(tmp_path):
    report, made = looked_back(tmp_path / "s", {"G1": 50, "G2": 50}, before=20)
    planned = [z["minutes"] for z in made["zones"]]
    assert report.planned.tolist() == planned
    assert report.applied.tolist() == [50.0, 50.0]
    np.testing.assert_allclose(report.depth, 10.0)
    np.testing.assert_allclose(report.after, report.before - 10.0)
    assert "2 zones ran" in report.headline


def test_less_than_planned_is_told_and_walked_to(tmp_path):
    report, made = looked_back(tmp_path / "s", {"G1": 3, "G2": made_minutes(tmp_path)}, before=15)
    planned = made["zones"][0]["minutes"]
    assert planned > 20
    assert f"3 min ran of {format_duration(planned)} planned" in report.verdict[0]
    assert "under-watered: the estimate finds it short by" in report.verdict[0]
    assert "planned" not in report.verdict[1]
    assert report.walk[0].where.startswith("G1")


def test_the_walking_list_is_told_what_was_planned_and_what_ran(tmp_path, monkeypatch):
    seen = []
    monkeypatch.setattr(reports, "walking_list", lambda site, walk, *minutes: seen.extend(minutes) or ())
    report, _ = looked_back(tmp_path / "s", {"G1": 3, "G2": 4}, before=15)
    assert seen[0] is report.planned and seen[1] is report.applied


def test_a_few_minutes_of_a_long_run_are_left_in_peace(tmp_path):
    # Three minutes are more than two, and less than a tenth of the run; 15 % are more than both.
    planned = made_minutes(tmp_path)
    assert planned > 35
    report, _ = looked_back(tmp_path / "s", {"G1": planned - 3, "G2": 0.85 * planned}, before=15)
    assert "planned" not in report.verdict[0]
    assert "planned" in report.verdict[1]


def made_minutes(folder):
    """What the plan of such an evening gives a zone."""
    place = h.hand_site(folder / "plan", "G1 green", "G2 green", toml=TIGHT, applied=h.log(15, "G1", "G2"))
    return h.planned(place)["zones"][1]["minutes"]


def test_more_than_the_roots_hold_is_told(tmp_path):
    report, _ = looked_back(tmp_path / "s", {"G1": 180, "G2": 0}, before=25)
    assert "over-watered" in report.verdict[0]
    assert "more than its roots could hold" in report.verdict[0]


def test_a_log_of_volumes_is_read_as_minutes(tmp_path):
    log = h.log(25, "G1", "G2").replace("minutes\n", "minutes,volume\n").replace(",25\n", ",25,\n")
    place = h.hand_site(tmp_path / "s", "G1 green", "G2 green", toml=TIGHT, applied=log + f"{h.NIGHT},G1,,2\n")
    report = morning_report(Kept(place, None, None), h.NIGHT)
    assert report.applied.tolist() == [pytest.approx(2 / (3.3333 * 0.06)), 0.0]
    assert "no plan of this night" in said(report)


def test_a_night_without_a_log_counts_as_planned_and_says_so(tmp_path):
    report, made = looked_back(tmp_path / "s", {}, before=15)
    assert np.isnan(report.applied).all()
    np.testing.assert_allclose(report.depth, [z["minutes"] * 0.2 for z in made["zones"]])
    assert "the log holds nothing of this night: taken as planned" in said(report)


def test_a_dry_spot_gets_what_brings_it_into_the_band(tmp_path):
    # 0.16 m3/m3 read in the morning: 27 mm short in 300 mm of roots, beyond the limit of 13.5.
    readings = "".join(
        f"{h.NIGHT - timedelta(days=d)}T{t},a,{m},,\n"
        for d in (2, 1, 0)
        for t, m in (("06:00", 0.161), ("12:00", 0.162), ("20:00", 0.16))
    )
    files = {
        "probes": f"time,probe,moisture,ec,temperature\n{readings}2026-07-15T06:00,a,0.16,,\n",
        "probe_sites": PLACES,
    }
    report, _ = looked_back(tmp_path / "s", {"G1": 20, "G2": 20}, **files)
    (spot,) = report.hand
    assert (spot.zone, spot.probe) == ("G1", "a")
    assert spot.depletion == pytest.approx(27.0)
    assert spot.dry_limit == pytest.approx(13.5)
    assert spot.dose == 12.0  # as much as goes at once
    assert spot.spot_m3 == pytest.approx(0.12)
    assert spot.zone_m3 == pytest.approx(12.0)
    assert report.measured[0] == pytest.approx(27.0)
    assert np.isnan(report.measured[1])


def test_rain_of_the_date_after_is_no_answer_to_water(tmp_path, monkeypatch):
    # 2 mm fell on the date after the night: a probe that rose may have risen by that, while the night before was dry.
    given = []
    monkeypatch.setattr(reports, "answers", lambda *all_of: given.append(all_of[-1]) or answers(*all_of))
    looked_back(tmp_path / "s", {"G1": 20, "G2": 20})
    [dry] = given
    assert dry[-2] and not dry[-1]


def test_a_dose_by_hand_stops_at_the_firmness_limit(tmp_path):
    # Short by 9 mm where 2 mm short is firm: 7 mm, the driest against its limit first; 0.9 mm is not worth the walk.
    place = h.hand_site(tmp_path / "s", "G1 green", "G2 green", "G3 green")
    spots = [(0, "a", 9.0), (1, "b", 10.0), (2, "c", 2.9), (0, "d", 8.0)]  # the last is just not dry
    found = _by_hand(place, spots, dry=np.array([8.0, 5.0, 2.5]), wet=np.array([2.0, 2.0, 2.0]))
    assert [(spot.zone, spot.dose) for spot in found] == [("G2", 8.0), ("G1", 7.0)]


def test_the_weather_that_came_stands_beside_the_forecast_of_the_evening_before(tmp_path):
    rows = "".join(
        f"{i}T17:00,{i + timedelta(days=d)},{4 + d},{d}\n"
        for i in (h.NIGHT - timedelta(days=1), h.NIGHT)
        for d in (1, 2, 3)
    )
    report, _ = looked_back(tmp_path / "s", {"G1": 20, "G2": 20}, forecast="issued,date,eto,rain\n" + rows)
    assert [(w.day, w.eto, w.rain) for w in report.weather] == [
        (h.NIGHT, (5.0, 5.0), (1.0, 0.0)),
        (h.NIGHT + timedelta(days=1), (5.0, 6.5), (1.0, 2.0)),
    ]


def test_the_night_looked_back_on_is_the_newest_that_ended(tmp_path):
    place = h.hand_site(tmp_path / "s", "G1 green", applied=h.log(10, "G1"))
    assert latest_night(Kept(place, None, None), NOW) == date(2026, 7, 13)
    h.planned(place)
    assert latest_night(Kept(place, None, None), NOW) == h.NIGHT
    assert latest_night(Kept(place, None, None), datetime(2026, 7, 14, 23)) == date(2026, 7, 13)


def test_without_a_plan_or_a_log_there_is_no_night(tmp_path):
    with pytest.raises(NoPlan, match="no plan and no log"):
        latest_night(Kept(h.hand_site(tmp_path / "s", "G1 green"), None, None), NOW)
