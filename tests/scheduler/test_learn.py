"""What is learned is offered beside what is used, taken only by name, and never without a record."""

import io
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from rich.console import Console

from models.onset import Onset
from scheduler.learn import ASKED, COLUMNS, WATER, Lesson, _metered, accept, choose, learn
from scheduler.ledger import queries
from scheduler.ledger.keeping import open_site_ledger, with_accepted
from scheduler.sheets.zones import _learned
from scheduler.site import load_site
from scheduler.terminal.records import print_lesson
from tests.scheduler import hand_evening as h
from tests.scheduler.probe_course import make_course
from tests.scheduler.site_folders import site

ROWS = [
    ("G1", "microclimate", 1.0, 1.0, 1.2, 1.1, 1.3, 12, "probe"),
    ("F1", "microclimate", 1.0, 1.0, 1.1, 0.9, 1.3, 0, "kin"),
    ("G1", "field_capacity", 0.25, 0.25, 0.28, 0.27, 0.29, 5, "probe"),
]


@pytest.fixture
def place(tmp_path):
    return h.hand_site(tmp_path / "site", "G1 green", "F1 fairway")


@pytest.fixture
def lesson():
    table = pd.DataFrame(ROWS, columns=COLUMNS)
    return Lesson(table, pd.DataFrame(), (), table.iloc[:0], 30, 2, ())


@pytest.mark.parametrize(
    ("only", "rows"),
    [(None, [0, 1, 2]), (["microclimate"], [0, 1]), (["G1"], [0, 2]), (["G1", "microclimate"], [0]), ([], [0, 1, 2])],
)
def test_rows_are_chosen_by_zone_and_quantity(place, lesson, only, rows):
    assert choose(lesson, place, only).index.tolist() == rows


def test_an_unknown_name_is_refused(place, lesson):
    with pytest.raises(ValueError, match='read "colour"; a zone or one of microclimate'):
        choose(lesson, place, ["G1", "colour"])


def test_accepting_keeps_just_those_rows_with_their_evidence(place, lesson):
    ledger = open_site_ledger(place)
    assert accept(ledger, lesson.table.iloc[:0]) == 0
    assert accept(ledger, choose(lesson, place, ["microclimate"])) == 2
    held = queries.accepted_values(ledger)
    assert sorted(zip(held["zone"], held["quantity"], held["value"], strict=True)) == [
        ("F1", "microclimate", 1.1),
        ("G1", "microclimate", 1.2),
    ]
    assert set(queries.learned_values(ledger)["evidence"]) == {"12 events (probe)", "0 events (kin)"}
    ledger.close()


def test_without_readings_or_a_log_there_is_nothing_to_learn_from(place, tmp_path):
    assert "no probe readings" in learn(place, place, h.NIGHT).notes[0].text
    files = {
        "probes": f"time,probe,moisture,ec,temperature\n{h.NIGHT}T12:00,a,0.2,,\n",
        "probe_sites": "probe,zone,depth\na,G1,10\n",
    }
    without = h.hand_site(tmp_path / "two", "G1 green", **files)
    without = learn(without, without, h.NIGHT)
    assert "no log of applied water" in without.notes[0].text
    assert without.table.empty
    assert (without.nights, without.probes) == (0, 0)


def test_only_what_differs_from_what_is_used_is_offered(tmp_path):
    course = make_course(tmp_path / "course", 31, days=75, faulty=0.0).site
    found = learn(course, course, date(2026, 7, 14))
    assert found.nights > 60
    assert {surface for surface, _ in found.reasons} == set(course.zones.surface)
    told = {"microclimate": course.zones.microclimate, "application_rate": course.zones.application_rate,
            "field_capacity": course.zones.field_capacity,
            "depletion_fraction": course.zones.depletion_fraction}  # fmt: skip
    row = {zone: i for i, zone in enumerate(course.zones.zone)}
    learned = {surface for surface, text in found.reasons if text.startswith("learned")}
    for entry in found.table.itertuples():
        assert entry.told == entry.before == pytest.approx(told[entry.quantity][row[entry.zone]])
        assert abs(entry.value / entry.told - 1.0) < 1 / 3 + 0.01
        assert entry.low <= entry.value <= entry.high
        assert entry.through == ("probe" if entry.events > 0 else "kin")
        assert entry.quantity == "field_capacity" or course.zones.surface[row[entry.zone]] in learned
    assert np.isfinite(found.table[["told", "before", "value", "low", "high"]].to_numpy(float)).all()
    assert load_site(course.folder).zones.microclimate.tolist() == course.zones.microclimate.tolist()


def test_questions_are_told_once_for_all_zones_of_one_value(tmp_path):
    course = make_course(tmp_path / "course", 31, days=5).site
    water, soil = (f"that is too far off to be taken over; is it {w}?" for w in (WATER, "the soil told"))
    rows = [(f"G{i}", "field_capacity", 0.2, 0.27 + 0.01 * i, soil) for i in range(1, 7)]
    rows.append(("F1", "application_rate", 10.0, 15.0, water))
    asked = pd.DataFrame(rows, columns=ASKED)
    nothing = pd.DataFrame(columns=COLUMNS)
    screen = Console(record=True, width=200, file=io.StringIO())
    print_lesson(screen, course, Lesson(nothing, asked, (), nothing, 90, 8, ()), None)
    said = [line for line in screen.export_text().splitlines() if line.startswith("question")]
    assert said[0] == (
        "question: zones G1, G2, G3, G4 and 2 more: field capacity would be 28.0 % to 33.0 %, told 20.0 %: that is too "
        "far off to be taken over; is it the soil told?"
    )
    assert said[1].startswith("question: zone F1: application rate would be ") and said[1].endswith("nozzle or probe?")
    assert len(said) == 2


@pytest.mark.sweep
def test_how_far_turf_may_dry_is_offered_where_it_was_seen(tmp_path, monkeypatch):
    course = make_course(tmp_path / "course", 31, days=75, faulty=0.0).site
    surface, zones = course.zones.surface, len(course.zones)
    first, second = list(dict.fromkeys(surface))[:2]
    fairly = np.where(surface == first, 1.8, np.where(surface == second, 1.3, 1.0))
    own = np.zeros(zones, dtype=np.int64)
    own[0] = 40  # the first zone's own probe stood past its limit so often
    pairs = np.where(fairly > 1.0, 6, 0)
    onset = Onset(fairly, 0.8 * fairly, 1.3 * fairly, pairs, own, pairs, fairly, surface == first)
    monkeypatch.setattr("scheduler.learn.learn_onset", lambda *_: onset)
    found = learn(course, course, date(2026, 7, 14))
    rows = found.table[found.table["quantity"] == "depletion_fraction"]
    assert set(rows["zone"]) == set(course.zones.zone[surface == first])
    told = course.zones.depletion_fraction[surface == first]
    np.testing.assert_allclose(rows["value"], 1.8 * told, atol=0.005)  # past a third more, and no question
    assert not (found.questions["quantity"] == "depletion_fraction").any()
    assert rows["through"].tolist() == ["probe"] + ["kin"] * (len(rows) - 1)
    said = [text for name, text in found.reasons if name == first]
    assert said[1] == (
        "may dry farther: in 6 forecasts of two weeks past its dry limit its readings went on falling as its turf's "
        "demand asked"
    )
    said = [text for name, text in found.reasons if name == second]
    tried = "how far it may dry is not learned yet: in 6 forecasts of two weeks past its dry limit"
    assert said[1] == f"{tried} what was told did as well"
    monkeypatch.setattr("scheduler.learn.learn_onset", lambda *_: replace(onset, better=4.0 * fairly))
    likely = [t for name, t in learn(course, course, date(2026, 7, 14)).reasons if name == second]
    assert likely[1] == f"{tried} more was likely, but its zones may differ by as much"
    screen = Console(record=True, width=120, file=io.StringIO())
    print_lesson(screen, course, found, None)
    shown = screen.export_text()
    assert "water used before turf suffers" in shown and f"{100 * rows['value'].iloc[0]:.0f} %" in shown
    words = "may use 55 % of its water before it suffers, told as 40 %"
    assert _learned([("depletion_fraction", 0.4, 0.55)], "metric") == f"Learned from its record and accepted: {words}."
    other = with_accepted(course, rows[["zone", "quantity", "value"]].assign(value=0.5))
    again = learn(course, other, date(2026, 7, 14)).table
    again = again[again["quantity"] == "depletion_fraction"]  # whatever was accepted before, the same is learned
    assert again["value"].tolist() == rows["value"].tolist() and (again["before"] == 0.5).all()


def test_a_meter_tells_the_rate_and_a_reckoned_volume_nothing(tmp_path):
    # G1: 450 m2 at 1.5 L/s is 12 mm/h. Ten minutes are 0.9 m3 by its flow; metered 1.08 m3, a fifth more.
    nights = [h.NIGHT - timedelta(days=d) for d in range(1, 9)]
    for volume, expected in ((1.08, np.log(1.2)), (0.9, np.nan)):
        log = "night,zone,minutes,volume,note\n" + "".join(f"{n},G1,10,{volume},\n" for n in nights)
        folder = tmp_path / f"{volume}"
        folder.mkdir()
        zones = "zone,surface,area,flow\nG1,green,450,1.5\nF1,fairway,2000,6\n"
        place = site(folder / "a", zones=zones, applied=log)
        found = _metered(place, h.NIGHT)
        assert found[0] == pytest.approx(expected, nan_ok=True) and np.isnan(found[1])
