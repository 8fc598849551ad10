"""A season on reclaimed water without rain: evenings planned by the project, soil finer than its own."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from scheduler.evening import plan_tonight
from scheduler.site import Site
from tests.end_to_end.fine_soil import STEP, STEPS, FineSoil, Physics
from tests.scheduler import salty_sites as s

ECW = 1.4  # dS/m
FIRST = date(2026, 6, 1)
LEAD = 4  # days before it that the soil already runs, on plain replacement of ET
BEGINS = FIRST - timedelta(days=LEAD)  # samples are taken that evening, when all of the soil stands at START
DAWN = 18  # h at which an evening is planned
PROBES = (5, 15)  # cm
EVENTS = (16, 38, 60, 82, 104, 126, 148)  # nights a tournament of three days begins
START = 2.8  # dS/m
REMEMBERED = 45  # days of readings in the folder
SEED = 11
PLAIN = Physics()
ZONES = s.zones_csv(
    *(f"G{i},green,creeping_bentgrass,reclaimed" for i in (1, 2, 3, 4)),
    *(f"F{i},fairway,creeping_bentgrass,reclaimed" for i in (1, 2)),
)
ZONES = ZONES.replace("du_lq\n", "du_lq,over_gravel\n").replace(",1.0\n", ",1.0,no\n")  # nothing rises there


@dataclass
class Season:
    """What a season did, over zones (Z,) unless said."""

    greens: np.ndarray
    over: np.ndarray  # zone-days with the mean ECe of the roots above the turf's threshold
    water: np.ndarray  # net [mm]
    flushes: list[dict] = field(default_factory=list)  # of one night: what was forecast and what came about
    planned_drainage: list[tuple[str, date, float]] = field(default_factory=list)  # of every zone and night [mm]


def protected(night: date) -> bool:
    """Whether greens may not be flushed: from two nights before a tournament of three days to its last night."""
    return any(-2 <= (night - FIRST).days - event <= 2 for event in EVENTS)


def place(folder: Path, days: int) -> Site:
    """Four greens and two fairways of one salt-tender grass on 20 cm of sand, a probe at two depths in each."""
    spans = [(FIRST + timedelta(days=d), FIRST + timedelta(days=d + 2)) for d in EVENTS if d < days]
    calendar = "from,until,surface,zone,event,note\n" + "".join(f"{a},{b},green,,tournament,\n" for a, b in spans)
    sites = "probe,zone,depth,from,until\n" + "".join(
        f"{z}-{d},{z},{d},2026-01-01,\n" for z in ("G1", "G2", "G3", "G4", "F1", "F2") for d in PROBES
    )
    samples = "date,zone,depth,ece\n" + "".join(f"{BEGINS},{z},{d},{START}\n" for z in ("G1", "F1") for d in PROBES)
    log = f"night,zone,minutes,volume,note\n{FIRST - timedelta(days=1)},G1,1,,\n"
    first = s.PROBE_HEAD + s.probes_csv({"G1-5": START}, FIRST - timedelta(days=1))
    return s.salty(
        folder, zones=ZONES, calendar=calendar, probe_sites=sites, samples=samples, applied=log, probes=first
    )


def soil_of(site: Site, physics: Physics) -> FineSoil:
    """The site's zones in the finer soil."""
    z = site.zones
    pores, paste, ece = np.full(len(z), 0.45), np.full(len(z), s.PASTE), np.full(len(z), START)
    return FineSoil(z.root_depth, z.field_capacity, z.wilting_point, pores, paste, ece, physics)


def crop_et(site: Site, eto: float, day: date) -> np.ndarray:
    """ETc of a date (Z,) [mm]."""
    return site.zones.kc_month[:, day.month - 1] * site.zones.microclimate * eto


def season(site: Site, days: int, planned: bool, extra: float = 0.0, physics: Physics = PLAIN) -> Season:
    """Run a season by the evening's plans, or by ET of the day before, over 1 - `extra`."""
    rng = np.random.default_rng(SEED)
    eto = rng.normal(5.5, 0.6, days + 60).clip(3.5, 7.5)
    start = FIRST - timedelta(days=40)
    dates = pd.date_range(start, periods=eto.size)
    by_date = pd.Series(eto, index=dates)
    soil, z = soil_of(site, physics), site.zones
    rate = z.flow * 60.0 / z.area * (0.4 + 0.6 * z.du_lq)  # mm/min
    found = Season(z.surface == "green", np.zeros(len(z)), np.zeros(len(z)))
    probes, applied = [], []
    for d in range(-LEAD, days):
        night = FIRST + timedelta(days=d)
        if d >= 0 and planned:
            plan = _plan(site, night, by_date, probes, applied, rng)
            water = by_steps(plan, rate)
            _take_note(found, site, night, plan, soil)
        else:
            depth = crop_et(site, by_date[pd.Timestamp(night)], night) / (1.0 - extra)
            water = np.zeros((len(z), STEPS))
            water[:, 48:60] = depth[:, None] / 12.0  # 2 to 4 h
        minutes = water.sum(axis=1) / rate
        applied.append(pd.DataFrame({"night": pd.Timestamp(night), "zone": z.zone, "minutes": minutes, "note": ""}))
        coming = night + timedelta(days=1)
        soil.day(water, ECW, crop_et(site, by_date[pd.Timestamp(coming)], coming))
        probes.append(_readings(site, coming, soil, rng))
        if d >= 0:
            found.water += water.sum(axis=1)
            found.over += soil.root_ece > z.ece_threshold
        for flush in found.flushes:
            if flush["night"] == night:
                i = flush["index"]
                flush |= {"after": soil.root_ece[i], "above_after": soil.salt_above(PROBES[1])[i]}
                flush["left"] = soil.drained_salt[i] - flush.pop("drained_salt")
    return found


def _plan(site: Site, night: date, by_date: pd.Series, probes: list, applied: list, rng: np.random.Generator) -> dict:
    """The evening's plan from what is known by then."""
    today = pd.Timestamp(night)
    seen = by_date[(by_date.index <= today) & (by_date.index > today - timedelta(days=40))]
    ahead = by_date[(by_date.index > today) & (by_date.index <= today + timedelta(days=8))]
    wrong = 1.0 + 0.04 * np.sqrt(np.arange(1, len(ahead) + 1)) * rng.normal(size=len(ahead))
    tonight = replace(
        site,
        weather=pd.DataFrame({"date": seen.index, "eto": seen.to_numpy(), "rain": 0.0}).reindex(
            columns=site.weather.columns
        ),
        forecast=pd.DataFrame(
            {
                "issued": today + timedelta(hours=16),
                "date": ahead.index,
                "member": "",
                "eto": ahead.to_numpy() * wrong,
                "rain": 0.0,
            }
        ).reindex(columns=site.forecast.columns),
        probes=pd.concat(probes[-REMEMBERED:], ignore_index=True).reindex(columns=site.probes.columns),
        applied=pd.concat(applied, ignore_index=True).reindex(columns=site.applied.columns),
    )
    made = datetime(night.year, night.month, night.day, 18, tzinfo=site.time_zone)
    return plan_tonight(tonight, night, made).plain()


def by_steps(plan: dict, rate: np.ndarray) -> np.ndarray:
    """Water of each zone in each step from 18:00 on, from the cycles of the timetable (Z, STEPS) [mm]."""
    opening = datetime.fromisoformat(plan["night"]) + timedelta(hours=DAWN)
    water = np.zeros((rate.size, STEPS))
    edges = np.arange(STEPS + 1) * STEP
    for i, zone in enumerate(plan["zones"]):
        for cycle in zone["cycles"]:
            begins = (datetime.fromisoformat(cycle["start"]) - opening).total_seconds() / 60.0
            ends = begins + cycle["minutes"]
            water[i] += rate[i] * np.diff(np.clip(edges, begins, ends))
    return water


def _readings(site: Site, day: date, soil: FineSoil, rng: np.random.Generator) -> pd.DataFrame:
    """What the probes read at 18:00, moisture and bulk EC a little off."""
    rows = []
    for depth in PROBES:
        moisture, ece = soil.at(depth)
        for i, zone in enumerate(site.zones.zone):
            theta = moisture[i] + rng.normal(0.0, 0.004)
            ec = s.bulk_ec(ece[i], theta, 20.0) * np.exp(rng.normal(0.0, 0.03))
            rows.append((pd.Timestamp(day) + timedelta(hours=17, minutes=50), f"{zone}-{depth}", theta, ec, 20.0))
    return pd.DataFrame(rows, columns=["time", "probe", "moisture", "ec", "temperature"])


def _take_note(found: Season, site: Site, night: date, plan: dict, soil: FineSoil) -> None:
    """Keep what the plan says of tonight's flushes and drainage."""
    index = {zone: i for i, zone in enumerate(site.zones.zone)}
    found.planned_drainage += [(z["id"], night, z["balance"]["drainage_mm"]) for z in plan["zones"]]
    for flush in plan["flushes"]:
        if night.isoformat() not in flush["nights"]:
            continue
        i = index[flush["zone"]]
        found.flushes.append(
            {
                "zone": flush["zone"],
                "night": night,
                "nights": len(flush["nights"]),
                "index": i,
                "before": soil.root_ece[i],
                "believed": plan["zones"][i]["before"]["ece_dsm"],
                "forecast": plan["zones"][i]["after"]["ece_dsm"],
                "above_before": soil.salt_above(PROBES[1])[i],
                "drained_salt": soil.drained_salt[i],
            }
        )
