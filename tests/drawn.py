"""How much is drawn: a part by default, all of it with `pytest --sweeps`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

from hypothesis import settings

Drawn = TypeVar("Drawn")

WHOLE = False  # set from the command line before any test is read (tests/conftest.py)


def draws(whole: int, lean: int) -> int:
    """Number of draws of a test marked `drawn`: the lean one, or with `--sweeps` the whole."""
    return whole if WHOLE else lean


def some(whole: Sequence[Drawn], lean: int) -> list[Drawn]:
    """Draws of a parametrised test marked `drawn`: so many, evenly spaced, or with `--sweeps` all."""
    return list(whole) if WHOLE else list(whole)[:: max(len(whole) // lean, 1)][:lean]


def examples(whole: int, least: int = 4) -> settings:
    """Examples of a property: a tenth, but never under `least`, or with `--sweeps` all."""
    return settings(max_examples=draws(whole, max(whole // 10, least)), deadline=None)
