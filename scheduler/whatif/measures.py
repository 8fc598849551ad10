"""What a plan does: water, turf past its limits, salt, flushes, energy and the bill.

The balance is the one the plan document reports by (FAO-56, run under run times), so that a case and tonight's plan are
counted alike. Energy is priced at the typical flow of each pump on every night: cases differ by their water, not by how
one night happens to be packed.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from models.choices import TOLD
from models.plan.inputs import PlanInputs
from models.plan.results import PlanResult
from models.soil import run_balance
from scheduler.plan.inputs import NightInputs
from scheduler.salinity.evening import SaltState, forecast_salt
from scheduler.site import Site

ONE_MM = 1.0


@dataclass(frozen=True)
class Course:
    """What the run times of a plan do to every zone; arrays (Z, N) unless said.

    minutes : run times [min];  net : water that counts [mm];  volume : [m3];  source : by source (W, N) [m3]
    dry, soft : past the dry limit, short of the firmness limit [mm], 0 where it cannot be told apart from the limit
    depletion : at the end of each date [mm];  ece : mean at the end of each date [dS/m], NaN = not known
    energy : (N,) [kWh];  cost : (N,) water and energy [money], without over-use
    """

    minutes: np.ndarray
    net: np.ndarray
    volume: np.ndarray
    source: np.ndarray
    dry: np.ndarray
    soft: np.ndarray
    depletion: np.ndarray
    ece: np.ndarray
    energy: np.ndarray
    cost: np.ndarray


def course_of(
    site: Site, inputs: NightInputs, salt: SaltState, result: PlanResult, minutes: np.ndarray, with_salt: bool = True
) -> Course:
    """Follow the run times of a plan through its nights.

    Parameters
    ----------
    site : Site
    inputs : NightInputs
    salt : SaltState
    result : PlanResult      Says which water a zone takes, and in which tariff block.
    minutes : ndarray (Z, N) Run times [min].
    with_salt : bool         Whether salinity is followed.
    """
    plan = inputs.plan
    net = minutes * plan.net_rate[:, None]
    future = run_balance(plan.depletion, net, plan.etc, plan.effective_rain, plan.taw, inputs.depletion_fraction)
    before = np.concatenate((plan.depletion[:, None], future.depletion[:, :-1]), axis=1)
    soft = np.maximum(plan.wet_limit - np.maximum(before - net, 0.0), 0.0)
    chosen = result.run_times(plan)
    mix = supply_shares(plan, chosen.sum(axis=2))
    volume = minutes * plan.water_per_minute[:, None]
    energy, energy_cost = _energy(plan, chosen.sum(axis=3), volume)
    price = mix @ (plan.supply_share @ plan.source_price)
    ece = np.full(net.shape, np.nan)
    if with_salt and salt.known.any():
        water_ec = mix @ (plan.supply_share @ np.array([s.ec for s in site.sources]))
        water_ec = np.where(minutes > 0, water_ec, salt.source_ec[:, None])
        ece = forecast_salt(salt, net, water_ec, plan.etc, plan.effective_rain, inputs.depletion_fraction).mean
    return Course(
        minutes=minutes,
        net=net,
        volume=volume,
        source=np.einsum("znk,kw->wn", mix * volume[:, :, None], plan.supply_share),
        dry=dryness(inputs, future.depletion, np.arange(plan.zones)),
        soft=np.where(soft < _told_from(inputs)[:, None], 0.0, soft),
        depletion=future.depletion,
        ece=ece,
        energy=energy,
        cost=(volume * price).sum(axis=0) + energy_cost,
    )


def dryness(inputs: NightInputs, depletion: np.ndarray, zones: np.ndarray) -> np.ndarray:
    """How far zones (k,) are past their dry limit at some depletion (k, N) [mm], 0 where it cannot be told apart."""
    dry = np.maximum(depletion - inputs.fresh_limit[zones], 0.0)
    return np.asarray(np.where(dry < _told_from(inputs)[zones, None], 0.0, dry))


def _told_from(inputs: NightInputs) -> np.ndarray:
    """Depth past a limit from which it is told, shape (Z,) [mm]."""
    return np.maximum(inputs.resolution * inputs.plan.net_rate, TOLD.apart * inputs.plan.taw)


def supply_shares(plan: PlanInputs, chosen: np.ndarray) -> np.ndarray:
    """Proportions of the supplies in the minutes chosen (Z, N, K); those of the first open supply where none were."""
    whole = chosen.sum(axis=2, keepdims=True)
    first = np.zeros((plan.zones, 1, chosen.shape[2]))
    first[np.arange(plan.zones), 0, plan.zone_supply.argmax(axis=1)] = 1.0
    return np.asarray(np.where(whole > 0, chosen / np.maximum(whole, 1e-12), first))


def _energy(plan: PlanInputs, by_block: np.ndarray, volume: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Energy [kWh] and its cost of each night at the pumps' typical flow, (N,)."""
    per_m3 = np.append(plan.pump_energy, 0.0)[plan.pump_of_zone][:, None]
    share = by_block / np.maximum(by_block.sum(axis=2, keepdims=True), 1e-12)
    return (volume * per_m3).sum(axis=0), np.einsum("zn,znb,nb->n", volume * per_m3, share, plan.energy_price)


def over_use(plan: PlanInputs, volume: float) -> tuple[float, float]:
    """Water beyond the first tier [m3], and what over-use costs [money]; every tier's price is that of its own step."""
    if not plan.tiers:
        return 0.0, 0.0
    steps = np.diff([0.0, *(t.price for t in plan.tiers)])
    beyond = np.maximum(volume - np.array([t.above for t in plan.tiers]), 0.0)
    return float(beyond[0]), float(steps @ beyond)


@dataclass(frozen=True)
class SurfaceOutcome:
    """A surface over the nights of a plan: depths in mm summed or at worst over its zones, ECe at the end [dS/m]."""

    surface: str
    priority: int
    zones: int
    water_m3: float
    water_tonight_m3: float
    dry_zone_days: int
    dry_mm_days: float
    worst_dry_mm: float
    first_dry: date | None
    soft_zone_days: int
    soft_mm_days: float
    worst_soft_mm: float
    ece_mean: float | None
    ece_highest: float | None
    salty_zone_days: int


def by_surface(site: Site, dates: tuple[date, ...], course: Course) -> tuple[SurfaceOutcome, ...]:
    """Give what a plan does to each surface, in order of service."""
    threshold = site.zones.ece_threshold[:, None]
    found = []
    for surface in sorted(set(site.zones.surface), key=lambda s: (site.surfaces[s].priority, s)):
        of = site.zones.surface == surface
        dry, soft, ece = course.dry[of], course.soft[of], course.ece[of]
        known = np.isfinite(ece[:, -1])
        first = np.flatnonzero((dry > 0).any(axis=0))
        found.append(
            SurfaceOutcome(
                surface=surface,
                priority=site.surfaces[surface].priority,
                zones=int(of.sum()),
                water_m3=float(course.volume[of].sum()),
                water_tonight_m3=float(course.volume[of, 0].sum()),
                dry_zone_days=int((dry > 0).sum()),
                dry_mm_days=float(dry.sum()),
                worst_dry_mm=float(dry.max(initial=0.0)),
                first_dry=dates[int(first[0])] if first.size else None,
                soft_zone_days=int((soft > 0).sum()),
                soft_mm_days=float(soft.sum()),
                worst_soft_mm=float(soft.max(initial=0.0)),
                ece_mean=float(ece[known, -1].mean()) if known.any() else None,
                ece_highest=float(ece[known, -1].max()) if known.any() else None,
                salty_zone_days=int((np.nan_to_num(ece) > threshold[of]).sum()),
            )
        )
    return tuple(found)


def gives_way(
    site: Site, dates: tuple[date, ...], course: Course, usual: Course | None = None
) -> list[tuple[str, date, int]]:
    """Surfaces that go drier than their limit, or than as things are: (surface, first night, zones), the first first.

    Those that start on the same night stand in the order in which they give way: what is served last first.
    """
    more = course.dry if usual is None else np.maximum(course.dry - usual.dry - ONE_MM, 0.0)
    found = []
    for surface in sorted(set(site.zones.surface)):
        own = more[site.zones.surface == surface] > 0
        if own.any():
            found.append((surface, dates[int(own.any(axis=0).argmax())], int(own.any(axis=1).sum())))
    return sorted(found, key=lambda f: (f[1], -site.surfaces[f[0]].priority, f[0]))
