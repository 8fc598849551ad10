"""The walking list of a morning: the worst first, one line a zone, zones alike together."""

from dataclasses import replace

import numpy as np
import pytest

from scheduler.morning.walking import DRY, SHORT, SILENT, WET, Stop, walking_list, zone_label
from scheduler.site import load_site
from tests.sites import make_site


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    return load_site(make_site(tmp_path_factory.mktemp("site") / "s", zones=60, probes=False))


def rows_of(site, surface):
    return np.flatnonzero(np.asarray(site.zones.surface) == surface).tolist()


def stop(kind, row, size, site):
    return Stop((kind, float(site.zones.priority[row]), size), row, f"trouble {kind} of {row}", f"brief {row}")


def listed(site, stops, planned=None, applied=None):
    none = np.zeros(len(site.zones))
    return walking_list(site, stops, none if planned is None else planned, none if applied is None else applied)


def test_a_zone_is_named_as_people_do(site):
    names = site.zones.name.copy()
    names[0], names[1] = "hole 3 green", ""
    named = replace(site, zones=replace(site.zones, name=names))
    assert zone_label(named, 0) == f"hole 3 green ({site.zones.zone[0]})"
    assert zone_label(named, 1) == site.zones.zone[1]


def test_the_worst_trouble_comes_first_and_a_zone_has_one_line(site):
    green, tee = rows_of(site, "green")[0], rows_of(site, "tee")[0]
    lines = listed(site, [stop(WET, green, -3, site), stop(DRY, green, -5, site), stop(SILENT, tee, -1, site)])
    assert [line.where for line in lines] == [zone_label(site, tee), zone_label(site, green)]
    assert lines[1].why == f"trouble {DRY} of {green}; trouble {WET} of {green}"
    assert [line.zones for line in lines] == [1, 1]


def test_zones_of_a_surface_with_one_trouble_stand_together_the_worst_named(site):
    rows = rows_of(site, "rough")[:6]
    lines = listed(site, [stop(DRY, row, -float(k), site) for k, row in enumerate(rows)])
    assert len(lines) == 1 and lines[0].where == "6 rough zones" and lines[0].zones == 6
    ids = site.zones.zone
    assert lines[0].why == (
        f"under-watered; worst first: {zone_label(site, rows[5])}, brief {rows[5]}; "
        f"then {ids[rows[4]]}, {ids[rows[3]]} and 3 more"
    )


def test_silent_zones_are_each_named(site):
    rows = rows_of(site, "fairway")[:5]
    assert len(listed(site, [stop(SILENT, row, 0.0, site) for row in rows])) == 5


def test_where_most_ran_short_it_is_one_line_and_a_question(site):
    planned, applied = np.full(60, 30.0), np.full(60, 10.0)
    lines = listed(site, [stop(SHORT, row, -20.0, site) for row in range(60)], planned, applied)
    assert len(lines) == 1 and lines[0].zones == 60
    assert lines[0].why.startswith("ran less than planned, 10 h of 30 h in all: was the night's table loaded")
    few = listed(site, [stop(SHORT, row, -20.0, site) for row in range(8)], planned, applied)
    assert all("controller" not in line.why for line in few)


def test_no_zone_is_lost(site):
    rng = np.random.default_rng(4)
    stops = [stop(int(rng.integers(0, 4)), int(row), float(-rng.random()), site) for row in rng.integers(0, 60, 80)]
    lines = listed(site, stops, np.full(60, 30.0), np.full(60, 10.0))
    assert sum(line.zones for line in lines) == len({s.row for s in stops})
    assert len(lines) <= 5 * 6 + sum(s.rank[0] == SILENT for s in stops)


@pytest.mark.parametrize(("count", "lines"), [(1, 1), (2, 2), (3, 1)])
def test_two_zones_alike_are_named_and_three_are_one_line(site, count, lines):
    rows = rows_of(site, "fairway")[:count]
    assert len(listed(site, [stop(DRY, row, -1.0, site) for row in rows])) == lines


@pytest.mark.parametrize(("short", "whole"), [(20, False), (21, True)])
def test_more_than_a_third_of_the_runs_short_is_another_program(site, short, whole):
    # Of 60 runs; those of surfaces with but two short ones would have lines of their own.
    planned, applied = np.full(60, 30.0), np.full(60, 10.0)
    lines = listed(site, [stop(SHORT, row, -20.0, site) for row in range(short)], planned, applied)
    assert ("was the night's table loaded" in lines[0].why) == whole
    assert sum(line.zones for line in lines) == short


def test_of_a_whole_night_run_short_the_worst_is_named_wherever_it_lies(site):
    planned, applied = np.full(60, 30.0), np.full(60, 10.0)
    rank = site.zones.priority.copy()
    alike = replace(site, zones=replace(site.zones, priority=np.ones_like(rank)))
    last = rows_of(site, site.zones.surface[59])[-1]
    other = next(row for row in range(60) if site.zones.surface[row] != site.zones.surface[last])
    stops = [stop(SHORT, row, {last: -29.0, other: -25.0}.get(row, -20.0), alike) for row in range(60)]
    why = listed(alike, stops, planned, applied)[0].why
    assert f"Worst first: {zone_label(site, last)}, brief {last}; then {site.zones.zone[other]}, " in why
