"""Steps of an evening one by one: when a rung is begun, a page stands, a table is copied, somebody is told."""

from contextlib import nullcontext
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest

from scheduler.document.rung import Rung
from scheduler.errors import BAD_INPUT, HELD, NO_PLAN, OK, STORAGE, NoPlan
from scheduler.nightly import ladder, sites, steps
from scheduler.nightly.records import StepState
from scheduler.nightly.run import Terms

NIGHT = date(2026, 7, 14)
NOW = datetime(2026, 7, 14, 18, tzinfo=UTC)


# ------------------------------------------------------------------------------------------------------------ ladder


def climbed(monkeypatch, outcomes, standing=None, without=(), left=10_000.0, last_full=0.0):
    """Climb with a planner that ends each rung as told; the rungs begun, and what came of it."""
    begun = []

    def planner(folder, night, rung, without, now, seconds):
        begun.append((rung, seconds))
        return outcomes.get(rung)

    monkeypatch.setattr(ladder, "standing_rung", lambda folder, night: standing)
    found = ladder.climb(Path(), NIGHT, frozenset(without), lambda: NOW, lambda: left, planner, last_full)
    return [r for r, _ in begun], found, [s for _, s in begun]


def ended(code=0, *words, remarks=()):
    return ladder.Outcome(code, words, remarks)


def test_the_first_rung_that_is_reached_stands(monkeypatch):
    first, second = ladder.ORDER[:2]
    begun, found, seconds = climbed(monkeypatch, {first: ended(remarks=("slow",))})
    assert begun == [first] and found.rung is first and found.remarks == ("slow",) and found.code == 0
    assert found.seconds is not None and seconds == [min(ladder.LONGEST, ladder.SHARE[first] * 10_000.0)]
    begun, found, _ = climbed(monkeypatch, {first: ended(NO_PLAN, "too little", "no"), second: ended()})
    assert (
        begun == [first, second] and found.faults == (f"{first}: too little", f"{first}: no") and found.seconds is None
    )
    begun, found, _ = climbed(monkeypatch, {second: ended()})
    assert found.rung is second and found.faults[0].startswith(f"{first}: not ready within ")


def test_what_cannot_be_written_is_tried_no_simpler_and_the_last_fault_is_the_code(monkeypatch):
    first = ladder.ORDER[0]
    begun, found, _ = climbed(monkeypatch, {first: ended(STORAGE, "disk full")})
    assert begun == [first] and (found.rung, found.code, found.faults) == (None, STORAGE, (f"{first}: disk full",))
    begun, found, _ = climbed(monkeypatch, {r: ended(BAD_INPUT, "x") for r in ladder.ORDER})
    assert begun == list(ladder.ORDER) and found.code == BAD_INPUT
    assert climbed(monkeypatch, {})[1].code == NO_PLAN


def test_a_better_rung_that_stands_is_not_replaced_and_broken_series_are_scaled(monkeypatch):
    second = ladder.ORDER[1]
    begun, found, _ = climbed(monkeypatch, {}, standing=second)
    assert begun == list(ladder.ORDER[:2]) and found.rung is None
    begun, found, _ = climbed(monkeypatch, {Rung.SCALED: ended()}, without=("weather",))
    assert begun == [Rung.SCALED] and found.rung is Rung.SCALED
    assert climbed(monkeypatch, {}, without=("weather",))[1].code == BAD_INPUT
    only_drawn = climbed(monkeypatch, {}, without=tuple(ladder.ONLY_DRAWN))[0]
    assert only_drawn == list(ladder.ORDER)


def test_a_rung_without_time_is_not_begun(monkeypatch):
    left = ladder.LEAST / max(ladder.SHARE.values()) * 0.99
    begun, found, _ = climbed(monkeypatch, {}, left=left)
    assert (
        begun == [] and all(f.endswith("no time left") for f in found.faults) and len(found.faults) == len(ladder.ORDER)
    )
    budget = min(ladder.LONGEST, ladder.SHARE[Rung.FULL] * 10_000.0)
    for took, starts in ((ladder.SURE * budget, True), (ladder.SURE * budget + 1.0, False)):
        assert (Rung.FULL in climbed(monkeypatch, {}, last_full=took)[0]) == starts


# ------------------------------------------------------------------------------------------------------------- steps


def kept(monkeypatch, last):
    closed, written = [], []
    holds = SimpleNamespace(close=lambda: closed.append(1))
    monkeypatch.setattr(steps, "bring_in", lambda site: holds)

    def latest(kept, now):
        if last is None:
            raise NoPlan("nothing yet")
        return last

    monkeypatch.setattr(steps, "latest_night", latest)
    monkeypatch.setattr(steps, "morning_report", lambda kept, last: last)
    monkeypatch.setattr(
        steps, "write_morning_page", lambda report, path: written.append(report) or path.write_text("page")
    )
    return closed, written


def test_the_page_of_a_morning_is_written_again_where_its_files_changed_or_it_is_gone(tmp_path, monkeypatch):
    last = NIGHT - timedelta(days=1)
    closed, written = kept(monkeypatch, last)
    folder = tmp_path / "out" / last.isoformat()
    folder.mkdir(parents=True)
    site = SimpleNamespace(folder=tmp_path)
    assert steps.look_back(site, NOW, NIGHT, "one")[:2] == (StepState.DONE, ["looked back on 2026-07-13"])
    assert steps.look_back(site, NOW, NIGHT, "one")[:2] == (StepState.UNCHANGED, ["the page of 2026-07-13 stands"])
    assert steps.look_back(site, NOW, NIGHT, "two")[0] is StepState.DONE
    (folder / "morning.html").unlink()
    assert steps.look_back(site, NOW, NIGHT, "two")[0] is StepState.DONE
    (folder / steps.PAGE_OF).unlink()
    assert steps.look_back(site, NOW, NIGHT, "two")[0] is StepState.DONE
    assert len(written) == 4 and len(closed) == 5


@pytest.mark.parametrize(("last", "words"), [(NIGHT, "no earlier night"), (None, "nothing yet")])
def test_without_an_earlier_night_there_is_no_morning(tmp_path, monkeypatch, last, words):
    closed, written = kept(monkeypatch, last)
    found = steps.look_back(SimpleNamespace(folder=tmp_path), NOW, NIGHT, "one")
    assert found == (StepState.SKIPPED, [words], None) and closed == [1] and written == []


class Receipt:
    """What came of a feed."""

    def __init__(self, feed, came="new", fault=""):
        self.feed, self.came, self.fault = feed, came, fault

    def __str__(self):
        return f"{self.feed}: {self.came}"


def test_feeds_that_failed_are_told_alone(monkeypatch):
    asked = []
    failed = next(iter(steps.FAILED))
    receipts = [Receipt("a"), Receipt("b", failed), Receipt("c", fault="odd")]
    monkeypatch.setattr(steps, "receive", lambda *given, again: asked.append((given, again)) or receipts)
    found = steps.ask_feeds("site", NOW, frozenset("b"))
    assert found == (StepState.PARTLY, [f"b: {failed}", "c: new"], frozenset({"b", "c"}))
    assert asked == [(("site", NOW, frozenset("b")), True)]
    receipts[:] = receipts[:1]
    assert steps.ask_feeds("site", NOW, None) == (StepState.DONE, ["a: new"], frozenset())


def test_a_notice_goes_out_when_it_is_wanted(tmp_path, monkeypatch):
    sent = []
    monkeypatch.setattr(steps, "first_screen", lambda *given: given)
    monkeypatch.setattr(steps, "read_plan", lambda path: "plan")
    monkeypatch.setattr(
        steps, "send", lambda rule, text, sheet, plan, contact: sent.append((sheet, plan)) or list(rule.faults)
    )
    rule = SimpleNamespace(when="trouble", to=("a", "b"), webhook="c", attach=True, faults=[])
    site = SimpleNamespace(notice=rule, folder=tmp_path, name="Links", contact="me")
    assert steps.tell(site, NIGHT, [])[0] is StepState.SKIPPED and sent == []
    assert steps.tell(site, NIGHT, ["x"]) == (StepState.DONE, ["sent to 3 places"]) and sent == [(None, None)]
    folder = tmp_path / "out" / NIGHT.isoformat()
    folder.mkdir(parents=True)
    (folder / "plan.json").touch()
    (folder / "night.html").touch()
    rule.when, rule.to, rule.webhook = "always", (), "c"
    assert steps.tell(site, NIGHT, []) == (StepState.DONE, ["sent to 1 place"]) and sent[-1] == (
        folder / "night.html",
        "plan",
    )
    rule.attach, rule.faults = False, ["no"]
    assert steps.tell(site, NIGHT, []) == (StepState.FAILED, ["no"]) and sent[-1] == (None, "plan")


def test_tables_are_copied_to_where_they_are_fetched_from(tmp_path, monkeypatch):
    folder = tmp_path / "out" / NIGHT.isoformat()
    folder.mkdir(parents=True)
    rule = SimpleNamespace(profiles=(), copy_to="")
    site = SimpleNamespace(nightly=rule, folder=tmp_path, controllers=())
    assert steps.export(site, NIGHT)[:2] == (StepState.SKIPPED, ["the tables stand in the night's folder"])
    rule.copy_to = "fetched"
    assert steps.export(site, NIGHT)[:2] == (StepState.SKIPPED, ["no plan to export"])
    for name in ("plan.json", "run-times.csv", "run-times-2.csv", "night.html"):
        (folder / name).write_text(name)
    assert steps.export(site, NIGHT)[:2] == (StepState.DONE, ["2 tables copied to fetched"])
    assert sorted(p.name for p in (tmp_path / "fetched").iterdir()) == ["run-times-2.csv", "run-times.csv"]
    monkeypatch.setattr(steps, "export_plan", lambda *given: [])
    rule.profiles, rule.copy_to = ("own",), ""
    assert steps.export(site, NIGHT)[:2] == (StepState.DONE, ["profile own written"])


# ------------------------------------------------------------------------------------------------------------- sites


@pytest.mark.parametrize(
    ("codes", "code"),
    [([0, 0], OK), ([6, 7], 7), ([7, 3], 3), ([3, 5], 5), ([5, 4], 4), ([4, 1], 1), ([6, 0], 6), ([], OK)],
)
def test_the_gravest_code_of_several_sites(codes, code):
    assert sites._gravest(codes) == code


def one(tmp_path, monkeypatch, due=True, when_due=True, ends=None):
    said, ran = [], []
    screen = SimpleNamespace(
        refused=lambda site, words: said.append(words), step=None, ended=lambda site, status: said.append("ended")
    )

    def evening(folder, terms):
        ran.append(folder)
        if isinstance(ends, Exception):
            raise ends
        return SimpleNamespace(exit_code=ends)

    monkeypatch.setattr(sites, "_due", lambda *given: due)
    monkeypatch.setattr(sites, "locked", lambda site, now: nullcontext())
    monkeypatch.setattr(sites, "site_log", lambda site: nullcontext())
    monkeypatch.setattr(sites, "run_evening", evening)
    return sites._one(tmp_path, screen, Terms(clock=lambda: NOW), when_due), said, len(ran)


def test_a_site_runs_when_it_is_due_or_asked_for(tmp_path, monkeypatch):
    assert one(tmp_path, monkeypatch, ends=0) == (0, ["ended"], 1)
    assert one(tmp_path, monkeypatch, due=False) == (OK, [], 0)
    assert one(tmp_path, monkeypatch, due=False, when_due=False, ends=6) == (6, ["ended"], 1)
    assert one(tmp_path, monkeypatch, ends=None) == (1, ["ended"], 1)
    assert one(tmp_path / "none", monkeypatch) == (BAD_INPUT, ["there is no such folder"], 0)
    code, said, _ = one(tmp_path, monkeypatch, ends=sites.Held("me"))
    assert code == HELD and said == ["another run is at work here: me"]
    full = OSError(28, "no space", "/a/b")
    assert one(tmp_path, monkeypatch, ends=full)[:2] == (STORAGE, ["/a/b: no space"])


@pytest.mark.parametrize(("now", "due"), [(-1, False), (0, True), (59, True), (60, False)])
def test_a_site_is_due_from_its_start_until_its_window_opens(monkeypatch, now, due):
    begins = datetime(2026, 7, 14, 20, tzinfo=UTC)
    read = SimpleNamespace(time_zone=UTC, window=None, nightly=None)
    hours = SimpleNamespace(starts=begins, opens=begins + timedelta(minutes=60))
    monkeypatch.setattr(sites, "load_site", lambda site: read)
    monkeypatch.setattr(sites, "hours_of", lambda *given: hours)
    assert sites._due(Path(), begins + timedelta(minutes=now), Terms()) == due


def test_an_evening_asks_again_and_is_held_by_no_night_unless_told():
    plain = Terms()
    assert (plain.once, plain.by, plain.night) == (False, None, None) and plain.told("x") is None
    assert plain.clock().tzinfo is UTC
