"""Pictures of a season as inline SVG, drawn like those of the other sheets: no scripts, nothing from outside.

Read in black and white too: sources differ by shade, lines by dashes. Each gives "" where there is nothing to draw.
Numbers drawn are those of the document in the account's unit. Drawn by hand because an account of years has to cost no
more than an evening, and a chart library takes two seconds to start.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from markupsafe import Markup

from scheduler import edge
from scheduler.season import document as doc
from scheduler.season.words import Speech
from scheduler.sheets.charts import ALERT, INK, QUIET, RULE, WATER, WIDTH, _line, _points, _rect, _svg, _text
from scheduler.sheets.names import PLURALS

SHADES = ("var(--water)", "#8fb3cc", "#4c7d4a", "#c9a227")  # of sources
DRY, SOFT, FINE, LOGGED, FLUSH = "#a33b00", "#6f9fc0", "#dcdcd4", "#b9c7b4", "#8fb3cc"
LEFT, RIGHT, TOP, BOTTOM, HEIGHT = 42.0, 354.0, 34.0, 176.0, 208
POINTS = 180  # of a line, at most
SAME = 1e-6  # [-] a step this near to the allocation is drawn as one line with it
Key = Sequence[tuple[str, str]]


class Frame:
    """Axes of a drawing: a scale upward with round marks, and a key above."""

    def __init__(self, most: float, unit: str, key: Key = ()) -> None:
        self.most = max(most, 1e-9) * 1.06
        self.parts: list[str] = []
        step = 10.0 ** (len(str(int(self.most / 4 * 1e6))) - 7)
        step *= next(s for s in (1, 2, 2.5, 5, 10) if self.most / (s * step) <= 5)
        level = 0.0
        while level <= self.most:
            self.parts.append(_line(LEFT, self.y(level), RIGHT, self.y(level), RULE, 1))
            self.parts.append(_text(LEFT - 4, self.y(level) + 4, _short(level), QUIET, "end"))
            level += step
        self.parts.append(_text(2, TOP - 6, unit, QUIET))
        at = LEFT + 8.0 * max(len(unit) - 5, 0)
        for colour, words in key:
            self.parts += [_rect(at, TOP - 26, 9, 9, colour), _text(at + 13, TOP - 18, words, INK)]
            at += 24 + 6.1 * len(words)

    def y(self, value: float) -> float:
        """Height of a value."""
        return BOTTOM - (BOTTOM - TOP) * value / self.most

    def months(self, months: Sequence[str]) -> list[tuple[float, float]]:
        """Write the months below and give the place of each: left end and width."""
        wide = (RIGHT - LEFT) / max(len(months), 1)
        step = -(-len(months) // 12)
        for i, month in enumerate(months):
            if i % step == 0:
                middle, name = LEFT + (i + 0.5) * wide, edge.MONTHS[int(month[5:]) - 1][:3]
                self.parts.append(_text(middle, BOTTOM + 15, name, INK, "middle"))
                if i == 0 or month.endswith("-01"):
                    self.parts.append(_text(middle, BOTTOM + 28, month[:4], QUIET, "middle"))
        return [(LEFT + i * wide, wide) for i in range(len(months))]

    def days(self, first: date, last: date) -> float:
        """Write the months of a line over days below; give the width of a day."""
        wide = (RIGHT - LEFT) / max((last - first).days, 1)
        step = max(1, -(-((last - first).days // 30) // 9))
        for k in range((last - first).days + 1):
            day = date.fromordinal(first.toordinal() + k)
            if day.day == 1 and (day.month - 1) % step == 0:
                self.parts.append(_line(LEFT + k * wide, BOTTOM, LEFT + k * wide, BOTTOM + 4, INK, 1))
                self.parts.append(_text(LEFT + k * wide, BOTTOM + 16, edge.MONTHS[day.month - 1][:3], INK, "middle"))
        return wide

    def svg(self, alt: str) -> Markup:
        """Close the drawing."""
        return _svg(WIDTH, HEIGHT, [*self.parts, _line(LEFT, BOTTOM, RIGHT, BOTTOM, INK, 1)], alt)


def water_chart(d: doc.SeasonDocument) -> Markup:
    """Water used by month and source, with what the turf asked for and effective rain."""
    f, names = d.shown.per_m3, [t.source for t in d.source_totals if t.use_m3]
    if not names:
        return Markup("")
    months = [m.month for m in d.months]
    used = {(s.month, s.source): s.use_m3 * f for s in d.sources}
    most = max(max(m.use_m3, m.demand_m3, m.effective_rain_m3) * f for m in d.months)
    shades = {n: SHADES[i % len(SHADES)] for i, n in enumerate(names)}
    key = [(shades[n], n) for n in names] + [(INK, "turf demand"), (QUIET, "rain")]
    frame = Frame(most, d.shown.name, key)
    places = frame.months(months)
    for month, (x, wide) in zip(months, places, strict=True):
        base = 0.0
        for name in names:
            top = base + used[month, name]
            frame.parts.append(
                _rect(x + 0.12 * wide, frame.y(top), 0.76 * wide, frame.y(base) - frame.y(top), shades[name])
            )
            base = top
    for values, colour, dashes in (
        ([m.demand_m3 * f for m in d.months], INK, ""),
        ([m.effective_rain_m3 * f for m in d.months], QUIET, ' stroke-dasharray="4 3"'),
    ):
        line = _points((x + wide / 2, frame.y(v)) for (x, wide), v in zip(places, values, strict=True))
        frame.parts.append(f'<polyline points="{line}" fill="none" stroke="{colour}" stroke-width="2"{dashes}/>')
    return frame.svg(f"Water by month and source in {d.shown.name}, with turf demand and effective rain")


def allocation_chart(d: doc.SeasonDocument) -> Markup:
    """Cumulative use against the allocation and the steps of its tiers."""
    f, course = d.shown.per_m3, d.cumulative
    if not course.nights:
        return Markup("")
    step = max(1, -(-len(course.nights) // POINTS))
    kept = sorted({*range(0, len(course.nights), step), len(course.nights) - 1})
    rules = _rules(d)
    frame = Frame(max([course.used_m3[-1] * f, *(v for v, _ in rules)]), d.shown.name)
    wide = frame.days(course.nights[0], course.nights[-1])
    points = [(LEFT + i * wide, frame.y(course.used_m3[i] * f)) for i in kept]
    area = _points([(LEFT, BOTTOM), *points, (points[-1][0], BOTTOM)])
    frame.parts.append(f'<polygon points="{area}" fill="{WATER}" fill-opacity=".25"/>')
    frame.parts.append(f'<polyline points="{_points(points)}" fill="none" stroke="{WATER}" stroke-width="2"/>')
    for value, words in rules:
        frame.parts.append(_line(LEFT, frame.y(value), RIGHT, frame.y(value), ALERT, 1.6, "6 3"))
        frame.parts.append(_text(LEFT + 4, frame.y(value) - 5, words, ALERT))
    return frame.svg("Use summed over the season against the allocation and its steps")


def _rules(d: doc.SeasonDocument) -> list[tuple[float, str]]:
    """Lines across the use: the allocation and its steps, in the account's unit."""
    if d.allocation is None:
        return []
    f, say = d.shown.per_m3, Speech(d.site.units, d.site.currency, d.shown)
    steps = [(s.above_m3 * f, f"step {i + 1}: {say.price(s.price)} on top") for i, s in enumerate(d.allocation.steps)]
    whole = d.allocation.volume_m3 * f
    if steps and abs(steps[0][0] / whole - 1.0) < SAME:
        return [(whole, f"allocation; beyond it {say.price(d.allocation.steps[0].price)}"), *steps[1:]]
    return [(whole, "allocation"), *steps]


def turf_chart(d: doc.SeasonDocument) -> Markup:
    """Share of zone-days dry, neither and soft, by surface."""
    shown = [s for s in d.surfaces if s.zone_days]
    if not shown:
        return Markup("")
    left, right, top = 78.0, 354.0, 26.0
    parts = []
    at = left
    for colour, words in ((DRY, "dry"), (FINE, "neither"), (SOFT, "soft")):
        parts += [_rect(at, 4, 9, 9, colour), _text(at + 13, 12, words, INK)]
        at += 24 + 6.1 * len(words)
    for i, s in enumerate(shown):
        y, x = top + 22 * i, left
        dry, soft = s.dry_zone_days / s.zone_days, s.soft_zone_days / s.zone_days
        parts.append(_text(left - 5, y + 13, PLURALS.get(s.surface, s.surface), INK, "end"))
        for share, colour in ((dry, DRY), (max(1 - dry - soft, 0), FINE), (min(soft, 1 - dry), SOFT)):
            parts.append(_rect(x, y, share * (right - left), 18, colour))
            x += share * (right - left)
    bottom = top + 22 * len(shown)
    for k in range(5):
        x = left + (right - left) * k / 4
        anchor = "end" if k == 4 else "middle"
        parts += [_line(x, bottom, x, bottom + 4, INK, 1), _text(x, bottom + 16, f"{25 * k} %", INK, anchor)]
    alt = "Share of zone-days dry, soft and neither by surface, reckoned"
    return _svg(WIDTH, int(bottom) + 22, parts, alt)


def salt_chart(d: doc.SeasonDocument) -> Markup:
    """Mean ECe of the surface served first, with its flush nights and the limit."""
    path = d.salts[0] if d.salts else None
    known = [] if path is None else [(a, v) for a, v in zip(path.dates, path.ece_dsm, strict=True) if v is not None]
    if path is None or not known:
        return Markup("")
    frame = Frame(max([path.limit_dsm, *(v for _, v in known)]), "dS/m")
    first = known[0][0]
    wide = frame.days(first, known[-1][0])
    nights = {f.nights[0] for f in d.flushes if f.surface == path.surface}
    for night in sorted(n for n in nights if first <= n <= known[-1][0]):
        x = LEFT + (night - first).days * wide
        frame.parts.append(_line(x, TOP, x, BOTTOM, FLUSH, 2))
    line = _points((LEFT + (day - first).days * wide, frame.y(v)) for day, v in known)
    frame.parts.append(f'<polyline points="{line}" fill="none" stroke="{INK}" stroke-width="2"/>')
    frame.parts.append(_line(LEFT, frame.y(path.limit_dsm), RIGHT, frame.y(path.limit_dsm), ALERT, 1.6, "6 3"))
    frame.parts.append(_text(LEFT + 4, frame.y(path.limit_dsm) - 5, "limit of the turf", ALERT))
    surface = PLURALS.get(path.surface, path.surface)
    return frame.svg(f"{surface}: mean ECe over the season, flush nights as lines, and the turf's limit")


def meter_chart(d: doc.SeasonDocument) -> Markup:
    """Metered against logged by month, over the nights metered."""
    f = d.shown.per_m3
    sums: dict[str, list[float]] = {}
    for s in d.sources:
        if s.logged_on_metered_nights_m3 is not None and s.difference_m3 is not None:
            pair = sums.setdefault(s.month, [0.0, 0.0])
            pair[0] += (s.logged_on_metered_nights_m3 + s.difference_m3) * f
            pair[1] += s.logged_on_metered_nights_m3 * f
    if not sums:
        return Markup("")
    frame = Frame(
        max(v for pair in sums.values() for v in pair), d.shown.name, [(WATER, "metered"), (LOGGED, "logged")]
    )
    for pair, (x, wide) in zip(sums.values(), frame.months(list(sums)), strict=True):
        for k, (value, colour) in enumerate(zip(pair, (WATER, LOGGED), strict=True)):
            left = x + (0.1 + 0.4 * k) * wide
            frame.parts.append(_rect(left, frame.y(value), 0.4 * wide, BOTTOM - frame.y(value), colour))
    return frame.svg(f"Metered against logged water by month in {d.shown.name}, on the nights metered")


def _short(value: float) -> str:
    """A mark of an axis: 2.5k, 10M."""
    for size, letter in ((1e6, "M"), (1e3, "k")):
        if value >= size:
            return f"{value / size:g}{letter}"
    return f"{value:.3g}"
