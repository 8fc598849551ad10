"""One invented season of a site: what a plausible manager ran, what the probes read, what the laboratory found."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from hidden_truth import UPPER_MM, WATERING_HOURS, Ground, Soil, bulk_ec, hourly_shares, permittivity

# July crop coefficients and their yearly shape, after the California table (Meyer et al. 1985): month 1 to 12
KC_COOL = np.array([0.61, 0.64, 0.75, 1.04, 0.95, 0.88, 0.94, 0.86, 0.74, 0.75, 0.69, 0.60])
KC_WARM = np.array([0.61, 0.54, 0.76, 0.72, 0.79, 0.68, 0.71, 0.71, 0.62, 0.54, 0.58, 0.55])

# field capacity, wilting point, saturation, water of the laboratory's paste [m3/m3]: middle of the usual range of each
SOILS = {
    "sand_rootzone": (0.19, 0.05, 0.42, 0.40),
    "loamy_sand": (0.15, 0.065, 0.42, 0.30),
    "sandy_loam": (0.23, 0.11, 0.45, 0.40),
    "loam": (0.25, 0.12, 0.47, 0.58),
    "sandy_clay_loam": (0.27, 0.17, 0.46, 0.62),
    "clay_loam": (0.32, 0.20, 0.49, 0.78),
    "silt_loam": (0.29, 0.15, 0.49, 0.56),
}
# sand over gravel as built, 12 in: what it holds above the gravel rises to shallower roots (USGA Green Section,
# Recommendations for a Method of Putting Green Construction, 2018)
SAND_MM = 300.0
EXPOSURE = {
    "open": 1.0,
    "shade": 0.84,
    "south slope": 1.1,
    "windy ridge": 1.08,
    "north stand": 0.72,
    "south stand": 1.02,
}


@dataclass(frozen=True)
class Manager:
    """How the season was watered: nights between runs and refill by surface, closed nights, flushes."""

    every: dict[str, int]
    refill: dict[str, float]  # water given / ETc since the last run [-]
    smallest: float  # nothing is run for less [mm]
    largest: float  # most in one night [mm]
    window_minutes: float
    share_of_capacity: float  # share of the pumps' window the manager dares to fill [-]
    target: float = 0.70  # available water the manager likes to see before a run [fraction of TAW]
    start_ec: float = 2.2  # pore water at the start of the season [dS/m]
    closed: frozenset[str] = frozenset()  # nights without water
    flushes: dict[str, float] = field(default_factory=dict)  # night: gross depth on every green [mm]


@dataclass(frozen=True)
class Season:
    """What came out: the log and hourly truth of two depths, arrays (hours, Z)."""

    applied: pd.DataFrame  # night, zone, minutes, volume [m3], note
    moisture: dict[str, np.ndarray]
    pore_ec: dict[str, np.ndarray]
    ece: dict[str, np.ndarray]
    ground: Ground


def make_ground(zones: pd.DataFrame, rng: np.random.Generator) -> Ground:
    """Draw what is really there around what zones.csv says."""
    count = len(zones)
    table = np.array([SOILS[soil] for soil in zones["soil"]])
    exposure = np.array([EXPOSURE[word] for word in zones["exposure"]])
    return Ground(
        field_capacity=table[:, 0] + rng.normal(0, 0.010, count),
        wilting_point=table[:, 1] + rng.normal(0, 0.004, count),
        saturation=table[:, 2],
        paste=table[:, 3],
        fed_depth=np.where(zones["soil"] == "sand_rootzone", SAND_MM, zones["root_depth"].to_numpy() * 1000),
        demand=exposure * np.exp(rng.normal(0, 0.05, count)),
        water=(0.5 + 0.5 * zones["du_lq"].to_numpy()) * np.exp(rng.normal(0, 0.06, count)),
        hour=rng.integers(0, len(WATERING_HOURS) - 1, count),
    )


class Crew:
    """The manager's memory of every zone, and the decision of one evening; arrays have shape (Z,)."""

    def __init__(
        self, zones: pd.DataFrame, pumps: dict[str, float], manager: Manager, ground: Ground, rng: np.random.Generator
    ) -> None:
        count = len(zones)
        self.manager, self.rng = manager, rng
        self.area, self.greens = zones["area"].to_numpy(), (zones["surface"] == "green").to_numpy()
        self.every = np.array([manager.every[s] for s in zones["surface"]])
        self.refill = np.array([manager.refill[s] for s in zones["surface"]])
        self.offset = np.arange(count) % self.every
        self.rate = zones["flow"].to_numpy() * 60 / self.area  # gross [mm/min]
        self.multiplier = 1 / (0.4 + 0.6 * zones["du_lq"].to_numpy())
        self.pump = np.array([list(pumps).index(name) for name in zones["pump"]])
        self.litres = np.array(list(pumps.values())) * manager.window_minutes * 60 * manager.share_of_capacity
        self.taw = (ground.field_capacity - ground.wilting_point) * ground.fed_depth
        self.since = np.zeros(count)  # ETc less rain since the last run, as the manager reckons it [mm]
        self.habit = np.ones(count)  # what is added or taken off a zone after looking at its turf [-]
        self.last_run = np.full(count, -9)

    def look(self, t: int, available: np.ndarray) -> None:
        """Go round the turf: what looks dry is watered up at its next turn, what squelches waits."""
        short = self.manager.target - available
        if t % 5 == 4:
            self.habit = np.clip(self.habit * np.exp(np.clip(0.5 * short, -0.1, 0.1)), 0.6, 1.6)
        if t % 3 == 2:
            self.since = self.since + np.where(np.abs(short) > 0.12, 0.4 * short * self.taw, 0.0)

    def decide(self, t: int, night: str, etc: np.ndarray, rain: float) -> tuple[np.ndarray, np.ndarray, bool]:
        """Give planned minutes, minutes that really ran, and whether greens are flushed."""
        manager, count = self.manager, len(self.area)
        self.since = np.maximum(self.since + etc - 0.8 * rain, -4.0)
        failed = self.rng.random(count) < 0.004  # a valve that did not open, a controller that lost its link
        due = ((t + self.offset) % self.every == 0) | (t - self.last_run > self.every + 1)
        share = self.refill * self.habit
        depth = np.where(due, np.minimum(self.since * share * self.multiplier, manager.largest), 0.0)
        depth = np.where((depth >= manager.smallest) & (rain <= 6), depth, 0.0)
        flushed = night in manager.flushes
        if flushed:
            depth = np.where(self.greens, manager.flushes[night], depth * 0.6)
        if night in manager.closed:
            depth = np.zeros(count)
        asked = np.bincount(self.pump, weights=depth * self.area, minlength=len(self.litres))
        factor = np.minimum(1, self.litres / np.maximum(asked, 1e-9))[self.pump]
        minutes = np.where(self.greens, np.round(depth / self.rate), np.floor(depth * factor / self.rate))
        gave = minutes * self.rate / self.multiplier
        self.since = np.where(minutes > 0, np.maximum(self.since - gave / share, -3.0), self.since)
        self.last_run = np.where(minutes > 0, t, self.last_run)
        return minutes, minutes * ~failed, flushed


def run_season(
    zones: pd.DataFrame, pumps: dict[str, float], weather: pd.DataFrame, manager: Manager, rng: np.random.Generator
) -> Season:
    """Step through the days of `weather`, deciding at 20:00; the last day's evening has not been watered yet.

    `zones` needs surface, warm (bool), area [m2], flow [L/s], du_lq, pump, water_ec [dS/m]; `pumps` capacities [L/s].
    """
    ground = make_ground(zones, rng)
    soil, crew = Soil(ground, start_ec=manager.start_ec), Crew(zones, pumps, manager, ground, rng)
    days, count = len(weather), len(zones)
    month = weather["date"].dt.month.to_numpy() - 1
    kc = np.where(zones["warm"].to_numpy()[:, None], KC_WARM[month], KC_COOL[month])  # (Z, T)
    eto, rain = weather["eto"].to_numpy(), weather["rain"].to_numpy()
    nights = weather["date"].dt.strftime("%Y-%m-%d").to_numpy()
    shares, rain_start = hourly_shares(), rng.integers(0, 20, days)
    irrigation = np.zeros(((days + 2) * 24, count))  # mm at the spot
    kept = {depth: {key: np.empty((days * 24, count)) for key in ("moisture", "pore", "ece")} for depth in (6, 15)}
    names, flow, water_ec = (zones[name].to_numpy() for name in ("zone", "flow", "water_ec"))
    rows: list[tuple[str, str, int, float, str]] = []
    for step in range(days * 24):
        t, hour = divmod(step, 24)
        if hour == 20 and t < days - 1:
            crew.look(t, soil.available())
            planned, ran, flushed = crew.decide(t, nights[t], kc[:, t] * eto[t], rain[t])
            start = t * 24 + WATERING_HOURS[ground.hour]
            for later in range(4):  # long runs last for hours
                part = np.clip(ran - 60 * later, 0, 60 if later < 3 else None)
                irrigation[start + later, np.arange(count)] += part * crew.rate * ground.water
            for z in np.flatnonzero(planned > 0):
                note = "did not run" if ran[z] == 0 else "flush" if flushed and crew.greens[z] else ""
                rows.append((nights[t], names[z], int(ran[z]), ran[z] * flow[z] * 0.06, note))
        falls = rain[t] / 4 if rain_start[t] <= hour < rain_start[t] + 4 else 0.0
        soil.step(np.full(count, falls), irrigation[step], water_ec, kc[:, t] * ground.demand * eto[t] * shares[hour])
        for depth, store in kept.items():
            store["moisture"][step], store["pore"][step] = soil.moisture(depth), soil.pore_ec(depth)
            store["ece"][step] = soil.ece(depth)
    applied = pd.DataFrame(rows, columns=["night", "zone", "minutes", "volume", "note"])
    moisture, pore, ece = (
        {str(depth): store[key] for depth, store in kept.items()} for key in ("moisture", "pore", "ece")
    )
    return Season(applied, moisture, pore, ece, ground)


def soil_temperature(weather: pd.DataFrame, depth: int) -> np.ndarray:
    """Hourly soil temperature [degC], shape (hours,): the last days' air, a lagged daily wave."""
    mean = ((weather["tmin"] + weather["tmax"]) / 2).ewm(span=4, adjust=False).mean().to_numpy()
    hour = np.arange(24)
    swing, lag = (4.5, 16) if depth == 6 else (2.2, 19)
    wave = swing * np.cos((hour - lag) / 24 * 2 * np.pi)
    return (mean[:, None] + 1.5 + wave[None, :]).ravel()


def read_probes(
    probes: pd.DataFrame,
    zones: pd.DataFrame,
    weather: pd.DataFrame,
    season: Season,
    hourly_days: int,
    last_hour: int,
    rng: np.random.Generator,
    with_permittivity: frozenset[str] = frozenset(),
) -> pd.DataFrame:
    """Take readings every 6 h, every hour over the last days, up to `last_hour` of the last day; no flaws yet.

    `probes` has probe, zone, depth [cm], from, until (text, empty = still there); a probe that was moved has two rows.
    """
    days = len(weather)
    steps = np.arange((days - 1) * 24 + last_hour + 1)
    steps = steps[(steps % 6 == 0) | (steps >= (days - hourly_days) * 24)]
    times = weather["date"].iloc[0] + pd.to_timedelta(steps, unit="h")
    stamps = times.strftime("%Y-%m-%dT%H:%M").to_numpy()
    index = {zone: number for number, zone in enumerate(zones["zone"])}
    frames = []
    for probe, zone, cm, first, until in probes.itertuples(index=False, name=None):
        z, depth = index[zone], str(cm)
        inside = stamps >= first
        if until:
            inside &= stamps < until + "T24"  # the whole last day
        here = steps[inside]
        temperature = soil_temperature(weather, cm)[here]
        offset = rng.normal(0, 0.004)  # each probe reads a little high or low
        moisture = season.moisture[depth][here, z] + offset + rng.normal(0, 0.0015, len(here))
        bulk = bulk_ec(moisture, season.pore_ec[depth][here, z], temperature) * rng.normal(1, 0.01, len(here))
        out = {
            "time": stamps[inside],
            "probe": probe,
            "moisture": moisture.round(3),
            "ec": bulk.round(2),
            "temperature": temperature.round(1),
        }
        if with_permittivity:
            known = probe in with_permittivity
            out["permittivity"] = permittivity(moisture).round(1) if known else np.nan
        frames.append(pd.DataFrame(out))
    return pd.concat(frames, ignore_index=True)


def laboratory(
    greens: list[str],
    dates: list[str],
    zones: pd.DataFrame,
    weather: pd.DataFrame,
    season: Season,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Sample both layers at noon of each date: laboratory ECe [dS/m], columns of samples.csv."""
    index = {zone: number for number, zone in enumerate(zones["zone"])}
    rows = []
    for text in dates:
        step = (pd.Timestamp(text) - weather["date"].iloc[0]).days * 24 + 12
        for zone in greens:
            for depth, layer in ((int(UPPER_MM / 20), "6"), (15, "15")):
                value = season.ece[layer][step, index[zone]] * rng.normal(1, 0.04)
                rows.append((text, zone, depth, round(float(value), 2)))
    return pd.DataFrame(rows, columns=["date", "zone", "depth", "ece"])
