"""Unattended evenings with random faults: of feeds, the disk, the clock, the solver; killed anywhere, two at once.

What must hold at the opening of every window, whatever happened before:

* a plan stands for the night, or status.json says that none does and why,
* a plan that stands names its rung, its files are whole, and an independent checker finds no limit broken,
* status.json, where its run ended, tells the rung that stands and the exit code the command gave,
* the ledger is sound and holds nothing twice; run once more without faults, the evening ends with a full plan.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import random
import signal
import time
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from scheduler.document.rung import Rung
from scheduler.errors import HELD, NO_PLAN, OK, STORAGE, TROUBLE
from scheduler.nightly.lock import locked
from scheduler.nightly.records import read_status
from scheduler.nightly.run import Terms
from scheduler.nightly.sites import run_sites
from scheduler.nightly.worker import Outcome
from tests.end_to_end.plan_checker import check_plan
from tests.scheduler.nightly.evenings import Clock, Planner

FEED = '\n[[feed]]\nname = "sky"\nfor = "forecast"\nfile = "sky.json"\nformat = "daily_arrays"\nevery = 0\n'
KEPT_DAYS = 45  # of weather and runs in the folder, so that a thousand evenings stay quick


@dataclass
class Seen:
    """One evening: what was done to it, the exit codes, and everything that did not hold."""

    night: date
    done: list[str]
    codes: list[int | None]
    rung: str | None
    wrong: list[str]


def prepare(folder: Path) -> None:
    """Give a made site a feed, and take the forecast file away."""
    toml = folder / "site.toml"
    toml.write_text(toml.read_text() + FEED)
    (folder / "forecast.csv").unlink(missing_ok=True)


def next_day(folder: Path, night: date, draw: random.Random) -> None:
    """A day passes: it is observed, last night's plan was run, and the files are kept short."""
    weather = (folder / "weather.csv").read_text().splitlines()
    head = weather[0].split(",")
    cells = dict.fromkeys(head, "")
    rain = draw.choice([0.0, 0.0, 0.0, 0.0, 6.0])
    values = {"date": night.isoformat(), "tmin": draw.uniform(9, 14), "tmax": draw.uniform(22, 30), "rain": rain}
    for column in head:
        name = column.partition("[")[0].strip()
        if name in values:
            cells[column] = values[name] if isinstance(values[name], str) else f"{values[name]:.1f}"
    rows = weather[1:][-KEPT_DAYS:]
    (folder / "weather.csv").write_text("\n".join([weather[0], *rows, ",".join(cells.values())]) + "\n")
    plan = folder / "out" / (night - timedelta(days=1)).isoformat() / "plan.json"
    if plan.is_file():
        log = (folder / "applied.csv").read_text().splitlines()
        columns = [c.partition("[")[0].strip() for c in log[0].split(",")]
        lines = []
        for zone in json.loads(plan.read_text())["zones"]:
            if zone["minutes"] > 0:
                row = {"night": plan.parent.name, "zone": zone["id"], "minutes": f"{zone['minutes']:g}"}
                lines.append(",".join(row.get(c, "") for c in columns))
        (folder / "applied.csv").write_text("\n".join([log[0], *log[1:][-KEPT_DAYS * 8 :], *lines]) + "\n")


def forecast(site: dict, night: date, draw: random.Random) -> bytes:
    """A whole document of the feed."""
    days = [(night + timedelta(days=i)).isoformat() for i in range(9)]
    daily = {
        "time": days,
        "temperature_2m_max": [round(draw.uniform(22, 30), 1) for _ in days],
        "temperature_2m_min": [round(draw.uniform(9, 14), 1) for _ in days],
        "precipitation_sum": [draw.choice([0.0, 0.0, 4.0]) for _ in days],
        "precipitation_probability_max": [draw.choice([5, 40]) for _ in days],
    }
    return json.dumps({**site, "daily_units": {}, "daily": daily}).encode()


def faulty_feed(folder: Path, good: bytes, draw: random.Random, done: list[str]) -> None:
    """Lay the feed's document down, sound or not."""
    kind = draw.choice(["good", "good", "good", "none", "half", "page", "old", "elsewhere", "error"])
    done.append(f"feed {kind}")
    path = folder / "sky.json"
    if kind == "none":
        path.unlink(missing_ok=True)
    elif kind == "half":
        path.write_bytes(good[: len(good) // 2])
    elif kind == "page":
        path.write_bytes(b"<html>please sign in</html>")
    elif kind == "elsewhere":
        path.write_bytes(good.replace(b'"latitude": ', b'"latitude": 5'))
    elif kind == "error":
        path.write_bytes(b'{"error": true, "reason": "too many requests"}')
    elif kind == "good" or not path.is_file():
        path.write_bytes(good)


def _run(folder: Path, at: datetime, planner: Planner, full_disk: bool, pipe) -> None:  # noqa: ANN001
    """One nightly run in a process of its own; its exit code goes into the pipe."""
    clock = Clock(at)
    if full_disk:
        import scheduler.files

        def no_room(*_: object) -> None:
            raise OSError(28, "No space left on device")

        scheduler.files.os.fsync = no_room  # type: ignore[attr-defined]
    os.setsid()
    code = run_sites([folder], Quiet(), terms=Terms(clock=clock, sleep=clock.sleep, planner=planner))
    pipe.send(code)
    pipe.close()
    os._exit(0)


class Quiet:
    """A screen that shows nothing."""

    def step(self, *_: object) -> None: ...
    def ended(self, *_: object) -> None: ...
    def refused(self, *_: object) -> None: ...


def run(folder: Path, at: datetime, planner: Planner, full_disk: bool = False, kill: float | None = None) -> int | None:
    """Run one evening in a child, killed after so many seconds if asked; its exit code, None if it was killed."""
    ours, theirs = multiprocessing.get_context("fork").Pipe(duplex=False)
    child = multiprocessing.get_context("fork").Process(target=_run, args=(folder, at, planner, full_disk, theirs))
    child.start()
    theirs.close()
    if kill is not None:
        time.sleep(kill)
        if child.is_alive():
            os.kill(child.pid, signal.SIGKILL)
    child.join(180)
    assert child.exitcode is not None, "the run hangs"
    try:
        return int(ours.recv()) if ours.poll() else None
    except EOFError:
        return None


def evening(folder: Path, night: date, opening: datetime, place: dict, draw: random.Random) -> Seen:
    """One evening with its faults; what did not hold."""
    done: list[str] = []
    codes: list[int | None] = []
    next_day(folder, night, draw)
    good = forecast(place, night, draw)
    at = opening - timedelta(minutes=draw.choice([150, 120, 60, 35, 20]))
    faulty_feed(folder, good, draw, done)
    fault = Outcome(NO_PLAN, ("the solver stopped",))
    rungs = list(Rung)[: draw.choice([0, 0, 0, 1, 2, 3, 4])]
    failing = {rung: draw.choice([fault, None]) for rung in rungs}
    if failing:
        done.append(f"rungs failing {len(failing)}")
    broken = draw.random() < 0.1
    kept = (folder / "weather.csv").read_text()
    if broken:
        done.append("weather.csv broken")
        (folder / "weather.csv").write_text(kept + "tomorrow,hot\n")
    if draw.random() < 0.35:
        done.append("killed")
        codes.append(run(folder, at, Planner(dict(failing)), kill=draw.uniform(0.0, 1.2)))
    if draw.random() < 0.1:
        done.append("two at once")
        with locked(folder, at):
            code = run_sites([folder], Quiet(), terms=Terms(clock=Clock(at), planner=Planner()))
        if code != HELD:
            done.append(f"the second of two gave {code}")
    full_disk = draw.random() < 0.1
    if full_disk:
        done.append("disk full")
        codes.append(run(folder, at, Planner(dict(failing)), full_disk=True))
    codes.append(run(folder, at, Planner(dict(failing))))
    wrong = judge(folder, night, codes[-1], failing, broken)
    (folder / "weather.csv").write_text(kept)
    (folder / "sky.json").write_bytes(good)
    last = run(folder, at + timedelta(minutes=5), Planner())
    status = read_status(folder)
    if last != OK or status is None or status.plan is None or status.plan.rung is not Rung.FULL:
        wrong.append(f"without faults it ended with {last}: {None if status is None else status.trouble}")
    wrong += sound(folder)
    return Seen(night, done, codes, status.plan.rung if status and status.plan else None, wrong)


def judge(folder: Path, night: date, code: int | None, failing: dict, broken: bool) -> list[str]:
    """Everything that does not hold at the opening."""
    wrong = []
    status, path = read_status(folder), folder / "out" / night.isoformat() / "plan.json"
    if status is None or status.state != "ended" or status.exit_code != code:
        return [f"status.json tells {status and (status.state, status.exit_code)} of a run that gave {code}"]
    if not path.is_file():
        if status.plan is not None or code not in (NO_PLAN, STORAGE) or not status.trouble:
            wrong.append(f"no plan, yet status.json says {status.plan}, {code}, {status.trouble}")
        return wrong
    plan = json.loads(path.read_text())
    rung = Rung(plan.get("rung", "full"))
    if status.plan is None or status.plan.rung is not rung:
        wrong.append(f"a plan on {rung} stands, status.json says {status.plan}")
    if rung is not Rung.FULL and code != TROUBLE:
        wrong.append(f"a plan on {rung} stands and the code is {code}")
    promises = [f for f in check_plan(folder, plan) if rung is not Rung.SCALED or "too dry" not in f]
    if not broken:
        wrong += promises[:3]
    for name in ("night.html", "keypad.html"):
        if not (path.parent / name).is_file() or not (path.parent / name).read_text().rstrip().endswith("</html>"):
            wrong.append(f"{name} is not whole")
    left = [p.name for p in path.parent.glob(".*")]
    if any(name.startswith(".decided") for name in left):
        wrong.append(f"a decided set was left: {left}")
    return wrong


def sound(folder: Path) -> list[str]:
    """Whether the ledger is sound and holds each plan once."""
    import sqlite3

    file = next(folder.glob("*.sqlite"), None)
    if file is None:
        return ["no ledger"]
    with sqlite3.connect(file) as ledger:
        checked = ledger.execute("PRAGMA integrity_check").fetchone()[0]
        twice = ledger.execute("SELECT night, digest, COUNT(*) FROM plans GROUP BY 1, 2 HAVING COUNT(*) > 1").fetchall()
        runs = ledger.execute("SELECT COUNT(*) - COUNT(DISTINCT night || zone) FROM applied").fetchone()[0]
    return [] if checked == "ok" and not twice and not runs else [f"the ledger: {checked}, twice {twice[:2]}, {runs}"]


def evenings(folder: Path, first: date, count: int, seed: int) -> list[Seen]:
    """A run of evenings, one after the other, on a prepared site."""
    from scheduler.nightly.hours import hours_of
    from scheduler.site import load_site

    draw = random.Random(seed)
    site = load_site(folder)
    place = {"latitude": site.latitude, "longitude": site.longitude, "timezone": site.time_zone.key}
    found = []
    for i in range(count):
        night = first + timedelta(days=i)
        opening = hours_of(night, site.window, site.nightly, site.time_zone).opens
        found.append(evening(folder, night, opening.astimezone(UTC), place, draw))
    return found
