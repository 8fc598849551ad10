"""What was understood of a site, as plain data: a person checks it before the first night is watered by it.

The demand of a hot week is set against what the pumps can deliver: the week of the observed weather with the highest
reference ET, or `HOT_ETO` every day where fewer than seven days are known.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from models.weather import Climate, Place, reference_et
from scheduler.notes import Note
from scheduler.site.doubts import doubts
from scheduler.site.records import SURFACES, Site
from scheduler.site.windows import night_windows

HOT_ETO = 7.0  # reference ET of a hot day where no weather is known [mm/d]; common practice, no source
REFERENCE_MONDAY = date(2026, 7, 13)  # the week whose windows are counted where no weather is known


@dataclass(frozen=True)
class SurfaceSummary:
    """The zones of one surface; hot_night_m3 is the water of one night of the hot week [m3]."""

    surface: str
    zones: int
    area_m2: float
    flow_lps: float
    application_rate_mmh: float
    priority: int
    hot_night_m3: float


@dataclass(frozen=True)
class PumpSummary:
    """One pump station against a hot week.

    Attributes
    ----------
    name : str                                   Name, "mains" for the zones on no pump.
    zones : int                                  Zones that hang on it.
    capacity_lps : float or None                 Capacity [L/s]; None for the mains.
    demand_m3, deliverable_m3 : float            Of the hot week [m3]; deliverable is None for the mains.
    hours_needed, hours_allowed : float          At full flow, and of the windows of the week [h].
    """

    name: str
    zones: int
    capacity_lps: float | None
    demand_m3: float
    deliverable_m3: float | None
    hours_needed: float | None
    hours_allowed: float

    @property
    def enough(self) -> bool:
        """Whether the week's demand can be delivered."""
        return self.deliverable_m3 is None or self.demand_m3 <= self.deliverable_m3


@dataclass(frozen=True)
class FileSummary:
    """What one file gave: rows used, first and last date (None if absent or empty)."""

    file: str
    rows: int
    first: date | None
    last: date | None


@dataclass(frozen=True)
class Understood:
    """Everything `evenfall check` prints."""

    name: str
    place: str
    time_zone: str
    units: str
    zones: int
    area_m2: float
    surfaces: tuple[SurfaceSummary, ...]
    turf: tuple[tuple[str, int], ...]
    soil: tuple[tuple[str, int], ...]
    pumps: tuple[PumpSummary, ...]
    window: str
    hot_week: str
    hot_week_eto_mm: float
    hot_week_demand_m3: float
    probed_zones: int
    files: tuple[FileSummary, ...]
    step_downs: tuple[Note, ...]
    warnings: tuple[Note, ...]
    infos: tuple[Note, ...]


def understand_site(site: Site) -> Understood:
    """Say what was understood of a site.

    Parameters
    ----------
    site : Site
        As `load_site` gave it.

    Returns
    -------
    Understood
        Plain data in the units inside; the command line turns them into the site's.
    """
    zones = site.zones
    eto, start, words = _hot_week(site)
    month = (start + timedelta(days=3)).month - 1
    # what gives the part of each zone it is watered for its ET [m3 of each zone, a day of the hot week]
    depth = eto / 7.0 * zones.kc_month[:, month] * zones.microclimate / site.net_share
    daily = depth * zones.area / 1000.0
    surfaces = []
    for surface in SURFACES:
        of = zones.surface == surface
        if of.any():
            rate = float(np.average(zones.application_rate[of], weights=zones.area[of]))
            surfaces.append(
                SurfaceSummary(
                    surface, int(of.sum()), float(zones.area[of].sum()), float(zones.flow[of].sum()), rate,
                    site.surfaces[surface].priority, float(daily[of].sum()),
                )
            )  # fmt: skip
    opens, closes = site.window.default
    return Understood(
        name=site.name,
        place=f"{abs(site.latitude):.4g} {'N' if site.latitude >= 0 else 'S'}, "
        f"{abs(site.longitude):.5g} {'E' if site.longitude >= 0 else 'W'}",
        time_zone=site.time_zone.key,
        units=site.units,
        zones=len(zones),
        area_m2=float(zones.area.sum()),
        surfaces=tuple(sorted(surfaces, key=lambda s: (s.priority, s.surface))),
        turf=tuple(Counter("|".join(key for key, _ in mix) for mix in zones.turf_mix).most_common()),
        soil=tuple(Counter(zones.soil.tolist()).most_common()),
        pumps=_pumps(site, daily * 7.0, start),
        window=f"{_clock(opens)} to {_clock(closes)}"
        + (f", {len(site.window.by_weekday)} weekdays differ" if site.window.by_weekday else ""),
        hot_week=words,
        hot_week_eto_mm=eto,
        hot_week_demand_m3=float(daily.sum() * 7.0),
        probed_zones=int(site.probe_sites["zone"].nunique()),
        files=_files(site),
        step_downs=tuple(n for n in site.notes if n.kind == "step_down"),
        warnings=(*(n for n in site.notes if n.kind == "warning"), *doubts(site, float(daily.sum() * 7.0))),
        infos=tuple(n for n in site.notes if n.kind == "info"),
    )


def _clock(minute: int) -> str:
    return f"{minute % 1440 // 60:02d}:{minute % 60:02d}"


def _hot_week(site: Site) -> tuple[float, date, str]:
    """Find the week of the highest reference ET: its sum [mm], its first date, and words for it."""
    weather = site.weather
    if len(weather) >= 7:
        days = weather["date"].dt
        climate = Climate(
            days.dayofyear.to_numpy(float),
            *(
                weather[n].to_numpy(float)
                for n in ("tmin", "tmax", "rhmin", "rhmax", "rh", "wind", "solar", "sunshine")
            ),
            weather["eto"].to_numpy(float),
        )
        eto = reference_et(climate, Place(site.latitude, site.elevation), site.method).eto
        dates = weather["date"].to_numpy().astype("datetime64[D]")
        sums = np.convolve(np.where(np.isnan(eto), 0.0, eto), np.ones(7), mode="valid")
        whole = (dates[6:] - dates[:-6]).astype(int) == 6
        whole &= np.convolve(np.isnan(eto), np.ones(7), mode="valid") == 0
        if whole.any():
            best = int(np.flatnonzero(whole)[np.argmax(sums[whole])])
            start = dates[best].astype(object)
            return float(sums[best]), start, f"the hottest week of weather.csv, from {start.isoformat()}"
    north = site.latitude >= 0
    start = REFERENCE_MONDAY if north else REFERENCE_MONDAY - timedelta(days=182)
    return HOT_ETO * 7.0, start, f"a week of {HOT_ETO:g} mm/d, as fewer than seven days of weather are known"


def _pumps(site: Site, weekly: np.ndarray, start: date) -> tuple[PumpSummary, ...]:
    """Set every pump station against the hot week."""
    hours = sum(w.minutes for w in night_windows(site, start, 7)) / 60.0
    summaries = []
    for index, pump in enumerate(site.pumps):
        on = site.zones.pump == index
        demand = float(weekly[on].sum())
        hourly = pump.capacity * 3.6  # [m3/h]
        summaries.append(
            PumpSummary(
                pump.name, int(on.sum()), pump.capacity, demand, hourly * hours, demand / hourly, hours
            )
        )  # fmt: skip
    mains = site.zones.pump < 0
    if mains.any():
        summaries.append(PumpSummary("mains", int(mains.sum()), None, float(weekly[mains].sum()), None, None, hours))
    return tuple(summaries)


def _files(site: Site) -> tuple[FileSummary, ...]:
    """Say what each series gave."""
    found = []
    for name, column in (
        ("weather", "date"), ("forecast", "date"), ("probes", "time"), ("probe_sites", "from"),
        ("applied", "night"), ("calendar", "from"), ("samples", "date"),
    ):  # fmt: skip
        data = getattr(site, name)
        known = data[column].dropna()
        first, last = (known.min().date(), known.max().date()) if len(known) else (None, None)
        found.append(FileSummary(f"{name}.csv", len(data), first, last))
    return tuple(found)
