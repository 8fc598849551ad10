"""Which probe readings are believed tonight, and why not the others.

The rules are in `models/quality.py`; here they are fed with what could have wetted or dried each probe: rain, applied
water, ET. What is not on record counts as possible: a night after the last one logged, a day without a rain reading.
The reasons are sentences for people.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.choices import WEATHER
from models.probe_record import UNKNOWN_WATER, Fault, ProbeRecord
from models.quality import find_faults
from models.salts import FAO29_ROOTS
from models.textures import TEXTURES
from models.weather import Climate, Place, reference_et
from scheduler.errors import counted, listing
from scheduler.notes import Note
from scheduler.site import Site

COLUMNS = ["probe", "rule", "what", "starts", "ends", "reason"]
DOUBTED = ("moisture", "ec", "temperature")  # values that a flag of the same name takes out
ET_UNKNOWN = 6.0  # ETc taken where the weather is not known [mm/d]; high, so that fewer readings are doubted
BEFORE_OPENING = 30  # a valve may be tried before the window [min]
AFTER_CLOSING = 240  # water sinks to the probe [min]
NAMED = 21  # [d] before the newest reading of which days without water on record are named
AFTER_RAIN = 12 * 60  # the same after the day of a rain, whose hour is not known [min]
DAY = 1440


@dataclass(frozen=True)
class Examined:
    """What was found: flags (probe, rule, what, starts, ends as local times, reason) and notes."""

    flags: pd.DataFrame
    notes: tuple[Note, ...]


def examine(site: Site, readings: pd.DataFrame) -> Examined:
    """Look over readings of a site, some weeks of them.

    Parameters
    ----------
    site : Site
        For places, soils, weather and applied water.
    readings : DataFrame
        time, probe, moisture, ec, temperature; one row a probe and time.

    Returns
    -------
    Examined
    """
    notes: list[Note] = []
    placed, places = _placed(site, readings, notes)
    if placed.empty:
        return Examined(pd.DataFrame(columns=COLUMNS), tuple(notes))
    record = _record(site, placed, places, notes)
    faults = find_faults(record)
    times, probes = placed["time"].to_numpy(), placed["probe"].to_numpy()
    rows = [(probes[f.first], f.rule, f.what, times[f.first], times[f.last], _reason(f, record)) for f in faults]
    flags = pd.DataFrame(rows, columns=COLUMNS).astype({"starts": "datetime64[ns]", "ends": "datetime64[ns]"})
    late = flags["starts"] > times.max() - np.timedelta64(NAMED, "D")
    unrecorded = flags[(flags["rule"] == "unrecorded") & late]
    if len(unrecorded):
        days = sorted(set(unrecorded["starts"].dt.strftime("%Y-%m-%d")))
        text = f"most probes rose without water on record: {listing(days, 5)}; rain or runs are missing in the files"
        notes.append(Note("warning", "probes", text))
    flags = flags.drop_duplicates(["probe", "rule", "what", "starts"], keep="last", ignore_index=True)
    return Examined(flags, tuple(notes))


def believed(readings: pd.DataFrame, flags: pd.DataFrame) -> pd.DataFrame:
    """Give the readings with every doubted value taken out (NaN).

    A moved probe loses all three values, whichever gave it away. Missing readings and unrecorded water take out
    nothing.
    """
    out = readings.copy()
    position = out.groupby("probe").indices
    times = out["time"].to_numpy()
    columns = {name: out[name].to_numpy(copy=True) for name in DOUBTED}
    for flag in flags.itertuples(index=False):
        rows = position.get(flag.probe)
        if rows is None or flag.what not in DOUBTED:
            continue
        here = rows[(times[rows] >= np.datetime64(flag.starts)) & (times[rows] <= np.datetime64(flag.ends))]
        for name in DOUBTED if flag.rule in ("moved", "stuck") else (flag.what,):
            columns[name][here] = np.nan
    return out.assign(**columns)


def _placed(site: Site, readings: pd.DataFrame, notes: list[Note]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give readings with the number of their series (a probe in one place), sorted; and the places by that number."""
    places = site.probe_sites.reset_index(drop=True)
    code, probes = pd.factorize(readings["probe"])
    times = readings["time"].to_numpy()
    series = np.full(len(readings), -1, dtype=np.int64)
    turn = places.groupby("probe", sort=False).cumcount().to_numpy()  # a moved probe has several places, read in turn
    for k in range(turn.max(initial=-1) + 1):
        own = places[turn == k]
        row = pd.Index(own["probe"]).get_indexer(pd.Index(probes))
        starts = own["from"].fillna(pd.Timestamp.min).to_numpy()[row]
        ends = (own["until"] + pd.Timedelta(days=1)).fillna(pd.Timestamp.max).to_numpy()[row]
        inside = (series < 0) & (row >= 0)[code] & (times >= starts[code]) & (times < ends[code])
        series[inside] = own.index.to_numpy()[row][code[inside]]
    placed = np.flatnonzero(series >= 0)
    if placed.size < len(readings):
        count = counted(len(readings) - placed.size, "reading")
        text = f"{count} of a time for which probe_sites.csv gives no place; not examined"
        notes.append(Note("info", "probes", text))
    order = placed[np.lexsort((times[placed], series[placed]))]
    return readings.iloc[order].assign(series=series[order]).reset_index(drop=True), places


def _record(site: Site, placed: pd.DataFrame, places: pd.DataFrame, notes: list[Note]) -> ProbeRecord:
    """Put together what the rules need."""
    kept, series = np.unique(placed["series"].to_numpy(), return_inverse=True)
    places = places.iloc[kept]
    zones = site.zones
    index = {zone: i for i, zone in enumerate(zones.zone)}
    zone = np.array([index[name] for name in places["zone"]])
    depth = places["depth"].to_numpy(dtype=float) / 100
    textures = [TEXTURES[s].saturation if s in TEXTURES else np.nan for s in zones.soil[zone]]
    saturation = np.fmax(np.array(textures, dtype=float), zones.field_capacity[zone] + 0.15)
    minutes = _minutes(placed["time"])
    days = _Days.of(site, minutes, notes)
    first = np.append(True, series[1:] != series[:-1])
    before = np.where(first, minutes, np.append(minutes[:1], minutes[:-1]))
    water, since = days.water(zone[series], minutes, before)
    et = np.where(first, 0.0, days.et(zone[series], minutes) - days.et(zone[series], before))
    return ProbeRecord(
        series=series.astype(np.int64),
        hours=minutes / 60.0,
        moisture=placed["moisture"].to_numpy(dtype=float),
        ec=placed["ec"].to_numpy(dtype=float),
        temperature=placed["temperature"].to_numpy(dtype=float),
        water=water,
        since_water=since,
        et=et,
        air=days.air[np.clip((minutes // DAY).astype(int) - days.first, 0, len(days.air) - 1)],
        field_capacity=zones.field_capacity[zone],
        wilting_point=zones.wilting_point[zone],
        saturation=saturation,
        uptake=_uptake(depth, zones.root_depth[zone]),
        end=np.fmin(_minutes(places["until"] + pd.Timedelta(days=1)), minutes.max()) / 60.0,
    )


def _uptake(depth: np.ndarray, root_depth: np.ndarray) -> np.ndarray:
    """Give the share of ET drawn from each mm at a depth [1/mm]: 40, 30, 20, 10 % from the quarters of the root zone.

    The usual rule of irrigation handbooks, from memory. A tenth of the last quarter's below; the middle if unknown.
    """
    quarter = np.clip(np.floor(np.where(np.isnan(depth), 0.5, depth / root_depth) * 4), 0, 4).astype(int)
    return np.array([*FAO29_ROOTS, 0.01])[quarter] / (root_depth * 250.0)


def _minutes(times: pd.Series | pd.DatetimeIndex) -> np.ndarray:
    """Give local times as minutes since 1970-01-01T00:00 on the same clock."""
    known = np.asarray(times).astype("datetime64[s]")
    return np.where(np.isnat(known), np.nan, known.astype(np.int64) / 60.0)


@dataclass(frozen=True)
class _Days:
    """What came and went by day, from `first` (day number) on: spans of possible water, ET and air temperature.

    rain, runs : spans in which water can have come, and how much: on every zone, and of each zone;  etc : (Z, T)
    [mm/d];  air : (T,)
    """

    first: int
    rain: _Spans
    runs: _Spans
    etc: np.ndarray
    air: np.ndarray

    @classmethod
    def of(cls, site: Site, minutes: np.ndarray, notes: list[Note]) -> _Days:
        """Lay out the days that the readings span, and three before."""
        first, last = int(minutes.min() // DAY) - 3, int(minutes.max() // DAY)
        dates = pd.to_datetime(np.arange(first, last + 1), unit="D")
        weather = site.weather.set_index("date").reindex(dates)
        rain = weather["rain"].to_numpy(dtype=float)
        lacking = int(np.isnan(rain[3:]).sum())
        if lacking:
            text = f"rain of {counted(lacking, 'day')} is not known; a rise of those days is not doubted"
            notes.append(Note("info", "probes", text))
        day = np.arange(first, last + 1) * float(DAY)
        amount = np.where(np.isnan(rain), UNKNOWN_WATER, rain)
        rains = _Spans(day, day + DAY + AFTER_RAIN, amount[None, :])
        air = (weather["tmin"] + weather["tmax"]).to_numpy(dtype=float) / 2
        recent = pd.Series(air).rolling(3, min_periods=1).mean().to_numpy()
        return cls(first, rains, _runs_of(site, dates, notes), _crop_et(site, weather, dates), recent)

    def water(self, zone: np.ndarray, minutes: np.ndarray, before: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give the water possible since the reading before [mm] and the time since water could last have come [h]."""
        rain, rain_end = self.rain.within(np.zeros(len(zone), dtype=np.int64), minutes, before)
        run, run_end = self.runs.within(zone, minutes, before)
        return rain + run, np.maximum(minutes - np.maximum(rain_end, run_end), 0.0) / 60.0

    def et(self, zone: np.ndarray, minutes: np.ndarray) -> np.ndarray:
        """Give ETc since the first day [mm]: each day's, spread between sunrise and sunset as a half sine."""
        day = (minutes // DAY).astype(int) - self.first
        hour = (minutes % DAY) / 60.0
        day_part = np.clip((hour - WEATHER.sunrise) / (WEATHER.sunset - WEATHER.sunrise), 0.0, 1.0)
        share = (1 - np.cos(np.pi * day_part)) / 2
        spent = np.cumsum(self.etc, axis=1) - self.etc
        return np.asarray(spent[zone, day] + share * self.etc[zone, day])


@dataclass(frozen=True)
class _Spans:
    """Spans of time, in order, and the water of each row in them: starts, ends (T,) [min]; mm (R, T)."""

    starts: np.ndarray
    ends: np.ndarray
    mm: np.ndarray

    def within(self, row: np.ndarray, minutes: np.ndarray, before: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Give the water of a row between two times [mm], and when its last water until then was over [min]."""
        begun = np.searchsorted(self.starts, minutes, side="right")
        over = np.minimum(np.searchsorted(self.ends, before, side="right"), begun)
        total = np.pad(np.cumsum(self.mm, axis=1), ((0, 0), (1, 0)))
        last = np.maximum.accumulate(np.where(self.mm > 0, self.ends, -np.inf), axis=1)
        last = np.pad(last, ((0, 0), (1, 0)), constant_values=-np.inf)
        return total[row, begun] - total[row, over], last[row, begun]


def _runs_of(site: Site, dates: pd.DatetimeIndex, notes: list[Note]) -> _Spans:
    """Give the spans in which a zone's own water can have come; nights outside of the log are possible for all."""
    opens, closes = np.array([site.window.of(night.date()) for night in dates], dtype=float).T
    base = _minutes(dates)
    log = site.applied
    logged = np.zeros(len(dates), dtype=bool)
    if len(log):
        logged = (dates >= log["night"].min()) & (dates <= log["night"].max())
    if not logged[3:-1].all():
        open_nights = int((~logged[3:-1]).sum())
        text = f"{counted(open_nights, 'night')} not in the log of applied water; a rise after them is not doubted"
        notes.append(Note("info", "probes", text))
    zones = site.zones
    depth = np.where(logged, 0.0, UNKNOWN_WATER)[None, :].repeat(len(zones), axis=0)
    row, column = pd.Index(zones.zone).get_indexer(log["zone"]), dates.get_indexer(log["night"])
    recent = (row >= 0) & (column >= 0)
    row, column, runs = row[recent], column[recent], log[recent]
    by_time = runs["minutes"].to_numpy(dtype=float) * zones.application_rate[row] / 60.0
    by_volume = runs["volume"].to_numpy(dtype=float) * 1000.0 / zones.area[row]
    depth[row, column] = np.fmax(np.nan_to_num(by_time), np.nan_to_num(by_volume))
    return _Spans(base + opens - BEFORE_OPENING, base + closes + AFTER_CLOSING, depth)


def _crop_et(site: Site, weather: pd.DataFrame, dates: pd.DatetimeIndex) -> np.ndarray:
    """Give unstressed crop ET (Z, T) [mm/d]; days without weather take ET_UNKNOWN."""
    arrays = {
        name: weather[name].to_numpy(dtype=float)
        for name in ("tmin", "tmax", "rhmin", "rhmax", "rh", "wind", "solar", "sunshine")
    }
    climate = Climate(day_of_year=dates.dayofyear.to_numpy(), eto_given=weather["eto"].to_numpy(dtype=float), **arrays)
    eto = reference_et(climate, Place(site.latitude, site.elevation), site.method).eto
    etc = site.zones.kc_month[:, dates.month.to_numpy() - 1] * site.zones.microclimate[:, None] * eto[None, :]
    return np.where(np.isnan(etc), ET_UNKNOWN, etc)


def _reason(fault: Fault, record: ProbeRecord) -> str:
    """Say in a sentence why a reading is doubted."""
    percent = 100 * fault.size
    hours = record.hours[fault.last] - record.hours[fault.first]
    texts = {
        "range": f"moisture of {percent:.1f} % is outside of what this soil can hold",
        "spike": f"a single jump to {percent:.1f} % that the readings before and after do not share",
        "stuck": f"stayed at exactly {percent:.1f} % for {hours:.0f} h while the turf used water",
        "flat": f"hardly moved from {percent:.1f} % for {hours:.0f} h while the turf used water",
        "wetting": f"rose by {percent:.1f} % without rain or irrigation on record",
        "drop": f"fell by {-percent:.1f} % faster than roots and drainage can dry the soil",
        "moved": (
            f"the level changed by {percent:+.1f} % at once and stayed"
            if fault.what == "moisture"
            else f"the daily swing of temperature changed by a factor of {fault.size:.1f}"
        )
        + "; the probe seems to have been moved",
        "unrecorded": f"rose by {percent:.1f} % together with most other probes; water that is not on record",
        "gap": f"no reading for {fault.size:.0f} h",
        "temperature": f"a temperature of {fault.size:.1f} degC that the soil cannot have",
        "ec": f"an EC of {fault.size:.2f} dS/m that does not fit the readings around it",
    }
    return texts[fault.rule]
