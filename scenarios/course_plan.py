"""Where the zones of Dry Hills Course lie: an invented routing of 18 holes, drawn as one outline a zone."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd

SEED = 18
EARTH = 6_371_008.8  # [m] mean radius of the earth, WGS 84
# tee and green of each hole, in m east and north of the clubhouse
HOLES = (
    ((-70, 50), (-90, 410)), ((-80, 470), (-60, 830)), ((-120, 862), (-275, 845)), ((-320, 830), (-330, 480)),
    ((-420, 500), (-405, 850)), ((-500, 840), (-515, 470)), ((-560, 425), (-575, 275)), ((-540, 205), (-285, 402)),
    ((-305, 335), (-160, 60)), ((70, 75), (100, 440)), ((120, 505), (85, 905)), ((135, 940), (300, 915)),
    ((345, 900), (330, 500)), ((430, 520), (450, 905)), ((530, 890), (540, 490)), ((585, 440), (600, 285)),
    ((555, 215), (300, 415)), ((318, 345), (150, 70)),
)  # fmt: skip
FAIRWAY_WIDTH, FAIRWAY_FROM = 34.0, 68.0  # [m]; from the tee
ROUGH_WIDTH, ROUGH_GAP = 13.0, 6.0  # [m]; from the fairway's edge


class Hole:
    """The line of play: a bent path from tee to green."""

    def __init__(self, tee: tuple[float, float], green: tuple[float, float], rng: np.random.Generator) -> None:
        """Bend the path a little to one side."""
        a, b = np.array(tee, float), np.array(green, float)
        along = (b - a) / np.hypot(*(b - a))
        bend = (a + b) / 2 + np.array([-along[1], along[0]]) * rng.uniform(-0.09, 0.09) * np.hypot(*(b - a))
        t = np.linspace(0, 1, 60)[:, None]
        self.points = (1 - t) ** 2 * a + 2 * t * (1 - t) * bend + t**2 * b
        self.steps = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(self.points, axis=0).T))])
        self.length = self.steps[-1]

    def at(self, distance: float | np.ndarray, aside: float | np.ndarray = 0.0) -> np.ndarray:
        """Points some distance from the tee and some way to the left of the line [m], shape (..., 2)."""
        d = np.asarray(distance, float)
        x, y = (np.interp(d, self.steps, self.points[:, i]) for i in (0, 1))
        ahead = [np.interp(np.clip(d + 2, 0, self.length), self.steps, self.points[:, i]) for i in (0, 1)]
        back = [np.interp(np.clip(d - 2, 0, self.length), self.steps, self.points[:, i]) for i in (0, 1)]
        way = np.arctan2(ahead[1] - back[1], ahead[0] - back[0])
        return np.stack((x - aside * np.sin(way), y + aside * np.cos(way)), axis=-1)

    def strip(self, start: float, area: float, left: float, right: float, rng: np.random.Generator) -> np.ndarray:
        """Outline a strip between two distances aside of the line, as long as its area asks for."""
        d = np.linspace(start, start + area / (left - right), 7)
        wave = rng.normal(0, 0.7, (2, 7))
        return np.vstack([self.at(d, left + wave[0]), self.at(d, right + wave[1])[::-1]])


def blob(middle: np.ndarray, area: float, rng: np.random.Generator, long: float = 1.25) -> np.ndarray:
    """A rounded shape of a given area [m2]."""
    turn, phase = np.linspace(0, 2 * np.pi, 18, endpoint=False), rng.uniform(0, 2 * np.pi, 3)
    radius = np.sqrt(area / np.pi) * (1 + 0.10 * np.sin(2 * turn + phase[0]) + 0.06 * np.sin(3 * turn + phase[1]))
    shape = np.stack((radius * np.cos(turn) * np.sqrt(long), radius * np.sin(turn) / np.sqrt(long)), axis=1)
    c, s = np.cos(phase[2]), np.sin(phase[2])
    return middle + shape @ np.array([[c, s], [-s, c]])


def outlines(zones: pd.DataFrame) -> dict[str, np.ndarray]:
    """Outline of each zone in m east and north of the clubhouse, not closed."""
    rng = np.random.default_rng(SEED)
    holes = [Hole(tee, green, rng) for tee, green in HOLES]
    half, found, beds = FAIRWAY_WIDTH / 2, {}, 0
    for row in zones.itertuples():
        if row.hole == 0:
            angle = np.radians(200 + 32 * beds)
            around = np.array([62 * np.cos(angle), 34 * np.sin(angle) - 32])
            found[row.zone] = blob(np.array([0, 45]) if row.surface == "green" else around, row.area * 0.7, rng)
            beds += row.surface == "landscape"
            continue
        hole, part = holes[row.hole - 1], row.name.split(row.surface)[-1].strip()
        middle = FAIRWAY_FROM + row.area / FAIRWAY_WIDTH + 4
        if row.surface == "green":
            found[row.zone] = blob(hole.at(hole.length), row.area, rng)
        elif row.surface == "approach":
            found[row.zone] = blob(hole.at(hole.length - 36), row.area, rng, long=1.6)
        elif row.surface == "tee":
            found[row.zone] = blob(hole.at(0.0, 0.0 if not part else 27.0), row.area, rng, long=1.7)
        elif row.surface == "rough":
            side = -1 if not part else 1
            outer, inner = (half + ROUGH_GAP + ROUGH_WIDTH) * side, (half + ROUGH_GAP) * side
            start = 20.0 if hole.length < 200 else FAIRWAY_FROM + 20
            area = min(row.area, 100 * ROUGH_WIDTH) if hole.length < 200 else row.area
            found[row.zone] = hole.strip(start, area, max(outer, inner), min(outer, inner), rng)
        elif part == "tee end":
            found[row.zone] = hole.strip(FAIRWAY_FROM, row.area, half, -half, rng)
        elif part == "green end":
            found[row.zone] = hole.strip(middle + 2 * row.area / FAIRWAY_WIDTH + 4, row.area, half, -half, rng)
        else:
            left, right = (half, 1.0) if part == "left" else (-1.0, -half)
            found[row.zone] = hole.strip(middle, row.area, left, right, rng)
    return found


def write_geojson(zones: pd.DataFrame, latitude: float, longitude: float, path: Path) -> None:
    """Write zones.geojson: longitude and latitude to a decimetre."""
    features = []
    for zone, ring in outlines(zones).items():
        east, north = np.vstack([ring, ring[:1]]).T
        lon = longitude + np.degrees(east / (EARTH * np.cos(np.radians(latitude))))
        lat = latitude + np.degrees(north / EARTH)
        ring = [[x, y] for x, y in zip(lon.round(6).tolist(), lat.round(6).tolist(), strict=True)]
        geometry = {"type": "Polygon", "coordinates": [ring]}
        features.append(json.dumps({"type": "Feature", "properties": {"zone": zone}, "geometry": geometry}))
    body = ",\n".join(features)
    path.write_text(f'{{"type": "FeatureCollection", "features": [\n{body}\n]}}\n', encoding="utf-8")
