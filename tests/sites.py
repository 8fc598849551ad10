"""Invented site folders of any size, for tests and benches: `make_site(folder, zones=150, units="us")`.

A site is written as plain files after the site format. Its pumps are sized so that a share `load` of what they can
deliver in one window is needed each night of a hot week; every choice follows from `seed`. Numbers are drawn from
ranges that are common practice (no source); nothing here is a check value.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

GAL_PER_MIN = 0.0630902  # L/s
FT2 = 0.09290304  # m2
INCH = 25.4  # mm
MPH = 0.44704  # m/s

# surface: share of zones, turf, soil, root depth [m], area range [m2], rate range [mm/h], Kc used for sizing [-]
SURFACES = {
    "green": (0.13, "annual_bluegrass:0.6|creeping_bentgrass:0.4", "sand_rootzone", 0.25, (380, 620), (12, 17), 0.95),
    "tee": (0.17, "perennial_ryegrass", "sandy_loam", 0.25, (250, 600), (11, 16), 0.95),
    "approach": (0.10, "perennial_ryegrass", "sandy_loam", 0.25, (350, 700), (11, 16), 0.95),
    "fairway": (0.40, "bermudagrass", "loam", 0.40, (1000, 1900), (11, 15), 0.75),
    "rough": (0.15, "tall_fescue", "clay_loam", 0.45, (1000, 1900), (10, 14), 0.85),
    "landscape": (0.05, "tall_fescue", "loam", 0.40, (200, 800), (10, 14), 0.85),
}
SOILS = {  # field capacity, wilting point [m3/m3]; the middle of usual ranges, only to make readings that hang together
    "sand_rootzone": (0.20, 0.05),
    "sandy_loam": (0.23, 0.11),
    "loam": (0.25, 0.12),
    "clay_loam": (0.32, 0.18),
}
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@dataclass(frozen=True)
class SiteOptions:
    """What can be chosen; depths in mm, rates in L/s, times in minutes."""

    zones: int = 150
    nights: int = 7
    units: str = "metric"
    forecast: bool = True
    probes: bool = True
    applied: bool = True
    weather: bool = True
    decimal_comma: bool = False
    seed: int = 0
    load: float = 0.8  # share of the pumps' window needed in one night of a hot week
    pump_factor: float = 1.0  # multiplies the capacity so sized
    pumps: int | None = None  # one for every 600 zones if None
    zones_per_branch: int = 25
    zones_per_controller: int = 40
    allocation_left: float | None = None  # water left / demand of the rest of the season; None = no [allocation]
    allocation_tier: tuple[float, float] | None = None  # (above, price per m3)
    nights_allowed: tuple[str, ...] | None = None  # weekdays, from the evening's date on; None = no [[restriction]]
    evening: date = date(2026, 7, 14)
    season_days: int = 60  # days of weather up to and including the evening's date
    forecast_days: int = 10
    members: int = 1
    applied_nights: int = 14
    probe_share: float = 0.25
    probe_days: int = 10
    probe_every: int = 360  # [min]
    opens: str = "21:00"
    closes: str = "05:00"
    latitude: float = 35.2
    hot: float = 1.0  # multiplies the range tmax - 20 degC
    storm: float = 0.0  # rain of the second forecast day [mm]
    resolution: int = 60  # [s]
    tariff: bool = True
    water_ec: float = 1.2  # [dS/m]


def make_site(
    folder: Path,
    zones: int = 150,
    nights: int = 7,
    units: str = "metric",
    forecast: bool = True,
    probes: bool = True,
    decimal_comma: bool = False,
    seed: int = 0,
    **overrides: object,
) -> Path:
    """Write a whole site folder and return it; `overrides` are further fields of `SiteOptions`."""
    options = SiteOptions(
        zones=zones,
        nights=nights,
        units=units,
        forecast=forecast,
        probes=probes,
        decimal_comma=decimal_comma,
        seed=seed,
        **overrides,  # type: ignore[arg-type]
    )
    if options.units not in ("us", "metric"):
        raise ValueError(f"units: {options.units!r}; allowed: 'us', 'metric'")
    if options.zones < 1:
        raise ValueError("zones: at least 1")
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(options.seed)
    table = _zone_table(options, rng)
    weather = _weather(options, rng)
    plumbing = _plumbing(options, table)
    history = _history(options, table, weather, rng)
    _write_toml(folder, options, table, plumbing, history)
    _write_zones(folder, options, table)
    _write_series(folder, options, table, weather, history, rng)
    return folder


def site_files(folder: Path) -> list[str]:
    """Names of the files of a made site."""
    return sorted(path.name for path in Path(folder).iterdir() if path.is_file())


# zones and plumbing


def _zone_table(options: SiteOptions, rng: np.random.Generator) -> pd.DataFrame:
    count = options.zones
    names = list(SURFACES)
    shares = np.array([SURFACES[name][0] for name in names])
    edges = np.concatenate([[0.0], np.cumsum(shares / shares.sum())])
    position = (
        np.arange(count) * 0.6180339887498949
    ) % 1.0  # spreads each surface evenly over the site; zone 0 is a green
    index = np.searchsorted(edges, position, side="right") - 1
    pick = lambda column: np.array([SURFACES[name][column] for name in names], dtype=object)[index]  # noqa: E731
    area_range = np.array([SURFACES[name][4] for name in names], dtype=float)[index]
    rate_range = np.array([SURFACES[name][5] for name in names], dtype=float)[index]
    area = rng.uniform(area_range[:, 0], area_range[:, 1])
    rate = rng.uniform(rate_range[:, 0], rate_range[:, 1])
    soil = pick(2)
    table = pd.DataFrame(
        {
            "zone": [f"Z{number:04d}" for number in range(1, count + 1)],
            "name": [f"{names[i]} {number}" for number, i in enumerate(index, start=1)],
            "surface": pick_names(names, index),
            "turf": pick(1),
            "soil": soil,
            "root_depth": pick(3).astype(float),
            "area": area.round(0),
            "rate": rate,
            "du_lq": rng.uniform(0.6, 0.8, count).round(2),
            "exposure": np.array(["open", "shade", "slope"], dtype=object)[rng.choice(3, count, p=(0.7, 0.15, 0.15))],
            "slope": rng.uniform(0, 6, count).round(1),
            "microclimate": rng.uniform(0.88, 1.12, count).round(2),
            "kc": pick(6).astype(float),
            "field_capacity": np.array([SOILS[key][0] for key in soil]),
            "wilting_point": np.array([SOILS[key][1] for key in soil]),
        }
    )
    table["flow"] = (table["rate"] * table["area"] / 3600).round(3)  # mm/h x m2 = L/h
    table["rate"] = table["flow"] * 3600 / table["area"]
    table["taw"] = 1000 * (table["field_capacity"] - table["wilting_point"]) * table["root_depth"]
    table["multiplier"] = 1 / (0.4 + 0.6 * table["du_lq"])
    return table


def pick_names(names: list[str], index: np.ndarray) -> np.ndarray:
    """Names by index, as an object array."""
    return np.array(names, dtype=object)[index]


def window_minutes(options: SiteOptions) -> int:
    """Length of the window [min]; it may close next morning."""
    opens, closes = (int(text[:2]) * 60 + int(text[3:]) for text in (options.opens, options.closes))
    return (closes - opens) % 1440 or 1440


def hot_week_demand(table: pd.DataFrame, eto: float = 7.5) -> np.ndarray:
    """Gross volume a zone needs in one night of a hot week [m3], shape (Z,)."""
    return (eto * table["kc"] * table["microclimate"] * table["multiplier"] * table["area"] / 1000).to_numpy()


def _plumbing(options: SiteOptions, table: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Pumps, branches and controllers; adds the columns `branch` and `controller` to the table."""
    count = options.zones
    pumps = options.pumps or max(1, -(-count // 600))
    branches = max(pumps, -(-count // options.zones_per_branch))
    controllers = max(1, -(-count // options.zones_per_controller))
    order = np.arange(count)
    branch = order * branches // count if count >= branches else order % branches
    controller = order * controllers // count
    pump_of_branch = np.arange(branches) * pumps // branches
    table["branch"] = [f"loop {number + 1}" for number in branch]
    table["controller"] = [f"satellite {number + 1}" for number in controller]
    first = np.concatenate([[0], np.flatnonzero(np.diff(controller)) + 1])
    table["station"] = [f"{c + 1}-{z - first[c] + 1}" for z, c in enumerate(controller)]
    flow = table["flow"].to_numpy()
    seconds = window_minutes(options) * 60
    needed = hot_week_demand(table) * 1000 / seconds / options.load  # L/s, mean over the window
    pump_needed = np.bincount(pump_of_branch[branch], weights=needed, minlength=pumps)
    largest = np.zeros(pumps)
    np.maximum.at(largest, pump_of_branch[branch], flow)
    capacity = np.maximum(pump_needed * options.pump_factor, largest * 1.05)
    branch_needed = np.bincount(branch, weights=needed, minlength=branches)
    branch_largest = np.zeros(branches)
    np.maximum.at(branch_largest, branch, flow)
    branch_capacity = np.minimum(np.maximum(branch_needed * 1.5, branch_largest * 2.1), capacity[pump_of_branch] * 1.0)
    branch_capacity = np.maximum(branch_capacity, branch_largest * 1.02)
    busy = np.bincount(controller, weights=needed / flow, minlength=controllers)  # stations running on average
    return {
        "pump": pd.DataFrame(
            {
                "name": [f"pump station {number + 1}" for number in range(pumps)],
                "capacity": capacity.round(2),
                "ramp": np.maximum(capacity * 0.5, largest * 1.1).round(2),
            }
        ),
        "branch": pd.DataFrame(
            {
                "name": [f"loop {number + 1}" for number in range(branches)],
                "pump": [f"pump station {p + 1}" for p in pump_of_branch],
                "capacity": branch_capacity.round(2),
            }
        ),
        "controller": pd.DataFrame(
            {
                "name": [f"satellite {number + 1}" for number in range(controllers)],
                "stations_at_once": np.ceil(busy * 1.8).astype(int) + 2,
            }
        ),
    }


# weather, soil and what was applied


def extraterrestrial_radiation(day_of_year: np.ndarray, latitude: float) -> np.ndarray:
    """Daily radiation above the atmosphere [MJ/m2/d], FAO-56 Eq. 21 (from memory; only to make plausible weather)."""
    angle = 2 * np.pi * day_of_year / 365
    distance = 1 + 0.033 * np.cos(angle)
    declination = 0.409 * np.sin(angle - 1.39)
    phi = np.radians(latitude)
    sunset = np.arccos(np.clip(-np.tan(phi) * np.tan(declination), -1, 1))
    beam = sunset * np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.sin(sunset)
    return 24 * 60 / np.pi * 0.0820 * distance * beam


def _weather(options: SiteOptions, rng: np.random.Generator) -> pd.DataFrame:
    """Observed days up to the evening, then the days ahead; column `eto` by temperatures for the hidden truth."""
    total = options.season_days + options.forecast_days
    first = options.evening - timedelta(days=options.season_days - 1)
    dates = pd.date_range(first, periods=total)
    day = dates.dayofyear.to_numpy().astype(float)
    spell = np.zeros(total)
    noise = rng.normal(0, 1, total)
    for t in range(1, total):
        spell[t] = 0.75 * spell[t - 1] + 0.66 * noise[t]
    seasonal = np.cos(2 * np.pi * (day - 205) / 365)
    tmax = 20 + (6 + 8.5 * seasonal + 2.2 * spell) * options.hot
    tmin = tmax - rng.uniform(13, 17, total)
    cloud = np.clip(0.74 + 0.03 * spell + rng.normal(0, 0.03, total), 0.35, 0.78)
    rain = np.where(rng.random(total) < 0.06, rng.gamma(1.2, 5.0, total), 0.0)
    if options.storm > 0:
        rain[min(options.season_days + 1, total - 1)] = options.storm
    above = extraterrestrial_radiation(day, options.latitude)
    eto = 0.0023 * (np.clip((tmax + tmin) / 2, -10, None) + 17.8) * np.sqrt(tmax - tmin) * above * 0.408
    return pd.DataFrame(
        {
            "date": dates,
            "tmin": tmin.round(1),
            "tmax": tmax.round(1),
            "rhmin": np.clip(24 - 3 * spell + rain, 8, 90).round(0),
            "rhmax": np.clip(74 - 3 * spell + rain, 30, 99).round(0),
            "wind": np.clip(rng.gamma(9, 0.22, total), 0.5, 8).round(2),
            "solar": (cloud * above).round(2),
            "rain": rain.round(1),
            "eto": eto,
        }
    )


def _history(
    options: SiteOptions, table: pd.DataFrame, weather: pd.DataFrame, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    """Hidden one-layer balance: depletion at the end of each observed date, minutes of each night; (Z, T)."""
    days = options.season_days
    eto, rain = weather["eto"].to_numpy()[:days], weather["rain"].to_numpy()[:days]
    taw = table["taw"].to_numpy()
    true_kc = (table["kc"] * table["microclimate"]).to_numpy() * rng.normal(1, 0.05, options.zones)
    net_rate = (table["rate"] / table["multiplier"]).to_numpy() / 60 * rng.normal(1, 0.04, options.zones)  # mm/min
    depletion = np.empty((options.zones, days))
    minutes = np.zeros((options.zones, days))
    state = 0.25 * taw
    for t in range(days):
        if t:
            wanted = np.where(state > 0.3 * taw, np.minimum(state, 14.0), 0.0)
            minutes[:, t - 1] = np.round(wanted / net_rate)
        water = minutes[:, t - 1] * net_rate if t else 0.0
        state = np.clip(state - water - 0.9 * rain[t] + true_kc * eto[t], 0, 0.95 * taw)
        depletion[:, t] = state
    return {"depletion": depletion, "minutes": minutes}  # minutes of column t: the night named by date t


# files


def _write_table(folder: Path, name: str, table: pd.DataFrame, options: SiteOptions) -> None:
    separator, decimal = (";", ",") if options.decimal_comma else (",", ".")
    table.to_csv(folder / name, index=False, sep=separator, decimal=decimal, lineterminator="\n", encoding="utf-8")


def _write_zones(folder: Path, options: SiteOptions, table: pd.DataFrame) -> None:
    us = options.units == "us"
    columns = {name: table[name] for name in ("zone", "name", "surface", "turf", "soil")}
    if us:
        columns["root_depth [in]"] = (table["root_depth"] * 1000 / INCH).round(2)
        columns["area [ft2]"] = (table["area"] / FT2).round(1)
        columns["flow [gal/min]"] = (table["flow"] / GAL_PER_MIN).round(3)
        columns["application_rate [in/h]"] = (table["rate"] / INCH).round(5)
    else:
        columns["root_depth"] = (table["root_depth"] * 100).round(1)
        columns["area"] = table["area"]
        columns["flow"] = table["flow"]
        columns["application_rate"] = table["rate"].round(4)
    for name in ("du_lq", "branch", "controller", "station"):
        columns[name] = table[name]
    columns["sources"] = "reclaimed"
    for name in ("exposure", "slope", "microclimate"):
        columns[name] = table[name]
    columns["field_capacity"] = table["field_capacity"]
    columns["wilting_point"] = table["wilting_point"]
    _write_table(folder, "zones.csv", pd.DataFrame(columns), options)


def _weather_columns(weather: pd.DataFrame, us: bool) -> pd.DataFrame:
    out = pd.DataFrame({"date": weather["date"].dt.strftime("%Y-%m-%d")})
    if us:
        out["tmin [degF]"] = (weather["tmin"] * 1.8 + 32).round(1)
        out["tmax [degF]"] = (weather["tmax"] * 1.8 + 32).round(1)
    else:
        out["tmin"], out["tmax"] = weather["tmin"], weather["tmax"]
    out["rhmin"], out["rhmax"] = weather["rhmin"], weather["rhmax"]
    out["wind [mph]" if us else "wind"] = (weather["wind"] / MPH).round(2) if us else weather["wind"]
    out["solar"] = weather["solar"]
    out["rain [in]" if us else "rain"] = (weather["rain"] / INCH).round(3) if us else weather["rain"]
    return out


def _write_series(
    folder: Path,
    options: SiteOptions,
    table: pd.DataFrame,
    weather: pd.DataFrame,
    history: dict[str, np.ndarray],
    rng: np.random.Generator,
) -> None:
    us, days = options.units == "us", options.season_days
    if options.weather:
        _write_table(folder, "weather.csv", _weather_columns(weather.iloc[:days], us), options)
    if options.forecast:
        _write_table(folder, "forecast.csv", _forecast(options, weather, rng, us), options)
    if options.applied:
        _write_table(folder, "applied.csv", _applied(options, table, weather, history), options)
    if options.probes:
        sites, readings = _probes(options, table, weather, history, rng)
        _write_table(folder, "probe_sites.csv", sites, options)
        _write_table(folder, "probes.csv", readings, options)
    calendar = pd.DataFrame(columns=["from", "until", "surface", "zone", "event", "note"])
    _write_table(folder, "calendar.csv", calendar, options)


def _forecast(options: SiteOptions, weather: pd.DataFrame, rng: np.random.Generator, us: bool) -> pd.DataFrame:
    ahead = weather.iloc[options.season_days :]
    frames = []
    for member in range(options.members):
        shifted = ahead.copy()
        lead = np.arange(1, len(ahead) + 1)
        error = rng.normal(0, 0.5, len(ahead)) * np.sqrt(lead)
        if options.members > 1:
            shifted["tmax"] = (shifted["tmax"] + error).round(1)
            shifted["tmin"] = (shifted["tmin"] + 0.6 * error).round(1)
            shifted["rain"] = (shifted["rain"] * rng.choice([0.0, 1.0, 1.8], len(ahead))).round(1)
        columns = _weather_columns(shifted, us)
        columns.insert(0, "issued", f"{options.evening.isoformat()}T17:00")
        columns.insert(2, "member", f"m{member + 1:02d}" if options.members > 1 else "")
        columns["rain_probability"] = np.where(shifted["rain"] > 0, 0.7, 0.05)
        frames.append(columns)
    return pd.concat(frames, ignore_index=True)


def _applied(
    options: SiteOptions, table: pd.DataFrame, weather: pd.DataFrame, history: dict[str, np.ndarray]
) -> pd.DataFrame:
    last = options.season_days - 1  # the evening itself has not run yet
    first = max(0, last - options.applied_nights)
    minutes = history["minutes"][:, first:last]
    night, zone = np.nonzero(minutes.T > 0)
    run = minutes[zone, night].astype(int)
    return pd.DataFrame(
        {
            "night": weather["date"].dt.strftime("%Y-%m-%d").to_numpy()[night + first],
            "zone": table["zone"].to_numpy()[zone],
            "minutes": run,
            "volume": (run * table["flow"].to_numpy()[zone] * 0.06).round(3),
            "note": "",
        }
    )


def _probes(
    options: SiteOptions,
    table: pd.DataFrame,
    weather: pd.DataFrame,
    history: dict[str, np.ndarray],
    rng: np.random.Generator,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Probes at 6 and 15 cm in every zone chosen, read every so often from 00 h on and at 20 h of the last evening."""
    wanted = max(1, round(options.probe_share * options.zones))
    greens = np.flatnonzero(table["surface"] == "green")
    others = np.setdiff1d(np.arange(options.zones), greens)
    chosen = np.sort(np.concatenate([greens, others])[:wanted])
    days = options.season_days
    first = max(1, days - options.probe_days)
    times, hours, columns = [], [], []
    for t in range(first, days):
        usual = np.arange(0, 1440, options.probe_every) / 60
        for hour in (*usual[usual < 20], 20.0) if t == days - 1 else usual:
            times.append(weather["date"].iloc[t] + pd.Timedelta(hours=hour))
            hours.append(hour)
            columns.append(t)
    hour, column = np.array(hours), np.array(columns)
    before, after = history["depletion"][chosen][:, column - 1], history["depletion"][chosen][:, column]
    rate = (table["rate"] / table["multiplier"]).to_numpy()[chosen][:, None] / 60
    watered = np.clip(before - history["minutes"][chosen][:, column - 1] * rate, 0, None)
    shares = np.interp(hour, [0, 6, 20, 24], [0, 0.04, 0.97, 1])
    depletion = np.where(hour >= 6, watered + (after - watered) * shares, before - (before - watered) * 0.4)
    root = table["root_depth"].to_numpy()[chosen][:, None] * 1000
    capacity = table["field_capacity"].to_numpy()[chosen][:, None]
    floor = table["wilting_point"].to_numpy()[chosen][:, None]
    names = table["zone"].to_numpy()[chosen]
    stamps = np.array([time.strftime("%Y-%m-%dT%H:%M") for time in times], dtype=object)
    frames, sites = [], []
    for depth, weight in ((6, 1.15), (15, 0.85)):
        moisture = np.clip(
            capacity - weight * depletion / root + rng.normal(0, 0.004, depletion.shape), floor * 0.8, 0.5
        )
        labels = np.array([f"{name}-{depth:02d}" for name in names], dtype=object)
        sites.append(
            pd.DataFrame(
                {"probe": labels, "zone": names, "depth": depth, "from": "2026-03-01", "until": ""}, dtype=object
            )
        )
        bulk = 0.02 + 1.6 * moisture * options.water_ec * (0.9 + 0.2 * rng.random((len(names), 1)))
        warmth = 24 + 4 * np.sin((hour - 10) / 24 * 2 * np.pi) * (1.0 if depth < 10 else 0.5)
        frames.append(
            pd.DataFrame(
                {
                    "time": np.tile(stamps, len(names)),
                    "probe": np.repeat(labels, len(stamps)),
                    "moisture": moisture.ravel().round(3),
                    "ec": bulk.ravel().round(2),
                    "temperature": np.tile(warmth, len(names)).round(1),
                }
            )
        )
    return pd.concat(sites, ignore_index=True), pd.concat(frames, ignore_index=True)


def _write_toml(
    folder: Path,
    options: SiteOptions,
    table: pd.DataFrame,
    plumbing: dict[str, pd.DataFrame],
    history: dict[str, np.ndarray],
) -> None:
    us = options.units == "us"
    rate = (lambda value: f'"{value / GAL_PER_MIN:.1f} gal/min"') if us else (lambda value: f"{value:.2f}")
    lines = [
        "# An invented site, made for tests.",
        "[site]",
        f'name = "Invented site of {options.zones} zones"',
        f"latitude = {options.latitude}",
        "longitude = -118.4",
        'elevation = "1115 ft"' if us else "elevation = 340",
        'time_zone = "America/Los_Angeles"',
        f'units = "{options.units}"',
        "",
        "[planning]",
        f"nights = {options.nights}",
        "",
        "[window]",
        f'opens = "{options.opens}"',
        f'closes = "{options.closes}"',
        "",
    ]
    for row in plumbing["pump"].itertuples():
        ramp = f'"{row.ramp / GAL_PER_MIN:.0f} gal/min/min"' if us else f"{row.ramp}"
        lines += [
            "[[pump]]",
            f'name = "{row.name}"',
            f"capacity = {rate(row.capacity)}",
            f"smallest_flow = {rate(0.0)}",
        ]
        lines += [f"ramp = {ramp}", 'head = "260 ft"' if us else "head = 80", "efficiency = 0.7", ""]
    for row in plumbing["branch"].itertuples():
        lines += ["[[branch]]", f'name = "{row.name}"', f'pump = "{row.pump}"', f"capacity = {rate(row.capacity)}", ""]
    for row in plumbing["controller"].itertuples():
        lines += ["[[controller]]", f'name = "{row.name}"', f"stations_at_once = {row.stations_at_once}"]
        lines += [f"resolution = {options.resolution}", ""]
    lines += ["[[source]]", 'name = "reclaimed"', f"ec = {options.water_ec}", "sar = 3.0", "price = 0.35", ""]
    if options.allocation_left is not None:
        lines += _allocation(options, table, history)
    if options.nights_allowed is not None:
        unknown = set(options.nights_allowed) - set(WEEKDAYS)
        if unknown:
            raise ValueError(f"nights_allowed: unknown weekdays {sorted(unknown)}")
        listed = ", ".join(f'"{day}"' for day in options.nights_allowed)
        lines += ["[[restriction]]", f"nights_allowed = [{listed}]", ""]
    if options.tariff:
        for opens, closes, price in (("00:00", "06:00", 0.11), ("06:00", "16:00", 0.16), ("16:00", "22:00", 0.29)):
            lines += ["[[tariff]]", f'from = "{opens}"', f'until = "{closes}"', f"price = {price}", ""]
        lines += ["[[tariff]]", 'from = "22:00"', 'until = "24:00"', "price = 0.11", ""]
    (folder / "site.toml").write_text("\n".join(lines), encoding="utf-8")


def _allocation(options: SiteOptions, table: pd.DataFrame, history: dict[str, np.ndarray]) -> list[str]:
    """Season 1 April to 31 October; left = `allocation_left` times a plain guess of the demand still to come."""
    year = options.evening.year
    starts, ends = date(year, 4, 1), date(year, 10, 31)
    per_night = float(hot_week_demand(table, eto=5.5).sum())
    logged = 0.0
    if options.applied:
        last = options.season_days - 1
        run = history["minutes"][:, max(0, last - options.applied_nights) : last]
        logged = float((run.sum(axis=1) * table["flow"].to_numpy() * 0.06).sum())
    used_before = 0.7 * per_night * max(0, (options.evening - starts).days - options.applied_nights)
    left = (options.allocation_left or 0.0) * per_night * max(0, (ends - options.evening).days)
    lines = ["[allocation]", f"starts = {starts.isoformat()}", f"ends = {ends.isoformat()}"]
    lines += [f"volume = {used_before + logged + left:.1f}", f"used_before = {used_before:.1f}", ""]
    if options.allocation_tier is not None:
        above, price = options.allocation_tier
        lines += ["[[allocation.tier]]", f"above = {above}", f"price = {price}", ""]
    return lines


OPTION_NAMES = tuple(field.name for field in dataclasses.fields(SiteOptions))
