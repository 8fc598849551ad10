"""What plan.json says of an evening, counted again from its runs and the site: states, ages, costs, who gives way."""

from datetime import timedelta

import pytest

from tests.scheduler import hand_evening as h
from tests.scheduler import salty_sites as s

GREENS = tuple(f"G{i} green" for i in range(1, 5))
FAIRWAYS = tuple(f"F{i} fairway" for i in range(1, 5))
NAMES = [name.split()[0] for name in (*GREENS, *FAIRWAYS)]
SHUT = '[[restriction]]\nnights_allowed = ["Friday"]\n'
TIGHT = "[surface.green]\nmoisture_floor = 0.7\n[surface.fairway]\nmoisture_floor = 0.7\n"


@pytest.fixture(scope="module")
def short(tmp_path_factory):
    """Eight thirsty zones and a pump that can water but some of them."""
    source = (
        '[[source]]\nname = "well"\nec = 0.5\nprice = 0.4\n[[tariff]]\nfrom = "00:00"\nuntil = "24:00"\nprice = 0.2\n'
    )
    files = {"applied": h.log(10, *NAMES)}
    return h.planned(
        h.hand_site(
            tmp_path_factory.mktemp("short") / "s", *GREENS, *FAIRWAYS, toml=source + TIGHT, capacity=3.34, **files
        )
    )


def zone(plan, name):
    return next(z for z in plan["zones"] if z["id"] == name)


def test_what_comes_after_is_what_came_before_less_water_plus_et(short):
    for z in short["zones"]:
        net = z["minutes"] * 0.2  # 12 mm/h, even
        b = z["balance"]
        assert z["net_depth_mm"] == pytest.approx(net)
        after = max(z["before"]["depletion_mm"] - net, 0.0) + b["etc_mm"]
        assert z["after"]["depletion_mm"] == pytest.approx(after, abs=1e-5)
        assert z["after"]["spread_mm"] > z["before"]["spread_mm"]
        assert z["path"][0]["depletion_mm"] == z["after"]["depletion_mm"]
        assert z["limits"]["taw_mm"] == 45.0


def test_zone_days_too_dry_are_those_of_the_paths(short):
    for row in short["surfaces"]:
        own = [z for z in short["zones"] if z["surface"] == row["surface"]]
        over = sum(p["depletion_mm"] > z["limits"]["dry_limit_mm"] + 0.9 for z in own for p in z["path"])
        assert row["dry_zone_days"] == over
        assert row["running"] == sum(z["minutes"] > 0 for z in own)
        assert row["volume_m3"] == pytest.approx(sum(z["volume_m3"] for z in own))
        assert row["worst_depletion_mm"] == max(p["depletion_mm"] for z in own for p in z["path"])


def test_fairways_give_way_before_greens_and_what_holds_them_back_is_named(short):
    dry = {row["surface"]: row["dry_zone_days"] for row in short["surfaces"]}
    assert dry["fairway"] > 0
    assert dry["green"] < dry["fairway"]
    assert [g["surface"] for g in short["give_way"]][0] == "fairway"
    assert "short of: station" in short["give_way"][0]["words"]
    assert all(z["after"]["depletion_mm"] < 13.5 for z in short["zones"] if z["surface"] == "green")


def test_costs_are_water_and_energy_at_their_price(short):
    tonight = short["nights"][0]
    volume = sum(z["volume_m3"] for z in short["zones"])
    energy = volume * 9.81 * 60 / (3600 * 0.7)  # 60 m held, 0.7 where no efficiency is told
    assert tonight["volume_m3"] == pytest.approx(volume)
    assert tonight["energy_kwh"] == pytest.approx(energy, rel=1e-4)
    assert tonight["cost"] == pytest.approx(0.4 * volume + 0.2 * energy, abs=0.006)
    later = short["nights"][1]
    assert later["energy_kwh"] == pytest.approx(later["volume_m3"] * energy / volume, rel=1e-3)
    assert tonight["zones_running"] == sum(z["minutes"] > 0 for z in short["zones"])


def test_ages_of_what_was_read(tmp_path):
    yesterday = h.NIGHT - timedelta(days=1)
    probes = f"time,probe,moisture,ec,temperature\n{h.NIGHT}T18:00,a,0.22,,\n"
    files = {"probes": probes, "probe_sites": "probe,zone,depth\na,G1,10\n", "applied": h.log(10, "G1", nights=4)}
    files["forecast"] = "issued,date,eto,rain\n" + "".join(
        f"{yesterday}T17:00,{h.NIGHT + timedelta(days=d)},5,0\n" for d in (1, 2)
    )
    read = h.planned(h.hand_site(tmp_path / "s", "G1 green", weather=h.weather().rsplit("\n", 2)[0] + "\n", **files))[
        "inputs"
    ]
    assert (read["weather"]["age_days"], read["weather"]["days"]) == (1, 9)
    assert (read["forecast"]["age_days"], read["forecast"]["days"], read["forecast"]["members"]) == (1, 2, 1)
    assert (read["probes"]["age_hours"], read["probes"]["read"], read["probes"]["used"]) == (3.0, 1, 1)
    assert (read["applied"]["age_days"], read["applied"]["nights"]) == (1, 4)


@pytest.mark.parametrize(
    ("toml", "minutes", "status"),
    [
        ("", 10, "planned"),
        (SHUT, 10, "no watering allowed"),
        ("", 40, "no water needed"),
        (
            "[allocation]\nstarts = 2026-04-01\nends = 2026-10-31\nvolume = 100\nused_before = 100\n",
            10,
            "no water available",
        ),
    ],
)
def test_why_nothing_runs(tmp_path, toml, minutes, status):
    # 10 min a night are 2 mm of some 4.9: dry by now, 13 mm below field capacity being the limit; 40 min are enough.
    plan = h.planned(h.hand_site(tmp_path / "s", "G1 green", toml=toml + TIGHT, applied=h.log(minutes, "G1")))
    assert plan["status"] == status
    assert (zone(plan, "G1")["minutes"] > 0) == (status == "planned")


def test_the_seasons_account(tmp_path):
    season = "[allocation]\nstarts = 2026-04-01\nends = 2026-10-31\nvolume = 2000\nused_before = 500\n"
    plan = h.planned(h.hand_site(tmp_path / "s", "G1 green", toml=season, applied=h.log(10, "G1", nights=5)))
    used = 500 + 5 * 10 * 3.3333 * 0.06
    found = plan["allocation"]
    assert (found["volume_m3"], found["used_m3"]) == (2000.0, pytest.approx(used, abs=1e-3))
    assert found["left_m3"] == pytest.approx(2000 - used, abs=1e-3)
    assert 0 < found["share_this_horizon_m3"] < 0.1 * found["left_m3"]  # three of some 110 nights
    assert found["used_m3"] + found["left_m3"] == pytest.approx(2000.0)


def test_water_of_a_zone_by_source_is_its_blend(tmp_path):
    sources = "".join(f'[[source]]\nname = "{n}"\nec = 1\nshare = {x}\n' for n, x in (("well", 0.25), ("lake", 0.75)))
    plan = h.planned(h.hand_site(tmp_path / "s", "G1 green", toml=sources + TIGHT, applied=h.log(10, "G1")))
    z = zone(plan, "G1")
    assert z["source"] == "lake"
    assert z["volumes_m3"] == {
        n: pytest.approx(x * z["volume_m3"], abs=1e-5) for n, x in (("well", 0.25), ("lake", 0.75))
    }


def test_a_flush_is_told_with_its_water_and_what_it_does(tmp_path):
    samples = f"date,zone,depth,ece\n{s.NIGHT},G1,5,3.0\n{s.NIGHT},G1,15,7.0\n"
    plan = h.planned(s.salty(tmp_path / "a", samples=samples), s.NIGHT)
    (flush,) = (f for f in plan["flushes"] if f["zone"] == "G1")
    z = zone(plan, "G1")
    assert flush["nights"] == ["2026-07-14"]
    assert flush["ece_before_dsm"] == pytest.approx(5.0, abs=1e-3)
    assert flush["ece_after_dsm"] == z["after"]["ece_dsm"] < 3.7  # below the threshold of bentgrass
    assert flush["depth_mm"] == pytest.approx(z["depth_mm"], abs=1e-3)
    assert flush["drainage_mm"] > 2.0
    assert z["reason"] == "salt flush"


def test_a_rate_told_above_flow_over_area_is_planned_with(tmp_path):
    # 14 mm/h are told where flow over area is 12: the roots then get more than the mean depth says, and that is said.
    zones = h.zones("G1 green").replace(",12,1.0,", ",14,1.0,")
    place = h.hand_site(tmp_path / "s", "G1 green", toml=TIGHT, applied=h.log(10, "G1"))
    (place.folder / "zones.csv").write_text(zones)
    z = zone(h.planned(h.again(place)), "G1")
    assert z["net_depth_mm"] == pytest.approx(z["minutes"] * 14 / 60)
    assert z["depth_mm"] == pytest.approx(z["minutes"] * 3.3333 * 60 / 1000)
    assert z["balance"]["uneven_mm"] == pytest.approx(z["depth_mm"] - z["net_depth_mm"], abs=2e-6)
    assert z["balance"]["uneven_mm"] < 0
