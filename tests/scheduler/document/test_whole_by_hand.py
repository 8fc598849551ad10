"""The document as a whole: which part is given what, who is asked for samples, and what the night warns of."""

from datetime import date, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from scheduler.document import published

NIGHT = date(2026, 7, 14)
ZONES = SimpleNamespace(
    zone=np.array(["G1", "G2", "F1", "R1"], dtype=object), surface=np.array(["green", "green", "fairway", "rough"])
)
SITE = SimpleNamespace(zones=ZONES, units="metric")


class Document(SimpleNamespace):
    def model_copy(self, update):
        return Document(**vars(self) | update)


@pytest.mark.parametrize(("prices", "dearest"), [([0.2, 0.6], 0.6), ([0.0, 0.01], published.LEAST_WATER_PRICE)])
def test_a_document_is_made_of_its_parts_in_the_order_they_follow_from_each_other(monkeypatch, prices, dearest):
    def part(name):
        return lambda *given: (name, *given)

    names = ("energy_part", "weather_parts", "zone_parts", "night_parts", "give_way_parts", "flow_part", "pumps_part",
             "advice_parts", "short_of", "weather_table", "pumped_night", "limits_by_night", "surface_parts",
             "allocation_part", "rain_part", "uneven_part", "flush_parts", "leaching_part", "controller_parts",
             "percent_parts", "event_parts", "_site_part", "_status", "_inputs_part", "action_parts")  # fmt: skip
    for name in names:
        monkeypatch.setattr(published, name, part(name))
    monkeypatch.setattr(published, "PlanDocument", Document)
    monkeypatch.setattr(published, "_notes", lambda one: ("note",))
    monkeypatch.setattr(published, "_zone_of_probe", lambda one: {"P": "G1"})
    monkeypatch.setattr(published, "warnings_of", lambda notes, zones: (("of", notes, zones),))
    monkeypatch.setattr(published, "_night_warnings", lambda one: ["night"])
    monkeypatch.setattr(published, "pump_warnings", lambda *given: ["pump"])
    one = SimpleNamespace(
        site=SITE, run="run", inputs="inputs", night=NIGHT, made=datetime(2026, 7, 14, 18, 0, 5, 999),
        plan=SimpleNamespace(supply_share=np.eye(2), source_price=np.array(prices)),
        salt=SimpleNamespace(origin=np.array(["laboratory", "probe", "kin", ""], dtype=object)),
    )  # fmt: skip
    found = published.plan_document(one)
    limits, pumped = ("limits_by_night", one), ("pumped_night", SITE, "run")
    scarce = ("short_of", SITE, one.plan, limits, pytest.approx(dearest))
    energy = ("energy_part", SITE, "inputs", "run", pumped)
    assert found.zones == ("zone_parts", one, scarce) == ("zone_parts", *found.give_way[1:])
    assert found.nights == ("night_parts", one, limits, energy) and found.energy == energy
    assert found.flow == ("flow_part", SITE, pumped) and found.pumps == ("pumps_part", SITE, pumped)
    assert found.weather == ("weather_parts", ("weather_table", one)) and found.advice == (
        "advice_parts",
        one,
        found.weather,
    )
    assert found.made == datetime(2026, 7, 14, 18, 0, 5) and found.inputs == ("_inputs_part", one, ("note",))
    assert found.warnings == ("night", ("of", ("note",), {"P": "G1"}), "pump")  # the manager's own word comes first
    _, document, blind = found.actions
    assert blind == {"F1", "R1"}  # whose salt nobody read or sampled
    assert not hasattr(document, "actions") and document.night == NIGHT


def test_only_warnings_want_a_person_and_a_probe_s_has_its_zone():
    def note(kind, name=""):
        return SimpleNamespace(kind=kind, name=name, topic="other", subject="s", text=f"{kind} {name}")

    found = published.warnings_of(
        (note("warning", "P"), note("info"), note("step_down"), note("warning", "Q")), {"P": "G1"}
    )
    assert [(w.name, w.zone, w.text) for w in found] == [("P", "G1", "warning P"), ("Q", "", "warning Q")]
    steps = [SimpleNamespace(notes=(i,)) for i in range(6)]
    one = SimpleNamespace(**dict(zip(("site", "demand", "state", "salt", "inputs", "flushes"), steps, strict=True)))
    assert published._notes(one) == (0, 1, 2, 3, 4, 5)


def test_a_zone_too_large_for_its_pump_has_hours_all_the_same(monkeypatch):
    monkeypatch.setattr(published, "fits_alone", lambda site: np.array([True, False, False, True]))
    plan = SimpleNamespace(
        allowed=np.array([[[True, False]], [[False, False]], [[False, False]], [[False, True]]]),
        block_length=np.array([[60.0, 0.0]]),
    )
    window = SimpleNamespace(mask=lambda surface: np.array([[True], [True], [False], [True]]))
    one = SimpleNamespace(plan=plan, site=SITE, inputs=SimpleNamespace(windows=[window]))
    assert published._may_run(one).tolist() == [True, True, False, False]


def test_a_cycle_longer_than_the_soil_takes_is_told(monkeypatch):
    for name in ("edit_warnings", "left_out_warnings", "controller_warnings", "late_warnings"):
        monkeypatch.setattr(published, name, lambda *given, name=name: [name])
    cycles = SimpleNamespace(over_longest=np.array([False, True, True, False]))
    run = SimpleNamespace(timetable=SimpleNamespace(notes=("note",)), cycles=cycles)
    found = published._night_warnings(SimpleNamespace(site=SITE, run=run, inputs=None))
    assert found[:3] == ["edit_warnings", "left_out_warnings", "controller_warnings"] and found[4] == "late_warnings"
    assert found[3].text == "note" and found[5].text.endswith("is long for G2, F1")
    run = SimpleNamespace(timetable=None, cycles=None)
    assert len(published._night_warnings(SimpleNamespace(site=SITE, run=run, inputs=None))) == 3
