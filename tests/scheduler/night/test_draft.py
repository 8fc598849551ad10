"""Drafts of a night: which runs wait, what stays as it is, when a night is too full, and what is told of the last."""

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest

from models.choices import TONIGHT
from models.plan.solve import SolverFailed
from scheduler.errors import NoPlan
from scheduler.night import draft as drafts
from scheduler.night import several, timetable
from scheduler.night import tonight as tonight_
from scheduler.night.capacity import Limits
from scheduler.night.draft import Draft, must_shrink
from scheduler.night.records import RunnableNight
from scheduler.night.tonight import Tonight
from tests.models.plan.plans import plan

# Three zones of rank 1, 1 and 2; the first and the last are dry by tomorrow (18 + 5 mm past 20).
ARRAYS = plan(zones=3, nights=2, blocks=2, depletion=[18.0, 10.0, 18.0], block_length=np.array([[60.0, 400.0]] * 2))
SAID = np.array([False, False, True])


def night(priority=(1, 1, 2), **more):
    site = SimpleNamespace(zones=SimpleNamespace(priority=np.array(priority)))
    return SimpleNamespace(site=site, plan=ARRAYS, word=SimpleNamespace(said=SAID), **more)


def full(unplaced, ran=97.0, fitted=False):
    table = SimpleNamespace(fitted=fitted, unplaced=np.array(unplaced, float), start=np.zeros(1), end=np.array([ran]))
    return SimpleNamespace(timetable=table)


@pytest.mark.parametrize(
    ("unplaced", "priority", "shrinks"),
    [
        ([0.0, 0.0, 3.0], (1, 1, 2), False),  # 3 of 100 min of what is served last
        ([0.0, 0.0, 3.1], (1, 1, 2), True),
        ([0.0, 3.0, 0.0], (1, 1, 2), False),  # served first, and not dry by tomorrow
        ([0.5, 0.0, 0.0], (1, 1, 2), True),  # served first and dry by tomorrow
        ([0.5, 0.0, 0.0], (1, 1, 1), False),  # where all are served alike nobody gives way to them
        ([0.5, 0.0, 0.0], (2, 2, 1), False),
    ],
)
def test_a_little_left_over_of_those_who_can_wait_shrinks_no_plan(unplaced, priority, shrinks):
    assert TONIGHT.little_left_out == 0.03
    assert must_shrink(night(priority), full(unplaced)) == shrinks


def test_a_night_that_fits_is_not_shrunk():
    assert not must_shrink(night(), SimpleNamespace(timetable=None))
    assert not must_shrink(night(), full([9.0, 9.0, 9.0], fitted=True))


def test_the_first_plan_is_made_again_until_its_zones_can_run_at_once(monkeypatch):
    share = {"pump": np.array([0.9, 0.9, 0.9]), "branch": np.ones(1)}
    limits = Limits(share, {}, np.zeros(3), np.zeros(3))
    pumps = {"pump_of_zone": [0, 1, 1], "pump_capacity": [50.0, 40.0, 9.0]}
    arrays = plan(zones=3, nights=2, flow=[5.0, 4.0, 3.0], block_length=460.0, **pumps)
    plans, told = iter([[460.0, 0.0, 0.0], [0.0, 230.0, 0.0], [0.0, 230.0, 230.0]]), iter([[0], [1], []])

    def solve():
        minutes = np.array(next(plans))
        return SimpleNamespace(tonight=lambda of: minutes)

    monkeypatch.setattr(drafts, "hold_at_once", lambda solver, of, minutes: next(told))
    tonight = SimpleNamespace(plan=arrays, limits=limits, solver=None, solve=solve)
    found, last = drafts._within_reach(tonight)
    # Of 460 min at 50 L/s nothing is used after the first row; of the second pump's 40 L/s half of 4 and 3 are.
    assert last.tonight(None).tolist() == [0.0, 230.0, 230.0]
    assert found.share["pump"].tolist() == pytest.approx([0.0, 0.5 * 7.0 / 40.0, 0.9]) and found.share["branch"] == 1.0
    # Plans that never settle are left at the last of them, and no share passes the usual.
    plans, told = iter([[9e9, 0.0, 0.0]] * 99), iter([[0]] * 99)
    found, _ = drafts._within_reach(tonight)
    assert found.share["pump"][0] == 0.9 and len(list(plans)) == 99 - 1 - drafts.REACH_ROUNDS


def test_neither_a_flush_nor_the_manager_s_word_waits(monkeypatch):
    monkeypatch.setattr(drafts, "short_runs", lambda inputs, minutes: np.ones(3, dtype=bool))
    monkeypatch.setattr(drafts, "flushing_on", lambda *_: np.array([False, True, False]))
    monkeypatch.setattr(drafts, "better_skipped", lambda inputs, prices, short: short)
    tonight = night(inputs=None, solver=SimpleNamespace(prices=None))
    found = drafts._had_better_wait(tonight, SimpleNamespace(tonight=lambda plan: None))
    assert found.tolist() == [True, False, False]


def test_what_waits_has_no_minutes_tonight_and_a_word_is_never_lifted(monkeypatch):
    seen = {}

    def rounded(inputs, result, run_time, longest, terms):
        seen.update(run_time=run_time.copy(), longest=longest, terms=terms)
        return SimpleNamespace(minutes=np.array([0.0, 5.0, 6.0]), lifted=np.array([False, True, True]))

    monkeypatch.setattr(drafts, "whole_minutes", rounded)
    monkeypatch.setattr(drafts, "_steady", lambda tonight, draft, longest, terms: draft)
    tonight = night(inputs=None, keep_word=lambda run_time: None, terms=lambda limits: "terms")
    result = SimpleNamespace(run_times=lambda plan: np.ones((3, 2, 2, 1)))
    waits = np.array([True, False, False])
    found = drafts._rounded(tonight, 2, SimpleNamespace(longest="longest"), result, waits)
    assert not seen["run_time"][0, 0].any() and seen["run_time"][0, 1].all() and seen["run_time"][1:].all()
    assert (seen["longest"], seen["terms"], found.number) == ("longest", "terms", 2)
    assert found.lifted.tolist() == [False, True, False]


@pytest.mark.parametrize("given", [None, "of limits"])
def test_what_stands_is_kept_but_for_flushes_and_the_manager_s_word(monkeypatch, given):
    seen = {}
    monkeypatch.setattr(drafts, "hard_rows", lambda inputs, run_time, night, share: (run_time, f"most of {run_time}"))
    monkeypatch.setattr(drafts, "flushing_on", lambda *_: np.array([True, False, False]))

    def kept(inputs, minutes, stands, longest, rows, others):
        seen.update(rows=rows, others=others)
        return minutes + 1.0

    monkeypatch.setattr(drafts, "kept_minutes", kept)
    tonight = night(inputs=None, stands=SimpleNamespace(minutes=np.array([np.nan, 5.0, np.nan])))
    draft = Draft(1, None, None, "its own", np.zeros(3), None, None)
    found = drafts._steady(tonight, draft, None, SimpleNamespace(share=None), given)
    assert seen["others"].tolist() == [True, False, True]
    assert seen["rows"] == ("its own", f"most of {given or 'its own'}")
    assert found.minutes.tolist() == [1.0] * 3
    nothing = night(inputs=None, stands=SimpleNamespace(minutes=np.full(3, np.nan)))
    assert drafts._steady(nothing, draft, None, SimpleNamespace(share=None)) is draft


def test_the_last_draft_asks_for_all_that_it_or_the_first_wished_for(monkeypatch):
    seen = {}

    def rounded(inputs, result, run_time, longest, terms, of_limits):
        seen.update(run_time=run_time, longest=longest, share=terms.share, of_limits=of_limits)
        return SimpleNamespace(minutes=np.zeros(3), lifted=np.zeros(3, dtype=bool))

    monkeypatch.setattr(drafts, "whole_minutes", rounded)
    monkeypatch.setattr(drafts, "_steady", lambda tonight, draft, longest, terms, of_limits: draft)
    longest = np.array([[60.0, 1.0], [50.0, 1.0], [40.0, 1.0]])
    tonight = night(inputs=SimpleNamespace(longest_run=longest), terms=lambda limits: Terms({"pump": np.array([0.4])}))
    first, last = np.zeros((3, 2, 2, 1)), np.zeros((3, 2, 2, 1))
    first[:, 0, 0, 0], last[:, 0, 1, 0], first[:, 1], last[:, 1] = (9.0, 2.0, 5.0), (4.0, 6.0, 5.0), 7.0, 8.0
    drafts._asked_for_both(tonight, SimpleNamespace(run_time=first), Draft(2, None, None, last, None, None, None))
    np.testing.assert_array_equal(seen["run_time"][0, 0], first[0, 0])
    np.testing.assert_array_equal(seen["run_time"][1:, 0], last[1:, 0])
    np.testing.assert_array_equal(seen["run_time"][:, 1], last[:, 1])
    assert seen["of_limits"] is last and seen["longest"].tolist() == [60.0, 50.0, 40.0]
    assert seen["share"]["pump"][0] > 1e5  # no limit of a capacity: the packer holds it


@dataclass(frozen=True)
class Terms:
    share: dict


@pytest.mark.parametrize(
    ("runs", "kept"),
    [([[3.0, 1.0], [0.0, 0.0]], [[6.0, 2.0], [0.0, 0.0]]), ([[0.0, 0.0]] * 2, [[0.0, 0.0], [0.0, 8.0]])],
)
def test_the_manager_s_minutes_run_as_the_plan_would_or_in_the_longest_hours_allowed(runs, kept):
    # 8 min of the second zone; it may not run in the first block, and takes the second supply.
    arrays = plan(
        zones=2, nights=1, blocks=2, block_length=np.array([[60.0, 400.0]]), supply_share=[[1.0], [1.0]],
        allowed=np.array([[[True, True]], [[False, True]]]), zone_supply=np.array([[True, True], [False, True]]),
    )  # fmt: skip
    run_time = np.zeros((2, 1, 2, 2))
    run_time[1, 0] = runs
    run_time[0, 0, 0, 0] = 5.0
    word = SimpleNamespace(said=np.array([False, True]), minutes=np.array([np.nan, 8.0]))
    Tonight.keep_word(SimpleNamespace(plan=arrays, word=word), run_time)
    assert run_time[1, 0].tolist() == kept
    assert run_time[0].sum() == 5.0


def test_the_manager_s_minutes_need_hours_that_are_there():
    arrays = plan(
        zones=1, nights=1, blocks=3, block_length=np.array([[0.0, 60.0, 400.0]]), supply_share=[[1.0]],
        allowed=np.array([[[True, True, False]]]), zone_supply=np.array([[True]]),
    )  # fmt: skip
    run_time = np.zeros((1, 1, 3, 1))
    word = SimpleNamespace(said=np.array([True]), minutes=np.array([8.0]))
    Tonight.keep_word(SimpleNamespace(plan=arrays, word=word), run_time)
    assert run_time[0, 0, :, 0].tolist() == [0.0, 8.0, 0.0]


def test_a_night_begins_with_what_stands_in_the_controllers_on_its_own_evening(monkeypatch):
    asked, said = [], np.array([False, True])
    word = SimpleNamespace(said=said, minutes=np.array([np.nan, 7.0]))
    usual = SimpleNamespace(at_once="at once")
    monkeypatch.setattr(tonight_, "managers_word", lambda site, inputs: word)
    monkeypatch.setattr(tonight_, "with_smallest", lambda inputs, word: inputs)
    monkeypatch.setattr(tonight_, "standing_programme", lambda site, night: asked.append(night) or "stands")
    monkeypatch.setattr(tonight_, "usual_limits", lambda inputs, solver: usual)
    monkeypatch.setattr(tonight_, "hold_tonight", lambda solver, limits, usual: asked.append((limits, usual)))
    result = SimpleNamespace(tonight=lambda plan: "free")
    solver = SimpleNamespace(
        solve=lambda: result, limit_runs=lambda z, m, night: asked.append((z.tolist(), m.tolist(), night))
    )
    inputs = SimpleNamespace(dates=(1, 2), plan=None)
    found = tonight_.begin_tonight("site", inputs, solver)
    assert asked == [1, ("at once", usual), ([1], [7.0], 0)]
    assert (found.stands, found.limits, found.usual, found.without_word) == ("stands", "at once", usual, "free")
    said[:] = False
    assert tonight_.begin_tonight("site", inputs, solver).without_word is None and len(asked) == 5


def test_a_minute_is_worth_the_dryness_it_spares():
    solver = SimpleNamespace(prices=SimpleNamespace(dry=np.array([4.0, 2.0, 1.0])))
    assert (
        Tonight.worth.fget(SimpleNamespace(solver=solver, plan=plan(zones=3, net_rate=[0.5, 1.0, 2.0]))).tolist()
        == [2.0] * 3
    )


def finished(monkeypatch, first, given, waits, lifted):
    """The night told of a first and a last draft, of which these minutes ran."""
    for name in ("planned_anew", "all_nights", "lost_to_programmes", "shares_by_night"):
        monkeypatch.setattr(timetable, name, lambda *_: SimpleNamespace(run_times=lambda plan: None))
    monkeypatch.setattr(timetable, "all_nights", lambda *_: (None, None))
    monkeypatch.setattr(timetable, "without_runs", lambda *_: Held())
    monkeypatch.setattr(timetable, "_minutes_given", lambda *_: np.array(given))
    last = Draft(
        2, SimpleNamespace(held=None, measured=None), None, np.ones((3, 2, 2, 1)), np.array(given), np.array(waits),
        np.array(lifted),
    )  # fmt: skip
    tonight = night(inputs=SimpleNamespace(dates=(None,)), usual=None, without_word="alone")
    return timetable._finished(tonight, replace(last, minutes=np.array(first)), last)


@dataclass(frozen=True)
class Held:
    lost: object = None


def test_a_night_tells_what_its_first_draft_asked_and_did_not_get(monkeypatch):
    found = finished(monkeypatch, [9.0, 5.0, 0.0], [4.0, 6.0, 0.0], [False, True, True], [True, True, True])
    assert isinstance(found, RunnableNight)
    assert found.left_out.tolist() == [5.0, 0.0, 0.0]
    assert found.waits.tolist() == [False, False, True]  # who runs after all did not wait
    assert found.lifted.tolist() == [True, True, False]
    np.testing.assert_allclose(found.volumes[:, 0], [4.0, 6.0, 0.0])


@pytest.mark.parametrize(("full", "numbers"), [(0, [1]), (1, [1, 2]), (9, [1, 2, 3])])
def test_a_night_too_full_is_drafted_three_times_at_most(monkeypatch, full, numbers):
    seen = []

    def packed(tonight, draft):
        seen.append(draft.number)
        return draft

    first = SimpleNamespace(number=1, result="result")
    monkeypatch.setattr(timetable, "begin_tonight", lambda *given: "tonight")
    monkeypatch.setattr(timetable, "first_draft", lambda tonight: first)
    monkeypatch.setattr(timetable, "packed", packed)
    monkeypatch.setattr(timetable, "must_shrink", lambda tonight, draft: draft.number <= full)
    monkeypatch.setattr(
        timetable, "smaller_draft", lambda tonight, one, before: SimpleNamespace(number=before.number + 1)
    )
    monkeypatch.setattr(timetable, "settled", lambda tonight, one, last: (one, last.number))
    monkeypatch.setattr(timetable, "_finished", lambda tonight, one, last: (one, last))
    assert timetable.runnable_night(None, None, None) == (first, (first, numbers[-1])) and seen == numbers
    for binds in (True, False):  # a night that is only wanted free of limits stops before it is packed
        monkeypatch.setattr(timetable, "limits_bind", lambda result, binds=binds: binds and result == "result")
        seen.clear()
        if binds:
            with pytest.raises(timetable.LimitBinds):
                timetable.runnable_night(None, None, None, free_only=True)
            assert seen == []
        else:
            assert timetable.runnable_night(None, None, None, free_only=True)[0] is first


@pytest.mark.parametrize(
    ("alone", "with_others", "runs"), [(False, False, True), (True, False, False), (False, True, False)]
)
def test_several_weathers_are_planned_for_only_where_no_limit_binds(monkeypatch, alone, with_others, runs):
    run = SimpleNamespace(result="several")
    binds = {"expected": alone, "several": with_others}
    monkeypatch.setattr(several, "limits_bind", lambda result: binds[result])
    monkeypatch.setattr(several, "runnable_night", lambda *_, **__: run)
    expected = SimpleNamespace(solve=lambda: "expected", settled=lambda: None)
    solver = SimpleNamespace(program=SimpleNamespace(limit_time=lambda seconds: None))
    found = several._of_several(None, SimpleNamespace(plan=None), expected, lambda *_: solver)
    assert found is (run if runs else None)


@dataclass(frozen=True)
class Night:
    plan: object
    others: object = "others"
    notes: tuple = ()


@dataclass(frozen=True)
class Arrays:
    members: object = "members"


@pytest.mark.parametrize(
    ("members", "found", "alone", "notes"),
    [
        ("members", "several", False, 0),
        ("members", None, True, 0),  # a shared limit binds: by rank, and no word of it
        ("members", SolverFailed("late"), True, 1),
        ("members", NoPlan("x"), True, 1),
        (None, "several", True, 0),
    ],
)
def test_a_night_is_of_several_weathers_or_of_the_expected_one_alone(monkeypatch, members, found, alone, notes):
    def of_several(site, inputs, expected, loaded):
        assert inputs.plan.members == "members" and expected.longest_search == 0.0
        if isinstance(found, Exception):
            raise found
        return found

    made = []

    def loaded(arrays, needs, copies):
        made.append((arrays.members, needs, copies))
        return SimpleNamespace(longest_search=9.0)

    monkeypatch.setattr(several, "with_standing", lambda site, inputs: inputs)
    monkeypatch.setattr(several, "_of_several", of_several)
    monkeypatch.setattr(
        several, "runnable_night", lambda site, inputs, solver: ("alone", inputs, solver.longest_search)
    )
    inputs, run = several.night_of_weathers("site", Night(Arrays(members)), "needs", True, loaded)
    assert made == [(None, "needs", None)]  # flushes are chosen for the expected weather
    assert (inputs.plan.members, inputs.others) == ((None, None) if alone else ("members", "others"))
    assert run == (("alone", inputs, 0.0) if alone else "several") and len(inputs.notes) == notes
    if notes:
        assert inputs.notes[0].kind == "step_down" and "for the expected weather alone" in inputs.notes[0].text


def test_a_smaller_draft_counts_on_what_the_timetable_reached(monkeypatch):
    told = []
    monkeypatch.setattr(drafts, "hold_tonight", lambda solver, limits, usual: told.append((solver, limits, usual)))
    monkeypatch.setattr(
        drafts, "_rounded", lambda tonight, number, limits, result, waits: (number, limits, result, waits)
    )
    before = SimpleNamespace(
        number=2, timetable="timetable", limits=SimpleNamespace(reached=lambda table: f"by {table}")
    )
    tonight = SimpleNamespace(solver="solver", usual="usual", solve=lambda: "plan")
    found = drafts.smaller_draft(tonight, SimpleNamespace(waits="waits"), before)
    assert found == (3, "by timetable", "plan", "waits")
    assert told == [("solver", "by timetable", "usual")]
