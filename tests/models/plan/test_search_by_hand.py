"""The search for whole flushes, step by step: what is asked of the plan, in which order, and what is kept.

The plans are scripts. Every zone has two ways: none, and a flush that weighs what the zone leans to until it is settled
or barred. What was asked is read off the bounds, a letter a zone: `?` open, `f` settled on its flush, `-` settled on
none, `x` its flush barred, `b` to be without one barred.
"""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from models.plan import choose, groups
from models.plan.choose import Node, Ways, _halves, branch, dive, exact
from models.plan.groups import Bounded, Group, Search


class Script:
    """A plan of zones that lean to a flush by `lean`, and whose cost is a function of the letters asked."""

    def __init__(self, lean, cost):
        self.lean, self.cost, self.zones = np.asarray(lean, float), cost, len(lean)
        self.ways = Ways(np.repeat(np.arange(self.zones), 2), 2 * np.arange(self.zones), self.zones)
        self.asked = []
        free = np.zeros(2 * self.zones), np.ones(2 * self.zones)
        self.root = Node(*free, *self.solve(*free))
        self.asked.clear()

    def letters(self, lower, upper):
        """What bounds ask of each zone."""
        pairs = zip(lower.reshape(-1, 2), upper.reshape(-1, 2), strict=True)
        return "".join(
            "f" if low[1] else "-" if low[0] else "x" if not up[1] else "?" if up[0] else "b" for low, up in pairs
        )

    def solve(self, lower, upper):
        """The plan within these bounds."""
        asked = self.letters(lower, upper)
        self.asked.append(asked)
        flush = np.select([[c in "fb" for c in asked], [c == "?" for c in asked]], [1.0, self.lean], 0.0)
        return self.cost(asked), np.stack((1.0 - flush, flush), axis=1).ravel()


def rising(zones):
    """Leans of more than a half, the last zone the surest."""
    return 0.6 + 0.01 * np.arange(zones)


# ------------------------------------------------------------------------------------------------------------- dives


def test_a_dive_settles_a_quarter_of_the_zones_the_surest_first_then_twice_as_many():
    one = Script(rising(8), lambda asked: 5.0)
    found = dive(one.ways, one.root, 0.0, one.solve)
    assert one.asked == ["??????ff", "??ffffff", "ffffffff", "ffffffff"]  # the last with all of them fixed
    assert found.cost == 5.0 and found.weight[1::2].all()
    few = Script(rising(3), lambda asked: 5.0)  # never fewer than one
    dive(few.ways, few.root, 0.0, few.solve)
    assert few.asked == ["??f", "fff", "fff"]


def test_where_together_they_make_the_plan_dearer_half_as_many_are_settled_and_one_alone_is_gone_round():
    # zone 3 on its flush costs 1.0 more, the jump allowed is 0.5
    one = Script(rising(8), lambda asked: 100.0 + (asked[3] == "f"))
    found = dive(one.ways, one.root, 0.005, one.solve)
    assert one.asked == [
        "??????ff", "??ffffff", "????ffff",  # two, four, and half of these
        "ffffffff", "??ffffff", "???fffff",  # the next four, two, one
        "???xffff", "??fxffff", "fffxffff", "fff-ffff",
    ]  # fmt: skip
    assert found.cost == 100.0
    # where to be without it is dearer still, it stays
    dear = Script(rising(2), lambda asked: 100.0 + (asked[1] == "f") + 2.0 * (asked[1] == "x"))
    assert dive(dear.ways, dear.root, 0.005, dear.solve).cost == 101.0
    assert dear.asked == ["?f", "?x", "ff", "ff"]


def test_a_rise_is_a_share_of_the_cost_whatever_its_sign():
    # what water held above field capacity saves can bring the cost below nothing: -100, one flush more +1
    one = Script(rising(2), lambda asked: -100.0 + asked.count("f"))
    dive(one.ways, one.root, 0.011, one.solve)
    assert one.asked == ["?f", "ff", "ff"]
    one.asked.clear()
    dive(one.ways, one.root, 0.009, one.solve)
    assert one.asked == ["?f", "?x", "fx", "xx", "--"]


def test_a_dive_ends_where_it_is_not_worth_going_on_or_has_asked_often_enough(monkeypatch):
    one = Script(rising(4), lambda asked: 10.0 + asked.count("f"))
    assert dive(one.ways, one.root, 1.0, one.solve, dearest=9.0) is one.root and not one.asked
    assert dive(one.ways, one.root, 1.0, one.solve, dearest=10.0).cost == 11.0  # the first zone was settled
    assert one.asked == ["???f"]
    monkeypatch.setattr(choose, "MOST_SOLVES", 2)
    one.asked.clear()
    assert dive(one.ways, one.root, 1.0, one.solve).cost == 13.0
    assert one.asked == ["???f", "?fff", "-fff"]  # what is left takes no flush
    one.asked.clear()
    dive(one.ways, one.root, 0.0, one.solve)  # one tried, one barred: that is two
    assert one.asked == ["???f", "???x", "---x"]
    monkeypatch.setattr(choose, "MOST_SOLVES", 3)
    one.asked.clear()
    dive(one.ways, one.root, 0.0, one.solve)
    assert one.asked == ["???f", "???x", "??fx", "??xx", "--xx"]


def test_where_a_zone_can_neither_flush_nor_not_all_that_are_open_take_none():
    one = Script(rising(4), lambda asked: 1.0 if set(asked) <= set("?-") or asked == "???f" else np.inf)
    assert dive(one.ways, one.root, 0.0, one.solve).cost == np.inf
    assert one.asked[:4] == ["???f", "?fff", "??ff", "??xf"]
    assert one.asked[4] == "---f"


def test_what_does_not_fit_when_fixed_gives_up_its_flushes_the_least_sure_first():
    one = Script([0.7, 0.9, 0.8], lambda asked: np.inf if asked.count("f") > 1 else 3.0)
    found = exact(one.ways, one.root, one.solve)
    assert one.asked == ["fff", "-ff", "-f-"] and found.cost == 3.0


# ----------------------------------------------------------------------------------------------------- branch and bound


class Room:
    """Zones whose flush saves `worth` and takes `takes` of a room too small for all: the best share is by worth."""

    def __init__(self, worth, takes, room):
        self.worth, self.takes, self.room = np.asarray(worth, float), np.asarray(takes, float), room
        self.zones = self.worth.size
        self.ways = Ways(np.repeat(np.arange(self.zones), 2), 2 * np.arange(self.zones), self.zones)
        self.asked = 0
        free = np.zeros(2 * self.zones), np.ones(2 * self.zones)
        self.root = Node(*free, *self.solve(*free))

    def solve(self, lower, upper):
        """Fill the room from the best worth down, in parts where need be."""
        self.asked += 1
        flush = np.where(upper[::2] > 0, 0.0, 1.0)
        free = self.room - float(flush @ self.takes)
        if free < 0 or (np.maximum(upper[::2], upper[1::2]) == 0).any():
            return np.inf, lower
        for zone in np.argsort(-self.worth / self.takes, kind="stable"):
            if upper[2 * zone] and upper[2 * zone + 1]:
                flush[zone] = min(1.0, free / self.takes[zone])
                free -= flush[zone] * self.takes[zone]
        return 50.0 - float(flush @ self.worth), np.stack((1 - flush, flush), axis=1).ravel()

    def best(self):
        """Cost of the best of all choices."""
        every = np.array(list(product([0, 1], repeat=self.zones)))
        return 50.0 - (every @ self.worth)[every @ self.takes <= self.room].max()


def drawn_room(seed, zones=7):
    rng = np.random.default_rng(seed)
    takes = rng.uniform(1.0, 3.0, zones)
    return Room(takes * rng.uniform(0.8, 1.2, zones), takes, 0.53 * takes.sum())


@pytest.mark.parametrize("seed", range(6))
def test_branch_and_bound_finds_the_best_and_its_bound_never_passes_it(seed):
    one = drawn_room(seed)
    start, best = dive(one.ways, one.root, 1.0, one.solve), one.best()
    found, bound = branch(one.ways, one.root, start, 0.0, one.solve, lambda: True)
    assert found.cost == pytest.approx(best) and bound == pytest.approx(best)
    before = one.root.cost
    for nodes in range(4):  # stopped at any moment the bound holds, and what is found is a plan
        left = iter(range(nodes))
        found, bound = branch(one.ways, one.root, start, 0.0, one.solve, lambda left=left: next(left, None) is not None)
        assert before - 1e-9 <= bound <= best + 1e-9 <= found.cost + 2e-9 and found.cost <= start.cost
        before = bound
    assert before > one.root.cost


def test_a_gap_that_is_close_enough_is_left_alone():
    one = drawn_room(3)
    start = dive(one.ways, one.root, 1.0, one.solve)
    asked, gap = one.asked, (start.cost - one.root.cost) / start.cost
    assert gap > 0
    assert branch(one.ways, one.root, start, 1.01 * gap, one.solve, lambda: True) == (start, one.root.cost)
    assert one.asked == asked
    branch(one.ways, one.root, start, 0.99 * gap, one.solve, lambda: True)
    assert one.asked > asked


def test_every_so_many_nodes_a_dive_is_made(monkeypatch):
    one, dives = drawn_room(3), []
    start = dive(one.ways, one.root, 1.0, one.solve)
    better = replace(start, cost=one.best() - 0.05)
    monkeypatch.setattr(choose, "DIVE_EVERY", 4)
    monkeypatch.setattr(choose, "dive", lambda *given: dives.append(given[2]) or better)
    nodes = []

    def more():
        nodes.append(len(dives))
        return len(nodes) < 9

    found, _ = branch(one.ways, one.root, start, 0.01 / 50, one.solve, more)
    assert nodes == [0, 0, 0, 0]  # what it found closes the gap
    assert dives == [0.001 / 50]  # a tenth of the gap that is left alone
    assert found is better


def test_a_node_is_split_by_the_zone_that_raised_its_bound_most_so_far():
    # the bounds that each zone's two halves have: zone 0 11 and 13, zone 1 15 and 12, zone 2 14 and 19
    bounds = {"b??": 11.0, "x??": 13.0, "?b?": 15.0, "?x?": 12.0, "??b": 14.0, "??x": 19.0}
    one = Script([0.5, 0.4, 0.6], lambda asked: bounds.get(asked, 10.0))
    gain, every = np.full(3, np.nan), np.arange(3)
    halves = _halves(one.ways, one.root, every, gain, 99.0, one.solve)
    assert gain.tolist() == [1.0, 2.0, 4.0] and [half.cost for half in halves] == [14.0, 19.0]
    one.asked.clear()
    bounds |= {"??b": 12.0}
    _halves(one.ways, one.root, every, gain, 99.0, one.solve)
    assert one.asked == ["??b", "??x"] and gain.tolist() == [1.0, 2.0, 3.0]  # the mean of before and now
    _halves(one.ways, one.root, every[:2], gain, 99.0, one.solve)
    assert one.asked[2:] == ["?b?", "?x?"] and gain.tolist() == [1.0, 2.0, 3.0]
    gain[1] = np.nan  # one never tried comes first
    _halves(one.ways, one.root, every, gain, 11.5, one.solve)
    assert one.asked[4:] == ["?b?", "?x?"] and gain[1] == 1.5  # no more counts than what leads to the plan at hand


def test_nodes_of_one_cost_wait_for_each_other():
    one = Script([0.5, 0.5], lambda asked: 10.0 if "?" in asked else 12.0)
    start = Node(*one.ways.fixed(np.array([0, 2])), 14.0, np.array([1.0, 0.0, 1.0, 0.0]))
    found, bound = branch(one.ways, one.root, start, 0.0, one.solve, lambda: True)
    assert found.cost == bound == 12.0


def test_a_relaxation_that_is_whole_but_dearer_when_fixed_keeps_its_bound():
    # zone 1 with its flush, or without, leaves zone 0 whole as well: 11.0 and 11.5, and 12.0 and 11.8 once fixed
    costs = {"b?": 10.5, "x?": 10.5, "?b": 11.0, "?x": 11.5, "-f": 12.0, "f-": 11.8}
    one = Script([0.5, 0.5], lambda asked: costs.get(asked, 10.0))
    root, plain = one.root, one.solve

    def solve(lower, upper):
        cost, weight = plain(lower, upper)
        whole = {"?b": [1.0, 0.0, 0.0, 1.0], "?x": [0.0, 1.0, 1.0, 0.0]}
        return cost, np.array(whole.get(one.asked[-1], weight))

    start = Node(*one.ways.fixed(np.array([0, 2])), 14.0, np.array([1.0, 0.0, 1.0, 0.0]))
    found, bound = branch(one.ways, root, start, 0.0, solve, lambda: True)
    assert one.asked == ["b?", "x?", "?b", "?x", "-f", "f-"]  # zone 1 raises the bound most
    assert found.cost == 11.8 and bound == 11.0


# ------------------------------------------------------------------------------------------------------------- groups


class Says:
    """A group of zones that says the same whatever is asked: how much its whole flushes cost more, and its choice."""

    def __init__(self, zones, rise, choice):
        self.zones, self.weights = np.array(zones), np.concatenate([[2 * z, 2 * z + 1] for z in zones])
        self.rise, self.choice, self.asked = rise, np.array(choice), []

    def best(self, lower, upper, close):
        """Say it."""
        self.asked.append((lower.tolist(), upper.tolist(), close))
        return self.rise, self.choice


def searching(script, *said, widest=0.01):
    return Search(script.ways, said, script.solve, widest)


def test_the_groups_that_are_undecided_raise_the_bound_of_a_node():
    one = Script([0.6, 0.7, 0.0, 0.8], lambda asked: -40.0)
    first, sure, last = Says([0, 1], 3.0, [0, 3]), Says([2], 9.0, [5]), Says([3], 1.5, [7])
    search = searching(one, first, sure, last)
    at = search.bounded(one.root)
    assert at.rise.tolist() == [3.0, 0.0, 1.5] and at.bound == -35.5
    assert at.choice.tolist() == [0, 3, 4, 7]  # zone 2 as it is
    assert not sure.asked and last.asked == [([0, 0], [1, 1], pytest.approx(0.001 * 40.0 / 3))]
    assert search.bounded(one.root, least=-30.0).bound == -30.0  # a bound once known stays
    searching(one, last).bounded(one.root)
    assert last.asked[-1][2] == pytest.approx(0.001 * 40.0)  # of one group alone
    barred = one.root.forbid(np.array([7]), one.solve)
    assert search.bounded(barred).choice.tolist() == [0, 3, 4, 6]  # zone 3 is decided now
    closed = Node(one.root.lower, np.array([0, 1, 1, 1, 1, 1, 1, 1.0]), -40.0, one.root.weight)
    assert search.bounded(closed).choice.tolist()[0] == 1  # a way that is closed is not named
    none = search.bounded(Node(one.root.lower, one.root.upper, np.inf, one.root.weight))
    assert none.bound == np.inf and not none.rise.any()


def test_what_a_group_knows_is_asked_once_and_a_group_without_answer_says_nothing(monkeypatch):
    ways, prices, solved = Ways(np.array([0, 0]), np.array([0]), 1), [b"one"], []

    def solve(lower, upper):  # a flush of half a weight costs 1, none 4, a whole one 3
        solved.append((lower.tolist(), upper.tolist()))
        if prices[0] == b"fails":
            raise groups.Unsolved
        if upper[1] == 0 or lower[0]:
            return 4.0, np.array([1.0, 0.0])
        return (3.0, np.array([0.0, 1.0])) if lower[1] or not upper[0] else (1.0, np.array([0.5, 0.5]))

    one = Group(np.array([3]), np.array([6, 7]), ways, lambda: prices[0], solve)
    free = np.zeros(2), np.ones(2)
    assert one.best(*free, 0.5)[0] == 2.0 and one.best(*free, 0.5)[1].tolist() == [7]
    count = len(solved)
    one.best(*free, 0.5)
    assert len(solved) == count
    assert one.best(np.zeros(2), np.array([1.0, 0.0]), 0.5)[0] == 0.0  # other bounds: nothing is left to decide
    assert len(solved) > count
    prices[0] = b"fails"
    assert one.best(*free, 0.5)[0] == 0.0 and one.best(*free, 0.5)[1].tolist() == [6]  # its way without a flush
    prices[0] = b"other"
    count = len(solved)
    assert one.best(*free, 2.5)[0] == 0.0  # the dive's plan is close enough, no bound is looked for
    dived = len(solved) - count
    prices[0] = b"another"
    one.best(*free, 1.9)
    assert len(solved) - count - dived > dived
    closest = []
    monkeypatch.setattr(groups, "branch", lambda *given: closest.append(given[3]) or (given[2], 1.5))
    prices[0] = b"third"
    assert one.best(*free, 0.6)[0] == 0.5 and closest == [0.6 / 3.0]  # as a share of the plan
    prices[0] = b"fourth"
    monkeypatch.setattr(groups, "branch", lambda *given: (given[2], 0.5))
    assert one.best(*free, 0.6)[0] == 0.0
    never = Group(np.array([3]), np.array([6, 7]), ways, lambda: b"", lambda low, up: (np.inf, np.array([0.4, 0.6])))
    rise, choice = never.best(*free, 0.5)
    assert rise == 0.0 and choice.tolist() == [7]


def test_a_dive_with_groups_settles_a_third_of_them_those_that_cost_most_first():
    one = Script([0.6] * 6, lambda asked: 10.0)
    says = [Says([z], rise, [2 * z + 1]) for z, rise in enumerate([0.0, 5.0, 1.0, 4.0, 2.0, 3.0])]
    search = searching(one, *says)
    for group in says:
        group.rise = 0.0
    at = Bounded(one.root, 10.0, np.array([0.0, 5.0, 1.0, 4.0, 2.0, 3.0]), np.arange(1, 12, 2))
    assert search.dive(at, bold=True).cost == 10.0
    assert one.asked[0] == "?f?f??"  # the two dearest of six
    assert one.asked[1:] == ["ff?f??", "ffff??", "fffff?", "ffffff", "ffffff"]  # then by number, one in three


def test_groups_that_raise_the_bound_together_are_settled_fewer_and_one_alone_is_gone_round_or_taken():
    def cost(asked):
        return 100.0 + (asked[5] == "f") + 3.0 * (asked[5] == "x")

    one = Script([0.6] * 6, cost)
    says = [Says([z], 0.0, [2 * z + 1]) for z in range(6)]
    at = Bounded(one.root, 100.0, np.arange(6.0), np.arange(1, 12, 2))
    search = searching(one, *says, widest=0.05)  # a rise of a tenth of that is taken: 0.5
    search.dive(at, bold=True)
    assert one.asked[:3] == ["????ff", "?????f", "f????f"]  # two, then the dearest alone: dearer, and taken
    one.asked.clear()
    search.dive(at, bold=False)
    assert one.asked[:5] == ["????ff", "?????f", "?????f", "?????x", "f????f"]  # without it dearer still
    one.asked.clear()
    one.cost = lambda asked: 100.0 + (asked[5] == "f") + 0.7 * (asked[5] == "x")
    search.dive(at, bold=False)
    assert one.asked[3:5] == ["?????x", "f????x"]  # cheaper without
    one.cost = lambda asked: np.inf if asked[5] == "f" else 200.0 if asked[5] == "x" else 100.0
    one.asked.clear()
    search.dive(at, bold=True)
    assert one.asked[:5] == ["????ff", "?????f", "?????f", "?????x", "f????x"]  # no plan at all is not taken
    one.cost = cost
    wide = searching(one, *says, widest=0.11)
    one.asked.clear()
    wide.dive(at, bold=False)
    assert one.asked[:2] == ["????ff", "f???ff"]  # 1.0 is less than 1.1


def test_a_careful_dive_settles_the_zone_of_a_group_that_is_surest_of_its_choice():
    one = Script([0.6, 0.8, 0.7, 0.0], lambda asked: 10.0 + asked.count("f"))
    search = searching(one, Says([0, 1, 2, 3], 0.0, [1, 3, 5, 6]), widest=0.0)
    at = Bounded(one.root, 10.0, np.array([1.0]), np.array([1, 3, 5, 6]))
    search.dive(at, bold=False)
    assert one.asked[:3] == ["fff-", "?f??", "?x??"]
    one.asked.clear()
    one.cost = lambda asked: np.inf if set(asked) - set("?-") else 10.0  # neither with nor without
    assert search.dive(at, bold=False).cost == 10.0
    assert one.asked == ["fff-", "?f??", "?x??", "---?"]  # all that are open take none


def test_zones_in_no_group_are_settled_as_without_groups(monkeypatch):
    one, dives = Script([0.6, 0.7], lambda asked: 10.0), []
    monkeypatch.setattr(groups, "dive", lambda *given: dives.append(given[2]) or dive(*given))
    at = Bounded(one.root, 10.0, np.zeros(0), np.array([1, 3]))
    assert searching(one, widest=0.02).dive(at, bold=True).cost == 10.0
    assert one.asked == ["?f", "ff", "ff"] and dives == [pytest.approx(0.002)]


def test_a_node_is_split_by_the_most_undecided_zone_of_the_groups_that_cost_least():
    one = Script([0.9, 0.6, 0.55, 0.0], lambda asked: 10.0)
    dear, cheap = Says([2], 5.0, [5]), Says([0, 1], 1.0, [1, 3])
    search = searching(one, dear, cheap)
    halves = search.halves(search.bounded(one.root))
    assert one.asked == ["?b??", "?x??"]  # zone 1; zone 2 hangs on the dearer group, zone 3 is decided
    assert [half.bound for half in halves] == [16.0, 16.0]  # as high as where they come from
    one.asked.clear()
    loose = Script([0.7, 0.5, 0.6], lambda asked: 10.0)
    search = searching(loose, Says([0, 1], 1.0, [1, 3]))
    search.halves(search.bounded(loose.root))
    assert loose.asked == ["??b", "??x"]  # a zone of no group costs nothing
    low = Script([0.1, 0.4, 0.3], lambda asked: 10.0)  # those that lean to none
    search = searching(low, Says([0, 1, 2], 0.0, [0, 2, 4]))
    search.halves(search.bounded(low.root))
    assert low.asked == ["?b?", "?x?"]


def test_near_the_best_what_both_choose_is_settled_and_the_rest_dived_for_with_care(monkeypatch):
    one = Script([0.6, 0.7, 0.8], lambda asked: 10.0)
    search = searching(one, Says([0, 1, 2], 0.0, [1, 2, 5]))
    best = Node(*one.ways.fixed(np.array([1, 3, 5])), 12.0, np.array([0, 1, 0, 1, 0, 1.0]))
    at = Bounded(one.root, 10.0, np.zeros(1), np.array([1, 2, 5]))
    found = search.near(at, best, one.root)
    assert one.asked[:2] == ["f?f", "f-f"] and found.cost == 10.0
    dives = []
    monkeypatch.setattr(Search, "dive", lambda self, at, bold: dives.append(bold) or at.node)
    assert search.near(at, best, one.root).cost == 10.0 and dives == [False]
    one.cost = lambda asked: np.inf
    assert search.near(at, best, one.root) is best and len(dives) == 1


def test_a_search_with_groups_dives_first_and_after_every_few_nodes(monkeypatch):
    room = drawn_room(3)
    found_by = []

    def dived(name):
        real = getattr(Search, name)

        def noted(self, *given, **how):
            found_by.append(name + ("" if not how else " bold" if how["bold"] else ""))
            return real(self, *given, **how)

        return noted

    for name in ("dive", "near"):
        monkeypatch.setattr(Search, name, dived(name))
    search = Search(room.ways, [], room.solve, 0.0)
    root = search.bounded(room.root)
    found, bound = search.run(root, lambda: True)
    assert found.cost == pytest.approx(room.best()) and bound == pytest.approx(found.cost)
    assert found_by[:3] == ["dive bold", "near", "dive"]
    start = Node(*room.ways.fixed(2 * np.arange(7)), 50.0, np.tile([1.0, 0.0], 7))
    monkeypatch.setattr(groups, "DIVE_EVERY", 4)
    found_by.clear()
    nodes = []
    found, bound = search.run(root, lambda: nodes.append(len(found_by)) or len(nodes) < 6, start)
    assert nodes[:4] == [2, 2, 2, 2] and nodes[4] > 2  # near the plan at hand; then not before the fourth node
    assert found_by[0] == "near" and found.cost < 50.0 and bound <= room.best() + 1e-9
    close = (50.0 - root.bound) / 50.0 * 1.01  # a gap that is left alone
    found_by.clear()
    assert Search(room.ways, [], room.solve, close).run(root, lambda: True, start) == (start, root.bound)
    assert not found_by


def test_what_dives_find_on_the_way_is_kept_where_it_is_better(monkeypatch):
    room = drawn_room(3)
    search = Search(room.ways, [], room.solve, 0.0)
    root, start = search.bounded(room.root), Node(*room.ways.fixed(2 * np.arange(7)), 50.0, np.tile([1.0, 0.0], 7))
    best = room.best()
    monkeypatch.setattr(groups, "DIVE_EVERY", 1)
    dear, cheap = replace(start, cost=51.0), replace(start, cost=best)
    asked, nears, careful = [], [], [dear]

    def near(self, at, plan, top):
        asked.append((plan is start, top is room.root))
        return nears.pop(0)

    monkeypatch.setattr(Search, "near", near)
    monkeypatch.setattr(Search, "dive", lambda self, at, bold: asked.append(bold) or careful[0])

    def one_node():
        asked.clear()
        left = iter([1])
        return search.run(root, lambda: next(left, None) is not None, start)[0]

    nears[:], careful[:] = [dear, dear], [cheap]
    assert one_node() is cheap and asked == [(True, True), (True, True), False]  # what is near is no better
    nears[:], careful[:] = [dear, cheap], [dear]
    assert one_node() is cheap and asked == [(True, True), (True, True)]
    # zones that all are settled: the node is fixed, and the search goes on with the next
    said = Says([0, 1], 0.0, [1, 3])
    one = Script([1.0, 1.0], lambda asked: {"??": 10.0, "ff": 11.0}.get(asked, 13.0))
    at = searching(one, said, widest=0.0).bounded(one.root)
    plan = Node(*one.ways.fixed(np.array([0, 2])), 14.0, np.array([1.0, 0.0, 1.0, 0.0]))
    monkeypatch.setattr(Search, "near", lambda self, at, best, top: best)
    found, bound = searching(one, said, widest=0.0).run(at, lambda: True, plan)
    assert found.cost == 11.0 and bound == 10.0 and one.asked == ["ff"]
