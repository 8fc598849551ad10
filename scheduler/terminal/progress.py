"""Long work on the terminal: the step it is at, and where parts are counted a bar with the time left."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, SpinnerColumn, TextColumn, TimeRemainingColumn


@contextmanager
def steps(screen: Console, first: str) -> Iterator[tuple[Callable[[str], None], Callable[[int, int], None]]]:
    """Show a step by its name, and once parts are counted how many are done and how long the others will take.

    Yields
    ------
    tuple of callables   To name the next step; to tell how many parts are done, and of how many.
    """
    columns = (SpinnerColumn(), TextColumn("{task.description}", markup=False))
    counted = (BarColumn(), MofNCompleteColumn(), TextColumn("left"), TimeRemainingColumn())
    with Progress(*columns, *counted, console=screen, transient=True) as progress:
        task = progress.add_task(first, total=None)

        def step(name: str) -> None:
            progress.update(task, description=name)

        def told(done: int, of: int) -> None:
            progress.update(task, total=of, completed=done)

        yield step, told
