"""Which stations share a programme, which number it gets and what is keyed as a percent: the rules one by one."""

from dataclasses import replace

import numpy as np
import pytest

from models.night import grouping, laying, outcome
from models.night.blocks import LaidProgrammes
from models.night.board import Board
from models.night.grouping import Grouping, groupings
from models.night.job import Standing
from models.night.percent import as_percent, percent_choice
from models.night.programmes import Programme
from models.night.timetable import Bounds
from tests.models.night.controllers import needs_of, night, rules_of

SIX = night(np.ones(6), [10] * 6, [1] * 6, [0] * 6)


def ways_of(rules, needs, before=()):
    return [(w.groups, w.starts) for w in groupings(rules, needs, np.arange(6), before)]


def test_ways_are_the_likest_joined_then_finer_ones_then_half_as_many_and_one():
    # cycles 1, 1, 1, 2, 2, 2 and surfaces 0, 0, 1, 0, 0, 1: four kinds
    needs = needs_of(SIX, [10.0, 20.0, 30.0, 40.0, 50.0, 60.0], [1, 1, 1, 2, 2, 2], kin=np.array([0, 0, 1, 0, 0, 1]))
    four = ((0, 1), (2,), (3, 4), (5,))
    finer = ((0, 1), (2,), (3,), (4,), (5,))  # 3 and 4 have the most minutes of those that can be parted
    finest = ((0,), (1,), (2,), (3,), (4,), (5,))
    ways = ways_of(rules_of(programmes=6, zones=6), needs)
    assert {frozenset(groups) for groups, _ in ways} == {
        frozenset(g) for g in (four, finer, finest, ((0, 1, 2), (3, 4, 5)), ((0, 1, 2, 3, 4, 5),))
    }
    assert [len(groups) for groups, _ in ways] == [4, 5, 6, 2, 1]
    for groups, starts in ways:
        assert starts == tuple(max(needs.cycles[z] for z in group) for group in groups)
    assert ways_of(rules_of(programmes=1, zones=6), needs) == [((tuple(range(6)),), (2,))]
    once = rules_of(programmes=6, zones=6, starts_each=1)
    assert all(set(starts) == {1} for _, starts in ways_of(once, needs))
    assert groupings(once, needs, np.zeros(0, int)) == [Grouping((), (), ())]
    listed = rules_of(programmes=1, zones=6, place=np.array([5, 4, 3, 2, 1, 0]))
    assert ways_of(listed, needs)[0][0] == ((5, 4, 3, 2, 1, 0),)  # in the controller's own order
    some = groupings(rules_of(programmes=6, zones=6), needs, np.array([1, 2, 5]))
    assert {z for way in some for group in way.groups for z in group} == {1, 2, 5}


def test_two_at_once_may_also_run_with_the_longest_first():
    needs = needs_of(SIX, [10.0] * 6, [1] * 6)
    both = groupings(rules_of(programmes=2, zones=6, at_once=2, listed=False), needs, np.arange(6))
    assert [(w.groups, w.longest_first) for w in both] == [
        (g, longest) for longest in (False, True) for g in dict.fromkeys(w.groups for w in both)
    ]


def test_the_longest_group_is_parted_where_half_of_its_minutes_are():
    minutes = [10.0, 20.0, 30.0, 40.0, 50.0, 500.0]
    needs = needs_of(SIX, minutes, [1] * 6)
    # 150 min of five: 50 are less than 75, 50 and 40 are more
    assert grouping._parted(needs, [[5], [0, 1, 2, 3, 4]], 3) == [[5], [4, 3], [2, 1, 0]]
    assert grouping._parted(needs, [[0, 1], [2, 3, 4], [5]], 4) == [[0, 1], [4, 3], [2], [5]]
    assert grouping._parted(needs, [[0, 5], [1, 2]], 3) == [[5], [0], [1, 2]]  # one alone holds more than half
    assert grouping._parted(needs, [[0], [1]], 3) == [[0], [1]]
    assert grouping._parted(needs, [[0, 1], [2]], 2) == [[0, 1], [2]]


def test_the_two_likest_groups_are_joined_again_and_again():
    needs = needs_of(SIX, [10.0, 11.0, 20.0, 23.0, 40.0, 100.0], [1] * 6)
    alone = [[z] for z in range(6)]
    assert grouping._merged(needs, alone, 5) == [[0, 1], [2], [3], [4], [5]]
    assert grouping._merged(needs, alone, 4) == [[0, 1], [2, 3], [4], [5]]
    assert grouping._merged(needs, alone, 3) == [[0, 1], [2, 3, 4], [5]]  # by the mean of each
    assert alone == [[z] for z in range(6)]
    assert [sorted(g) for g in grouping._merged(needs, alone, 1)] == [list(range(6))]


def test_stations_of_before_stay_and_new_ones_go_where_they_are_likest_or_in_a_free_programme():
    rules = rules_of(programmes=3, zones=6)
    before = [Programme(0, 2, (0, 1), (9.0, 9.0), (1400.0,)), Programme(0, 5, (2,), (9.0,), (1400.0,))]
    needs = needs_of(SIX, [10.0] * 6, [1] * 6, kin=np.array([0, 0, 0, 0, 1, 1]))
    on = np.array([0, 1, 2, 3, 4, 5])
    way = grouping._as_before(rules, needs, on, before)
    # 2 stood in a programme that is no more; 2 and 3 are like 0 and 1; 4 and 5 are another surface: the last free one
    assert dict(zip(way.numbers, way.groups, strict=True)) == {2: (0, 1, 2, 3), 3: (4, 5)}
    full = [*before, Programme(0, 1, (2,), (9.0,), (1400.0,)), Programme(0, 3, (3,), (9.0,), (1500.0,))]
    way = grouping._as_before(rules, needs, on, full)
    assert sorted(z for g in way.groups for z in g) == list(range(6)) and set(way.numbers) == {1, 2, 3}
    rests = grouping._as_before(rules, needs, np.array([1]), before)
    assert rests.groups == ((1,),) and rests.numbers == (2,)


def test_programmes_keep_the_number_they_share_most_stations_with():
    rules = [rules_of(programmes=4, zones=6)]

    def numbered(now, before):
        laid = LaidProgrammes(tuple(now), None, None)
        return {p.zones: p.number for p in laying._numbered(laid, rules, before).programmes}

    def programme(number, zones, start=1400.0, minutes=None):
        return Programme(0, number, zones, minutes or (10.0,) * len(zones), (start,))

    before = [programme(1, (0, 1, 2)), programme(3, (3, 4))]
    assert numbered([programme(0, (3, 4)), programme(0, (0, 1, 2))], before) == {(3, 4): 3, (0, 1, 2): 1}
    assert numbered([programme(0, (0, 3)), programme(0, (1, 2))], before) == {(0, 3): 3, (1, 2): 1}
    # a new one takes a number that nobody held, by its start; one that rests is written over last
    assert numbered([programme(0, (5,), 1500.0), programme(0, (0, 1, 2), 1400.0)], before) == {(5,): 2, (0, 1, 2): 1}
    new = [programme(0, (5,), 1500.0), programme(0, (3,), 1450.0), programme(0, (0,), 1400.0)]
    assert numbered(new, []) == {(5,): 3, (3,): 2, (0,): 1}
    assert numbered([programme(0, (5,), 1390.0), *new[:2]], [programme(1, (0, 1, 2))])[(3,)] == 3
    laid = laying._numbered(LaidProgrammes(tuple(new), None, None), rules, [])
    assert [p.number for p in laid.programmes] == [1, 2, 3]
    twice = replace(programme(0, (5,)), starts=(1400.0, 1500.0))  # it is the first start that counts
    assert numbered([programme(0, (3,), 1450.0), twice], []) == {(5,): 1, (3,): 2}


def test_whether_stations_are_better_off_in_a_programme_of_their_own():
    before = Programme(0, 1, (0, 1, 2, 3, 4), (10.0,) * 5, (1400.0,))
    now = Programme(0, 0, (0,), (10.0,), (1400.0,))
    # four that rest would have to be taken out: more than two for the one that moves and a start time
    assert laying._better_apart(now, before, [now])
    assert not laying._better_apart(now, replace(before, starts=(1400.0, 1500.0)), [now])
    others = Programme(0, 0, (4,), (10.0,), (1400.0,))
    assert not laying._better_apart(now, before, [now, others])  # 4 runs elsewhere: three rest
    changed = replace(now, minutes=(11.0,))
    assert laying._better_apart(changed, before, [changed, others])


# ------------------------------------------------------------------------------------------------------------ percent


def test_a_percent_between_ten_and_two_hundred():
    three = Programme(0, 1, (0, 1, 2), (10.0, 20.0, 30.0), (1320.0,))
    for percent, found in ((10, True), (9, False), (200, True), (201, False)):
        now = replace(three, minutes=tuple(m * percent / 100 for m in three.minutes))
        keyed = as_percent(three, now, 0.1, 1)
        assert any(one.percent == percent and one.minutes == three.minutes for one in keyed) is found
    before = Programme(0, 1, (0, 1), (10.0, 20.0), (1320.0,))
    half, one = np.full(2, 0.5), np.full(2, 0.1)
    want = replace(before, minutes=(30.0, 60.0))
    choice = percent_choice([(before, want)], half, one)
    assert choice.percent == 200 and choice.off.tolist() == pytest.approx([-5.0, -10.0])
    assert percent_choice([(before, replace(before, minutes=(0.5, 1.0)))], half, one).percent == 10


# ------------------------------------------------------------------------------------------------------------ outcome


def test_what_programmes_and_packing_left_out_add_up():
    job = night([1.0, 1.0], [10, 10], [1, 1], [0, 0])
    job = replace(
        job,
        cycle_zone=np.array([0]),
        cycle_minutes=np.array([10.0]),
        standing=Standing(np.array([1]), np.array([1330.0]), np.array([1335.0]), np.array([0.0, 5.0])),
    )
    board = Board(job)
    board.place(0, 20, 6)
    none = Bounds(np.zeros(1), np.zeros(0), np.zeros(1), np.zeros(2))
    table = outcome.timetable_of(job, board, np.array([4, 0]), none, np.zeros(1))
    assert table.unplaced.tolist() == [4.0, 5.0] and not table.fitted and table.extra_cycles == 0
    assert list(zip(table.zone, table.start, table.end, strict=True)) == [(1, 1330.0, 1335.0), (0, 1340.0, 1346.0)]
    assert table.makespan_min == 16.0
    assert table.fill == pytest.approx(11 / 20)  # of 20 min asked, the window being long enough


# ------------------------------------------------------------------------------------------------- which way is laid


def searched(costs, monkeypatch, ways=(2, 3), left=40):
    """The ways and orders that are tried for two controllers, each (way, way, order) costing what is said, else 9."""
    tried = []

    class Laid:
        """One way, laid: what it costs is written down."""

        def __init__(self, job, needs, pairs):
            self.way = tuple(way for _, way in pairs)

        def run(self, order, before, seed):
            self.key = (*self.way, order) if order != "drawn" else (*self.way, seed)
            tried.append(self.key)

        def cost(self):
            return costs.get(self.key, 9.0)

        @property
        def holds_all(self):
            return self.cost() == 0.0

        def result(self):
            return self.key

    many = iter(ways)
    monkeypatch.setattr(laying, "groupings", lambda *given: list(range(next(many))))
    monkeypatch.setattr(laying, "Laying", Laid)
    monkeypatch.setattr(laying, "_numbered", lambda laid, rules, before: laid)
    monkeypatch.setattr(laying, "LAYINGS", left)
    two = night(np.ones(2), [10, 10], [1, 1], [0, 1])
    rules = [rules_of(zones=2), replace(rules_of(zones=2), controller=1)]
    return laying.lay_programmes(two, rules, needs_of(two, [10.0, 10.0], [1, 1])), tried


def test_ways_are_tried_one_controller_after_the_other_until_everything_has_its_place(monkeypatch):
    drawn = [(0, 0, seed) for seed in range(laying.DRAWN_ORDERS)]
    found, tried = searched({}, monkeypatch)
    first = [(0, 0, "rank"), (0, 0, "starts"), (0, 0, "length"), (1, 0, "rank"), (0, 1, "rank"), (0, 2, "rank")]
    assert tried == [*first, *drawn] and found == (0, 0, "rank")  # nothing is better: once through
    found, tried = searched({(0, 0, "rank"): 0.0}, monkeypatch)
    assert tried == [(0, 0, "rank")]
    found, tried = searched({(1, 0, "rank"): 0.0}, monkeypatch)
    assert found == (1, 0, "rank") and tried == first[:4]  # nothing is left to look for
    # a better way is kept, and its neighbours are tried
    found, tried = searched({(1, 0, "rank"): 5.0, (1, 2, "rank"): 0.0}, monkeypatch)
    assert found == (1, 2, "rank") and tried == [*first[:4], (1, 1, "rank"), (1, 2, "rank")]
    found, tried = searched({(0, 0, "length"): 5.0, (0, 1, "rank"): 6.0, (0, 0, 2): 4.0}, monkeypatch)
    assert found == (0, 0, 2) and tried == [*first, *drawn]  # an order is no other way
    found, tried = searched({(0, 0, 1): 0.0}, monkeypatch)
    assert tried == [*first, *drawn[:2]]
    found, tried = searched({(1, 0, "rank"): 5.0, (0, 0, "rank"): 5.0}, monkeypatch)
    assert found == (0, 0, "rank")  # as dear is no better
    # the effort: so many layings, and the drawn orders
    _, tried = searched({}, monkeypatch, left=4)
    assert tried == [*first[:4], *drawn]
