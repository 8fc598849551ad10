"""site.toml: defaults are said, faults are located by line and key, references are checked."""

import math
from datetime import date

import pytest

from scheduler.site.toml_lines import key_lines, line_of
from tests.scheduler.site_folders import TOML, ZONES, lines, problems, site

FULL = """
[planning]
nights = 10
method = "asce"
[[pump]]
name = "lower"
capacity = "1100 gal/min"
smallest_flow = 5
ramp = "200 gal/min/min"
head = "120 psi"
efficiency = "72 %"
[[pump]]
name = "upper"
capacity = 20
[[branch]]
name = "loop"
pump = "upper"
[[controller]]
name = "A"
stations_at_once = 6
resolution = "1 min"
[[source]]
name = "reclaimed"
ec = "1300 uS/cm"
sar = 4
price = "2 per 1000 gal"
daily_limit = "250000 gal"
share = 1
[allocation]
starts = 2026-04-01
ends = "2026-10-31"
volume = "100 acre_ft"
used_before = 2000
[[allocation.tier]]
above = 1.0
price = 0.5
[[allocation.tier]]
above = "120 acre_ft"
price = 1
[surface.green]
priority = 2
moisture_floor = 0.5
[site.extra]
x = 1
"""


def test_a_full_site_in_the_units_inside(tmp_path):
    read = site(tmp_path, TOML + FULL)
    lower, upper = read.pumps
    assert lower.capacity == pytest.approx(69.399216, abs=5e-7)
    assert lower.head == pytest.approx(84.368, abs=5e-4)  # 120 psi x 0.70307 m
    assert lower.ramp == pytest.approx(12.618039, abs=5e-7)  # 200 gal/min = 12.618 L/s
    assert lower.efficiency == pytest.approx(0.72)
    assert (upper.smallest_flow, upper.ramp, upper.head) == (0.0, math.inf, 0.0)
    assert read.branches[0].pump == 1 and read.branches[0].capacity == math.inf
    assert (read.controllers[0].stations_at_once, read.controllers[0].resolution) == (6, 60.0)
    source = read.sources[0]
    assert (source.ec, source.sar, source.share) == (pytest.approx(1.3), 4.0, 1.0)
    assert source.price == pytest.approx(2 / 3.785411784)
    assert source.daily_limit == pytest.approx(946.353, abs=5e-4)
    assert source.monthly_limit == math.inf
    assert read.allocation.starts == date(2026, 4, 1) and read.allocation.ends == date(2026, 10, 31)
    assert read.allocation.volume == pytest.approx(123348.9, abs=0.05)
    assert read.allocation.used_before == 2000.0
    assert [t for t in read.allocation.tiers] == [(1.0, 0.5), (pytest.approx(1.2), 1.0)]
    assert (read.nights, read.method) == (10, "asce")
    assert (read.surfaces["green"].priority, read.surfaces["green"].moisture_floor) == (2, 0.5)
    assert read.surfaces["rough"].priority == 5
    assert read.zones.priority.tolist() == [2, 3]
    assert read.zones.branch.tolist() == [0, 0] and read.zones.pump.tolist() == [1, 1]


def test_only_a_name_and_a_place_are_indispensable_and_every_default_is_said(tmp_path):
    read = site(
        tmp_path, '[site]\nname = "x"\nlatitude = 1\nlongitude = 2\n', "zone,surface,area,flow\nG1,green,450,1.5\n"
    )
    said = "\n".join(n.text for n in read.notes if n.kind == "step_down")
    for word in (
        "elevation",
        "time_zone",
        "window.opens",
        "[[pump]]",
        "[[source]]",
        "turf",
        "soil",
        "weather",
        "forecast",
        "probes",
        "applied",
    ):
        assert word in said or word in {n.subject.removesuffix(".csv") for n in read.notes if n.kind == "step_down"}
    assert (read.elevation, read.time_zone.key, read.units, read.nights) == (0.0, "UTC", "metric", 7)
    assert read.zones.pump.tolist() == [-1]
    assert read.zones.sources == ((0,),) and read.sources[0].name == "water"


@pytest.mark.parametrize(
    ("toml", "line"),
    [
        ("", "site.toml: the file is empty; [site] is needed"),
        ('[site]\nname = "x"\n', 'site.toml, line 1, key "site.latitude": this key is missing; it is needed'),
        ('[site]\nname = "x\n', 'site.toml, line 2: read "name = "x"; this is not TOML'),
        (
            TOML + "[[pump]]\nname = 'a'\ncapacity = 0\n",
            'line 10, key "pump[1].capacity": read "0"; a number above 0 is allowed, for example 70',
        ),
        (
            TOML + "[[pump]]\nname = 'a'\ncapacity = '9 gal'\n",
            'read "9 gal"; read the unit "gal"; L/s, m3/h, gal/min or ft3/s is allowed',
        ),
        (TOML + "[[pump]]\nname = 'a'\ncapacity = nan\n", "a finite number is allowed"),
        (
            TOML + "[[pump]]\nname = 'a'\ncapacity = 9\nhed = 60\n",
            'line 11, key "pump[1].hed": this key is not known (did you mean "head"?)',
        ),
        (TOML + "[planing]\nnights = 3\n", 'line 8, key "planing": this key is not known (did you mean "planning"?)'),
        (
            TOML + "[planning]\nnights = 15\n",
            'key "planning.nights": read "15"; a whole number from 1 to 14 is allowed',
        ),
        (TOML + "[planning]\nnights = true\n", "a whole number from 1 to 14 is allowed"),
        (
            TOML + "[window]\nopens = '25:00'\n",
            'line 9, key "window.opens": read "25:00"; a time like 21:30 is allowed',
        ),
        (TOML + "[[window.by_day]]\nopens = '21:00'\n", 'key "window.by_day[1].days": this key is missing'),
        (TOML + "[restriction]\nnights_allowed = ['Mon']\n", '"Mon" is no weekday; allowed: "Monday"'),
        (TOML + "[restriction]\nsurfaces = ['greens']\n", '"greens" is no surface; allowed: "green"'),
        (TOML + "[restriction]\nhours = ['21-23']\n", 'a span like "18:00-06:00" is allowed'),
        (TOML + "[restriction]\ncut = 20\n", 'key "restriction[1].cut": read "20"; a number from 0 to 1 is allowed'),
        (TOML + "[surface.gren]\npriority = 1\n", 'key "surface.gren": "gren" is no surface; allowed: "green"'),
        (
            TOML + "[surface.green]\nmoisture_floor = 0.9\nfirmness_limit = 0.8\n",
            "above the moisture floor, 0.9, is allowed",
        ),
        (TOML + "[[branch]]\nname = 'n'\npump = 'p'\n", 'key "branch[1].pump": read "p"; no [[pump]] is given'),
        (
            TOML + "[[source]]\nname = 'a'\n[[source]]\nname = 'a'\n",
            'key "source[2].name": read "a"; the name of a source must be its own',
        ),
        (TOML + "[[controller]]\nname = 'a'\nprofile = '../x'\n", 'read "../x"; a plain name of letters'),
        (
            TOML + "[allocation]\nstarts = 2026-04-01\nends = 2026-03-01\nvolume = 1\n",
            "a date not before the start, 2026-04-01, is allowed",
        ),
        (
            TOML + "[allocation]\nstarts = 2026-04-01\nends = 2026-10-01\nvolume = 9\ntier = [{above=1, price=2}, "
            "{above=2, price=1}]\n",
            'line 12, key "allocation.tier[2].price": read "1.0"; a price not below that of the tier before is allowed',
        ),
        (TOML + "[columns.wether]\na = 'tmin'\n", '"wether" is no table; allowed: "zones", "weather"'),
        (TOML + "[columns.weather]\na = 'tmim [degF]'\n", '(did you mean "tmin"?)'),
        (TOML.replace("Los_Angeles", "Los_Angles"), '(did you mean "America/Los_Angeles"?)'),
        (TOML.replace("America/Los_Angeles", "/etc/passwd"), 'key "site.time_zone": read "/etc/passwd"; a name like'),
        (TOML.replace('"metric"', '"imperial"'), 'read "imperial"; allowed: "us", "metric"'),
        (TOML.replace("36.6", "96.6"), 'line 3, key "site.latitude": read "96.6"; a number from -90 to 90 is allowed'),
        ("site = 3\n", 'line 1, key "site": read "3"; a table of keys is needed here'),
    ],
)
def test_refusals_of_site_toml(tmp_path, toml, line):
    assert line in "\n".join(lines(tmp_path, toml))


def test_unknown_keys_that_resemble_none_are_noted(tmp_path):
    read = site(tmp_path, TOML + '[greenkeeper]\nphone = "1"\n')
    assert [n.text for n in read.notes if n.kind == "warning"] == [
        'line 8: the key "greenkeeper" is not known and was not used'
    ]


def test_a_limit_not_given_gives_way_to_the_floor(tmp_path):
    rule = site(tmp_path, TOML + "[surface.green]\nmoisture_floor = 0.8\n").surfaces["green"]
    assert (rule.firmness_limit, rule.event_firmness_limit) == (0.9, pytest.approx(0.85))


def test_faults_of_all_files_come_together_sorted(tmp_path):
    found = lines(
        tmp_path,
        TOML + "[planning]\nnights = 0\n",
        ZONES + "X,green,0,1\n",
        weather="date,tmin,tmax\n2026-07-01,30,20\n",
    )
    assert [line.split(":")[0] for line in found] == [
        'site.toml, line 9, key "planning.nights"',
        'zones.csv, line 4, column "area"',
        'weather.csv, line 2, column "tmin"',
    ]


def test_lines_of_keys():
    text = "a = 1\n[b]\n'c d' = '''\nx = 1\n'''\ne.f = 2 # [g]\n[[h]]\ni = 1\n[[h]]\ni = [\n 1,\n]\n[h.j]\nk = 1\n"
    found = key_lines(text)
    paths = (("a",), ("b",), ("b", "c d"), ("b", "e", "f"), ("h", 0, "i"), ("h", 1), ("h", 1, "j", "k"))
    assert [found[p] for p in paths] == [
        1, 2, 3, 6, 8, 9, 14
    ]  # fmt: skip
    assert ("b", "x") not in found
    assert line_of(found, ("h", 1, "i", 0)) == 10
    assert line_of(found, ("z",)) is None


def test_a_quantity_far_too_high_names_the_upper_limit(tmp_path):
    (found,) = problems(tmp_path, TOML + '[[pump]]\nname = "p"\ncapacity = 1e9\n')
    assert 'read "1000000000.0"' in str(found) or 'read "1e+09"' in str(found)
    assert "a number above 0, at most 20000, is allowed" in str(found)


def test_a_wrong_unit_is_one_fault(tmp_path):
    (found,) = problems(tmp_path, zones="zone,surface,area,flow,root_depth [degC]\nG1,green,450,1.5,25\n")
    assert 'read the unit "degC"' in str(found)


HELD = "[[controller]]\nname = 'box'\n"


def test_a_controller_that_holds_programmes(tmp_path):
    toml = (
        TOML + HELD + "programmes = 4\nstarts_each = 3\nat_once = 2\nprogrammes_at_once = 2\nstation_delay = '1 min'\n"
    )
    box, plain = site(tmp_path, toml + "order = 'free'\n[[controller]]\nname = 'other'\n").controllers
    assert (box.programmes, box.starts_each, box.at_once, box.programmes_at_once) == (4, 3, 2, 2)
    assert (box.station_delay, box.listed, box.most_at_once) == (60.0, False, 4)
    assert (plain.programmes, plain.starts_each, plain.listed, plain.run_time_only) == (0, 1, True, False)


@pytest.mark.parametrize(
    ("keys", "line"),
    [
        ("programmes = 0\n", 'controller[1].programmes": read "0"; a whole number from 1 to 40 is allowed'),
        ("programs = 4\n", 'controller[1].programs": this key is not known (did you mean "programmes"?)'),
        ("programmes = 4\norder = 'listed'\n", 'controller[1].order": read "listed"; allowed: "as_listed", "free"'),
        ("starts_each = 3\n", 'controller[1].starts_each": programmes is not given'),
        ("programmes = 2\nrun_time_only = true\nstations_at_once = 2\n", "one of the two"),
        ("run_time_only = true\n", 'controller[1].stations_at_once": this key is missing'),
        ("programmes = 2\nat_once = 3\nstations_at_once = 2\n", 'controller[1].at_once": read "3"'),
        ("programmes = 2\nstation_delay = 7\n", 'controller[1].station_delay": read "7 s"'),
    ],
)
def test_what_a_controller_cannot_be_is_said_with_its_key(tmp_path, keys, line):
    found = lines(tmp_path, TOML + HELD + keys)
    assert any(line in one for one in found), found
