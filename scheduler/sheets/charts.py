"""Drawings of the sheets as inline SVG: no scripts, no outside files, readable in black and white.

Shapes carry the meaning (solid line, dashed line, hatching); colour only helps. Every drawing has a text alternative.
All text that comes from a site passes through `markupsafe.escape`. Sizes are in units of the drawing, about one pixel
on a phone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape

WIDTH = 360
INK, WATER, ALERT, QUIET, BAND = "var(--ink)", "var(--water)", "var(--alert)", "var(--quiet)", "var(--band)"
PAPER, SHUT, RULE = "var(--paper)", "var(--shut)", "var(--rule)"  # colours of the page, light or dark
SHOWN_BEYOND = 0.4  # [-] how far beyond the band a moisture chart reaches, as a share of the band's width


@dataclass(frozen=True)
class FlowChart:
    """One pump's night.

    Attributes
    ----------
    pump : str                      Name.
    minutes, flow : ndarray (T,)    Minutes after 00:00 of the evening's date [min]; flow from then on [L/s].
    end : float                     When the last value ends [min].
    capacity : float or None        Largest flow [L/s].
    open_pieces : sequence of (float, float)    Hours in which water may run [min].
    ticks : sequence of (float, str)            Marks of the time axis [min] with their text.
    levels : sequence of (float, str)           Marks of the flow axis [L/s] with their text.
    capacity_text : str             Label of the capacity line.
    smallest : float or None        Smallest flow to run at [L/s], drawn where the night falls below it.
    smallest_text : str             Label of its line.
    alt : str                       The drawing in one sentence.
    """

    pump: str
    minutes: np.ndarray
    flow: np.ndarray
    end: float
    capacity: float | None
    open_pieces: Sequence[tuple[float, float]]
    ticks: Sequence[tuple[float, str]]
    levels: Sequence[tuple[float, str]]
    capacity_text: str
    alt: str
    smallest: float | None = None
    smallest_text: str = ""


@dataclass(frozen=True)
class BandChart:
    """Where the zones of one surface stand in their moisture bands, now and over the coming nights.

    Attributes
    ----------
    low, middle, high, driest : ndarray (N + 1,)
        Place in the band [-]: 0 at the wet limit, 1 at the dry limit. 10 % of the zones are wetter than `low`, half are
        wetter than `middle`, 10 % are drier than `high`.
    labels : sequence of str        N + 1 marks of the time axis.
    wet_text, dry_text : str        Labels of the two limits.
    alt : str                       The drawing in one sentence.
    """

    low: np.ndarray
    middle: np.ndarray
    high: np.ndarray
    driest: np.ndarray
    labels: Sequence[str]
    wet_text: str
    dry_text: str
    alt: str


def flow_chart(chart: FlowChart) -> Markup:
    """Draw one pump's flow over the night against its capacity."""
    height, left, right, top, bottom = 150, 42, 352, 20, 126
    first = min([*(a for a, _ in chart.open_pieces), *chart.minutes[:1].tolist(), chart.end])
    last = max([*(b for _, b in chart.open_pieces), chart.end])
    most = max([chart.capacity or 0.0, float(chart.flow.max(initial=0.0)), 1e-9]) * 1.08

    def x(minute: float) -> float:
        return float(left + (right - left) * (minute - first) / max(last - first, 1.0))

    def y(flow: float) -> float:
        return bottom - (bottom - top) * flow / most

    parts = [_rect(left, top, right - left, bottom - top, SHUT)]
    parts += [_rect(x(a), top, x(b) - x(a), bottom - top, PAPER) for a, b in chart.open_pieces]
    for level, _ in chart.levels:
        parts.append(_line(left, y(level), right, y(level), RULE, 1))
    points = [f"M{x(float(chart.minutes[0])):.1f} {bottom}"] if chart.minutes.size else []
    for minute, flow in zip(chart.minutes.tolist(), chart.flow.tolist(), strict=True):
        points.append(f"H{x(minute):.1f}V{y(flow):.1f}")
    if points:
        path = "".join(points) + f"H{x(chart.end):.1f}V{bottom}"
        parts.append(f'<path d="{path}" fill="{WATER}" fill-opacity=".3" stroke="{WATER}" stroke-width="1.2"/>')
    for level, text in chart.levels:  # beside the drawing, the unit once above
        number = text.partition(" ")[0]
        parts.append(_text(left - 4, y(level) + 4, number, QUIET, "end"))
    if chart.levels:
        parts.append(_text(2, 12, chart.levels[0][1].partition(" ")[2], QUIET))
    if chart.capacity is not None:
        parts.append(_line(left, y(chart.capacity), right, y(chart.capacity), ALERT, 1.6, "7 4"))
        parts.append(_text(right, y(chart.capacity) - 4, chart.capacity_text, ALERT, "end"))
    if chart.smallest is not None:
        parts.append(_line(left, y(chart.smallest), right, y(chart.smallest), ALERT, 1.2, "2 3"))
        parts.append(_text(right, y(chart.smallest) + 11, chart.smallest_text, ALERT, "end"))
    parts.append(_line(left, bottom, right, bottom, INK, 1))
    for minute, text in chart.ticks:
        if first <= minute <= last:
            parts.append(_line(x(minute), bottom, x(minute), bottom + 4, INK, 1))
            anchor = "start" if x(minute) < left + 14 else "end" if x(minute) > right - 14 else "middle"
            parts.append(_text(x(minute), bottom + 16, text, INK, anchor))
    return _svg(WIDTH, height, parts, chart.alt)


def band_chart(chart: BandChart) -> Markup:
    """Draw the forecast of one surface inside its moisture band."""
    height, left, right, top, bottom = 168, 8, 352, 6, 144
    count = len(chart.labels)
    xs = np.linspace(left + 14, right - 16, count) if count > 1 else np.array([(left + right) / 2])

    def y(place: np.ndarray | float) -> np.ndarray:
        inside = np.clip(place, -SHOWN_BEYOND, 1 + SHOWN_BEYOND)
        return top + (bottom - top) * (inside + SHOWN_BEYOND) / (1 + 2 * SHOWN_BEYOND)

    wet, dry = float(y(0.0)), float(y(1.0))
    parts = [
        _rect(left, wet, right - left, dry - wet, BAND),
        _line(left, wet, right, wet, WATER, 1.4),
        _line(left, dry, right, dry, ALERT, 1.4),
        _text(left + 2, wet - 5, chart.wet_text, WATER),
        _text(left + 2, dry + 13, chart.dry_text, ALERT),
    ]
    edge = [*zip(xs, y(chart.low), strict=True), *zip(xs[::-1], y(chart.high)[::-1], strict=True)]
    parts.append(f'<polygon points="{_points(edge)}" fill="{INK}" fill-opacity=".22"/>')
    parts.append(
        f'<polyline points="{_points(zip(xs, y(chart.driest), strict=True))}" fill="none" '
        f'stroke="{ALERT}" stroke-width="1.6" stroke-dasharray="2 3"/>'
    )
    parts.append(
        f'<polyline points="{_points(zip(xs, y(chart.middle), strict=True))}" fill="none" '
        f'stroke="{INK}" stroke-width="2.2"/>'
    )
    step = max(1, -(-count // 8))
    for i in range(count):
        parts.append(f'<circle cx="{xs[i]:.1f}" cy="{float(y(chart.middle)[i]):.1f}" r="2.6" fill="{INK}"/>')
        if i % step == 0:
            parts.append(_text(xs[i], bottom + 18, chart.labels[i], INK, "middle"))
    return _svg(WIDTH, height, parts, chart.alt)


@dataclass(frozen=True)
class CourseChart:
    """One zone's moisture, water and rain by date; T dates, NaN where not known.

    Attributes
    ----------
    read, estimate, spread, planned : ndarray (T,)   Depletion by probes, as estimated, its spread, as planned [mm].
    water, rain : ndarray (T,)      Irrigation and rain [mm].
    tonight : int                   Which date is tonight.
    wet, dry : float                Limits of the band tonight [mm].
    marks : sequence of (int, str)  Marks of the time axis.
    most_text : str                 What the height of the bars means.
    alt : str                       The drawing in one sentence.
    """

    read: np.ndarray
    estimate: np.ndarray
    spread: np.ndarray
    planned: np.ndarray
    water: np.ndarray
    rain: np.ndarray
    tonight: int
    wet: float
    dry: float
    marks: Sequence[tuple[int, str]]
    most_text: str
    alt: str


def course_chart(chart: CourseChart) -> Markup:
    """Draw a zone's course: moisture against its band above, water and rain below."""
    height, left, right, top, bottom, floor = 178, 8.0, 352.0, 14.0, 108.0, 158.0
    moisture = np.stack(
        (chart.read, chart.estimate, chart.estimate - chart.spread, chart.estimate + chart.spread, chart.planned)
    )
    lines = moisture[[0, 1, 4]].ravel()
    least, most = float(np.fmin.reduce(lines, initial=0.0)), float(np.fmax.reduce(lines, initial=chart.dry * 1.15))
    step = (right - left) / chart.planned.size
    xs = (left + step * (np.arange(chart.planned.size) + 0.5)).tolist()

    def y(depletion: np.ndarray | float) -> np.ndarray:
        return np.asarray(top + (bottom - top) * (depletion - least) / max(most - least, 1e-6))

    read, estimate, wetter, drier, planned = ([*zip(xs, row, strict=True)] for row in y(moisture).tolist())
    wet, dry, now = float(y(chart.wet)), float(y(chart.dry)), xs[chart.tonight]
    parts = [
        _rect(left, wet, right - left, dry - wet, BAND),
        _line(left, wet, right, wet, WATER, 1.2),
        _line(left, dry, right, dry, ALERT, 1.2),
        _line(now, top, now, floor, QUIET, 1, "2 3"),
    ]
    sure = [*_known(wetter), *reversed(_known(drier))]
    if len(sure) > 2:
        parts.append(f'<polygon points="{_points(sure)}" fill="{INK}" fill-opacity=".2"/>')
    elif len(sure) == 2:  # the first evening: a bar, for an area needs two
        (a, low), (_, high) = sure
        parts.append(f'<path d="M{a - 4:.1f} {low:.1f}h8m-4 0V{high:.1f}m-4 0h8" fill="none" stroke="{INK}"/>')
    for line, dashed in ((estimate, ""), (planned, ' stroke-dasharray="5 3"')):
        parts.append(
            f'<polyline points="{_points(_known(line))}" fill="none" stroke="{INK}" stroke-width="1.8"{dashed}/>'
        )
    dots = "".join(f"M{a:.1f} {b:.1f}h0" for a, b in _known(read))
    parts.append(f'<path d="{dots}" stroke="{INK}" stroke-width="5.2" stroke-linecap="round"/>' if dots else "")
    room = floor - bottom - 14.0
    parts += _water_bars(chart, xs, floor, room, step * 0.4)
    parts.append(_line(left, floor, right, floor, INK, 1))
    parts.append(_text(left, floor - room - 2, f"highest {chart.most_text}", QUIET))
    parts.append(_text(left, top - 3, "full", QUIET))
    for i, text in chart.marks:
        anchor = "start" if xs[i] < left + 24 else "end" if xs[i] > right - 24 else "middle"
        parts.append(_text(xs[i], floor + 15, text, INK, anchor))
    return _svg(WIDTH, height, parts, chart.alt)


def _water_bars(chart: CourseChart, xs: list[float], floor: float, room: float, wide: float) -> list[str]:
    """Irrigation as filled bars and rain as open ones beside them, the tallest as high as there is room."""
    tallest = max(float(np.fmax.reduce(depth, initial=1.0)) for depth in (chart.water, chart.rain))
    parts = []
    for depth, shift, paint in (
        (chart.water, 0.0, f'fill="{WATER}"'),
        (chart.rain, -wide, f'fill="none" stroke="{WATER}" stroke-width="1.2"'),
    ):
        tall = (depth * room / tallest).tolist()  # NaN is not above 0
        bars = "".join(
            f"M{a + shift:.1f} {floor}v{-b:.1f}h{wide:.1f}v{b:.1f}z" for a, b in zip(xs, tall, strict=True) if b > 0
        )
        parts.append(f'<path d="{bars}" {paint}/>' if bars else "")
    return parts


@dataclass(frozen=True)
class SaltChart:
    """One zone's salinity by date; T dates as in its `CourseChart`, NaN where not known.

    Attributes
    ----------
    ece, sampled : ndarray (T,)     Salinity as estimated, the last one forecast, and by the laboratory [dS/m].
    tonight : int                   Which date is tonight.
    text : str                      The values of tonight and tomorrow evening.
    alt : str                       The drawing in one sentence.
    """

    ece: np.ndarray
    sampled: np.ndarray
    tonight: int
    text: str
    alt: str


def salt_chart(chart: SaltChart) -> Markup:
    """Draw a zone's salinity under its course, on the same dates."""
    height, left, right, top, bottom = 74, 8.0, 352.0, 20.0, 66.0
    step = (right - left) / chart.ece.size
    xs = (left + step * (np.arange(chart.ece.size) + 0.5)).tolist()
    most = float(np.nanmax(np.concatenate((chart.ece, chart.sampled)))) * 1.1

    def y(value: float) -> float:
        return bottom - (bottom - top) * value / most

    points = [(a, y(b)) for a, b in zip(xs, chart.ece.tolist(), strict=True) if b == b]
    behind = [p for p in points if p[0] <= xs[chart.tonight] + 0.1]
    now = xs[chart.tonight]
    parts = [_line(left, bottom, right, bottom, INK, 1), _line(now, top - 4, now, bottom, QUIET, 1, "2 3")]
    parts.append(f'<polyline points="{_points(behind)}" fill="none" stroke="{INK}" stroke-width="1.8"/>')
    parts.append(
        f'<polyline points="{_points(points[len(behind) - 1 :])}" fill="none" stroke="{INK}" stroke-width="1.8" '
        'stroke-dasharray="5 3"/>'
    )
    for a, b in points[-2:]:
        parts.append(f'<circle cx="{a:.1f}" cy="{b:.1f}" r="2.6" fill="{INK}"/>')
    for a, b in zip(xs, chart.sampled.tolist(), strict=True):
        if b == b:
            parts.append(f'<rect x="{a - 3.5:.1f}" y="{y(b) - 3.5:.1f}" width="7" height="7" fill="{PAPER}" '
                         f'stroke="{ALERT}" stroke-width="1.6"/>')  # fmt: skip
    parts.append(_text(left, 11, "salinity", QUIET))
    if points:
        after = points[-1][0] + 7
        parts.append(_text(after, min(points[-1][1] + 4, bottom - 3), chart.text, INK))
    return _svg(WIDTH, height, parts, chart.alt)


def _known(pairs: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Points whose height is known."""
    return [(a, b) for a, b in pairs if b == b]


def share_bar(shares: Sequence[tuple[float, str]], alt: str) -> Markup:
    """Draw shares of a whole side by side.

    Parameters
    ----------
    shares : sequence of (float, str)   Share [-], and "solid", "hatched" or "empty"; drawn from the left, cut at
                                        the full width.
    alt : str                           The drawing in one sentence.
    """
    left, right, top, tall = 2.0, 358.0, 4.0, 24.0
    parts = [
        '<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)">'
        f'<rect width="6" height="6" fill="{PAPER}"/><rect width="3" height="6" fill="{WATER}"/></pattern></defs>'
    ]
    at = left
    fills = {"solid": WATER, "hatched": "url(#hatch)", "empty": PAPER}
    for share, kind in shares:
        wide = min(max(share, 0.0) * (right - left), right - at)
        if wide > 0:
            parts.append(_rect(at, top, wide, tall, fills[kind]))
        at += wide
    parts.append(
        f'<rect x="{left}" y="{top}" width="{right - left}" height="{tall}" fill="none" stroke="{INK}" '
        'stroke-width="1.5"/>'
    )
    return _svg(WIDTH, 32, parts, alt)


def _svg(width: int, height: int, parts: Sequence[str], alt: str) -> Markup:
    body = "".join(parts)
    return Markup(f'<svg viewBox="0 0 {width} {height}" role="img" aria-label="{escape(alt)}">{body}</svg>')


def _rect(x: float, y: float, wide: float, tall: float, fill: str) -> str:
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{max(wide, 0):.1f}" height="{max(tall, 0):.1f}" fill="{fill}"/>'


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, thick: float, dashes: str = "") -> str:
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    place = f'x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"'
    return f'<line {place} stroke="{colour}" stroke-width="{thick}"{dashed}/>'


def _text(x: float, y: float, text: str, colour: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" fill="{colour}" text-anchor="{anchor}">{escape(text)}</text>'


def _points(pairs: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in pairs)
