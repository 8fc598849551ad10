"""`intake`, `learn`, `morning` and the ledger side of `tonight` on real files, one step down at a time."""

import json
import re
import shutil
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from models.spot_fit import places, run_spots
from scheduler.cli import app
from scheduler.errors import BAD_INPUT, NO_PLAN, OK, STORAGE, USAGE
from scheduler.evening import plan_tonight
from scheduler.learn import _record as records_of
from scheduler.learn import learn
from scheduler.ledger import open_ledger, queries
from scheduler.ledger.keeping import Kept, as_held, with_accepted
from scheduler.morning.report import morning_report
from scheduler.site import load_site
from tests import ledger_contents

SHIPPED = Path(__file__).parents[2] / "scenarios" / "lowland-stadium"
NIGHT, BEFORE = "2026-07-14", "2026-07-13"


ZONES = ["P1", "P2", "P3", "E3", "L1"]  # two pitches with probes, a zone without one, and a garden
PROBED = [*ZONES, "P4", "P6", "W3"]  # with all that have a probe, so that there is something to learn


def part_of_the_stadium(folder, zones):
    """Some zones of the shipped stadium: readings of the last two weeks, two nights, no programmes, no salts."""
    shutil.copytree(SHIPPED, folder, ignore=shutil.ignore_patterns("out", "cases", "*.sqlite*"))
    for name, column in (("zones", 0), ("probe_sites", 1), ("applied", 1), ("probes", 1), ("calendar", 3)):
        file = folder / f"{name}.csv"
        head, *rows = file.read_text(encoding="utf-8").splitlines()
        kept = [row for row in rows if row.split(",")[column].partition("-")[0] in ("", *zones)]
        if name == "probes":
            kept = [re.sub(r"^((?:[^,]*,){3})[^,]*", r"\1", row) for row in kept if row >= "2026-07-01"]  # no ec
        file.write_text("\n".join([head, *kept]) + "\n", encoding="utf-8")
    toml = folder / "site.toml"  # nothing here is about later nights, programmes or salts
    text = toml.read_text(encoding="utf-8")
    assert "nights = 7" in text and "ec = 0.6" in text and text.count("\nprogrammes") == 2
    text = re.sub(r"\n(programmes|starts_each)", r"\n# \1", text)
    toml.write_text(text.replace("nights = 7", "nights = 2").replace("ec = 0.6", "ec = 0"), encoding="utf-8")
    return folder


@pytest.fixture
def site(tmp_path):
    return part_of_the_stadium(tmp_path / "site", ZONES)


@pytest.fixture
def taught(tmp_path):
    """Readings of a turf that uses a third more than is told, each spot by its own balance."""
    site = part_of_the_stadium(tmp_path / "site", PROBED)
    toml = site / "site.toml"  # nights with room, for nothing here is about packing
    roomy = toml.read_text(encoding="utf-8").replace('opens = "23:30"', 'opens = "20:00"').replace("finish_by =", "# ")
    toml.write_text(roomy.replace("nights = 2", "nights = 1"), encoding="utf-8")
    told = load_site(site)
    record, _ = records_of(told, date(2026, 7, 14), [])
    zone, which = places(record.probes)
    case = (np.full((zone.size, 1), v) for v in (np.log(4 / 3), 0.0, 0.1))
    level = run_spots(record, zone, *case).depletion[:, :, 0].T
    root, capacity = told.zones.root_depth[zone][:, None], told.zones.field_capacity[zone][:, None]
    moisture = capacity - level / (1000.0 * root) + np.random.default_rng(2).normal(0, 0.003, level.shape)
    days = pd.date_range(end="2026-07-14", periods=record.nights)
    by_zone = dict(zip(told.zones.zone[zone], moisture, strict=True))
    places_of = told.probe_sites[told.probe_sites["zone"].isin(list(by_zone))]
    rows = [
        (f"{day:%Y-%m-%d}T20:00", p.probe, f"{value:.4f}")
        for p in places_of.itertuples()
        for day, value in zip(days, by_zone[p.zone], strict=True)
    ]
    pd.DataFrame(rows, columns=["time", "probe", "moisture"]).to_csv(site / "probes.csv", index=False)
    return site


def run(*arguments, code=OK):
    result = CliRunner(env={"COLUMNS": "300"}).invoke(app, [str(a) for a in arguments])
    assert result.exit_code == code, result.output
    return result.output


def plan_of(folder, night=NIGHT):
    return json.loads((folder / "out" / night / "plan.json").read_text(encoding="utf-8"))


def said(plan, what):
    return [s["why"] for s in plan["inputs"]["step_downs"] if s["what"] == what]


def test_intake_twice_says_what_is_new_and_then_nothing(site):
    rows = len((site / "probes.csv").read_text(encoding="utf-8").splitlines()) - 1
    assert rows > 500 and f"probes: {rows:,} new" in run("intake", site)
    again = run("intake", site)
    assert "nothing new" in again and f"probes: 0 new, 0 corrected, {rows:,} known" in again
    (site / "ledger.sqlite").write_bytes(b"this is no database at all, though it is long enough to be one")
    assert "ledger" in run("intake", site, code=STORAGE)


def test_an_evening_is_kept_and_a_second_one_supersedes(site):
    run("tonight", site, "--night", NIGHT)
    plan = plan_of(site)
    assert {z["state_from"] for z in plan["zones"]} == {"probe", "kin", "balance"}
    assert any(w["subject"] == "probe P3-15" for w in plan["warnings"])
    run("tonight", site, "--night", NIGHT)
    ledger = open_ledger(site)
    kept, estimates = ledger_contents.plan_list(ledger), ledger_contents.estimates_of(ledger, date(2026, 7, 14))
    ledger.close()
    assert len(estimates) == len(plan["zones"])
    assert kept["stands"].sum() == 1
    np.testing.assert_allclose(
        estimates.set_index("zone")["depletion"].reindex([z["id"] for z in plan["zones"]]),
        [z["before"]["depletion_mm"] for z in plan["zones"]],
    )


def test_a_ledger_that_cannot_be_used_is_said_and_the_plan_is_made(site):
    (site / "site.toml").write_text(
        (site / "site.toml").read_text(encoding="utf-8") + '\n[ledger]\nurl = "nowhere/at/all/ledger.sqlite"\n',
        encoding="utf-8",
    )
    run("tonight", site, "--night", NIGHT, "--out", site.parent / "elsewhere")
    plan = json.loads((site.parent / "elsewhere" / "plan.json").read_text(encoding="utf-8"))
    assert len(said(plan, "ledger")) == 1
    assert plan["zones"] and not (site / "out").exists()


def test_nothing_changes_until_it_is_accepted(taught):
    site = taught
    told = load_site(site).zones.microclimate
    shown = run("learn", site, "--night", NIGHT)
    assert "Nothing was changed" in shown and "microclimate" in shown
    assert "pitch: learned: over" in shown and "landscape: nothing learned yet: no probe" in shown
    np.testing.assert_array_equal(as_held(load_site(site)).zones.microclimate, told)  # what tonight would plan with
    run("tonight", site, "--night", NIGHT)
    first = plan_of(site)
    run("learn", site, "--night", NIGHT, "--accept-only", "nonsense", code=USAGE)
    assert "accepted" in run("learn", site, "--night", NIGHT, "--accept-only", "microclimate")
    ledger = open_ledger(site)
    values = queries.accepted_values(ledger)
    ledger.close()
    assert set(values["quantity"]) == {"microclimate"} and len(values)
    run("tonight", site, "--night", NIGHT)
    assert [z["balance"]["etc_mm"] for z in plan_of(site)["zones"]] != [z["balance"]["etc_mm"] for z in first["zones"]]


@pytest.mark.sweep
def test_a_lesson_is_the_same_whatever_was_accepted_before(taught):
    # Evidence counts once: what is offered follows from zones.csv and the record, never from what is in use.
    told, night = load_site(taught), date(2026, 7, 14)
    first = learn(told, told, night).table
    assert len(first)
    accepted = with_accepted(told, first[["zone", "quantity", "value"]])
    assert learn(told, accepted, night).table.empty
    astray = with_accepted(told, first[["zone", "quantity", "value"]].assign(value=lambda t: t["value"] * 0.8))
    again = learn(told, astray, night).table
    columns = ["zone", "quantity", "told", "value", "low", "high"]
    pd.testing.assert_frame_equal(again[columns], first[columns])


def test_a_value_the_record_does_not_bear_out_goes_back_to_what_was_told(site):
    told, night = load_site(site), date(2026, 7, 14)
    unseen = str(told.zones.zone[told.zones.surface == "landscape"][0])
    rows = pd.DataFrame({"zone": [unseen], "quantity": ["microclimate"], "value": [0.6]})
    lesson = learn(told, with_accepted(told, rows), night)
    [row] = lesson.table[lesson.table["zone"] == unseen].itertuples(index=False)
    assert (row.before, row.value, row.through) == (0.6, row.told, "told")
    assert dict(lesson.reasons)["landscape"].startswith("nothing learned yet: ")


def test_a_morning_has_its_page_without_anything_from_outside(site):
    text = run("morning", site)
    page = site / "out" / BEFORE / "morning.html"
    html = page.read_text(encoding="utf-8")
    assert str(page) in text and "no plan of this night" in text
    assert "http" not in html.replace("http-equiv", "") and "Walk here first" in html


def test_the_hand_list_is_the_dose_times_the_area(site):
    lines = (site / "probes.csv").read_text(encoding="utf-8").splitlines()
    for i, line in enumerate(lines):
        cells = line.split(",")
        if cells[1].startswith("P1-") and cells[2]:
            cells[2] = f"{max(float(cells[2]) - 0.07, 0.01):.3f}"
            lines[i] = ",".join(cells)
    (site / "probes.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    report = morning_report(Kept(load_site(site), None, None), date(2026, 7, 12))
    area = dict(zip(report.site.zones.zone, report.site.zones.area, strict=True))
    assert report.hand
    for spot in report.hand:
        assert spot.depletion > spot.dry_limit
        assert 0 < spot.dose <= 12
        assert spot.spot_m3 == pytest.approx(spot.dose * 10 / 1000)  # 10 m2 in metric units
        assert spot.zone_m3 == pytest.approx(spot.dose * area[spot.zone] / 1000)
        assert f"{spot.dose * 10:,.0f} L" in spot.words


@pytest.mark.parametrize(
    ("missing", "what"),
    [
        (("probes.csv", "probe_sites.csv"), "probes.csv"),
        (("applied.csv",), "applied.csv"),
        (("forecast.csv",), "forecast.csv"),
        (("weather.csv",), "weather.csv"),
        (("probes.csv", "probe_sites.csv", "applied.csv", "forecast.csv", "weather.csv"), "weather.csv"),
    ],
)
def test_each_step_down_works_and_is_said(site, missing, what):
    for name in missing:
        (site / name).unlink()
    told = load_site(site)
    plan = plan_tonight(told, date(2026, 7, 14), datetime(2026, 7, 14, 18, tzinfo=told.time_zone)).plain()
    assert said(plan, what) and "step" not in said(plan, what)[0].lower()
    if len(missing) > 2:  # the commands too, where nothing at all is known
        run("tonight", site, "--night", NIGHT)
        assert said(plan_of(site), what)
        run("intake", site)
        run("learn", site, "--night", NIGHT)
        assert "step-down" in run("morning", site, "--night", NIGHT)


def test_stale_everything_still_plans_and_says_so(site):
    run("tonight", site, "--night", "2026-08-20")
    plan = plan_of(site, "2026-08-20")
    assert said(plan, "probes") and said(plan, "applied") and said(plan, "weather")
    assert {z["state_from"] for z in plan["zones"]} == {"field capacity"}


def test_no_night_to_look_back_on_is_said(site):
    (site / "applied.csv").unlink()
    assert "no night to look back on" in run("morning", site, code=NO_PLAN)
    (site / "zones.csv").write_text("zone\n", encoding="utf-8")
    run("morning", site, code=BAD_INPUT)
