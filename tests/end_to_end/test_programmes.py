"""Controllers that hold programmes, through the command line: played by a plain controller written apart.

`programme_player` reads programmes.csv as a person keys it and ticks through the night; `plan_checker` holds every
limit of the folder against plan.json. Neither knows anything of the product.
"""

import json
import re
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from scheduler.cli import app
from scheduler.errors import NoPlan
from scheduler.evening import plan_tonight, publish
from scheduler.site import load_site
from tests.drawn import draws
from tests.end_to_end.hand_sites import EVENING, draw_site
from tests.end_to_end.plan_checker import check_plan
from tests.end_to_end.programme_player import TICK, keyed_in, play, play_any_order, player_faults
from tests.end_to_end.programme_site import CONTROLLERS, write_site
from tests.end_to_end.programme_sites import with_programmes

SHIPPED = Path(__file__).resolve().parents[2] / "scenarios" / "lowland-stadium"


def tonight(folder: Path, night: str, *options: str) -> dict:
    """Plan one evening through the command line; plan.json as any program reads it."""
    result = CliRunner().invoke(app, ["tonight", str(folder), "--night", night, *options])
    assert result.exit_code == 0, result.output
    return json.loads((folder / "out" / night / "plan.json").read_text(encoding="utf-8"))


def limit_faults(folder: Path, plan: dict) -> list[str]:
    """Limits that do not hold; what zones are made of and how their water balances is judged by other tests."""
    return [fault for fault in check_plan(folder, plan) if "the folder says" not in fault]


def held(plan: dict, name: str) -> dict:
    return next(c for c in plan["controllers"] if c["name"] == name)


@pytest.fixture(scope="module")
def course(tmp_path_factory):
    """The course of 18 greens with the plans of four evenings."""
    folder = write_site(tmp_path_factory.mktemp("course") / "site")
    return folder, {night: tonight(folder, night) for night in (f"2026-07-{day:02d}" for day in range(7, 11))}


def test_a_plain_controller_runs_what_the_plan_says(course):
    folder, plans = course
    for night, plan in plans.items():
        assert player_faults(folder, folder / "out" / night, plan) == []
        assert limit_faults(folder, plan) == []


def test_the_player_sees_a_wrong_table(course, tmp_path):
    folder, plans = course
    out = tmp_path / "out"
    shutil.copytree(folder / "out" / "2026-07-08", out)
    table = (out / "programmes.csv").read_text()
    (out / "programmes.csv").write_text(re.sub(r"(,G1,)(\d+)", lambda m: f"{m[1]}{int(m[2]) + 1}", table))
    assert table != (out / "programmes.csv").read_text()
    assert any("ticks differ" in fault for fault in player_faults(folder, out, plans["2026-07-08"]))
    (out / "programmes.csv").write_text(re.sub(r"\d\d:\d\d", "23:11", table))
    assert player_faults(folder, out, plans["2026-07-08"]) != []


def test_eighteen_greens_are_keyed_with_under_half_of_the_entries(course):
    # station by station a person keys a run time for each of 18 stations, and a start for each of its cycles
    _, plans = course
    each = {n: sum(1 + len(z["cycles"]) for z in p["zones"] if z["controller"] == "greens") for n, p in plans.items()}
    taken = {night: held(plan, "greens")["entries"] for night, plan in plans.items()}
    assert taken["2026-07-08"] <= 19  # the first evening they run: every station once, and a start
    later = [taken[night] / each[night] for night in ("2026-07-09", "2026-07-10")]
    assert max(later) < 0.5 and np.mean(later) < 0.3, later


def test_the_keying_sheet_marks_only_what_changes(course):
    folder, plans = course
    sheet = (folder / "out" / "2026-07-09" / "keypad.html").read_text(encoding="utf-8")
    greens = held(plans["2026-07-09"], "greens")
    part = sheet[sheet.index("<h2>greens</h2>") : sheet.index("<h2>roughs</h2>")]
    assert part.count("<i></i>") == greens["entries"] > 0
    (programme,) = greens["programmes"]
    for station in programme["stations"]:
        number = station["zone"][1:]
        marked = re.search(rf'<i></i></td><td class="station">{number}</td>', part)
        assert bool(marked) == (station["minutes"] != station["before_minutes"])
        told = f">{number}</td>" in part or f"<b>{number}</b>" in part
        assert told  # what stays is still there to compare with
    changed = any(s["minutes"] != s["before_minutes"] for s in programme["stations"])
    at = f"it runs {programme['percent']:g} % of them"
    assert (at in part) == (changed and programme["percent"] != 100)


def test_a_percent_is_offered_checked_and_can_be_chosen(tmp_path):
    # Where every change is to be made, so that none is taken for granted.
    every = CONTROLLERS.replace("starts_each = 4", 'starts_each = 4\nsteady_within = "0 mm"', 1)
    place = write_site(tmp_path / "site", controllers=every)
    plans = {night: tonight(place, night) for night in ("2026-07-07", "2026-07-08", "2026-07-09")}
    offer = next(p for p in plans["2026-07-09"]["percents"])
    assert offer["most_off_mm"] <= 0.5 and offer["entries"] < offer["instead_of"]
    shutil.rmtree(place / "out" / "2026-07-09")
    plan = tonight(place, "2026-07-09", "--percent", f"greens/1={offer['percent']:g}")
    (programme,) = held(plan, "greens")["programmes"]
    assert programme["percent"] == offer["percent"] and held(plan, "greens")["entries"] == offer["entries"]
    assert all(s["minutes"] == s["before_minutes"] for s in programme["stations"])
    assert player_faults(place, place / "out" / "2026-07-09", plan) == [] and limit_faults(place, plan) == []
    # what the offer said of it: no zone further off than told
    rate = {z["id"]: z["depth_mm"] / z["minutes"] for z in plans["2026-07-09"]["zones"] if z["minutes"]}
    was = {z["id"]: z["minutes"] for z in plans["2026-07-09"]["zones"]}
    off = [abs(z["minutes"] - was[z["id"]]) * rate[z["id"]] for z in plan["zones"] if z["controller"] == "greens"]
    assert max(off) == pytest.approx(offer["most_off_mm"], abs=1e-4)


@pytest.mark.parametrize(
    ("option", "told"),
    [
        ("greens=97", "CONTROLLER/NUMBER=PERCENT is allowed"),
        ("grens/1=97", 'did you mean "greens"?'),
        ("greens/4=97", "a programme that stands from an evening before is allowed: 1"),
        ("greens/1=500", "a whole percent from 10 to 200 is allowed"),
    ],
)
def test_a_percent_that_cannot_be_is_refused(course, option, told):
    folder, _ = course
    result = CliRunner().invoke(app, ["tonight", str(folder), "--night", "2026-07-10", "--percent", option])
    assert result.exit_code != 0 and told in result.output.replace("\n", " ") and "Traceback" not in result.output


def test_any_order_of_a_controller_of_its_own_holds_the_night(course):
    folder, plans = course
    night, plan = next((n, p) for n, p in plans.items() if any(c["opens"] for c in p["controllers"]))
    beds = [z for z in plan["zones"] if z["controller"] == "beds" and z["minutes"] > 0]
    own = held(plan, "beds")
    opens, done = (datetime.fromisoformat(own[key]) for key in ("opens", "done_by"))
    assert beds
    assert done <= datetime.fromisoformat(night) + timedelta(days=1, hours=5)
    cycles = np.array([len(z["cycles"]) for z in beds])
    each = np.array([z["cycles"][0]["minutes"] for z in beds])
    soak = np.array([z["limits"]["soak_min"] for z in beds])
    rng = np.random.default_rng(3)
    worst = max(
        end
        for _ in range(300)
        for *_, end in play_any_order(rng.permutation(len(beds)).tolist(), cycles, each, soak, own["at_once"])
    )
    assert worst <= (done - opens).total_seconds() / 60
    # the others leave it the flow of its two largest stations until then
    rows = [line.split(",") for line in (folder / "zones.csv").read_text().splitlines()[1:]]
    flow_of = {row[0]: float(row[7]) for row in rows}
    flows = sorted((flow_of[z["id"]] for z in beds), reverse=True)
    for moment in np.arange(0, (done - opens).total_seconds(), 60.0):
        at = opens.timestamp() + moment
        used = sum(
            flow_of[z["id"]]
            for z in plan["zones"]
            for c in z["cycles"]
            if z["controller"] != "beds"
            and datetime.fromisoformat(c["start"]).timestamp() <= at < datetime.fromisoformat(c["end"]).timestamp()
        )
        assert used + sum(flows[:2]) <= 9.0 + 1e-9
    table = (folder / "out" / night / "minutes-and-cycles.csv").read_text()
    assert "start" not in table and table.startswith("controller,station,zone,minutes,cycles")


def test_a_night_that_programmes_cannot_hold_says_what_it_costs(tmp_path):
    # one programme, one station at a time: 24 greens of some 20 min are more than the 7 h of the window
    tight = "".join(f'[[controller]]\nname = "{name}"\n' for name in ("greens", "beds", "roughs"))
    tight = tight.replace('name = "greens"\n', 'name = "greens"\nprogrammes = 1\n')
    folder = write_site(tmp_path / "site", controllers=tight, greens=24)
    _, plan = (tonight(folder, night) for night in ("2026-07-06", "2026-07-07"))
    assert player_faults(folder, folder / "out" / "2026-07-07", plan) == []
    own, told = held(plan, "greens"), [w["text"] for w in plan["warnings"] if w["subject"] == "programmes"]
    ran = {z["id"]: z["minutes"] for z in plan["zones"] if z["controller"] == "greens"}
    assert own["lost_minutes"] > 0 and own["lost_m3"] > 0
    assert any(text.startswith("greens: held to its programmes it runs") for text in told)
    free = write_site(tmp_path / "free", controllers=tight.replace("programmes = 1\n", ""), greens=24)
    _, other = (tonight(free, night) for night in ("2026-07-06", "2026-07-07"))
    would = {z["id"]: z["minutes"] for z in other["zones"] if z["controller"] == "greens"}
    missing = sum(would[z] - ran[z] for z in ran)
    assert own["lost_minutes"] == pytest.approx(missing, rel=0.15)  # what is told is what the free site really runs


def test_a_dry_evening_leaves_programmes_as_they_stand(course, tmp_path):
    folder, plans = course
    place = tmp_path / "site"
    shutil.copytree(folder, place)
    shutil.rmtree(place / "out" / "2026-07-10")
    (place / "calendar.csv").write_text("from,until,surface,event\n2026-07-10,2026-07-10,green,no_water\n")
    plan = tonight(place, "2026-07-10")
    (programme,) = held(plan, "greens")["programmes"]
    assert programme["starts"] == [] and programme["taken_out"] == []
    stood = {s["zone"]: s["minutes"] for s in held(plans["2026-07-09"], "greens")["programmes"][0]["stations"]}
    assert {s["zone"]: s["minutes"] for s in programme["stations"]} == stood
    assert held(plan, "greens")["entries"] == len(programme["before_starts"])  # its starts are deleted, no more


@pytest.mark.sweep
def test_the_shipped_stadium_keys_its_training_pitches_by_programme(tmp_path):
    folder = tmp_path / "site"
    shutil.copytree(SHIPPED, folder, ignore=shutil.ignore_patterns("out"))
    for night in ("2026-07-11", "2026-07-12", "2026-07-13"):
        plan = tonight(folder, night)
        assert player_faults(folder, folder / "out" / night, plan) == [] and limit_faults(folder, plan) == []
        assert len(held(plan, "gate house")["programmes"]) <= 4


@pytest.mark.drawn
@pytest.mark.parametrize("seed", range(0, draws(120, 1)))
def test_drawn_sites_hold_every_limit_with_drawn_controllers(tmp_path, seed):
    folder = with_programmes(draw_site(tmp_path / "site", seed), seed)
    site = load_site(folder)
    try:
        document = plan_tonight(site, EVENING, datetime(2026, 7, 14, 17, tzinfo=site.time_zone))
    except NoPlan:
        pytest.skip("no plan can be made of this site, with or without programmes")
    publish(site, document, folder / "out" / "2026-07-14")
    plan = document.plain()
    assert player_faults(folder, folder / "out" / "2026-07-14", plan) == []
    ranks = ("goes", "gets")  # what a programme cannot hold gives way out of the order of ranks, and is named
    assert [f for f in limit_faults(folder, plan) if not all(word in f for word in ranks)] == []


@pytest.mark.sweep
@pytest.mark.parametrize("seed", range(500, 540))
def test_programmes_of_a_second_evening_hold_every_limit_with_what_stays_keyed(tmp_path, seed):
    folder = with_programmes(draw_site(tmp_path / "site", seed), seed, own_times=0.1, free=0.1)
    site = load_site(folder)
    for night in (EVENING - timedelta(days=1), EVENING):
        try:
            made = datetime(night.year, night.month, night.day, 17, tzinfo=site.time_zone)
            document = plan_tonight(site, night, made)
        except NoPlan:
            pytest.skip("no plan can be made of this site, with or without programmes")
        out = folder / "out" / night.isoformat()
        publish(site, document, out)
        plan = document.plain()
        assert player_faults(folder, out, plan) == []
        ranks = ("goes", "gets")
        assert [f for f in limit_faults(folder, plan) if not all(word in f for word in ranks)] == []


def test_the_player_ticks_as_told():
    held_ = {"1": keyed_from([("a", 600), ("b", 300)], [0]), "2": keyed_from([("c", 600)], [300])}
    on, waited = play({"name": "x"}, held_)
    assert waited == 1  # it begins after five minutes; the first takes fifteen
    spans = {z: [t for t in range(len(on)) if z in on[t]] for z in "abc"}
    assert {z: (t[0] * TICK, (t[-1] + 1) * TICK) for z, t in spans.items()} == {
        "a": (0, 600), "b": (600, 900), "c": (900, 1500),
    }  # fmt: skip


def keyed_from(stations, starts):
    """One programme for the player."""
    from tests.end_to_end.programme_player import Keyed

    return Keyed(stations, starts)


def test_what_is_keyed_comes_from_the_table_alone(course):
    folder, _ = course
    import tomllib

    site = tomllib.loads((folder / "site.toml").read_text())
    keyed = keyed_in(folder / "out" / "2026-07-09" / "programmes.csv", site)
    assert list(keyed) == ["greens"] and len(keyed["greens"]["1"].stations) == 18
