"""The first screen: deeds with their place and deadline, the site at a glance, advice from weather, what changed."""

import copy
import re
from datetime import date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.turf_weather import dollar_spot_probability
from scheduler.document import outlook as advice
from scheduler.document.actions import action_parts, missing_words
from scheduler.document.changes import changes_part
from scheduler.document.parts import ActionKind, Severity, WeatherDay
from scheduler.document.reading import document_of
from scheduler.events import calendar_events
from scheduler.sheets import first_screen
from scheduler.sheets.night import night_sheet
from scheduler.site.places import guess
from tests.scheduler.sample_plan import sample_document, sample_plan

NIGHT = date(2026, 7, 14)


def deeds(plan, blind=()):
    return {a.kind: a for a in action_parts(document_of(plan), frozenset(blind))}


def quiet():
    plan = copy.deepcopy(sample_plan(zones=12, running=1.0))
    plan["warnings"], plan["inputs"]["step_downs"], plan["flushes"] = [], [], []
    for zone in plan["zones"]:
        zone["after"]["depletion_mm"] = zone["limits"]["wet_limit_mm"]
    return plan


def test_a_quiet_night_asks_only_to_load_the_run_times_before_the_first_starts():
    plan = quiet()
    (deed,) = action_parts(document_of(plan), frozenset())
    first = min(c["start"] for z in plan["zones"] for c in z["cycles"])
    assert (deed.kind, deed.severity, deed.by) == (ActionKind.LOAD, Severity.TONIGHT, datetime.fromisoformat(first))
    plan["status"] = "no water needed"
    assert action_parts(document_of(plan), frozenset()) == ()


def test_a_night_that_runs_too_long_comes_first():
    plan = quiet()
    plan["nights"][0]["window"][0]["end"] = "2026-07-14T22:01:00"
    (stop, *_) = action_parts(document_of(plan), frozenset())
    assert stop.kind == ActionKind.STOP and "after the window closes" in stop.why


def test_a_green_too_dry_tomorrow_is_watered_by_hand_by_noon():
    plan = quiet()
    green = plan["zones"][0]
    assert green["surface"] == "green"
    green["after"]["depletion_mm"] = green["limits"]["dry_limit_mm"] + 2.0
    deed = deeds(plan)[ActionKind.WATER]
    assert deed.where == green["name"] and deed.by == datetime(2026, 7, 15, 12)
    rough = next(z for z in plan["zones"] if z["surface"] == "rough")
    rough["after"]["depletion_mm"] = rough["limits"]["dry_limit_mm"] + 2.0
    assert deeds(plan)[ActionKind.WATER].where == green["name"]  # nobody waters rough with a hose


def test_doubts_flushes_samples_and_missing_data_ask_for_their_deeds():
    plan = quiet()
    zone = plan["zones"][1]
    plan["warnings"] = [
        {"kind": "probe", "name": "P9", "zone": zone["id"], "subject": "probe P9", "text": "stuck"},
        {"kind": "probe", "name": "", "zone": "", "subject": "probes", "text": "3 readings set aside"},
    ]
    flush = copy.deepcopy(sample_plan(zones=12)["flushes"][0])
    plan["flushes"] = [
        flush | {"zone": zone["id"], "nights": ["2026-07-14"]},
        flush | {"zone": plan["zones"][2]["id"], "nights": [], "ece_before_dsm": 7.0},
    ]
    plan["inputs"]["step_downs"] = [{"what": "applied", "why": "the log ends"}, {"what": "turf", "why": "assumed"}]
    found = deeds(plan, blind=[plan["zones"][2]["id"]])
    assert found[ActionKind.CHECK_PROBE].where == f"{zone['name']}, probe P9"
    assert found[ActionKind.KEEP_OFF].where == zone["name"]
    assert found[ActionKind.DECIDE].where == found[ActionKind.SAMPLE].where == plan["zones"][2]["name"]
    assert "7.0 dS/m is reckoned, never measured" in found[ActionKind.SAMPLE].why
    assert (found[ActionKind.BRING_DATA].where, found[ActionKind.BRING_DATA].why) == ("applied.csv", "the log ends")
    plan["inputs"]["step_downs"] = [{"what": w, "why": f"no {w}"} for w in ("probes", "turf", "weather", "soil")]
    bring = deeds(plan)[ActionKind.BRING_DATA]
    assert (bring.where, bring.what) == (
        "weather.csv, probes.csv",
        "Bring the station's weather, then the probes' readings",
    )
    (told,) = missing_words(document_of(plan))
    assert "add weather.csv first" in told and all(f"no {w}" in told for w in ("probes", "turf", "weather", "soil"))
    assert ActionKind.SAMPLE not in deeds(plan)
    order = [a.severity for a in action_parts(document_of(plan), frozenset())]
    assert order == sorted(order, key=list(Severity).index)


@pytest.mark.parametrize(
    ("depletion", "step"), [(0.5, 0), (1.0, 1), (3.9, 1), (4.1, 2), (6.9, 2), (7.1, 3), (10.0, 3), (10.1, 4)]
)
def test_a_tint_is_a_third_of_the_band(depletion, step):  # a band of 1 to 10 mm has its thirds at 4 and 7 mm
    zone = SimpleNamespace(limits=SimpleNamespace(wet_limit_mm=1.0, dry_limit_mm=10.0))
    assert first_screen.tint(zone, depletion) == step


def test_every_zone_is_one_square_of_its_place():
    plan = sample_document(zones=60)
    grid = first_screen.site_grid(plan, first_screen.shown_zones(plan))
    assert [row["place"] for row in grid["rows"]] == [f"hole {n}" for n in range(1, 19)]
    squares = [q.words for row in grid["rows"] for cell in row["cells"] for q in cell]
    assert sorted(w.split(":")[0] for w in squares) == sorted(z.name for z in plan.zones)


@pytest.mark.parametrize(
    ("name", "zone", "place"),
    [
        ("hole 7 green", "G07", "hole 7"), ("Hole #12 FW left", "F31", "hole 12"), ("Green 3", "G3", "hole 3"),
        ("FW 14 left", "F14", "hole 14"), ("practice green", "PG", "practice"), ("main pitch 4", "P4", "main pitch"),
        ("landscape 4", "L4", ""), ("G07", "G07", ""),
    ],
)  # fmt: skip
def test_a_place_is_guessed_from_a_name(name, zone, place):
    assert guess(name, zone) == place


def weather(days=6, **changes):
    told = {"eto_mm": 4.0, "rain_mm": 0.0, "rain_probability": None, "tmin_degc": 12.0, "tmax_degc": 24.0,
            "rh_percent": 50.0, "wind_ms": 2.0}  # fmt: skip
    first = NIGHT - timedelta(days=days - 2)
    return tuple(WeatherDay(day=first + timedelta(days=d), observed=True, **(told | changes)) for d in range(days))


def advised(days, turf="creeping_bentgrass", units="metric"):
    zones = SimpleNamespace(turf_mix=(((turf, 1.0),),), surface=np.array(["green"]))
    site = SimpleNamespace(zones=zones, units=units)
    return {a.kind.value: a for a in advice.advice_parts(SimpleNamespace(site=site, night=NIGHT), days)}


def test_advice_comes_only_from_its_weather_and_names_its_source():
    assert advised(weather()) == {}
    assert set(advised(weather(wind_ms=6.0))) == {"drift"}
    assert set(advised(weather(tmax_degc=34.0))) == {"heat"}
    assert advised(weather(tmax_degc=34.0), turf="bermudagrass") == {}  # a warm-season grass likes it
    assert set(advised(weather(tmin_degc=-1.0))) == {"frost"}
    humid = advised(weather(rh_percent=88.0, tmin_degc=17.0, tmax_degc=27.0))
    assert set(humid) == {"dollar spot"} and "e0194216" in humid["dollar spot"].source
    assert advised(weather(days=4, rh_percent=88.0, tmin_degc=17.0, tmax_degc=27.0)) == {}  # fewer than five days
    assert all(a.source for a in advised(weather(wind_ms=6.0, tmax_degc=34.0)).values())


def test_dollar_spot_by_hand():
    # logit = -11.4041 + 0.0894 x 85 + 0.1932 x 22 = 0.4453, so P = 1 / (1 + e^-0.4453) = 0.6095
    assert dollar_spot_probability(85.0, 22.0) == pytest.approx(0.6095, abs=5e-4)
    assert np.isnan(dollar_spot_probability([85.0, 85.0], [9.9, 35.1])).all()
    with pytest.raises(ValueError, match="0 to 100"):
        dollar_spot_probability(101.0, 20.0)


def test_what_changed_is_told_against_the_plan_before():
    before, now = (document_of(copy.deepcopy(sample_plan(zones=12, running=1.0))) for _ in range(2))
    before = before.model_copy(update={"night": NIGHT - timedelta(days=1), "warnings": before.warnings[:1]})
    stays, starts, ends = now.zones[:3]
    path = [{**p.model_dump(), "minutes": 0.0 if p.night == NIGHT else p.minutes} for p in starts.path]
    meant = tuple(z.model_copy(update={"path": tuple(type(z.path[0])(**p) for p in path)}) if z.id == starts.id else z
                  for z in before.zones)  # fmt: skip
    before = before.model_copy(update={"zones": meant})
    now = now.model_copy(
        update={"zones": tuple(z.model_copy(update={"minutes": 0.0}) if z.id == ends.id else z for z in now.zones)}
    )
    changed = changes_part(before, now)
    assert (changed.now_running, changed.no_longer_running) == ((starts.id,), (ends.id,))
    assert set(changed.new_warnings) == {w.subject for w in now.warnings[1:]} and not changed.gone_warnings
    assert stays.id not in (*changed.now_running, *changed.no_longer_running)


def test_an_event_says_what_it_holds_back():
    calendar = pd.DataFrame(
        {
            "from": pd.to_datetime(["2026-07-17", "2026-07-15"]), "until": pd.to_datetime(["2026-07-18", None]),
            "target": ["green", "F1"], "event": ["tournament", "no_water"], "note": ["cup", None],
        }
    )  # fmt: skip
    zones = SimpleNamespace(surface=np.array(["green", "fairway"]), zone=np.array(["G1", "F1"]))
    dates = tuple(NIGHT + timedelta(days=d) for d in range(5))
    cup, dry = calendar_events(SimpleNamespace(calendar=calendar, zones=zones), dates)
    assert cup.firm == dates[2:5] and cup.no_flush == dates[1:5] and cup.dry == ()
    assert dry.dry == dates[1:2] and dry.until == dates[1] and dry.note == "" and dry.zones == 1
    plan = sample_document()
    assert first_screen.events(plan) == [
        "Fri Jul 17 to Sat Jul 18, tournament on Greens (club cup): kept firm on the nights Thu Jul 16 to Sat Jul 18, "
        "no salt flush on the nights Wed Jul 15 to Sat Jul 18."
    ]


def test_the_day_crew_gets_the_depth_to_the_moist_end_of_the_band():
    plan = quiet()
    green, tee = plan["zones"][0], next(z for z in plan["zones"] if z["surface"] == "tee")
    for zone, wet, dry, after in ((green, 1.0, 9.0, 11.0), (tee, 0.0, 9.0, 30.0)):
        zone["limits"] |= {"wet_limit_mm": wet, "dry_limit_mm": dry}
        zone["after"]["depletion_mm"] = after
    rows = first_screen.day_crew(document_of(plan | {"site": plan["site"] | {"units": "metric"}}))
    # the driest against its limit first, and never more than soaks in at once: 30 mm is cut to 12, 11 - 1 is 10
    assert [(r["where"], r["words"].split(" in all")[0]) for r in rows] == [
        (tee["name"], "12.0 mm"), (green["name"], "10.0 mm")
    ]  # fmt: skip
    assert first_screen.day_crew(document_of(quiet())) == []


def test_ten_questions_of_a_superintendent_are_answered_on_the_first_two_screens():
    """Each answer stands before the list of every zone: words of it, not where it is worked out."""
    plan = sample_document(zones=60, places=True)
    first = night_sheet(plan).partition("Every zone tonight, and why")[0]
    running = next(s for s in first_screen.shown_zones(plan) if s.mark.startswith("•"))
    answers = {
        "what runs on a green": running.words,
        "when do the pumps peak": "Pumps peak",
        "which probe is suspect": "Check the probe",
        "when is the next flush": "Salt flushes:",
        "water against the allocation": "Season&#39;s water used",
        "who gives way": "Who gives way",
        "what to water by hand": "Water by hand tomorrow:",
        "when does the night end": "the last finishes at",
        "what changed": "What changed",
        "what would more water buy": "What more water would buy:",
    }
    for question, words in answers.items():
        assert words in first, question
    assert re.search(r"runs .* tonight from \d", running.words)


def test_what_only_asks_for_data_is_to_know_and_comes_last():
    plan = quiet()
    plan["inputs"]["step_downs"] = [{"what": "forecast.csv", "why": "the file is absent"}]
    found = action_parts(document_of(plan), frozenset())
    assert [a.severity for a in found] == [Severity.TONIGHT, Severity.KNOW]
    assert found[-1].where == "forecast.csv" and "a forecast" in found[-1].what
