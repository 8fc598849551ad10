"""Where a place's clock stands, and words of the trade: turf and places as people write them."""

import pytest

from scheduler.site import time_zones
from scheduler.site.places import guess
from scheduler.site.trade_words import bare, turf_of


def test_the_nearest_town_s_clock_is_the_place_s(monkeypatch):
    # At 60 degrees of latitude a degree of longitude is half as far as one of latitude.
    towns = [(60.0, 10.0, "east"), (56.0, 0.0, "south"), (-60.0, 0.0, "far")]
    monkeypatch.setattr(time_zones, "_towns", lambda: towns)
    assert [time_zones.nearest_zone(60.0, x) for x in (1.7, 1.0, 2.3, 10.0)] == ["south", "south", "east", "east"]
    assert [time_zones.nearest_zone(y, 0.0) for y in (57.0, -1.0, -3.0)] == ["south", "south", "far"]
    towns.append((60.0, -179.0, "line"))
    assert time_zones.nearest_zone(60.0, 179.0) == "line"  # across the date line
    towns.clear()
    assert [time_zones.nearest_zone(40.0, x) for x in (-121.7, 8.0, 7.0, 0.0)] == [
        "Etc/GMT+8", "Etc/GMT-1", "UTC", "UTC",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("Bermuda", "bermudagrass"), ("Bent/Poa", "creeping_bentgrass:0.5|annual_bluegrass:0.5"),
        ("bent and poa", "creeping_bentgrass:0.5|annual_bluegrass:0.5"), ("Bent, Poa, Bermuda", "Bent, Poa, Bermuda"),
        ("a:0.5|b:0.5", "a:0.5|b:0.5"), ("tall fescue", "tall_fescue"), ("My own mix", "my_own_mix"), (" / ", " / "),
    ],
)  # fmt: skip
def test_turf_as_people_write_it(text, key):
    assert turf_of(text) == key


def test_words_are_compared_without_what_stands_between_them():
    assert bare("  Area_[m²] / Zone-No. 5 % ") == "area m2 zone no 5 percent"


@pytest.mark.parametrize(
    ("name", "zone", "place"),
    [
        ("Green 12", "G12", "hole 12"), ("hole 7 fairway", "F", "hole 7"), ("practice green", "PG", "practice"),
        ("landscape 4", "L4", ""), ("12 green", "G", "hole 12"), ("green", "G", ""), ("L4", "L4", ""), ("Pitch #3",
        "P3", "Pitch"),
        ("lawn 3", "X", "lawn 3"),
    ],
)  # fmt: skip
def test_the_place_of_a_zone_is_guessed_from_its_name(name, zone, place):
    assert guess(name, zone) == place
