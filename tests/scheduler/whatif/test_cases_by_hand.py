"""Cases by hand: keys that meet, numbers and words, points of a sweep, nights of a week, cells of the page."""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from scheduler.errors import InputProblems
from scheduler.whatif import compose, evening, page, run, sweep
from scheduler.whatif.apply import Choice
from scheduler.whatif.case import (
    AS_IT_IS,
    Case,
    Part,
    _given,
    _inside,
    _slug,
    _value,
    _words,
    read_cases,
    with_value,
)
from scheduler.whatif.evening import _uneven, evenly, patterns, same_needs, week_nights
from scheduler.whatif.measures import SurfaceOutcome
from scheduler.whatif.page import _dry, _print_size, nights_open, runs_out
from scheduler.whatif.schema import CaseKeys
from scheduler.whatif.sweep import Point, _begins, read_sweep
from tests.scheduler.whatif.sample import sample_whatif
from tests.scheduler.whatif.test_case import a_site

NIGHT = date(2026, 7, 14)
NIGHTS = tuple(NIGHT + timedelta(days=n) for n in range(3))
NAN = np.nan


# ---------------------------------------------------------------------------------------------------------- files


def part(name="cases/a.toml", **keys):
    named = {{"starts": "from", "ends": "until"}.get(k, k): v for k, v in keys.items()}
    return Part(name, CaseKeys.model_validate(named), {("cut",): 7})


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        ({"cut": 0.1, "starts": "2026-07-02", "ends": "2026-07-01"}, "a date not before 2026-07-02 is allowed"),
        ({"cut": 0.1, "starts": "2026-07-01", "ends": "2026-07-01"}, None),
        ({"base": 2025}, "there is no cut"), ({"base": 2025, "cut": 0.1}, None),
        ({"allowance": 900}, '"per" is missing'), ({"per": "week"}, '"allowance" is missing'),
        ({"allowance": 900, "per": "week"}, None), ({"allowance": "1000 mm", "per": "m2_month"}, None),
        ({"allowance": "1001 mm", "per": "m2_month"}, "more than any turf takes"),
        ({"allowance": "60 mm", "per": "week"}, 'a volume is needed for per = "week"'),
        ({"title": "x", "starts": "2026-07-01", "ends": "2026-07-02", "surfaces": ["green"]}, "changes nothing"),
    ],
)  # fmt: skip
def test_what_contradicts_itself_within_a_part(keys, why):
    found = [str(p) for p in _inside(part(**keys))]
    assert (found == []) if why is None else (len(found) == 1 and why in found[0])


def test_a_problem_of_a_part_has_its_line():
    assert str(part(cut=0.1).problem("cut", "no")).startswith("cases/a.toml, line 7")
    nights = [part(cut=0.1, starts="2026-07-15", ends="2026-07-16").stands(NIGHT + timedelta(days=d)) for d in range(4)]
    assert nights == [False, True, True, False] and part(cut=0.1).stands(NIGHT)
    assert part(cut=0.1, surfaces=["green"]).binds(np.array(["green", "tee"])).tolist() == [True, False]
    assert part(cut=0.1).binds(np.array(["green", "tee"])).tolist() == [True, True]


@pytest.mark.parametrize(
    ("keys", "other", "why"),
    [
        ({"window": "22:00-04:00"}, {"window": "22:00-04:00"}, None), ({"window": "22:00-04:00"},
        {"window": "23:00-04:00"}, 1),
        ({"allocation": 5.0}, {"allocation": 6.0}, 1), ({"cut": 0.1}, {"cut": 0.2}, None),
    ],
)  # fmt: skip
def test_two_parts_may_not_say_differently_what_is_true_once(tmp_path, keys, other, why):
    from scheduler.whatif.case import _against

    found = _against(a_site(tmp_path), Case("c", "c", (part(**keys), part("cases/b.toml", **other))))
    assert len(found) == (why or 0)
    if why:
        assert "cases/a.toml says something else of it" in str(found[0]) and found[0].file == "cases/b.toml"


def test_what_a_site_does_not_have_is_said_key_by_key(tmp_path):
    from scheduler.whatif.case import _against

    place = a_site(tmp_path)
    bare = replace(
        place, pumps=(), sources=(), allocation=None, weather=place.weather.assign(tmax=NAN),
        forecast=place.forecast.head(0),
    )  # fmt: skip
    keys = part(
        pump_out=["north"], source_off=["well"], zones_off=["X"], allocation_factor=0.5, pump_capacity_factor=0.5,
        temperature_shift=1,
    )  # fmt: skip
    texts = [str(p) for p in _against(bare, Case("c", "c", (keys,)))]
    for words in ('no pump "north"; the site names none', 'no source "well"', 'no zone "X"; allowed: "G1", "F1"',
                  "site.toml has no [allocation]", "the site has no [[pump]]",
                  "hold no temperatures"):  # fmt: skip
        assert any(words in text for text in texts), words
    assert len(texts) == 6
    good = part(pump_out=["north"], pump_capacity_factor=0.5, allocation=1.0, temperature_shift=1, zones_off=["G1"])
    assert _against(place, Case("c", "c", (good,))) == []
    told = replace(bare, pumps=place.pumps, forecast=place.weather.assign(issued=1))
    assert [str(p) for p in _against(told, Case("c", "c", (part(temperature_shift=1),)))] == []


def test_keys_of_the_command_line_change_files_or_stand_beside_them(tmp_path):
    place = a_site(
        tmp_path,
        a='cut = 0.2\net_allowance = { factor = 0.5, rain_share = 0.1 }\ntitle = "A"\n',
        b="nights_a_week = 3\n",
    )
    (case,) = read_cases(place, ["a+b"], ["et_allowance.factor=0.7", "ec_factor=2", "until=2026-08-01"])
    first, second, third = (p.keys for p in case.parts)
    assert (first.et_allowance.factor, first.et_allowance.rain_share, first.ec_factor) == (0.7, 0.1, None)
    assert (second.nights_a_week, second.ends, third.ec_factor, third.et_allowance) == (3, date(2026, 8, 1), 2.0, None)
    assert case.title == "A; b; et_allowance factor 0.7; ec_factor 2"
    assert case.name.startswith("a+b+et_allowance-factor-0.7+ec_factor-2")
    (tmp_path / "d").mkdir()
    other = a_site(tmp_path / "d", c="nights_a_week = 3\nfrom = 2026-08-01\n", d="nights_a_week = 4\n")
    (dated,) = read_cases(other, ["c+d"], ["nights_a_week=2"])
    assert [(p.keys.nights_a_week, p.keys.starts) for p in dated.parts] == [(2, date(2026, 8, 1))]
    (moved,) = read_cases(place, ["b"], ["nights_a_week=2"])
    assert [p.keys.nights_a_week for p in moved.parts if p.keys.nights_a_week] == [2]
    (alone,) = read_cases(place, [], ["cut=0.3", "title=Less"])
    assert (alone.title, alone.name, len(alone.parts)) == ("Less", "cut-0.3", 1)
    with pytest.raises(InputProblems, match='--set.*read "9"; a number from 0 to 1'):
        read_cases(place, ["a"], ["cut=9"])
    (tmp_path / "none").mkdir()
    with pytest.raises(InputProblems, match="the folder holds no case"):
        read_cases(a_site(tmp_path / "none"), [])
    assert len(read_cases(place, ["b", "b"])) == 1


@pytest.mark.parametrize(
    ("text", "value"),
    [("0.8", 0.8), ("2026-07-14", date(2026, 7, 14)), ("green", "green"), ("a, 'b'", ["a", "b"]), ("a,", "a,"),
     ('["x"]', ["x"]), ("true", True)],
)  # fmt: skip
def test_a_value_of_the_command_line(text, value):
    assert _value(text) == value


def test_pairs_names_and_words_of_the_command_line():
    problems = []
    assert _given(["a.b=1", "a.c=2", "x = y"], problems) == {"a": {"b": 1, "c": 2}, "x": "y"} and problems == []
    assert _given(["cut", "=1", "cut= "], problems) == {} and len(problems) == 3
    assert _words({"factor": 0.5, "x": ["a", 2]}) == "factor 0.5 x a, 2" and _words(1.0) == "1"
    assert (_slug(" Öl & 3 "), _slug("--"), len(_slug("x" * 99))) == ("l-3", "case", 60)


def test_a_point_of_a_sweep_takes_the_place_of_the_key_it_changes(tmp_path):
    place = a_site(tmp_path)
    base = Case("c", "c", (part(cut=0.1), part(et_allowance={"factor": 0.5, "rain_share": 0.2})))
    changed = with_value(place, base, "et_allowance.factor", 0.8)
    assert [p.keys.et_allowance and p.keys.et_allowance.factor for p in changed.parts] == [None, 0.8]
    assert changed.parts[1].keys.et_allowance.rain_share == 0.2
    assert (changed.name, changed.title) == ("et_allowance.factor=0.8", "et allowance.factor 0.8")
    assert [p.keys.cut for p in with_value(place, base, "cut", 0.4).parts] == [0.4, None]
    assert with_value(place, AS_IT_IS, "nights_a_week", 2.4).parts[0].keys.nights_a_week == 2
    with pytest.raises(InputProblems, match="per"):
        with_value(place, AS_IT_IS, "allowance", 900.0)


# ---------------------------------------------------------------------------------------------------------- sweeps


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("cut=0..0.5/3", (0.0, 0.25, 0.5)), ("cut=0.1,0.3", (0.1, 0.3)), ("temperature_shift=-2 .. 2 / 2", (-2.0, 2.0)),
        ("nights_a_week=0..7", tuple(float(i) for i in range(8))), ("nights_a_week=3..1/3", (3.0, 2.0, 1.0)),
        ("nights_a_week=1,1,2", (1.0, 2.0)),
    ],
)  # fmt: skip
def test_values_of_a_sweep(text, values):
    key, found = read_sweep(text)
    assert found == values and key == text.partition("=")[0]
    assert len(read_sweep("cut=0..1")[1]) == sweep.STEPS and len(read_sweep("cut=0..1/200")[1]) == 200


@pytest.mark.parametrize(
    ("text", "why"),
    [("cut", "KEY=FROM..TO"), ("title=1..2", "cannot be swept"), ("cut=a..b", "KEY=FROM..TO"), ("cut=0..1/1",
    "2 to 200 steps"),
     ("cut=0..1/201", "2 to 200 steps"), ("cut=", "KEY=FROM..TO"), ("cuts=0..1", 'did you mean "cut"')],
)  # fmt: skip
def test_a_sweep_that_cannot_be_read_is_refused(text, why):
    with pytest.raises(InputProblems, match=why):
        read_sweep(text)


def outcome(surface="green", priority=1, dry=0, mm=0.0, zones=2, water=10.0, worst=0.0, ece=None):
    return SurfaceOutcome(surface, priority, zones, water, 1.0, dry, mm, worst, None, 0, 0.0, 0.0, ece, ece, 0)


def test_a_surface_begins_to_give_way_a_millimetre_beyond_the_first_point():
    course = [(0.5, 3.0, 0.0), (1.4, 4.1, 0.5), (1.6, 9.0, 1.1)]
    points = [
        Point(1.0 - i / 10, 1.0, 1.0, (outcome(mm=g), outcome("tee", 2, mm=t), outcome("rough", 5, mm=r)), None, None)
        for i, (g, t, r) in enumerate(course)
    ]
    assert _begins(points) == (("tee", 0.9), ("rough", 0.8), ("green", 0.8))
    assert _begins(points[:1]) == ()


# ------------------------------------------------------------------------------------------------- nights of a week


def choice(zones, *weeks):
    return Choice(np.array(zones), weeks)


def test_nights_of_a_week_are_tried_the_evenly_spaced_first():
    assert _uneven((1,), (0, 1, 2)) == 8.0 and _uneven((0,), (0, 1, 2)) == 10.0
    assert evenly((0, 1, 2, 3, 4), 2) == (1, 3) and evenly((4, 5), 9) == (4, 5)
    shut = [s.astype(int).tolist() for s in patterns([choice([True, False], ((0, 1, 2), 1))], 4)]
    assert shut[0] == [[1, 0, 1, 0], [0, 0, 0, 0]] and len(shut) == 3
    two = list(patterns([choice([True, False], ((0, 1), 1), ((2, 3), 2)), choice([True, True], ((0, 1), 1))], 4))
    assert len(two) == 4 and not any(s[:, 2:].any() for s in two)
    many = [choice([True], (tuple(range(7)), 3)), choice([True], (tuple(range(7, 14)), 3))]
    assert 200 < len(list(patterns(many, 14))) <= evening.MOST_PATTERNS
    assert len(list(patterns(many[:1], 14))) == 35


@dataclass(frozen=True)
class Arrays:
    allowed: np.ndarray
    zones: int = 2
    nights: int = 3


@dataclass(frozen=True)
class Inputs:
    plan: Arrays
    dates: tuple


@dataclass(frozen=True)
class Plan:
    inputs: Inputs
    choices: tuple


@pytest.mark.parametrize(
    ("before", "allowed"),
    [
        # Wednesday to Friday: this week's night was chosen as Thursday.
        ((date(2026, 7, 13), frozenset({date(2026, 7, 16)})), [[False, True, False]]),
        ((date(2026, 7, 13), frozenset()), [[False, False, False]]),
    ],
)
def test_nights_chosen_when_the_week_began_are_kept(monkeypatch, before, allowed):
    monkeypatch.setattr(evening, "with_flushes", lambda plan: plan)
    dates = tuple(date(2026, 7, 15) + timedelta(days=n) for n in range(3))
    plan = Plan(Inputs(Arrays(np.ones((2, 3, 1), dtype=bool)), dates), (choice([True, False], ((0, 1, 2), 1)),))
    found, week = week_nights(plan, dates[0], before, None)
    assert found.inputs.plan.allowed[:1, :, 0].tolist() == allowed and found.inputs.plan.allowed[1].all()
    assert week == before


def test_nights_of_the_week_after_are_spread_until_it_begins(monkeypatch):
    # Saturday and Sunday of this week, Monday to Wednesday of the next: of those one, in the middle.
    monkeypatch.setattr(evening, "with_flushes", lambda plan: plan)
    dates = tuple(date(2026, 7, 18) + timedelta(days=n) for n in range(5))
    arrays = Arrays(np.ones((1, 5, 1), dtype=bool), 1, 5)
    plan = Plan(Inputs(arrays, dates), (choice([True], ((0, 1), 1), ((2, 3, 4), 1)),))
    found, _ = week_nights(plan, dates[0], (date(2026, 7, 13), frozenset({dates[1]})), None)
    assert found.inputs.plan.allowed[0, :, 0].tolist() == [False, True, False, True, False]


def test_a_week_that_begins_takes_the_nights_that_cost_least(monkeypatch):
    monkeypatch.setattr(evening, "with_flushes", lambda plan: plan)
    monkeypatch.setattr(evening, "packable", lambda plan, share: plan)
    asked = []

    class Solver:
        def __init__(self, inputs):
            self.allowed = inputs.allowed

        def edit(self, plan):
            if plan.allowed[0, 0, 0]:
                return False
            self.allowed = plan.allowed
            return True

        def cost_below(self, most):
            nights = self.allowed[0, :, 0].tolist()
            asked.append((nights, most))
            return {1: 5.0, 0: 3.0, 2: 4.0}[nights.index(True)]

    monkeypatch.setattr(evening, "_plain", Solver)
    dates = tuple(date(2026, 7, 13) + timedelta(days=n) for n in range(3))
    plan = Plan(Inputs(Arrays(np.ones((1, 3, 1), dtype=bool), 1), dates), (choice([True], ((0, 1, 2), 1)),))
    found, week = week_nights(plan, dates[0], (date(2026, 7, 6), frozenset()), None)
    assert found.inputs.plan.allowed[0, :, 0].tolist() == [True, False, False]
    assert week == (dates[0], frozenset({dates[0]}))
    assert [most for _, most in asked] == [np.inf, 5.0, 3.0]


def test_plans_have_the_same_flushes_where_every_array_is():
    base = dict(
        zone=np.array([1]), depth=np.array([[NAN, 2.0]]), allowed=np.array([[True]]), harm=None,
        harm_after=np.array([1.0]),
        dry_limit_after=np.array([3.0]), lasts=np.array([1.0]), held=None,
    )  # fmt: skip
    needs = lambda **changes: SimpleNamespace(**(base | changes))  # noqa: E731
    assert same_needs(needs(), needs(depth=np.array([[NAN, 2.0]])))
    for name in base:
        other = needs(**{name: np.array([[9.0]]) if base[name] is None else None})
        assert not same_needs(needs(), other) and not same_needs(other, needs())
    assert not same_needs(needs(), needs(allowed=np.array([[False]])))


# -------------------------------------------------------------------------------------------------- words of a case


def place():
    zones = SimpleNamespace(surface=np.array(["green", "tee", "tee", "rough"]))
    surfaces = {
        "green": SimpleNamespace(priority=1),
        "tee": SimpleNamespace(priority=2),
        "rough": SimpleNamespace(priority=5),
    }
    return SimpleNamespace(zones=zones, surfaces=surfaces, units="metric", currency="USD")


def case_of(water, same=False):
    return SimpleNamespace(same=same, course=SimpleNamespace(volume=np.array([[water]])))


@pytest.mark.parametrize(
    ("water", "given", "dry", "words"),
    [
        (80.0, [], 0, "20.0 m³ less water (20 %); no surface goes drier than as it is."),
        (99.6, [], 0, "As much water as now; no surface goes drier than as it is."),
        (100.5, [], 0, "0.5 m³ more water (0 %); no surface goes drier than as it is."),
        (130.0, [("rough", NIGHT, 1)], 0,
         "30.0 m³ more water (30 %); rough gives way first, from Wed 15 Jul; green and tee keep as now."),
        (80.0, [("rough", NIGHT, 1), ("tee", NIGHT, 1)], 0,
         "20.0 m³ less water (20 %); rough gives way first, from Wed 15 Jul; green keeps as now."),
        (80.0, [("rough", NIGHT, 1), ("tee", NIGHT, 1), ("green", NIGHT, 1)], 2,
         "20.0 m³ less water (20 %); rough gives way first, from Wed 15 Jul. Dry zone-days even on greens, which are "
         "served "
         "first: 2, at worst 3.0 mm short of water."),
    ],
)  # fmt: skip
def test_what_a_case_comes_to(water, given, dry, words):
    surfaces = [outcome(dry=dry, worst=3.0), outcome("tee", 2), outcome("rough", 5)]
    assert compose._summary(place(), case_of(water), case_of(100.0), surfaces, given) == words


def test_the_site_as_it_is_and_a_case_that_changes_nothing():
    usual = case_of(100.0)
    assert (
        compose._summary(place(), usual, usual, [outcome(dry=1), outcome(dry=2)], [])
        == "3 dry zone-days in these nights."
    )
    assert compose._summary(place(), usual, usual, [outcome()], []) == "No zone goes dry in these nights."
    assert compose._summary(place(), case_of(1.0, same=True), usual, [outcome()], []).startswith("Changes nothing")
    assert compose._listed(["a", "b", "c"]) == "a, b and c"


def relaxed(before, after, water=0.0, bill=0.0):
    one = lambda dry, volume: SimpleNamespace(dry=np.array(dry), volume=np.array([[volume]]))  # noqa: E731
    return SimpleNamespace(
        before=one(before, 10.0),
        after=one(after, 10.0 + water),
        bill=bill,
        family="pump_limit",
        what="capacity of pump p",
    )


@pytest.mark.parametrize(
    ("before", "after", "water", "bill", "words"),
    [
        ([[0.0], [2.0], [3.0], [4.0]], [[0.0], [0.0], [0.0], [4.0]], 30.0, -5.0,
         "spares 2 dry zone-days on tee; uses 30.0 m³ more; saves 5.00 USD"),
        ([[1.0], [2.0], [0.0], [4.0]], [[0.0], [0.0], [0.0], [0.0]], -30.0, 5.0,
         "spares 1 dry zone-day on green, 1 dry zone-day on tee and 1 dry zone-day on rough; uses 30.0 m³ less; "
         "costs 5.00 "
         "USD"),
        ([[0.0], [0.0], [0.0], [4.0]], [[0.0], [0.0], [0.0], [2.9]], 0.9, 0.9,
         "leaves the turf less dry on days it is past its limit all the same"),
        ([[0.0], [0.0], [0.0], [4.0]], [[0.0], [0.0], [0.0], [3.0]], 0.0, 0.0, "changes next to nothing"),
        ([[0.0], [0.0], [0.0], [4.0]], [[0.0], [1.0], [0.0], [0.0]], 0.0, 0.0,
         "spares 1 dry zone-day on rough; costs 1 dry zone-day on tee"),
    ],
)  # fmt: skip
def test_a_limit_a_tenth_wider(before, after, water, bill, words):
    found = compose._wider(place(), relaxed(before, after, water, bill))
    assert found.words == f"capacity of pump p, 10 % more: {words}"
    assert (found.water_m3, found.cost) == (water, bill) and list(found.less_dry_zone_days) == ["green", "tee", "rough"]


def order(**changes):
    base = dict(
        kind="cut", name="20 % less", allowed=100.0, used=0.0, left=40.0, first=NIGHT, last=NIGHT + timedelta(days=2),
        facts={},
    )  # fmt: skip
    return SimpleNamespace(**(base | changes))


def test_an_order_is_told_with_what_is_allowed_used_and_left():
    assert compose._order(place(), order()).words == (
        "20 % less: 100.0 m³ allowed from Tue 14 Jul to Thu 16 Jul; 40.0 m³ for these nights"
    )
    all_left = compose._order(place(), order(left=100.0))  # said once
    assert all_left.words == "20 % less: 100.0 m³ allowed from Tue 14 Jul to Thu 16 Jul" and all_left.left_m3 == 100.0
    by_et = order(kind="et_allowance", used=60.0, facts={"rule_gal": 26417.2, "exact_m3": 100.55})
    found = compose._order(place(), by_et)
    assert found.words == (
        "20 % less: 100.0 m³ allowed from Tue 14 Jul to Thu 16 Jul, 60.0 m³ of it used; 40.0 m³ for these nights (the "
        "rule's 26,417 gal; by litres on square metres 100.5 m³)"
    ) or found.words.endswith("by litres on square metres 100.6 m³)")
    assert (found.first, found.last, found.used_m3) == ("2026-07-14", "2026-07-16", 60.0)


def test_a_case_in_numbers():
    # Two zones over two nights of two sources; flushes of zones 0 and 2 asked for, one planned.
    volume = np.array([[1.0, 2.0], [4.0, 0.0]])
    course = SimpleNamespace(
        volume=volume, source=np.array([[1.0, 2.0], [4.0, 0.0]]), energy=np.array([1.00051, 2.0]), cost=np.array([5.0,
        6.004]),
        minutes=np.array([[1.0, 0.5], [4.0, 0.0]]), dry=np.zeros((2, 2)), soft=np.zeros((2, 2)), ece=np.full((2, 2),
        NAN),
        net=volume, depletion=volume,
    )  # fmt: skip
    plan = SimpleNamespace(
        source_price=np.array([0.1]), energy_price=np.zeros(1), tiers=(SimpleNamespace(above=5.0, price=2.0),),
        pump_energy=np.array([0.3]), allowed=np.array([[[True], [True]], [[False], [True]]]),
        block_length=np.array([[60.0], [0.0]]),
    )  # fmt: skip
    zones = SimpleNamespace(surface=np.array(["green", "tee"]), zone=np.array(["G", "T"]), ece_threshold=np.ones(2))
    site = SimpleNamespace(
        zones=zones, surfaces={"green": SimpleNamespace(priority=1), "tee": SimpleNamespace(priority=2)},
        units="metric",
        sources=[SimpleNamespace(name="well"), SimpleNamespace(name="lake")],
    )  # fmt: skip
    flushes = [SimpleNamespace(zone=0)]
    notes = [SimpleNamespace(subject="a"), SimpleNamespace(subject="b")]
    case = SimpleNamespace(name="n", title="t", parts=[part("a", temperature_shift=-1)])
    one = SimpleNamespace(
        case=case, same=False, orders=[], course=course,
        run=SimpleNamespace(minutes=np.array([1.0, 0.0]), result=SimpleNamespace(flushes=flushes, upkeep=())),
        plan=SimpleNamespace(
            site=site, inputs=SimpleNamespace(plan=plan, dates=NIGHTS[:2]), notes=notes,
            needs=SimpleNamespace(zone=np.array([0, 2])),
        ),
    )  # fmt: skip
    found = compose.case_numbers(one, one, [])
    assert (found.water_m3, found.water_tonight_m3, found.over_use_m3) == (7.0, 5.0, 2.0)
    assert (found.energy_kwh, found.cost, found.flushes, found.flushes_not_planned) == (3.001, 15.0, 1, 1)
    assert found.asked == ["1 °C cooler."]
    assert found.water_by_source_m3 == {"well": 3.0, "lake": 4.0} and found.run_minutes_tonight == {"G": 1.0}
    assert [(n.water_m3, n.zones_running, n.allowed) for n in found.nights] == [(5.0, 2, True), (2.0, 1, False)]
    assert found.nights[0].by_source_m3 == {"well": 1.0, "lake": 4.0} and len(found.notes) == 1
    plan.pump_energy, plan.source_price, plan.tiers = np.zeros(1), np.zeros(1), ()
    plain = compose.case_numbers(one, one, [])
    assert (plain.energy_kwh, plain.cost) == (None, None)
    plan.energy_price = np.ones(1)
    assert compose.case_numbers(one, one, []).cost == 11.0


# --------------------------------------------------------------------------------------------- the page and the run


@pytest.mark.parametrize(
    ("dry", "text", "shade"),
    [
        (0, "0", ""),
        (1, "1", "few"),
        (2, "2", "few"),
        (3, "3", "some"),
        (8, "8", "some"),
        (9, "9", "many"),
        (40, "40", "many"),
    ],
)
def test_dry_zone_days_are_shaded_by_their_share(dry, text, shade):
    found = _dry(SimpleNamespace(dry_zone_days=dry, zones=4, worst_dry_mm=3.0), 5, "metric")
    assert (found["text"], found["shade"]) == (text, shade)
    assert found["note"] == ("up to 3.0 mm short" if dry else "")


def test_nights_that_may_run_are_named_unless_all_do():
    nights = [SimpleNamespace(night=n.isoformat(), allowed=a) for n, a in zip(NIGHTS, (True, False, True), strict=True)]
    assert nights_open(SimpleNamespace(nights=nights)) == "Tue 14, Thu 16"
    assert nights_open(SimpleNamespace(nights=nights[:1])) == "all"
    assert nights_open(SimpleNamespace(nights=nights[1:2])) == "none"


@pytest.mark.parametrize(
    ("dates", "said"),
    [
        ([None], ("lasts", "")), ([None, None], ("lasts", "in all 2 weather years")),
        (["2026-08-03", None, "2026-08-01"], ("Mon 3 Aug", "in 2 of 3 weather years")), (["2026-08-01"], ("Sat 1 Aug",
        "")),
    ],
)  # fmt: skip
def test_when_the_water_runs_out(dates, said):
    assert runs_out(dates, "metric") == said


@pytest.mark.parametrize(
    ("cases", "season", "swept", "size"),
    [
        (1, None, None, "9.6"),
        (3, None, None, "8.7"),
        (3, "s", None, "7.2"),
        (1, "s", "w", "7.6"),
        (9, None, None, "7.2"),
    ],
)
def test_letters_on_paper_shrink_with_what_is_on_it(cases, season, swept, size):
    assert _print_size(SimpleNamespace(cases=[0] * cases, season=season, sweep=swept)) == size


def rows(document):
    return {r["label"]: r for t in [page._comparison(document, document.cases)] for r in t["rows"]}


def test_cases_stand_side_by_side_row_by_row():
    document = sample_whatif(2)
    found = rows(document)
    texts = lambda label: [c["text"] for c in found[label]["cells"]]  # noqa: E731
    assert list(found) == [
        "Water, 7 nights", "from reclaimed", "from well", "Beyond the allocation", "Water and energy bill", "Energy",
        "Greens dry", "Tees dry", "Approaches dry", "Fairways dry", "Landscape dry", "Rough dry",
        "Soft surfaces",
        "Salt flushes", "Salt in greens at the end", "Gives way first", "Nights that may run",
    ]  # fmt: skip
    assert found["Greens dry"]["note"] == "of 168 zone-days" and texts("Greens dry") == ["0", "9", "18"]
    assert [c["note"] for c in found["Water, 7 nights"]["cells"]] == ["", "−10 %", "−21 %"]
    assert texts("Soft surfaces") == ["72", "72", "72"] and texts("Salt flushes") == ["19"] * 3
    assert [c["note"] for c in found["Salt flushes"]["cells"]] == ["", "1 not possible", "2 not possible"]
    assert found["Salt in greens at the end"]["note"] == "mean ECe"
    assert texts("Nights that may run")[0] == "all"
    first = document.cases[0]
    bare = first.model_copy(update={
        "energy_kwh": 0.0, "cost": 0.0, "over_use_m3": 0.0, "water_by_source_m3": {"w": 1.0},
        "surfaces": [s.model_copy(update={"soft_zone_days": 0, "ece_mean_dsm": None}) for s in first.surfaces],
        "gives_way": [],
    })  # fmt: skip
    free = first.model_copy(update={"cost": 0.0})  # one case that costs is enough for the row
    assert "Water and energy bill" in rows(document.model_copy(update={"cases": [first, free]}))
    only = rows(document.model_copy(update={"cases": [bare]}))
    gone = {"Beyond the allocation", "Energy", "Water and energy bill", "Soft surfaces", "Salt flushes", "from w",
            "Nights that may run"}  # fmt: skip
    assert not gone & set(only) and only["Gives way first"]["cells"][0]["text"] == "none"


def test_a_season_ahead_stands_case_by_case():
    season = sample_whatif(1, season=True).season
    found = {r["label"]: r["cells"] for r in page._season_rows(season, "metric", "USD")}
    assert [c["text"] for c in found["Greens, dry zone-days"]] == ["41", "41"]
    assert found["Greens, dry zone-days"][0]["note"] == "30 to 66" and found["Water runs out"][0]["text"] == "Wed 2 Sep"
    flat = season.cases[0].water_m3.model_copy(update={"low": 41.0, "high": 41.0})
    one = season.cases[0].model_copy(update={
        "left_m3": None, "cost": None, "water_m3": flat,
        "surfaces": [s.model_copy(update={"ece_mean_dsm": None,
        "dry_zone_days": flat}) for s in season.cases[0].surfaces],
    })  # fmt: skip
    bare = {
        r["label"]: r["cells"] for r in page._season_rows(season.model_copy(update={"cases": [one]}), "metric", "USD")
    }
    assert {"Left of the allocation", "Bill", "Salt flushes"}.isdisjoint(bare) and bare["Water"][0]["note"] == ""
    assert bare["Greens, dry zone-days"][0]["note"] == ""


def test_the_folder_of_the_files_is_named_after_what_was_asked():
    cases = (SimpleNamespace(name="a"), SimpleNamespace(name="b"))
    assert run.folder_name((), run.Asked()) == "as-it-is"
    assert run.folder_name(cases, run.Asked(sweep="et_allowance.factor = 0..1", season=object())) == (
        "a_b_season_sweep-et_allowance-factor"
    )
    assert len(run.folder_name((SimpleNamespace(name="x" * 99),), run.Asked())) == 80


def test_what_ran_is_taken_from_where_more_of_it_is_known(monkeypatch):
    monkeypatch.setattr(run.queries, "applied_water", lambda ledger: ledger)
    kept = lambda ledger: SimpleNamespace(ledger=ledger, site=SimpleNamespace(applied=[1, 2]))  # noqa: E731
    assert run.log_of(kept(None)) == [1, 2] == run.log_of(kept([9]))
    assert run.log_of(kept([9, 9])) == [9, 9]
    workers = SimpleNamespace(local=3)
    ahead = lambda weather: SimpleNamespace(weather=weather, years=5, workers=workers)  # noqa: E731
    assert run._workers(None, 2)[1] == 0 and run._workers(ahead("drawn"), 2) == (workers, 15)
    assert run._workers(ahead("record"), 2) == (workers, 3)


def test_a_point_of_a_curve_has_the_water_and_the_bill_of_all_its_nights(monkeypatch):
    course = SimpleNamespace(cost=np.array([1.0, 2.0, 4.0]), volume=np.array([[10.0, 20.0, 30.0], [1.0, 2.0, 3.0]]))
    asked = []
    monkeypatch.setattr(sweep, "minutes_of", lambda arrays, result: ("minutes", arrays))
    monkeypatch.setattr(sweep, "course_of", lambda *given: asked.append(given) or course)
    monkeypatch.setattr(sweep, "by_surface", lambda site, dates, course: (site, dates))
    monkeypatch.setattr(sweep, "over_use", lambda arrays, water: (5.0, 0.5 * water))
    plan = SimpleNamespace(inputs=SimpleNamespace(plan="arrays", dates="dates"), salt="salt")
    more = SimpleNamespace(less_dry=np.array([1.0, 2.5]), bill=-3.0)
    point = sweep._point("site", plan, SimpleNamespace(one_more=more), 0.8)
    assert (point.value, point.water_m3, point.bill, point.surfaces) == (0.8, 66.0, 7.0 + 33.0, ("site", "dates"))
    assert (point.worth_mm_days, point.worth_bill) == (3.5, -3.0)
    assert asked[0][:3] == ("site", plan.inputs, "salt") and asked[0][4] == ("minutes", "arrays")
    none = sweep._point("site", plan, SimpleNamespace(one_more=None), 0.8)
    assert none.worth_mm_days is None and none.worth_bill is None


@pytest.mark.parametrize(("key", "once"), [("allocation", True), ("allocation_factor", True), ("cut", False)])
def test_arrays_are_worked_out_once_where_only_the_season_s_volume_moves(monkeypatch, key, once):
    monkeypatch.setattr(sweep, "arrays_of", lambda standing, case: ("arrays", case))
    monkeypatch.setattr(sweep, "settled_site", lambda site, case, night: (site, case, night))
    monkeypatch.setattr(sweep, "with_allocation", lambda first, site: (first, site))
    standing = SimpleNamespace(planned=SimpleNamespace(site="site", night=5))
    found = sweep._arrays(standing, key, ["a", "b", "c"])
    assert found[0] == ("arrays", "a") and len(found) == 3
    assert found[2] == ((("arrays", "a"), ("site", "c", 5)) if once else ("arrays", "c"))
