"""The map of the night sheet: every zone once, nothing covering another, scale and words true."""

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.document.reading import document_of
from scheduler.sheets.first_screen import shown_zones
from scheduler.sheets.night import night_sheet
from scheduler.sheets.site_map import WIDE, apart, site_map
from tests.drawn import examples
from tests.scheduler.sample_plan import sample_plan


def placed(zones=40, seed=3, outlines=False, units="metric", places=True):
    plan = sample_plan(units=units, zones=zones)
    rng = np.random.default_rng(seed)
    for n, zone in enumerate(plan["zones"]):
        at = rng.uniform(0, 600, 2).round(1).tolist()
        zone["position_m"] = at
        zone["place"] = f"hole {n % 9 + 1}" if places else ""
        if outlines:
            zone["outline_m"] = [[[at[0] + dx, at[1] + dy] for dx, dy in ((-12, -12), (12, -12), (12, 12), (-12, 12))]]
    return document_of(plan)


def drawn(document):
    return site_map(document, shown_zones(document))


def boxes(svg, kind):
    number = r"([-0-9.]+)"
    if kind == "square":
        found = re.findall(rf'<rect x="{number}" y="{number}" width="{number}" height="{number}" fill="url', svg)
        return np.array([[float(x), float(y), float(x) + float(w), float(y) + float(h)] for x, y, w, h in found])
    found = re.findall(rf'<text class="place" x="{number}" y="{number}" font-size="{number}">([^<]+)</text>', svg)
    return {t: (float(x), float(y), float(s)) for x, y, s, t in found if t != "N"}


@pytest.mark.parametrize("outlines", [False, True])
def test_every_zone_is_drawn_once_with_its_words(outlines):
    document = placed(outlines=outlines)
    for svg in (drawn(document)["wide"], drawn(document)["narrow"]):
        assert svg.count("<title>") == len(document.zones)
        for shown in shown_zones(document):
            assert f"<title>{shown.words}</title>" in svg
        assert ("<path d=" in svg) is outlines
        names = re.findall(r'id="([^"]+)"', svg)
        assert set(re.findall(r"url\(#([^)]+)\)", svg)) == set(names)  # every fill stands in the drawing


def test_squares_do_not_cover_each_other_nor_names_squares():
    svg = drawn(placed())["wide"]
    square = boxes(svg, "square")
    ends, starts = (
        np.minimum(square[:, None, 2:], square[None, :, 2:]),
        np.maximum(square[:, None, :2], square[None, :, :2]),
    )
    over = ends - starts > 0.11
    assert not (over.all(axis=2) & ~np.eye(len(square), dtype=bool)).any()
    names = boxes(svg, "name")
    assert set(names) == {str(n) for n in range(1, 10)}  # said below: numbers are holes
    for x, y, size in names.values():
        inside = (square[:, 0] < x) & (x < square[:, 2]) & (square[:, 1] < y - size / 3) & (y - size / 3 < square[:, 3])
        assert not inside.any()


@pytest.mark.parametrize(("units", "unit", "metres"), [("metric", "m", 1.0), ("us", "ft", 0.3048)])
def test_the_bar_is_as_long_as_it_says(units, unit, metres):
    document = placed(outlines=True, units=units)
    svg = drawn(document)["wide"]
    length = float(re.search(rf">([0-9,]+) {unit}</text>", svg)[1].replace(",", "")) * metres
    left, right = map(float, re.search(r'class="rule" d="M([0-9.]+) [^H]+H([0-9.]+)V', svg).groups())
    widths = [float(b) - float(a) for a, b in re.findall(r'<path d="M([0-9.]+) [0-9.]+L([0-9.]+) ', svg)]
    per_metre = widths[0] / 24.0  # each outline is 24 m wide
    assert (right - left) / length == pytest.approx(per_metre, rel=0.02)


def test_north_is_up():
    document = placed(zones=12, outlines=True)
    svg = str(drawn(document)["wide"])
    top = {}
    for shown in shown_zones(document):
        path = svg.split(f"<title>{shown.words}</title>")[1]
        top[shown.zone.position_m[1]] = float(re.search(r'd="M[0-9.]+ ([0-9.]+)', path)[1])
    north = sorted(top)
    assert [top[n] for n in north] == sorted(top.values(), reverse=True)


def test_without_places_the_grid_stays_and_zones_without_a_place_are_counted():
    plain = document_of(sample_plan(zones=12))
    assert drawn(plain) is None and '<svg class="map' not in night_sheet(plain)
    some = placed(zones=12)
    some = some.model_copy(update={"zones": (some.zones[0].model_copy(update={"position_m": None}), *some.zones[1:])})
    assert drawn(some)["missing"] == 1
    page = night_sheet(some)
    assert "1 of them not on the map" in page and '<table class="grid">' in page


def test_names_of_a_site_are_escaped():
    document = placed(zones=12)
    zone = document.zones[0].model_copy(update={"name": "<script>alert(1)</script>", "place": "<b>x</b>"})
    assert "<script>alert" not in drawn(document.model_copy(update={"zones": (zone, *document.zones[1:])}))["wide"]


@given(st.integers(1, 60), st.integers(0, 10**6))
@examples(30)
def test_squares_of_one_spot_part_within_the_drawing(count, seed):
    rng = np.random.default_rng(seed)
    at = rng.choice(rng.uniform(100, 700, (max(1, count // 4), 2)), count)
    moved = apart(at, 14.0, np.array([14.0, 14.0]), np.array([WIDE - 14.0, 600.0]))
    assert (moved >= 14).all() and (moved <= [WIDE - 14, 600]).all()
    assert np.array_equal(moved, apart(at, 14.0, np.array([14.0, 14.0]), np.array([WIDE - 14.0, 600.0])))
    gap = np.abs(moved[:, None] - moved[None]).max(axis=2) + 1e9 * np.eye(count)
    assert gap.min() > 13.0


def test_a_single_zone_and_zones_in_a_line_are_drawn():
    for places in ([(0.0, 0.0)], [(0.0, 0.0), (0.0, 0.0)], [(0.0, 0.0), (500.0, 0.0)], [(0.0, 0.0), (0.0, 9000.0)]):
        plan = sample_plan(zones=len(places) + 5)
        for zone, at in zip(plan["zones"], places, strict=False):
            zone["position_m"] = at
        svg = drawn(document_of(plan))["wide"]
        assert "nan" not in svg and svg.count("<title>") == len(places)
