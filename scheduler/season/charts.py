"""Pictures of a season as static SVG: drawn by a chart library, no scripts and nothing from outside in the page.

Read in black and white too: sources differ by shade, lines by dashes. Each gives "" where there is nothing to draw.
Numbers drawn are those of the document in the account's unit.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from markupsafe import Markup, escape

from scheduler.season import document as doc
from scheduler.season.words import Speech
from scheduler.sheets.charts import ALERT, INK, QUIET, WATER
from scheduler.sheets.names import PLURALS

WIDTH, HEIGHT = 400, 190
SHADES = ("#17517e", "#8fb3cc", "#4c7d4a", "#c9a227")  # of sources, dark to light
DRY, SOFT, FINE = "#a33b00", "#6f9fc0", "#e6e6e0"
SAME = 1e-6  # [-] a step this near to the allocation is drawn as one line with it
POINTS = 180  # of a line, at most


def water_chart(d: doc.SeasonDocument) -> Markup:
    """Water used by month and source, with what the turf asked for and effective rain."""
    import altair as alt

    f = d.shown.per_m3
    bars = [{"month": s.month, "source": s.source, "v": s.use_m3 * f} for s in d.sources if s.use_m3]
    lines = [
        {"month": m.month, "what": what, "v": value * f}
        for m in d.months
        for what, value in (("turf demand", m.demand_m3), ("effective rain", m.effective_rain_m3))
    ]
    if not bars:
        return Markup("")
    names = sorted({b["source"] for b in bars})
    x = alt.X("month:O", title=None, sort=[m.month for m in d.months], axis=_month_axis(len(d.months)))
    whats = ["turf demand", "effective rain"]
    shades = [*(SHADES[i % len(SHADES)] for i in range(len(names))), INK, QUIET]
    bar = (
        alt.Chart(alt.Data(values=bars))
        .mark_bar()
        .encode(x=x, y=_volume_axis("v", d, stacked=True), color=_colour("source", [*names, *whats], shades))
    )
    line = (
        alt.Chart(alt.Data(values=lines))
        .mark_line(point=len(d.months) <= 24, strokeWidth=2)
        .encode(
            x=x,
            y=_volume_axis("v", d),
            color=_colour("what", [*names, *whats], shades),
            strokeDash=alt.StrokeDash("what:N", scale=alt.Scale(domain=whats, range=[[1, 0], [4, 3]]), legend=None),
        )
    )
    return _svg(
        alt.layer(bar, line), f"Water by month and source in {d.shown.name}, with turf demand and effective rain"
    )


def allocation_chart(d: doc.SeasonDocument) -> Markup:
    """Cumulative use against the allocation and the steps of its tiers."""
    import altair as alt

    f, course = d.shown.per_m3, d.cumulative
    step = max(1, -(-len(course.nights) // POINTS))
    kept = sorted({*range(0, len(course.nights), step), len(course.nights) - 1})
    points = [{"night": course.nights[i].isoformat(), "v": course.used_m3[i] * f} for i in kept if i >= 0]
    if not points:
        return Markup("")
    line = (
        alt.Chart(alt.Data(values=points))
        .mark_area(line={"color": WATER, "strokeWidth": 2}, color=WATER, opacity=0.25)
        .encode(x=_time_axis("night"), y=_volume_axis("v", d))
    )
    layers: list[Any] = [line]
    if d.allocation is not None:
        say = Speech(d.site.units, d.site.currency, d.shown)
        rules: list[dict[str, Any]] = [{"v": d.allocation.volume_m3 * f, "text": "allocation"}]
        rules += [
            {
                "v": s.above_m3 * f,
                "text": f"step {i + 1}: {say.price(s.price)} on top",
            }
            for i, s in enumerate(d.allocation.steps)
        ]
        if len(rules) > 1 and abs(rules[1]["v"] / rules[0]["v"] - 1.0) < SAME:
            rules = [{**rules[0], "text": f"allocation; above it {rules[1]['text']}"}, *rules[2:]]
        base = alt.Chart(alt.Data(values=rules))
        layers.append(base.mark_rule(color=ALERT, strokeDash=[6, 3], strokeWidth=1.6).encode(y=_volume_axis("v", d)))
        layers.append(
            base.mark_text(align="left", dx=4, dy=-6, color=ALERT).encode(
                x=alt.value(0), y=_volume_axis("v", d), text="text:N"
            )
        )
    return _svg(alt.layer(*layers), "Use summed over the season against the allocation and its steps")


def turf_chart(d: doc.SeasonDocument) -> Markup:
    """Share of zone-days dry, soft and neither, by surface."""
    import altair as alt

    rows = []
    for s in d.surfaces:
        if not s.zone_days:
            continue
        dry, soft = s.dry_zone_days / s.zone_days, s.soft_zone_days / s.zone_days
        fine = max(1.0 - dry - soft, 0.0)
        for order, (what, share) in enumerate((("dry", dry), ("neither", fine), ("soft", soft))):
            rows.append({"surface": PLURALS.get(s.surface, s.surface), "what": what, "share": share, "o": order})
    if not rows:
        return Markup("")
    names = list(dict.fromkeys(r["surface"] for r in rows))
    chart = (
        alt.Chart(alt.Data(values=rows))
        .mark_bar(stroke="#ffffff")
        .encode(
            y=alt.Y("surface:N", title=None, sort=names),
            x=alt.X("share:Q", title="share of zone-days", axis=alt.Axis(format="%"), stack="zero"),
            color=_colour("what", ["dry", "neither", "soft"], (DRY, FINE, SOFT)),
            order="o:O",
        )
    )
    return _svg(chart, "Share of zone-days dry, soft and neither by surface, reckoned", height=26 * len(names) + 10)


def salt_chart(d: doc.SeasonDocument) -> Markup:
    """Mean ECe of the surface served first, with its flush nights and the limit."""
    import altair as alt

    if not d.salts:
        return Markup("")
    path = d.salts[0]
    rows = [{"date": day.isoformat(), "v": v} for day, v in zip(path.dates, path.ece_dsm, strict=True) if v is not None]
    if not rows:
        return Markup("")
    flushes: dict[date, int] = {}
    for flush in d.flushes:
        if flush.surface == path.surface:
            flushes[flush.nights[0]] = flushes.get(flush.nights[0], 0) + 1
    y = alt.Y("v:Q", title="ECe [dS/m]", scale=alt.Scale(zero=True))
    layers: list[Any] = []
    if flushes:
        ticks = [{"date": day.isoformat(), "n": n} for day, n in sorted(flushes.items())]
        layers.append(
            alt.Chart(alt.Data(values=ticks))
            .mark_rule(color="#8fb3cc", strokeWidth=2)
            .encode(x=_time_axis("date"), opacity=alt.value(0.9))
        )
    layers.append(
        alt.Chart(alt.Data(values=rows)).mark_line(color=INK, strokeWidth=2).encode(x=_time_axis("date"), y=y)
    )
    limit = alt.Chart(alt.Data(values=[{"v": path.limit_dsm, "text": "limit of the turf"}]))
    layers.append(limit.mark_rule(color=ALERT, strokeDash=[6, 3], strokeWidth=1.6).encode(y=y))
    layers.append(limit.mark_text(align="left", dx=4, dy=-6, color=ALERT).encode(x=alt.value(0), y=y, text="text:N"))
    surface = PLURALS.get(path.surface, path.surface)
    return _svg(alt.layer(*layers), f"{surface}: mean ECe over the season, flush nights as lines, and the turf's limit")


def meter_chart(d: doc.SeasonDocument) -> Markup:
    """Metered against logged by month, over the nights metered."""
    import altair as alt

    f = d.shown.per_m3
    sums: dict[str, list[float]] = {}
    for s in d.sources:
        if s.metered_m3 is not None and s.logged_on_metered_nights_m3 is not None and s.difference_m3 is not None:
            pair = sums.setdefault(s.month, [0.0, 0.0])
            pair[0] += s.logged_on_metered_nights_m3 + s.difference_m3
            pair[1] += s.logged_on_metered_nights_m3
    if not sums:
        return Markup("")
    rows = [
        {"month": month, "what": what, "v": value * f}
        for month, pair in sums.items()
        for what, value in zip(("metered", "logged"), pair, strict=True)
    ]
    chart = (
        alt.Chart(alt.Data(values=rows))
        .mark_bar()
        .encode(
            x=alt.X("month:O", title=None, sort=list(sums), axis=_month_axis(len(sums))),
            xOffset=alt.XOffset("what:N", sort=["metered", "logged"]),
            y=_volume_axis("v", d),
            color=_colour("what", ["metered", "logged"], (WATER, "#b9c7b4")),
        )
    )
    return _svg(chart, f"Metered against logged water by month in {d.shown.name}, on the nights metered")


def _volume_axis(field: str, d: doc.SeasonDocument, stacked: bool = False) -> Any:
    import altair as alt

    axis = alt.Axis(format="~s", tickCount=5)
    return alt.Y(f"{field}:Q", title=d.shown.name, axis=axis, stack="zero" if stacked else None)


def _month_axis(months: int) -> Any:
    import altair as alt

    names = "['Jan','Feb','Mar','Apr','May','Jun','Jul','Aug','Sep','Oct','Nov','Dec']"
    label = f"{names}[toNumber(slice(datum.value, 5)) - 1]"
    year = "(slice(datum.value, 5) == '01' || datum.index == 0) ? slice(datum.value, 0, 4) : ''"
    return alt.Axis(labelExpr=f"[{label}, {year}]", labelAngle=0, labelOverlap=months > 14)


def _time_axis(field: str) -> Any:
    import altair as alt

    return alt.X(f"{field}:T", title=None, axis=alt.Axis(format="%b", tickCount=8, labelOverlap=True))


def _colour(field: str, domain: Sequence[str], shades: Sequence[str]) -> Any:
    import altair as alt

    legend = alt.Legend(title=None, orient="top", direction="horizontal", columns=3, symbolType="square")
    return alt.Color(f"{field}:N", scale=alt.Scale(domain=list(domain), range=list(shades)), legend=legend)


def _svg(chart: Any, alt_text: str, height: int = HEIGHT) -> Markup:
    """Draw a chart; dates stay dates wherever the machine stands."""
    import vl_convert as vlc

    font = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Noto Sans', Arial, sans-serif"
    spec = (
        chart.properties(width=WIDTH, height=height)
        .configure(font=font, background="#ffffff")
        .configure_view(stroke=None)
        .configure_axis(labelFontSize=13, titleFontSize=13, titleFontWeight="normal", gridColor="#dddddd")
        .configure_legend(labelFontSize=13, labelLimit=300)
        .configure_text(fontSize=12)
    )
    svg = vlc.vegalite_to_svg(spec.to_dict(validate=False))
    return Markup(svg.replace("<svg ", f'<svg role="img" aria-label="{escape(alt_text)}" ', 1))
