"""The workbook of a small account: every sheet cell by cell, every formula calculated anew."""

import io
from datetime import date, datetime
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from openpyxl import load_workbook

from scheduler.season.workbook import HEAD, workbook_bytes
from tests.end_to_end.formulas import Workbook

NAN = np.nan
NIGHTS = pd.to_datetime(["2026-06-30", "2026-07-01", "2026-07-02"])
MONTH = np.array([0, 1, 1])
SUPPLIES = ("well", "lake")


def record():
    zones = SimpleNamespace(
        zone=np.array(["G1", "F1"]), name=np.array(["one", "two"]), surface=np.array(["green", "fairway"]),
        area_class=np.array(["special", "regular"]), sources=SUPPLIES, share=np.array([[1.0, 0.0], [0.25, 0.75]]),
    )  # fmt: skip
    logged = SimpleNamespace(
        nights=NIGHTS, volume=np.array([[3.0, 0.0, 5.0], [4.0, 8.0, 0.0]]),
        estimated=np.array([[0.0, 0.0, 5.0], [0.0, 2.0, 0.0]]),
    )  # fmt: skip
    metered = SimpleNamespace(
        meters=(SimpleNamespace(name="A", source="well"), SimpleNamespace(name="B", source="well")),
        covered=np.array([[False, True, True], [False, True, True]]),
        volume=np.array([[9.0, 1.5, 2.5], [9.0, 4.0, 0.5]]), spread=np.array([[9.0, 0.0, 2.5], [0, 0, 0]]),
    )  # fmt: skip
    days = SimpleNamespace(
        dates=NIGHTS + pd.Timedelta(days=1), eto=np.array([5.0, NAN, 6.0]), rain=np.array([0.0, 2.0, 1.0]),
        eto_observed=np.array([True, False, True]), rain_observed=np.array([True, True, False]),
    )  # fmt: skip
    site = SimpleNamespace(sources=(SimpleNamespace(name="well", price=0.5), SimpleNamespace(name="lake", price=2.0)))
    return SimpleNamespace(
        site=site, zones=zones, logged=logged, metered=metered, days=days, months=("2026-06", "2026-07"), month=MONTH,
        span=SimpleNamespace(nights=3, first=date(2026, 6, 30), last=date(2026, 7, 2)),
    )  # fmt: skip


def source(month, name, logged, metered, nights, use, by, cost):
    return SimpleNamespace(
        month=month, source=name, logged_m3=logged, metered_m3=metered, metered_nights=nights, use_m3=use, use_from=by,
        water_cost=cost,
    )  # fmt: skip


def of(month, *figures):
    names = "logged_m3 metered_m3 use_m3 water_cost eto_mm rain_mm demand_m3 effective_rain_m3 deficit_m3".split()
    return SimpleNamespace(month=month, **dict(zip(names, figures, strict=True)), dry_zone_days=3, soft_zone_days=1)


def document(units="metric", per_m3=2.0, used_in_account=True):
    total = of("", 20.0, 8.5, 21.5, 24.25, 11.0, 3.0, 30.0, 4.0, 6.0)
    total.dry_zone_days, total.soft_zone_days = 6, 2
    steps = [SimpleNamespace(above_m3=100.0, price=1.0, volume_m3=20.0, cost=20.0),
             SimpleNamespace(above_m3=120.0, price=3.0, volume_m3=6.5, cost=19.5)]  # fmt: skip
    used = 126.5 if used_in_account else 115.0
    if not used_in_account:
        steps[0].volume_m3, steps[0].cost, steps[1].volume_m3, steps[1].cost = 15.0, 15.0, 0.0, 0.0
    allocation = SimpleNamespace(
        starts=date(2026, 4, 1), ends=date(2026, 10, 31), volume_m3=110.0, used_before_m3=100.0, used_earlier_m3=5.0,
        used_m3=used, left_m3=0.0, over_m3=used - 110.0, steps=steps,
    )  # fmt: skip
    return SimpleNamespace(
        site=SimpleNamespace(name="Links", units=units), span=SimpleNamespace(first="2026-06-30", last="2026-07-02"),
        shown=SimpleNamespace(unit="kgal", name="halves", per_m3=per_m3), totals=total, allocation=allocation,
        months=[of("2026-06", 7.0, None, 7.0, 8.0, 5.0, 0.0, 10.0, 0.0, 3.0),
                of("2026-07", 13.0, 8.5, 14.5, 16.25, 6.0, 3.0, 20.0, 4.0, 3.0)],
        sources=[source("2026-06", "well", 4.0, None, 0, 4.0, "log", 2.0),
                 source("2026-06", "lake", 3.0, None, 0, 3.0, "log", 6.0),
                 source("2026-07", "well", 7.0, 8.5, 2, 8.5, "meter", 4.25),
                 source("2026-07", "lake", 6.0, None, 0, 6.0, "log", 12.0)],
        surfaces=[SimpleNamespace(surface="green"), SimpleNamespace(surface="fairway")],
        estimates=["estimated"], uncounted=["uncounted"],
    )  # fmt: skip


def written(tmp_path, **given):
    data = workbook_bytes(document(**given), record())
    (tmp_path / "a.xlsx").write_bytes(data)
    return Workbook(tmp_path / "a.xlsx"), data


@pytest.mark.parametrize(
    "given", [{}, {"units": "us", "per_m3": 0.264}, {"used_in_account": False}], ids=["metric", "us", "part"]
)
def test_what_stands_beside_a_formula_is_what_it_comes_to(tmp_path, given):
    book, data = written(tmp_path, **given)
    kept = load_workbook(io.BytesIO(data), data_only=True)
    for sheet in kept.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                if isinstance(cell.value, (int, float)):
                    found = book.value(sheet.title, cell.row, cell.column)
                    assert found == pytest.approx(cell.value, rel=1e-9, abs=1e-9), (sheet.title, cell.coordinate)


def cells(book, sheet):
    return [[round(c, 9) if isinstance(c, float) else c for c in row] for row in book.table(sheet)]


def test_every_sheet_cell_by_cell(tmp_path):
    book, data = written(tmp_path)
    assert list(book.cells) == [
        "Account", "By source", "By surface", "By zone", "Allocation", "Log nights", "Meter nights", "Weather", "Units",
    ]  # fmt: skip
    none = [None] * 20

    def filled(*rows, width):
        return [[*row, *none][:width] for row in rows]

    at = [n.to_pydatetime() for n in NIGHTS]
    title = "Water of the log [m3], one row a night; italics: reckoned from minutes and flow"
    assert cells(book, "Log nights") == filled(
        [title], [None, None, "zone", "G1", "F1", "F1"], [None, None, "name", "one", "two", "two"],
        [None, None, "surface", "green", "fairway", "fairway"], [None, None, "class", "special", "regular", "regular"],
        [None, None, "source", "well", "well", "lake"], [], ["night", "month", "all zones"],
        [at[0], "2026-06", 7.0, 3, 1, 3], [at[1], "2026-07", 8.0, None, 2, 6], [at[2], "2026-07", 5.0, 5], width=6,
    )  # fmt: skip
    title = "Water of the meters [m3], one row a night; italics: divided over the nights between"
    assert cells(book, "Meter nights") == filled(
        [title], [None, None, "A", "B"], [None, None, "well", "well"], [], [], [], [], ["night", "month"],
        [at[0], "2026-06"], [at[1], "2026-07", 1.5, 4], [at[2], "2026-07", 2.5, 0.5], width=4,
    )  # fmt: skip
    dates = [datetime(2026, 7, d) for d in (1, 2, 3)]
    assert cells(book, "Weather") == [
        ["date", "month", "ETo [mm]", "rain [mm]", "observed"], [dates[0], "2026-06", 5, 0, "yes"],
        [dates[1], "2026-07", None, 2, "no"], [dates[2], "2026-07", 6, 1, "no"],
    ]  # fmt: skip
    assert cells(book, "Units") == filled(
        ["volumes are shown in", "halves"], ["units shown in one cubic metre", 2], ["mm in one millimetre", 1], [],
        ["Change B2 and every total follows."], ["estimated"], ["uncounted"], width=2,
    )  # fmt: skip
    head = ["zone", "name", "surface", "class", "source", "2026-06", "2026-07", "season"]
    assert cells(book, "By zone") == filled(
        ["Logged water by zone and month [halves]"], head, ["G1", "one", "green", "special", "well", 6, 10, 16],
        ["F1", "two", "fairway", "regular", "well", 2, 4, 6], ["F1", "two", "fairway", "regular", "lake", 6, 12, 18],
        [None, None, None, None, "all", 14, 26, 40], width=8,
    )  # fmt: skip
    assert cells(book, "By surface") == filled(
        ["Logged water by surface and month [halves]"], ["surface", "2026-06", "2026-07", "season"],
        ["green", 6, 10, 16], ["fairway", 8, 16, 24], ["all", 14, 26, 40], [], ["Surfaces: Greens, Fairways"], width=4,
    )  # fmt: skip
    head = ["month", "source", "logged", "metered", "nights metered", "counted by", "used", "price", "cost"]
    assert cells(book, "By source") == filled(
        ["Water by source and month [halves]"], head, ["2026-06", "well", 8, None, None, "log", 8, 0.25, 2],
        ["2026-06", "lake", 6, None, None, "log", 6, 1, 6], ["2026-07", "well", 14, 17, 2, "meter", 17, 0.25, 4.25],
        ["2026-07", "lake", 12, None, None, "log", 12, 1, 12],
        [None, "all", 40, 17, None, None, 43, None, 24.25], [],
        ["Log nights hold columns D to F, Meter nights C to D, 3 rows."], width=9,
    )  # fmt: skip
    head = ["month", "logged", "metered", "used", "water cost", "ETo [mm]", "rain [mm]", "turf demand",
    "effective rain",
            "deficit", "dry zone-days", "soft zone-days"]  # fmt: skip
    assert cells(book, "Account") == filled(
        ["Links: 2026-06-30 to 2026-07-02 [halves]"], head, ["2026-06", 14, 0, 14, 8, 5, 0, 20, 0, 6, 3, 1],
        ["2026-07", 26, 17, 29, 16.25, 6, 3, 40, 8, 6, 3, 1], ["season", 40, 17, 43, 24.25, 11, 3, 60, 8, 12, 6, 2], [],
        ["Turf demand, effective rain, dry and soft zone-days are reckoned, not recorded; see Units."], width=12,
    )  # fmt: skip


def test_the_allocation_step_by_step(tmp_path):
    book, _ = written(tmp_path)
    none = [None] * 3
    assert cells(book, "Allocation")[:8] == [
        ["Allocation, 2026-04-01 to 2026-10-31", None, *none], ["allocation [halves]", 220, *none],
        ["used before the log began", 200, *none], ["logged before this account", 10, *none],
        ["used in this account", 43, *none], ["used in all", 253, *none], ["left", 0, *none], ["above", 33, *none],
    ]  # fmt: skip
    assert cells(book, "Allocation")[9:] == [
        ["step above", "from", "price", "water", "cost"], [1, 200, 0.5, 40, 20], [2, 240, 1.5, 13, 19.5],
    ]  # fmt: skip
    part, _ = written(tmp_path, used_in_account=False)
    assert [part.value("Allocation", r, 2) for r in (5, 6, 8)] == [20.0, 230.0, 10.0]


def test_headings_stay_and_what_is_reckoned_stands_in_italics(tmp_path):
    _, data = written(tmp_path)
    book = load_workbook(io.BytesIO(data))
    assert {s.title: s.freeze_panes for s in book.worksheets if s.freeze_panes} == {
        "Account": "B3", "By source": "C3", "By surface": "B3", "By zone": "F3", "Log nights": "D9",
        "Meter nights": "C9",
    }  # fmt: skip
    italic = {
        s.title: [c.coordinate for row in s.iter_rows(min_row=HEAD + 1) for c in row if c.font.italic]
        for s in book.worksheets
    }
    assert {title: where for title, where in italic.items() if where} == {
        "Log nights": ["E10", "F10", "D11"], "Meter nights": ["C11"]
    }  # fmt: skip
    assert all(s.page_setup.orientation == "landscape" and s.page_setup.fitToHeight == 0 for s in book.worksheets)
    formats = {c: book["By zone"][c].number_format for c in ("F3", "H3")}
    assert formats == {"F3": "#,##0.0000", "H3": "#,##0.0000"} and book["By source"]["I3"].number_format == "#,##0.00"
    assert [book["Account"][c].number_format for c in ("B5", "E5", "F5", "K5")] == [
        "#,##0.0000", "#,##0.00", "#,##0.00", "#,##0",
    ]  # fmt: skip
