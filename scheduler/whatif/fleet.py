"""Many sites, one command: side by side on Dask, one table and one page of sites in order of trouble.

The list is a small file:

    ledger = "postgresql://user@host/database"   # for sites that name none of their own; may be left out
    sites = ["courses/north", "parks/west"]      # folders, from where the list stands
    # or, to name them: [[site]] with folder = "..." and name = "..."

A site that fails stops no other. What a site keeps (plans by their content, readings by their key, seasons by theirs)
is kept once, also where a worker was killed half way and the site was begun again elsewhere. Workers on other computers
must see the folders at the same place.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
import time
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from scheduler.document.reading import read_plan
from scheduler.errors import InputProblems, Problem, counted, listing, near_miss, read_but, shown
from scheduler.files import whole_set
from scheduler.nights import last_good_plan
from scheduler.sheets.night import environment
from scheduler.whatif.door import Door, Workers, problem_of, run_all

COMMANDS = ("tonight", "whatif", "morning", "intake", "salts", "season", "check", "learn", "export")
KEYS = ("ledger", "sites", "site")
SITE_KEYS = ("folder", "name")
FAILED = 1  # exit code of a site whose worker gave up
WORDS = {0: "done", 2: "command not understood", 3: "bad input", 4: "no plan", 5: "not stored"}
Run = Callable[[str, tuple[str, ...], str | None], tuple[int, str]]


@dataclass(frozen=True)
class Listed:
    """A site of the list: what it is called and where it stands."""

    name: str
    folder: Path


@dataclass(frozen=True)
class FleetList:
    """The list as read."""

    sites: tuple[Listed, ...]
    ledger: str | None


class SiteOutcome(BaseModel):
    """What became of one site."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    name: str
    folder: str
    code: int = Field(description="exit code of the command: 0 done, 2 usage, 3 bad input, 4 no plan, 5 storage")
    state: str
    words: str = Field(description="what a person should know first")
    seconds: float
    night: str | None = None
    water_m3: float | None = None
    dry_share: list[float] = Field(default_factory=list, description="share of zone-days past the dry limit by surface")
    dry_zone_days: int | None = None
    warnings: int | None = None
    page: str | None = Field(default=None, description="page of the site, from where this file stands")


class Fleet(BaseModel):
    """fleet.json: sites in order of trouble."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    schema_name: Literal["evenfall/fleet/1"] = Field(default="evenfall/fleet/1", alias="schema")
    command: str
    made: str
    sites: list[SiteOutcome]


def read_list(path: Path) -> FleetList:
    """Read a list of sites; raises InputProblems with every fault. A folder that is broken is no fault of the list."""
    path = Path(path)
    if not path.is_file():
        raise InputProblems([Problem(str(path), None, None, "there is no such file; a list of sites is needed")])
    try:
        raw = tomllib.loads(re.sub(r"\r\n?", "\n", path.read_text(encoding="utf-8-sig")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as reason:
        line = re.search(r"line (\d+)", str(reason))
        what = re.sub(r"\s*\(at .*\)$", "", str(reason))
        raise InputProblems(
            [Problem(path.name, int(line[1]) if line else None, None, f"this is not TOML ({shown(what)})")]
        ) from reason
    problems = [
        Problem(
            path.name, None, None, f'"{shown(k)}" is no key of a list{near_miss(k, KEYS)}; allowed: {listing(KEYS)}'
        )
        for k in raw
        if k not in KEYS
    ]
    entries: list[Any] = [{"folder": f} for f in raw.get("sites", [])] + list(raw.get("site", []))
    found = []
    for i, entry in enumerate(entries, start=1):
        folder = entry.get("folder") if isinstance(entry, dict) else None
        if not isinstance(folder, str) or not folder.strip() or set(entry) - set(SITE_KEYS):
            problems.append(
                Problem(path.name, None, f"site {i}", read_but(entry, 'folder = "..." and name = "..." go'))
            )
            continue
        place = (path.parent / folder.strip()).resolve()
        found.append(Listed(str(entry.get("name") or place.name), place))
    if not entries:
        problems.append(Problem(path.name, None, None, 'the list holds no site; sites = ["folder", ...] is needed'))
    same = [("folder", [str(s.folder) for s in found]), ("name", [s.name for s in found])]
    if raw.get("ledger") is not None:  # which tells sites apart by the names of their folders
        same.append(("name of a folder in one ledger", [s.folder.name for s in found]))
    for what, values in same:
        twice = sorted({str(v) for v in values if values.count(v) > 1})
        if twice:
            problems.append(Problem(path.name, None, what, f"stands twice: {listing(twice)}; each site once"))
    ledger = raw.get("ledger")
    if ledger is not None and not isinstance(ledger, str):
        problems.append(Problem(path.name, None, "ledger", read_but(ledger, "a URL is allowed")))
    if problems:
        raise InputProblems(problems)
    return FleetList(tuple(found), ledger)


def run_fleet(
    sites: FleetList,
    command: Sequence[str],
    run: Run,
    workers: Workers,
    folder: Path,
    made: str,
    told: Callable[[int, int], None] = lambda done, of: None,
) -> tuple[Fleet, tuple[Path, ...]]:
    """Run a command at every site and write the table and the page.

    Parameters
    ----------
    sites : FleetList
    command : sequence of str   Name of the command and its options, without the site.
    run : callable              Runs it at a site's folder: exit code and what it printed.
    workers : Workers
    folder : Path               Where fleet.json, .csv and .html go.
    made : str                  Time stamp.
    told : callable             Told how many sites are done, and of how many.

    Raises
    ------
    NoCluster       No cluster can be used.
    InputProblems   The command is not one of `COMMANDS`.
    """
    if not command or command[0] not in COMMANDS:
        read = command[0] if command else ""
        words = f"{read_but(read, f'allowed: {listing(COMMANDS)}')}{near_miss(read, COMMANDS)}"
        raise InputProblems([Problem("fleet", None, None, words)])
    began = time.time()
    tasks = [(run, str(s.folder), tuple(command), sites.ledger) for s in sites.sites]
    outcomes = []
    with Door(workers, len(tasks)) as door:
        for done in run_all(timed, tasks, door):
            site = sites.sites[done.place]
            if done.failure is not None:
                outcomes.append(_outcome(site, FAILED, problem_of(done.failure), 0.0, began, command[0], folder))
            else:
                code, text, seconds = done.value
                outcomes.append(_outcome(site, code, text, seconds, began, command[0], folder))
            told(len(outcomes), len(tasks))
    fleet = Fleet(command=" ".join(command), made=made, sites=sorted(outcomes, key=_trouble))
    return fleet, _write(fleet, folder)


def timed(run: Run, folder: str, command: tuple[str, ...], ledger: str | None) -> tuple[int, str, float]:
    """Run a command at one site: exit code, what it printed, and how long it took [s]."""
    began = time.monotonic()
    code, text = run(folder, command, ledger)
    return code, text, time.monotonic() - began


def _trouble(one: SiteOutcome) -> tuple[Any, ...]:
    """Sites that failed first, then by dryness, surface by surface in order of service, then by warnings."""
    return (one.code == 0, [-s for s in one.dry_share], -(one.warnings or 0), one.name)


def _outcome(
    site: Listed, code: int, text: str, seconds: float, began: float, command: str, folder: Path
) -> SiteOutcome:  # fmt: skip
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    state = WORDS.get(code, "failed")
    if code != 0:
        words = "; ".join(lines[:2]) if lines else "it ended without a word"
        return SiteOutcome(
            name=site.name, folder=str(site.folder), code=code, state=state, words=shown_long(words), seconds=seconds
        )
    found = _plan_numbers(site.folder, began) if command == "tonight" else {}
    if command == "whatif":
        found = _whatif_numbers(site.folder, began)
    page = found.pop("page", None)
    if page is not None:
        found["page"] = _from(page, folder)
    words = found.pop("words", None) or (lines[-1] if lines else "done")
    return SiteOutcome(
        name=site.name,
        folder=str(site.folder),
        code=code,
        state=state,
        words=shown_long(words),
        seconds=seconds,
        **found,
    )


def shown_long(text: str) -> str:
    """A sentence that fits a row."""
    return text if len(text) <= 300 else text[:297] + "..."


def _from(page: Path, folder: Path) -> str:
    """Path of a page from the folder of the fleet's own page."""
    return Path(os.path.relpath(page.resolve(), folder.resolve())).as_posix()


def _plan_numbers(site: Path, began: float) -> dict[str, Any]:
    """What the plan just made says."""
    night = last_good_plan(site)
    fresh = [p for p in site.glob("out/*/plan.json") if p.stat().st_mtime >= began - 1.0]
    path = max(fresh, key=lambda p: p.stat().st_mtime) if fresh else None
    if path is None:
        path = site / "out" / night.isoformat() / "plan.json" if night else None
    if path is None or not path.is_file():
        return {}
    plan = read_plan(path)
    nights = len(plan.nights)
    dry = sum(int(s.dry_zone_days) for s in plan.surfaces)
    words = "; ".join(g.words for g in plan.give_way) or (
        "no zone goes dry in these nights" if not dry else f"{counted(dry, 'dry zone-day')} in these nights"
    )
    return {
        "night": plan.night.isoformat(),
        "water_m3": float(plan.nights[0].volume_m3),
        "dry_share": [round(float(s.dry_zone_days) / max(s.zones * nights, 1), 4) for s in plan.surfaces],
        "dry_zone_days": dry,
        "warnings": len(plan.warnings),
        "words": words,
        "page": path.with_name("night.html"),
    }


def _whatif_numbers(site: Path, began: float) -> dict[str, Any]:
    """What the worst case of the what-if just made says."""
    fresh = [p for p in site.glob("whatif/*/whatif.json") if p.stat().st_mtime >= began - 1.0]
    if not fresh:
        return {}
    path = max(fresh, key=lambda p: p.stat().st_mtime)
    document = json.loads(path.read_text(encoding="utf-8"))
    nights = len(document["nights"])

    def shares(case: dict[str, Any]) -> list[float]:
        return [round(s["dry_zone_days"] / max(s["zones"] * nights, 1), 4) for s in case["surfaces"]]

    worst = max(document["cases"], key=shares)
    return {
        "night": date.fromisoformat(document["night"]).isoformat(),
        "water_m3": float(worst["water_m3"]),
        "dry_share": shares(worst),
        "dry_zone_days": sum(s["dry_zone_days"] for s in worst["surfaces"]),
        "words": f"{worst['title']}: {worst['words']}",
        "page": path.with_name("whatif.html"),
    }


def _write(fleet: Fleet, folder: Path) -> tuple[Path, ...]:
    """Write fleet.json, .csv and .html: all or none."""
    rows = [one.model_dump(exclude={"dry_share"}) for one in fleet.sites]
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    text = json.dumps(fleet.model_dump(by_alias=True), ensure_ascii=False, indent=1)
    page = (
        environment()
        .get_template("fleet.html.jinja")
        .render(
            command=fleet.command,
            made=fleet.made,
            failed=sum(s.code != 0 for s in fleet.sites),
            sites=[s.model_dump() for s in fleet.sites],
        )
    )
    files = {"fleet.json": text + "\n", "fleet.csv": out.getvalue(), "fleet.html": page}
    with whole_set(folder) as new:
        for name, content in files.items():
            (new / name).write_text(content, encoding="utf-8")
    return tuple(folder / name for name in files)
