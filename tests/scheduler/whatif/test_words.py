"""What is said of a curve that does not move."""

from types import SimpleNamespace

import pytest

from scheduler.whatif.compose import sweep_numbers
from scheduler.whatif.measures import SurfaceOutcome
from scheduler.whatif.sweep import Curve, Point


def surface(dry: int) -> SurfaceOutcome:
    return SurfaceOutcome("green", 1, 4, 100.0, 20.0, dry, float(dry), float(dry), None, 0, 0.0, 0.0, None, None, 0)


def point(value: float, water: float, bill: float, dry: int) -> Point:
    return Point(value, water, bill, (surface(dry),), None, None)


@pytest.mark.parametrize(
    ("waters", "bills", "dry", "words"),
    [
        ((100.0, 100.0), (50.0, 80.0), 0, ": the same water is used, and the bill changes"),
        ((100.0, 100.0), (50.0, 50.0), 3, ": another limit holds first"),
        ((100.0, 100.0), (50.0, 50.0), 0, ""),
        ((100.0, 90.0), (50.0, 45.0), 0, ""),
    ],
)
def test_a_curve_on_which_nothing_gets_drier_says_why(waters, bills, dry, words):
    points = tuple(point(v, w, b, dry) for v, w, b in zip((1.0, 0.5), waters, bills, strict=True))
    numbers = sweep_numbers(SimpleNamespace(), Curve("allocation_factor", points, ()))
    assert numbers.words == [f"no surface gets drier between allocation factor 1 and 0.5{words}"]
