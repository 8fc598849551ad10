"""One site's evening: every step on its own feet, the ladder, run again, two at once, clocks that change."""

import json
import shutil
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import jsonschema
import pytest
from typer.testing import CliRunner

from scheduler.cli import app
from scheduler.document.rung import Rung
from scheduler.errors import BAD_INPUT, HELD, NO_PLAN, OK, STORAGE, TROUBLE
from scheduler.nightly import sites as nightly_sites
from scheduler.nightly import steps
from scheduler.nightly.hours import hours_of, moment_of
from scheduler.nightly.lock import Held, locked
from scheduler.nightly.records import SCHEMA_FILE, StepState, read_status, status_schema
from scheduler.nightly.run import Terms, run_evening
from scheduler.nightly.worker import Outcome
from scheduler.site.records import WindowRule
from scheduler.site.unattended_records import NightlyRule
from tests.end_to_end.plan_checker import check_plan
from tests.scheduler.nightly.evenings import Planner, Remembered, terms
from tests.sites import make_site

NIGHT = date(2026, 7, 14)
LOS_ANGELES = ZoneInfo("America/Los_Angeles")
EVENING = datetime(2026, 7, 14, 18, 30, tzinfo=LOS_ANGELES)
FAULT = Outcome(NO_PLAN, ("the solver stopped",))


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return make_site(
        tmp_path_factory.mktemp("nightly") / "site",
        zones=3,
        nights=2,
        season_days=10,
        probes=False,
        applied_nights=3,
        water_ec=0.0,
    )


REMEMBERED = Remembered()
LOOK_BACK = steps.look_back


@pytest.fixture(autouse=True)
def remembered(monkeypatch):
    """Plans of folders with the same files are made once; what goes before is done where a test is about it."""
    monkeypatch.setattr("scheduler.nightly.rungs.plan_on", REMEMBERED)
    monkeypatch.setattr(steps, "take_in_files", lambda *_: (StepState.UNCHANGED, ["nothing new"], None))
    monkeypatch.setattr(steps, "look_back", lambda *_: (StepState.SKIPPED, ["no earlier night"], None))


@pytest.fixture
def folder(made, tmp_path):
    return shutil.copytree(made, tmp_path / "site")


@pytest.fixture(scope="module")
def evening_over(made, tmp_path_factory):
    """A folder after its quiet evening, and the status that was left."""
    folder = shutil.copytree(made, tmp_path_factory.mktemp("over") / "site")
    return folder, run_evening(folder, terms(EVENING))


@pytest.fixture
def ran(evening_over, tmp_path):
    return shutil.copytree(evening_over[0], tmp_path / "ran")


@pytest.fixture(scope="module")
def evening_before(made, tmp_path_factory):
    folder = shutil.copytree(made, tmp_path_factory.mktemp("before") / "site")
    run_evening(folder, terms(EVENING - timedelta(days=1), night=NIGHT - timedelta(days=1)))
    return folder


@pytest.fixture
def planned_before(evening_before, tmp_path):
    """A folder with the plan of the night before."""
    return shutil.copytree(evening_before, tmp_path / "before")


def plan_of(folder, night=NIGHT):
    return json.loads((folder / "out" / night.isoformat() / "plan.json").read_text())


def steps_of(status):
    return {step.name: step.state for step in status.steps}


def test_a_quiet_evening_ends_well_and_says_so(evening_over):
    folder, status = evening_over
    assert (status.exit_code, status.plan.rung, status.trouble) == (OK, Rung.FULL, [])
    assert read_status(folder) == status
    # this fixture was made before what tests of other steps leave out was left out
    assert steps_of(status)["intake"] is steps_of(status)["morning"] is StepState.DONE
    assert (folder / "out" / "2026-07-13" / "morning.html").is_file()
    jsonschema.validate(json.loads((folder / "status.json").read_text()), status_schema())
    assert check_plan(folder, plan_of(folder)) == []


def test_the_schema_that_ships_is_the_models():
    assert json.loads(SCHEMA_FILE.read_text()) == status_schema()


def test_run_again_it_does_only_what_is_missing(ran, evening_over, monkeypatch):
    monkeypatch.setattr(steps, "look_back", LOOK_BACK)
    folder, first = ran, evening_over[1]
    before = (folder / "out" / "2026-07-14" / "plan.json").read_bytes()
    planner = Planner()
    again = run_evening(folder, terms(EVENING + timedelta(minutes=20), planner))
    assert planner.asked == [] and steps_of(again)["tonight"] is steps_of(again)["morning"] is StepState.UNCHANGED
    assert (folder / "out" / "2026-07-14" / "plan.json").read_bytes() == before
    assert again.plan == first.plan
    with (folder / "weather.csv").open("a") as file:  # corrected weather comes late
        last = (folder / "weather.csv").read_text().splitlines()[-1]
        file.write(last + "\n")
    run_evening(folder, terms(EVENING + timedelta(minutes=40), planner))
    assert planner.asked == [Rung.FULL]


@pytest.mark.parametrize(
    ("failing", "reached"),
    [
        ({Rung.FULL: None}, Rung.CUT_SHORT),
        ({Rung.FULL: FAULT, Rung.CUT_SHORT: None}, Rung.TONIGHT),
    ],
)
def test_the_next_rung_is_taken_and_named(folder, failing, reached):
    status = run_evening(folder, terms(EVENING, Planner(failing)))
    assert (status.exit_code, status.plan.rung) == (TROUBLE, reached)
    assert status.trouble[0].startswith("NOT THE FULL PLAN")
    plan = plan_of(folder)
    assert plan["rung"] == reached and check_plan(folder, plan) == []


def every_rung_but_the_last():
    return {rung: FAULT for rung in (Rung.FULL, Rung.CUT_SHORT, Rung.TONIGHT)}


def test_the_last_plan_is_scaled_within_every_limit(planned_before):
    folder = planned_before
    meant = {z["id"]: z["path"][1] for z in plan_of(folder, NIGHT - timedelta(days=1))["zones"]}
    status = run_evening(folder, terms(EVENING, Planner(every_rung_but_the_last())))
    assert (status.exit_code, status.plan.rung) == (TROUBLE, Rung.SCALED)
    plan = plan_of(folder)
    # it holds every limit; that no lower rank drinks first is what only a full plan promises
    assert [f for f in check_plan(folder, plan) if "too dry" not in f] == []
    ran = {z["id"]: z for z in plan["zones"]}
    assert any(z["minutes"] > 0 for z in ran.values())
    for zone, before in meant.items():  # a zone that was to rest rests
        if before["minutes"] == 0:
            assert ran[zone]["minutes"] == 0
        else:
            asked, meant_for = (step["etc_mm"] / step["ks"] for step in (ran[zone]["path"][0], before))  # before stress
            more = max(1.0, asked / meant_for)
            assert ran[zone]["minutes"] <= before["minutes"] * more + 1.0


def test_a_series_with_problems_is_not_planned_from(planned_before):
    folder = planned_before
    with (folder / "weather.csv").open("a") as file:
        file.write("2026-07-15,hot\n")
    planner = Planner()
    status = run_evening(folder, terms(EVENING, planner))
    assert planner.asked == [Rung.SCALED]
    assert (status.exit_code, status.plan.rung) == (TROUBLE, Rung.SCALED)
    assert any("weather.csv, line" in words for words in status.trouble)


def test_with_the_calendar_unreadable_nothing_new_is_made(planned_before):
    folder = planned_before
    (folder / "calendar.csv").write_text("from,event\nsoon,party\n")
    status = run_evening(folder, terms(EVENING))
    assert status.plan is None and status.exit_code == NO_PLAN
    assert "2026-07-13 is the last one" in " ".join(status.trouble)


def test_with_the_site_unreadable_the_standing_plan_is_named(ran):
    folder = ran
    (folder / "zones.csv").write_text("zone\n")
    status = run_evening(folder, terms(EVENING + timedelta(hours=1)))
    assert status.plan.rung is Rung.FULL  # the evening's own plan still stands
    assert status.exit_code == TROUBLE and status.trouble
    (folder / "out" / "2026-07-14" / "plan.json").unlink()
    assert run_evening(folder, terms(EVENING)).exit_code == BAD_INPUT


def test_a_better_rung_of_the_evening_is_not_replaced(ran):
    folder = ran
    before = (folder / "out" / "2026-07-14" / "plan.json").read_bytes()
    with (folder / "applied.csv").open("a") as file:
        file.write((folder / "applied.csv").read_text().splitlines()[-1] + "\n")
    planner = Planner({Rung.FULL: FAULT})
    status = run_evening(folder, terms(EVENING + timedelta(minutes=10), planner))
    assert planner.asked == [Rung.FULL]
    assert (folder / "out" / "2026-07-14" / "plan.json").read_bytes() == before
    assert status.plan.rung is Rung.FULL and status.exit_code == TROUBLE


def test_after_the_opening_nothing_new_is_made(folder):
    status = run_evening(folder, terms(EVENING.replace(hour=23, minute=30)))
    assert status.plan is None and status.exit_code == NO_PLAN


def test_a_rung_that_cannot_be_written_is_a_fault_of_storage(folder):
    planner = Planner({Rung.FULL: Outcome(STORAGE, ("no room on the disk",))})
    status = run_evening(folder, terms(EVENING, planner))
    assert planner.asked == [Rung.FULL] and status.exit_code == STORAGE


def test_a_step_that_breaks_stops_no_other(folder, monkeypatch):
    def broken(*_):
        raise RuntimeError("a fault of the program")

    for name in ("take_in_files", "look_back", "export"):
        monkeypatch.setattr(f"scheduler.nightly.steps.{name}", broken)
    status = run_evening(folder, terms(EVENING))
    assert status.plan.rung is Rung.FULL and status.exit_code == TROUBLE
    assert steps_of(status)["intake"] is StepState.FAILED


def test_a_feed_that_fails_is_asked_until_a_plan_must_stand(folder):
    toml = folder / "site.toml"
    toml.write_text(
        toml.read_text() + '\n[[feed]]\nname = "late"\nfor = "weather"\nfile = "sent.csv"\nformat = "csv"\nevery = 0\n'
    )
    given = terms(EVENING)
    status = run_evening(folder, given)
    assert len(given.clock.waited) > 3
    by = datetime.fromisoformat(status.by)
    assert given.clock.now < by.astimezone(UTC)
    assert status.plan.rung is Rung.FULL and status.exit_code == TROUBLE
    assert any("there is no such file" in words for words in status.trouble)
    (folder / "sent.csv").write_text("date,tmin,tmax,rain\n2026-07-13,12,27,0\n")
    planner = Planner()
    again = run_evening(folder, terms(EVENING + timedelta(minutes=5), planner))
    assert again.exit_code == OK and planner.asked == [Rung.FULL]


def test_tables_asked_for_are_written_and_copied(folder):
    toml = folder / "site.toml"
    toml.write_text(toml.read_text() + '\n[nightly]\nprofiles = ["records"]\ncopy_to = "pickup"\n')
    status = run_evening(folder, terms(EVENING))
    assert steps_of(status)["export"] is StepState.DONE
    names = {p.relative_to(folder / "pickup").as_posix() for p in (folder / "pickup").rglob("*") if p.is_file()}
    assert any(name.startswith("records/") for name in names) and any("/" not in name for name in names)


class Told:
    def __init__(self):
        self.words = []

    def step(self, site, step):
        pass

    def ended(self, site, status):
        self.words.append(status)

    def refused(self, site, words):
        self.words.append(words)


def test_two_at_once_the_second_says_who_holds_it(folder):
    told = Told()
    with locked(folder, EVENING):
        code = nightly_sites.run_sites([folder], told, terms=terms(EVENING))
        with pytest.raises(Held, match="process"), locked(folder, EVENING):
            pass
    assert code == HELD and "process" in told.words[0]
    assert not (folder / "status.json").exists()
    assert nightly_sites.run_sites([folder], told, terms=terms(EVENING)) == OK


def test_one_site_that_fails_stops_no_other(folder, tmp_path):
    empty = tmp_path / "empty"
    empty.mkdir()
    told = Told()
    code = nightly_sites.run_sites([tmp_path / "none", empty, folder], told, terms=terms(EVENING))
    assert code == BAD_INPUT and told.words[-1].plan.rung is Rung.FULL


def test_only_when_due(folder):
    told = Told()
    noon = terms(EVENING.replace(hour=12))
    assert nightly_sites.run_sites([folder], told, when_due=True, terms=noon) == OK and told.words == []
    assert nightly_sites.run_sites([folder], told, when_due=True, terms=terms(EVENING)) == OK and told.words


def test_hours_follow_the_sites_clock_when_clocks_change():
    window, rule = WindowRule((22 * 60, 30 * 60)), NightlyRule()
    before, after = (
        hours_of(date(2026, 3, d), window, rule, LOS_ANGELES) for d in (7, 8)
    )  # clocks go forward in the night of 7 to 8 March
    assert before.opens == datetime(2026, 3, 8, 6, tzinfo=UTC) and after.opens == datetime(2026, 3, 9, 5, tzinfo=UTC)
    assert before.starts < before.by < before.opens
    # 00:30 after the evening: a wall-clock time of the next date; 02:30 does not exist on 8 March
    assert moment_of(date(2026, 3, 7), 1470, LOS_ANGELES) == datetime(2026, 3, 8, 8, 30, tzinfo=UTC)
    assert moment_of(date(2026, 3, 7), 1590, LOS_ANGELES) == datetime(2026, 3, 8, 10, 30, tzinfo=UTC)
    assert moment_of(date(2026, 10, 31), 1530, LOS_ANGELES) == datetime(
        2026, 11, 1, 8, 30, tzinfo=UTC
    )  # the first 01:30


def test_a_rung_in_a_process_of_its_own_is_ended_in_time(folder):
    from scheduler.nightly.ladder import in_a_process

    assert in_a_process(folder, NIGHT, Rung.FULL, frozenset(), EVENING, 0.05) is None
    done = in_a_process(folder, NIGHT, Rung.TONIGHT, frozenset(), EVENING, 120.0)
    assert done is not None and done.code == OK and plan_of(folder)["rung"] == Rung.TONIGHT


WORDS = ("--night", "2026-07-14", "--once")


@pytest.mark.sweep
def test_by_the_command_line_with_processes_of_its_own(folder):
    words = [sys.executable, "-m", "scheduler.cli", "nightly", str(folder), *WORDS]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120)
    assert done.returncode == OK, done.stdout + done.stderr
    assert "a plan stands (full)" in done.stdout
    assert (folder / "nightly.log").read_text().count("tonight: done") == 1


def test_by_the_command_line(folder, monkeypatch):
    monkeypatch.setattr(nightly_sites, "Terms", lambda: Terms(planner=Planner()))
    done = CliRunner().invoke(app, ["nightly", str(folder), *WORDS])
    assert done.exit_code == OK, done.output
    assert "a plan stands (full)" in done.output
    assert (folder / "nightly.log").read_text().count("tonight: done") == 1
    wrong = CliRunner().invoke(app, ["nightly", str(folder), "--by", "25:99"])
    assert wrong.exit_code == 2 and "25:99" in wrong.output


def test_the_timer_names_the_sites_own_clock(folder):
    from scheduler.nightly.timer import timer_text
    from scheduler.site import load_site

    site = load_site(folder)
    site = replace(site, window=WindowRule((22 * 60, 30 * 60), {5: (30 * 60 - 30, 34 * 60)}))
    text = timer_text(site)
    assert "OnCalendar=Mon,Tue,Wed,Thu,Fri,Sun *-*-* 19:00:00 America/Los_Angeles" in text
    assert "OnCalendar=Sun *-*-* 02:30:00 America/Los_Angeles" in text  # Saturday's night opens at 05:30 on Sunday
    assert text.count("--when-due") >= 2 and str(folder) in text


def test_the_doctor_finds_what_is_wrong(folder, monkeypatch):
    from scheduler.nightly.doctor import examine

    toml = folder / "site.toml"
    text = toml.read_text().replace("[site]", '[site]\ncontact = "a@example.org"', 1)
    toml.write_text(
        text
        + '\n[[feed]]\nfor = "forecast"\nurl = "http://127.0.0.1:9/x?key=${NO_SUCH_KEY}"\nformat = "daily_arrays"\n'
    )
    monkeypatch.delenv("NO_SUCH_KEY", raising=False)
    found = {f.what: f for f in examine(folder)}
    assert found["read"].well and found["write"].well and found["ledger"].well and found["solve"].well
    assert not found["secrets"].well and "NO_SUCH_KEY" in found["secrets"].words
    assert not found["feed forecast 1"].well and found["feed forecast 1"].todo
    (folder / "zones.csv").write_text("zone\n")
    assert not next(examine(folder)).well


def test_a_lower_rung_is_the_first_line_of_sheet_and_table(folder):
    from scheduler.export import load_profile, read_back

    run_evening(folder, terms(EVENING, Planner({Rung.FULL: None})))
    night = folder / "out" / "2026-07-14"
    assert (night / "run-times.csv").read_text().startswith("# NOT THE FULL PLAN")
    minutes = read_back(night / "run-times.csv", load_profile("plain"))
    assert minutes == {z["id"]: z["minutes"] for z in plan_of(folder)["zones"]}
    for name in ("night.html", "keypad.html"):
        body = (night / name).read_text().partition("<body>")[2]
        assert body.index("NOT THE FULL PLAN") < body.index("<h1>")
    run_evening(folder, terms(EVENING + timedelta(minutes=10)))  # the full plan takes its place, without a label
    assert not (night / "run-times.csv").read_text().startswith("#")
    assert "NOT THE FULL PLAN" not in (night / "night.html").read_text()
