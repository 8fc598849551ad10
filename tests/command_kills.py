"""Killing `evenfall intake` and `evenfall tonight` themselves, evening after evening, and looking at what is left.

The site grows as a season does: each evening has a day of weather, readings and log more, and corrects one older day.
A command is killed by SIGKILL, either after a time or at its n-th step (a file opened for writing, moved or removed, a
statement or commit of the ledger). What must hold afterwards:

* the ledger opens and is sound; every plan, row and correction it held before is there, byte for byte;
* an intake is there whole or not at all; nothing is there twice; at most the one new plan is there;
* every file of the night is whole, and together they are those of one plan, the old one or the new;
* the same command run again ends well, and then ledger and files say the same.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import sys
import time
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import sqlalchemy as sa

from scheduler.export import load_profile, read_back
from scheduler.files import finish_sets
from scheduler.ledger import Ledger, open_ledger, queries
from scheduler.ledger.tables import history, plans
from scheduler.site import load_site
from scheduler.site.records import Site
from tests import ledger_contents
from tests.sites import make_site

EVENINGS = [date(2026, 7, day) for day in range(7, 15)]
TIME_OF = {"weather": "date", "applied": "night", "probes": "time", "forecast": "issued"}
TABLES = (queries.readings, queries.observed_weather, ledger_contents.issued_forecasts, queries.applied_water)


@dataclass(frozen=True)
class Seen:
    """What one trial saw: whether the command died of the signal, how far it had come, seconds it takes undisturbed."""

    killed: bool
    came: str
    took: float


def make_season(folder: Path, zones: int = 8, **options: Any) -> Path:
    """Write the whole season, from which `grow` takes what an evening knows."""
    return make_site(folder, zones=zones, nights=2, season_days=14, probe_days=9, applied_nights=10, **options)


def grow(folder: Path, season: Path, evening: date) -> None:
    """Bring a site folder to what is known on an evening; one older day of weather is corrected."""
    folder.mkdir(exist_ok=True)
    for path in season.glob("*.*"):
        column = TIME_OF.get(path.stem)
        if column is None:
            (folder / path.name).write_bytes(path.read_bytes())
            continue
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        name = next(c for c in table.columns if c.split(" ")[0] == column)
        limit = f"{evening.isoformat()}T23" if path.stem in ("weather", "probes", "forecast") else evening.isoformat()
        table = table[table[name] < limit]
        if path.stem == "weather" and len(table) > 2:
            tmin = next(c for c in table.columns if c.startswith("tmin"))
            table.loc[table.index[-2], tmin] = f"{float(table[tmin].iloc[-2]) - 0.1 * (evening.day % 3):.2f}"
        table.to_csv(folder / path.name, index=False)


def timed_trial(folder: Path, what: str, evening: date, after: float) -> Seen:
    """Start a command, kill it `after` seconds, look, run it again and look again."""
    return _trial(folder, what, evening, after=after)


def step_trial(folder: Path, what: str, evening: date, step: int) -> Seen:
    """Kill a command at its n-th step, look, run it again and look again; step 0 is never."""
    return _trial(folder, what, evening, step=step)


def _run(what: str, folder: Path, evening: date, step: int = 0, after: float | None = None) -> tuple[int | None, float]:
    """Run a command in a process of its own, forked from a quiet server that has read the program; code and seconds."""
    server = multiprocessing.get_context("forkserver")
    read = ["tests.command_kills", "scheduler.evening", "scheduler.ledger.keeping", "scheduler.cli"]
    server.set_forkserver_preload(read)
    began = time.perf_counter()
    process = server.Process(target=run_and_die, args=(what, str(folder), evening.isoformat(), step))
    process.start()
    process.join(after)
    if process.is_alive() and process.pid is not None:
        os.kill(process.pid, signal.SIGKILL)
    process.join()
    return process.exitcode, time.perf_counter() - began


def run_and_die(what: str, folder: str, evening: str, at: int) -> None:
    """Run a command in this process, which kills itself at step `at`; 0 is never."""
    from scheduler.cli import app

    steps = [0]

    def step(*_: object) -> None:
        steps[0] += 1
        if steps[0] == at:
            os.kill(os.getpid(), signal.SIGKILL)

    def audit(event: str, arguments: tuple[Any, ...]) -> None:
        if event == "open" and isinstance(arguments[2], int) and not arguments[2] & (os.O_WRONLY | os.O_RDWR):
            return
        if event in ("open", "os.rename", "os.mkdir", "os.rmdir", "os.remove", "os.chmod", "sqlite3.connect"):
            step()

    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    sys.addaudithook(audit)
    for name in ("before_cursor_execute", "commit", "rollback"):
        sa.event.listen(sa.Engine, name, step)
    arguments = [what, folder, *(["--night", evening] if what == "tonight" else [])]
    try:
        app(arguments)
    except SystemExit as end:
        os._exit(end.code if isinstance(end.code, int) else 1)


def _trial(folder: Path, what: str, evening: date, step: int = 0, after: float | None = None) -> Seen:
    before = _held(folder)
    code, _ = _run(what, folder, evening, step, after)
    killed = code == -signal.SIGKILL
    _must(killed or code == 0, f"the command ended with {code}")
    out = folder / "out" / evening.isoformat()
    _whole_files(out)
    cut_off = any(out.glob(".decided-*"))
    finish_sets(out)
    document = _one_plan(folder, out)
    site = load_site(folder)
    after = _held(folder)
    came = _come(site, before, after, document, evening)
    _must(not killed or what == "tonight" or len(after["plans"]) == len(before["plans"]), "an intake planned")
    code, took = _run(what, folder, evening)
    _must(code == 0, f"the command run again ended with {code}")
    _whole_files(out)
    document = _one_plan(folder, out)
    end = _held(folder)
    _come(site, after, end, document, evening)
    _must(end["rows"] == _rows_of(site), "not all rows are there after the command was run again")
    if what == "tonight":
        ledger = open_ledger(folder)
        _must(queries.current_plan(ledger, evening) is not None, "no plan is kept")
        _same_plan(queries.current_plan(ledger, evening).plain(), document)
        ledger.close()
    for path in out.glob(".*"):
        os.utime(path, (0, 0))
    finish_sets(out)
    _must(not list(out.glob(".*")), "something is left over that is never swept")
    return Seen(killed, "files decided, not all moved" if cut_off else came, took)


def _held(folder: Path) -> dict[str, Any]:
    """Open the ledger, look whether it is sound, and give what it holds."""
    if not (folder / "ledger.sqlite").exists():
        return {"plans": {}, "rows": [0, 0, 0, 0], "history": [], "keys": set()}
    ledger = open_ledger(folder)
    try:
        with ledger.reading() as connection:
            said = connection.exec_driver_sql("PRAGMA integrity_check").scalar()
            _must(said == "ok", f"the ledger is damaged: {said}")
            _must(not connection.exec_driver_sql("PRAGMA foreign_key_check").all(), "rows hang on nothing")
            known = {
                r.plan_id: (r.night, r.digest, r.document, r.supersedes) for r in connection.execute(plans.select())
            }
            told = [tuple(r) for r in connection.execute(sa.select(history).order_by(history.c.entry))]
        return {"plans": known, "rows": [len(ask(ledger)) for ask in TABLES], "history": told, "keys": _keys(ledger)}
    finally:
        ledger.close()


def _keys(ledger: Ledger) -> set[tuple[Any, ...]]:
    data = queries.readings(ledger)
    _must(not data.duplicated(["time", "probe"]).any(), "readings are doubled")
    return set(zip(data["time"], data["probe"], data["moisture"], strict=True))


def _rows_of(site: Site) -> list[int]:
    return [len(frame) for frame in (site.probes, site.weather, site.forecast, site.applied)]


def _come(site: Site, before: dict[str, Any], after: dict[str, Any], document: Any, evening: date) -> str:
    """Check one state of the ledger against the one before it; say how far the command had come."""
    for number, plan in before["plans"].items():
        _must(after["plans"].get(number) == plan, f"plan {number} was lost or changed")
    _must(after["history"][: len(before["history"])] == before["history"], "history was lost or changed")
    _must(before["keys"] <= after["keys"], "readings were lost or changed")
    _must(after["rows"] in (before["rows"], _rows_of(site)), f"an intake is there by half: {after['rows']}")
    fresh = [plan for number, plan in after["plans"].items() if number not in before["plans"]]
    _must(len(fresh) <= 1, f"{len(fresh)} plans were published")
    _must(all(night == evening.isoformat() for night, *_ in fresh), "a plan of another night")
    pairs = [(night, supersedes) for night, _, _, supersedes in after["plans"].values()]
    _must(len(set(pairs)) == len(pairs), "a plan is superseded twice")
    if fresh:
        _must(document is not None, "a plan is kept whose files are not there")
        return "plan kept"
    standing = [d for n, d, *_ in after["plans"].values() if n == evening.isoformat()]
    if document is not None and not standing:
        return "files out, plan not kept yet"
    return "intake kept" if after["rows"] != before["rows"] else "nothing kept yet"


def _whole_files(out: Path) -> None:
    """Every file with a name for people is whole."""
    for path in out.rglob("*") if out.is_dir() else ():
        if path.is_dir() or any(part.startswith(".") for part in path.relative_to(out).parts):
            continue
        text = path.read_text(encoding="utf-8")
        if path.suffix == ".json":
            json.loads(text)
        elif path.suffix == ".html":
            _must(text.rstrip().endswith("</html>"), f"{path.name} is cut off")
        else:
            _must(text.endswith("\n"), f"{path.name} is cut off")


def _one_plan(folder: Path, out: Path) -> dict[str, Any] | None:
    """The files of a night are those of one plan; give it."""
    files = [out / name for name in ("plan.json", "run-times.csv", "night.html", "keypad.html")]
    there = [path.exists() for path in files]
    _must(all(there) or not any(there), f"of the night's files only {there} are there")
    if not there[0]:
        return None
    document: dict[str, Any] = json.loads(files[0].read_text(encoding="utf-8"))
    table = read_back(files[1], load_profile("plain", folder))
    planned = {z["id"]: z["minutes"] for z in document["zones"] if z["minutes"] > 0}
    _must({z: round(m, 2) for z, m in table.items() if m > 0} == {z: round(m, 2) for z, m in planned.items()}, "mixed")
    return document


def _same_plan(kept: Any, document: Any) -> None:
    """The plan of the ledger is that of the files, but for the moment it was made where it was made again."""
    _must(document is not None, "no plan stands in the folder")
    one, other = ({k: v for k, v in plan.items() if k != "made"} for plan in (kept, document))
    _must(one == other, "ledger and folder hold different plans")


def _must(holds: bool, words: str) -> None:
    if not holds:
        raise AssertionError(words)
