"""Many sites at once: a broken one stops no other, nothing is kept twice, the table is in order of trouble."""

import json

import pytest
from typer.testing import CliRunner

from scheduler.cli import app
from scheduler.errors import InputProblems
from scheduler.ledger import open_ledger
from scheduler.whatif.fleet import read_list
from tests import ledger_contents
from tests.sites import make_site


@pytest.fixture(scope="module")
def grounds(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fleet")
    small = {"zones": 3, "nights": 2, "seed": 1, "season_days": 20, "probes": False, "water_ec": 0.0}
    make_site(folder / "wet", **small)
    make_site(folder / "dry", **small, nights_allowed=("Sunday",))
    broken = make_site(folder / "broken", **small)
    (broken / "zones.csv").write_text("zone,surface,area\nG1,gren,450\n")
    ledger = f"sqlite:///{folder / 'shared.sqlite'}"
    (folder / "list.toml").write_text(f'ledger = "{ledger}"\nsites = ["wet", "dry", "broken"]\n')
    return folder


def run(grounds, *command):
    return CliRunner().invoke(app, ["fleet", "--workers", "1", str(grounds / "list.toml"), *command])


def test_sites_stand_in_order_of_trouble_in_one_ledger(grounds, monkeypatch):
    monkeypatch.delenv("EVENFALL_LEDGER", raising=False)
    result = run(grounds, "tonight", "--night", "2026-07-14")
    assert result.exit_code == 3 and "1 failed, the others are done" in result.output
    fleet = json.loads((grounds / "fleet" / "fleet.json").read_text())
    assert [s["name"] for s in fleet["sites"]] == ["broken", "dry", "wet"]
    assert "gren" in fleet["sites"][0]["words"] and fleet["sites"][0]["state"] == "bad input"
    assert fleet["sites"][1]["dry_zone_days"] > fleet["sites"][2]["dry_zone_days"]
    page = (grounds / "fleet" / "fleet.html").read_text()
    assert 'href="../wet/out/2026-07-14/night.html"' in page
    for name in ("wet", "dry"):
        ledger = open_ledger(grounds, f"sqlite:///{grounds / 'shared.sqlite'}", name)
        assert len(ledger_contents.plan_list(ledger)) == 1
        ledger.close()
    assert not (grounds / "wet" / "ledger.sqlite").exists()


def test_what_cannot_be_run_is_said(grounds):
    result = run(grounds, "tonigth")
    assert result.exit_code == 3 and 'did you mean "tonight"' in " ".join(result.output.split())


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("sites = []\n", "holds no site"),
        ('sites = ["a", "a"]\n', "stands twice"),
        ('sits = ["a"]\n', 'did you mean "sites"'),
        ("sites = [1]\n", "go"),
        ("sites = [\n", "not TOML"),
        ('[[site]]\nfolder = "x/a"\n[[site]]\nfolder = "y/a"\n', "stands twice"),
        ('ledger = "sqlite:///x"\n[[site]]\nfolder = "x/a"\nname = "b"\n[[site]]\nfolder = "y/a"\n', "stands twice"),
    ],
)
def test_a_list_is_checked(tmp_path, text, words):
    file = tmp_path / "list.toml"
    file.write_text(text)
    with pytest.raises(InputProblems, match=words):
        read_list(file)


def test_sites_may_be_named(tmp_path):
    file = tmp_path / "list.toml"
    file.write_text('[[site]]\nfolder = "x/a"\nname = "North"\n[[site]]\nfolder = "y/a"\nname = "South"\n')
    assert [(s.name, s.folder) for s in read_list(file).sites] == [
        ("North", tmp_path / "x" / "a"),
        ("South", tmp_path / "y" / "a"),
    ]
