"""The run-time table on the disk: read back from its own bytes and compared with the plan before it is published."""

from __future__ import annotations

import logging
import re
from collections.abc import Sequence
from pathlib import Path

from scheduler.document.parts import PlanDocument
from scheduler.document.rung import LABELS
from scheduler.errors import InputProblems, Problem
from scheduler.export.formats import SUFFIX, from_bytes, to_bytes
from scheduler.export.profile import Profile
from scheduler.export.table import Laid, decode_time, run_tables
from scheduler.files import write_atomic

log = logging.getLogger(__name__)
SAME = 1e-3  # [min] run times in minutes are written to 4 decimals, up to 50 cycles are added


def write_run_times(plan: PlanDocument, profile: Profile, folder: Path, laid: Laid | None = None) -> list[Path]:
    """Write the run-time table of a plan in the profile's shape.

    Parameters
    ----------
    plan : PlanDocument
    profile : Profile               From `load_profile`.
    folder : Path                   Where the file goes, or one file per controller.
    laid : optional                 What `run_tables` gives of them, where that is known.

    Returns
    -------
    list of Path                    The files written.

    Raises
    ------
    InputProblems                   The plan does not fit the profile or does not come back; nothing is written.
    OSError                         A file cannot be written.
    """
    tables, notes, problems = run_tables(plan, profile) if laid is None else laid
    if problems:
        raise InputProblems(problems)
    suffix = SUFFIX[profile.file.format]
    ready: dict[str, bytes] = {}
    for table in tables:
        name = profile.file.stem + (f"-{_safe(table.controller)}" if profile.file.one_per_controller else "") + suffix
        if name.casefold() in (n.casefold() for n in ready):
            text = f'two controllers would share the file "{name}"; give them names that differ in letters or digits'
            raise InputProblems([Problem("site.toml", None, "controller.name", text)])
        ready[name] = to_bytes(table.rows, profile, LABELS[plan.rung])
        back = _minutes(ready[name], profile, name)
        differs = [
            k for k in table.minutes.keys() | back.keys() if abs(table.minutes.get(k, -1) - back.get(k, -1)) > SAME
        ]
        if differs:
            text = f"{len(differs)} run times do not come back as written, the first for {sorted(differs)[0]!r}"
            raise InputProblems([Problem("export profile", None, None, text)])
    for note in notes:
        log.warning("%s", note)
    return [write_atomic(Path(folder) / name, data) for name, data in ready.items()]


def read_back(path: Path | Sequence[Path], profile: Profile) -> dict[str, float]:
    """Read a table that was written with this profile.

    Parameters
    ----------
    path : Path or sequence of Path     One file, or the files of all controllers.
    profile : Profile                   The profile it was written with.

    Returns
    -------
    dict                                Minutes [min] by zone; by station address if the table has no zone column.

    Raises
    ------
    InputProblems                       The file has another shape.
    """
    total: dict[str, float] = {}
    for one in [path] if isinstance(path, Path) else path:
        for key, minutes in _minutes(one.read_bytes(), profile, one.name).items():
            total[key] = total.get(key, 0.0) + minutes
    return total


def _minutes(data: bytes, profile: Profile, name: str) -> dict[str, float]:
    key_at = next(i for i, c in enumerate(profile.column) if c.field == profile.key_field)
    times = [i for i, c in enumerate(profile.column) if c.field == "run_time"]
    total: dict[str, float] = {}
    try:
        for row in from_bytes(data, profile, LABELS.values()):
            key = str(row[key_at])
            total[key] = total.get(key, 0.0) + sum(
                decode_time(row[i], profile.time, profile.file.decimal) for i in times
            )
    except (ValueError, KeyError, TypeError) as reason:
        raise InputProblems([Problem(name, None, None, f"not a table of this profile: {reason}")]) from reason
    return total


def _safe(controller: str) -> str:
    return re.sub(r"[^A-Za-z0-9._-]+", "_", controller).strip("._") or "unnamed"
