"""Lowland Stadium: an invented football ground near a cool coast, mains water and much rain; metric units."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from hidden_truth import Climate, make_forecasts, make_weather
from season import Manager, read_probes, run_season

SEED = 52
FIRST, DAYS, AHEAD, ISSUES = "2026-04-01", 105, 10, 30  # 1 April to 14 July
WINDOW_MINUTES = 330  # 23:30 to 05:00
PUMPS = {"booster": 8.8}  # L/s

CLIMATE = Climate(
    latitude=52.3,
    elevation=3,
    warmest=22.8,
    coolest=7.0,
    span=(7.0, 11.0),
    spell=2.8,
    wet_share=(0.32, 0.55),
    rain_mean=4.5,
    dry_after=(186, 0.7),
    humidity=(56, 90),
    wind=3.2,
    clear=0.78,
)

MANAGER = Manager(
    every={"pitch": 2, "landscape": 3},
    refill={"pitch": 0.95, "landscape": 0.7},
    smallest=3.0,
    largest=14.0,
    window_minutes=WINDOW_MINUTES,
    share_of_capacity=0.92,
    closed=frozenset({"2026-04-11", "2026-04-25", "2026-05-09", "2026-05-17", "2026-06-13"}),
)

# group: count, name, surface, turf, soil, root depth [cm], area [m2], flow [L/s]
GROUPS = (
    ("P", 6, "main pitch", "pitch", "perennial_ryegrass:0.8|kentucky_bluegrass:0.2", "sand_rootzone", 20, 1240, 4.1),
    ("E", 5, "east training pitch", "pitch", "perennial_ryegrass", "sandy_loam", 25, 1420, 4.2),
    ("W", 5, "west training pitch", "pitch", "perennial_ryegrass", "loamy_sand", 25, 1420, 4.2),
    ("L", 6, "landscape", "landscape", "fine_fescue", "loam", 30, 420, 1.3),
)


# group: first zone [m east and north of the stadium's middle], step from zone to zone, zones in a row
LAY = {
    "P": ((-35, 17), (35, -34), 3),
    "E": ((120, 40), (0, -36), 1),
    "W": ((-125, 40), (0, -36), 1),
    "L": ((-75, 95), (30, -190), 6),
}


def place(code: str, n: int) -> tuple[int, int]:
    """Where zone n of a group lies: x, y [m]."""
    (x, y), (across, down), row = LAY[code]
    return x + across * ((n - 1) % row), y + down * ((n - 1) // row)


def zone_table(rng: np.random.Generator) -> pd.DataFrame:
    """22 zones; SI columns."""
    rows = []
    for code, count, name, surface, turf, soil, root, area, flow in GROUPS:
        for n in range(1, count + 1):
            exposure = "open"
            if code == "P":  # the south stand throws its shade on the first two zones
                exposure = {1: "south stand", 2: "south stand", 5: "north stand", 6: "north stand"}.get(n, "open")
            if code == "L" and n > 4:
                exposure = "shade"
            rows.append(
                {
                    "zone": f"{code}{n}",
                    "name": f"{name} {n}",
                    "surface": surface,
                    "turf": turf,
                    "soil": soil,
                    "root_depth": root / 100,
                    "area": round(area * rng.uniform(0.95, 1.05)),
                    "flow": round(flow * rng.uniform(0.96, 1.04), 2),
                    "du_lq": round(rng.uniform(0.7, 0.8) if code == "P" else rng.uniform(0.6, 0.72), 2),
                    "branch": {"P": "stadium line", "L": "garden line"}.get(code, "training line"),
                    "controller": "gate house" if code in "EW" else "plant room",
                    "sources": "mains",
                    "x": place(code, n)[0],
                    "y": place(code, n)[1],
                    "exposure": exposure,
                    "slope": round(rng.uniform(0.3, 1.0), 1),
                    "drained": "yes" if code == "P" else "no",
                    "pump": "booster",
                    "warm": False,
                    "water_ec": 0.6,
                }
            )
    table = pd.DataFrame(rows)
    table["station"] = table.groupby("controller").cumcount() + 1
    return table


def write(folder: Path) -> None:
    """Write every file of the site."""
    rng = np.random.default_rng(SEED)
    zones = zone_table(rng)
    weather = make_weather(CLIMATE, FIRST, DAYS + AHEAD, rng)
    observed = weather.iloc[:DAYS].reset_index(drop=True)
    season = run_season(zones, PUMPS, observed, MANAGER, rng)
    forecasts = make_forecasts(weather, np.arange(DAYS - ISSUES, DAYS), AHEAD, rng)
    probes = probe_sites()
    known = frozenset(probes["probe"])
    readings = read_probes(
        probes, zones, observed, season, hourly_days=7, last_hour=20, rng=rng, with_permittivity=known
    )
    (folder / "cases").mkdir(parents=True, exist_ok=True)
    columns = ["zone", "name", "surface", "turf", "soil", "root_depth", "area", "flow", "du_lq", "branch", "controller"]
    columns += ["station", "sources", "exposure", "slope", "drained", "x", "y"]
    table = zones[columns].copy()
    table["root_depth"] = (table["root_depth"] * 100).round(0).astype(int)
    save(table, folder / "zones.csv")
    save(station_days(observed, rng), folder / "weather.csv")
    save(forecast_columns(forecasts), folder / "forecast.csv")
    save(season.applied.assign(volume=season.applied["volume"].round(2)), folder / "applied.csv")
    save(probes, folder / "probe_sites.csv")
    save(flaws(readings, rng), folder / "probes.csv")
    (folder / "calendar.csv").write_text(CALENDAR, encoding="utf-8")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    for name, text in CASES.items():
        (folder / "cases" / f"{name}.toml").write_text(text, encoding="utf-8")


def save(table: pd.DataFrame, path: Path) -> None:
    """Write a CSV with plain line ends."""
    table.to_csv(path, index=False, lineterminator="\n", encoding="utf-8")


def station_days(weather: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Daily values of a plain station: mean humidity, wind at 10 m, hours of sunshine with some days lost."""
    out = pd.DataFrame(
        {"date": weather["date"].dt.strftime("%Y-%m-%d"), "tmin": weather["tmin"], "tmax": weather["tmax"]}
    )
    out["rh"] = ((weather["rhmin"] + weather["rhmax"]) / 2).round(0).astype(int)
    out["wind"] = (weather["wind"] / 0.748).round(1)  # 10 m, FAO-56 Eq. 47
    out["sunshine"] = weather["sunshine"].where(rng.random(len(weather)) > 0.06)
    out["rain"] = weather["rain"]
    out.loc[[40, 41], ["wind", "rh"]] = np.nan  # the mast was down for two days
    out["rh"] = out["rh"].astype("Int64")
    return out


def forecast_columns(forecasts: pd.DataFrame) -> pd.DataFrame:
    """Forecast with the same variables; its wind is for 10 m too and it has no sunshine."""
    out = pd.DataFrame({"issued": forecasts["issued"].dt.strftime("%Y-%m-%dT%H:%M")})
    out["date"] = forecasts["date"].dt.strftime("%Y-%m-%d")
    out["member"] = ""
    out["tmin"], out["tmax"] = forecasts["tmin"], forecasts["tmax"]
    out["rh"] = ((forecasts["rhmin"] + forecasts["rhmax"]) / 2).round(0).astype(int)
    out["wind"] = (forecasts["wind"] / 0.748).round(1)
    out["rain"], out["rain_probability"] = forecasts["rain"], forecasts["rain_probability"]
    return out


def probe_sites() -> pd.DataFrame:
    """Two depths in four zones of the main pitch and one zone of each training pitch."""
    rows = [
        (f"{zone}-{depth:02d}", zone, depth, "2026-04-01", "")
        for zone in ("P1", "P3", "P4", "P6", "E3", "W3")
        for depth in (6, 15)
    ]
    return pd.DataFrame(rows, columns=["probe", "zone", "depth", "from", "until"])


def flaws(readings: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Lose some readings, add a spike, and silence a probe from the concert of 13 June on."""
    probe, time = readings["probe"], readings["time"]
    gap = rng.random(len(readings)) < 0.004
    gap |= (probe == "P6-06") & (time >= "2026-06-13T12:00") & (time < "2026-06-16T06:00")
    readings.loc[(probe == "P3-15") & (time == "2026-07-12T18:00"), "moisture"] = 0.611
    return readings[~gap]


SITE = """\
# Lowland Stadium: an invented place. Every quantity is in the default unit.
[site]
name = "Lowland Stadium"
latitude = 52.3
longitude = 3.9
elevation = 3
time_zone = "Europe/Amsterdam"
units = "metric"
currency = "EUR"
wind_height = 10                  # the mast of weather.csv and forecast.csv [m]

[planning]
nights = 7

[window]
opens = "23:30"
closes = "05:00"

[[pump]]
name = "booster"
capacity = 8.8
smallest_flow = 1.0
ramp = 4.5
head = 62                         # held at its outlet, by its speed [m]
curve = [                         # full speed: flow [L/s], head [m], efficiency
  [0.0, 86.0, 0.0],
  [3.0, 84.0, 0.49],
  [6.0, 78.0, 0.64],
  [8.8, 68.0, 0.62],
]

[[branch]]
name = "stadium line"
pump = "booster"
capacity = 8.8
length = 160                      # of main: its friction comes on top of the head held [m]
diameter = 102                    # inside [mm]
roughness = 145

[[branch]]
name = "training line"
pump = "booster"
capacity = 8.8
length = 310
diameter = 102
roughness = 145

[[branch]]
name = "garden line"
pump = "booster"
capacity = 3.0
friction = 2.5                    # at its capacity [m]

[[controller]]
name = "plant room"
stations_at_once = 3
resolution = 60

[[controller]]
name = "gate house"
stations_at_once = 2
resolution = 60
programmes = 4                    # it takes no start time a station
starts_each = 3
programmes_at_once = 2            # one station each

[[source]]
name = "mains"
ec = 0.6
sar = 1.0
price = 1.45                      # per m3

[[tariff]]
from = "00:00"
until = "07:00"
price = 0.17                      # per kWh

[[tariff]]
from = "07:00"
until = "23:00"
price = 0.27

[[tariff]]
from = "23:00"
until = "24:00"
price = 0.17

[surface.pitch]
finish_by = "04:30"               # the mowers go out at first light
"""

CALENDAR = """\
from,until,surface,zone,event,note
2026-04-11,2026-04-11,pitch,,no_water,league match
2026-04-25,2026-04-25,pitch,,no_water,league match
2026-05-09,2026-05-09,pitch,,no_water,league match
2026-05-17,2026-05-17,pitch,,no_water,last match of the league
2026-05-26,2026-05-28,pitch,,aerified,summer renovation
2026-06-13,2026-06-13,pitch,,no_water,concert
2026-07-18,2026-07-18,,P1,tournament,friendly
2026-07-18,2026-07-18,,P2,tournament,friendly
2026-07-18,2026-07-18,,P3,tournament,friendly
2026-07-18,2026-07-18,,P4,tournament,friendly
2026-07-18,2026-07-18,,P5,tournament,friendly
2026-07-18,2026-07-18,,P6,tournament,friendly
"""

CASES = {
    "hot-and-dry": """\
title = "A hot week without rain"
temperature_shift = 5.0
rain_factor = 0.0
""",
    "garden-last": """\
title = "Hosepipe ban: landscape off, pitches three nights a week"
surfaces_off = ["landscape"]
nights_allowed = ["Tuesday", "Thursday", "Sunday"]
""",
}
