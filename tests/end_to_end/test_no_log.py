"""A site without probes and without a log of what ran, evening after evening, through the command line."""

import json
import shutil
from datetime import date, timedelta

import pandas as pd
import pytest
from typer.testing import CliRunner

from scheduler.cli import app
from scheduler.ledger import open_ledger
from scheduler.ledger.keeping import as_held, bring_in
from scheduler.site import load_site
from tests import ledger_contents
from tests.sites import make_site

FIRST = date(2026, 7, 5)
EVENINGS = 4


@pytest.fixture(scope="module")
def bare(tmp_path_factory):
    """Two zones, weather from the first evening on, no probes, no log, water without salts."""
    folder = tmp_path_factory.mktemp("bare") / "site"
    make_site(
        folder, zones=2, nights=3, probes=False, applied=False, forecast=False, season_days=10, water_ec=0.3, load=0.3
    )
    return folder


def tonight(folder, night):
    result = CliRunner(env={"COLUMNS": "300"}).invoke(app, ["tonight", str(folder), "--night", night.isoformat()])
    assert result.exit_code == 0, result.output
    return json.loads((folder / "out" / night.isoformat() / "plan.json").read_text(encoding="utf-8")), result.output


def season(folder, evenings, before=lambda _: None):
    plans = []
    for n in range(evenings):
        before(folder)
        plans.append(tonight(folder, FIRST + timedelta(days=n)))
    return [plan for plan, _ in plans], [said for _, said in plans]


@pytest.fixture(scope="module")
def with_ledger(bare, tmp_path_factory):
    folder = tmp_path_factory.mktemp("kept") / "site"
    shutil.copytree(bare, folder)
    return folder, *season(folder, EVENINGS)


def stands(plan):
    return [z["before"]["depletion_mm"] for z in plan["zones"]]


def origins(plan):
    return {z["state_from"] for z in plan["zones"]}


def test_what_was_planned_is_taken_as_run_and_dry_turf_is_watered_again(with_ledger):
    folder, plans, said = with_ledger
    assert origins(plans[0]) == {"field capacity"} and stands(plans[0]) == [0.0, 0.0]
    for n, (plan, text) in enumerate(zip(plans[1:], said[1:], strict=True), start=1):
        assert origins(plan) == {"balance"}
        assert plan["inputs"]["applied"] == {"newest": None, "age_days": None, "nights": 0, "nights_as_planned": n}
        words = f"no log of what ran: {'1 night' if n == 1 else f'the plans of {n} nights'}"
        assert any(s["why"].startswith(words) for s in plan["inputs"]["step_downs"])
        assert words in text
        assert words in (folder / "out" / plan["night"] / "night.html").read_text(encoding="utf-8")
    watered = [sum(z["minutes"] for z in plan["zones"]) for plan in plans]
    assert sum(minutes > 0 for minutes in watered) >= 2
    for z in range(2):
        runs = [plan["zones"][z]["minutes"] for plan in plans]
        path = [stands(plan)[z] for plan in plans]
        first = next((n for n, minutes in enumerate(runs) if minutes > 0), EVENINGS)
        assert path[: first + 1] == sorted(path[: first + 1])  # dries until it is watered
        for plan in plans:
            zone = plan["zones"][z]
            assert zone["after"]["depletion_mm"] <= zone["limits"]["raw_mm"] + 1e-6  # and never goes dry


def test_without_a_ledger_every_evening_stands_at_field_capacity_and_says_so(bare, tmp_path):
    folder = tmp_path / "site"
    shutil.copytree(bare, folder)

    def forget(folder):
        for path in (*folder.glob("ledger.sqlite*"), folder / "out"):
            shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)

    plans, said = season(folder, 2, forget)
    for plan, text in zip(plans[1:], said[1:], strict=True):
        assert origins(plan) == {"field capacity"} and stands(plan) == [0.0, 0.0]
        assert "no log and no plan of recent nights" in text


def test_a_log_wins_over_the_plans_of_its_nights(with_ledger, tmp_path):
    kept, plans, _ = with_ledger
    evening = FIRST + timedelta(days=EVENINGS - 1)
    as_planned = [(plan["night"], z["id"], z["minutes"]) for plan in plans[:-1] for z in plan["zones"]]

    def standing(name, rows):
        folder = tmp_path / name
        shutil.copytree(kept, folder)
        frame = pd.DataFrame(rows, columns=["night", "zone", "minutes"])
        frame.to_csv(folder / "applied.csv", index=False)
        return tonight(folder, evening)[0]

    # the log says what the plans said: the same water, counted once
    same = standing("same", as_planned)
    assert same["inputs"]["applied"]["nights_as_planned"] == 0
    assert stands(same) == pytest.approx(stands(plans[-1]), abs=1e-6)
    # the log of the first two nights, plans after it
    some = standing("some", as_planned[:4])
    assert some["inputs"]["applied"]["nights_as_planned"] == EVENINGS - 3
    assert stands(some) == pytest.approx(stands(plans[-1]), abs=1e-6)
    # the log says that nothing ran
    dry = standing("dry", [(night, zone, 0.0) for night, zone, _ in as_planned])
    assert dry["inputs"]["applied"]["nights_as_planned"] == 0
    ran = [sum(minutes for _, zone, minutes in as_planned if zone == z["id"]) for z in dry["zones"]]
    assert any(ran)
    for minutes, without, counted in zip(ran, stands(dry), stands(plans[-1]), strict=True):
        assert (without > counted + 1.0) == (minutes > 0)


def test_a_plan_written_while_the_ledger_was_away_is_brought_in_by_the_next_evening(with_ledger, tmp_path):
    kept, plans, _ = with_ledger
    folder = tmp_path / "site"
    shutil.copytree(kept, folder)
    for path in folder.glob("ledger.sqlite*"):
        path.unlink()
    again, _ = tonight(folder, FIRST + timedelta(days=EVENINGS - 1))
    assert stands(again) == pytest.approx(stands(plans[-1]), abs=1e-6)
    ledger = open_ledger(folder)
    nights = ledger_contents.plan_list(ledger)["night"].tolist()
    ledger.close()
    assert (
        sorted(set(nights)) == [plan["night"] for plan in plans] and len(nights) == EVENINGS
    )  # the same plan is not doubled


def test_a_report_takes_the_same_nights_as_run_as_the_evening_does(bare, with_ledger, tmp_path):
    assert as_held(load_site(bare)).planned.empty  # no ledger yet, and none is made
    assert not (bare / "ledger.sqlite").exists()
    folder = tmp_path / "site"
    shutil.copytree(with_ledger[0], folder)
    kept = bring_in(load_site(folder))
    kept.close()
    reported = as_held(load_site(folder)).planned
    assert reported["minutes"].sum() > 0
    pd.testing.assert_frame_equal(reported, kept.site.planned)
