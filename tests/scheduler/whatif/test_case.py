"""Cases as people write them: every key, near misses, what the site does not have, combination, `--set`."""

import pytest

from scheduler.errors import InputProblems
from scheduler.whatif.case import AS_IT_IS, read_cases, with_value
from tests.scheduler.site_folders import TOML
from tests.scheduler.site_folders import site as written

PUMPED = TOML + (
    '[[pump]]\nname = "north"\ncapacity = 10\n[[pump]]\nname = "south"\ncapacity = 10\n'
    '[[branch]]\nname = "a"\npump = "north"\n[[source]]\nname = "well"\n'
    "[allocation]\nstarts = 2026-01-01\nends = 2026-12-31\nvolume = 5000\n"
)
ZONES = "zone,surface,area,flow,branch\nG1,green,450,1.5,a\nF1,fairway,2000,6,a\n"
EVERY_KEY = """title = "All of it"
from = 2026-07-01
until = "2026-09-30"
surfaces = ["green"]
allocation_factor = 0.8
allocation = "4 acre_ft"
cut = 0.2
base = ["2025-07-01", "2025-07-31"]
allowance = "240000 gal"
per = "week"
et_allowance = { factor = 0.45, special_factor = 1.0, landscape_factor = 0.3, rain_share = 0.25 }
nights_allowed = ["Monday", "Thursday"]
nights_a_week = 2
window = "22:00-05:00"
hours_forbidden = ["08:00-20:00"]
surfaces_off = ["fairway"]
zones_off = ["G1"]
source_off = "well"
pump_out = ["north", "south"]
pump_capacity_factor = 0.5
price_factor = 1.3
ec_factor = 1.2
eto_factor = 1.1
rain_factor = 0.0
temperature_shift = -2
tiers = [{ above = 1.0, price = "5.10 per 1000 gal" }]
"""


def a_site(tmp_path, **cases):
    made = written(tmp_path / "s", PUMPED, ZONES, weather="date,tmin,tmax\n2026-07-13,12,28\n")
    (made.folder / "cases").mkdir(exist_ok=True)
    for name, text in cases.items():
        (made.folder / "cases" / f"{name}.toml").write_text(text, encoding="utf-8")
    return made


def refused(tmp_path, text, *given):
    with pytest.raises(InputProblems) as found:
        read_cases(a_site(tmp_path, order=text), ["order"], given)
    return [str(p) for p in found.value.problems]


def test_every_key_of_the_contract(tmp_path):
    [case] = read_cases(a_site(tmp_path, order=EVERY_KEY), ["order"])
    keys = case.parts[0].keys
    assert case.title == "All of it"
    assert keys.allocation == pytest.approx(4 * 1233.48, abs=0.1)  # m3 in an acre-foot: 43,560 ft3
    assert keys.allowance[0] == pytest.approx(240_000 * 0.003785411784)
    assert keys.nights_allowed == {0, 3} and keys.window == (22 * 60, 5 * 60)
    assert keys.pump_out == ("north", "south") and keys.source_off == ("well",)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("\nalocation_factor = 0.8\n", 2, 'did you mean "allocation_factor"?'),
        ("colour = 3\n", 1, "is no key of a case; allowed"),
        ('pump_out = "nroth"\n', 1, 'did you mean "north"?'),
        ('source_off = "river"\n', 1, 'the site has no source "river"; allowed: "well"'),
        ("\n\ncut = 1.2\n", 3, 'key "cut": read "1.2"; a number from 0 to 1 is allowed'),
        ('nights_allowed = ["Monday", "Thusday"]\n', 1, 'did you mean "Thursday"?'),
        ("nights_a_week = 8\n", 1, "a whole number of nights from 0 to 7"),
        ('surfaces_off = ["pitch"]\n', 1, 'no surface with zones "pitch"'),
        ("allowance = 900\n", 1, '"per" is missing'),
        ('allowance = 60\nper = "m2_month"\n', 1, 'write "60 mm"'),
        ('allowance = "60 mm"\nper = "week"\n', 1, "a volume is needed"),
        ("base = 2025\n", 1, "there is no cut"),
        ("cut = 0.1\nfrom = 2026-08-01\nuntil = 2026-07-01\n", 3, "a date not before 2026-08-01"),
        ('title = "nothing"\n', None, "changes nothing"),
        ("et_allowance = { facto = 0.5 }\n", 1, 'did you mean "factor"?'),
        ("cut = \n", 1, "this is not TOML"),
        ('window = "22:00"\n', 1, 'a span like "22:00-05:00"'),
    ],
)
def test_what_is_wrong_is_said_with_its_line(tmp_path, text, line, words):
    found = refused(tmp_path, text)
    assert any(words in line_ for line_ in found), found
    if line is not None:
        assert any(f"cases/order.toml, line {line}" in line_ for line_ in found), found


def test_all_problems_come_together(tmp_path):
    assert len(refused(tmp_path, 'cut = 3\npump_capacity_factor = -1\nper = "fortnight"\n')) == 3


def test_a_season_that_is_not_known_cannot_be_cut(tmp_path):
    bare = written(tmp_path / "s")
    with pytest.raises(InputProblems, match="site.toml has no \\[allocation\\]"):
        read_cases(bare, [], ["allocation_factor=0.8"])


def test_files_are_combined_and_contradictions_refused(tmp_path):
    site = a_site(tmp_path, a="cut = 0.2\n", b='window = "22:00-04:00"\n', c='window = "23:00-04:00"\n')
    one, other = read_cases(site, ["a+b", "b+a"])
    assert one.key == other.key and len(one.parts) == 2
    with pytest.raises(InputProblems, match="both cannot stand"):
        read_cases(site, ["b+c"])


def test_the_command_line_takes_the_place_of_the_file(tmp_path):
    site = a_site(tmp_path, a="cut = 0.2\nnights_a_week = 3\n")
    [case] = read_cases(site, ["a"], ["cut=0.3", "surfaces=green"])
    cuts = [p.keys.cut for p in case.parts if p.keys.cut is not None]
    assert cuts == [0.3] and all(p.keys.surfaces == {"green"} for p in case.parts)
    [alone] = read_cases(site, [], ["et_allowance.factor=0.5", "nights_allowed=Monday,Friday"])
    assert alone.parts[0].keys.et_allowance.factor == 0.5 and alone.parts[0].keys.nights_allowed == {0, 4}
    with pytest.raises(InputProblems, match="KEY=VALUE"):
        read_cases(site, [], ["cut"])


def test_without_names_all_cases_of_the_folder(tmp_path):
    site = a_site(tmp_path, b="cut = 0.2\n", a="cut = 0.1\n")
    assert [c.name for c in read_cases(site, [])] == ["a", "b"]
    with pytest.raises(InputProblems, match='did you mean "drought"'):
        read_cases(a_site(tmp_path, drought="cut = 0.1\n"), ["drougth"])


def test_a_point_of_a_sweep(tmp_path):
    site = a_site(tmp_path)
    assert with_value(site, AS_IT_IS, "allocation_factor", 0.7).parts[0].keys.allocation_factor == 0.7
    with pytest.raises(InputProblems, match="cannot be swept"):
        with_value(site, AS_IT_IS, "title", 1.0)
    with pytest.raises(InputProblems, match="0 to 1"):
        with_value(site, AS_IT_IS, "cut", 1.5)
