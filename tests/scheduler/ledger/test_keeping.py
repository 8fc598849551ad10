"""A site with its ledger: accepted values and published plans are used, plans are caught up, nothing depends on it."""

import json
import shutil
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from scheduler.ledger import decide_learned, propose_learned, queries
from scheduler.ledger.keeping import as_held, bring_in, open_site_ledger, with_accepted
from tests import ledger_contents
from tests.scheduler import hand_evening as h

ZONES = ("G1 green", "F1 fairway")


@pytest.fixture
def place(tmp_path):
    return h.hand_site(tmp_path / "site", *ZONES, applied=h.log(20, "G1", "F1"))


def accepted(*rows):
    return pd.DataFrame(rows, columns=["zone", "quantity", "value"])


def test_accepted_values_stand_in_place_of_the_told_and_are_said(place):
    rows = (
        ("G1", "microclimate", 1.2), ("F1", "application_rate", 9.0), ("G1", "field_capacity", 0.28),
        ("F1", "depletion_fraction", 0.55),
    )  # fmt: skip
    found = with_accepted(place, accepted(*rows, ("gone", "microclimate", 2.0)))
    assert found.zones.microclimate.tolist() == [1.2, 1.0]
    assert found.zones.application_rate.tolist() == pytest.approx([12.0, 9.0])
    assert found.zones.field_capacity.tolist() == [0.28, 0.25]
    assert found.zones.depletion_fraction.tolist() == [place.zones.depletion_fraction[0], 0.55]
    assert place.zones.microclimate.tolist() == [1.0, 1.0]
    said = [n.text for n in found.notes if n.subject == "learned"]
    assert "microclimate of 1 zone, application rate of 1 zone, field capacity of 1 zone, depletion" in said[0]
    assert said[1].endswith('no longer has: "gone"')


def test_an_accepted_field_capacity_stays_above_the_wilting_point(place):
    found = with_accepted(place, accepted(("G1", "field_capacity", 0.01)))
    assert found.zones.field_capacity[0] == pytest.approx(found.zones.wilting_point[0] + 0.02)
    assert found.zones.wilting_point[0] >= 0.0


def test_a_soil_that_holds_more_than_its_class_keeps_more_of_it(place):
    # FAO-56 Table 19 (memory): loam 0.25 and 0.12, silt loam 0.29 and 0.15, sandy loam 0.23 and 0.11
    assert place.zones.field_capacity[1] == 0.25
    for value, moved in ((0.29, 0.03), (0.27, 0.015), (0.23, -0.01)):
        found = with_accepted(place, accepted(("F1", "field_capacity", value))).zones
        assert found.wilting_point[1] == pytest.approx(place.zones.wilting_point[1] + moved)
        assert found.wilting_point[0] == place.zones.wilting_point[0]  # nothing learned of it
    over = replace(place, zones=replace(place.zones, over_gravel=np.array([True, True])))
    found = with_accepted(over, accepted(("F1", "field_capacity", 0.29))).zones
    assert found.wilting_point[1] == place.zones.wilting_point[1]  # perched water is there for turf


def test_nothing_accepted_changes_nothing(place):
    assert with_accepted(place, accepted()) is place
    assert with_accepted(place, accepted(("G1", "colour", 1.0))) is place


def test_what_was_accepted_is_used_from_the_next_evening_on(place):
    ledger = open_site_ledger(place)
    rows = pd.DataFrame(
        [("G1", "microclimate", 1.0, 1.3, 1.2, 1.4, "9 events")],
        columns=["zone", "quantity", "before", "value", "low", "high", "evidence"],
    )
    numbers = propose_learned(ledger, rows)
    assert as_held(place).zones.microclimate[0] == 1.0
    decide_learned(ledger, numbers, "accepted")
    ledger.close()
    kept = bring_in(h.again(place))
    kept.close()
    assert kept.site.zones.microclimate[0] == as_held(place).zones.microclimate[0] == 1.3


def test_a_plan_that_was_not_kept_is_brought_in_by_whoever_comes_next(place):
    plan = h.planned(place)
    kept = bring_in(h.again(place))
    assert queries.current_plan(kept.ledger, h.NIGHT).made.isoformat() == plan["made"]
    held = ledger_contents.estimates_of(kept.ledger, h.NIGHT).set_index("zone")
    for zone in plan["zones"]:
        assert held.loc[zone["id"], "depletion"] == zone["before"]["depletion_mm"]
    kept.close()
    report = bring_in(h.again(place))
    assert len(ledger_contents.plan_list(report.ledger)) == 1  # once
    report.close()


@pytest.mark.parametrize("fault", ["night", "site", "broken"])
def test_a_plan_that_is_not_of_its_folder_is_left_out_and_said(place, fault):
    h.planned(place)
    file = place.folder / "out" / "2026-07-14" / "plan.json"
    plan = json.loads(file.read_text())
    if fault == "night":
        shutil.copytree(file.parent, place.folder / "out" / "2026-07-13")
    elif fault == "site":
        plan["site"]["name"] = "another place"
        file.write_text(json.dumps(plan))
    else:
        file.write_text(file.read_text()[:-40])
    kept = bring_in(h.again(place))
    assert any("not brought into the ledger" in n.text for n in kept.site.notes)
    assert len(ledger_contents.plan_list(kept.ledger)) == (1 if fault == "night" else 0)
    kept.close()


def test_published_plans_stand_in_after_the_end_of_the_log(tmp_path):
    made = h.hand_site(tmp_path / "site", *ZONES, applied=h.log(5, "G1", "F1", nights=9))
    plan = h.planned(made)
    minutes = {z["id"]: z["minutes"] for z in plan["zones"]}
    assert any(minutes.values())
    kept = bring_in(h.again(made))
    kept.close()
    rows = kept.site.planned
    assert rows["night"].unique().tolist() == [pd.Timestamp(h.NIGHT)]
    assert dict(zip(rows["zone"], rows["minutes"], strict=True)) == {z: m for z, m in minutes.items() if m > 0}
    logged = made.folder / "applied.csv"
    logged.write_text(logged.read_text() + f"{h.NIGHT},G1,1\n")
    later = bring_in(h.again(made))
    later.close()
    assert not len(later.site.planned)


def test_a_ledger_that_cannot_be_used_is_said_and_stops_nothing(place):
    (place.folder / "ledger.sqlite").write_bytes(
        b"no database, though long enough to be taken for one by its size " * 20
    )
    kept = bring_in(h.again(place))
    assert kept.ledger is None
    assert {n.kind for n in kept.site.notes if "the ledger cannot be used" in n.text} == {"step_down", "warning"}
    assert kept.keep(h.planned(place)) is None
    assert "the ledger cannot be read" in as_held(place).notes[-1].text


def test_a_report_makes_no_ledger(place):
    assert as_held(place) is place
    assert not (place.folder / "ledger.sqlite").exists()


def test_doubts_are_handed_on_only_where_no_reading_is_newer_than_the_evening(tmp_path):
    times = "".join(f"{h.NIGHT}T{hour:02d}:00,a,0.22,,\n" for hour in (10, 20, 23))
    files = {
        "probes": "time,probe,moisture,ec,temperature\n" + times,
        "probe_sites": "probe,zone,depth,from,until\na,G1,10,,\n",
    }
    kept = bring_in(h.hand_site(tmp_path / "site", *ZONES, **files))
    kept.close()
    assert kept.flags_for(pd.Timestamp(h.NIGHT) + timedelta(hours=23)) is not None
    assert kept.flags_for(pd.Timestamp(h.NIGHT) + timedelta(hours=21)) is None


def test_plans_of_the_last_nights_are_looked_for(place):
    plans = [h.planned(place, h.NIGHT - timedelta(days=d)) for d in (1, 0)]
    kept = bring_in(h.again(place))
    assert sorted(queries.made_by_night(kept.ledger, date.min)) == sorted(p["night"] for p in plans)
    kept.close()
