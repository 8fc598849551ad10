"""What every command does beside its job: read dates and times as written, tell what went wrong in one message."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from scheduler.errors import BAD_INPUT, NO_PLAN, STORAGE, InputProblems, NoPlan, counted

SiteFolder = Annotated[Path, typer.Argument(help="Folder of the site: site.toml, zones.csv and its series.")]


def clock_minute(text: str | None) -> int | None:
    """Read a clock time given on the command line, as minutes after 00:00 of the evening."""
    if text is None:
        return None
    from scheduler.site.key_types import read_clock

    try:
        return read_clock(text)
    except ValueError as error:
        raise typer.BadParameter(f'read "{text}"; {error}', param_hint="--by") from error


def date_of(text: str | None, option: str = "--night") -> date | None:
    """Read a date given on the command line."""
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise typer.BadParameter(
            f'read "{text}"; a date is allowed, for example 2026-07-14', param_hint=option
        ) from error


@contextmanager
def faults_told(folder: Path, outcome: str) -> Iterator[None]:
    """Turn what can go wrong into one clear message and an exit code."""
    try:
        yield
    except InputProblems as problems:
        for problem in problems.problems:
            complain(str(problem))
        complain(f"{counted(len(problems.problems), 'problem')}. {outcome}{_standing(folder)}.")
        raise typer.Exit(BAD_INPUT) from problems
    except NoPlan as reason:
        complain(f"{reason}\n{outcome}{_standing(folder)}.")
        raise typer.Exit(NO_PLAN) from reason
    except _ledger_unusable() as error:
        complain(f"the ledger cannot be used: {error}\n{outcome}{_standing(folder)}.")
        raise typer.Exit(STORAGE) from error
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        complain(f"{place}{error.strerror or error}\n{outcome}{_standing(folder)}.")
        raise typer.Exit(STORAGE) from error


def _ledger_unusable() -> type[Exception]:
    """Name the ledger's own exception, imported only when something went wrong."""
    from scheduler.ledger import LedgerUnusable

    return LedgerUnusable


def _standing(folder: Path) -> str:
    """Clause on the last good plan of a site, if there is one."""
    from scheduler.nights import last_good_plan

    plan = last_good_plan(folder)
    return "" if plan is None else f"; the plan of {plan.day} {plan:%B %Y} still stands"


def complain(text: str) -> None:
    """Print a fault to the screen of errors."""
    Console(stderr=True, soft_wrap=True).print(
        text, markup=False, highlight=False, style="red" if sys.stderr.isatty() else ""
    )
