"""`evenfall export`: a standing plan in every shipped shape comes back as the plan, to the shape's step."""

import shutil
from datetime import date, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli import app
from scheduler.errors import BAD_INPUT
from scheduler.evening import plan_tonight, publish
from scheduler.export import load_profile, read_back, shipped_profiles
from scheduler.export.again import export_plan, standing_plan
from scheduler.export.held import held_by_zone
from scheduler.nights import out_folder
from scheduler.site import load_site
from tests.drawn import some

SCENARIOS = Path(__file__).parents[2] / "scenarios"
NIGHT = date(2026, 7, 14)


@pytest.fixture(scope="module", params=some(["lowland-stadium", "dry-hills-course"], 1))
def folder(request, tmp_path_factory):
    place = tmp_path_factory.mktemp("sites") / request.param
    shutil.copytree(SCENARIOS / request.param, place, ignore=shutil.ignore_patterns("out", "*.sqlite*", "*.db*"))
    site = load_site(place)
    publish(site, plan_tonight(site, NIGHT, datetime(2026, 7, 14, 20, tzinfo=site.time_zone)), out_folder(site, NIGHT))
    return place


@pytest.mark.drawn
@pytest.mark.parametrize("name", shipped_profiles())
def test_every_shipped_shape_gives_the_plan_back(folder, name):
    profile = load_profile(name)
    back = read_back(export_plan(folder, None, name, None), profile)
    plan = standing_plan(folder)
    zones, held = plan.zones, held_by_zone(plan)
    assert any(z.minutes > 0 for z in zones)
    for zone in zones:
        written = back.get(zone.id)
        if written is None:
            of_programmes = profile.cycles == "each" and zone.id not in held  # other controllers have other tables
            assert of_programmes or (profile.file.only_running and zone.minutes == 0)
            continue
        steps = profile.time.step * (len(zone.cycles) if profile.cycles == "rows" else 1)
        assert written <= zone.minutes + 1e-3, "never longer than the plan"
        assert written > zone.minutes - max(steps, 1e-3), "and short by less than a step a cycle"


def test_command_writes_the_table_and_the_keypad_sheet(folder, tmp_path):
    asked = ["export", str(folder), "--profile", "records", "--keypad", "--out", str(tmp_path)]
    assert CliRunner().invoke(app, asked).exit_code == 0
    assert {p.name for p in tmp_path.iterdir()} == {"run-times.json", "keypad.html"}


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        (["--profile", "recrods"], 'did you mean "records"'),
        (["--night", "2026-07-01"], "no plan of this night stands"),
    ],
)
def test_what_is_not_there_is_refused(folder, asked, told):
    result = CliRunner().invoke(app, ["export", str(folder), *asked])
    assert result.exit_code == BAD_INPUT
    assert told in result.output
