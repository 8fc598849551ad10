"""One run of an evening without a site: when feeds are asked again, how it ends, what is told of the trouble."""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest

from scheduler.document.rung import LABELS, Rung
from scheduler.errors import NO_PLAN, OK, STORAGE, TROUBLE
from scheduler.nightly import run, steps
from scheduler.nightly.ladder import Climbed
from scheduler.nightly.records import StandingPlan, Step, StepState
from scheduler.nightly.run import FIRST_WAIT, FOR_PLANNING, LONGEST_WAIT, Terms, _Evening

NIGHT = date(2026, 7, 14)
BY, OPENS = (datetime(2026, 7, 14, h, tzinfo=UTC) for h in (20, 22))


class Clock:
    """Stands still but for what is slept."""

    def __init__(self, now):
        self.now, self.slept = now, []

    def __call__(self):
        return self.now

    def sleep(self, seconds):
        self.slept.append(seconds)
        self.now += timedelta(seconds=seconds)


@pytest.fixture
def evening(tmp_path, monkeypatch):
    monkeypatch.setattr(run, "read_status", lambda folder: None)
    monkeypatch.setattr(run, "last_good_plan", lambda folder: None)
    clock = Clock(BY - timedelta(hours=2))
    one = _Evening(tmp_path, Terms(clock=clock, sleep=clock.sleep))
    one.night, one.past, one.hours, one.clock = NIGHT, False, SimpleNamespace(by=BY, opens=OPENS), clock
    return one


def plan_of(rung=Rung.FULL):
    return StandingPlan(night=NIGHT.isoformat(), rung=rung, made="now", digest="plan")


def step(name, state, *words):
    return Step(name=name, state=state, words=list(words), seconds=0.0)


@pytest.mark.parametrize(
    ("plan", "trouble", "code", "ends", "first"),
    [
        (plan_of(), None, OK, OK, None), (plan_of(), StepState.PARTLY, OK, TROUBLE, "feeds: old"),
        (plan_of(), StepState.FAILED, OK, TROUBLE, "feeds: old"), (plan_of(), StepState.SKIPPED, OK, OK, None),
        (plan_of(Rung.SCALED), None, OK, TROUBLE, LABELS[Rung.SCALED]), (plan_of(), None, STORAGE, TROUBLE, None),
        (None, None, OK, NO_PLAN, "no plan stands for tonight; no earlier plan stands either"),
        (None, StepState.FAILED, STORAGE, STORAGE, "no plan stands for tonight; no earlier plan stands either"),
    ],
)  # fmt: skip
def test_the_exit_code_is_that_of_what_stands(evening, monkeypatch, plan, trouble, code, ends, first):
    monkeypatch.setattr(steps, "standing_plan", lambda folder, night: plan)
    evening.code = code
    evening.steps = [step("read", StepState.DONE, "3 zones"), *([step("feeds", trouble, "old")] if trouble else [])]
    evening._close()
    assert evening.code == ends and (evening.trouble[0] if evening.trouble else None) == first


@pytest.mark.parametrize(
    ("hours", "left"), [(-2, 7200.0), (-0.5, 1800.0), (0, 7200.0), (1, 3600.0), (2, 0.0), (3, 0.0)]
)
def test_time_is_left_until_a_plan_must_stand_and_then_until_the_window_opens(evening, hours, left):
    evening.clock.now = BY + timedelta(hours=hours)
    assert evening._left() == left
    evening.past = True
    assert evening._left() == 3600.0


def asked_again(evening, monkeypatch, failures, once=False):
    """Run with feeds that fail as told, one answer an attempt; how often each was asked and a plan was made."""
    asked, planned = [], []
    answers = iter(failures)

    def feeds(only=None):
        asked.append(only)
        failed = frozenset(next(answers, ()))
        return StepState.PARTLY if failed else StepState.DONE, [], failed

    def read():
        evening.site = SimpleNamespace(time_zone=UTC)
        return StepState.DONE, [], None

    monkeypatch.setattr(evening, "_read", read)
    monkeypatch.setattr(evening, "_night", lambda zone: (NIGHT, evening.past))
    monkeypatch.setattr(evening, "_hours", lambda zone: evening.hours)
    monkeypatch.setattr(evening, "_write", lambda state: state)
    monkeypatch.setattr(evening, "_feeds", feeds)
    monkeypatch.setattr(evening, "_plan_with_what_is_there", lambda: planned.append(1))
    for name in ("_export", "_notice"):
        monkeypatch.setattr(evening, name, lambda: (StepState.SKIPPED, [], None))
    monkeypatch.setattr(evening, "_close", lambda: None)
    evening.terms = Terms(clock=evening.clock, sleep=evening.clock.sleep, once=once)
    assert evening.run() == "ended"
    return asked, len(planned)


def test_feeds_that_fail_are_asked_again_after_longer_and_longer_waits(evening, monkeypatch):
    asked, planned = asked_again(evening, monkeypatch, [("a", "b"), ("a", "b"), ("b",), ()])
    assert asked == [None, frozenset("ab"), frozenset("ab"), frozenset("b")]
    assert planned == 3  # at once, as the first came, and as the other did
    assert evening.clock.slept == [FIRST_WAIT, 2 * FIRST_WAIT, 4 * FIRST_WAIT]


def test_feeds_are_asked_until_time_for_planning_is_left(evening, monkeypatch):
    asked_again(evening, monkeypatch, [("a",)] * 99)
    assert max(evening.clock.slept) == LONGEST_WAIT
    left = (BY - evening.clock.now).total_seconds()
    assert FOR_PLANNING < left <= FOR_PLANNING + LONGEST_WAIT


@pytest.mark.parametrize(("once", "past"), [(True, False), (False, True)])
def test_a_past_season_and_who_asks_once_wait_for_no_feed(evening, monkeypatch, once, past):
    evening.past = past
    assert asked_again(evening, monkeypatch, [("a",)] * 9, once)[0] == [None] and evening.clock.slept == []


def tonight(evening, monkeypatch, standing=None, before=None, found=None):
    began = []
    evening.site, evening.before = SimpleNamespace(time_zone=UTC), before
    monkeypatch.setattr(evening, "_digest", lambda: "files")
    monkeypatch.setattr(steps, "standing_plan", lambda folder, night: standing)
    monkeypatch.setattr(run, "climb", lambda *given: began.append(given) or found)
    return *evening._tonight()[:2], len(began)


def reached(rung, faults=(), remarks=(), code=0, seconds=7.0):
    return Climbed(rung, tuple(faults), tuple(remarks), code, seconds)


def test_a_full_plan_of_these_files_is_made_once(evening, monkeypatch):
    known = SimpleNamespace(inputs_digest="files", night="2026-07-14")
    for before in (known, SimpleNamespace(inputs_digest="other", night="2026-07-14"), None):
        evening.digest = "" if before is known else "files"
        assert tonight(evening, monkeypatch, plan_of(), before)[0] is StepState.UNCHANGED
    for standing, before in (
        (plan_of(Rung.SCALED), known), (None, known), (plan_of(), SimpleNamespace(inputs_digest="other",
        night="2026-07-14")),
        (plan_of(), SimpleNamespace(inputs_digest="files", night="2026-07-13")), (plan_of(), None),
    ):  # fmt: skip
        evening.digest = ""
        state, words, begun = tonight(evening, monkeypatch, standing, before, reached(Rung.FULL))
        assert (state, words, begun, evening.digest) == (StepState.DONE, [], 1, "files")
    assert evening.plan_seconds == 7.0


def test_after_the_opening_nothing_new_is_made_but_for_a_past_season(evening, monkeypatch):
    evening.clock.now = OPENS
    state, words, begun = tonight(evening, monkeypatch)
    assert (state, begun, evening.code) == (StepState.FAILED, 0, NO_PLAN) and "the window has opened" in words[0]
    evening.code, evening.past = STORAGE, True
    assert tonight(evening, monkeypatch, found=reached(Rung.FULL))[2] == 1
    evening.past = False
    assert tonight(evening, monkeypatch)[0] is StepState.FAILED and evening.code == STORAGE


def test_what_was_reached_is_told_with_its_faults(evening, monkeypatch):
    evening.plan_seconds = 5.0
    found = tonight(evening, monkeypatch, found=reached(Rung.SCALED, ["slow"], ["rain"], seconds=None))
    assert found[:2] == (StepState.PARTLY, [LABELS[Rung.SCALED], "slow", "rain"]) and evening.plan_seconds == 5.0
    assert tonight(evening, monkeypatch, found=reached(Rung.FULL, remarks=["rain"]))[:2] == (StepState.PARTLY, ["rain"])
    evening.digest = ""
    found = tonight(evening, monkeypatch, found=reached(None, ["x"], code=STORAGE))
    assert found[:2] == (StepState.FAILED, ["x", "no earlier plan stands either"])
    assert (evening.code, evening.digest) == (STORAGE, "")


def test_a_notice_that_failed_is_trouble_of_its_own(evening, monkeypatch):
    monkeypatch.setattr(steps, "standing_plan", lambda folder, night: plan_of())
    monkeypatch.setattr(run, "write_status", lambda folder, status: None)
    evening.steps = [step("notice", StepState.FAILED, "no post office")]
    status = evening._write("ended")
    assert (status.exit_code, status.trouble) == (TROUBLE, ["notice: no post office"])
    assert evening._write("ended").trouble == ["notice: no post office"]  # and told once
    evening.code = STORAGE
    assert evening._write("ended").exit_code == STORAGE
    assert (evening._write("running").exit_code, status.night, status.by) == (
        None,
        "2026-07-14",
        "2026-07-14T20:00:00+00:00",
    )

    def full(folder, status):
        raise OSError(28, "no space")

    monkeypatch.setattr(run, "write_status", full)
    evening.code = OK
    assert evening._write("ended").exit_code == STORAGE


@pytest.mark.parametrize(
    ("fault", "code", "words"),
    [(OSError(28, "no space", "/a"), STORAGE, ["/a: no space"]), (OSError("odd"), STORAGE, ["odd"]),
     (KeyError("x"), 1, ["the program itself failed (KeyError); see the log"])],
)  # fmt: skip
def test_a_step_that_breaks_is_told_and_the_next_goes_on(evening, fault, code, words):
    def breaks():
        raise fault

    assert evening._step("export", breaks) == frozenset() and evening.code == code
    assert [(s.name, s.state, s.words) for s in evening.steps] == [("export", StepState.FAILED, words)]
    assert evening._step("export", lambda: (StepState.DONE, [], {"a"})) == {"a"}
    assert [s.state for s in evening.steps] == [StepState.DONE] and evening.code == code


def test_a_plan_is_made_anew_where_any_file_it_is_made_from_changes(evening, tmp_path):
    digests = [evening._digest()]
    (tmp_path / "feeds").mkdir(exist_ok=True)
    for name in ("site.toml", "weather.csv", "edits.csv", f"{run.FEEDS}/forecast.csv"):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text("a")
        digests.append(evening._digest())
    (tmp_path / "site.toml").write_text("b")
    digests.append(evening._digest())
    assert len(set(digests)) == len(digests)
    (tmp_path / "other.csv").write_text("a")
    assert evening._digest() == digests[-1] and run._named(Path()) == "no earlier plan stands either"
