"""How much is drawn: a part by default, all of it with `pytest --sweeps`."""

from __future__ import annotations

from hypothesis import settings

WHOLE = False  # set from the command line before any test is read (tests/conftest.py)


def draws(whole: int, lean: int) -> int:
    """Number of draws of a test marked `drawn`: the lean one, or with `--sweeps` the whole."""
    return whole if WHOLE else lean


def examples(whole: int) -> settings:
    """Examples of a property: a quarter, but never under 10, or with `--sweeps` all."""
    return settings(max_examples=draws(whole, max(whole // 4, 10)), deadline=None)
