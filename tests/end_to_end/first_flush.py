"""The first flush of a site that nobody has seen flush: a few days of readings, one evening, a finer soil.

Zones of two soils, two grasses and two waters stand at 1.1 to 2.5 times their threshold, alike all down or rising with
depth; five days of plain replacement of ET, then the evening's plan.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from models.textures import TEXTURES
from scheduler.evening import plan_tonight
from scheduler.site import Site
from tests.end_to_end.fine_soil import STEPS, FineSoil, Physics
from tests.end_to_end.reclaimed import by_steps, crop_et
from tests.scheduler import salty_sites as s

LEAD = 5  # days of readings and of a log before the evening
DAWN = 18  # h at which an evening is planned
ECW = {"reclaimed": 1.4, "river": 0.7}  # dS/m
LEVELS = (1.1, 1.5, 2.5)  # of the threshold
SHAPES = (0.0, 0.8)  # ECe at the surface and at the roots' end: 1 -+ this of the mean
SOILS = (("sand_rootzone", 20), ("sandy_loam", 30))
TURF = ("creeping_bentgrass", "tall_fescue")
PROBES = (0.25, 0.75)  # of the root depth
ETO = 5.5  # mm


@dataclass(frozen=True)
class FirstFlush:
    """What one evening did, over the zones that flush on it (F,): ECe [dS/m], salt above the lower probe [dS/m mm]."""

    zone: np.ndarray
    level: np.ndarray  # ECe over the threshold as the site was laid out [-]
    believed: np.ndarray
    before: np.ndarray
    forecast: np.ndarray
    after: np.ndarray
    above_before: np.ndarray
    above_after: np.ndarray

    @property
    def off(self) -> np.ndarray:
        """ECe after over its forecast [-]."""
        return self.after / self.forecast


def kinds() -> pd.DataFrame:
    """One zone of every kind."""
    rows = [
        (turf, soil, root, source, level, shape)
        for turf in TURF
        for soil, root in SOILS
        for source in ECW
        for level in LEVELS
        for shape in SHAPES
    ]
    table = pd.DataFrame(rows, columns=["turf", "soil", "root_depth", "sources", "level", "shape"])
    return table.assign(zone=[f"F{i + 1}" for i in range(len(table))], surface="fairway")


def place(folder: Path, table: pd.DataFrame) -> Site:
    """The site; its pump is large enough for every flush in one night."""
    rows = table[["zone", "surface", "turf", "sources", "soil", "root_depth"]]
    zones = rows.assign(drained="yes", area=450, flow=1.5, application_rate=12, du_lq=1.0).to_csv(index=False)
    sites = "probe,zone,depth,from,until\n" + "".join(
        f"{z}-{i},{z},{share * root},2026-01-01,\n"
        for z, root in zip(table["zone"], table["root_depth"], strict=True)
        for i, share in enumerate(PROBES)
    )
    toml = s.HEAD + s.PUMP.replace("20", "200") + "".join(s.source(name, ec) for name, ec in ECW.items())
    return s.salty(
        folder, toml=toml, zones=zones, probe_sites=sites, weather=s.weather_csv(40, ETO), forecast=s.forecast_csv(ETO)
    )


def first_flush(folder: Path, physics: Physics, catch: float = 1.0, seed: int = 3) -> FirstFlush:
    """Run the days before and the evening; zones catch `catch` times the water of the plan."""
    table = kinds()
    site, rng = place(folder, table), np.random.default_rng(seed)
    z = site.zones
    order = table.set_index("zone").loc[z.zone]
    pores, paste = np.array([(TEXTURES[soil].saturation, TEXTURES[soil].paste) for soil in z.soil]).T
    ecw = order["sources"].map(ECW).to_numpy(float)
    soil = FineSoil(
        z.root_depth,
        z.field_capacity,
        z.wilting_point,
        pores,
        paste,
        order["level"].to_numpy(float) * z.ece_threshold,
        physics,
    )
    middle = (np.arange(soil.water.shape[1]) + 0.5) * physics.layer / 1000.0 / z.root_depth[:, None]
    slope = 1.0 + order["shape"].to_numpy(float)[:, None] * (2.0 * np.minimum(middle, 1.0) - 1.0)
    soil.salt *= slope
    soil.held *= slope
    rate = z.flow * 60.0 / z.area  # mm/min
    readings, log = [], []
    for d in range(LEAD, 0, -1):
        night = s.NIGHT - timedelta(days=d)
        water = np.zeros((len(z), STEPS))
        water[:, 48:60] = crop_et(site, ETO, night)[:, None] / 12.0  # 2 to 4 h
        log.append(
            pd.DataFrame(
                {"night": pd.Timestamp(night), "zone": z.zone, "minutes": water.sum(axis=1) / rate, "note": ""}
            )
        )
        soil.day(water, ecw, crop_et(site, ETO, night + timedelta(days=1)))
        readings.append(_read(site, soil, paste, pd.Timestamp(night) + timedelta(days=1, hours=DAWN, minutes=-10), rng))
    tonight = _with(site, readings, log)
    plan = plan_tonight(
        tonight, s.NIGHT, datetime(s.NIGHT.year, s.NIGHT.month, s.NIGHT.day, DAWN, tzinfo=site.time_zone)
    ).plain()
    lower = 100.0 * PROBES[1] * z.root_depth
    before, above = soil.root_ece, _above(soil, lower)
    soil.day(catch * by_steps(plan, rate), ecw, crop_et(site, ETO, s.NIGHT + timedelta(days=1)))
    index = {zone: i for i, zone in enumerate(z.zone)}
    on = np.array([index[f["zone"]] for f in plan["flushes"] if f["nights"] == [s.NIGHT.isoformat()]], dtype=int)
    believed, forecast = (
        np.array([zone[when]["ece_dsm"] for zone in plan["zones"]], dtype=float) for when in ("before", "after")
    )
    return FirstFlush(
        z.zone[on], order["level"].to_numpy(float)[on], believed[on], before[on], forecast[on], soil.root_ece[on],
        above[on], _above(soil, lower)[on],
    )  # fmt: skip


def _with(site: Site, readings: list[pd.DataFrame], log: list[pd.DataFrame]) -> Site:
    """The site with a record."""
    return replace(
        site,
        probes=pd.concat(readings, ignore_index=True).reindex(columns=site.probes.columns),
        applied=pd.concat(log, ignore_index=True).reindex(columns=site.applied.columns),
    )


def _above(soil: FineSoil, depth_cm: np.ndarray) -> np.ndarray:
    """Salt above a depth of its own in each zone (Z,) [dS/m mm]."""
    found = np.empty(depth_cm.size)
    for depth in np.unique(depth_cm):
        found[depth_cm == depth] = soil.salt_above(depth)[depth_cm == depth]
    return found


def _read(site: Site, soil: FineSoil, paste: np.ndarray, time: pd.Timestamp, rng: np.random.Generator) -> pd.DataFrame:
    """What the probes read, moisture and bulk EC a little off."""
    rows = []
    for i, zone in enumerate(site.zones.zone):
        for number, share in enumerate(PROBES):
            moisture, ece = (values[i] for values in soil.at(100.0 * share * site.zones.root_depth[i]))
            theta = moisture + rng.normal(0.0, 0.004)
            ec = s.bulk_ec(ece, theta, 20.0, paste[i]) * np.exp(rng.normal(0.0, 0.03))
            rows.append((time, f"{zone}-{number}", theta, ec, 20.0))
    return pd.DataFrame(rows, columns=["time", "probe", "moisture", "ec", "temperature"])
