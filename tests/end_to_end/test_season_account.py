"""The account of a season, every total of every file against a program that shares nothing with the project."""

from __future__ import annotations

import csv
import json
import re
from datetime import datetime

import jsonschema
import pytest

from scheduler.season.document import SCHEMA_FILE, generated_schema
from scheduler.season.make import season_account
from scheduler.season.record import with_earlier_record
from scheduler.season.span import Span
from scheduler.season.write import write_season
from scheduler.site import load_site
from tests.drawn import some
from tests.end_to_end.drawn_seasons import draw
from tests.end_to_end.formulas import Workbook
from tests.end_to_end.season_checker import Season

LITRE = 1e-3  # m3
SEEDS = (1, 2, 3, 4, 6, 9)


@pytest.fixture(scope="module", params=some(SEEDS, 1))
def account(request, tmp_path_factory):
    drawn = draw(tmp_path_factory.mktemp("season") / "site", request.param)
    site = with_earlier_record(load_site(drawn.folder))
    unit = (None, "acre_ft", "ccf", None)[request.param % 4]
    document, record = season_account(site, Span(drawn.first, drawn.last), datetime(2027, 6, 1), unit=unit)
    folder = drawn.folder / "season"
    write_season(document, record, folder)
    return Season(drawn.folder, drawn.first, drawn.last), json.loads((folder / "season.json").read_text()), folder


@pytest.mark.drawn
def test_the_document_is_of_its_schema(account):
    _, document, _ = account
    jsonschema.Draft202012Validator(json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))).validate(document)


def test_the_shipped_schema_is_the_generated_one():
    # Differs? python -m scheduler.season.document
    assert json.loads(SCHEMA_FILE.read_text(encoding="utf-8")) == json.loads(json.dumps(generated_schema()))


@pytest.mark.drawn
def test_json_to_the_litre(account):
    season, document, _ = account
    totals = document["totals"]
    assert totals["logged_m3"] == pytest.approx(season.total(), abs=LITRE) and totals["logged_m3"] > 100
    assert totals["metered_m3"] == pytest.approx(season.meter_total(), abs=LITRE)
    assert totals["rain_mm"] == pytest.approx(sum(season.rain.values()), abs=1e-2)
    assert totals["eto_mm"] == pytest.approx(sum(season.eto.values()), abs=1e-2)
    for month in document["months"]:
        assert month["logged_m3"] == pytest.approx(season.total(month["month"]), abs=LITRE)
        assert (month["metered_m3"] or 0.0) == pytest.approx(season.meter_total(month["month"]), abs=LITRE)
    for s in document["sources"]:
        assert s["logged_m3"] == pytest.approx(season.total(s["month"], s["source"]), abs=LITRE)
        assert (s["metered_m3"] or 0.0) == pytest.approx(season.meter_total(s["month"], s["source"]), abs=LITRE)
        counted = s["metered_m3"] if s["use_from"] == "meter" else s["logged_m3"]
        assert s["use_m3"] == pytest.approx(counted, abs=LITRE)
    for z in document["zones"]:
        assert z["logged_m3"] == pytest.approx(season.total(zone=z["zone"]), abs=LITRE)
    for s in document["surfaces"]:
        assert s["logged_m3"] == pytest.approx(season.total(surface=s["surface"]), abs=LITRE)
    rows = document["rows"]
    assert sum(r["logged_m3"] for r in rows) == pytest.approx(season.total(), abs=LITRE)
    for r in rows[:: max(1, len(rows) // 40)]:
        own = season.total(r["month"], zone=r["zone"]) * season.shares(r["zone"]).get(r["source"], 0.0)
        assert r["logged_m3"] == pytest.approx(own, abs=LITRE)
    for name in ("demand_m3", "effective_rain_m3", "deficit_m3", "dry_zone_days", "soft_zone_days", "use_m3"):
        assert sum(m[name] for m in document["months"]) == pytest.approx(totals[name], abs=LITRE)
    assert any("gone-too" in line for line in document["uncounted"])


@pytest.mark.drawn
def test_allocation_steps_and_allowance(account):
    season, document, _ = account
    rule = document["allocation"]
    by_night = dict(zip(document["cumulative"]["nights"], document["cumulative"]["used_m3"], strict=True))
    used = rule["used_before_m3"] + rule["used_earlier_m3"]
    assert list(by_night.values())[-1] == pytest.approx(rule["used_m3"], abs=LITRE)
    assert rule["used_m3"] > used
    first, second = 0.3 * rule["volume_m3"], 0.6 * rule["volume_m3"]
    in_first = max(min(rule["used_m3"], second) - first, 0.0)
    in_second = max(rule["used_m3"] - second, 0.0)
    assert rule["surcharge"] == pytest.approx(0.5 * in_first + 0.9 * in_second, abs=1e-2)
    totals = document["totals"]
    priced = totals["water_cost"] + (totals["energy_cost"] or 0.0) + rule["surcharge"]
    assert document["bill"] == pytest.approx(priced, abs=1e-2)
    assert rule["left_m3"] - rule["over_m3"] == pytest.approx(rule["volume_m3"] - rule["used_m3"], abs=LITRE)
    allowance = document["allowance"]
    counted = max(sum(season.eto.values()) - 0.25 * sum(season.rain.values()), 0.0)
    weighted = 0.5 * season.area("turf") + 1.0 * season.area("special") + 0.3 * season.area("landscape")
    gallons = counted / 25.4 * 0.62 * weighted / 0.3048**2
    assert allowance["allowance_gal"] == pytest.approx(gallons, rel=1e-9)


@pytest.mark.drawn
def test_csv_to_the_litre(account):
    season, _, folder = account
    with (folder / "nights.csv").open(newline="") as stream:
        table = list(csv.DictReader(stream))
    sums = {what: sum(float(r["volume [m3]"]) for r in table if r["what"] == what) for what in ("logged", "metered")}
    assert sums["logged"] == pytest.approx(season.total(), abs=LITRE)
    assert sums["metered"] == pytest.approx(season.meter_total(), abs=LITRE)
    night, zone = next(iter(season.logged))
    own = [r for r in table if r["night"] == night.isoformat() and r["zone"] == zone]
    assert sum(float(r["volume [m3]"]) for r in own) == pytest.approx(season.logged[night, zone], abs=1e-6)


@pytest.mark.drawn
def test_workbook_to_the_litre_by_its_formulas(account):
    season, document, folder = account
    book = Workbook(folder / "season.xlsx")
    per_m3 = document["shown"]["per_m3"]
    months = [m["month"] for m in document["months"]]
    account_sheet = book.table("Account")
    assert [row[0] for row in account_sheet[2 : 2 + len(months)]] == months
    for row in account_sheet[2 : 2 + len(months)]:
        assert row[1] / per_m3 == pytest.approx(season.total(row[0]), abs=LITRE)
        assert row[2] / per_m3 == pytest.approx(season.meter_total(row[0]), abs=LITRE)
    last = account_sheet[2 + len(months)]
    assert last[1] / per_m3 == pytest.approx(season.total(), abs=LITRE)
    assert last[3] / per_m3 == pytest.approx(document["totals"]["use_m3"], abs=LITRE)
    assert last[9] / per_m3 == pytest.approx(document["totals"]["deficit_m3"], abs=LITRE)
    for row in book.table("By zone")[2:-1]:
        own = season.total(zone=row[0]) * season.shares(row[0]).get(row[4], 0.0)
        assert row[-1] / per_m3 == pytest.approx(own, abs=LITRE)
    surfaces = book.table("By surface")
    for row in surfaces[2 : 2 + len(document["surfaces"])]:
        assert row[1 + len(months)] / per_m3 == pytest.approx(season.total(surface=row[0]), abs=LITRE)
    for row in book.table("By source")[2 : 2 + len(document["sources"])]:
        assert row[2] / per_m3 == pytest.approx(season.total(row[0], row[1]), abs=LITRE)
        assert (row[3] or 0.0) / per_m3 == pytest.approx(season.meter_total(row[0], row[1]), abs=LITRE)
    allocation = {row[0]: row[1] for row in book.table("Allocation")}
    assert allocation["used in all"] / per_m3 == pytest.approx(document["allocation"]["used_m3"], abs=LITRE)
    steps = [row for row in book.table("Allocation") if row[0] in (1, 2) and row[4] is not None]
    assert sum(row[4] for row in steps) == pytest.approx(document["allocation"]["surcharge"], abs=1e-2)


@pytest.mark.drawn
def test_values_kept_beside_the_formulas_are_what_they_come_to(account):
    from openpyxl import load_workbook

    _, _, folder = account
    book, kept = Workbook(folder / "season.xlsx"), load_workbook(folder / "season.xlsx", data_only=True)
    for sheet in kept.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                if isinstance(cell.value, float):
                    assert book.value(sheet.title, cell.row, cell.column) == pytest.approx(
                        cell.value, rel=1e-9, abs=1e-3
                    )


@pytest.mark.drawn
def test_every_number_of_the_pages_stands_in_the_document(account):
    _, document, folder = account
    numbers: set[float] = set()

    def walk(part):
        if isinstance(part, bool) or part is None:
            return
        if isinstance(part, (int, float)):
            numbers.add(float(part))
        elif isinstance(part, dict):
            for value in part.values():
                walk(value)
        elif isinstance(part, list):
            for value in part:
                walk(value)

    walk(document)
    for page in ("season.html", "statement.html", "summary.html"):
        text = (folder / page).read_text()
        shown = [float(v) for v in re.findall(r'<data value="([^"]+)">', text)]
        assert shown or page == "summary.html"
        assert not [v for v in shown if v not in numbers], page
        assert f"{document['totals']['logged_m3']:,.3f}" in text or page != "season.html"
        assert not re.search(r"(?:src|href)=\"?http", text)


@pytest.mark.drawn
def test_the_pages_say_what_is_simulated_and_what_is_estimated(account):
    _, document, folder = account
    text = (folder / "season.html").read_text()
    assert "Each line is a simulation" in text and all(p["simulation"] for p in document["practices"])
    assert {"as_logged", "et_replacement", "fixed_programme"} <= {p["key"] for p in document["practices"]}
    assert "saving" not in text.lower()
    for line in document["estimates"]:
        assert line.split("'")[0] in text
    for a in document["answers"]:
        assert a["headline"] in (folder / "summary.html").read_text().replace("&#39;", "'")
