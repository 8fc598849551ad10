"""A plan that stands, written again: its run-time table in another shape, or the sheet for keying it in by hand."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from scheduler.document.parts import PlanDocument
from scheduler.document.reading import read_plan
from scheduler.document.rules import plan_faults
from scheduler.errors import InputProblems, Problem, listing, near_miss, read_but
from scheduler.export import load_profile, shipped_profiles, write_run_times
from scheduler.export.profile import DEFAULT_PROFILE
from scheduler.files import finish_sets
from scheduler.nights import last_good_plan
from scheduler.sheets.keying import write_keying_sheet


def standing_plan(folder: Path, night: date | None = None) -> PlanDocument:
    """Read the plan of a night from a site folder, the newest if no night is given.

    Raises
    ------
    InputProblems   There is none, or it is not a plan.
    """
    chosen = night or last_good_plan(folder)
    if chosen is None:
        raise InputProblems([Problem("out", None, None, "no plan stands here yet; evenfall tonight makes one")])
    name = f"out/{chosen.isoformat()}/plan.json"
    path = folder / name
    finish_sets(path.parent)
    if not path.is_file():
        newest = last_good_plan(folder)
        hint = f"; the newest is of {newest.isoformat()}" if newest else ""
        raise InputProblems([Problem(name, None, None, f"no plan of this night stands{hint}")])
    try:
        plan = read_plan(path)
    except ValueError as reason:
        raise InputProblems([Problem(name, None, None, str(reason))]) from reason
    if faults := plan_faults(plan):
        raise InputProblems([Problem(name, None, None, fault) for fault in faults[:5]])
    return plan


def export_plan(
    folder: Path, night: date | None, profile: str, out: Path | None, keypad: bool = False
) -> tuple[Path, ...]:
    """Write the run-time table of a standing plan in a profile's shape, to out/NIGHT/PROFILE unless told otherwise.

    Raises
    ------
    InputProblems   No such plan or profile, or the plan does not fit the profile; nothing is written.
    OSError         A file cannot be written.
    """
    name = profile or DEFAULT_PROFILE
    if name not in shipped_profiles() and not name.endswith(".toml"):
        allowed = f"allowed: {listing(shipped_profiles())}, or a .toml file of the site folder"
        text = read_but(name, f"{allowed}{near_miss(name, shipped_profiles())}")
        raise InputProblems([Problem("--profile", None, None, text)])
    shape = load_profile(name, folder)
    plan = standing_plan(folder, night)
    place = out or folder / "out" / plan.night.isoformat() / Path(name).stem
    files = write_run_times(plan, shape, place)
    if keypad:
        files.append(write_keying_sheet(plan, place / "keypad.html"))
    return tuple(files)
