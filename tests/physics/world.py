"""A made course on the finer physics: what its files tell, what is true, and one night after another.

    world = World("humid", seed=11, family="tuning", zones=30)
    site = world.lay_out(folder)              # site.toml and zones.csv as written by hand
    world.lead()                              # two weeks of plain ET replacement, so that there is a record
    tonight = world.now(site)                 # the site with weather, forecast, probes and log up to this evening
    day = world.step(world.from_plan(document))   # or world.from_minutes(minutes)

What the files tell is off by what such figures usually are off by (common practice, no source): see `_draw`.
`world.write(folder)` puts all series into the folder, for the command line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from models.drainage import fed_depth
from scheduler.document.parts import PlanDocument
from scheduler.site import Site, load_site
from tests.physics import flow
from tests.physics.climate import CLIMATES, LEADS, draw_weather
from tests.physics.columns import SUB, Columns, catch_of
from tests.physics.probes import Probes
from tests.physics.soils import FAMILIES, PROFILES, turf_roots

OPENS = 20  # hour of the clock; a day of the world runs from opening time to opening time
LEAD = 14  # nights
READ_EVERY = 3  # h
DEPTHS = (7.5, 18.0)  # cm of the probes of a spot
LONGEST_CYCLE, CYCLE_EVERY = 12.0, 45.0  # min, of run times given as minutes alone
SOFT = 0.95  # of what the roots hold a day after filling: wetter at 10 o'clock is soft underfoot (our choice)
# share of the zones, told root depth [cm], rate [mm/h], told DU, area [m2], turf, pore-water EC at half uptake
SURFACES = {
    "green": (0.30, 15.0, 15.0, 0.75, 520.0, "creeping_bentgrass", 18.0),
    "tee": (0.17, 18.0, 14.0, 0.70, 300.0, "kentucky_bluegrass", 15.0),
    "approach": (0.13, 20.0, 13.0, 0.70, 700.0, "perennial_ryegrass", 25.0),
    "fairway": (0.27, 25.0, 11.0, 0.70, 2500.0, "perennial_ryegrass", 25.0),
    "rough": (0.13, 30.0, 10.0, 0.65, 3000.0, "tall_fescue", 27.0),
}
EXPOSURES = ("open", "shaded", "windy")
SITE = """[site]
name = "Long Meadow"
latitude = {latitude}
longitude = {longitude}
elevation = 100
time_zone = "Etc/GMT"
units = "metric"

[planning]
nights = 7

[window]
opens = "20:00"
closes = "06:00"

[[pump]]
name = "station"
capacity = {capacity}

[[source]]
name = "pond"
ec = {ec}
"""


@dataclass(frozen=True)
class Day:
    """What one night and the day after it did, (Z,) unless said; the evening after it stands in `World`."""

    night: date
    water: np.ndarray  # mm as caught, mean of the zone
    rain: float  # mm
    met: np.ndarray  # transpiration over what turf wants, drought and salt alone [-]
    met_worst: np.ndarray  # of the worst quarter of the zone [-]
    met_all: np.ndarray  # with too wet counted as well [-]
    drained: np.ndarray  # mm below the roots
    ran_off: np.ndarray  # mm
    soft: np.ndarray  # whether soft at 10 o'clock
    et: np.ndarray  # mm taken by roots


class World:
    """See the module. `surface`, `told` (zones.csv) and what is true: `microclimate`, `rate` [mm/min], `du`."""

    def __init__(
        self,
        climate: str = "dry",
        seed: int = 11,
        family: str = "tuning",
        zones: int = 30,
        nights: int = 150,
        first: date = date(2026, 5, 1),
        perfect: bool = False,
        surfaces: tuple[str, ...] = tuple(SURFACES),
        spots_only: bool = False,
    ) -> None:
        """Draw a course; `first` is the first evening that is planned, `perfect` forecasts come true.

        With `spots_only` only the quarters where probes stand are run, twelve times as fast: what probes read is the
        same, what days say of zones, `depletion` and `ece` is not to be used.
        """
        self.rng = np.random.default_rng([seed, zones])
        self.climate, self.family, self.perfect = CLIMATES[climate], FAMILIES[family], perfect
        self.first, self.night = first, first - timedelta(days=LEAD)
        self.weather = draw_weather(
            self.climate, self.night.timetuple().tm_yday, LEAD + nights + LEADS + 2,
            np.random.default_rng([seed, 7, climate == "dry"]),
        )  # fmt: skip
        self._begins = self.night
        self._draw(zones, surfaces)
        if spots_only:
            self.columns.only = np.zeros((zones, SUB), dtype=bool)
            self.columns.only[self.probes.zone, self.probes.sub] = True
        self._series: dict[str, list[pd.DataFrame]] = {"applied": [], "probes": [], "forecast": [], "weather": []}
        self._note_weather(self.night)

    def _draw(self, zones: int, surfaces: tuple[str, ...]) -> None:
        """Zones as told and as they are."""
        rng, z = self.rng, zones
        shares = np.array([SURFACES[s][0] for s in surfaces])
        counts = np.maximum(np.floor(shares / shares.sum() * z).astype(int), 1)
        counts[0] += z - counts.sum()
        self.surface = np.repeat(surfaces, counts)
        one = [SURFACES[s] for s in self.surface]
        place = np.concatenate([np.arange(c) for c in counts])
        options = [self.family.profiles[s] for s in self.surface]
        self.profiles = [PROFILES[o[i % len(o)]] for o, i in zip(options, place, strict=True)]
        exposure = np.array(EXPOSURES)[rng.integers(0, 3, z)]
        climate_of = {(s, e): rng.normal(0.0, 0.08) for s in SURFACES for e in EXPOSURES}
        self.microclimate = np.exp(
            [climate_of[s, e] for s, e in zip(self.surface, exposure, strict=True)] + rng.normal(0.0, 0.06, z)
        )
        nozzle = {s: rng.normal(0.0, 0.05) for s in SURFACES}
        told_rate = np.array([v[2] for v in one]) * np.exp(rng.normal(0.0, 0.08, z))
        self.rate = told_rate * np.exp([nozzle[s] for s in self.surface] + rng.normal(0.0, 0.07, z)) / 60.0
        told_du = np.array([v[3] for v in one])
        self.du = np.clip(told_du + rng.normal(0.0, 0.06, z), 0.5, 0.9)
        told_roots = np.array([v[1] for v in one])
        self.told_roots = told_roots
        area = np.array([v[4] for v in one]) * rng.uniform(0.7, 1.3, z)
        told_soil = [p.told for p in self.profiles]
        drains = [t in ("sand_rootzone", "sand", "loamy_sand", "sandy_loam") for t in told_soil]
        self.zone = np.array([f"{s[0].upper()}{i + 1:02d}" for s, i in zip(self.surface, place, strict=True)])
        self.told = pd.DataFrame(
            {
                "zone": self.zone, "surface": self.surface, "turf": [v[5] for v in one], "soil": told_soil,
                "root_depth": told_roots, "area": area.round(), "flow": (told_rate * area / 3600.0).round(4),
                "application_rate": told_rate.round(3), "du_lq": told_du, "exposure": exposure, "sources": "pond",
                "drained": np.where(drains, "yes", "no"),
            }
        )  # fmt: skip
        salty = self.climate.ecw * rng.uniform(0.9, 1.5, z)
        self.columns = Columns(
            self.profiles, told_roots * np.exp(rng.normal(0.0, 0.10, z)), rng.uniform(1.0, 2.5, z),
            np.array([turf_roots(v[6]) for v in one]), catch_of(self.du), salty,
        )  # fmt: skip
        built = self.told["soil"].to_numpy() == "sand_rootzone"
        self.fed = 100.0 * fed_depth(told_roots / 100.0, built)  # cm, what the files' depletion is counted over
        self.full = self.columns.water(self.fed).mean(axis=1)  # mm, a day or two after filling
        self.full_roots = self.columns.full
        spot_zone = np.concatenate([np.flatnonzero(self.surface == s)[::3] for s in SURFACES])
        spots = np.repeat(np.arange(spot_zone.size), len(DEPTHS))
        self.probes = Probes(spot_zone[spots], np.tile(DEPTHS, spot_zone.size), spots, rng)
        self.probe = [f"{self.zone[i]}-{d:g}" for i, d in zip(self.probes.zone, self.probes.depth, strict=True)]
        self.probed = np.isin(np.arange(z), spot_zone)
        self.kc: np.ndarray | None = None  # by month (Z, 12), as the site's table has it
        self.limit = np.full(z, np.inf)  # of the turf, dS/m of the paste
        self.soil_table = (np.zeros(z), np.zeros(z))  # FC and WP of the texture told

    # what the files tell ---------------------------------------------------------------------------------------------

    def lay_out(self, folder: Path) -> Site:
        """Write site.toml, zones.csv and the places of the probes; read them."""
        folder.mkdir(parents=True, exist_ok=True)
        flow = self.told["flow"]
        capacity = round(max(0.35 * float(flow.sum()), 1.1 * float(flow.max())), 1)  # each zone can run, also of six
        longitude = 0.0
        text = SITE.format(latitude=self.climate.latitude, longitude=longitude, capacity=capacity, ec=self.climate.ecw)
        (folder / "site.toml").write_text(text)
        self.told.to_csv(folder / "zones.csv", index=False)
        sites = pd.DataFrame(
            {"probe": self.probe, "zone": self.zone[self.probes.zone], "depth": self.probes.depth, "from": "2026-01-01"}
        ).assign(until="")
        sites.to_csv(folder / "probe_sites.csv", index=False)
        for name in ("weather", "forecast"):
            self.series(name).to_csv(folder / f"{name}.csv", index=False)
        site = load_site(folder)
        zones = site.zones
        self.kc, self.limit = zones.kc_month, zones.ece_threshold
        self.soil_table = (zones.field_capacity, zones.wilting_point)
        return site

    def write(self, folder: Path) -> None:
        """Put every series up to this evening into the folder."""
        self.lay_out(folder)
        for name in ("applied", "probes"):
            if self._series[name]:
                self.series(name).to_csv(folder / f"{name}.csv", index=False)

    def now(self, site: Site) -> Site:
        """The site as laid out, with every series up to this evening."""
        tables = {name: self.series(name) for name in self._series if self._series[name]}
        return replace(
            site, **{name: table.reindex(columns=getattr(site, name).columns) for name, table in tables.items()}
        )

    def made(self, site: Site) -> datetime:
        """A time stamp for this evening's plan."""
        return datetime(self.night.year, self.night.month, self.night.day, 18, tzinfo=site.time_zone)

    def series(self, name: str) -> pd.DataFrame:
        """All rows of a series up to this evening: weather, forecast, probes or applied."""
        parts = self._series[name]
        if len(parts) > 1:
            parts[:] = [pd.concat(parts, ignore_index=True)]
        return parts[0]

    def day_number(self, day: date) -> int:
        """Row of a date in `weather`."""
        return (day - self._begins).days

    def _note_weather(self, day: date) -> None:
        """The station's day, a little off, and this evening's forecast."""
        i, w = self.day_number(day), self.weather
        eto = w.eto[i] * np.exp(self.rng.normal(0.0, 0.04))
        rain = w.rain[i] * np.exp(self.rng.normal(0.0, 0.06))
        self._series["weather"].append(
            pd.DataFrame({"date": [pd.Timestamp(day)], "eto": [round(eto, 3)], "rain": [round(rain, 2)]})
        )
        lead = np.arange(LEADS)
        at = i + 1 + lead
        told = (w.told_eto[at, lead], w.told_rain[at, lead], w.told_chance[at, lead])
        if self.perfect:
            told = (w.eto[at], w.rain[at], (w.rain[at] > 0.0).astype(float))
        self._series["forecast"].append(
            pd.DataFrame(
                {
                    "issued": pd.Timestamp(day) + timedelta(hours=16),
                    "date": [pd.Timestamp(day) + timedelta(days=int(n) + 1) for n in lead],
                    "member": "", "eto": told[0].round(3), "rain": told[1].round(2), 
                    "rain_probability": told[2].round(3),
                }
            )
        )  # fmt: skip

    # what is true ----------------------------------------------------------------------------------------------------

    def demand(self, day: date) -> np.ndarray:
        """What turf wants on a date (Z,) [mm]."""
        assert self.kc is not None, "lay the site out first"
        return self.kc[:, day.month - 1] * self.microclimate * self.weather.eto[self.day_number(day)]

    def told_demand(self, day: date) -> np.ndarray:
        """The same by what the files tell and the station measured (Z,) [mm]."""
        assert self.kc is not None
        eto = self.series("weather")["eto"].to_numpy()[self.day_number(day)]
        return self.kc[:, day.month - 1] * eto

    def told_rain(self, day: date) -> float:
        """Rain the gauge showed [mm]."""
        return float(self.series("weather")["rain"].to_numpy()[self.day_number(day)])

    @property
    def depletion(self) -> np.ndarray:
        """Water missing to what the profile holds a day or two after filling, by the files' depth (Z,) [mm]."""
        return self.full - self.columns.water(self.fed).mean(axis=1)

    @property
    def ece(self) -> np.ndarray:
        """EC of the paste over the roots (Z,)."""
        return self.columns.ece().mean(axis=1)

    def from_plan(self, document: PlanDocument) -> tuple[np.ndarray, np.ndarray]:
        """Minutes (Z,) and minutes in each quarter of an hour from opening time (Z, 96) of a plan's timetable."""
        opening = datetime.combine(self.night, datetime.min.time()) + timedelta(hours=OPENS)
        bins, edges = np.zeros((self.zone.size, 96)), np.arange(97) * 15.0
        row = {zone: i for i, zone in enumerate(self.zone)}
        for zone in document.zones:
            for cycle in zone.cycles:
                begins = (cycle.start - opening).total_seconds() / 60.0
                bins[row[zone.id]] += np.diff(np.clip(edges, begins, begins + cycle.minutes))
        return bins.sum(axis=1), bins

    def from_minutes(self, minutes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The same of run times alone, in cycles of 12 minutes every three quarters of an hour from 21:00."""
        bins, left, edges, start = (
            np.zeros((minutes.size, 96)),
            minutes.astype(float).copy(),
            np.arange(97) * 15.0,
            60.0,
        )
        longest = max(LONGEST_CYCLE, float(minutes.max(initial=0.0)) / 12.0)
        while left.max(initial=0.0) > 1e-9:
            part = np.minimum(left, longest)
            bins += np.diff(np.clip(edges[None, :], start, start + part[:, None]), axis=1)
            left, start = left - part, start + CYCLE_EVERY
        return minutes, bins

    def step(self, run: tuple[np.ndarray, np.ndarray]) -> Day:
        """Run this night and the date after it; the world then stands at the next evening."""
        minutes, bins = run
        coming = self.night + timedelta(days=1)
        i, w = self.day_number(coming), self.weather
        rain = np.zeros(96)
        if w.rain[i] > 0.0:
            start = min(w.start_hour[i], 20.0 - w.hours[i]) + 24 - OPENS
            share = np.diff(np.clip(np.arange(97) / 4.0, start, start + w.hours[i]))
            rain = w.rain[i] * share / share.sum()
        clock = (OPENS + (np.arange(96) + 0.5) / 4.0) % 24.0
        light = np.maximum(np.sin((clock - 6.0) / 13.0 * np.pi), 0.0) * ((clock > 6.0) & (clock < 19.0))
        demand = self.demand(coming)[:, None] * light / light.sum()
        supply = bins * self.rate[:, None]
        z = minutes.size
        self.columns.day(supply, np.repeat(rain[None], z, axis=0), np.full(z, self.climate.ecw), demand)
        sums = self.columns.sums
        wanted = np.where(sums[..., flow.WANTED] > 0.0, sums[..., flow.WANTED], np.nan)  # none where nothing is run
        met = np.minimum(sums[..., flow.UNLESS_WET] / wanted, 1.0)
        at_ten = self._at_hour(10)
        day = Day(
            self.night, supply.sum(axis=1), float(w.rain[i]), met.mean(axis=1), met.min(axis=1),
            (sums[..., flow.TAKEN] / wanted).mean(axis=1), 10.0 * sums[..., flow.BELOW].mean(axis=1),
            10.0 * sums[..., flow.RAN_OFF].mean(axis=1), at_ten > SOFT * self.full_roots.mean(axis=1),
            10.0 * sums[..., flow.TAKEN].mean(axis=1),
        )  # fmt: skip
        self._note_runs(minutes)
        self._note_readings(coming, float(w.temperature[i]))
        self.night = coming
        self._note_weather(coming)
        return day

    def _at_hour(self, hour: int) -> np.ndarray:
        """Water of the roots at an hour of the last day (Z,) [mm]."""
        columns = self.columns
        part = columns.within(np.zeros_like(columns.root_depth), columns.root_depth)
        return 10.0 * (columns.seen_water[:, :, (hour - OPENS) % 24 - 1] * part).sum(axis=2).mean(axis=1)

    def _note_runs(self, minutes: np.ndarray) -> None:
        ran = np.flatnonzero(minutes > 0.0)
        if not ran.size:
            ran = np.array([0])
        self._series["applied"].append(
            pd.DataFrame(
                {
                    "night": pd.Timestamp(self.night),
                    "zone": self.zone[ran],
                    "minutes": minutes[ran].round(2),
                    "note": "",
                }
            ).assign(volume=np.nan)
        )

    def _note_readings(self, day: date, warm: float) -> None:
        hours = np.arange(OPENS + 1, OPENS + 25) % 24
        seen = self.probes.read(self.columns, hours.astype(float), warm)
        take = np.arange(READ_EVERY - 1, 24, READ_EVERY)
        begins = pd.Timestamp(day) - timedelta(hours=24 - OPENS)
        times = [begins + timedelta(hours=int(t) + 1) - timedelta(minutes=5) for t in take]
        k = len(self.probe)
        self._series["probes"].append(
            pd.DataFrame(
                {
                    "time": np.repeat(times, k), "probe": np.tile(self.probe, take.size),
                    "moisture": seen["moisture"][:, take].T.ravel().round(4),
                    "ec": seen["ec"][:, take].T.ravel().round(4),
                    "temperature": seen["temperature"][:, take].T.ravel().round(1),
                }
            ).dropna(subset=["moisture"])
        )  # fmt: skip

    def lead(self) -> None:
        """The nights before the first planned one: what the day before used by the files, each night."""
        while self.night < self.first:
            depth = np.maximum(self.told_demand(self.night) - self.told_rain(self.night), 0.0)
            self.step(self.from_minutes(depth / (self.told["application_rate"].to_numpy() / 60.0)))
