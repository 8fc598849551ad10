"""Rules to compare the evening's plans with: each takes the world of an evening and gives tonight's run.

Those of `PLAIN` know what a manager's files say; `Greedy` knows the true weather and soil, which nobody does.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import numpy as np
import pandas as pd

from tests.physics import flow
from tests.physics.world import World

Run = tuple[np.ndarray, np.ndarray]
Rule = Callable[[World], Run]


def told_rate(world: World) -> np.ndarray:
    """Application rate by the files (Z,) [mm/min]."""
    return world.told["application_rate"].to_numpy() / 60.0


def run_time_share(world: World) -> np.ndarray:
    """0.4 + 0.6 DU_LQ: the run time multiplier of the Irrigation Association turned round; status memory."""
    return 0.4 + 0.6 * world.told["du_lq"].to_numpy()


def full_replacement(world: World) -> Run:
    """What the day used, less its rain, every night."""
    depth = np.maximum(world.told_demand(world.night) - world.told_rain(world.night), 0.0)
    return world.from_minutes(depth / told_rate(world))


def replacement_over_du(world: World) -> Run:
    """The same over the run time share."""
    minutes, _ = full_replacement(world)
    return world.from_minutes(minutes / run_time_share(world))


def fixed_programme(world: World) -> Run:
    """The mean demand of the month every second night; nothing after 5 mm of rain in two days."""
    rest = (world.night - world.first).days % 2 == 1
    wet = world.told_rain(world.night) + world.told_rain(world.night - timedelta(days=1)) > 5.0
    assert world.kc is not None
    depth = 2.0 * world.kc[:, world.night.month - 1] * world.climate.eto[world.night.month - 1]
    minutes = depth / told_rate(world) / run_time_share(world)
    return world.from_minutes(np.zeros(depth.size) if rest or wet else minutes)


def probe_trigger(world: World, left: float = 0.5) -> Run:
    """Refill to the texture's field capacity where the evening's probes show less than `left` of TAW; kin as probed."""
    capacity, wilting = world.soil_table
    rows = world.series("probes")
    day = rows[rows["time"] > rows["time"].max() - pd.Timedelta(hours=6)].groupby("probe")["moisture"].mean()
    seen = day.reindex(world.probe).to_numpy()
    roots = 10.0 * world.told_roots
    z = world.zone.size
    depth = np.zeros(z)
    for surface in np.unique(world.surface):
        own = world.surface == surface
        upper = own[world.probes.zone] & (world.probes.depth < 0.6 * world.told_roots[world.probes.zone] + 5.0)
        theta = np.nanmean(seen[upper]) if np.isfinite(seen[upper]).any() else np.nan
        short = np.where(own, roots * (capacity - theta), 0.0)
        depth = np.where(own & (short > (1.0 - left) * roots * (capacity - wilting)), np.maximum(short, 0.0), depth)
    return world.from_minutes(depth / told_rate(world) / run_time_share(world))


class Greedy:
    """Knows the soil as it stands, the true rate and demand, and the true weather of the days to come.

    A zone is watered when tomorrow would bring its turf (by `quarter`: the mean of its drier half) below the head at
    which Feddes' turf begins to suffer, by two days' demand less the rain of the days to come, never past full; where
    salt is above `salty` of the limit it gets enough to drain a third of the pore water.
    """

    def __init__(self, ahead: int = 2, salty: float = 0.85) -> None:
        """Days refilled at once; share of the limit at which it leaches."""
        self.ahead, self.salty = ahead, salty

    def __call__(self, world: World) -> Run:
        """Tonight's run."""
        columns = world.columns
        part = columns.within(np.zeros_like(columns.root_depth), columns.root_depth)
        dry = 10.0 * (self._held_at(world, -200.0) * part).sum(axis=2)[:, :2].mean(axis=1)
        water = columns.water()
        now, full = water[:, :2].mean(axis=1), columns.full[:, :2].mean(axis=1)
        days = [world.night + timedelta(days=d + 1) for d in range(self.ahead + 1)]
        need = [world.demand(d) for d in days]
        rain = [float(world.weather.rain[world.day_number(d)]) for d in days]
        first = now - need[0] + (rain[0] if world.weather.start_hour[world.day_number(days[0])] < 10.0 else 0.0)
        due = first < dry + 0.25 * need[1]
        wanted = sum(need[: self.ahead]) - 0.9 * sum(rain[: self.ahead]) + np.maximum(dry - now, 0.0)
        catch = columns.catch[:, :2].mean(axis=1)
        depth = np.where(due, np.clip(wanted, 0.3 * need[0], np.maximum(full - now, 2.0)) / catch, 0.0)
        dryness = world.full_roots.mean(axis=1) - water.mean(axis=1)
        leach = (world.ece > self.salty * world.limit) & (rain[0] + rain[1] < 5.0)
        depth = np.where(leach, np.maximum(dryness, 0.0) + 0.35 * world.full_roots.mean(axis=1), depth)
        return world.from_minutes(depth / world.rate)

    @staticmethod
    def _held_at(world: World, head: float) -> np.ndarray:
        soil = world.columns.soil
        held = np.empty(soil.shape[:3])
        for place in np.ndindex(held.shape):
            held[place] = flow.water_content(head, soil[place])
        return held


PLAIN: dict[str, Rule] = {
    "full ET": full_replacement,
    "ET over DU": replacement_over_du,
    "probe trigger": probe_trigger,
    "fixed programme": fixed_programme,
}
