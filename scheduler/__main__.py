"""The program as it is started, `evenfall` or `python -m scheduler`."""

from __future__ import annotations

import gc


def main() -> None:
    """Run the command line; while modules are loaded nothing is garbage, and to look for it takes a fifth as long."""
    gc.disable()
    from scheduler.cli import main as run

    run()


if __name__ == "__main__":
    main()
