"""zones.geojson: the outline of each zone, checked, as rings of longitude and latitude.

The file is a GeoJSON FeatureCollection (RFC 7946: WGS 84, longitude before latitude), one feature a zone with the
property `zone`, of the kind Polygon or MultiPolygon. Outlines are only drawn: no area or distance of a plan is taken
from them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from scheduler.errors import near_miss, read_but, shown
from scheduler.site.csv_text import read_bytes
from scheduler.site.findings import Findings

FILE = "zones.geojson"
ONLY_DRAWN = frozenset({"zones"})  # what is left out of an unattended evening when the file holds problems
LARGEST = 20_000_000  # bytes
MOST_POINTS = 200_000  # of all outlines
MOST_RINGS = 500  # of one zone
KINDS = ("Polygon", "MultiPolygon")

Rings = tuple[np.ndarray, ...]


class Wrong(ValueError):
    """What is wrong with one feature, in words."""


def read_outlines(folder: Path, zones: Sequence[str] | None, findings: Findings) -> dict[str, Rings]:
    """Read the outlines of a site folder.

    Parameters
    ----------
    folder : Path
    zones : sequence of str or None   Ids of zones.csv; None where they could not be read.
    findings : Findings               Receives every problem and note.

    Returns
    -------
    dict of str to tuple of ndarray (P, 2)
        Rings of (longitude, latitude) [deg] by zone, the last point of a ring the first again; empty where there is no
        file.
    """
    features = _features(folder, findings)
    found: dict[str, Rings] = {}
    first: dict[str, int] = {}
    points = 0
    for number, feature in enumerate(features, start=1):
        try:
            name = _zone(feature, zones)
            place = f'feature {number}, zone "{shown(name)}"'
        except Wrong as reason:
            findings.problem(FILE, None, None, f"feature {number}: {reason}")
            continue
        try:
            if name in first:
                raise Wrong(
                    f"feature {first[name]} outlines this zone already; one feature a zone is allowed, a MultiPolygon "
                    "where it lies in several pieces"
                )
            first[name] = number
            rings = tuple(_rings(feature.get("geometry")))
        except Wrong as reason:
            findings.problem(FILE, None, None, f"{place}: {reason}")
            continue
        found[name] = rings
        points += sum(len(r) for r in rings)
        if points > MOST_POINTS:
            findings.problem(
                FILE, None, None, f"{place}: up to here there are {points:,} points; up to {MOST_POINTS:,} are "
                "allowed: simplify the outlines before you save them",
            )  # fmt: skip
            return {}
    missing = [z for z in zones or () if z not in first]
    if found and missing:
        findings.note("info", FILE, f"no outline of {len(missing):,} of {len(zones or ()):,} zones")
    return found


def _features(folder: Path, findings: Findings) -> list[Any]:
    """Give the features of the file; none, with the problem noted, where it is no FeatureCollection."""
    path = folder / FILE
    if path.is_file() and path.stat().st_size > LARGEST:
        size = f"the file has {path.stat().st_size:,} bytes; up to {LARGEST:,} are allowed"
        findings.problem(FILE, None, None, f"{size}: simplify the outlines before you save them")
        return []
    data = read_bytes(path, FILE, findings, indispensable=False)
    if data is None:
        return []
    try:
        whole = json.loads(data)
    except json.JSONDecodeError as reason:
        words = f"this is not JSON: {reason.msg} at character {reason.colno}; export the layer as GeoJSON again"
        findings.problem(FILE, reason.lineno, None, words)
        return []
    except RecursionError:
        findings.problem(FILE, None, None, "brackets are nested too deep; a GeoJSON FeatureCollection is allowed")
        return []
    kind = whole.get("type") if isinstance(whole, dict) else type(whole).__name__
    features = whole.get("features") if isinstance(whole, dict) else None
    if kind != "FeatureCollection" or not isinstance(features, list):
        findings.problem(
            FILE, None, None, read_but(kind, 'a GeoJSON "FeatureCollection" with its "features" is allowed')
        )
        return []
    return features


def _zone(feature: Any, zones: Sequence[str] | None) -> str:
    """Give the zone a feature outlines."""
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        raise Wrong('an object of "type": "Feature" is allowed')
    properties = feature.get("properties")
    if not isinstance(properties, dict) or not isinstance(properties.get("zone"), (str, int)):
        had = ", ".join(shown(k) for k in properties) if isinstance(properties, dict) and properties else "none"
        raise Wrong(f'its properties lack "zone", the id of zones.csv it outlines; it has {had}')
    name = str(properties["zone"]).strip()
    if zones is not None and name not in zones:
        raise Wrong(read_but(name, f'a zone of zones.csv is allowed as "zone"{near_miss(name, list(zones))}'))
    return name


def _rings(geometry: Any) -> Iterator[np.ndarray]:
    """Give the rings of a geometry, outer ones and holes alike."""
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    if kind not in KINDS:
        raise Wrong(
            read_but("nothing" if geometry is None else kind, "a Polygon or MultiPolygon is allowed; a zone that is "
                     "only a point goes into zones.csv by its latitude and longitude")
        )  # fmt: skip
    pieces = geometry.get("coordinates")
    pieces = [pieces] if kind == "Polygon" else pieces
    if not isinstance(pieces, list) or not all(isinstance(p, list) and p for p in pieces) or not pieces:
        raise Wrong('its "coordinates" hold no ring; lists of [longitude, latitude] are needed')
    if sum(len(p) for p in pieces) > MOST_RINGS:
        raise Wrong(f"it has {sum(len(p) for p in pieces):,} rings; up to {MOST_RINGS} are allowed")
    number = 0
    for piece in pieces:
        for ring in piece:
            number += 1
            yield _ring(ring, number)


def _ring(ring: Any, number: int) -> np.ndarray:
    """Check one ring."""
    if not isinstance(ring, list) or len(ring) < 4:
        count = len(ring) if isinstance(ring, list) else 0
        raise Wrong(f"ring {number} has {count} points; 4 or more are needed, the last the same as the first")
    try:
        points = np.array([[float(x) for x in p[:2]] for p in ring if not isinstance(p, str)], dtype=float)
    except (TypeError, ValueError, OverflowError):
        points = np.zeros(0)
    if points.shape != (len(ring), 2) or not {bool, str}.isdisjoint({type(x) for p in ring for x in p[:2]}):
        raise Wrong(f"ring {number} holds something that is no [longitude, latitude] in numbers")
    outside = ~((np.abs(points[:, 0]) <= 180) & (np.abs(points[:, 1]) <= 90))
    if outside.any():
        i = int(np.flatnonzero(outside)[0])
        read = f"{points[i, 0]:.10g}, {points[i, 1]:.10g}"
        raise Wrong(
            f"ring {number}, point {i + 1}: "
            + read_but(read, "longitude from -180 to 180, then latitude from -90 to 90, is allowed: export the layer "
                       "in WGS 84 (EPSG:4326)")
        )  # fmt: skip
    if (points[0] != points[-1]).any():
        raise Wrong(f"ring {number} is not closed; its last point must be the same as its first")
    if np.ptp(points, axis=0).min() == 0:
        raise Wrong(f"ring {number} has no area: all its points lie on one line")
    return points
