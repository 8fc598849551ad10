"""What is said of a curve that does not move, and of the day from which a surface is dry."""

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pytest

from scheduler.document.words import Going, give_way_words
from scheduler.whatif.compose import _first_served, _gives_way, sweep_numbers
from scheduler.whatif.measures import SurfaceOutcome
from scheduler.whatif.page import _against
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
        ((100.0, 100.0), (100.0, 99.0), 0, ""),  # a hundredth of a bill is no change
        ((100.0, 100.0), (100.0, 98.9), 0, ": the same water is used, and the bill changes"),
        ((1000.0, 995.0), (50.0, 80.0), 0, ""),  # half a percent of water is one
        ((1000.0, 995.1), (50.0, 80.0), 0, ": the same water is used, and the bill changes"),
    ],
)
def test_a_curve_on_which_nothing_gets_drier_says_why(waters, bills, dry, words):
    points = tuple(point(v, w, b, dry) for v, w, b in zip((1.0, 0.5), waters, bills, strict=True))
    numbers = sweep_numbers(SimpleNamespace(), Curve("allocation_factor", points, ()))
    assert numbers.words == [f"no surface gets drier between allocation factor 1 and 0.5{words}"]


@pytest.mark.parametrize(
    ("dry", "given", "said"),
    [
        ((4, 9, 30), {"green", "rough"}, "even on greens, which are served first: 4, at worst 4.0 mm"),
        ((0, 9, 3), {"approach", "rough"}, "on approaches, served before the others that give way: 9, at worst 9.0 mm"),
        ((0, 0, 30), {"rough"}, "there: 30, at worst 30.0 mm"),
    ],
)
def test_only_what_is_served_first_is_said_to_be(dry, given, said):
    ranks = zip(("green", "approach", "rough"), (1, 2, 3), dry, strict=True)
    surfaces = [replace(surface(days), surface=name, priority=rank) for name, rank, days in ranks]
    assert _first_served(surfaces, given, "metric") == f" Dry zone-days {said} short of water."
    assert _first_served(surfaces, set(), "metric") == ""  # dry without the case too


def test_the_day_a_surface_is_dry_from_is_that_of_the_night_sheet():
    # dry by the end of the date after the second night, Wednesday's: Thursday
    nights = (date(2026, 7, 14), date(2026, 7, 15))
    dry = np.array([[0.0, 2.0], [0.0, 0.0]])
    site = SimpleNamespace(zones=SimpleNamespace(surface=np.array(["green", "green"])), units="us")
    going = Going(dry=dry, too_hot=np.zeros(2, dtype=bool), short=(dry > 0).any(axis=1))
    assert give_way_words("green", going, nights, [], "us").startswith(
        "1 of 2 green zones drier than their limit from Thu Jul 16"
    )
    assert _gives_way(site, "green", nights[1], 1) == "green: 1 of 2 zones, from Thu Jul 16"


@pytest.mark.parametrize(
    ("value", "said"), [(100.4, "as now"), (99.6, "as now"), (100.6, "+1 %"), (85.0, "\u221215 %")]
)
def test_a_case_is_told_against_how_things_are_from_half_a_percent_on(value, said):
    assert _against(value, 100.0, "case", "first") == said
    assert _against(value, 100.0, "first", "first") == _against(value, 0.0, "case", "first") == ""
