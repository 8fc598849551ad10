"""Programmes in the plan document by hand: what is keyed, what stood, what a percent spares, what is said."""

from dataclasses import dataclass, replace
from datetime import date, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from models.night.percent import PercentChoice
from models.night.programmes import Programme, ProgrammeRules
from scheduler.document import programmes
from scheduler.document.parts import ProgrammePart, ProgrammeStation
from scheduler.document.programmes import (
    _fast_changes,
    _held_by_starts,
    _holds,
    _percent,
    controller_parts,
    controller_warnings,
    entries_of,
    percent_parts,
)
from scheduler.night.held import HeldByControllers

NIGHT = date(2026, 7, 14)
EVE = date(2026, 7, 12)


@pytest.fixture(autouse=True)
def soils_take_any_run(monkeypatch):
    monkeypatch.setattr(programmes, "longest_single", lambda site, resolution: np.full(5, np.inf))


class Zones(SimpleNamespace):
    def __len__(self):
        return 5


def rules(controller=0, at_once=1, starts_each=3):
    return ProgrammeRules(controller, 4, starts_each, at_once, 1, 0.5, False, np.arange(5))


def any_order(controller=1, cycles=(0, 0, 0, 2, 1)):
    return SimpleNamespace(controller=controller, opens=1270.0, ends=1499.2, at_once=2, cycles=np.array(cycles))


def evening(held, **changes):
    """Zones A, B, C on the controller "box", D and E on "hut"; a minute is 2 m3 and, of a 0.8th share, 0.5 mm net."""
    box = SimpleNamespace(name="box", resolution=60)
    hut = SimpleNamespace(name="hut", resolution=30)
    zones = Zones(
        zone=np.array(list("ABCDE")), controller=np.array([0, 0, 0, 1, 1]), pump=np.array([0, 0, 0, 1, 1]),
        flow=np.array([1.0, 2.0, 3.0, 4.0, 6.0]),
    )  # fmt: skip
    site = SimpleNamespace(
        zones=zones, controllers=(box, hut), units="metric",
        pumps=(SimpleNamespace(name="low", ramp=9.0), SimpleNamespace(name="high", ramp=10.0)),
    )  # fmt: skip
    run = SimpleNamespace(
        controllers=held, minutes=np.array([12.0, 8.0, 0.0, 5.0, 5.0]), job="job", timetable="table",
        result=SimpleNamespace(run_times=lambda plan: "chosen"),
    )  # fmt: skip
    made = SimpleNamespace(
        water_per_minute=np.full(5, 2.0), net_rate=np.full(5, 0.5), net_share=np.full(5, 0.8),
        pump_capacity=np.zeros(2), branch_capacity=np.zeros(1), stations_at_once=np.zeros(2),
    )  # fmt: skip
    inputs = SimpleNamespace(resolution=np.ones(5), longest_run=np.array([[20.0, 1.0]] * 5))
    given = SimpleNamespace(
        site=site, run=run, plan=made, inputs=inputs, night=NIGHT, effects=SimpleNamespace(dry=np.zeros((5, 2)))
    )
    vars(given).update(changes)
    return given


BEFORE = (
    Programme(0, 1, (0, 1), (5.0, 4.0), (1260.0, 1440.0), 90.0),
    Programme(0, 2, (2,), (7.0,), (1300.0,)),
    Programme(0, 4, (), (), ()),
)
TONIGHT = (Programme(0, 3, (2,), (3.0,), (1330.5,)), Programme(0, 1, (0, 2), (6.0, 4.0), (1260.0, 1400.0)))


def held_of(**changes):
    given = dict(
        rules=(rules(),), programmes=TONIGHT, before=BEFORE, before_night=EVE, any_order=(any_order(),),
        lost=np.array([3.0, -1.0, 0.0, 0.0, 4.0]),
    )  # fmt: skip
    return HeldByControllers(**(given | changes))


def test_a_controller_holds_what_starts_what_rests_and_what_is_to_be_emptied():
    hair = np.array([4.9e-7, 0.0, 0.0, 0.0, 2.4e-7])  # lost in six decimals, also as water
    box, hut = controller_parts(evening(held_of(lost=held_of().lost + hair / 2)))
    assert [(p.number, len(p.stations), len(p.starts)) for p in box.programmes] == [(1, 2, 2), (2, 0, 0), (3, 1, 1)]
    one, two, three = box.programmes
    assert one.stations == (
        ProgrammeStation(zone="A", minutes=6.0, before_minutes=5.0), ProgrammeStation(zone="C", minutes=4.0),
    )  # fmt: skip
    assert (one.taken_out, two.taken_out, three.taken_out) == (("B",), ("C",), ())
    assert one.starts == (datetime(2026, 7, 14, 21), datetime(2026, 7, 14, 23, 20))
    assert one.start_minutes == (1260.0, 1400.0)
    assert one.before_starts == (datetime(2026, 7, 12, 21), datetime(2026, 7, 13, 0, 0))
    assert (one.before_percent, one.percent, two.before_percent, three.before_percent) == (90.0, 100.0, 100.0, None)
    assert three.before_starts is None and three.stations[0].before_minutes is None
    assert one.length_min == 10.5  # half a minute between its stations
    # 1: minutes of A, C new, B out, one start, the percent. 2: C out, its start deleted. 3: C and its start.
    assert (box.entries, box.since, box.at_once) == (5 + 2 + 2, EVE, 1)
    assert (box.lost_minutes, box.lost_m3) == (2.0, 4.0)
    assert (hut.name, hut.entries, hut.at_once, hut.lost_minutes, hut.lost_m3) == ("hut", 2, 2, 4.0, 8.0)
    assert (hut.opens, hut.done_by) == (datetime(2026, 7, 14, 21, 10), datetime(2026, 7, 15, 1, 0))


def test_controllers_stand_in_the_order_of_the_site_and_one_that_rests_has_no_hours():
    held = held_of(
        rules=(rules(1),), programmes=(), before=(), any_order=(any_order(0, (0,) * 5),), lost=np.full(5, -1.0)
    )
    box, hut = controller_parts(evening(held))
    assert (box.name, box.opens, box.done_by, box.entries) == ("box", None, None, 3)
    assert (hut.name, hut.programmes, hut.since, hut.entries) == ("hut", (), None, 0)
    assert box.lost_minutes == box.lost_m3 == hut.lost_minutes == hut.lost_m3 == 0.0
    assert [c.lost_minutes for c in controller_parts(evening(held_of(lost=None)))] == [0.0, 0.0]


def test_a_programme_at_a_percent_takes_its_minutes_at_that_percent():
    held = held_of(programmes=(Programme(0, 1, (0, 1), (6.0, 3.0), (1260.0,), 80.0),), rules=(rules(at_once=2),))
    part = controller_parts(evening(held))[0].programmes[0]
    assert (part.percent, part.length_min) == (80.0, 5.0)  # 4.8 of 6 min, to whole minutes; the other runs beside it


def part_of(stations=(), starts=(), before_starts=None, percent=100.0, before_percent=None, out=()):
    day = lambda hours: tuple(datetime(2026, 7, 14, h) for h in hours)  # noqa: E731
    return ProgrammePart(
        number=1, percent=percent, before_percent=before_percent, taken_out=out, starts=day(starts),
        stations=tuple(ProgrammeStation(zone="A", minutes=m, before_minutes=b) for m, b in stations),
        before_starts=None if before_starts is None else day(before_starts),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("part", "entries"),
    [
        (part_of(stations=[(5.0, 5.0), (5.0, 6.0), (5.0, None)]), 2),
        (part_of(out=("X", "Y")), 2),
        (part_of(starts=(21, 23), before_starts=(21, 22)), 1),
        (part_of(starts=(21,), before_starts=(21, 22, 23)), 2),
        (part_of(starts=(21, 22)), 2),
        (part_of(percent=90.0), 1), (part_of(percent=100.0, before_percent=90.0), 1),
        (part_of(percent=90.0, before_percent=90.0), 0),
    ],
)  # fmt: skip
def test_values_keyed_are_those_that_change(part, entries):
    assert entries_of(part) == entries


# ------------------------------------------------------------------------------------------------ what is said


def test_what_programmes_cost_and_who_finds_its_own_times_is_said():
    texts = [(w.subject, w.text) for w in controller_warnings(evening(held_of()))]
    assert {s for s, _ in texts} == {"programmes"}
    assert [t for _, t in texts] == [
        "box: held to its programmes it runs 2 min (4.0 m³) less tonight than with a start time for every station: "
        "A 3 min",
        "hut finds its own start times: set it to begin at 21:10; whatever the order of its stations, 2 at a time, it "
        "is done by 01:00, and the flow it may draw is kept free for it",
        "hut: 4 min, 8.0 m³, are left out since in some order of its stations the night would end too late or pass "
        "what pump and pipes give: E 4 min",
    ]
    steep = evening(held_of())
    for pump in steep.site.pumps:
        pump.ramp = 0.1
    assert any("may open 2 valves at the same moment" in w.text for w in controller_warnings(steep))
    quiet = held_of(lost=np.array([1.0, -1.0, 0.0, 0.0, 0.0]), any_order=(any_order(cycles=(0,) * 5),))
    assert controller_warnings(evening(quiet)) == []
    assert controller_warnings(evening(held_of(lost=None, any_order=()))) == []


def test_of_many_zones_the_ones_that_lose_most_are_named():
    many = 11
    zones = SimpleNamespace(zone=np.array([f"Z{i}" for i in range(many)]))
    minutes = np.array([1.0, 9.0, *range(1, 10)])
    text = programmes._named(SimpleNamespace(site=SimpleNamespace(zones=zones)), np.arange(1, many), minutes)
    assert text == "Z1 9 min, Z10 9 min, Z9 8 min, Z8 7 min, Z7 6 min, Z6 5 min, Z5 4 min, Z4 3 min and 2 more zones"


@pytest.mark.parametrize(
    ("at_once", "zones", "warned"),
    [(2, [3, 4], False), (2, [0, 1, 2, 3], False), (3, [3, 4], False)],
)
def test_valves_that_open_together_may_change_the_flow_as_fast_as_a_ramp(at_once, zones, warned):
    # D and E together are 10 L/s, just the ramp of "high"; A, B and C 6 of 9.
    assert bool(_fast_changes(evening(held_of()), 1, at_once, np.array(zones))) == warned


def test_valves_that_open_together_faster_than_a_ramp_are_told():
    given = evening(held_of())
    given.site.pumps[1].ramp = 9.9
    assert _fast_changes(given, 1, 2, np.array([0, 3, 4])) == [
        "hut may open 2 valves at the same moment: the flow of high then changes faster than its ramp allows; give "
        "it a pause between stations"
    ]
    given.site.pumps[0].ramp = 4.9  # the two largest of A, B and C draw 5
    assert len(_fast_changes(given, 0, 2, np.array([0, 1, 2]))) == 1
    assert _fast_changes(given, 0, 1, np.array([2])) == []  # one valve alone


@pytest.mark.parametrize(
    ("minutes", "dry", "longest", "told"),
    [
        (12.0, 1.0, 4.0, True), (11.9, 1.0, 4.0, False), (12.0, 0.0, 4.0, False), (0.0, 1.0, 4.0, False),
        (12.0, 1.0, np.inf, False),
    ],
)  # fmt: skip
def test_a_zone_is_held_by_the_start_times_of_its_programme(monkeypatch, minutes, dry, longest, told):
    # Three starts of 4 min. D, on the other controller, is as long and dry.
    monkeypatch.setattr(programmes, "longest_single", lambda site, resolution: np.full(5, longest))
    given = evening(held_of())
    given.run.minutes = np.array([minutes, 0.0, 0.0, 12.0, 0.0])
    given.effects.dry = np.array([[dry, 0.0], [0, 0], [0, 0], [1, 0], [0, 0]])
    assert _held_by_starts(given) == (
        ["box holds 3 start times a programme, and the soil takes no more at each: these zones stay drier than they "
         "should: A 12 min"] if told else []
    )  # fmt: skip


# --------------------------------------------------------------------------------------------------- a percent


def chooses(monkeypatch, off=0.4, holds=True, percent=90):
    """The percent of the first programme, as it stands at that percent."""

    def choice(pairs, rate, resolution):
        assert rate.tolist() == [0.625] * 5 and resolution.tolist() == [1.0, 1.0, 1.0, 0.5, 0.5]
        given = tuple(replace(before, percent=float(percent), starts=now.starts) for before, now in pairs)
        return PercentChoice(given, percent, np.array([0.1, -off, 0.0, 0.0, 0.0]))

    monkeypatch.setattr(programmes, "percent_choice", choice)
    monkeypatch.setattr(programmes, "_holds", lambda planned, one, resolution: holds)


STOOD = (Programme(0, 1, (0, 1, 2), (5.0, 4.0, 3.0), (1260.0,)),)
ASKED = (Programme(0, 1, (0, 1, 2), (6.0, 5.0, 4.0), (1320.0,)),)


def test_a_percent_is_told_with_what_it_spares_and_what_it_is_off(monkeypatch):
    chooses(monkeypatch)
    monkeypatch.setattr(programmes, "FEWEST", 2)
    (part,) = percent_parts(evening(held_of(before=STOOD, programmes=ASKED)))
    assert [(p.controller, p.number) for p in part.programmes] == [("box", 1)]
    # The percent and the start, in place of three minutes and the start.
    assert (part.percent, part.entries, part.instead_of) == (90.0, 2, 4)
    assert part.starts == ((datetime(2026, 7, 14, 22),),)
    assert (part.most_off_mm, part.most_off_zone) == (0.4, "B")
    assert part.volume_m3 == pytest.approx((0.1 - 0.4) / 0.625 * 2.0)


@pytest.mark.parametrize(
    ("changes", "found"),
    [({}, 1), ({"off": 0.5}, 1), ({"off": 0.51}, 0), ({"holds": False}, 0)],
)
def test_a_percent_is_offered_where_it_is_near_and_holds(monkeypatch, changes, found):
    chooses(monkeypatch, **changes)
    monkeypatch.setattr(programmes, "FEWEST", 2)
    planned = evening(held_of(before=STOOD, programmes=ASKED))
    assert len(_percent(planned, list(zip(STOOD, ASKED, strict=True)))) == found


def test_a_percent_that_spares_too_little_is_not_offered(monkeypatch):
    chooses(monkeypatch)
    assert _percent(evening(held_of(before=STOOD, programmes=ASKED)), list(zip(STOOD, ASKED, strict=True))) == []


def test_starts_are_tried_earlier_until_every_limit_holds(monkeypatch):
    chooses(monkeypatch)
    monkeypatch.setattr(programmes, "FEWEST", 2)
    planned, pairs = evening(held_of(before=STOOD, programmes=ASKED)), list(zip(STOOD, ASKED, strict=True))
    tried = []

    def holds(planned, one, resolution):
        tried.append(one.programmes[0].starts[0])
        return one.programmes[0].starts[0] <= 1318.0

    monkeypatch.setattr(programmes, "_holds", holds)
    (part,) = _percent(planned, pairs)
    assert tried == [1320.0, 1319.0, 1318.0]
    assert part.starts == ((datetime(2026, 7, 14, 21, 58),),)
    monkeypatch.setattr(programmes, "percent_choice", lambda *_: None)
    assert _percent(planned, pairs) == []


def test_one_percent_for_all_comes_before_one_for_each(monkeypatch):
    asked = []

    def told(planned, pairs, best=()):
        asked.append([now.number for _, now in pairs])
        return ["whole"] if len(pairs) > 1 and planned.works else [asked[-1][0]] if len(pairs) == 1 else []

    monkeypatch.setattr(programmes, "_percent", told)
    two = tuple(Programme(0, n, (n - 1,), (6.0,), (1320.0,)) for n in (1, 2))
    stood = tuple(replace(p, minutes=(5.0,)) for p in two)
    planned = evening(held_of(before=stood, programmes=two), works=True)
    assert percent_parts(planned) == ("whole",) and asked == [[1, 2]]
    planned.works = False
    asked.clear()
    assert percent_parts(planned) == (1, 2) and asked == [[1, 2], [1], [2]]
    asked.clear()  # one of them is new: no one percent for all
    new = evening(held_of(before=stood, programmes=(two[0], replace(two[1], number=3))), works=True)
    assert percent_parts(new) == (1,) and asked == [[1]]


def test_a_programme_keyed_at_a_percent_is_offered_another_for_what_it_runs(monkeypatch):
    # 10 min at 90 % run 9: these are what another percent has to come to.
    seen = []
    monkeypatch.setattr(programmes, "_percent", lambda planned, pairs, best=(): seen.append(pairs) or [])
    one = Programme(0, 1, (0,), (10.0,), (1320.0,), 90.0)
    percent_parts(evening(held_of(before=(replace(one, percent=100.0),), programmes=(one,))))
    ((_, now),) = seen[0]
    assert now == replace(one, minutes=(9.0,), percent=100.0)


@pytest.mark.parametrize("gone", ["job", "timetable", "before"])
def test_no_percent_is_told_of_a_night_without_a_timetable_or_one_before(monkeypatch, gone):
    monkeypatch.setattr(programmes, "_percent", lambda *_: ["told"])
    planned = evening(held_of(before=STOOD, programmes=ASKED))
    assert percent_parts(planned) == ("told",)
    if gone == "before":
        planned.run.controllers = held_of(before=(), programmes=ASKED)
    else:
        setattr(planned.run, gone, None)
    assert percent_parts(planned) == ()


@dataclass
class Limits:
    """A table of who asks; `given` minutes by direction."""

    given: dict
    fails: bool | None = None

    def __call__(self, job, table, rules, programmes, step, longest, up):
        self.asked = getattr(self, "asked", [])
        self.asked.append((rules.controller, [p.number for p in programmes], step, up, table))
        return up is not self.fails, np.array(self.given[up]), f"after {rules.controller}"


@pytest.mark.parametrize(
    ("given", "fails", "limit", "holds"),
    [
        ((9.0, 10.0), None, 15.0, True),
        ((9.0, 16.0), None, 15.0, True),  # the plan itself asks for 16 of it
        ((9.0, 16.1), None, 15.0, False),
        ((16.1, 9.0), None, 15.0, False),
        ((9.0, 10.0), True, 15.0, False),
        ((9.0, 10.0), False, 15.0, False),
        ((20.0, 20.0), None, 30.0, True),
        ((9.0, 20.1), None, 30.0, False),  # longer than the zone may run
    ],
)
def test_a_percent_holds_where_limits_do_however_a_controller_rounds(monkeypatch, given, fails, limit, holds):
    minutes = lambda m: [m, 1.0, 1.0, 1.0, 1.0]  # noqa: E731
    table = Limits({False: minutes(given[0]), True: minutes(given[1])}, fails)
    monkeypatch.setattr(programmes, "holds_with", table)
    monkeypatch.setattr(programmes, "longest_single", lambda site, resolution: np.full(5, 4.0))
    seen = []

    def rows(inputs, chosen, night, one):
        seen.append((chosen, night, {k: v.tolist() for k, v in one.items()}))
        return np.array([[1.0, 0.0, 0.0, 0.0, 0.0]]), np.array([limit])

    monkeypatch.setattr(programmes, "hard_rows", rows)
    planned = evening(held_of(rules=(rules(0), rules(1)), programmes=(*ASKED, Programme(0, 2, (1,), (3.0,), ()))))
    planned.run.minutes = np.array([16.0, 8.0, 0.0, 5.0, 5.0])
    choice = PercentChoice(ASKED, 90, np.zeros(5))
    resolution = np.array([1.0, 2.0, 1.0, 0.5, 0.5])
    assert _holds(planned, choice, resolution) == holds
    assert table.asked[0] == (0, [1, 2], 1.0, False, "table")  # the controller without one of them is not asked
    assert seen == [("chosen", 0, {"pump": [1.0, 1.0], "branch": [1.0], "station": [1.0, 1.0]})]
    if holds:
        assert [a[3] for a in table.asked] == [False, True]
