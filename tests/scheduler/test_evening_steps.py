"""An evening's steps one by one: what each is given, which tables are laid, and which plans are kept."""

import importlib
import sys
import threading
from dataclasses import dataclass
from datetime import UTC, date, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from scheduler import ahead, evening, planning
from scheduler.document.parts import ControllerKind
from scheduler.document.rung import Rung
from scheduler.errors import NoPlan
from scheduler.nightly import rungs, scaled

NIGHT = date(2026, 7, 14)
MADE = datetime(2026, 7, 14, 18, tzinfo=UTC)


@dataclass(frozen=True)
class Place:
    """A site of nothing but what is asked for."""

    nights: int = 5
    left_out: tuple = ()
    notes: tuple = ()
    folder: object = None
    controllers: tuple = ()

    @property
    def window(self):
        return SimpleNamespace(of=lambda night: (1260, 300))


@dataclass(frozen=True)
class Needs:
    zone: object
    allowed: object
    dry_limit_after: object = None


@dataclass(frozen=True)
class Flushes:
    needs: Needs


def told(seen, monkeypatch, module, name, answer):
    """Let a step remember what it was given, and answer."""
    monkeypatch.setattr(module, name, lambda *given, **named: seen.update({name: (*given, *named.items())}) or answer)


def test_each_step_of_an_evening_is_given_what_the_ones_before_it_found(monkeypatch):
    seen, weighed = {}, Place(nights=7)
    inputs = SimpleNamespace(
        fresh_limit=np.array([9.0, 8.0, 7.0]), margin=np.array([1.0, 2.0, 3.0]), plan="plan", dates="dates",
        depletion_fraction="p",
    )  # fmt: skip
    allowed = np.ones((3, 2), dtype=bool)
    flushes = Flushes(Needs(np.array([2, 0, 1]), allowed))
    for name, answer in (
        ("night_windows", "windows"), ("evening_demand", "demand"), ("with_weighed_catch", (weighed, "uneven")),
        ("evening_state", "state"), ("net_rates", "rates"), ("salt_state", "salt"), ("night_inputs", inputs),
        ("flush_needs", flushes), ("managers_word", SimpleNamespace(said=np.array([True, False, False]))),
        ("night_of_weathers", ("taken", "run")),
    ):  # fmt: skip
        told(seen, monkeypatch, planning, name, answer)
    steps, site = [], Place()
    planned = planning.planned_evening(site, NIGHT, MADE, steps.append, "flags", True)
    assert seen["night_windows"] == (site, NIGHT, 5) and seen["evening_demand"] == (site, NIGHT, 5)
    assert seen["with_weighed_catch"] == (site, "demand") and seen["net_rates"] == (weighed,)
    assert seen["evening_state"] == (weighed, NIGHT, 1260, "demand", "rates", "flags")
    assert seen["salt_state"] == (weighed, NIGHT, 1260, "demand", "state")
    assert seen["night_inputs"] == (weighed, NIGHT, "windows", "demand", "state", "salt")
    assert seen["flush_needs"] == (weighed, "salt", "plan", "dates", "p")
    own, same, needs, short = seen["night_of_weathers"]
    assert own is weighed and same is inputs and short is True
    assert needs.dry_limit_after.tolist() == [4.0, 8.0, 6.0]  # the limit without salt less the margin, zone by zone
    # Somebody told the minutes of zone 0, so it is not flushed tonight, and may be tomorrow.
    assert needs.allowed.tolist() == [[True, True], [False, True], [True, True]] and allowed.all()
    assert planned == planning.Planned(
        weighed, NIGHT, MADE, 1260, "demand", "state", "taken", "salt", flushes, "run", "uneven"
    )
    assert len(steps) == len(set(steps)) == 5
    told(seen, monkeypatch, planning, "night_of_weathers", ("taken", "run"))
    steps.clear()

    def beside():
        steps.append("begun")
        return lambda: steps.append(seen.pop("night_of_weathers")[1] is inputs)  # there is a plan when it is waited for

    assert planning.planned_evening(site, NIGHT, MADE, steps.append, beside=beside) == planned
    assert steps[-3:] == ["choosing run times", "begun", True]


def test_modules_are_loaded_beside_the_solver_and_what_is_wrong_with_one_is_told_later(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(tmp_path)
    right = "import threading\nby = threading.current_thread()"
    for name, words in (("wrong_beside", "1 / 0"), ("right_beside", right)):
        (tmp_path / f"{name}.py").write_text(words)
    ahead.load_beside("wrong_beside", "right_beside")()
    assert sys.modules.pop("right_beside").by is not threading.current_thread()
    with pytest.raises(ZeroDivisionError):
        importlib.import_module("wrong_beside")


def test_the_last_plan_scaled_is_of_one_night_and_says_which_plan_it_was(monkeypatch):
    seen, weighed = {}, Place(nights=1)
    meant = SimpleNamespace(night=date(2026, 7, 12))
    plan = SimpleNamespace(supply_share=np.eye(3))
    salt = SimpleNamespace(layers=SimpleNamespace(count=2))
    document = SimpleNamespace(model_copy=lambda update: update)
    inputs = SimpleNamespace(plan=plan, dates="dates")
    for name, answer in (
        ("last_meant", meant), ("night_windows", "windows"), ("evening_demand", "demand"),
        ("with_weighed_catch", (weighed, "uneven")), ("_state", "state"), ("salt_state", salt),
        ("night_inputs", inputs), ("scaled_minutes", "wanted"), ("FixedPlan", "fixed"), ("nobody", "none"),
        ("runnable_night", "run"), ("plan_document", document),
    ):  # fmt: skip
        told(seen, monkeypatch, scaled, name, answer)
    assert scaled.plan_scaled(Place(), NIGHT, MADE, "flags") == {"rung": Rung.SCALED}
    one = Place(nights=1)
    assert seen["last_meant"] == (Place(), NIGHT) and seen["night_windows"] == (one, NIGHT, 1)
    assert seen["evening_demand"] == (one, NIGHT, 1) and seen["with_weighed_catch"] == (one, "demand")
    assert seen["_state"] == (weighed, NIGHT, 1260, "demand", meant, "flags")
    assert seen["salt_state"] == (weighed, NIGHT, 1260, "demand", "state")
    assert seen["night_inputs"] == (weighed, NIGHT, "windows", "demand", "state", salt, ("several", False))
    assert seen["scaled_minutes"] == (weighed, inputs, "demand", meant) and seen["FixedPlan"] == (plan, "wanted")
    assert seen["nobody"] == ("dates", 3, 2) and seen["runnable_night"] == (weighed, inputs, "fixed")
    (planned,) = seen["plan_document"]
    assert planned.site.notes[0].text == "the plan of 2026-07-12 was scaled; flushes wait for a full plan"
    assert (planned.night, planned.made, planned.opens, planned.salt, planned.flushes, planned.run, planned.uneven) == (
        NIGHT, MADE, 1260, salt, "none", "run", "uneven",
    )  # fmt: skip


@pytest.mark.parametrize(("rung", "nights", "short"), [(Rung.FULL, 5, False), (Rung.TONIGHT, 1, True)])
def test_each_rung_plans_its_nights_and_only_the_full_one_searches_on(monkeypatch, rung, nights, short):
    seen = {}
    told(seen, monkeypatch, rungs, "plan_tonight", SimpleNamespace(model_copy=lambda update: update))
    assert rungs.plan_on(rung, Place(), NIGHT, MADE, "flags") == {"rung": rung}
    assert seen["plan_tonight"] == (Place(nights=nights), NIGHT, MADE, ("flags", "flags"), ("cut_short", short))
    told(seen, monkeypatch, rungs, "plan_scaled", "scaled")
    assert rungs.plan_on(Rung.SCALED, Place(), NIGHT, MADE, "flags") == "scaled"
    assert seen["plan_scaled"] == (Place(), NIGHT, MADE, "flags")


def test_a_plan_tells_what_changed_against_the_one_before_it(monkeypatch):
    document = SimpleNamespace(model_copy=lambda update: update)
    monkeypatch.setattr(evening, "planned_evening", lambda site, *given: SimpleNamespace(site=site))
    monkeypatch.setattr(evening, "plan_document", lambda planned: document)
    monkeypatch.setattr(evening, "earlier_plan", lambda site, new: None)
    assert evening.plan_tonight("site", NIGHT, MADE) is document
    monkeypatch.setattr(evening, "earlier_plan", lambda site, new: ("before", site, new is document))
    monkeypatch.setattr(evening, "changes_part", lambda before, new: (before, new is document))
    assert evening.plan_tonight("site", NIGHT, MADE) == {"changes": (("before", "site", True), True)}


class Document(SimpleNamespace):
    def model_copy(self, update):
        return Document(**(vars(self) | update))


def zone(name, controller):
    return SimpleNamespace(id=name, controller=controller)


def test_controllers_of_one_profile_share_a_table_and_others_have_their_own(monkeypatch):
    monkeypatch.setattr(evening, "load_profile", lambda name, *folder: (name, *folder))
    zones = (zone("A", "north"), zone("B", "south"), zone("C", None))
    plan = Document(zones=zones, controllers=())

    def laid(*controllers, of=plan):
        site = Place(folder="folder", controllers=tuple(SimpleNamespace(name=n, profile=p) for n, p in controllers))
        return [([z.id for z in part.zones], *more) for part, *more in evening._tables(site, of)]

    usual = evening.DEFAULT_PROFILE
    assert laid() == laid(("north", None), ("south", usual)) == [(["A", "B", "C"], (usual, "folder"), "")]
    assert laid(("north", "own/x.toml"), ("south", "own/x.toml")) == [(["A", "B", "C"], ("own/x.toml", "folder"), "")]
    found = laid(("north", "own/x.toml"), ("south", None), ("idle", "zz.toml"))  # no table for a controller of no zone
    assert sorted(found) == [(["A"], ("own/x.toml", "folder"), "x"), (["B", "C"], (usual, "folder"), usual)]
    kinds = (
        SimpleNamespace(name="north", kind=ControllerKind.PROGRAMMES),
        SimpleNamespace(name="south", kind="start_times"),
    )
    found = laid(of=Document(zones=zones, controllers=kinds))
    assert found[1:] == [(["A"], ("programmes",), "")]  # beside the table of all, what a controller holds of programmes
    own = (SimpleNamespace(name="south", kind=ControllerKind.RUN_TIME_ONLY),)
    assert laid(of=Document(zones=zones, controllers=own))[1:] == [(["B"], ("minutes_and_cycles",), "")]


def test_a_plan_that_is_replaced_is_kept_by_the_next_number(tmp_path):
    old, new = tmp_path / "old", tmp_path / "new"
    evening.keep_earlier(old, new)
    assert not new.exists()
    (old / "earlier").mkdir(parents=True)
    (old / "plan.json").write_text("first")
    evening.keep_earlier(old, new)
    assert (new / "earlier" / "plan-1.json").read_text() == "first"
    for name in ("plan-2.json", "plan-10.json", "plan-x.json"):
        (old / "earlier" / name).write_text("")
    evening.keep_earlier(old, new)
    assert (new / "earlier" / "plan-11.json").read_text() == "first"


def test_a_plan_is_published_with_what_its_tables_round_and_never_against_its_own_rules(monkeypatch, tmp_path):
    plan = Document(zones=(), controllers=(), warnings=("own",))
    monkeypatch.setattr(evening, "plan_faults", lambda document: ["it does not add up"])
    with pytest.raises(NoPlan, match="it does not add up"):
        evening.publish(Place(), plan, tmp_path / "night")
    assert list(tmp_path.iterdir()) == []
    monkeypatch.setattr(evening, "plan_faults", lambda document: [])
    monkeypatch.setattr(evening, "_tables", lambda site, document: [("A", "pa", ""), ("B", "pb", "south")])
    monkeypatch.setattr(evening, "run_tables", lambda part, profile: (f"table {part}", [f"{part} is rounded"], None))
    monkeypatch.setattr(evening, "warnings_of", lambda notes: notes)

    def write(path, words="."):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(words)
        return path

    monkeypatch.setattr(
        evening, "write_run_times", lambda part, profile, place, laid: [write(place / f"{profile}.csv", laid[0])]
    )
    for name in ("write_plan", "write_night_sheet", "write_keying_sheet"):
        monkeypatch.setattr(evening, name, lambda document, path, name=name: write(path, f"{name} {document.warnings}"))
    monkeypatch.setattr(evening, "write_zones_page", lambda site, document, path, past: write(path, past))
    document, files = evening.publish(Place(), plan, tmp_path / "night", "past")
    assert document.warnings == ("own", "A is rounded", "B is rounded")
    names = ["pa.csv", "south/pb.csv", "plan.json", "night.html", "keypad.html", "zones.html"]
    assert [str(f.relative_to(tmp_path / "night")) for f in files] == names
    assert [f.read_text() for f in files] == [
        "table A", "table B", *(f"{n} {document.warnings}" for n in ("write_plan", "write_night_sheet",
        "write_keying_sheet")), "past",
    ]  # fmt: skip
