"""Nights and surfaces of the plan document: totals, what they cost, who gives way."""

from __future__ import annotations

import numpy as np

from models.plan.inputs import Floats
from scheduler.document.limits import Scarce, source_volume
from scheduler.document.parts import (
    AllocationPart,
    EnergyBlock,
    GiveWay,
    LimitPart,
    NightPart,
    SurfaceName,
    SurfacePart,
    WindowPiece,
)
from scheduler.document.planned import Planned, in_order, moment
from scheduler.document.words import Going, give_way_words
from scheduler.document.worth import worth_part


def night_parts(
    planned: Planned, limits: list[list[LimitPart]], blocks: tuple[EnergyBlock, ...]
) -> tuple[NightPart, ...]:
    """Totals of each night, tonight first; tonight's energy is the sum of its tariff blocks."""
    plan, run, volume = planned.plan, planned.run, planned.effects.volume
    energy, energy_cost = _later_energy(planned)
    energy[0] = sum(b.energy_kwh for b in blocks)
    energy_cost[0] = sum(b.cost or 0.0 for b in blocks)
    water_cost = volume * _water_price(planned)
    priced = plan.source_price.any() or plan.energy_price.any()
    known = bool(plan.pump_energy.any())
    eto, sources = planned.demand.future["eto"].to_numpy(), _by_source(planned)
    return tuple(
        NightPart(
            night=day,
            allowed=bool((plan.allowed[:, n] & (plan.block_length[n] > 0)).any()),
            window=tuple(WindowPiece(start=moment(day, a), end=moment(day, b)) for a, b in window.pieces),
            zones_running=int((run.minutes_by_night[:, n] > 0).sum()),
            minutes=round(float(run.minutes_by_night[:, n].sum()), 6),
            volume_m3=round(float(volume[:, n].sum()), 6),
            eto_mm=round(float(eto[n]), 6),
            volumes_m3=sources[n],
            energy_kwh=round(float(energy[n]), 3) if known else None,
            energy_cost=round(float(energy_cost[n]), 4) if known and plan.energy_price.any() else None,
            cost=round(float(water_cost[:, n].sum() + energy_cost[n]), 2) if priced else None,
            limits=tuple(limits[n]),
        )
        for n, (day, window) in enumerate(zip(planned.inputs.dates, planned.inputs.windows, strict=True))
    )


def _by_source(planned: Planned) -> list[dict[str, float]]:
    """Water of each night by source name [m3]; empty where no source is named."""
    names = [s.name for s in planned.site.sources]
    if not names:
        return [{} for _ in planned.inputs.dates]
    by_night = (np.round(source_volume(planned.plan, planned.run), 6) + 0.0).T.tolist()
    return [{name: v for name, v in zip(names, row, strict=True) if v > 0} for row in by_night]


def _water_price(planned: Planned) -> Floats:
    """Price of each zone-night's water in the plan's proportions of sources, shape (Z, N) [per m3]."""
    plan = planned.plan
    chosen = planned.run.result.run_times(plan).sum(axis=2)
    price = plan.supply_share @ plan.source_price
    whole = chosen.sum(axis=2)
    first = price[plan.zone_supply.argmax(axis=1)]
    mixed = (chosen @ price) / np.maximum(whole, 1e-12)
    return np.asarray(np.where(whole > 0, mixed, first[:, None]), dtype=np.float64)


def _later_energy(planned: Planned) -> tuple[Floats, Floats]:
    """Energy [kWh] and its cost of each night as the plan prices it: by typical flow and by its tariff blocks."""
    plan, volume = planned.plan, planned.effects.volume
    per_m3 = np.append(plan.pump_energy, 0.0)[plan.pump_of_zone]
    energy = (volume * per_m3[:, None]).sum(axis=0)
    chosen = planned.run.result.run_times(plan).sum(axis=3)  # (Z, N, B)
    share = chosen / np.maximum(chosen.sum(axis=2, keepdims=True), 1e-12)
    return energy, np.einsum("zn,znb,nb->n", volume * per_m3[:, None], share, plan.energy_price)


def surface_parts(planned: Planned) -> tuple[SurfacePart, ...]:
    """Tonight and the horizon by surface, in order of service."""
    effects, minutes = planned.effects, planned.run.minutes
    depth = minutes * planned.plan.net_rate / planned.plan.net_share
    volume = minutes * planned.plan.water_per_minute
    found = []
    for surface in in_order(planned.site):
        of = planned.site.zones.surface == surface
        on = of & (minutes > 0)
        found.append(
            SurfacePart(
                surface=SurfaceName(surface),
                zones=int(of.sum()),
                running=int(on.sum()),
                depth_mm=round(float(depth[on].mean()), 6) if on.any() else 0.0,
                volume_m3=round(float(volume[of].sum()), 6),
                dry_zone_days=int((effects.dry[of] > 0).sum()),
                wet_zone_days=int((effects.soft[of] > 0).sum()),
                worst_depletion_mm=round(float(effects.balance.depletion[of].max()), 6),
            )
        )
    return tuple(found)


def allocation_part(planned: Planned) -> AllocationPart | None:
    """The season's water and what one more cubic metre would do."""
    share = planned.inputs.allocation
    if share is None:
        return None
    return AllocationPart(
        volume_m3=round(share.volume, 6),
        used_m3=round(share.used, 6),
        left_m3=round(share.volume - share.used, 6),
        share_this_horizon_m3=round(share.share, 6),
        worth_per_m3=worth_part(planned.site, planned.plan, planned.run.result.one_more),
    )


def give_way_parts(planned: Planned, scarce: list[Scarce]) -> tuple[GiveWay, ...]:
    """Surfaces that go drier than their limit, those served last first."""
    site, effects = planned.site, planned.effects
    dry, hot = effects.dry > 0, effects.too_hot & ~effects.short
    wanting = (dry & ~hot).any(axis=1)  # water at night would have held them
    found = []
    for surface in in_order(site, last_first=True):
        of = site.zones.surface == surface
        if dry[of].any():
            blame = [s.name for s in scarce if (s.zones & of & wanting).any()]
            going = Going(effects.dry[of], (dry & effects.too_hot).any(axis=1)[of], wanting[of])
            words = give_way_words(surface, going, planned.inputs.dates, blame, site.units)
            found.append(GiveWay(surface=SurfaceName(surface), zones=int(dry[of].any(axis=1).sum()), words=words))
    return tuple(found)
