"""The steps of one site's evening: feeds, intake, morning, tonight, export, notice, each on its own feet.

A plan is made at once from what is there. Feeds that failed are asked again until a plan must stand, and where one
brings something new the plan is made anew. Run again, it does only what is missing: a feed is asked when it is due, a
plan is made again when a file changed, a notice goes out once for each plan.
"""

from __future__ import annotations

import hashlib
import logging
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from scheduler.document.rung import LABELS, Rung
from scheduler.errors import BAD_INPUT, NO_PLAN, OK, STORAGE, TROUBLE, InputProblems, counted
from scheduler.nightly import steps
from scheduler.nightly.hours import Hours, hours_of
from scheduler.nightly.ladder import Climbed, Planner, climb, in_a_process
from scheduler.nightly.records import Status, Step, StepState, read_status, write_status
from scheduler.nights import choose_night, evening_of, last_good_plan
from scheduler.site import Site, load_site
from scheduler.site.load import FEEDS, STEP_DOWNS

log = logging.getLogger(__name__)
FIRST_WAIT, LONGEST_WAIT = 60.0, 900.0  # [s] between two attempts at a feed that failed, doubled each time
FOR_PLANNING = 600.0  # [s] kept free before a plan must stand, in which no feed is waited for
READ = ("site.toml", "zones.csv", "edits.csv", "meter.csv", *(f"{name}.csv" for name in STEP_DOWNS))


@dataclass(frozen=True)
class Terms:
    """How a run behaves.

    Parameters
    ----------
    clock : callable       The moment, with its offset.
    sleep : callable       Waits so many seconds.
    planner : Planner      Makes one rung.
    by : int or None       By when a plan must stand [min after 00:00 of the evening]; None as the site says.
    night : date or None   The evening; None = the one the moment belongs to.
    once : bool            Feeds that failed are not asked again.
    told : callable        Told each finished step.
    """

    clock: Callable[[], datetime] = field(default=lambda: datetime.now(UTC))
    sleep: Callable[[float], None] = time.sleep
    planner: Planner = in_a_process
    by: int | None = None
    night: date | None = None
    once: bool = False
    told: Callable[[Step], object] = lambda _: None


def run_evening(folder: Path, terms: Terms) -> Status:
    """Run one site's evening; the caller holds its lock.

    Parameters
    ----------
    folder : Path
    terms : Terms

    Returns
    -------
    Status   As it stands in status.json, unless that cannot be written.
    """
    return _Evening(folder, terms).run()


class _Evening:
    """One run: the site as far as it can be read, the steps done so far, and what went wrong."""

    def __init__(self, folder: Path, terms: Terms) -> None:
        self.folder, self.terms = folder, terms
        self.before = read_status(folder)
        self.began = terms.clock()
        self.steps: list[Step] = []
        self.trouble: list[str] = []
        self.code = OK
        self.site: Site | None = None
        self.without: frozenset[str] = frozenset()
        self.digest = ""
        self.plan_seconds = 0.0 if self.before is None else self.before.plan_seconds
        self.notice_digest = "" if self.before is None else self.before.notice_digest
        self.planned: Climbed | None = None

    def run(self) -> Status:
        """Take the steps."""
        self._step("read", self._read)
        zone = self.site.time_zone if self.site else ZoneInfo("UTC")
        self.night, self.past = self._night(zone)
        self.hours = self._hours(zone)
        self._write("running")
        if self.site is not None:
            failed = self._step("feeds", self._feeds)
            self._plan_with_what_is_there()
            wait = FIRST_WAIT
            while failed and not self.terms.once and not self.past and self._left() > FOR_PLANNING + wait:
                self.terms.sleep(wait)
                wait = min(2 * wait, LONGEST_WAIT)
                before, failed = failed, self._step("feeds", lambda names=failed: self._feeds(names))
                if failed != before:
                    self._plan_with_what_is_there()
            self._step("export", self._export)
        self._close()
        self._step("notice", self._notice)
        return self._write("ended")

    def _plan_with_what_is_there(self) -> None:
        """Read again what the feeds brought, keep it, look back, and plan."""
        self._step("read", self._read)
        if self.site is None:
            return
        self._step("intake", self._intake)
        self._step("morning", self._morning)
        self._step("tonight", self._tonight)

    # ------------------------------------------------------------------------------------------------- the steps

    def _read(self) -> tuple[StepState, list[str], None]:
        """Read the folder; where a series has problems it is left out, and the last plan will be scaled."""
        try:
            self.site, self.without = load_site(self.folder), frozenset()
            return StepState.DONE, [counted(len(self.site.zones), "zone")], None
        except InputProblems as problems:
            words = [str(p) for p in problems.problems[:20]]
            files = {Path(p.file).stem for p in problems.problems}
        self.without = frozenset(files)
        try:
            self.site = load_site(self.folder, self.without)
            return StepState.PARTLY, words, None
        except InputProblems:
            self.site = None
            self.code = BAD_INPUT
            return StepState.FAILED, words, None

    def _feeds(self, only: frozenset[str] | None = None) -> tuple[StepState, list[str], frozenset[str]]:
        """Ask the feeds; the names of those that failed."""
        assert self.site is not None
        if not self.site.feeds:
            return StepState.SKIPPED, ["site.toml names no feed"], frozenset()
        return steps.ask_feeds(self.site, self._now(), only)

    def _intake(self) -> tuple[StepState, list[str], None]:
        assert self.site is not None
        return steps.take_in_files(self.site)

    def _morning(self) -> tuple[StepState, list[str], None]:
        assert self.site is not None
        return steps.look_back(self.site, self._now(), self.night, self._digest())

    def _tonight(self) -> tuple[StepState, list[str], None]:
        """Reach the best rung, unless a full plan stands that was made from these very files."""
        assert self.site is not None
        digest = self._digest()
        standing = steps.standing_plan(self.folder, self.night)
        known = self.before is not None and self.before.inputs_digest == digest and self.before.night == str(self.night)
        if standing is not None and standing.rung is Rung.FULL and (known or self.digest == digest):
            self.digest = digest
            return StepState.UNCHANGED, ["the full plan stands, and nothing has changed since it was made"], None
        if not self.past and self.terms.clock() >= self.hours.opens:
            self.code = self.code or NO_PLAN
            return StepState.FAILED, ["the window has opened: no new plan is made for this night"], None
        found = climb(
            self.folder, self.night, self.without, self._now, self._left, self.terms.planner, self.plan_seconds
        )
        self.planned = found
        if found.seconds is not None:
            self.plan_seconds = found.seconds
        if found.rung is None:
            self.code = found.code
            return StepState.FAILED, [*found.faults, _named(self.folder)], None
        self.digest = digest
        words = [*found.faults, *found.remarks]
        if found.rung is Rung.FULL:
            return (StepState.PARTLY if words else StepState.DONE), words, None
        return StepState.PARTLY, [LABELS[found.rung], *words], None

    def _export(self) -> tuple[StepState, list[str], None]:
        assert self.site is not None
        return steps.export(self.site, self.night)

    def _notice(self) -> tuple[StepState, list[str], None]:
        """Tell whoever wants to be told, once for each plan and trouble."""
        if self.site is None or self.site.notice is None:
            return StepState.SKIPPED, ["site.toml names nobody to tell"], None
        plan = steps.standing_plan(self.folder, self.night)
        about = hashlib.sha256("\n".join([str(self.night), plan.digest if plan else "", *self.trouble]).encode())
        if about.hexdigest() == self.notice_digest:
            return StepState.UNCHANGED, ["the notice of this plan has been sent"], None
        state, words = steps.tell(self.site, self.night, self.trouble)
        if state is StepState.DONE:
            self.notice_digest = about.hexdigest()
        return state, words, None

    # ------------------------------------------------------------------------------------------------- around them

    def _step(self, name: str, work: Callable[[], tuple[StepState, list[str], object]]) -> object:
        """Take one step; whatever goes wrong in it is said, and the next step goes on with what is there."""
        began = time.monotonic()
        given: object = None
        try:
            state, words, given = work()
        except OSError as error:
            place = f"{error.filename}: " if error.filename else ""
            state, words = StepState.FAILED, [f"{place}{error.strerror or error}"]
            self.code = self.code or STORAGE
        except Exception as error:  # a fault of one step must not cost the evening its plan
            log.exception("%s failed", name)
            state, words = StepState.FAILED, [f"the program itself failed ({type(error).__name__}); see the log"]
            self.code = self.code or 1
        step = Step(name=name, state=state, words=words, seconds=round(time.monotonic() - began, 3))
        self.steps = [s for s in self.steps if s.name != name] + [step]
        level = {StepState.FAILED: logging.ERROR, StepState.PARTLY: logging.WARNING}.get(state, logging.INFO)
        log.log(level, "%s: %s%s", name, state, "".join(f"; {w}" for w in words))
        self.terms.told(step)
        return given if given is not None else frozenset()

    def _close(self) -> None:
        """Settle the exit code and what a person should look at."""
        plan = steps.standing_plan(self.folder, self.night)
        for step in self.steps:
            if step.state in (StepState.FAILED, StepState.PARTLY):
                self.trouble += [f"{step.name}: {words}" for words in step.words]
        if plan is None:
            self.trouble.insert(0, f"no plan stands for tonight; {_named(self.folder)}")
            self.code = self.code or NO_PLAN
        elif plan.rung is not Rung.FULL:
            self.trouble.insert(0, LABELS[plan.rung])
        if plan is not None and (self.trouble or self.code):
            self.code = TROUBLE
        elif self.trouble and self.code == OK:
            self.code = TROUBLE

    def _write(self, state: str) -> Status:
        """Write status.json; that it cannot be written is said in the log and changes the code."""
        for step in self.steps:
            if step.name == "notice" and step.state is StepState.FAILED:
                self.code = self.code or TROUBLE
                self.trouble += [f"notice: {w}" for w in step.words if f"notice: {w}" not in self.trouble]
        zone = self.site.time_zone if self.site else ZoneInfo("UTC")

        def local(moment: datetime) -> str:
            return moment.astimezone(zone).isoformat(timespec="seconds")

        status = Status(
            site=self.site.name if self.site else (self.before.site if self.before else self.folder.name),
            night=self.night.isoformat(),
            state=state,
            began=local(self.began),
            ended=local(self.terms.clock()) if state == "ended" else None,
            by=local(self.hours.by),
            opens=local(self.hours.opens),
            steps=self.steps,
            plan=steps.standing_plan(self.folder, self.night),
            trouble=self.trouble,
            exit_code=self.code if state == "ended" else None,
            inputs_digest=self.digest or (self.before.inputs_digest if self.before else ""),
            notice_digest=self.notice_digest,
            plan_seconds=round(self.plan_seconds, 3),
        )
        try:
            write_status(self.folder, status)
        except OSError as error:
            log.error("status.json cannot be written: %s", error.strerror or error)
            status = status.model_copy(update={"exit_code": STORAGE if state == "ended" else None})
        return status

    def _night(self, zone: ZoneInfo) -> tuple[date, bool]:
        """The evening, and whether it is one of a past season, which no deadline holds."""
        evening = evening_of(self.terms.clock().astimezone(zone))
        if self.terms.night is not None:
            return self.terms.night, self.terms.night != evening
        if self.site is None:
            return evening, False
        chosen = choose_night(self.site, evening)
        return chosen, chosen != evening

    def _hours(self, zone: ZoneInfo) -> Hours:
        """Moments of the evening; of a site that cannot be read the usual ones."""
        from scheduler.site.records import WindowRule
        from scheduler.site.settle import CLOSES, OPENS
        from scheduler.site.unattended_records import NightlyRule

        window = self.site.window if self.site else WindowRule((OPENS, CLOSES + 1440))
        rule = self.site.nightly if self.site else NightlyRule()
        if self.terms.by is not None:
            rule = NightlyRule(rule.starts, self.terms.by, rule.profiles, rule.copy_to)
        return hours_of(self.night, window, rule, zone)

    def _now(self) -> datetime:
        """The moment at the site; for a past season that of its evening."""
        assert self.site is not None
        now = self.terms.clock().astimezone(self.site.time_zone)
        if not self.past:
            return now
        return self.hours.by.astimezone(self.site.time_zone)

    def _left(self) -> float:
        """Time until a plan must stand, or, once that is past, until the window opens [s]."""
        if self.past:
            return 3600.0
        now = self.terms.clock()
        last = self.hours.by if now < self.hours.by else self.hours.opens
        return max(0.0, (last - now).total_seconds())

    def _digest(self) -> str:
        """Digest of every file a plan is made from."""
        digest = hashlib.sha256()
        files = [self.folder / name for name in READ]
        files += sorted((self.folder / FEEDS).glob("*.csv"))
        for path in files:
            with suppress(OSError):
                digest.update(path.name.encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
        return digest.hexdigest()


def _named(folder: Path) -> str:
    """Clause that names the plan that stands."""
    night = last_good_plan(folder)
    return "no earlier plan stands either" if night is None else f"the plan of {night.isoformat()} is the last one"
