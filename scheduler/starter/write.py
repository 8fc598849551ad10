"""Write a new site folder: all of it or nothing."""

from __future__ import annotations

import csv
import io
import shutil
import tempfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from scheduler.errors import InputProblems, Problem
from scheduler.site import Site, load_site
from scheduler.starter import samples
from scheduler.starter.answers import Answers
from scheduler.starter.made_zones import made_zones
from scheduler.starter.own_zones import OwnZones, read_own_zones, where
from scheduler.starter.toml import Sized, site_toml

WRITTEN_FOR = date(2026, 7, 14)  # the evening of a folder written without one, in tests
BUSY = 0.7  # [-] of the window a hot night may fill
HOURS = 8.5  # [h] of the window that is written
ROOM = 1.35  # [-] of the largest zone's flow the pump delivers at least


@dataclass(frozen=True)
class Written:
    """What was written: the files, and what was understood of a table of zones."""

    files: tuple[Path, ...]
    told: tuple[str, ...]


def write_starter(folder: Path, evening: date = WRITTEN_FOR, answers: Answers | None = None) -> Written:
    """Write a new site into a new or empty folder.

    Parameters
    ----------
    folder : Path        Is made if it does not exist.
    evening : date       The evening to be planned first: weather ends with it and the forecast was issued on it.
    answers : Answers    What the site is; the page of defaults if None.

    Raises
    ------
    InputProblems   The folder holds files already, or the table of zones has problems; nothing is written.
    OSError         The folder cannot be written to.
    """
    folder = Path(folder)
    answers = answers or Answers("New site", time_zone="America/Los_Angeles", currency="USD")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        kind = "the folder is not empty" if folder.is_dir() else "this is a file"
        raise InputProblems([Problem(str(folder), None, None, f"{kind}; a new or empty folder is needed")])
    own = made_zones(answers) if answers.zones is None else read_own_zones(answers.zones, answers.units)
    made = folder.exists()
    folder.mkdir(parents=True, exist_ok=True)
    try:
        with tempfile.TemporaryDirectory(prefix=".new-", dir=folder) as name:
            files = _written(Path(name), evening, answers, own)
            for file in files:
                file.replace(folder / file.name)
    except BaseException:
        if not made and not any(folder.iterdir()):
            shutil.rmtree(folder, ignore_errors=True)
        raise
    return Written(tuple(folder / f.name for f in files), own.told)


def _written(folder: Path, evening: date, answers: Answers, own: OwnZones) -> list[Path]:
    """Write every file: first what the zones need to be read, then what follows from them."""
    zones, toml = folder / "zones.csv", folder / "site.toml"
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([own.columns, *own.rows])
    zones.write_text(text.getvalue(), encoding="utf-8")
    toml.write_text(site_toml(answers, own, None, evening, ()), encoding="utf-8")
    try:
        site = load_site(folder)
    except InputProblems as problems:
        raise (problems if answers.zones is None else where(own, problems, answers.zones)) from None
    sized = _sized(site, evening)
    toml.write_text(site_toml(answers, own, sized, evening, samples.NAMES), encoding="utf-8")
    site = load_site(folder)
    return [toml, zones, *samples.write_samples(folder, site, evening)]


def _sized(site: Site, evening: date) -> Sized:
    """Pump and allocation that fit the zones."""
    daily = samples.year_of_demand(site, evening.year)
    zones = site.zones
    pump = max(float(daily.max()) * 1000.0 / (BUSY * HOURS * 3600.0), ROOM * float(zones.flow.max()))
    begun = (evening - date(evening.year, 1, 1)).days - samples.LOGGED + 1
    return Sized(
        pump=pump,
        at_once=int(np.clip(np.ceil(pump / np.median(zones.flow)), 2, 20)),
        volume=float(daily.sum()) * 1.1,
        used=float(daily[: max(begun, 0)].sum()),
    )
