"""How a morning is put together: which night, which plan, what it is told from, and its words, without an evening."""

from datetime import date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.choices import BY_HAND, MORNING
from scheduler.errors import NoPlan
from scheduler.morning import report
from scheduler.morning.records import Seen
from scheduler.morning.report import latest_night, morning_report
from scheduler.notes import Note
from tests.scheduler.site_folders import TOML, site

NIGHT = date(2026, 7, 14)
NAN = np.nan
ZONES = "zone,surface,area,flow,application_rate\nG1,green,1000,2,12\nF1,fairway,2000,2,12\n"


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    return site(tmp_path_factory.mktemp("a") / "a", TOML, ZONES)


def kept(folder, applied=(), probes=(), plans=(), of_ledger=None, monkeypatch=None):
    for night in plans:
        (folder / "out" / night).mkdir(parents=True)
        (folder / "out" / night / "plan.json").write_text("{}")
    log = pd.DataFrame({"night": pd.to_datetime(list(applied))})
    read = pd.DataFrame({"time": pd.to_datetime(list(probes))})
    ledger = None
    if of_ledger is not None:
        ledger = "ledger"
        newest = lambda given: SimpleNamespace(night=date.fromisoformat(of_ledger)) if of_ledger else None  # noqa: E731
        monkeypatch.setattr(report.queries, "latest_plan", newest)
    return SimpleNamespace(site=SimpleNamespace(folder=folder, applied=log, probes=read), ledger=ledger)


NOW = datetime(2026, 7, 15, 7, 30)


@pytest.mark.parametrize(
    ("given", "night"),
    [
        ({"plans": ("2026-07-12", "2026-07-13", "not-a-night")}, "2026-07-13"),
        ({"applied": ("2026-07-14", "2026-07-11")}, "2026-07-14"),
        ({"applied": ("2026-07-12",), "plans": ("2026-07-14", "2026-07-15")}, "2026-07-14"),  # tonight's is to come
        ({"of_ledger": "2026-07-13", "applied": ("2026-07-12",)}, "2026-07-13"),
        ({"of_ledger": "", "applied": ("2026-07-12",)}, "2026-07-12"),
        # Read until the 13th: the night of the 12th is the last that was read after.
        ({"plans": ("2026-07-12", "2026-07-13"), "probes": ("2026-07-13T06:00", "2026-07-12T06:00")}, "2026-07-12"),
        ({"plans": ("2026-07-13",), "probes": ("2026-07-13T06:00",)}, "2026-07-13"),  # read after none
    ],
)
def test_the_night_looked_back_on(tmp_path, monkeypatch, given, night):
    assert latest_night(kept(tmp_path, monkeypatch=monkeypatch, **given), NOW) == date.fromisoformat(night)


def test_a_night_that_has_not_ended_is_not_looked_back_on(tmp_path):
    with pytest.raises(NoPlan, match="no night to look back on"):
        latest_night(kept(tmp_path, plans=("2026-07-15",)), NOW)


def test_the_ledger_s_plan_stands_before_the_file_s(tmp_path, monkeypatch):
    monkeypatch.setattr(report, "read_plan", lambda file: f"read {file.parent.name}")
    found = kept(tmp_path, plans=("2026-07-14",))
    assert report._plan_of(found, NIGHT) == "read 2026-07-14"
    assert report._plan_of(found, NIGHT - timedelta(days=1)) is None
    found.ledger = "ledger"
    monkeypatch.setattr(report.queries, "current_plan", lambda ledger, night: "held" if night == NIGHT else None)
    assert report._plan_of(found, NIGHT) == "held"
    monkeypatch.setattr(report.queries, "current_plan", lambda ledger, night: None)
    assert report._plan_of(found, NIGHT) == "read 2026-07-14"


def test_minutes_and_band_of_a_plan_are_found_by_zone(place):
    limits = SimpleNamespace(dry_limit_mm=12.0, wet_limit_mm=3.0)
    zones = [SimpleNamespace(id=i, minutes=m, limits=limits) for i, m in (("F1", 9.0), ("X", 1.0))]
    plan = SimpleNamespace(zones=zones)
    minutes, band = report._planned(place, plan)
    np.testing.assert_array_equal(minutes, [NAN, 9.0])
    np.testing.assert_array_equal(band, [[NAN, NAN], [12.0, 3.0]])
    assert np.isnan(report._planned(place, None)[0]).all()


# ------------------------------------------------------------------------------------------------- the whole of it


@pytest.fixture
def morning(monkeypatch, place):
    """A morning whose parts are told: G1 planned 10 min and F1 5, of which G1 ran 8; 0.2 mm a minute."""
    told = {
        "plan": "plan", "applied": np.array([8.0, NAN]), "flushes": [], "spots": [(0, "p", 30.0)], "weather": ["row"],
        "notes": (Note("info", "x", "left out"), Note("warning", "x", "kept"), Note("warning", "x", "kept")),
    }  # fmt: skip
    seen = {}
    own = SimpleNamespace(
        **{**vars(place), "notes": (Note("info", "ledger", "of the ledger"), Note("warning", "zones", "no"))}
    )
    state = SimpleNamespace(depletion=np.array([10.0, 1.0]), notes=told["notes"], taw=np.full(2, 45.0))
    demand = SimpleNamespace(past="past")
    monkeypatch.setattr(report, "evening_demand", lambda site, night, nights: demand)
    monkeypatch.setattr(report, "with_weighed_catch", lambda site, demand: (site, None))
    monkeypatch.setattr(report, "evening_state", lambda site, night, opens, demand, rates: state)
    monkeypatch.setattr(report, "net_rates", lambda site: "rates")
    monkeypatch.setattr(report, "_plan_of", lambda kept, night: told["plan"])
    band = np.array([[12.0, 3.0], [12.0, 3.0]])
    monkeypatch.setattr(report, "_planned", lambda site, plan: (np.array([10.0, 5.0]), band))
    monkeypatch.setattr(report, "_ran", lambda site, night: told["applied"])
    monkeypatch.setattr(report, "_band", lambda *_: (np.full(2, 12.0), np.full(2, 3.0)))
    monkeypatch.setattr(report, "sensors_of", lambda site: "sensors")
    monkeypatch.setattr(report, "_believed_readings", lambda site, over: seen.update(over=over) or "good")
    monkeypatch.setattr(report, "_answers", lambda *given: seen.update(answers=given) or "heard")
    monkeypatch.setattr(report, "_spots", lambda *_: (told["spots"], np.array([30.0, NAN])))
    monkeypatch.setattr(report, "_silent_zones", lambda *_: np.array([False, False]))
    monkeypatch.setattr(report, "_flushed", lambda *_: np.zeros(2, dtype=bool))
    monkeypatch.setattr(report, "_flush_effects", lambda *_: told["flushes"])
    monkeypatch.setattr(report, "_unreached", lambda site, sensors, flushes: [])
    monkeypatch.setattr(report, "_weather", lambda site, night, notes: told["weather"])
    told["seen"] = seen

    def made(**changes):
        told.update(changes)
        return morning_report(SimpleNamespace(site=own, ledger=None), NIGHT)

    return made, told


def test_a_morning_is_told_from_the_log_where_it_speaks_and_from_the_plan_elsewhere(morning, place):
    made, told = morning
    found = made()
    assert found.night == NIGHT and found.planned.tolist() == [10.0, 5.0]
    np.testing.assert_allclose(found.depth, [1.6, 1.0])  # 12 mm/h
    np.testing.assert_allclose(found.after, [8.4, 0.0])
    assert found.dry.tolist() == [12.0, 12.0] and found.measured[0] == 30.0
    opens, closes = place.window.of(NIGHT)
    over = pd.Timestamp(NIGHT) + timedelta(minutes=closes) + timedelta(hours=MORNING.after_closing)
    assert told["seen"]["over"] == over
    assert told["seen"]["answers"][1:5] == (NIGHT, "past", "sensors", "good")
    np.testing.assert_allclose(told["seen"]["answers"][5], [1.6, 1.0])
    assert [n.text for n in found.notes] == ["kept", "of the ledger"]
    assert found.headline.endswith(": 2 zones ran; 0 zones did not respond; 1 spot to water by hand")
    dry = "under-watered: its probes find it short by 30.0 mm, its limit is 12.0 mm"
    assert [w.why for w in found.walk] == [dry] and found.verdict == (dry, "")
    assert [s.zone for s in found.hand] == ["G1"]


@pytest.mark.parametrize(
    ("changes", "notes"),
    [
        ({"plan": None}, ["no plan of this night: the log is shown without it"]),
        ({"applied": np.full(2, NAN)}, ["the log holds nothing of this night: taken as planned"]),
        ({"plan": None, "applied": np.full(2, NAN)},
         ["no plan of this night: the log is shown without it",
          "the log holds nothing of this night: nothing is known of what ran"]),
        ({"spots": []}, ["no believed reading of the morning: nothing is measured"]),
    ],
)  # fmt: skip
def test_what_a_morning_lacks_is_said(morning, changes, notes):
    made, _ = morning
    found = [n for n in made(**changes).notes if n.kind == "step_down"]
    assert [n.text for n in found] == notes


def seen(minutes, applied, silent=(False, False)):
    two = np.zeros(2)
    return Seen(two, np.array(applied), np.array(minutes), two, two, two, two, two, np.array(silent), np.array(silent))


@pytest.mark.parametrize(
    ("given", "hand", "words"),
    [
        (seen([8.0, 0.0], [8.0, 0.0]), 0, "1 zone ran; 0 zones did not respond; 0 spots to water by hand"),
        (seen([8.0, NAN], [NAN, NAN], (True, False)), 1,
         "1 zone planned, no log of what ran; 1 zone did not respond; 1 spot to water by hand"),
        (seen([8.0, 0.5], [NAN, 0.5], (True, True)), 2,
         "2 zones ran; 2 zones did not respond; 2 spots to water by hand"),
    ],
)  # fmt: skip
def test_a_morning_in_one_line(place, given, hand, words):
    assert report._headline(place, NIGHT, given, hand) == f"night of Tuesday 14 July 2026: {words}"


def test_zones_whose_lower_probe_felt_no_flush_are_walked_to(place):
    own = SimpleNamespace(probe=np.array(["a", "b", "c"]), zone=np.array([1, 0, 1]))
    effects = [
        SimpleNamespace(probe="c", lower=True, reached=False), SimpleNamespace(probe="b", lower=True, reached=True),
        SimpleNamespace(probe="a", lower=False, reached=False), SimpleNamespace(probe="b", lower=True, reached=None),
        SimpleNamespace(probe="gone", lower=True, reached=False),
    ]  # fmt: skip
    (stop,) = report._unreached(place, own, effects)
    assert (stop.row, stop.why, stop.brief) == (1, "the flush did not reach probe c", "the flush did not reach probe c")
    assert stop.rank == (report.UNREACHED, float(place.zones.priority[1]), 0.0)


@pytest.mark.parametrize(
    ("depletion", "listed"),
    [(12.0, False), (12.1, True), (3.0 + BY_HAND.largest_dose + 5.0, True)],
)
def test_a_spot_past_its_floor_gets_what_brings_it_into_the_band(place, depletion, listed):
    found = report._by_hand(place, [(1, "p", depletion)], np.array([1.0, 12.0]), np.array([0.0, 3.0]))
    assert bool(found) == listed
    if listed:
        (spot,) = found
        dose = min(depletion - 3.0, BY_HAND.largest_dose)
        assert (spot.zone, spot.probe, spot.depletion, spot.dry_limit) == ("F1", "p", depletion, 12.0)
        assert (spot.dose, spot.spot_m3, spot.zone_m3) == pytest.approx((dose, dose / 100, 2 * dose))
        assert f"{10 * dose:,.0f} L on 10 m²" in spot.words and f"{2 * dose:.1f} m³ on the whole zone" in spot.words
        assert f"short by {depletion:.1f} mm, its dry limit is 12.0 mm" in spot.reason


def test_spots_are_watered_the_driest_against_its_floor_first_and_little_is_left_alone(place):
    dry, wet = np.array([5.0, 12.0]), np.array([0.0, 12.0 - BY_HAND.least_dose])
    spots = [(1, "a", 13.0), (0, "b", 7.0), (0, "c", 5.5)]
    assert [s.probe for s in report._by_hand(place, spots, dry, wet)] == ["b", "a", "c"]
    little = np.array([5.6 - BY_HAND.least_dose, 13.1 - BY_HAND.least_dose])
    assert [s.probe for s in report._by_hand(place, spots, dry, little)] == ["b"]


def told(monkeypatch, route="forecast", observed=2):
    """Weather of dates: observed up to a number of them from the night's on; eto 4 told and 5 came, rain 1 and 2."""
    asked = []

    def demand(site, day, nights):
        asked.append((day, nights))
        newest = NIGHT + timedelta(days=observed - 1)
        past = pd.DataFrame({"eto": [9.0, 5.0], "rain": [9.0, 2.0]})
        future = pd.DataFrame({"eto": [4.0, 9.0], "rain": [1.0, 9.0], "route": [route, "forecast"]})
        return SimpleNamespace(newest=min(newest, day) if observed else None, past=past, future=future)

    monkeypatch.setattr(report, "evening_demand", demand)
    notes = []
    rows = report._weather(None, NIGHT, notes)
    return rows, [n.text for n in notes], asked


def test_what_came_stands_beside_what_was_told_the_evening_before(monkeypatch):
    rows, notes, asked = told(monkeypatch)
    assert [(r.day, r.eto, r.rain) for r in rows] == [
        (NIGHT, (4.0, 5.0), (1.0, 2.0)), (NIGHT + timedelta(days=1), (4.0, 5.0), (1.0, 2.0)),
    ]  # fmt: skip
    assert notes == [] and asked == [
        (NIGHT, 1), (NIGHT - timedelta(days=1), 1), (NIGHT + timedelta(days=1), 1), (NIGHT, 1),
    ]  # fmt: skip
    assert len(told(monkeypatch, observed=1)[0]) == 1
    rows, notes, _ = told(monkeypatch, route="no forecast")
    assert np.isnan(rows[0].eto[0]) and np.isnan(rows[0].rain[0]) and rows[0].eto[1] == 5.0
    assert notes == ["no forecast of these dates: nothing to hold the weather against"]
    rows, notes, _ = told(monkeypatch, observed=0)
    assert rows == [] and notes == ["no weather observed on the night's date: nothing to hold against"]


def test_readings_of_a_month_until_the_night_was_over_are_looked_at(monkeypatch):
    over = pd.Timestamp("2026-07-15T09:00")
    first = over - timedelta(days=report.LOOKED_BACK + 2)
    rows = pd.DataFrame({"time": [first, first + timedelta(seconds=1), over, over + timedelta(seconds=1)]})
    monkeypatch.setattr(report, "examine", lambda site, rows: SimpleNamespace(flags=("flags", rows.index.tolist())))
    monkeypatch.setattr(report, "believed", lambda rows, flags: (rows["time"].tolist(), flags))
    site_ = SimpleNamespace(probes=rows)
    assert report._believed_readings(site_, over) == ([first + timedelta(seconds=1), over], ("flags", [0, 1]))
    assert len(report._believed_readings(site_, first - timedelta(days=90))) == 0
