"""The whole site as a map: zones where they lie, in the tints and with the marks of the grid.

One static drawing for a phone and one for a wide screen and paper; no tiles, nothing from outside. A zone with an
outline is filled; one without, or too small to see, is a square at its place, moved aside as far as squares would cover
each other. Names of places stand where no square and no other name is, or are left out: the grid below names all.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import numpy as np
from markupsafe import Markup, escape

from scheduler import edge
from scheduler.document.parts import PlanDocument
from scheduler.sheets.first_screen import Shown
from scheduler.sheets.names import natural_key

WIDE, NARROW = 880, 360  # of the two drawings, about pixels
TALLEST = {WIDE: 0.75, NARROW: 1.25}  # [-] of the width
MARGIN, FOOT = 14.0, 34.0  # around the zones, and below them for the scale and the arrow
LARGEST_SQUARE = {WIDE: 26.0, NARROW: 16.0}
SMALLEST_SQUARE = 4.0
NARROWEST_OUTLINE = 3.5  # an outline narrower than this is drawn as a square
LETTER = 0.58  # [-] width of a letter by its height, of the page's type
FILLED = 0.22  # [-] of the drawing that squares may take
ROUNDS = 400  # of moving squares apart
FEW = 300  # squares that are compared each with each
ASIDE = np.array([(0, 0), (0, -1), (0, 1), (1, 0), (-1, 0), (1, -1), (-1, -1), (1, 1), (-1, 1)])  # a name's ways out
COLOURS = {"wet": "#5f9fd6", "moist": "#b9d7ee", "middle": "#fafafa", "low": "#ffd9a0", "dry": "#e98a3a"}  # as the grid


def site_map(plan: PlanDocument, shown: Sequence[Shown]) -> dict[str, Any] | None:
    """Draw the map; None where no zone says where it lies.

    Returns
    -------
    dict or None
        `wide`, `narrow`: drawings;  `numbers`: what bare numbers on it are ("hole"), or "";  `missing`: zones without a
        place.
    """
    placed = [s for s in shown if s.zone.position_m is not None]
    if not placed:
        return None
    common = _common_word([s.zone.place for s in placed])
    return {
        "wide": _draw(plan, placed, WIDE, common),
        "narrow": _draw(plan, placed, NARROW, common),
        "numbers": common,
        "missing": len(shown) - len(placed),
    }


def _common_word(places: Sequence[str]) -> str:
    """Word before the number of most places, as "hole"; "" where there is none."""
    named = [p for p in dict.fromkeys(places) if p]
    found = [m[1] for p in named if (m := re.fullmatch(r"(\D+?) \d+[a-z]?", p))]
    word = max(set(found), key=found.count) if found else ""
    return word if word and found.count(word) * 2 > len(named) else ""


def _draw(plan: PlanDocument, placed: Sequence[Shown], width: int, common: str) -> Markup:
    """Draw the zones into one width."""
    at, rings, height, per_metre = _fitted(placed, width)
    room = (width - 2 * MARGIN) * (height - 2 * MARGIN - FOOT)
    side = float(np.clip(np.sqrt(FILLED * room / len(placed)), SMALLEST_SQUARE, LARGEST_SQUARE[width]))
    drawn = np.array([bool(r) and np.ptp(np.vstack(r), axis=0).min() >= NARROWEST_OUTLINE for r in rings])
    lay = np.flatnonzero(~drawn)
    at[lay] = apart(at[lay], side, np.array([side, side]), np.array([width - side, height - FOOT - side]))
    letters = max(6.0, min(0.72 * side, 12.0))
    kind = "wide" if width == WIDE else "narrow"
    parts = [_zone(s, rings[i] if drawn[i] else None, at[i], side, letters, kind) for i, s in _in_order(placed, drawn)]
    edges = _edges([ring for i in np.flatnonzero(drawn) for ring in rings[i]])
    taken = np.vstack([_marked_boxes(placed, at, drawn, side, letters), edges])
    parts += _labels(placed, at, taken, width, height - FOOT, common)
    parts += _scale(width, height, per_metre, plan.site.units)
    used = sorted({(s.now, s.then) for s in placed})
    fills = "".join(_fill(now, then, kind) for now, then in used)
    words = f"Map of {plan.site.name}, north up: {len(placed):,} zones. The table below says the same in words."
    return Markup(
        f'<svg class="map {kind}" viewBox="0 0 {width} {height:.0f}" role="img" aria-label="{escape(words)}">'
        f"<defs>{fills}</defs>{''.join(parts)}</svg>"
    )


def _fitted(placed: Sequence[Shown], width: int) -> tuple[np.ndarray, list[list[np.ndarray]], float, float]:
    """Bring metres into the drawing: middles (Z, 2), rings, height, and units of the drawing a metre."""
    middle = np.array([s.zone.position_m for s in placed], float)
    rings = [[np.array(r, float) for r in s.zone.outline_m] for s in placed]
    every = np.vstack([middle, *(r for own in rings for r in own)])
    low, high = every.min(axis=0), every.max(axis=0)
    span = np.maximum(high - low, 1.0)
    inner = width - 2 * MARGIN
    per_metre = float(min(inner / span[0], inner * TALLEST[width] / span[1]))
    height = max(span[1] * per_metre, inner * 0.3) + 2 * MARGIN + FOOT
    left = (width - span[0] * per_metre) / 2
    top = (height - FOOT - span[1] * per_metre) / 2

    def put(points: np.ndarray) -> np.ndarray:
        x, y = left + (points[:, 0] - low[0]) * per_metre, top + (high[1] - points[:, 1]) * per_metre
        return np.stack((x, y), axis=1)

    return put(middle), [[put(r) for r in own] for own in rings], height, per_metre


def apart(at: np.ndarray, side: float, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Move squares of one size aside until none covers another, or as far as `ROUNDS` rounds bring it.

    Parameters
    ----------
    at : ndarray (N, 2)          Middles.
    side : float                 Length of a side.
    low, high : ndarray (2,)     Middles stay between these.
    """
    turn = np.arange(len(at)) * 2.4  # squares of one place part in all directions, the same at every drawing
    out = np.clip(at + 0.01 * side * np.stack((np.cos(turn), np.sin(turn)), axis=1), low, high)
    wanted = side * 1.08
    for _ in range(ROUNDS):
        pairs = _near(out, wanted)
        if not len(pairs):
            break
        i, j = pairs[:, 0], pairs[:, 1]
        gap = out[j] - out[i]
        missing = wanted - np.abs(gap)
        sideways = missing[:, 0] <= missing[:, 1]  # the shorter way out
        push = np.zeros_like(gap)
        push[sideways, 0] = (np.where(gap[:, 0] < 0, -1.0, 1.0) * missing[:, 0])[sideways]
        push[~sideways, 1] = (np.where(gap[:, 1] < 0, -1.0, 1.0) * missing[:, 1])[~sideways]
        move, times = np.zeros_like(out), np.zeros(len(out))
        np.add.at(move, i, -push / 2)
        np.add.at(move, j, push / 2)
        np.add.at(times, np.concatenate((i, j)), 1.0)
        out = np.clip(out + move / np.maximum(np.sqrt(times), 1.0)[:, None], low, high)
    return out


def _near(at: np.ndarray, reach: float) -> np.ndarray:
    """Pairs of places no farther apart than so, (M, 2), in either direction."""
    if len(at) <= FEW:
        away = np.abs(at[:, None] - at[None, :]).max(axis=2)
        return np.argwhere(np.triu(away <= reach, 1))
    from scipy.spatial import cKDTree  # loaded only for a map of many zones

    found: np.ndarray = cKDTree(at).query_pairs(reach, p=np.inf, output_type="ndarray")
    return found


def _in_order(placed: Sequence[Shown], drawn: np.ndarray) -> list[tuple[int, Shown]]:
    """Outlines first, the large below the small, then squares."""
    size = [-len(s.zone.outline_m) and -np.ptp(np.vstack(s.zone.outline_m), axis=0).prod() for s in placed]
    return sorted(enumerate(placed), key=lambda pair: (not drawn[pair[0]], size[pair[0]] if drawn[pair[0]] else 0.0))


def _zone(s: Shown, rings: list[np.ndarray] | None, at: np.ndarray, side: float, letters: float, kind: str) -> str:
    """One zone: its shape, its mark, its words on demand."""
    fill = f"url(#{kind}-{s.now}-{s.then})"
    if rings is None:
        x, y = at - side / 2
        shape = f'<rect x="{x:.1f}" y="{y:.1f}" width="{side:.1f}" height="{side:.1f}" fill="{fill}"/>'
    else:
        path = "".join("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in r) + "Z" for r in rings)
        shape = f'<path d="{path}" fill-rule="evenodd" fill="{fill}"/>'
    mark = ""
    if s.mark:
        y = at[1] + 0.36 * letters
        mark = f'<text x="{at[0]:.1f}" y="{y:.1f}" font-size="{letters:.1f}">{escape(s.mark)}</text>'
    return f"<g><title>{escape(s.words)}</title>{shape}{mark}</g>"


def _fill(now: str, then: str, kind: str) -> str:
    """Left half now, right half tomorrow evening; what is too wet is striped, for eyes and printers without colour."""
    halves = ""
    for left, name in ((0.0, now), (0.5, then)):
        halves += f'<rect x="{left}" width=".5" height="1" fill="{COLOURS[name]}"/>'
        if name == "wet":
            halves += "".join(f'<rect x="{left}" y="{y}" width=".5" height=".1" fill="#fff"/>' for y in (0.2, 0.5, 0.8))
    name = f'id="{kind}-{now}-{then}"'
    return f'<pattern {name} width="1" height="1" patternContentUnits="objectBoundingBox">{halves}</pattern>'


def _marked_boxes(
    placed: Sequence[Shown], at: np.ndarray, drawn: np.ndarray, side: float, letters: float
) -> np.ndarray:
    """Boxes that no label may cover, shape (B, 4): squares, and marks on outlines."""
    boxes = []
    for i, s in enumerate(placed):
        half = side / 2 if not drawn[i] else 0.4 * letters * len(s.mark)
        if half:
            tall = half if not drawn[i] else 0.6 * letters
            boxes.append((at[i, 0] - half, at[i, 1] - tall, at[i, 0] + half, at[i, 1] + tall))
    return np.array(boxes, float).reshape(-1, 4)


def _edges(rings: Sequence[np.ndarray]) -> np.ndarray:
    """Boxes along the outlines of zones, shape (B, 4), which labels keep off too."""
    starts = np.vstack([np.zeros((0, 2)), *rings])
    ends = np.vstack([np.zeros((0, 2)), *(part for r in rings for part in (r[1:], r[:1]))])
    along = np.linspace(0, 1, 8)[:, None, None]
    points = (starts + along * (ends - starts)).reshape(-1, 2)
    return np.hstack([points - 0.5, points + 0.5])


def _labels(
    placed: Sequence[Shown], at: np.ndarray, taken: np.ndarray, width: int, height: float,
    common: str,
) -> list[str]:  # fmt: skip
    """Name the places, each once, where there is room."""
    size = 12.0 if width == WIDE else 11.0
    boxes, parts = [np.ascontiguousarray(taken.T), np.zeros((4, 0))], []
    names = np.array([s.zone.place for s in placed])
    for place in sorted(set(names.tolist()) - {""}, key=natural_key):
        own = at[names == place]
        text = place.removeprefix(f"{common} ") if common else place
        wide = LETTER * size * len(text)
        spots = [(x, y) for x, y in own] if len(own) > 1 else []
        spots = [tuple(own.mean(axis=0)), *spots]
        box = _free_spot(spots, wide, size, boxes, width, height)
        if box is None:
            continue
        boxes[1] = np.column_stack([boxes[1], box])
        parts.append(f'<text class="place" x="{(box[0] + box[2]) / 2:.1f}" y="{box[3] - 0.24 * size:.1f}" '
                     f'font-size="{size:g}">{escape(text)}</text>')  # fmt: skip
    return parts


def _free_spot(
    spots: Sequence[tuple[float, float]],
    wide: float,
    tall: float,
    boxes: Sequence[np.ndarray],
    width: int,
    height: float,
) -> np.ndarray | None:
    """Find a box for a label near one of some spots, clear of all boxes, each (4, B); None where all is taken."""
    at, half = np.array(spots, float), np.array([wide, tall]) / 2
    for reach in (0.0, 1.1, 1.7, 2.4):
        aside = ASIDE * (wide / 2 + reach * tall * 0.6, reach * tall) if reach else ASIDE[:1]
        middle = (at[:, None] + aside).reshape(-1, 2)
        box = np.hstack([middle - half, middle + half])
        box = box[(box[:, :2] >= 2).all(axis=1) & (box[:, 2] <= width - 2) & (box[:, 3] <= height)]
        if not len(box):
            continue
        low, high = box[:, :2].min(axis=0), box[:, 2:].max(axis=0)
        near = np.column_stack([
            b[:, (b[0] < high[0]) & (low[0] < b[2]) & (b[1] < high[1]) & (low[1] < b[3])] for b in boxes
        ])  # fmt: skip
        crossed = np.ones((len(box), near.shape[1]), dtype=bool)
        for k in (0, 1):
            crossed &= (near[k] < box[:, k + 2, None]) & (box[:, k, None] < near[k + 2])
        free = np.flatnonzero(~crossed.any(axis=1))
        if free.size:
            return box[free[0]]
    return None


def _scale(width: int, height: float, per_metre: float, units: str) -> list[str]:
    """A bar of a round length on the left, an arrow to the north on the right."""
    unit, per = ("ft", 0.3048) if units == "us" else ("m", 1.0)
    longest = 0.3 * (width - 2 * MARGIN) / per_metre / per
    power = 10.0 ** np.floor(np.log10(longest))
    length = float(max(m * power for m in (1, 2, 5) if m * power <= longest * (1 + 1e-9)))
    wide, y = length * per * per_metre, height - 10
    x = width - MARGIN - 8
    return [
        f'<path class="rule" d="M{MARGIN} {y - 5:.1f}V{y:.1f}H{MARGIN + wide:.1f}V{y - 5:.1f}"/>',
        f'<text class="place left" x="{MARGIN + 4}" y="{y - 6:.1f}" font-size="11">'
        f"{edge.format_count(round(length))} {unit}</text>",
        f'<path class="arrow" d="M{x:.1f} {y - 20:.1f}l5 18l-5 -5l-5 5z"/>',
        f'<text class="place" x="{x - 14:.1f}" y="{y - 2:.1f}" font-size="11">N</text>',
    ]
