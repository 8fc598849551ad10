"""The command line: the program, what is asked of it beside a command, and all its commands.

Exit codes are those of `scheduler.errors`: 0 done, 2 usage, 3 bad input, 4 no plan, 5 storage.
"""

from __future__ import annotations

import io
import logging
import os
import sys
from contextlib import redirect_stderr, redirect_stdout
from datetime import datetime
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from scheduler.commands import afterwards, cases, evening, first_day
from scheduler.errors import NoPlan, counted
from scheduler.terminal.command import faults_told

# Many small matrices: threads that wait for each other cost ten times what they save. Read when numpy is first loaded.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")  # none is used; to look for them reads what is installed

LEDGER_VARIABLE = "EVENFALL_LEDGER"  # as scheduler.site.load reads it

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Irrigation scheduling for turf: tonight's run times from probes, weather and a linear program.",
)


def _version(asked: bool) -> None:
    """Print the version and stop."""
    if asked:
        from importlib.metadata import PackageNotFoundError, version

        try:
            found = version("evenfall")
        except PackageNotFoundError:
            found = "from a folder that is not installed"
        Console().print(f"evenfall {found}", highlight=False)
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and stop.")
    ] = False,
) -> None:
    """Irrigation scheduling for turf: tonight's run times from probes, weather and a linear program."""


def main() -> None:
    """Run the command line: one command a process, so its memory is given back whole at the end."""
    code = 0
    try:
        app()
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    sys.stdout.flush()
    sys.stderr.flush()
    logging.shutdown()
    os._exit(code)  # everything is written and closed; to take the objects apart one by one takes up to a second


def fleet(
    context: typer.Context,
    sites: Annotated[Path, typer.Argument(help="The list of sites, a .toml file.", metavar="LIST.toml")],
    command: Annotated[str, typer.Argument(help="Command to run at each, followed by its options.")],
    workers: Annotated[
        int | None, typer.Option(help="Sites side by side on this computer; 2 where Dask is installed.", min=1, max=64)
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(help="Or on the Dask cluster at this address.", metavar="ADDRESS")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Folder for fleet.html and its table; beside the list.")] = None,
) -> None:
    """Run a command at many sites: one table and one page of them, in order of trouble. Options go before LIST.toml."""
    from scheduler.terminal.fleet import print_fleet
    from scheduler.terminal.progress import steps
    from scheduler.whatif.door import NoCluster, Workers
    from scheduler.whatif.fleet import read_list, run_fleet

    screen = Console()
    with faults_told(sites.parent, "Nothing was run"):
        listed = read_list(sites)
        with steps(screen, f"{command} at {counted(len(listed.sites), 'site')}") as (_, told):
            try:
                found, files = run_fleet(
                    listed,
                    (command, *context.args),
                    import_module("scheduler.cli").run_command,  # as workers know it, also where this file is run
                    Workers(workers or (2 if find_spec("distributed") else 1), cluster, memory="auto"),
                    out or sites.parent / "fleet",
                    datetime.now().astimezone().isoformat(timespec="seconds"),
                    told,
                )
            except NoCluster as reason:
                raise NoPlan(str(reason)) from reason
        print_fleet(screen, found, files)
    failed = [one.code for one in found.sites if one.code]
    if failed:
        raise typer.Exit(max(failed))


def run_command(folder: str, command: tuple[str, ...], ledger: str | None) -> tuple[int, str]:
    """Run a command at a site within this process: exit code, and what it printed."""
    before = os.environ.get(LEDGER_VARIABLE)
    if ledger is not None:
        os.environ[LEDGER_VARIABLE] = ledger
    printed, code = io.StringIO(), 0
    with redirect_stdout(printed), redirect_stderr(printed):
        try:
            app([command[0], folder, *command[1:]])
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else int(end.code is not None)
        finally:
            os.environ.pop(LEDGER_VARIABLE, None)
            if before is not None:
                os.environ[LEDGER_VARIABLE] = before
    return code, printed.getvalue()


HANDED_ON = {"allow_extra_args": True, "ignore_unknown_options": True, "allow_interspersed_args": False}
for _command in (  # as `evenfall --help` lists them
    first_day.new,
    evening.tonight,
    evening.intake,
    afterwards.learn,
    afterwards.morning,
    afterwards.salts,
    cases.whatif,
    afterwards.season,
    fleet,
    evening.export,
    evening.nightly,
    evening.serve,
    first_day.timer,
    first_day.doctor,
    first_day.check,
):
    app.command(context_settings=HANDED_ON if _command is fleet else None)(_command)


if __name__ == "__main__":
    main()
