"""Killing a writer of the ledger at random moments, and looking at what is left.

The child brings in readings, weather and applied water and publishes plans, and says so by appending a line to a file
of its own after each call has returned. It is killed by SIGKILL, which no program can catch. What must hold afterwards:

* the ledger opens and is sound,
* whatever the child has said it wrote is there,
* nothing is there twice, and no transaction is there by half,
* bringing in everything again ends with exactly what an undisturbed run gives.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from scheduler.document.parts import PlanDocument
from scheduler.document.reading import document_of
from scheduler.ledger import Ledger, open_ledger, publish_plan, queries
from scheduler.ledger.intake import intake
from scheduler.ledger.merge import Series, merge
from scheduler.ledger.readings import merge_readings
from scheduler.ledger.tables import applied
from scheduler.ledger.writers import begin_intake, end_intake
from scheduler.site import Site
from tests import ledger_contents
from tests.scheduler.sample_plan import sample_plan

STEPS, PROBES, PER_STEP = 10, 12, 24
ZONES = 30


@dataclass
class Killed:
    """What one trial saw: steps acknowledged and found, and whether the child had ended before the signal."""

    acknowledged: int
    found: int
    ended: bool


def readings_of(step: int) -> pd.DataFrame:
    """Give the readings of one step; from the second on they also correct the last row of the step before."""
    rng = np.random.default_rng(step)
    times = pd.Timestamp("2026-07-01") + pd.to_timedelta(np.arange(step * PER_STEP, (step + 1) * PER_STEP), unit="h")
    frame = pd.MultiIndex.from_product([times, [f"P{i:02d}" for i in range(PROBES)]], names=["time", "probe"])
    frame = frame.to_frame(index=False)
    for name in ("moisture", "ec", "temperature", "permittivity"):
        frame[name] = rng.random(len(frame))
    if step:
        before = readings_of_step_end(step - 1)
        frame = pd.concat([before, frame], ignore_index=True)
    return frame


def readings_of_step_end(step: int) -> pd.DataFrame:
    """Give the corrected last row of a step."""
    time_ = pd.Timestamp("2026-07-01") + pd.Timedelta(hours=(step + 1) * PER_STEP - 1)
    values = dict.fromkeys(("moisture", "ec", "temperature", "permittivity"), 2.0 + step)
    return pd.DataFrame({"time": [time_], "probe": ["P00"], **{k: [v] for k, v in values.items()}})


def applied_of(step: int) -> pd.DataFrame:
    """Give what ran in the night of one step."""
    night = (pd.Timestamp("2026-07-01") + pd.Timedelta(days=step)).strftime("%Y-%m-%d")
    zones = [f"Z{i:02d}" for i in range(ZONES)]
    return pd.DataFrame({"night": night, "zone": zones, "minutes": float(step), "volume": np.nan, "note": ""})


def plan_of(step: int) -> PlanDocument:
    """Give the plan of one step; every second one supersedes the one before."""
    night = (pd.Timestamp("2026-07-01") + pd.Timedelta(days=step // 2)).strftime("%Y-%m-%d")
    before = {"depletion_mm": 5.0, "spread_mm": 1.0, "ece_dsm": None}
    whole = sample_plan(zones=1)
    zones = [whole["zones"][0] | {"id": f"Z{i}", "minutes": float(step), "before": before} for i in range(step * 50)]
    return document_of(whole | {"night": night, "made": _made(step), "zones": zones})


def _made(step: int) -> str:
    """Give the moment at which the plan of a step was made."""
    return (datetime(2026, 7, 1) + timedelta(minutes=step)).isoformat()


def take_step(ledger: Ledger, step: int) -> None:
    """Bring in one step: one transaction for the data, one for the plan."""
    with ledger.writing() as connection:
        number = begin_intake(connection, ledger, f"step {step}", "trial")
        counts = merge_readings(connection, readings_of(step), ledger.site_id, number)
        counts += merge(connection, Series.of(applied), applied_of(step), ledger.site_id, number)
        end_intake(connection, number, counts)
    publish_plan(ledger, plan_of(step))


def child(folder: Path, url: str | None, said: Path) -> None:
    """Write step by step, saying so after each."""
    handle = os.open(said, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    ledger = open_ledger(folder, url, "site")
    for step in range(STEPS):
        take_step(ledger, step)
        os.write(handle, f"{step}\n".encode())


def takes(target: Any, *arguments: Any) -> float:
    """Give the seconds a child takes from its start when nobody kills it; on a busy machine it is many times longer."""
    began = time.perf_counter()
    process = multiprocessing.get_context("fork").Process(target=target, args=arguments, daemon=True)
    process.start()
    process.join()
    _must(process.exitcode == 0, f"an undisturbed child ended with {process.exitcode}")
    return time.perf_counter() - began


def trial(folder: Path, delay: float, url: str | None = None) -> Killed:
    """Start a child, kill it after `delay` seconds, look; raise AssertionError where a promise is broken."""
    said = folder / "said"
    process = multiprocessing.get_context("fork").Process(target=child, args=(folder, url, said), daemon=True)
    process.start()
    process.join(delay)
    if process.pid is not None and process.is_alive():
        os.kill(process.pid, signal.SIGKILL)
    process.join()
    ended = process.exitcode == 0
    _must(ended or process.exitcode == -signal.SIGKILL, f"the child ended with {process.exitcode}")
    acknowledged = len(said.read_text().splitlines()) if said.exists() else 0
    ledger = open_ledger(folder, url, "site")
    try:
        _look(ledger)
        found = _whole_steps(ledger)
        _must(found >= acknowledged, f"{acknowledged} steps were acknowledged, {found} are there")
        for step in range(STEPS):
            take_step(ledger, step)
        _look(ledger)
        _must(_whole_steps(ledger) == STEPS, "not all is there after bringing in everything again")
        _must(len(ledger_contents.plan_list(ledger)) >= STEPS, "plans are missing")
        standing = ledger_contents.plan_list(ledger).query("stands")["made"].tolist()
        _must(standing == [_made(step) for step in range(1, STEPS, 2)], f"wrong plans stand: {standing}")
    finally:
        ledger.close()
    return Killed(acknowledged, found, ended)


def intake_child(folder: Path, site: Site, said: Path) -> None:
    """Bring in a whole site, as `evenfall intake` does, and say so."""
    ledger = open_ledger(folder)
    intake(site, ledger, "trial")
    said.write_text("done")


def intake_trial(folder: Path, site: Site, delay: float) -> Killed:
    """Kill an intake of a site: the ledger must hold all of it or nothing, and all of it after a second one."""
    said = folder / "said"
    process = multiprocessing.get_context("fork").Process(target=intake_child, args=(folder, site, said), daemon=True)
    process.start()
    process.join(delay)
    if process.pid is not None and process.is_alive():
        os.kill(process.pid, signal.SIGKILL)
    process.join()
    ended = process.exitcode == 0
    _must(ended or process.exitcode == -signal.SIGKILL, f"the child ended with {process.exitcode}")
    ledger = open_ledger(folder)
    try:
        tables = [queries.readings, queries.observed_weather, ledger_contents.issued_forecasts, queries.applied_water]
        frames = [site.probes, site.weather, site.forecast, site.applied]
        whole = [len(ask(ledger)) == len(frame) for ask, frame in zip(tables, frames, strict=True)]
        empty = [len(ask(ledger)) == 0 for ask in tables]
        _must(all(whole) or all(empty), "an intake is there by half")
        _must(all(whole) or not said.exists(), "an acknowledged intake is lost")
        before = len(ledger_contents.intake_list(ledger))
        _must(before == int(all(whole)), "intakes are doubled, or one is named that is not there")
        report = intake(site, ledger, "trial")
        _must(report.changed != all(whole), "a second intake doubled the first, or did not make it up")
        _must(len(queries.readings(ledger)) == len(site.probes), "not all is there after the second intake")
        _must(ledger_contents.replaced_rows(ledger).empty, "something was written twice")
    finally:
        ledger.close()
    return Killed(int(said.exists()), int(all(whole)), ended)


def _must(holds: bool, words: str) -> None:
    if not holds:
        raise AssertionError(words)


def _look(ledger: Ledger) -> None:
    """Check the file and that nothing is doubled."""
    if ledger.engine.dialect.name == "sqlite":
        with ledger.reading() as connection:
            said = connection.exec_driver_sql("PRAGMA integrity_check").scalar()
            _must(said == "ok", f"the file is damaged: {said}")
            _must(not connection.exec_driver_sql("PRAGMA foreign_key_check").all(), "rows hang on nothing")
    data = queries.readings(ledger)
    _must(not data.duplicated(["time", "probe"]).any(), "readings are doubled")
    intakes = ledger_contents.intake_list(ledger)
    written = ledger_contents.replaced_rows(ledger)
    _must(set(written["replaced_through"]) <= set(intakes["what"]), "history without its intake")


def _whole_steps(ledger: Ledger) -> int:
    """Count the steps that are there; each must be whole, in both tables, and they must come in order."""
    data, water = queries.readings(ledger), queries.applied_water(ledger)
    steps = len(data) // (PROBES * PER_STEP)
    _must(len(data) == steps * PROBES * PER_STEP, "a step is there by half")
    _must(len(water) == steps * ZONES, "readings and applied water of a step were parted")
    for step in range(steps - 1):
        end = readings_of_step_end(step)
        here = data[(data["time"] == end["time"][0]) & (data["probe"] == "P00")]
        _must(here["moisture"].tolist() == [2.0 + step], "a correction is missing")
    planned = {made for made in ledger_contents.plan_list(ledger)["made"]}
    _must({_made(step) for step in range(steps - 1)} <= planned, "a plan is missing")
    return steps if steps == 0 or _made(steps - 1) in planned else steps - 1
