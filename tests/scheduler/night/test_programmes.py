"""What controllers that hold programmes have from before, keep, and give up for zones served before theirs."""

import json
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from models.night.programmes import Programme
from scheduler.errors import InputProblems
from scheduler.night import lost, own_times, programmes
from scheduler.night.held import (
    holds_no_times,
    programme_rules,
    programmes_before,
    resting_programmes,
    without_runs,
)
from scheduler.night.lost import _binds_tonight
from scheduler.night.percents import with_percents
from scheduler.night.programmes import _gives_way
from tests.scheduler.site_folders import TOML, site

NIGHT = date(2026, 7, 14)
BOXES = """
[[controller]]
name = "held"
programmes = 2
starts_each = 3
station_delay = "30 s"
resolution = 120
[[controller]]
name = "own"
run_time_only = true
stations_at_once = 2
[[controller]]
name = "free"
"""
ZONES = "zone,surface,area,flow,controller,station\n" + "".join(
    f"{z},{s},500,2,{c},{station}\n"
    for z, s, c, station in (
        ("G1", "green", "held", "A10"), ("G2", "green", "held", "A2"), ("F1", "fairway", "own", "1"),
        ("R1", "rough", "free", "1"), ("X1", "rough", "", "A1"),
    )
)  # fmt: skip


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    return site(tmp_path_factory.mktemp("boxes") / "a", TOML + BOXES, ZONES)


def plan_of(*programmes, controller="held"):
    """A plan.json with programmes of (number, ((zone, minutes), ...), starts, percent)."""
    told = [
        {"number": n, "stations": [{"zone": z, "minutes": m} for z, m in own], "start_minutes": starts, "percent": p}
        for n, own, starts, p in programmes
    ]
    return json.dumps({"controllers": [{"name": controller, "programmes": told}, {"name": "sold", "programmes": told}]})


def kept(place, monkeypatch, tmp_path, **texts):
    """The site with plans of so many nights before tonight."""
    for name, text in texts.items():
        folder = tmp_path / "out" / (NIGHT - timedelta(days=int(name[1:]))).isoformat()
        folder.mkdir(parents=True)
        (folder / "plan.json").write_text(text)
    return SimpleNamespace(folder=tmp_path, zones=place.zones, controllers=place.controllers, edits=place.edits)


def test_controllers_with_programmes_or_times_of_their_own_take_no_start_times(place):
    assert holds_no_times(place).tolist() == [True, True, True, False, False]


def test_what_a_controller_holds_in_minutes_and_in_the_order_of_its_stations(place):
    (rules,) = programme_rules(place)
    assert (rules.controller, rules.programmes, rules.starts_each, rules.delay) == (0, 2, 3, 0.5)
    # Of all stations "1" comes first, then A1, A2 and A10, as people count.
    assert np.argsort(rules.place).tolist() == [2, 3, 4, 1, 0]


def test_the_programmes_that_stand_are_those_of_the_nearest_evening_before(place, monkeypatch, tmp_path):
    old = plan_of((1, (("G1", 5),), [1300], 100))
    last = plan_of((2, (("G2", 8), ("gone", 3), ("F1", 4), ("G1", 6)), [1270, 1400.5], 90))
    found = kept(place, monkeypatch, tmp_path, d0=old, d2=last, d3=old, d1="no plan")
    night, programmes = programmes_before(found, NIGHT)
    assert night == NIGHT - timedelta(days=2)
    # F1 hangs on another controller by now, and one zone and one controller are gone.
    assert programmes == (Programme(0, 2, (1, 0), (8.0, 6.0), (1270.0, 1400.5), 90.0),)


@pytest.mark.parametrize(("days", "stands"), [(14, True), (15, False)])
def test_a_programme_stands_for_two_weeks(place, monkeypatch, tmp_path, days, stands):
    found = kept(place, monkeypatch, tmp_path, **{f"d{days}": plan_of((1, (("G1", 5),), [1300], 100))})
    night, programmes = programmes_before(found, NIGHT)
    assert (night is not None, len(programmes)) == (stands, int(stands))
    held = without_runs(found, NIGHT)
    assert [(p.number, p.starts) for p in held.resting] == ([(1, ())] if stands else [])


def test_programmes_that_rest_keep_what_does_not_run_in_another(place):
    rules = programme_rules(place)
    before = (
        Programme(0, 1, (0, 1), (5.0, 6.0), (1300.0,), 100.0),
        Programme(0, 2, (0, 1), (7.0, 8.0), (1400.0,), 80.0),
        Programme(0, 3, (1,), (9.0,), (1500.0,), 100.0),  # the controller holds but two by now
    )
    tonight = (Programme(0, 1, (0,), (5.0,), (1300.0,), 100.0),)
    assert resting_programmes(rules, before, tonight) == (Programme(0, 2, (1,), (8.0,), (), 80.0),)
    both = (Programme(0, 1, (0, 1), (5.0, 5.0), (1300.0,), 100.0),)
    assert resting_programmes(rules, before, both) == ()


def test_stations_of_programmes_give_way_whole_and_those_served_last_first():
    # 10 min of 2 L/s find no place. Behind it on its pump: ranks 5 and 3; rank 0 is served as early, and the other pump
    # would not help. 15 min of 2 L/s are more than enough.
    job = SimpleNamespace(
        zones=5, finish_rank=np.array([0, 3, 5, 5, 0]), flow=np.array([2.0, 1, 2, 9, 9]), pump=np.array([0, 0, 0, 1, 0])
    )
    table = SimpleNamespace(
        unplaced=np.array([10.0, 0, 0, 0, 0]), zone=np.array([1, 2, 3, 4]), start=np.zeros(4),
        end=np.array([10.0, 15.0, 30.0, 20.0]),
    )  # fmt: skip
    programmed = np.array([False, True, True, True, True])
    assert _gives_way(job, table, programmed).tolist() == [0.0, 0.0, 15.0, 0.0, 0.0]
    table.unplaced[0] = 16.0  # 32 of 30 L/s: the next gives way as well
    assert _gives_way(job, table, programmed).tolist() == [0.0, 10.0, 15.0, 0.0, 0.0]
    assert _gives_way(job, table, np.zeros(5, dtype=bool)).tolist() == [0.0] * 5
    assert _gives_way(job, table, np.array([False, True, False, True, True])).tolist() == [0.0, 10.0, 0.0, 0.0, 0.0]
    table.unplaced[:] = [0.0, 4.0, 0.0, 0.0, 0.0]  # what is short in a programme itself asks nobody
    assert not _gives_way(job, table, programmed).any()
    job.finish_rank = None
    assert not _gives_way(job, table, programmed).any()


def test_controllers_of_their_own_are_left_with_whole_steps_of_each_cycle(monkeypatch):
    seen = []
    monkeypatch.setattr(own_times, "share_any_order", lambda *given: seen.append(given) or ["given"])
    own = SimpleNamespace(run_time_only=True, stations_at_once=None)
    boxes = (SimpleNamespace(run_time_only=False, stations_at_once=3), own, replace_at_once(own, 2))
    job = SimpleNamespace(
        controller=np.array([0, 1, 2, 2]), asked_minutes=np.array([9.0, 10.0, 7.5, 0.0]), zones=4,
        resolution=np.array([1.0, 0.5, 0.5, 0.5]), smallest_run=np.array([1.0, 12.0, 5.0, 2.0]),
        finish_rank=np.array([4, 3, 2, 1]),
    )  # fmt: skip
    cycles = SimpleNamespace(count=np.array([2, 3, 2, 0]))
    assert own_times.left_to_controllers(SimpleNamespace(controllers=boxes), cycles, job) == ("given",)
    ((given, asked, count, each, smallest, rank),) = seen
    assert given is job and asked == [(1, 1), (2, 2)] and count.tolist() == [0, 3, 2, 0]
    assert each.tolist() == [9.0, 3.0, 3.5, 0.0] and smallest.tolist() == [0.0, 9.0, 5.0, 0.0]
    assert rank.tolist() == [4, 3, 2, 1]
    job.smallest_run = job.finish_rank = None
    own_times.left_to_controllers(SimpleNamespace(controllers=boxes), cycles, job)
    assert seen[1][4].tolist() == [0.0] * 4 and seen[1][5].tolist() == [0] * 4
    assert own_times.left_to_controllers(SimpleNamespace(controllers=boxes[:1]), cycles, job) == ()


def replace_at_once(box, count):
    return SimpleNamespace(**(vars(box) | {"stations_at_once": count}))


@pytest.mark.parametrize(
    ("family", "index", "price", "binds"),
    [
        ("station_limit", (2, 0), 1.0, True),
        ("station_limit", (2, 1), 1.0, False),
        ("station_limit", (2, 0), 0.0, False),
        ("pump_limit", (2, 0), 1.0, False),
    ],
)
def test_stations_at_once_bind_tonight_by_their_price(family, index, price, binds):
    assert _binds_tonight(SimpleNamespace(family=family, index=index, price=price)) == binds


def test_a_percent_is_the_minutes_of_all_starts_in_whole_steps(place, monkeypatch, tmp_path):
    # Two starts of 8 and 5 min at 80 %: 6.4 and 4, cut to steps of 2 min as the controller does.
    plan = plan_of((1, (("G2", 8), ("G1", 5)), [1270, 1400], 100))
    found = kept(place, monkeypatch, tmp_path, d1=plan)
    changed = {}
    monkeypatch.setattr("scheduler.night.percents.replace", lambda site, edits: changed.update(edits=edits))
    with_percents(found, NIGHT, ["held/1=80"])
    rows = changed["edits"].set_index("zone")
    assert rows.loc["G2", "minutes"] == 12.0 and rows.loc["G1", "minutes"] == 8.0
    assert rows["note"].unique().tolist() == ["programme 1 at 80 %"]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("held/1=9", "a whole percent from 10 to 200"),
        ("held/1=201", "a whole percent from 10 to 200"),
        ("held/1=99.5", "a whole percent from 10 to 200"),
        ("held/2=90", "a programme that stands from an evening before is allowed: 1"),
        ("free/1=90", "none"),
        ("gone/1=90", "a controller of site.toml"),
        ("held=90", "CONTROLLER/NUMBER=PERCENT"),
    ],
)
def test_a_percent_that_cannot_be_keyed_is_refused(place, monkeypatch, tmp_path, text, why):
    found = kept(place, monkeypatch, tmp_path, d1=plan_of((1, (("G2", 8),), [1270], 100)))
    with pytest.raises(InputProblems, match=why):
        with_percents(found, NIGHT, [text])


@pytest.mark.parametrize("percent", [10, 200])
def test_the_least_and_the_most_percent_can_be_keyed(place, monkeypatch, tmp_path, percent):
    found = kept(place, monkeypatch, tmp_path, d1=plan_of((1, (("G2", 20),), [1270], 100)))
    changed = {}
    monkeypatch.setattr("scheduler.night.percents.replace", lambda site, edits: changed.update(edits=edits))
    with_percents(found, NIGHT, [f"held/1={percent}"])
    assert changed["edits"]["minutes"].tolist() == [20.0 * percent / 100.0]


class Solver:
    """Notes what it is told."""

    def __init__(self):
        self.told = []

    def limit_runs(self, zones, minutes, night):
        self.told.append(("runs", minutes.tolist(), night))

    def scale_capacity(self, name, factors, night=None):
        self.told.append((name, factors.tolist(), night))

    def solve(self):
        self.told.append("solved")
        return SimpleNamespace(run_times=lambda plan: np.ones((2, 1, 1, 1)))


@pytest.mark.parametrize("minutes", [[0.0, 0.0], [0.0, 7.0]])
def test_a_night_free_of_programmes_is_asked_for_with_all_stations_and_the_solver_left_as_it_was(monkeypatch, minutes):
    seen, solver = {}, Solver()
    usual = Shares({"station": np.array([1.0])}, np.array([60.0, 50.0]))
    monkeypatch.setattr(lost, "usual_limits", lambda inputs, solver: usual)
    monkeypatch.setattr(lost, "hold_tonight", lambda solver, limits, usual: solver.told.append(limits))
    monkeypatch.setattr(lost, "flushing_on", lambda *_: "flushing")

    def rounded(inputs, result, run_time, longest, terms):
        seen.update(run_time=run_time[:, 0, 0, 0].tolist(), share=terms.share["station"].tolist())
        return SimpleNamespace(minutes=np.array(minutes))

    monkeypatch.setattr(lost, "whole_minutes", rounded)
    monkeypatch.setattr(
        lost, "night_job", lambda site, inputs, minutes, by_block, flushing, said: (None, minutes.tolist())
    )
    tonight = SimpleNamespace(
        site=None, inputs=None, plan=SimpleNamespace(zones=2), solver=solver, keep_word=lambda run_time: None,
        terms=lambda limits: limits, word=SimpleNamespace(said="said"),
    )  # fmt: skip
    first, last = SimpleNamespace(waits=np.array([True, False])), SimpleNamespace(limits="as the last was held")
    found = lost._with_more_stations(tonight, first, last, np.array([2.0]))
    assert found == (minutes if any(minutes) else None)
    assert seen == {"run_time": [0.0, 1.0], "share": [2.0]}  # what had better wait waits here too
    # Free of what packing measured, with twice the stations; and afterwards as before.
    assert solver.told == [
        usual,
        ("runs", [60.0, 50.0], 0),
        ("station", [2.0], None),
        "solved",
        ("station", [1.0], None),
        "as the last was held",
    ]


@dataclass(frozen=True, eq=False)
class Shares:
    share: dict
    longest: np.ndarray

    @property
    def at_once(self):
        return self


def test_stations_without_programmes_are_those_a_controller_opens_or_all():
    boxes = (SimpleNamespace(stations_at_once=3), SimpleNamespace(stations_at_once=None))
    assert lost._stations_without(SimpleNamespace(controllers=boxes, zones=range(7))).tolist() == [3.0, 7.0]


def test_what_programmes_lose_is_what_a_free_timetable_would_run_beyond_what_runs(place, monkeypatch):
    # Zones of programmes and of times of their own: G1, G2 and F1. 10, 8 and 6 min are wished for; G1 runs 4, F1 6.
    runs = SimpleNamespace(
        zone=np.array([0, 1, 2]), start=np.array([100.0, 200.0, 300.0]), end=np.array([104.0, 208.0, 306.0])
    )
    free = SimpleNamespace(
        zone=np.array([0, 0, 3]), start=np.array([10.0, 20.0, 30.0]), end=np.array([15.0, 24.0, 39.0])
    )
    asked = []
    monkeypatch.setattr(lost, "pack_night", lambda job, effort: asked.append(job.stations_at_once.tolist()) or free)
    wished = Wished(np.array([10.0, 8.0, 6.0, 9.0, 0.0]), None)
    assert lost._run_beyond(place, wished, runs).tolist() == [
        5.0,
        -8.0,
        -6.0,
        0.0,
        0.0,
    ]  # R1 has start times of its own
    assert asked == [[5.0, 2.0, 5.0]]  # stations as without programmes
    whole = Wished(np.array([4.0, 8.0, 6.0, 99.0, 0.0]), None)  # nothing of theirs is short
    assert lost._run_beyond(place, whole, runs).tolist() == [0.0] * 5 and len(asked) == 1


@dataclass(frozen=True)
class Wished:
    asked_minutes: np.ndarray
    stations_at_once: object

    @property
    def zones(self):
        return self.asked_minutes.size


def test_a_percent_stands_in_place_of_its_zones_words_and_of_no_others(place, monkeypatch, tmp_path):
    rows = [("2026-07-14", "G2", "skip"), ("2026-07-14", "R1", "skip"), ("2026-07-15", "G2", "skip")]
    edits = pd.DataFrame([(pd.Timestamp(n), z, w, np.nan, "") for n, z, w in rows], columns=place.edits.columns)
    found = kept(place, monkeypatch, tmp_path, d1=plan_of((1, (("G2", 8),), [1270], 100)))
    found.edits = edits
    changed = {}
    monkeypatch.setattr("scheduler.night.percents.replace", lambda site, edits: changed.update(edits=edits))
    with_percents(found, NIGHT, ["held/1=100"])
    left = {(row.night.day, row.zone): row.word for row in changed["edits"].itertuples()}
    assert left == {(14, "R1"): "skip", (15, "G2"): "skip", (14, "G2"): "minutes"}


@pytest.mark.parametrize(
    ("up", "down", "sooner", "unplaced", "told"),
    [
        (True, True, 0, 0.0, "percent"),
        (False, True, 0, 0.0, "minutes"),  # a controller that rounds up would break a limit
        (True, False, 0, 0.0, "minutes"),
        (True, True, 2, 0.0, "percent, 2 sooner"),
        (True, True, 2, 1.0, "minutes"),  # for the price of a run elsewhere
    ],
)
def test_a_programme_is_told_by_a_percent_where_it_holds_however_it_is_rounded(
    place, monkeypatch, up, down, sooner, unplaced, told
):
    programme = Programme(0, 1, (0, 1, 2), (6.0,) * 3, (1300.0,), 100.0)
    table, anew = (SimpleNamespace(unplaced=np.array([u])) for u in (0.0, unplaced))
    monkeypatch.setattr(programmes, "as_percent", lambda stands, p, step, fewest, near: [replace(p, percent=100.4)])
    monkeypatch.setattr(programmes, "earlier", lambda p, by: replace(p, starts=(1300.0 - by,)))

    def holds(job, table, own, of_own, step, longest, round_up=False):
        enough = of_own[0].starts[0] == 1300.0 - sooner
        return enough and (up if round_up else down), None, "runs"

    monkeypatch.setattr(programmes, "holds_with", holds)
    monkeypatch.setattr(programmes, "_stands_as", lambda job, runs, controller: None)
    monkeypatch.setattr(programmes, "pack_night", lambda job, effort: anew)
    job = Job(np.full(5, 2.0))
    _, after, (found,) = programmes._by_percent(
        place, job, table, programme_rules(place), (programme,), (programme,), 1.0
    )
    assert found.percent == (100.4 if told.startswith("percent") else 100.0)
    assert found.starts == (1300.0 - sooner if told.startswith("percent") else 1300.0,)
    assert after is (anew if told == "percent, 2 sooner" else table)
    # Without a programme that stands there is nothing to take a percent of.
    assert programmes._by_percent(place, job, table, programme_rules(place), (programme,), (), 1.0)[2] == (programme,)


@dataclass(frozen=True)
class Job:
    resolution: np.ndarray
    standing: object = None
    blocks: np.ndarray = field(default_factory=lambda: np.array([[1200.0, 1500.0]]))


@pytest.mark.parametrize(("bound", "asked"), [(0, [[2.0, 1.0, 1.0]]), (1, []), (None, [])])
def test_stations_are_asked_for_anew_only_where_programmes_hold_a_bound_controller_to_fewer(monkeypatch, bound, asked):
    # Of three controllers the first opens 8 stations where programmes hold it to 4, the second all it has.
    seen = []
    monkeypatch.setattr(lost, "_stations_without", lambda site: np.array([8.0, 4.0, 9.0]))
    monkeypatch.setattr(lost, "_with_more_stations", lambda tonight, first, last, more: seen.append(more.tolist()))
    monkeypatch.setattr(lost, "_run_beyond", lambda site, wished, timetable: wished)
    tonight = SimpleNamespace(site=None, plan=SimpleNamespace(stations_at_once=np.array([4.0, 4.0, np.inf])))
    limits = () if bound is None else (SimpleNamespace(family="station_limit", index=(bound, 0, 0), price=1.0),)
    first = SimpleNamespace(free_job="first", result=SimpleNamespace(limits=limits))
    last = SimpleNamespace(free_job="last", timetable="runs")
    assert lost.lost_to_programmes(tonight, first, last) == "first"
    assert seen == asked
    first.free_job = None
    assert lost.lost_to_programmes(tonight, first, last) == "last"
    assert lost.lost_to_programmes(tonight, first, SimpleNamespace(free_job=None, timetable="runs")) is None
    assert lost.lost_to_programmes(tonight, first, SimpleNamespace(free_job="last", timetable=None)) is None


def test_what_stations_of_programmes_want_is_in_whole_steps_at_each_start(place):
    # Steps of 2 min. G1: 10 min in two cycles are 6 at each; one cycle needs no length. Roots hold 9 min, of G2 30.
    given = SimpleNamespace(
        plan=SimpleNamespace(depletion=np.full(5, 9.0), net_rate=np.array([1.0, 0.3, 1.0, 1.0, 1.0])),
        longest_run=np.full((5, 2), 20.0),
    )
    job = SimpleNamespace(
        zones=5, resolution=np.full(5, 2.0), finish_by=np.array([1500.0, np.nan, np.nan, np.nan, np.nan]),
        smallest_run=np.full(5, 6.0), controller=place.zones.controller, soak=np.full(5, 7.0),
        hours=(None, np.arange(5)),
    )  # fmt: skip
    minutes = np.array([10.0, 4.0, 8.0, 8.0, 0.0])
    cycles = SimpleNamespace(count=np.array([2, 1, 1, 3, 0]))
    needs = programmes._needs(place, given, cycles, job, minutes, np.array([[1.0], [1.0], [2.0], [1.0], [1.0]]))
    assert needs.minutes.tolist() == [10.0, 4.0, 0.0, 0.0, 0.0]  # only those of programmes
    assert needs.longest.tolist() == [6.0, np.inf, np.inf, 4.0, np.inf]
    assert needs.largest.tolist() == [10.0, 20.0, 9.0, 9.0, 9.0]
    assert (needs.smallest.tolist(), needs.least.tolist()) == ([6.0, 4.0, 6.0, 6.0, 0.0], [2.0] * 5)
    assert needs.finish[0] != needs.finish[1] == needs.finish[2]
    assert needs.kin[0] == needs.kin[1] != needs.kin[2] and needs.like[0] == needs.like[1] != needs.like[2]
