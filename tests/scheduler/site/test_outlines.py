"""Where zones lie: outlines of zones.geojson, degrees, metres; and every way to get them wrong."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.errors import InputProblems
from scheduler.site import load_site, outlines
from scheduler.site.positions import inner_point, thinned
from tests.drawn import examples
from tests.scheduler.site_folders import TOML, lines, site, write

SQUARE = [[-121.9, 36.6], [-121.899, 36.6], [-121.899, 36.601], [-121.9, 36.601], [-121.9, 36.6]]


def feature(zone="G1", ring=SQUARE, kind="Polygon", **changes):
    coordinates = [ring] if kind == "Polygon" else [[ring]]
    made = {"type": "Feature", "properties": {"zone": zone}, "geometry": {"type": kind, "coordinates": coordinates}}
    return made | changes


def put(folder, *features, whole=None):
    write(folder)
    text = json.dumps({"type": "FeatureCollection", "features": list(features)}) if whole is None else whole
    (folder / "zones.geojson").write_text(text, encoding="utf-8")
    return folder


def faults(folder):
    with pytest.raises(InputProblems) as found:
        load_site(folder)
    return [str(p) for p in found.value.problems]


@pytest.mark.parametrize("kind", ["Polygon", "MultiPolygon"])
def test_an_outline_becomes_metres_about_the_site(tmp_path, kind):
    zones = load_site(put(tmp_path, feature(kind=kind))).zones
    # WGS 84 at 36.6 N (Snyder 1987, USGS Professional Paper 1395, table 3 for 35 and 40 N, read off between them):
    # a degree of latitude is 111.0 km, of longitude 89.5 km; the sphere used is within 0.3 %
    (ring,) = zones.outline[0]
    assert len(ring) == 4 and np.ptp(ring, axis=0) == pytest.approx([89.5, 111.0], rel=0.003)
    assert (zones.east[0], zones.north[0]) == pytest.approx((44.7, 55.6), rel=0.01)
    assert np.isnan(zones.east[1]) and zones.outline[1] == ()


MISTAKES = {
    "a zone that is not there": (feature("G7"), 'feature 1: read "G7"; a zone of zones.csv is allowed as "zone"'),
    "a near miss": (feature("g1"), 'did you mean "G1"?'),
    "no zone named": (feature(properties={"name": "Green"}), 'its properties lack "zone"'),
    "an open ring": (feature(ring=SQUARE[:-1]), 'zone "G1": ring 1 is not closed'),
    "a point": (feature(geometry={"type": "Point", "coordinates": [1, 2]}), 'read "Point"; a Polygon or MultiPolygon'),
    "a line": (feature(geometry={"type": "LineString", "coordinates": SQUARE}), 'read "LineString"'),
    "no geometry": (feature(geometry=None), 'read "nothing"; a Polygon'),
    "no coordinates": (feature(geometry={"type": "Polygon", "coordinates": []}), "hold no ring"),
    "too few points": (feature(ring=[SQUARE[0], SQUARE[1], SQUARE[0]]), "ring 1 has 3 points; 4 or more"),
    "words for numbers": (feature(ring=[["a", "b"], *SQUARE[1:]]), "no [longitude, latitude] in numbers"),
    "numbers as words": (feature(ring=[["-121.9", "36.6"], *SQUARE[1:]]), "no [longitude, latitude] in numbers"),
    "metres of a projection": (feature(ring=[[600000, 4050000]] * 4), "export the layer in WGS 84"),
    "latitude first": (feature(ring=[[y, -x] for x, y in SQUARE]), "longitude from -180 to 180, then latitude"),
    "a flat ring": (feature(ring=[SQUARE[0], SQUARE[1], SQUARE[0], SQUARE[0]]), "has no area"),
    "elsewhere": (feature(ring=[[-x, y] for x, y in SQUARE]), "km from the place of site.toml"),
    "a feature that is none": ({"type": "Polygon"}, '"type": "Feature" is allowed'),
}


@pytest.mark.parametrize("what", MISTAKES)
def test_an_outline_that_cannot_be_used_is_told_once_with_file_and_place(tmp_path, what):
    wrong, words = MISTAKES[what]
    if what == "latitude first":
        wrong["geometry"]["coordinates"] = [[[36.6, -121.9], [36.6, -121.8], [36.7, -121.8], [36.6, -121.9]]]
    (told,) = faults(put(tmp_path, wrong))
    assert told.startswith("zones.geojson: ") and words in told


def test_a_zone_stands_once_and_files_that_are_no_collection_are_told(tmp_path):
    (told,) = faults(put(tmp_path / "a", feature(), feature()))
    assert 'feature 2, zone "G1": feature 1 outlines this zone already' in told
    (told,) = faults(put(tmp_path / "b", whole='{"type": "Feature"}'))
    assert 'read "Feature"; a GeoJSON "FeatureCollection"' in told
    (told,) = faults(put(tmp_path / "c", whole='{"type":\n "FeatureCollection",, }'))
    assert told.startswith("zones.geojson, line 2: this is not JSON")
    (told,) = faults(put(tmp_path / "d", whole=""))
    assert "a FeatureCollection is needed, or no file" in told
    (told,) = faults(put(tmp_path / "e", whole="[" * 100_000))
    assert "nested too deep" in told
    (told,) = faults(put(tmp_path / "f", feature(ring=[[float("nan"), 1.0], *SQUARE[1:]])))
    assert "longitude from -180 to 180" in told


def test_sizes_are_limited(tmp_path, monkeypatch):
    turn = np.linspace(0, 2 * np.pi, 400)
    circle = np.stack((-121.9 + 0.001 * np.cos(turn), 36.6 + 0.001 * np.sin(turn)), axis=1)
    circle[-1] = circle[0]
    folder = put(tmp_path, feature(ring=circle.tolist()), feature("F1"))
    assert len(load_site(folder).zones.outline[0][0]) < 120  # bends nobody sees are not kept
    monkeypatch.setattr(outlines, "MOST_POINTS", 100)
    (told,) = faults(folder)
    assert 'feature 1, zone "G1": up to here there are 400 points; up to 100 are allowed: simplify' in told
    monkeypatch.setattr(outlines, "LARGEST", 1000)
    (told,) = faults(folder)
    assert "bytes; up to 1,000 are allowed: simplify" in told


POSITIONS = "zone,surface,area,flow,{}\nG1,green,450,1.5,{}\nF1,fairway,2000,6,{}\n"


@pytest.mark.parametrize(
    ("columns", "first", "second", "words"),
    [
        ("latitude,longitude", "36.6,121.9", "36.61,121.9", "all 2 zones lie"),
        ("latitude,longitude", "36.6,121.9", "36.61,121.9", "west of Greenwich is negative: write -121.9"),
        ("latitude,longitude", "36.6,-121.9", "35.1,-121.9", 'column "latitude": read "35.1, -121.9"; this lies'),
        ("latitude,longitude", "-81.9,36.6", "-81.9,36.61", "latitude and longitude are swapped"),
        ("latitude,longitude", "36.6,", "36.61,-121.9", "longitude is empty and latitude is not; a place needs both"),
        ("x,y", "0,", "10,10", "y is empty and x is not"),
        ("x,y", "0,0", "900000,10", "x and y within 100 km"),
    ],
)
def test_a_place_that_cannot_be_is_told(tmp_path, columns, first, second, words):
    toml = TOML.replace("-121.9", "-81.9") if "swapped" in words else TOML
    told = lines(tmp_path, toml, POSITIONS.format(columns, first, second))
    assert words in told[0] and len(told) <= 2


def test_metres_take_their_unit_and_are_put_about_their_middle(tmp_path):
    zones = site(tmp_path, TOML, POSITIONS.format("x [ft],y [ft]", "0,0", "1000,2000")).zones
    assert np.diff(zones.east) == pytest.approx([304.8]) and np.diff(zones.north) == pytest.approx([609.6])


def test_an_unattended_evening_does_without_outlines_that_hold_problems(tmp_path):
    folder = put(tmp_path, feature("G7"))
    read = load_site(folder, frozenset({"zones"}))
    assert read.zones.outline == ((), ()) and read.left_out == frozenset()
    assert any("the map does without outlines" in n.text for n in read.notes)


@given(st.integers(3, 40), st.integers(0, 10**6))
@examples(60)
def test_the_inner_point_lies_inside_and_thinning_stays_near(corners, seed):
    rng = np.random.default_rng(seed)
    turn = np.sort(rng.uniform(0, 2 * np.pi, corners))
    ring = (rng.uniform(5, 100, corners) * np.stack((np.cos(turn), np.sin(turn)))).T  # a star about the origin
    x, y = inner_point((ring,))
    over = (ring[:, 1] > y) != (np.roll(ring[:, 1], -1) > y)
    if over.any():
        a, b = ring[over], np.roll(ring, -1, axis=0)[over]
        crossings = a[:, 0] + (y - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0])
        assert (crossings >= x - 1e-6).sum() % 2 == 1 or np.isclose(crossings, x).any()
    kept = thinned(ring, 2.0)
    assert 3 <= len(kept) <= len(ring)
    ends = np.roll(kept, -1, axis=0) - kept
    for point in ring:  # every point left out lies within the fineness of some side
        along = np.clip(((point - kept) * ends).sum(axis=1) / np.maximum((ends**2).sum(axis=1), 1e-12), 0, 1)
        assert np.hypot(*(kept + along[:, None] * ends - point).T).min() <= 2.0 + 1e-6 or len(ring) <= 4


@pytest.mark.parametrize(
    ("key", "spoiled"),
    [("latitude", "latitude = 134.6"), ("longitude", 'longitude = "west"'), ("time_zone", "time_zone = 5")],
)
def test_a_fault_of_site_toml_is_not_told_again_for_every_zone(tmp_path, key, spoiled):
    folder = put(tmp_path, feature())
    written = (folder / "site.toml").read_text(encoding="utf-8").splitlines()
    kept = [spoiled if line.split("=")[0].strip() == key else line for line in written]
    assert kept != written
    (folder / "site.toml").write_text("\n".join(kept), encoding="utf-8")
    (told,) = faults(folder)
    assert key in told
