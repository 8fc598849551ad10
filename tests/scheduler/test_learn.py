"""What is learned is offered beside what is used, taken only by name, and never without a record."""

from datetime import date

import numpy as np
import pandas as pd
import pytest

from scheduler.learn import COLUMNS, Lesson, accept, choose, learn
from scheduler.ledger import queries
from scheduler.ledger.keeping import open_site_ledger
from scheduler.site import load_site
from tests.scheduler import hand_evening as h
from tests.scheduler.probe_course import make_course

ROWS = [("G1", "microclimate", 1.0, 1.2, 1.1, 1.3, 12, "probe"), ("F1", "microclimate", 1.0, 1.1, 0.9, 1.3, 0, "kin"),
        ("G1", "field_capacity", 0.25, 0.28, 0.27, 0.29, 5, "probe")]  # fmt: skip


@pytest.fixture
def place(tmp_path):
    return h.hand_site(tmp_path / "site", "G1 green", "F1 fairway")


@pytest.fixture
def lesson():
    table = pd.DataFrame(ROWS, columns=COLUMNS)
    return Lesson(table, table.iloc[:0], 30, 2, ())


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
    assert "no probe readings" in learn(place, h.NIGHT).notes[0].text
    files = {
        "probes": f"time,probe,moisture,ec,temperature\n{h.NIGHT}T12:00,a,0.2,,\n",
        "probe_sites": "probe,zone,depth\na,G1,10\n",
    }
    without = learn(h.hand_site(tmp_path / "two", "G1 green", **files), h.NIGHT)
    assert "no log of applied water" in without.notes[0].text
    assert without.table.empty
    assert (without.nights, without.probes) == (0, 0)


def test_only_what_differs_from_what_is_used_is_offered(tmp_path):
    course = make_course(tmp_path / "course", 31, days=45, faulty=0.0).site
    found = learn(course, date(2026, 7, 14))
    table = found.table
    assert found.nights > 20
    assert len(table)
    told = {"microclimate": course.zones.microclimate, "application_rate": course.zones.application_rate,
            "field_capacity": course.zones.field_capacity}  # fmt: skip
    row = {zone: i for i, zone in enumerate(course.zones.zone)}
    for entry in table.itertuples():
        assert entry.before == pytest.approx(told[entry.quantity][row[entry.zone]])
        assert abs(entry.value - entry.before) > 0.02 * entry.before
        assert entry.low <= entry.value <= entry.high
        assert entry.through == ("probe" if entry.events > 0 else "kin")
    assert np.isfinite(table[["before", "value", "low", "high"]].to_numpy()).all()
    assert load_site(course.folder).zones.microclimate.tolist() == course.zones.microclimate.tolist()
