"""The ladder of plans: the best rung that can be reached in time; a new plan never takes the place of a better one.

The full plan gets most of the time there is. Each rung below is simpler and faster than the one above. A rung that
fails, or is still at work when its time is over, is ended, and the next is tried; nothing it had written half stands.
"""

from __future__ import annotations

import json
import logging
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from scheduler.document.reading import read_plan
from scheduler.document.rung import ORDER, Rung, better
from scheduler.errors import BAD_INPUT, NO_PLAN, STORAGE
from scheduler.nightly.worker import Outcome
from scheduler.site.outlines import ONLY_DRAWN

log = logging.getLogger(__name__)
SHARE = {Rung.FULL: 0.6, Rung.CUT_SHORT: 0.5, Rung.TONIGHT: 0.5, Rung.SCALED: 0.9}  # of the time left
LONGEST = 2700.0  # [s] for one rung, however much time there is
LEAST = 5.0  # [s] below which a rung is not begun
SURE = 1.5  # a full plan that took longer than this share of its time last evening is not begun again

Planner = Callable[[Path, date, Rung, frozenset[str], datetime, float], Outcome | None]


@dataclass(frozen=True)
class Climbed:
    """Where the ladder ended: the rung reached now, or None; why those above failed; seconds of the full plan."""

    rung: Rung | None
    faults: tuple[str, ...]
    remarks: tuple[str, ...]
    code: int
    seconds: float | None


def climb(
    folder: Path,
    night: date,
    without: frozenset[str],
    now: Callable[[], datetime],
    seconds_left: Callable[[], float],
    planner: Planner,
    last_full: float = 0.0,
) -> Climbed:
    """Reach the best rung in time.

    Parameters
    ----------
    folder, night : Path, date
    without : frozenset of str    Files with problems: no plan is made from such series, the last one is scaled.
    now : callable                The moment, for the plan.
    seconds_left : callable       Time until a plan must stand [s].
    planner : Planner             Makes one rung within so many seconds; None if they were not enough.
    last_full : float             How long the full plan took last evening [s], 0 if not known.
    """
    standing = standing_rung(folder, night)
    broken = without - ONLY_DRAWN
    rungs = [Rung.SCALED] if broken else list(ORDER)
    faults: list[str] = []
    code = BAD_INPUT if broken else NO_PLAN
    for rung in rungs:
        if standing is not None and not better(rung, standing) and rung is not standing:
            break
        budget = min(LONGEST, SHARE[rung] * seconds_left())
        if rung is Rung.FULL and last_full > SURE * budget:
            faults.append(f"{rung}: not begun, it took {last_full:.0f} s last evening and {budget:.0f} s are left")
            continue
        if budget < LEAST:
            faults.append(f"{rung}: no time left")
            continue
        began = time.monotonic()
        outcome = planner(folder, night, rung, without, now(), budget)
        if outcome is None:
            faults.append(f"{rung}: not ready within {budget:.0f} s")
        elif outcome.code == 0:
            took = time.monotonic() - began if rung is Rung.FULL else None
            return Climbed(rung, tuple(faults), outcome.remarks, 0, took)
        else:
            faults += [f"{rung}: {words}" for words in outcome.words]
            code = outcome.code
            if outcome.code == STORAGE:
                break  # a simpler plan cannot be written either
            log.warning("%s: %s", rung, "; ".join(outcome.words))
    return Climbed(None, tuple(faults), (), code, None)


def standing_rung(folder: Path, night: date) -> Rung | None:
    """Rung of the plan that stands for a night, None where none does."""
    try:
        return read_plan(folder / "out" / night.isoformat() / "plan.json").rung
    except (OSError, ValueError):
        return None


def in_a_process(
    folder: Path, night: date, rung: Rung, without: frozenset[str], now: datetime, seconds: float
) -> Outcome | None:
    """Make one rung in a process of its own; None if it was ended for want of time."""
    words = [
        sys.executable, "-m", "scheduler.nightly.worker", str(folder), night.isoformat(), rung,
        ",".join(sorted(without)), now.isoformat(),
    ]  # fmt: skip
    process = subprocess.Popen(
        words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=os.name == "posix",
    )  # fmt: skip
    try:
        told, wrong = process.communicate(timeout=seconds)
    except subprocess.TimeoutExpired:
        return None
    finally:
        if process.poll() is None:
            with suppress(OSError):
                os.killpg(process.pid, signal.SIGKILL) if os.name == "posix" else process.kill()
            process.communicate()
    try:
        found = json.loads(told.strip().splitlines()[-1])
        return Outcome(int(found["code"]), tuple(found["words"]), tuple(found["remarks"]))
    except (ValueError, KeyError, IndexError, TypeError):
        log.error("the plan ended with code %s: %s", process.returncode, wrong.strip()[-2000:])
        return Outcome(1, (f"the program itself failed (code {process.returncode}); see the log",))
