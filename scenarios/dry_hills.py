"""Dry Hills Course: an invented 18-hole course on reclaimed water in a hot, dry summer; US units."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from course_plan import write_geojson
from hidden_truth import Climate, make_forecasts, make_weather
from season import Manager, laboratory, read_probes, run_season

SEED = 20260714
METER_START, METER_ROLLS = 87_400_000, 100_000_000  # [gal]
LEAK_GAL, LEAK_FROM = 21_000, "2026-06-03"  # [gal] a night
FIRST, DAYS, AHEAD, ISSUES = "2026-03-01", 136, 10, 30  # 1 March to 14 July
GAL_PER_MIN, FT2, INCH, MPH, ACRE_FT = 0.0630902, 0.09290304, 25.4, 0.44704, 1233.48
LONGITUDE = -116.9
WINDOW_MINUTES = 375  # 22:30 to 04:45
PUMPS = {"lower station": 560.0, "hill station": 560.0}  # gal/min
PAR_3 = (3, 7, 12, 16)

CLIMATE = Climate(
    latitude=34.6,
    elevation=430,
    warmest=36.0,
    coolest=17.5,
    span=(15.0, 19.0),
    spell=2.6,
    wet_share=(0.10, 0.38),
    rain_mean=7.0,
    dry_after=(125, 0.13),
    humidity=(21, 68),
    wind=2.1,
    clear=0.93,
)

# kind: surface, turf, soil, root depth [in], area [ft2], rate [in/h], Kc group
KINDS = {
    "green": ("green", "creeping_bentgrass", "sand_rootzone", 8, (5200, 6900), (0.50, 0.60), "cool"),
    "approach": ("approach", "perennial_ryegrass", "sandy_loam", 9, (4600, 6600), (0.46, 0.58), "cool"),
    "tee": ("tee", "bermudagrass", "sandy_loam", 9, (3800, 6200), (0.48, 0.60), "warm"),
    "fairway": ("fairway", "bermudagrass", "loam", 14, (17500, 22500), (0.44, 0.54), "warm"),
    "rough": ("rough", "bermudagrass", "clay_loam", 16, (17000, 22500), (0.42, 0.50), "warm"),
    "landscape": ("landscape", "tall_fescue", "loam", 12, (4500, 11000), (0.42, 0.55), "cool"),
}

MANAGER = Manager(
    every={"green": 1, "approach": 2, "tee": 2, "fairway": 2, "rough": 3, "landscape": 3},
    refill={"green": 1.05, "approach": 0.95, "tee": 0.95, "fairway": 0.9, "rough": 0.75, "landscape": 0.8},
    smallest=1.5,
    largest=18.0,
    window_minutes=WINDOW_MINUTES,
    share_of_capacity=0.92,
    closed=frozenset({"2026-03-09", "2026-05-23", "2026-05-24"}),
    flushes={"2026-05-18": 46.0, "2026-06-22": 46.0},
)


def zone_table(rng: np.random.Generator) -> pd.DataFrame:
    """150 zones in the order of the holes; SI columns."""
    wanted = []
    for hole in range(1, 19):
        wanted += [(hole, "green", ""), (hole, "approach", ""), (hole, "tee", "")]
        if hole % 3 == 0:
            wanted.append((hole, "tee", " back"))
        if hole not in PAR_3:
            wanted += [(hole, "fairway", f" {part}") for part in ("tee end", "left", "right", "green end")]
        wanted.append((hole, "rough", ""))
        if hole % 3 == 1:
            wanted.append((hole, "rough", " far side"))
    wanted += [(0, "green", "")] + [(0, "landscape", f" {n}") for n in range(1, 10)]
    rows = []
    for hole, kind, part in wanted:
        surface, turf, soil, root, area, rate, season = KINDS[kind]
        code = {"green": "G", "approach": "A", "tee": "T", "fairway": "F", "rough": "R", "landscape": "L"}[kind]
        label = (
            f"hole {hole} {kind}{part}" if hole else ("practice green" if kind == "green" else f"clubhouse bed{part}")
        )
        square_feet = round(rng.uniform(*area), -1)
        gallons = round(rng.uniform(*rate) * square_feet / 96.25, 1)  # in/h = 96.25 gal/min / ft2, a unit identity
        exposure = rng.choice(["open", "shade", "south slope", "windy ridge"], p=[0.68, 0.14, 0.12, 0.06])
        if kind == "green" and hole in (5, 11, 14):  # old greens under trees, a quarter taken over by annual bluegrass
            turf, exposure = "creeping_bentgrass:0.75|annual_bluegrass:0.25", "shade"
        slope = rng.uniform(0.5, 2.5) if kind in ("green", "tee") else rng.uniform(1.0, 9.0)
        rows.append(
            {
                "code": code,
                "hole": hole,
                "name": label,
                "surface": surface,
                "turf": turf,
                "soil": soil,
                "root_depth": root * INCH / 1000,
                "area": square_feet * FT2,
                "flow": gallons * GAL_PER_MIN,
                "du_lq": round(rng.uniform(0.72, 0.8) if kind == "green" else rng.uniform(0.6, 0.76), 2),
                "exposure": str(exposure),
                "slope": round(slope, 1),
                "warm": season == "warm",
            }
        )
    table = pd.DataFrame(rows)
    number = table.groupby("code").cumcount() + 1
    table["zone"] = [f"{code}{n:02d}" for code, n in zip(table["code"], number, strict=True)]
    hole = table["hole"].to_numpy()
    loop = np.select([hole == 0, hole <= 5, hole <= 9, hole <= 13], [0, 1, 2, 3], 4)
    loop = np.where(hole == 0, 0, loop)
    table["branch"] = np.array(["clubhouse loop", "creek loop", "meadow loop", "ridge loop", "summit loop"])[loop]
    table["pump"] = np.where(loop <= 2, "lower station", "hill station")
    table["controller"] = np.array(["Sat A", "Sat B", "Sat C", "Sat D", "Sat E"])[loop]
    table["station"] = [
        f"{c[-1]}{n + 1:02d}" for c, n in zip(table["controller"], table.groupby("controller").cumcount(), strict=True)
    ]
    green = table["surface"] == "green"
    table["sources"] = np.where(green, "reclaimed|well", "reclaimed")
    table["water_ec"] = np.where(green, 1.3, 1.4)  # greens had some well water
    return table


def write(folder: Path) -> None:
    """Write every file of the site."""
    rng = np.random.default_rng(SEED)
    zones = zone_table(rng)
    weather = make_weather(CLIMATE, FIRST, DAYS + AHEAD, rng)
    weather.loc[DAYS - 8 : DAYS + 4, "tmax"] += 1.5  # a hot spell is on
    observed = weather.iloc[:DAYS].reset_index(drop=True)
    pumps = {name: value * GAL_PER_MIN for name, value in PUMPS.items()}
    season = run_season(zones, pumps, observed, MANAGER, rng)
    forecasts = make_forecasts(weather, np.arange(DAYS - ISSUES, DAYS), AHEAD, rng)
    probes = probe_sites(zones)
    readings = flaws(read_probes(probes, zones, observed, season, hourly_days=7, last_hour=20, rng=rng), rng)
    greens = ["G01", "G03", "G05", "G08", "G11", "G14", "G17", "G19"]
    samples = laboratory(greens, ["2026-04-20", "2026-06-29"], zones, observed, season, rng)
    (folder / "cases").mkdir(parents=True, exist_ok=True)
    save(zones_csv(zones), folder / "zones.csv")
    write_geojson(zones, CLIMATE.latitude, LONGITUDE, folder / "zones.geojson")
    save(weather_columns(observed), folder / "weather.csv")
    forecast = weather_columns(forecasts)
    forecast.insert(0, "issued", forecasts["issued"].dt.strftime("%Y-%m-%dT%H:%M"))
    forecast.insert(2, "member", "")
    forecast["rain_probability"] = forecasts["rain_probability"]
    save(forecast, folder / "forecast.csv")
    log = season.applied.copy()
    log["volume"] = (log["volume"] / 0.003785412).round(0).astype(int)
    save(log.rename(columns={"volume": "volume [gal]"}), folder / "applied.csv")
    save(meter_readings(log), folder / "meter.csv")
    save(probes, folder / "probe_sites.csv")
    save(readings, folder / "probes.csv")
    save(samples, folder / "samples.csv")
    (folder / "calendar.csv").write_text(CALENDAR, encoding="utf-8")
    (folder / "site.toml").write_text(site_toml(zones, season.applied), encoding="utf-8")
    for name, text in CASES.items():
        (folder / "cases" / f"{name}.toml").write_text(text, encoding="utf-8")


def save(table: pd.DataFrame, path: Path) -> None:
    """Write a CSV with plain line ends."""
    table.to_csv(path, index=False, lineterminator="\n", encoding="utf-8")


def meter_readings(log: pd.DataFrame) -> pd.DataFrame:
    """Count of the reclaimed main's meter, read on Mondays; it rolls over, and a pipe leaks from June on."""
    nights = log.groupby("night")["volume"].sum()
    count, rows = float(METER_START), []
    for night in pd.date_range(FIRST, periods=DAYS - 1):
        if night.weekday() == 0:
            rows.append((f"{night:%Y-%m-%d}T07:30", "main 1", round(count), "reclaimed", "cumulative", METER_ROLLS))
        leak = LEAK_GAL if night >= pd.Timestamp(LEAK_FROM) else 0.0
        count = (count + float(nights.get(night.strftime("%Y-%m-%d"), 0.0)) + leak) % METER_ROLLS
    columns = ["time", "meter", "reading [gal]", "source", "kind", "rolls_over_at [gal]"]
    return pd.DataFrame(rows, columns=columns)


def zones_csv(zones: pd.DataFrame) -> pd.DataFrame:
    """Columns as people on this site write them."""
    out = zones[["zone", "name", "surface", "turf", "soil"]].copy()
    green = zones["surface"] == "green"
    out["field_capacity"] = np.where(green, "0.19", "")  # from a physical test of the greens' sand
    out["wilting_point"] = np.where(green, "0.05", "")
    out["root_depth [in]"] = (zones["root_depth"] * 1000 / INCH).round(0).astype(int)
    out["area [ft2]"] = (zones["area"] / FT2).round(0).astype(int)
    out["flow [gal/min]"] = (zones["flow"] / GAL_PER_MIN).round(1)
    out["application_rate [in/h]"] = (96.25 * out["flow [gal/min]"] / out["area [ft2]"]).round(3)
    for name in ("du_lq", "branch", "controller", "station", "sources", "exposure", "slope"):
        out[name] = zones[name]
    out["drained"] = np.where(green, "yes", "no")
    return out


def weather_columns(weather: pd.DataFrame) -> pd.DataFrame:
    """Dates and weather in US units, solar in the unit of the format."""
    out = pd.DataFrame({"date": weather["date"].dt.strftime("%Y-%m-%d")})
    out["tmin [degF]"] = (weather["tmin"] * 1.8 + 32).round(1)
    out["tmax [degF]"] = (weather["tmax"] * 1.8 + 32).round(1)
    out["rhmin"], out["rhmax"] = weather["rhmin"].astype(int), weather["rhmax"].astype(int)
    out["wind [mph]"] = (weather["wind"] / MPH).round(1)
    out["solar"] = weather["solar"].round(2)
    out["rain [in]"] = (weather["rain"] / INCH).round(2)
    return out


def probe_sites(zones: pd.DataFrame) -> pd.DataFrame:
    """Two depths in all greens, four fairways and two tees; one tee probe was moved on 1 June."""
    rows = []
    for zone in list(zones.loc[zones["surface"] == "green", "zone"]) + ["F06", "F19", "F33", "F50", "T02"]:
        for depth in (6, 15):
            rows.append((f"{zone}-{depth:02d}", zone, depth, "2026-03-01", ""))
    for depth in (6, 15):
        rows.append((f"T09-{depth:02d}", "T09", depth, "2026-03-01", "2026-05-31"))
        rows.append((f"T09-{depth:02d}", "T14", depth, "2026-06-01", ""))
    return pd.DataFrame(rows, columns=["probe", "zone", "depth", "from", "until"])


def flaws(readings: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Give the readings what real ones have: gaps, a stuck probe, a spike, a probe that says nothing."""
    probe, time = readings["probe"], readings["time"]
    gap = (probe == "G07-06") & (time >= "2026-06-08T00:00") & (time < "2026-06-12T12:00")
    gap |= probe.isin(["G15-06", "G15-15"]) & (time >= "2026-07-13T02:00") & (time < "2026-07-14T05:00")
    gap |= (time >= "2026-04-11T06:00") & (time < "2026-04-12T06:00")  # the base station was off for a day
    gap |= rng.random(len(readings)) < 0.003
    stuck = (probe == "G12-15") & (time >= "2026-07-09T09:00")
    readings.loc[stuck, ["moisture", "ec", "temperature"]] = readings.loc[
        stuck, ["moisture", "ec", "temperature"]
    ].to_numpy()[0]
    spike = (probe == "G03-06") & (time == "2026-07-13T14:00")
    readings.loc[spike, "moisture"] = 0.497
    readings.loc[(probe == "F33-06") & (time == "2026-07-12T03:00"), "moisture"] = -0.012
    readings.loc[(probe == "G18-06") & (time >= "2026-07-14T12:00"), "ec"] = np.nan
    return readings[~gap]


def site_toml(zones: pd.DataFrame, applied: pd.DataFrame) -> str:
    """Text of site.toml; the allocation leaves a little less than the rest of the year asks for."""
    used = applied["volume"].sum() / ACRE_FT
    july = zones["area"].sum() / 1000 * 6.9 * 0.75 / 0.81 / ACRE_FT  # a July night [acre ft]
    left = july * (17 + 31 * 0.92 + 30 * 0.72 + 31 * 0.48 + 30 * 0.26 + 31 * 0.16)
    volume = round(14 + used + 0.93 * left)
    loops = zones.groupby("branch", sort=False).agg(pump=("pump", "first"), need=("area", "sum"))
    lines = [SITE_HEAD]
    for name, capacity in PUMPS.items():
        head = '"310 ft"' if name == "hill station" else '"235 ft"'
        lines += [
            "[[pump]]",
            f'name = "{name}"',
            f'capacity = "{capacity:.0f} gal/min"',
            'smallest_flow = "20 gal/min"',
        ]
        lines += ['ramp = "150 gal/min/min"', f"head = {head}", "efficiency = 0.71", ""]
    share = loops["need"] / loops.groupby("pump")["need"].transform("sum")
    for name, row in loops.iterrows():
        capacity = max(110, round(PUMPS[row["pump"]] * share[name] * 1.05 + 30, -1))
        lines += [
            "[[branch]]",
            f'name = "{name}"',
            f'pump = "{row["pump"]}"',
            f'capacity = "{capacity:.0f} gal/min"',
            "",
        ]
    for name in sorted(zones["controller"].unique()):
        lines += ["[[controller]]", f'name = "{name}"', "stations_at_once = 6", "resolution = 60", ""]
    lines += [f'[allocation]\nstarts = 2026-01-01\nends = 2026-12-31\nvolume = "{volume} acre_ft"']
    return "\n".join([*lines, SITE_TAIL])


SITE_HEAD = """\
# Dry Hills Course: an invented place. US quantities carry their unit; plain numbers are in the default unit.
[site]
name = "Dry Hills Course"
latitude = 34.6
longitude = -116.9
elevation = "1410 ft"
time_zone = "America/Los_Angeles"
units = "us"
currency = "USD"

[planning]
nights = 7

[window]
opens = "22:30"
closes = "04:45"

[[window.by_day]]
day = "Friday"                    # mowers go out early on Saturday
closes = "04:15"

[[source]]
name = "reclaimed"
ec = 1.4
sar = 4.6
price = "1.60 per 1000 gal"

[[source]]
name = "well"
ec = 0.8
sar = 2.1
price = "2.50 per 1000 gal"
daily_limit = "42000 gal"
monthly_limit = "1100000 gal"
"""

SITE_TAIL = """\
used_before = "14 acre_ft"        # January and February, before the log began

[[allocation.tier]]
above = 1.0                       # use beyond the whole volume ...
price = "5.10 per 1000 gal"       # ... has this price

[[tariff]]
from = "00:00"
until = "06:00"
price = 0.112                     # per kWh

[[tariff]]
from = "06:00"
until = "16:00"
price = 0.165

[[tariff]]
from = "16:00"
until = "23:00"
price = 0.298

[[tariff]]
from = "23:00"
until = "24:00"
price = 0.112

[surface.green]
firmness_limit = 0.97
event_firmness_limit = 0.85
"""

CALENDAR = """\
from,until,surface,zone,event,note
2026-03-09,2026-03-11,green,,aerified,cored and topdressed
2026-05-23,2026-05-24,green,,tournament,members' spring cup
2026-06-04,2026-06-04,fairway,,fertigation,
2026-07-17,2026-07-19,green,,tournament,summer cup; greens firm from Friday
2026-07-16,2026-07-19,approach,,firm,
2026-07-18,2026-07-18,,L03,no_water,marquee stands here
"""

CASES = {
    "drought-order": """\
title = "Drought order: three nights a week, 20 % less than in June"
nights_allowed = ["Monday", "Wednesday", "Saturday"]
cut = 0.2
base = ["2026-06-01", "2026-06-30"]
""",
    "hill-station-out": """\
title = "Hill station out of service: ridge and summit loops dry"
pump_out = "hill station"
""",
    "one-pump-down": """\
title = "One of two pumps down in each station"
pump_capacity_factor = 0.5
""",
    "no-well": """\
title = "Well off: greens on reclaimed water alone, in a hot spell"
source_off = "well"
temperature_shift = 3.0
""",
}
