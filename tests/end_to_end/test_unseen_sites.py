"""Sites nobody has seen, written from the site format alone and judged by `plan_checker`, which knows no product code.

`python -m tests.end_to_end.test_unseen_sites FIRST LAST` judges that range of drawn sites and prints what is wrong.
"""

from __future__ import annotations

import json
import sys
import tempfile
import tomllib
from datetime import date, datetime
from pathlib import Path

import pytest

from scheduler.document.rules import plan_faults
from scheduler.evening import plan_tonight
from scheduler.site import load_site
from tests.drawn import draws, some
from tests.end_to_end.energy_checker import energy_faults
from tests.end_to_end.folder_reader import pumps_of, read_zones
from tests.end_to_end.hand_sites import EVENING, draw_site
from tests.end_to_end.order_checker import order_faults
from tests.end_to_end.plan_checker import check_plan
from tests.end_to_end.weather_checker import weather_faults
from tests.evenings import schema_faults
from tests.sites import make_site

SEEDS = range(0, draws(120, 2))
# Sites on which a zone once went dry while one of a later rank got water it could have had: soaks that leave one place
# only, a station at a time, flows that fill a pump alone, drought orders that end within the plan.
IN_ORDER = (361, 233, 295, 321, 518, 595, 695, 944, 1350)
SIZED = {
    "one zone": {"zones": 1},
    "one night": {"zones": 40, "nights": 1},
    "fourteen nights": {"zones": 12, "nights": 14, "forecast_days": 14},
    "150 zones": {"zones": 150, "members": 3},
    "150 zones, us, decimal commas": {"zones": 150, "units": "us", "decimal_comma": True},
    "no probes": {"zones": 60, "probes": False},
    "no forecast": {"zones": 60, "forecast": False},
    "nothing known": {"zones": 60, "forecast": False, "probes": False, "applied": False, "weather": False},
    "allocation almost gone": {"zones": 60, "allocation_left": 0.02},
    "allocation short": {"zones": 60, "allocation_left": 0.4},
    "allocation with a tier": {"zones": 60, "allocation_left": 0.5, "allocation_tier": (1.0, 2.0)},
    "pump too small": {"zones": 60, "pump_factor": 0.3},
    "pump far too small, hot": {"zones": 60, "pump_factor": 0.1, "hot": 1.3},
    "every night forbidden but this one": {"zones": 60, "nights_allowed": ("Tuesday",)},
    "every night forbidden but a later one": {"zones": 60, "nights_allowed": ("Friday",)},
    "three pumps": {"zones": 40, "pumps": 3, "pump_factor": 0.6},
    "narrow loops, many controllers": {"zones": 60, "zones_per_branch": 3, "zones_per_controller": 2},
    "storm coming": {"zones": 40, "storm": 40.0},
    "steps of a second": {"zones": 30, "resolution": 1},
    "steps of half a minute": {"zones": 30, "resolution": 30},
    "steps of five minutes": {"zones": 30, "resolution": 300, "pump_factor": 0.5},
    "southern winter": {"zones": 30, "latitude": -35.0},
    "one hour open": {"zones": 30, "opens": "23:30", "closes": "00:30"},
    "open all day": {"zones": 30, "opens": "00:00", "closes": "24:00"},
    "three days old": {"zones": 30, "season_days": 3, "applied_nights": 1, "probe_days": 1},
}


def judged(folder: Path, night: date = EVENING) -> tuple[dict, list[str]]:
    """Plan the evening of a folder; the document as a reader gets it, and everything wrong with it."""
    site = load_site(folder)
    made = datetime(night.year, night.month, night.day, 17, tzinfo=site.time_zone)
    document = plan_tonight(site, night, made)
    plan = document.plain()
    faults = schema_faults(plan) + plan_faults(document) + check_plan(folder, plan) + energy_faults(folder, plan)
    faults += weather_faults(folder, plan)[0]
    return plan, faults


@pytest.mark.drawn
@pytest.mark.parametrize("kind", some(list(SIZED), 1))
def test_sized_sites_hold_every_limit(tmp_path, kind):
    options = SIZED[kind]
    size = options["zones"]
    plan, faults = judged(
        make_site(
            tmp_path / "site", **({"season_days": draws(60, 25)} | options | {"zones": draws(size, min(size, 6))})
        )
    )
    assert faults == []
    assert plan["inputs"]["step_downs"] or not {"forecast", "probes", "weather"} & options.keys()


@pytest.mark.sweep
def test_what_runs_follows_from_the_site(tmp_path):
    # what a reader would expect of each site, beyond the limits
    small = {"zones": 2, "nights": 4, "season_days": 20, "probes": False, "load": 0.4}
    made = datetime(EVENING.year, EVENING.month, EVENING.day, 17)
    status = {
        name: plan_tonight(load_site(make_site(tmp_path / name, **SIZED[name] | small)), EVENING, made).plain()[
            "status"
        ]
        for name in ("one zone", "every night forbidden but this one", "every night forbidden but a later one")
    }
    assert status == {
        "one zone": "planned",
        "every night forbidden but this one": "planned",
        "every night forbidden but a later one": "no watering allowed",
    }


@pytest.mark.drawn
@pytest.mark.parametrize("first", range(SEEDS.start, SEEDS.stop, 10))
def test_drawn_sites_hold_every_limit(tmp_path, first):
    wrong = {}
    for seed in range(first, min(first + 10, SEEDS.stop)):
        _, faults = judged(draw_site(tmp_path / str(seed), seed))
        if faults:
            wrong[seed] = faults[:5]
    assert wrong == {}


@pytest.mark.drawn
def test_later_ranks_give_way(tmp_path):
    seeds = some(IN_ORDER, 1)
    wrong = {seed: faults for seed in seeds if (faults := judged(draw_site(tmp_path / str(seed), seed))[1])}
    assert wrong == {}


@pytest.mark.drawn
@pytest.mark.parametrize("word", some(["careful", "even", "lean"], 1))
def test_no_word_for_caution_lets_a_later_rank_go_first(tmp_path, word):
    # rain that may come, with a pump that is short all night, and with --sweeps also with water to spare
    size = {"zones": draws(24, 8), "members": draws(4, 2), "nights": draws(7, 3), "season_days": draws(60, 20)}
    for name, pump in some([("short", 0.3), ("enough", 1.0)], 1):
        folder = make_site(tmp_path / name, pump_factor=pump, storm=20.0, **size)
        text = (folder / "site.toml").read_text()
        assert "[planning]" in text and "caution" not in text
        (folder / "site.toml").write_text(text.replace("[planning]", f'[planning]\ncaution = "{word}"'))
        site = load_site(folder)
        plan = plan_tonight(site, EVENING, datetime(2026, 7, 14, 17, tzinfo=site.time_zone)).plain()
        told, zones = tomllib.loads((folder / "site.toml").read_text()), read_zones(folder / "zones.csv", plan)
        assert any(z["minutes"] > 0 for z in plan["zones"])
        assert order_faults(plan, zones, told, pumps_of(told, zones), []) == []


def test_a_run_put_in_late_is_not_put_in_again_in_dear_hours(tmp_path):
    # The only run that could not be in time was placed late, and once more in the hours it was to keep out of.
    assert judged(draw_site(tmp_path / "site", 3199))[1] == []


def test_nothing_can_run_where_every_flow_is_too_large(tmp_path):
    folder = draw_site(tmp_path, 9)  # one branch smaller than its zones
    text = (folder / "site.toml").read_text()
    assert 'name = "line 1"' in text
    plan, faults = judged(folder)
    assert faults == []
    for zone in plan["zones"]:
        assert all(night["minutes"] == 0 for night in zone["path"])


def test_the_checker_sees_what_is_wrong(tmp_path):
    # the judge is worth nothing unless it notices
    folder = make_site(tmp_path / "site", zones=10, season_days=30, allocation_left=0.5)
    plan, faults = judged(folder)
    assert faults == []

    def spoiled(change, judge=check_plan) -> list[str]:
        copy = json.loads(json.dumps(plan))
        runs = [z for z in copy["zones"] if z["minutes"] > 0]
        change(copy, runs)
        found = judge(folder, copy)
        return found[0] if judge is weather_faults else found

    def all_at_once(copy, runs):
        for zone in runs:
            for cycle in zone["cycles"]:
                cycle["start"] = "2026-07-14T22:00:00"

    def thirstier(copy, runs):
        for zone in copy["zones"]:
            for step in zone["path"]:
                step["etc_mm"] *= 1.1

    def wetter(copy, runs):
        copy["zones"][0]["path"][2]["effective_rain_mm"] += 1.0

    def greedy(copy, runs):
        copy["allocation"]["share_this_horizon_m3"] *= 1.05

    def early(copy, runs):
        runs[0]["cycles"][0]["start"] = "2026-07-14T20:00:00"

    def thirsty_greens(copy, runs):
        for zone in copy["zones"]:
            if zone["surface"] == "green" and zone["minutes"] > 0:
                zone["limits"]["dry_limit_mm"] = 0.5
                zone["path"][0]["minutes"] = 0

    assert any("pump" in f for f in spoiled(all_at_once))
    copy = json.loads(json.dumps(plan))
    busy = max(copy["energy"], key=lambda block: block["energy_kwh"])
    busy["pumps"] = {n: e * 1.01 for n, e in busy["pumps"].items()}
    copy["energy"][-1]["price"] += 0.001
    wrong = energy_faults(folder, copy)
    assert any("worked out" in f for f in wrong) and any("the tariff says" in f for f in wrong)
    assert any("ET of" in f for f in spoiled(thirstier, weather_faults))
    assert any("of rain enter" in f for f in spoiled(wetter, weather_faults))
    assert any("this horizon" in f for f in spoiled(greedy, weather_faults))
    assert weather_faults(folder, plan) == ([], 10 * 7)
    assert any("runs" in f for f in spoiled(early))
    assert any("too dry" in f for f in spoiled(thirsty_greens))
    assert any("balance" in f for f in spoiled(lambda c, r: r[0]["balance"].update(etc_mm=0.0)))
    assert any("path" in f for f in spoiled(lambda c, r: r[0]["path"][-1].update(depletion_mm=30.0)))
    assert any("multiple" in f for f in spoiled(lambda c, r: r[0].update(minutes=r[0]["minutes"] + 0.5)))
    assert any("m3" in f for f in spoiled(lambda c, r: r[0].update(volume_m3=1.0)))


def main(first: int, last: int) -> int:
    """Judge a range of drawn sites; the number that do not hold."""
    wrong = 0
    for seed in range(first, last):
        with tempfile.TemporaryDirectory() as place:
            _, faults = judged(draw_site(Path(place) / "site", seed))
        for fault in faults[:5]:
            sys.stdout.write(f"{seed}: {fault}\n")
        wrong += bool(faults)
    sys.stdout.write(f"{wrong} of {last - first} sites do not hold\n")
    return wrong


if __name__ == "__main__":
    raise SystemExit(min(1, main(*(int(a) for a in sys.argv[1:3]))))
