"""Invented series of a new site, one of every kind: they end on the evening of today and match the zones.

The climate is a smooth invention by latitude, height and day of the year with a little chance from a fixed seed. It
shows what belongs into each file; nothing may be watered by it, and plans made with it say so.
"""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from models.sky import extraterrestrial_radiation
from models.weather import Climate, Place, reference_et
from scheduler.site.records import Site

SEED = 7
BACK, AHEAD, LOGGED, READ = 45, 8, 21, 7  # [d] of weather, forecast, log and probe readings
SAMPLED = 20  # [d] since the laboratory sample
GAL_PER_M3 = 264.172052
RAINY = 0.12  # share of rainy days
NAMES = ("weather", "forecast", "probes", "probe_sites", "applied", "calendar", "samples", "meter", "edits")


def climate_of(latitude: float, elevation: float, days: np.ndarray) -> dict[str, np.ndarray]:
    """Give an invented climate of dates: tmin, tmax [degC], rhmin, rhmax [%], wind [m/s], solar [MJ/m2/d], rain [mm].

    Parameters
    ----------
    latitude, elevation : float          [deg], [m]
    days : ndarray (T,) of datetime64    Dates.
    """
    year = (days - days.astype("datetime64[Y]")).astype("timedelta64[D]").astype(float) + 1.0
    rng = np.random.default_rng([SEED, int(days[0].astype(int)) % 1000])
    warm = np.cos(2 * np.pi * (year - (200 if latitude >= 0 else 17)) / 365.25)
    mean = 27.0 - 0.33 * max(abs(latitude) - 15.0, 0.0) + min(0.25 * abs(latitude), 14.0) * warm
    mean = mean - 0.0065 * elevation + rng.normal(0, 1.2, year.size)
    dry = 0.5 + 0.5 * warm
    swing = 6.0 + 2.0 * dry
    rain = np.where(rng.random(year.size) < RAINY * (1.6 - dry), rng.exponential(6.0, year.size), 0.0)
    solar = np.asarray(extraterrestrial_radiation(year, latitude)) * np.where(rain > 0, 0.45, 0.66 + 0.06 * dry)
    rain[-AHEAD - 5 :] = 0.0  # so that the first plan has something to do
    return {
        "tmin": mean - swing, "tmax": mean + swing, "rhmin": 48.0 - 18.0 * dry + rng.normal(0, 2, year.size),
        "rhmax": 88.0 - 4.0 * dry + rng.normal(0, 2, year.size), "wind": 1.9 + rng.uniform(0, 0.6, year.size),
        "solar": solar, "rain": rain.round(1),
    }  # fmt: skip


def year_of_demand(site: Site, year: int) -> np.ndarray:
    """Water the zones want on each date of a year in that climate, shape (365 or 366,) [m3/d]."""
    days = np.arange(f"{year}-01-01", f"{year + 1}-01-01", dtype="datetime64[D]")
    month = days.astype("datetime64[M]").astype(int) % 12
    zones = site.zones
    weight = (zones.kc_month * (zones.microclimate * zones.area / site.net_share)[:, None]).sum(axis=0) / 1000.0
    return np.asarray(_eto(site, days) * weight[month])


def _eto(site: Site, days: np.ndarray) -> np.ndarray:
    told = climate_of(site.latitude, site.elevation, days)
    year = (days - days.astype("datetime64[Y]")).astype(int) + 1
    known = {name: values for name, values in told.items() if name != "rain"}
    return np.maximum(
        reference_et(Climate.of(year, **known), Place(site.latitude, site.elevation), site.method).eto, 0.0
    )


def write_samples(folder: Path, site: Site, evening: date) -> list[Path]:
    """Write every series.

    Parameters
    ----------
    folder : Path     The site's.
    site : Site       As read from site.toml and zones.csv.
    evening : date    Weather ends with it, the forecast was issued on it.
    """
    days = np.arange(evening - timedelta(days=BACK - 1), evening + timedelta(days=AHEAD + 1), dtype="datetime64[D]")
    told = climate_of(site.latitude, site.elevation, days)
    past = {name: values[:BACK] for name, values in told.items()}
    log, depth = _log(site, days[:BACK], told["rain"][:BACK])
    places = _places(site)
    tables = {
        "weather": _weather(site, days[:BACK], past),
        "forecast": _forecast(site, evening, days[BACK:], {n: v[BACK:] for n, v in told.items()}),
        "probe_sites": places,
        "probes": _readings(site, places, days[:BACK], past, depth),
        "applied": log,
        "calendar": _calendar(site, evening),
        "samples": _samples(site, evening),
        "meter": _meter(site, log, evening),
        "edits": _edits(site, evening),
    }  # fmt: skip
    written = []
    for name in NAMES:
        path = folder / f"{name}.csv"
        tables[name].to_csv(path, index=False, lineterminator="\n", encoding="utf-8")
        written.append(path)
    return written


def _weather(site: Site, days: np.ndarray, told: dict[str, np.ndarray]) -> pd.DataFrame:
    """Columns as a person of these units writes them."""
    us = site.units == "us"
    out = pd.DataFrame({"date": days.astype(str)})
    for name in ("tmin", "tmax"):
        out[f"{name} [degF]" if us else name] = (told[name] * 1.8 + 32 if us else told[name]).round(0 if us else 1)
    for name in ("rhmin", "rhmax"):
        out[name] = told[name].clip(5, 100).round(0).astype(int)
    out["wind [mph]" if us else "wind"] = (told["wind"] / 0.44704 if us else told["wind"]).round(1)
    out["solar"] = told["solar"].round(1)
    out["rain [in]" if us else "rain"] = (told["rain"] / 25.4).round(2) if us else told["rain"]
    return out


def _forecast(site: Site, evening: date, days: np.ndarray, told: dict[str, np.ndarray]) -> pd.DataFrame:
    out = _weather(site, days, told)
    out.insert(0, "issued", f"{evening}T15:00")
    out["rain_probability"] = np.where(told["rain"] > 0, 0.6, 0.1)
    return out


def _log(site: Site, days: np.ndarray, rain: np.ndarray) -> tuple[pd.DataFrame, np.ndarray]:
    """Runs of the last nights, each zone every second one, and their net depth by zone and date (Z, T) [mm]."""
    zones = site.zones
    month = days.astype("datetime64[M]").astype(int) % 12
    need = _eto(site, days) * zones.kc_month[:, month] * zones.microclimate[:, None]
    depth, rows = np.zeros(need.shape), []
    for n in range(len(days) - LOGGED, len(days) - 1):
        turn = np.arange(len(zones)) % 2 == n % 2
        wanted = np.clip((need[:, n - 1 : n + 1] - 0.7 * rain[None, n - 1 : n + 1]).sum(axis=1), 0.0, None)
        gross = np.where(turn, wanted / site.net_share, 0.0)
        minutes = np.minimum(np.round(gross / zones.gross_rate), np.minimum(zones.max_run, 240.0))
        depth[:, n] = minutes * zones.gross_rate * site.net_share
        rows += [(str(days[n]), z, int(m)) for z, m in zip(zones.zone[turn], minutes[turn], strict=True)]
    return pd.DataFrame(rows, columns=["night", "zone", "minutes"]), depth


def _places(site: Site) -> pd.DataFrame:
    """Two probes, in the first zone of the surface served first and of the one served last; each at mid-depth."""
    zones = site.zones
    first = np.argsort(zones.priority, kind="stable")
    chosen = dict.fromkeys((int(first[0]), int(first[-1])))
    us = site.units == "us"
    rows = [
        (f"P{k}", zones.zone[z], round(zones.root_depth[z] * (50 / 2.54 if us else 50)), "", "")
        for k, z in enumerate(chosen, start=1)
    ]
    return pd.DataFrame(rows, columns=["probe", "zone", "depth [in]" if us else "depth", "from", "until"])


def _readings(
    site: Site, places: pd.DataFrame, days: np.ndarray, told: dict[str, np.ndarray], depth: np.ndarray
) -> pd.DataFrame:
    """Readings every six hours of a plain bucket under that log, with the small differences real ones have."""
    zones, rng = site.zones, np.random.default_rng(SEED)
    month = days.astype("datetime64[M]").astype(int) % 12
    eto, rows = _eto(site, days), []
    for probe, zone in zip(places["probe"], places["zone"], strict=True):
        z = int(np.flatnonzero(zones.zone == zone)[0])
        roots, full = zones.root_depth[z], zones.field_capacity[z]
        most = 1000.0 * (full - zones.wilting_point[z]) * roots
        dry, ending = 0.2 * most, []
        for n in range(len(days)):
            dry = min(
                max(dry + eto[n] * zones.kc_month[z, month[n]] * zones.microclimate[z] - told["rain"][n], 0.0),
                0.9 * most,
            )
            ending.append(dry)
            dry = max(dry - depth[z, n], 0.0)
        for n in range(len(days) - READ, len(days)):
            before = max(ending[n - 1] - depth[z, n - 1], 0.0)
            for hour in (2, 8, 14, 20):
                share = np.clip((hour - 6) / 12, 0, 1)
                level = before + share * (ending[n] - before) if hour > 2 else ending[n - 1]
                moisture = full - level / (1000.0 * roots) + rng.normal(0, 0.0008)
                heat = told["tmin"][n] + share * 0.6 * (told["tmax"][n] - told["tmin"][n])
                bulk = 0.1 + 3.2 * float(moisture) * site.sources[0].ec / 1.1
                rows.append(
                    (
                        f"{days[n]}T{hour:02d}:00",
                        probe,
                        round(float(moisture), 3),
                        round(bulk, 2),
                        round(float(heat), 1),
                    )
                )
    table = pd.DataFrame(rows, columns=["time", "probe", "moisture", "ec", "temperature"])
    return table.sort_values(["time", "probe"], kind="stable")


def _calendar(site: Site, evening: date) -> pd.DataFrame:
    """An event on the coming weekend but one day, and a night without water for one zone."""
    served_first = site.zones.surface[int(np.argmin(site.zones.priority))]
    saturday = evening + timedelta(days=(5 - evening.weekday()) % 7 or 7)
    rows = [
        (str(saturday), str(saturday + timedelta(days=1)), served_first, "", "tournament", "a sample: club weekend"),
        (str(evening + timedelta(days=2)), "", "", site.zones.zone[-1], "no_water", "a sample: work on the path"),
    ]
    return pd.DataFrame(rows, columns=["from", "until", "surface", "zone", "event", "note"])


def _samples(site: Site, evening: date) -> pd.DataFrame:
    """One laboratory sample: 1.5 times the EC of the water, as good drainage leaves it (FAO-29, secondary)."""
    z = int(np.argmin(site.zones.priority))
    us = site.units == "us"
    depth = 4 if us else 10
    row = (str(evening - timedelta(days=SAMPLED)), site.zones.zone[z], depth, round(1.5 * site.sources[0].ec, 1))
    return pd.DataFrame([row], columns=["date", "zone", "depth [in]" if us else "depth", "ece"])


def _edits(site: Site, evening: date) -> pd.DataFrame:
    """The manager's word for a night that is over."""
    row = (str(evening - timedelta(days=7)), site.zones.zone[-1], "skip", "a sample: mower broke down there")
    return pd.DataFrame([row], columns=["night", "zone", "minutes", "note"])


def _meter(site: Site, log: pd.DataFrame, evening: date) -> pd.DataFrame:
    """Weekly counts of a meter of the first source, which shows what the log says."""
    us = site.units == "us"
    flow = dict(zip(site.zones.zone, site.zones.flow * 60.0 / 1000.0, strict=True))
    water = log["minutes"] * log["zone"].map(flow)
    count, rows = 18_400.0, []
    for back in (21, 14, 7, 0):
        day = evening - timedelta(days=back)
        so_far = count + float(water[log["night"] < str(day)].sum())
        shown = so_far * (GAL_PER_M3 if us else 1.0)
        rows.append((f"{day}T07:30", "main", round(shown), site.sources[0].name, "cumulative"))
    return pd.DataFrame(rows, columns=["time", "meter", "reading [gal]" if us else "reading", "source", "kind"])
