"""The arrays of a case step by step, and those of an evening of a season ahead."""

from dataclasses import dataclass
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from pydantic import TypeAdapter

from scheduler.whatif import ahead, apply, evening, relax, schema

NIGHT = date(2026, 7, 15)  # a Wednesday


class Keys(SimpleNamespace):
    """Keys of a case: those not given are None."""

    def __getattr__(self, name):
        return None


@dataclass(frozen=True)
class Plan:
    """Arrays of three zones over two nights: 4 and 8 L/s of a pump of 10, 9 of none; the last takes a blend."""

    allowed: np.ndarray
    flow: np.ndarray
    pump_capacity: np.ndarray
    pump_of_zone: np.ndarray
    zone_supply: np.ndarray
    supply_share: np.ndarray
    etc: str = "etc"
    net_rate: str = "net"
    cuts: tuple = ("own",)
    pump_share: object = None
    source_open: object = None


@dataclass(frozen=True)
class Inputs:
    plan: Plan
    dates: tuple
    notes: tuple = ("of the inputs",)
    depletion_fraction: str = "p"
    fresh_limit: np.ndarray = None
    margin: np.ndarray = None


@dataclass(frozen=True)
class Needs:
    zone: np.ndarray
    dry_limit_after: object = None


def planned(monkeypatch, share=None, closed=None, off=None, parts=1, window=None, demand=None):
    """The arrays of a case whose steps are given."""
    plan = Plan(
        np.ones((3, 2, 1), dtype=bool),
        np.array([4.0, 8.0, 9.0]),
        np.array([10.0]),
        np.array([0, 0, -1]),
        np.array([[True, False, False], [True, True, False], [False, False, True]]),
        np.array([[1.0, 0.0], [0.0, 1.0], [0.5, 0.5]]),
    )
    inputs = Inputs(
        plan, ("d0", "d1"), fresh_limit=np.array([[20.0], [30.0], [40.0]]), margin=np.array([[1.0], [2.0], [3.0]])
    )
    seen = {}

    def windows(site, night, nights):
        rule = site.window
        return tuple(SimpleNamespace(night=night + timedelta(days=i), rule=rule) for i in range(nights))

    @dataclass(frozen=True)
    class Place:
        window: object = "usual"

    def given(site, night, windows, demand, state, salt):
        seen.update(windows=[w.rule for w in windows], demand=demand, salt=salt)
        return inputs

    part = SimpleNamespace(keys=Keys(window=window), on=lambda dates: np.array([False, True]))
    case = SimpleNamespace(parts=(part,) * parts)
    monkeypatch.setattr(apply, "ordered_site", lambda site, case: Place())
    monkeypatch.setattr(apply, "shifted_demand", lambda evening, case: "shifted")
    monkeypatch.setattr(apply, "night_windows", windows)
    monkeypatch.setattr(
        apply, "_closed_sources", lambda *a: np.zeros((2, 2), dtype=bool) if closed is None else np.array(closed)
    )
    monkeypatch.setattr(apply, "_case_salt", lambda salt, site, closed, case: f"{salt} of the case")
    monkeypatch.setattr(apply, "night_inputs", given)
    monkeypatch.setattr(apply, "_notes", lambda case, dates: ["of the case"])
    monkeypatch.setattr(apply, "_off", lambda *a: np.zeros((3, 2), dtype=bool) if off is None else np.array(off))
    monkeypatch.setattr(apply, "_pump_share", lambda *a: None if share is None else np.array(share))
    monkeypatch.setattr(
        apply,
        "water_orders",
        lambda standing, parts: seen.update(standing=standing) or (SimpleNamespace(cuts=("cut",)),),
    )
    monkeypatch.setattr(
        apply, "flush_needs", lambda *given: seen.update(flush=given) or SimpleNamespace(needs=Needs(np.array([2, 0])))
    )
    monkeypatch.setattr(apply, "_choices", lambda *a: ("choice",))
    evening = SimpleNamespace(site="bare", night=NIGHT, nights=2, state="state", salt="salt", demand=None)
    return apply.case_plan(evening, case, "log", demand), seen


def test_a_case_s_arrays_are_tonight_s_with_its_demand_salt_orders_and_notes(monkeypatch):
    found, seen = planned(monkeypatch)
    assert (seen["demand"], seen["salt"], found.demand, found.salt) == ("shifted", "salt of the case") * 2
    assert found.inputs.plan.cuts == ("own", "cut") and found.choices == ("choice",)
    assert found.notes == ("of the inputs", "of the case") and seen["standing"].log == "log"
    assert found.needs.dry_limit_after.tolist() == [[37.0], [19.0]]  # without salt, less the margin
    assert seen["flush"][2] is found.inputs.plan and found.inputs.plan.source_open is None
    assert planned(monkeypatch, parts=0)[0].inputs.plan.cuts == ("own",)
    assert planned(monkeypatch, demand="its own")[1]["demand"] == "its own"


def test_another_window_is_that_of_the_case_s_nights(monkeypatch):
    usual, other = planned(monkeypatch, window=(1320, 300))[1]["windows"]
    assert usual == "usual" and other.default == (1320, 1740)


def test_what_a_pump_can_no_longer_give_alone_cannot_run(monkeypatch):
    plan = planned(monkeypatch, share=[[0.8, 0.5]])[0].inputs.plan
    assert plan.allowed[:, :, 0].tolist() == [[True, True], [True, False], [True, True]]
    assert planned(monkeypatch, share=[[0.0, 1.0]])[0].inputs.plan.allowed[:, :, 0].tolist() == [
        [False, True],
        [False, True],
        [True, True],
    ]


def test_a_source_shut_for_some_nights_is_open_on_the_others_and_one_shut_for_all_is_gone(monkeypatch):
    plan = planned(monkeypatch, closed=[[True, False], [False, False]])[0].inputs.plan
    assert plan.allowed[:, :, 0].tolist() == [[False, True], [True, True], [False, True]]
    assert plan.zone_supply.tolist() == [[True, False, False], [True, True, False], [False, False, True]]
    assert plan.source_open.tolist() == [[False, True], [True, True]]
    plan = planned(monkeypatch, closed=[[True, True], [False, False]])[0].inputs.plan
    assert plan.zone_supply.tolist() == [[False, False, False], [False, True, False], [False, False, False]]
    off = [[True, False], [False, False], [False, True]]
    assert planned(monkeypatch, off=off)[0].inputs.plan.allowed[:, :, 0].tolist() == [
        [False, True],
        [True, True],
        [True, False],
    ]


def test_an_evening_ahead_plans_for_the_dates_after_it_from_what_is_believed(monkeypatch):
    seen = {}

    @dataclass(frozen=True)
    class Some:
        depletion: object = None
        surplus: object = None
        ece: object = None
        applied: object = None
        past: object = None
        future: object = None
        told: object = "told"
        notes: tuple = ("note",)

    def plan(evening, case, log, demand):
        seen.update(evening=evening, demand=demand, log=log)
        return apply.CasePlan(None, demand, None, Inputs("plan", ()), None, None, (), seen["choices"], ())

    monkeypatch.setattr(ahead, "forecast_of", lambda errors, site, past, days, rng: seen.update(days=days) or "said")
    monkeypatch.setattr(ahead, "case_plan", plan)
    monkeypatch.setattr(ahead, "packable", lambda plan, share: (plan, share))
    monkeypatch.setattr(ahead, "week_nights", lambda plan, night, week, share: (plan, ("week of", night, week)))
    world = object.__new__(ahead._World)
    world.start = SimpleNamespace(
        site=SimpleNamespace(nights=3), demand=Some(), state=Some(), salt=Some(), log="log", errors=None, share="share"
    )
    world.site, world.case, world.rng, world.week, world.past = Some(), "case", None, None, "past"
    world.eto, world.rain = np.arange(10.0), np.arange(10.0) + 20.0
    world.believed, world.ece = np.array([7.0, 8.0]), np.array([[1.0, 2.0]])
    world.runs = [pd.DataFrame({"zone": ["A"]}), pd.DataFrame({"zone": ["B"]})]
    seen["choices"] = ()
    found = world._arrays(2, NIGHT)
    assert seen["days"]["date"].dt.date.tolist() == [NIGHT + timedelta(days=d) for d in (1, 2, 3)]
    assert seen["days"]["eto"].tolist() == [2.0, 3.0, 4.0] and seen["days"]["rain"].tolist() == [22.0, 23.0, 24.0]
    evening, demand = seen["evening"], seen["demand"]
    assert evening.site.applied["zone"].tolist() == ["A", "B"] and (evening.night, evening.nights) == (NIGHT, 3)
    assert evening.state.depletion is world.believed and not evening.state.surplus.any()
    assert evening.salt.depletion is world.believed and evening.salt.ece is world.ece
    assert (demand.past, demand.future, demand.told, demand.notes) == ("past", "said", None, ())
    assert found.inputs.plan == ("plan", "share") and world.week is None
    seen["choices"] = ("so many nights a week",)
    world._arrays(2, NIGHT)
    assert world.week == ("week of", NIGHT, None)


# --------------------------------------------------------------------------------------------------- nights and bills


def test_nights_are_kept_as_evenly_as_may_be_and_the_earlier_ones_first():
    # Two of five nights: gaps of 2, 2, 2 from the day before to the day after come first.
    zones = np.array([True, False])
    choice = SimpleNamespace(zones=zones, weeks=[((0, 1, 2, 3, 4), 2)])
    shut = list(evening.patterns([choice], 6))
    kept = [tuple(np.flatnonzero(~one[0]).tolist()) for one in shut]
    assert len(kept) == 10 and kept[0] == (1, 3, 5) and kept[1] == (0, 2, 5)  # night 5 is in no week
    assert evening._uneven((1, 3), (0, 1, 2, 3, 4)) == 12.0 and evening._uneven((0, 3), (0, 1, 2, 3, 4)) == 14.0
    assert not any(one[1].any() for one in shut)


def test_so_many_nights_a_week_that_shut_none_are_tonights_plan(monkeypatch):
    monkeypatch.setattr(evening, "equal_inputs", lambda one, other: one == other)
    monkeypatch.setattr(evening, "same_needs", lambda one, other: True)
    usual = SimpleNamespace(choices=(), inputs=SimpleNamespace(plan="plan", windows="windows"), needs="needs")
    chosen = SimpleNamespace(choices=("six of seven",), inputs=usual.inputs, needs="needs")
    assert evening._equal(chosen, usual)
    chosen.inputs = SimpleNamespace(plan="less", windows="windows")
    assert not evening._equal(chosen, usual)
    chosen.inputs = SimpleNamespace(plan="plan", windows="shorter")
    assert not evening._equal(chosen, usual)


@pytest.mark.parametrize(("chosen", "runs", "keeps"), [(True, True, True), (True, False, False), (False, True, False)])
def test_the_standing_plan_keeps_a_case_s_water_as_chosen_and_as_run(monkeypatch, chosen, runs, keeps):
    answers = iter((chosen, runs))
    monkeypatch.setattr(evening, "only_less_water", lambda before, wanted: True)
    monkeypatch.setattr(evening, "same_needs", lambda one, other: True)
    monkeypatch.setattr(evening, "supply_shares", lambda plan, times: np.ones((1, 1, 1)))
    monkeypatch.setattr(evening, "keeps_to_water", lambda plan, times: next(answers))
    inputs = SimpleNamespace(plan="plan", windows="windows")
    plan = SimpleNamespace(choices=(), inputs=inputs, needs="needs")
    result = SimpleNamespace(run_times=lambda plan: np.ones((1, 1, 1, 1)))
    usual = SimpleNamespace(plan=plan, run=SimpleNamespace(result=result, minutes_by_night=np.ones((1, 1))))
    assert evening._keeps_already(plan, usual) is keeps


def test_a_bill_is_of_all_nights_and_their_over_use(monkeypatch):
    monkeypatch.setattr(relax, "over_use", lambda arrays, volume: (0.0, 0.5 * volume))
    assert relax._bill(None, SimpleNamespace(cost=np.array([1.0, 2.0]), volume=np.array([10.0, 30.0]))) == 23.0


def test_a_number_of_a_case_lies_within_its_limits_both_ends_allowed():
    read = TypeAdapter(schema._number(0.0, 2.0, "0.5")).validate_python
    assert [read(v) for v in (0, 0.5, 2)] == [0.0, 0.5, 2.0]
    for outside in (-0.1, 2.1):
        with pytest.raises(ValueError, match="a number from 0 to 2 is allowed, for example 0.5"):
            read(outside)
