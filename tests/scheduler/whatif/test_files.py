"""The command from a case file to the page: what comes out, and what is wrong said without a trace."""

import csv
import json

import jsonschema
import pytest
from typer.testing import CliRunner

from scheduler.cli import app
from scheduler.whatif.document import SCHEMA_FILE, schema_text
from tests.sites import make_site

SCHEMA = jsonschema.Draft202012Validator(json.loads(SCHEMA_FILE.read_text()))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = make_site(
        tmp_path_factory.mktemp("whatif") / "site",
        zones=6,
        nights=3,
        season_days=30,
        seed=2,
        allocation_left=0.9,
        probes=False,
        water_ec=0.0,
    )
    (made / "cases").mkdir()
    (made / "cases" / "order.toml").write_text('title = "Order"\ncut = 0.3\nbase = ["2026-07-01", "2026-07-10"]\n')
    (made / "cases" / "heat.toml").write_text('title = "<Heat> & drought"\ntemperature_shift = 4\nrain_factor = 0\n')
    return made


def run(*given):
    return CliRunner().invoke(app, ["whatif", *map(str, given)])


def test_from_files_to_a_page(folder):
    result = run(folder, "--sweep", "allocation_factor=1.0..0.5/3", "order", "heat", "--out", folder / "o")
    assert result.exit_code == 0, result.output
    document = json.loads((folder / "o" / "whatif.json").read_text())
    SCHEMA.validate(document)
    assert [c["title"] for c in document["cases"]] == ["As it is", "Order", "<Heat> & drought"]
    assert document["cases"][1]["orders"][0]["kind"] == "cut"
    assert len(document["sweep"]["points"]) == 3
    page = (folder / "o" / "whatif.html").read_text()
    assert "&lt;Heat&gt; &amp; drought" in page and "http" not in page.split("</svg>")[-1]
    rows = list(csv.DictReader((folder / "o" / "whatif.csv").open()))
    whole = [r for r in rows if r["case"] == "order" and not r["surface"]]
    parts = [r for r in rows if r["case"] == "order" and r["surface"]]
    assert float(whole[0]["water_m3"]) == pytest.approx(sum(float(r["water_m3"]) for r in parts))


def test_the_nights_of_an_order_are_named_on_terminal_and_page(folder):
    result = run(folder, "--set", "nights_allowed=Wednesday", "--set", "cut=0.3", "--set",
                 'base=["2026-07-01", "2026-07-10"]', "--out", folder / "n")  # fmt: skip
    assert result.exit_code == 0, result.output
    page = (folder / "n" / "whatif.html").read_text()
    row = page.split("Nights that may run")[1].split("</tr>")[0]
    assert "<b>all</b>" in row and "<b>Wed 15</b>" in row  # the three nights are Tuesday to Thursday
    assert "Wed 15" in result.output.split("nights that may run")[1].split("\n")[0]
    order = json.loads((folder / "n" / "whatif.json").read_text())["cases"][1]["orders"][0]["words"]
    assert order.startswith("30 % less than in the nights from Wed 1 Jul 2026 to Fri 10 Jul 2026: ")
    assert "Water on Wednesday nights only. 30 % less than in the nights" in page.split("Asked: ")[1]
    assert "asks: Water on Wednesday nights only." in result.output


def test_the_schema_is_that_of_the_types():
    assert SCHEMA_FILE.read_text() == schema_text()


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (["nothing"], 'no case "nothing"'),
        (["--set", "cut=2"], "a number from 0 to 1"),
        (["--sweep", "colour=1..2"], "cannot be swept"),
        (["--sweep", "cut=0..x"], "KEY=FROM..TO"),
        (["--set", "cut=0.1", "--set", "base=2019"], "is not known; add those nights to applied.csv, or name"),
    ],
)
def test_what_is_wrong_is_said(folder, given, words):
    result = run(folder, *given)
    assert result.exit_code == 3 and words in " ".join(result.output.split()), result.output
    assert "Nothing was worked out" in result.output


@pytest.mark.sweep
def test_a_season_goes_on_from_what_the_ledger_holds(folder, monkeypatch):
    from scheduler.ledger import open_ledger
    from scheduler.whatif import season
    from tests.ledger_contents import outlook_list

    asked = [folder, "heat", "--until", "2026-07-15", "--years", "1", "--out", folder / "s"]
    assert run(*asked).exit_code == 0
    ledger = open_ledger(folder)
    kept = outlook_list(ledger)
    assert [k[0] for k in kept] == ["as-it-is", "heat"]
    rows = list(csv.DictReader((folder / "s" / "season.csv").open()))
    assert [(r["case"], r["night"]) for r in rows][::2] == [("as-it-is", "2026-07-14"), ("heat", "2026-07-14")]
    monkeypatch.setattr(season, "live", None)  # nothing is lived through again
    result = run(*asked, "--resume")
    assert result.exit_code == 0 and "real turf will differ" in " ".join(result.output.split())
    assert outlook_list(ledger) == kept
    ledger.close()
    document = json.loads((folder / "s" / "whatif.json").read_text())
    SCHEMA.validate(document)
    assert "The season ahead" in (folder / "s" / "whatif.html").read_text()


def test_a_season_stopped_from_the_keyboard_says_how_to_go_on(folder, monkeypatch):
    from scheduler.whatif import run as whole

    def stopped(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(whole, "season_ahead", stopped)
    result = run(folder, "heat", "--until", "2026-07-15", "--years", "1", "--out", folder / "k")
    assert result.exit_code == 130, result.output
    assert "Stopped. Weather years that were done are kept; the same command with --resume goes on" in result.output
    assert not (folder / "k").exists()


def test_a_cluster_that_does_not_answer_is_said_before_anything_is_planned(folder, monkeypatch):
    pytest.importorskip("distributed")
    from scheduler.whatif import door
    from scheduler.whatif import run as whole

    monkeypatch.setattr(door, "PATIENCE", 0.5)
    monkeypatch.setattr(whole, "planned_evening", None)
    result = run(folder, "heat", "--until", "2026-07-15", "--cluster", "tcp://127.0.0.1:9")
    assert result.exit_code == 4
    assert "no cluster answers at tcp://127.0.0.1:9" in result.output and "leave out --cluster" in result.output
