"""Natural mistakes of a first day: what is plainly meant is understood and said, what cannot be is refused in words."""

import re

import pytest
from typer.testing import CliRunner

from scheduler.cli import app
from scheduler.export import shipped_profiles
from scheduler.site.reference import PAGE, reference
from tests.scheduler.site_folders import TOML, lines, site

ZONES = "zone,surface,turf,area,flow,station\nG1,green,,450,1.5,1\nF1,fairway,,2000,6,2\n"


def notes(folder, toml=TOML, zones=ZONES, **files):
    return [str(n) for n in site(folder, toml, zones, **files).notes]


@pytest.mark.parametrize(
    ("longitude", "zone", "told"),
    [
        (121.9, "America/Los_Angeles", True),  # the sign of the west forgotten
        (-121.9, "America/Los_Angeles", False),
        (-5.8, "Europe/Madrid", False),  # a clock an hour ahead of its sun
        (-77.2, "Asia/Kolkata", True),
        (0.1, "Europe/London", False),
        (171.0, "Pacific/Auckland", False),
    ],
)
def test_a_longitude_of_the_wrong_sign_is_told(tmp_path, longitude, zone, told):
    toml = f'[site]\nname = "x"\nlatitude = 36\nlongitude = {longitude}\ntime_zone = "{zone}"\nelevation = 10\n'
    found = [n for n in notes(tmp_path, toml=toml) if "west is negative" in n]
    assert bool(found) is told
    if told:
        assert f"is {-longitude:g} meant?" in found[0]


def test_an_address_that_stands_twice_is_refused_with_both_zones(tmp_path):
    [fault] = lines(tmp_path, TOML, ZONES.replace("6,2", "6,1"))
    assert 'line 3, column "station": read "1"' in fault and "line 2 (G1) has it already" in fault


def test_uniformity_nobody_measured_is_told(tmp_path):
    assert any("du_lq is not given; 0.7 is taken" in n for n in notes(tmp_path))


def test_capitals_and_spaces_of_names_are_understood(tmp_path):
    zones = "zone,surface,turf,soil,area,flow\nG1,Green,Creeping Bentgrass,Loamy Sand,450,1.5\n"
    read = site(tmp_path, TOML, zones).zones
    assert (read.surface[0], read.soil[0]) == ("green", "loamy_sand")
    assert read.turf_mix[0] == (("creeping_bentgrass", 1.0),)


@pytest.mark.parametrize(
    ("header", "values", "read", "told"),
    [
        ("moisture", ("18.5", "21.0", "17.9"), 0.185, True),
        ("moisture [%]", ("18.5", "21.0", "17.9"), 0.185, False),
        ("moisture", ("0.185", "0.21", "0.179"), 0.185, False),
    ],
)
def test_moisture_in_percent_is_read_and_said(tmp_path, header, values, read, told):
    rows = "".join(f"2026-07-1{i}T06:00,P1,{v}\n" for i, v in enumerate(values))
    files = {"probes": f"time,probe,{header}\n{rows}", "probe_sites": "probe,zone,depth\nP1,G1,10\n"}
    loaded = site(tmp_path, TOML, ZONES, **files)
    assert loaded.probes["moisture"].iloc[0] == pytest.approx(read)
    assert any("is in percent; it is read so" in str(n) for n in loaded.notes) is told


def test_version_and_profiles_are_told():
    assert CliRunner().invoke(app, ["--version"]).output.startswith("evenfall ")
    listed = CliRunner().invoke(app, ["export", "--profiles"])
    assert listed.exit_code == 0
    assert [line.split(":")[0] for line in listed.output.splitlines()] == list(shipped_profiles())
    assert CliRunner().invoke(app, ["--help"]).output.index(" new ") < CliRunner().invoke(app, ["--help"]).output.index(
        " tonight "
    )


def test_the_page_of_columns_and_keys_is_that_of_the_program():
    # Differs? Then a column or key changed: python -m scheduler.site.reference
    assert PAGE.read_text(encoding="utf-8") == reference()
    assert "| `longest_cycle` | min | a number above 0, at most 1440, for example 8 |  |" in reference()
    assert "| `[[pump]]` | `name` | yes |  |" in reference()


def test_every_column_and_key_is_explained():
    # The table of columns and keys has them between its first backticks: `zone`, or `[[pump]]` and `name`.
    text = PAGE.with_name("README.md").read_text(encoding="utf-8")
    rows = [
        re.findall(r"`([^`]+)`", line.split("|")[1] + line.split("|")[2])
        for line in reference().splitlines()
        if line[:3] == "| `"
    ]
    names = {names[-1] for names in rows if names[0] != "at the top"}
    assert {n for n in names if not re.search(rf"[`.]{n}\b", text)} == set()
