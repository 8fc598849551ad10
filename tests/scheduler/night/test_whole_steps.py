"""Rows of the shared limits of one night, and what run times are rounded by, on plans of round numbers."""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pytest

from models.plan.inputs import Cut
from models.plan.results import LimitPrice
from scheduler.night import later, whole_steps
from scheduler.night.later import _with_prices_of, all_nights
from scheduler.night.whole_steps import HARD_SHARE, STILL, Terms, flushing_on, hard_rows, supply_mix, whole_minutes
from tests.models.plan.plans import FLOW, plan

ALL = dict.fromkeys(("pump", "branch", "station"), 1.0)


def rows(given, run_time, night, share=ALL, earlier=None):
    """The rows as (use by zone, limit), limits as they are before a hair is kept."""
    matrix, limits = hard_rows(SimpleNamespace(plan=given), run_time, night, share, earlier)
    each = zip(matrix.toarray().tolist(), (limits / HARD_SHARE).tolist(), strict=True)
    return [(use, pytest.approx(limit)) for use, limit in each]


def chosen(given, minutes):
    """Run times (Z, N, B, K) with all in the first block and the first supply."""
    found = np.zeros((given.zones, given.nights, given.block_length.shape[1], given.supply_share.shape[0]))
    found[:, :, 0, 0] = minutes
    return found


PIPES = dict(
    pump_of_zone=[0, 0, -1], pump_capacity=[2 * FLOW, np.inf], branch_of_zone=[-1, 0, 0], branch_capacity=[3 * FLOW],
    controller_of_zone=[0, -1, 0], stations_at_once=[2.0], flow=[FLOW, 2 * FLOW, FLOW],
)  # fmt: skip


def test_pumps_branches_and_stations_give_their_share_of_the_open_minutes():
    given = plan(zones=3, nights=2, blocks=2, block_length=np.array([[100.0, 50.0], [10.0, 0.0]]), **PIPES)
    share = {"pump": np.array([0.5, 1.0]), "branch": np.array([0.9]), "station": np.array([0.25])}
    minutes = np.zeros((3, 2, 2, 1))
    first = rows(given, minutes, 0, share)
    assert first == [
        ([FLOW, 2 * FLOW, 0.0], pytest.approx(FLOW * 150.0)),
        ([0.0, 2 * FLOW, FLOW], pytest.approx(0.9 * 3 * FLOW * 150.0)),
        ([1.0, 0.0, 1.0], pytest.approx(0.25 * 2 * 150.0)),
    ]
    assert [limit for _, limit in rows(given, minutes, 1, share)] == [
        pytest.approx(FLOW * 10.0), pytest.approx(0.9 * 3 * FLOW * 10.0), pytest.approx(5.0),
    ]  # fmt: skip


def test_a_source_s_night_is_taken_in_the_proportions_that_were_chosen():
    # Two sources, and a blend of a quarter of the second. The first zone takes 6 min of the first and 2 of the blend.
    given = plan(
        zones=2, nights=1, supply_share=[[1.0, 0.0], [0.75, 0.25]], source_price=[0.1, 0.2], source_daily=[np.inf, 3.0],
        zone_supply=[[True, True], [False, True]],
    )  # fmt: skip
    minutes = np.zeros((2, 1, 1, 2))
    minutes[0, 0, 0] = [6.0, 2.0]
    (row,) = rows(given, minutes, 0)
    assert row == ([0.25 * 0.25, 0.25], 3.0)  # a zone for which nothing was chosen takes the first it is named


def test_supplies_are_mixed_as_chosen_and_the_first_where_nothing_is():
    given = plan(zones=3, nights=1, supply_share=np.eye(2), source_price=[0, 0], zone_supply=[[1, 1], [0, 1], [1, 1]])
    found = supply_mix(given, np.array([[1.0, 3.0], [0.0, 0.0], [STILL / 2, 0.0]]))
    assert found.tolist() == [[0.25, 0.75], [0.0, 1.0], [1.0, 0.0]]
    assert supply_mix(given, np.array([[2e-7, 0.0], [0, 1], [1, 1]]))[0].tolist() == [1.0, 0.0]


def test_a_month_is_used_as_planned_and_with_what_rounding_kept_in_it():
    # Three nights, the last of a new month. Planned 10, 20 and 30 min of both zones.
    given = plan(zones=2, nights=3, month_of_night=[0, 0, 1], source_monthly=[[500.0, 500.0]])
    minutes = chosen(given, [[10.0, 20.0, 30.0]] * 2)
    assert rows(given, minutes, 0) == [([1.0, 1.0], 20.0)]
    assert rows(given, minutes, 1) == [([1.0, 1.0], 40.0)]
    ran = np.array([[8.0], [9.0]])
    assert rows(given, minutes, 1, earlier=ran) == [([1.0, 1.0], 43.0)]
    assert rows(given, minutes, 2, earlier=np.array([[8.0, 20.0], [9.0, 19.0]])) == [([1.0, 1.0], 60.0)]
    free = plan(zones=2, nights=3, month_of_night=[0, 0, 1], source_monthly=[[np.inf, 500.0]])
    assert rows(free, minutes, 1, earlier=ran) == []
    # More ran than was planned: it is missing later, and never more than all.
    assert rows(given, minutes, 1, earlier=np.array([[8.0], [60.0]])) == [([1.0, 1.0], 0.0)]


def test_what_a_month_was_kept_is_of_the_source_its_own_night_took():
    # Night 0 draws on the second source, kept 2 of 10 min, night 1 on the first, kept 3 of 12; night 2 plans 20 of it.
    supplies = {"supply_share": np.eye(2), "source_price": [0.0, 0.0]}
    given = plan(zones=1, nights=3, source_monthly=[[500.0], [500.0]], **supplies)
    minutes = np.zeros((1, 3, 1, 2))
    minutes[0, 0, 0, 1], minutes[0, 1, 0, 0], minutes[0, 2, 0, 0] = 10.0, 12.0, 20.0
    assert rows(given, minutes, 2, earlier=np.array([[8.0, 9.0]])) == [([1.0], 23.0), ([0.0], 2.0)]


def test_allocation_and_cuts_count_from_their_night_with_what_rounding_kept():
    green = np.array([True, False])
    cuts = (
        Cut("now", green, np.array([np.inf, 40.0, np.inf])),
        Cut("later", ~green, np.array([np.inf, 50.0, 50.0]), since=1),
        Cut("over", green, np.array([40.0, np.inf, np.inf])),
    )  # fmt: skip
    given = plan(zones=2, nights=3, allocation=1000.0, cuts=cuts)
    minutes = chosen(given, [[10.0, 20.0, 30.0], [1.0, 2.0, 3.0]])
    assert rows(given, minutes, 0) == [([1.0, 1.0], 11.0), ([1.0, 0.0], 10.0), ([1.0, 0.0], 10.0)]
    ran = np.array([[7.0], [0.5]])
    assert rows(given, minutes, 1, earlier=ran) == [([1.0, 1.0], 25.5), ([1.0, 0.0], 23.0), ([0.0, 1.0], 2.0)]
    both = np.array([[7.0, 18.0], [0.5, 1.5]])
    assert rows(given, minutes, 2, earlier=both) == [([1.0, 1.0], 39.0), ([0.0, 1.0], 3.5)]
    free = plan(zones=2, nights=3, cuts=cuts[2:])
    assert rows(free, minutes, 1) == []


# --------------------------------------------------------------------------------------------- what is rounded by


def asked(monkeypatch, given, run_time, night=0, flushes=(), held=None, longest=(50.0, 50.0, 50.0), **more):
    """What `round_minutes` is asked, of zones whose smallest run is 5 min."""
    seen = {}
    monkeypatch.setattr(whole_steps, "round_minutes", lambda **told: seen.update(told))
    inputs = SimpleNamespace(plan=given, resolution=np.ones(3), smallest_run=np.full(3, 5.0))
    result = SimpleNamespace(flushes=[SimpleNamespace(zone=z, nights=n) for z, n in flushes], upkeep=())
    terms = Terms(ALL, np.array([1.0, 2.0, 3.0]), held)
    whole_minutes(inputs, result, run_time, np.array(longest), terms, night, **more)
    return seen


def test_tonight_every_run_is_needed_and_none_drains_or_is_too_long(monkeypatch):
    allowed = np.ones((3, 1, 2), dtype=bool)
    allowed[2, 0, 0] = False
    given = plan(
        zones=3, nights=1, blocks=2, block_length=np.array([[40.0, 7.0]]), allowed=allowed,
        depletion=[10.0, 100.0, 100.0], taw=200.0, net_rate=[0.5, 1.0, 1.0],
    )  # fmt: skip
    run_time = chosen(given, [[3.0], [STILL / 2], [2.0]])
    run_time[0, 0, 1, 0] = 4.0
    seen = asked(monkeypatch, given, run_time)
    assert seen["minutes"].tolist() == [7.0, 0.0, 2.0]
    # 10 mm at half a millimetre a minute; the night's 47 min; of the last zone's only the 7 of its block.
    assert seen["largest_run_min"].tolist() == [20.0, 47.0, 7.0]
    assert asked(monkeypatch, given, run_time, longest=(50.0, 12.0, 50.0))["largest_run_min"][1] == 12.0
    assert seen["need"].tolist() == [True, False, True]
    assert (seen["value"].tolist(), seen["smallest_run_min"].tolist()) == ([1.0, 2.0, 3.0], [5.0] * 3)


def test_a_flush_and_a_manager_s_word_come_first_and_may_drain(monkeypatch):
    given = plan(zones=3, nights=2, depletion=10.0)
    run_time = chosen(given, [[3.0, 3.0]] * 3)
    tonight = asked(monkeypatch, given, run_time, flushes=[(1, (0,)), (2, (1,))], held=np.array([True, False, False]))
    assert tonight["value"].tolist() == [4000.0, 4000.0, 3.0]
    assert tonight["largest_run_min"].tolist() == [50.0, 50.0, 10.0]
    tomorrow = asked(monkeypatch, given, run_time, night=1, flushes=[(1, (0,)), (2, (1,))], held=np.ones(3, dtype=bool))
    assert tomorrow["value"].tolist() == [1.0, 2.0, 4000.0]  # a word is tonight's


def test_a_later_run_is_needed_where_its_zone_would_be_dry_without(monkeypatch):
    rain = np.array([[0.0, 0.0], [0.0, 2.0], [0.0, 0.0]])
    given = plan(zones=3, nights=2, dry_limit=20.0, effective_rain=rain, depletion=3.0)
    before = np.array([15.1, 17.0, 15.0])  # 5 mm go on the date after
    seen = asked(monkeypatch, given, chosen(given, [[0.0, 2.0]] * 3), night=1, before=before)
    assert seen["need"].tolist() == [True, False, False]
    assert seen["largest_run_min"].tolist() == [15.1, 17.0, 15.0]
    none = asked(monkeypatch, given, chosen(given, [[9.0, 0.0]] * 3), night=1, before=before)
    assert none["need"].tolist() == [False] * 3 and none["minutes"].tolist() == [0.0] * 3


def test_what_rounding_kept_is_owed_on_the_next_night_up_to_a_smallest_run(monkeypatch):
    given = plan(zones=3, nights=3)
    run_time = chosen(given, [[10.0, 4.0, 6.0], [10.0, 2.0, 6.0], [10.0, 0.0, 0.0]])
    ran = np.array([[8.0, 5.0], [3.0, 2.0], [0.0, 0.0]])
    seen = asked(monkeypatch, given, run_time, night=2, earlier=ran)
    # Kept 2 and given 1 more, kept 7, and a zone that does not run then.
    assert seen["minutes"].tolist() == [7.0, 11.0, 0.0]
    assert asked(monkeypatch, given, run_time, night=1, earlier=np.full((3, 1), 12.0))["minutes"].tolist() == [
        4.0,
        2.0,
        0,
    ]


def test_limits_may_be_those_of_other_run_times(monkeypatch):
    given = plan(zones=3, nights=1, allocation=1000.0)
    seen = asked(monkeypatch, given, chosen(given, [[10.0]] * 3), of_limits=chosen(given, [[4.0]] * 3))
    assert seen["limit_rhs"].tolist() == [pytest.approx(12.0)]
    assert asked(monkeypatch, given, chosen(given, [[10.0]] * 3))["limit_rhs"].tolist() == [pytest.approx(30.0)]
    assert seen["limit_matrix"].toarray().tolist() == [[1.0, 1.0, 1.0]]


def test_water_passes_the_roots_on_nights_of_flushes_and_of_upkeep():
    result = SimpleNamespace(
        flushes=[SimpleNamespace(zone=0, nights=(1, 2))], upkeep=[SimpleNamespace(zone=2, nights=(0, 1))]
    )
    inputs = SimpleNamespace(plan=plan(zones=3))
    assert [flushing_on(inputs, result, n).tolist() for n in range(3)] == [
        [False, False, True], [True, False, True], [True, False, False],
    ]  # fmt: skip


# ------------------------------------------------------------------------------------------------- later nights


@dataclass(frozen=True)
class Result:
    limits: tuple


def price(family, index, worth):
    return LimitPrice(family, index, 0.0, 0.0, worth)


def test_prices_of_tonight_s_limits_are_those_by_which_tonight_was_chosen():
    first = Result((price("pump_limit", (0, 0, 0), 5.0), price("allocation_limit", (), 7.0)))
    anew = Result((
        price("pump_limit", (0, 0, 0), 0.0), price("pump_limit", (0, 1, 0), 2.0), price("source_night", (1, 0), 3.0),
        price("allocation_limit", (), 1.0), price("drought_cut", (0, 0), 4.0),
    ))  # fmt: skip
    assert [limit.price for limit in _with_prices_of(first, anew).limits] == [5.0, 2.0, 3.0, 1.0, 4.0]


def test_later_nights_are_rounded_from_where_the_soil_stands(monkeypatch):
    # From 10 mm; 5 mm a date, 1 mm of rain on the second; 4 min run tonight, then 3 and 2. Half a millimetre a minute.
    rain = np.array([[0.0, 1.0, 0.0]])
    given = plan(nights=3, net_rate=0.5, effective_rain=rain)
    seen = []

    def rounded(inputs, result, run_time, longest, terms, night, depletion, earlier):
        seen.append((longest.tolist(), terms.worth, night, depletion.tolist(), earlier.tolist(), terms.held))
        return SimpleNamespace(minutes=np.array([4.0 - night]))

    monkeypatch.setattr(later, "whole_minutes", rounded)
    inputs = SimpleNamespace(
        plan=given, longest_run=np.array([[50.0, 40.0, 30.0]]), depletion_fraction=np.full((1, 3), 0.5)
    )
    tonight = SimpleNamespace(inputs=inputs, plan=given, usual=SimpleNamespace(share="share"), worth="worth")
    minutes, soil = all_nights(tonight, "result", "run_time", np.array([4.0]))
    assert minutes.tolist() == [[4.0, 3.0, 2.0]]
    assert soil.depletion.tolist() == [[13.0, 15.5, 19.5]]
    assert soil.etc_actual.tolist() == [[5.0] * 3] and soil.drainage.tolist() == [[0.0] * 3]
    assert soil.stress.tolist() == [[1.0] * 3]
    assert seen == [
        ([40.0], "worth", 1, [13.0], [[4.0]], None), ([30.0], "worth", 2, [15.5], [[4.0, 3.0]], None),
    ]  # fmt: skip
