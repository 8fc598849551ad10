"""`evenfall new`: files that match each other on any day and place, one's own zones, questions, refusals."""

from datetime import date, datetime, timedelta

import pandas as pd
import pytest
from openpyxl import Workbook
from typer.testing import CliRunner

from scheduler.cli import app
from scheduler.document.parts import ActionKind
from scheduler.errors import BAD_INPUT, USAGE, InputProblems
from scheduler.evening import plan_tonight
from scheduler.ledger.keeping import bring_in
from scheduler.site import load_site
from scheduler.starter import answered, write_starter
from scheduler.starter.own_zones import read_own_zones
from scheduler.starter.samples import year_of_demand
from scheduler.terminal.new_site import ask
from tests.drawn import some

OWN = [
    ["Willow Bend, irrigation zones"],
    [],
    ["Hole", "Station No.", "Description", "Area Type", "Grass", "Soil Type", "Area (sq. ft.)", "GPM", "DU %",
     "Satellite", "Heads"],
    [1, "A1", "1 green", "Greens", "Bent/Poa", "Sand-based", "5,400", 48, 75, "Sat 1", 6],
    [2, "A2", "2 tee", "Tee Box", "Bermuda", "Sandy Loam", 3600, 28, 70, "Sat 1", 4],
    [2, "B1", "2 fairway left", "FWY", "Bermuda", "Clay Loam", 17500, 92, 65, "Sat 2", 9],
    ["", "B2", "clubhouse beds", "Shrubs", "Native mix", "Loam", 4200, 24, None, "Sat 2", 5],
]  # fmt: skip


def workbook(path, rows=OWN):
    book = Workbook()
    for row in rows:
        book.active.append(row)
    book.save(path)
    return path


@pytest.mark.drawn
@pytest.mark.parametrize("evening", some([date(2027, 1, 2), date(2026, 7, 14), date(2026, 12, 31)], 1))
@pytest.mark.parametrize(
    ("units", "latitude", "longitude"),
    [("us", "38.5", "-121.7"), ("metric", "33.9 S", "151.2"), ("metric", "60 N", "25")],
)
def test_a_new_site_is_read_without_a_warning_and_its_files_match(tmp_path, evening, units, latitude, longitude):
    answers = answered("Try", units=units, latitude=latitude, longitude=longitude, elevation="100 m")
    write_starter(tmp_path / "new", evening, answers)
    site = load_site(tmp_path / "new")
    assert {(n.kind, n.subject) for n in site.notes} == {("step_down", "invented samples")}
    assert site.weather["date"].max().date() == evening
    assert site.forecast["date"].min().date() == evening + timedelta(days=1)
    assert site.applied["night"].max().date() == evening - timedelta(days=1)
    assert site.probes["time"].max().date() == evening
    assert site.allocation.starts <= evening <= site.allocation.ends
    assert 0 <= site.allocation.used_before < site.allocation.volume
    demand = year_of_demand(site, evening.year)  # what is left suffices for the rest of the year, with a tenth to spare
    left = site.allocation.volume - site.allocation.used_before
    assert left >= 0.95 * demand[(evening - date(evening.year, 1, 1)).days :].sum()
    assert site.zones.flow.max() <= site.pumps[0].capacity
    flows = pd.DataFrame({"zone": site.zones.zone, "flow": site.zones.flow * 0.06})
    log = site.applied.merge(flows, on="zone")  # the meter shows what the log says ran between its readings
    nights = log[log["night"].dt.date >= evening - timedelta(days=21)]
    counted = site.meter["reading"].iloc[-1] - site.meter["reading"].iloc[0]
    assert counted == pytest.approx((nights["minutes"] * nights["flow"]).sum(), rel=0.01, abs=1.5)


def test_a_trial_plan_says_so_first_and_leaves_nothing_in_the_ledger(tmp_path):
    write_starter(tmp_path / "new", date(2026, 7, 14))
    kept = bring_in(load_site(tmp_path / "new"))
    assert kept.ledger is not None
    document = plan_tonight(kept.site, date(2026, 7, 14), datetime(2026, 7, 14, 18, tzinfo=kept.site.time_zone))
    first = document.actions[0]
    assert first.kind == ActionKind.STOP and "do not water by it" in first.what and "weather, forecast" in first.why
    assert not any(a.kind == ActionKind.LOAD for a in document.actions)
    kept.close()
    toml = tmp_path / "new" / "site.toml"
    own = tmp_path / "own"
    write_starter(own, date(2026, 7, 14))
    text = (own / "site.toml").read_text()
    (own / "site.toml").write_text("\n".join(line for line in text.splitlines() if not line.startswith("invented")))
    counts = {}
    for name, folder in (("samples", toml.parent), ("own", own)):
        taken = bring_in(load_site(folder))
        counts[name] = {series: c.new for series, c in taken.report.counts.items()}
        taken.close()
    assert not any(counts["samples"].values())
    assert min(counts["own"][s] for s in ("weather", "probes", "applied", "samples", "calendar", "probe_sites")) > 0


def test_the_samples_of_a_site_can_only_be_files_of_a_site(tmp_path):
    write_starter(tmp_path / "new")
    toml = tmp_path / "new" / "site.toml"
    toml.write_text(toml.read_text().replace('invented = ["weather"', 'invented = ["wether"'))
    with pytest.raises(
        InputProblems, match='"wether" is no series of a site; a list of these is allowed.*mean "weather"'
    ):
        load_site(toml.parent)


def test_a_table_as_people_keep_it_is_understood(tmp_path):
    path = workbook(tmp_path / "my zones.xlsx")
    written = write_starter(tmp_path / "new", date(2026, 7, 14), answered("Willow", zones=path))
    zones = load_site(tmp_path / "new").zones
    assert zones.zone.tolist() == ["G01", "T01", "F01", "L01"] and zones.name[0] == "1 green"
    assert zones.place.tolist()[:3] == ["hole 1", "hole 2", "hole 2"]
    assert zones.turf_mix[0] == (("creeping_bentgrass", 0.5), ("annual_bluegrass", 0.5))
    assert zones.soil.tolist() == ["sand_rootzone", "sandy_loam", "clay_loam", "loam"]
    assert zones.area[0] == pytest.approx(5400 * 0.09290304) and zones.flow[0] == pytest.approx(48 * 0.0630901964)
    assert zones.du_lq == pytest.approx([0.75, 0.70, 0.65, 0.70])
    assert [c.name for c in load_site(tmp_path / "new").controllers] == ["Sat 1", "Sat 2"]
    told = " ".join(written.told)
    assert '"GPM" is flow' in told and 'kept out, as no column of zones.csv: "Heads"' in told
    assert 'turf: "Native mix" not known, left empty; allowed: "annual_bluegrass"' in told


def test_a_semicolon_table_with_decimal_commas_and_no_units_says_what_it_took(tmp_path):
    path = tmp_path / "zonen.csv"
    path.write_bytes("Zone;Surface;Area;Flow;Root depth\nP1;Pitch;1240;4,1;20\nÄ2;Lawn;420;1,3;30\n".encode("cp1252"))
    own = read_own_zones(path, "metric")
    assert own.columns == ("zone", "surface", "root_depth [cm]", "area [m2]", "flow [L/s]")
    assert own.rows[0] == ("P1", "pitch", "20", "1240", "4.1") and own.rows[1][:2] == ("Ä2", "landscape")
    assert "taken as area [m2], flow [L/s], root_depth [cm]: look at them" in " ".join(own.told)


WRONG = {
    "no such file": (None, "there is no such file"),
    "no areas": (["Zone,Surface,GPM\nG1,Green,40\n"], 'no column of areas was found; name it "area", with its unit'),
    "no flows": (["Zone,Surface,Area\nG1,Green,400\n"], "neither a flow nor a rate was found"),
    "no names": (["Surface,Area,GPM\nGreen,400,40\n"], 'nothing names the zones; a column "zone" or "name" is needed'),
    "no header": (["1,2,3\n4,5,6\n"], "no row names the columns; a header such as"),
    "no zones": (["Zone,Surface,Area,GPM\n"], "no zone stands below the header"),
    "no surface": (
        ["Zone,Surface,Area,GPM\nG1,Green,400,40\nX1,Moat,400,40\n"],
        'line 3, column "Surface": read "Moat X1"',
    ),
    "a word for a number": (
        ["Name;Surface;Size sqft;GPM\nG1;Green;big;40\n"],
        'line 2, column "Size sqft": read "big"',
    ),
}


@pytest.mark.parametrize("what", WRONG)
def test_a_table_that_cannot_be_used_is_refused_in_its_own_words_and_nothing_is_left(tmp_path, what):
    text, words = WRONG[what]
    path = tmp_path / "own.csv"
    if text:
        path.write_text(text[0])
    with pytest.raises(InputProblems) as found:
        write_starter(tmp_path / "new", date(2026, 7, 14), answered("x", zones=path))
    assert words in str(found.value) and str(found.value).startswith("own.csv")
    assert not (tmp_path / "new").exists()


def test_a_table_that_is_no_workbook_is_refused(tmp_path):
    (tmp_path / "zones.xlsx").write_text("not a workbook")
    with pytest.raises(InputProblems, match=r"this is no XLSX workbook; open it in a spreadsheet and save it"):
        read_own_zones(tmp_path / "zones.xlsx", "us")
    (tmp_path / "zones.pdf").write_text("x")
    with pytest.raises(InputProblems, match=r'read ".pdf"; a file .xlsx or .csv is allowed'):
        read_own_zones(tmp_path / "zones.pdf", "us")


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ({"units": "feet"}, 'units: read "feet"; us or metric is allowed'),
        ({"latitude": "346"}, "latitude: .*degrees from -90 to 90 are allowed"),
        ({"latitude": "34.6 W"}, "latitude: "),
        ({"longitude": "abc"}, "longitude: .*-116.9 west of Greenwich"),
        ({"elevation": "high"}, "elevation: .*a height such as 1410 ft or 430 m"),
        ({"time_zone": "Pacific"}, 'time zone: read "Pacific"; a name such as "America/Los_Angeles"'),
        ({"surfaces": "greens=9, moat=2"}, 'surfaces: read "moat=2"; a list such as'),
        ({"surfaces": "green=0"}, "surfaces: "),
        ({"sources": "well=salty"}, "sources: .*a name with the EC of its water"),
        ({"controllers": " , "}, "controllers: .*names separated by commas"),
    ],
)
def test_an_answer_that_cannot_be_read_says_what_to_type(answer, words):
    with pytest.raises(ValueError, match=words):
        answered("x", **answer)


def test_answers_as_people_give_them():
    got = answered("My  course", latitude="33.9 S", longitude="70,6 W", elevation="1000",
                   surfaces="9 greens, tees=9, rough",
                   sources="reclaimed=1400 uS/cm, well")  # fmt: skip
    assert (got.name, got.latitude, got.longitude, got.elevation) == ("My course", -33.9, -70.6, 304.8)
    assert got.surfaces == {"green": 9, "tee": 9, "rough": 1}
    assert dict(got.sources) == {"reclaimed": pytest.approx(1.4), "well": 1.1}
    assert (got.time_zone, got.currency) == ("America/Santiago", "USD")


def test_on_a_terminal_what_no_option_says_is_asked_and_asked_again_when_it_cannot_be_read():
    replies = {"Name of the site": ["Hill Top"], "Units": ["furlongs", "metric"], "Latitude": ["52.3"], "Waters": [""]}
    asked = []

    def reply(words, offered):
        asked.append(words.split(",")[0].split(" in ")[0])
        return (replies.get(asked[-1]) or [offered]).pop(0)

    given = dict.fromkeys(("units", "latitude", "longitude", "elevation", "surfaces", "controllers", "sources"))
    title, zones, found = ask("x", "x", None, given | {"elevation": "12 m"}, reply)
    assert title == "Hill Top" and zones is None and found["units"] == "metric" and found["latitude"] == "52.3"
    assert asked.count("Units") == 2 and not any("Height" in a for a in asked)
    assert answered(title, **found).elevation == 12.0


def test_the_command_writes_checks_and_refuses(tmp_path):
    run = CliRunner().invoke
    done = run(app, ["new", str(tmp_path / "a"), "--units", "metric", "--latitude=-33.9", "--longitude", "151"])
    assert done.exit_code == 0 and "Australia/Sydney" in done.output and "Next: evenfall check" in done.output
    checked = run(app, ["check", str(tmp_path / "a")])
    assert checked.exit_code == 0 and "warning" not in checked.output
    assert run(app, ["new", str(tmp_path / "a")]).exit_code == BAD_INPUT
    wrong = run(app, ["new", str(tmp_path / "b"), "--latitude", "abc"])
    assert wrong.exit_code == USAGE and not (tmp_path / "b").exists()
