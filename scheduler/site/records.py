"""What a site is once read: frozen records in the units inside, everything filled in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from models.drainage import drainage_scale, fed_depth
from models.hydraulics import served_share
from models.soil import available_water
from scheduler.notes import Note
from scheduler.site.unattended_records import Feed, NightlyRule, NoticeRule

WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
SURFACES = ("green", "tee", "fairway", "approach", "rough", "pitch", "landscape")
AREA_CLASSES = ("turf", "special", "landscape")  # as a water agency counts areas
METER_KINDS = ("cumulative", "interval")
EVENTS = ("tournament", "no_water", "no_flush", "firm", "aerified", "fertigation")


@dataclass(frozen=True)
class WindowRule:
    """Irrigation window: (opens, closes) in minutes after 00:00 local of the evening's date.

    Opening before noon means the morning after the evening's date, so it is 1440 or more; closing at or before the
    opening means the next morning. `by_weekday` holds the evenings that differ, 0 = Monday.
    """

    default: tuple[int, int]
    by_weekday: Mapping[int, tuple[int, int]] = field(default_factory=dict)

    def of(self, night: date) -> tuple[int, int]:
        """Give the window of one night, named by the date of its evening."""
        return self.by_weekday.get(night.weekday(), self.default)


@dataclass(frozen=True)
class Pump:
    """Pump station: flows [L/s]; ramp [L/s per min], inf = any.

    head: what it holds at its outlet before friction [m], 0 = not known or not held; efficiency [-].
    curve: points (flow [L/s], head [m], efficiency [-]) of full speed, none = not known.
    """

    name: str
    capacity: float
    smallest_flow: float
    ramp: float
    head: float
    efficiency: float
    curve: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True)
class Branch:
    """Pipe loop or lateral on a pump (index, -1 = no pump), with its capacity [L/s] (inf = no limit).

    resistance: head it takes per (L/s)^1.852 [m / (L/s)^1.852], 0 = none counted.
    """

    name: str
    pump: int
    capacity: float
    resistance: float = 0.0


@dataclass(frozen=True)
class Controller:
    """Controller: stations_at_once, None = any number; resolution of run times [s]; profile, "" = the plain one.

    programmes : int           Programmes it holds [-], 0 = it takes start times station by station.
    starts_each : int          Start times a programme holds [-].
    at_once : int              Stations a programme runs together [-].
    programmes_at_once : int   Programmes that may run at the same time [-]; a further start waits for one to end.
    station_delay : float      Pause before a programme opens its next station, after one has opened or closed [s].
    listed : bool              A programme runs its stations in the order of their addresses, not in one keyed in.
    run_time_only : bool       It takes run times and cycles, and finds its own start times.
    steady_within : float      Change of net depth against the plan before that is not worth keying in [mm]; 0 = every
                               change is made.
    """

    name: str
    stations_at_once: int | None
    resolution: float
    profile: str
    programmes: int = 0
    starts_each: int = 1
    at_once: int = 1
    programmes_at_once: int = 1
    station_delay: float = 0.0
    listed: bool = True
    run_time_only: bool = False
    steady_within: float = 0.0

    @property
    def most_at_once(self) -> float:
        """Stations it can really run together [-], inf = any number."""
        most = float(self.stations_at_once or np.inf)
        return min(most, self.at_once * min(self.programmes, self.programmes_at_once)) if self.programmes else most


@dataclass(frozen=True)
class Source:
    """Water source: ec [dS/m], sar [-] or None, price [per m3], limits [m3] (inf = none), share [-] or None.

    sodium to chloride: ions of its analysis [me/L], None where not given; for advice only.
    """

    name: str
    ec: float
    sar: float | None
    price: float
    daily_limit: float
    monthly_limit: float
    share: float | None
    sodium: float | None = None
    calcium: float | None = None
    magnesium: float | None = None
    bicarbonate: float | None = None
    carbonate: float | None = None
    chloride: float | None = None


@dataclass(frozen=True)
class Allocation:
    """Season's water: volume, used_before [m3]; tiers (above [share of it], price [per m3]), none = a hard limit."""

    starts: date
    ends: date
    volume: float
    used_before: float
    tiers: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class AllowanceRule:
    """Allowance by reference ET: adjustment factor of each class of area [-], and share of the rain counted [-]."""

    factor: Mapping[str, float]
    rain_share: float = 0.0


@dataclass(frozen=True)
class Restriction:
    """Drought order: what is allowed while it stands.

    nights_allowed: weekdays of the evening (0 = Monday), None = every night; hours: allowed spans of clock time in
    minutes after 00:00 (the end may pass 1440), None = any; surfaces it binds, None = all; cut [-] of the replacement
    of ET; first and last night.
    """

    nights_allowed: frozenset[int] | None
    hours: tuple[tuple[int, int], ...] | None
    surfaces: frozenset[str] | None
    cut: float
    starts: date | None
    ends: date | None

    def stands(self, night: date) -> bool:
        """Say whether the order stands on a night."""
        return (self.starts is None or self.starts <= night) and (self.ends is None or night <= self.ends)


@dataclass(frozen=True)
class Tariff:
    """Energy price [per kWh] between two clock times [min after 00:00]; the second may pass 1440.

    days: weekdays on which the block begins, 0 = Monday.
    """

    from_minute: int
    until_minute: int
    days: frozenset[int]
    price: float


@dataclass(frozen=True)
class SurfaceRule:
    """How a surface is kept: priority (1 = served first); the others are available water left as a fraction of TAW [-].

    moisture_floor: not drier than this, None = readily available water; firmness limits: not wetter than this.
    finish_by, event_finish_by: clock time to be done by, on any night and on the night before an event [min after
    00:00], None = the close of the window, and for an event an hour before it.
    lower_quarter: net depths are those of the zone's lower quarter, not of its lower half.
    weighed: run times get as much of the lower half's extra as pays in the weather of the season.
    """

    priority: int
    moisture_floor: float | None
    firmness_limit: float
    event_firmness_limit: float
    finish_by: int | None = None
    event_finish_by: int | None = None
    lower_quarter: bool = False
    weighed: bool = True


@dataclass(frozen=True)
class ZoneTable:
    """All zones, one array a quantity, each of shape (Z,) unless said otherwise.

    zone, name, surface, place, station, exposure, soil, hydrologic_group (A to D) : object arrays of str
    area_class : object array of str, one of `AREA_CLASSES`; where it is not told, by surface
    formerly : tuple over zones of the ids it had before
    priority, branch, pump, controller : int arrays (-1 = none)
    root_depth [m], area [m2], flow [L/s], application_rate [mm/h, gross], du_lq [-], slope [%], infiltration [mm/h],
    slowest_intake [mm/h, of the texture's conductivity where infiltration is not told],
    max_run [min], microclimate [-], field_capacity, wilting_point [m3/m3] : float arrays, all finite
    longest_cycle, soak [min] : float arrays, NaN = from application rate, infiltration and slope
    smallest_run [min] : float array, NaN = from the surface and the kind of sprinkler
    drained, over_gravel : bool arrays
    east, north : float arrays, of the middle of the zone from one point of the site [m], NaN = not known
    outline : tuple over zones of rings, each (P, 2) [m] east and north, () = not known
    sources : tuple over zones of indices into the site's sources;  turf_mix : tuple over zones of (species, share)
    kc_month (Z, 12), depletion_fraction, ece_threshold [dS/m], ece_slope [%/(dS/m)] : from the turf
    """

    zone: np.ndarray
    name: np.ndarray
    surface: np.ndarray
    place: np.ndarray
    priority: np.ndarray
    station: np.ndarray
    exposure: np.ndarray
    soil: np.ndarray
    root_depth: np.ndarray
    area: np.ndarray
    flow: np.ndarray
    application_rate: np.ndarray
    du_lq: np.ndarray
    slope: np.ndarray
    infiltration: np.ndarray
    slowest_intake: np.ndarray
    max_run: np.ndarray
    smallest_run: np.ndarray
    longest_cycle: np.ndarray
    soak: np.ndarray
    microclimate: np.ndarray
    field_capacity: np.ndarray
    wilting_point: np.ndarray
    drained: np.ndarray
    over_gravel: np.ndarray
    hydrologic_group: np.ndarray
    area_class: np.ndarray
    formerly: tuple[tuple[str, ...], ...]
    branch: np.ndarray
    pump: np.ndarray
    controller: np.ndarray
    sources: tuple[tuple[int, ...], ...]
    turf_mix: tuple[tuple[tuple[str, float], ...], ...]
    kc_month: np.ndarray
    depletion_fraction: np.ndarray
    ece_threshold: np.ndarray
    ece_slope: np.ndarray
    east: np.ndarray
    north: np.ndarray
    outline: tuple[tuple[np.ndarray, ...], ...]

    def __len__(self) -> int:
        """Give the number of zones Z."""
        return len(self.zone)

    @property
    def fed_depth(self) -> np.ndarray:
        """Depth from which turf is fed, shape (Z,) [m]: that of its roots, or of a built green's whole root zone."""
        return fed_depth(self.root_depth, self.over_gravel)

    @property
    def taw(self) -> np.ndarray:
        """Total available water over that depth, shape (Z,) [mm]."""
        return available_water(self.field_capacity, self.wilting_point, self.fed_depth)

    @property
    def drainage(self) -> np.ndarray:
        """Scale of drainage L over that depth, shape (Z,) [mm]."""
        return drainage_scale(list(self.soil), self.field_capacity, self.fed_depth, self.over_gravel)

    @property
    def gross_rate(self) -> np.ndarray:
        """Mean depth over the zone of each minute it runs, shape (Z,) [mm/min]."""
        return np.asarray(self.application_rate / 60.0)


def no_edits() -> pd.DataFrame:
    """Give the manager's word where nothing was said: `word` is "hold", "skip", "free" or "minutes"."""
    columns = {"night": "datetime64[s]", "zone": object, "word": object, "minutes": float, "note": object}
    return pd.DataFrame({name: np.empty(0, kind) for name, kind in columns.items()})


def no_runs() -> pd.DataFrame:
    """Give a table of planned runs without rows: night, zone, minutes, depletion and spread before [mm]."""
    columns = {"night": "datetime64[ns]", "zone": object, "minutes": float, "depletion": float, "spread": float}
    return pd.DataFrame({name: np.empty(0, kind) for name, kind in columns.items()})


@dataclass(frozen=True)
class Site:
    """One site folder, read and checked. See the module docstrings of `scheduler.site` for the tables."""

    folder: Path
    name: str
    latitude: float
    longitude: float
    elevation: float
    time_zone: ZoneInfo
    units: str
    currency: str
    nights: int
    method: str
    caution: str
    price_of_a_run: float
    window: WindowRule
    pumps: tuple[Pump, ...]
    branches: tuple[Branch, ...]
    controllers: tuple[Controller, ...]
    sources: tuple[Source, ...]
    allocation: Allocation | None
    allowance: AllowanceRule
    meter_error: float
    restrictions: tuple[Restriction, ...]
    tariffs: tuple[Tariff, ...]
    surfaces: Mapping[str, SurfaceRule]
    zones: ZoneTable
    weather: pd.DataFrame
    forecast: pd.DataFrame
    probes: pd.DataFrame
    probe_sites: pd.DataFrame
    applied: pd.DataFrame
    calendar: pd.DataFrame
    samples: pd.DataFrame
    meter: pd.DataFrame
    gone: pd.DataFrame  # rows of the log of zones that zones.csv does not have: water that ran all the same
    notes: tuple[Note, ...]
    ledger_url: str | None = None
    ledger_name: str | None = None
    wind_height: float = 2.0  # of weather.csv and forecast.csv [m]; the frames hold wind at 2 m
    left_out: frozenset[str] = frozenset()  # series that hold problems, of a plan made without them
    contact: str = ""  # named to the services that feeds ask
    invented: frozenset[str] = frozenset()  # series that hold samples of a new site, of which the ledger keeps nothing
    feeds: tuple[Feed, ...] = ()
    notice: NoticeRule | None = None
    nightly: NightlyRule = field(default_factory=NightlyRule)
    learned: tuple[tuple[str, str, float, float], ...] = ()  # zone, quantity, as told, as accepted and used
    edits: pd.DataFrame = field(default_factory=no_edits)  # the manager's word: night, zone, word, minutes, note
    planned: pd.DataFrame = field(default_factory=no_runs)  # run times as published, of nights the log does not reach
    catch_share: np.ndarray | None = None  # net over mean depth as weighed for the season, (Z,); None = as told

    @property
    def net_share(self) -> np.ndarray:
        """Net depth over mean depth, shape (Z,) [-]: as weighed, else by the surface's lower half or lower quarter."""
        if self.catch_share is not None:
            return self.catch_share
        quarter = np.array([self.surfaces[s].lower_quarter for s in self.zones.surface], dtype=bool)
        return served_share(self.zones.du_lq, quarter)
