"""A row of the fleet's page from a plan or a what-if as they stand in a folder."""

import json
import os
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from scheduler.whatif import fleet, measures


def surface(dry, zones):
    return SimpleNamespace(dry_zone_days=dry, zones=zones)


def put(folder, name, at=100.0, text="{}"):
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    os.utime(path, (at, at))
    return path


@pytest.fixture
def read(monkeypatch):
    """Plans as if they were read: one a night, with who gives way and who is dry."""
    told = {"give_way": (), "surfaces": (surface(3, 2), surface(0, 0))}

    def plan(path):
        nights = (SimpleNamespace(volume_m3=12.5), SimpleNamespace(volume_m3=99.0))
        return SimpleNamespace(night=date.fromisoformat(path.parent.name), nights=nights, warnings=(1, 2), **told)

    monkeypatch.setattr(fleet, "read_plan", plan)
    return told


def test_a_plan_s_row_is_of_the_one_just_made_else_of_the_last(tmp_path, read):
    assert fleet._plan_numbers(tmp_path, 1000.0) == {}
    put(tmp_path, "out/2026-07-14/plan.json", 100.0)
    put(tmp_path, "out/2026-07-13/plan.json", 200.0)
    assert fleet._plan_numbers(tmp_path, 1000.0)["night"] == "2026-07-14"  # none is new: the last night's
    assert fleet._plan_numbers(tmp_path, 150.0)["night"] == "2026-07-13"
    assert fleet._plan_numbers(tmp_path, 90.0)["night"] == "2026-07-13"  # both are new: the one made last
    found = fleet._plan_numbers(tmp_path, 201.0)  # made within a second of the beginning
    assert found == {
        "night": "2026-07-13", "water_m3": 12.5, "dry_share": [0.75, 0.0], "dry_zone_days": 3, "warnings": 2,
        "words": "3 dry zone-days in these nights", "page": tmp_path / "out" / "2026-07-13" / "night.html",
    }  # fmt: skip
    assert fleet._plan_numbers(tmp_path, 201.01)["night"] == "2026-07-14"


def test_who_gives_way_comes_before_how_many_are_dry(tmp_path, read):
    put(tmp_path, "out/2026-07-14/plan.json")
    read["give_way"] = (SimpleNamespace(words="rough gives way"), SimpleNamespace(words="tees too"))
    assert fleet._plan_numbers(tmp_path, 0.0)["words"] == "rough gives way; tees too"
    read["give_way"], read["surfaces"] = (), (surface(0, 4),)
    assert fleet._plan_numbers(tmp_path, 0.0)["words"] == "no zone goes dry in these nights"


def case(title, water, *dry):
    rows = [{"dry_zone_days": d, "zones": z} for d, z in dry]
    return {"title": title, "words": f"words of {title}", "water_m3": water, "surfaces": rows}


def test_a_what_if_s_row_is_of_its_worst_case(tmp_path):
    cases = [case("a", 9, (2, 2), (0, 1)), case("b", 7, (2, 2), (1, 1)), case("c", 8, (0, 2), (9, 1))]
    put(tmp_path, "whatif/old/whatif.json", 100.0, json.dumps({"night": "2026-07-01", "nights": [1], "cases": cases}))
    put(
        tmp_path, "whatif/new/whatif.json", 200.0, json.dumps({"night": "2026-07-14", "nights": [1, 2], "cases": cases})
    )
    assert fleet._whatif_numbers(tmp_path, 202.0) == {}
    assert fleet._whatif_numbers(tmp_path, 50.0) == {
        "night": "2026-07-14", "water_m3": 7.0, "dry_share": [0.5, 0.5], "dry_zone_days": 3, "words": "b: words of b",
        "page": tmp_path / "whatif" / "new" / "whatif.html",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("code", "text", "state", "words"),
    [
        (0, "one\n\n last \n", fleet.WORDS.get(0, "failed"), "last"), (0, "", fleet.WORDS.get(0, "failed"), "done"),
        (99, " a \nb\nc\n", "failed", "a; b"), (99, " \n", "failed", "it ended without a word"),
        (99, "x" * 400, "failed", "x" * 297 + "..."), (99, "x" * 300, "failed", "x" * 300),
    ],
)  # fmt: skip
def test_a_site_s_row_is_what_its_command_said(tmp_path, code, text, state, words):
    listed = SimpleNamespace(name="Links", folder=tmp_path / "links")
    found = fleet._outcome(listed, code, text, 3.5, 0.0, "check", tmp_path)
    assert (found.name, found.folder, found.code, found.state, found.words, found.seconds) == (
        "Links", str(tmp_path / "links"), code, state, words, 3.5,
    )  # fmt: skip


@pytest.mark.parametrize(("command", "from_"), [("tonight", "plan"), ("whatif", "what-if"), ("check", None)])
def test_pages_are_named_from_the_fleet_s_own_folder(tmp_path, monkeypatch, command, from_):
    def numbers(words):
        return lambda site, began: {"words": words, "page": site / "out" / "night.html", "water_m3": 5.0}

    monkeypatch.setattr(fleet, "_plan_numbers", numbers("plan"))
    monkeypatch.setattr(fleet, "_whatif_numbers", numbers("what-if"))
    listed = SimpleNamespace(name="Links", folder=tmp_path / "links")
    found = fleet._outcome(listed, 0, "said", 1.0, 0.0, command, tmp_path / "fleet")
    assert found.words == (from_ or "said")
    assert (found.page, found.water_m3) == (("../links/out/night.html", 5.0) if from_ else (found.page, found.water_m3))
    assert Path("../links/out/night.html").as_posix() == fleet._from(
        listed.folder / "out/night.html", tmp_path / "fleet"
    )


def test_surfaces_alike_give_way_by_name():
    zones = SimpleNamespace(surface=np.array(["tee", "tee", "green"]))
    site = SimpleNamespace(zones=zones, surfaces={s: SimpleNamespace(priority=1) for s in ("tee", "green")})
    course = SimpleNamespace(dry=np.array([[1.0], [0.0], [1.0]]))
    found = measures.gives_way(site, (date(2026, 7, 14),), course)
    assert [name for name, _, _ in found] == ["green", "tee"]
    course.dry = np.array([[1.0], [0.0], [0.0]])
    zones.surface = np.array(["green", "green", "tee"])
    assert measures.gives_way(site, (date(2026, 7, 14),), course) == [("green", date(2026, 7, 14), 1)]
    course.dry = np.ones((3, 1))
    assert [name for name, _, _ in measures.gives_way(site, (date(2026, 7, 14),), course)] == ["green", "tee"]


def test_sites_that_failed_stand_first_then_the_driest_by_service_and_the_most_warned_of():
    def row(name, code=0, dry=(), warnings=None):
        return SimpleNamespace(name=name, code=code, dry_share=list(dry), warnings=warnings)

    rows = [
        row("e", 0, (0.1, 0.9), 1), row("d", 0, (0.2, 0.0), 1), row("c", 0, (0.2, 0.0), 5), row("b", 0, (0.2, 0.1)),
        row("f", 0, (0.1, 0.9), 1), row("z", 3),
    ]  # fmt: skip
    assert [r.name for r in sorted(rows, key=fleet._trouble)] == ["z", "b", "c", "d", "e", "f"]
