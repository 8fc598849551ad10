"""A percent cut and an allowance by ET, to the litre, against a program that reads the CSV files by itself."""

import json
from datetime import date, timedelta

import numpy as np
import pytest
from typer.testing import CliRunner

from scheduler.cli import app
from tests.end_to_end.order_reckoner import applied_litres, cut_litres, et_litres

NIGHT = date(2026, 7, 14)
TOML = """[site]
name = "Ledger Green"
latitude = 36.6
longitude = -121.9
elevation = 30
time_zone = "UTC"
units = "us"
[planning]
nights = 4
[window]
opens = "20:00"
closes = "08:00"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    site = tmp_path_factory.mktemp("orders") / "site"
    site.mkdir()
    rng = np.random.default_rng(8)
    (site / "site.toml").write_text(TOML)
    zones = [
        ("G1", "green", "special"),
        ("G2", "green", "special"),
        ("F1", "fairway", "turf"),
        ("L1", "landscape", "landscape"),
    ]
    text = "zone,surface,class,soil,area,flow\n"
    for zone, surface, kind in zones:
        text += f"{zone},{surface},{kind},sandy_loam,{rng.integers(300, 2500)},{rng.uniform(1, 6):.2f}\n"
    (site / "zones.csv").write_text(text)
    weather, forecast = "date,eto,rain\n", "issued,date,eto,rain,rain_probability\n"
    for i in range(60):
        day = NIGHT - timedelta(days=59 - i)
        weather += f"{day},{rng.uniform(4, 8):.2f},{rng.choice([0, 0, 0, 6.3])}\n"
    for i in range(1, 8):
        forecast += f"{NIGHT}T06:00,{NIGHT + timedelta(days=i)},{rng.uniform(4, 8):.2f},{rng.choice([0, 2.4])},1.0\n"
    applied = "night,zone,minutes,volume\n"
    for i in range(50):
        for zone, _, _ in zones:
            metered = f"{rng.uniform(0.2, 1.5):.3f}" if rng.random() < 0.5 else ""
            applied += f"{NIGHT - timedelta(days=50 - i)},{zone},{rng.integers(2, 20)},{metered}\n"
    for name, content in (("weather", weather), ("forecast", forecast), ("applied", applied)):
        (site / f"{name}.csv").write_text(content)
    return site


def order(folder, *given):
    """The only order of a case given on the command line, and the case."""
    pairs = [part for g in given for part in ("--set", g)]
    result = CliRunner().invoke(app, ["whatif", str(folder), *pairs, "--night", str(NIGHT), "--out", str(folder / "o")])
    assert result.exit_code == 0, result.output
    case = json.loads((folder / "o" / "whatif.json").read_text())["cases"][1]
    [found] = case["orders"]
    return found, case


HALF_A_LITRE = 0.5


@pytest.mark.parametrize("surfaces", [None, {"green", "fairway"}])
def test_a_percent_cut(folder, surfaces):
    base, first = (date(2026, 6, 1), date(2026, 6, 20)), date(2026, 7, 8)
    given = ["cut=0.35", f'base=["{base[0]}", "{base[1]}"]', f"from={first}"]
    found, case = order(folder, *given, *([f"surfaces={','.join(sorted(surfaces))}"] if surfaces else []))
    last = NIGHT + timedelta(days=3)
    allowed = cut_litres(folder, 0.35, base, first, last, surfaces)
    used = applied_litres(folder, first, NIGHT - timedelta(days=1), surfaces)
    assert found["allowed_m3"] * 1000 == pytest.approx(allowed, abs=HALF_A_LITRE)
    assert found["used_m3"] * 1000 == pytest.approx(used, abs=HALF_A_LITRE)
    assert found["left_m3"] * 1000 == pytest.approx(max(allowed - used, 0.0), abs=HALF_A_LITRE)
    assert found["facts"]["base_m3"] * 1000 == pytest.approx(applied_litres(folder, *base, surfaces), abs=HALF_A_LITRE)
    bound = [s for s in case["surfaces"] if surfaces is None or s["surface"] in surfaces]
    assert sum(s["water_m3"] for s in bound) <= found["left_m3"] + 1e-6


@pytest.mark.parametrize("rain_share", [0.0, 0.25])
def test_an_allowance_by_et(folder, rain_share):
    first, last = date(2026, 6, 28), NIGHT + timedelta(days=3)
    factor = {"turf": 0.6, "special": 1.0, "landscape": 0.45}
    found, case = order(
        folder,
        "et_allowance.factor=0.6",
        "et_allowance.landscape_factor=0.45",
        f"et_allowance.rain_share={rain_share}",
        f"from={first}",
    )
    allowed = et_litres(folder, factor, rain_share, first, last)
    used = applied_litres(folder, first, NIGHT - timedelta(days=1))
    assert found["allowed_m3"] * 1000 == pytest.approx(allowed, abs=HALF_A_LITRE)
    assert found["left_m3"] * 1000 == pytest.approx(max(allowed - used, 0.0), abs=HALF_A_LITRE)
    assert found["facts"]["rule_gal"] == pytest.approx(allowed / 3.785411784, abs=0.2)
    assert case["water_m3"] <= found["left_m3"] + 1e-6


def test_the_order_holds_on_every_night(folder):
    first = date(2026, 7, 14)
    _, case = order(folder, "cut=0.5", 'base=["2026-06-01", "2026-06-20"]', f"from={first}")
    water = np.cumsum([n["water_m3"] for n in case["nights"]])
    for i, night in enumerate(case["nights"]):
        last = date.fromisoformat(night["night"])
        allowed = cut_litres(folder, 0.5, (date(2026, 6, 1), date(2026, 6, 20)), first, last)
        assert water[i] * 1000 <= allowed + HALF_A_LITRE
