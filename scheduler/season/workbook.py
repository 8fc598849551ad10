"""season.xlsx: every total a live formula over sheets of nightly rows, so that an auditor can follow it.

Sheets, in the order a reader goes: `Account` (months), `By source`, `By surface`, `By zone`, `Allocation`, then what
they add up: `Log nights` (one row a night, a column for each zone and source) and `Meter nights` (a column a meter),
both in cubic metres, `Weather`, and `Units`, whose one cell turns cubic metres into the unit shown. Formulas are SUM,
SUMIFS, plain arithmetic, MAX and MIN; each carries its value, for readers that do not calculate.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import xlsxwriter
from xlsxwriter.utility import xl_col_to_name, xl_rowcol_to_cell

from scheduler.season import document as doc
from scheduler.season import parts
from scheduler.season.account import Record, by_month
from scheduler.sheets.names import PLURALS

FACTOR = "Units!$B$2"  # units shown in one cubic metre
MM = "Units!$B$3"  # units of depth shown in one millimetre
HEAD = 8  # rows above the first night of `Log nights`


@dataclass(frozen=True)
class Column:
    """A column of `Log nights`: zone, source, its water (N,) [m3] and the part that is estimated."""

    zone: int
    source: int
    volume: np.ndarray
    estimated: np.ndarray


class Book:
    """The workbook being written: formats, and the values the formulas give."""

    def __init__(self, document: doc.SeasonDocument, record: Record, stream: io.BytesIO) -> None:
        self.d, self.r = document, record
        self.book = xlsxwriter.Workbook(stream, {"default_date_format": "yyyy-mm-dd"})
        self.bold = self.book.add_format({"bold": True})
        self.wrap = self.book.add_format({"text_wrap": True, "valign": "top"})
        self.date = self.book.add_format({"num_format": "yyyy-mm-dd"})
        self.m3 = self.book.add_format({"num_format": "#,##0.000"})
        self.guess = self.book.add_format({"num_format": "#,##0.000", "italic": True, "font_color": "#6b6b6b"})
        digits = {"m3": "#,##0.000", "gal": "#,##0.0", "kgal": "#,##0.0000", "acre_ft": "#,##0.000000"}
        self.shown = self.book.add_format({"num_format": digits.get(document.shown.unit, "#,##0.0000")})
        self.total = self.book.add_format(
            {"num_format": digits.get(document.shown.unit, "#,##0.0000"), "bold": True, "top": 1}
        )
        self.number = self.book.add_format({"num_format": "#,##0.00"})
        self.whole = self.book.add_format({"num_format": "#,##0"})
        self.columns = _columns(record)
        self.factor = document.shown.per_m3

    def sheet(self, name: str, widths: Sequence[float] = (12,)) -> Any:
        """Add a sheet that prints on one page width."""
        sheet = self.book.add_worksheet(name)
        for i, width in enumerate(widths):
            sheet.set_column(i, i, width)
        sheet.set_landscape()
        sheet.fit_to_pages(1, 0)
        return sheet


def workbook_bytes(document: doc.SeasonDocument, record: Record) -> bytes:
    """Give the workbook of an account."""
    stream = io.BytesIO()
    b = Book(document, record, stream)
    months = list(record.months)
    account = b.sheet("Account", (10, *([16] * 12)))
    sources, surfaces = b.sheet("By source", (10, 18)), b.sheet("By surface", (14,))
    zones, allocation = b.sheet("By zone", (12, 24, 12, 12, 14)), b.sheet("Allocation", (44, 20, 40))
    _log_nights(b)
    _meter_nights(b)
    _weather(b)
    _units(b)
    by_zone = _by_zone(b, zones, months)
    _by_surface(b, surfaces, months, by_zone)
    _by_source(b, sources, months)
    _account(b, account, months)
    _allocation(b, allocation, months)
    b.book.close()
    return stream.getvalue()


def _columns(record: Record) -> list[Column]:
    """Zone and source pairs in the order of zones.csv."""
    zones, log = record.zones, record.logged
    return [
        Column(z, w, log.volume[z] * zones.share[z, w], log.estimated[z] * zones.share[z, w])
        for z in range(len(zones.zone))
        for w in range(len(zones.sources))
        if zones.share[z, w] > 0
    ]


def _log_nights(b: Book) -> None:
    """One row a night: water of the log by zone and source; in italics where it is minutes times flow."""
    zones, log = b.r.zones, b.r.logged
    sheet = b.sheet("Log nights", (12, 9, 12))
    sheet.write(0, 0, "Water of the log [m3], one row a night; italics: reckoned from minutes and flow", b.bold)
    heads = (
        ("zone", zones.zone), ("name", zones.name), ("surface", zones.surface), ("class", zones.area_class)
    )  # fmt: skip
    for row, (label, values) in enumerate(heads, start=1):
        sheet.write(row, 2, label, b.bold)
        for i, c in enumerate(b.columns):
            sheet.write_string(row, 3 + i, str(values[c.zone]))
    sheet.write(5, 2, "source", b.bold)
    for i, c in enumerate(b.columns):
        sheet.write_string(5, 3 + i, zones.sources[c.source])
    sheet.write_row(HEAD - 1, 0, ["night", "month", "all zones"], b.bold)
    end = xl_col_to_name(2 + len(b.columns))
    total = np.sum([c.volume for c in b.columns], axis=0) if b.columns else np.zeros(len(log.nights))
    volumes = np.array([c.volume for c in b.columns]).T.tolist()
    guesses = (np.array([c.estimated for c in b.columns]) > 0).T.tolist()
    stamps, labels = log.nights.to_pydatetime(), [b.r.months[m] for m in b.r.month]
    for n, (day, label) in enumerate(zip(stamps, labels, strict=True)):
        row = HEAD + n
        sheet.write_datetime(row, 0, day, b.date)
        sheet.write_string(row, 1, label)
        sheet.write_formula(row, 2, f"=SUM(D{row + 1}:{end}{row + 1})", b.m3, float(total[n]))
        for i, (value, guess) in enumerate(zip(volumes[n], guesses[n], strict=True)):
            if value:
                sheet.write_number(row, 3 + i, value, b.guess if guess else None)
    sheet.freeze_panes(HEAD, 3)


def _meter_nights(b: Book) -> None:
    """One row a night: water of each meter; in italics where a stretch of several nights was divided."""
    metered = b.r.metered
    sheet = b.sheet("Meter nights", (12, 9))
    sheet.write(0, 0, "Water of the meters [m3], one row a night; italics: divided over the nights between", b.bold)
    for i, meter in enumerate(metered.meters):
        sheet.write_string(1, 2 + i, meter.name, b.bold)
        sheet.write_string(2, 2 + i, meter.source)
    sheet.write_row(HEAD - 1, 0, ["night", "month"], b.bold)
    for n, day in enumerate(b.r.logged.nights.to_pydatetime()):
        sheet.write_datetime(HEAD + n, 0, day, b.date)
        sheet.write_string(HEAD + n, 1, b.r.months[b.r.month[n]])
        for i in range(len(metered.meters)):
            if metered.covered[i, n]:
                divided = metered.spread[i, n] > 0
                sheet.write_number(HEAD + n, 2 + i, float(metered.volume[i, n]), b.guess if divided else b.m3)
    sheet.freeze_panes(HEAD, 2)


def _weather(b: Book) -> None:
    """Dates with reference ET and rain [mm]."""
    sheet = b.sheet("Weather", (12, 9, 12, 12, 12))
    sheet.write_row(0, 0, ["date", "month", "ETo [mm]", "rain [mm]", "observed"], b.bold)
    days = b.r.days
    for n, day in enumerate(days.dates.to_pydatetime()):
        sheet.write_datetime(1 + n, 0, day, b.date)
        sheet.write_string(1 + n, 1, b.r.months[b.r.month[n]])
        for column, value in ((2, days.eto[n]), (3, days.rain[n])):
            if np.isfinite(value):
                sheet.write_number(1 + n, column, float(value), b.number)
        sheet.write_string(1 + n, 4, "yes" if days.eto_observed[n] and days.rain_observed[n] else "no")


def _units(b: Book) -> None:
    """The unit shown, and how much of it a cubic metre is."""
    sheet = b.sheet("Units", (44, 22))
    sheet.write_row(0, 0, ["volumes are shown in", b.d.shown.name], b.bold)
    sheet.write_row(1, 0, ["units shown in one cubic metre", b.factor])
    depth = "in" if b.d.site.units == "us" else "mm"
    sheet.write_row(2, 0, [f"{depth} in one millimetre", 1 / 25.4 if depth == "in" else 1.0])
    for i, line in enumerate(("Change B2 and every total follows.", *b.d.estimates, *b.d.uncounted), start=4):
        sheet.write_string(i, 0, line, b.wrap)


def _nights_range(b: Book, sheet: str, column: str) -> str:
    return f"'{sheet}'!${column}${HEAD + 1}:${column}${HEAD + b.r.span.nights}"


def _by_zone(b: Book, sheet: Any, months: list[str]) -> np.ndarray:
    """Zone and source by month; gives the values [m3], (C, M)."""
    zones = b.r.zones
    values = by_month(np.array([c.volume for c in b.columns]), b.r.month, len(months))
    sheet.write(0, 0, f"Logged water by zone and month [{b.d.shown.name}]", b.bold)
    sheet.write_row(1, 0, ["zone", "name", "surface", "class", "source", *months, "season"], b.bold)
    month = _nights_range(b, "Log nights", "B")
    last = xl_col_to_name(4 + len(months))
    for i, c in enumerate(b.columns):
        row = 2 + i
        texts = (zones.zone[c.zone], zones.name[c.zone], zones.surface[c.zone], zones.area_class[c.zone])
        for k, text in enumerate((*texts, zones.sources[c.source])):
            sheet.write_string(row, k, str(text))
        water = _nights_range(b, "Log nights", xl_col_to_name(3 + i))
        for m in range(len(months)):
            cell = f"{xl_col_to_name(5 + m)}$2"
            sheet.write_formula(
                row, 5 + m, f"=SUMIFS({water},{month},{cell})*{FACTOR}", b.shown, float(values[i, m] * b.factor)
            )
        sheet.write_formula(
            row, 5 + len(months), f"=SUM(F{row + 1}:{last}{row + 1})", b.total, float(values[i].sum() * b.factor)
        )
    bottom = 2 + len(b.columns)
    sheet.write_string(bottom, 4, "all", b.bold)
    for m in range(len(months) + 1):
        column = xl_col_to_name(5 + m)
        value = values[:, m].sum() if m < len(months) else values.sum()
        formula = f"=SUM({column}3:{column}{bottom})" if b.columns else "=0"
        sheet.write_formula(bottom, 5 + m, formula, b.total, float(value * b.factor))
    sheet.freeze_panes(2, 5)
    return values


def _grouped(
    b: Book, sheet: Any, months: list[str], label: str, names: list[str], key: str, values: np.ndarray
) -> None:
    """Sums of `By zone` over a column of it; `values` (G, M) [m3]."""
    sheet.write_row(1, 0, [label, *months, "season"], b.bold)
    end = 2 + len(b.columns)
    last = xl_col_to_name(len(months))
    for g, name in enumerate(names):
        row = 2 + g
        sheet.write_string(row, 0, name)
        for m in range(len(months)):
            column = xl_col_to_name(5 + m)
            formula = f"=SUMIFS('By zone'!{column}$3:{column}${end},'By zone'!${key}$3:${key}${end},$A{row + 1})"
            sheet.write_formula(row, 1 + m, formula, b.shown, float(values[g, m] * b.factor))
        formula = f"=SUM(B{row + 1}:{last}{row + 1})"
        sheet.write_formula(row, 1 + len(months), formula, b.total, float(values[g].sum() * b.factor))
    bottom = 2 + len(names)
    sheet.write_string(bottom, 0, "all", b.bold)
    for m in range(len(months) + 1):
        column = xl_col_to_name(1 + m)
        value = values[:, m].sum() if m < len(months) else values.sum()
        sheet.write_formula(bottom, 1 + m, f"=SUM({column}3:{column}{bottom})", b.total, float(value * b.factor))
    sheet.freeze_panes(2, 1)


def _by_surface(b: Book, sheet: Any, months: list[str], by_zone: np.ndarray) -> None:
    zones = b.r.zones
    of = np.array([zones.surface[c.zone] for c in b.columns])
    names = [s.surface for s in b.d.surfaces]
    values = np.array([by_zone[of == name].sum(axis=0) for name in names])
    sheet.write(0, 0, f"Logged water by surface and month [{b.d.shown.name}]", b.bold)
    _grouped(b, sheet, months, "surface", names, "C", values)
    sheet.write_string(4 + len(names), 0, "Surfaces: " + ", ".join(PLURALS.get(n, n) for n in names))


def _by_source(b: Book, sheet: Any, months: list[str]) -> None:
    """Each month of each source: log, meter, difference, what counts as used, and its price."""
    sheet.write(0, 0, f"Water by source and month [{b.d.shown.name}]", b.bold)
    heads = ("month", "source", "logged", "metered", "nights metered", "counted by", "used", "price", "cost")
    sheet.write_row(1, 0, heads, b.bold)
    prices = {s.name: s.price / b.factor for s in b.r.site.sources}
    log_end, meter_end = xl_col_to_name(2 + len(b.columns)), xl_col_to_name(max(1 + len(b.r.metered.meters), 2))
    nights = b.r.span.nights
    zone_end = 2 + len(b.columns)
    for i, s in enumerate(b.d.sources):
        row = 2 + i
        column = xl_col_to_name(5 + months.index(s.month))
        sheet.write_string(row, 0, s.month)
        sheet.write_string(row, 1, s.source)
        logged = f"=SUMIFS('By zone'!{column}$3:{column}${zone_end},'By zone'!$E$3:$E${zone_end},$B{row + 1})"
        sheet.write_formula(row, 2, logged, b.shown, s.logged_m3 * b.factor)
        if s.metered_m3 is not None:
            of = [k for k, m in enumerate(b.r.metered.meters) if m.source == s.source]
            month = _nights_range(b, "Meter nights", "B")
            means = (_nights_range(b, "Meter nights", xl_col_to_name(2 + k)) for k in of)
            total = "+".join(f"SUMIFS({p},{month},$A{row + 1})" for p in means)
            sheet.write_formula(row, 3, f"=({total})*{FACTOR}", b.shown, s.metered_m3 * b.factor)
            sheet.write_number(row, 4, s.metered_nights, b.whole)
        sheet.write_string(row, 5, s.use_from)
        counted = "D" if s.use_from == "meter" else "C"
        sheet.write_formula(row, 6, f"={counted}{row + 1}", b.shown, s.use_m3 * b.factor)
        sheet.write_number(row, 7, prices.get(s.source, 0.0))
        sheet.write_formula(row, 8, f"=G{row + 1}*H{row + 1}", b.number, s.water_cost)
    bottom = 2 + len(b.d.sources)
    sheet.write_string(bottom, 1, "all", b.bold)
    sums = {
        2: b.d.totals.logged_m3 * b.factor, 3: (b.d.totals.metered_m3 or 0.0) * b.factor,
        6: b.d.totals.use_m3 * b.factor, 8: b.d.totals.water_cost,
    }  # fmt: skip
    for column, value in sums.items():
        name = xl_col_to_name(column)
        sheet.write_formula(bottom, column, f"=SUM({name}3:{name}{bottom})", b.total, value)
    sheet.write_string(
        bottom + 2, 0, f"Log nights hold columns D to {log_end}, Meter nights C to {meter_end}, {nights} rows."
    )
    sheet.freeze_panes(2, 2)


def _account_row(b: Book, sheet: Any, row: int, month: parts.Month) -> None:
    """One month of it, in formulas over the sheets below with their values beside them."""
    end, dates = 2 + len(b.d.sources), 1 + b.r.span.nights
    per_mm = _per_mm(b)
    sheet.write_string(row, 0, month.month)
    key = f"$A{row + 1}"
    for column, (source, value, style) in enumerate(
        (
            ("C", month.logged_m3 * b.factor, b.shown), ("D", (month.metered_m3 or 0.0) * b.factor, b.shown),
            ("G", month.use_m3 * b.factor, b.shown), ("I", month.water_cost, b.number),
        ), start=1,
    ):  # fmt: skip
        area = f"'By source'!${source}$3:${source}${end}"
        sheet.write_formula(row, column, f"=SUMIFS({area},'By source'!$A$3:$A${end},{key})", style, value)
    for column, source, value in ((5, "C", month.eto_mm), (6, "D", month.rain_mm)):
        area = f"Weather!${source}$2:${source}${dates}"
        formula = f"=SUMIFS({area},Weather!$B$2:$B${dates},{key})*{MM}"
        sheet.write_formula(row, column, formula, b.number, (value or 0.0) * per_mm)
    sheet.write_formula(row, 7, f"={month.demand_m3!r}*{FACTOR}", b.shown, month.demand_m3 * b.factor)
    sheet.write_formula(row, 8, f"={month.effective_rain_m3!r}*{FACTOR}", b.shown, month.effective_rain_m3 * b.factor)
    sheet.write_formula(row, 9, f"=H{row + 1}-I{row + 1}-B{row + 1}", b.shown, month.deficit_m3 * b.factor)
    sheet.write_number(row, 10, month.dry_zone_days, b.whole)
    sheet.write_number(row, 11, month.soft_zone_days, b.whole)


def _per_mm(b: Book) -> float:
    """Depths of the workbook for one millimetre."""
    return 1 / 25.4 if b.d.site.units == "us" else 1.0


def _account(b: Book, sheet: Any, months: list[str]) -> None:
    """Month by month: water from the sheets below, weather, and what the turf asked for."""
    d = b.d
    sheet.write(0, 0, f"{d.site.name}: {d.span.first} to {d.span.last} [{d.shown.name}]", b.bold)
    depth = "in" if d.site.units == "us" else "mm"
    heads = (
        "month", "logged", "metered", "used", "water cost", f"ETo [{depth}]", f"rain [{depth}]", "turf demand",
        "effective rain", "deficit", "dry zone-days", "soft zone-days",
    )  # fmt: skip
    sheet.write_row(1, 0, heads, b.bold)
    for i, month in enumerate(d.months):
        _account_row(b, sheet, 2 + i, month)
    bottom = 2 + len(months)
    sheet.write_string(bottom, 0, "season", b.bold)
    t, per_mm = d.totals, _per_mm(b)
    sums = (
        t.logged_m3 * b.factor, (t.metered_m3 or 0.0) * b.factor, t.use_m3 * b.factor, t.water_cost,
        (t.eto_mm or 0.0) * per_mm, (t.rain_mm or 0.0) * per_mm, t.demand_m3 * b.factor,
        t.effective_rain_m3 * b.factor, t.deficit_m3 * b.factor, t.dry_zone_days, t.soft_zone_days,
    )  # fmt: skip
    for column, value in enumerate(sums, start=1):
        name = xl_col_to_name(column)
        style = b.total if column not in (4, 5, 6, 10, 11) else (b.whole if column > 9 else b.number)
        sheet.write_formula(bottom, column, f"=SUM({name}3:{name}{bottom})", style, value)
    sheet.write_string(
        bottom + 2, 0, "Turf demand, effective rain, dry and soft zone-days are reckoned, not recorded; see Units."
    )
    sheet.freeze_panes(2, 1)


def _allocation(b: Book, sheet: Any, months: list[str]) -> None:
    """Use against the allocation, with its steps."""
    rule = b.d.allocation
    if rule is None:
        sheet.write_string(0, 0, "site.toml names no allocation for these nights.")
        return
    f = b.factor
    inside = rule.used_m3 - rule.used_before_m3 - rule.used_earlier_m3
    whole = abs(inside - b.d.totals.use_m3) < 1e-5
    season = xl_rowcol_to_cell(2 + len(months), 3)
    rows: list[tuple[str, str | float, float]] = [
        (f"allocation [{b.d.shown.name}]", f"={rule.volume_m3!r}*{FACTOR}", rule.volume_m3 * f),
        ("used before the log began", f"={rule.used_before_m3!r}*{FACTOR}", rule.used_before_m3 * f),
        ("logged before this account", f"={rule.used_earlier_m3!r}*{FACTOR}", rule.used_earlier_m3 * f),
        ("used in this account", f"=Account!{season}" if whole else f"={inside!r}*{FACTOR}", inside * f),
        ("used in all", "=B3+B4+B5", rule.used_m3 * f),
        ("left", "=MAX(B2-B6,0)", rule.left_m3 * f),
        ("above", "=MAX(B6-B2,0)", rule.over_m3 * f),
    ]
    sheet.write(0, 0, f"Allocation, {rule.starts} to {rule.ends}", b.bold)
    for i, (label, formula, value) in enumerate(rows, start=1):
        sheet.write_string(i, 0, label)
        sheet.write_formula(i, 1, formula, b.shown, value)
    at = len(rows) + 2
    sheet.write_row(at, 0, ["step above", "from", "price", "water", "cost"], b.bold)
    for i, step in enumerate(rule.steps):
        row = at + 1 + i
        sheet.write_number(row, 0, i + 1)
        sheet.write_formula(row, 1, f"={step.above_m3!r}*{FACTOR}", b.shown, step.above_m3 * f)
        sheet.write_formula(row, 2, f"={step.price!r}/{FACTOR}", None, step.price / f)
        most = f"MIN(B6,B{row + 2})" if i + 1 < len(rule.steps) else "B6"
        sheet.write_formula(row, 3, f"=MAX({most}-B{row + 1},0)", b.shown, step.volume_m3 * f)
        sheet.write_formula(row, 4, f"=D{row + 1}*C{row + 1}", b.number, step.cost)
