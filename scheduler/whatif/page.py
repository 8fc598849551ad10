"""The page for a committee: cases side by side in plain words, one printed sheet; and the same numbers as a table.

`whatif.html` asks nothing from outside and needs no script; every number on it stands in whatif.json.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from scheduler import edge
from scheduler.files import whole_set
from scheduler.sheets.names import PLURALS
from scheduler.sheets.night import environment
from scheduler.whatif.document import Band, CaseNumbers, CurvePoint, SeasonNumbers, SurfaceNumbers, WhatIf

ACROSS = 6  # cases beside each other on a sheet; more go into a further table
LIMITS_TOLD = 3
LONGEST_AGAIN = 40  # letters of a title that a phone says again at every figure
DRY_SHADES = ((0.0, ""), (0.1, "few"), (0.4, "some"), (2.0, "many"))  # [-] share of zone-days past the limit


def write_whatif(document: WhatIf, folder: Path, rows: Iterable[dict[str, Any]] = ()) -> tuple[Path, ...]:
    """Write whatif.json, .csv and .html, and season.csv where there is a season ahead: all or none.

    Parameters
    ----------
    document : WhatIf
    folder : Path
    rows : iterable of dict   One a night, case and weather year of the season ahead.

    Raises
    ------
    OSError   A file cannot be written; those that stood there are unchanged.
    """
    rows = list(rows)
    text = json.dumps(document.model_dump(by_alias=True, mode="json"), ensure_ascii=False, indent=1, allow_nan=False)
    files = {"whatif.json": text + "\n", "whatif.csv": table(document), "whatif.html": page(document)}
    if rows:
        files["season.csv"] = _csv(rows)
    with whole_set(folder) as new:
        for name, content in files.items():
            (new / name).write_text(content, encoding="utf-8")
    return tuple(folder / name for name in files)


def table(document: WhatIf) -> str:
    """One row a case and surface, and one a case for the whole site (surface empty)."""
    rows = []
    for case in document.cases:
        rows.append(
            {
                "case": case.name,
                "surface": "",
                "water_m3": case.water_m3,
                "water_tonight_m3": case.water_tonight_m3,
                "over_use_m3": case.over_use_m3,
                "energy_kwh": case.energy_kwh,
                "cost": case.cost,
                "flushes": case.flushes,
                **{f"{s}_m3": v for s, v in case.water_by_source_m3.items()},
            }
        )
        rows += [{"case": case.name, **_flat(s)} for s in case.surfaces]
    if document.sweep is not None:
        for point in document.sweep.points:
            name = f"{document.sweep.key}={point.value:g}"
            rows.append({"case": name, "surface": "", "water_m3": point.water_m3, "cost": point.cost})
            rows += [{"case": name, **_flat(s)} for s in point.surfaces]
    return _csv(rows)


def _flat(s: SurfaceNumbers) -> dict[str, Any]:
    return s.model_dump(exclude={"priority"})


def _csv(rows: list[dict[str, Any]]) -> str:
    names = list(dict.fromkeys(name for row in rows for name in row))
    out = io.StringIO()
    writer = csv.DictWriter(out, names, lineterminator="\n", restval="")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def page(document: WhatIf) -> str:
    """Make the page: a whole HTML text."""
    units = document.site.units
    first, last = (date.fromisoformat(document.nights[i]) for i in (0, -1))
    others = document.cases[1:]
    groups = [others[i : i + ACROSS - 1] for i in range(0, len(others), ACROSS - 1)] or [[]]
    return (
        environment()
        .get_template("whatif.html.jinja")
        .render(
            site=document.site.name,
            night=edge.format_date(first, units),
            span=f"{edge.format_short_date(first, units)} to {edge.format_short_date(last, units)}",
            nights=len(document.nights),
            tables=[_comparison(document, [document.cases[0], *group]) for group in groups],
            cases=[_told(case) for case in document.cases],
            sweep=None if document.sweep is None else _sweep(document),
            season=None if document.season is None else _season(document.season, document),
            size=_print_size(document),
        )
    )


def _print_size(document: WhatIf) -> str:
    """Size of the letters on paper [pt]: as large as lets the sheet be one, up to a size nobody can read.

    With more than four cases paper shows the two limits of each that matter most, the screen all three.
    """
    more = 1.6 * (document.season is not None) + 0.4 * (document.sweep is not None)
    return f"{max(9.6 - 0.45 * (len(document.cases) - 1) - more, 7.2):.1f}"


class _Rows:
    """Rows of a table with one column a case."""

    def __init__(self) -> None:
        self.rows: list[dict[str, Any]] = []

    def add(self, label: str, cells: list[dict[str, str]], note: str = "") -> None:
        """Add a row."""
        self.rows.append({"label": label, "note": note, "cells": cells})


def _comparison(document: WhatIf, cases: list[CaseNumbers]) -> dict[str, Any]:
    """Rows of a table with one column a case; the first is the site as it is."""
    units, nights, usual = document.site.units, len(document.nights), cases[0]
    table = _Rows()
    _water_rows(table, document, cases)
    for i, surface in enumerate(usual.surfaces):
        table.add(
            f"{PLURALS[surface.surface]} dry",
            [_dry(c.surfaces[i], nights, units) for c in cases],
            f"of {surface.zones * nights:,} zone-days",
        )
    if any(s.soft_zone_days for c in cases for s in c.surfaces):
        soft = [_cell(f"{sum(s.soft_zone_days for s in c.surfaces):,}", "zone-nights") for c in cases]
        table.add("Soft surfaces", soft)
    if any(s.ece_mean_dsm is not None for s in usual.surfaces):
        _salt_rows(table, cases)
    table.add("Gives way first", [_cell(*_first(c, units)) for c in cases])
    if any(not n.allowed for c in cases for n in c.nights):
        table.add("Nights that may run", [_cell(nights_open(c)) for c in cases])
    return {"heads": [c.title for c in cases], "short": short_titles([c.title for c in cases]), "rows": table.rows}


def short_titles(titles: list[str]) -> list[str]:
    """Titles as a phone says them again at every figure: a long one as far as its first colon, semicolon or comma.

    As they are where two begin alike.

    Examples
    --------
    >>> short_titles(["As it is", "Letter of 12 July: a third less than in 2024; rough twice a week"])
    ['As it is', 'Letter of 12 July']
    >>> short_titles(["Order: one night a week", "Order: a third less than in June of last year"])
    ['Order: one night a week', 'Order: a third less than in June of last year']
    """
    heads = [re.split("[:;,] ", title)[0] for title in titles]
    if len(set(heads)) < len(heads):
        return titles
    return [head if len(title) > LONGEST_AGAIN else title for head, title in zip(heads, titles, strict=True)]


def _water_rows(table: _Rows, document: WhatIf, cases: list[CaseNumbers]) -> None:
    """Water by source, the bill, what of it is beyond the allocation, and energy."""
    units, currency, usual = document.site.units, document.site.currency, cases[0]

    def volume(m3: float, note: str = "") -> dict[str, str]:
        return _cell(edge.format_volume(m3, units, beside=usual.water_m3), note)

    water = [volume(c.water_m3, _against(c.water_m3, usual.water_m3, c, usual)) for c in cases]
    table.add(f"Water, {len(document.nights)} nights", water)
    if len(usual.water_by_source_m3) > 1:
        for source in usual.water_by_source_m3:
            table.add(f"from {source}", [volume(c.water_by_source_m3[source]) for c in cases])
    if any(c.over_use_m3 > 0 for c in cases):
        table.add("Beyond the allocation", [volume(c.over_use_m3) for c in cases])
    if any(c.cost for c in cases):
        table.add("Water and energy bill", [_cell(edge.format_money(c.cost, currency)) for c in cases])
    if any(c.energy_kwh for c in cases):
        table.add("Energy", [_cell(edge.format_energy(c.energy_kwh)) for c in cases])


def _salt_rows(table: _Rows, cases: list[CaseNumbers]) -> None:
    """Flushes, and how salty the surface served first is at the end."""
    flushes = [
        _cell(f"{c.flushes:,}", f"{c.flushes_not_planned} not possible" if c.flushes_not_planned else "") for c in cases
    ]
    table.add("Salt flushes", flushes)
    surfaces = cases[0].surfaces
    salty = max(surfaces, key=lambda s: (s.ece_mean_dsm is not None, -s.priority))
    at = surfaces.index(salty)
    ends = [_cell(edge.format_salinity(c.surfaces[at].ece_mean_dsm)) for c in cases]
    table.add(f"Salt in {PLURALS[salty.surface].lower()} at the end", ends, "mean ECe")


def _cell(text: str, note: str = "", shade: str = "") -> dict[str, str]:
    return {"text": text, "note": note, "shade": shade}


def _against(value: float, usual: float, case: CaseNumbers, first: CaseNumbers) -> str:
    if case is first or usual <= 0:
        return ""
    change = value / usual - 1.0
    return "as now" if abs(change) < 0.005 else f"{change:+.0%}".replace("-", "−").replace("%", " %")


def _dry(s: SurfaceNumbers, nights: int, units: str) -> dict[str, str]:
    share = s.dry_zone_days / max(s.zones * nights, 1)
    if not s.dry_zone_days:
        return _cell("0")
    shade = next(name for limit, name in DRY_SHADES[1:] if share <= limit)
    return _cell(f"{s.dry_zone_days:,}", f"up to {edge.format_depth(s.worst_dry_mm, units)} short", shade)


def _first(case: CaseNumbers, units: str) -> tuple[str, str]:
    if not case.gives_way:
        return ("none", "")
    first = case.gives_way[0]
    return PLURALS[first.surface], f"from {edge.format_day_after(date.fromisoformat(first.night), units)}"


def nights_open(case: CaseNumbers) -> str:
    """Nights on which anything may run."""
    days = [date.fromisoformat(n.night) for n in case.nights if n.allowed]
    if len(days) == len(case.nights):
        return "all"
    return ", ".join(f"{edge.WEEKDAYS[d.weekday()][:3]} {d.day}" for d in days) or "none"


def _told(case: CaseNumbers) -> dict[str, Any]:
    return {
        "title": case.title,
        "words": case.words,
        "orders": [*case.asked, *(f"{o.words}." for o in case.orders)],
        "limits": [w.words for w in case.limits[:LIMITS_TOLD]],
        "notes": case.notes,
    }


def _sweep(document: WhatIf) -> dict[str, Any]:
    sweep, units = document.sweep, document.site.units
    assert sweep is not None
    unit, in_m3 = ("1,000 gal", 1.0 / edge.volume_scale(units)) if units == "us" else ("1 m³", 1.0)
    return {
        "unit": unit,
        "title": sweep.key.replace("_", " "),
        "words": sweep.words,
        "chart": curve_chart(sweep.points, units),
        "rows": [
            {
                "value": f"{p.value:.3g}",
                "water": edge.format_volume(p.water_m3, units, beside=sweep.points[0].water_m3),
                "cost": edge.format_money(p.cost, document.site.currency),
                "dry": [f"{s.dry_zone_days:,}" for s in p.surfaces],
                "worth": edge.DASH if p.worth_mm_days is None else edge.format_depth(p.worth_mm_days * in_m3, units),
            }
            for p in sweep.points
        ],
        "surfaces": [PLURALS[s.surface] for s in sweep.points[0].surfaces],
    }


def curve_chart(points: list[CurvePoint], units: str) -> Markup:
    """Draw water against dry zone-days by surface: a static picture."""
    import altair as alt
    import vl_convert as vlc

    scale = edge.volume_scale(units)
    values = [
        {"water": p.water_m3 * scale, "dry": s.dry_zone_days, "surface": PLURALS[s.surface]}
        for p in points
        for s in p.surfaces
        if any(q.surfaces[i].dry_zone_days for q in points for i, t in enumerate(q.surfaces) if t.surface == s.surface)
    ]
    if not values or np.ptp([p.water_m3 for p in points]) * scale < 1:
        return Markup("")  # a line needs two ends
    unit = "1,000 gal" if units == "us" else "m³"
    drawn = {v["surface"] for v in values}
    names = [n for s in points[0].surfaces if (n := PLURALS[s.surface]) in drawn]
    shown = alt.Legend(symbolType="stroke", symbolSize=500, symbolStrokeWidth=2)
    few = alt.Axis(tickCount=5, labelOverlap=True)
    chart = (  # room on the right: a browser's letters may be wider than those it was laid out with
        alt.Chart(
            alt.Data(values=values), width=520, height=190, padding={"left": 8, "top": 5, "right": 40, "bottom": 5}
        )
        .mark_line(point=True)
        .encode(
            x=alt.X("water:Q", title=f"water of these nights [{unit}]", scale=alt.Scale(zero=False), axis=few),
            y=alt.Y("dry:Q", title="dry zone-days", axis=alt.Axis(titlePadding=18, tickCount=5)),
            color=alt.Color("surface:N", title=None, legend=shown, scale=alt.Scale(domain=names, scheme="dark2")),
            strokeDash=alt.StrokeDash("surface:N", title=None, legend=shown, scale=alt.Scale(domain=names)),
        )
    )
    return Markup(vlc.vegalite_to_svg(chart.to_dict()))


def _season(season: SeasonNumbers, document: WhatIf) -> dict[str, Any]:
    """The season ahead, one column a case."""
    units = document.site.units
    first, last = (edge.format_date(date.fromisoformat(d), units) for d in (season.first, season.last))
    return {
        "span": f"{first} to {last}",
        "years": len(season.years),
        "heads": [c.title for c in season.cases],
        "short": short_titles([c.title for c in season.cases]),
        "rows": _season_rows(season, units, document.site.currency),
        "words": [f"{c.title}: {c.words}" for c in season.cases],
        "weather": season.weather,
        "forecasts": season.forecasts,
        "notes": season.notes,
    }


def _season_rows(season: SeasonNumbers, units: str, currency: str) -> list[dict[str, Any]]:
    """Water, the bill, dry zone-days by surface and salt: the middle of the weather years, and most of them."""
    table, cases, usual = _Rows(), season.cases, season.cases[0]

    def volume(band: Band | None) -> dict[str, str]:
        if band is None:
            return _cell(edge.DASH)
        low, high = (edge.format_volume(v, units, beside=usual.water_m3.median) for v in (band.low, band.high))
        text = edge.format_volume(band.median, units, beside=usual.water_m3.median)
        return _cell(text, "" if low == high else f"{low} to {high}")

    def zone_days(band: Band) -> dict[str, str]:
        note = "" if band.low == band.high else f"{band.low:,.0f} to {band.high:,.0f}"
        return _cell(f"{band.median:,.0f}", note)

    table.add("Water", [volume(c.water_m3) for c in cases])
    if any(c.left_m3 is not None for c in cases):
        table.add("Left of the allocation", [volume(c.left_m3) for c in cases])
        table.add("Water runs out", [_cell(*runs_out(c.runs_out, units)) for c in cases])
    if any(c.cost is not None for c in cases):
        bills = [edge.DASH if c.cost is None else edge.format_money(c.cost.median, currency) for c in cases]
        table.add("Bill", [_cell(bill) for bill in bills])
    for i, surface in enumerate(usual.surfaces):
        dry = [zone_days(c.surfaces[i].dry_zone_days) for c in cases]
        table.add(f"{PLURALS[surface.surface]}, dry zone-days", dry)
    salty = [i for i, s in enumerate(usual.surfaces) if s.ece_mean_dsm is not None]
    if salty:
        at = salty[0]
        ends = [_cell(edge.format_salinity(c.surfaces[at].ece_mean_dsm.median)) for c in cases]
        table.add(f"Salt in {PLURALS[usual.surfaces[at].surface].lower()} at the end", ends, "mean ECe")
        table.add("Salt flushes", [_cell(f"{c.flushes.median:,.0f}") for c in cases])
    return table.rows


def runs_out(dates: list[str | None], units: str) -> tuple[str, str]:
    """When the water runs out: the middle of the years in which it does, and in how many."""
    found = sorted(d for d in dates if d is not None)
    if not found:
        return "lasts", "" if len(dates) == 1 else f"in all {len(dates)} weather years"
    middle = edge.format_short_date(date.fromisoformat(found[len(found) // 2]), units)
    return middle, "" if len(dates) == 1 else f"in {len(found)} of {len(dates)} weather years"
