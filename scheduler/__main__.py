"""The program as it is started, `evenfall` or `python -m scheduler`."""

from __future__ import annotations

import gc


def main() -> None:
    """Run the command line without looking for garbage: of a million small objects hardly one lies in a cycle.

    To go through them takes a quarter of a command, and from before its modules are loaded a fifth of their time. A
    server, which goes on for months, looks again.
    """
    gc.disable()
    from scheduler.cli import main as run

    run()


if __name__ == "__main__":
    main()
