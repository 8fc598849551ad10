"""A simulated course with probes whose faults are known.

The soil here is not the one the rules reason with: it drains by a conductivity that falls exponentially with moisture
(so field capacity is nowhere sharp), in two layers, in steps of a quarter hour, with a true field capacity, rate and
demand off what zones.csv says, spots that get more or less than the mean, and rain at hours nobody recorded. Probes
read with bias, gain, noise, resolution and a little temperature in their moisture. Numbers are drawn from ranges
that are common practice (no source).
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from scheduler.site import Site, load_site
from tests.sites import make_site

STEP = 15  # [min]
PER_DAY = 1440 // STEP
KINDS = ("range", "spike", "stuck", "wetting", "gap", "temperature", "ec", "moved")
FURTHER_KINDS = (*KINDS, "stuck noisy", "shifted", "swapped")  # shifted: moisture alone, for good


@dataclass(frozen=True)
class Conditions:
    """What a course may be like beyond the usual, factors on the usual ranges and shares."""

    noise: float = 1.0  # of the probes
    swing: float = 1.0  # of soil temperature
    demand: float = 1.0  # ET
    waits: float = 4.0  # [mm] a zone is watered from this depletion on
    skips: float = 0.15  # share of turns left out


@dataclass(frozen=True)
class Planted:
    """A fault that was put in."""

    probe: str
    kind: str
    starts: pd.Timestamp
    ends: pd.Timestamp


@dataclass(frozen=True)
class Course:
    """A site with readings; the faults in them; which moistures are wrong."""

    site: Site
    faults: tuple[Planted, ...]
    wrong: pd.Series


def make_course(
    folder: Path,
    seed: int,
    days: int = 30,
    interval: int = 60,
    faulty: float = 0.6,
    rainy: float = 0.15,
    kinds: tuple[str, ...] = KINDS,
    conditions: Conditions | None = None,
) -> Course:
    """Make a course of 24 probed zones with two probes each; a share `faulty` of the probes gets one or two faults."""
    conditions = conditions or Conditions()
    rng = np.random.default_rng(seed)
    make_site(
        folder,
        zones=60,
        seed=seed,
        probes=False,
        applied=False,
        season_days=days + 8,
        evening=pd.Timestamp("2026-07-14").date(),
    )
    site = load_site(folder)
    weather = site.weather.iloc[-days:].reset_index(drop=True)
    weather["rain"] = np.where(rng.random(days) < rainy, rng.gamma(1.2, 6.0, days).round(1), 0.0)
    zones = np.sort(rng.choice(len(site.zones), 24, replace=False))
    places = pd.DataFrame(
        [(f"{site.zones.zone[z]}-{d:02d}", site.zones.zone[z], float(d)) for z in zones for d in (6, 15)],
        columns=["probe", "zone", "depth"],
    )
    places["from"], places["until"] = pd.NaT, pd.NaT
    places = places.astype({"from": "datetime64[ns]", "until": "datetime64[ns]"})
    applied, states, temperature = _soil(site, zones, weather, rng, conditions)
    readings = _read(places, weather, states, temperature * conditions.swing, interval, rng, conditions.noise)
    readings, faults, wrong = _break(readings, places, applied, site, weather, faulty, rng, kinds)
    order = readings.sort_values(["time", "probe"], kind="stable").index
    site = dataclasses.replace(
        site, weather=weather, applied=applied, probe_sites=places, probes=readings.loc[order].reset_index(drop=True)
    )
    return Course(site, tuple(faults), wrong.loc[order].reset_index(drop=True))


def _soil(site: Site, zones: np.ndarray, weather: pd.DataFrame, rng: np.random.Generator, conditions: Conditions):
    """Run the soil; give what was logged, moisture (2 layers, steps, zones) and temperature swing of each place."""
    table, days, count = site.zones, len(weather), len(zones)
    fc = table.field_capacity[zones] + rng.normal(0, 0.015, count)
    wp = table.wilting_point[zones]
    sat = fc + rng.uniform(0.17, 0.24, count)
    thick = np.array([np.full(count, 90.0), np.maximum(table.root_depth[zones] * 1000 - 90.0, 90.0)])
    demand = rng.uniform(0.75, 1.3, count) * conditions.demand
    spot = rng.uniform(0.6, 1.25, count) * rng.uniform(0.85, 1.15, count)
    swift = np.where(table.soil[zones] == "sand_rootzone", 1.5, 0.5)  # drainage at saturation [mm per step]
    theta = np.array([0.9 * fc, 0.9 * fc])
    rows, states = [], np.empty((2, days * PER_DAY, count))
    water = np.zeros(((days + 2) * PER_DAY, count))
    depletion = np.zeros(count)
    sun = np.clip(np.sin(np.pi * ((np.arange(PER_DAY) + 0.5) / PER_DAY * 24 - 6) / 14), 0, None)
    sun /= sun.sum()
    opens, closes = site.window.default
    for t in range(days):
        if weather["rain"][t]:
            start = t * PER_DAY + rng.integers(0, PER_DAY - 12)
            water[start : start + 12] += weather["rain"][t] / 12
        tmax = weather["tmax"][t]
        etc = 0.8 * demand * np.clip(0.25 * (tmax - 8), 1.5, 8.5) * rng.uniform(0.85, 1.1)
        for k in range(PER_DAY):
            now = t * PER_DAY + k
            theta[0] += water[now] / thick[0]
            over = np.maximum(theta[0] - sat, 0)
            theta[0] -= over
            for layer in (0, 1):
                wet = np.clip((theta[layer] - fc) / (sat - fc), -1.0, 1.0)
                down = swift * np.exp(4.5 * (wet - 1.0)) * (theta[layer] > wp + 0.02)
                if layer == 0:
                    down = np.minimum(down, np.maximum(sat - theta[1], 0) * thick[1])
                theta[layer] -= down / thick[layer]
                if layer == 0:
                    theta[1] += down / thick[1]
            left = np.clip((theta - wp) / (fc - wp) / 0.6, 0, 1)
            share = np.array([0.65, 0.35])[:, None] * left
            theta -= share * etc * sun[k] / thick
            states[:, now] = theta
        depletion += etc - weather["rain"][t] * 0.8
        if t == days - 1:
            break
        run = (depletion > conditions.waits) & (rng.random(count) > conditions.skips)
        minutes = np.where(
            run, np.minimum(depletion, 14) / (table.application_rate[zones] / 60) * rng.uniform(0.9, 1.3, count), 0
        ).round()
        minutes = np.minimum(minutes, 100)
        depletion = np.where(
            run, np.maximum(depletion - minutes * table.application_rate[zones] / 60, 0), np.maximum(depletion, 0)
        )
        for i in np.flatnonzero(minutes):
            begin = t * PER_DAY + int(rng.uniform(max(opens, 1440), closes - minutes[i]) // STEP)  # this day is over
            steps = max(1, int(round(minutes[i] / STEP)))
            water[begin : begin + steps, i] += minutes[i] * table.application_rate[zones[i]] / 60 * spot[i] / steps
            rows.append((weather["date"][t], table.zone[zones[i]], minutes[i], np.nan, ""))
    applied = pd.DataFrame(rows, columns=["night", "zone", "minutes", "volume", "note"])
    temperature = rng.uniform(0.85, 1.15, count)
    return applied, states, temperature


def _warmth(weather: pd.DataFrame, depth: float, shade: float) -> np.ndarray:
    """Soil temperature at every step [degC]."""
    mean = ((weather["tmin"] + weather["tmax"]) / 2).ewm(span=3, adjust=False).mean().to_numpy()
    swing = (weather["tmax"] - weather["tmin"]).to_numpy() / 2 * np.exp(-depth / 11.0) * shade
    hour = np.arange(PER_DAY) / PER_DAY * 24
    wave = np.cos((hour - 15 - depth * 0.3) / 24 * 2 * np.pi)
    return (mean[:, None] + 1.0 + swing[:, None] * wave[None, :]).ravel()


def _sense(
    theta: np.ndarray, warm: np.ndarray, weather: pd.DataFrame, sensor: dict[str, float], rng: np.random.Generator
) -> dict[str, np.ndarray]:
    wet = sensor["bias"] + sensor["gain"] * theta + 0.0004 * (warm - 20) + rng.normal(0, sensor["noise"], len(theta))
    salts = sensor["salt"] * np.maximum((wet + 0.176) ** 2 / 0.0132 - 4.1, 0.4) / 80 * (1 + 0.02 * (warm - 25))
    return {
        "moisture": np.maximum((wet / sensor["finest"]).round() * sensor["finest"], 0.01),
        "ec": np.maximum(salts * rng.normal(1, 0.02, len(theta)), 0.01).round(2),
        "temperature": (warm + rng.normal(0, 0.1, len(theta))).round(1),
    }


def _read(places, weather, states, temperature, interval, rng, noise) -> pd.DataFrame:
    every = interval // STEP
    at = np.arange(0, states.shape[1] - 4 * PER_DAY // 24, every)  # up to 20:00 of the last day
    times = weather["date"][0] + pd.to_timedelta(at * STEP, unit="min")
    parts = []
    for i, place in enumerate(places.itertuples()):
        sensor = {
            "bias": rng.normal(0, 0.015), "gain": rng.uniform(0.85, 1.15), "noise": noise * rng.uniform(0.001, 0.004),
            "finest": rng.choice([0.0001, 0.001, 0.001, 0.005]), "salt": rng.uniform(2, 7),
        }  # fmt: skip
        warm = _warmth(weather, place.depth, temperature[i // 2])[at]
        read = _sense(states[i % 2][at, i // 2], warm, weather, sensor, rng)
        part = pd.DataFrame({"time": times, "probe": place.probe} | read | {"permittivity": np.nan})
        parts.append(part[rng.random(len(part)) > 0.004])
    return pd.concat(parts, ignore_index=True)


def _break(readings, places, applied, site, weather, faulty, rng, names):
    """Put faults in; readings of one probe at a time, no two faults within two days of each other."""
    readings = readings.copy()
    wrong = pd.Series(False, index=readings.index)
    drop = np.zeros(len(readings), dtype=bool)
    faults: list[Planted] = []
    opens, closes = site.window.default
    kinds = list(rng.permutation(np.resize(names, 400)))
    zone_of = places.set_index("probe")["zone"]
    rows_of = readings.groupby("probe").indices
    swapped: set[str] = set()
    for probe, rows in rows_of.items():
        if rng.random() > faulty:
            continue
        times = readings["time"].to_numpy()[rows]
        for place in [0.45] if rng.random() < 0.5 else [0.25, 0.7]:
            kind = kinds.pop()
            if kind in ("moved", "shifted", "swapped") and place == 0.25:
                kind = "spike"
            at = int(len(rows) * (place + rng.uniform(-0.04, 0.04)))
            if kind == "swapped":
                other = _other(readings, rows_of, probe, swapped, at)
                kind = "spike" if other is None else kind
            if kind in ("wetting", "moved", "shifted"):  # by day, where no water explains it
                at = _dry_daytime(times, at, zone_of[probe], applied, weather, opens, closes)
            if at is None:
                continue
            if kind == "swapped":
                since = pd.Timestamp(times[at])
                for one in (probe, other):
                    swapped.add(one)
                    faults.append(Planted(one, kind, since, pd.Timestamp(times[-1])))
                    own = rows_of[one]
                    wrong.iloc[own[readings["time"].to_numpy()[own] >= since.to_datetime64()]] = True
                drop[_swap(readings, rows, rows_of[other], times[at])] = True
                continue
            if probe in swapped:
                continue
            here = _one(kind, readings, wrong, drop, rows, times, at, rng)
            faults.append(Planted(probe, kind, pd.Timestamp(times[here[0]]), pd.Timestamp(times[here[1]])))
    return readings[~drop], faults, wrong[~drop]


def _other(readings, rows_of, probe, taken, at):
    """Find a probe that comes later in the list and reads another level, so that exchanging them can be seen."""
    levels = {name: readings["moisture"].to_numpy()[rows].mean() for name, rows in rows_of.items()}
    names = list(rows_of)
    for name in names[names.index(probe) + 1 :]:
        if name not in taken and abs(levels[name] - levels[probe]) > 0.06:
            return name
    return None


def _swap(readings, rows, others, since):
    """Exchange what two probes say from a time on; give the rows of times that only one of them has."""
    times = readings["time"].to_numpy()
    mine, theirs = (part[times[part] >= since] for part in (rows, others))
    _, a, b = np.intersect1d(times[mine], times[theirs], return_indices=True)
    for name in ("moisture", "ec", "temperature"):
        values = readings[name].to_numpy(copy=True)
        values[mine[a]], values[theirs[b]] = values[theirs[b]].copy(), values[mine[a]].copy()
        readings[name] = values
    return np.concatenate((np.delete(mine, a), np.delete(theirs, b)))


def _dry_daytime(times, at, zone, applied, weather, opens, closes):
    """Find the next reading of a day without rain on it or the day before, and since the night's runs; None if none."""
    rain = weather.set_index("date")["rain"]
    ran = set(applied.loc[applied["zone"] == zone, "night"])
    step = pd.Timestamp(times[1]) - pd.Timestamp(times[0])
    for k in range(at, len(times) - int(pd.Timedelta("60h") / step)):
        now = pd.Timestamp(times[k])
        day = now.normalize()
        if not 11 <= now.hour <= 18 or rain.get(day, 0) or rain.get(day - pd.Timedelta(days=1), 0):
            continue
        if (now - step).hour >= 9 or step < pd.Timedelta("3h") or day - pd.Timedelta(days=1) not in ran:
            return k
    return None


def _one(kind, readings, wrong, drop, rows, times, at, rng) -> tuple[int, int]:
    """Put one fault in from row `at` on; give its first and last row."""
    m, t, e = (readings.columns.get_loc(name) for name in ("moisture", "temperature", "ec"))
    gap = float((times[1] - times[0]) / np.timedelta64(1, "h"))
    last = at
    if kind == "range":
        last = at + int(rng.integers(0, 3))
        readings.iloc[rows[at : last + 1], m] = rng.choice([0.0, 0.001, 0.75, 0.98])
    elif kind == "spike":
        last = at + (int(rng.integers(0, 2)) if gap <= 1 else 0)
        sign = rng.choice([-1.0, 1.0])
        level = readings.iloc[rows[at], m]
        height = rng.uniform(0.06, 0.2)
        if sign < 0 and level - height < 0.02:
            sign = 1.0
        readings.iloc[rows[at : last + 1], m] += sign * height
    elif kind == "stuck":
        last = min(at + int(rng.uniform(48, 150) / gap), len(rows) - 1)
        columns = [m] if rng.random() < 0.5 else [m, t, e]
        for c in columns:
            readings.iloc[rows[at : last + 1], c] = readings.iloc[rows[at], c]
    elif kind == "stuck noisy":
        last = min(at + int(rng.uniform(72, 150) / gap), len(rows) - 1)
        noise = rng.normal(0, rng.uniform(0.0003, 0.0015), last - at + 1)
        readings.iloc[rows[at : last + 1], m] = (readings.iloc[rows[at], m] + noise).round(4)
    elif kind == "shifted":
        last = len(rows) - 1
        level = readings.iloc[rows[at : last + 1], m]
        offset = rng.choice([-1.0, 1.0]) * rng.uniform(0.05, 0.1)
        readings.iloc[rows[at : last + 1], m] = level + (abs(offset) if level.min() + offset < 0.02 else offset)
    elif kind == "wetting":
        last = min(at + int(24 / gap), len(rows) - 1)
        hours = (times[at : last + 1] - times[at]) / np.timedelta64(1, "h")
        readings.iloc[rows[at : last + 1], m] += rng.uniform(0.05, 0.12) * np.exp(-hours / 8.0)
    elif kind == "gap":
        last = min(at + max(int(rng.uniform(10, 60) / gap), 1), len(rows) - 1)  # one lost reading is none
        drop[rows[at : last + 1]] = True
        at, last = at - 1, min(last + 1, len(rows) - 1)
    elif kind == "temperature":
        last = at + int(rng.integers(0, 4))
        readings.iloc[rows[at : last + 1], t] += rng.choice([-1.0, 1.0]) * rng.uniform(20, 70)
    elif kind == "ec":
        last = at + int(rng.integers(0, 4))
        old = readings.iloc[rows[at : last + 1], e]
        readings.iloc[rows[at : last + 1], e] = 0.0 if rng.random() < 0.3 else old * rng.uniform(3, 8) + 0.4
    elif kind == "moved":
        last = len(rows) - 1
        sign = rng.choice([-1.0, 1.0])
        level = readings.iloc[rows[at : last + 1], m]
        offset = sign * rng.uniform(0.05, 0.1)
        if level.min() + offset < 0.02:
            offset = abs(offset)
        readings.iloc[rows[at : last + 1], m] = level + offset
        warm = readings.iloc[rows[at : last + 1], t]
        mean = warm.rolling(max(3, int(24 / gap)), center=True, min_periods=1).mean()
        readings.iloc[rows[at : last + 1], t] = (mean + (warm - mean) * rng.choice([0.5, 1.6, 1.0])).round(1)
    if kind in ("range", "spike", "stuck", "stuck noisy", "wetting", "moved", "shifted"):
        wrong.iloc[rows[at : last + 1]] = True
    return at, last
