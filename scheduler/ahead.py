"""Modules loaded beside the solver, which leaves Python to others while it works: on a free core they cost no time.

Nothing else is done there, and nothing waits for it but the import itself: what is wrong with a module is told where it
is imported in earnest.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from importlib import import_module
from threading import Thread


def load_beside(*names: str) -> Callable[[], None]:
    """Begin to load modules in a thread.

    Parameters
    ----------
    *names : str   Full names, in the order in which they are loaded.

    Returns
    -------
    callable   Waits until they are loaded: two threads must not work their way into one circle of imports.
    """
    thread = Thread(target=_load, args=(names,), daemon=True)
    thread.start()
    return thread.join


def _load(names: tuple[str, ...]) -> None:
    for name in names:
        with suppress(Exception):
            import_module(name)
