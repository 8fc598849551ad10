"""Longest cycle and soak set by the manager: from zones.csv to the starts and stops of the night."""

import csv
from datetime import date, datetime

import numpy as np
import pytest

from scheduler.evening import plan_tonight
from scheduler.plan.inputs import longest_runs
from scheduler.site import load_site
from scheduler.site.windows import night_windows
from tests.scheduler.site_folders import lines
from tests.sites import make_site

NIGHT = date(2026, 7, 14)


def _plan(folder):
    site = load_site(folder)
    return plan_tonight(site, NIGHT, datetime(2026, 7, 14, 20, tzinfo=site.time_zone)).plain()


def _with_columns(folder, **columns):
    path = folder / "zones.csv"
    rows = list(csv.DictReader(path.open(encoding="utf-8")))
    for row in rows:
        row.update(columns)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    return folder


def test_cycles_and_soaks_of_the_manager_reach_the_timetable(tmp_path):
    columns = {"longest_cycle [min]": "4", "soak [h]": "0.25"}
    plan = _plan(_with_columns(make_site(tmp_path / "site", zones=4, nights=2, season_days=20, load=0.3), **columns))
    split = 0
    for zone in plan["zones"]:
        cycles = zone["cycles"]
        assert all(c["minutes"] <= 4 for c in cycles)
        for before, after in zip(cycles, cycles[1:], strict=False):
            rest = datetime.fromisoformat(after["start"]) - datetime.fromisoformat(before["end"])
            assert rest.total_seconds() >= 15 * 60
        split += len(cycles) > 1
    assert split, "some run must be longer than one cycle, or nothing is shown"


def test_longest_run_counts_with_the_cycles_and_soaks_of_the_split(tmp_path):
    # A window of 480 min, cycles of 4 and soaks of 15 min: 25 whole cycles take 25 x 4 + 24 x 15 = 460 min; after one
    # more soak (475) 5 min are left, enough for a 26th cycle of 4. So 104 min.
    columns = {"longest_cycle": "4", "soak": "15"}
    site = load_site(_with_columns(make_site(tmp_path / "site", zones=3), **columns))
    window = night_windows(site, NIGHT, 1)[0]
    longest = longest_runs(site, window, window.mask(site.zones.surface), np.ones(3))
    assert longest == pytest.approx(104.0)


def test_a_cycle_of_no_length_is_refused(tmp_path):
    zones = "zone,surface,area,flow,longest_cycle,soak\nG1,green,450,1.5,0,-5\n"
    told = lines(tmp_path, zones=zones)
    assert any("longest_cycle" in t and "above 0" in t for t in told)
    assert any("soak" in t for t in told)
