"""Where each zone lies, in metres east and north of one point, for the map of the night sheet.

From outlines (`outlines.py`), else `latitude, longitude`, else `x, y` of zones.csv. Degrees become metres on a sphere
about the site's own latitude, which over a few kilometres is nearer than a pixel.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from scheduler.errors import counted, read_but
from scheduler.site.findings import Findings
from scheduler.site.outlines import FILE, Rings
from scheduler.site.settle import Settings
from scheduler.site.tables import Table

EARTH = 6_371_008.8  # [m] mean radius of the earth, WGS 84
FARTHEST = 100_000.0  # [m] of a zone from its site
FINENESS = 1 / 1500  # [-] of the site's width: bends of an outline smaller than this are not kept


@dataclass(frozen=True)
class Positions:
    """Zones on the ground: Z zones.

    east, north : ndarray (Z,)   Of the middle of each [m], NaN where not known.
    outline : tuple over zones of rings, each (P, 2) [m] east and north without the closing point; () where not known.
    """

    east: np.ndarray
    north: np.ndarray
    outline: tuple[Rings, ...]


def place_zones(
    table: Table, zone: np.ndarray, outlines: Mapping[str, Rings], settings: Settings, findings: Findings
) -> Positions:
    """Find where the zones lie.

    Parameters
    ----------
    table : Table                            zones.csv as read.
    zone : ndarray (Z,)                      Ids.
    outlines : mapping of id to rings        Longitude and latitude [deg], as `read_outlines` gives them.
    settings : Settings
    findings : Findings                      Receives every problem and note.
    """
    v = table.values
    for one, other in (("x", "y"), ("y", "x"), ("latitude", "longitude"), ("longitude", "latitude")):
        half = np.isnan(v[one]) & ~np.isnan(v[other])
        table.refuse(findings, one if one in table.present else other, half, lambda row, one=one, other=other: (
            f"{one} is empty and {other} is not; a place needs both"
        ))  # fmt: skip
    east, north = _metres(v["longitude"], v["latitude"], settings)
    _check_degrees(table, east, north, settings, findings)
    outline: list[Rings] = [()] * len(zone)
    for row, name in enumerate(zone.tolist()):
        if name in outlines:
            outline[row] = tuple(np.stack(_metres(r[:-1, 0], r[:-1, 1], settings), axis=1) for r in outlines[name])
            east[row], north[row] = inner_point(outline[row])
            if np.hypot(east[row], north[row]) > FARTHEST:
                words = f"{np.hypot(east[row], north[row]) / 1000:,.0f} km from the place of site.toml"
                findings.problem(
                    FILE, None, None, f'zone "{name}" lies {words}; up to {FARTHEST / 1000:g} km is allowed. GeoJSON '
                    "holds longitude before latitude, west of Greenwich negative",
                )  # fmt: skip
    plain = ~np.isnan(v["x"]) & ~np.isnan(v["y"])
    if np.isfinite(east).any():
        if (plain & np.isnan(east)).any():
            text = "x and y are not used beside latitude, longitude or outlines: a map needs one kind for all zones"
            findings.note("warning", table.file, text)
    elif plain.any():
        east, north = v["x"] - np.median(v["x"][plain]), v["y"] - np.median(v["y"][plain])
        far = np.hypot(east, north) > FARTHEST
        table.refuse(findings, "x", far, lambda row: read_but(
            f"{table.written('x', v['x'][row])}, {table.written('y', v['y'][row])}",
            f"x and y within {FARTHEST / 1000:g} km of the other zones are allowed",
        ))  # fmt: skip
    known = np.isfinite(east)
    every = [east[known], *(r[:, 0] for rings in outline for r in rings)]
    fine = FINENESS * float(np.ptp(np.concatenate(every))) if known.any() else 0.0
    return Positions(east, north, tuple(tuple(thinned(r, fine) for r in rings) for rings in outline))


def _metres(longitude: np.ndarray, latitude: np.ndarray, settings: Settings) -> tuple[np.ndarray, np.ndarray]:
    """Metres east and north of the site's own place."""
    turn = (longitude - settings.longitude + 180.0) % 360.0 - 180.0
    east = EARTH * np.cos(np.radians(settings.latitude)) * np.radians(turn)
    return east, EARTH * np.radians(latitude - settings.latitude)


def _check_degrees(table: Table, east: np.ndarray, north: np.ndarray, settings: Settings, findings: Findings) -> None:
    """Refuse zones that lie elsewhere than their site; where all do, in one line."""
    with np.errstate(invalid="ignore"):
        far = np.hypot(east, north) > FARTHEST
    if not far.any():
        return
    v, row = table.values, int(np.flatnonzero(far)[0])
    swapped = np.hypot(*_metres(v["latitude"][row], v["longitude"][row], settings)) <= FARTHEST
    turned = np.hypot(*_metres(-v["longitude"][row], v["latitude"][row], settings)) <= FARTHEST
    hint = "; latitude and longitude are swapped" if swapped else ""
    hint = "; west of Greenwich is negative: write -" if turned else hint
    hint += f"{abs(v['longitude'][row]):g}" if turned and v["longitude"][row] > 0 else ""
    if far.sum() == np.isfinite(east).sum() and far.sum() > 1:
        words = f"all {counted(int(far.sum()), 'zone')} lie"
        far = np.arange(len(far)) == row
    else:
        words = "this lies"
    table.refuse(findings, "latitude", far, lambda row: read_but(
        f"{v['latitude'][row]:g}, {v['longitude'][row]:g}",
        f"{words} {np.hypot(east[row], north[row]) / 1000:,.0f} km from the latitude and longitude of site.toml, "
        f"{settings.latitude:g}, {settings.longitude:g}; up to {FARTHEST / 1000:g} km is allowed{hint}",
    ))  # fmt: skip


def inner_point(rings: Rings) -> tuple[float, float]:
    """Give a point inside the largest ring: its centroid, or the middle of the widest part at the centroid's height.

    >>> inner_point((np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 2.0], [0.0, 2.0]]),))
    (2.0, 1.0)
    """
    ring = rings[0] if len(rings) == 1 else rings[int(np.argmax([abs(_area(r)) for r in rings]))]
    x, y, nx, ny, cross = _sides(ring)
    twice = cross.sum()
    if abs(twice) < 1e-9:
        cx, cy = x.mean(), y.mean()
    else:
        cx, cy = ((x + nx) * cross).sum() / (3 * twice), ((y + ny) * cross).sum() / (3 * twice)
    over = (y > cy) != (ny > cy)
    if over.any():
        with np.errstate(divide="ignore", invalid="ignore"):
            at = np.sort((x + (cy - y) / (ny - y) * (nx - x))[over])
        spans = at[: len(at) // 2 * 2].reshape(-1, 2)
        if not ((spans[:, 0] <= cx) & (cx <= spans[:, 1])).any():
            widest = spans[int(np.argmax(spans[:, 1] - spans[:, 0]))]
            cx = widest.mean()
    return float(cx + ring[0, 0]), float(cy + ring[0, 1])


def _area(ring: np.ndarray) -> float:
    """Signed area of a ring [m2]."""
    return float(0.5 * _sides(ring)[-1].sum())


def _sides(ring: np.ndarray) -> tuple[np.ndarray, ...]:
    """Corners of a ring from its first, x and y; the corners after them; twice the area each side spans [m, m2]."""
    x, y = (ring - ring[0]).T
    nx, ny = np.concatenate((x[1:], x[:1])), np.concatenate((y[1:], y[:1]))
    return x, y, nx, ny, x * ny - nx * y


def thinned(ring: np.ndarray, fine: float) -> np.ndarray:
    """Leave out points of a ring that lie nearer than `fine` [m] to the side without them (Douglas and Peucker, 1973).

    At least a triangle stays.
    """
    if len(ring) <= 4:
        return ring
    closed = np.append(ring, ring[:1], axis=0) @ np.array([1.0, 1.0j])  # east + i north
    far = int(np.abs(closed - closed[0]).argmax())
    keep = np.zeros(len(closed), dtype=bool)
    keep[[0, far, len(ring)]] = True
    waiting = [(0, far), (far, len(ring))]
    while waiting:
        a, b = waiting.pop()
        if b - a < 2:
            continue
        line, away = complex(closed[b] - closed[a]), closed[a + 1 : b] - closed[a]
        along = (away * line.conjugate()).real / max(abs(line) ** 2, 1e-12)
        off = np.abs(away - np.minimum(np.maximum(along, 0.0), 1.0) * line)
        worst = int(off.argmax())
        if off[worst] > fine:
            keep[a + 1 + worst] = True
            waiting += [(a, a + 1 + worst), (a + 1 + worst, b)]
    kept = ring[keep[:-1]]
    return kept if len(kept) >= 3 else ring[:: max(1, len(ring) // 4)]
