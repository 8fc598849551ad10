import copy
import json
import re

import jsonschema
import pytest

from scheduler.document.parts import Why
from scheduler.document.reading import document_of, read_plan
from scheduler.document.rules import PlanDocumentError, plan_faults, write_plan
from scheduler.document.schema import SCHEMA_FILE, made_schema, schema_text
from tests.scheduler.sample_plan import sample_plan

VALIDATOR = jsonschema.Draft202012Validator(made_schema())


def refuse(plan):
    return " | ".join(f"{e.json_path}: {e.message}" for e in VALIDATOR.iter_errors(plan))


@pytest.fixture(scope="module")
def plan():
    return sample_plan()


@pytest.fixture
def spoiled():
    return sample_plan(zones=30)


def test_the_schema_is_a_schema_and_describes_every_field():
    schema = made_schema()
    jsonschema.Draft202012Validator.check_schema(schema)

    def walk(node, where):
        if isinstance(node, dict):
            for name, child in node.get("properties", {}).items():
                meant = schema["$defs"].get(child.get("$ref", "").removeprefix("#/$defs/"), {})
                assert child.get("description") or meant.get("description"), f"{where}.{name} has no description"
            if node.get("type") == "object" and "properties" in node:
                assert node["additionalProperties"] is False, where
            for key, child in node.items():
                walk(child, f"{where}.{key}")
        elif isinstance(node, list):
            for child in node:
                walk(child, where)

    walk(schema, "")
    assert "after.depletion_mm = before.depletion_mm + etc_mm" in schema["description"]


def test_the_shipped_schema_is_that_of_the_types():
    # Differs? Then a part of the document changed: python -m scheduler.document.schema
    assert SCHEMA_FILE.read_text(encoding="utf-8") == schema_text()


def test_a_document_cannot_be_changed(plan):
    with pytest.raises(ValueError, match="frozen"):
        document_of(plan).zones[0].minutes = 99.0


OLD_WORDS = {  # sentences of version 1, and what they said
    "salt flush": Why.FLUSH,
    "watered, and a little more to leach salt": Why.UPKEEP,
    "without water too dry by tomorrow evening": Why.DRY_TOMORROW,
    "without water too dry by Thu 16 Jul; tonight suits the whole plan best": Why.DRY_LATER,
    "refilled for the days after this plan": Why.REFILL,
    "cannot run: its flow is above what its pump or branch carries": Why.TOO_LARGE,
    "no watering allowed tonight": Why.NOT_ALLOWED,
    "needs water but gives way tonight (lake)": Why.GIVES_WAY,
    "enough until Thu 16 Jul; next run Wed 15 Jul": Why.ENOUGH_FOR_NOW,
    "enough until Thu 16 Jul; gives way after that (lake)": Why.GIVES_WAY_LATER,
    "rain in the forecast is enough": Why.RAIN,
    "enough for all 7 nights": Why.ENOUGH,
    "enough until tomorrow evening": Why.ENOUGH,
    "without water too dry by tomorrow evening; not all of it found a place tonight": Why.DRY_TOMORROW,
}


def as_version_1(plan):
    """Give a plan as version 1 wrote it: sentences without kinds."""
    old = copy.deepcopy(plan) | {"schema": "evenfall-plan/1"}
    for i, zone in enumerate(old["zones"]):
        zone["reason"] = list(OLD_WORDS)[i % len(OLD_WORDS)]
        del zone["why"]
    old["warnings"] = [{"subject": w["subject"], "text": w["text"]} for w in old["warnings"]]
    old["advice"] = [a["words"] for a in old["advice"]]
    for name in ("actions", "weather", "events", "changes", "rung", "rain"):
        del old[name]
    return old


def test_a_plan_of_version_1_is_read_with_its_kinds(plan, tmp_path):
    (tmp_path / "plan.json").write_text(json.dumps(as_version_1(plan)))
    document = read_plan(tmp_path / "plan.json")
    for zone in document.zones:
        assert zone.why == OLD_WORDS[zone.reason]
    assert [(w.kind, w.name) for w in document.warnings] == [("probe", "P07"), ("probe", "P12"), ("other", "")]
    assert plan_faults(document) == []


def test_a_draft_of_version_1_is_read(plan):
    draft = as_version_1(plan)
    draft["allocation"]["worth_per_m3"] = 0.8
    del draft["inputs"]["applied"]["nights_as_planned"], draft["energy"], draft["leaching"]
    document = document_of(draft)
    assert document.allocation.worth_per_m3 is None
    assert (document.energy, document.leaching.since) == ((), None)


@pytest.mark.parametrize("units", ["us", "metric"])
def test_the_sample_is_valid_and_consistent(units):
    plan = sample_plan(units)
    assert refuse(plan) == ""
    assert plan_faults(document_of(plan)) == []


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda p: p.update(extra=1), "Additional properties are not allowed"),
        (lambda p: p.pop("zones"), "'zones' is a required property"),
        (lambda p: p.update(schema="evenfall-plan/1"), "evenfall-plan/2"),
        (lambda p: p.update(night="14 July"), r"night: '14 July' does not match"),
        (lambda p: p.update(status="fine"), "is not one of"),
        (lambda p: p["site"].update(units="imperial"), "site.units: 'imperial' is not one of"),
        (lambda p: p["zones"][3].update(minutes=-1.0), r"zones\[3\].minutes: -1.0 is less than the minimum"),
        (lambda p: p["zones"][3].update(minutes="7"), "is not of type 'number'"),
        (lambda p: p["zones"][3].update(state_from="guess"), "is not one of"),
        (lambda p: p["zones"][3]["limits"].pop("dry_limit_mm"), "'dry_limit_mm' is a required property"),
        (lambda p: p["zones"][0]["path"][1].update(et=1), "Additional properties"),
        (lambda p: p["nights"][0]["limits"][0].pop("words"), "'words' is a required property"),
    ],
)
def test_the_schema_refuses(spoiled, spoil, message):
    spoil(spoiled)
    assert re.search(message, refuse(spoiled))


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda p: p["zones"][5]["after"].update(depletion_mm=p["zones"][5]["after"]["depletion_mm"] + 0.001), "close"),
        (lambda p: p["zones"][5].update(id=p["zones"][6]["id"]), "is listed 2 times"),
        (lambda p: p["site"].update(zones=29), "site.zones is 29, but the plan lists 30"),
        (lambda p: p["nights"][0].update(volume_m3=p["nights"][0]["volume_m3"] * 1.01), "add up to"),
        (lambda p: p["nights"][0].update(zones_running=1), "zones_running is 1"),
        (lambda p: p.update(status="no water needed"), 'status is "no water needed", but'),
        (lambda p: p["surfaces"][0].update(running=0), "surface green"),
        (lambda p: p.update(nights=p["nights"][1:]), "the first of nights is 2026-07-15"),
        (lambda p: first_run(p)["cycles"][0].update(minutes=99.0), "is not 99 minutes long"),
        (lambda p: first_run(p)["volumes_m3"].update(well=50.0), "sources do not add up"),
    ],
)
def test_contradictions_are_found_and_never_written(spoiled, spoil, message, tmp_path):
    target = tmp_path / "plan.json"
    target.write_text("the last good plan")
    spoil(spoiled)
    with pytest.raises(PlanDocumentError, match=message):
        write_plan(document_of(spoiled), target)
    assert target.read_text() == "the last good plan"


def first_run(plan):
    return next(z for z in plan["zones"] if z["cycles"])


def test_nan_is_refused_before_anything_is_written(spoiled):
    spoiled["zones"][0]["limits"]["taw_mm"] = float("nan")
    with pytest.raises(ValueError, match=r"zones.0.limits.taw_mm: Input should be a finite number"):
        document_of(spoiled)


def test_a_plan_comes_back_as_written(plan, tmp_path):
    document = document_of(plan)
    write_plan(document, tmp_path / "plan.json")
    assert read_plan(tmp_path / "plan.json") == document
    assert json.loads((tmp_path / "plan.json").read_text()) == plan
    (tmp_path / "other.json").write_text(json.dumps({"schema": "something/1"}))
    with pytest.raises(ValueError, match='read schema "something/1"; allowed: "evenfall-plan/2"'):
        read_plan(tmp_path / "other.json")
    (tmp_path / "no.json").write_text("{")
    with pytest.raises(ValueError, match="not a plan document"):
        read_plan(tmp_path / "no.json")


def test_a_cycle_across_the_change_of_clocks_is_as_long_as_it_ran(spoiled):
    # Los Angeles, 1 November 2026: 01:59 daylight time is followed by 01:00 standard time. 00:50 to 01:10 is 20 min
    # before the change and 80 min after it; a clock on site shows the same. 40 min is neither.
    zone = first_run(spoiled)
    start, end = "2026-11-01T00:50:00", "2026-11-01T01:10:00"
    for minutes, fine in ((80.0, True), (20.0, True), (40.0, False)):
        zone["cycles"] = [{"start": start, "end": end, "minutes": minutes}]
        zone["minutes"] = minutes
        assert any("minutes long" in f for f in plan_faults(document_of(spoiled))) is not fine
