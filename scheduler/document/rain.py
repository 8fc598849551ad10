"""What the rain that may come is worth tonight: water held back for it, and what happens if it stays dry."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np

from models.choices import PRICES, TOLD
from models.forecast_members import WET
from models.plan.refill import refill
from scheduler import edge
from scheduler.document.parts import RainPart, SurfaceName
from scheduler.document.planned import Planned
from scheduler.document.words import surfaces_named

HELD = 0.5  # of a controller's step by which a zone's run must be shorter to count [-]; less is rounding


def rain_part(planned: Planned) -> RainPart | None:
    """Compare tonight's runs with what each zone by itself would run without rain in sight; None if it is the same."""
    told, plan, others = planned.demand.told, planned.plan, planned.inputs.others
    if told is None or others is None:
        return None
    likely = np.where(told.chance >= TOLD.rain_likely, told.chance * told.amount, 0.0)
    date = int(likely.argmax())
    dry = replace(plan, members=None, effective_rain=np.zeros_like(plan.effective_rain))
    wished = refill(dry, PRICES.turf * plan.caution, plan.price_of_a_run).depth
    open_tonight = (plan.allowed[:, 0] & (plan.block_length[0] > 0)).any(axis=1)
    flushing = np.isin(np.arange(plan.zones), [f.zone for f in planned.run.result.flushes])
    less = np.where(open_tonight & ~flushing, wished - planned.run.minutes * plan.net_rate, 0.0) / plan.net_share
    step = planned.inputs.resolution * plan.net_rate / plan.net_share
    held = (less > HELD * step) & (planned.run.left_out == 0)
    if likely[date] <= 0 or not held.any():
        return None
    depth = float(np.average(less[held], weights=plan.area[held]))
    if depth < TOLD.rain_held:
        return None
    when = planned.inputs.dates[date] + timedelta(days=1)
    later = date + 1 < plan.nights
    surface, count = _if_dry(planned, date) if later else (None, 0)
    units = planned.site.units
    words = (
        f"{edge.format_depth(depth, units)} held back in {_zones(int(held.sum()))} for {when:%A}'s rain "
        f"({edge.format_percent(float(told.chance[date]))})"
    )
    if surface is not None:
        words += f"; if it stays dry, {_of_surface(count, surface)} that night"
    return RainPart(
        date=when,
        chance=float(min(told.chance[date], 1.0)),
        amount_mm=float(told.amount[date]),
        held_back_mm=depth,
        zones_held_back=int(held.sum()),
        next_night=when if later else None,
        surface=surface,
        zones_if_dry=count,
        words=f"{words}.",
    )


def _if_dry(planned: Planned, date: int) -> tuple[SurfaceName | None, int]:
    """Surface of which most zones run on the evening of a date that stays dry, and how many of them."""
    others, minutes = planned.inputs.others, planned.run.result.weathers
    if others is None or minutes is None:
        return None, 0
    stays = others.rain[:, date] < WET
    if not stays.any():
        return None, 0
    weight = others.members.weight * stays
    runs = np.tensordot(weight, minutes[1:, :, date + 1] > 0, axes=1) > 0.5 * weight.sum()
    surfaces, counts = np.unique(planned.site.zones.surface[runs].astype(str), return_counts=True)
    if not counts.size:
        return None, 0
    return SurfaceName(surfaces[counts.argmax()]), int(counts.max())


def _zones(count: int) -> str:
    return "one zone" if count == 1 else f"{edge.format_count(count)} zones"


def _of_surface(count: int, surface: SurfaceName) -> str:
    if count == 1:
        return f"one {surface.value} runs"
    return f"{edge.format_count(count)} {surfaces_named(surface.value)} run"
