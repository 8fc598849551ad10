"""Files that are no files, too wide or contradict themselves; units without their registry."""

import os
import subprocess
import sys

import pytest

from scheduler.site import units
from scheduler.site.csv_text import read_bytes
from scheduler.site.findings import Findings
from scheduler.site.units import USUAL, USUAL_OFFSET, conversion
from tests.scheduler.site_folders import lines, site

DAYS = "date,tmin,tmax,rh,wind,eto\n"


def test_a_named_pipe_is_refused_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "weather.csv")
    findings = Findings()
    assert read_bytes(tmp_path / "weather.csv", "weather.csv", findings, False) is None
    assert "not a regular file" in findings.problems[0].message


def test_a_link_to_a_device_without_end_is_refused(tmp_path):
    (tmp_path / "weather.csv").symlink_to("/dev/zero")
    findings = Findings()
    assert read_bytes(tmp_path / "weather.csv", "weather.csv", findings, False) is None
    assert "not a regular file" in findings.problems[0].message


def test_a_header_of_two_hundred_thousand_columns_is_one_fault(tmp_path):
    wide = ",".join(["date", *(f"c{i}" for i in range(200_000))])
    told = lines(tmp_path, weather=wide + "\n")
    assert [t for t in told if "200,001 columns; up to 1,000 are allowed" in t]


def test_a_cell_longer_than_the_csv_module_takes_is_a_fault_of_its_cell(tmp_path):
    rows = "".join(f"2025-{1 + i // 28:02}-{1 + i % 28:02},10,20,60,2,5\n" for i in range(300))
    told = lines(tmp_path, weather=DAYS + rows * 60 + "x" * 140_000 + ",10,20,60,2,5\n")
    assert any("weather.csv" in t and "date" in t for t in told)


def test_one_date_with_two_weathers_is_said(tmp_path):
    text = DAYS + "2026-07-10,10,20,60,2,5\n2026-07-10,12,28,40,2,7\n2026-07-11,10,20,60,2,5\n2026-07-11,10,20,60,2,5\n"
    found = [n for n in site(tmp_path, weather=text).notes if n.kind == "warning" and "different things" in n.text]
    assert len(found) == 1
    assert found[0].text.endswith("2026-07-10")


def test_a_probe_in_two_zones_at_once_is_refused(tmp_path):
    head = "probe,zone,depth,from,until\n"
    zones = "zone,surface,area,flow\nG1,green,450,1.5\nG2,green,450,1.5\n"
    both = head + "A,G1,10,2026-01-01,2026-06-01\nA,G2,10,2026-05-01,\n"
    told = lines(tmp_path / "a", zones=zones, probe_sites=both)
    assert any("in one zone at a time" in t and "line 3" in t for t in told)
    moved = head + "A,G1,10,2026-01-01,2026-05-01\nA,G2,10,2026-05-01,\n"
    assert not [t for t in lines(tmp_path / "b", zones=zones, probe_sites=moved) if "at a time" in t]


def test_other_digits_are_named_as_such(tmp_path):
    told = lines(tmp_path, zones="zone,surface,area,flow\nG1,green,\u0664\u0665\u0660,1.5\n")
    assert any("digits 0 to 9" in t for t in told)
    assert not any("decimal comma" in t for t in told)


@pytest.mark.parametrize(("written", "inside"), [*USUAL, *USUAL_OFFSET])
def test_usual_units_are_those_of_pint(written, inside):
    # pint, an independent library of units
    asked = units._factor_and_offset(written, inside)
    assert conversion(written, inside) == asked


def test_the_usual_units_need_no_registry():
    code = (
        "from scheduler.site.units import conversion; conversion('gal/min', 'L/s'); conversion('ft2', 'm2');"
        "import sys; print('pint' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout.strip() == "False"


def test_a_rate_more_than_a_tenth_from_flow_over_area_is_used_and_said(tmp_path):
    # 1.5 L/s on 450 m2 are 12 mm/h: 13.8 is 15 % more, 12.9 is 7.5 % more.
    zones = "zone,surface,area,flow,application_rate\nG1,green,450,1.5,13.8\nG2,green,450,1.5,12.9\n"
    made = site(tmp_path, zones=zones)
    said = [n.text for n in made.notes if "more than 10 %" in n.text]
    assert len(said) == 1 and "G1" in said[0] and "G2" not in said[0]
    assert made.zones.application_rate.tolist() == [13.8, 12.9]
