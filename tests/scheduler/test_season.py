"""The account of a season: seasons side by side, meters against the log, the ledger's earlier years, the command."""

from __future__ import annotations

import json
from datetime import date, datetime, timedelta

import pytest
from typer.testing import CliRunner

from scheduler.cli import app
from scheduler.errors import NoPlan
from scheduler.ledger import open_ledger
from scheduler.ledger.intake import intake
from scheduler.season.make import season_account
from scheduler.season.record import with_earlier_record
from scheduler.season.span import Span, choose_span
from scheduler.season.write import write_season
from scheduler.site import load_site
from tests.scheduler import site_folders as folders

TOML = (
    folders.TOML.replace('units = "metric"', 'units = "metric"\ncurrency = "EUR"')
    + '[window]\nopens = "22:00"\ncloses = "06:00"\n[[pump]]\nname = "p"\ncapacity = 20\nhead = 50\n'
    + '[[branch]]\nname = "north"\n[[branch]]\nname = "south"\n[[source]]\nname = "well"\nec = 0.0\nprice = 1.0\n'
)
ZONES = (
    "zone,surface,area,flow,branch\nG1,green,500,2,north\nG2,green,500,2,north\nF1,fairway,3000,6,south\n"
    "F2,fairway,3000,6,south\nR1,rough,4000,8,south\n"
)
NIGHTS = {"G1": 1, "G2": 2, "F1": 2, "F2": 3, "R1": 4}  # each runs every so many nights


def log(first: date, last: date, factor: float = 1.0) -> tuple[str, dict[date, dict[str, float]]]:
    """A log of whole litres, and its volumes by night and zone."""
    lines, water = [], {}
    night = first
    while night <= last:
        for zone, every in NIGHTS.items():
            if night.toordinal() % every == 0:
                volume = round((2.0 + night.toordinal() % 7 + every) * factor, 3)
                lines.append(f"{night},{zone},10,{volume},")
                water.setdefault(night, {})[zone] = volume
        night += timedelta(days=1)
    return "\n".join(lines) + "\n", water


def readings(water: dict[date, dict[str, float]], first: date, last: date, of: dict[str, float], extra: float = 0.0):
    """Readings every third morning of a meter that sees a share of each zone, and `extra` every night."""
    count, lines, night = 100.0, [], first
    while night <= last:
        if (night - first).days % 3 == 0:
            lines.append(f"{night}T07:00,M,{count:.6f},well,cumulative,,")
        count += extra + sum(v * of.get(z, 1.0) for z, v in water.get(night, {}).items())
        night += timedelta(days=1)
    return "time,meter,reading,source,kind,rolls_over_at,note\n" + "\n".join(lines) + "\n"


def weather(first: date, last: date, eto: float) -> str:
    days = range((last - first).days + 1)
    return "".join(f"{first + timedelta(days=k)},{eto},{6 if k % 11 == 0 else 0}\n" for k in days)


def made(tmp_path, **files):
    first, last = date(2026, 4, 1), date(2026, 8, 31)
    text, water = log(first, last)
    files.setdefault("applied", "night,zone,minutes,volume,note\n" + text)
    files.setdefault("weather", "date,eto,rain\n" + weather(first, last, 4.0))
    if callable(files.get("meter")):
        files["meter"] = files["meter"](water, first, last)
    site = folders.site(tmp_path / "site", toml=TOML, zones=ZONES, **files)
    return season_account(site, Span(first, last), datetime(2026, 9, 1))[0]


@pytest.mark.parametrize(
    ("of", "extra", "kind", "name", "words"),
    [
        ({"F2": 0.0}, 0.0, "zone", "F2", "a valve that does not open"),
        ({"R1": 1.6}, 0.0, "zone", "R1", "60 % more ran than was logged"),
        ({"F1": 0.7, "F2": 0.7, "R1": 0.7}, 0.0, "branch", "south", "30 % less ran"),
        ({}, 9.0, "every_night", "", "whatever is logged"),
        (dict.fromkeys(NIGHTS, 1.08), 0.0, "all", "", "8 % more ran"),
    ],
)
def test_what_explains_a_difference_is_named_first(tmp_path, of, extra, kind, name, words):
    document = made(tmp_path, weather=None, meter=lambda water, first, last: readings(water, first, last, of, extra))
    found = document.differences[0]
    assert found.beyond_error and (found.causes[0].kind, found.causes[0].name) == (kind, name)
    assert words in found.causes[0].words and found.causes[0].words in " ".join(document.next_season)


def test_a_leak_is_named_with_the_night_it_began(tmp_path):
    def meter(water, first, last):
        leaking = {n: w | ({"leak": 8.0} if n >= date(2026, 6, 10) else {}) for n, w in water.items()}
        return readings(leaking, first, last, {})

    cause = made(tmp_path, weather=None, meter=meter).differences[0].causes[0]
    assert cause.kind == "every_night" and abs((cause.since - date(2026, 6, 10)).days) <= 3
    assert cause.volume_m3 / cause.nights == pytest.approx(8.0, rel=0.06) and "a leak" in cause.words


def test_a_meter_and_a_log_that_agree_need_no_explanation(tmp_path):
    document = made(tmp_path, weather=None, meter=lambda water, first, last: readings(water, first, last, {"R1": 1.01}))
    assert not document.differences[0].beyond_error and not document.differences[0].causes


def test_water_without_a_record_and_records_without_water(tmp_path):
    def meter(water, first, last):
        june = {n: ({} if n.month == 6 else w) for n, w in water.items()}  # a dead station all June
        return readings(june, first, last, {})

    document = made(tmp_path, weather=None, meter=meter)
    logged = sum(s.logged_m3 for s in document.sources if s.month == "2026-06")
    assert document.differences[0].never_metered_m3 == pytest.approx(logged, rel=0.1)
    assert document.differences[0].without_record_m3 == pytest.approx(0.0, abs=1e-6)


def test_months_read_in_full_count_by_the_meter_others_by_the_log(tmp_path):
    def meter(water, first, last):
        return readings(water, date(2026, 5, 10), last, {"G1": 1.05})

    document = made(tmp_path, weather=None, meter=meter)
    assert {s.month: s.use_from for s in document.sources} == {
        "2026-04": "log", "2026-05": "log", "2026-06": "meter", "2026-07": "meter", "2026-08": "log",
    }  # fmt: skip
    by = {s.month: s for s in document.sources}
    assert document.totals.use_m3 == pytest.approx(
        sum(s.metered_m3 if s.use_from == "meter" else s.logged_m3 for s in by.values()), abs=1e-6
    )


def two_years(folder):
    earlier, later = (date(2025, 4, 1), date(2025, 8, 31)), (date(2026, 4, 1), date(2026, 8, 31))
    table = "night,zone,minutes,volume,note\n" + log(*earlier)[0] + log(*later, factor=1.2)[0]
    days = "date,eto,rain\n" + weather(*earlier, 4.0) + weather(*later, 5.0)
    return folders.write(folder, toml=TOML, zones=ZONES, applied=table, weather=days)


def test_the_year_before_stands_beside_and_says_why(tmp_path):
    site = load_site(two_years(tmp_path / "site"))
    span = choose_span(site, date(2026, 4, 1), None)
    document, record = season_account(site, span, datetime(2026, 9, 1))
    assert [s.name for s in document.seasons] == ["2026", "2025"]
    assert document.base is not None and document.base.use_of_this == pytest.approx(1.2, rel=0.02)
    why = next(a for a in document.answers if a.question.startswith("Why"))
    assert why.headline == "20 % more than 2025" and "25 % higher" in why.words
    repeated = next(p for p in document.practices if p.key == "base_year")
    assert repeated.title == "As run in 2025"
    assert repeated.water_m3.middle == pytest.approx(document.base.logged_m3, rel=1e-6)
    write_season(document, record, tmp_path / "out")
    assert "20 % more than 2025" in (tmp_path / "out" / "summary.html").read_text()


def test_a_base_year_without_a_record_is_refused(tmp_path):
    site = load_site(two_years(tmp_path / "site"))
    for year, words in ((2019, "neither log nor meter"), (2026, "not before the season")):
        with pytest.raises(NoPlan, match=words):
            season_account(site, Span(date(2026, 4, 1), date(2026, 8, 31)), datetime(2026, 9, 1), base_year=year)


def test_an_earlier_year_is_in_the_ledger_when_the_folder_has_been_cleared(tmp_path):
    folder = two_years(tmp_path / "site")
    ledger = open_ledger(folder)
    intake(load_site(folder), ledger)
    ledger.close()
    whole = season_account(load_site(folder), Span(date(2025, 4, 1), date(2025, 8, 31)), datetime(2026, 9, 1))[0]
    for name in ("applied", "weather"):
        lines = (folder / f"{name}.csv").read_text().splitlines()
        (folder / f"{name}.csv").write_text("\n".join([lines[0], *(li for li in lines[1:] if li > "2026")]) + "\n")
    site = with_earlier_record(load_site(folder))
    again = season_account(site, Span(date(2025, 4, 1), date(2025, 8, 31)), datetime(2026, 9, 1))[0]
    assert again.totals == whole.totals and again.totals.logged_m3 > 0
    assert any("come from the ledger" in line for line in again.notes)


def test_the_simulation_of_the_log_stands_where_the_account_does(tmp_path):
    document = made(tmp_path)
    mine = next(p for p in document.practices if p.key == "as_logged")
    assert mine.water_m3.middle == pytest.approx(document.totals.logged_m3, abs=1e-3)
    assert mine.dry_zone_days.middle == pytest.approx(document.totals.dry_zone_days, abs=2)
    assert mine.dry_zone_days.low <= mine.dry_zone_days.middle <= mine.dry_zone_days.high
    full = next(p for p in document.practices if p.key == "et_replacement")
    assert full.dry_zone_days.middle < mine.dry_zone_days.middle and full.water_m3.middle > mine.water_m3.middle


def test_the_command_writes_all_files_and_answers_five_questions(tmp_path):
    folder = two_years(tmp_path / "site")
    run = CliRunner().invoke(
        app, ["season", str(folder), "--from", "2026-04-01", "--until", "2026-08-31", "--base", "2025", "--unit", "ccf"]
    )
    assert run.exit_code == 0, run.output
    place = folder / "season" / "2026-04-01_2026-08-31"
    assert {p.name for p in place.iterdir()} == {
        "season.json", "season.html", "season.xlsx", "nights.csv", "statement.html", "summary.html",
    }  # fmt: skip
    document = json.loads((place / "season.json").read_text())
    assert document["shown"]["unit"] == "ccf" and len(document["answers"]) == 5
    assert all(a["headline"] in run.output for a in document["answers"])


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--from", "yesterday"], 2, "a date is allowed"),
        (["--unit", "buckets"], 2, "allowed: m3, gal"),
        (["--from", "2026-09-01", "--until", "2026-08-01"], 4, "before it begins"),
    ],
)
def test_what_cannot_be_is_said_in_one_line(tmp_path, arguments, code, words):
    run = CliRunner().invoke(app, ["season", str(two_years(tmp_path / "site")), *arguments])
    assert run.exit_code == code and words in run.output.replace("\n", " ").replace("│", "")
    assert not (tmp_path / "site" / "season").exists()


def test_a_site_without_any_record_has_nothing_to_give_account_of(tmp_path):
    with pytest.raises(NoPlan, match="nothing to give account of"):
        choose_span(folders.site(tmp_path / "site", toml=TOML, zones=ZONES), None, None)


def test_a_season_nothing_was_recorded_of_is_refused(tmp_path):
    site = load_site(two_years(tmp_path / "site"))
    with pytest.raises(NoPlan, match="neither log nor meter says anything of the nights"):
        season_account(site, Span(date(2020, 1, 1), date(2020, 2, 1)), datetime(2026, 9, 1))


def test_a_meter_alone_gives_an_account_and_says_what_is_not_known(tmp_path):
    text = "time,meter,reading,source\n2026-07-01,M,10,well\n2026-08-01,M,41,well\n"
    site = folders.site(tmp_path / "site", toml=TOML, zones=ZONES, meter=text)
    document, record = season_account(site, choose_span(site, None, None), datetime(2026, 9, 1))
    assert (document.span.first, document.span.last) == (date(2026, 7, 1), date(2026, 7, 31))
    assert document.totals.metered_m3 == document.totals.use_m3 == 31.0 and document.totals.eto_mm is None
    assert document.differences[0].without_record_m3 == 31.0 and document.practices == []
    assert [a.headline for a in document.answers][3] == "not known"
    write_season(document, record, tmp_path / "out")
